"""A packed bitstream is an error that says how to unpack it."""

from __future__ import annotations

import gzip
import io
import zipfile

import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline.bitstreams.packed import identify_packed
from pipeline.bitstreams.verdict import BitstreamVerdict, judge, judge_file
from pipeline.model.manifest import Fpga
from tests.unit.bitstreams.samples import MADE, made

BOARD = Fpga(part="LFE5U-25F")
NAME = "ecp5-25k.bit"
GZIP_HINT = 'unpack it with "gunzip", and put the size and SHA-256 of the bitstream in it into the core\'s manifest'
ZIP_HINT = GZIP_HINT.replace('"gunzip"', '"unzip", or "python3 -m zipfile -e"')


def archive(**members: bytes) -> bytes:
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as box:
        for name, content in members.items():
            box.writestr(name, content)
    return out.getvalue()


@pytest.mark.parametrize("fpga", [BOARD, Fpga(part="TW-40"), None])
def test_a_packed_bitstream_is_an_error_for_any_board(fpga: Fpga | None) -> None:
    text = "it is a gzip file; the bitstream in it is for LFE5U-25F (CABGA381)"
    verdict = judge_file((MADE / f"{NAME}.gz").read_bytes(), fpga)
    assert verdict == BitstreamVerdict(name="packed", text=text, hint=GZIP_HINT)
    assert verdict.is_error
    text = "it is a ZIP archive; the bitstream in it is for LFE5U-25F (CABGA381)"
    verdict = judge_file(archive(readme=b"read me", engine=made(NAME)), fpga)
    assert verdict == BitstreamVerdict(name="packed", text=text, hint=ZIP_HINT)


def test_a_packed_file_without_a_known_bitstream_is_named_too() -> None:
    for data, kind in ((gzip.compress(b"something"), "gzip file"), (archive(readme=b"read me"), "ZIP archive")):
        text = f"it is a {kind} without a bitstream of a kind known here"
        hint = "make sure that it is the bitstream, and unpacked"
        assert judge_file(data, None) == BitstreamVerdict(name="not a bitstream", text=text, hint=hint)


def test_a_file_that_is_not_packed_is_judged_as_it_is() -> None:
    data = made(NAME)
    assert judge_file(data, BOARD).name == "right device"
    assert judge_file(b"anything", BOARD) == judge(None, BOARD)


@given(st.sampled_from([gzip.compress(made("xo2-1200hc.bit")), archive(a=made("xo2-1200hc.bit"))]), st.data())
def test_a_damaged_packed_file_raises_nothing(data: bytes, draw: st.DataObject) -> None:
    at = draw.draw(st.integers(4, len(data)))
    assert identify_packed(data[:at] + draw.draw(st.binary(max_size=8)) + data[at + 4 :])
    assert identify_packed(data[:at])
