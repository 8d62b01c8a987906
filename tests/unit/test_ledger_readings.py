"""Readings are recorded within a second, and what to read next follows from what stands there."""

from __future__ import annotations

import itertools
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from msgspec import structs
from test_ledger import (
    NOW,
    SOURCE,
    VAULT,
    content,
    file,
    known,
    paths,
    read,
    record,
    unlisted,
    walked,
)

from verifier.ledger import Due, Ledger, PlaceName, PlaceReadings, Totals
from verifier.ledger import readings as readings_module
from verifier.ledger import work as work_module
from verifier.model import CHANGED_WHILE_READ, Kind, Sighting, Trouble

often = settings(max_examples=150, deadline=None, database=None)

EIO = Trouble("input-output-error", "The system said: Input/output error (EIO) at byte 4,096.")


# --------------------------------------------------------------------------------------- recording


def test_a_reading_brings_its_digest_fingerprints_and_time(ledger):
    walked(ledger, SOURCE, [file("a")])
    reading = structs.replace(read(file("a"), 5, NOW - 9), fingerprints=(bytes(16), b"\1" * 16))
    record(ledger, SOURCE, reading)
    assert known(ledger, SOURCE)[b"a"].sighting == reading
    assert (ledger.readings.recorded, ledger.readings.outdated) == (1, 0)


@pytest.mark.parametrize(
    ("what", "value"), [("size", 1001), ("mtime_ns", 1), ("ctime_ns", 1), ("inode", 8)]
)
def test_a_reading_of_a_file_that_is_not_as_it_was_seen_is_left_out(ledger, what, value):
    walked(ledger, SOURCE, [file("a")])
    record(ledger, SOURCE, structs.replace(read(file("a")), **{what: value}))
    assert known(ledger, SOURCE)[b"a"].sighting == file("a")
    assert (ledger.readings.recorded, ledger.readings.outdated) == (0, 1)


def test_a_reading_of_what_the_last_walk_did_not_see_is_left_out(ledger):
    walked(ledger, SOURCE, [file("a/b"), Sighting(b"link", Kind.LINK, 1, 1, target=b"x")])
    record(ledger, SOURCE, read(file("a/c")), read(file("new/c")), read(file("link")))
    record(ledger, VAULT, read(file("a/b")))
    assert not any(
        each.read_as_it_is
        for each in known(ledger, SOURCE).values()
        if each.sighting.kind is Kind.FILE
    )
    assert known(ledger, VAULT) == {}
    assert ledger.readings.outdated == 4


def test_a_glance_without_a_digest_is_no_reading(ledger):
    walked(ledger, SOURCE, [file("a")])
    record(ledger, SOURCE, file("a"))
    assert not known(ledger, SOURCE)[b"a"].read_as_it_is


def test_a_reading_that_failed_is_recorded_with_its_trouble_and_time(ledger):
    walked(ledger, SOURCE, [file("a")])
    record(ledger, SOURCE, read(file("a")))
    record(ledger, SOURCE, structs.replace(file("a"), trouble=EIO))
    held = known(ledger, SOURCE)[b"a"]
    assert held.sighting == structs.replace(file("a"), trouble=EIO, read_at=NOW)
    assert held.read_as_it_is
    record(ledger, SOURCE, read(file("a"), 2, NOW + 5))
    assert known(ledger, SOURCE)[b"a"].sighting == read(file("a"), 2, NOW + 5)


def test_a_file_that_could_not_even_be_looked_at_is_recorded_with_its_trouble(ledger):
    walked(ledger, SOURCE, [file("a"), file("b")])
    record(ledger, SOURCE, read(file("a")), unlisted("a"), read(file("b")))
    held = known(ledger, SOURCE)
    assert held[b"a"].sighting.trouble.cause == "permission-denied"
    assert held[b"a"].sighting.size == 1000
    assert held[b"b"].sighting.digest == content(1)


def test_a_file_that_has_gone_is_left_to_the_next_walk(ledger):
    walked(ledger, SOURCE, [file("a")])
    record(ledger, SOURCE, unlisted("a", CHANGED_WHILE_READ))
    assert known(ledger, SOURCE)[b"a"].sighting == file("a")
    assert [each.path for each in ledger.work.unread(SOURCE)] == [b"a"]


ONE_READING = st.tuples(
    st.integers(0, 5),
    st.sampled_from(
        [
            *[{}] * 9,
            {"digest": content(2)},
            {"device": 2},
            {"device": 1 << 63},
            {"links": 2},
            {"fingerprints": (bytes(16), b"\1" * 16)},
            {"digest": None, "trouble": EIO},
            {"size": 999},
        ]
    ),
    st.sampled_from([True, True, False]),
)
"""Which file, in what its reading is another than its first one, and whether past the cache."""


@often
@given(
    st.lists(st.lists(ONE_READING, max_size=12), max_size=4),
    st.sets(st.integers(0, 5)),
    st.booleans(),
)
def test_however_readings_come_together_each_is_recorded_as_if_it_came_alone(
    tmp_path_factory, batches, wanted, again
):
    tree = [file(name) for name in ("a", "b/c", "b/d", "b/e", "f", "g/h")]
    with Ledger(tmp_path_factory.mktemp("recorded") / "ledger.db") as ledger:
        walked(ledger, SOURCE, tree)
        as_they_stand = {each.path: each for each in tree}
        if again:  # nearly everywhere an audit finds what was found before
            record(ledger, SOURCE, *map(read, tree))
            as_they_stand = {each.path: read(each) for each in tree}
        due = {tree[number].path for number in wanted}
        ledger.readings.want(SOURCE, sorted(due), "second reading")
        touched = ledger.agreements.sequence()
        recorded = outdated = 0
        before = ledger.readings.recorded
        for batch in batches:
            for which, how, past in batch:
                at = NOW + recorded + outdated + 1
                reading = structs.replace(read(tree[which], 1, at), **how)
                ledger.readings.add(SOURCE, reading, float(NOW), past)
                old = as_they_stand[reading.path]
                if reading.size != old.size:
                    outdated += 1
                    continue
                recorded += 1
                as_they_stand[reading.path] = reading
                touched += (reading.digest, reading.trouble) != (old.digest, old.trouble)
                if past:
                    due.discard(reading.path)
            ledger.readings.flush()
        assert {path: each.sighting for path, each in known(ledger, SOURCE).items()} == (
            as_they_stand
        )
        assert names(ledger.work.wanted(SOURCE)) == sorted(due)
        assert ledger.agreements.sequence() == touched
        assert ledger.readings.recorded - before == recorded
        assert ledger.readings.outdated == outdated
        assert ledger.soundness() == (), "the counts are those of what stands there"


def committed(path: Path) -> list[bytes]:
    """What another process sees."""
    with Ledger(path) as other:
        return [name for name, each in known(other, SOURCE).items() if each.read_as_it_is]


def test_readings_are_committed_together_within_a_tenth_of_a_second_of_the_first(ledger):
    walked(ledger, SOURCE, [file("a"), file("b"), file("c")])
    ledger.readings.add(SOURCE, read(file("a")), 100.0)
    ledger.readings.add(SOURCE, read(file("b")), 100.09)
    assert committed(ledger.path) == []
    ledger.readings.add(SOURCE, read(file("c")), 101.0)
    assert committed(ledger.path) == [b"a", b"b", b"c"]


def test_readings_that_come_seldom_are_committed_by_the_clock_alone(ledger):
    walked(ledger, SOURCE, [file("a")])
    ledger.readings.add(SOURCE, read(file("a")), 100.0)
    ledger.readings.tick(100.05)
    assert committed(ledger.path) == []
    ledger.readings.tick(101.0)
    assert committed(ledger.path) == [b"a"]


def test_readings_are_committed_when_the_clock_is_set_back(ledger):
    walked(ledger, SOURCE, [file("a")])
    ledger.readings.add(SOURCE, read(file("a")), 100.0)
    ledger.readings.tick(40.0)
    assert committed(ledger.path) == [b"a"]


def test_closing_commits_what_is_held(tmp_path):
    path = tmp_path / "closed.db"
    with Ledger(path) as ledger:
        walked(ledger, SOURCE, [file("a")])
        ledger.readings.add(SOURCE, read(file("a")), 100.0)
    assert committed(path) == [b"a"]


def test_readings_are_counted_for_the_shift_and_the_place(ledger):
    tree = [file("a", 10), file("b", 20), file("c", 40)]
    walked(ledger, SOURCE, tree)
    walked(ledger, VAULT, tree)
    number = ledger.readings.shift = ledger.shifts.start(NOW)
    record(ledger, SOURCE, *map(read, tree[:2]))
    record(ledger, SOURCE, structs.replace(tree[2], trouble=EIO))
    record(ledger, VAULT, read(tree[2]))
    ledger.shifts.end(number, NOW + 60, "working-hours")
    ledger.shifts.end(number, NOW + 90, "signal")
    shift = ledger.shifts.last()
    assert (shift.started, shift.ended, shift.stopped_by) == (NOW, NOW + 60, "working-hours")
    assert shift.readings == (
        PlaceReadings(SOURCE, 3, 30, 1),
        PlaceReadings(VAULT, 1, 40, 0),
    )
    ledger.shifts.start(NOW + 100)
    assert [each.ended for each in ledger.shifts.all()] == [NOW + 60, None]


# ------------------------------------------------------------------------------- what to read next


def names(due) -> list[bytes]:
    return [each.path for each in due]


def test_new_and_changed_files_are_to_be_read_by_path_and_links_are_not(ledger):
    link = Sighting(b"a-link", Kind.LINK, 3, 1, target=b"x/y")
    tree = [file("b/c/d", 5), file("b-c"), file("b.c"), file("a"), link]
    walked(ledger, SOURCE, tree)
    assert list(ledger.work.unread(SOURCE)) == [
        Due(b"a", 1000),
        Due(b"b-c", 1000),
        Due(b"b.c", 1000),
        Due(b"b/c/d", 5),
    ]
    record(ledger, SOURCE, *map(read, tree[:4]))
    assert list(ledger.work.unread(SOURCE)) == []
    walked(ledger, SOURCE, [*tree[1:], file("b/c/d", 6)])
    assert list(ledger.work.unread(SOURCE)) == [Due(b"b/c/d", 6)]
    assert ledger.work.totals(SOURCE) == Totals(5, 4, 3006, 1, 6)


def test_a_wanted_file_stays_wanted_until_it_is_read_past_the_cache(ledger):
    walked(ledger, SOURCE, [file("a"), file("b")])
    record(ledger, SOURCE, read(file("a")), read(file("b")))
    assert ledger.readings.want(SOURCE, [b"a", b"missing", b"none/at/all"], "second reading") == 1
    assert list(ledger.work.wanted(SOURCE)) == [Due(b"a", 1000, NOW, "second reading")]
    assert ledger.work.totals(SOURCE).wanted_bytes == 1000
    record(ledger, SOURCE, read(file("a"), 1, NOW + 1))
    assert names(ledger.work.wanted(SOURCE)) == [b"a"]
    record(ledger, SOURCE, read(file("a"), 1, NOW + 2), past_cache=True)
    assert names(ledger.work.wanted(SOURCE)) == []
    ledger.readings.want(SOURCE, [b"a", b"b"], "found while checking around")
    ledger.readings.unwant(SOURCE, [b"a", b"missing"])
    assert names(ledger.work.wanted(SOURCE)) == [b"b"]
    walked(ledger, SOURCE, [file("a"), file("b", 5)])
    assert names(ledger.work.wanted(SOURCE)) == []
    assert names(ledger.work.unread(SOURCE)) == [b"b"]


def test_a_reading_from_before_the_wish_does_not_fulfil_it(ledger):
    walked(ledger, SOURCE, [file("a")])
    ledger.readings.add(SOURCE, read(file("a")), 100.0, past_cache=True)
    ledger.readings.want(SOURCE, [b"a"], "second reading")
    assert names(ledger.work.wanted(SOURCE)) == [b"a"]


def test_the_longest_unread_come_first_and_what_is_read_goes_to_the_end(ledger):
    tree = [file(name) for name in ("a", "b/c", "b/d", "e")]
    walked(ledger, SOURCE, tree)
    for number, each in enumerate((tree[2], tree[0], tree[3], tree[1])):
        record(ledger, SOURCE, read(each, 1, NOW + number // 2))
    order = [b"a", b"b/d", b"e", b"b/c"]
    assert names(ledger.work.longest_unread(SOURCE)) == order
    assert ledger.work.oldest_read(SOURCE) == NOW
    stream = ledger.work.longest_unread(SOURCE)
    first = next(stream)
    record(ledger, SOURCE, read(tree[0], 1, NOW + 99))
    assert names(ledger.work.longest_unread(SOURCE, first)) == [b"b/d", b"e", b"b/c", b"a"]
    assert names(ledger.work.longest_unread(SOURCE)) == [b"b/d", b"e", b"b/c", b"a"]
    assert ledger.work.read_since(SOURCE, NOW + 1) == (3, 3000)


def test_what_is_held_when_the_first_of_the_longest_unread_is_asked_for_is_due_no_more(ledger):
    tree = [file("a"), file("b"), file("c")]
    walked(ledger, SOURCE, tree)
    record(ledger, SOURCE, *map(read, tree))
    stream = ledger.work.longest_unread(SOURCE, read_before=NOW + 1)
    ledger.readings.add(SOURCE, read(tree[0], 1, NOW + 1), float(NOW + 1))
    assert names(stream) == [b"b", b"c"]
    assert names(ledger.work.longest_unread(SOURCE, read_before=NOW)) == []


def test_what_was_read_within_a_time_is_counted_whether_it_is_all_none_or_some(ledger):
    read_at = {"a": 0, "b": 1, "c": 1, "d": 3}
    walked(ledger, SOURCE, [*(file(name, ord(name)) for name in read_at), file("new", 7)])
    for name, moment in read_at.items():
        record(ledger, SOURCE, read(file(name, ord(name)), 1, NOW + moment))
    for start, end in itertools.product(range(-1, 5), repeat=2):
        within = [ord(name) for name, moment in read_at.items() if start <= moment < end]
        counted = ledger.work.read_between(SOURCE, NOW + start, NOW + end)
        assert counted == (len(within), sum(within)), (start, end)


def test_a_stream_goes_on_while_what_it_gives_is_recorded_and_gives_nothing_twice(
    ledger, monkeypatch
):
    monkeypatch.setattr(work_module, "_FILES_AT_ONCE", 3)
    tree = [file(f"{number // 7}/{number:03d}") for number in range(50)]
    walked(ledger, SOURCE, tree)
    by_path = {each.path: each for each in tree}
    given_out = []
    for due in ledger.work.unread(SOURCE):
        record(ledger, SOURCE, read(by_path[due.path], 1, NOW))
        given_out.append(due.path)
    assert given_out == sorted(by_path)
    audited = []
    for due in itertools.islice(ledger.work.longest_unread(SOURCE), 50):
        record(ledger, SOURCE, read(by_path[due.path], 1, NOW + 1))
        audited.append(due.path)
    assert sorted(audited) == sorted(by_path)


def test_a_place_that_is_not_known_yet_has_nothing_to_read(ledger):
    place = PlaceName("delivered-surveys", "vault")
    assert ledger.work.totals(place) == Totals()
    assert names(ledger.work.unread(place)) == []
    assert names(ledger.work.wanted(place)) == []
    assert names(ledger.work.longest_unread(place)) == []
    assert ledger.work.oldest_read(place) is None


_share = itertools.count()


@pytest.fixture(scope="module")
def shared(large_tmp):
    with Ledger(large_tmp / "ledger.db") as opened:
        yield opened


@often
@given(
    st.dictionaries(
        paths(),
        st.tuples(st.one_of(st.none(), st.integers(0, 3)), st.booleans()),
        max_size=14,
    ),
    st.one_of(st.none(), paths()),
    st.booleans(),
)
def test_what_is_to_be_read_is_what_sorting_everything_says(shared, tree, after, few):
    place = PlaceName(f"share {next(_share)}")
    walked(shared, place, [file(name, len(name)) for name in tree])
    for name, (at, wanted) in tree.items():
        if at is not None:
            record(shared, place, read(file(name, len(name)), 1, NOW + at))
        if wanted:
            shared.readings.want(place, [name], "why")
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(work_module, "FEW", 1000 if few else -1)
        patch.setattr(work_module, "_FOLDERS_AT_ONCE", 2)
        patch.setattr(work_module, "_FILES_AT_ONCE", 2)
        left = [name for name in sorted(tree) if after is None or name > after]
        unread = [name for name in left if tree[name][0] is None]
        assert names(shared.work.unread(place, after)) == unread
        wanted = [name for name in left if tree[name][1]]
        assert names(shared.work.wanted(place, after)) == wanted
        aged = list(shared.work.longest_unread(place))
        assert sorted(names(aged)) == sorted(name for name in tree if tree[name][0] is not None)
        ages = [each.read_at for each in aged]
        assert ages == sorted(ages)
        for number, each in enumerate(aged):
            assert list(shared.work.longest_unread(place, each)) == aged[number + 1 :]
    totals = shared.work.totals(place)
    assert totals.read_files == len(aged)
    assert totals.wanted_files == sum(wanted for _, wanted in tree.values())
    assert totals.wanted_bytes == sum(len(name) for name in tree if tree[name][1])


def test_readings_of_many_bytes_are_committed_sooner(ledger):
    big = [file(name, size=3 << 20) for name in ("a", "b")]
    walked(ledger, SOURCE, big)
    ledger.readings.add(SOURCE, read(big[0]), 100.0)
    assert committed(ledger.path) == []
    ledger.readings.add(SOURCE, read(big[1]), 100.0)
    assert committed(ledger.path) == [b"a", b"b"]


class Commits:
    """A clock by which commits take as long as one says."""

    def __init__(self, monkeypatch, seconds):
        self.seconds = seconds
        self.now = 0.0
        monkeypatch.setattr(readings_module, "perf_counter", lambda: self.now)
        commit = readings_module.Readings._record
        monkeypatch.setattr(
            readings_module.Readings,
            "_record",
            lambda readings, held: (self._take(), commit(readings, held))[1],
        )

    def _take(self):
        self.now += self.seconds


def test_bytes_alone_are_no_reason_for_a_commit_while_a_slow_disk_rests(ledger, monkeypatch):
    commits = Commits(monkeypatch, seconds=5.0)
    many = [file(name, size=20 << 20) for name in ("a", "b", "c")]
    walked(ledger, SOURCE, many)
    for each, passed, seen in (
        (many[0], 0.0, [b"a"]),
        (many[1], 4.9, [b"a"]),
        (many[2], 0.1, [b"a", b"b", b"c"]),
    ):
        commits.now += passed
        ledger.readings.add(SOURCE, read(each), 100.0)
        assert committed(ledger.path) == seen


def test_of_a_large_place_more_may_be_held_and_of_a_small_one_beside_it_no_more(
    ledger, monkeypatch
):
    Commits(monkeypatch, seconds=0.0)
    video = 20 << 20
    walked(ledger, SOURCE, [file("a", video), file("b", video), file("rest", 100_000 << 20)])
    walked(ledger, VAULT, [file("a", video)])
    ledger.readings.add(SOURCE, read(file("a", video)), 100.0)
    ledger.readings.add(SOURCE, read(file("b", video)), 100.0)
    assert committed(ledger.path) == []
    ledger.readings.add(VAULT, read(file("a", video)), 100.0)
    assert committed(ledger.path) == [b"a", b"b"]
    ledger.readings.add(SOURCE, read(file("rest", 100_000 << 20)), 100.0)
    assert committed(ledger.path) == [b"a", b"b", b"rest"]


# Fails when what is seen between two walks is not counted, counted again, or not to be judged.
def test_what_is_seen_between_two_walks_is_counted_once_and_judged(ledger):
    walked(ledger, SOURCE, [file("a", size=5)])
    ledger.agreements.forget_touched(
        SOURCE.share, ledger.agreements.sequence(), ledger.places(SOURCE.share)
    )
    ledger.readings.see_one(SOURCE, b"a", file("a", size=7), 100)
    ledger.readings.see_one(SOURCE, b"b", file("b", size=11), 100)
    ledger.readings.see_one(SOURCE, b"b", file("b", size=11), 101)
    totals = ledger.work.totals(SOURCE)
    assert (totals.entries, totals.files, totals.bytes) == (2, 2, 18)
    assert (totals.unread_files, totals.unread_bytes) == (2, 18)
    vault = PlaceName(SOURCE.share, "vault")
    assert sorted(ledger.agreements.touched(vault)) == [b"a", b"b"]
