"""The folder as a script sees it while it is followed: files, folders, what was written and what was read."""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from fnmatch import translate as as_pattern
from functools import lru_cache

from pipeline.model.text import listed, quote, shown
from pipeline.model.units import show_size
from pipeline.translate.rope import (
    LARGEST,
    NotFollowedError,
    OpenError,
    Rope,
    at_line,
    chip,
    data_of,
    is_open,
    size_of,
    unknown,
)

MOST_COMMANDS = 50_000
"""Commands that are followed."""
MOST_REMARKS = 200
"""Lines of which something is said."""
LONGEST_WORD = 1 << 20
"""Characters of a variable or a word."""

HERE = "\ue000"
"""Stands in words for the folder's own path, which nothing may depend on."""
UNKNOWN = "\ue001"
"""Stands in words for text that is not known."""


class ScriptStoppedError(Exception):
    """Nothing beyond this line can be followed."""


@dataclass(frozen=True, slots=True, order=True)
class Remark:
    """What a person must know about a line: ``kind`` "open" leaves bytes open, "note" does not."""

    line: int
    text: str
    kind: str = "open"


@dataclass(slots=True, kw_only=True)
class Machine:
    """A folder of files, changed by commands. Paths are relative to the folder, with "/" between their parts.

    ``inputs``: the bytes of the files that the folder holds. ``files``: what each file holds now, where that is not as
    at the start; None is deleted. ``written``: the line that last wrote a file. ``used``: files that were read after
    they were written. ``any_case``: whether names that differ only in case are one. ``suspects``: files that a program
    whose effect is not known may have made, and why.
    """

    inputs: Mapping[str, bytes]
    chips: dict[str, Rope] = field(default_factory=dict)
    any_case: bool = False
    files: dict[str, Rope | None] = field(default_factory=dict)
    folders: set[str] = field(default_factory=set)
    written: dict[str, int] = field(default_factory=dict)
    used: set[str] = field(default_factory=set)
    touched: set[str] = field(default_factory=set)
    current: str = ""
    line: int = 0
    commands: int = 0
    remarks: dict[Remark, None] = field(default_factory=dict)
    names: dict[str, str] = field(default_factory=dict)
    suspects: dict[str, str] = field(default_factory=dict)

    def __post_init__(self) -> None:
        """Note the folders there are, and each name without its case."""
        for path in self.inputs:
            self._parents(path)
        if self.any_case:
            self.names = {path.casefold(): path for path in (*self.folders, *self.inputs)}

    def step(self) -> None:
        """Count a command; raises ScriptStoppedError at the limit."""
        self.commands += 1
        if self.commands > MOST_COMMANDS:
            raise ScriptStoppedError(
                f"more than {MOST_COMMANDS:,} commands were followed; it may be a loop without end"
            )

    def remark(self, text: str, kind: str = "open") -> None:
        """Say something about the line that is followed; raises ScriptStoppedError at the limit."""
        if len(self.remarks) >= MOST_REMARKS:
            raise ScriptStoppedError(f"more than {MOST_REMARKS} lines cannot be followed")
        self.remarks.setdefault(Remark(self.line, text, kind))

    def path(self, word: str) -> str:
        """Return the path that a word names; raises NotFollowedError where it leaves the folder or is not known."""
        if UNKNOWN in word:
            raise NotFollowedError("a file name depends on what is not known")
        if not word:
            raise NotFollowedError("an empty file name")
        if self.any_case:
            word = word.replace("\\", "/").rstrip(" ")
        start = self.current
        if word.startswith(HERE):
            start, word = "", word[1:]
        elif word.startswith("/") or (self.any_case and re.match("[A-Za-z]:", word)):
            raise NotFollowedError(f"{quote(word)} leaves the folder")
        parts = self._parts(start.split("/") if start else [], word)
        path = "/".join(parts)
        if HERE in path or any(ord(character) < 32 for character in path):
            raise NotFollowedError(f"{quote(word)} is not a file name")
        return self._cased(path)

    def _parts(self, parts: list[str], word: str) -> list[str]:
        """Return the parts of a path, from those of a folder on."""
        for part in word.split("/"):
            name = part.rstrip(".") if self.any_case and part.strip(".") else part
            if name == "..":
                if not parts:
                    raise NotFollowedError(f"{quote(word)} leaves the folder")
                parts.pop()
            elif name not in ("", "."):
                parts.append(name)
        return parts

    def exists(self, path: str) -> bool:
        """Whether a file is there."""
        return self.files[path] is not None if path in self.files else path in self.inputs

    def is_folder(self, path: str) -> bool:
        """Whether a folder is there."""
        return not path or path in self.folders

    def peek(self, path: str) -> Rope:
        """Return what a file holds, for a comparison."""
        if not self.exists(path):
            raise NotFollowedError(self.suspects.get(path) or f"{quote(path)} is not in the folder")
        rope = self.files.get(path)
        if rope is None:
            if path not in self.chips:
                self.chips[path] = chip(path, self.inputs[path])
            rope = self.chips[path]
        return at_line(rope, self.line)

    def read(self, path: str) -> Rope:
        """Return what a file holds, for use in another one."""
        rope = self.peek(path)
        self.used.add(path)
        return rope

    def write(self, path: str, rope: Rope) -> None:
        """Give a file other bytes."""
        if self.is_folder(path):
            raise NotFollowedError(f"{quote(path)} is a folder")
        parent = path.rpartition("/")[0]
        if (size_of(rope) or 0) > LARGEST:
            raise NotFollowedError(f"the file has more than {show_size(LARGEST)}")
        if not self.is_folder(parent):
            raise NotFollowedError(f"there is no folder {quote(parent)}")
        self._name(path)
        self.files[path] = rope
        self.written[path] = self.line
        self.touched.add(path)
        self.used.discard(path)

    def delete(self, path: str) -> None:
        """Take a file away."""
        self.files[path] = None
        self.written.pop(path, None)

    def move(self, old: str, new: str) -> None:
        """Give a file another name."""
        if old == new:
            return
        rope = self.peek(old)
        made = old in self.written
        self.write(new, rope)
        if not made and path_is_input(rope, old):
            self.written.pop(new, None)
        self.delete(old)

    def make_folder(self, path: str) -> None:
        """Make a folder and those above it."""
        self._parents(f"{path}/x")
        self._name(path)

    def all_files(self) -> list[str]:
        """Return every file there is, sorted."""
        return sorted({*self.inputs, *self.files} - {path for path, rope in self.files.items() if rope is None})

    def fitting(self, pattern: str, *, folders: bool = False) -> list[str]:
        """Return names, written as the pattern is, of files that fit it in each part; sorted by their bytes."""
        word = pattern.replace("\\", "/") if self.any_case else pattern
        head, _, last = word.rpartition("/")
        if re.search(r"[*?\[]", head):
            raise NotFollowedError("a pattern in the name of a folder")
        folder = self.path(head or ".") if head else self.current
        prefix = f"{folder}/" if folder else ""
        fits = _pattern(last, self.any_case)
        known = [*self.all_files(), *(sorted(self.folders) if folders else ())]
        names = {path[len(prefix) :] for path in known if path.startswith(prefix)}
        found = [name for name in names if "/" not in name and fits.fullmatch(name)]
        if not last.startswith("."):
            found = [name for name in found if self.any_case or not name.startswith(".")]
        start = pattern[: len(pattern) - len(last)]
        key = str.casefold if self.any_case else str
        return [start + name for name in sorted(found, key=key)]

    def opened(self, path: str, why: str, *, written: bool = True) -> None:
        """Leave the bytes of a file open."""
        self._parents(path)
        self._name(path)
        self.files[path] = unknown(why, self.line)
        if written:
            self.written[path] = self.line
        self.used.discard(path)

    def not_followed(self, name: str, error: NotFollowedError) -> str:
        """Say why a command is not followed, unless what it needs is open already; return why what it makes is open."""
        if isinstance(error, OpenError):
            return str(error)
        self.remark(f"{shown(name)}: {error}")
        return f"line {self.line}: {shown(name)}: {error}"

    def unknown_program(self, program: str, words: Sequence[str]) -> str:
        """Leave open what a program of unknown effect may change: the files that its line names; return why."""
        why = f"line {self.line}: {shown(program)}: a program whose effect is not known"
        named = list[str]()
        for word in words:
            for text in dict.fromkeys((word, word.partition("=")[2], word.partition(":")[2], word[2:])):
                try:
                    path = self.path(text)
                except NotFollowedError:
                    continue
                if self.exists(path):
                    named.append(path)
                    self.opened(path, why, written=path in self.written)
                elif text == word:
                    self.suspects[path] = f"it may be made by {why}"
        effect = f"so what {listed(map(quote, dict.fromkeys(named)))} may hold is open" if named else "it names no file"
        self.remark(f"{shown(program)}: a program whose effect is not known; {effect}")
        return why

    def copy(self) -> Machine:
        """Return a machine in the same state that shares nothing."""
        return replace(
            self, files=dict(self.files), folders=set(self.folders), written=dict(self.written), used=set(self.used),
            touched=set(self.touched), remarks=dict(self.remarks), names=dict(self.names),
            suspects=dict(self.suspects),
        )  # fmt: skip

    def merge(self, left: Machine, right: Machine, why: str) -> None:
        """Go on from either of two states; what they do not share is open."""
        for path in sorted({*left.files, *right.files}):
            if left.exists(path) != right.exists(path) or (
                left.exists(path) and not same(left.peek(path), right.peek(path))
            ):
                self.opened(path, why)
            elif path in left.files:
                self.files[path] = left.files[path]
                self.written.update({path: left.written[path]} if path in left.written else {})
        self.folders = left.folders & right.folders
        self.used |= left.used & right.used
        self.touched |= left.touched | right.touched
        self.names = {**left.names, **right.names}
        self.remarks.update({**left.remarks, **right.remarks})
        self.commands = max(left.commands, right.commands)
        if left.current != right.current:
            raise ScriptStoppedError(f"{why}; so the working folder is not known")
        self.current = left.current

    def outputs(self) -> Iterator[tuple[str, Rope, bool]]:
        """Yield each file that the script wrote and left: path, what it holds, whether it went into another one."""
        for path in sorted(self.written, key=lambda path: (self.written[path], path)):
            rope = self.files.get(path)
            if rope is not None:
                yield path, rope, path in self.used and not is_open(rope)

    def _parents(self, path: str) -> None:
        parts = path.split("/")[:-1]
        for length in range(len(parts), 0, -1):
            folder = "/".join(parts[:length])
            if folder in self.folders:
                break
            self.folders.add(folder)
            self._name(folder)

    def _name(self, path: str) -> None:
        if self.any_case:
            self.names.setdefault(path.casefold(), path)

    def _cased(self, path: str) -> str:
        if not self.any_case:
            return path
        found = self.names.get(path.casefold())
        if found is not None:
            return found
        head, slash, last = path.rpartition("/")
        return f"{self._cased(head)}/{last}" if slash else path


def path_is_input(rope: Rope, path: str) -> bool:
    """Whether a file is an input file as it was."""
    return len(rope) == 1 and rope[0].source.kind == "chip" and rope[0].source.name == path


def same(left: Rope, right: Rope) -> bool:
    """Whether two files hold the same; what is open is the same only where it is open for one reason."""
    return left == right or (not is_open(left) and not is_open(right) and data_of(left) == data_of(right))


def merged_variables(left: Mapping[str, str], right: Mapping[str, str]) -> dict[str, str]:
    """Return the variables after either of two ways; one that differs is not known."""
    return {
        name: left.get(name, "") if left.get(name) == right.get(name) else UNKNOWN for name in sorted({*left, *right})
    }


@lru_cache(maxsize=256)
def _pattern(pattern: str, any_case: bool) -> re.Pattern[str]:
    if any_case:
        # "*.*" fits names without a dot too (Microsoft, "Naming Files, Paths, and Namespaces" and the help of dir)
        pattern = "*" if pattern == "*.*" else pattern.replace("[", "[[]")
    return re.compile(as_pattern(pattern.replace("[^", "[!")), re.IGNORECASE if any_case else 0)
