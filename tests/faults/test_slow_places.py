"""Places where each call takes its time: they are asked for many things at once."""

from __future__ import annotations

import time
from pathlib import Path
from typing import Final

import pytest
from program.running import compare, manifest, verifier
from trees import Tree

from faults.mounts import Share, needs_fuse

pytestmark = [pytest.mark.root, needs_fuse]

DELAY: Final = 0.005
FOLDERS: Final = 600
HANGS: Final = 2.0
"""Seconds of one reading: far more than the program takes to start on a busy machine."""


def seconds_asked(share: Share) -> float:
    """The delays of all calls that the server answered, added up."""
    return DELAY * len(share.calls())


def many_folders(tmp_path: Path, count: int) -> Share:
    share = Share(tmp_path, delay=DELAY)
    for number in range(count):
        share.on("bench", f"{folder_of(number)}/{number}.jpg", "Node", size=100)
    return share


def folder_of(number: int) -> str:
    return f"day-{number % 24}/flight-{number}"


# Fails when the walker never calls its crew: `CREW` made 0 in walker.py.
def test_folders_are_listed_many_at_a_time(tmp_path: Path) -> None:
    (tmp_path / "empty").mkdir()
    with many_folders(tmp_path, FOLDERS) as share:
        share.forget_calls()
        started = time.monotonic()
        outcome = compare(share.source, tmp_path / "empty", "--dates-only")
        took = time.monotonic() - started
        assert outcome.document["counts"]["missing"] == FOLDERS
        assert took < seconds_asked(share) / 4


def test_sizes_and_dates_of_many_folders_are_looked_at_many_at_a_time(tmp_path: Path) -> None:
    share = Share(tmp_path, delay=DELAY)
    for number in range(2_000):
        share.on("bench", f"day-{number % 100}/{number}.jpg", "Node", size=100)
    (tmp_path / "empty").mkdir()
    with share:
        share.forget_calls()
        started = time.monotonic()
        outcome = compare(share.source, tmp_path / "empty", "--dates-only")
        took = time.monotonic() - started
        assert outcome.document["counts"]["missing"] == 2_000
        assert took < seconds_asked(share) / 4


def test_small_files_are_read_by_more_than_one_reader(tmp_path: Path) -> None:
    share = Share(tmp_path, delay=DELAY)
    for number in range(200):
        share.on("bench", f"flights/{number}.jpg", "Node", size=100)
    with share:
        share.forget_calls()
        started = time.monotonic()
        manifest(share.source, tmp_path / "made")
        took = time.monotonic() - started
        assert took < seconds_asked(share) / 1.2


def test_both_sides_are_read_at_the_same_time_from_the_first_file_on(tmp_path: Path) -> None:
    share = Share(tmp_path)
    for place in ("bench", "vault"):
        share.on(place, "north.laz", "Hangs", size=100_000, seconds=HANGS)
    with share:
        share.forget_calls()
        started = time.monotonic()
        assert compare(share.source, share.mirror).status == 0
        took = time.monotonic() - started
        reads = len(share.calls("read "))
        assert took < reads * HANGS * 0.75


def test_a_slow_place_gives_the_same_paths_in_the_same_order_as_a_fast_one(
    tmp_path: Path,
) -> None:
    fast = Tree(tmp_path / "fast")
    for number in range(120):
        fast.file(f"{folder_of(number)}/{number}.jpg")
    with many_folders(tmp_path, 120) as share:
        slow = manifest(share.source, tmp_path / "slow.manifest", "--dates-only")
    expected = manifest(fast, tmp_path / "fast.manifest", "--dates-only")
    assert paths_in(slow) == paths_in(expected)
    assert len(paths_in(slow)) == 120


def paths_in(made: Path) -> list[str]:
    return [line.split('"path":"')[1].split('"')[0] for line in made.read_text().splitlines()[1:-1]]


# A crew that lists ahead meets what it cannot keep in a thread of its own.
def test_a_full_temporary_folder_ends_a_slow_walk_with_a_sentence_as_well(
    tmp_path: Path, small_disk: Path
) -> None:
    share = Share(tmp_path, delay=DELAY)
    for number in range(40):
        share.on("bench", f"a-{number}/x", "Node", size=1)
    for number in range(55_000):  # more than are sorted in memory
        share.on("bench", f"crowd/{number}-{'long-name-' * 3}", "Node", size=0)
    (tmp_path / "empty").mkdir()
    places = (share.source, tmp_path / "empty")
    with share:
        outcome = verifier("compare", *places, environment={"TMPDIR": str(small_disk)}, seconds=30)
    assert outcome.status == 3
    assert "TMPDIR" in outcome.err
