"""By when the next message must be there, and which nights had none.  From the ledger alone."""

from __future__ import annotations

from collections.abc import Sequence

from verifier.expected import Missed, expected, expected_from
from verifier.jobs.missed import SHIFTS_LOOKED_AT
from verifier.jobs.recipients import all_of, recipients_of
from verifier.ledger import Ledger, MessageKind, Shift
from verifier.night import week_began, week_ends
from verifier.settings import Settings


def expected_by(
    settings: Settings, ledger: Ledger | None, now: float, *, summed_up: bool = False
) -> float | None:
    """When the next message must be there, if all is well; None when none is expected.

    Where each shift sends one, that is when the page of the next one must be there too.  Else it
    is with the weekly summary, which ``summed_up`` says has just been written.
    """
    notify, hours = settings.notify, settings.hours
    shifts = [] if ledger is None else ledger.shifts.latest(SHIFTS_LOOKED_AT)
    if notify.every_shift or notify.weekly is None:
        return expected(hours, shifts, now, notify.nights).by
    if not summed_up and weekly_is_due(settings, ledger, shifts, now):
        return expected(hours, shifts, now, notify.nights).by
    return expected_from(hours, week_ends(hours, now, notify.weekly), notify.nights)


def weekly_is_due(
    settings: Settings, ledger: Ledger | None, shifts: Sequence[Shift], now: float
) -> bool:
    """Whether the next message is to sum up a week: the first in it, and not the first of all."""
    weekday = settings.notify.weekly
    if weekday is None or ledger is None or not shifts:
        return False
    began = week_began(settings.hours, now, weekday)
    latest = ledger.messages.latest(MessageKind.WEEKLY, all_of(recipients_of(settings)))
    return shifts[0].started < began and (latest is None or latest < began)


def missed_by(
    settings: Settings, shifts: Sequence[Shift], now: float, *, running: bool = False
) -> Missed:
    """What did not happen as expected after the last shift that came to an end of its own."""
    nights = settings.notify.nights
    return expected(settings.hours, shifts, now, nights, running=running).lately
