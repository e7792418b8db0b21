"""What is said of a content that is missing."""

from __future__ import annotations

from pathlib import Path

from tests.support import small
from tests.support.cli import doit


def test_a_hash_that_is_one_digit_off_names_the_dump_it_is_of(tmp_path: Path) -> None:
    digest = small.sha(small.CHIP_A)
    wrong = digest[:-1] + ("0" if digest[-1] != "0" else "1")
    dumps: dict[str, str | bytes] = {f"inputs/files/attic/{n}.bin": bytes([n]) * 1024 for n in range(5)}
    title = small.TITLE.replace(digest, wrong)
    ran = doit(small.small_project(tmp_path, {**dumps, "inputs/titles/snail-race.toml": title}))
    assert (ran.code, ran.err) == (
        1,
        f"inputs/titles/snail-race.toml:3:1: chips.a1: chip a1 of Snail race is in none of the 1 place searched: "
        f"1 KiB, SHA-256 {wrong}\n"
        "  hint: nearest is inputs/files/attic/x/dump(1).bin: same size (1,024 bytes), and its SHA-256 differs in "
        f"1 digit: {digest}; correct the manifest; "
        "the same 256 bytes stand there 4 times: an address line was stuck, or a smaller part was read as "
        "a larger one\n",
    )
