"""What a build meets on a machine and must not let into its bytes, with other values than the present ones."""

from __future__ import annotations

import os
import shutil
import site
from collections.abc import Collection, Mapping

CLOCK = "2031-07-06 05:04:03"

ENVIRONMENT: Mapping[str, Mapping[str, tuple[str, str]]] = {
    "zone": {"TZ": ("Pacific/Kiritimati", "America/St_Johns")},
    "language": {"LANG": ("tr_TR.UTF-8", "ja_JP.UTF-8"), "LC_ALL": ("C", "tr_TR.UTF-8")},
    "home": dict.fromkeys(("HOME", "USERPROFILE"), ("/nonexistent", "/nowhere")),
    "user": dict.fromkeys(("USER", "LOGNAME", "USERNAME"), ("somebody", "nobody")),
    "hash seed": {"PYTHONHASHSEED": ("4242", "17")},
    "terminal": {"COLUMNS": ("40", "200")},
}
"""Variables by what they say, each with a value and a second one for a machine that has the first.

A zone ahead of all others, and one half an hour off; a language in which "i" and "I" are no pair.
"""


def conditions() -> tuple[str, ...]:
    """Return the names of all conditions that can be varied on this machine; the folder always is."""
    umask = ("umask",) if os.name == "posix" else ()
    clock = ("clock",) if shutil.which("faketime") else ()
    return (*ENVIRONMENT, *umask, *clock, "order of files", "workers", "form of sources")


def environment(varied: Collection[str]) -> dict[str, str]:
    """Return the environment of a build; nothing of our own is in it, so that nothing is taken from a store.

    What is not varied is as it is, but for the hash seed, which chance would give.
    """
    kept = {name: value for name, value in os.environ.items() if not name.startswith("CARDKILN_")}
    fixed = {"PYTHONHASHSEED": "0", "PYTHONDONTWRITEBYTECODE": "1", "PYTHONUSERBASE": site.getuserbase()}
    changed = {
        name: second if os.environ.get(name) == first else first
        for condition in varied
        for name, (first, second) in ENVIRONMENT.get(condition, {}).items()
    }
    return {**kept, **fixed, **changed}


def clock(words: list[str], varied: Collection[str]) -> list[str]:
    """Return a command line that is run at another time, where that is to be varied."""
    return ["faketime", CLOCK, *words] if "clock" in varied else words


def umask(varied: Collection[str]) -> int:
    """Return the umask of a build, -1 for the present one."""
    return 0o077 if "umask" in varied else -1


def workers(varied: Collection[str]) -> int:
    """Return how many processors a build is told there are."""
    processors = os.cpu_count() or 1
    if "workers" not in varied:
        return processors
    return 1 if processors > 1 else 3
