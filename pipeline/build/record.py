"""Stage ``record``: what is on the finished card, from what, and what was proven, written beside the image."""

from __future__ import annotations

import hashlib

from pipeline.build import image, plan
from pipeline.build.card import Worked
from pipeline.build.record_text import recorded
from pipeline.errors import Problem
from pipeline.model.plan import Proof
from pipeline.workspace.project import Project
from pipeline.workspace.stamp import NEW, write_if_changed

FILES = ("record.json", "SHA256SUMS")
"""What is written, the record first."""


def reason(project: Project, card_id: str) -> str | None:
    """Return why the record must be written again, None when it says what is so."""
    if image.reason(project, card_id):
        return "the image is not finished"
    paths = {name: project.card_folder(card_id) / name for name in FILES}
    if not all(path.is_file() for path in paths.values()):
        return NEW
    if card_id not in project.records or project.records[card_id][0] != _basis(project, card_id):
        _files(project, card_id)
    for name, sha256 in project.records[card_id][1].items():
        if _sha256(paths[name].read_bytes()) != sha256:
            return f"{name} no longer says what is so"
    return None


def run(project: Project, card_id: str) -> str:
    """Write record and checksums; return where they lie."""
    folder = project.card_folder(card_id)
    for name, data in _files(project, card_id).items():
        write_if_changed(folder / name, data)
    return f"{card_id}: {project.shown(folder / 'record.json')}"


def _files(project: Project, card_id: str) -> dict[str, bytes]:
    """Return the record and the checksums as they should be, and keep the SHA-256 of each with the project."""
    proof, findings, _ = basis = _basis(project, card_id)
    files = recorded(project, card_id, proof, findings)
    project.records[card_id] = basis, {name: _sha256(data) for name, data in files.items()}
    return files


def _basis(project: Project, card_id: str) -> tuple[Proof, tuple[Problem, ...], Worked]:
    """Return what was proven of the image, and what the card comes to: all that a record says is worked out from it."""
    proof = image.proof_of(project, card_id)
    if proof is None:
        raise FileNotFoundError(project.stamp("image", card_id))
    return proof, image.findings_of(project, card_id), plan.planned(project, card_id)[0]


def _sha256(data: bytes) -> str:
    return hashlib.sha256(data).hexdigest()
