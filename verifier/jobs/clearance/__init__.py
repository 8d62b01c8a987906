"""The job `clearance`: proof, before a folder may be deleted from its source, that it stands
whole elsewhere.

It reads every file of the folder afresh on all places, over as many nights as that takes, looks
at every rule, and either says all that stands against it or writes a certificate.  It deletes
nothing.
"""

from __future__ import annotations

import math
import time
from collections.abc import Callable, Iterator
from contextlib import ExitStack, closing
from pathlib import Path
from typing import Final

from msgspec import Struct, structs

from verifier import guards
from verifier.certificate import RuleResult
from verifier.engine import BellRang, ReadingEngine
from verifier.errors import PlaceUnreachable, RequestRefused
from verifier.ignore import Ignore
from verifier.jobs.apart import machines, no_copies
from verifier.jobs.clearance import rules
from verifier.jobs.clearance.folder import folder_in, refuse_no_folder, walk_folder
from verifier.jobs.clearance.granting import Granting, Page, ready_folder
from verifier.jobs.clearance.look import LastLook
from verifier.jobs.clearance.reading import Read, Reading, readers_for
from verifier.jobs.clearance.rows import doubtful, rows
from verifier.jobs.examination import UNSTABLE
from verifier.jobs.opening import open_ledger, places_of
from verifier.jobs.progress import Progress
from verifier.jobs.shift import window_of
from verifier.jobs.trees import refuse_temporary_inside
from verifier.ledger import Clearance, Ledger, PlaceName, only_shift
from verifier.model import Kind, Sighting, printable
from verifier.places.base import Place, heed, let_go
from verifier.places.opening import open_place
from verifier.scheduler import Left, Window
from verifier.settings import Settings
from verifier.spill import SortedSpill

_CLOCK_LOOKED_AT_EVERY: Final = 64
"""Paths of a walk between two looks at the clock."""

_AGAIN_AT_ONCE: Final = 1_000


class Asked(Struct, frozen=True):
    """What a person asks for.  ``bell`` is when working hours begin, None to read through them."""

    settings: Settings
    share: str
    folder: bytes
    who: str
    bell: float | None
    page: Page
    out: Path | None = None


class Outcome(Struct, frozen=True):
    """What came of it.

    While it is not finished there are no ``rules``: ``stopped`` says why it ended in a sentence,
    and ``left`` how much is to be read yet, at no place where nothing was begun.
    """

    share: str
    folder: bytes
    requested_at: int
    rules: tuple[RuleResult, ...] = ()
    certificate: Path | None = None
    left: tuple[tuple[PlaceName, Left], ...] = ()
    stopped: str | None = None

    @property
    def exit_status(self) -> int:
        """0 granted, 1 refused by a rule, 3 not finished."""
        if self.stopped is not None:
            return 3
        return 0 if self.certificate is not None else 1


def clear(asked: Asked, progress: Progress, clock: Callable[[], float] = time.time) -> Outcome:
    """Go on with a request, or begin one.

    Raises RequestRefused for what is no folder of a share, PlaceUnreachable for a place that is
    not there, LedgerRefused (ShiftRunning among it), and OutputFailed.
    """
    settings = asked.settings
    share = settings.share(asked.share)
    out = ready_folder(settings, asked.out)
    places = {name: open_place(address) for name, address in places_of(share)}
    refuse_temporary_inside(*(place.root for place in places.values()))
    with ExitStack() as kept:
        ledger = kept.enter_context(open_ledger(settings))
        kept.enter_context(only_shift(ledger.path, int(clock())))
        engine = kept.enter_context(
            readers_for(settings, [place.traits for place in places.values()])
        )
        engine.ring_at(asked.bell)
        for number, place in enumerate(places.values()):
            heed(place, engine.own_watch(number))
            kept.callback(let_go, place)
        clearing = _Clearing(asked, ledger, engine, places, out, progress, clock)
        try:
            return clearing.run()
        except BaseException:
            engine.stop()
            raise


class _First(Struct, frozen=True):
    """What a first reading, or an earlier one, gave at one of the places."""

    place: int
    seen: Sighting


def _place_and_path(first: _First) -> tuple[int, bytes]:
    return first.place, first.seen.path


class _Clearing:
    """One run for one request."""

    def __init__(
        self,
        asked: Asked,
        ledger: Ledger,
        engine: ReadingEngine,
        places: dict[PlaceName, Place],
        out: Path,
        progress: Progress,
        clock: Callable[[], float],
    ) -> None:
        self._asked = asked
        self._settings = asked.settings
        self._share = asked.settings.share(asked.share)
        self._ledger = ledger
        self._engine = engine
        self._places = places
        self._out = out
        self._progress = progress
        self._clock = clock
        self._source = PlaceName(asked.share)
        self._folder = folder_in(asked.folder, places[self._source], asked.share)
        self._window = Window()
        if asked.bell is not None:
            self._window, _ = window_of(asked.settings, clock(), asked.bell)

    def run(self) -> Outcome:
        source = self._places[self._source]
        watch = self._engine.own_watch(0)
        refuse_no_folder(self._folder, source, self._share.name, watch)
        self._refuse_empty(source)
        request = self._request()
        reading = Reading(
            self._ledger,
            request,
            self._places,
            self._settings,
            self._engine,
            self._progress,
            self._clock,
        )
        try:
            with self._progress.line(lambda: None):
                self._walk_all()
            reading.mark(self._read_since())
            reading.tell_costs(self._settings)
            stopped = self._read(request, reading)
            if stopped is None:
                return self._decide(request)
        except BellRang:
            stopped = "Working hours begin, so reading stopped."
        except KeyboardInterrupt:
            self._engine.stop()
            stopped = "Stopped by a signal."
        self._ledger.readings.flush()
        return self._unfinished(request, reading, stopped)

    def _request(self) -> Clearance:
        """The request that lasts, or a new one."""
        clearances, now = self._ledger.clearances, int(self._clock())
        before = clearances.lasting(self._share.name, self._folder)
        if before is not None and before.requested_at > now:
            self._progress.say(
                "This was asked for before while the clock was ahead of now. Nobody knows what was "
                "read after that: everything is read anew."
            )
        return clearances.request(self._share.name, self._folder, now, self._asked.who)

    def _refuse_empty(self, source: Place) -> None:
        seen = walk_folder(source, self._folder, self._share.ignore)
        if next(self._until_bell(seen), None) is None:
            raise RequestRefused(
                f"{printable(self._folder[:-1])} in {source.at} holds no file, or none that the "
                "ignore patterns do not leave out: there is nothing to prove."
            )

    def _walk_all(self) -> None:
        """Record what stands in the folder at every place by now."""
        left_out = Ignore(self._share.ignore).ignores_at_or_above
        for name, place in self._places.items():
            walk = self._ledger.walk(name, below=self._folder, left_out=left_out)
            try:
                summary = walk.take(
                    self._until_bell(walk_folder(place, self._folder, self._share.ignore))
                )
                place.check()
                emptied = guards.emptied(summary)
                if emptied is not None:
                    raise PlaceUnreachable(
                        f"{printable(self._folder[:-1])} at {place.at} looks unmounted or emptied: "
                        f"{emptied}. Nothing was recorded. Check that it is mounted; if it is "
                        "right as it is, run a shift first, which looks at the whole of it."
                    )
                walk.apply(int(self._clock()))
            except BaseException:
                walk.discard()
                raise
        for name in self._places:
            if not name.is_source:
                self._ledger.agreements.end_where_nothing_stands(name)

    def _until_bell(self, stream: Iterator[Sighting]) -> Iterator[Sighting]:
        end = math.inf if self._asked.bell is None else self._asked.bell
        for number, sighting in enumerate(stream):
            if number % _CLOCK_LOOKED_AT_EVERY == 0 and self._clock() >= end:
                raise BellRang
            yield sighting

    def _read_since(self) -> int:
        """What was read before then is too old by the rules, and is read again."""
        within = self._settings.clearance.read_within.total_seconds()
        return math.ceil(self._clock() - within)

    def _read(self, request: Clearance, reading: Reading) -> str | None:
        """Read, and read a second time what is in doubt; why that did not come to its end."""
        with closing(SortedSpill[_First](_First, _place_and_path)) as first:
            if request.marked:
                first.extend(self._doubts(request))  # a run before this one may have read it once
            try:
                for again in (False, True):
                    if again and not self._mark_doubts(request, reading, first):
                        break
                    stopped = self._why_stopped(reading.read(self._window))
                    if stopped is not None:
                        return stopped
            finally:
                self._note_unstable(request, first)
        return None

    def _why_stopped(self, read: Read) -> str | None:
        if read.unreachable:
            return " ".join(map(str, read.unreachable.values()))
        return None if read.all_tried else "Working hours begin, so reading stopped."

    def _doubts(self, request: Clearance) -> Iterator[_First]:
        """The files that differ, or could not be read, each as it is known at one place."""
        for row in rows(self._ledger, request, list(self._places)):
            for number in doubtful(row):
                proof = row.mirrors[number - 1] if number else row.source
                assert proof is not None
                if proof.sighting.kind is Kind.FILE:
                    yield _First(number, proof.sighting)

    def _mark_doubts(self, request: Clearance, reading: Reading, first: SortedSpill[_First]) -> int:
        """Mark what is in doubt for a second reading, and keep the first; how much that is."""
        names = list(self._places)
        again: dict[PlaceName, list[bytes]] = {name: [] for name in names}
        found = 0
        for doubt in self._doubts(request):
            first.add(doubt)
            waiting = again[names[doubt.place]]
            waiting.append(doubt.seen.path)
            found += 1
            if len(waiting) >= _AGAIN_AT_ONCE:
                reading.mark_again(names[doubt.place], waiting)
                waiting.clear()
        for name, waiting in again.items():
            reading.mark_again(name, waiting)
        return found

    def _note_unstable(self, request: Clearance, first: SortedSpill[_First]) -> None:
        """Record that of an unchanged file two readings differ: neither can be believed."""
        ledger, names = self._ledger, list(self._places)
        ledger.readings.flush()
        for each in first:
            place = names[each.place]
            proof = ledger.clearances.proof_at(request, place, each.seen.path)
            if proof is None or None in (proof.sighting.digest, each.seen.digest):
                continue
            second = proof.sighting
            if second.untouched_since(each.seen) and second.digest != each.seen.digest:
                unclear = structs.replace(second, trouble=UNSTABLE)
                ledger.readings.add(place, unclear, self._clock(), past_cache=True)
        ledger.readings.flush()

    def _decide(self, request: Clearance) -> Outcome:
        """Look at everything a last time, and grant or refuse."""
        found = rules.Rules(
            self._ledger,
            request,
            self._settings,
            self._share,
            rules.Stand(machines(self._places), no_copies(self._places)),
            int(self._clock()),
        )
        found.gather()
        look = LastLook()
        with self._progress.line(lambda: None):
            look.take(self._ledger, request, self._places, self._share.ignore, self._until_bell)
        now = int(self._clock())
        facts = found.facts(look, now)
        certificate = None
        if facts.held:
            granting = Granting(
                self._ledger,
                self._settings,
                self._share,
                self._places,
                self._out,
                self._asked.page,
            )
            certificate = granting.grant(request, facts, look, self._asked.who, now)
        else:
            self._ledger.clearances.refused(request, now)
        return Outcome(
            self._share.name, self._folder, request.requested_at, facts.rules, certificate
        )

    def _unfinished(self, request: Clearance, reading: Reading, stopped: str) -> Outcome:
        return Outcome(
            self._share.name,
            self._folder,
            request.requested_at,
            left=tuple(reading.left().items()) if self._is_marked() else (),
            stopped=stopped,
        )

    def _is_marked(self) -> bool:
        """Whether it is known by now what is to be read."""
        request = self._ledger.clearances.lasting(self._share.name, self._folder)
        return request is not None and request.marked
