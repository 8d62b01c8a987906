"""What looks corrupt and waits for its second reading; kept, so that no crash forgets it."""

from __future__ import annotations

from collections.abc import Iterator

from verifier.ledger import statements
from verifier.ledger.names import Names
from verifier.ledger.store import PAGE, Store
from verifier.ledger.values import PlaceName, Suspicion


class Suspicions:
    """The suspicions of each mirror, by path."""

    def __init__(self, store: Store, names: Names) -> None:
        self._store = store
        self._names = names

    def of(self, mirror: PlaceName, path: bytes) -> Suspicion | None:
        """The suspicion on one path."""
        row = self._store.row(statements.SUSPICION, (self._names.place(mirror), path))
        return None if row is None else Suspicion(*row)

    def keep(self, mirror: PlaceName, path: bytes, suspicion: Suspicion) -> None:
        """Keep a suspicion, in the place of the one that there may be on this path."""
        self._store.run(
            statements.SUSPECT,
            (
                self._names.place(mirror),
                path,
                suspicion.since,
                suspicion.source,
                suspicion.source_since,
                suspicion.mirror,
                suspicion.mirror_since,
                suspicion.confirmed_at,
            ),
        )

    def drop(self, mirror: PlaceName, path: bytes) -> None:
        """There is nothing to suspect any more."""
        self._store.run(statements.ACQUIT, (self._names.place(mirror), path))

    def waiting(self, mirror: PlaceName) -> Iterator[bytes]:
        """The paths whose second reading is waited for, sorted."""
        number = self._names.place(mirror)
        for row in self._store.pages(statements.WAITING_SUSPICIONS, (number,), PAGE):
            yield row[0]

    def all(self, mirror: PlaceName) -> Iterator[bytes]:
        """The paths of all suspicions, confirmed ones too, sorted."""
        number = self._names.place(mirror)
        for row in self._store.pages(statements.SUSPICIONS, (number,), PAGE):
            yield row[0]
