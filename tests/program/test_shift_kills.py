"""A shift that is killed at random moments loses and repeats next to nothing."""

from __future__ import annotations

import os
import random
import signal
import sqlite3
import time
from pathlib import Path

from blake3 import blake3
from trees import Tree

from program.estate import SHARE, Estate
from program.running import io_read, members, running
from verifier.ledger import Ledger, PlaceName

MIB = 1024 * 1024
LARGEST = 12 * MIB
KILLS = 20


def survey(root: Path) -> Tree:
    """Some 190 MB: mostly files of a camera, some large ones, many small ones."""
    tree = Tree(root)
    chance = random.Random(14)
    for number in range(60):
        tree.file(f"2026-014-harbour-wall/flights/{number:04}.jpg", chance.randrange(MIB, 3 * MIB))
    for number in range(4):
        tree.file(f"2026-014-harbour-wall/point-clouds/{number}.laz", LARGEST)
    for number in range(400):
        tree.file(f"2026-014-harbour-wall/notes/{number:04}.txt", chance.randrange(1, 20_000))
    return tree


def test_twenty_kills_at_random_moments_lose_nothing_and_repeat_little(tmp_path):
    estate = Estate(tmp_path, survey(tmp_path / "bench" / SHARE))
    estate.settings(pace='at_most = "40 MB/s"')
    chance = random.Random(7)
    read_in_all = 0
    for _ in range(KILLS):
        most: dict[int, int] = {}
        with running("--config", estate.file, "shift") as process:
            until = time.monotonic() + chance.uniform(0.3, 1.2)
            while time.monotonic() < until and process.poll() is None:
                note(process.pid, most)
                time.sleep(0.01)  # the kernel's counters are looked at from outside
            for pid in members(process.pid):
                os.kill(pid, signal.SIGKILL)
            process.wait()
        read_in_all += sum(most.values())
        sound_and_true(estate)
    estate.settings()
    finish = estate.shift()
    assert finish.status == 0, finish.err
    assert finish.document["left"] == {"files": 0, "bytes": 0}
    read_in_all += finish.document["read_bytes"]
    tree = 2 * sum(
        os.path.getsize(os.path.join(folder, name))
        for folder, _, names in os.walk(estate.source.root)
        for name in names
    )
    assert read_in_all <= 1.05 * tree + KILLS * LARGEST
    sound_and_true(estate)


def note(parent: int, most: dict[int, int]) -> None:
    """What the kernel counts as read by each reading process, at its latest."""
    for pid in members(parent):
        if pid != parent and (count := io_read(pid)) is not None:
            most[pid] = count


def sound_and_true(estate: Estate) -> None:
    """The ledger is sound, and every digest in it is that of the file."""
    if not estate.ledger.exists():
        return
    with Ledger(estate.ledger) as ledger:
        assert ledger.soundness() == ()
        for place, tree in (
            (PlaceName(SHARE), estate.source),
            (PlaceName(SHARE, "vault"), estate.mirror),
        ):
            for known in ledger.sightings(place):
                digest = known.sighting.digest
                if digest is not None:
                    assert digest == blake3(tree.read(known.sighting.path)).digest()
    assert not sqlite3.connect(estate.ledger).execute("SELECT 1 FROM findings").fetchall()
