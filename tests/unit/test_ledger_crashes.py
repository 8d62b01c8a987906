"""Killed, out of room or copied in use, a ledger holds what it said that it held."""

from __future__ import annotations

import os
import random
import shutil
import sqlite3
import subprocess
import sys
from contextlib import closing
from datetime import UTC, datetime
from pathlib import Path

import pytest
from test_ledger import (
    NOW,
    SOURCE,
    VAULT,
    file,
    filled,
    known,
    read,
    walked,
)

from verifier.errors import LedgerFailed, LedgerRefused, Stopped
from verifier.ledger import Ledger, backups_of, walks

DAY = 86_400

# ----------------------------------------------------------------------------------------- killed

FILES = 400
"""Files of the tree that is walked and read until the kill; a multiple of what a commit holds
would hide whether the last one was whole."""

WORK = f"""
import sys
from pathlib import Path
from verifier.ledger import Ledger, PlaceName, walks
from verifier.model import Kind, Sighting

walks.APPLIED_AT_ONCE = 20  # so that a kill may fall between two statements of one walk
places = PlaceName("current-surveys"), PlaceName("current-surveys", "vault")
clock, number, version = 1_795_557_600.0, 0, int(sys.argv[2])
with Ledger(Path(sys.argv[1])) as ledger:
    while True:
        version += 1
        for place in places:
            walk = ledger.walk(place)
            walk.take(
                Sighting(b"%d/%04d" % (each // 30, each), Kind.FILE, version, 1)
                for each in sorted(range({FILES}), key=lambda each: b"%d/%04d" % (each // 30, each))
            )
            walk.apply(int(clock))
            print("walked", place.place, version, clock, flush=True)
        for each in range({FILES}):
            for place in places:
                clock += 0.004
                ledger.readings.add(
                    place,
                    Sighting(
                        b"%d/%04d" % (each // 30, each), Kind.FILE, version, 1,
                        digest=version.to_bytes(32, "big"), read_at=version,
                    ),
                    clock,
                )
                print("read", place.place, version, clock, each, flush=True)
"""


def said_until_killed(path: Path, version: int, chance: random.Random) -> list[list[str]]:
    """What the process had said to have recorded, up to a kill at a random moment."""
    process = subprocess.Popen(
        [sys.executable, "-c", WORK, path, str(version)], stdout=subprocess.PIPE, text=True
    )
    assert process.stdout is not None
    lines = [process.stdout.readline() for _ in range(chance.randint(1, 3 * FILES))]
    process.kill()
    lines += process.stdout.readlines()
    process.wait()
    process.stdout.close()
    return [line.split() for line in lines if line.endswith("\n")]


def test_a_ledger_killed_at_random_moments_is_sound_and_lost_at_most_the_last_second(path):
    chance = random.Random(20261124)
    version = 0
    for _ in range(10):
        said = said_until_killed(path, version, chance)
        with Ledger(path) as ledger:
            assert ledger.soundness() == ()
            held = {place.place: known(ledger, place) for place in (SOURCE, VAULT)}
        applied = {
            place: int(line[2]) for line in said if line[0] == "walked" for place in line[1:2]
        }
        for place, tree in held.items():
            sizes = {each.sighting.size for each in tree.values()}
            assert len(sizes) <= 1 and len(tree) in (0, FILES)
            assert max(sizes, default=0) >= applied.get(place, 0)
            for each in tree.values():
                assert each.sighting.read_at in (None, each.sighting.size)
                assert (each.sighting.digest is None) == (each.sighting.read_at is None)
        end = float(said[-1][3])
        for what, place, of, at, *number in said:
            if what == "read" and float(at) <= end - 1.0:
                name = b"%d/%04d" % (int(number[0]) // 30, int(number[0]))
                sighting = held[place][name].sighting
                assert sighting.size > int(of) or sighting.read_at == int(of)
        version = max(applied.values(), default=version) + 1


# ------------------------------------------------------------------------------------- out of room


def usable(path: Path, elsewhere: Path) -> Path:
    """The ledger's files as they stand, where there is room."""
    elsewhere.mkdir()
    for each in path.parent.iterdir():
        shutil.copy(each, elsewhere)
    return elsewhere / path.name


@pytest.mark.root
def test_a_full_disk_stops_recording_with_a_sentence_and_nothing_recorded_wrong(
    small_disk, tmp_path
):
    path = small_disk / "ledger.db"
    tree = [file(f"{number // 100:02d}/{number:05d}") for number in range(1500)]
    ledger = Ledger(path)
    walked(ledger, SOURCE, tree)
    recorded = 0
    with pytest.raises(LedgerFailed, match=r"is full.*recorded before stays") as failed:
        for turn in range(1, 10_000):
            for number, each in enumerate(tree):
                ledger.readings.add(SOURCE, read(each, turn, NOW + turn), turn * 10 + number / 200)
                recorded = ledger.readings.recorded
    assert failed.value.exit_status == 3
    assert str(path) in str(failed.value)
    ledger.close()
    with Ledger(usable(path, tmp_path / "elsewhere")) as after:
        assert after.soundness() == ()
        held = known(after, SOURCE)
        assert len(held) == len(tree)
        for number, each in enumerate(held.values()):
            whole, more = divmod(recorded, len(tree))
            turn = whole + (number < more)
            assert each.sighting.read_at == (NOW + turn if turn else None)


@pytest.mark.root
def test_a_walk_that_does_not_fit_on_the_disk_leaves_what_was_known(small_disk, monkeypatch):
    monkeypatch.setattr(walks, "APPLIED_AT_ONCE", 100)
    path = small_disk / "ledger.db"
    tree = [file(f"{number // 100}/{number:05d}") for number in range(500)]
    with Ledger(path) as ledger:
        walked(ledger, SOURCE, tree)
        before = known(ledger, SOURCE)
        walk = ledger.walk(SOURCE)
        walk.take(file(f"{number // 100:04d}/{number:06d}") for number in range(50_000))
        with pytest.raises(LedgerFailed, match="is full"):
            walk.apply(NOW)
        walk.discard()
        assert known(ledger, SOURCE) == before
        assert ledger.soundness() == ()
        assert walked(ledger, SOURCE, tree[:-1]).vanished == 1


@pytest.mark.root
def test_a_disk_too_full_for_a_new_ledger_leaves_no_part_of_one(small_disk):
    (small_disk / "filler").write_bytes(bytes((1 << 20) - 8192))
    with pytest.raises(LedgerFailed, match="is full") as failed:
        Ledger(small_disk / "ledger.db")
    assert str(small_disk / "ledger.db") in str(failed.value)
    assert os.listdir(small_disk) == ["filler"]


# ----------------------------------------------------------------------------------------- backups


def test_a_backup_is_a_ledger_that_holds_the_same_while_the_original_is_in_use(path):
    filled(path)
    with Ledger(path) as ledger:
        held = known(ledger, SOURCE)
        copy = ledger.back_up(NOW)
        walked(ledger, SOURCE, [])
    assert copy.name == f"ledger.db.backup-{datetime.fromtimestamp(NOW, UTC):%Y-%m-%d}"
    restored = path.with_name("restored.db")
    shutil.copy(copy, restored)
    with Ledger(restored) as ledger:
        assert known(ledger, SOURCE) == held
        assert ledger.soundness() == ()
    assert sorted(os.listdir(path.parent)) == ["ledger.db", copy.name, "restored.db"]


def test_readings_that_are_held_are_in_the_backup(ledger):
    walked(ledger, SOURCE, [file("a")])
    ledger.readings.add(SOURCE, read(file("a")), float(NOW))
    with Ledger(ledger.back_up(NOW)) as copy:
        assert known(copy, SOURCE)[b"a"].read_as_it_is


def test_there_is_one_backup_a_day_and_the_last_seven_are_kept(ledger):
    assert ledger.back_up(NOW) is not None
    assert ledger.back_up(NOW + 60) is None
    for day in range(1, 10):
        assert ledger.back_up(NOW + day * DAY) is not None
    expected = [datetime.fromtimestamp(NOW + day * DAY, UTC) for day in range(3, 10)]
    assert [copy.name[-10:] for copy in backups_of(ledger.path)] == [
        f"{day:%Y-%m-%d}" for day in expected
    ]


def test_files_with_like_names_are_not_taken_for_backups(ledger):
    kept = [
        "ledger.db.backup-mine",
        "ledger.db.backup-2026-01-01.old",
        "xledger.db.backup-2026-01-01",
    ]
    for name in kept:
        (ledger.path.parent / name).write_text("mine")
    for day in range(9):
        ledger.back_up(NOW + day * DAY)
    assert all((ledger.path.parent / name).read_text() == "mine" for name in kept)
    assert len(backups_of(ledger.path)) == 7


def leaf(path: Path, table: str) -> int:
    """Where in the file a page of rows in the middle of a table begins."""
    with closing(sqlite3.connect(path)) as database:
        pages = database.execute(
            "SELECT pageno FROM dbstat WHERE name = ? AND pagetype = 'leaf' ORDER BY path", (table,)
        ).fetchall()
    return (pages[len(pages) // 2][0] - 1) * 4096


def garbled(path: Path) -> None:
    at = leaf(path, "sightings")
    with open(path, "r+b") as written:
        written.seek(at)
        written.write(b"\xa5" * 4096)


def disordered(path: Path) -> None:
    """Two rows change places, which opening and copying cannot see."""
    at = leaf(path, "touched") + 8
    with open(path, "r+b") as written:
        written.seek(at)
        one, other = written.read(2), written.read(2)
        written.seek(at)
        written.write(other + one)


@pytest.mark.parametrize("damage", [garbled, disordered])
def test_a_damaged_ledger_makes_no_backup_and_keeps_those_that_it_has(path, damage):
    filled(path, files=3000)
    with Ledger(path) as ledger:
        for day in range(7):
            ledger.back_up(NOW + day * DAY)
    before = sorted(os.listdir(path.parent))
    damage(path)
    with Ledger(path) as ledger:
        assert ledger.soundness() != ()
        with pytest.raises(LedgerRefused, match="damaged") as refused:
            ledger.back_up(NOW + 7 * DAY)
        assert str(path) in str(refused.value)
        assert "partial" not in str(refused.value)
    assert sorted(os.listdir(path.parent)) == before


def test_a_backup_can_be_stopped_and_leaves_nothing_behind(path):
    filled(path, files=3000)

    def stop(_done: int, _total: int) -> None:
        raise Stopped("the hours are over")

    with Ledger(path) as ledger:
        with pytest.raises(Stopped, match="hours are over"):
            ledger.back_up(NOW, stop)
        assert backups_of(path) == []
        assert not [name for name in os.listdir(path.parent) if "partial" in name]
        assert ledger.back_up(NOW) is not None


@pytest.mark.root
def test_a_backup_that_does_not_fit_leaves_nothing_behind_and_keeps_the_older_ones(small_disk):
    path = small_disk / "ledger.db"
    with Ledger(path) as ledger:
        first = ledger.back_up(NOW)
        walked(ledger, SOURCE, [file(f"{number:05d}") for number in range(2500)])
    with Ledger(path) as ledger:
        free = shutil.disk_usage(small_disk).free
        (small_disk / "filler").write_bytes(bytes(max(0, free - 40_000)))
        with pytest.raises(LedgerFailed, match=r"full|could not be written"):
            ledger.back_up(NOW + DAY)
        assert backups_of(path) == [first]
        assert not [name for name in os.listdir(small_disk) if "partial" in name]
        assert len(known(ledger, SOURCE)) == 2500
