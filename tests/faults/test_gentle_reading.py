"""Gentle reading leaves the cache as it was: what was cached stays, and nothing is added.

What is cached is asked of the kernel by a mincore of the test's own, on the disk that holds
pytest's temporary folder.
"""

from __future__ import annotations

import ctypes
import errno
import mmap
import os
import random
import shutil
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import pytest
from blake3 import blake3

from faults.mounts import Share, needs_fuse
from verifier import system
from verifier.engine import Engine
from verifier.model import Sighting
from verifier.places.base import Look
from verifier.places.folder import FolderPlace
from verifier.places.gentle import Gentle

pytestmark = [
    pytest.mark.root,
    pytest.mark.skipif(not system.KNOWS_CACHE, reason="this system does not tell what is cached"),
]

PAGE = mmap.PAGESIZE
MEBI = 1 << 20
SMALL = 24 * PAGE - 100
LARGE = 40 * MEBI + 777
GENTLE = Look(gentle=True)
FROM_DISK = Look(gentle=True, past_cache=True)


# ------------------------------------------------------------------------- what is in the cache


def cached(path: Path) -> str:
    """A 1 for each page that is cached and a 0 for each that is not."""
    with path.open("rb") as file:
        return cached_of(file.fileno())


def cached_of(descriptor: int) -> str:
    size = os.fstat(descriptor).st_size
    library = ctypes.CDLL(None, use_errno=True)
    library.mmap.restype = ctypes.c_void_p
    library.mmap.argtypes = [ctypes.c_void_p, ctypes.c_size_t, *[ctypes.c_int] * 3, ctypes.c_long]
    library.mincore.argtypes = [ctypes.c_void_p, ctypes.c_size_t, ctypes.c_void_p]
    library.munmap.argtypes = [ctypes.c_void_p, ctypes.c_size_t]
    at = library.mmap(None, size, mmap.PROT_READ, mmap.MAP_SHARED, descriptor, 0)
    pages = ctypes.create_string_buffer(-(-size // PAGE))
    assert library.mincore(at, size, pages) == 0
    library.munmap(at, size)
    return "".join(str(page & 1) for page in pages.raw[: len(pages)])


def drop(path: Path) -> None:
    with path.open("rb") as file:
        os.fsync(file.fileno())
        os.posix_fadvise(file.fileno(), 0, 0, os.POSIX_FADV_DONTNEED)


def around(
    reading: Callable[[], None], state: Callable[[Path], None], *paths: Path
) -> tuple[str, str]:
    """What is cached of ``paths`` before and after ``reading``, which begins in ``state``.

    A busy system may take a page back meanwhile: then it is read once more, twice at the most.  A
    reading that drops what was cached drops it each time.
    """
    for _ in range(3):
        for path in paths:
            state(path)
        before = "".join(map(cached, paths))
        reading()
        after = "".join(map(cached, paths))
        if kept(before, after):
            break
    return before, after


def kept(before: str, after: str) -> bool:
    return all(now == "1" for was, now in zip(before, after, strict=True) if was == "1")


def not_cached(path: Path) -> None:
    drop(path)
    assert "1" not in cached(path)


def wholly_cached(path: Path) -> None:
    """Every page.  A busy system may take one back at once; then it is read again."""
    for _ in range(20):
        path.read_bytes()
        if "0" not in cached(path):
            return
    raise AssertionError(f"the system does not keep {path} in its cache")


def cached_in_parts(path: Path) -> None:
    """Pages at the start, in the middle and at the end."""
    drop(path)
    pages = -(-path.stat().st_size // PAGE)
    with path.open("rb", buffering=0) as file:
        os.posix_fadvise(file.fileno(), 0, 0, os.POSIX_FADV_RANDOM)
        for page in (0, 1, 7, 8, pages // 2, pages // 2 + 1, pages - 3, pages - 1):
            file.seek(page * PAGE)
            file.read(1)
    assert "0" in cached(path)
    assert cached(path).count("1") >= 6


def tail_cached(path: Path) -> None:
    drop(path)
    pages = -(-path.stat().st_size // PAGE)
    with path.open("rb", buffering=0) as file:
        os.posix_fadvise(file.fileno(), 0, 0, os.POSIX_FADV_RANDOM)
        for page in range(pages // 2, pages):
            file.seek(page * PAGE)
            file.read(1)
    assert cached(path).startswith("0")
    assert cached(path).endswith("1")


states = pytest.mark.parametrize(
    "state",
    [not_cached, wholly_cached, cached_in_parts, tail_cached],
    ids=lambda each: each.__name__,
)
sizes = pytest.mark.parametrize("size", [SMALL, MEBI + 5, LARGE])


# ------------------------------------------------------------------------------ how it is read


def no_direct(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(system, "_DIRECT", 1 << 30)  # no flag that Linux knows
    monkeypatch.setattr(system, "read_directly", lambda descriptor, on: False)


def no_trace_flag(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(system, "WITHOUT_TRACE", 1 << 30)


def neither(monkeypatch: pytest.MonkeyPatch) -> None:
    no_direct(monkeypatch)
    no_trace_flag(monkeypatch)


def no_count(monkeypatch: pytest.MonkeyPatch) -> None:
    neither(monkeypatch)
    monkeypatch.setattr(system, "_CACHESTAT", 1 << 20)  # no call that Linux knows


ALL_MEANS: Callable[[pytest.MonkeyPatch], None] = lambda monkeypatch: None  # noqa: E731


def file(path: Path, size: int) -> bytes:
    content = random.Random(size).randbytes(size)
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_bytes(content)
    return content


def seen(path: Path, how: Look) -> Sighting:
    place = FolderPlace.at_path(path.parent)
    with Engine([1], inline=True) as engine:
        [sighting] = place.look_at(
            [os.fsencode(path.name)], frozenset(), how, lambda: 0.0, engine.own_watch(0)
        )
        if sighting.digest is None and sighting.trouble is None:
            return read(path, how)
        return sighting


def seen_together(root: Path, paths: list[Path]) -> list[Sighting]:
    names = [os.fsencode(path.relative_to(root)) for path in paths]
    with Engine([1], inline=True) as engine:
        return FolderPlace.at_path(root).look_at(
            names, frozenset(), GENTLE, lambda: 0.0, engine.own_watch(0)
        )


def read(path: Path, how: Look) -> Sighting:
    with Engine([1], inline=True) as engine:
        return FolderPlace.at_path(path.parent).read_alone(
            os.fsencode(path.name), how, lambda: 0.0, engine.own_watch(0)
        )


# ---------------------------------------------------------------------------------- on the disk


# Fails when large files are read as without `gentle`, and when `_Uncached.drop` drops all.
@states
@sizes
@pytest.mark.parametrize("look", [seen, read])
@pytest.mark.parametrize(
    "lacking",
    [ALL_MEANS, no_direct, no_trace_flag, neither, no_count],
    ids=["all means", "no direct", "no trace flag", "neither", "no count"],
)
def test_the_cache_is_afterwards_as_it_was(tmp_path, monkeypatch, lacking, look, size, state):
    path = tmp_path / "north.laz"
    content = file(path, size)
    lacking(monkeypatch)

    def reading() -> None:
        sighting = look(path, GENTLE)
        assert (sighting.digest, sighting.trouble) == (blake3(content).digest(), None)

    before, after = around(reading, state, path)
    assert kept(before, after)
    assert after.count("1") <= before.count("1")


# Fails when what is cached is learned by asking for it without waiting: Linux then begins to read
# the rest, and what has come by the time that somebody looks seems to have been there.
@pytest.mark.parametrize("lacking", [ALL_MEANS, no_trace_flag, no_count])
@pytest.mark.parametrize("size", [1, PAGE, PAGE + 1, SMALL])
def test_of_many_small_files_nothing_is_cached_afterwards(tmp_path, monkeypatch, lacking, size):
    paths = [tmp_path / f"{number:02}.jpg" for number in range(40)]
    contents = [file(path, size) for path in paths]
    lacking(monkeypatch)

    def reading() -> None:
        found = seen_together(tmp_path, paths)
        assert [each.digest for each in found] == [blake3(each).digest() for each in contents]

    _, after = around(reading, not_cached, *paths)
    assert "1" not in after


@pytest.mark.parametrize("state", [not_cached, wholly_cached])
@pytest.mark.parametrize("refusing", [(0,), (2,), (1, 2, 3), range(6)])
def test_the_cache_stays_where_only_some_folders_can_be_read_without_a_trace(
    tmp_path, monkeypatch, refusing, state
):
    paths = [tmp_path / str(number) / "a.jpg" for number in range(6)]
    contents = [file(path, SMALL + number) for number, path in enumerate(paths)]
    other_disk = {paths[number].stat().st_ino for number in refusing}
    plainly, asked = os.preadv, set()

    def as_each_disk_can(descriptor, buffers, offset, how=0):
        if how == system.WITHOUT_TRACE:
            asked.add(os.fstat(descriptor).st_ino)
            if os.fstat(descriptor).st_ino in other_disk:
                raise OSError(errno.EOPNOTSUPP, "Operation not supported")
        return plainly(descriptor, buffers, offset, how)

    monkeypatch.setattr(os, "preadv", as_each_disk_can)

    def reading() -> None:
        found = seen_together(tmp_path, paths)
        assert [each.digest for each in found] == [blake3(each).digest() for each in contents]

    before, after = around(reading, state, *paths)
    assert asked
    assert kept(before, after)


@states
@pytest.mark.parametrize("size", [1, 100, PAGE, SMALL, MEBI - 1, MEBI, MEBI + 5, LARGE])
def test_reading_from_the_disk_itself_leaves_the_cache_as_it_was_too(tmp_path, size, state):
    path = tmp_path / "north.laz"
    content = file(path, size)
    if state not in (not_cached, wholly_cached) and size < SMALL:
        pytest.skip("too small to be cached in parts")

    def reading() -> None:
        assert seen(path, FROM_DISK).digest == blake3(content).digest()

    before, after = around(reading, state, path)
    assert after == before


def disk_reads() -> int:
    """Bytes that this process has had read from disks."""
    for line in Path("/proc/self/io").read_text().splitlines():
        if line.startswith("read_bytes:"):
            return int(line.split()[1])
    raise AssertionError("the kernel does not count")


# Fails when `directly=True` is left out of the reading of small files past the cache.
@pytest.mark.parametrize("size", [SMALL, LARGE])
@pytest.mark.parametrize("means", [ALL_MEANS, no_direct], ids=["direct", "no direct"])
def test_what_is_asked_from_the_disk_comes_from_the_disk_though_it_is_cached(
    tmp_path, monkeypatch, means, size
):
    path = tmp_path / "north.laz"
    content = file(path, size)
    drop(path)
    wholly_cached(path)
    means(monkeypatch)
    before = disk_reads()
    assert seen(path, FROM_DISK).digest == blake3(content).digest()
    assert disk_reads() - before >= size
    if means is no_direct:
        assert "1" not in cached(path)  # where it cannot be kept, `past_cache` wins


@sizes
@pytest.mark.parametrize("how", [GENTLE, FROM_DISK], ids=["gentle", "from disk"])
@pytest.mark.parametrize("means", [ALL_MEANS, neither], ids=["all means", "neither"])
def test_what_was_just_written_and_not_yet_on_the_disk_is_read(
    tmp_path, monkeypatch, means, how, size
):
    path = tmp_path / "north.laz"
    file(path, size)
    drop(path)
    means(monkeypatch)
    content = bytearray(path.read_bytes())
    drop(path)
    with path.open("r+b") as written:
        for at in (0, size // 2, size - 1):
            written.seek(at)
            written.write(b"\xa5")
            content[at] = 0xA5
    assert seen(path, how).digest == blake3(content).digest()
    os.sync()
    drop(path)
    assert path.read_bytes() == bytes(content)


@pytest.mark.parametrize("size", [0, 1, PAGE - 1, PAGE, PAGE + 1, MEBI - 1, MEBI, MEBI + 1])
@pytest.mark.parametrize("how", [GENTLE, FROM_DISK], ids=["gentle", "from disk"])
@pytest.mark.parametrize("means", [ALL_MEANS, no_direct, no_count])
def test_every_size_is_read_whole(tmp_path, monkeypatch, means, how, size):
    path = tmp_path / "north.laz"
    content = file(path, size)
    means(monkeypatch)
    sighting = seen(path, how)
    assert (sighting.size, sighting.digest, sighting.trouble) == (
        size,
        blake3(content).digest(),
        None,
    )


def test_a_file_of_several_segments_has_the_same_fingerprints(tmp_path):
    path = tmp_path / "long.mov"
    content = file(path, 130 * MEBI + 1)
    plain, gentle = read(path, Look()), read(path, GENTLE)
    assert gentle == plain
    assert gentle.digest == blake3(content).digest()


# Fails when `end` drops nothing.
def test_what_was_read_ahead_of_a_reading_that_ends_early_is_dropped(tmp_path, monkeypatch):
    no_direct(monkeypatch)
    # Dropping is a request, which the system rarely passes over for a page that it holds itself:
    # what must not happen is that what was read ahead stays every time.
    assert any(ends_early_without_a_trace(tmp_path / f"{number}.mov") for number in range(3))


def ends_early_without_a_trace(path: Path) -> bool:
    file(path, LARGE)
    not_cached(path)
    descriptor = os.open(path, os.O_RDONLY)
    try:
        gentle = Gentle(descriptor, LARGE, directly=True, past_cache=False)
        for _ in range(3):
            gentle(memoryview(bytearray(MEBI)))
        # What is still on its way cannot be dropped: all that may be read ahead has arrived.
        os.pread(descriptor, LARGE, 3 * MEBI)
        assert "0" not in cached_of(descriptor)[3 * MEBI // PAGE :]
        gentle.end()
    finally:
        os.close(descriptor)
    return "1" not in cached(path)


# Fails when `_proven` is taken for granted.
@states
@pytest.mark.parametrize("size", [MEBI, MEBI + 5, LARGE])
def test_a_file_system_that_says_it_reads_directly_and_does_not_is_found_out(
    tmp_path, monkeypatch, size, state
):
    path = tmp_path / "north.laz"
    content = file(path, size)
    monkeypatch.setattr(system, "read_directly", lambda descriptor, on: True)

    def reading() -> None:
        assert read(path, GENTLE).digest == blake3(content).digest()

    before, after = around(reading, state, path)
    assert after == before


# Fails when it is forgotten from one file to the next that contents can be read without a trace.
def test_a_warm_tree_of_small_files_takes_no_more_calls_than_without(tmp_path):
    if shutil.which("strace") is None:
        pytest.skip("needs strace")
    for number in range(40):
        file(tmp_path / "tree" / f"{number}.jpg", 5_000)
    counts = [calls_of(tmp_path, how) for how in ("Look()", "Look(gentle=True)")]
    assert counts[1] <= counts[0] + 2


def calls_of(tmp_path: Path, how: str) -> int:
    script = (
        "import os\nfrom verifier.engine import Engine\nfrom verifier.places.base import Look\n"
        "from verifier.places.folder import FolderPlace\nfrom pathlib import Path\n"
        f"place = FolderPlace.at_path(Path({str(tmp_path / 'tree')!r}))\n"
        "names = sorted(os.fsencode(n) for n in os.listdir(place.root))\n"
        "engine = Engine([1], inline=True)\nos.path.exists('/begin-here')\n"
        f"place.look_at(names, frozenset(), {how}, lambda: 0.0, engine.own_watch(0))\n"
    )
    log = tmp_path / "calls"
    subprocess.run(["strace", "-f", "-o", log, sys.executable, "-c", script], check=True)
    return len(log.read_text().split("/begin-here")[1].splitlines())


# --------------------------------------------------------------------------------- other places


def test_a_file_system_in_memory_is_read_through_its_cache():
    memory = Path("/dev/shm")
    if not memory.is_dir():
        pytest.skip("needs a file system in memory")
    folder = memory / f"verifier-gentle-{os.getpid()}"
    try:
        for size in (0, 10, SMALL, MEBI, LARGE):
            path = folder / f"{size}.laz"
            content = file(path, size)
            for how in (GENTLE, FROM_DISK):
                for means in (ALL_MEANS, neither, no_count):
                    with pytest.MonkeyPatch.context() as patch:
                        means(patch)
                        assert seen(path, how).digest == blake3(content).digest()
            assert path.read_bytes() == content
    finally:
        shutil.rmtree(folder)


# A mount without a cache of its own forgets its pages whenever a file is opened anew, whoever
# opens it, so that nothing can stay cached here; that nothing is added can be seen.
@needs_fuse
@pytest.mark.parametrize("means", [ALL_MEANS, neither], ids=["all means", "neither"])
@pytest.mark.parametrize("size", [SMALL, 20 * MEBI + 3])
def test_nothing_of_a_mount_is_added_to_the_cache(tmp_path, monkeypatch, size, means):
    with Share(tmp_path).on("bench", "m.laz", "Node", size=size) as share:
        path = share.source / "m.laz"
        with path.open("rb") as kept_open:
            plain = read(path, Look())
            assert plain.digest is not None
            assert "1" in cached_of(kept_open.fileno())
            means(monkeypatch)
            for how in (GENTLE, FROM_DISK):
                for look in (seen, read):
                    assert look(path, how).digest == plain.digest
                    assert "1" not in cached_of(kept_open.fileno())


@needs_fuse
@pytest.mark.parametrize("how", [GENTLE, FROM_DISK], ids=["gentle", "from disk"])
@pytest.mark.parametrize("means", [ALL_MEANS, neither], ids=["all means", "neither"])
@pytest.mark.parametrize(
    ("size", "at", "said"),
    [(1_000, 500, 0), (200_000, 150_000, 131_072), (20 * MEBI, 9 * MEBI + 10, 9 * MEBI)],
)
def test_an_error_of_the_disk_is_trouble_with_its_offset(
    tmp_path, monkeypatch, size, at, said, how, means
):
    share = Share(tmp_path).on("bench", "m.laz", "FailsAt", size=size, at=at)
    with share:
        means(monkeypatch)
        for look in (seen, read):
            trouble = look(share.source / "m.laz", how).trouble
            assert trouble is not None
            assert trouble.cause == "input-output-error"
            if size > MEBI:
                assert f"at byte {said:,}" in trouble.detail


# Fails when `_read_at` does not try the first part of a block alone.
@pytest.mark.parametrize("bad", [5 * MEBI + 10, 8 * MEBI, LARGE - 1])
def test_a_disk_that_refuses_a_whole_block_for_one_byte_is_read_up_to_it(
    tmp_path, monkeypatch, bad
):
    path = tmp_path / "north.laz"
    file(path, LARGE)
    read_at = system.read_at

    def refusing(descriptor: int, buffer: memoryview, offset: int) -> int:
        if offset <= bad < offset + len(buffer):
            raise OSError(errno.EIO, os.strerror(errno.EIO))
        return read_at(descriptor, buffer, offset)

    monkeypatch.setattr(system, "read_at", refusing)
    trouble = read(path, GENTLE).trouble
    assert trouble is not None
    assert trouble.cause == "input-output-error"
    assert f"at byte {bad - bad % MEBI:,}" in trouble.detail


def test_a_system_without_the_means_reads_as_without(tmp_path, monkeypatch):
    monkeypatch.setattr(system, "KNOWS_CACHE", False)
    for size in (SMALL, LARGE):
        path = tmp_path / f"{size}.laz"
        content = file(path, size)
        for how in (GENTLE, FROM_DISK):
            assert seen(path, how).digest == blake3(content).digest()


# Fails when a file's cache is dropped as it is opened.
@states
@pytest.mark.parametrize("size", [1, SMALL, MEBI + 5, LARGE])
def test_parts_of_a_file_come_from_the_disk_and_what_is_cached_stays(tmp_path, size, state):
    path = tmp_path / "north.laz"
    content = file(path, size)
    if state not in (not_cached, wholly_cached) and size < SMALL:
        pytest.skip("too small to be cached in parts")

    def reading() -> None:
        reads = disk_reads()
        opened = FolderPlace.at_path(tmp_path).open(b"north.laz")
        try:
            for at, length in ((0, 1), (size // 2, 5_000), (size - 1, 1), (0, size), (size, 10)):
                assert opened.read_at(at, length) == content[at : at + length]
        finally:
            opened.close()
        assert disk_reads() - reads >= size

    before, after = around(reading, state, path)
    assert after == before


def test_parts_of_a_file_come_from_the_disk_where_it_cannot_be_read_directly(tmp_path, monkeypatch):
    no_direct(monkeypatch)
    path = tmp_path / "north.laz"
    content = file(path, LARGE)
    drop(path)
    wholly_cached(path)
    reads = disk_reads()
    opened = FolderPlace.at_path(tmp_path).open(b"north.laz")
    try:
        assert opened.read_at(3, LARGE) == content[3:]
    finally:
        opened.close()
    assert disk_reads() - reads >= LARGE
