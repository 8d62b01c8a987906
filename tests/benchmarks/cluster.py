"""Reading with two workers of a Dask cluster, against reading with one.

    python tests/benchmarks/cluster.py [--files N] [--rounds N] [--folder DIR]

A real scheduler and real workers, each a process with one thread, on this machine.  What is read is
bound by its readers: every call to the file system takes some milliseconds, as over a network, so
that one reader waits most of the time and the disk never.  Twice as many workers are to take at
most 0.6 of the time.
"""

from __future__ import annotations

import argparse
import statistics
import sys
import tempfile
import time
from functools import partial
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1]))
sys.path.insert(0, str(Path(__file__).parents[2]))

from cluster.machines import Machines
from faults.mounts import Share

from verifier.jobs.build import build
from verifier.jobs.progress import Unwatched
from verifier.places.base import Look
from verifier.settings import Engine, EngineKind

A_CALL = 0.004
"""Seconds that each call takes."""


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--files", type=int, default=1_200)
    parser.add_argument("--rounds", type=int, default=3)
    parser.add_argument("--folder", type=Path)
    wanted = parser.parse_args()
    with tempfile.TemporaryDirectory(prefix="verifier-cluster-", dir=wanted.folder) as name:
        folder = Path(name)
        share = Share(folder, delay=A_CALL)
        for number in range(wanted.files):
            share.both(f"flights/DJI_{number:05}.jpg", 60_000)
        with share, Machines(folder) as machines:
            one = measured(machines, share.source, folder, wanted.rounds, ["harbour"])
            two = measured(machines, share.source, folder, wanted.rounds, ["quay"])
    print(f"{wanted.files:,} files, {A_CALL * 1000:.0f} ms a call, medians of {wanted.rounds}")
    print(f"one worker {one:.2f} s, two {two:.2f} s, ratio {two / one:.2f} (at most 0.60)")
    sys.exit(two > 0.6 * one)


def measured(machines: Machines, tree: Path, folder: Path, rounds: int, more: list[str]) -> float:
    """Seconds for a manifest of the tree with these workers besides those that run already."""
    for name in more:
        machines.start_worker(name)
    engine = Engine(EngineKind.DASK, machines.address)
    now = partial(float, 1795557600)
    taken = []
    for number in range(rounds):
        out = folder / f"{more[0]}-{number}.manifest"
        started = time.perf_counter()
        build(tree, out, Look(), (), Unwatched(), now, engine=engine)
        taken.append(time.perf_counter() - started)
    return statistics.median(taken)


if __name__ == "__main__":
    main()
