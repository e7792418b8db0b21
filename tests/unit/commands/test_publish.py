"""``doit publish`` and ``doit receive`` as two people run them, one after the other."""

from __future__ import annotations

import contextlib
import json
import os
import random
import re
import shutil
import signal
import subprocess
import sys
import time
from collections.abc import Callable
from functools import partial
from pathlib import Path
from typing import Any

import pytest

from pipeline.card.plan_text import plan_from_text
from pipeline.commands.publish import Publish
from pipeline.commands.receive import Receive
from pipeline.distribute.publish import as_json
from pipeline.distribute.receive import check, take_image
from pipeline.errors import CardkilnError
from pipeline.model.text import shown
from pipeline.publish.materials import materials
from pipeline.publish.pack import SUFFIXES, pack
from pipeline.publish.rights import HINT
from pipeline.publish.statement import statement
from pipeline.record.document import placed, volume_document
from pipeline.workspace.stamp import read_stamp, write_stamp
from tests.strangers.tools import require
from tests.support import small
from tests.support.building import build_card_in, workspace_in
from tests.support.cli import BYTECODE, Ran, digests, doit, own_command, sha256, within

RIGHTS = '[rights]\nlicence = "CC0-1.0"\nholder = "A club"\nsource = "its page"\n'
WITH_RIGHTS: dict[str, str | bytes] = {
    "inputs/boards/oak.toml": small.BOARD + RIGHTS,
    "inputs/cores/fern.toml": small.CORE + RIGHTS,
    "inputs/titles/snail-race.toml": small.TITLE + RIGHTS,
}
IMAGE_FILES = {"README.txt", "SHA256SUMS", "card.img.zst", "materials.cdx.json", "plan.json", "provenance.json"}


@pytest.fixture(scope="module")
def published(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A project whose card was built and published, signed."""
    folder = small.small_project(tmp_path_factory.mktemp("publisher"), WITH_RIGHTS)
    assert doit(folder, "sheet:desk").code == 0
    keys = [require("ssh-keygen"), "-q", "-t", "ed25519", "-N", "", "-C", "", "-f"]
    for name in ("key", "other"):
        subprocess.run([*keys, str(folder / name)], check=True)
    ran = own_command(folder, "publish", "desk", "--key", "key", "--who", "club")
    assert (ran.code, ran.err) == (0, "")
    return folder


@pytest.fixture
def copy(published: Path, tmp_path: Path) -> Path:
    return shutil.copytree(published / "dist/desk-1", tmp_path / "desk-1")


def built(folder: Path, changes: dict[str, str | bytes] | None = None) -> Path:
    """Return a project whose card is built, in this process."""
    small.small_project(folder, {**WITH_RIGHTS, **(changes or {})})
    build_again(folder)
    return folder


def build_again(folder: Path) -> None:
    build_card_in(folder)


def publish(folder: Path, *arguments: str) -> Ran:
    return within(folder, Publish, "desk", *arguments)


def receive(folder: Path, *arguments: str, **environment: str) -> Ran:
    return within(folder, Receive, *arguments, **environment)


# publishing


def test_what_was_made_is_said_and_can_be_checked_with_public_tools(published: Path, tmp_path: Path) -> None:
    folder = shutil.copytree(published / "dist/desk-1", tmp_path / "desk-1")
    assert {path.name for path in folder.iterdir()} >= {
        *IMAGE_FILES,
        "SHA256SUMS.sig",
        "allowed_signers",
        "record.json",
    }
    sums = [require("sha256sum"), "--strict", "-c", "SHA256SUMS"]
    assert subprocess.run([*sums, "--ignore-missing"], cwd=folder, capture_output=True, check=True).stderr == b""
    subprocess.run([require("zstd"), "-q", "-d", "card.img.zst"], cwd=folder, check=True)
    subprocess.run(sums, cwd=folder, capture_output=True, check=True)
    assert sha256(folder / "card.img") == sha256(published / "build/cards/desk/card.img")
    with (folder / "SHA256SUMS").open("rb") as data:
        verify = [require("ssh-keygen"), "-Y", "verify", "-f", "allowed_signers", "-I", "club", "-n", "file"]
        subprocess.run([*verify, "-s", "SHA256SUMS.sig"], stdin=data, cwd=folder, capture_output=True, check=True)
    for name in ("record.json", "provenance.json", "materials.cdx.json"):
        subprocess.run([sys.executable, "-m", "json.tool", name], cwd=folder, capture_output=True, check=True)


@pytest.mark.parametrize("form", ["zstd", "gzip", "zip"])
def test_each_command_for_linux_on_its_page_does_what_it_says(tmp_path: Path, form: str) -> None:
    folder = built(tmp_path)
    assert publish(folder, "--form", form).code == 0
    page = (folder / "dist/desk-1/README.txt").read_text()
    check, unpack = re.findall(r"^ +Linux: +(.*)$", page, re.MULTILINE)
    for command in (check, unpack, check):
        require(command.split()[0])
        words = ["sh", "-e", "-c", command]
        ran = subprocess.run(words, cwd=folder / "dist/desk-1", check=True, capture_output=True, text=True)
    assert "card.img: OK\n" in ran.stdout
    assert sha256(folder / "dist/desk-1/card.img") == sha256(folder / "build/cards/desk/card.img")


def test_the_command_on_its_page_checks_the_signature(published: Path) -> None:
    page = (published / "dist/desk-1/README.txt").read_text()
    (command,) = re.findall(r"^ +Linux, macOS: +(ssh-keygen .*)$", page, re.MULTILINE)
    require("ssh-keygen")
    words = ["sh", "-e", "-c", command]
    ran = subprocess.run(words, cwd=published / "dist/desk-1", check=True, capture_output=True, text=True)
    assert ran.stdout.startswith('Good "file" signature for club ')


def test_the_same_record_gives_the_same_files(published: Path, tmp_path: Path) -> None:
    again = built(tmp_path)
    assert publish(again).code == 0
    signed = {"SHA256SUMS", "SHA256SUMS.sig", "allowed_signers", "README.txt"}
    one, two = digests(published / "dist/desk-1"), digests(again / "dist/desk-1")
    assert {name: one[name] for name in one.keys() - signed} == {name: two[name] for name in two.keys() - signed}


def test_json_names_image_and_files(tmp_path: Path) -> None:
    folder = built(tmp_path)
    ran = publish(folder, "--json", "--form", "gzip")
    document = json.loads(ran.out)
    assert document["folder"] == "dist/desk-1"
    assert document["image"]["sha256"] == sha256(folder / "build/cards/desk/card.img")
    assert document["files"]["card.img.gz"] == (folder / "dist/desk-1/card.img.gz").stat().st_size


def refusal(folder: Path, *arguments: str) -> str:
    ran = publish(folder, *arguments)
    assert (ran.code, ran.out) == (1, "")
    assert {path.name for path in folder.glob("dist/*")} <= {"desk-1", "index.json", "index.html"}
    return ran.err


def test_a_version_is_published_once(published: Path) -> None:
    before = digests(published / "dist")
    assert refusal(published) == (
        'inputs/cards/desk.toml:2:11: version: version "1" is published already: dist/desk-1\n'
        "  hint: give the card a new version, and build it\n"
    )
    assert digests(published / "dist") == before


def test_a_card_that_is_not_built_is_refused(tmp_path: Path) -> None:
    small.small_project(tmp_path, WITH_RIGHTS)
    assert refusal(tmp_path) == (
        "inputs/cards/desk.toml: the build is out of date: rom: new\n  hint: doit sheet:desk\n"
    )


def test_a_card_whose_manifest_changed_since_is_refused(tmp_path: Path) -> None:
    folder = built(tmp_path)
    small.small_project(folder, {**WITH_RIGHTS, "inputs/cards/desk.toml": small.CARD.replace("DESK", "TABLE")})
    assert refusal(folder) == (
        "inputs/cards/desk.toml: the build is out of date: "
        "plan: the card's contents or layout changed\n  hint: doit sheet:desk\n"
    )


def test_a_card_without_its_sheet_is_refused(tmp_path: Path) -> None:
    small.small_project(tmp_path, WITH_RIGHTS)
    assert doit(tmp_path, "record:desk").code == 0
    assert refusal(tmp_path) == "inputs/cards/desk.toml: its sheet was not made\n  hint: doit sheet:desk\n"


def test_an_image_that_went_bad_since_is_refused(tmp_path: Path) -> None:
    """The stamp still holds: size and times are those of the good image."""
    folder = built(tmp_path)
    image = folder / "build/cards/desk/card.img"
    state = image.stat()
    data = bytearray(image.read_bytes())
    data[data.index(small.BITSTREAM) + 5] ^= 1
    image.write_bytes(data)
    os.utime(image, ns=(state.st_atime_ns, state.st_mtime_ns))
    stamp = folder / "build/state/image/desk.json"
    made = read_stamp(stamp)
    write_stamp(stamp, made.inputs, {"card.img": (image, made.outputs["card.img"].sha256)}, made.facts)
    assert "FABRICS/FERN/FERN.FAB: its SHA-256 is" in refusal(folder)


def test_contents_without_rights_are_refused_by_manifest(tmp_path: Path) -> None:
    folder = built(tmp_path, {"inputs/titles/snail-race.toml": small.TITLE})
    assert refusal(folder) == (
        "inputs/titles/snail-race.toml:1:1: rights: licence, holder and source are missing; licence, holder and "
        "source are all required to publish\n"
        f"  hint: {HINT}\n"
    )


def test_an_unknown_card_offers_the_nearest(published: Path) -> None:
    ran = own_command(published, "publish", "dosk")
    assert (ran.code, ran.out) == (2, "")
    assert ran.err == 'found "dosk", expected the id of a card\n  hint: did you mean "desk"?\n'


def test_a_key_that_is_none_leaves_nothing_behind(tmp_path: Path) -> None:
    folder = built(tmp_path)
    ran = publish(folder, "--key", "none")
    assert (ran.code, ran.out) == (3, "")
    assert ran.err == "none.pub: is not a public key; expected one beside the private key\n"
    ran = publish(folder, "--key", "", "--who", "club")
    assert ran == Ran(2, "", "--key: no key is named\n  hint: name the file of an OpenSSH key\n")
    ran = publish(folder, "--key", "none", "--who", "")
    assert ran == Ran(
        2, "",
        '--who: found "", expected letters, digits, ".", "@", "+", "_" and "-"\n'
        "  hint: for example --who name@example.org\n",
    )  # fmt: skip
    ran = publish(folder, "--key", "none", "--who", "the club")
    assert (ran.code, ran.out) == (2, "")
    assert ran.err == (
        '--who: found "the club", expected letters, digits, ".", "@", "+", "_" and "-"\n'
        "  hint: for example --who name@example.org\n"
    )
    assert not (folder / "dist").exists()


def test_a_published_folder_that_went_bad_is_named(tmp_path: Path) -> None:
    folder = built(tmp_path)
    (folder / "dist/other-1").mkdir(parents=True)
    (folder / "dist/other-1/record.json").write_text("{")
    assert publish(folder) == Ran(
        1, "",
        "dist/other-1/record.json: is damaged; the index of versions and the list of changes need it\n"
        "  hint: restore other-1, or move it out of dist\n",
    )  # fmt: skip
    assert [path.name for path in (folder / "dist").iterdir()] == ["other-1"]


@pytest.mark.skipif(os.name != "posix", reason="kill -9 is of POSIX")
def test_killed_at_any_moment_it_leaves_nothing_or_everything(tmp_path: Path) -> None:
    folder, rng = built(tmp_path), random.Random(11)
    words = [sys.executable, "-m", "doit", "publish", "desk"]
    for _ in range(6):
        running = subprocess.Popen(words, cwd=folder, env={**os.environ, **BYTECODE}, stdout=subprocess.DEVNULL)
        time.sleep(rng.uniform(0.2, 1.0))
        running.send_signal(signal.SIGKILL)
        running.wait()
        if (folder / "dist/desk-1").exists():
            assert check(folder / "dist/desk-1", None).record["card"]["id"] == "desk"
            shutil.rmtree(folder / "dist/desk-1")
    assert publish(folder).code == 0
    assert [path.name for path in (folder / "dist").iterdir() if path.is_dir()] == ["desk-1"]


def test_the_next_version_says_what_changed_and_the_index_lists_both(tmp_path: Path) -> None:
    folder = built(tmp_path)
    assert publish(folder).code == 0
    assert (folder / "dist/desk-1/CHANGES.txt").read_text() == "This is the first version that was published.\n"
    newer = small.CARD.replace('version = "1"', 'version = "2"').replace("DESK", "TABLE")
    (folder / "inputs/cards/desk.toml").write_text(newer)
    build_again(folder)
    assert publish(folder, "--form", "zip").code == 0
    assert publish(folder, "--recipe").code == 0
    changes = (folder / "dist/desk-2/CHANGES.txt").read_text().splitlines()
    assert (folder / "dist/desk-2-recipe/CHANGES.txt").read_text().splitlines() == changes
    assert changes[:2] == ["Since version 1:", ""]
    assert "  changed  label: DESK -> TABLE" in changes
    index = json.loads((folder / "dist/index.json").read_text())
    assert [(one["folder"], one["version"], one["kind"]) for one in index["versions"]] == [
        ("desk-1", "1", "image"), ("desk-2", "2", "image"), ("desk-2-recipe", "2", "recipe"),
    ]  # fmt: skip
    assert index["versions"][1]["image"]["sha256"] == sha256(folder / "build/cards/desk/card.img")
    assert index["versions"][1]["changes"] == changes[2:]
    page = (folder / "dist/index.html").read_text()
    assert page.index(">2</a>") < page.index(">1</a>")
    assert "label: DESK -&gt; TABLE" in page


def test_a_warning_must_be_accepted_in_writing(tmp_path: Path) -> None:
    old_facts = small.CORE.replace(
        'release = "1.0"', 'release = "1.0"\nrelease-date = "2026-02-01"\ndate = "2026-01-01"'
    )
    folder = built(tmp_path, {"inputs/cores/fern.toml": old_facts + RIGHTS})
    rule = json.loads((folder / "build/cards/desk/record.json").read_text())["warnings"][0]["rule"]
    assert refusal(folder).startswith(f"inputs/cards/desk.toml: the warning {rule} is not accepted: ")
    accepted = small.CARD + f'[accept]\n{rule} = "tried at the club"\n'
    (folder / "inputs/cards/desk.toml").write_text(accepted)
    build_again(folder)
    assert publish(folder).code == 0


# receiving


def test_a_received_image_is_the_one_that_was_published(copy: Path, published: Path) -> None:
    ran = own_command(copy.parent, "receive", "desk-1", "--signers", str(published / "dist/desk-1/allowed_signers"))
    image = copy.parent / "build/received/desk-1/card.img"
    assert (ran.code, ran.err) == (0, "")
    assert ran.out == (
        "Desk, version 1: image as published\nsigned by club\n"
        "not checked: CHANGES.txt, README.txt, sheet.html and what record.json says of names, rights, origins and "
        "warnings\n"
        "read the cautions before you use it: build/received/desk-1/CAUTIONS.txt\n"
        f"build/received/desk-1/card.img: sha256 {sha256(published / 'build/cards/desk/card.img')}\n"
    )
    assert sha256(image) == sha256(published / "build/cards/desk/card.img")


def test_a_signature_without_own_signers_proves_no_person(copy: Path) -> None:
    ran = receive(copy.parent, "desk-1")
    assert ran.out.splitlines()[1].startswith("signed with ED25519 key SHA256:")
    assert ran.out.splitlines()[1].endswith("compare it with the publisher's by another way, or give --signers FILE")


def test_another_signer_is_refused(copy: Path, published: Path) -> None:
    (copy.parent / "mine").write_text(f"friend {(published / 'other.pub').read_text()}")
    ran = receive(copy.parent, "desk-1", "--signers", "mine")
    assert (ran.code, ran.out) == (1, "")
    assert ran.err == (
        "SHA256SUMS.sig: was made by no signer in mine\n"
        "  hint: get the folder again, and compare the key with the publisher's by another way\n"
    )


def test_a_list_of_signers_that_is_not_there_is_named(copy: Path) -> None:
    ran = receive(copy.parent, "desk-1", "--signers", "mine")
    assert ran == Ran(3, "", "mine: there is no such list of allowed signers\n  hint: correct the path\n")


def test_a_missing_signature_is_refused_where_one_is_expected(copy: Path, published: Path) -> None:
    (copy / "SHA256SUMS.sig").unlink()
    with pytest.raises(CardkilnError, match=r"^SHA256SUMS\.sig: is missing; expected the signature of one of "):
        check(copy, published / "dist/desk-1/allowed_signers")


def test_a_flipped_byte_at_any_place_is_noticed(copy: Path) -> None:
    project, rng = workspace_in(copy.parent), random.Random(5)
    take_image(project, check(copy, None))
    for path in sorted(copy.iterdir()):
        whole = path.read_bytes()
        for at in {0, len(whole) - 1, *rng.sample(range(len(whole)), 6)}:
            path.write_bytes(whole[:at] + bytes([whole[at] ^ 1 << rng.randrange(8)]) + whole[at + 1 :])
            try:
                take_image(project, check(copy, None))
            except CardkilnError:
                continue
            pytest.fail(f"{path.name}: byte {at}: {path.read_bytes()[max(0, at - 20) : at + 20]!r}")
        path.write_bytes(whole)
    take_image(project, check(copy, None))


def test_a_file_too_many_too_few_or_a_link_is_named(copy: Path) -> None:
    (copy / "extra.txt").write_text("hello")
    (copy / "plan.json").unlink()
    ran = receive(copy.parent, "desk-1")
    assert (ran.code, ran.out) == (1, "")
    assert ran.err == (
        "extra.txt: is not named in SHA256SUMS; expected only files that are (and 1 more)\n"
        "  hint: take it out of the folder\n"
    )
    (copy / "extra.txt").unlink()
    (copy / "plan.json").symlink_to("/etc/passwd")
    ran = receive(copy.parent, "desk-1")
    assert ran.err.startswith("plan.json: is a link or a device; expected plain files and folders\n")


def test_a_sum_list_whose_paths_leave_the_folder_is_refused(copy: Path) -> None:
    lines = len((copy / "SHA256SUMS").read_text().splitlines())
    with (copy / "SHA256SUMS").open("a") as sums:
        sums.write(f"{'0' * 64}  ../secret\n")
    (copy / "SHA256SUMS.sig").unlink()
    ran = receive(copy.parent, "desk-1")
    assert (ran.code, ran.out) == (1, "")
    what = 'found "../secret", expected a path that stays on the card, without ".." or "."'
    hint = "do not use this folder; get it again from where it was published"
    assert ran.err == f"SHA256SUMS:{lines + 1}:1: {what}\n  hint: {hint}\n"


def restated(copy: Path, change: Callable[[dict[str, Any]], object]) -> None:
    """Change the record of a published folder, and everything that must agree with it."""
    record = json.loads((copy / "record.json").read_bytes())
    change(record)
    (copy / "record.json").write_text(json.dumps(record))
    made = {"provenance.json": statement(record, sha256(copy / "record.json")), "materials.cdx.json": materials(record)}
    for name, document in made.items():
        (copy / name).write_text(as_json(document))
    sum_up(copy, record["image"]["sha256"])


def replanned(copy: Path, change: Callable[[str], str]) -> None:
    """Change the plan of a published folder, and the record so that it follows from it."""
    text = change((copy / "plan.json").read_text())
    (copy / "plan.json").write_text(text)
    plan = plan_from_text(text)

    def follow(record: dict[str, Any]) -> None:
        record["plan"]["sha256"] = small.sha(text.encode())
        record["volume"] = volume_document(plan, "default")
        record["image"]["size"] = plan.volume.card_sectors * 512
        entries = {entry.path: entry for entry in plan.entries}
        for part in (*record["files"], *record["folders"]):
            part |= placed(entries[part["path"]])

    restated(copy, follow)


def sum_up(copy: Path, image: str) -> None:
    """Make the checksum list anew, as somebody could who wants to deceive; the signature goes."""
    (copy / "SHA256SUMS.sig").unlink(missing_ok=True)
    sums = {**digests(copy), "card.img": image}
    (copy / "SHA256SUMS").write_text("".join(f"{sums[name]}  {name}\n" for name in sums if name != "SHA256SUMS"))


def received(copy: Path) -> str:
    """Return the first line of what receiving a folder says, which is refused and leaves no image."""
    ran = receive(copy.parent, copy.name)
    assert (ran.code, ran.out) == (1, "")
    assert len([line for line in ran.err.splitlines() if not line.startswith("  hint: ")]) == 1
    assert not list((copy.parent / "build").glob("received/**/card.img*"))
    return ran.err.splitlines()[0]


@pytest.mark.parametrize("form", ["zstd", "gzip", "zip"])
def test_an_image_that_unpacks_to_more_than_stated_is_refused(copy: Path, form: str) -> None:
    (copy / "card.img.zst").unlink()
    bomb = copy.parent / "card.img"
    with bomb.open("wb") as file:
        file.truncate(200 << 20)
    target = copy / f"card.img{SUFFIXES[form]}"
    pack(bomb, target, form)
    bomb.unlink()
    restated(copy, lambda record: None)
    assert received(copy) == f"{target.name}: unpacks to more than the 16,777,216 bytes that the record states"


def test_an_image_larger_than_any_card_is_refused(copy: Path) -> None:
    replanned(copy, lambda text: re.sub(r'"card-sectors":\d+', f'"card-sectors":{1 << 41}', text))
    assert received(copy) == (
        "record.json: states an image of 1,125,899,906,842,624 bytes; 256,000,000,000 is the limit"
    )


@pytest.mark.parametrize(
    ("key", "text"),
    [
        *(("version", text) for text in ("..", ".", "con", "AUX", "nul.txt", "COM1", "1.", "-1", "", "1\n", "1 ")),
        *(("version", text) for text in ("1/../../../../out", "/out", "\u0661")),
        *(("id", text) for text in ("..", "con", "aux", "lpt9", "Desk", "desk/..", "desk-", "\u202edesk")),
    ],
)  # fmt: skip
def test_an_id_or_version_that_cannot_name_a_folder_is_refused(copy: Path, key: str, text: str) -> None:
    restated(copy, lambda record: record["card"].update({key: text}))
    told = f'record.json: card.{key}: found "{shown(text)}", expected what can name a folder'
    assert received(copy) == told
    assert not list((copy.parent / "build").glob("received/*"))
    assert not [folder for folder in (copy, *copy.parents) if (folder / "out").exists()]


@pytest.mark.parametrize("text", ["{}", "[" * 100_000])
def test_a_plan_that_is_none_is_refused(copy: Path, text: str) -> None:
    (copy / "plan.json").write_text(text)
    restated(copy, lambda record: record["plan"].update(sha256=small.sha(text.encode())))
    told = {
        "{}": "plan.json: is not a plan: line 1: found '{}', expected '{\"cardkiln-plan\":1,'",
        "[" * 100_000: "plan.json: is not a plan: a part of it is longer than 65,536 bytes, the limit",
    }
    assert received(copy) == told[text]


@pytest.mark.parametrize("value", [-(2**32), -1, 0, 1, 2**31, 2**32 - 1, 2**64])
@pytest.mark.parametrize(
    "key",
    ["cluster", "clusters", "size", "root-clusters", "serial", "fat-bits", "card-sectors", "start", "sectors",
     "sectors-per-cluster", "reserved", "fat-sectors", "root-entries", "heads", "sectors-per-track", "partition-type"],
)  # fmt: skip
def test_a_plan_whose_numbers_no_card_has_is_refused(copy: Path, key: str, value: int) -> None:
    found = re.search(rf'"{key}":(\d+)', (copy / "plan.json").read_text())
    assert found
    if int(found[1]) != value:
        change = partial(re.sub, rf'"{key}":\d+', f'"{key}":{value}', count=1)
        with contextlib.suppress(ArithmeticError):  # of numbers of which no record can be made
            replanned(copy, lambda text: change(string=text))
        received(copy)


def test_a_name_that_plays_tricks_is_shown_as_escapes(copy: Path) -> None:
    restated(copy, lambda record: record["card"].update(name="Desk\x1b[2J\nDesk"))
    ran = receive(copy.parent, copy.name)
    assert (ran.code, ran.out.splitlines()[0]) == (0, "Desk\\u001b[2J\\nDesk, version 1: image as published")


def test_a_well_formed_folder_around_another_image_is_refused(copy: Path) -> None:
    restated(copy, lambda record: record["image"].update(sha256="0" * 64))
    assert received(copy).startswith("card.img.zst: unpacks to the SHA-256 ")


def test_an_image_that_is_not_as_its_plan_says_is_refused(copy: Path) -> None:
    subprocess.run([require("zstd"), "-q", "-d", "--rm", "card.img.zst"], cwd=copy, check=True)
    data = bytearray((copy / "card.img").read_bytes())
    data[data.index(small.BITSTREAM) + 5] ^= 1
    (copy / "card.img").write_bytes(data)
    sha = sha256(copy / "card.img")
    pack(copy / "card.img", copy / "card.img.zst", "zstd")
    (copy / "card.img").unlink()
    restated(copy, lambda record: record["image"].update(sha256=sha))
    assert received(copy).startswith("FABRICS/FERN/FERN.FAB: its SHA-256 is ")


@pytest.mark.parametrize(
    ("name", "data", "told"),
    [
        ("record.json", b"[" * 100_000, "record.json: is not a JSON document: "),
        ("record.json", b"[]", "record.json: is not a JSON object; expected one"),
        ("record.json", b"{}", "record.json: "),
        ("record.json", b"\xff", "record.json: is not a JSON document: "),
        ("provenance.json", b'{"subject": 3}', "SHA256SUMS: found the SHA-256 "),
        ("SHA256SUMS", b"\xff\xfe", "SHA256SUMS: is not UTF-8 text"),
        ("SHA256SUMS", b"x" * 1000, "SHA256SUMS:1:1: found "),
    ],
)
def test_documents_of_any_form_are_told_in_a_line(copy: Path, name: str, data: bytes, told: str) -> None:
    (copy / name).write_bytes(data)
    if name == "SHA256SUMS":
        (copy / "SHA256SUMS.sig").unlink()
    else:
        sum_up(copy, "0" * 64)
    assert received(copy).startswith(told)


@pytest.mark.skipif(os.name != "posix", reason="other systems refuse such names themselves")
def test_names_that_play_tricks_are_shown_as_escapes(copy: Path) -> None:
    (copy / "a\x1b[2Jb\n").write_text("x")
    assert received(copy) == "a\\u001b[2Jb\\n: is not named in SHA256SUMS; expected only files that are"


# recipes


@pytest.fixture(scope="module")
def recipe_of_two_boards(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A published recipe whose core and station speak of another board too, with saved games; and the dumps."""
    other = small.BOARD.replace('"Oak"', '"Elm"').replace('"rgb"', '"hdmi"').replace("files/system", "files/elm/x.zip")
    station = 'name = "Hall"\n[[displays]]\nname = "wall"\ninputs = ["rgb", "hdmi"]\n'
    card = 'keep = ["SLATE/**"]\nstations = ["hall"]\n' + small.CARD
    changes: dict[str, str | bytes] = {
        "inputs/titles/snail-race.toml": small.TITLE,
        "inputs/cores/fern.toml": small.CORE.replace('boards = ["oak"]', 'boards = ["oak", "elm"]') + RIGHTS,
        "inputs/boards/elm.toml": other,
        "inputs/files/elm/x.zip": b"not ours",
        "inputs/stations/hall.toml": station,
        "inputs/cards/desk.toml": card + RIGHTS,
        "inputs/kept/desk/SLATE/ONE.DAT": b"level 3",
    }
    folder = tmp_path_factory.mktemp("two-boards")
    (folder / "inputs/files/system/Logs").mkdir(parents=True)  # a folder without files is on the card too
    built(folder, changes)
    image = sha256(folder / "build/cards/desk/card.img")
    pinned = changes["inputs/cards/desk.toml"] = f'image-sha256 = "{image}"\n{card}{RIGHTS}'
    (folder / "inputs/cards/desk.toml").write_text(str(pinned))
    build_again(folder)
    ran = publish(folder, "--recipe")
    assert (ran.code, ran.err) == (0, "")
    return folder


def test_a_recipe_holds_what_its_cores_and_stations_speak_of(recipe_of_two_boards: Path, tmp_path: Path) -> None:
    recipe = shutil.copytree(recipe_of_two_boards / "dist/desk-1-recipe", tmp_path / "desk-1-recipe")
    assert (recipe / "inputs/boards/elm.toml").is_file()
    assert (recipe / "inputs/files/elm/x.zip").read_bytes() == b""
    dumps = shutil.copytree(recipe_of_two_boards / "inputs/files/attic", tmp_path / 'my \U0001f600 "dumps"')
    ran = receive(tmp_path, "desk-1-recipe", dumps.name)
    assert (ran.code, ran.err) == (0, "")
    image = tmp_path / "build/received/desk-1/build/cards/desk/card.img"
    assert sha256(image) == json.loads((recipe / "record.json").read_bytes())["image"]["sha256"]
    assert b"level 3" not in image.read_bytes()
    assert not [path for path in recipe.rglob("*") if path.is_file() and b"level 3" in path.read_bytes()]


def test_a_place_that_is_not_there_is_named(recipe_of_two_boards: Path, tmp_path: Path) -> None:
    ran = receive(tmp_path, str(recipe_of_two_boards / "dist/desk-1-recipe"), "box", "attic.zip")
    assert (ran.code, ran.out) == (3, "")
    assert ran.err == (
        "attic.zip: there is no such folder or archive\n  hint: correct the path\n"
        "box: there is no such folder or archive\n  hint: correct the path\n"
    )


def without(key: str) -> Callable[[dict[str, Any]], object]:
    return lambda recipe: recipe.pop(key)


def leaving(path: str, name: str) -> Callable[[dict[str, Any]], object]:
    """Have a content that is brought put somewhere."""

    def change(recipe: dict[str, Any]) -> None:
        files = [{"name": name, "size": 1, "sha256": recipe["bring"][0]["sha256"]}]
        recipe["left-out"] = [{"path": path, "files": files}]

    return change


@pytest.mark.parametrize(
    ("change", "told"),
    [
        (without("bring"), "recipe.json: 'bring' is a required property"),
        (lambda recipe: recipe.update(bring=3), "recipe.json: bring: 3 is not of type 'array'"),
        (leaving("../../../..", "out"), "recipe.json: left-out.1: found the path '../../../../out', "),
        (leaving("files", "../../out"), "recipe.json: left-out.1: found the path 'files/../../out', "),
        (
            lambda recipe: recipe.update({"empty-folders": ["../x"]}),
            "recipe.json: empty-folders: found the path '../x', expected one that stays below the inputs",
        ),
        (leaving("/etc", "out"), "recipe.json: left-out.1: found the path '/etc/out', expected one that stays "),
        (
            lambda recipe: recipe.update({"left-out": [{"path": "x", "files": [
                {"name": "", "size": 1, "sha256": "0" * 64}]}]}),
            "recipe.json: left-out.1: 'x' is of no content that the receiver supplies",
        ),
    ],
)  # fmt: skip
def test_a_strange_recipe_is_refused_in_a_line(
    recipe_of_two_boards: Path, tmp_path: Path, change: Callable[[dict[str, Any]], object], told: str
) -> None:
    copy = shutil.copytree(recipe_of_two_boards / "dist/desk-1-recipe", tmp_path / "work/deep/desk-1-recipe")
    recipe = json.loads((copy / "recipe.json").read_bytes())
    change(recipe)
    (copy / "recipe.json").write_text(json.dumps(recipe))
    sum_up(copy, json.loads((copy / "record.json").read_bytes())["image"]["sha256"])
    ran = receive(copy.parent, copy.name, str(recipe_of_two_boards / "inputs/files/attic"))
    assert (ran.code, ran.out) == (1, "")
    assert ran.err.startswith(told)
    assert not list(tmp_path.rglob("out"))


def test_a_recipe_does_not_say_where_to_look(recipe_of_two_boards: Path, tmp_path: Path) -> None:
    copy = shutil.copytree(recipe_of_two_boards / "dist/desk-1-recipe", tmp_path / "desk-1-recipe")
    places = json.dumps([str(recipe_of_two_boards / "inputs/files/attic")])
    for name in ("sources.toml", "sources.local.toml"):
        (copy / "inputs" / name).write_text(f"places = {places}\n")
    sum_up(copy, json.loads((copy / "record.json").read_bytes())["image"]["sha256"])
    ran = receive(copy.parent, copy.name)
    assert (ran.code, ran.out) == (1, "")
    assert ran.err.splitlines()[0] == "recipe.json: 3 of 3 contents are in none of the 0 places searched"


@pytest.mark.parametrize("missing", ["inputs", "inputs/cards/desk.toml"])
def test_a_recipe_without_its_manifests_is_refused(recipe_of_two_boards: Path, tmp_path: Path, missing: str) -> None:
    copy = shutil.copytree(recipe_of_two_boards / "dist/desk-1-recipe", tmp_path / "desk-1-recipe")
    shutil.rmtree(copy / missing) if (copy / missing).is_dir() else (copy / missing).unlink()
    sum_up(copy, json.loads((copy / "record.json").read_bytes())["image"]["sha256"])
    ran = receive(tmp_path, "desk-1-recipe", str(recipe_of_two_boards / "inputs/files/attic"))
    assert (ran.code, ran.out) == (1, "")
    told = {
        "inputs": "inputs: is missing; a recipe has its manifests there",
        "inputs/cards/desk.toml": "inputs/cards: found no manifest of the card desk",
    }
    assert ran.err.splitlines()[0] == told[missing]


def test_a_recipe_gives_the_same_image_from_ones_own_dumps(tmp_path: Path) -> None:
    changes: dict[str, str | bytes] = {
        "inputs/titles/snail-race.toml": small.TITLE,
        "inputs/boards/oak.toml": small.BOARD,
    }
    folder = built(tmp_path / "publisher", changes)
    ran = own_command(folder, "publish", "desk", "--recipe")
    assert (ran.code, ran.err) == (0, "")
    recipe = shutil.copytree(folder / "dist/desk-1-recipe", tmp_path / "receiver/desk-1-recipe")
    for path in recipe.rglob("*"):
        data = path.read_bytes() if path.is_file() else b""
        for foreign in (small.CHIP_A, small.CHIP_B, small.ROM, small.BITSTREAM, small.CONFIG):
            assert foreign not in data, path

    lacking = receive(recipe.parent, "desk-1-recipe")
    assert (lacking.code, lacking.out) == (1, "")
    assert lacking.err == (
        "recipe.json: 4 of 4 contents are in none of the 0 places searched\n"
        "  hint: name folders or archives with your own dumps: doit receive FOLDER PLACE ...\n"
        f"recipe.json: BENCH.SET of desk: {len(small.CONFIG)} bytes, SHA-256 {small.sha(small.CONFIG)}\n"
        f"recipe.json: FABRICS/FERN/FERN.FAB of fern: 720 bytes, SHA-256 {small.sha(small.BITSTREAM)}\n"
        f"recipe.json: chip a1 of snail-race: 1 KiB, SHA-256 {small.sha(small.CHIP_A)}\n"
        f"recipe.json: chip b1 of snail-race: 1 KiB, SHA-256 {small.sha(small.CHIP_B)}\n"
    )

    own = tmp_path / "receiver/box"
    own.mkdir()
    for number, data in enumerate((small.CHIP_A, small.CHIP_B, small.BITSTREAM, small.CONFIG)):
        (own / f"{number}.bin").write_bytes(data)
    got = own_command(recipe.parent, "receive", "desk-1-recipe", "box", SOURCE_DATE_EPOCH="1234567890")
    image = recipe.parent / "build/received/desk-1/build/cards/desk/card.img"
    assert (got.code, got.err) == (0, "")
    assert got.out.splitlines()[0] == "Desk, version 1: image as published"
    assert got.out.splitlines()[2] == "not checked: CHANGES.txt and README.txt"
    assert sha256(image) == sha256(folder / "build/cards/desk/card.img")
