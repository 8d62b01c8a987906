"""A year of Lantern Marsh Surveys: people, copy job, accidents, and the shifts that watch them.

`Year` runs the real shifts on simulated disks and collects a `Report`; `measures` says what must
hold of it, for the test and for the benchmark.
"""

from __future__ import annotations

import heapq
import shutil
from array import array
from bisect import bisect_right
from collections import defaultdict
from collections.abc import Callable, Iterator
from contextlib import ExitStack
from dataclasses import dataclass, field
from datetime import date, datetime, timedelta
from itertools import count
from pathlib import Path
from random import Random
from typing import Any, Final
from unittest.mock import patch
from zoneinfo import ZoneInfo

from tests.simulation.disks import AHEAD, WIDTH, Disks, PowerCut, SimulatedPlace
from tests.simulation.estate import (
    CLOUDS,
    ENDLESS,
    FLIGHTS,
    GB,
    KB,
    MB,
    NANOSECONDS,
    NOTES,
    REFERENCE,
    TB,
    Contents,
    Side,
    code_of,
    copied,
    filled,
    name_of,
    parse,
)
from verifier import forecast, scheduler, settings
from verifier.errors import LedgerFailed
from verifier.jobs import shift
from verifier.jobs.progress import Unwatched
from verifier.ledger import Ledger, LedgerFinding, NoticeKind, PlaceName
from verifier.ledger import readings as ledger_readings
from verifier.model import Side as Which
from verifier.model import Verdict
from verifier.settings import Settings

LISBON: Final = ZoneInfo("Europe/Lisbon")
DAY: Final = 86_400
FIRST_DAY: Final = date(2026, 9, 1)

MAIN, VAULT = PlaceName("current-surveys"), PlaceName("current-surveys", "vault")
SMALL, SMALL_VAULT = PlaceName("delivered-surveys"), PlaceName("delivered-surveys", "vault")
PLACES: Final = (MAIN, VAULT, SMALL, SMALL_VAULT)

TARGET_DAYS: Final = 90
MARGIN: Final = 600

TOML: Final = """
[studio]
name = "Lantern Marsh Surveys"
timezone = "Europe/Lisbon"
ledger = "{ledger}"
reports = "{reports}"

[hours]
working = ["Mon-Fri 08:30-19:00", "Sat 10:00-14:00"]
days_off = ["2026-10-05", "2026-12-24..2027-01-02", "2027-06-10"]
busy = [{{ from = "2027-02-01", to = "2027-02-14", working = ["Mon-Sun 07:00-24:00"] }}]
margin = "10 min"

[[share]]
name = "current-surveys"
source = "/volumes/bench/current-surveys"
mirror_runs = "23:00"
mirror_takes = "3 h 30 min"
[[share.mirror]]
name = "vault"
at = "/volumes/vault/current-surveys"

[[share]]
name = "delivered-surveys"
source = "/volumes/bench/delivered-surveys"
mirror_runs = "23:00"
mirror_takes = "3 h 30 min"
[[share.mirror]]
name = "vault"
at = "/volumes/vault/delivered-surveys"

[audit]
nights = ["Sat", "Sun"]
every_byte_within = "90 days"
"""

OFF: Final = [(date(2026, 10, 5),) * 2, (date(2026, 12, 24), date(2027, 1, 2))]
OFF += [(date(2027, 6, 10),) * 2]
BUSY: Final = date(2027, 2, 1), date(2027, 2, 14)
AWAY: Final = date(2026, 11, 10), date(2026, 11, 17)
"""From the first to the second the vault's share is not mounted."""

WORKED_IN: Final = 12
"""Projects that people have in hand at a time."""

SMALLEST_FORETOLD: Final = 10_000
"""Files of a place from which on a round's end is compared with what was said of it: in a smaller
estate, one file more or less that still fits into a night is a good part of a round."""

CUTS: Final = (date(2026, 9, 9), date(2027, 1, 16), date(2027, 5, 8))
"""Nights in which the power fails: in the first reading, and in two audits."""


def at(day: date, hour: int, minute: int = 0) -> float:
    """An instant by the studio's clock."""
    return datetime(day.year, day.month, day.day, hour, minute, tzinfo=LISBON).timestamp()


def people_work(moment: float) -> bool:
    """Whether it is working hours, worked out the plain way and without `WorkingHours`."""
    local = datetime.fromtimestamp(moment, LISBON)
    day, minute = local.date(), local.hour * 60 + local.minute
    if any(first <= day <= last for first, last in OFF):
        return False
    if BUSY[0] <= day <= BUSY[1]:
        return minute >= 7 * 60
    if local.weekday() == 5:
        return 10 * 60 <= minute < 14 * 60
    return local.weekday() < 5 and 8 * 60 + 30 <= minute < 19 * 60


class Minutes:
    """Every minute of the year: working hours, and with the margin before them."""

    def __init__(self, start: float, days: int) -> None:
        self.start = int(start) // 60
        self.working = bytearray(
            people_work((self.start + each) * 60) for each in range((days + 4) * 1440)
        )
        self.closed = bytearray(self.working)
        for minute in range(1, len(self.working)):
            if self.working[minute] and not self.working[minute - 1]:
                first = max(0, minute - MARGIN // 60)
                self.closed[first:minute] = b"\1" * (minute - first)

    def bytes_in(self, closed: bytearray, busy: array[float]) -> float:
        """Bytes that were read in such minutes."""
        found = 0.0
        for start, end, amount in zip(busy[::3], busy[1::3], busy[2::3], strict=True):
            for minute in range(int(start) // 60, int(end) // 60 + 1):
                if closed[minute - self.start]:
                    seconds = min(end, minute * 60 + 60) - max(start, minute * 60)
                    found += max(0.0, seconds) / (end - start) * amount
        return found

    def seconds_closed(self, moment: float) -> float:
        """For how long it has been closed."""
        minute = int(moment) // 60 - self.start
        if not self.closed[minute]:
            return 0.0
        while minute > 0 and self.closed[minute - 1]:
            minute -= 1
        return moment - (self.start + minute) * 60


@dataclass
class Plan:
    """One simulated year: how large, how fast, how it is run."""

    files: int = 12_000
    bytes: int = 1_440 * GB
    """Of each side."""
    full_bytes_per_second: int = 88 * MB
    """Of a place of 120 TB; a smaller one is read slower by as much, so that nights stay alike."""
    days: int = 365
    resident: bool = False
    held_for: float = 1.0
    """Simulated seconds between two commits."""
    held_bytes: int = ledger_readings.HELD_BYTES
    """Bytes that were read between two commits, at most."""
    ahead: int = AHEAD
    """Tasks that wait at a place for their turn; half as many answers are handed over together."""
    judged_every: float = 7200.0
    """Simulated seconds of reading between two judgements.  A shift takes 600, with which a year
    would do little but judge, again and again, what waits for the copy job."""
    full_walk_every: int = 28
    backup_every: int = 28
    seed: int = 7
    accidents: bool = True

    @property
    def speed(self) -> float:
        return self.full_bytes_per_second * self.bytes / (120 * TB)


@dataclass
class Planted:
    """A fault that somebody or something put there."""

    what: str
    place: PlaceName
    path: bytes
    side: Which
    at: float
    readings: list[int] = field(default_factory=list)
    """Of the path on that side, since then."""
    opened: LedgerFinding | None = None
    told_at: float | None = None
    repaired: float | None = None
    closed: float | None = None


@dataclass
class RoundForecast:
    """What was said of a round's end a week after its start.

    ``missed`` are the hours of audit nights between that and its end, ``took`` those of the whole
    round.  Days would tell little: what is read a minute too late on a Monday ends next Saturday.
    """

    place: PlaceName
    number: int
    started: float
    said: float | None
    ended: float | None = None
    missed: float = 0.0
    took: float = 0.0

    @property
    def off(self) -> float:
        return self.missed / self.took

    @property
    def foreseeable(self) -> bool:
        """False for a round in which the place was away for a week."""
        away = at(AWAY[0], 12)
        return self.place != VAULT or self.ended is None or not self.started < away < self.ended


@dataclass
class Report:
    """What came of a year."""

    files: int = 0
    bytes: int = 0
    start: float = 0.0
    bytes_read: int = 0
    shifts: int = 0
    read_in_working_hours: float = 0.0
    read_in_margin: float = 0.0
    late_stop: float = 0.0
    refused_in_working_hours: int = 0
    first_read_said: dict[PlaceName, float | None] = field(default_factory=dict)
    first_read_was: dict[PlaceName, float | None] = field(default_factory=dict)
    target_met_said: dict[PlaceName, bool] = field(default_factory=dict)
    longest_unread: dict[PlaceName, float] = field(default_factory=dict)
    longest_unread_path: dict[PlaceName, bytes] = field(default_factory=dict)
    rounds: dict[PlaceName, list[tuple[float, float | None]]] = field(default_factory=dict)
    forecasts: list[RoundForecast] = field(default_factory=list)
    cuts: int = 0
    repeated_after_cuts: int = 0
    repeated_after_bells: int = 0
    planted: list[Planted] = field(default_factory=list)
    transient: list[LedgerFinding] = field(default_factory=list)
    """Orphaned: deleted or renamed on the source, and not yet on the mirror."""
    false: list[LedgerFinding] = field(default_factory=list)
    evenings_waited: dict[PlaceName, int] = field(default_factory=dict)
    unmounted_notices: int = 0
    surges: int = 0
    vanished_while_away: int = 0
    unreachable: int = 0
    said: list[str] = field(default_factory=list)


class Studio:
    """The people, the copy job and the accidents: what happens in the world, and when."""

    def __init__(self, plan: Plan, start: float) -> None:
        self.plan = plan
        self.random = Random(plan.seed)
        self.contents = Contents()
        small = max(400, plan.files // 250)
        self.sides: dict[PlaceName, Side] = {}
        self.names: dict[PlaceName, list[bytes]] = {}
        size = plan.bytes // 100
        for source, mirror, files, amount in (
            (MAIN, VAULT, plan.files, plan.bytes),
            (SMALL, SMALL_VAULT, small, size),
        ):
            side, names = filled(self.contents, files, amount, int(start), plan.seed)
            self.sides[source], self.names[source] = side, names
            self.sides[mirror], self.names[mirror] = copied(side), names
        self.deleted: set[tuple[str, bytes]] = set()
        self._to_copy: dict[PlaceName, dict[tuple[bytes, int], None]] = defaultdict(dict)
        self._events: list[tuple[float, int, Callable[[float], None]]] = []
        self._number = count()
        self._new: dict[PlaceName, tuple[bytes, int]] = {}
        first = datetime.fromtimestamp(start, LISBON).date()
        for day in range(1, plan.days + 3):
            self.at(at(first + timedelta(days=day), 0, 10), self._day)
        if plan.accidents:
            self.at(at(AWAY[0], 12), lambda _: self._mount(False))
            self.at(at(AWAY[0] + timedelta(days=1), 12), lambda _: self._root(False))
            self.at(at(AWAY[1] - timedelta(days=1), 12), lambda _: self._root(True))
            self.at(at(AWAY[1], 12), lambda _: self._mount(True))

    def at(self, moment: float, what: Callable[[float], None]) -> None:
        """Have something happen."""
        heapq.heappush(self._events, (moment, next(self._number), what))

    def happens(self, now: float) -> float:
        """All that happens up to now; when the next thing does."""
        while self._events and self._events[0][0] <= now:
            moment, _, what = heapq.heappop(self._events)
            what(moment)
        return self._events[0][0] if self._events else float("inf")

    def quiet_path(self, place: PlaceName, random: Random) -> bytes:
        """A file that nobody works with: not small, not huge."""
        side = self.sides[place]
        while True:
            project = random.choice(self.names[place][: len(self.names[place]) // 2])
            tree = side.projects[project]
            index = random.randrange(len(tree.codes))
            if 1 * MB < tree.sizes[index] < 900 * MB:
                return project + b"/" + name_of(tree.codes[index])

    # -------------------------------------------------------------------------------- a day

    def _day(self, moment: float) -> None:
        day = datetime.fromtimestamp(moment, LISBON).date()
        for share in (MAIN, SMALL):
            minutes = [
                minute for minute in range(0, 1440, 5) if people_work(at(day, 0) + minute * 60)
            ]
            if minutes:
                self._work(share, [at(day, 0) + each * 60 for each in minutes])
            self.at(at(day, 23), lambda now, share=share: self._copy(share, now, 3.4 * 3600))

    def _work(self, share: PlaceName, moments: list[float]) -> None:
        random = self.random
        busier = 3 if len(moments) > 180 else 1
        often = max(3, self.plan.files * busier // 4_000) if share is MAIN else 4
        for _ in range(often):
            self.at(random.choice(moments) + random.random() * 200, self._edits(share))
        for _ in range(max(2, often // 3)):
            self.at(random.choice(moments) + random.random() * 200, self._adds(share))
        for _ in range(max(1, often // 30)):
            self.at(random.choice(moments) + random.random() * 200, self._deletes(share))
            self.at(random.choice(moments) + random.random() * 200, self._renames(share))

    def _edits(self, share: PlaceName) -> Callable[[float], None]:
        return lambda now: self._changed(share, now, self._edit)

    def _deletes(self, share: PlaceName) -> Callable[[float], None]:
        return lambda now: self._changed(share, now, self._delete)

    def _renames(self, share: PlaceName) -> Callable[[float], None]:
        return lambda now: self._changed(share, now, self._rename)

    def _adds(self, share: PlaceName) -> Callable[[float], None]:
        return lambda now: self._add(share, now)

    def _changed(
        self, share: PlaceName, now: float, how: Callable[[PlaceName, bytes, int, float], None]
    ) -> None:
        """Somebody works in one of the later projects, never on a huge file."""
        names = self.names[share][len(self.names[share]) * 4 // 5 :]
        first = int(now // (30 * DAY)) * WORKED_IN % len(names)  # others each month
        project = self.random.choice(names[first : first + WORKED_IN])
        tree = self.sides[share].projects.get(project)
        if tree is None:
            return
        index = self.random.randrange(len(tree.codes))
        if tree.sizes[index] < 4 * GB:
            how(share, project, tree.codes[index], now)

    def _edit(self, share: PlaceName, project: bytes, code: int, now: float) -> None:
        side = self.sides[share]
        tree = side.projects[project]
        index = tree.find(code)
        assert index is not None
        date = int(now * NANOSECONDS)
        size = max(1, tree.sizes[index] + self.random.randrange(-500, 500))
        side.put(project, code, size, date, date, self.contents.next())
        self._to_copy[share][project, code] = None

    def _delete(self, share: PlaceName, project: bytes, code: int, now: float) -> None:
        self.sides[share].remove(project, code)
        self._to_copy[share][project, code] = None
        self.deleted.add((share.share, project + b"/" + name_of(code)))

    def _rename(self, share: PlaceName, project: bytes, code: int, now: float) -> None:
        side = self.sides[share]
        tree = side.projects[project]
        index = tree.find(code)
        if index is None or not code & 1:
            return
        size, date, content = tree.sizes[index], tree.dates[index], tree.contents[index]
        self._delete(share, project, code, now)
        side.put(project, code & ~1, size, date, int(now * NANOSECONDS), content)
        self._to_copy[share][project, code & ~1] = None

    def _add(self, share: PlaceName, now: float) -> None:
        """One file of a flight that is being brought in; a new project after each forty."""
        project, index = self._new.get(share, (b"", 10**9))
        if index >= 40:
            names = self.names[share]
            project, index = b"2027-%05d-new-pier" % len(names), 0
            names.append(project)
        folder = self.random.choice((*FLIGHTS, *FLIGHTS, NOTES, CLOUDS))
        size = {NOTES: 20 * KB, CLOUDS: 400 * MB}.get(folder, 25 * MB)
        date = int(now * NANOSECONDS)
        self.sides[share].put(
            project, code_of(folder, index), size, date, date, self.contents.next()
        )
        self._to_copy[share][project, code_of(folder, index)] = None
        self._new[share] = project, index + 1

    # ---------------------------------------------------------------------------- the copy job

    def _copy(self, share: PlaceName, now: float, takes: float) -> None:
        mirror = PlaceName(share.share, "vault")
        if not (self.sides[mirror].mounted and self.sides[mirror].root_is_there):
            return
        waiting, self._to_copy[share] = self._to_copy[share], {}
        step = takes / (len(waiting) + 1)
        for number, (project, code) in enumerate(waiting):
            self.at(
                now + (number + 1) * step,
                lambda then, project=project, code=code: self.copy(share, project, code, then),
            )

    def copy(self, share: PlaceName, project: bytes, code: int, now: float) -> None:
        """Make one path of the mirror what it is on the source."""
        source, mirror = self.sides[share], self.sides[PlaceName(share.share, "vault")]
        tree = source.projects.get(project)
        index = None if tree is None else tree.find(code)
        if tree is None or index is None:
            mirror.remove(project, code)
            return
        written = int(now * NANOSECONDS)
        mirror.put(
            project, code, tree.sizes[index], tree.dates[index], written, tree.contents[index]
        )

    # ------------------------------------------------------------------------------- accidents

    def _mount(self, on: bool) -> None:
        self.sides[VAULT].mounted = on
        if on:  # somebody starts the copy job by hand, and it is done before the evening
            self._copy(MAIN, at(AWAY[1], 12, 5), 3 * 3600)

    def _root(self, there: bool) -> None:
        self.sides[VAULT].root_is_there = there


class YearsLedger(Ledger):
    """A ledger that is backed up on some evenings only."""

    backs_up = True

    def back_up(self, now: int, each_page: Any = lambda done, total: None) -> Path | None:
        return super().back_up(now, each_page) if self.backs_up else None


class _Night(shift._Night):
    """A shift whose walks pass over projects in which nothing was written since the last one.

    What a walk of everything would see is the same; only the guards look at whole walks.  A power
    cut changes nothing about that: what a walk has applied is committed, and were it not, nobody
    would look again, so that it would show.
    """

    whole: dict[PlaceName, bool]

    def _walk(self, share: Any, name: PlaceName, place: Any) -> None:
        side = place.side
        if self.whole[name] or not side.mounted:
            touched, side.touched = side.touched, set()  # people go on writing meanwhile
            walked = False
            try:
                super()._walk(share, name, place)
                walked = name in self._places
            finally:
                if walked:
                    self.whole[name] = False
                else:
                    side.touched |= touched
            return
        place._disks.walks(side.files)
        with self._ledger.transaction():  # as of the one walk that these are in place of
            for project in sorted(side.touched):
                walk = self._ledger.walk(name, self._shift, below=project + b"/")
                walk.take(side.sightings(project))
                walk.apply(int(self._clock.now()))
        side.touched.clear()
        place.check()
        self._places[name] = place
        self._just_walked.add(name)


class SimulatedShifts(shift.Shifts):
    """Shifts on simulated disks."""

    disks: Disks
    backs_up: bool

    def __enter__(self) -> SimulatedShifts:
        with ExitStack() as kept:
            self.ledger = kept.enter_context(YearsLedger(self._request.settings.studio.ledger))
            self.ledger.backs_up = self.backs_up
            self._engine = self._readers = self.disks
            self._kept = kept.pop_all()
        return self


class Year:
    """One year, run."""

    def __init__(self, plan: Plan, folder: Path) -> None:
        self.plan = plan
        self.folder = folder
        self.start = at(FIRST_DAY, 19, 5)
        self.end = self.start + plan.days * DAY
        self.settings = self._settings(folder / "ledger.db")
        self.studio = Studio(plan, self.start)
        self.report = Report(start=self.start)
        self._watched: dict[PlaceName, dict[bytes, Planted]] = {place: {} for place in PLACES}
        speed = plan.speed
        self.speeds = {MAIN: speed, VAULT: speed * 1.05, SMALL: 4 * speed, SMALL_VAULT: 4 * speed}
        self.disks = Disks(
            self.start,
            self.studio.sides,
            self.speeds,
            self.studio.happens,
            self._was_read,
            self._watched,
            plan.resident,
            plan.ahead,
        )
        self.disks.ends = self.end
        self._evenings = [
            at(FIRST_DAY + timedelta(days=each), 19, 5) for each in range(plan.days + 1)
        ]
        self._forecasts: list[RoundForecast] = []
        self._entries: dict[PlaceName, int] = {}
        self._whole = dict.fromkeys(PLACES, True)
        self._walked_whole = -1
        self._died = False
        self._running: SimulatedShifts
        self.minutes = Minutes(self.start, plan.days)
        self.disks.at_cut = self._die

    def _settings(self, ledger: Path) -> Settings:
        text = TOML.format(ledger=ledger, reports=self.folder / "reports")
        return settings.parse(text.encode(), self.folder / "settings.toml", {})

    # ------------------------------------------------------------------------------- the year

    def run(self) -> Report:
        """The whole year."""
        studio, report, plan = self.studio, self.report, self.plan
        report.files = sum(side.files for side in studio.sides.values())
        report.bytes = sum(side.bytes for side in studio.sides.values())
        self._say_on_day_one()
        if plan.accidents:
            self._plant()
        random = Random(plan.seed + 1)
        if plan.accidents:
            self.disks.cuts = [at(day, 22) + random.random() * 6 * 3600 for day in CUTS]
        names = {each.at: each for each in self.disks.places.values()}

        def open_place(address: Any) -> SimulatedPlace:
            names[address.path].check()
            return names[address.path]

        with ExitStack() as replaced:
            for where, what, by in (
                (shift, "_Night", _Night),
                (shift, "open_place", open_place),
                (shift, "walk_dated", lambda place, ignore: place.walked()),
                (ledger_readings, "HELD_FOR", plan.held_for),
                (ledger_readings, "HELD_BYTES", plan.held_bytes),
                (scheduler, "JUDGED_EVERY", plan.judged_every),
            ):
                replaced.enter_context(patch.object(where, what, by))
            _Night.whole = self._whole
            for moment in self._starts():
                while moment >= self.disks.now and self._one_shift(moment):
                    # The power failed.  The machine starts again, and a line of the crontab says
                    # what it does then.
                    moment = self.disks.now + 600
        self._conclude()
        return report

    def _starts(self) -> Iterator[float]:
        """The lines of the studio's crontab, and once somebody who starts one by day.

        In the evening, after midnight for those weeks in which the evening is closed, and on
        Saturdays after work.
        """
        for number in range(self.plan.days):
            day = FIRST_DAY + timedelta(days=number)
            if number:
                yield at(day, 0, 5)
            if number == 20:
                yield at(day, 11, 0)
            if day.weekday() == 5:
                yield at(day, 14, 5)
            yield at(day, 19, 5)

    def _one_shift(self, moment: float) -> bool:
        """Start a shift then; True when a power cut ended it."""
        disks, report = self.disks, self.report
        number = int((moment - self.start) // DAY)
        if number // self.plan.full_walk_every != self._walked_whole:
            self._walked_whole = number // self.plan.full_walk_every
            self._whole.update(dict.fromkeys(PLACES, True))
        SimulatedShifts.disks = disks
        SimulatedShifts.backs_up = number % self.plan.backup_every == 0
        request = shift.Request(self.settings)
        shifts = SimulatedShifts(request, Unwatched(), shift.Clock(disks.clock, disks.sleep))
        try:
            disks.sleep(moment - disks.now)
            with shifts:
                self._running = shifts
                self._remember(shifts.ledger)
                if self.plan.resident:
                    shifts.stay(lambda result: self._after(shifts.ledger, result))
                    return False
                result = shifts.run()
                if result.number is None:
                    report.refused_in_working_hours += 1
                else:
                    self._after(shifts.ledger, result)
        except (PowerCut, LedgerFailed) as error:
            if not self._died:
                raise error
            self._start_again()
            return True
        except KeyboardInterrupt:
            pass
        return False

    # ------------------------------------------------------------------------------- accidents

    def _die(self) -> None:
        """The power fails: only what is on the disk by now will be there again."""
        ledger = self._running.ledger
        self.report.cuts += 1
        self.report.repeated_after_cuts += ledger.readings._bytes + self.disks.gives_up()
        ledger.readings._held.clear()
        for end in ("", "-wal"):
            file = Path(f"{ledger.path}{end}")
            if file.exists():
                shutil.copyfile(file, f"{ledger.path}.left{end}")
        ledger._store.close()
        self._died = True

    def _start_again(self) -> None:
        self._died = False
        path = self.settings.studio.ledger
        for end in ("", "-wal", "-shm"):
            Path(f"{path}{end}").unlink(missing_ok=True)
        for end in ("", "-wal"):
            left = Path(f"{path}.left{end}")
            if left.exists():
                left.rename(f"{path}{end}")
        with Ledger(path) as ledger:
            self.report.said += ledger.soundness()

    def _plant(self) -> None:
        random, studio = Random(self.plan.seed + 2), self.studio
        for what, place, side, day in (
            ("unlike", VAULT, Which.UNKNOWN, 0),
            ("rot", VAULT, Which.MIRROR, 45),
            ("rot", MAIN, Which.SOURCE, 60),
            ("missing", VAULT, Which.MIRROR, 80),
            ("rot", VAULT, Which.MIRROR, 100),
            ("rot", SMALL_VAULT, Which.MIRROR, 120),
            ("rot", MAIN, Which.SOURCE, 150),
            ("rot", VAULT, Which.MIRROR, 190),
            ("missing", VAULT, Which.MIRROR, 210),
        ):
            moment = self.start + day * DAY + random.random() * DAY * bool(day)
            if moment > self.end - 100 * DAY:
                continue
            path = studio.quiet_path(place, random)
            planted = Planted(what, place, path, side, moment)
            self.report.planted.append(planted)
            if day:
                studio.at(moment, lambda _, planted=planted: self._harm(planted))
            else:
                self._harm(planted)

    def _harm(self, planted: Planted) -> None:
        side = self.studio.sides[planted.place]
        found = side.at(planted.path)
        assert found is not None
        tree, index = found
        if planted.what == "missing":
            side.remove(*parse(planted.path))
        else:
            tree.contents[index] = self.studio.contents.next()
        self._watched[planted.place][planted.path] = planted

    def _repair(self, planted: Planted, now: float) -> None:
        """Somebody brings the good copy back, with its date."""
        share = planted.place.share
        good = PlaceName(share, "vault") if planted.place.is_source else PlaceName(share)
        found = self.studio.sides[good].at(planted.path)
        assert found is not None
        tree, index = found
        self.studio.sides[planted.place].put(
            *parse(planted.path),
            tree.sizes[index],
            tree.dates[index],
            int(now * NANOSECONDS),
            tree.contents[index],
        )
        planted.repaired = now

    # ---------------------------------------------------------------------------- looking on

    def _was_read(
        self, place: PlaceName, path: bytes, before: int, written: int, moment: int
    ) -> None:
        report = self.report
        if path in self._watched[place]:
            self._watched[place][path].readings.append(moment)
        seen = written / NANOSECONDS
        if before < seen and (self.start < seen or place.share == SMALL.share):
            waited = bisect_right(self._evenings, moment) - bisect_right(self._evenings, seen)
            if waited > report.evenings_waited.get(place, 0):
                report.evenings_waited[place] = waited

    def _remember(self, ledger: Ledger) -> None:
        self._entries = {name: ledger.work.totals(name).entries for name in ledger.places()}

    def _after(self, ledger: Ledger, result: shift.Result) -> None:
        report, now = self.report, self.disks.now
        report.shifts += 1
        report.late_stop = max(report.late_stop, self.minutes.seconds_closed(now))
        report.unreachable += len(result.unreachable)
        for notice in result.notices:
            report.unmounted_notices += notice.what is NoticeKind.UNMOUNTED
            report.surges += notice.what is NoticeKind.SURGE
        vault = self.studio.sides[VAULT]
        if not (vault.mounted and vault.root_is_there):
            entries = ledger.work.totals(VAULT).entries
            report.vanished_while_away += self._entries[VAULT] - entries
        for planted in report.planted:
            self._look_at(planted, ledger, now)
        for name in ledger.places():
            self._look_at_round(name, ledger, now)
        self._remember(ledger)

    def _look_at(self, planted: Planted, ledger: Ledger, now: float) -> None:
        mirror = PlaceName(planted.place.share, "vault")
        if planted.closed is not None or planted.at > now:
            return
        lasting = ledger.findings.lasting_at(mirror, planted.path)
        if planted.opened is None and lasting is not None:
            planted.opened = lasting
            day = datetime.fromtimestamp(now, LISBON).date() + timedelta(days=3)
            self.studio.at(at(day, 12), lambda then: self._repair(planted, then))
            self.disks.look_ahead()
        elif planted.repaired is not None and lasting is None:
            planted.closed = now

    def _look_at_round(self, name: PlaceName, ledger: Ledger, now: float) -> None:
        current = ledger.rounds.current(name)
        if current is None or current.number < 2 or name.share != MAIN.share:
            return
        if current.ended is not None or now < current.started + 6.5 * DAY:
            return
        if any(each.place == name and each.number == current.number for each in self._forecasts):
            return
        hours, nights = self.settings.hours, self.settings.audit.nights
        seconds = forecast.open_seconds(hours, current.started, now - current.started, nights)
        done = ledger.work.read_since(name, current.started)[1]
        pace = done / seconds
        left = ledger.work.totals(name).bytes - done
        said = forecast.ends(hours, now, left, pace, nights)
        self._forecasts.append(RoundForecast(name, current.number, current.started, said))

    # ------------------------------------------------------------------------ first and last

    def _say_on_day_one(self) -> None:
        hours, nights = self.settings.hours, self.settings.audit.nights
        within = self.settings.audit.every_byte_within.total_seconds()
        for name, side in self.studio.sides.items():
            size, speed = side.bytes, self.speeds[name]
            said = forecast.ends(hours, self.start, size, speed)
            self.report.first_read_said[name] = said
            target = forecast.within(hours, self.start, size, speed, within, nights)
            self.report.target_met_said[name] = target.met

    def _conclude(self) -> None:
        report, minutes = self.report, self.minutes
        for name, lane in self.disks.lanes.items():
            report.bytes_read += round(lane.read)
            report.read_in_working_hours += minutes.bytes_in(minutes.working, lane.busy)
            report.read_in_margin += minutes.bytes_in(minutes.closed, lane.busy)
            report.longest_unread[name] = lane.longest_unread
            report.longest_unread_path[name] = lane.longest_unread_path
            for project, tree in lane.side.projects.items():
                for code, read in zip(tree.codes, tree.read, strict=True):
                    if read and self.end - read > report.longest_unread[name]:
                        report.longest_unread[name] = self.end - read
                        report.longest_unread_path[name] = project + b"/" + name_of(code)
        report.repeated_after_bells = self.disks.lost_at_bells
        planted = {(each.place.share, each.path) for each in report.planted}
        with Ledger(self.settings.studio.ledger) as ledger:
            report.said += ledger.soundness()
            for finding in ledger.findings.all():
                where = finding.share, finding.path
                if where in planted:
                    continue
                deleted = finding.verdict is Verdict.ORPHANED and where in self.studio.deleted
                (report.transient if deleted else report.false).append(finding)
            for name in ledger.places():
                rounds = list(ledger.rounds.all(name))
                report.rounds[name] = [(each.started, each.ended) for each in rounds]
                report.first_read_was[name] = rounds[0].ended if rounds else None
                for each in self._forecasts:
                    if each.place == name:
                        self._compare(each, rounds[each.number - 1].ended)
        report.forecasts = [each for each in self._forecasts if each.ended is not None]

    def _compare(self, said: RoundForecast, ended: float | None) -> None:
        said.ended = ended
        if ended is None or said.said is None:
            return
        hours, nights = self.settings.hours, self.settings.audit.nights
        first, last = sorted((said.said, ended))
        said.missed = forecast.open_seconds(hours, first, last - first, nights)
        started = said.started
        said.took = forecast.open_seconds(hours, started, ended - started, nights)


@dataclass
class Measure:
    """One thing that must hold of a year."""

    name: str
    figure: str
    target: str
    held: bool


def _days(seconds: float | None) -> str:
    return "never" if seconds is None else f"{seconds / DAY:.1f}"


def measures(plan: Plan, report: Report) -> Iterator[Measure]:
    """What must hold of a year in which the target can be met."""
    yield from _of_hours(plan, report)
    yield from _of_reading(plan, report)
    if plan.accidents:
        yield from _of_accidents(plan, report)
        yield from _of_findings(report)


def _of_hours(plan: Plan, report: Report) -> Iterator[Measure]:
    read = report.read_in_working_hours
    yield Measure("bytes read in working hours", f"{read:.0f}", "0", read == 0)
    read = report.read_in_margin
    yield Measure("bytes read in them or in their margin", f"{read:.0f}", "0", read == 0)
    late = report.late_stop
    yield Measure("a shift's end after the bell", f"{late:.2f} s", "<= 1 s", late <= 1)
    if not plan.resident:
        refused = report.refused_in_working_hours
        yield Measure("shifts refused in working hours", f"{refused}", ">= 1", refused >= 1)


def _of_reading(plan: Plan, report: Report) -> Iterator[Measure]:
    for name in (MAIN, VAULT):
        said, was = report.first_read_said[name], report.first_read_was.get(name)
        assert said is not None
        took = None if was is None else was - report.start
        yield Measure(
            f"first full read, {name}",
            f"{_days(took)} days, {_days(said - report.start)} said",
            "within 10 %, or two nights",
            was is not None and abs(was - said) <= max(0.1 * (said - report.start), 2 * DAY),
        )
        said_so = "met" if report.target_met_said[name] else "not to be met"
        longest = report.longest_unread[name]
        within = longest <= TARGET_DAYS * DAY
        yield Measure(
            f"longest unread, {name}",
            f"{_days(longest)} days, {said_so} on day one",
            f"<= {TARGET_DAYS} days as said",
            within == report.target_met_said[name],
        )
    if plan.accidents and plan.files >= SMALLEST_FORETOLD:
        for each in report.forecasts:
            if each.foreseeable and each.place.share == MAIN.share:
                yield Measure(
                    f"end of round {each.number}, {each.place}, said after a week",
                    f"off by {each.off:.1%} of its hours",
                    "<= 10 %",
                    each.off <= 0.1,
                )
    # A shift looks for new files when it starts.  Over a long weekend it is under way from
    # Saturday to Tuesday, and what the copy job brings on Saturday night waits for the next one.
    for name, most in ((SMALL, 1), (SMALL_VAULT, 3)):
        waited = report.evenings_waited.get(name, 0)
        yield Measure(
            f"evenings that new files waited, {name}", f"{waited}", f"<= {most}", waited <= most
        )


def _of_accidents(plan: Plan, report: Report) -> Iterator[Measure]:
    yield Measure("power cuts", f"{report.cuts}", "3", report.cuts == 3)
    repeated, largest = report.repeated_after_cuts, ENDLESS * plan.bytes / REFERENCE
    most = report.cuts * (2 * WIDTH * largest + len(PLACES) * plan.speed * 1.1 * plan.held_for)
    yield Measure(
        "bytes read again after power cuts",
        f"{repeated / GB:.1f} GB of {report.bytes_read / GB:,.0f} GB",
        f"<= {most / GB:.1f} GB, what was under way",
        repeated <= most,
    )
    sound = not report.said
    yield Measure("the ledger after each power cut", "sound" if sound else "", "sound", sound)
    seen = report.unmounted_notices
    yield Measure("notices of an unmounted place", f"{seen}", ">= 2", seen >= 2)
    gone = report.vanished_while_away
    yield Measure("paths that vanished with it", f"{gone}", "0", gone == 0)


def _of_findings(report: Report) -> Iterator[Measure]:
    false = len(report.false)
    yield Measure("false findings", f"{false}", "0", false == 0)
    for planted in report.planted:
        place = planted.place
        yield Measure(
            f"{planted.what} on {place}, day {(planted.at - report.start) / DAY:.0f}",
            _told(planted, report),
            "found by its second reading, the right side, closed",
            _found(planted),
        )


def _found(planted: Planted) -> bool:
    """Found on the right side, in the shift after its next reading at the latest, and closed."""
    opened = planted.opened
    if opened is None or planted.closed is None or opened.finding.side is not planted.side:
        return False
    if planted.what == "missing":
        return opened.verdict is Verdict.MISSING and opened.first_seen - planted.at <= 4 * DAY
    before = [each for each in planted.readings if each <= opened.first_seen]
    if opened.verdict is not Verdict.CORRUPT or len(before) < 2:
        return False
    # Before there is an agreement, nothing can be said until both sides were read.
    return planted.what == "unlike" or opened.first_seen - before[0] <= 2 * DAY


def _told(planted: Planted, report: Report) -> str:
    if planted.opened is None:
        return "not found"
    found = (planted.opened.first_seen - report.start) / DAY
    closed = "open"
    if planted.closed is not None:
        closed = f"closed day {(planted.closed - report.start) / DAY:.0f}"
    return f"day {found:.0f}, {planted.opened.finding.side}, {closed}"
