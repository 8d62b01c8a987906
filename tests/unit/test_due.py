"""When a copy is due, and what a walk must look like before it is believed."""

from __future__ import annotations

from datetime import UTC, datetime, time, timedelta
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from verifier import guards
from verifier.due import ALWAYS_DUE, NEVER_DUE, is_due, latest_run, next_run_ends
from verifier.ledger.values import Known, WalkSummary
from verifier.model import Kind, Sighting

LISBON = ZoneInfo("Europe/Lisbon")
SECOND = 1_000_000_000


def at(text: str, zone: ZoneInfo = LISBON) -> float:
    return datetime.fromisoformat(text).replace(tzinfo=zone).timestamp()


@pytest.mark.parametrize(
    ("now", "started"),
    [
        ("2026-11-25 02:29", "2026-11-23 23:00"),
        ("2026-11-25 02:30", "2026-11-24 23:00"),
        ("2026-11-25 22:59", "2026-11-24 23:00"),
        ("2026-11-25 23:10", "2026-11-24 23:00"),
        ("2026-11-26 12:00", "2026-11-25 23:00"),
    ],
)
def test_the_latest_run_is_the_one_that_has_finished(now, started):
    found = latest_run(time(23), timedelta(hours=3, minutes=30), LISBON, at(now))
    assert found == at(started)


def test_without_times_every_copy_is_due():
    assert latest_run(None, timedelta(days=1), LISBON, 0.0) == ALWAYS_DUE
    assert next_run_ends(None, timedelta(days=1), LISBON, 0.0) is None
    assert is_due(known(first_seen=10**10), ALWAYS_DUE)


@given(
    st.datetimes(datetime(2020, 1, 1), datetime(2030, 1, 1)),
    st.times().map(lambda found: found.replace(microsecond=0)),
    st.integers(1, 4 * 24 * 60),
    st.sampled_from(["UTC", "Europe/Lisbon", "America/New_York", "Australia/Lord_Howe"]),
)
def test_the_latest_finished_run_is_found_among_all_runs(moment, runs, minutes, name):
    zone, takes = ZoneInfo(name), timedelta(minutes=minutes)
    now = moment.replace(tzinfo=UTC).timestamp()
    days = [moment.date() + timedelta(days=each) for each in range(-9, 10)]
    starts = [datetime.combine(day, runs, zone).timestamp() for day in days]
    finished = [each for each in starts if each + takes.total_seconds() <= now]
    later = [each for each in starts if each + takes.total_seconds() > now]
    assert latest_run(runs, takes, zone, now) == max(finished)
    assert next_run_ends(runs, takes, zone, now) == min(later) + takes.total_seconds()


def known(
    first_seen: int, changed_seen: int | None = None, mtime: int = 0, ctime: int = 0
) -> Known:
    sighting = Sighting(b"a", Kind.FILE, 1, mtime * SECOND, ctime_ns=ctime * SECOND)
    return Known(sighting, first_seen, changed_seen)


def test_a_copy_is_due_when_it_was_seen_and_changed_before_the_run():
    assert is_due(known(99, mtime=50), 100)
    assert not is_due(known(100, mtime=50), 100), "seen only when the run had begun"
    assert not is_due(known(10, 100, mtime=50), 100), "its change was seen only then"
    assert is_due(known(10, 99, mtime=98), 100)
    assert not is_due(known(99, mtime=99), NEVER_DUE)


def test_an_edit_that_the_run_should_have_taken_is_due_though_no_walk_saw_it_before_the_run():
    assert is_due(known(10, 150, mtime=50, ctime=50), 100)
    assert not is_due(known(10, 150, mtime=101, ctime=101), 100), "edited after the run began"


def test_an_old_date_that_a_copy_brought_along_makes_nothing_due():
    assert not is_due(known(10, 150, mtime=50, ctime=120), 100), "put there after the run began"
    assert not is_due(known(10, 150, mtime=50, ctime=999), 100), (
        "a clock that is ahead tells nothing"
    )
    assert not is_due(known(120, mtime=50, ctime=50), 100), "seen only when the run had begun"


def test_a_date_in_the_future_keeps_no_copy_from_ever_being_due():
    assert is_due(known(10, mtime=5_000), 100)


def test_what_stands_on_the_mirror_only_waits_for_nobody():
    assert is_due(None, NEVER_DUE)


# -------------------------------------------------------------------------------------- guards


@pytest.mark.parametrize(
    ("knew", "seen", "hidden", "suspect"),
    [
        (0, 0, 0, False),
        (0, 5, 0, False),
        (10, 0, 0, True),
        (10, 4, 0, True),
        (10, 5, 0, False),
        (10, 0, 10, False),
        (10, 1, 3, True),
        (1, 0, 0, True),
        (1, 1, 0, False),
    ],
)
def test_a_place_looks_emptied_under_half_of_what_stood_there(knew, seen, hidden, suspect):
    summary = WalkSummary(known=knew, seen=seen, hidden=hidden)
    assert (guards.emptied(summary) is not None) is suspect


@pytest.mark.parametrize(
    ("knew", "lacking", "suspect"),
    [(10, 10, False), (19, 19, False), (20, 20, True), (40, 20, False), (41, 21, True)],
)
def test_a_mirror_is_another_disk_when_it_lacks_over_half_of_what_its_source_holds(
    knew, lacking, suspect
):
    summary = WalkSummary(known=knew, seen=knew, new=lacking, vanished=lacking, lacking=lacking)
    assert (guards.emptied(summary) is not None) is suspect


@pytest.mark.parametrize(
    ("agreed", "changed", "vanished", "suspect"),
    [
        (0, 0, 0, False),
        (10, 2, 0, False),
        (10, 1, 1, False),
        (10, 2, 1, True),
        (10, 0, 3, True),
        (1000, 200, 0, False),
        (1000, 0, 201, True),
    ],
)
def test_a_source_surges_when_over_a_fifth_of_the_agreed_changed(
    agreed, changed, vanished, suspect
):
    summary = WalkSummary(agreed=agreed, agreed_changed=changed, agreed_vanished=vanished)
    assert (guards.surged(summary, 0.2) is not None) is suspect
