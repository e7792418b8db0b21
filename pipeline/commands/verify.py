"""The command ``doit verify``: whether a card is still what was built, and which build it is of."""

from __future__ import annotations

import os
from collections.abc import Iterator, Mapping, Sequence
from contextlib import ExitStack
from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING, Any

from pipeline.commands.base import JSON, OwnCommand
from pipeline.engine.console import print_json, print_lines
from pipeline.errors import MachineError, ManifestError
from pipeline.model.text import counted

if TYPE_CHECKING:
    from pipeline.inspect.judge import JudgedCard
    from pipeline.inspect.known_builds import KnownBuild
    from pipeline.inspect.verify import Damage, Verification

SHOWN, SHOWN_CHANGES = 50, 12
"""Lines of each kind, and lines of what changed between two builds, that are shown without ``--all``."""

HARMLESS_TOUCHES = "times, marks and tables that a system changes by itself"


class Verify(OwnCommand):
    """Ends with 0 when the card is good, 1 when it is not, 2 for wrong arguments, 3 when it cannot be read at all."""

    name = "verify"
    cmd_options = (
        {"name": "strict", "long": "strict", "type": bool, "default": False,
         "help": "exit code 1 also for an older build, a card that was touched since, and files of yours that changed"},
        {"name": "all", "long": "all", "type": bool, "default": False,
         "help": "show every place of the file system that differs, with its offset"},
        JSON,
    )  # fmt: skip

    def run(self, options: Mapping[str, Any], words: Sequence[str]) -> int:
        """Verify, and say what was found."""
        from pipeline.inspect.verify import GOOD, TOUCHED

        if len(words) not in (1, 2):
            raise ManifestError.one(f"expected {self.doc_usage}", "see doit help verify")
        path = Path(words[0])
        if not path.exists():
            raise MachineError.one("there is no such card", "name an image, a disk or a mounted folder", file=words[0])
        judgement = self._judged(path, words[1] if len(words) == 2 else "")
        if options["json"]:
            build = {"origin": judgement.build.origin, "version": judgement.build.version}
            document = {"cardkiln-verify": 1, "path": words[0], **asdict(judgement.verdict), "build": build}
            print_json({**document, "changes": judgement.changes})
        else:
            print_lines(_lines(judgement, path, every=options["all"]))
        verdict, older = judgement.verdict, judgement.build != judgement.newest
        if options["strict"]:
            return 0 if verdict.verdict == GOOD and not older else 1
        return 0 if verdict.verdict in (GOOD, TOUCHED) else 1

    def _judged(self, path: Path, word: str) -> JudgedCard:
        from pipeline.inspect.judge import judge_card, judge_folder, opened_card
        from pipeline.inspect.known_builds import known_builds
        from pipeline.inspect.open_target import is_record
        from pipeline.inspect.opened_build import WAIT
        from pipeline.inspect.verify import OpenedFolder
        from pipeline.workspace.lock import locked

        with ExitStack() as lock, ExitStack() as stack:
            if self._is_built_here(path):
                lock.enter_context(locked(self.workspace.build, wait=WAIT))
            if path.is_dir():
                known = self._named(word, needs_plan=False) if word else _refuse_nameless(path)
                lock.close()
                return judge_folder(OpenedFolder(path), known, self._keep)
            card = stack.enter_context(opened_card(path))
            beside = path.with_name("record.json")
            if word:
                known = self._named(word, needs_plan=True)
            elif is_record(beside):
                record = _of_record(beside, needs_plan=True)
                known = [record, *(build for build in known_builds(self.workspace) if build.card == record.card)]
                known = [build for build in known if build is record or build.plan_text != record.plan_text]
            else:
                known = card.candidates(known_builds(self.workspace))
            lock.close()
            return judge_card(card, known, self._keep)

    def _is_built_here(self, path: Path) -> bool:
        """Whether a build may replace it meanwhile."""
        build = self.workspace.build
        return path.resolve().is_relative_to(build.resolve()) and os.access(build, os.W_OK)

    def _named(self, word: str, *, needs_plan: bool) -> list[KnownBuild]:
        """Return the builds of a card, the newest first, or the one of a record."""
        from pipeline.inspect.known_builds import build_of_version, known_builds
        from pipeline.inspect.open_target import is_record
        from pipeline.workspace.versions import version_named

        version = version_named(self.workspace, word) if not Path(word).exists() else None
        if version is not None:
            return [build_of_version(version)]
        known = [build for build in known_builds(self.workspace) if build.card == word]
        if "/" not in word and known:
            return known
        if not is_record(Path(word)):
            raise ManifestError.one(f'found "{word}", expected the id of a built card or a record', file=word)
        return [_of_record(Path(word), needs_plan=needs_plan)]

    def _keep(self, build: KnownBuild) -> Sequence[str]:
        """Return what is the user's on a card: by its manifest as it is now, and by its own record."""
        from pipeline.record.document import keep_of_record

        return (*keep_of_record(build.record), *self.inputs.keep_of(build.card))


def _refuse_nameless(path: Path) -> list[KnownBuild]:
    what = "a folder has no serial that identifies its card"
    raise ManifestError.one(what, "name the card: doit verify PATH CARD", file=str(path))


def _of_record(path: Path, *, needs_plan: bool) -> KnownBuild:
    """Return the build of a record a person named, or that lies beside an image; raises MachineError."""
    from pipeline.inspect.known_builds import KnownBuild, build_of_record
    from pipeline.workspace.files import read_record

    record = read_record(path)
    try:
        build = build_of_record(path, "named")
    except FileNotFoundError:
        if not needs_plan:
            return KnownBuild(origin="named", record=record, plan_text=b"")
        what = "plan.json is missing beside it"
        raise MachineError.one(
            what, "name the record in the folder where it was built or published", file=str(path)
        ) from None
    if build is None and needs_plan:
        what = "the plan.json beside it is not the one it was made with"
        hint = "build the card again, or name the record in the folder where it was published"
        raise MachineError.one(what, hint, file=str(path))
    return build or KnownBuild(origin="named", record=record, plan_text=b"")


def _lines(judgement: JudgedCard, path: Path, *, every: bool) -> Iterator[str]:
    verdict = judgement.verdict
    shown = None if every else SHOWN
    for start, end, owner in verdict.unreadable[:shown]:
        yield f"unreadable  {owner}: 0x{start:08X} to 0x{end - 1:08X}"
    yield from _capped(list(_damages(verdict, every=every)), "damaged", shown)
    for word, paths in asdict(verdict.yours).items():
        yield from _capped([f"yours    {name}: {word}" for name in paths], "yours", shown)
    for word in ("litter", "others"):
        yield from _capped([f"{word:<9}{name}" for name in getattr(verdict, word)], word, shown)
    if every:
        yield from (f"touched  {name}" for name in verdict.touched)
    elif verdict.touched:
        yield f"touched  {counted(len(verdict.touched), 'place')}: {HARMLESS_TOUCHES}; --all lists them"
    yield from (f"not checked: {what}" for what in verdict.unseen)
    yield from _sentences(judgement, every=every)
    yield from _advice(judgement, path)


def _damages(verdict: Verification, *, every: bool) -> Iterator[str]:
    """Yield each damaged file, with the places of the file system counted unless ``every`` one is asked for."""
    if every:
        for damage in verdict.damages:
            where = f" (byte 0x{damage.offset:08X} of the image)" if damage.offset >= 0 else ""
            yield f"damaged  {_damage(damage)}{where}"
        return
    files = [damage for damage in verdict.damages if not damage.structure]
    yield from (f"damaged  {_damage(damage)}" for damage in files)
    named = {damage.path for damage in files}
    entries = dict.fromkeys(damage.path for damage in verdict.damages if damage.path and damage.path not in named)
    yield from (f"damaged  {name}: its directory entry or its clusters differ" for name in entries)
    places = sum(damage.structure for damage in verdict.damages)
    if places:
        yield f"damaged  file system: {counted(places, 'place')} in tables and folders; --all lists them"


def _capped(lines: Sequence[str], word: str, shown: int | None) -> Iterator[str]:
    yield from lines[:shown]
    if shown is not None and len(lines) > shown:
        yield f"{word:<9}{len(lines) - shown:,} more; --all lists them"


def _damage(damage: Damage) -> str:
    of = ", ".join([*([f"title {damage.title}"] if damage.title else []), *damage.chips])
    return f"{damage.path}{': ' if damage.path else ''}{damage.what}{f'; {of}' if of else ''}"


def _sentences(judgement: JudgedCard, *, every: bool) -> Iterator[str]:
    from pipeline.inspect.verify import DAMAGED, HALF_WRITTEN, OTHER

    verdict, build, newest = judgement.verdict, judgement.build, judgement.newest
    yours = f"; yours: {verdict.yours}" if verdict.yours else ""
    if build is newest:
        if verdict.verdict in (DAMAGED, OTHER) and judgement.tried > 1:
            yield f"of none of the {judgement.tried} builds known of this card; compared with {newest}"
        yield f"{verdict.card}: {_sentence(verdict)}{yours}"
        return
    yield f"{build}: {_sentence(verdict)}{yours}"
    if verdict.verdict == HALF_WRITTEN:
        return
    yield f"{newest}, differs{':' if judgement.changes else ' in nothing that its record says'}"
    count = len(judgement.changes) if every else SHOWN_CHANGES
    yield from (f"  {line}" for line in judgement.changes[:count])
    if len(judgement.changes) > count:
        yield f"  {len(judgement.changes) - count:,} more lines; --all lists them"


def _sentence(verdict: Verification) -> str:
    from pipeline.inspect.verify import DAMAGED, HALF_WRITTEN

    if verdict.verdict == HALF_WRITTEN:
        return "half written: its first block is empty; a write was interrupted"
    if verdict.verdict != DAMAGED:
        return verdict.verdict
    paths = sorted({damage.path for damage in verdict.damages if damage.path})
    if not paths:
        return "damaged: no file, only file system structures"
    more = f" and {counted(len(paths) - 5, 'file')} more" if len(paths) > 5 else ""
    return f"damaged: {', '.join(paths[:5])}{more}"


def _advice(judgement: JudgedCard, path: Path) -> Iterator[str]:
    """Yield what a person does about a card that is not good."""
    from pipeline.inspect.verify import DAMAGED, HALF_WRITTEN

    verdict, card = judgement.verdict, judgement.verdict.card
    if verdict.verdict == HALF_WRITTEN:
        yield f"the card is not valid until a write completes: doit write {card} DEVICE"
    elif verdict.verdict == DAMAGED and path.is_file():
        yield "this is a file: copy or build it again; if errors come back, suspect the disk it is on"
    elif verdict.verdict == DAMAGED:
        if verdict.yours:
            yield f"copy what is yours first: doit keep {card} PATH"
        yield f"write it again: doit write {card} DEVICE (everything on the card is lost)"
        yield "if errors come back in the same places, replace the card; in other places, try another card reader"
