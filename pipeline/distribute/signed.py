"""What is to be said of the signature of a published folder."""

from __future__ import annotations

from pathlib import Path

from pipeline.errors import CheckError, MachineError
from pipeline.publish.folder import SIGNATURE, SUMS
from pipeline.publish.signature import ALLOWED, signer


def signature_of(folder: Path, stated: str) -> str:
    """Return whether a folder is signed, and by whom of the signers it names; ``stated``: the first, "" for none."""
    if not stated:
        return "not signed"
    try:
        return f"signed by {signer(folder / SUMS, folder / SIGNATURE, folder / ALLOWED)}"
    except CheckError:
        return f"its signature by {stated} does not hold"
    except MachineError as error:
        return f"signed by {stated}, not checked: {error.problems[0].what}"
