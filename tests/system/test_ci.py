"""The job of README's section "In CI", run as a machine of a CI runs it: its command is taken from there."""

from __future__ import annotations

import json
import re
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

from pipeline.commands.start import Start
from tests.support.cli import BYTECODE, ROOT, Ran, call, demo_copy, digests, sha256, within

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="the job is a script for a POSIX shell")

CARD = "console-corner"
KEPT = {"record.json", "plan.json", "sheet.html", "SHA256SUMS"}
VENV = """\
#!/bin/sh
# stands for python3: makes an environment whose pip only notes what it was asked for
[ "$*" = "-m venv .venv" ] || exit 9
mkdir -p .venv/bin
printf '#!/bin/sh\\necho "$@" >>pip-was-asked\\n' >.venv/bin/pip
printf '#!/bin/sh\\nexec "{python}" -m doit "$@"\\n' >.venv/bin/doit
chmod +x .venv/bin/pip .venv/bin/doit
"""


def readme_command() -> list[str]:
    """Return the words of the command that README gives: script, card, cache, folder to keep, record."""
    (line,) = re.findall(r"^\.ci/card .*$", (ROOT / "README.md").read_text(encoding="utf-8"), re.MULTILINE)
    words: list[str] = line.split()
    return words


def checkout(folder: Path) -> Path:
    """Return a copy of the demo as a CI checks it out, with no environment in it."""
    demo_copy(folder)
    shutil.copy(ROOT / "dodo.py", folder)
    shutil.copytree(ROOT / ".ci", folder / ".ci")
    return with_python(folder)


def with_python(folder: Path) -> Path:
    """Put what stands for python3 into a folder."""
    (folder / "bin").mkdir()
    (folder / "bin" / "python3").write_text(VENV.format(python=sys.executable), encoding="utf-8")
    (folder / "bin" / "python3").chmod(0o755)
    return folder


def job(folder: Path, cache: Path, *published: str, card: str = CARD) -> Ran:
    """Run README's command in a checkout, with a cache elsewhere."""
    script, *rest = readme_command()
    assert len(rest) == 4
    words = [script, card, str(cache), "kept", *published]
    path = f"{folder / 'bin'}:/usr/bin:/bin"
    return call(folder, words, PATH=path)


@pytest.fixture(scope="module")
def first(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Ran, Path]:
    """The first job on an empty cache: its folder, what it said, and the cache."""
    base = tmp_path_factory.mktemp("ci")
    folder = checkout(base / "first")
    return folder, job(folder, base / "cache"), base / "cache"


def test_on_an_empty_cache_it_sets_up_builds_proves_and_keeps(first: tuple[Path, Ran, Path]) -> None:
    folder, ran, cache = first
    assert (ran.code, ran.err) == (0, "")
    assert (folder / "pip-was-asked").read_text(encoding="utf-8") == "install -q -c constraints.txt -e .[store]\n"
    assert "rom     drizzle-league: 1 ROM file from 2 chips, 8 KiB\n" in ran.out
    assert ran.out.splitlines()[-1].startswith(f"{CARD}: bit-identical when rebuilt ")
    assert {path.name for path in (folder / "kept").iterdir()} == KEPT
    assert digests(cache / CARD / "build/cards") == digests(folder / "build/cards")
    record = json.loads((folder / "kept/record.json").read_bytes())
    assert record["image"]["sha256"] == sha256(folder / "build/cards" / CARD / "card.img")


def test_on_another_machine_the_cache_leaves_nothing_to_build(first: tuple[Path, Ran, Path], tmp_path: Path) -> None:
    folder, _, cache = first
    other = checkout(tmp_path / "other")
    shutil.copy(folder / "kept/record.json", other / "published.json")
    ran = job(other, shutil.copytree(cache, tmp_path / "cache"), "published.json")
    assert (ran.code, ran.err) == (0, "")
    assert re.findall(r"^(?:rom|plan|config|image|record|sheet) .*$", ran.out, re.MULTILINE) == []
    assert (other / "kept/changes.txt").read_text(encoding="utf-8").splitlines()[-1] == "equal"


def test_another_card_takes_rom_files_from_the_store_and_tells_what_changed(
    first: tuple[Path, Ran, Path], tmp_path: Path
) -> None:
    folder, _, cache = first
    other = checkout(tmp_path / "other")
    manifest = other / "inputs/cards" / f"{CARD}.toml"
    text = manifest.read_text(encoding="utf-8")
    version = re.search(r'^version = ".*"$', text, re.MULTILINE)
    assert version
    (other / "inputs/cards/next.toml").write_text(text.replace(version[0], 'version = "next"'), encoding="utf-8")
    shutil.copy(folder / "kept/record.json", other / "published.json")
    ran = job(other, shutil.copytree(cache, tmp_path / "cache"), "published.json", card="next")
    assert (ran.code, ran.err) == (0, "")
    assert "rom     drizzle-league: 1 ROM file from the store, 8 KiB\n" in ran.out
    assert "-> next\n" in (other / "kept/changes.txt").read_text(encoding="utf-8")


def test_an_image_that_is_not_the_pinned_one_ends_the_job(first: tuple[Path, Ran, Path], tmp_path: Path) -> None:
    _, _, cache = first
    other = checkout(tmp_path / "other")
    manifest = other / "inputs/cards" / f"{CARD}.toml"
    pinned = f'image-sha256 = "{"0" * 64}"\n'
    manifest.write_text(
        manifest.read_text(encoding="utf-8").replace("\nversion = ", f"\n{pinned}version = "), encoding="utf-8"
    )
    ran = job(other, shutil.copytree(cache, tmp_path / "cache"))
    assert ran.code == 1
    assert "image-sha256" in ran.err
    assert list((other / "kept").iterdir()) == []


def test_a_record_that_cannot_be_read_ends_the_job_before_the_proof(
    first: tuple[Path, Ran, Path], tmp_path: Path
) -> None:
    _, _, cache = first
    other = checkout(tmp_path / "other")
    ran = job(other, shutil.copytree(cache, tmp_path / "cache"), "nowhere.json")
    assert ran.code != 0
    assert "nowhere.json" in ran.err
    assert "bit-identical" not in ran.out


def test_the_script_is_right_for_any_posix_shell() -> None:
    # IEEE Std 1003.1, "sh": -n reads commands and does not run them; dash is the shell of Debian's /bin/sh
    subprocess.run(["/bin/sh", "-n", str(ROOT / ".ci/card")], env=BYTECODE, check=True)


def test_it_runs_in_a_folder_of_ones_own_with_the_version_that_folder_names(tmp_path: Path) -> None:
    folder = tmp_path / "club"
    assert within(tmp_path, Start, "club").code == 0
    with_python(folder)
    ran = job(folder, tmp_path / "cache", card="my-card")
    assert (ran.code, ran.err) == (0, "")
    assert (folder / "pip-was-asked").read_text(encoding="utf-8") == "install -q -r requirements.txt\n"
    assert {path.name for path in (folder / "kept").iterdir()} == KEPT
