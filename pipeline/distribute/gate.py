"""The checks before a card is published in any form, and the bytes that were checked."""

from __future__ import annotations

import json
import os
from collections.abc import Iterable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from pipeline.build import image, sheet
from pipeline.build.build import Build
from pipeline.build.card import CardBuild
from pipeline.build.flow import build_card, problem_of
from pipeline.card.plan_text import plan_lines
from pipeline.distribute.changelog import changes_since_last
from pipeline.distribute.collected_errors import CollectedErrors
from pipeline.errors import CardkilnError, CheckError, ManifestError, Place, Problem
from pipeline.image.read_back import proof_for, read_back
from pipeline.image.unplanned import check_unplanned
from pipeline.image.written import Written
from pipeline.model.finished import FinishedCard, Proven
from pipeline.model.manifest import Card, Manifest
from pipeline.model.rules import RIGHTS_ARE_STATED
from pipeline.publish.folder import is_version
from pipeline.publish.rights import RightsRefusal, rights_problems
from pipeline.record.document import record_bytes
from pipeline.sources.files.signature import signature
from pipeline.workspace.lock import locked
from pipeline.workspace.progress import progress
from pipeline.workspace.scratch import scratch_folder
from pipeline.workspace.stamp import NEW
from pipeline.workspace.versions import published_versions
from pipeline.workspace.workspace import Workspace, how_to_build


@dataclass(frozen=True, slots=True, kw_only=True)
class CheckedCard:
    """A card that may be published, and what is published of it.

    ``build``: the one it was built by, without the files kept for it. ``documents``: bytes by file name.
    ``image_signature``: of the image's file before it was read back. ``changes``: what changed since the version
    published last, as a text.
    """

    build: Build
    finished: FinishedCard
    record: Mapping[str, Any]
    documents: Mapping[str, bytes]
    image: Path
    image_signature: str
    changes: str

    def check_image(self) -> None:
        """Raise CheckError when the image is not any more the file that was read back."""
        if signature(self.image.stat()) != self.image_signature:
            raise CheckError.one("was changed while it was published", "build it again", file=str(self.image))

    def write_documents(self, folder: Path) -> None:
        """Write record, plan and sheet into a folder, byte for byte as they passed."""
        for name, data in self.documents.items():
            (folder / name).write_bytes(data)
        with (folder / "plan.json").open("w", encoding="ascii", newline="\n") as file:
            file.writelines(plan_lines(self.finished.plan))


@contextmanager
def checked_card(
    build: Build, card_id: str, target: Path, earlier: Iterable[CardkilnError], *, contents: bool
) -> Iterator[CheckedCard]:
    """Give a card that passed, and let no other run into the build folder meanwhile.

    ``target``: the folder it is published to. ``earlier``: errors found before. ``contents``: whether contents of
    others are passed on, so that their rights are needed. A card with files kept for it is built once more without.
    Raises CardkilnError with all errors, whatever their kind. The lock is that of ``workspace.lock``.
    """
    with locked(build.workspace.build), scratch_folder(build.workspace, "publishing") as scratch:
        errors, card = CollectedErrors(earlier), build.inputs.manifest.cards[card_id]
        with errors.collect():
            _check_version(build.workspace, card, target)
        shared = _without_kept(build, card_id, scratch)
        checked = ""
        with errors.collect():
            _check_up_to_date(build, card_id)
            if shared is build:
                checked = _check_image(build.card(card_id))
        with errors.collect():
            record = json.loads(record_bytes(_declared(shared.card(card_id))))
            with errors.collect():
                changes_since_last(build.workspace, record)
            problems = [*_unaccepted(card, record)]
            problems += (
                [_problem_of_rights(build.inputs.manifest, wrong) for wrong in rights_problems(record)]
                if contents
                else []
            )
            if problems:
                raise CheckError(problems)
        errors.raise_all()
        if shared is not build:
            build_card(shared, card_id, lambda _: None)
            checked = _check_image(shared.card(card_id))
        yield _verified(shared, card_id, build.workspace, checked)


def _verified(build: Build, card_id: str, workspace: Workspace, checked: str) -> CheckedCard:
    """Return the finished card once record and sheet are found to be what its manifests give.

    ``checked``: the signature of the image's file before it was read back.
    """
    card = build.card(card_id)
    problem = problem_of(build, card_id)
    if problem:
        raise CheckError([problem])
    finished, page = image.finished(card), sheet.text(card)
    record = record_bytes(finished)
    document = json.loads(record)
    _check_same_image(workspace, card.card, document)
    return CheckedCard(
        build=build,
        finished=finished,
        record=document,
        documents={"record.json": record, "sheet.html": page},
        image=card.image_path,
        image_signature=checked,
        changes=changes_since_last(workspace, document),
    )


def _check_version(workspace: Workspace, card: Card, target: Path) -> None:
    if not is_version(card.version):
        what = f'found "{card.version}", expected letters, digits, ".", "_", "+" and "-", since it names a folder'
        raise ManifestError.one(what, 'for example "1.2"', file=card.file, key="version")
    if os.path.lexists(target):
        what = f'version "{card.version}" is published already: {workspace.shown(target)}'
        raise CheckError([Problem(Place(card.file, key="version"), what, "give the card a new version, and build it")])


def _check_same_image(workspace: Workspace, card: Card, record: Mapping[str, Any]) -> None:
    """Raise CheckError when the version was published in another form with another image."""
    for one in published_versions(workspace):
        if (one.card, one.version) == (card.id, card.version) and one.sha256 != record["image"]["sha256"]:
            what = f'version "{one.version}" is published already with another image: {workspace.shown(one.folder)}'
            hint = "give the card a new version, and build it"
            raise CheckError([Problem(Place(card.file, key="version"), what, hint)])


def _check_up_to_date(build: Build, card_id: str) -> None:
    """Raise CheckError for a build that is not what the manifests say, or whose sheet is another one."""
    problem = problem_of(build, card_id)
    if problem:
        raise CheckError([problem])
    card = build.card(card_id)
    why, file = sheet.reason(card), card.card.file
    if why:
        what = "its sheet was not made" if why == NEW else f"its sheet is out of date: {why}"
        raise CheckError([Problem(Place(file), what, how_to_build(card_id))])
    if sheet.path_of(card).read_bytes() != sheet.text(card):
        hint = f"delete it, then {how_to_build(card_id)}"
        raise CheckError.one("is not the sheet of this build", hint, file=card.workspace.shown(sheet.path_of(card)))


def _check_image(card: CardBuild) -> str:
    """Read the image back, hold every byte that no file uses against the plan, and return its signature before that.

    What was proven before is no help. Raises CheckError where it differs, MachineError when it cannot be read.
    """
    before = signature(card.image_path.stat())
    proof = image.finished(card).proof
    written = Written(image_sha256=proof.image_sha256, image_size=proof.image_size, bytes_written=0)
    with progress(f"read back {card.id}", proof.file_bytes) as advance:
        read_back(card.plan, card.image_path, written, advance)
    check_unplanned(card.plan, card.image_path)
    _check_findings(card)
    return before


def _check_findings(card: CardBuild) -> None:
    """Judge the bitstreams on the image again: a warning that was lost since would not be asked about.

    Raises CheckError when what was found when the image was written is not what is found now.
    """
    known = image.proven(card)
    if known is None or known.findings != image.found_on(card):
        what = "what is recorded of its bitstreams is not what is found in them"
        hint = f"delete it, then {how_to_build(card.id)}"
        raise CheckError.one(what, hint, file=card.workspace.shown(card.image_path))


def _declared(card: CardBuild) -> FinishedCard:
    """Return the card as its manifests declare it, built or not; of an image that is none the proof is empty."""
    return card.finished(image.proven(card) or Proven(proof=proof_for(card.plan, "0" * 64, "")))


def _unaccepted(card: Card, record: Mapping[str, Any]) -> Iterator[Problem]:
    """Yield a problem for each warning of the record that the card does not accept with a reason."""
    for warning in record["warnings"]:
        if warning["rule"] not in card.accepted:
            what = f"the warning {warning['rule']} is not accepted: {warning['what']}"
            hint = f'mend it, or write why it may be published: [accept] {warning["rule"]} = "..."'
            yield Problem(Place(card.file), what, hint)


def _problem_of_rights(manifest: Manifest, wrong: RightsRefusal) -> Problem:
    kinds: Mapping[str, Mapping[str, Any]] = {
        "board": manifest.boards,
        "core": manifest.cores,
        "title": manifest.titles,
        "card": manifest.cards,
    }
    file = kinds[wrong.kind][wrong.id].file
    return Problem(Place(file, key=wrong.key), wrong.what, wrong.hint, rule=RIGHTS_ARE_STATED.name)


def _without_kept(build: Build, card_id: str, scratch: Path) -> Build:
    """Return a build of the card without the files kept for it, the same build when there are none."""
    kept = build.workspace.kept_folder(card_id)
    if not (build.inputs.manifest.cards[card_id].keep and kept.is_dir() and any(kept.iterdir())):
        return build
    return Build(build.inputs.without_kept(card_id, scratch))
