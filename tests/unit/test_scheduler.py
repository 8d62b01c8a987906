"""Which file comes next: in order, in open time only, everything in the end, nothing twice."""

from __future__ import annotations

import heapq
import math
from collections import defaultdict

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from verifier.errors import PlaceUnreachable
from verifier.jobs.paces import paces_of
from verifier.ledger import Due, Ledger, PlaceName
from verifier.model import Kind, Sighting, Trouble
from verifier.scheduler import (
    CAREFUL,
    Done,
    PutOff,
    Queue,
    Scheduler,
    Task,
    Why,
    Window,
    goes_first,
)
from verifier.unlisted import Unlisted

SOURCE, VAULT = PlaceName("current-surveys"), PlaceName("current-surveys", "vault")
OTHER = PlaceName("delivered-surveys")
SECOND = 1_000_000_000
START = 1_800_000_000.0
MB = 1_000_000

often = settings(
    max_examples=60, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)


class Disks:
    """Simulated readers: each place reads one task after the other, at its own speed."""

    def __init__(self, speeds: dict[PlaceName, float], width: int = 2) -> None:
        self.now = START
        self.speeds = speeds
        self.width = width
        self.bell: float | None = None
        self.order: list[tuple[PlaceName, bytes, float]] = []
        self.gone: dict[PlaceName, PlaceUnreachable] = {}
        self.troubles: dict[bytes, Trouble] = {}
        self.outdated: set[bytes] = set()
        self._events: list[tuple[float, int, Task]] = []
        self._free = defaultdict(lambda: START)
        self._read: dict[PlaceName, int] = defaultdict(int)
        self._running: dict[PlaceName, int] = defaultdict(int)
        self._number = 0

    def clock(self) -> float:
        return self.now

    def room(self, place: PlaceName) -> bool:
        return self._running[place] < self.width

    def start(self, task: Task) -> None:
        assert self.bell is None or self.now < self.bell, "selected in closed time"
        begins = max(self.now, self._free[task.place])
        ends = begins + max(task.bytes / self.speeds[task.place], 0.001)
        self._free[task.place] = ends
        self._running[task.place] += 1
        self._number += 1
        heapq.heappush(self._events, (ends, self._number, task))

    def under_way(self) -> list[Task]:
        return [task for _, _, task in self._events]

    def wait(self, seconds: float) -> list[Done]:
        until = self.now + seconds
        if self._events and self._events[0][0] <= until:
            ends, _, task = heapq.heappop(self._events)
            if self.bell is not None and ends > self.bell:
                self.now = max(self.now, self.bell)
                self._running[task.place] -= 1
                return [Done(task, [])]
            self.now = max(self.now, ends)
            self._running[task.place] -= 1
            if task.place in self.gone:
                return [Done(task, [], self.gone[task.place])]
            self._read[task.place] += task.bytes
            self.order += [(task.place, each.path, self.now) for each in task.files]
            return [Done(task, [self.reading(each.path, each.size) for each in task.files])]
        self.now = until
        if self._events and self.bell is not None and self.now >= self.bell:
            _, _, task = heapq.heappop(self._events)
            self._running[task.place] -= 1
            return [Done(task, [])]
        return []

    def bytes_read(self, place: PlaceName) -> int:
        """Also what was read so far of the file in hand: the first under way, one at a time."""
        ahead = min((each for each in self._events if each[2].place == place), default=None)
        if ahead is None:
            return self._read[place]
        begun = ahead[2].bytes - (ahead[0] - self.now) * self.speeds[place]
        return self._read[place] + max(0, round(begun))

    def check(self, place: PlaceName) -> None:
        if place in self.gone:
            raise self.gone[place]

    def reading(self, path: bytes, size: int) -> Sighting:
        trouble = self.troubles.get(path)
        return Sighting(
            path,
            Kind.FILE,
            size,
            SECOND if path not in self.outdated else 7,
            digest=None if trouble else path.ljust(32, b"\0")[:32],
            read_at=None if trouble else int(self.now),
            trouble=trouble,
        )


def walked(ledger: Ledger, place: PlaceName, files: dict[bytes, int]) -> None:
    walk = ledger.walk(place)
    walk.take(Sighting(path, Kind.FILE, size, SECOND) for path, size in sorted(files.items()))
    walk.apply(int(START))


def shift(
    ledger: Ledger,
    disks: Disks,
    places: list[PlaceName],
    end: float | None = None,
    *,
    read_before: int | None = None,
    longest: float | None = None,
    judge=lambda: None,
    lost=lambda place, why: None,
    allowances=lambda place: math.inf,
    fastest=math.inf,
    paces=None,
    first=None,
    hides=lambda place, failed: False,
) -> Scheduler:
    disks.bell = end
    scheduler = Scheduler(
        ledger,
        [Queue(ledger, place, read_before, first=first) for place in places],
        disks,
        Window(end, longest, None if read_before is None else (0.0, float("inf"))),
        disks.clock,
        judge,
        {},
        lost=lost,
        paces=paces,
        allowances=allowances,
        fastest=fastest,
        hides=hides,
    )
    scheduler.finished = scheduler.run()  # type: ignore[attr-defined]
    return scheduler


def paths_read(disks: Disks, place: PlaceName) -> list[bytes]:
    return [path for where, path, _ in disks.order if where == place]


# Fails when only every ten minutes, or at the end, it is judged what was read a second time.
def test_what_was_wanted_is_judged_as_soon_as_it_was_read_and_not_after_the_audit(ledger):
    walked(ledger, SOURCE, {b"%03d" % number: MB for number in range(60)})
    disks = Disks({SOURCE: MB}, width=1)
    shift(ledger, disks, [SOURCE])
    disks.now += 10
    disks.order.clear()
    ledger.readings.want(SOURCE, [b"050"], "a second reading")

    def judge() -> None:  # the second reading tells, and what is near is read again too
        if any(path == b"050" for _, path, _ in disks.order):
            near = [b"049", b"051"]
            ledger.readings.want(SOURCE, [each for each in near if each not in seen], "near")
            seen.update(near)

    seen: set[bytes] = set()
    shift(ledger, disks, [SOURCE], read_before=int(disks.now), judge=judge)
    order = paths_read(disks, SOURCE)
    assert order[0] == b"050"
    assert {b"049", b"051"} <= set(order[:12])
    assert sorted(set(order)) == [b"%03d" % number for number in range(60)]


# Fails when what is read before its round begins is read for it: over and over then, since that
# does not count.
def test_a_round_that_begins_later_than_now_has_nothing_read_for_it_yet(ledger):
    walked(ledger, SOURCE, {b"%04d" % number: 1000 for number in range(1500)})
    disks = Disks({SOURCE: MB})
    shift(ledger, disks, [SOURCE])
    disks.order.clear()
    clock_was_ahead = int(disks.now) + 3600
    shift(ledger, disks, [SOURCE], disks.now + 600, read_before=clock_was_ahead)
    assert disks.order == []
    disks.now = float(clock_was_ahead)
    shift(ledger, disks, [SOURCE], disks.now + 600, read_before=clock_was_ahead)
    assert len(disks.order) == len(set(disks.order)) == 1500


def test_new_files_come_first_then_wanted_ones_then_the_longest_unread(ledger):
    walked(ledger, SOURCE, {b"a": MB, b"b": MB, b"c": MB})
    disks = Disks({SOURCE: MB})
    shift(ledger, disks, [SOURCE])
    disks.now += 100
    before = int(disks.now)
    walked(ledger, SOURCE, {b"a": MB, b"b": MB, b"c": MB, b"new": MB})
    ledger.readings.want(SOURCE, [b"b"], "to be sure")
    disks.order.clear()
    shift(ledger, disks, [SOURCE], read_before=before)
    assert paths_read(disks, SOURCE) == [b"new", b"b", b"a", b"c"]


def test_no_audit_night_reads_nothing_again(ledger):
    walked(ledger, SOURCE, {b"a": MB})
    disks = Disks({SOURCE: MB})
    shift(ledger, disks, [SOURCE])
    shift(ledger, disks, [SOURCE])
    assert paths_read(disks, SOURCE) == [b"a"]


def test_the_audit_begins_and_ends_in_its_own_time(ledger):
    files = {b"%03d" % number: 10 * MB for number in range(60)}
    walked(ledger, SOURCE, files)
    disks = Disks({SOURCE: MB})
    shift(ledger, disks, [SOURCE])
    disks.now += 10
    before, opens, ends = int(disks.now), disks.now - 1, disks.now + 95
    disks.order.clear()
    disks.bell = None
    Scheduler(
        ledger,
        [Queue(ledger, SOURCE, before)],
        disks,
        Window(None, None, (opens, ends)),
        disks.clock,
        lambda: None,
        {},
    ).run()
    read = [at for _, _, at in disks.order]
    assert 8 <= len(read) <= 13
    assert max(read) < ends + 10 * (disks.width + 1)


# Fails when a file that the ceiling alone lets nobody read in time is begun night after night.
def test_before_a_pace_is_known_the_ceiling_tells_what_cannot_fit(ledger):
    files = {b"a-huge": 400 * MB} | {b"z%02d" % number: 2 * MB for number in range(40)}
    walked(ledger, SOURCE, files)
    disks = Disks({SOURCE: 10 * MB}, width=2)
    shift(ledger, disks, [SOURCE], START + 14, longest=10_000.0, fastest=20 * MB)
    assert set(paths_read(disks, SOURCE)) == set(files) - {b"a-huge"}


def test_a_large_file_whose_time_is_nearly_up_goes_before_what_is_new(ledger):
    """Fails when it is left each night for what is new: then the audit never comes to it."""
    walked(ledger, SOURCE, {b"huge": 600 * MB})
    disks = Disks({SOURCE: MB}, width=1)
    shift(ledger, disks, [SOURCE])
    disks.order.clear()
    for night in range(1, 4):
        disks.now = START + 100_000 * night
        new = {b"new-%d-%d" % (night, number): 100 * MB for number in range(5)}
        known = {each.sighting.path: each.sighting.size for each in ledger.sightings(SOURCE)}
        walked(ledger, SOURCE, known | new)
        due = next(ledger.work.longest_unread(SOURCE))
        assert due.path == b"huge" and goes_first(due, 500 * MB, MB, 1_000.0)
        shift(
            ledger,
            disks,
            [SOURCE],
            disks.now + 1_000,
            read_before=int(disks.now),
            longest=1_000.0,
            paces={SOURCE: MB},
            first=due if night == 3 else None,
        )
        assert (b"huge" in paths_read(disks, SOURCE)) is (night == 3)


@given(st.integers(0, 10**6), st.integers(0, 10**6), st.integers(1, 100), st.integers(0, 10**4))
def test_only_what_fits_alone_and_not_behind_the_rest_goes_first(size, others, rate, seconds):
    room = CAREFUL * seconds * rate
    due = Due(b"a", size, 1)
    assert goes_first(due, others, rate, seconds) is (size <= room and size + others > room)


def test_a_file_that_never_comes_to_its_end_tells_a_pace_and_lets_the_others_pass(ledger):
    """Fails when only finished files make a pace: it is begun anew each night, and they wait."""
    walked(ledger, SOURCE, {b"a-huge": 900 * MB, b"z": 10 * MB})
    disks = Disks({SOURCE: MB / 3}, width=1)
    for night in range(3):
        disks.now = START + 50_000 * night
        ledger.readings.shift = number = ledger.shifts.start(int(disks.now))
        paces = paces_of(ledger, [SOURCE])
        done = shift(ledger, disks, [SOURCE], disks.now + 1_000, longest=1_000.0, paces=paces)
        ledger.readings.shift = None
        ledger.shifts.spend(number, SOURCE, done.seconds[SOURCE], done.came_off[SOURCE])
        ledger.shifts.end(number, int(disks.now), "working-hours")
        assert done.came_off[SOURCE] == pytest.approx(333 * MB, rel=0.01)
        assert paths_read(disks, SOURCE) == ([b"z"] if night else [])
    assert paces_of(ledger, [SOURCE])[SOURCE] == pytest.approx(MB / 3, rel=0.01)


def test_a_file_that_does_not_fit_before_the_bell_is_left_and_smaller_ones_are_read(ledger):
    files = {b"a%d" % number: 10 * MB for number in range(4)}
    files |= {b"huge": 5_000 * MB, b"z1": 10 * MB, b"z2": 10 * MB}
    walked(ledger, SOURCE, files)
    disks = Disks({SOURCE: MB})
    done = shift(ledger, disks, [SOURCE], START + 1_000, longest=10_000.0)
    assert set(paths_read(disks, SOURCE)) == set(files) - {b"huge"}
    assert done.finished
    disks.now = START + 50_000
    shift(ledger, disks, [SOURCE], START + 60_000, longest=10_000.0)
    assert paths_read(disks, SOURCE)[-1] == b"huge"


@often
@given(
    sizes=st.lists(st.integers(0, 30), min_size=1, max_size=40),
    budget=st.integers(0, 400),
    hours=st.none() | st.integers(1, 60),
    audited=st.booleans(),
)
def test_no_place_is_read_beyond_what_can_be_afforded(tmp_path, sizes, budget, hours, audited):
    """Fails when what is under way is not counted, or the last resort knows no budget."""
    files = {b"%03d" % number: size * MB for number, size in enumerate(sizes)}
    name = tmp_path / f"{len(list(tmp_path.iterdir()))}.db"
    with Ledger(name) as ledger:
        walked(ledger, SOURCE, files)
        walked(ledger, VAULT, files)
        disks = Disks({SOURCE: MB, VAULT: MB}, width=3)

        def left(place: PlaceName) -> float:
            return budget * MB - disks.bytes_read(VAULT) if place == VAULT else math.inf

        end = None if hours is None else START + 60 * hours
        done = shift(
            ledger,
            disks,
            [SOURCE, VAULT],
            end,
            read_before=int(START) if audited else None,
            longest=600.0,
            allowances=left,
        )
        assert disks.bytes_read(VAULT) <= budget * MB
        if hours is None:
            assert done.finished
            assert set(paths_read(disks, SOURCE)) == set(files)
            unread = [size for path, size in files.items() if path not in paths_read(disks, VAULT)]
            rest = budget * MB - disks.bytes_read(VAULT)
            assert rest == 0 or all(size > rest for size in unread)


def test_not_even_as_a_last_resort_is_a_file_begun_that_cannot_be_afforded(ledger):
    walked(ledger, SOURCE, {b"endless": 50 * MB, b"small": 10 * MB})
    queue = Queue(ledger, SOURCE)
    queue.affordable = 60 * MB
    assert queue.next(20 * MB, 30 * MB).files[0].path == b"small"
    queue.affordable = 40 * MB
    assert queue.next(20 * MB, 30 * MB) is None
    assert (queue.unaffordable.files, queue.unaffordable.bytes) == (1, 50 * MB)


def test_a_file_that_could_never_fit_is_begun_after_all_others(ledger):
    files = {b"a%d" % number: 10 * MB for number in range(4)}
    files |= {b"endless": 50_000 * MB, b"z1": 10 * MB}
    walked(ledger, SOURCE, files)
    disks = Disks({SOURCE: MB}, width=1)
    started: list[bytes] = []
    start = disks.start

    def noted(task: Task) -> None:
        started.extend(each.path for each in task.files)
        start(task)

    disks.start = noted  # type: ignore[method-assign]
    done = shift(ledger, disks, [SOURCE], START + 1_000, longest=10_000.0)
    assert started[-1] == b"endless"
    assert not done.finished
    assert disks.now <= START + 1_001


def test_one_enormous_share_does_not_starve_a_small_one(ledger):
    walked(ledger, SOURCE, {b"%05d" % number: 100 * MB for number in range(2_000)})
    walked(ledger, OTHER, {b"small": MB, b"tiny": 10})
    disks = Disks({SOURCE: MB, OTHER: MB})
    shift(ledger, disks, [SOURCE, OTHER], START + 500)
    assert set(paths_read(disks, OTHER)) == {b"small", b"tiny"}


def test_both_sides_are_read_side_by_side(ledger):
    files = {b"%02d" % number: 10 * MB for number in range(20)}
    walked(ledger, SOURCE, files)
    walked(ledger, VAULT, files)
    disks = Disks({SOURCE: MB, VAULT: MB})
    shift(ledger, disks, [VAULT, SOURCE])
    assert disks.now <= START + 20 * 10 + 20


def test_what_a_judgement_wants_is_read_in_the_same_shift(ledger):
    walked(ledger, SOURCE, {b"a": MB, b"b": MB})
    disks = Disks({SOURCE: MB})
    asked: list[int] = []

    def judge() -> None:
        if not asked:
            asked.append(ledger.readings.want(SOURCE, [b"a"], "it looks unlike"))

    shift(ledger, disks, [SOURCE], judge=judge)
    assert paths_read(disks, SOURCE) == [b"a", b"b", b"a"]
    assert not ledger.work.totals(SOURCE).wanted_files


def test_a_file_that_is_not_as_the_walk_saw_it_is_read_once_and_left_to_the_next_walk(ledger):
    walked(ledger, SOURCE, {b"a": MB, b"b": MB})
    disks = Disks({SOURCE: MB})
    disks.outdated.add(b"a")
    shift(ledger, disks, [SOURCE], read_before=int(START) + 1)
    assert paths_read(disks, SOURCE) == [b"a", b"b"]
    assert [due.path for due in ledger.work.unread(SOURCE)] == [b"a"]


def test_a_place_that_goes_away_is_lost_without_a_finding_and_the_others_go_on(ledger):
    walked(ledger, SOURCE, {b"a": 100 * MB, b"b": 100 * MB})
    walked(ledger, VAULT, {b"a": MB, b"b": 200 * MB})
    disks = Disks({SOURCE: MB, VAULT: MB})
    disks.gone[SOURCE] = PlaceUnreachable("it is gone")
    told: list[tuple[PlaceName, str, int]] = []
    done = shift(
        ledger,
        disks,
        [SOURCE, VAULT],
        lost=lambda place, why: told.append((place, str(why), len(disks.order))),
    )
    assert done.unreachable == {SOURCE: disks.gone[SOURCE]}
    assert paths_read(disks, VAULT) == [b"a", b"b"]
    assert told[0] == (SOURCE, "it is gone", 1), "it is told before the others are read"
    assert ledger.work.totals(SOURCE).unread_files == 2


def test_what_is_under_way_at_a_place_that_a_later_walk_has_lost_counts_for_nothing(ledger):
    """Fails when the scheduler goes on with it: nobody knows the place any more."""
    walked(ledger, SOURCE, {b"a": 100 * MB, b"b": 100 * MB})
    walked(ledger, VAULT, {b"a": 2000 * MB})
    disks = Disks({SOURCE: MB, VAULT: MB})
    disks.troubles[b"a"] = Trouble("input-output-error", "The system said so.")
    gone = PlaceUnreachable("it is gone")
    lost = []

    def each_turn() -> None:
        if disks.now > START + 50 and SOURCE not in scheduler.unreachable:
            scheduler.lose(SOURCE, gone)

    def check(place: PlaceName) -> None:
        assert place != SOURCE, "a place that was let go is asked for nothing"

    disks.check = check  # type: ignore[method-assign]
    scheduler = Scheduler(
        ledger,
        [Queue(ledger, place) for place in (SOURCE, VAULT)],
        disks,
        Window(),
        disks.clock,
        lambda: None,
        {},
        each_turn,
        lost=lambda place, why: lost.append(place),
    )
    scheduler.run()
    assert scheduler.unreachable == {SOURCE: gone}
    assert lost == [], "whoever lost it has told it"
    assert paths_read(disks, VAULT) == [b"a"]
    assert ledger.work.totals(SOURCE).unread_files == 2


def test_trouble_with_a_file_is_recorded_only_while_its_place_is_there(ledger):
    walked(ledger, SOURCE, {b"a": MB})
    disks = Disks({SOURCE: MB})
    disks.troubles[b"a"] = Trouble("input-output-error", "The system said so.")

    def check(place: PlaceName) -> None:
        raise PlaceUnreachable("it went away just now")

    disks.check = check  # type: ignore[method-assign]
    done = shift(ledger, disks, [SOURCE])
    assert SOURCE in done.unreachable
    ((_, known),) = ledger.sightings_at(SOURCE, [b"a"])
    assert known is not None and known.sighting.trouble is None


# Fails where `_what_counts` records what failed below a folder that has closed.
def test_what_failed_because_its_folder_closed_is_left_as_it_was_and_all_else_is_recorded(ledger):
    walked(ledger, SOURCE, {b"a": 1_000, b"b": 1_000, b"c": 1_000})
    disks = Disks({SOURCE: MB})
    for path in (b"a", b"b"):
        disks.troubles[path] = Trouble("permission-denied", "The system said so.")
    asked = []

    def hides(place: PlaceName, failed: Sighting) -> bool:
        asked.append((place, failed.path))
        return failed.path == b"a"

    done = shift(ledger, disks, [SOURCE], hides=hides)
    assert done.finished and asked == [(SOURCE, b"a"), (SOURCE, b"b")]
    found = {
        path: known.sighting for path, known in ledger.sightings_at(SOURCE, [b"a", b"b", b"c"])
    }
    assert (found[b"a"].trouble, found[b"a"].digest) == (None, None)
    assert found[b"b"].trouble == disks.troubles[b"b"]
    assert found[b"c"].digest is not None


# Fails where a queue makes do with what could not be listed when it was made.
def test_what_comes_to_be_hidden_while_it_waits_is_not_handed_out(ledger):
    walked(ledger, SOURCE, {b"orthos/a.tif": MB, b"plans/b.txt": MB})
    unlisted = Unlisted()
    queue = Queue(ledger, SOURCE, unlisted=unlisted)
    unlisted.add(b"orthos")
    task = queue.next(1e18, 1e18)
    assert task is not None and task.paths == [b"plans/b.txt"]


def test_what_was_under_way_before_is_not_handed_out_again(ledger):
    walked(ledger, SOURCE, {b"a": MB, b"b": MB})
    queue = Queue(ledger, SOURCE, None, [b"a"])
    task = queue.next(1e18, 1e18)
    assert task is not None and [each.path for each in task.files] == [b"b"]


def test_small_files_share_a_task_and_large_ones_have_their_own(ledger):
    files = {b"%04d" % number: 1_000 for number in range(1_200)}
    files[b"0005.laz"] = 500 * MB
    walked(ledger, SOURCE, files)
    queue = Queue(ledger, SOURCE)
    tasks = []
    while (task := queue.next(1e18, 1e18)) is not None:
        tasks.append(task)
    assert [b"0005.laz"] in [[each.path for each in task.files] for task in tasks]
    assert all(len(task.files) <= 512 for task in tasks)
    assert sum(len(task.files) for task in tasks) == 1_201


sizes = st.sampled_from([0, 1, 1_000, 100_000, 9 * MB, 50 * MB, 700 * MB])


@st.composite
def estates(draw: st.DrawFn) -> dict[PlaceName, dict[bytes, int]]:
    names = st.sampled_from([b"%s/%d" % (folder, n) for folder in (b"p", b"q/r") for n in range(9)])
    return {
        place: draw(st.dictionaries(names, sizes, max_size=12)) for place in (SOURCE, VAULT, OTHER)
    }


@often
@given(
    estates(),
    st.lists(st.tuples(st.integers(5, 4_000), st.integers(0, 3_000)), min_size=1, max_size=8),
    st.sampled_from([MB, 5 * MB, 40 * MB]),
    st.booleans(),
)
def test_every_file_is_read_in_the_end_never_in_closed_time_and_none_twice_while_another_waits(
    tmp_path_factory, estate, windows, speed, audit
):
    with Ledger(tmp_path_factory.mktemp("estate") / "ledger.db") as ledger:
        for place, files in estate.items():
            walked(ledger, place, files)
        disks = Disks(dict.fromkeys(estate, speed))
        longest = float(max(seconds for seconds, _ in windows))
        for seconds, pause in [*windows, (10_000_000, 0)]:
            end = disks.now + seconds
            shift(
                ledger,
                disks,
                list(estate),
                end,
                read_before=int(START) if audit else None,
                longest=max(longest, 10_000_000.0),
            )
            assert all(at <= end for _, _, at in disks.order)
            assert disks.now <= end + 1
            disks.now = end + pause
        for place, files in estate.items():
            assert sorted(paths_read(disks, place)) == sorted(files)
            assert not ledger.work.totals(place).unread_files


@often
@given(estates(), st.integers(1, 3))
def test_rounds_read_every_file_once_each_and_the_longest_unread_first(
    tmp_path_factory, estate, rounds
):
    with Ledger(tmp_path_factory.mktemp("estate") / "ledger.db") as ledger:
        for place, files in estate.items():
            walked(ledger, place, files)
            ledger.rounds.start_next(place, int(START))
        disks = Disks(dict.fromkeys(estate, 10 * MB))
        shift(ledger, disks, list(estate))
        for number in range(2, rounds + 2):
            disks.now += 10
            disks.order.clear()
            for place, files in estate.items():
                ended = ledger.rounds.end_if_complete(place, int(disks.now))
                assert ended is not None and ended.ended is not None
                started = ledger.rounds.start_next(place, int(disks.now))
                assert started.number == number
                oldest_first = [due.path for due in ledger.work.longest_unread(place)]
                shift(ledger, disks, [place], read_before=started.started)
                assert paths_read(disks, place) == oldest_first
                assert sorted(oldest_first) == sorted(files)


def test_reasons_are_in_the_order_in_which_files_are_read():
    assert Why.NEW < Why.WANTED < Why.AUDIT


@settings(max_examples=200, deadline=None)
@given(
    st.lists(
        st.one_of(
            st.tuples(st.sampled_from(Why), st.integers(0, 50)),
            st.tuples(st.none(), st.integers(0, 50)),
        ),
        max_size=400,
    ),
    st.sampled_from([1, 2, 3]),
)
def test_of_files_put_off_the_first_that_fits_comes_back_as_from_a_plain_list(steps, before):
    put_off, plain = PutOff(together=8), []
    for number, (why, size) in enumerate(steps):
        if why is not None:
            due = Due(b"%d" % number, size)
            put_off.add(why, due)
            plain.append((why, due))
            continue
        fitting = [each for each in plain if each[0] < before and each[1].size <= size]
        assert put_off.take(size, before) == (fitting[0] if fitting else None)
        if fitting:
            plain.remove(fitting[0])
        assert list(put_off) == plain
        assert (len(put_off), put_off.bytes) == (len(plain), sum(due.size for _, due in plain))
