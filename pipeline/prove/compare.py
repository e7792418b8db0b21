"""A second build of a card elsewhere, under everything that must not enter its bytes."""

from __future__ import annotations

import json
import os
import shutil
import signal
import subprocess
import sys
from collections.abc import Collection, Iterator, Mapping
from contextlib import suppress
from dataclasses import replace
from pathlib import Path

from pipeline.build.inputs import Inputs
from pipeline.errors import CheckError, MachineError, Place, Problem
from pipeline.file_digest import sha256_of_file
from pipeline.prove import environment_variations
from pipeline.prove.proof_inputs import lay_down

COMPARED = ("card.img", "plan.json", "record.json", "SHA256SUMS")
"""What must be the same in every build; the sheet is made from these alone."""

PLACE = "another place, with ümlauts"

Sums = Mapping[str, str]
"""The SHA-256 of each file that is compared, by name."""


def build_again(inputs: Inputs, card_id: str, scratch: Path, varied: Collection[str]) -> Path:
    """Return the folder of the card built once more below ``scratch``, which is emptied before.

    ``varied``: the conditions that are others. Raises CheckError when that build fails, MachineError for the machine.
    """
    folder = scratch / PLACE
    shutil.rmtree(folder, ignore_errors=True)
    (folder / "cwd").mkdir(parents=True)
    backwards = "order of files" in varied
    copied, build = folder / "inputs", folder / "build"
    lay_down(inputs, card_id, copied, swapped="form of sources" in varied, backwards=backwards)
    job = {
        "inputs": str(copied),
        "build": str(build),
        "card": card_id,
        "backwards": backwards,
        "workers": environment_variations.workers(varied),
    }
    words = [sys.executable, "-m", "pipeline.prove.proof_worker", json.dumps(job)]
    with subprocess.Popen(
        environment_variations.clock(words, varied),
        cwd=folder / "cwd",
        env=environment_variations.environment(varied),
        umask=environment_variations.umask(varied),
        stdout=subprocess.PIPE,
        encoding="utf-8",
        process_group=0 if os.name == "posix" else None,  # Ctrl-C is for this process, which ends that one
    ) as process:
        try:
            output, _ = process.communicate()
        except BaseException:
            _kill(process)
            raise
    if process.returncode:
        kind = MachineError if process.returncode == MachineError.exit_code else CheckError
        raise kind(_problems(output, card_id, {str(copied): inputs.workspace.shown(inputs.workspace.inputs)}))
    return build / "cards" / card_id


def _kill(process: subprocess.Popen[str]) -> None:
    """End a process with those it started, and wait for it."""
    if sys.platform != "win32":
        with suppress(ProcessLookupError):
            os.killpg(process.pid, signal.SIGKILL)
    process.kill()
    process.wait()


def sums(folder: Path) -> Sums:
    """Return the SHA-256 of what is compared of a card."""
    return {name: sha256_of_file(folder / name) for name in COMPARED}


def reasons(inputs: Inputs, card_id: str, scratch: Path) -> tuple[str, ...]:
    """Return which conditions make a difference, each tried alone; none where it takes several at once.

    Two builds under the same conditions come first: where they differ, it is the moment or chance, and nothing else
    can be told.
    """

    def outcome(*varied: str) -> Sums | None:
        try:
            return sums(build_again(inputs, card_id, scratch, varied))
        except CheckError:
            return None

    same = outcome()
    if same != outcome():
        return ("time or randomness",)
    found = () if same == sums(inputs.workspace.card_folder(card_id)) else ("folder",)
    return (*found, *(name for name in environment_variations.conditions() if outcome(name) != same))


def first_line(name: str, first: Path, second: Path) -> Iterator[str]:
    """Yield the first line in which two text files differ, from shortly before where it does."""
    pairs = zip(*((path / name).read_text(encoding="utf-8").splitlines() for path in (first, second)), strict=False)
    for number, (old_line, new_line) in enumerate(pairs, 1):
        if old_line != new_line:
            at = next(
                (i for i, two in enumerate(zip(old_line, new_line, strict=False)) if two[0] != two[1]), len(old_line)
            )
            start = max(at - 40, 0)
            before, after = (f"...{line[start : at + 40]}..." for line in (old_line, new_line))
            yield f"  {name}, line {number}: {before}, in the second build {after}"
            return


def _problems(output: str, card_id: str, places: Mapping[str, str]) -> Iterator[Problem]:
    """Yield what a second build says of why it failed, told of the inputs that it is a copy of."""
    try:
        problems = [
            Problem(**{**fields, "place": Place(**fields["place"]), "also": (), "details": tuple(fields["details"])})
            for fields in json.loads(output)
        ]
    except ValueError:
        problems = [Problem(Place(), "it was terminated; see above")]
    for problem in problems:
        file = problem.place.file
        for place, shown in places.items():
            file = file.replace(place, shown)
        what = f"the second build of {card_id} failed: {problem.what}"
        yield replace(problem, place=replace(problem.place, file=file), what=what)
