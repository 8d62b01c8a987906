"""The job `compare`: read both sides at once, judge every path, and be sure before saying so."""

from __future__ import annotations

import time
from collections import Counter, deque
from collections.abc import Callable, Iterable
from concurrent.futures import Future
from contextlib import ExitStack, closing
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, Final

from msgspec import Struct, structs

from verifier.diff.comparison import Comparison, Judged
from verifier.engine import BellRang, Lane, ReadingEngine
from verifier.errors import RequestRefused, Stopped
from verifier.findings import finding_of
from verifier.ignore import Ignore, refuse_idle
from verifier.jobs.engines import engine_for
from verifier.jobs.examination import UNSTABLE, Examination, Side, without_difference
from verifier.jobs.progress import Gauge, Progress
from verifier.jobs.trees import (
    Sizer,
    Tree,
    open_tree,
    refuse_output_inside,
    refuse_output_over,
    refuse_overlap,
    refuse_temporary_inside,
)
from verifier.measures import count
from verifier.model import (
    DEFAULT_SLACK_NS,
    QUIET,
    Damage,
    Dated,
    Finding,
    Sighting,
    Verdict,
)
from verifier.output import try_out
from verifier.places.addresses import Named
from verifier.places.base import Look
from verifier.reading import read_again, sighting_from
from verifier.settings import Engine
from verifier.spill import SortedSpill

CONFIRMED_AHEAD: Final = 16
"""Suspicions that are read a second time ahead of the one being settled."""


class Request(Struct, frozen=True):
    """What is to be compared, and how.

    ``bell`` is when reading must have ended, in seconds since 1970; None when it need not.
    ``engine`` is who reads the contents, None this machine.
    """

    source: Named
    mirror: Named
    baseline: Path | None = None
    ignore: tuple[str, ...] = ()
    slack_ns: int = DEFAULT_SLACK_NS
    look: Look = Look()
    outputs: tuple[Path, ...] = ()
    bell: float | None = None
    engine: Engine | None = None


class SideTally(Struct, frozen=True):
    """One side: where, how many files of how many bytes, and the bytes read from it."""

    at: str
    files: int
    bytes: int
    read_bytes: int


class Result:
    """What a comparison found.  ``findings`` come sorted by path."""

    def __init__(self) -> None:
        self.finished = False
        self.source = SideTally("", 0, 0, 0)
        self.mirror = SideTally("", 0, 0, 0)
        self.counts: Counter[Verdict] = Counter()
        self.findings: SortedSpill[Finding] = SortedSpill(Finding, _path)
        self.started = datetime.now(UTC).astimezone()
        self.ended = self.started
        self.seconds = 0.0
        self.unread_unlike = 0
        """Files that differ in size, and whose content was not read."""

    @property
    def exit_status(self) -> int:
        """0 nothing needs a person, 1 there are findings, 3 something could not be read."""
        if not self.finished or self.counts[Verdict.UNREADABLE]:
            return 3
        return 1 if len(self.findings) else 0


def _path(each: Finding | Judged) -> bytes:
    return each.path


def compare(request: Request, progress: Progress, now: Callable[[], float] = time.time) -> Result:
    """Compare two trees, by content unless ``request.look`` says otherwise.

    A comparison that the user stops comes back with ``finished`` False and what had been found.
    Raises RequestRefused, PlaceUnreachable, ManifestRefused, OutputFailed and ReadersLost.
    """
    with closing(open_tree(request.source)) as source, closing(open_tree(request.mirror)) as mirror:
        return _compare(request, source, mirror, progress, now)


def _compare(
    request: Request, source: Tree, mirror: Tree, progress: Progress, now: Callable[[], float]
) -> Result:
    refuse_overlap(source, mirror)
    refuse_idle(request.ignore)
    baseline = None if request.baseline is None else open_tree(request.baseline)
    if baseline is not None and baseline.place is not None:
        raise RequestRefused(
            f"{baseline.at} is a folder, and a baseline is a manifest. Name a file that "
            "'verifier manifest' wrote on a day when all was well."
        )
    if baseline is not None and source.dated and not baseline.dated:
        raise RequestRefused(
            f"{baseline.at} was made of an object store, and its dates are those of uploads: it "
            "cannot tell an edit from damage. Name a manifest of the source."
        )
    refuse_temporary_inside(source.root, mirror.root)
    for output in request.outputs:
        refuse_output_inside(output, source, mirror)
        refuse_output_over(output, source, mirror, baseline)
        try_out(output)
    work = _Work(request, source, mirror, baseline, progress, now)
    return work.run()


class _Work:
    """One comparison under way."""

    def __init__(
        self,
        request: Request,
        source: Tree,
        mirror: Tree,
        baseline: Tree | None,
        progress: Progress,
        now: Callable[[], float],
    ) -> None:
        self._request = request
        self._source = source
        self._mirror = mirror
        self._baseline = baseline
        self._progress = progress
        self._now = now
        self._ignore = _patterns_of_all(request.ignore, (source, mirror, baseline), progress)
        self._kept = ExitStack()
        self._dated = Dated(source.dated, mirror.dated)
        self._comparison = Comparison(self._keep, request.slack_ns, dated=self._dated)
        self._suspicions: SortedSpill[Judged] = self._keep(_path, Judged)
        self._damage_reads: Counter[str] = Counter()
        self._examination = Examination()
        self._result = Result()

    def run(self) -> Result:
        result = self._result
        started = time.perf_counter()
        live = [tree for tree in (self._source, self._mirror) if tree.place is not None]
        traits = [tree.traits for tree in (self._source, self._mirror)]
        choice = self._request.engine if live and self._request.look.content else None
        more = [1, 1] if live and self._progress.watched else []
        with self._kept, engine_for(choice, traits, more=more, inline=not live) as engine:
            lanes = engine.lanes[:2] if live else [engine.lanes[0]] * 2
            for number, tree in enumerate((self._source, self._mirror) if live else ()):
                tree.heed(engine.own_watch(number))
            if self._request.bell is not None:
                engine.ring_at(self._request.bell)
            try:
                with self._progress.show(self._gauges(engine)):
                    self._judge_all(*lanes)
                    self._settle_suspicions(*lanes)
                for tree in live:
                    tree.refuse_if_replaced()
                result.finished = True
            except BellRang:
                engine.stop()
                self._progress.say(
                    "Working hours begin, so reading stopped before the comparison was done."
                )
            except (Stopped, KeyboardInterrupt):
                engine.stop()
            result.counts = self._comparison.counts
            result.unread_unlike = self._comparison.unread_unlike
            result.source = self._tally(self._source, lanes[0], "source")
            result.mirror = self._tally(self._mirror, lanes[1], "mirror")
        result.ended = datetime.now(UTC).astimezone()
        result.seconds = time.perf_counter() - started
        return result

    def _keep(self, key: Any, shape: Any = None) -> SortedSpill[Any]:
        from verifier.diff.unmatched import Leftover

        return self._kept.enter_context(closing(SortedSpill(shape or Leftover, key)))

    def _tally(self, tree: Tree, lane: Lane, side: str) -> SideTally:
        read = lane.bytes_read if tree.place is not None else 0
        return SideTally(tree.at, tree.files, tree.bytes, read + self._damage_reads[side])

    def _gauges(self, engine: ReadingEngine) -> list[Gauge]:
        """A gauge for each side that is read, its total found out while reading has begun."""
        gauges = []
        sides = (("source", self._source), ("mirror", self._mirror))
        for number, (name, tree) in enumerate(sides):
            if tree.place is None or not self._request.look.content:
                continue
            if not self._progress.watched or tree.place.traits.reading_costs:
                # Nobody looks on, or each question costs: nothing is listed twice for a total.
                gauges.append(Gauge(name, _bytes_read(engine.lanes[number]), lambda: None))
                continue
            sizer = Sizer(tree.place, engine.lanes[2 + number], self._ignore)
            sizer.start()
            lane = engine.lanes[number]
            gauges.append(Gauge(name, _bytes_read(lane), _total(sizer)))
        return gauges

    def _judge_all(self, source_lane: Lane, mirror_lane: Lane) -> None:
        look, ignore = self._request.look, self._ignore
        known = None
        if self._baseline is not None:
            known = self._baseline.sightings(source_lane, look, ignore, self._now)
        for judged in self._comparison.judged(
            self._source.sightings(source_lane, look, ignore, self._now),
            self._mirror.sightings(mirror_lane, look, ignore, self._now),
            known,
        ):
            if judged.judgement.verdict is Verdict.CORRUPT:
                self._suspicions.add(judged)
            else:
                self._result.findings.add(finding_of(judged))
        self._remark_on_what_was_seen()

    def _remark_on_what_was_seen(self) -> None:
        for tree, compared in (
            (self._source, self._dated.source),
            (self._mirror, self._dated.mirror),
        ):
            if not compared:
                self._progress.say(
                    f"The dates at {tree.at} are those of uploads, so no dates were compared."
                )
            for remark in () if tree.place is None else tree.place.remarks():
                if not remark.good:
                    self._progress.say(f"{tree.at}: {remark}")
        for empty, full in ((self._source, self._mirror), (self._mirror, self._source)):
            if not empty.files and full.files:
                self._progress.say(
                    f"{empty.at} holds no file at all. If that surprises you, it may not be "
                    "mounted: check before you act on what follows."
                )
        if self._baseline is not None and self._comparison.not_agreed:
            self._progress.say(
                f"{self._baseline.at} holds no content of "
                f"{count(self._comparison.not_agreed, 'path')} that both sides hold: of these no "
                "damage shows that both sides share."
            )
        if self._comparison.twins:
            self._progress.say(
                f"{count(self._comparison.twins, 'path')} paired with a name on the mirror that "
                "differs in its Unicode form only."
            )

    def _settle_suspicions(self, source_lane: Lane, mirror_lane: Lane) -> None:
        """Read every corrupt pair again, past the cache, before saying that it is corrupt."""
        under_way: deque[tuple[Judged, _SecondLook, _SecondLook]] = deque()
        for suspicion in self._suspicions:
            under_way.append(
                (
                    suspicion,
                    self._second_look(suspicion.source, self._source, source_lane),
                    self._second_look(suspicion.mirror, self._mirror, mirror_lane),
                )
            )
            if len(under_way) >= CONFIRMED_AHEAD:
                self._settle(*under_way.popleft())
        while under_way:
            self._settle(*under_way.popleft())

    def _second_look(self, first: Sighting | None, tree: Tree, lane: Lane) -> _SecondLook:
        if first is None or tree.place is None:
            return _SecondLook(first, None)
        look = self._request.look
        return _SecondLook(first, read_again(tree.place, first, lane, look, self._now))

    def _settle(self, first: Judged, source: _SecondLook, mirror: _SecondLook) -> None:
        row = structs.replace(first, source=source.sighting(), mirror=mirror.sighting())
        row = structs.replace(row, judgement=self._comparison.judge(row))
        damage = self._examine(row) if row.judgement.verdict is Verdict.CORRUPT else None
        if without_difference(damage):
            row, damage = _unstable(row), None
        likeness = None if damage is None else damage.likeness
        row = structs.replace(row, judgement=self._comparison.judge(row, likeness))
        verdict = row.judgement.verdict
        self._comparison.settle(first, verdict)
        if verdict not in QUIET:
            unconfirmed = "" if verdict is not Verdict.CORRUPT else self._unconfirmed()
            self._result.findings.add(finding_of(row, damage, unconfirmed))

    def _unconfirmed(self) -> str:
        from_manifest = [
            side
            for side, tree in (("source", self._source), ("mirror", self._mirror))
            if tree.place is None
        ]
        if not from_manifest:
            return ""
        return f"What the {' and the '.join(from_manifest)} held is taken from a manifest."

    def _examine(self, row: Judged) -> Damage | None:
        """Where and how the pair differs, if both sides are at hand and there is time."""

        def side(name: str, tree: Tree, sighting: Sighting | None) -> Side:
            def has_read(count: int) -> None:
                self._damage_reads[name] += count

            return Side(tree.place, sighting, has_read)

        return self._examination.of(
            side("source", self._source, row.source), side("mirror", self._mirror, row.mirror)
        )


def _unstable(row: Judged) -> Judged:
    """Digests that differ twice, and then not a byte that does: no reading can be believed."""
    assert row.source is not None and row.mirror is not None
    return structs.replace(
        row,
        source=structs.replace(row.source, trouble=UNSTABLE),
        mirror=structs.replace(row.mirror, trouble=UNSTABLE),
    )


def _bytes_read(lane: Lane) -> Callable[[], int]:
    return lambda: lane.bytes_read


def _total(sizer: Sizer) -> Callable[[], int | None]:
    return lambda: sizer.total


def _patterns_of_all(
    asked: tuple[str, ...], trees: Iterable[Tree | None], progress: Progress
) -> Ignore:
    """The patterns of every part together, so that only what all of them hold is judged."""
    sets = [asked]
    for tree in trees:
        if tree is None or tree.place is not None:
            continue
        if set(tree.ignored) != set(asked):
            progress.say(
                f"{tree.at} was made {_leaving_out(tree.ignored)}, this comparison is asked for "
                f"{_leaving_out(asked)}: only what neither leaves out is judged."
            )
        sets.append(tree.ignored)
    return Ignore(*sets)


def _leaving_out(patterns: tuple[str, ...]) -> str:
    return f"leaving out {', '.join(patterns)}" if patterns else "leaving out nothing"


class _SecondLook:
    """A second reading of one side of a suspicion; a manifest's side stays as it is."""

    def __init__(self, first: Sighting | None, again: Future[bytes] | None) -> None:
        self._first = first
        self._again = again

    def sighting(self) -> Sighting | None:
        """What the two readings together say."""
        first = self._first
        if first is None or self._again is None:
            return first
        again = sighting_from(self._again)
        if again.trouble is not None or not again.untouched_since(first):
            return again
        if again.digest != first.digest:
            return structs.replace(again, trouble=UNSTABLE)
        return again
