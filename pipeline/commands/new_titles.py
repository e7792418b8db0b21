"""What ``doit new titles`` says: a table of titles, what is open in each, and the sets that became none."""

from __future__ import annotations

import shlex
import sys
from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import asdict
from typing import Any

from pipeline.drafts.titles import SetDraft, Shelf, draft_titles, write_titles
from pipeline.engine.console import print_json, print_lines
from pipeline.errors import ManifestError
from pipeline.model.text import counted, listed, shown
from pipeline.model.units import show_size
from pipeline.sets.match import WAYS
from pipeline.workspace.workspace import Workspace

MOST = 40
"""Sockets and dumps that are left open which are listed; the drafts have them all."""
HEAD = ("title", "chips", "blank", "unknown", "how they are known")


def run(workspace: Workspace, words: Sequence[str], options: Mapping[str, Any]) -> int:
    """Draft the titles of a folder of sets, write them, and print the table."""
    if len(words) != 1 or options["from"] is not None:
        raise ManifestError.one("expected titles FOLDER [--core ID] [--layout NAME] [--tag WORD]", "see doit help new")
    shelf = draft_titles(
        workspace,
        words[0],
        options["core"],
        options["layout"],
        tag=options["tag"],
        in_order=options["in-order"],
    )
    write_titles(workspace, shelf)
    warnings = workspace.take_warnings()
    if options["json"]:
        print_json(_document(workspace, shelf) | {"warnings": [asdict(warning) for warning in warnings]})
    else:
        sys.stderr.write("".join(f"warning: {warning}\n" for warning in warnings))
        print_lines(_lines(workspace, shelf))
    return int(any(not draft.path for draft in shelf.sets))


def _lines(workspace: Workspace, shelf: Shelf) -> Iterator[str]:
    drafts = [draft for draft in shelf.sets if draft.path]
    if drafts:
        rows = [HEAD, *map(_row, drafts)]
        widths = [max(len(row[column]) for row in rows) for column in range(4)]
        for row in rows:
            numbers = (text.rjust(width) for text, width in zip(row[1:4], widths[1:], strict=True))
            yield "  ".join([row[0].ljust(widths[0]), *numbers, row[4]]).rstrip()
    open_ = [line for draft in drafts for line in _open(draft)]
    yield from ("", *open_[:MOST]) if open_ else ()
    if len(open_) > MOST:
        yield f"... and {len(open_) - MOST:,} more; each draft has its own"
    without = [draft for draft in shelf.sets if not draft.path]
    if without:
        yield from ("", "no title:") if drafts else ("no title:",)
        yield from (
            f"  {shown(draft.found.entry)}: {'; '.join(filter(None, (draft.why, draft.hint)))}" for draft in without
        )
    yield ""
    yield from (f"note    {note}" for note in shelf.notes)
    blank = sum(bool(draft.blanks) for draft in drafts)
    where = workspace.shown(workspace.inputs / "titles")
    yield f"written {counted(len(drafts), 'title')} in {where}" + (f", {blank:,} with blanks" if blank else "")
    if blank:
        yield "next    fill the blanks in; doit check lists them"


def _row(draft: SetDraft) -> tuple[str, str, str, str, str]:
    result = draft.came.matched
    if result is None:
        return draft.found.id, f"{len(draft.found.dumps):,}", f"{len(draft.blanks):,}", "0", ""
    counts = Counter(match.how for match in result.matches.values())
    known = ", ".join(f"{counts[how]} by {how}" for how in WAYS if counts[how])
    like = f"like {draft.came.like} by {draft.came.how}" if draft.came.like else ""
    numbers = (f"{len(result.matches):,}", f"{len(draft.blanks):,}", f"{len(result.left):,}")
    return draft.found.id, *numbers, "; ".join(filter(None, (known, like)))


def _open(draft: SetDraft) -> Iterator[str]:
    """Yield what is left blank in a title, with the commands that fill it in, and the dumps that fit no socket."""
    result, id_ = draft.came.matched, draft.found.id
    if result is None:
        return
    if draft.came.others:
        yield f"{id_}: lacks {listed(result.unfilled)}; it may be like {listed(draft.came.others, 'or')}"
    elif not draft.came.like:
        for socket, near in result.unfilled.items():
            files = counted(len(near), "file") if near else "no file"
            yield f"{id_}: {files} of the set may be for socket {socket}"
            names = [draft.found.dumps[dump].argument for dump in near]
            yield from (
                f"    {shlex.join(['doit', 'pin', f'title:{id_}', f'sockets.{socket}', file])}" for file in names
            )
    for dump, sockets in result.left.items():
        if not sockets:
            yield f"{id_}: {draft.found.dumps[dump].argument}, {show_size(dump.size)}, fits no socket that is left"


def _document(workspace: Workspace, shelf: Shelf) -> dict[str, object]:
    return {
        "cardkiln-new": 1,
        "written": [workspace.shown(path) for path in shelf.texts],
        "titles": [_title(workspace, draft) for draft in shelf.sets if draft.path],
        "no-title": [
            {"set": draft.found.entry, "why": draft.why, "hint": draft.hint} for draft in shelf.sets if not draft.path
        ],
        "notes": list(shelf.notes),
    }


def _title(workspace: Workspace, draft: SetDraft) -> dict[str, object]:
    came, files = draft.came, draft.found.dumps
    result = came.matched
    document: dict[str, object] = {
        "title": draft.found.id,
        "set": draft.found.entry,
        "manifest": workspace.shown(draft.path) if draft.path else "",
        "blanks": list(draft.blanks),
    }
    if result is None:
        return document | {"chips": [file.argument for file in files.values()]}
    return document | {
        "layout": came.layout,
        "like": came.like,
        "like-by": came.how,
        "may-be-like": list(came.others),
        "sockets": {
            socket: {"file": files[match.dump].argument, "by": match.how, "sha256": match.dump.sha256}
            for socket, match in result.matches.items()
        },
        "open": {socket: [files[dump].argument for dump in near] for socket, near in result.unfilled.items()},
        "unknown": [
            {"file": files[dump].argument, "size": dump.size, "may-fit": list(sockets)}
            for dump, sockets in result.left.items()
        ],
    }
