"""A folder of one's own: all that it holds at the start, written as a whole or not at all."""

from __future__ import annotations

import hashlib
import shutil
from collections.abc import Iterator, Mapping
from contextlib import suppress
from pathlib import Path

from pipeline.errors import MachineError, ManifestError
from pipeline.manifest.schema.copies import schemas
from pipeline.resources import CI_SCRIPT, PACKAGE, VERSION
from pipeline.workspace.atomic_write import write_if_changed

TEMPLATES = PACKAGE / "drafts" / "folder"

DODO = '"""The tasks of Cardkiln; ``doit list`` shows them."""\n\nfrom pipeline.tasks import *  # noqa: F403\n'
GIT_IGNORE = "/build/\n/dist/\n/inputs/sources.local.toml\n/.venv/\n__pycache__/\n"
GIT_ATTRIBUTES = "# contents are known by their hash: no line ending may change on the way\n/inputs/files/** -text\n"


def stand_in(text: str, size: int) -> bytes:
    """Return bytes that stand for a file of one's own and can be read as what they are: a line, repeated."""
    line = f"{text}\n".encode()
    return (line * (size // len(line) + 1))[:size]


STAND_INS = {
    "bitstream": stand_in("This stands for a bitstream. No FPGA can load it.", 4096),
    "u1": stand_in("This stands for the dump of chip u1.", 1024),
    "u2": stand_in("This stands for the dump of chip u2.", 1024),
}


def new_folder() -> dict[str, bytes]:
    """Return every file of a new folder by its path with "/", dodo.py last."""
    files = {
        ".ci/card": CI_SCRIPT.read_bytes(),
        ".gitattributes": GIT_ATTRIBUTES.encode(),
        ".gitignore": GIT_IGNORE.encode(),
        "requirements.txt": VERSION.replace(" ", "[store]==").encode() + b"\n",
    }
    files |= {f"inputs/files/example/{name}.bin": data for name, data in STAND_INS.items()}
    files |= {f"schemas/{name}": data for name, data in schemas().items()}
    return files | dict(_templates()) | {"dodo.py": DODO.encode()}


def _templates() -> Iterator[tuple[str, bytes]]:
    for path in sorted(path for path in TEMPLATES.rglob("*") if path.is_file()):
        text = path.read_text(encoding="utf-8")
        for name, data in STAND_INS.items():
            text = text.replace(f"@{name}@", hashlib.sha256(data).hexdigest())
        yield path.relative_to(TEMPLATES).as_posix(), text.encode()


def start(folder: Path, shown: str) -> tuple[str, ...]:
    """Make a folder that builds at once, and return the paths of its files.

    ``shown``: the folder as messages name it. Raises ManifestError when it holds something already or cannot be a
    folder, and MachineError when it cannot be written; then nothing of it is left.
    """
    if not folder.parent.is_dir():
        raise ManifestError.one("the folder above it does not exist", "make that folder first", file=shown)
    try:
        is_there = _is_empty_folder(folder, shown)
        files = new_folder()
        if is_there:
            _fill(folder, files)
        else:
            part = folder.with_name(folder.name + ".part")
            part.mkdir()
            try:
                _fill(part, files)
                part.rename(folder)
            except BaseException:
                shutil.rmtree(part, ignore_errors=True)
                raise
    except FileExistsError as error:
        what = f"cannot be made, since {Path(error.filename).name} exists already"
        raise MachineError.one(what, "an interrupted start left it: remove it", file=shown) from error
    except OSError as error:
        hint = "make room on the disk, check the permissions, or choose another folder"
        raise MachineError.one(f"cannot be made: {error.strerror or error}", hint, file=shown) from error
    return tuple(sorted(files))


def _is_empty_folder(folder: Path, shown: str) -> bool:
    """Whether an empty folder is there; raises ManifestError when there is anything else."""
    if folder.is_dir():
        names = sorted(path.name for path in folder.iterdir())
        if names:
            what = f"holds {names[0]}{f' and {len(names) - 1} more' if names[1:] else ''}; expected an empty folder"
            raise ManifestError.one(what, "nothing is written over: choose a folder that does not exist", file=shown)
        return True
    if folder.exists() or folder.is_symlink():
        raise ManifestError.one("is not a folder", "choose a name that does not exist", file=shown)
    return False


def _fill(folder: Path, files: Mapping[str, bytes]) -> None:
    """Write files into an empty folder; when that fails it is empty again."""
    try:
        for name, data in files.items():
            path = folder / name
            path.parent.mkdir(parents=True, exist_ok=True)
            path.write_bytes(data)
        with suppress(OSError):  # a file system that keeps no permissions; "sh .ci/card" runs it all the same
            (folder / ".ci" / "card").chmod(0o755)
    except BaseException:
        for path in folder.iterdir():
            shutil.rmtree(path, ignore_errors=True) if path.is_dir() else path.unlink(missing_ok=True)
        raise


def renew_schemas(folder: Path, shown: str) -> tuple[str, ...]:
    """Write the program's schemas over those in ``folder/schemas``; return the names of those that were others.

    Raises ManifestError when there is no such folder.
    """
    target = folder / "schemas"
    if not target.is_dir():
        raise ManifestError.one("has no folder schemas", "name the folder that has dodo.py in it", file=shown)
    return tuple(name for name, data in schemas().items() if write_if_changed(target / name, data))
