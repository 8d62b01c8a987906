"""The simulated year with 240 TB in two million files on two places, and what came of it.

    python tests/benchmarks/year.py [--files N] [--terabytes N] [--days N] [--held-for SECONDS]
        [--folder DIR]

A million files of 120 TB on either side unless given; ``--files 2000000`` has two million on
either.  Commits lie 300 simulated seconds apart unless given, and not one as in a shift: a year
would have eight million of those.  Beside it, in a second process, smaller years: one with a
resident shift, and one whose disks are too slow for the target.
"""

from __future__ import annotations

import argparse
import resource
import shutil
import sys
import tempfile
import time
from concurrent.futures import ProcessPoolExecutor
from multiprocessing import get_context
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[2]))

from tests.simulation.year import Measure, Plan, Year, measures
from verifier import system

TB = 10**12
MEMORY = Path("/dev/shm")
AHEAD = 64
"""Tasks that wait at a place, so that the scheduler's turns are fewer than its tasks."""


def run(plan: Plan, parent: Path | None) -> tuple[list[Measure], float, float]:
    """One year: its measures, its seconds, and the peak memory of its process in MB."""
    system.suit_interpreter_to_streams()
    folder = Path(tempfile.mkdtemp(prefix="verifier-year-", dir=parent))
    started = time.perf_counter()
    try:
        found = list(measures(plan, Year(plan, folder).run()))
    finally:
        shutil.rmtree(folder)
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    return found, time.perf_counter() - started, peak


def main() -> None:
    """Print each measure with its target."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--files", type=int, default=1_000_000)
    parser.add_argument("--terabytes", type=float, default=120.0)
    parser.add_argument("--days", type=int, default=365)
    parser.add_argument("--held-for", type=float, default=300.0)
    parser.add_argument("--folder", type=Path, default=MEMORY if MEMORY.is_dir() else None)
    wanted = parser.parse_args()
    plans = {
        "from a crontab": Plan(
            files=wanted.files,
            bytes=round(wanted.terabytes * TB),
            days=wanted.days,
            held_for=wanted.held_for,
            held_bytes=1 << 60,
            ahead=AHEAD,
            full_walk_every=182,
            backup_every=182,
        ),
        "resident, smaller": Plan(files=4_000, bytes=480 * TB // 1000, resident=True),
        "too slow, smaller": Plan(
            files=4_000,
            bytes=480 * TB // 1000,
            full_bytes_per_second=50_000_000,
            days=220,
            accidents=False,
        ),
    }
    missed = False
    with ProcessPoolExecutor(2, get_context("spawn"), max_tasks_per_child=1) as pool:
        running = {name: pool.submit(run, plan, wanted.folder) for name, plan in plans.items()}
        for name, answer in running.items():
            found, seconds, peak = answer.result()
            print(f"\n{name}: {seconds:.0f} s, {peak:.0f} MB", flush=True)
            for each in found:
                missed |= not each.held
                reached = "reached" if each.held else "NOT REACHED"
                print(f"{each.name:<66}{each.figure:>44}  {each.target:<40}{reached}")
    sys.exit(missed)


if __name__ == "__main__":
    main()
