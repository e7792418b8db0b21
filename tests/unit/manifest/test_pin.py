from __future__ import annotations

import tomllib

import pytest

from pipeline.errors import CheckError, ManifestError
from pipeline.manifest.edit.pin import Pinned
from pipeline.manifest.edit.pinnable import KeyPath
from pipeline.model.content import Content
from pipeline.model.units import parse_size
from tests.unit.manifest.pinning import ABC, OTHER, pinned

CHIP: KeyPath = ("chips", "4t")

CASES = {
    "missing keys come below those that are there": (
        '[chips.4t]\nsize = "4 KiB"\npart = "2732"\n',
        f'[chips.4t]\nsize = "4 KiB"\nsha256 = "{ABC}"\npart = "2732"\n',
    ),
    "without any above them they come right below the head": (
        '[chips.4t]  # upper board\npart = "2732"\n\n[chips.4u]\n',
        f'[chips.4t]  # upper board\nsize = "4 KiB"\nsha256 = "{ABC}"\npart = "2732"\n\n[chips.4u]\n',
    ),
    "an empty table is filled": (
        "[chips.4t]\n[chips.4u]\n",
        f'[chips.4t]\nsize = "4 KiB"\nsha256 = "{ABC}"\n[chips.4u]\n',
    ),
    "the last line may have no ending": ("[chips.4t]", f'[chips.4t]\nsize = "4 KiB"\nsha256 = "{ABC}"'),
    "lines end as those beside them": (
        'name = "M"\r\n[chips.4t]\r\nsize = 4096 # so\r\n\r\n',
        f'name = "M"\r\n[chips.4t]\r\nsize = 4096 # so\r\nsha256 = "{ABC}"\r\n\r\n',
    ),
    "a last line without an ending takes that of the others": (
        'name = "M"\r\n[chips.4t]',
        f'name = "M"\r\n[chips.4t]\r\nsize = "4 KiB"\r\nsha256 = "{ABC}"',
    ),
    "lines look like those beside them": (
        "\t[chips.4t]\n\t  size='4 KiB'\n",
        f"\t[chips.4t]\n\t  size='4 KiB'\n\t  sha256='{ABC}'\n",
    ),
    "columns are kept": (
        '[chips.4t]\npart   = "2732"\n',
        f'[chips.4t]\nsize   = "4 KiB"\nsha256 = "{ABC}"\npart   = "2732"\n',
    ),
    "below a head without lines, lines are indented as it is": (
        "  [chips.4t]\n",
        f'  [chips.4t]\n  size = "4 KiB"\n  sha256 = "{ABC}"\n',
    ),
    "an empty text is filled in place": (
        "[chips.4t]\nsha256 = '' # not yet\nsize = \"\"\n",
        f"[chips.4t]\nsha256 = '{ABC}' # not yet\nsize = \"4 KiB\"\n",
    ),
    "an empty text of many lines is filled in place": (
        '[chips.4t]\nsize = 4096\nsha256 = """"""\n',
        f'[chips.4t]\nsize = 4096\nsha256 = """{ABC}"""\n',
    ),
    "dotted keys go on as they began": (
        'name = "M"\nchips.4t.size = "4 KiB"\n\n[rights]\n',
        f'name = "M"\nchips.4t.size = "4 KiB"\nchips.4t.sha256 = "{ABC}"\n\n[rights]\n',
    ),
    "dotted keys below a head": (
        '[chips]\n 4t . part="x"\n4u.size = 1\n',
        f'[chips]\n 4t . part="x"\n 4t . size="4 KiB"\n 4t . sha256="{ABC}"\n4u.size = 1\n',
    ),
    "an inline table": (
        '[chips]\n4t = { size = "4 KiB", part = "x" } # upper\n',
        f'[chips]\n4t = {{ size = "4 KiB", sha256 = "{ABC}", part = "x" }} # upper\n',
    ),
    "an inline table with nothing that goes before": (
        "chips = {4t={part='x'}}\n",
        f"chips = {{4t={{part='x', size='4 KiB', sha256='{ABC}'}}}}\n",
    ),
    "letters of any script and comments stay": (
        '# Mücke — 蛾\nname = "Mücke 🦋" # "size = 1"\n[chips.4t]\nsize = "4 KiB" # größer?\n# sha256 = "?"\n',
        '# Mücke — 蛾\nname = "Mücke 🦋" # "size = 1"\n[chips.4t]\nsize = "4 KiB" # größer?\n'
        f'sha256 = "{ABC}"\n# sha256 = "?"\n',
    ),
    "a new chip comes at the end": (
        '[chips.1a]\nsize = 1\n# bye\n',
        f'[chips.1a]\nsize = 1\n# bye\n\n[chips.4t]\nsize = "4 KiB"\nsha256 = "{ABC}"\n',
    ),
    "or above the first ROM file and its comments": (
        'name = "M"\n\n# The program\n# in one piece.\n[[rom]]\npath = "A"\n[[rom]]\n',
        f'name = "M"\n\n[chips.4t]\nsize = "4 KiB"\nsha256 = "{ABC}"\n\n'
        '# The program\n# in one piece.\n[[rom]]\npath = "A"\n[[rom]]\n',
    ),
    "a comment mark within a text is none": (
        "name = '''M\n# no comment'''\n[[rom]]\n",
        f"name = '''M\n# no comment'''\n\n[chips.4t]\nsize = \"4 KiB\"\nsha256 = \"{ABC}\"\n[[rom]]\n",
    ),
    "a new chip looks like the one beside it": (
        "\t[chips.1a]\r\n\tsize=1\r\n",
        f"\t[chips.1a]\r\n\tsize=1\r\n\r\n\t[chips.4t]\r\n\tsize=\"4 KiB\"\r\n\tsha256=\"{ABC}\"\r\n",
    ),
    "a new chip beside dotted ones": (
        'chips.1a.size = 1\n',
        f'chips.1a.size = 1\n\n[chips.4t]\nsize = "4 KiB"\nsha256 = "{ABC}"\n',
    ),
    "a manifest with nothing in it yet": ("", f'[chips.4t]\nsize = "4 KiB"\nsha256 = "{ABC}"\n\n'),
}  # fmt: skip


@pytest.mark.parametrize(("before", "after"), CASES.values(), ids=CASES)
def test_only_what_is_pinned_is_written(before: str, after: str) -> None:
    assert pinned(before, CHIP).text == after


@pytest.mark.parametrize("after", [after for _, after in CASES.values()], ids=CASES)
def test_a_second_time_there_is_nothing_to_write(after: str) -> None:
    again = pinned(after, CHIP)
    assert again == Pinned(text=after, written={CHIP: ()}, added=frozenset())


@pytest.mark.parametrize(
    ("way", "before", "after"),
    [
        (
            ("rom", 1),
            '[[rom]]\npath = "A"\n[[rom]]\npath = "B" # two\nfill = 0\n[[rom.steps]]\nsize = 1\n',
            '[[rom]]\npath = "A"\n[[rom]]\npath = "B" # two\nsize = "4 KiB"\n'
            f'sha256 = "{ABC}"\nfill = 0\n[[rom.steps]]\nsize = 1\n',
        ),
        (
            ("files", 0),
            '[[files]]\nplacement = "first"\npath = "A"\n\n[[files]]\n',
            f'[[files]]\nplacement = "first"\npath = "A"\nsize = "4 KiB"\nsha256 = "{ABC}"\n\n[[files]]\n',
        ),
        (
            ("files", 1),
            'files = [\n  { path = "A", size = 1 },\n  { path = "B" }, # two\n]\n',
            'files = [\n  { path = "A", size = 1 },\n'
            f'  {{ path = "B", size = "4 KiB", sha256 = "{ABC}" }}, # two\n]\n',
        ),
        (
            ("bitstream",),
            'name = "G"\n\n[needs]\npads = 1\n',
            f'name = "G"\n\n[needs]\npads = 1\n\n[bitstream]\nsize = "4 KiB"\nsha256 = "{ABC}"\n',
        ),
        (
            ("patches", "second-series"),
            'name = "M"\n\n[[rom]]\n',
            f'name = "M"\n\n[patches.second-series]\nsize = "4 KiB"\nsha256 = "{ABC}"\n\n[[rom]]\n',
        ),
        (
            ("chips", "6.f"),
            '[chips."6.h"]\n',
            f'[chips."6.h"]\n\n[chips."6.f"]\nsize = "4 KiB"\nsha256 = "{ABC}"\n',
        ),
    ],
)
def test_rom_files_files_bitstreams_and_patches_are_pinned_too(way: KeyPath, before: str, after: str) -> None:
    assert pinned(before, way).text == after


def test_several_are_pinned_at_once_in_the_order_they_are_named() -> None:
    text = "[chips.4t]\n[chips.1a]\nsize = 4096\n\n[[rom]]\n"
    both = pinned(text, ("chips", "9z"), CHIP, ("chips", "1a"), ("chips", "8y"))
    assert both.text == (
        f'[chips.4t]\nsize = "4 KiB"\nsha256 = "{ABC}"\n[chips.1a]\nsize = 4096\nsha256 = "{ABC}"\n\n'
        f'[chips.9z]\nsize = "4 KiB"\nsha256 = "{ABC}"\n\n[chips.8y]\nsize = "4 KiB"\nsha256 = "{ABC}"\n\n[[rom]]\n'
    )
    assert both.written[CHIP] == ("size", "sha256")
    assert both.written["chips", "1a"] == ("sha256",)
    assert both.added == {("chips", "9z"), ("chips", "8y")}


@pytest.mark.parametrize(
    ("size", "old", "new"),
    [
        (4096, None, '"4 KiB"'),
        (192, None, "192"),  # no unit makes it shorter
        (1, None, "1"),
        (0, None, "0"),
        (1025 * 1024, None, '"1025 KiB"'),
        (4000, None, "4000"),  # "4 kB" would be read as 4 KiB
        (4000, '"4 KiB"', '"4000 B"'),
        (4096, "4_096", "4_096"),  # says the same
        (4096, '"4.0 KiB"', '"4.0 KiB"'),
        (4096, "0x2000", "4096"),
        (4096, '"8 KiB"', '"4 KiB"'),
        (4096, "'8 KiB'", "'4 KiB'"),
        (192, '"8 KiB"', '"192 B"'),
        (1, '"8 KiB"', '"1 B"'),
        (192, "8192", "192"),
        (1, "true", "1"),
        (4096, '"large"', '"4 KiB"'),
        (4096, "[4, 0.5]", '"4 KiB"'),
    ],
)
def test_a_size_is_written_as_the_one_before_or_plainly(size: int, old: str | None, new: str) -> None:
    content = Content(sha256=ABC, size=size, crc32=0)
    before = f'[chips.4t]\nsize = {old}\nsha256 = "{ABC}"\n' if old else f'[chips.4t]\nsha256 = "{ABC}"\n'
    after = f'[chips.4t]\nsize = {new}\nsha256 = "{ABC}"\n'
    assert pinned(before, CHIP, content=content, replacing=True).text == after
    assert parse_size(tomllib.loads(after)["chips"]["4t"]["size"]) == size


def test_hexadecimal_letters_in_upper_case_say_the_same() -> None:
    text = f'[chips.4t]\nsize = "4 KiB"\nsha256 = "{ABC.upper()}"\ncrc32 = "352441C2"\n'
    assert pinned(text, CHIP).text == text


def test_a_crc32_is_added_only_when_asked_for_and_never_to_a_rom_file() -> None:
    text = f'[chips.4t]\nsize = "4 KiB"\nsha256 = "{ABC}"\n\n[[rom]]\npath = "A"\nsize = "4 KiB"\nsha256 = "{ABC}"\n'
    assert pinned(text, CHIP, ("rom", 0)).text == text
    after = text.replace(f'sha256 = "{ABC}"\n\n', f'sha256 = "{ABC}"\ncrc32 = "352441c2"\n\n')
    assert pinned(text, CHIP, ("rom", 0), crc32=True).text == after


def test_a_crc32_that_is_there_is_kept_up_to_date() -> None:
    before = f"[chips.4t]\nsize = 4096\nsha256 = \"{OTHER}\"\ncrc32 = '00000000' # old\n"
    after = f"[chips.4t]\nsize = 4096\nsha256 = \"{ABC}\"\ncrc32 = '352441c2' # old\n"
    result = pinned(before, CHIP, replacing=True)
    assert result.text == after
    assert result.written == {CHIP: ("sha256", "crc32")}


def test_other_values_are_refused_each_with_both_values() -> None:
    text = f'[chips.4t]\nsize = "8 KiB" # ?\nsha256 = "{OTHER}"\ncrc32 = "00000000"\n[chips.4u]\nsize = 0x2000\n'
    with pytest.raises(CheckError) as refused:
        pinned(text, ("chips", "4u"), CHIP)
    assert str(refused.value).splitlines() == [
        'inputs/titles/moth.toml:2:8: chips.4t.size: found "8 KiB"; dumps/4t.bin has "4 KiB"',
        f'inputs/titles/moth.toml:3:10: chips.4t.sha256: found "{OTHER}"; dumps/4t.bin has "{ABC}"',
        'inputs/titles/moth.toml:4:9: chips.4t.crc32: found "00000000"; dumps/4t.bin has "352441c2"',
        "inputs/titles/moth.toml:6:8: chips.4u.size: found 0x2000; dumps/4t.bin has 4096",
        "  hint: with --replace the file's values are written",
    ]


def test_a_value_that_is_no_size_or_hash_is_refused_in_one_line() -> None:
    text = f'[chips.4t]\nsize = [\n 1,\n]\nsha256 = "{ABC}"\n'
    with pytest.raises(CheckError, match=r"size: found \[  1, \]; dumps/4t.bin has") as refused:
        pinned(text, CHIP)
    assert len(str(refused.value).splitlines()) == 2


@pytest.mark.parametrize(
    ("text", "line", "column"),
    [
        ("chips = { 4t = {} }\n", 1, 11),
        ("[chips]\n4t = {}\n", 2, 1),
        ("[chips]\n1a = { size = 1 }\n4t = { }\n", 3, 1),
        ('chips = { 4t.part = "x" }\n', 1, 11),  # a dotted key within an inline table
        ('[chips.4t.part]\nname = "x"\n', 1, 8),  # a table that only its own tables imply
    ],
)
def test_a_table_without_a_safe_place_is_left_to_the_person(text: str, line: int, column: int) -> None:
    with pytest.raises(ManifestError) as refused:
        pinned(text, CHIP)
    assert f"inputs/titles/moth.toml:{line}:" in str(refused.value)
    assert str(refused.value).partition(": ")[2] == (
        "chips.4t: is written in a form that cannot be added to safely\n"
        f'  hint: write it by hand: size = "4 KiB", sha256 = "{ABC}"'
    )


def test_a_new_chip_in_an_inline_table_is_left_to_the_person() -> None:
    with pytest.raises(ManifestError) as refused:
        pinned("chips = { 1a = {} }\n", CHIP)
    assert str(refused.value) == (
        "inputs/titles/moth.toml:1:9: chips.4t: is written in a form that cannot be added to safely\n"
        f'  hint: write it by hand: size = "4 KiB", sha256 = "{ABC}"'
    )


@pytest.mark.parametrize(
    "text", ['chips = { 4t.part = "x", 1a = { size = 4096 } }\n', "chips = { 1a = { size = 4096 } }\n"]
)
def test_only_the_table_without_a_safe_place_is_told(text: str) -> None:
    with pytest.raises(ManifestError) as refused:
        pinned(text, ("chips", "1a"), CHIP)
    assert [problem.place.key for problem in refused.value.problems] == ["chips.4t"]


def test_a_value_that_is_a_table_with_a_head_is_left_to_the_person() -> None:
    with pytest.raises(ManifestError, match=r"chips\.4t: is written in a form that cannot be added to safely"):
        pinned("[chips.4t.sha256]\n[chips.4t.size]\n", CHIP, replacing=True)
