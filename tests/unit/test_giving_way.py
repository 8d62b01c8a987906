"""Others need the disks while damage is looked into: reading waits for them, never for itself."""

from __future__ import annotations

import os
import sqlite3
import time
from contextlib import closing
from fractions import Fraction
from pathlib import Path

import pytest
from msgspec import structs
from trees import Tree

from verifier import settings, system
from verifier.jobs import shift
from verifier.jobs.examination import Examination
from verifier.jobs.giving_way import GivingWay
from verifier.jobs.progress import Unwatched
from verifier.jobs.spot_check import Ended, Request, SpotCheck
from verifier.ledger import Ledger, PlaceName
from verifier.model import SEGMENT, Verdict
from verifier.places.folder import FolderPlace

SHARE = "current-surveys"
VAULT = PlaceName(SHARE, "vault")
CLOUDS = ["2026-014-harbour-wall/point-clouds/quay.laz", "2026-014-harbour-wall/point-clouds/w.laz"]

TOML = """
[studio]
name = "Lantern Marsh Surveys"
timezone = "UTC"
ledger = "{root}/state/ledger.db"
reports = "{root}/state"
[pace]
yield_above = "20 %"
[[share]]
name = "current-surveys"
source = "{root}/bench"
[[share.mirror]]
name = "vault"
at = "{root}/vault"
"""

PRESSED_FOR = 4
"""Looks at the pressure in which others press."""

ENDS_IN = 25.0
"""Seconds that there are for a shift which takes two."""


class Others:
    """Somebody who begins to need the disks when told to, and stops after a few looks."""

    def __init__(self) -> None:
        self.looks = 0

    def begin(self) -> None:
        self.looks = PRESSED_FOR

    @property
    def press(self) -> bool:
        return self.looks > 0

    def pressure(self) -> float:
        self.looks = max(0, self.looks - 1)
        return 1.0 if self.press else 0.0


@pytest.fixture
def others(monkeypatch: pytest.MonkeyPatch) -> Others:
    found = Others()
    monkeypatch.setattr(system, "io_pressure", found.pressure)
    return found


@pytest.fixture
def studio(tmp_path: Path) -> settings.Settings:
    """Two large files on both sides, one of them with another byte on the vault."""
    (tmp_path / "state").mkdir()
    for side in ("bench", "vault"):
        for number, path in enumerate(CLOUDS):
            Tree(tmp_path / side).file(path, b"%d points" % number)
            os.truncate(tmp_path / side / path, SEGMENT + 4096)
            os.utime(tmp_path / side / path, (1_790_000_000, 1_790_000_000))
    Tree(tmp_path / "vault").flip_bit(CLOUDS[0], at=100)
    return settings.parse(TOML.format(root=tmp_path).encode(), tmp_path / "settings.toml", {})


def of_vault(studio: settings.Settings) -> list[Verdict]:
    with Ledger(studio.studio.ledger) as ledger:
        return [each.verdict for each in ledger.findings.lasting(VAULT)]


def rot(studio: settings.Settings, path: str) -> None:
    """Change a bit on the vault as a disk does: nobody is told of it, and nor is the ledger."""
    vault = Tree(Path(studio.shares[0].mirrors[0].at.path)).flip_bit(path, at=100)
    changed = os.lstat(vault.at(path)).st_ctime_ns
    with closing(sqlite3.connect(studio.studio.ledger)) as ledger:
        ledger.execute(
            "UPDATE sightings SET ctime_ns = ? WHERE name = ?"
            " AND place = (SELECT id FROM places WHERE name = 'vault')",
            (changed, os.path.basename(path).encode()),
        )
        ledger.commit()


def shift_of(studio: settings.Settings) -> shift.Result:
    request = shift.Request(studio, time.time() + ENDS_IN)
    with shift.Shifts(request, Unwatched(), shift.Clock()) as shifts:
        return shifts.run()


# Fails when a segment near damage is read at once, whoever needs the disks.
def test_what_is_near_damage_is_read_by_segments_when_nobody_else_needs_the_disks(
    studio, others, monkeypatch
):
    examined, read_piece = Examination.of, FolderPlace.read_piece
    pressed: list[bool] = []

    def then_others_come(*arguments, **more):
        try:
            return examined(*arguments, **more)
        finally:
            others.begin()

    def noted(*arguments):
        pressed.append(others.press)
        return read_piece(*arguments)

    monkeypatch.setattr(Examination, "of", then_others_come)
    monkeypatch.setattr(FolderPlace, "read_piece", noted)
    assert shift_of(studio).stopped_by == "done"
    assert of_vault(studio) == [Verdict.CORRUPT]
    assert pressed == [False] * 4  # two segments on each side


def come_before_damage_is_looked_into(others, monkeypatch, job: type) -> list[bool]:
    """Others press from a turn right before it; whether each look into it then had its time."""
    examine = job.examine
    had_time: list[bool] = []

    def with_a_turn_before(self, *arguments):
        others.begin()
        assert turn(self), "readers hold"
        found = examine(self, *arguments)
        had_time.append(found[1])
        return found

    monkeypatch.setattr(job, "examine", with_a_turn_before)
    return had_time


def turn(job) -> bool:
    return job._giving_way.look()


# Fails when the process that alone could end a hold waits for its end without looking.
def test_a_shift_looks_into_damage_though_others_needed_the_disks_as_it_began(
    studio, others, monkeypatch
):
    had_time = come_before_damage_is_looked_into(others, monkeypatch, shift._Night)
    assert shift_of(studio).stopped_by == "done"
    assert had_time == [True]
    assert of_vault(studio) == [Verdict.CORRUPT]


def test_a_spot_check_does_so_too(studio, others, monkeypatch):
    assert shift_of(studio).stopped_by == "done"
    had_time = come_before_damage_is_looked_into(others, monkeypatch, SpotCheck)
    rot(studio, CLOUDS[1])
    request = Request(studio, SHARE, 1, Fraction(95, 100), Fraction(1, 1000), ENDS_IN / 60)
    with SpotCheck(request, Unwatched()) as check:
        assert check.run().ended is Ended.DONE
    assert had_time and all(had_time)
    assert of_vault(studio) == [Verdict.CORRUPT] * 2


# Fails when a shift that ends while others press leaves the readers of the next one on hold.
def test_the_next_shift_of_a_resident_does_not_wait_for_those_who_have_gone(studio, others):
    others.looks = 10**9
    request = shift.Request(studio, time.time() + 2)
    with shift.Shifts(request, Unwatched(), shift.Clock(), resident=True) as shifts:
        first = shifts.run()
        assert (first.stopped_by, first.files_read) == ("until", 0)
        others.looks = 0
        shifts._request = structs.replace(request, until=time.time() + ENDS_IN)
        assert shifts.run().stopped_by == "done"


def test_a_hold_ends_for_who_waits_at_the_bell(others):
    """Others press on and on, and the clock is what the wait makes of it."""
    now = [0.0]
    held: list[bool] = []
    engine = type("Engine", (), {"hold": lambda _, on: held.append(on)})()
    waits = GivingWay(0.2, engine, Unwatched(), lambda: now[0], lambda each: _pass(now, each))
    others.looks = 10**9
    waits.wait(12.0)
    assert 12.0 <= now[0] < 12.2
    assert (held, waits.waited) == ([True], pytest.approx(12.0, abs=0.2))


def _pass(now: list[float], seconds: float) -> None:
    now[0] += seconds
