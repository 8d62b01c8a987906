"""The settings and the machine: clock, time zone, user and open hours."""

from __future__ import annotations

import getpass
import os
import sys
import time
from datetime import UTC, datetime
from typing import Final

from verifier import forecast
from verifier.hours import DAYS, WorkingHours
from verifier.jobs.preflight.checks import Check, State
from verifier.measures import count, duration
from verifier.model import printable
from verifier.settings import Settings

RELEASED: Final = datetime(2026, 1, 1, tzinfo=UTC)
"""The year of this program: a clock that shows an earlier one is wrong."""

WEEKS_AHEAD: Final = 4
_WEEK: Final = 7 * 86_400


def settings_read(found: Settings) -> Check:
    """That the settings were read, and which shares they name."""
    shares = found.shares
    named = ", ".join(
        f"{share.name} with {count(len(share.mirrors), 'mirror')}" for share in shares
    )
    file = printable(os.fsencode(os.path.abspath(found.file)))
    return Check("settings", State.GOOD, f"{file} was read: {named or 'no shares'}.")


def clock(hours: WorkingHours, at: float) -> Check:
    """Whether the clock can be right at all."""
    shown = when(hours, at)
    if at < RELEASED.timestamp():
        return Check(
            "clock",
            State.WRONG,
            f"This machine's clock shows {shown}, which is long over.",
            "Set the clock; without it working hours cannot be kept.",
        )
    return Check("clock", State.GOOD, f"It is {shown} in the studio's time zone.")


def time_zone(found: Settings, at: float) -> Check:
    """The settings' zone beside the machine's own, over the coming year."""
    zone = found.studio.timezone
    weeks = [at + week * _WEEK for week in range(53)]
    if all(_system_offset(each) == _offset(found.hours, each) for each in weeks):
        return Check("timezone", State.GOOD, f"{zone}; this machine's clock runs alike.")
    here = datetime.fromtimestamp(at).astimezone()
    return Check(
        "timezone",
        State.LOOK,
        f"The settings say {zone}, and this machine's own clock shows {here:%H:%M} "
        f"({here.tzname()}). The settings count.",
        f"Nothing, if the studio's people live by {zone}; else change studio.timezone.",
    )


def _offset(hours: WorkingHours, instant: float) -> int:
    offset = hours.local(instant).utcoffset()
    assert offset is not None
    return round(offset.total_seconds())


def user() -> Check:
    """Who runs this; root can write everywhere."""
    if _is_root():
        return Check(
            "user",
            State.LOOK,
            "This runs as root, which can write everywhere.",
            "Run it as an account of its own that can read the shares and not write them.",
        )
    return Check("user", State.GOOD, f"This runs as {who_runs_it()}.")


def open_hours(hours: WorkingHours, start: float) -> Check:
    """Whether it is open, and how much will be in the coming weeks."""
    if not hours.working and not hours.busy:
        return Check(
            "hours",
            State.LOOK,
            "No working hours are set, so that reading is allowed at any time.",
            "Nothing, if nobody minds; else set hours.working.",
        )
    change = hours.next_change(start)
    until = f"until {when(hours, change)}" if change is not None else "for ever"
    is_open = hours.is_open(start)
    state = "Open now: reading is allowed" if is_open else "Closed now: nothing is read"
    a_week = forecast.hours_a_week(hours, start, WEEKS_AHEAD * _WEEK)
    longest = forecast.longest(hours, start, WEEKS_AHEAD)
    detail = f"{state} {until}. In the coming {WEEKS_AHEAD} weeks "
    if longest is None:
        advice = "Wait until these weeks are over, or set fewer busy days."
        return Check("hours", State.LOOK, f"{detail}no hour is open.", advice)
    on_end = hours_in_words(longest.seconds / 3600)
    detail += f"{a_week:.0f} h a week are open, at most {on_end} on end."
    return Check("hours", State.GOOD, detail)


def when(hours: WorkingHours, instant: float) -> str:
    """A moment on the studio's clock, for people."""
    moment = hours.local(instant)
    return f"{DAYS[moment.weekday()]} {moment:%Y-%m-%d %H:%M}"


def who_runs_it() -> str:
    """The user's name, or number where there is no name."""
    try:
        return getpass.getuser()
    except (OSError, KeyError, ImportError):
        return f"user {os.getuid()}" if sys.platform != "win32" else "an unnamed user"


def _is_root() -> bool:
    return sys.platform != "win32" and os.geteuid() == 0


def _system_offset(instant: float) -> int:
    return time.localtime(instant).tm_gmtoff


def hours_in_words(number: float) -> str:
    """Hours of a week, as exactly as a person plans."""
    if number >= 10:
        return f"{number:.0f} h"
    return duration(number * 3600) if number * 60 >= 1 else "under a minute"
