"""``doit cluster``: cards are built by the workers of a Dask cluster, of which one may be lost at any moment."""

from __future__ import annotations

import asyncio
import json
import os
import random
import shutil
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path

import pytest
from distributed.core import rpc

from tests.support import small
from tests.support.cli import BYTECODE, ROOT, demo_copy, digests, doit, own_command

MADE = 20

LONG = 1200
"""Seconds after which a run is taken to have come to a standstill; not how long one may take."""


@dataclass(slots=True)
class Processes:
    """A scheduler at an address, and its workers."""

    address: str
    scheduler: subprocess.Popen[bytes]
    workers: list[subprocess.Popen[bytes]]


def until(look: Callable[[], str]) -> str:
    """Return what is there to be read sooner or later."""
    deadline = time.monotonic() + LONG
    while True:
        try:
            return look()
        except (OSError, ValueError):
            if time.monotonic() > deadline:
                raise
        time.sleep(0.05)


async def ready(address: str, workers: int) -> None:
    """Wait until a scheduler has so many workers."""
    async with asyncio.timeout(LONG), rpc(address) as scheduler:
        while len((await scheduler.identity(n_workers=-1))["workers"]) < workers:
            await asyncio.sleep(0.05)


def ends_well(run: subprocess.Popen[str]) -> None:
    """Wait for the end of a run; where it stands still, fail with where that is."""
    try:
        out, err = run.communicate(timeout=LONG)
    except subprocess.TimeoutExpired:
        run.send_signal(signal.SIGABRT)  # it tells what each thread does
        out, err = run.communicate()
    assert run.returncode == 0, out + err


@contextmanager
def cluster(folder: Path, workers: int = 3) -> Iterator[Processes]:
    """Give a cluster of processes of its own, all of which are ready."""
    known, environment = folder / "scheduler.json", {**os.environ, **BYTECODE}

    def start(*words: str) -> subprocess.Popen[bytes]:
        command = [sys.executable, "-m", "dask", *words, "--scheduler-file", str(known), "--no-dashboard"]
        return subprocess.Popen(command, env=environment, cwd=folder, stderr=subprocess.DEVNULL)

    folder.mkdir(parents=True)
    running = [start("scheduler", "--host", "127.0.0.1", "--port", "0")]
    try:
        address = until(lambda: json.loads(known.read_text("utf-8"))["address"])  # Dask does not write it at one stroke
        running += [
            start("worker", "--no-nanny", "--nthreads", "1", "--local-directory", str(folder / f"worker-{number}"))
            for number in range(workers)
        ]
        asyncio.run(ready(address, workers))
        yield Processes(address, running[0], running[1:])
    finally:
        for process in running:
            with suppress(ProcessLookupError):
                process.kill()
            process.wait()


def many_cards(folder: Path, count: int = MADE) -> Path:
    """Return ``folder`` with a project of so many cards and one more, each with a title of its own."""
    files: dict[str, str | bytes] = {}
    for number in range(count):
        chip = number.to_bytes(2, "little") + small.CHIP_A[2:]
        title = small.TITLE.replace(small.sha(small.CHIP_A), small.sha(chip)).replace("SNAIL", f"SNAIL{number}")
        title = title.replace(small.sha(small.ROM), small.sha(chip + small.CHIP_B))
        files[f"inputs/files/attic/chip-{number}.bin"] = chip
        files[f"inputs/titles/title-{number}.toml"] = title
        files[f"inputs/cards/card-{number:02}.toml"] = small.CARD.replace("snail-race", f"title-{number}")
    return small.small_project(folder, files)


def built(folder: Path) -> dict[str, str]:
    return digests(folder / "build/cards")


def test_the_cards_are_those_of_a_build_on_one_machine_and_nothing_is_left_to_do(tmp_path: Path) -> None:
    """Without an address: a cluster of this machine."""
    here, there = demo_copy(tmp_path / "here"), demo_copy(tmp_path / "there")
    assert doit(here).code == 0
    ran = own_command(there, "cluster")
    assert (ran.code, ran.err) == (0, "")
    assert sorted(line.split(":")[0] for line in ran.out.splitlines() if line.startswith("card ")) == [
        "card    arcade-evening", "card    console-corner", "card    quillon-desk",
    ]  # fmt: skip
    assert built(there) == built(here)
    assert not (there / "build/cluster").exists()
    second = own_command(there, "cluster", "--json")
    assert (second.code, second.err) == (0, "")
    assert {card["line"] for card in json.loads(second.out)["cards"].values()} == {"up to date"}
    assert "up to date (" in doit(there).out


@pytest.mark.parametrize("seed", [0, *(pytest.param(seed, marks=pytest.mark.long) for seed in range(1, 30))])
def test_a_worker_that_is_killed_costs_time_only(seed: int, tmp_path: Path) -> None:
    here, there = many_cards(tmp_path / "here"), many_cards(tmp_path / "there")
    demo_here, demo_there = demo_copy(tmp_path / "demo-here"), demo_copy(tmp_path / "demo-there")
    assert doit(here).code == doit(demo_here).code == 0
    chance = random.Random(seed)
    with cluster(tmp_path / "cluster") as processes:
        command = [sys.executable, "-m", "doit", "cluster", processes.address]
        environment = {**os.environ, "PYTHONFAULTHANDLER": "1"}
        runs = [subprocess.Popen(command, cwd=folder, env=environment, stdout=subprocess.PIPE, stderr=subprocess.PIPE,
                                 text=True) for folder in (there, demo_there)]  # fmt: skip
        time.sleep(chance.uniform(1, 8))
        processes.workers[chance.randrange(3)].kill()
        for run in runs:
            ends_well(run)
    assert built(there) == built(here)
    assert built(demo_there) == built(demo_here)


def test_a_lost_scheduler_ends_the_run_with_messages_and_what_is_built_is_kept(tmp_path: Path) -> None:
    folder = many_cards(tmp_path / "project")
    with cluster(tmp_path / "cluster", workers=1) as processes:
        command = [sys.executable, "-m", "doit", "cluster", processes.address]
        with subprocess.Popen(command, cwd=folder, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True) as run:
            assert run.stdout is not None
            assert run.stderr is not None
            lines = [next(run.stdout) for _ in range(4)]  # check, cluster, two cards
            processes.scheduler.send_signal(signal.SIGKILL)
            out, err = run.stdout.read(), run.stderr.read()  # communicate() would lose lines that came with the fourth
    assert run.returncode == 3, out + err
    assert err == f"{processes.address}: the scheduler was lost\n  hint: run again: what is built is kept\n"
    done = [line.split()[1].rstrip(":") for line in [*lines, *out.splitlines()] if line.startswith("card ")]
    assert sorted(path.parent.name for path in folder.glob("build/cards/*/sheet.html")) == sorted(done)
    assert not (folder / "build/cluster").exists()
    assert doit(folder).code == 0


@pytest.mark.skipif(os.name != "posix", reason="process groups are POSIX's")
@pytest.mark.parametrize("seen", [1, 2, 3], ids=["while the cluster starts", "while cards are built", "after a card"])
def test_ctrl_c_is_one_line_and_what_is_built_is_kept(seen: int, tmp_path: Path) -> None:
    """It reaches all processes of a terminal, as it does where a person presses it."""
    folder = many_cards(tmp_path / "project")
    with subprocess.Popen(
        [sys.executable, "-m", "pipeline.engine.main", "cluster"],
        cwd=folder, env={**os.environ, "PYTHONPATH": str(ROOT)}, start_new_session=True,
        stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True,
    ) as run:  # fmt: skip
        assert run.stdout is not None
        assert run.stderr is not None
        lines = [next(run.stdout) for _ in range(seen)]  # check, cluster, a card
        os.killpg(run.pid, signal.SIGINT)
        lines += run.stdout
        assert (run.wait(), run.stderr.read()) == (130, "interrupted\n")
    done = [line.split()[1].rstrip(":") for line in lines if line.startswith("card ")]
    assert {*done} <= {path.parent.name for path in folder.glob("build/cards/*/sheet.html")}
    assert not (folder / "build/cluster").exists()
    assert doit(folder).code == 0


def test_no_scheduler_and_no_cluster_are_one_message(tmp_path: Path) -> None:
    folder = small.small_project(tmp_path)
    ran = own_command(folder, "cluster", "tcp://nonsense")
    assert ran.code == 3
    assert ran.err.startswith("tcp://nonsense: no scheduler answers: ")
    assert own_command(folder, "cluster", "no-such-card").err == (
        'found "no-such-card", expected the id of a card\n'
        "  hint: the ids are the names of the files in inputs/cards\n"
    )  # fmt: skip
    assert not (folder / "build/cards").exists()


def test_workers_with_another_program_are_refused_before_anything_travels(tmp_path: Path) -> None:
    """One worker has a copy of the program with a comment more."""
    folder = small.small_project(tmp_path / "project")
    package = shutil.copytree(Path(__file__).parents[2] / "pipeline", tmp_path / "another/pipeline")
    for name in ("schemas", ".ci"):
        shutil.copytree(Path(__file__).parents[2] / name, tmp_path / "another" / name)
    with (package / "errors.py").open("a", encoding="utf-8") as file:
        file.write("# another\n")
    with cluster(tmp_path / "cluster", workers=1) as processes:
        ran = own_command(folder, "cluster", processes.address, PYTHONPATH=str(tmp_path / "another"))
    assert ran.code == 3
    assert "the worker has cardkiln" in ran.err
    assert "with other files" in ran.err
    assert not (folder / "build/cards").exists()
