"""``python schemas/make.py``: write what the table of ROM operations says into two schemas, and README.md."""

from __future__ import annotations

import sys
from pathlib import Path

FOLDER = Path(__file__).resolve().parent
sys.path.insert(0, str(FOLDER.parent))

from pipeline.manifest.files import KINDS  # noqa: E402  (found only once the path is set)
from pipeline.manifest.schema.reference_text import page  # noqa: E402
from pipeline.manifest.schema.validate import schema  # noqa: E402
from pipeline.roms.schema import with_operations  # noqa: E402

SCHEMAS = (FOLDER / "core.schema.json", FOLDER / "title.schema.json")
"""Those that have steps of ROM files."""


if __name__ == "__main__":
    for path in SCHEMAS:
        path.write_text(with_operations(path.read_text(encoding="utf-8")), encoding="utf-8")
    (FOLDER / "README.md").write_text(page({kind: schema(kind) for kind in KINDS}), encoding="utf-8")
