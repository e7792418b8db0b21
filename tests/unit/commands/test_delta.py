"""``doit publish --since`` and ``doit receive FOLDER OLD``: from version to version, and what a stranger may send."""

from __future__ import annotations

import contextlib
import io
import json
import os
import random
import re
import shutil
import signal
import subprocess
import sys
import tarfile
import time
from collections.abc import Callable
from functools import partial
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from pipeline.card.plan_text import plan_from_text
from pipeline.distribute import take_delta
from pipeline.distribute.old_card import find_contents
from pipeline.distribute.publish import as_json
from pipeline.publish.compression import zstd
from pipeline.publish.delta import PIECE, REACH, PackedContent, patch_pieces
from pipeline.publish.documents import DOCUMENTS, PACKED, pack_documents, unpack_documents
from pipeline.publish.materials import materials
from pipeline.publish.statement import statement
from pipeline.record.document import placed, volume_document
from tests.strangers.tools import require
from tests.strangers.with_mtools import settings as mtools_settings
from tests.support import small
from tests.support.building import build_card_in
from tests.support.cli import BYTECODE, Ran, digests, sha256, write_tree
from tests.unit.commands.test_publish import RIGHTS, built, publish, receive

DELTA = "desk-2-since-1"
chance = random.Random(20)
LIBRARY = chance.randbytes(150_000)
NEWER_LIBRARY = LIBRARY[:40_000] + b"a few bytes more" + LIBRARY[40_100:]
SONG = chance.randbytes(3_000)

OLDER: dict[str, str | bytes] = {
    "inputs/cards/desk.toml": 'keep = ["SLATE/**"]\n' + small.CARD,
    "inputs/files/system/DISCS.LIB": LIBRARY,
    "inputs/files/system/TUNES/A.SNG": SONG,
    "inputs/files/system/OLD.TXT": "goes",
}
NEWER: dict[str, str | bytes] = {
    "inputs/cards/desk.toml": 'keep = ["SLATE/**"]\n' + small.CARD.replace('version = "1"', 'version = "2"'),
    "inputs/boards/oak.toml": small.BOARD.replace('regional = "1"', 'regional = "2"') + RIGHTS,
    "inputs/files/system/DISCS.LIB": NEWER_LIBRARY,
    "inputs/files/system/Tunes for $1/Ännchen.SNG": SONG,
    "inputs/files/system/TUNES/A.SNG": b"another" * 50,
    "inputs/files/system/NOTHING.TXT": "",
}


@pytest.fixture(scope="module")
def publisher(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A project that published version 1, and version 2 since 1, signed."""
    folder = built(tmp_path_factory.mktemp("publisher"), OLDER)
    keygen = [require("ssh-keygen"), "-q", "-t", "ed25519", "-N", "", "-C", "", "-f", str(folder / "key")]
    subprocess.run(keygen, check=True)
    assert publish(folder, "--key", "key", "--who", "club").code == 0
    write_tree(folder, NEWER)
    (folder / "inputs/files/system/OLD.TXT").unlink()
    build_card_in(folder)
    ran = publish(folder, "--since", "1", "--key", "key", "--who", "club")
    assert (ran.code, ran.err) == (0, "")
    assert re.fullmatch(
        r"published dist/desk-2: 11 files, [\d,]+ (bytes|kB|KiB)\n"
        rf"published dist/{DELTA}: 10 files, [\d,]+ (bytes|kB|KiB), for people who have version 1\n"
        r"image sha256 [0-9a-f]{64}, 16 MiB\nsigned by club\n",
        ran.out,
    )
    return folder


@pytest.fixture
def delta(publisher: Path, tmp_path: Path) -> Path:
    """A copy of the delta, in a folder of the receiver's."""
    return shutil.copytree(publisher / "dist" / DELTA, tmp_path / DELTA)


@pytest.fixture(scope="module")
def old_image(publisher: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The image of version 1, unpacked by a public tool."""
    image = tmp_path_factory.mktemp("old") / "old.img"
    subprocess.run([require("zstd"), "-q", "-d", str(publisher / "dist/desk-1/card.img.zst"), "-o", image], check=True)
    return image


def record_of(publisher: Path, version: str = "2") -> dict[str, Any]:
    document: dict[str, Any] = json.loads((publisher / f"dist/desk-{version}/record.json").read_bytes())
    return document


def copy_of_card(image: Path, target: Path) -> Path:
    """Return a folder with all files of an image, taken out by mtools, as a mounted card has them."""
    target.mkdir()
    start = 512 * int.from_bytes(image.read_bytes()[454:458], "little")
    words = [require("mcopy"), "-s", "-n", "-i", f"{image}@@{start}", "::/*", str(target)]
    subprocess.run(words, env=mtools_settings(target.parent), check=True)
    return target


# what is published


def test_a_delta_holds_only_what_is_nowhere_on_the_older_card(publisher: Path) -> None:
    document = json.loads((publisher / "dist" / DELTA / "delta.json").read_bytes())
    new = {small.sha(NEWER_LIBRARY), small.sha(b"another" * 50), small.sha(small.CONFIG.replace(b"= 0", b"= 2"))}
    assert {content["sha256"] for content in document["contents"]} == new
    (library,) = [content for content in document["contents"] if "old" in content]
    assert library["old"] == {"sha256": small.sha(LIBRARY), "size": len(LIBRARY)}
    patch = publisher / "dist" / DELTA / "contents" / f"{library['sha256']}.patch.zst"
    assert patch.stat().st_size < 200


def test_changes_are_told_since_the_version_it_is_against(publisher: Path) -> None:
    text = (publisher / "dist" / DELTA / "CHANGES.txt").read_text()
    assert text.startswith("Since version 1:\n\n")
    assert "  changed  DISCS.LIB: 150 kB -> " in text
    index = json.loads((publisher / "dist/index.json").read_text())
    assert [(one["folder"], one["kind"], one.get("since"), one["signed-by"]) for one in index["versions"]] == [
        ("desk-1", "image", None, "club"), ("desk-2", "image", None, "club"), (DELTA, "delta", "1", "club"),
    ]  # fmt: skip


def test_the_same_versions_give_the_same_delta(publisher: Path, tmp_path: Path) -> None:
    again = shutil.copytree(publisher, tmp_path / "again")
    shutil.rmtree(again / "dist" / DELTA)
    ran = publish(again, "--since", "1", "--key", "key", "--who", "club")
    assert ran.out.splitlines()[0].startswith(f"published dist/{DELTA}: 10 files, ")  # the whole image is there already
    assert digests(again / "dist" / DELTA) == digests(publisher / "dist" / DELTA)


def test_json_names_both_folders(publisher: Path, tmp_path: Path) -> None:
    again = shutil.copytree(publisher, tmp_path / "again")
    for name in ("desk-2", DELTA):
        shutil.rmtree(again / "dist" / name)
    document = json.loads(publish(again, "--since", "1", "--json").out)
    assert document["folder"] == f"dist/{DELTA}"
    assert [one["folder"] for one in document["also"]] == ["dist/desk-2"]
    assert document["files"]["delta.json"] == (again / "dist" / DELTA / "delta.json").stat().st_size


@pytest.mark.parametrize(
    ("arguments", "told"),
    [
        (("--since", "3"), '--since: found "3", expected an earlier published version of desk: 1\n'),
        (("--since", "2"), '--since: found "2", expected an earlier published version of desk: 1\n'),
        (("--since", ""), '--since: found "", expected an earlier published version of desk: 1\n'),
        (("--since", "1", "--recipe"), "--since: a recipe holds no contents, so there is no delta of it\n"),
    ],
)
def test_a_version_that_there_is_no_delta_against_is_told(
    publisher: Path, arguments: tuple[str, ...], told: str
) -> None:
    ran = publish(publisher, *arguments)
    assert (ran.code, ran.out) == (2, "")
    assert ran.err.startswith(told)


def test_a_delta_is_published_once_and_only_of_the_image_that_was_published(publisher: Path, tmp_path: Path) -> None:
    again = shutil.copytree(publisher, tmp_path / "again")
    ran = publish(again, "--since", "1")
    assert ran == Ran(
        1, "",
        f'inputs/cards/desk.toml:3:11: version: version "2" is published already: dist/{DELTA}\n'
        "  hint: give the card a new version, and build it\n",
    )  # fmt: skip
    shutil.rmtree(again / "dist" / DELTA)
    (again / "inputs/files/system/MORE.TXT").write_text("more")
    build_card_in(again)
    ran = publish(again, "--since", "1")
    assert ran == Ran(
        1, "",
        'inputs/cards/desk.toml:3:11: version: version "2" is published already with another image: dist/desk-2\n'
        "  hint: give the card a new version, and build it\n",
    )  # fmt: skip
    assert not (again / "dist" / DELTA).exists()


@pytest.mark.parametrize("name", ["record.json", "card.img.zst"])
def test_an_older_version_that_went_bad_is_named(publisher: Path, tmp_path: Path, name: str) -> None:
    again = shutil.copytree(publisher, tmp_path / "again")
    shutil.rmtree(again / "dist" / DELTA)
    path = again / "dist/desk-1" / name
    data = path.read_bytes()
    path.write_bytes(data.replace(b'"Snail race"', b'"Snail pace"') if name == "record.json" else data[:90_000])
    ran = publish(again, "--since", "1")
    assert (ran.code, ran.out) == (1, "")
    assert {
        "record.json": "dist/desk-1/record.json: is not the file that SHA256SUMS beside it names\n",
        "card.img.zst": "card.img.zst: is damaged: ",
    }[name] in ran.err
    assert not (again / "dist" / DELTA).exists()


def test_the_users_files_are_never_in_a_delta(publisher: Path, tmp_path: Path) -> None:
    again = shutil.copytree(publisher, tmp_path / "again")
    for name in ("desk-2", DELTA):
        shutil.rmtree(again / "dist" / name)
    write_tree(again, {"inputs/kept/desk/SLATE/ONE.DAT": b"level 3 of the publisher"})
    build_card_in(again)
    ran = publish(again, "--since", "1")
    assert (ran.code, ran.err) == (0, "")
    assert "without the files kept for it (SLATE/**), which are the user's\n" in ran.out
    folder = again / "dist" / DELTA
    names = {content["sha256"] for content in json.loads((folder / "delta.json").read_bytes())["contents"]}
    assert small.sha(b"level 3 of the publisher") not in names
    documents = documents_of(folder, tmp_path / "documents")
    record = json.loads(documents["record.json"].read_bytes())
    assert record["card"]["without-kept"] == ["SLATE/**"]
    assert not [file for file in record["files"] if file["path"].startswith("SLATE")]
    assert small.sha(b"level 3 of the publisher") not in documents["plan.json"].read_text()


# what is received


def as_image(publisher: Path, old: Path, folder: Path) -> str:
    return str(old)


def as_published(publisher: Path, old: Path, folder: Path) -> str:
    return str(publisher / "dist/desk-1")


def as_mounted(publisher: Path, old: Path, folder: Path) -> str:
    return str(copy_of_card(old, folder / "mounted"))


def as_played(publisher: Path, old: Path, folder: Path) -> str:
    """The card was used: a score came, files moved, and the file system is marked as in use."""
    played = Path(shutil.copy(old, folder / "played.img"))
    start = 512 * int.from_bytes(played.read_bytes()[454:458], "little")
    image, environment = f"{played}@@{start}", mtools_settings(folder)
    (folder / "score").write_bytes(b"9000")
    subprocess.run([require("mmd"), "-i", image, "::/SLATE"], env=environment, check=True)
    subprocess.run(
        [require("mcopy"), "-i", image, str(folder / "score"), "::/SLATE/ONE.DAT"], env=environment, check=True
    )
    subprocess.run([require("mmove"), "-i", image, "::/DISCS.LIB", "::/SLATE/MINE.LIB"], env=environment, check=True)
    return str(played)


def as_received(publisher: Path, old: Path, folder: Path) -> str:
    ran = receive(folder, str(publisher / "dist/desk-1"))
    assert (ran.code, ran.err) == (0, "")
    return str(folder / "build/received/desk-1")


@pytest.mark.parametrize("have", [as_image, as_published, as_mounted, as_played, as_received])
def test_with_the_older_version_in_any_form_the_new_image_is_made_as_published(
    publisher: Path, delta: Path, old_image: Path, have: Callable[[Path, Path, Path], str]
) -> None:
    old = have(publisher, old_image, delta.parent)
    ran = receive(delta.parent, DELTA, old, "--signers", str(publisher / "dist" / DELTA / "allowed_signers"))
    assert (ran.code, ran.err) == (0, "")
    image = delta.parent / "build/received/desk-2/card.img"
    known = record_of(publisher)["image"]["sha256"]
    assert ran.out == (
        "Desk, version 2: image as published\nsigned by club\n"
        "not checked: CHANGES.txt, README.txt, sheet.html and what record.json says of names, rights, origins and "
        "warnings\nread the cautions before you use it: build/received/desk-2/CAUTIONS.txt\n"
        f"build/received/desk-2/card.img: sha256 {known}\n"
    )
    assert sha256(image) == known == sha256(publisher / "build/cards/desk/card.img")
    for name in ("record.json", "plan.json"):
        assert (image.parent / name).read_bytes() == (publisher / "dist/desk-2" / name).read_bytes()
    assert not (delta.parent / "build/receiving").exists()


def test_what_was_received_before_is_found_without_being_named(publisher: Path, delta: Path, old_image: Path) -> None:
    ran = receive(delta.parent, DELTA)
    assert ran == Ran(
        2, "",
        "delta.json: is for people who have version 1; expected that too\n"
        "  hint: doit receive FOLDER OLD, OLD being its image, published folder or card\n",
    )  # fmt: skip
    as_received(publisher, old_image, delta.parent)
    assert receive(delta.parent, DELTA).code == 0


def test_from_version_to_version_without_a_whole_image_in_between(publisher: Path, tmp_path: Path) -> None:
    """Version 3 since 2, received by somebody who has version 2 from a delta."""
    again = shutil.copytree(publisher, tmp_path / "again")
    card = str(NEWER["inputs/cards/desk.toml"]).replace('version = "2"', 'version = "3"')
    write_tree(again, {"inputs/cards/desk.toml": card, "inputs/files/system/OLD.TXT": "comes back"})
    build_card_in(again)
    assert publish(again, "--since", "2").code == 0
    receiver = tmp_path / "receiver"
    receiver.mkdir()
    for name in ("desk-1", DELTA, "desk-3-since-2"):
        assert receive(receiver, str(again / "dist" / name)).code == 0
    assert sha256(receiver / "build/received/desk-3/card.img") == sha256(again / "build/cards/desk/card.img")


def test_with_another_old_card_all_that_is_missing_is_named(publisher: Path, delta: Path, old_image: Path) -> None:
    card = copy_of_card(old_image, delta.parent / "card")
    (card / "GOODS/FERN/SNAIL.ROM").unlink()
    library = bytearray((card / "DISCS.LIB").read_bytes())
    library[0] ^= 1
    (card / "DISCS.LIB").write_bytes(library)
    ran = receive(delta.parent, DELTA, "card")
    assert ran == Ran(
        1, "",
        "card: 2 of 5 contents that the new version needs are not on it\n"
        "  hint: name the image, the published folder or a card of the version the delta is for\n"
        f"card: DISCS.LIB: 150 kB, SHA-256 {small.sha(LIBRARY)}, as it was before it changed\n"
        f"card: GOODS/FERN/SNAIL.ROM: 2 KiB, SHA-256 {small.sha(small.ROM)}, Snail race\n",
    )  # fmt: skip
    assert not list(delta.parent.glob("build/received/desk-2/*"))
    assert not (delta.parent / "build/receiving").exists()


@pytest.mark.parametrize(
    ("old", "code", "told"),
    [
        ("none", 3, "none: there is no such image, disk or folder\n"),
        ("pipe", 3, "pipe: is a pipe; expected an image file or a disk (block device)\n"),
        ("zeros", 3, "zeros: "),
        (DELTA, 1, "delta.json: is a delta; expected a folder with a whole image\n"),
        ("/dev/null", 3, "/dev/null: is a character device; expected an image file or a disk (block device)\n"),
    ],
)
def test_what_is_no_older_card_is_told(delta: Path, old: str, code: int, told: str) -> None:
    os.mkfifo(delta.parent / "pipe")
    (delta.parent / "zeros").write_bytes(bytes(100_000))
    ran = receive(delta.parent, DELTA, old)
    assert (ran.code, ran.out) == (code, "")
    assert ran.err.startswith(told)
    assert not list(delta.parent.glob("build/received/desk-2/*"))


# with public tools alone


def test_each_command_for_linux_on_its_page_does_what_it_says(publisher: Path, delta: Path, old_image: Path) -> None:
    """The card is brought to version 2 file by file, and then has the files of its record."""
    for tool in ("zstd", "tar", "sha256sum", "ssh-keygen"):
        require(tool)
    page = (delta / "README.txt").read_text()
    card = copy_of_card(old_image, delta.parent / "card")
    old = shutil.copytree(card, delta.parent / "old card")

    def shell(command: str) -> str:
        environment = {**os.environ, "CARD": str(old)}
        return subprocess.run(
            ["sh", "-e", "-c", command], cwd=delta, env=environment, check=True, capture_output=True, text=True
        ).stdout

    assert "CARD=/home/you/old-card" in page
    check = command_of(page, "Linux:    (sha256sum -c .*)")
    shell(check)
    shell(command_of(page, "Linux, macOS:  (ssh-keygen .*)"))
    shell(command_of(page, " +(zstd -d documents.tar.zst)"))
    shell(command_of(page, " +(tar -xf documents.tar)"))
    assert "record.json: OK" in shell(check)
    steps = page.partition("FILES\n\n")[2].partition("\n\n")[0].splitlines()
    verbs = set()
    for number, step in enumerate(steps):
        verb, _, rest = step.strip().partition("  ")
        verbs.add(verb)
        path = rest.strip().removesuffix(", an empty file")
        if verb == "write" and rest.endswith(", an empty file"):
            (card / path).write_bytes(b"")
        elif verb == "write":
            for command in steps[number + 1 :]:
                if not command.startswith("     "):
                    break
                shell(command)
            assert shell(command_of(page, "Linux:    (sha256sum NEW)"))[:64] == command_name(steps[number + 1])
            (card / path).parent.mkdir(parents=True, exist_ok=True)
            (delta / "NEW").replace(card / path)
        elif verb == "copy":
            source, target = (part.strip() for part in rest.split("  to  "))
            (card / target).parent.mkdir(parents=True, exist_ok=True)
            shutil.copyfile(old / source, card / target)
        elif verb == "remove":
            (card / path).unlink()
    assert verbs - {"zstd"} == {"write", "copy", "remove"} | {verb for verb in verbs if verb.startswith("zstd ")}
    assert digests(card) == {file["path"]: file["sha256"] for file in record_of(publisher)["files"]}


def command_of(page: str, pattern: str) -> str:
    found = re.search(f"^ *{pattern}$", page, re.MULTILINE)
    assert found, pattern
    return found[1]


def command_name(command: str) -> str:
    found = re.search(r"contents/([0-9a-f]{64})\.", command)
    assert found
    return found[1]


def test_the_commands_for_a_content_in_pieces_make_it_anew(tmp_path: Path) -> None:
    """Contents of hundreds of megabytes are patched piece by piece; here with pieces of a few kilobytes."""
    from pipeline.publish import delta as form
    from pipeline.publish.compression import compress_patch
    from pipeline.publish.readme import _commands

    old, rng = random.Random(3).randbytes(100_000), random.Random(4)
    new = old[:30_000] + rng.randbytes(2_000) + old[31_000:] + old[:9_000]
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(form, "PIECE", 20_000)
        patch.setattr(form, "REACH", 5_000)
        pieces = patch_pieces(len(new), len(old))
    content = PackedContent(sha256=small.sha(new), size=len(new), old=small.sha(old), old_size=len(old), pieces=pieces)
    assert len(content.file_names) == 6
    (tmp_path / "contents").mkdir()
    at = 0
    for name, piece in zip(content.file_names, pieces, strict=True):
        patched = compress_patch(old[piece.start :][: piece.length], new[at : at + piece.size], 19)
        (tmp_path / name).write_bytes(patched)
        at += piece.size
    (tmp_path / "LIB").write_bytes(old)
    commands = "\n".join(_commands(content, {content.old: "LIB"}))
    environment = {**os.environ, "CARD": str(tmp_path)}
    require("zstd")
    subprocess.run(["sh", "-e", "-c", commands], cwd=tmp_path, env=environment, check=True, capture_output=True)
    assert (tmp_path / "NEW").read_bytes() == new


def documents_of(folder: Path, target: Path) -> dict[str, Path]:
    """Return the documents of a delta, unpacked."""
    target.mkdir(exist_ok=True)
    return unpack_documents(folder / PACKED, dict.fromkeys(DOCUMENTS, 1 << 20), target)


# what a stranger may send


def restated(
    delta: Path,
    change: Callable[[dict[str, Any]], object] = lambda _: None,
    *,
    record: Callable[[dict[str, Any]], object] = lambda _: None,
    plan: Callable[[str], str] = lambda text: text,
) -> None:
    """Change ``delta.json``, record or plan of a delta, and everything that must agree with it, as a forger would."""
    work = delta.parent / "restating"
    documents = documents_of(delta, work)
    text = plan(documents["plan.json"].read_text())
    documents["plan.json"].write_text(text)
    stated = json.loads(documents["record.json"].read_bytes())
    stated["plan"]["sha256"] = small.sha(text.encode())
    with contextlib.suppress(ArithmeticError, ValueError, KeyError):  # of numbers of which no record can be made
        follow_plan(stated, text)
    record(stated)
    documents["record.json"].write_text(json.dumps(stated))
    made = {
        "provenance.json": statement(stated, sha256(documents["record.json"])),
        "materials.cdx.json": materials(stated),
    }
    for name, document in made.items():
        documents[name].write_text(as_json(document))
    sums = {name: sha256(path) for name, path in documents.items()} | {"card.img": stated["image"]["sha256"]}
    pack_documents(work, DOCUMENTS)
    (work / PACKED).replace(delta / PACKED)
    work.rmdir()
    document = json.loads((delta / "delta.json").read_bytes())
    change(document)
    (delta / "delta.json").write_text(json.dumps(document))
    sum_up(delta, sums)


def follow_plan(record: dict[str, Any], text: str) -> None:
    """Have a record say what follows from a plan."""
    made = plan_from_text(text)
    record["volume"] = volume_document(made, "default")
    record["image"]["size"] = made.volume.card_sectors * 512
    entries = {entry.path: entry for entry in made.entries}
    for part in (*record["files"], *record["folders"]):
        part |= placed(entries[part["path"]])


def sum_up(delta: Path, sums: dict[str, str] | None = None) -> None:
    """Make the checksum list anew, with those of documents and image as given or as they were; the signature goes."""
    (delta / "SHA256SUMS.sig").unlink(missing_ok=True)
    known = {line[66:]: line[:64] for line in (delta / "SHA256SUMS").read_text().splitlines()}
    inner = {name: known[name] for name in (*DOCUMENTS, "card.img")} | (sums or {})
    all_of = {**digests(delta), **inner}
    del all_of["SHA256SUMS"]
    (delta / "SHA256SUMS").write_text("".join(f"{all_of[name]}  {name}\n" for name in sorted(all_of)))


def refusal(delta: Path, old: Path) -> str:
    """Return the first line of what receiving a delta says, which is refused in one line and leaves nothing."""
    ran = receive(delta.parent, DELTA, str(old))
    assert (ran.code, ran.out) == (1, ""), ran
    assert len([line for line in ran.err.splitlines() if not line.startswith("  hint: ")]) == 1
    assert not [path for path in delta.parent.glob("build/received/**/*") if path.is_file()]
    assert not (delta.parent / "build/receiving").exists()
    return ran.err.splitlines()[0]


def contents_of(delta: Path) -> dict[str, Path]:
    """Return the files of the contents: the patch, and one that is whole."""
    patch, *_ = (delta / "contents").glob("*.patch.zst")
    whole = min(path for path in (delta / "contents").iterdir() if path != patch)
    return {"patch": patch, "whole": whole}


def test_a_delta_that_is_only_restated_is_taken(delta: Path, old_image: Path) -> None:
    """What the tests below change is all that makes them refused."""
    restated(delta)
    assert receive(delta.parent, DELTA, str(old_image)).code == 0


def test_a_flipped_byte_at_any_place_is_noticed(delta: Path, old_image: Path) -> None:
    rng = random.Random(6)
    for path in sorted(path for path in delta.rglob("*") if path.is_file()):
        whole = path.read_bytes()
        for at in {0, len(whole) - 1, rng.randrange(len(whole))}:
            path.write_bytes(whole[:at] + bytes([whole[at] ^ 1 << rng.randrange(8)]) + whole[at + 1 :])
            refusal(delta, old_image)
        path.write_bytes(whole)
    assert receive(delta.parent, DELTA, str(old_image)).code == 0


@pytest.mark.parametrize("part", ["delta.json", PACKED, "patch", "whole"])
@pytest.mark.parametrize("keep", [0, 1, 20, -2])
def test_a_file_that_is_cut_short_is_refused_though_the_sums_fit(
    delta: Path, old_image: Path, part: str, keep: int
) -> None:
    path = contents_of(delta).get(part, delta / part)
    path.write_bytes(path.read_bytes()[:keep])
    sum_up(delta)
    assert re.match(
        rf"{re.escape(path.relative_to(delta).as_posix())}: "
        r"(is cut short|is damaged: .*|is not a JSON document: .*|unpacks to the SHA-256 .*)$",
        refusal(delta, old_image),
    )


def link(path: Path) -> None:
    path.unlink()
    path.symlink_to("/etc/passwd")


def pipe(path: Path) -> None:
    path.unlink()
    os.mkfifo(path)


def folder(path: Path) -> None:
    path.unlink()
    path.mkdir()


@pytest.mark.skipif(os.name != "posix", reason="links and pipes as POSIX has them")
@pytest.mark.parametrize("part", ["delta.json", PACKED, "patch", "whole", "SHA256SUMS"])
@pytest.mark.parametrize("change", [link, pipe, folder, Path.unlink])
def test_what_is_no_plain_file_is_refused(
    delta: Path, old_image: Path, part: str, change: Callable[[Path], object]
) -> None:
    change(contents_of(delta).get(part, delta / part))
    told = refusal(delta, old_image)
    assert ("is a link or a device" in told) == (change in (link, pipe))
    assert "is a link or a device" in told or "is missing" in told


def test_a_content_too_many_is_refused(delta: Path, old_image: Path) -> None:
    name = f"contents/{'0' * 64}.zst"
    shutil.copy(contents_of(delta)["whole"], delta / name)
    assert refusal(delta, old_image) == f"{name}: is not named in SHA256SUMS; expected only files that are"
    sum_up(delta)
    assert refusal(delta, old_image) == f"{name}: is of no content that delta.json names"


def first(**changes: Any) -> Callable[[dict[str, Any]], object]:
    """Change the first content that is whole."""
    return lambda document: next(one for one in document["contents"] if "old" not in one).update(changes)


def patched(change: Callable[[dict[str, Any]], object]) -> Callable[[dict[str, Any]], object]:
    """Change the content that is a patch."""
    return lambda document: change(next(one for one in document["contents"] if "old" in one))


NO_CONTENT = "delta.json: contents.{whole}: is not a content of the plan with that size"
FORGED: dict[str, tuple[Callable[[dict[str, Any]], object], str]] = {
    "another card": (lambda one: one.update(card="x"), "delta.json: card: found x, expected desk as in the record"),
    "another version": (lambda one: one.update(version="9"), "delta.json: version: found 9, expected 2 as in the "),
    "a path for a hash": (first(sha256="../../out"), "delta.json: contents[{at}].sha256: '../../out' does not match "),
    "an upper-case hash": (first(sha256="A" * 64), "delta.json: contents[{at}].sha256: 'AAAA"),
    "a content of no card": (first(sha256="0" * 64), f"contents/{'0' * 64}.zst: is missing"),
    "another size": (first(size=5), NO_CONTENT),
    "a negative size": (first(size=-5), "delta.json: contents[{at}].size: -5 is less than the minimum of 1"),
    "a fraction": (first(size=0.5), "delta.json: contents[{at}].size: 0.5 "),
    "a huge size": (first(size=1 << 70), "delta.json: contents[{at}].size: 1180591620717411303424 is greater than "),
    "another key": (first(path="/out"), "delta.json: contents[{at}]: Additional properties are not allowed ('path' "),
    "twice": (lambda one: one["contents"].append(one["contents"][0]), "delta.json: contents: names a content twice"),
    "one less": (lambda one: one["contents"].pop(0), "contents/"),
    "no list": (lambda one: one.update(contents=3), "delta.json: contents: 3 is not of type 'array'"),
    "no version": (lambda one: one.pop("since"), "delta.json: 'since' is a required property"),
    "no patches": (patched(lambda one: one.pop("patches")), "delta.json: contents["),
    "patches of less": (
        patched(lambda one: one["patches"][0].update(size=10)),
        f"delta.json: contents.{{patch}}: its patches make 10 bytes; expected {len(NEWER_LIBRARY):,}",
    ),
    "patches of more than allowed": (
        patched(lambda one: one["patches"][0].update(size=1 << 30)),
        "delta.json: contents[{patched}].patches[0].size: 1073741824 is greater than the maximum of 33554432",
    ),
    "old bytes that are not there": (
        patched(lambda one: one["patches"][0].update(start=1)),
        "delta.json: contents.{patch}: a patch refers to more than the 150,000 bytes of the old content",
    ),
    "other old bytes": (patched(lambda one: one["patches"][0].update(length=100_000)), "contents/"),
}


@pytest.mark.parametrize("name", FORGED)
def test_a_delta_that_says_what_cannot_be_is_refused_in_a_line(delta: Path, old_image: Path, name: str) -> None:
    change, told = FORGED[name]
    contents = json.loads((delta / "delta.json").read_bytes())["contents"]
    (patch,) = (number for number, one in enumerate(contents) if "old" in one)
    whole = next(number for number in range(len(contents)) if number != patch)
    restated(delta, change)
    told = told.format(at=whole, whole=whole + 1, patched=patch, patch=patch + 1)
    assert refusal(delta, old_image).startswith(told)
    assert not list(delta.parent.rglob("out"))


def test_a_patch_against_what_the_older_card_has_not_names_it(delta: Path, old_image: Path) -> None:
    restated(delta, patched(lambda one: one["old"].update(sha256="0" * 64)))
    ran = receive(delta.parent, DELTA, str(old_image))
    assert ran.code == 1
    assert f": DISCS.LIB: 150 kB, SHA-256 {'0' * 64}, as it was before it changed\n" in ran.err


def test_a_patch_of_another_content_is_refused(delta: Path, old_image: Path) -> None:
    restated(delta, patched(lambda one: one["old"].update(sha256=small.sha(SONG), size=len(SONG))))
    assert refusal(delta, old_image).endswith(": a patch refers to more than the 3,000 bytes of the old content")


@pytest.mark.parametrize("part", ["patch", "whole"])
def test_a_content_that_unpacks_to_more_than_stated_is_refused(delta: Path, old_image: Path, part: str) -> None:
    path = contents_of(delta)[part]
    path.write_bytes(zstd.compress(bytes(300 << 20)))
    assert path.stat().st_size < 30_000
    sum_up(delta)
    assert re.fullmatch(
        rf"contents/{path.name}: unpacks to more than the [\d,]+ bytes stated", refusal(delta, old_image)
    )


@pytest.mark.parametrize("part", ["patch", "whole"])
def test_a_content_of_other_bytes_is_refused(delta: Path, old_image: Path, part: str) -> None:
    path = contents_of(delta)[part]
    size = next(one["size"] for one in json.loads((delta / "delta.json").read_bytes())["contents"]
                if one["sha256"] == path.name[:64])  # fmt: skip
    path.write_bytes(zstd.compress(bytes(size)))
    sum_up(delta)
    assert re.match(rf"contents/{path.name}: unpacks to the SHA-256 ", refusal(delta, old_image))


@pytest.mark.parametrize("behind", [b"x", zstd.compress(b""), b"\x50\x2a\x4d\x18\x04\0\0\0more"])
def test_bytes_behind_the_end_of_a_content_are_refused(delta: Path, old_image: Path, behind: bytes) -> None:
    path = contents_of(delta)["whole"]
    path.write_bytes(path.read_bytes() + behind)
    sum_up(delta)
    assert refusal(delta, old_image) == f"contents/{path.name}: has bytes behind its end"


def test_a_frame_that_asks_for_gigabytes_of_memory_is_refused(delta: Path, old_image: Path) -> None:
    """RFC 8878, 3.1.1.1.2: the window descriptor 0xA8 asks for 2 GiB."""
    path = contents_of(delta)["whole"]
    path.write_bytes(b"\x28\xb5\x2f\xfd\x00\xa8\x01\x00\x00")
    sum_up(delta)
    assert refusal(delta, old_image).startswith(f"contents/{path.name}: is damaged: ")


@pytest.mark.parametrize("value", [-1, 0, 2**31, 2**64])
@pytest.mark.parametrize(
    "key",
    ["cluster", "clusters", "size", "root-clusters", "serial", "fat-bits", "card-sectors", "start", "sectors",
     "sectors-per-cluster", "reserved", "fat-sectors", "root-entries", "heads", "sectors-per-track", "partition-type"],
)  # fmt: skip
def test_a_plan_whose_numbers_no_card_has_is_refused_before_anything_is_written_by_it(
    delta: Path, old_image: Path, key: str, value: int
) -> None:
    found = re.search(rf'"{key}":(\d+)', documents_of(delta, delta.parent / "plan")["plan.json"].read_text())
    assert found
    if int(found[1]) != value:
        restated(delta, plan=partial(re.sub, rf'"{key}":\d+', f'"{key}":{value}', count=1))
        refusal(delta, old_image)


def moved(text: str) -> str:
    """Put a file where another one lies."""
    clusters = re.findall(r'"cluster":(\d+)', text)
    return text.replace(f'"cluster":{clusters[-1]},', f'"cluster":{clusters[0]},') if clusters else text


@pytest.mark.parametrize(
    "plan",
    [
        moved,
        lambda text: text.replace('"short":"DISCS.LIB"', '"short":"DISCS.LIX"'),
        lambda text: text.replace('"path":"DISCS.LIB"', '"path":"../DISCS.LIB"'),
        lambda text: text.replace('"label":"DESK"', '"label":"DESK IN THE HALL"'),
        lambda text: text.replace("1980-01-01", "1979-01-01"),
    ],
)
def test_a_plan_that_is_no_cards_is_refused(delta: Path, old_image: Path, plan: Callable[[str], str]) -> None:
    restated(delta, plan=plan, record=lambda record: follow_names(record, plan))
    refusal(delta, old_image)
    assert not list(delta.parent.rglob("DISCS.LIB"))


def follow_names(record: dict[str, Any], plan: Callable[[str], str]) -> None:
    for part in record["files"]:
        part["path"] = json.loads(plan(f'{{"path":{json.dumps(part["path"])}}}'))["path"]
        part["short-name"] = json.loads(plan(f'{{"short":{json.dumps(part["short-name"])}}}'))["short"]


def repacked(delta: Path, change: Callable[[tarfile.TarFile], object], leave_out: str = "") -> None:
    """Pack the documents of a delta anew, with something else among them."""
    documents = documents_of(delta, delta.parent / "documents")
    raw = io.BytesIO()
    with tarfile.open(fileobj=raw, mode="w", format=tarfile.GNU_FORMAT) as archive:
        for name, path in documents.items():
            if name != leave_out:
                archive.add(path, name)
        change(archive)
    (delta / PACKED).write_bytes(zstd.compress(raw.getvalue()))
    shutil.rmtree(delta.parent / "documents")
    sum_up(delta)


def member(name: str, kind: bytes = tarfile.REGTYPE, size: int = 0) -> Callable[[tarfile.TarFile], object]:
    made = tarfile.TarInfo(name)
    made.type, made.size, made.linkname = kind, size, "/etc/passwd"
    return lambda archive: archive.addfile(made, io.BytesIO(bytes(size)))


@pytest.mark.parametrize(
    ("change", "told"),
    [
        (member("out.txt"), "holds out.txt, expected each of "),
        (member("../out"), "holds ../out, expected each of "),
        (member("record.json"), "holds record.json, expected each of "),
        (member("link", tarfile.SYMTYPE), "is damaged: 'link' is not a plain file"),
        (member("pipe", tarfile.FIFOTYPE), "is damaged: 'pipe' is not a plain file"),
        (member("x" * 3000), "is damaged: '././@LongLink' is not a plain file"),
        (member("record.json", size=100 << 20), "holds record.json, expected each of "),
    ],
)
def test_documents_of_any_kind_are_refused_in_a_line(
    delta: Path, old_image: Path, change: Callable[[tarfile.TarFile], object], told: str
) -> None:
    repacked(delta, change)
    assert refusal(delta, old_image).startswith(f"{PACKED}: {told}")
    assert not list(delta.parent.rglob("out*"))


def test_a_document_that_is_missing_or_far_too_large_is_refused(delta: Path, old_image: Path) -> None:
    repacked(delta, lambda _: None, leave_out="plan.json")
    assert refusal(delta, old_image) == "plan.json: is missing; SHA256SUMS names it"
    repacked(delta, member("plan.json", size=300 << 20))
    assert refusal(delta, old_image) == f"{PACKED}: plan.json in it is larger than 268,435,456 bytes, the limit"


def test_a_content_of_the_older_card_that_changes_meanwhile_leaves_nothing(
    delta: Path, old_image: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    old = Path(shutil.copy(old_image, delta.parent / "old.img"))

    def found(*arguments: Any) -> Any:
        files = find_contents(*arguments)
        data = bytearray(old.read_bytes())
        data[data.index(small.BITSTREAM)] ^= 1
        old.write_bytes(data)
        return files

    monkeypatch.setattr(take_delta, "find_contents", found)
    assert refusal(delta, old).startswith("FABRICS/FERN/FERN.FAB: the source has the SHA-256 ")


@pytest.mark.skipif(os.name != "posix", reason="kill -9 is of POSIX")
def test_killed_at_any_moment_it_leaves_nothing_that_looks_valid(publisher: Path, delta: Path, old_image: Path) -> None:
    rng, words = random.Random(12), [sys.executable, "-m", "doit", "receive", DELTA, str(old_image)]
    image = delta.parent / "build/received/desk-2/card.img"
    for _ in range(6):
        running = subprocess.Popen(words, cwd=delta.parent, env={**os.environ, **BYTECODE}, stdout=subprocess.DEVNULL)
        time.sleep(rng.uniform(0.2, 1.2))
        running.send_signal(signal.SIGKILL)
        running.wait()
        assert not image.exists() or sha256(image) == record_of(publisher)["image"]["sha256"]
        if (image.parent / "record.json").exists():
            assert image.exists()
            assert (image.parent / "plan.json").exists()
    assert receive(delta.parent, DELTA, str(old_image)).code == 0
    assert not (delta.parent / "build/receiving").exists()


# any two cards


NAMES = st.sampled_from(["A.BIN", "B.BIN", "Lower name.txt", "D/A.BIN", "D/E/LONG NAME.DATA", "F.LIB", "É.TXT"])
BYTES = st.builds(
    lambda seed, size, edits: edited(random.Random(seed).randbytes(size), edits),
    st.integers(0, 3), st.sampled_from([0, 1, 7, 1023, 1024, 5000, 40_000]), st.integers(0, 3),
)  # fmt: skip
CARDS = st.dictionaries(NAMES, BYTES, max_size=6)


def edited(data: bytes, edits: int) -> bytes:
    for number in range(edits):
        at = len(data) * number // 3
        data = data[:at] + b"edit" * number + data[at + 2 :]
    return data


def test_between_any_two_cards_a_delta_makes_the_newer_one(tmp_path_factory: pytest.TempPathFactory) -> None:
    between_any_two(tmp_path_factory, 12)


@pytest.mark.long
def test_between_many_cards_a_delta_makes_the_newer_one(tmp_path_factory: pytest.TempPathFactory) -> None:
    between_any_two(tmp_path_factory, 400)


def between_any_two(tmp_path_factory: pytest.TempPathFactory, examples: int) -> None:
    @settings(max_examples=examples, deadline=None, suppress_health_check=list(HealthCheck))
    @given(CARDS, CARDS, st.sampled_from(["zstd", "gzip", "zip"]))
    def is_so(older: dict[str, bytes], newer: dict[str, bytes], form: str) -> None:
        folder = tmp_path_factory.mktemp("pair")
        built(folder, {f"inputs/files/system/S/{name}": data for name, data in older.items()})
        assert publish(folder, "--form", form).code == 0
        shutil.rmtree(folder / "inputs/files/system/S", ignore_errors=True)
        card = small.CARD.replace('version = "1"', 'version = "2"')
        write_tree(folder, {f"inputs/files/system/S/{name}": data for name, data in newer.items()})
        write_tree(folder, {"inputs/cards/desk.toml": card})
        build_card_in(folder)
        assert publish(folder, "--since", "1").code == 0
        ran = receive(folder, f"dist/{DELTA}", "dist/desk-1")
        assert (ran.code, ran.err) == (0, "")
        image = folder / "build/received/desk-2/card.img"
        assert sha256(image) == sha256(folder / "build/cards/desk/card.img")
        known = {small.sha(data) for data in older.values()} | {small.sha(b"")}
        document = json.loads((folder / "dist" / DELTA / "delta.json").read_bytes())
        given = {one["sha256"] for one in document["contents"]}
        assert given == {small.sha(data) for data in newer.values()} - known
        shutil.rmtree(folder)

    is_so()


SIZES = st.sampled_from([1, 1024, REACH, PIECE - 1, PIECE, PIECE + 1, 3 * PIECE, 5 * PIECE + 7, (1 << 32) - 1])


@given(SIZES, SIZES.filter(lambda size: size >= 1024))
def test_patches_make_all_of_a_content_and_each_is_bounded(size: int, old_size: int) -> None:
    pieces = patch_pieces(size, old_size)
    assert sum(piece.size for piece in pieces) == size
    for piece in pieces:
        assert 0 < piece.size <= PIECE
        assert 8 <= piece.length <= PIECE + 2 * REACH
        assert piece.start >= 0
        assert piece.start + piece.length <= old_size
