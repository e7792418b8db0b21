"""``python tests/bench/roms.py [MiB]``: each ROM operation against numpy and srec_cat on the same random bytes.

Times are the best of three runs in milliseconds. numpy's include the copy into bytes, as ours do; srec_cat's are those
of the whole command, which reads and writes files (how long it takes to copy them is printed first).
"""

from __future__ import annotations

import shutil
import subprocess
import sys
import tempfile
import time
import zlib
from collections.abc import Callable
from operator import attrgetter
from pathlib import Path
from typing import Any, NamedTuple

import numpy as np
import numpy.typing as npt

ROOT = Path(__file__).resolve().parents[2]
sys.path.insert(0, str(ROOT))

from pipeline.roms.bind import Binder  # noqa: E402  (found only once the path is set)
from pipeline.roms.report import ProblemReport  # noqa: E402
from pipeline.roms.tree import evaluate  # noqa: E402
from tests.unit.roms.workshop import noise, piece  # noqa: E402

Bytes = npt.NDArray[np.uint8]


class Race(NamedTuple):
    """One operation: our piece, numpy's way (None where it has none), and srec_cat's arguments ("" likewise)."""

    name: str
    table: dict[str, Any]
    numpy: Callable[[Bytes], npt.NDArray[Any]] | None
    srec: str = ""


def change(name: str, table: dict[str, Any], numpy: Callable[[Bytes], npt.NDArray[Any]] | None, srec: str = "") -> Race:
    return Race(name, {"chip": "a", "then": [table]}, numpy, srec)


def data_lines(a: Bytes, lines: list[int]) -> npt.NDArray[Any]:
    values = np.arange(256)
    table = np.sum([((values >> line) & 1) << k for k, line in enumerate(lines)], axis=0).astype(np.uint8)
    return np.asarray(table[a])


def data_lines_16(a: Bytes, lines: list[int]) -> npt.NDArray[Any]:
    values = np.arange(1 << 16)
    table = np.sum([((values >> line) & 1) << k for k, line in enumerate(lines)], axis=0).astype(np.uint16)
    return np.asarray(table[a.view(np.uint16)])


def address_lines(a: Bytes, lines: list[int]) -> npt.NDArray[Any]:
    n = len(lines)
    axes = [n - 1 - lines.index(n - 1 - axis) for axis in range(n)]
    return np.ascontiguousarray(a.reshape((2,) * n).transpose(axes))


def races(lines: int) -> list[Race]:
    eighth, size = [f"p{n}" for n in range(8)], 1 << lines
    shuffled = [*range(lines - 1, lines // 2, -1), *range(lines // 2 + 1)]
    words = [15, 0, 14, 1, 13, 2, 12, 3, 11, 4, 10, 5, 9, 6, 8, 7]
    crc = {"poly": 0x8005, "init": 0, "reflected": True, "xor-out": 0, "byte-order": "little-endian"}
    return [
        Race("interleave 2", {"interleave": ["h0", "h1"]}, lambda a: a.reshape(2, -1).T.ravel(),
             "h0 -B -unsplit 2 0 h1 -B -unsplit 2 1"),
        Race("interleave 8", {"interleave": eighth}, lambda a: a.reshape(8, -1).T.ravel(),
             " ".join(f"p{n} -B -unsplit 8 {n}" for n in range(8))),
        Race("interleave 2 of words", {"interleave": ["h0", "h1"], "unit": 2},
             lambda a: a.view("u2").reshape(2, -1).T.ravel(), "h0 -B -unsplit 4 0 2 h1 -B -unsplit 4 2 2"),
        Race("nibbles", {"nibbles": ["h0", "h1"]}, lambda a: (a[: size // 2] << 4) | (a[size // 2 :] & 15)),
        Race("planes (packed)", {"planes": eighth, "packed": "msb-first"},
             lambda a: (np.unpackbits(a.reshape(8, -1), axis=1) << np.arange(8, dtype=np.uint8)[:, None]).sum(
                 axis=0, dtype=np.uint8)),
        change("lane 1 of 2", {"lane": {"number": 1, "of": 2}}, lambda a: a[1::2], "a -B -split 2 1"),
        change("swap bytes 16", {"swap-bytes": 16}, lambda a: a.view("u2").byteswap(), "a -B -byte-swap 2"),
        change("swap bytes 64", {"swap-bytes": 64}, lambda a: a.view("u8").byteswap(), "a -B -byte-swap 8"),
        change("swap words", {"swap-words": True}, lambda a: a.view("u2").reshape(-1, 2)[:, ::-1]),
        change("reverse bits 8", {"reverse-bits": 8}, lambda a: np.packbits(np.unpackbits(a), bitorder="little"),
               "a -B -bit-reverse"),
        change("reverse bits 16", {"reverse-bits": 16},
               lambda a: np.packbits(np.unpackbits(a), bitorder="little").view("u2").byteswap(), "a -B -bit-reverse 2"),
        change("data lines 8", {"data-lines": [3, 7, 0, 2, 6, 1, 5, 4]},
               lambda a: data_lines(a, [3, 7, 0, 2, 6, 1, 5, 4])),
        change("data lines 16", {"data-lines": {"lines": words, "byte-order": "little-endian"}},
               lambda a: data_lines_16(a, words)),
        change("address lines", {"address-lines": shuffled}, lambda a: address_lines(a, shuffled)),
        change("blocks of 4 KiB", {"blocks": {"size": 4096, "order": [*range(size // 4096 - 1, -1, -1)]}},
               lambda a: a.reshape(-1, 4096)[::-1]),
        change("nibble high", {"nibble": "high"}, lambda a: a >> 4),
        change("unpack", {"unpack": "low-first"}, lambda a: np.stack([a & 15, a >> 4], axis=1)),
        change("plane (packed)", {"plane": {"bit": 3, "packed": "msb-first"}}, lambda a: np.packbits(a >> 3 & 1)),
        change("xor constant", {"xor": 0x5A}, lambda a: a ^ 0x5A, "a -B -xor 0x5A"),
        change("xor pattern", {"xor": {"pattern": "12 34 56"}},
               lambda a: a ^ np.resize(np.array([0x12, 0x34, 0x56], np.uint8), len(a))),
        change("xor chip", {"xor": {"chip": "a"}}, lambda a: a ^ a),
        change("invert", {"invert": True}, lambda a: ~a, "a -B -not"),
        change("and", {"and": 0x0F}, lambda a: a & 0x0F, "a -B -and 0x0F"),
        change("sum of bytes", {"sum": {"at": 0, "bits": 8, "form": "negated"}}, lambda a: a[1:].sum(dtype="u8"),
               f"a -B -crop 0 {size - 1} -checksum-negative-b-e {size - 1} 1 1"),
        change("sum of words", {"sum": {"at": 0, "bits": 16, "of": 16, "form": "plain", "byte-order": "big-endian"}},
               lambda a: a.view(">u2")[1:].sum(dtype="u8"),
               f"a -B -crop 0 {size - 2} -checksum-positive-b-e {size - 2} 2 2"),
        change("CRC-16", {"crc-16": {"at": 0} | crc}, None,
               f"a -B -crop 0 {size - 2} -crc16-l-e {size - 2}"),
        change("CRC-32", {"crc-32": {"at": 0, "byte-order": "big-endian"}}, lambda a: np.array(zlib.crc32(a.data)),
               f"a -B -crop 0 {size - 4} -crc32-b-e {size - 4}"),
    ]  # fmt: skip


def best(work: Callable[[], object], runs: int = 3) -> float:
    times = []
    for _ in range(runs):
        start = time.perf_counter()
        work()
        times.append(time.perf_counter() - start)
    return min(times) * 1000


def command(arguments: str, folder: Path) -> Callable[[], object]:
    words = ["srec_cat", *arguments.replace("-B", "-Binary").split(), "-o", "o", "-Binary"]
    return lambda: subprocess.run(words, cwd=folder, check=True, capture_output=True)


def main(mebibytes: int) -> None:
    size = mebibytes << 20
    data = noise(size)
    chips = {"a": data} | {f"h{n}": data[n * size // 2 :][: size // 2] for n in (0, 1)}
    chips |= {f"p{n}": data[n * size // 8 :][: size // 8] for n in range(8)}
    array = np.frombuffer(data, np.uint8)
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        for chip, content in chips.items():
            (folder / chip).write_bytes(content)
        srec = bool(shutil.which("srec_cat"))
        copy = best(command("a -B", folder)) if srec else 0.0
        print(f"{size:,} bytes; srec_cat copies them in {copy:.0f} ms")
        print(f"{'operation':24}{'ours':>8}{'numpy':>8}{'ours/numpy':>12}{'srec_cat':>10}{'srec_cat/ours':>15}")
        for race in races(size.bit_length() - 1):
            tree = Binder(None, ProblemReport()).piece(piece(race.table), "race")
            if tree is None:
                raise SystemExit(f"{race.name} has a problem")
            ours = best(lambda tree=tree: evaluate(tree, chips, attrgetter("apply"), ProblemReport()))  # type: ignore[misc]
            line = f"{race.name:24}{ours:8.1f}"
            if race.numpy:
                theirs = best(lambda race=race: race.numpy(array).tobytes())  # type: ignore[misc]
                line += f"{theirs:8.1f}{ours / theirs:12.1f}"
            if race.srec and srec:
                tool = best(command(race.srec, folder), 2)
                line = f"{line:52}{tool:10.0f}{tool / ours:15.1f}"
            print(line, flush=True)


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 16)
