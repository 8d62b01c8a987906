"""Recording readings: held for a moment, then committed together.

A crash loses at most what is held.  A reading counts only for what was seen: where size, dates or
inode are no longer those of the last walk, it is left to the next one.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from time import perf_counter
from typing import Final, NamedTuple

from verifier.ledger import statements
from verifier.ledger.counts import add_to_counts, counted
from verifier.ledger.names import Names, split
from verifier.ledger.rows import KIND_NUMBERS, SIGNED_FROM, joined, signed
from verifier.ledger.store import Store
from verifier.ledger.values import PlaceName
from verifier.model import Kind, Sighting, Trouble

HELD_FOR: Final = 0.1
"""Seconds between two commits, at most: well within the one second that a crash may cost."""

HELD_BYTES: Final = 4 * 1024 * 1024
"""Bytes whose reading a crash has repeated, where a tenth of a second is long: they are committed
sooner, as far as the disk is quick at it.  Of a large place it may be a thousandth."""

_PARTS: Final = 1000

HELD_AT_MOST: Final = 20_000
"""Readings held in memory: some 10 MB."""

_PAST: Final = 4
"""Where a row for `statements.RECORD_PLAIN` says whether it was read past the cache."""

_FILE: Final = Kind.FILE
"""Looked up once: asking the enumeration for each reading shows."""


class _Held(NamedTuple):
    """What `Readings.add_all` was given; ``at`` is in whole seconds."""

    place: PlaceName
    readings: tuple[Sighting, ...]
    at: int
    past_cache: bool


class _Tally(NamedTuple):
    """Readings of a place, the bytes of those with a digest, and how many had trouble."""

    files: int
    bytes: int
    troubles: int


_NOTHING_READ: Final = _Tally(0, 0, 0)


class Readings:
    """What was read, on its way into the ledger.

    ``recorded`` counts readings that counted, ``outdated`` those of files that are not, or no
    longer, as the last walk saw them.
    """

    def __init__(self, store: Store, names: Names) -> None:
        self._store = store
        self._names = names
        self._held: list[_Held] = []
        self._held_readings = 0
        self._since = 0.0
        self._bytes = 0
        self._held_of: set[PlaceName] = set()
        self._at_most: dict[PlaceName, int] = {}
        """Of places of which something is held: how many bytes may be.  Asked once it matters,
        since of small files seldom so many are held."""
        self._rested_at = 0.0
        """When as much time has passed since the last commit as it took: not before that are bytes
        alone a reason for the next, so that a slow disk is not kept busy with commits."""
        self._counted: tuple[int, int] = 0, 0
        self.shift: int | None = None
        """The shift that readings are counted for."""

    @property
    def recorded(self) -> int:
        """Readings recorded since the ledger was opened."""
        return self._counted[0]

    @property
    def held(self) -> int:
        """Readings that wait to be committed."""
        return self._held_readings

    @property
    def outdated(self) -> int:
        """Readings left out since then: the file is not as the last walk saw it."""
        return self._counted[1]

    def add(
        self, place: PlaceName, reading: Sighting, now: float, past_cache: bool = False
    ) -> None:
        """Take one reading: a sighting with a digest, or with the trouble that there was.

        ``now`` is in seconds since 1970, and when a reading was made that does not say it.
        ``past_cache`` says that the bytes came from the disk, which is what a verdict waits for.
        """
        self.add_all(place, (reading,), now, past_cache)

    def add_all(
        self,
        place: PlaceName,
        readings: Sequence[Sighting],
        now: float,
        past_cache: bool = False,
    ) -> None:
        """As `add`, for several readings of one place."""
        if not readings:
            self.tick(now)
            return
        if not self._held:
            self._since = now
        self._held_of.add(place)
        self._held.append(_Held(place, tuple(readings), int(now), past_cache))
        self._held_readings += len(readings)
        self._bytes += (
            readings[0].size if len(readings) == 1 else sum([each.size for each in readings])
        )
        if self._held_readings >= HELD_AT_MOST or self._many_bytes():
            self.flush()
        else:
            self.tick(now)

    def tick(self, now: float) -> None:
        """Commit what is held if it is old enough.  Call it when readings come seldom."""
        if self._held and not 0 <= now - self._since < HELD_FOR:  # a clock may be set back
            self.flush()

    def flush(self) -> None:
        """Commit what is held."""
        if not self._held:
            return
        held, count = self._held, self._held_readings
        self._held, self._held_readings, self._bytes = [], 0, 0
        self._held_of.clear()
        self._at_most.clear()
        started = perf_counter()
        with self._store.transaction():
            recorded, tallies = self._record(held)
            if self.shift is not None:
                for place, tally in tallies.items():
                    values = self.shift, self._names.place(place), *tally
                    self._store.run(statements.COUNT_READINGS, values)
        before = self._counted
        self._counted = before[0] + recorded, before[1] + count - recorded
        ended = perf_counter()
        self._rested_at = ended + (ended - started)

    def _many_bytes(self) -> bool:
        if self._bytes < HELD_BYTES or perf_counter() < self._rested_at:
            return False
        for place in self._held_of.difference(self._at_most):
            self._at_most[place] = self._names.totals(place).bytes // _PARTS
        return self._bytes >= min(self._at_most.values())

    def see_unlisted(self, place: PlaceName, folder: Sighting, at: int) -> None:
        """Record that a folder cannot be listed, as a walk would: what is known below it stays."""
        self.flush()
        number, share = self._names.place(place), self._names.share(place.share)
        above, name = split(folder.path)
        with self._store.transaction():
            path = number, self._names.folder(share, above, add=True), name
            if self._store.row(statements.SIGHTING, path) is None:
                self.see_one(place, folder.path, folder, at)
            self._store.run(
                statements.APPLY_WALK_TROUBLE,
                {
                    **dict(zip(("place", "folder", "name"), path, strict=True)),
                    "walk_trouble": str(folder.trouble),
                },
            )

    def see_one(self, place: PlaceName, path: bytes, seen: Sighting | None, at: int) -> None:
        """Record what stands at one path as a walk would, None that nothing does any more.

        Only for what somebody has just looked at: no guard stands between this and the ledger.
        """
        self.flush()
        number, share = self._names.place(place), self._names.share(place.share)
        folder_path, name = split(path)
        with self._store.transaction():
            folder = self._names.folder(share, folder_path, add=True)
            if seen is None:
                gone = {"place": number, "folder": folder, "name": name}
                if place.is_source:
                    self._store.run(statements.NOTE_DEPARTURE, {**gone, "at": at})
                self._store.run(statements.APPLY_VANISHED, gone)
                return
            if self._store.row(statements.SIGHTING, (number, folder, name)) is None:
                self._store.run(statements.TOUCH, (number, folder, name))
                add_to_counts(self._store, number, counted([seen]))
            self._store.run(
                statements.SEE_ONE,
                (
                    number,
                    folder,
                    name,
                    KIND_NUMBERS[seen.kind],
                    seen.size,
                    seen.mtime_ns,
                    seen.ctime_ns,
                    signed(seen.inode),
                    signed(seen.device),
                    seen.links,
                    at,
                    seen.target,
                ),
            )

    def want(self, place: PlaceName, paths: Iterable[bytes], reason: str) -> int:
        """Mark files whose reading past the cache a verdict waits for; how many there are.

        The mark lasts until such a reading is recorded, or the file changes or vanishes.
        """
        self.flush()
        number, share = self._names.place(place), self._names.share(place.share)
        marked = 0
        with self._store.transaction():
            for path in paths:
                folder, name = split(path)
                marked += self._store.run(
                    statements.WANT, (reason, number, self._names.folder(share, folder), name)
                )
        return marked

    def unwant(self, place: PlaceName, paths: Iterable[bytes]) -> None:
        """Take marks back."""
        self.flush()
        number, share = self._names.place(place), self._names.share(place.share)
        with self._store.transaction():
            for path in paths:
                folder, name = split(path)
                self._store.run(
                    statements.UNWANT, (number, self._names.folder(share, folder), name)
                )

    def _record(self, held: list[_Held]) -> tuple[int, dict[PlaceName, _Tally]]:
        """Write readings in their order; how many counted, and each place's tally."""
        recorded = 0
        tallies: dict[PlaceName, _Tally] = {}
        rows: list[tuple[object, ...]] = []
        of: PlaceName | None = None
        in_folder: bytes | None = None
        plainly = True
        number = share = 0
        folder: int | None = None
        for place, readings, at, past_cache in held:
            if place is not of:
                of, number, share = place, self._names.place(place), self._names.share(place.share)
                in_folder = None
            past = int(past_cache)
            amount = troubles = 0
            for reading in readings:
                path, trouble = reading.path, reading.trouble
                if trouble is not None:
                    troubles += 1
                cut = path.rfind(b"/") + 1
                if path[:cut] != in_folder:
                    in_folder = path[:cut]
                    folder = self._names.folder(share, in_folder)
                read_at = reading.read_at
                if read_at is None:
                    read_at = at
                if trouble is not None and _whatever_the_dates(reading, trouble):
                    recorded += self._write(rows, plainly)
                    rows = []
                    recorded += self._store.run(
                        statements.RECORD_WHATEVER_THE_DATES,
                        (read_at, str(trouble), past, number, folder, path[cut:]),
                    )
                    continue
                digest, device, inode = reading.digest, reading.device, reading.inode
                size, mtime_ns, ctime_ns = reading.size, reading.mtime_ns, reading.ctime_ns
                if digest is not None:
                    amount += size
                if reading.kind is not _FILE or (digest is None and trouble is None):
                    continue
                plain = trouble is None and not reading.fingerprints
                if plain is not plainly:
                    recorded += self._write(rows, plainly)
                    rows, plainly = [], plain
                if device >= SIGNED_FROM:
                    device = signed(device)
                if inode >= SIGNED_FROM:
                    inode = signed(inode)
                # Python's sqlite3 asks for an adapter for bytes, but not for a bytearray: it shows.
                name = bytearray(path[cut:])
                if plain:
                    assert digest is not None
                    said: tuple[object, ...] = read_at, bytearray(digest)
                else:
                    told = None if trouble is None else str(trouble)
                    said = read_at, digest, joined(reading.fingerprints), told
                rows.append(
                    (
                        *said,
                        device,
                        reading.links,
                        past,
                        number,
                        folder,
                        name,
                        size,
                        mtime_ns,
                        ctime_ns,
                        inode,
                    )
                )
            files, size, failed = tallies.get(place, _NOTHING_READ)
            tallies[place] = _Tally(files + len(readings), size + amount, failed + troubles)
        return recorded + self._write(rows, plainly), tallies

    def _write(self, rows: list[tuple[object, ...]], plainly: bool) -> int:
        if not plainly:
            return self._store.run_each(statements.RECORD, rows)
        # Where the first has changed, or is wanted, others will have or be: those take both ways.
        if rows and rows[0][_PAST] and self._store.run(statements.RECORD_AGAIN, rows[0]):
            others = rows[1:]
            if self._store.run_each(statements.RECORD_AGAIN, others) == len(others):
                return len(rows)
        return self._store.run_each(statements.RECORD_PLAIN, rows)


def _whatever_the_dates(reading: Sighting, trouble: Trouble) -> bool:
    """True where no date tells what was meant: the file could not even be looked at, or changed
    while it was read, twice running, so that it is not what the walk saw.

    One that has gone is left to the next walk.
    """
    looked_at = reading.kind is not Kind.OTHER or bool(reading.mtime_ns or reading.inode)
    return looked_at is trouble.unsettled
