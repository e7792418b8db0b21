from __future__ import annotations

import gc
import os
import shutil
import subprocess
import sys
from collections.abc import Callable
from contextlib import AbstractContextManager, nullcontext
from errno import EACCES, ELOOP, ENAMETOOLONG
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline.errors import ManifestError
from pipeline.manifest.files import manifest_ids
from pipeline.manifest.load import load, load_sound, values_of
from pipeline.manifest.parse_manifest import parse_manifest
from pipeline.manifest.text.limits import DEEPEST
from pipeline.manifest.text.read import LARGEST
from tests.support.cli import ROOT
from tests.support.work import calls_of

CASES = Path(__file__).parents[2] / "cases"
SAMPLES = {
    kind: (CASES / "accept/every-key/inputs" / name).read_bytes()
    for kind, name in {
        "board": "boards/full.toml",
        "core": "cores/marrowby-two.toml",
        "title": "titles/orbit.toml",
        "card": "cards/desk.toml",
        "sources": "sources.toml",
    }.items()
}


@pytest.fixture
def inputs(tmp_path: Path) -> Path:
    """Return a small set of inputs without a mistake."""
    shutil.copytree(CASES / "base", tmp_path, dirs_exist_ok=True)
    return tmp_path / "inputs"


def told(inputs: Path) -> str:
    with pytest.raises(ManifestError) as caught:
        load(inputs, inputs.parent)
    return str(caught.value)


def told_of_card(inputs: Path, data: bytes) -> str:
    (inputs / "cards/show.toml").write_bytes(data)
    return told(inputs)


def test_files_are_named_from_the_working_folder_on(inputs: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(inputs.parent)
    assert load(Path("inputs")).cards["show"].file == "inputs/cards/show.toml"
    assert load(inputs).root == str(inputs)
    monkeypatch.chdir(inputs / "cards")
    assert load(inputs).cards["show"].file == "show.toml"
    assert load(inputs).boards["bench"].file == (inputs / "boards/bench.toml").as_posix()


def test_inputs_that_are_no_folder_are_told(tmp_path: Path) -> None:
    (tmp_path / "file").touch()
    assert told(tmp_path / "inputs") == "inputs: found no such folder, expected the folder of inputs"
    assert told(tmp_path / "file") == "file: found no such folder, expected the folder of inputs"


@pytest.mark.parametrize("folder", [ROOT, CASES / "base"], ids=["demo", "base"])
def test_a_digest_of_the_values_needs_no_judgement(folder: Path) -> None:
    values = values_of(folder / "inputs", folder)
    assert len(values) == 64
    assert values == load_sound(folder / "inputs", folder).values


SAYING_THE_SAME: dict[str, Callable[[str], str]] = {
    "a comment": lambda text: f"# a comment\n{text}# and another\n",
    "blank lines": lambda text: text.replace("\n", "\n\n"),
    "other quotes": lambda text: text.replace('"', "'"),
    "other line ends": lambda text: text.replace("\n", "\r\n"),
}
SAYING_OTHER_THINGS: dict[str, Callable[[str], str]] = {
    "another value": lambda text: text.replace('name = "', 'name = "New '),
    "one key more": lambda text: f'date = "2026"\n{text}',
    "another order": lambda text: "\n".join(
        [*sorted(text.partition("\n\n")[0].split("\n"), reverse=True), "", text.partition("\n\n")[2]]
    ),
    "a number in place of a text": lambda text: text.replace('name = "Moth"', "name = 1"),
}


@pytest.mark.parametrize("change", SAYING_THE_SAME.values(), ids=SAYING_THE_SAME)
def test_manifests_that_say_the_same_have_one_digest(change: Callable[[str], str], inputs: Path) -> None:
    before, title = values_of(inputs, inputs.parent), inputs / "titles/moth.toml"
    title.write_bytes(change(title.read_text()).encode())
    assert values_of(inputs, inputs.parent) == before


@pytest.mark.parametrize("change", SAYING_OTHER_THINGS.values(), ids=SAYING_OTHER_THINGS)
def test_manifests_that_say_other_things_have_another(change: Callable[[str], str], inputs: Path) -> None:
    before, title = values_of(inputs, inputs.parent), inputs / "titles/moth.toml"
    text = title.read_text()
    title.write_text(change(text))
    assert title.read_text() != text
    assert values_of(inputs, inputs.parent) not in (before, "")


def test_another_name_of_a_manifest_is_another_digest(inputs: Path) -> None:
    before = values_of(inputs, inputs.parent)
    (inputs / "titles/moth.toml").rename(inputs / "titles/moths.toml")
    assert values_of(inputs, inputs.parent) not in (before, "")


@pytest.mark.parametrize(("name", "data"), [("titles/moth.toml", b"name ="), ("titles/moth.txt", b"")])
def test_what_is_no_manifest_has_no_digest(name: str, data: bytes, inputs: Path) -> None:
    (inputs / name).write_bytes(data)
    assert values_of(inputs, inputs.parent) == ""


def test_memory_is_collected_again_after_a_load(inputs: Path) -> None:
    load(inputs)
    assert gc.isenabled()
    with pytest.raises(ManifestError):
        load(inputs / "titles/moth.toml")
    assert gc.isenabled()


def test_inputs_without_a_board_and_a_card_are_told(tmp_path: Path) -> None:
    """An empty folder, and one that was named by mistake, would else be inputs without a problem."""
    inputs = tmp_path / "inputs"
    (inputs / "titles").mkdir(parents=True)
    (inputs / "sources.toml").write_text("places = []", "utf-8")
    assert told(inputs) == (
        "inputs: found no board and no card, expected their manifests in boards/ and cards/\n"
        "  hint: go to the folder that holds inputs/, or name the folder of inputs in CARDKILN_INPUTS"
    )


def test_a_board_alone_is_a_beginning(inputs: Path) -> None:
    for kind in ("cards", "cores", "titles"):
        shutil.rmtree(inputs / kind)
    manifest = load(inputs)
    assert (sorted(manifest.boards), manifest.cards, manifest.sources.places) == (["bench"], {}, ())


def test_the_order_of_files_in_their_folder_does_not_matter(inputs: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    for name in ("zebra", "ant", "moth-2"):
        shutil.copy(inputs / "titles/moth.toml", inputs / f"titles/{name}.toml")
    before = load(inputs)
    listed = os.scandir

    def backwards(path: str) -> AbstractContextManager[list[os.DirEntry[str]]]:
        with listed(path) as entries:
            return nullcontext(sorted(entries, key=lambda entry: entry.name, reverse=True))

    monkeypatch.setattr(os, "scandir", backwards)
    assert load(inputs) == before
    assert list(before.titles) == ["ant", "moth", "moth-2", "zebra"]


def test_files_of_editors_and_systems_are_passed_by(inputs: Path) -> None:
    for name in (".#moth.toml", "._moth.toml", "moth.toml~", ".toml", "..toml", ".x.TOML", ".DS_Store"):
        (inputs / "titles" / name).write_text("no manifest", "utf-8")
    (inputs / "titles/.#wasp.toml").symlink_to("somebody@somewhere.1234")
    (inputs / ".titles.toml").touch()
    assert list(load(inputs).titles) == manifest_ids(inputs / "titles") == ["moth"]


def test_ids_are_known_of_a_folder_with_unfit_names_and_of_none(inputs: Path) -> None:
    for name in ("Moth.toml", "con.toml", "a b.toml", "wasp.TOML", "ant.toml", "a\nb.toml"):
        (inputs / "titles" / name).touch()
    assert manifest_ids(inputs / "titles") == ["ant", "moth"]
    assert manifest_ids(inputs / "nowhere") == manifest_ids(inputs / "titles/ant.toml") == []


@pytest.mark.parametrize(("name", "better"), [("con", "con-1"), ("größe", "gr-e"), ("Moth Pantry", "moth-pantry")])
def test_file_names_are_ids(inputs: Path, name: str, better: str) -> None:
    shutil.copy(inputs / "titles/moth.toml", inputs / f"titles/{name}.toml")
    lines = told(inputs).split("\n")
    assert lines[0].startswith(f'inputs/titles/{name}.toml: found the file name "{name}.toml", ')
    assert lines[1:] == [f'  hint: rename it to "{better}.toml"']


def test_a_file_that_is_not_utf_8_is_told_with_its_line(inputs: Path) -> None:
    assert told_of_card(inputs, 'name = "Show"\nversion = "\xfc"'.encode("latin-1")) == (
        "inputs/cards/show.toml:2:12: found the byte 0xFC, expected UTF-8 text\n  hint: save the file as UTF-8"
    )


def test_utf_16_is_not_utf_8(inputs: Path) -> None:
    assert told_of_card(inputs, 'name = "Show"'.encode("utf-16")).startswith(
        "inputs/cards/show.toml:1:1: found the byte 0xFF, expected UTF-8 text"
    )


def test_a_byte_order_mark_and_windows_line_endings_are_taken(inputs: Path) -> None:
    before = load(inputs)
    for path in inputs.glob("*/*.toml"):
        path.write_bytes(b"\xef\xbb\xbf" + path.read_bytes().replace(b"\n", b"\r\n"))
    assert load(inputs) == before


def test_positions_with_windows_line_endings(inputs: Path) -> None:
    data = b'\xef\xbb\xbfname = "Show"\r\nboard = "bench"\r\n[volume]\r\nsize = "64 MB"\r\nlabel = 5\r\n'
    assert told_of_card(inputs, data).startswith("inputs/cards/show.toml:5:9: volume.label: found 5, expected ")


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("a = ", "1:5: found broken TOML: invalid value"),
        ("a", "1:2: found broken TOML: expected '=' after a key in a key/value pair"),
        ("a = 1\na = 2", "2:6: found broken TOML: cannot overwrite a value"),
        ("[a]\n[a]", "2:3: found broken TOML: cannot declare ('a',) twice"),
        ('a = "b\nc = 1', "1:7: found broken TOML: illegal character '\\n'"),
        ("a = 1\r", "1:6: found broken TOML: expected newline or end of document after a statement"),
        ("a = [" * 5000, ""),
        ("a = " + "9" * 5000, ""),
    ],
)
def test_broken_toml_is_one_line_with_its_position(inputs: Path, text: str, message: str) -> None:
    """The words are those of tomllib; what is ours is the place and that there is one line and no traceback."""
    found = told_of_card(inputs, text.encode())
    assert found.startswith(f"inputs/cards/show.toml:{message}")
    assert len(found.split("\n")) <= 2


def test_a_manifest_too_deep_to_walk_is_told(inputs: Path) -> None:
    message = f"found tables and lists more than {DEEPEST} deep within each other, expected fewer"
    for depth in (DEEPEST + 1, 2000):
        text = f"version = 5\nname = {'[' * depth}{']' * depth}"
        found = told_of_card(inputs, text.encode()).split("\n")[0]
        assert found == f"inputs/cards/show.toml:2:{7 + DEEPEST}: {message}"
    dotted = f"version = 5\n[[rom]]\n{'a.' * 12}b = {{ {'c.' * 12}d = 1 }}"
    assert told_of_card(inputs, dotted.encode()).split("\n")[0] == f"inputs/cards/show.toml:3:47: {message}"


def test_pieces_within_pieces_are_no_danger(inputs: Path) -> None:
    piece = '"4t"'
    for _ in range(8):
        piece = f'{{ join = [{piece}, "4t"] }}'
    path = inputs / "titles/moth.toml"
    path.write_text(path.read_text("utf-8").replace('chip = "4t"', f"join = [{piece}, {piece}]"), "utf-8")
    assert len(load(inputs).titles["moth"].roms[0].steps[0].piece.parts) == 2


def test_a_file_far_too_large_is_not_read(inputs: Path) -> None:
    with (inputs / "cards/show.toml").open("wb") as file:
        file.truncate(LARGEST + 1)
    assert told(inputs) == ("inputs/cards/show.toml: found 4,194,305 bytes, expected a manifest of at most 4,194,304")


def test_a_folder_by_the_name_of_a_manifest_is_told(inputs: Path) -> None:
    (inputs / "cards/more.toml").mkdir()
    (inputs / "sources.toml").mkdir()
    assert [line for line in told(inputs).split("\n") if "hint" not in line] == [
        "inputs/cards/more.toml: found no file, expected a manifest",
        "inputs/sources.toml: found no file, expected a manifest",
    ]


def test_a_file_that_the_system_does_not_give_is_told(inputs: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    read = Path.read_bytes

    def refuse(path: Path) -> bytes:
        if path.name == "show.toml":
            raise PermissionError(EACCES, os.strerror(EACCES), str(path))
        return read(path)

    monkeypatch.setattr(Path, "read_bytes", refuse)
    assert told(inputs) == (
        f"inputs/cards/show.toml: cannot be read: {os.strerror(EACCES)}\n  hint: check the file's permissions"
    )


def test_a_link_that_leads_nowhere_is_told(inputs: Path) -> None:
    (inputs / "cards/more.toml").symlink_to("nowhere.toml")
    assert told(inputs).startswith("inputs/cards/more.toml: found no file, expected a manifest")


def test_a_broken_manifest_does_not_make_others_wrong(inputs: Path) -> None:
    """Its id is known; of what it would have said, nothing is."""
    (inputs / "cores/lamp.toml").write_text("name = ", "utf-8")
    (inputs / "boards/bench.toml").write_bytes(b"\xff")
    (inputs / "cards/show.toml").write_text(
        'name = "Show"\nboard = "bench"\ntitles = ["moth"]\ntags = ["evening"]\nsettings = { a = "b" }\n'
        'volume = { size = "64 MB" }\n',
        "utf-8",
    )
    assert [line.partition(": ")[0] for line in told(inputs).split("\n") if "hint" not in line] == [
        "inputs/boards/bench.toml:1:1",
        "inputs/cores/lamp.toml:1:8",
    ]


def test_a_manifests_own_problems_do_not_hide_what_it_says_of_others(inputs: Path) -> None:
    message = told_of_card(inputs, b'name = 5\nboard = "bensh"\ncores = ["lump", 7]\n[volume]\nsize = "64 MB"\n')
    assert [line.partition(": found")[0] for line in message.split("\n") if "hint" not in line] == [
        "inputs/cards/show.toml:1:8: name",
        "inputs/cards/show.toml:2:9: board",
        "inputs/cards/show.toml:3:10: cores.1",
        "inputs/cards/show.toml:3:18: cores.2",
    ]


def test_a_link_that_leads_out_of_the_inputs_is_told(inputs: Path) -> None:
    (inputs.parent / "secret").mkdir()
    (inputs / "files/out").symlink_to("../../secret")
    (inputs / "files/in").symlink_to("pack")
    (inputs / "files/circle").symlink_to("circle")
    text = 'name = "Show"\nboard = "bench"\nvolume = { size = "64 MB" }\n'
    text += "".join(f'[[files]]\npath = "{name}"\nfrom = "files/{name}"\n' for name in ("out", "in", "circle"))
    assert told_of_card(inputs, text.encode()) == (
        'inputs/cards/show.toml:6:8: files.1.from: found "files/out", '
        "which leads out of the folder of inputs by a symbolic link\n"
        "  hint: copy it in, or look for its content in a source\n"
        'inputs/cards/show.toml:12:8: files.3.from: found "files/circle", a symbolic link that leads nowhere\n'
        "  hint: put the file itself there"
    )


def test_a_name_too_long_for_the_system_is_told(inputs: Path) -> None:
    text = f'name = "Show"\nboard = "bench"\nvolume.size = "64 MB"\n[[files]]\npath = "A"\nfrom = "{"x" * 5000}"\n'
    assert told_of_card(inputs, text.encode()).startswith('inputs/cards/show.toml:6:8: files.1.from: found "xxx')


def test_what_is_no_file_is_not_read(inputs: Path) -> None:
    """Reading a pipe that nobody writes to would never end (POSIX.1-2017, open())."""
    os.mkfifo(inputs / "files/pipe")
    os.mkfifo(inputs / "cards/pipe.toml")
    text = 'name = "Show"\nboard = "bench"\nvolume.size = "64 MB"\n'
    text += '[[files]]\npath = "A"\nfrom = "files/pipe"\n[[sums]]\ninto = "B"\nlist = "files/pipe"\n'
    assert told_of_card(inputs, text.encode()) == (
        "inputs/cards/pipe.toml: found no file, expected a manifest\n"
        "  hint: take it out of the folder\n"
        'inputs/cards/show.toml:6:8: files.1.from: found "files/pipe", '
        "which is a pipe, socket or device, expected a file or a folder\n"
        "  hint: put the file itself there\n"
        'inputs/cards/show.toml:9:8: sums.1.list: found "files/pipe", which is not a file, expected a checksum list'
    )


def test_a_checksum_list_far_too_large_is_not_read(inputs: Path) -> None:
    with (inputs / "files/list.sha256").open("wb") as file:
        file.truncate((64 << 20) + 1)
    text = 'name = "Show"\nboard = "bench"\nvolume.size = "64 MB"\n[[sums]]\ninto = "B"\nlist = "files/list.sha256"\n'
    assert told_of_card(inputs, text.encode()) == (
        'inputs/cards/show.toml:6:8: sums.1.list: found "files/list.sha256" of 67,108,865 bytes, '
        "expected a list of at most 67,108,864"
    )


@pytest.mark.parametrize("folder", ["", "cards", "cards/more"])
def test_a_folder_that_the_system_does_not_give_is_told_once(
    inputs: Path, folder: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    (inputs / "cards/more").mkdir()
    listed = os.scandir

    def refuse(path: str) -> Any:
        if Path(path) == inputs / folder:
            raise PermissionError(EACCES, os.strerror(EACCES), path)
        return listed(path)

    monkeypatch.setattr(os, "scandir", refuse)
    if folder == "cards/more":
        assert sorted(load(inputs).cards) == ["show"]
        return
    name = "inputs/cards" if folder else "inputs"
    assert told(inputs) == f"{name}: cannot be read: {os.strerror(EACCES)}\n  hint: check the folder's permissions"


def test_names_that_are_no_text_are_shown_as_escapes(inputs: Path) -> None:
    for name in (b"a\xff\x1b[2Jb.toml", b"c\xff"):
        Path(os.fsdecode(os.fsencode(inputs / "titles") + b"/" + name)).touch()
    lines = told(inputs).encode("utf-8").decode().split("\n")
    assert lines[2] == (
        'inputs/titles/a\\udcff\\u001b[2Jb.toml: found the file name "a\\udcff\\u001b[2Jb.toml", '
        'expected lower-case words with hyphens such as "moth-pantry.toml"'
    )
    assert "\x1b" not in "".join(lines)


@pytest.mark.parametrize(
    ("place", "said"),
    [
        ("x" * 5000, f"which cannot be looked at: {os.strerror(ENAMETOOLONG)}\n  hint: correct the path"),
        ("circle", f"which cannot be looked at: {os.strerror(ELOOP)}\n  hint: correct the path"),
        ("~no-such-user/roms", "and no such user has a home folder\n  hint: write the path in full"),
    ],
)
def test_a_place_that_cannot_be_looked_at_is_told(inputs: Path, place: str, said: str) -> None:
    (inputs / "circle").symlink_to("circle")
    (inputs / "sources.toml").write_text(f'places = ["files", "{place}"]', "utf-8")
    found = told(inputs)
    assert found.startswith('inputs/sources.toml:1:20: places.2: found "')
    assert found.endswith(f'", {said}')


def test_ten_thousand_wrong_chips_are_told_as_soon_as_a_thousand(inputs: Path) -> None:
    """What looks for a name's nearest among all others, for each of them, takes minutes here."""
    chips = "".join(f'[chips.c{number}]\nsize = "x"\n' for number in range(10_000))
    steps = ", ".join(f'{{ at = {number}, chip = "c{number}x" }}' for number in range(10_000))
    text = f'name = "Moth"\ncore = "lamp"\n{chips}[[rom]]\npath = "A.ROM"\nsize = "4 KiB"\nsteps = [{steps}]\n'
    (inputs / "titles/moth.toml").write_text(text, "utf-8")
    lines = [line for line in told(inputs).split("\n") if "hint" not in line]
    assert len(lines) == 21
    assert lines[-1].endswith("more problems in this file")
    assert "and at least " in lines[-1]


def test_inputs_may_be_reached_by_a_link(inputs: Path) -> None:
    (inputs.parent / "link").symlink_to("inputs")
    assert load(inputs.parent / "link", inputs.parent).boards["bench"].file == "link/boards/bench.toml"


def test_sources_may_lie_anywhere(inputs: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("HOME", str(tmp_path))
    monkeypatch.setenv("USERPROFILE", str(tmp_path))
    (tmp_path / "attic").mkdir()
    absolute = (tmp_path / "attic").as_posix()
    (inputs / "sources.toml").write_text(f'places = ["../attic", "{absolute}", "files"]', "utf-8")
    (inputs / "sources.local.toml").write_text('places = ["~/attic"]', "utf-8")
    assert load(inputs).sources.places == (str(tmp_path / "attic"), str(inputs / "files"))


def test_at_most_20_problems_of_a_file_are_shown_and_all_of_the_others(inputs: Path) -> None:
    (inputs / "titles/moth.toml").write_text("\n".join(f"wrong-{n} = 1" for n in range(50)), "utf-8")
    (inputs / "titles/wasp.toml").write_text("wrong = 1", "utf-8")
    lines = [line for line in told(inputs).split("\n") if "hint" not in line]
    assert sum("moth.toml" in line for line in lines) == 21
    assert lines[20] == "inputs/titles/moth.toml:19:1: wrong-18: and 32 more problems in this file"
    assert sum("wasp.toml" in line for line in lines) == 3


def test_one_manifest_is_a_function_of_its_bytes(inputs: Path) -> None:
    data = (inputs / "titles/moth.toml").read_bytes()
    loaded = load(inputs, inputs.parent).titles["moth"]
    shutil.rmtree(inputs)
    assert parse_manifest("title", "moth", "inputs/titles/moth.toml", data).value == loaded


def test_the_validator_is_imported_only_when_a_manifest_is_checked() -> None:
    program = "import sys, pipeline.manifest.load; print('jsonschema' in sys.modules)"
    root = CASES.parents[1]
    done = subprocess.run([sys.executable, "-c", program], cwd=root, capture_output=True, text=True, check=True)
    assert done.stdout == "False\n"


@st.composite
def damaged(draw: st.DrawFn) -> tuple[str, bytes]:
    """Return a kind and the bytes of a manifest of it in which bytes or lines were changed."""
    kind = draw(st.sampled_from(sorted(SAMPLES)))
    data = bytearray(SAMPLES[kind])
    for _ in range(draw(st.integers(1, 4))):
        at = draw(st.integers(0, len(data)))
        end = draw(st.integers(at, min(len(data), at + 30)))
        data[at:end] = draw(
            st.binary(max_size=3)
            | st.sampled_from(
                [b"", b"\n", b'"', b"= 5\n", b"[[x]]\n", b"{}", b"true", b"[", b'"\\u0000"', b"0x10", b"-1.5"]
            )
        )
    return kind, bytes(data)


@given(damaged())
def test_whatever_is_in_a_manifest_is_taken_or_told_in_one_line_each(case: tuple[str, bytes]) -> None:
    kind, data = case
    examined = parse_manifest(kind, "x", "x.toml", data)
    for problem in examined.problems:
        assert problem.what
        assert "\n" not in f"{problem.place}{problem.what}{problem.hint}"
    assert kind == "sources" or (examined.value is None) == bool(examined.problems)


VALUES = st.sampled_from(
    [
        "5", "-1", "0x1000000000", "1.5", "inf", "true", '""', '"x"', '"../x"', '"4 KiB"', "[]", "{}", "[[]]",
        '["a", 5, {}]', "{ a = 1 }", "2026-01-01", "2026-01-01T00:00:00Z", "10:00:00", '"\\u0000"', '"{x}"',
        '{ chip = "1" }', "[{}, [5]]", '"""a\nb"""', "'''\n\n'''",
    ]
)  # fmt: skip


@given(st.sampled_from(sorted(SAMPLES)), st.data())
def test_any_value_of_any_type_anywhere_is_taken_or_told(kind: str, data: st.DataObject) -> None:
    lines = SAMPLES[kind].decode().split("\n")
    numbers = [number for number, line in enumerate(lines) if " = " in line]
    for number in data.draw(st.lists(st.sampled_from(numbers), min_size=1, max_size=4)):
        lines[number] = f"{lines[number].partition(' = ')[0]} = {data.draw(VALUES)}"
    examined = parse_manifest(kind, "x", "x.toml", "\n".join(lines).encode())
    assert all("\n" not in f"{problem.place}{problem.what}{problem.hint}" for problem in examined.problems)


WRONG = {
    "chips whose size is none": ('[chips.c{}]\nsize = "4 KX"\nsha256 = "' + 64 * "0" + '"\n', ""),
    "chips with an unknown key": ('[chips.c{}]\nsize = 1\nsha256 = "' + 64 * "0" + '"\nsiez = 1\n', ""),
    "chips that no step uses": ('[chips.c{}]\nsize = 1\nsha256 = "' + 64 * "0" + '"\n', ""),
    "chips that steps name in other words": (
        '[chips.c{}]\nsize = 1\nsha256 = "' + 64 * "0" + '"\n',
        '[[rom.steps]]\nat = {0}\nchip = "d{0}"\n',
    ),
}


@pytest.mark.parametrize("chip_and_step", WRONG.values(), ids=list(WRONG))
def test_wrong_chips_cost_in_proportion_to_their_number(inputs: Path, chip_and_step: tuple[str, str]) -> None:
    chip, step = chip_and_step

    def work(count: int) -> int:
        rom = '[[rom]]\npath = "A.ROM"\nsize = "1 MiB"\nfill = 0\n' if step else ""
        text = 'name = "Big"\ncore = "lantern"\n' + "".join(chip.format(n) for n in range(1000, 1000 + count)) + rom
        (inputs / "titles/big.toml").write_text(text + "".join(step.format(n) for n in range(1000, 1000 + count)))
        return calls_of(lambda: told(inputs))

    work(10)
    assert work(1600) < 4.5 * work(400)
