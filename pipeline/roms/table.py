"""Every operation once, by the name it has in a manifest."""

from __future__ import annotations

from collections.abc import Mapping
from types import MappingProxyType

from pipeline.roms.container import CONTAINERS
from pipeline.roms.decode import DECODING
from pipeline.roms.fields import FIELDS
from pipeline.roms.lines import WIRING
from pipeline.roms.operation import Operation
from pipeline.roms.patch import PATCHES
from pipeline.roms.pieces import PIECES as PIECE_OPERATIONS
from pipeline.roms.shape import SHAPE
from pipeline.roms.values import VALUES

PIECES: Mapping[str, Operation] = MappingProxyType(
    {operation.name: operation for operation in (*PIECE_OPERATIONS, *CONTAINERS)}
)
"""What a piece can be made by: ``chip = "6f"``."""

CHANGES: Mapping[str, Operation] = MappingProxyType(
    {operation.name: operation for operation in (*SHAPE, *WIRING, *VALUES, *FIELDS, *PATCHES, *DECODING)}
)
"""What can be done to a piece, in ``then``: ``{ mirror = "8 KiB" }``."""
