"""A card travels as a parcel, is built from it, and is checked before it takes its place; here without a scheduler."""

from __future__ import annotations

import io
import json
import shutil
import zipfile
from dataclasses import asdict
from itertools import chain
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline.build import check
from pipeline.build.build import Build
from pipeline.build.flow import build_card, out_of_date
from pipeline.cluster.accept import _rom_files, accept, received
from pipeline.cluster.packed_image import pack_image, unpack_image
from pipeline.cluster.parcel import LostError, pack_parcel, unpack_parcel
from pipeline.cluster.program import program
from pipeline.cluster.worker import Answer, build_parcel, is_answer, problems_of
from pipeline.errors import CheckError, Place, Problem
from pipeline.processes import divided
from pipeline.store.store import CONTENTS_TOO, Store
from tests.support import small
from tests.support.building import build_card_in, build_in
from tests.support.cli import digests

UNPINNED = small.TITLE.replace(f'sha256 = "{small.sha(small.ROM)}"\n', "")
"""The title, which leaves the SHA-256 of its ROM file to the build."""


def answer_of(build: Build, *, to_store: bool = False) -> Answer:
    """Return what a worker answers."""
    return build_parcel(
        program(),
        pack_parcel(build.inputs, "desk", build.workspace.store if to_store else None),
        None,
        to_store=to_store,
    )


def accepted(build: Build, answer: Answer) -> str:
    scratch = build.workspace.build / "cluster"
    shutil.rmtree(scratch, ignore_errors=True)
    scratch.mkdir(parents=True)
    return accept(build, "desk", received(build, "desk", answer), scratch)


@pytest.mark.parametrize("title", [small.TITLE, UNPINNED], ids=["pinned", "unpinned"])
def test_a_card_built_by_a_worker_is_the_one_that_is_built_here(title: str, tmp_path: Path) -> None:
    changes: dict[str, str | bytes] = {"inputs/titles/snail-race.toml": title}
    here, there = small.small_project(tmp_path / "here", changes), small.small_project(tmp_path / "there", changes)
    build_card_in(here)
    build = build_in(there)
    check.run(build)
    assert accepted(build, answer_of(build)) == "image of 16 MiB, verified with pyfatfs 1.1.0"
    for part in ("cards", "roms", "configs"):
        assert digests(there / "build" / part) == digests(here / "build" / part)
    assert list(out_of_date(build_in(there), "desk")) == []
    assert build_card_in(there) == []


def test_cards_that_share_a_title_are_accepted_by_processes_side_by_side(tmp_path: Path) -> None:
    cards: dict[str, str | bytes] = {f"inputs/cards/desk-{number}.toml": small.CARD for number in range(6)}
    here, there = (small.small_project(tmp_path / name, cards) for name in ("here", "there"))
    build, local = build_in(there), build_in(here)
    check.run(build)
    for card in build.inputs.manifest.cards:
        build_card(local, card, lambda _: None)
    answers = {
        card: build_parcel(program(), pack_parcel(build.inputs, card, None), None, to_store=False)
        for card in build.inputs.manifest.cards
    }
    assert all(any(out_of_date(build, card)) for card in answers)
    scratch = there / "build/cluster"
    scratch.mkdir()
    lines = list(divided(3, lambda card: accept(build, card, answers[card], scratch), answers))
    assert lines == ["image of 16 MiB, verified with pyfatfs 1.1.0"] * 7
    for part in ("cards", "roms", "configs"):
        assert digests(there / "build" / part) == digests(here / "build" / part)
    assert [*chain(*(out_of_date(build_in(there), card) for card in answers))] == []
    stamps = (there / "build/state/rom.lines").read_text(encoding="utf-8")
    assert stamps.count('"snail-race"') == 1, "the ROM files were taken once"


def test_kept_files_empty_folders_and_foreign_boards_travel(tmp_path: Path) -> None:
    core = small.CORE.replace('boards = ["oak"]', 'boards = ["elm", "oak"]')
    card = 'keep = ["LOGS/**"]\n' + small.CARD + '[[files]]\npath = "SHELF"\nfrom = "files/shelf"\n'
    changes: dict[str, str | bytes] = {
        "inputs/cores/fern.toml": core,
        "inputs/boards/elm.toml": small.BOARD.replace("Oak", "Elm").replace("files/system", "files/elm"),
        "inputs/files/elm/ELM.SYS": b"elm",
        "inputs/cards/desk.toml": card,
        "inputs/kept/desk/LOGS/DAY.TXT": b"mine",
        "inputs/files/shelf/full/A.TXT": b"a",
    }
    here, there = small.small_project(tmp_path / "here", changes), small.small_project(tmp_path / "there", changes)
    for folder in (here, there):
        (folder / "inputs/files/shelf/empty").mkdir()
    build_card_in(here)
    build = build_in(there)
    accepted(build, answer_of(build))
    assert digests(there / "build/cards") == digests(here / "build/cards")


def test_a_parcel_holds_the_inputs_of_its_card_alone(tmp_path: Path) -> None:
    other = small.TITLE.replace("Snail race", "Private")
    folder = small.small_project(tmp_path, {"inputs/titles/private.toml": other, "inputs/files/diary.txt": b"private"})
    parcel = pack_parcel(build_in(folder).inputs, "desk", None)
    with zipfile.ZipFile(io.BytesIO(parcel["inputs"])) as archive:
        names = sorted(name for name in archive.namelist() if not name.endswith("/"))
    assert names == [
        "boards/oak.toml", "cards/desk.toml", "cores/fern.toml", "files/system/BENCH.SET", "sources.toml",
        "titles/snail-race.toml",
    ]  # fmt: skip
    assert parcel["contents"] == {small.sha(data): data for data in (small.BITSTREAM, small.CHIP_A, small.CHIP_B)}


def test_contents_and_image_travel_through_the_store_where_that_is_asked_for(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("CARDKILN_STORE", str(tmp_path / "store"))
    monkeypatch.setenv(CONTENTS_TOO, "1")
    build_card_in(small.small_project(tmp_path / "here"))
    there = small.small_project(tmp_path / "there")
    build = build_in(there, Store.here())
    answer = answer_of(build, to_store=True)
    assert answer["packed"] is None
    accepted(build, answer)
    assert digests(there / "build/cards") == digests(tmp_path / "here/build/cards")
    for path in (tmp_path / "store/contents").glob("*/*"):
        path.write_bytes(b"bad")
    with pytest.raises(LostError, match="the store lacks the image of desk that a worker put there"):
        accepted(build_in(there, Store.here()), answer)


def test_a_worker_whose_store_lacks_a_content_says_so(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    build = build_in(small.small_project(tmp_path / "project"), Store(str(tmp_path / "store")))
    parcel = pack_parcel(build.inputs, "desk", build.workspace.store)
    monkeypatch.setenv("CARDKILN_STORE", str(tmp_path / "another"))
    answer = build_parcel(program(), parcel, None, to_store=False)
    assert (answer["exit-code"], answer["lost"]) == (3, True)
    (problem,) = answer["problems"]
    first = min(map(small.sha, (small.BITSTREAM, small.CHIP_A, small.CHIP_B)))
    assert problem["what"] == f"the store of the worker lacks the content with the SHA-256 {first}"
    assert problem["hint"] == "set CARDKILN_STORE to the same place on every machine"


def test_a_missing_content_is_told_before_anything_travels(tmp_path: Path) -> None:
    folder = small.small_project(tmp_path)
    (folder / "inputs/files/attic/core.bin").unlink()
    with pytest.raises(CheckError) as error:
        pack_parcel(build_in(folder).inputs, "desk", None)
    assert [problem.place.key for problem in error.value.problems] == ["bitstream"]


@pytest.mark.parametrize(
    ("asked", "found"),
    [
        (("cardkiln 0.0.1", program()[1], program()[2]), f"expected cardkiln 0.0.1 and {program()[2]}"),
        ((program()[0], program()[1], "Python 3.7"), f"expected {program()[0]} and Python 3.7"),
        ((program()[0], "0" * 64, program()[2]), "with other files than the program that asks"),
    ],
    ids=["version", "Python", "files"],
)
def test_a_worker_with_another_program_refuses_before_it_works(
    asked: tuple[str, str, str], found: str, tmp_path: Path
) -> None:
    answer = build_parcel(asked, {"not even": "a parcel"}, str(tmp_path), to_store=False)
    assert answer["exit-code"] == 3
    assert found in answer["problems"][0]["what"]
    assert list(tmp_path.iterdir()) == []


def test_an_error_of_a_worker_is_told_as_if_it_was_built_here(tmp_path: Path) -> None:
    wrong = small.TITLE.replace(small.sha(small.ROM), small.sha(b"another"))
    folder = small.small_project(tmp_path, {"inputs/titles/snail-race.toml": wrong})
    build = build_in(folder)
    with pytest.raises(CheckError) as there:
        accepted(build, answer_of(build))
    with pytest.raises(CheckError) as here:
        build_card_in(folder)
    assert there.value.problems == build.workspace.located(here.value.problems)
    assert not (folder / "build/cards").exists()


def flipped(answer: Answer, folder: Path) -> Answer:
    """Return an answer whose image is packed from one with another byte."""
    image = folder / "flipped.img"
    unpack_image(answer["ranges"], answer["packed"], image, answer["size"])
    data = bytearray(image.read_bytes())
    data[data.index(small.BITSTREAM)] ^= 1
    image.write_bytes(data)
    ranges, packed = pack_image(image)
    return {**answer, "ranges": ranges, "packed": packed, "image": small.sha(bytes(data))}


@pytest.mark.parametrize(
    ("what", "forged"),
    [
        ("plan", {"plan": "0" * 64}),
        ("record", {"record": "0" * 64}),
        ("image", {"image": "0" * 64}),
        ("image", {"packed": b""}),
        ("image", {"packed": b"noise"}),
        ("image", {"size": 512}),
        ("image", {"size": 1 << 60}),
        ("image", {"ranges": [(0, 512)]}),
        ("image", {"ranges": [(0, 16 << 20)]}),
        ("image", {"ranges": [(512, 1024), (0, 512)]}),
        ("image", {"ranges": [(0, 1 << 40)]}),
        ("list of ROM files", {"roms": []}),
        ("list of ROM files", {"roms": [("another", "another", "0" * 64)]}),
        ("answer", {"exit-code": 1}),
        ("answer", {"exit-code": 1, "problems": []}),
        ("answer", {"exit-code": 1, "problems": [{"what": "no place"}]}),
        ("answer", {"exit-code": "no number", "problems": [asdict(Problem(Place(), "no number"))]}),
        ("answer", {"exit-code": None, "plan": None}),
        ("answer", {"plan": "../../etc"}),
        ("answer", {"size": 16.0}),
        ("answer", {"packed": None}),
        ("answer", {"packed": "text"}),
        ("answer", {"ranges": [512, 1024]}),
        ("answer", {"ranges": [("0", "512")]}),
        ("answer", {"roms": [("snail-race",)]}),
        ("answer", {"roms": [("snail-race", "SNAIL.ROM", "../../etc")]}),
        ("answer", {"apart": []}),
        ("answer", {"apart": {"0" * 64: 5}}),
    ],
)
def test_an_answer_that_is_not_what_it_says_is_refused_and_nothing_is_used(
    what: str, forged: dict[str, Any], tmp_path: Path
) -> None:
    build = build_in(small.small_project(tmp_path))
    with pytest.raises(CheckError) as error:
        accepted(build, {**answer_of(build), **forged})
    assert str(error.value) == (
        f"the worker's {what} of desk is not the one this program comes to; nothing of it was used\n"
        "  hint: build the card here, and compare the versions of the program"
    )
    assert not (tmp_path / "build/cards").exists()


def test_an_answer_with_the_image_of_another_card_is_refused(tmp_path: Path) -> None:
    other = small.CARD.replace('label = "', 'label = "X')
    assert other != small.CARD
    build = build_in(small.small_project(tmp_path / "project", {"inputs/cards/other.toml": other}))
    answers = {
        card: build_parcel(program(), pack_parcel(build.inputs, card, None), None, to_store=False)
        for card in ("desk", "other")
    }
    with pytest.raises(CheckError, match="the worker's plan of desk is not the one"):
        accepted(build, answers["other"])
    image = {key: answers["other"][key] for key in ("image", "size", "ranges", "packed")}
    with pytest.raises(CheckError):
        accepted(build, {**answers["desk"], **image})
    assert not (tmp_path / "project/build/cards").exists()


def test_a_rom_file_that_lies_on_no_card_is_held_to_its_size_and_sha_256(tmp_path: Path) -> None:
    """The worker says of a ROM file, whose SHA-256 no title declares, that it is empty."""
    build = build_in(small.small_project(tmp_path, {"inputs/titles/snail-race.toml": UNPINNED}))
    roms = build.roms_of("desk")[0]
    (rom,) = roms.title.roms
    empty = small.sha(b"")
    with pytest.raises(CheckError, match="is not what the worker says"):
        list(_rom_files(roms, {("snail-race", rom.path): empty}, {empty: b""}, {}, io.BytesIO()))
    with pytest.raises(CheckError, match="is not what the worker says"):
        list(_rom_files(roms, {("snail-race", rom.path): empty}, {}, {}, io.BytesIO()))


GARBAGE = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text() | st.binary(),
    lambda inner: st.lists(inner) | st.tuples(inner, inner) | st.dictionaries(st.text(), inner),
)


@given(st.data())
def test_whatever_a_worker_answers_is_an_answer_or_none(data: st.DataObject) -> None:
    keys = ("exit-code", "problems", "lost", "plan", "record", "image", "size", "ranges", "packed", "stored", "roms",
            "apart")  # fmt: skip
    value = data.draw(GARBAGE | st.fixed_dictionaries({}, optional=dict.fromkeys(keys, GARBAGE)))
    assert is_answer(value) in (True, False)


def test_an_image_with_a_flipped_byte_is_read_back_here_and_refused(tmp_path: Path) -> None:
    build = build_in(small.small_project(tmp_path))
    with pytest.raises(CheckError, match=r"FABRICS/FERN/FERN\.FAB"):
        accepted(build, flipped(answer_of(build), tmp_path))
    assert not (tmp_path / "build/cards").exists()


def test_problems_travel_whole(tmp_path: Path) -> None:
    problem = Problem(
        Place("a.toml", 1, 2, "k"), "found", "do", also=(Place("b.toml"),), rule="r", details=("first", "second")
    )
    answer: Answer = {"exit-code": 1, "problems": json.loads(json.dumps([asdict(problem)]))}
    assert problems_of(answer) == (problem,)
    assert problems_of(answer)[0].rule == "r"


def test_a_hostile_parcel_stays_in_its_folder(tmp_path: Path) -> None:
    """A scheduler runs what it is given, so this guards against accidents only."""
    packed = io.BytesIO()
    with zipfile.ZipFile(packed, "w") as archive:
        archive.writestr("../../outside", b"x")
    folder = tmp_path / "inside"
    folder.mkdir()
    unpack_parcel({"inputs": packed.getvalue(), "contents": {}, "stored": []}, folder, None)
    assert not (tmp_path / "outside").exists()


def test_what_a_store_does_not_take_travels_without_it(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    (tmp_path / "store").write_bytes(b"a file")
    build_card_in(small.small_project(tmp_path / "here"))
    build = build_in(small.small_project(tmp_path / "there"), Store(str(tmp_path / "store")))
    check.run(build)
    parcel = pack_parcel(build.inputs, "desk", build.workspace.store)
    assert parcel["contents"] == {small.sha(data): data for data in (small.BITSTREAM, small.CHIP_A, small.CHIP_B)}
    assert parcel["stored"] == []
    assert build.workspace.store
    (problem,) = build.workspace.store.problems()
    assert str(problem).startswith("CARDKILN_STORE: the store cannot be read: NotADirectoryError: ")
    monkeypatch.setenv("CARDKILN_STORE", str(tmp_path / "store"))
    answer = build_parcel(program(), parcel, None, to_store=True)
    assert answer["packed"] is not None
    accepted(build, answer)
    assert digests(tmp_path / "there/build/cards") == digests(tmp_path / "here/build/cards")


def test_a_store_that_is_only_read_takes_no_contents(tmp_path: Path) -> None:
    build = build_in(small.small_project(tmp_path / "project"), Store(str(tmp_path / "store"), read_only=True))
    parcel = pack_parcel(build.inputs, "desk", build.workspace.store)
    assert len(parcel["contents"]) == 3
    assert parcel["stored"] == []
