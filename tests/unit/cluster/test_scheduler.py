"""Which schedulers and workers are taken: those that answer, and of workers those that run this program."""

from __future__ import annotations

import socket
from collections.abc import Callable
from threading import Thread
from typing import Any

import pytest
from distributed.comm import CommClosedError

from pipeline.cluster import scheduler
from pipeline.cluster.program import program
from pipeline.cluster.scheduler import Scheduler, connected
from pipeline.errors import MachineError


class Answers:
    """A client of a scheduler whose workers answer, one set of answers each time they are asked."""

    dashboard_link = ""

    def __init__(self, *answers: dict[str, object]) -> None:
        self._answers = list(answers)

    def scheduler_info(self, n_workers: int = 5) -> dict[str, Any]:
        return {"services": {}, "workers": {"tcp://a": {}, "tcp://b": {}}}

    def wait_for_workers(self, count: int, timeout: float) -> None:
        assert (count, timeout) == (1, 30)

    def _run(self) -> None:
        """Stand for what asks every worker."""

    def sync(self, run: object, asked: object, on_error: str, callback_timeout: float) -> dict[str, object]:
        assert (run, asked, on_error, callback_timeout) == (self._run, program, "return", 30)
        if not self._answers:
            raise TimeoutError
        return self._answers.pop(0)


def test_a_worker_that_is_lost_while_it_is_asked_is_left_out() -> None:
    lost = CommClosedError("in <TCP (closed)>: ConnectionResetError: [Errno 104] Connection reset by peer")
    client = Answers({"tcp://a": lost, "tcp://b": OSError("Timed out trying to connect")}, {"tcp://c": program()})
    assert Scheduler(client, "tcp://s").workers == ("tcp://c",)


def test_where_a_worker_does_not_answer_each_refuses_by_itself() -> None:
    assert Scheduler(Answers(), "tcp://s").workers == ("tcp://a", "tcp://b")


def test_a_worker_that_cannot_read_its_program_is_refused() -> None:
    client = Answers({"tcp://a": program(), "tcp://b": PermissionError(13, "Permission denied")})
    with pytest.raises(MachineError) as error:
        Scheduler(client, "tcp://s")
    version, _, python = program()
    assert str(error.value) == (
        "tcp://b: the worker cannot say which program it has: [Errno 13] Permission denied; "
        f"expected {version} and {python}\n  hint: install the same there"
    )


HINT = '\n  hint: expected the address of a scheduler, as in "tcp://192.0.2.7:8786"'


def say_nothing(connection: socket.socket) -> None:
    connection.recv(1 << 20)


def close(connection: socket.socket) -> None:
    connection.close()


def speak_another_language(connection: socket.socket) -> None:
    """Answer as a server of HTTP does (RFC 9112, 4: status-line)."""
    connection.sendall(b"HTTP/1.1 400 Bad Request\r\n\r\n")


def send_zeros(connection: socket.socket) -> None:
    connection.sendall(bytes(1 << 20))


@pytest.mark.parametrize(
    ("serve", "what"),
    [
        (say_nothing, "no scheduler answers within 1 s"),
        (close, "no scheduler answers: "),
        (speak_another_language, "what answers is no scheduler"),
        (send_zeros, "what answers is no scheduler"),
    ],
)
def test_what_is_no_scheduler_is_one_message_in_bounded_time(
    serve: Callable[[socket.socket], None], what: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(scheduler, "PATIENCE", 1 if serve is say_nothing else 30)
    with socket.create_server(("127.0.0.1", 0)) as server:
        held = []

        def listen() -> None:
            while True:
                try:
                    held.append(server.accept()[0])
                    serve(held[-1])
                except OSError:  # closed by the other side, or the test is over
                    if server.fileno() < 0:
                        return

        thread = Thread(target=listen, daemon=True)
        thread.start()
        address = f"tcp://127.0.0.1:{server.getsockname()[1]}"
        with pytest.raises(MachineError) as error, connected(address):
            pass
        server.shutdown(socket.SHUT_RDWR)
    thread.join()
    for connection in held:
        connection.close()
    assert str(error.value).startswith(f"{address}: {what}")
    assert str(error.value).endswith(HINT)
