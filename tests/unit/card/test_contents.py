"""Which files a card holds, and which config files are written or changed for it."""

from __future__ import annotations

from dataclasses import replace

import pytest

from pipeline.card.contents import ConfigJob, Known, config_jobs, file_to_edit, gather, with_configs
from pipeline.card.select import Selection
from pipeline.errors import ManifestError, Place
from pipeline.model.content import Content, Ingredient, Origin
from pipeline.model.manifest import ConfigEdit, ConfigFile, OwnFile, RomFile, Setting, SumList, TitleRules
from tests.support import samples

MENU = ConfigFile(path="SIGN.TXT", line_ending="crlf", encoding="ascii", key="cores.menu", lines=("{name}",))
LANGUAGE = Setting(
    name="language", path="BENCH.SET", section="words", key="form", choices={"standard": "0", "regional": "1"}
)
ROM = RomFile(path="SNAIL.ROM", size=4, fill=None, steps=(), sha256="", placement="anywhere", key="rom.1")


def selection(**changes: object) -> Selection:
    plain = Selection(
        card=samples.card(),
        board=samples.board(),
        cores=(samples.core(),),
        titles=(),
        settings={},
        fat_bits=16,
    )
    return replace(plain, **changes)  # type: ignore[arg-type]  # each test gives the fields it means


def known(**changes: object) -> Known:
    return replace(Known(trees={}, sums={}, sizes={}, roms={}), **changes)  # type: ignore[arg-type]  # as above


def test_a_core_brings_its_bitstream_under_the_name_the_board_wants() -> None:
    (file,) = gather(selection(), known())
    assert (file.path, file.content, file.origin.kind) == (
        "FABRICS/FERN/FERN.FAB",
        samples.content(b"fern"),
        "bitstream",
    )
    assert file.place == Place(file="inputs/cores/fern.toml", key="bitstream")


def test_base_folders_and_archives_keep_their_tree() -> None:
    trees = {"files/system": (("BENCH.SET", samples.content(b"1")), ("SYSTEM/BOOT.BIN", samples.content(b"2")))}
    files = gather(selection(board=samples.board(base=("files/system",)), cores=()), known(trees=trees))
    assert [(file.path, file.origin.kind) for file in files] == [
        ("BENCH.SET", "board-file"),
        ("SYSTEM/BOOT.BIN", "board-file"),
    ]


def test_a_single_file_goes_to_the_path_it_is_given() -> None:
    own = OwnFile(path="CLUB/READ-ME.TXT", placement="anywhere", key="files.1", source_path="files/r.txt")
    trees = {"files/r.txt": (("", samples.content(b"hello")),)}
    (file,) = gather(selection(card=samples.card(files=(own,)), cores=()), known(trees=trees))
    assert file.path == "CLUB/READ-ME.TXT"


@pytest.mark.parametrize(
    ("title_folder", "core_folder", "expected"),
    [("", "", "GOODS/FERN"), ("", "RACK/{core}", "RACK/FERN"), ("OWN", "RACK/{core}", "OWN")],
)
def test_a_titles_folder_is_its_own_else_its_cores_else_the_boards(
    title_folder: str, core_folder: str, expected: str
) -> None:
    core = samples.core(titles=TitleRules(folder=core_folder))
    title = samples.title(folder=title_folder, roms=(ROM,))
    made = samples.content(b"made")
    files = gather(selection(cores=(core,), titles=(title,)), known(roms={("snail-race", "SNAIL.ROM"): made}))
    assert [
        (file.path, file.content) for file in files if file.origin == Origin(kind="rom-file", owner="snail-race")
    ] == [(f"{expected}/SNAIL.ROM", made)]


def test_a_checksum_list_gives_a_file_a_line_with_sizes_where_known() -> None:
    sums = SumList(list_path="files/pack.sha256", into="GOODS/{core}", key="sums.1")
    lines = {"files/pack.sha256": (("a" * 64, "ONE.ROM"), ("b" * 64, "X/TWO.ROM"))}
    files = gather(selection(cores=(samples.core(sums=(sums,)),)), known(sums=lines, sizes={"a" * 64: 7}))
    assert [(file.path, file.content) for file in files[1:]] == [
        ("GOODS/FERN/ONE.ROM", Content(sha256="a" * 64, size=7)),
        ("GOODS/FERN/X/TWO.ROM", Content(sha256="b" * 64, size=None)),
    ]


def test_each_core_gets_a_menu_file_with_its_own_fields() -> None:
    (job,) = config_jobs(selection(board=samples.board(menu=MENU)))
    assert (job.path, job.kind, job.owner, job.write) == ("FABRICS/FERN/SIGN.TXT", "menu", "fern", MENU)
    assert job.each == ({"core": "FERN", "name": "Fern", "release": "1.0", "kind": "arcade"},)


def test_one_menu_names_all_cores_in_the_cards_order_and_is_the_boards() -> None:
    board = samples.board(menu=replace(MENU, path="CHOICES.TXT"), one_menu=True)
    cores = (samples.core("moss"), samples.core("fern"))
    (job,) = config_jobs(selection(board=board, cores=cores))
    assert (job.path, job.kind, job.owner, job.place.key) == ("CHOICES.TXT", "menu", "oak", "cores.menu")
    assert [fields["core"] for fields in job.each] == ["MOSS", "FERN"]
    (empty,) = config_jobs(selection(board=board, cores=()))
    assert empty.each == ()


def test_settings_and_edits_of_one_file_become_one_job_the_card_last() -> None:
    edit = ConfigEdit(path="bench.set", section="words", name="form", value="2", add=False, key="edits.1")
    board = samples.board(settings={"language": LANGUAGE})
    (job,) = config_jobs(
        selection(board=board, cores=(), card=samples.card(edits=(edit,)), settings={"language": "regional"})
    )
    assert [(change.value, place.file) for change, place in job.edits] == [
        ("1", "inputs/boards/oak.toml"),
        ("2", "inputs/cards/desk.toml"),
    ]


def test_a_changed_file_takes_the_place_of_the_one_it_came_from() -> None:
    before = samples.card_file("BENCH.SET", b"before", kind="board-file", owner="oak")
    job = ConfigJob(path="bench.set", kind="config", owner="desk", place=before.place)
    assert file_to_edit(job, [before]) == before
    origin = Origin(kind="config", owner="desk", ingredients=(Ingredient(role="before", size=6, sha256="a" * 64),))
    (after,) = with_configs([before], [(job, samples.content(b"after"), origin)])
    assert (after.path, after.content) == ("bench.set", samples.content(b"after"))


def test_a_change_of_a_file_that_is_not_on_the_card_offers_the_nearest() -> None:
    place = Place(file="inputs/cards/desk.toml", key="edits.1")
    edit = ConfigEdit(path="BENC.SET", section="", name="x", value="1", add=False, key="edits.1")
    job = ConfigJob(path="BENC.SET", kind="config", owner="desk", place=place, edits=((edit, place),))
    with pytest.raises(ManifestError) as caught:
        file_to_edit(job, [samples.card_file("BENCH.SET")])
    assert str(caught.value) == (
        'inputs/cards/desk.toml: edits.1: "BENC.SET" is to be changed, but no such file is on card "desk"\n'
        '  hint: did you mean "BENCH.SET"?'
    )
