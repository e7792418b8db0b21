"""File systems with other rules than that of the machine, mounted for a test where its kernel lets us."""

from __future__ import annotations

import os
import shutil
import subprocess
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from tests.strangers.tools import require

SIZE = 300 << 20

KINDS = {
    "vfat": (["mkfs.fat", "-F", "32"], ["mount", "-t", "vfat"]),
    "exfat": (["mkfs.exfat"], ["mount.exfat-fuse"]),
    "ntfs": (["mkntfs", "-q", "-F", "-Q"], ["ntfs-3g", "-o", "windows_names"]),
    "ext4 with casefold": (["mkfs.ext4", "-q", "-O", "casefold"], ["mount", "-t", "ext4"]),
    "tmpfs": ([], ["mount", "-t", "tmpfs", "-o", f"size={SIZE}"]),
}
"""What makes and what mounts each. Of NTFS that is its rules for names; Windows ignores letter case there as well."""


@contextmanager
def mounted(kind: str) -> Iterator[Path]:
    """Give an empty folder of a file system; skip the test where the machine cannot have it, however many tools it has.

    A tool that is missing fails it where CI is set, since CI brings all tools; its kernel is what it is.
    """
    make, mount = KINDS[kind]
    if os.geteuid() != 0:
        pytest.skip("only root mounts file systems")
    with tempfile.TemporaryDirectory() as name:
        image, folder = Path(name, "image"), Path(name, "folder")
        folder.mkdir()
        device = kind
        if make:
            image.write_bytes(b"")
            os.truncate(image, SIZE)
            subprocess.run([require(make[0]), *make[1:], str(image)], check=True, capture_output=True)
            device = _run(require("losetup"), "-f", "--show", str(image))
        try:
            _run(require(mount[0]), *mount[1:], device, str(folder))
            try:
                yield _of_folder(kind, folder)
            finally:
                subprocess.run(["umount", str(folder)], check=True)
        finally:
            if make:
                subprocess.run(["losetup", "-d", device], check=True)


def _of_folder(kind: str, folder: Path) -> Path:
    if kind != "ext4 with casefold":
        return folder
    shutil.rmtree(folder / "lost+found")
    inner = folder / "inner"
    inner.mkdir()
    _run(require("chattr"), "+F", str(inner))
    return inner


def _run(*words: str) -> str:
    """Return what a command said; skip the test where the kernel refuses it."""
    done = subprocess.run(words, capture_output=True, text=True, check=False)
    if done.returncode:
        pytest.skip(f"{words[0]} is refused here: {' '.join(done.stderr.split())[:120]}")
    return done.stdout.strip()
