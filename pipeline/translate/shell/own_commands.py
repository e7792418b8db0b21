"""What a shell's own commands do: cd, set, shift, read, test and their kind.

Source: IEEE Std 1003.1-2017, "Special Built-In Utilities" and "Utilities"; what only bash has: the manual of GNU bash.
"""

from __future__ import annotations

from abc import ABC, abstractmethod
from dataclasses import dataclass, field

from pipeline.model.text import quote
from pipeline.translate.machine import Machine
from pipeline.translate.rope import NotFollowedError, Rope, data_of, is_open, literal
from pipeline.translate.shell.conditions import Truth, holds
from pipeline.translate.shell.words import ShellWords
from pipeline.translate.tools.call import Feed


class Leave(Exception):  # noqa: N818  # no error: the way a command leaves a loop, a function or the script
    """A loop, function or script is left: "break", "continue", "return" or "exit"; ``out`` was printed before."""

    def __init__(self, kind: str, number: int | None = 1) -> None:
        super().__init__(kind)
        self.kind, self.number = kind, number
        self.out: Rope = ()


@dataclass(slots=True, kw_only=True)
class ShellCommands(ABC):
    """A shell in one place of a script, with the commands that it has itself.

    ``first_line``: that of the whole script, where a part of it is followed. ``cleanup``: what is done at the end.
    """

    words: ShellWords
    first_line: int | None = None
    feed: Feed = field(default_factory=Feed)
    errexit: bool = False
    cleanup: str = ""
    folders: list[str] = field(default_factory=list)

    @property
    def machine(self) -> Machine:
        """The folder that is worked on."""
        return self.words.machine

    @property
    def status(self) -> int | None:
        """The exit status of the last command; None where it is not known."""
        return self.words.status

    @status.setter
    def status(self, status: int | None) -> None:
        self.words.status = status

    @abstractmethod
    def script(self, text: bytes, *, ends: bool = True) -> Rope:
        """Follow a whole script and return what it prints."""

    def _do_cd(self, words: list[str]) -> None:
        words = [word for word in words if word not in ("--", "-P", "-L")]
        if words == ["-"] or not words:
            raise NotFollowedError("cd to where is not known")
        path = self.machine.path(words[0])
        if not self.machine.is_folder(path):
            raise NotFollowedError(f"there is no folder {quote(words[0])}")
        self.machine.current, self.status = path, 0

    def _do_pushd(self, words: list[str]) -> None:
        current = self.machine.current
        self._do_cd(words)
        self.folders.append(current)

    def _do_popd(self, words: list[str]) -> None:
        if not self.folders:
            raise NotFollowedError("popd without pushd")
        self.machine.current, self.status = self.folders.pop(), 0

    def _do_set(self, words: list[str]) -> None:
        self.status = 0
        while words:
            word = words.pop(0)
            if word == "--":
                self.words.arguments = words
                return
            if word in ("-o", "+o"):
                option = words.pop(0) if words else ""
                self.errexit = word == "-o" if option == "errexit" else self.errexit
            elif word[:1] in ("-", "+") and set(word[1:]) <= set("euxvo"):
                self.errexit = word[0] == "-" if "e" in word else self.errexit
                if word.endswith("o") and words:
                    option = words.pop(0)
                    self.errexit = word[0] == "-" if option == "errexit" else self.errexit
            elif word[:1] in ("-", "+"):
                raise NotFollowedError(f"set {word}")
            else:
                self.words.arguments = [word, *words]
                return

    def _do_shift(self, words: list[str]) -> None:
        self.words.arguments = self.words.arguments[int(words[0]) if words and words[0].isdigit() else 1 :]
        self.status = 0

    def _do_exit(self, words: list[str]) -> None:
        raise Leave("exit", self._code(words))

    def _do_return(self, words: list[str]) -> None:
        raise Leave("return", self._code(words))

    def _do_break(self, words: list[str]) -> None:
        raise Leave("break", self._code(words) if words else 1)

    def _do_continue(self, words: list[str]) -> None:
        raise Leave("continue", self._code(words) if words else 1)

    def _code(self, words: list[str]) -> int | None:
        if not words:
            return self.status
        return int(words[0]) if words[0].isdigit() and len(words[0]) < 6 else None

    def _do_trap(self, words: list[str]) -> None:
        self.status = 0
        if len(words) > 1 and set(words[1:]) & {"EXIT", "0"}:
            self.cleanup = "" if words[0] == "-" else words[0]

    def _do_eval(self, words: list[str]) -> None:
        raise NotFollowedError("a command that is put together while the script runs")

    _do_alias = _do_getopts = _do_exec = _do_eval

    def _do_shopt(self, words: list[str]) -> None:
        raise NotFollowedError("an option that changes what words stand for")

    def _do_let(self, words: list[str]) -> None:
        for word in words:
            self.status = int(self.words.reckoned(word) == "0")

    def _do_dot(self, words: list[str]) -> Rope:
        path = self.machine.path(words[0] if words else "")
        text = data_of(self.machine.peek(path))
        kept, self.first_line = self.first_line, self.first_line or self.machine.line
        try:
            return self.script(text, ends=False)
        finally:
            self.first_line = kept

    _do_source = _do_dot

    def _do_test(self, words: list[str]) -> None:
        self.answered(holds(self.machine, words))

    def answered(self, truth: Truth) -> None:
        """Take the exit status from a condition."""
        self.status = None if truth is None else int(not truth)

    def _do_read(self, words: list[str]) -> None:
        names = [word for word in words if not word.startswith("-")]
        flags = [word for word in words if word.startswith("-")]
        if set(flags) - {"-r"} or len(names) > 8:
            raise NotFollowedError("read with these options")
        data = data_of(self.feed.rope) if not is_open(self.feed.rope) else None
        if data is None:
            raise NotFollowedError("what read takes is not known")
        line, _, rest = data.partition(b"\n")
        self.status = 0 if b"\n" in data else 1
        self.feed.rope = literal(rest, self.machine.line)
        text = line.decode("utf-8", "surrogateescape")
        if "\\" in text and "-r" not in flags:
            raise NotFollowedError("read of a line with a backslash")
        blank = "" if self.words.variables.get("IFS") == "" else None
        fields = [text] if blank == "" else text.strip(" \t").split(None, max(len(names) - 1, 0))
        for at, name in enumerate(names or ["REPLY"]):
            self.words.put(name, fields[at] if at < len(fields) else "")
