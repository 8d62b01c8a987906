"""A simulated year, small: what the product promises, held in every night of it.

The same calendar as in tests/benchmarks/year.py, which runs it with 240 TB.
"""

from __future__ import annotations

import shutil
import tempfile
from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.simulation.year import MAIN, TARGET_DAYS, VAULT, Plan, Report, Year, measures
from verifier.model import Verdict

MEMORY = Path("/dev/shm")


@pytest.fixture(scope="module")
def folder() -> Iterator[Path]:
    """In memory where there is one: a year has some hundred thousand commits."""
    made = Path(tempfile.mkdtemp(prefix="verifier-year-", dir=MEMORY if MEMORY.is_dir() else None))
    yield made
    shutil.rmtree(made)


def run(plan: Plan, folder: Path, name: str) -> Report:
    place = folder / name
    place.mkdir()
    return Year(plan, place).run()


PLAN = Plan()


@pytest.fixture(scope="module")
def year(folder: Path) -> Report:
    return run(PLAN, folder, "year")


def test_a_year_of_shifts_from_a_crontab_keeps_every_promise(year):
    missed = [each for each in measures(PLAN, year) if not each.held]
    assert not missed


def test_every_planted_fault_was_among_them(year):
    assert len(year.planted) == 9


def test_a_path_deleted_or_renamed_is_orphaned_until_the_copy_job_follows(year):
    lasted = [each for each in year.transient if each.closed_at is not None]
    assert all(each.verdict is Verdict.ORPHANED for each in year.transient)
    # The vault was away for a week, and with it the copy job.
    assert all(each.closed_at - each.first_seen <= 9 * 86_400 for each in lasted)


def test_a_resident_year_keeps_every_promise(folder):
    plan = Plan(files=2_500, bytes=300_000_000_000, resident=True)
    missed = [each for each in measures(plan, run(plan, folder, "resident")) if not each.held]
    assert not missed


def test_a_target_that_cannot_be_met_is_told_on_day_one(folder):
    plan = Plan(
        files=4_000,
        bytes=480_000_000_000,
        full_bytes_per_second=50_000_000,
        days=220,
        accidents=False,
    )
    report = run(plan, folder, "slow")
    assert not report.target_met_said[MAIN] and not report.target_met_said[VAULT]
    assert report.longest_unread[MAIN] > TARGET_DAYS * 86_400
    missed = [each for each in measures(plan, report) if not each.held]
    assert not missed
