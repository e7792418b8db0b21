"""Installed from a wheel or a source distribution, with no clone in sight, everything works from any folder."""

from __future__ import annotations

import json
import os
import re
import shutil
import subprocess
import sys
import sysconfig
import tarfile
import venv
import zipfile
from pathlib import Path

import pytest

from tests.support.cli import ROOT, Ran, call

PACKAGES = Path(sysconfig.get_path("purelib"))
RIGHTS = '\n[rights]\nlicence = "CC0-1.0"\nholder = "Tallow Lane Computer Club"\nsource = "made for a test"\n'


def distributions(project: Path, target: Path, *kinds: str) -> list[Path]:
    """Build distributions of a project with its build back end, as ``pip`` and ``build`` do (PEP 517)."""
    words = [sys.executable, "-m", "hatchling", "build", "-d", str(target), *(f"-t{kind}" for kind in kinds)]
    subprocess.run(words, cwd=project, check=True, capture_output=True)
    return sorted(target.iterdir())


@pytest.fixture(scope="module")
def built(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Path]:
    """The wheel and the source distribution of the clone, by kind."""
    source, wheel = sorted(
        distributions(ROOT, tmp_path_factory.mktemp("dist"), "sdist", "wheel"), key=lambda path: path.suffix
    )
    return {"wheel": wheel, "sdist": source}


def others(folder: Path) -> Path:
    """Return a folder with all packages of this environment but Cardkiln, each as a link."""
    folder.mkdir()
    for path in PACKAGES.iterdir():
        if "cardkiln" not in path.name and path.name != "pipeline" and path.suffix != ".pth":
            (folder / path.name).symlink_to(path)
    return folder


class Environment:
    """A fresh environment in which one distribution is installed, and a folder far from the clone to work in."""

    def __init__(self, folder: Path, distribution: Path) -> None:
        venv.create(folder / "env", with_pip=False, symlinks=os.name == "posix")
        self._bin = folder / "env" / ("bin" if os.name == "posix" else "Scripts")
        (site,) = (folder / "env").rglob("site-packages")
        (site / "others.pth").write_text(f"{others(folder / 'others')}\n", "utf-8")
        pip = [sys.executable, "-m", "pip", "--python", str(self._bin / "python"), "install", "-q", "--no-deps"]
        options = ["--no-index", "--no-build-isolation", "--disable-pip-version-check"]
        subprocess.run([*pip, *options, str(distribution)], cwd=folder, check=True, capture_output=True)
        self.package = site / "pipeline"
        self.work = folder / "work"
        self.work.mkdir()

    def doit(self, *words: str, folder: str = ".") -> Ran:
        """Run the script that the distribution installed."""
        return call(self.work / folder, [str(self._bin / "doit"), *words], PYTHONPATH="", PYTHONPYCACHEPREFIX="")


@pytest.fixture(scope="module", params=["wheel", "sdist"])
def installed(
    request: pytest.FixtureRequest, built: dict[str, Path], tmp_path_factory: pytest.TempPathFactory
) -> Environment:
    return Environment(tmp_path_factory.mktemp(request.param), built[request.param])


def test_a_card_is_built_changed_verified_and_published(installed: Environment) -> None:
    assert str(installed.package) in installed.doit("version").out
    assert installed.doit("start", "cards").code == 0
    first = installed.doit(folder="cards")
    assert (first.code, first.err) == (0, "")
    assert re.search(r"^image   my-card: \d+ KiB written, verified with pyfatfs ", first.out, re.MULTILINE)

    inputs = installed.work / "cards" / "inputs"
    for name in ("cores/my-core", "titles/my-title", "boards/my-board", "cards/my-card"):
        path = inputs / f"{name}.toml"
        path.write_text(path.read_text("utf-8").replace('name = "My core"', 'name = "Fern"') + RIGHTS, "utf-8")
    changed = installed.doit(folder="cards")
    assert (changed.code, changed.err) == (0, "")
    assert "config  my-card: 1 of 1 config file written" in changed.out
    assert "rom " not in changed.out

    assert installed.doit("verify", "build/cards/my-card/card.img", "my-card", folder="cards").code == 0
    published = installed.doit("publish", "my-card", folder="cards")
    assert (published.code, published.err) == (0, "")
    assert installed.doit("receive", "dist/my-card-1", folder="cards").code == 0


def test_what_is_read_at_run_time_comes_from_the_package(installed: Environment) -> None:
    names = {path.name for path in (installed.package / "schemas").iterdir()}
    assert names == {path.name for path in (ROOT / "schemas").iterdir() if path.suffix in (".json", ".md")}
    assert not (installed.package.parent / "schemas").exists()


def test_every_file_of_the_package_that_is_no_code_is_in_the_wheel(built: dict[str, Path]) -> None:
    with zipfile.ZipFile(built["wheel"]) as wheel:
        names = set(wheel.namelist())
    tracked = subprocess.run(
        ["git", "ls-files", "pipeline"], cwd=ROOT, capture_output=True, text=True, check=True
    ).stdout.splitlines()
    assert set(tracked) <= names
    assert {"pipeline/ci/card", "pipeline/schemas/title.schema.json"} <= names


def test_the_source_distribution_builds_the_same_wheel(built: dict[str, Path], tmp_path: Path) -> None:
    with tarfile.open(built["sdist"]) as archive:
        archive.extractall(tmp_path, filter="data")
    (project,) = tmp_path.iterdir()
    assert project.name == built["sdist"].name.removesuffix(".tar.gz")
    (wheel,) = distributions(project, tmp_path / "dist", "wheel")
    assert wheel.name == built["wheel"].name
    assert wheel.read_bytes() == built["wheel"].read_bytes()


def test_the_wheel_installs_the_script_doit(built: dict[str, Path]) -> None:
    """``uv tool install`` and ``pipx install`` put only the scripts of the package itself on the path."""
    with zipfile.ZipFile(built["wheel"]) as wheel:
        (name,) = (name for name in wheel.namelist() if name.endswith(".dist-info/entry_points.txt"))
        _, _, scripts = wheel.read(name).decode().partition("[console_scripts]\n")
    assert scripts.splitlines()[0].startswith("doit = pipeline.")


def test_the_environment_has_no_way_to_the_clone(installed: Environment) -> None:
    python = shutil.which("python", path=str(installed.package.parents[3] / "bin")) or sys.executable
    script = "import json, sys, pipeline; print(json.dumps([sys.path, pipeline.__file__]))"
    done = subprocess.run([python, "-c", script], cwd=installed.work, capture_output=True, text=True, check=True,
                          env={**os.environ, "PYTHONPATH": ""})  # fmt: skip
    paths, file = json.loads(done.stdout)
    assert str(ROOT) not in paths
    assert Path(file).is_relative_to(installed.package)
