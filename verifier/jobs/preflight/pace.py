"""How fast the places are read, how long reading everything takes, and whether that is in time."""

from __future__ import annotations

import time
from collections.abc import Collection, Iterator, Sequence
from concurrent.futures import Future
from contextlib import suppress

from verifier import forecast
from verifier.errors import PlaceUnreachable, VerifierError
from verifier.hours import DAYS, days_in_words
from verifier.jobs.engines import engine_for
from verifier.jobs.measuring import (
    PART,
    READ_AT_MOST,
    READ_FOR,
    READ_WHERE_IT_COSTS,
    read_part,
    reading_time,
)
from verifier.jobs.preflight.checks import Check, FirstRead, State
from verifier.jobs.preflight.machine import hours_in_words
from verifier.jobs.preflight.place import PlaceFound
from verifier.jobs.progress import Gauge, Progress
from verifier.jobs.spending import spend
from verifier.ledger import PlaceName
from verifier.measures import amount, count, duration
from verifier.model import Cause, Trouble
from verifier.places.base import ReachedByLink
from verifier.settings import Settings, duration_in_words


def measured(
    found: Settings, places: Sequence[PlaceFound], until: float, progress: Progress, at: float
) -> Iterator[Check]:
    """Read some of each place of one share, side by side as later on; their paces are kept."""
    troubles: dict[str, list[Trouble]] = {each.name: [] for each in places}
    ended = {each.name: time.monotonic() for each in places}
    traits = [each.traits for each in places]
    with engine_for(found.engine, traits) as engine:
        chosen = [_chosen(each) for each in places]
        gauges = [
            Gauge(place.name, lambda lane=lane: lane.bytes_read, lambda size=size: size)  # type: ignore[misc]
            for place, lane, size in zip(
                places,
                engine.lanes,
                [sum(length for length, _ in each) for each in chosen],
                strict=True,
            )
        ]
        started = time.monotonic()
        until = min(until, started + READ_FOR)
        waiting: list[tuple[PlaceFound, Future[Trouble | None]]] = []
        for place, lane, files in zip(places, engine.lanes, chosen, strict=True):

            def note(_: object, name: str = place.name) -> None:
                ended[name] = time.monotonic()

            for length, path in files:
                task = lane.submit(
                    0, read_part, place.place, path, length, until, long=length >= PART
                )
                task.add_done_callback(note)
                waiting.append((place, task))
        with progress.show(gauges):
            for place, task in waiting:
                try:
                    trouble = task.result()
                except PlaceUnreachable as error:
                    trouble = Trouble("unreachable", str(error))
                if trouble is not None:
                    troubles[place.name].append(trouble)
        for place, lane in zip(places, engine.lanes, strict=True):
            seconds = ended[place.name] - started
            if lane.bytes_read and seconds > 0:
                place.pace = lane.bytes_read / seconds
            yield _pace(place, lane.bytes_read, troubles[place.name])
            if isinstance(place.place, ReachedByLink) and not troubles[place.name]:
                yield place.remarks(place.place.try_link())
        sizes = {
            place.full_name: lane.bytes_read
            for place, lane in zip(places, engine.lanes, strict=True)
        }
    with suppress(VerifierError):  # what is wrong with the ledger was told above
        spend(found, sizes, at)


def first_read(
    found: Settings, places: Sequence[PlaceFound], limited: Collection[PlaceName], at: float
) -> FirstRead | None:
    """How long reading everything once takes, begun now; None where nothing was measured.

    Places of which no shift reads all, ``limited``, are no part of it.
    """
    shares = [
        [
            (each.bytes, each.pace)
            for each in places
            if each.share is share and each.pace is not None and each.full_name not in limited
        ]
        for share in found.shares
    ]
    total = sum(size for share in shares for size, _ in share)
    if not total:
        return None
    limit = found.pace.at_most
    seconds = reading_time(shares, None if limit is None else limit.bytes_per_second)
    pace = total / seconds
    ends = forecast.ends(found.hours, at, total, pace)
    complete = all(
        each.complete and not each.unlisted and (each.pace or not each.bytes) for each in places
    )
    local = None if ends is None else found.hours.local(round(ends))
    besides = tuple(each.full_name for each in places if each.full_name in limited)
    return FirstRead(total, pace, seconds, local, bool(complete), besides)


def target(found: Settings, size: int, pace: float, at: float) -> Check:
    """Whether every byte can be read again in time at that pace, and what it would take."""
    audit = found.audit
    length = audit.every_byte_within
    foretold = forecast.within(found.hours, at, size, pace, length.total_seconds(), audit.nights)
    nights = (
        "every night"
        if len(audit.nights) == len(DAYS)
        else f"the nights of {days_in_words(audit.nights)}"
    )
    needed = foretold.hours_a_week_needed
    assert needed is not None
    detail = (
        f"To re-read every byte within {duration_in_words(length)} takes "
        f"{hours_in_words(needed)} a week; {hours_in_words(foretold.hours_a_week)} are open, "
        f"counting {nights}."
    )
    if foretold.met:
        return Check("target", State.GOOD, detail)
    ways = []
    if (missing := foretold.hours_a_week_missing) is not None:
        ways.append(f"open {hours_in_words(missing)} a week more (audit.nights, hours)")
    if (faster := foretold.bytes_per_second_needed) is not None:
        ways.append(f"read at {amount(round(faster))}/s in place of {amount(round(pace))}/s")
    ways.append("allow more time (audit.every_byte_within)")
    advice = " or ".join([", ".join(ways[:-1]), ways[-1]]) if ways[:-1] else ways[-1]
    return Check("target", State.LOOK, detail, f"{advice[:1].upper()}{advice[1:]}.")


def _chosen(place: PlaceFound) -> Sequence[tuple[int, bytes]]:
    """Bytes and path of each file that a place's pace is measured by."""
    assert place.place is not None
    if place.place.traits.reading_costs:
        return place.sample.one(READ_WHERE_IT_COSTS)
    return place.sample.chosen(READ_AT_MOST, PART)


def _pace(place: PlaceFound, read: int, troubles: Sequence[Trouble]) -> Check:
    if any(each.cause == Cause.GIVES_NO_PARTS for each in troubles):
        return _no_parts(place)
    if troubles:
        return place.says(
            "reading",
            State.WRONG,
            f"{count(len(troubles), 'file')} could not be read, such as {troubles[0].detail}",
            "Let this user read every file; if it may already, look at the disk.",
        )
    if place.pace is None:
        if place.bytes:
            detail = f"It gave no byte in {duration(READ_FOR)}."
            return place.says("reading", State.WRONG, detail, "Look at its disk or its network.")
        return place.says("reading", State.GOOD, "There is nothing to read.")
    detail = f"Read at {amount(round(place.pace))}/s ({amount(read)}, past the cache)."
    return place.says("reading", State.GOOD, detail)


def _no_parts(place: PlaceFound) -> Check:
    """What of a place can be read that gives files only as a whole: small ones, in one request."""
    large = place.sample.largest > READ_WHERE_IT_COSTS
    lack = "there are some, which nothing will read" if large else "there is none now"
    return place.says(
        "reading",
        State.WRONG if large else State.LOOK,
        f"{place.at} gives files only as a whole, so that those over "
        f"{amount(READ_WHERE_IT_COSTS)} cannot be read: {lack}. Nor can it be shown where a file "
        "is damaged.",
        "Have the server give parts of files (ranges), or name the place by another address.",
    )
