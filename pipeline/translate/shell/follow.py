"""POSIX shell scripts, followed command by command over a copy of the folder; nothing is run.

The grammar is tree-sitter's; what commands do is IEEE Std 1003.1-2017, "Shell Command Language". Where shells differ
and the script does not say which is meant (``#!/bin/bash``), nothing is assumed.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import partial

from pipeline.errors import MachineError
from pipeline.model.text import quote
from pipeline.translate.machine import HERE, UNKNOWN, Machine, ScriptStoppedError, merged_variables
from pipeline.translate.rope import Rope, join, unknown
from pipeline.translate.shell.commands import SimpleCommands
from pipeline.translate.shell.own_commands import Leave
from pipeline.translate.shell.words import Node, ShellWords, pattern_text, raw_text
from pipeline.translate.tools.call import Feed

DEEPEST = 60
"""Functions and blocks inside one another."""


def parser(language: str) -> Callable[[bytes], Node]:
    """Return what makes a syntax tree of a script; raises MachineError where the grammars are not installed."""
    try:
        import tree_sitter
        import tree_sitter_bash
        import tree_sitter_make
    except ImportError:
        hint = "pip install -c constraints.txt -e '.[translate]' brings it"
        raise MachineError.one("the extra translate, which reads scripts, is not installed", hint) from None
    grammar = tree_sitter_bash if language == "bash" else tree_sitter_make
    made = tree_sitter.Parser(tree_sitter.Language(grammar.language()))
    return lambda text: made.parse(text).root_node


@dataclass(frozen=True, slots=True)
class _Way:
    """How things stand at the end of one way of a branch."""

    machine: Machine
    variables: dict[str, str]
    printed: Rope
    status: int | None


@dataclass(slots=True, kw_only=True)
class Shell(SimpleCommands):
    """A shell following a script. ``guard``: how many conditions it is in, where failing ends nothing."""

    guard: int = 0
    depth: int = 0

    def script(self, text: bytes, *, ends: bool = True) -> Rope:
        """Follow a whole script and return what it prints."""
        out: Rope = ()
        try:
            out = self.block(self.words.parse(text).children)
        except Leave as leave:
            if leave.kind == "exit" and not ends:
                raise
            out = leave.out
        if self.cleanup and ends:
            text, self.cleanup = self.cleanup.encode("utf-8", "surrogateescape"), ""
            self.script(text)
        return out

    def block(self, nodes: Sequence[Node]) -> Rope:
        """Follow commands one after another and return what they print."""
        out: Rope = ()
        for node in nodes:
            if node.type == "&":
                self.machine.remark("& runs a command beside the others; it is followed in its turn", "note")
            elif node.is_named and node.type not in ("comment", "heredoc_body"):
                out = join(out, self._before(out, lambda node=node: self.run(node)))  # type: ignore[misc]
        return out

    @staticmethod
    def _before(out: Rope, do: Callable[[], Rope]) -> Rope:
        """Follow what prints after ``out``; whoever leaves takes along what was printed."""
        try:
            return do()
        except Leave as leave:
            leave.out = join(out, leave.out)
            raise

    def run(self, node: Node) -> Rope:
        """Follow one command and return what it prints."""
        self.machine.line = self.first_line or node.start_point.row + 1
        self.machine.step()
        if node.type == "ERROR" or (node.has_error and node.type in ("command", "variable_assignment")):
            raise ScriptStoppedError(f"found {quote(raw_text(node).strip())}, which cannot be read")
        do = getattr(self, f"_{node.type}", None)
        if do is None:
            raise ScriptStoppedError(f"found {quote(raw_text(node).strip())}, which is not followed")
        self.depth += 1
        if self.depth > DEEPEST:
            raise ScriptStoppedError(
                f"more than {DEEPEST} commands inside one another; a function may call itself without end"
            )
        try:
            rope: Rope = do(node)
        finally:
            self.depth -= 1
        return rope

    def _program(self, node: Node) -> Rope:
        return self.block(node.children)

    _do_group = _compound_list = _program

    def _compound_statement(self, node: Node) -> Rope:
        if node.children[0].type == "((":
            text = raw_text(node)[2:-2]
            value = self.words.reckoned(text)
            self.status = None if value == UNKNOWN else int(value == "0")
            return ()
        return self.block(node.children)

    def _subshell(self, node: Node) -> Rope:
        return self.inside(lambda: self.block(node.children))

    def inside(self, do: Callable[[], Rope]) -> Rope:
        """Follow commands in a shell of their own: what they set is forgotten."""
        variables, arrays, arguments = dict(self.words.variables), dict(self.words.arrays), list(self.words.arguments)
        current, functions, errexit = self.machine.current, dict(self.functions), self.errexit
        cleanup, self.cleanup = self.cleanup, ""
        try:
            return do()
        except Leave as leave:
            if leave.kind == "exit":
                self.status = leave.number
                self.failed()
            return leave.out
        finally:
            self.words.variables, self.words.arrays, self.words.arguments = variables, arrays, arguments
            self.machine.current, self.functions, self.errexit, self.cleanup = current, functions, errexit, cleanup

    def failed(self) -> None:
        """Leave the script where a command that fails ends it."""
        if self.errexit and not self.guard and self.status:
            raise Leave("exit", self.status)

    def _pipeline(self, node: Node, redirects: Sequence[Node] = ()) -> Rope:
        feed = self.feed
        out: Rope = ()
        commands = [child for child in node.children if child.is_named]
        if any(child.type == "|&" for child in node.children):
            raise ScriptStoppedError("|& is not followed")
        try:
            for at, command in enumerate(commands):
                if at:
                    self.feed = Feed(rope=out, piped=True)
                self.guard += at < len(commands) - 1
                try:
                    own = redirects if at == len(commands) - 1 else ()
                    out = self.inside(lambda c=command, own=own: self._with(own, c))  # type: ignore[misc]
                finally:
                    self.guard -= at < len(commands) - 1
        finally:
            self.feed = feed
        return out

    def _list(self, node: Node, redirects: Sequence[Node] = ()) -> Rope:
        commands, signs = list[Node](), list[str]()
        while node.type == "list":  # left-nested: taken apart without a call for each
            left, sign, right = [child for child in node.children if child.type != "comment"][:3]
            commands.insert(0, right)
            signs.insert(0, sign.type)
            node = left
        out = self._guarded(node) if signs else ()
        for at, (sign, command) in enumerate(zip(signs, commands, strict=True)):
            last = at == len(signs) - 1
            do = (lambda c: self._with(redirects, c)) if last else self._guarded
            chained = lambda s=sign, c=command, do=do: self._chained(s, lambda: do(c), raw_text(c))  # noqa: E731
            out = join(out, self._before(out, chained))
        return out

    def _chained(self, sign: str, do: Callable[[], Rope], text: str) -> Rope:
        """Follow what stands behind "&&" or "||"."""
        if self.status is None:
            why = f"line {self.machine.line}: whether {quote(text)} is reached is not known"
            return self._either(do if sign == "&&" else lambda: (), do if sign == "||" else lambda: (), why)
        return do() if (self.status == 0) == (sign == "&&") else ()

    def _guarded(self, node: Node) -> Rope:
        self.guard += 1
        try:
            return self.run(node)
        finally:
            self.guard -= 1

    def _negated_command(self, node: Node) -> Rope:
        out = self._guarded(node.children[-1])
        self.status = None if self.status is None else int(not self.status)
        return out

    def _if_statement(self, node: Node) -> Rope:
        clauses = list[tuple[list[Node], list[Node]]]()
        condition, body, part = list[Node](), list[Node](), "condition"
        otherwise: list[Node] = []
        for child in node.children:
            if child.type == "then":
                part = "body"
            elif child.type == "elif_clause":
                split = next(at for at, inner in enumerate(child.children) if inner.type == "then")
                clauses.append((child.children[1:split], child.children[split + 1 :]))
            elif child.type == "else_clause":
                otherwise = child.children[1:]
            elif child.type not in ("if", "fi"):
                (condition if part == "condition" else body).append(child)
        clauses.insert(0, (condition, body))
        return self._clauses(clauses, otherwise)

    def _clauses(self, clauses: list[tuple[list[Node], list[Node]]], otherwise: list[Node]) -> Rope:
        if not clauses:
            return self.block(otherwise)
        condition, body = clauses[0]
        line = condition[0].start_point.row + 1 if condition else self.machine.line
        text = " ".join(raw_text(node) for node in condition if node.is_named)
        self.guard += 1
        try:
            out = self.block(condition)
        finally:
            self.guard -= 1
        if self.status is None:
            why = f"line {self.first_line or line}: whether {quote(text)} holds is not known"
            return join(out, self._either(lambda: self.block(body), lambda: self._clauses(clauses[1:], otherwise), why))
        if self.status == 0:
            return join(out, self.block(body))
        self.status = 0
        return join(out, self._clauses(clauses[1:], otherwise))

    def _either(self, first: Callable[[], Rope], second: Callable[[], Rope], why: str) -> Rope:
        """Follow both ways of a branch that is not known; what they do not share is open.

        A way that ends the script with a failure is not taken: what a script makes when it succeeds is drafted.
        """
        self.machine.remark(f"{why.partition(': ')[2]}; what the two ways do not share is open")
        start, variables = self.machine, self.words.variables
        ways = list[_Way]()
        for do in (first, second):
            self.words.machine, self.words.variables = start.copy(), dict(variables)
            try:
                printed = do()
                ways.append(_Way(self.machine, self.words.variables, printed, self.status))
            except Leave as leave:
                if leave.kind != "exit" or not leave.number:
                    raise ScriptStoppedError(f"{why}; so where the script goes on is not known") from None
            finally:
                self.words.machine = start
        if not ways:
            raise Leave("exit", 1)
        left, right = ways[0], ways[-1]
        start.merge(left.machine, right.machine, why)
        self.words.variables = merged_variables(left.variables, right.variables)
        self.status = left.status if left.status == right.status else None
        return left.printed if left.printed == right.printed else unknown(why, start.line)

    def _while_statement(self, node: Node) -> Rope:
        until = node.children[0].type == "until"
        at = next(index for index, child in enumerate(node.children) if child.type == "do_group")
        condition, body = node.children[1:at], node.children[at]
        outs = list[Rope]()
        while True:
            self.guard += 1
            try:
                outs.append(self.block(condition))
            finally:
                self.guard -= 1
            if self.status is None:
                raise ScriptStoppedError("how often a loop goes round is not known")
            if (self.status == 0) == until:
                self.status = 0
                return join(*outs)
            if not self._turn(body, outs):
                return join(*outs)

    def _turn(self, body: Node, outs: list[Rope]) -> bool:
        """Follow a loop's body once; return whether the loop goes on."""
        self.machine.step()
        try:
            outs.append(self.block(body.children))
        except Leave as leave:
            if leave.kind not in ("break", "continue"):
                leave.out = join(*outs, leave.out)
                raise
            outs.append(leave.out)
            if leave.number and leave.number > 1:
                outer = Leave(leave.kind, leave.number - 1)
                outer.out = join(*outs)
                raise outer from None
            return leave.kind == "continue"
        if len(outs) > 1:
            outs[:] = [join(*outs)]
        return True

    def _for_statement(self, node: Node) -> Rope:
        name = raw_text(node.child_by_field_name("variable"))
        values = node.children_by_field_name("value")
        given = any(child.type == "in" for child in node.children)
        fields = (
            [text for value in values for text in self.words.fields(value)] if given else list(self.words.arguments)
        )
        outs = list[Rope]()
        self.status = 0
        for text in fields:
            self.words.put(name, text)
            if not self._turn(node.child_by_field_name("body"), outs):
                break
        return join(*outs)

    def _c_style_for_statement(self, node: Node) -> Rope:
        parts, at = ["", "", ""], 0
        for child in node.children[2:]:
            if child.type == "))":
                break
            if child.type == ";":
                at += 1
            else:
                parts[at] += raw_text(child)
        outs = list[Rope]()
        self.words.reckoned(parts[0] or "0")
        while parts[1] == "" or self.words.reckoned(parts[1]) != "0":
            if not self._turn(node.child_by_field_name("body"), outs):
                break
            self.words.reckoned(parts[2] or "0")
        self.status = 0
        return join(*outs)

    def _case_statement(self, node: Node) -> Rope:
        text = self.words.text(node.child_by_field_name("value"))
        if UNKNOWN in text:
            raise ScriptStoppedError("which way case goes is not known")
        self.status = 0
        for item in node.children:
            if item.type != "case_item":
                continue
            ends = next(at for at, child in enumerate(item.children) if child.type == ")")
            patterns = [child for child in item.children[:ends] if child.is_named]
            if any(re.fullmatch(pattern_text(self.words.pattern(pattern)), text) for pattern in patterns):
                if item.children[-1].type in (";&", ";;&"):
                    raise ScriptStoppedError("case that falls through")
                return self.block([child for child in item.children[ends + 1 :] if child.is_named])
        return ()

    def _redirected_statement(self, node: Node) -> Rope:
        redirects = node.children_by_field_name("redirect")
        body = node.child_by_field_name("body")
        rope = self._with(redirects, body)
        for redirect in redirects:
            pipe = next((child for child in redirect.children if child.type == "pipeline"), None)
            if redirect.type == "heredoc_redirect" and pipe is not None:
                feed, self.feed = self.feed, Feed(rope=rope, piped=True)
                try:
                    rope = self._pipeline(pipe)
                finally:
                    self.feed = feed
            if redirect.type == "heredoc_redirect" and redirect.child_by_field_name("operator") is not None:
                right = redirect.child_by_field_name("right")
                sign = redirect.child_by_field_name("operator").type
                return join(rope, self._chained(sign, partial(self.run, right), raw_text(right)))
        return rope

    def _with(self, redirects: Sequence[Node], node: Node | None) -> Rope:
        """Follow a command with its redirections.

        In this grammar those of the last command of a list or a pipeline stand around the whole.
        """
        if node is None:
            return self.redirected(redirects, lambda: ())
        if not redirects:
            return self.run(node)
        if node.type in ("list", "pipeline"):
            self.machine.step()
            return self._list(node, redirects) if node.type == "list" else self._pipeline(node, redirects)
        self.machine.line = self.first_line or node.start_point.row + 1
        return self.redirected(redirects, lambda: self.run(node))


def shell(machine: Machine, parse: Callable[[bytes], Node], *, bash: bool) -> Shell:
    """Return a shell at the start of a script."""
    words = ShellWords(machine=machine, bash=bash, parse=parse)
    made = Shell(words=words)
    words.substituted, words.processed = made.substituted, made.processed
    return made


def follow(machine: Machine, text: bytes, arguments: Sequence[str]) -> None:
    """Follow a shell script to its end."""
    bash = re.match(rb"#![^\n]*\b(bash|zsh|ksh)\b", text) is not None
    made = shell(machine, parser("bash"), bash=bash)
    made.words.arguments, made.words.zero = list(arguments), f"{HERE}/script.sh"
    made.script(text.replace(b"\r\n", b"\n"))
