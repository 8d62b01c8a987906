"""Measures what the product promises, each as a ratio to a plain baseline taken in the same run.

    python tests/benchmarks/run.py [--only NAME] [--folder DIR] [--rounds N] [--ten-million]

The data is made below DIR (a temporary folder unless given, some 12 GB; kept when DIR is given,
so that a second run starts at once).  Ours and the baseline run in turn, as whole processes, and
the ratio is the median of the ratios of the pairs, so that a machine whose speed drifts does not
decide.
"""

from __future__ import annotations

import argparse
import json
import os
import random
import shutil
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path

MIB = 1024 * 1024
VERIFIER = [sys.executable, "-m", "verifier"]
AS_INSTALLED = {
    name: value for name, value in os.environ.items() if name != "PYTHONDONTWRITEBYTECODE"
}
"""An installed program does not compile itself anew each time that it starts."""
CORES = len(os.sched_getaffinity(0))

BARE_BLAKE3_OWN_THREADS = """
import sys
from blake3 import blake3
for path in sys.argv[2:]:
    blake3(max_threads=int(sys.argv[1])).update_mmap(path).hexdigest()
"""

BARE_BLAKE3 = """
import sys
from concurrent.futures import ThreadPoolExecutor
from blake3 import blake3
def digest(path):
    return blake3(max_threads=1).update_mmap(path).hexdigest()
with ThreadPoolExecutor(int(sys.argv[1])) as pool:
    list(pool.map(digest, sys.argv[2:]))
"""

BARE_BLAKE3_READ = """
import sys
from concurrent.futures import ThreadPoolExecutor
from blake3 import blake3
def digest(path):
    hasher = blake3(max_threads=1)
    with open(path, "rb", buffering=0) as file:
        while block := file.read(1024 * 1024):
            hasher.update(block)
    return hasher.hexdigest()
with ThreadPoolExecutor(int(sys.argv[1])) as pool:
    list(pool.map(digest, sys.argv[2:]))
"""


SETTINGS = """
[studio]
name = "Lantern Marsh Surveys"
timezone = "UTC"
ledger = "{ledger}"
[[share]]
name = "current-surveys"
source = "{source}"
[[share.mirror]]
name = "vault"
at = "{mirror}"
"""

WALK = """
import sys
from pathlib import Path
from verifier import system
from verifier.places.folder import FolderPlace
from verifier.walker import walk_dated
system.suit_interpreter_to_streams()
for sighting in walk_dated(FolderPlace.at_path(Path(sys.argv[1]))):
    pass
"""


@dataclass
class Run:
    """One finished process: seconds, and the peak memory of its largest process in MB."""

    seconds: float
    peak_mb: float


@dataclass
class Row:
    """One line of the table."""

    name: str
    ours: str
    baseline: str
    figure: str
    target: str
    reached: bool


def run(command: list[str]) -> Run:
    """Run a command to its end; raises when it fails."""
    started = time.perf_counter()
    process = subprocess.Popen(
        command, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL, env=AS_INSTALLED
    )
    _, status, usage = os.wait4(process.pid, 0)
    seconds = time.perf_counter() - started
    process.returncode = os.waitstatus_to_exitcode(status)
    if process.returncode not in (0, 1):
        raise SystemExit(f"{command} ended with {process.returncode}")
    return Run(seconds, usage.ru_maxrss / 1024)


def pairs(
    rounds: int,
    ours: Callable[[], Run],
    baseline: Callable[[], Run],
    before: Callable[[], None] = lambda: None,
) -> tuple[float, float, float, float]:
    """Medians of ours, of the baseline, of the ratios of the pairs, and our peak memory."""
    mine, theirs, ratios, peak = [], [], [], 0.0
    for number in range(rounds):
        # Who goes first changes, since what runs second finds the machine as the first left it.
        runs: dict[bool, Run] = {}
        for is_ours in (True, False) if number % 2 else (False, True):
            before()
            runs[is_ours] = ours() if is_ours else baseline()
        a, b = runs[True], runs[False]
        mine.append(a.seconds)
        theirs.append(b.seconds)
        ratios.append(a.seconds / b.seconds)
        peak = max(peak, a.peak_mb)
    return statistics.median(mine), statistics.median(theirs), statistics.median(ratios), peak


def warm(*paths: Path) -> None:
    """Read everything once, so that it is in the page cache.

    What was just made goes to the disk first: that takes longer than a round, and would be
    measured with it.
    """
    os.sync()
    for path in paths:
        subprocess.run(
            ["find", path, "-type", "f", "-exec", "cat", "{}", "+"],
            stdout=subprocess.DEVNULL,
            check=True,
        )


def cold(file: Path) -> None:
    """Have the system forget what it holds of a file, and of nothing else."""
    with open(file, "rb") as opened:
        os.fsync(opened.fileno())
        os.posix_fadvise(opened.fileno(), 0, 0, os.POSIX_FADV_DONTNEED)


class Benchmarks:
    """The measures, and the data that they need."""

    def __init__(self, folder: Path, rounds: int, ten_million: bool) -> None:
        self.folder = folder
        self.rounds = rounds
        self.ten_million = ten_million
        self.peak = 0.0

    # Data

    def large_files(self) -> Path:
        folder = self.folder / "large"
        if not folder.exists():
            folder.mkdir()
            for number in range(8):
                with open(folder / f"flight-{number}.mp4", "wb") as file:
                    for _ in range(8):
                        file.write(os.urandom(64 * MIB))
        return folder

    def one_large_file(self) -> Path:
        folder = self.folder / "single"
        if not folder.exists():
            folder.mkdir()
            with open(folder / "mosaic.tif", "wb") as file:
                for _ in range(64):
                    file.write(os.urandom(64 * MIB))
        return folder

    def small_files(self) -> Path:
        folder = self.folder / "small"
        if not folder.exists():
            chance = random.Random(1)
            block = chance.randbytes(MIB)
            for number in range(400):
                inner = folder / f"2026-{number // 20:03}" / f"flights-{number % 20:02}"
                inner.mkdir(parents=True)
                for photo in range(500):
                    size = chance.randint(1024, 16 * 1024)
                    start = chance.randrange(MIB - size)
                    (inner / f"{photo:04}.jpg").write_bytes(block[start : start + size])
        return folder

    def manifests(self, entries: int) -> tuple[Path, Path]:
        """Two manifests that differ in one path of every hundred thousand."""
        from verifier.manifest import ManifestWriter
        from verifier.model import Kind, Sighting

        pair = (
            self.folder / f"source-{entries}.manifest",
            self.folder / f"mirror-{entries}.manifest",
        )
        for side, path in enumerate(pair):
            if path.exists():
                continue
            with ManifestWriter(path, f"/volumes/{side}", (), lambda: 1_780_000_000.0) as writer:
                for number in range(entries):
                    odd = side and number % 100_000 == 7
                    digest = (number + odd).to_bytes(32, "big")
                    name = b"2026-%05d/flights/%08d.jpg" % (number // 1000, number)
                    writer.add(
                        Sighting(
                            name,
                            Kind.FILE,
                            1_000_000 + number,
                            1_770_000_000_000_000_000,
                            digest=digest,
                            read_at=1_780_000_000,
                        )
                    )
        return pair

    def out(self) -> str:
        return str(self.folder / "out.manifest")

    # Measures

    def hashing(self) -> Iterator[Row]:
        folder = self.large_files()
        files = sorted(str(path) for path in folder.iterdir())
        warm(folder)
        ours = [*VERIFIER, "manifest", str(folder), "--out", self.out()]
        for name, program in (
            ("its own threads", BARE_BLAKE3_OWN_THREADS),
            ("a thread a file", BARE_BLAKE3),
            ("read, not mapped", BARE_BLAKE3_READ),
        ):
            bare = [sys.executable, "-c", program, str(CORES), *files]
            mine, theirs, ratio, peak = pairs(
                self.rounds, lambda: run(ours), lambda bare=bare: run(bare)
            )
            self.peak = max(self.peak, peak)
            yield Row(
                f"8 files of 512 MiB, warm, against bare blake3, {name}",
                f"{mine:.2f} s",
                f"{theirs:.2f} s",
                f"{1 / ratio:.2f} of its speed",
                ">= 0.85",
                1 / ratio >= 0.85,
            )

    def cold_file(self) -> Iterator[Row]:
        folder = self.one_large_file()
        file = folder / "mosaic.tif"
        ours = [*VERIFIER, "manifest", str(folder), "--out", self.out()]
        mine, theirs, ratio, peak = pairs(
            self.rounds,
            lambda: run(ours),
            lambda: run(["sh", "-c", 'cat "$0" > /dev/null', str(file)]),
            lambda: cold(file),
        )
        self.peak = max(self.peak, peak)
        yield Row(
            "one 4 GiB file, cold, against cat",
            f"{mine:.2f} s",
            f"{theirs:.2f} s",
            f"{ratio:.2f} x",
            "<= 1.03 x",
            ratio <= 1.03,
        )

    def small(self) -> Iterator[Row]:
        folder = self.small_files()
        warm(folder)
        ours = [*VERIFIER, "manifest", str(folder), "--out", self.out()]
        plain = f"find '{folder}' -type f -print0 | xargs -0 -n 500 -P {CORES} cat > /dev/null"
        mine, theirs, ratio, peak = pairs(
            self.rounds, lambda: run(ours), lambda: run(["sh", "-c", plain])
        )
        self.peak = max(self.peak, peak)
        yield Row(
            "200,000 small files, warm, into a manifest, against cat",
            f"{mine:.2f} s",
            f"{theirs:.2f} s",
            f"{ratio:.2f} x",
            "<= 1.0 x",
            ratio <= 1.0,
        )

    def ledger(self) -> Iterator[Row]:
        """A first shift over the small files and their mirror: walked, read, judged, agreed."""
        source, mirror = self.small_files(), self.folder / "small-mirror"
        if not mirror.exists():
            shutil.copytree(source, mirror)
        warm(source, mirror)
        file, ledger = self.folder / "settings.toml", self.folder / "ledger.db"
        file.write_text(SETTINGS.format(ledger=ledger, source=source, mirror=mirror))
        plain = (
            f"find '{source}' '{mirror}' -type f -print0 | "
            f"xargs -0 -n 500 -P {CORES} cat > /dev/null"
        )

        def begin_anew() -> None:
            """Both read from memory: systems take pages back that nobody reads for minutes, and
            what a shift reads it does not leave there."""
            for left in self.folder.glob("ledger.db*"):
                left.unlink()
            warm(source, mirror)

        mine, theirs, ratio, peak = pairs(
            self.rounds,
            lambda: run([*VERIFIER, "--config", str(file), "shift"]),
            lambda: run(["sh", "-c", plain]),
            begin_anew,
        )
        self.peak = max(self.peak, peak)
        yield Row(
            "2 x 200,000 small files, warm, a first shift into a ledger, against cat",
            f"{mine:.2f} s",
            f"{theirs:.2f} s",
            f"{ratio:.2f} x",
            "<= 1.0 x",
            ratio <= 1.0,
        )

    def walk(self) -> Iterator[Row]:
        folder = self.small_files()
        plain = f"find '{folder}' -printf '%s %T@ %p\\n' > /dev/null"
        ours = [sys.executable, "-c", WALK, str(folder)]
        run(["sh", "-c", plain])
        mine, theirs, ratio, peak = pairs(
            self.rounds, lambda: run(ours), lambda: run(["sh", "-c", plain])
        )
        self.peak = max(self.peak, peak)
        yield Row(
            "walk of the same tree with sizes and dates, against find",
            f"{mine:.2f} s",
            f"{theirs:.2f} s",
            f"{ratio:.2f} x",
            "<= 2.0 x",
            ratio <= 2.0,
        )

    def manifests_compared(self) -> Iterator[Row]:
        million = self.compared(1_000_000)
        yield Row(
            "compare two manifests of a million entries",
            f"{million.seconds:.1f} s",
            "",
            f"{million.peak_mb:.0f} MB",
            "<= 8 s, <= 200 MB",
            million.seconds <= 8 and million.peak_mb <= 200,
        )
        if self.ten_million:
            many = self.compared(10_000_000)
            ratio = many.seconds / million.seconds
            yield Row(
                "the same with ten million",
                f"{many.seconds:.1f} s",
                f"{million.seconds:.1f} s",
                f"{ratio:.1f} x, {many.peak_mb:.0f} MB",
                "<= 11 x, <= 200 MB",
                ratio <= 11 and many.peak_mb <= 200,
            )

    def compared(self, entries: int) -> Run:
        source, mirror = self.manifests(entries)
        runs = [
            run([*VERIFIER, "compare", str(source), str(mirror), "--json"])
            for _ in range(self.rounds if entries <= 1_000_000 else 1)
        ]
        return sorted(runs, key=lambda each: each.seconds)[len(runs) // 2]

    def help(self) -> Iterator[Row]:
        mine, theirs, ratio, _ = pairs(
            10,
            lambda: run([str(Path(sys.executable).with_name("verifier")), "--help"]),
            lambda: run([sys.executable, "-c", "import click"]),
        )
        yield Row(
            "verifier --help, against importing click",
            f"{mine * 1000:.0f} ms",
            f"{theirs * 1000:.0f} ms",
            f"{ratio:.2f} x",
            "<= 2.5 x",
            ratio <= 2.5,
        )

    def memory(self) -> Iterator[Row]:
        yield Row(
            "peak memory of any process in the runs above",
            f"{self.peak:.0f} MB",
            "",
            "",
            "<= 200 MB",
            self.peak <= 200,
        )


def main() -> None:
    """Run the measures that were asked for and print them as a table."""
    names = [
        "hashing",
        "cold_file",
        "small",
        "ledger",
        "walk",
        "manifests_compared",
        "help",
        "memory",
    ]
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--only", choices=names, action="append")
    parser.add_argument("--folder", type=Path)
    parser.add_argument("--rounds", type=int, default=5)
    parser.add_argument("--ten-million", action="store_true")
    parser.add_argument("--json", action="store_true")
    wanted = parser.parse_args()
    folder = wanted.folder or Path(tempfile.mkdtemp(prefix="verifier-benchmarks-"))
    folder.mkdir(parents=True, exist_ok=True)
    benchmarks = Benchmarks(folder, wanted.rounds, wanted.ten_million)
    try:
        for name in wanted.only or names:
            for row in getattr(benchmarks, name)():
                if wanted.json:
                    print(json.dumps(vars(row)), flush=True)
                    continue
                print(
                    f"{row.name:<62}{row.ours:>10}{row.baseline:>10}  {row.figure:<24}"
                    f"{row.target:<20}{'reached' if row.reached else 'NOT REACHED'}",
                    flush=True,
                )
    finally:
        if wanted.folder is None:
            shutil.rmtree(folder)


if __name__ == "__main__":
    main()
