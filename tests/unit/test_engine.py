"""Lanes hand tasks to readers in the right order, and never lose one without saying so."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import Future, ProcessPoolExecutor
from functools import partial
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from verifier import system
from verifier.engine import (
    AS_FAST_AS_CAN_BE,
    HANDED_OVER,
    LONG_AT_ONCE,
    BellRang,
    Clock,
    Engine,
    Lane,
    Watch,
)
from verifier.errors import ReadersLost, RequestRefused, Stopped, VerifierError
from verifier.pace import Pace

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
    assert_gone([reader], threads)


@pytest.mark.skipif(not hasattr(signal, "pthread_sigmask"), reason="signals are not held here")
def test_an_interrupt_while_the_readers_start_leaves_none(monkeypatch):
    hand_over, readers = ProcessPoolExecutor.submit, []

    def is_interrupted(pool, task):
        hand_over(pool, task)
        readers.extend(pool._processes)
        signal.raise_signal(signal.SIGINT)

    threads = set(threading.enumerate())
    monkeypatch.setattr(ProcessPoolExecutor, "submit", is_interrupted)
    with pytest.raises(KeyboardInterrupt):
        Engine([2])
    assert len(readers) == 2
    assert_gone(readers, threads)


def assert_gone(readers: list[int], threads: set[threading.Thread]) -> None:
    """Neither processes nor threads are left but ``threads``.

    The system is asked: the library takes a process for alive that another thread waited for.
    """
    for thread in set(threading.enumerate()) - threads:
        thread.join(WAIT)
        assert not thread.is_alive()
    for reader in readers:
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


@pytest.mark.parametrize("long", [False, True], ids=["short", "long"])
def test_a_lane_that_is_widened_hands_over_more_and_one_that_is_narrowed_less(long):
    bench = Bench(width=1)
    for number in range(20):
        bench.submit(number, str(number), long=long)
    at_once = {1: HANDED_OVER, 3: 3 * HANDED_OVER} if not long else {1: 1, 3: 3}
    assert len(bench.running) == at_once[1]
    bench.lane.widen(3)
    assert len(bench.running) == at_once[3]
    bench.lane.widen(1)
    for left in [*range(at_once[3] - 1, at_once[1] - 1, -1), at_once[1], at_once[1]]:
        bench.end(next(iter(bench.running)))
        assert len(bench.running) == left


# ------------------------------------------------------------------- the pace, the bell, a hold

MEGABYTE = 1_000_000


class Hands:
    """A clock that only goes on when somebody sleeps, and notes for how long at a time."""

    def __init__(self, now: float = 1_000.0) -> None:
        self.now = now
        self.slept: list[float] = []
        self.on_sleep: Callable[[], object] = lambda: None

    def clock(self) -> Clock:
        return Clock(lambda: self.now, lambda: self.now, self._sleep)

    def _sleep(self, seconds: float) -> None:
        self.slept.append(seconds)
        self.now += seconds
        self.on_sleep()


def inline(hands: Hands, pace: Pace = AS_FAST_AS_CAN_BE, resident: bool = False) -> Engine:
    return Engine([1, 1], inline=True, pace=pace, resident=resident, clock=hands.clock())


def allowed(count: int, watch: Watch) -> int:
    return watch.allow(count)


def parks(watch: Watch) -> str:
    watch.park()
    return "went on"


def test_without_a_pace_all_is_allowed_at_once_and_nothing_is_paced():
    with inline(hands := Hands()) as engine:
        assert engine.lanes[0].submit(0, allowed, 1 << 40).result() == 1 << 40
        assert not engine.own_watch(0).paced
    assert hands.slept == []


def test_the_pace_holds_for_all_lanes_and_the_caller_together():
    with inline(hands := Hands(), Pace(10 * MEGABYTE)) as engine:
        begun, total = hands.now, 0
        while hands.now < begun + 12:
            for lane in engine.lanes:
                total += lane.submit(0, allowed, MEGABYTE).result()
            assert engine.own_watch(0).paced
            total += engine.own_watch(1).allow(MEGABYTE)
        assert total == pytest.approx(10 * MEGABYTE * (hands.now - begun), rel=0.05)


def test_nothing_more_than_nothing_is_asked_for_an_empty_file():
    with inline(hands := Hands(), Pace(1.0)) as engine:
        engine.own_watch(0).allow(1)
        assert engine.own_watch(0).allow(0) == 0
    assert hands.slept == []


def test_the_bell_is_heard_from_its_moment_on_and_can_be_set_anew():
    with inline(hands := Hands()) as engine:
        watch = engine.own_watch(0)
        for bell in (hands.now, hands.now - 5, 0.0, -1.0):
            engine.ring_at(bell)
            for ask in (watch.check, partial(watch.allow, 5)):
                with pytest.raises(BellRang):
                    ask()
            with pytest.raises(BellRang):
                engine.lanes[1].submit(0, doubled, 1).result()
        for bell in (hands.now + 0.001, None, float("inf")):
            engine.ring_at(bell)
            watch.check()
            assert watch.allow(5) == 5
            assert not watch.paced, "a bell is no pace"
            assert engine.lanes[1].submit(0, doubled, 1).result() == 2


@pytest.mark.parametrize("sign", ["bell", "hold", "stop"])
def test_whoever_waits_for_the_pace_sees_every_sign_within_a_fifth_of_a_second(sign):
    engine = inline(hands := Hands(), Pace(0.001))
    watch = engine.own_watch(0)
    watch.allow(1)  # the next byte is a thousand seconds away
    given_at = hands.now + 5.0

    def give() -> None:
        if hands.now >= given_at:
            if sign == "stop":
                engine.stop()
            elif sign == "bell":
                engine.ring_at(given_at)
            elif hands.now < given_at + 2000:
                engine.hold(True)
            else:
                engine.ring_at(0.0)

    hands.on_sleep = give
    with pytest.raises(Stopped if sign == "stop" else BellRang):
        watch.allow(1)
    assert max(hands.slept) <= 0.2
    if sign == "hold":
        assert hands.now >= given_at + 2000
    else:
        assert hands.now <= given_at + 0.2


@pytest.mark.parametrize("end", ["goes on", "bell", "stop"])
def test_a_hold_lasts_until_it_is_taken_back_or_a_sign_ends_it(end):
    engine = inline(hands := Hands())
    engine.hold(True)
    ends_at = hands.now + 30

    def end_it() -> None:
        if hands.now >= ends_at:
            {"goes on": lambda: engine.hold(False), "stop": engine.stop}.get(
                end, lambda: engine.ring_at(0.0)
            )()

    hands.on_sleep = end_it
    watch = engine.own_watch(0)
    watch.check()  # a hold is no reason to end
    if end == "goes on":
        assert watch.allow(7) == 7
    else:
        with pytest.raises(Stopped if end == "stop" else BellRang):
            watch.allow(7)
    assert ends_at <= hands.now <= ends_at + 0.2
    assert max(hands.slept) <= 0.2


def test_only_a_resident_engine_lets_a_reading_park():
    with inline(hands := Hands()) as engine:
        engine.ring_at(0.0)
        with pytest.raises(BellRang):
            engine.own_watch(0).park()
    resident = inline(hands, resident=True)
    resident.ring_at(hands.now)
    later = hands.now + 100

    def open_again() -> None:
        if hands.now >= later:
            resident.ring_at(hands.now + 50)

    hands.on_sleep = open_again
    resident.own_watch(0).park()
    assert later <= hands.now <= later + 0.2
    resident.own_watch(0).park()  # before the bell it does not wait
    hands.on_sleep = resident.stop
    hands.now += 60
    with pytest.raises(Stopped):
        resident.own_watch(0).park()


def test_after_a_stop_the_caller_s_own_watch_says_so():
    with Engine([1]) as engine:
        watch = engine.own_watch(0)
        watch.check()
        engine.stop()
        with pytest.raises(Stopped):
            watch.check()


def test_what_the_caller_reads_in_several_threads_counts_as_the_lane_s(two):
    watch, before = two.own_watch(1), two.lanes[1].bytes_read

    def read() -> None:
        for _ in range(20_000):
            watch.has_read(3)

    threads = [threading.Thread(target=read) for _ in range(4)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join(WAIT)
    assert two.lanes[1].bytes_read - before == 4 * 20_000 * 3


# ------------------------------------------------------------------------ the same in processes


def reads_blocks(started: Path, watch: Watch) -> int:
    """A reading that asks before every block, and never ends by itself."""
    os.close(os.open(started, os.O_WRONLY))
    while True:
        watch.has_read(watch.allow(4096))


def asks_until_told(started: Path, told: Path, watch: Watch) -> str:
    """Says that it runs, then asks for blocks until a name appears."""
    os.close(os.open(started, os.O_WRONLY))
    while True:
        watch.allow(4096)
        if told.exists():
            return "told"


def parks_at_the_bell(started: Path, watch: Watch) -> str:
    os.close(os.open(started, os.O_WRONLY))
    try:
        while True:
            watch.allow(4096)
    except BellRang:
        watch.park()
    return "went on"


# Fails without the bell in `_Rules.heed`.
@pytest.mark.parametrize("pace", [Pace(), Pace(1.0)], ids=["as fast as can be", "waiting"])
def test_at_the_bell_what_runs_ends_within_a_second_and_what_waits_never_starts(tmp_path, pace):
    mark = tmp_path / "mark"
    with Engine([2, 1], pace=pace) as engine:
        running, waiting = [], []
        for number, lane in enumerate((engine.lanes[0], engine.lanes[0], engine.lanes[1])):
            started = pipe(tmp_path / f"started {number}")
            running.append(lane.submit(0, reads_blocks, started, long=True))
            wait_for(started)
        for lane in engine.lanes:
            waiting += [lane.submit(1, leaves_a_mark, mark) for _ in range(20)]
        begun = time.monotonic()
        engine.ring_at(time.time() + 0.3)
        for promise in (*running, *waiting):
            with pytest.raises(BellRang):
                promise.result(WAIT)
        assert 0.25 <= time.monotonic() - begun < 1.3
        assert not mark.exists()
        engine.ring_at(None)
        assert engine.lanes[0].submit(0, doubled, 4).result(WAIT) == 8


def test_readers_stop_at_the_bell_though_the_caller_hangs(tmp_path):
    """The caller is stopped by the system itself; the reader says by a file when it ended."""
    script = f"""
import os, sys, time
from pathlib import Path
sys.path.insert(0, {str(Path(__file__).parent)!r})
import test_engine as tests
from verifier.engine import Engine
engine = Engine([1])
engine.ring_at(time.time() + 0.5)
engine.lanes[0].submit(0, tests.marks_its_end, Path({str(tmp_path / "started")!r}),
                       Path({str(tmp_path / "ended")!r}), long=True).exception()
"""
    started, ended = pipe(tmp_path / "started"), pipe(tmp_path / "ended")
    caller = subprocess.Popen([sys.executable, "-c", script], cwd=Path(__file__).parents[2])
    try:
        wait_for(started)
        os.kill(caller.pid, signal.SIGSTOP)
        begun = time.monotonic()
        with ended.open() as file:
            assert file.read() == "BellRang"
        assert time.monotonic() - begun < 1.5
    finally:
        caller.kill()
        caller.wait()


def marks_its_end(started: Path, ended: Path, watch: Watch) -> None:
    os.close(os.open(started, os.O_WRONLY))
    try:
        while True:
            watch.allow(1)
    except Exception as error:
        ended.write_text(type(error).__name__)


def test_in_a_hold_readers_hear_the_bell_and_go_on_after_it(tmp_path):
    started, told = pipe(tmp_path / "started"), tmp_path / "told"
    with Engine([1]) as engine:
        [lane] = engine.lanes
        engine.hold(True)
        promise = lane.submit(0, asks_until_told, started, told, long=True)
        wait_for(started)
        told.touch()
        with pytest.raises(TimeoutError):
            promise.result(0.3)
        engine.hold(False)
        assert promise.result(WAIT) == "told"
        engine.hold(True)
        started = pipe(tmp_path / "started again")
        promise = lane.submit(0, reads_blocks, started, long=True)
        wait_for(started)
        engine.ring_at(0.0)
        with pytest.raises(BellRang):
            promise.result(1.0)


def test_a_parked_reading_goes_on_when_a_later_bell_is_set_and_ends_with_the_engine(tmp_path):
    with Engine([1], resident=True) as engine:
        [lane] = engine.lanes
        for number in range(2):
            started = pipe(tmp_path / f"started {number}")
            promise = lane.submit(0, parks_at_the_bell, started, long=True)
            wait_for(started)
            engine.ring_at(0.0)
            with pytest.raises(TimeoutError):
                promise.result(0.3)
            if not number:
                engine.ring_at(time.time() + 3600)
                assert promise.result(WAIT) == "went on"
        assert stopped_in(engine) < 1.0
        with pytest.raises((Stopped, ReadersLost)):
            promise.result(WAIT)


def dies_with_the_lock(watch: Watch) -> None:
    watch._rules.lock.acquire()  # type: ignore[attr-defined]
    os._exit(7)


def test_a_reader_that_dies_with_the_ceiling_s_lock_keeps_nobody_from_reading():
    with Engine([1], pace=Pace(100 * MEGABYTE)) as engine:
        with pytest.raises(ReadersLost):
            engine.lanes[0].submit(0, dies_with_the_lock).result(WAIT)
        assert engine.own_watch(0).allow(1000) == 1000


@pytest.mark.skipif(system.PLAIN or sys.platform != "linux", reason="needs Linux's priorities")
@pytest.mark.parametrize("pace", [Pace(), Pace(give_way=True)], ids=["not", "gives way"])
def test_readers_give_way_when_they_are_told_to(pace):
    with Engine([1], pace=pace) as engine:
        nice = engine.lanes[0].submit(0, own_niceness).result(WAIT)
        assert nice == (19 if pace.give_way else os.nice(0))


def own_niceness(watch: Watch) -> int:
    return os.nice(0)


# ------------------------------------------------------------------------- fewer readers than lanes


@pytest.mark.parametrize("readers", [1, 2, 3, 7, 100])
def test_no_more_processes_are_started_than_readers_are_asked_for(readers):
    with Engine([3, 4], readers=readers) as engine:
        tasks = [engine.lanes[n % 2].submit(0, own_process) for n in range(60)]
        assert 1 <= len({task.result(WAIT) for task in tasks}) <= min(readers, 7)


def test_a_lane_full_of_long_readings_leaves_readers_to_the_others(tmp_path):
    with Engine([4, 4], readers=2) as engine:
        crowded, other = engine.lanes
        blocked = [pipe(tmp_path / f"blocked {number}") for number in range(6)]
        promises = [crowded.submit(0, reads_until, each, long=True) for each in blocked]
        assert [other.submit(0, doubled, n).result(WAIT) for n in range(30)] == [
            2 * n for n in range(30)
        ]
        assert not any(promise.done() for promise in promises)
        for each in blocked:
            os.close(os.open(each, os.O_WRONLY))
        assert [promise.result(WAIT) for promise in promises] == ["read"] * 6


def reads_until(silent: Path, watch: Watch) -> str:
    os.close(os.open(silent, os.O_RDONLY))
    return "read"
