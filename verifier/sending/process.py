"""The caller's side: starts the process, waits for it only when asked to, and ends it in time."""

from __future__ import annotations

import subprocess
import sys
import threading
from importlib.util import find_spec
from pathlib import Path
from typing import Final

import msgspec

import verifier
from verifier.errors import RequestRefused
from verifier.sending.values import HEARTBEAT, Answer, Errand

_GRACE: Final = 2.0
"""Seconds beyond its time in which the process may start, and end by itself."""

_HEARTBEAT_PART: Final = 0.5
"""Part of the time that the heartbeat may take on top."""

NO_ANSWER: Final = "it did not answer in time"
NOT_STARTED: Final = "the process that sends could not be started"

_decode: Final = msgspec.json.Decoder(Answer).decode


def refuse_without_library() -> None:
    """Raises RequestRefused, which says how to install it, where the library is missing."""
    try:
        found = find_spec("apprise") is not None
    except ImportError:
        found = False
    if not found:
        raise RequestRefused(
            'Messages need the extra "notify", which is not installed. Install it with: '
            "pip install 'copy-verifier[notify]'"
        )


def longest(seconds: float, heartbeat: bool) -> float:
    """The seconds after which a process that has ``seconds`` is ended, whatever it does."""
    return seconds * (1 + _HEARTBEAT_PART * heartbeat) + _GRACE


class Sending:
    """An errand under way."""

    def __init__(self, errand: Errand) -> None:
        self._errand = errand
        self._answers: list[Answer] = []
        self._process: subprocess.Popen[bytes] | None = None
        self._failed = NO_ANSWER
        self._ended = False
        try:
            # A session of its own: Ctrl-C is for the caller, who ends this process itself.  Its
            # folder is ours, since Python looks for modules in the one that it starts in.
            self._process = subprocess.Popen(
                [sys.executable, "-m", "verifier.sending.child"],
                stdin=subprocess.PIPE,
                stdout=subprocess.PIPE,
                stderr=subprocess.DEVNULL,
                cwd=Path(verifier.__file__).parents[1],
                start_new_session=True,
            )
        except OSError:
            self._failed = NOT_STARTED
        self._thread = threading.Thread(target=self._talk, name="sending", daemon=True)
        self._thread.start()

    @property
    def is_over(self) -> bool:
        """Whether all answers are there, or there will be no more."""
        return not self._thread.is_alive()

    def answers(self) -> list[Answer]:
        """What became of each letter; waits for it, at most as long as the errand may take."""
        self._thread.join()
        said = {(each.destination, each.letter): each for each in self._answers}
        wanted = [
            (each.number, letter.number)
            for each in self._errand.destinations
            for letter in each.letters
        ]
        if self._errand.heartbeat is not None:
            wanted.append((HEARTBEAT, HEARTBEAT))
        return [said.get(each) or Answer(*each, self._failed) for each in wanted]

    def end(self) -> None:
        """End it now, whatever it was about to do."""
        self._ended = True
        if self._process is not None:
            self._process.kill()
            self._thread.join()

    def _talk(self) -> None:
        process = self._process
        if process is None:
            return
        written = msgspec.json.encode(self._errand)
        try:
            out, _ = process.communicate(
                written, longest(self._errand.seconds, self._errand.heartbeat is not None)
            )
        except subprocess.TimeoutExpired:
            process.kill()
            out, _ = process.communicate()
        for line in out.splitlines():
            try:
                self._answers.append(_decode(line))
            except msgspec.DecodeError:
                continue  # its last line, cut off
