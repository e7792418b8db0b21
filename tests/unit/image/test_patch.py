"""An image patched from an earlier one is byte for byte the one that is written whole."""

from __future__ import annotations

import tempfile
from datetime import datetime, timedelta
from pathlib import Path

import pytest
from hypothesis import HealthCheck, settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, initialize, invariant, rule, run_state_machine_as_test

from pipeline.errors import CheckError
from pipeline.fat.geometry import smallest_card
from pipeline.image.clone import copy
from pipeline.image.digest import image_digest
from pipeline.image.patch import freed_clusters, kept_files, patch_image
from pipeline.image.read_back import read_back
from pipeline.image.unplanned import first_unplanned_byte
from pipeline.image.write import naming_changed_sources
from pipeline.image.written import Written
from pipeline.model.plan import SECTOR, Plan
from tests.support.cli import sha256
from tests.unit.image.cards import FILES, MOMENT, build, opener_of, plan_of, sample_plan, volume_of

PATHS = [
    "FIRST.BIN", "BENCH.SET", "A long name.txt", "GOODS/MOTH/MOTH.ROM", "GOODS/MOTH/Ünter.bin", "GOODS/SNAIL.ROM",
    "GOODS/SNAIL RACE with a long name.rom", "FABRICS/FERN/FERN.FAB", "FABRICS/SIGN.TXT", "Z",
]  # fmt: skip


def patched(old: Plan, new: Plan, files: dict[str, bytes], target: Path) -> Written:
    kept = kept_files(old, new)
    done = patch_image(old, new, frozenset() if kept is None else kept, opener_of(files), target)
    size = new.volume.card_sectors * SECTOR
    return Written(image_sha256=image_digest(target), image_size=size, bytes_written=done.bytes_written)


BITS = (12, 12, 12, 16, 16, 32)
"""Small volumes more often than large ones, of which each takes long to write whole."""


class Edits(RuleBasedStateMachine):
    """A card that is edited again and again; ``patched`` is only ever patched, ``cold`` is written whole each time."""

    @initialize(bits=st.sampled_from(BITS), partitioned=st.booleans())
    def begin(self, bits: int, partitioned: bool) -> None:
        self.folder = tempfile.TemporaryDirectory()
        self.patched, self.cold = Path(self.folder.name, "patched.img"), Path(self.folder.name, "cold.img")
        self.bits, self.partitioned = bits, partitioned
        self.files = dict.fromkeys(PATHS[:5:2], b"begin")
        self.label, self.moment, self.extra, self.first = "DESK", MOMENT, 0, ""
        self.plan = self.planned()
        build(self.plan, self.files, self.patched)

    def planned(self) -> Plan:
        size = smallest_card(self.bits, partitioned=self.partitioned) + (1 << 19) + self.extra
        volume = volume_of(self.bits, partitioned=self.partitioned, size=size)
        first = self.first if self.files.get(self.first) else ""
        return plan_of(self.files, volume, label=self.label, moment=self.moment, first=first)

    @rule(path=st.sampled_from(PATHS), size=st.integers(0, 20_000), seed=st.integers(0, 255))
    def put(self, path: str, size: int, seed: int) -> None:
        self.files[path] = bytes((seed + number * number // 512) % 256 for number in range(size))

    @rule(path=st.sampled_from(PATHS), at=st.integers(0, 20_000), byte=st.integers(0, 255))
    def change_a_byte(self, path: str, at: int, byte: int) -> None:
        data = bytearray(self.files.get(path, b""))
        data[at % (len(data) or 1) : at % (len(data) or 1) + 1] = bytes([byte])
        self.files[path] = bytes(data)

    @rule(path=st.sampled_from(PATHS))
    def remove(self, path: str) -> None:
        self.files.pop(path, None)

    @rule(path=st.sampled_from(PATHS), to=st.sampled_from(PATHS))
    def rename(self, path: str, to: str) -> None:
        if path in self.files:
            self.files[to] = self.files.pop(path)

    @rule(label=st.sampled_from(("", "DESK", "CLUB NIGHT1")))
    def label_it(self, label: str) -> None:
        self.label = label

    @rule(seconds=st.integers(0, 10**8))
    def stamp_it(self, seconds: int) -> None:
        self.moment = datetime(2020, 1, 1) + timedelta(seconds=seconds)

    @rule(first=st.sampled_from(("", "FIRST.BIN", "Z")))
    def place_first(self, first: str) -> None:
        self.first = first

    @rule(extra=st.sampled_from((0, 1 << 20)))
    def resize_the_card(self, extra: int) -> None:
        self.extra = extra

    @invariant()
    def patched_and_cold_are_the_same_bytes(self) -> None:
        if not hasattr(self, "folder"):
            return
        plan = self.planned()
        cold = build(plan, self.files, self.cold)
        if plan.volume != self.plan.volume:  # another volume is never patched
            assert kept_files(self.plan, plan) is None
            build(plan, self.files, self.patched)
        else:
            written = patched(self.plan, plan, self.files, self.patched)
            assert written.image_sha256 == cold.image_sha256
            read_back(plan, self.patched, written)
            assert first_unplanned_byte(plan, self.patched) is None
        self.plan = plan

    def teardown(self) -> None:
        if hasattr(self, "folder"):
            self.folder.cleanup()


def test_random_edits_patched_and_cold_give_the_same_bytes() -> None:
    few = settings(
        max_examples=14, stateful_step_count=15, deadline=None, derandomize=True, database=None,
        suppress_health_check=list(HealthCheck),
    )  # fmt: skip
    run_state_machine_as_test(Edits, settings=few)


@pytest.mark.long
def test_thousands_of_random_edits_patched_and_cold_give_the_same_bytes() -> None:
    many = settings(max_examples=200, stateful_step_count=50, deadline=None, suppress_health_check=list(HealthCheck))
    run_state_machine_as_test(Edits, settings=many)


@pytest.mark.parametrize("bits", [12, 16, 32])
def test_only_what_differs_is_written(tmp_path: Path, bits: int) -> None:
    image = tmp_path / "card.img"
    plan = sample_plan(bits)
    build(plan, FILES, image)
    kept = kept_files(plan, plan)
    assert kept == frozenset(entry for entry in plan.entries if not entry.is_folder)
    nothing = patch_image(plan, plan, kept, opener_of({}), image)
    assert (nothing.ranges, nothing.bytes_written) == (0, 0)
    files = {**FILES, "GOODS/SNAIL.ROM": b"z" * 512}
    new = plan_of(files, plan.volume, first="FIRST.BIN", folders=["EMPTY FOLDER"])
    done = patch_image(plan, new, kept_files(plan, new) or frozenset(), opener_of(files), image)
    assert (done.ranges, done.bytes_written) == (1, 512)


def test_an_edit_that_keeps_the_clusters_of_a_file_moves_nothing_else() -> None:
    plan = sample_plan()
    files = {**FILES, "GOODS/MOTH/MOTH.ROM": b"other bytes, fewer of them" * 600}
    new = plan_of(files, plan.volume, first="FIRST.BIN", folders=["EMPTY FOLDER"])
    moved = {
        entry.path for entry, before in zip(new.entries, plan.entries, strict=True) if entry.cluster != before.cluster
    }
    assert new != plan
    assert not moved


def test_a_source_that_changed_meanwhile_is_named(tmp_path: Path) -> None:
    image = tmp_path / "card.img"
    plan = sample_plan()
    build(plan, FILES, image)
    files = {**FILES, "GOODS/SNAIL.ROM": b"z" * 512}
    new = plan_of(files, plan.volume, first="FIRST.BIN", folders=["EMPTY FOLDER"])
    patch_image(plan, new, kept_files(plan, new) or frozenset(), opener_of(FILES), image)
    written = Written(image_sha256="", image_size=image.stat().st_size, bytes_written=0)
    with pytest.raises(CheckError) as caught, naming_changed_sources(new, opener_of(FILES)):
        read_back(new, image, written)
    assert [problem.place.file for problem in caught.value.problems] == ["GOODS/SNAIL.ROM"]


def test_a_source_of_another_size_is_named(tmp_path: Path) -> None:
    image = tmp_path / "card.img"
    plan = sample_plan()
    build(plan, FILES, image)
    new = plan_of({**FILES, "GOODS/SNAIL.ROM": b"z" * 511}, plan.volume, first="FIRST.BIN", folders=["EMPTY FOLDER"])
    with pytest.raises(CheckError) as caught:
        patch_image(plan, new, kept_files(plan, new) or frozenset(), opener_of(FILES), image)
    assert [problem.place.file for problem in caught.value.problems] == ["GOODS/SNAIL.ROM"]


def test_when_most_of_the_card_changes_it_is_written_whole() -> None:
    plan = sample_plan()
    files = {**FILES, "A long name with Grüße.txt": b"y" * 70_000}
    assert kept_files(plan, plan_of(files, plan.volume, first="FIRST.BIN", folders=["EMPTY FOLDER"])) is None


def test_freed_clusters_are_those_that_only_the_old_plan_uses() -> None:
    volume = volume_of(16)
    old = plan_of({"A": b"a" * volume.cluster_bytes * 3, "B": b"b" * volume.cluster_bytes * 2}, volume)
    new = plan_of({"A": b"a" * volume.cluster_bytes}, volume)
    assert list(freed_clusters(old, new)) == [(3, 5), (5, 7)]
    assert list(freed_clusters(new, old)) == []


def test_a_copy_and_the_digest_know_holes(tmp_path: Path) -> None:
    image = tmp_path / "card.img"
    written = build(sample_plan(), FILES, image)
    copy(image, tmp_path / "copy.img")
    assert sha256(tmp_path / "copy.img") == written.image_sha256 == image_digest(tmp_path / "copy.img")
