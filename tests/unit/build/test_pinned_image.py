"""A card that says which SHA-256 its image must have (what it is comes from ``sha256`` of Python over the image)."""

from __future__ import annotations

from pathlib import Path

from tests.support import small
from tests.support.cli import digests, doit, sha256, write_tree


def pinned(value: str) -> str:
    return small.CARD.replace("[volume]", f'image-sha256 = "{value}"\n[volume]')


def test_a_build_must_give_the_digest_that_is_pinned(tmp_path: Path) -> None:
    folder = small.small_project(tmp_path)
    assert doit(folder).code == 0
    good = sha256(folder / "build/cards/desk/card.img")
    write_tree(folder, {"inputs/cards/desk.toml": pinned(good)})
    assert doit(folder).code == 0

    before = digests(folder / "build/cards", "*/card.img") | digests(folder / "build/cards", "*/record.json")
    write_tree(folder, {"inputs/files/system/BENCH.SET": small.CONFIG + b"; more\r\n", "inputs/files/system/A": b"a"})
    ran = doit(folder)
    assert ran.code == 1
    assert "inputs/cards/desk.toml:6:16: image-sha256: the build gives " in ran.err
    assert f", expected {good}; the last image stays\n    what changed since the last record:\n    files\n" in ran.err
    assert "      added    A, 1 byte" in ran.err
    assert "      changed  BENCH.SET: " in ran.err
    assert ran.err.endswith("  hint: undo the change; if it is intended, doit pin card:desk image built --replace\n")
    after = digests(folder / "build/cards", "*/card.img") | digests(folder / "build/cards", "*/record.json")
    assert after == before


def test_a_digest_pinned_afterwards_is_held_against_the_image_that_is_there(tmp_path: Path) -> None:
    folder = small.small_project(tmp_path)
    assert doit(folder).code == 0
    write_tree(folder, {"inputs/cards/desk.toml": pinned("0" * 64)})
    ran = doit(folder)
    assert ran.code == 1
    assert f", expected {'0' * 64}; the last image stays\n    nothing changed since the last record\n" in ran.err
