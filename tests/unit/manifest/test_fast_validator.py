"""The quick verdict on a manifest against the one that explains, which is held to the standard in test_schemas.py."""

from __future__ import annotations

import copy
import tomllib
from datetime import date, datetime, time, timedelta, timezone
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline.manifest.files import manifest_files
from pipeline.manifest.schema.fast_validator import checker
from pipeline.manifest.schema.keywords import validator_for
from pipeline.manifest.schema.validate import schema
from pipeline.manifest.text.read import ManifestFile, parse
from tests.unit.manifest.test_schemas import KINDS, MANIFESTS, damaged, nodes

CASES = Path(__file__).parents[2] / "cases"
QUICK = {kind: checker(schema(kind)) for kind in KINDS}
SLOW = {kind: validator_for(schema(kind)) for kind in KINDS}
MOMENT = datetime(2026, 11, 25, 20, 0, 1)
ODD = [
    *(date(2026, 5, 1), MOMENT, MOMENT.replace(tzinfo=timezone(timedelta(hours=1))), time(20, 0)),
    *(MOMENT.replace(year=1970), [MOMENT], [None], None, "2026-05-01", "2026-02-30", "2026-05-01\n", "2026-05"),
    *(2.0, float("nan"), 2**63, -(2**63) - 1, 10**30, True, 1, "a\n", "\n", "é" * 40, "\U0001f600", "a\u0085b"),
]
"""Values whose type or spelling JSON, TOML and the regular expressions of two languages may see differently."""


def manifests() -> list[ManifestFile]:
    """Return every manifest of every case, the bad ones too."""
    return [file for root in sorted(CASES.glob("*/**/inputs")) for file in manifest_files(root, CASES)[0]]


@pytest.mark.parametrize("file", manifests(), ids=lambda file: str(file.file))
def test_both_say_the_same_of_every_case(file: ManifestFile) -> None:
    parsed = parse(file.path.read_bytes(), file.file) if file.path.is_file() else None
    if isinstance(parsed, tuple):
        assert QUICK[file.kind](parsed[1]) == SLOW[file.kind].is_valid(parsed[1])


@given(damaged())
def test_both_say_the_same_of_damaged_manifests(case: tuple[str, Any]) -> None:
    kind, data = case
    assert QUICK[kind](data) == SLOW[kind].is_valid(data)


@given(st.data())
def test_both_say_the_same_of_values_that_look_alike(data: st.DataObject) -> None:
    path = data.draw(st.sampled_from(sorted(MANIFESTS)))
    values = copy.deepcopy(tomllib.loads(path.read_text("utf-8")))
    for _ in range(data.draw(st.integers(0, 2))):
        place = data.draw(
            st.sampled_from([node for _, node in nodes(values) if isinstance(node, dict | list) and node])
        )
        part = data.draw(st.sampled_from(list(place) if isinstance(place, dict) else range(len(place))))
        place[part] = copy.deepcopy(data.draw(st.sampled_from(ODD)))
    assert QUICK[MANIFESTS[path]](values) == SLOW[MANIFESTS[path]].is_valid(values), path


def test_dates_of_toml_are_judged_quickly() -> None:
    title = tomllib.loads((CASES / "base/inputs/titles/moth.toml").read_text("utf-8"))
    assert QUICK["title"]({**title, "date": date(2026, 5, 1)})
    assert not QUICK["title"]({**title, "date": MOMENT})
    assert not QUICK["title"]({**title, "name": date(2026, 5, 1)})


def test_what_is_valid_needs_no_slow_validator(monkeypatch: pytest.MonkeyPatch) -> None:
    from pipeline.manifest.schema import validate

    monkeypatch.setattr(validate, "_validator", lambda kind: pytest.fail(f"asked for {kind}"))
    for path, kind in MANIFESTS.items():
        text = path.read_text("utf-8")
        assert validate.validate(kind, tomllib.loads(text), text, path.name) == ()
