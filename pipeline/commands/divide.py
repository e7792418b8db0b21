"""The command ``doit divide``: the fewest cards that hold what is wanted."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

from pipeline.commands.base import JSON, OwnCommand
from pipeline.engine.console import print_json, print_lines
from pipeline.errors import ManifestError
from pipeline.manifest.files import ID
from pipeline.model.units import parse_size

if TYPE_CHECKING:
    from pipeline.build.divide import Divided, DivisionRequest


def _text(name: str, metavar: str, help_: str) -> dict[str, Any]:
    return {"name": name, "long": name, "type": str, "metavar": metavar, "default": "", "help": help_}


class Divide(OwnCommand):
    """Shows the cards, and writes them as drafts when asked to, never over what is there."""

    name = "divide"
    cmd_options = (
        _text("cores", "IDS", "ids of cores"),
        _text("titles", "IDS", "ids of titles; their cores are included"),
        _text("stations", "IDS", "ids of stations, written into each card"),
        _text("size", "SIZE", 'size of the cards, such as "2 GB"; default: the largest the board takes'),
        _text("as", "ID", "prefix of the ids of the cards; default: the id of the board"),
        {"name": "write", "long": "write", "type": bool, "default": False, "help": "write drafts into inputs/cards"},
        JSON,
    )

    def run(self, options: Mapping[str, Any], words: Sequence[str]) -> int:
        """Divide, print, and write when asked to."""
        from pipeline.build.divide import divided_lines, run, wanted, write

        if len(words) != 1:
            raise ManifestError.one(f"expected {self.doc_usage}", "see doit help divide")
        if options["as"] and not ID.fullmatch(options["as"]):
            raise ManifestError.one(f'--as: found "{options["as"]}"', "an id is lower-case words with hyphens")
        ids = {name: _ids(options[name]) for name in ("cores", "titles", "stations")}
        want = wanted(
            self.inputs.manifest,
            words[0],
            ids["cores"],
            ids["titles"],
            ids["stations"],
            _size(options["size"]),
            options["as"],
        )
        divided = run(self.inputs, want)
        written = write(self.workspace, divided) if options["write"] else ()
        if options["json"]:
            print_json(_document(want, divided, written))
        else:
            print_lines([*divided_lines(want, divided), *(f"written {path}" for path in written)])
        return 0


def _ids(text: str) -> list[str]:
    """Return the ids between commas, each once."""
    return list(dict.fromkeys(part.strip() for part in text.split(",") if part.strip()))


def _size(text: str) -> int | None:
    try:
        return parse_size(text) if text else None
    except ValueError as error:
        raise ManifestError.one(f"--size: {error}") from None


def _document(want: DivisionRequest, divided: Divided, written: Sequence[str]) -> dict[str, Any]:
    from pipeline.build.divide import reason

    return {
        "cardkiln-divide": 1,
        "board": want.board.id,
        "cards": [
            {"id": card.id, "type": card.volume.type, "size": card.volume.size, "cores": card.cores,
             "titles": card.titles}
            for card in divided.drafts
        ],
        "fewest": divided.division.is_proved,
        "at-least": divided.division.bound.cards,
        "why": reason(divided),
        "apart": [{"cores": [pair.one, pair.other], "why": pair.why} for pair in divided.division.apart],
        "warnings": [problem.what for problem in divided.warnings],
        "written": list(written),
    }  # fmt: skip
