"""Sightings come in the order of the entries, whoever reads, and each content is read once."""

from __future__ import annotations

import os
import tempfile
import threading
from collections.abc import Iterator
from pathlib import Path

import pytest
from blake3 import blake3
from hypothesis import given, settings
from hypothesis import strategies as st
from trees import Tree, content

from verifier import hashing, reading
from verifier.engine import BellRang, Engine, Lane
from verifier.errors import Stopped
from verifier.model import Kind, Sighting, Trouble
from verifier.places.base import READ_ALONE_FROM, Look
from verifier.places.folder import FolderPlace
from verifier.reading import read_again, sighting_from, sightings
from verifier.walker import Entry, walk

NOON = 1795557600
LOCKED = Trouble("permission-denied", "The system said: Permission denied (EACCES).")

seldom = settings(max_examples=20, deadline=None, database=None)


def noon() -> float:
    """The time, for readers in other processes too."""
    return NOON


@pytest.fixture(scope="module")
def processes() -> Iterator[Lane]:
    """A lane of two reading processes."""
    with pytest.MonkeyPatch.context() as patch:
        # Buffers of this process would be shared with copies of it: see test_hashing.py.
        patch.setattr(hashing, "_own", threading.local())
        engine = Engine([2])
    with engine:
        yield engine.lanes[0]


def inline() -> Lane:
    """A lane that reads in the caller's own thread."""
    return Engine([2], inline=True).lanes[0]


@pytest.fixture(params=["inline", "processes"])
def lane(request: pytest.FixtureRequest) -> Lane:
    return inline() if request.param == "inline" else request.getfixturevalue("processes")


def place_of(tree: Tree) -> FolderPlace:
    return FolderPlace.at_path(tree.root)


def seen(tree: Tree, lane: Lane, look: Look | None = None) -> list[Sighting]:
    place = place_of(tree)
    return list(sightings(place, walk(place), lane, look or Look(), noon))


def digest(holds: bytes) -> bytes:
    return blake3(holds).digest()


names = st.sampled_from([b"a", b"a-", b"a.b", b"a0", b"b\n", b"\xff", b"caf\xc3\xa9", b"Z"])
files = st.binary(max_size=40)
forests = st.dictionaries(
    st.lists(names, min_size=1, max_size=3).map(b"/".join), files, max_size=20
).map(
    lambda found: {
        path: holds
        for path, holds in found.items()
        if not any(other.startswith(path + b"/") for other in found)
    }
)


def planted(root: Path, forest: dict[bytes, bytes]) -> Tree:
    tree = Tree(root)
    for path, holds in forest.items():
        tree.file(path, holds)
    return tree


def check_arbitrary_tree(forest: dict[bytes, bytes], lane: Lane) -> None:
    with tempfile.TemporaryDirectory() as root, pytest.MonkeyPatch.context() as patch:
        patch.setattr(reading, "FIRST_BATCH", 1)
        patch.setattr(reading, "BATCH", 4)
        patch.setattr(reading, "BATCHES_AHEAD", 3)
        found = seen(planted(Path(root), forest), lane)
    assert [(each.path, each.digest, each.size) for each in found] == [
        (path, digest(forest[path]), len(forest[path])) for path in sorted(forest)
    ]
    assert {each.read_at for each in found} <= {NOON}


@seldom
@given(forests)
def test_sightings_of_an_arbitrary_tree_come_in_order_when_read_in_this_process(forest):
    check_arbitrary_tree(forest, inline())


@seldom
@given(forest=forests)
def test_sightings_of_an_arbitrary_tree_come_in_order_when_read_by_processes(processes, forest):
    check_arbitrary_tree(forest, processes)


def something_of_everything(root: Path) -> Tree:
    tree = Tree(root).files(*(f"flights/{number:03d}.jpg" for number in range(40)), size=50)
    tree.file("flights/007.mov", READ_ALONE_FROM + 1).file("flights/021.mov", READ_ALONE_FROM)
    tree.file("orthos/harbour.tif", 2_000_000).link("latest", "flights").fifo("pipe")
    tree.file("notes/empty.txt").file(b"notes/caf\xe9.txt", b"low tide")
    return tree.hard_link("notes/twice.jpg", "flights/003.jpg")


def test_processes_see_the_same_as_this_one(tmp_path, processes):
    tree = something_of_everything(tmp_path / "bench")
    one, other = seen(tree, inline()), seen(tree, processes)
    assert one == other
    assert [each.path for each in one] == sorted(each.path for each in one)
    assert len(one) == 48


def test_processes_see_the_same_although_this_one_has_read_before(tmp_path):
    tree = Tree(tmp_path / "bench")
    tree.files(*(f"{number:03d}.mov" for number in range(20)), size=READ_ALONE_FROM)
    expected = [digest(tree.read(f"{number:03d}.mov")) for number in range(20)]
    here = seen(tree, inline())
    with Engine([4]) as engine:
        there = seen(tree, engine.lanes[0])
    assert [each.digest for each in here] == expected
    assert [each.digest for each in there] == expected


def test_without_content_nothing_is_read(tmp_path, lane):
    before = lane.bytes_read
    found = seen(something_of_everything(tmp_path / "bench"), lane, Look(content=False))
    assert len(found) == 48
    assert {each.digest for each in found} == {None}
    assert lane.bytes_read == before


def test_large_files_stand_among_the_small_ones_in_their_place(tmp_path, lane):
    tree = Tree(tmp_path / "bench").files("a", "c", "e", size=10)
    tree.file("b", READ_ALONE_FROM).file("d", READ_ALONE_FROM + 1)
    before = lane.bytes_read
    found = seen(tree, lane)
    assert [(each.path, each.digest) for each in found] == [
        (name.encode(), digest(tree.read(name))) for name in "abcde"
    ]
    assert lane.bytes_read - before == 30 + 2 * READ_ALONE_FROM + 1


def test_a_place_with_no_entries_has_no_sightings(tmp_path, lane):
    assert seen(Tree(tmp_path / "bench"), lane) == []


# ---------------------------------------------------------------------------------- hard links


def test_a_file_with_several_names_is_read_once(tmp_path, lane, monkeypatch):
    monkeypatch.setattr(reading, "FIRST_BATCH", 2)
    monkeypatch.setattr(reading, "BATCH", 2)
    tree = Tree(tmp_path / "bench").file("a", 1000).files("b", "c", "d", "e", size=10)
    tree.hard_link("z", "a").hard_link("f/also", "a").file("g", READ_ALONE_FROM)
    tree.hard_link("h", "g")
    before = lane.bytes_read
    found = {each.path: each for each in seen(tree, lane)}
    assert lane.bytes_read - before == 1000 + 4 * 10 + READ_ALONE_FROM
    for name in ("a", "f/also", "z"):
        assert found[name.encode()].digest == digest(content("a", 1000))
        assert found[name.encode()].links == 3
    assert found[b"h"].digest == found[b"g"].digest == digest(tree.read("g"))


def test_a_file_that_changed_between_two_of_its_names_is_read_again(tmp_path, monkeypatch):
    monkeypatch.setattr(reading, "FIRST_BATCH", 1)
    monkeypatch.setattr(reading, "FIRST_BATCHES", 1)
    monkeypatch.setattr(reading, "BATCHES_AHEAD", 1)
    tree = Tree(tmp_path / "bench").file("a", b"flown").hard_link("z", "a")
    found = sightings(
        place_of(tree), [Entry(b"a", Kind.FILE), Entry(b"z", Kind.FILE)], inline(), Look(), noon
    )
    first = next(found)
    tree.edit("a", b"flown again")
    [second] = found
    assert (first.path, first.digest) == (b"a", digest(b"flown"))
    assert (second.path, second.digest) == (b"z", digest(b"flown again"))


def test_forgetting_hard_links_costs_a_second_reading_and_nothing_else(tmp_path, monkeypatch):
    monkeypatch.setattr(reading, "INODES_REMEMBERED", 1)
    tree = Tree(tmp_path / "bench").file("a", 10).file("b", 20)
    tree.hard_link("c", "a").hard_link("d", "b")
    lane = inline()
    found = seen(tree, lane)
    assert [each.digest for each in found] == 2 * [digest(tree.read("a")), digest(tree.read("b"))]
    assert lane.bytes_read == 2 * (10 + 20)


# -------------------------------------------------------------------------------------- trouble


def test_entries_with_trouble_stay_in_their_place(tmp_path, lane):
    tree = Tree(tmp_path / "bench").files("b", "d", size=10).link("c", "b").hard_link("e", "b")
    entries = [
        Entry(b"a", Kind.OTHER, LOCKED),
        Entry(b"b", Kind.FILE),
        Entry(b"c", Kind.LINK),
        Entry(b"cc", Kind.OTHER, LOCKED),
        Entry(b"d", Kind.FILE),
        Entry(b"e", Kind.FILE),
        Entry(b"f", Kind.OTHER, LOCKED),
    ]
    found = list(sightings(place_of(tree), entries, lane, Look(), noon))
    assert [each.path for each in found] == [entry.path for entry in entries]
    assert [each.trouble for each in found] == [entry.trouble for entry in entries]
    read = {each.path for each in found if each.digest is not None}
    assert read == {b"b", b"d", b"e"}


def test_files_that_vanish_on_the_way_are_unsettled_in_their_place(tmp_path, lane):
    tree = Tree(tmp_path / "bench").files("a", "c", size=10)
    entries = [Entry(name, Kind.FILE) for name in (b"a", b"b", b"c")]
    found = list(sightings(place_of(tree), entries, lane, Look(), noon))
    assert [each.trouble is not None and each.trouble.unsettled for each in found] == [
        *(False, True, False)
    ]


class Sinking(FolderPlace):
    """A place whose far end answers with something that nobody foresaw."""

    def look_at(self, *_: object) -> list[Sighting]:
        raise RuntimeError("the far end sank")


class Stopping(FolderPlace):
    """A place that is told to stop."""

    def look_at(self, *_: object) -> list[Sighting]:
        raise Stopped("Stopped before the work was done.")


@pytest.mark.parametrize(("kind", "error"), [(Sinking, RuntimeError), (Stopping, Stopped)])
def test_an_error_in_a_reader_reaches_the_caller(tmp_path, lane, kind, error):
    tree = Tree(tmp_path / "bench").files("a", "b", size=10)
    place = kind(os.fsencode(tree.root))
    with pytest.raises(error):
        list(sightings(place, walk(place), lane, Look(), noon))


# --------------------------------------------------------------------------------------- memory


def test_only_so_many_batches_are_asked_for_ahead_of_the_caller(tmp_path, monkeypatch):
    monkeypatch.setattr(reading, "FIRST_BATCH", 2)
    monkeypatch.setattr(reading, "BATCH", 2)
    monkeypatch.setattr(reading, "BATCHES_AHEAD", 3)
    tree = Tree(tmp_path / "bench").files(*(f"{number:03d}" for number in range(100)), size=1)
    asked = 0

    def counted() -> Iterator[Entry]:
        nonlocal asked
        for entry in walk(place_of(tree)):
            asked += 1
            yield entry

    for given_back, _ in enumerate(sightings(place_of(tree), counted(), inline(), Look()), 1):
        assert asked <= given_back + 3 * 2 + 2
    assert asked == 100


# --------------------------------------------------------------------------------- second looks


@pytest.mark.parametrize("size", [10, READ_ALONE_FROM])
def test_a_second_look_reads_the_content_again(tmp_path, lane, size):
    tree = Tree(tmp_path / "bench").file("a", size)
    [first] = seen(tree, lane)
    before = lane.bytes_read
    assert sighting_from(read_again(place_of(tree), first, lane, Look(), noon)) == first
    assert lane.bytes_read - before == size
    tree.flip_bit("a", at=5)
    again = sighting_from(read_again(place_of(tree), first, lane, Look(), noon))
    assert again.digest == digest(tree.read("a"))
    assert again.digest != first.digest


def test_a_second_look_at_a_link_or_without_content_reads_nothing(tmp_path, lane):
    tree = Tree(tmp_path / "bench").file("a", 10).link("b", "a")
    file, link = seen(tree, lane)
    before = lane.bytes_read
    assert sighting_from(read_again(place_of(tree), link, lane, Look(), noon)) == link
    glance = sighting_from(read_again(place_of(tree), file, lane, Look(content=False), noon))
    assert (glance.digest, glance.size) == (None, 10)
    assert lane.bytes_read == before


def test_a_second_look_at_what_has_gone_is_unsettled(tmp_path, lane):
    tree = Tree(tmp_path / "bench").file("a", 10)
    [first] = seen(tree, lane)
    tree.delete("a")
    again = sighting_from(read_again(place_of(tree), first, lane, Look(), noon))
    assert again.trouble is not None
    assert again.trouble.unsettled


class CutShort:
    """A lane whose reader the bell stops after ``count`` paths of a batch."""

    def __init__(self, count: int) -> None:
        self._count = count
        self._lane = inline()

    def submit(self, rank, job, place, paths, not_files, look, now, long=False):
        return self._lane.submit(
            rank, job, place, paths[: self._count], not_files, look, now, long=long
        )


# Fails when the end of a batch that was cut short is taken for one more sighting.
@pytest.mark.parametrize("count", [1, 2])
def test_a_batch_that_the_bell_cuts_short_gives_what_was_read_and_then_the_bell(tmp_path, count):
    tree = Tree(tmp_path / "bench")
    for number in range(3):
        tree.file(f"{number}.jpg", content(str(number), 100))
    place = place_of(tree)
    given = []
    with pytest.raises(BellRang):
        for sighting in sightings(place, walk(place), CutShort(count), Look(), noon):
            given.append(sighting.path)
    assert given == [b"0.jpg", b"1.jpg", b"2.jpg"][:count]
