"""Writing a finished card to a real one, and proving it; which disk that is, is decided with the guards."""

from __future__ import annotations

import errno
import hashlib
import os
import subprocess
import sys
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from pipeline.device.disk import LSBLK, Disk, disks_of, part_of
from pipeline.device.guards import guard_problems
from pipeline.device.ranges import Range, Read, used_ranges
from pipeline.errors import CheckError, MachineError, Place, Problem, RefusedError
from pipeline.image.opened import read_at
from pipeline.inspect.opened_build import OpenedBuild
from pipeline.model.plan import SECTOR, Plan
from pipeline.model.units import show_size
from pipeline.workspace.progress import progress
from pipeline.workspace.workspace import Workspace

STEPS = {
    "darwin": """\
On macOS, Cardkiln does not write disks. To write {image}:
  1. diskutil list external physical       find the card by its size; note its name, for example disk4
  2. diskutil unmountDisk /dev/diskN
  3. sudo dd if={image} of=/dev/rdiskN bs=4m
     Everything on that disk is lost. Read the number twice.
  4. diskutil eject /dev/diskN, plug the card in again, and without letting anything write to it:
     sudo doit verify /dev/rdiskN {card}""",
    "win32": """\
On Windows, Cardkiln does not write disks. To write {image}:
  1. Get-Disk (in PowerShell)              find the card by its size; note its number
  2. Write the image with a program you trust that writes whole disks and shows which one it takes.
     Everything on that disk is lost. Read the number twice.
  3. Plug the card in again, and as an administrator:
     doit verify \\\\.\\PhysicalDriveN {card}""",
}
"""What a person does where we do not write."""


COLUMNS = (
    "when", "device", "model", "serial", "size", "card", "version", "image-sha256", "result", "written",
)  # fmt: skip
"""Of a row of the batch record."""


SHOWN_PART = 8 << 20
"""Bytes at the start of a disk that tell one card from another: all tables and most folders of one this size."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Target:
    """A disk and the card in it, as they were looked at before anybody was asked.

    ``content``: SHA-256 of the first ``SHOWN_PART`` bytes. ``sequence``: the number the kernel gave the medium, another
    one for each that is put in; "" before Linux 5.15, and a reader that says nothing of an exchange keeps it.
    Source: Linux, Documentation/ABI/stable/sysfs-block, diskseq.
    """

    disk: Disk
    content: str
    sequence: str


@dataclass(frozen=True, slots=True, kw_only=True)
class DiskResult:
    """What became of one disk; ``problems`` is empty when all that the plan uses was read back as planned."""

    disk: Disk
    used: int = 0
    written: int = 0
    past_cache: bool = True
    problems: tuple[Problem, ...] = ()
    exit_code: int = 0


def steps_by_hand(workspace: Workspace, card: OpenedBuild) -> str | None:
    """Return what a person does on a system where we do not write, None where we do."""
    if sys.platform.startswith("linux"):
        return None
    return STEPS.get(sys.platform, STEPS["darwin"]).format(image=workspace.shown(card.image_path), card=card.card)


def disks() -> tuple[Disk, ...]:
    """Return the disks there are now; raises MachineError when ``lsblk`` cannot tell."""
    return tuple(_backed(disk) for disk in disks_of(_lsblk()))


def chosen(paths: Sequence[str], card: OpenedBuild, *, large: bool) -> tuple[Target, ...]:
    """Return the disks at some paths; raises RefusedError with every reason not to write each of them.

    Raises MachineError for one that cannot be read.
    """
    text = _lsblk()
    by_path = {disk.path: _backed(disk) for disk in disks_of(text)}
    problems, found = list[Problem](), list[Disk]()
    for path in paths:
        real = os.path.realpath(path)
        disk = by_path.get(real)
        if disk is None:
            whole = part_of(text, real)
            what = f"is a part of {whole}; expected the whole disk" if whole else "is not a disk of this machine"
            problems.append(Problem(Place(path), what, f"name {whole}" if whole else "doit cards shows them"))
            continue
        size = card.plan.volume.card_sectors * SECTOR
        problems += [Problem(Place(path), one.what, one.hint) for one in guard_problems(disk, size, large=large)]
        if disk in found:
            problems.append(Problem(Place(path), "is named twice"))
        found.append(disk)
    if problems:
        raise RefusedError(problems)
    return tuple(map(_target, found))


def write(card: OpenedBuild, target: Target, say: Callable[[int], None] = lambda _: None) -> DiskResult:
    """Write a card to a disk that was agreed to, read it back past the cache, and return what came of it.

    Disk and card are looked at once more, with the disk opened so that nothing else can use it; they are refused when
    they are others than those that were agreed to.
    """
    disk = target.disk
    try:
        return _written(card, target, say)
    except (CheckError, MachineError, RefusedError) as error:
        return DiskResult(disk=disk, problems=error.problems, exit_code=error.exit_code)
    except OSError as error:
        what = f"{error.strerror or error}; the card is not valid until a write completes"
        problem = Problem(Place(disk.path), what, "plug it in again, and run this once more")
        return DiskResult(disk=disk, problems=(problem,), exit_code=MachineError.exit_code)


def _written(card: OpenedBuild, target: Target, say: Callable[[int], None]) -> DiskResult:
    if sys.platform != "linux":
        raise RefusedError.one(
            "cannot be written on this system", "doit write CARD shows the steps", file=target.disk.path
        )
    from pipeline.device import block_device  # here, since only Linux has what it imports
    from pipeline.device.write import differences, write_ranges

    disk = target.disk
    if disk not in disks():
        raise RefusedError.one("is another disk than a moment ago; nothing was written", "start again", file=disk.path)
    used = sum(end - start for start, end in used_ranges(card.plan))
    with block_device.OpenDisk.opened(disk.path) as opened:
        if opened.size() != disk.size or _as_seen(disk, opened.read) != target:
            what = "holds another card than a moment ago; nothing was written"
            raise RefusedError.one(what, "start again", file=disk.path)
        with progress(f"write {disk.path}", used) as advance:
            counts = write_ranges(card.plan, card.read, opened, _both(advance, say))
        try:
            with progress(f"read back {disk.path}", used) as advance, opened.past_cache() as (reader, certain):
                wrong = tuple(differences(card.plan, card.read, reader, _both(advance, say)))
        except OSError as error:
            what = f"{error.strerror or error} while it was read back; it is written, but not verified"
            raise MachineError.one(what, "plug it in again, and run this once more", file=disk.path) from error
        opened.read_table_again()
    card.check_unchanged()
    if wrong:
        raise CheckError(_damage(card.plan, disk, wrong))
    return DiskResult(disk=disk, used=counts.used, written=counts.written, past_cache=certain)


def _both(one: Callable[[int], None], two: Callable[[int], None]) -> Callable[[int], None]:
    def advance(count: int) -> None:
        one(count)
        two(count)

    return advance


def _damage(plan: Plan, disk: Disk, wrong: Sequence[Range]) -> list[Problem]:
    """Return a problem for each owner of bytes that were read back wrong."""
    hint = "the card may be worn out or forged in size; do not use it"
    owners: dict[str, list[Range]] = {}
    for start, end in wrong:
        for owner in owners_of(plan, start, end):
            owners.setdefault(owner, []).append((start, end))
    return [
        Problem(
            Place(disk.path, key=owner), f"reads back other bytes than were written, from {ranges[0][0]:#x} on", hint
        )
        for owner, ranges in owners.items()
    ]


def owners_of(plan: Plan, start: int, end: int) -> list[str]:
    """Return whose bytes lie in a range of the image: paths, or what they are to the volume."""
    volume = plan.volume
    found = [] if start >= volume.data_start * SECTOR else ["the file system's own area"]
    for entry in plan.entries:
        first = volume.cluster_offset(entry.cluster) if entry.clusters else -1
        if 0 <= first < end and first + entry.clusters * volume.cluster_bytes > start:
            found.append(entry.path)
    return found or ["free space"]


def summary(result: DiskResult) -> str:
    """Return what was and what was not proven of a disk, in a line."""
    if result.problems:
        return f"{result.disk.path}: not good"
    how = "uncached" if result.past_cache else "maybe from a cache, which could not be bypassed"
    size = f"{show_size(result.written)} of {show_size(result.used)} written"
    return f"{result.disk.path}: {size}; verified {how}; free space unchanged"


def row(card: OpenedBuild, result: DiskResult, moment: str) -> Mapping[str, str | int]:
    """Return a result as a row of the batch record."""
    disk = result.disk
    return {
        "when": moment,
        "device": disk.path,
        "model": disk.model,
        "serial": disk.serial,
        "size": disk.size,
        "card": card.card,
        "version": card.version,
        "image-sha256": card.sha256,
        "result": "good" if not result.problems else "; ".join(problem.what for problem in result.problems),
        "written": result.written,
    }


def _target(disk: Disk) -> Target:
    """Return a disk as it is now; raises MachineError when it cannot be read."""
    try:
        descriptor = os.open(disk.path, os.O_RDONLY)
        try:
            return _as_seen(disk, lambda offset, length: read_at(descriptor, offset, length))
        finally:
            os.close(descriptor)
    except OSError as error:
        hint = "reading and writing disks needs administrator rights (sudo)" if error.errno == errno.EACCES else ""
        raise MachineError.one(f"cannot be read: {error.strerror}", hint, file=disk.path) from error


def _as_seen(disk: Disk, read: Read) -> Target:
    content = hashlib.sha256(read(0, min(SHOWN_PART, disk.size))).hexdigest()
    try:  # read after the first access, which is when the kernel notices a new medium
        sequence = Path("/sys/block", Path(disk.path).name, "diskseq").read_text(encoding="ascii").strip()
    except OSError:
        sequence = ""
    return Target(disk=disk, content=content, sequence=sequence)


def _backed(disk: Disk) -> Disk:
    """Return a loop device with the file behind it for a serial; other disks have their own."""
    try:
        behind = Path("/sys/block", Path(disk.path).name, "loop/backing_file").read_text(encoding="utf-8").strip()
    except OSError:
        return disk
    return replace(disk, serial=behind)


def _lsblk() -> str:
    try:
        done = subprocess.run(LSBLK, capture_output=True, text=True, check=True)
    except FileNotFoundError:
        raise MachineError.one("lsblk is not here; it tells which disks there are", "install util-linux") from None
    except subprocess.CalledProcessError as error:
        raise MachineError.one(f"lsblk failed: {error.stderr.strip()}") from None
    return done.stdout
