"""Recording a walk: what it saw is set beside what is known, staged, and then applied or not.

Only what differs is staged, in a table of this connection alone, which a crash takes with it:
until it is applied, in one transaction, nothing of a walk stands in the ledger.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Iterable, Iterator, Sequence
from itertools import chain, count
from typing import Final

from msgspec import structs

from verifier.ledger import statements
from verifier.ledger.counts import Added, add_to_counts
from verifier.ledger.names import Names, in_path_order, split
from verifier.ledger.rows import COUNTED_AT_MOST, KIND_NUMBERS, SIGNED_FROM, signed
from verifier.ledger.store import BEFORE_ALL, Row, Store
from verifier.ledger.values import PlaceName, RecordedWalk, WalkSummary
from verifier.model import Kind, Sighting
from verifier.unlisted import Unlisted

_NEW, _CHANGED, _VANISHED, _TROUBLED = range(4)

STAGED_AT_ONCE: Final = 5_000
APPLIED_AT_ONCE: Final = 10_000
"""Paths that one statement applies, so that a request to stop is heard in between."""

_FILE: Final = Kind.FILE
_KNOWN_AT_ONCE: Final = 2_000
_FOLDERS_REMEMBERED: Final = 10_000


_walks = count(1)


class Walk:
    """One walk over one place.  `take` it, look at `summary`, then `apply` or `discard` it."""

    def __init__(
        self,
        store: Store,
        names: Names,
        place: PlaceName,
        shift: int | None,
        below: bytes = b"",
        released: Callable[[bytes], bool] = lambda path: False,
        left_out: Callable[[bytes], bool] = lambda path: False,
    ) -> None:
        self._released = released
        self._left_out = left_out
        self._store = store
        self._below = below
        self._names = names
        self._place = place
        self._shift = shift
        self._number = names.place(place)
        self._share = names.share(place.share)
        self._mirrors = [
            names.place(mirror)
            for mirror in names.places(place.share)
            if (not mirror.is_source if place.is_source else mirror == place)
        ]
        self._summary: WalkSummary | None = None
        self.unlisted = Unlisted()
        """The folders that could not be listed, once the walk was taken."""
        self._walk = next(_walks)
        for statement in statements.STAGE:
            store.run(statement)

    @property
    def summary(self) -> WalkSummary:
        """What was seen beside what was known.  Raises ValueError before `take` has ended."""
        if self._summary is None:
            raise ValueError("a walk has no summary before it was taken whole, nor when discarded")
        return self._summary

    def take(self, seen: Iterable[Sighting]) -> WalkSummary:
        """Set what a walk sees beside what is known, and stage what differs.

        ``seen`` must be sorted by path and hold each once; only what sizes and dates tell is
        taken of it, not digests.  Nothing of it is recorded yet.  Raises ValueError when it is
        not sorted, and what ``seen`` itself raises.
        """
        self.discard()
        paths = iter(seen)
        first = next(paths, None)
        if first is None and not self._below:
            # Unmounted, most likely: it is not worth a row for every path that is known.
            self._summary = self._all_vanished()
        else:
            self._summary = self._compared(chain([] if first is None else [first], paths))
            if not self._place.is_source and 2 * self._summary.vanished > self._summary.known:
                self._summary = structs.replace(self._summary, lacking=self._lacking())
        return self._summary

    def apply(self, at: int) -> WalkSummary:
        """Record the walk as of ``at``: all of it, in one transaction, or none.

        ``at`` is when it ended: a path was there by then, so that no copy is called due early.
        """
        summary = self.summary
        if not summary.seen and not self._below:
            summary = self._summary = self._compared(())
        first, last = self._staged_range()
        with self._store.transaction():
            for statement in statements.APPLY_FOLDERS:
                self._store.run(statement, {"share": self._share, "walk": self._walk})
            for after in range(first - 1, last, APPLIED_AT_ONCE):
                self._apply_some(after, after + APPLIED_AT_ONCE, at)
            if not self._below:
                first = self._store.row(statements.LAST_WALK, (self._number,)) is None
                if first and not self._place.is_source:
                    # What stands on its source may have been judged without it, and forgotten.
                    self._store.run(statements.MARK_UNJUDGED, (self._number,))
                self._store.run(
                    statements.ADD_WALK,
                    (self._number, self._shift, at, *counts_of(summary)),
                )
        self.discard()
        return summary

    def discard(self) -> None:
        """Forget what was staged.  The ledger is as it was before the walk."""
        self._summary = None
        with self._store.staging():
            for statement in statements.CLEAR_STAGE:
                self._store.run(statement, (self._walk,))

    def _compared(self, seen: Iterable[Sighting]) -> WalkSummary:
        known = _Known(self._store, self._number, self._mirrors)
        folders = self._names.folders(self._share, self._below)
        comparison = _Comparison(
            _Stage(self._store, self._walk),
            in_path_order(folders, known.in_folder),
            known,
            self._released,
            self._left_out,
        )
        comparison.run(seen)
        self.unlisted = comparison.unlisted
        return comparison.summary()

    def _all_vanished(self) -> WalkSummary:
        row = self._store.row(
            statements.COUNT_KNOWN, {"mirrors": json.dumps(self._mirrors), "place": self._number}
        )
        assert row is not None
        known, agreed = row
        return WalkSummary(
            known=known,
            seen=0,
            new=0,
            changed=0,
            vanished=known,
            hidden=0,
            files=0,
            bytes=0,
            agreed=agreed,
            agreed_changed=0,
            agreed_vanished=agreed,
        )

    def _lacking(self) -> int:
        row = self._store.row(
            statements.COUNT_LACKING,
            {
                "share": self._share,
                "place": self._number,
                "source": self._names.place(PlaceName(self._place.share)),
                "walk": self._walk,
                "vanished": _VANISHED,
                "new": _NEW,
            },
        )
        assert row is not None
        return int(row[0])

    def _staged_range(self) -> tuple[int, int]:
        row = self._store.row(statements.STAGED_RANGE, (self._walk,))
        assert row is not None
        return row[0], row[1]

    def _apply_some(self, after: int, to: int, at: int) -> None:
        some = {"after": after, "to": to, "walk": self._walk}
        seen = {**some, "place": self._number, "new": _NEW, "changed": _CHANGED}
        entries, files, size = self._store.rows(statements.COUNT_NEW, seen)[0]
        if entries:
            added = Added(entries, files, size, unread_files=files, unread_bytes=size)
            self._store.run(statements.TOUCH_NEW, seen)
            add_to_counts(self._store, self._number, added)
        self._store.run(statements.APPLY_SEEN, {**seen, "at": at})
        for _, what, folder, name, trouble in self._store.rows(
            statements.STAGED_OTHERWISE, {**some, "vanished": _VANISHED, "troubled": _TROUBLED}
        ):
            path = {"place": self._number, "folder": folder, "name": name}
            if what == _TROUBLED:
                self._store.run(statements.APPLY_WALK_TROUBLE, {**path, "walk_trouble": trouble})
                continue
            if self._place.is_source:
                self._store.run(statements.NOTE_DEPARTURE, {**path, "at": at})
                self._store.run(statements.KEEP_LAST_HELD, path)
            self._store.run(statements.APPLY_VANISHED, path)
            for mirror in self._mirrors:
                gone = {"mirror": mirror, "folder": folder, "name": name}
                self._store.run(statements.NOTE_GONE, gone)


class _Known:
    """What was known of a place before the walk, and how much of it has an agreement."""

    def __init__(self, store: Store, place: int, mirrors: Sequence[int]) -> None:
        self._store = store
        self._place = place
        self._mirrors = mirrors
        self.agreed = 0
        """Paths that were handed out and have an agreement with any of ``mirrors``."""

    def in_folder(self, _path: bytes, folder: int) -> Iterator[Row]:
        """A folder's rows, sorted by name."""
        after: object = BEFORE_ALL
        while True:
            page = self._store.rows(
                statements.KNOWN_BEFORE_WALK, (self._place, folder, after, _KNOWN_AT_ONCE)
            )
            if page:
                self.agreed += self._agreed_of(folder, after, [row[0] for row in page])
            yield from page
            if len(page) < _KNOWN_AT_ONCE:
                return
            after = page[-1][0]

    def is_agreed(self, folder: int, name: bytes) -> bool:
        """Whether one path has an agreement."""
        return any(
            self._store.row(statements.IS_AGREED, (mirror, folder, name))
            for mirror in self._mirrors
        )

    def _agreed_of(self, folder: int, after: object, names: list[bytes]) -> int:
        """How many of these have one, which lie between ``after`` and the last of them.

        To go through both in their order takes half as long as to look up each.
        """
        agreed: set[bytes] = set()
        for mirror in self._mirrors:
            bounds = mirror, folder, after, names[-1]
            agreed.update(name for (name,) in self._store.rows(statements.AGREED_BETWEEN, bounds))
        return len(agreed.intersection(names))


class _Stage:
    """What differs, kept for later, some thousand paths at a time."""

    def __init__(self, store: Store, walk: int) -> None:
        self._store = store
        self._walk = walk
        self._rows: list[tuple[object, ...]] = []
        self._plain: list[tuple[object, ...]] = []
        self._folders: dict[bytes, int] = {}

    def add(self, what: int, path: bytes, sighting: Sighting | None = None) -> None:
        """Keep one path with what was seen of it."""
        folder, name = split(path)
        number = self._folders.get(folder)
        if number is None:
            number = self._folder(folder)
        if sighting is None:
            self._rows.append((self._walk, number, name, what, *(None,) * 9))
        else:
            inode, device = sighting.inode, sighting.device
            seen = (
                KIND_NUMBERS[sighting.kind],
                sighting.size,
                sighting.mtime_ns,
                sighting.ctime_ns,
                inode if inode < SIGNED_FROM else signed(inode),
                device if device < SIGNED_FROM else signed(device),
                sighting.links,
            )
            target, trouble = sighting.target, sighting.trouble
            if target is None and trouble is None:
                # A bytearray is handed to SQLite without being asked for an adapter first.
                self._plain.append((self._walk, number, bytearray(name), what, *seen))
            else:
                told = None if trouble is None else str(trouble)
                self._rows.append((self._walk, number, name, what, *seen, target, told))
        if len(self._rows) + len(self._plain) >= STAGED_AT_ONCE:
            self.write()

    def write(self) -> None:
        """Pass on what is held.  A walk has each path once, so that their order is free."""
        with self._store.staging():
            self._store.insert_each(statements.STAGE_PLAIN, self._plain)
            self._store.insert_each(statements.STAGE_PATH, self._rows)
        self._rows, self._plain = [], []

    def _folder(self, path: bytes) -> int:
        if len(self._folders) >= _FOLDERS_REMEMBERED:
            self._folders.clear()
        self._store.run(statements.STAGE_FOLDER, (self._walk, path))
        row = self._store.row(statements.STAGED_FOLDER, (self._walk, path))
        assert row is not None
        number = self._folders[path] = int(row[0])
        return number


class _Comparison:
    """Two streams sorted by path, side by side: what is seen, and what is known."""

    def __init__(
        self,
        stage: _Stage,
        rows: Iterator[tuple[bytes, int, Row]],
        known: _Known,
        released: Callable[[bytes], bool],
        left_out: Callable[[bytes], bool],
    ) -> None:
        self._may_leave = released
        self._is_left_out = left_out
        self._released = self._left_out = 0
        self._stage = stage
        self._known = known
        self._rows = rows
        self._held = next(rows, None)
        self.unlisted = Unlisted()
        self._seen = self._new = self._changed = self._vanished = self._hidden = 0
        self._files = self._bytes = self._passed = 0
        self._agreed_changed = self._agreed_vanished = self._agreed_gone_on = 0

    def run(self, seen: Iterable[Sighting]) -> None:
        """Go through both to their ends."""
        last: bytes | None = None
        rows, held = self._rows, self._held
        as_before = files = size = 0
        for sighting in seen:
            path = sighting.path
            if last is not None and path <= last:
                raise ValueError(f"a walk must be sorted by path: {path!r} came after {last!r}")
            last = path
            if held is not None and held[0] == path and _is_as_before(sighting, held[2]):
                # Nearly every path of nearly every walk: in the fewest steps.
                as_before += 1
                if sighting.kind is _FILE:
                    files += 1
                    size += min(sighting.size, COUNTED_AT_MOST)
                held = next(rows, None)
                continue
            self._held = held
            self._otherwise(path, sighting)
            held = self._held
        self._held = held
        self._seen += as_before
        self._passed += as_before
        self._files += files
        self._bytes += size
        while self._held is not None:
            self._gone(*self._pass())
        self._stage.write()

    def summary(self) -> WalkSummary:
        """The counts."""
        return WalkSummary(
            known=self._passed,
            seen=self._seen,
            new=self._new,
            changed=self._changed,
            vanished=self._vanished,
            hidden=self._hidden,
            files=self._files,
            bytes=self._bytes,
            agreed=self._known.agreed - self._agreed_gone_on,
            agreed_changed=self._agreed_changed,
            agreed_vanished=self._agreed_vanished,
            released=self._released,
            left_out=self._left_out,
        )

    def _otherwise(self, path: bytes, sighting: Sighting) -> None:
        """One path that is new, changed or in trouble, and what vanished before it."""
        self._count(sighting)
        while self._held is not None and self._held[0] < path:
            self._gone(*self._pass())
        if self._held is None or self._held[0] != path:
            self._new += 1
            self._stage.add(_NEW, path, sighting)
        else:
            _, folder, row = self._pass()
            self._there(sighting, folder, row)

    def _count(self, sighting: Sighting) -> None:
        self._seen += 1
        if sighting.kind is Kind.FILE:
            self._files += 1
            self._bytes += min(sighting.size, COUNTED_AT_MOST)
        elif sighting.trouble is not None:
            self.unlisted.add(sighting.path)

    def _pass(self) -> tuple[bytes, int, Row]:
        held = self._held
        assert held is not None
        self._held = next(self._rows, None)
        self._passed += 1
        return held

    def _there(self, sighting: Sighting, folder: int, row: Row) -> None:
        name, kind, size, mtime_ns, ctime_ns, inode, target, trouble = row
        said = None if sighting.trouble is None else str(sighting.trouble)
        edited = (
            size != sighting.size
            or mtime_ns != sighting.mtime_ns
            or kind != KIND_NUMBERS[sighting.kind]
            or target != sighting.target
        )
        if said is not None or (
            not edited and ctime_ns == sighting.ctime_ns and inode == signed(sighting.inode)
        ):
            # Unchanged, or nothing but trouble was seen of it: what is known stays.
            if said != trouble:
                self._stage.add(_TROUBLED, sighting.path, sighting)
            return
        self._changed += 1
        self._agreed_changed += edited and self._known.is_agreed(folder, name)
        self._stage.add(_CHANGED, sighting.path, sighting)

    def _gone(self, path: bytes, folder: int, row: Row) -> None:
        if self.unlisted.hides(path):
            self._hidden += 1
            return
        agreed = self._known.is_agreed(folder, row[0])
        if self._is_left_out(path):
            self._left_out += 1
            self._agreed_gone_on += agreed
        elif self._may_leave(path):
            self._vanished += 1
            self._released += 1
            self._agreed_gone_on += agreed
        else:
            self._vanished += 1
            self._agreed_vanished += agreed
        self._stage.add(_VANISHED, path)


def _is_as_before(sighting: Sighting, row: Row) -> bool:
    """True when a walk saw just what is known, and no trouble either then or now."""
    _, kind, size, mtime_ns, ctime_ns, inode, target, trouble = row
    seen = sighting.inode
    return (
        size == sighting.size
        and mtime_ns == sighting.mtime_ns
        and ctime_ns == sighting.ctime_ns
        and inode == (seen if seen < SIGNED_FROM else signed(seen))
        and kind == KIND_NUMBERS[sighting.kind]
        and target == sighting.target
        and trouble is None
        and sighting.trouble is None
    )


def counts_of(summary: WalkSummary) -> tuple[int, ...]:
    """A summary as it is recorded."""
    return (
        summary.known,
        summary.seen,
        summary.new,
        summary.changed,
        summary.vanished,
        summary.hidden,
        summary.files,
        summary.bytes,
        summary.agreed,
        summary.agreed_changed,
        summary.agreed_vanished,
    )


def recorded_walk(place: PlaceName, row: Row) -> RecordedWalk:
    """A row of walks."""
    _, shift, at, *counts = row
    return RecordedWalk(place, at, WalkSummary(*counts), shift)
