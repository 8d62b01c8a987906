"""Two sorted streams of sightings judged as a whole.  Pure: what it holds back it spills.

Most paths are judged as they pass.  A path that stands on one side only has to wait for the
end, since its twin or its new place may come last.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterable, Iterator
from itertools import chain
from typing import Any, Protocol

from msgspec import Struct

from verifier.diff.judge import UNREAD, judge
from verifier.diff.merge import Row, agreement_from, merge
from verifier.diff.unmatched import Ends, Leftover, content_key, form_key, pair_moves, pair_twins
from verifier.model import (
    BOTH_DATED,
    DEFAULT_SLACK_NS,
    QUIET,
    Agreement,
    Cause,
    Dated,
    Judgement,
    Kind,
    Likeness,
    Side,
    Sighting,
    Verdict,
    composed,
    folders_above,
)


class Judged(Struct, frozen=True, gc=False):
    """A path with its verdict and all that it was judged by.

    ``other_path`` is the mirror's name of a normalisation twin, or the other end of a move.
    """

    path: bytes
    source: Sighting | None
    mirror: Sighting | None
    agreement: Agreement | None
    judgement: Judgement
    other_path: bytes | None = None
    below: int = 0
    """Paths under a folder that could not be listed, which therefore could not be judged."""
    due: bool = True
    dated: Dated = BOTH_DATED


class Sorted(Protocol):
    """Somewhere to keep leftovers until the end, given back in the order asked for."""

    def add(self, value: Leftover, /) -> None:
        """Keep one more."""

    def __iter__(self) -> Iterator[Leftover]:
        """All of them, sorted."""


Keeper = Callable[[Callable[[Leftover], Any]], Sorted]
"""Makes a place to keep leftovers in, sorted by a key."""


class _ByForm:
    """Paths of both sides that the baseline may hold under another Unicode form of their names."""

    def __init__(self, keep: Keeper) -> None:
        self._source, self._mirror, self._baseline = keep(form_key), keep(form_key), keep(form_key)

    def row(self, row: Row) -> None:
        """Keep a path of both sides."""
        assert row.source is not None and row.mirror is not None
        self._source.add(Leftover(row.source, None, row.due))
        self._mirror.add(Leftover(row.mirror))

    def known(self, sighting: Sighting) -> None:
        """Keep what the baseline holds of a path, if it can be agreed on."""
        agreement = agreement_from(sighting)
        if agreement is not None:
            self._baseline.add(Leftover(sighting, agreement))

    def rows(self) -> Iterator[Row]:
        """All that was kept of both sides, once the streams have ended."""
        known = iter(self._baseline)
        agreed = next(known, None)
        for source, mirror in zip(self._source, self._mirror, strict=True):
            path = source.sighting.path
            form, agreement = composed(path), None
            while agreed is not None and composed(agreed.sighting.path) < form:
                agreed = next(known, None)
            if agreed is not None and composed(agreed.sighting.path) == form:
                agreement, agreed = agreed.agreement, next(known, None)
            yield Row(path, source.sighting, mirror.sighting, agreement, source.due)


class Comparison:
    """One comparison: iterate `judged`, then read the counts."""

    def __init__(
        self,
        keep: Keeper,
        slack_ns: int = DEFAULT_SLACK_NS,
        *,
        everything: bool = False,
        dated: Dated = BOTH_DATED,
    ) -> None:
        self.slack_ns = slack_ns
        self._dated = dated
        self._everything = everything
        self._keep = keep
        self._source_forms, self._mirror_forms = keep(form_key), keep(form_key)
        self._unlisted: dict[bytes, int] = {}
        self._unlisted_rows: list[Judged] = []
        self.counts: Counter[Verdict] = Counter()
        self.twins = 0
        """Paths that were paired under two Unicode forms of one name."""
        self.unread_unlike = 0
        """Files that were not read on both sides though their sizes already differ."""
        self.not_agreed = 0
        """Paths that both sides hold, and on whose content nothing was agreed."""

    def judged(
        self,
        source: Iterable[Sighting],
        mirror: Iterable[Sighting],
        baseline: Iterable[Sighting] | None = None,
    ) -> Iterator[Judged]:
        """As `judged_rows`, for two trees.

        The copy is always due: without a schedule there is nothing to wait for.
        """
        if baseline is None:
            return self.judged_rows(merge(source, mirror))
        aside = _ByForm(self._keep)
        rows = merge(source, mirror, baseline, aside)
        return self.judged_rows(chain(rows, aside.rows()))

    def judged_rows(self, rows: Iterable[Row]) -> Iterator[Judged]:
        """Every path whose verdict makes a finding; first those of both sides, in order.

        With ``everything`` those that need nobody come too.  A corrupt one is only a suspicion
        until its second reading; `settle` takes it back out of the counts.
        """
        for row in rows:
            if row.source is None or row.mirror is None:
                yield from self._one_sided(row)
            else:
                yield from self._both(row, row.path)
        yield from self._twins_and_moves()
        for unlisted in self._unlisted_rows:
            yield _with_below(unlisted, self._unlisted[composed(unlisted.path) + b"/"])

    def judge(self, row: Judged, likeness: Likeness | None = None) -> Judgement:
        """The verdict on what ``row`` now holds, by the same rules."""
        return judge(
            row.source,
            row.mirror,
            row.agreement,
            row.due,
            slack_ns=self.slack_ns,
            likeness=likeness,
            dated=self._dated,
        )

    def settle(self, suspicion: Judged, verdict: Verdict) -> None:
        """Count ``verdict`` in place of the one that ``suspicion`` was counted with."""
        self.counts[suspicion.judgement.verdict] -= 1
        self.counts[verdict] += 1

    def _count(self, row: Judged) -> Iterator[Judged]:
        verdict = row.judgement.verdict
        self.counts[verdict] += 1
        if verdict in QUIET:
            if self._everything:
                yield row
            return
        if verdict is Verdict.UNREADABLE and self._notes_unlisted(row):
            return
        yield row

    def _both(self, row: Row, path: bytes, other_path: bytes | None = None) -> Iterator[Judged]:
        if row.agreement is None and row.source is not None and row.mirror is not None:
            self.not_agreed += 1
        judgement = judge(
            row.source,
            row.mirror,
            row.agreement,
            row.due,
            slack_ns=self.slack_ns,
            dated=self._dated,
        )
        if judgement.verdict is Verdict.MATCHED and not self._everything:
            self.counts[Verdict.MATCHED] += 1
            return
        if judgement is UNREAD and row.source and row.mirror:
            self.unread_unlike += row.source.size != row.mirror.size
        yield from self._count(
            Judged(
                path,
                row.source,
                row.mirror,
                row.agreement,
                judgement,
                other_path,
                due=row.due,
                dated=self._dated,
            )
        )

    def _one_sided(self, row: Row) -> Iterator[Judged]:
        sighting = row.source or row.mirror
        assert sighting is not None
        if sighting.trouble is not None and sighting.kind is Kind.OTHER:
            yield from self._both(row, row.path)
        elif sighting.trouble is None and self._unlisted and self._under_unlisted(row.path):
            yield from self._count(
                Judged(
                    row.path,
                    row.source,
                    row.mirror,
                    row.agreement,
                    UNREAD,
                    due=row.due,
                    dated=self._dated,
                )
            )
        else:
            forms = self._mirror_forms if row.source is None else self._source_forms
            forms.add(Leftover(sighting, row.agreement, row.due))

    def _notes_unlisted(self, row: Judged) -> bool:
        """A folder that could not be listed waits until what lies below it has passed."""
        if not any(
            sighting is not None and sighting.trouble is not None and sighting.kind is Kind.OTHER
            for sighting in (row.source, row.mirror)
        ):
            return False
        self._unlisted[composed(row.path) + b"/"] = 0
        self._unlisted_rows.append(row)
        return True

    def _under_unlisted(self, path: bytes) -> bool:
        for folder in folders_above(composed(path)):
            if folder in self._unlisted:
                self._unlisted[folder] += 1
                return True
        return False

    def _twins_and_moves(self) -> Iterator[Judged]:
        source_contents, mirror_contents = self._keep(content_key), self._keep(content_key)
        for ends in pair_twins(self._source_forms, self._mirror_forms):
            if ends.source is not None and ends.mirror is not None:
                yield from self._twin(ends.source, ends.mirror)
            elif ends.source is not None:
                source_contents.add(ends.source)
            elif ends.mirror is not None:
                mirror_contents.add(ends.mirror)
        for ends in pair_moves(source_contents, mirror_contents):
            yield from self._alone_or_moved(ends)

    def _twin(self, source: Leftover, mirror: Leftover) -> Iterator[Judged]:
        here, there = source.sighting, mirror.sighting
        self.twins += 1
        row = Row(here.path, here, there, source.agreement or mirror.agreement, source.due)
        yield from self._both(row, here.path, there.path)

    def _alone_or_moved(self, ends: Ends) -> Iterator[Judged]:
        both = ends.source is not None and ends.mirror is not None
        for leftover, other in ((ends.source, ends.mirror), (ends.mirror, ends.source)):
            if leftover is None:
                continue
            here = leftover is ends.source
            sighting = leftover.sighting
            source, mirror = (sighting, None) if here else (None, sighting)
            if sighting.trouble is None and self._unlisted and self._under_unlisted(sighting.path):
                # It passed before the folder that it lies in under another form of its name.
                judgement = UNREAD
            else:
                judgement = judge(source, mirror, leftover.agreement, leftover.due)
            if both and judgement.verdict not in QUIET:
                judgement = Judgement(judgement.verdict, Cause.MOVED, Side.MIRROR)
            other_path = other.sighting.path if other is not None else None
            yield from self._count(
                Judged(
                    sighting.path,
                    source,
                    mirror,
                    leftover.agreement,
                    judgement,
                    other_path,
                    due=leftover.due,
                    dated=self._dated,
                )
            )


def _with_below(row: Judged, below: int) -> Judged:
    return Judged(
        row.path,
        row.source,
        row.mirror,
        row.agreement,
        row.judgement,
        row.other_path,
        below,
        row.due,
        row.dated,
    )
