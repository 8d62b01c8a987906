"""A clock that is handed to a command: what Python imports first, by PYTHONPATH.

``TEST_CLOCK_AHEAD`` is by how many seconds the command's clock is ahead of the machine's.  It
goes on from there, in forked and in new processes alike.  File systems keep the machine's clock.
"""

import os
import time

if "TEST_CLOCK_AHEAD" in os.environ:
    _AHEAD_NS = round(float(os.environ["TEST_CLOCK_AHEAD"]) * 1e9)
    _time_ns = time.time_ns

    def _shifted_ns() -> int:
        return _time_ns() + _AHEAD_NS

    def _shifted() -> float:
        return _shifted_ns() / 1e9

    time.time, time.time_ns = _shifted, _shifted_ns
