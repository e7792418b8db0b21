"""Boards drafted from cards of mkfs.fat and mtools: filled in, adopted and built, the card is the same again."""

from __future__ import annotations

import json
import shutil
import tomllib
from pathlib import Path

import pytest
from jsonschema import Draft202012Validator

from pipeline.commands.adopt import Adopt
from pipeline.commands.new import New
from pipeline.manifest.schema.copies import schemas
from pipeline.manifest.text.blank import BLANK
from tests.strangers import with_dissect, with_mtools
from tests.support.building import build_card_in
from tests.support.cli import within
from tests.support.small import sha
from tests.unit.survey.hand_made import CARDS, KINDS, NAMES, RELEASES, make

SECTOR = 512
GOLDEN = Path(__file__).parent / "oxbow.toml"


@pytest.fixture(scope="module")
def images(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Path]:
    """The image of each card, made when it is first asked for."""
    return Images(tmp_path_factory)


class Images(dict[str, Path]):
    def __init__(self, factory: pytest.TempPathFactory) -> None:
        super().__init__()
        self.factory = factory

    def __missing__(self, board: str) -> Path:
        folder = self.factory.mktemp(board)
        make(CARDS[board](), folder / "card.img", folder)
        self[board] = folder / "card.img"
        return self[board]


def drafted(folder: Path, board: str, images: dict[str, Path]) -> Path:
    """Draft a board from its card, and return the manifest."""
    (folder / "inputs").mkdir()
    shutil.copyfile(images[board], folder / "card.img")
    ran = within(folder, New, "board", board, "--from", "card.img")
    assert (ran.code, ran.err) == (0, "")
    return folder / "inputs" / "boards" / f"{board}.toml"


def contents(image: Path, offset: int, tmp_path: Path) -> dict[str, str]:
    """Return the SHA-256 of each file of a card by its path, "" for folders, as two readers of others see it.

    dissect does not show which short names are meant in lower case.
    """
    tmp_path.mkdir()
    found = {item.path: item.sha256 for item in with_mtools.read(image, offset, tmp_path)}
    again = {item.path.upper(): item.sha256 for item in with_dissect.read(image, offset)}
    assert {path.upper(): sha256 for path, sha256 in found.items()} == again
    return found


@pytest.mark.parametrize("board", CARDS)
def test_the_draft_says_what_the_card_shows(board: str, images: dict[str, Path], tmp_path: Path) -> None:
    values = tomllib.loads(drafted(tmp_path, board, images).read_text("utf-8"))
    assert values == {"name": BLANK, **CARDS[board]().drafted}
    assert list(Draft202012Validator(json.loads(schemas()["board.schema.json"])).iter_errors(values)) == []


@pytest.mark.parametrize("board", CARDS)
def test_filled_in_adopted_and_built_the_card_holds_the_same_files(
    board: str, images: dict[str, Path], tmp_path: Path
) -> None:
    path = drafted(tmp_path, board, images)
    text = path.read_text("utf-8").replace(f'name = "{BLANK}"', 'name = "Ours"')
    path.write_text(text.replace(f'part = "{BLANK}"', 'part = "iCE40HX8K"'), "utf-8")
    ran = within(tmp_path, Adopt, "card.img", board, "--as", "again")
    assert (ran.code, ran.err) == (0, "")
    filled_in(tmp_path / "inputs" / "cores")
    build_card_in(tmp_path, "again")
    card = CARDS[board]()
    start = json.loads((tmp_path / "build/cards/again/record.json").read_text("utf-8"))["volume"]["first-sector"]
    old = contents(tmp_path / "card.img", 63 * SECTOR if card.part_type else 0, tmp_path / "old")
    new = contents(tmp_path / "build/cards/again/card.img", start * SECTOR, tmp_path / "new")
    assert new == old
    assert {path for path, sha256 in new.items() if sha256} == set(card.files)


def filled_in(cores: Path) -> None:
    """Fill in the blanks of drafted cores as a person does who has the cores' read-me files."""
    for path in cores.iterdir():
        core = path.stem.upper()
        text = path.read_text("utf-8")
        for key, values in (("name", NAMES), ("kind", KINDS), ("release", RELEASES)):
            value = json.dumps(values[core], ensure_ascii=False)
            assert f"{key} = {value}\n" in text or f'{key} = "{BLANK}"\n' in text
            text = text.replace(f'{key} = "{BLANK}"', f"{key} = {value}")
        path.write_text(text, "utf-8")


def test_the_whole_draft_of_one_card(images: dict[str, Path], tmp_path: Path) -> None:
    assert drafted(tmp_path, "oxbow", images).read_text("utf-8") == GOLDEN.read_text("utf-8")


def test_a_suggested_setting_that_is_taken_up_becomes_a_choice_of_the_card(
    images: dict[str, Path], tmp_path: Path
) -> None:
    path = drafted(tmp_path, "millrace", images)
    head, _, rest = path.read_text("utf-8").replace(BLANK, "Ours").partition("# [settings.lamp]\n")
    table = "".join(line.removeprefix("# ") for line in f"# [settings.lamp]\n{rest}".splitlines(keepends=True)
                    if not line.startswith('# "'))  # fmt: skip
    path.write_text(head + table.replace('{ on = "on" }', '{ on = "on", off = "off" }'), "utf-8")
    assert within(tmp_path, Adopt, "card.img", "millrace", "--as", "again").code == 0
    filled_in(tmp_path / "inputs" / "cores")
    card = tmp_path / "inputs" / "cards" / "again.toml"
    assert tomllib.loads(card.read_text("utf-8"))["settings"] == {"lamp": "on"}
    build_card_in(tmp_path, "again")
    record = json.loads((tmp_path / "build/cards/again/record.json").read_text("utf-8"))
    sums = {file["path"]: file["sha256"] for file in record["files"]}
    assert sums == {name: sha(data) for name, data in CARDS["millrace"]().files.items()}
    card.write_text(card.read_text("utf-8").replace('lamp = "on"', 'lamp = "off"'), "utf-8")
    build_card_in(tmp_path, "again")
    record = json.loads((tmp_path / "build/cards/again/record.json").read_text("utf-8"))
    assert {file["path"]: file["sha256"] for file in record["files"]}["HOUSE/RULES.INI"] == sha(
        b"boot=last\r\nlamp=off\r\n"
    )
