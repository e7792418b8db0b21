"""Signs of a bad or unusual dump, by its bytes and by the part that is printed on its chip.

The signs are trade knowledge, from memory: a reader of chips leaves them behind whatever the machine was.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from operator import attrgetter

from pipeline.model.manifest import Title
from pipeline.model.units import show_size
from pipeline.roms.chips.parts import ChipPart, part_named
from pipeline.roms.operations.operation import HintedError
from pipeline.roms.operations.table import CHANGES
from pipeline.roms.operations.text_dumps import FORMS, MARK, form_of
from pipeline.roms.report import ProblemReport
from pipeline.roms.tree import Node, evaluate

SHORTEST_RUN = 16
"""Bytes of 0xFF at the end that are worth a word."""
LONGEST_HEADER = 1024
"""Bytes by which a file may be longer than its part and still look like a dump with a header."""


def diagnose(data: bytes, part: str = "") -> tuple[str, ...]:
    """Return plain sentences on what a dump looks like, none where nothing stands out.

    Text of records, and what is wrong with it; all one value; the same bytes again and again; one nibble that never
    changes; 0xFF at the end; and, where ``part`` names a known one, another size than it has.
    """
    if form := form_of(data):
        return tuple(_of_text(data, form))
    known = part_named(part)
    size_signs = [f"has {_unlike(known, len(data))[0]}"] if known and len(data) != known.size else []
    if len(set(data)) < 2:
        return (*size_signs, *_uniform(data, known))
    return (*size_signs, *_repeats(data), *_nibbles(data, known), *_ending(data))


def _of_text(data: bytes, form: str) -> Iterator[str]:
    """Yield that a dump is text, and what is wrong with it."""
    if data.startswith(MARK):
        yield "begins with a byte order mark, which a text dump does not have"
    try:
        for _ in FORMS[form](data.removeprefix(MARK)):
            pass
    except HintedError as error:
        yield f"is {form} text that cannot be decoded: {error}"
    else:
        yield f"is {form} text"


def _uniform(data: bytes, part: ChipPart | None) -> Iterator[str]:
    if not data:
        yield "is empty"
        return
    meanings = {0xFF: "the chip is erased or missing", 0x00: "the chip never answered"}
    if part and part.kind == "PROM":
        meanings = dict.fromkeys((0x00, 0xFF), f"the {part.number} was never programmed, or did not answer")
    why = meanings.get(data[0], "no chip holds that on purpose")
    yield f"every byte is 0x{data[0]:02X}: {why}"


def _repeats(data: bytes) -> Iterator[str]:
    size = len(data)
    while size % 2 == 0 and data[: size // 2] == data[size // 2 : size]:
        size //= 2
    times = len(data) // size
    if times > 1:
        what = "both halves are equal" if times == 2 else f"the same {show_size(size)} stand there {times} times"
        yield f"{what}: an address line was stuck, or a smaller part was read as a larger one"


def _nibbles(data: bytes, part: ChipPart | None) -> Iterator[str]:
    fixed = [name for name, shift in (("low", 0), ("high", 4)) if len({byte >> shift & 15 for byte in set(data)}) == 1]
    if part and part.bits == 4:
        if not fixed and len(data) == part.size:
            yield f"both nibbles vary, though the {part.number} has only 4 data lines"
    elif fixed:
        shift, varies = (4, "low") if fixed == ["high"] else (0, "high")
        yield (
            f"only the {varies} nibble varies, the {fixed[0]} one is always 0x{data[0] >> shift & 15:X}: "
            "a part of 4 data lines, or 4 lines that were not connected"
        )


def _ending(data: bytes) -> Iterator[str]:
    run = len(data) - len(data.rstrip(b"\xff"))
    if run >= SHORTEST_RUN:
        yield f"the last {show_size(run)} are all 0xFF: room that was never programmed"


def check_parts(title: Title, trees: Sequence[Node | None], sizes: Mapping[str, int], report: ProblemReport) -> None:
    """Report chips that are declared with another size than the part printed on them holds.

    Dumps come in other shapes than the chip has: with a header, two nibbles packed in a byte, read as a larger part.
    Where the first change in every step that uses such a dump brings it to the part's size, all is well.
    """
    if not any(chip.part for chip in title.chips.values()):
        return
    used: dict[str, list[int | None]] = {}
    for name, node in (use for tree in trees if tree for use in _uses(tree)):
        used.setdefault(name, []).append(evaluate(node, sizes, attrgetter("size"), ProblemReport()))
    for name, chip in title.chips.items():
        part, size = part_named(chip.part), sizes.get(name)
        if part and size is not None and size != part.size and set(used.get(name, ())) != {part.size}:
            what, hint = _unlike(part, size)
            report.add(f"chips.{name}.size", f"is {what}", hint, also=(f"chips.{name}.part",))


def _uses(node: Node) -> Iterator[tuple[str, Node]]:
    """Yield each chip's name with what a step makes of it first: its first change, or the dump as it is."""
    first = node.parts[0] if node.operation.name in CHANGES else node
    if first.operation.name == "chip":
        yield first.contents["chip"], node
        return
    for part in node.parts:
        yield from _uses(part)


def _unlike(part: ChipPart, size: int) -> tuple[str, str]:
    """Return how a size differs from that of a part, and the step that may bring the dump to it."""
    holds = f"the {part.number} holds ({show_size(part.size)})"
    half = f"then = [{{ take = {{ from = 0, size = {part.size} }} }}]"
    if size == 2 * part.size:
        return (
            f"{show_size(size)}, twice what {holds}",
            f"are both halves equal? Then an address line was stuck, or it was read as a larger part: {half}",
        )
    if size % part.size == 0:
        kilobits = "the number of a part counts kilobits, 8 to a KiB" if size == 8 * part.size else ""
        return (
            f"{show_size(size)}, {size // part.size:,} times what {holds}",
            kilobits or f"do its parts repeat? {half}",
        )
    if 2 * size == part.size:
        hints = {4: 'are two nibbles packed in each byte? then = [{ unpack = "low-first" }] or "high-first"',
                 16: "is it one byte of each 16-bit word? Then the other bytes are a dump of their own"}  # fmt: skip
        return f"{show_size(size)}, half of what {holds}", hints.get(part.bits, "read it again as the part it is")
    more = size - part.size
    if 0 < more <= LONGEST_HEADER:
        strip = f"then = [{{ strip = {{ size = {more}, leaves = {part.size} }} }}]"
        return f"{show_size(size)}, {show_size(more)} more than {holds}", f"does a header stand in front? {strip}"
    return f"{show_size(size)}, unlike what {holds}", "correct the size or the part"
