"""What the readings of a unit come to, beside what the ledger knows.  Nothing is written here."""

from __future__ import annotations

from collections.abc import Callable
from typing import Final

from verifier.diff.judge import judge
from verifier.due import is_due, latest_run
from verifier.jobs.opening import dated
from verifier.jobs.released import Released
from verifier.jobs.spot_check.sample import Step, Unit
from verifier.ledger import Covered, Known, Ledger, PlaceName
from verifier.model import SEGMENT, Kind, Sighting, Verdict
from verifier.settings import Settings, Share

_BY_DATES: Final = frozenset({Verdict.PENDING, Verdict.STALE})


class Verdicts:
    """The judge's word on what was drawn of one share."""

    def __init__(
        self, settings: Settings, share: Share, ledger: Ledger, now: Callable[[], float]
    ) -> None:
        self._settings = settings
        self._share = share
        self._source = PlaceName(share.name)
        self._ledger = ledger
        self._now = now
        self.released = Released.of(ledger, share)
        self.slack_ns = share.slack_ns

    def of(
        self, unit: Unit, mirror: PlaceName, answers: dict[PlaceName, Sighting]
    ) -> Verdict | None:
        """What a reading of both sides comes to.

        Where the source has no such file any more, that is what the mirror holds beside what a
        certificate proved, and None where there is none.
        A copy that is not due yet is pending and not bad; one that was due is stale or missing.
        """
        source, there = answers[self._source], answers[mirror]
        if has_left(source):
            return self._of_released(unit, mirror, there)
        agreement = self._ledger.agreements.of(mirror, unit.path)
        if agreement is None and unit.names[mirror] != unit.path:
            agreement = self._ledger.agreements.of(mirror, unit.names[mirror])
        return judge(
            source,
            None if is_gone(there) else there,
            agreement,
            is_due(self._known_now(source), self.run_started()),
            slack_ns=self.slack_ns,
            dated=dated(self._share, mirror.place),
        ).verdict

    def covered(self, path: bytes, there: Sighting | None = None) -> Covered | None:
        """What a certificate proved of a path, if that is what the source held last.

        ``there`` is what a mirror holds of it.
        """
        found = self.released.covering(path)
        last = self.known(self._source, path)
        held = None if last is None else last.sighting.digest
        if found is None or (held is not None and held != found.digest):
            return None
        if last is None and self.released.was_superseded(path, found, there):
            return None
        return found

    def _of_released(self, unit: Unit, mirror: PlaceName, there: Sighting) -> Verdict | None:
        covered = self.covered(unit.path, there)
        if covered is None or self.known(mirror, unit.names[mirror]) is None:
            return None
        if is_gone(there):
            return Verdict.MISSING
        if there.trouble is not None:
            return Verdict.UNSETTLED if there.trouble.unsettled else Verdict.UNREADABLE
        if (there.kind, there.target) != (covered.kind, covered.target):
            return Verdict.CORRUPT
        if there.digest is None:
            return Verdict.UNREAD
        return Verdict.MATCHED if there.digest == covered.digest else Verdict.CORRUPT

    def of_piece(self, unit: Unit, mirror: PlaceName) -> Verdict | None:
        """As `of`, by a piece: matched when both sides, and what is known of each, agree."""
        assert unit.piece is not None
        source, there = unit.answers[self._source], unit.answers[mirror]
        verdict = self.of(unit, mirror, unit.answers)
        if verdict is not Verdict.UNREAD and verdict not in _BY_DATES:
            return verdict
        alike = source.fingerprints == there.fingerprints and bool(source.fingerprints)
        end = (unit.piece + 1) * SEGMENT
        if unit.size <= end < source.size:
            return verdict  # behind the last piece that could be drawn, the file has grown
        if alike and all(
            self._as_known(name, unit.answers[name], unit.piece) for name in (self._source, mirror)
        ):
            return Verdict.MATCHED
        return verdict

    def _as_known(self, name: PlaceName, reading: Sighting, piece: int) -> bool:
        """Whether a piece is what the ledger knows under the same size and date."""
        known = self.known(name, reading.path)
        if known is None:
            return True
        before = known.sighting
        if (before.size, before.mtime_ns) != (reading.size, reading.mtime_ns):
            return True
        return piece >= len(before.fingerprints) or (
            before.fingerprints[piece] == reading.fingerprints[0]
        )

    def is_unstable(self, unit: Unit) -> bool:
        """Whether two readings of a file that was not changed in between gave two contents."""
        if unit.step is Step.WHOLE_AGAIN:
            for name, second in unit.answers.items():
                first = unit.first.get(name)
                if first is None or first.digest is None or second.digest is None:
                    continue
                if first.untouched_since(second) and first.digest != second.digest:
                    return True
        whole = unit.first or unit.answers
        for name, piece in unit.pieces.items():
            reading = whole.get(name)
            if reading is None or not reading.fingerprints or not piece.fingerprints:
                continue
            assert unit.piece is not None
            if reading.untouched_since(piece) and (
                reading.fingerprints[unit.piece : unit.piece + 1] != piece.fingerprints
            ):
                return True
        return False

    def known(self, name: PlaceName, path: bytes) -> Known | None:
        """What the ledger knows of a path at a place."""
        ((_, known),) = self._ledger.sightings_at(name, [path])
        return known

    def _known_now(self, source: Sighting) -> Known:
        """The source's file as a walk would know it that saw it now."""
        known = self.known(self._source, source.path)
        now = int(self._now())
        if known is None:
            return Known(source, now)
        changed = known.changed_seen if is_as_seen(known, source) else now
        return Known(source, known.first_seen, changed)

    def run_started(self) -> float:
        """When the latest finished mirror run began, in seconds since 1970."""
        share = self._share
        zone = self._settings.hours.zone
        return latest_run(share.mirror_runs, share.mirror_takes, zone, self._now())


def is_gone(reading: Sighting) -> bool:
    """True when nothing stands at a path any more."""
    trouble = reading.trouble
    return trouble is not None and trouble.unsettled and reading.kind is Kind.OTHER


def has_left(source: Sighting) -> bool:
    """True when the source has no such file any more."""
    return is_gone(source) or (source.kind is not Kind.FILE and source.trouble is None)


def is_edited(known: Known, now: Sighting) -> bool:
    """Whether a path has left or was written since the last walk, as a surge counts it.

    New permissions, owners or names of the same file change its status time alone, or its inode.
    """
    if is_gone(now):
        return True
    if now.kind is Kind.OTHER and now.trouble is not None:
        return False  # nobody could look at it
    before = known.sighting
    return (before.kind, before.size, before.mtime_ns) != (now.kind, now.size, now.mtime_ns)


def is_as_seen(known: Known, now: Sighting) -> bool:
    """Whether a file is as the last walk saw it; a device's number may change with each mount."""
    before = known.sighting
    return (before.kind, before.size, before.mtime_ns, before.ctime_ns, before.inode) == (
        now.kind,
        now.size,
        now.mtime_ns,
        now.ctime_ns,
        now.inode,
    )
