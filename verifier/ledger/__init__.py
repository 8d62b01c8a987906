"""The ledger: what was seen, read, agreed and found, in one SQLite file.

It knows nothing of walking, hashing or schedules, and reads no clock: times are passed in.
Frozen values go in and come out, streams rather than lists.  `migrations` holds the schema,
`statements` all other SQL; docs/ledger.md explains both.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from contextlib import AbstractContextManager
from pathlib import Path

from verifier.ledger import backup, opening, statements
from verifier.ledger.agreements import Agreements, each_once
from verifier.ledger.backup import backups_of
from verifier.ledger.certificates import Certificates, Clearances, PastDamage
from verifier.ledger.chain import Chain
from verifier.ledger.findings import Findings
from verifier.ledger.first_look import FirstLook
from verifier.ledger.hidden import Hidden
from verifier.ledger.lock import only_shift, shift_runs
from verifier.ledger.messages import Messages
from verifier.ledger.names import Names, in_path_order
from verifier.ledger.neighbours import Neighbours
from verifier.ledger.nights import Nights
from verifier.ledger.opening import refuse_inside
from verifier.ledger.readings import HELD_FOR, Readings
from verifier.ledger.rounds import Rounds
from verifier.ledger.rows import known_from
from verifier.ledger.shifts import Shifts
from verifier.ledger.spending import Spending
from verifier.ledger.store import Store
from verifier.ledger.suspicions import Suspicions
from verifier.ledger.values import (
    Acceptance,
    Clearance,
    Covered,
    Delivery,
    DeliveryState,
    Due,
    FindingEvent,
    FindingState,
    GrantedCertificate,
    Happening,
    Known,
    LastHeld,
    LedgerFinding,
    MessageKind,
    Notice,
    NoticeKind,
    Override,
    PairRow,
    Part,
    PlaceName,
    PlaceReadings,
    Proof,
    RecordedWalk,
    Round,
    Shift,
    Suspicion,
    Totals,
    WalkSummary,
)
from verifier.ledger.walks import Walk
from verifier.ledger.work import Work
from verifier.model import SOURCE, Kind, folders_above


class Ledger:
    """An open ledger.  Use it in a ``with`` block, in one thread, and in no forked process.

    Opening makes a ledger where there is none, and brings an older one up to date.  Raises
    LedgerRefused for a file that is no ledger, is damaged, newer or not writable; any call may
    raise LedgerFailed when the disk is full or fails, and then recorded nothing.
    """

    def __init__(self, path: Path) -> None:
        self._store: Store = opening.opened(path)
        self.path = self._store.path
        self._names = Names(self._store)
        self.readings = Readings(self._store, self._names)
        self.work = Work(self._store, self._names, self.readings)
        self.agreements = Agreements(self._store, self._names, self.readings)
        self.chain = Chain(self._store)
        self.findings = Findings(self._store, self._names, self.chain)
        self.shifts = Shifts(self._store, self._names, self.chain)
        self.rounds = Rounds(self._store, self._names, self.readings, self.work)
        self.suspicions = Suspicions(self._store, self._names)
        self.clearances = Clearances(self._store, self._names, self.readings)
        self.certificates = Certificates(self._store, self._names, self.chain)
        self.neighbours = Neighbours(self._store, self._names)
        self.hidden = Hidden(self._store, self._names, self.readings)
        self.nights = Nights(self._store, self._names, self.readings, self.agreements, self.hidden)
        self.messages = Messages(self._store)
        self.spending = Spending(self._store, self._names)

    def __enter__(self) -> Ledger:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def close(self) -> None:
        """Commit the readings that are held, and let go of the file."""
        try:
            self.readings.flush()
        finally:
            self._store.close()

    def transaction(self) -> AbstractContextManager[None]:
        """All or nothing of what is recorded in the block, in one commit."""
        return self._store.transaction()

    def places(self, share: str | None = None) -> list[PlaceName]:
        """The places that the ledger knows, by share, the source first."""
        return self._names.places(share)

    def walk(
        self,
        place: PlaceName,
        shift: int | None = None,
        below: bytes = b"",
        left_out: Callable[[bytes], bool] = lambda path: False,
    ) -> Walk:
        """A walk over ``place``, to be taken, looked at, and applied or discarded.

        With ``below``, a folder's path that ends in a slash, it is a walk over that folder alone:
        nothing elsewhere is called vanished, and it does not stand in the list of walks.  What is
        known and ``left_out`` of the walk on purpose is forgotten, but not missed.
        """
        self.readings.flush()
        certified = place.is_source and bool(self.certificates.of(place.share))

        def released(path: bytes) -> bool:
            return certified and self.certificates.releases(place.share, path)

        return Walk(self._store, self._names, place, shift, below, released, left_out)

    def first_look(self, place: PlaceName, shift: int | None = None) -> FirstLook | None:
        """A first look at ``place``; None where something was seen there before."""
        if not FirstLook.is_possible(self._store, self._names, place):
            return None
        return FirstLook(self._store, self._names, place, shift)

    def sightings(self, place: PlaceName) -> Iterator[Known]:
        """All that is known of a place, sorted by path."""
        self.readings.flush()
        number = self._names.place(place)
        folders = self._names.folders(self._names.share(place.share))
        for path, _, row in in_path_order(
            folders,
            lambda _, folder: self._store.pages(statements.SIGHTINGS_IN_FOLDER, (number, folder)),
        ):
            yield known_from(path, row)

    def sightings_at(
        self, place: PlaceName, paths: Iterable[bytes]
    ) -> Iterator[tuple[bytes, Known | None]]:
        """What is known of each of ``paths`` at one place, in their order."""
        self.readings.flush()
        return self.agreements.known_at(place, paths)

    def hides(self, place: PlaceName, path: bytes) -> bool:
        """Whether a path lies below a folder that the last walk of a place could not list."""
        above = [folder.removesuffix(b"/") for folder in folders_above(path)]
        return any(
            known is not None
            and known.sighting.kind is not Kind.FILE
            and known.sighting.trouble is not None
            for _, known in self.sightings_at(place, above)
        )

    def soundness(self) -> tuple[str, ...]:
        """What is wrong with the ledger, in sentences; none when it is sound.  Reads all of it."""
        self.readings.flush()
        return opening.soundness(self._store)

    def back_up(
        self, now: int, each_page: Callable[[int, int], None] = lambda done, total: None
    ) -> Path | None:
        """A sound copy beside the ledger, one a day, the last seven kept; None if there is one.

        Raises LedgerRefused when the ledger turns out to be damaged, LedgerFailed when the copy
        cannot be written, and whatever ``each_page`` raises.
        """
        self.readings.flush()
        return backup.back_up(self._store, now, each_page)


__all__ = [
    "HELD_FOR",
    "SOURCE",
    "Acceptance",
    "Clearance",
    "Covered",
    "Delivery",
    "DeliveryState",
    "Due",
    "FindingEvent",
    "FindingState",
    "FirstLook",
    "GrantedCertificate",
    "Happening",
    "Known",
    "LastHeld",
    "Ledger",
    "LedgerFinding",
    "MessageKind",
    "Notice",
    "NoticeKind",
    "Override",
    "PairRow",
    "Part",
    "PastDamage",
    "PlaceName",
    "PlaceReadings",
    "Proof",
    "RecordedWalk",
    "Round",
    "Shift",
    "Suspicion",
    "Totals",
    "Walk",
    "WalkSummary",
    "backups_of",
    "each_once",
    "only_shift",
    "refuse_inside",
    "shift_runs",
]
