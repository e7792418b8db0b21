"""Pins for tests: one content, and the text of a manifest with it."""

from __future__ import annotations

from pipeline.manifest.edit.pin import Pinned, PinRequest, pin
from pipeline.manifest.edit.pinnable import KeyPath
from pipeline.model.content import Content

ABC = "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"
OTHER = "0" * 64
FOUR_KIB = Content(sha256=ABC, size=4096, crc32=0x352441C2)
"""Any digits will do here: nothing is hashed, only written."""


def pinned(
    text: str, *ways: KeyPath, content: Content = FOUR_KIB, replacing: bool = False, crc32: bool = False
) -> Pinned:
    pins = [PinRequest(way=way, content=content, source="dumps/4t.bin") for way in ways]
    return pin(text, "inputs/titles/moth.toml", pins, replacing=replacing, crc32=crc32)
