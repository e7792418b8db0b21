"""Where the program's own files are: the package, and the JSON Schemas that are read at run time."""

from __future__ import annotations

from pathlib import Path

PACKAGE = Path(__file__).resolve().parent

SCHEMAS = next(path for path in (PACKAGE / "schemas", PACKAGE.parent / "schemas") if path.is_dir())
"""Inside the package when installed from a wheel, at the top of the repository in a clone."""
