"""The sheet as text: valid, self-contained, complete, and whatever is in a name stays text."""

from __future__ import annotations

import json
import re
from dataclasses import replace
from functools import partial
from itertools import pairwise
from pathlib import Path
from typing import Any

import pytest

from pipeline.model.finished import FinishedCard
from pipeline.model.manifest import Board, Fpga, Needs
from pipeline.model.matrix import AFTER, NOT
from pipeline.sheet.cautions import cautions_of_a_stranger
from pipeline.sheet.page import sheet_text
from tests.support.samples import board, card_file, core, title
from tests.unit.sheet.sheets import HOSTILE, HTML, SUMS, SVG, hostile, many, parsed, sheet, words

SHEETS: dict[str, Any] = {"plain": sheet, "hostile": hostile, "folded": lambda: many(60)}


@pytest.fixture(params=SHEETS)
def page(request: pytest.FixtureRequest) -> Any:
    return parsed(sheet_text(SHEETS[request.param](), SUMS).decode())


@pytest.mark.parametrize("card", ["arcade-evening", "console-corner", "quillon-desk"])
def test_the_demos_sheets_are_valid_and_name_every_file_with_its_hash(demo: dict[str, Path], card: str) -> None:
    text = words(parsed(demo[card].read_text(encoding="utf-8")).find(f".//{HTML}main"))
    record = json.loads(demo[card].with_name("record.json").read_bytes())
    assert [file for file in record["files"] if file["path"] not in text or file["sha256"] not in text] == []
    assert [core["name"] for core in record["cores"] if core["name"] not in text] == []
    assert [title["name"] for title in record["titles"] if title["name"] not in text] == []
    assert record["image"]["sha256"] in text


def test_nothing_runs_and_nothing_is_fetched(page: Any) -> None:
    # HTML Living Standard: what makes a browser run or fetch something
    names = {element.tag.rpartition("}")[2] for element in page.iter() if isinstance(element.tag, str)}
    assert (
        names & {"script", "link", "img", "iframe", "object", "embed", "base", "form", "image", "use", "frame"} == set()
    )
    for element in page.iter():
        for name, value in element.attrib.items():
            assert not str(name).startswith("on")
            assert "src" not in str(name)
            assert "href" not in str(name) or value.startswith("#")
    style = words(page.find(f".//{HTML}style"))
    assert not re.search(r"url\(|@import|@font-face", style)


def test_headings_tables_and_pictures_say_what_they_are(page: Any) -> None:
    # WCAG 2.2, 1.3.1 and 1.1.1
    levels = [int(one.tag[-1]) for one in page.iter() if re.fullmatch(re.escape(HTML) + "h[1-6]", str(one.tag))]
    assert levels.count(1) == 1
    assert all(after - before <= 1 for before, after in pairwise(levels))
    assert page.get("lang") == "en"
    for table in page.iter(f"{HTML}table"):
        assert words(table.find(f"{HTML}caption"))
    assert {head.get("scope") for head in page.iter(f"{HTML}th")} == {"col", "row"}
    ids = [one.get("id") for one in page.iter() if one.get("id")]
    assert len(ids) == len(set(ids))
    assert {link.get("href")[1:] for link in page.iter(f"{HTML}a")} <= set(ids)
    pictures = [one for one in page.iter(f"{SVG}svg") if one.get("role") == "img"]
    assert len(pictures) == 2
    for picture in pictures:
        named = [picture.find(f"{SVG}title"), picture.find(f"{SVG}desc")]
        assert [one.get("id") for one in named] == picture.get("aria-labelledby").split()
        assert all(words(one) for one in named)


def test_hostile_names_stand_as_text_each_in_a_run_of_its_own() -> None:
    # Unicode Standard Annex 9, "isolates"; the bdi element of the HTML Living Standard makes one
    text = sheet_text(hostile(), SUMS).decode()
    page = parsed(text)
    assert words(page.find(f".//{HTML}h1")) == HOSTILE
    assert "<script" not in text
    assert "<img" not in text
    parents = {child: parent for parent in page.iter() for child in parent}
    holders = [one for one in page.find(f".//{HTML}body").iter() if one.text and "\u202e" in one.text]
    assert len(holders) > 30
    for one in holders:
        isolated = one.tag == f"{HTML}bdi" or parents[one].tag == f"{HTML}bdi" or one.text.count("\u2068") == 1
        assert isolated, one.text


def test_equal_values_give_equal_bytes() -> None:
    assert sheet_text(sheet(), SUMS).decode() == sheet_text(sheet(), SUMS).decode()


def test_a_long_list_of_files_is_folded_by_folder_and_a_very_long_one_left_to_the_record() -> None:
    def folds(page: Any) -> list[str]:
        return [words(one) for one in page.iter(f"{HTML}summary")]

    assert folds(parsed(sheet_text(many(35), SUMS).decode())) == []
    assert folds(parsed(sheet_text(many(36), SUMS).decode())) == [
        "In no folder: 3 files, 9,007 bytes",
        "FABRICS: 1 file, 6 bytes",
        "GOODS: 1 file, 2 KiB",
        "PACK: 36 files, 62 bytes",
    ]
    long = sheet_text(many(1_996), SUMS).decode()
    assert folds(parsed(long)) == []
    assert 'PACK</bdi></span></th><td class="number">1,996</td>' in long
    assert len(long) < 200_000


def cautions(value: FinishedCard) -> list[str]:
    section = parsed(sheet_text(value, SUMS).decode()).find(f".//{HTML}section[@id='cautions']")
    return [words(one).rstrip(".") for one in section.iter(f"{HTML}strong")]


def with_needs(**needs: Any) -> FinishedCard:
    return sheet(cores=(core(needs=Needs(**needs)),), titles=(), outlooks=())


ALWAYS = ["Precedence", "Power"]
WITH_CORE = [*ALWAYS, "Bitstreams", "Line rates"]


def test_a_caution_is_left_out_only_where_the_manifests_state_that_it_does_not_apply() -> None:
    # common practice
    nothing = partial(sheet, files=(), titles=(), outlooks=())
    assert cautions(nothing(cores=())) == ALWAYS
    for needs in (Needs(), Needs(orientation="portrait"), Needs(line_rates=(15_625,))):
        assert cautions(nothing(cores=(core(needs=needs),))) == [*WITH_CORE, "Upright displays"]
    lying = core(needs=Needs(orientation="landscape"))
    assert cautions(nothing(cores=(lying,))) == WITH_CORE
    upright = title(orientation="portrait")
    assert cautions(nothing(cores=(lying,), titles=(upright,))) == [*WITH_CORE, "Upright displays"]


@pytest.mark.parametrize(
    ("step", "upright"),
    [("turn tube so that it stands upright", True), ("Press Return", False), ("Turn the tube", True)],
)
def test_return_is_no_turn(step: str, upright: bool) -> None:
    outlook = replace(sheet().outlooks[0], verdict=AFTER, steps=(step,))
    value = sheet(files=(), cores=(core(needs=Needs(orientation="landscape")),), titles=(), outlooks=(outlook,))
    assert ("Upright displays" in cautions(value)) is upright


@pytest.mark.parametrize(
    ("kind", "expected"),
    [
        ("rom-file", ["Reading chips", "Rights"]),
        ("title-file", ["Reading chips", "Rights"]),
        ("core-file", ["Rights"]),
        ("board-file", ["Rights"]),
        ("bitstream", []),
    ],
)
def test_what_may_be_a_dump_has_the_cautions_about_chips_and_rights(kind: str, expected: list[str]) -> None:
    files = (card_file("X.BIN", b"x", kind=kind, owner="x"),)
    assert cautions(sheet(files=files, cores=(), titles=(), outlooks=())) == [*ALWAYS, *expected]


def test_the_caution_about_reading_chips_names_every_danger() -> None:
    """Common practice: mains, static, and what stays dangerous when it is off."""
    section = words(parsed(sheet_text(sheet(), SUMS).decode()).find(f".//{HTML}section[@id='cautions']"))
    for danger in ("switch the machine off", "pull its mains plug", "static", "Power supplies and tube monitors stay"):
        assert danger in section


def test_a_card_with_strange_files_has_all_cautions() -> None:
    """As of a card that was adopted: its cores are unknown, and each of its files may be a core or a dump."""
    files = (card_file("X.BIN", b"x", kind="card-file", owner="desk"),)
    expected = [*WITH_CORE, "Upright displays", "Reading chips", "Rights"]
    assert cautions(sheet(files=files, cores=(), titles=(), outlooks=())) == expected
    assert [about for about, _ in cautions_of_a_stranger()] == [*ALWAYS, "Writing", *expected[2:]]


def test_the_boards_own_cautions_and_part_are_told() -> None:
    oak: Board = board(cautions=("Mind the fan.",), fpga=Fpga(part="TW-40"))
    section = words(parsed(sheet_text(sheet(board=oak), SUMS).decode()).find(f".//{HTML}section[@id='cautions']"))
    assert "Mind the fan." in section
    assert "FPGA it was made for (here: TW-40)." in section


def rows(value: FinishedCard, section: str) -> list[list[str]]:
    body = parsed(sheet_text(value, SUMS).decode()).find(f".//{HTML}section[@id='{section}']//{HTML}tbody")
    return [[" ".join(words(cell).split()) for cell in row] for row in body]


def test_what_fares_alike_at_a_station_stands_in_one_row() -> None:
    titles = tuple(title(id, name=id) for id in ("ant", "bee", "cat"))
    first = sheet().outlooks[0]
    outlooks = [first, *(replace(first, title=one) for one in ("ant", "cat"))]
    outlooks.append(replace(first, title="bee", verdict=NOT, reasons=("no pad",)))
    assert rows(sheet(titles=titles, outlooks=tuple(outlooks)), "stations") == [
        ["Fern and 2 titlesant, cat", "workstube, RGB", "Nothing to do."],
        ["beeon Fern", "does not worktube, RGB", "no pad"],
    ]


def test_titles_of_equal_rights_stand_in_one_row_and_sizes_add_up() -> None:
    contents = rows(sheet(titles=(title("snail-race"), title("bee")), outlooks=()), "contents")
    assert contents == [
        ["Oaksystem files of the board", "17 bytes", "nothing stated"],
        ["Fernarcade, release 1.0", "29,006 bytes", "nothing stated"],
        ["2 titlesfor FernSnail-Race, Bee", "12 KiB", "nothing stated"],
        ["Deskfiles of the card's own", "10 bytes", "nothing stated"],
    ]


def test_facts_older_than_the_release_are_pointed_out() -> None:
    def told(**dates: str) -> list[list[str]]:
        return rows(sheet(cores=(core(source="read-me", **dates),)), "facts")

    old = "2026-02-01 older than the release on this card"
    assert told(date="2026-02-01", release_date="2026-02-02") == [["Fern", "read-me", old]]
    assert told(date="2026-02-01", release_date="2026-02") == [["Fern", "read-me", "2026-02-01"]]
    assert told(date="2026-02-01", release_date="2025-12-31") == [["Fern", "read-me", "2026-02-01"]]


def test_line_rates_are_told_by_output() -> None:
    needs = Needs(outputs=("hdmi", "rgb", "vga"), line_rates=(31_250,), output_rates={"rgb": (15_625, 15_734)})
    page = parsed(sheet_text(sheet(cores=(core(needs=needs),)), SUMS).decode())
    told = [" ".join(words(one).split()) for one in page.iter(f"{HTML}dd")]
    assert "HDMI and VGA: 31.25 kHz" in told
    assert "RGB: 15.625 and 15.734 kHz" in told
