"""Nights without a shift, in a sentence.  It reads no clock and no ledger."""

from __future__ import annotations

from datetime import datetime, tzinfo

from verifier.expected import Missed
from verifier.hours import DAYS
from verifier.measures import count


def no_shift_since(missed: Missed, zone: tzinfo) -> str | None:
    """That nothing checks any more, and since when; None where the last night had its shift."""
    if missed.since is None:
        return None
    nights = count(missed.nights_since, "night")
    return (
        f"No shift has run since {_when(missed.since, zone)}, though one was expected in {nights} "
        "since: nothing checks the copies any more, and what is known of them is as it was then. "
        "To see why, run `verifier preflight`."
    )


def none_had_run_since(missed: Missed, zone: tzinfo) -> str | None:
    """The same for the shift that came after all."""
    return None if missed.since is None else f"None had run since {_when(missed.since, zone)}."


def _when(at: float, zone: tzinfo) -> str:
    moment = datetime.fromtimestamp(int(at), zone)
    return f"{DAYS[moment.weekday()]} {moment:%Y-%m-%d %H:%M}"
