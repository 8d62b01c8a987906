"""The life of findings: opened, kept while they last, accepted, closed by themselves, reopened.

A finding is one verdict on one path of one mirror.  It stays the same finding, under the same
number, however often that verdict comes and goes; another verdict on the path is another finding
and closes this one.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from typing import Final

import msgspec
from msgspec import Struct, structs

from verifier.errors import RequestRefused
from verifier.ledger import statements
from verifier.ledger.names import Names
from verifier.ledger.store import BEFORE_ALL, PAGE, Row, Store
from verifier.ledger.values import (
    Acceptance,
    FindingEvent,
    FindingState,
    Happening,
    LedgerFinding,
    PlaceName,
)
from verifier.model import Damage, Finding, Kind, Side, Sighting, Verdict


class SideState(Struct, frozen=True):
    """What one side held when a finding was seen: what must change for it to be another case."""

    kind: Kind
    size: int
    mtime_ns: int
    digest: bytes | None
    target: bytes | None
    trouble: str | None

    def still(self, now: SideState) -> bool:
        """True when ``now`` shows no change.  A digest known on one hand only tells of none."""
        if self.trouble is not None or now.trouble is not None:
            return self.trouble == now.trouble
        return (
            self.kind is now.kind
            and self.size == now.size
            and self.mtime_ns == now.mtime_ns
            and self.target == now.target
            and (self.digest is None or now.digest is None or self.digest == now.digest)
        )


class Standing(Struct, frozen=True):
    """What both sides held when a finding was seen."""

    source: SideState | None
    mirror: SideState | None

    def still(self, now: Standing) -> bool:
        """True when ``now`` shows the same case."""
        return all(
            then is later if then is None or later is None else then.still(later)
            for then, later in ((self.source, now.source), (self.mirror, now.mirror))
        )

    def learnt(self, now: Standing) -> Standing:
        """With the digests that are known by now, so that a later change of them shows."""
        return Standing(_learnt(self.source, now.source), _learnt(self.mirror, now.mirror))


def _learnt(then: SideState | None, now: SideState | None) -> SideState | None:
    if then is None or now is None or then.digest is not None:
        return then
    return structs.replace(then, digest=now.digest)


def standing_of(source: Sighting | None, mirror: Sighting | None) -> Standing:
    """What a finding is about, from the sightings that it was judged by."""
    return Standing(_side_state(source), _side_state(mirror))


def _side_state(sighting: Sighting | None) -> SideState | None:
    if sighting is None:
        return None
    return SideState(
        sighting.kind,
        sighting.size,
        sighting.mtime_ns,
        sighting.digest,
        sighting.target,
        None if sighting.trouble is None else sighting.trouble.cause,
    )


_encode: Final = msgspec.json.Encoder().encode
_decode_damage: Final = msgspec.json.Decoder(Damage).decode
_decode_standing: Final = msgspec.json.Decoder(Standing).decode


class _Kept(Struct, frozen=True):
    """A row of findings: what is shown of it, and what it is compared by."""

    shown: LedgerFinding
    accepted_state: Standing | None


class Findings:
    """The findings of every share and mirror."""

    def __init__(self, store: Store, names: Names) -> None:
        self._store = store
        self._names = names

    def seen(
        self,
        mirror: PlaceName,
        finding: Finding,
        at: int,
        source_sighting: Sighting | None = None,
        mirror_sighting: Sighting | None = None,
    ) -> LedgerFinding:
        """A path was judged so at ``at``: the finding that this opens, keeps up or reopens.

        The sightings are those that it was judged by; while they show no change, an accepted
        finding stays quiet.
        """
        standing = standing_of(source_sighting, mirror_sighting)
        with self._store.transaction():
            lasting = self._one(statements.LASTING_FINDING, self._key(mirror, finding.path))
            if lasting is not None and lasting.shown.verdict is not finding.verdict:
                self._close(lasting.shown.id, at, f"it is {finding.verdict} now")
            known = self._one(
                statements.FINDING_OF_VERDICT, (*self._key(mirror, finding.path), finding.verdict)
            )
            values = _columns(finding, standing, at)
            if known is None:
                number = self._store.insert(
                    statements.ADD_FINDING, {**values, "mirror": self._names.place(mirror)}
                )
                self._tell(number, at, Happening.OPENED, _said(finding))
            else:
                number = known.shown.id
                state = self._state_now(known, finding, standing, at)
                self._store.run(statements.UPDATE_FINDING, {**values, "id": number, "state": state})
            return self.numbered(number)

    def settled(self, mirror: PlaceName, path: bytes, at: int, by: str) -> LedgerFinding | None:
        """A path needs nobody any more, as ``by`` showed: closes its finding, if one lasts."""
        with self._store.transaction():
            lasting = self._one(statements.LASTING_FINDING, self._key(mirror, path))
            if lasting is None:
                return None
            self._close(lasting.shown.id, at, by)
            return self.numbered(lasting.shown.id)

    def accept(self, number: int, who: str, at: int, because: str) -> LedgerFinding:
        """A person decides that a finding may stand as it was last seen.

        It is quiet until what it was seen by changes.  Raises RequestRefused when there is no
        such finding, or it is closed, or no reason is given.
        """
        if not because.strip():
            raise RequestRefused("A finding is accepted for a reason. Say it with --because.")
        with self._store.transaction():
            finding = self.numbered(number)
            if finding.state is FindingState.CLOSED:
                raise RequestRefused(
                    f"Finding {number} is closed already. Nothing needs to be accepted."
                )
            self._store.run(statements.ACCEPT_FINDING, (who, at, because, number))
            self._tell(number, at, Happening.ACCEPTED, f"{who}: {because}")
            return self.numbered(number)

    def numbered(self, number: int) -> LedgerFinding:
        """The finding of that number.  Raises RequestRefused when there is none."""
        found = self._one(statements.FINDING, (number,))
        if found is None:
            raise RequestRefused(
                f"There is no finding {number}. `verifier findings` lists those that there are."
            )
        return found.shown

    def lasting(self, mirror: PlaceName) -> Iterator[LedgerFinding]:
        """The open and accepted findings of one mirror, sorted by path."""
        return self._paged(
            statements.LASTING_FINDINGS,
            {"mirror": self._names.place(mirror)},
            BEFORE_ALL,
            lambda row: row[3],
        )

    def lasting_at(self, mirror: PlaceName, path: bytes) -> LedgerFinding | None:
        """The open or accepted finding on one path."""
        found = self._one(statements.LASTING_FINDING, self._key(mirror, path))
        return None if found is None else found.shown

    def all(self) -> Iterator[LedgerFinding]:
        """Every finding that there ever was, by number."""
        return self._paged(statements.ALL_FINDINGS, {}, 0, lambda row: row[0])

    def counts(self) -> Mapping[FindingState, int]:
        """How many findings are in each state."""
        found = dict.fromkeys(FindingState, 0)
        for state, count in self._store.rows(statements.COUNT_FINDINGS):
            found[FindingState(state)] = count
        return found

    def history(self, number: int) -> list[FindingEvent]:
        """What happened to one finding, in order."""
        return [
            FindingEvent(at, Happening(what), detail)
            for at, what, detail in self._store.rows(statements.EVENTS, (number,))
        ]

    def _state_now(
        self, known: _Kept, finding: Finding, standing: Standing, at: int
    ) -> FindingState:
        """The state of a known finding that was seen again, with what that adds to its history."""
        shown, accepted = known.shown, known.accepted_state
        if shown.state is FindingState.CLOSED:
            self._tell(shown.id, at, Happening.REOPENED, _said(finding))
            return FindingState.OPEN
        if shown.state is FindingState.ACCEPTED and accepted is not None:
            if accepted.still(standing):
                learnt = accepted.learnt(standing)
                if learnt != accepted:
                    values = _text(learnt), shown.id
                    self._store.run(statements.LEARN_ACCEPTED_STATE, values)
                return FindingState.ACCEPTED
            self._tell(
                shown.id, at, Happening.REOPENED, f"changed since it was accepted: {_said(finding)}"
            )
            return FindingState.OPEN
        if _said(shown.finding) != _said(finding):
            self._tell(shown.id, at, Happening.CHANGED, _said(finding))
        return FindingState.OPEN

    def _close(self, number: int, at: int, by: str) -> None:
        self._store.run(statements.CLOSE_FINDING, (at, by, number))
        self._tell(number, at, Happening.CLOSED, by)

    def _tell(self, number: int, at: int, what: Happening, detail: str) -> None:
        self._store.run(statements.ADD_EVENT, (number, at, what, detail))

    def _key(self, mirror: PlaceName, path: bytes) -> tuple[int, bytes]:
        return self._names.place(mirror), path

    def _one(self, statement: str, values: tuple[object, ...]) -> _Kept | None:
        row = self._store.row(statement, values)
        return None if row is None else _kept(row)

    def _paged(
        self,
        statement: str,
        values: Mapping[str, object],
        after: object,
        key: Callable[[Row], object],
    ) -> Iterator[LedgerFinding]:
        while page := self._store.rows(statement, {**values, "after": after, "most": PAGE}):
            for row in page:
                yield _kept(row).shown
            after = key(page[-1])


def _text(value: object) -> str:
    return _encode(value).decode()


def _said(finding: Finding) -> str:
    """A finding's verdict, cause and side in words."""
    said = f"{finding.verdict}"
    if finding.cause is not None:
        said += f", {finding.cause}"
    if finding.side is not None:
        said += f", {finding.side} side"
    return said


def _columns(finding: Finding, standing: Standing, at: int) -> dict[str, object]:
    return {
        "path": finding.path,
        "verdict": finding.verdict.value,
        "cause": finding.cause,
        "side": finding.side,
        "size": finding.size,
        "detail": finding.detail,
        "advice": finding.advice,
        "other_path": finding.other_path,
        "damage": None if finding.damage is None else _text(finding.damage),
        "standing": _text(standing),
        "at": at,
    }


def _kept(row: Row) -> _Kept:
    (
        number,
        share,
        mirror,
        path,
        verdict,
        cause,
        side,
        size,
        detail,
        advice,
        other_path,
        damage,
        state,
        first_seen,
        last_seen,
        closed_at,
        closed_by,
        accepted_by,
        accepted_at,
        accepted_for,
        accepted_state,
    ) = row
    finding = Finding(
        path,
        Verdict(verdict),
        cause,
        None if side is None else Side(side),
        size,
        detail,
        advice,
        other_path,
        None if damage is None else _decode_damage(damage),
    )
    acceptance = None
    if accepted_at is not None:
        acceptance = Acceptance(accepted_by, accepted_at, accepted_for)
    shown = LedgerFinding(
        number,
        share,
        mirror,
        finding,
        FindingState(state),
        first_seen,
        last_seen,
        closed_at,
        closed_by,
        acceptance,
    )
    return _Kept(shown, None if accepted_state is None else _decode_standing(accepted_state))
