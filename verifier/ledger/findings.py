"""The life of findings: opened, kept while they last, accepted, closed by themselves, reopened.

A finding is one verdict on one path of one mirror.  It stays the same finding, under the same
number, however often that verdict comes and goes; another verdict on the path is another finding
and closes this one.

What a person accepts is what stands on the source: where a content had changed, the source's
becomes the agreement, in the same transaction.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping
from enum import Enum
from typing import Final

import msgspec
from msgspec import Struct, structs

from verifier.errors import RequestRefused
from verifier.ledger import statements
from verifier.ledger.agreements import Agreements
from verifier.ledger.chain import Chain, What
from verifier.ledger.names import Names
from verifier.ledger.store import BEFORE_ALL, Row, Store
from verifier.ledger.values import (
    Acceptance,
    FindingEvent,
    FindingState,
    Happening,
    LedgerFinding,
    PlaceName,
)
from verifier.model import Agreement, Cause, Damage, Finding, Kind, Side, Sighting, Verdict

PAGE: Final = 200
"""Findings that a stream takes at a time: one with a thousand damaged ranges takes 60 KB."""

AT_NO_DATE: Final = -(1 << 63)
"""The mirror's date in an agreement on a content that the mirror does not hold yet.

With the date of its present file, what the mirror still holds would count as rotten rather than
as an earlier version.
"""


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


class Meaning(Enum):
    """What an acceptance means from then on, besides that the finding is quiet."""

    NO_CONTENT = "it is about no change of content"
    BOTH_AGREED = "what both sides hold is the agreement"
    SOURCE_AGREED = "what the source holds is the agreement, and the mirror is behind"
    AS_AGREED = "the source holds what was agreed before, and the mirror something else"
    NOT_KNOWN = "no content is on record that could be agreed on"
    CHANGED_SINCE = "what stands there now is not what was judged"


class Accepted(Struct, frozen=True):
    """A finding that a person accepted, and what that means."""

    finding: LedgerFinding
    meaning: Meaning


_BY_CONTENT: Final = frozenset({Verdict.CORRUPT, Verdict.STALE})


_About = tuple[int, str, str, bytes, str]
"""Which finding an event is of: number, share, mirror, path, verdict."""


def _about(shown: LedgerFinding) -> _About:
    return shown.id, shown.share, shown.mirror, shown.path, shown.verdict.value


class _Kept(Struct, frozen=True):
    """A row of findings: what is shown of it, and what it is compared by."""

    shown: LedgerFinding
    accepted_state: Standing | None


class Findings:
    """The findings of every share and mirror."""

    def __init__(self, store: Store, names: Names, chain: Chain) -> None:
        self._store = store
        self._names = names
        self._chain = chain

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
                self._close(lasting.shown, at, f"it is {finding.verdict} now")
            known = self._one(
                statements.FINDING_OF_VERDICT, (*self._key(mirror, finding.path), finding.verdict)
            )
            values = _columns(finding, standing, at)
            if known is None:
                number = self._store.insert(
                    statements.ADD_FINDING, {**values, "mirror": self._names.place(mirror)}
                )
                about = number, mirror.share, mirror.place, finding.path, finding.verdict.value
                self._tell(about, at, Happening.OPENED, _said(finding))
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
            self._close(lasting.shown, at, by)
            return self.numbered(lasting.shown.id)

    def accept(self, number: int, who: str, at: int, because: str) -> LedgerFinding:
        """A person decides that a finding may stand as it was last seen.

        It is quiet until what it was seen by changes; no agreement is touched.  Raises
        RequestRefused when there is no such finding, or it is closed, or no reason is given.
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
            self._keep_acceptance(number, at)
            self._tell(_about(finding), at, Happening.ACCEPTED, f"{who}: {because}")
            return self.numbered(number)

    def accept_as_they_stand(
        self, numbers: Iterable[int], agreements: Agreements, who: str, at: int, because: str
    ) -> list[Accepted]:
        """A person decides that what stands on the source is as it should be; all or none.

        Beside `accept`: where a content had changed, and both contents are known and still those
        that were judged, the source's becomes the agreement, what was agreed before joins the
        history, and the path is judged again.
        """
        with self._store.transaction():
            return [
                self._accept_as_it_stands(number, agreements, who, at, because)
                for number in dict.fromkeys(numbers)
            ]

    def _accept_as_it_stands(
        self, number: int, agreements: Agreements, who: str, at: int, because: str
    ) -> Accepted:
        accepted = self.accept(number, who, at, because)
        mirror = PlaceName(accepted.share, accepted.mirror)
        row = self._store.row(statements.STANDING, (number,))
        assert row is not None
        meaning, agreed = _adopted(
            accepted.finding, _decode_standing(row[0]), *_now(agreements, mirror, accepted.finding)
        )
        for agreement in agreed:
            agreements.record(mirror, [(accepted.path, agreement)], at)
        if agreed:
            agreements.touch(mirror, [accepted.path])
        return Accepted(accepted, meaning)

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
            {"mirror": self._names.place(mirror), "after": BEFORE_ALL},
            lambda row: {"after": row[3]},
        )

    def of(self, mirror: PlaceName) -> Iterator[LedgerFinding]:
        """Every finding of one mirror, the closed ones too, sorted by path."""
        return self._paged(
            statements.FINDINGS_OF_MIRROR,
            {"mirror": self._names.place(mirror), "after": BEFORE_ALL, "verdict": ""},
            lambda row: {"after": row[3], "verdict": row[4]},
        )

    def lasting_at(self, mirror: PlaceName, path: bytes) -> LedgerFinding | None:
        """The open or accepted finding on one path."""
        found = self._one(statements.LASTING_FINDING, self._key(mirror, path))
        return None if found is None else found.shown

    def all(self) -> Iterator[LedgerFinding]:
        """Every finding that there ever was, by number."""
        return self._paged(statements.ALL_FINDINGS, {"after": 0}, lambda row: {"after": row[0]})

    def unreadable(self, place: PlaceName) -> int:
        """Paths of a place that an open or accepted finding calls unreadable."""
        statement = (
            statements.UNREADABLE_ON_SOURCE if place.is_source else statements.UNREADABLE_ON_MIRROR
        )
        row = self._store.row(statement, (self._names.place(place),))
        assert row is not None
        return int(row[0])

    def histories(self, numbers: Iterable[int]) -> Mapping[int, list[FindingEvent]]:
        """What happened to each of these findings, in order."""
        found: dict[int, list[FindingEvent]] = {number: [] for number in numbers}
        asked = msgspec.json.encode(list(found)).decode()
        for number, at, what, detail in self._store.rows(statements.EVENTS_OF, (asked,)):
            found[number].append(FindingEvent(at, Happening(what), detail))
        return found

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
            self._tell(_about(shown), at, Happening.REOPENED, _said(finding))
            return FindingState.OPEN
        if shown.state is FindingState.ACCEPTED and accepted is not None:
            if not accepted.still(standing):
                said = f"changed since it was accepted: {_said(finding)}"
                self._tell(_about(shown), at, Happening.REOPENED, said)
                return FindingState.OPEN
            learnt = accepted.learnt(standing)
            if learnt != accepted:
                self._store.run(statements.LEARN_ACCEPTED_STATE, (_text(learnt), shown.id))
                self._keep_acceptance(shown.id, at)
        if _said(shown.finding) != _said(finding):
            self._tell(_about(shown), at, Happening.CHANGED, _said(finding))
        return shown.state

    def _close(self, shown: LedgerFinding, at: int, by: str) -> None:
        self._store.run(statements.CLOSE_FINDING, (at, by, shown.id))
        self._tell(_about(shown), at, Happening.CLOSED, by)

    def _tell(self, about: _About, at: int, what: Happening, detail: str) -> None:
        """Add to a finding's history, and to the chain."""
        said = at, what.value, detail
        event = self._store.insert(statements.ADD_EVENT, (about[0], *said))
        self._chain.extend(What.FINDING_EVENT, event, (*about, *said), at)

    def _keep_acceptance(self, number: int, at: int) -> None:
        """Keep a finding's acceptance as it is now, beside those before it."""
        kept = self._store.insert(statements.ADD_ACCEPTANCE, (number,))
        self._chain.extend_by(What.ACCEPTANCE, kept, at)

    def _key(self, mirror: PlaceName, path: bytes) -> tuple[int, bytes]:
        return self._names.place(mirror), path

    def _one(self, statement: str, values: tuple[object, ...]) -> _Kept | None:
        row = self._store.row(statement, values)
        return None if row is None else _kept(row)

    def _paged(
        self,
        statement: str,
        start: Mapping[str, object],
        key: Callable[[Row], Mapping[str, object]],
    ) -> Iterator[LedgerFinding]:
        values = {**start, "most": PAGE}
        while page := self._store.rows(statement, values):
            for row in page:
                yield _kept(row).shown
            values |= key(page[-1])


def _now(
    agreements: Agreements, mirror: PlaceName, finding: Finding
) -> tuple[Sighting | None, Sighting | None, Agreement | None]:
    """What is known of both sides of a finding, and what was agreed."""
    (pair,) = agreements.pairs_at(mirror, [finding.path])
    on_mirror = pair.mirror
    if finding.other_path is not None and finding.cause != Cause.MOVED:
        ((_, on_mirror),) = agreements.known_at(mirror, [finding.other_path])
    return (
        None if pair.source is None else pair.source.sighting,
        None if on_mirror is None else on_mirror.sighting,
        pair.agreement,
    )


def _adopted(
    finding: Finding,
    judged: Standing,
    source: Sighting | None,
    mirror: Sighting | None,
    former: Agreement | None,
) -> tuple[Meaning, tuple[Agreement, ...]]:
    """What it means that a finding is accepted, and the agreements to record in their order."""
    if finding.verdict not in _BY_CONTENT:
        return Meaning.NO_CONTENT, ()
    if not judged.still(standing_of(source, mirror)):
        return Meaning.CHANGED_SINCE, ()
    if (
        source is None
        or mirror is None
        or judged.source is None
        or judged.source.digest is None
        or source.digest is None
        # By an unread mirror no judgement could follow, and the finding would not stay quiet.
        or (mirror.kind is Kind.FILE and mirror.digest is None)
    ):
        return Meaning.NOT_KNOWN, ()
    same = mirror.digest == source.digest
    if former is not None and former.digest == source.digest:
        return (Meaning.BOTH_AGREED if same else Meaning.AS_AGREED), ()
    agreed = Agreement(
        source.digest, source.size, source.mtime_ns, mirror.mtime_ns if same else AT_NO_DATE
    )
    if same:
        return Meaning.BOTH_AGREED, (agreed,)
    if finding.verdict is Verdict.STALE and mirror.digest is not None:
        # What the mirror holds is an earlier version, and has to be known as one: by the new
        # agreement it would be called corrupt, which nobody accepted.
        earlier = Agreement(mirror.digest, mirror.size, mirror.mtime_ns, mirror.mtime_ns)
        return Meaning.SOURCE_AGREED, (earlier, agreed)
    return Meaning.SOURCE_AGREED, (agreed,)


def _text(value: object) -> str:
    return _encode(value).decode()


def _said(finding: Finding) -> str:
    """A finding's verdict, cause and side in words.

    The check of the chain sets these words beside the finding: other words would have every
    finding of an older ledger look changed.
    """
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
