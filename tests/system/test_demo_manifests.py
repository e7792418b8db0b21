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


def tables(value: object) -> Iterator[dict[str, Any]]:
    """Yield every table in a TOML value, however deep."""
    if isinstance(value, dict):
        yield value
    for part in value.values() if isinstance(value, dict) else value if isinstance(value, list) else ():
        yield from tables(part)


def declared_contents() -> list[dict[str, Any]]:
    """Return every table that declares a content: chips, bitstreams and finished files, but not ROM files."""
    every = (one for kind in ("cores", "titles", "cards") for one in tables(manifests(kind)))
    return [one for one in every if "sha256" in one and "steps" not in one]


@pytest.fixture(scope="module")
def manifest() -> Manifest:
    """Return the demo as the pipeline loads it."""
    return load(INPUTS)


def test_every_declared_content_is_made_by_the_script_with_that_size_and_crc() -> None:
    for content in declared_contents():
        made = BY_HASH[content["sha256"]]
        assert (parse_size(content["size"]), content["crc32"]) == (len(made), f"{zlib.crc32(made):08x}")


def test_every_content_the_script_makes_is_asked_for() -> None:
    listed = [line[:64] for line in (demo_files.FOLDER / "bramblet-pack.sha256").read_text("ascii").splitlines()]
    assert {*listed, *(content["sha256"] for content in declared_contents())} == set(BY_HASH)


def test_three_chips_are_shared_by_titles() -> None:
    uses = Counter(chip["sha256"] for title in TITLES.values() for chip in title.get("chips", {}).values())
    shared = {hashlib.sha256(demo_files.wanted()[f"shared/{name}"]).hexdigest() for name in ("5p", "8e", "12l")}
    assert {sha256 for sha256, count in uses.items() if count > 1} == shared


@pytest.mark.parametrize(("title", "path"), demo_roms.ROMS)
def test_a_rom_file_is_declared_with_the_size_and_hash_numpy_gives(title: str, path: str) -> None:
    chips = {name: BY_HASH[chip["sha256"]] for name, chip in TITLES[title]["chips"].items()}
    arranged = demo_roms.ROMS[title, path](chips)
    rom = next(rom for rom in TITLES[title]["rom"] if rom["path"] == path)
    assert (parse_size(rom["size"]), rom["sha256"]) == (len(arranged), hashlib.sha256(arranged).hexdigest())


def test_no_rom_file_goes_without_being_arranged_by_hand() -> None:
    declared = {(id_, rom["path"]) for id_, title in TITLES.items() for rom in title.get("rom", ())}
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
    assert len(titles) == 14
    assert all(title.roms and title.chips and "upright" in title.tags for title in titles)


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
