"""Outputs that no manifest claims any more are removed, and nothing else is."""

from __future__ import annotations

from pathlib import Path

from pipeline.build.build import Build
from pipeline.build.prune import prune, unclaimed
from tests.support import small
from tests.support.building import build_in
from tests.support.cli import doit, write_tree

LEFT = (
    "build/cards/gone/card.img",
    "build/configs/desk/OLD.CFG",
    "build/configs/gone/BENCH.SET",
    "build/roms/gone/GONE.ROM",
    "build/roms/snail-race/OLD.ROM",
    "build/state/image/gone.json",
    "build/state/rom/gone.json",
)
KEPT = (
    "build/cards/desk/card.img",
    "build/configs/desk/BENCH.SET",
    "build/configs/desk/FABRICS/FERN/SIGN.TXT",
    "build/received/gone/card.img",
    "build/roms/snail-race/SNAIL.ROM",
    "build/state/image/desk.json",
    "build/state/index.sqlite",
    "build/state/rom/snail-race.json",
)


def project(folder: Path) -> Build:
    small.small_project(folder)
    write_tree(folder, dict.fromkeys((*LEFT, *KEPT), "x"))
    return build_in(folder)


def test_what_nothing_claims_is_removed_and_the_rest_stays(tmp_path: Path) -> None:
    assert prune(project(tmp_path)) == (
        "7 outputs removed that no manifest claims any more: "
        "build/cards/gone, build/configs/desk/OLD.CFG, build/configs/gone and 4 more"
    )
    assert [path for path in LEFT if (tmp_path / path).exists()] == []
    assert [path for path in KEPT if not (tmp_path / path).exists()] == []
    assert [path for path in small.FILES if not (tmp_path / path).exists()] == []


def test_a_link_is_removed_and_what_it_leads_to_stays(tmp_path: Path) -> None:
    one = project(tmp_path)
    prune(one)
    write_tree(tmp_path, {"mine/file": "mine"})
    (tmp_path / "build/cards/link").symlink_to(tmp_path / "mine")
    assert prune(one) == "1 output removed that no manifest claims any more: build/cards/link"
    assert (tmp_path / "mine/file").read_text() == "mine"
    assert list(unclaimed(one)) == []


def test_a_run_removes_a_card_that_is_no_more(tmp_path: Path) -> None:
    folder = small.small_project(tmp_path, {"inputs/cards/second.toml": small.CARD})
    assert doit(folder).code == 0
    (folder / "inputs/cards/second.toml").unlink()
    ran = doit(folder)
    assert (ran.code, ran.err) == (0, "")
    assert "prune   " in ran.out
    assert not (folder / "build/cards/second").exists()
    assert (folder / "build/cards/desk/card.img").exists()
