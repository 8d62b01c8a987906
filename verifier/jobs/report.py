"""The job `report`: all that there is to say of the studio's copies, as one frozen value.

From the ledger alone: it touches no share, so that it may be asked at any hour, and records
nothing.  What is not known is said; nothing here may come out as "all good" by silence.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from datetime import date, timedelta
from enum import StrEnum
from typing import Final

from msgspec import Struct

from verifier.expected import Expected, Missed, expected
from verifier.findings import Action, action_of
from verifier.hours import Stretch, WorkingHours
from verifier.jobs.audit import PlaceAudit, audit
from verifier.jobs.doubts import (
    Doubt,
    DoubtKind,
    doubts_of_nights,
    doubts_of_places,
    not_told,
    worst_first,
)
from verifier.jobs.paces import ENOUGH
from verifier.jobs.plan import Plan, known_plan
from verifier.jobs.shift import StoppedBy, lasting_findings
from verifier.ledger import (
    FindingEvent,
    FindingState,
    GrantedCertificate,
    Ledger,
    LedgerFinding,
    Notice,
    NoticeKind,
    PlaceName,
    Shift,
)
from verifier.ledger.nights import Held, ShiftReading, Stood, StoodVerdict, Tally
from verifier.model import Verdict
from verifier.night import Night
from verifier.settings import Settings
from verifier.trends import PaceChange, growth_a_day, pace_change, runs_out

SHOWN: Final = 300
"""Findings that are shown in full; all of them are in the files beside the page."""

SHOWN_PER_ACTION: Final = 100
"""Of those, how many under one heading: the others must not be crowded out."""

HISTORY_SHOWN: Final = 12
"""Lines of one finding's history that are shown: the first, and the latest."""

YEAR: Final = timedelta(days=365)
"""How far back the pictures of time go."""

DAYS_AHEAD: Final = 7
"""Days of which the open hours are told."""

_DAY: Final = 86_400


class State(StrEnum):
    """What it all comes to."""

    ALL_GOOD = "all-good"
    NEEDS_YOU = "needs-you"
    NOT_KNOWN = "not-known"


class Shown(Struct, frozen=True):
    """A finding in full.  ``new`` says that the latest shift was the first to see it as it is."""

    finding: LedgerFinding
    history: tuple[FindingEvent, ...]
    history_left_out: int
    new: bool


class Group(Struct, frozen=True):
    """The open findings that call for one action: how many, how many bytes, and the first."""

    action: Action
    count: int
    bytes: int
    oldest: int
    shown: tuple[Shown, ...]


class Room(Struct, frozen=True):
    """What a place's disk had left at ``at``; ``growth`` is in bytes a day, None if not known.

    ``runs_out`` is when nothing is left at that growth, None if never or not known.
    """

    at: int
    free: int
    growth: float | None
    runs_out: float | None


class PacePoint(Struct, frozen=True):
    """How fast one shift read a place."""

    at: int
    bytes_per_second: float


class PlaceReport(Struct, frozen=True):
    """What there is to say of one place, over what the audit says of it.

    ``walked`` is its last walk; ``read`` its
    last reading; ``tallies`` how many paths of a mirror had which verdict when the last shift had
    ended, None for a source and where no shift told.
    ``held`` and ``paces`` are its history over a year, ``growth`` is in bytes a day.
    """

    audit: PlaceAudit
    off_site: bool
    walked: int | None = None
    read: int | None = None
    tallies: Mapping[Verdict, Tally] | None = None
    held: tuple[Held, ...] = ()
    growth: float | None = None
    room: Room | None = None
    paces: tuple[PacePoint, ...] = ()
    pace_change: PaceChange | None = None

    @property
    def name(self) -> PlaceName:
        """Which place."""
        return self.audit.place


class NightRead(Struct, frozen=True):
    """What the shifts that began in one night read, on all places."""

    day: date
    bytes: int
    shifts: int


class VerdictNight(Struct, frozen=True):
    """How many paths of all mirrors had each verdict when a shift had ended."""

    at: int
    paths: Mapping[Verdict, int]


class Report(Struct, frozen=True):
    """Everything, as of ``written``.

    ``as_of`` is when the last shift that ended did.  ``doubts`` are all reasons for which not
    everything is known, the worst first: whatever else may keep somebody from knowing joins them.
    ``before`` is what did not happen as expected before the last shift, as its message told it.
    ``open`` and ``accepted`` count findings, ``unreadable`` those of the open ones that say that a
    path could not be read.
    """

    settings: Settings
    written: float
    state: State
    as_of: int | None
    expected: Expected
    before: Missed
    doubts: tuple[Doubt, ...]
    surges: tuple[Notice, ...]
    open: int
    accepted: int
    unreadable: int
    groups: tuple[Group, ...]
    places: tuple[PlaceReport, ...]
    nights: tuple[NightRead, ...]
    verdicts: tuple[VerdictNight, ...]
    open_hours: tuple[Stretch, ...]
    plan: Plan
    certificates: tuple[GrantedCertificate, ...]

    @property
    def all_seen(self) -> bool:
        """Whether everything is known of the copies, whoever was told of it."""
        return all(each.what is DoubtKind.UNDELIVERED for each in self.doubts)

    @property
    def exit_status(self) -> int:
        """0 nothing needs a person, 1 something does, 3 something is not known or unreadable."""
        if self.doubts or self.unreadable:
            return 3
        return int(self.state is State.NEEDS_YOU)

    @property
    def files(self) -> int:
        """Files on all sources."""
        return sum(each.audit.files for each in self.places if each.name.is_source)

    @property
    def bytes(self) -> int:
        """The bytes of those."""
        return sum(each.audit.bytes for each in self.places if each.name.is_source)


def gather(settings: Settings, ledger: Ledger, now: float, *, running: bool = False) -> Report:
    """What the ledger tells as of ``now``; ``running`` says that the last shift runs still.

    Raises LedgerRefused and LedgerFailed.
    """
    nights, last = ledger.nights, ledger.shifts.last()
    since = int(now - YEAR.total_seconds())
    shifts = nights.shifts(nights.first_shift_since(since - 31 * _DAY))
    nights_told = settings.notify.nights
    following = expected(settings.hours, shifts, now, nights_told, running=running)
    readings = nights.readings(nights.first_shift_since(since))
    stood = nights.stood(nights.first_shift_since(since))
    verdicts = nights.verdicts(nights.first_shift_since(since))
    audited = audit(settings, ledger, None, now)
    places = tuple(
        _place(settings, ledger, each, readings, stood, verdicts, last, since)
        for each in audited.places
    )
    named = {each.place for each in audited.places}
    surges = tuple(
        each
        for each in ledger.shifts.standing_notices()
        if each.place in named and each.what is NoticeKind.SURGE
    )
    ended = next((each.ended for each in reversed(shifts) if each.ended is not None), _ended(last))
    doubts = worst_first(
        *doubts_of_nights(last, ended, following.lately, running=running),
        *doubts_of_places(ledger, audited.places, last, now),
        *not_told(settings, ledger, now),
    )
    groups, accepted, unreadable = _grouped(ledger, last)
    found = sum(each.count for each in groups)
    state = State.NEEDS_YOU if doubts else State.ALL_GOOD
    if any(each.what is not DoubtKind.UNDELIVERED for each in doubts):
        state = State.NOT_KNOWN
    if found or surges:
        state = State.NEEDS_YOU
    coming = now if following.next is None else max(now, following.next.opens)
    return Report(
        settings,
        now,
        state,
        ended,
        following,
        _before(settings, shifts, last),
        doubts,
        surges,
        found,
        accepted,
        unreadable,
        groups,
        places,
        _nights_read(settings.hours, readings, shifts, since),
        _verdict_nights(verdicts, stood),
        tuple(settings.hours.open_stretches(now, now + DAYS_AHEAD * _DAY)),
        known_plan(settings, ledger, coming),
        tuple(
            certificate
            for share in settings.shares
            for certificate in ledger.certificates.of(share.name)
        ),
    )


def _before(settings: Settings, shifts: Sequence[Shift], last: Shift | None) -> Missed:
    if last is None or last.ended is None or last.stopped_by == StoppedBy.SIGNAL:
        return Missed()
    earlier = [each for each in shifts if each.id < last.id]
    return expected(settings.hours, earlier, last.started, settings.notify.nights).lately


def _ended(last: Shift | None) -> int | None:
    return None if last is None else last.ended


# -------------------------------------------------------------------------------------- findings


def _grouped(ledger: Ledger, last: Shift | None) -> tuple[tuple[Group, ...], int, int]:
    """The open findings by action, the most pressing first; how many are accepted, unreadable."""
    counts = dict.fromkeys(Action, 0)
    sizes = dict.fromkeys(Action, 0)
    oldest: dict[Action, int] = {}
    kept: dict[Action, list[LedgerFinding]] = {action: [] for action in Action}
    accepted = unreadable = 0
    for each in lasting_findings(ledger):
        if each.state is FindingState.ACCEPTED:
            accepted += 1
            continue
        action = action_of(each.finding)
        unreadable += each.verdict is Verdict.UNREADABLE
        counts[action] += 1
        sizes[action] += each.finding.size
        oldest[action] = min(each.first_seen, oldest.get(action, each.first_seen))
        if counts[action] <= SHOWN_PER_ACTION:
            kept[action].append(each)
    left = SHOWN
    groups = []
    for action in Action:
        if counts[action]:
            chosen = kept[action][:left]
            left -= len(chosen)
            shown = tuple(_shown(ledger, chosen, last))
            groups.append(Group(action, counts[action], sizes[action], oldest[action], shown))
    return tuple(groups), accepted, unreadable


def _shown(ledger: Ledger, chosen: Sequence[LedgerFinding], last: Shift | None) -> Iterable[Shown]:
    histories = ledger.findings.histories(each.id for each in chosen)
    for each in chosen:
        history = histories[each.id]
        out = max(0, len(history) - HISTORY_SHOWN)
        kept = history if not out else [history[0], *history[out + 1 :]]
        turned = history[-1].at if history else each.first_seen
        yield Shown(each, tuple(kept), out, last is not None and turned >= last.started)


# ---------------------------------------------------------------------------------------- places


def _place(
    settings: Settings,
    ledger: Ledger,
    audited: PlaceAudit,
    readings: Sequence[ShiftReading],
    stood: Sequence[Stood],
    verdicts: Sequence[StoodVerdict],
    last: Shift | None,
    since: int,
) -> PlaceReport:
    name = audited.place
    off_site = any(
        mirror.off_site
        for share in settings.shares
        for mirror in share.mirrors
        if (share.name, mirror.name) == (name.share, name.place)
    )
    if not audited.known:
        return PlaceReport(audited, off_site)
    walk = ledger.shifts.last_walk(name)
    tallies = None
    if not name.is_source and last is not None:
        counted = [each for each in verdicts if (each.shift, each.mirror) == (last.id, name)]
        tallies = {each.verdict: each.tally for each in counted} or None
    held = tuple(ledger.nights.held(name, since))
    growth = growth_a_day([(each.at, each.bytes) for each in held])
    paces = tuple(
        PacePoint(each.started, each.bytes / each.seconds)
        for each in readings
        if each.place == name and each.seconds and each.bytes >= ENOUGH
    )
    return PlaceReport(
        audited,
        off_site,
        None if walk is None else walk.at,
        ledger.work.latest_read(name),
        tallies,
        held,
        growth,
        _room([each for each in stood if each.place == name], growth),
        paces,
        pace_change([each.bytes_per_second for each in paces]),
    )


def _room(stood: Sequence[Stood], growth: float | None) -> Room | None:
    """What is left on a mirror's disk, which others may fill up too: the faster growth counts."""
    known = [(each.at, each.free) for each in stood if each.free is not None]
    if not known:
        return None
    shrinks = growth_a_day(known)
    used = [each for each in (growth, None if shrinks is None else -shrinks) if each is not None]
    at, free = known[-1]
    fastest = max(used, default=None)
    return Room(at, free, fastest, runs_out(free, fastest, at))


# -------------------------------------------------------------------------------------- pictures


def night_of(hours: WorkingHours, instant: float) -> date:
    """The day on which the night of an instant begins: nights run from noon to noon."""
    local = hours.local(instant)
    return local.date() if local.hour >= 12 else local.date() - timedelta(days=1)


def _nights_read(
    hours: WorkingHours, readings: Sequence[ShiftReading], shifts: Sequence[Shift], since: int
) -> tuple[NightRead, ...]:
    began: dict[date, int] = {}
    for shift in shifts:
        if shift.started >= since:
            day = night_of(hours, shift.started)
            began[day] = began.get(day, 0) + 1
    read = dict.fromkeys(began, 0)
    for each in readings:
        day = night_of(hours, each.started)
        if day in read:
            read[day] += each.bytes
    return tuple(NightRead(day, read[day], began[day]) for day in sorted(began))


def _verdict_nights(
    verdicts: Sequence[StoodVerdict], stood: Sequence[Stood]
) -> tuple[VerdictNight, ...]:
    ended = {each.shift: each.at for each in stood}
    summed: dict[int, dict[Verdict, int]] = {}
    for each in verdicts:
        paths = summed.setdefault(each.shift, {})
        paths[each.verdict] = paths.get(each.verdict, 0) + each.tally.paths
    return tuple(VerdictNight(ended[shift], paths) for shift, paths in sorted(summed.items()))


def nights_missed(report: Report, since: date) -> tuple[Night, ...]:
    """The nights without a shift that began on ``since`` or later."""
    return tuple(each for each in report.expected.missed if each.day >= since)
