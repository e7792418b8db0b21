"""What is said of a finished card: its record and the list of checksums, as texts."""

from __future__ import annotations

import hashlib
from collections.abc import Iterable
from dataclasses import replace
from io import BytesIO

from pipeline.build import plan, rom
from pipeline.build.card_stations import outlooks_of, stations_of
from pipeline.build.rules import judged
from pipeline.card.contents import join, title_folder
from pipeline.errors import Problem
from pipeline.model.plan import Proof
from pipeline.record.document import record_text, sums_text
from pipeline.stations.show import matrix_document
from pipeline.workspace.project import PROGRAM, Project
from pipeline.workspace.stamp import sha256_of_file


def recorded(project: Project, card_id: str, proof: Proof, findings: Iterable[Problem]) -> dict[str, bytes]:
    """Return record and checksums of an image that was proven, by file name, the record first.

    ``findings``: what could not be told of the card's bitstreams.
    """
    worked, plan_value = plan.planned(project, card_id)
    selection = worked.selection
    later = judged(selection.card, findings)
    folders = {title.id: title_folder(selection, title) for title in selection.titles}
    plan_sha256 = sha256_of_file(plan.path_of(project, card_id))
    written = BytesIO()  # a list of the parts of a large card would take several times as much
    written.writelines(
        part.encode()
        for part in record_text(
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
            ranges={join(folders[one.title], one.path): one.ranges for one in rom.maps(project, selection)},
        )
    )
    record = written.getvalue()
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
