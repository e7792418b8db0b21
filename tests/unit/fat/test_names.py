from __future__ import annotations

import re

import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline.fat.names import (
    basis_name,
    checksum,
    fold,
    is_short,
    label_problem,
    name_problem,
    raw_short,
    short_names,
    slots,
    utf16_units,
)

letters = st.text(st.sampled_from("abAB1~_-. éßЖ日😀+("), min_size=1, max_size=20)
anything = st.text(st.characters(exclude_categories=["Cs", "Cc"]), min_size=1, max_size=40)
folders_of_names = st.lists(
    st.one_of(letters, anything).filter(lambda name: name_problem(name) is None), max_size=30, unique_by=fold
)

GENERATED = re.compile(r"[A-Z0-9_\-]{1,8}|(?=.{1,8}(\.|$))[A-Z0-9_\-]*~[1-9][0-9]{0,5}")
"""The stem of a short name that was made, not given (Microsoft FAT specification 1.03, numeric tails)."""


@pytest.mark.parametrize(
    ("name", "expected"),
    [
        # pyfatfs 1.1.0, EightDotThree.checksum; the tailed ones also in slots written by mtools 4.0.32.
        ("FIRST   BIN", 0x66),
        ("README  TXT", 0x73),
        ("THEQUI~1FOX", 0x07),
        ("ALONGF~1DAT", 0xB3),
        ("MIXED   TXT", 0x46),
        ("LETTER~1DOC", 0xDA),
        ("ZZZZZZZZZZZ", 0xCC),
    ],
)
def test_checksum_of_a_short_name(name: str, expected: int) -> None:
    assert checksum(name.encode()) == expected


@pytest.mark.parametrize(
    ("short", "expected"),
    [
        # Microsoft FAT specification 1.03, "FAT Directory Structure": examples of names as entered and as stored.
        ("FOO.BAR", b"FOO     BAR"),
        ("FOO", b"FOO        "),
        ("PICKLE.A", b"PICKLE  A  "),
        ("PRETTYBG.BIG", b"PRETTYBGBIG"),
    ],
)
def test_a_short_name_as_stored(short: str, expected: bytes) -> None:
    assert raw_short(short) == expected


@pytest.mark.parametrize(
    ("name", "short"),
    [
        # mtools 4.0.32, mcopy to a FAT16 volume and mdir.
        ("The quick brown.fox", "THEQUI~1.FOX"),
        ("archive.tar.gz", "ARCHIV~1.GZ"),
        ("A Long Name.With.Dots.text", "ALONGN~1.TEX"),
        (".profile", "PROFIL~1"),
        ("My Doc.txt", "MYDOC~1.TXT"),
        ("MiXed.TxT", "MIXED.TXT"),
        ("a+b.txt", "A_B~1.TXT"),
        ("x..y", "X~1.Y"),
        ("name.t e", "NAME~1.TE"),
        ("abcdefghi", "ABCDEF~1"),
        ("a.abcd", "A~1.ABC"),
        # Microsoft FAT specification 1.03: the stem ends at the first dot. mtools and Windows go on to the last.
        ("a.b.c", "A~1.C"),
        # Only A-Z, 0-9, _ and - are sure to mean the same in every code page.
        ("héllo.txt", "H_LLO~1.TXT"),
        ("file(1).txt", "FILE_1~1.TXT"),
        ("日本語.rom", "___~1.ROM"),
        ("a😀.rom", "A_~1.ROM"),
    ],
)
def test_the_short_name_of_a_long_one(name: str, short: str) -> None:
    assert short_names([name]) == [short]


@pytest.mark.parametrize("name", ["A", "FIRST.BIN", "MOTHPA~1.ROM", "$%'-_@~`.!()", "{}^#&0.9", "12345678.123"])
def test_a_name_that_is_8_3_needs_no_long_one(name: str) -> None:
    """Microsoft FAT specification 1.03, "Short Directory Entries": the characters allowed."""
    assert is_short(name)
    assert short_names([name]) == [name]
    assert slots(name, name) == 1


@pytest.mark.parametrize("name", ["a", "FIRST.bin", "123456789", "A.1234", "A.B.C", ".A", "A.", "A B", "A+B", "Ä", ""])
def test_a_name_that_is_not_8_3_as_it_is(name: str) -> None:
    assert not is_short(name)


def test_tails_count_up_and_given_names_keep_theirs() -> None:
    """Microsoft FAT specification 1.03, "The Numeric-Tail Generation Algorithm": the lowest that is free."""
    names = ["long name one.rom", "LONGNA~2.ROM", "long name two.rom", "longname.rom", "LONGNAME.ROMS", "longna~4.rom"]

    assert short_names(names) == [
        "LONGNA~1.ROM",
        "LONGNA~2.ROM",
        "LONGNA~3.ROM",
        "LONGNAME.ROM",
        "LONGNA~5.ROM",
        "LONGNA~6.ROM",
    ]


def test_a_short_name_never_equals_another_files_long_name() -> None:
    """Microsoft FAT specification 1.03: "names in both the short and long name spaces must be unique".

    fsck.fat does not find such a pair, and a public reader then opens the wrong file.
    """
    names = ["mothpa~1.rom.old", "Moth Pantry.rom", "mothpa~1.rom"]

    assert short_names(names) == ["MOTHPA~1.OLD", "MOTHPA~2.ROM", "MOTHPA~3.ROM"]


def test_the_tail_shortens_the_stem_at_10_100_and_1000() -> None:
    shorts = short_names([f"a long name {number}" for number in range(1, 1001)])

    assert [shorts[tail - 1] for tail in (1, 9, 10, 99, 100, 999, 1000)] == [
        "ALONGN~1",
        "ALONGN~9",
        "ALONG~10",
        "ALONG~99",
        "ALON~100",
        "ALON~999",
        "ALO~1000",
    ]


def test_65000_names_of_one_stem_all_get_the_lowest_tail() -> None:
    """The most files a folder can hold is 65,534; a search from ~1 for each would take two billion steps."""
    shorts = short_names([f"a long game name number {number}.rom" for number in range(65_000)])

    assert len(set(shorts)) == 65_000
    assert shorts[-1] == "AL~65000.ROM"


def test_65000_names_of_many_stems_that_share_tails() -> None:
    names = [f"{'abcdefgh'[: 1 + number % 8]}{number % 3}+{number}.rom" for number in range(65_000)]

    shorts = short_names(names)

    assert len(set(shorts)) == 65_000
    assert all(is_short(short) for short in shorts)


def test_names_that_collide_have_no_short_names() -> None:
    with pytest.raises(ValueError, match="differ in nothing but letter case or composition"):
        short_names(["A long name", "a LONG name"])


@given(folders_of_names)
def test_short_names_are_legal_and_unique_among_short_and_long_names(names: list[str]) -> None:
    """Microsoft FAT specification 1.03, "Name Limits and Character Sets" and "Name Matching"."""
    shorts = short_names(names)

    assert len({fold(short) for short in shorts}) == len(names)
    for name, short in zip(names, shorts, strict=True):
        assert is_short(short)
        assert name_problem(short) is None
        others = {fold(other) for other in names} - {fold(name)}
        assert fold(short) not in others
        if short != name:
            stem, _, extension = short.partition(".")
            assert GENERATED.fullmatch(stem)
            assert re.fullmatch(r"[A-Z0-9_\-]{0,3}", extension)


@given(folders_of_names)
def test_short_names_of_short_names_are_themselves(names: list[str]) -> None:
    shorts = short_names(names)

    assert short_names(shorts) == shorts


@given(folders_of_names)
def test_tails_are_the_lowest_that_are_free(names: list[str]) -> None:
    """Microsoft FAT specification 1.03: the tail's number starts at 1 and goes up until the name is unique."""
    taken = {fold(name) for name in names}
    for name, short in zip(names, short_names(names), strict=True):
        if short == name or fold(short) == fold(name):
            continue
        stem, extension = basis_name(name)
        ending = f".{extension}" if extension else ""
        tails = (f"~{number}" for number in range(1, 1_000_000))
        expected = next(
            candidate for tail in tails if (candidate := f"{stem[: 8 - len(tail)]}{tail}{ending}").lower() not in taken
        )
        assert short == expected
        taken.add(short.lower())


@pytest.mark.parametrize(
    ("units", "expected"),
    # mtools 4.0.32: 13 units fill one slot without an end, 255 units take 20; the entry itself is one more.
    [(1, 2), (13, 2), (14, 3), (26, 3), (27, 4), (255, 21)],
)
def test_slots_of_a_long_name(units: int, expected: int) -> None:
    assert slots("x" * units, "X~1") == expected


def test_a_character_beyond_the_basic_plane_counts_twice() -> None:
    assert utf16_units("a😀") == 3
    assert slots("x" * 11 + "😀", "X~1") == 2
    assert slots("x" * 12 + "😀", "X~1") == 3


@pytest.mark.parametrize(
    ("name", "problem"),
    [
        ("", "is empty; give it at least one character"),
        (".", 'is ".", which stands for a folder itself or its parent; give it a name of its own'),
        ("..", 'is "..", which stands for a folder itself or its parent; give it a name of its own'),
        ("a\x00b", "holds U+0000, which is not a character of a name; leave it out"),
        ("a\nb", "holds U+000A, which is not a character of a name; leave it out"),
        ("a\x7f", "holds U+007F, which is not a character of a name; leave it out"),
        ("a\ud800", "holds U+D800, which is not a character of a name; leave it out"),
        ("a\uffffb", "holds U+FFFF, which is not a character of a name; leave it out"),
        ("x" * 256, "has 256 UTF-16 units, and a name may have 255; shorten it by 1"),
        ("😀" * 128, "has 256 UTF-16 units, and a name may have 255; shorten it by 1"),
        ("name.", "ends with a dot, which readers drop; leave it out"),
        ("name ", "ends with a blank, which readers drop; leave it out"),
        (" name", "begins with a blank, which readers drop; leave it out"),
        ("con", "is kept for the device CON by Windows, with any extension; put another character before it"),
        ("Nul.txt", "is kept for the device NUL by Windows, with any extension; put another character before it"),
        ("lpt9 .a.b", "is kept for the device LPT9 by Windows, with any extension; put another character before it"),
        (
            "COM\u00b9",
            "is kept for the device COM\u00b9 by Windows, with any extension; put another character before it",
        ),
        ("conin$", "is kept for the device CONIN$ by Windows, with any extension; put another character before it"),
    ],
)
def test_names_no_system_would_accept(name: str, problem: str) -> None:
    """Microsoft FAT specification 1.03; Microsoft, "Naming Files, Paths, and Namespaces"."""
    assert name_problem(name) == problem


@pytest.mark.parametrize("character", list('"*/:<>?\\|'))
def test_characters_no_name_may_hold(character: str) -> None:
    """Microsoft, "Naming Files, Paths, and Namespaces"."""
    assert name_problem(f"a{character}b") == (
        f'holds {character}, and no name may hold any of " * / : < > ? \\ |; leave it out or write _'
    )


@pytest.mark.parametrize(
    "device", ["CON", "PRN", "AUX", "NUL", *(f"{port}{digit}" for port in ("COM", "LPT") for digit in "123456789¹²³")]
)
def test_every_device_name_is_refused_with_and_without_extension(device: str) -> None:
    """Microsoft, "Naming Files, Paths, and Namespaces"."""
    assert name_problem(device) is not None
    assert name_problem(f"{device.lower()}.rom") is not None


@pytest.mark.parametrize(
    "name",
    [
        "CONSOLE",
        "COM0",
        "COM10",
        "LPT",
        "a con",
        "nul_.txt",
        "Grüße.txt",
        "日本語",
        "😀",
        "x" * 255,
        "a.b.c",
        "a;b=[c],+d",
        ".a",
    ],
)
def test_names_that_are_fine(name: str) -> None:
    assert name_problem(name) is None


@pytest.mark.parametrize(
    ("one", "other"),
    [
        # Microsoft FAT specification 1.03: names match whatever their case.
        ("Readme.TXT", "README.txt"),
        ("Жук", "жУК"),
        # The Unicode Standard, definition D145 (canonical caseless match), and its CaseFolding.txt.
        ("Gr\u00fc\u00dfe", "Gru\u0308\u00dfe"),
        ("Stra\u00dfe", "STRASSE"),
        ("\u03c3\u03ac\u03c2", "\u03a3\u0386\u03a3"),
        ("\u212a", "k"),
        # UnicodeData.txt: the upper case of dotless i and of long s.
        ("\u0131", "I"),
        ("\u017f", "s"),
    ],
)
def test_names_that_some_reader_confuses_collide(one: str, other: str) -> None:
    assert fold(one) == fold(other)


@pytest.mark.parametrize(("one", "other"), [("e", "é"), ("a.b", "ab"), ("ﬁ1", "f1"), ("a b", "ab"), ("o", "0")])
def test_names_that_no_reader_confuses_do_not_collide(one: str, other: str) -> None:
    assert fold(one) != fold(other)


@given(anything)
def test_letter_case_never_makes_a_difference(name: str) -> None:
    assert fold(name) == fold(name.upper()) == fold(name.upper().lower())


@pytest.mark.parametrize("label", ["", "CLUBNIGHT", "A B", "12345678901", "X-1_~#"])
def test_labels_that_are_fine(label: str) -> None:
    assert label_problem(label) is None


SIGNS = "$ % ' - _ @ ~ ` ! ( ) { } ^ # &"


@pytest.mark.parametrize(
    ("label", "problem"),
    [
        ("CLUB NIGHT 12", "has 13 characters, and a volume label may have 11; shorten it by 2"),
        ("Club", "has lower-case letters; write CLUB"),
        ("A.B", f"holds ., and a volume label may hold A-Z, 0-9, blanks and {SIGNS}; leave it out or write _"),
        ("Ä", f"holds Ä, and a volume label may hold A-Z, 0-9, blanks and {SIGNS}; leave it out or write _"),
        ("A\tB", f"holds U+0009, and a volume label may hold A-Z, 0-9, blanks and {SIGNS}; leave it out or write _"),
        (" A", "begins or ends with a blank, which readers drop; leave it out"),
        ("A ", "begins or ends with a blank, which readers drop; leave it out"),
        ("NO NAME", "is how a volume without a label is marked; choose another, or none"),
    ],
)
def test_labels_no_volume_may_have(label: str, problem: str) -> None:
    """dosfstools (mkfs.fat.c) and Microsoft FAT specification 1.03 for the characters, the same as of short names."""
    assert label_problem(label) == problem
