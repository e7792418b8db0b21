"""The sheet of a small project: made last, from the record, and never published when it is out of date."""

from __future__ import annotations

import hashlib
from pathlib import Path

from tests.support import small
from tests.support.cli import doit, own_command, write_tree

RIGHTS = '[rights]\nlicence = "CC0-1.0"\nholder = "The club"\nsource = "invented"\n'


def test_it_names_the_record_and_the_image_beside_it(tmp_path: Path) -> None:
    folder = small.small_project(tmp_path)
    ran = doit(folder, "sheet:desk")
    assert (ran.code, ran.err) == (0, "")
    assert ran.out.splitlines()[-2] == "sheet   desk: build/cards/desk/sheet.html"
    page = (folder / "build/cards/desk/sheet.html").read_text(encoding="utf-8")
    for name in ("card.img", "plan.json", "record.json"):
        assert hashlib.sha256((folder / "build/cards/desk" / name).read_bytes()).hexdigest() in page


def test_names_of_manifests_stand_in_it_as_text(tmp_path: Path) -> None:
    name = "<script>alert(1)</script> & \\\\ \\u202E"
    core = small.CORE.replace('name = "Fern"', f'name = "{name}"')
    board = small.BOARD.replace('lines = ["{name}"]', 'lines = ["Fern"]')
    folder = small.small_project(tmp_path, {"inputs/cores/fern.toml": core, "inputs/boards/oak.toml": board})
    ran = doit(folder)
    assert (ran.code, ran.err) == (0, "")
    page = (folder / "build/cards/desk/sheet.html").read_text(encoding="utf-8")
    assert "<script" not in page
    assert "<bdi>&lt;script&gt;alert(1)&lt;/script&gt; &amp; \\ \u202e</bdi>" in page


def test_a_sheet_that_is_out_of_date_is_not_published(tmp_path: Path) -> None:
    manifests: dict[str, str | bytes] = {
        f"inputs/{kind}.toml": text + RIGHTS
        for kind, text in (
            ("boards/oak", small.BOARD), ("cores/fern", small.CORE), ("titles/snail-race", small.TITLE),
            ("cards/desk", small.CARD),
        )
    }  # fmt: skip
    folder = small.small_project(tmp_path, manifests)
    assert doit(folder).code == 0
    write_tree(folder, {"inputs/cores/fern.toml": 'start = ["Press F1."]\n' + small.CORE + RIGHTS})
    ran = own_command(folder, "publish", "desk")
    what = "inputs/cards/desk.toml: its sheet is out of date: core fern changed\n  hint: doit sheet:desk\n"
    assert (ran.code, ran.err) == (1, what)
    assert doit(folder, "sheet:desk").code == 0
    assert own_command(folder, "publish", "desk").code == 0
    assert "Press F1." in (folder / "dist/desk-1/sheet.html").read_text(encoding="utf-8")
