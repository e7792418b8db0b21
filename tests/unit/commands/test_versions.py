"""``doit versions``, and published versions by name: ``desk@1``; what was published is told from ``dist/`` alone."""

from __future__ import annotations

import json
import os
import re
import shutil
import subprocess
from pathlib import Path

import pytest

from pipeline.commands.diff import Diff
from pipeline.commands.verify import Verify
from pipeline.commands.versions import Versions
from tests.strangers.tools import require
from tests.support import small
from tests.support.building import build_card_in
from tests.support.cli import Ran, sha256, within, write_tree
from tests.unit.commands.test_publish import built, publish, receive


@pytest.fixture(scope="module")
def publisher(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A project whose card was published in versions 1 (not signed) and 2 (signed, with a delta)."""
    folder = built(tmp_path_factory.mktemp("publisher"))
    keygen = [require("ssh-keygen"), "-q", "-t", "ed25519", "-N", "", "-C", "", "-f", str(folder / "key")]
    subprocess.run(keygen, check=True)
    assert publish(folder).code == 0
    newer = small.CARD.replace('version = "1"', 'version = "2"').replace("DESK", "TABLE")
    write_tree(folder, {"inputs/cards/desk.toml": newer})
    build_card_in(folder)
    assert publish(folder, "--since", "1", "--key", "key", "--who", "club").code == 0
    return folder


@pytest.fixture
def dist(publisher: Path, tmp_path: Path) -> Path:
    """A folder with a copy of what was published, and nothing else."""
    shutil.copytree(publisher / "dist", tmp_path / "dist")
    return tmp_path


def image_of(folder: Path, version: str) -> str:
    return str(json.loads((folder / f"dist/desk-{version}/record.json").read_bytes())["image"]["sha256"])


def size_of(folder: Path, name: str) -> str:
    (entry,) = (
        one for one in json.loads((folder / "dist/index.json").read_text())["versions"] if one["folder"] == name
    )
    return f"{entry['size']:,} bytes"


def test_versions_are_listed_from_what_was_published_alone(dist: Path) -> None:
    ran = within(dist, Versions, "desk")
    assert (ran.code, ran.err) == (0, "")
    day = json.loads((dist / "dist/index.json").read_text())["versions"][0]["date"]
    assert re.fullmatch(r"\d{4}-\d\d-\d\d", day)
    assert ran.out.splitlines()[:8] == [
        f"desk, version 2: 16 MiB, sha256 {image_of(dist, '2')}",
        f"  {day}  dist/desk-2: whole image, {size_of(dist, 'desk-2')}; signed by club",
        f"  {day}  dist/desk-2-since-1: delta for version 1, {size_of(dist, 'desk-2-since-1')}; signed by club",
        "  changed since the version before:",
        "    volume",
        "      changed  label: DESK -> TABLE",
        "    card",
        "      changed  card version: 1 -> 2",
    ]
    assert ran.out.splitlines()[-3:] == [
        f"desk, version 1: 16 MiB, sha256 {image_of(dist, '1')}",
        f"  {day}  dist/desk-1: whole image, {size_of(dist, 'desk-1')}; not signed",
        "  the first version",
    ]
    assert within(dist, Versions) == ran
    document = json.loads(within(dist, Versions, "desk", "--json").out)
    assert [(one["folder"], one["kind"], one["signature"]) for one in document["versions"]] == [
        ("desk-1", "image", "not signed"),
        ("desk-2", "image", "signed by club"),
        ("desk-2-since-1", "delta", "signed by club"),
    ]


def test_the_date_is_that_of_publishing_whatever_became_of_the_files(dist: Path) -> None:
    index = dist / "dist/index.json"
    index.write_text(index.read_text().replace(json.loads(index.read_text())["versions"][0]["date"], "2026-01-05"))
    (dist / "dist/desk-1/SHA256SUMS").touch()
    assert {one["date"] for one in json.loads(within(dist, Versions, "--json").out)["versions"]} == {"2026-01-05"}


def test_a_signature_that_does_not_hold_is_told(dist: Path) -> None:
    with (dist / "dist/desk-2/SHA256SUMS").open("a") as sums:
        sums.write("\n")
    told = [line.partition("; ")[2] for line in within(dist, Versions, "desk").out.splitlines() if "  dist/" in line]
    assert told == ["its signature by club does not hold", "signed by club", "not signed"]


def test_a_card_that_was_never_published_is_told(dist: Path, tmp_path_factory: pytest.TempPathFactory) -> None:
    assert within(dist, Versions, "dosk") == Ran(
        2, "", 'found "dosk", expected the id of a card that was published\n  hint: did you mean "desk"?\n'
    )
    empty = tmp_path_factory.mktemp("empty")
    assert within(empty, Versions) == Ran(0, "nothing was published here\n", "")
    assert within(empty, Versions, "desk") == Ran(
        2, "", 'found "desk", expected the id of a card that was published\n  hint: doit publish desk publishes it\n'
    )


def test_a_damaged_folder_is_named(dist: Path) -> None:
    (dist / "dist/desk-2-since-1/documents.tar.zst").write_bytes(b"")
    assert within(dist, Versions) == Ran(
        1, "",
        "dist/desk-2-since-1/documents.tar.zst: is damaged; the index of versions and the list of changes need it\n"
        "  hint: restore desk-2-since-1, or move it out of dist\n",
    )  # fmt: skip


@pytest.mark.skipif(os.name != "posix", reason="pipes as POSIX has them")
def test_a_pipe_in_place_of_a_record_is_not_opened(dist: Path) -> None:
    (dist / "dist/odd").mkdir()
    os.mkfifo(dist / "dist/odd/record.json")
    assert within(dist, Versions).code == 0


def test_two_versions_are_compared_by_name(dist: Path) -> None:
    ran = within(dist, Diff, "desk@1", "desk@2")
    assert (ran.code, ran.err) == (1, "")
    assert ran.out.splitlines()[:4] == [
        "old  dist/desk-1/record.json", "new  dist/desk-2/record.json", "volume", "  changed  label: DESK -> TABLE",
    ]  # fmt: skip
    assert within(dist, Diff, "desk@2", "desk@2").code == 0
    shutil.rmtree(dist / "dist/desk-2")  # the delta has its record too
    assert within(dist, Diff, "desk@1", "desk@2").out.splitlines()[2:] == ran.out.splitlines()[2:]


def test_a_card_is_held_against_a_version_by_name(dist: Path) -> None:
    assert receive(dist, "dist/desk-1").code == 0
    image = "build/received/desk-1/card.img"
    ran = within(dist, Verify, image, "desk@1")
    assert (ran.code, ran.out, ran.err) == (0, "desk: good\n", "")
    assert within(dist, Verify, image, "desk@2").code == 1
    assert within(dist, Verify, image).code == 0  # by its record, without manifests


@pytest.mark.parametrize("command", [Diff, Verify])
@pytest.mark.parametrize(
    ("word", "told"),
    [
        ("desk@3", 'desk@3: found "3", expected a version of desk: 1 and 2\n'),
        ("desk@", 'desk@: found "", expected a version of desk: 1 and 2\n'),
        ("hall@1", 'hall@1: no version of "hall" was published or received\n  hint: there are versions of desk\n'),
    ],
)
def test_an_unknown_version_names_those_that_exist(dist: Path, command: type, word: str, told: str) -> None:
    (dist / "some.img").write_bytes(bytes(100_000))
    words = [word, "desk@1"] if command is Diff else ["some.img", word]
    assert within(dist, command, *words) == Ran(2, "", told)


def test_a_received_version_is_known_by_name_and_by_its_serial(dist: Path) -> None:
    assert receive(dist, "dist/desk-1").code == 0
    assert receive(dist, "dist/desk-2-since-1").code == 0
    shutil.rmtree(dist / "dist")
    assert within(dist, Diff, "desk@1", "desk@2").code == 1
    card = Path(shutil.copy(dist / "build/received/desk-2/card.img", dist / "card.img"))
    ran = within(dist, Verify, str(card), "--json")
    assert json.loads(ran.out)["build"] == {"origin": "received", "version": "2"}
    assert sha256(card) == sha256(dist / "build/received/desk-2/card.img")
