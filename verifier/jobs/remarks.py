"""What is remarked on a place on another machine before it is read."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import timedelta

from verifier.measures import duration
from verifier.places.base import Place, ReachedByLink, Remark


def clock_remarks(place: Place, slack: timedelta) -> Iterator[Remark]:
    """How far the clock of another machine is from this one's; good within the slack of dates.

    Nothing for a place of this machine.  Raises PlaceUnreachable.
    """
    if not isinstance(place, ReachedByLink):
        return
    ahead = place.clock_ahead()
    apart = "under a second" if abs(ahead) < 1 else duration(abs(ahead))
    if abs(ahead) <= max(slack.total_seconds(), 1.0):
        yield Remark("clock", True, f"The clock there and this machine's are {apart} apart.")
        return
    where = "ahead of" if ahead > 0 else "behind"
    yield Remark(
        "clock",
        False,
        f"The clock of {place.at} is {apart} {where} this machine's, more than dates may differ.",
        "Have both machines take the time from the same server: what is written there gets dates "
        "that are off by as much.",
    )
