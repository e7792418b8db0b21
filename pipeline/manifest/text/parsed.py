"""What one manifest came to, read by itself."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

from pipeline.errors import Problem
from pipeline.model.manifest import Board, Card, Core, Station, Title


@dataclass(frozen=True, slots=True, kw_only=True)
class ParsedManifest:
    """What one manifest came to.

    ``data``: its TOML values, None when its text could not be read; of a title that is decoded what names others.
    ``value``: the decoded manifest, None when there are problems, for sources, and for a title that takes something
    over until that is written out. ``sha256``: of its TOML values, as ``values_sha256`` gives it. ``problems``: of this
    manifest alone; those without a line are not yet located.
    """

    kind: str
    id: str
    file: str
    data: Mapping[str, Any] | None = None
    value: Board | Core | Title | Card | Station | None = None
    sha256: bytes = b""
    problems: tuple[Problem, ...] = field(default=())
