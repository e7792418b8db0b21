"""Simple commands of a shell script: assignments, functions, tests and programs."""

from __future__ import annotations

import re
from abc import abstractmethod
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field

from pipeline.model.text import quote, shown
from pipeline.translate.machine import HERE, UNKNOWN, ScriptStoppedError
from pipeline.translate.rope import NotFollowedError, Rope, data_of, is_open, unknown
from pipeline.translate.shell.conditions import holds
from pipeline.translate.shell.own_commands import Leave
from pipeline.translate.shell.redirects import Redirecting
from pipeline.translate.shell.words import Node, raw_text
from pipeline.translate.tools.call import Call
from pipeline.translate.tools.rom_tools import ROM_TOOLS, written_by
from pipeline.translate.tools.table import TOOLS

PREFIXES = ("command", "builtin", "nice", "time", "sudo", "nohup", "busybox", "env")
"""Commands that run the one behind them."""


@dataclass(slots=True, kw_only=True)
class SimpleCommands(Redirecting):
    """A shell that follows simple commands."""

    functions: dict[str, Node] = field(default_factory=dict)
    locals: list[list[tuple[str, str | None]]] = field(default_factory=list)

    @abstractmethod
    def run(self, node: Node) -> Rope:
        """Follow one command and return what it prints."""

    @abstractmethod
    def block(self, nodes: Sequence[Node]) -> Rope:
        """Follow commands one after another."""

    @abstractmethod
    def inside(self, do: Callable[[], Rope]) -> Rope:
        """Follow commands in a shell of their own."""

    @abstractmethod
    def failed(self) -> None:
        """Leave the script where a command that fails ends it."""

    @abstractmethod
    def _compound_statement(self, node: Node) -> Rope:
        """Follow ``((...))`` or a block in braces."""

    def _function_definition(self, node: Node) -> Rope:
        self.functions[raw_text(node.child_by_field_name("name"))] = node.child_by_field_name("body")
        self.status = 0
        return ()

    def _variable_assignments(self, node: Node) -> Rope:
        for child in node.children:
            self._variable_assignment(child)
        return ()

    def _variable_assignment(self, node: Node) -> Rope:
        self.status = 0
        named, value = node.child_by_field_name("name"), node.child_by_field_name("value")
        name, adds = raw_text(named), any(child.type == "+=" for child in node.children)
        try:
            if named.type == "subscript":
                raise NotFollowedError(f"the assignment {quote(raw_text(node))}")
            if value is not None and value.type == "array":
                fields = [
                    text_of_field
                    for child in value.children
                    if child.is_named
                    for text_of_field in self.words.fields(child)
                ]
                self.words.arrays[name] = (self.words.arrays.get(name, []) if adds else []) + fields
                self.words.variables.pop(name, None)
            else:
                text = self.words.text(value) if value is not None else ""
                self.words.put(name, self.words.get(name) + text if adds else text)
        except NotFollowedError as error:
            self.machine.remark(f"{shown(name)} is not known: {error}")
            self.words.variables[name] = UNKNOWN
        return ()

    def _declaration_command(self, node: Node) -> Rope:
        self.status = 0
        for child in node.children[1:]:
            if node.children[0].type in ("local", "declare", "typeset") and self.locals:
                name = raw_text(child).partition("=")[0]
                self.locals[-1].append((name, self.words.variables.get(name)))
            if child.type == "variable_assignment":
                self._variable_assignment(child)
            elif child.type == "variable_name" and node.children[0].type == "local":
                self.words.variables[raw_text(child)] = ""
            elif child.type == "word" and raw_text(child) in ("-i", "-n", "-A", "-l", "-u"):
                raise ScriptStoppedError(f"declare {raw_text(child)} is not followed")
        return ()

    def _unset_command(self, node: Node) -> Rope:
        for child in node.children[1:]:
            self.words.variables.pop(raw_text(child), None)
            self.words.arrays.pop(raw_text(child), None)
        self.status = 0
        return ()

    def _test_command(self, node: Node) -> Rope:
        words, patterns = list[str](), dict[int, str]()
        double = node.children[0].type == "[["
        if node.children[0].type == "((":
            return self._compound_statement(node)

        def gather(node: Node) -> None:
            if node.type in ("binary_expression", "unary_expression", "parenthesized_expression"):
                for child in node.children:
                    gather(child)
            elif node.type == "test_operator" or not node.is_named:
                words.append(raw_text(node))
            elif double:
                patterns[len(words)] = self.words.pattern(node)
                words.append(self.words.text(node))
            else:
                words.extend(self.words.fields(node))

        try:
            for child in node.children[1:-1]:
                gather(child)
            self.answered(holds(self.machine, words, patterns if double else None))
        except NotFollowedError as error:
            self.machine.remark(f"{shown(raw_text(node))}: {error}")
            self.status = None
        return ()

    def _command(self, node: Node) -> Rope:
        named = node.child_by_field_name("name")
        # the grammar takes assignments on lines of their own for assignments of the command that follows them
        assignments = [child for child in node.children if child.type == "variable_assignment"]
        own = [child for child in assignments if named and child.start_point.row == named.start_point.row]
        for child in assignments:
            if child not in own:
                self._variable_assignment(child)
        if named is None:
            return ()
        self.machine.line = self.first_line or named.start_point.row + 1
        before = dict(self.words.variables)
        try:
            words = self.words.fields(named)
            for child in node.children_by_field_name("argument"):
                words += self.words.fields(child)
        except NotFollowedError as error:
            raise ScriptStoppedError(f"what {quote(raw_text(node).strip())} does is not known: {error}") from None
        for child in own:
            self._variable_assignment(child)
        if not words:
            self.status = 0
            return ()
        redirects = [child for child in node.children if child.type.endswith("_redirect")]
        try:
            return self.redirected(redirects, lambda: self.call(words)) if redirects else self.call(words)
        finally:
            if own and words[0] not in ("export", ":"):
                self._forget(own, before)

    def _forget(self, assignments: Sequence[Node], before: Mapping[str, str]) -> None:
        """Take back the assignments that stood before a command and were its own."""
        names = {raw_text(child.child_by_field_name("name")) for child in assignments}
        changed = {
            name: text for name, text in self.words.variables.items()
            if name not in names and before.get(name) != text
        }  # fmt: skip
        self.words.variables = {**before, **changed}

    def call(self, words: list[str]) -> Rope:
        """Follow a simple command and return what it prints."""
        while len(words) > 1 and words[0] in PREFIXES and not words[1].startswith("-") and "=" not in words[1]:
            words = words[1:]
        name, rest = words[0], words[1:]
        own = getattr(self, f"_do_{'dot' if name == '.' else name}", None)
        if UNKNOWN in name or HERE in name:
            name = name.rpartition("/")[2] if HERE in name else "a command that is not known"
        if name in self.functions:
            return self._function(name, rest)
        if own is not None:
            try:
                return own(rest) or ()
            except NotFollowedError as error:
                raise ScriptStoppedError(f"{shown(name)}: {error}") from None
        short = re.sub(r"^/(usr/)?(local/)?s?bin/", "", name)
        tool = TOOLS.get(short) or ROM_TOOLS.get(short)
        if tool is None:
            self.status = None
            why = self.machine.unknown_program(name, rest)
            return unknown(why, self.machine.line)
        try:
            self.status, out = tool(
                Call(machine=self.machine, name=short, words=rest, feed=self.feed, bash=self.words.bash)
            )
        except NotFollowedError as error:
            why = self.machine.not_followed(short, error)
            self.status = None
            for file in written_by(self.machine, short, rest):
                self.machine.opened(file, why)
            return unknown(why, self.machine.line)
        self.failed()
        return out

    def _function(self, name: str, arguments: list[str]) -> Rope:
        kept, self.words.arguments = self.words.arguments, arguments
        self.locals.append([])
        try:
            return self.run(self.functions[name])
        except Leave as leave:
            if leave.kind != "return":
                raise
            self.status = leave.number
            return leave.out
        finally:
            self.words.arguments = kept
            for key, text in reversed(self.locals.pop()):
                if text is None:
                    self.words.variables.pop(key, None)
                else:
                    self.words.variables[key] = text

    def substituted(self, node: Node) -> str:
        """Return what a command inside a word prints."""
        kept = self.errexit, self.feed
        out = self.inside(lambda: self.block(node.children))
        self.errexit, self.feed = kept
        if len(out) == 1 and out[0].source.kind == "open" and out[0].source.name.startswith(HERE):
            return out[0].source.name
        if is_open(out):
            return UNKNOWN
        data = data_of(out)
        if b"\0" in data:
            raise NotFollowedError("a byte 0x00 in a word")
        return data.rstrip(b"\n").decode("utf-8", "surrogateescape")

    def processed(self, node: Node) -> str:
        """Return the file that stands for what a command prints."""
        if not raw_text(node).startswith("<("):
            raise NotFollowedError(f"the word {quote(raw_text(node))}")
        name = f".mktemp.{self.machine.commands}"
        self.machine.files[name] = self.inside(lambda: self.block(node.children))
        return f"{HERE}/{name}"
