"""A store on an FTP server (RFC 959) holds what one in a folder does, and where it is lost that costs time only.

fsspec's own client of FTP reaches it, pyftpdlib serves it: neither is ours.
"""

from __future__ import annotations

import signal
import subprocess
from collections.abc import Iterator
from pathlib import Path
from threading import Timer

import pytest

from pipeline.build import check
from pipeline.cluster.accept import accept, received
from pipeline.cluster.parcel import pack_parcel
from pipeline.cluster.program import program
from pipeline.cluster.worker import build_parcel
from pipeline.errors import Problem
from pipeline.processes import divided
from pipeline.store.store import Store
from tests.support import small
from tests.support.building import build_card_in, build_in
from tests.support.cli import digests, doit
from tests.support.ftp import ftp_server

Server = tuple[str, subprocess.Popen[str]]


@pytest.fixture
def server(tmp_path: Path) -> Iterator[Server]:
    """The address of an empty store, and the process that serves it."""
    with ftp_server(tmp_path / "served") as served:
        yield served


def test_another_machine_needs_no_chips(server: Server, tmp_path: Path) -> None:
    first, second = (small.small_project(tmp_path / name) for name in ("first", "second"))
    ran = doit(first, CARDKILN_STORE=server[0])
    assert (ran.code, ran.err) == (0, "")
    for chip in ("x/dump(1).bin", "dump(2).bin"):
        (second / "inputs/files/attic" / chip).unlink()
    ran = doit(second, CARDKILN_STORE=server[0], CARDKILN_STORE_READ_ONLY="1")
    assert (ran.code, ran.err) == (0, "")
    assert "\nrom     snail-race: 1 ROM file from the store, 2 KiB\n" in ran.out
    assert digests(second / "build/cards") == digests(first / "build/cards")


def test_contents_and_image_of_a_card_travel_through_it(
    server: Server, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("CARDKILN_STORE", server[0])
    build_card_in(small.small_project(tmp_path / "here"))
    build = build_in(small.small_project(tmp_path / "there"), Store.here())
    check.run(build)
    parcel = pack_parcel(build.inputs, "desk", build.workspace.store)
    assert parcel["contents"] == {}
    answer = build_parcel(program(), parcel, None, to_store=True)
    assert answer["packed"] is None
    scratch = tmp_path / "there/build/cluster"
    scratch.mkdir()
    accept(build, "desk", received(build, "desk", answer), scratch)
    assert digests(tmp_path / "there/build/cards") == digests(tmp_path / "here/build/cards")


def test_a_server_that_is_lost_is_told_once_and_the_card_is_built(server: Server, tmp_path: Path) -> None:
    server[1].kill()
    folder = small.small_project(tmp_path / "project")
    ran = doit(folder, CARDKILN_STORE=server[0])
    assert ran.code == 0
    assert ran.err == (
        "warning: CARDKILN_STORE: the store cannot be read: ConnectionRefusedError: [Errno 111] Connection refused\n"
        "  hint: what it may hold is assembled here\n"
    )
    assert (folder / "build/cards/desk/record.json").is_file()


def test_processes_that_are_forked_have_connections_of_their_own(server: Server) -> None:
    """On one connection a process would take the answer to another's question (RFC 959, section 2.3)."""
    store, objects = Store(server[0]), {f"{number:064x}": b"%064d" % number for number in range(40)}
    for key, data in objects.items():
        assert store.write(key, data)

    def read(key: str) -> tuple[bytes | None, Problem | None]:
        return store.read(key, 64), store.failure

    assert list(divided(4, read, objects)) == [(data, None) for data in objects.values()]


def test_a_server_that_is_slow_is_waited_for(server: Server, tmp_path: Path) -> None:
    server[1].send_signal(signal.SIGSTOP)
    Timer(1.5, server[1].send_signal, [signal.SIGCONT]).start()
    ran = doit(small.small_project(tmp_path / "project"), CARDKILN_STORE=server[0])
    assert (ran.code, ran.err) == (0, "")
    assert len([path for path in (tmp_path / "served").rglob("*") if path.is_file()]) == 1
