"""What the ledger knows of a share, judged: agreements, findings, and what must be read again.

Only what may have changed is judged: paths that a walk or a reading touched, suspicions whose
second reading is waited for, and what findings that last are about.  Nothing is forgotten before
its judgement is recorded, so that a crash at any point has it judged again.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Collection, Iterable, Iterator, Sequence
from contextlib import ExitStack, closing
from datetime import UTC, datetime
from typing import Any, Final, Protocol

from msgspec import structs

from verifier.diff.comparison import Comparison, Judged
from verifier.diff.merge import Row
from verifier.diff.unmatched import Leftover
from verifier.due import is_due
from verifier.findings import damaged_after_release, finding_of, lost_after_release
from verifier.jobs.examination import UNSTABLE, without_difference
from verifier.jobs.neighbourhood import FILES_A_SHIFT, Neighbourhood, segments_of
from verifier.jobs.released import Released
from verifier.ledger import Ledger, PairRow, PlaceName, Suspicion, each_once
from verifier.ledger.values import Covered, Known
from verifier.measures import listing
from verifier.model import (
    BOTH_DATED,
    Agreement,
    Damage,
    Dated,
    Finding,
    Judgement,
    Kind,
    Side,
    Sighting,
    Verdict,
    forms_of,
    printable,
)
from verifier.spill import SortedSpill

WANTED: Final = "Unlike its copy on {}: a second reading, past the cache, must show the same."
WANTED_ANEW: Final = "Unlike its copy on {}, and read with another result than before."
"""Of each mirror in its own words: no reading of a shift is asked for twice for the same reason."""

RETRIED: Final = "It could not be read, or not with one result: to see whether it can be now."

LOOKS: Final = 500
"""Paths on one side alone that are looked at once more before they are told, of each mirror and
judgement: of what came or went while both sides were walked, there are few."""

APART: Final = 300.0
"""Seconds that a server's clock may differ from this machine's, where a path's date tells whether
it came while the sides were walked."""

_SECOND: Final = 1_000_000_000
"""Nanoseconds."""

_AT_ONCE: Final = 2_000
"""Paths whose judgement is written in one transaction."""

_REMEMBERED: Final = 200_000
"""Paths with something to close that are held in memory; with more, each path is looked up."""

_ALONE: Final = frozenset({Verdict.MISSING, Verdict.ORPHANED})
_BY_LISTING: Final = frozenset({Verdict.MISSING, Verdict.ORPHANED, Verdict.STALE})
"""Verdicts that a listing can give, and take back."""

_FAILED: Final = frozenset({Verdict.UNREADABLE, Verdict.UNSETTLED})


class SecondLook(Protocol):
    """What a judgement may ask of the places themselves."""

    def look(self, place: PlaceName, sighting: Sighting) -> Sighting:
        """A path's kind, dates and target now, its content unread."""

    def examine(self, mirror: PlaceName, row: Judged) -> tuple[Damage | None, bool]:
        """Where and how a pair differs; False where there was no time to find out."""


class Judging:
    """Judges one share, as often as one wants, and comes to an end with `finish`.

    Between two judgements what was judged before is passed over: nothing but a walk or a reading
    can change it.  ``hides`` says of a place's paths whether nobody knows how they stand, since
    they lie below a folder that could not be listed; by itself it asks what the last walk saw.
    """

    def __init__(
        self,
        ledger: Ledger,
        share: str,
        slack_ns: int,
        second_look: SecondLook,
        now: Callable[[], float],
        neighbourhood: Neighbourhood | None = None,
        dated: Callable[[PlaceName], Dated] = lambda mirror: BOTH_DATED,
        only_listed: Collection[PlaceName] = (),
        costly: Collection[PlaceName] = (),
        released: Released | None = None,
        hides: Callable[[PlaceName, bytes], bool] | None = None,
    ) -> None:
        self._ledger = ledger
        self._hides = hides or ledger.hides
        self._released = released or Released(ledger, share, slack_ns)
        self._share = share
        self._slack_ns = slack_ns
        self._dated = dated
        self._only_listed = only_listed
        self._costly = costly
        self._neighbourhood = neighbourhood
        self._second_look = second_look
        self._now = now
        self._since: dict[PlaceName, int] = {}
        self._damaged: list[tuple[PlaceName, Sighting, frozenset[int]]] = []
        self._again: SortedSpill[bytes] = SortedSpill(bytes, key=bytes)

    def judge(
        self,
        mirrors: Iterable[PlaceName],
        run_started: float,
        *,
        anew: bool,
        walked_from: float = math.inf,
    ) -> None:
        """Judge what may have changed on these mirrors, the only ones that were seen lately.

        ``run_started`` is the start of the latest mirror run that had finished when they were
        seen, and ``walked_from`` when their walks, one after the other, began, in seconds since
        1970.  ``anew`` has everything that findings are about judged, as after a walk, and asks for
        another reading of what could not be read.
        """
        mirrors = list(mirrors)
        self._ledger.agreements.settle_unjudged(self._share, mirrors, int(self._now()))
        if anew:
            self._released.touch_what_no_place_holds()
        until = self._ledger.agreements.sequence()
        self._damaged.clear()
        for mirror in mirrors:
            self._judge(mirror, mirrors, until, run_started, anew, walked_from)
            self._since[mirror] = until
        # Not before all is judged: what is wanted again is not called corrupt meanwhile.
        if self._neighbourhood is not None:
            for place, sighting, segments in self._damaged:
                if place in self._costly:
                    continue  # in a store no file lies beside another, and to read them costs
                self._neighbourhood.search(place, sighting, int(self._now()), segments)

    def finish(self, every_mirror: Iterable[PlaceName]) -> None:
        """Forget what was touched, if every mirror that the share has was judged.

        What is pending, and what else may change without being touched, is touched again.  Before
        this nothing is forgotten: a crash has all of it judged again.
        """
        mirrors = list(every_mirror)
        source = PlaceName(self._share)
        with self._ledger.transaction():
            if all(each in self._since for each in mirrors):
                until = min((self._since[each] for each in mirrors), default=0)
                self._ledger.agreements.forget_touched(self._share, until, mirrors)
            self._ledger.agreements.touch(source, each_once(self._again))
        self._again.close()

    def _judge(
        self,
        mirror: PlaceName,
        mirrors: Sequence[PlaceName],
        until: int,
        run_started: float,
        anew: bool,
        walked_from: float,
    ) -> None:
        with ExitStack() as kept:

            def keep(key: Callable[[Any], Any], shape: Any = Leftover) -> SortedSpill[Any]:
                return kept.enter_context(closing(SortedSpill(shape, key)))

            paths: SortedSpill[bytes] = keep(bytes, bytes)
            self._gather(mirror, until, anew, paths)
            if not len(paths):
                return
            comparison = Comparison(
                keep, self._slack_ns, everything=True, dated=self._dated(mirror)
            )
            outcome = _Outcome(
                self._ledger,
                mirror,
                mirrors,
                self._second_look,
                comparison,
                self._now,
                self._damaged,
                self._again,
                self._released,
                mirror in self._only_listed,
                self._hides,
                walked_from,
            )
            with closing(outcome):
                rows = self._ledger.agreements.pairs_at(mirror, each_once(paths))
                for judged in comparison.judged_rows(
                    _rows(rows, run_started, outcome.gone_from_both)
                ):
                    outcome.take(judged)

    def _gather(self, mirror: PlaceName, until: int, anew: bool, paths: SortedSpill[bytes]) -> None:
        """The paths to judge, with those that a pairing needs beside them."""
        ledger, now = self._ledger, int(self._now())
        alone = anew
        for path in ledger.agreements.settle_plain(
            mirror,
            self._since.get(mirror, 0),
            until,
            now,
            self._slack_ns,
            dated=self._dated(mirror).alike,
        ):
            alone = True
            paths.extend(forms_of(path))
        for path in ledger.suspicions.waiting(mirror):
            paths.extend(forms_of(path))
        for lasting in ledger.findings.lasting(mirror):
            if lasting.finding.cause == UNSTABLE.cause:
                if anew:
                    self._read_twice_again(mirror, lasting.path)
                    paths.extend(forms_of(lasting.path))
                continue
            if anew or (alone and lasting.verdict in _ALONE | _FAILED):
                paths.extend(forms_of(lasting.path))
                if lasting.finding.other_path is not None:
                    paths.extend(forms_of(lasting.finding.other_path))
            if anew and lasting.verdict in _FAILED:
                for place in (PlaceName(self._share), mirror):
                    if place in self._only_listed and lasting.finding.side is Side.SOURCE:
                        continue  # nothing is known to be wrong there, and reading costs
                    ledger.readings.want(place, [lasting.path], RETRIED)

    def _read_twice_again(self, mirror: PlaceName, path: bytes) -> None:
        """Two readings that differed are believed again only when another one bears them out."""
        ledger = self._ledger
        source = PlaceName(self._share)
        (pair,) = ledger.agreements.pairs_at(mirror, [path])
        if pair.source is None and pair.mirror is not None:
            covered = self._released.covering(path)
            if covered is None or covered.digest is None or pair.mirror.sighting.digest is None:
                return
            with ledger.transaction():
                suspicion = _suspicion_of_released(pair.mirror, covered, int(self._now()))
                ledger.suspicions.keep(mirror, path, suspicion)
                ledger.readings.want(mirror, [path], RETRIED)
            return
        if pair.source is None or pair.mirror is None:
            return
        if pair.source.sighting.digest is None or pair.mirror.sighting.digest is None:
            return  # it has changed and will be read as something new
        with ledger.transaction():
            ledger.suspicions.keep(mirror, path, _suspicion(pair, int(self._now())))
            for place in (source, mirror):
                ledger.readings.want(place, [path], RETRIED)


def _rows(
    pairs: Iterable[PairRow], run_started: float, gone: Callable[[bytes], None]
) -> Iterator[Row]:
    for pair in pairs:
        if pair.source is None and pair.mirror is None:
            gone(pair.path)
            continue
        yield Row(
            pair.path,
            None if pair.source is None else pair.source.sighting,
            None if pair.mirror is None else pair.mirror.sighting,
            pair.agreement,
            is_due(pair.source, run_started),
        )


class _Outcome:
    """What judgements lead to, written some thousand paths at a time."""

    def __init__(
        self,
        ledger: Ledger,
        mirror: PlaceName,
        mirrors: Sequence[PlaceName],
        second_look: SecondLook,
        comparison: Comparison,
        now: Callable[[], float],
        damaged: list[tuple[PlaceName, Sighting, frozenset[int]]],
        again: SortedSpill[bytes],
        released: Released,
        only_listed: bool,
        hides: Callable[[PlaceName, bytes], bool],
        walked_from: float,
    ) -> None:
        self._ledger = ledger
        self._hides = hides
        self._walked_from = walked_from
        self._looks = LOOKS
        self._released = released
        self._mirror = mirror
        self._mirrors = mirrors
        self._only_listed = only_listed
        self._damaged = damaged
        self._source = PlaceName(mirror.share)
        self._second_look = second_look
        self._comparison = comparison
        self._now = now
        self._agreed: list[tuple[bytes, Agreement]] = []
        self._settled: list[tuple[bytes, str]] = []
        self._again = again
        self._findings: list[tuple[Judged, Finding]] = []
        self._suspected: list[tuple[Judged, Suspicion]] = []
        self._held_back: list[bytes] = []
        self._open = _with_something_open(ledger, mirror)

    def close(self) -> None:
        """Write what is left."""
        self._write()

    def gone_from_both(self, path: bytes) -> None:
        """A path that neither side has any more."""
        released = self._released
        if released.left_out(path):
            self._settle(path, "the settings leave it out")
            return
        covered = released.covering_the_name(path)
        if (
            covered is None
            or self._was_told(path, Verdict.ORPHANED)
            or released.stands_under_another_name(path, self._mirror)
        ):
            self._settle(path, "it stands on neither side any more")
            return
        elsewhere = [each.place for each in released.held_elsewhere(path, covered, self._mirror)]
        held_before = released.was_certified_on(self._mirror, covered)
        if elsewhere and not held_before:
            said = f"{listing(elsewhere)} {'holds' if len(elsewhere) == 1 else 'hold'} it"
            self._settle(path, f"{said} as {_certificate(covered)} proved it")
            return
        finding = lost_after_release(
            path, covered.size, _certificate(covered), elsewhere, held_before=held_before
        )
        gone = Judgement(finding.verdict, finding.cause, finding.side)
        self._findings.append((Judged(path, None, None, None, gone), finding))

    def take(self, row: Judged) -> None:
        """One path with its verdict."""
        hidden = row.judgement.verdict is not Verdict.MATCHED and self._is_hidden(row)
        if hidden and (shown := self._shown_all_the_same(row)) is not None:
            row, hidden = shown, False
        if not hidden and row.judgement.verdict is Verdict.UNREAD and _one_sided(row):
            # The side that holds it was not listed; the other one was, and lacks it.
            row = structs.replace(row, judgement=self._comparison.judge(row))
        verdict = row.judgement.verdict
        if verdict is Verdict.MATCHED:
            self._matched(row)
        elif hidden:
            self._again.add(row.path)  # nobody knows what is there; a later walk may tell
            if verdict in _FAILED:
                self._retry(row)
        elif verdict in _FAILED and self._waits_for_retry(row):
            self._held_back.append(row.path)
        elif verdict is Verdict.PENDING or (verdict is Verdict.UNREAD and _one_sided(row)):
            self._again.add(row.path)  # what it waits for may come without touching it
            if verdict is Verdict.PENDING and self._was_of_a_version_before(row):
                self._settle(row.path, "the source's file was edited, and its copy is not due yet")
        elif verdict is Verdict.ORPHANED and self._was_released(row):
            return
        elif verdict is Verdict.CORRUPT:
            self._suspect(row)
        elif verdict in _ALONE and self._has_changed_since(row):
            self._again.add(row.path)
        elif verdict is not Verdict.UNREAD:
            self._find(row)
        elif self._only_listed:
            self._listed_anew(row)
        waiting = len(self._agreed) + len(self._settled) + len(self._held_back)
        if waiting + len(self._findings) + len(self._suspected) >= _AT_ONCE:
            self._write()

    def _is_hidden(self, row: Judged) -> bool:
        """Whether nobody knows how it stands: below a folder that could not be listed.

        What a mirror lacks that could be listed it lacks, whatever became of the source: a copy
        job that could not list that may have taken it for empty.
        """
        if row.mirror is None:
            return self._is_hidden_at(self._mirror, row)
        return self._is_hidden_at(self._source, row) or self._is_hidden_at(self._mirror, row)

    def _is_hidden_at(self, place: PlaceName, row: Judged) -> bool:
        return any(self._hides(place, path) for path in {row.path, *forms_of(row.path)})

    def _shown_all_the_same(self, row: Judged) -> Judged | None:
        """What is wrong with the side that is not hidden, whatever the hidden one holds by now.

        It could not be read; or it is dated as it was agreed on, and does not hold that any more.
        """
        if row.judgement.verdict in _FAILED:
            row = structs.replace(
                row,
                source=self._without_hidden_trouble(self._source, row.source, row),
                mirror=self._without_hidden_trouble(self._mirror, row.mirror, row),
            )
            row = structs.replace(row, judgement=self._comparison.judge(row))
            return row if row.judgement.verdict in _FAILED else None
        agreement, side = row.agreement, row.judgement.side
        if row.judgement.verdict is not Verdict.CORRUPT or agreement is None:
            return None
        if side is Side.SOURCE:
            place, seen, agreed_on = self._source, row.source, agreement.source_mtime_ns
        elif side is Side.MIRROR:
            place, seen, agreed_on = self._mirror, row.mirror, agreement.mirror_mtime_ns
        else:
            return None
        if seen is None or seen.digest is None or self._is_hidden_at(place, row):
            return None
        dated_so = abs(seen.mtime_ns - agreed_on) <= self._comparison.slack_ns
        return row if dated_so and seen.digest != agreement.digest else None

    def _without_hidden_trouble(
        self, place: PlaceName, seen: Sighting | None, row: Judged
    ) -> Sighting | None:
        if seen is None or seen.trouble is None or not self._is_hidden_at(place, row):
            return seen
        return structs.replace(seen, trouble=None)

    def _has_changed_since(self, row: Judged) -> bool:
        """Whether a path left one side, or came to the other, while both were walked.

        A copy job, or people, may be at work then; the next walk tells.  What stood there before
        the walks began, and was not listed, does not count: some systems take two names for one.
        Nor does what was seen on the one side by an earlier walk, so that nothing is put off twice
        for having come, whatever a server's clock says.
        """
        held, place, other = row.source, self._source, self._mirror
        if held is None:
            held, place, other = row.mirror, self._mirror, self._source
        if held is None or not self._looks or self._walked_from == math.inf:
            return False
        if self._was_told(row.path, row.judgement.verdict):
            return False
        self._looks -= 1
        now = self._second_look.look(place, held)
        if now.trouble is not None:
            return now.trouble.unsettled
        ((_, known),) = self._ledger.sightings_at(place, [held.path])
        if known is None or known.first_seen < int(self._walked_from):
            return False
        there = self._second_look.look(other, structs.replace(held, path=row.path))
        since = (there.ctime_ns or there.mtime_ns) / _SECOND
        return there.trouble is None and since >= self._walked_from - APART

    def _retry(self, row: Judged) -> None:
        """Have what could not be read once tried again before it is believed, when it can be."""
        for place, seen in ((self._source, row.source), (self._mirror, row.mirror)):
            if seen is not None and seen.trouble is not None and seen.kind is Kind.FILE:
                self._ledger.readings.want(place, [seen.path], RETRIED)

    def _waits_for_retry(self, row: Judged) -> bool:
        """True for what failed while its folder was about to be hidden, and will be tried again.

        Once it was, it is judged again, whatever came of it.
        """
        if self._may_be_open(row.path) and self._ledger.findings.lasting_at(self._mirror, row.path):
            return False
        pair = self._pair(row)
        return any(
            side is not None and side.sighting.trouble is not None and side.wanted == RETRIED
            for side in (pair.source, pair.mirror)
        )

    def _was_released(self, row: Judged) -> bool:
        """True when a certificate covers what stands on the mirror only, and says what it is."""
        covered = self._released.covering(row.path)
        mirror = row.mirror
        if covered is None or mirror is None or self._left_otherwise(row, covered):
            return False
        unread = mirror.kind is Kind.FILE and mirror.digest is None
        if (mirror.kind, mirror.target) == (covered.kind, covered.target) and (
            unread or mirror.digest == covered.digest
        ):
            if not unread and not self._released_in_doubt(row, mirror, covered):
                self._settle(row.path, f"it is as {_certificate(covered)} proved it")
            return True
        if mirror.digest is None or covered.digest is None:
            self._findings.append(
                (row, damaged_after_release(mirror, covered.size, _certificate(covered)))
            )
            return True
        self._suspect_released(row, mirror, covered)
        return True

    def _left_otherwise(self, row: Judged, covered: Covered) -> bool:
        """Whether the source last held something newer than what the certificate proved.

        It was so when it left, or both sides have agreed on it since, or the mirror was found to
        lack it.
        """
        if self._released.was_superseded(row.path, covered, row.mirror):
            return True
        agreed = row.agreement
        if agreed is not None and (agreed.digest, agreed.target) != (
            covered.digest,
            covered.target,
        ):
            return True
        return self._was_told(row.path, Verdict.STALE, Verdict.ORPHANED)

    def _was_told(self, path: bytes, *verdicts: Verdict) -> bool:
        if self._open is not None and path not in self._open:
            return False
        lasting = self._ledger.findings.lasting_at(self._mirror, path)
        return lasting is not None and lasting.verdict in verdicts

    def _suspect_released(self, row: Judged, mirror: Sighting, covered: Covered) -> None:
        """As any corrupt path: only a second reading makes a finding of it."""
        if self._released_in_doubt(row, mirror, covered):
            return
        held = self._held(mirror)
        fresh = _suspicion_of_released(held, covered, int(self._now()))
        known = self._ledger.suspicions.of(self._mirror, row.path)
        if known is None or not _same_case(known, fresh) or not _same_contents(known, fresh):
            self._begin(row, fresh)
        elif known.confirmed_at is not None or held.wanted is None:
            confirmed = structs.replace(known, confirmed_at=known.confirmed_at or fresh.since)
            self._ledger.suspicions.keep(self._mirror, row.path, confirmed)
            near = self._found_around(self._mirror, mirror)
            finding = damaged_after_release(mirror, covered.size, _certificate(covered), near)
            self._findings.append((row, finding))
            if known.confirmed_at is None:
                self._look_around(self._mirror, mirror)

    def _released_in_doubt(self, row: Judged, mirror: Sighting, covered: Covered) -> bool:
        """True when two readings of an unchanged file differ, or the second is waited for."""
        known = self._ledger.suspicions.of(self._mirror, row.path)
        if known is None or known.confirmed_at is not None or covered.digest is None:
            return False
        held = self._held(mirror)
        fresh = _suspicion_of_released(held, covered, int(self._now()))
        if not _same_case(known, fresh):
            return False
        if _same_contents(known, fresh):
            return held.wanted is not None
        unsteady = Judgement(Verdict.UNREADABLE, UNSTABLE.cause, Side.MIRROR)
        mirror = structs.replace(mirror, trouble=UNSTABLE)
        self._find(structs.replace(row, mirror=mirror, judgement=unsteady))
        return True

    def _held(self, mirror: Sighting) -> Known:
        ((_, held),) = self._ledger.sightings_at(self._mirror, [mirror.path])
        assert held is not None
        return held

    def _matched(self, row: Judged) -> None:
        if self._may_be_open(row.path):
            known = self._ledger.suspicions.of(self._mirror, row.path)
            if known is not None and known.confirmed_at is None and self._in_doubt(row, known):
                return
        agreement = _agreement_of(row)
        if agreement is not None:
            self._agreed.append((row.path, agreement))
        self._settle(row.path, "both sides were read and hold the same")
        if row.other_path is not None:
            self._settle(row.other_path, "both sides were read and hold the same")

    def _in_doubt(self, row: Judged, known: Suspicion) -> bool:
        """True when a row that matches is not to be believed yet, or not at all."""
        pair = self._pair(row)
        fresh = _suspicion(pair, int(self._now()))
        if not _same_case(known, fresh):
            return False
        if not _same_contents(known, fresh):
            self._find(_made_unstable(row, known))
            return True
        return self._is_waited_for(row, pair)

    def _listed_anew(self, row: Judged) -> None:
        """Close what a listing alone refutes, where no reading will follow it tonight.

        What a reading found stays until another one shows that it is over.
        """
        source, mirror = row.source, row.mirror
        if source is None or mirror is None or source.size != mirror.size:
            return
        lasting = self._ledger.findings.lasting_at(self._mirror, row.path)
        if lasting is not None and lasting.verdict in _BY_LISTING and mirror.digest is None:
            self._settle(
                row.path, "it stands on both sides, equally large; its content was not read"
            )

    def _was_of_a_version_before(self, row: Judged) -> bool:
        """True where the source was found damaged, and holds a newer version by now: to bring the
        mirror's back, as was advised, would undo somebody's work."""
        agreement, source = row.agreement, row.source
        if agreement is None or source is None or not self._may_be_open(row.path):
            return False
        lasting = self._ledger.findings.lasting_at(self._mirror, row.path)
        return (
            lasting is not None
            and lasting.verdict is Verdict.CORRUPT
            and lasting.finding.side in (Side.SOURCE, Side.BOTH)
            and abs(source.mtime_ns - agreement.source_mtime_ns) > self._comparison.slack_ns
        )

    def _may_be_open(self, path: bytes) -> bool:
        return self._open is None or path in self._open

    def _settle(self, path: bytes, by: str) -> None:
        if self._may_be_open(path):
            self._settled.append((path, by))

    def _find(self, row: Judged, damage: Damage | None = None, more: str = "") -> None:
        row = structs.replace(row, below=self._below(row))
        sentences = [more, self._near_what(row)]
        said = " ".join(sentence for sentence in sentences if sentence)
        self._findings.append((row, finding_of(row, damage, said)))

    def _below(self, row: Judged) -> int:
        """How many paths the other side is known to hold below a folder that cannot be listed.

        Where neither side can list it, what the source was known to hold.
        """
        closed = [
            place
            for place, seen in ((self._source, row.source), (self._mirror, row.mirror))
            if seen is not None and seen.kind is not Kind.FILE and seen.trouble is not None
        ]
        if not closed:
            return 0
        other = self._mirror if closed == [self._source] else self._source
        return self._ledger.hidden.paths(other, row.path)

    def _near_what(self, row: Judged) -> str:
        if row.judgement.verdict is not Verdict.CORRUPT and row.judgement.verdict not in _FAILED:
            return ""
        for place, sighting, sound in (
            (self._mirror, row.mirror, Side.SOURCE),
            (self._source, row.source, Side.MIRROR),
        ):
            if sighting is not None and row.judgement.side is not sound:
                near = self._found_around(place, sighting)
                if near:
                    return near
        return ""

    def _found_around(self, place: PlaceName, damaged: Sighting) -> str:
        """A sentence where a file was read for the sake of another one, else nothing."""
        around = self._ledger.neighbours.around(place, damaged.path)
        return "" if around is None else f"Found while checking around {printable(around)}."

    def _suspect(self, row: Judged) -> None:
        """A corrupt path is one only after a second reading has shown the same."""
        source, mirror = row.source, row.mirror
        assert source is not None and mirror is not None
        if source.digest is None or mirror.digest is None:
            self._look_again(row)
            return
        known = self._ledger.suspicions.of(self._mirror, row.path)
        pair = self._pair(row)
        fresh = _suspicion(pair, int(self._now()))
        if known is None or not _same_case(known, fresh):
            self._begin(row, fresh)
        elif known.confirmed_at is not None and _same_contents(known, fresh):
            self._still_there(row)
        elif known.confirmed_at is not None:
            self._begin(row, fresh)  # now, since nothing touches it when that reading is in
        elif self._is_waited_for(row, pair):
            return  # it waits, and is kept until its second reading
        elif _same_contents(known, fresh):
            self._confirm(row, known)
        elif _left_what_was_agreed(row, known, fresh):
            self._begin(row, fresh)
        else:
            self._find(_made_unstable(row, known))

    def _begin(self, row: Judged, suspicion: Suspicion) -> None:
        self._suspected.append((row, suspicion))

    def _confirm(self, row: Judged, known: Suspicion) -> None:
        damage, had_time = self._second_look.examine(self._mirror, row)
        if without_difference(damage):
            self._find(_made_unstable(row, None))
            return
        likeness = None if damage is None else damage.likeness
        row = structs.replace(row, judgement=self._comparison.judge(row, likeness))
        row, votes = self._voted(row)
        if had_time:
            confirmed = structs.replace(known, confirmed_at=int(self._now()))
            self._ledger.suspicions.keep(self._mirror, row.path, confirmed)
        self._find(row, damage, votes)
        self._search_around(row, segments_of(damage))

    def _search_around(self, row: Judged, segments: frozenset[int]) -> None:
        side = row.judgement.side
        for place, sighting, sound in (
            (self._source, row.source, Side.MIRROR),
            (self._mirror, row.mirror, Side.SOURCE),
        ):
            if side is not sound and sighting is not None:
                self._look_around(place, sighting, segments)

    def _look_around(
        self, place: PlaceName, damaged: Sighting, segments: frozenset[int] = frozenset()
    ) -> None:
        if len(self._damaged) < FILES_A_SHIFT:
            self._damaged.append((place, damaged, segments))

    def _voted(self, row: Judged) -> tuple[Judged, str]:
        """Where nobody knows which side is wrong: what the share's other mirrors hold decides.

        Those that were seen lately, and only when all that hold either content hold the same one
        of the two.
        """
        source, mirror = row.source, row.mirror
        if row.judgement.side is not Side.UNKNOWN or source is None or mirror is None:
            return row, ""
        if source.digest is None or mirror.digest is None:
            return row, ""
        like_source, like_mirror = [], []
        for place in self._mirrors:
            if place == self._mirror:
                continue
            ((_, other),) = self._ledger.sightings_at(place, [source.path])
            if other is None or other.sighting.trouble is not None:
                continue
            if other.sighting.digest == source.digest:
                like_source.append(place.place)
            elif other.sighting.digest == mirror.digest:
                like_mirror.append(place.place)
        if bool(like_source) == bool(like_mirror):
            return row, ""
        side = Side.MIRROR if like_source else Side.SOURCE
        voters = listing(like_source or like_mirror)
        holds = "holds" if len(like_source or like_mirror) == 1 else "hold"
        judgement = structs.replace(row.judgement, side=side)
        return (
            structs.replace(row, judgement=judgement),
            f"{voters} {holds} the same as the {'source' if like_source else 'mirror'}, which "
            f"leaves the {side} in the wrong.",
        )

    def _still_there(self, row: Judged) -> None:
        """What was confirmed, and not read since with another result."""
        lasting = self._ledger.findings.lasting_at(self._mirror, row.path)
        if lasting is None or lasting.verdict is not Verdict.CORRUPT:
            self._find(*self._with_votes(row))
            return
        # Asked anew each time: other mirrors may hold something else by now.
        judged, damage = self._judged_with(row, lasting.finding.damage)
        judged, votes = self._voted(judged)
        if judged.judgement.side is lasting.finding.side:
            self._findings.append((row, lasting.finding))
        else:
            self._find(judged, damage, votes)

    def _judged_with(self, row: Judged, damage: Damage | None) -> tuple[Judged, Damage | None]:
        """What was agreed meanwhile tells which side is wrong; how they differ is as it was."""
        likeness = None if damage is None else damage.likeness
        return structs.replace(row, judgement=self._comparison.judge(row, likeness)), damage

    def _with_votes(self, row: Judged) -> tuple[Judged, None, str]:
        row, votes = self._voted(row)
        return row, None, votes

    def _look_again(self, row: Judged) -> None:
        """Kinds or targets differ: that takes no reading, only a second look."""
        assert row.source is not None and row.mirror is not None
        for place, first in ((self._source, row.source), (self._mirror, row.mirror)):
            again = self._second_look.look(place, first)
            if (again.kind, again.target) != (first.kind, first.target):
                self._again.add(row.path)  # the next walk will tell
                return
        self._find(row)

    def _is_waited_for(self, row: Judged, pair: PairRow) -> bool:
        """True while the second reading of either side is waited for; no hidden one is."""
        return any(
            side is not None and side.wanted is not None and not self._is_hidden_at(place, row)
            for place, side in ((self._source, pair.source), (self._mirror, pair.mirror))
        )

    def _must_reread(self, row: Judged) -> bool:
        """Whether a suspicion needs a second reading of the mirror too.

        Where reading costs, what the mirror was read to hold is borne out by an agreement on it:
        then it is the source that is suspected.
        """
        agreed = None if row.agreement is None else row.agreement.digest
        held = None if row.mirror is None else row.mirror.digest
        return not self._only_listed or held is None or held != agreed

    def _pair(self, row: Judged) -> PairRow:
        """What the ledger knows of both sides; twins stand under two names."""
        source_path = row.path if row.source is None else row.source.path
        mirror_path = row.path if row.mirror is None else row.mirror.path
        ledger = self._ledger
        ((_, source),) = ledger.sightings_at(self._source, [source_path])
        ((_, mirror),) = ledger.sightings_at(self._mirror, [mirror_path])
        return PairRow(row.path, source, mirror, row.agreement)

    def _write(self) -> None:
        ledger, mirror, at = self._ledger, self._mirror, int(self._now())
        with ledger.transaction():
            ledger.agreements.touch(self._source, self._held_back)
            ledger.agreements.record(mirror, self._agreed, at)
            for path, by in self._settled:
                ledger.findings.settled(mirror, path, at, by)
                ledger.suspicions.drop(mirror, path)
            for row, finding in self._findings:
                ledger.findings.seen(mirror, finding, at, row.source, row.mirror)
                if finding.verdict is not Verdict.CORRUPT:
                    ledger.suspicions.drop(mirror, row.path)
            for row, suspicion in self._suspected:
                known = ledger.suspicions.of(mirror, row.path)
                ledger.suspicions.keep(mirror, row.path, suspicion)
                why = (WANTED if known is None else WANTED_ANEW).format(mirror.place)
                for place, sighting in (
                    (self._source, row.source),
                    (mirror, row.mirror if self._must_reread(row) else None),
                ):
                    if sighting is not None:
                        ledger.readings.want(place, [sighting.path], why)
        if self._open is not None:
            self._open.update(row.path for row, _ in (*self._findings, *self._suspected))
        self._agreed, self._settled, self._held_back = [], [], []
        self._findings, self._suspected = [], []


def _certificate(covered: Covered) -> str:
    """A certificate for a person."""
    granted = datetime.fromtimestamp(covered.certificate.granted_at, UTC).astimezone()
    return f"certificate {covered.certificate.id} of {granted:%Y-%m-%d}"


def _with_something_open(ledger: Ledger, mirror: PlaceName) -> set[bytes] | None:
    """The paths that a finding or a suspicion is about; None where they are too many to hold."""
    found: set[bytes] = set()
    for path in ledger.suspicions.all(mirror):
        found.add(path)
        if len(found) > _REMEMBERED:
            return None
    for lasting in ledger.findings.lasting(mirror):
        found.add(lasting.path)
        if len(found) > _REMEMBERED:
            return None
    return found


def _one_sided(row: Judged) -> bool:
    return row.source is None or row.mirror is None


def _agreement_of(row: Judged) -> Agreement | None:
    source, mirror = row.source, row.mirror
    if source is None or mirror is None:
        return None
    if source.kind is Kind.FILE and source.digest is not None:
        return Agreement(source.digest, source.size, source.mtime_ns, mirror.mtime_ns)
    if source.kind is Kind.LINK:
        return Agreement(
            None, source.size, source.mtime_ns, mirror.mtime_ns, Kind.LINK, source.target
        )
    return None


def _suspicion(pair: PairRow, at: int) -> Suspicion:
    assert pair.source is not None and pair.mirror is not None
    return Suspicion(
        at,
        pair.source.sighting.digest or b"",
        pair.source.changed_or_first_seen,
        pair.mirror.sighting.digest or b"",
        pair.mirror.changed_or_first_seen,
    )


def _suspicion_of_released(held: Known, covered: Covered, at: int) -> Suspicion:
    """What stands on the mirror only, suspected beside what a certificate says of it."""
    assert covered.digest is not None
    digest = held.sighting.digest or b""
    return Suspicion(at, covered.digest, 0, digest, held.changed_or_first_seen)


def _same_case(one: Suspicion, other: Suspicion) -> bool:
    """True when neither file has changed in between."""
    return (one.source_since, one.mirror_since) == (other.source_since, other.mirror_since)


def _same_contents(one: Suspicion, other: Suspicion) -> bool:
    return (one.source, one.mirror) == (other.source, other.mirror)


def _left_what_was_agreed(row: Judged, first: Suspicion, second: Suspicion) -> bool:
    """True when a side held what was agreed when it was first read, long ago perhaps, and does
    not any more: that tells of its content, not of an unsteady reading."""
    agreed = None if row.agreement is None else row.agreement.digest
    return all(
        before == agreed
        for before, after in ((first.source, second.source), (first.mirror, second.mirror))
        if before != after
    )


def _made_unstable(row: Judged, first: Suspicion | None) -> Judged:
    """Two readings that differ: no reading of that side can be believed."""
    source, mirror = row.source, row.mirror
    assert source is not None and mirror is not None
    bad_source = first is None or source.digest != first.source
    bad_mirror = first is None or mirror.digest != first.mirror
    source = structs.replace(source, trouble=UNSTABLE) if bad_source else source
    mirror = structs.replace(mirror, trouble=UNSTABLE) if bad_mirror else mirror
    side = Side.BOTH if bad_source and bad_mirror else Side.SOURCE if bad_source else Side.MIRROR
    return structs.replace(
        row,
        source=source,
        mirror=mirror,
        judgement=structs.replace(
            row.judgement, verdict=Verdict.UNREADABLE, cause=UNSTABLE.cause, side=side
        ),
    )
