"""Outputs that no manifest declares any more are removed, but no finished image, and nothing else is."""

from __future__ import annotations

import shutil
from pathlib import Path

from pipeline.build.build import Build
from pipeline.build.prune import prune, unclaimed
from pipeline.workspace.owner import note_owner
from tests.support import small
from tests.support.building import build_in
from tests.support.cli import doit, write_tree

LEFT = (
    "build/cards/begun/plan.json",
    "build/configs/desk/OLD.CFG",
    "build/roms/gone/GONE.ROM",
    "build/roms/snail-race/OLD.ROM",
    "build/state/rom/gone.json",
)
FINISHED = (
    "build/cards/gone/card.img",
    "build/configs/gone/BENCH.SET",
    "build/state/image/gone.json",
)
KEPT = (
    "build/cards/desk/card.img",
    "build/configs/desk/BENCH.SET",
    "build/configs/desk/FABRICS/FERN/SIGN.TXT",
    "build/received/gone/card.img",
    "build/roms/snail-race/SNAIL.ROM",
    "build/state/image/desk.json",
    "build/state/index.sqlite",
    "build/state/rom.lines",
)


def project(folder: Path) -> Build:
    small.small_project(folder)
    write_tree(folder, dict.fromkeys((*LEFT, *FINISHED, *KEPT), "x"))
    return build_in(folder)


def said(build: Build) -> list[str]:
    lines: list[str] = []
    prune(build, lines.append)
    return lines


def test_what_nothing_declares_is_told_and_removed_and_finished_cards_stay(tmp_path: Path) -> None:
    assert said(project(tmp_path)) == [
        "removing 5 outputs that no manifest declares any more: "
        "build/cards/begun, build/configs/desk/OLD.CFG, build/roms/gone and 2 more",
        "build/cards/gone/card.img is kept, though no manifest declares its card any more; "
        "to remove: doit clean --vanished",
    ]
    assert [path for path in LEFT if (tmp_path / path).exists()] == []
    assert [path for path in (*FINISHED, *KEPT) if not (tmp_path / path).exists()] == []
    assert [path for path in small.FILES if not (tmp_path / path).exists()] == []


def test_a_link_is_removed_and_what_it_leads_to_stays(tmp_path: Path) -> None:
    build = project(tmp_path)
    said(build)
    write_tree(tmp_path, {"mine/card.img": "mine"})
    (tmp_path / "build/cards/link").symlink_to(tmp_path / "mine")
    assert said(build)[0] == "removing 1 output that no manifest declares any more: build/cards/link"
    assert (tmp_path / "mine/card.img").read_text() == "mine"


def test_nothing_is_removed_when_all_titles_are_gone_at_once(tmp_path: Path) -> None:
    build = project(tmp_path)
    note_owner(build.workspace)
    shutil.rmtree(tmp_path / "inputs/titles")
    write_tree(tmp_path, {"inputs/cards/desk.toml": small.CARD.replace('titles = ["snail-race"]\n', "")})
    for _ in range(2):
        assert said(build_in(tmp_path)) == [
            "none of the titles built before is declared any more, so nothing is removed: 8 outputs, "
            "build/cards/begun, build/cards/gone, build/configs/desk/OLD.CFG and 5 more; "
            "to remove: doit clean --vanished"
        ]
    assert [path for path in (*LEFT, *FINISHED, *KEPT) if not (tmp_path / path).exists()] == []


def test_a_run_keeps_the_image_of_a_card_that_is_no_more(tmp_path: Path) -> None:
    folder = small.small_project(tmp_path, {"inputs/cards/second.toml": small.CARD})
    assert doit(folder).code == 0
    (folder / "inputs/cards/second.toml").unlink()
    ran = doit(folder)
    assert (ran.code, ran.err) == (0, "")
    assert "prune   build/cards/second/card.img is kept, though no manifest declares its card any more" in ran.out
    assert (folder / "build/cards/second/card.img").exists()
    assert list(unclaimed(build_in(folder)))


def test_an_output_that_is_listed_in_another_spelling_stays(tmp_path: Path) -> None:
    """As by file systems that ignore letter case, or compose accents in their own way (Unicode normalization forms)."""
    build = project(tmp_path)
    said(build)
    for path, other in (
        ("build/configs/desk/BENCH.SET", "bench.set"),
        ("build/configs/desk/FABRICS/FERN/SIGN.TXT", "Sign.txt"),
        ("build/configs/desk/FABRICS", "Fabrics"),
        ("build/roms/snail-race/SNAIL.ROM", "snail.rom"),
    ):
        (tmp_path / path).rename((tmp_path / path).with_name(other))
    assert sorted(unclaimed(build)) == [
        tmp_path / "build/cards/gone",
        tmp_path / "build/configs/gone",
        tmp_path / "build/state/image/gone.json",
    ]
    write_tree(tmp_path, {"build/roms/snail-race/SNAIL.ROM": "x"})  # two files, of which one is declared
    assert tmp_path / "build/roms/snail-race/snail.rom" in unclaimed(build)


def test_a_name_with_accents_stays_however_they_are_composed(tmp_path: Path) -> None:
    title = small.TITLE.replace('"SNAIL.ROM"', '"Schn\u00e4cke.rom"')
    small.small_project(tmp_path, {"inputs/titles/snail-race.toml": title})
    write_tree(tmp_path, {"build/roms/snail-race/Schna\u0308cke.rom": "x"})
    assert list(unclaimed(build_in(tmp_path))) == []
