"""Progress of long work: a bar on a terminal, a line each tenth in a log, nothing for what is done within a second."""

from __future__ import annotations

import sys
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager

from pipeline.model.units import show_size

DELAY = 1.0
"""Seconds of work before anything is shown."""
PERIOD = 30.0
"""Seconds between two lines in a log where the end is not known."""


_quiet = False


def be_quiet() -> None:
    """Show no progress from now on: this process works beside others, which share the terminal."""
    global _quiet  # a process is quiet as a whole
    _quiet = True


@contextmanager
def progress(what: str, total: int) -> Iterator[Callable[[int], None]]:
    """Give a function to be called with the bytes done since the last call; shows them on standard error."""
    if _quiet:
        yield lambda _: None
        return
    with _shown(what, "B", total, _Lines(what, total)) as advance:
        yield advance


@contextmanager
def counting(what: str, unit: str) -> Iterator[Callable[[int], None]]:
    """Give a function to be called with how many more are done, where nobody knows how many there will be.

    ``unit``: "files", or "B" for bytes. Shows the number on standard error, in a log each half minute.
    """
    with _shown(what, unit, None, _Count(what, unit)) as advance:
        yield advance


@contextmanager
def _shown(what: str, unit: str, total: int | None, log: Callable[[int], None]) -> Iterator[Callable[[int], None]]:
    """Give what moves a bar on a terminal; elsewhere ``log``."""
    if sys.__stderr__ is None or not sys.__stderr__.isatty():
        yield log
        return
    from tqdm import tqdm  # imported late: most runs are over before a bar is wanted

    with tqdm(
        desc=what, total=total, unit=unit if unit == "B" else f" {unit}", unit_scale=unit == "B", unit_divisor=1024,
        file=sys.__stderr__, delay=DELAY, leave=False, ascii=True,
    ) as bar:  # fmt: skip

        def advance(step: int) -> None:
            bar.update(step)

        yield advance


class _Count:
    """Prints a plain line each half minute: how many are done."""

    def __init__(self, what: str, unit: str) -> None:
        self._what, self._unit = what, unit
        self._done, self._shown = 0, time.monotonic()

    def __call__(self, step: int) -> None:
        self._done += step
        if time.monotonic() - self._shown > PERIOD:
            self._shown = time.monotonic()
            done = show_size(self._done) if self._unit == "B" else f"{self._done:,} {self._unit}"
            print(f"{self._what}: {done}", file=sys.stderr, flush=True)


class _Lines:
    """Prints a plain line each time another tenth is done, once the work has taken longer than a second."""

    def __init__(self, what: str, total: int) -> None:
        self._what, self._total = what, max(total, 1)
        self._done, self._shown, self._start = 0, 0, time.monotonic()

    def __call__(self, step: int) -> None:
        self._done += step
        tenths = 10 * self._done // self._total
        if tenths > self._shown and time.monotonic() - self._start > DELAY:
            self._shown = tenths
            print(f"{self._what}: {10 * tenths} %", file=sys.stderr, flush=True)
