"""Recording the first look at a place of which nothing is known: seen and read in one go.

Where nothing is known, no guard can trip and nothing can be judged before all was seen, so that
what was read need not wait for the end of a walk.  A path seen and read at once is one row
written once, which for small files is most of what a first full read costs.

What was read is not touched one by one either, to be judged: a mark on the place stands from
before the first such sighting until `Agreements.settle_unjudged` has gone through them.
"""

from __future__ import annotations

from typing import Any, Final

from verifier.ledger import statements
from verifier.ledger.counts import Added, add_to_counts, counted
from verifier.ledger.names import Names, split
from verifier.ledger.rows import KIND_NUMBERS, SIGNED_FROM, signed
from verifier.ledger.store import Store
from verifier.ledger.values import Part, PlaceName, WalkSummary
from verifier.ledger.walks import counts_of
from verifier.model import FACTS, FirstSight, Sighting, SmallFiles

_INODE: Final = 4
"""Where a file's inode stands among its facts."""

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
        self._read: list[SmallFiles] = []
        self._others: list[Sighting] = []
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

    def add(self, seen: FirstSight) -> None:
        """Take what was seen at some paths, each of which comes once.

        What was not read with others is recorded as new and unread.
        """
        self._read += seen.read
        self._others += seen.others
        self.held_bytes += sum([each.size for each in seen.read])

    def commit(self, at: int) -> None:
        """Record what was added, as seen at ``at``, in seconds since 1970."""
        if not self._read and not self._others:
            return
        files, size = sum(map(len, self._read)), self.held_bytes
        with self._store.transaction():
            self._store.run(statements.MARK_UNJUDGED, (self._number,))
            self._write_read(at)
            self._write_others(at)
            if self._shift is not None and files:
                values = self._shift, self._number, files, size, 0
                self._store.run(statements.COUNT_READINGS, values)
            left = counted(self._others)
            added = Added(
                files + len(self._others),
                files + left.files,
                size + left.bytes,
                left.unread_files,
                left.unread_bytes,
            )
            add_to_counts(self._store, self._number, added)
        self._seen += added.entries
        self._files += added.files
        self._bytes += added.bytes
        self.files_read += files
        self._read, self._others, self.held_bytes = [], [], 0

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

    def _write_read(self, at: int) -> None:
        """Write what was read, and note the parts of folders that it makes up."""
        parts: list[Part] = []
        for some in self._read:
            facts: list[Any] = some.facts
            if max(facts[_INODE::FACTS]) >= SIGNED_FROM:
                facts[_INODE::FACTS] = [signed(each) for each in facts[_INODE::FACTS]]
            self._store.insert_flat(
                statements.SEE_FIRST_AND_READ,
                facts,
                FACTS,
                (
                    self._number,
                    at,
                    signed(some.device),
                    some.links,
                    self._names.folder(self._share, some.folder, add=True),
                    some.read_at,
                ),
            )
            parts.append((some.folder, bytes(facts[0]), bytes(facts[-FACTS])))
        if _SHORT_PART * len(parts) <= sum(map(len, self._read)):
            self._parts += parts

    def _write_others(self, at: int) -> None:
        """Write what was only seen, to be judged by what is seen."""
        number = self._number
        rows = []
        for each in self._others:
            folder, name = split(each.path)
            rows.append(
                (
                    self._names.folder(self._share, folder, add=True),
                    name,
                    each.size,
                    each.mtime_ns,
                    each.ctime_ns,
                    signed(each.inode),
                    signed(each.device),
                    each.links,
                    KIND_NUMBERS[each.kind],
                    each.target,
                    None if each.trouble is None else str(each.trouble),
                )
            )
        self._store.insert_each(statements.SEE_FIRST, rows, (number, at))
        self._store.insert_each(statements.TOUCH, [(number, *row[:2]) for row in rows])
