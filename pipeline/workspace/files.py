"""Plan and record files below the build folder, read back as the values they hold."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

from pipeline.card.plan_text import plan_from_lines
from pipeline.errors import MachineError
from pipeline.model.plan import Plan
from pipeline.record.snapshot import side_of_record


def read_plan(path: Path) -> Plan:
    """Return the plan whose text a file holds; raises OSError, and ValueError when it is not a plan."""
    with path.open(encoding="ascii") as lines:
        return plan_from_lines(lines)


def read_record(path: Path) -> dict[str, Any]:
    """Return a record as JSON has it; raises MachineError when it is none, or not a whole one."""
    return record_from(path.read_bytes(), str(path))


def record_from(text: bytes, file: str) -> dict[str, Any]:
    """Return the record whose text was read from a file; raises MachineError when it is none, or not a whole one."""
    try:
        record = json.loads(text)
        side_of_record(record)
        if record["cardkiln-record"] == 1:
            return dict(record)
    except (ValueError, KeyError, TypeError):
        pass
    raise MachineError.one("is not a complete record", "build the card again", file=file)
