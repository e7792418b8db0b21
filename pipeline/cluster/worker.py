"""The work of one task: a card is built from its parcel in a scratch folder, and read back as ever.

What goes to a worker and what comes back are plain values, so that a worker with another version can read enough to
refuse.
"""

from __future__ import annotations

import hashlib
import re
import tempfile
from collections.abc import Sequence
from contextlib import suppress
from dataclasses import asdict
from pathlib import Path
from typing import Any

from pipeline.build import image
from pipeline.build.build import Build
from pipeline.build.flow import STAGES, build_card
from pipeline.build.inputs import Inputs
from pipeline.cluster.packed_image import pack_image
from pipeline.cluster.parcel import LostError, Parcel, unpack_parcel
from pipeline.cluster.program import refuse_another
from pipeline.errors import CardkilnError, MachineError, Place, Problem, system_problem
from pipeline.file_digest import sha256_of_file
from pipeline.store.store import Store
from pipeline.workspace.workspace import Workspace

WITHOUT_SHEET = tuple(stage for stage in STAGES if stage.name != "sheet")
"""The stages of a worker; who asks makes the sheet."""

Answer = dict[str, Any]
"""What a worker answers: ``exit-code``; where that is not 0 ``problems``, and ``lost``: whether only the store failed.

Else ``plan``, ``record`` and ``image``: the SHA-256 of each; ``size`` of the image in bytes; ``ranges`` and ``packed``:
the packed image, or None and ``stored``, SHA-256 and size of what lies in the store; ``roms``: title, path and SHA-256
of each ROM file; ``apart``: the bytes of ROM files that are on the card in no file of their own, by SHA-256.
"""


def build_parcel(asked: Sequence[str], parcel: Parcel, scratch: str | None, *, to_store: bool) -> Answer:
    """Build the card of a parcel and return what came of it; ``asked``: the program that asks.

    ``scratch``: a folder for scratch folders, None for the system's. ``to_store``: whether the image goes there.
    """
    with tempfile.TemporaryDirectory(prefix="cardkiln-", dir=scratch) as name:
        folder = Path(name)
        workspace = Workspace(folder / "inputs", folder / "build", folder, Store.here())
        try:
            refuse_another(asked)
            return _built(workspace, parcel, to_store=to_store)
        except CardkilnError as error:
            code, problems, lost = error.exit_code, error.problems, isinstance(error, LostError)
        except OSError as error:
            code, problems, lost = MachineError.exit_code, (system_problem(error),), False
        told = [asdict(problem) for problem in workspace.located(problems)]
        return {"exit-code": code, "problems": told, "lost": lost}


def _built(workspace: Workspace, parcel: Parcel, *, to_store: bool) -> Answer:
    unpack_parcel(parcel, workspace.base, workspace.store)
    build = Build(Inputs(workspace, epoch=parcel["epoch"]))
    build_card(build, parcel["card"], lambda _: None, WITHOUT_SHEET)
    card = build.card(parcel["card"])
    proof = image.finished(card).proof
    on_card = {entry.sha256 for entry in card.plan.entries}
    roms = [
        (roms.title.id, rom.path, content.sha256, roms.paths[rom.path])
        for roms in build.roms_of(parcel["card"])
        for rom in roms.title.roms
        if (content := roms.content(rom))
    ]
    answer: Answer = {
        "exit-code": 0,
        "plan": sha256_of_file(card.plan_path),
        "record": sha256_of_file(card.folder / "record.json"),
        "image": proof.image_sha256,
        "size": proof.image_size,
        "roms": [rom[:3] for rom in roms],
        "apart": {sha256: path.read_bytes() for _, _, sha256, path in roms if sha256 not in on_card},
    }
    answer["ranges"], packed = pack_image(card.image_path)
    sha256 = hashlib.sha256(packed).hexdigest()
    if to_store and workspace.store and workspace.store.write_content(sha256, packed):
        return {**answer, "packed": None, "stored": (sha256, len(packed))}
    return {**answer, "packed": packed}


def problems_of(answer: Answer) -> tuple[Problem, ...]:
    """Return the problems of a worker that failed; one of another version may know more of them."""

    def place(values: dict[str, Any]) -> Place:
        return Place(str(values["file"]), int(values["line"]), int(values["column"]), str(values["key"]))

    return tuple(
        Problem(
            place(values["place"]),
            str(values["what"]),
            str(values["hint"]),
            tuple(map(place, values["also"])),
            str(values["rule"]),
            tuple(map(str, values["details"])),
        )
        for values in answer["problems"]
    )


def is_answer(value: Any) -> bool:
    """Whether a value is an answer: all that is read of it is there and of its type."""
    with suppress(AttributeError, LookupError, TypeError, ValueError):
        if value["exit-code"]:
            return type(value["exit-code"]) is int and bool(problems_of(value))
        return (
            type(value["size"]) is int
            and (type(value["packed"]) is bytes or (value["packed"] is None and _has_types(value["stored"], str, int)))
            and all(_has_types(pair, int, int) for pair in value["ranges"])
            and all(_has_types(rom, str, str, str) for rom in value["roms"])
            and all(_has_types(pair, str, bytes) for pair in value["apart"].items())
            and all(
                re.fullmatch("[0-9a-f]{64}", sha256)
                for sha256 in (value["plan"], value["record"], value["image"], *(rom[2] for rom in value["roms"]))
            )
        )
    return False


def _has_types(value: object, *types: type) -> bool:
    return isinstance(value, tuple) and tuple(map(type, value)) == types
