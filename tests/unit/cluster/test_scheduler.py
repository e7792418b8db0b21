"""Which workers of a cluster take part: all that run this program, but for those that are lost."""

from __future__ import annotations

from typing import Any

import pytest
from distributed.comm import CommClosedError

from pipeline.cluster.program import program
from pipeline.cluster.scheduler import Scheduler
from pipeline.errors import MachineError


class Answers:
    """A client of a scheduler whose workers answer, one set of answers each time they are asked."""

    dashboard_link = ""

    def __init__(self, *answers: dict[str, object]) -> None:
        self._answers = list(answers)

    def scheduler_info(self) -> dict[str, Any]:
        return {"services": {}}

    def wait_for_workers(self, count: int, timeout: float) -> None:
        assert (count, timeout) == (1, 30)

    def run(self, asked: object, on_error: str) -> dict[str, object]:
        assert (asked, on_error) == (program, "return")
        return self._answers.pop(0)


def test_a_worker_that_is_lost_while_it_is_asked_is_left_out() -> None:
    lost = CommClosedError("in <TCP (closed)>: ConnectionResetError: [Errno 104] Connection reset by peer")
    client = Answers({"tcp://a": lost, "tcp://b": OSError("Timed out trying to connect")}, {"tcp://c": program()})
    assert Scheduler(client, "tcp://s").workers == ("tcp://c",)


def test_a_worker_that_cannot_read_its_program_is_refused() -> None:
    client = Answers({"tcp://a": program(), "tcp://b": PermissionError(13, "Permission denied")})
    with pytest.raises(MachineError) as error:
        Scheduler(client, "tcp://s")
    version, _, python = program()
    assert str(error.value) == (
        "tcp://b: the worker cannot say which program it has: [Errno 13] Permission denied; "
        f"expected {version} and {python}\n  hint: install the same there"
    )
