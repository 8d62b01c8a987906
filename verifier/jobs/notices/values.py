"""What a message may say, and who puts it into words.  Values alone."""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path
from typing import Protocol

from msgspec import Struct

from verifier.expected import Missed
from verifier.findings import Action
from verifier.hours import WorkingHours
from verifier.jobs.doubts import Doubt
from verifier.jobs.shift import Result
from verifier.ledger import Delivery, LedgerFinding, Notice, PlaceName


class Draft(Struct, frozen=True):
    """A message in words."""

    subject: str
    body: str


class Group(Struct, frozen=True):
    """Open findings that need the same of a person, on one mirror; the ``first`` few of them."""

    action: Action
    mirror: PlaceName
    total: int
    first: tuple[LedgerFinding, ...]


class Known(Struct, frozen=True):
    """Open findings that people were told of before, by what to do."""

    action: Action
    total: int


class WeekPlace(Struct, frozen=True):
    """What a week came to at one place, in bytes; ``oldest_read`` is in seconds since 1970.

    ``unread`` is what is new or changed and was not read since.
    """

    place: PlaceName
    read: int
    bytes: int
    unread: int
    oldest_read: int | None
    round_ends: float | None


class Week(Struct, frozen=True):
    """The last seven days."""

    shifts: int
    opened: int
    closed: int
    missed: int
    places: tuple[WeekPlace, ...]


class Facts(Struct, frozen=True):
    """All that a message after a shift may say.

    ``due`` is when the next message must be there; ``quiet`` says that a shift with nothing new
    sends none.  ``page`` is where the page stands, None where there is none of this shift.
    ``late`` are messages that wait for somebody, ``not_told`` whom messages did not reach.
    ``unread`` is what nobody has read yet as it is now and the next shifts will, ``doubts`` what
    else is not known of the copies beside all that the rest says.  ``in_part`` are places of which
    a budget lets not all be read, ``unreadable`` those of which something could not be, by an open
    or accepted finding; ``too_large`` says of how many files it does not cover even one.
    """

    studio: str
    hours: WorkingHours
    result: Result
    started: int
    ended: int
    news: tuple[Group, ...]
    known: tuple[Known, ...]
    accepted: int
    missed: Missed
    late: tuple[Delivery, ...]
    due: float | None
    quiet: bool
    page: Path | None
    attached: bool
    week: Week | None
    doubts: tuple[Doubt, ...] = ()
    unread: tuple[Doubt, ...] = ()
    not_told: tuple[Doubt, ...] = ()
    in_part: tuple[PlaceName, ...] = ()
    unreadable: tuple[PlaceName, ...] = ()
    too_large: tuple[tuple[PlaceName, int], ...] = ()


class Words(Protocol):
    """What is said.  ``due`` is when the next message must be there."""

    def after_shift(self, facts: Facts) -> Draft:
        """After a shift that came to an end of its own."""

    def looks_wrong(self, studio: str, notice: Notice, due: str) -> Draft:
        """A place looks unmounted or emptied, or surged."""

    def unreachable(self, studio: str, place: PlaceName, why: str, due: str) -> Draft:
        """A place cannot be reached any more."""

    def source_damaged(self, studio: str, groups: Iterable[Group], due: str) -> Draft:
        """Damage was found on a source."""

    def broken(self, studio: str, why: str, by_ledger: bool, due: str) -> Draft:
        """A shift could not go on."""

    def by_when(self, hours: WorkingHours, due: float | None) -> str:
        """A sentence that says from when on silence is a bad sign."""

    def test(self, studio: str, due: str) -> Draft:
        """A message that shows whether messages arrive."""
