"""Scripts of a stranger: loops without end, very long ones, names that leave the folder, noise."""

from __future__ import annotations

import random
import tracemalloc
from collections.abc import Iterator, Mapping

import pytest

from pipeline.errors import ManifestError
from pipeline.translate.machine import MOST_COMMANDS
from pipeline.translate.translate import LARGEST_SCRIPT, translate
from tests.support.scripts import dumps

BEYOND = "; nothing beyond this line is followed"
ENDLESS = f"more than {MOST_COMMANDS:,} commands were followed; it may be a loop without end{BEYOND}"


@pytest.mark.parametrize(
    ("name", "script", "told"),
    [
        ("a.sh", b"while :; do :; done\n", f"1: {ENDLESS}"),
        ("a.sh", b"until false\ndo\n  true\ndone\n", f"1: {ENDLESS}"),
        ("a.sh", b": x\n" * 100_000, f"{MOST_COMMANDS + 1}: {ENDLESS}"),
        ("a.bat", b":a\r\ngoto a\r\n", f"2: {ENDLESS}"),
        ("a.bat", b"rem\r\n" * 100_000, f"25001: {ENDLESS}"),
        ("a.bat", b":a\r\ncall :a\r\n", f"2: call inside call without end{BEYOND}"),
        ("a.bat", b"for /l %%i in (1,0,2) do echo x\r\n",
         f"1: for /l goes round too often; it may be a loop without end{BEYOND}"),
        ("a.bat", b"set x=ab\r\n:a\r\nset x=%x%%x%\r\ngoto a\r\n",
         f"3: a line of more than 8,191 characters{BEYOND}"),
        ("a.bat", b"if a==a (\r\n" * 5_000, f"1001: a block of more than 1,000 lines{BEYOND}"),
        ("a.sh", b"f() { f; }\nf\n",
         f"1: more than 60 commands inside one another; a function may call itself without end{BEYOND}"),
        ("a.sh", b"x=$(" * 300 + b"echo" + b")" * 300,
         f"1: more than 60 commands inside one another; a function may call itself without end{BEYOND}"),
        ("a.mk", b"X = $(X)\nall: $(X)\n\techo\n", f"2: a variable that needs itself{BEYOND}"),
        ("a.mk", b"all: none\n\techo\n", f'1: there is no rule that makes "none", and no such file{BEYOND}'),
    ],
)  # fmt: skip
def test_a_script_without_end_gives_one_message(name: str, script: bytes, told: str) -> None:
    translation = translate(name, script, dumps())
    assert [f"{remark.line}: {remark.text}" for remark in translation.remarks] == [told]


@pytest.mark.parametrize("name", ["a.sh", "a.bat", "a.mk"])
@pytest.mark.parametrize("seed", range(4))
def test_noise_is_told_and_nothing_is_drafted(name: str, seed: int) -> None:
    noise = b"\x01" + bytes(random.Random(seed).randrange(1, 256) for _ in range(20_000))
    translation = translate(name, noise, dumps())
    assert translation.is_open
    assert not translation.roms


@pytest.mark.parametrize("name", ["a.sh", "a.bat", "a.mk"])
def test_a_binary_file_is_no_script(name: str) -> None:
    with pytest.raises(ManifestError) as error:
        translate(name, b"MZ\x90\0\x03", dumps())
    assert str(error.value) == f"{name}: found a byte 0x00 at offset 0x0003, expected the text of a script"


def test_a_script_that_is_too_large_is_refused() -> None:
    with pytest.raises(ManifestError) as error:
        translate("a.sh", b"#" * (LARGEST_SCRIPT + 1), {})
    assert str(error.value) == "a.sh: has more than 8,388,608 bytes, the most of a script"


@pytest.mark.parametrize(
    "script",
    [
        b"cp a.bin x\nwhile :; do cat x x > y; mv y x; done\n",
        b"x=ab\nwhile :; do x=$x$x; done\n",
        b"cp c.bin x\nwhile :; do dd if=x of=y conv=swab; mv y x; done\n",
        b"dd if=/dev/zero of=x\ncat /dev/zero > y\ntruncate -s 1000G z\nhead -c 99G /dev/zero > w\n",
        b"#!/bin/bash\necho {1..99999999} > x\n",
        b"echo $((1 << 99999999)) $((9 ** 99999999)) > x\n",
    ],
)
def test_what_grows_without_end_is_cut_off(script: bytes) -> None:
    tracemalloc.start()
    try:
        translation = translate("a.sh", script, dumps())
        assert tracemalloc.get_traced_memory()[1] < 256 << 20
    finally:
        tracemalloc.stop()
    assert translation.is_open or translation.roms


class Guarded(Mapping[str, bytes]):
    """A folder in which every look at a name is noted."""

    def __init__(self, files: dict[str, bytes]) -> None:
        self.files, self.asked = files, set[str]()

    def __getitem__(self, path: str) -> bytes:
        self.asked.add(path)
        return self.files[path]

    def __iter__(self) -> Iterator[str]:
        return iter(self.files)

    def __len__(self) -> int:
        return len(self.files)


@pytest.mark.parametrize(
    ("name", "script"),
    [
        ("a.sh", "cat /etc/passwd ../b ~/c a.bin > x\ncp a.bin ../y\ncd /\ncat etc/passwd > z\n"),
        ("a.sh", "cd roms/../..\ncat b > z\n"),
        ("a.sh", "cat $HOME/a roms/../../b > x\n. /etc/profile\n"),
        ("a.bat", "copy /b c:\\x+a.bin y\r\ntype \\\\server\\x > z\r\ncopy a.bin ..\\w\r\ntype \\x > v\r\ncd ..\r\n"),
        ("a.mk", "all: ../x /etc/passwd\n\tcat $^ > y\n"),
    ],
)
def test_no_name_leaves_the_folder(name: str, script: str) -> None:
    folder = Guarded({**dumps(), "../b": b"secret", "/etc/passwd": b"secret"})
    translation = translate(name, script.encode(), folder)
    assert translation.is_open
    assert folder.asked <= set(dumps())
    assert not translation.roms
