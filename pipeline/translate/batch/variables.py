"""The words of a batch script: arguments, variables and the variables of loops replaced as cmd does.

Sources: the help of cmd ("cmd /?", "set /?", "call /?", "for /?"), which Microsoft's Windows Commands reference
repeats.
"""

from __future__ import annotations

import re
from dataclasses import dataclass, field

from pipeline.model.text import shown
from pipeline.translate.batch.file_commands import unquoted
from pipeline.translate.machine import HERE, LONGEST_WORD, UNKNOWN, Machine, ScriptStoppedError
from pipeline.translate.rope import known_size

OUTSIDE = re.compile(
    "date|time|random|path|pathext|temp|tmp|username|userprofile|userdomain|computername|os|comspec|public|prompt"
    "|system(root|drive)|windir|program(files|data).*|.*appdata|home(path|drive)|number_of_processors|processor_.*"
    "|cmdcmdline|logonserver",
    re.IGNORECASE,
)
"""Variables that a machine sets, and of which a script's result must not depend."""
LONGEST_LINE = 8_191
"""Characters of a line with its variables replaced: as many as cmd takes (Microsoft, "Command prompt line string
limitation")."""
ARGUMENT = re.compile(r"~([fdpnxsatzFDPNXSATZ]*)([0-9])")
LOOP_VARIABLE = re.compile(r"%(?:~([fdpnxsatzFDPNXSATZ]*))?([A-Za-z#@$?])")


@dataclass(slots=True, kw_only=True)
class BatchWords:
    """What words stand for. ``loop``: the variables of ``for``; ``level``: ERRORLEVEL, None where it is not known."""

    machine: Machine
    name: str
    arguments: list[str]
    variables: dict[str, str] = field(default_factory=dict)
    loop: dict[str, str] = field(default_factory=dict)
    level: int | None = 0
    delayed: bool = False

    def percent(self, line: str) -> str:
        """Return a line with arguments and variables replaced, as cmd does before it reads it."""
        parts, at = list[str](), 0
        while (sign := line.find("%", at)) >= 0:
            text, length = self._replaced(line[sign + 1 :])
            parts += [line[at:sign], text]
            at = sign + 1 + length
        text = "".join([*parts, line[at:]])
        if len(text) > LONGEST_LINE:
            raise ScriptStoppedError(f"a line of more than {LONGEST_LINE:,} characters")
        return text

    def _replaced(self, rest: str) -> tuple[str, int]:
        """Return what stands for a percent sign and the characters behind it, and how many of these it takes."""
        found = ARGUMENT.match(rest)
        if rest.startswith("%"):
            return "%", 1
        if found:
            return self.modified(found[1], self.argument(int(found[2]))), found.end()
        if rest[:1].isdigit():
            return self.argument(int(rest[0])), 1
        if rest.startswith("*"):
            return " ".join(self.arguments), 1
        if "%" in rest:
            end = rest.index("%")
            return self.variable(rest[:end]), end + 1
        return "", 0

    def argument(self, number: int) -> str:
        """Return %0 to %9."""
        return ([self.name, *self.arguments] + [""] * 10)[number]

    def variable(self, text: str) -> str:
        """Return ``%name%``, ``%name:old=new%`` or ``%name:~from,count%``, without the signs."""
        name, _, change = text.partition(":")
        value = self.get(name)
        if not change or UNKNOWN in value:
            return value
        part = re.fullmatch(r"~(-?[0-9]+)(?:,(-?[0-9]+))?", change)
        if part:
            start, length = int(part[1]), part[2]
            value = value[start:] if start >= 0 or -start <= len(value) else value
            return value if length is None else value[: int(length)]
        old, equals, new = change.partition("=")
        if not equals or not old or old.startswith("*"):
            raise ScriptStoppedError(f"found %{text}%, which is not followed")
        return re.sub(re.escape(old), lambda _: new, value, flags=re.IGNORECASE)

    def get(self, name: str) -> str:
        """Return a variable; one that is not set has no text, one of the machine's own is not known."""
        key = name.casefold()
        if key in self.variables:
            return self.variables[key]
        if key == "cd":
            return f"{HERE}\\" + self.machine.current.replace("/", "\\")
        if key == "errorlevel":
            return UNKNOWN if self.level is None else str(self.level)
        return UNKNOWN if OUTSIDE.fullmatch(key) else ""

    def put(self, name: str, text: str) -> None:
        """Set a variable; no text takes it away."""
        if len(text) > LONGEST_WORD:
            raise ScriptStoppedError(f"the variable {shown(name)} has more than {LONGEST_WORD:,} characters")
        self.variables.pop(name.casefold(), None)
        if text:
            self.variables[name.casefold()] = UNKNOWN if UNKNOWN in text else text

    def modified(self, letters: str, word: str) -> str:
        """Return ``%~nx1``: the parts of a name that letters ask for."""
        text = unquoted(word)
        letters = letters.casefold()
        if not letters or not text:
            return text
        if set(letters) & set("sat") or UNKNOWN in text:
            return UNKNOWN
        path = "" if text == self.name and not self.machine.exists(text) else self.machine.path(text)
        path = path or self.name
        folder, _, name = path.rpartition("/")
        stem, dot, ending = name.rpartition(".")
        stem, ending = (stem, dot + ending) if dot else (name, "")
        if "z" in letters:
            return str(known_size(self.machine.peek(path))) if self.machine.exists(path) else ""
        if "f" in letters:
            return f"{HERE}\\" + path.replace("/", "\\")
        out = HERE if "d" in letters else ""
        if "p" in letters:
            out += ("\\" if out else HERE + "\\") + (folder.replace("/", "\\") + "\\" if folder else "")
        return out + (stem if "n" in letters else "") + (ending if "x" in letters else "")

    def expanded(self, text: str) -> str:
        """Return text with the variables of loops, and with ``!x!`` where that is asked for."""
        if self.loop and "%" in text:
            text = LOOP_VARIABLE.sub(self._of_loop, text)
        if self.delayed and "!" in text:
            text = re.sub(r"!([^!\n]+)!", lambda found: self.variable(found[1]), text)
        return text

    def _of_loop(self, found: re.Match[str]) -> str:
        letters, name = found.groups()
        if name not in self.loop:
            return found[0]
        return self.loop[name] if letters is None else self.modified(letters, self.loop[name])
