"""Earlier images of a card, kept so that the next one need not be written whole.

Where the file system can share blocks, the image itself is cloned. Elsewhere the image that is replaced is kept as the
*spare*, and patched when the card changes again: so ``card.img`` is never touched, and is whole at every moment.
"""

from __future__ import annotations

import hashlib
import os
from dataclasses import dataclass
from pathlib import Path

from pipeline.build.card import CardBuild
from pipeline.card.plan_text import plan_from_text
from pipeline.image.clone import clone, copy
from pipeline.image.patch import kept_files
from pipeline.model.plan import Entry, Plan
from pipeline.workspace import state
from pipeline.workspace.atomic_write import sync_folder
from pipeline.workspace.lock import is_kept_unpatched
from pipeline.workspace.stamp import Made, made_of, write_stamp
from pipeline.workspace.workspace import PROGRAM


@dataclass(frozen=True, slots=True)
class PatchBase:
    """What lies at the temporary name: the image of a plan, and the files the next one has in the same place."""

    plan: Plan
    kept: frozenset[Entry]


def begin(card: CardBuild, plan: Plan, temporary: Path) -> PatchBase | None:
    """Lay an earlier image down at ``temporary`` to be patched; None when the new one is to be written whole.

    An earlier image counts only when its stamp says that it is untouched, and made by this version of the program.
    """
    workspace, image = card.workspace, card.image_path
    spare, stamp = _spare(card)
    state.remove_irregular(spare)  # what a link leads to is not to be patched
    last = _start(workspace.stamp("image", card.id), image, plan)
    if last and clone(image, temporary):
        _drop(stamp, spare)
        return last
    before = _start(stamp, spare, plan)
    if before and spare.stat().st_nlink == 1 and not is_kept_unpatched(spare):
        _drop(stamp)  # from here on it is no longer what its stamp says
        spare.replace(temporary)
        return before
    _drop(stamp, spare)
    if last:
        copy(image, temporary)
    return last


def keep(card: CardBuild) -> Made | None:
    """Give the image that is about to be replaced a second name; return what it was made from, None without one."""
    spare, _ = _spare(card)
    image = card.image_path
    made = _made(card.workspace.stamp("image", card.id), image)
    if made is None:
        return None
    spare.parent.mkdir(parents=True, exist_ok=True)
    try:
        spare.unlink(missing_ok=True)
        os.link(image, spare)
    except OSError:  # no second names on this file system: the next change is written whole
        return None
    return made


def finish(card: CardBuild, kept: Made | None) -> None:
    """Keep the new image's plan beside its stamp, and let the spare count, now that ``card.img`` is another file."""
    plan_kept = _plan_of(card.workspace.stamp("image", card.id))
    if kept is not None:
        spare, stamp = _spare(card)
        text = state.read_text(plan_kept)
        if text is not None:
            state.write_text(_plan_of(stamp), text)
        write_stamp(stamp, kept.inputs, {"card.img": (spare, kept.sha256["card.img"])})
    state.write_file(plan_kept, card.plan_path)


def _start(stamp: Path, image: Path, plan: Plan) -> PatchBase | None:
    made, text = _made(stamp, image), state.read_text(_plan_of(stamp))
    if made is None or text is None or made.inputs.get("the program") != PROGRAM:
        return None
    if made.inputs.get("the plan") != hashlib.sha256(text).hexdigest():
        return None
    try:
        old = plan_from_text(text.decode("ascii"))
    except ValueError:
        return None
    kept = kept_files(old, plan)
    return None if kept is None else PatchBase(old, kept)


def _made(stamp: Path, image: Path) -> Made | None:
    return made_of(stamp, {"card.img": image})


def _spare(card: CardBuild) -> tuple[Path, Path]:
    """Return where the spare and its stamp lie."""
    stamp = card.workspace.stamp("spare", card.id)
    return stamp.with_suffix(".img"), stamp


def _plan_of(stamp: Path) -> Path:
    return stamp.with_suffix(".plan")


def _drop(*files: Path) -> None:
    for file in files:
        state.remove_irregular(file)
        if file.exists():
            file.unlink()
            sync_folder(file.parent)
