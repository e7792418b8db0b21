"""Work divided among processes, where the machine lets us; whoever divides it gets the results in order."""

from __future__ import annotations

import ctypes
import multiprocessing
import os
import signal
import sys
import time
from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager, suppress
from functools import partial
from multiprocessing.connection import Connection, wait
from multiprocessing.process import BaseProcess
from threading import Thread
from typing import Generic, TypeVar, cast

from pipeline.errors import CardkilnError, MachineError

Item = TypeVar("Item")
Result = TypeVar("Result")

PR_SET_PDEATHSIG = 1
"""Source: Linux, include/uapi/linux/prctl.h; prctl(2)."""

POLL = 0.05
"""Seconds between two looks at the process that started this one, where the system does not tell of its end."""


def processors() -> int:
    """Return how many processors this process may use; 1 where work cannot be divided."""
    if sys.platform == "win32" or sys.platform == "darwin":  # no fork, or libraries of the system do not survive it
        return 1
    return len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1


def divided(count: int, work: Callable[[Item], Result], items: Iterable[Item]) -> Iterator[Result]:
    """Yield what ``work`` gives for each item, in the order of the items, from up to ``count`` processes.

    Each process knows all that is known here when the first result is asked for; items and results travel, so they
    must be such as can be pickled. An item is taken when a process is free for it. With ``count`` 1 the work is done
    here. What the work raises is raised here; MachineError where a process was ended by something else. The
    processes end with the iterator and with this process, however that ends, and leave Ctrl-C to it.
    """
    if count < 2:
        yield from map(work, items)
        return
    team = _Team(count, work)
    try:
        yield from team.results(items)
    finally:
        team.end()


@contextmanager
def started(count: int, work: Callable[[Item], Result]) -> Iterator[Callable[[Iterable[Item]], Iterator[Result]]]:
    """Give what yields the result of each item, as ``divided`` does, by processes that are started now.

    So they are there before this process has threads, without which it cannot be forked safely.
    """
    if count < 2:
        yield partial(map, work)
        return
    team = _Team(count, work)
    try:
        team.start()
        yield team.results
    finally:
        team.end()


@contextmanager
def ctrl_c_held_back() -> Iterator[None]:
    """Have Ctrl-C wait while processes, threads or libraries start: Python loses it in what runs after a fork.

    What is started inside never sees it: threads and processes inherit which signals are blocked (pthread_sigmask(3),
    execve(2)).
    """
    if sys.platform == "win32":
        yield
        return
    before = signal.pthread_sigmask(signal.SIG_BLOCK, {signal.SIGINT})
    try:
        yield
    finally:
        signal.pthread_sigmask(signal.SIG_SETMASK, before)


class _Team(Generic[Item, Result]):
    """Processes that wait for items; each has a pipe to here."""

    def __init__(self, count: int, work: Callable[[Item], Result]) -> None:
        self._count, self._work = count, work
        self._processes: dict[Connection, BaseProcess] = {}
        self._free: list[Connection] = []

    def start(self) -> None:
        """Start all processes, or as many as the machine gives."""
        started = [self._started() for _ in range(self._count)]
        self._free = [connection for connection in started if connection]

    def results(self, items: Iterable[Item]) -> Iterator[Result]:
        """Yield the result of each item; what the items raise is raised when all before have theirs."""
        numbered, busy = enumerate(items), set[Connection]()
        finished: dict[int, Result] = {}
        due, at_end, failure = 0, False, None
        while not at_end or busy:
            while not at_end and len(busy) < self._count:
                try:
                    item = next(numbered, None)
                except CardkilnError as error:
                    item, failure = None, error
                at_end = item is None
                if item is None:
                    break
                connection = self._free.pop() if self._free else self._started()
                if connection is None:  # the machine gives no further process
                    finished[item[0]] = self._work(item[1])
                    break
                connection.send(item)
                busy.add(connection)
            for connection in cast("list[Connection]", wait(list(busy)) if busy else []):
                number, result = self._received(connection)
                finished[number] = result
                busy.remove(connection)
                self._free.append(connection)
            while due in finished:
                yield finished.pop(due)
                due += 1
        if failure:
            raise failure

    def end(self) -> None:
        for connection, process in self._processes.items():
            process.kill()
            process.join()
            connection.close()

    def _started(self) -> Connection | None:
        if sys.platform == "win32":
            return None
        context = multiprocessing.get_context("fork")
        ours, theirs = context.Pipe()
        for stream in (sys.stdout, sys.stderr):
            stream.flush()
        process = context.Process(target=_serve, args=(theirs, self._work, os.getpid()), daemon=True)
        with ctrl_c_held_back():
            try:
                process.start()
            except OSError:
                ours.close()
                return None
            finally:
                theirs.close()
            self._processes[ours] = process
        return ours

    def _received(self, connection: Connection) -> tuple[int, Result]:
        answer: tuple[int, Result, Exception | None]
        try:
            answer = connection.recv()
        except (EOFError, ConnectionError):
            process = self._processes[connection]
            process.join()
            code = process.exitcode or 0
            how = f"by signal {-code}" if code < 0 else f"with exit code {code}"
            what = f"one of the processes of this run was ended {how}"
            hint = "run again; what was finished is kept. Where memory is short, doit -n 1 takes the least"
            raise MachineError.one(what, hint) from None
        number, result, error = answer
        if error is not None:
            raise error
        return number, result


def _serve(connection: Connection, work: Callable[[Item], Result], parent: int) -> None:
    """Do the work for each item that arrives."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    _end_with(parent)
    with suppress(EOFError, ConnectionError):
        while True:
            number, item = connection.recv()
            try:
                answer: tuple[int, Result | None, Exception | None] = number, work(item), None
            except (CardkilnError, OSError) as error:
                answer = number, None, error
            connection.send(answer)


def _end_with(parent: int) -> None:
    """Have this process killed when the one that started it ends; what it was writing lies under a temporary name."""
    if sys.platform == "linux":
        ctypes.CDLL(None).prctl(PR_SET_PDEATHSIG, signal.SIGKILL)
    else:
        Thread(target=_watch, args=(parent,), daemon=True).start()
    if os.getppid() != parent:  # it ended before that
        os._exit(1)


def _watch(parent: int) -> None:
    while os.getppid() == parent:
        time.sleep(POLL)
    os._exit(1)
