"""What is read from ``lsblk``, in the forms its versions print, and which disks the guards refuse.

The recorded forms follow lsblk(8): flags as "0" and "1" and sizes as text up to util-linux 2.32, as JSON values since
(release notes of util-linux 2.33); the devices in them are invented.
"""

from __future__ import annotations

import json
import subprocess
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline.device.disk import LSBLK, Disk, disks_of, part_of
from pipeline.device.guards import CEILING, GuardProblem, agreed, guard_problems
from tests.strangers.tools import require

RECORDED = Path(__file__).parent / "lsblk"
AS_TEXT = (RECORDED / "flags-and-sizes-as-text.json").read_text()
AS_VALUES = (RECORDED / "flags-and-sizes-as-values.json").read_text()

CARD = Disk(
    path="/dev/sdb", kind="disk", size=31_914_983_424, buses=frozenset({"usb", "scsi", "pci"}), read_only=False,
    model="Invented Card Reader", serial="000000000820", label="ARCADE", uses=(), parts=("/dev/sdb1",),
)  # fmt: skip


def test_flags_and_sizes_as_text() -> None:
    disk, card = disks_of(AS_TEXT)
    assert card == replace(CARD, uses=("/dev/sdb1 is mounted at /media/card",))
    assert (disk.path, disk.uses) == ("/dev/sda", ("/dev/sda1 is mounted at /",))


def test_flags_and_sizes_as_values() -> None:
    loop, card, disk = disks_of(AS_VALUES)
    assert (loop.path, loop.kind, loop.size) == ("/dev/loop3", "loop", 64_000_000)
    assert (card.buses & {"mmc"}, card.read_only, card.serial, card.label) == (
        frozenset({"mmc"}),
        True,
        "0x1234abcd",
        "QUILLON",
    )
    assert disk.uses == (
        "/dev/mapper/home is mounted at /home",
        "/dev/mapper/home (crypt) is made of it",
        "/dev/nvme0n1p2 is in use as swap",
    )


def test_several_mount_points_of_newer_versions_count() -> None:
    document = json.loads(AS_TEXT)
    part = document["blockdevices"][1]["children"][0]
    part["mountpoints"] = [None, part.pop("mountpoint")]
    assert disks_of(json.dumps(document))[1].uses == ("/dev/sdb1 is mounted at /media/card",)


def test_a_partition_names_its_disk() -> None:
    assert part_of(AS_TEXT, "/dev/sdb1") == "/dev/sdb"
    assert part_of(AS_VALUES, "/dev/mapper/home") == "/dev/nvme0n1"
    assert part_of(AS_TEXT, "/dev/sdb") == ""


def test_the_lsblk_of_this_machine_is_understood() -> None:
    require("lsblk")
    done = subprocess.run(LSBLK, capture_output=True, text=True, check=True)
    assert all(disk.size > 0 and disk.path.startswith("/dev/") for disk in disks_of(done.stdout))


@pytest.mark.parametrize("text", ["", "[]", "{}", '{"blockdevices": 3}', "null"])
def test_other_text_is_refused(text: str) -> None:
    with pytest.raises(ValueError, match=r"no list of block devices|Expecting value"):
        disks_of(text)


# guards


def test_a_card_in_a_reader_may_be_written() -> None:
    assert guard_problems(CARD, CARD.size, large=False) == ()
    assert agreed(CARD) == "Invented Card Reader 31.9 GB"


@pytest.mark.parametrize(
    ("disk", "image", "what", "hint"),
    [
        (replace(CARD, buses=frozenset({"sata", "pci"})), 1,
         "it is connected by pci, sata, expected a card reader (USB, MMC)", "this is not a card"),
        (replace(CARD, buses=frozenset()), 1,
         "it is connected by nothing known, expected a card reader (USB, MMC)", "this is not a card"),
        (replace(CARD, uses=("/dev/sdb1 is mounted at /media/card",)), 1,
         "/dev/sdb1 is mounted at /media/card", "if this is the card: unmount it first (umount /dev/sdb1)"),
        (replace(CARD, read_only=True), 1, "it is read-only", "move the switch at the side of the card"),
        (CARD, CARD.size + 512, "it holds 31,914,983,424 bytes, the image has 31,914,983,936",
         "take a larger card, or make the volume smaller (volume.size)"),
        (replace(CARD, size=CEILING + 1), 1,
         "it holds 128.0 GB, more than cards for such boards do (128.0 GB)",
         "if it is the card all the same, add --large"),
    ],
)  # fmt: skip
def test_any_other_disk_is_refused(disk: Disk, image: int, what: str, hint: str) -> None:
    assert guard_problems(disk, image, large=False) == (GuardProblem(what=what, hint=hint),)


@pytest.mark.parametrize("bus", ["usb", "mmc", "sdio", "memstick"])
def test_each_bus_of_card_readers_is_accepted(bus: str) -> None:
    """Linux kernel: the names in /sys/bus, as lsblk prints them under TRAN and SUBSYSTEMS."""
    assert guard_problems(replace(CARD, buses=frozenset({bus})), CARD.size, large=False) == ()


def test_a_file_as_a_loop_device_has_no_bus_and_may_be_written() -> None:
    assert guard_problems(replace(CARD, kind="loop", buses=frozenset()), CARD.size, large=False) == ()


@pytest.mark.parametrize(("size", "large", "count"), [(128 * 10**9, False, 0), (128 * 10**9 + 1, False, 1),
                                                      (128 * 10**9 + 1, True, 0), (2 * 10**12, True, 0)])  # fmt: skip
def test_a_disk_of_more_than_128_gb_is_refused_unless_large_is_asked_for(size: int, large: bool, count: int) -> None:
    assert len(guard_problems(replace(CARD, size=size), size, large=large)) == count


@pytest.mark.parametrize(("missing", "count"), [(0, 0), (1, 1)])
def test_an_image_may_be_as_large_as_the_disk_and_no_byte_larger(missing: int, count: int) -> None:
    assert len(guard_problems(CARD, CARD.size + missing, large=False)) == count


@pytest.mark.parametrize(
    "change",
    [{"buses": frozenset({"sata"})}, {"read_only": True}, {"uses": ("/dev/sdb1 is in use as swap",)}, {"size": 511}],
)
def test_large_opens_nothing_but_the_size(change: dict[str, Any]) -> None:
    assert len(guard_problems(replace(CARD, **change), 512, large=True)) == 1


@pytest.mark.parametrize(("size", "shown"), [(999_900_000, "999.9 MB"), (10**9, "1.0 GB"), (63_999_999, "64.0 MB")])
def test_sizes_are_shown_as_cards_have_them_printed(size: int, shown: str) -> None:
    assert agreed(replace(CARD, size=size)) == f"Invented Card Reader {shown}"
    assert agreed(replace(CARD, size=size, model="", kind="loop")) == f"loop {shown}"


def test_no_option_opens_the_way_to_a_disk_in_use() -> None:
    root = disks_of(AS_VALUES)[2]
    assert len(guard_problems(root, 1, large=True)) == 4


@given(st.frozensets(st.sampled_from(["sata", "nvme", "pci", "virtio", "scsi", "ata", "iscsi", "fc"])))
def test_no_fixed_bus_is_ever_accepted(buses: frozenset[str]) -> None:
    assert guard_problems(replace(CARD, buses=buses), 1, large=True)
