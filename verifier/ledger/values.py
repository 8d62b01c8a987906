"""The frozen values that go into the ledger and come out of it.  No I/O, no clock.

Times are whole seconds since 1970 in UTC, sizes bytes, paths bytes relative to the place's root.
"""

from __future__ import annotations

from enum import StrEnum

from msgspec import Struct

from verifier.model import SOURCE, Agreement, Finding, Kind, Sighting, Verdict


class PlaceName(Struct, frozen=True, order=True, cache_hash=True):
    """Which place: a share's source, or its mirror of that name."""

    share: str
    place: str = SOURCE

    @property
    def is_source(self) -> bool:
        """True for the place that the others are copies of."""
        return self.place == SOURCE

    def __str__(self) -> str:
        return f"{self.share}, {self.place}"


class Known(Struct, frozen=True, gc=False):
    """What the ledger holds of one path of one place.

    ``first_seen`` is the walk that saw it first; ``changed_seen`` the one that first saw its
    latest change of size, dates, kind, target or inode, None when it never changed.  ``wanted``
    says why a verdict waits for a reading past the cache.
    """

    sighting: Sighting
    first_seen: int
    changed_seen: int | None = None
    wanted: str | None = None

    @property
    def changed_or_first_seen(self) -> int:
        """Since when it is as it is now, as far as walks can tell."""
        return self.first_seen if self.changed_seen is None else self.changed_seen

    @property
    def read_as_it_is(self) -> bool:
        """True when what was last seen has also been read, or needs no reading.

        A change takes the digest away, so that one that is there always belongs to what was
        last seen.
        """
        return self.sighting.read_at is not None or self.sighting.kind is not Kind.FILE


Part = tuple[bytes, bytes, bytes]
"""A part of a folder: the folder's path with its slash, the first and the last name."""


class Due(Struct, frozen=True, gc=False):
    """A file to read.

    ``read_at`` is its last reading, None when it was not read since it was new or changed;
    ``wanted`` why a verdict waits for it, which takes a reading past the cache.
    """

    path: bytes
    size: int
    read_at: int | None = None
    wanted: str | None = None


class Totals(Struct, frozen=True):
    """How much one place holds, and how much of it is to be read, as the ledger knows it.

    A file that claims more than 1 PiB counts for that much.
    """

    entries: int = 0
    files: int = 0
    bytes: int = 0
    unread_files: int = 0
    unread_bytes: int = 0
    wanted_files: int = 0
    wanted_bytes: int = 0

    @property
    def read_files(self) -> int:
        """Files that were read as they are now: what an audit reads again."""
        return self.files - self.unread_files

    @property
    def read_bytes(self) -> int:
        """The bytes of those."""
        return self.bytes - self.unread_bytes


class WalkSummary(Struct, frozen=True):
    """What a walk saw, beside what was known before it.  Paths, but ``bytes``.

    ``hidden`` are known paths below a folder that could not be listed: neither seen nor
    vanished.  ``agreed`` are the known paths that have an agreement; of those, ``agreed_changed``
    changed in size, date, kind or target, which is what a copy run would carry over, and
    ``agreed_vanished`` were not seen.  ``released`` vanished too, with a certificate that they may;
    ``left_out`` are known paths that a pattern leaves out by now, and which did not vanish.  Both
    are not among the agreed ones.  ``lacking`` are vanished paths of a mirror that its source
    still holds, and of which nothing new has the size and date either; counted only where over
    half of what was known has vanished.
    """

    known: int = 0
    seen: int = 0
    new: int = 0
    changed: int = 0
    vanished: int = 0
    hidden: int = 0
    files: int = 0
    bytes: int = 0
    agreed: int = 0
    agreed_changed: int = 0
    agreed_vanished: int = 0
    released: int = 0
    left_out: int = 0
    lacking: int = 0


class RecordedWalk(Struct, frozen=True):
    """A walk that was applied."""

    place: PlaceName
    at: int
    summary: WalkSummary
    shift: int | None = None


class PairRow(Struct, frozen=True, gc=False):
    """What is known of one path of a share and one of its mirrors."""

    path: bytes
    source: Known | None
    mirror: Known | None
    agreement: Agreement | None


class FindingState(StrEnum):
    """Where a finding stands in its life."""

    OPEN = "open"
    ACCEPTED = "accepted"
    CLOSED = "closed"


class Acceptance(Struct, frozen=True):
    """A person's decision that a finding may stand as it is."""

    who: str
    at: int
    because: str


class LedgerFinding(Struct, frozen=True):
    """A finding with its life.  ``acceptance`` is the last one, whatever the state is now."""

    id: int
    share: str
    mirror: str
    finding: Finding
    state: FindingState
    first_seen: int
    last_seen: int
    closed_at: int | None = None
    closed_by: str | None = None
    acceptance: Acceptance | None = None

    @property
    def path(self) -> bytes:
        """Which path it is about."""
        return self.finding.path

    @property
    def verdict(self) -> Verdict:
        """What was said of it."""
        return self.finding.verdict


class Happening(StrEnum):
    """What can happen to a finding."""

    OPENED = "opened"
    CHANGED = "changed"
    ACCEPTED = "accepted"
    CLOSED = "closed"
    REOPENED = "reopened"


class FindingEvent(Struct, frozen=True):
    """One line of a finding's history."""

    at: int
    what: Happening
    detail: str


class PlaceReadings(Struct, frozen=True):
    """How much a shift read of one place; ``troubles`` are readings that failed."""

    place: PlaceName
    files: int
    bytes: int
    troubles: int


class Shift(Struct, frozen=True):
    """One run of reading; ``ended`` is None while it runs, and for ever if it was cut off."""

    id: int
    started: int
    ended: int | None
    stopped_by: str | None
    readings: tuple[PlaceReadings, ...] = ()


class Round(Struct, frozen=True):
    """One pass over every byte of a place: what was read before ``started`` is still to be read.

    ``ended`` is None while it is under way.
    """

    number: int
    started: int
    ended: int | None = None


class Suspicion(Struct, frozen=True):
    """Two contents that look corrupt, until a second reading of both has shown the same.

    ``*_since`` is since when each side had been as it was then: what changed later is another
    case.  ``confirmed_at`` is None while the second reading is waited for.
    """

    since: int
    source: bytes
    source_since: int
    mirror: bytes
    mirror_since: int
    confirmed_at: int | None = None


class Override(Struct, frozen=True):
    """Somebody read in working hours, or believed what looked unmounted."""

    at: int
    who: str
    command: str
    why: str


class NoticeKind(StrEnum):
    """What can be wrong with a place as a whole."""

    UNMOUNTED = "unmounted"
    UNREACHABLE = "unreachable"
    SURGE = "surge"


class Notice(Struct, frozen=True):
    """Something wrong with a place as a whole, and when and in which shift that was seen."""

    place: PlaceName
    at: int
    what: NoticeKind
    detail: str
    shift: int | None = None


class MessageKind(StrEnum):
    """Why a message was sent.  A heartbeat has no words: only whether it was heard is kept."""

    SHIFT = "shift"
    WEEKLY = "weekly"
    AT_ONCE = "at once"
    TROUBLE = "trouble"
    HEARTBEAT = "heartbeat"


class DeliveryState(StrEnum):
    """What became of a message on its way to one address."""

    WAITING = "waiting"
    DELIVERED = "delivered"
    GIVEN_UP = "given up"


class Delivery(Struct, frozen=True):
    """A message on its way to one address.

    ``written_at`` is when the message was.  ``recipient`` is a digest of the address as it is
    written in the settings, ``label`` what of it is never secret.  ``said`` is why the last try
    failed, None when none has.
    """

    message: int
    written_at: int
    kind: MessageKind
    subject: str
    body: str
    recipient: bytes
    label: str
    state: DeliveryState
    tries: int
    tried_at: int | None
    said: str | None


class Clearance(Struct, frozen=True):
    """A request to clear a folder, which lasts until it is granted.

    ``folder`` is its path in the share, with a slash at the end.  ``marked`` is True once all of
    its files were marked to be read past the cache.
    """

    id: int
    share: str
    folder: bytes
    requested_at: int
    requested_by: str
    marked: bool


class Proof(Struct, frozen=True, gc=False):
    """What is known of a path in a folder to be cleared.

    ``changed`` is True when it has changed since the request; ``proven`` when it was read past
    the cache after the request, and after its latest change.
    """

    known: Known
    changed: bool
    proven: bool

    @property
    def sighting(self) -> Sighting:
        """What was last seen, and read."""
        return self.known.sighting


class GrantedCertificate(Struct, frozen=True):
    """A certificate that was granted.  ``file`` is where it was written to."""

    id: int
    share: str
    folder: bytes
    granted_at: int
    granted_by: str
    digest: bytes
    manifest: bytes
    file: bytes
    files: int
    bytes: int


class Covered(Struct, frozen=True, gc=False):
    """What the latest certificate that covers a path says that it held."""

    certificate: GrantedCertificate
    kind: Kind
    size: int
    digest: bytes | None
    target: bytes | None


class LastHeld(Struct, frozen=True, gc=False):
    """What the source held of a covered path when it left it.

    ``digest`` is None for a link, and where nobody had read the file as it was then.
    """

    kind: Kind
    size: int
    mtime_ns: int
    digest: bytes | None
    target: bytes | None
