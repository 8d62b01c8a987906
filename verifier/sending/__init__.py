"""Messages on their way: given to a process of its own, which is ended when its time is up.

No mail server, however slow, can then hold up a shift, nor can what a library does in it: no
thread, no memory and no log of its own stays behind.  Callers import from here; only `child` knows
the library that speaks to mail servers and services.

Addresses come with their secrets filled in.  It must never print, log or return one: what went
wrong is said in this module's own words, never in those of a server or a library.
"""

from __future__ import annotations

from verifier.sending.process import Sending, refuse_without_library
from verifier.sending.values import HEARTBEAT, NOT_CALLED, Answer, Destination, Errand, Letter

__all__ = [
    "HEARTBEAT",
    "NOT_CALLED",
    "Answer",
    "Destination",
    "Errand",
    "Letter",
    "Sending",
    "refuse_without_library",
]
