"""Cautions in plain words, the same on the sheet, the published page and in README. All are common practice."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Caution:
    """``about``: a few words; ``text``: what to do, and why."""

    about: str
    text: str


PRECEDENCE = Caution(
    "Precedence",
    "Manufacturers' manuals and local codes take precedence. Whatever needs opening a display or a power supply is "
    "work for licensed practice.",
)
POWER = Caution(
    "Power",
    "Switch off before you put in or take out the card, and before you plug in or pull out display, keyboard or pads. "
    "Old ports were not made for it under power.",
)
BITSTREAMS = Caution(
    "Bitstreams",
    "Load a bitstream only on the board, board revision and FPGA it was made for. On another one, output pins may "
    "drive against each other and be damaged.",
)
LINE_RATES = Caution(
    "Line rates",
    "Find out which line rates a core gives on each output, and which the display accepts. Then, with everything "
    "switched off, plug in only a display that accepts them, and switch on. A tube monitor driven with a rate it was "
    "not made for can be damaged: 15 kHz into one made for 31 kHz, and the other way round.",
)
UPRIGHT = Caution(
    "Upright displays",
    "Turn a display only when it is switched off, and as its maker allows. A tube monitor is heavy, may not be made to "
    "stand on its side, and holds dangerous voltage long after it was switched off.",
)
CHIPS = Caution(
    "Reading chips",
    "Switch the machine off and pull its mains plug before you take a chip out, and discharge yourself first: static "
    "electricity damages chips without a trace. Set the reader to the part that is printed on the chip; a wrong "
    "voltage destroys it.",
)
RIGHTS = Caution(
    "Rights in dumps",
    "Dumps of chips, discs and tapes are usually under copyright. Use those you may use, pass none on without the "
    "right to, and follow the law where you are.",
)
WRITING = Caution(
    "Writing a card",
    "Writing an image to a disk replaces everything on it. Look twice at the device's name, size and model.",
)

CAUTIONS = (PRECEDENCE, WRITING, POWER, BITSTREAMS, LINE_RATES, UPRIGHT, CHIPS, RIGHTS)
"""All of them, most general first: for whoever has a card of which little is known."""
