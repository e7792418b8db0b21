"""What cmd's own commands do: echo, set, goto, call, cd and their kind.

Sources: the help of each command, which Microsoft's Windows Commands reference repeats.
"""

from __future__ import annotations

import re
from abc import ABC, abstractmethod
from dataclasses import dataclass, field

from pipeline.model.text import quote, shown
from pipeline.translate.arithmetic import reckon
from pipeline.translate.batch.file_commands import unquoted, words_of
from pipeline.translate.batch.lines import named_command
from pipeline.translate.batch.variables import BatchWords
from pipeline.translate.machine import HERE, UNKNOWN, Machine, ScriptStoppedError
from pipeline.translate.rope import NotFollowedError, Rope, join, literal, unknown
from pipeline.translate.tools.call import Feed

DEEPEST = 40
"""Calls inside one another."""


class Jump(Exception):  # noqa: N818  # no error: the way a script goes on elsewhere
    """The script goes on at a label; "" is its end. ``all``: the whole script ends, subroutines too."""

    def __init__(self, label: str, *, all_: bool = False) -> None:
        super().__init__(label)
        self.label, self.all = label, all_


@dataclass(slots=True, kw_only=True)
class CmdCommands(ABC):
    """cmd in one place of a script, with the commands that it has itself. ``printed``: what they printed so far."""

    words: BatchWords
    saved: list[tuple[dict[str, str], bool]] = field(default_factory=list)
    folders: list[str] = field(default_factory=list)
    depth: int = 0
    feed: Feed | None = None
    printed: Rope = ()

    @property
    def machine(self) -> Machine:
        """The folder that is worked on."""
        return self.words.machine

    @abstractmethod
    def script(self, at: int = 0) -> None:
        """Follow the lines from one on."""

    @abstractmethod
    def line_behind(self, label: str) -> int:
        """Return the number of the line behind a label."""

    @abstractmethod
    def simple(self, written: str) -> None:
        """Follow one command."""

    def own(self, name: str, rest: str) -> bool:
        """Follow one of these commands; return whether it is one."""
        do = getattr(self, f"_do_{name}", None)
        if do is not None:
            do(rest)
        return do is not None

    def _print(self, rope: Rope) -> None:
        self.printed = join(self.printed, rope)

    def _do_echo(self, rest: str) -> None:
        text = rest[1:] if rest[:1] in " \t.(:;,=/\\+[]" else rest
        if rest[:1] in (" ", "\t", "") and rest.strip().casefold() in ("on", "off", ""):
            if not rest.strip():
                self._print(unknown(f"line {self.machine.line}: what echo without words prints", self.machine.line))
            return
        if UNKNOWN in text or HERE in text:
            self._print(unknown(f"line {self.machine.line}: text that is not known", self.machine.line))
        elif not text.isascii():
            self._print(unknown(f"line {self.machine.line}: text in a code page that is not known", self.machine.line))
        else:
            self._print(literal(f"{text}\r\n".encode(), self.machine.line))

    def _do_set(self, rest: str) -> None:
        text = rest.strip(" \t")
        if re.match("/a", text, re.IGNORECASE):
            inner = text[2:].strip().strip('"')
            if UNKNOWN in inner:
                raise ScriptStoppedError("set /a with what is not known")
            reckon(inner.replace("%%", "%"), self.words.get, self.words.put, bits=32)
            return
        if re.match("/p", text, re.IGNORECASE):
            name, _, prompt = text[2:].strip().strip('"').partition("=")
            if self.feed is None or self.feed.rope:
                self.words.variables[name.strip().casefold()] = UNKNOWN
            elif prompt != prompt.lstrip() or not prompt.isascii():
                raise ScriptStoppedError("set /p with such a prompt")
            else:
                self._print(literal(prompt.strip('"').encode(), self.machine.line))
            return
        if text.startswith('"'):
            text = text[1 : text.rindex('"')] if text.count('"') > 1 else text[1:]
        else:
            text = rest.lstrip(" \t")
        name, equals, value = text.partition("=")
        if equals:
            self.words.put(name, value)
            self.words.level = self.words.level if self.words.level is None else 0

    def _do_setlocal(self, rest: str) -> None:
        self.saved.append((dict(self.words.variables), self.words.delayed))
        if "enabledelayedexpansion" in rest.casefold():
            self.words.delayed = True

    def _do_endlocal(self, _rest: str) -> None:
        if self.saved:
            self.words.variables, self.words.delayed = self.saved.pop()

    def _do_goto(self, rest: str) -> None:
        label = rest.strip().removeprefix(":").split()[0] if rest.strip(": \t") else ""
        if UNKNOWN in label or not label:
            raise ScriptStoppedError("which label goto means is not known")
        raise Jump("" if label.casefold() == "eof" else label)

    def _do_exit(self, rest: str) -> None:
        words = rest.split()
        whole = not words or words[0].casefold() != "/b"
        code = words[-1] if words else ""
        self.words.level = int(code) if code.isdigit() and len(code) < 6 else self.words.level
        raise Jump("", all_=whole)

    def _do_call(self, rest: str) -> None:
        text = self.words.percent(rest.strip())
        if not text.startswith(":"):
            name, inner = named_command(text)
            if name.casefold().endswith((".bat", ".cmd")) or self._is_script(name):
                raise ScriptStoppedError(f"call {shown(name)}: another script is not followed")
            self.simple(f"{name}{inner}")
            return
        arguments = words_of(text[1:])
        if not arguments or self.depth > DEEPEST:
            raise ScriptStoppedError("call inside call without end" if arguments else "call without a label")
        kept = self.words.arguments, self.words.loop, len(self.saved)
        self.words.arguments, self.words.loop = arguments[1:], {}
        try:
            if arguments[0].casefold() != "eof":
                self.script(self.line_behind(arguments[0]))
        except Jump as jump:
            if jump.all:
                raise
        finally:
            self.words.arguments, self.words.loop, saved = kept
            while len(self.saved) > saved:
                self._do_endlocal("")

    def _is_script(self, name: str) -> bool:
        try:
            return any(self.machine.exists(self.machine.path(name + ending)) for ending in (".bat", ".cmd"))
        except NotFollowedError:
            return False

    def _do_shift(self, rest: str) -> None:
        if rest.strip():
            raise ScriptStoppedError("shift with a number")
        self.words.arguments = self.words.arguments[1:]

    def _do_cd(self, rest: str) -> None:
        name = unquoted(re.sub(r"^\s*/d\b", "", rest, flags=re.IGNORECASE).strip())
        if not name:
            return
        try:
            path = self.machine.path(name)
            if not self.machine.is_folder(path):
                raise NotFollowedError(f"there is no folder {quote(name)}")
        except NotFollowedError as error:
            raise ScriptStoppedError(f"cd: {error}") from None
        self.machine.current = path

    _do_chdir = _do_cd

    def _do_pushd(self, rest: str) -> None:
        self.folders.append(self.machine.current)
        self._do_cd(rest)

    def _do_popd(self, _rest: str) -> None:
        if self.folders:
            self.machine.current = self.folders.pop()
