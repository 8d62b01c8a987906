"""What a place must be able to do, whatever stands behind it."""

from __future__ import annotations

import errno
from collections.abc import Callable, Generator, Iterator, Sequence
from enum import StrEnum
from typing import Final, Protocol, runtime_checkable

from msgspec import Struct, msgpack

from verifier.engine import Watch
from verifier.errors import PlaceUnreachable
from verifier.ignore import Ignore
from verifier.model import (
    CHANGED_WHILE_READ,
    FirstSight,
    How,
    Kind,
    Sighting,
    Trouble,
    folders_above,
)

READ_ALONE_FROM: Final = 8 * 1024 * 1024
"""Files from this many bytes on are a task of their own, so that no batch takes long."""


SMALL_BELOW: Final = 256 * 1024
"""Files of fewer bytes are small: a disk gives one in less time than it takes to find it."""


class Look(Struct, frozen=True):
    """How a place's files are to be looked at.

    ``content`` reads and hashes them; without it only sizes and dates are taken.
    ``past_cache`` has what is cached dropped before and after, so that the disk itself is read.
    ``gentle`` leaves the system's cache to those who work with it: whatever was cached before
    stays cached, and nothing is added.  Where the system cannot do that, it reads as without.
    Both together read the disk itself and keep what is cached; where a file cannot be read
    directly from its disk, ``past_cache`` wins and its cache is dropped.
    """

    content: bool = True
    past_cache: bool = False
    gentle: bool = False


class Traits(Struct, frozen=True):
    """What callers have to heed of a kind of place; all places of one kind have the same.

    ``dates_are_of_content``: the date of a file is that of its content, which a copy keeps, so
    that source and mirror can be compared by dates.  False where it is the date at which the file
    was put there, as in an object store: such a date says nothing of which side is newer, and
    differs though nothing is wrong.  It still tells that a file is not the one it was.

    ``has_folders``: folders stand there by themselves, can be empty, and can be looked at.  False
    where paths only begin alike: a folder of which nothing begins with the name is not there, an
    empty root cannot be told from one that is not there, and links do not exist.

    ``reading_costs``: each byte and each question is paid for, so that nothing is read only to
    measure a pace or to show a total, and nothing twice without need.

    ``reads_elsewhere``: opening, reading and hashing happen on another machine, and here somebody
    only waits for it: a lane of such a place needs threads, and no processes of this machine.
    False where contents travel here to be hashed.
    """

    dates_are_of_content: bool = True
    has_folders: bool = True
    reading_costs: bool = False
    reads_elsewhere: bool = False

    @property
    def can_be_mounted(self) -> bool:
        """Whether another machine can have it at the same path, and read there in our stead."""
        return self.has_folders and not self.reads_elsewhere


AS_FOLDERS: Final = Traits()
"""A folder of this machine, which everything else is measured by."""


class Writing(StrEnum):
    """Whether the user who reads a place could write to it, as far as the system tells unasked."""

    READ_ONLY = "read-only"
    """Nobody can through this mount or these credentials."""
    DENIED = "denied"
    BY_ROOT = "by-root"
    """Only because the user is root, whom nothing is denied."""
    ALLOWED = "allowed"
    UNKNOWN = "unknown"


class Remark(Struct, frozen=True):
    """What a person should know of a place that works: one check, what it came to, advice.

    ``check`` is a word such as ``clock``; ``good`` is False when somebody should look at it,
    which keeps nothing from being read.
    """

    check: str
    good: bool
    detail: str
    advice: str | None = None

    def __str__(self) -> str:
        return self.detail if self.advice is None else f"{self.detail} {self.advice}"


class Identity(Struct, frozen=True):
    """Which folder a root is, whatever it is called and by whichever way it is reached.

    ``machine`` tells the system that runs on the machine which has it from every other one; None
    where that is not known.  Devices and inodes are that system's own numbers: on one machine the
    same two are the same folder, and of two machines they say nothing.  ``within`` are the
    devices and inodes of all folders that hold it.
    """

    machine: str | None
    device: int
    inode: int
    within: tuple[tuple[int, int], ...]

    @property
    def folder(self) -> tuple[int, int]:
        """The folder, as its own machine tells it from others."""
        return self.device, self.inode

    def lies_in(self, other: Identity) -> bool:
        """Whether it is known to be ``other`` or to stand below it."""
        same_machine = self.machine is not None and self.machine == other.machine
        return same_machine and other.folder in (self.folder, *self.within)


class OpenFile(Protocol):
    """A file opened for reading parts of it.  Close it after use."""

    size: int

    def read_at(self, offset: int, length: int) -> bytes:
        """Bytes from ``offset``, fewer only at the end.  Raises OSError."""

    def close(self) -> None:
        """Give the file back to the system."""


class Place(Protocol):
    """One tree of a share, on this machine or far away.

    A place can be sent to another process.  Paths are relative to its root, as bytes.
    All that reaches for the tree may raise PlaceUnreachable: it is gone, or is another one now.
    """

    @property
    def at(self) -> str:
        """Where it is, for people and documents."""

    @property
    def root(self) -> bytes | None:
        """The folder of this machine that it is, absolute and free of links; None elsewhere."""

    @property
    def traits(self) -> Traits:
        """What is particular to its kind."""

    def shown(self, path: bytes) -> str:
        """Where ``path`` of it is, for people and documents."""

    # ------------------------------------------------------------------- the place as a whole

    def check(self) -> None:
        """Raises PlaceUnreachable unless the root is there and can be listed."""

    def identity(self) -> Identity | None:
        """Which folder it is, as it was found; None before that, and where nobody can tell."""

    def remarks(self) -> Sequence[Remark]:
        """What a person should know of it, once it was checked."""

    def how_read(self, folder: bytes = b"") -> How:
        """Through what a folder of it is read, and whether past every cache on the way."""

    def room(self) -> int | None:
        """Bytes that are free where it lies; None where nobody can say."""

    def writing(self) -> Writing:
        """Whether this user could write there.  Asked of the system; nothing is tried."""

    # ------------------------------------------------------------------------- what is there

    def list_folder(self, folder: bytes) -> Iterator[tuple[bytes, Kind | None]]:
        """The names in ``folder`` (b"" is the root) in no order, each with its kind.

        A folder's kind is None.  Raises OSError.
        """

    def list_dated(self, folder: bytes) -> Iterator[tuple[bytes, Sighting | None]]:
        """As `list_folder`, each with its sighting by size and dates, None for a folder."""

    def look_at(
        self,
        paths: Sequence[bytes],
        not_files: frozenset[int],
        look: Look,
        now: Callable[[], float],
        watch: Watch,
    ) -> list[Sighting]:
        """A sighting for each path, in order; errors become sightings with trouble.

        ``not_files`` are the positions of the paths that must not be opened: opening a device
        can do something.
        Where content is asked for, a file that is large or has several names is only looked at
        and comes back without a digest: it is to be asked for with `read_alone`.

        At the bell the list ends early: it is shorter than asked and holds what was finished by
        then.  With nothing finished, BellRang is raised.
        """

    def leads_into(self, link: bytes, target: bytes, folder: bytes) -> bool:
        """Whether the link at ``link``, which says ``target``, leads to ``folder`` or below it.

        True also where nobody can tell.
        """

    # --------------------------------------------------------------------------- its contents

    def read_alone(
        self, path: bytes, look: Look, now: Callable[[], float], watch: Watch
    ) -> Sighting:
        """The sighting of one file with its content read, whatever its size.

        At the bell it closes everything and parks by its watch, and goes on afterwards: from
        where it was if the file is still the same, else from the file's start.  Where parking
        is not possible, BellRang is raised.
        """

    def read_piece(
        self, path: bytes, piece: int, now: Callable[[], float], watch: Watch
    ) -> Sighting:
        """The sighting of one file with the fingerprint of one segment alone, and no digest.

        It is read past the cache, and a second time if the file changed meanwhile.
        """

    def try_reading(self, path: bytes, length: int, until: float, watch: Watch) -> Trouble | None:
        """Read and hash the first ``length`` bytes of a file to see how fast that goes.

        Ends early when the steady clock shows ``until``.  What was wrong, or None.
        """

    def open(self, path: bytes) -> OpenFile:
        """A file for reading parts of it.  Raises OSError."""


@runtime_checkable
class WalksItself(Protocol):
    """A place that lists its whole tree by itself, sorted: asked folder by folder, each would
    take a round trip.  `verifier.walker` uses it in place of `Place.list_folder`."""

    def walk(self, ignore: Ignore) -> Iterator[Sighting]:
        """Every file, link and other that ``ignore`` lets through, sorted by the path's bytes.

        By sizes and dates, not opened.  A folder that cannot be listed is a sighting of the kind
        other with trouble, where its own path sorts; one that has gone meanwhile is passed over.
        Raises PlaceUnreachable, also midway: what came before is then not the whole tree.
        """


@runtime_checkable
class ReachedByLink(Protocol):
    """A place that is reached over a link to another machine, which may be slow, or drop."""

    def heed(self, watch: Watch) -> None:
        """Keep to a watch from now on also where none is passed: listing, walking, opening."""

    def close(self) -> None:
        """Give back the links that nobody uses now.  The place can be used again."""

    def clock_ahead(self) -> float:
        """Seconds by which the clock there is ahead of this machine's.  Raises PlaceUnreachable."""

    def try_link(self) -> Remark:
        """How long a round trip takes, and how fast the link is.  Raises PlaceUnreachable."""


@runtime_checkable
class ReadsSmallFiles(Protocol):
    """A place whose small files are read while it is walked for the first time."""

    def read_small(
        self,
        paths: Sequence[bytes],
        not_files: frozenset[int],
        now: Callable[[], float],
        watch: Watch,
    ) -> FirstSight:
        """What stands at each path, as `Place.look_at` tells it with a gentle look at contents.

        What takes longer to be opened than to be read is read: files below `SMALL_BELOW`, and of
        those some MiB in a row.  Of all others only sizes and dates are taken.
        """


def heed(place: Place, watch: Watch) -> None:
    """Have a place that is reached by a link keep to a watch where none is passed."""
    if isinstance(place, ReachedByLink):
        place.heed(watch)


def let_go(*places: Place | None) -> None:
    """Give back the links of places that are reached by one."""
    for place in places:
        if isinstance(place, ReachedByLink):
            place.close()


def recognised(
    place: Place, before: tuple[int, int] | None, found: tuple[int, int]
) -> tuple[int, int]:
    """The device and inode that were found at a place's root.

    Raises PlaceUnreachable if those that were found there ``before`` are other ones.
    """
    if before is not None and before != found:
        raise PlaceUnreachable(
            f"{place.at} was unmounted or replaced while it was being read, so nothing that was "
            "read is believed. Check that it is mounted, then start again."
        )
    return found


def is_empty(place: Place) -> bool:
    """Whether nothing at all stands in a place.  Raises PlaceUnreachable."""
    try:
        return _first_name(place, b"") is None
    except OSError as error:
        raise PlaceUnreachable(
            f"{place.at} cannot be listed ({error.strerror}). Check that it is mounted and that "
            "you may list it, then start again."
        ) from error


def unlisted_above(place: Place, path: bytes) -> Sighting | None:
    """The topmost folder above ``path`` that cannot be listed now, as a walk would tell of it.

    None where all of them can be, or one has gone.  Raises PlaceUnreachable.
    """
    for folder in folders_above(path):
        try:
            _first_name(place, folder[:-1])
        except OSError as error:
            trouble = trouble_of(error)
            if trouble.unsettled:
                return None
            return Sighting(folder[:-1], Kind.OTHER, 0, 0, trouble=trouble)
    return None


def _first_name(place: Place, folder: bytes) -> tuple[bytes, Kind | None] | None:
    names = place.list_folder(folder)
    try:
        return next(names, None)
    finally:
        if isinstance(names, Generator):
            names.close()


_encode = msgpack.Encoder().encode
_decode = msgpack.Decoder(list[Sighting]).decode


def pack(sightings: list[Sighting]) -> bytes:
    """Sightings for the way between two processes."""
    return _encode(sightings)


def unpack(packed: bytes) -> list[Sighting]:
    """The reverse of `pack`."""
    return _decode(packed)


_decode_first = msgpack.Decoder(FirstSight).decode


def pack_first(seen: FirstSight) -> bytes:
    """What was seen first, for the way between two processes."""
    return _encode(seen)


def unpack_first(packed: bytes) -> FirstSight:
    """The reverse of `pack_first`."""
    return _decode_first(packed)


_VANISHED: Final = Trouble(
    CHANGED_WHILE_READ, "It was there when its folder was listed, and gone when it was to be read."
)


def trouble_of(error: OSError, offset: int | None = None) -> Trouble:
    """The system's error as a short word and a sentence.

    A path that has gone since its folder was listed is not unreadable, it changed.
    """
    if error.errno in (errno.ENOENT, errno.ENOTDIR):
        return _VANISHED
    said = error.strerror or "Unknown error"
    word = "-".join(said.lower().replace("/", " ").replace("(", "").replace(")", "").split())
    code = errno.errorcode.get(error.errno or 0, "no code")
    where = "" if offset is None else f" at byte {offset:,}"
    return Trouble(word, f"The system said: {said} ({code}){where}.")
