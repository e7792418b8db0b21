"""Generated shell scripts: what the drafted title builds is, byte for byte, what the shell and the tools made.

The judges are the machine's own shell, GNU coreutils, xxd, srec_cat and objcopy.
"""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from random import Random

import pytest

from tests.support.cli import write_tree
from tests.support.scripts import built, dumps, followed, run_in

DEFINED = 'pad() { head -c "$2" /dev/zero | tr "\\000" "\\$3" >> "$1"; }\nboth() { cat "$1" "$2"; }\n'


def generated(seed: int) -> str:
    """A script of 3 to 12 commands that all succeed, of every kind that is followed."""
    random = Random(seed)
    sizes = {name: len(data) for name, data in dumps().items() if not name.endswith((".txt", ".hex", "BIN"))}
    return "#!/bin/sh\nset -e\n" + DEFINED + "".join(_commands(random, sizes))


def _commands(random: Random, sizes: dict[str, int]) -> Iterator[str]:  # noqa: C901  # one branch a kind
    for number in range(random.randint(3, 12)):
        new = f"t{number}.out"
        one, two = random.choice(list(sizes)), random.choice(list(sizes))
        start, size = random.randint(0, sizes[one] - 1), random.randint(1, 600)
        block = random.choice([1, 16, 128, 512])
        kind = random.randrange(22)
        made = min(size, sizes[one] - start)
        if kind == 0:
            yield f"cat {one} {two} > {new}\n"
            sizes[new] = sizes[one] + sizes[two]
        elif kind == 1:
            yield f"dd if={one} of={new} bs=1 skip={start} count={size} 2>/dev/null\n"
            sizes[new] = made
        elif kind == 2:
            yield f"tail -c +{start + 1} {one} | head -c {size} > {new}\n"
            sizes[new] = made
        elif kind == 3:
            yield f'for f in {one} {two} {one}; do cat "$f" >> {new}; done\n'
            sizes[new] = 2 * sizes[one] + sizes[two]
        elif kind == 4:
            yield f"cp {one} {new}; pad {new} {size} {random.choice(['377', '000', '252'])}\n"
            sizes[new] = sizes[one] + size
        elif kind == 5:
            yield f"cp {one} {new}\ntruncate -s {size} {new}\n"
            sizes[new] = size
        elif kind == 6:
            yield f"printf '\\{random.randint(64, 255):o}\\001AB%s%03d' x {number} > {new}\n"
            sizes[new] = 8
        elif kind == 7:
            at = random.randint(0, 4)
            yield f"cp {one} {new}\ndd if={two} of={new} bs={block} seek={at} conv=notrunc status=none\n"
        elif kind == 8 and sizes[one] % 2 == 0:
            yield f"dd if={one} of={new} conv=swab 2> /dev/null\n"
            sizes[new] = sizes[one]
        elif kind == 9:
            yield f"if [ -f {one} ] && [ ! -e nothing ]; then both {one} {two} > {new}; else exit 1; fi\n"
            sizes[new] = sizes[one] + sizes[two]
        elif kind == 10:
            yield f"i=0; while [ $i -lt 3 ]; do head -c $((i * {block} + 1)) {one} >> {new}; i=$((i + 1)); done\n"
        elif kind == 11:
            yield f"{{ cat {one}; printf '%b' '\\0{random.randint(1, 255):o}'; cat {two}; }} > {new}\n"
            sizes[new] = sizes[one] + 1 + sizes[two]
        elif kind == 12:
            yield f"(cd roms && cat 1.6f ../{one} > ../{new})\n"
            sizes[new] = 512 + sizes[one]
        elif kind == 13:
            yield f"cat {one} > tmp; mv tmp {new}; rm -f tmp\n"
            sizes[new] = sizes[one]
        elif kind == 14 and sizes[one] % 4 == 0:
            yield f"objcopy -I binary -O binary --reverse-bytes=4 {one} {new}\n"
            sizes[new] = sizes[one]
        elif kind == 15:
            yield f"srec_cat hi.rom -binary -unsplit 2 0 lo.rom -binary -unsplit 2 1 -o {new} -binary\n"
            sizes[new] = 2048
        elif kind == 16:
            at = sizes[one] + random.randint(0, 100)
            yield f"srec_cat {one} -bin {two} -bin -offset {at} -o {new} -bin\n"
            sizes[new] = at + sizes[two]
        elif kind == 17:
            yield f"srec_cat {one} -binary -xor 0x5A -fill 0xFF 0 {sizes[one] + size} -o {new} -binary\n"
            sizes[new] = sizes[one] + size
        elif kind == 18:
            yield f"case {one} in *.bin) cp {one} {new};; *) cat {two} > {new};; esac\n"
            sizes[new] = sizes[one if one.endswith(".bin") else two]
        elif kind == 19 and sizes[one] % 2 == 0:
            yield f"objcopy -I binary -O binary -i 2 -b {random.randint(0, 1)} {one} {new}\n"
            sizes[new] = sizes[one] // 2
        elif kind == 20:
            yield f"xxd -r -p patch.hex > {new}; cat {one} >> {new}\n"
            sizes[new] = 4 + sizes[one]
        else:
            yield f"head -c -{min(size, sizes[one] - 1)} {one} > {new}\n"
            sizes[new] = max(sizes[one] - size, 1)


def check(tmp_path: Path, seed: int) -> None:
    inputs, script = dumps(), generated(seed)
    write_tree(tmp_path, {**inputs, "make.sh": script})
    translation = followed("make.sh", script, inputs)
    assert not translation.is_open, (script, translation.remarks)
    assert built(translation, inputs) == run_in(tmp_path, tmp_path / "make.sh", "sh"), script


@pytest.mark.parametrize("seed", range(36))
def test_a_generated_script_is_followed_to_the_byte(tmp_path: Path, seed: int) -> None:
    check(tmp_path, seed)


@pytest.mark.long
@pytest.mark.parametrize("seed", range(1_000, 1_300))
def test_300_generated_scripts_are_followed_to_the_byte(tmp_path: Path, seed: int) -> None:
    check(tmp_path, seed)
