"""The way of a picture: board output, core output, start-up output, display input, line rate, orientation.

Common practice, each of them; what the maker's manuals say has the last word:
- a display must accept every line rate a core may use on the output; one outside shows nothing, and can damage an
  old tube monitor;
- a picture that stands the other way is not playable; a display is turned only by those who may turn it;
- where a core starts on one output, the others stay dark until it is told to change.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from pipeline.model.manifest import Board, Display, Needs, Station
from pipeline.model.text import listed
from pipeline.stations.rate_text import rate, rates


@dataclass(frozen=True, slots=True, kw_only=True)
class Way:
    """What must be done first for something to be seen or played (``steps``), and what keeps it from it (``reasons``).

    ``display`` and ``output``: of a picture, the display's name and the board's output; else "".
    """

    steps: tuple[str, ...] = ()
    reasons: tuple[str, ...] = ()
    display: str = ""
    output: str = ""


def picture(station: Station, board: Board, needs: Needs, orientation: str) -> Way:
    """Return the best way to a picture: the one without a hindrance that asks for the fewest steps.

    Where every way is hindered, the reasons are those of the best way to each display, in the station's order.
    """
    best = [_to_display(display, board, needs, orientation) for display in station.displays]
    free = [way for way in best if not way.reasons]
    if free:
        return min(free, key=lambda way: len(way.steps))  # the first of several equally good ones
    return Way(reasons=tuple(reason for way in best for reason in way.reasons))


def _to_display(display: Display, board: Board, needs: Needs, orientation: str) -> Way:
    outputs = _outputs(board, needs, display)
    if not outputs:
        return Way(reasons=(_no_cable(display, board, needs),))
    ways = [_by_output(output, display, needs, orientation) for output in outputs]
    return min(ways, key=lambda way: (len(way.reasons), len(way.steps)))


def _outputs(board: Board, needs: Needs, display: Display) -> list[str]:
    """Return the display's inputs that the core drives and the board has; who lists none has said nothing."""
    sides = [side for side in (needs.outputs, board.outputs) if side]
    return [output for output in display.inputs if all(output in side for side in sides)]


def _no_cable(display: Display, board: Board, needs: Needs) -> str:
    core = f"the core drives {listed(needs.outputs)}" if needs.outputs else "the core drives every output"
    has = f', board "{board.id}" has {listed(board.outputs)}' if board.outputs else ""
    return f'{core}{has}; display "{display.name}" takes {listed(display.inputs)}'


def _by_output(output: str, display: Display, needs: Needs, orientation: str) -> Way:
    steps: list[str] = []
    reasons = list(_wrong_rates(output, display, needs))
    if needs.start_output not in ("", output):
        if output in needs.switch:
            steps.append(f"change the picture to {output}: {' '.join(needs.switch[output])}")
        else:
            reasons.append(
                f"the core starts on {needs.start_output}, and no way to change it to {output} is declared; "
                f'display "{display.name}" takes {listed(display.inputs)}'
            )
    if orientation not in ("", display.orientation):
        if display.turns:
            steps.append(f'turn display "{display.name}" to {orientation}, as far as its maker\'s manual allows')
        else:
            reasons.append(
                f'a {orientation} display is needed; display "{display.name}" stands {display.orientation} '
                "and is not turned"
            )
    return Way(steps=tuple(steps), reasons=tuple(reasons), display=display.name, output=output)


def _wrong_rates(output: str, display: Display, needs: Needs) -> Iterator[str]:
    """Yield the one reason when the core may use a line rate that the display does not accept."""
    used: Sequence[int] = needs.output_rates.get(output, needs.line_rates)
    outside = [hertz for hertz in used if not any(low <= hertz <= high for low, high in display.line_rates)]
    if outside and display.line_rates:
        yield (
            f"the core drives {output} at {listed(map(rate, outside))}; "
            f'display "{display.name}" accepts {rates(display.line_rates)}'
        )
