"""Data flows one way, and the folders show it (DEVELOPERS.md, "How the code is laid out")."""

from __future__ import annotations

import ast
from collections.abc import Iterator
from graphlib import TopologicalSorter
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]

BELOW: dict[str, set[str]] = {
    "printable": set(),
    "errors": {"printable"},
    "model": {"errors", "printable"},
    "threads": set(),
    "processes": {"errors"},
    "file_digest": set(),
    "fat": {"errors", "model"},
    **{
        part: {"errors", "model", "fat", "threads", "processes", "file_digest"}
        for part in (
            "manifest",
            "sources",
            "roms",
            "bitstreams",
            "configs",
            "card",
            "image",
            "record",
            "stations",
            "planner",
            "sheet",
            "volume",
            "publish",
            "device",
            "store",
        )
    },
}
BELOW["sets"] = {"errors", "model"}
BELOW["solve"] = {"errors", "model", "roms"}
BELOW["translate"] = {"errors", "model", "roms", "solve"}
BELOW["survey"] = {"errors", "model", "fat", "bitstreams", "configs"}
BELOW["resources"] = BELOW["memory"] = set()
for part in ("manifest", "workspace"):
    BELOW.setdefault(part, set(BELOW)).add("resources")
BELOW["build"] = {*BELOW}
for part in ("inspect", "explain", "distribute", "drafts", "prove", "cluster"):
    BELOW[part] = {*BELOW} - {"inspect", "explain", "distribute", "drafts", "prove", "cluster"}
BELOW["media"] = {*BELOW}
BELOW["engine"] = {"errors", "printable", "model", "processes", "workspace", "build"}
BELOW["tasks"] = BELOW["commands"] = {*BELOW}
"""What each part of pipeline/ may import, besides itself."""

PURE = (
    "printable",
    "errors",
    "model",
    "fat",
    "roms",
    "sets",
    "solve",
    "translate",
    "survey",
    "bitstreams",
    "configs",
    "card",
    "record",
    "stations",
    "planner",
    "sheet",
    "volume",
)
IMPURE_MODULES = {
    "asyncio", "glob", "http", "io", "os", "pathlib", "random", "secrets", "shutil", "socket", "sqlite3", "subprocess",
    "sys", "tempfile", "threading", "time", "urllib", "uuid",
}  # fmt: skip
IMPURE_NAMES = {"open", "input", "print", "now", "utcnow", "today", "getenv", "environ"}

MODULES = sorted((ROOT / "pipeline").rglob("*.py"))


def part_of(module: Path) -> str:
    return module.relative_to(ROOT / "pipeline").parts[0].removesuffix(".py")


def imports(tree: ast.AST) -> list[str]:
    found = []
    for node in ast.walk(tree):
        if isinstance(node, ast.Import):
            found += [alias.name for alias in node.names]
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, "absolute imports only"
            module = node.module or ""
            found += [f"{module}.{alias.name}" for alias in node.names] if module == "pipeline" else [module]
    return found


@pytest.mark.parametrize("module", MODULES, ids=lambda path: path.relative_to(ROOT).as_posix())
def test_imports_run_one_way(module: Path) -> None:
    part = part_of(module)
    if part == "__init__":
        return
    ours = [name for name in imports(ast.parse(module.read_text(encoding="utf-8"))) if name.startswith("pipeline")]
    assert {name.split(".")[1] for name in ours} <= BELOW[part] | {part}


@pytest.mark.parametrize("module", MODULES, ids=lambda path: path.relative_to(ROOT).as_posix())
def test_deciding_parts_use_no_file_clock_environment_or_randomness(module: Path) -> None:
    if part_of(module) not in PURE:
        return
    tree = ast.parse(module.read_text(encoding="utf-8"))
    assert {name.partition(".")[0] for name in imports(tree)} & IMPURE_MODULES == set()
    called = {node.func.id for node in ast.walk(tree) if isinstance(node, ast.Call) and isinstance(node.func, ast.Name)}
    named = {node.attr for node in ast.walk(tree) if isinstance(node, ast.Attribute)}
    assert (called | named) & IMPURE_NAMES == set()


def names_of(module: Path) -> str:
    return ".".join(module.relative_to(ROOT).with_suffix("").parts).removesuffix(".__init__")


def graph() -> dict[str, set[str]]:
    """Every module of the pipeline with those it imports, late and type-only imports included."""
    known = {names_of(module) for module in MODULES}
    return {
        names_of(module): {
            name if name in known else name.rpartition(".")[0]
            for name in imported(ast.parse(module.read_text(encoding="utf-8")))
        }
        & known
        for module in MODULES
    }


def imported(tree: ast.AST) -> Iterator[str]:
    for node in ast.walk(tree):
        if isinstance(node, ast.Import):
            yield from (alias.name for alias in node.names)
        elif isinstance(node, ast.ImportFrom):
            yield from (f"{node.module}.{alias.name}" for alias in node.names)


def test_no_module_reaches_itself_through_its_imports() -> None:
    tuple(TopologicalSorter(graph()).static_order())  # raises CycleError with the circle


def test_no_group_inside_a_folder_reaches_itself() -> None:
    groups: dict[str, set[str]] = {}
    for module, imports_ in graph().items():
        group = module.split(".")[1:3] if module.count(".") > 2 else None
        if group:
            inner = {".".join(name.split(".")[1:3]) for name in imports_ if name.count(".") > 2}
            groups.setdefault(".".join(group), set()).update(inner - {".".join(group)})
    tuple(TopologicalSorter(groups).static_order())


def test_dodo_holds_names_and_no_logic() -> None:
    tree = ast.parse((ROOT / "dodo.py").read_text(encoding="utf-8"))
    assert all(isinstance(node, ast.Expr | ast.ImportFrom | ast.Assign) for node in tree.body)


def test_every_folder_of_the_pipeline_says_in_one_docstring_what_it_is_for() -> None:
    for init in (ROOT / "pipeline").rglob("__init__.py"):
        body = ast.parse(init.read_text(encoding="utf-8")).body
        assert len(body) == 1, init
        assert isinstance(body[0], ast.Expr), init
    folders = {path.parent for path in MODULES}
    assert {folder / "__init__.py" for folder in folders} <= set(MODULES)


def test_a_public_class_name_means_one_thing() -> None:
    places: dict[str, list[str]] = {}
    for module in MODULES:
        for node in ast.parse(module.read_text(encoding="utf-8")).body:
            if isinstance(node, ast.ClassDef) and not node.name.startswith("_"):
                places.setdefault(node.name, []).append(str(module.relative_to(ROOT)))
    assert {name: found for name, found in places.items() if len(found) > 1} == {}
