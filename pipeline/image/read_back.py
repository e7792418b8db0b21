"""Reads a finished image back through pyfatfs and holds all of it against the plan.

What goes unnoticed here: the zeros that fill up directories, clusters and free space, the CHS fields of the
partition table, and the four unused bits of FAT32 entries if they change in both copies. No reader uses them;
``image.unplanned`` holds them against the plan with the writer's code, which is no stranger to it.
"""

from __future__ import annotations

import warnings
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from functools import partial
from importlib.metadata import version
from io import BufferedReader
from itertools import zip_longest
from pathlib import Path

from pipeline.errors import CheckError, MachineError, Problem
from pipeline.image.compare import compare_fat, compare_folder, problem
from pipeline.image.contents import hash_contents
from pipeline.image.expected import planned_slots
from pipeline.image.opened import read_at
from pipeline.image.pyfat import CardVolume, Slot
from pipeline.image.system import compare_system
from pipeline.image.written import Written
from pipeline.model.plan import SECTOR, Entry, Plan, Proof

Progress = Callable[[int], None]


def read_back(plan: Plan, image: Path, written: Written, progress: Progress = lambda _: None) -> Proof:
    """Return the proof that the image holds exactly what the plan says, as pyfatfs reads it.

    Compared are, in both directions: partition table, boot sector, both FATs, every path with its short name, place
    in the folder, attributes, times, size, clusters and SHA-256, label, serial, and on FAT32 free count and backups.
    ``progress`` is called with the bytes of files read since the last call.

    Raises CheckError with every difference, MachineError when the system cannot read the image.
    """
    try:
        with image.open("rb") as file, warnings.catch_warnings(record=True) as warned:
            warnings.simplefilter("always")
            problems = list(compare_system(plan, str(image), file, written.image_size))
            if not problems:  # otherwise nothing else can be read with sense
                problems += _compare_volume(plan, image, file, progress)
    except OSError as error:
        raise MachineError.one(f"the image cannot be read: {error.strerror}", file=str(image)) from error
    problems += [problem(str(image), f"pyfatfs warns: {warning.message}") for warning in warned]
    if problems:
        raise CheckError(problems)
    return proof_for(plan, written.image_sha256, f"pyfatfs {version('pyfatfs')}")


def proof_for(plan: Plan, image_sha256: str, reader: str) -> Proof:
    """Return what a reader that found everything as planned has proven of the image with this SHA-256."""
    files = [entry for entry in plan.entries if not entry.is_folder]
    return Proof(
        image_sha256=image_sha256,
        image_size=plan.volume.card_sectors * SECTOR,
        files=len(files),
        folders=len(plan.entries) - len(files),
        file_bytes=sum(entry.size for entry in files),
        reader=reader,
    )


def _compare_volume(plan: Plan, image: Path, file: BufferedReader, progress: Progress) -> list[Problem]:
    problems: list[Problem] = []
    with _foreign(str(image), problems):
        volume = CardVolume(file, plan.volume.start)
    if problems:
        return problems
    problems += compare_fat(str(image), volume.take_fat(), plan)
    files: list[Entry] = []
    for folder, children, parent in _folders(plan):
        path = folder.path if folder else ""
        with _foreign(path or "/", problems):
            planned = partial(planned_slots, plan, folder, children, parent)
            if _are_equal(_slots(plan, folder, volume), (slot for slot, _ in planned())):
                files += (child for child in children if not child.is_folder)
                continue
            found = list(_slots(plan, folder, volume))
            problems += compare_folder(path, found, [slot for slot, _ in planned()])
            slots = set(found)
            files += (entry for slot, entry in planned() if entry and not entry.is_folder and slot in slots)
    start = plan.volume.start * SECTOR
    places = ((entry, start + volume.get_data_cluster_address(entry.cluster)) for entry in files)
    with image.open("rb", buffering=0) as contents:
        for entry, sha256 in hash_contents(partial(read_at, contents.fileno()), places, progress):
            if sha256 != entry.sha256:
                problems.append(problem(entry.path, f"its SHA-256 is {sha256}; expected {entry.sha256}"))
    return problems


def _folders(plan: Plan) -> Iterator[tuple[Entry | None, Sequence[Entry], int]]:
    """Yield the root (None) and every folder, with its children in order and the first cluster of the one above."""
    children: dict[str, list[Entry]] = {"": []}
    clusters = {"": 0}
    folders: list[Entry] = []
    for entry in plan.entries:
        children[entry.parent].append(entry)
        if entry.is_folder:
            children[entry.path] = []
            clusters[entry.path] = entry.cluster
            folders.append(entry)
    yield None, children[""], 0
    for folder in folders:
        yield folder, children[folder.path], clusters[folder.parent]


def _slots(plan: Plan, folder: Entry | None, volume: CardVolume) -> Iterator[Slot]:
    if folder is not None:
        return volume.folder_slots(folder.cluster, folder.clusters)
    return volume.folder_slots(2, plan.root_clusters) if plan.root_clusters else volume.root_slots()


def _are_equal(found: Iterator[Slot], planned: Iterator[Slot]) -> bool:
    """Whether all slots are as planned; no more than one of each is in memory, as a folder may have very many."""
    return all(one == other for one, other in zip_longest(found, planned))


@contextmanager
def _foreign(place: str, problems: list[Problem]) -> Iterator[None]:
    """Turn whatever a library raises over damaged bytes into a problem; what the system itself raises passes."""
    try:
        yield
    except Exception as error:
        if isinstance(error, OSError) and error.errno is not None:
            raise
        problems.append(problem(place, f"pyfatfs cannot read it: {type(error).__name__}: {error}"))
