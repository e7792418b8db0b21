"""Which archives are used, in part or not at all. Formats: PKWARE APPNOTE 6.3.10; limits: our own."""

from __future__ import annotations

import io
import random
import re
import stat
import struct
import subprocess
import zipfile
from dataclasses import replace
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline.model.manifest import ArchiveLimits
from pipeline.sources.files.archive import Fault, Listing, list_archive
from pipeline.sources.files.members import to_be_listed
from tests.strangers.tools import require
from tests.unit.sources.zips import Hand, by_hand, pack

LIMITS = ArchiveLimits()
DAMAGED = "get an undamaged copy, or unpack it into a folder and pack it anew"
HOSTILE = "do not trust this archive; if you must, unpack it with care and use the folder"
ZEROS = bytes(2 << 20)


def listing(data: bytes, limits: ArchiveLimits = LIMITS) -> Listing:
    return list_archive(io.BytesIO(data), limits)


def usable(data: bytes, limits: ArchiveLimits = LIMITS) -> list[str]:
    return [member.name for member in listing(data, limits).members]


def refusal(data: bytes, limits: ArchiveLimits = LIMITS) -> Fault:
    """Return why an archive is refused as a whole."""
    listed = listing(data, limits)
    assert listed.members == ()
    (fault,) = listed.faults
    return fault


# honest archives, and strangers that read them


def test_unzip_tells_the_same_names_sizes_and_checks(tmp_path: Path) -> None:
    members = {"a.bin": b"123456789", "deep/er/b.bin": bytes(100_000), "empty": b"", "ü/€.txt": b"x"}
    path = pack(tmp_path / "a.zip", members)
    ours = {(m.name, m.size, m.crc32) for m in listing(path.read_bytes()).members}
    shown = subprocess.run(
        [require("unzip"), "-v", str(path)],
        capture_output=True,
        check=True,
        encoding="utf-8",
        env={"LC_ALL": "C.UTF-8"},
    ).stdout
    # Length Method Size Cmpr Date Time CRC-32 Name
    rows = re.findall(r"^ *(\d+) +\S+ +\d+ +-?\d+% +\S+ +\S+ +([0-9a-f]{8}) +(\S+)$", shown, re.MULTILINE)
    assert ours == {(name, int(size), int(crc, 16)) for size, crc, name in rows}
    # CRC-32 of "123456789": G. Cook, "Catalogue of parametrised CRC algorithms" (from memory)
    assert ("a.bin", 9, 0xCBF43926) in ours


@pytest.mark.parametrize("options", [["-0"], ["-9"], ["-fz"], ["-9", "-fd"]], ids=" ".join)
def test_archives_of_the_zip_program_are_read(tmp_path: Path, options: list[str]) -> None:
    (tmp_path / "one.bin").write_bytes(b"123456789")
    subprocess.run([require("zip"), "-q", *options, "a.zip", "one.bin"], cwd=tmp_path, check=True)
    (member,) = listing((tmp_path / "a.zip").read_bytes()).members
    assert (member.name, member.size, member.crc32) == ("one.bin", 9, 0xCBF43926)


def test_64_bit_fields_are_read() -> None:
    # APPNOTE 4.5.3: size, packed size and offset, each only where its 32-bit field is full
    extra = struct.pack("<2HQQ", 1, 16, 9, 11)
    full = Hand(name=b"a", data=b"123456789", size=0xFFFFFFFF, packed_size=0xFFFFFFFF, extra=b"\x99\x99\1\0x" + extra)
    (member,) = listing(by_hand(full)).members
    assert member.size == 9
    broken = Fault("is damaged: corrupt extra field 0001 (size=16)", DAMAGED)
    assert refusal(by_hand(replace(full, extra=extra[:-1]))) == broken


def test_an_archive_with_more_members_than_16_bits_count_is_read() -> None:
    buffer = io.BytesIO()
    with zipfile.ZipFile(buffer, "w") as archive:
        for number in range(70_000):
            archive.writestr(f"{number}", b"")
    assert len(usable(buffer.getvalue(), replace(LIMITS, entries=70_000))) == 70_000
    assert refusal(buffer.getvalue()) == Fault(
        "has more than 10,000 entries, the limit", "unpack it into a folder, or raise limits.entries"
    )


def test_an_archive_behind_a_program_that_unpacks_it_is_read() -> None:
    data = by_hand(Hand(name=b"a", data=b"abc"), before=b"MZ" + bytes(500))
    assert usable(data) == ["a"]


def test_an_archive_may_have_a_comment() -> None:
    assert usable(by_hand(Hand(name=b"a"), comment=b"of the club's attic " * 100)) == ["a"]


def test_folders_are_no_members_and_dots_in_names_are_harmless() -> None:
    names = [b"./", b"./a", b"b/", b"b/", b"b/./c", b"d..e", b"...", b"f:g"[1:]]
    assert usable(by_hand(*(Hand(name=name) for name in names))) == ["./a", "b/./c", "d..e", "...", ":g"]


def test_names_are_utf_8_where_the_flag_says_so_and_else_code_page_437() -> None:
    # APPNOTE appendix D; 0x81 is u with diaeresis in code page 437 (IBM; unicode.org CP437.TXT)
    data = by_hand(Hand(name="ü".encode(), flags=0x800), Hand(name=b"\x81x"))
    assert usable(data) == ["ü", "üx"]


def test_an_archive_is_known_by_its_first_bytes_or_its_name() -> None:
    assert to_be_listed("box", b"PK\3\4")
    assert to_be_listed(b"box", b"PK\5\6")
    assert to_be_listed("attic/Box.ZIP", b"MZ\0\0")
    assert not to_be_listed("box", b"PK\1\2")
    assert not to_be_listed("attic/._box.zip", b"\0\5\x16\7")  # AppleDouble, RFC 1740


# refused as a whole


@pytest.mark.parametrize(
    ("name", "wrong"),
    [
        (b"/etc/x", "is an absolute path"),
        (b"C:/x", "names a drive"),
        (b"c:x", "names a drive"),
        (b"../x", 'leads out of the archive by ".."'),
        (b"a/../../x", 'leads out of the archive by ".."'),
        (b"a/..", 'leads out of the archive by ".."'),
        (b"a\\..\\x", "holds a backslash"),
        (b"\\\\host\\x", "holds a backslash"),
        (b"x\0.txt", "holds a NUL"),
        (b"", "is empty"),
        (b".", "is empty"),
    ],
)
def test_an_archive_with_a_name_that_leads_elsewhere_is_refused(name: bytes, wrong: str) -> None:
    data = by_hand(Hand(name=b"good"), Hand(name=name))
    assert refusal(data) == Fault(f"is refused: the name {name.decode()!r} {wrong}", HOSTILE)


@pytest.mark.parametrize(
    ("one", "two", "same"),
    [
        (b"A/x", b"a/X", "the names 'A/x' and 'a/X' are the same when case is ignored"),
        (b"x", b"x", "two members are named 'x'"),
        (b"x", b"./X", "the names 'x' and './X' are the same when case is ignored"),
        (b"x/", b"X", "the names 'x/' and 'X' are the same when case is ignored"),
        ("Straße".encode(), b"STRASSE", "the names 'Straße' and 'STRASSE' are the same when case is ignored"),
    ],
)
def test_an_archive_with_two_names_that_collide_is_refused(one: bytes, two: bytes, same: str) -> None:
    data = by_hand(Hand(name=one, flags=0x800), Hand(name=two, flags=0x800))
    assert refusal(data) == Fault(f"is refused: {same}", "unpack it, rename one of them and pack it anew")


@pytest.mark.parametrize("entries", [4, 1], ids=["honest", "forged"])
def test_an_archive_with_too_many_entries_is_refused(entries: int) -> None:
    data = by_hand(*(Hand(name=b"%d" % number) for number in range(4)), entries=entries)
    fault = Fault("has more than 3 entries, the limit", "unpack it into a folder, or raise limits.entries")
    assert refusal(data, replace(LIMITS, entries=3)) == fault
    assert len(usable(data, replace(LIMITS, entries=4))) == 4


def test_a_directory_too_large_for_its_entries_is_not_read() -> None:
    class Counting(io.BytesIO):
        most = 0

        def read(self, size: int | None = -1, /) -> bytes:
            data = super().read(size)
            self.most = max(self.most, len(data))
            return data

    stream = Counting(by_hand(*(Hand(name=b"%d" % number) for number in range(40_000))))
    (fault,) = list_archive(stream, replace(LIMITS, entries=1000)).faults
    assert fault.what == "has more than 1,000 entries, the limit"
    assert stream.most < 70_000


def test_an_archive_that_unpacks_to_too_much_is_refused() -> None:
    data = by_hand(Hand(name=b"a", size=1000), Hand(name=b"b", size=25))
    limits = replace(LIMITS, total=1024)
    assert refusal(data, limits) == Fault(
        "is refused: it unpacks to 1,025 bytes; 1 KiB is the limit", "raise limits.total if this is right"
    )
    assert usable(data, replace(LIMITS, total=1025)) == ["a", "b"]


def test_members_that_share_their_bytes_are_refused() -> None:
    # many directory entries for one packed run: how small archives unpack to petabytes
    data = by_hand(
        Hand(name=b"a", data=bytes(range(256)) * 8),
        *(Hand(name=b"%d" % n, packed=b"", packed_size=270, offset=0) for n in range(3)),
    )
    assert refusal(data).what == "is refused: its members share bytes, so that it unpacks to far more than it holds"


def test_a_name_that_is_no_text_is_refused() -> None:
    data = by_hand(Hand(name=b"\xff", flags=0x800))
    assert refusal(data) == Fault("is damaged: a name is not valid UTF-8 text", DAMAGED)


def test_a_name_longer_than_any_path_is_refused() -> None:
    refused = refusal(by_hand(Hand(name=b"x" * 4097))).what
    assert refused == f"is refused: the name {'x' * 200!r} has 4,097 characters; 4,096 is the limit"
    assert usable(by_hand(Hand(name=b"x" * 4096))) == ["x" * 4096]


HONEST = by_hand(Hand(name=b"a", data=b"abc"), Hand(name=b"b", data=b"defg"))


@pytest.mark.parametrize(
    ("data", "what"),
    [
        (b"", "is not a ZIP archive: it is empty"),
        (b"<htm", "is not a ZIP archive: it begins with 3C 68 74 6D"),
        (HONEST[:20], "is cut off: the directory at its end is missing"),
        (HONEST[:-1], "is cut off: the directory at its end is missing"),
        (HONEST[40:], "is damaged or cut off: 6 bytes of 'b' do not fit into it"),
        (HONEST[-60:], "is damaged: bad offset for central directory"),
        (HONEST.replace(b"PK\1\2", b"PK\1\3"), "is damaged: bad magic number for central directory"),
        (HONEST.replace(b"PK\1\2\x14\3\x14", b"PK\1\2\x14\3\xff"), "is damaged: zip file version 25.5"),
        (by_hand(Hand(name=b"a"), gap=1), "is damaged or cut off: 2 bytes of 'a' do not fit into it"),
        (by_hand(Hand(name=b"a", packed_size=50)), "is damaged or cut off: 50 bytes of 'a' do not fit into it"),
        (by_hand(Hand(name=b"a", offset=9999)), "is damaged or cut off: 2 bytes of 'a' do not fit into it"),
    ],
)  # fmt: skip
def test_a_broken_archive_says_what_is_wrong(data: bytes, what: str) -> None:
    assert refusal(data).what == what


# single members left out


@pytest.mark.parametrize(
    ("member", "what", "hint"),
    [
        (
            Hand(name=b"x", data=b"abc", flags=1),
            "encrypted",
            "unpack it with its password into a folder and use the folder",
        ),
        (
            Hand(name=b"x", data=b"abc", flags=0x41),
            "encrypted",
            "unpack it with its password into a folder and use the folder",
        ),
        (
            Hand(name=b"x", data=b"abc", method=12),
            "packed by method 12 (BZIP2), which is not supported",
            'pack it anew with "deflate", or unpack it into a folder',
        ),
        (
            Hand(name=b"x", data=b"abc", method=77),
            "packed by method 77 (unknown), which is not supported",
            'pack it anew with "deflate", or unpack it into a folder',
        ),
        (
            Hand(name=b"x", data=b"../../etc", mode=stat.S_IFLNK | 0o777),
            "a link to another file",
            "put the file itself into the archive",
        ),
        (Hand(name=b"x", mode=stat.S_IFIFO), "a device or pipe", "put the file itself into the archive"),
        (
            Hand(name=b"x", data=ZEROS),
            "packed smaller than 1:200, the limit",
            "unpack it into a folder, or raise limits.ratio",
        ),
        (
            Hand(name=b"x", data=ZEROS, packed=bytes(1 << 20), size=(4 << 20) + 1, method=0),
            "larger than 4 MiB, the limit",
            "raise limits.member if this is right",
        ),
    ],
)
def test_a_member_that_cannot_be_used_is_left_out_alone(member: Hand, what: str, hint: str) -> None:
    limits = replace(LIMITS, member=4 << 20)
    good = Hand(name=b"good", data=b"abc")
    listed = listing(by_hand(member, good), limits)
    assert [m.name for m in listed.members] == ["good"]
    assert listed.faults == (Fault(f"the member 'x' is {what}; it is not used", hint),)
    twice = listing(by_hand(member, good, replace(member, name=b"y")), limits)
    assert [m.name for m in twice.members] == ["good"]
    assert twice.faults == (Fault(f"2 members are {what}; they are not used, the first is 'x'", hint),)


def test_the_ratio_counts_above_one_mebibyte_only() -> None:
    assert usable(by_hand(Hand(name=b"x", data=bytes(1 << 20)))) == ["x"]
    assert usable(by_hand(Hand(name=b"x", data=bytes((1 << 20) + 1)))) == []
    assert usable(by_hand(Hand(name=b"x", data=ZEROS)), replace(LIMITS, ratio=1100)) == ["x"]


def test_a_member_encrypted_by_the_zip_program_is_left_out(tmp_path: Path) -> None:
    (tmp_path / "one").write_bytes(b"123456789")
    (tmp_path / "two").write_bytes(b"123456789")
    subprocess.run([require("zip"), "-q", "-P", "moth", "a.zip", "one"], cwd=tmp_path, check=True)
    subprocess.run([require("zip"), "-q", "a.zip", "two"], cwd=tmp_path, check=True)
    listed = listing((tmp_path / "a.zip").read_bytes())
    assert [m.name for m in listed.members] == ["two"]
    assert [fault.what for fault in listed.faults] == ["the member 'one' is encrypted; it is not used"]


def test_an_archive_in_several_parts_made_by_the_zip_program_is_refused(tmp_path: Path) -> None:
    for name in ("one", "two"):
        (tmp_path / name).write_bytes(random.Random(name).randbytes(50_000))
    subprocess.run([require("zip"), "-q", "-s", "64k", "a.zip", "one", "two"], cwd=tmp_path, check=True)
    what = "is damaged or cut off: 50,010 bytes of 'two' do not fit into it"
    hint = "get an undamaged copy; if it is one of several parts, unpack all into a folder"
    assert refusal((tmp_path / "a.zip").read_bytes()) == Fault(what, hint)


@pytest.mark.parametrize("method", [zipfile.ZIP_BZIP2, zipfile.ZIP_LZMA])
def test_a_rare_method_is_left_out(tmp_path: Path, method: int) -> None:
    listed = listing(pack(tmp_path / "a.zip", {"x": b"abc"}, method).read_bytes())
    assert listed.members == ()
    assert f"method {method} (" in listed.faults[0].what


# whatever the bytes


@given(st.binary(max_size=400))
def test_no_bytes_raise_anything_but_archive_errors(data: bytes) -> None:
    for candidate in (data, b"PK\3\4" + data, data + HONEST[-22:], HONEST + data):
        listing(candidate)


@given(st.data())
def test_no_change_of_an_honest_archive_raises_anything_but_archive_errors(data: st.DataObject) -> None:
    changed = bytearray(HONEST)
    for _ in range(data.draw(st.integers(1, 4))):
        changed[data.draw(st.integers(0, len(changed) - 1))] = data.draw(st.integers(0, 255))
    listing(bytes(changed[: data.draw(st.integers(0, len(changed)))]))
    listing(bytes(changed))
