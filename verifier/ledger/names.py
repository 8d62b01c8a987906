"""Names into the ledger's numbers, and folders in the order of whole paths.

A path is kept as its folder's number and its name, since a folder's path is most of it.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from itertools import chain, takewhile
from typing import Final

from verifier.ledger import statements
from verifier.ledger.store import PAGE, Row, Store
from verifier.ledger.values import PlaceName, Totals

REMEMBERED: Final = 20_000
"""Folders whose number is remembered: some 3 MB."""


def split(path: bytes) -> tuple[bytes, bytes]:
    """A path's folder, ending in a slash (the root's is empty), and its name there."""
    cut = path.rfind(b"/") + 1
    return path[:cut], path[cut:]


class Names:
    """The numbers of shares, places and folders."""

    def __init__(self, store: Store) -> None:
        self._store = store
        self._shares: dict[str, int] = {}
        self._places: dict[PlaceName, int] = {}
        self._place_names: dict[int, PlaceName] = {}
        self._folders: dict[tuple[int, bytes], int] = {}
        self._folder_paths: dict[int, bytes] = {}
        store.forget.append(self._forget)

    def _forget(self) -> None:
        self._shares.clear()
        self._places.clear()
        self._place_names.clear()
        self._folders.clear()
        self._folder_paths.clear()

    def share(self, name: str) -> int:
        """A share's number; a new one is added."""
        known = self._shares.get(name)
        if known is None:
            known = self._found(statements.ADD_SHARE, statements.SHARE, (name,))
            self._shares[name] = known
        return known

    def place(self, place: PlaceName) -> int:
        """A place's number; a new one is added."""
        known = self._places.get(place)
        if known is None:
            values = (self.share(place.share), place.place)
            known = self._found(statements.ADD_PLACE, statements.PLACE, values)
            self._places[place] = known
            self._place_names[known] = place
        return known

    def place_name(self, number: int) -> PlaceName:
        """The reverse of `place`."""
        known = self._place_names.get(number)
        if known is None:
            row = self._store.row(statements.PLACE_NAME, (number,))
            assert row is not None
            known = self._place_names[number] = PlaceName(*row)
        return known

    def places(self, share: str | None = None) -> list[PlaceName]:
        """Every place that is known, by share, the source first; or those of one share."""
        found = [PlaceName(*row) for row in self._store.rows(statements.PLACES)]
        return [place for place in found if share is None or place.share == share]

    def totals(self, place: PlaceName) -> Totals:
        """How much a place holds."""
        row = self._store.row(statements.TOTALS, (self.place(place),))
        assert row is not None
        return Totals(*row)

    def folder(self, share: int, path: bytes, add: bool = False) -> int | None:
        """A folder's number, or None when there is none and it is not to be added."""
        known = self._folders.get((share, path))
        if known is not None:
            return known
        if add:
            found: int | None = self._found(statements.ADD_FOLDER, statements.FOLDER, (share, path))
        else:
            row = self._store.row(statements.FOLDER, (share, path))
            found = None if row is None else row[0]
        if found is not None:
            if len(self._folders) >= REMEMBERED:
                self._folders.clear()
            self._folders[share, path] = found
        return found

    def folder_path(self, number: int) -> bytes:
        """The reverse of `folder`."""
        path = self._folder_paths.get(number)
        if path is None:
            row = self._store.row(statements.FOLDER_PATH, (number,))
            assert row is not None
            if len(self._folder_paths) >= REMEMBERED:
                self._folder_paths.clear()
            path = self._folder_paths[number] = row[0]
        return path

    def folders(self, share: int, below: bytes = b"") -> Iterator[Row]:
        """The path and number of every folder of a share, sorted by path.

        With ``below``, a folder's path with its slash, only that folder and what lies below it.
        """
        if not below:
            return self._store.pages(statements.FOLDERS, (share,), PAGE)
        # By its own number first: what sorts before its slash, such as "day-old/" before "day/",
        # may lie between the name and the slash.
        own = self.folder(share, below)
        return chain(
            [] if own is None else [(below, own)],
            takewhile(
                lambda row: row[0].startswith(below),
                self._store.pages(statements.FOLDERS, (share,), PAGE, after=below),
            ),
        )

    def _found(self, add: str, find: str, values: tuple[object, ...]) -> int:
        row = self._store.row(find, values)
        if row is None:
            self._store.run(add, values)
            row = self._store.row(find, values)
        assert row is not None
        number: int = row[0]
        return number


class _Open:
    """A folder whose rows are being handed out, up to where the next folder sorts."""

    def __init__(self, path: bytes, number: int, rows: Iterator[Row]) -> None:
        self.path = path
        self._number = number
        self._rows = rows
        self._held = next(rows, None)

    def before(self, folder: bytes) -> Iterator[tuple[bytes, int, Row]]:
        """The rows that sort before a folder below this one."""
        limit = folder[len(self.path) :]
        while self._held is not None and self._held[0] < limit:
            yield self.path + self._held[0], self._number, self._held
            self._held = next(self._rows, None)

    def rest(self) -> Iterator[tuple[bytes, int, Row]]:
        """All that are left."""
        if self._held is None:
            return
        path, number = self.path, self._number
        yield path + self._held[0], number, self._held
        for row in self._rows:
            yield path + row[0], number, row


def in_path_order(
    folders: Iterable[Row], rows_in: Callable[[bytes, int], Iterator[Row]]
) -> Iterator[tuple[bytes, int, Row]]:
    """Each path, its folder's number and its row, sorted by the bytes of whole paths.

    ``folders`` are paths and numbers sorted by path; ``rows_in`` gives a folder's rows sorted by
    name, which is their first column.  A folder's files stand around what lies below it: ``a.txt``
    before ``b/c.txt`` before ``d.txt``.
    """
    stack: list[_Open] = []
    for path, number in folders:
        while stack and not path.startswith(stack[-1].path):
            yield from stack.pop().rest()
        if stack:
            yield from stack[-1].before(path)
        stack.append(_Open(path, number, rows_in(path, number)))
    while stack:
        yield from stack.pop().rest()
