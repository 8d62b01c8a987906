"""What is not known of the copies after a shift, for the page and for messages alike.

From the ledger alone.  Nothing here may come out as "all good" by silence.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from enum import StrEnum

from msgspec import Struct

from verifier.expected import Missed
from verifier.jobs.audit import PlaceAudit
from verifier.jobs.recipients import unreached
from verifier.jobs.shift import CLOCK_FAR_AHEAD, StoppedBy
from verifier.ledger import (
    FindingState,
    Ledger,
    Notice,
    NoticeKind,
    PlaceName,
    RecordedWalk,
    Round,
    Shift,
)
from verifier.model import Verdict
from verifier.scheduler import Left
from verifier.settings import Settings


class DoubtKind(StrEnum):
    """Why not all is known to be good, even where no finding says otherwise; the worst first.

    The last says nothing of the copies: all may be known, and nobody be told of it.
    """

    NOTHING_READ = "nothing-read"
    NO_FILES = "no-files"
    MISSED = "missed"
    UNFINISHED = "unfinished"
    RUNNING = "running"
    STOPPED = "stopped"
    UNMOUNTED = "unmounted"
    NOT_REACHED = "not-reached"
    STOPPED_ANSWERING = "stopped-answering"
    SUSPECTED = "suspected"
    UNREAD = "unread"
    CLOCK = "clock"
    OVERDUE = "overdue"
    UNDELIVERED = "undelivered"


class Doubt(Struct, frozen=True):
    """One thing that is not known.

    ``since`` is when the last shift of all ran, where later nights had none.
    ``place`` is where, None for all; ``at`` since or until when, in seconds since 1970; ``number``
    and ``bytes`` how many nights, files, paths or messages, and how much of them; ``detail`` what
    the ledger kept of the reason; ``to`` whom messages did not reach, which ``heartbeat`` says is
    the heartbeat.
    """

    what: DoubtKind
    place: PlaceName | None = None
    at: float | None = None
    number: int = 0
    bytes: int = 0
    detail: str = ""
    to: str = ""
    heartbeat: bool = False
    since: float | None = None


class NotReached(Struct, frozen=True):
    """A place that the last shift did not come to; ``walked`` is when one last did, None never."""

    place: PlaceName
    walked: int | None = None


def worst_first(*doubts: Doubt) -> tuple[Doubt, ...]:
    """In the order of `DoubtKind`."""
    order = {kind: number for number, kind in enumerate(DoubtKind)}
    return tuple(sorted(doubts, key=lambda each: order[each.what]))


def doubts_of_nights(
    last: Shift | None, ended: int | None, missed: Missed, *, running: bool
) -> Iterator[Doubt]:
    """What is not known because a shift did not run, or did not come to its end.

    ``ended`` is when the last one that did came to it, ``missed`` what did not happen since.
    """
    if ended is None:
        yield Doubt(DoubtKind.NOTHING_READ)
    if last is None:
        return
    if missed.nights:
        first = missed.nights[0].opens
        yield Doubt(DoubtKind.MISSED, None, first, len(missed.nights), since=missed.since)
    if last.ended is None and running:
        yield Doubt(DoubtKind.RUNNING, None, last.started)
    elif last.ended is None:
        yield Doubt(DoubtKind.UNFINISHED, None, last.started)
    elif last.stopped_by == StoppedBy.SIGNAL:
        yield Doubt(DoubtKind.STOPPED, None, last.ended)


def doubts_of_places(
    ledger: Ledger, places: Sequence[PlaceAudit], last: Shift | None, now: float
) -> Iterator[Doubt]:
    """What is not known of what stands at the places, whatever the last shift came to."""
    if last is None:
        return
    named = [each.place for each in places]
    notices = [each for each in ledger.shifts.standing_notices() if each.place in named]
    unseen = {each.place: each for each in not_reached(ledger, named, last)}
    noticed = {each.place for each in notices}
    never = any(each.walked is None for each in unseen.values() if each.place not in noticed)
    if not never and not any(each.files for each in places):
        yield Doubt(DoubtKind.NO_FILES)
    for empty in empty_since_ever(ledger, [each for each in named if each not in unseen]):
        yield Doubt(DoubtKind.NO_FILES, empty)
    unmounted = [each for each in notices if each.what is NoticeKind.UNMOUNTED]
    for notice in unmounted:
        yield Doubt(DoubtKind.UNMOUNTED, notice.place, notice.at, detail=notice.detail)
    told = {each.place for each in unmounted}
    yield from _not_seen([each for each in named if each not in told], unseen, notices)
    waiting = ledger.nights.waiting(each.place for each in places if each.known)
    if waiting:
        yield Doubt(DoubtKind.SUSPECTED, number=waiting)
    for each in places:
        if each.unread_files and each.budget is None:
            yield Doubt(DoubtKind.UNREAD, each.place, None, each.unread_files, each.unread_bytes)
    for each in places:
        if each.round is not None and _is_far_ahead(each.round, now):
            yield Doubt(DoubtKind.CLOCK, each.place, each.round.started)
    for each in places:
        if each.late and each.affordable:
            yield Doubt(DoubtKind.OVERDUE, each.place, each.oldest_read)


def empty_since_ever(ledger: Ledger, places: Iterable[PlaceName]) -> Iterator[PlaceName]:
    """Which of ``places`` never held a path, while findings are open that may come of that alone.

    A place that is not mounted when a first shift looks at it looks like this, and no guard can
    tell.  Who accepted those findings knows.
    """
    known = ledger.places()
    for each in places:
        if each not in known or not ledger.shifts.never_saw_anything(each):
            continue
        mirrors = [each]
        verdict = Verdict.MISSING
        if each.is_source:
            mirrors = [other for other in known if other.share == each.share and other != each]
            verdict = Verdict.ORPHANED
        lasting = (found for mirror in mirrors for found in ledger.findings.lasting(mirror))
        if any(it.verdict is verdict and it.state is FindingState.OPEN for it in lasting):
            yield each


def waiting_for_clock(
    ledger: Ledger, places: Iterable[PlaceName], now: float
) -> tuple[PlaceName, ...]:
    """Which of ``places`` are not read again before a time far ahead, since a clock was wrong.

    The ledger knows all of them.
    """
    rounds = ((each, ledger.rounds.current(each)) for each in places)
    return tuple(
        place for place, current in rounds if current is not None and _is_far_ahead(current, now)
    )


def not_read_yet(ledger: Ledger, places: Iterable[PlaceName]) -> Left:
    """What is new or changed at ``places``, and was not read since."""
    totals = [ledger.work.totals(each) for each in places]
    return Left(
        sum(each.unread_files for each in totals), sum(each.unread_bytes for each in totals)
    )


def not_reached(ledger: Ledger, places: Iterable[PlaceName], last: Shift) -> Iterator[NotReached]:
    """Which of ``places`` neither a shift nor anybody since has looked through to the end."""
    known = frozenset(ledger.places())
    for each in places:
        walk = ledger.shifts.last_walk(each) if each in known else None
        if walk is None:
            yield NotReached(each)
        elif not _was_walked(walk, last):
            yield NotReached(each, walk.at)


def _is_far_ahead(current: Round, now: float) -> bool:
    return current.started > now + CLOCK_FAR_AHEAD


def _not_seen(
    places: Iterable[PlaceName], unseen: Mapping[PlaceName, NotReached], notices: Sequence[Notice]
) -> Iterator[Doubt]:
    lost = {each.place: each for each in notices if each.what is NoticeKind.UNREACHABLE}
    for place in places:
        gone = lost.get(place)
        why = "" if gone is None else gone.detail
        if place in unseen:
            yield Doubt(DoubtKind.NOT_REACHED, place, unseen[place].walked, detail=why)
        elif gone is not None:
            yield Doubt(DoubtKind.STOPPED_ANSWERING, place, gone.at, detail=why)


def _was_walked(walk: RecordedWalk, last: Shift) -> bool:
    """Whether the last shift, or somebody since, has looked through a place."""
    if walk.shift is not None:  # two shifts may fall into the same second
        return walk.shift >= last.id
    return walk.at >= last.started


def not_told(settings: Settings, ledger: Ledger, now: float) -> tuple[Doubt, ...]:
    """Whom messages did not reach, one for each address."""
    return tuple(
        Doubt(
            DoubtKind.UNDELIVERED,
            at=each.since,
            number=each.messages,
            detail=each.why or "",
            to=each.label,
            heartbeat=each.heartbeat,
        )
        for each in unreached(settings, ledger, now)
    )
