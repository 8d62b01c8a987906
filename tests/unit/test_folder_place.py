"""What a folder's files are seen as; nothing outside the folder is ever opened or changed."""

from __future__ import annotations

import errno
import os
import pickle
import random
import shutil
import socket
import stat
import tempfile
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest
import xxhash
from blake3 import blake3
from trees import Tree

from verifier import system
from verifier.engine import BellRang
from verifier.errors import PlaceUnreachable, Stopped
from verifier.hashing import BLOCK
from verifier.model import CHANGED_WHILE_READ, SEGMENT, Kind, Sighting
from verifier.places import folder as folder_module
from verifier.places.base import READ_ALONE_FROM, Look, trouble_of, unpack
from verifier.places.base import pack as packed
from verifier.places.folder import FolderPlace

NOON = 1795557600.75
NOBODY = 65534

guarded = pytest.mark.skipif(
    not system.READS_BELOW_FOLDER, reason="this system cannot open files below an open folder"
)


class Watching:
    """A watch that counts bytes and can do something at each call."""

    def __init__(
        self,
        on_read: Callable[[], object] = lambda: None,
        on_check: Callable[[], object] = lambda: None,
    ) -> None:
        self.read = 0
        self._on_read = on_read
        self._on_check = on_check

    def has_read(self, count: int) -> None:
        self.read += count
        self._on_read()

    def check(self) -> None:
        self._on_check()

    paced = False

    def allow(self, count: int) -> int:
        self.check()
        return count

    def park(self) -> None:
        raise BellRang

    def crowded(self) -> bool:
        return True


@pytest.fixture
def root(tmp_path: Path) -> Path:
    folder = tmp_path / "current-surveys"
    folder.mkdir()
    return folder


def put(root: Path, path: str | bytes, content: bytes = b"raw") -> bytes:
    """A file of the tree; gives its path as the file system has it."""
    Tree(root).file(path, content)
    return os.fsencode(path)


def put_sparse(root: Path, path: str, size: int) -> bytes:
    name = put(root, path, b"")
    os.truncate(root / path, size)
    return name


def look(
    root: Path,
    *paths: bytes,
    not_files: frozenset[int] = frozenset(),
    how: Look | None = None,
    watch: Watching | None = None,
) -> list[Sighting]:
    place = FolderPlace(os.fsencode(root))
    watch = watch or Watching()
    return place.look_at(list(paths), not_files, how or Look(), lambda: NOON, watch)


def read(
    root: Path, path: bytes, how: Look | None = None, watch: Watching | None = None
) -> Sighting:
    place = FolderPlace(os.fsencode(root))
    return place.read_alone(path, how or Look(), lambda: NOON, watch or Watching())


def digest(content: bytes) -> bytes:
    return blake3(content).digest()


def open_descriptors() -> int:
    return len(os.listdir("/proc/self/fd" if os.path.isdir("/proc/self/fd") else "/dev/fd"))


# --------------------------------------------------------------------------------------- files


def test_a_file_s_sighting_holds_what_the_system_tells_of_it_and_its_digest(root):
    name = put(root, "flights/0001.tif", b"raw bytes")
    os.utime(root / "flights/0001.tif", ns=(1, 1782400000123456789))
    told = os.stat(root / "flights/0001.tif")
    [seen] = look(root, name)
    assert seen == Sighting(
        name,
        Kind.FILE,
        9,
        1782400000123456789,
        told.st_ctime_ns,
        told.st_dev,
        told.st_ino,
        1,
        digest(b"raw bytes"),
        read_at=int(NOON),
    )


def test_without_content_a_file_is_not_read(root):
    name, watch = put(root, "0001.tif"), Watching()
    [seen] = look(root, name, how=Look(content=False), watch=watch)
    assert (seen.size, seen.digest, seen.read_at, watch.read) == (3, None, None, 0)


@pytest.mark.parametrize("size", [0, 1, BLOCK - 1, BLOCK, BLOCK + 1, READ_ALONE_FROM - 1])
def test_files_around_the_size_of_a_block_are_read_whole(root, size):
    content = bytes(range(251)) * (size // 251 + 1)
    name, watch = put(root, "point-clouds/north.laz", content[:size]), Watching()
    [seen] = look(root, name, watch=watch)
    assert (seen.size, seen.digest) == (size, digest(content[:size]))
    assert seen.fingerprints == ()
    assert watch.read == size


def test_a_file_over_one_segment_has_a_fingerprint_of_each(root):
    name = put_sparse(root, "flights/long.mov", SEGMENT + 5)
    seen = read(root, name)
    assert seen.digest == digest(bytes(SEGMENT + 5))
    assert seen.fingerprints == (
        xxhash.xxh3_128_digest(bytes(SEGMENT)),
        xxhash.xxh3_128_digest(bytes(5)),
    )


@pytest.mark.parametrize("size", [10, BLOCK + 10, SEGMENT + 10])
def test_reading_past_the_cache_sees_the_same(root, size):
    name = put_sparse(root, "0001.tif", size)
    assert read(root, name, Look(past_cache=True)) == read(root, name)


def test_sightings_come_in_the_order_of_the_paths_that_were_asked_for(root):
    names = [put(root, f"{folder}/{number}.tif") for number in range(5) for folder in "cab"]
    (root / "link").symlink_to("a/0.tif")
    names.insert(4, b"link")
    seen = look(root, *names, not_files=frozenset({4}))
    assert [each.path for each in seen] == names
    assert [each.kind for each in seen].index(Kind.LINK) == 4


@pytest.mark.parametrize("name", [b"caf\xe9.tif", b"two\nlines", b"\xff\xfe", b"-", b"a\\b", b" "])
def test_any_name_that_the_file_system_takes_is_read(root, name):
    [seen] = look(root, put(root, b"flights/" + name, b"raw"))
    assert (seen.path, seen.digest) == (b"flights/" + name, digest(b"raw"))


@guarded
def test_a_file_below_a_path_longer_than_the_system_allows_is_read(root):
    at, depth = os.open(root, os.O_RDONLY), 30
    for _ in range(depth):
        os.mkdir(200 * b"f", dir_fd=at)
        below = os.open(200 * b"f", os.O_RDONLY, dir_fd=at)
        os.close(at)
        at = below
    with os.fdopen(os.open("x", os.O_CREAT | os.O_WRONLY, dir_fd=at), "wb") as file:
        file.write(b"deep")
    os.close(at)
    [seen] = look(root, depth * (200 * b"f" + b"/") + b"x")
    assert seen.digest == digest(b"deep")


# ----------------------------------------------------------------------------- links and others


@pytest.mark.parametrize("target", ["0001.tif", "..", "/etc/hostname", "nowhere", "link", "a\nb"])
def test_a_link_is_seen_with_its_target_and_never_followed(root, target):
    put(root, "0001.tif")
    (root / "link").symlink_to(target)
    watch = Watching()
    [seen] = look(root, b"link", not_files=frozenset({0}), watch=watch)
    assert (seen.kind, seen.target) == (Kind.LINK, os.fsencode(target))
    assert (seen.digest, seen.trouble, watch.read) == (None, None, 0)


def test_a_file_that_became_a_link_after_it_was_listed_is_not_followed(root, tmp_path):
    put(tmp_path, "outside.txt", b"private")
    (root / "0001.tif").symlink_to(tmp_path / "outside.txt")
    watch = Watching()
    [seen] = look(root, b"0001.tif", watch=watch)
    assert (seen.kind, seen.target) == (Kind.LINK, os.fsencode(tmp_path / "outside.txt"))
    assert (seen.digest, seen.trouble, watch.read) == (None, None, 0)
    assert read(root, b"0001.tif").digest is None


@guarded
def test_a_folder_that_became_a_link_leads_nobody_out_of_the_root(root, tmp_path):
    outside = tmp_path / "outside"
    put(outside, "deeper/0001.tif", b"private")
    (root / "flights").symlink_to(outside)
    watch = Watching()
    for path in (b"flights/deeper/0001.tif", b"flights/0001.tif"):
        for how in (Look(), Look(content=False)):
            [seen] = look(root, path, how=how, watch=watch)
            assert seen.digest is None
            assert seen.trouble is not None
        assert read(root, path).trouble is not None
        with pytest.raises(OSError):
            FolderPlace(os.fsencode(root)).open(path)
    for folder in (b"flights", b"flights/deeper"):
        with pytest.raises(OSError):
            list(FolderPlace(os.fsencode(root)).list_folder(folder))
    assert watch.read == 0


@guarded
def test_a_link_within_the_root_is_not_followed_either(root):
    put(root, "flights/0001.tif")
    (root / "other").symlink_to("flights")
    [seen] = look(root, b"other/0001.tif")
    assert (seen.digest, seen.trouble is None) == (None, False)


@pytest.mark.parametrize("listed_as_file", [False, True])
def test_a_named_pipe_is_other_and_blocks_nobody(root, listed_as_file):
    os.mkfifo(root / "pipe")
    not_files = frozenset() if listed_as_file else frozenset({0})
    [seen] = look(root, b"pipe", not_files=not_files)
    assert (seen.kind, seen.size, seen.digest, seen.trouble) == (Kind.OTHER, 0, None, None)


@pytest.mark.parametrize("listed_as_file", [False, True])
def test_a_socket_is_other(root, listed_as_file, monkeypatch):
    monkeypatch.chdir(root)  # a socket's own path may not be long
    with socket.socket(socket.AF_UNIX) as listening:
        listening.bind("socket")
    not_files = frozenset() if listed_as_file else frozenset({0})
    [seen] = look(root, b"socket", not_files=not_files)
    assert (seen.kind, seen.digest, seen.trouble) == (Kind.OTHER, None, None)


@pytest.mark.root
@pytest.mark.skipif(os.geteuid() != 0, reason="only root may make a device")
def test_a_device_is_other_and_is_not_read(root):
    os.mknod(root / "zero", stat.S_IFCHR | 0o666, os.makedev(1, 5))
    watch = Watching()
    for not_files in (frozenset({0}), frozenset[int]()):
        [seen] = look(root, b"zero", not_files=not_files, watch=watch)
        assert (seen.kind, seen.size, watch.read) == (Kind.OTHER, 0, 0)


def test_a_folder_that_took_a_file_s_place_is_other(root):
    (root / "0001.tif").mkdir()
    [seen] = look(root, b"0001.tif")
    assert (seen.kind, seen.digest) == (Kind.OTHER, None)


# ------------------------------------------------------------------------------ left for later


def test_a_file_with_several_names_is_left_for_later_and_read_alone(root):
    put(root, "0001.tif", b"raw")
    os.link(root / "0001.tif", root / "0002.tif")
    watch = Watching()
    seen = look(root, b"0001.tif", b"0002.tif", watch=watch)
    assert [(each.links, each.digest, each.trouble) for each in seen] == [(2, None, None)] * 2
    assert (seen[0].device, seen[0].inode) == (seen[1].device, seen[1].inode)
    assert watch.read == 0
    assert read(root, b"0002.tif").digest == digest(b"raw")


def test_an_empty_file_with_several_names_is_not_worth_leaving_for_later(root):
    put(root, "0001.tif", b"")
    os.link(root / "0001.tif", root / "0002.tif")
    assert [each.digest for each in look(root, b"0001.tif", b"0002.tif")] == [digest(b"")] * 2


def test_a_large_file_is_left_for_later_and_read_alone(root):
    name = put_sparse(root, "long.mov", READ_ALONE_FROM)
    [seen] = look(root, name)
    assert (seen.size, seen.digest, seen.trouble) == (READ_ALONE_FROM, None, None)
    assert read(root, name).digest == digest(bytes(READ_ALONE_FROM))


def test_a_batch_that_has_read_enough_leaves_its_other_files_for_later(root, monkeypatch):
    monkeypatch.setattr(folder_module, "BATCH_BYTES", 5 * BLOCK)
    names = [put_sparse(root, f"{number}.tif", 2 * BLOCK) for number in range(4)]
    names.append(put(root, "note.txt"))
    watch = Watching()
    seen = look(root, *names, watch=watch)
    assert [each.digest is not None for each in seen] == [True, True, False, False, True]
    assert watch.read == 4 * BLOCK + 3


# -------------------------------------------------------------------------------------- trouble


@contextmanager
def as_somebody_else() -> Iterator[None]:
    """With the rights of an ordinary account, if this one may read everything."""
    if os.geteuid() != 0:
        yield
        return
    os.seteuid(NOBODY)
    try:
        yield
    finally:
        os.seteuid(0)


def test_a_file_that_may_not_be_read_is_unreadable_with_its_size_and_date(open_tmp):
    name = put(open_tmp, "0001.tif", b"raw")
    os.chmod(open_tmp / "0001.tif", 0)
    with as_somebody_else():
        seen = [*look(open_tmp, name), read(open_tmp, name)]
    for each in seen:
        assert (each.kind, each.size, each.digest) == (Kind.FILE, 3, None)
        assert each.trouble is not None
        assert each.trouble.cause == "permission-denied"
        assert each.trouble.detail == "The system said: Permission denied (EACCES)."


def test_a_file_below_a_folder_that_may_not_be_entered_is_unreadable(open_tmp):
    name = put(open_tmp, "flights/0001.tif")
    os.chmod(open_tmp / "flights", 0)
    try:
        with as_somebody_else():
            [seen] = look(open_tmp, name)
            with pytest.raises(PermissionError):
                list(FolderPlace(os.fsencode(open_tmp)).list_folder(b"flights"))
    finally:
        os.chmod(open_tmp / "flights", 0o755)
    assert seen.trouble is not None
    assert seen.trouble.cause == "permission-denied"


def test_a_file_of_somebody_else_is_read_though_its_access_time_cannot_be_left_alone(open_tmp):
    name = put(open_tmp, "0001.tif", b"raw")
    with as_somebody_else():
        [seen] = look(open_tmp, name)
    assert seen.digest == digest(b"raw")


@pytest.mark.parametrize("how", [Look(), Look(content=False)])
def test_a_path_that_has_gone_since_it_was_listed_is_unsettled(root, how):
    put(root, "0001.tif")
    for path in (b"gone.tif", b"gone/0002.tif", b"0001.tif/below"):
        [seen] = look(root, path, how=how)
        assert seen.trouble is not None
        assert seen.trouble.unsettled


def test_trouble_with_one_path_does_not_keep_the_others_from_being_read(root):
    names = [put(root, "a.tif"), b"gone.tif", put(root, "z.tif")]
    assert [each.digest for each in look(root, *names)] == [digest(b"raw"), None, digest(b"raw")]


@pytest.mark.parametrize("how", [Look(), Look(content=False)])
def test_a_root_that_vanishes_while_it_is_read_gives_trouble_or_is_unreachable(root, how):
    name = put(root, "0001.tif")
    shutil.rmtree(root)
    try:
        [seen] = look(root, name, how=how)
    except PlaceUnreachable:
        return
    assert seen.trouble is not None


def test_the_system_s_error_becomes_a_short_word_and_a_sentence_with_the_offset():
    trouble = trouble_of(OSError(errno.EIO, "Input/output error"), 1048576)
    assert trouble.cause == "input-output-error"
    assert trouble.detail == "The system said: Input/output error (EIO) at byte 1,048,576."
    assert trouble_of(OSError(errno.ENOENT, "No such file or directory")).unsettled
    assert trouble_of(OSError("odd")).cause == "unknown-error"


def edit(root: Path, path: str, content: bytes) -> None:
    """Another content under the same date.  The system notes it in its own date of the change."""
    before = os.stat(root / path).st_ctime_ns
    deadline = time.monotonic() + 20
    while os.stat(root / path).st_ctime_ns == before and time.monotonic() < deadline:
        put(root, path, content)  # once more where the system's clock has not ticked yet


@pytest.mark.parametrize("size", [3, BLOCK + 3])
def test_a_file_that_changes_once_while_it_is_read_is_read_again(root, size):
    put(root, "0001.tif", bytes(size))
    contents = iter([b"edited" * size])
    watch = Watching(on_read=lambda: [edit(root, "0001.tif", each) for each in contents])
    seen = read(root, b"0001.tif", watch=watch)
    assert (seen.digest, seen.size) == (digest(b"edited" * size), 6 * size)
    assert seen.trouble is None


def test_a_file_that_changes_each_time_it_is_read_is_unsettled(root):
    put(root, "0001.tif", b"raw")

    def grow() -> None:
        edit(root, "0001.tif", bytes(os.path.getsize(root / "0001.tif") + 1))

    seen = read(root, b"0001.tif", watch=Watching(on_read=grow))
    assert (seen.digest, seen.kind, seen.size) == (None, Kind.FILE, 5)
    assert seen.trouble is not None
    assert seen.trouble.cause == CHANGED_WHILE_READ


def test_a_small_file_that_changes_between_reading_and_its_last_look_is_read_again(
    root, monkeypatch
):
    name, read_blocks = put(root, "0001.tif", b"raw"), folder_module.read_blocks
    contents = iter([b"new"])

    def read_and_be_overtaken(descriptor: int, buffers: list[memoryview]) -> int:
        count = read_blocks(descriptor, buffers)
        for content in contents:
            edit(root, "0001.tif", content)
        return count

    monkeypatch.setattr(folder_module, "read_blocks", read_and_be_overtaken)
    [seen] = look(root, name)
    assert (seen.digest, seen.trouble) == (digest(b"new"), None)


def test_a_file_that_grows_as_fast_as_it_is_read_is_not_read_much_past_its_size(root):
    put_sparse(root, "recording.mov", 2 * BLOCK)
    room = iter(range(40))

    def grow() -> None:
        for _ in room:
            os.truncate(root / "recording.mov", watch.read + 2 * BLOCK)
            break

    watch = Watching(on_read=grow)
    seen = read(root, b"recording.mov", watch=watch)
    assert seen.trouble is not None
    assert seen.trouble.unsettled
    assert watch.read < 20 * BLOCK


@pytest.mark.parametrize("size", [3, BLOCK + 3])
def test_a_file_that_changes_with_its_size_and_date_kept_is_unsettled_too(root, size):
    put(root, "0001.tif", bytes(size))
    contents = iter([b"\1" * size, b"\2" * size] + 9 * [b"\3" * size])
    watch = Watching(on_read=lambda: edit(root, "0001.tif", next(contents)))
    seen = read(root, b"0001.tif", watch=watch)
    assert seen.digest is None
    assert seen.trouble is not None
    assert seen.trouble.unsettled


def test_a_file_that_is_cut_short_each_time_it_is_read_is_unsettled(root):
    name = put_sparse(root, "0001.tif", 7 * BLOCK)
    to = {1 * BLOCK: 6 * BLOCK, 7 * BLOCK: 3 * BLOCK}  # by the bytes read so far, over both times

    def cut() -> None:
        if watch.read in to:
            os.truncate(root / "0001.tif", to[watch.read])

    watch = Watching(on_read=cut)
    seen = read(root, name, watch=watch)
    assert watch.read == 9 * BLOCK
    assert seen.digest is None
    assert seen.trouble is not None
    assert seen.trouble.unsettled


def test_stopping_ends_a_look_before_all_of_its_files_are_read(root):
    names = [put(root, f"{number:03d}.tif") for number in range(100)]

    def stop() -> None:
        if watch.read:
            raise Stopped("Stopped before the work was done.")

    watch = Watching(on_check=stop)
    with pytest.raises(Stopped):
        look(root, *names, watch=watch)
    assert 0 < watch.read <= 3 * 20


def test_stopping_ends_the_reading_of_a_large_file_after_the_block_under_way(root):
    def stop() -> None:
        if watch.read:
            raise Stopped("Stopped before the work was done.")

    watch = Watching(on_check=stop)
    name = put_sparse(root, "long.mov", 100 * BLOCK)
    with pytest.raises(Stopped):
        read(root, name, watch=watch)
    assert watch.read == BLOCK


@pytest.mark.skipif(not os.path.isdir("/dev/shm"), reason="needs a disk that keeps any date")
def test_a_date_that_no_calendar_reaches_is_carried_like_any_other():
    with tempfile.TemporaryDirectory(dir="/dev/shm") as folder:
        name = put(Path(folder), "0001.tif")
        os.utime(os.path.join(folder, "0001.tif"), (10**12, 10**12))
        if os.stat(os.path.join(folder, "0001.tif")).st_mtime_ns != 10**21:
            pytest.skip("the disk does not keep such a date")
        seen = look(Path(folder), name)
        assert unpack(packed(seen)) == seen


# --------------------------------------------------------------------------- nothing is changed


def stamp(path: Path) -> tuple[int, int, int]:
    """Access, change and status times, which asking for them does not change."""
    told = os.lstat(path)
    return told.st_atime_ns, told.st_mtime_ns, told.st_ctime_ns


leaves_access_times = pytest.mark.skipif(
    system.PLAIN or not hasattr(os, "O_NOATIME"),
    reason="access times cannot be left alone on this system",
)


@leaves_access_times
def test_checking_a_root_leaves_its_times_as_they_were(root):
    put(root, "0001.tif")
    os.utime(root, ns=(10**9, 2 * 10**9))
    before = stamp(root)
    FolderPlace(os.fsencode(root)).check()
    assert stamp(root) == before


@leaves_access_times
def test_listing_and_reading_leave_every_time_as_it_was(root):
    names = [put(root, "flights/raw/0001.tif"), put_sparse(root, "long.mov", READ_ALONE_FROM)]
    names.append(b"link")
    (root / "link").symlink_to("flights")
    everything = [root, *root.rglob("*")]
    for path in everything:
        # Read before the last change: even the laziest system would note another reading.
        os.utime(path, ns=(10**9, 2 * 10**9), follow_symlinks=False)
    kept = [path for path in everything if not path.is_symlink()]
    before = [stamp(path) for path in kept]
    place = FolderPlace(os.fsencode(root))
    for folder in (b"", b"flights", b"flights/raw"):
        list(place.list_folder(folder))
        list(place.list_dated(folder))
    look(root, *names, not_files=frozenset({2}))
    look(root, *names, not_files=frozenset({2}), how=Look(past_cache=True))
    read(root, names[1])
    file = place.open(names[0])
    file.read_at(0, 10)
    file.close()
    assert [stamp(path) for path in kept] == before


# ----------------------------------------------------------------------------- the place itself


def test_a_folder_is_listed_with_the_kind_of_each_name(root):
    put(root, b"caf\xe9.tif")
    (root / "flights").mkdir()
    (root / "link").symlink_to("flights")
    (root / "dangling").symlink_to("nowhere")
    os.mkfifo(root / "pipe")
    assert dict(FolderPlace(os.fsencode(root)).list_folder(b"")) == {
        b"caf\xe9.tif": Kind.FILE,
        b"dangling": Kind.LINK,
        b"flights": None,
        b"link": Kind.LINK,
        b"pipe": Kind.OTHER,
    }


def test_a_folder_is_listed_with_sightings_as_a_look_without_content_gives_them(root):
    names = [put(root, b"flights/caf\xe9.tif"), put(root, "flights/b", b"")]
    (root / "flights" / "raw").mkdir()
    (root / "flights" / "link").symlink_to("raw")
    (root / "flights" / "dangling").symlink_to(b"caf\xe9")
    os.link(root / "flights" / "b", root / "flights" / "c")
    os.mkfifo(root / "flights" / "pipe")
    names += [b"flights/c", b"flights/link", b"flights/dangling", b"flights/pipe"]
    expected = {each.path: each for each in look(root, *names, how=Look(content=False))}
    listed = dict(FolderPlace(os.fsencode(root)).list_dated(b"flights"))
    assert listed.pop(b"raw") is None
    assert {b"flights/" + name: seen for name, seen in listed.items()} == expected


def test_a_missing_folder_and_a_file_cannot_be_listed(root):
    put(root, "0001.tif")
    for folder, error in ((b"gone", FileNotFoundError), (b"0001.tif", NotADirectoryError)):
        with pytest.raises(error):
            list(FolderPlace(os.fsencode(root)).list_folder(folder))


def test_listing_leaves_nothing_open(root):
    put(root, "flights/0001.tif")
    place = FolderPlace(os.fsencode(root))
    before = open_descriptors()
    for folder in (b"", b"flights", b"flights"):
        list(place.list_folder(folder))
        list(place.list_dated(folder))
    assert open_descriptors() == before


def test_looking_and_reading_leave_nothing_open(root):
    put(root, "flights/0001.tif")
    (root / "flights" / "link").symlink_to("0001.tif")
    os.mkfifo(root / "flights" / "pipe")
    read(root, b"flights/0001.tif")
    before = open_descriptors()
    look(root, b"flights/0001.tif", b"flights/link", b"flights/pipe", b"flights/gone", b"gone/x")
    read(root, b"flights/0001.tif")
    read(root, b"gone/0001.tif")
    for path in (b"gone", b"gone/0001.tif"):
        with pytest.raises(OSError):
            FolderPlace(os.fsencode(root)).open(path)
    assert open_descriptors() == before


def test_a_root_that_is_missing_or_a_file_is_unreachable(root):
    put(root, "0001.tif")
    for path in (root / "gone", root / "0001.tif"):
        with pytest.raises(PlaceUnreachable, match="Check that it is mounted"):
            FolderPlace.at_path(path).check()


def test_a_root_that_was_replaced_since_the_first_look_is_unreachable(root, tmp_path):
    place = FolderPlace.at_path(root)
    place.check()
    place.check()
    root.rename(tmp_path / "unmounted")
    root.mkdir()
    with pytest.raises(PlaceUnreachable, match="was unmounted or replaced"):
        place.check()


def test_links_in_the_path_that_a_person_gave_are_resolved(root, tmp_path):
    put(root, "0001.tif", b"raw")
    (tmp_path / "shortcut").symlink_to(root)
    place = FolderPlace.at_path(tmp_path / "shortcut")
    assert place.at == str(root.resolve())
    [seen] = place.look_at([b"0001.tif"], frozenset(), Look(), lambda: NOON, Watching())
    assert seen.digest == digest(b"raw")


def test_a_place_can_be_sent_to_another_process(root):
    put(root, "0001.tif", b"raw")
    place = pickle.loads(pickle.dumps(FolderPlace.at_path(root)))
    place.check()
    assert list(place.list_folder(b"")) == [(b"0001.tif", Kind.FILE)]


def test_parts_of_an_open_file_are_read_fewer_only_at_its_end(root):
    name = put(root, "flights/0001.tif", b"0123456789")
    file = FolderPlace(os.fsencode(root)).open(name)
    try:
        assert file.size == 10
        assert [file.read_at(*part) for part in ((0, 4), (8, 9), (3, 3), (10, 1), (99, 1))] == [
            *(b"0123", b"89", b"345", b"", b"")
        ]
    finally:
        file.close()


# ------------------------------------------------------------------------------------- the bell


class Night(Watching):
    """A watch whose bell rings before the block at which ``rings_at`` bytes have been read.

    Where it can park, what happens in the meantime is ``meanwhile``.
    """

    paced = True

    def __init__(self, rings_at: int, meanwhile: Callable[[], object] | None = None) -> None:
        super().__init__()
        self.asked = 0
        self.parked = 0
        self._rings_at: int | None = rings_at
        self._meanwhile = meanwhile

    def check(self) -> None:
        if self._rings_at is not None and self.asked >= self._rings_at:
            raise BellRang

    def allow(self, count: int) -> int:
        self.check()
        self.asked += min(count, BLOCK)
        return min(count, BLOCK)

    def park(self) -> None:
        if self._meanwhile is None:
            raise BellRang
        self.parked += 1
        self._rings_at = None
        self._meanwhile()


def varied(size: int) -> bytes:
    return random.Random(size).randbytes(size)


gently_too = pytest.mark.parametrize("how", [Look(), Look(gentle=True)], ids=["plain", "gentle"])


@gently_too
def test_small_files_are_asked_for_one_by_one_before_they_are_read(root, how):
    names = [put(root, f"{number}.tif", varied(1_000 + number)) for number in range(50)]
    watch = Night(rings_at=1 << 40)
    look(root, *names, how=how, watch=watch)
    assert watch.asked == watch.read == sum(1_000 + number for number in range(50))


@gently_too
@pytest.mark.parametrize("finished", [1, 15, 16, 17, 40])
def test_a_look_that_the_bell_interrupts_gives_what_was_finished(root, how, finished):
    names = [put(root, f"{number:02d}.tif", varied(1_000)) for number in range(50)]
    watch = Night(rings_at=1_000 * finished)
    seen = look(root, *names, how=how, watch=watch)
    assert seen == look(root, *names[:finished])
    assert watch.read == 1_000 * finished


# Fails when a bell is heard only after so many files, however long each takes.
@gently_too
def test_without_a_pace_it_is_asked_again_after_a_tenth_of_a_second(root, how, monkeypatch):
    clock = [0.0]

    def slowly_hashed(content: memoryview) -> object:
        clock[0] += 0.03
        return blake3(content)

    def ring() -> None:
        if clock[0] >= 0.2:
            raise BellRang

    monkeypatch.setattr(folder_module, "steady", lambda: clock[0])
    monkeypatch.setattr(folder_module, "blake3", slowly_hashed)
    names = [put(root, f"{number:02d}.tif", varied(1_000)) for number in range(16)]
    seen = look(root, *names, how=how, watch=Watching(on_check=ring))
    assert [each.path for each in seen] == names[:7], "0.21 s"


class Holding(Watching):
    """A watch that knows how much had been read whenever it was asked."""

    def __init__(self) -> None:
        super().__init__()
        self.asked_at: list[int] = []

    def allow(self, count: int) -> int:
        self.asked_at.append(self.read)
        return count


def test_without_a_pace_a_hold_is_heeded_before_some_files_and_not_before_each(root):
    names = [put(root, f"{number:02d}.tif", varied(1_000)) for number in range(40)]

    watch = Holding()
    look(root, *names, watch=watch)
    assert watch.asked_at == [0, 16_000, 32_000]


# Fails when only what is read with others waits while somebody else needs the disk.
@gently_too
def test_without_a_pace_a_hold_is_heeded_before_a_small_file_that_is_read_alone(root, how):
    name = put(root, "twice.tif", varied(1_000))
    watch = Holding()
    assert read(root, name, how, watch).digest is not None
    assert watch.asked_at == [0]


def test_a_look_whose_bell_rings_before_anything_is_finished_says_so(root):
    names = [put(root, "0.tif", varied(1_000))]
    before = open_descriptors()
    with pytest.raises(BellRang):
        look(root, *names, watch=Night(rings_at=0))
    put(root, "1.tif", varied(3 * BLOCK))
    with pytest.raises(BellRang):
        look(root, b"1.tif", watch=Night(rings_at=BLOCK))
    assert open_descriptors() == before


@gently_too
def test_where_nobody_can_park_the_bell_ends_the_reading_of_a_large_file(root, how):
    name, watch = put(root, "long.mov", varied(5 * BLOCK)), Night(rings_at=2 * BLOCK)
    before = open_descriptors()
    with pytest.raises(BellRang):
        read(root, name, how, watch)
    assert watch.read == 2 * BLOCK
    assert open_descriptors() == before


@gently_too
@pytest.mark.parametrize("rings_at", [0, BLOCK, 5 * BLOCK, 5 * BLOCK + 7])
def test_a_parked_reading_goes_on_from_where_it_was_with_nothing_open_meanwhile(
    root, how, rings_at
):
    content = varied(5 * BLOCK + 7)
    name = put(root, "flights/long.mov", content)
    open_meanwhile: list[int] = []
    read(root, name, how)  # what is made once is made by now
    before = open_descriptors()
    watch = Night(rings_at, lambda: open_meanwhile.append(open_descriptors()))
    seen = read(root, name, how, watch)
    assert (seen.digest, seen.trouble) == (digest(content), None)
    assert (watch.parked, open_meanwhile) == (1, [before])
    assert watch.read == len(content)


def test_a_parked_reading_of_segments_keeps_its_fingerprints(root):
    name = put(root, "long.mov", varied(SEGMENT + 3 * BLOCK))
    watch = Night(SEGMENT + BLOCK, lambda: None)
    assert read(root, name, watch=watch) == read(root, name)
    assert watch.read == SEGMENT + 3 * BLOCK


# Fails when `_taken_up` does not compare, one change for each thing that it compares.
@gently_too
@pytest.mark.parametrize("change", ["content", "date", "size", "another file"])
def test_a_file_that_changed_while_its_reading_was_parked_is_read_from_its_start(root, how, change):
    name = put(root, "long.mov", varied(5 * BLOCK))
    path = root / "long.mov"
    date = path.stat().st_mtime_ns

    def meanwhile() -> None:
        if change == "content":
            edit(root, "long.mov", bytes(5 * BLOCK))
            os.utime(path, ns=(date, date))
        elif change == "date":
            os.utime(path, ns=(date, date + 10**9))
        elif change == "size":
            put(root, "long.mov", varied(4 * BLOCK))
            os.utime(path, ns=(date, date))
        else:
            put(root, "new.mov", bytes(5 * BLOCK))
            os.utime(root / "new.mov", ns=(date, date))
            os.replace(root / "new.mov", path)

    watch = Night(3 * BLOCK, meanwhile)
    seen = read(root, name, how, watch)
    assert (seen.digest, seen.trouble) == (digest(path.read_bytes()), None)
    assert watch.read == 3 * BLOCK + path.stat().st_size


# Fails when `_taken_up` compares sizes and dates alone.
def test_another_file_of_the_same_size_and_dates_is_read_from_its_start(root):
    one, other = root / "one" / "long.mov", root / "other" / "long.mov"
    name = put(root, "one/long.mov", bytes(5 * BLOCK))
    put(root, "other/long.mov", varied(5 * BLOCK))
    deadline = time.monotonic() + 20
    while one.stat().st_ctime_ns != other.stat().st_ctime_ns and time.monotonic() < deadline:
        for path in (one, other):  # both within one tick of the system's clock
            os.utime(path, ns=(10**18, 10**18))
    if one.stat().st_ctime_ns != other.stat().st_ctime_ns:
        pytest.skip("no two files of this disk have the same date")

    def swapped() -> None:
        one.parent.rename(root / "away")
        other.parent.rename(root / "one")

    assert read(root, name, watch=Night(3 * BLOCK, swapped)).digest == digest(varied(5 * BLOCK))


def test_a_file_that_is_gone_after_the_bell_is_unsettled(root):
    name = put(root, "long.mov", varied(5 * BLOCK))
    seen = read(root, name, watch=Night(BLOCK, lambda: os.unlink(root / "long.mov")))
    assert seen.trouble is not None
    assert seen.trouble.unsettled


@guarded
def test_a_root_that_was_replaced_while_a_reading_was_parked_is_unreachable(root, tmp_path):
    name = put(root, "long.mov", varied(5 * BLOCK))

    def unmounted() -> None:
        root.rename(tmp_path / "away")
        root.mkdir()

    before = open_descriptors()
    with pytest.raises(PlaceUnreachable, match="unmounted or replaced"):
        read(root, name, watch=Night(BLOCK, unmounted))
    assert open_descriptors() == before


def test_a_small_file_is_read_after_the_bell(root):
    name = put(root, "0001.tif", b"raw")
    watch = Night(0, lambda: None)
    assert read(root, name, watch=watch).digest == digest(b"raw")
    assert watch.parked == 1


# Fails when all threads share one hasher: `_own` in hashing.py made a plain object.
def test_several_threads_of_one_process_read_at_the_same_time(root):
    contents = [varied(3 * BLOCK + number) for number in range(4)]
    names = [put(root, f"{number}.laz", content) for number, content in enumerate(contents)]
    all_began = threading.Barrier(len(names), timeout=30)
    found: dict[int, Sighting] = {}

    def reads(number: int) -> None:
        once = iter([all_began.wait])
        watch = Watching(on_read=lambda: next(once, lambda: None)())
        found[number] = read(root, names[number], watch=watch)

    threads = [threading.Thread(target=reads, args=(number,)) for number in range(len(names))]
    for each in threads:
        each.start()
    for each in threads:
        each.join()
    assert [found[number].digest for number in range(len(names))] == [*map(digest, contents)]
