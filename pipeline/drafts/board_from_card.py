"""The draft of a board from a card that somebody made by hand for it."""

from __future__ import annotations

import tomllib
from collections.abc import Sequence
from pathlib import Path

from pipeline.drafts.new import DraftedManifest, path_of
from pipeline.drafts.surveyed import surveyed_text
from pipeline.manifest.schema.copies import schema_line
from pipeline.manifest.text.blank import blanks_in
from pipeline.manifest.text.positions import spell
from pipeline.model.text import counted
from pipeline.survey.survey import survey
from pipeline.survey.values import REMARK, SUGGESTED, Habit, SurveyedCard


def board_from_card(inputs: Path, base: Path, id_: str, card: SurveyedCard, shown_card: str) -> DraftedManifest:
    """Return the draft of a board; ``shown_card``: the card as messages name it.

    Raises ManifestError for an id that cannot be one or exists already. Messages name paths from ``base`` on.
    """
    path = path_of(inputs, base, "board", id_)
    habits = survey(card)
    lines = [*filter(None, [schema_line(path, "board")]), *surveyed_text(shown_card, habits)]
    text = "\n".join([*lines, ""])
    return DraftedManifest(
        path=path,
        text=text,
        blanks=tuple(spell(way) for way in blanks_in(tomllib.loads(text))),
        notes=tuple(_notes(card, habits)),
    )


def _notes(card: SurveyedCard, habits: Sequence[Habit]) -> list[str]:
    bitstreams = sum(file.bitstream is not None for file in card.files)
    suggested = sum(habit.standing == SUGGESTED for habit in habits)
    found = sum(habit.standing not in (SUGGESTED, REMARK) for habit in habits)
    return [
        f"{counted(len(card.files), 'file')} looked at, {counted(bitstreams, 'bitstream')} recognised",
        f"{counted(found, 'key')} written, {suggested:,} more suggested in comments; check each against its evidence",
    ]
