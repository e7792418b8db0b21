"""Clean or not: the verdict on volumes with one thing broken is fsck.fat's (dosfstools 4.2)."""

from __future__ import annotations

import subprocess
from pathlib import Path

import pytest

from pipeline.model.plan import SECTOR
from pipeline.volume.read import NotFatError
from tests.strangers.tools import require
from tests.unit.volume.broken import Case, Volume, cases
from tests.unit.volume.making import by_fatfs_with_label, by_mkfs, by_pyfatfs, by_us, filled, reading_at, reading_of

STRICTER = {
    "other media byte in the FAT": "FAT[0] holds the media byte; mtools refuses the volume",
    "FAT says hardware error": "the specification's second bit of FAT[1]; fsck.fat knows the first only",
    "dot with a size": "a folder's size is 0, its entry for itself no exception",
    "empty file behind the end": "all behind the end mark must be zero; some readers do not stop at it",
    "long name: forbidden character": "fsck.fat looks at no character of a long name",
    "long name: half a surrogate pair": "fsck.fat looks at no character of a long name",
    "bad 8.3 name under a long name, bit 20 in byte 12":
        "fsck.fat takes the bit for \"there is no 8.3 name\"; the specification reserves byte 12, and small "
        "machines read the 8.3 name alone",
    "no 55 AA": "the specification asks for it; FatFs and small machines refuse the volume",
    "no jump": "pyfatfs, dissect and FatFs refuse the volume",
    "media byte that is none": "the specification's list; other systems refuse it",
} | {
    f"byte {byte:02X} in an {part}": "the specification's list of forbidden characters; FatFs cannot open the file"
    for byte in b"a+,;=[]"
    for part in ("8.3 name", "extension")
}  # fmt: skip
"""Where we object and fsck.fat does not, and why; nowhere is it the other way round."""

SOUND = {
    "sound": "nothing is broken",
    "bad cluster marked": "the mark is there to be used",
    "bit 20 in byte 12": "the specification reserves byte 12 and asks nobody to look at it",
    "byte 20 in an 8.3 name": "a blank within a name is legal",
    "byte E4 in an 8.3 name": "bytes from 80 on are letters of some code page",
    "byte E4 in an extension": "bytes from 80 on are letters of some code page",
    "05 for E5 in an 8.3 name": "the specification has it so",
    "date of zero": "nothing needs a date",
}
"""What is no fault for either, and why."""

NOTICED_ON_FAT32 = {"no 55 AA", "no jump", "media byte that is none"}
"""There fsck.fat sees that the backup boot sector differs."""

MAKERS = {
    **{f"mkfs.fat {bits}": (by_mkfs, bits) for bits in (12, 16, 32)},
    **{f"pyfatfs {bits}": (by_pyfatfs, bits) for bits in (16,)},
    "FatFs 12": (by_fatfs_with_label, 12),
    **{f"ours {bits}": (by_us, bits) for bits in (12, 16, 32)},
}


def fsck_is_content(image: Path) -> bool:
    """Whether fsck.fat says nothing beyond its version and its counts; its exit code alone passes over some faults."""
    result = subprocess.run([require("fsck.fat"), "-n", str(image)], capture_output=True, check=False)
    return result.returncode == 0 and len(result.stdout.splitlines()) == 2


def we_are_content(image: Path) -> bool:
    try:
        return not reading_at(image).findings
    except NotFatError:
        return False


@pytest.mark.parametrize("maker", MAKERS)
def test_the_verdict_is_that_of_fsck(maker: str, tmp_path: Path) -> None:
    make, bits = MAKERS[maker]
    image = tmp_path / "volume.img"
    data = make(image, bits)
    if make is not by_us:
        data = filled(image, tmp_path)
    volume = Volume(data, reading_of(data))
    verdicts = {case[0]: _verdicts(image, data, case) for case in cases(volume)}

    assert verdicts["sound"] == (True, True)
    assert {name for name, (ours, theirs) in verdicts.items() if ours and not theirs} == set()
    stricter = {name for name, (ours, theirs) in verdicts.items() if theirs and not ours}
    assert stricter == (set(STRICTER) & set(verdicts)) - (NOTICED_ON_FAT32 if bits == 32 else set())
    assert {name for name, (ours, _) in verdicts.items() if ours} <= SOUND.keys()


def _verdicts(image: Path, data: bytes, case: Case) -> tuple[bool, bool]:
    """Return ours and fsck.fat's; the image is left as it was."""
    with image.open("r+b") as file:
        for offset, raw in case[1]:
            file.seek(offset)
            file.write(raw)
        file.flush()
        verdicts = we_are_content(image), fsck_is_content(image)
        for offset, raw in case[1]:
            file.seek(offset)
            file.write(data[offset : offset + len(raw)])
    return verdicts


@pytest.mark.parametrize("fats", [1, 2, 3, 4])
@pytest.mark.parametrize("bits", [12, 16, 32])
def test_one_fat_is_sound_and_three_are_not(bits: int, fats: int, tmp_path: Path) -> None:
    """fsck.fat says "Currently, only 1 or 2 FATs are supported"; the specification recommends 2 and allows others."""
    image = tmp_path / "volume.img"
    by_mkfs(image, bits, f"-f{fats}")

    assert we_are_content(image) == fsck_is_content(image) == (fats <= 2)


@pytest.mark.parametrize(("sectors", "sound"), [(64, True), (128, False)])
def test_clusters_above_32_kib_are_told_though_fsck_is_content(sectors: int, sound: bool, tmp_path: Path) -> None:
    """The specification: "this value should never be greater than 32K (32 * 1024)"; many small readers obey it."""
    image = tmp_path / "volume.img"
    with image.open("wb") as file:
        file.truncate(sectors * SECTOR * 5000)
    command = [require("mkfs.fat"), "-F16", f"-s{sectors}", "-nHELLO", str(image)]
    subprocess.run(command, check=True, capture_output=True)

    assert fsck_is_content(image)
    assert we_are_content(image) == sound


def test_a_truncated_volume_is_not_clean_for_either(tmp_path: Path) -> None:
    image = tmp_path / "volume.img"
    by_mkfs(image, 16)
    data = filled(image, tmp_path)
    for length in (len(data) - 512, len(data) // 2, 20_000):
        image.write_bytes(data[:length])
        assert not fsck_is_content(image)
        assert not we_are_content(image)
