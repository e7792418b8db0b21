"""Stage ``record``: what is on the finished card, from what, and what was proven, written beside the image."""

from __future__ import annotations

from pipeline.build import image
from pipeline.build.card import CardBuild
from pipeline.errors import Place, Problem
from pipeline.file_digest import sha256_of_file
from pipeline.record.document import sums_of
from pipeline.workspace.atomic_write import replacing, write_if_changed
from pipeline.workspace.build_history import keep_build
from pipeline.workspace.stamp import NEW

FILES = ("record.json", "SHA256SUMS")
"""What is written, the record first."""


def reason(card: CardBuild) -> str | None:
    """Return why the record must be written again, None when it is up to date."""
    if image.reason(card):
        return "the image is not finished"
    if not all((card.folder / name).is_file() for name in FILES):
        return NEW
    known = image.proven(card)
    for name, sha256 in card.record_hashes(known).items() if known else ():
        if sha256_of_file(card.folder / name) != sha256:
            return f"{name} is out of date"
    return None


def run(card: CardBuild) -> str:
    """Write record and checksums; return where they are.

    What the record says of bitstreams is found anew on the image: nothing else is a witness of it.
    """
    image.renew_findings(card)
    known = image.proven(card)
    if known is None:
        raise FileNotFoundError(card.workspace.stamp("image", card.id))
    path = card.folder / "record.json"
    if not path.is_file() or sha256_of_file(path) != card.record_hashes(known)["record.json"]:
        with replacing(path) as temporary, temporary.open("wb") as file:
            file.writelines(card.record_parts(known))
    sums = sums_of(card.finished(known), card.record_hashes(known)["record.json"])
    write_if_changed(card.folder / "SHA256SUMS", sums)
    _keep(card)
    return f"{card.id}: {card.workspace.shown(path)}"


def _keep(card: CardBuild) -> None:
    """Add the build to those that are known again; a failure is a warning, since no output depends on it."""
    try:
        keep_build(card.workspace, card.id, card.folder / "record.json", card.plan_path)
    except OSError as error:
        what = f"this build cannot be added to the history of builds: {error.strerror}"
        hint = "the card is complete; once it is rebuilt, doit verify cannot name this build"
        folder = card.workspace.shown(card.workspace.build / "state" / "builds")
        card.workspace.warn([Problem(Place(folder), what, hint)])
