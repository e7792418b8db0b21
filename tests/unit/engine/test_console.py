"""Lost output, closed streams, Ctrl-C and odd arguments end every command with at most one line."""

from __future__ import annotations

import errno
import io
import os
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

from pipeline.engine import console
from tests.support import small
from tests.support.cli import BYTECODE, COMMANDS, ROOT, write_tree

MAIN = "import sys; sys.path.insert(0, {root!r}); from pipeline.engine.main import main; main()"
PROJECT = ["run", "-f", str(ROOT / "dodo.py"), "-d", "."]

posix = pytest.mark.skipif(os.name != "posix", reason="streams and signals are POSIX's")


def started(folder: Path, arguments: list[str], **streams: int) -> subprocess.Popen[str]:
    process: subprocess.Popen[str] = subprocess.Popen(
        [sys.executable, "-c", MAIN.format(root=str(ROOT)), *arguments],
        cwd=folder, env={**os.environ, **BYTECODE}, text=True, **{"stderr": subprocess.PIPE, **streams},  # type: ignore[call-overload]
    )  # fmt: skip
    return process


def call(folder: Path, *arguments: str) -> tuple[int, str]:
    process = started(folder, list(arguments), stdout=subprocess.DEVNULL)
    _, err = process.communicate()
    return process.returncode, err


@pytest.fixture(scope="module")
def built(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = small.small_project(tmp_path_factory.mktemp("built"))
    shutil.copy(ROOT / "dodo.py", folder)
    assert call(folder) == (0, "")
    return folder


@posix
@pytest.mark.parametrize(
    "arguments",
    [PROJECT, ["help"], ["--version"], ["list", "--help"], ["why", "desk"], ["verify", "build/cards/desk/card.img"]],
)
def test_a_full_disk_behind_standard_output_is_one_line(built: Path, arguments: list[str]) -> None:
    with Path("/dev/full").open("w", encoding="ascii") as full:
        process = started(built, arguments, stdout=full.fileno())
        _, err = process.communicate()
    assert err == f"standard output: {os.strerror(errno.ENOSPC)}; the rest of the output is lost\n"
    assert process.returncode == 3


@posix
def test_a_build_goes_on_to_its_end_without_its_output(tmp_path: Path) -> None:
    folder = small.small_project(tmp_path)
    with Path("/dev/full").open("w", encoding="ascii") as full:
        started(folder, PROJECT, stdout=full.fileno()).communicate()
    assert {path.name for path in (folder / "build/cards/desk").iterdir()} == {
        "card.img", "plan.json", "record.json", "SHA256SUMS", "sheet.html",
    }  # fmt: skip


@posix
@pytest.mark.parametrize("arguments", [PROJECT, ["list"], ["why", "desk"]])
def test_a_reader_that_has_enough_is_told_nothing(built: Path, arguments: list[str]) -> None:
    reading, writing = os.pipe()
    os.close(reading)
    process = started(built, arguments, stdout=writing)
    os.close(writing)
    _, err = process.communicate()
    assert (process.returncode, err) == (3, "")


@posix
def test_standard_output_that_is_closed_is_one_line(built: Path) -> None:
    script = f'"{sys.executable}" -c "$0" why desk >&-'
    done = subprocess.run(
        ["sh", "-c", script, MAIN.format(root=str(ROOT))], cwd=built, capture_output=True, text=True, check=False
    )
    assert (done.returncode, done.stderr) == (
        3,
        f"standard output: {os.strerror(errno.EBADF)}; the rest of the output is lost\n",
    )


def test_what_an_encoding_lacks_is_written_escaped() -> None:
    raw = io.BytesIO()
    out = console.SafeStream(io.TextIOWrapper(raw, encoding="ascii"))
    out.write("Gr\xfc\xdfe \udcff\n")
    out.flush()
    assert raw.getvalue() == b"Gr\\xfc\\xdfe \\udcff\n"
    assert out.lost is None


def test_ctrl_c_is_one_line_and_130(capsys: pytest.CaptureFixture[str]) -> None:
    def interrupt() -> int:
        raise KeyboardInterrupt

    assert console.run(interrupt) == 130
    assert capsys.readouterr() == ("", "interrupted\n")


def test_the_exit_code_of_a_command_is_kept() -> None:
    assert console.run(lambda: 2) == 2


@posix
def test_ctrl_c_while_modules_load_is_one_line_and_130() -> None:
    script = "import os, signal, time; from pipeline.engine import console; console.prepare(); {}; time.sleep(60)"
    words = [sys.executable, "-c", script.format("os.kill(os.getpid(), signal.SIGINT)")]
    done = subprocess.run(words, cwd=ROOT, capture_output=True, text=True, check=False)
    assert (done.returncode, done.stdout, done.stderr) == (130, "", "interrupted\n")


@posix
def test_where_ctrl_c_is_ignored_it_stays_so() -> None:
    script = (
        "import os, signal; from pipeline.engine import console; signal.signal(signal.SIGINT, signal.SIG_IGN);"
        "console.prepare(); os.kill(os.getpid(), signal.SIGINT); print(console.run(lambda: 0))"
    )
    done = subprocess.run([sys.executable, "-c", script], cwd=ROOT, capture_output=True, text=True, check=False)
    assert (done.returncode, done.stdout, done.stderr) == (0, "0\n", "")


PROCESSES = "expected a whole number from 1\n  hint: without it as many processes work as pay\n"
SHOWS_THEM = "  hint: doit list --all shows them\n"
NO_DODO = "there is no such file\n  hint: change to the folder of your cards, or name the file with -f\n"
NO_TEMPLATE = '  hint: expected {name}, {doc} and, with -s, {status}, as in "{name}: {doc}"\n'
NO_DATABASE = "has no effect: there is no database\n  hint: leave it out\n"

ARGUMENTS: dict[tuple[str, ...], tuple[int, str]] = {
    ("publish", ""): (2, 'found "", expected the id of a card\n'),
    ("write", "desk", ""): (4, "is not a disk of this machine\n"),
    ("",): (2, 'found "", expected the name of a task\n  hint: doit list --all shows them\n'),
    ("run", "--db-file", "x"): (2, f"--db-file {NO_DATABASE}"),
    ("run", "--backend", "dbm"): (2, f"--backend {NO_DATABASE}"),
    ("list", "--backend", "dbm"): (2, f"--backend {NO_DATABASE}"),
    ("info", "--db-f", "x"): (2, f"--db-file {NO_DATABASE}"),
    **{
        (name, "rom:NOTHING"): (2, f'found "rom:NOTHING", expected a task\n{SHOWS_THEM}')
        for name in ("info", "list", "clean")
    },
    **{
        (name, ""): (2, f'found "", expected a name\n  hint: doit help {name} shows the usage\n')
        for name in ("info", "list", "clean", "help", "tabcompletion")
    },
    **{
        (name, "--bad"): (2, f"option --bad not recognized\n  hint: doit help {name} shows the options\n")
        for name in ("info", "list", "clean", "help", "tabcompletion")
    },
    **{
        (name, "check"): (2, f'found "{name}", expected a command or a task\n')
        for name in ("dumpdb", "forget", "ignore", "reset-dep", "strace")
    },
    ("run", "rom:NOTHING"): (
        2, 'found "rom:NOTHING", expected a command or a task\n'
        "  hint: doit help lists the commands, doit list --all the tasks\n",
    ),
    ("list", "image:dess", "*"): (
        2, f'found "*", expected a task\n{SHOWS_THEM}'
        'found "image:dess", expected a task\n  hint: did you mean "image:desk"?\n',
    ),
    ("info",): (2, f"found 0 names, expected that of one task\n{SHOWS_THEM}"),
    ("info", "check", "rom"): (2, f"found 2 names, expected that of one task\n{SHOWS_THEM}"),
    ("tabcompletion", "check"): (
        2, 'found "check", expected no name\n  hint: doit help tabcompletion shows the usage\n',
    ),
    ("list", "--template", "{kind}"): (2, f"option template: 'kind'\n{NO_TEMPLATE}"),
    ("list", "--template", "{"): (2, f"option template: expected '}}' before end of string\n{NO_TEMPLATE}"),
    **{
        (name, "-f", "another.py"): (3, f"another.py: {NO_DODO}") for name in ("run", "info", "list", "clean")
    },
    **{(name, "-d", "nowhere"): (3, "nowhere: there is no such folder\n") for name in ("run", "info", "list", "clean")},
    **{
        (name, "-f", "inputs"): (3, "inputs: is a folder, expected a file such as dodo.py\n")
        for name in ("run", "info", "list", "clean")
    },
    ("list", "-f", "inputs/cards/desk.toml"): (
        3, "inputs/cards/desk.toml: cannot be loaded: ModuleNotFoundError: No module named 'desk'\n",
    ),
}  # fmt: skip


@pytest.mark.parametrize("arguments", ARGUMENTS, ids=" ".join)
def test_arguments_without_sense_are_one_line_and_leave_no_file(built: Path, arguments: tuple[str, ...]) -> None:
    before = set(built.iterdir())
    code, err = call(built, *arguments)
    expected, start = ARGUMENTS[arguments]
    assert (code, err[: len(start)]) == (expected, start)
    assert "Traceback" not in err
    assert set(built.iterdir()) == before


FOLDERS: dict[str, dict[str, str | bytes]] = {
    "no manifests": {"dodo.py": (ROOT / "dodo.py").read_bytes()},
    "broken manifests": {
        "dodo.py": (ROOT / "dodo.py").read_bytes(),
        "inputs/cards/desk.toml": "[[[",
        "inputs/titles/other.toml": b"\xff",
        "inputs/sources.toml": "places = 1",
    },
}


@pytest.mark.parametrize("name", ["info", "list", "clean"])
@pytest.mark.parametrize("files", FOLDERS.values(), ids=FOLDERS)
def test_an_unknown_task_is_told_whatever_the_manifests_are(
    tmp_path: Path, name: str, files: dict[str, str | bytes]
) -> None:
    write_tree(tmp_path, files)
    assert call(tmp_path, name, "NOTHING") == (2, f'found "NOTHING", expected a task\n{SHOWS_THEM}')


@pytest.mark.parametrize(
    "arguments", [["run"], ["list"], ["info", "check"], ["clean"], ["clean", "check"]], ids=" ".join
)
def test_a_folder_without_tasks_is_one_message(tmp_path: Path, arguments: list[str]) -> None:
    assert call(tmp_path, *arguments) == (3, f"dodo.py: {NO_DODO}")
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize("name", ["run", "list", "clean"])
def test_a_dodo_file_that_cannot_be_loaded_is_one_line(tmp_path: Path, name: str) -> None:
    (tmp_path / "dodo.py").write_text("def (:\n", encoding="ascii")
    code, err = call(tmp_path, name)
    assert (code, err.count("\n")) == (3, 1)
    assert err.startswith("dodo.py: cannot be loaded: SyntaxError: ")


@posix
@pytest.mark.parametrize("arguments", [["list"], ["why", "desk"], ["run"]], ids=" ".join)
def test_a_working_folder_that_is_gone_is_one_line(tmp_path: Path, arguments: list[str]) -> None:
    script = f'rmdir "$PWD" && exec "{sys.executable}" -c "$0" {" ".join(arguments)}'
    (tmp_path / "gone").mkdir()
    done = subprocess.run(
        ["sh", "-c", script, MAIN.format(root=str(ROOT))],
        cwd=tmp_path / "gone",
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 3
    assert done.stderr == "the working folder is gone\n  hint: change to a folder that exists\n"
    assert not (tmp_path / "gone").exists()


CARDS = {f"inputs/cards/c{number}.toml": small.CARD for number in range(2)}
WRONG = {
    1: {"inputs/sources.toml": "places = []\n"},
    2: {"inputs/cards/desk.toml": small.CARD + "x = 1\n"},
    3: {"build/cards": "a file where a folder is to be"},
}


@pytest.mark.parametrize("code", WRONG)
def test_exit_codes_of_several_processes_are_those_of_one(tmp_path: Path, code: int) -> None:
    folder = small.small_project(tmp_path, {**CARDS, **WRONG[code]})
    shutil.copy(ROOT / "dodo.py", folder)
    assert call(folder)[0] == code
    assert call(folder, "-n", "2")[0] == code


class Lost(io.StringIO):
    """A stream behind which nothing arrives."""

    def __init__(self, number: int) -> None:
        super().__init__()
        self.number = number

    def write(self, text: str) -> int:
        raise OSError(self.number, os.strerror(self.number))


@pytest.mark.parametrize("name", COMMANDS)
@pytest.mark.parametrize(
    ("stream", "told"),
    [
        (Lost(errno.ENOSPC), os.strerror(errno.ENOSPC)),
        (None, os.strerror(errno.EBADF)),
        (Lost(errno.EPIPE), ""),
    ],
    ids=["full", "closed", "enough"],
)
def test_help_that_is_lost_is_one_line_at_most(
    monkeypatch: pytest.MonkeyPatch, name: str, stream: io.StringIO | None, told: str
) -> None:
    err = io.StringIO()
    monkeypatch.setattr(sys, "stdout", stream)
    monkeypatch.setattr(sys, "stderr", err)
    assert COMMANDS[name]().parse_execute(["--help"]) == 3
    assert err.getvalue() == (f"standard output: {told}; the rest of the output is lost\n" if told else "")


@pytest.mark.parametrize(
    ("arguments", "what"),
    [
        (["run", "--bad"], "option --bad not recognized\n  hint: doit help run shows the options\n"),
        (["list", "--bad"], "option --bad not recognized\n  hint: doit help list shows the options\n"),
        (
            ["run", "--verbosity=z"],
            'option verbosity: found "z", expected a whole number\n  hint: doit help run shows the options\n',
        ),
        (
            ["run", "-n", "x"],
            'option -n: found "x", expected a whole number\n  hint: doit help run shows the options\n',
        ),
        (["run", "-n0"], f'option -n: found "0", {PROCESSES}'),
        (["run", "-n", "-1"], f'option -n: found "-1", {PROCESSES}'),
        (
            ["run", "-P", "thread"],
            "--parallel-type has no effect: work is divided between processes\n  hint: leave it out\n",
        ),
    ],
)
def test_a_wrong_option_of_a_command_of_doit_is_one_line_and_a_hint(
    tmp_path: Path, arguments: list[str], what: str
) -> None:
    assert call(tmp_path, *arguments) == (2, what)


@pytest.mark.parametrize("name", ["run", "clean"])
def test_commands_of_doit_have_help_too(tmp_path: Path, name: str) -> None:
    assert call(tmp_path, name, "--help") == (0, "")
