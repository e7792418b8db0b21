"""What travels to a worker for one card, as plain values: its inputs as a ZIP archive, and the contents it needs."""

from __future__ import annotations

import io
import tempfile
import zipfile
from collections.abc import Sequence
from pathlib import Path
from typing import Any

from pipeline.build.card_inputs import copy_inputs, needed_contents, sources_text
from pipeline.build.inputs import Inputs
from pipeline.errors import MachineError
from pipeline.model.content import Content, Location
from pipeline.sources.files.read import read_contents
from pipeline.store.store import Store

CONTENTS = "contents"

Parcel = dict[str, Any]
"""``card``: its id; ``epoch``: the SOURCE_DATE_EPOCH of its build, or None; ``inputs``: a ZIP archive of that card's.

``contents``: bytes by SHA-256; ``stored``: SHA-256 and size of the contents that lie in the shared store.
"""


class LostError(MachineError):
    """The store does not give back what was put there; without a store the card can be built all the same."""


def pack_parcel(inputs: Inputs, card_id: str, store: Store | None) -> Parcel:
    """Return the parcel of a card; contents go into the store where one is given and takes them.

    Raises CheckError with every content that is in no source.
    """
    contents = needed_contents(inputs, card_id)
    travelling = [pair for pair in contents if not (store and store.has_content(pair[1].sha256, pair[1].size or 0))]
    travelling.sort(key=lambda pair: (pair[0].path, pair[0].member or ""))  # members of one archive are read together
    read = zip((content.sha256 for _, content in travelling), read_contents(travelling), strict=True)
    carried = {sha256: data for sha256, data in read if not (store and store.write_content(sha256, data))}
    return {
        "card": card_id,
        "epoch": inputs.epoch,
        "inputs": _packed_inputs(inputs, card_id, contents),
        "contents": carried,
        "stored": [(content.sha256, content.size or 0) for _, content in contents if content.sha256 not in carried],
    }


def _packed_inputs(inputs: Inputs, card_id: str, contents: Sequence[tuple[Location, Content]]) -> bytes:
    """Return a ZIP archive of the inputs of a card alone, whose contents lie in the folder CONTENTS beside them."""
    packed = io.BytesIO()
    with tempfile.TemporaryDirectory() as name, zipfile.ZipFile(packed, "w", zipfile.ZIP_STORED) as archive:
        folder = Path(name)
        copy_inputs(inputs, card_id, folder)
        (folder / "sources.toml").write_text(sources_text(inputs, contents, [f"../{CONTENTS}"]), encoding="utf-8")
        for path in sorted(folder.rglob("*")):  # folders too: an empty one is part of the inputs
            archive.write(path, path.relative_to(folder).as_posix())
    return packed.getvalue()


def unpack_parcel(parcel: Parcel, folder: Path, store: Store | None) -> None:
    """Unpack a parcel into the folders ``inputs`` and ``contents`` of a folder.

    Raises LostError when the store lacks what lies there.
    """
    with zipfile.ZipFile(io.BytesIO(parcel["inputs"])) as archive:
        archive.extractall(folder / "inputs")
    contents = folder / CONTENTS
    contents.mkdir()
    for sha256, data in parcel["contents"].items():
        (contents / sha256).write_bytes(data)
    for sha256, size in parcel["stored"]:
        stored = store.read_content(sha256, size) if store else None
        if stored is None:
            if store:
                refuse_failed(store)
            what = f"the store of the worker lacks the content with the SHA-256 {sha256}"
            raise LostError.one(what, "set CARDKILN_STORE to the same place on every machine")
        (contents / sha256).write_bytes(stored)


def refuse_failed(store: Store) -> None:
    """Raise LostError with what failed in the store."""
    problems = store.problems()
    if problems:
        raise LostError(problems)
