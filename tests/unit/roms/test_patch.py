"""A patch as a step of a ROM file: both hashes are checked, and what is wrong is told with its place."""

from __future__ import annotations

import hashlib
from random import Random
from typing import Any

import pytest

from pipeline.errors import CheckError
from pipeline.model.manifest import RomFile
from pipeline.roms.assemble import assemble, check_title, chips_used, describe
from tests.unit.roms.deltas import PLAIN, edited, encoded
from tests.unit.roms.workshop import FILE, noise, rom, title, with_patches

OLD = noise(4096)
NEW = edited(OLD, Random(3), 6)
HINT = "make it in the plain form of RFC 3284: xdelta3 -e -f -n -A -S none -s OLD NEW DELTA"


def sha256(data: bytes) -> str:
    return hashlib.sha256(data).hexdigest()


def patched(**more: Any) -> RomFile:
    """Return a ROM file of one patched chip; ``more`` replaces arguments of the patch."""
    patch: dict[str, Any] = {
        "delta": "fix",
        "before": sha256(OLD),
        "after": sha256(NEW).upper(),
        "size": len(NEW),
    } | more
    return rom(
        patch["size"], {"at": 0, "chip": "4t", "then": [{"patch": {k: v for k, v in patch.items() if v is not None}}]}
    )


def built(whole: RomFile, chip: bytes, delta: bytes) -> bytes:
    asked = with_patches(title(whole, **{"4t": chip}), {"fix": delta})
    assert check_title(asked) == []
    return assemble(asked, whole, {"4t": chip, "fix": delta})


def refused(whole: RomFile, chip: bytes, delta: bytes) -> str:
    with pytest.raises(CheckError) as caught:
        built(whole, chip, delta)
    return str(caught.value)


def test_a_patch_made_by_xdelta3_is_applied() -> None:
    assert built(patched(), OLD, encoded(OLD, NEW, *PLAIN)) == NEW


def test_a_patch_leaves_the_size_where_none_is_given() -> None:
    new = OLD[:100] + b"corrected" + OLD[109:]
    whole = rom(4096, {"at": 0, "chip": "4t", "then": [
        {"patch": {"delta": "fix", "before": sha256(OLD), "after": sha256(new)}}]})  # fmt: skip
    assert built(whole, OLD, encoded(OLD, new, *PLAIN)) == new


def test_a_patch_may_follow_the_whole_files_steps() -> None:
    patch = {"patch": {"delta": "fix", "before": sha256(OLD[::-1]), "after": sha256(OLD)}}
    whole = rom(4096, {"at": 0, "chip": "4t"}, then=[patch])
    assert built(whole, OLD[::-1], encoded(OLD[::-1], OLD, *PLAIN)) == OLD


def test_a_patch_is_told_and_is_among_what_is_used() -> None:
    assert describe(patched()) == (f"0x0000: 4t, patch fix to {len(NEW):,} bytes",)
    assert chips_used(patched()) == ("4t", "fix")


def test_another_piece_than_the_patch_was_made_for_is_refused() -> None:
    other = noise(4096, 9)
    assert refused(patched(), other, encoded(OLD, NEW, *PLAIN)) == (
        f"{FILE}: rom.1.steps.1.then.1.patch: the piece is not what the patch was made for: it has SHA-256 "
        f"{sha256(other)}; expected {sha256(OLD)}"
    )


def test_another_result_than_declared_is_refused() -> None:
    assert refused(patched(after="AB" * 32), OLD, encoded(OLD, NEW, *PLAIN)) == (
        f"{FILE}: rom.1.steps.1.then.1.patch: the patch makes something else: what it gives has SHA-256 "
        f"{sha256(NEW)}; expected {'ab' * 32}"
    )


def test_a_result_of_another_size_is_refused() -> None:
    told = refused(patched(size=len(NEW) - 1), OLD, encoded(OLD, NEW, *PLAIN))
    expected = f"{len(NEW):,} bytes or more; expected {len(NEW) - 1:,}"
    assert told == f"{FILE}: rom.1.steps.1.then.1.patch: the delta makes {expected}"


def test_a_delta_of_another_form_is_refused_with_the_way_to_a_plain_one() -> None:
    assert refused(patched(), OLD, encoded(OLD, NEW)) == (
        f"{FILE}: rom.1.steps.1.then.1.patch: the delta has compressed sections and an application's header\n"
        f"  hint: {HINT}"
    )


def told(whole: RomFile, **patches: bytes) -> list[str]:
    found = check_title(with_patches(title(whole, **{"4t": 4096, "4u": 4096}), patches))
    return [str(problem).replace(f"{FILE}: ", "") for problem in found]


AT = "rom.1.steps.1.then.1.patch"


@pytest.mark.parametrize(
    ("more", "expected"),
    [
        ({"delta": "fxi"}, f'{AT}.delta: no patch "fxi" in this title\n  hint: did you mean "fix"?'),
        ({"delta": "other"}, f'{AT}.delta: no patch "other" in this title\n'
         "  hint: declare it as [patches.other] with its size and sha256"),
        ({"delta": "4u"}, f'{AT}.delta: no patch "4u" in this title\n'
         "  hint: declare it as [patches.4u] with its size and sha256"),
        ({"delta": 3}, f"{AT}.delta: 3 is not the name of a patch; expected one in quotes"),
        ({"before": None}, f"{AT}: before is missing; expected 64 hexadecimal digits in quotes"),
        ({"after": None}, f"{AT}: after is missing; expected 64 hexadecimal digits in quotes"),
        ({"after": "12"}, f'{AT}.after: "12" is not a SHA-256; expected 64 hexadecimal digits in quotes'),
    ],
    ids=str,
)  # fmt: skip
def test_a_patch_is_refused(more: dict[str, Any], expected: str) -> None:
    assert [text for text in told(patched(**more), fix=b"1") if "no step" not in text] == [expected]


def test_a_patch_that_no_step_uses_is_told() -> None:
    whole = rom(4096, {"at": 0, "chip": "4t"})
    assert told(whole, fix=b"1") == ["patches.fix: no step uses this patch\n  hint: use it in a step, or take it out"]


def test_a_patch_named_like_a_chip_is_told() -> None:
    assert told(rom(4096, {"at": 0, "chip": "4t"}), **{"4t": b"1"}) == [
        "patches.4t: a chip of this title has the same name; expected another\n  see chips.4t"
    ]


def test_a_delta_of_another_size_than_declared_is_refused() -> None:
    whole = patched()
    asked = with_patches(title(whole, **{"4t": OLD}), {"fix": b"12"})
    with pytest.raises(CheckError) as caught:
        assemble(asked, whole, {"4t": OLD, "fix": b"123"})
    assert str(caught.value) == f"{FILE}: patches.fix.size: the dump has 3 bytes; expected 2"
