"""Work divided among processes."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path
from typing import NoReturn

import pytest

from pipeline.errors import ChangedError, MachineError, Place, Problem
from pipeline.processes import divided, started
from tests.support.cli import ROOT


def test_results_come_in_the_order_of_the_items_from_several_processes() -> None:
    def work(number: int) -> tuple[int, int]:
        time.sleep(0.02 if number % 3 == 0 else 0)
        return number, os.getpid()

    results = list(divided(3, work, range(12)))
    assert [number for number, _ in results] == list(range(12))
    assert os.getpid() not in {process for _, process in results}


def test_an_item_is_taken_only_when_a_process_is_free_for_it() -> None:
    taken = []

    def items() -> Iterator[int]:
        for number in range(9):
            taken.append(number)
            yield number

    results = divided(2, lambda number: number, items())
    assert next(results) == 0
    assert len(taken) <= 4
    assert [*results] == [1, 2, 3, 4, 5, 6, 7, 8]


@pytest.mark.parametrize("count", [1, 2])
def test_what_the_work_raises_is_raised_here(count: int) -> None:
    problem = Problem(Place("a.toml", key="chips.1"), "changed", "look at it")

    def work(_: int) -> NoReturn:
        raise ChangedError([problem])

    with pytest.raises(ChangedError) as caught:
        list(divided(count, work, [1]))
    assert caught.value.problems == (problem,)


def test_what_the_items_raise_is_raised_when_all_before_have_their_results() -> None:
    def items() -> Iterator[int]:
        yield from range(3)
        raise MachineError.one("lost")

    def slowly(number: int) -> int:
        time.sleep(0.05)
        return number

    results = divided(2, slowly, items())
    assert [next(results) for _ in range(3)] == [0, 1, 2]
    with pytest.raises(MachineError, match="lost"):
        next(results)


@pytest.mark.parametrize("count", [1, 3])
def test_processes_can_be_started_before_there_are_items(count: int) -> None:
    known = ["before"]
    with started(count, lambda number: (number, known[-1])) as results:
        if count > 1:
            known.append("after")
        assert list(results(range(5))) == [(number, "before") for number in range(5)]


def test_a_process_that_is_killed_ends_the_work_with_one_message() -> None:
    def work(number: int) -> int:
        if number == 1:
            os.kill(os.getpid(), signal.SIGKILL)
        return number

    with pytest.raises(MachineError) as caught:
        list(divided(2, work, range(5)))
    assert str(caught.value) == (
        "one of the processes of this run was ended by signal 9\n"
        "  hint: run again; what was finished is kept. Where memory is short, doit -n 1 takes the least"
    )


def test_where_the_machine_gives_no_process_the_work_is_done_here(monkeypatch: pytest.MonkeyPatch) -> None:
    def no_fork() -> NoReturn:
        raise BlockingIOError(11, "Resource temporarily unavailable")

    monkeypatch.setattr(os, "fork", no_fork)
    assert list(divided(2, lambda number: (number, os.getpid()), [1, 2])) == [(1, os.getpid()), (2, os.getpid())]


SCRIPT = """
import os, sys, time
from pathlib import Path
from pipeline.processes import divided

def work(number):
    Path(sys.argv[1], str(os.getpid())).touch()
    time.sleep(60)

list(divided(2, work, [1, 2]))
"""


@pytest.mark.parametrize("signal_sent", [signal.SIGKILL, signal.SIGINT])
def test_processes_end_with_the_one_that_started_them(tmp_path: Path, signal_sent: int) -> None:
    with subprocess.Popen([sys.executable, "-c", SCRIPT, tmp_path], cwd=ROOT, stderr=subprocess.DEVNULL) as main:
        _wait_until(lambda: len(list(tmp_path.iterdir())) == 2)
        main.send_signal(signal_sent)
    _wait_until(lambda: not any(_is_alive(int(path.name)) for path in tmp_path.iterdir()))


def _is_alive(process: int) -> bool:
    try:
        return Path(f"/proc/{process}/stat").read_text().rpartition(")")[2].split()[0] != "Z"
    except FileNotFoundError:
        return False


def _wait_until(holds: object) -> None:
    end = time.monotonic() + 20
    while not holds():  # type: ignore[operator]
        assert time.monotonic() < end
        time.sleep(0.01)


CTRL_C_AT_A_FORK = """
import os, signal
from pipeline.processes import divided
os.register_at_fork(after_in_parent=lambda: os.kill(os.getpid(), signal.SIGINT))
try:
    print(*divided(2, str, [1, 2]))
except KeyboardInterrupt:
    print("interrupted")
"""


def test_ctrl_c_while_a_process_starts_is_not_lost() -> None:
    done = subprocess.run([sys.executable, "-c", CTRL_C_AT_A_FORK], capture_output=True, text=True, check=False)
    assert (done.returncode, done.stdout, done.stderr) == (0, "interrupted\n", "")
