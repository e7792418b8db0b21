"""The whole way of a picture. What a display does with it is common practice; line rates are from the standards."""

from __future__ import annotations

from typing import Any

import pytest

from pipeline.manifest.schema.formats import parse_rate, parse_rates
from pipeline.model.manifest import Display, Needs
from pipeline.stations.picture import Way, picture
from tests.support import samples

# ITU-R BT.601-7, table 2: 13.5 MHz, 864 samples a line with 625 lines and 858 with 525 lines (ITU-R BT.470-6, table 1:
# 15,625 Hz and 15,734.264 Hz). VESA DMT 1.13, 640 x 480 at 60 Hz: 25.175 MHz, 800 pixels a line (31.469 kHz).
PUBLISHED = {"625": 13_500_000 / 864, "525": 13_500_000 / 858, "vga": 25_175_000 / 800}


def display(**changes: Any) -> Display:
    return Display(**{"name": "tube", "inputs": ("rgb",), **changes})


def way(
    *displays: Display, board: tuple[str, ...] = ("hdmi", "rgb", "vga"), orientation: str = "", **needs: Any
) -> Way:
    station = samples.station(displays=displays)
    return picture(station, samples.board(outputs=board), Needs(**needs), orientation)


def accepted(stated: str, hertz: int) -> bool:
    return not way(display(line_rates=(parse_rates(stated),)), line_rates=(hertz,)).reasons


def test_published_line_rates_are_written_as_whole_hertz() -> None:
    assert {name: round(hertz) for name, hertz in PUBLISHED.items()} == {"625": 15_625, "525": 15_734, "vga": 31_469}
    assert [parse_rate(text) for text in ("15.625 kHz", "15.734 kHz", "31.469 kHz")] == [15_625, 15_734, 31_469]


@pytest.mark.parametrize("stated", ["15.625 kHz", "15.734 kHz", "15.7 kHz", "15.6 kHz", "15-16 kHz"])
def test_a_television_rate_is_shown_by_television_monitors_alone(stated: str) -> None:
    assert accepted(stated, round(PUBLISHED["625"]))
    assert accepted(stated, round(PUBLISHED["525"]))
    assert not accepted(stated, round(PUBLISHED["vga"]))


@pytest.mark.parametrize("stated", ["31.469 kHz", "31.5 kHz", "30-70 kHz"])
def test_a_computer_monitor_shows_doubled_lines_and_no_television_rate(stated: str) -> None:
    assert accepted(stated, round(PUBLISHED["vga"]))
    assert accepted(stated, 2 * round(PUBLISHED["625"]))
    assert not accepted(stated, round(PUBLISHED["625"]))
    assert not accepted(stated, round(PUBLISHED["525"]))


def test_a_single_rate_reaches_two_percent_to_either_side() -> None:
    assert [hertz for hertz in (15_385, 15_386, 16_014, 16_015) if accepted("15.7 kHz", hertz)] == [15_386, 16_014]


def test_every_rate_a_core_may_use_must_be_accepted() -> None:
    tube = display(line_rates=((15_386, 16_014),))
    assert way(tube, line_rates=(15_625, 31_469)).reasons == (
        'the core drives rgb at 31.469 kHz; display "tube" accepts 15.386-16.014 kHz',
    )


def test_where_nothing_is_stated_of_rates_nothing_is_held_against_them() -> None:
    assert way(display(), line_rates=(31_469,)) == Way(display="tube", output="rgb")
    assert way(display(line_rates=((1, 2),))) == Way(display="tube", output="rgb")


def test_an_output_with_rates_of_its_own_does_not_take_the_others() -> None:
    flat = display(name="flat", inputs=("vga", "rgb"), line_rates=((30_000, 70_000),))
    doubled = {"vga": (31_469,)}
    assert way(flat, line_rates=(15_625,), output_rates=doubled) == Way(display="flat", output="vga")


def test_a_picture_that_no_display_takes_names_all_sides() -> None:
    tube = display(inputs=("vga",))
    assert way(tube, board=("hdmi", "rgb")).reasons == (
        'the core drives every output, board "oak" has hdmi and rgb; display "tube" takes vga',
    )
    assert way(tube, outputs=("hdmi", "rgb")).reasons == (
        'the core drives hdmi and rgb, board "oak" has hdmi, rgb and vga; display "tube" takes vga',
    )
    assert way(tube, board=(), outputs=("rgb",)).reasons == ('the core drives rgb; display "tube" takes vga',)
    assert way(tube, board=()) == Way(display="tube", output="vga")


def test_a_core_that_starts_elsewhere_needs_a_declared_way() -> None:
    tube = display(inputs=("vga",))
    switch = {"vga": ("Press Tab until a square shows.", "Wait.")}
    assert way(tube, start_output="rgb", switch=switch) == Way(
        steps=("change the picture to vga: Press Tab until a square shows. Wait.",), display="tube", output="vga"
    )
    assert way(tube, start_output="vga", switch=switch) == Way(display="tube", output="vga")
    assert way(tube, start_output="rgb", switch={"hdmi": ("Press F1.",)}).reasons == (
        'the core starts on rgb, and no way to change it to vga is declared; display "tube" takes vga',
    )


def test_a_display_that_stands_otherwise_is_turned_where_that_is_allowed() -> None:
    assert way(display(turns=True), orientation="portrait").steps == (
        'turn display "tube" to portrait, as far as its maker\'s manual allows',
    )
    assert way(display(), orientation="portrait").reasons == (
        'a portrait display is needed; display "tube" stands landscape and is not turned',
    )
    assert way(display(orientation="portrait"), orientation="portrait") == Way(display="tube", output="rgb")
    assert way(display(orientation="portrait")) == Way(display="tube", output="rgb")


def test_the_way_with_fewest_steps_is_taken_and_the_first_of_equals() -> None:
    turned = display(name="turned", turns=True)
    upright = display(name="upright", orientation="portrait")
    other = display(name="other", orientation="portrait")
    assert way(turned, upright, other, orientation="portrait") == Way(display="upright", output="rgb")
    assert way(display(inputs=("vga", "rgb")), start_output="rgb", switch={"vga": ("Press V.",)}).output == "rgb"


def test_where_no_way_is_free_each_display_tells_what_is_in_its_way() -> None:
    flat = display(name="flat", inputs=("hdmi",), line_rates=((30_000, 70_000),))
    assert way(display(), flat, orientation="portrait", line_rates=(15_625,)) == Way(
        reasons=(
            'a portrait display is needed; display "tube" stands landscape and is not turned',
            'the core drives hdmi at 15.625 kHz; display "flat" accepts 30-70 kHz',
            'a portrait display is needed; display "flat" stands landscape and is not turned',
        )
    )
