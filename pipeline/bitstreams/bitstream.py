"""What a bitstream says of itself, and how its two words, header and data, are weighed."""

from __future__ import annotations

from dataclasses import dataclass

from pipeline.bitstreams.device import Device
from pipeline.bitstreams.devices import WHOLE, mask_of, names_of, same_id, with_id
from pipeline.bitstreams.integrity import INTACT, Integrity
from pipeline.bitstreams.parts import FpgaPart

DEVICE = "device"
DIE_CLASS = "die class"
SIZE_CLASS = "size class"

AS_WRITTEN = "as written"


@dataclass(frozen=True, slots=True, kw_only=True)
class Bitstream:
    """A bitstream as far as it can be read; nothing of who built it, where and when.

    ``maker``, ``family``: "" where unknown. ``format``: in plain words. ``devices``: the devices it may be for;
    several where it cannot tell them apart, none where it names none that is known. ``device_id``: as written in its
    data, None where it carries none; ``id_mask``: the bits that count. ``package``: as its header has it, or "".
    ``byte_order``: "as written", or what was done to the bytes. ``size``: in bytes; ``declared_size``: how many a
    length in its header asks for, None without such a length. ``integrity``: whether it is complete and undamaged.
    ``contradictory``: how header and data disagree, or "". ``precision``: "device", "die class" (devices of one die
    have the same file format) or "size class" (no more than a file size speaks for them).
    """

    maker: str
    format: str
    size: int
    family: str = ""
    devices: tuple[str, ...] = ()
    device_id: int | None = None
    id_mask: int = WHOLE
    package: str = ""
    byte_order: str = AS_WRITTEN
    declared_size: int | None = None
    integrity: Integrity = INTACT
    contradictory: str = ""
    precision: str = DEVICE

    @property
    def device(self) -> str:
        """The device it is for, or several joined by "or"; "" where unknown."""
        return " or ".join(self.devices)

    @property
    def truncated(self) -> bool:
        """Whether it ends early."""
        return self.integrity.truncated


@dataclass(frozen=True, slots=True, kw_only=True)
class NamedDevice:
    """What id and header text together name; the fields are those of Bitstream."""

    family: str = ""
    devices: tuple[str, ...] = ()
    id_mask: int = WHOLE
    package: str = ""
    contradictory: str = ""


def weigh(device_id: int | None, text: FpgaPart) -> NamedDevice:
    """Return what a bitstream is for, from the id in its data and the part its header names.

    The id decides, since the device itself compares it. Where it stands for several devices, the text chooses. A text
    that names another device than the id is a contradiction; then its package means nothing either.
    """
    if device_id is None:
        return _named(text.devices, WHOLE, text.package)
    mask = mask_of(device_id)
    named_with_id = tuple(device for device in text.devices if device.device_id is not None)
    agreeing = tuple(device for device in named_with_id if same_id(device.device_id or 0, device_id))
    if agreeing or not named_with_id:
        return _named(agreeing or with_id(device_id), mask, text.package)
    found = _named(with_id(device_id), mask, "")
    data = " or ".join(found.devices) or f"the device with id 0x{device_id:08X}"
    conflict = f"its header names {' or '.join(names_of(named_with_id))}, its data are for {data}"
    return NamedDevice(family=found.family, devices=found.devices, id_mask=mask, contradictory=conflict)


def _named(devices: tuple[Device, ...], mask: int, package: str) -> NamedDevice:
    families = {device.family for device in devices}
    family = devices[0].family if len(families) == 1 else ""
    return NamedDevice(family=family, devices=names_of(devices), id_mask=mask, package=package)
