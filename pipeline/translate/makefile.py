"""Makefiles: the rules that the goals need, their recipes followed as POSIX shells; every rule is taken as due.

The grammar is tree-sitter's; what rules mean is IEEE Std 1003.1-2017, "make", with the functions and pattern rules of
the GNU make manual.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field

from pipeline.model.text import quote, shown
from pipeline.translate.machine import LONGEST_WORD, Machine, ScriptStoppedError
from pipeline.translate.rope import NotFollowedError
from pipeline.translate.shell.follow import parser, shell
from pipeline.translate.shell.own_commands import Leave
from pipeline.translate.shell.words import Node, decoded_text

DEEPEST = 40
CALL = re.compile(r"\$(?:\$|\(|\{|.)", re.DOTALL)


@dataclass(frozen=True, slots=True, kw_only=True)
class MakeRule:
    """Targets, what they need as it stands, and the lines of the recipe, each with its line of the makefile."""

    targets: tuple[str, ...]
    needs: str
    recipe: tuple[tuple[int, str], ...]


@dataclass(slots=True, kw_only=True)
class Make:
    """A makefile that was read. ``given``: variables of the command line."""

    machine: Machine
    parse: Callable[[bytes], Node]
    variables: dict[str, str] = field(default_factory=dict)
    fixed: set[str] = field(default_factory=set)
    rules: list[MakeRule] = field(default_factory=list)
    done: set[str] = field(default_factory=set)

    def read(self, root: Node) -> None:
        """Take variables and rules from the syntax tree."""
        for node in root.children:
            self.machine.line = node.start_point.row + 1
            if node.type == "variable_assignment":
                self._assignment(node)
            elif node.type == "rule":
                self._rule(node)
            elif node.type not in ("comment", "export_directive", "unexport_directive") and node.is_named:
                raise ScriptStoppedError(f"found {quote(decoded_text(node.text).strip()[:80])}, which is not followed")

    def _assignment(self, node: Node) -> None:
        name = decoded_text(node.child_by_field_name("name").text)
        value = node.child_by_field_name("value")
        text = re.sub(r"\s*\\\n\s*", " ", decoded_text(value.text)) if value is not None else ""
        sign = next(child.type for child in node.children if child.type in ("=", ":=", "::=", "?=", "+=", "!="))
        if name in self.fixed or (sign == "?=" and name in self.variables):
            return
        if sign == "!=":
            raise ScriptStoppedError("a variable from what a command prints")
        if sign in (":=", "::="):
            text = self.expand(text).replace("$", "$$")
        if sign == "+=":
            text = f"{self.variables.get(name, '')} {text}".strip()
        if len(text) > LONGEST_WORD:
            raise ScriptStoppedError("a long variable")
        self.variables[name] = text

    def _rule(self, node: Node) -> None:
        targets = next(child for child in node.children if child.type == "targets")
        needs = node.child_by_field_name("normal")
        recipe = next((child for child in node.children if child.type == "recipe"), None)
        lines = list[tuple[int, str]]()
        for line in recipe.children if recipe is not None else ():
            if line.type == "recipe_line":
                lines.append((line.start_point.row + 1, re.sub(r"\\\n\t", r"\\\n", decoded_text(line.text))))
            elif line.is_named and line.type != "comment":
                raise ScriptStoppedError(f"found {quote(decoded_text(line.text).strip()[:80])}, which is not followed")
        text = decoded_text(needs.text) if needs is not None else ""
        names = tuple(self.expand(decoded_text(targets.text)).split())
        self.rules.append(MakeRule(targets=names, needs=re.sub(r"\\\n", " ", text), recipe=tuple(lines)))

    def make(self, target: str, depth: int = 0) -> None:
        """Follow what makes a target, after what it needs."""
        if target in self.done:
            return
        if depth > DEEPEST:
            raise ScriptStoppedError(f"{quote(target)} needs itself, or too many others one behind another")
        self.done.add(target)
        found, stem = self._found(target)
        path = self.machine.path(target)
        if not found:
            if not self.machine.exists(path) and not self.machine.is_folder(path):
                raise ScriptStoppedError(f"there is no rule that makes {quote(target)}, and no such file")
            return
        needs = [
            word.replace("%", stem, 1) for rule in found for word in self.expand(rule.needs).split() if word != "|"
        ]
        for need in needs:
            self.make(need, depth + 1)
        order = next((rule for rule in found if rule.recipe), None)
        if not order:
            return
        if self.machine.exists(path) and path not in self.machine.written:
            self.machine.remark(f"the folder holds {quote(target)} already; it is taken as due", "note")
        first = [word.replace("%", stem, 1) for word in self.expand(order.needs).split()]
        for line, text in order.recipe:
            self._run(line, text, target, stem, first + [need for need in needs if need not in first])

    def _run(self, line: int, text: str, target: str, stem: str, needs: Sequence[str]) -> None:
        self.machine.line = line
        own = {"@": target, "<": needs[0] if needs else "", "^": " ".join(dict.fromkeys(needs)), "+": " ".join(needs),
               "*": stem, "?": " ".join(dict.fromkeys(needs))}  # fmt: skip
        command = re.sub(r"^[@+\s-]+", "", self.expand(text, own))
        ignores = "-" in (re.match(r"[@+\s-]*", text) or [""])[0]
        if not command:
            return
        recipe = shell(self.machine, self.parse, bash=False)
        recipe.first_line, recipe.errexit = line, not ignores
        current = self.machine.current
        try:
            recipe.block(self.parse(command.encode("utf-8", "surrogateescape")).children)
        except Leave as leave:
            if leave.number and not ignores:
                raise ScriptStoppedError("this line fails, and make ends") from None
        self.machine.current = current

    def _found(self, target: str) -> tuple[list[MakeRule], str]:
        """Return the rules of a target, and what "%" stands for."""
        plain = [rule for rule in self.rules if target in rule.targets]
        if any(rule.recipe for rule in plain):
            return plain, ""
        for rule in self.rules:
            for pattern in rule.targets:
                head, sign, tail = pattern.partition("%")
                if not sign or not rule.recipe or len(target) <= len(head) + len(tail):
                    continue
                if target.startswith(head) and target.endswith(tail):
                    stem = target[len(head) : len(target) - len(tail)]
                    needs = [word.replace("%", stem, 1) for word in self.expand(rule.needs).split()]
                    if all(self._can(need) for need in needs):
                        return [rule, *plain], stem
        return plain, ""

    def _can(self, name: str) -> bool:
        return any(name in rule.targets for rule in self.rules) or self.machine.exists(self.machine.path(name))

    def expand(self, text: str, own: dict[str, str] | None = None, depth: int = 0) -> str:
        """Return text with variables and functions replaced."""
        if depth > DEEPEST:
            raise ScriptStoppedError("a variable that needs itself")
        parts, at = list[str](), 0
        while found := CALL.search(text, at):
            parts.append(text[at : found.start()])
            at = found.end()
            if found[0] == "$$":
                parts.append("$")
            elif found[0] in ("$(", "${"):
                end = _closing(text, at, found[0][1])
                parts.append(self._called(text[at:end], own or {}, depth + 1))
                at = end + 1
            else:
                parts.append(self._variable(found[0][1], own or {}, depth + 1))
        parts.append(text[at:])
        result = "".join(parts)
        if len(result) > LONGEST_WORD:
            raise ScriptStoppedError("a long variable")
        return result

    def _variable(self, name: str, own: dict[str, str], depth: int) -> str:
        if name in own:
            return own[name]
        if name in ("RM", "CP", "MV", "CAT") and name not in self.variables:
            return {"RM": "rm -f"}.get(name, "")
        return self.expand(self.variables.get(name, ""), own, depth)

    def _called(self, text: str, own: dict[str, str], depth: int) -> str:
        part = re.fullmatch(r"([@<^+*?])([DF])", text)
        if part:
            words = own.get(part[1], "").split()
            return " ".join(
                (word.rpartition("/")[0] or ".") if part[2] == "D" else word.rpartition("/")[2] for word in words
            )
        name, _, rest = text.partition(" ")
        if name in FUNCTIONS or name in ("wildcard", "foreach", "if", "call", "shell", "sort", "strip", "error", "info",
                                         "warning", "filter", "filter-out", "eval", "or", "and", "file"):  # fmt: skip
            return self._function(name, rest, own, depth)
        change = re.fullmatch(r"([^:=]+):([^=]*)=(.*)", text, re.DOTALL)
        if change:
            old, new = self.expand(change[2], own, depth), self.expand(change[3], own, depth)
            words = self._variable(change[1], own, depth).split()
            pattern = (old, new) if "%" in old else (f"%{old}", f"%{new}")
            return " ".join(_patterned(word, *pattern) for word in words)
        return self._variable(self.expand(text, own, depth), own, depth)

    def _function(self, name: str, rest: str, own: dict[str, str], depth: int) -> str:
        arguments = [self.expand(part, own, depth) for part in _split(rest)]
        if name == "wildcard":
            return " ".join(path for pattern in arguments[0].split() for path in self._wildcard(pattern))
        if name == "sort":
            return " ".join(sorted(set(arguments[0].split())))
        if name == "strip":
            return " ".join(arguments[0].split())
        if name in ("info", "warning"):
            return ""
        if name in FUNCTIONS and len(arguments) == FUNCTIONS[name][0]:
            return FUNCTIONS[name][1](*arguments)
        raise ScriptStoppedError(f"the function {shown(name)} is not followed")

    def _wildcard(self, pattern: str) -> list[str]:
        if re.search(r"[*?\[]", pattern):
            return self.machine.fitting(pattern)
        return [pattern] if self.machine.exists(self.machine.path(pattern)) else []


def _each(change: Callable[[str], str]) -> Callable[[str], str]:
    return lambda words: " ".join(filter(None, map(change, words.split())))


def _ending(word: str) -> str:
    dot = word.rpartition("/")[2].rpartition(".")
    return f".{dot[2]}" if dot[1] else ""


FUNCTIONS: dict[str, tuple[int, Callable[..., str]]] = {
    "subst": (3, lambda old, new, text: text.replace(old, new) if old else text),
    "patsubst": (3, lambda old, new, words: " ".join(_patterned(word, old, new) for word in words.split())),
    "notdir": (1, _each(lambda word: word.rpartition("/")[2])),
    "dir": (1, _each(lambda word: (word.rpartition("/")[0] or ".") + "/")),
    "basename": (1, _each(lambda word: word[: len(word) - len(_ending(word))])),
    "suffix": (1, _each(_ending)),
    "addprefix": (2, lambda head, words: " ".join(head + word for word in words.split())),
    "addsuffix": (2, lambda tail, words: " ".join(word + tail for word in words.split())),
    "firstword": (1, lambda words: (words.split() or [""])[0]),
    "lastword": (1, lambda words: (words.split() or [""])[-1]),
    "words": (1, lambda words: str(len(words.split()))),
}
"""The functions that only change words: how many arguments they take, and what they do."""


def _patterned(word: str, old: str, new: str) -> str:
    head, sign, tail = old.partition("%")
    if not sign:
        return new if word == old else word
    if word.startswith(head) and word.endswith(tail) and len(word) >= len(head) + len(tail):
        return new.replace("%", word[len(head) : len(word) - len(tail)], 1)
    return word


def _closing(text: str, at: int, opening: str) -> int:
    closing, depth = {"(": ")", "{": "}"}[opening], 1
    for end in range(at, len(text)):
        depth += (text[end] == opening) - (text[end] == closing)
        if not depth:
            return end
    raise ScriptStoppedError("a variable without its parenthesis")


def _split(text: str) -> list[str]:
    parts, depth = [""], 0
    for sign in text:
        depth += (sign in "({") - (sign in ")}")
        if sign == "," and not depth:
            parts.append("")
        else:
            parts[-1] += sign
    return parts


def follow(machine: Machine, data: bytes, arguments: Sequence[str]) -> None:
    """Follow what the goals need; without a goal, the first target."""
    text = data.replace(b"\r\n", b"\n")
    root = parser("make")(text if text.endswith(b"\n") else text + b"\n")
    if root.has_error:
        wrong = root
        while inner := next((child for child in wrong.children if child.has_error or child.type == "ERROR"), None):
            wrong = inner
        machine.line = wrong.start_point.row + 1
        raise ScriptStoppedError("the makefile cannot be read here")
    make = Make(machine=machine, parse=parser("bash"))
    goals = [word for word in arguments if "=" not in word]
    for word in arguments:
        name, equals, value = word.partition("=")
        if equals:
            make.variables[name] = value.replace("$", "$$")
            make.fixed.add(name)
    make.read(root)
    firsts = [
        target for rule in make.rules for target in rule.targets if not target.startswith(".") and "%" not in target
    ]
    if not goals and not firsts:
        raise NotFollowedError("there is no rule")
    for goal in goals or firsts[:1]:
        make.make(goal)
