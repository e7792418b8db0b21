"""What bounds a thousand cards on a cluster: `python tests/bench/cluster.py [CARDS]`.

Prints, for small cards on a cluster of this machine: what the scheduler takes for tasks that do nothing, what the
client takes to pack a card's parcel and to check what comes back, what a worker takes, and how many bytes travel.
With a number, so many small cards are built by ``doit cluster``: the time of all processes, and the client's memory.
"""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from tempfile import TemporaryDirectory

sys.path.insert(0, str(Path(__file__).parents[2]))

from pipeline.build import check
from pipeline.cluster.accept import accept
from pipeline.cluster.parcel import pack_parcel
from pipeline.cluster.program import program
from pipeline.cluster.scheduler import connected
from pipeline.cluster.worker import build_parcel
from tests.bench.noop import project
from tests.support.building import build_in
from tests.support.cli import demo_copy
from tests.system.test_cluster import many_cards

TASKS = 500


@contextmanager
def timed(spent: list[float]) -> Iterator[None]:
    start = time.process_time()
    yield
    spent.append(time.process_time() - start)


def milliseconds(spent: list[float]) -> str:
    return f"{1000 * sum(spent) / len(spent):8.1f} ms a card"


def parts(name: str, prepare: Callable[[Path], Path]) -> None:
    """Print what each part of the way takes, one card after the other."""
    pack, work, take, there, back = list[float](), list[float](), list[float](), 0, 0
    with TemporaryDirectory() as folder:
        build = build_in(prepare(Path(folder) / "project"))
        check.run(build)
        _ = build.inputs.search
        for card in build.inputs.manifest.cards:
            with timed(pack):
                parcel = pack_parcel(build.inputs, card, None)
            with timed(work):
                answer = build_parcel(program(), parcel, None, to_store=False)
            there += len(parcel["inputs"]) + sum(map(len, parcel["contents"].values()))
            back += len(answer["packed"])
            scratch = build.workspace.build / "cluster"
            shutil.rmtree(scratch, ignore_errors=True)
            scratch.mkdir(parents=True)
            with timed(take):
                accept(build, card, answer, scratch)
    print(f"{name}, {len(pack)} cards, processor time")
    print(f"  client: pack the parcel     {milliseconds(pack)}, {there / len(pack) / 1024:8.1f} KiB there")
    print(f"  worker: build and read back {milliseconds(work)}")
    print(f"  client: check and take      {milliseconds(take)}, {back / len(take) / 1024:8.1f} KiB back")
    checks, packs = (sum(work) / sum(spent) for spent in (take, pack))
    print(f"  one process of the client checks for {checks:.1f} workers, the one that packs does so for {packs:.1f}")


def whole(count: int) -> None:
    """Print what it takes to build many cards."""
    with TemporaryDirectory() as folder:
        project = many_cards(Path(folder) / "project", count)
        start = time.perf_counter()
        command = [sys.executable, "-m", "doit", "cluster"]
        with subprocess.Popen(command, cwd=project, stdout=subprocess.DEVNULL) as client:
            peak = 0
            while client.poll() is None:
                with suppress(OSError, StopIteration):
                    lines = Path(f"/proc/{client.pid}/status").read_text().splitlines()
                    peak = max(peak, next(int(line.split()[1]) for line in lines if line.startswith("VmHWM:")))
                time.sleep(0.5)
        assert client.returncode == 0
        spent, used = time.perf_counter() - start, sum(os.times()[2:4])
    print(f"{count:,} cards: {spent:.0f} s, {1000 * used / count:.0f} ms of processors a card, client {peak >> 10} MiB")


def nothing(number: int) -> int:
    return number


def titles(folder: Path) -> Path:
    """Return a project of five cards with a hundred titles each, of ten chips of 32 KiB."""
    project(folder, titles=500, cards=5, chip_size=32_768)
    return folder


def main(cards: int = 0) -> None:
    if cards:
        whole(cards)
        return
    with connected("") as cluster:
        start = time.perf_counter()
        cluster._client.gather(cluster._client.map(nothing, range(TASKS)))
        took = time.perf_counter() - start
    print(f"scheduler: {1000 * took / TASKS:.1f} ms for a task that does nothing, {len(cluster.workers)} workers")
    parts("small cards of one title", many_cards)
    parts("the demo", demo_copy)
    parts("cards of 100 titles, 32 MiB of chips", titles)


if __name__ == "__main__":
    main(*(int(word) for word in sys.argv[1:2]))
