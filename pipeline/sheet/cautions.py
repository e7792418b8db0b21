"""What a person should know before switching on.

A caution is left out only where the manifests state that it does not apply: what is not stated is not known. Of files
that the card's own manifest brings nobody knows what they are, so they keep every caution.
"""

from __future__ import annotations

import re
from collections.abc import Iterator

from pipeline.model.cautions import BITSTREAMS, CHIPS, LINE_RATES, POWER, PRECEDENCE, RIGHTS, UPRIGHT, Caution
from pipeline.model.finished import FinishedCard
from pipeline.model.matrix import AFTER, Outlook

MADE_HERE = ("bitstream", "menu", "config")
"""Kinds of files that are no dump and no disc library."""


def cautions(finished: FinishedCard) -> tuple[Caution, ...]:
    """Return the cautions for a card, most general first."""
    return tuple(_that_apply(finished))


def _that_apply(finished: FinishedCard) -> Iterator[Caution]:
    yield PRECEDENCE
    yield POWER
    has_foreign_files = any(file.origin.kind == "card-file" for file in finished.files)
    if finished.cores or has_foreign_files:
        yield BITSTREAMS
        yield LINE_RATES
    if has_foreign_files or not _stays_landscape(finished):
        yield UPRIGHT
    if has_foreign_files or any(title.chips for title in finished.titles):
        yield CHIPS
    if any(file.origin.kind not in MADE_HERE for file in finished.files):
        yield RIGHTS


def _stays_landscape(finished: FinishedCard) -> bool:
    """Whether every core is stated to be landscape, no title to be otherwise, and no display is to be turned."""
    return (
        all(core.needs.orientation == "landscape" for core in finished.cores)
        and all(title.orientation != "portrait" for title in finished.titles)
        and not any(map(_turns, finished.outlooks))
    )


def _turns(outlook: Outlook) -> bool:
    """Whether a display is to be turned; a step that says "press Return" turns none."""
    return outlook.verdict == AFTER and any(re.search(r"\bturn\b", step, re.IGNORECASE) for step in outlook.steps)
