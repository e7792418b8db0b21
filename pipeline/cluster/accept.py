"""What a worker answers is checked here, and only then takes its place in the build folder.

Plan, record and sheet are worked out once more; of the worker only the image is taken, after every byte of it was
read back and held against that plan.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterator, Mapping
from dataclasses import replace
from pathlib import Path
from typing import BinaryIO

from filelock import FileLock

from pipeline.build import config, image, plan, record, sheet
from pipeline.build.build import Build
from pipeline.build.card import CardBuild
from pipeline.build.rom import TitleRoms
from pipeline.cluster.packed_image import unpack_image
from pipeline.cluster.parcel import LostError, refuse_failed
from pipeline.cluster.worker import Answer, is_answer, problems_of
from pipeline.errors import CardkilnError, CheckError, MachineError, ManifestError, Place, Problem
from pipeline.image.read_back import read_back
from pipeline.image.unplanned import check_unplanned
from pipeline.image.written import Written
from pipeline.model.content import Content
from pipeline.model.manifest import RomFile
from pipeline.model.plan import SECTOR
from pipeline.model.units import show_size

ERRORS: Mapping[int, type[CardkilnError]] = {error.exit_code: error for error in (CheckError, ManifestError)}
"""Kinds of errors by their exit code; any other is the machine's."""


def accept(build: Build, card_id: str, answer: Answer, scratch: Path) -> str:
    """Check what a worker built, have it take its place, and return what was done.

    Several processes may accept cards at a time. What they write of ROM files is not synced yet. ``scratch``: their
    folder on the file system of the build folder. Raises CheckError where the answer is not what this program comes to.
    """
    hashes = {(title, path): sha256 for title, path, sha256 in answer["roms"]}
    if hashes.keys() != {(roms.title.id, rom.path) for roms in build.roms_of(card_id) for rom in roms.title.roms}:
        raise _differs(card_id, "list of ROM files")
    card = CardBuild(build.inputs, build.inputs.card(card_id), _rom_contents(build, card_id, hashes))
    if card.plan_sha256 != answer["plan"]:
        raise _differs(card_id, "plan")
    if answer["size"] != card.plan.volume.card_sectors * SECTOR:
        raise _differs(card_id, "image")
    written = _unpacked(card_id, answer, scratch)
    proof = read_back(
        card.plan, written, Written(image_sha256=answer["image"], image_size=answer["size"], bytes_written=0)
    )
    check_unplanned(card.plan, written)
    proven = image.proven_elsewhere(card, written, proof)
    if card.record_hashes(proven)["record.json"] != answer["record"]:
        raise _differs(card_id, "record")
    places = {entry.sha256: (card.plan.volume.cluster_offset(entry.cluster), entry.size) for entry in card.plan.entries}
    with FileLock(scratch / "roms.lock"), written.open("rb") as file:  # another card may have the same titles
        for roms in build.roms_of(card_id):
            roms.look_again()
            if roms.reason() is not None:
                roms.take_built(_rom_files(roms, hashes, answer["apart"], places, file))
    card = build.card(card_id)
    plan.run(card)
    config.run(card)
    image.take(card, written, proven)
    record.run(card)
    sheet.run(card)
    return f"image of {show_size(answer['size'])}, verified with {proof.reader}"


def _rom_contents(
    build: Build, card_id: str, hashes: Mapping[tuple[str, str], str]
) -> dict[tuple[str, Place], Content]:
    """Return the contents of ROM files whose SHA-256 no title declares, as the worker has them, by title and place."""
    return {
        (roms.title.id, roms.title.place(rom.key)): Content(sha256=hashes[roms.title.id, rom.path], size=rom.size)
        for roms in build.roms_of(card_id)
        for rom in roms.title.roms
        if not rom.sha256
    }


def received(build: Build, card_id: str, answer: Answer) -> Answer:
    """Return what a worker answers of a card that it built, with its packed image, which may lie in the store.

    Raises LostError where only the store failed, the worker's own error where it failed, CheckError where it is no
    answer.
    """
    if not is_answer(answer):
        raise _differs(card_id, "answer")
    if answer["exit-code"]:
        kind = LostError if answer.get("lost") else ERRORS.get(answer["exit-code"], MachineError)
        raise kind(_as_here(build, problem) for problem in problems_of(answer))
    if answer["packed"] is not None:
        return answer
    store = build.workspace.store
    packed = store.read_content(*answer["stored"]) if store else None
    if packed is None:
        if store:
            refuse_failed(store)
        raise LostError.one(f"the store lacks the image of {card_id} that a worker put there")
    return {**answer, "packed": packed}


def _unpacked(card_id: str, answer: Answer, scratch: Path) -> Path:
    """Unpack the image, and return where it lies; its SHA-256 is the one that the worker says."""
    target = scratch / f"{card_id}.img"
    try:
        sha256 = unpack_image(answer["ranges"], answer["packed"], target, answer["size"])
    except CheckError as error:
        raise _differs(card_id, "image") from error
    if sha256 != answer["image"]:
        raise _differs(card_id, "image")
    return target


def _rom_files(
    roms: TitleRoms,
    hashes: Mapping[tuple[str, str], str],
    apart: Mapping[str, bytes],
    places: Mapping[str, tuple[int, int]],
    file: BinaryIO,
) -> Iterator[tuple[RomFile, bytes]]:
    """Yield each ROM file of a title with its bytes: from the image where it is on the card.

    ``places``: offset and size of what is on the card, by SHA-256; ``file``: the image.
    """
    for rom in roms.title.roms:
        sha256 = hashes[roms.title.id, rom.path]
        if place := places.get(sha256):
            file.seek(place[0])
            yield rom, file.read(place[1])  # hashed when the image was read back
        elif len(data := apart.get(sha256, b"")) == rom.size and hashlib.sha256(data).hexdigest() == sha256:
            yield rom, data
        else:
            raise CheckError.one(f"{rom.path} of {roms.title.id} is not what the worker says")


def _differs(card_id: str, what: str) -> CheckError:
    return CheckError.one(
        f"the worker's {what} of {card_id} is not the one this program comes to; nothing of it was used",
        "build the card here, and compare the versions of the program",
    )


def _as_here(build: Build, problem: Problem) -> Problem:
    """Return a worker's problem, told of the inputs here."""
    return replace(problem, place=_place(build, problem.place), also=tuple(_place(build, at) for at in problem.also))


def _place(build: Build, place: Place) -> Place:
    head, slash, rest = place.file.partition("/")
    own = build.workspace.shown(build.workspace.inputs)
    return replace(place, file=f"{own}/{rest}") if slash and head == "inputs" else place
