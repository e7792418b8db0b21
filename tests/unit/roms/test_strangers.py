"""Every operation against a public tool on random data: srec_cat (SRecord 1.64), objcopy (GNU binutils), dd, perl.

The tools' manuals are the published definitions: srec_cat(1), srec_examples(1), objcopy(1), dd(1), perlfunc "pack".
"""

from __future__ import annotations

import subprocess
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import pytest

from tests.strangers.tools import require
from tests.unit.roms.workshop import changed, made, noise

K = 1024


def run(folder: Path, files: Mapping[str, bytes], *command: str) -> bytes:
    """Return the bytes a tool writes to "o", or to its standard output where it writes no such file."""
    for name, data in files.items():
        (folder / name).write_bytes(data)
    done = subprocess.run([require(command[0]), *command[1:]], cwd=folder, capture_output=True, check=True)
    out = folder / "o"
    return out.read_bytes() if out.exists() else done.stdout


def srec(arguments: str) -> tuple[str, ...]:
    """Return the srec_cat command for arguments in which -B says that a file is read as it is."""
    return ("srec_cat", *arguments.replace("-B ", "-Binary ").split(), "-o", "o", "-Binary")


def perl(program: str, *names: str, flags: str = "-0777pe") -> tuple[str, ...]:
    return ("perl", flags, program, *names)


@dataclass(frozen=True)
class Case:
    name: str
    command: tuple[str, ...]
    changes: list[dict[str, Any]] = field(default_factory=list)
    piece: dict[str, Any] | None = None
    chips: Mapping[str, bytes] = field(default_factory=dict)
    size: int | None = None


A = noise(16 * K)
THIRDS = noise(9 * K)
LANES = {f"l{number}": noise(4 * K, number) for number in range(8)}
ODD = noise(1000)

READ = 'sub r {{local $/; open F, "<", shift; binmode F; <F>}} binmode STDOUT; {}'.format
NIBBLES = READ(
    "($h, $l) = map {r $_} @ARGV; print chr((ord(substr $h,$_,1) & 15) << 4 | ord(substr $l,$_,1) & 15) for 0..4095"
)
PLANES = READ(
    "@p = map {r $_} @ARGV; for $i (0..4095) {$v = 0; $v |= (ord(substr $p[$_],$i,1) & 1) << $_ for 0..7; print chr $v}"
)
PACKED = READ(
    '@p = map {unpack "B*", r $_} @ARGV; for $i (0..32767) {print pack "b8", join "", map {substr $p[$_],$i,1} 0..7}'
)
DATA_8 = '$_=unpack"b*",$_; s/(.)(.)(.)(.)(.)(.)(.)(.)/$4$8$1$3$7$2$6$5/g; $_=pack"b*",$_'
LINES_16 = [15, 0, 14, 1, 13, 2, 12, 3, 11, 4, 10, 5, 9, 6, 8, 7]
DATA_16 = (
    f"@p=({','.join(map(str, LINES_16))}); "
    '$_ = pack "FORMAT*", map {$v=$_; $o=0; $o |= (($v >> $p[$_]) & 1) << $_ for 0..15; $o} unpack "FORMAT*",$_'
)
ADDRESS = [0, 1, 2, 7, 5, 4, 6, 3, 13, 8, 10, 9, 12, 11]
ADDRESS_PERL = (
    f'@p=({",".join(map(str, ADDRESS))}); $a=$_; $_=""; '
    "for $i(0..length($a)-1){$s=0; for $k(0..$#p){$s|=(($i>>$p[$k])&1)<<$k} $_.=substr($a,$s,1)}"
)

CASES = [
    Case("join", srec("l0 -B l1 -B -offset -maximum-address l0 -B "), piece={"join": ["l0", "l1"]}),
    Case("interleave 2", srec("l0 -B -unsplit 2 0 l1 -B -unsplit 2 1"), piece={"interleave": ["l0", "l1"]}),
    Case(
        "interleave 4",
        srec(" ".join(f"l{n} -B -unsplit 4 {n}" for n in range(4))),
        piece={"interleave": ["l0", "l1", "l2", "l3"], "unit": 1},
    ),
    Case(
        "interleave 8",
        srec(" ".join(f"l{n} -B -unsplit 8 {n}" for n in range(8))),
        piece={"interleave": list(LANES)},
    ),
    Case(
        "interleave 2 of words",
        srec("l0 -B -unsplit 4 0 2 l1 -B -unsplit 4 2 2"),
        piece={"interleave": ["l0", "l1"], "unit": 2},
    ),
    Case(
        "interleave 4 of words",
        srec(" ".join(f"l{n} -B -unsplit 8 {2 * n} 2" for n in range(4))),
        piece={"interleave": ["l0", "l1", "l2", "l3"], "unit": 2},
    ),
    Case(
        "interleave 8 of words",
        srec(" ".join(f"l{n} -B -unsplit 16 {2 * n} 2" for n in range(8))),
        piece={"interleave": list(LANES), "unit": 2},
    ),
    Case(
        "interleave 3",
        srec(" ".join(f"l{n} -B -unsplit 3 {n}" for n in range(3))),
        piece={"interleave": ["l0", "l1", "l2"]},
    ),
    Case(
        "interleave 3 of words",
        srec(" ".join(f"l{n} -B -unsplit 6 {2 * n} 2" for n in range(3))),
        piece={"interleave": ["l0", "l1", "l2"], "unit": 2},
    ),
    Case(
        "interleave 2 in units of 4 bytes",
        srec("l0 -B -unsplit 8 0 4 l1 -B -unsplit 8 4 4"),
        piece={"interleave": ["l0", "l1"], "unit": 4},
    ),
    Case("nibbles", perl(NIBBLES, "l0", "l1", flags="-e"), piece={"nibbles": ["l0", "l1"]}),
    Case("planes", perl(PLANES, *LANES, flags="-e"), piece={"planes": list(LANES)}),
    Case(
        "planes packed",
        perl(PACKED, *LANES, flags="-e"),
        piece={"planes": list(LANES), "packed": "msb-first"},
        size=32 * K,
    ),
    Case(
        "planes packed, least significant first",
        perl(PACKED.replace('unpack "B*"', 'unpack "b*"'), *LANES, flags="-e"),
        piece={"planes": list(LANES), "packed": "lsb-first"},
        size=32 * K,
    ),
    Case("fill", srec("-generate 0 0x800 -constant 0xA5"), piece={"fill": 0xA5, "size": "2 KiB"}, size=2 * K),
    Case(
        "fill with a pattern",
        srec("-generate 0 0x600 -repeat-data 0x12 0x34 0x56"),
        piece={"fill": "12 34 56", "size": 0x600},
        size=0x600,
    ),
    Case(
        "take", srec("a -B -crop 0x800 0x1800 -offset -0x800"), [{"take": {"from": 0x800, "size": "4 KiB"}}], size=4 * K
    ),
    Case(
        "strip",
        srec("a -B -exclude 0 512 -offset -512"),
        [{"strip": {"size": 512, "header": A[:4].hex(), "leaves": 16 * K - 512}}],
        size=16 * K - 512,
    ),
    Case("mirror", perl("$_ x= 4", "a"), [{"mirror": "64 KiB"}], size=64 * K),
    Case(
        "pad",
        srec("odd -B -fill 0xFF 0 0x1000"),
        piece={"chip": "odd", "then": [{"pad": {"to": "4 KiB", "fill": 0xFF}}]},
        size=4 * K,
    ),
    Case(
        "pad to a power of two",
        ("objcopy", "-I", "binary", "-O", "binary", "--gap-fill", "0x5a", "--pad-to", "1024", "odd", "o"),
        piece={"chip": "odd", "then": [{"pad": {"to": "power-of-two", "fill": 0x5A}}]},
        size=K,
    ),
    Case(
        "blocks",
        srec(
            " ".join(
                f"( a -B -crop {4096 * b} {4096 * b + 4096} -offset {4096 * (n - b)} )"
                for n, b in enumerate((3, 1, 0, 2))
            )
        ),
        [{"blocks": {"size": "4 KiB", "order": [3, 1, 0, 2]}}],
    ),
    Case(
        "lane",
        ("objcopy", "-I", "binary", "-O", "binary", "-i", "2", "-b", "1", "a", "o"),
        [{"lane": {"number": 1, "of": 2}}],
        size=8 * K,
    ),
    Case("lane of eight", srec("a -B -split 8 5"), [{"lane": {"number": 5, "of": 8}}], size=2 * K),
    Case(
        "lane of words",
        ("objcopy", "-I", "binary", "-O", "binary", "-i", "8", "-b", "6", "--interleave-width", "2", "a", "o"),
        [{"lane": {"number": 3, "of": 4, "unit": 2}}],
        size=4 * K,
    ),
    Case(
        "lane of three",
        ("objcopy", "-I", "binary", "-O", "binary", "-i", "3", "-b", "2", "thirds", "o"),
        piece={"chip": "thirds", "then": [{"lane": {"number": 2, "of": 3}}]},
        size=3 * K,
    ),
    Case(
        "lane in units of 4 bytes",
        ("objcopy", "-I", "binary", "-O", "binary", "-i", "16", "-b", "8", "--interleave-width", "4", "a", "o"),
        [{"lane": {"number": 2, "of": 4, "unit": 4}}],
        size=4 * K,
    ),
    Case(
        "overlay",
        srec("a -B -exclude 256 258 l0 -B -crop 0 2 -offset 256"),
        [{"overlay": {"at": 256, "old": A[256:258].hex(" "), "new": LANES["l0"][:2].hex(" ")}}],
    ),
    Case("swap bytes in 16 bits", ("dd", "if=a", "of=o", "conv=swab", "status=none"), [{"swap-bytes": 16}]),
    Case(
        "swap bytes in 32 bits",
        ("objcopy", "-I", "binary", "-O", "binary", "--reverse-bytes=4", "a", "o"),
        [{"swap-bytes": 32}],
    ),
    Case("swap bytes in 64 bits", srec("a -B -byte-swap 8"), [{"swap-bytes": {"bits": 64}}]),
    Case("reverse bytes", perl("$_ = reverse", "a"), [{"reverse-bytes": True}]),
    Case("swap words", perl("s/(..)(..)/$2$1/gs", "a"), [{"swap-words": True}]),
    Case("reverse bits", srec("a -B -bit-reverse"), [{"reverse-bits": 8}]),
    Case("reverse bits in 16", srec("a -B -bit-reverse 2"), [{"reverse-bits": 16}]),
    Case("reverse bits in 32", srec("a -B -bit-reverse 4"), [{"reverse-bits": 32}]),
    Case("data lines", perl(DATA_8, "a"), [{"data-lines": [3, 7, 0, 2, 6, 1, 5, 4]}]),
    Case(
        "data lines of little-endian words",
        perl(DATA_16.replace("FORMAT", "v"), "a"),
        [{"data-lines": {"lines": LINES_16, "byte-order": "little-endian"}}],
    ),
    Case(
        "data lines of big-endian words",
        perl(DATA_16.replace("FORMAT", "n"), "a"),
        [{"data-lines": {"lines": LINES_16, "byte-order": "big-endian"}}],
    ),
    Case("address lines", perl(ADDRESS_PERL, "a"), [{"address-lines": ADDRESS}]),
    Case("low nibble", srec("a -B -and 0x0F"), [{"nibble": "low"}]),
    Case("high nibble", perl("s/(.)/chr(ord($1) >> 4)/ges", "a"), [{"nibble": {"take": "high"}}]),
    Case(
        "unpack high first",
        perl('$_ = pack "(H2)*", map {"0$_"} split //, unpack "H*", $_', "a"),
        [{"unpack": "high-first"}],
        size=32 * K,
    ),
    Case(
        "unpack low first",
        perl('$_ = pack "(H2)*", map {"0$_"} split //, unpack "h*", $_', "a"),
        [{"unpack": "low-first"}],
        size=32 * K,
    ),
    Case(
        "pack high first",
        perl('$_ = pack "H*", join "", map {/.(.)/} unpack "(H2)*", $_', "a"),
        [{"pack": "high-first"}],
        size=8 * K,
    ),
    Case(
        "pack low first",
        perl('$_ = pack "h*", join "", map {/.(.)/} unpack "(H2)*", $_', "a"),
        [{"pack": "low-first"}],
        size=8 * K,
    ),
    Case("plane", perl("s/(.)/chr(ord($1) >> 3 & 1)/ges", "a"), [{"plane": 3}]),
    Case(
        "plane packed",
        perl('$_ = pack "B*", join "", map {ord($_) >> 3 & 1} split //', "a"),
        [{"plane": {"bit": 3, "packed": "msb-first"}}],
        size=2 * K,
    ),
    Case(
        "plane packed, least significant first",
        perl('$_ = pack "b*", join "", map {ord($_) >> 7 & 1} split //', "a"),
        [{"plane": {"bit": 7, "packed": "lsb-first"}}],
        size=2 * K,
    ),
    Case("xor", srec("a -B -xor 0x5A"), [{"xor": 0x5A}]),
    Case(
        "xor with a pattern",
        perl('$k=pack"H*","123456";$_^=substr($k x(1+length()/3),0,length)', "a"),
        [{"xor": {"pattern": "12 34 56"}}],
    ),
    Case(
        "xor with a chip",
        perl(READ("print r('l0') ^ r('l1')"), flags="-e"),
        piece={"chip": "l0", "then": [{"xor": {"chip": "l1"}}]},
    ),
    Case("invert", srec("a -B -not"), [{"invert": True}]),
    Case("and", srec("a -B -and 0x3C"), [{"and": 0x3C}]),
    Case("or", srec("a -B -or 0xC3"), [{"or": {"mask": 0xC3}}]),
    Case(
        "sum of bytes that comes to 0",
        srec("a -B -crop 0 0x3FFF -checksum-negative-b-e 0x3FFF 1 1"),
        [{"sum": {"at": 0x3FFF, "bits": 8, "form": "negated"}}],
    ),
    Case(
        "16-bit sum of bytes",
        srec("a -B -crop 0 0x3FFE -checksum-positive-b-e 0x3FFE 2 1"),
        [{"sum": {"at": 0x3FFE, "bits": 16, "form": "plain", "byte-order": "big-endian"}}],
    ),
    Case(
        "16-bit sum of little-endian words",
        srec("a -B -crop 0 0x3FFE -checksum-positive-l-e 0x3FFE 2 2"),
        [{"sum": {"at": 0x3FFE, "bits": 16, "of": 16, "form": "plain", "byte-order": "little-endian"}}],
    ),
    Case(
        "negated sum of big-endian words",
        srec("a -B -crop 0 0x3FFE -checksum-negative-b-e 0x3FFE 2 2"),
        [{"sum": {"at": 0x3FFE, "bits": 16, "of": 16, "form": "negated", "byte-order": "big-endian"}}],
    ),
    Case(
        "32-bit sum of 32-bit words",
        srec("a -B -crop 0 0x3FFC -checksum-negative-l-e 0x3FFC 4 4"),
        [{"sum": {"at": 0x3FFC, "bits": 32, "of": 32, "form": "negated", "byte-order": "little-endian"}}],
    ),
    Case(
        "sum of bytes that comes to a total",
        perl('substr($_, -1) = chr((0x5A - unpack "%8C*", substr $_, 0, -1) & 255)', "a"),
        [{"sum": {"at": 0x3FFF, "bits": 8, "form": "negated", "total": 0x5A}}],
    ),
    Case(
        "inverted sum of bytes",
        srec("a -B -crop 0 0x3FFF -checksum-bitnot-b-e 0x3FFF 1 1"),
        [{"sum": {"at": 0x3FFF, "bits": 8, "form": "inverted"}}],
    ),
    Case(
        "inverted sum of little-endian words",
        srec("a -B -crop 0 0x3FFE -checksum-bitnot-l-e 0x3FFE 2 2"),
        [{"sum": {"at": 0x3FFE, "bits": 16, "of": 16, "form": "inverted", "byte-order": "little-endian"}}],
    ),
    Case(
        "one's-complement sum",
        perl(
            '$s = unpack "%32n*", substr $_, 0, -2; $s = ($s & 0xFFFF) + ($s >> 16) while $s >> 16; '
            'substr($_, -2) = pack "n", ~$s & 0xFFFF',
            "a",
        ),
        [
            {
                "sum": {
                    "at": 0x3FFE,
                    "bits": 16,
                    "of": 16,
                    "form": "inverted",
                    "carry": "end-around",
                    "byte-order": "big-endian",
                }
            }
        ],
    ),
    Case(
        "XOR check byte",
        perl("$x = 0xFF; $x ^= ord for split //, substr $_, 0, -1; substr($_, -1) = chr $x", "a"),
        [{"xor-check": {"at": 0x3FFF, "total": 0xFF}}],
    ),
    Case(
        "CRC-32",
        srec("a -B -crop 0 0x3FFC -crc32-b-e 0x3FFC"),
        [{"crc-32": {"at": 0x3FFC, "byte-order": "big-endian"}}],
    ),
    Case(
        "CRC-32 little-endian",
        srec("a -B -crop 0 0x3FFC -crc32-l-e 0x3FFC"),
        [{"crc-32": {"at": 0x3FFC, "byte-order": "little-endian"}}],
    ),
    Case(
        "CRC-16 of polynomial 1021 from FFFF",
        srec("a -B -crop 0 0x3FFE -crc16-b-e 0x3FFE -polynomial ccitt -broken"),
        [
            {
                "crc-16": {
                    "at": 0x3FFE,
                    "poly": 0x1021,
                    "init": 0xFFFF,
                    "reflected": False,
                    "xor-out": 0,
                    "byte-order": "big-endian",
                }
            }
        ],
    ),
    Case(
        "CRC-16 of polynomial 8005, reflected",
        srec("a -B -crop 0 0x3FFE -crc16-l-e 0x3FFE -polynomial ansi -xmodem -least-to-most"),
        [
            {
                "crc-16": {
                    "at": 0x3FFE,
                    "poly": 0x8005,
                    "init": 0,
                    "reflected": True,
                    "xor-out": 0,
                    "byte-order": "little-endian",
                }
            }
        ],
    ),
]


@pytest.mark.parametrize("case", CASES, ids=lambda case: case.name)
def test_a_public_tool_makes_the_same_bytes(case: Case, tmp_path: Path) -> None:
    files = {"a": A, "odd": ODD, "thirds": THIRDS, **LANES}
    theirs = run(tmp_path, files, *case.command)
    ours = (
        changed(A, *case.changes, size=case.size)
        if case.piece is None
        else made(case.piece, files, len(theirs) if case.size is None else case.size)
    )
    assert ours == theirs
    assert ours != A
