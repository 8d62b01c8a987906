"""Files near a damaged one, which are read again before others, and for which one that is."""

from __future__ import annotations

from collections.abc import Iterable
from itertools import chain, zip_longest

from verifier.ledger import statements
from verifier.ledger.names import Names, split
from verifier.ledger.store import Store
from verifier.ledger.values import PlaceName
from verifier.model import LATEST_NS


class Neighbours:
    """What is near what, at each place."""

    def __init__(self, store: Store, names: Names) -> None:
        self._store = store
        self._names = names

    def in_folder(self, place: PlaceName, path: bytes, most: int) -> list[tuple[bytes, int]]:
        """Path and size of the other files in the folder of ``path`` that nothing waits for.

        By turns the next one behind it and before it, by name: the nearest first.
        """
        folder, own = split(path)
        number = self._names.folder(self._names.share(place.share), folder)
        if number is None:
            return []
        values = self._names.place(place), number, own, most
        behind, before = (
            self._store.rows(each, values)
            for each in (statements.FILES_BEHIND, statements.FILES_BEFORE)
        )
        by_turns = chain.from_iterable(zip_longest(behind, before))
        near = [(folder + row[0], row[1]) for row in by_turns if row is not None]
        return near[:most]

    def written_about(
        self, place: PlaceName, mtime_ns: int, within_ns: int, most: int
    ) -> list[tuple[bytes, int]]:
        """Path and size of files at a place whose date is at most ``within_ns`` away."""
        rows = self._store.rows(
            statements.WRITTEN_ABOUT,
            (
                self._names.place(place),
                max(mtime_ns - within_ns, -LATEST_NS),
                min(mtime_ns + within_ns, LATEST_NS),
                most,
            ),
        )
        return [(folder + name, size) for folder, name, size in rows]

    def add(self, place: PlaceName, paths: Iterable[bytes], around: bytes, at: int) -> None:
        """These are read again because of ``around``."""
        number = self._names.place(place)
        with self._store.transaction():
            self._store.run_each(
                statements.ADD_NEIGHBOUR, ((number, path, around, at) for path in paths)
            )

    def all(self, place: PlaceName) -> list[bytes]:
        """The files of a place that are read again because of others.  A few thousand at most."""
        return [
            row[0] for row in self._store.rows(statements.NEIGHBOURS, (self._names.place(place),))
        ]

    def forget(self, place: PlaceName, paths: Iterable[bytes]) -> None:
        """These were read."""
        number = self._names.place(place)
        with self._store.transaction():
            self._store.run_each(statements.FORGET_NEIGHBOUR, ((number, path) for path in paths))

    def around(self, place: PlaceName, path: bytes) -> bytes | None:
        """Because of which path this one was read again lately, if it was."""
        row = self._store.row(statements.NEIGHBOUR, (self._names.place(place), path))
        return None if row is None else row[0]

    def forget_before(self, at: int) -> None:
        """What was read again before then is a long time ago."""
        self._store.run(statements.FORGET_NEIGHBOURS, (at,))
