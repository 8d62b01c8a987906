"""Ctrl-C and SIGTERM end a command within a second, even while the system does not answer.

Python runs a signal's handler only between its own steps, so that a call that hangs in a dead
mount would keep a signal waiting for as long as it hangs.  A thread is told of the signal by the
system itself, and ends the process when the main thread has not begun to stop by then.

Nor does an exception always get out of where a handler raises it: what Python calls by itself,
as it does while a module loads or an object is let go, has nobody who could catch it.  The same
thread then has the main thread interrupted again.
"""

from __future__ import annotations

import _thread
import os
import signal
import sys
import threading
import time
from functools import partial
from typing import TYPE_CHECKING, Final, NoReturn

from verifier import system

if TYPE_CHECKING:
    from sys import UnraisableHookArgs

PATIENCE: Final = 0.7
"""Seconds that the main thread gets to notice a signal."""

SENTENCE: Final = "Stopped before the work was done; nothing was left half-written."

_IN_VAIN: Final = 0
"""What the thread is told, among the numbers of signals, of an exception that did not get out."""

_TO_GET_OUT: Final = 0.02
"""Seconds that the main thread gets to be where an exception gets out."""

_noticed = False
"""A plain value: a lock could be held by the very step that a second signal interrupts."""


def heed_signals() -> None:
    """From now on Ctrl-C and SIGTERM raise KeyboardInterrupt in the main thread, or end it."""
    told, tell = os.pipe()
    os.set_blocking(tell, False)
    signal.set_wakeup_fd(tell, warn_on_full_buffer=False)
    sys.unraisablehook = partial(_did_not_get_out, tell)
    _listen()
    threading.Thread(
        target=_insist, args=(told, threading.get_ident()), name="stopping", daemon=True
    ).start()


def noticed() -> bool:
    """Whether somebody has asked this process to stop."""
    return _noticed


def end(status: int) -> NoReturn:
    """End the process, at once where Python would wait for what still runs.

    A reader may hang where nothing answers: after a signal, and at the bell as well.
    """
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    signal.signal(signal.SIGTERM, signal.SIG_IGN)
    if _noticed or _something_runs():
        for stream in (sys.stdout, sys.stderr):
            try:
                stream.flush()
            except OSError:
                status = 3
        os._exit(status)
    sys.exit(status)


def _something_runs() -> bool:
    """Whether a thread or a process is left that the end of Python would wait for."""
    if any(
        not each.daemon and each is not threading.current_thread() for each in threading.enumerate()
    ):
        return True
    processes = sys.modules.get("multiprocessing")
    return processes is not None and bool(processes.active_children())


def _listen() -> None:
    signal.signal(signal.SIGINT, _stop)
    signal.signal(signal.SIGTERM, _stop)


def _stop(number: int, frame: object) -> None:
    global _noticed
    if system.signal_waits(number):
        return
    # One is enough: a second Ctrl-C would only break into the tidying up after the first.
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    signal.signal(signal.SIGTERM, signal.SIG_IGN)
    _noticed = True
    raise KeyboardInterrupt


def _did_not_get_out(tell: int, what: UnraisableHookArgs) -> None:
    global _noticed
    if not issubclass(what.exc_type, KeyboardInterrupt):
        sys.__unraisablehook__(what)
        return
    while True:
        try:
            _noticed = False
            _listen()
            os.write(tell, bytes([_IN_VAIN]))
            return
        except KeyboardInterrupt:
            # The next one has come already, and would not get out of here either.
            continue


def _insist(told: int, main: int) -> None:
    while True:
        number = os.read(told, 1)[0]
        if number == _IN_VAIN:
            time.sleep(_TO_GET_OUT)
            _interrupt(main)
        elif number in (signal.SIGINT, signal.SIGTERM):
            threading.Thread(target=_end_unless_noticed, name="stopping", daemon=True).start()


def _interrupt(main: int) -> None:
    if sys.platform == "win32":
        _thread.interrupt_main()
    else:
        signal.pthread_kill(main, signal.SIGINT)


def _end_unless_noticed() -> None:
    time.sleep(PATIENCE)
    if not _noticed:
        # What has not been loaded has begun no file, and may be what hangs.
        if output := sys.modules.get("verifier.output"):
            output.discard_unfinished()
        os.write(2, f"{SENTENCE}\n".encode())
        os._exit(3)
