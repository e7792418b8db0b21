"""Every operation against numpy on arrays of any content: index arithmetic that shares nothing with ours.

Sources: numpy's reference (stack, view, byteswap, packbits, unpackbits, transpose, resize); the formulas are those of
the operations' own docstrings, common practice of ROM work.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.unit.roms.workshop import changed, made

Bytes = npt.NDArray[np.uint8]


def array(data: bytes) -> Bytes:
    return np.frombuffer(data, np.uint8)


def sized(unit: int, least: int = 1, most: int = 40) -> st.SearchStrategy[bytes]:
    """Draw bytes in a whole number of units."""
    return st.integers(least, most).flatmap(lambda count: st.binary(min_size=count * unit, max_size=count * unit))


def same(result: bytes, expected: npt.NDArray[Any]) -> None:
    assert result == expected.tobytes()


@given(st.sampled_from([2, 3, 4, 8]), st.sampled_from([1, 2, 4]), st.data())
def test_interleave_and_lane(lanes: int, unit: int, data: st.DataObject) -> None:
    whole = data.draw(sized(lanes * unit))
    size = len(whole) // lanes
    parts = {f"l{n}": whole[n * size : (n + 1) * size] for n in range(lanes)}
    columns = [array(part).reshape(-1, unit) for part in parts.values()]
    same(made({"interleave": list(parts), "unit": unit}, parts, len(whole)), np.stack(columns, axis=1))
    number = data.draw(st.integers(0, lanes - 1))
    change = {"lane": {"number": number, "of": lanes, "unit": unit}}
    same(changed(whole, change, size=size), array(whole).reshape(-1, lanes, unit)[:, number])


@given(sized(8))
def test_swaps(data: bytes) -> None:
    for bits in (16, 32, 64):
        same(changed(data, {"swap-bytes": bits}), array(data).view(f"u{bits // 8}").byteswap())
    same(changed(data, {"swap-words": True}), array(data).view("u2").reshape(-1, 2)[:, ::-1])


@given(sized(4))
def test_bits_reversed(data: bytes) -> None:
    for bits in (8, 16, 32):
        rows = array(data).reshape(-1, bits // 8)[:, ::-1]
        same(changed(data, {"reverse-bits": bits}), np.packbits(np.unpackbits(rows, axis=1), axis=1, bitorder="little"))


@given(sized(1), st.permutations(range(8)))
def test_data_lines(data: bytes, lines: list[int]) -> None:
    bits = np.unpackbits(array(data).reshape(-1, 1), axis=1, bitorder="little")
    same(changed(data, {"data-lines": list(lines)}), np.packbits(bits[:, lines], axis=1, bitorder="little"))


@given(sized(2), st.permutations(range(16)), st.sampled_from(["little", "big"]))
def test_data_lines_of_words(data: bytes, lines: list[int], order: str) -> None:
    step = 1 if order == "little" else -1
    bits = np.unpackbits(array(data).reshape(-1, 2)[:, ::step], axis=1, bitorder="little")
    expected = np.packbits(bits[:, lines], axis=1, bitorder="little")[:, ::step]
    same(changed(data, {"data-lines": {"lines": list(lines), "byte-order": f"{order}-endian"}}), expected)


@settings(max_examples=60)
@given(st.integers(1, 13).flatmap(lambda n: st.permutations(range(n))), st.randoms(use_true_random=False))
def test_address_lines(lines: list[int], random: Any) -> None:
    count = len(lines)
    data = random.randbytes(1 << count)
    axes = [count - 1 - lines.index(count - 1 - axis) for axis in range(count)]
    expected = array(data).reshape((2,) * count).transpose(axes)
    same(changed(data, {"address-lines": list(lines)}), np.ascontiguousarray(expected))


@given(sized(2))
def test_nibbles(data: bytes) -> None:
    high, low = data[: len(data) // 2], data[len(data) // 2 :]
    merged = (array(high) & 15) << 4 | array(low) & 15
    same(made({"nibbles": ["h", "l"]}, {"h": high, "l": low}, len(high)), merged)
    same(changed(data, {"nibble": "high"}), array(data) >> 4)
    same(changed(data, {"nibble": "low"}), array(data) & 15)
    both = np.stack([array(data) & 15, array(data) >> 4], axis=1)
    same(changed(data, {"unpack": "low-first"}, size=2 * len(data)), both)
    same(changed(data, {"unpack": "high-first"}, size=2 * len(data)), both[:, ::-1])


@given(
    st.integers(2, 8).flatmap(lambda count: st.tuples(st.just(count), sized(count))), st.sampled_from(["big", "little"])
)
def test_planes(drawn: tuple[int, bytes], order: Any) -> None:
    count, data = drawn
    rows = array(data).reshape(count, -1)
    chips = {f"p{n}": rows[n].tobytes() for n in range(count)}
    weights = (1 << np.arange(count)).astype(np.uint8)[:, None]
    same(made({"planes": list(chips)}, chips, rows.shape[1]), ((rows & 1) * weights).sum(axis=0, dtype=np.uint8))
    packed = "msb-first" if order == "big" else "lsb-first"
    expected = (np.unpackbits(rows, axis=1, bitorder=order) * weights).sum(axis=0, dtype=np.uint8)
    same(made({"planes": list(chips), "packed": packed}, chips, 8 * rows.shape[1]), expected)


@given(sized(8), st.integers(0, 7), st.sampled_from(["big", "little"]))
def test_plane(data: bytes, bit: int, order: Any) -> None:
    same(changed(data, {"plane": bit}), array(data) >> bit & 1)
    packed = {"plane": {"bit": bit, "packed": "msb-first" if order == "big" else "lsb-first"}}
    same(changed(data, packed, size=len(data) // 8), np.packbits(array(data) >> bit & 1, bitorder=order))


@given(sized(1), st.integers(0, 255), st.binary(min_size=1, max_size=50))
def test_values(data: bytes, value: int, pattern: bytes) -> None:
    a = array(data)
    same(changed(data, {"xor": value}), a ^ value)
    same(changed(data, {"and": value}), a & value)
    same(changed(data, {"or": value}), a | value)
    same(changed(data, {"invert": True}), ~a)
    same(changed(data, {"xor": {"pattern": pattern.hex()}}), a ^ np.resize(array(pattern), len(data)))
    same(changed(data, {"xor": {"chip": "other"}}, other=data[::-1]), a ^ a[::-1])


@given(st.integers(1, 8).flatmap(lambda n: st.tuples(st.permutations(range(n)), sized(n))))
def test_shapes(drawn: tuple[list[int], bytes]) -> None:
    order, data = drawn
    a, size = array(data), len(data) // len(order)
    same(changed(data, {"blocks": {"size": size, "order": list(order)}}), a.reshape(len(order), -1)[order])
    same(changed(data, {"mirror": 3 * len(data)}, size=3 * len(data)), np.tile(a, 3))
    same(changed(data, {"take": {"from": size - 1, "size": 1}}, size=1), a[size - 1 : size])
    same(
        changed(data, {"pad": {"to": len(data) + 5, "fill": 7}}, size=len(data) + 5),
        np.pad(a, (0, 5), constant_values=7),
    )
    power = 1 << int(np.ceil(np.log2(len(data))))
    padded = np.pad(a, (0, power - len(data)), constant_values=9)
    same(changed(data, {"pad": {"to": "power-of-two", "fill": 9}}, size=power), padded)


@given(
    sized(4, least=2), st.sampled_from([8, 16, 32]), st.sampled_from([8, 16, 32]), st.sampled_from(["little", "big"])
)
def test_sums(data: bytes, bits: int, of: int, order: str) -> None:
    """The field stands at the end; numbers of the range are those before it."""
    width, mark = bits // 8, "<" if order == "little" else ">"
    part = data[: (len(data) - width) // (of // 8) * (of // 8)]
    total = int(np.frombuffer(part, f"{mark}u{of // 8}").sum(dtype=np.uint64))
    field: dict[str, Any] = {"at": len(data) - width, "bits": bits, "of": of, "from": 0, "size": len(part)}
    if max(bits, of) > 8:
        field["byte-order"] = f"{order}-endian"
    for form, value in (("plain", total), ("negated", -total), ("inverted", ~total)):
        expected = data[:-width] + np.array(value % (1 << bits), f"{mark}u{width}").tobytes()
        if part:
            assert changed(data, {"sum": field | {"form": form}}) == expected


@given(sized(1, least=2), st.integers(0, 255))
def test_an_xor_check_byte(data: bytes, total: int) -> None:
    expected = np.bitwise_xor.reduce(array(data[:-1])) ^ total
    assert changed(data, {"xor-check": {"at": len(data) - 1, "total": total}}) == data[:-1] + bytes([expected])
