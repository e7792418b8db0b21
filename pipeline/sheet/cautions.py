"""What a person should know before switching on, as far as it applies to the card."""

from __future__ import annotations

from collections.abc import Iterator

from pipeline.model.finished import FinishedCard
from pipeline.model.matrix import AFTER, Outlook

Caution = tuple[str, str]
"""What it is about in a few words, and what to do."""


def cautions(finished: FinishedCard) -> tuple[Caution, ...]:
    """Return the cautions that apply, most general first. Common practice where no manual says otherwise."""
    return tuple(_that_apply(finished))


def _that_apply(finished: FinishedCard) -> Iterator[Caution]:
    yield (
        "Who decides",
        (
            "The manuals of the makers of board, displays and accessories, local electrical codes and licensed "
            "practice stand above this page."
        ),
    )
    if finished.cores:
        part = f" (here: {finished.board.fpga.part})" if finished.board.fpga else ""
        yield (
            "Bitstreams",
            (
                f"Load each core only on the board, board revision and FPGA it was made for{part}. "
                "On another one, output pins may drive against each other and be damaged."
            ),
        )
    if _rates(finished):
        yield (
            "Line rates",
            (
                "Find out which line rates a display accepts before you plug it in. A tube monitor driven with a rate "
                "it was not made for can be damaged: 15 kHz into one made for 31 kHz, and the other way round."
            ),
        )
    if _turned(finished):
        yield (
            "Upright displays",
            (
                "Turn a display only as its maker allows. A tube monitor is heavy, may not be made to stand on its "
                "side, and holds dangerous voltage long after it was switched off: whatever needs opening it is work "
                "for licensed practice."
            ),
        )
    if _plugged(finished):
        yield (
            "Ports under power",
            (
                "Switch board and display off before you plug in or pull out keyboard, pads or display. "
                "Old ports were not made for it under power."
            ),
        )
    if any(title.roms or title.files for title in finished.titles):
        yield (
            "Rights in ROM dumps",
            (
                "Dumps of ROM chips are usually under copyright. Use those you may use, hand none on without the right "
                "to, and follow the law where you are. The rights stated for each thing are listed below."
            ),
        )


def _rates(finished: FinishedCard) -> bool:
    return any(core.needs.line_rates or core.needs.output_rates for core in finished.cores)


def _turned(finished: FinishedCard) -> bool:
    upright = [core.needs.orientation for core in finished.cores] + [title.orientation for title in finished.titles]
    return "portrait" in upright or any(_turns(outlook) for outlook in finished.outlooks)


def _turns(outlook: Outlook) -> bool:
    return outlook.verdict == AFTER and any("turn" in step.lower() for step in outlook.steps)


def _plugged(finished: FinishedCard) -> bool:
    return any(core.needs.pads or core.needs.keyboard in ("any", "external") for core in finished.cores)
