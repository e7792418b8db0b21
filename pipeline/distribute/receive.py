"""Receiving a published folder: everything in it is checked before anything of it is used."""

from __future__ import annotations

import hashlib
import json
import os
from collections.abc import Callable, Iterable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, replace
from itertools import islice
from pathlib import Path
from typing import Any, BinaryIO

from pipeline.card.plan_text import CLOSE_ENTRIES, plan_from_lines
from pipeline.distribute.contradictions import contradictions
from pipeline.distribute.publish import as_json
from pipeline.distribute.recipe import RECIPE
from pipeline.distribute.take_delta import MissingContentsError, delta_problems, plan_number_problems, write_from_delta
from pipeline.errors import CardkilnError, CheckError, MachineError, ManifestError, Place, Problem
from pipeline.image.read_back import read_back
from pipeline.image.unplanned import check_unplanned
from pipeline.image.written import Written
from pipeline.manifest.checks.sums import parse_sums
from pipeline.manifest.files import is_id
from pipeline.manifest.schema.formats import UnfitError, check_path
from pipeline.manifest.schema.validate import schema
from pipeline.model.plan import Plan
from pipeline.model.text import shown
from pipeline.publish.delta import DELTA, packed_contents
from pipeline.publish.documents import DOCUMENTS, PACKED, unpack_documents
from pipeline.publish.folder import SIGNATURE, STRANGE, SUMS, check_sums, files_of, is_version
from pipeline.publish.materials import materials
from pipeline.publish.pack import SUFFIXES, unpack
from pipeline.publish.readme import cautions_text
from pipeline.publish.signature import ALLOWED, check_form, fingerprint, signer
from pipeline.publish.statement import statement
from pipeline.sheet.cautions import cautions_of_a_stranger
from pipeline.workspace.atomic_write import replacing, write_if_changed
from pipeline.workspace.progress import progress
from pipeline.workspace.versions import received_folder
from pipeline.workspace.workspace import PROGRAM, Workspace

LARGEST = 256_000_000_000
"""Bytes of an image: more than any card for such a board has, and less than would fill a night with unpacking."""
LONGEST = 64 << 20
"""Bytes of a document that is read whole; the record of a card with 100,000 files is smaller."""
LONGEST_PLAN = 256 << 20
"""Bytes of a plan; one line is an entry of about 200."""
LONGEST_LINE = 64 << 10
"""Bytes of a line of a plan, and of all that comes after its entries."""
READ = (SUMS, SIGNATURE, "record.json", "plan.json", "provenance.json", RECIPE, DELTA)
"""The documents that are read; of all others only the SHA-256 is looked at."""
BUILT = {"record.json", "sheet.html"}
"""Documents that come out when a recipe is built, and are then compared."""
MOST_TOLD = 100
"""Problems with the form of a document that are counted."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Received:
    """A checked folder: its record, plan, and what is to be said of its signature.

    ``recipe``, ``delta``: what a recipe or a delta says, None where the folder is none. ``files``: by name, the
    documents of a delta where they were unpacked. ``unchecked``: files of which no more is known than that they are
    those of the checksum list, the record among them: it says more than what follows from the plan.
    """

    record: Mapping[str, Any]
    plan: Plan
    recipe: Mapping[str, Any] | None
    delta: Mapping[str, Any] | None
    signed: str
    folder: Path
    files: Mapping[str, Path]
    unchecked: tuple[str, ...]


@contextmanager
def first_problem_only() -> Iterator[None]:
    """Shorten an error to its first problem and the number of the others; missing contents are all named."""
    try:
        yield
    except MissingContentsError:
        raise
    except CardkilnError as error:
        first, more = error.problems[0], len(error.problems) - 1
        what = f"{first.what} (and {more:,} more)" if more else first.what
        raise type(error)([replace(first, what=what, also=())]) from error


@first_problem_only()
def check(folder: Path, signers: Path | None, scratch: Path | None = None) -> Received:
    """Return what a published folder holds, once its list, signature, record, plan and statement are as they should be.

    ``signers``: the receiver's own list of allowed signers; without one a signature proves only that nothing was
    changed since it was made. ``scratch``: an empty folder, where the documents of a delta are unpacked; without one a
    delta is refused. Raises CheckError with the first thing that is wrong.
    """
    files = files_of(folder)
    if SUMS not in files:
        raise CheckError.one("is missing; expected the checksum list of a published folder", file=shown(folder / SUMS))
    for name in READ:
        limit = LONGEST_PLAN if name == "plan.json" else LONGEST
        if name in files and files[name].stat().st_size > limit:
            raise CheckError.one(f"is larger than {limit:,} bytes, the limit", STRANGE, file=name)
    signed = _signed(folder, files, signers)
    sums = _sums(files[SUMS])
    total = sum(path.stat().st_size for path in files.values())
    with progress(f"check {shown(folder.name)}", total) as advance:
        _refuse(check_sums(files, sums, {"card.img", *(DOCUMENTS if DELTA in files else ())}, advance))
    if DELTA in files:
        files |= _documents(files, sums, scratch)
    record = _document(files, "record.json")
    _refuse(_form_problems("record", record))
    _refuse(_wrong_names(record))
    plan = _plan(files)
    with _doubting_numbers():
        _refuse([*_disagreements(files, sums, record), *contradictions(record, plan)])
    recipe, delta = (_document(files, name) if name in files else None for name in (RECIPE, DELTA))
    if recipe is not None:
        _refuse(_form_problems("recipe", recipe))
    if delta is not None:
        _refuse(_form_problems("delta", delta))
        _refuse([*plan_number_problems(plan), *delta_problems(delta, record, plan, files)])
    made = _made_from_record(record, sums["record.json"]) if record["made-by"]["program"] == PROGRAM else {}
    for name, sha256 in made.items():
        if sums.get(name) != sha256:
            raise CheckError.one("is not what its record gives", STRANGE, file=name)
    images = {"card.img", *(f"card.img{suffix}" for suffix in SUFFIXES.values())}
    read = {SUMS, SIGNATURE, ALLOWED, "plan.json", RECIPE, DELTA, PACKED}
    unchecked = {name for name in files.keys() - made.keys() - images - read if "/" not in name}
    return Received(
        record=record,
        plan=plan,
        recipe=recipe,
        delta=delta,
        signed=signed,
        folder=folder,
        files=files,
        unchecked=tuple(
            sorted(unchecked - {ALLOWED, RECIPE, DELTA, PACKED} - (BUILT if made and recipe is not None else set()))
        ),
    )


def write_cautions(workspace: Workspace, received: Received) -> Path:
    """Write a page with all cautions beside what was received, and return where: the folder's own may say anything."""
    path, card = folder_of(workspace, received) / "CAUTIONS.txt", received.record["card"]
    head = f"{shown(card['name'])}, version {card['version']}, as it was received\n\n"
    write_if_changed(path, (head + cautions_text(cautions_of_a_stranger())).encode())
    return path


@first_problem_only()
def take_image(workspace: Workspace, received: Received) -> Path:
    """Unpack a checked image into the build folder, read it back, and return where it lies.

    The caller holds the lock of the build folder. Raises CheckError, and MachineError where it cannot be written.
    """
    packed = _packed_image(received)
    return _take(workspace, received, lambda target: unpack_image(received, packed, target))


def take_delta(workspace: Workspace, received: Received, old: Path, scratch: Path) -> Path:
    """Make the image of a checked delta from what there is of the older version, and return where it lies.

    ``old``: an image, a disk or a mounted card. ``scratch``: an empty folder for what is unpacked. The caller holds the
    lock of the build folder. Raises CheckError, with every content that is missing, and MachineError.
    """
    contents = packed_contents(received.delta or {"contents": ()})

    def write(target: Path) -> None:
        with first_problem_only(), _doubting_numbers():
            written = write_from_delta(received.plan, received.record, contents, received.folder, old, scratch, target)
        if written.image_sha256 != received.record["image"]["sha256"]:
            what = f"found the SHA-256 {written.image_sha256}, expected {received.record['image']['sha256']}"
            raise CheckError.one(what, STRANGE, file="card.img")

    return _take(workspace, received, write)


def old_card(path: Path, scratch: Path) -> Path:
    """Return the image, disk or mounted folder with the files of an older version that a person named.

    A published folder is checked first, and its image unpacked to ``scratch``. Raises CheckError and MachineError.
    """
    if not path.is_dir():
        return path
    if (path / SUMS).is_file() and not (path / "card.img").is_file():
        published = check(path, None)
        if published.recipe is not None:
            what = "is a recipe, which holds no contents"
            raise CheckError.one(what, "name the image that was built of it", file=shown(path))
        target = scratch / "old.img"
        unpack_image(published, _packed_image(published), target)
        return target
    image = path / "card.img"
    return image if image.is_file() and (path / "record.json").is_file() else path


def unpack_image(received: Received, packed: Path, target: Path) -> None:
    """Unpack the image of a checked folder; raises CheckError when it is not the one that was published, OSError."""
    image = received.record["image"]
    with progress(f"unpack {packed.name}", image["size"]) as advance:
        sha256 = unpack(packed, target, image["size"], advance)
    if sha256 != image["sha256"]:
        what = f"unpacks to the SHA-256 {sha256}; expected {image['sha256']}"
        raise CheckError.one(what, STRANGE, file=packed.name)


def _packed_image(received: Received) -> Path:
    """Return the one packed image of a folder; raises CheckError."""
    image = received.record["image"]
    packed = [received.folder / f"{image['file']}{suffix}" for suffix in SUFFIXES.values()]
    found = [path for path in packed if path.is_file()]
    if len(found) != 1:
        names = ", ".join(path.name for path in packed)
        raise CheckError.one(f"found {len(found)} packed images, expected one of {names}", STRANGE)
    return found[0]


def _take(workspace: Workspace, received: Received, write: Callable[[Path], None]) -> Path:
    """Have an image written beside its place, read it back, and put it there, with record and plan beside it."""
    record, image = received.record, received.record["image"]
    if image["size"] > LARGEST:
        what = f"states an image of {image['size']:,} bytes; {LARGEST:,} is the limit"
        raise CheckError.one(what, STRANGE, file="record.json")
    home = folder_of(workspace, received)
    target = home / "card.img"
    try:
        with replacing(target) as temporary:
            write(temporary)
            written = Written(image_sha256=image["sha256"], image_size=image["size"], bytes_written=0)
            with _doubting_numbers():
                with progress("read back", record["proven"]["file-bytes"]) as advance:
                    read_back(received.plan, temporary, written, advance)
                check_unplanned(received.plan, temporary)
            (home / "record.json").unlink(missing_ok=True)  # of an earlier image, which would not be this one's
        for name in ("plan.json", "record.json"):
            write_if_changed(home / name, received.files[name].read_bytes())
    except OSError as error:
        what = f"cannot be made: {error.strerror or error}"
        raise MachineError.one(what, "nothing was left behind", file=workspace.shown(target)) from error
    return target


def folder_of(workspace: Workspace, received: Received) -> Path:
    """Return where a received card is unpacked or built; raises MachineError when a link or a device lies there."""
    card = received.record["card"]
    home = received_folder(workspace, card["id"], card["version"])
    for path in (home.parent, home, *_below(home)):
        if path.is_symlink() or not (path.is_file() or path.is_dir() or not os.path.lexists(path)):
            what = "is a link or a device, which nothing is written through"
            raise MachineError.one(what, "remove it", file=workspace.shown(path))
    return home


def _below(folder: Path) -> Iterator[Path]:
    """Yield everything below a folder, without following links."""
    for root, folders, names in os.walk(folder):
        yield from (Path(root, name) for name in (*folders, *names))


@contextmanager
def _doubting_numbers() -> Iterator[None]:
    """Turn what numbers of a strange plan lead to into a CheckError: layout and reader trust those of a plan."""
    try:
        yield
    except (CardkilnError, OSError):
        raise
    except Exception as error:  # of any kind, since nothing that computes with a plan expects such numbers
        raise CheckError.one("has numbers that no card has", STRANGE, file="plan.json") from error


def _refuse(problems: Iterable[Problem]) -> None:
    found = list(problems)
    if found:
        raise CheckError(found)


def _signed(folder: Path, files: Mapping[str, Path], signers: Path | None) -> str:
    """Return what is to be said of the signature over the list."""
    if SIGNATURE not in files:
        if signers:
            what = f"is missing; expected the signature of one of {shown(signers)}"
            raise CheckError.one(what, STRANGE, file=SIGNATURE)
        return "not signed: the sums show damage, not who made it"
    check_form(files[SIGNATURE])
    if signers:
        return f"signed by {signer(files[SUMS], files[SIGNATURE], signers)}"
    key = fingerprint(files[SUMS], files[SIGNATURE])
    return f"signed with {key}; compare it with the publisher's by another way, or give --signers FILE"


def _documents(files: Mapping[str, Path], sums: Mapping[str, str], scratch: Path | None) -> dict[str, Path]:
    """Return the documents of a delta, unpacked, once they are those of the checksum list."""
    if PACKED not in files:
        raise CheckError.one("is missing; every delta has its documents there", STRANGE, file=PACKED)
    if scratch is None:
        raise CheckError.one(
            "is a delta; expected a folder with a whole image", "name the image made of it", file=DELTA
        )
    limits = {name: LONGEST_PLAN if name == "plan.json" else LONGEST for name in DOCUMENTS}
    found = unpack_documents(files[PACKED], limits, scratch)
    _refuse(check_sums(found, {name: sums.get(name, "no sum") for name in DOCUMENTS}, ()))
    return found


def _sums(path: Path) -> dict[str, str]:
    """Return the SHA-256 of each name in the checksum list; its paths stay in the folder."""
    try:
        return {name: sha256 for sha256, name in parse_sums(path.read_text(encoding="utf-8"), path.name)}
    except UnicodeDecodeError:
        raise CheckError.one("is not UTF-8 text", STRANGE, file=path.name) from None
    except ManifestError as error:
        raise CheckError(replace(problem, hint=STRANGE) for problem in error.problems) from None


def _document(files: Mapping[str, Path], name: str) -> Mapping[str, Any]:
    try:
        document = json.loads(files[name].read_bytes())
    except KeyError:
        raise CheckError.one("is missing; every published folder has one", STRANGE, file=name) from None
    except (ValueError, RecursionError) as error:
        raise CheckError.one(f"is not a JSON document: {error}", STRANGE, file=name) from None
    except MemoryError:
        raise CheckError.one("holds more than this machine can", STRANGE, file=name) from None
    if not isinstance(document, dict):
        raise CheckError.one("is not a JSON object; expected one", STRANGE, file=name)
    return document


def _form_problems(kind: str, document: Mapping[str, Any]) -> Iterator[Problem]:
    """Yield what is wrong with the form of a document that its schema describes."""
    from jsonschema import Draft202012Validator  # here, since it takes long to import

    for error in islice(Draft202012Validator(schema(kind)).iter_errors(document), MOST_TOLD):
        key = error.json_path.removeprefix("$.").removeprefix("$")
        yield Problem(Place(f"{kind}.json", key=shown(key)), shown(error.message[:200]), STRANGE)


def stays(text: str) -> bool:
    """Whether a path that a received document gives stays where it belongs."""
    try:
        check_path(text)
    except UnfitError:
        return False
    return True


def _wrong_names(record: Mapping[str, Any]) -> Iterator[Problem]:
    """Yield what cannot name a folder on any system: neither is used as it is, nor changed into something else."""
    for key, fits in (("id", is_id), ("version", is_version)):
        text = record["card"][key]
        if not fits(text):
            what = f'found "{shown(text)}", expected what can name a folder'
            yield Problem(Place("record.json", key=f"card.{key}"), what, STRANGE)


def _plan(files: Mapping[str, Path]) -> Plan:
    try:
        with files["plan.json"].open("rb") as file:
            return plan_from_lines(_plan_lines(file))
    except KeyError:
        raise CheckError.one("is missing; every published folder has one", STRANGE, file="plan.json") from None
    except (ValueError, RecursionError) as error:
        raise CheckError.one(f"is not a plan: {shown(error)}", STRANGE, file="plan.json") from None
    except MemoryError:
        raise CheckError.one("holds more than this machine can", STRANGE, file="plan.json") from None


def _plan_lines(file: BinaryIO) -> Iterator[str]:
    """Yield the lines of a plan's text; raises ValueError for one that is longer than any plan's."""
    left = None
    while line := file.readline(LONGEST_LINE if left is None else left + 1):
        if len(line) == LONGEST_LINE or (left is not None and len(line) > left):
            raise ValueError(f"a part of it is longer than {LONGEST_LINE:,} bytes, the limit")
        if left is not None:
            left -= len(line)
        text = line.decode("ascii")
        yield text
        if text == CLOSE_ENTRIES and left is None:
            left = LONGEST_LINE


def _disagreements(files: Mapping[str, Path], sums: Mapping[str, str], record: Mapping[str, Any]) -> Iterator[Problem]:
    """Yield where list, record and statement do not speak of the same image and plan."""
    image = record["image"]
    stated = {
        SUMS: sums.get(image["file"]),
        "provenance.json": _subject(_document(files, "provenance.json"), image["file"]),
    }
    for name, sha256 in stated.items():
        if sha256 != image["sha256"]:
            found = f"found the SHA-256 {shown(sha256)} for {shown(image['file'])}"
            yield Problem(Place(name), f"{found}, expected {image['sha256']}, which the record states", STRANGE)
    if sums.get("plan.json") != record["plan"]["sha256"]:
        yield Problem(Place("plan.json"), "is not the plan that the record names", STRANGE)


def _made_from_record(record: Mapping[str, Any], record_sha256: str) -> dict[str, str]:
    """Return the SHA-256 of each document that this program makes from nothing but the record, by file name."""
    documents = {"provenance.json": statement(record, record_sha256), "materials.cdx.json": materials(record)}
    return {name: hashlib.sha256(as_json(document).encode()).hexdigest() for name, document in documents.items()}


def _subject(statement: Mapping[str, Any], name: str) -> str | None:
    """Return the SHA-256 a statement gives for a name."""
    try:
        return next(str(part["digest"]["sha256"]) for part in statement["subject"] if part["name"] == name)
    except (KeyError, TypeError, StopIteration):
        return None
