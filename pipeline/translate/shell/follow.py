"""POSIX shell scripts, followed command by command over a copy of the folder; nothing is run.

The grammar is tree-sitter's; what commands do is IEEE Std 1003.1-2017, "Shell Command Language". Where shells differ
and the script does not say which is meant (``#!/bin/bash``), nothing is assumed.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from functools import partial
from typing import Any

from pipeline.errors import MachineError
from pipeline.model.text import quote, shown
from pipeline.translate.machine import HERE, UNKNOWN, Machine, StoppedError
from pipeline.translate.rope import NotFollowedError, Rope, data_of, is_open, join, literal, unknown
from pipeline.translate.shell.conditions import Truth, holds
from pipeline.translate.shell.words import Node, Words, _raw, _regex
from pipeline.translate.tools.call import Call, Feed, encoded
from pipeline.translate.tools.rom_tools import ROM_TOOLS, written_by
from pipeline.translate.tools.table import TOOLS

DEEPEST = 60
"""Functions and blocks inside one another."""
PREFIXES = ("command", "builtin", "nice", "time", "sudo", "nohup", "busybox", "env")
"""Commands that run the one behind them."""


class Leave(Exception):  # noqa: N818  # no error: the way a command leaves a loop, a function or the script
    """A loop, function or script is left: "break", "continue", "return" or "exit"; ``out`` was printed before."""

    def __init__(self, kind: str, number: int | None = 1) -> None:
        super().__init__(kind)
        self.kind, self.number = kind, number
        self.out: Rope = ()


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


@dataclass(slots=True, kw_only=True)
class Shell:
    """A shell in one place of a script. ``guard``: how many conditions it is in, where failing ends nothing."""

    machine: Machine
    bash: bool
    parse: Callable[[bytes], Node]
    first_line: int | None = None
    functions: dict[str, Node] = field(default_factory=dict)
    feed: Feed = field(default_factory=Feed)
    errexit: bool = False
    guard: int = 0
    depth: int = 0
    cleanup: str = ""
    stack: list[str] = field(default_factory=list)
    locals: list[list[tuple[str, str | None]]] = field(default_factory=list)
    words: Words = field(init=False)

    def __post_init__(self) -> None:
        """Make the reader of words."""
        self.words = Words(machine=self.machine, bash=self.bash, substituted=self._substituted,
                           processed=self._processed, parse=self.parse)  # fmt: skip

    @property
    def status(self) -> int | None:
        """The exit status of the last command; None where it is not known."""
        return self.words.status

    @status.setter
    def status(self, status: int | None) -> None:
        self.words.status = status

    def script(self, text: bytes, *, ends: bool = True) -> Rope:
        """Follow a whole script and return what it prints."""
        out: Rope = ()
        try:
            out = self._block(self.parse(text).children)
        except Leave as leave:
            if leave.kind == "exit" and not ends:
                raise
            out = leave.out
        if self.cleanup and ends:
            text, self.cleanup = self.cleanup.encode("utf-8", "surrogateescape"), ""
            self.script(text)
        return out

    def _block(self, nodes: Sequence[Node]) -> Rope:
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
            raise StoppedError(f"found {quote(_raw(node).strip())}, which cannot be read")
        do = getattr(self, f"_{node.type}", None)
        if do is None:
            raise StoppedError(f"found {quote(_raw(node).strip())}, which is not followed")
        self.depth += 1
        if self.depth > DEEPEST:
            raise StoppedError(
                f"more than {DEEPEST} commands inside one another; a function may call itself without end"
            )
        try:
            rope: Rope = do(node)
        finally:
            self.depth -= 1
        return rope

    def _program(self, node: Node) -> Rope:
        return self._block(node.children)

    _do_group = _compound_list = _program

    def _compound_statement(self, node: Node) -> Rope:
        if node.children[0].type == "((":
            text = _raw(node)[2:-2]
            value = self.words.reckoned(text)
            self.status = None if value == UNKNOWN else int(value == "0")
            return ()
        return self._block(node.children)

    def _subshell(self, node: Node) -> Rope:
        return self._inside(lambda: self._block(node.children))

    def _inside(self, do: Callable[[], Rope]) -> Rope:
        """Follow commands in a shell of their own: what they set is forgotten."""
        variables, arrays, arguments = dict(self.words.variables), dict(self.words.arrays), list(self.words.arguments)
        current, functions, errexit = self.machine.current, dict(self.functions), self.errexit
        cleanup, self.cleanup = self.cleanup, ""
        try:
            return do()
        except Leave as leave:
            if leave.kind == "exit":
                self.status = leave.number
                self._failed()
            return leave.out
        finally:
            self.words.variables, self.words.arrays, self.words.arguments = variables, arrays, arguments
            self.machine.current, self.functions, self.errexit, self.cleanup = current, functions, errexit, cleanup

    def _failed(self) -> None:
        if self.errexit and not self.guard and self.status:
            raise Leave("exit", self.status)

    def _pipeline(self, node: Node, redirects: Sequence[Node] = ()) -> Rope:
        feed = self.feed
        out: Rope = ()
        commands = [child for child in node.children if child.is_named]
        if any(child.type == "|&" for child in node.children):
            raise StoppedError("|& is not followed")
        try:
            for at, command in enumerate(commands):
                if at:
                    self.feed = Feed(rope=out, piped=True)
                self.guard += at < len(commands) - 1
                try:
                    own = redirects if at == len(commands) - 1 else ()
                    out = self._inside(lambda c=command, own=own: self._with(own, c))  # type: ignore[misc]
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
            chained = lambda s=sign, c=command, do=do: self._chained(s, lambda: do(c), _raw(c))  # noqa: E731
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
            return self._block(otherwise)
        condition, body = clauses[0]
        line = condition[0].start_point.row + 1 if condition else self.machine.line
        text = " ".join(_raw(node) for node in condition if node.is_named)
        self.guard += 1
        try:
            out = self._block(condition)
        finally:
            self.guard -= 1
        if self.status is None:
            why = f"line {self.first_line or line}: whether {quote(text)} holds is not known"
            return join(
                out, self._either(lambda: self._block(body), lambda: self._clauses(clauses[1:], otherwise), why)
            )
        if self.status == 0:
            return join(out, self._block(body))
        self.status = 0
        return join(out, self._clauses(clauses[1:], otherwise))

    def _either(self, one: Callable[[], Rope], two: Callable[[], Rope], why: str) -> Rope:
        """Follow both ways of a branch that is not known; what they do not share is open.

        A way that ends the script with a failure is not taken: what a script makes when it succeeds is drafted.
        """
        self.machine.remark(f"{why.partition(': ')[2]}; what the two ways do not share is open")
        start, states = self.machine, list[tuple[Machine, dict[str, str], Rope, int | None]]()
        variables = dict(self.words.variables)
        for do in (one, two):
            self.machine = self.words.machine = start.copy()
            self.words.variables = dict(variables)
            try:
                out = do()
                states.append((self.machine, self.words.variables, out, self.status))
            except Leave as leave:
                if leave.kind != "exit" or not leave.number:
                    raise StoppedError(f"{why}; so where the script goes on is not known") from None
            finally:
                self.machine = self.words.machine = start
        if not states:
            raise Leave("exit", 1)
        first, last = states[0], states[-1]
        start.merge(first[0], last[0], why)
        names = {*first[1], *last[1]}
        self.words.variables = {
            name: first[1].get(name, "") if first[1].get(name) == last[1].get(name) else UNKNOWN
            for name in sorted(names)
        }
        self.status = first[3] if first[3] == last[3] else None
        return first[2] if first[2] == last[2] else unknown(why, start.line)

    def _while_statement(self, node: Node) -> Rope:
        until = node.children[0].type == "until"
        at = next(index for index, child in enumerate(node.children) if child.type == "do_group")
        condition, body = node.children[1:at], node.children[at]
        outs = list[Rope]()
        while True:
            self.guard += 1
            try:
                outs.append(self._block(condition))
            finally:
                self.guard -= 1
            if self.status is None:
                raise StoppedError("how often a loop goes round is not known")
            if (self.status == 0) == until:
                self.status = 0
                return join(*outs)
            if not self._turn(body, outs):
                return join(*outs)

    def _turn(self, body: Node, outs: list[Rope]) -> bool:
        """Follow a loop's body once; return whether the loop goes on."""
        self.machine.step()
        try:
            outs.append(self._block(body.children))
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
        name = _raw(node.child_by_field_name("variable"))
        values = node.children_by_field_name("value")
        given = any(child.type == "in" for child in node.children)
        fields = [one for value in values for one in self.words.fields(value)] if given else list(self.words.arguments)
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
                parts[at] += _raw(child)
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
            raise StoppedError("which way case goes is not known")
        self.status = 0
        for item in node.children:
            if item.type != "case_item":
                continue
            ends = next(at for at, child in enumerate(item.children) if child.type == ")")
            patterns = [child for child in item.children[:ends] if child.is_named]
            if any(re.fullmatch(_regex(self.words.pattern(pattern)), text) for pattern in patterns):
                if item.children[-1].type in (";&", ";;&"):
                    raise StoppedError("case that falls through")
                return self._block([child for child in item.children[ends + 1 :] if child.is_named])
        return ()

    def _function_definition(self, node: Node) -> Rope:
        self.functions[_raw(node.child_by_field_name("name"))] = node.child_by_field_name("body")
        self.status = 0
        return ()

    def _variable_assignments(self, node: Node) -> Rope:
        for child in node.children:
            self._variable_assignment(child)
        return ()

    def _variable_assignment(self, node: Node) -> Rope:
        self.status = 0
        named, value = node.child_by_field_name("name"), node.child_by_field_name("value")
        name, adds = _raw(named), any(child.type == "+=" for child in node.children)
        try:
            if named.type == "subscript":
                raise NotFollowedError(f"the assignment {quote(_raw(node))}")
            if value is not None and value.type == "array":
                fields = [one for child in value.children if child.is_named for one in self.words.fields(child)]
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
                name = _raw(child).partition("=")[0]
                self.locals[-1].append((name, self.words.variables.get(name)))
            if child.type == "variable_assignment":
                self._variable_assignment(child)
            elif child.type == "variable_name" and node.children[0].type == "local":
                self.words.variables[_raw(child)] = ""
            elif child.type == "word" and _raw(child) in ("-i", "-n", "-A", "-l", "-u"):
                raise StoppedError(f"declare {_raw(child)} is not followed")
        return ()

    def _unset_command(self, node: Node) -> Rope:
        for child in node.children[1:]:
            self.words.variables.pop(_raw(child), None)
            self.words.arrays.pop(_raw(child), None)
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
                words.append(_raw(node))
            elif double:
                patterns[len(words)] = self.words.pattern(node)
                words.append(self.words.text(node))
            else:
                words.extend(self.words.fields(node))

        try:
            for child in node.children[1:-1]:
                gather(child)
            self._answered(holds(self.machine, words, patterns if double else None))
        except NotFollowedError as error:
            self.machine.remark(f"{shown(_raw(node))}: {error}")
            self.status = None
        return ()

    def _answered(self, truth: Truth) -> None:
        self.status = None if truth is None else int(not truth)

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
                return join(rope, self._chained(sign, partial(self.run, right), _raw(right)))
        return rope

    def _with(self, redirects: Sequence[Node], node: Node | None) -> Rope:
        """Follow a command with its redirections.

        In this grammar those of the last command of a list or a pipeline stand around the whole.
        """
        if node is None:
            return self._redirected(redirects, lambda: ())
        if not redirects:
            return self.run(node)
        if node.type in ("list", "pipeline"):
            self.machine.step()
            return self._list(node, redirects) if node.type == "list" else self._pipeline(node, redirects)
        self.machine.line = self.first_line or node.start_point.row + 1
        return self._redirected(redirects, lambda: self.run(node))

    def _redirected(self, redirects: Sequence[Node], do: Callable[[], Rope]) -> Rope:
        """Follow a command whose input or output is a file."""
        feed, target, adds, lost = self.feed, "", False, False
        opened = list[str]()
        try:
            for redirect in redirects:
                if redirect.type == "herestring_redirect":
                    text = self.words.text(redirect.children[-1])
                    self.feed = Feed(rope=literal(encoded(f"{text}\n"), self.machine.line))
                elif redirect.type == "heredoc_redirect":
                    self.feed = Feed(rope=self._heredoc(redirect))
                    inner = redirect.children_by_field_name("redirect")
                    for one in inner:
                        target, adds = self._target(one, target, adds, opened)
                else:
                    sign = redirect.children[0].type
                    descriptor = redirect.child_by_field_name("descriptor")
                    number = _raw(descriptor) if descriptor is not None else ""
                    sign = next(child.type for child in redirect.children if child.type != "file_descriptor")
                    (word,) = self.words.fields(redirect.child_by_field_name("destination"))
                    if sign == "<" and number in ("", "0"):
                        call = Call(machine=self.machine, name="", words=[], feed=self.feed, bash=self.bash)
                        self.feed = Feed(rope=call.read(word))
                    elif sign in (">&", "<&") and word in ("1", "2", "-"):
                        lost = lost or (number in ("", "1") and word != "1")
                    elif number == "2":
                        self._messages(word)
                    elif sign in (">", ">>", ">|", "&>", "&>>", ">&") and number in ("", "1"):
                        lost = False
                        target, adds = self._target(redirect, target, adds, opened)
                    else:
                        raise NotFollowedError(f"the redirection {quote(_raw(redirect))}")
        except (NotFollowedError, ValueError) as error:
            self.machine.remark(f"{shown(_raw(redirects[0]))}: {error}")
            self.feed = Feed(rope=unknown(f"line {self.machine.line}: {error}", self.machine.line))
            lost = True
        try:
            line, left = self.machine.line, None
            try:
                out = do()
            except Leave as leave:
                out, left = leave.out, leave
                leave.out = ()
            if lost:
                out, target = (), ""
            if target:
                if not adds and target in self.machine.used:
                    raise NotFollowedError(f"{quote(target)} is read while it is written")
                self.machine.line = line
                old = self.machine.peek(target) if self.machine.exists(target) else ()
                if adds and old and target not in self.machine.written:
                    self.machine.remark(f"adds to {quote(target)}, which the folder holds already", "note")
                self.machine.write(target, join(old, out) if old else out)
                out = ()
            if left is not None:
                raise left
        except NotFollowedError as error:
            self.machine.opened(target, self.machine.not_followed(target, error))
            return ()
        finally:
            self.feed = feed
        return out

    def _messages(self, word: str) -> None:
        """Note a file of messages, whose bytes are not known."""
        if not word.startswith("/dev/"):
            path = self.machine.path(word)
            self.machine.suspects[path] = f"it holds the messages of line {self.machine.line}, which are not known"

    def _target(self, redirect: Node, target: str, adds: bool, opened: list[str]) -> tuple[str, bool]:
        (word,) = self.words.fields(redirect.child_by_field_name("destination"))
        if word in ("/dev/stdout", "/dev/fd/1"):
            return target, adds
        if word.startswith("/dev/"):
            if word not in ("/dev/null", "/dev/stderr", "/dev/tty"):
                raise NotFollowedError(f"{quote(word)} leaves the folder")
            self.machine.write(".mktemp.null", ())
            return ".mktemp.null", True
        path = self.machine.path(word)
        if ">>" not in _raw(redirect):
            self.machine.write(path, ())
        opened.append(path)
        return path, ">>" in _raw(redirect)

    def _heredoc(self, node: Node) -> Rope:
        root = node
        while root.parent is not None:
            root = root.parent
        start = next(child for child in node.children if child.type == "heredoc_start")
        end = next(child for child in node.children if child.type == "heredoc_end")
        lines = root.text.split(b"\n")[start.start_point.row + 1 : end.start_point.row]
        if node.children[0].type == "<<-" or _raw(node.children[0]).startswith("<<-"):
            lines = [line.lstrip(b"\t") for line in lines]
        text = b"".join(line + b"\n" for line in lines).decode("utf-8", "surrogateescape")
        if not set("'\"\\") & set(_raw(start)):
            text = self.words.expanded(text)
        return literal(encoded(text), self.machine.line)

    def _command(self, node: Node) -> Rope:
        named = node.child_by_field_name("name")
        redirects = [child for child in node.children if child.type.endswith("_redirect")]
        assignments = [child for child in node.children if child.type == "variable_assignment"]
        if named is None:
            for child in assignments:
                self._variable_assignment(child)
            return ()
        # the grammar takes assignments on lines of their own for assignments of the command that follows them
        own = [child for child in assignments if child.start_point.row == named.start_point.row]
        for child in assignments:
            if child not in own:
                self._variable_assignment(child)
        self.machine.line = self.first_line or named.start_point.row + 1
        kept = dict(self.words.variables)
        try:
            words = self.words.fields(named)
            for child in node.children_by_field_name("argument"):
                words += self.words.fields(child)
        except NotFollowedError as error:
            return self._unclear(node, str(error))
        for child in own:
            self._variable_assignment(child)
        if not words:
            self.status = 0
            return ()
        try:
            return self._redirected(redirects, lambda: self.call(words)) if redirects else self.call(words)
        finally:
            if own and words[0] not in ("export", ":"):
                changed = {name: text for name, text in self.words.variables.items() if kept.get(name) != text}
                for child in own:
                    changed.pop(_raw(child.child_by_field_name("name")), None)
                self.words.variables = {**kept, **changed}

    def _unclear(self, node: Node, why: str) -> Rope:
        text = _raw(node).strip()
        raise StoppedError(f"what {quote(text)} does is not known: {why}")

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
                raise StoppedError(f"{shown(name)}: {error}") from None
        short = re.sub(r"^/(usr/)?(local/)?s?bin/", "", name)
        tool = TOOLS.get(short) or ROM_TOOLS.get(short)
        if tool is None:
            self.status = None
            why = self.machine.unknown_program(name, rest)
            return unknown(why, self.machine.line)
        try:
            self.status, out = tool(Call(machine=self.machine, name=short, words=rest, feed=self.feed, bash=self.bash))
        except NotFollowedError as error:
            why = self.machine.not_followed(short, error)
            self.status = None
            for file in written_by(self.machine, short, rest):
                self.machine.opened(file, why)
            return unknown(why, self.machine.line)
        self._failed()
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

    # the shell's own commands

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
        self.stack.append(current)

    def _do_popd(self, words: list[str]) -> None:
        if not self.stack:
            raise NotFollowedError("popd without pushd")
        self.machine.current, self.status = self.stack.pop(), 0

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
        self._answered(holds(self.machine, words))

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

    # commands inside words

    def _substituted(self, node: Node) -> str:
        kept = self.errexit, self.feed
        out = self._inside(lambda: self._block(node.children))
        self.errexit, self.feed = kept
        if len(out) == 1 and out[0].source.kind == "open" and out[0].source.name.startswith(HERE):
            return out[0].source.name
        if is_open(out):
            return UNKNOWN
        data = data_of(out)
        if b"\0" in data:
            raise NotFollowedError("a byte 0x00 in a word")
        return data.rstrip(b"\n").decode("utf-8", "surrogateescape")

    def _processed(self, node: Node) -> str:
        if not _raw(node).startswith("<("):
            raise NotFollowedError(f"the word {quote(_raw(node))}")
        name = f".mktemp.{self.machine.commands}"
        self.machine.files[name] = self._inside(lambda: self._block(node.children))
        return f"{HERE}/{name}"


def follow(machine: Machine, text: bytes, arguments: Sequence[str]) -> None:
    """Follow a shell script to its end."""
    bash = re.match(rb"#![^\n]*\b(bash|zsh|ksh)\b", text) is not None
    shell: Any = Shell(machine=machine, bash=bash, parse=parser("bash"))
    shell.words.arguments = list(arguments)
    shell.words.zero = f"{HERE}/script.sh"
    shell.script(text.replace(b"\r\n", b"\n"))
