"""Values as TOML text. Source: TOML 1.0.0 (https://toml.io/en/v1.0.0), "Keys", "String", "Array", "Inline Table"."""

from __future__ import annotations

import json
import re
from collections.abc import Mapping, Sequence
from typing import Any

BARE = re.compile("[A-Za-z0-9_-]+")


def toml_text(text: str) -> str:
    """Return text as a basic string; what JSON escapes, TOML escapes alike, and DEL besides."""
    return json.dumps(text, ensure_ascii=False).replace("\x7f", "\\u007f")


def toml_key(parts: Sequence[str]) -> str:
    """Return a key of one part or a dotted one."""
    return ".".join(part if BARE.fullmatch(part) else toml_text(part) for part in parts)


def pair(key: str, value: Any) -> str:
    """Return a line ``key = value``."""
    return f"{toml_key([key])} = {toml_value(value)}"


def toml_value(value: Any) -> str:
    """Return text, a number, a truth value, or a list or table of them, on one line."""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, str):
        return toml_text(value)
    if isinstance(value, Mapping):
        pairs = [f"{toml_key([name])} = {toml_value(inner)}" for name, inner in value.items()]
        return f"{{ {', '.join(pairs)} }}" if pairs else "{}"
    if isinstance(value, list | tuple):
        return f"[{', '.join(map(toml_value, value))}]"
    return str(value)
