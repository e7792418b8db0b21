"""Every operation once, by the name it has in a manifest."""

from __future__ import annotations

from collections.abc import Mapping
from types import MappingProxyType

from pipeline.roms.operations.bit_values import VALUES
from pipeline.roms.operations.check_fields import FIELDS
from pipeline.roms.operations.container import CONTAINERS
from pipeline.roms.operations.decode import DECODING
from pipeline.roms.operations.operation import Operation
from pipeline.roms.operations.patch import PATCHES
from pipeline.roms.operations.pieces import PIECES as PIECE_OPERATIONS
from pipeline.roms.operations.shape import SHAPE
from pipeline.roms.operations.wiring import WIRING

PIECES: Mapping[str, Operation] = MappingProxyType(
    {operation.name: operation for operation in (*PIECE_OPERATIONS, *CONTAINERS)}
)
"""What a piece can be made by: ``chip = "4t"``."""

CHANGES: Mapping[str, Operation] = MappingProxyType(
    {operation.name: operation for operation in (*SHAPE, *WIRING, *VALUES, *FIELDS, *PATCHES, *DECODING)}
)
"""What can be done to a piece, in ``then``: ``{ mirror = "8 KiB" }``."""
