"""Ctrl-C and SIGTERM end a command within a second, even while the system does not answer.

Python runs a signal's handler only between its own steps, so that a call that hangs in a dead
mount would keep a signal waiting for as long as it hangs.  A thread is told of the signal by the
system itself, and ends the process when the main thread has not begun to stop by then.
"""

from __future__ import annotations

import os
import signal
import sys
import threading
import time
from typing import Final, NoReturn

from verifier import output, system

PATIENCE: Final = 0.7
"""Seconds that the main thread gets to notice a signal."""

SENTENCE: Final = "Stopped before the work was done; nothing was left half-written."

_noticed = False
"""A plain value: a lock could be held by the very step that a second signal interrupts."""


def heed_signals() -> None:
    """From now on Ctrl-C and SIGTERM raise KeyboardInterrupt in the main thread, or end it."""
    told, tell = os.pipe()
    os.set_blocking(tell, False)
    signal.set_wakeup_fd(tell, warn_on_full_buffer=False)
    signal.signal(signal.SIGINT, _stop)
    signal.signal(signal.SIGTERM, _stop)
    threading.Thread(target=_insist, args=(told,), name="stopping", daemon=True).start()


def noticed() -> bool:
    """Whether somebody has asked this process to stop."""
    return _noticed


def end(status: int) -> NoReturn:
    """End the process; after a signal at once, for a reader may hang where nothing answers."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    signal.signal(signal.SIGTERM, signal.SIG_IGN)
    if _noticed:
        for stream in (sys.stdout, sys.stderr):
            try:
                stream.flush()
            except OSError:
                status = 3
        os._exit(status)
    sys.exit(status)


def _stop(number: int, frame: object) -> None:
    global _noticed
    if system.signal_waits(number):
        return
    # One is enough: a second Ctrl-C would only break into the tidying up after the first.
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    signal.signal(signal.SIGTERM, signal.SIG_IGN)
    _noticed = True
    raise KeyboardInterrupt


def _insist(told: int) -> None:
    while os.read(told, 1)[0] not in (signal.SIGINT, signal.SIGTERM):
        pass
    time.sleep(PATIENCE)
    if not _noticed:
        output.discard_unfinished()
        os.write(2, f"{SENTENCE}\n".encode())
        os._exit(3)
