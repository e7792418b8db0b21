"""The installed script ``doit``: doit's own, with Ctrl-C, lost output and empty arguments taken care of."""

from __future__ import annotations

import gc
import os
import signal
import sys
from contextlib import suppress
from pathlib import Path

from pipeline.engine import console

console.prepare()

INPUTS = "CARDKILN_INPUTS"
"""Names the folder of inputs, from where the person stands."""

LEFT_OUT = {"dumpdb", "forget", "ignore", "reset-dep", "strace"}
"""Commands of doit that work on its database, which we do not have, or that run tasks without our lock."""

EMPTY = "\0"
"""Stands for an empty argument, at which doit's parser fails; no argument can hold it."""


def main() -> None:
    """Run doit with the arguments of the command line, and end with its exit code."""
    from doit.doit_cmd import DoitMain  # only now, since it takes longest

    from pipeline.engine.clean import Clean
    from pipeline.engine.database import without_database
    from pipeline.engine.help import Help
    from pipeline.engine.info import Info
    from pipeline.engine.list import List
    from pipeline.engine.loader import Loader

    own = {command.get_name(): command for command in (Clean, Help, Info, List)}

    class Main(DoitMain):  # type: ignore[misc]  # doit has no type information
        DOIT_CMDS = tuple(
            without_database(own.get(command.get_name(), command))
            for command in DoitMain.DOIT_CMDS
            if command.get_name() not in LEFT_OUT
        )

        def process_args(self, cmd_args: list[str]) -> list[str]:
            arguments = super().process_args([argument or EMPTY for argument in cmd_args])
            return ["" if argument == EMPTY else argument for argument in arguments]

    if os.environ.get(INPUTS):
        with suppress(OSError):  # the working folder is gone, and the command says so
            os.environ[INPUTS] = str(Path(os.environ[INPUTS]).absolute())  # before doit goes to the folder of dodo.py
    code = console.run(lambda: int(Main(Loader()).run(sys.argv[1:]) or 0))
    if code == console.INTERRUPTED:
        os._exit(code)  # all is in order; what Python waits for now, such as queues of processes, may never end
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # all is done and said
    gc.freeze()  # Python need not look for circles in what the system frees at once: for 2,000 titles that takes 0.3 s
    sys.exit(code)


if __name__ == "__main__":
    main()
