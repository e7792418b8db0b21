"""What the public ROM tools ``objcopy`` and ``srec_cat`` do with binary files.

Sources: the manual of GNU binutils, "objcopy"; the manual pages of SRecord: srec_cat(1), srec_input(1),
srec_examples(1).
"""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import dataclass, replace

from pipeline.model.manifest import Change, Value
from pipeline.model.text import quote
from pipeline.roms.operations.bits import REVERSED, table
from pipeline.translate.machine import Machine
from pipeline.translate.rope import (
    NotFollowedError,
    Rope,
    cut,
    data_of,
    fill,
    join,
    known_size,
    literal,
    made,
    mapped,
)
from pipeline.translate.tools.blocks import swapped
from pipeline.translate.tools.call import Answer, Call, encoded, number


def lane(rope: Rope, number_: int, of: int, unit: int, line: int) -> Rope:
    """Return one lane of interleaved bytes; the size is a whole number of turns."""
    data = data_of(rope)
    if len(data) % (of * unit):
        raise NotFollowedError(f"{len(data):,} bytes do not divide into {of} lanes of {unit}-byte units")
    picked = b"".join(data[at : at + unit] for at in range(number_ * unit, len(data), of * unit))
    arguments: dict[str, Value] = {"number": number_, "of": of, **({"unit": unit} if unit > 1 else {})}
    return made(picked, (rope,), line, then=(Change(operation="lane", arguments=arguments),))


def interleaved(lanes: list[Rope], unit: int, line: int) -> Rope:
    """Return lanes of one size whose units take turns."""
    parts = [data_of(rope) for rope in lanes]
    data = bytearray(sum(map(len, parts)))
    for at, part in enumerate(parts):
        for byte in range(unit):
            data[at * unit + byte :: len(parts) * unit] = part[byte::unit]
    return made(bytes(data), lanes, line, "interleave", {"unit": unit} if unit > 1 else {})


def objcopy(call: Call) -> Answer:
    """Copy a binary file, with a lane taken out, bytes exchanged, or padding."""
    options, files = call.options(
        "", "IOBibrgpw",
        "input-target:I output-target:O binary-architecture:B interleave:i byte:b interleave-width:w reverse-bytes:r"
        " gap-fill:g pad-to:p",
    )  # fmt: skip
    if options.get("I") != "binary" or options.get("O", "binary") != "binary" or not 1 <= len(files) <= 2:
        raise NotFollowedError("objcopy other than from binary to binary")
    rope, line = call.read(files[0]), call.machine.line
    if "r" in options:
        unit = number(options["r"])
        if unit not in (2, 4, 8) or known_size(rope) % unit:
            raise NotFollowedError("objcopy --reverse-bytes that does not divide the file")
        rope = swapped(rope, unit, line)
    if "b" in options:
        turn, at, width = number(options.get("i", "4")), number(options["b"]), number(options.get("w", "1"))
        if not width or turn % width or at % width or at >= turn:
            raise NotFollowedError("objcopy with such lanes")
        rope = lane(rope, at // width, turn // width, width, line)
    if "p" in options:
        if {"b", "r"} & set(options):
            raise NotFollowedError("objcopy --pad-to together with lanes or exchanged bytes")
        rope = join(
            rope, fill(number(options.get("g", "0")) & 255, max(number(options["p"]) - known_size(rope), 0), line)
        )
    return 0, call.write(files[-1], rope)


@dataclass(frozen=True, slots=True)
class Chunk:
    """Bytes at an address; or a lane whose units of ``unit`` bytes go to number ``place`` of every ``of``."""

    at: int
    rope: Rope
    of: int = 1
    place: int = 0
    unit: int = 1


OPTIONS = (
    "BINary", "OFFset", "CRop", "Fill", "Exclude", "Unsplit", "SPlit", "Byte_Swap", "Bit_Reverse", "NOT", "XOR", "AND",
    "OR", "Output", "GENerate", "CONSTant", "REPeat_Data", "REPeat_String", "MULTiple",
)  # fmt: skip
"""The options that are followed; the letters in upper case are the least that names one."""


def option_named(word: str) -> str:
    """Return the option that a word names, "" where it is none of those that are followed."""
    letters = word[1:].casefold().replace("-", "_").replace("_", "")
    if not word.startswith("-") or not letters or letters[0].isdigit():
        return ""
    for name in OPTIONS:
        parts = [re.fullmatch("([A-Z]+)([a-z]*)", part) for part in name.split("_")]
        pattern = "".join(
            f"{part[1].casefold()}" + "".join(f"(?:{letter}" for letter in part[2]) + ")?" * len(part[2])
            for part in parts
            if part
        )
        if re.fullmatch(pattern, letters):
            return name.casefold().replace("_", "-")
    return ""


NUMBER = re.compile("-?(0[xX][0-9a-fA-F]+|[0-9]+)")


class _Words:
    """The words of srec_cat, taken from the left."""

    def __init__(self, call: Call) -> None:
        self.call, self.words, self.multiple = call, list(call.words), False
        self.line = call.machine.line

    def follows(self, *names: str) -> bool:
        return bool(self.words) and (option_named(self.words[0]) in names or self.words[0] in names)

    def take(self) -> str:
        if not self.words:
            raise NotFollowedError("srec_cat with a word missing")
        return self.words.pop(0)

    def number(self) -> int:
        word = self.take()
        if not NUMBER.fullmatch(word):
            raise NotFollowedError(f"srec_cat with {quote(word)} for a number")
        digits = word.lstrip("-")
        base = 16 if digits[:2] in ("0x", "0X") else 8 if digits.startswith("0") and len(digits) > 1 else 10
        try:
            return int(digits, base) * (-1 if word.startswith("-") else 1)
        except ValueError:
            raise NotFollowedError(f"srec_cat with {quote(word)} for a number") from None

    def numbers(self, most: int) -> list[int]:
        found = list[int]()
        while len(found) < most and self.words and NUMBER.fullmatch(self.words[0]):
            found.append(self.number())
        return found


def srec_cat(call: Call) -> Answer:
    """Binary files put at addresses, cropped, filled, split and put together."""
    words, image = _Words(call), list[Chunk]()
    output = ""
    while words.words:
        if words.follows("multiple"):
            words.take()
            words.multiple = True
        elif words.follows("output"):
            words.take()
            output = words.take()
            if not words.follows("binary"):
                raise NotFollowedError("srec_cat with an output that is not binary")
            words.take()
        else:
            image = _together([*image, *_input(words)], words)
    if not output or output == "-":
        raise NotFollowedError("srec_cat without an output file")
    rope: Rope = ()
    for chunk in image:
        if chunk.of > 1:
            raise NotFollowedError("srec_cat -unsplit without all lanes")
        rope = join(rope, fill(0, chunk.at - known_size(rope), words.line), chunk.rope)
    return 0, call.write(output, rope)


def _input(words: _Words) -> list[Chunk]:
    if words.follows("("):
        words.take()
        image = list[Chunk]()
        while not words.follows(")"):
            image = _together([*image, *_input(words)], words)
        words.take()
    elif words.follows("generate"):
        words.take()
        image = [_generated(words)]
    else:
        name = words.take()
        if name.startswith("-") or not words.follows("binary"):
            raise NotFollowedError(f"srec_cat with {quote(name)}; only binary files are followed")
        words.take()
        image = [Chunk(0, words.call.read(name))]
    while (name := option_named(words.words[0]) if words.words else "") in FILTERS:
        words.take()
        image = FILTERS[name](image, words)
    return image


def _generated(words: _Words) -> Chunk:
    start, end = words.number(), words.number()
    if not 0 <= start < end <= 1 << 26:
        raise NotFollowedError("srec_cat -generate with such a range")
    if words.follows("constant"):
        words.take()
        return Chunk(start, fill(words.number() & 255, end - start, words.line))
    if words.follows("repeat-data"):
        words.take()
        data = bytes(value & 255 for value in words.numbers(1 << 16))
    elif words.follows("repeat-string"):
        words.take()
        data = encoded(words.take())
    else:
        raise NotFollowedError("srec_cat -generate of this kind")
    if not data:
        raise NotFollowedError("srec_cat -generate of nothing")
    phase = start % len(data) * 0
    return Chunk(start, literal((data * ((end - start) // len(data) + 2))[phase : phase + end - start], words.line))


def _together(image: list[Chunk], words: _Words) -> list[Chunk]:
    """Return chunks in the order of their addresses; complete sets of lanes become one chunk."""
    lanes = [chunk for chunk in image if chunk.of > 1]
    whole = [chunk for chunk in image if chunk.of == 1]
    for chunk in lanes:
        group = [other for other in lanes if (other.at, other.of, other.unit) == (chunk.at, chunk.of, chunk.unit)]
        places = {other.place: other.rope for other in group}
        if len(group) == len(places) == chunk.of and len({known_size(rope) for rope in places.values()}) == 1:
            rope = interleaved([places[at] for at in range(chunk.of)], chunk.unit, words.line)
            rest = [other for other in lanes if other not in group]
            return _together([*whole, Chunk(chunk.at * chunk.of, rope), *rest], words)
    result = list[Chunk]()
    for chunk in whole:
        end = chunk.at + known_size(chunk.rope)
        over = [old for old in result if old.at < end and chunk.at < old.at + known_size(old.rope)]
        if over and not words.multiple:
            raise NotFollowedError("srec_cat with two bytes at one address")
        result = [*(part for old in result for part in _except(old, chunk.at, end)), chunk]
    return [*sorted(result, key=lambda chunk: chunk.at), *lanes]


def _except(chunk: Chunk, start: int, end: int) -> list[Chunk]:
    before = Chunk(chunk.at, cut(chunk.rope, 0, max(start - chunk.at, 0)))
    at = max(end, chunk.at)
    after = Chunk(at, cut(chunk.rope, at - chunk.at))
    return [part for part in (before, after) if part.rope]


def _plain(image: list[Chunk]) -> list[Chunk]:
    if any(chunk.of > 1 for chunk in image):
        raise NotFollowedError("srec_cat with a filter after -unsplit")
    return image


def _offset(image: list[Chunk], words: _Words) -> list[Chunk]:
    by = words.number()
    moved = [replace(chunk, at=chunk.at + by) for chunk in _plain(image)]
    if any(chunk.at < 0 for chunk in moved):
        raise NotFollowedError("srec_cat with an address below 0")
    return moved


def _range(words: _Words) -> tuple[int, int]:
    found = words.numbers(3)
    if len(found) != 2 or not 0 <= found[0] < found[1] <= 1 << 26:
        raise NotFollowedError("srec_cat with other than one range of two numbers")
    return found[0], found[1]


def _crop(image: list[Chunk], words: _Words) -> list[Chunk]:
    start, end = _range(words)
    kept = [
        Chunk(max(chunk.at, start), cut(chunk.rope, max(start - chunk.at, 0), max(end - chunk.at, 0)))
        for chunk in _plain(image)
    ]
    return [chunk for chunk in kept if chunk.rope]


def _exclude(image: list[Chunk], words: _Words) -> list[Chunk]:
    start, end = _range(words)
    return [part for chunk in _plain(image) for part in _except(chunk, start, end)]


def _filled(image: list[Chunk], words: _Words) -> list[Chunk]:
    value = words.number() & 255
    start, end = _range(words)
    holes = [Chunk(start, fill(value, end - start, words.line))]
    for chunk in _plain(image):
        size = known_size(chunk.rope)
        holes = [part for hole in holes for part in _except(hole, chunk.at, chunk.at + size)]
    return sorted([*image, *holes], key=lambda chunk: chunk.at)


def _unsplit(image: list[Chunk], words: _Words) -> list[Chunk]:
    of, place, unit = [*(given := words.numbers(3)), *(2, 0, 1)[len(given) :]]
    if unit < 1 or of < 1 or of % unit or place % unit or place + unit > of:
        raise NotFollowedError("srec_cat -unsplit with such lanes")
    if any(chunk.at % unit or known_size(chunk.rope) % unit for chunk in _plain(image)):
        raise NotFollowedError("srec_cat -unsplit that does not divide the file")
    return [Chunk(chunk.at, chunk.rope, of // unit, place // unit, unit) for chunk in image]


def _split(image: list[Chunk], words: _Words) -> list[Chunk]:
    of, place, unit = [*(given := words.numbers(3)), *(2, 0, 1)[len(given) :]]
    if unit < 1 or of < 1 or of % unit or place % unit or place + unit > of:
        raise NotFollowedError("srec_cat -split with such lanes")
    if any(chunk.at % of for chunk in _plain(image)):
        raise NotFollowedError("srec_cat -split of a file at an address that the lanes do not divide")
    return [
        Chunk(chunk.at // of * unit, lane(chunk.rope, place // unit, of // unit, unit, words.line)) for chunk in image
    ]


def _byte_swap(image: list[Chunk], words: _Words) -> list[Chunk]:
    unit = [*words.numbers(1), 2][0]
    if unit not in (2, 4, 8) or any(chunk.at % unit or known_size(chunk.rope) % unit for chunk in _plain(image)):
        raise NotFollowedError("srec_cat -byte-swap that does not divide the file")
    return [replace(chunk, rope=swapped(chunk.rope, unit, words.line)) for chunk in image]


def _bit_reverse(image: list[Chunk], words: _Words) -> list[Chunk]:
    if words.numbers(1) not in ([], [1]):
        raise NotFollowedError("srec_cat -bit-reverse over more than a byte")
    return [replace(chunk, rope=mapped(chunk.rope, REVERSED)) for chunk in image]


def _bytewise(
    change: Callable[[int, int], int], *, numbered: bool = True
) -> Callable[[list[Chunk], _Words], list[Chunk]]:
    def filtered(image: list[Chunk], words: _Words) -> list[Chunk]:
        value = words.number() if numbered else 0
        changed = table(lambda byte: change(byte, value))
        return [replace(chunk, rope=mapped(chunk.rope, changed)) for chunk in image]

    return filtered


FILTERS: dict[str, Callable[[list[Chunk], _Words], list[Chunk]]] = {
    "offset": _offset, "crop": _crop, "exclude": _exclude, "fill": _filled, "unsplit": _unsplit, "split": _split,
    "byte-swap": _byte_swap, "bit-reverse": _bit_reverse,
    "not": _bytewise(lambda byte, _: ~byte, numbered=False),
    "xor": _bytewise(lambda byte, value: byte ^ value),
    "and": _bytewise(lambda byte, value: byte & value),
    "or": _bytewise(lambda byte, value: byte | value),
}  # fmt: skip


ROM_TOOLS: dict[str, Callable[[Call], Answer]] = {"objcopy": objcopy, "srec_cat": srec_cat}


def is_rom_tool(machine: Machine, name: str) -> bool:
    """Whether a command is one of the ROM tools."""
    return (name.casefold().removesuffix(".exe") if machine.any_case else name) in ROM_TOOLS


def written_by(machine: Machine, name: str, words: list[str]) -> list[str]:
    """Return the files that a command writes, whose bytes stay open where it cannot be followed."""
    operands = [word for word in words if not word.startswith("-")]
    found: list[str] = []
    if name == "dd":
        found = [word[3:] for word in words if word.startswith("of=")]
    elif name in ("cp", "mv", "objcopy"):
        found = operands[-1:]
    elif name in ("truncate", "tee", "touch"):
        found = operands
    elif name == "xxd":
        found = operands[1:]
    elif name == "srec_cat":
        found = [words[at + 1] for at, word in enumerate(words[:-1]) if option_named(word) == "output"]
    paths = list[str]()
    for word in found:
        try:
            path = machine.path(word)
        except NotFollowedError:
            continue
        if machine.is_folder(path):
            paths += [f"{path}/{source.rpartition('/')[2]}".lstrip("/") for source in operands[:-1]]
        else:
            paths.append(path)
    return paths
