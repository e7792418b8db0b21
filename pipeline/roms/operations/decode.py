"""Change of a text dump into the bytes it stands for."""

from __future__ import annotations

from pipeline.model.ranges import Ranges
from pipeline.roms.operations.arguments import ADDRESS, BYTE, SIZE, choice, show_address, show_range
from pipeline.roms.operations.operation import HintedError, Operation
from pipeline.roms.operations.text_dumps import ADDRESSES, FORMS, DataRun
from pipeline.roms.provenance import sources_of, through, whole


def decode(data: bytes, *, text: str, from_: int, size: int, fill: int | None, elsewhere: str | None) -> bytes:
    """Return o[i] = the byte that the records of a text dump give to the address from + i.

    Addresses that no record gives hold ``fill``; without it they are refused, since public tools put 00 or FF there.
    Records outside are refused too, or left out where ``elsewhere`` is "drop". An address given twice is refused, and
    so is a text of which nothing lies inside. The forms and their sources: ``text_dumps.FORMS``.
    """
    made, placed = bytearray([fill or 0]) * size, bytearray(size)
    for run in FORMS[text](data):
        start, end = max(run.start - from_, 0), min(run.start + len(run.data) - from_, size)
        if max(end - start, 0) < len(run.data) and elsewhere is None:
            _refuse_outside(run, from_, size)
        if start >= end:
            continue
        if 1 in placed[start:end]:
            address = from_ + start + placed[start:end].index(1)
            raise HintedError(f"line {run.line}: gives {show_address(address)} again; expected each address once")
        made[start:end] = run.data[from_ + start - run.start : from_ + end - run.start]
        placed[start:end] = b"\1" * (end - start)
    _check_holes(placed, from_, fill)
    return bytes(made)


def _refuse_outside(run: DataRun, from_: int, size: int) -> None:
    found = show_range(run.start, run.start + len(run.data))
    hint = 'correct from and size, or leave out what lies elsewhere: elsewhere = "drop"'
    raise HintedError(f"line {run.line}: gives {found}; expected {show_range(from_, from_ + size)}", hint)


def _check_holes(placed: bytearray, from_: int, fill: int | None) -> None:
    if 1 not in placed:
        raise HintedError(f"no record gives any of {show_range(from_, from_ + len(placed))}", "correct from and size")
    hole = placed.find(0)
    if fill is None and hole >= 0:
        end = placed.find(1, hole)
        first = show_range(from_ + hole, from_ + (len(placed) if end < 0 else end))
        what = f"no record gives {placed.count(0):,} of {len(placed):,} bytes, the first of them {first}"
        raise HintedError(what, "give the byte that stands there: fill = 0xFF")


def _decode_size(_: int, /, *, text: str, from_: int, size: int, fill: int | None, elsewhere: str | None) -> int:
    if from_ + size > ADDRESSES:
        raise ValueError(f"reaches to {show_address(from_ + size - 1)}; addresses of text dumps end with 0xFFFFFFFF")
    return size


def _decode_trace(words: str, part: Ranges, /, *, size: int, **_others: object) -> Ranges:
    return whole(size, *sources_of(through(part, words)))


def _describe_decode(*, text: str, from_: str, size: str, fill: str, elsewhere: str) -> str:
    more = [f"holes {fill}"] * bool(fill) + ["the rest left out"] * bool(elsewhere)
    return f"decode {text}, {size} from {from_}" + (f" ({', '.join(more)})" if more else "")


DECODING = (
    Operation(
        name="decode",
        arguments={
            "text": choice(*FORMS).described("Which of the two forms the text is in; it is not guessed.", "intel-hex"),
            "from": ADDRESS.described("The address whose byte comes first.", 57344),
            "size": SIZE.described("How many bytes come out.", "8 KiB"),
            "fill": BYTE.otherwise(None).described(
                "The byte for every address that no record gives; without it there may be none.", 255
            ),
            "elsewhere": choice("drop")
            .otherwise(None)
            .described("Leaves out records outside these addresses; without it there may be none.", "drop"),
        },
        title="a text dump to decode",
        description="Turns the text of an Intel HEX or Motorola S-record file into the bytes it stands for.",
        example={"text": "intel-hex", "from": 57344, "size": "8 KiB", "fill": 255},
        size=_decode_size,
        apply=decode,
        trace=_decode_trace,
        describe=_describe_decode,
    ),
)
"""The one change of a text dump."""
