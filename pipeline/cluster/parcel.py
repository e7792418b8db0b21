"""What travels to a worker for one card: a ZIP archive with a folder of inputs and the contents it needs.

``card.json`` names the card, the SOURCE_DATE_EPOCH of its build, and the contents that lie in the shared store;
``inputs/`` are the inputs of that card alone; ``contents/SHA256`` are the other contents.
"""

from __future__ import annotations

import io
import json
import tempfile
import zipfile
from dataclasses import dataclass
from pathlib import Path

from pipeline.build.card_inputs import copy_inputs, needed_contents, sources_text
from pipeline.build.inputs import Inputs
from pipeline.errors import MachineError
from pipeline.sources.files.read import read_contents
from pipeline.store.store import Store

CARD = "card.json"
CONTENTS = "contents"


@dataclass(frozen=True, slots=True)
class Parcel:
    """A parcel that was unpacked: the card, the SOURCE_DATE_EPOCH of its build, and the folder of its inputs."""

    card: str
    epoch: str | None
    inputs: Path


def pack_parcel(inputs: Inputs, card_id: str, store: Store | None) -> bytes:
    """Return the parcel of a card; contents go into the store where one is given.

    Raises CheckError with every content that is in no source, MachineError when the store takes none.
    """
    contents = needed_contents(inputs, card_id)
    stored: list[dict[str, str | int]] = []
    packed = io.BytesIO()
    with tempfile.TemporaryDirectory() as name, zipfile.ZipFile(packed, "w", zipfile.ZIP_STORED) as archive:
        folder = Path(name)
        copy_inputs(inputs, card_id, folder)
        (folder / "sources.toml").write_text(sources_text(inputs, contents, [f"../{CONTENTS}"]), encoding="utf-8")
        for path in sorted(folder.rglob("*")):  # folders too: an empty one is part of the inputs
            archive.write(path, f"inputs/{path.relative_to(folder).as_posix()}")
        travelling = [*contents]
        if store:
            stored = [{"sha256": content.sha256, "size": content.size or 0} for _, content in contents]
            travelling = [pair for pair in contents if not store.has_content(pair[1].sha256, pair[1].size or 0)]
            refuse_failed(store)
        travelling.sort(
            key=lambda pair: (pair[0].path, pair[0].member or "")
        )  # members of one archive are read together
        for (_, content), data in zip(travelling, read_contents(travelling), strict=True):
            if store:
                store.write_content(content.sha256, data)
                refuse_failed(store)
            else:
                archive.writestr(f"{CONTENTS}/{content.sha256}", data)
        archive.writestr(CARD, json.dumps({"card": card_id, "epoch": inputs.epoch, "stored": stored}))
    return packed.getvalue()


def unpack_parcel(parcel: bytes, folder: Path, store: Store | None) -> Parcel:
    """Unpack a parcel into an empty folder; raises MachineError when the store lacks what lies there."""
    with zipfile.ZipFile(io.BytesIO(parcel)) as archive:
        archive.extractall(folder)
        known = json.loads(archive.read(CARD))
    contents = folder / CONTENTS
    contents.mkdir(exist_ok=True)
    for content in known["stored"]:
        data = store.read_content(content["sha256"], content["size"]) if store else None
        if data is None:
            if store:
                refuse_failed(store)
            what = f"the store of the worker lacks the content with the SHA-256 {content['sha256']}"
            raise MachineError.one(what, "set CARDKILN_STORE to the same place on every machine")
        (contents / content["sha256"]).write_bytes(data)
    return Parcel(card=known["card"], epoch=known["epoch"], inputs=folder / "inputs")


def refuse_failed(store: Store) -> None:
    """Raise MachineError with what failed in the store."""
    problems = store.problems()
    if problems:
        raise MachineError(problems)
