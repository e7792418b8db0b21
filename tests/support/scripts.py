"""Scripts run in a sandbox, and what ``translate`` makes of them."""

from __future__ import annotations

import os
import subprocess
from pathlib import Path
from random import Random

from pipeline.drafts.translated import translated_text
from pipeline.manifest.parse_manifest import parse_manifest
from pipeline.model.manifest import Title
from pipeline.roms.assemble import assemble
from pipeline.translate.translate import Translation, translate


def dumps(seed: int = 7) -> dict[str, bytes]:
    """Dumps of made-up bytes, every one with a byte 0x1A and a line end in it."""
    random = Random(seed)
    names = [
        "a.bin",
        "b.bin",
        "c.bin",
        "d.bin",
        "hi.rom",
        "lo.rom",
        "roms/1.6f",
        "roms/2.6h",
        "roms/3.6j",
        "Two Words.BIN",
    ]
    sizes = [2048, 2048, 4096, 1024, 1024, 1024, 512, 512, 512, 768]
    files = {name: random.randbytes(size - 4) + b"\x1a\nZ\0" for name, size in zip(names, sizes, strict=True)}
    return {**files, "list.txt": b"a.bin\nb.bin\nroms/1.6f\n", "patch.hex": b"C3 00 10\nFF\n"}


def run_in(folder: Path, script: Path, shell: str, *arguments: str) -> dict[str, bytes]:
    """Run a script of our own in a folder of its own, without the environment; return the files it left or changed."""
    before = {path: path.read_bytes() for path in folder.rglob("*") if path.is_file()}
    command = (
        ["make", "-s", "-B", "-f", str(script), *arguments] if shell == "make" else [shell, str(script), *arguments]
    )
    subprocess.run(
        ["prlimit", "--fsize=16777216", "--cpu=20", "--", *command],
        cwd=folder,
        env={"PATH": os.environ["PATH"], "LC_ALL": "C", "TMPDIR": str(folder)},
        stdin=subprocess.DEVNULL,
        capture_output=True,
        check=True,
        timeout=60,
    )
    after = {path: path.read_bytes() for path in folder.rglob("*") if path.is_file() and path != script}
    return {
        path.relative_to(folder).as_posix(): data for path, data in after.items() if before.get(path) != data and data
    }


def built(translation: Translation, inputs: dict[str, bytes]) -> dict[str, bytes]:
    """Return what the drafted title builds, by the files of the script: read as a manifest, then assembled."""
    text = "\n".join([*translated_text(translation, "script", inputs, "glimmer"), ""]).replace("<blank>", "A title")
    parsed = parse_manifest("title", "drafted", "drafted.toml", text.encode())
    assert not parsed.problems, parsed.problems
    title = parsed.value
    assert isinstance(title, Title)
    chips = {name: inputs[file] for file, name in translation.chips.items()}
    return {
        drafted.file: assemble(title, rom, chips) for drafted, rom in zip(translation.roms, title.roms, strict=True)
    }


def followed(name: str, script: str | bytes, inputs: dict[str, bytes], *arguments: str) -> Translation:
    """Return the translation of a script, files that went into others included."""
    data = script.encode() if isinstance(script, str) else script
    return translate(name, data, inputs, arguments=arguments, intermediate=True)
