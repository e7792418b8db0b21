"""The card's files as a tree of folders, with every name legal and unique."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field

from pipeline.errors import Place, Problem
from pipeline.fat.names import fold, name_problem
from pipeline.model.content import CardFile, CardFolder
from pipeline.model.rules import NAMES_ARE_LEGAL, NAMES_ARE_UNIQUE
from pipeline.model.text import shown


@dataclass(slots=True)
class Folder:
    """A folder while the card is laid out: its path ("" for the root), who asked first for it, and what it holds.

    ``children``: by folded name, so that two names collide here exactly if some reader confuses them.
    """

    path: str
    place: Place
    children: dict[str, CardFile | Folder] = field(default_factory=dict)


def grow_tree(files: Iterable[CardFile], folders: Iterable[CardFolder], where: Place) -> tuple[Folder, list[Problem]]:
    """Return the root folder and every problem of a name or a path; what has one is left out of the tree.

    Folders are implied by the paths of files; ``folders`` adds those that may be empty.
    """
    root = Folder("", where)
    grower = _Grower({"": root}, [])
    for file in sorted(files, key=lambda file: (file.path, file.place)):
        grower.add_file(file)
    for folder in sorted(folders):
        grower.folder(folder.path, folder.place)
    return root, grower.problems


@dataclass(slots=True)
class _Grower:
    """``known``: the folder each spelling of a path leads to, None where it has a problem already reported."""

    known: dict[str, Folder | None]
    problems: list[Problem]

    def add_file(self, file: CardFile) -> None:
        """Put a file into its folder, or report why not."""
        above, _, name = file.path.rpartition("/")
        folder = self.folder(above, file.place)
        if self._is_illegal(file.path, name, file.place) or folder is None:
            return
        existing = folder.children.setdefault(fold(name), file)
        if existing is not file:
            self._report_collision(file.path, False, file.place, existing)

    def folder(self, path: str, place: Place) -> Folder | None:
        """Return the folder of a path, made if need be; None if it cannot be, which is reported once."""
        missing = []
        while path not in self.known:
            missing.append(path)
            path = path.rpartition("/")[0]
        folder = self.known[path]
        for path in reversed(missing):
            name = path.rpartition("/")[2]
            legal = not self._is_illegal(path, name, place)
            folder = self.known[path] = self._make(folder, path, name, place) if folder and legal else None
        return folder

    def _make(self, parent: Folder, path: str, name: str, place: Place) -> Folder | None:
        own = f"{parent.path}/{name}" if parent.path else name
        existing = parent.children.setdefault(fold(name), Folder(own, place))
        if existing.path != own or not isinstance(existing, Folder):
            self._report_collision(path, True, place, existing)
        return existing if isinstance(existing, Folder) else None

    def _is_illegal(self, path: str, name: str, place: Place) -> bool:
        fault = name_problem(name)
        if fault is None and path.startswith("/"):
            fault = "follows a leading /, which no path on a card has; remove the /"
        if fault is not None:
            what, _, hint = fault.rpartition("; ")
            text = f'"{shown(path)}": the name "{shown(name)}" {what}'
            self.problems.append(Problem(place, text, hint, rule=NAMES_ARE_LEGAL.name))
        return fault is not None

    def _report_collision(self, path: str, is_folder: bool, place: Place, existing: CardFile | Folder) -> None:
        kinds = tuple("folder" if folder else "file" for folder in (is_folder, isinstance(existing, Folder)))
        other_path = existing.path
        hint = "rename one of them"
        if path.rpartition("/")[2] != other_path.rpartition("/")[2]:
            names = f'{kinds[0]} "{path}" and {kinds[1]} "{other_path}"'
            what = f"{names} are one name to readers that ignore letter case and how accents are written"
        elif kinds[0] != kinds[1]:
            what = f'"{path}" is asked for as a {kinds[0]} and as a {kinds[1]}'
        else:
            what, hint = f'file "{path}" is asked for twice', "ask for it once, or give one of them another path"
        self.problems.append(Problem(place, what, hint, (existing.place,), NAMES_ARE_UNIQUE.name))
