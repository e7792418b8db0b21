"""Whether what titles put into the sockets of their layout has the size that the layout's steps take."""

from __future__ import annotations

from operator import attrgetter

from pipeline.model.manifest import Socket, Title
from pipeline.model.units import show_size
from pipeline.roms.bind import Binder
from pipeline.roms.chips.diagnose import LONGEST_HEADER
from pipeline.roms.chips.parts import part_named
from pipeline.roms.operations.table import PIECES
from pipeline.roms.report import ProblemReport
from pipeline.roms.tree import Node, evaluate


def check_sockets(title: Title, report: ProblemReport) -> set[str]:
    """Report chips that do not have their socket's size once its wiring is done to them; return their names."""
    unfit = set[str]()
    for name, socket in title.sockets.items():
        chip = title.chips.get(name)
        if chip is None or chip.content.size is None:
            continue
        dump_size = chip.content.size
        size = _wired(socket, dump_size) if socket.then else dump_size
        if size not in (None, socket.size):
            found = (
                f"is {show_size(dump_size)}" if size == dump_size else f"comes to {show_size(size or 0)} by its then"
            )
            part = part_named(socket.part)
            made_for = f", as a {part.number} holds" if part and part.size == socket.size else ""
            what = f'{found}; socket "{name}" takes {show_size(socket.size)}{made_for}'
            also = (f"sockets.{name}.size",)
            report.add(f"chips.{name}.size", what, _hint(dump_size, socket.size) if size == dump_size else "", also)
            unfit.add(name)
    return unfit


def _wired(socket: Socket, size: int) -> int | None:
    """Return the size of a chip's bytes once the wiring is done to them; None where that cannot be."""
    unheard = ProblemReport()
    chip = Node(operation=PIECES["chip"], key="", arguments={"chip": socket.name}, contents={"chip": socket.name})
    node = Binder(None, unheard).changes(chip, socket.then, "")
    return evaluate(node, {socket.name: size}, attrgetter("size"), unheard) if node else None


def _hint(size: int, wanted: int) -> str:
    """Return what may bring a dump to the size of its socket."""
    if size < wanted and wanted % size == 0:
        mirrored, rest = f"then = [{{ mirror = {wanted} }}]", f"then = [{{ pad = {{ to = {wanted}, fill = 0xFF }} }}]"
        return f"a smaller chip is often seen again and again: {mirrored}; or the rest is empty: {rest}"
    if size % wanted == 0:
        return f"do its parts repeat, or is one of them used? then = [{{ take = {{ from = 0, size = {wanted} }} }}]"
    if 0 < size - wanted <= LONGEST_HEADER:
        strip = f"then = [{{ strip = {{ size = {size - wanted}, leaves = {wanted} }} }}]"
        return f"does a header stand in front? {strip}"
    return "take the chip that belongs into this socket, or say with then what brings it to that size"
