"""A worker keeps to the orders that its batches bring, and sees whose tree it reads."""

from __future__ import annotations

import os
import pickle
import time
from functools import partial
from pathlib import Path
from typing import Any

import pytest
from msgspec import structs
from trees import Tree, lantern_marsh

pytest.importorskip("distributed", reason="the extra `cluster` is not installed")

from test_engine import Hands

from verifier import __version__
from verifier.cluster import alike, connection
from verifier.cluster import worker as worker_module
from verifier.cluster.orders import Answer, Batch, Expected, Found, Orders, Told
from verifier.cluster.worker import TOLD_EVERY, Desk, TaskWatch, desk_of, run_batch, work
from verifier.engine import BellRang, Engine, Terms, Watch
from verifier.errors import ClusterUnready, PlaceUnreachable, Stopped
from verifier.places.base import Look, unpack, unpack_first
from verifier.places.folder import FolderPlace
from verifier.reading import look_at_packed, read_small_packed

MEGABYTE = 1_000_000
NOON = partial(float, 1795557600)


def orders(serial: int = 0, engine: str = "ours", **what: Any) -> Orders:
    hold, stop = what.pop("hold", False), what.pop("stop", False)
    return Orders(engine, serial, Terms(**what), hold, stop)


def desk_with(hands: Hands, pressure: float | None = None, **what: Any) -> Desk:
    desk = Desk(hands.clock(), lambda: pressure)
    desk.take(orders(**what))
    return desk


# --------------------------------------------------------------------------- the orders


def test_without_a_pace_all_is_allowed_at_once():
    desk = desk_with(hands := Hands())
    assert TaskWatch(desk).allow(1 << 40) == 1 << 40
    assert hands.slept == []


def test_the_ceiling_holds_for_all_batches_of_a_worker_together():
    desk = desk_with(hands := Hands(), bytes_per_second=10 * MEGABYTE)
    watches = [TaskWatch(desk, steady=lambda: hands.now) for _ in range(3)]
    begun, total = hands.now, 0
    while hands.now < begun + 12:
        total += sum(each.allow(MEGABYTE) for each in watches)
    assert total == pytest.approx(10 * MEGABYTE * (hands.now - begun), rel=0.05)


def test_a_ceiling_that_is_split_anew_holds_from_then_on():
    desk = desk_with(hands := Hands(), bytes_per_second=10 * MEGABYTE)
    watch = TaskWatch(desk, steady=lambda: hands.now)
    desk.take(orders(1, bytes_per_second=2 * MEGABYTE))
    begun, total = hands.now, 0
    while hands.now < begun + 12:
        total += watch.allow(MEGABYTE)
    assert total == pytest.approx(2 * MEGABYTE * (hands.now - begun), rel=0.05)


def test_orders_that_are_overtaken_change_nothing():
    desk = desk_with(Hands(), serial=5, bell=2_000.0)
    desk.take(orders(4, bell=1.0, stop=True))
    TaskWatch(desk).check()
    assert desk.terms.bell == 2_000.0


# Fails without the bell in `Desk.heed`.
@pytest.mark.parametrize("rate", [None, 1.0], ids=["as fast as can be", "waiting"])
def test_a_reading_ends_within_a_second_of_the_bell_by_the_worker_s_own_clock(rate):
    desk = desk_with(hands := Hands(), bell=1_003.0, bytes_per_second=rate)
    watch = TaskWatch(desk, steady=lambda: hands.now)
    with pytest.raises(BellRang):
        for _ in range(100):
            watch.allow(MEGABYTE)
            hands.now += 0.3  # a block took its time
    assert 1_003.0 <= hands.now <= 1_004.0
    with pytest.raises(BellRang):
        watch.check()


@pytest.mark.parametrize("end", ["goes on", "stop", "bell"])
def test_a_hold_lasts_until_it_is_over_or_reading_ends(end):
    desk = desk_with(hands := Hands(), hold=True)
    later = {
        "goes on": orders(1),
        "stop": orders(1, hold=True, stop=True),
        "bell": orders(1, hold=True, bell=0.0),
    }[end]
    hands.on_sleep = lambda: desk.take(later) if hands.now > 1_005 else None
    watch = TaskWatch(desk, steady=lambda: hands.now)
    if end == "goes on":
        assert watch.allow(7) == 7
    else:
        with pytest.raises(Stopped if end == "stop" else BellRang):
            watch.allow(7)
    assert hands.now == pytest.approx(1_005, abs=0.2)


# Fails when `Desk._ask` does not ask `_others_wait`.
def test_a_worker_waits_while_others_need_its_own_disks():
    pressures = iter([0.9] * 5 + [0.0] * 100)
    desk = Desk((hands := Hands()).clock(), lambda: next(pressures))
    desk.take(orders(yield_above=0.2))
    assert TaskWatch(desk, steady=lambda: hands.now).allow(7) == 7
    assert hands.now == pytest.approx(1_005, abs=0.3)


def test_a_batch_that_nobody_waits_for_ends_and_one_that_is_awaited_tells_how_far_it_is():
    hands, told, wanted = Hands(), [], [True, True, False]
    watch = TaskWatch(
        desk_with(hands), lambda: wanted.pop(0), told.append, steady=lambda: hands.now
    )
    for _ in range(2):
        watch.has_read(500)
        watch.check()
        hands.now += TOLD_EVERY
        watch.check()
    assert told == [500, 1_000]
    hands.now += TOLD_EVERY
    with pytest.raises(Stopped):
        watch.check()


def test_a_reading_never_parks():
    with pytest.raises(BellRang):
        TaskWatch(desk_with(Hands())).park()


def test_desks_of_callers_that_were_killed_are_cleared_away():
    first = desk_of(orders(engine="first"))
    first.busy = 1
    for number in range(3 * worker_module.DESKS_KEPT):
        desk_of(orders(engine=f"killed-{number}"))
    assert desk_of(orders(engine="first")) is first, "one that is at work stays"
    assert len(worker_module._desks) <= worker_module.DESKS_KEPT
    worker_module.forget("first")
    assert desk_of(orders(engine="first")) is not first


# ---------------------------------------------------------------------- whose tree it is


@pytest.fixture
def tree(tmp_path: Path) -> Tree:
    return lantern_marsh(tmp_path / "bench").files("1.jpg", "2.jpg", "3.jpg")


@pytest.fixture
def watch() -> Watch:
    return Engine([1], inline=True).own_watch(0)


def place_of(tree: Tree) -> FolderPlace:
    return FolderPlace.at_path(tree.root)


def seen_from_here(tree: Tree, watch: Watch) -> Expected:
    return alike.expected_of(place_of(tree), 1, watch)


def judged(here: Tree, there: Tree, watch: Watch) -> str | None:
    expected = seen_from_here(here, watch)
    found = alike.found_at(place_of(there), expected, watch)
    return alike.unlike(place_of(here), expected, found, watch)


def test_the_same_tree_is_recognised(tree, watch):
    assert judged(tree, tree, watch) is None


def test_some_of_every_part_of_a_tree_is_looked_at(tree, watch):
    paths = {each.path for each in seen_from_here(tree, watch).seen}
    assert b"2026-014-harbour-wall" in paths
    assert b"2026-014-harbour-wall/notes/plan.txt" in paths
    assert b"2026-014-harbour-wall/flights/day-1/DJI_0003.mp4" in paths


def test_few_paths_of_a_large_tree_are_looked_at(tmp_path, watch):
    tree = Tree(tmp_path / "large")
    for folder in range(40):
        tree.files(*(f"{folder}/{number}" for number in range(40)), size=1)
    assert len(seen_from_here(tree, watch).seen) <= alike.FOLDERS * alike.OF_EACH


def test_a_true_copy_is_another_tree(tree, watch, tmp_path):
    said = judged(tree, tree.copy_to(tmp_path / "vault"), watch)
    assert said is not None
    assert "are not the same file there, such as " in said


def test_an_empty_folder_is_another_tree_than_one_that_holds_something(tree, watch, tmp_path):
    empty = Tree(tmp_path / "empty")
    assert judged(empty, empty, watch) is None
    assert "sees nothing" in str(judged(tree, empty, watch))
    assert "sees files" in str(judged(empty, tree, watch))


def test_what_changes_at_this_very_time_is_no_sign_of_another_tree(tree, watch):
    expected = seen_from_here(tree, watch)
    tree.edit("1.jpg").delete("2.jpg").file("4.jpg", 10)
    found = alike.found_at(place_of(tree), expected, watch)
    assert set(alike.differences(expected, found)) == {b"1.jpg", b"2.jpg"}
    assert alike.unlike(place_of(tree), expected, found, watch) is None


def test_an_older_state_of_the_same_tree_is_another_tree(tree, watch):
    found = alike.found_at(place_of(tree), seen_from_here(tree, watch), watch)
    tree.edit("1.jpg")
    expected = seen_from_here(tree, watch)
    assert "such as 1.jpg" in str(alike.unlike(place_of(tree), expected, found, watch))


# Fails when the sentence of the place itself, with its own advice, is repeated whole.
def test_what_a_worker_without_the_mount_says_names_the_path_once_and_no_advice(tree, watch):
    place, expected = place_of(tree), seen_from_here(tree, watch)
    os.rename(tree.root, f"{tree.root}.away")
    found = alike.found_at(place_of(tree), expected, watch)
    assert alike.unlike(place, expected, found, watch) == (
        f"finds that {place.at} cannot be read as a folder (No such file or directory)"
    )
    slow = Found(trouble="it gave no answer in 30 s.")
    assert alike.unlike(place, expected, slow, watch) == (
        f"cannot read {place.at}: it gave no answer in 30 s"
    )


# Fails without `_read_less_well`: a certificate would say more than was done.
def test_a_worker_that_reads_through_more_than_this_machine_does_is_told_of(tree, watch):
    expected = seen_from_here(tree, watch)
    found = alike.found_at(place_of(tree), expected, watch)
    disk = structs.replace(expected.how, past_cache=True, detail="from a disk")
    mount = structs.replace(expected.how, past_cache=False, detail="through a network mount")
    expected, less = structs.replace(expected, how=disk), structs.replace(found, how=mount)
    said = alike.unlike(place_of(tree), expected, less, watch)
    assert "reads" in str(said)
    assert "through a network mount, while this machine reads it from a disk" in str(said)
    more = structs.replace(found, how=disk)
    assert alike.is_alike(structs.replace(expected, how=mount), more)


def batch(tree: Tree, expected: Expected, **changes: Any) -> Batch:
    paths = [each.path for each in expected.seen]
    arguments = (paths, frozenset(range(len(paths))), Look(content=False), NOON)
    whole = Batch(orders(), 1, expected, look_at_packed, arguments, time.time(), time.monotonic())
    return structs.replace(whole, **changes)


# Fails when `_Seen` hands on what the worker's own system says.
def test_a_device_is_called_as_the_calling_machine_calls_it(tree, watch):
    expected = seen_from_here(tree, watch)
    theirs = tuple(structs.replace(each, device=4711) for each in expected.seen)
    desk = desk_with(Hands())
    answer = work(batch(tree, structs.replace(expected, seen=theirs)), desk, TaskWatch(desk), "w")
    assert {each.device for each in unpack(answer.result)} == {4711}


def test_so_it_is_where_small_files_are_read_together(tree, watch):
    expected = seen_from_here(tree, watch)
    theirs = tuple(structs.replace(each, device=4711) for each in expected.seen)
    whole = batch(
        tree,
        structs.replace(expected, seen=theirs),
        task=read_small_packed,
        arguments=([b"1.jpg", b"2.jpg", b"gone.jpg", b"3.jpg"], frozenset[int](), NOON),
    )
    desk = desk_with(Hands())
    seen = unpack_first(work(whole, desk, TaskWatch(desk), "harbour").result)
    [read] = seen.read
    assert (read.device, len(read)) == (4711, 3)
    assert [each.path for each in seen.others] == [b"gone.jpg"]


def test_a_batch_on_another_tree_is_not_read(tree, watch, tmp_path):
    copy = tree.copy_to(tmp_path / "vault")
    elsewhere = structs.replace(seen_from_here(tree, watch), root=os.fsencode(copy.root))
    desk = desk_with(Hands())
    answer = work(batch(tree, elsewhere), desk, TaskWatch(desk), "harbour")
    assert answer.unlike is not None
    assert (answer.result, answer.bytes_read) == (None, 0)


def test_a_folder_that_goes_away_under_a_worker_is_told_with_the_worker_s_name(tree, watch):
    expected, desk = seen_from_here(tree, watch), desk_with(Hands())
    assert work(batch(tree, expected), desk, TaskWatch(desk), "harbour").error is None
    tree.root.rename(tree.root.parent / "away")
    answer = work(batch(tree, expected), desk, TaskWatch(desk), "harbour")
    assert isinstance(answer.error, PlaceUnreachable)
    assert str(answer.error).startswith("On the worker harbour: ")
    assert pickle.loads(pickle.dumps(answer)).error.args == answer.error.args


def test_a_worker_whose_clock_is_behind_and_that_came_later_reads_nothing(tree, watch):
    expected, desk = seen_from_here(tree, watch), desk_with(Hands())
    late = batch(tree, expected, sent=time.time() + 5)
    answer = work(late, desk, TaskWatch(desk), "harbour")
    assert isinstance(answer.error, ClusterUnready)
    assert "behind" in str(answer.error)


def test_a_worker_of_another_version_reads_nothing(monkeypatch):
    class Worker:
        name = address = "tcp://10.0.0.5:4000"

    monkeypatch.setattr(worker_module.distributed, "get_worker", Worker)
    answer = run_batch("0.0.1", b"never unpacked")
    assert isinstance(answer, Answer)
    assert f"runs verifier {__version__}, not 0.0.1" in str(answer.error)


# -------------------------------------------------------------------------- fit for it

FIT = Told("harbour", 1, __version__, "3.11", "2026.1.0", 1_000.0)


@pytest.mark.parametrize(
    ("told", "said"),
    [
        (FIT, None),
        (structs.replace(FIT, now=999.2), None),
        (structs.replace(FIT, now=1_002.8), None),
        (
            structs.replace(FIT, version="0.0.1"),
            f"runs verifier 0.0.1, and this machine {__version__}",
        ),
        (structs.replace(FIT, python="3.10"), "runs Python 3.10, and this machine 3.11"),
        (
            structs.replace(FIT, library="2025.1.0"),
            "runs distributed 2025.1.0, and this machine 2026.1.0",
        ),
        (structs.replace(FIT, now=970.0), "has a clock that is 30 s behind this machine's"),
        (structs.replace(FIT, now=4_602.0), "has a clock that is 3,600 s ahead of this machine's"),
        (OSError("Timed out\nlater"), "gave no answer (Timed out)"),
        (
            Exception("No module named 'verifier'"),
            f"does not have this version of verifier ({__version__})",
        ),
    ],
)
def test_a_worker_that_is_not_fit_is_told_of(told, said, monkeypatch):
    monkeypatch.setattr(connection.platform, "python_version_tuple", lambda: ("3", "11", "7"))
    monkeypatch.setattr(connection.distributed, "__version__", "2026.1.0")
    found = connection.unfit(told, 1_000.0, 1_002.0)
    assert (found is None) if said is None else str(found).startswith(said)
