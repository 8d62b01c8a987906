"""A place in an object store.  Lists and reads; never writes, and keeps no copy of what it reads.

A tree is what lies below one key.  Dates are those of uploads, which tell nothing of how old a
content is: the judge must be told not to set them beside those of another place.  Objects have no
folders and no links; keys that no path can be are left out and told of.
"""

from __future__ import annotations

import os
import threading
import time
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from contextlib import closing, suppress
from typing import Final, NamedTuple

from verifier.engine import BellRang, Watch
from verifier.errors import PlaceUnreachable
from verifier.hashing import BLOCK, ReadFailed, Underway, own_hasher
from verifier.ignore import Ignore, Only
from verifier.measures import count, duration
from verifier.model import CHANGED_WHILE_READ, SEGMENT, How, Kind, Sighting, Trouble, printable
from verifier.places.addresses import Address, shown
from verifier.places.base import READ_ALONE_FROM, Look, Remark, Traits, Writing, trouble_of
from verifier.places.parts import piece_of, start_of
from verifier.places.stores.base import (
    Item,
    Patience,
    Store,
    StoreFailed,
    Stream,
    cut_short,
    gone,
    out_of_step,
)
from verifier.places.stores.word import Computing, Word, computing
from verifier.spill import SortedSpill

AT_ONCE: Final = 8
"""Small objects that one reader asks for side by side: each costs a way there and back."""

UNLIKE_ITS_WORD: Final = "unlike-the-store's-word"
"""The cause of an object whose content is not what the store's own checksum says, twice running."""

_QUICK: Final = 0.1
_SLOW: Final = 0.25
"""Seconds for a piece of an answer below which the next one is larger, and over which smaller, so
that a bell is soon heard however slow the store."""

_LEAST: Final = 16 * 1024
_FIRST: Final = 128 * 1024
"""Bytes of the smallest piece, and of the first."""

_SHOWN: Final = 3
"""Keys that no path can be which are named."""


class ObjectStorePlace:
    """The objects below one address."""

    traits: Traits = Traits(dates_are_of_content=False, has_folders=False, reading_costs=True)

    root = None

    def __init__(self, address: Address, patience: Patience | None = None) -> None:
        self._address = address
        self._patience = patience or Patience()
        self._local = _Local()
        self._clock_ahead: float | None = None
        self._no_paths = 0
        self._named: list[str] = []

    def __reduce__(self) -> tuple[object, ...]:
        return _sent, (self._address, self._patience)

    @property
    def at(self) -> str:
        """The address, for people and documents."""
        return shown(self._address)

    def shown(self, path: bytes) -> str:
        """Where ``path`` is, for people and documents."""
        return f"{self.at.rstrip('/')}/{printable(path)}"

    def check(self) -> None:
        """Raises PlaceUnreachable unless the store answers and lets us list."""
        try:
            there, here = self._store.reach(self._store.below), time.time()
        except StoreFailed as failed:
            raise self._unreachable(failed) from failed
        self._clock_ahead = None if there is None else there - here

    def identity(self) -> None:
        """Nobody can say what is behind it."""

    def _unreachable(self, error: OSError) -> PlaceUnreachable:
        """The sentence for a store that does not let us list."""
        said = (error.strerror or "unknown error").lower()
        return PlaceUnreachable(
            f"{self.at} cannot be listed ({said}). Check the address, the network, and that its "
            "credentials may list it and read objects, then start again."
        )

    def remarks(self) -> Sequence[Remark]:
        """What its clock says, and what was left out of the last listing."""
        found = []
        if self._clock_ahead is not None:
            found.append(_clock(self._clock_ahead))
        if self._no_paths:
            names = ", ".join(self._named) + (", ..." if self._no_paths > len(self._named) else "")
            found.append(
                Remark(
                    "names",
                    False,
                    f"{count(self._no_paths, 'key')} that no path can be left out: {names}.",
                    "Nothing, if no copy of a file stands there; else see how it was put there.",
                )
            )
        return found

    def how_read(self, folder: bytes = b"") -> How:
        """Through requests to the store; what is behind it nobody can see from here."""
        return How(
            "object-store",
            False,
            "through requests to the object store, which alone knows from which disk or cache it "
            "answered",
        )

    def room(self) -> None:
        """Nobody can say."""

    def writing(self) -> Writing:
        """Nobody can say without trying."""
        return Writing.UNKNOWN

    def leads_into(self, link: bytes, target: bytes, folder: bytes) -> bool:
        """There are no links."""
        return False

    # ---------------------------------------------------------------------------- listing

    def list_folder(self, folder: bytes) -> Iterator[tuple[bytes, Kind | None]]:
        """The names in ``folder``.  Raises StoreFailed."""
        for name, sighting in self.list_dated(folder):
            yield name, None if sighting is None else Kind.FILE

    def list_dated(self, folder: bytes) -> Iterator[tuple[bytes, Sighting | None]]:
        """The names in ``folder``, each with its sighting by size and date of upload."""
        below = self._key(folder) + "/" if folder else self._store.below
        for name, item in self._store.folder(below):
            if item is None and _is_name(name):
                yield name.encode(), None
            elif item is not None and name and _is_name(name):
                yield name.encode(), _sighting(self._path(item.key), item)

    def walk(self, ignore: Ignore) -> Iterator[Sighting]:
        """Every object by size and date of upload, sorted by path, in as few requests as can be."""
        if self._store.sorted:
            yield from self._listed(ignore)
            return
        with closing(SortedSpill[Sighting](Sighting, lambda each: each.path)) as found:
            found.extend(self._listed(ignore))
            yield from found

    def _listed(self, ignore: Ignore) -> Iterator[Sighting]:
        self._no_paths, self._named = 0, []
        store = self._store
        # A folder alone need not be looked for among everything else.
        below = store.below + (ignore.folder.decode() if isinstance(ignore, Only) else "")
        try:
            for item in store.everything(below):
                inner = item.key[len(store.below) :]
                if not all(map(_is_name, inner.split("/"))):
                    self._leave_out(item)
                    continue
                path = inner.encode()
                if not ignore or not ignore.ignores_at_or_above(path):
                    yield _sighting(path, item)
        except StoreFailed as failed:
            raise self._unreachable(failed) from failed

    def _leave_out(self, item: Item) -> None:
        if item.key.endswith("/") and not item.size:
            return  # it stands for a folder, as some programs make one for each
        self._no_paths += 1
        if len(self._named) < _SHOWN:
            self._named.append(printable(item.key.encode("utf-8", "surrogatepass")))

    # ---------------------------------------------------------------------------- reading

    def look_at(
        self,
        paths: Sequence[bytes],
        not_files: frozenset[int],
        look: Look,
        now: Callable[[], float],
        watch: Watch,
    ) -> list[Sighting]:
        """A sighting for each path, in order, several asked for at once."""
        if not look.content:
            return self._each(paths, lambda path: self._glance(path, watch))
        shared = _SharedWatch(watch)
        reader = _Reader(self._store, self._local, self._key, self._patience, shared, now)
        return self._each(paths, lambda path: reader.read(path, alone=False))

    def _each(self, paths: Sequence[bytes], task: Callable[[bytes], Sighting]) -> list[Sighting]:
        if len(paths) == 1:
            return [task(paths[0])]
        done: list[Sighting] = []
        with ThreadPoolExecutor(AT_ONCE, "objects") as pool:
            answers: list[Future[Sighting]] = [pool.submit(task, path) for path in paths]
            try:
                for answer in answers:
                    done.append(answer.result())
            except BellRang:
                if not done:
                    raise
            finally:
                pool.shutdown(wait=False, cancel_futures=True)
        return done

    def _glance(self, path: bytes, watch: Watch) -> Sighting:
        try:
            key = self._key(path)
            item = self._patience.ask(lambda: self._store.look(key), watch.check)
        except StoreFailed as failed:
            return _with_trouble(path, trouble_of(failed))
        return _sighting(path, item)

    def read_alone(
        self, path: bytes, look: Look, now: Callable[[], float], watch: Watch
    ) -> Sighting:
        """The sighting of one object with its content read, the bell slept through if need be."""
        reader = _Reader(self._store, self._local, self._key, self._patience, watch, now)
        while True:
            try:
                return reader.read(path, alone=True)
            except BellRang:
                watch.park()

    def read_piece(
        self, path: bytes, piece: int, now: Callable[[], float], watch: Watch
    ) -> Sighting:
        """One segment of an object."""
        return piece_of(self, path, piece, now, watch)

    def try_reading(self, path: bytes, length: int, until: float, watch: Watch) -> Trouble | None:
        """The start of an object, but for its first byte: who gives no parts is found out."""
        return start_of(self, path, length, until, watch, behind=1)

    def open(self, path: bytes) -> ObjectFile:
        """An object for reading parts of it.  Raises StoreFailed."""
        key = self._key(path)
        item = self._patience.ask(lambda: self._store.look(key))
        return ObjectFile(self._store, item, self._patience)

    # ------------------------------------------------------------------------------- keys

    @property
    def _store(self) -> Store:
        if self._local.store is None:
            self._local.store = _opened(self._address, self.at, self._patience)
        return self._local.store

    def _key(self, path: bytes) -> str:
        try:
            return self._store.below + path.decode()
        except UnicodeDecodeError:
            raise gone() from None  # keys are UTF-8: nothing can stand there

    def _path(self, key: str) -> bytes:
        return key[len(self._store.below) :].encode()


class _Local:
    """What stays in this process."""

    def __init__(self) -> None:
        self.store: Store | None = None
        self.tags_fit = False
        """Whether a tag that looks like an MD5 was that of a content: then they are in this store,
        and one that is not tells of damage."""


_locals: dict[tuple[int, Address], _Local] = {}


def _sent(address: Address, patience: Patience) -> ObjectStorePlace:
    """A place that another process sent: all that name the same one share a connection."""
    place = ObjectStorePlace(address, patience)
    place._local = _locals.setdefault((os.getpid(), address), _Local())
    return place


class ObjectFile:
    """One object, open for reading parts of it; if it is replaced meanwhile, reading fails."""

    def __init__(self, store: Store, item: Item, patience: Patience) -> None:
        self.size = item.size
        self._store = store
        self._item = item
        self._patience = patience
        self._content: _Content | None = None

    def read_at(self, offset: int, length: int) -> bytes:
        """Bytes from ``offset``, fewer only at the end.  Raises StoreFailed.

        What follows on from the last call comes by the same request, to the end of its segment.
        """
        length = max(0, min(length, self.size - offset))
        found = bytearray(length)
        filled = 0
        while filled < length:
            content = self._from(offset + filled)
            count = content.fill(memoryview(found)[filled:])
            if not count:
                raise cut_short()
            filled += count
        return bytes(found)

    def close(self) -> None:
        """Have the store send no more."""
        if self._content is not None:
            self._content.close()
            self._content = None

    def _from(self, offset: int) -> _Content:
        content = self._content
        if content is None or content.at != offset or content.at == content.end:
            self.close()
            end = min(self.size, offset - offset % SEGMENT + SEGMENT)
            content = _Content(
                self._store, self._item.key, self._patience, lambda: None, self._item, offset, end
            )
            self._content = content
        return content


class _Content:
    """The bytes of one object in order, asked for anew wherever the store cuts them off."""

    def __init__(
        self,
        store: Store,
        key: str,
        patience: Patience,
        heed: Callable[[], None],
        known: Item | None = None,
        at: int = 0,
        end: int | None = None,
    ) -> None:
        self.item = known
        self.at = at
        self.end = end
        self.word: Word | None = None
        self._store = store
        self._key = key
        self._patience = patience
        self._heed = heed
        self._most = _FIRST
        self._stream: Stream | None = None
        self._failures = 0

    def begin(self) -> Item:
        """Have the store begin to send; what it says of the object.  Raises StoreFailed."""
        while self._stream is None:
            try:
                self._stream = self._store.read(self._key, self.at, self.end, self.item)
            except StoreFailed as failed:
                self._failed(failed)
        if self.item is None:
            self.item, self.word = self._stream.item, self._stream.word
        return self.item

    def fill(self, buffer: memoryview) -> int:
        """The next bytes, 0 only at the end.  Raises StoreFailed."""
        while True:
            item = self.begin()
            left = (item.size if self.end is None else self.end) - self.at
            if not left:
                return 0
            started = time.perf_counter()
            try:
                assert self._stream is not None
                found = self._stream.fill(buffer[: min(left, self._most)])
                if not found:
                    raise cut_short()
            except StoreFailed as failed:
                self.close()
                self._failed(failed)
                continue
            took = time.perf_counter() - started
            if took > _SLOW:
                self._most = max(_LEAST, self._most // 2)
            elif took < _QUICK:
                self._most = min(BLOCK, self._most * 2)
            self.at += found
            self._failures = 0
            return found

    def close(self) -> None:
        """Have the store send no more; `fill` asks anew."""
        stream, self._stream = self._stream, None
        if stream is not None:
            with suppress(OSError):
                stream.close()

    def _failed(self, failed: StoreFailed) -> None:
        if not failed.again or self._failures >= len(self._patience.waits):
            raise failed
        self._patience.wait(self._failures, self._heed)
        self._failures += 1


class _Underway(NamedTuple):
    """How far the reading of one object has come."""

    content: _Content
    hashed: Underway
    computed: Computing | None


class _Reader:
    """Reads and hashes objects; one that the bell interrupted it can go on with."""

    def __init__(
        self,
        store: Store,
        local: _Local,
        key_of: Callable[[bytes], str],
        patience: Patience,
        watch: Watch,
        now: Callable[[], float],
    ) -> None:
        self._store = store
        self._local = local
        self._key_of = key_of
        self._patience = patience
        self._watch = watch
        self._now = now
        self._interrupted: _Underway | None = None

    def read(self, path: bytes, alone: bool) -> Sighting:
        """The sighting of one object; without ``alone`` a large one is only looked at.

        What changed while it was read, or is unlike the store's word, is read once more.
        """
        sighting = self._once(path, alone)
        trouble = sighting.trouble
        if trouble is not None and (trouble.unsettled or trouble.cause == UNLIKE_ITS_WORD):
            sighting = self._once(path, alone)
        return sighting

    def _once(self, path: bytes, alone: bool) -> Sighting:
        interrupted, self._interrupted = self._interrupted, None
        self._watch.check()
        try:
            if interrupted is not None:
                return self._content(path, interrupted)
            content = _Content(self._store, self._key_of(path), self._patience, self._watch.check)
            item = content.begin()
        except StoreFailed as failed:
            return _with_trouble(path, trouble_of(failed))
        if not alone and item.size >= READ_ALONE_FROM:
            content.close()
            return _sighting(path, item)
        computed = computing(content.word)
        return self._content(path, _Underway(content, Underway(item.size), computed))

    def _content(self, path: bytes, reading: _Underway) -> Sighting:
        content, hashed, computed = reading
        item = content.item
        assert item is not None

        def fill(buffer: memoryview) -> int:
            found = content.fill(buffer)
            if computed is not None:
                computed.update(buffer[:found])
            return found

        try:
            digest, fingerprints, size = own_hasher().go_on(hashed, fill, self._watch)
        except ReadFailed as failed:
            if out_of_step(failed.error):
                return _sighting(path, item, trouble=_CHANGED)
            return _sighting(path, item, trouble=trouble_of(failed.error, failed.offset))
        except BellRang:
            self._interrupted = reading
            raise
        finally:
            content.close()
        if size != item.size:
            return _sighting(path, item, trouble=_CHANGED)
        if computed is not None and (trouble := self._unlike(content.word, computed)) is not None:
            return _sighting(path, item, trouble=trouble)
        return _sighting(path, item, digest, fingerprints, int(self._now()))

    def _unlike(self, word: Word | None, computed: Computing) -> Trouble | None:
        """What is wrong when the content is not what the store's word says.

        A tag counts once one was the MD5 of a content here: some stores put something else into
        it that looks alike.
        """
        assert word is not None
        found = computed.digest()
        if found == word.value:
            self._local.tags_fit = self._local.tags_fit or not word.declared
            return None
        if not word.declared and not self._local.tags_fit:
            return None
        kind = word.kind if word.declared else f"{word.kind} (its ETag)"
        return Trouble(
            UNLIKE_ITS_WORD,
            f"The store's word is {kind} {word.value.hex()}, and what it gave has {found.hex()}, "
            "twice running: it was damaged there, or on its way here.",
        )


class _SharedWatch:
    """A watch that several threads tell of what they read."""

    def __init__(self, watch: Watch) -> None:
        self._watch = watch
        self._lock = threading.Lock()
        self.check = watch.check
        self.allow = watch.allow
        self.park = watch.park
        self.crowded = watch.crowded
        self.terms = watch.terms

    @property
    def paced(self) -> bool:
        return self._watch.paced

    def has_read(self, count: int) -> None:
        with self._lock:
            self._watch.has_read(count)


_CLOCKS_APART: Final = 60.0
"""Seconds; stores refuse requests whose date is some minutes off."""


def _clock(ahead: float) -> Remark:
    seconds = round(abs(ahead))
    if seconds < 2:
        return Remark("clock", True, "Its clock and this machine's show the same.")
    apart = f"Its clock is {duration(seconds)} {'ahead of' if ahead > 0 else 'behind'} this one."
    if seconds < _CLOCKS_APART:
        return Remark("clock", True, apart)
    return Remark("clock", False, apart, "Have this machine's clock set by the network.")


_S3: Final = frozenset({"s3", "s3a"})


def _opened(address: Address, at: str, patience: Patience) -> Store:
    """The store at an address, by a connection of its own.  Raises PlaceUnreachable."""
    if address.scheme in _S3:
        from verifier.places.stores.s3 import S3Store

        return S3Store(address, at, patience)
    from verifier.places.stores.any_address import AnyStore

    try:
        return AnyStore(address, at, patience)
    except StoreFailed as failed:
        raise PlaceUnreachable(
            f"{at} cannot be reached ({(failed.strerror or '').lower()}). Check the address, the "
            "network and the credentials, then start again."
        ) from None


_CHANGED: Final = Trouble(CHANGED_WHILE_READ, "It changed each time it was read.")


def _is_name(name: str) -> bool:
    """Whether one part of a key can be one part of a path."""
    return name not in ("", ".", "..") and "\0" not in name and "/" not in name


def _sighting(
    path: bytes,
    item: Item,
    digest: bytes | None = None,
    fingerprints: tuple[bytes, ...] = (),
    read_at: int | None = None,
    trouble: Trouble | None = None,
) -> Sighting:
    return Sighting(
        path,
        Kind.FILE,
        item.size,
        item.uploaded_ns,
        item.uploaded_ns,
        inode=item.stamp,
        digest=digest,
        fingerprints=fingerprints,
        read_at=read_at,
        trouble=trouble,
    )


def _with_trouble(path: bytes, trouble: Trouble) -> Sighting:
    return Sighting(path, Kind.OTHER, 0, 0, trouble=trouble)
