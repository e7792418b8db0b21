from __future__ import annotations

import hashlib
import json
import tracemalloc
from dataclasses import replace
from datetime import datetime

import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline.card.plan_text import plan_from_lines, plan_from_text, plan_lines, plan_to_text
from pipeline.fat.geometry import fit_volume
from pipeline.model.plan import Entry, Plan

VOLUME = fit_volume(64 * 2**20, 16, partitioned=True)
PLAN = Plan(
    card="club-night",
    volume=VOLUME,
    label="CLUBNIGHT",
    label_entry="second",
    serial=0x1234ABCD,
    timestamp=datetime(2026, 11, 25, 20, 0, 0),
    root_clusters=0,
    entries=(
        Entry(path="DISCS.LIB", short="DISCS.LIB", cluster=2, clusters=2, size=4_097, sha256="a" * 64),
        Entry(path="Grün", short="GR_N~1", cluster=4, clusters=1),
        Entry(path="Grün/😀", short="_~1", cluster=0, clusters=0, size=0, sha256="b" * 64),
    ),
)
TEXT = f"""{{"cardkiln-plan":1,
"entries":[
{{"cluster":2,"clusters":2,"path":"DISCS.LIB","sha256":"{"a" * 64}","short":"DISCS.LIB","size":4097}},
{{"cluster":4,"clusters":1,"path":"Gr\\u00fcn","short":"GR_N~1"}},
{{"cluster":0,"clusters":0,"path":"Gr\\u00fcn/\\ud83d\\ude00","sha256":"{"b" * 64}","short":"_~1","size":0}}
],
"id":"club-night",
"label":"CLUBNIGHT",
"label-entry":"second",
"root-clusters":0,
"serial":305441741,
"timestamp":"2026-11-25T20:00:00",
"volume":{{"card-sectors":131072,"clusters":16356,"fat-bits":16,"fat-sectors":64,"heads":8,"partition-type":6,\
"reserved":1,"root-entries":512,"sectors":131009,"sectors-per-cluster":8,"sectors-per-track":32,"start":63}}
}}
"""

FOLDER = "cluster (int), clusters (int), path (str), short (str)"

hashes = st.text("0123456789abcdef", min_size=64, max_size=64)
words = st.text(st.characters(exclude_categories=["Cs"]), max_size=30)
counts = st.integers(0, 2**32)
entries = st.builds(Entry, path=words, short=words, cluster=counts, clusters=counts) | st.builds(
    Entry, path=words, short=words, cluster=counts, clusters=counts, size=counts, sha256=hashes
)
plans = st.builds(
    Plan,
    card=words,
    volume=st.sampled_from([VOLUME, fit_volume(64 * 2**20, 32, partitioned=False)]),
    label=words,
    label_entry=st.sampled_from(["first", "second", "none"]),
    serial=counts,
    timestamp=st.datetimes(datetime(1980, 1, 1), datetime(2107, 12, 31)).map(
        lambda moment: moment.replace(microsecond=0)
    ),
    root_clusters=counts,
    entries=st.lists(entries, max_size=10).map(tuple),
)


def test_a_plan_as_text() -> None:
    assert plan_to_text(PLAN) == TEXT
    assert plan_from_text(TEXT) == PLAN


def test_a_plan_without_entries_as_text() -> None:
    text = plan_to_text(replace(PLAN, entries=()))

    assert text.startswith('{"cardkiln-plan":1,\n"entries":[\n],\n"id":')
    assert plan_from_text(text) == replace(PLAN, entries=())


@given(plans)
def test_a_plan_survives_its_text(plan: Plan) -> None:
    assert plan_from_text(plan_to_text(plan)) == plan
    assert plan_from_lines(plan_lines(plan)) == plan


@given(plans)
def test_the_text_is_canonical_json(plan: Plan) -> None:
    """RFC 8259, and keys sorted at every level; ASCII, so that no encoding can be mistaken."""
    text = plan_to_text(plan)

    assert text.isascii()
    decoded = json.loads(text, object_pairs_hook=list)
    assert [key for key, _ in decoded] == sorted(key for key, _ in decoded)
    assert decoded[0] == ("cardkiln-plan", 1)
    assert text.count("\n") == len(plan.entries) + 11


def test_plans_that_differ_in_one_file_differ_in_its_line() -> None:
    changed = replace(PLAN, entries=(replace(PLAN.entries[0], sha256="c" * 64), *PLAN.entries[1:]))

    pairs = zip(plan_lines(PLAN), plan_lines(changed), strict=True)

    assert [number for number, (old, new) in enumerate(pairs) if old != new] == [2]


@pytest.mark.parametrize(
    ("old", "new", "message"),
    [
        ("", None, "line 1: found '', expected '{\"cardkiln-plan\":1,'"),
        (
            '"cardkiln-plan":1',
            '"cardkiln-plan":2',
            "line 1: found '{\"cardkiln-plan\":2,', expected '{\"cardkiln-plan\":1,'",
        ),
        ('"entries":[', '"entries": [', "line 2: found '\"entries\": [', expected '\"entries\":['"),
        (
            '{"cluster":4',
            '{"cluster":4x',
            f"line 4: found no JSON, expected {FOLDER}",
        ),
        (
            '"cluster":4',
            '"cluster":"4"',
            "line 4: found cluster (str), clusters (int), path (str), short (str), "
            "expected cluster (int), clusters (int), path (str), short (str)",
        ),
        (
            ',"size":4097',
            "",
            "line 3: found cluster (int), clusters (int), path (str), sha256 (str), short (str), "
            "expected cluster (int), clusters (int), path (str), sha256 (str), short (str), size (int)",
        ),
        (
            ',"size":4097',
            ',"size":true',
            "line 3: found cluster (int), clusters (int), path (str), sha256 (str), short (str), size (bool), "
            "expected cluster (int), clusters (int), path (str), sha256 (str), short (str), size (int)",
        ),
        (
            '{"cluster":4,"clusters":1,"path":"Gr\\u00fcn","short":"GR_N~1"}',
            "7",
            "line 4: found int, expected cluster (int), clusters (int), path (str), short (str)",
        ),
        ("],\n", "", f"line 6: found no JSON, expected {FOLDER}"),
        (
            '"serial":305441741,\n',
            "",
            "after line 6: found id (str), label (str), label-entry (str), root-clusters (int), timestamp (str), "
            "volume (dict), expected id (str), label (str), label-entry (str), root-clusters (int), serial (int), "
            "timestamp (str), volume (dict)",
        ),
        (
            "2026-11-25T20",
            "2026-13-25T20",
            "after line 6: found timestamp 2026-13-25T20:00:00, expected year-month-dayThour:minute:second",
        ),
        (
            "}\n}\n",
            "}\n",
            "after line 6: found no JSON, expected id (str), label (str), label-entry (str), root-clusters (int), "
            "serial (int), timestamp (str), volume (dict)",
        ),
    ],
)
def test_text_that_is_no_plan_is_refused_with_the_line(old: str, new: str | None, message: str) -> None:
    assert old in TEXT
    text = "" if new is None else TEXT.replace(old, new, 1)

    with pytest.raises(ValueError) as caught:  # noqa: PT011  # the whole message is compared below
        plan_from_text(text)

    assert str(caught.value) == message


def test_text_cut_off_in_the_list_of_entries_is_refused() -> None:
    with pytest.raises(ValueError, match=r"^the list of entries has no end; expected a line '\],'$"):
        plan_from_text("".join(TEXT.splitlines(keepends=True)[:4]))


def test_writing_and_reading_take_little_memory_beside_text_and_plan() -> None:
    """60,000 files may take 60 MB of the 128 MiB a build has: 1,000 bytes each, here of a tenth of them."""
    count = 6_000
    digest = hashlib.sha256(b"x").hexdigest()
    planned = tuple(
        Entry(
            path=f"GOODS/A rather long name of a game {n}.rom", short=f"A{n}.ROM", cluster=n, clusters=1, sha256=digest
        )
        for n in range(count)
    )
    plan = replace(PLAN, entries=planned)
    plan_from_text(TEXT)

    tracemalloc.start()
    text = plan_to_text(plan)
    writing = tracemalloc.get_traced_memory()[1]
    tracemalloc.reset_peak()
    read = plan_from_text(text)
    reading = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()

    assert read == plan
    assert writing / count < 1_000
    assert reading / count < 1_000
