"""One spot-check at work: units are drawn, read on all sides, read again where they look bad."""

from __future__ import annotations

import queue
import time
from collections import Counter, defaultdict
from collections.abc import Callable, Iterator
from concurrent.futures import Future
from contextlib import ExitStack, closing
from functools import partial
from itertools import chain, islice
from typing import Final

from msgspec import Struct, structs

from verifier.diff.comparison import Judged
from verifier.engine import BellRang, Watch
from verifier.errors import LedgerRefused, PlaceUnreachable, RequestRefused, Stopped
from verifier.jobs.apart import refuse_no_copy
from verifier.jobs.engines import engine_for
from verifier.jobs.examination import Examination, Side
from verifier.jobs.giving_way import GivingWay
from verifier.jobs.judging import Judging
from verifier.jobs.neighbourhood import Neighbourhood
from verifier.jobs.opening import dated, open_ledger, places_of
from verifier.jobs.paces import pace_by
from verifier.jobs.progress import Gauge, Progress
from verifier.jobs.spending import Meter, budgets, costly, only_listed, told
from verifier.jobs.spot_check.asked import refuse_without_ledger
from verifier.jobs.spot_check.sample import (
    Extent,
    Request,
    Sample,
    Step,
    Unit,
    any_stands,
    population_of,
    read_piece_packed,
)
from verifier.jobs.spot_check.tally import Ended, Gone, Hidden, Result, Tally
from verifier.jobs.spot_check.verdicts import (
    Verdicts,
    has_left,
    is_as_seen,
    is_edited,
    is_gone,
)
from verifier.ledger import (
    FindingState,
    Ledger,
    LedgerFinding,
    PlaceName,
    only_shift,
)
from verifier.measures import count
from verifier.model import (
    Damage,
    Kind,
    Sighting,
    Trouble,
    Verdict,
    composed,
    forms_of,
    printable,
)
from verifier.places.base import (
    READ_ALONE_FROM,
    Look,
    Place,
    heed,
    is_empty,
    let_go,
    unlisted_above,
    unpack,
)
from verifier.places.opening import open_place, traits_at
from verifier.reading import read_alone_packed
from verifier.scheduler import JUDGED_EVERY
from verifier.spill import SortedSpill
from verifier.unlisted import Unlisted

_AHEAD: Final = 8
"""Units under way: what comes behind an unfinished one is lost to the statement at the bell."""

_HELD_AT_MOST: Final = 2_000
"""Units that need a judgement, held until the next one."""

_WAITING_AT_MOST: Final = 10_000
"""Files that wait for a reading which one spot-check makes; the rest is for the next."""

_FEW: Final = 5
"""Files below which nothing is said of a place as a whole: so many can vanish by chance."""

UNLIKE: Final = "A spot-check found a piece of it unlike: a reading of the whole must show it."
"""Why the next shift is to read a file that a spot-check had no time for."""

_TURN: Final = 0.5
"""Seconds that answers are waited for before the clock and the pressure are looked at."""

_EXAMINED_BEFORE_END: Final = 1.0
"""Seconds before the end at which no damage is looked into any more."""

_FROM_DISK: Final = Look(content=True, past_cache=True, gentle=True)

_BAD: Final = frozenset({Verdict.CORRUPT, Verdict.STALE, Verdict.MISSING, Verdict.UNREADABLE})
_READ_TWICE: Final = frozenset(
    {Verdict.CORRUPT, Verdict.MISSING, Verdict.UNREADABLE, Verdict.UNSETTLED}
)


class _Held(Struct, frozen=True):
    """What was read of a unit that the ledger must judge: a first and a second time."""

    first: dict[PlaceName, Sighting]
    second: dict[PlaceName, Sighting] | None


class _Doubt(Struct, frozen=True):
    """A path that was judged, the mirrors on which it is bad, and whether that was a reading's
    own instability."""

    path: bytes
    bad: tuple[str, ...]
    unstable: bool = False


class SpotCheck:
    """One spot-check: enter it, `run` it, then ask for its `findings`.

    Raises RequestRefused, LedgerRefused, among them ShiftRunning, and PlaceUnreachable.
    """

    def __init__(
        self, request: Request, progress: Progress, now: Callable[[], float] = time.time
    ) -> None:
        self._request = request
        self._settings = request.settings
        self._share = request.settings.share(request.share)
        self._source = PlaceName(request.share)
        self._progress = progress
        self._now = now
        self._kept = ExitStack()
        self._places: dict[PlaceName, Place] = {}
        self._lost: dict[PlaceName, str] = {}
        self._end: float | None = request.bell
        self._underway: dict[int, Unit] = {}
        self._answers: queue.SimpleQueue[Callable[[], None]] = queue.SimpleQueue()
        self._rang = False
        self._tally = Tally(request)
        self._in_pieces: set[bytes] = set()
        """Files of which a piece is done: each counts once for the guards, as a file does."""
        self._seen: Counter[PlaceName] = Counter()
        self._gone: Counter[PlaceName] = Counter()
        self._changed = self._unsettled = self._unconfirmed = 0
        self._surge: str | None = None
        self._held: list[_Held] = []
        self._unlisted: defaultdict[PlaceName, Unlisted] = defaultdict(Unlisted)
        self._closed: list[tuple[PlaceName, Sighting]] = []
        """The folders above drawn files that cannot be listed."""
        self._closed_recorded = 0
        self._looked_at: set[tuple[PlaceName, bytes]] = set()
        """Paths whose reading was recorded to be judged, wherever they lie."""
        self._stopped = False
        self._only_listed = only_listed(request.settings)

    def __enter__(self) -> SpotCheck:
        with ExitStack() as kept:
            names = [name for name, _ in places_of(self._share)]
            traits = [traits_at(address) for _, address in places_of(self._share)]
            refuse_without_ledger(self._settings, self._share.name)
            # The readers start before the ledger is opened: no forked process may hold it open.
            self._engine = kept.enter_context(
                engine_for(self._settings.engine, traits, 1, pace=pace_by(self._settings))
            )
            self._giving_way = GivingWay(
                self._settings.pace.yield_above, self._engine, self._progress, self._now
            )
            self._examination = Examination(clock=self._giving_way.steady)
            self._lanes = dict(zip(names, self._engine.lanes, strict=True))
            self._watches: dict[PlaceName, Watch] = {
                name: self._engine.own_watch(number) for number, name in enumerate(names)
            }
            self.ledger: Ledger = kept.enter_context(open_ledger(self._settings))
            if not kept.enter_context(only_shift(self.ledger.path, int(self._now()))):
                self._progress.say(
                    "This system has no lock that would keep a shift out: see to it that none runs."
                )
            self._verdicts = Verdicts(self._settings, self._share, self.ledger, self._now)
            self._judging = Judging(
                self.ledger,
                self._share.name,
                self._verdicts.slack_ns,
                self,
                self._now,
                dated=lambda mirror: dated(self._share, mirror.place),
                only_listed=self._only_listed,
                released=self._verdicts.released,
                hides=self._hides,
            )
            self._meter = Meter(
                self._settings,
                self.ledger,
                lambda name: self._lanes[name].bytes_read,
                self._now,
                names,
            )
            self._doubts: SortedSpill[_Doubt] = kept.enter_context(
                closing(SortedSpill(_Doubt, lambda each: each.path))
            )
            kept.enter_context(closing(self._tally))
            self._kept = kept.pop_all()
        return self

    def __exit__(self, *error: object) -> None:
        self._engine.stop()
        let_go(*self._places.values())
        self._kept.close()

    def run(self) -> Result:
        """Draw, read, judge; ends at the bell, when the minutes are up, or by a signal."""
        population = self._population()
        self._open_places()
        with closing(Sample(self._request, self.ledger, population)) as sample:
            started = self._now()
            ends_by = self._set_bell(started)
            waiting = self._waiting()
            self._tell_costs(sample)
            ended = self._read_all(sample, waiting, ends_by)
            if len(self._doubts):
                self._judging.finish(
                    PlaceName(self._share.name, mirror.name) for mirror in self._share.mirrors
                )
                self._search_around(int(started))
            return self._result(population, sample, int(started), ended)

    def findings(self) -> Iterator[LedgerFinding]:
        """The open findings on what was drawn, by path and mirror."""
        for lasting in self._lasting():
            if lasting.state is FindingState.OPEN:
                yield lasting

    def exit_status(self, result: Result) -> int:
        """0 nothing needs a person, 1 something does, 3 something was not reached or finished."""
        if result.left_out or result.ended in (Ended.SIGNAL, Ended.WORKING_HOURS):
            return 3
        if not all(self._is_accepted_as_closed(*each) for each in self._closed):
            return 3
        status = 1 if result.surge is not None or result.unconfirmed else 0
        for each in self.findings():
            if each.verdict is Verdict.UNREADABLE:
                return 3
            status = 1
        for doubt in self._doubts:
            if doubt.unstable:
                return 3
            if not all(self._is_accepted(name, doubt.path) for name in doubt.bad):
                status = 1
        all_borne_out = 0 < result.left.files == result.left.borne_out
        shows_nothing = not result.drawn and (result.hidden.files > 0 or not all_borne_out)
        return 3 if shows_nothing and not status else status

    # ------------------------------------------------------------------------ what there is

    def _population(self) -> Extent:
        """What stands on the source, by the last walk.  Raises where that is nothing."""
        ledger = self.ledger
        walk = ledger.shifts.last_walk(self._source)
        if walk is None or not ledger.work.totals(self._source).files:
            raise LedgerRefused(
                f"The ledger knows of no file on the source of {self._share.name}. Run `verifier "
                "shift` first."
            )
        self._walked = walk.at
        population = population_of(self._request, ledger)
        if not population.files and any_stands(self._request, ledger):
            raise RequestRefused(
                "The files hold no byte, so none can be drawn. Leave out --by bytes to draw files."
            )
        if not population.files:
            raise RequestRefused(
                f"No file stands in the folder {printable(self._request.folder)} of "
                f"{self._share.name}, by the last shift. Name a folder below the share's root, as "
                "`verifier findings` shows paths."
            )
        return population

    def _open_places(self) -> None:
        for name, address in places_of(self._share):
            try:
                place = open_place(address)
                refuse_no_copy(place, self._places.values())
                heed(place, self._watches[name])
                self._refuse_emptied(name, place)
                self._places[name] = place
            except PlaceUnreachable as error:
                self._lose(name, error)

    def _refuse_emptied(self, name: PlaceName, place: Place) -> None:
        known = self.ledger.work.totals(name).entries
        if known and is_empty(place):
            raise PlaceUnreachable(
                f"{place.at} looks unmounted or emptied: it is empty, and "
                f"{count(known, 'path')} stood there at the last walk. Check that it is mounted, "
                "then start again."
            )

    def _lose(self, name: PlaceName, error: PlaceUnreachable) -> None:
        """Go on without a mirror; without the source or any mirror there is nothing to compare."""
        self._lost[name] = str(error)
        self._places.pop(name, None)
        mirrors = [each for each, _ in places_of(self._share) if not each.is_source]
        if name.is_source or all(each in self._lost for each in mirrors):
            raise error
        self._progress.say(str(error))
        for unit in list(self._underway.values()):
            if name in unit.waits:
                unit.waits.discard(name)
                if not unit.waits:
                    self._advance(unit)

    @property
    def _mirrors(self) -> list[PlaceName]:
        return [name for name in self._places if not name.is_source]

    # -------------------------------------------------------------------------- the reading

    def _set_bell(self, started: float) -> Ended:
        """When reading ends, and what will have ended it."""
        minutes, bell = self._request.minutes, self._request.bell
        ends_by = Ended.WORKING_HOURS
        if minutes is not None and (bell is None or started + 60 * minutes < bell):
            bell, ends_by = started + 60 * minutes, Ended.MINUTES
        self._end = bell
        self._engine.ring_at(bell)
        return ends_by

    def _waiting(self) -> list[Unit]:
        """What waits for a reading at places that no shift reads: it comes before the sample.

        Those are paths that findings are about and that were put there anew, and suspicions.
        """
        found: dict[bytes, Unit] = {}
        for mirror in self._mirrors:
            if mirror not in self._only_listed:
                continue
            ledger = self.ledger
            paths = chain(
                (each.path for each in ledger.findings.lasting(mirror)),
                ledger.suspicions.waiting(mirror),
                (each.path for each in ledger.work.wanted(mirror)),
            )
            for path in islice((each for each in paths if each not in found), _WAITING_AT_MOST):
                known = self._verdicts.known(mirror, path)
                if known is None or known.sighting.kind is not Kind.FILE:
                    continue
                if known.sighting.digest is None or known.wanted is not None:
                    found[path] = Unit(-1 - len(found), path, known.sighting.size)
        if found:
            self._progress.say(
                f"{count(len(found), 'file')} that findings wait for, at places that no shift "
                "reads, come before the sample."
            )
        return list(found.values())

    def _tell_costs(self, sample: Sample) -> None:
        """Before anything is read of a place where that costs."""
        if sample.total is None:
            return
        for budget in budgets(self._settings, self.ledger, self._now()):
            if budget.place in self._places:
                self._progress.say(told(budget, sample.total))

    def _read_all(self, sample: Sample, waiting: list[Unit], ends_by: Ended) -> Ended:
        gauges = [
            Gauge(name.place, lambda lane=lane: lane.bytes_read, lambda: sample.total)  # type: ignore[misc]
            for name, lane in self._lanes.items()
        ]
        try:
            with self._progress.show(gauges):
                ended = Ended.DONE if self._read(chain(waiting, sample)) else ends_by
                self._keep_unfinished()
                self._settle()
        except KeyboardInterrupt:
            ended = Ended.SIGNAL
            self._stopped = True
            self._engine.stop()
            self._keep_unfinished()
            self._settle()
        finally:
            self._meter.write(0)
        return ended

    def _read(self, units: Iterator[Unit]) -> bool:
        """True when all was read, False when the end came before."""
        settled_at = self._now()
        more = True
        while True:
            now = self._now()
            if self._rang or (self._end is not None and now >= self._end):
                return False
            self._giving_way.look()
            while more and len(self._underway) < _AHEAD:
                unit = next(units, None)
                more = unit is not None
                if unit is not None:
                    self._start(unit)
            if not self._underway:
                return True
            self._take_answers(now)
            self._meter.write()
            self.ledger.readings.tick(self._now())
            if now - settled_at >= JUDGED_EVERY or len(self._held) >= _HELD_AT_MOST:
                self._settle()
                settled_at = self._now()

    def _take_answers(self, now: float) -> None:
        patience = _TURN if self._end is None else max(0.0, min(_TURN, self._end - now))
        try:
            self._answers.get(timeout=patience)()
            while True:
                self._answers.get_nowait()()
        except queue.Empty:
            return

    def _start(self, unit: Unit) -> None:
        self._underway[unit.number] = unit
        unit.names = {name: self._name_at(name, unit.path) for name in self._places}
        self._send(unit, unit.step)

    def _name_at(self, name: PlaceName, path: bytes) -> bytes:
        """A path's name at a place: its normalisation twin, where only that stands there."""
        ledger = self.ledger
        if name.is_source or path.isascii():
            return path
        forms = [path, *(form for form in forms_of(path) if form != path)]
        for form, known in ledger.sightings_at(name, forms):
            if known is None:
                continue
            ((_, of_its_own),) = ledger.sightings_at(self._source, [form])
            if form == path or of_its_own is None:
                return form
        return path

    def _send(self, unit: Unit, step: Step) -> None:
        unit.step = step
        unit.answers = {}
        unit.waits = self._places.keys() - unit.hidden_at
        for name, place in self._places.items():
            if name not in unit.waits:
                continue
            lane, path = self._lanes[name], unit.names[name]
            if step in (Step.PIECE, Step.PIECE_AGAIN):
                assert unit.piece is not None
                promise = lane.submit(
                    unit.number, read_piece_packed, place, path, unit.piece, time.time, long=True
                )
            else:
                promise = lane.submit(
                    unit.number,
                    read_alone_packed,
                    place,
                    path,
                    _FROM_DISK,
                    time.time,
                    long=unit.size >= READ_ALONE_FROM,
                )
            promise.add_done_callback(partial(self._came_back, unit, name, step))

    def _came_back(self, unit: Unit, name: PlaceName, step: Step, answer: Future[bytes]) -> None:
        """Runs in whatever thread the answer arrives in."""
        self._answers.put(partial(self._take, unit, name, step, answer))

    def _take(self, unit: Unit, name: PlaceName, step: Step, answer: Future[bytes]) -> None:
        error = answer.exception()
        if isinstance(error, (BellRang, Stopped)):
            self._rang = True
            return
        if name not in self._places or unit.step is not step:
            return
        if isinstance(error, PlaceUnreachable):
            self._lose(name, error)
            return
        if error is not None:
            raise error
        (reading,) = unpack(answer.result())
        if reading.trouble is not None:
            try:
                # What fails because the whole place is gone is no trouble of its files.
                self._places[name].check()
                hidden = self._is_hidden(name, reading)
            except PlaceUnreachable as gone:
                self._lose(name, gone)
                return
            except (BellRang, Stopped):
                self._rang = True
                return
            if hidden:
                unit.hidden_at.add(name)
                unit.first.pop(name, None)
                unit.pieces.pop(name, None)
        if name not in unit.hidden_at:
            unit.answers[name] = reading
        unit.waits.discard(name)
        if not unit.waits:
            self._advance(unit)

    def _is_hidden(self, name: PlaceName, reading: Sighting) -> bool:
        """Whether what could not be read lies below a folder that cannot be listed.

        That folder is then what cannot be read, and nobody knows how the file stands.
        """
        if reading.trouble is None or reading.trouble.unsettled:
            return False
        if self._unlisted[name].hides(reading.path):
            return True
        folder = unlisted_above(self._places[name], reading.path)
        if folder is None:
            return False
        self._unlisted[name].add(folder.path)
        self._closed.append((name, folder))
        self._doubts.add(_Doubt(folder.path, ()))
        return True

    def _hides(self, name: PlaceName, path: bytes) -> bool:
        """Whether nobody knows how a path stands: what was read all the same is known."""
        if (name, path) in self._looked_at:
            return False
        return self._unlisted[name].hides(path) or self.ledger.hides(name, path)

    # -------------------------------------------------------------------------- the verdicts

    def _advance(self, unit: Unit) -> None:
        """All places have answered: the unit is done, or it is looked at more closely."""
        if unit.step in (Step.PIECE, Step.PIECE_AGAIN):
            self._advance_piece(unit)
            return
        verdicts = {
            name: self._verdicts.of(unit, name, unit.answers) for name in self._seen_beside(unit)
        }
        again = unit.step is Step.WHOLE_AGAIN
        if not again and not _READ_TWICE.isdisjoint(verdicts.values()):
            unit.first = unit.answers
            self._send(unit, Step.WHOLE_AGAIN)
            return
        unstable = self._verdicts.is_unstable(unit)
        bad = {name for name, verdict in verdicts.items() if unstable or verdict in _BAD}
        if not bad and unit.number >= 0 and not self._something_lasts(unit.path):
            for name, reading in unit.answers.items():
                if reading.digest is not None:
                    self.ledger.readings.add(name, reading, self._now(), past_cache=True)
        else:
            readings = (unit.first, unit.answers) if again else (unit.answers, None)
            self._held.append(_Held(*readings))
        self._unsettled += Verdict.UNSETTLED in verdicts.values()
        self._finish(unit, frozenset(bad), unstable, said=unstable)

    def _advance_piece(self, unit: Unit) -> None:
        """A piece that is alike everywhere is done; one that is not leads to its whole file."""
        again = unit.step is Step.PIECE_AGAIN
        verdicts = {name: self._verdicts.of_piece(unit, name) for name in self._seen_beside(unit)}
        found = set(verdicts.values())
        if Verdict.UNREAD in found or Verdict.CORRUPT in found:
            unit.pieces = unit.answers
            self._send(unit, Step.WHOLE)
        elif not again and not _READ_TWICE.isdisjoint(found):
            self._send(unit, Step.PIECE_AGAIN)
        else:
            bad = frozenset(name for name, verdict in verdicts.items() if verdict in _BAD)
            if bad:
                without = {
                    name: structs.replace(reading, fingerprints=())
                    for name, reading in unit.answers.items()
                }
                self._held.append(_Held(without, None))
            self._unsettled += Verdict.UNSETTLED in found
            self._finish(unit, bad)

    def _seen_beside(self, unit: Unit) -> list[PlaceName]:
        """The mirrors on which a unit could be looked at, if it could be on the source."""
        if self._source in unit.hidden_at:
            return []
        return [name for name in self._mirrors if name not in unit.hidden_at]

    def _something_lasts(self, path: bytes) -> bool:
        findings = self.ledger.findings
        return any(findings.lasting_at(name, path) is not None for name in self._mirrors)

    def _finish(
        self, unit: Unit, bad: frozenset[PlaceName], unstable: bool = False, said: bool = False
    ) -> None:
        del self._underway[unit.number]
        source = unit.answers.get(self._source)
        if unit.path not in self._in_pieces:
            self._count_for_guards(unit, source)
        if unit.piece is not None:
            self._in_pieces.add(unit.path)
        if said:
            self._progress.say(
                f"Two readings of {printable(unit.path)} differ, though it was not changed in "
                "between: have memory, cables and controllers checked."
            )
        if bad or self._something_lasts(unit.path):
            names = tuple(sorted(name.place for name in bad))
            self._doubts.add(_Doubt(unit.path, names, unstable))
        if unit.number < 0:
            return  # it was not drawn, and says nothing of the rest
        gone = None if source is None else self._gone_from_source(unit, source, bad)
        self._tally.finish(unit, bad, gone, unseen=bool(unit.hidden_at))

    def _count_for_guards(self, unit: Unit, source: Sighting | None) -> None:
        released = source is not None and is_gone(source) and self._may_leave(unit.path)
        for name, reading in unit.answers.items():
            if not (released and name.is_source):
                self._seen[name] += 1
                self._gone[name] += is_gone(reading)
        known = self._verdicts.known(self._source, unit.path)
        if known is not None and source is not None and not released:
            self._changed += is_edited(known, source)

    def _gone_from_source(
        self, unit: Unit, source: Sighting, bad: frozenset[PlaceName]
    ) -> Gone | None:
        if not has_left(source):
            return None
        if self._verdicts.covered(unit.path) is None:
            return Gone.LEFT
        seen = self._seen_beside(unit)
        found = {self._verdicts.of(unit, name, unit.answers) for name in seen}
        if bad or seen != self._mirrors or found != {Verdict.MATCHED}:
            return Gone.RELEASED
        return Gone.BORNE_OUT

    def _may_leave(self, path: bytes) -> bool:
        """Whether a certificate allows a path to leave the source, so that no guard misses it."""
        return self.ledger.certificates.releases(self._share.name, path)

    def _keep_unfinished(self) -> None:
        """What looked bad and could not be read twice is a suspicion, left to the next shift."""
        for unit in self._underway.values():
            if unit.first:
                self._held.append(_Held(unit.first, None))
            elif unit.pieces:
                for name in self._places.keys() - unit.hidden_at:
                    self.ledger.readings.want(name, [unit.names[name]], UNLIKE)
            self._unconfirmed += bool(unit.first or unit.pieces)

    # ---------------------------------------------------------------------- into the ledger

    def _settle(self) -> None:
        """Have the ledger judge what is held, by the steps of a shift: first, then second reading.

        Before that the guards: a place of which most has vanished looks unmounted, and of a
        source on which too much has changed nothing is recorded before the next walk has said so.
        """
        self._look_at_places()
        held, self._held = self._held, []
        if not self._record_closed() and not held:
            return
        for again in (False, True):
            for each in held:
                readings = (each.second or {}) if again else each.first
                for name, reading in readings.items():
                    if name in self._places:
                        self._record(name, reading)
            self.ledger.readings.flush()
            self._judging.judge(self._mirrors, self._verdicts.run_started(), anew=False)

    def _look_at_places(self) -> None:
        for name in list(self._places):
            if self._gone[name] >= _FEW and 2 * self._gone[name] > self._seen[name]:
                self._lose(
                    name,
                    PlaceUnreachable(
                        f"{self._places[name].at} looks unmounted or emptied: of "
                        f"{count(self._seen[name], 'file')} that were drawn "
                        f"{self._gone[name]:,} are gone. Check that it is mounted, then run "
                        "`verifier shift`."
                    ),
                )
        most = self._share.surge_above * self._seen[self._source]
        if self._surge is None and self._changed >= _FEW and self._changed > most:
            self._surge = (
                f"{self._places[self._source].at}: of {count(self._seen[self._source], 'file')} "
                f"that were drawn {self._changed:,} changed or vanished since the last walk. The "
                "next copy run will carry that over: pause it until somebody has looked, unless "
                "this was meant."
            )
            self._progress.say(self._surge)

    def _record_closed(self) -> bool:
        """The folders that cannot be listed, each once; True when there was one more."""
        closed = self._closed[self._closed_recorded :]
        for name, folder in closed:
            if name in self._places and self._may_see(name):
                self.ledger.readings.see_unlisted(name, folder, int(self._now()))
        self._closed_recorded += len(closed)
        return bool(closed)

    def _may_see(self, name: PlaceName) -> bool:
        """False where all that has changed is left for the next walk to see as a whole."""
        return not (name.is_source and self._surge is not None)

    def _record(self, name: PlaceName, reading: Sighting) -> None:
        """One reading, and before it what a walk would see, where the last one saw otherwise."""
        now, readings = self._now(), self.ledger.readings
        known = self._verdicts.known(name, reading.path)
        may_see = self._may_see(name)
        self._looked_at.add((name, reading.path))
        if is_gone(reading):
            if known is not None and may_see:
                readings.see_one(name, reading.path, None, int(now))
            return
        looked_at = reading.kind is Kind.FILE or reading.trouble is None
        if looked_at and may_see and (known is None or not is_as_seen(known, reading)):
            readings.see_one(name, reading.path, reading, int(now))
        if reading.kind is Kind.FILE or reading.trouble is not None:
            readings.add(name, reading, now, past_cache=True)

    def _search_around(self, since: int) -> None:
        """Damage comes in clusters: have the next shift read first what is near damage found now.

        Not before all is judged, since what is wanted again is not called corrupt meanwhile.
        """
        neighbourhood = Neighbourhood(self.ledger)
        for lasting in self.findings():
            if lasting.verdict is not Verdict.CORRUPT or lasting.first_seen < since:
                continue
            mirror = PlaceName(lasting.share, lasting.mirror)
            for place, sound in ((self._source, "mirror"), (mirror, "source")):
                known = self._verdicts.known(place, lasting.path)
                if place in costly(self._settings):
                    continue
                if lasting.finding.side != sound and known is not None:
                    neighbourhood.search(place, known.sighting, int(self._now()))

    def look(self, place: PlaceName, sighting: Sighting) -> Sighting:
        """A path's kind, dates and target now, its content unread."""
        try:
            (now,) = self._places[place].look_at(
                [sighting.path],
                frozenset({0}),
                Look(content=False),
                self._now,
                self._watches[place],
            )
        except (BellRang, Stopped, PlaceUnreachable):
            # Like nothing else, so that it is left to the next shift.
            return Sighting(
                sighting.path, Kind.OTHER, 0, 0, target=b"", trouble=Trouble("not-looked-at")
            )
        return now

    def examine(self, mirror: PlaceName, row: Judged) -> tuple[Damage | None, bool]:
        """Where and how a pair differs; False where there was no time to find out."""
        at_most = None
        if self._end is not None:
            at_most = self._end - self._now() - _EXAMINED_BEFORE_END
        if self._stopped or (at_most is not None and at_most <= 0):
            return None, False
        source = self._source
        try:
            damage = self._examination.of(
                Side(self._places[source], row.source, self._has_examined(source)),
                Side(self._places[mirror], row.mirror, self._has_examined(mirror)),
                at_most,
            )
        except (BellRang, Stopped, PlaceUnreachable):
            return None, False
        return damage, True

    def _has_examined(self, name: PlaceName) -> Callable[[int], None]:
        watch = self._watches[name]

        def has_read(size: int) -> None:
            self._meter.besides(name, size)
            self._giving_way.wait(self._end)
            watch.allow(size)

        return has_read

    # --------------------------------------------------------------------------- the result

    def _result(self, population: Extent, sample: Sample, started: int, ended: Ended) -> Result:
        hidden, hides = self._hidden()
        bound = self._tally.bound(sample, self._mirrors, hidden, hides)
        return Result(
            self._request,
            Extent(
                population.files - bound.left.files - hidden.files,
                population.bytes - bound.left.bytes - hidden.bytes,
            ),
            bound.sample,
            bound.bad,
            bound.drawn,
            bound.most_bad,
            bound.of,
            tuple(name.place for name in self._mirrors),
            tuple(name.place for name in self._lost),
            started,
            self._walked,
            ended,
            self._changed,
            self._unsettled,
            self._unconfirmed,
            self._surge,
            bound.left,
            bound.hidden,
        )

    def _hidden(self) -> tuple[Hidden, Callable[[bytes], bool]]:
        """What the statement leaves out since it cannot be looked at, and what says so of a path.

        A place that is left out as a whole hides nothing.
        """
        closed = [(name, folder.path) for name, folder in self._closed if name in self._places]
        unlisted = Unlisted(composed(folder) for _, folder in closed)

        def hides(path: bytes) -> bool:
            return unlisted.hides(composed(path))

        if not closed:
            return Hidden(), hides
        found = population_of(self._request, self.ledger, hides)
        folders = tuple((name.place, folder) for name, folder in closed)
        return Hidden(folders, found.files, found.bytes), hides

    def _lasting(self) -> Iterator[LedgerFinding]:
        last: bytes | None = None
        for doubt in self._doubts:
            if doubt.path == last:
                continue
            last = doubt.path
            for name in self._mirrors:
                lasting = self.ledger.findings.lasting_at(name, doubt.path)
                if lasting is not None:
                    yield lasting

    def _is_accepted_as_closed(self, name: PlaceName, folder: Sighting) -> bool:
        """Whether a person has accepted that a folder cannot be listed, wherever that matters."""
        mirrors = self._mirrors if name.is_source else [name]
        return all(self._is_accepted(mirror.place, folder.path) for mirror in mirrors)

    def _is_accepted(self, mirror: str, path: bytes) -> bool:
        name = PlaceName(self._share.name, mirror)
        lasting = self.ledger.findings.lasting_at(name, path)
        return lasting is not None and lasting.state is FindingState.ACCEPTED
