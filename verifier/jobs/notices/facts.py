"""What there is to say after a shift: what is new, what lasts, and what is not known."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from pathlib import Path
from typing import Final

from msgspec import structs

from verifier.expected import expected
from verifier.findings import Action, action_of
from verifier.jobs import audit
from verifier.jobs.audit import PlaceAudit
from verifier.jobs.doubts import Doubt, DoubtKind, doubts_of_places, not_told
from verifier.jobs.missed import SHIFTS_LOOKED_AT
from verifier.jobs.notices.values import Facts, Group, Known, Week, WeekPlace
from verifier.jobs.notices.when import expected_by, missed_by, weekly_is_due
from verifier.jobs.recipients import all_of, recipients_of
from verifier.jobs.shift import Result, StoppedBy, open_findings
from verifier.ledger import (
    FindingState,
    Happening,
    Ledger,
    LedgerFinding,
    NoticeKind,
    PlaceName,
    Shift,
)
from verifier.settings import Settings

_DAY: Final = 86_400
FIRST_FEW: Final = 5
"""Findings of a kind that a message names."""

_NO_NEWS: Final = frozenset({DoubtKind.CLOCK, DoubtKind.OVERDUE})
"""What lasts for weeks, and is told with the next message; so is what is not read yet."""


def facts_of(
    settings: Settings,
    ledger: Ledger,
    result: Result,
    began: float,
    now: float,
    page: Path | None,
) -> tuple[Facts, list[int]]:
    """What a message after a shift may say, and the numbers of the findings that are news.

    ``began`` is when the shift did: what was told at once since then is news still.
    """
    notify, recipients = settings.notify, recipients_of(settings)
    ours = {each.digest for each in recipients}
    shifts = ledger.shifts.latest(SHIFTS_LOOKED_AT)
    own = next(each for each in shifts if each.id == result.number)
    before = [each for each in shifts if each.id < own.id]
    untold = set(ledger.messages.untold(all_of(recipients), int(began)))
    known: dict[Action, int] = {}

    def news() -> Iterator[LedgerFinding]:
        for each in open_findings(ledger):
            if each.id in untold:
                yield each
            else:
                action = action_of(each.finding)
                known[action] = known.get(action, 0) + 1

    groups, numbers = grouped(news())
    audited = audit.audit(settings, ledger, None, now).places
    doubts = tuple(_unsaid(doubts_of_places(ledger, audited, own, now), result))
    week = None
    if weekly_is_due(settings, ledger, shifts, now):
        week = _week(settings, ledger, shifts, audited, now)
    facts = Facts(
        studio=settings.studio.name,
        hours=settings.hours,
        result=result,
        started=own.started,
        ended=own.ended or int(now),
        news=groups,
        known=tuple(Known(each, known[each]) for each in Action if each in known),
        accepted=ledger.findings.counts()[FindingState.ACCEPTED],
        missed=missed_by(settings, before, own.started),
        late=tuple(each for each in ledger.messages.waiting() if each.recipient in ours),
        due=expected_by(settings, ledger, now, summed_up=week is not None),
        quiet=not notify.every_shift,
        page=page,
        attached=notify.attach_page and page is not None,
        week=week,
        doubts=tuple(each for each in doubts if each.what is not DoubtKind.UNREAD),
        unread=tuple(each for each in doubts if each.what is DoubtKind.UNREAD),
        not_told=not_told(settings, ledger, now),
        in_part=tuple(each.place for each in audited if each.only_in_part),
        unreadable=tuple(each.place for each in audited if each.unreadable),
        too_large=tuple((each.place, each.too_large) for each in audited if each.too_large),
    )
    return facts, numbers


def _week(
    settings: Settings,
    ledger: Ledger,
    shifts: Sequence[Shift],
    places: Sequence[PlaceAudit],
    now: float,
) -> Week:
    """The last seven days, as of ``now``."""
    since = int(now) - 7 * _DAY
    lately = [each for each in shifts if each.started >= since]
    turns = ledger.messages.turns(since)
    read: dict[PlaceName, int] = {}
    for reading in (each for shift in lately for each in shift.readings):
        read[reading.place] = read.get(reading.place, 0) + reading.bytes
    nights = expected(settings.hours, shifts, now, settings.notify.nights).missed
    return Week(
        len(lately),
        turns.get(Happening.OPENED, 0) + turns.get(Happening.REOPENED, 0),
        turns.get(Happening.CLOSED, 0),
        sum(each.closes > since for each in nights),
        tuple(
            WeekPlace(
                each.place,
                read.get(each.place, 0),
                each.bytes,
                each.unread_bytes,
                each.oldest_read,
                each.round_ends,
            )
            for each in places
        ),
    )


def worth_telling(settings: Settings, facts: Facts) -> bool:
    """Whether a message is sent, where not each shift sends one."""
    result = facts.result
    return bool(
        settings.notify.every_shift
        or facts.week is not None
        or facts.news
        or facts.missed
        or result.notices
        or result.unreachable
        or result.stopped_by == StoppedBy.TROUBLE
        or any(each.what not in _NO_NEWS for each in facts.doubts)
    )


def _unsaid(doubts: Iterable[Doubt], result: Result) -> Iterator[Doubt]:
    """Those that what a shift did does not tell of already."""
    said = {notice.place for notice in result.notices if notice.what is NoticeKind.UNMOUNTED}
    said |= {place for place, _ in result.unreachable}
    return (each for each in doubts if each.place not in said)


def grouped(findings: Iterable[LedgerFinding]) -> tuple[tuple[Group, ...], list[int]]:
    """Findings by action and mirror, the most pressing first, and the numbers of all."""
    totals: dict[tuple[Action, PlaceName], int] = {}
    first: dict[tuple[Action, PlaceName], list[LedgerFinding]] = {}
    numbers = []
    for each in findings:
        key = action_of(each.finding), PlaceName(each.share, each.mirror)
        numbers.append(each.id)
        totals[key] = totals.get(key, 0) + 1
        shown = first.setdefault(key, [])
        if len(shown) < FIRST_FEW:
            finding = structs.replace(each.finding, damage=None)
            shown.append(structs.replace(each, finding=finding))
    order = {action: number for number, action in enumerate(Action)}
    groups = sorted(totals, key=lambda key: (order[key[0]], key[1]))
    return tuple(Group(*key, totals[key], tuple(first[key])) for key in groups), numbers
