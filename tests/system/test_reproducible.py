"""Same inputs, same version: same bytes, whatever the machine is set to (promise 1)."""

from __future__ import annotations

import json
import os
import subprocess
import sys
import tempfile
import zipfile
from pathlib import Path

import pytest

from pipeline.errors import ManifestError
from tests.strangers.tools import require
from tests.support import small
from tests.support.building import build_card_in
from tests.support.cli import Ran, call, command, digests, doit, own_command, write_tree

# The image digests of the small project are not written down here: they would change with every version on purpose.


def built(folder: Path, **environment: str) -> dict[str, str]:
    folder.mkdir(parents=True, exist_ok=True)
    ran = doit(small.small_project(folder), **environment)
    assert (ran.code, ran.err) == (0, "")
    return digests(folder / "build/cards")


@pytest.fixture(scope="module")
def reference(tmp_path_factory: pytest.TempPathFactory) -> dict[str, str]:
    return built(tmp_path_factory.mktemp("reference"), TZ="UTC", LANG="C", PYTHONHASHSEED="0")


@pytest.mark.parametrize(
    "environment",
    [
        {"TZ": "Pacific/Kiritimati", "PYTHONUTF8": "0", "LC_ALL": "POSIX"},
        {"TZ": "America/St_Johns", "LANG": "tr_TR.UTF-8", "LC_ALL": "C", "PYTHONHASHSEED": "1"},
        {"PYTHONHASHSEED": "4242", "HOME": "/nonexistent", "USER": "somebody", "COLUMNS": "40"},
    ],
    ids=lambda environment: " ".join(environment),
)
def test_the_environment_does_not_enter_the_bytes(
    environment: dict[str, str], reference: dict[str, str], tmp_path: Path
) -> None:
    assert built(tmp_path, **environment) == reference


def test_the_folder_does_not_enter_the_bytes(reference: dict[str, str], tmp_path: Path) -> None:
    assert built(tmp_path / "a folder" / "with spaces" / "and ümlauts") == reference


def test_the_working_folder_of_the_call_does_not_enter_the_bytes(reference: dict[str, str], tmp_path: Path) -> None:
    ran = call(Path("/"), command(small.small_project(tmp_path)))
    assert (ran.code, ran.err) == (0, "")
    assert digests(tmp_path / "build/cards") == reference


def test_the_place_of_the_inputs_does_not_enter_the_bytes(reference: dict[str, str], tmp_path: Path) -> None:
    elsewhere = small.small_project(tmp_path / "far away") / "inputs"
    (tmp_path / "here").mkdir()
    assert doit(tmp_path / "here", CARDKILN_INPUTS=str(elsewhere)).code == 0
    assert digests(tmp_path / "here/build/cards") == reference


def built_again(folder: Path, **job: object) -> dict[str, str]:
    """Return what a build gives that is told another number of processors, or lists files the other way round."""
    small.small_project(folder)
    told: dict[str, object] = {"inputs": str(folder / "inputs"), "build": str(folder / "build"), "card": "desk"}
    told |= {"workers": 1, "backwards": False, **job}
    words = [sys.executable, "-m", "pipeline.prove.proof_worker", json.dumps(told)]
    assert call(folder, words) == Ran(0, "", "")
    return digests(folder / "build/cards")


def test_the_order_in_which_the_system_lists_files_does_not_enter_the_bytes(
    reference: dict[str, str], tmp_path: Path
) -> None:
    assert built_again(tmp_path, backwards=True).items() <= reference.items()


@pytest.mark.parametrize("workers", [1, 7])
def test_the_number_of_workers_does_not_enter_the_bytes(
    workers: int, reference: dict[str, str], tmp_path: Path
) -> None:
    again = built_again(tmp_path, workers=workers)
    names = ("SHA256SUMS", "card.img", "plan.json", "record.json", "sheet.html")
    assert sorted(again) == [f"desk/{name}" for name in names]
    assert again.items() <= reference.items()


@pytest.mark.parametrize("processes", ["2", "3"])
def test_several_processes_of_the_engine_give_the_same_bytes(processes: str, tmp_path: Path) -> None:
    """No hash of a ROM file is declared, so that what one process makes another has to find."""
    titles = [f"snail-race-{number}" for number in range(12)]
    unpinned = small.TITLE.replace(f'sha256 = "{small.sha(small.ROM)}"\n', "").replace("SNAIL.ROM", "{}.ROM")
    files: dict[str, str | bytes] = {}
    for number, title in enumerate(titles):
        files[f"inputs/titles/{title}.toml"] = unpinned.format(f"SNAIL{number}")
    for card in ("desk", "shelf"):
        files[f"inputs/cards/{card}.toml"] = small.CARD.replace('["snail-race"]', json.dumps(titles))
    ran = doit(small.small_project(tmp_path / "many", files), "-n", processes)
    assert (ran.code, ran.err) == (0, "")
    assert doit(small.small_project(tmp_path / "one", files)).code == 0
    assert digests(tmp_path / "many/build/cards") == digests(tmp_path / "one/build/cards")
    assert "up to date" in doit(tmp_path / "many").out


@pytest.mark.skipif(not hasattr(os, "geteuid") or os.geteuid() != 0, reason="only root can work as somebody else")
def test_the_user_does_not_enter_the_bytes(reference: dict[str, str]) -> None:
    nobody = "65534"  # what Linux shows for a user it does not know
    may_read = ("--inh-caps", "+dac_read_search", "--ambient-caps", "+dac_read_search")  # Python may lie in root's home
    words = [require("setpriv"), "--reuid", nobody, "--regid", nobody, "--clear-groups", *may_read]
    if subprocess.run([*words, "true"], check=False, capture_output=True).returncode:
        pytest.skip("root may not do everything here")
    with tempfile.TemporaryDirectory() as name:
        folder = small.small_project(Path(name))
        folder.chmod(0o777)
        ran = call(Path("/"), [*words, *command(folder)])
        assert (ran.code, ran.err) == (0, "")
        assert (folder / "build/cards/desk/card.img").stat().st_uid == int(nobody)
        assert digests(folder / "build/cards") == reference


def test_the_order_in_which_files_were_made_does_not_enter_the_bytes(reference: dict[str, str], tmp_path: Path) -> None:
    write_tree(tmp_path, dict(reversed(small.FILES.items())))
    assert built(tmp_path) == reference


def test_the_umask_does_not_enter_the_bytes(reference: dict[str, str], tmp_path: Path) -> None:
    before = os.umask(0o077)
    try:
        assert built(tmp_path) == reference
    finally:
        os.umask(before)


def test_the_clock_does_not_enter_the_bytes(reference: dict[str, str], tmp_path: Path) -> None:
    small.small_project(tmp_path)
    subprocess.run([require("faketime"), "2031-07-06 05:04:03", *command(tmp_path)], check=True, capture_output=True)
    assert digests(tmp_path / "build/cards") == reference


def test_source_date_epoch_gives_the_timestamp(tmp_path: Path) -> None:
    # SOURCE_DATE_EPOCH specification 1.1: seconds since 1970-01-01 UTC. 1795559433 is 2026-11-24 22:30:33 UTC,
    # by `date --utc --date=@1795559433`.
    small.small_project(tmp_path)
    assert doit(tmp_path, SOURCE_DATE_EPOCH="1795559433", TZ="Asia/Tokyo").code == 0
    record = (tmp_path / "build/cards/desk/record.json").read_text(encoding="utf-8")
    assert '"timestamp":"2026-11-24T22:30:32","timestamp-from":"SOURCE_DATE_EPOCH"' in record


@pytest.mark.parametrize(
    ("text", "timestamp"),
    [
        ("0", "1980-01-01T00:00:00"),  # FAT begins in 1980: Microsoft FAT32 specification 1.03, "Date and Time Formats"
        ("315532800", "1980-01-01T00:00:00"),  # date --utc --date=@315532800
        (
            "4107542399",
            "2100-02-28T23:59:58",
        ),  # date --utc --date=@4107542399: 2100-02-28 23:59:59; steps of two seconds
        ("4107542400", "2100-02-28T23:59:58"),  # a day later some readers count wrong (common practice)
        ("99999999999999999999", "2100-02-28T23:59:58"),
    ],
)
def test_a_source_date_epoch_that_fat_cannot_hold_becomes_the_nearest_it_can(
    text: str, timestamp: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("SOURCE_DATE_EPOCH", text)
    volume = recorded(small.small_project(tmp_path))
    assert (volume["timestamp"], volume["timestamp-from"]) == (timestamp, "SOURCE_DATE_EPOCH")


def test_the_timestamp_of_the_card_wins_over_source_date_epoch(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    card = small.CARD + "timestamp = 2026-11-25T20:00:00\n"
    monkeypatch.setenv("SOURCE_DATE_EPOCH", "1795559433")
    volume = recorded(small.small_project(tmp_path, {"inputs/cards/desk.toml": card}))
    assert (volume["timestamp"], volume["timestamp-from"]) == ("2026-11-25T20:00:00", "card")


def test_without_either_the_timestamp_is_the_first_that_fat_has(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.delenv("SOURCE_DATE_EPOCH", raising=False)
    volume = recorded(small.small_project(tmp_path))
    assert (volume["timestamp"], volume["timestamp-from"]) == ("1980-01-01T00:00:00", "default")


def recorded(folder: Path) -> dict[str, str]:
    """Return what the record of a build says of the volume."""
    build_card_in(folder)
    volume: dict[str, str] = json.loads((folder / "build/cards/desk/record.json").read_bytes())["volume"]
    return volume


def test_a_malformed_source_date_epoch_is_refused(tmp_path: Path) -> None:
    ran = doit(small.small_project(tmp_path), SOURCE_DATE_EPOCH="yesterday")
    assert (ran.code, ran.err) == (
        2,
        'SOURCE_DATE_EPOCH is "yesterday", expected whole seconds since 1970-01-01 UTC\n'
        "  hint: set it to digits only, or unset it\n",
    )


@pytest.mark.parametrize("text", ["", " ", "-1", "+1", "1.5", "1e9", "0x10", " 1", "1_000", "\u0661"])
def test_only_whole_seconds_are_a_source_date_epoch(text: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    # SOURCE_DATE_EPOCH specification 1.1: an integer in ASCII without a fraction; a malformed one ends the build.
    monkeypatch.setenv("SOURCE_DATE_EPOCH", text)
    with pytest.raises(ManifestError) as caught:
        recorded(small.small_project(tmp_path))
    assert str(caught.value) == (
        f'SOURCE_DATE_EPOCH is "{text}", expected whole seconds since 1970-01-01 UTC\n'
        "  hint: set it to digits only, or unset it"
    )


def test_sources_in_a_zip_give_the_same_card_as_in_folders(reference: dict[str, str], tmp_path: Path) -> None:
    small.small_project(tmp_path)
    attic = tmp_path / "inputs/files/attic"
    with zipfile.ZipFile(tmp_path / "inputs/files/attic.zip", "w", zipfile.ZIP_DEFLATED) as archive:
        for path in sorted(attic.rglob("*.bin")):
            archive.write(path, path.name)
            path.unlink()
    write_tree(tmp_path, {"inputs/sources.toml": 'places = ["files/attic.zip"]\n'})
    assert doit(tmp_path).code == 0
    assert digests(tmp_path / "build/cards") == reference


def judged(one: Path, other: Path) -> subprocess.CompletedProcess[str]:
    """Compare two folders by diffoscope, the judge of the Reproducible Builds project; a file's times do not count."""
    words = [require("diffoscope"), "--exclude-directory-metadata", "yes", str(one), str(other)]
    return subprocess.run(words, capture_output=True, text=True, check=False)


def test_a_public_judge_finds_no_difference_when_all_is_varied_at_once(tmp_path: Path) -> None:
    here, there = tmp_path / "here", tmp_path / "far away" / "ümlauts"
    assert doit(small.small_project(here), TZ="UTC", LANG="C", PYTHONHASHSEED="0").code == 0
    there.mkdir(parents=True)
    write_tree(there, dict(reversed(small.FILES.items())))
    varied = {
        "TZ": "Asia/Kathmandu",
        "LC_ALL": "POSIX",
        "PYTHONHASHSEED": "77",
        "HOME": "/nonexistent",
        "COLUMNS": "40",
    }
    before = os.umask(0o077)
    try:
        ran = call(Path("/"), [require("faketime"), "2031-07-06 05:04:03", *command(there)], **varied)
    finally:
        os.umask(before)
    assert (ran.code, ran.err) == (0, "")
    alike = judged(here / "build/cards", there / "build/cards")
    assert (alike.returncode, alike.stdout) == (0, "")
    plan = there / "build/cards/desk/plan.json"
    plan.write_bytes(plan.read_bytes().replace(b"DESK", b"DISK", 1))
    other = judged(here / "build/cards", there / "build/cards")
    assert other.returncode == 1
    assert "plan.json" in other.stdout
    assert "card.img" not in other.stdout


def test_a_patched_image_is_proven_too(tmp_path: Path) -> None:
    """The image was built, then patched for another config file; the second build writes it whole."""
    folder = small.small_project(tmp_path)
    assert doit(folder).code == 0
    write_tree(folder, {"inputs/files/system/BENCH.SET": small.CONFIG + b"; more\r\n"})
    ran = doit(folder)
    assert "image   desk: patched" in ran.out
    assert own_command(folder, "prove", "desk").code == 0
