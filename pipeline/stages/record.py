"""Stage ``record``: what is on the finished card, from what, and what was proven, written beside the image."""

from __future__ import annotations

from pipeline.stages import image
from pipeline.stages.project import Project
from pipeline.stages.recorded import recorded
from pipeline.stages.stamp import NEW, write_if_changed


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
    proof = image.proof_of(project, card_id)
    if proof is None:
        raise FileNotFoundError(project.stamp("image", card_id))
    return recorded(project, card_id, proof, image.findings_of(project, card_id))
