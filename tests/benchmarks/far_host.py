"""Measures how long a far host's tree takes to list over a slow link, against listing it here.

    python tests/benchmarks/far_host.py [--files N] [--delay MS] [--rounds N] [--folder DIR]

A real sshd runs in a network namespace; what goes either way takes MS milliseconds (10 unless
given, so that a round trip takes 20), by tc netem.  Where the kernel has no netem, a relay in this
process holds back what passes by as much; it takes a share of the two processors that netem would
not.  Listing is the walk of `shift` and `compare` with sizes and dates, as whole processes, the
login and the start of the far end included.  For root only, since it makes a network namespace.
"""

from __future__ import annotations

import argparse
import os
import shutil
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parent.parent))

from far_host import FarHost

NAMESPACE = f"verifier-bench-{os.getpid()}"
NEAR, FAR = "10.213.77.1", "10.213.77.2"
PER_FOLDER = 500
ROUND_TRIPS = 10
"""What is wanted: twice the time of listing it here, and so many round trips."""

LIST = """
import sys
from pathlib import Path
from verifier import system
from verifier.places.addresses import parse_address
from verifier.places.opening import open_place
from verifier.walker import walk_dated
system.suit_interpreter_to_streams()
place = open_place(parse_address(sys.argv[1], Path()))
print(sum(1 for sighting in walk_dated(place)))
"""


def main() -> int:
    """Print the figures; 1 when it takes longer than wanted."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--files", type=int, default=200_000)
    parser.add_argument("--delay", type=float, default=10.0, metavar="MS")
    parser.add_argument("--rounds", type=int, default=5)
    parser.add_argument("--folder", type=Path)
    wanted = parser.parse_args()
    folder = wanted.folder or Path(tempfile.mkdtemp(prefix="verifier-far-"))
    folder.mkdir(exist_ok=True)
    delay = wanted.delay / 1000
    try:
        with namespace() as ends, slow(ends, delay) as relayed:
            host = FarHost(
                folder,
                FAR,
                ("ip", "netns", "exec", NAMESPACE),
                delay=delay if relayed else 0.0,
            )
            with host:
                name = "cut.example" if relayed else "vault.example"
                return measure(host, name, wanted.files, 2 * delay, wanted.rounds)
    finally:
        if wanted.folder is None:
            shutil.rmtree(folder)


def measure(host: FarHost, name: str, files: int, round_trip: float, rounds: int) -> int:
    """List it here and there in turn."""
    tree = host.served / "current-surveys"
    if not tree.exists():
        make(tree, files)
    here: list[float] = []
    there: list[float] = []
    before = host.way.bytes
    for _ in range(rounds):
        here.append(listing(str(tree), files, host))
        there.append(listing(host.address(tree, name), files, host))
    local, far = statistics.median(here), statistics.median(there)
    bound = 2 * local + ROUND_TRIPS * round_trip
    empty = host.served / "empty"
    (empty / "flights").mkdir(parents=True, exist_ok=True)
    start = statistics.median(listing(host.address(empty, name), 0, host) for _ in range(rounds))
    print(f"files                     {files:,}")
    print(f"a round trip              {round_trip * 1000:.0f} ms")
    print(f"listed here               {local:.2f} s ({spread(here)})")
    print(f"listed over the link      {far:.2f} s ({spread(there)})")
    print(f"  of it login and start   {start:.2f} s (an empty tree over the link)")
    print(f"2 x here + {ROUND_TRIPS} round trips {bound:.2f} s")
    if name == "cut.example":
        passed = (host.way.bytes - before) / (rounds * max(1, files))
        print(f"over the link             {passed:.0f} bytes a file, keys and all")
    print("reached" if far <= bound else "NOT REACHED")
    return 0 if far <= bound else 1


def listing(place: str, files: int, host: FarHost) -> float:
    """Seconds in which a process of its own lists a place."""
    started = time.perf_counter()
    run = subprocess.run(
        [sys.executable, "-c", LIST, place],
        env={**os.environ, **host.environment},
        stdout=subprocess.PIPE,
        check=True,
    )
    seconds = time.perf_counter() - started
    assert int(run.stdout) == files, run.stdout
    return seconds


def spread(seconds: list[float]) -> str:
    return f"{min(seconds):.2f} to {max(seconds):.2f}"


def make(tree: Path, files: int) -> None:
    """Empty files, in folders of some hundreds: only their names and dates are looked at."""
    for number in range(files):
        folder = tree / f"2026-014-harbour-wall/flights/{number // PER_FOLDER:04}"
        if number % PER_FOLDER == 0:
            folder.mkdir(parents=True)
        os.close(os.open(folder / f"DJI_{number:06}.jpg", os.O_CREAT | os.O_WRONLY, 0o644))


@contextmanager
def namespace() -> Iterator[tuple[str, str]]:
    """A network of its own, and the names of the two ends of the link to it."""
    near, far = f"vn{os.getpid() % 100_000}", f"vf{os.getpid() % 100_000}"
    ip("netns", "add", NAMESPACE)
    try:
        ip("link", "add", near, "type", "veth", "peer", "name", far, "netns", NAMESPACE)
        ip("addr", "add", f"{NEAR}/30", "dev", near)
        ip("link", "set", near, "up")
        ip("-n", NAMESPACE, "addr", "add", f"{FAR}/30", "dev", far)
        ip("-n", NAMESPACE, "link", "set", far, "up")
        ip("-n", NAMESPACE, "link", "set", "lo", "up")
        yield near, far
    finally:
        ip("netns", "del", NAMESPACE)


@contextmanager
def slow(ends: tuple[str, str], delay: float) -> Iterator[bool]:
    """Both ends of the link give what they send so much later.  True where a relay has to do it."""
    near, far = ends
    by = ["root", "netem", "delay", f"{delay * 1000:g}ms", "limit", "100000"]
    for before, end in (([], near), (["ip", "netns", "exec", NAMESPACE], far)):
        done = subprocess.run(
            [*before, "tc", "qdisc", "add", "dev", end, *by], capture_output=True, text=True
        )
        if done.returncode:
            print(f"no netem here ({done.stderr.strip()}): a relay delays what passes")
            yield True
            return
    yield False


def ip(*arguments: str) -> None:
    subprocess.run(["ip", *arguments], check=True)


if __name__ == "__main__":
    sys.exit(main())
