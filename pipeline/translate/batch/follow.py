"""Windows batch scripts, followed command by command over a copy of the folder; nothing is run.

Sources: the help that cmd prints for each command ("copy /?", "for /?", "set /?", "call /?"), which Microsoft's Windows
Commands reference repeats. Where neither says what happens, nothing is assumed.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from functools import partial

from pipeline.model.text import quote, shown
from pipeline.translate.batch.conditions import holds
from pipeline.translate.batch.file_commands import COMMANDS, Files, unquoted, words_of
from pipeline.translate.batch.lines import (
    CommandBlock,
    CommandChain,
    For,
    If,
    LineReader,
    Parsed,
    Simple,
    named_command,
    open_parentheses,
)
from pipeline.translate.batch.loops import turns
from pipeline.translate.batch.own_commands import DEEPEST, CmdCommands, Jump
from pipeline.translate.batch.variables import BatchWords
from pipeline.translate.machine import UNKNOWN, Machine, ScriptStoppedError, merged_variables
from pipeline.translate.rope import NotFollowedError, Rope, join, unknown
from pipeline.translate.tools.call import Call, Feed, RedirectTarget
from pipeline.translate.tools.rom_tools import ROM_TOOLS, is_rom_tool, written_by
from pipeline.translate.tools.table import TOOLS

ENCODINGS = ("utf-8", "cp850", "cp437", "cp1252")
PORTED = ("cat", "dd", "head", "tail", "truncate", "tr", "xxd", "cmp", "cp", "mv", "rm")
"""Commands of POSIX systems that are followed in a batch script too."""
IDLE = ("title", "color", "cls", "pause", "chcp", "verify", "prompt", "timeout", "mode", "rem", "attrib", "path")
LOOKING = ("dir", "find", "findstr", "where", "more", "tree", "ver", "vol", "certutil", "help")
LONGEST_BLOCK = 1_000
"""Lines of a block in parentheses."""
FAILURE = re.compile("err|fail|missing|bad|abort|problem", re.IGNORECASE)
"""Labels at which a script goes on when something failed, by common practice."""


def decoded(data: bytes, inputs: Mapping[str, bytes]) -> str:
    """Return the script's text in the code page that fits the names of the files best."""
    texts = list[tuple[int, int, str]]()
    names = [name.casefold() for name in inputs if not name.isascii()][:1_000]
    for rank, encoding in enumerate(ENCODINGS):
        try:
            text = data.decode(encoding)
        except UnicodeDecodeError:
            continue
        folded = text.casefold()
        texts.append((-sum(name.rpartition("/")[2] in folded for name in names), rank, text))
    text = min(texts)[2] if texts else data.decode("latin-1")
    end = text.find("\x1a")  # the end of a text file, as copy without /b writes it
    return (text if end < 0 else text[:end]).replace("\r\n", "\n").replace("\r", "\n")


@dataclass(frozen=True, slots=True)
class _Way:
    """How things stand at the end of one way of a branch."""

    machine: Machine
    variables: dict[str, str]
    printed: Rope


@dataclass(slots=True, kw_only=True)
class Cmd(CmdCommands):
    """cmd following a script."""

    lines: list[str]

    def script(self, at: int = 0) -> None:
        """Follow the lines from one on, to the end or to where the script leaves."""
        while at < len(self.lines):
            self.machine.line = at + 1
            self.machine.step()
            start = at
            text, at = self._logical_line(at)
            if text.lstrip().startswith(":"):
                continue
            self.machine.line = start + 1
            try:
                for command in LineReader(text, start + 1).commands():
                    self.run(command)
            except Jump as jump:
                if not jump.label:
                    raise
                at = self.line_behind(jump.label)

    def _logical_line(self, at: int) -> tuple[str, int]:
        """Return the lines that cmd reads together, variables replaced, and the number of the line behind them."""
        start, text = at, ""
        while True:
            self.machine.line = at + 1
            text += self.words.percent(self.lines[at])
            at += 1
            continued = text.endswith("^") and not text.endswith("^^")
            if at == len(self.lines) or not (continued or open_parentheses(text) > 0):
                return text, at
            text += "\n"
            if not continued and at - start > LONGEST_BLOCK:
                raise ScriptStoppedError(f"a block of more than {LONGEST_BLOCK:,} lines")

    def line_behind(self, label: str) -> int:
        """Return the number of the line behind a label."""
        wanted = label.casefold()
        for at, line in enumerate(self.lines):
            found = re.match(r"\s*:([^\s:+,;=&|<>()]+)", line)
            if found and found[1].casefold() == wanted:
                return at + 1
        raise ScriptStoppedError(f"there is no label {quote(label)}")

    def run(self, command: Parsed) -> None:
        """Follow one command; what it prints is added to ``printed``."""
        self.machine.step()
        self.depth += 1
        if self.depth > DEEPEST * 4:
            raise ScriptStoppedError("too many commands inside one another")
        try:
            if isinstance(command, CommandChain):
                self._chain(command)
            elif isinstance(command, If):
                self.machine.line = command.line
                self._if(command)
            elif isinstance(command, For):
                self.machine.line = command.line
                self._for(command)
            elif isinstance(command, CommandBlock):
                self._redirected(command.redirects, lambda: self._all(command.inside))
            else:
                self.machine.line = command.line
                self._redirected(command.redirects, lambda: self.simple(command.text))
        finally:
            self.depth -= 1

    def _all(self, commands: Sequence[Parsed]) -> None:
        for command in commands:
            self.run(command)

    def _chain(self, chain: CommandChain) -> None:
        # a long chain is left-nested: taken apart without a call for each
        chains = [chain]
        while isinstance(chains[-1].left, CommandChain):
            chains.append(chains[-1].left)
        if any(link.sign == "|" for link in chains):
            self._pipe(chains)
            return
        self.run(chains[-1].left)
        for link in reversed(chains):
            if link.sign == "&":
                self.run(link.right)
            elif self.words.level is None:
                why = f"line {self.machine.line}: whether a command behind {link.sign} is reached is not known"
                do = partial(self.run, link.right)
                self._either(do if link.sign == "&&" else _nothing, do if link.sign == "||" else _nothing, why)
            elif (self.words.level == 0) == (link.sign == "&&"):
                self.run(link.right)

    def _pipe(self, chains: Sequence[CommandChain]) -> None:
        if any(link.sign != "|" for link in chains):
            raise ScriptStoppedError("a pipe among other commands")
        feed, printed = self.feed, self.printed
        commands = [chains[-1].left, *(link.right for link in reversed(chains))]
        self.printed = ()
        for at, command in enumerate(commands):
            if at:
                self.feed, self.printed = Feed(rope=self.printed, piped=True), ()
            if isinstance(command, Simple) and re.match(r"echo\s+[yYnNfFdDjJ]\s*$|echo\.?\s*$", command.text):
                continue
            self.run(command)
        self.feed, self.printed = feed, join(printed, self.printed)

    def _if(self, command: If) -> None:
        condition = self.words.expanded(command.condition)
        truth = holds(self.words, condition)
        otherwise = command.otherwise
        if truth is None:
            why = f"line {command.line}: whether {quote(condition.replace(UNKNOWN, '?'))} holds is not known"
            self._either(
                lambda: self.run(command.then), lambda: self.run(otherwise) if otherwise is not None else None, why
            )
        elif truth:
            self.run(command.then)
        elif otherwise is not None:
            self.run(otherwise)

    def _either(self, first: Callable[[], object], second: Callable[[], object], why: str) -> None:
        """Follow both ways of a branch that is not known; what they do not share is open.

        A way that ends in a jump is not taken where the other goes on: it is how a script leaves when something failed.
        """
        self.machine.remark(f"{why.partition(': ')[2]}; what the two ways do not share is open")
        start, variables, printed = self.machine, self.words.variables, self.printed
        ways = list[_Way]()
        for do in (first, second):
            self.words.machine, self.words.variables, self.printed = start.copy(), dict(variables), printed
            try:
                do()
                ways.append(_Way(self.machine, self.words.variables, self.printed))
            except Jump as jump:
                if not jump.label and self.words.level == 0:
                    raise ScriptStoppedError(f"{why}; so whether the script ends here is not known") from None
                if jump.label and not FAILURE.search(jump.label):
                    raise ScriptStoppedError(f"{why}; so where the script goes on is not known") from None
            finally:
                self.words.machine = start
        if not ways:
            raise ScriptStoppedError(f"{why}; so where the script goes on is not known")
        left, right = ways[0], ways[-1]
        start.merge(left.machine, right.machine, why)
        self.words.variables = merged_variables(left.variables, right.variables)
        self.printed = left.printed if left.printed == right.printed else unknown(why, start.line)
        self.words.level = None

    def _for(self, command: For) -> None:
        for variables in turns(self.machine, command, self.words.expanded(command.values)):
            self._turn(command, variables)

    def _turn(self, command: For, values: dict[str, str]) -> None:
        self.machine.step()
        kept = dict(self.words.loop)
        self.words.loop.update(values)
        try:
            self.run(command.body)
        finally:
            self.words.loop = kept

    def _redirected(self, redirects: Sequence[tuple[str, str, str]], do: Callable[[], None]) -> None:
        """Follow commands whose input or output is a file."""
        if not redirects:
            do()
            return
        feed, printed, line = self.feed, self.printed, self.machine.line
        output = self._opened(redirects)
        self.printed = ()
        try:
            do()
        finally:
            out, self.printed, self.feed = self.printed, printed, feed
            if output.path and not output.lost:
                self._written(output, out, line)
            elif not output.lost:
                self.printed = join(printed, out)

    def _opened(self, redirects: Sequence[tuple[str, str, str]]) -> RedirectTarget:
        """Take the input that is named, and return where the output goes."""
        output = RedirectTarget()
        try:
            for handle, sign, written in redirects:
                name = self.words.expanded(written)
                if sign == "<":
                    rope = () if name.casefold() == "nul" else self.machine.read(self.machine.path(name))
                    self.feed = Feed(rope=rope)
                elif sign in (">&", "<&"):
                    output.lost |= handle in ("", "1")
                elif handle == "2":
                    self._messages(name)
                elif name.casefold() in ("nul", "con"):
                    output.lost = True
                else:
                    output.path, output.adds = self.machine.path(name), sign == ">>"
                    if not output.adds:
                        self.machine.write(output.path, ())
        except NotFollowedError as error:
            self.machine.remark(str(error))
            output.lost = True
        return output

    def _messages(self, name: str) -> None:
        """Note a file of messages, whose bytes are not known."""
        if name.casefold() != "nul":
            why = f"it holds the messages of line {self.machine.line}, which are not known"
            self.machine.suspects[self.machine.path(name)] = why

    def _written(self, output: RedirectTarget, out: Rope, line: int) -> None:
        self.machine.line, target = line, output.path
        old = self.machine.peek(target) if output.adds and self.machine.exists(target) else ()
        if old and target not in self.machine.written:
            self.machine.remark(f"adds to {quote(target)}, which the folder holds already", "note")
        try:
            if not output.adds and target in self.machine.used:
                raise NotFollowedError(f"{quote(target)} is read while it is written")
            self.machine.write(target, join(old, out))
        except NotFollowedError as error:
            self.machine.opened(target, self.machine.not_followed(target, error))

    def simple(self, written: str) -> None:
        """Follow one command."""
        text = self.words.expanded(written).lstrip(" \t,;=@")
        if not text.strip():
            return
        name, rest = named_command(text)
        low = name.casefold().removesuffix(".exe")
        if low in IDLE or self.own(low, rest):
            return
        if low in COMMANDS:
            self._files(low, rest)
        elif low in LOOKING and not (low == "certutil" and "hashfile" not in rest.casefold()):
            self.words.level = None
            self._print(unknown(f"line {self.machine.line}: what {low} prints", self.machine.line))
        else:
            self._program(name, low, [unquoted(word) for word in words_of(rest, " \t")])

    def _program(self, name: str, low: str, words: list[str]) -> None:
        """Follow a program; one that is not known leaves open what its line names."""
        tool = ROM_TOOLS.get(low) if is_rom_tool(self.machine, name) else TOOLS[low] if low in PORTED else None
        if tool is None:
            self._unknown(name, words)
            return
        call = Call(machine=self.machine, name=low, words=words, feed=self.feed or Feed(), bash=False)
        try:
            self.words.level, out = tool(call)
            self._print(out)
        except NotFollowedError as error:
            self._not_followed(low, words, error)

    def _unknown(self, name: str, words: list[str]) -> None:
        self.words.level = None
        if UNKNOWN in name:
            raise ScriptStoppedError("which command is run is not known")
        if name.casefold().endswith((".bat", ".cmd")):
            raise ScriptStoppedError(f"{shown(name)}: another batch script goes on instead of this one")
        why = self.machine.unknown_program(name, words)
        self._print(unknown(why, self.machine.line))

    def _not_followed(self, name: str, words: list[str], error: NotFollowedError) -> None:
        self.words.level = None
        why = self.machine.not_followed(name, error)
        for path in written_by(self.machine, name, words):
            self.machine.opened(path, why)
        self._print(unknown(why, self.machine.line))

    def _files(self, name: str, rest: str) -> None:
        try:
            files = Files(machine=self.machine, rest=rest, feed=self.feed or Feed())
            self.words.level, out = COMMANDS[name](files)
            self._print(out)
        except NotFollowedError as error:
            self.words.level = None
            why = self.machine.not_followed(name, error)
            for path in files.targets:
                self.machine.opened(path, why)
            if name == "type":
                self._print(unknown(why, self.machine.line))


def _nothing() -> None:
    return None


def follow(machine: Machine, text: str, name: str, arguments: Sequence[str]) -> None:
    """Follow a batch script to its end."""
    words = BatchWords(machine=machine, name=name, arguments=list(arguments))
    try:
        Cmd(words=words, lines=text.split("\n")).script()
    except Jump:
        return
