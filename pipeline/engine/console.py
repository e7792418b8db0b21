"""Standard output, standard error and Ctrl-C, for every command: whatever happens to them ends in at most one line.

Imports nothing that takes time, so that it is there before what does.
"""

from __future__ import annotations

import errno
import os
import signal
import sys
from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager, redirect_stderr, redirect_stdout, suppress
from typing import Any, TextIO

from pipeline.printable import shown

INTERRUPTED = 130
"""Exit code after Ctrl-C: 128 and the number of SIGINT, as shells have it (POSIX)."""

OUTPUT_LOST = 3
"""Exit code of a command of which nothing failed but its output: that of the machine."""


class SafeStream:
    """A stream that text can always be written to; ``lost`` is the error after which nothing arrived any more.

    So a full disk behind standard output, or a reader that has enough, stops no build half way. What the encoding of a
    terminal lacks is written escaped, and so is every character that could change what a terminal shows, wherever it
    comes from; only line ends remain.
    """

    def __init__(self, stream: TextIO | None) -> None:
        self._stream = stream
        self.lost: OSError | None = None if stream else OSError(errno.EBADF, os.strerror(errno.EBADF))
        if stream and hasattr(stream, "reconfigure"):
            stream.reconfigure(errors="backslashreplace")

    def write(self, text: str) -> int:
        """Write the text unless the stream is lost; return its length."""
        lines = "\n".join(map(shown, text.split("\n")))
        self._try(lambda stream: stream.write(lines))
        return len(text)

    def writelines(self, lines: Iterator[str]) -> None:
        """Write all lines."""
        for line in lines:
            self.write(line)

    def flush(self) -> None:
        """Have all that was written arrive."""
        self._try(lambda stream: stream.flush())

    def _try(self, work: Callable[[TextIO], object]) -> None:
        if self._stream is None or self.lost:
            return
        try:
            work(self._stream)
        except OSError as error:
            self.lost = error
            with suppress(OSError, ValueError):  # what is buffered yet is not to fail again when Python ends
                os.dup2(os.open(os.devnull, os.O_WRONLY), self._stream.fileno())

    def __getattr__(self, name: str) -> Any:
        return getattr(self._stream, name)


def run(command: Callable[[], int], interrupted: str = "interrupted") -> int:
    """Return a command's exit code: ``INTERRUPTED`` after Ctrl-C, ``OUTPUT_LOST`` where only its output was lost."""
    out, err = SafeStream(sys.stdout), SafeStream(sys.stderr)
    with redirect_stdout(out), redirect_stderr(err):
        try:
            with _interruptible():
                code = command()
        except KeyboardInterrupt:
            err.write(f"{interrupted}\n")
            code = INTERRUPTED
        out.flush()
        if out.lost and not isinstance(out.lost, BrokenPipeError):  # a reader that has enough need not be told
            err.write(f"standard output: {out.lost.strerror}; the rest of the output is lost\n")
        err.flush()
    return OUTPUT_LOST if not code and (out.lost or err.lost) else code


def print_lines(lines: Iterable[object]) -> None:
    """Print each as exactly one line, whatever names from outside are in it."""
    sys.stdout.write("".join(f"{shown(line)}\n" for line in lines))


def print_json(document: object) -> None:
    """Print a document as JSON, in ASCII: every name can be read back from it as it is, half characters too."""
    import json  # only now, as all that Ctrl-C would have to wait for

    sys.stdout.write(json.dumps(document, indent=1).replace("\x7f", "\\u007f") + "\n")


def prepare() -> None:
    """Have Ctrl-C end the program with one line while its modules load, when there is nothing to be put in order."""
    with suppress(ValueError):  # not the main thread
        if signal.getsignal(signal.SIGINT) is signal.default_int_handler:
            signal.signal(signal.SIGINT, _quit)


@contextmanager
def _interruptible() -> Iterator[None]:
    """Have Ctrl-C raise KeyboardInterrupt inside, where there is something to be put in order."""
    if signal.getsignal(signal.SIGINT) is not _quit:
        yield
        return
    signal.signal(signal.SIGINT, signal.default_int_handler)
    try:
        yield
    finally:
        signal.signal(signal.SIGINT, _quit)


def _quit(*_: object) -> None:
    with suppress(OSError):
        os.write(2, b"interrupted\n")
    os._exit(INTERRUPTED)
