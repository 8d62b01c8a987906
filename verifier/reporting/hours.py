"""The open hours to come, as a document and in words."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import datetime, timedelta
from typing import TYPE_CHECKING

import msgspec
from msgspec import Struct

from verifier.hours import DAYS, Busy, Dates, Stretch, WorkingHours
from verifier.measures import duration

if TYPE_CHECKING:
    from verifier.settings import Settings

_MINUTE = 60


class Outlook(Struct, frozen=True):
    """What there is to say of some days to come.  ``next_change`` is None when it never does."""

    timezone: str
    hours: WorkingHours
    start: datetime
    days: int
    as_of_now: bool
    is_open: bool
    next_change: datetime | None
    open: tuple[Stretch, ...]


def outlook(settings: Settings, start: datetime, days: int, *, as_of_now: bool) -> Outlook:
    """The open hours from ``start`` to the same time of day ``days`` later.

    A ``start`` without an offset is on the studio's clock.  ``as_of_now`` is for the words only.
    """
    hours = settings.hours
    start = start.astimezone(hours.zone) if start.tzinfo else start.replace(tzinfo=hours.zone)
    # Whole seconds: a document's times have no fractions, and all hours begin at whole seconds.
    start = hours.local(int(start.timestamp()))
    change = hours.next_change(start)
    return Outlook(
        settings.studio.timezone,
        hours,
        start,
        days,
        as_of_now,
        hours.is_open(start),
        None if change is None else hours.local(change),
        tuple(hours.open_stretches(start, start + timedelta(days=days))),
    )


def document(found: Outlook) -> bytes:
    """The JSON document.  ``open_now`` and ``next_change`` are as of the time asked for."""
    return (
        msgspec.json.encode(
            {
                "schema": "verifier.hours.v1",
                "timezone": found.timezone,
                "open_now": found.is_open,
                "next_change": None if found.next_change is None else _stamp(found.next_change),
                "open": [
                    {
                        "from": _stamp(found.hours.local(each.start)),
                        "to": _stamp(found.hours.local(each.end)),
                    }
                    for each in found.open
                ],
            }
        )
        + b"\n"
    )


def _stamp(moment: datetime) -> str:
    return moment.isoformat(timespec="seconds")


def text(found: Outlook) -> Iterator[str]:
    """The same for people."""
    yield _headline(found)
    yield ""
    yield from _rules(found)
    yield ""
    days = "day" if found.days == 1 else f"{found.days} days"
    which = f"the {'next ' if found.as_of_now else ''}{days}"
    if not found.as_of_now:
        which += f" from {_day_and_time(found.start)}"
    if not found.open:
        yield f"Nothing may be read in {which}."
        return
    yield f"Open in {which}: {_length(sum(each.seconds for each in found.open))}"
    yield from (_line(found, each) for each in found.open)


def _line(found: Outlook, stretch: Stretch) -> str:
    begin, end = found.hours.local(stretch.start), found.hours.local(stretch.end)
    remarks = [_length(stretch.seconds)]
    if begin.utcoffset() != end.utcoffset():
        remarks.append("clocks change")
    if found.hours.is_open(stretch.end):
        remarks.append("and on")
    return f"  {_day_and_time(begin)}  until  {_day_and_time(end)}  ({', '.join(remarks)})"


def _headline(found: Outlook) -> str:
    when = "Now" if found.as_of_now else f"On {_day_and_time(found.start)}"
    state = (
        "open: reading is allowed"
        if found.is_open
        else "closed: people are at work, or about to be"
    )
    if found.next_change is None:
        return f"{when} it is {state}. That never changes."
    verb = "closes" if found.is_open else "opens"
    wait = _length(found.next_change.timestamp() - found.start.timestamp())
    return f"{when} it is {state}. It {verb} on {_day_and_time(found.next_change)}, in {wait}."


def _rules(found: Outlook) -> Iterator[str]:
    """The settings that led to it: the weekly hours, and the exceptions in these days."""
    hours = found.hours
    yield f"Time zone:     {found.timezone}"
    yield f"Working hours: {', '.join(map(str, hours.working)) or 'none'}"
    if hours.margin:
        yield f"Margin:        still from {duration(hours.margin)} before work starts"
    shown = Dates(found.start.date(), found.start.date() + timedelta(days=found.days))
    off = [each for each in hours.days_off if each.overlaps(shown)]
    if off:
        yield f"Days off:      {', '.join(map(str, off))}"
    for period in hours.busy:
        if period.dates.overlaps(shown):
            yield f"Busy:          {_busy(period)}"


def _busy(period: Busy) -> str:
    return f"{period.dates} with {', '.join(map(str, period.working))} instead"


def _day_and_time(moment: datetime) -> str:
    return f"{DAYS[moment.weekday()]} {moment:%Y-%m-%d %H:%M}"


def _length(seconds: float) -> str:
    """Hours and minutes, also of many hours: that is how people plan a night."""
    if seconds < _MINUTE:
        return duration(seconds)
    hours, minutes = divmod(round(seconds) // _MINUTE, 60)
    parts = [f"{hours} h"] if hours else []
    return " ".join([*parts, f"{minutes} min"] if minutes else parts)
