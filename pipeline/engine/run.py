"""The command ``doit run`` (and plain ``doit``): one run at a time in a folder, and exit codes that tell why."""

from __future__ import annotations

import functools
import sys
from pathlib import Path
from typing import Any

from doit import cmd_run
from filelock import FileLock, Timeout

from pipeline.engine.job import StoppedError

BUSY = 3
INTERRUPTED = 130


class Run(cmd_run.Run):  # type: ignore[misc]  # doit has no type information
    """doit's own run command, with a lock around it."""

    @functools.wraps(cmd_run.Run._execute)
    def _execute(self, *args: Any, **kwargs: Any) -> int:
        """Return 0 when all went well, 1 for a failed check, 2 for the manifests, 3 for the machine, 130 for Ctrl-C."""
        lock = Path("build/state/lock")
        lock.parent.mkdir(parents=True, exist_ok=True)
        StoppedError.worst = 0
        try:
            with FileLock(lock, timeout=0):
                result = super()._execute(*args, **kwargs)
        except Timeout:
            sys.stderr.write("another run is working in build/\n  hint: wait until it has ended\n")
            return BUSY
        except KeyboardInterrupt:
            sys.stderr.write("interrupted; what was finished is kept, the next run goes on from there\n")
            return INTERRUPTED
        return StoppedError.worst or int(result)
