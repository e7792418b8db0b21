"""Same inputs, same version: same bytes, whatever the machine is set to (promise 1)."""

from __future__ import annotations

import os
import subprocess
from pathlib import Path

import pytest

from tests import small
from tests.running import command, digests, doit, write_tree
from tests.strangers.tools import require

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
        {"TZ": "Pacific/Kiritimati"},
        {"TZ": "America/St_Johns", "LANG": "tr_TR.UTF-8", "LC_ALL": "C"},
        {"PYTHONHASHSEED": "1"},
        {"PYTHONHASHSEED": "4242", "HOME": "/nonexistent"},
        {"PYTHONUTF8": "0", "LC_ALL": "POSIX"},
    ],
    ids=lambda environment: " ".join(environment),
)
def test_the_environment_does_not_enter_the_bytes(
    environment: dict[str, str], reference: dict[str, str], tmp_path: Path
) -> None:
    assert built(tmp_path, **environment) == reference


def test_the_folder_does_not_enter_the_bytes(reference: dict[str, str], tmp_path: Path) -> None:
    assert built(tmp_path / "a folder" / "with spaces" / "and ümlauts") == reference


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


def test_a_malformed_source_date_epoch_is_refused(tmp_path: Path) -> None:
    ran = doit(small.small_project(tmp_path), SOURCE_DATE_EPOCH="yesterday")
    assert (ran.code, ran.err) == (
        2,
        'SOURCE_DATE_EPOCH is "yesterday", expected whole seconds since 1970-01-01 UTC\n'
        "  hint: set it to digits only, or unset it\n",
    )


def test_sources_in_a_zip_give_the_same_card_as_in_folders(reference: dict[str, str], tmp_path: Path) -> None:
    import zipfile

    small.small_project(tmp_path)
    attic = tmp_path / "inputs/files/attic"
    with zipfile.ZipFile(tmp_path / "inputs/files/attic.zip", "w", zipfile.ZIP_DEFLATED) as archive:
        for path in sorted(attic.rglob("*.bin")):
            archive.write(path, path.name)
            path.unlink()
    write_tree(tmp_path, {"inputs/sources.toml": 'places = ["files/attic.zip"]\n'})
    assert doit(tmp_path).code == 0
    assert digests(tmp_path / "build/cards") == reference
