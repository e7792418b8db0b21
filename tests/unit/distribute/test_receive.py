"""What a stranger's folder may say, where it is unpacked, and what of it nobody can check."""

from __future__ import annotations

import copy as copying
import json
import os
import re
import shutil
import subprocess
import sys
from collections.abc import Callable, Iterator
from functools import partial
from pathlib import Path
from typing import Any

import pytest

from pipeline.distribute.receive import LONGEST, LONGEST_PLAN, check
from pipeline.errors import CardkilnError
from pipeline.sheet.cautions import cautions_of_a_stranger
from pipeline.workspace.lock import locked
from tests.support import small
from tests.support.cli import BYTECODE, PROGRESS, Ran, digests, sha256
from tests.unit.commands.test_publish import built, publish, receive, restated, sum_up

STRANGE = "  hint: do not use this folder; get it again from where it was published\n"
LOCKED = "another run is working in build/\n  hint: wait until it has ended\n"


@pytest.fixture(scope="module")
def published(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A published image and a published recipe."""
    folder = built(tmp_path_factory.mktemp("publisher"))
    assert (publish(folder).code, publish(folder, "--recipe").code) == (0, 0)
    return folder / "dist"


@pytest.fixture
def image(published: Path, tmp_path: Path) -> Path:
    return shutil.copytree(published / "desk-1", tmp_path / "desk-1")


@pytest.fixture
def recipe(published: Path, tmp_path: Path) -> Path:
    return shutil.copytree(published / "desk-1-recipe", tmp_path / "desk-1-recipe")


def attic(published: Path) -> str:
    """Return where the contents of the recipe are."""
    return str(published.parent / "inputs/files/attic")


def changed(pattern: str, new: str) -> Callable[[str], str]:
    return partial(re.sub, pattern, new, count=1)


# what follows from image and plan


CONTRADICTIONS: dict[str, tuple[Callable[[dict[str, Any]], object], str]] = {
    "another path": (
        lambda record: record["files"][0].update(path="ELSE.BIN"),
        'files.1.path: found ELSE.BIN, expected BENCH.SET as in the plan',
    ),
    "another cluster": (
        lambda record: record["files"][0].update({"first-cluster": 77}),
        "files.1.first-cluster: found 77, expected 6 as in the plan",
    ),
    "another digest": (
        lambda record: record["files"][0].update(sha256="0" * 64),
        f"files.1.sha256: found {'0' * 64}, expected ",
    ),
    "a file less": (lambda record: record["files"].pop(), "files: found 3, expected 4 as in the plan"),
    "a folder less": (lambda record: record["folders"].pop(), "folders: found "),
    "another owner": (
        lambda record: record["files"][0]["made-from"].update(owner="nobody"),
        "files.1: BENCH.SET: its owner is nobody, which is not a part of the card that gives a config",
    ),
    "a placement that is none": (
        lambda record: record["files"][-1].update(placement="first"),
        "files.4: ",
    ),
    "ranges that end too soon": (
        lambda record: next(f for f in record["files"] if "ranges" in f["made-from"])["made-from"]["ranges"].pop(),
        "files.4: GOODS/FERN/SNAIL.ROM: its ranges end at 1024, expected 2048",
    ),
    "another label": (lambda record: record["volume"].update(label="DUSK"), "volume.label: found DUSK, expected DESK "),
    "another count": (lambda record: record["proven"].update(files=9), "proven.files: found 9, expected 4 as in the "),
    "another card": (lambda record: record["card"].update(id="dusk"), "card.id: found dusk, expected desk as in the "),
}  # fmt: skip


@pytest.mark.parametrize("name", CONTRADICTIONS)
def test_a_record_that_contradicts_its_plan_is_refused(image: Path, name: str) -> None:
    change, told = CONTRADICTIONS[name]
    restated(image, change)
    ran = receive(image.parent, image.name)
    assert (ran.code, ran.out) == (1, "")
    assert ran.err.startswith(f"record.json: {told}")
    assert ran.err.endswith(STRANGE)
    assert ran.err.count("\n") == 2


@pytest.mark.parametrize("name", ["provenance.json", "materials.cdx.json"])
def test_a_statement_or_bill_that_contradicts_the_record_is_refused(image: Path, name: str) -> None:
    text = (image / name).read_text()
    (image / name).write_text(text.replace(small.sha(small.BITSTREAM), "0" * 64))
    assert (image / name).read_text() != text
    sum_up(image, json.loads((image / "record.json").read_bytes())["image"]["sha256"])
    assert receive(image.parent, image.name) == Ran(1, "", f"{name}: is not what its record gives\n{STRANGE}")


def leaves(value: Any, *path: Any) -> Iterator[tuple[Any, ...]]:
    """Yield the path of every text and number of a document."""
    items = value.items() if isinstance(value, dict) else enumerate(value) if isinstance(value, list) else None
    if items is None:
        yield path
    for key, inner in items or ():
        yield from leaves(inner, *path, key)


FREE = re.compile(
    "card (name|version|rights .*)|made-by read-back|volume timestamp-from|board (id|name|rights .*|settings .*)"
    "|cores . (name|release|rights .*)|titles . (name|core|rights .*)"
    "|files . (placement|made-from (kind|contents . (role|size|sha256)|steps .|ranges . from .))"
    "|made-by program|silenced . (rule|where|what|reason|by)"
)
"""What does not follow from image and plan: ``receive`` says that it did not check it."""


def test_every_statement_of_the_record_that_follows_from_the_plan_is_checked(image: Path) -> None:
    good = json.loads((image / "record.json").read_bytes())
    accepted, told = set(), set()
    for path in leaves(good):
        record = copying.deepcopy(good)
        holder = record
        for key in path[:-1]:
            holder = holder[key]
        value = holder[path[-1]]
        holder[path[-1]] = value + 1 if isinstance(value, int) else f"{value}x"
        restated(image, lambda old, new=record: old.update(new))  # type: ignore[misc]
        try:
            check(image, None)
        except CardkilnError as error:
            told.add(len(error.problems))
        else:
            accepted.add(" ".join("." if isinstance(key, int) else key for key in path))
    assert told == {1}
    assert {name for name in accepted if not FREE.fullmatch(name.replace(" . ", " 0 ").replace("0", "."))} == set()


def test_what_cannot_be_checked_is_told(image: Path) -> None:
    restated(image, lambda record: record["titles"][0].update(name="Another title"))
    ran = receive(image.parent, image.name)
    assert ran.code == 0
    assert ran.out.splitlines()[2] == (
        "not checked: CHANGES.txt, README.txt, sheet.html and what record.json says of names, rights, origins and "
        "warnings"
    )
    assert json.loads(receive(image.parent, image.name, "--json").out)["not-checked"] == [
        "CHANGES.txt", "README.txt", "record.json", "sheet.html",
    ]  # fmt: skip


def test_what_another_version_made_is_not_held_against_this_one(image: Path) -> None:
    restated(image, lambda record: record["made-by"].update(program="cardkiln 99"))
    (image / "materials.cdx.json").write_text("{}")
    sum_up(image, json.loads((image / "record.json").read_bytes())["image"]["sha256"])
    ran = receive(image.parent, image.name)
    assert ran.code == 0
    assert ran.out.splitlines()[2].startswith(
        "not checked: CHANGES.txt, README.txt, materials.cdx.json, provenance.json, "
    )


@pytest.mark.parametrize("name", ["record.json", "sheet.html"])
def test_a_recipe_is_held_against_what_its_manifests_give(recipe: Path, published: Path, name: str) -> None:
    sha = json.loads((recipe / "record.json").read_bytes())["image"]["sha256"]
    if name == "record.json":
        restated(recipe, lambda record: record["titles"][0].update(name="Another title"))
    else:
        (recipe / name).write_bytes((recipe / name).read_bytes().replace(b"Desk", b"Dusk"))
        sum_up(recipe, sha)
    ran = receive(recipe.parent, recipe.name, attic(published))
    assert ran == Ran(1, "", f"{name}: is not what the manifests of the recipe give\n{STRANGE}")


def test_manifests_with_many_faults_are_refused_in_one_line(recipe: Path, published: Path) -> None:
    sha = json.loads((recipe / "record.json").read_bytes())["image"]["sha256"]
    with (recipe / "inputs/cards/desk.toml").open("a") as file:
        file.writelines(f"[fault-{number}]\n" for number in range(50))
    sum_up(recipe, sha)
    ran = receive(recipe.parent, recipe.name, attic(published))
    assert ran.code == 2
    assert ran.err.count("\n") == 2
    assert re.search(r" \(and \d+ more\)\n  hint: ", ran.err)


def test_all_cautions_lie_beside_what_was_received_whatever_its_own_page_says(image: Path) -> None:
    (image / "README.txt").write_text("No cautions apply.\n")
    sum_up(image, json.loads((image / "record.json").read_bytes())["image"]["sha256"])
    ran = receive(image.parent, image.name)
    assert ran.out.splitlines()[-2] == "read the cautions before you use it: build/received/desk-1/CAUTIONS.txt"
    page = (image.parent / "build/received/desk-1/CAUTIONS.txt").read_text()
    assert page.startswith("Desk, version 1, as it was received\n\nCAUTION\n\n  - Precedence: ")
    for about, what in cautions_of_a_stranger():
        assert f"{about}: {what}" in " ".join(page.split())


def test_names_in_a_recipe_reach_the_terminal_as_escapes(recipe: Path) -> None:
    document = json.loads((recipe / "recipe.json").read_bytes())
    document["bring"][0].update(role="chip \x1b[2Ja", owner="\u202enobody")
    (recipe / "recipe.json").write_text(json.dumps(document))
    sum_up(recipe, json.loads((recipe / "record.json").read_bytes())["image"]["sha256"])
    ran = receive(recipe.parent, recipe.name)
    assert ran.code == 1
    assert "recipe.json: chip \\u001b[2Ja of \\u202enobody: " in ran.err
    assert all(character.isprintable() or character == "\n" for character in ran.err)


# where it is unpacked


@pytest.mark.parametrize("place", ["build/received", "build/received/desk-1"])
@pytest.mark.parametrize("kind", ["image", "recipe"])
def test_a_link_in_place_of_the_folder_is_not_followed(
    image: Path, recipe: Path, published: Path, tmp_path: Path, place: str, kind: str
) -> None:
    outside = tmp_path / "outside"
    outside.mkdir()
    (outside / "card.img").write_bytes(b"not ours")
    (tmp_path / place).parent.mkdir(parents=True)
    (tmp_path / place).symlink_to(outside)
    ran = receive(tmp_path, {"image": image, "recipe": recipe}[kind].name, attic(published))
    assert ran == Ran(3, "", f"{place}: is a link or a device, which nothing is written through\n  hint: remove it\n")
    assert digests(outside) == {"card.img": small.sha(b"not ours")}


@pytest.mark.parametrize("name", ["card.img.part", "card.img", "inputs", "build", "build/cards/desk/card.img"])
def test_a_link_inside_the_folder_is_not_followed(image: Path, recipe: Path, published: Path, name: str) -> None:
    outside = image.parent / "outside"
    outside.mkdir()
    (outside / "file").write_bytes(b"not ours")
    link = image.parent / "build/received/desk-1" / name
    link.parent.mkdir(parents=True)
    link.symlink_to(outside / ("file" if ".img" in name else ""))
    for folder in (image, recipe):
        ran = receive(image.parent, folder.name, attic(published))
        assert (ran.code, ran.out) == (3, "")
        assert ran.err.endswith("is a link or a device, which nothing is written through\n  hint: remove it\n")
    assert digests(outside) == {"file": small.sha(b"not ours")}


def test_nothing_is_received_while_another_run_works(image: Path) -> None:
    with locked(image.parent / "build"):
        assert receive(image.parent, image.name) == Ran(3, "", LOCKED)
    assert not (image.parent / "build/received").exists()


def test_two_at_once_leave_one_whole_image(image: Path) -> None:
    words = [sys.executable, "-m", "doit", "receive", image.name]
    environment = {**os.environ, **BYTECODE}
    running = [
        subprocess.Popen(words, cwd=image.parent, env=environment, stderr=subprocess.PIPE, text=True) for _ in range(3)
    ]
    told = [PROGRESS.sub("", process.communicate(timeout=120)[1]) for process in running]
    ended = [(process.returncode, text) for process, text in zip(running, told, strict=True)]
    assert set(ended) <= {(0, ""), (3, LOCKED)}
    assert (0, "") in ended
    target = image.parent / "build/received/desk-1/card.img"
    assert sha256(target) == json.loads((image / "record.json").read_bytes())["image"]["sha256"]
    assert [path.name for path in target.parent.iterdir() if path.suffix == ".part"] == []


# bounded reading


@pytest.mark.parametrize(
    ("name", "limit"), [("plan.json", LONGEST_PLAN), ("record.json", LONGEST), ("SHA256SUMS", LONGEST)]
)
def test_a_document_of_gigabytes_is_refused_unread(image: Path, name: str, limit: int) -> None:
    with (image / name).open("wb") as file:
        file.truncate(3_000_000_000)
    ran = receive(image.parent, image.name)
    assert ran == Ran(1, "", f"{name}: is larger than {limit:,} bytes, the limit\n{STRANGE}")


def longest_entry(text: str) -> str:
    return text.replace('"path":"', f'"path":"{"A" * 70_000}', 1)


def much_after_the_entries(text: str) -> str:
    return text.replace('"id":"desk",\n', '"id":"desk",\n' + " \n" * 40_000)


@pytest.mark.parametrize("change", [longest_entry, much_after_the_entries])
def test_a_part_of_a_plan_that_is_too_long_is_refused(image: Path, change: Callable[[str], str]) -> None:
    text = change((image / "plan.json").read_text())
    (image / "plan.json").write_text(text)
    restated(image, lambda record: record["plan"].update(sha256=small.sha(text.encode())))
    ran = receive(image.parent, image.name)
    assert (ran.code, ran.out) == (1, "")
    assert re.fullmatch(
        r"plan.json: is not a plan: (after line \d+: )?a part of it is longer than 65,536 bytes, the limit\n" + STRANGE,
        ran.err,
    )


@pytest.mark.parametrize(
    ("arguments", "told"),
    [
        (("",), "expected FOLDER [OLD | PLACE ...]\n  hint: see doit help receive\n"),
        ((), "expected FOLDER [OLD | PLACE ...]\n  hint: see doit help receive\n"),
        (("desk-1", "--signers", ""), "--signers: no file is named\n  hint: name your list of allowed signers\n"),
        (("desk-1", "--signers="), "--signers: no file is named\n  hint: name your list of allowed signers\n"),
    ],
)
def test_empty_arguments_are_refused_in_a_line(image: Path, arguments: tuple[str, ...], told: str) -> None:
    assert receive(image.parent, *arguments) == Ran(2, "", told)
