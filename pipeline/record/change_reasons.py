"""Why a file changed, as two records tell it: which chip, in which bytes, through which step."""

from __future__ import annotations

import difflib
from collections.abc import Iterator, Mapping
from typing import Any

Origin = Mapping[str, Any]
"""What a record says a file is made from."""


def causes_of(old: Origin, new: Origin) -> tuple[str, ...]:
    """Return a line for each content, step and owner that differs; none where either side does not know."""
    if not old or not new:
        return ()
    return (*_owners(old, new), *_contents(old, new), *_steps(old, new))


def _owners(old: Origin, new: Origin) -> Iterator[str]:
    for key in ("kind", "owner"):
        if old[key] != new[key]:
            yield f"{key}: {old[key]} -> {new[key]}"


def _contents(old: Origin, new: Origin) -> Iterator[str]:
    before, after = (
        {content_before["role"]: content_before for content_before in side["contents"]} for side in (old, new)
    )
    for role in dict.fromkeys((*before, *after)):
        content_before, content_after = before.get(role), after.get(role)
        if content_before == content_after:
            continue
        if content_before is None or content_after is None:
            word, side = ("added", new) if content_before is None else ("no longer used", old)
        else:
            word, side = "changed", new
        where = "; ".join(_where(side, role))
        yield f"{role} {word}{': ' if where else ''}{where}"


def _where(origin: Origin, role: str) -> Iterator[str]:
    """Yield the ranges of the file that have bytes of a content, each with what was done to them."""
    for part in origin.get("ranges", ()):
        for source in part["from"]:
            name, _, through = source.partition(", ")
            if name == role:
                yield f"range 0x{part['start']:04X}-0x{part['end'] - 1:04X}{', through ' if through else ''}{through}"


def _steps(old: Origin, new: Origin) -> Iterator[str]:
    before, after = old["steps"], new["steps"]
    for kind, start, end, then, until in difflib.SequenceMatcher(None, before, after, autojunk=False).get_opcodes():
        if kind == "replace" and end - start == until - then:
            pairs = zip(before[start:end], after[then:until], strict=True)
            yield from (f"step {old_step} -> {new_step}" for old_step, new_step in pairs)
        elif kind != "equal":
            yield from (f"step removed: {step}" for step in before[start:end])
            yield from (f"step added: {step}" for step in after[then:until])
