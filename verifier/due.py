"""Whether a copy is due: the mirror job has had its chance at a file.  Pure."""

from __future__ import annotations

import math
from datetime import UTC, datetime, time, timedelta, tzinfo

from verifier.ledger.values import Known

ALWAYS_DUE: float = math.inf
"""The start of a run that everything was there before."""

NEVER_DUE: float = -math.inf
"""No run has finished yet."""

_NANOSECONDS = 1_000_000_000


def latest_run(runs: time | None, takes: timedelta, zone: tzinfo, now: float) -> float:
    """When the latest mirror run that has finished by ``now`` started, in seconds since 1970.

    ``runs`` is the studio's wall-clock time at which it starts every day, ``takes`` how long it
    lasts at most.  `ALWAYS_DUE` without any times.  A wall time that a clock change leaves out is
    taken an hour later, one that comes twice the first time.
    """
    if runs is None:
        return ALWAYS_DUE
    day = datetime.fromtimestamp(now, zone).date() + timedelta(days=1)
    for _ in range(2 + math.ceil(takes / timedelta(days=1)) + 1):
        started = datetime.combine(day, runs, zone).astimezone(UTC).timestamp()
        if started + takes.total_seconds() <= now:
            return started
        day -= timedelta(days=1)
    return NEVER_DUE


def next_run_ends(runs: time | None, takes: timedelta, zone: tzinfo, now: float) -> float | None:
    """When the next mirror run to finish after ``now`` will have, or None without any times."""
    if runs is None:
        return None
    day = datetime.fromtimestamp(now, zone).date() - timedelta(
        days=1 + math.ceil(takes / timedelta(days=1))
    )
    while True:
        started = datetime.combine(day, runs, zone).astimezone(UTC).timestamp()
        if started + takes.total_seconds() > now:
            return started + takes.total_seconds()
        day += timedelta(days=1)


def is_due(source: Known | None, run_started: float) -> bool:
    """True when the source's file was first seen, and last changed, before ``run_started``.

    Its own date may be an old one that a copy brought along, so that the time of its last change
    of any kind counts where the file system keeps one, else that of the walk which saw the
    change.  A time that lies after that walk is no time of a change.
    """
    if source is None or run_started == ALWAYS_DUE:
        return True
    seen = source.changed_or_first_seen
    written = source.sighting.mtime_ns / _NANOSECONDS
    touched = source.sighting.ctime_ns / _NANOSECONDS
    changed = touched if 0 < touched <= seen else seen
    return source.first_seen < run_started and all(
        each < run_started for each in (changed, written) if each <= seen
    )
