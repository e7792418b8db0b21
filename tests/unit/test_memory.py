from __future__ import annotations

import subprocess
import sys
from mmap import PAGESIZE

import pytest

from pipeline.memory import freed_memory_kept

FAULTS = """
import resource
from contextlib import nullcontext
from pipeline.memory import freed_memory_kept

def faults(around):
    before = resource.getrusage(resource.RUSAGE_SELF).ru_minflt
    with around:
        for _ in range(50):
            chips = [bytes([number]) * (256 << 10) for number in range(10)]
            rom = b"".join(chips)
            del chips, rom
    return resource.getrusage(resource.RUSAGE_SELF).ru_minflt - before

print(faults(nullcontext()), faults(freed_memory_kept()))
"""


@pytest.mark.skipif(sys.platform != "linux", reason="other systems keep memory as they like")
def test_memory_that_is_needed_over_and_over_is_asked_of_the_system_once() -> None:
    # 5 MiB are 1,280 pages, each a fault when it is handed out (getrusage(2), ru_minflt)
    done = subprocess.run([sys.executable, "-c", FAULTS], capture_output=True, text=True, check=True)
    without, kept = map(int, done.stdout.split())
    pages = (5 << 20) // PAGESIZE
    assert kept < 3 * pages
    assert without > kept


def test_what_goes_wrong_meanwhile_is_raised() -> None:
    with pytest.raises(ValueError, match="so it went"), freed_memory_kept():
        raise ValueError("so it went")
