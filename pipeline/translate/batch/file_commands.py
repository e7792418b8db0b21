"""What cmd's own commands do with files: copy, type, ren, move, del and their kind.

Sources: the help of each command, as Microsoft's Windows Commands reference repeats it ("copy": /a, /b and the
end-of-file character; "fc", "xcopy", "fsutil file createnew"). Marked where a rule is from memory.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field

from pipeline.model.text import quote
from pipeline.translate.machine import Machine, same
from pipeline.translate.rope import NotFollowedError, Rope, cut, data_of, fill, is_open, join, literal
from pipeline.translate.tools.call import Feed

END_OF_FILE = 0x1A
"""Ctrl-Z, which ends a text file in ASCII mode."""


@dataclass(slots=True, kw_only=True)
class Files:
    """A command's machine and what stands behind its name; ``targets``: what it was about to write."""

    machine: Machine
    rest: str
    feed: Feed
    targets: list[str] = field(default_factory=list)

    def names(self, switches: str) -> tuple[set[str], list[str]]:
        """Return the switches ("b", "y") and the names; raises for a switch that is not among the words given."""
        found, names = set[str](), list[str]()
        for word in words_of(self.rest):
            first, *more = re.split("/", word) if not word.startswith('"') else [word]
            if first:
                names.append(unquoted(first))
            for switch in more:
                if switch.casefold() not in switches.split():
                    raise NotFollowedError(f"/{switch} is not a switch that is known; a name with / stands in quotes")
                found.add(switch.casefold())
        return found, names

    def path(self, name: str) -> str:
        """Return the path of a name that is no pattern and no device."""
        if name.casefold().rstrip(":") in ("nul", "con", "prn", "aux"):
            raise NotFollowedError(f"{quote(name)} is a device")
        if re.search("[*?]", name):
            raise NotFollowedError(f"the pattern {quote(name)}")
        return self.machine.path(name)

    def found(self, name: str) -> list[str]:
        """Return the paths of a name or a pattern."""
        if not re.search("[*?]", name):
            return [self.path(name)]
        found = [self.machine.path(fitting) for fitting in self.machine.fitting(name)]
        if len(found) > 1:
            self.machine.remark("the files of a pattern are taken by name, as NTFS lists them", "note")
        if not found:
            raise NotFollowedError(f"no file fits {quote(name)}")
        return found


Answer = tuple[int | None, Rope]


def words_of(text: str, separators: str = " \t,;=\n") -> list[str]:
    """Return words as cmd separates them; quotes hold a word together and stay."""
    pattern = rf'(?:"[^"]*"?|[^{re.escape(separators)}"])+'
    return re.findall(pattern, text)


def unquoted(word: str) -> str:
    """Return a word without its quotes."""
    return word.replace('"', "")


@dataclass(slots=True)
class _Copy:
    """What stands behind ``copy``: groups of names joined by "+", and the mode of each name, "a", "b" or ""."""

    names: list[list[str]] = field(default_factory=list)
    modes: list[list[str]] = field(default_factory=list)

    def switched(self, mode: str) -> None:
        """Give the last name another mode."""
        if self.modes:
            self.modes[-1][-1] = mode

    def add(self, name: str, mode: str, *, plus: bool) -> None:
        """Add a name, to the last group where a "+" stands before it."""
        if not (plus and self.names):
            self.names.append([])
            self.modes.append([])
        self.names[-1].append(name)
        self.modes[-1].append(mode)

    @property
    def target(self) -> str:
        """The name that is written: the last one, else the first of those that are joined, else the folder."""
        if len(self.names) == 2:
            return self.names[1][0]
        return self.names[0][0] if len(self.names[0]) > 1 else "."


def _copy_words(rest: str) -> _Copy:
    words, mode, plus = _Copy(), "", False
    for part in re.findall(r'"[^"]*"|\+|/[^\s/+"]*|[^\s+/"]+', rest):
        if part == "+":
            plus = True
        elif part.startswith("/"):
            switch = part[1:].casefold()
            if switch in ("a", "b"):
                mode = switch
                words.switched(mode)
            elif switch not in ("y", "-y", "v", "n", "z", "d"):
                raise NotFollowedError(f"{part} is not a switch that is known; a name with / stands in quotes")
        elif "," in part and not part.startswith('"'):
            raise NotFollowedError("copy with a comma")
        else:
            words.add(unquoted(part), mode, plus=plus)
            plus = False
    if not 1 <= len(words.names) <= 2 or (len(words.names) == 2 and len(words.names[1]) != 1):
        raise NotFollowedError("copy of other than names joined by +, and one name")
    return words


def copy(files: Files) -> Answer:
    """``copy [/a|/b] a+b c``: files copied, or joined.

    ASCII mode, which is that of joined files without /b, reads each source up to its first Ctrl-Z and ends what it
    writes with one; /b reads and writes all. A switch counts for the name before it and all names behind it.
    """
    machine, words = files.machine, _copy_words(files.rest)
    target = words.target
    is_pattern = re.search("[*?]", target) is not None
    to_folder = target.endswith("\\") or (not is_pattern and machine.is_folder(machine.path(target)))
    if not to_folder and not is_pattern:
        files.targets.append(files.path(target))
    sources = [
        (path, mode) for name, mode in zip(words.names[0], words.modes[0], strict=True)
        for path in files.found(f"{name}\\*" if machine.is_folder(_plain(machine, name)) else name)
    ]  # fmt: skip
    if len(words.names[0]) > 1 or (len(sources) > 1 and not to_folder and not is_pattern):
        place = _placed(files, sources[0][0], target, to_folder)
        last = words.modes[1][0] if len(words.names) == 2 else sources[-1][1]
        _join_files(files, place, sources, last)
        return 0, ()
    for path, mode in sources:
        place = _placed(files, path, target, to_folder)
        if place == path:
            raise NotFollowedError(f"{quote(path)} is copied onto itself")
        rope = machine.read(path)
        files.targets.append(place)
        machine.write(place, _ended(_text(rope), machine.line) if mode == "a" else rope)
    return 0, ()


def _join_files(files: Files, place: str, sources: Sequence[tuple[str, str]], mode: str) -> None:
    """Write files one after another; ``mode``: that of what is written."""
    machine = files.machine
    files.targets.append(place)
    if any(path == place for path, _ in sources[1:]):
        raise NotFollowedError(f"{quote(place)} is read after it is written")
    whole = join(*(machine.read(path) if own == "b" else _text(machine.read(path)) for path, own in sources))
    if any(own != "b" for _, own in sources):
        machine.remark(
            "copy without /b: each file is read up to its first byte 0x1A, and one is added at the end", "note"
        )
    machine.write(place, whole if mode == "b" else _ended(whole, machine.line))


def _plain(machine: Machine, name: str) -> str:
    return machine.path(name) if not re.search("[*?]", name) else "?"


def _placed(files: Files, source: str, target: str, to_folder: bool) -> str:
    name = source.rpartition("/")[2]
    if to_folder:
        folder = files.machine.path(target)
        if not files.machine.is_folder(folder):
            raise NotFollowedError(f"there is no folder {quote(target)}")
        return f"{folder}/{name}".lstrip("/")
    if not re.search("[*?]", target):
        return files.path(target)
    folder, slash, pattern = target.replace("\\", "/").rpartition("/")
    return files.machine.path(folder + slash + _renamed(name, pattern))


def _renamed(name: str, pattern: str) -> str:
    """Return a name changed by a pattern, part by part: ``*.rom``, ``x.*``."""
    stem, dot, ending = name.rpartition(".")
    stem, ending = (stem, ending) if dot else (name, "")
    head, mark, tail = pattern.rpartition(".")
    if not mark or not all(part == "*" or not re.search("[*?]", part) for part in (head, tail)):
        raise NotFollowedError(f"the pattern {quote(pattern)} for new names")
    return f"{stem if head == '*' else head}.{ending if tail == '*' else tail}".rstrip(".")


def _text(rope: Rope) -> Rope:
    """Return a file up to its first Ctrl-Z."""
    end = data_of(rope).find(END_OF_FILE)
    return rope if end < 0 else cut(rope, 0, end)


def _ended(rope: Rope, line: int) -> Rope:
    return join(rope, literal(bytes([END_OF_FILE]), line))


def type_(files: Files) -> Answer:
    """``type a``: the bytes of files. What it does behind a Ctrl-Z, or with UTF-16, is not documented."""
    _, names = files.names("")
    out: Rope = ()
    for name in names:
        if name.casefold() == "nul":
            continue
        for path in files.found(name):
            rope = files.machine.read(path)
            data = data_of(rope) if not is_open(rope) else b""
            if END_OF_FILE in data or data.startswith(b"\xff\xfe"):
                why = "holds a byte 0x1A" if END_OF_FILE in data else "begins with FF FE"
                raise NotFollowedError(
                    f"{quote(path)} {why}, and what type does there is not documented; copy /b copies all"
                )
            out = join(out, rope)
    return 0, out


def ren(files: Files) -> Answer:
    """``ren a b``: another name in the same folder."""
    _, names = files.names("")
    if len(names) != 2 or re.search(r"[\\/:]", names[1]):
        raise NotFollowedError("ren with other than a name and a new name without a folder")
    for path in files.found(names[0]):
        folder, slash, name = path.rpartition("/")
        new = _renamed(name, names[1]) if re.search("[*?]", names[1]) else names[1]
        place = folder + slash + new
        if files.machine.exists(place) and place.casefold() != path.casefold():
            raise NotFollowedError(f"{quote(place)} is there already, so ren fails")
        if place.casefold() == path.casefold():
            files.machine.names[place.casefold()] = place
        files.machine.move(path, place)
    return 0, ()


def move(files: Files) -> Answer:
    """``move a b``: another name, or another folder."""
    _, names = files.names("y -y")
    if not 1 <= len(names) <= 2:
        raise NotFollowedError("move with other than two names")
    target = names[1] if len(names) == 2 else "."
    to_folder = files.machine.is_folder(files.machine.path(target))
    sources = files.found(names[0])
    if len(sources) > 1 and not to_folder:
        raise NotFollowedError("move of several files to one name")
    for path in sources:
        if files.machine.is_folder(path):
            raise NotFollowedError(f"{quote(path)} is a folder")
        place = _placed(files, path, target, to_folder)
        files.targets.append(place)
        files.machine.move(path, place)
    return 0, ()


def delete(files: Files) -> Answer:
    """``del a b``: files taken away."""
    switches, names = files.names("q f p s a")
    if switches & {"s", "a", "p"}:
        raise NotFollowedError("del with /s, /a or /p")
    for name in names:
        path = _plain(files.machine, name)
        pattern = f"{name}\\*" if path != "?" and files.machine.is_folder(path) else name
        found = files.machine.fitting(pattern) if re.search("[*?]", pattern) else [pattern]
        for file in found:
            place = files.machine.path(file)
            if files.machine.exists(place):
                files.machine.delete(place)
    return 0, ()


def make_folder(files: Files) -> Answer:
    """``md a``: folders made, those above them too."""
    _, names = files.names("")
    for name in names:
        files.machine.make_folder(files.path(name))
    return 0, ()


def remove_folder(files: Files) -> Answer:
    """``rd /s /q a``: a folder taken away."""
    switches, names = files.names("s q")
    for name in names:
        path = files.path(name)
        inside = [below for below in files.machine.all_files() if below.startswith(f"{path}/")]
        if inside and "s" not in switches:
            continue
        for below in inside:
            files.machine.delete(below)
        files.machine.folders = {
            below for below in files.machine.folders if below != path and not below.startswith(f"{path}/")
        }
    return 0, ()


def compare(files: Files) -> Answer:
    """``fc /b a b``: 0 where they are equal, 1 where not."""
    switches, names = files.names("b a c l n t u w lb")
    if len(names) != 2 or "b" not in switches:
        raise NotFollowedError("fc other than /b of right files")
    left, right = (files.machine.peek(files.path(name)) for name in names)
    if is_open(left) or is_open(right):
        return None, ()
    return int(not same(left, right)), ()


def xcopy(files: Files) -> Answer:
    """``xcopy a folder``: files copied into a folder."""
    switches, names = files.names("y -y i q f r h k s e v c d")
    if switches & {"s", "e", "d"} or not 1 <= len(names) <= 2:
        raise NotFollowedError("xcopy with these switches")
    target = names[1] if len(names) == 2 else "."
    folder = files.machine.path(target)
    if not files.machine.is_folder(folder):
        if not target.endswith("\\") and "i" not in switches:
            raise NotFollowedError(f"{quote(target)} is not there; xcopy asks whether it is a file or a folder")
        files.machine.make_folder(folder)
    for path in files.found(names[0]):
        files.machine.write(f"{folder}/{path.rpartition('/')[2]}".lstrip("/"), files.machine.read(path))
    return 0, ()


def fsutil(files: Files) -> Answer:
    """``fsutil file createnew a size``: a file of zeros."""
    words = words_of(files.rest)
    if [word.casefold() for word in words[:2]] != ["file", "createnew"] or len(words) != 4:
        raise NotFollowedError("fsutil other than file createnew")
    if not re.fullmatch("[0-9]{1,10}|0x[0-9a-fA-F]{1,8}", words[3]):
        raise NotFollowedError(f"found {quote(words[3])}, expected a size")
    path = files.path(unquoted(words[2]))
    if files.machine.exists(path):
        raise NotFollowedError(f"{quote(path)} is there already, so fsutil fails")
    files.targets.append(path)
    files.machine.write(path, fill(0, int(words[3], 0), files.machine.line))
    return 0, ()


COMMANDS: dict[str, Callable[[Files], Answer]] = {
    "copy": copy, "type": type_, "ren": ren, "rename": ren, "move": move, "del": delete, "erase": delete,
    "md": make_folder, "mkdir": make_folder, "rd": remove_folder, "rmdir": remove_folder, "fc": compare,
    "xcopy": xcopy, "fsutil": fsutil,
}  # fmt: skip
