"""Whatever happens to findings, in whatever order, the ledger holds what plain Python says.

The model is lists and dictionaries, and knows nothing of how the ledger does it: one finding for
each verdict on a path of a mirror, at most one of them lasting, with its whole history.
"""

from __future__ import annotations

from itertools import pairwise
from pathlib import Path
from typing import NamedTuple

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
from test_ledger import NOW, content, file

from verifier.errors import RequestRefused
from verifier.ledger import FindingState, LedgerFinding, PlaceName
from verifier.ledger import Ledger as RealLedger
from verifier.model import Cause, Finding, Side, Sighting, Trouble, Verdict


class Seen(NamedTuple):
    """One side, in the few ways in which it can differ here."""

    size: int
    digest: int | None
    trouble: str | None

    def sighting(self, path: bytes) -> Sighting:
        return structs.replace(
            file(path, self.size),
            digest=None if self.digest is None else content(self.digest),
            trouble=None if self.trouble is None else Trouble(self.trouble, "The system said so."),
        )


Case = tuple[Seen | None, Seen | None]
Key = tuple[PlaceName, bytes, Verdict]
Event = tuple[int, str, str]


class Life:
    """What is to be known of one finding."""

    def __init__(self, key: Key, number: int, at: int) -> None:
        self.key, self.number = key, number
        self.first = self.last = at
        self.state = "open"
        self.said = ""
        self.case: Case = (None, None)
        self.accepted_case: list[Seen | None] = [None, None]
        self.accepted: tuple[str, int, str] | None = None
        self.closed: tuple[int, str] | None = None
        self.history: list[Event] = []

    def tell(self, at: int, what: str, detail: str) -> None:
        self.history.append((at, what, detail))

    def accept(self, who: str, at: int, because: str) -> None:
        self.state, self.accepted = "accepted", (who, at, because)
        self.accepted_case = list(self.case)
        self.tell(at, "accepted", f"{who}: {because}")

    def close(self, at: int, by: str) -> None:
        self.state, self.closed = "closed", (at, by)
        self.tell(at, "closed", by)

    def changed_since_accepted(self, case: Case) -> bool:
        """Whether something else stands there; learns the contents that are known only now."""
        for number, now in enumerate(case):
            then = self.accepted_case[number]
            if then is None or now is None:
                if then is not now:
                    return True
                continue
            if then.trouble or now.trouble:
                if then.trouble != now.trouble:
                    return True
            elif then.size != now.size or (
                None not in (then.digest, now.digest) and then.digest != now.digest
            ):
                return True
        for number, now in enumerate(case):
            then = self.accepted_case[number]
            if then is not None and now is not None and then.digest is None:
                self.accepted_case[number] = then._replace(digest=now.digest)
        return False


class TakenBackError(Exception):
    """Ends a transaction as a crash would."""


PATHS = st.sampled_from([b"a", b"b/c", b"\xff"])
MIRRORS = st.sampled_from(["vault", "faraway"])
VERDICTS = st.sampled_from([Verdict.MISSING, Verdict.STALE, Verdict.CORRUPT])
CAUSES = st.sampled_from([Cause.NEVER_COPIED, Cause.ROT, None])
SIDES = st.none() | st.builds(
    Seen, st.integers(1, 2), st.none() | st.integers(1, 2), st.sampled_from([None, None, "io"])
)
REASONS = st.sampled_from(["superseded", "cut at the client's wish"])


class Lives(RuleBasedStateMachine):
    """Findings of three paths of two mirrors, beside a model."""

    folder: Path
    runs = 0

    def __init__(self) -> None:
        super().__init__()
        Lives.runs += 1
        self.path = self.folder / f"{Lives.runs}.db"
        self.ledger = RealLedger(self.path)
        self.lives: dict[Key, Life] = {}
        self.numbered: list[Life] = []
        self.at = NOW

    def teardown(self) -> None:
        self.ledger.close()
        for left in self.folder.glob(f"{self.path.name}*"):
            left.unlink()

    def lasting(self, mirror: PlaceName, path: bytes) -> list[Life]:
        return [
            life
            for (of, name, _), life in self.lives.items()
            if (of, name) == (mirror, path) and life.state != "closed"
        ]

    def tick(self) -> int:
        self.at += 1
        return self.at

    @rule(mirror=MIRRORS, path=PATHS, verdict=VERDICTS, cause=CAUSES, source=SIDES, copy=SIDES)
    def seen(
        self,
        mirror: str,
        path: bytes,
        verdict: Verdict,
        cause: Cause | None,
        source: Seen | None,
        copy: Seen | None,
    ) -> None:
        at, place = self.tick(), PlaceName("current-surveys", mirror)
        found = Finding(path, verdict, cause, Side.MIRROR, 5, "Seen.", "Do.")
        given = self.ledger.findings.seen(
            place,
            found,
            at,
            None if source is None else source.sighting(path),
            None if copy is None else copy.sighting(path),
        )
        key = (place, path, verdict)
        said = ", ".join([str(verdict), *([str(cause)] if cause else []), "mirror side"])
        for other in self.lasting(place, path):
            if other.key != key:
                other.close(at, f"it is {verdict} now")
        life = self.lives.get(key)
        if life is None:
            life = self.lives[key] = Life(key, len(self.numbered) + 1, at)
            self.numbered.append(life)
            life.tell(at, "opened", said)
        elif life.state == "closed":
            life.state, life.closed = "open", None
            life.tell(at, "reopened", said)
        elif life.state == "accepted" and life.changed_since_accepted((source, copy)):
            life.state = "open"
            life.tell(at, "reopened", f"changed since it was accepted: {said}")
        elif life.said != said:
            life.tell(at, "changed", said)
        life.said, life.case, life.last = said, (source, copy), at
        assert given.id == life.number

    @rule(mirror=MIRRORS, path=PATHS)
    def settled(self, mirror: str, path: bytes) -> None:
        at, place = self.tick(), PlaceName("current-surveys", mirror)
        given = self.ledger.findings.settled(place, path, at, "both sides hold the same")
        lasting = self.lasting(place, path)
        assert (None if given is None else [given.id]) == ([lasting[0].number] if lasting else None)
        for life in lasting:
            life.close(at, "both sides hold the same")

    @precondition(lambda self: self.numbered)
    @rule(data=st.data(), because=REASONS, content_too=st.booleans())
    def accept(self, data: st.DataObject, because: str, content_too: bool) -> None:
        at = self.tick()
        several = st.lists(st.sampled_from(self.numbered), min_size=1, max_size=3)
        lives = data.draw(several) if content_too else [data.draw(several)[0]]
        numbers = [life.number for life in lives]
        if content_too:

            def decide() -> object:
                return self.ledger.findings.accept_as_they_stand(
                    numbers, self.ledger.agreements, "rana", at, because
                )
        else:

            def decide() -> object:
                return self.ledger.findings.accept(numbers[0], "rana", at, because)

        if any(life.state == "closed" for life in lives):
            with pytest.raises(RequestRefused, match="is closed already"):
                decide()
            return
        decide()
        for number in dict.fromkeys(numbers):
            self.numbered[number - 1].accept("rana", at, because)

    @rule(beyond=st.integers(1, 1000))
    def accept_what_there_never_was(self, beyond: int) -> None:
        with pytest.raises(RequestRefused, match="There is no finding"):
            self.ledger.findings.accept(len(self.numbered) + beyond, "rana", self.at, "superseded")

    @precondition(lambda self: self.numbered)
    @rule(data=st.data(), path=PATHS, verdict=VERDICTS)
    def crash(self, data: st.DataObject, path: bytes, verdict: Verdict) -> None:
        """What a transaction did that did not end is not so; what it numbered is free again."""
        life = data.draw(st.sampled_from(self.numbered))
        found = Finding(path, verdict, Cause.ALTERED, Side.SOURCE, 6, "Other.", "Otherwise.")
        with pytest.raises(TakenBackError), self.ledger.transaction():
            self.ledger.findings.seen(PlaceName("delivered-surveys", "vault"), found, self.at)
            self.ledger.findings.seen(life.key[0], found, self.at)
            self.ledger.findings.settled(life.key[0], life.key[1], self.at, "never")
            raise TakenBackError

    @rule()
    def open_again(self) -> None:
        self.ledger.close()
        self.ledger = RealLedger(self.path)

    @invariant()
    def the_ledger_holds_what_the_model_does(self) -> None:
        held = list(self.ledger.findings.all())
        assert [_told(each) for each in held] == [_model(life) for life in self.numbered]
        for life in self.numbered:
            history = self.ledger.findings.history(life.number)
            assert [(each.at, each.what, each.detail) for each in history] == life.history

    @invariant()
    def every_list_holds_those_that_it_should_in_order(self) -> None:
        for place in self.ledger.places():
            of = sorted(
                (life.key[1], str(life.key[2]), life.number)
                for life in self.numbered
                if life.key[0] == place
            )
            assert [each.id for each in self.ledger.findings.of(place)] == [
                number for _, _, number in of
            ]
            lasting = [each[2] for each in of if self.numbered[each[2] - 1].state != "closed"]
            assert [each.id for each in self.ledger.findings.lasting(place)] == lasting
            paths = [self.numbered[number - 1].key[1] for number in lasting]
            assert len(paths) == len(set(paths)), "a path has two lasting findings"
        states = [life.state for life in self.numbered]
        assert self.ledger.findings.counts() == {
            state: states.count(state.value) for state in FindingState
        }

    @invariant()
    def a_history_is_one_that_can_be(self) -> None:
        """Holds of the ledger's own words, whatever the model says."""
        for each in self.ledger.findings.all():
            history = self.ledger.findings.history(each.id)
            assert [event.at for event in history] == sorted(event.at for event in history)
            whats = [str(event.what) for event in history]
            assert whats[0] == "opened" and "opened" not in whats[1:]
            for before, after in pairwise(whats):
                assert after == "reopened" or before != "closed"
                assert before in ("closed", "accepted", "changed") or after != "reopened"
            last = [what for what in whats if what != "changed"][-1]
            assert each.state == {"accepted": "accepted", "closed": "closed"}.get(last, "open")


def _told(each: LedgerFinding) -> tuple[object, ...]:
    return (
        each.id,
        (PlaceName(each.share, each.mirror), each.path, each.verdict),
        str(each.state),
        each.first_seen,
        each.last_seen,
        None if each.closed_at is None else (each.closed_at, each.closed_by),
        None if each.acceptance is None else structs.astuple(each.acceptance),
    )


def _model(life: Life) -> tuple[object, ...]:
    return (
        life.number,
        life.key,
        life.state,
        life.first,
        life.last,
        life.closed,
        life.accepted,
    )


def test_any_life_of_findings_is_what_plain_python_says(large_tmp):
    Lives.folder = large_tmp
    run_state_machine_as_test(
        Lives,
        settings=settings(max_examples=80, stateful_step_count=30, deadline=None, database=None),
    )
