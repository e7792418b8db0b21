"""What bounds a thousand cards on a cluster: `python tests/bench/cluster.py [CARDS]`.

Prints, for small cards on a cluster of this machine: what the scheduler takes for tasks that do nothing, what the
client takes to pack a card's parcel and to check what comes back, what a worker takes, and how many bytes travel.
"""

from __future__ import annotations

import shutil
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
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
    client, worker = sum(pack) + sum(take), sum(work)
    print(f"  share of the client {client / (client + worker):.2f}: workers beyond {worker / client:.1f} wait for it")


def nothing(number: int) -> int:
    return number


def titles(folder: Path) -> Path:
    """Return a project of five cards with a hundred titles each, of ten chips of 32 KiB."""
    project(folder, titles=500, cards=5, chip_size=32_768)
    return folder


def main() -> None:
    with connected("") as cluster:
        start = time.perf_counter()
        cluster._client.gather(cluster._client.map(nothing, range(TASKS)))
        took = time.perf_counter() - start
    print(f"scheduler: {1000 * took / TASKS:.1f} ms for a task that does nothing, {len(cluster.workers)} workers")
    parts("small cards of one title", many_cards)
    parts("the demo", demo_copy)
    parts("cards of 100 titles, 32 MiB of chips", titles)


if __name__ == "__main__":
    main()
