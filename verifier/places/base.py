"""What a place must be able to do, whatever stands behind it."""

from __future__ import annotations

import errno
from collections.abc import Callable, Iterator, Sequence
from typing import Final, Protocol

from msgspec import Struct, msgpack

from verifier.engine import Watch
from verifier.model import CHANGED_WHILE_READ, Kind, Sighting, Trouble

READ_ALONE_FROM: Final = 8 * 1024 * 1024
"""Files from this many bytes on are a task of their own, so that no batch takes long."""


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
    """

    @property
    def at(self) -> str:
        """Where it is, for people and documents."""

    def check(self) -> None:
        """Raises PlaceUnreachable unless the root is there and can be listed."""

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

    def read_alone(
        self, path: bytes, look: Look, now: Callable[[], float], watch: Watch
    ) -> Sighting:
        """The sighting of one file with its content read, whatever its size.

        At the bell it closes everything and parks by its watch, and goes on afterwards: from
        where it was if the file is still the same, else from the file's start.  Where parking
        is not possible, BellRang is raised.
        """

    def open(self, path: bytes) -> OpenFile:
        """A file for reading parts of it.  Raises OSError."""


_encode = msgpack.Encoder().encode
_decode = msgpack.Decoder(list[Sighting]).decode


def pack(sightings: list[Sighting]) -> bytes:
    """Sightings for the way between two processes."""
    return _encode(sightings)


def unpack(packed: bytes) -> list[Sighting]:
    """The reverse of `pack`."""
    return _decode(packed)


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
