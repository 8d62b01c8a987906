"""What to read next, as it follows from the sightings: there is no queue that could disagree.

Streams hold nothing open, so that what they give may be read and recorded while they go on.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Final

from verifier.ledger import statements
from verifier.ledger.names import Names, in_path_order, split
from verifier.ledger.readings import Readings
from verifier.ledger.store import BEFORE_ALL, Row, Store
from verifier.ledger.values import Due, PlaceName, Totals
from verifier.model import folders_above

FEW: Final = 50_000
"""Files among which their folders are looked for; with more, folders are gone through in turn."""

_FOLDERS_AT_ONCE: Final = 200
_FILES_AT_ONCE: Final = 1000

_FOR_EVER: Final = 1 << 62
"""A second after all others."""


class Work:
    """The files of each place that are to be read, and how many they are."""

    def __init__(self, store: Store, names: Names, readings: Readings) -> None:
        self._store = store
        self._names = names
        self._readings = readings

    def totals(self, place: PlaceName) -> Totals:
        """Counts and bytes of a place, and of what is to be read there."""
        self._readings.flush()
        return self._names.totals(place)

    def standing(self, place: PlaceName, below: bytes = b"") -> Iterator[Due]:
        """Every file that the last walk saw at a place, by path.

        With ``below``, a folder's path that ends in a slash, only those in it.
        """
        self._readings.flush()
        number, share = self._names.place(place), self._names.share(place.share)

        def in_folder(_path: bytes, folder: int) -> Iterator[Row]:
            return self._store.pages(statements.STANDING_IN_FOLDER, (number, folder))

        folders = self._names.folders(share, below)
        for path, _, (_, size, read_at, wanted) in in_path_order(folders, in_folder):
            yield Due(path, size, read_at, wanted)

    def unread(self, place: PlaceName, after: bytes | None = None) -> Iterator[Due]:
        """New or changed files that were not read since, by path, from the one ``after``."""
        few = self.totals(place).unread_files <= FEW
        folders = statements.FEW_FOLDERS_WITH_UNREAD if few else statements.FOLDERS_WITH_UNREAD
        return self._by_path(place, after, folders, few, statements.UNREAD_IN_FOLDER)

    def wanted(self, place: PlaceName, after: bytes | None = None) -> Iterator[Due]:
        """Files whose reading past the cache a verdict waits for, by path."""
        few = self.totals(place).wanted_files <= FEW
        folders = statements.FEW_FOLDERS_WITH_WANTED if few else statements.FOLDERS_WITH_WANTED
        return self._by_path(place, after, folders, few, statements.WANTED_IN_FOLDER)

    def longest_unread(
        self, place: PlaceName, after: Due | None = None, read_before: int = _FOR_EVER
    ) -> Iterator[Due]:
        """Files that were read, the oldest reading first, from the one ``after``.

        A file read meanwhile goes to the end, so that it comes again only after all others, and
        not at all where that is no longer ``read_before``.  What was read until the first is asked
        for is not due any more.
        """
        self._readings.flush()
        number, share = self._names.place(place), self._names.share(place.share)
        key: tuple[int, int, object] = (-(1 << 63), 0, BEFORE_ALL)
        if after is not None and after.read_at is not None:
            folder_path, name = split(after.path)
            key = after.read_at, self._names.folder(share, folder_path) or 0, name
        last_folder, path = -1, b""
        while True:
            page = self._store.rows(
                statements.LONGEST_UNREAD,
                {
                    "place": number,
                    "read_at": key[0],
                    "folder": key[1],
                    "name": key[2],
                    "before": read_before,
                    "most": _FILES_AT_ONCE,
                },
            )
            for read_at, folder, name, size in page:
                if folder != last_folder:
                    last_folder, path = folder, self._names.folder_path(folder)
                yield Due(path + name, size, read_at)
            if len(page) < _FILES_AT_ONCE:
                return
            key = page[-1][:3]

    def oldest_read(self, place: PlaceName) -> int | None:
        """When the longest unread of the files that were read was read; None without any."""
        self._readings.flush()
        row = self._store.row(statements.OLDEST_READ, (self._names.place(place),))
        return None if row is None else row[0]

    def latest_read(self, place: PlaceName) -> int | None:
        """When the file that was read last of all was read; None without any."""
        self._readings.flush()
        row = self._store.row(statements.LATEST_READ, (self._names.place(place),))
        return None if row is None else row[0]

    def read_since(self, place: PlaceName, since: int) -> tuple[int, int]:
        """Files, and their bytes, whose last reading is not before ``since``."""
        return self.read_between(place, since, _FOR_EVER)

    def read_between(self, place: PlaceName, start: int, end: int) -> tuple[int, int]:
        """Files, and their bytes, last read from ``start`` up to before ``end``.

        Counts them, unless it is all that were read, or none; or, where more of the time between
        the first and the last reading lies within than before, those that are before.
        """
        first, last = self.oldest_read(place), self.latest_read(place)
        if first is None or last is None or first >= end or last < start:
            return 0, 0
        if last >= end or last - start <= start - first:
            return self._count_read(place, start, end)
        totals = self._names.totals(place)
        files, size = (0, 0) if start <= first else self._count_read(place, first, start)
        return totals.read_files - files, totals.read_bytes - size

    def larger_than(self, place: PlaceName, size: int) -> tuple[int, int]:
        """How many files are larger, and the size of the largest.  Looks through all of them."""
        self._readings.flush()
        row = self._store.row(statements.LARGER_THAN, (self._names.place(place), size))
        assert row is not None
        return row[0], row[1]

    def unread_since_before(self, place: PlaceName, moment: int) -> bool:
        """Whether a file has stood as it is, and unread, since before ``moment``."""
        self._readings.flush()
        number = self._names.place(place)
        walked = self._store.row(statements.FIRST_WALKED, (number,))
        if walked is None or walked[0] >= moment:  # nothing was seen by then
            return False
        row = self._store.row(statements.UNREAD_FOR_LONG, (number, moment))
        return row is not None and bool(row[0])

    def _count_read(self, place: PlaceName, start: int, end: int) -> tuple[int, int]:
        row = self._store.row(statements.READ_BETWEEN, (self._names.place(place), start, end))
        assert row is not None
        return row[0], row[1]

    def _by_path(
        self, place: PlaceName, after: bytes | None, folders: str, few: bool, files: str
    ) -> Iterator[Due]:
        number, share = self._names.place(place), self._names.share(place.share)

        def in_folder(path: bytes, folder: int) -> Iterator[Row]:
            start: object = BEFORE_ALL
            if after is not None and after.startswith(path):
                start = after[len(path) :]
            while True:
                page = self._store.rows(files, (number, folder, start, _FILES_AT_ONCE))
                yield from page
                if len(page) < _FILES_AT_ONCE:
                    return
                start = page[-1][0]

        found = self._folders(share, number, after, folders, few)
        for path, _, (_, size, read_at, wanted) in in_path_order(found, in_folder):
            yield Due(path, size, read_at, wanted)

    def _folders(
        self, share: int, place: int, after: bytes | None, statement: str, few: bool
    ) -> Iterator[Row]:
        """Folders in which something may be left, sorted by path: first those above ``after``."""
        if after is not None:
            for above in (b"", *folders_above(after)):
                number = self._names.folder(share, above)
                if number is not None:
                    yield above, number
        start: object = BEFORE_ALL if after is None else after
        if few:
            yield from self._store.rows(statement, {"place": place, "after": start})
            return
        while True:
            page = self._store.rows(
                statement,
                {"share": share, "place": place, "after": start, "most": _FOLDERS_AT_ONCE},
            )
            yield from page
            if len(page) < _FOLDERS_AT_ONCE:
                return
            start = page[-1][0]
