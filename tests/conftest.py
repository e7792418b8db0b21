"""Properties are held without an eye on the clock: the machine that runs them may be busy."""

from __future__ import annotations

import os
import signal

from hypothesis import HealthCheck, settings

settings.register_profile(
    "calm",
    deadline=None,
    derandomize="CI" in os.environ,  # elsewhere, every run tries new cases
    database=None,
    suppress_health_check=[HealthCheck.too_slow],
)
settings.load_profile("calm")

os.environ.pop("CARDKILN_STORE", None)  # no test takes from or gives to a store of the user's own

if signal.getsignal(signal.SIGINT) is signal.SIG_IGN:  # as a shell starts what runs in the background
    signal.signal(signal.SIGINT, signal.default_int_handler)
