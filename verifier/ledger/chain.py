"""One chain of digests over what was recorded, so that a later change of it shows.

Shifts, the events of findings, acceptances, overrides, notices and certificates each have an
entry, written in the transaction that writes the record itself.  An entry's digest is of what the
record says, its link is of the link before it and that digest: who changes, removes or adds
anything has to make every later link anew.  Who can write the whole file can do just that.  The
head of the chain, printed on what leaves this machine, shows it then; nothing in here can.

The digest is BLAKE3 of a MessagePack array, every value in its shortest form: the kind of the
record, its number, the time of the entry, and what the record says, with names of places in the
stead of their numbers.  Where a record has more rows than memory should hold, that says how many
they are, and the digest of their arrays one after the other.  A link is BLAKE3 of the link before,
32 zero bytes before the first, and the digest.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from enum import StrEnum
from typing import Final

import msgspec
from blake3 import blake3
from msgspec import Struct

from verifier.errors import LedgerFailed, LedgerRefused
from verifier.ledger import statements
from verifier.ledger.store import BEFORE_ALL, PAGE, Row, Store

BEGINS_WITH_SCHEMA: Final = 3
"""The first schema with a chain: an older ledger has what stands in it taken over."""

COVERS_SINCE_SCHEMA: Final = 9
"""The first schema whose chain covers all of a certificate, and the shift of a notice."""

SAID_AT_MOST: Final = 20
"""Sentences about what is not as it was recorded: one who looks into it needs no more."""

_BEFORE_FIRST: Final = bytes(32)

_PASSED_KEPT: Final = 1000
"""Records whose entry may still come: shifts may end in another order than they began."""

_encode: Final = msgspec.msgpack.Encoder().encode


class What(StrEnum):
    """Of which kind a record is."""

    TAKEN_OVER = "taken over"
    SHIFT_STARTED = "shift started"
    SHIFT_ENDED = "shift ended"
    FINDING_EVENT = "finding event"
    ACCEPTANCE = "acceptance"
    OVERRIDE = "override"
    NOTICE = "notice"
    NOTICE_IN_SHIFT = "notice in shift"
    CERTIFICATE = "certificate"
    COVERED = "covered"


class Records(Struct, frozen=True):
    """Where the records of one kind stand.

    ``rows`` gives number and content of so many after a number; ``parts`` more rows of one of
    them, which belong to its content.  ``listed`` gives so many, after a key of the two columns
    that come first, of rows of which the content has the digest.  ``named`` is what one is called,
    with {} for its number.
    """

    rows: str
    named: str
    parts: str | None = None
    listed: str | None = None


RECORDS: Final[Mapping[str, Records]] = {
    What.SHIFT_STARTED: Records(statements.SHIFT_STARTS, "the start of shift {}"),
    What.SHIFT_ENDED: Records(
        statements.SHIFT_ENDS, "the end of shift {}", statements.READ_IN_SHIFT
    ),
    What.FINDING_EVENT: Records(statements.FINDING_EVENTS, "event {} of the findings"),
    What.ACCEPTANCE: Records(statements.ACCEPTANCES, "acceptance {}"),
    What.OVERRIDE: Records(statements.OVERRIDES, "override {}"),
    What.NOTICE: Records(statements.NOTICES_BY_NAME, "notice {}"),
    What.NOTICE_IN_SHIFT: Records(statements.NOTICES_IN_SHIFTS, "the shift of notice {}"),
    What.CERTIFICATE: Records(statements.CERTIFICATES_BY_NAME, "certificate {}"),
    What.COVERED: Records(
        statements.CERTIFICATES_WHOLE,
        "what certificate {} says or covers",
        listed=statements.CERTIFIED_BY,
    ),
}
"""Every kind of record that has entries.  What is added here is checked from then on."""


def digest_of(what: str, row: int, at: int, content: Sequence[object]) -> bytes:
    """The digest of an entry: of what a record says, which record it is, and when it was told."""
    return blake3(_encode((what, row, at, *content))).digest()


def link_of(before: bytes, digest: bytes) -> bytes:
    """The link that follows."""
    return blake3(before + digest).digest()


class Chain:
    """The chain of one ledger."""

    def __init__(self, store: Store) -> None:
        self._store = store
        store.add_function("digest_of", _digest_of_bytes, 1)

    def extend(self, what: str, row: int, content: Sequence[object], at: int) -> None:
        """Add the entry of a record that the transaction under way writes.

        ``content`` are the values that `RECORDS` reads back for it, in that order.
        """
        number, link = self._last()
        digest = digest_of(what, row, at, content)
        self._store.run(
            statements.ADD_LINK, (number + 1, at, what, row, digest, link_of(link, digest))
        )

    def extend_by(self, what: str, row: int, at: int) -> None:
        """As `extend`, with the content as it stands in the ledger."""
        content = self._record(RECORDS[what], row)
        assert content is not None, f"there is no {what} {row}"
        self.extend(what, row, content, at)

    def head(self) -> tuple[int, str]:
        """How many entries there are, and the last link, for what leaves this machine."""
        number, link = self._last()
        return number, link.hex()

    def holds(self, number: int, link: str) -> bool:
        """Whether a head that was handed out earlier still is a link of this chain."""
        if number == 0:
            return link == _BEFORE_FIRST.hex()
        row = self._store.row(statements.LINK, (number,))
        return row is not None and bytes(row[0]).hex() == link

    def taken_over(self) -> int:
        """Records that stood there before there was a chain: of earlier changes it cannot tell."""
        row = self._store.row(statements.TAKEN_OVER)
        return 0 if row is None else int(row[0])

    def verify(self) -> tuple[str, ...]:
        """What is not as it was recorded, in sentences; none when all is.  Reads all of it."""
        found = _Sentences()
        try:
            with self._store.staging():  # one moment is looked at, whatever is written meanwhile
                self._check_entries(found)
                for (number,) in self._store.rows(
                    statements.UNLIKE_THEIR_HISTORY, (SAID_AT_MOST + 1,)
                ):
                    found.say(
                        f"Finding {number} does not stand as its history says: one of the two was "
                        "changed."
                    )
                for (number,) in self._store.rows(
                    statements.CERTIFIED_BY_NOTHING, (SAID_AT_MOST + 1,)
                ):
                    found.say(
                        f"Certificate {number} covers paths and does not stand here: it was "
                        "removed, or they were added past the record."
                    )
        except _Enough:
            pass
        except (LedgerRefused, LedgerFailed) as error:
            return (*found.said, str(error))
        return tuple(found.said)

    def _check_entries(self, found: _Sentences) -> None:
        """Go through the chain once, and beside it through the records of each kind."""
        sides = {what: _Beside(self, what, found) for what in RECORDS}
        expected, before = 1, _BEFORE_FIRST
        for number, at, what, row, digest, link in self._entries():
            if number < 1 or not isinstance(row, int):
                found.say(f"Entry {number} of the record is none that verifier writes.")
                continue
            if number != expected:
                found.say(f"{_missing(expected, number - 1)} missing from the record.")
            elif link != link_of(_bytes(before), _bytes(digest)):
                found.say(
                    f"Entry {number} of the record does not follow from the one before it: one of "
                    "them was changed, put elsewhere, added or removed."
                )
            expected, before = number + 1, link
            if what in sides:
                sides[what].entry(number, row, at, digest)
            elif what != What.TAKEN_OVER or number != 1:
                found.say(f"Entry {number} of the record tells of nothing that this ledger holds.")
            elif digest != digest_of(what, row, at, ()):
                found.say("Entry 1 of the record was changed.")
        for side in sides.values():
            side.end()

    def _entries(self) -> Iterator[Row]:
        """Every entry in order, from the lowest number that SQLite knows."""
        after = -(1 << 63)
        while page := self._store.rows(statements.LINKS, (after, PAGE)):
            yield from page
            after = page[-1][0]

    def records(self, kind: Records) -> Iterator[tuple[int, Sequence[object]]]:
        """Number and content of every record of a kind, by number."""
        after = -(1 << 63)
        while page := self._store.rows(kind.rows, (after, PAGE)):
            for row in page:
                yield row[0], self._content(kind, row)
            after = page[-1][0]

    def _record(self, kind: Records, number: int) -> Sequence[object] | None:
        row = self._store.row(kind.rows, (number - 1, 1))
        return None if row is None or row[0] != number else self._content(kind, row)

    def _content(self, kind: Records, row: Row) -> Sequence[object]:
        content = row[1:]
        if kind.parts is not None:
            parts = self._store.rows(kind.parts, (row[0],))
            content = (*content, *(value for part in parts for value in part))
        if kind.listed is not None:
            content = (*content, *self._digest_of_list(kind.listed, row[0]))
        return content

    def _digest_of_list(self, listed: str, number: int) -> tuple[int, bytes]:
        """How many rows a list has, and the digest of what they say."""
        rows, digest = 0, blake3()
        after: tuple[object, object] = (-(1 << 63), BEFORE_ALL)
        while page := self._store.rows(listed, (number, *after, PAGE)):
            for row in page:
                digest.update(_encode(row[2:]))
            rows += len(page)
            after = page[-1][0], page[-1][1]
        return rows, digest.digest()

    def _last(self) -> tuple[int, bytes]:
        row = self._store.row(statements.LAST_LINK)
        return (0, _BEFORE_FIRST) if row is None else (row[0], row[1])


def take_over(store: Store) -> None:
    """Begin the chain of an older ledger with what stands there already.

    Its first entry says how many records those are.  Call it in the transaction that makes the
    chain; a ledger with no record yet stays without an entry.
    """
    chain = Chain(store)
    counts = {what: sum(1 for _ in chain.records(kind)) for what, kind in RECORDS.items()}
    total = sum(counts.values())
    if not total:
        return
    chain.extend(What.TAKEN_OVER, total, (), 0)
    for what, kind in RECORDS.items():
        for number, content in chain.records(kind):
            chain.extend(what, number, content, 0)


def cover_more(store: Store) -> None:
    """Add to the chain of an older ledger what it did not cover then, as it stands now.

    Call it in the transaction that brings such a ledger up to date.
    """
    chain = Chain(store)
    for what in (What.NOTICE_IN_SHIFT, What.COVERED):
        for number, content in chain.records(RECORDS[what]):
            chain.extend(what, number, content, 0)


class _Enough(Exception):
    """As many sentences as anybody will read."""


class _Sentences:
    """What was found so far."""

    def __init__(self) -> None:
        self.said: list[str] = []

    def say(self, sentence: str) -> None:
        if len(self.said) == SAID_AT_MOST:
            self.said.append("And more.")
            raise _Enough
        self.said.append(sentence)


class _Beside:
    """The records of one kind, gone through beside their entries: both come by number."""

    def __init__(self, chain: Chain, what: str, found: _Sentences) -> None:
        self._kind = RECORDS[what]
        self._what = what
        self._found = found
        self._records = chain.records(self._kind)
        self._held = next(self._records, None)
        self._passed: dict[int, Sequence[object]] = {}

    def entry(self, number: int, row: int, at: int, digest: bytes) -> None:
        """An entry tells of record ``row``."""
        while self._held is not None and self._held[0] < row:
            self._pass(*self._held)
            self._held = next(self._records, None)
        name = self._kind.named.format(row)
        if self._held is not None and self._held[0] == row:
            content: Sequence[object] | None = self._held[1]
            self._held = next(self._records, None)
        else:
            content = self._passed.pop(row, None)
        if content is None:
            self._found.say(
                f"{name[:1].upper()}{name[1:]} was removed, or is told of twice (entry {number} of "
                "the record)."
            )
        elif digest != digest_of(self._what, row, at, content):
            self._found.say(
                f"{name[:1].upper()}{name[1:]} was changed after it was recorded (entry {number} "
                "of the record)."
            )

    def end(self) -> None:
        """No entry is left."""
        for number in self._passed:
            self._added(number)
        while self._held is not None:
            self._added(self._held[0])
            self._held = next(self._records, None)

    def _pass(self, number: int, content: Sequence[object]) -> None:
        if len(self._passed) >= _PASSED_KEPT:
            first = next(iter(self._passed))
            del self._passed[first]
            self._added(first)
        self._passed[number] = content

    def _added(self, number: int) -> None:
        name = self._kind.named.format(number)
        self._found.say(
            f"{name[:1].upper()}{name[1:]} has no entry in the record: it was added past it, or "
            "its entry was removed."
        )


def _missing(first: int, last: int) -> str:
    return f"Entry {first} is" if first == last else f"Entries {first} to {last} are"


def _digest_of_bytes(value: object) -> object:
    """The digest of a long value.  Anything but bytes is not what was written, and stays."""
    return blake3(value).digest() if isinstance(value, bytes) else value


def _bytes(value: object) -> bytes:
    """What stands where a digest should; anything else proves nothing."""
    return value if isinstance(value, bytes) else b""
