"""The frozen values that every part shares.  No I/O, no clock.

Paths are the file system's own bytes, relative to a place's root, ``/``-separated.  Sizes are
bytes, dates nanoseconds since 1970 in UTC.
"""

from __future__ import annotations

import base64
import unicodedata
from collections.abc import Iterator
from enum import StrEnum
from typing import Any, Final

from msgspec import Struct

SEGMENT: Final = 64 * 1024 * 1024
"""Bytes of a file that one fingerprint covers."""

SOURCE: Final = "source"
"""The name of the place that a share's mirrors are copies of.  No mirror may have it: the two
would be one place, and all that is on it its own copy."""

DEFAULT_SLACK_NS: Final = 2_000_000_000
"""Dates this near count as equal: some file systems keep even seconds only."""


class Kind(StrEnum):
    """What stands at a path.  Folders are walked, not sighted, unless they cannot be listed."""

    FILE = "file"
    LINK = "link"
    OTHER = "other"


class Side(StrEnum):
    """Which copy is the bad one."""

    SOURCE = "source"
    MIRROR = "mirror"
    BOTH = "both"
    UNKNOWN = "unknown"


class Verdict(StrEnum):
    """What the judge says of one path."""

    MATCHED = "matched"
    PENDING = "pending"
    MISSING = "missing"
    STALE = "stale"
    CORRUPT = "corrupt"
    ORPHANED = "orphaned"
    UNREADABLE = "unreadable"
    UNSETTLED = "unsettled"
    UNREAD = "unread"


QUIET: Final = frozenset({Verdict.MATCHED, Verdict.PENDING, Verdict.UNREAD})
"""Verdicts that need no person; each of the others makes a finding."""


class Cause(StrEnum):
    """Why a verdict was given.  An unreadable path has the system's own error instead."""

    NEVER_COPIED = "never-copied"
    MOVED = "moved"
    RELEASED = "released"
    DELETED_AT_SOURCE = "deleted-at-source"
    KIND_CHANGED = "kind-changed"
    ROT = "rot"
    OLDER_VERSION = "older-version"
    TRUNCATED = "truncated"
    ALTERED = "altered"
    DIFFERS = "differs"
    ZERO_FILLED = "zero-filled"
    NEWER_ON_MIRROR = "newer-on-mirror"
    UNSTABLE_READ = "unstable-read"
    GIVES_NO_PARTS = "gives-no-parts-of-files"
    """A store that gives files only as a whole."""


class Trouble(Struct, frozen=True):
    """Why a path could not be read, or not with one clear result.

    ``cause`` is a short word: the system's error in lower case with hyphens
    (``input-output-error``), ``unstable-read``, or ``changed-while-read``.
    """

    cause: str
    detail: str = ""

    @property
    def unsettled(self) -> bool:
        """True when the file changed while it was read, twice running."""
        return self.cause == CHANGED_WHILE_READ

    def __str__(self) -> str:
        return f"{self.cause}: {self.detail}" if self.detail else self.cause

    @classmethod
    def parse(cls, text: str) -> Trouble:
        """The reverse of ``str()``."""
        cause, _, detail = text.partition(": ")
        return cls(cause, detail)


LATEST_NS: Final = 2**63 - 1
"""The farthest date that is kept, either way, in nanoseconds from 1970: 64 bits hold no other."""

CHANGED_WHILE_READ: Final = "changed-while-read"


class Sighting(Struct, frozen=True, gc=False, array_like=True):
    """What one place held for one path when it was looked at.

    ``digest`` is BLAKE3-256 of the whole content, or None when it was not read;
    ``fingerprints`` are XXH3-128 of each segment, kept for files over one segment only;
    ``read_at`` is in whole seconds since 1970, the moment that reading ended.
    """

    path: bytes
    kind: Kind
    size: int
    mtime_ns: int
    ctime_ns: int = 0
    device: int = 0
    inode: int = 0
    links: int = 1
    digest: bytes | None = None
    fingerprints: tuple[bytes, ...] = ()
    target: bytes | None = None
    read_at: int | None = None
    trouble: Trouble | None = None

    def untouched_since(self, other: Sighting) -> bool:
        """True when nothing that the system tells of the file has changed since ``other``."""
        return (
            self.kind is other.kind
            and self.size == other.size
            and self.mtime_ns == other.mtime_ns
            and self.ctime_ns == other.ctime_ns
            and self.inode == other.inode
            and self.device == other.device
        )


FACTS: Final = 6
"""What is told of each file that was read with others: see `SmallFiles`."""


class SmallFiles(Struct, frozen=True, gc=False, array_like=True):
    """Small files of one folder that were read one after the other.

    ``facts`` tells of each, in the order in which they came, its name, size, mtime_ns, ctime_ns,
    inode and digest; what they have in common stands here once.  All of it is as in a `Sighting`,
    and ``folder`` is the folder's path with its slash, empty for the root.  To make a sighting of
    each takes as long as to open it.
    """

    folder: bytes
    device: int
    links: int
    read_at: int
    facts: list[int | bytearray]

    @classmethod
    def of(cls, read: Sighting) -> SmallFiles:
        """One file that was read."""
        cut = read.path.rfind(b"/") + 1
        name, digest, read_at = read.path[cut:], read.digest, read.read_at
        if digest is None or read_at is None or read.fingerprints:
            raise ValueError(f"{read.path!r} was not read, or is no small file")
        facts: list[Any] = [name, read.size, read.mtime_ns, read.ctime_ns, read.inode, digest]
        return cls(read.path[:cut], read.device, read.links, read_at, facts)

    def __len__(self) -> int:
        return len(self.facts) // FACTS

    @property
    def size(self) -> int:
        """How many bytes they hold together."""
        return sum(self.facts[1::FACTS])  # type: ignore[arg-type]  # sizes are numbers

    def goes_on_with(self, more: SmallFiles) -> bool:
        """Whether others have the same in common."""
        return (self.read_at, self.device, self.links, self.folder) == (
            more.read_at,
            more.device,
            more.links,
            more.folder,
        )

    def sightings(self) -> list[Sighting]:
        """A sighting of each."""
        facts: list[Any] = self.facts
        folder, device, links, read_at = self.folder, self.device, self.links, self.read_at
        each = zip(*(facts[which::FACTS] for which in range(FACTS)), strict=True)
        return [
            Sighting(
                folder + name,
                Kind.FILE,
                size,
                mtime_ns,
                ctime_ns,
                device,
                inode,
                links,
                digest,
                (),
                None,
                read_at,
            )
            for name, size, mtime_ns, ctime_ns, inode, digest in each
        ]


class FirstSight(Struct, frozen=True, array_like=True):
    """What was seen at some paths that nothing was known of."""

    read: list[SmallFiles]
    others: list[Sighting]

    def __len__(self) -> int:
        return sum(map(len, self.read)) + len(self.others)


class How(Struct, frozen=True, forbid_unknown_fields=True):
    """How a copy was read: from which file system, and whether past every cache on the way."""

    file_system: str
    past_cache: bool
    detail: str


class Agreement(Struct, frozen=True, gc=False):
    """The record that source and mirror were proven to hold the same bytes.

    ``earlier`` holds the digests that were agreed before this one.
    """

    digest: bytes | None
    size: int
    source_mtime_ns: int
    mirror_mtime_ns: int
    kind: Kind = Kind.FILE
    target: bytes | None = None
    earlier: tuple[bytes, ...] = ()


class Dated(Struct, frozen=True):
    """Whether the dates of each side are those of its contents, which a copy keeps.

    Where one is not, as with objects, which have the date of their upload, it is never set beside
    that of the other side.
    """

    source: bool = True
    mirror: bool = True

    @property
    def alike(self) -> bool:
        """True when the dates of the two sides can be compared."""
        return self.source and self.mirror


BOTH_DATED: Final = Dated()


class Likeness(Struct, frozen=True):
    """What reading both contents side by side showed of how they differ."""

    mirror_is_prefix: bool = False
    source_is_prefix: bool = False
    zero_filled: Side | None = None


class Judgement(Struct, frozen=True):
    """A verdict with its cause and the side that is wrong, both None where none applies."""

    verdict: Verdict
    cause: str | None = None
    side: Side | None = None


class Pattern(StrEnum):
    """What the bytes of a differing range look like."""

    BIT_FLIP = "bit-flip"
    ZERO_FILLED = "zero-filled"
    MISSING_TAIL = "missing-tail"
    EXTRA_TAIL = "extra-tail"
    GARBLED = "garbled"


class DamageRange(Struct, frozen=True):
    """Bytes ``start`` up to but not including ``end`` that differ, and how.

    ``bits`` is the number of differing bits, for bit flips only.
    """

    start: int
    end: int
    pattern: Pattern
    bits: int | None = None


class Damage(Struct, frozen=True):
    """Where and how two contents differ.

    ``ranges`` under 64 bytes apart are joined, and kept up to a bound; ``left_out`` counts the
    ranges beyond it.  ``differing_bytes`` counts exactly, those in left-out ranges too.
    ``complete`` is False when a bound on time or size ended the search early.
    """

    source_size: int
    mirror_size: int
    ranges: tuple[DamageRange, ...]
    differing_bytes: int
    sentence: str
    likeness: Likeness = Likeness()
    left_out: int = 0
    complete: bool = True


class Finding(Struct, frozen=True):
    """A verdict that needs a person."""

    path: bytes
    verdict: Verdict
    cause: str | None
    side: Side | None
    size: int
    detail: str
    advice: str
    other_path: bytes | None = None
    damage: Damage | None = None


_UNSAFE_CATEGORIES: Final = frozenset({"Cc", "Cf", "Cs", "Zl", "Zp"})
_JOINERS: Final = frozenset("\u200c\u200d")
"""Invisible, and yet part of how many names are written."""


def printable(path: bytes) -> str:
    """``path`` for a person: control characters, bad bytes and direction marks are escaped.

    >>> printable(b"notes/caf\\xe9.txt")
    'notes/caf\\\\xe9.txt'
    """
    text = path.decode("utf-8", "surrogateescape")
    if text.isprintable():
        return text
    return "".join(_escaped(character) for character in text)


def _escaped(character: str) -> str:
    code = ord(character)
    if 0xDC80 <= code <= 0xDCFF:
        return f"\\x{code - 0xDC00:02x}"
    if character not in _JOINERS and unicodedata.category(character) in _UNSAFE_CATEGORIES:
        return f"\\x{code:02x}" if code < 0x100 else f"\\u{code:04x}"
    return character


def named(path: bytes) -> tuple[str, str | None]:
    """The JSON form of a path: its text, and base64 of its bytes where they are not UTF-8."""
    try:
        return path.decode("utf-8"), None
    except UnicodeDecodeError:
        return printable(path), base64.b64encode(path).decode("ascii")


def composed(path: bytes) -> bytes:
    """The path in Unicode's composed form (NFC), which normalisation twins share.

    Names that are not UTF-8 have no other form and are returned as they are.  Source: Unicode
    Standard Annex 15.
    """
    if path.isascii():
        return path
    try:
        return unicodedata.normalize("NFC", path.decode("utf-8")).encode("utf-8")
    except UnicodeDecodeError:
        return path


def folders_above(path: bytes) -> Iterator[bytes]:
    """The folders that a path lies in but the root, each with its slash, from the top down."""
    cut = path.find(b"/")
    while cut >= 0:
        yield path[: cut + 1]
        cut = path.find(b"/", cut + 1)


def forms_of(path: bytes) -> tuple[bytes, ...]:
    """The path and its other Unicode forms, under which its normalisation twin may stand.

    Composed (NFC) or decomposed (NFD), the folder's path and the last name each by themselves:
    that is how names differ where a tree was made on one system and copied by another.
    """
    if path.isascii():
        return (path,)
    try:
        text = path.decode("utf-8")
    except UnicodeDecodeError:
        return (path,)
    folder, slash, name = text.rpartition("/")
    found = {path}
    for above in ("NFC", "NFD"):
        for last in ("NFC", "NFD"):
            whole = unicodedata.normalize(above, folder) + slash
            found.add((whole + unicodedata.normalize(last, name)).encode("utf-8"))
    return tuple(sorted(found))
