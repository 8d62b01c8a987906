"""What preflight says: checks, a line each, and how long a first reading will take."""

from __future__ import annotations

from datetime import datetime
from enum import StrEnum

from msgspec import Struct

from verifier.errors import VerifierError
from verifier.ledger import PlaceName


class State(StrEnum):
    """What a check came to: look is for a person to decide, and fails nothing."""

    GOOD = "good"
    LOOK = "look"
    WRONG = "wrong"


class Check(Struct, frozen=True, omit_defaults=True):
    """One line: what was checked, what it came to, and what to do when it is not good."""

    check: str
    state: State
    detail: str
    advice: str | None = None
    share: str | None = None
    place: str | None = None


class FirstRead(Struct, frozen=True):
    """How long reading everything once will take.  ``ends`` is None when not within ten years.

    ``bytes_per_second`` is of all places together.  ``complete`` is False when not everything
    could be listed or measured, so that it will take longer than is said.  ``besides`` are places
    that are no part of it, since no shift reads all of them.
    """

    bytes: int
    bytes_per_second: float
    seconds: float
    ends: datetime | None
    complete: bool
    besides: tuple[PlaceName, ...] = ()


class Report(Struct, frozen=True):
    """All of it."""

    checks: tuple[Check, ...]
    first_read: FirstRead | None

    def number(self, state: State) -> int:
        """How many checks came to that."""
        return sum(check.state is state for check in self.checks)

    @property
    def exit_status(self) -> int:
        """0 when nothing is wrong, else 3."""
        return 3 if self.number(State.WRONG) else 0


def refused(check: str, error: VerifierError) -> Check:
    """The check that an error failed."""
    return Check(check, State.WRONG, *in_two(str(error)))


def in_two(sentence: str) -> tuple[str, str | None]:
    """A sentence of the errors' family: what is wrong, and what to do."""
    what, dot, advice = sentence.rpartition(". ")
    return (f"{what}.", advice) if dot else (sentence, None)
