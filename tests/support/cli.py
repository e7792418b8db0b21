"""Running doit as a person does, in a folder of the test's own."""

from __future__ import annotations

import contextlib
import hashlib
import io
import os
import re
import shutil
import subprocess
import sys
import tempfile
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from importlib import import_module
from pathlib import Path
from unittest import mock

from pipeline.commands.base import OwnCommand

ROOT = Path(__file__).parents[2]
DEMO = ROOT / "inputs"

COMMANDS: dict[str, type[OwnCommand]] = {
    name: getattr(import_module(place.partition(":")[0]), place.partition(":")[2])
    for name, place in tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]["entry-points"][
        "doit.COMMAND"
    ].items()
    if name != "run"
}
"""Every command of our own, by the name it is installed under."""

BYTECODE = {
    "PYTHONDONTWRITEBYTECODE": "",
    "PYTHONPYCACHEPREFIX": str(Path(tempfile.gettempdir()) / "cardkiln-bytecode"),
}
"""Lets many short runs share compiled code, outside the working tree."""

PROGRESS = re.compile(r"^(?:look|write|read back|check|verify|pack|unpack)(?: [\w.-]+)?: \d+ %\n", re.MULTILINE)
"""What is said in between on a slow machine."""


@dataclass(frozen=True, slots=True)
class Ran:
    """What a command came to; ``err`` without lines of progress, which depend on the machine."""

    code: int
    out: str
    err: str


def command(folder: Path, *arguments: str) -> list[str]:
    """Return the command line of doit with our tasks, working in ``folder``."""
    return [sys.executable, "-m", "doit", "run", "-f", str(ROOT / "dodo.py"), "-d", str(folder), *arguments]


def doit(folder: Path, *arguments: str, **environment: str) -> Ran:
    """Run doit's tasks in ``folder`` and return what it said."""
    return call(folder, command(folder, *arguments), **environment)


def own_command(folder: Path, *arguments: str, **environment: str) -> Ran:
    """Run a command of our own, such as ``pin``, in ``folder``, which needs no dodo.py."""
    return call(folder, [sys.executable, "-m", "doit", *arguments], **environment)


def within(folder: Path, kind: type[OwnCommand], *arguments: str, **environment: str) -> Ran:
    """Run a command of our own as ``own_command`` does, but in this process: quicker, where the process says nothing.

    An exception that ``doit`` would print as a traceback fails the test.
    """
    out, err = io.StringIO(), io.StringIO()
    with (
        contextlib.chdir(folder),
        mock.patch.dict(os.environ, environment),
        contextlib.redirect_stdout(out),
        contextlib.redirect_stderr(err),
    ):
        code = kind().parse_execute(list(arguments))
    return Ran(code, out.getvalue(), PROGRESS.sub("", err.getvalue()))


def call(folder: Path, words: list[str], **environment: str) -> Ran:
    """Run a command line in ``folder`` and return what it said."""
    done = subprocess.run(
        words,
        env={**os.environ, **BYTECODE, **environment},
        cwd=folder,
        capture_output=True,
        text=True,
        encoding="utf-8",
        check=False,
    )
    return Ran(done.returncode, done.stdout, PROGRESS.sub("", done.stderr))


def demo_copy(folder: Path) -> Path:
    """Return ``folder`` with a copy of the demo's inputs in it."""
    shutil.copytree(DEMO, folder / "inputs", ignore=shutil.ignore_patterns("*.local.toml"))
    return folder


def write_tree(folder: Path, files: Mapping[str, str | bytes]) -> None:
    """Write files, given by relative path, below ``folder``."""
    for name, data in files.items():
        path = folder / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(data.encode() if isinstance(data, str) else data)


def times(folder: Path) -> dict[Path, tuple[int, int]]:
    """Return every file that was made, with size and time of change.

    Lock, index of sources and the snapshot that all is up to date are only state.
    """
    files = [path for path in folder.rglob("*") if path.is_file()]
    kept = [path for path in files if path.name not in ("lock", "current.json") and "index.sqlite" not in path.name]
    return {path: (path.stat().st_size, path.stat().st_mtime_ns) for path in kept}


def sha256(path: Path) -> str:
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


def digests(folder: Path, pattern: str = "**/*") -> dict[str, str]:
    """Return the SHA-256 of every file below ``folder`` that fits the pattern, by relative path."""
    return {
        path.relative_to(folder).as_posix(): sha256(path) for path in sorted(folder.glob(pattern)) if path.is_file()
    }
