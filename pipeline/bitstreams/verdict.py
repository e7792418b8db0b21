"""Whether a bitstream is for the FPGA a board has, in plain words."""

from __future__ import annotations

from dataclasses import dataclass

from pipeline.bitstreams.bitstream import SIZE_CLASS, Bitstream
from pipeline.bitstreams.board import BoardFpga, read_board
from pipeline.bitstreams.devices import same_but_version, same_id
from pipeline.bitstreams.identify import identify
from pipeline.bitstreams.packed import identify_packed
from pipeline.bitstreams.parts import same_package
from pipeline.model.manifest import Fpga

RIGHT = "right device"
WRONG = "wrong device"
OTHER_PACKAGE = "right device, other package"
DIE_ONLY = "die class only"
CUT_SHORT = "cut short"
DAMAGED = "damaged"
DOUBTFUL = "perhaps damaged"
PACKED = "packed"
DISAGREE = "header and content disagree"
NO_BITSTREAM = "not a bitstream"
CANNOT_TELL = "cannot be told"
UNJUDGED = "not checked"

ERRORS = (WRONG, CUT_SHORT, DAMAGED, PACKED)

HINTS = {
    RIGHT: "",
    WRONG: "take the bitstream made for the board's FPGA; another one's pins may drive against outputs of other chips, "
    "which can damage both, and not every FPGA refuses it",
    CUT_SHORT: "get the whole file again; part of a configuration can leave pins driving against other chips, which "
    "can damage both, and not every FPGA notices that the rest is missing",
    DAMAGED: "get the whole file again; a damaged configuration can leave pins driving against other chips, which can "
    "damage both, and not every FPGA notices it",
    DOUBTFUL: "compare its size or checksum with those its maker gives; a damaged configuration can damage the board",
    PACKED: "unpack it with {command}, and put the size and SHA-256 of the bitstream in it into the core's manifest",
    OTHER_PACKAGE: "take the one made for the board's package: the FPGA does not refuse this one, but its pins are "
    "elsewhere",
    DIE_ONLY: "make sure by hand that it is for this very board; the file cannot tell",
    DISAGREE: "ask whoever made it; until then rely neither on its header nor on its name",
    NO_BITSTREAM: "make sure that it is the bitstream, and unpacked",
    CANNOT_TELL: "make sure by hand that it is for this very board",
    UNJUDGED: "make sure by hand that it is the bitstream for this very board, and unpacked",
}
"""What to do about each verdict, and for errors why the board is at risk."""

HINT_UNKNOWN = "state the FPGA's part as printed on it, or its device-id, in the board's manifest"
HINT_DIVIDED = "correct the part or the device-id in the board's manifest"


@dataclass(frozen=True, slots=True, kw_only=True)
class BitstreamVerdict:
    """``name``: one of the names above. ``text``: what was found and expected. ``hint``: what to do, "" for nothing.

    Of a bitstream's own texts, nothing is in it but devices and packages as the published tables write them.
    """

    name: str
    text: str
    hint: str = ""

    @property
    def is_error(self) -> bool:
        """Whether it can damage the board, or never starts: a wrong device, a file cut short, damaged or packed."""
        return self.name in ERRORS


def judge_file(data: bytes, fpga: Fpga | None) -> BitstreamVerdict:
    """Return how a file goes with a board's FPGA, as ``judge`` does; a packed bitstream is told to be one."""
    found = identify(data)
    packed = None if found else identify_packed(data)
    if packed is None:
        return judge(found, fpga)
    content = f"it is a {packed.kind}"
    if packed.content is None:
        text = f"{content} without a bitstream of a kind known here"
        return BitstreamVerdict(name=NO_BITSTREAM, text=text, hint=HINTS[NO_BITSTREAM])
    return BitstreamVerdict(
        name=PACKED,
        text=f"{content}; the bitstream in it is for {_what(packed.content)}",
        hint=HINTS[PACKED].format(command=packed.command),
    )


def judge(found: Bitstream | None, fpga: Fpga | None) -> BitstreamVerdict:
    """Return how a bitstream (None: a file that is none) goes with a board's FPGA (None: the board names none).

    A file cut short or damaged comes first, since it is so for any board; then a wrong device, which the id decides
    where there is one; then header against data; then the package. "right device" stands also where the file or the
    board does not say its package.
    """
    board = read_board(fpga)
    owner = _owner(board)
    if found is None:
        name = NO_BITSTREAM if board.maker else UNJUDGED
        return BitstreamVerdict(
            name=name, text=f"it is not a bitstream of a kind known here; {owner}", hint=HINTS[name]
        )
    if found.integrity.truncated:
        return BitstreamVerdict(name=CUT_SHORT, text=_shortage(found), hint=HINTS[CUT_SHORT])
    if found.integrity.damage:
        return BitstreamVerdict(name=DAMAGED, text=found.integrity.damage, hint=HINTS[DAMAGED])
    name, why = _compare(found, board)
    if name != WRONG and found.contradictory:
        return BitstreamVerdict(name=DISAGREE, text=found.contradictory, hint=HINTS[DISAGREE])
    if name != WRONG and found.integrity.doubt:
        return BitstreamVerdict(name=DOUBTFUL, text=f"{found.integrity.doubt}; {owner}", hint=HINTS[DOUBTFUL])
    hint = HINTS[name]
    if name == CANNOT_TELL and not board.maker:
        hint = HINT_UNKNOWN
    elif name == CANNOT_TELL and board.divided:
        hint = HINT_DIVIDED
    return BitstreamVerdict(name=name, text=f"it is for {_what(found)}; {owner}{why}", hint=hint)


def _compare(found: Bitstream, board: BoardFpga) -> tuple[str, str]:
    """Return the name of the verdict on device and package, and what its text has to add."""
    if not board.maker:
        return CANNOT_TELL, ""
    if found.device_id is not None and board.ids:
        name, why = _by_id(found, found.device_id, board)
    elif found.maker != board.maker and not board.divided:
        name, why = WRONG, ""
    else:
        name, why = _by_name(found, board)
    if board.divided and name != WRONG:
        return CANNOT_TELL, ", but part and device id name different FPGAs"
    wrong_package = found.package and board.package and not same_package(found.package, board.package)
    return (OTHER_PACKAGE, "") if name == RIGHT and wrong_package else (name, why)


def _by_id(found: Bitstream, device_id: int, board: BoardFpga) -> tuple[str, str]:
    if not any(same_id(device_id, own) for own in board.ids):
        versions = any(same_but_version(device_id, own) for own in board.ids)
        return (DIE_ONLY, ", and the two ids differ in the version only") if versions else (WRONG, "")
    if len(board.ids) > 1 and len(board.devices) > 1:
        return DIE_ONLY, _may_be(board)
    if found.devices and board.devices and not set(found.devices) & set(board.devices):
        return DIE_ONLY, ", and both have the same device id"
    return RIGHT, ""


def _by_name(found: Bitstream, board: BoardFpga) -> tuple[str, str]:
    sized = any(row.size for row in board.rows)
    if not found.devices or not board.devices or (found.precision == SIZE_CLASS and not sized):
        return CANNOT_TELL, ""
    if not set(found.devices) & set(board.devices):
        return WRONG, ""
    if len(board.devices) > 1:
        return DIE_ONLY, _may_be(board)
    if len(found.devices) > 1 or found.precision == SIZE_CLASS:
        return DIE_ONLY, ", and more than that such a file does not tell"
    return RIGHT, ""


def _owner(board: BoardFpga) -> str:
    if board.maker:
        return f"the board's FPGA is {board.text}"
    return f"the board's FPGA {board.text} is none known here" if board.text else "the board names no FPGA"


def _may_be(board: BoardFpga) -> str:
    return f", which may be {' or '.join(board.devices)}"


def _what(found: Bitstream) -> str:
    """Return "XC6SLX9 (TQG144)", or as much of it as is known."""
    if not found.devices:
        kind = found.format if found.device_id is None else f"device id 0x{found.device_id:08X}"
        return f"an unknown {found.maker} device ({kind})"
    by_size = ", by its size" if found.precision == SIZE_CLASS else ""
    return f"{found.device}{f' ({found.package})' if found.package else ''}{by_size}"


def _shortage(found: Bitstream) -> str:
    if found.declared_size is not None:
        return f"its header asks for {found.declared_size:,} bytes in all, it has {found.size:,}"
    return f"it ends after {found.size:,} bytes, before its configuration does"
