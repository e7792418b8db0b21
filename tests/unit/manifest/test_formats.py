from __future__ import annotations

from datetime import UTC, datetime
from pathlib import PurePosixPath, PureWindowsPath

import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline.manifest.schema.formats import (
    FIELDS,
    FORMATS,
    UnfitError,
    check_path,
    check_template,
    parse_moment,
    parse_rate,
)

PATHS = st.lists(st.sampled_from(["A", "b.c", "..", ".", "", "C:", "x\\y", "/", "\x00", "ü"]), max_size=4).map("/".join)


@given(PATHS | st.text())
def test_a_path_that_passes_stays_below_its_folder_on_every_system(text: str) -> None:
    """The standard library's own rules for POSIX and Windows are the witness."""
    try:
        check_path(text)
    except UnfitError:
        return
    for kind in (PurePosixPath, PureWindowsPath):
        path = kind(text)
        assert not path.anchor
        assert ".." not in path.parts
        assert "/".join(path.parts) == text


@pytest.mark.parametrize("text", ["A", "A/B.TXT", "a b/c", "...", "A..B/C", "~", "-x", "ü/€", "GOODS/MOTH PANTRY"])
def test_ordinary_paths_pass(text: str) -> None:
    check_path(text)


class Bare:
    """What a field stands for; it can be written plainly and nothing else."""

    def __format__(self, form: str) -> str:
        assert form == ""
        return "*"


@given(
    st.text(st.sampled_from("{}abcdekmnor!:.[]0 "))
    | st.lists(st.sampled_from(["{core}", "{{", "}}", "{x}", "a"])).map("".join)
)
def test_a_template_that_passes_can_be_filled_in(text: str) -> None:
    """``str.format`` is the witness: it must need no other field, and no attribute or conversion of one."""
    try:
        check_template(text)
    except UnfitError:
        return

    text.format_map(dict.fromkeys(FIELDS, Bare()))


@pytest.mark.parametrize(
    "text", ["{core.folder}", "{core!r}", "{core:>9}", "{core[0]}", "{}", "{0}", "{", "}", "{x}", "{Core}"]
)
def test_other_fields_and_lone_braces_are_refused(text: str) -> None:
    with pytest.raises(UnfitError):
        check_template(text)


@pytest.mark.parametrize(
    ("text", "rate"),
    [("15.7 kHz", 15_700), ("15.625kHz", 15_625), ("31500 Hz", 31_500), ("31500Hz", 31_500), (15_700, 15_700)],
)
def test_line_rates_are_whole_hertz(text: str | int, rate: int) -> None:
    assert parse_rate(text) == rate


@pytest.mark.parametrize("text", ["15.6255 kHz", "0 Hz", "0.5 Hz"])
def test_line_rates_of_broken_hertz_are_refused(text: str) -> None:
    with pytest.raises(UnfitError):
        parse_rate(text)


def test_a_timestamp_has_no_zone() -> None:
    assert parse_moment(datetime(1980, 1, 1)) == datetime(1980, 1, 1)
    assert parse_moment("2107-12-31T23:59:58") == datetime(2107, 12, 31, 23, 59, 58)
    for moment in (
        datetime(2026, 1, 1, tzinfo=UTC),
        "2026-01-01T00:00Z",
        "x",
    ):
        with pytest.raises(UnfitError):
            parse_moment(moment)


@pytest.mark.parametrize(
    ("name", "fit", "unfit"),
    [
        ("size", ["1 B", "2000 GB", "0.5 KiB"], ["0 B", "0.1 B", "2049 GiB", "3000 GB"]),
        ("size-or-nothing", ["0 B", "1 B"], ["0.1 B"]),
        ("size-or-power", ["power-of-two", "1 KiB"], ["0 B"]),
        ("reserved-path", ["A/**", "A", "A/B"], ["**", "A/*", "A?", "A/**/B", "/**", "{core}"]),
        ("card-path", ["A", "A{B", "{other}"], ["", "{core}"]),
        ("card-folder", ["", "A"], ["{core}", ".."]),
        ("path-template", ["A{core}", "{{A}}"], ["", "A{B"]),
        ("folder-template", ["", "{core}"], ["{x}", "/"]),
        ("line-without-fields", ["", "{{}}"], ["{core}", "{"]),
        ("day", ["2026-02-28", "2026-02", "2026"], ["2026-02-29", "2026-13-01"]),
    ],
)
def test_each_format_takes_what_it_should(name: str, fit: list[str], unfit: list[str]) -> None:
    for text in fit:
        FORMATS[name](text)
    for text in unfit:
        with pytest.raises(UnfitError):
            FORMATS[name](text)


@pytest.mark.parametrize("name", FORMATS)
@pytest.mark.parametrize("value", [None, 5, True, 1.5, [], {}])
def test_other_types_are_not_its_business(name: str, value: object) -> None:
    FORMATS[name](value)
