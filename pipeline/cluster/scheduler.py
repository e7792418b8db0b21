"""The scheduler of a cluster, through Dask's ``distributed``: one task for each card.

A worker that is lost costs the time of its cards only: the scheduler gives them to another.
"""

from __future__ import annotations

import asyncio
import logging
import os
import sys
import warnings
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any
from uuid import uuid4

from pipeline.cluster.parcel import Parcel
from pipeline.cluster.program import program
from pipeline.cluster.worker import Answer, build_parcel
from pipeline.errors import CardkilnError, MachineError, Place, Problem
from pipeline.processes import ctrl_c_held_back
from pipeline.workspace.progress import be_quiet

if TYPE_CHECKING:
    from distributed import Client

VARIABLE = "CARDKILN_CLUSTER"
"""The environment variable that names the address of a scheduler: "tcp://HOST:PORT"."""

PATIENCE = 30
"""Seconds in which a scheduler must answer and have a worker."""

SILENT = logging.CRITICAL + 1
"""The level of messages that are never told: what concerns a person is said by us."""

WAITING = 2
"""Cards for each worker that are with the scheduler at a time: one that is built, one that comes next."""

Job = tuple[str, Callable[[], Parcel]]
"""A card's id, and what packs its parcel when the scheduler is to have it."""


@dataclass(frozen=True, slots=True)
class CardResult:
    """What came of a card: the answer of a worker, and the address of that; or an error."""

    card: str
    answer: Answer | CardkilnError
    worker: str = ""

    def built(self) -> Answer:
        """Return the answer; raises the error."""
        if isinstance(self.answer, CardkilnError):
            raise self.answer
        return self.answer


class Scheduler:
    """A scheduler whose workers all run this program; ``address``: where it is."""

    def __init__(self, client: Client, address: str) -> None:
        self._client, self.address = client, address
        self.dashboard = str(client.dashboard_link) if "dashboard" in client.scheduler_info()["services"] else ""
        workers: list[str] = []
        while not workers:
            try:
                client.wait_for_workers(1, timeout=PATIENCE)
            except Exception as error:  # TimeoutError, or whatever a scheduler that is lost meanwhile leads to
                raise MachineError.one(f"has no worker within {PATIENCE} s", "start one", key=self.address) from error
            workers = sorted(self._programs())
        self.workers = tuple(workers)

    def build(self, jobs: Iterable[Job], *, to_store: bool) -> Iterator[CardResult]:
        """Have every card built, and yield what came of each as it comes.

        Raises MachineError when the scheduler is lost.
        """
        from distributed import as_completed

        waiting, cards, coming = iter(jobs), dict[Any, str](), as_completed()
        yield from self._submit(waiting, WAITING * len(self.workers), coming, cards, to_store=to_store)
        for future in coming:
            yield _result(cards.pop(future), future, self.address)
            future.release()
            yield from self._submit(waiting, 1, coming, cards, to_store=to_store)

    def _submit(
        self, waiting: Iterator[Job], count: int, coming: Any, cards: dict[Any, str], *, to_store: bool
    ) -> Iterator[CardResult]:
        """Hand so many cards over to the scheduler; yield those of which no parcel could be packed."""
        while count and (job := next(waiting, None)):
            card, pack = job
            try:
                parcel = pack()
            except CardkilnError as error:
                yield CardResult(card, error)
                continue
            key = f"{card}-{uuid4().hex}"
            try:
                with warnings.catch_warnings():
                    warnings.simplefilter("ignore")  # that the parcel is large
                    future = self._client.submit(_work, program(), parcel, to_store=to_store, key=key, pure=False)
            except Exception as error:  # whatever a scheduler that is lost leads to
                raise _lost(self.address) from error
            cards[future] = card
            coming.add(future)
            count -= 1

    def _programs(self) -> list[str]:
        """Return the addresses of the workers; raises MachineError when one of them runs another program.

        One that is lost while it is asked is left out; should it come back, it refuses by itself what it must. So does
        each where one does not answer; Dask gives its cards to others after a while.
        """
        try:
            asked = self._client.sync(self._client._run, program, on_error="return", callback_timeout=PATIENCE)
        except TimeoutError:  # ``run`` itself would wait for ever
            return [*self._client.scheduler_info(n_workers=-1)["workers"]]
        answers = {address: answer for address, answer in asked.items() if not _is_lost(answer)}
        wrong = {address: answer for address, answer in answers.items() if answer != program()}
        if wrong:
            raise MachineError(_another(address, answer) for address, answer in wrong.items())
        return [*answers]


@contextmanager
def connected(address: str) -> Iterator[Scheduler]:
    """Give the cluster at an address, or one of as many workers as this machine has processors for "".

    Raises MachineError when there is none.
    """
    try:
        with ctrl_c_held_back():
            import dask

            quiet = dict.fromkeys(("distributed", "distributed.client", "tornado", "tornado.application"), SILENT)
            with dask.config.set(logging=quiet):
                from distributed import Client, LocalCluster
    except ImportError as error:
        hint = "install the extra: pip install -e '.[cluster]'"
        raise MachineError.one(f"the package distributed is missing: {error}", hint) from error
    with dask.config.set({"distributed.comm.timeouts.connect": f"{PATIENCE}s"}), ExitStack() as stack:
        try:
            if address:
                asyncio.run(_knock(address))
            else:
                _start_tracker()
            with ctrl_c_held_back():
                if address:
                    client = stack.enter_context(Client(address, timeout=PATIENCE))
                else:
                    workers = LocalCluster(
                        n_workers=os.cpu_count() or 1,
                        threads_per_worker=1,
                        dashboard_address=":0",
                        silence_logs=SILENT,  # they share our standard error
                    )
                    client = stack.enter_context(Client(stack.enter_context(workers)))
        except Exception as error:  # of many kinds: a name that nobody has, a wrong scheme, no more threads
            hint = 'expected the address of a scheduler, as in "tcp://192.0.2.7:8786"' if address else ""
            what = f"no scheduler answers: {str(error) or type(error).__name__}"
            if isinstance(error, TimeoutError):
                what = f"no scheduler answers within {PATIENCE} s"
            elif address and not isinstance(error, OSError | ValueError):  # other bytes than Dask's
                what = "what answers is no scheduler"
            raise MachineError.one(what, hint, key=address) from error
        yield Scheduler(client, str(client.scheduler.address))


def _start_tracker() -> None:
    """Start the process that clears up behind Python's others, before SIGINT is blocked: its start unblocks that.

    It outlives this one, and would complain of what Ctrl-C leaves to it.
    """
    from multiprocessing import resource_tracker

    asked = filter(None, [os.environ.get("PYTHONWARNINGS"), "ignore:resource_tracker:UserWarning"])
    os.environ["PYTHONWARNINGS"] = ",".join(asked)
    if sys.platform != "win32":
        resource_tracker.ensure_running()


async def _knock(address: str) -> None:
    """Ask a scheduler who it is; Dask would wait for ever where somebody listens and says nothing."""
    from distributed.core import rpc

    async with asyncio.timeout(PATIENCE), rpc(address) as scheduler:
        await scheduler.identity(n_workers=0)


def _work(asked: Sequence[str], parcel: Parcel, *, to_store: bool) -> tuple[str, Answer]:
    """Do one task on a worker, in the folder that its Dask keeps for it and clears; return its address too."""
    from distributed import get_worker

    be_quiet()
    worker = get_worker()
    return str(worker.address), build_parcel(asked, parcel, worker.local_directory, to_store=to_store)


def _is_lost(answer: object) -> bool:
    """Whether Dask says that it lost the connection; an OSError of the worker's own system has a number."""
    return isinstance(answer, OSError) and answer.errno is None


def _another(address: str, answer: object) -> Problem:
    """Return the problem that a worker runs another program, or has none."""
    own = program()
    if isinstance(answer, ModuleNotFoundError):
        found = "does not have this program"
    elif isinstance(answer, tuple) and len(answer) == len(own):
        same = answer[0] == own[0] and answer[2] == own[2]
        found = f"has {answer[0]} with other files" if same else f"has {answer[0]} and {answer[2]}"
    else:
        found = f"cannot say which program it has: {answer}"
    return Problem(Place(key=address), f"the worker {found}; expected {own[0]} and {own[2]}", "install the same there")


def _result(card: str, future: Any, address: str) -> CardResult:
    """Return what came of a task that has ended."""
    from distributed import CancelledError, KilledWorker

    try:
        worker, answer = future.result()
    except KilledWorker:
        what = f"{card} was given up: each worker that built it was lost"
        return CardResult(card, MachineError.one(what, "look at the memory and the logs of the workers"))
    except (CancelledError, OSError) as error:
        raise _lost(address) from error
    except Exception as error:  # a task has no other errors of its own: this is the worker's Python or Dask
        return CardResult(card, MachineError.one(f"the worker of {card} failed: {error!r:.200}", key=address))
    return CardResult(card, answer, str(worker))


def _lost(address: str) -> MachineError:
    return MachineError.one("the scheduler was lost", "run again: what is built is kept", key=address)
