"""Messages to people, what became of each, and of which findings who was told.

Who is told is known by digests of the addresses as the settings write them: it must never hold a
secret, nor an address with one filled in.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from typing import Final

from verifier.ledger import statements
from verifier.ledger.store import Row, Store
from verifier.ledger.values import Delivery, DeliveryState, Happening, MessageKind

PAGE: Final = 500
"""Findings whose numbers are taken at a time."""

SHOWN_FOR: Final = 30 * 86_400
"""Seconds for which a message that was given up is listed among those that are not delivered."""


class Messages:
    """What people were told, and whether it reached them."""

    def __init__(self, store: Store) -> None:
        self._store = store

    def add(
        self,
        at: int,
        kind: MessageKind,
        subject: str,
        body: str,
        recipients: bytes,
        to: Iterable[tuple[bytes, str]],
        *,
        about: str | None = None,
        findings: Iterable[int] = (),
    ) -> int:
        """A message waits to be delivered to each of ``to``, digest and label; its number.

        ``findings`` are those that it tells of.  ``recipients`` is a digest of all of ``to``.
        """
        said = at, kind.value, about, recipients, subject, body
        with self._store.transaction():
            number = self._store.insert(statements.ADD_MESSAGE, said)
            self._store.run_each(
                statements.ADD_DELIVERY, ((number, digest, label) for digest, label in to)
            )
            self._store.run_each(
                statements.TELL, ((each, recipients, number, each) for each in findings)
            )
        return number

    def tried(self, message: int, recipient: bytes, at: int, failed: str | None) -> None:
        """A message was given to one address; ``failed`` says why it was not taken."""
        if failed is None:
            self._store.run(statements.DELIVERED, (at, message, recipient))
        else:
            self._store.run(statements.NOT_DELIVERED, (at, failed, message, recipient))

    def give_up(self, message: int) -> None:
        """A message is of no use any more to whom it did not reach."""
        self._store.run(statements.GIVE_UP_MESSAGE, (message,))

    def give_up_before(self, at: int) -> None:
        """Messages of before ``at`` are tried no more."""
        self._store.run(statements.GIVE_UP_BEFORE, (at,))

    def forget_bodies_before(self, at: int) -> None:
        """Of messages of before ``at`` that wait for nothing, keep no more than the subject."""
        self._store.run(statements.FORGET_BODIES, (at,))

    def waiting(self) -> list[Delivery]:
        """What is still to be delivered, the oldest first."""
        return [_delivery(row) for row in self._store.rows(statements.WAITING_DELIVERIES)]

    def undelivered(self, now: int) -> list[Delivery]:
        """What waits, and what was given up in the last 30 days, the newest first.

        Given up is over once a later message was taken at the same address.
        """
        rows = self._store.rows(statements.UNDELIVERED, (now - SHOWN_FOR,))
        return [_delivery(row) for row in rows]

    def latest(self, kind: MessageKind, recipients: bytes) -> int | None:
        """When the last message of that kind was written to the same people."""
        row = self._store.row(statements.LATEST_MESSAGE, (kind.value, recipients))
        return None if row is None else row[0]

    def lasts(self, about: str, recipients: bytes, since: int) -> bool:
        """Whether the same people were told since then, and it has not been over in between."""
        row = self._store.row(statements.LASTING_MESSAGE, (about, recipients, since))
        return row is not None and bool(row[0])

    def over(self, lasting: Iterable[str], at: int) -> None:
        """Of all that messages are about only ``lasting`` still lasts."""
        still = set(lasting)
        with self._store.transaction():
            for (about,) in self._store.rows(statements.LASTING_ABOUTS):
                if about not in still:
                    self._store.run(statements.OVER, (at, about))

    def untold(
        self, recipients: bytes, since: int, *, on_the_source: bool = False
    ) -> Iterator[int]:
        """The numbers of open findings that these people were not told of since it last opened.

        What they were told at once, from ``since`` on, is among them.
        """
        statement = statements.UNTOLD_ON_THE_SOURCE if on_the_source else statements.UNTOLD
        after = 0
        while True:
            values = {"recipients": recipients, "since": since, "after": after, "most": PAGE}
            page = self._store.rows(statement, values)
            yield from (number for (number,) in page)
            if len(page) < PAGE:
                return
            after = page[-1][0]

    def turns(self, since: int) -> Mapping[Happening, int]:
        """How often each thing happened to findings since then."""
        return {
            Happening(what): count for what, count in self._store.rows(statements.TURNS, (since,))
        }


def _delivery(row: Row) -> Delivery:
    message, at, kind, subject, body, recipient, label, state, tries, tried_at, said = row
    return Delivery(
        message,
        at,
        MessageKind(kind),
        subject,
        body,
        recipient,
        label,
        DeliveryState(state),
        tries,
        tried_at,
        said,
    )
