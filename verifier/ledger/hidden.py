"""What the ledger knows of below folders that cannot be listed: it stays, and nobody can look.

Such a folder is told by a finding, by which it is found here.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from itertools import chain

from msgspec import Struct

from verifier.ledger import statements
from verifier.ledger.names import Names
from verifier.ledger.readings import Readings
from verifier.ledger.store import Store
from verifier.ledger.values import PlaceName
from verifier.model import forms_of


class HiddenFiles(Struct, frozen=True):
    """Files of a place that no shift can read, by what would else be to be read of them.

    ``late`` are those of the ones that were read whose last reading is older than was asked about.
    """

    unread_files: int = 0
    unread_bytes: int = 0
    wanted_files: int = 0
    wanted_bytes: int = 0
    read_files: int = 0
    read_bytes: int = 0
    late_files: int = 0
    late_bytes: int = 0


class HiddenPairs(Struct, frozen=True):
    """Paths of a source of which nobody knows how they stand on a mirror, by how they stood."""

    matched: int = 0
    pending: int = 0
    unread: int = 0


class Hidden:
    """The folders of each place that could not be listed, and what lies below them."""

    def __init__(self, store: Store, names: Names, readings: Readings) -> None:
        self._store = store
        self._names = names
        self._readings = readings

    def files(self, place: PlaceName, since: int = 0) -> HiddenFiles:
        """The files of a place that lie below such folders; late are those not read ``since``."""
        number = self._names.place(place)
        rows = (
            self._store.row(
                statements.HIDDEN_FILES, {"place": number, "folder": folder, "since": since}
            )
            for folder in self._below(place.share, self._folders(place))
        )
        return HiddenFiles(*_summed(rows))

    def pairs(self, mirror: PlaceName) -> HiddenPairs:
        """What stands on the source below such folders of either side, and has no finding."""
        source = PlaceName(mirror.share)
        values = {"source": self._names.place(source), "mirror": self._names.place(mirror)}
        folders = chain(self._folders(source), self._folders(mirror))
        return HiddenPairs(
            *_summed(
                self._store.row(statements.COUNT_HIDDEN_PAIRS, {**values, "folder": folder})
                for folder in self._below(mirror.share, folders)
            )
        )

    def paths(self, place: PlaceName, folder: bytes) -> int:
        """How many paths are known at a place below a folder, by its path without a slash."""
        self._readings.flush()
        number = self._names.place(place)
        rows = (
            self._store.row(statements.COUNT_IN_FOLDER, (number, below))
            for below in self._below(place.share, [folder])
        )
        return sum(row[0] for row in rows if row is not None)

    def _folders(self, place: PlaceName) -> list[bytes]:
        self._readings.flush()
        values = {"share": self._names.share(place.share), "place": self._names.place(place)}
        return [path for (path,) in self._store.rows(statements.UNLISTED_FOLDERS, values)]

    def _below(self, share: str, folders: Iterable[bytes]) -> Iterator[int]:
        """The numbers of these folders and of all below them, each once, whatever their form."""
        number = self._names.share(share)
        last: bytes | None = None
        for path in sorted({form + b"/" for folder in folders for form in forms_of(folder)}):
            if last is None or not path.startswith(last):
                last = path
                yield from (folder for _, folder in self._names.folders(number, path))


def _summed(rows: Iterable[tuple[int, ...] | None]) -> list[int]:
    """The sums of each column; nothing of no rows."""
    return [sum(column) for column in zip(*(row for row in rows if row is not None), strict=True)]
