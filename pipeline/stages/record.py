"""Stage ``record``: what is on the finished card, from what, and what was proven, written beside the image."""

from __future__ import annotations

import hashlib
from dataclasses import replace
from pathlib import Path

from pipeline.card.contents import join, title_folder
from pipeline.errors import Problem
from pipeline.record.document import record_text, sums_text
from pipeline.roms.map import rom_map
from pipeline.stages import image, plan
from pipeline.stages.project import PROGRAM, Project
from pipeline.stages.rules import judged
from pipeline.stages.stamp import NEW, write_if_changed
from pipeline.stages.stations import outlooks_of, stations_of
from pipeline.stations.show import matrix_document


def reason(project: Project, card_id: str) -> str | None:
    """Return why the record must be written again, None when it says what is so."""
    if image.reason(project, card_id):
        return "the image is not finished"
    folder = project.card_folder(card_id)
    for name, data in _files(project, card_id).items():
        path = folder / name
        if not path.is_file():
            return NEW
        if path.read_bytes() != data:
            return f"{name} no longer says what is so"
    return None


def run(project: Project, card_id: str) -> str:
    """Write record and checksums; return where they lie."""
    folder = project.card_folder(card_id)
    for name, data in _files(project, card_id).items():
        write_if_changed(folder / name, data)
    return f"{card_id}: {project.shown(folder / 'record.json')}"


def _files(project: Project, card_id: str) -> dict[str, bytes]:
    """Return the record and the checksums as they should be, the record first."""
    worked, plan_value = plan.planned(project, card_id)
    proof = image.proof_of(project, card_id)
    if proof is None:
        raise FileNotFoundError(project.stamp("image", card_id))
    selection = worked.selection
    later = judged(selection.card, image.findings_of(project, card_id))
    plan_sha256 = _sha256(plan.path_of(project, card_id))
    record = "".join(
        record_text(
            card=selection.card,
            board=selection.board,
            cores=selection.cores,
            titles=selection.titles,
            settings=selection.settings,
            files=worked.files,
            plan=plan_value,
            plan_sha256=plan_sha256,
            proof=proof,
            timestamp_from=worked.timestamp_from,
            made_by=PROGRAM,
            stations=matrix_document(stations_of(project, card_id), outlooks_of(project, card_id)),
            warnings=[_portable(project, one) for one in (*worked.judgement.warnings, *later.warnings)],
            silenced=[(_portable(project, one), why) for one, why in (*worked.judgement.silenced, *later.silenced)],
            ranges={
                join(title_folder(selection, title), rom.path): rom_map(title, rom)
                for title in selection.titles
                for rom in title.roms
            },
        )
    ).encode()
    sums = {
        "card.img": proof.image_sha256,
        "plan.json": plan_sha256,
        "record.json": hashlib.sha256(record).hexdigest(),
    }
    return {"record.json": record, "SHA256SUMS": sums_text(sums).encode()}


def _portable(project: Project, problem: Problem) -> Problem:
    """Return a problem whose place is told from the folder of inputs on, wherever that lies on this machine."""
    path = project.base / problem.place.file
    inside = path.relative_to(project.inputs).as_posix() if path.is_relative_to(project.inputs) else path.name
    return replace(problem, place=replace(problem.place, file=inside))


def _sha256(path: Path) -> str:
    return hashlib.sha256(path.read_bytes()).hexdigest()
