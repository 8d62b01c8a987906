"""The job `preflight`: before the first reading, is everything as it must be, and how long will
reading take?

It lists and reads shares only in open hours, or when a person overrides them, which the ledger
records.  In working hours it looks at each root and no further.  It must never write into a
share, not even to find out whether it could.
"""

from __future__ import annotations

import getpass
import os
import shutil
import sys
import time
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import Future
from contextlib import closing, suppress
from datetime import UTC, datetime
from enum import StrEnum
from itertools import combinations
from pathlib import Path
from typing import Final

from msgspec import Struct

from verifier import forecast, guards, output
from verifier.engine import BellRang, ReadingEngine
from verifier.errors import (
    ClusterUnready,
    OutputFailed,
    PlaceUnreachable,
    ReadersLost,
    RequestRefused,
    VerifierError,
)
from verifier.expected import Missed
from verifier.hours import DAYS, WorkingHours, days_in_words
from verifier.ignore import Ignore
from verifier.inside import lies_in
from verifier.jobs.engines import engine_for
from verifier.jobs.measuring import (
    PART,
    READ_AT_MOST,
    READ_FOR,
    READ_WHERE_IT_COSTS,
    Sample,
    read_part,
    reading_time,
)
from verifier.jobs.missed import missed_lately
from verifier.jobs.paces import pace_by
from verifier.jobs.progress import Gauge, Progress
from verifier.jobs.remarks import clock_remarks
from verifier.jobs.spending import Budget, budgets, days_for, limits_of, month_of, spend
from verifier.jobs.trees import refuse_temporary_inside
from verifier.ledger import (
    SOURCE,
    Ledger,
    Override,
    PlaceName,
    Totals,
    backups_of,
)
from verifier.measures import amount, count, duration
from verifier.model import Kind, Sighting, printable
from verifier.places.addresses import Address, shown
from verifier.places.base import (
    AS_FOLDERS,
    Place,
    ReachedByLink,
    Remark,
    Traits,
    Writing,
    is_empty,
    let_go,
)
from verifier.places.opening import place_at
from verifier.reading import INODES_REMEMBERED
from verifier.sending import refuse_without_library
from verifier.settings import (
    EngineKind,
    Settings,
    Share,
    duration_in_words,
    label_of,
    secrets_of,
    with_secrets,
)
from verifier.settings.where import state_folder
from verifier.walker import walk_dated

RELEASED: Final = datetime(2026, 1, 1, tzinfo=UTC)
"""The year of this program: a clock that shows an earlier one is wrong."""

LIST_FOR: Final = 60.0
"""Seconds that one place is listed for at most; what it holds is then said not to be complete."""

CHECKED_IN_FULL: Final = 256 << 20
"""Bytes of a ledger of which every page is checked: a second or two."""

A_SIGHTING: Final = 250
COPIES: Final = 8
"""Bytes that the ledger needs for each path of each place, and how often it stands there: itself
and its seven backups.  Measured by tests/benchmarks/ledger.py."""

WEEKS_AHEAD: Final = 4
_WEEK: Final = 7 * 86_400


class State(StrEnum):
    """What a check came to: look is for a person to decide, and fails nothing."""

    GOOD = "good"
    LOOK = "look"
    WRONG = "wrong"


class Check(Struct, frozen=True, omit_defaults=True):
    """One line: what was checked, what it came to, and what to do when it is not good."""

    check: str
    state: State
    detail: str
    advice: str | None = None
    share: str | None = None
    place: str | None = None


class FirstRead(Struct, frozen=True):
    """How long reading everything once will take.  ``ends`` is None when not within ten years.

    ``bytes_per_second`` is of all places together.  ``complete`` is False when not everything
    could be listed or measured, so that it will take longer than is said.
    """

    bytes: int
    bytes_per_second: float
    seconds: float
    ends: datetime | None
    complete: bool


class Report(Struct, frozen=True):
    """All of it."""

    checks: tuple[Check, ...]
    first_read: FirstRead | None

    def number(self, state: State) -> int:
        """How many checks came to that."""
        return sum(check.state is state for check in self.checks)

    @property
    def exit_status(self) -> int:
        """0 when nothing is wrong, else 3."""
        return 3 if self.number(State.WRONG) else 0


def preflight(
    found: Settings,
    progress: Progress,
    *,
    override: bool = False,
    told: Callable[[Check], None] = lambda check: None,
    now: Callable[[], float] = time.time,
) -> Report:
    """Check everything that the settings name; ``told`` is called with each check as it is made.

    ``override`` has it list and read in working hours too.
    """
    return _Preflight(found, progress, override, told, now).run()


class _Place:
    """One place of a share, and what was found out of it."""

    def __init__(self, share: Share, name: str, address: Address) -> None:
        self.share = share
        self.name = name
        self.address = address
        self.at = shown(address)
        self.place: Place | None = None
        self.why_none = ""
        try:
            self.place = place_at(address)
        except PlaceUnreachable as error:
            self.why_none = str(error)
        if self.place is not None:
            self.at = self.place.at
        self.reached = False
        self.listed = False
        self.complete = False
        self.entries = 0
        self.files = 0
        self.bytes = 0
        self.unlisted: list[bytes] = []
        self.sample = Sample()
        self.pace: float | None = None

    @property
    def root(self) -> bytes | None:
        """The folder of this machine that it is, None where it is none."""
        return None if self.place is None else self.place.root

    @property
    def full_name(self) -> PlaceName:
        return PlaceName(self.share.name, self.name)

    def says(self, check: str, state: State, detail: str, advice: str | None = None) -> Check:
        return Check(check, state, detail, advice, self.share.name, self.name)


class _Preflight:
    def __init__(
        self,
        found: Settings,
        progress: Progress,
        override: bool,
        told: Callable[[Check], None],
        now: Callable[[], float],
    ) -> None:
        self._settings = found
        self._hours = found.hours
        self._progress = progress
        self._override = override
        self._told = told
        self._now = now
        self._started = now()
        self._checks: list[Check] = []
        self._known: dict[PlaceName, Totals] = {}
        self._places = [place for share in found.shares for place in _places(share)]
        self._overridden = False
        self._record: Check | None = None
        self._missed = Missed()
        self._budgets = {
            name: Budget(name, month_of(found.hours, self._started), limit, 0)
            for name, limit in limits_of(found).items()
        }
        self._readers_fit = True
        self._stop_at = 0.0
        """Until when it may list and read, on the system's steady clock: the bell."""

    def run(self) -> Report:
        self._say(self._settings_read())
        clock = self._say(self._clock())
        self._say(self._time_zone())
        self._say(self._user())
        self._say(self._open_hours())
        if not self._places:
            self._say(
                Check(
                    "shares",
                    State.LOOK,
                    "The settings name no share, so there is nothing to check.",
                    "Add one with 'verifier setup', or by hand as docs/settings.md shows.",
                )
            )
        self._say_each(self._apart())
        temporary = self._temporary()
        ledger = self._ledger(may_read=clock.state is State.GOOD and temporary is None)
        self._say(ledger)
        if self._record is not None:
            self._say(self._record)
        if self._overridden:
            detail = "The hours are closed, and --now overrides them; the ledger has recorded that."
            self._say(Check("override", State.GOOD, detail))
        self._say(self._reports())
        self._say_each(self._notices())
        self._say(self._who_reads())
        if temporary is not None:
            self._say(temporary)
        if self._places:
            self._say_each(self._look_at_places())
            self._say_each(self._seen_alike())
            self._say_each(self._room())
        first_read = self._say_first_read(self._measure())
        let_go(*(each.place for each in self._places))
        return Report(tuple(self._checks), first_read)

    def _say(self, check: Check) -> Check:
        self._checks.append(check)
        self._told(check)
        return check

    def _say_each(self, checks: Iterator[Check]) -> None:
        for check in checks:
            self._say(check)

    def _when(self, instant: float) -> str:
        moment = self._hours.local(instant)
        return f"{DAYS[moment.weekday()]} {moment:%Y-%m-%d %H:%M}"

    # ------------------------------------------------------------------- this machine, the settings

    def _settings_read(self) -> Check:
        shares = self._settings.shares
        named = ", ".join(
            f"{share.name} with {count(len(share.mirrors), 'mirror')}" for share in shares
        )
        file = printable(os.fsencode(os.path.abspath(self._settings.file)))
        return Check("settings", State.GOOD, f"{file} was read: {named or 'no shares'}.")

    def _clock(self) -> Check:
        shown = self._when(self._started)
        if self._started < RELEASED.timestamp():
            return Check(
                "clock",
                State.WRONG,
                f"This machine's clock shows {shown}, which is long over.",
                "Set the clock; without it working hours cannot be kept.",
            )
        return Check("clock", State.GOOD, f"It is {shown} in the studio's time zone.")

    def _time_zone(self) -> Check:
        zone = self._settings.studio.timezone
        weeks = [self._started + week * _WEEK for week in range(53)]
        if all(_system_offset(each) == self._offset(each) for each in weeks):
            return Check("timezone", State.GOOD, f"{zone}; this machine's clock runs alike.")
        here = datetime.fromtimestamp(self._started).astimezone()
        return Check(
            "timezone",
            State.LOOK,
            f"The settings say {zone}, and this machine's own clock shows {here:%H:%M} "
            f"({here.tzname()}). The settings count.",
            f"Nothing, if the studio's people live by {zone}; else change studio.timezone.",
        )

    def _offset(self, instant: float) -> int:
        offset = self._hours.local(instant).utcoffset()
        assert offset is not None
        return round(offset.total_seconds())

    def _user(self) -> Check:
        if _is_root():
            return Check(
                "user",
                State.LOOK,
                "This runs as root, which can write everywhere.",
                "Run it as an account of its own that can read the shares and not write them.",
            )
        return Check("user", State.GOOD, f"This runs as {who_runs_it()}.")

    def _open_hours(self) -> Check:
        hours, start = self._hours, self._started
        if not hours.working and not hours.busy:
            return Check(
                "hours",
                State.LOOK,
                "No working hours are set, so that reading is allowed at any time.",
                "Nothing, if nobody minds; else set hours.working.",
            )
        change = hours.next_change(start)
        until = f"until {self._when(change)}" if change is not None else "for ever"
        is_open = hours.is_open(start)
        state = "Open now: reading is allowed" if is_open else "Closed now: nothing is read"
        a_week = forecast.hours_a_week(hours, start, WEEKS_AHEAD * _WEEK)
        longest = forecast.longest(hours, start, WEEKS_AHEAD)
        detail = f"{state} {until}. In the coming {WEEKS_AHEAD} weeks "
        if longest is None:
            advice = "Wait until these weeks are over, or set fewer busy days."
            return Check("hours", State.LOOK, f"{detail}no hour is open.", advice)
        on_end = _hours(longest.seconds / 3600)
        detail += f"{a_week:.0f} h a week are open, at most {on_end} on end."
        return Check("hours", State.GOOD, detail)

    # ------------------------------------------------------------------------ where it writes

    def _temporary(self) -> Check | None:
        """What must be put aside in temporary files must not end up in a share."""
        try:
            refuse_temporary_inside(*(each.root for each in self._places))
        except RequestRefused as refused:
            return _refused("temporary", refused)
        return None

    def _ledger(self, may_read: bool) -> Check:
        """Open the ledger, or make it; learn what it knows; record an override there."""
        path = self._settings.studio.ledger
        if wrong := self._not_ready("ledger", path.parent, path):
            self._allow_reading(may_read, None)
            return wrong
        new = not os.path.lexists(path)
        try:
            with Ledger(path) as ledger:
                known = set(ledger.places())
                for place in self._places:
                    if place.full_name in known:
                        self._known[place.full_name] = ledger.work.totals(place.full_name)
                size = path.stat().st_size
                in_full = size <= CHECKED_IN_FULL
                faults = ledger.soundness() if in_full else ()
                self._missed = missed_lately(self._settings, ledger, self._started)
                self._budgets = {
                    each.place: each for each in budgets(self._settings, ledger, self._started)
                }
                self._allow_reading(may_read, None if faults else ledger)
                self._record = None if faults else _record(ledger)
        except VerifierError as error:
            self._allow_reading(may_read, None)
            return _refused("ledger", error)
        shown = printable(os.fsencode(path))
        if faults:
            return Check(
                "ledger",
                State.WRONG,
                f"{shown} is not sound: {faults[0]}",
                "Put the newest backup beside it in its place, or move it away to start anew.",
            )
        if new:
            return Check("ledger", State.GOOD, f"{shown} was made; it is new and empty.")
        how = "every page was checked" if in_full else "opened; too large to check every page now"
        return Check("ledger", State.GOOD, f"{shown} is sound ({amount(size)}; {how}).")

    def _allow_reading(self, may_read: bool, ledger: Ledger | None) -> None:
        """From here on it may list and read until the bell, or, overridden, as long as it likes.

        Without a ledger to record it in, nothing is overridden.
        """
        at = self._now()
        if not may_read or self._stop_at:
            return
        if self._hours.is_open(at):
            bell = self._hours.next_change(at)
            left = float("inf") if bell is None else bell - at
            self._stop_at = time.monotonic() + left
        elif self._override and ledger is not None and self._places:
            why = "Listed and measured in working hours, as --now asked."
            ledger.shifts.add_override(Override(int(at), who_runs_it(), "preflight --now", why))
            self._stop_at = float("inf")
            self._overridden = True

    def _reports(self) -> Check:
        folder = self._settings.studio.reports
        if wrong := self._not_ready("reports", folder, folder):
            return wrong
        try:
            output.try_out(folder / "report")
        except OutputFailed as error:
            return _refused("reports", error)
        return Check("reports", State.GOOD, f"{printable(os.fsencode(folder))} can be written.")

    def _notices(self) -> Iterator[Check]:
        """Whether anybody would be told; nothing is sent."""
        notify = self._settings.notify
        try:
            if notify.to:
                refuse_without_library()
            values = secrets_of(notify.secrets, os.environ)
            for each in (*notify.to, *filter(None, [notify.heartbeat])):
                with_secrets(each, values)
        except RequestRefused as refused:
            yield _refused("notices", refused)
        else:
            if notify.to:
                labels = ", ".join(
                    label_of(each, number) for number, each in enumerate(notify.to, 1)
                )
                detail = f"Told: {labels}. `verifier notify --test` shows whether it arrives."
                yield Check("notices", State.GOOD, detail)
            else:
                yield Check(
                    "notices",
                    State.LOOK,
                    "Nobody is told of anything: notify.to names nobody.",
                    "Add an address as docs/notices.md shows, or look at the findings yourself.",
                )
        if self._missed:
            yield Check(
                "nights",
                State.LOOK,
                _missed_in_words(self._missed, self._hours),
                "See why: was the machine off, the timer stopped, or the shift ended by somebody?",
            )

    def _not_ready(self, check: str, folder: Path, shown: Path) -> Check | None:
        """What is wrong with a folder to write in; a missing one is made where that is safe.

        Safe is a folder whose parent is there, or the user's own state folder: parents that are
        missing may be a disk that is not mounted.
        """
        real = os.path.realpath(os.fsencode(folder))
        for place in self._places:
            if place.root is not None and lies_in(real, place.root):
                return Check(
                    check,
                    State.WRONG,
                    f"{printable(os.fsencode(shown))} lies inside {place.at}, where nothing may "
                    "be written.",
                    f"Set studio.{check} to a path outside of every share.",
                )
        own = state_folder(os.environ)
        try:
            folder.mkdir(0o700, parents=folder == own or own in folder.parents, exist_ok=True)
        except OSError as error:
            reason = (error.strerror or str(error)).lower()
            return Check(
                check,
                State.WRONG,
                f"{printable(os.fsencode(folder))} is no folder and cannot be made: {reason}.",
                f"Make it for this user, or set studio.{check} to another one.",
            )
        return None

    # ------------------------------------------------------------------------- the shares

    def _apart(self) -> Iterator[Check]:
        """No place may be another one or lie inside of it, whatever its name is."""
        places = [(each, each.root) for each in self._places if each.root is not None]
        together = False
        for one, two in combinations(places, 2):
            for (inner, inner_root), (outer, outer_root) in ((two, one), (one, two)):
                if lies_in(inner_root, outer_root):
                    together = True
                    both = lies_in(outer_root, inner_root)
                    yield inner.says(
                        "apart",
                        State.WRONG,
                        f"{inner.at} {'is the same folder as' if both else 'lies inside'} "
                        f"{outer.at}, so that it proves nothing of a copy.",
                        "Name folders that lie apart; see what is mounted where.",
                    )
                    break
        if len(places) > 1 and not together:
            yield Check("apart", State.GOOD, "No place is another one or lies inside of it.")

    def _look_at_places(self) -> Iterator[Check]:
        for place in self._places:
            check = self._root_of(place)
            if check is None and self._may_read():
                check = self._listed(place)
            if check is None:
                check = place.says("place", State.GOOD, f"{place.at} can be listed.")
            yield check
            if place.reached:
                yield from _told_of(place)
            if (budget := self._budgets.get(place.full_name)) is not None:
                yield self._budget(place, budget)
        if not self._may_read() and any(each.reached for each in self._places):
            yield self._left_out()

    def _budget(self, place: _Place, budget: Budget) -> Check:
        """What may be read of a place where that costs or is limited."""
        spent = f"{amount(budget.spent)} were read in {budget.month}"
        if budget.limit is None:
            return place.says(
                "budget",
                State.GOOD,
                "Shifts only list it, since reading costs; spot-checks and clearances read it. "
                f"{spent}.",
            )
        detail = (
            f"Shifts read at most {amount(budget.limit)} of it a month: {spent}, "
            f"{amount(budget.left)} are left."
        )
        size = place.bytes or (
            self._known[place.full_name].bytes if place.full_name in self._known else 0
        )
        days = days_for(size, budget.limit)
        if not size:
            return place.says("budget", State.GOOD, detail)
        detail += f" To read all of it once takes {duration(days * 86_400)}."
        if days * 86_400 <= self._settings.audit.every_byte_within.total_seconds():
            return place.says("budget", State.GOOD, detail)
        return place.says(
            "budget",
            State.LOOK,
            detail,
            "Nothing, if that is meant; else raise its read_at_most or audit.every_byte_within.",
        )

    # ------------------------------------------------------------------------- the readers

    def _who_reads(self) -> Check:
        """Whether those who will read are there and fit for it."""
        try:
            with self._readers_of(self._places) as engine:
                return Check("engine", State.GOOD, engine.described())
        except (RequestRefused, ClusterUnready) as error:
            self._readers_fit = False
            return _refused("engine", error)

    def _seen_alike(self) -> Iterator[Check]:
        """Whether workers see the trees that this machine sees; who does not is not measured."""
        found = [each for each in self._places if each.listed and _traits(each).can_be_mounted]
        by_cluster = self._settings.engine.kind is not EngineKind.LOCAL
        if not (by_cluster and self._readers_fit and found and self._may_read()):
            return
        try:
            with self._readers_of(found) as engine:
                for each in found:
                    assert each.place is not None
                    try:
                        engine.look_first(each.place)
                    except PlaceUnreachable as error:
                        each.listed = False
                        yield each.says("workers", State.WRONG, *_in_two(str(error)))
                    else:
                        detail = "Every worker sees the tree that this machine sees."
                        yield each.says("workers", State.GOOD, detail)
        except (ClusterUnready, ReadersLost) as error:
            self._readers_fit = False
            yield _refused("engine", error)

    def _readers_of(self, places: Sequence[_Place]) -> ReadingEngine:
        return engine_for(
            self._settings.engine,
            [_traits(each) for each in places],
            inline=self._settings.engine.kind is EngineKind.LOCAL,
            pace=pace_by(self._settings),
        )

    def _may_read(self) -> bool:
        return time.monotonic() < self._stop_at

    def _root_of(self, place: _Place) -> Check | None:
        """What is wrong with a root, which is all that working hours let it look at."""
        if place.place is None:
            return place.says("place", State.WRONG, *_in_two(place.why_none))
        try:
            place.place.check()
            empty = is_empty(place.place)
        except PlaceUnreachable as error:
            return place.says("place", State.WRONG, *_in_two(str(error)))
        place.reached = True
        if empty:
            return place.says(
                "place",
                State.WRONG,
                f"{place.at} is empty, as an unmounted folder is.",
                "Check that it is mounted; a new mirror must be filled by the copy job first.",
            )
        return None

    def _listed(self, place: _Place) -> Check:
        """Count what a place holds, and set it beside what the ledger knows."""
        if self._progress.watched:
            self._progress.say(f"Listing {place.at} ...")
        known = self._known.get(place.full_name)
        try:
            self._list(place)
            short = place.complete and known is not None and place.files * 2 < known.files
            if short and self._was_released(place):
                short = False
        except VerifierError as error:
            return place.says("place", State.WRONG, *_in_two(str(error)))
        holds = f"{place.at}: {count(place.files, 'file')}, {amount(place.bytes)}"
        if short and known is not None:
            return place.says(
                "place",
                State.WRONG,
                f"{holds}, under half of the {known.files:,} that the ledger knows.",
                "Check that all of it is mounted, and that nobody emptied it, before any copy job "
                "runs.",
            )
        if place.unlisted:
            return place.says(
                "place",
                State.WRONG,
                f"{holds}. {count(len(place.unlisted), 'path')} could not be looked at, such as "
                f"{printable(place.unlisted[0])}.",
                "Let this user list every folder; what it cannot see it cannot check.",
            )
        if not place.complete:
            return place.says(
                "place",
                State.LOOK,
                f"{holds}, and more: listing was ended before it was complete.",
                "Nothing; the times below are too short by what was not counted.",
            )
        return place.says("place", State.GOOD, f"{holds}.")

    def _was_released(self, place: _Place) -> bool:
        """Whether what is gone from a source left with certificates, as a shift would see it.

        Lists the place once more, beside what the ledger knows; records nothing.
        """
        assert place.place is not None
        if not place.full_name.is_source:
            return False
        with Ledger(self._settings.studio.ledger) as ledger:
            if not ledger.certificates.of(place.share.name):
                return False
            walk = ledger.walk(place.full_name)
            try:
                seen = walk_dated(place.place, Ignore(place.share.ignore))
                summary = walk.take(self._until(self._stop_at, seen))
            except BellRang:
                return False
            finally:
                walk.discard()
        return guards.emptied(summary) is None

    def _until(self, end: float, sightings: Iterator[Sighting]) -> Iterator[Sighting]:
        for sighting in sightings:
            if time.monotonic() >= end:
                raise BellRang
            yield sighting

    def _list(self, place: _Place) -> None:
        assert place.place is not None
        until = min(self._stop_at, time.monotonic() + LIST_FOR)
        counted: set[tuple[int, int]] = set()
        place.listed = True
        with closing(walk_dated(place.place, Ignore(place.share.ignore))) as sightings:  # type: ignore[type-var]
            for sighting in sightings:
                if time.monotonic() >= until:
                    return
                place.entries += 1
                if sighting.trouble is not None:
                    place.unlisted.append(sighting.path)
                if sighting.kind is not Kind.FILE:
                    continue
                place.files += 1
                if sighting.links > 1 and len(counted) < INODES_REMEMBERED:
                    inode = (sighting.device, sighting.inode)
                    if inode in counted:
                        continue  # one content under several names is read once
                    counted.add(inode)
                place.bytes += sighting.size
                place.sample.add(sighting.path, sighting.size)
        place.complete = True

    def _left_out(self) -> Check:
        if self._hours.is_open(self._now()):
            return Check(
                "measuring",
                State.LOOK,
                "Listing and measuring were left out because of what is wrong above.",
                "See to that, then run preflight again.",
            )
        opens = self._hours.next_change(self._now())
        when = "they never open" if opens is None else f"they open on {self._when(opens)}"
        if self._override:
            return Check(
                "measuring",
                State.WRONG,
                f"The hours are closed ({when}), and --now could not be recorded.",
                "See to what is wrong above, then run preflight again.",
            )
        return Check(
            "measuring",
            State.LOOK,
            f"Listing and measuring were left out: the hours are closed, {when}.",
            "Run 'verifier preflight' again then; or now with --now, which the ledger records.",
        )

    def _room(self) -> Iterator[Check]:
        """Whether the ledger and its backups will fit on their disk."""
        known = [
            each.entries if each.complete else max(each.entries, self._known_entries(each))
            for each in self._places
        ]
        path = self._settings.studio.ledger
        if not any(known) or not path.parent.is_dir():
            return
        total = sum(known) * A_SIGHTING * COPIES
        there = sum(_size(each) for each in (path, *backups_of(path)))
        free = shutil.disk_usage(path.parent).free
        folder = printable(os.fsencode(path.parent))
        detail = (
            f"{folder} has {amount(free)} free; the ledger and its backups of "
            f"{count(sum(known), 'path')} take some {amount(total)}."
        )
        if free + there >= total:
            yield Check("room", State.GOOD, detail)
            return
        # The first walks need the ledger itself and as much again.
        state = State.LOOK if free + there >= total * 2 // COPIES else State.WRONG
        yield Check("room", state, detail, "Make room there, or keep the ledger on another disk.")

    def _known_entries(self, place: _Place) -> int:
        known = self._known.get(place.full_name)
        return 0 if known is None else known.entries

    # ----------------------------------------------------------------- how long reading takes

    def _measure(self) -> Iterator[Check]:
        """Read some of every place, those of one share side by side as later on."""
        for share in self._settings.shares:
            places = [each for each in self._places if each.share is share and each.listed]
            if places and self._readers_fit and self._may_read():
                yield from self._measure_share(share, places)

    def _measure_share(self, share: Share, places: Sequence[_Place]) -> Iterator[Check]:
        troubles: dict[str, list[str]] = {each.name: [] for each in places}
        ended = {each.name: time.monotonic() for each in places}
        traits = [_traits(each) for each in places]
        with engine_for(self._settings.engine, traits) as engine:
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
            until = min(self._stop_at, started + READ_FOR)
            waiting: list[tuple[_Place, Future[str | None]]] = []
            for place, lane, files in zip(places, engine.lanes, chosen, strict=True):

                def note(_: object, name: str = place.name) -> None:
                    ended[name] = time.monotonic()

                for length, path in files:
                    task = lane.submit(
                        0, read_part, place.place, path, length, until, long=length >= PART
                    )
                    task.add_done_callback(note)
                    waiting.append((place, task))
            with self._progress.show(gauges):
                for place, task in waiting:
                    try:
                        trouble = task.result()
                    except PlaceUnreachable as error:
                        trouble = str(error)
                    if trouble is not None:
                        troubles[place.name].append(trouble)
            for place, lane in zip(places, engine.lanes, strict=True):
                seconds = ended[place.name] - started
                if lane.bytes_read and seconds > 0:
                    place.pace = lane.bytes_read / seconds
                yield _pace(place, lane.bytes_read, troubles[place.name])
                if isinstance(place.place, ReachedByLink) and not troubles[place.name]:
                    yield _remarked(place, place.place.try_link())
            sizes = {
                place.full_name: lane.bytes_read
                for place, lane in zip(places, engine.lanes, strict=True)
            }
        with suppress(VerifierError):  # what is wrong with the ledger was told above
            spend(self._settings, sizes, self._now())

    def _say_first_read(self, measured: Iterator[Check]) -> FirstRead | None:
        self._say_each(measured)
        shares = [
            [
                (each.bytes, each.pace)
                for each in self._places
                if each.share is share
                and each.pace is not None
                and each.full_name not in self._budgets
            ]
            for share in self._settings.shares
        ]
        total = sum(size for share in shares for size, _ in share)
        if not total:
            return None
        limit = self._settings.pace.at_most
        seconds = reading_time(shares, None if limit is None else limit.bytes_per_second)
        pace = total / seconds
        at = self._now()
        ends = forecast.ends(self._hours, at, total, pace)
        complete = all(each.complete and (each.pace or not each.bytes) for each in self._places)
        self._say(self._target(total, pace, at))
        local = None if ends is None else self._hours.local(round(ends))
        return FirstRead(total, pace, seconds, local, bool(complete))

    def _target(self, size: int, pace: float, at: float) -> Check:
        audit = self._settings.audit
        length = audit.every_byte_within
        found = forecast.within(self._hours, at, size, pace, length.total_seconds(), audit.nights)
        nights = (
            "every night"
            if len(audit.nights) == len(DAYS)
            else f"the nights of {days_in_words(audit.nights)}"
        )
        needed = found.hours_a_week_needed
        assert needed is not None
        detail = (
            f"To re-read every byte within {duration_in_words(length)} takes {_hours(needed)} a "
            f"week; {_hours(found.hours_a_week)} are open, counting {nights}."
        )
        if found.met:
            return Check("target", State.GOOD, detail)
        ways = []
        if (missing := found.hours_a_week_missing) is not None:
            ways.append(f"open {_hours(missing)} a week more (audit.nights, hours)")
        if (faster := found.bytes_per_second_needed) is not None:
            ways.append(f"read at {amount(round(faster))}/s in place of {amount(round(pace))}/s")
        ways.append("allow more time (audit.every_byte_within)")
        advice = " or ".join([", ".join(ways[:-1]), ways[-1]]) if ways[:-1] else ways[-1]
        return Check("target", State.LOOK, detail, f"{advice[:1].upper()}{advice[1:]}.")


def _places(share: Share) -> Iterator[_Place]:
    addresses = [(SOURCE, share.source), *((each.name, each.at) for each in share.mirrors)]
    for name, address in addresses:
        yield _Place(share, name, address)


def _size(path: Path) -> int:
    try:
        return path.stat().st_size
    except OSError:
        return 0


def who_runs_it() -> str:
    """The user's name, or number where there is no name."""
    try:
        return getpass.getuser()
    except (OSError, KeyError, ImportError):
        return f"user {os.getuid()}" if sys.platform != "win32" else "an unnamed user"


def _is_root() -> bool:
    return sys.platform != "win32" and os.geteuid() == 0


def _system_offset(instant: float) -> int:
    return time.localtime(instant).tm_gmtoff


def _in_two(sentence: str) -> tuple[str, str | None]:
    """A sentence of the errors' family: what is wrong, and what to do."""
    what, dot, advice = sentence.rpartition(". ")
    return (f"{what}.", advice) if dot else (sentence, None)


def _refused(check: str, error: VerifierError) -> Check:
    return Check(check, State.WRONG, *_in_two(str(error)))


def _record(ledger: Ledger) -> Check:
    """Whether what was recorded stands as it was: the chain, recomputed from its records."""
    changed, (number, link) = ledger.chain.verify(), ledger.chain.head()
    if changed:
        more = f" {len(changed) - 1} more such." if changed[1:] else ""
        return Check(
            "record",
            State.WRONG,
            f"The record is not as it was written: {changed[0]}{more}",
            "Find out who can write the ledger; set it beside its backups and the links on "
            "certificates and mails. Until then do not rely on what it says of the past.",
        )
    if not number:
        return Check("record", State.GOOD, "The record: no entries yet.")
    entries = count(number, "entry", "entries")
    return Check("record", State.GOOD, f"The record: {entries}, unbroken. Its head is {link}.")


def _told_of(place: _Place) -> Iterator[Check]:
    """What is to be known of a place that was reached."""
    assert place.place is not None
    try:
        for remark in (*place.place.remarks(), *clock_remarks(place.place, place.share.slack)):
            yield _remarked(place, remark)
        yield _writing(place, place.place.writing())
    except PlaceUnreachable as error:
        yield place.says("place", State.WRONG, *_in_two(str(error)))


def _remarked(place: _Place, remark: Remark) -> Check:
    state = State.GOOD if remark.good else State.LOOK
    return place.says(remark.check, state, remark.detail, remark.advice)


def _writing(place: _Place, found: Writing) -> Check:
    """Whether this user could write to a place.  Asked of the system; nothing is tried."""
    if found is Writing.READ_ONLY:
        return place.says("writing", State.GOOD, "It is mounted read-only.")
    if found is Writing.DENIED:
        detail = "This user cannot write there, as far as its top folder tells."
        return place.says("writing", State.GOOD, detail)
    if found is Writing.BY_ROOT:
        detail = "It can be written, since this runs as root."
        account = "as said above" if place.root is not None else "for the key to log in as"
        advice = f"Use an account of its own, {account}, or mount it read-only."
        return place.says("writing", State.LOOK, detail, advice)
    if found is Writing.UNKNOWN:
        detail = "Nobody can say whether this user could write there. Verifier never does."
        advice = "See to it that what this runs as is allowed to read there, and nothing else."
        return place.says("writing", State.LOOK, detail, advice)
    return place.says(
        "writing",
        State.LOOK,
        "This user could write there. Verifier never does, but something else run by it might.",
        "Use an account that cannot write there, or mount it read-only.",
    )


def _traits(place: _Place) -> Traits:
    return AS_FOLDERS if place.place is None else place.place.traits


def _chosen(place: _Place) -> Sequence[tuple[int, bytes]]:
    """Bytes and path of each file that a place's pace is measured by."""
    assert place.place is not None
    if place.place.traits.reading_costs:
        return place.sample.chosen(READ_WHERE_IT_COSTS, READ_WHERE_IT_COSTS)[:1]
    return place.sample.chosen(READ_AT_MOST, PART)


def _pace(place: _Place, read: int, troubles: Sequence[str]) -> Check:
    if troubles:
        return place.says(
            "reading",
            State.WRONG,
            f"{count(len(troubles), 'file')} could not be read, such as {troubles[0]}",
            "Let this user read every file; if it may already, look at the disk.",
        )
    if place.pace is None:
        if place.bytes:
            detail = f"It gave no byte in {duration(READ_FOR)}."
            return place.says("reading", State.WRONG, detail, "Look at its disk or its network.")
        return place.says("reading", State.GOOD, "There is nothing to read.")
    detail = f"Read at {amount(round(place.pace))}/s ({amount(read)}, past the cache)."
    return place.says("reading", State.GOOD, detail)


def _missed_in_words(found: Missed, hours: WorkingHours) -> str:
    said = []
    if found.nights:
        days = [f"{DAYS[each.day.weekday()]} {each.day}" for each in found.nights]
        shown = ", ".join(days[-7:])
        said.append(f"No shift ran in {count(len(days), 'night')} in which one was expected: ")
        said.append(f"{'..., ' if len(days) > 7 else ''}{shown}. ")
    for started in found.unfinished[-3:]:
        moment = hours.local(started)
        said.append(
            f"The shift of {DAYS[moment.weekday()]} {moment:%Y-%m-%d %H:%M} did not come to its "
            "end. "
        )
    return "".join(said).rstrip()


def _hours(number: float) -> str:
    """Hours of a week, as exactly as a person plans."""
    if number >= 10:
        return f"{number:.0f} h"
    return duration(number * 3600) if number * 60 >= 1 else "under a minute"
