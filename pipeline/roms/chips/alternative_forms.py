"""The other forms in which a chip's dump is often found, and the change that brings each to the wanted one.

What readers of chips and those who pass dumps on leave behind is trade knowledge, from memory.
"""

from __future__ import annotations

from collections.abc import Iterator

from pipeline.model.derived import AlternativeForms, Form
from pipeline.roms.operations.bit_values import invert, pack, unpack
from pipeline.roms.operations.bits import REVERSED
from pipeline.roms.operations.decode import decode
from pipeline.roms.operations.text_dumps import FORMS, MARK, DataRun, form_of, with_sum_corrected
from pipeline.roms.operations.wiring import swap_bytes

HEADERS = (16, 32, 64, 128, 256, 512, 1024)
"""Bytes of the headers that are tried (common practice: small powers of two)."""
LONGEST_TEXT = 5
"""Characters of a text dump for each byte of the chip, at most: 4 with 8 bytes a line, and line ends."""


def fits(size: int, wanted: int) -> bool:
    """Whether a file of one size may have a form of another, as far as sizes tell."""
    return (
        size == wanted
        or size == 2 * wanted
        or 2 * size == wanted
        or size - wanted in HEADERS
        or wanted < size <= LONGEST_TEXT * wanted
    )


def forms(data: bytes, wanted: int) -> Iterator[Form]:
    """Yield the forms of a file that have ``wanted`` bytes, the plainest first."""
    size = len(data)
    if size == wanted:
        yield from _same_size(data)
    if size == 2 * wanted:
        yield from _half(data, wanted)
    if 2 * size == wanted:
        for order in ("low-first", "high-first"):
            how = f"with two nibbles packed in each byte, {order}"
            yield Form(how=how, change=f'unpack = "{order}"', data=unpack(data, order=order))
    header = size - wanted
    if header in HEADERS:
        change = f"strip = {{ size = {header}, leaves = {wanted} }}"
        yield Form(how=f"behind a header of {header} bytes", change=change, data=data[header:])
    if form := form_of(data):
        yield from _of_text(data, form, wanted)


def _same_size(data: bytes) -> Iterator[Form]:
    for bits, how in ((16, "byte-swapped"), (32, "byte-swapped in 32-bit units")):
        if len(data) % (bits // 8) == 0:
            yield Form(how=how, change=f"swap-bytes = {bits}", data=swap_bytes(data, bits=bits))
    yield Form(how="with every bit inverted", change="invert = true", data=invert(data))
    how = "with the bits of each byte in reverse order"
    yield Form(how=how, change="reverse-bits = 8", data=data.translate(REVERSED))


def _half(data: bytes, wanted: int) -> Iterator[Form]:
    first, second = data[:wanted], data[wanted:]
    how = "twice in a row" if first == second else "with as much again behind it"
    yield Form(how=how, change=f"take = {{ from = 0, size = {wanted} }}", data=first)
    how = "with as much again in front of it"
    yield Form(how=how, change=f"take = {{ from = {wanted}, size = {wanted} }}", data=second)
    for order in ("low-first", "high-first"):
        how = f"with one nibble in each byte, {order}"
        yield Form(how=how, change=f'pack = "{order}"', data=pack(data, order=order))


def _of_text(data: bytes, text: str, wanted: int) -> Iterator[Form]:
    """Yield what a text dump gives, after its byte order mark, and with one wrong sum that needs correction first."""
    plain = data.removeprefix(MARK)
    corrected = with_sum_corrected(plain, text)
    for form in _decoded(corrected[0] if corrected else plain, text, wanted):
        if corrected:
            yield Form(how=f"{form.how} with a wrong sum ({corrected[1]})", change="", data=form.data)
        elif plain != data:
            change = f'strip = {{ header = "{MARK.hex(" ").upper()}" }} }}, {{ {form.change}'
            yield Form(how=f"{form.how} behind a byte order mark", change=change, data=form.data)
        else:
            yield form


def _decoded(data: bytes, text: str, wanted: int) -> Iterator[Form]:
    """Yield what a text dump gives from its lowest address, or from the multiple of the size below that."""
    runs = _runs(data, text)
    lowest = min((run.start for run in runs), default=0)
    if max((run.start + len(run.data) for run in runs), default=0) - lowest > wanted:
        return
    for start in dict.fromkeys((lowest, lowest // wanted * wanted)):
        for fill in (None, 0xFF, 0x00):
            try:
                made = decode(data, text=text, from_=start, size=wanted, fill=fill, elsewhere=None)
            except ValueError:
                continue
            filled = "" if fill is None else f", fill = 0x{fill:02X}"
            change = f'decode = {{ text = "{text}", from = 0x{start:X}, size = {wanted}{filled} }}'
            yield Form(how=f"as {text} text", change=change, data=made)
            if fill is None:
                break


def _runs(data: bytes, text: str) -> list[DataRun]:
    try:
        return list(FORMS[text](data))
    except ValueError:
        return []


ALTERNATIVE_FORMS = AlternativeForms(fits=fits, forms=forms)
"""The forms of chips' dumps."""
