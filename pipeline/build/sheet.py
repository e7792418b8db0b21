"""Stage ``sheet``: the printable page that goes with a finished card, written beside its record."""

from __future__ import annotations

import hashlib
from pathlib import Path

from pipeline.build import image, plan, rom
from pipeline.build.card_stations import outlooks_of, stations_of
from pipeline.sheet.sheet import Sheet
from pipeline.workspace.project import PROGRAM, Project
from pipeline.workspace.stamp import digest, sha256_of_file, stale, write_if_changed, write_stamp

BESIDE = ("card.img", "plan.json", "record.json")
"""What lies beside the sheet and has its SHA-256 on it."""


def path_of(project: Project, card_id: str) -> Path:
    """Return where a card's sheet lies."""
    return project.card_folder(card_id) / "sheet.html"


def reason(project: Project, card_id: str) -> str | None:
    """Return why the sheet must be written again, None when it tells what is so."""
    return stale(
        project.stamp("sheet", card_id),
        _inputs(project, card_id),
        {"sheet.html": path_of(project, card_id)},
    )


def run(project: Project, card_id: str) -> str:
    """Write the sheet; return where it lies."""
    from pipeline.sheet.page import sheet_text  # only now: a run with nothing to do need not read the template

    path, inputs = path_of(project, card_id), _inputs(project, card_id)
    data = sheet_text(sheet(project, card_id)).encode()
    write_if_changed(path, data)
    made = {path.name: (path, hashlib.sha256(data).hexdigest())}
    write_stamp(project.stamp("sheet", card_id), inputs, made)
    return f"{card_id}: {project.shown(path)}"


def sheet(project: Project, card_id: str) -> Sheet:
    """Return everything a finished card's sheet tells of; raises FileNotFoundError for a card that is not built."""
    worked, plan_value = plan.planned(project, card_id)
    proof = image.proof_of(project, card_id)
    if proof is None:
        raise FileNotFoundError(project.stamp("image", card_id))
    selection = worked.selection
    folder = project.card_folder(card_id)
    return Sheet(
        card=selection.card,
        board=selection.board,
        cores=selection.cores,
        titles=selection.titles,
        settings=selection.settings,
        files=worked.files,
        plan=plan_value,
        proof=proof,
        sums={name: proof.image_sha256 if name == "card.img" else sha256_of_file(folder / name) for name in BESIDE},
        stations=stations_of(project, card_id),
        outlooks=outlooks_of(project, card_id),
        warnings=tuple(warning.what for warning in worked.judgement.warnings),
        silenced=tuple((warning.what, why) for warning, why in worked.judgement.silenced),
        maps=rom.maps(project, selection),
        made_by=PROGRAM,
    )


def _inputs(project: Project, card_id: str) -> dict[str, str]:
    """Return what the sheet is made from: the record, which names all that is on the card, and each manifest."""
    selection = plan.planned(project, card_id)[0].selection
    try:
        record = sha256_of_file(project.card_folder(card_id) / "record.json")
    except FileNotFoundError:
        record = ""
    manifests: list[tuple[str, object]] = [
        (f"board {selection.board.id}", selection.board),
        *((f"core {core.id}", core) for core in selection.cores),
        *((f"title {title.id}", title) for title in selection.titles),
        *((f"station {station.id}", station) for station in stations_of(project, card_id)),
    ]
    order = [name for name, _ in manifests]
    return {
        "the record": record,
        **{name: digest(manifest) for name, manifest in manifests},
        f"card {card_id}": digest((selection.card, order, selection.settings)),
        "the program": PROGRAM,
    }
