"""The demo's manifests say the truth about its files, and the scenario is the one the documents tell.

Declared hashes are checked without the code under test: manifests are read with tomllib, contents come from
demo_files.py, and ROM files are arranged with numpy in demo_roms.py. Then the pipeline has to agree.
"""

from __future__ import annotations

import hashlib
import tomllib
import zlib
from collections import Counter
from collections.abc import Iterable, Iterator
from typing import Any

import pytest

from pipeline.configs.edit import edit_value
from pipeline.manifest.load import load
from pipeline.model.manifest import ConfigEdit, Manifest, Title
from pipeline.model.units import parse_size
from pipeline.roms.assemble import assemble, check_title
from tests.support import demo_files, demo_roms

INPUTS = demo_files.FOLDER.parent
BY_HASH = {hashlib.sha256(content).hexdigest(): content for content in demo_files.wanted().values()}


def manifests(kind: str) -> dict[str, dict[str, Any]]:
    """Return the manifests of one kind as tomllib reads them, by id."""
    return {path.stem: tomllib.loads(path.read_text("utf-8")) for path in sorted((INPUTS / kind).glob("*.toml"))}


TITLES = manifests("titles")
LAYOUTS = manifests("cores")["glimmer"]["layouts"]


def stated(title: str, key: str) -> dict[str, Any]:
    """Return what a title and the one it is like have in a table, the title's own first."""
    own = TITLES[title]
    return {**(stated(own["like"], key) if "like" in own else {}), **own.get(key, {})}


def layout(title: str) -> dict[str, Any]:
    """Return the layout of a title, or of the one it is like; an empty one without."""
    own = TITLES[title]
    return layout(own["like"]) if "like" in own else LAYOUTS[own["layout"]] if "layout" in own else {"rom": []}


def chips_of(title: str) -> dict[str, bytes]:
    """Return the content of each chip of a title, in sockets and elsewhere, by name."""
    chips = {**stated(title, "chips"), **stated(title, "sockets")}
    return {name: BY_HASH[chip["sha256"]] for name, chip in chips.items()}


def roms_of(title: str) -> dict[str, dict[str, Any]]:
    """Return the ROM files of a title by path, those of its layout with what the title says of them."""
    name = TITLES[title].get("file-name", title.replace("-", "").upper()[:8])
    every = [*layout(title)["rom"], *TITLES[title].get("rom", [])]
    roms: dict[str, dict[str, Any]] = {}
    for rom in every:
        path = rom["path"].replace("{title}", name)
        roms[path] = {**roms.get(path, {}), **rom}
    return roms


def tables(value: object) -> Iterator[dict[str, Any]]:
    """Yield every table in a TOML value, however deep."""
    if isinstance(value, dict):
        yield value
    for part in value.values() if isinstance(value, dict) else value if isinstance(value, list) else ():
        yield from tables(part)


def declared_contents() -> list[dict[str, Any]]:
    """Return every table that declares a content: chips, bitstreams and finished files, but not ROM files."""
    every = (one for kind in ("cores", "titles", "cards") for one in tables(manifests(kind)))
    rom_files = [rom for title in TITLES.values() for rom in title.get("rom", ())]
    return [one for one in every if "sha256" in one and one not in rom_files]


@pytest.fixture(scope="module")
def manifest() -> Manifest:
    """Return the demo as the pipeline loads it."""
    return load(INPUTS)


def test_every_declared_content_is_made_by_the_script_with_that_size_and_crc() -> None:
    for content in declared_contents():
        made = BY_HASH[content["sha256"]]
        assert content["crc32"] == f"{zlib.crc32(made):08x}"
        assert "size" not in content or parse_size(content["size"]) == len(made)


def test_a_chip_has_the_size_of_its_socket_where_its_title_says_nothing_else() -> None:
    for title in TITLES:
        for name, chip in stated(title, "sockets").items():
            size = chip.get("size", layout(title)["sockets"][name]["size"])
            assert parse_size(size) == len(BY_HASH[chip["sha256"]])


def test_every_content_the_script_makes_is_asked_for() -> None:
    listed = [line[:64] for line in (demo_files.FOLDER / "bramblet-pack.sha256").read_text("ascii").splitlines()]
    assert {*listed, *(content["sha256"] for content in declared_contents())} == set(BY_HASH)


def test_four_chips_are_shared_by_titles() -> None:
    tables = [table for title in TITLES.values() for table in (title.get("chips", {}), title.get("sockets", {}))]
    uses = Counter(chip["sha256"] for table in tables for chip in table.values())
    names = ("shared/5p", "shared/8e", "shared/12l", "night-postman/u1")
    shared = {hashlib.sha256(demo_files.wanted()[name]).hexdigest() for name in names}
    assert {sha256 for sha256, count in uses.items() if count > 1} == shared


@pytest.mark.parametrize(("title", "path"), demo_roms.ROMS)
def test_a_rom_file_is_declared_with_the_size_and_hash_numpy_gives(title: str, path: str) -> None:
    arranged = demo_roms.ROMS[title, path](chips_of(title))
    rom = roms_of(title)[path]
    assert (parse_size(rom["size"]), rom["sha256"]) == (len(arranged), hashlib.sha256(arranged).hexdigest())


def test_no_rom_file_goes_without_being_arranged_by_hand() -> None:
    declared = {(id_, path) for id_ in TITLES for path in roms_of(id_)}
    assert declared == set(demo_roms.ROMS)


def test_every_manifest_points_at_its_schema() -> None:
    for kind in ("boards", "cores", "titles", "cards", "stations"):
        for path in (INPUTS / kind).glob("*.toml"):
            first = path.read_text("utf-8").partition("\n")[0]
            assert first == f"#:schema ../../schemas/{kind[:-1]}.schema.json"
            assert (path.parent / first.removeprefix("#:schema ")).is_file()


@pytest.mark.parametrize(("title", "path"), demo_roms.ROMS)
def test_the_pipeline_assembles_what_numpy_gives(manifest: Manifest, title: str, path: str) -> None:
    loaded = manifest.titles[title]
    chips = {name: BY_HASH[chip.content.sha256] for name, chip in loaded.chips.items()}
    rom = next(rom for rom in loaded.roms if rom.path == path)
    assert check_title(loaded) == []
    assert assemble(loaded, rom, chips) == demo_roms.ROMS[title, path](chips)


def test_the_arcade_core_has_14_titles_for_an_upright_display_built_from_chips(manifest: Manifest) -> None:
    titles = [title for title in manifest.titles.values() if title.core == "glimmer"]
    assert manifest.cores["glimmer"].needs.orientation == "portrait"
    assert len([title for title in titles if "upright" in title.tags]) == 14
    assert [title.id for title in titles if "upright" not in title.tags] == [
        "hedge-census-first-series",
        "marble-ferry-at-night",
    ]
    assert all(title.roms and title.chips for title in titles)


def test_layouts_and_variants_serve_seven_titles(manifest: Manifest) -> None:
    of_layouts = {title.id: title.layout for title in manifest.titles.values() if title.layout}
    assert of_layouts == {
        "hedge-census": "one-large",
        "hedge-census-first-series": "one-large",
        "kite-quarrel": "three-rows",
        "marble-ferry": "three-rows",
        "marble-ferry-at-night": "three-rows",
        "teapot-regatta": "one-large",
        "walrus-ballot": "three-rows",
    }
    assert {title.id: title.like for title in manifest.titles.values() if title.like} == {
        "hedge-census": "hedge-census-first-series",
        "marble-ferry-at-night": "marble-ferry",
    }


def test_every_kind_of_step_is_used(manifest: Manifest) -> None:
    assert used_steps(manifest.titles.values()) >= {
        "chip", "join", "interleave", "bytes", "fill", "take", "mirror", "pad", "decode",
        "interleave 2 by 1", "interleave 4 by 1", "interleave 8 by 1",
        "interleave 2 by 2", "interleave 4 by 2", "interleave 8 by 2", "over", "holes", "no holes",
    }  # fmt: skip


def used_steps(titles: Iterable[Title]) -> set[str]:
    """Return the names of what the titles' ROM files use."""
    used: set[str] = set()
    for rom in (rom for title in titles for rom in title.roms):
        used.add("no holes" if rom.fill is None else "holes")
        pieces = [step.piece for step in rom.steps]
        used |= {"over" for step in rom.steps if step.over}
        while pieces:
            piece = pieces.pop()
            pieces += piece.parts
            used |= {piece.operation, *(change.operation for change in piece.then)}
            if piece.operation == "interleave":
                used.add(f"interleave {len(piece.parts)} by {piece.arguments.get('unit', 1)}")
    return used


def test_the_cores_and_cards_are_those_of_the_scenario(manifest: Manifest) -> None:
    cores, cards = manifest.cores, manifest.cards
    assert [(file.path, file.placement) for file in cores["quillon"].files] == [
        ("DISCS.LIB", "first"),
        ("PARTS/{core}/QUILLON.ROM", "one-piece"),
    ]
    assert cores["quillon"].needs.settings == {"typing": "socket"}
    assert cores["marrowby"].needs.volumes == ("fat16",)
    assert (cores["marrowby"].titles.names, cores["marrowby"].titles.most) == ("short", 64)
    assert "hdmi" not in cores["marrowby"].needs.outputs
    assert "rgb" not in cores["bramblet"].needs.outputs
    assert [sums.list_path for sums in cores["bramblet"].sums] == ["files/bramblet-pack.sha256"]
    assert {id_: (card.cores, card.tags, card.volume.type) for id_, card in cards.items()} == {
        "arcade-evening": ((), ("upright",), "fat32"),
        "console-corner": (("marrowby", "bramblet"), (), ""),
        "quillon-desk": (("quillon",), (), ""),
    }


def test_an_external_keyboard_changes_one_value_of_the_board_config_and_no_other_byte(manifest: Manifest) -> None:
    setting = manifest.boards["tallow-two"].settings["typing"]
    choice = manifest.cores["quillon"].needs.settings["typing"]
    edit = ConfigEdit(
        path=setting.path,
        section=setting.section,
        name=setting.key,
        value=setting.choices[choice],
        add=setting.add,
        key="",
    )
    before = demo_files.system_files()["BENCH.SET"]
    assert before.count(b"\nlistens-to = lid\r") == 1
    assert edit_value(before, edit) == before.replace(b"\nlistens-to = lid\r", b"\nlistens-to = socket\r")


def test_the_arcade_card_changes_the_value_in_force_and_not_the_one_in_a_note(manifest: Manifest) -> None:
    (edit,) = manifest.cards["arcade-evening"].edits
    before = demo_files.system_files()["BENCH.SET"]
    assert before.count(b"\nshade = 0 ") == 1
    assert edit_value(before, edit) == before.replace(b"\nshade = 0 ", b"\nshade = 25 ")
