"""What was read of a place where that costs: by month, never forgotten, never beyond the budget."""

from __future__ import annotations

import math
from datetime import datetime
from pathlib import Path
from zoneinfo import ZoneInfo

import ledgers
import pytest

from verifier.jobs.spending import Budget, Meter, budgets, limits_of, month_of, only_listed
from verifier.ledger import Ledger, PlaceName
from verifier.ledger.migrations import MIGRATIONS
from verifier.settings import Settings, parse

SHARE = "current-surveys"
SOURCE, VAULT = PlaceName(SHARE), PlaceName(SHARE, "vault")
FARAWAY, ARCHIVE = PlaceName(SHARE, "faraway"), PlaceName(SHARE, "archive")

NOON = datetime(2026, 11, 30, 12, tzinfo=ZoneInfo("Europe/Lisbon")).timestamp()
NEW_YEAR = datetime(2027, 1, 1, 0, 0, 1, tzinfo=ZoneInfo("Europe/Lisbon")).timestamp()


def settings_of(tmp_path: Path) -> Settings:
    text = f"""
[studio]
timezone = "Europe/Lisbon"
ledger = "{tmp_path / "ledger.db"}"
[[share]]
name = "{SHARE}"
source = "/volumes/bench/{SHARE}"
[[share.mirror]]
name = "vault"
at = "/volumes/vault/{SHARE}"
[[share.mirror]]
name = "faraway"
at = "s3://lantern-faraway/{SHARE}"
read_at_most = "100 MB a month"
[[share.mirror]]
name = "archive"
at = "s3://lantern-archive/{SHARE}"
"""
    return parse(text.encode(), tmp_path / "settings.toml", {})


class Place:
    """Counts what came off a place, as lanes do."""

    def __init__(self) -> None:
        self.read = {FARAWAY: 7_000_000, ARCHIVE: 0, VAULT: 0, SOURCE: 0}

    def __call__(self, name: PlaceName) -> int:
        return self.read[name]


def test_what_costs_is_only_listed_unless_a_budget_says_more(tmp_path: Path) -> None:
    found = settings_of(tmp_path)
    assert limits_of(found) == {FARAWAY: 100_000_000, ARCHIVE: None}
    assert only_listed(found) == {ARCHIVE}


def test_what_is_read_is_added_up_by_the_studios_months(tmp_path: Path) -> None:
    """Fails when the month is that of UTC, or what was read before is counted again."""
    found, place = settings_of(tmp_path), Place()
    now = NOON
    with Ledger(tmp_path / "ledger.db") as ledger:
        meter = Meter(found, ledger, place, lambda: now)
        assert meter.left(FARAWAY) == 100_000_000
        assert meter.left(ARCHIVE) == 0
        assert meter.left(VAULT) == math.inf
        place.read[FARAWAY] += 30_000_000
        assert meter.left(FARAWAY) == 70_000_000
        meter.write()
        meter.besides(FARAWAY, 500_000)
        meter.besides(VAULT, 500_000)
        assert meter.left(FARAWAY) == 69_500_000
        meter.write()  # too little to be worth a transaction
        assert ledger.spending.of(FARAWAY, "2026-11") == 30_000_000
        meter.write(0)
        assert ledger.spending.months(FARAWAY) == {"2026-11": 30_500_000}
        assert list(budgets(found, ledger, now)) == [
            Budget(FARAWAY, "2026-11", 100_000_000, 30_500_000),
            Budget(ARCHIVE, "2026-11", None, 0),
        ]
        now = NEW_YEAR
        place.read[FARAWAY] += 1_000_000
        assert meter.left(FARAWAY) == 99_000_000
        meter.write(0)
        assert ledger.spending.months(FARAWAY) == {"2026-11": 30_500_000, "2027-01": 1_000_000}
        assert ledger.soundness() == ()


def test_a_meter_of_another_run_goes_on_where_the_last_one_stopped(tmp_path: Path) -> None:
    found = settings_of(tmp_path)
    for _ in range(3):
        place = Place()
        with Ledger(tmp_path / "ledger.db") as ledger:
            meter = Meter(found, ledger, place, lambda: NOON)
            place.read[FARAWAY] += 40_000_000
            meter.write()
            left = meter.left(FARAWAY)
    assert left == -20_000_000  # one answer may be larger than was thought: it is not forgotten
    with Ledger(tmp_path / "ledger.db") as ledger:
        (budget, _) = budgets(found, ledger, NOON)
        assert (budget.spent, budget.left) == (120_000_000, 0)


@pytest.mark.parametrize(
    ("at", "month"),
    [
        (datetime(2026, 6, 30, 23, 30, tzinfo=ZoneInfo("UTC")), "2026-07"),
        (datetime(2026, 12, 31, 23, 59, 59, tzinfo=ZoneInfo("UTC")), "2026-12"),
    ],
)
def test_a_month_begins_at_midnight_in_the_studio(tmp_path: Path, at: datetime, month: str) -> None:
    assert month_of(settings_of(tmp_path).hours, at.timestamp()) == month


def test_a_ledger_of_the_version_before_has_spent_nothing_yet(tmp_path: Path) -> None:
    (number,) = [
        each.number
        for each in MIGRATIONS
        if any("CREATE TABLE spending" in statement for statement in each.statements)
    ]
    path = tmp_path / "ledger.db"
    ledgers.make_of_version(path, number - 1)
    with Ledger(path) as ledger:
        assert ledger.spending.of(FARAWAY, "2026-11") == 0
        ledger.spending.add(FARAWAY, "2026-11", 5)
        assert ledger.spending.of(FARAWAY, "2026-11") == 5
        assert ledger.soundness() == ()
