"""The verdict table: what one pair of sightings means.  Pure; nothing else decides a verdict.

The table is design's; ``fixtures/verdicts.json`` holds a case for each of its rows.  The first
row that fits wins, so the order of the tests below is part of their meaning.
"""

from __future__ import annotations

from typing import NamedTuple

from verifier.model import (
    BOTH_DATED,
    DEFAULT_SLACK_NS,
    Agreement,
    Cause,
    Dated,
    Judgement,
    Kind,
    Likeness,
    Side,
    Sighting,
    Verdict,
)

MATCHED = Judgement(Verdict.MATCHED)
PENDING = Judgement(Verdict.PENDING)
UNREAD = Judgement(Verdict.UNREAD)
MISSING = Judgement(Verdict.MISSING, Cause.NEVER_COPIED, Side.MIRROR)
ORPHANED = Judgement(Verdict.ORPHANED, Cause.DELETED_AT_SOURCE, Side.MIRROR)
STALE = Judgement(Verdict.STALE, Cause.OLDER_VERSION, Side.MIRROR)

_NOT_EXAMINED = Likeness()


def judge(
    source: Sighting | None,
    mirror: Sighting | None,
    agreement: Agreement | None,
    due: bool,
    *,
    slack_ns: int = DEFAULT_SLACK_NS,
    likeness: Likeness | None = None,
    dated: Dated = BOTH_DATED,
) -> Judgement:
    """The verdict on one path.

    ``due`` says whether the mirror job has had its chance to copy the source's file.
    ``slack_ns`` is how far apart, in nanoseconds, two dates still count as equal.
    ``likeness`` is what reading both contents showed; without it no content can be called
    truncated or zero-filled.
    ``dated`` says whose dates are those of contents.  Where either side's are not, the dates of the
    two are not set side by side; that one side's own date is another than was agreed still tells
    that what stands there was written anew.

    A missing path may turn out to be moved, and an orphaned one moved or released: that takes
    more than one path to see, and is decided by the caller.

    Raises ValueError when neither side has a sighting.
    """
    if (
        source is not None
        and mirror is not None
        and agreement is None
        and source.digest is not None
        and source.digest == mirror.digest
        and source.trouble is None
        and mirror.trouble is None
    ):
        return MATCHED  # nearly every call: the same answer as below, sooner
    if source is None and mirror is None:
        raise ValueError("a path that stands on neither side has no verdict")
    troubled = _troubled(source, mirror)
    if troubled is not None:
        return troubled
    if mirror is None:
        return MISSING if due else PENDING
    if source is None:
        return ORPHANED
    pair = _Pair(source, mirror, agreement, due, slack_ns, likeness or _NOT_EXAMINED, dated.alike)
    if source.kind is not mirror.kind or source.target != mirror.target:
        return pair.kind_changed()
    if source.kind is not Kind.FILE:
        return MATCHED
    if source.digest is None or mirror.digest is None:
        return pair.by_dates() if pair.dated else pair.by_sizes()
    if source.digest == mirror.digest:
        return pair.same_content()
    if pair.agreed is None:
        return pair.differing_without_agreement()
    return pair.differing_from(pair.agreed)


def _troubled(source: Sighting | None, mirror: Sighting | None) -> Judgement | None:
    troubles = [
        (side, sighting.trouble)
        for side, sighting in ((Side.SOURCE, source), (Side.MIRROR, mirror))
        if sighting is not None and sighting.trouble is not None
    ]
    if not troubles:
        return None
    unreadable = [(side, trouble) for side, trouble in troubles if not trouble.unsettled]
    if unreadable:
        side, trouble = unreadable[0]
        return Judgement(
            Verdict.UNREADABLE, trouble.cause, Side.BOTH if len(unreadable) == 2 else side
        )
    return Judgement(Verdict.UNSETTLED, None, Side.BOTH if len(troubles) == 2 else troubles[0][0])


def _corrupt(cause: Cause, side: Side) -> Judgement:
    return Judgement(Verdict.CORRUPT, cause, side)


class _Pair(NamedTuple):
    """A path that stands on both sides, readable on both, with all that bears on it."""

    source: Sighting
    mirror: Sighting
    agreement: Agreement | None
    due: bool
    slack_ns: int
    likeness: Likeness
    dated: bool

    @property
    def agreed(self) -> Agreement | None:
        """The agreement on a file's content, which an agreement on a link is not."""
        agreement = self.agreement
        return agreement if agreement is not None and agreement.digest is not None else None

    def same_dates(self, one: int, other: int) -> bool:
        return abs(one - other) <= self.slack_ns

    @property
    def source_newer(self) -> bool:
        return self.dated and self.source.mtime_ns - self.mirror.mtime_ns > self.slack_ns

    @property
    def mirror_newer(self) -> bool:
        return self.dated and self.mirror.mtime_ns - self.source.mtime_ns > self.slack_ns

    def behind(self) -> Judgement:
        """The mirror holds an older version: its turn has come, or not yet."""
        return STALE if self.due else PENDING

    def kind_changed(self) -> Judgement:
        if not self.due:
            return PENDING
        if self.source_newer:
            return Judgement(Verdict.STALE, Cause.KIND_CHANGED, Side.MIRROR)
        source_fits, mirror_fits = self._fits(self.source), self._fits(self.mirror)
        if source_fits == mirror_fits:
            return _corrupt(Cause.KIND_CHANGED, Side.UNKNOWN)
        return _corrupt(Cause.KIND_CHANGED, Side.MIRROR if source_fits else Side.SOURCE)

    def _fits(self, sighting: Sighting) -> bool:
        agreement = self.agreement
        return (
            agreement is not None
            and sighting.kind is agreement.kind
            and sighting.digest == agreement.digest
            and sighting.target == agreement.target
        )

    def by_dates(self) -> Judgement:
        """A content is not known yet: dates may show that the mirror is behind, nothing else."""
        agreed = self.agreed
        if agreed is None:
            return self.behind() if self.source_newer else UNREAD
        if self.source.digest == agreed.digest:
            return UNREAD  # touched, not edited: the mirror may well hold the same
        edited = not self.same_dates(self.source.mtime_ns, agreed.source_mtime_ns)
        if edited and (self._mirror_as(agreed) or self.source_newer):
            return self.behind()
        return UNREAD

    def by_sizes(self) -> Judgement:
        """As `by_dates`, where dates tell nothing of which side is newer."""
        agreed = self.agreed
        if self.source.size != self.mirror.size:
            return self.behind()
        if agreed is None or self.source.digest == agreed.digest:
            return UNREAD
        edited = not self.same_dates(self.source.mtime_ns, agreed.source_mtime_ns)
        return self.behind() if edited and self._mirror_as(agreed) else UNREAD

    def _mirror_as(self, agreed: Agreement) -> bool:
        return self.mirror.size == agreed.size and self.same_dates(
            self.mirror.mtime_ns, agreed.mirror_mtime_ns
        )

    def same_content(self) -> Judgement:
        agreed = self.agreed
        if (
            agreed is None
            or self.source.digest == agreed.digest
            or not self.same_dates(self.source.mtime_ns, agreed.source_mtime_ns)
        ):
            return MATCHED
        return _corrupt(Cause.ROT if self.source.size == agreed.size else Cause.ALTERED, Side.BOTH)

    def differing_from(self, agreed: Agreement) -> Judgement:
        """Both contents are known and differ from each other; one may be the agreed one."""
        if self.source.digest == agreed.digest:
            return self._mirror_lost(agreed)
        edited = not self.same_dates(self.source.mtime_ns, agreed.source_mtime_ns)
        if self.mirror.digest == agreed.digest:
            return self.behind() if edited else self._source_lost(agreed)
        if not edited:
            cause = Cause.ROT if self.source.size == agreed.size else Cause.ALTERED
            return _corrupt(cause, Side.BOTH)
        if self._mirror_as(agreed):
            return _corrupt(Cause.ROT, Side.MIRROR)
        if self.source_newer:
            return self.behind()
        if self.mirror_newer:
            return _corrupt(Cause.ALTERED, Side.MIRROR)
        if not self.dated and (not self.due or self.mirror.digest in agreed.earlier):
            return self.behind()
        return _corrupt(Cause.DIFFERS, Side.UNKNOWN)

    def _mirror_lost(self, agreed: Agreement) -> Judgement:
        """The source still holds what was agreed, the mirror does not."""
        if self._mirror_as(agreed):
            return _corrupt(Cause.ROT, Side.MIRROR)
        if self.mirror.digest in agreed.earlier:
            return STALE
        if self.mirror.size < agreed.size and self.likeness.mirror_is_prefix:
            return _corrupt(Cause.TRUNCATED, Side.MIRROR)
        return _corrupt(Cause.ALTERED, Side.MIRROR)

    def _source_lost(self, agreed: Agreement) -> Judgement:
        """The mirror still holds what was agreed; the source lost it without a change of date."""
        if self.source.size == agreed.size:
            return _corrupt(Cause.ROT, Side.SOURCE)
        if self.source.size < agreed.size and self.likeness.source_is_prefix:
            return _corrupt(Cause.TRUNCATED, Side.SOURCE)
        return _corrupt(Cause.ALTERED, Side.SOURCE)

    def differing_without_agreement(self) -> Judgement:
        if self.source_newer or not (self.dated or self.due):
            return self.behind()
        if self.mirror_newer:
            return _corrupt(Cause.NEWER_ON_MIRROR, Side.UNKNOWN)
        if self.likeness.mirror_is_prefix:
            return _corrupt(Cause.TRUNCATED, Side.MIRROR)
        if self.likeness.zero_filled is not None:
            return _corrupt(Cause.ZERO_FILLED, self.likeness.zero_filled)
        return _corrupt(Cause.DIFFERS, Side.UNKNOWN)
