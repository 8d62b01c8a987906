"""A place that is a folder of this machine, local or mounted.  Read-only, links never followed."""

from __future__ import annotations

import os
import shutil
import stat
import sys
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from os import close, fstat
from pathlib import Path
from time import monotonic as steady
from typing import Any, Final

from blake3 import blake3
from msgspec import structs

from verifier import system
from verifier.engine import LOOK_EVERY, BellRang, Watch
from verifier.errors import PlaceUnreachable
from verifier.hashing import BLOCK, ReadFailed, Underway, digest_of, own_hasher
from verifier.inside import folders_around, lies_in
from verifier.model import (
    CHANGED_WHILE_READ,
    FACTS,
    LATEST_NS,
    FirstSight,
    How,
    Kind,
    Sighting,
    SmallFiles,
    Trouble,
    printable,
)
from verifier.places.base import (
    AS_FOLDERS,
    READ_ALONE_FROM,
    SMALL_BELOW,
    Identity,
    Look,
    Remark,
    Traits,
    Writing,
    recognised,
    trouble_of,
)
from verifier.places.file_systems import how_read
from verifier.places.gentle import Gentle, filled
from verifier.places.parts import piece_of, start_of
from verifier.system import WITHOUT_TRACE, CacheLook, open_to_read, read_blocks

BATCH_BYTES: Final = 64 * 1024 * 1024
"""Bytes after which a batch leaves the rest of its files to tasks of their own."""

SMALL_BYTES: Final = 16 * 1024 * 1024
"""Bytes after which a batch of which only small files are read leaves the rest of them unread: a
crash has no more to be read again."""

_NAMES: Final = sys.getfilesystemencoding()
"""How the system's names are written as text, which is undone at once: names are bytes here."""

# Names that are looked up for each small file are bound to the module: it shows.
_FILE: Final = Kind.FILE
"""Looked up once: asking the enumeration each time shows in trees of small files."""

_KIND: Final = 0o170000
_REGULAR: Final = stat.S_IFREG
"""The bits of a mode that say what a path is, and those of a regular file."""

_GENTLY: Final = Look(content=True, gentle=True)

_CHECK_EVERY: Final = 16
"""Small files after which it is looked whether to stop, and told what was read."""


class FolderPlace:
    """A tree below one folder.  ``root`` is absolute and free of links."""

    def __init__(self, root: bytes) -> None:
        self.root = root
        self._found: tuple[int, int] | None = None

    @classmethod
    def at_path(cls, path: Path) -> FolderPlace:
        """The place at ``path``, which a person gave; links in the path itself are resolved."""
        return cls(os.path.realpath(os.fsencode(path)))

    traits: Traits = AS_FOLDERS

    @property
    def at(self) -> str:
        """The folder, for people and documents."""
        return printable(self.root)

    def shown(self, path: bytes) -> str:
        """Where ``path`` is, for people and documents."""
        return printable(os.path.join(self.root, path))

    def check(self) -> None:
        """Raises PlaceUnreachable unless the root is a folder that can be listed.

        From the second time on it must also be the same folder as the first time.
        """
        try:
            with _Below(self) as below, below.listed(b"") as (_, items):
                next(items, None)
            found = os.stat(self.root)
        except OSError as error:
            raise self.unreachable(error) from error
        self.recognise(found)

    def recognise(self, found: os.stat_result) -> None:
        """Remember which folder stands at the root; raises PlaceUnreachable if another does."""
        self._found = recognised(self, self._found, (found.st_dev, found.st_ino))

    def identity(self) -> Identity | None:
        """Which folder it is; None before it was looked at, and where folders have no number."""
        if self._found is None or not self._found[1]:
            return None
        within = (each for each in folders_around(self.root) if each != self._found)
        return Identity(system.machine(), *self._found, tuple(within))

    def unreachable(self, error: OSError) -> PlaceUnreachable:
        """The sentence for a root that the system does not give."""
        return PlaceUnreachable(
            f"{self.at} cannot be read as a folder ({error.strerror}). Check that it is mounted "
            "and that you may list it, then start again."
        )

    def remarks(self) -> Sequence[Remark]:
        """Nothing: a folder that can be listed is all that it should be."""
        return ()

    def how_read(self, folder: bytes = b"") -> How:
        """Through what it is read; of its folders' own mounts nothing is said."""
        return how_read(self.root)

    def room(self) -> int | None:
        """Bytes that its disk has left; None where the system does not say."""
        try:
            return shutil.disk_usage(self.root).free
        except OSError:
            return None

    def writing(self) -> Writing:
        """Whether this user could write there, as far as its top folder tells."""
        root = self.root
        if hasattr(os, "statvfs") and os.statvfs(root).f_flag & os.ST_RDONLY:
            return Writing.READ_ONLY
        if not os.access(root, os.W_OK, effective_ids=os.access in os.supports_effective_ids):
            return Writing.DENIED
        is_root = sys.platform != "win32" and os.geteuid() == 0
        return Writing.BY_ROOT if is_root else Writing.ALLOWED

    def leads_into(self, link: bytes, target: bytes, folder: bytes) -> bool:
        """Whether a link leads there: by its words, or by where it really goes."""
        goal = os.path.join(os.path.dirname(os.path.join(self.root, link)), target)
        whole, plain = os.path.join(self.root, folder), os.path.normpath(goal)
        return (
            plain == whole
            or plain.startswith(whole + b"/")
            or lies_in(os.path.realpath(goal), whole)
        )

    def list_folder(self, folder: bytes) -> Iterator[tuple[bytes, Kind | None]]:
        """The names in ``folder``, in the system's order.  Raises OSError."""
        with _Below(self) as below, below.listed(folder) as (_, items):
            for item in items:
                name = item.name
                yield (
                    name if isinstance(name, bytes) else name.encode(_NAMES, "surrogateescape"),
                    _FILE if item.is_file(follow_symlinks=False) else _kind(item),
                )

    def list_dated(self, folder: bytes) -> Iterator[tuple[bytes, Sighting | None]]:
        """The names in ``folder``, each with its sighting by size and dates.  Raises OSError."""
        prefix = folder + b"/" if folder else b""
        with _Below(self) as below, below.listed(folder) as (descriptor, items):
            for item in items:
                name = item.name
                if isinstance(name, str):
                    name = name.encode(_NAMES, "surrogateescape")
                try:
                    if item.is_file(follow_symlinks=False):
                        found = item.stat(follow_symlinks=False)
                        regular = found.st_mode & _KIND == _REGULAR
                        path = prefix + name
                        yield name, _file(path, found) if regular else _glance(below, path)
                    elif _kind(item) is None:
                        yield name, None
                    elif item.is_symlink() and descriptor is not None:
                        target = os.readlink(name, dir_fd=descriptor)
                        found = item.stat(follow_symlinks=False)
                        yield name, _sighting(prefix + name, found, target=target)
                    else:
                        yield name, _glance(below, prefix + name)
                except OSError as error:
                    yield name, _with_trouble(prefix + name, trouble_of(error))

    def look_at(
        self,
        paths: Sequence[bytes],
        not_files: frozenset[int],
        look: Look,
        now: Callable[[], float],
        watch: Watch,
    ) -> list[Sighting]:
        """A sighting for each path, in order."""
        with _Below(self) as below:
            if not look.content:
                return [_glance(below, path) for path in paths]
            seen = _Sightings()
            _Reader(below, look, now, watch).go_through(paths, not_files, seen)
            return seen.sightings

    def read_small(
        self,
        paths: Sequence[bytes],
        not_files: frozenset[int],
        now: Callable[[], float],
        watch: Watch,
    ) -> FirstSight:
        """What stands at each path, with the small files among them read."""
        with _Below(self) as below:
            seen = _Rows()
            _Reader(below, _GENTLY, now, watch, small_only=True).go_through(paths, not_files, seen)
            return FirstSight(seen.read, seen.others)

    def read_alone(
        self, path: bytes, look: Look, now: Callable[[], float], watch: Watch
    ) -> Sighting:
        """The sighting of one file with its content read, the bell slept through if need be."""
        with _Below(self) as below:
            reader = _Reader(below, look, now, watch)
            while True:
                try:
                    return reader.read(path)
                except BellRang:
                    below.let_go()
                    watch.park()
                    below.take_up()

    def read_piece(
        self, path: bytes, piece: int, now: Callable[[], float], watch: Watch
    ) -> Sighting:
        """One segment of a file, past the cache."""
        return piece_of(self, path, piece, now, watch)

    def try_reading(self, path: bytes, length: int, until: float, watch: Watch) -> Trouble | None:
        """The start of a file, read from the disk."""
        return start_of(self, path, length, until, watch)

    def open(self, path: bytes) -> FolderFile:
        """A file for reading parts of it.  Raises OSError."""
        with _Below(self) as below:
            return FolderFile(below.open(path))


class FolderFile:
    """One file of a folder, open for reading from the disk itself.

    What others have cached of it stays, where the system can read past its cache.
    """

    def __init__(self, descriptor: int) -> None:
        self._file = os.fdopen(descriptor, "rb", buffering=0)
        self._buffer = memoryview(b"")
        if not system.KNOWS_CACHE:
            system.drop_cached(descriptor)
        self.size = os.fstat(descriptor).st_size

    def read_at(self, offset: int, length: int) -> bytes:
        """Bytes from ``offset``, fewer only at the end.  Raises OSError."""
        length = min(length, max(0, self.size - offset))
        if not system.KNOWS_CACHE:
            return self._read_plainly(offset, length)
        before = offset % system.GRAIN
        gentle = Gentle(
            self._file.fileno(), self.size, directly=True, past_cache=True, at=offset - before
        )
        try:
            block = filled(gentle, self._room_for(before + length), before + length)
        except ReadFailed as failed:
            raise failed.error from failed
        finally:
            gentle.end()
        return bytes(block[before:])

    def _room_for(self, length: int) -> memoryview:
        whole = -(-length // system.GRAIN) * system.GRAIN
        if len(self._buffer) < whole:
            self._buffer = system.page_aligned(whole)
        return self._buffer[:whole]

    def _read_plainly(self, offset: int, length: int) -> bytes:
        self._file.seek(offset)
        parts = []
        while length > 0 and (part := self._file.read(length)):
            parts.append(part)
            length -= len(part)
        return parts[0] if len(parts) == 1 else b"".join(parts)

    def close(self) -> None:
        """Give the file back to the system."""
        self._file.close()


class _Below:
    """Opens paths below a root one part at a time, so that no link can lead out of it.

    The folder opened last is kept: neighbours come one after the other.
    """

    def __init__(self, place: FolderPlace) -> None:
        self._place = place
        self._root_path = place.root
        self._root: int | None = None
        self._folder: int | None = None
        self._folder_path: bytes | None = None

    def __enter__(self) -> _Below:
        self.take_up()
        return self

    def __exit__(self, *_: object) -> None:
        self.let_go()

    def take_up(self) -> None:
        """Open the root, where that helps.  Raises PlaceUnreachable."""
        if system.READS_BELOW_FOLDER:
            try:
                self._root = system.open_folder(self._root_path, None)
            except OSError as error:
                raise self._place.unreachable(error) from error
            try:
                self._place.recognise(fstat(self._root))
            except BaseException:
                self.let_go()
                raise

    def let_go(self) -> None:
        """Close what is held open; a place with nothing open can be unmounted."""
        for descriptor in (self._folder, self._root):
            if descriptor is not None:
                os.close(descriptor)
        self._folder = self._root = self._folder_path = None

    @contextmanager
    def listed(self, folder: bytes) -> Iterator[tuple[int | None, Iterator[os.DirEntry[Any]]]]:
        """The names in ``folder``, and its descriptor where there is one.  Raises OSError."""
        if self._root is None:
            whole = system.long_path(os.path.join(self._root_path, folder))
            with os.scandir(whole) as items:
                yield None, items
            return
        descriptor = self._descend(folder)
        try:
            with os.scandir(descriptor) as items:
                yield descriptor, items
        finally:
            os.close(descriptor)

    def place(self, path: bytes) -> tuple[bytes, int | None]:
        """The name to give to the system, and the folder descriptor that it is relative to."""
        if self._root is None:
            return system.long_path(os.path.join(self._root_path, path)), None
        slash = path.rfind(b"/")
        if slash < 0:
            return path, self._root
        folder = path[:slash]
        if folder != self._folder_path:
            descriptor = self._descend(folder)
            if self._folder is not None:
                os.close(self._folder)
            self._folder, self._folder_path = descriptor, folder
        return path[slash + 1 :], self._folder

    def open(self, path: bytes) -> int:
        """A descriptor for reading the file at ``path``.  Raises OSError."""
        name, folder = self.place(path)
        return system.open_to_read(name, folder)

    def stat(self, path: bytes) -> tuple[os.stat_result, bytes | None]:
        """What stands at ``path``, not followed, and where it points if it is a link."""
        name, folder = self.place(path)
        found = os.stat(name, dir_fd=folder, follow_symlinks=False)
        if not stat.S_ISLNK(found.st_mode):
            return found, None
        target = os.readlink(name, dir_fd=folder)
        return found, target

    def _descend(self, folder: bytes) -> int:
        """A descriptor of its own for ``folder``."""
        assert self._root is not None
        at = os.dup(self._root) if not folder else self._root
        for part in folder.split(b"/") if folder else ():
            try:
                below = system.open_folder(part, at)
            finally:
                if at != self._root:
                    os.close(at)
            at = below
        return at


class _Reader:
    """Reads files of one place: sizes and dates before and after, once more if they changed."""

    def __init__(
        self,
        below: _Below,
        look: Look,
        now: Callable[[], float],
        watch: Watch,
        small_only: bool = False,
    ) -> None:
        self._below = below
        self._gentle = look.gentle and system.KNOWS_CACHE
        self._past_cache = look.past_cache
        self._dropping = look.past_cache and not self._gentle
        self._now = now
        self._watch = watch
        self._ask_from = 0.0
        self._leaves_no_trace: bool | None = None
        """Whether small contents can be read so, once that was tried."""
        self._cache = CacheLook()
        self._interrupted: tuple[os.stat_result, Underway] | None = None
        self._hasher = own_hasher()
        self._small_only = small_only
        self._bytes_left = SMALL_BYTES if small_only else BATCH_BYTES
        self._at_once_below = SMALL_BELOW if small_only else BLOCK
        self._block = [self._hasher.buffer]
        self._read_at_once = 0
        self._moment = 0
        self._device = 0

    def go_through(
        self, paths: Sequence[bytes], not_files: frozenset[int], seen: _Sightings | _Rows
    ) -> None:
        """Look at paths in their order; raises BellRang where nothing was seen before the bell."""
        number, end = 0, len(paths)
        try:
            while number < end:
                self._begin()
                upto = min(number + _CHECK_EVERY, end)
                while number < upto:
                    if number in not_files:
                        seen.add(_glance(self._below, paths[number]))
                        number += 1
                        continue
                    run = _of_one_folder(paths, number, upto, not_files)
                    read = self._run(run, seen)
                    if read < len(run):
                        seen.add(self._read(run[read], alone=False))
                        read += 1
                    number += read
                self._tell()
        except BellRang:
            self._tell()
            if not seen.anything:
                raise

    def _begin(self) -> None:
        """Before some small files: stop if nobody wants them, and look at the clock."""
        self._watch.check()
        self._ask_from = 0.0
        if not self._watch.paced:
            self._watch.allow(1)  # waits while reading is held
            self._ask_from = steady() + LOOK_EVERY
        self._moment = int(self._now())

    def _run(self, paths: Sequence[bytes], seen: _Sightings | _Rows) -> int:
        """Read small files of one folder, up to the first that is none; how many they were."""
        facts: list[Any] = []
        cut = paths[0].rfind(b"/") + 1
        try:
            self._at_once(paths, cut, facts)
        finally:
            if facts:
                small = SmallFiles(paths[0][:cut], self._device, 1, self._moment, facts)
                seen.take(small)
                self._read_at_once += small.size
        return len(facts) // FACTS

    def _at_once(self, paths: Sequence[bytes], cut: int, facts: list[Any]) -> None:
        """Read small files in the fewest calls, up to the first of which anything is unusual.

        The slower way then looks at that path anew.  This is where most of the time goes for a
        tree of small files, so it is written out in one piece.  ``cut`` is where names begin.
        """
        limit, dropping, ask_from = self._at_once_below, self._dropping, self._ask_from
        below, blocks, without_trace = self._below, self._block, self._leaves_no_trace
        [buffer] = blocks
        try:
            _, within = below.place(paths[0])
        except OSError:
            return
        for path in paths:
            name = path[cut:]
            try:
                if within is None:
                    descriptor = open_to_read(below.place(path)[0], None)
                else:
                    descriptor = open_to_read(name, within)
            except OSError:
                return
            try:
                before = fstat(descriptor)
                size = before.st_size
                if size >= limit or before.st_nlink != 1 or before.st_mode & _KIND != _REGULAR:
                    return
                if steady() >= ask_from:
                    self._ask_for(size)
                if dropping:
                    system.drop_cached(descriptor)
                if without_trace:
                    # As `system.read_without_trace`, whose calls show beside a small content.
                    count = os.preadv(descriptor, blocks, 0, WITHOUT_TRACE)
                    content = buffer[:count]
                elif self._gentle:
                    content = self._gently(descriptor, size)
                else:
                    content = buffer[: read_blocks(descriptor, blocks)]
                after = fstat(descriptor)
                if dropping:
                    system.drop_cached(descriptor)
            except (OSError, ReadFailed):
                return
            finally:
                close(descriptor)
            mtime_ns, ctime_ns, device = after.st_mtime_ns, after.st_ctime_ns, after.st_dev
            if (
                len(content) != size
                or after.st_size != size
                or before.st_mtime_ns != mtime_ns
                or before.st_ctime_ns != ctime_ns
                or not -LATEST_NS <= mtime_ns <= LATEST_NS
                or (facts and device != self._device)
            ):
                return
            self._device = device
            digest = blake3(content).digest()
            facts += (name, size, mtime_ns, ctime_ns, after.st_ino, digest)

    def _ask_for(self, size: int) -> None:
        """Wait until a small file may be read."""
        self._watch.check()
        while size > 0:
            size -= self._watch.allow(size)

    def _gently(self, descriptor: int, size: int) -> memoryview:
        """A small content, read so that the cache is afterwards as it was.

        One that is cached takes one call, as without, or one more to learn that it is.
        """
        if self._past_cache:
            return self._gently_filled(descriptor, size)
        [block] = self._block
        if self._leaves_no_trace is not False:
            count = system.read_without_trace(descriptor, self._block)
            self._leaves_no_trace = count is not None
            if count is not None:
                return block[:count]
        if self._cache.has_all(descriptor, size):
            return block[: read_blocks(descriptor, self._block)]
        return self._gently_filled(descriptor, size)

    def _gently_filled(self, descriptor: int, size: int) -> memoryview:
        directly = self._past_cache
        gentle = Gentle(descriptor, size, directly=directly, past_cache=self._past_cache)
        buffer = self._hasher.aligned_buffers[0] if directly else self._hasher.buffer
        try:
            return filled(gentle, buffer, size)
        finally:
            gentle.end()

    def _tell(self) -> None:
        """Add what was read at once to the count of bytes read."""
        self._watch.has_read(self._read_at_once)
        self._bytes_left -= self._read_at_once
        self._read_at_once = 0
        if self._small_only and self._bytes_left <= 0:
            self._at_once_below = 0

    def read(self, path: bytes) -> Sighting:
        """The sighting of ``path``, its content read if it is a file."""
        return self._read(path, alone=True)

    def _read(self, path: bytes, alone: bool) -> Sighting:
        sighting = self._once(path, alone)
        if sighting.trouble is not None and sighting.trouble.unsettled:
            sighting = self._once(path, alone)
        return sighting

    def _once(self, path: bytes, alone: bool) -> Sighting:
        self._watch.check()
        try:
            descriptor = self._below.open(path)
        except OSError as error:
            return self._not_opened(path, error)
        try:
            before = os.fstat(descriptor)
            if not stat.S_ISREG(before.st_mode):
                return _sighting(path, before)
            if not alone and self._left_for_later(before):
                return _sighting(path, before)
            return self._content(path, descriptor, before)
        except OSError as error:
            return _with_trouble(path, trouble_of(error))
        finally:
            os.close(descriptor)

    def _not_opened(self, path: bytes, error: OSError) -> Sighting:
        """A link or a socket cannot be opened and need not be; anything else is trouble."""
        glance = _glance(self._below, path)
        if glance.trouble is not None or glance.kind is not Kind.FILE:
            return glance
        return structs.replace(glance, trouble=trouble_of(error))

    def _left_for_later(self, found: os.stat_result) -> bool:
        size = found.st_size
        if self._small_only and size >= self._at_once_below:
            return True
        if size >= READ_ALONE_FROM or (found.st_nlink > 1 and size):
            return True
        if size > BLOCK and size > self._bytes_left:
            return True
        self._bytes_left -= size
        return False

    def _content(self, path: bytes, descriptor: int, before: os.stat_result) -> Sighting:
        if self._dropping:
            system.drop_cached(descriptor)
        size = before.st_size
        try:
            if size < BLOCK:
                digest, fingerprints, count = *self._small(descriptor, size), size
            else:
                digest, fingerprints, count = self._large(descriptor, before)
        except ReadFailed as failed:
            return _sighting(path, before, trouble=trouble_of(failed.error, failed.offset))
        except _ShorterThanSaid:
            return _sighting(path, before, trouble=_CHANGED)
        after = os.fstat(descriptor)
        if self._dropping and size < BLOCK:
            system.drop_cached(descriptor)
        if count != size or not _same(before, after):
            return _sighting(path, after, trouble=_CHANGED)
        return _sighting(path, after, digest, fingerprints, int(self._now()))

    def _small(self, descriptor: int, size: int) -> tuple[bytes, tuple[bytes, ...]]:
        """A content that fits in one block."""
        self._ask_for(size)
        if self._gentle:
            block = self._gently_filled(descriptor, size)
        else:
            buffer = self._hasher.buffer
            block = filled(lambda rest: system.read_into(descriptor, rest), buffer, size)
        if len(block) < size:
            raise _ShorterThanSaid
        self._watch.has_read(size)
        return digest_of(block), ()

    def _large(
        self, descriptor: int, before: os.stat_result
    ) -> tuple[bytes, tuple[bytes, ...], int]:
        """A content of blocks, gone on with where a bell interrupted it."""
        underway = self._taken_up(before)
        if underway is None:
            underway = Underway(before.st_size, aligned=self._gentle)
        gentle: Gentle | None = None
        if self._gentle:
            gentle = Gentle(
                descriptor,
                before.st_size,
                directly=True,
                past_cache=self._past_cache,
                at=underway.size,
            )
        else:
            system.expect_whole_read(descriptor)
            if underway.size:
                os.lseek(descriptor, underway.size, os.SEEK_SET)
        try:
            return self._hasher.go_on(
                underway,
                gentle or (lambda buffer: system.read_into(descriptor, buffer)),
                self._watch,
                self._dropper(descriptor, underway.size),
            )
        except BellRang:
            self._interrupted = before, underway
            raise
        finally:
            if gentle is not None:
                gentle.end()

    def _taken_up(self, found: os.stat_result) -> Underway | None:
        """What was read before the bell, if the file is still the one it was read of."""
        interrupted, self._interrupted = self._interrupted, None
        if interrupted is None:
            return None
        before, underway = interrupted
        same_file = before.st_dev == found.st_dev and before.st_ino == found.st_ino
        return underway if same_file and _same(before, found) else None

    def _dropper(self, descriptor: int, dropped: int) -> Callable[[int], None] | None:
        if not self._dropping:
            return None

        def drop(offset: int) -> None:
            nonlocal dropped
            system.drop_cached(descriptor, dropped, offset - dropped)
            dropped = offset

        return drop


def _of_one_folder(
    paths: Sequence[bytes], number: int, upto: int, not_files: frozenset[int]
) -> Sequence[bytes]:
    """The paths from ``number`` on, as far as they stand in its folder and may be opened."""
    first, stop = paths[number], number + 1
    cut = first.rfind(b"/") + 1
    folder = first[:cut]
    while stop < upto and stop not in not_files:
        path = paths[stop]
        if path.rfind(b"/") + 1 != cut or not path.startswith(folder):
            break
        stop += 1
    return paths[number:stop]


class _Sightings:
    """What a reader saw, a sighting for each path."""

    def __init__(self) -> None:
        self.sightings: list[Sighting] = []

    @property
    def anything(self) -> bool:
        """Whether it saw anything yet."""
        return bool(self.sightings)

    def add(self, sighting: Sighting) -> None:
        """One more path."""
        self.sightings.append(sighting)

    def take(self, small: SmallFiles) -> None:
        """Small files that were read."""
        self.sightings += small.sightings()


class _Rows:
    """What a reader saw, small files by the rows that are recorded of them."""

    def __init__(self) -> None:
        self.read: list[SmallFiles] = []
        self.others: list[Sighting] = []

    @property
    def anything(self) -> bool:
        """Whether it saw anything yet."""
        return bool(self.read or self.others)

    def add(self, sighting: Sighting) -> None:
        """One more path."""
        if sighting.digest is None:
            self.others.append(sighting)
        else:
            self.take(SmallFiles.of(sighting))

    def take(self, small: SmallFiles) -> None:
        """Small files that were read."""
        if self.read and self.read[-1].goes_on_with(small):
            self.read[-1].facts.extend(small.facts)
        else:
            self.read.append(small)


class _ShorterThanSaid(Exception):
    """A file ended before the size that the system gave for it."""


_CHANGED: Final = Trouble(CHANGED_WHILE_READ, "It changed each time it was read.")


def _same(before: os.stat_result, after: os.stat_result) -> bool:
    return (
        before.st_size == after.st_size
        and before.st_mtime_ns == after.st_mtime_ns
        and before.st_ctime_ns == after.st_ctime_ns
    )


def _glance(below: _Below, path: bytes) -> Sighting:
    """The sighting of ``path`` by size and dates alone."""
    try:
        found, target = below.stat(path)
    except OSError as error:
        return _with_trouble(path, trouble_of(error))
    return _sighting(path, found, target=target)


def _storable(date_ns: int) -> int:
    """A date as it can be stored: some file systems hold dates that no 64 bits can."""
    return (
        date_ns if -LATEST_NS <= date_ns <= LATEST_NS else max(-LATEST_NS, min(date_ns, LATEST_NS))
    )


def _file(path: bytes, found: os.stat_result) -> Sighting:
    return Sighting(
        path,
        _FILE,
        found.st_size,
        _storable(found.st_mtime_ns),
        _storable(found.st_ctime_ns),
        found.st_dev,
        found.st_ino,
        found.st_nlink,
    )


def _sighting(
    path: bytes,
    found: os.stat_result,
    digest: bytes | None = None,
    fingerprints: tuple[bytes, ...] = (),
    read_at: int | None = None,
    target: bytes | None = None,
    trouble: Trouble | None = None,
) -> Sighting:
    kind = _FILE
    if found.st_mode & _KIND != _REGULAR:
        kind = Kind.LINK if stat.S_ISLNK(found.st_mode) else Kind.OTHER
    return Sighting(
        path,
        kind,
        0 if kind is Kind.OTHER else found.st_size,
        _storable(found.st_mtime_ns),
        _storable(found.st_ctime_ns),
        found.st_dev,
        found.st_ino,
        found.st_nlink,
        digest,
        fingerprints,
        target,
        read_at,
        trouble,
    )


def _with_trouble(path: bytes, trouble: Trouble) -> Sighting:
    return Sighting(path, Kind.OTHER, 0, 0, trouble=trouble)


def _kind(item: os.DirEntry[bytes] | os.DirEntry[str]) -> Kind | None:
    try:
        if item.is_file(follow_symlinks=False):
            return Kind.FILE
        if item.is_symlink():
            return Kind.LINK
        if item.is_dir(follow_symlinks=False):
            return None
    except OSError:
        pass  # its own look will meet the same error and keep it
    return Kind.OTHER
