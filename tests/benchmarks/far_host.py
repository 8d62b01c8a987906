"""Listing a tree on a far host over a slow link, against listing it here.

    python tests/benchmarks/far_host.py [--files N] [--delay SECONDS] [--rounds N] [--folder DIR]

A real sshd on loopback, behind a relay that holds every byte back for half the delay in either
direction; it stands in for the kernel's own delays (netem), which not every kernel has.  Listing is
to take at most twice the time that it takes here, and ten round trips.
"""

from __future__ import annotations

import argparse
import os
import queue
import shutil
import socket
import sys
import tempfile
import threading
import time
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1]))
sys.path.insert(0, str(Path(__file__).parents[2]))

from far_host import FarHost, Way
from faults.test_memory import small_files

from verifier.ignore import Ignore
from verifier.places.addresses import parse_address
from verifier.places.base import Place
from verifier.places.far.place import FarPlace
from verifier.places.folder import FolderPlace
from verifier.walker import walk_dated

ROUND_TRIPS = 10


class SlowWay(Way):
    """A way on which every byte takes half of ``delay`` seconds, however many are on it."""

    def __init__(self, to: int, delay: float) -> None:
        self._delay = delay
        super().__init__(to)

    def _carry(self, source: socket.socket, goal: socket.socket) -> None:
        on_the_way: queue.SimpleQueue[tuple[float, bytes]] = queue.SimpleQueue()

        def arrive() -> None:
            while True:
                due, block = on_the_way.get()
                time.sleep(max(0.0, due - time.monotonic()))
                if not block:
                    break
                with suppress(OSError):
                    goal.sendall(block)
            with suppress(OSError):
                goal.shutdown(socket.SHUT_WR)

        arriving = threading.Thread(target=arrive, daemon=True)
        arriving.start()
        with suppress(OSError):
            while block := source.recv(1 << 20):
                self.bytes += len(block)
                on_the_way.put((time.monotonic() + self._delay / 2, block))
        on_the_way.put((time.monotonic() + self._delay / 2, b""))
        arriving.join()


def seconds(work: Callable[[], object]) -> float:
    started = time.perf_counter()
    work()
    return time.perf_counter() - started


def listed(place: Place) -> int:
    return sum(1 for _ in walk_dated(place, Ignore()))


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--files", type=int, default=200_000)
    parser.add_argument("--delay", type=float, default=0.02)
    parser.add_argument("--rounds", type=int, default=5)
    parser.add_argument("--folder", type=Path)
    wanted = parser.parse_args()
    folder = Path(tempfile.mkdtemp(prefix="verifier-far-", dir=wanted.folder))
    try:
        with FarHost(folder / "far") as host:
            tree = host.served / "current-surveys"
            for number in range(20):
                small_files(tree / f"flights-{number:02}", wanted.files // 20)
            reached = measured(host, tree, wanted.delay, wanted.rounds)
    finally:
        shutil.rmtree(folder)
    sys.exit(not reached)


def measured(host: FarHost, tree: Path, delay: float, rounds: int) -> bool:
    """Print both times; whether the bound was kept in the better half of the rounds."""
    os.environ.update(host.environment)
    slow = SlowWay(host.port, delay)
    config = host.folder / "ssh_config"
    config.write_text(config.read_text().replace(f"Port {host.way.port}", f"Port {slow.port}"))
    known = host.folder / "known"
    known.write_text(
        known.read_text() + known.read_text().replace(str(host.way.port), str(slow.port))
    )
    near = FolderPlace.at_path(tree)
    far = FarPlace(parse_address(host.address(tree, "cut.example"), Path("/")))
    connecting = seconds(far.check)
    assert listed(near) == listed(far), "both see the same"
    heres, theres = [], []
    for _ in range(rounds):
        heres.append(seconds(lambda: listed(near)))
        before = slow.bytes
        theres.append(seconds(lambda: listed(far)))
        passed = slow.bytes - before
    files = listed(near)
    here, there = sorted(heres)[rounds // 2], sorted(theres)[rounds // 2]
    bound = 2 * here + ROUND_TRIPS * delay
    print(f"{files:,} files, {delay * 1000:.0f} ms a round trip, medians of {rounds}")
    print(f"here {here:.2f} s, there {there:.2f} s, ratio {there / here:.2f}; bound {bound:.2f} s")
    print(f"{passed / files:.0f} bytes a file; logging in and starting {connecting:.2f} s")
    far.close()
    slow.close()
    return there <= bound


if __name__ == "__main__":
    main()
