"""The SHA-256 of a file."""

from __future__ import annotations

import hashlib
from pathlib import Path


def sha256_of_file(path: Path) -> str:
    """Return the SHA-256 of what a file holds now; raises OSError. Source: FIPS 180-4."""
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()
