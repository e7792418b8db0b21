"""What is built although another SHA-256 is declared for it, so that the new one can be pinned; and what it changed."""

from __future__ import annotations

import json
from collections import Counter
from collections.abc import Iterator

from pipeline.build import find
from pipeline.build.build import Build
from pipeline.build.flow import build_card, build_title, first_out_of_date
from pipeline.build.inputs import Inputs
from pipeline.build.pinned_image import changes_since, last_record
from pipeline.model.ranges import Ranges, RangeSource
from pipeline.model.text import counted
from pipeline.roms.map import rom_map
from pipeline.roms.operations.arguments import show_range
from pipeline.workspace.lock import locked
from pipeline.workspace.owner import check_owner


def build_fresh_roms(inputs: Inputs, title_id: str) -> dict[str, tuple[str, ...]]:
    """Build a title's ROM files whatever SHA-256 they declare; return what changed in each, as lines, by its path."""
    build = Build(inputs.unpinned_title(title_id))
    build.asked = (f"rom:{title_id}",)
    check_owner(build.workspace)
    title = build.inputs.manifest.titles[title_id]
    roms = build.title(title)
    with locked(build.workspace.build):
        before = {path: file.read_bytes() for path, file in roms.paths.items() if file.is_file()}
        if roms.reason() is not None:
            find.complete(build)
            build_title(build, roms)
            build.workspace.unsynced.sync()
    return {
        rom.path: tuple(_differing(before.get(rom.path), roms.paths[rom.path].read_bytes(), rom_map(title, rom)))
        for rom in title.roms
    }


def build_fresh_image(inputs: Inputs, card_id: str) -> tuple[str, ...]:
    """Build a card whatever SHA-256 is pinned for its image; return what changed since its last record, as lines."""
    build = Build(inputs.unpinned())
    build.asked = (f"sheet:{card_id}",)
    check_owner(build.workspace)
    record = build.workspace.card_folder(card_id) / "record.json"
    with locked(build.workspace.build):
        last = last_record(record)
        if first_out_of_date(build, card_id):
            build_card(build, card_id, lambda _: None)
    return tuple(changes_since(last, json.loads(record.read_bytes())))


def _differing(old: bytes | None, new: bytes, ranges: Ranges) -> Iterator[str]:
    """Yield a line for each source of each range in which bytes differ."""
    if old is None or len(old) != len(new):
        yield "there is no ROM file of that size built before to compare with"
        return
    places = [place for place, (was, now) in enumerate(zip(old, new, strict=True)) if was != now]
    yield f"{counted(len(places), 'byte')} {'differs' if len(places) == 1 else 'differ'} from the one built before"
    for part in ranges:
        counts = Counter[tuple[RangeSource, ...]]()
        for place in places:
            if part.start <= place < part.end:
                lanes = part.lanes
                turn = (place - part.start) // lanes.unit % len(lanes.sources) if lanes else 0
                counts[lanes.sources[turn] if lanes else part.sources] += 1
        for sources, count in counts.items():
            yield f"  {show_range(part.start, part.end)}: {', '.join(map(str, sources))}: {counted(count, 'byte')}"
