"""What source and mirror were proven to agree on, and the pairs that the judge is asked about."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from typing import Final

from verifier.ledger import statements
from verifier.ledger.names import Names, in_path_order, split
from verifier.ledger.readings import Readings
from verifier.ledger.rows import DIGEST, KIND_NUMBERS, agreement_from, known_from, parted
from verifier.ledger.store import Row, Store
from verifier.ledger.values import Known, PairRow, Part, PlaceName
from verifier.model import Agreement
from verifier.spill import SortedSpill

EARLIER_KEPT: Final = 64
"""Digests of a path's history that are kept: 2 KB, for a file that changes every day."""

_TOUCHED_AT_ONCE: Final = 5_000
_AGREED_AT_ONCE: Final = 20_000
_SETTLED_AT_ONCE: Final = 100_000
"""Paths that are gone through in one transaction: some tenth of a second."""

_BEFORE_ALL_PATHS: Final[tuple[object, ...]] = (-1, b"")
_AFTER_ALL_PATHS: Final[tuple[object, ...]] = (2**63 - 1, b"")
"""As a folder's number and a name."""


def earlier_digests(earlier: bytes | None, replaced: bytes | None, new: bytes | None) -> bytes:
    """A path's earlier digests, in one, after ``new`` was agreed in the place of ``replaced``.

    Oldest first, each once, without the one that is agreed now.
    """
    kept = [digest for digest in parted(earlier, DIGEST) if digest not in (replaced, new)]
    if replaced is not None:
        kept.append(replaced)
    return b"".join(kept[-EARLIER_KEPT:])


class Agreements:
    """The agreements of each mirror with its source, and both sides beside them."""

    def __init__(self, store: Store, names: Names, readings: Readings) -> None:
        self._store = store
        self._names = names
        self._readings = readings
        self._all_agreed: dict[int, tuple[int, int]] = {}
        self._agreed_at_first: dict[int, tuple[int, int]] = {}
        store.forget.append(self._all_agreed.clear)
        store.forget.append(self._agreed_at_first.clear)

    def all_agreed(self, mirror: PlaceName) -> int | None:
        """How many paths a mirror and its source hold, if all were agreed on here just now.

        None where not all were, or anything was touched since.
        """
        sequence, paths = self._all_agreed.get(self._names.place(mirror), (None, 0))
        return paths if sequence == self.sequence() else None

    def record(self, mirror: PlaceName, agreed: Iterable[tuple[bytes, Agreement]], at: int) -> None:
        """Record that source and mirror were proven equal at these paths, in one transaction.

        The history is the ledger's own: ``earlier`` of what is given is passed over, and a digest
        that is replaced joins it.
        """
        number, share = self._names.place(mirror), self._names.share(mirror.share)
        with self._store.transaction():
            self._store.run_each(
                statements.AGREE,
                (self._row(number, share, path, agreement, at) for path, agreement in agreed),
            )

    def of(self, mirror: PlaceName, path: bytes) -> Agreement | None:
        """The agreement on one path."""
        folder, name = self._place_of(mirror, path)
        row = self._store.row(statements.AGREEMENT, (self._names.place(mirror), folder, name))
        return None if row is None else agreement_from(row)

    def all(self, mirror: PlaceName) -> Iterator[tuple[bytes, Agreement]]:
        """Every agreement of a mirror with its source, sorted by path."""
        number = self._names.place(mirror)
        folders = self._names.folders(self._names.share(mirror.share))
        for path, _, row in in_path_order(
            folders,
            lambda _, folder: self._store.pages(statements.AGREEMENTS_IN_FOLDER, (number, folder)),
        ):
            yield path, agreement_from(row)

    def pairs(self, mirror: PlaceName) -> Iterator[PairRow]:
        """Every path that stands on the source or on the mirror, sorted by path."""
        self._readings.flush()
        source = self._names.place(PlaceName(mirror.share))
        number, share = self._names.place(mirror), self._names.share(mirror.share)

        def in_folder(_path: bytes, folder: int) -> Iterator[Row]:
            return _beside(
                self._store.pages(statements.SIGHTINGS_IN_FOLDER, (source, folder)),
                self._store.pages(statements.SIGHTINGS_IN_FOLDER, (number, folder)),
                self._store.pages(statements.AGREEMENTS_IN_FOLDER, (number, folder)),
            )

        for path, _, (_, on_source, on_mirror, agreed) in in_path_order(
            self._names.folders(share), in_folder
        ):
            yield _pair(path, on_source, on_mirror, agreed)

    def pairs_at(self, mirror: PlaceName, paths: Iterable[bytes]) -> Iterator[PairRow]:
        """A row for each of ``paths``, in their order, also where nothing is known of one."""
        self._readings.flush()
        source = self._names.place(PlaceName(mirror.share))
        number, share = self._names.place(mirror), self._names.share(mirror.share)
        for path in paths:
            folder_path, name = split(path)
            folder = self._names.folder(share, folder_path)
            if folder is None:
                yield PairRow(path, None, None, None)
                continue
            here = self._store.row(statements.SIGHTING, (source, folder, name))
            there = self._store.row(statements.SIGHTING, (number, folder, name))
            agreed = self._store.row(statements.AGREEMENT, (number, folder, name))
            yield _pair(path, here, there, agreed)

    def known_at(
        self, place: PlaceName, paths: Iterable[bytes]
    ) -> Iterator[tuple[bytes, Known | None]]:
        """What is known of each of ``paths`` at one place, in their order."""
        for path in paths:
            yield path, self._known(place, path)

    def sequence(self) -> int:
        """A number that grows with every path whose judgement may have changed.

        It never falls, also not when all that was touched is forgotten.
        """
        self._readings.flush()
        row = self._store.row(statements.LAST_TOUCHED)
        return 0 if row is None or row[0] is None else row[0]

    def pairs_touched(
        self, mirror: PlaceName, since: int, until: int | None = None
    ) -> Iterator[PairRow]:
        """The paths, sorted, that were touched after ``since``, up to and with ``until``.

        Touched is what is new, changed or vanished on either side, or was read with another
        outcome than before.  A path may have gone on both sides: its row then holds neither.
        """
        touched: SortedSpill[bytes] = SortedSpill(bytes, key=bytes)
        try:
            touched.extend(self.touched(mirror, since, until))
            yield from self.pairs_at(mirror, each_once(touched))
        finally:
            touched.close()

    def touched(
        self, mirror: PlaceName, since: int = 0, until: int | None = None
    ) -> Iterator[bytes]:
        """The paths touched after ``since``, up to and with ``until``; some more than once."""
        return self._touched(mirror, since, self.sequence() if until is None else until)

    def end_where_nothing_stands(self, mirror: PlaceName) -> None:
        """Forget what was agreed on where neither side holds the path any more.

        Only after both were walked: what one walk finds gone may have come back to the other side
        since that was looked at, and what was agreed would still tell which content is right.
        """
        number = self._names.place(mirror)
        values = {"mirror": number, "source": self._names.place(PlaceName(mirror.share))}
        with self._store.transaction():
            for statement in statements.STAGE:
                self._store.run(statement)
            self._store.run(statements.DROP_AGREEMENTS_OF_NOTHING, values)
            self._store.run(statements.FORGET_GONE, (number,))

    def settle_plain(
        self,
        mirror: PlaceName,
        since: int,
        until: int,
        at: int,
        slack_ns: int,
        *,
        dated: bool = True,
    ) -> Iterator[bytes]:
        """Settle the paths touched after ``since`` that are plain; the others, for the judge.

        Plain are files that hold the same on both sides where nothing was agreed before and
        nothing is said of them, which become agreed here; those that are agreed as they stand;
        and those that wait to be read, as long as their dates, apart by at most ``slack_ns``, do
        not show the mirror to be behind; where the two sides' dates cannot be compared (``dated``
        is False), as long as their sizes are equal.  Nearly all paths are, and to ask about each
        would take longer than to read it.
        """
        self._readings.flush()
        values = {
            "source": self._names.place(PlaceName(mirror.share)),
            "mirror": self._names.place(mirror),
        }
        said = self._store.row(statements.ANYTHING_SAID, values)
        values["clear"] = not (said is None or said[0])
        first = self._store.row(statements.FIRST_TOUCHED)
        start = until if first is None or first[0] is None else max(since, first[0] - 1)
        # Before the first reading of a side no digests can be equal.
        sides = [self._names.totals(each) for each in (PlaceName(mirror.share), mirror)]
        if any(side.unread_files == side.files for side in sides):
            start = until
        for after in range(start, until, _AGREED_AT_ONCE):
            numbers = {"after": after, "to": min(until, after + _AGREED_AT_ONCE), "at": at}
            with self._store.transaction():
                self._store.run(statements.AGREE_PLAINLY, {**values, **numbers})
        values |= {"slack_ns": slack_ns, "dated": dated}
        return self._paged_touched(statements.TOUCHED_NOT_PLAINLY, values, since, until)

    def settle_unjudged(self, share: str, mirrors: Iterable[PlaceName], at: int) -> None:
        """Go through all that these mirrors and the source hold where that was never done.

        A mirror has never been gone through when it is new, also where its source has long been
        known and judged; and so where it was left out while others were judged.  What is plain is
        agreed on, all else is touched.  Some thousand paths to a transaction; one that is cut off
        begins anew next time.
        """
        number, source = self._names.share(share), self._names.place(PlaceName(share))
        with self._store.transaction():
            self._store.run(statements.PASS_MARK_ON, {"share": number, "source": source})
        unjudged = {row[0] for row in self._store.rows(statements.UNJUDGED, (number,))}
        for each in mirrors:
            mirror = self._names.place(each)
            if mirror in unjudged:
                self._settle_throughout(source, mirror, at)
                self._store.run(statements.MARK_GONE_THROUGH, (mirror,))

    def agree_at_first(self, mirror: PlaceName, parts: Iterable[Part], at: int) -> None:
        """Agree on what is plain in parts of folders that were just read on both sides.

        `settle_unjudged` goes through all again, unless that was all there is, and nothing was
        touched meanwhile.
        """
        share, number = self._names.share(mirror.share), self._names.place(mirror)
        said = self._store.row(statements.ANYTHING_SAID, {"mirror": number})
        if said is None or said[0]:
            return
        values = {"source": self._names.place(PlaceName(mirror.share)), "mirror": number, "at": at}
        sequence, agreed = self._agreed_at_first.get(number, (self.sequence(), 0))
        with self._store.transaction():
            for folder, first, last in parts:
                part = {
                    "folder": self._names.folder(share, folder),
                    "first": first,
                    "last": last,
                }
                agreed += self._store.run(statements.AGREE_IN_FOLDER, {**values, **part})
        self._agreed_at_first[number] = sequence, agreed

    def _settle_throughout(self, source: int, mirror: int, at: int) -> None:
        values: dict[str, object] = {"source": source, "mirror": mirror, "at": at}
        said = self._store.row(statements.ANYTHING_SAID, {"mirror": mirror})
        sequence, agreed = self._agreed_at_first.pop(mirror, (0, 0))
        if sequence != self.sequence():
            agreed = 0
        others = self._holding_others(source, mirror, than=agreed)
        if others and said is not None and not said[0]:
            agreed += self._in_runs(source, statements.AGREE_THROUGHOUT, values)
            others = self._holding_others(source, mirror, than=agreed)
        for place in others:
            self._in_runs(place, statements.TOUCH_THROUGHOUT, {**values, "place": place})
        if not others:  # all that stands there was agreed on just now
            self._all_agreed[mirror] = self.sequence(), agreed

    def _holding_others(self, source: int, mirror: int, than: int) -> list[int]:
        """Which of two places hold more than so many paths, which both do."""
        return [
            place
            for place in (source, mirror)
            if self._names.totals(self._names.place_name(place)).entries != than
        ]

    def _in_runs(self, place: int, statement: str, values: Mapping[str, object]) -> int:
        """Run a statement over the sightings of a place, some thousand at a time.

        The number of rows that it wrote.
        """
        written = 0
        after: tuple[object, ...] | None = _BEFORE_ALL_PATHS
        while after is not None:
            to = self._store.row(statements.KEY_FURTHER_ON, (place, *after, _SETTLED_AT_ONCE - 1))
            folder, name = to or _AFTER_ALL_PATHS
            with self._store.transaction():
                written += self._store.run(
                    statement,
                    {
                        **values,
                        "folder": after[0],
                        "name": after[1],
                        "to_folder": folder,
                        "to_name": name,
                    },
                )
            after = to
        return written

    def touch(self, place: PlaceName, paths: Iterable[bytes]) -> None:
        """Have paths judged again though nothing changed, such as those that were pending."""
        number, share = self._names.place(place), self._names.share(place.share)
        with self._store.transaction():
            for path in paths:
                folder, name = split(path)
                values = number, self._names.folder(share, folder, add=True), name
                self._store.run(statements.TOUCH, values)

    def forget_touched(self, share: str, until: int, judged: Iterable[PlaceName]) -> None:
        """What was touched up to this number is settled: these mirrors were judged by it.

        One that the ledger knows and that is left out is marked, to be gone through as a whole
        when it is judged again.
        """
        values = {"until": until, "share": self._names.share(share)}
        known = {each for each in self._names.places(share) if not each.is_source}
        with self._store.transaction():
            for left_out in known.difference(judged):
                self._store.run(statements.MARK_UNJUDGED, (self._names.place(left_out),))
            self._store.run(statements.KEEP_LAST_NUMBER, values)
            self._store.run(statements.FORGET_TOUCHED, values)

    def _row(
        self, mirror: int, share: int, path: bytes, agreement: Agreement, at: int
    ) -> tuple[object, ...]:
        folder, name = split(path)
        same_date = agreement.mirror_mtime_ns == agreement.source_mtime_ns
        return (
            mirror,
            self._names.folder(share, folder, add=True),
            name,
            agreement.digest,
            agreement.size,
            agreement.source_mtime_ns,
            None if same_date else agreement.mirror_mtime_ns,
            KIND_NUMBERS[agreement.kind],
            agreement.target,
            at,
        )

    def _place_of(self, place: PlaceName, path: bytes) -> tuple[int | None, bytes]:
        folder, name = split(path)
        return self._names.folder(self._names.share(place.share), folder), name

    def _known(self, place: PlaceName, path: bytes) -> Known | None:
        folder, name = self._place_of(place, path)
        row = self._store.row(statements.SIGHTING, (self._names.place(place), folder, name))
        return None if row is None else known_from(path, row)

    def _touched(self, mirror: PlaceName, since: int, until: int) -> Iterator[bytes]:
        places = {
            "source": self._names.place(PlaceName(mirror.share)),
            "mirror": self._names.place(mirror),
        }
        return self._paged_touched(statements.TOUCHED, places, since, until)

    def _paged_touched(
        self, statement: str, values: Mapping[str, object], since: int, until: int
    ) -> Iterator[bytes]:
        after = since
        bounds = {"to": until, "most": _TOUCHED_AT_ONCE}
        while True:
            page = self._store.rows(statement, {**values, **bounds, "after": after})
            for _, folder, name in page:
                yield folder + name
            if len(page) < _TOUCHED_AT_ONCE:
                return
            after = page[-1][0]


def _pair(path: bytes, source: Row | None, mirror: Row | None, agreed: Row | None) -> PairRow:
    return PairRow(
        path,
        None if source is None else known_from(path, source),
        None if mirror is None else known_from(path, mirror),
        None if agreed is None else agreement_from(agreed),
    )


def _beside(
    source: Iterator[Row], mirror: Iterator[Row], agreements: Iterator[Row]
) -> Iterator[Row]:
    """One folder's rows by name, its sightings on both sides and the agreement.

    A name that only an agreement is left of gives no row.
    """
    left, right, agreed = next(source, None), next(mirror, None), next(agreements, None)
    while left is not None or right is not None:
        name = min(row[0] for row in (left, right) if row is not None)
        while agreed is not None and agreed[0] < name:
            agreed = next(agreements, None)
        on_source = left if left is not None and left[0] == name else None
        on_mirror = right if right is not None and right[0] == name else None
        yield name, on_source, on_mirror, agreed if agreed and agreed[0] == name else None
        if on_source is not None:
            left = next(source, None)
        if on_mirror is not None:
            right = next(mirror, None)


def each_once(paths: Iterable[bytes]) -> Iterator[bytes]:
    """Sorted paths without those that come again."""
    last: bytes | None = None
    for path in paths:
        if path != last:
            yield path
        last = path
