"""Windows batch scripts: each rule of cmd, with its source, and the bytes that follow from it.

Sources: "help": what the command prints for "/?", which Microsoft's Windows Commands reference repeats; "memory": from
memory, no text looked up.
"""

from __future__ import annotations

import pytest

from tests.support.scripts import built, dumps, followed

D = dumps()
A, B, C, SMALL, TWO = D["a.bin"], D["b.bin"], D["c.bin"], D["d.bin"], D["Two Words.BIN"]
ROMS = D["roms/1.6f"] + D["roms/2.6h"] + D["roms/3.6j"]
Z = b"\x1a"
Expected = dict[str, bytes]


def text(data: bytes) -> bytes:
    """A file as ASCII mode reads it: up to the first Ctrl-Z (help of copy, and "copy" in the reference)."""
    return data.partition(Z)[0]


RULES: dict[str, tuple[str, Expected]] = {
    # help of copy: files are joined with +; /b: a binary file, read to its last byte
    "copy /b joins": ("copy /b a.bin+b.bin out.rom", {"out.rom": A + B}),
    "copy /b with blanks around +": ("copy /b a.bin + b.bin out.rom /y", {"out.rom": A + B}),
    "copy/b without a blank": ("copy/b/y a.bin+b.bin out.rom>nul", {"out.rom": A + B}),
    "names in any case": ("COPY /B A.Bin+B.BIN Out.Rom", {"Out.Rom": A + B}),
    "quotes": ('copy /b "Two Words.BIN"+a.bin "the rom.bin"', {"the rom.bin": TWO + A}),
    "backslashes": (r"copy /b roms\1.6f+.\roms\2.6h+roms\sub\..\3.6j out.rom", {"out.rom": ROMS}),
    # help of copy: joined files are text unless /b; Ctrl-Z is the end-of-file character, /a adds one
    "copy without /b": ("copy a.bin+b.bin out.rom", {"out.rom": text(A) + text(B) + Z}),
    "copy of one file without /b": ("copy a.bin out.rom", {"out.rom": A}),
    "copy /a of one file": ("copy /a a.bin out.rom", {"out.rom": text(A) + Z}),
    # "copy" in the reference: a switch counts for the name before it and all that follow, up to the next
    "/b behind the first name": ("copy a.bin /b +b.bin out.rom", {"out.rom": A + B}),
    "/b behind the target": ("copy a.bin+b.bin out.rom /b", {"out.rom": text(A) + text(B)}),
    "/a behind the last source": ("copy /b a.bin+b.bin /a out.rom /b", {"out.rom": A + text(B)}),
    # help of copy: without a target the first file takes all
    "copy onto the first": ("copy /b a.bin+b.bin", {"a.bin": A + B}),
    "copy onto itself": ("copy /b a.bin+b.bin a.bin", {"a.bin": A + B}),
    # help of copy: a pattern and one name joins; a folder takes each
    "a pattern is joined": (r"copy /b roms\*.* out.rom", {"out.rom": ROMS}),
    "a folder takes each": (
        "md out\ncopy /b ?.bin out >nul",
        {"out/a.bin": A, "out/b.bin": B, "out/c.bin": C, "out/d.bin": SMALL},
    ),
    "a pattern for the target": ("copy a.* *.rom", {"a.rom": A}),
    # help of type; > makes a file, >> adds to it
    "type": ("type patch.hex > out.txt\ntype patch.hex>>out.txt", {"out.txt": D["patch.hex"] * 2}),
    "type nul": ("type nul > out.rom\ncopy /b out.rom+a.bin out.rom", {"out.rom": A}),
    # help of ren, move, del, md
    "ren": ("copy a.bin x.tmp\nren x.tmp final.rom", {"final.rom": A}),
    "ren with a pattern": ("copy a.bin x.tmp\nren *.tmp *.rom", {"x.rom": A}),
    "move into a folder": ("md out\\deep\ncopy a.bin x\nmove /y x out\\deep\\", {"out/deep/x": A}),
    "del with a pattern": ("copy a.bin 1.tmp\ncopy b.bin 2.tmp\ncopy a.bin k.rom\ndel /q *.tmp", {"k.rom": A}),
    "cd": ("cd roms\ncopy /b 1.6f+2.6h+3.6j ..\\out.rom\ncd ..", {"out.rom": ROMS}),
    "pushd": ("pushd roms\ncopy /b 1.6f+2.6h+3.6j ..\\out.rom\npopd\ncopy a.bin x.rom", {"out.rom": ROMS, "x.rom": A}),
    "xcopy": ("xcopy /y /i /q a.bin out\\", {"out/a.bin": A}),
    "fsutil": ("fsutil file createnew pad.bin 256\ncopy /b a.bin+pad.bin out.rom\ndel pad.bin",
               {"out.rom": A + bytes(256)}),
    # help of set: %x:~from,count%, %x:old=new%, /a; help of call: %~n1
    "set": ("set N=out\nset E=rom\ncopy a.bin %N%.%E%", {"out.rom": A}),
    "set in quotes": ('set "F=Two Words.BIN"\ncopy "%F%" out.rom', {"out.rom": TWO}),
    "a part of a variable": ("set X=abcdef\ncopy %x:~0,1%.bin %X:~-2%.rom\ncopy b.bin %X:cd=-%",
                             {"ef.rom": A, "ab-ef": B}),
    "set /a": ("set /a n=2*(3+4)-0x0A\ncopy a.bin out%n%.rom", {"out4.rom": A}),
    "a variable that is not set": ("copy a.bin out%none%.rom", {"out.rom": A}),
    "call with arguments": (
        "call :one a.bin first\ncall :one \"Two Words.BIN\" second\ngoto :eof\n:one\ncopy %1 %2.rom\nexit /b",
        {"first.rom": A, "second.rom": TWO},
    ),
    "parts of a name": ('call :one "roms\\1.6f"\ngoto :eof\n:one\ncopy %1 %~n1%~x1.%~z1\ngoto :eof',
                        {"1.6f.512": D["roms/1.6f"]}),
    "the script's own folder": ('cd /d "%~dp0"\ncopy "%~dp0a.bin" out.rom', {"out.rom": A}),
    # help of for, if, goto
    "for over names": ("for %%i in (a b) do copy %%i.bin %%i.rom", {"a.rom": A, "b.rom": B}),
    "for over a pattern": (
        "type nul > out.rom\nfor %%i in (roms\\*.6?) do (\n  copy /b out.rom+%%i out.rom >nul\n)", {"out.rom": ROMS}),
    "for with parts of names": ("for %%f in (roms\\*) do copy %%f %%~nf.rom",
                                {"1.rom": ROMS[:512], "2.rom": ROMS[512:1024], "3.rom": ROMS[1024:]}),
    "for /l": ("copy a.bin out.rom\nfor /l %%i in (1,1,3) do copy /b out.rom+d.bin out.rom",
               {"out.rom": A + SMALL * 3}),
    "for /f over a file": ("for /f %%i in (list.txt) do copy \"%%i\" %%~ni.out",
                           {"a.out": A, "b.out": B, "1.out": D["roms/1.6f"]}),
    "if exist": ("if exist a.bin (copy a.bin out.rom) else (copy b.bin out.rom)", {"out.rom": A}),
    "if not exist": ("if not exist x.bin copy b.bin out.rom", {"out.rom": B}),
    "if with text": ("set M=two\nif /i \"%M%\"==\"TWO\" copy b.bin out.rom\nif %M%==TWO copy a.bin out.rom",
                     {"out.rom": B}),
    "if with numbers": ("set n=10\nif %n% gtr 9 copy a.bin out.rom", {"out.rom": A}),
    "goto": ("goto end\ncopy a.bin x.rom\n:end\ncopy b.bin out.rom", {"out.rom": B}),
    "a loop of goto": ("set n=0\n:again\nset /a n+=1\ncopy d.bin %n%.rom\nif %n% lss 2 goto again",
                       {"1.rom": SMALL, "2.rom": SMALL}),
    "fc and errorlevel": ("fc /b a.bin b.bin >nul\nif errorlevel 1 copy a.bin differs.rom", {"differs.rom": A}),
    "fc and &&": ("fc /b a.bin a.bin >nul && copy a.bin equal.rom || copy b.bin equal.rom", {"equal.rom": A}),
    # memory: %x% is replaced when a block is read, !x! when its commands run
    "a variable in a block": ("set x=a\n(\nset x=b\ncopy %x%.bin out.rom\n)", {"out.rom": A}),
    "delayed": ("setlocal enabledelayedexpansion\nset x=a\n(\nset x=b\ncopy !x!.bin out.rom\n)", {"out.rom": B}),
    # memory: echo writes its words and CR LF; set /p without input writes its prompt
    "echo": ("echo moth>out.txt\n>>out.txt echo.\n(echo a& echo b)>>out.txt", {"out.txt": b"moth\r\n\r\na\r\nb\r\n"}),
    "set /p": ("<nul set /p=moth>out.txt", {"out.txt": b"moth"}),
    "a caret": ("echo a^&b^>c>out.txt\ncopy /b a.bin+^\nb.bin out.rom", {"out.txt": b"a&b>c\r\n", "out.rom": A + B}),
    "comments": ("@echo off\nrem copy a.bin x.rom\n:: copy a.bin y.rom\ncopy a.bin out.rom & rem z", {"out.rom": A}),
    # the ROM tools, and those of POSIX systems
    "srec_cat": ("srec_cat.exe hi.rom -binary -unsplit 2 0 lo.rom -binary -unsplit 2 1 -o out.rom -binary",
                 {"out.rom": bytes(byte for pair in zip(D["hi.rom"], D["lo.rom"], strict=True) for byte in pair)}),
}  # fmt: skip


@pytest.mark.parametrize("rule", RULES)
@pytest.mark.parametrize("ending", ["\r\n", "\n"], ids=["crlf", "lf"])
def test_a_rule_of_cmd(rule: str, ending: str) -> None:
    script, expected = RULES[rule]
    translation = followed("make.bat", script.replace("\n", ending), D)
    assert not translation.is_open, translation.remarks
    assert built(translation, D) == expected


@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "cp850", "cp437", "cp1252"])
def test_a_script_is_read_in_the_code_page_that_fits_the_files(encoding: str) -> None:
    inputs = {"größe.bin": A, "b.bin": B}
    translation = followed("make.bat", 'copy /b "GRÖßE.BIN"+b.bin out.rom'.encode(encoding), inputs)
    assert not translation.is_open, translation.remarks
    assert built(translation, inputs) == {"out.rom": A + B}


OPEN: dict[str, tuple[str, str]] = {
    "a program": ("romfix out.rom\ncopy a.bin x.rom",
                  "1: romfix: a program whose effect is not known; it names no file"),
    "type and Ctrl-Z": (
        "type a.bin > out.rom",
        '1: type: "a.bin" holds a byte 0x1A, and what type does there is not documented; copy /b copies all'),
    "a slash": ("copy /b roms/1.6f+a.bin out.rom",
                "1: copy: /1.6f is not a switch that is known; a name with / stands in quotes"),
    "a missing file": ("copy /b a.bin+q.bin out.rom", '1: copy: "q.bin" is not in the folder'),
    "another drive": (r"copy /b c:\roms\a.bin+a.bin out.rom", '1: copy: "c:/roms/a.bin" leaves the folder'),
    "another folder": (r"copy /b ..\a.bin+a.bin out.rom", '1: copy: "../a.bin" leaves the folder'),
    "the date": ("copy a.bin %DATE%.rom", "1: copy: a file name depends on what is not known"),
    "a branch": ("romfix\nif errorlevel 1 (copy a.bin out.rom) else (copy b.bin out.rom)",
                 '2: whether "errorlevel 1" holds is not known; what the two ways do not share is open'),
}  # fmt: skip


@pytest.mark.parametrize("case", OPEN)
def test_what_is_not_followed_is_told_with_its_line(case: str) -> None:
    script, expected = OPEN[case]
    translation = followed("make.bat", script, D)
    told = [f"{remark.line}: {remark.text}" for remark in translation.remarks if remark.kind == "open"]
    assert expected in told
    assert "out.rom" not in built(translation, D)


def test_what_two_ways_share_is_drafted() -> None:
    script = "romfix\nif errorlevel 1 (copy a.bin out.rom) else (copy b.bin out.rom)\ncopy c.bin sure.rom"
    assert built(followed("make.bat", script, D), D) == {"sure.rom": C}
