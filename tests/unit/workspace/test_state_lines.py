"""Values that lie in one file, a line each: damage costs the line that it hits, and several processes may add."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from tempfile import TemporaryDirectory

import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline.processes import divided
from pipeline.workspace import state
from pipeline.workspace.state_lines import NamedValues, ValueLog
from tests.unit.workspace.test_state import ODD, WHOLE, Part, Whole, posix

NAMES = ("moth-pantry", "snail-race", "fern-rally")


@pytest.fixture
def path(tmp_path: Path) -> Path:
    """Return the file of three values."""
    path = tmp_path / "build" / "state" / "rom.lines"
    values = NamedValues(path)
    for size, name in enumerate(NAMES):
        values.write(name, Part(name=name, size=size))
    return path


def parts(path: Path) -> dict[str, Part | None]:
    values = NamedValues(path)
    return {name: values.read(name, Part) for name in NAMES}


def test_a_value_is_read_as_it_was_written_and_the_last_one_counts(path: Path) -> None:
    values = NamedValues(path)
    assert values.read("snail-race", Part) == Part(name="snail-race", size=1)
    values.write("snail-race", Part(name="later"))
    assert values.read("snail-race", Part) == Part(name="later")
    assert NamedValues(path).read("snail-race", Part) == Part(name="later")
    values.write("snail-race", None)
    assert values.read("snail-race", Part) is None
    assert values.read("fern-rally", Whole) is None
    assert values.read("unknown", Part) is None
    assert list(values.names()) == ["moth-pantry", "fern-rally", "snail-race"]


@given(st.text(st.characters(exclude_categories=("Cs", "Cc")), min_size=1), st.text(min_size=1))
def test_any_name_has_its_own_value(name: str, other: str) -> None:
    with TemporaryDirectory() as folder:
        values = NamedValues(Path(folder) / "rom.lines")
        values.write(name, Part(name="one"))
        values.write(other + name, Part(name="other"))
        assert values.read(name, Part) == Part(name="one")
        assert set(values.names()) == {name, other + name}


def test_any_single_bit_that_flips_costs_one_value_and_no_other(path: Path) -> None:
    good = path.read_bytes()
    values = parts(path)
    for bit in range(8 * len(good)):
        data = bytearray(good)
        data[bit // 8] ^= 1 << bit % 8
        path.write_bytes(data)
        now = parts(path)
        wrong = [name for name in NAMES if now[name] != values[name]]
        assert len(wrong) <= 1, bit
        assert all(now[name] is None for name in wrong), bit


def test_a_file_that_is_cut_off_has_the_values_before(path: Path) -> None:
    good = path.read_bytes()
    values = list(parts(path).values())
    for size in range(len(good)):
        path.write_bytes(good[:size])
        whole = good[:size].count(b"]]\n") if size else 0
        assert list(parts(path).values()) == [*values[:whole], *[None] * (3 - whole)]
        NamedValues(path).write("moth-pantry", Part(name="new"))
        assert parts(path)["moth-pantry"] == Part(name="new")


def test_a_line_of_another_file_is_not_believed(path: Path) -> None:
    other = path.with_name("other.lines")
    other.write_bytes(path.read_bytes())
    assert set(parts(other).values()) == {None}


def test_another_file_in_its_place_is_seen(path: Path) -> None:
    values = NamedValues(path)
    assert values.read("snail-race", Part)
    good = path.read_bytes()
    path.unlink()
    assert values.read("snail-race", Part) is None
    path.write_bytes(good)
    assert values.read("snail-race", Part) == Part(name="snail-race", size=1)
    path.unlink()
    values.write("snail-race", Part(name="new"))
    assert values.read("snail-race", Part) == Part(name="new")
    path.unlink()
    values.write("snail-race", Part(name="newer"))
    assert values.read("snail-race", Part) == Part(name="newer")


@posix
@pytest.mark.parametrize("put", ODD.values(), ids=ODD)
def test_what_is_no_file_is_absent_and_makes_room(path: Path, put: Callable[[Path], None]) -> None:
    path.unlink()
    put(path)
    values, log = NamedValues(path), ValueLog(path)
    assert values.read("snail-race", Part) is None
    assert list(values.names()) == []
    assert list(log.read(Whole)) == []
    values.write("snail-race", Part(name="new"))
    assert values.read("snail-race", Part) == Part(name="new")
    elsewhere = path.parent / "elsewhere"
    assert not elsewhere.exists() or elsewhere.read_text() == "mine"


def test_a_tidied_table_holds_the_last_value_of_each_name_that_is_asked_for(path: Path) -> None:
    values = NamedValues(path)
    values.tidy(NAMES)
    assert path.read_bytes().count(b"cardkiln-state") == 3
    values.tidy(NAMES[:2])
    assert parts(path) == {
        "moth-pantry": Part(name=NAMES[0], size=0),
        NAMES[1]: Part(name=NAMES[1], size=1),
        NAMES[2]: None,
    }
    for size in range(200):
        values.write("snail-race", Part(name="again", size=size))
    values.tidy(NAMES)
    assert path.read_bytes().count(b"cardkiln-state") == 2
    values.write("fern-rally", Part(name="after"))
    assert parts(path) == {
        NAMES[0]: Part(name=NAMES[0], size=0), NAMES[1]: Part(name="again", size=199), NAMES[2]: Part(name="after")
    }  # fmt: skip


@posix
def test_several_processes_add_to_one_table_and_each_sees_what_the_others_added(path: Path) -> None:
    values = NamedValues(path)
    assert values.read("snail-race", Part)

    def add(number: int) -> bool:
        values.write(f"t-{number}", Part(name="x" * number, size=number))
        return values.read(f"t-{number}", Part) is not None and values.read("fern-rally", Part) is not None

    assert all(divided(3, add, range(300)))
    values.write("last", Part(name="last"))
    assert all(values.read(f"t-{number}", Part) == Part(name="x" * number, size=number) for number in range(300))
    assert values.read("last", Part) == Part(name="last")


def test_a_log_is_read_in_order_and_damaged_lines_are_left_out(path: Path) -> None:
    log = ValueLog(path.with_name("log"))
    log.add(WHOLE)
    with path.with_name("log").open("ab") as file:
        file.write(b'\n["cardkiln-state 1","12')
    log.add(Part(name="another kind"))
    log.add(WHOLE)
    assert list(log.read(Whole)) == [WHOLE, WHOLE]
    log.remove()
    assert list(log.read(Whole)) == []
    assert state.read(path.with_name("log"), Whole) is None
