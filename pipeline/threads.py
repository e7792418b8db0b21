"""Work beside other work, where the machine lets us."""

from __future__ import annotations

from collections.abc import Callable
from concurrent.futures import Future, ThreadPoolExecutor
from typing import ParamSpec, TypeVar

Given = ParamSpec("Given")
Result = TypeVar("Result")


class Threads(ThreadPoolExecutor):
    """Up to ``count`` threads; fewer where the machine gives no more, and where it gives none the caller works itself.

    Otherwise as ``concurrent.futures.ThreadPoolExecutor``. The first thread is started at once, so that what fails to
    start is never work that was handed over.
    """

    def __init__(self, count: int, name: str = "") -> None:
        super().__init__(count, name)
        self._alone = False
        try:
            super().submit(int)
        except RuntimeError:  # can't start new thread
            self._alone = True

    def submit(self, work: Callable[Given, Result], /, *args: Given.args, **kwargs: Given.kwargs) -> Future[Result]:
        """Return the future result of the work; it is done already where there are no threads."""
        if not self._alone:
            return super().submit(work, *args, **kwargs)
        done: Future[Result] = Future()
        try:
            done.set_result(work(*args, **kwargs))
        except Exception as error:
            done.set_exception(error)
        return done

    def _adjust_thread_count(self) -> None:
        """Start another thread if there may be one; without it those that run take the work."""
        try:
            super()._adjust_thread_count()
        except RuntimeError:
            if not self._threads:
                raise
