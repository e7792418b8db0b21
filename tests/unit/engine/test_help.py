"""``doit help``: every command, task and topic is explained in full, and found by its name or one like it."""

from __future__ import annotations

import re
import subprocess
import sys
from pathlib import Path

import pytest

from pipeline.engine import help_text
from pipeline.engine.help import GROUPS, TASKS, overview
from tests.support.cli import BYTECODE, COMMANDS, ROOT

NAMES = help_text.names()
TOPICS = {"store"}


def doit_help(folder: Path, *arguments: str) -> subprocess.CompletedProcess[str]:
    words = [sys.executable, "-m", "pipeline.engine.main", *arguments]
    environment = {"PYTHONPATH": str(ROOT), "PATH": "", **BYTECODE}
    return subprocess.run(words, cwd=folder, env=environment, capture_output=True, text=True, check=False)


def test_everything_has_a_text_and_is_listed_once() -> None:
    assert set(NAMES) == {*COMMANDS, "run", "list", "clean", "help", "check", *TASKS, *TOPICS}
    assert sorted(name for names in GROUPS.values() for name in names) == NAMES


@pytest.mark.parametrize("name", NAMES)
def test_a_text_has_purpose_usage_words_examples_and_exit_codes(name: str) -> None:
    text = help_text.text(name)
    purpose, usage, *words = text.partition("Examples\n")[0].split("\n\n")
    assert len(purpose) <= 66
    assert purpose[0].islower()
    assert not purpose.endswith(".")
    assert all(re.match(r"    (doit|CARDKILN_\w+=)", line) for line in usage.splitlines())
    assert len(" ".join(words).split()) >= 7
    examples, _, codes = text.partition("Examples\n")[2].partition("\nExit codes")
    assert re.search(r"^    \$ .*(doit|\.ci/card)", examples, re.MULTILINE)
    assert re.findall(r"^    (\d+) +[a-z]", codes, re.MULTILINE)[0] == "0"
    outside = text.replace(examples, "").splitlines()
    assert max(map(len, outside)) <= help_text.WIDTH
    assert text.endswith("\n")
    assert not re.search(r"[ \t]$", text, re.MULTILINE)


@pytest.mark.parametrize("name", COMMANDS)
def test_every_option_is_told_before_the_examples(name: str) -> None:
    command = COMMANDS[name]()
    before, _, _ = command.help().partition("\nExamples\n")
    _, _, options = before.partition("\nOptions\n")
    for option in command.get_options():
        assert option.help
        assert f"--{option.long}" in options
    assert max(map(len, options.splitlines())) <= help_text.WIDTH


@pytest.mark.parametrize("name", COMMANDS)
def test_what_is_told_of_a_command_stands_in_its_text_alone(name: str) -> None:
    assert not {"doc_purpose", "doc_usage", "doc_description"} & vars(COMMANDS[name]).keys()


@pytest.mark.parametrize("name", NAMES)
def test_what_a_text_points_to_is_there(name: str) -> None:
    for other in re.findall(r"doit help (\w+)", help_text.text(name)):
        assert other in NAMES or other == "TASK"


def test_the_list_has_each_with_its_line(tmp_path: Path) -> None:
    ran = doit_help(tmp_path, "help")
    assert (ran.returncode, ran.stderr) == (0, "")
    assert ran.stdout.splitlines() == overview()
    for name in NAMES:
        assert f"  {TASKS.get(name, name):<13}{help_text.purpose(name)}\n" in ran.stdout
    assert ran.stdout.endswith("doit list shows the tasks of this folder.\n")


@pytest.mark.parametrize("name", ["pin", "rom:moth-pantry", "store", "run", "clean"])
def test_one_is_told_in_full(name: str, tmp_path: Path) -> None:
    ran = doit_help(tmp_path, "help", name)
    assert (ran.returncode, ran.stderr) == (0, "")
    assert ran.stdout.startswith(help_text.text(name.partition(":")[0]).partition("\n")[0])
    if name in ("pin", "run", "clean"):
        assert doit_help(tmp_path, name, "--help").stdout == ran.stdout


@pytest.mark.parametrize(
    ("arguments", "told"),
    [
        (["help", "pni"], 'found "pni", expected a command, a task or a topic\n  hint: did you mean "pin"?\n'),
        (
            ["help", "zzz"],
            'found "zzz", expected a command, a task or a topic\n  hint: doit help lists what there is\n',
        ),
        (["help", ""], 'found "", expected a name\n  hint: doit help help shows the usage\n'),
        (["list", ""], 'found "", expected a name\n  hint: doit help list shows the usage\n'),
        (
            ["help", "../../run"],
            'found "../../run", expected a command, a task or a topic\n  hint: doit help lists what there is\n',
        ),
        (["help", "pin", "find"], "found 2 names, expected one\n  hint: doit help lists what there is\n"),
    ],
)
def test_a_name_that_there_is_not_is_told_with_the_nearest(arguments: list[str], told: str, tmp_path: Path) -> None:
    ran = doit_help(tmp_path, *arguments)
    assert (ran.returncode, ran.stdout, ran.stderr) == (2, "", told)


@pytest.mark.parametrize(
    ("arguments", "told"),
    [
        (["chek"], 'found "chek", expected a command or a task\n  hint: did you mean "check"?\n'),
        (["vrify"], 'found "vrify", expected a command or a task\n  hint: did you mean "verify"?\n'),
        (
            ["zzz"],
            'found "zzz", expected a command or a task\n'
            "  hint: doit help lists the commands, doit list --all the tasks\n",
        ),
        (["check", "--lst"], "option --lst not recognized\n  hint: doit help TASK shows the options\n"),
    ],
)
def test_a_word_that_is_no_command_or_task_is_told_with_the_nearest(
    arguments: list[str], told: str, tmp_path: Path
) -> None:
    ran = doit_help(tmp_path, "run", "-f", str(ROOT / "dodo.py"), "-d", str(tmp_path), *arguments)
    assert (ran.returncode, ran.stdout, ran.stderr) == (2, "", told)


def test_the_list_of_tasks_leads_on_and_plain_lists_stay_plain(tmp_path: Path) -> None:
    where = ["-f", str(ROOT / "dodo.py"), "-d", str(tmp_path)]
    assert doit_help(tmp_path, "list", *where).stdout.endswith(
        "\n\ndoit list --all shows the tasks of each title and card, doit help TASK explains one, "
        "doit help lists all commands\n"
    )
    for more in (["-q"], ["--all"], ["--template", "{name}"], ["check"]):
        assert "doit help" not in doit_help(tmp_path, "list", *where, *more).stdout
