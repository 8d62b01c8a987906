"""What a shift says at its end of what is left."""

from __future__ import annotations

import json
from datetime import UTC

import pytest
from msgspec import structs

from verifier.jobs.doubts import NotReached
from verifier.jobs.shift import Result, StoppedBy
from verifier.jobs.spending import Budget
from verifier.ledger import PlaceName
from verifier.reporting import shift as report
from verifier.reporting.findings import AsOf
from verifier.scheduler import Left

ENDED = 1_795_576_200  # Wed 2026-11-25 03:10 in UTC
VAULT = NotReached(PlaceName("current-surveys", "vault"))
FARAWAY = NotReached(PlaceName("current-surveys", "faraway"), ENDED - 86_400)


def result(left: Left, stopped_by: StoppedBy = StoppedBy.UNTIL) -> Result:
    return Result(7, stopped_by, 12, 3_000_000, left, (), (), ())


# Fails when what no shift has seen yet is taken for nothing that is left.
@pytest.mark.parametrize(
    ("left", "unreached", "said"),
    [
        (Left(), (), "nothing is left."),
        (Left(), (VAULT,), "how much is left is not known yet."),
        (Left(), (FARAWAY,), "how much is left is not known yet."),
        (Left(3, 4_000), (), "3 files of 4.0 kB left."),
        (Left(3, 4_000), (VAULT, FARAWAY), "at least 3 files of 4.0 kB left."),
    ],
)
def test_what_is_left_is_only_told_as_far_as_it_is_known(left, unreached, said):
    known = AsOf(ENDED, not_reached=unreached)
    first, *_ = report.text(result(left), [], known, UTC)
    assert first == f"The time asked for is up, so reading stopped: 12 files read, 3.0 MB; {said}"


def test_what_can_be_afforded_is_spoken_of_only_where_a_budget_is_set():
    left, known = Left(1, 12_600_000), AsOf(ENDED)
    ended = result(left, StoppedBy.DONE)
    first, *_ = report.text(ended, [], known, UTC)
    assert first.startswith("Everything that could be read by now has been read: ")
    budget = Budget(FARAWAY.place, "2026-11", 2_000_000, 2_000_000)
    first, *_ = report.text(structs.replace(ended, budgets=(budget,)), [], known, UTC)
    assert first.startswith("Everything that was due and can be afforded this month ")


def test_the_document_names_the_places_that_were_not_reached():
    def document(*unreached: NotReached) -> dict[str, object]:
        known = AsOf(ENDED, not_reached=unreached)
        whole: dict[str, object] = json.loads(
            b"".join(report.document(result(Left()), [], known, UTC))
        )
        return whole

    assert "not_reached" not in document()
    assert document(VAULT, FARAWAY)["not_reached"] == [
        {"share": "current-surveys", "place": "vault", "walked": None},
        {"share": "current-surveys", "place": "faraway", "walked": "2026-11-24T03:10:00+00:00"},
    ]
