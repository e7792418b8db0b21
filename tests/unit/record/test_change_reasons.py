"""What two records say of why a file changed."""

from __future__ import annotations

from typing import Any

from pipeline.record.change_reasons import causes_of

ROM: dict[str, Any] = {
    "kind": "rom-file",
    "owner": "snail-race",
    "contents": [{"role": "chip a1", "sha256": "1" * 64}, {"role": "chip b1", "sha256": "2" * 64}],
    "steps": ["0x0000: chip a1", "0x0200: chip b1, swap bytes"],
    "ranges": [
        {"start": 0, "end": 0x200, "from": ["chip a1"]},
        {"start": 0x200, "end": 0x400, "from": ["chip b1, swap bytes"]},
    ],
}


def changed(**changes: Any) -> tuple[str, ...]:
    return causes_of(ROM, {**ROM, **changes})


def test_a_changed_chip_is_named_with_its_ranges_and_what_was_done_to_it() -> None:
    contents = [ROM["contents"][0], {"role": "chip b1", "sha256": "3" * 64}]
    assert changed(contents=contents) == ("chip b1 changed: range 0x0200-0x03FF, through swap bytes",)


def test_chips_that_come_and_go_are_named_by_the_side_that_has_them() -> None:
    other = {"role": "chip c1", "sha256": "4" * 64}
    ranges = [{"start": 0x200, "end": 0x400, "from": ["chip c1"]}]
    assert changed(contents=[ROM["contents"][0], other], ranges=ranges) == (
        "chip b1 no longer used: range 0x0200-0x03FF, through swap bytes",
        "chip c1 added: range 0x0200-0x03FF",
    )


def test_steps_are_compared_in_order() -> None:
    assert changed(steps=["0x0000: chip a1", "0x0200: chip b1"]) == (
        "step 0x0200: chip b1, swap bytes -> 0x0200: chip b1",
    )
    assert changed(steps=["0x0000: chip a1"]) == ("step removed: 0x0200: chip b1, swap bytes",)
    assert changed(steps=[*ROM["steps"], "0x0400: fill 0xFF"]) == ("step added: 0x0400: fill 0xFF",)


def test_another_owner_is_named() -> None:
    assert changed(kind="core-file", owner="fern") == ("kind: rom-file -> core-file", "owner: snail-race -> fern")


def test_where_a_side_says_nothing_no_cause_is_known() -> None:
    assert causes_of({}, ROM) == causes_of(ROM, {}) == causes_of(ROM, ROM) == ()
