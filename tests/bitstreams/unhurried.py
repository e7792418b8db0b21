"""How properties are run here: without a time limit, and the same examples each time."""

from __future__ import annotations

from hypothesis import settings

UNHURRIED = settings(deadline=None, derandomize=True, database=None)
