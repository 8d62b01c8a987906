"""Who is told, and what could not be delivered, as a document and in words."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from datetime import tzinfo
from typing import Any, Final

import msgspec

from verifier.hours import DAYS, WorkingHours
from verifier.jobs.notices import Outcome
from verifier.ledger import Delivery, DeliveryState
from verifier.measures import count
from verifier.reporting import documents
from verifier.reporting.message import WORDS
from verifier.reporting.text import wrapped

SCHEMA: Final = "verifier.notify.v1"


def test_document(outcomes: Iterable[Outcome]) -> Iterator[bytes]:
    """What became of a test, as JSON."""
    yield from _whole(
        {
            "schema": SCHEMA,
            "test": [
                {"label": each.label, "delivered": each.failed is None, "detail": each.failed}
                for each in outcomes
            ],
        }
    )


def test_text(outcomes: Iterable[Outcome], heartbeat: bool) -> Iterator[str]:
    """What became of a test, a line for each address."""
    for each in outcomes:
        said = "taken" if each.failed is None else f"not delivered: {each.failed}"
        yield f"{each.label}: {said}."
    yield "Taken is what its server said. Look there whether it has come."
    if heartbeat:
        yield "The heartbeat was not called: only a shift that ended in order does that."


def document(
    labels: Sequence[str], due: float | None, late: Iterable[Delivery], zone: tzinfo
) -> Iterator[bytes]:
    """Who is told, and what is not delivered, as JSON."""
    yield from _whole(
        {
            "schema": SCHEMA,
            "to": list(labels),
            "next_by": None if due is None else documents.stamp(due, zone),
            "undelivered": [
                {
                    "label": each.label,
                    "kind": each.kind,
                    "subject": each.subject,
                    "written": documents.stamp(each.written_at, zone),
                    "state": each.state,
                    "tries": each.tries,
                    "tried": None
                    if each.tried_at is None
                    else documents.stamp(each.tried_at, zone),
                    "detail": each.said,
                }
                for each in late
            ],
        }
    )


def text(
    labels: Sequence[str], due: float | None, late: Sequence[Delivery], hours: WorkingHours
) -> Iterator[str]:
    """Who is told, and what is not delivered, for people."""
    if not labels:
        yield "Nobody is told: the settings name no address under notify.to."
    else:
        yield f"Told: {', '.join(labels)}."
        yield from wrapped(WORDS.by_when(hours, due), "")
    if not late:
        yield "Nothing waits to be delivered, and nothing was given up."
        return
    yield ""
    yield f"{count(len(late), 'message')} not delivered:"
    for each in late:
        written = hours.local(each.written_at)
        yield f"  {DAYS[written.weekday()]} {written:%Y-%m-%d %H:%M}  {each.label}"
        yield f"    {each.subject}"
        why = each.said or "not tried yet"
        then = "given up" if each.state is DeliveryState.GIVEN_UP else "tried again"
        yield from wrapped(f"{count(each.tries, 'try', 'tries')}, {then}: {why}", "    ")


def _whole(document: dict[str, Any]) -> Iterator[bytes]:
    yield msgspec.json.encode(document) + b"\n"
