"""A finding opens, lasts, is accepted, closes by itself and comes back, always the same one."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from msgspec import structs
from test_ledger import (
    FARAWAY,
    NOW,
    SOURCE,
    VAULT,
    content,
    file,
    read,
    record,
    walked,
)

from verifier.diff.judge import judge
from verifier.errors import RequestRefused
from verifier.ledger import FindingState, Happening, Ledger, LedgerFinding, PlaceName
from verifier.ledger import findings as findings_module
from verifier.ledger.findings import Accepted, Meaning
from verifier.model import (
    Agreement,
    Cause,
    Damage,
    DamageRange,
    Finding,
    Judgement,
    Kind,
    Pattern,
    Side,
    Sighting,
    Trouble,
    Verdict,
)


def finding(
    verdict: Verdict = Verdict.MISSING,
    name: bytes = b"flights/0001.jpg",
    cause: str | None = Cause.NEVER_COPIED,
    side: Side | None = Side.MIRROR,
    **more: object,
) -> Finding:
    return Finding(name, verdict, cause, side, 1000, "On the source only.", "Copy it.", **more)


STALE = finding(Verdict.STALE, cause=Cause.OLDER_VERSION)
SEEN = file("flights/0001.jpg")


def happened(ledger: Ledger, number: int) -> list[Happening]:
    return [event.what for event in ledger.findings.history(number)]


def test_a_finding_comes_back_with_all_that_it_says(ledger):
    damage = Damage(
        10, 20, (DamageRange(0, 1, Pattern.BIT_FLIP, 1), DamageRange(5, 9, Pattern.GARBLED)), 5, "x"
    )
    full = finding(
        Verdict.CORRUPT, b"caf\xe9\n", Cause.ROT, Side.SOURCE, other_path=b"\xff", damage=damage
    )
    opened = ledger.findings.seen(VAULT, full, NOW, SEEN, None)
    assert opened.finding == full
    assert (opened.share, opened.mirror) == (VAULT.share, VAULT.place)
    assert (opened.state, opened.first_seen, opened.last_seen) == (FindingState.OPEN, NOW, NOW)
    assert (opened.path, opened.verdict) == (full.path, Verdict.CORRUPT)
    assert ledger.findings.numbered(opened.id) == opened
    assert list(ledger.findings.lasting(VAULT)) == [opened]


def test_a_finding_stays_one_while_it_lasts(ledger):
    first = ledger.findings.seen(VAULT, finding(), NOW)
    again = ledger.findings.seen(VAULT, finding(), NOW + 60)
    assert again == structs.replace(first, last_seen=NOW + 60)
    assert happened(ledger, first.id) == [Happening.OPENED]


def test_another_cause_of_the_same_verdict_is_the_same_finding_and_is_told(ledger):
    first = ledger.findings.seen(VAULT, finding(), NOW)
    moved = finding(cause=Cause.MOVED, other_path=b"orthos/0001.jpg")
    again = ledger.findings.seen(VAULT, moved, NOW + 60)
    assert (again.id, again.finding) == (first.id, moved)
    assert [event.detail for event in ledger.findings.history(first.id)] == [
        "missing, never-copied, mirror side",
        "missing, moved, mirror side",
    ]


def test_a_finding_closes_by_itself_and_says_when_and_by_what(ledger):
    first = ledger.findings.seen(VAULT, finding(), NOW)
    closed = ledger.findings.settled(VAULT, first.path, NOW + 60, "matched in shift 4")
    assert (closed.id, closed.state) == (first.id, FindingState.CLOSED)
    assert (closed.closed_at, closed.closed_by) == (NOW + 60, "matched in shift 4")
    assert list(ledger.findings.lasting(VAULT)) == []
    assert ledger.findings.settled(VAULT, first.path, NOW + 90, "again") is None
    assert ledger.findings.counts()[FindingState.CLOSED] == 1


def test_a_finding_that_returns_is_the_same_one_with_its_history(ledger):
    first = ledger.findings.seen(VAULT, finding(), NOW)
    ledger.findings.settled(VAULT, first.path, NOW + 60, "matched")
    back = ledger.findings.seen(VAULT, finding(), NOW + 90)
    assert (back.id, back.state, back.first_seen) == (first.id, FindingState.OPEN, NOW)
    assert (back.closed_at, back.closed_by) == (None, None)
    assert happened(ledger, first.id) == [Happening.OPENED, Happening.CLOSED, Happening.REOPENED]


def test_another_verdict_is_another_finding_and_closes_the_one_before(ledger):
    first = ledger.findings.seen(VAULT, finding(), NOW)
    second = ledger.findings.seen(VAULT, STALE, NOW + 60)
    assert second.id != first.id
    closed = ledger.findings.numbered(first.id)
    assert (closed.state, closed.closed_by) == (FindingState.CLOSED, "it is stale now")
    assert list(ledger.findings.lasting(VAULT)) == [second]
    assert ledger.findings.seen(VAULT, finding(), NOW + 90).id == first.id


def test_the_same_path_of_another_mirror_is_another_finding(ledger):
    first = ledger.findings.seen(VAULT, finding(), NOW)
    second = ledger.findings.seen(FARAWAY, finding(), NOW)
    assert first.id != second.id
    ledger.findings.settled(VAULT, first.path, NOW, "matched")
    assert list(ledger.findings.lasting(FARAWAY)) == [second]
    assert [each.id for each in ledger.findings.all()] == [first.id, second.id]


# ---------------------------------------------------------------------------------------- accepting


def accepted(ledger: Ledger, source: Sighting | None, mirror: Sighting | None) -> int:
    number = ledger.findings.seen(VAULT, finding(), NOW, source, mirror).id
    ledger.findings.accept(number, "rana", NOW + 1, "superseded by 0002")
    return number


def test_an_acceptance_holds_who_when_and_why(ledger):
    number = accepted(ledger, SEEN, None)
    held = ledger.findings.numbered(number)
    assert held.state is FindingState.ACCEPTED
    assert structs.astuple(held.acceptance) == ("rana", NOW + 1, "superseded by 0002")
    assert ledger.findings.history(number)[-1].detail == "rana: superseded by 0002"


def test_an_accepted_finding_is_quiet_while_its_case_stays_the_same(ledger):
    number = accepted(ledger, SEEN, None)
    again = ledger.findings.seen(VAULT, finding(), NOW + 60, SEEN, None)
    assert (again.id, again.state, again.last_seen) == (number, FindingState.ACCEPTED, NOW + 60)


@pytest.mark.parametrize(
    ("source", "mirror"),
    [
        (file("flights/0001.jpg", size=5), None),
        (file("flights/0001.jpg", date=5), None),
        (None, None),
        (SEEN, SEEN),
        (structs.replace(SEEN, trouble=Trouble("input-output-error")), None),
    ],
)
def test_an_accepted_finding_opens_again_when_its_case_changes(ledger, source, mirror):
    number = accepted(ledger, SEEN, None)
    again = ledger.findings.seen(VAULT, finding(), NOW + 60, source, mirror)
    assert (again.id, again.state) == (number, FindingState.OPEN)
    assert happened(ledger, number)[-1] is Happening.REOPENED
    assert again.acceptance is not None


def test_a_digest_that_becomes_known_does_not_open_an_accepted_finding_but_its_change_does(ledger):
    accepted(ledger, SEEN, None)
    assert (
        ledger.findings.seen(VAULT, finding(), NOW, read(SEEN, 1), None).state
        is FindingState.ACCEPTED
    )
    assert ledger.findings.seen(VAULT, finding(), NOW, SEEN, None).state is FindingState.ACCEPTED
    assert (
        ledger.findings.seen(VAULT, finding(), NOW, read(SEEN, 2), None).state is FindingState.OPEN
    )


def test_what_is_accepted_is_the_case_as_it_was_last_seen(ledger):
    number = ledger.findings.seen(VAULT, finding(), NOW, SEEN, None).id
    changed = structs.replace(SEEN, size=5)
    ledger.findings.seen(VAULT, finding(), NOW, changed, None)
    ledger.findings.accept(number, "rana", NOW, "fine")
    assert ledger.findings.seen(VAULT, finding(), NOW, changed, None).state is FindingState.ACCEPTED
    assert ledger.findings.seen(VAULT, finding(), NOW, SEEN, None).state is FindingState.OPEN


def test_an_acceptance_ends_with_its_finding(ledger):
    number = accepted(ledger, SEEN, None)
    ledger.findings.settled(VAULT, finding().path, NOW, "matched")
    assert ledger.findings.numbered(number).state is FindingState.CLOSED
    assert ledger.findings.seen(VAULT, finding(), NOW, SEEN, None).state is FindingState.OPEN


def test_another_cause_of_an_accepted_finding_is_told_and_stays_quiet(ledger):
    number = accepted(ledger, SEEN, None)
    again = ledger.findings.seen(VAULT, finding(cause=Cause.MOVED), NOW + 60, SEEN, None)
    assert again.state is FindingState.ACCEPTED
    assert happened(ledger, number)[-2:] == [Happening.ACCEPTED, Happening.CHANGED]


@pytest.mark.parametrize("because", ["", "  \n"])
def test_nothing_is_accepted_without_a_reason(ledger, because):
    number = ledger.findings.seen(VAULT, finding(), NOW).id
    with pytest.raises(RequestRefused, match="--because"):
        ledger.findings.accept(number, "rana", NOW, because)
    assert ledger.findings.numbered(number).state is FindingState.OPEN


def test_a_finding_that_is_closed_or_unknown_cannot_be_accepted(ledger):
    number = ledger.findings.seen(VAULT, finding(), NOW).id
    ledger.findings.settled(VAULT, finding().path, NOW, "matched")
    with pytest.raises(RequestRefused, match=f"Finding {number} is closed"):
        ledger.findings.accept(number, "rana", NOW, "fine")
    with pytest.raises(RequestRefused, match="no finding 77"):
        ledger.findings.accept(77, "rana", NOW, "fine")


def test_lasting_findings_come_by_path_however_many(ledger, monkeypatch):
    monkeypatch.setattr(findings_module, "PAGE", 3)
    names = [b"%d" % (number * 7 % 20) for number in range(20)]
    for name in names:
        ledger.findings.seen(VAULT, finding(name=name), NOW)
    assert [each.path for each in ledger.findings.lasting(VAULT)] == sorted(names)
    assert [each.path for each in ledger.findings.all()] == names
    for name in names[::2]:
        ledger.findings.seen(VAULT, finding(Verdict.STALE, name), NOW)
    assert [(each.path, each.verdict) for each in ledger.findings.of(VAULT)] == sorted(
        [(name, Verdict.MISSING) for name in names] + [(name, Verdict.STALE) for name in names[::2]]
    )
    assert ledger.findings.lasting_at(VAULT, b"3").path == b"3"
    assert ledger.findings.lasting_at(VAULT, b"x") is None


# ------------------------------------------------------------------- what becomes the agreement

PATH = b"flights/0001.jpg"
LATER = 60


class Pair:
    """One path of a share and its mirror in a ledger, judged as a shift does."""

    def __init__(self, ledger: Ledger, share: str = "current-surveys") -> None:
        self.ledger = ledger
        self.source, self.mirror = PlaceName(share), PlaceName(share, "vault")

    def agreed(self, number: int, size: int = 1000, date: int = 0) -> Pair:
        seen = file(PATH, size, date)
        agreement = Agreement(content(number), size, seen.mtime_ns, seen.mtime_ns)
        self.ledger.agreements.record(self.mirror, [(PATH, agreement)], NOW)
        return self

    def on_source(self, number: int | None, size: int = 1000, date: int = 0) -> Pair:
        return self._on(self.source, number, size, date)

    def on_mirror(self, number: int | None, size: int = 1000, date: int = 0) -> Pair:
        return self._on(self.mirror, number, size, date)

    def _on(self, place: PlaceName, number: int | None, size: int, date: int) -> Pair:
        seen = file(PATH, size, date)
        walked(self.ledger, place, [seen])
        if number is not None:
            record(self.ledger, place, read(seen, number))
        return self

    def link_on(self, place: PlaceName) -> Pair:
        walked(self.ledger, place, [Sighting(PATH, Kind.LINK, 3, 0, target=b"old")])
        return self

    def judged(self) -> Judgement:
        (row,) = self.ledger.agreements.pairs_at(self.mirror, [PATH])
        source = None if row.source is None else row.source.sighting
        mirror = None if row.mirror is None else row.mirror.sighting
        return judge(source, mirror, row.agreement, True)

    def seen(self) -> LedgerFinding | None:
        """The finding after a judgement; None when there is none."""
        verdict, cause, side = structs.astuple(self.judged())
        if verdict is Verdict.MATCHED:
            self.ledger.findings.settled(self.mirror, PATH, NOW, "matched")
            return None
        (row,) = self.ledger.agreements.pairs_at(self.mirror, [PATH])
        return self.ledger.findings.seen(
            self.mirror,
            finding(verdict, PATH, cause, side),
            NOW,
            None if row.source is None else row.source.sighting,
            None if row.mirror is None else row.mirror.sighting,
        )

    def accept(self) -> Accepted:
        number = self.ledger.findings.lasting_at(self.mirror, PATH).id
        (given_back,) = self.ledger.findings.accept_as_they_stand(
            [number], self.ledger.agreements, "rana", NOW, "as it should be"
        )
        return given_back


def corrupt(cause: Cause, side: Side) -> Judgement:
    return Judgement(Verdict.CORRUPT, cause, side)


MATCHED = Judgement(Verdict.MATCHED)
BEHIND = Judgement(Verdict.STALE, Cause.OLDER_VERSION, Side.MIRROR)


@pytest.mark.parametrize(
    ("before", "first", "meaning", "then"),
    [
        pytest.param(
            lambda pair: pair.agreed(1).on_source(2).on_mirror(1),
            corrupt(Cause.ROT, Side.SOURCE),
            Meaning.SOURCE_AGREED,
            BEHIND,
            id="the source changed under its date",
        ),
        pytest.param(
            lambda pair: pair.agreed(1).on_source(2, size=900).on_mirror(1),
            corrupt(Cause.ALTERED, Side.SOURCE),
            Meaning.SOURCE_AGREED,
            BEHIND,
            id="the source was cut under its date",
        ),
        pytest.param(
            lambda pair: pair.agreed(1).on_source(2).on_mirror(2),
            corrupt(Cause.ROT, Side.BOTH),
            Meaning.BOTH_AGREED,
            MATCHED,
            id="both changed alike",
        ),
        pytest.param(
            lambda pair: pair.agreed(1).on_source(2).on_mirror(3),
            corrupt(Cause.ROT, Side.BOTH),
            Meaning.SOURCE_AGREED,
            corrupt(Cause.ALTERED, Side.MIRROR),
            id="both changed, each otherwise",
        ),
        pytest.param(
            lambda pair: pair.on_source(2).on_mirror(1),
            corrupt(Cause.DIFFERS, Side.UNKNOWN),
            Meaning.SOURCE_AGREED,
            corrupt(Cause.ALTERED, Side.MIRROR),
            id="nobody knew which side was right",
        ),
        pytest.param(
            lambda pair: pair.on_source(2).on_mirror(1, date=LATER),
            corrupt(Cause.NEWER_ON_MIRROR, Side.UNKNOWN),
            Meaning.SOURCE_AGREED,
            corrupt(Cause.ALTERED, Side.MIRROR),
            id="the mirror is newer",
        ),
        pytest.param(
            lambda pair: pair.agreed(1).on_source(1).on_mirror(3),
            corrupt(Cause.ROT, Side.MIRROR),
            Meaning.AS_AGREED,
            corrupt(Cause.ROT, Side.MIRROR),
            id="the mirror is rotten",
        ),
        pytest.param(
            lambda pair: pair.agreed(1).on_source(2, date=LATER).on_mirror(1),
            BEHIND,
            Meaning.SOURCE_AGREED,
            BEHIND,
            id="the mirror is behind an edit",
        ),
        pytest.param(
            lambda pair: pair.on_source(2, date=LATER).on_mirror(1),
            BEHIND,
            Meaning.SOURCE_AGREED,
            BEHIND,
            id="the mirror is behind, and nothing was agreed",
        ),
        pytest.param(
            lambda pair: pair.agreed(1).agreed(2).on_source(2).on_mirror(1, date=-LATER),
            BEHIND,
            Meaning.AS_AGREED,
            BEHIND,
            id="the mirror went back to an earlier version",
        ),
        pytest.param(
            lambda pair: pair.agreed(1).on_source(None, date=LATER).on_mirror(1),
            BEHIND,
            Meaning.NOT_KNOWN,
            BEHIND,
            id="the source was not read",
        ),
        pytest.param(
            lambda pair: pair.agreed(1).on_source(2, date=LATER).on_mirror(None),
            BEHIND,
            Meaning.NOT_KNOWN,
            BEHIND,
            id="the mirror was not read",
        ),
        pytest.param(
            lambda pair: pair.agreed(1).link_on(pair.source).on_mirror(1),
            corrupt(Cause.KIND_CHANGED, Side.SOURCE),
            Meaning.NOT_KNOWN,
            corrupt(Cause.KIND_CHANGED, Side.SOURCE),
            id="a link took the file's place",
        ),
        pytest.param(
            lambda pair: pair.on_source(1),
            Judgement(Verdict.MISSING, Cause.NEVER_COPIED, Side.MIRROR),
            Meaning.NO_CONTENT,
            Judgement(Verdict.MISSING, Cause.NEVER_COPIED, Side.MIRROR),
            id="missing",
        ),
        pytest.param(
            lambda pair: pair.on_mirror(1),
            Judgement(Verdict.ORPHANED, Cause.DELETED_AT_SOURCE, Side.MIRROR),
            Meaning.NO_CONTENT,
            Judgement(Verdict.ORPHANED, Cause.DELETED_AT_SOURCE, Side.MIRROR),
            id="orphaned",
        ),
    ],
)
def test_what_an_acceptance_means_for_the_judgements_to_come(ledger, before, first, meaning, then):
    pair = Pair(ledger)
    before(pair)
    assert pair.judged() == first
    opened = pair.seen()
    agreement = ledger.agreements.of(VAULT, PATH)
    judged_up_to = ledger.agreements.sequence()
    assert pair.accept().meaning is meaning
    assert pair.judged() == then
    touched = [row.path for row in ledger.agreements.pairs_touched(VAULT, judged_up_to)]
    if meaning in (Meaning.BOTH_AGREED, Meaning.SOURCE_AGREED):
        held = ledger.agreements.of(VAULT, PATH)
        assert held.digest == content(2)
        assert agreement is None or agreement.digest in held.earlier
        assert touched == [PATH], "it has to be judged again"
    else:
        assert ledger.agreements.of(VAULT, PATH) == agreement
        assert touched == []
    again = pair.seen()
    if then.verdict is first.verdict:
        assert (again.id, again.state) == (opened.id, FindingState.ACCEPTED)
    else:
        assert ledger.findings.numbered(opened.id).state is FindingState.CLOSED


def test_an_accepted_content_that_the_mirror_takes_over_is_matched(ledger):
    pair = Pair(ledger).agreed(1).on_source(2).on_mirror(1)
    pair.seen()
    pair.accept()
    assert pair.on_mirror(2).judged() == MATCHED


def test_a_source_that_keeps_the_accepted_content_is_never_called_rotten_again(ledger):
    pair = Pair(ledger).agreed(1).on_source(2).on_mirror(1)
    pair.seen()
    pair.accept()
    for number, date in ((1, 0), (1, LATER), (3, 0), (3, -LATER), (3, LATER)):
        judged = pair.on_mirror(number, date=date).judged()
        assert judged.side is Side.MIRROR, judged


def test_a_source_that_loses_the_accepted_content_is_found(ledger):
    pair = Pair(ledger).agreed(1).on_source(2).on_mirror(1)
    pair.seen()
    pair.accept()
    assert pair.on_source(4).judged() == corrupt(Cause.ROT, Side.BOTH)
    assert pair.seen().state is FindingState.OPEN


def test_what_changed_since_it_was_judged_is_not_agreed_on(ledger):
    pair = Pair(ledger).agreed(1).on_source(2).on_mirror(1)
    opened = pair.seen()
    pair.on_source(3)
    assert pair.accept().meaning is Meaning.CHANGED_SINCE
    assert ledger.agreements.of(VAULT, PATH).digest == content(1)
    assert (pair.seen().id, pair.seen().state) == (opened.id, FindingState.OPEN)


def test_accepting_twice_agrees_once(ledger):
    pair = Pair(ledger).agreed(1).on_source(2).on_mirror(1)
    pair.seen()
    pair.accept()
    held = ledger.agreements.of(VAULT, PATH)
    assert pair.accept().meaning is Meaning.AS_AGREED
    assert ledger.agreements.of(VAULT, PATH) == held


def test_the_mirrors_name_of_a_normalisation_twin_is_looked_up(ledger):
    on_source, on_mirror = "caf\u00e9".encode(), "cafe\u0301".encode()
    source, mirror = read(file(on_source), 2), read(file(on_mirror), 2)
    for place, seen in ((SOURCE, source), (VAULT, mirror)):
        walked(ledger, place, [file(seen.path)])
        record(ledger, place, seen)
    twin = finding(Verdict.CORRUPT, on_source, Cause.ROT, Side.BOTH, other_path=on_mirror)
    number = ledger.findings.seen(VAULT, twin, NOW, source, mirror).id
    (given_back,) = ledger.findings.accept_as_they_stand(
        [number], ledger.agreements, "rana", NOW, "as it should be"
    )
    assert given_back.meaning is Meaning.BOTH_AGREED
    assert ledger.agreements.of(VAULT, on_source).mirror_mtime_ns == mirror.mtime_ns


def test_only_the_mirror_of_the_finding_agrees(ledger):
    pair = Pair(ledger).agreed(1).on_source(2).on_mirror(1)
    earlier = ledger.agreements.of(VAULT, PATH)
    ledger.agreements.record(FARAWAY, [(PATH, earlier)], NOW)
    pair.seen()
    pair.accept()
    assert ledger.agreements.of(FARAWAY, PATH) == earlier


def test_several_are_accepted_all_or_none(ledger):
    pair = Pair(ledger).agreed(1).on_source(2).on_mirror(2)
    first = pair.seen().id
    closed = ledger.findings.seen(VAULT, finding(name=b"b"), NOW).id
    ledger.findings.settled(VAULT, b"b", NOW, "matched")
    before = ledger.agreements.of(VAULT, PATH)
    with pytest.raises(RequestRefused, match=f"Finding {closed} is closed"):
        ledger.findings.accept_as_they_stand(
            [first, closed], ledger.agreements, "rana", NOW, "as it should be"
        )
    assert ledger.findings.numbered(first).state is FindingState.OPEN
    assert happened(ledger, first) == [Happening.OPENED]
    assert ledger.agreements.of(VAULT, PATH) == before


shares = iter(range(1_000_000))
sides = st.tuples(st.integers(1, 4), st.sampled_from([900, 1000]), st.sampled_from([-60, 0, 60]))


@given(former=st.none() | st.lists(sides, min_size=1, max_size=2), source=sides, mirror=sides)
@settings(max_examples=300, deadline=None, database=None)
def test_no_acceptance_makes_another_alarm_than_that_the_mirror_is_behind(
    many, former, source, mirror
):
    """Whatever both hold: it is quiet, or matched, or stale until the mirror has caught up."""
    pair = Pair(many, f"share {next(shares)}")
    for each in former or ():
        pair.agreed(*each)
    pair.on_source(*source).on_mirror(*mirror)
    opened = pair.seen()
    if opened is None:
        return
    pair.accept()
    judged = pair.judged()
    assert judged.side in (None, Side.MIRROR)
    again = pair.seen()
    if judged.verdict is opened.verdict:
        assert (again.id, again.state) == (opened.id, FindingState.ACCEPTED)
    else:
        assert judged in (MATCHED, BEHIND)
    assert pair.on_mirror(source[0]).judged() == MATCHED


@pytest.fixture(scope="module")
def many(large_tmp: Path) -> Iterator[Ledger]:
    with Ledger(large_tmp / "many.db") as opened:
        yield opened


def test_a_digest_alone_tells_two_cases_apart():
    assert content(0) != content(1) and SOURCE.is_source
