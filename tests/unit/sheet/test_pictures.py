"""The pictures: every cluster and every byte where the plan and the map of the ROM file say it is."""

from __future__ import annotations

import itertools
import re
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.manifest.load import load
from pipeline.model.ranges import Range, RangeSource, RomMap
from pipeline.roms.map import rom_map
from pipeline.sheet.card_map import MOST_ROWS, CardMap, about, card_map, numbered
from pipeline.sheet.rom_picture import RomPicture, rom_picture
from pipeline.sheet.strip import NARROW, StripBlock
from tests.support.samples import card_file
from tests.unit.sheet.sheets import FILES, plan_of

ROOT = Path(__file__).parents[3]
KINDS = ("board", "core", "title", "card")


def at(blocks: tuple[StripBlock, ...], x: float) -> StripBlock | None:
    """Return what is seen at a place of a strip: the block painted last."""
    return next((one for one in reversed(blocks) if one.x <= x < one.x + one.width), None)


def kinds_of(paths: list[str]) -> dict[str, str]:
    return {path: KINDS[number % 4] for number, path in enumerate(paths)}


@given(
    sizes=st.lists(st.integers(0, 40_000), min_size=1, max_size=40),
    fat_bits=st.sampled_from([16, 32]),
    first=st.booleans(),
)
def test_at_the_place_of_each_cluster_stands_what_the_plan_put_there(
    sizes: list[int], fat_bits: int, first: bool
) -> None:
    paths = [f"FOLDER{number % 3}/{number}.DAT" for number in range(len(sizes))]
    files = [card_file(path, bytes(size)) for path, size in zip(paths, sizes, strict=True)]
    files.append(card_file("ONE.DAT", b"1", placement="first" if first else "anywhere"))
    plan = plan_of(files, fat_bits, 256 << 20)
    kind_of = kinds_of([*paths, "ONE.DAT"])
    picture = card_map(plan, kind_of)
    numbers = {entry.path: number for number, entry in enumerate(numbered(plan), 1)}
    for entry in plan.entries:
        for cluster in range(entry.cluster, entry.cluster + entry.clusters):
            row, place = divmod(cluster - 2, picture.row_clusters)
            seen = at(picture.rows[row], (place + 0.5) / picture.row_clusters * 100)
            assert seen is not None
            assert seen.kind.removesuffix(" first") == ("folder" if entry.is_folder else kind_of[entry.path])
            assert seen.label in ("", str(numbers.get(entry.path, "")))
            assert seen.kind.endswith(" first") == (entry == picture.first)
    assert picture.first is not None
    assert picture.first == min(
        (one for one in plan.entries if one.sha256 and one.cluster), key=lambda one: one.cluster
    )
    assert len(picture.rows) <= MOST_ROWS


@pytest.mark.parametrize("count", [500, 5_000])
def test_on_a_full_card_every_file_is_drawn_wide_enough_to_be_seen_and_the_rest_is_said(count: int) -> None:
    files = [card_file(f"PACK{number % 7}/{number:05}.DAT", b"%d" % number) for number in range(count)]
    files.append(card_file("BIG.DAT", bytes(50_000_000)))
    plan = plan_of(files, 16, 256 << 20)
    picture = card_map(plan, {file.path: "card" for file in files})
    blocks = [one for row in picture.rows for one in row]
    assert all(one.width >= NARROW and one.x >= 0 and one.x + one.width <= 100.001 for one in blocks)
    drawn = sum(one.count for one in blocks if one.kind.startswith("card"))
    assert drawn >= count + 1  # a file that goes on in the next row is drawn in both
    assert len(blocks) <= MOST_ROWS * 100 / NARROW
    assert (picture.raised, picture.merged) == (True, True)


def test_a_card_of_nothing_has_an_empty_picture() -> None:
    picture = card_map(plan_of(()), {})
    assert (picture.first, picture.rows, picture.raised) == (None, ((),), False)


def test_the_whole_card_is_told_in_parts_that_add_up() -> None:
    plan = plan_of(FILES)
    picture: CardMap = card_map(plan, kinds_of([file.path for file in FILES]))
    assert [words for _, words, _ in picture.parts] == [
        "partition table, boot sector and FATs", "folders and files", "free",
    ]  # fmt: skip
    system, used, free = picture.whole
    total = plan.volume.card_sectors
    assert system.width == pytest.approx(max(plan.volume.root_start / total * 100, NARROW), abs=0.001)
    assert free.x + free.width == pytest.approx(100, abs=0.001)
    assert used.x == pytest.approx(plan.volume.root_start / total * 100, abs=0.001)


@pytest.mark.parametrize(
    ("size", "text"), [(0, "0 B"), (1023, "1023 B"), (1024, "1 KiB"), (503_212_032, "479.9 MiB"), (2 << 30, "2 GiB")]
)
def test_sizes_are_told_in_the_unit_that_fits(size: int, text: str) -> None:
    # IEC 80000-13: KiB 2**10, MiB 2**20, GiB 2**30 bytes; 503,212,032 / 2**20 = 479.9
    assert about(size) == text


def seen_at(picture: RomPicture, byte: int, size: int) -> list[StripBlock]:
    """Return what is seen at a byte's place, from top to bottom; what is painted later hides what is below."""
    x = (byte + 0.5) / size * 100
    here = [lane for lane in picture.lanes if lane.block.x <= x < lane.block.x + lane.block.width]
    whole = [number for number, lane in enumerate(here) if lane.height == 100]
    return [lane.block for lane in (here[whole[-1] :] if whole else here)]


@pytest.mark.parametrize("title", load(ROOT / "inputs", ROOT).titles.values(), ids=lambda title: title.id)
def test_the_demos_rom_files_show_at_each_place_the_chips_that_fill_it(title: object) -> None:
    for rom in title.roms:  # type: ignore[attr-defined]  # pytest gives the parameter as it is
        ranges = rom_map(title, rom)  # type: ignore[arg-type]  # likewise
        picture = rom_picture(RomMap(title="x", path=rom.path, size=rom.size, ranges=ranges))
        for one in ranges:
            if (one.end - one.start) / rom.size * 100 > 3 * NARROW:
                seen = seen_at(picture, (one.start + one.end) // 2, rom.size)
                assert [block.kind for block in seen] == [source.kind for source in one.sources]
                assert all(b.label in ("", s.name, s.kind) for b, s in zip(seen, one.sources, strict=True))


@settings(max_examples=50)
@given(edges=st.sets(st.integers(1, 65_535), max_size=300))
def test_even_the_smallest_range_is_seen_and_addresses_never_meet(edges: set[int]) -> None:
    points = [0, *sorted(edges), 65_536]
    kinds = ("chip", "fill", "bytes")
    ranges = tuple(
        Range(start, end, (RangeSource(kinds[number % 3], "a"),))
        for number, (start, end) in enumerate(itertools.pairwise(points))
    )
    picture = rom_picture(RomMap(title="x", path="X.ROM", size=65_536, ranges=ranges))
    assert sum(lane.block.count for lane in picture.lanes) == len(ranges)
    assert all(lane.block.width >= NARROW and lane.block.x + lane.block.width <= 100.001 for lane in picture.lanes)
    places = [place for place, _ in picture.ticks]
    assert all(later - earlier > 14 for earlier, later in itertools.pairwise(places))
    assert picture.ticks[-1] == (100.0, "0xFFFF")


def test_a_range_too_narrow_to_scale_lies_over_its_wide_neighbours() -> None:
    wide = RangeSource("chip", "a")
    ranges = (
        Range(0, 8, (RangeSource("bytes", "AA"),)),
        Range(8, 40_000, (wide,)),
        Range(40_000, 40_001, (RangeSource("check"),)),
        Range(40_001, 65_536, (wide, wide)),
    )
    picture = rom_picture(RomMap(title="x", path="X.ROM", size=65_536, ranges=ranges))
    for byte, kinds in ((100, ["bytes"]), (20_000, ["chip"]), (40_010, ["check"]), (50_000, ["chip", "chip"])):
        assert [one.kind for one in seen_at(picture, byte, 65_536)] == kinds


def test_a_file_too_small_to_scale_lies_over_its_large_neighbours() -> None:
    files = [card_file(name, bytes(size)) for name, size in (("A.DAT", 9 << 20), ("B.DAT", 1), ("C.DAT", 9 << 20))]
    picture = card_map(plan_of(files), {"A.DAT": "core", "B.DAT": "card", "C.DAT": "core"})
    blocks = [one for row in picture.rows for one in row]
    [small] = [one for one in blocks if one.kind == "card"]
    [row] = [row for row in picture.rows if small in row]
    assert at(row, small.x + small.width / 2) == small
    assert picture.raised


CSS = (ROOT / "pipeline/sheet/templates/sheet.css").read_text(encoding="utf-8")


def luminance(colour: str) -> float:
    """Return the relative luminance of "#rrggbb" (WCAG 2.2, "relative luminance")."""
    parts = [int(colour[at : at + 2], 16) / 255 for at in (1, 3, 5)]
    red, green, blue = (part / 12.92 if part <= 0.04045 else ((part + 0.055) / 1.055) ** 2.4 for part in parts)
    return 0.2126 * red + 0.7152 * green + 0.0722 * blue


def contrast(one: str, other: str) -> float:
    """Return the contrast ratio of two colours (WCAG 2.2, "contrast ratio")."""
    light, dark = sorted((luminance(one), luminance(other)), reverse=True)
    return (light + 0.05) / (dark + 0.05)


def test_contrast_is_worked_out_as_the_standard_says() -> None:
    # WCAG 2.2: black on white is 21:1; #767676 on white is the well-known border of 4.5:1 (4.54)
    assert contrast("#000000", "#ffffff") == pytest.approx(21)
    assert contrast("#767676", "#ffffff") == pytest.approx(4.54, abs=0.005)


@pytest.mark.parametrize("scheme", range(3), ids=["light", "dark", "print"])
def test_the_colours_of_the_pictures_can_be_told_apart(scheme: int) -> None:
    # WCAG 2.2, AA: 4.5:1 for text (1.4.3); 3:1 for what a picture needs to be understood (1.4.11)
    colours = dict(re.findall(r"--([a-z-]+): (#[0-9a-f]{6});", re.findall(r":root \{(.*?)\}", CSS, re.DOTALL)[scheme]))
    for kind in ("board", "core", "title", "card", "folder"):
        assert contrast(colours[kind], colours[f"on-{kind}"]) >= 4.5, kind
    for kind in ("board", "core", "title", "card", "folder", "system"):
        assert contrast(colours[kind], colours["paper"]) >= 3, kind
    for text in ("ink", "soft", "accent", "good", "step", "bad"):
        assert min(contrast(colours[text], colours[one]) for one in ("paper", "sheet")) >= 4.5, text
    assert contrast(colours["ink"], colours["warn-paper"]) >= 4.5
    assert contrast(colours["ink"], colours["track"]) >= 4.5
