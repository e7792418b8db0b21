"""Whose a build folder is: the inputs that it was built from, known by their manifests and not by their path alone.

A project that was moved or renamed stays its own, and so does one whose manifests change. Other inputs leave it alone.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterable, Mapping
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path

from pipeline.errors import ManifestError, Place, Problem
from pipeline.file_digest import sha256_of_file
from pipeline.manifest.files import FOLDERS
from pipeline.workspace import state
from pipeline.workspace.workspace import Workspace

WITH_OUTPUTS = ("cards", "titles")
"""The folders of manifests that something is built of."""

SHOWN = 3
"""Cards that a message names; the rest are counted."""


@dataclass(frozen=True, slots=True, kw_only=True)
class BuildOwner:
    """Inputs as they were when all was built: their folder as it is shown, and the SHA-256 of each manifest.

    ``manifests``: by folder and id, "cards/desk".
    """

    inputs: str
    manifests: dict[str, str]


def is_changed(noted: BuildOwner, names: Collection[str], contents: Callable[[], Mapping[str, str]]) -> bool:
    """Whether inputs are those that were noted in the same place: one manifest is there still, by name or content.

    ``contents``: SHA-256 by name, worked out only where it decides.
    """
    return bool(noted.manifests.keys() & set(names) or set(noted.manifests.values()) & set(contents().values()))


def is_moved(noted: BuildOwner, now: Mapping[str, str]) -> bool:
    """Whether inputs are those that were noted in a place that is given up: half are there, byte for byte."""
    return 2 * len(noted.manifests.items() & now.items()) >= len(noted.manifests)


def gone_as_a_whole(noted: BuildOwner, now: Mapping[str, str]) -> list[str]:
    """Return the folders of manifests ("titles") of which nothing is left, neither a name nor what one held."""
    return [
        folder
        for folder in WITH_OUTPUTS
        if (before := _of(folder, noted.manifests))
        and not (before.keys() & now.keys() or set(before.values()) & set(_of(folder, now).values()))
    ]


def check_owner(workspace: Workspace) -> None:
    """Raise ManifestError when the build folder is of other inputs."""
    noted, names = _noted(workspace), _names(workspace)
    if noted and not _is_owner(workspace, noted, names):
        raise ManifestError([_of_others(workspace, noted, names)])


def note_owner_once(workspace: Workspace) -> None:
    """Note the inputs as those that the build folder belongs to, unless some are noted already."""
    if state.read(_path(workspace), BuildOwner) is None:
        note_owner(workspace)


def note_owner(workspace: Workspace) -> None:
    """Note the inputs as they are now as those that the build folder belongs to."""
    owner = BuildOwner(inputs=workspace.shown(workspace.inputs), manifests=_contents(workspace))
    if owner.manifests and state.read(_path(workspace), BuildOwner) != owner:
        state.write(_path(workspace), owner)


def kinds_gone(workspace: Workspace) -> list[str]:
    """Return the folders of manifests of which nothing is left of what was there when all was built last."""
    noted = _noted(workspace)
    return gone_as_a_whole(noted, _contents(workspace)) if noted else []


def _noted(workspace: Workspace) -> BuildOwner | None:
    """Return what was noted; without a note, whoever declares the cards that are there; None where none is finished."""
    noted = state.read(_path(workspace), BuildOwner)
    if noted is None:
        cards = {f"cards/{folder.name}": "" for folder in sorted((workspace.build / "cards").glob("*"))}
        if any((workspace.build / card / "card.img").exists() for card in cards):
            return BuildOwner(inputs=workspace.shown(workspace.inputs), manifests=cards)
    return noted


def _is_owner(workspace: Workspace, noted: BuildOwner, names: Collection[str]) -> bool:
    place = workspace.base / noted.inputs
    if place == workspace.inputs or (place.exists() and place.samefile(workspace.inputs)):
        return is_changed(noted, names, lambda: _contents(workspace))
    left_behind = any((place / f"{name}.toml").exists() for name in noted.manifests)
    return not left_behind and is_moved(noted, _contents(workspace))  # what was copied is not what was moved


def _of(folder: str, manifests: Mapping[str, str]) -> dict[str, str]:
    return {name: sha256 for name, sha256 in manifests.items() if name.startswith(f"{folder}/")}


def _path(workspace: Workspace) -> Path:
    return workspace.build / "state" / "owner.json"


def _names(workspace: Workspace) -> list[str]:
    return [f"{folder}/{name}" for folder in FOLDERS.values() for name in workspace.names(folder)]


def _contents(workspace: Workspace) -> dict[str, str]:
    """Return the SHA-256 of each manifest that can be read."""
    contents = {}
    for name in _names(workspace):
        with suppress(OSError):
            path = workspace.inputs / f"{name}.toml"
            if path.is_file():
                contents[name] = sha256_of_file(path)
    return contents


def _of_others(workspace: Workspace, noted: BuildOwner, names: Iterable[str]) -> Problem:
    inputs = workspace.shown(workspace.inputs)
    what = (
        f"was built from the inputs in {noted.inputs} ({_cards(noted.manifests)}), "
        f"found {'others there' if inputs == noted.inputs else f'those in {inputs}'} ({_cards(names)}); "
        "nothing was built or removed"
    )
    is_default = Path(noted.inputs).name == "inputs" and not Path(noted.inputs).is_absolute()
    back = "unset CARDKILN_INPUTS" if is_default else f"set CARDKILN_INPUTS to {noted.inputs}"
    back = f"bring the manifests back to {inputs}" if inputs == noted.inputs else back
    return Problem(Place(workspace.shown(workspace.build)), what, f"{back}; or, to build these here, move build/ away")


def _cards(names: Iterable[str]) -> str:
    cards = sorted(name.removeprefix("cards/") for name in names if name.startswith("cards/"))
    more = f" and {len(cards) - SHOWN:,} more" if len(cards) > SHOWN else ""
    if not cards:
        return "no cards"
    return f"{'card' if len(cards) == 1 else 'cards'} {', '.join(cards[:SHOWN])}{more}"
