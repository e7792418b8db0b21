"""One value in an existing file: the whole bytes afterwards, and the whole message where it cannot be."""

from __future__ import annotations

import pytest

from pipeline.configs.change import wanted_in
from pipeline.configs.edit import EditError, edit_value
from pipeline.model.manifest import ConfigEdit


def edited(data: bytes, section: str, name: str, value: str, *, add: bool = False) -> bytes:
    edit = ConfigEdit(path="BENCH.SET", section=section, name=name, value=value, add=add, key="edits.1")
    return edit_value(data, edit)


KEPT = [
    ("a plain value", b"port=internal\n", "", b"port=rear-2\n"),
    ("spaces and tabs around it", b"\tport \t=  internal \t\n", "", b"\tport \t=  rear-2 \t\n"),
    ("a colon as separator", b"port: internal\r\n", "", b"port: rear-2\r\n"),
    ("an empty value", b"port =\n", "", b"port =rear-2\n"),
    ("an empty value behind a space", b"port = \n", "", b"port = rear-2\n"),
    ("a note behind it", b"port = lid  ; or rear-2\n", "", b"port = rear-2  ; or rear-2\n"),
    ("a note with a number sign", b"port=internal\t# = x ; y\n", "", b"port=rear-2\t# = x ; y\n"),
    ("marks of notes inside a value", b"port=in;ter#nal\n", "", b"port=rear-2\n"),
    ("slashes are no note behind a value", b"port = http://a // b\n", "", b"port = rear-2\n"),
    (
        "lines of notes",
        b"; port = 1\n# port = 2\n // port = 3\nport = 4\n",
        "",
        b"; port = 1\n# port = 2\n // port = 3\nport = rear-2\n",
    ),
    ("order and blank lines", b"\n\nz=1\nport=2\n\na=3\n\n", "", b"\n\nz=1\nport=rear-2\n\na=3\n\n"),
    ("no final line ending", b"a=1\nport=2", "", b"a=1\nport=rear-2"),
    ("line endings of all kinds", b"a=1\r\nb=2\rport=3\rc=4\n\r\n", "", b"a=1\r\nb=2\rport=rear-2\rc=4\n\r\n"),
    ("carriage returns only", b"a=1\rport=2\r", "", b"a=1\rport=rear-2\r"),
    (
        "bytes that are no text",
        b"\x80\x81=\xff\nport=\xe9\xff ; \xfc\n\xc3",
        "",
        b"\x80\x81=\xff\nport=rear-2 ; \xfc\n\xc3",
    ),
    ("a mark of UTF-8", b"\xef\xbb\xbfport=1\n", "", b"\xef\xbb\xbfport=rear-2\n"),
    ("a Ctrl-Z at the end", b"port=1\x1a\x1a", "", b"port=rear-2\x1a\x1a"),
    ("double quotes", b'port = "lid" ; x\n', "", b'port = "rear-2" ; x\n'),
    ("single quotes", b"port='in ; ternal'\n", "", b"port='rear-2'\n"),
    ("quotes inside a value", b'port="a" "b"\n', "", b"port=rear-2\n"),
    (
        "a key of the same name elsewhere",
        b"port=1\n[a]\nport=2\n[b]\nport=3\n",
        "a",
        b"port=1\n[a]\nport=rear-2\n[b]\nport=3\n",
    ),
    ("other keys that stand twice", b"[a]\nx=1\nx=1\nport=2\n", "a", b"[a]\nx=1\nx=1\nport=rear-2\n"),
    ("other sections that stand twice", b"[b]\n[b]\n[a]\nport=2\n", "a", b"[b]\n[b]\n[a]\nport=rear-2\n"),
    ("a head with spaces and a note", b" [ a b ]\t; see [c]\nport=2\n", "a b", b" [ a b ]\t; see [c]\nport=rear-2\n"),
    ("doubled brackets", b"[a]\nport=1\n[[a]]\nport=2\n", "[a]", b"[a]\nport=1\n[[a]]\nport=rear-2\n"),
    ("brackets in a value", b"[a]\nx=[b]\nport=2\n", "a", b"[a]\nx=[b]\nport=rear-2\n"),
    ("a line that begins with a bracket only", b"[a\nport=2\n", "", b"[a\nport=rear-2\n"),
    (
        "names that begin alike",
        b"port-port=1\nportal=2\nport =3\nsport=4\n",
        "",
        b"port-port=1\nportal=2\nport =rear-2\nsport=4\n",
    ),
]
"""Name, file, section, and the file with "rear-2" as the value of "port".

No standard says how such files are written. Common practice: sections in brackets, "=" or ":", notes behind ";", "#"
or "//", CR LF, LF or CR at the end of a line, quotes around a value, Ctrl-Z at the end of a text of old systems. The
mark of UTF-8 is EF BB BF (The Unicode Standard, section 23.8). That nothing else changes is our own promise.
"""


@pytest.mark.parametrize(("data", "section", "expected"), [row[1:] for row in KEPT], ids=[row[0] for row in KEPT])
def test_every_byte_but_the_value_is_kept(data: bytes, section: str, expected: bytes) -> None:
    assert edited(data, section, "port", "rear-2") == expected
    assert edited(data, section, "port", "rear-2", add=True) == expected


VALUES = [
    ("nothing", b"a = 1 \n", "", b"a =  \n"),
    ("quotes that are already there", b'a = "1"\n', "2 ; 3", b'a = "2 ; 3"\n'),
    ("spaces inside quotes", b'a = "1"\n', " 2 ", b'a = " 2 "\n'),
    ("nothing between quotes", b"a = '1' # x\n", "", b"a = '' # x\n"),
    ("quotes of its own", b"a = 1\n", '"2 ; 3"', b'a = "2 ; 3"\n'),
    ("quotes of its own in place of others", b"a = '1' ; x\n", '"2"', b'a = "2" ; x\n'),
    ("the same value", b"a = 1\n", "1", b"a = 1\n"),
    ("separators and brackets", b"a=1\n", "b=[2]:3", b"a=b=[2]:3\n"),
    ("a mark of notes without a space before it", b"a=1\n", "x;y#z", b"a=x;y#z\n"),
    ("UTF-8 in a file that has some", "é=1\na=1\n".encode(), "ö", "é=1\na=ö\n".encode()),
    ("UTF-8 in a file with its mark", b"\xef\xbb\xbfa=1\n", "ö", b"\xef\xbb\xbfa=\xc3\xb6\n"),
]
"""Name, file, value of "a", and the file with it: common practice, as above; UTF-8 as RFC 3629 has it."""


@pytest.mark.parametrize(("data", "value", "expected"), [row[1:] for row in VALUES], ids=[row[0] for row in VALUES])
def test_a_value_may_be(data: bytes, value: str, expected: bytes) -> None:
    assert edited(data, "", "a", value) == expected


def test_a_key_may_hold_a_separator() -> None:
    assert edited(b"a=1\na:b = 2\n", "", "a:b", "3") == b"a=1\na:b = 3\n"


ADDED = [
    ("a key at the end of its section", b"[a]\nx = 1\n\n[b]\ny = 2\n", "a", b"[a]\nx = 1\nnew = 5\n\n[b]\ny = 2\n"),
    ("a key before any section", b"x: 1\n\n[b]\n", "", b"x: 1\nnew: 5\n\n[b]\n"),
    ("a key before the first line", b"\n[b]\r\ny = 2\r\n", "", b"new = 5\n\n[b]\r\ny = 2\r\n"),
    (
        "a key in an empty section",
        b"\t x  =  1\r\n[a]\r\n\r\n[b]\r\n",
        "a",
        b"\t x  =  1\r\n[a]\r\n\t new  =  5\r\n\r\n[b]\r\n",
    ),
    ("a key in the style of its section", b"[a]\n  x: 1\n[b]\ny=2\n", "a", b"[a]\n  x: 1\n  new: 5\n[b]\ny=2\n"),
    ("the line ending in front", b"x=1\n[a]\ny=2\r\nz=3\n", "a", b"x=1\n[a]\ny=2\r\nz=3\nnew=5\n"),
    ("carriage returns", b"x=1\r", "", b"x=1\rnew=5\r"),
    ("no final line ending", b"x=1\r\ny=2", "", b"x=1\r\ny=2\r\nnew=5"),
    ("no line ending at all", b"x=1", "", b"x=1\nnew=5"),
    ("nothing in front", b"", "", b"new=5\n"),
    ("only a mark of UTF-8", b"\xef\xbb\xbf", "", b"\xef\xbb\xbfnew=5\n"),
    ("a Ctrl-Z behind it", b"x=1\r\n\x1a", "", b"x=1\r\nnew=5\r\n\x1a"),
    ("a note at the end of a section", b"[a]\nx=1\n; more\n\n[b]\n", "a", b"[a]\nx=1\n; more\nnew=5\n\n[b]\n"),
    ("a section", b"[b]\r\ny = 2\r\n", "a", b"[b]\r\ny = 2\r\n\r\n[a]\r\nnew = 5\r\n"),
    (
        "a section among others without blank lines",
        b"[b]\ny=2\n[c]\nz=3\n\n",
        "a",
        b"[b]\ny=2\n[c]\nz=3\n[a]\nnew=5\n\n",
    ),
    ("a section after heads with blank lines", b"[b]\ny=2\n\n[c]\nz=3\n", "a", b"[b]\ny=2\n\n[c]\nz=3\n\n[a]\nnew=5\n"),
    ("a section after a blank line and a head", b"y=2\n\nz=3\n[c]\n", "a", b"y=2\n\nz=3\n[c]\n[a]\nnew=5\n"),
    ("a section without a final line ending", b"[b]\ny=2", "a", b"[b]\ny=2\n\n[a]\nnew=5"),
    ("a section in an empty file", b"", "a", b"[a]\nnew=5\n"),
    ("a section with a Ctrl-Z behind it", b"x=1\r\n\x1a", "a", b"x=1\r\n\r\n[a]\r\nnew=5\r\n\x1a"),
]
"""Name, file, section, and the file with "new" and 5 added: our own rules, after what stands beside it."""


@pytest.mark.parametrize(("data", "section", "expected"), [row[1:] for row in ADDED], ids=[row[0] for row in ADDED])
def test_what_is_missing_is_added_in_the_files_own_style(data: bytes, section: str, expected: bytes) -> None:
    assert edited(data, section, "new", "5", add=True) == expected
    assert edited(expected, section, "new", "5") == expected


ADD = "add = true lets it be added"
BY_HAND = "edit the file by hand so that it is in it once"
QUOTES = "write the value in quotes, if the board understands them"
REFUSED = [
    ("a missing key", b"[a]\nx=1\n", "a", "y", "2", 'no key "y" in section [a]', ADD),
    ("a missing key before any section", b"x=1\n", "", "zebra", "2", 'no key "zebra" before the first section', ADD),
    (
        "a key in other letters",
        b"[a]\nPort=1\n",
        "a",
        "port",
        "2",
        'no key "port" in section [a]',
        'line 2 has "Port"; names are compared exactly',
    ),
    (
        "a key nearly named so",
        b"[a]\nports=1\n",
        "a",
        "port",
        "2",
        'no key "port" in section [a]',
        'line 2 has "ports"',
    ),
    (
        "a key of another section",
        b"[b]\nport=1\n[a]\n",
        "a",
        "port",
        "2",
        'no key "port" in section [a]',
        "line 2 has it, in section [b]",
    ),
    (
        "a key before the first section",
        b"port=1\n[a]\n",
        "a",
        "port",
        "2",
        'no key "port" in section [a]',
        "line 1 has it, before the first section",
    ),
    ("a key without a value", b"port\n", "", "port", "2", 'no key "port" before the first section', ADD),
    (
        "a key that stands twice",
        b"[a]\nx=1\n\nx = 2\nx:3\n",
        "a",
        "x",
        "2",
        'key "x" is in lines 2, 4 and 5 in section [a]; expected once',
        BY_HAND,
    ),
    ("a missing section", b"[frame]\n", "input", "x", "2", "no section [input]", ADD),
    (
        "a section in other letters",
        b"\n[Input]\n",
        "input",
        "x",
        "2",
        "no section [input]",
        'line 2 has "Input"; names are compared exactly',
    ),
    ("a section nearly named so", b"[inputs]\n", "input", "x", "2", "no section [input]", 'line 1 has "inputs"'),
    (
        "a section that stands twice",
        b"[a]\nx=1\n[b]\n[a]\n",
        "a",
        "x",
        "2",
        "section [a] is in lines 1 and 4; expected once",
        BY_HAND,
    ),
    (
        "a note where the value should be",
        b"x = ; none\n",
        "",
        "x",
        "2",
        'line 1 reads "x = ; none", which may be a value, or a comment after an empty value',
        "write a value before the comment, or put quotes around the value, by hand first",
    ),
    (
        "a value that begins like a note",
        b"x = #FF8000\n",
        "",
        "x",
        "2",
        'line 1 reads "x = #FF8000", which may be a value, or a comment after an empty value',
        "write a value before the comment, or put quotes around the value, by hand first",
    ),
    (
        "nothing in front of a note",
        b"x = 1 ; y\n",
        "",
        "x",
        "",
        '"" cannot be the value of "x": "x =  ; y" would be read differently',
        QUOTES,
    ),
    (
        "a new note in a value",
        b"x = 1\n",
        "",
        "x",
        "2 ; 3",
        '"2 ; 3" cannot be the value of "x": "x = 2 ; 3" would be read differently',
        QUOTES,
    ),
    (
        "a value that becomes a note",
        b"x = 1\n",
        "",
        "x",
        "#2",
        '"#2" cannot be the value of "x": "x = #2" would be read differently',
        QUOTES,
    ),
    (
        "spaces around a value",
        b"x = 1\n",
        "",
        "x",
        " 2",
        '" 2" cannot be the value of "x": "x =  2" would be read differently',
        QUOTES,
    ),
    (
        "a quote inside quotes",
        b'x = "1"\n',
        "",
        "x",
        'a" "b',
        '"a" "b" cannot be the value of "x": "x = "a" "b"" would be read differently',
        QUOTES,
    ),
    (
        "a line break in a value",
        b"x=1\n",
        "",
        "x",
        "2\n3",
        r"'2\n3' has the control character U+000A; expected one line of plain text",
        "",
    ),
    (
        "UTF-16 with its mark",
        "x=1\n".encode("utf-16"),
        "",
        "x",
        "2",
        "the file is UTF-16; expected a text of single bytes or UTF-8",
        "save it as UTF-8 or ASCII first",
    ),
    (
        "UTF-16 without a mark",
        "x=1\n".encode("utf-16-be"),
        "",
        "x",
        "2",
        "the file is UTF-16; expected a text of single bytes or UTF-8",
        "save it as UTF-8 or ASCII first",
    ),
    (
        "UTF-16 of one character, big-endian",
        "x".encode("utf-16-be"),
        "",
        "x",
        "2",
        "the file is UTF-16; expected a text of single bytes or UTF-8",
        "save it as UTF-8 or ASCII first",
    ),
    (
        "the big-endian mark alone",
        b"\xfe\xff",
        "",
        "x",
        "2",
        "the file is UTF-16; expected a text of single bytes or UTF-8",
        "save it as UTF-8 or ASCII first",
    ),
    (
        "text in no known encoding",
        b"x=1\n",
        "",
        "x",
        "\xe9",
        '"\xe9" is not ASCII, and the file does not show which encoding it has',
        "use ASCII",
    ),
    (
        "text in another encoding than UTF-8",
        b"y=\xe9\nx=1\n",
        "",
        "x",
        "\xe9",
        '"\xe9" is not ASCII, and the file does not show which encoding it has',
        "use ASCII",
    ),
]
"""Name, file, section, key, value, and what is said: our own rules, against what can be read in two ways."""


@pytest.mark.parametrize(
    ("data", "section", "name", "value", "what", "hint"), [row[1:] for row in REFUSED], ids=[row[0] for row in REFUSED]
)
def test_it_is_refused(data: bytes, section: str, name: str, value: str, what: str, hint: str) -> None:
    with pytest.raises(EditError) as caught:
        edited(data, section, name, value)
    assert (str(caught.value), caught.value.hint) == (what, hint)


ADD_REFUSED = [
    (
        "a section that stands twice",
        b"[a]\n[a]\n",
        "a",
        "x",
        "1",
        "section [a] is in lines 1 and 2; expected once",
    ),
    (
        "a key that stands twice",
        b"x=1\nx=2\n",
        "",
        "x",
        "1",
        'key "x" is in lines 1 and 2 before the first section; expected once',
    ),
    ("a key that is no key", b"", "", "a=b", "1", '"a=b" cannot be a key: the line "a=b=1" would be read differently'),
    ("a key like a note", b"", "", "#a", "1", '"#a" cannot be a key: the line "#a=1" would be read differently'),
    ("a key like a head", b"", "", "[a]", "1", '"[a]" cannot be a key: the line "[a]=1" would be read differently'),
    (
        "a section that is none",
        b"",
        "a]b",
        "x",
        "1",
        '"a]b" cannot be a section: the head [a]b] would be read differently',
    ),
    (
        "a value that is read differently",
        b"y = 1\n",
        "",
        "x",
        "1 #2",
        '"1 #2" cannot be the value of "x": "x = 1 #2" would be read differently',
    ),
]


@pytest.mark.parametrize(
    ("data", "section", "name", "value", "what"), [row[1:] for row in ADD_REFUSED], ids=[row[0] for row in ADD_REFUSED]
)
def test_adding_is_refused(data: bytes, section: str, name: str, value: str, what: str) -> None:
    with pytest.raises(EditError) as caught:
        edited(data, section, name, value, add=True)
    assert str(caught.value) == what


def test_a_file_of_one_zero_byte_is_not_taken_for_utf16() -> None:
    edit = ConfigEdit(path="A", section="", name="x", value="2", add=True, key="")
    assert wanted_in(b"\x00", edit).value == b"2"
