"""Rounds of the audit that begin within a shift: every file is read once for each."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import ExitStack
from datetime import UTC, datetime
from pathlib import Path
from unittest.mock import patch

import pytest
from test_scheduler import MB, SECOND, Disks

from verifier import scheduler, settings
from verifier.jobs import shift
from verifier.jobs.progress import Unwatched
from verifier.ledger import Ledger, PlaceName
from verifier.model import Kind, Sighting

SOURCE, VAULT = PlaceName("current-surveys"), PlaceName("current-surveys", "vault")
SLOW, SLOW_VAULT = PlaceName("delivered-surveys"), PlaceName("delivered-surveys", "vault")
PLACES = SOURCE, VAULT, SLOW, SLOW_VAULT
PLANS = [b"2026-014-harbour-wall/notes/plan-%02d.txt" % number for number in range(20)]

NOON = datetime(2027, 1, 17, 12, tzinfo=UTC).timestamp()
"""Of a Sunday on which the simulated disks are there: another night begins."""

TOML = """
[studio]
name = "Lantern Marsh Surveys"
timezone = "UTC"
ledger = "{ledger}"
reports = "/srv/reports"
[[share]]
name = "current-surveys"
source = "/current-surveys/source"
[[share.mirror]]
name = "vault"
at = "/current-surveys/vault"
[[share]]
name = "delivered-surveys"
source = "/delivered-surveys/source"
[[share.mirror]]
name = "vault"
at = "/delivered-surveys/vault"
[audit]
every_byte_within = "90 days"
"""


class Place:
    """A place that is there."""

    root = None

    def __init__(self, at: str) -> None:
        self.at = at

    def check(self) -> None:
        """It still is what it was."""

    def identity(self) -> None:
        """It stands on no machine."""


class Machine(Disks):
    """Simulated readers, with the engine and the clock that a shift asks for."""

    def __init__(self) -> None:
        super().__init__(dict.fromkeys(PLACES, MB), width=4)
        self.files: dict[str, dict[bytes, int]] = {
            f"/{each.share}/{each.place}": {} for each in PLACES
        }

    def sleep(self, seconds: float) -> None:
        self.now += seconds

    def stands(self, share: str, path: bytes, size: int) -> None:
        for place in ("source", "vault"):
            self.files[f"/{share}/{place}"][path] = size

    def walked(self, place: Place, _ignore: object) -> Iterator[Sighting]:
        for path, size in sorted(self.files[place.at].items()):
            yield Sighting(path, Kind.FILE, size, SECOND)

    def look_first_at(self, place: Place) -> bool:
        """Files are walked, and then read."""
        return False

    def watch(self, place: PlaceName) -> None:
        """Nothing is read but by these readers."""

    def serve(self, places: object, until: float | None = None) -> None:
        """Every place has its readers already."""

    def ring_at(self, when: float | None) -> None:
        self.bell = when or None

    def stop(self) -> None:
        """Nothing is given up."""


class Shifts(shift.Shifts):
    """Shifts on that machine."""

    machine: Machine

    def __enter__(self) -> Shifts:
        with ExitStack() as kept:
            self.ledger = kept.enter_context(Ledger(self._request.settings.studio.ledger))
            self._engine = self._readers = self.machine
            self._kept = kept.pop_all()
        return self


@pytest.fixture
def machine(tmp_path: Path) -> Iterator[Machine]:
    made = Shifts.machine = Machine()
    with ExitStack() as replaced:
        for where, what, by in (
            (shift, "open_place", lambda address: Place(str(address.path))),
            (shift, "walk_dated", made.walked),
            (scheduler, "JUDGED_EVERY", 0.0),
        ):
            replaced.enter_context(patch.object(where, what, by))
        yield made


# Fails when a round that begins in the second of a reading has files read in what is left of it.
# Without a slow place: when the shift does not wait for the round, and ends before it.
@pytest.mark.parametrize(
    ("tenth", "slow"),
    [(tenth, True) for tenth in range(-4, 12)] + [(tenth, False) for tenth in range(12)],
)
def test_a_round_that_begins_within_a_shift_has_every_file_read_once(
    machine, tmp_path, tenth, slow
):
    text = TOML.format(ledger=tmp_path / "ledger.db")
    request = shift.Request(settings.parse(text.encode(), tmp_path / "settings.toml", {}))
    clock = shift.Clock(machine.clock, machine.sleep)
    for path in PLANS:
        machine.stands("current-surveys", path, 1000)
    machine.stands("delivered-surveys", b"2025-070-weir/orthos/weir.tif", 5 * MB)
    machine.now = NOON - 20 * 3600
    with Shifts(request, Unwatched(), clock) as shifts:
        assert shifts.run().stopped_by == "done"
        assert [shifts.ledger.rounds.current(each).number for each in PLACES] == [1] * 4
        assert all(shifts.ledger.rounds.current(each).ended for each in PLACES)
        # A new file is read as the night begins, and a slow place may keep the shift going.
        if slow:
            machine.stands("delivered-surveys", b"2025-070-weir/point-clouds/weir.laz", 90 * MB)
        machine.stands("current-surveys", b"2026-014-harbour-wall/orthos/wall.tif", 10 * MB)
        machine.now = NOON + tenth / 10 - 10
        machine.order.clear()
        assert shifts.run(may_start_round=False).stopped_by == "done"
        for place in (SOURCE, VAULT):
            current = shifts.ledger.rounds.current(place)
            read = [(path, at) for where, path, at in machine.order if where == place]
            again = [path for path, _ in read if path in PLANS]
            assert (current.number, sorted(again)) == (2, PLANS)
            assert all(at >= current.started for path, at in read if path in PLANS)
            assert current.ended is not None
