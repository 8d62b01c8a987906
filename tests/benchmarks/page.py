"""Measures the page: how long it takes to make, its memory and its size.

    python tests/benchmarks/page.py [--files N] [--findings N] [--folder DIR]

A share's source holds N files (2 million unless given) beside as many on each of its mirrors, with
50,000 findings and a year of shifts in the ledger; made below DIR and removed again unless DIR is
given.  The page is made by a process of its own, as `verifier report` makes it.
"""

from __future__ import annotations

import argparse
import os
import resource
import shutil
import sys
import tempfile
import time
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parent.parent))

from pictures.studio import NOW, Studio, make

MOST_SECONDS, MOST_MEMORY, MOST_PAGE = 10.0, 300, 3_000_000


def main() -> int:
    """Print the figures; 1 when one is not reached."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--files", type=int, default=2_000_000)
    parser.add_argument("--findings", type=int, default=50_000)
    parser.add_argument("--folder", type=Path)
    wanted = parser.parse_args()
    folder = wanted.folder or Path(tempfile.mkdtemp(prefix="verifier-page-"))
    folder.mkdir(exist_ok=True)
    try:
        return measure(folder, wanted.files, wanted.findings)
    finally:
        if wanted.folder is None:
            shutil.rmtree(folder)


def measure(folder: Path, files: int, findings: int) -> int:
    """Make the studio, then the page in another process."""
    started = time.perf_counter()
    making = os.fork()
    if not making:
        make(folder, files=files, bulk_findings=findings)
        os._exit(0)
    if os.waitpid(making, 0)[1]:
        return 1
    size = (folder / "ledger.db").stat().st_size
    print(f"made in {time.perf_counter() - started:.0f} s, a ledger of {size / 1e6:,.0f} MB")
    reached = True
    for _ in range(2):
        reached = once(folder, files, findings)
    return 0 if reached else 1


def once(folder: Path, files: int, findings: int) -> bool:
    """One page."""
    started = time.perf_counter()
    writing = os.fork()
    if not writing:
        write(folder)
        os._exit(0)
    _, status, used = os.wait4(writing, 0)
    seconds = time.perf_counter() - started
    memory = used.ru_maxrss / 1024
    page = (folder / "reports" / "report.html").stat().st_size
    print(
        f"{files:,} files, {findings:,} findings: {seconds:.1f} s (at most {MOST_SECONDS:.0f}), of "
        f"processor {used.ru_utime + used.ru_stime:.1f} s; {memory:.0f} MiB (at most "
        f"{MOST_MEMORY}); page {page / 1e6:.2f} MB (at most 3)"
    )
    return not status and seconds <= MOST_SECONDS and memory <= MOST_MEMORY and page <= MOST_PAGE


def write(folder: Path) -> None:
    """What `verifier report` does with a ledger."""
    from verifier import settings
    from verifier.jobs.report import gather
    from verifier.jobs.shift import lasting_findings
    from verifier.reporting.page.files import publish

    file = folder / "lantern-marsh.toml"
    studio = Studio(file, settings.load(file))
    parts = []
    with studio.ledger() as ledger:
        at = time.perf_counter()
        report = gather(studio.settings, ledger, NOW)
        parts.append(f"gathered {time.perf_counter() - at:.1f} s")
        at = time.perf_counter()
        publish(report, lambda: lasting_findings(ledger), folder / "reports")
        parts.append(f"written {time.perf_counter() - at:.1f} s")
    print(
        "  ",
        ", ".join(parts),
        f"{resource.getrusage(resource.RUSAGE_SELF).ru_maxrss >> 10} MiB",
        flush=True,
    )


if __name__ == "__main__":
    sys.exit(main())
