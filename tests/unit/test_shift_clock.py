"""A clock that was ahead, and is set right while a shift runs, or while one is waited for."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path

import pytest
from test_scheduler import MB
from test_shift_rounds import TOML, Machine, Shifts, machine

from verifier import settings
from verifier.jobs import shift
from verifier.jobs.progress import Unwatched

__all__ = ["machine"]

DAY = 86_400
EVENING = datetime(2027, 1, 18, 20, tzinfo=UTC).timestamp()
"""Of a Monday on which people have worked from eight to seven."""

BEFORE_THE_BELL = EVENING + 30 * DAY + 11.5 * 3600
"""Twenty minutes before it, a month later."""

HOURS = '\n[hours]\nworking = ["Mon-Sun 08:00-19:00"]\nmargin = "10 min"\n'


def shifts_on(machine: Machine, folder: Path, more: str = "") -> Shifts:
    text = TOML.format(ledger=folder / "ledger.db") + HOURS + more
    request = shift.Request(settings.parse(text.encode(), folder / "settings.toml", {}))
    machine.stands("current-surveys", b"2026-014-harbour-wall/orthos/wall.tif", 2000 * MB)
    return Shifts(request, Unwatched(), shift.Clock(machine.clock, machine.sleep))


class SetBack(Exception):
    """Time went on for too long."""


# Fails when the time of the next start is kept though the clock was set back: nothing is checked
# until the wrong date.
def test_a_shift_is_not_waited_for_until_a_date_that_came_of_a_wrong_clock(machine, tmp_path):
    started = []
    slept = machine.sleep

    def sleep(seconds: float) -> None:
        slept(seconds)
        if len(started) == 1 and machine.now < EVENING + 40 * DAY:
            machine.now = EVENING + 2 * DAY - 10 * 3600  # set right, at ten in the morning
            started.append(machine.now)
        if machine.now > EVENING + 5 * DAY and len(started) > 1:
            raise SetBack

    def told(result: shift.Result) -> None:
        started.append(machine.now)
        if len(started) > 2:
            raise KeyboardInterrupt

    machine.sleep = sleep
    machine.now = EVENING + 30 * DAY
    with shifts_on(machine, tmp_path) as shifts:
        shifts.stay(told)
    assert len(started) == 3, "a shift ran again"
    assert EVENING + 2 * DAY - 3600 <= started[2] < EVENING + 2 * DAY, "in the evening of that day"


# Fails when a bell that was reckoned by a clock that was ahead is kept: people work by then.
@pytest.mark.parametrize(
    ("set_to", "ends"),
    [
        (EVENING - 8 * 3600, "at once"),
        (EVENING + 3600, "at once"),
        (BEFORE_THE_BELL + 10, "at its bell"),
    ],
    ids=["into working hours", "into another night", "within the same night"],
)
def test_a_shift_under_way_ends_where_the_clock_is_set_back_to_another_bell(
    machine, tmp_path, set_to, ends
):
    machine.now = BEFORE_THE_BELL
    clock = machine.clock
    mended = []

    def set_right() -> float:
        if not mended and machine.now > BEFORE_THE_BELL + 60:
            mended.append(machine.now)
            machine.now = set_to
        return clock()

    machine.clock = set_right
    with shifts_on(machine, tmp_path) as shifts:
        machine.stands("delivered-surveys", b"2025-070-weir/orthos/weir.tif", 5_000 * MB)
        result = shifts.run()
    assert mended
    if ends == "at once":
        assert result.stopped_by == "working-hours"
        assert machine.now <= set_to + 2
        assert result.left.files
    else:
        assert machine.now > set_to + 600
