"""Workers of a real scheduler read as this machine's own readers do, whatever happens to them."""

from __future__ import annotations

import os
import shutil
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from concurrent.futures import Future
from functools import partial
from pathlib import Path

import pytest
from program.running import wait_until
from trees import Tree, content, lantern_marsh

from cluster.machines import Machines, needs_dask, sees
from verifier.engine import BellRang, Engine
from verifier.errors import ClusterUnready, PlaceUnreachable, ReadersLost, Stopped
from verifier.model import Sighting
from verifier.pace import Pace
from verifier.places.base import Look
from verifier.places.folder import FolderPlace
from verifier.reading import read_alone_packed, read_tree, sighting_from

pytestmark = needs_dask

MEGABYTE = 1_000_000
WAIT = 60.0
SLOWLY = Pace(4 * MEGABYTE)
NOT_AT_ONCE = Pace(12 * MEGABYTE)
"""At which the surveys take some three seconds."""
NOON = partial(float, 1795557600)
"""The time, for readers in other processes too."""


def cluster_engine(address: str, pace: Pace = Pace(), **how: float):  # noqa: B008
    from verifier.cluster.engine import ClusterEngine

    return ClusterEngine(address, [None], pace=pace, **how)


@pytest.fixture(scope="module")
def machines(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Machines]:
    """A scheduler with two workers."""
    with Machines(tmp_path_factory.mktemp("machines")) as running:
        running.start_worker("harbour")
        running.start_worker("quay", threads=2)
        yield running


@pytest.fixture(scope="module")
def alone(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Machines]:
    """A scheduler to which each test brings its own workers."""
    with Machines(tmp_path_factory.mktemp("alone")) as running:
        yield running


@pytest.fixture
def surveys(tmp_path: Path) -> Tree:
    """Many small files, large ones, links, several names of one file, what cannot be read."""
    tree = lantern_marsh(tmp_path / "bench")
    tree.files(*(f"flights/{number:03}.jpg" for number in range(600)), size=20_000)
    tree.files("north.laz", "south.laz", size=9 * MEGABYTE)
    return tree.hard_link("orthos/north again.laz", "north.laz").fifo("pipe")


def place_of(tree: Tree) -> FolderPlace:
    return FolderPlace.at_path(tree.root)


def read(engine, tree: Tree) -> list[Sighting]:
    return list(read_tree(place_of(tree), engine.lanes[0], Look(), None, NOON))


def read_here(tree: Tree) -> list[Sighting]:
    with Engine([None]) as engine:
        return read(engine, tree)


def read_long(engine, tree: Tree, path: str) -> Future[bytes]:
    return engine.lanes[0].submit(
        0, read_alone_packed, place_of(tree), os.fsencode(path), Look(), NOON, long=True
    )


def test_all_workers_read_and_see_what_this_machine_sees(machines, surveys):
    before = {name: machines.read_by(name) for name in ("harbour", "quay")}
    with cluster_engine(machines.address) as engine:
        assert engine.width == 3
        assert read(engine, surveys) == read_here(surveys)
        # Every byte is counted as it is here: once, whatever its names.
        assert engine.lanes[0].bytes_read == sum(
            {each.inode: each.size for each in read_here(surveys) if each.digest}.values()
        )
    for name, count in before.items():
        assert machines.read_by(name) - count > MEGABYTE


# Fails when a batch without an answer is not given to another worker: `allowed-failures` 0.
def test_what_a_lost_worker_had_in_hand_is_read_by_another(machines, alone, surveys):
    alone.start_worker("harbour")
    alone.start_worker("quay")
    try:
        with cluster_engine(alone.address, NOT_AT_ONCE) as engine:
            lane = engine.lanes[0]
            found: list[Sighting] = []
            sightings = read_tree(place_of(surveys), lane, Look(), None, NOON)
            wait_until(lambda: lane.bytes_read > 2 * MEGABYTE, WAIT, "a beginning")
            assert alone.read_by("quay") > MEGABYTE
            alone.kill("quay")
            found.extend(sightings)
        assert found == read_here(surveys)
    finally:
        alone.kill("harbour")


def test_without_any_worker_left_it_is_given_up(alone, surveys):
    alone.start_worker("harbour")
    with (
        pytest.raises(ReadersLost, match="was lost while it read"),
        cluster_engine(alone.address, SLOWLY, nobody_for=2.0) as engine,
    ):
        reading = read_long(engine, surveys, "north.laz")
        wait_until(lambda: engine.lanes[0].bytes_read > 0, WAIT, "a beginning")
        alone.kill("harbour")
        reading.result(WAIT)


def test_a_scheduler_that_goes_away_ends_the_reading(tmp_path, surveys):
    with Machines(tmp_path) as machines:
        machines.start_worker("harbour")
        with (
            pytest.raises(ReadersLost, match="was lost while it read"),
            cluster_engine(machines.address, SLOWLY) as engine,
        ):
            reading = read_long(engine, surveys, "north.laz")
            wait_until(lambda: engine.lanes[0].bytes_read > 0, WAIT, "a beginning")
            machines.kill("scheduler")
            reading.result(WAIT)


# -------------------------------------------------------------------------- another tree


# Fails when `alike._same` looks at sizes and dates only: a good mirror has the same ones.
@pytest.mark.root
def test_a_worker_that_sees_another_tree_is_told_before_anything_is_read(alone, surveys, tmp_path):
    mirror = surveys.copy_to(tmp_path / "vault")
    with (
        alone.worker("harbour"),
        alone.worker("quay", before=sees(mirror.root, surveys.root)),
        cluster_engine(alone.address) as engine,
    ):
        with pytest.raises(PlaceUnreachable, match=r"sees another tree at .*/bench.* such as "):
            read(engine, surveys)
        with pytest.raises(PlaceUnreachable, match="sees another tree"):
            engine.look_first(place_of(surveys))
        assert engine.lanes[0].bytes_read == 0
        # What all of them share is read all the same.
        other = Tree(tmp_path / "delivered").files("1.jpg", "2.jpg")
        assert read(engine, other) == read_here(other)


# Fails without the look at an unknown place in `worker.work`.
@pytest.mark.root
def test_a_worker_that_comes_later_reads_no_other_tree(alone, surveys, tmp_path):
    mirror = surveys.copy_to(tmp_path / "vault")
    with alone.worker("harbour"), cluster_engine(alone.address, NOT_AT_ONCE) as engine:
        sightings = read_tree(place_of(surveys), engine.lanes[0], Look(), None, NOON)
        with (
            alone.worker("quay", before=sees(mirror.root, surveys.root)),
            pytest.raises(PlaceUnreachable, match=r"quay.* sees another tree"),
        ):
            list(sightings)
        engine.stop()


def test_a_worker_that_comes_later_takes_part(alone, surveys):
    with alone.worker("harbour"), cluster_engine(alone.address, NOT_AT_ONCE) as engine:
        sightings = read_tree(place_of(surveys), engine.lanes[0], Look(), None, NOON)
        with alone.worker("quay"):
            before = alone.read_by("quay")
            assert list(sightings) == read_here(surveys)
            assert alone.read_by("quay") - before > MEGABYTE
            assert engine.width == 2


@pytest.mark.root
def test_a_worker_without_the_folder_is_told_of(alone, surveys, tmp_path):
    (tmp_path / "empty").mkdir()
    above = surveys.root.parent
    with (
        alone.worker("harbour", before=sees(tmp_path / "empty", above)),
        cluster_engine(alone.address) as engine,
        pytest.raises(PlaceUnreachable) as caught,
    ):
        read(engine, surveys)
    who, _, said = str(caught.value).partition(" finds that ")
    assert who.startswith("The worker harbour (")
    assert said == (
        f"{surveys.root} cannot be read as a folder (No such file or directory). Mount the same "
        "tree at the same path on every worker, in the way in which it is mounted on this machine, "
        "then start again."
    )


def test_a_tree_that_is_worked_on_is_no_other_tree(machines, surveys):
    place = place_of(surveys)
    with cluster_engine(machines.address) as engine:
        for number in range(5):
            surveys.edit(f"flights/{number:03}.jpg")
            engine.look_first(place)
            assert (
                engine.lanes[0]
                .submit(0, read_alone_packed, place, b"flights/300.jpg", Look(), NOON)
                .result(WAIT)
            )


# ----------------------------------------------------------------- the bell, a hold, a stop


def test_at_the_bell_workers_end_what_they_read(machines, surveys):
    with cluster_engine(machines.address, SLOWLY) as engine:
        reading = read_long(engine, surveys, "north.laz")
        wait_until(lambda: engine.lanes[0].bytes_read > 0, WAIT, "a beginning")
        engine.ring_at(time.time() + 0.5)
        with pytest.raises(BellRang):
            reading.result(WAIT)
        with pytest.raises(BellRang):
            read_long(engine, surveys, "north.laz").result(WAIT)
        assert engine.lanes[0].bytes_read < 9 * MEGABYTE
        engine.ring_at(None)
        assert sighting_from(read_long(engine, surveys, "flights/000.jpg")).digest


def test_the_bell_travels_with_a_batch(machines, surveys):
    with cluster_engine(machines.address, Pace(MEGABYTE)) as engine:
        bell = time.time() + 1.0
        engine.ring_at(bell)
        with pytest.raises(BellRang):
            read_long(engine, surveys, "north.laz").result(WAIT)
        assert engine.lanes[0].bytes_read < 9 * MEGABYTE


def stands_still(count: Callable[[], int]) -> bool:
    """Whether a count is the same after a while in which a reading would have gone on."""
    before = count()
    time.sleep(0.5)
    return count() == before


def test_a_hold_reaches_what_is_being_read(machines, surveys):
    with cluster_engine(machines.address, Pace(2 * MEGABYTE)) as engine:
        reading = read_long(engine, surveys, "north.laz")
        wait_until(lambda: engine.lanes[0].bytes_read > 0, WAIT, "a beginning")
        engine.hold(True)
        wait_until(lambda: stands_still(lambda: machines_read(machines)), WAIT, "a hold")
        assert not reading.done()
        engine.stop()


def test_what_is_held_goes_on_afterwards(machines, surveys):
    with cluster_engine(machines.address) as engine:
        engine.hold(True)
        reading = read_long(engine, surveys, "north.laz")
        assert stands_still(lambda: engine.lanes[0].bytes_read)
        assert not reading.done()
        engine.hold(False)
        assert sighting_from(reading).digest


def machines_read(machines: Machines) -> int:
    # What messages alone bring is little beside half a second of reading.
    return sum(machines.read_by(name) for name in ("harbour", "quay")) // (200_000)


def test_a_stop_ends_what_is_being_read_and_what_waits(machines, surveys):
    engine = cluster_engine(machines.address, SLOWLY)
    readings = [read_long(engine, surveys, name) for name in ("north.laz", "south.laz") * 5]
    wait_until(lambda: engine.lanes[0].bytes_read > 0, WAIT, "a beginning")
    engine.stop()
    for each in readings:
        with pytest.raises(Stopped):
            each.result(WAIT)
    wait_until(lambda: stands_still(lambda: machines_read(machines)), WAIT, "an end")


CALLER = """
import sys, time
from pathlib import Path
from verifier.cluster.engine import ClusterEngine
from verifier.pace import Pace
from verifier.places.base import Look
from verifier.places.folder import FolderPlace
from verifier.reading import read_alone_packed
engine = ClusterEngine(sys.argv[1], [None], pace=Pace(1_000_000))
place = FolderPlace.at_path(Path(sys.argv[2]))
engine.lanes[0].submit(0, read_alone_packed, place, b"long.laz", Look(), time.time, long=True)
while not engine.lanes[0].bytes_read:
    time.sleep(0.01)
print("reading", flush=True)
time.sleep(600)
"""


# Fails when `TaskWatch.check` does not ask whether the batch is wanted.
def test_workers_stop_reading_for_a_caller_that_was_killed(machines, tmp_path):
    tree = Tree(tmp_path / "bench").file("long.laz", content("long", 40 * MEGABYTE))
    caller = subprocess.Popen(
        [sys.executable, "-c", CALLER, machines.address, tree.root], stdout=subprocess.PIPE
    )
    assert caller.stdout is not None
    assert caller.stdout.readline() == b"reading\n"
    caller.send_signal(signal.SIGKILL)
    caller.wait()
    caller.stdout.close()
    wait_until(lambda: stands_still(lambda: machines_read(machines)), WAIT / 2, "an end")


# ------------------------------------------------------------------------ not fit for it


def test_a_scheduler_that_does_not_answer_is_named():
    from verifier.cluster.connection import Connection

    with pytest.raises(ClusterUnready, match=r"tcp://127.0.0.1:9 does not answer .*Check that"):
        Connection("tcp://127.0.0.1:9", connect_within=1.0)


def test_a_scheduler_without_workers_is_of_no_use(alone):
    with pytest.raises(ClusterUnready, match=r"has no workers.*dask worker tcp://"):
        cluster_engine(alone.address)


def test_a_worker_without_this_version_is_named(alone, tmp_path):
    older = tmp_path / "older" / "verifier"
    older.mkdir(parents=True)
    (older / "__init__.py").write_text('__version__ = "0.0.1"\n')
    with (
        alone.worker("harbour", environment={"PYTHONPATH": str(older.parent)}),
        pytest.raises(ClusterUnready, match=r"The worker tcp://.* does not have this version"),
    ):
        cluster_engine(alone.address)
    shutil.rmtree(older)
