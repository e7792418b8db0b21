"""A second build of a card, in a process of its own: ``python -m pipeline.prove.proof_worker JOB``.

JOB is a JSON object: ``inputs`` and ``build`` (folders), ``card`` (its id), ``backwards`` (whether the system lists
files in the other order) and ``workers`` (how many processors it is told to have). Problems are printed as JSON.
"""

from __future__ import annotations

import json
import os
import sys
from collections.abc import Iterator
from dataclasses import asdict
from pathlib import Path
from typing import Any, Self

LISTDIR, SCANDIR = os.listdir, os.scandir


class _Backwards:
    """What ``os.scandir`` gives, the last entry first."""

    def __init__(self, path: Any = ".") -> None:
        with SCANDIR(path) as entries:
            self._entries = reversed(list(entries))

    def __iter__(self) -> Iterator[os.DirEntry[str]]:
        return self._entries

    def __next__(self) -> os.DirEntry[str]:
        return next(self._entries)

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def close(self) -> None:
        """Nothing is open any more."""


def main(job: dict[str, Any]) -> int:
    """Build, and return the exit code of what went wrong, 0 for nothing."""
    if job["backwards"]:  # any order is one that a file system may give; most give one of their own
        os.listdir = lambda path=".": LISTDIR(path)[::-1]  # type: ignore[assignment]  # of bytes it is not asked
        os.scandir = _Backwards  # type: ignore[assignment]  # as much of it as anybody uses
    os.cpu_count = lambda: int(job["workers"])

    # only now, as the number of workers is settled when these are imported
    from pipeline.build.build import Build
    from pipeline.build.flow import build_card
    from pipeline.build.inputs import Inputs
    from pipeline.errors import CardkilnError, MachineError, system_problem
    from pipeline.workspace.workspace import Workspace

    workspace = Workspace(Path(job["inputs"]), Path(job["build"]), Path.cwd())
    try:
        inputs = Inputs(workspace, epoch=os.environ.get("SOURCE_DATE_EPOCH"))
        build_card(Build(inputs.unpinned()), job["card"], lambda line: None)
    except CardkilnError as error:
        code, problems = error.exit_code, error.problems
    except OSError as error:
        code = MachineError.exit_code
        problems = (system_problem(error),)
    else:
        return 0
    sys.stdout.write(json.dumps([asdict(problem) for problem in workspace.located(problems)]))
    return code


if __name__ == "__main__":
    sys.exit(main(json.loads(sys.argv[1])))
