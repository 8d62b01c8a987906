"""A walk gives every path once, in the order of its bytes, and asks for no folder twice."""

from __future__ import annotations

import gc
import os
import random
import shutil
import subprocess
import sys
import tempfile
import textwrap
import threading
import warnings
from collections.abc import Callable, Iterator
from contextlib import closing
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from verifier import system, walker
from verifier.errors import OutputFailed, PlaceUnreachable
from verifier.ignore import Ignore
from verifier.model import Kind
from verifier.places.base import Look
from verifier.places.folder import FolderPlace
from verifier.walker import walk, walk_dated

SURVEY = b"2026-014-harbour-wall"
LONG_ENOUGH = 20.0
"""Seconds after which something that should have happened has not."""

often = settings(max_examples=60, deadline=None, database=None)
seldom = settings(max_examples=15, deadline=None, database=None)

Item = tuple[bytes, Kind | None]
Tree = dict[bytes, "Tree | Kind"]

# Letters around "/" (0x2f) on both sides, and names that a careless program trips over.
letters = st.sampled_from(
    [b"a", b"b", b"-", b".", b"0", b" ", b"!", b"\n", b"\r", b"\x01", b"\\", b"\xff", b"\xc3\xa9"]
)
names = (
    st.lists(letters, min_size=1, max_size=4).map(b"".join).filter(lambda n: n not in (b".", b".."))
)
leaves = st.sampled_from([Kind.FILE, Kind.FILE, Kind.LINK, Kind.OTHER])
trees = st.recursive(
    st.dictionaries(names, leaves, max_size=5),
    lambda below: st.dictionaries(names, leaves | below, max_size=6),
    max_leaves=25,
)


def paths(tree: Tree, prefix: bytes = b"") -> Iterator[tuple[bytes, Kind]]:
    """Every path of a tree that is no folder, in no order."""
    for name, what in tree.items():
        if isinstance(what, dict):
            yield from paths(what, prefix + name + b"/")
        else:
            yield prefix + name, what


def in_order(tree: Tree) -> list[tuple[bytes, Kind]]:
    return sorted(paths(tree))


def build(root: bytes, tree: Tree) -> None:
    for name, what in tree.items():
        path = os.path.join(root, name)
        if isinstance(what, dict):
            os.mkdir(path)
            build(path, what)
        elif what is Kind.LINK:
            os.symlink(random.Random(path).choice([b"..", b".", b"/", b"nowhere", name]), path)
        elif what is Kind.OTHER:
            os.mkfifo(path)
        else:
            os.close(os.open(path, os.O_CREAT | os.O_WRONLY))


def folders_of(tree: Tree, prefix: bytes = b"") -> Iterator[tuple[bytes, list[Item]]]:
    yield prefix, [(name, None if isinstance(what, dict) else what) for name, what in tree.items()]
    for name, what in tree.items():
        if isinstance(what, dict):
            yield from folders_of(what, prefix + b"/" + name if prefix else name)


class Shelf:
    """A place in memory; a folder is a list of items, or of items and then an error."""

    at = "/volumes/bench/current-surveys"

    def __init__(
        self,
        folders: dict[bytes, list[Item | OSError]],
        before_listing: Callable[[bytes], object] = lambda folder: None,
    ) -> None:
        self.listed: list[bytes] = []
        self._folders = folders
        self._before_listing = before_listing

    @classmethod
    def of(
        cls, tree: Tree, before_listing: Callable[[bytes], object] = lambda folder: None
    ) -> Shelf:
        return cls(dict(folders_of(tree)), before_listing)

    def check(self) -> None:
        """It is always there."""

    def list_folder(self, folder: bytes) -> Iterator[Item]:
        self.listed.append(folder)
        self._before_listing(folder)
        if folder not in self._folders:
            raise FileNotFoundError(2, "No such file or directory")
        for item in self._folders[folder]:
            if isinstance(item, OSError):
                raise item
            yield item


class Unwatched:
    """Nobody who watches."""

    def has_read(self, count: int) -> None:
        """Not noted."""

    def check(self) -> None:
        """Goes on."""

    def crowded(self) -> bool:
        return True


def file(name: bytes) -> Item:
    return name, Kind.FILE


def folder(name: bytes) -> Item:
    return name, None


def found(place: object, ignore: Ignore | None = None) -> list[tuple[bytes, Kind]]:
    return [(entry.path, entry.kind) for entry in walk(place, ignore)]


def crew() -> list[threading.Thread]:
    return [thread for thread in threading.enumerate() if thread.name == "list-ahead"]


def crew_has_gone() -> bool:
    for thread in crew():
        thread.join(LONG_ENOUGH)
    return not crew()


def call_crew_at_once(patch: pytest.MonkeyPatch) -> None:
    """Every place counts as slow from the first listing on."""
    for bound in ("PATIENCE", "SLOW_LISTING", "OTHERS_TURN"):
        patch.setattr(walker, bound, -1.0)


@pytest.fixture
def with_crew(monkeypatch: pytest.MonkeyPatch) -> None:
    call_crew_at_once(monkeypatch)


# ---------------------------------------------------------------------------------------- order


@often
@given(trees)
def test_the_order_is_that_of_all_paths_sorted_by_their_bytes(tree):
    with tempfile.TemporaryDirectory() as root:
        build(os.fsencode(root), tree)
        assert found(FolderPlace(os.path.realpath(os.fsencode(root)))) == in_order(tree)


@often
@given(trees)
def test_a_walk_with_dates_sees_what_a_walk_and_a_look_without_content_see(tree):
    with tempfile.TemporaryDirectory() as root:
        build(os.fsencode(root), tree)
        place = FolderPlace(os.path.realpath(os.fsencode(root)))
        entries = list(walk(place))
        look, not_files = Look(content=False), frozenset(range(len(entries)))
        seen = place.look_at(
            [entry.path for entry in entries], not_files, look, lambda: 0.0, Unwatched()
        )
        assert list(walk_dated(place)) == seen


@often
@given(trees)
def test_every_folder_is_listed_exactly_once(tree):
    shelf = Shelf.of(tree)
    assert found(shelf) == in_order(tree)
    assert sorted(shelf.listed) == sorted(dict(folders_of(tree)))


def test_a_folder_s_contents_stand_where_its_name_with_a_slash_sorts():
    tree: Tree = {
        b"a": {b"b": Kind.FILE, b"b-": Kind.FILE, b"0": {b"x": Kind.FILE}},
        b"a-": Kind.FILE,
        b"a.b": {b"c": Kind.FILE},
        b"a0": Kind.FILE,
        b"a\n": Kind.FILE,
    }
    assert [path for path, _ in found(Shelf.of(tree))] == [
        *(b"a\n", b"a-", b"a.b/c", b"a/0/x", b"a/b", b"a/b-", b"a0")
    ]


def test_an_empty_folder_gives_nothing():
    assert found(Shelf.of({})) == []
    assert found(Shelf.of({b"flights": {b"raw": {}}})) == []


def test_entries_come_before_the_whole_tree_is_listed():
    tree: Tree = {b"a": {b"0001.tif": Kind.FILE}, b"b": {b"0002.tif": Kind.FILE}}
    shelf = Shelf.of(tree)
    entries = walk(shelf)
    assert next(entries).path == b"a/0001.tif"
    assert b"b" not in shelf.listed
    entries.close()


@pytest.mark.filterwarnings("ignore::ResourceWarning")  # see the test below
@pytest.mark.parametrize("in_memory", [1, 7, 49, 50])
def test_a_folder_with_more_names_than_memory_should_hold_comes_sorted(monkeypatch, in_memory):
    monkeypatch.setattr(walker, "NAMES_IN_MEMORY", in_memory)
    tree: Tree = {b"%03d.tif" % number: Kind.FILE for number in range(40)}
    tree |= {b"%03d" % number: {b"note.txt": Kind.FILE} for number in range(10)}
    folders = dict(folders_of(tree))
    random.Random(14).shuffle(folders[b""])
    assert found(Shelf(folders)) == in_order(tree)


def test_what_a_full_folder_was_sorted_through_is_closed_when_the_walk_has_passed(monkeypatch):
    monkeypatch.setattr(walker, "NAMES_IN_MEMORY", 7)
    with warnings.catch_warnings(record=True) as said:
        warnings.simplefilter("always", ResourceWarning)
        list(walk(Shelf({b"": [file(b"%d" % number) for number in range(50)]})))
        gc.collect()
    assert not said


def test_a_tree_2000_levels_deep_and_longer_than_any_path_may_be_is_walked(tmp_path):
    if not system.READS_BELOW_FOLDER:
        pytest.skip("paths are joined here, and the system refuses one that long")
    root, name = os.fsencode(tmp_path / "deep"), b"lev"
    try:
        deepen(root, name, 2000)
        assert found(FolderPlace(root)) == [(2000 * (name + b"/") + b"0001.tif", Kind.FILE)]
    finally:
        subprocess.run(["rm", "-rf", root], check=True)  # shutil runs out of stack


def test_where_paths_are_joined_one_that_is_too_long_is_an_entry_with_trouble(tmp_path):
    if system.READS_BELOW_FOLDER:
        pytest.skip("folders are opened one below the other here, so no path is too long")
    root, name = os.fsencode(tmp_path / "deep"), 200 * b"l"
    try:
        deepen(root, name, 40)
        [entry] = walk(FolderPlace(root))
        assert entry.trouble is not None
        assert entry.trouble.cause == "file-name-too-long"
    finally:
        subprocess.run(["rm", "-rf", root], check=True)


def deepen(root: bytes, name: bytes, levels: int) -> None:
    """Folders one in the other, each called ``name``, and a file in the last."""
    os.mkdir(root)
    at = os.open(root, os.O_RDONLY)
    for _ in range(levels):
        os.mkdir(name, dir_fd=at)
        below = os.open(name, os.O_RDONLY, dir_fd=at)
        os.close(at)
        at = below
    os.close(os.open(b"0001.tif", os.O_CREAT | os.O_WRONLY, dir_fd=at))
    os.close(at)


# ---------------------------------------------------------------------------------------- links


def test_links_are_never_followed(tmp_path):
    root, outside = tmp_path / "current-surveys", tmp_path / "outside"
    (root / "flights").mkdir(parents=True)
    (root / "flights" / "0001.tif").touch()
    outside.mkdir()
    (outside / "private.txt").touch()
    (root / "flights" / "up").symlink_to("..")
    (root / "flights" / "itself").symlink_to("itself")
    (root / "out").symlink_to(outside)
    (root / "root").symlink_to("/")
    (root / "file").symlink_to("flights/0001.tif")
    (root / "dangling").symlink_to("nowhere")
    assert found(FolderPlace.at_path(root)) == [
        (b"dangling", Kind.LINK),
        (b"file", Kind.LINK),
        (b"flights/0001.tif", Kind.FILE),
        (b"flights/itself", Kind.LINK),
        (b"flights/up", Kind.LINK),
        (b"out", Kind.LINK),
        (b"root", Kind.LINK),
    ]


# -------------------------------------------------------------------------------------- trouble


@pytest.mark.parametrize("crewed", [False, True])
def test_an_unlistable_folder_is_one_entry_with_trouble_in_its_sorted_place(crewed, request):
    if crewed:
        request.getfixturevalue("with_crew")
    shelf = Shelf(
        {
            b"": [file(b"a0"), file(b"a.b"), folder(b"a"), file(b"a-x"), folder(b"b")],
            b"a": [PermissionError(13, "Permission denied")],
            b"b": [file(b"0001.tif")],
        }
    )
    entries = list(walk(shelf))
    assert [entry.path for entry in entries] == [b"a", b"a-x", b"a.b", b"a0", b"b/0001.tif"]
    assert [entry.trouble and entry.trouble.cause for entry in entries] == [
        *("permission-denied", None, None, None, None)
    ]
    assert entries[0].kind is Kind.OTHER
    assert entries[0].sighting().trouble == entries[0].trouble


def test_a_folder_whose_listing_breaks_off_gives_none_of_its_names():
    shelf = Shelf(
        {
            b"": [folder(b"flights")],
            b"flights": [file(b"0001.tif"), folder(b"raw"), OSError(5, "Input/output error")],
            b"flights/raw": [file(b"0002.tif")],
        }
    )
    [entry] = walk(shelf)
    assert entry.path == b"flights"
    assert entry.trouble is not None
    assert entry.trouble.cause == "input-output-error"
    assert b"flights/raw" not in shelf.listed


@pytest.mark.parametrize("before", [[], [file(b"0001.tif")]])
def test_a_root_that_cannot_be_listed_is_never_taken_for_an_empty_one(before):
    with pytest.raises(PlaceUnreachable):
        list(walk(Shelf({b"": [*before, OSError(5, "Input/output error")]})))


def test_a_root_that_is_missing_is_unreachable(tmp_path):
    with pytest.raises(PlaceUnreachable):
        list(walk(FolderPlace(os.fsencode(tmp_path / "nowhere"))))


@pytest.mark.parametrize(
    "gone", [FileNotFoundError(2, "No such file"), NotADirectoryError(20, "Not a directory")]
)
def test_a_folder_that_vanishes_between_two_listings_is_passed_over(gone):
    shelf = Shelf({b"": [folder(b"a"), file(b"b")], b"a": [gone]})
    assert found(shelf) == [(b"b", Kind.FILE)]


def test_a_real_folder_that_is_removed_after_its_parent_was_listed_is_passed_over(tmp_path):
    for name in ("flights", "notes"):
        (tmp_path / name).mkdir()
        (tmp_path / name / "first.txt").touch()

    class Losing(FolderPlace):
        def list_folder(self, folder: bytes) -> Iterator[Item]:
            yield from super().list_folder(folder)
            if folder == b"":
                shutil.rmtree(tmp_path / "flights")

    assert found(Losing(os.fsencode(tmp_path))) == [(b"notes/first.txt", Kind.FILE)]


def test_a_full_temporary_folder_is_an_error_and_not_a_shorter_walk(monkeypatch, tmp_path):
    monkeypatch.setattr(walker, "NAMES_IN_MEMORY", 2)
    monkeypatch.setattr(tempfile, "tempdir", str(tmp_path / "nowhere"))
    shelf = Shelf({b"": [file(b"%d" % number) for number in range(5)]})
    with pytest.raises(OutputFailed):
        list(walk(shelf))


def test_a_full_temporary_folder_is_an_error_too_where_a_crew_lists(tmp_path):
    script = textwrap.dedent(
        """
        import sys, tempfile, threading
        from test_walker import Shelf, file, folder
        from verifier import walker
        from verifier.errors import OutputFailed

        walker.NAMES_IN_MEMORY = 3
        walker.PATIENCE = walker.SLOW_LISTING = walker.OTHERS_TURN = -1.0
        tempfile.tempdir = sys.argv[1]

        def slowly(name):
            if name == b"b":
                threading.Event().wait(0.3)

        def walk_it():
            many = [file(b"%d" % number) for number in range(5)]
            try:
                list(walker.walk(Shelf({b"": [folder(b"b")], b"b": many}, slowly)))
            except OutputFailed:
                print("said so")

        walking = threading.Thread(target=walk_it, daemon=True)
        walking.start()
        walking.join(60)
        """
    )
    ended = subprocess.run(
        [sys.executable, "-c", script, str(tmp_path / "nowhere")],
        cwd=Path(__file__).parent,
        capture_output=True,
        text=True,
    )
    assert (ended.stdout, ended.stderr) == ("said so\n", "")


# --------------------------------------------------------------------------------------- ignore

HARBOUR: Tree = {
    b".DS_Store": Kind.FILE,
    b"notes": {b".DS_Store": Kind.FILE, b"keep.tmp": Kind.FILE, b"day-1.tmp": Kind.FILE},
    b"cache": {b"tiles": {b"0.png": Kind.FILE}},
    b"orthos": {
        b"cache": {b"1.png": Kind.FILE},
        b"caf\xe9": {b"2.png": Kind.FILE},
        b"x\xff.tif": Kind.FILE,
        b"y.tif": Kind.FILE,
    },
}


@pytest.mark.parametrize(
    ("patterns", "left_out", "never_listed"),
    [
        ([".DS_Store"], [b".DS_Store", b"notes/.DS_Store"], []),
        (
            ["cache/"],
            [b"cache/tiles/0.png", b"orthos/cache/1.png"],
            [b"cache", b"cache/tiles", b"orthos/cache"],
        ),
        (["/cache/"], [b"cache/tiles/0.png"], [b"cache", b"cache/tiles"]),
        (["orthos/**/1.png"], [b"orthos/cache/1.png"], []),
        (["**/tiles"], [b"cache/tiles/0.png"], [b"cache/tiles"]),
        (["*.tmp", "!keep.tmp"], [b"notes/day-1.tmp"], []),
        (["notes/", "!notes/keep.tmp"], [b"notes/"], [b"notes"]),
        (["caf\udce9/"], [b"orthos/caf\xe9/2.png"], [b"orthos/caf\xe9"]),
        (["x?.tif"], [b"orthos/x\xff.tif"], []),
    ],
)
def test_what_a_pattern_leaves_out_is_not_seen_and_its_folders_are_not_listed(
    patterns, left_out, never_listed
):
    shelf = Shelf.of(HARBOUR)
    below = tuple(path for path in left_out if path.endswith(b"/"))
    assert found(shelf, Ignore(patterns)) == [
        (path, kind)
        for path, kind in in_order(HARBOUR)
        if path not in left_out and not path.startswith(below)
    ]
    assert not set(never_listed) & set(shelf.listed)
    assert set(shelf.listed) == set(dict(folders_of(HARBOUR))) - set(never_listed)


@often
@given(trees, st.lists(st.sampled_from(["a", "b/", "/a", "a/*", "**/b", "*.", "!a", "!b"])))
def test_a_walk_sees_what_the_patterns_leave_of_the_whole_tree(tree, patterns):
    ignore = Ignore(patterns)
    assert found(Shelf.of(tree), ignore) == [
        each for each in in_order(tree) if not ignore.ignores_at_or_above(each[0])
    ]


# -------------------------------------------------------------------------------- listing ahead

WIDE: Tree = {
    b"%03d" % number: {b"flights": {b"0001.tif": Kind.FILE}, b"notes.txt": Kind.FILE}
    for number in range(64)
}


class Together:
    """Holds every listing but the root's until ``wanted`` of them are under way at once."""

    def __init__(self, wanted: int) -> None:
        self.reached = threading.Event()
        self._wanted = wanted
        self._under_way = 0
        self._lock = threading.Lock()

    def __call__(self, name: bytes) -> None:
        if not name:
            threading.Event().wait(2 * walker.PATIENCE)  # the root comes slowly: call the crew
            return
        with self._lock:
            self._under_way += 1
            if self._under_way >= self._wanted:
                self.reached.set()
        self.reached.wait(LONG_ENOUGH)
        with self._lock:
            self._under_way -= 1


def test_a_slow_place_is_asked_for_as_many_folders_at_once_as_the_crew_is_large():
    together = Together(walker.CREW)
    shelf = Shelf.of(WIDE, together)
    assert found(shelf) == in_order(WIDE)
    assert together.reached.is_set()
    assert sorted(shelf.listed) == sorted(dict(folders_of(WIDE)))
    assert crew_has_gone()


def test_a_quick_place_is_listed_in_the_caller_s_thread_alone(monkeypatch):
    monkeypatch.setattr(walker, "PATIENCE", LONG_ENOUGH)  # however busy this machine is
    threads = set()
    shelf = Shelf.of(WIDE, lambda name: threads.add(threading.current_thread()))
    assert found(shelf) == in_order(WIDE)
    assert threads == {threading.current_thread()}


class Turns:
    """A clock for the walker on which each listing takes so many seconds, some of them its own."""

    def __init__(self, took: float, own: float) -> None:
        self._took = took
        self._own = own
        self._listed = 0

    def __call__(self, name: bytes) -> None:
        self._listed += 1

    def perf_counter(self) -> float:
        return self._listed * self._took

    def thread_time(self) -> float:
        return self._listed * self._own


# Fails when waiting for the processor counts as waiting for the place.
@pytest.mark.parametrize(("took", "called"), [(0.004, False), (0.006, True)])
def test_a_busy_processor_is_no_slow_place(monkeypatch, took, called):
    turns = Turns(took, own=0.001)
    monkeypatch.setattr(walker, "time", turns)
    shelf = Shelf.of(WIDE, turns)
    with closing(walker.walk(shelf)) as walking:
        for _ in range(len(WIDE) // 2):
            next(walking)
        assert bool(crew()) is called
    assert crew_has_gone()


@seldom
@given(trees)
def test_listing_ahead_changes_nothing_in_what_is_found(tree):
    with pytest.MonkeyPatch.context() as patch:
        call_crew_at_once(patch)
        shelf = Shelf.of(tree)
        assert found(shelf) == in_order(tree)
        assert sorted(shelf.listed) == sorted(dict(folders_of(tree)))
    assert crew_has_gone()


@pytest.mark.parametrize("room", [1, 5, 70])
def test_a_crew_with_little_room_still_gives_every_path(monkeypatch, with_crew, room):
    monkeypatch.setattr(walker, "LISTED_AHEAD", room)
    shelf = Shelf.of(WIDE)
    assert found(shelf) == in_order(WIDE)
    assert sorted(shelf.listed) == sorted(dict(folders_of(WIDE)))


def test_folders_are_listed_ahead_only_as_far_as_there_is_room(monkeypatch, with_crew):
    monkeypatch.setattr(walker, "LISTED_AHEAD", 10)
    monkeypatch.setattr(walker, "CREW", 4)
    listed = threading.Semaphore(0)
    shelf = Shelf.of(WIDE, lambda name: listed.release())
    entries = walk(shelf)
    next(entries)
    while listed.acquire(timeout=0.2):
        """Until the crew has nothing more that it may do."""
    # Each of four may have been about to list one when the tenth name came in.
    assert len(shelf.listed) < 30
    entries.close()


@pytest.mark.parametrize("seen", [0, 1, 20])
def test_a_walk_that_is_closed_midway_leaves_no_thread_running(with_crew, seen):
    entries = walk(Shelf.of(WIDE))
    for _ in range(seen + 1):
        next(entries)
    assert crew()
    entries.close()
    assert crew_has_gone()


def test_a_walk_that_came_to_its_end_leaves_no_thread_running(with_crew):
    list(walk(Shelf.of(WIDE)))
    assert crew_has_gone()
