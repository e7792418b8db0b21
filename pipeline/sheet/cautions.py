"""What a person should know before switching on; the sheet, the published page and the received card say the same.

Common practice where no manual says otherwise. A caution is left out only where the manifests state that it does not
apply: what nobody stated, and a file of which only the path is known, keep it.
"""

from __future__ import annotations

import re
from collections.abc import Iterator

from pipeline.model.finished import FinishedCard

Caution = tuple[str, str]
"""What it is about in a few words, and what to do."""

PRECEDENCE = (
    "Precedence",
    "Manufacturers' manuals, local electrical codes and licensed practice take precedence over this page.",
)
POWER = (
    "Power",
    (
        "Switch board and display off before you put in or take out the card, and before you plug in or pull out "
        "keyboard, pads or display. Old ports were not made for it under power."
    ),
)
RATES = (
    "Line rates",
    (
        "Find out which line rates a display accepts, and choose a mode with one of them. Then, with everything "
        "switched off, plug the display in. A tube monitor driven with a rate it was not made for can be damaged: "
        "15 kHz into one made for 31 kHz, and the other way round."
    ),
)
UPRIGHT = (
    "Upright displays",
    (
        "Turn a display only as its maker allows. A tube monitor is heavy, may not be made to stand on its side, "
        "and holds dangerous voltage long after it was switched off: whatever needs opening it is work for "
        "licensed practice."
    ),
)
RIGHTS = (
    "Rights",
    (
        "Dumps of ROM chips and libraries of discs are usually under copyright. Use those you may use, hand none "
        "on without the right to, and follow the law where you are."
    ),
)
WRITING = (
    "Writing",
    "Writing an image to a card replaces everything on it. Look twice at the device's name, size and model.",
)
READING = (
    "Reading chips",
    (
        "Before you pull a chip to read it, switch the machine off, pull its mains plug, and discharge yourself: "
        "static damages chips. Power supplies and tube monitors stay dangerous when they are off: opening them is "
        "work for licensed practice."
    ),
)

COPIED = {"rom-file", "title-file", "core-file", "card-file", "board-file"}
"""Kinds of files that may be dumps or libraries of discs, whoever gives them."""

FROM_CHIPS = {"rom-file", "title-file", "card-file"}
"""Kinds of files for which somebody may have to read chips of a machine."""


def bitstreams(part: str = "") -> Caution:
    """Return the caution about cores; ``part``: the board's FPGA, "" where it is not stated."""
    here = f" (here: {part})" if part else ""
    return (
        "Bitstreams",
        (
            f"Load each core only on the board, board revision and FPGA it was made for{here}. On another one, "
            "output pins may drive against each other and be damaged."
        ),
    )


def cautions(finished: FinishedCard) -> tuple[Caution, ...]:
    """Return the cautions that apply to a card, most general first."""
    return tuple(_that_apply(finished))


def cautions_of_a_stranger() -> tuple[Caution, ...]:
    """Return all cautions: of a card whose manifests are not known nothing is ruled out."""
    return (PRECEDENCE, POWER, WRITING, bitstreams(), RATES, UPRIGHT, READING, RIGHTS)


def _that_apply(finished: FinishedCard) -> Iterator[Caution]:
    kinds = {file.origin.kind for file in finished.files}
    strange = "card-file" in kinds
    yield PRECEDENCE
    yield POWER
    if finished.cores or strange:
        yield bitstreams(finished.board.fpga.part if finished.board.fpga else "")
        yield RATES
    if strange or _may_stand_upright(finished):
        yield UPRIGHT
    if kinds & FROM_CHIPS:
        yield READING
    if kinds & COPIED:
        yield RIGHTS


def _may_stand_upright(finished: FinishedCard) -> bool:
    """Whether a core or title does not state that its picture lies, or a display has to be turned."""
    lying = all(core.needs.orientation == "landscape" for core in finished.cores)
    lying = lying and all(title.orientation in ("", "landscape") for title in finished.titles)
    steps = (step for outlook in finished.outlooks for step in outlook.steps)
    return not lying or any(re.search(r"\bturn\b", step, re.IGNORECASE) for step in steps)
