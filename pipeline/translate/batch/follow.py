"""Windows batch scripts, followed command by command over a copy of the folder; nothing is run.

Sources: the help that cmd prints for each command ("copy /?", "for /?", "set /?", "call /?"), which Microsoft's Windows
Commands reference repeats. Where neither says what happens, nothing is assumed.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from functools import partial

from pipeline.model.text import quote, shown
from pipeline.translate.arithmetic import reckon
from pipeline.translate.batch.file_commands import COMMANDS, Files, unquoted, words_of
from pipeline.translate.batch.lines import Block, Chain, For, If, Parsed, Reader, Simple
from pipeline.translate.machine import HERE, LONGEST_WORD, UNKNOWN, Machine, StoppedError
from pipeline.translate.rope import NotFollowedError, Rope, data_of, join, known_size, literal, unknown
from pipeline.translate.tools.call import Call, Feed
from pipeline.translate.tools.rom_tools import ROM_TOOLS, is_rom_tool, written_by
from pipeline.translate.tools.table import TOOLS

OUTSIDE = re.compile(
    "date|time|random|path|pathext|temp|tmp|username|userprofile|userdomain|computername|os|comspec|public|prompt"
    "|system(root|drive)|windir|program(files|data).*|.*appdata|home(path|drive)|number_of_processors|processor_.*"
    "|cmdcmdline|logonserver",
    re.IGNORECASE,
)
"""Variables that a machine sets, and of which a script's result must not depend."""
ENCODINGS = ("utf-8", "cp850", "cp437", "cp1252")
PORTED = ("cat", "dd", "head", "tail", "truncate", "tr", "xxd", "cmp", "cp", "mv", "rm")
"""Commands of POSIX systems that are followed in a batch script too."""
IDLE = ("title", "color", "cls", "pause", "chcp", "verify", "prompt", "timeout", "mode", "rem", "attrib", "path")
LOOKING = ("dir", "find", "findstr", "where", "more", "tree", "ver", "vol", "certutil", "help")
MOST_TURNS = 100_000
LONGEST_LINE = 8_191
"""Characters of a line with its variables replaced: as many as cmd takes (Microsoft, "Command prompt line string
limitation")."""
LONGEST_BLOCK = 1_000
"""Lines of a block in parentheses."""
DEEPEST = 40


class Jump(Exception):  # noqa: N818  # no error: the way a script goes on elsewhere
    """The script goes on at a label; "" is its end. ``all``: the whole script ends, subroutines too."""

    def __init__(self, label: str, *, all_: bool = False) -> None:
        super().__init__(label)
        self.label, self.all = label, all_


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


@dataclass(slots=True, kw_only=True)
class Cmd:
    """cmd in one place of a script. ``level``: ERRORLEVEL, None where it is not known."""

    machine: Machine
    lines: list[str]
    name: str
    arguments: list[str]
    variables: dict[str, str] = field(default_factory=dict)
    loop: dict[str, str] = field(default_factory=dict)
    level: int | None = 0
    delayed: bool = False
    saved: list[tuple[dict[str, str], bool]] = field(default_factory=list)
    stack: list[str] = field(default_factory=list)
    depth: int = 0
    feed: Feed | None = None
    printed: Rope = ()

    def script(self, at: int = 0) -> None:
        """Follow the lines from one on, to the end or to where the script leaves."""
        while at < len(self.lines):
            self.machine.line = at + 1
            self.machine.step()
            start, text = at, ""
            while True:
                self.machine.line = at + 1
                text += self.percent(self.lines[at])
                at += 1
                if text.endswith("^") and not text.endswith("^^") and at < len(self.lines):
                    text += "\n"
                elif _open(text) > 0 and at < len(self.lines):
                    text += "\n"
                    if at - start > LONGEST_BLOCK:
                        raise StoppedError(f"a block of more than {LONGEST_BLOCK:,} lines")
                else:
                    break
            if text.lstrip().startswith(":"):
                continue
            self.machine.line = start + 1
            try:
                for command in Reader(text, start + 1).commands():
                    self.run(command)
            except Jump as jump:
                if not jump.label:
                    raise
                at = self._label(jump.label)

    def _label(self, label: str) -> int:
        wanted = label.casefold()
        for at, line in enumerate(self.lines):
            found = re.match(r"\s*:([^\s:+,;=&|<>()]+)", line)
            if found and found[1].casefold() == wanted:
                return at + 1
        raise StoppedError(f"there is no label {quote(label)}")

    # %x%

    def percent(self, line: str) -> str:
        """Return a line with arguments and variables replaced, as cmd does before it reads it."""
        parts, at = list[str](), 0
        while at < len(line):
            sign = line.find("%", at)
            if sign < 0:
                parts.append(line[at:])
                break
            parts.append(line[at:sign])
            rest = line[sign + 1 :]
            found = re.match(r"~([fdpnxsatzFDPNXSATZ]*)([0-9])", rest)
            if rest.startswith("%"):
                parts.append("%")
                at = sign + 2
            elif found:
                parts.append(self.modified(found[1], self.argument(int(found[2]))))
                at = sign + 1 + found.end()
            elif rest[:1].isdigit():
                parts.append(self.argument(int(rest[0])))
                at = sign + 2
            elif rest.startswith("*"):
                parts.append(" ".join(self.arguments))
                at = sign + 2
            elif "%" in rest:
                end = rest.index("%")
                parts.append(self.variable(rest[:end]))
                at = sign + 2 + end
            else:
                at = sign + 1
        text = "".join(parts)
        if len(text) > LONGEST_LINE:
            raise StoppedError(f"a line of more than {LONGEST_LINE:,} characters")
        return text

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
            raise StoppedError(f"found %{text}%, which is not followed")
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
            raise StoppedError(f"the variable {shown(name)} has more than {LONGEST_WORD:,} characters")
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
            text = re.sub(
                r"%(?:~([fdpnxsatzFDPNXSATZ]*))?([A-Za-z#@$?])",
                lambda found: (
                    found[0] if found[2] not in self.loop
                    else self.loop[found[2]] if found[1] is None
                    else self.modified(found[1], self.loop[found[2]])
                ),
                text,
            )  # fmt: skip
        if self.delayed and "!" in text:
            text = re.sub(r"!([^!\n]+)!", lambda found: self.variable(found[1]), text)
        return text

    # commands

    def run(self, command: Parsed) -> None:
        """Follow one command; what it prints is added to ``printed``."""
        self.machine.step()
        self.depth += 1
        if self.depth > DEEPEST * 4:
            raise StoppedError("too many commands inside one another")
        try:
            if isinstance(command, Chain):
                self._chain(command)
            elif isinstance(command, If):
                self.machine.line = command.line
                self._if(command)
            elif isinstance(command, For):
                self.machine.line = command.line
                self._for(command)
            elif isinstance(command, Block):
                self._redirected(command.redirects, lambda: self._all(command.inside))
            else:
                self.machine.line = command.line
                self._redirected(command.redirects, lambda: self._simple(command.text))
        finally:
            self.depth -= 1

    def _all(self, commands: Sequence[Parsed]) -> None:
        for command in commands:
            self.run(command)

    def _chain(self, chain: Chain) -> None:
        # a long chain is left-nested: taken apart without a call for each
        chains = [chain]
        while isinstance(chains[-1].left, Chain):
            chains.append(chains[-1].left)
        if any(link.sign == "|" for link in chains):
            self._pipe(chains)
            return
        self.run(chains[-1].left)
        for link in reversed(chains):
            if link.sign == "&":
                self.run(link.right)
            elif self.level is None:
                why = f"line {self.machine.line}: whether a command behind {link.sign} is reached is not known"
                do = partial(self.run, link.right)
                one, two = (do, _nothing) if link.sign == "&&" else (_nothing, do)
                self._either(one, two, why)
            elif (self.level == 0) == (link.sign == "&&"):
                self.run(link.right)

    def _pipe(self, chains: Sequence[Chain]) -> None:
        if any(link.sign != "|" for link in chains):
            raise StoppedError("a pipe among other commands")
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
        condition = self.expanded(command.condition)
        truth = self._holds(condition)
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

    def _holds(self, condition: str) -> bool | None:
        found = re.fullmatch(r"((?:/i\s+)?)((?:not\s+)?)((?:/i\s+)?)(.*?)\s*", condition, re.IGNORECASE | re.DOTALL)
        if not found:
            raise StoppedError("a condition that cannot be read")
        text, fold = found[4], bool(found[1] or found[3])
        truth = self._asked(text, fold=fold)
        return truth if truth is None or not found[2] else not truth

    def _asked(self, text: str, *, fold: bool) -> bool | None:
        word, _, rest = text.partition(" ")
        rest = rest.strip()
        if word.casefold() == "exist":
            name = unquoted(rest)
            if re.search("[*?]", name):
                return bool(self.machine.fitting(name, folders=True))
            if name.casefold() in ("nul", "con"):
                return True
            path = self.machine.path(name.removesuffix("\\nul").removesuffix("\\NUL"))
            if path in self.machine.suspects and not self.machine.exists(path):
                return None
            return self.machine.exists(path) or self.machine.is_folder(path)
        if word.casefold() == "defined":
            return bool(self.get(rest))
        if word.casefold() == "errorlevel":
            return None if self.level is None or not rest.isdigit() else self.level >= int(rest)
        if UNKNOWN in text:
            return None
        equal = re.fullmatch(r"(.*?)\s*==\s*(.*)", text, re.DOTALL)
        compared = re.fullmatch(r"(.+?)\s+(equ|neq|lss|leq|gtr|geq)\s+(.+)", text, re.IGNORECASE | re.DOTALL)
        if equal:
            one, two = equal[1], equal[2]
            return one.casefold() == two.casefold() if fold else one == two
        if not compared:
            raise StoppedError(f"found {quote(text)}, which is no condition that is known")
        one, sign, two = compared[1], compared[2].casefold(), compared[3]
        order: float
        if re.fullmatch("-?[0-9]+", one) and re.fullmatch("-?[0-9]+", two):
            order = int(one) - int(two)
        else:
            left, right = (one.casefold(), two.casefold()) if fold else (one, two)
            order = (left > right) - (left < right)
        return {"equ": order == 0, "neq": order != 0, "lss": order < 0, "leq": order <= 0, "gtr": order > 0,
                "geq": order >= 0}[sign]  # fmt: skip

    def _either(self, one: Callable[[], object], two: Callable[[], object], why: str) -> None:
        """Follow both ways of a branch that is not known; what they do not share is open.

        A way that ends in a jump is not taken where the other goes on: it is how a script leaves when something failed.
        """
        self.machine.remark(f"{why.partition(': ')[2]}; what the two ways do not share is open")
        start, states = self.machine, list[tuple[Machine, dict[str, str], Rope]]()
        variables, printed = dict(self.variables), self.printed
        for do in (one, two):
            self.machine, self.variables, self.printed = start.copy(), dict(variables), printed
            try:
                do()
                states.append((self.machine, self.variables, self.printed))
            except Jump as jump:
                if not jump.label and self.level == 0:
                    raise StoppedError(f"{why}; so whether the script ends here is not known") from None
                if jump.label and not re.search("err|fail|missing|bad|abort|problem", jump.label, re.IGNORECASE):
                    raise StoppedError(f"{why}; so where the script goes on is not known") from None
            finally:
                self.machine = start
        if not states:
            raise StoppedError(f"{why}; so where the script goes on is not known")
        first, last = states[0], states[-1]
        start.merge(first[0], last[0], why)
        self.variables = {
            name: first[1].get(name, "") if first[1].get(name) == last[1].get(name) else UNKNOWN
            for name in sorted({*first[1], *last[1]})
        }
        self.printed = first[2] if first[2] == last[2] else unknown(why, start.line)
        self.level = None

    def _for(self, command: For) -> None:
        values = self.expanded(command.values)
        if command.kind == "l":
            numbers = [int(word) for word in re.findall(r"-?[0-9]+", values)]
            if len(numbers) != 3:
                raise StoppedError("for /l without three numbers")
            start, step, end = numbers
            if not step or abs(end - start) // abs(step) > MOST_TURNS:
                raise StoppedError("for /l goes round too often; it may be a loop without end")
            items = [str(number) for number in range(start, end + (1 if step > 0 else -1), step)]
        elif command.kind == "f":
            self._for_lines(command, values)
            return
        elif command.kind:
            raise StoppedError(f"for /{command.kind} is not followed")
        else:
            items = list[str]()
            for word in words_of(values):
                if re.search("[*?]", word):
                    found = self.machine.fitting(unquoted(word))
                    self._order(found)
                    items += found
                else:
                    items.append(word)
        for item in items:
            self._turn(command, {command.variable: item})

    def _order(self, names: Sequence[str]) -> None:
        if len(names) > 1:
            self.machine.remark("the files of a pattern are taken by name, as NTFS lists them", "note")

    def _turn(self, command: For, values: dict[str, str]) -> None:
        self.machine.step()
        kept = dict(self.loop)
        self.loop.update(values)
        try:
            self.run(command.body)
        finally:
            self.loop = kept

    def _for_lines(self, command: For, values: str) -> None:
        values, options = values.strip(), command.options.casefold()
        backquotes = "usebackq" in options
        found = re.fullmatch(
            r"(?:usebackq\s*)?(?:tokens=([0-9,*-]+)\s*)?(?:delims=(.*))?", command.options, re.IGNORECASE
        )
        if not found or re.search("[-]", found[1] or ""):
            raise StoppedError("for /f with these options")
        sign = values[:1]
        if (sign == "'" and not backquotes) or sign == "`":
            raise StoppedError("for /f over what a command prints")
        if (sign == '"' and not backquotes) or (sign == "'" and backquotes):
            lines = [values[1:-1]]
        else:
            lines = []
            for word in words_of(values):
                data = data_of(self.machine.peek(self.machine.path(unquoted(word))))
                if len(data) > LONGEST_WORD or b"\0" in data:
                    raise StoppedError("for /f over a file that is no list")
                lines += data.decode("utf-8", "surrogateescape").splitlines()
        delimiters = " \t" if found[2] is None else found[2]
        wanted = (found[1] or "1").split(",")
        if wanted[-1].endswith("*") and wanted[-1] != "*":
            wanted[-1:] = [wanted[-1][:-1], "*"]
        for line in lines:
            if not line or line.startswith(";"):
                continue
            pieces = re.findall(f"[^{re.escape(delimiters)}]+", line) if delimiters else [line]
            if not pieces:
                continue
            given = dict[str, str]()
            for at, token in enumerate(wanted):
                if token == "*":  # noqa: S105  # a column, no secret
                    before = int(wanted[at - 1]) if at else 0
                    splits = list(re.finditer(f"[^{re.escape(delimiters)}]+", line)) if delimiters else []
                    text = line[splits[before].start() :] if before < len(splits) else ""
                else:
                    text = pieces[int(token) - 1] if 0 < int(token) <= len(pieces) else ""
                given[chr(ord(command.variable) + at)] = text
            self._turn(command, given)

    def _redirected(self, redirects: Sequence[tuple[str, str, str]], do: Callable[[], None]) -> None:
        feed, printed, target, adds, lost = self.feed, self.printed, "", False, False
        try:
            for handle, sign, written in redirects:
                name = self.expanded(written)
                if sign == "<":
                    self.feed = Feed(
                        rope=() if name.casefold() == "nul" else self.machine.read(self.machine.path(name))
                    )
                elif sign in (">&", "<&"):
                    lost = lost or handle in ("", "1")
                elif handle == "2":
                    if name.casefold() != "nul":
                        why = f"it holds the messages of line {self.machine.line}, which are not known"
                        self.machine.suspects[self.machine.path(name)] = why
                elif name.casefold() in ("nul", "con"):
                    lost = True
                else:
                    target, adds = self.machine.path(name), sign == ">>"
                    if not adds:
                        self.machine.write(target, ())
        except NotFollowedError as error:
            self.machine.remark(str(error))
            lost = True
        line, jumped = self.machine.line, None
        if redirects:
            self.printed = ()
        try:
            do()
        except Jump as jump:
            jumped = jump
        if redirects:
            out, self.printed, self.feed = self.printed, printed, feed
            if target and not lost:
                self._written(target, out, line, adds=adds)
            elif not lost:
                self.printed = join(printed, out)
        if jumped is not None:
            raise jumped

    def _written(self, target: str, out: Rope, line: int, *, adds: bool) -> None:
        self.machine.line = line
        old = self.machine.peek(target) if adds and self.machine.exists(target) else ()
        if old and target not in self.machine.written:
            self.machine.remark(f"adds to {quote(target)}, which the folder holds already", "note")
        try:
            if not adds and target in self.machine.used:
                raise NotFollowedError(f"{quote(target)} is read while it is written")
            self.machine.write(target, join(old, out))
        except NotFollowedError as error:
            self.machine.opened(target, self.machine.not_followed(target, error))

    def _simple(self, written: str) -> None:
        text = self.expanded(written).lstrip(" \t,;=@")
        if not text.strip():
            return
        name, rest = _named(text)
        low = name.casefold().removesuffix(".exe")
        own = getattr(self, f"_do_{low}", None)
        if low in IDLE:
            return
        if own is not None:
            own(rest)
            return
        if low in COMMANDS:
            self._files(low, rest)
            return
        if low in LOOKING and not (low == "certutil" and "hashfile" not in rest.casefold()):
            self.level = None
            self._print(unknown(f"line {self.machine.line}: what {low} prints", self.machine.line))
            return
        words = [unquoted(word) for word in words_of(rest, " \t")]
        tool = ROM_TOOLS.get(low) if is_rom_tool(self.machine, name) else TOOLS[low] if low in PORTED else None
        if tool is None:
            self._unknown(name, words)
            return
        call = Call(machine=self.machine, name=low, words=words, feed=self.feed or Feed(), bash=False)
        try:
            self.level, out = tool(call)
            self._print(out)
        except NotFollowedError as error:
            self._not_followed(low, words, error)

    def _unknown(self, name: str, words: list[str]) -> None:
        self.level = None
        if UNKNOWN in name:
            raise StoppedError("which command is run is not known")
        if name.casefold().endswith((".bat", ".cmd")):
            raise StoppedError(f"{shown(name)}: another batch script goes on instead of this one")
        why = self.machine.unknown_program(name, words)
        self._print(unknown(why, self.machine.line))

    def _not_followed(self, name: str, words: list[str], error: NotFollowedError) -> None:
        self.level = None
        why = self.machine.not_followed(name, error)
        for path in written_by(self.machine, name, words):
            self.machine.opened(path, why)
        self._print(unknown(why, self.machine.line))

    def _files(self, name: str, rest: str) -> None:
        try:
            files = Files(machine=self.machine, rest=rest, feed=self.feed or Feed())
            self.level, out = COMMANDS[name](files)
            self._print(out)
        except NotFollowedError as error:
            self.level = None
            why = self.machine.not_followed(name, error)
            for path in files.targets:
                self.machine.opened(path, why)
            if name == "type":
                self._print(unknown(why, self.machine.line))

    def _print(self, rope: Rope) -> None:
        self.printed = join(self.printed, rope)

    # cmd's own commands

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
                raise StoppedError("set /a with what is not known")
            reckon(inner.replace("%%", "%"), self.get, self.put, bits=32)
            return
        if re.match("/p", text, re.IGNORECASE):
            name, _, prompt = text[2:].strip().strip('"').partition("=")
            if self.feed is None or self.feed.rope:
                self.variables[name.strip().casefold()] = UNKNOWN
            elif prompt != prompt.lstrip() or not prompt.isascii():
                raise StoppedError("set /p with such a prompt")
            else:
                self._print(literal(prompt.strip('"').encode(), self.machine.line))
            return
        if text.startswith('"'):
            text = text[1 : text.rindex('"')] if text.count('"') > 1 else text[1:]
        else:
            text = rest.lstrip(" \t")
        name, equals, value = text.partition("=")
        if equals:
            self.put(name, value)
            self.level = self.level if self.level is None else 0

    def _do_setlocal(self, rest: str) -> None:
        self.saved.append((dict(self.variables), self.delayed))
        if "enabledelayedexpansion" in rest.casefold():
            self.delayed = True

    def _do_endlocal(self, _rest: str) -> None:
        if self.saved:
            self.variables, self.delayed = self.saved.pop()

    def _do_goto(self, rest: str) -> None:
        label = rest.strip().removeprefix(":").split()[0] if rest.strip(": \t") else ""
        if UNKNOWN in label or not label:
            raise StoppedError("which label goto means is not known")
        raise Jump("" if label.casefold() == "eof" else label)

    def _do_exit(self, rest: str) -> None:
        words = rest.split()
        whole = not words or words[0].casefold() != "/b"
        code = words[-1] if words else ""
        self.level = int(code) if code.isdigit() and len(code) < 6 else self.level
        raise Jump("", all_=whole)

    def _do_call(self, rest: str) -> None:
        text = self.percent(rest.strip())
        if not text.startswith(":"):
            name, inner = _named(text)
            if name.casefold().endswith((".bat", ".cmd")) or self._is_script(name):
                raise StoppedError(f"call {shown(name)}: another script is not followed")
            self._simple(f"{name}{inner}")
            return
        words = words_of(text[1:])
        if not words or self.depth > DEEPEST:
            raise StoppedError("call inside call without end" if words else "call without a label")
        kept = self.arguments, self.loop, len(self.saved)
        self.arguments, self.loop = words[1:], {}
        try:
            if words[0].casefold() != "eof":
                self.script(self._label(words[0]))
        except Jump as jump:
            if jump.all:
                raise
        finally:
            self.arguments, self.loop, saved = kept
            while len(self.saved) > saved:
                self._do_endlocal("")

    def _is_script(self, name: str) -> bool:
        try:
            return any(self.machine.exists(self.machine.path(name + ending)) for ending in (".bat", ".cmd"))
        except NotFollowedError:
            return False

    def _do_shift(self, rest: str) -> None:
        if rest.strip():
            raise StoppedError("shift with a number")
        self.arguments = self.arguments[1:]

    def _do_cd(self, rest: str) -> None:
        name = unquoted(re.sub(r"^\s*/d\b", "", rest, flags=re.IGNORECASE).strip())
        if not name:
            return
        try:
            path = self.machine.path(name)
            if not self.machine.is_folder(path):
                raise NotFollowedError(f"there is no folder {quote(name)}")
        except NotFollowedError as error:
            raise StoppedError(f"cd: {error}") from None
        self.machine.current = path

    _do_chdir = _do_cd

    def _do_pushd(self, rest: str) -> None:
        self.stack.append(self.machine.current)
        self._do_cd(rest)

    def _do_popd(self, _rest: str) -> None:
        if self.stack:
            self.machine.current = self.stack.pop()


def _nothing() -> None:
    return None


OWN_NAME = re.compile(
    r"(echo|cd|chdir|md|mkdir|rd|copy|move|del|erase|ren|rename|type|call|goto|set|pushd|exit|xcopy)"
    r"(?=[\s./\\:(;,=+\[\]\"]|$)",
    re.IGNORECASE,
)
"""cmd's own commands, behind which no blank need stand."""


def _named(text: str) -> tuple[str, str]:
    """Return the name of a command and what stands behind it."""
    if text.startswith('"'):
        end = text.find('"', 1)
        return (text[1:end], text[end + 1 :]) if end > 0 else (text[1:], "")
    found = OWN_NAME.match(text)
    if found:
        return found[1], text[found.end() :]
    found = re.match(r"[^\s,;=/\"]+", text)
    return (found[0], text[found.end() :]) if found else (text, "")


def _open(text: str) -> int:
    """Return how many parentheses of commands are open at the end of what was read so far."""
    depth, quoted, at = 0, False, 0
    line = text.rpartition("\n")[2]
    if re.match(r"\s*(rem\b|::?)", line, re.IGNORECASE):
        text = text[: len(text) - len(line)]
    starts = True
    word = ""
    while at < len(text):
        sign = text[at]
        if sign == "^" and not quoted:
            at += 2
            starts = False
            continue
        if sign == '"':
            quoted, starts = not quoted, False
        elif sign == "\n":
            quoted, starts, word = False, True, ""
        elif not quoted and sign == "(":
            if starts or depth or word in ("do", "else", "in") or _IF_OPEN.search(text[:at]):
                depth += 1
                starts = True
                at += 1
                word = ""
                continue
            starts = False
        elif not quoted and sign == ")":
            depth = max(depth - 1, 0)
            starts = False
        elif not quoted and sign in "&|":
            starts = True
        elif sign not in " \t@":
            starts = False
        word = (
            (word + sign).casefold()
            if sign.isalpha()
            else word
            if sign in " \t" and word in ("do", "else", "in")
            else ""
        )
        at += 1
    return depth


_IF_OPEN = re.compile(r"(?:^|[\n(&@\s])if\s[^\n]*$", re.IGNORECASE)


def follow(machine: Machine, text: str, name: str, arguments: Sequence[str]) -> None:
    """Follow a batch script to its end."""
    cmd = Cmd(machine=machine, lines=text.split("\n"), name=name, arguments=list(arguments))
    try:
        cmd.script()
    except Jump:
        return
