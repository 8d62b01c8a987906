"""Lanes hand tasks to readers in the right order, and never lose one without saying so."""

from __future__ import annotations

import os
import threading
import time
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import Future
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from verifier import system
from verifier.engine import HANDED_OVER, LONG_AT_ONCE, Engine, Lane, Watch
from verifier.errors import ReadersLost, RequestRefused, Stopped, VerifierError

WAIT = 20.0
"""Seconds after which an answer that should have come has not."""

often = settings(max_examples=150, deadline=None, database=None)


# ------------------------------------------------------------------------- a lane by itself


class Bench:
    """Readers that start a task at once and end it when the test says so."""

    def __init__(self, width: int) -> None:
        self.started: list[str] = []
        self.running: dict[str, Future[str]] = {}
        self.lane = Lane(self._start, width, lambda: 0)

    def _start(self, task: Callable[..., Any], arguments: Sequence[Any]) -> Future[Any]:
        [name] = arguments
        self.started.append(name)
        self.running[name] = Future()
        return self.running[name]

    def submit(self, rank: int, name: str, long: bool = False) -> Future[str]:
        return self.lane.submit(rank, str, name, long=long)

    def end(self, name: str) -> None:
        self.running.pop(name).set_result(name.upper())


def test_the_lowest_rank_starts_first_and_among_equals_the_one_sent_first():
    bench = Bench(width=1)
    for rank, name in ((0, "now"), (5, "soon"), (3, "c"), (3, "d"), (1, "a"), (2, "b"), (4, "e")):
        bench.submit(rank, name)
    for name in ("now", "soon", "a", "b", "c", "d", "e"):
        bench.end(name)
    assert bench.started == ["now", "soon", "a", "b", "c", "d", "e"]


def test_long_and_short_tasks_go_by_rank_alike_while_there_is_room_for_both():
    bench = Bench(width=1)
    for rank, name in (
        (0, "now"),
        (0, "soon"),
        (3, "short"),
        (1, "long"),
        (2, "short too"),
        (4, "long too"),
    ):
        bench.submit(rank, name, long=name.startswith("long"))
    for name in ("now", "soon", "long", "short too", "short", "long too"):
        bench.end(name)
    assert bench.started == ["now", "soon", "long", "short too", "short", "long too"]


def test_twice_as_many_tasks_are_handed_over_as_the_lane_is_wide():
    bench = Bench(width=3)
    for number in range(8):
        bench.submit(number, str(number))
    assert list(bench.running) == ["0", "1", "2", "3", "4", "5"]
    bench.end("1")
    assert list(bench.running) == ["0", "2", "3", "4", "5", "6"]


def test_long_tasks_are_limited_and_short_ones_pass_those_that_wait():
    bench = Bench(width=6)
    for number in range(6):
        bench.submit(0, f"long {number}", long=True)
    assert len(bench.running) == LONG_AT_ONCE
    bench.submit(9, "short")
    assert "short" in bench.running
    bench.end("short")
    assert len(bench.running) == LONG_AT_ONCE
    bench.end("long 0")
    assert "long 4" in bench.running


def test_a_narrow_lane_runs_no_more_long_tasks_than_it_is_wide():
    bench = Bench(width=2)
    for number in range(4):
        bench.submit(0, f"long {number}", long=True)
    assert len(bench.running) == 2


steps = st.lists(
    st.one_of(st.tuples(st.integers(0, 4), st.booleans()), st.integers(0, 20)), max_size=60
)


@often
@given(st.integers(1, 7), steps)
def test_width_and_rank_hold_whatever_comes_and_goes(width, steps):
    bench = Bench(width)
    sent: dict[str, tuple[int, int, bool]] = {}
    promises: dict[str, Future[str]] = {}
    long_width = min(width, LONG_AT_ONCE)

    def check_nothing_waits_that_could_run() -> None:
        long_running = sum(sent[name][2] for name in bench.running)
        assert len(bench.running) <= HANDED_OVER * width
        assert long_running <= long_width
        waiting = [name for name in sent if name not in bench.started]
        if len(bench.running) < HANDED_OVER * width:
            assert not [name for name in waiting if not sent[name][2]]
            assert long_running == long_width or not waiting

    for step in steps:
        before = len(bench.started)
        free_long = sum(sent[name][2] for name in bench.running) < long_width
        if isinstance(step, tuple):
            rank, long = step
            name = str(len(sent))
            sent[name] = (rank, len(sent), long)
            promises[name] = bench.submit(rank, name, long)
        elif bench.running:
            name = list(bench.running)[step % len(bench.running)]
            free_long = free_long or sent[name][2]
            bench.end(name)
        check_nothing_waits_that_could_run()
        for started in bench.started[before:]:
            waiting = [
                sent[name]
                for name in sent
                if name not in bench.started and (free_long or not sent[name][2])
            ]
            assert all(sent[started][:2] < other[:2] for other in waiting)
    while bench.running:
        bench.end(next(iter(bench.running)))
        check_nothing_waits_that_could_run()
    assert {name: promise.result(0) for name, promise in promises.items()} == {
        name: name.upper() for name in sent
    }


def test_an_error_at_the_start_of_a_task_travels_and_gives_its_room_back():
    def start(task: Callable[..., Any], arguments: Sequence[Any]) -> Future[Any]:
        raise Stopped("Stopped before the work was done.")

    lane = Lane(start, 1, lambda: 0)
    for _ in range(3):
        with pytest.raises(Stopped):
            lane.submit(0, str).result(0)


def test_a_task_that_was_cancelled_is_stopped():
    bench = Bench(width=1)
    promise = bench.submit(0, "a")
    waiting = bench.submit(0, "b")
    bench.running["a"].cancel()
    with pytest.raises(Stopped):
        promise.result(0)
    bench.end("b")
    assert waiting.result(0) == "B"


# --------------------------------------------------------------------------- tasks for readers


def doubled(number: int, watch: Watch) -> int:
    watch.has_read(number)
    return 2 * number


def own_process(watch: Watch) -> int:
    return os.getpid()


def refused(sentence: str, watch: Watch) -> None:
    raise RequestRefused(sentence)


def dies(watch: Watch) -> None:
    os._exit(7)


def reads_on(started: Path, watch: Watch) -> None:
    """A long reading that looks at its watch, as readers do after every block."""
    os.close(os.open(started, os.O_WRONLY))
    while True:
        watch.check()


def is_held_fast(started: Path, silent: Path, watch: Watch) -> None:
    """A reading that the system never lets go, as that of a dead server."""
    os.close(os.open(started, os.O_WRONLY))
    os.open(silent, os.O_RDONLY)


def meets(other: Path, own: Path, watch: Watch) -> bool:
    """Ends only if another task runs at the same time, which opens the pipes' other ends."""
    os.close(os.open(own, os.O_WRONLY))
    os.close(os.open(other, os.O_RDONLY))
    return watch.crowded()


def is_crowded(watch: Watch) -> bool:
    return watch.crowded()


def pipe(path: Path) -> Path:
    os.mkfifo(path)
    return path


@pytest.fixture
def two() -> Iterator[Engine]:
    """An engine with a lane of two readers and a lane of one."""
    with Engine([2, 1]) as engine:
        yield engine


def test_an_inline_engine_runs_each_task_before_submit_returns():
    with Engine([2], inline=True) as engine:
        [lane] = engine.lanes
        promise = lane.submit(0, doubled, 21)
        assert promise.done()
        assert promise.result() == 42
        assert lane.submit(0, own_process).result() == os.getpid()
        assert lane.bytes_read == 21


def test_tasks_run_in_processes_and_their_answers_come_back(two):
    promises = [two.lanes[0].submit(0, doubled, number) for number in range(100)]
    assert [promise.result(WAIT) for promise in promises] == [2 * number for number in range(100)]
    assert two.lanes[0].submit(0, own_process).result(WAIT) != os.getpid()


def test_bytes_are_counted_by_lane(two):
    before = [lane.bytes_read for lane in two.lanes]
    for lane, counts in zip(two.lanes, ((1, 2, 3), (10, 20)), strict=True):
        for each in [lane.submit(0, doubled, number) for number in counts]:
            each.result(WAIT)
    assert [lane.bytes_read for lane in two.lanes] == [before[0] + 6, before[1] + 30]


def test_two_tasks_of_one_lane_run_at_the_same_time(two, tmp_path):
    one, other = pipe(tmp_path / "one"), pipe(tmp_path / "other")
    # Each opens one pipe for writing and the other for reading, in turn: alone, it would block.
    first = two.lanes[0].submit(0, meets, one, other)
    second = two.lanes[0].submit(0, opposite, one, other)
    assert isinstance(first.result(WAIT), bool)
    assert isinstance(second.result(WAIT), bool)


def opposite(one: Path, other: Path, watch: Watch) -> bool:
    os.close(os.open(other, os.O_RDONLY))
    os.close(os.open(one, os.O_WRONLY))
    return watch.crowded()


def test_a_single_reader_is_alone_unless_there_is_but_one_core(two):
    assert two.lanes[1].submit(0, is_crowded).result(WAIT) == (system.cores() == 1)


@pytest.mark.parametrize("inline", [True, False])
def test_an_error_in_a_task_travels_to_the_caller_and_the_lane_goes_on(two, inline):
    engine = Engine([1], inline=True) if inline else two
    with pytest.raises(RequestRefused, match="no such survey"):
        engine.lanes[0].submit(0, refused, "no such survey").result(WAIT)
    assert engine.lanes[0].submit(0, doubled, 3).result(WAIT) == 6


def test_a_reader_that_dies_is_lost_and_so_is_all_that_waited():
    with Engine([2]) as engine:
        [lane] = engine.lanes
        promises = [lane.submit(0, dies), *(lane.submit(1, dies) for _ in range(20))]
        for promise in promises:
            with pytest.raises(ReadersLost, match="ended without an answer"):
                promise.result(WAIT)
        with pytest.raises(ReadersLost):
            lane.submit(0, doubled, 1).result(WAIT)


# ------------------------------------------------------------------------------------ stopping


def wait_for(started: Path) -> None:
    """Until the task that was given this pipe runs."""
    with open(started, "rb") as file:
        file.read()


def stopped_in(engine: Engine) -> float:
    begun = time.monotonic()
    engine.stop()
    return time.monotonic() - begun


@pytest.mark.parametrize("held_fast", [False, True])
def test_stopping_ends_a_long_task_within_a_second(tmp_path, held_fast):
    started, silent = pipe(tmp_path / "started"), pipe(tmp_path / "silent")
    engine = Engine([1])
    [lane] = engine.lanes
    if held_fast:
        under_way = lane.submit(0, is_held_fast, started, silent, long=True)
    else:
        under_way = lane.submit(0, reads_on, started, long=True)
    waiting = [lane.submit(1, doubled, number) for number in range(10)]
    wait_for(started)
    assert stopped_in(engine) < 1.0
    for promise in (under_way, *waiting):
        with pytest.raises((Stopped, ReadersLost)):
            promise.result(WAIT)
    with pytest.raises(VerifierError):
        lane.submit(0, doubled, 1).result(WAIT)


def test_tasks_that_wait_when_work_is_stopped_never_start(tmp_path):
    started, mark = pipe(tmp_path / "started"), tmp_path / "mark"
    engine = Engine([1])
    [lane] = engine.lanes
    lane.submit(0, reads_on, started, long=True)
    waiting = [lane.submit(1, leaves_a_mark, mark) for _ in range(5)]
    wait_for(started)
    engine.stop()
    for promise in waiting:
        with pytest.raises(VerifierError):
            promise.result(WAIT)
    assert not mark.exists()


def leaves_a_mark(mark: Path, watch: Watch) -> None:
    mark.touch()


def test_an_error_in_the_block_stops_the_readers(tmp_path):
    started = pipe(tmp_path / "started")
    with pytest.raises(RuntimeError, match="a bug"), Engine([1]) as engine:
        under_way = engine.lanes[0].submit(0, reads_on, started, long=True)
        wait_for(started)
        raise RuntimeError("a bug")
    with pytest.raises(VerifierError):
        under_way.result(WAIT)


def test_without_an_error_the_readers_finish_what_they_have_begun():
    with Engine([2]) as engine:
        promises = [engine.lanes[0].submit(0, doubled, number) for number in (1, 2)]
    assert [promise.result(0) for promise in promises] == [2, 4]


def test_stopping_leaves_neither_a_process_nor_a_thread(tmp_path):
    started = pipe(tmp_path / "started")
    threads = set(threading.enumerate())
    engine = Engine([2])
    reader = engine.lanes[0].submit(0, own_process).result(WAIT)
    engine.lanes[0].submit(0, reads_on, started, long=True)
    wait_for(started)
    engine.stop()
    for thread in set(threading.enumerate()) - threads:
        thread.join(WAIT)
        assert not thread.is_alive()
    with pytest.raises(ProcessLookupError):
        os.kill(reader, 0)


def test_stopping_twice_or_with_nothing_under_way_does_no_harm():
    engine = Engine([1])
    engine.stop()
    engine.stop()
    inline = Engine([1], inline=True)
    inline.stop()


def test_stopping_leaves_processes_alone_that_are_not_its_own():
    with Engine([1]) as other:
        bystander = other.lanes[0].submit(0, own_process).result(WAIT)
        Engine([1]).stop()
        assert other.lanes[0].submit(0, own_process).result(WAIT) == bystander
