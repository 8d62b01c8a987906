"""What preflight found, as a document and in words."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import datetime
from typing import TYPE_CHECKING

import msgspec

from verifier.hours import DAYS
from verifier.measures import amount, count, duration, listing

if TYPE_CHECKING:
    from verifier.jobs.preflight import Check, FirstRead, Report

_INDENT = " " * 7


def document(report: Report) -> bytes:
    """The JSON document."""
    first = report.first_read
    return (
        msgspec.json.encode(
            {
                "schema": "verifier.preflight.v1",
                "checks": report.checks,
                "first_read": first
                and {
                    "bytes": first.bytes,
                    "bytes_per_second": round(first.bytes_per_second),
                    "ends": first.ends and first.ends.isoformat(timespec="seconds"),
                },
            }
        )
        + b"\n"
    )


def line(check: Check) -> Iterator[str]:
    """One check for people: its state, what it is about, and what to do when it is not good."""
    about = check.check if check.share is None else f"{check.share}, {check.place}"
    yield f"{check.state:<7}{about}: {check.detail}"
    if check.advice is not None and check.state != "good":
        yield f"{_INDENT}What to do: {check.advice}"


def ending(report: Report) -> Iterator[str]:
    """What follows the checks: how long the first reading takes, and the whole in a sentence."""
    yield ""
    if report.first_read is not None:
        yield from _first_read(report.first_read)
        yield ""
    yield _summary(report)


def _first_read(first: FirstRead) -> Iterator[str]:
    at_least = "" if first.complete else "at least "
    where = "in all places,"
    if first.besides:
        named = listing(f"{each.share} on {each.place}" for each in first.besides)
        where = f"in all places but {named}, of which shifts do not read all,"
    yield (
        f"Reading everything once: {at_least}{amount(first.bytes)} {where} at "
        f"{amount(round(first.bytes_per_second))}/s together, takes "
        f"{at_least}{duration(first.seconds)}."
    )
    if first.ends is None:
        yield "In the hours that are open it would not end within ten years."
    else:
        yield f"Begun now, in open hours only, it would end on {_when(first.ends)}."


def _when(moment: datetime) -> str:
    return f"{DAYS[moment.weekday()]} {moment:%Y-%m-%d %H:%M}"


def _summary(report: Report) -> str:
    by_state = {
        state: sum(each.state == state for each in report.checks) for state in ("look", "wrong")
    }
    looks, wrongs = by_state["look"], by_state["wrong"]
    if wrongs:
        also = f", {looks} more to look at" if looks else ""
        verb = "is" if wrongs == 1 else "are"
        return f"Not ready: {count(wrongs, 'thing')} {verb} wrong{also}."
    if looks:
        return f"Ready. {count(looks, 'thing')} to look at."
    return "Ready. All good."
