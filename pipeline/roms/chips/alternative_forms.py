"""The other forms in which a chip's dump is often found, and the change that brings each to the wanted one.

What readers of chips and those who pass dumps on leave behind is trade knowledge, from memory.
"""

from __future__ import annotations

from collections.abc import Iterator
from itertools import combinations, islice

from pipeline.model.derived import AlternativeForms, Form
from pipeline.roms.operations.bit_values import invert, pack, unpack
from pipeline.roms.operations.bits import REVERSED
from pipeline.roms.operations.decode import decode
from pipeline.roms.operations.pieces import interleave, join
from pipeline.roms.operations.shape import lane
from pipeline.roms.operations.text_dumps import FORMS, MARK, DataRun, form_of, with_sum_corrected
from pipeline.roms.operations.wiring import data_lines, reverse_bytes, swap_bytes, swap_words

HEADERS = (16, 32, 64, 128, 256, 512, 1024)
"""Bytes of the headers that are tried (common practice: small powers of two)."""
LONGEST_TEXT = 5
"""Characters of a text dump for each byte of the chip, at most: 4 with 8 bytes a line, and line ends."""
NIBBLES_EXCHANGED = (4, 5, 6, 7, 0, 1, 2, 3)
"""The data lines of a byte whose nibbles are exchanged."""
TIMES = {2: "twice", 4: "four times", 8: "eight times"}
"""How often a chip may stand in a file, or how many chips may."""
MOST_TRIMMED = 32
"""How many times as large as a file without its padding the chip may be, which bounds the work for a file."""
MOST_TRIMMED_AND_CHANGED = 2
"""The same where a second change follows."""


def fits(size: int, wanted: int) -> bool:
    """Whether a file of one size may have a form of another, as far as sizes tell."""
    return (
        0 < size <= wanted <= MOST_TRIMMED * size
        or size in (count * wanted for count in TIMES)
        or size - wanted in HEADERS
        or wanted < size <= LONGEST_TEXT * wanted
    )


def forms(data: bytes, wanted: int) -> Iterator[Form]:
    """Yield the forms of a file that have ``wanted`` bytes: of one change, the plainest first, then of two changes.

    What is done is in proportion to the size of the file.
    """
    same_size = len(data) == wanted
    if same_size:
        yield from _same_size(data)
        yield from _exchanged_lines(data)
    else:
        yield from _resized(data, wanted)
    for number, form in enumerate(_same_size(data) if same_size else _resized(data, wanted), 1):
        if not form.change or wanted > MOST_TRIMMED_AND_CHANGED * len(data):
            continue
        later = number if same_size else 0  # these changes give the same in either order, so each two are tried once
        for second in islice(_same_size(form.data), later, None):
            how, change = f"{form.how} and {second.how}", f"{form.change} }}, {{ {second.change}"
            yield Form(how=how, change=change, data=second.data)


def pairs(first: bytes, second: bytes) -> Iterator[Form]:
    """Yield the forms of a chip of which two files of one size hold a half each."""
    for unit, name in ((1, "bytes"), (2, "16-bit words")):
        if len(first) % unit == 0:
            how = f"in two files, its even {name} and its odd ones"
            change = 'interleave = ["first", "second"]' + (f", unit = {unit}" if unit > 1 else "")
            yield Form(how=how, change=change, data=interleave(first, second, unit=unit))
    how = "in two files, its first half and its second"
    yield Form(how=how, change='join = ["first", "second"]', data=join(first, second))


def _resized(data: bytes, wanted: int) -> Iterator[Form]:
    """Yield the forms of a file of another size, in the order of what is likely."""
    size = len(data)
    for count in TIMES:
        if size == count * wanted:
            yield from _one_of_several(data, count)
        if count * size == wanted:
            how = f"only the part that stands in it {TIMES[count]}"
            yield Form(how=how, change=f"mirror = {wanted}", data=data * count)
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
    if size < wanted <= MOST_TRIMMED * size:
        for fill in (0xFF, 0x00):
            change = f"pad = {{ to = {wanted}, fill = 0x{fill:02X} }}"
            how = f"without its padding of {fill:02X}"
            yield Form(how=how, change=change, data=data.ljust(wanted, bytes([fill])))


def _same_size(data: bytes) -> Iterator[Form]:
    """Yield the forms of the same size, of which each two give the same in either order."""
    size = len(data)
    for bits, how in ((16, "byte-swapped"), (32, "byte-swapped in 32-bit units")):
        if size % (bits // 8) == 0:
            yield Form(how=how, change=f"swap-bytes = {bits}", data=swap_bytes(data, bits=bits))
    if size % 4 == 0:
        yield Form(how="with the 16-bit words of 32 bits exchanged", change="swap-words = true", data=swap_words(data))
    yield Form(how="with every bit inverted", change="invert = true", data=invert(data))
    how = "with the bits of each byte in reverse order"
    yield Form(how=how, change="reverse-bits = 8", data=data.translate(REVERSED))
    change = f"data-lines = {list(NIBBLES_EXCHANGED)}"
    exchanged = data_lines(data, lines=NIBBLES_EXCHANGED, byte_order=None)
    yield Form(how="with the nibbles of each byte exchanged", change=change, data=exchanged)
    if size % 2 == 0:
        half = size // 2
        change = f"blocks = {{ size = {half}, order = [1, 0] }}"
        yield Form(how="with its halves exchanged", change=change, data=data[half:] + data[:half])
    yield Form(how="with all bytes in reverse order", change="reverse-bytes = true", data=reverse_bytes(data))


def _exchanged_lines(data: bytes) -> Iterator[Form]:
    for first, second in combinations(range(8), 2):
        lines = list(range(8))
        lines[first], lines[second] = second, first
        exchanged = data_lines(data, lines=tuple(lines), byte_order=None)
        how = f"with data lines {first} and {second} exchanged"
        yield Form(how=how, change=f"data-lines = {lines}", data=exchanged)


def _one_of_several(data: bytes, count: int) -> Iterator[Form]:
    """Yield the chips that a file of ``count`` chips may hold: one after another, nibbles apart, or interleaved."""
    wanted = len(data) // count
    for number in range(count):
        part = data[number * wanted : (number + 1) * wanted]
        if data == part * count:
            how = f"{TIMES[count]} in a row"
        elif count == 2:
            how = f"with as much again {'in front of' if number else 'behind'} it"
        else:
            how = f"as part {number + 1} of {count} that follow one another"
        yield Form(how=how, change=f"take = {{ from = {number * wanted}, size = {wanted} }}", data=part)
    if count == 2:
        for order in ("low-first", "high-first"):
            change = f'pack = "{order}"'
            yield Form(how=f"with one nibble in each byte, {order}", change=change, data=pack(data, order=order))
    for unit in (1, 2):
        for number in range(count if wanted % unit == 0 else 0):
            how = f"interleaved with {'another chip' if count == 2 else f'{count - 1} other chips'}"
            how += " in 16-bit units" if unit == 2 else ""
            change = f"lane = {{ number = {number}, of = {count}{', unit = 2' if unit == 2 else ''} }}"
            yield Form(how=how, change=change, data=lane(data, number=number, of=count, unit=unit))


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


ALTERNATIVE_FORMS = AlternativeForms(fits=fits, forms=forms, pairs=pairs)
"""The forms of chips' dumps."""
