"""What repeats on a card, as a pure function: what is found, what is not certain, and what is said of it."""

from __future__ import annotations

import tomllib
from collections.abc import Mapping, Sequence
from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline.bitstreams.bitstream import SIZE_CLASS, Bitstream
from pipeline.bitstreams.integrity import TRUNCATED
from pipeline.configs.read_fields import fields_from
from pipeline.configs.write import LINE_ENDINGS, write_for_each
from pipeline.drafts.surveyed import surveyed_text
from pipeline.errors import ManifestError
from pipeline.model.manifest import ConfigFile
from pipeline.survey.survey import survey
from pipeline.survey.values import SurveyedCard, SurveyedFile, names, share

LOGIC = Bitstream(maker="M", format="F", size=3, devices=("X-25",), package="Q99")
OTHER = replace(LOGIC, devices=("X-85",), package="")

Content = Bitstream | bytes | str


def card(files: Mapping[str, Content], folders: Sequence[str] = ()) -> SurveyedCard:
    """Return a mounted folder: bitstreams, texts in bytes, texts in UTF-8."""
    seen = []
    for path, content in files.items():
        if isinstance(content, Bitstream):
            seen.append(SurveyedFile(path=path, size=content.size, bitstream=content))
        else:
            data = content.encode() if isinstance(content, str) else content
            seen.append(SurveyedFile(path=path, size=len(data), text=data))
    above = {"/".join(parts[:n]) for parts in (path.split("/") for path in files) for n in range(1, len(parts))}
    return SurveyedCard(files=tuple(seen), folders=tuple(sorted({*above, *folders})))


def text_of(files: Mapping[str, Content], folders: Sequence[str] = ()) -> str:
    return "\n".join(surveyed_text("the card", survey(card(files, folders)))) + "\n"


def board_of(files: Mapping[str, Content], folders: Sequence[str] = ()) -> dict[str, object]:
    """Return what is drafted, without what a mounted folder leaves blank."""
    values = tomllib.loads(text_of(files, folders))
    assert values.pop("name") == values.pop("partitioned") == "<blank>"
    assert values.pop("volumes") == ["<blank>"]
    return values


def cores_of(files: Mapping[str, Content]) -> object:
    return board_of(files)["cores"]


def part_of(text: str, start: str, end: str = "\n\n") -> str:
    """Return the paragraph of a draft that begins with a text."""
    assert start in text, text
    return start + text.partition(start)[2].partition(end)[0]


BLANKS = {"folder": "<blank>", "bitstream": "<blank>"}


@pytest.mark.parametrize(
    ("paths", "folder", "bitstream"),
    [
        (["P/A/X.BIT", "P/B/X.BIT"], "P/{core}", "X.BIT"),
        (["P/A/A.BIT", "P/B/B.BIT"], "P/{core}", "{core}.BIT"),
        (["P/A/top-A.BIT", "P/B/top-B.BIT"], "P/{core}", "top-{core}.BIT"),
        (["P/A/in/X", "P/B/in/X"], "P/{core}/in", "X"),
        (["P/A.BIT", "P/B.BIT"], "P", "{core}.BIT"),
        (["A", "B"], "", "{core}"),
        (["A.BIT", "B.bit", "C.BIT"], "", "{core}.BIT"),
        (["P/Ash/ASH.BIT", "P/Elm/ELM.BIT"], "P/{core}", "{core}.BIT"),
        (["{x}/A.BIT", "{x}/B.BIT"], "{{x}}", "{core}.BIT"),
        (["P/ON/CONE.BIT", "P/A/CONE.BIT"], "P/{core}", "CONE.BIT"),
        (["P/X/X.BIT", "P/A/X.BIT", "P/B/X.BIT"], "P/{core}", "X.BIT"),
        (["A.BIT", "B.BIT", "Q/Z/FIRM.X"], "", "{core}.BIT"),
    ],
)
def test_where_cores_go(paths: list[str], folder: str, bitstream: str) -> None:
    assert cores_of(dict.fromkeys(paths, LOGIC)) == {"folder": folder, "bitstream": bitstream}


@pytest.mark.parametrize(
    ("paths", "evidence"),
    [
        ([], "# No bitstream of a known kind is on the card.\n"),
        (["a b/c d.BIT"], "# No bitstream has a path in which the name of a core may stand.\n"),
        (["P/a b/c d.BIT"], "# A single bitstream shows no pattern; each of these fits it.\n"),
        (["P/A/X.BIT"], "# A single bitstream shows no pattern; each of these fits it.\n"),
        (["P/A.BIT", "Q/X/B.BIN"],
         "# Where cores go is not certain: no two bitstreams have places that follow one pattern.\n"),
        (["P/A.BIT", "P/B.BIT", "Q/A.BIT", "Q/B.BIT"],
         "# Where cores go is not certain: 4 patterns fit the same number of bitstreams.\n"),
        (["P/A.BIT", "P/B.BIT", "Q/X/C.BIN", "R/Y/D.BIX"],
         "# Where cores go is not certain: no pattern fits more than half of the bitstreams.\n"),
    ],
)  # fmt: skip
def test_where_cores_go_is_blank_unless_the_card_shows_it(paths: list[str], evidence: str) -> None:
    files = dict.fromkeys(paths, LOGIC)
    assert cores_of(files) == BLANKS
    assert f"[cores]\n{evidence}folder = " in text_of(files)


def test_each_pattern_that_may_be_meant_is_suggested_with_its_evidence() -> None:
    text = text_of(dict.fromkeys(["P/A.BIT", "P/B.BIT", "Q/A.BIT", "Q/B.BIT"], LOGIC))
    assert part_of(text, '# 2 of 4 bitstreams: "P/A.BIT" and "P/B.BIT".') == (
        '# 2 of 4 bitstreams: "P/A.BIT" and "P/B.BIT".\n# folder = "P"\n# bitstream = "{core}.BIT"'
    )
    assert text.count("# bitstream = ") == 4


def test_without_a_bitstream_files_of_no_known_kind_are_suggested_where_their_places_follow_a_pattern() -> None:
    sizes = {"P/A/X.FAB": 5000, "P/B/X.FAB": 4096, "P/C/X.FAB": 4095, "NOTES": 9999, "Q/R/S.ROM": 5000}
    files = [SurveyedFile(path=path, size=size) for path, size in sizes.items()]
    files.append(SurveyedFile(path="P/D/X.FAB", size=5000, text=b"a text"))
    text = "\n".join(surveyed_text("it", survey(SurveyedCard(files=tuple(files), folders=()))))
    assert part_of(text, "[cores]", "\n\n# No config file") == (
        "[cores]\n# No bitstream of a known kind is on the card.\n"
        "# Files of other kinds have places that follow a pattern; they may be bitstreams.\n"
        'folder = "<blank>"\nbitstream = "<blank>"\n\n'
        '# 2 of 4 files of no known kind: "P/A/X.FAB" and "P/B/X.FAB".\n'
        '# folder = "P/{core}"\n# bitstream = "X.FAB"'
    )


def test_a_name_that_stands_twice_in_the_path_of_a_single_bitstream_is_weak_evidence() -> None:
    text = text_of({"P/ASH/ASH.BIT": LOGIC})
    assert part_of(text, "[cores]") == (
        "[cores]\n# 1 of 1 folder below P holds the bitstream {core}.BIT. This is weak evidence: a single example.\n"
        'folder = "P/{core}"\nbitstream = "{core}.BIT"'
    )


def test_what_does_not_follow_the_pattern_is_named() -> None:
    files = dict.fromkeys(["P/A/X.BIT", "P/B/X.BIT", "P/c/x.bit", "FIRM.BIT"], LOGIC)
    assert part_of(text_of(files, ["P/D", "P/E"]), "[cores]") == (
        "[cores]\n# 3 of 5 folders below P hold the bitstream X.BIT.\n"
        '# Without one: "P/D" and "P/E".\n'
        '# Bitstreams elsewhere: "FIRM.BIT".\n'
        '# The letter case differs, which FAT does not mind: "P/c/x.bit".\n'
        'folder = "P/{core}"\nbitstream = "X.BIT"'
    )


def fpga(bitstreams: Sequence[Bitstream]) -> str:
    files = {f"P/C{number}.BIT": bitstream for number, bitstream in enumerate(bitstreams)}
    return part_of(text_of(files), "[fpga]", "\n\n[cores]")


def test_the_fpga_is_the_one_that_all_bitstreams_are_for() -> None:
    assert fpga([LOGIC, replace(LOGIC, devices=("X-12", "X-25"), package="")]) == (
        "[fpga]\n# 2 of 2 bitstreams are for X-25. Compare it with what is printed on the FPGA.\n"
        'part = "X-25"\n\n# 1 of 2 bitstreams states the package Q99.\npackage = "Q99"'
    )


def test_bitstreams_for_several_fpgas_leave_it_blank() -> None:
    assert fpga([LOGIC, LOGIC, replace(OTHER, package="Q100")]) == (
        "[fpga]\n# 2 of 3 bitstreams may be for X-25.\n# 1 of 3 bitstreams may be for X-85.\n"
        'part = "<blank>"\n# part = "X-25"\n# part = "X-85"\n\n'
        '# 2 of 3 bitstreams state the package Q99.\n# package = "Q99"\n\n'
        '# 1 of 3 bitstreams states the package Q100.\n# package = "Q100"'
    )


def test_a_size_alone_does_not_say_which_fpga_it_is() -> None:
    assert fpga([replace(OTHER, precision=SIZE_CLASS)] * 2) == (
        "[fpga]\n# 2 of 2 bitstreams may be for X-85.\n# No more than the size of the files says so.\n"
        'part = "<blank>"\n# part = "X-85"'
    )


def test_bitstreams_that_only_their_size_speaks_for_count_where_there_is_no_other() -> None:
    by_size = replace(OTHER, precision=SIZE_CLASS)
    assert cores_of(
        {"P/A.BIT": LOGIC, "P/B.BIT": LOGIC, "P/T.ROM": by_size, "P/U.ROM": by_size, "P/V.ROM": by_size}
    ) == {
        "folder": "P",
        "bitstream": "{core}.BIT",
    }


@pytest.mark.parametrize("fault", [{"integrity": TRUNCATED}, {"contradictory": "header and data"}])
def test_faulty_bitstreams_say_nothing_of_the_fpga(fault: Mapping[str, object]) -> None:
    faulty = replace(OTHER, **fault)  # type: ignore[arg-type]  # fields of it
    assert fpga([LOGIC, LOGIC, faulty]).startswith(
        "[fpga]\n# 2 of 3 bitstreams are for X-25. Compare it with what is printed on the FPGA.\n"
        '# Cut short, damaged or in contradiction to themselves, and not counted: "P/C2.BIT".\n'
        'part = "X-25"'
    )
    assert 'part = "<blank>"' in fpga([faulty, faulty])


def menu_of(texts: Mapping[str, Content], cores: Sequence[str] = ("ASH", "ELM", "OAK")) -> object:
    """Return the menu of a card with a folder for each core; texts by their path."""
    board = board_of({**{f"P/{core}/X.BIT": LOGIC for core in cores}, **texts})
    return board["cores"].get("menu")  # type: ignore[attr-defined]  # a table


def each(*texts: Content) -> dict[str, Content]:
    return {f"P/{core}/M.TXT": text for core, text in zip(("ASH", "ELM", "OAK"), texts, strict=True)}


ASCII = {"encoding": "ascii"}


@pytest.mark.parametrize(
    ("texts", "form"),
    [
        (("Ash tree\n", "Elm\n", "Oak\n"), {"lines": ["{name}"]}),
        (("Ash tree", "Elm", "Oak"), {"lines": ["{name}"], "final-line-ending": False}),
        (("Ash\r\n", "Elm\r\n", "Oak\r\n"), {"lines": ["{name}"], "line-ending": "crlf"}),
        (("Ash\rx\r", "Elm\rx\r", "Oak\rx\r"), {"lines": ["{name}", "x"], "line-ending": "cr"}),
        (("ASH\n", "ELM\n", "OAK\n"), {"lines": ["{core}"]}),
        (("ASH Ash\n", "ELM Elm\n", "OAK Oak\n"), {"lines": ["{core} {name}"]}),
        (("[ASH]\nname=The Ash\n", "[ELM]\nname=The Elm\n", "[OAK]\nname=The Oak\n"),
         {"lines": ["[{core}]", "name={name}"]}),
        (("Ash\n1.0\n", "Elm\nv2\n", "Oak\n3-b\n"), {"lines": ["{name}", "{release}"]}),
        (("Ash (arcade)\n", "Elm (console)\n", "Oak: deep (arcade)\n"), {"lines": ["{name} ({kind})"]}),
        (("Ash\nAsh\n", "Elm\nElm\n", "Oak\nOak\n"), {"lines": ["{name}", "{name}"]}),
        (("{Ash}\n", "{Elm}\n", "{Oak}\n"), {"lines": ["{name}"]}),
        (("{;}Ash\n", "{;}Elm\n", "{;}Oak\n"), {"lines": ["{{;{name}"]}),
        (("\ufeffAsh\n", "\ufeffElm\n", "\ufeffOak\n"), {"lines": ["\ufeff{name}"], "encoding": "utf-8"}),
        (("Caf\u00e9\n", "Elm\n", "Oak\n"), {"lines": ["{name}"], "encoding": "utf-8"}),
        ((b"Caf\xe9\n", "Elm\n", "Oak\n"), {"lines": ["{name}"], "encoding": "latin-1"}),
        ((b"Caf\x82\n", "Elm\n", "Oak\n"), {"lines": ["{name}"], "encoding": "cp437"}),
        ((b"Caf\x82\n", b"3 \x9b\n", "Oak\n"), {"lines": ["{name}"], "encoding": "<blank>"}),
        ((b"M\xe4use\n", "Elm\n", "Oak\n"), {"lines": ["{name}"], "encoding": "<blank>"}),
    ],
)  # fmt: skip
def test_a_menu_for_each_core(texts: tuple[Content, Content, Content], form: Mapping[str, object]) -> None:
    """The bytes of 8-bit texts are those of the Unicode Consortium's tables 8859-1.TXT, CP437.TXT and CP850.TXT."""
    assert menu_of(each(*texts)) == {"path": "M.TXT", **ASCII, **form}


def test_a_letter_that_several_encodings_have_leaves_the_encoding_blank_with_each_reading() -> None:
    files = {**{f"P/{core}/X.BIT": LOGIC for core in ("ASH", "ELM", "OAK")}, **each(b"M\xe4use\n", b"Elm\n", b"Oak\n")}
    assert part_of(text_of(files), "# Several encodings") == (
        '# Several encodings read it: latin-1: "M\u00e4use" and cp850: "M\u00f5use". Take the one that is spelled '
        "right.\n"
        'encoding = "<blank>"'
    )


@pytest.mark.parametrize(
    ("texts", "doubt"),
    [
        (each("Ash\n", "Elm\n", "Oak\nX\n"),
         "a build writes this file for every core, and not all cores have it in this form."),
        (each("Ash\n", "Elm\r\n", "Oak\n"),
         "a build writes this file for every core, and not all cores have it in this form."),
        ({"P/ASH/M.TXT": "Ash\n", "P/ELM/M.TXT": "Elm\n"},
         "a build writes this file for every core, and not all cores have it in this form."),
        (each("Ash\nred wood\n", "Elm\nwet wood\n", "Oak\nOld wood\n"),
         "2 parts vary, and it is not certain what each of them is."),
        ({"L.TXT": "ASH Ash\nELM Elm\n"}, "a build names every core, and the file does not."),
        ({"L.TXT": "ASH=Ash\nELM=Elm\nOAK=Oak\r\n"}, "the lines of the cores do not give back the file byte for byte."),
        (each(b"\xe4\n1 M\xe4use\n", b"\xe4\n2 Elm\n", b"\xe4\n3 Oak\n"),
         "its plain text is beyond ASCII, and its encoding is not known."),
    ],
)  # fmt: skip
def test_a_menu_that_is_not_certain_is_a_suggestion_that_says_why(texts: dict[str, Content], doubt: str) -> None:
    assert menu_of(texts) is None
    files: dict[str, Content] = {f"P/{core}/X.BIT": LOGIC for core in ("ASH", "ELM", "OAK")}
    text = " ".join(text_of({**files, **texts}).replace("\n#", "").split())
    assert f"Not declared: {doubt}" in text
    assert "path = " in text.partition("[cores.menu]")[2]


@pytest.mark.parametrize(
    "texts",
    [
        {},
        each("Read me.\n", "Read me.\n", "Read me.\n"),
        each("\n" * 20 + "Ash\n", "\n" * 20 + "Elm\n", "\n" * 20 + "Oak\n"),
        each("1\n2\n", "3\n4\n", "5\n6\n"),
        {"P/ASH/M.TXT": "Ash\n"},
        {"NOTES.TXT": "ASH is old.\n\nELM is young.\nOAK is mine.\n"},
        {"NOTES.TXT": "ASH, ELM and OAK\n"},
        {"NOTES.TXT": "\n" * 20 + "ASH Ash\nELM Elm\nOAK Oak\n"},
    ],
)
def test_a_text_that_names_no_cores_in_one_form_is_no_menu(texts: dict[str, Content]) -> None:
    assert menu_of(texts) is None
    files: dict[str, Content] = {f"P/{core}/X.BIT": LOGIC for core in ("ASH", "ELM", "OAK")}
    assert "# No small text file names the cores: no menu is declared.\n" in text_of({**files, **texts})


def test_a_menu_has_sixteen_lines_at_most_for_a_core_and_at_its_top() -> None:
    def texts(lines: int) -> dict[str, Content]:
        return each(*("x\n" * (lines - 1) + f"{name}\n" for name in ("Ash", "Elm", "Oak")))

    def lists(lines: int) -> dict[str, Content]:
        return {"L.TXT": "; top\n" * lines + "ASH Ash\nELM Elm\nOAK Oak\n"}

    assert menu_of(texts(16)) == {"path": "M.TXT", "lines": ["x"] * 15 + ["{name}"], **ASCII}
    assert menu_of(texts(17)) is None
    assert isinstance(head := menu_of(lists(16)), dict)
    assert head["head"] == ["; top"] * 16
    assert menu_of(lists(17)) is None


def test_four_folders_for_titles_are_suggested_at_most() -> None:
    files: dict[str, Content] = {"P/ASH/X.BIT": LOGIC, "P/ELM/X.BIT": LOGIC}
    text = text_of(files, [f"G{number}/{core}" for number in range(5) for core in ("ASH", "ELM")])
    assert text.count("# title-folder = ") == 4


def test_one_menu_for_all_keeps_its_head_and_its_order() -> None:
    lines = "; cores\n\nOAK\nThe oak\n\nASH\nThe ash\n\nELM\nThe elm\n\n"
    assert menu_of({"D/L.TXT": lines}) == {
        "path": "D/L.TXT",
        "one-for-all": True,
        "head": ["; cores", ""],
        "lines": ["{core}", "{name}", ""],
        **ASCII,
    }


def test_two_files_that_may_be_the_menu_are_both_suggested() -> None:
    texts = {"L.TXT": "ASH Ash\nELM Elm\nOAK Oak\n", **each("Ash\n", "Elm\n", "Oak\n")}
    assert menu_of(texts) is None
    text = text_of({**{f"P/{core}/X.BIT": LOGIC for core in ("ASH", "ELM", "OAK")}, **texts})
    assert "# 2 files may be the menu, and the card does not show which: keep one of these.\n\n# [cores.menu]\n" in text
    assert text.count("# [cores.menu]\n") == 2


def test_a_menu_of_a_single_core_is_a_suggestion() -> None:
    text = text_of({"P/ASH/ASH.BIT": LOGIC, "P/ASH/M.TXT": "The ash\n"})
    assert part_of(text, "# [cores.menu]") == (
        "# [cores.menu]\n"
        "# 1 of 1 core has a file M.TXT beside its bitstream; these lines give back 1 of 1. This is weak evidence: a "
        "single\n# example.\n"
        "# Not declared: with a single core, nothing shows what varies.\n"
        '# path = "M.TXT"\n'
        '# lines = ["{name}"]'
    )


CORES = st.lists(st.from_regex("[A-Z][A-Z0-9_-]{0,7}", fullmatch=True), min_size=3, max_size=6, unique=True)
NAMES = st.text(
    st.characters(codec="latin-1", min_codepoint=32, exclude_characters="\x7f\xa0\xad"), min_size=1, max_size=12
)
TEMPLATES = st.sampled_from(
    ["{name}", "{core}", "{core}={name}", "name: {name}", "x", "", "[{core}]", "{name} ({kind})"]
)


@given(
    cores=CORES,
    data=st.data(),
    lines=st.lists(TEMPLATES, min_size=1, max_size=3),
    line_ending=st.sampled_from(["lf", "crlf", "cr"]),
    encoding=st.sampled_from(["ascii", "latin-1", "cp437", "cp850", "utf-8"]),
    final=st.booleans(),
)
def test_a_menu_that_is_declared_gives_back_the_files_of_every_core(
    cores: list[str], data: st.DataObject, lines: list[str], line_ending: str, encoding: str, final: bool
) -> None:
    config = ConfigFile(
        path="M.TXT", line_ending=line_ending, encoding=encoding, key="", lines=tuple(lines), final_line_ending=final
    )  # fmt: skip
    fields = {
        core: {"core": core, "name": data.draw(NAMES), "kind": data.draw(st.sampled_from(["arcade", "pocket-1"]))}
        for core in cores
    }
    try:
        texts = {f"P/{core}/M.TXT": write_for_each(config, [fields[core]]) for core in cores}
    except ManifestError:  # a character that the encoding has not
        return
    found = menu_of(texts, cores)
    if found is None:
        return
    assert isinstance(found, dict)
    encodings = ["latin-1", "cp437", "cp850"] if found["encoding"] == "<blank>" else [found["encoding"]]
    for name in encodings:
        again = replace(
            config, encoding=name, line_ending=found.get("line-ending", "lf"), lines=tuple(found["lines"]),
            final_line_ending=found.get("final-line-ending", True),
        )  # fmt: skip
        read = {core: texts[f"P/{core}/M.TXT"].decode(name) for core in cores}
        for core in cores:
            text_lines = read[core].split(LINE_ENDINGS[again.line_ending])
            stated = fields_from(again.lines, text_lines[:-1] if text_lines[-1] == "" else text_lines, {"core": core})
            assert stated is not None
            assert write_for_each(again, [{**stated, "core": core}]) == texts[f"P/{core}/M.TXT"]


def settings_of(texts: Mapping[str, Content]) -> str:
    text = text_of({"P/ASH/X.BIT": LOGIC, "P/ELM/X.BIT": LOGIC, **texts})
    return part_of(text, "# No small text file names", "\n\n\n").rstrip("\n")


def test_each_key_of_a_config_file_is_suggested_as_a_setting() -> None:
    assert settings_of(
        {"S.INI": "; all\n[A b]\nlamp = On fire ; now\n[c]\nlamp=1\nx:\n", "P/ASH/OWN.INI": "a=b\n"}
    ) == (
        "# No small text file names the cores: no menu is declared.\n\n"
        '# 1 config file: "S.INI". Each key may be a setting.\n\n'
        "# [settings.lamp]\n"
        '# "lamp" in [A b] of "S.INI" is "On fire"; add the other choices.\n'
        '# path = "S.INI"\n# section = "A b"\n# key = "lamp"\n# choices = { on-fire = "On fire" }\n\n'
        "# [settings.lamp-2]\n"
        '# "lamp" in [c] of "S.INI" is "1"; add the other choices.\n'
        '# path = "S.INI"\n# section = "c"\n# key = "lamp"\n# choices = { 1 = "1" }\n\n'
        "# [settings.x]\n"
        '# "x" in [c] of "S.INI" is ""; add the other choices.\n'
        '# path = "S.INI"\n# section = "c"\n# key = "x"\n# choices = { as-found = "" }'
    )


@pytest.mark.parametrize(
    "text",
    [
        "",
        "; a note\n",
        "a = 1\nand prose\n",
        "This is a sentence that is rather long for a key: yes\n",
        b"a = M\xe4use\n",
    ],
)
def test_a_text_that_is_no_config_file_suggests_no_setting(text: Content) -> None:
    assert settings_of({"S.INI": text}).endswith(
        "# No config file: no small text file has lines with a key and a value, and nothing else."
    )


def test_a_key_that_stands_twice_is_no_setting_and_forty_are_enough() -> None:
    assert '"b"' in (text := settings_of({"S.INI": "a=1\na=2\nb=3\n"}))
    assert '"a"' not in text
    assert "[settings.k-2-2]" in settings_of({"S.INI": "[a]\nk=1\n[b]\nk=1\nk-2=1\n"})
    many = settings_of({"S.INI": "".join(f"k{number}=1\n" for number in range(41))})
    assert "\n# Only the first 40 of 41 keys are listed.\n" in many
    assert many.count("[settings.") == 40


@pytest.mark.parametrize(
    ("folders", "found", "evidence"),
    [
        (["G/ASH", "G/ELM"], "G/{core}", "2 of 2 cores have a folder G/{core}, with 1 file in all."),
        (["G/ASH", "G/ELM", "H/ASH"], "G/{core}", "2 of 2 cores have a folder G/{core}, with 1 file in all."),
        (["ash", "elm"], "{core}", "2 of 2 cores have a folder {core}, with 0 files in all."),
        (["G/ASH"], None, "1 of 2 cores has a folder G/{core}, with 1 file in all."),
        (["G/ASH", "G/ELM", "H/ASH", "H/ELM"], None, "2 of 2 cores have a folder G/{core}, with 1 file in all."),
        (
            [],
            None,
            "No folder beside those of the cores is named after a core, so the card does not show where titles are.",
        ),
    ],
)
def test_where_titles_are(folders: list[str], found: str | None, evidence: str) -> None:
    files: dict[str, Content] = {"P/ASH/in/X.BIT": LOGIC, "P/ELM/in/X.BIT": LOGIC}
    files |= {f"{folders[0]}/t.bin": b"\0"} if folders and "/" in folders[0] else {}
    assert board_of(files, folders).get("title-folder") == found
    assert f"# {evidence}\n" in text_of(files, folders)


@given(
    st.lists(st.from_regex("[A-D]{1,2}(/[A-D]{1,2}){0,3}", fullmatch=True), unique_by=str, max_size=12), st.randoms()
)
def test_a_survey_is_the_same_in_any_order_and_is_always_a_manifest(paths: list[str], random: object) -> None:
    files: dict[str, Content] = {f"{path}.BIT": LOGIC for path in paths}
    text = text_of(files)
    assert tomllib.loads(text)["name"] == "<blank>"
    assert cores_of(dict(reversed(files.items()))) == tomllib.loads(text)["cores"]


@given(st.text(min_size=1, max_size=30))
def test_no_name_gets_out_of_its_comment_or_its_value(name: str) -> None:
    files: dict[str, Content] = {f"P/{name}.BIT": LOGIC, f"P/A/{name}": LOGIC, f"P/B/{name}": LOGIC, "P/B/M.TXT": name}
    values = tomllib.loads(text_of(files))
    assert set(values) <= {"name", "volumes", "partitioned", "fpga", "cores", "title-folder"}


def test_counts_read_as_sentences() -> None:
    assert share(5, 6, "folder below X", "holds", "it") == "5 of 6 folders below X hold it."
    assert share(1, 2, "core", "is", "here") == "1 of 2 cores is here."
    assert share(0, 1, "core", "has", "it") == "0 of 1 core have it. This is weak evidence: a single example."
    assert names(["a", "b"]) == '"a" and "b"'
    assert names("abcdef") == '"a", "b", "c", "d", "e" and 1 other'
    assert names("abcdefg").endswith("and 2 others")


def test_a_long_line_takes_no_time() -> None:
    """Texts are of at most 64 KiB; a pattern that tries every way to divide such a line would not end."""
    long = [f"1{'a1_' * 20_000}!{number} (x)\n" for number in range(3)]
    assert "[cores.menu]" in text_of({**{f"P/{core}/X.BIT": LOGIC for core in ("ASH", "ELM", "OAK")}, **each(*long)})
