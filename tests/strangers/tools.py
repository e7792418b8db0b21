"""Finds the public tools that check our work without sharing any code with it."""

from __future__ import annotations

import os
import shutil

from tests.support.needs import missing

PLACES = os.pathsep.join(("/usr/sbin", "/sbin", "/usr/local/sbin"))
"""Where system tools lie that a plain user's PATH often leaves out."""


def require(tool: str) -> str:
    """Return the path of a public tool ("fsck.fat"); without it the test is skipped, and fails where CI is set."""
    path = shutil.which(tool) or shutil.which(tool, path=PLACES)
    if path is None:
        missing(f"{tool} is not installed")
    return path
