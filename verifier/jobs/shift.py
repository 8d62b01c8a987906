"""The job `shift`: guard, walk, record, judge by dates, read in order, judge, record findings.

It never reads in working hours, and records nothing of a place that looks unmounted or emptied.
"""

from __future__ import annotations

import math
import time
from collections import defaultdict
from collections.abc import Callable, Iterator
from contextlib import ExitStack, suppress
from datetime import timedelta
from typing import Final

from msgspec import Struct, structs

from verifier import guards, system
from verifier.diff.comparison import Judged
from verifier.due import latest_run, next_run_ends
from verifier.engine import BellRang, ReadingEngine
from verifier.errors import LedgerFailed, LedgerRefused, PlaceUnreachable
from verifier.forecast import stretches
from verifier.ignore import Ignore
from verifier.jobs.alarms import Alarms, NoAlarms
from verifier.jobs.apart import refuse_no_copy
from verifier.jobs.engines import engine_for
from verifier.jobs.examination import Examination, Side
from verifier.jobs.first_looks import FirstLooks
from verifier.jobs.giving_way import GivingWay
from verifier.jobs.judging import Judging
from verifier.jobs.neighbourhood import KEPT_FOR, Neighbourhood
from verifier.jobs.opening import all_places, dated, open_ledger, places_of
from verifier.jobs.paces import pace_by, paces_of
from verifier.jobs.progress import Progress
from verifier.jobs.readers import EngineReaders
from verifier.jobs.released import Released
from verifier.jobs.remarks import clock_remarks
from verifier.jobs.spending import Budget, Meter, budgets, costly, only_listed
from verifier.ledger import (
    Due,
    FindingState,
    FirstLook,
    Ledger,
    LedgerFinding,
    Notice,
    NoticeKind,
    Override,
    PlaceName,
    Shift,
    only_shift,
)
from verifier.measures import amount, count
from verifier.model import Damage, Kind, Sighting, Trouble, Verdict
from verifier.places.addresses import Address
from verifier.places.base import Look, Place, heed, let_go, unlisted_above
from verifier.places.opening import open_place, traits_at
from verifier.scheduler import (
    ROUND_BEGINS_WITHIN,
    Left,
    Queue,
    Scheduler,
    Status,
    Window,
    goes_first,
)
from verifier.settings import Settings, Share
from verifier.unlisted import Unlisted
from verifier.walker import walk_dated

LOOKED_AHEAD: Final = timedelta(weeks=3)
"""In which the longest time that may be read is looked for: long enough for a holiday."""

DAYS_A_WEEK: Final = 7

CLOCK_FAR_AHEAD: Final = 86_400
"""Seconds that a reading may be dated later than now, and merely be waited for."""

NEARLY_LATE: Final = 0.8
"""Part of `every_byte_within` after which a file that never fits behind what is new goes first."""

_CLOCK_LOOKED_AT_EVERY: Final = 64
"""Paths of a walk between two looks at the clock."""

_EXAMINED_BEFORE_BELL: Final = 1.0
"""Seconds before the bell at which no damage is looked into any more."""

_STAYS_OPEN: Final = 1.0
"""Seconds for which a folder that could be listed is not looked at again, for the next of its files
that cannot be read: over a slow link each look takes a while."""

_AWAKE_EVERY: Final = 30.0
"""Seconds after which one who waits looks at the clock again: it may have been set, or the
machine may have slept."""


class StoppedBy:
    """Why a shift ended, in the words of its document."""

    DONE = "done"
    WORKING_HOURS = "working-hours"
    UNTIL = "until"
    SIGNAL = "signal"
    TROUBLE = "trouble"


class Request(Struct, frozen=True):
    """How a shift is asked for.  ``until`` is in seconds since 1970."""

    settings: Settings
    until: float | None = None
    believe: bool = False
    who: str = ""
    alarms: Alarms = NoAlarms()


class Result(Struct, frozen=True):
    """What a shift did.  ``number`` is None when it did not begin.

    ``budgets`` are those of the places whose reading costs or is limited, as they were left.
    """

    number: int | None
    stopped_by: str
    files_read: int = 0
    read_bytes: int = 0
    left: Left = Left()
    notices: tuple[Notice, ...] = ()
    unreachable: tuple[tuple[PlaceName, str], ...] = ()
    budgets: tuple[Budget, ...] = ()


class Clock(Struct, frozen=True):
    """Time, passed in: seconds since 1970, and how to let some pass."""

    now: Callable[[], float] = time.time
    sleep: Callable[[float], object] = time.sleep


def open_findings(ledger: Ledger) -> Iterator[LedgerFinding]:
    """Every open finding, by share, mirror and path."""
    return (each for each in lasting_findings(ledger) if each.state is FindingState.OPEN)


def lasting_findings(ledger: Ledger) -> Iterator[LedgerFinding]:
    """Every open or accepted finding, by share, mirror and path."""
    for place in ledger.places():
        if not place.is_source:
            yield from ledger.findings.lasting(place)


def closed_until(settings: Settings, now: float) -> int | None:
    """When the working hours end that ``now`` lies in; None when it is open."""
    return None if settings.hours.is_open(now) else settings.hours.next_change(now)


def exit_status(result: Result, ledger: Ledger) -> int:
    """0 nothing needs a person, 1 something does, 3 something could not be reached or read."""
    if result.unreachable or result.stopped_by in (StoppedBy.SIGNAL, StoppedBy.TROUBLE):
        return 3
    if any(notice.what is NoticeKind.UNMOUNTED for notice in result.notices):
        return 3
    status = 1 if result.notices else 0
    for each in open_findings(ledger):
        if each.verdict is Verdict.UNREADABLE:
            return 3
        status = 1
    return status


def left_of(ledger: Ledger, settings: Settings) -> Left:
    """What is new, changed or waited for and not read yet, at every place."""
    listed = only_listed(settings)
    names = [name for name, _ in all_places(settings) if name not in listed]
    totals = [ledger.work.totals(name) for name in names]
    return Left(
        sum(each.unread_files + each.wanted_files for each in totals),
        sum(each.unread_bytes + each.wanted_bytes for each in totals),
    )


def window_of(settings: Settings, now: float, until: float | None) -> tuple[Window, str]:
    """Until when may be read from ``now`` on, which is open, and what will have ended it."""
    closes = settings.hours.next_change(now)
    audit = audit_window(settings, now)
    longest = None
    if closes is not None:
        ahead = now + LOOKED_AHEAD.total_seconds()
        stretches_ahead = settings.hours.open_stretches(now, ahead)
        longest = max((each.seconds for each in stretches_ahead), default=0.0)
    if until is not None and (closes is None or until < closes):
        return Window(until, longest, audit), StoppedBy.UNTIL
    return Window(closes, longest, audit), StoppedBy.WORKING_HOURS


class Shifts:
    """Runs shifts with one ledger and one set of readers.  A context manager.

    Raises LedgerRefused, among them ShiftRunning.
    """

    def __init__(
        self,
        request: Request,
        progress: Progress,
        clock: Clock,
        *,
        resident: bool = False,
    ) -> None:
        self._request = request
        self._progress = progress
        self._clock = clock
        self._resident = resident
        self._kept = ExitStack()

    def __enter__(self) -> Shifts:
        settings = self._request.settings
        with ExitStack() as kept:
            self._names = [name for name, _ in all_places(settings)]
            self._engine = kept.enter_context(
                engine_for(
                    settings.engine,
                    [traits_at(address) for _, address in all_places(settings)],
                    readers=max(len(self._names), 2 * system.cores()),
                    pace=pace_by(settings),
                    resident=self._resident,
                )
            )
            # The readers were started before: no forked process may hold a ledger open.
            self.ledger = kept.enter_context(open_ledger(settings))
            locked = kept.enter_context(only_shift(self.ledger.path, int(self._clock.now())))
            if not locked:
                self._progress.say(
                    "This system has no lock that would keep a second shift out: see to it that "
                    "only one runs."
                )
            self._readers = EngineReaders(self._engine, self._names)
            self._kept = kept.pop_all()
        return self

    def __exit__(self, *error: object) -> None:
        self._engine.stop()
        self._kept.close()

    def run(self, *, may_start_round: bool = True) -> Result:
        """One shift, from now to the bell or until all is read."""
        settings, now = self._request.settings, self._clock.now()
        if closed_until(settings, now) is not None:
            return Result(None, StoppedBy.WORKING_HOURS, left=left_of(self.ledger, settings))
        window, ends_by = window_of(settings, now, self._request.until)
        self._engine.ring_at(window.end)
        night = _Night(
            self._request, self.ledger, self._readers, self._engine, self._progress, self._clock
        )
        try:
            return night.run(window, ends_by, may_start_round)
        finally:
            self._engine.ring_at(0.0)

    def stay(self, each: Callable[[Result], None]) -> Result:
        """Run a shift in every open stretch, and again when a mirror run is over.

        Ends by a signal, or when the time that was asked for is up, with what the last shift did.
        """
        until = math.inf if self._request.until is None else self._request.until
        fresh, last = True, Result(None, StoppedBy.SIGNAL)
        try:
            while True:
                result = self.run(may_start_round=fresh)
                if result.number is not None:
                    last = result
                    each(result)
                if result.stopped_by == StoppedBy.SIGNAL:
                    return last
                before = self._clock.now()
                self._wait_for_start(until)
                now = self._clock.now()
                if now >= until:
                    return Result(None, StoppedBy.UNTIL) if last.number is None else last
                # One round a night is enough, however small the share.
                fresh = now < before or _night_began(self._request.settings, before, now)
        except KeyboardInterrupt:
            return last

    def _next_start(self, now: float) -> float:
        """When there will be something to do again."""
        settings = self._request.settings
        zone = settings.hours.zone
        runs = [
            next_run_ends(share.mirror_runs, share.mirror_takes, zone, now)
            for share in settings.shares
        ]
        times = [each for each in runs if each is not None]
        times += [now + 24 * 3600, _next_noon(settings, now)]
        change = settings.hours.next_change(now)
        if change is not None:
            times.append(change)
        start = min(times)
        while not settings.hours.is_open(start):
            opens = settings.hours.next_change(start)
            assert opens is not None
            start = opens
        return start

    def _wait_for_start(self, until: float) -> None:
        """Wait for the next start, or for ``until`` where that comes before.

        A clock that was ahead, and is set back meanwhile, has the next start reckoned anew.
        """
        before = self._clock.now()
        start = min(until, self._next_start(before))
        while (left := start - (now := self._clock.now())) > 0:
            if now < before:
                start = min(until, self._next_start(now))
                left = start - now
            before = now
            self._clock.sleep(min(left, _AWAKE_EVERY))


class _Night:
    """One shift under way."""

    def __init__(
        self,
        request: Request,
        ledger: Ledger,
        readers: EngineReaders,
        engine: ReadingEngine,
        progress: Progress,
        clock: Clock,
    ) -> None:
        self._request = request
        self._settings = request.settings
        self._ledger = ledger
        self._readers = readers
        self._engine = engine
        self._progress = progress
        self._clock = clock
        self._window = Window()
        self._clock_read = clock.now()
        self._places: dict[PlaceName, Place] = {}
        self._new: dict[PlaceName, Place] = {}
        """Opened, and still to be looked at for the first time."""
        self._just_walked: set[PlaceName] = set()
        """Walked whole since `_end_agreements` was called last."""
        self._unlisted: defaultdict[PlaceName, Unlisted] = defaultdict(Unlisted)
        """Of each place, what its last walk could not list."""
        self._found_open: tuple[PlaceName, bytes] | None = None
        self._found_open_at = 0.0
        """The folder that was last looked at since a file in it could not be read, and when."""
        self._unreachable: dict[PlaceName, str] = {}
        self._notices: list[Notice] = []
        self._surges_cut_off: dict[PlaceName, str] = {}
        self._clock_was_ahead = False
        self._scheduler: Scheduler | None = None
        self._neighbourhood = Neighbourhood(ledger, read_piece=self._piece)
        self._anew = {share.name for share in self._settings.shares}
        self._read_before: dict[PlaceName, int] = {}
        self._queues: dict[PlaceName, Queue] = {}
        self._walked_at: dict[str, float] = {}
        self._judgings: dict[str, Judging] = {}
        self._shift: int | None = None
        self._may_start_round = True
        self._giving_way = GivingWay(
            self._settings.pace.yield_above, engine, progress, clock.now, clock.sleep
        )
        self._first_looks = FirstLooks(ledger, readers, self._give_way, clock.now)
        self._examination = Examination(clock=self._giving_way.steady)
        self._meter = Meter(self._settings, ledger, readers.bytes_read, clock.now)
        self._only_listed = only_listed(self._settings)

    def run(self, window: Window, ends_by: str, may_start_round: bool) -> Result:
        ledger, now = self._ledger, self._clock.now
        self._window = window
        self._remark_on_the_last()
        self._surges_cut_off = self._surges_of_shifts_cut_off()
        beyond = ledger.shifts.farthest_beyond(int(now()))
        self._clock_was_ahead = beyond is not None and beyond > now() + CLOCK_FAR_AHEAD
        ledger.back_up(int(now()))
        ledger.neighbours.forget_before(int(now()) - KEPT_FOR)
        number = ledger.shifts.start(int(now()))
        ledger.readings.shift = self._shift = number
        self._may_start_round = may_start_round
        stopped_by = StoppedBy.SIGNAL
        before = self._bytes_read()
        try:
            with self._progress.line(self._line):
                self._walk_all()
                self._begin_rounds()
                self._judge_all()
                all_read = self._read()
            stopped_by = StoppedBy.DONE if all_read else ends_by
            if all_read and (self._unreachable or self._unmounted()):
                stopped_by = StoppedBy.TROUBLE
            self._end_rounds()
        except BellRang:
            stopped_by = ends_by
        except KeyboardInterrupt:
            stopped_by = StoppedBy.SIGNAL
            self._engine.stop()
        finally:
            self._giving_way.end()
            let_go(*self._places.values(), *self._new.values())
            ledger.readings.flush()
            self._meter.write(0)
            ledger.readings.shift = None
            ledger.shifts.end(number, int(now()), stopped_by)
        return Result(
            number,
            stopped_by,
            self._files_read(),
            self._bytes_read() - before,
            self._left(),
            tuple(each for each in self._notices if each.what is not NoticeKind.UNREACHABLE),
            tuple(self._unreachable.items()),
            tuple(budgets(self._settings, ledger, now())),
        )

    # ------------------------------------------------------------------------------- the walk

    def _remark_on_the_last(self) -> None:
        last = self._ledger.shifts.last()
        if last is not None and last.ended is None:
            started = self._settings.hours.local(last.started)
            self._progress.say(
                f"The shift that began {started:%Y-%m-%d %H:%M} was cut off; what it had recorded "
                "is kept, and this one goes on from there."
            )

    def _surges_of_shifts_cut_off(self) -> dict[PlaceName, str]:
        """The surges of which nobody may have learnt, since their shift did not come to its end."""
        shifts = self._ledger.shifts
        found = {}
        for notice in shifts.standing_notices():
            shift = None if notice.shift is None else shifts.of(notice.shift)
            if notice.what is NoticeKind.SURGE and shift is not None and was_cut_off(shift):
                found[notice.place] = notice.detail
        return found

    def _walk_all(self) -> None:
        for share in self._settings.shares:
            self._walk_share(share)
        if self._new:
            self._look_first()
        self._end_agreements()
        self._readers.serve(self._places, self._window.end)

    def _walk_share(self, share: Share) -> None:
        """Walk the places of a share but those that are to be looked at for the first time."""
        # What a mirror run that ends after this brings is seen by the next walk only.
        self._walked_at[share.name] = self._clock.now()
        for name, address in places_of(share):
            try:
                place = self._opened(name, address)
                look = self._first_look_at(name, place)
                if look is None:
                    self._walk(share, name, place)
                else:
                    self._new[name] = place
                    self._first_looks.add(name, place, Ignore(share.ignore), look)
            except PlaceUnreachable as error:
                self._lose(name, str(error))

    def _first_look_at(self, name: PlaceName, place: Place) -> FirstLook | None:
        """Where nothing is known of a place, small files of it are read while it is walked."""
        reading_costs = name in self._only_listed or name in self._meter.places
        if reading_costs or not self._readers.look_first_at(place):
            return None
        return self._ledger.first_look(name, self._shift)

    def _look_first(self) -> None:
        ledger, looks = self._ledger, self._first_looks
        for name in self._new:
            if ledger.rounds.current(name) is None:
                ledger.rounds.start_next(name, int(self._clock.now()))
        try:
            whole, lost = looks.run(self._window.end)
        finally:
            for name, seconds in looks.seconds.items():
                ledger.shifts.spend(self._shift or 0, name, seconds, looks.came_off[name])
        for name, error in lost.items():
            self._lose(name, str(error))
        for name, place in self._new.items():
            if name in whole:
                self._unlisted[name] = looks.unlisted[name]
                self._places[name] = place
            elif name not in lost:
                self._walk_anew(name, place)

    def _walk_anew(self, name: PlaceName, place: Place) -> None:
        """What a first look had no time for."""
        try:
            self._walk(self._settings.share(name.share), name, place)
        except PlaceUnreachable as error:
            self._lose(name, str(error))

    def _opened(self, name: PlaceName, address: Address) -> Place:
        place = open_place(address)
        seen = (self._places | self._new).items()
        refuse_no_copy(place, [known for other, known in seen if other.share == name.share])
        heed(place, self._readers.watch(name))
        share = self._settings.share(name.share)
        for remark in clock_remarks(place, share.slack):
            if not remark.good:
                self._progress.say(str(remark))
        return place

    def _look_again(self) -> None:
        """After a mirror run that ended in this shift: see what it brought.

        A shift may last a whole weekend.
        """
        now = self._clock.now()
        for share in self._settings.shares:
            zone = self._settings.hours.zone
            before = self._walked_at[share.name]
            ends = next_run_ends(share.mirror_runs, share.mirror_takes, zone, before)
            if ends is None or ends > now:
                continue
            known = [name for name, _ in places_of(share) if name in self._places]
            self._walked_at[share.name] = now
            for name in known:
                try:
                    place = self._places[name]
                    place.check()
                    self._walk(share, name, place)
                    if name in self._queues:
                        self._queues[name].walked_again(self._unlisted[name])
                except PlaceUnreachable as error:
                    self._lose(name, str(error))
                    if self._scheduler is not None:
                        self._scheduler.lose(name, error)
            self._anew.add(share.name)
        self._end_agreements()

    def _end_agreements(self) -> None:
        """Of paths that walks of both sides, made just now, found gone."""
        for name in self._just_walked:
            if not name.is_source and PlaceName(name.share) in self._just_walked:
                self._ledger.agreements.end_where_nothing_stands(name)
        self._just_walked.clear()

    def _walk(self, share: Share, name: PlaceName, place: Place) -> None:
        ledger, ignore = self._ledger, Ignore(share.ignore)
        walk = ledger.walk(name, self._shift, left_out=ignore.ignores_at_or_above)
        try:
            summary = walk.take(self._until_bell(walk_dated(place, ignore)))
            place.check()
        except BaseException:
            walk.discard()
            raise
        emptied = guards.emptied(summary)
        if emptied is not None and not self._request.believe:
            walk.discard()
            self._note(
                name,
                NoticeKind.UNMOUNTED,
                f"{place.at} looks unmounted or emptied: "
                f"{emptied}. Nothing of it was recorded. Check that it is mounted; if it "
                "is right as it is, run the shift with --believe.",
            )
            return
        if emptied is not None:
            ledger.shifts.add_override(
                Override(
                    int(self._clock.now()),
                    self._request.who,
                    "shift --believe",
                    f"{name}: {emptied}",
                )
            )
        if name.is_source:
            cut_off = self._surges_cut_off.pop(name, None)
            surge = guards.surged(summary, share.surge_above)
            if surge is not None:
                self._note(
                    name,
                    NoticeKind.SURGE,
                    f"{place.at}: {surge}. The next copy run will "
                    "carry that over: pause it until somebody has looked, unless this was "
                    "meant.",
                )
            elif cut_off is not None:
                self._note(name, NoticeKind.SURGE, cut_off)
        self._unlisted[name] = walk.unlisted
        walk.apply(int(self._clock.now()))
        self._places[name] = place
        self._just_walked.add(name)

    def _until_bell(self, stream: Iterator[Sighting]) -> Iterator[Sighting]:
        for number, sighting in enumerate(stream):
            if number % _CLOCK_LOOKED_AT_EVERY == 0:
                self._heed_clock()
                if self._window.end is not None and self._clock_read >= self._window.end:
                    raise BellRang
            yield sighting

    def _note(self, place: PlaceName, what: NoticeKind, sentence: str) -> None:
        notice = Notice(place, int(self._clock.now()), what, sentence, self._shift)
        self._progress.say(sentence)
        self._notices.append(notice)
        self._ledger.shifts.add_notice(notice)
        if what is not NoticeKind.UNREACHABLE:
            self._request.alarms.looks_wrong(self._ledger, notice)

    def _lose(self, place: PlaceName, sentence: str) -> None:
        self._note(place, NoticeKind.UNREACHABLE, sentence)
        self._unreachable[place] = sentence
        self._places.pop(place, None)
        self._request.alarms.unreachable(self._ledger, place, sentence)

    def _unmounted(self) -> bool:
        return any(notice.what is NoticeKind.UNMOUNTED for notice in self._notices)

    # ------------------------------------------------------------------------------ the rounds

    def _begin_rounds(self) -> None:
        """Round 1 is the first full read; later ones begin on audit nights.

        A round is only ended by a shift that came to its own end, so that one which goes on
        after a crash does not begin to read all over again.
        """
        rounds, now = self._ledger.rounds, self._clock.now()
        audit, end = self._window.audit, self._window.end
        may_audit = audit is not None and (end is None or audit[0] < end)
        may_start = self._may_start_round and self._audit_began()
        for name in self._read_places():
            self._disown_times_of_a_wrong_clock(name)
            current = rounds.current(name)
            if current is None or (may_start and current.ended is not None):
                current = rounds.start_next(name, int(now))
            if may_audit and current.ended is None:
                self._read_before[name] = current.started
        # A round begins in the second after the last reading: what is read now counts for it.
        waits = [started - now for started in self._read_before.values()]
        soon = max((each for each in waits if each <= ROUND_BEGINS_WITHIN), default=0)
        if soon > 0:
            self._clock.sleep(soon)
        for name, started in self._read_before.items():
            if started - now > ROUND_BEGINS_WITHIN:
                self._remark_on_the_clock(name, started)

    def _disown_times_of_a_wrong_clock(self, name: PlaceName) -> None:
        """A clock that was far ahead would keep a place from being read again till then.

        What a clock says that is behind now changes no record: it goes on when that is mended.
        """
        if not self._clock_was_ahead:
            return
        now = int(self._clock.now())
        dated = self._ledger.rounds.disown_times_after(name, now + CLOCK_FAR_AHEAD, now)
        if dated:
            self._progress.say(
                f"{name}: {count(dated, 'reading')} {'is' if dated == 1 else 'are'} dated days "
                "later than now: the clock of this machine was or is wrong. Check it. The files "
                "count as read no later than they were first seen as they are."
            )

    def _remark_on_the_clock(self, name: PlaceName, started: int) -> None:
        """A reading of later than now: the round after it cannot be told from the one before."""
        self._progress.say(
            f"{name}: a file was last read at {self._settings.hours.local(started):%Y-%m-%d %H:%M} "
            "by the record, which is later than now: the clock of this machine was or is wrong. "
            "Check it; until then no file is read again there for the audit."
        )

    def _audit_began(self) -> bool:
        """Whether it is an audit night by now; the window may reach into a later one."""
        return self._window.audit is not None and self._window.audit[0] <= self._clock.now()

    def _next_rounds(self) -> None:
        """In a shift of several nights, each begins the next round where the last is complete.

        One that became complete this very night is not followed by another one before the next.
        """
        audit, now = self._window.audit, self._clock.now()
        if audit is None or not audit[0] <= now < audit[1]:
            return
        rounds = self._ledger.rounds
        for name, queue in self._queues.items():
            current = rounds.current(name)
            if current is None or not _night_began(self._settings, current.started, now):
                continue
            if current.ended is None:
                rounds.end_if_complete(name, int(now), self._unlisted[name])
            elif _night_began(self._settings, current.ended, now):
                following = rounds.start_next(name, int(now))
                self._read_before[name] = following.started
                queue.audit(following.started)

    def _end_rounds(self) -> None:
        for name in self._read_places():
            now = int(self._clock.now())
            self._ledger.rounds.end_if_complete(name, now, self._unlisted[name])

    # ----------------------------------------------------------------------------- the reading

    def _read(self) -> bool:
        ledger = self._ledger
        under_way: dict[PlaceName, list[bytes]] = {}
        for task in self._readers.under_way():
            under_way.setdefault(task.place, []).extend(task.paths)
        paces = paces_of(ledger, self._places)
        queues = self._queues = {
            name: Queue(
                ledger,
                name,
                self._read_before.get(name),
                under_way.get(name, ()),
                self._unlisted[name],
                self._goes_first(name, paces.get(name)),
            )
            for name in self._read_places()
        }
        scheduler = self._scheduler = Scheduler(
            ledger,
            queues.values(),
            self._readers,
            self._window,
            self._clock.now,
            self._between,
            {name: self._affordable(name) for name in queues},
            self._each_turn,
            paces,
            lambda place, why: self._request.alarms.unreachable(ledger, place, str(why)),
            self._meter.left,
            pace_by(self._settings).bytes_per_second or math.inf,
            self._has_closed_above,
        )
        try:
            all_read = scheduler.run()
        finally:
            with suppress(LedgerFailed, LedgerRefused):  # what ended the reading is to be told
                for name, error in scheduler.unreachable.items():
                    if name not in self._unreachable:
                        self._lose(name, str(error))
                for name, seconds in scheduler.seconds.items():
                    came_off = scheduler.came_off[name]
                    ledger.shifts.spend(self._shift or 0, name, seconds, came_off)
        if not all_read:
            self._judge_all()  # reading has ended; what was read is not kept waiting for a verdict
        for share in self._settings.shares:
            if share.name in self._judgings:
                self._judgings[share.name].finish(
                    PlaceName(share.name, mirror.name) for mirror in share.mirrors
                )
        self._neighbourhood.forget_read()
        self._remark_on_budgets()
        return all_read and not any(queue.skipped.files for queue in queues.values())

    def _goes_first(self, name: PlaceName, rate: float | None) -> Due | None:
        """The longest unread file, where it must be read before what is new: one a shift."""
        end, now = self._window.end, self._clock.now()
        if end is None or rate is None or name not in self._read_before:
            return None
        within = self._settings.audit.every_byte_within.total_seconds()
        nearly_late = min(self._read_before[name], int(now - NEARLY_LATE * within))
        for due in self._ledger.work.longest_unread(name, read_before=nearly_late):
            if not self._unlisted[name].hides(due.path):
                others = self._to_read(name, audit=False).bytes
                return due if goes_first(due, others, rate, end - now) else None
        return None

    def _read_places(self) -> list[PlaceName]:
        """The places that this shift reads, and not only lists."""
        return [name for name in self._places if name not in self._only_listed]

    def _affordable(self, name: PlaceName) -> int:
        """The bytes that may be read of a place in this shift."""
        return int(max(0, min(self._to_read(name).bytes, self._meter.left(name))))

    def _remark_on_budgets(self) -> None:
        """Say where not all was read because reading costs."""
        for name in self._places:
            waiting = self._ledger.work.totals(name)
            if name in self._only_listed:
                if waiting.wanted_files:
                    self._progress.say(
                        f"{name}: {count(waiting.wanted_files, 'file')} "
                        f"{'waits' if waiting.wanted_files == 1 else 'wait'} for a reading, which "
                        "no shift does there, since reading costs: `verifier spot-check "
                        f"{name.share}` reads them first."
                    )
            elif name in self._meter.places and (left := self._to_read(name)).files:
                self._progress.say(
                    f"{name}: {amount(max(0, int(self._meter.left(name))))} are left of what may "
                    f"be read of it this month, and {count(left.files, 'file')} of "
                    f"{amount(left.bytes)} {'waits' if left.files == 1 else 'wait'}."
                )

    def _each_turn(self) -> None:
        self._give_way()
        self._meter.write()

    def _give_way(self) -> None:
        """To others who need the disks, and to people whose day has begun after all."""
        self._heed_clock()
        self._giving_way.look()

    def _heed_clock(self) -> None:
        """Look at the clock.  Where it was set back, the bell may be another one.

        Then this shift ends: what it was to do until its bell, by a clock that was ahead, might be
        done in working hours.  Raises BellRang, or has the scheduler end.
        """
        before, now = self._clock_read, self._clock.now()
        self._clock_read = now
        if now >= before or self._window.end is None or now >= self._window.end:
            return
        if closed_until(self._settings, now) is None:
            window, _ = window_of(self._settings, now, self._request.until)
            if window.end == self._window.end:
                return
        self._window = structs.replace(self._window, end=now)
        self._engine.ring_at(now)
        if self._scheduler is None:
            raise BellRang
        self._scheduler.end_at(now)

    def _to_read(self, name: PlaceName, *, audit: bool = True) -> Left:
        """What is to be read of a place in this shift, with or without the rest of its round."""
        if name in self._only_listed:
            return Left()
        totals = self._ledger.work.totals(name)
        files = totals.unread_files + totals.wanted_files
        size = totals.unread_bytes + totals.wanted_bytes
        started = self._read_before.get(name)
        if started is not None and audit:
            read_files, read_bytes = self._ledger.work.read_since(name, started)
            files += max(0, totals.read_files - read_files)
            size += max(0, totals.read_bytes - read_bytes)
        return Left(files, size)

    def _left(self) -> Left:
        began = self._audit_began()
        lefts = [self._to_read(name, audit=began) for name, _ in all_places(self._settings)]
        return Left(sum(each.files for each in lefts), sum(each.bytes for each in lefts))

    def _bytes_read(self) -> int:
        return sum(self._readers.bytes_read(name) for name, _ in all_places(self._settings))

    def _files_read(self) -> int:
        read = 0 if self._scheduler is None else self._scheduler.files_read
        return self._first_looks.files_read + read

    def _line(self) -> Status | None:
        if self._scheduler is not None:
            return self._scheduler.status
        return self._first_looks.status()

    # ----------------------------------------------------------------------------- the verdicts

    def _between(self) -> None:
        """Every now and then while reading goes on."""
        self._look_again()
        self._judge_all()
        self._next_rounds()

    def _judge_all(self) -> None:
        """Judge each share whose source and mirror were seen in this shift."""
        for share in self._settings.shares:
            source = PlaceName(share.name)
            if source not in self._places:
                continue
            mirrors = [
                PlaceName(share.name, mirror.name)
                for mirror in share.mirrors
                if PlaceName(share.name, mirror.name) in self._places
            ]
            run_started = latest_run(
                share.mirror_runs,
                share.mirror_takes,
                self._settings.hours.zone,
                self._walked_at[share.name],
            )
            anew = share.name in self._anew
            self._anew.discard(share.name)
            self._judging_of(share).judge(
                mirrors, run_started, anew=anew, walked_from=self._walked_at[share.name]
            )
        self._request.alarms.judged(self._ledger)

    def _judging_of(self, share: Share) -> Judging:
        if share.name not in self._judgings:
            self._judgings[share.name] = Judging(
                self._ledger,
                share.name,
                share.slack_ns,
                self,
                self._clock.now,
                self._neighbourhood,
                lambda mirror: dated(share, mirror.place),
                self._only_listed,
                costly(self._settings),
                Released.of(self._ledger, share),
                self._hides,
            )
        return self._judgings[share.name]

    def _hides(self, place: PlaceName, path: bytes) -> bool:
        """True when a path lies below a folder that the last walk of a place could not list."""
        return self._unlisted[place].hides(path)

    def _has_closed_above(self, name: PlaceName, failed: Sighting) -> bool:
        """Whether a file that could not be read lies below a folder that closed since the walk.

        Then it is the folder that cannot be read: it is recorded as a walk would have done, and
        nobody knows how the file stands.  Raises PlaceUnreachable.
        """
        if failed.trouble is None or failed.trouble.unsettled:
            return False
        if self._unlisted[name].hides(failed.path):
            return True
        now, within = self._clock.now(), (name, failed.path[: failed.path.rfind(b"/") + 1])
        if self._found_open == within and 0 <= now - self._found_open_at < _STAYS_OPEN:
            return False
        try:
            folder = unlisted_above(self._places[name], failed.path)
        except BellRang:
            return True  # there is no time to see: the next shift tries it again
        if folder is None:
            self._found_open, self._found_open_at = within, self._clock.now()
            return False
        self._unlisted[name].add(folder.path)
        self._ledger.readings.see_unlisted(name, folder, int(self._clock.now()))
        return True

    def look(self, place: PlaceName, sighting: Sighting) -> Sighting:
        """A path's kind, dates and target now, its content unread."""
        if self._window.end is not None and self._clock.now() >= self._window.end:
            return _not_looked_at(sighting.path)
        try:
            (now,) = self._places[place].look_at(
                [sighting.path],
                frozenset({0}),
                Look(content=False),
                self._clock.now,
                self._readers.watch(place),
            )
        except PlaceUnreachable:
            return _not_looked_at(sighting.path)
        return now

    def examine(self, mirror: PlaceName, row: Judged) -> tuple[Damage | None, bool]:
        """Where and how a pair differs; False where there was no time to find out."""
        source = PlaceName(mirror.share)
        sides = (source, row.source), (mirror, row.mirror)
        at_most = None
        if self._window.end is not None:
            at_most = self._window.end - self._clock.now() - _EXAMINED_BEFORE_BELL
            if at_most <= 0:
                return None, False
        if not all(self._may_examine(name, seen) for name, seen in sides):
            return None, True
        try:
            damage = self._examination.of(
                Side(self._places[source], row.source, self._has_examined(source)),
                Side(self._places[mirror], row.mirror, self._has_examined(mirror)),
                at_most,
            )
        except (BellRang, PlaceUnreachable):
            return None, False
        return damage, True

    def _piece(self, name: PlaceName, path: bytes, piece: int) -> Sighting | None:
        """One segment of a file, read at once; None where there is no time for it."""
        end = self._window.end
        self._giving_way.wait(end)
        if name not in self._places or (end is not None and self._clock.now() >= end):
            return None
        try:
            return self._places[name].read_piece(
                path, piece, self._clock.now, self._readers.watch(name)
            )
        except (BellRang, PlaceUnreachable):
            return None

    def _may_examine(self, name: PlaceName, seen: Sighting | None) -> bool:
        """Whether a file may be read once more only to show where it differs."""
        return seen is None or self._meter.left(name) > seen.size

    def _has_examined(self, name: PlaceName) -> Callable[[int], None]:
        watch = self._readers.watch(name)

        def has_read(size: int) -> None:
            self._meter.besides(name, size)
            self._giving_way.wait(self._window.end)
            watch.allow(size)

        return has_read


def was_cut_off(shift: Shift) -> bool:
    """True for one that did not come to its end, or was made to stop."""
    return shift.ended is None or shift.stopped_by == StoppedBy.SIGNAL


def _not_looked_at(path: bytes) -> Sighting:
    """What is like nothing else, so that it is left to the next shift."""
    return Sighting(path, Kind.OTHER, 0, 0, target=b"", trouble=Trouble("not-looked-at"))


def audit_window(settings: Settings, now: float) -> tuple[float, float] | None:
    """The first time from ``now`` on in which the audit reads; `forecast` says what a night is."""
    ahead = now + timedelta(days=DAYS_A_WEEK + 2).total_seconds()
    for stretch in stretches(settings.hours, now, ahead, settings.audit.nights):
        return stretch.start, math.inf if stretch.end >= ahead else stretch.end
    return None


def _next_noon(settings: Settings, now: float) -> float:
    local = settings.hours.local(now)
    noon = local.replace(hour=12, minute=0, second=0, microsecond=0)
    while noon.timestamp() <= now:
        noon += timedelta(days=1)
    return noon.timestamp()


def _night_began(settings: Settings, before: float, now: float) -> bool:
    """True when ``now`` belongs to a later night than ``before``."""
    return _next_noon(settings, before) <= now
