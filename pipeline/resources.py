"""The program's own files: the package, and what lies beside it in a clone and inside it when installed."""

from __future__ import annotations

from importlib.metadata import version
from pathlib import Path

VERSION = f"cardkiln {version('cardkiln')}"
"""Name and version of the program; pyproject.toml is the one place that states it."""

PACKAGE = Path(__file__).resolve().parent


def _own(installed: str, in_a_clone: str) -> Path:
    """Return a path inside the package when installed from a wheel, else at the top of the repository."""
    return next(path for path in (PACKAGE / installed, PACKAGE.parent / in_a_clone) if path.exists())


SCHEMAS = _own("schemas", "schemas")
"""The JSON Schemas that are read at run time."""

CI_SCRIPT = _own("ci/card", ".ci/card")
"""The script that builds and proves one card in CI."""
