"""A rule that a card must keep: what it is called, what it asks, and why."""

from __future__ import annotations

import inspect
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

ERROR = "error"
WARNING = "warning"


@dataclass(frozen=True, order=True, slots=True, kw_only=True)
class Rule:
    """One rule. ``reason``: what it asks in one line, then why.

    ``level``: ERROR stops the build, WARNING is shown and recorded. ``stage``: what finds out: "check", "find",
    "image" or "publish". ``can_be_silenced``: whether a card may set it aside with a written reason; never where
    breaking it makes the card fail whatever its maker thinks.
    """

    name: str
    reason: str
    level: str = ERROR
    stage: str = "check"
    can_be_silenced: bool = False


def rule_of(function: Callable[..., Any], level: str = ERROR, *, can_be_silenced: bool = False) -> Rule:
    """Return the rule a function checks: its name with hyphens, and its docstring."""
    name = function.__name__.replace("_", "-")
    return Rule(name=name, reason=inspect.getdoc(function) or "", level=level, can_be_silenced=can_be_silenced)
