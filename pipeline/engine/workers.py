"""The processes of ``doit -n``: they end with the run that started them, and leave Ctrl-C to it."""

from __future__ import annotations

import ctypes
import os
import signal
import sys
import time
from threading import Thread

PR_SET_PDEATHSIG = 1
"""Source: Linux, include/uapi/linux/prctl.h; prctl(2)."""

POLL = 0.05
"""Seconds between two looks at the process that started this one, where the system does not tell of its end."""


def end_with_this_process() -> None:
    """Have every process that is forked from now on killed when the one that forks it ends, however that ends.

    Whatever a stage was writing then lies under a temporary name, as after any kill.
    """
    if sys.platform == "win32":
        return
    forking: list[int] = []

    def in_child() -> None:
        parent = forking.pop()
        signal.signal(signal.SIGINT, signal.SIG_IGN)
        if sys.platform == "linux":
            ctypes.CDLL(None).prctl(PR_SET_PDEATHSIG, signal.SIGKILL)
        else:
            Thread(target=_watch, args=(parent,), daemon=True).start()
        if os.getppid() != parent:  # it ended before that
            os._exit(1)

    os.register_at_fork(
        before=lambda: forking.append(os.getpid()), after_in_parent=forking.pop, after_in_child=in_child
    )


def _watch(parent: int) -> None:
    while os.getppid() == parent:
        time.sleep(POLL)
    os._exit(1)
