"""Whole sets of inputs, right and wrong: each a folder below tests/cases/ (README.txt there)."""

from __future__ import annotations

import json
import shutil
from collections.abc import Mapping
from datetime import datetime
from pathlib import Path
from typing import Any

import pytest

from pipeline.errors import ManifestError
from pipeline.manifest.load import load

CASES = Path(__file__).parents[2] / "cases"


def folders(kind: str) -> list[Path]:
    return sorted(path for path in (CASES / kind).iterdir() if path.is_dir())


def laid_out(case: Path, folder: Path) -> Path:
    """Return the inputs of a case, laid over the base in a folder of their own."""
    shutil.copytree(CASES / "base", folder, dirs_exist_ok=True)
    if (case / "inputs").is_dir():
        shutil.copytree(case / "inputs", folder / "inputs", dirs_exist_ok=True)
    return folder / "inputs"


def value_at(value: Any, way: str) -> Any:
    for part in way.split("/"):
        if isinstance(value, Mapping):
            value = value[part]
        else:
            value = value[int(part)] if isinstance(value, tuple) else getattr(value, part)
    return str(value) if isinstance(value, datetime) else value


@pytest.mark.parametrize("case", folders("reject"), ids=lambda case: str(case.name))
def test_what_is_wrong_is_told_word_for_word(case: Path, tmp_path: Path) -> None:
    inputs = laid_out(case, tmp_path)
    with pytest.raises(ManifestError) as caught:
        load(inputs, tmp_path)
    assert str(caught.value) == (case / "expected.txt").read_text("utf-8").rstrip("\n")
    assert caught.value.exit_code == 2


@pytest.mark.parametrize("case", folders("accept"), ids=lambda case: str(case.name))
def test_what_is_right_is_decoded(case: Path, tmp_path: Path) -> None:
    manifest = load(laid_out(case, tmp_path), tmp_path)
    expected = json.loads((case / "expected.json").read_text("utf-8"))
    got = {way: json.loads(json.dumps(value_at(manifest, way))) for way in expected}
    if "sources/places" in got:
        got["sources/places"] = [Path(place).relative_to(tmp_path).as_posix() for place in got["sources/places"]]
    assert got == expected
    assert manifest.root == str(tmp_path / "inputs")


def test_every_case_has_what_is_expected_of_it() -> None:
    assert len(folders("reject")) > 20
    assert all((case / "expected.txt").is_file() for case in folders("reject"))
    assert all((case / "expected.json").is_file() for case in folders("accept"))
