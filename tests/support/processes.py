"""Runs of doit in which one call fails, each in a process of its own, forked from one that has imported everything.

``python -m tests.support.processes`` answers each line of its input, a run as JSON, with a line of output.
"""

from __future__ import annotations

import importlib
import json
import os
import pkgutil
import subprocess
import sys
import tempfile
import traceback
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any, NoReturn

import pytest
from doit.doit_cmd import DoitMain

import pipeline
from tests.support.cli import BYTECODE, ROOT
from tests.support.fault_injection import Layer, install

STREAMS = {"out": 1, "err": 2}


@dataclass(frozen=True, slots=True)
class Failed:
    """What a run came to. ``calls``: what it did to the disk, (what, path or (from, to)) of each."""

    code: int
    out: str
    err: str
    calls: list[tuple[str, str]]


class Runs:
    """Gives runs to the process that forks, and takes what they came to."""

    def __init__(self, server: subprocess.Popen[str]) -> None:
        self._server = server

    def __call__(self, folder: Path, fault: str = "full disk", fail_at: int = 0) -> Failed:
        """Run ``doit`` in a folder; the ``fail_at``-th call that changes the disk fails, none for 0."""
        assert self._server.stdin is not None
        assert self._server.stdout is not None
        self._server.stdin.write(json.dumps({"folder": str(folder), "fault": fault, "fail_at": fail_at}) + "\n")
        self._server.stdin.flush()
        answer = json.loads(self._server.stdout.readline())
        return Failed(answer["code"], answer["out"], answer["err"], [(what, path) for what, path in answer["calls"]])


@contextmanager
def forked_runs() -> Iterator[Runs]:
    """Give ``Runs`` while the process that forks is there."""
    words = [sys.executable, "-m", "tests.support.processes"]
    environment = {**os.environ, **BYTECODE}
    with subprocess.Popen(
        words, cwd=ROOT, env=environment, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True, encoding="utf-8"
    ) as server:
        yield Runs(server)
        assert server.stdin is not None
        server.stdin.close()


def _serve() -> None:
    for module in pkgutil.walk_packages(pipeline.__path__, "pipeline."):
        if module.name.split(".")[1] in (
            "build",
            "card",
            "engine",
            "explain",
            "image",
            "record",
            "sheet",
            "sources",
            "workspace",
        ):
            importlib.import_module(module.name)
    for line in sys.stdin:
        with tempfile.TemporaryDirectory() as kept:
            child = os.fork()
            if child == 0:
                _run(json.loads(line), Path(kept))
            code = os.waitstatus_to_exitcode(os.waitpid(child, 0)[1])
            said = {name: (Path(kept) / name).read_text(encoding="utf-8") for name in STREAMS}
            calls = json.loads((Path(kept) / "calls").read_bytes())
        print(json.dumps({"code": code, **said, "calls": calls}), flush=True)


def _run(job: dict[str, Any], kept: Path) -> NoReturn:
    for name, descriptor in STREAMS.items():
        os.dup2(os.open(kept / name, os.O_WRONLY | os.O_CREAT), descriptor)
    os.chdir(job["folder"])
    layer, code = Layer(job["fault"], fail_at=job["fail_at"]), 70
    try:
        with pytest.MonkeyPatch.context() as patch:
            install(layer, patch)
            code = DoitMain().run(["run", "-f", str(ROOT / "dodo.py"), "-d", job["folder"]])
    except BaseException:
        traceback.print_exc()
    (kept / "calls").write_text(json.dumps(layer.calls), encoding="utf-8")
    sys.stdout.flush()
    sys.stderr.flush()
    os._exit(code)


if __name__ == "__main__":
    _serve()
