"""The command ``doit verify``: whether a card is still what its record says."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import asdict
from pathlib import Path
from typing import Any

from pipeline.commands.base import JSON, OwnCommand
from pipeline.engine.console import print_json, print_lines
from pipeline.errors import MachineError, ManifestError
from pipeline.inspect.open_target import is_record, record_of
from pipeline.inspect.verify import DAMAGED, GOOD, TOUCHED, Damage, Verdict, verify_folder, verify_image
from pipeline.model.text import counted
from pipeline.workspace.files import read_record

SHOWN = 50


class Verify(OwnCommand):
    """Ends with 0 when the card is good, 1 when it is not, 2 for wrong arguments, 3 when it cannot be read at all."""

    name = "verify"
    doc_purpose = "check whether a card is still what its record says"
    doc_usage = "PATH [CARD]"
    doc_description = (
        "PATH: an image, a disk, or the folder a card is mounted at. CARD: the id of a built card or its record; "
        "without it, the record beside the image, or the built card that has its serial. Nothing is written."
    )
    cmd_options = (
        {"name": "strict", "long": "strict", "type": bool, "default": False,
         "help": "a touched card fails too"},
        JSON,
    )  # fmt: skip

    def run(self, options: Mapping[str, Any], words: Sequence[str]) -> int:
        """Verify, and say what was found."""
        if len(words) not in (1, 2):
            raise ManifestError.one(f"expected {self.doc_usage}", "see doit help verify")
        path = Path(words[0])
        if not path.exists():
            raise MachineError.one("there is no such card", "name an image, a disk or a mounted folder", file=words[0])
        record_path = self._record(path, words[1] if len(words) == 2 else "")
        record = read_record(record_path)
        verdict = verify_folder(path, record) if path.is_dir() else verify_image(path, record, record_path)
        if options["json"]:
            print_json({"cardkiln-verify": 1, "path": words[0], **asdict(verdict)})
        else:
            print_lines(_lines(verdict))
        return 0 if verdict.verdict == GOOD or (verdict.verdict == TOUCHED and not options["strict"]) else 1

    def _record(self, path: Path, word: str) -> Path:
        """Return the record a person names; without one, the record beside the image or the one of its serial."""
        if not word:
            found = record_of(self.workspace, path)
            if found is None:
                what = "there is no record beside it, and no built card with its serial"
                raise ManifestError.one(what, "name the card: doit verify PATH CARD", file=str(path))
            return found
        built = self.workspace.card_folder(word) / "record.json"
        if "/" not in word and built.is_file():
            return built
        if not is_record(Path(word)):
            raise ManifestError.one(f'found "{word}", expected the id of a built card or a record', file=word)
        return Path(word)


def _lines(verdict: Verdict) -> Iterator[str]:
    for start, end, owner in verdict.unreadable[:SHOWN]:
        yield f"unreadable  0x{start:08X} to 0x{end - 1:08X}: {owner}"
    for damage in verdict.damages[:SHOWN]:
        yield f"damaged  {_damage(damage)}"
    if len(verdict.damages) > SHOWN:
        yield f"damaged  {len(verdict.damages) - SHOWN:,} more; --json has all"
    for word in ("touched", "litter", "others"):
        names = getattr(verdict, word)
        yield from (f"{word:<9}{name}" for name in names[:SHOWN])
        if len(names) > SHOWN:
            yield f"{word:<9}{len(names) - SHOWN:,} more; --json has all"
    yield from (f"not checked: {what}" for what in verdict.unseen)
    yield f"{verdict.card}: {_sentence(verdict)}"


def _damage(damage: Damage) -> str:
    of = ", ".join([*([f"title {damage.title}"] if damage.title else []), *damage.chips])
    where = f" (byte 0x{damage.offset:08X} of the image)" if damage.offset >= 0 else ""
    return f"{damage.path}{': ' if damage.path else ''}{damage.what}{f'; {of}' if of else ''}{where}"


def _sentence(verdict: Verdict) -> str:
    if verdict.verdict != DAMAGED:
        return verdict.verdict
    paths = sorted({damage.path for damage in verdict.damages if damage.path})
    if not paths:
        return "damaged: no file, only file system structures"
    more = f" and {counted(len(paths) - 5, 'file')} more" if len(paths) > 5 else ""
    return f"damaged: {', '.join(paths[:5])}{more}"
