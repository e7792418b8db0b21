"""Stage ``image``: the plan becomes an image, which is read back by other code before it takes its place."""

from __future__ import annotations

import hashlib
import re
from collections.abc import Mapping
from contextlib import AbstractContextManager
from dataclasses import asdict, dataclass, replace
from io import FileIO
from pathlib import Path
from typing import BinaryIO, cast

from pipeline.build import config, plan, previous_image, rom
from pipeline.build.bitstream_checks import check_bitstreams
from pipeline.build.pinned_image import check_pinned
from pipeline.build.previous_image import Start
from pipeline.build.rules import judged
from pipeline.errors import CheckError, Problem
from pipeline.image.digest import image_digest
from pipeline.image.patch import patch_image
from pipeline.image.read_back import proof_for, read_back
from pipeline.image.unplanned import check_unplanned
from pipeline.image.write import Opener, Written, write_image
from pipeline.model.content import Content, Found, Location
from pipeline.model.plan import SECTOR, Entry, Plan, Proof
from pipeline.model.text import counted
from pipeline.model.units import show_size
from pipeline.sources.files.read import open_content
from pipeline.threads import Threads
from pipeline.workspace.atomic_write import replacing
from pipeline.workspace.progress import progress
from pipeline.workspace.project import PROGRAM, Project
from pipeline.workspace.stamp import NEW, digest, read_facts, read_outputs, sha256_of_file, stale, write_stamp


def reason(project: Project, card_id: str, plan_text: bytes | None = None) -> str | None:
    """Return why the image must be written again, None when it is the one its plan describes.

    ``plan_text``: the plan that it is held against, when that is not the one that lies there.
    """
    image = project.card_folder(card_id) / "card.img"
    why = stale(
        project.stamp("image", card_id),
        _inputs(project, card_id, plan_text),
        {image.name: image},
    )
    if why is not None:
        return why
    proof, pinned = proof_of(project, card_id), project.manifest.cards[card_id].image_sha256
    if proof is None or proof != proof_for(plan.planned(project, card_id)[1], proof.image_sha256, proof.reader):
        return NEW
    if _recorded(project, card_id) not in ("", proof.image_sha256):
        return "it is not the recorded image of this plan"
    return "another SHA-256 is declared for it" if pinned not in ("", proof.image_sha256) else None


def run(project: Project, card_id: str, found: Found) -> str:
    """Write the image, read it back, and only then let it take its place; return what was done."""
    obeyed = plan.written(project, card_id)
    worked, _ = plan.planned(project, card_id)
    locations = _locations(project, card_id, found)
    findings = check_bitstreams(worked.selection, locations)
    project.warnings += judged(worked.selection.card, findings).warnings

    def opener(entry: Entry) -> AbstractContextManager[BinaryIO]:
        location = locations[entry.sha256]
        if location.member is None:
            return cast("BinaryIO", FileIO(location.path))  # the writer checks size and hash itself
        return open_content(location, Content(sha256=entry.sha256, size=entry.size))

    image = project.card_folder(card_id) / "card.img"
    inputs = _inputs(project, card_id)
    with replacing(image) as temporary:
        start = previous_image.begin(project, card_id, obeyed, temporary)
        try:
            proof, line = (
                _whole(obeyed, opener, temporary) if start is None else _patched(obeyed, start, opener, temporary)
            )
        except CheckError:  # a source is not what the index says of it
            project.index.forget()
            raise
        check_pinned(project, card_id, proof, findings)
        earlier = previous_image.keep(project, card_id)
    facts = asdict(Verified(proof=proof, findings=tuple(findings)))
    previous_image.finish(project, card_id, earlier)
    write_stamp(project.stamp("image", card_id), inputs, {image.name: (image, proof.image_sha256)}, facts)
    return f"{card_id}: {line}"


def _recorded(project: Project, card_id: str) -> str:
    """Return the SHA-256 of the image that was recorded with the plan as it is; "" where another plan was, or none.

    Equal plans give equal images. So where the two differ it is the image that is wrong, whatever its stamp says.
    """
    folder = project.card_folder(card_id)
    try:
        lines = (folder / "SHA256SUMS").read_text(encoding="ascii").splitlines()
        sums = {name: sha256 for sha256, _, name in (line.partition("  ") for line in lines)}
        same = sums["plan.json"] == sha256_of_file(folder / "plan.json")
        return sums["card.img"] if same else ""
    except (OSError, ValueError, KeyError):
        return ""


def _whole(obeyed: Plan, opener: Opener, temporary: Path) -> tuple[Proof, str]:
    """Write the image and read all of it back; return what is proven, and what was done."""
    with progress(f"write {obeyed.card}", obeyed.volume.card_sectors * SECTOR) as advance:
        written = write_image(obeyed, opener, temporary, advance)
    with progress(f"read back {obeyed.card}", sum(entry.size for entry in obeyed.entries)) as advance:
        proof = read_back(obeyed, temporary, written, advance)
    return proof, f"{show_size(written.bytes_written)} written, read back by {proof.reader}: all as planned"


def _patched(obeyed: Plan, start: Start, opener: Opener, temporary: Path) -> tuple[Proof, str]:
    """Write what differs from an earlier image, and read all of it back while the whole image is hashed.

    Where it is not as planned, the earlier image was not what was kept of it said: then all of it is written.
    """
    size = obeyed.volume.card_sectors * SECTOR
    patched = patch_image(start.plan, obeyed, start.kept, opener, temporary)
    try:
        with progress(f"hash {obeyed.card}", size) as advance, Threads(1, "image-hash") as hasher:
            sha256 = hasher.submit(image_digest, temporary, advance)
            written = Written(image_sha256="", image_size=size, bytes_written=patched.bytes_written)
            proof = read_back(obeyed, temporary, written)
            check_unplanned(obeyed, temporary)
            proof = replace(proof, image_sha256=sha256.result())
    except CheckError:
        return _whole(obeyed, opener, temporary)
    line = f"patched: {counted(patched.ranges, 'range')}, {show_size(patched.bytes_written)} written"
    return proof, f"{line}; read back by {proof.reader}: all as planned"


@dataclass(frozen=True, slots=True, kw_only=True)
class Verified:
    """What is kept of a finished image: what was proven of it, and what could not be told of its bitstreams."""

    proof: Proof
    findings: tuple[Problem, ...]


def proof_of(project: Project, card_id: str) -> Proof | None:
    """Return what was proven of the card's image when it was written; None when there is none."""
    verified = _verified(project, card_id)
    return verified.proof if verified else None


def findings_of(project: Project, card_id: str) -> tuple[Problem, ...]:
    """Return what could not be told of the card's bitstreams when its image was written, sorted."""
    verified = _verified(project, card_id)
    return tuple(sorted(verified.findings)) if verified else ()


def _verified(project: Project, card_id: str) -> Verified | None:
    """Return what is kept of the image of which the stamp tells; None when it speaks of another one."""
    stamp = project.stamp("image", card_id)
    verified = read_facts(stamp, Verified)
    if verified is None or not re.fullmatch(r"pyfatfs [0-9][0-9a-z.+]*", verified.proof.reader):
        return None
    return verified if read_outputs(stamp) == {"card.img": verified.proof.image_sha256} else None


def _inputs(project: Project, card_id: str, plan_text: bytes | None = None) -> dict[str, str]:
    try:
        text = plan.path_of(project, card_id).read_bytes() if plan_text is None else plan_text
    except FileNotFoundError:
        text = b""
    fpga = project.manifest.boards[project.manifest.cards[card_id].board].fpga
    return {"the plan": hashlib.sha256(text).hexdigest(), "the board's FPGA": digest(fpga), "the program": PROGRAM}


def _locations(project: Project, card_id: str, found: Found) -> Mapping[str, Location]:
    """Return where each content of the card lies: in the sources, below the inputs, or among what is built."""
    worked, _ = plan.planned(project, card_id)
    built = {
        made.content.sha256: Location(path=str(config.path_of(project, card_id, made.job.path)))
        for made in worked.configs
    }
    for title in worked.selection.titles:
        for one in title.roms:
            content, _ = rom.made(project, title, one)
            built[content.sha256] = Location(path=str(project.rom_folder(title.id) / one.path))
    return {**found.locations, **worked.local, **built}
