"""A finding opens, lasts, is accepted, closes by itself and comes back, always the same one."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest
from hypothesis import settings
from hypothesis import strategies as st
from hypothesis.stateful import (
    RuleBasedStateMachine,
    invariant,
    precondition,
    rule,
    run_state_machine_as_test,
)
from msgspec import structs
from test_ledger import (
    FARAWAY,
    NOW,
    SOURCE,
    VAULT,
    content,
    file,
    read,
)

from verifier.errors import RequestRefused
from verifier.ledger import FindingState, Happening, Ledger, PlaceName
from verifier.ledger import findings as findings_module
from verifier.model import (
    Cause,
    Damage,
    DamageRange,
    Finding,
    Pattern,
    Side,
    Sighting,
    Trouble,
    Verdict,
)


@pytest.fixture
def ledger(tmp_path: Path) -> Iterator[Ledger]:
    with Ledger(tmp_path / "ledger.db") as opened:
        yield opened


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
    assert ledger.findings.lasting_at(VAULT, b"3").path == b"3"
    assert ledger.findings.lasting_at(VAULT, b"x") is None


# ------------------------------------------------------------------------------------- as a machine


class Life:
    """What should be known of one finding."""

    def __init__(self, number: int, at: int) -> None:
        self.id = number
        self.first_seen = self.last_seen = at
        self.state = FindingState.OPEN
        self.case: int = 0
        self.accepted_case: int | None = None
        self.events = 1


PATHS = st.sampled_from([b"a", b"b/c"])
VERDICTS = st.sampled_from([Verdict.MISSING, Verdict.STALE, Verdict.CORRUPT])


class Lives(RuleBasedStateMachine):
    """Findings of two paths, beside a dictionary that says what they should be."""

    folder: Path
    count = 0

    def __init__(self) -> None:
        super().__init__()
        Lives.count += 1
        self.ledger = Ledger(self.folder / "ledger.db")
        self.mirror = PlaceName(f"share {Lives.count}", "vault")
        self.lives: dict[tuple[bytes, Verdict], Life] = {}
        self.at = NOW

    def teardown(self) -> None:
        self.ledger.close()

    def lasting(self, name: bytes) -> Life | None:
        found = [
            life
            for (path, _), life in self.lives.items()
            if path == name and life.state is not FindingState.CLOSED
        ]
        assert len(found) <= 1
        return found[0] if found else None

    def close(self, life: Life) -> None:
        life.state = FindingState.CLOSED
        life.events += 1

    @rule(name=PATHS, verdict=VERDICTS, case=st.integers(0, 1))
    def seen(self, name: bytes, verdict: Verdict, case: int) -> None:
        self.at += 1
        source = read(file(name), case)
        given_back = self.ledger.findings.seen(self.mirror, finding(verdict, name), self.at, source)
        lasting = self.lasting(name)
        life = self.lives.get((name, verdict))
        if lasting is not None and lasting is not life:
            self.close(lasting)
        if life is None:
            life = self.lives[name, verdict] = Life(given_back.id, self.at)
        elif life.state is FindingState.CLOSED or (
            life.state is FindingState.ACCEPTED and life.accepted_case != case
        ):
            life.state = FindingState.OPEN
            life.events += 1
        life.case, life.last_seen = case, self.at

    @rule(name=PATHS)
    def settled(self, name: bytes) -> None:
        self.at += 1
        lasting = self.lasting(name)
        given_back = self.ledger.findings.settled(self.mirror, name, self.at, "matched")
        assert (given_back is None) == (lasting is None)
        if lasting is not None:
            self.close(lasting)

    @precondition(lambda self: self.lives)
    @rule(data=st.data())
    def accept(self, data: st.DataObject) -> None:
        self.at += 1
        life = data.draw(st.sampled_from(sorted(self.lives.values(), key=lambda each: each.id)))
        if life.state is FindingState.CLOSED:
            with pytest.raises(RequestRefused):
                self.ledger.findings.accept(life.id, "rana", self.at, "fine")
            return
        self.ledger.findings.accept(life.id, "rana", self.at, "fine")
        life.state, life.accepted_case = FindingState.ACCEPTED, life.case
        life.events += 1

    @rule()
    def open_again(self) -> None:
        self.ledger.close()
        self.ledger = Ledger(self.folder / "ledger.db")

    @invariant()
    def all_are_as_they_should_be(self) -> None:
        for (name, verdict), life in self.lives.items():
            held = self.ledger.findings.numbered(life.id)
            assert (held.path, held.verdict) == (name, verdict)
            assert (held.state, held.first_seen, held.last_seen) == (
                life.state,
                life.first_seen,
                life.last_seen,
            )
            assert (held.closed_at is None) == (life.state is not FindingState.CLOSED)
            assert len(self.ledger.findings.history(life.id)) == life.events
        lasting = list(self.ledger.findings.lasting(self.mirror))
        assert [each.path for each in lasting] == sorted(
            name for (name, _), life in self.lives.items() if life.state is not FindingState.CLOSED
        )


def test_any_life_of_findings_is_what_a_dictionary_says(large_tmp):
    Lives.folder = large_tmp
    run_state_machine_as_test(
        Lives,
        settings=settings(max_examples=60, stateful_step_count=25, deadline=None, database=None),
    )


def test_a_digest_alone_tells_two_cases_apart():
    assert content(0) != content(1) and SOURCE.is_source
