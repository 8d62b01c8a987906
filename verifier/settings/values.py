"""The settings as frozen values, one for each section of the file.

They are made whole and never change.  Nothing here may read a file, check a rule or know TOML.
"""

from __future__ import annotations

from collections.abc import Sequence
from datetime import time, timedelta
from pathlib import Path
from typing import Final, TypeVar

from msgspec import Struct

from verifier.errors import RequestRefused
from verifier.hours import WorkingHours
from verifier.places.addresses import Address
from verifier.settings.quoting import did_you_mean
from verifier.settings.words import EngineKind, Rate


class Studio(Struct, frozen=True):
    """Who it is for, its time zone, and where the records and the pages go."""

    name: str
    timezone: str
    ledger: Path
    reports: Path


class Pace(Struct, frozen=True):
    """How fast reading may be.  None is as fast as the disks; ``yield_above`` is from 0 to 1."""

    at_most: Rate | None
    yield_above: float | None


class Engine(Struct, frozen=True):
    """Who reads: this machine, or the workers of the ``scheduler`` of a Dask cluster."""

    kind: EngineKind = EngineKind.LOCAL
    scheduler: str | None = None


THIS_MACHINE: Final = Engine()


class Mirror(Struct, frozen=True):
    """One copy of a share.

    ``read_at_most`` is what shifts may read of it in a calendar month; None is as much as they
    like where reading costs nothing, and nothing at all where it costs.
    """

    name: str
    at: Address
    off_site: bool
    read_at_most: Rate | None = None


class Share(Struct, frozen=True):
    """A tree that the studio works on, and its mirrors.

    ``mirror_runs`` is the wall-clock time at which the copy job starts each day, or None when
    copies are always due; ``mirror_takes`` is how long a run lasts at most.  ``surge_above`` is
    from 0 to 1.  ``read_at_most`` is of its source, as that of a mirror.
    """

    name: str
    source: Address
    mirrors: tuple[Mirror, ...]
    mirror_runs: time | None
    mirror_takes: timedelta
    ignore: tuple[str, ...]
    slack: timedelta
    surge_above: float
    read_at_most: Rate | None = None

    @property
    def slack_ns(self) -> int:
        """How far dates may differ, in nanoseconds, as file systems count them."""
        return round(self.slack.total_seconds() * 1e9)

    def mirror(self, name: str) -> Mirror:
        """The mirror of that name.  Raises RequestRefused."""
        return _named(name, self.mirrors, f'mirror of the share "{self.name}"')


class Audit(Struct, frozen=True):
    """On which nights (days on which they begin, 0 is Monday) every byte is read again."""

    nights: tuple[int, ...]
    every_byte_within: timedelta


class Clearance(Struct, frozen=True):
    """What must hold before a folder may leave the source; the source is not a copy."""

    copies: int
    off_site: int
    read_within: timedelta
    quiet_for: timedelta


class Notify(Struct, frozen=True):
    """Who is told, when, and how long that may take.

    The addresses hold ``${VARIABLE}`` as written; see `with_secrets`.  ``secrets`` is a file with
    their values.  ``weekly`` is the day of the weekly summary, 0 is Monday, None for never;
    ``nights`` are the days on which a night begins that a shift is expected in.
    """

    to: tuple[str, ...] = ()
    secrets: Path | None = None
    heartbeat: str | None = None
    every_shift: bool = True
    weekly: int | None = 0
    nights: tuple[int, ...] = (0, 1, 2, 3, 4, 5, 6)
    attach_page: bool = False
    wait_at_most: timedelta = timedelta(seconds=30)


class Settings(Struct, frozen=True):
    """Everything that the settings file says."""

    file: Path
    studio: Studio
    hours: WorkingHours
    pace: Pace
    shares: tuple[Share, ...]
    audit: Audit
    clearance: Clearance
    notify: Notify
    engine: Engine = THIS_MACHINE

    def share(self, name: str) -> Share:
        """The share of that name.  Raises RequestRefused."""
        return _named(name, self.shares, "share")


_Named = TypeVar("_Named", Share, Mirror)


def _named(name: str, among: Sequence[_Named], what: str) -> _Named:
    for each in among:
        if each.name == name:
            return each
    names = [each.name for each in among]
    known = ", ".join(names) or "none"
    raise RequestRefused(
        f'There is no {what} called "{name}"{did_you_mean(name, names)}; known: {known}.'
    )
