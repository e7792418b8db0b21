"""What is sound is built beside what is not, and all that is wrong is told in one run."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.support import small
from tests.support.cli import Ran, doit, write_tree

HALF = small.CARD.replace("label", "lable")
HALF_TOLD = 'inputs/cards/half.toml:8:1: volume.lable: "lable" is not a key here; did you mean "label"?\n'
BUILT = "record  desk: build/cards/desk/record.json\n"


def images(folder: Path) -> list[str]:
    return sorted(path.parent.name for path in (folder / "build/cards").glob("*/card.img"))


def ran(folder: Path, files: dict[str, str | bytes], *arguments: str) -> Ran:
    return doit(small.small_project(folder, files), *arguments)


def test_a_card_is_built_beside_one_that_is_half_written(tmp_path: Path) -> None:
    done = ran(tmp_path, {"inputs/cards/half.toml": HALF}, "record:desk")
    assert (done.code, done.err) == (0, f"warning: {HALF_TOLD}")
    assert BUILT in done.out
    assert done.out.startswith(
        "check   1 board, 1 core, 1 title, 1 card: no problems with what is asked for, 1 problem elsewhere\n"
    )


def test_a_card_that_is_half_written_is_not_built(tmp_path: Path) -> None:
    done = ran(tmp_path, {"inputs/cards/half.toml": HALF}, "record:half")
    assert (done.code, done.out, done.err) == (2, "", HALF_TOLD)


@pytest.mark.parametrize("workers", [(), ("-n", "2")], ids=["alone", "two workers"])
def test_all_sound_cards_are_built_and_the_exit_code_is_that_of_the_problems(
    tmp_path: Path, workers: tuple[str, ...]
) -> None:
    done = ran(tmp_path, {"inputs/cards/half.toml": HALF, "build/roms/gone/GONE.ROM": "x"}, *workers)
    assert (done.code, done.err) == (2, HALF_TOLD)
    assert BUILT in done.out
    assert "done in" not in done.out
    assert images(tmp_path) == ["desk"]
    assert (tmp_path / "build/roms/gone/GONE.ROM").exists()


@pytest.mark.parametrize(
    ("files", "told"),
    [
        (
            {"inputs/cards/broken.toml": "name = \n"},
            "warning: inputs/cards/broken.toml:1:8: found broken TOML: invalid value\n",
        ),
        (
            {"inputs/cards/small.toml": small.CARD.replace("16 MiB", "1 MiB")},
            "warning (volume-is-read-by-all): inputs/cards/small.toml:7:8: volume.size: "
            "FAT16 needs a card of at least 2,148,864 bytes; 1,048,576 were asked for\n",
        ),
        (
            {"inputs/titles/other.toml": small.TITLE.replace("fern", "oak")},
            'warning: inputs/titles/other.toml:2:8: core: found "oak", expected the id of a core\n',
        ),
        (
            {"inputs/titles/other.toml": small.TITLE.replace('"b1"]', '"a1"]')},
            'warning: inputs/titles/other.toml:6:1: chips.b1: chip "b1" is not used by any step\n',
        ),
    ],
    ids=["broken TOML", "a volume that is too small", "a title without a core", "a step that cannot be"],
)
def test_whatever_is_wrong_elsewhere_is_only_a_warning(
    tmp_path: Path, files: dict[str, str | bytes], told: str
) -> None:
    done = ran(tmp_path, files, "record:desk")
    assert (done.code, done.err[: len(told)]) == (0, told)
    assert BUILT in done.out


def test_a_card_by_tags_waits_for_every_title_since_it_may_be_one_of_its_own(tmp_path: Path) -> None:
    files = {
        "inputs/cards/tagged.toml": small.CARD,
        "inputs/titles/broken.toml": "name = 1\n" + small.TITLE.partition("\n")[2],
        "inputs/titles/snail-race.toml": 'tags = ["snail"]\n' + small.TITLE,
    }
    files["inputs/cards/tagged.toml"] = 'tags = ["snail"]\n' + small.CARD
    done = ran(tmp_path, {**files}, "record:tagged", "record:desk")
    assert done.code == 2
    assert done.err == (
        'inputs/titles/broken.toml:1:8: name: found 1, expected one line of text\n  hint: put it in quotes: "1"\n'
    )
    assert images(tmp_path) == ["desk"]


def test_what_names_an_unsound_board_or_core_is_unsound(tmp_path: Path) -> None:
    files = {
        "inputs/boards/elm.toml": small.BOARD + "strange = 1\n",
        "inputs/cards/elm.toml": small.CARD.replace('"oak"', '"elm"')
        .replace('["fern"]', "[]")
        .replace('["snail-race"]', "[]"),
    }
    done = ran(tmp_path, {**files})
    assert done.code == 2
    assert "inputs/boards/elm.toml" in done.err
    assert len([line for line in done.err.splitlines() if line.startswith("inputs/")]) == 1
    assert images(tmp_path) == ["desk"]


def test_sources_that_are_wrong_stop_every_card(tmp_path: Path) -> None:
    done = ran(tmp_path, {"inputs/sources.toml": 'places = ["files/nowhere"]\n'}, "record:desk")
    assert (done.code, done.out) == (2, "")
    assert done.err.startswith('inputs/sources.toml:1:11: places.1: found no "files/nowhere"')


@pytest.mark.parametrize("workers", [(), ("-n", "2")], ids=["alone", "two workers"])
def test_every_titles_problem_is_told_in_one_run_and_the_rest_is_built(
    tmp_path: Path, workers: tuple[str, ...]
) -> None:
    wrong = small.TITLE.replace(small.sha(small.ROM), "0" * 64)
    lacking = small.TITLE.replace(small.sha(small.CHIP_A), "1" * 64)
    files: dict[str, str | bytes] = {}
    for name, title in (("wrong", wrong), ("wrong-too", wrong), ("lacking", lacking)):
        files[f"inputs/titles/{name}.toml"] = title.replace("Snail race", name)
        files[f"inputs/cards/{name}.toml"] = small.CARD.replace("snail-race", name)
    done = ran(tmp_path, files, *workers)
    assert done.code == 1
    told = sorted(line.partition(":")[0] for line in done.err.splitlines() if line.startswith("inputs/"))
    assert told == [f"inputs/titles/{name}.toml" for name in ("lacking", "wrong-too", "wrong")]
    assert images(tmp_path) == ["desk"]
    write_tree(tmp_path, {f"inputs/titles/{name}.toml": small.TITLE for name in ("wrong", "wrong-too", "lacking")})
    assert doit(tmp_path).code == 0
    assert images(tmp_path) == ["desk", "lacking", "wrong", "wrong-too"]
