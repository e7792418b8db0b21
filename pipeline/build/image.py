"""Stage ``image``: the plan becomes an image, which is read back by other code before it takes its place."""

from __future__ import annotations

import re
from collections import ChainMap
from collections.abc import Mapping, MutableMapping
from contextlib import AbstractContextManager
from dataclasses import asdict, replace
from io import FileIO
from pathlib import Path
from typing import BinaryIO, cast

from pipeline.build import previous_image
from pipeline.build.bitstream_checks import bitstream_problem, check_bitstreams
from pipeline.build.card import CardBuild
from pipeline.build.pinned_image import check_pinned
from pipeline.build.previous_image import PatchBase
from pipeline.build.rules import judged
from pipeline.errors import CheckError, Problem
from pipeline.file_digest import sha256_of_file
from pipeline.image.digest import image_digest
from pipeline.image.patch import patch_image
from pipeline.image.read_back import proof_for, read_back
from pipeline.image.unplanned import check_unplanned
from pipeline.image.write import Opener, Written, naming_changed_sources, write_image
from pipeline.model.content import Content, Location
from pipeline.model.finished import FinishedCard, Proven
from pipeline.model.plan import SECTOR, Entry, Plan, Proof
from pipeline.model.text import counted
from pipeline.model.units import show_size
from pipeline.sources.files.read import open_content
from pipeline.threads import Threads
from pipeline.workspace.atomic_write import replacing
from pipeline.workspace.progress import progress
from pipeline.workspace.stamp import NEW, Made, digest, read_facts, read_inputs, read_outputs, stale, write_stamp
from pipeline.workspace.workspace import PROGRAM


def reason(card: CardBuild, plan_sha256: str | None = None) -> str | None:
    """Return why the image must be written again, None when it is the one its plan describes.

    ``plan_sha256``: of the plan that it is held against, when that is not the one in the card's folder.
    """
    stamp = card.workspace.stamp("image", card.id)
    why = stale(stamp, _inputs(card, plan_sha256), {"card.img": card.image_path})
    if why is not None:
        return why
    known = proven(card)
    if known is None or known.proof != proof_for(card.plan, known.proof.image_sha256, known.proof.reader):
        return NEW
    if _recorded(card) not in ("", known.proof.image_sha256):
        return "it is not the recorded image of this plan"
    if card.card.image_sha256 not in ("", known.proof.image_sha256):
        return "another SHA-256 is declared for it"
    return None


def run(card: CardBuild) -> str:
    """Write the image, read it back, and only then let it take its place; return what was done."""
    plan = card.plan
    locations = _locations(card)
    findings = check_bitstreams(card.selection, locations)
    card.workspace.warn(judged(card.selection, findings).warnings)

    def opener(entry: Entry) -> AbstractContextManager[BinaryIO]:
        location = locations[entry.sha256]
        if location.member is None:
            return cast("BinaryIO", FileIO(location.path))  # its size is checked by the writer, its hash in the image
        return open_content(location, Content(sha256=entry.sha256, size=entry.size))

    inputs = _inputs(card, card.plan_sha256)
    with replacing(card.image_path) as temporary:
        start = previous_image.begin(card, plan, temporary)
        try:
            proof, line = _whole(plan, opener, temporary) if start is None else _patched(plan, start, opener, temporary)
        except CheckError:  # a source is not what the index says of it
            card.workspace.index.forget()
            raise
        known = Proven(proof=proof, findings=tuple(sorted(findings)))
        check_pinned(card, known)
        earlier = previous_image.keep(card)
    _stamp(card, inputs, known, earlier)
    return f"{card.id}: {line}"


def proven_elsewhere(card: CardBuild, path: Path, proof: Proof) -> Proven:
    """Return what is proven of an image that another machine built, after it was read back here as the card's plan."""
    return Proven(proof=proof, findings=_found_in(card, path))


def take(card: CardBuild, path: Path, known: Proven) -> None:
    """Have a proven image that lies at ``path``, on the file system of the build folder, become the card's."""
    card.workspace.warn(judged(card.selection, known.findings).warnings)
    check_pinned(card, known)
    with replacing(card.image_path) as temporary:
        path.replace(temporary)
        earlier = previous_image.keep(card)
    _stamp(card, _inputs(card), known, earlier)


def proven(card: CardBuild) -> Proven | None:
    """Return what was proven of the card's image when it was written; None when there is none, or of another image."""
    stamp = card.workspace.stamp("image", card.id)
    known = read_facts(stamp, Proven)
    if known is None or not re.fullmatch(r"pyfatfs [0-9][0-9a-z.+]*", known.proof.reader):
        return None
    return known if read_outputs(stamp) == {"card.img": known.proof.image_sha256} else None


def found_on(card: CardBuild) -> tuple[Problem, ...]:
    """Return what is found of the bitstreams on the card's image, sorted."""
    return _found_in(card, card.image_path)


def _found_in(card: CardBuild, path: Path) -> tuple[Problem, ...]:
    """Return what is found of the bitstreams on an image, read where the card's plan has them, sorted."""
    entries = {entry.sha256: entry for entry in card.plan.entries}
    found = []
    with path.open("rb") as file:
        for core in card.selection.cores:
            entry = entries[core.bitstream.sha256]
            file.seek(card.plan.volume.cluster_offset(entry.cluster))
            found.append(bitstream_problem(core, card.selection.board, file.read(entry.size)))
    return tuple(sorted(problem for problem in found if problem))


def renew_findings(card: CardBuild) -> None:
    """Have the stamp of a finished image say what is found of its bitstreams, whatever it said before."""
    known, stamp = proven(card), card.workspace.stamp("image", card.id)
    renewed = known and replace(known, findings=found_on(card))
    if known and renewed and asdict(renewed) != asdict(known):
        outputs = {"card.img": (card.image_path, known.proof.image_sha256)}
        write_stamp(stamp, read_inputs(stamp), outputs, asdict(renewed))


def finished(card: CardBuild) -> FinishedCard:
    """Return the finished card; raises FileNotFoundError when no image of it was written."""
    known = proven(card)
    if known is None:
        raise FileNotFoundError(card.workspace.stamp("image", card.id))
    return card.finished(known)


def _stamp(card: CardBuild, inputs: Mapping[str, str], known: Proven, earlier: Made | None) -> None:
    """Note what the image that has just taken its place was made from; ``earlier``: what the one before it was."""
    previous_image.finish(card, earlier)
    outputs = {"card.img": (card.image_path, known.proof.image_sha256)}
    write_stamp(card.workspace.stamp("image", card.id), inputs, outputs, asdict(known))


def _recorded(card: CardBuild) -> str:
    """Return the SHA-256 of the image that was recorded with the plan as it is; "" where another plan was, or none.

    Equal plans give equal images. So where the two differ it is the image that is wrong, whatever its stamp says.
    """
    try:
        lines = (card.folder / "SHA256SUMS").read_text(encoding="ascii").splitlines()
        sums = {name: sha256 for sha256, _, name in (line.partition("  ") for line in lines)}
        return sums["card.img"] if sums["plan.json"] == sha256_of_file(card.plan_path) else ""
    except (OSError, ValueError, KeyError):
        return ""


def _whole(plan: Plan, opener: Opener, temporary: Path) -> tuple[Proof, str]:
    """Write the image and read all of it back; return what is proven, and what was done."""
    with progress(f"write {plan.card}", plan.volume.card_sectors * SECTOR) as advance:
        written = write_image(plan, opener, temporary, advance)
    total = sum(entry.size for entry in plan.entries)
    with naming_changed_sources(plan, opener), progress(f"read back {plan.card}", total) as advance:
        proof = read_back(plan, temporary, written, advance)
    return proof, f"{show_size(written.bytes_written)} written, verified with {proof.reader}"


def _patched(plan: Plan, start: PatchBase, opener: Opener, temporary: Path) -> tuple[Proof, str]:
    """Write what differs from an earlier image, and read all of it back while the whole image is hashed.

    Where it is not as planned, the earlier image was not what was kept of it said: then all of it is written.
    """
    size = plan.volume.card_sectors * SECTOR
    patched = patch_image(start.plan, plan, start.kept, opener, temporary)
    try:
        with progress(f"hash {plan.card}", size) as advance, Threads(1, "image-hash") as hasher:
            sha256 = hasher.submit(image_digest, temporary, advance)
            written = Written(image_sha256="", image_size=size, bytes_written=patched.bytes_written)
            proof = read_back(plan, temporary, written)
            check_unplanned(plan, temporary)
            proof = replace(proof, image_sha256=sha256.result())
    except CheckError:
        return _whole(plan, opener, temporary)
    line = f"patched: {counted(patched.ranges, 'range')}, {show_size(patched.bytes_written)} written"
    return proof, f"{line}, verified with {proof.reader}"


def _inputs(card: CardBuild, plan_sha256: str | None = None) -> dict[str, str]:
    if plan_sha256 is None:
        plan_sha256 = sha256_of_file(card.plan_path) if card.plan_path.is_file() else ""
    return {"the plan": plan_sha256, "the board's FPGA": digest(card.selection.board.fpga), "the program": PROGRAM}


def _locations(card: CardBuild) -> Mapping[str, Location]:
    """Return where each content of the card lies: in the sources, below the inputs, or among what is built."""
    built = {made.content.sha256: Location(path=str(card.config_path(made))) for made in card.configs}
    roms = {sha256: Location(path=str(path)) for sha256, path in card.rom_paths().items()}
    found = cast("MutableMapping[str, Location]", card.inputs.search.locations)  # may be many, and are only read
    return ChainMap(roms, built, card.local, found)
