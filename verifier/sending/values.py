"""What is given to the process that sends, and what it answers; both as JSON."""

from __future__ import annotations

from typing import Final

from msgspec import Struct

HEARTBEAT: Final = -1
"""The destination that an answer about the heartbeat names."""


NOT_CALLED: Final = "it was not called, since the message reached nobody"
"""Why a heartbeat was not heard that nothing is wrong with."""


class Letter(Struct, frozen=True):
    """One message.  ``number`` comes back with the answer; ``attach`` is a file's path."""

    number: int
    subject: str
    body: str
    attach: str | None = None


class Destination(Struct, frozen=True):
    """Where letters go, in their order.  ``address`` has its secrets filled in."""

    number: int
    address: str
    letters: tuple[Letter, ...]


class Errand(Struct, frozen=True):
    """All that one process is to send, and the seconds that it has for it.

    ``heartbeat`` is called afterwards, and where ``needs`` names a letter, only if that one
    reached somebody.
    """

    seconds: float
    destinations: tuple[Destination, ...] = ()
    heartbeat: str | None = None
    needs: int | None = None


class Answer(Struct, frozen=True):
    """What became of one letter at one destination; ``failed`` is None when it was taken."""

    destination: int
    letter: int
    failed: str | None
