"""Part names: what is printed on a chip or written in a header, read into device and package.

Sources: the makers' ordering codes. Xilinx DS160 and DS180 ("XC6SLX9-2TQG144C": device, speed, package, temperature;
tools write device, package, speed); Lattice FPGA-DS-02012 ("LFE5U-25F-6BG381C"); apycula's list of Gowin part numbers
("GW1NR-LV9QN88PC6/I5"); Efinix and Intel: as in the headers and file names of their tools.
"""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass

from pipeline.bitstreams.device import Device
from pipeline.bitstreams.devices import DEVICES
from pipeline.bitstreams.table_efinix import EFINIX
from pipeline.bitstreams.table_gowin import GOWIN
from pipeline.bitstreams.table_intel import INTEL
from pipeline.bitstreams.table_lattice import LATTICE
from pipeline.bitstreams.table_xilinx import XILINX

LONGEST = 64
"""Characters of the longest text that is looked at."""

RESTS = {
    XILINX: r"(?:-?(?:L[1-3]|[1-4][LNQ]{0,2}|I))?-?"
    r"(?P<package>(?:TQ|VQ|PQ|CP|CS|FT|FG|FF|FB|FS|FL|FH|FI|SB|SF|CL|HC|RF|UB|BG|RB)[A-Z]{0,2}\d{2,4})?"
    r"(?:-?L?[1-4]?[LNQ]?[CEIQ]?(?:-[CEIQ])?)",
    LATTICE: r"-?[1-9]?-?"
    r"(?P<package>(?:CABGA|CSFBGA|CSBGA|UCBGA|FTBGA|FPBGA|TQFP|QFN|WLCSP|BG|MG|TG|SG|FTG|FG|UMG|UWG|SWG|TQ|QN|VQ|CM|CB|CT|CS)"
    r"\d{2,3})?[A-Z]{0,3}(?:50|1K)?",
    EFINIX: r"-?(?P<package>[A-Z]\d{2,3})?(?:[A-Z]\d[A-Z]?)?",
    INTEL: r"(?P<package>[A-Z]{1,3}\d{1,3})?(?:[A-Z]\d[A-Z0-9]{0,3})?",
    GOWIN: r"-?(?P<package>(?:QN|LQ|EQ|MG|PG|UG|CS|CM|CG|FN|FPG)\d{2,3}[A-Z]{0,2}?)?-?(?:C\d(?:/?I\d)?|A\d|I\d|ES)?",
}
"""What may follow a device's name: speed, package, speed or temperature, by maker."""

GOWIN_ORDER = re.compile(r"(?P<series>GW\d[A-Z]{1,3})-(?:LV|UV|ZV|EV)(?P<rest>\d+.*)")
CYCLONE_5 = re.compile(r"5C(E|SE|SX|ST|GX|GT)[BCFM]?([ACD])(\d)")

SAME_PACKAGES = {
    "CABGA": "BG", "CSFBGA": "MG", "CSBGA": "MG", "TQFP": "TG", "TQ": "TG", "QFN": "SG", "QN": "SG", "UCBGA": "UM",
    "FTBGA": "FT", "FPBGA": "FG", "WLCSP": "UW", "SW": "UW", "LQFP": "LQ", "ELQFP": "EQ", "MBGA": "MG", "PBGA": "PG",
    "UBGA": "UG", "FN": "SG", "CS": "UW", "CM": "UW", "CG": "UW", "FCPBGA": "FP",
}  # fmt: skip
"""Long package names and the letters the ordering codes have for them."""


@dataclass(frozen=True, slots=True, kw_only=True)
class FpgaPart:
    """A part name read: the rows of the devices it may be, and its package as written ("" where none is)."""

    devices: tuple[Device, ...] = ()
    package: str = ""


def read_part(text: str) -> FpgaPart:
    """Return what a part name says, or an empty Part for one that no table has.

    Letter case, spaces, underscores, dashes and "XC" or "iCE40" at the start do not matter. What follows the device
    must be a package, a speed or a temperature: "6SLX45TFGG484" is a 6SLX45T, since TFGG is no package. A Gowin
    ordering code does not tell the version of a die, so it gives every version.
    """
    if not 1 < len(text) <= LONGEST:
        return FpgaPart()
    plain = re.sub(r"[\s_]", "", text.upper())
    order = GOWIN_ORDER.fullmatch(plain)
    if order:
        return _gowin(order["series"], order["rest"])
    plain = CYCLONE_5.sub(r"5C\1\2\3", plain, count=1)
    starts = dict.fromkeys((plain, f"XC{plain}", f"ICE40{plain}", re.sub(r"^X[AQ]", "XC", plain)))
    fits = [fit for start in starts for fit in _fits(start)]
    package = fits[0][1] if fits else ""
    return FpgaPart(devices=_with_versions(device for device, _ in fits), package=package)


def same_package(first: str, second: str) -> bool:
    """Tell whether two packages are the same: ordering code or long name, with leaded balls or without ("TQG144")."""
    return _plain_package(first) == _plain_package(second)


def _fits(text: str) -> Iterable[tuple[Device, str]]:
    """Yield every device a text may name, and the package after it."""
    for device in DEVICES:
        rest = _after(device.name.upper(), text)
        fit = None if rest is None else re.fullmatch(RESTS[device.maker], rest)
        if fit:
            yield device, fit["package"] or ""


def _after(name: str, text: str) -> str | None:
    """Return what follows a name at the start of a text, both without regard to dashes; None if it is not there."""
    wanted = name.replace("-", "")
    position = 0
    for character in wanted:
        while text[position : position + 1] == "-":
            position += 1
        if text[position : position + 1] != character:
            return None
        position += 1
    return text[position:]


def _gowin(series: str, rest: str) -> FpgaPart:
    """Return the part of an ordering code: the digits of the device, an unwritten or written version, a package."""
    found = []
    for device in DEVICES:
        if device.maker != GOWIN or not device.name.startswith(f"{series}-"):
            continue
        number = device.name.removeprefix(f"{series}-")
        for start in (number, number.rstrip("ABC")):
            fit = re.fullmatch(RESTS[GOWIN], rest.removeprefix(start)) if rest.startswith(start) else None
            if fit and fit["package"]:
                found.append((device, fit["package"]))
                break
    return FpgaPart(devices=tuple(device for device, _ in found), package=found[0][1] if found else "")


def _with_versions(devices: Iterable[Device]) -> tuple[Device, ...]:
    """Return the devices, and of Gowin ones also those that differ in the version letter only ("GW1N-9C")."""
    chosen = tuple(dict.fromkeys(devices))
    bare = {device.name for device in chosen if device.maker == GOWIN and device.name[-1].isdigit()}
    more = [device for device in DEVICES if device.maker == GOWIN and device.name.rstrip("ABC") in bare]
    return tuple(dict.fromkeys((*chosen, *more)))


def _plain_package(package: str) -> str:
    text = re.sub(r"[\s_-]", "", package.upper())
    split = re.fullmatch(r"([A-Z]*)(\d+)([A-Z]*)", text)
    if not split:
        return text
    letters = split[1] if split[1] in SAME_PACKAGES else re.sub(r"^([A-Z]{2})G(?=[A-Z]?$)", r"\1", split[1])
    return f"{SAME_PACKAGES.get(letters, letters)}{split[2]}{split[3]}"
