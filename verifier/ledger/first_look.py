"""Recording the first look at a place of which nothing is known: seen and read in one go.

Where nothing is known, no guard can trip and nothing can be judged before all was seen, so that
what was read need not wait for the end of a walk.  A path seen and read at once is one row
written once, which for small files is most of what a first full read costs.

What was read is not touched one by one either, to be judged: a mark on the place stands from
before the first such sighting until `Agreements.settle_unjudged` has gone through them.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
from typing import Final

from verifier.ledger import statements
from verifier.ledger.counts import Added, add_to_counts, counted
from verifier.ledger.names import Names
from verifier.ledger.rows import KIND_NUMBERS, SIGNED_FROM, signed
from verifier.ledger.store import Store
from verifier.ledger.values import Part, PlaceName, WalkSummary
from verifier.ledger.walks import counts_of
from verifier.model import Sighting

_SHORT_PART: Final = 20
"""Paths of a folder below which nothing is gained by going through it before the others."""


class FirstLook:
    """One place that is looked at for the first time.

    `add` what is seen, `commit` it at least once a second, and `end` when that was all.  Until
    then the place counts as one that was never walked.
    """

    def __init__(self, store: Store, names: Names, place: PlaceName, shift: int | None) -> None:
        self._store = store
        self._names = names
        self._place = place
        self._shift = shift
        self._number = names.place(place)
        self._share = names.share(place.share)
        self._held: list[Sighting] = []
        self._seen = self._files = self._bytes = 0
        self.held_bytes = 0
        """Bytes whose reading a crash would have repeated by now."""
        self._parts: list[Part] = []
        self.files_read = 0
        """Files that were recorded as read."""

    @staticmethod
    def is_possible(store: Store, names: Names, place: PlaceName) -> bool:
        """True where nothing was ever seen or walked."""
        number = names.place(place)
        return (
            not names.totals(place).entries and store.row(statements.LAST_WALK, (number,)) is None
        )

    def add(self, seen: Sequence[Sighting]) -> None:
        """Take what was seen at some paths, each of which comes once.

        A file has its digest where it was read, and is new and unread where not.
        """
        self._held += seen
        self.held_bytes += sum([each.size for each in seen if each.digest is not None])

    def commit(self, at: int) -> None:
        """Record what was added, as seen at ``at``, in seconds since 1970."""
        if not self._held:
            return
        with self._store.transaction():
            self._store.run(statements.MARK_UNJUDGED, (self._number,))
            files, size = self._write(at)
            if self._shift is not None and files:
                values = self._shift, self._number, files, size, 0
                self._store.run(statements.COUNT_READINGS, values)
        self._held, self.held_bytes = [], 0
        self.files_read += files

    def take_parts(self) -> list[Part]:
        """The parts of folders that were recorded since this was last asked for.

        Nothing where folders hold so little that to go through each by itself takes longer.
        """
        parts, self._parts = self._parts, []
        return parts

    def end(self, at: int) -> WalkSummary:
        """All was seen: the place was walked, as of ``at``."""
        with self._store.transaction():
            self._store.run(statements.MARK_UNJUDGED, (self._number,))  # also where nothing stands
            self.commit(at)
            summary = WalkSummary(
                seen=self._seen, new=self._seen, files=self._files, bytes=self._bytes
            )
            values = self._number, self._shift, at, *counts_of(summary)
            self._store.run(statements.ADD_WALK, values)
        return summary

    def _write(self, at: int) -> tuple[int, int]:
        """Write and count what is held; how many files of it were read, and their bytes."""
        number, in_folder, folder = self._number, None, None
        parts: list[Part] = []
        first = name = b""
        read: defaultdict[tuple[int, int], list[tuple[object, ...]]] = defaultdict(list)
        others: list[tuple[object, ...]] = []
        unread: list[Sighting] = []
        size_read = 0
        for sighting in self._held:
            path, size = sighting.path, sighting.size
            cut = path.rfind(b"/") + 1
            if path[:cut] != in_folder:
                if in_folder is not None:
                    parts.append((in_folder, first, name))
                in_folder, first = path[:cut], path[cut:]
                folder = self._names.folder(self._share, in_folder, add=True)
            name = path[cut:]
            inode = sighting.inode
            # Python's sqlite3 asks for an adapter for bytes, but not for a bytearray: it shows.
            row = (
                folder,
                bytearray(name),
                size,
                sighting.mtime_ns,
                sighting.ctime_ns,
                inode if inode < SIGNED_FROM else signed(inode),
            )
            digest = sighting.digest
            if digest is not None and not sighting.fingerprints:
                alike = read[sighting.device, sighting.links]
                alike.append((*row, sighting.read_at, bytearray(digest)))
                size_read += size
                continue
            told = None if sighting.trouble is None else str(sighting.trouble)
            others.append(
                (
                    *row,
                    signed(sighting.device),
                    sighting.links,
                    KIND_NUMBERS[sighting.kind],
                    sighting.target,
                    told,
                )
            )
            unread.append(sighting)
        if in_folder is not None:
            parts.append((in_folder, first, name))
        if _SHORT_PART * len(parts) <= len(self._held):
            self._parts += parts
        for (device, links), rows in read.items():
            shared = number, at, signed(device), links
            self._store.insert_each(statements.SEE_FIRST_AND_READ, rows, shared)
        self._store.insert_each(statements.SEE_FIRST, others, (number, at))
        self._store.insert_each(statements.TOUCH, [(number, *each[:2]) for each in others])
        files_read = len(self._held) - len(unread)
        left = counted(unread)
        add_to_counts(
            self._store,
            number,
            Added(
                len(self._held),
                left.files + files_read,
                left.bytes + size_read,
                left.unread_files,
                left.unread_bytes,
            ),
        )
        self._seen += len(self._held)
        self._files += left.files + files_read
        self._bytes += left.bytes + size_read
        return files_read, size_read
