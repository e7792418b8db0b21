"""Small faults put into the pure folders one at a time: the folder's own tests must notice nearly all of them.

What is changed is common practice of mutation testing: comparisons, constants by one, ``and`` and ``or``, what is
returned. Some changes make no difference (a bound that is never reached), so not all can be noticed.
"""

from __future__ import annotations

import ast
import os
import random
import shutil
import subprocess
import sys
from collections.abc import Callable, Iterator
from functools import partial
from pathlib import Path
from typing import NamedTuple

import pytest

from tests.system.test_architecture import PURE, ROOT

MUTANTS = int(os.environ.get("MUTANTS", "20"))
"""Changes tried in each folder, always the same ones; with more of them a run is thorough and takes hours."""
SHARE = 0.75
"""The share of them that must be noticed."""
ELSEWHERE = {"record": ("inspect/test_verify.py", "commands/test_diff.py")}
"""Tests of a folder that lie below another one."""
PATIENCE = 600
"""Seconds after which tests that do not end have noticed the change, too."""
COMPARISONS: dict[type[ast.cmpop], type[ast.cmpop]] = {
    ast.Lt: ast.LtE, ast.LtE: ast.Lt, ast.Gt: ast.GtE, ast.GtE: ast.Gt, ast.Eq: ast.NotEq, ast.NotEq: ast.Eq,
    ast.In: ast.NotIn, ast.NotIn: ast.In, ast.Is: ast.IsNot, ast.IsNot: ast.Is,
}  # fmt: skip


class Mutant(NamedTuple):
    """A change of one node of a module: what it is, the line it is in, and how it is made."""

    what: str
    line: int
    make: Callable[[], None]


def mutants(tree: ast.Module) -> Iterator[Mutant]:
    """Yield every change of a module; each changes the tree, so only one of a tree can be made."""
    for node in ast.walk(tree):
        if isinstance(node, ast.Compare):
            for number, operation in enumerate(node.ops):
                if changed := COMPARISONS.get(type(operation)):
                    what = f"{type(operation).__name__} -> {changed.__name__}"
                    yield Mutant(what, node.lineno, partial(node.ops.__setitem__, number, changed()))
        elif isinstance(node, ast.Constant) and type(node.value) is int:
            for value in (node.value + 1, node.value - 1):
                yield Mutant(f"{node.value} -> {value}", node.lineno, partial(setattr, node, "value", value))
        elif isinstance(node, ast.BoolOp):
            changed_to = ast.Or if isinstance(node.op, ast.And) else ast.And
            what = f"{type(node.op).__name__} -> {changed_to.__name__}"
            yield Mutant(what, node.lineno, partial(setattr, node, "op", changed_to()))
        elif isinstance(node, ast.Return) and node.value and not isinstance(node.value, ast.Constant):
            yield Mutant("returns None", node.lineno, partial(setattr, node, "value", ast.Constant(None)))


def is_noticed(program: Path, folder: str) -> bool:
    """Whether the tests of a folder fail in a copy of the program."""
    tests = [program / "tests/unit" / name for name in (folder, *ELSEWHERE.get(folder, ()))]
    words = [sys.executable, "-m", "pytest", "-q", "-x", "-n", "0", *map(str, tests)]
    environment = {**os.environ, "PYTHONDONTWRITEBYTECODE": "1", "CI": "1"}
    try:
        done = subprocess.run(words, cwd=program, env=environment, capture_output=True, timeout=PATIENCE, check=False)
    except subprocess.TimeoutExpired:
        return True
    return done.returncode != 0


@pytest.mark.long
@pytest.mark.parametrize("folder", sorted({*PURE} - {"errors"}))
def test_most_small_faults_are_noticed_by_the_folders_own_tests(folder: str, tmp_path: Path) -> None:
    program = tmp_path / "program"
    unwanted = {"build", *(path.name for path in ROOT.glob(".*") if path.name != ".ci")}
    shutil.copytree(ROOT, program, ignore=lambda folder, _: unwanted if Path(folder) == ROOT else {"__pycache__"})
    assert not is_noticed(program, folder), "the tests fail without any change"
    files = sorted((program / "pipeline" / folder).rglob("*.py"))
    places = [(file, n) for file in files for n, _ in enumerate(mutants(ast.parse(file.read_text(encoding="utf-8"))))]
    unnoticed = []
    chosen = random.Random(folder).sample(places, min(MUTANTS, len(places)))
    for file, number in chosen:
        text = file.read_text(encoding="utf-8")
        tree = ast.parse(text)
        mutant = list(mutants(tree))[number]
        mutant.make()
        file.write_text(ast.unparse(tree), encoding="utf-8")
        if not is_noticed(program, folder):
            unnoticed.append(f"{file.relative_to(program)}:{mutant.line}: {mutant.what}")
        file.write_text(text, encoding="utf-8")
    assert len(unnoticed) <= (1 - SHARE) * len(chosen), "\n".join(["not noticed:", *sorted(unnoticed)])


def test_each_kind_of_change_is_made() -> None:
    source = "def f(a, b):\n    if a < 2 and b:\n        return a + b\n    return 0\n"
    made = []
    for number in range(len(list(mutants(ast.parse(source))))):
        tree = ast.parse(source)
        list(mutants(tree))[number].make()
        made.append(ast.unparse(tree))
    assert sorted(made) == sorted(
        text.rstrip("\n")
        for text in (
            source.replace("<", "<="),
            source.replace("a < 2", "a < 3"),
            source.replace("a < 2", "a < 1"),
            source.replace("and", "or"),
            source.replace("return a + b", "return None"),
            source.replace("return 0", "return 1"),
            source.replace("return 0", "return -1"),
        )
    )
