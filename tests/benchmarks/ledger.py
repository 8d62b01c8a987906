"""Measures the ledger: its size, choosing the next work, and recording what was read.

    python tests/benchmarks/ledger.py [--entries N] [--files-in-folder N] [--folder DIR]
        [--rounds N] [--json]

N sightings (ten million unless given) of one share, half of them on its source and half on one
mirror, all read and agreed on, with paths of some 55 bytes; made below DIR through the ledger's
own functions (some 7 GB and a quarter of an hour for ten million; kept when DIR is given, so that
a second run starts at once).  A time is the least of the rounds, since other work
on the machine only ever adds to it.
"""

from __future__ import annotations

import argparse
import json
import os
import resource
import shutil
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from contextlib import suppress
from dataclasses import dataclass
from hashlib import blake2b
from itertools import chain, islice
from pathlib import Path

from verifier import system
from verifier.ledger import Ledger, PlaceName
from verifier.model import Agreement, Kind, Sighting

SOURCE = PlaceName("current-surveys")
MIRROR = PlaceName("current-surveys", "vault")
FOLDERS_IN_PROJECT = 25
START = 1_790_000_000
DAY = 86_400
HOUR_OF_WORK = 50_000
READ_AT_ONCE = 100_000


@dataclass
class Row:
    """One line of the table."""

    name: str
    figure: str
    target: str = ""
    reached: bool = True


files_in_folder = 200


def sighting(number: int, place: PlaceName, changed: bool = False) -> Sighting:
    """File ``number`` of the estate, as it stands at ``place``."""
    folder, file = divmod(number, files_in_folder)
    project, flight = divmod(folder, FOLDERS_IN_PROJECT)
    path = b"2026-%05d-harbour/flights/%02d-north-pier/flight_%04d_%04d.jpg" % (
        project,
        flight,
        folder % 10_000,
        file,
    )
    born = 1_770_000_000_123_456_789 + number * 1_000_003
    later = 0 if place.is_source else 40_000_000_000_000
    if changed:
        born += 1_000_000_000_000
    size = 3_000_000 + number * 7919 % 9_000_000
    return Sighting(path, Kind.FILE, size, born, born + later + 77, 64768, 2_000_000 + number)


def digest(number: int) -> bytes:
    """What stands for a digest: as little to be compressed as a real one."""
    return blake2b(number.to_bytes(8, "big"), digest_size=32).digest()


def read(number: int, place: PlaceName, at: int) -> Sighting:
    """The same file, read."""
    seen = sighting(number, place)
    return Sighting(*(*(getattr(seen, name) for name in _DATES), digest(number), (), None, at))


_DATES = ("path", "kind", "size", "mtime_ns", "ctime_ns", "device", "inode", "links")


def least(rounds: int, timed: Callable[[], float]) -> float:
    """The least of so many times."""
    return min(timed() for _ in range(rounds))


class Benchmarks:
    """A large ledger, and what is measured on it."""

    def __init__(self, path: Path, files: int, rounds: int) -> None:
        self.path = path
        self.files = files
        self.rounds = rounds

    def make(self) -> Iterator[Row]:
        """A first walk of both places, a first reading of all, and their agreements."""
        if self.path.exists():
            return
        making = self.path.with_name(f"{self.path.name}.made")
        for left in self.path.parent.glob(f"{making.name}*"):
            left.unlink()
        with Ledger(making) as ledger:
            for place in (SOURCE, MIRROR):
                walk = ledger.walk(place)
                started = time.perf_counter()
                walk.take(sighting(number, place) for number in range(self.files))
                taken = time.perf_counter()
                walk.apply(START)
                applied = time.perf_counter()
                yield Row(f"first walk, {place.place}: take", self.each(taken - started))
                yield Row(f"first walk, {place.place}: apply", self.each(applied - taken))
                ledger.agreements.forget_touched(
                    SOURCE.share, ledger.agreements.sequence(), ledger.places(SOURCE.share)
                )
            yield from self.choosing(ledger, "the first night")
            yield from self.first_reading(ledger)
        making.rename(self.path)

    def first_reading(self, ledger: Ledger) -> Iterator[Row]:
        """All files of both sides, a hundred thousand at a time, as shifts would."""
        started, now = time.perf_counter(), float(START)
        for first in range(0, self.files, READ_AT_ONCE):
            numbers = range(first, min(first + READ_AT_ONCE, self.files))
            now += DAY
            for number in numbers:
                now += 0.0001
                for place in (SOURCE, MIRROR):
                    ledger.readings.add(place, read(number, place, int(now)), now)
            ledger.agreements.record(MIRROR, map(agreed, numbers), int(now))
            ledger.agreements.forget_touched(
                SOURCE.share, ledger.agreements.sequence(), ledger.places(SOURCE.share)
            )
        yield Row("first reading and agreements", self.each((time.perf_counter() - started) / 2))

    def each(self, seconds: float) -> str:
        """Seconds over all files of a place, for one of them."""
        return f"{seconds / self.files * 1e6:.1f} µs a file"

    def size(self) -> Iterator[Row]:
        """Bytes on disk for each sighting, agreements and all indexes included."""
        with Ledger(self.path):
            pass
        size = self.path.stat().st_size
        for beside in ("-wal", "-shm"):
            with suppress(OSError):
                size += self.path.with_name(self.path.name + beside).stat().st_size
        average = size / (2 * self.files)
        yield Row("size on disk", f"{average:.0f} bytes a sighting", "<= 250", average <= 250)

    def opening(self) -> Iterator[Row]:
        def timed() -> float:
            started = time.perf_counter()
            with Ledger(self.path):
                return time.perf_counter() - started

        seconds = least(self.rounds, timed)
        yield Row("opening", f"{seconds * 1000:.0f} ms", "<= 1 s", seconds <= 1)

    def choosing(self, ledger: Ledger, name: str) -> Iterator[Row]:
        """The next 50,000 files in the scheduler's order, with the counts of all that is left."""
        stood = 0

        def timed() -> float:
            nonlocal stood
            started = time.perf_counter()
            for place in (SOURCE, MIRROR):
                ledger.work.totals(place)
                ledger.work.oldest_read(place)
            work = ledger.work
            due = chain.from_iterable(
                choose(place)
                for choose in (work.unread, work.wanted, work.longest_unread)
                for place in (SOURCE, MIRROR)
            )
            stood = sum(1 for _ in islice(due, HOUR_OF_WORK))
            return time.perf_counter() - started

        seconds = least(self.rounds, timed)
        yield Row(f"choosing {stood:,} files, {name}", f"{seconds:.2f} s", "<= 1 s", seconds <= 1)

    def recording(self, ledger: Ledger) -> Iterator[Row]:
        """A hundred thousand readings, the way they come: of both places, a commit a second."""
        step = max(1, self.files // READ_AT_ONCE // 2)
        numbers = range(0, self.files, step)[: READ_AT_ONCE // 2]
        for name, several in (
            ("side by side", range(len(numbers))),
            ("far apart", numbers),
        ):
            at = START + 10_000 * DAY
            readings = [
                (place, read(number, place, at)) for number in several for place in (SOURCE, MIRROR)
            ]

            def timed(readings: list[tuple[PlaceName, Sighting]] = readings) -> float:
                started = time.perf_counter()
                for place, reading in readings:
                    ledger.readings.add(place, reading, time.perf_counter())
                ledger.readings.flush()
                return time.perf_counter() - started

            seconds = least(self.rounds, timed)
            yield Row(
                f"recording {len(readings):,} readings, {name}",
                f"{seconds:.2f} s",
                "<= 2 s",
                seconds <= 2,
            )

    def next_walk(self, ledger: Ledger) -> Iterator[Row]:
        """A walk in which one file of a hundred changed."""
        walk = ledger.walk(SOURCE)
        started = time.perf_counter()
        walk.take(sighting(number, SOURCE, number % 100 == 7) for number in range(self.files))
        taken = time.perf_counter()
        summary = walk.apply(START + 20_000 * DAY)
        yield Row("another walk: take", self.each(taken - started))
        yield Row(
            f"another walk: apply {summary.changed:,} changes",
            f"{time.perf_counter() - taken:.1f} s",
        )

    def judging(self, ledger: Ledger) -> Iterator[Row]:
        """The pairs that such a walk touched, and all."""
        started = time.perf_counter()
        touched = sum(1 for _ in ledger.agreements.pairs_touched(MIRROR, 0))
        yield Row(f"{touched:,} touched pairs", f"{time.perf_counter() - started:.1f} s")
        started = time.perf_counter()
        pairs = sum(1 for _ in ledger.agreements.pairs(MIRROR))
        assert pairs == self.files
        yield Row("all pairs", self.each(time.perf_counter() - started))

    def checking(self, ledger: Ledger) -> Iterator[Row]:
        started = time.perf_counter()
        assert ledger.soundness() == ()
        yield Row("soundness, all of it", f"{time.perf_counter() - started:.1f} s")
        started = time.perf_counter()
        copy = ledger.back_up(START)
        yield Row("backup, checked", f"{time.perf_counter() - started:.1f} s")
        if copy is not None:
            copy.unlink()

    def all(self) -> Iterator[Row]:
        yield from self.make()
        yield from self.size()
        yield from self.opening()
        pristine = self.path.with_name(f"{self.path.name}.measured")
        shutil.copyfile(self.path, pristine)
        try:
            with Ledger(pristine) as ledger:
                yield from self.choosing(ledger, "an audit night")
                yield from self.recording(ledger)
                yield from self.next_walk(ledger)
                ledger.readings.want(
                    MIRROR, (sighting(number, MIRROR).path for number in range(0, 5000, 5)), "test"
                )
                yield from self.choosing(ledger, "after changes")
                yield from self.judging(ledger)
                yield from self.checking(ledger)
        finally:
            for left in pristine.parent.glob(f"{pristine.name}*"):
                left.unlink()
        peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
        yield Row("peak memory", f"{peak:.0f} MB", "<= 200 MB", peak <= 200)


def agreed(number: int) -> tuple[bytes, Agreement]:
    """What both places agree on of file ``number``."""
    seen = sighting(number, SOURCE)
    return seen.path, Agreement(digest(number), seen.size, seen.mtime_ns, seen.mtime_ns)


def main() -> None:
    """Print each measure with its target."""
    global files_in_folder
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--entries", type=int, default=10_000_000)
    parser.add_argument("--files-in-folder", type=int, default=files_in_folder)
    parser.add_argument("--folder", type=Path)
    parser.add_argument("--rounds", type=int, default=5)
    parser.add_argument("--json", action="store_true")
    wanted = parser.parse_args()
    system.suit_interpreter_to_streams()
    folder = wanted.folder or Path(tempfile.mkdtemp(prefix="verifier-benchmarks-"))
    folder.mkdir(parents=True, exist_ok=True)
    os.environ.setdefault("SQLITE_TMPDIR", str(folder))
    files_in_folder = wanted.files_in_folder
    path = folder / f"ledger-{wanted.entries}-{files_in_folder}.db"
    missed = False
    try:
        for row in Benchmarks(path, wanted.entries // 2, wanted.rounds).all():
            missed |= not row.reached
            if wanted.json:
                print(json.dumps(vars(row)), flush=True)
                continue
            reached = "" if not row.target else "reached" if row.reached else "NOT REACHED"
            print(f"{row.name:<52}{row.figure:>24}  {row.target:<10}{reached}", flush=True)
    finally:
        if wanted.folder is None:
            shutil.rmtree(folder)
    sys.exit(missed)


if __name__ == "__main__":
    main()
