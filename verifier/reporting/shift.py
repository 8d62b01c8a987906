"""A shift's document and its words: what was read, what is left, what needs a person."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from datetime import datetime, tzinfo
from typing import Any

import msgspec

from verifier.jobs.plan import Plan, in_words
from verifier.jobs.shift import Result, StoppedBy
from verifier.jobs.spending import Budget
from verifier.ledger import LedgerFinding
from verifier.measures import amount, count
from verifier.reporting import documents, findings

SCHEMA = "verifier.shift.v1"

_ENDED = {
    StoppedBy.DONE: "Everything that was due has been read",
    StoppedBy.WORKING_HOURS: "Working hours are near, so reading stopped",
    StoppedBy.UNTIL: "The time asked for is up, so reading stopped",
    StoppedBy.SIGNAL: "The shift was stopped",
    StoppedBy.TROUBLE: "The shift could not reach all that it should have read",
}


def document(
    result: Result, found: Iterable[LedgerFinding], known: findings.AsOf, zone: tzinfo
) -> Iterator[bytes]:
    """The JSON document, in pieces."""
    head = {
        "schema": SCHEMA,
        "shift": result.number,
        "stopped_by": result.stopped_by,
        "files_read": result.files_read,
        "read_bytes": result.read_bytes,
        "left": {"files": result.left.files, "bytes": result.left.bytes},
    }
    tail: dict[str, Any] = {}
    if result.notices:
        tail["notices"] = [documents.notice(each, zone) for each in result.notices]
    if result.unreachable:
        tail["unreachable"] = [
            {"share": place.share, "place": place.place, "detail": detail}
            for place, detail in result.unreachable
        ]
    if known.not_reached:
        tail["not_reached"] = findings.not_reached_places(known, zone)
    if known.empty:
        tail["empty"] = findings.places_in(known.empty)
    if result.budgets:
        tail["budgets"] = [documents.budget(each) for each in result.budgets]
    yield from documents.with_findings(
        head, (documents.ledger_finding(each, zone) for each in found), tail
    )


def text(
    result: Result,
    lasting: Iterable[LedgerFinding],
    known: findings.AsOf,
    zone: tzinfo,
) -> Iterator[str]:
    """What a person is told: first how the shift ended, then what needs somebody."""
    read = f"{count(result.files_read, 'file')} read, {amount(result.read_bytes)}"
    left = "nothing is left"
    if result.left.files:
        left = f"{count(result.left.files, 'file')} of {amount(result.left.bytes)} left"
        if known.not_reached:
            left = f"at least {left}"
    elif known.not_reached:
        left = "how much is left is not known yet"
    if result.stopped_by == StoppedBy.TROUBLE:
        left = f"of what could be reached, {left}"
    ended = _ENDED[result.stopped_by]
    if result.left.files and result.stopped_by == StoppedBy.DONE:
        ended = "Everything that could be read by now has been read"
        if result.budgets:
            ended = "Everything that was due and can be afforded this month has been read"
    yield f"{ended}: {read}; {left}."
    for budget in result.budgets:
        yield budget_in_words(budget)
    yield from findings.text(lasting, known, zone)


def budget_in_words(each: Budget) -> str:
    """What may be, and was, read of a place where that costs or is limited."""
    if each.limit is None:
        return (
            f"{each.place}: only listed, since reading costs; {amount(each.spent)} were read of "
            f"it by hand in {each.month}."
        )
    return (
        f"{each.place}: {amount(each.spent)} of {amount(each.limit)} read in {each.month}, "
        f"{amount(each.left)} left."
    )


def _whole(document: dict[str, Any]) -> Iterator[bytes]:
    yield msgspec.json.encode(document) + b"\n"


def plan_document(plan: Plan, zone: tzinfo) -> Iterator[bytes]:
    """What a shift would do, as JSON."""
    yield from _whole(
        {
            "schema": "verifier.plan.v1",
            "starts": documents.stamp(plan.starts, zone),
            "bell": None if plan.bell is None else documents.stamp(plan.bell, zone),
            "ends": None if plan.ends is None else documents.stamp(plan.ends, zone),
            "places": [
                {
                    "share": each.place.share,
                    "place": each.place.place,
                    "new": {"files": each.new.files, "bytes": each.new.bytes},
                    "audit": {"files": each.audit.files, "bytes": each.audit.bytes},
                    "bytes_per_second": each.bytes_per_second,
                    "walked": None if each.walked is None else documents.stamp(each.walked, zone),
                }
                for each in plan.places
            ],
        }
    )


def plan_text(plan: Plan, zone: tzinfo) -> Iterator[str]:
    """What a shift would do, for people."""
    said, places = in_words(plan)
    until = "" if plan.bell is None else f", and would stop at {_when(plan.bell, zone)}"
    yield f"A shift would begin at {_when(plan.starts, zone)}{until}."
    end = "when that would end is not known before a first shift has read something"
    if plan.ends is not None:
        end = f"it would be done at {_when(plan.ends, zone)}"
        if plan.bell is not None and plan.ends > plan.bell:
            end += ", in a later shift"
    yield f"{said}; {end}."
    for each, words in zip(plan.places, places, strict=True):
        yield f"  {each.place}: {words}"


def _when(at: float, zone: tzinfo) -> str:
    return f"{datetime.fromtimestamp(at, zone):%Y-%m-%d %H:%M}"
