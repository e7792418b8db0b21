"""A second build of a card elsewhere, under everything that must not enter its bytes."""

from __future__ import annotations

import hashlib
import json
import os
import shutil
import subprocess
import sys
from collections.abc import Mapping
from pathlib import Path

from pipeline.errors import CheckError
from pipeline.stages.build import unfinished
from pipeline.stages.project import Project

COMPARED = ("card.img", "plan.json", "record.json", "SHA256SUMS")
"""What must be the same in every build; the sheet is made from these alone."""

ODD_FOLDER = "another place, with ümlauts"
CLOCK = "2031-07-06 05:04:03"
ENVIRONMENT = {
    "TZ": "Pacific/Kiritimati",
    "LANG": "tr_TR.UTF-8",
    "LC_ALL": "C",
    "PYTHONHASHSEED": "4242",
    "COLUMNS": "40",
}
"""The second build's; one zone ahead of all others, and a language in which "i" and "I" are no pair."""

DODO = "from pipeline.tasks import *\n"


def refuse_unfinished(project: Project, card_id: str) -> None:
    """Raise CheckError for a card whose build is not what its manifests say: there is nothing to compare with."""
    why = unfinished(project, card_id)
    if why:
        raise CheckError.one(f"{card_id} is not built as declared ({why})", f"run doit record:{card_id} first")


def build_again(project: Project, card_id: str, scratch: Path) -> Path:
    """Return the folder of the card built a second time below ``scratch``; raises CheckError when that build fails."""
    folder = scratch / ODD_FOLDER
    inputs = folder / "inputs"
    folder.mkdir(parents=True)
    _copy(project.inputs, inputs)
    (inputs / "sources.local.toml").unlink(missing_ok=True)
    (inputs / "sources.toml").write_text(_sources(project), encoding="utf-8")
    (folder / "dodo.py").write_text(DODO, encoding="utf-8")
    words = [sys.executable, "-m", "doit", "run", f"record:{card_id}"]
    faketime = shutil.which("faketime")
    done = subprocess.run(
        [faketime, CLOCK, *words] if faketime else words,
        cwd=folder,
        env=_environment(scratch),
        umask=0o077 if os.name == "posix" else -1,
        capture_output=True,
        text=True,
        encoding="utf-8",
        errors="replace",
        check=False,
    )
    if done.returncode:
        raise CheckError.one(f"the second build of {card_id} failed:\n{(done.stderr or done.stdout).rstrip()}")
    return folder / "build" / "cards" / card_id


def differing(project: Project, card_id: str, again: Path) -> Mapping[str, tuple[str, str]]:
    """Return the files that are not the same in both builds, with the SHA-256 of each build's."""
    first = project.card_folder(card_id)
    sums = {name: (_sha256(first / name), _sha256(again / name)) for name in COMPARED}
    return {name: both for name, both in sums.items() if both[0] != both[1]}


def varied() -> tuple[str, ...]:
    """Return what is different in the second build."""
    clock = ("the clock",) if shutil.which("faketime") else ()
    umask = ("umask",) if os.name == "posix" else ()
    return ("folder", "order of files", "home", *umask, "zone", "language", "hash seed", *clock)


def _environment(scratch: Path) -> dict[str, str]:
    """Return the second build's environment: nothing of ours in it, so that nothing is taken from a store either."""
    kept = {name: value for name, value in os.environ.items() if not name.startswith("CARDKILN_")}
    return {**kept, **ENVIRONMENT, "HOME": str(scratch / "nobody"), "PYTHONDONTWRITEBYTECODE": "1"}


def _copy(source: Path, target: Path) -> None:
    """Copy a folder, the last names first, so that its files are made in another order."""
    target.mkdir()
    for path in sorted(source.iterdir(), reverse=True):
        if path.is_dir():
            _copy(path, target / path.name)
        else:
            shutil.copyfile(path, target / path.name)


def _sources(project: Project) -> str:
    """Return a ``sources.toml`` that names the same places, where they are, and the same limits."""
    sources = project.manifest.sources
    places = json.dumps(list(sources.places), ensure_ascii=False)  # a JSON text of this kind is also TOML
    limits = sources.limits
    return (
        f"places = {places}\n[limits]\nentries = {limits.entries}\nmember = {limits.member}\n"
        f"total = {limits.total}\nratio = {limits.ratio}\n"
    )


def _sha256(path: Path) -> str:
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()
