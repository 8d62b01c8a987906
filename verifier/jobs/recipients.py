"""Who is told, how each may be called, and what has not reached them.

It must never fill in a secret: people are known by digests of their addresses as they are written.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import Final

from blake3 import blake3
from msgspec import Struct

from verifier.ledger import Delivery, Ledger
from verifier.settings import Settings, label_of

ON_ITS_WAY_FOR: Final = 3600
"""Seconds for which a message that was not tried yet is on its way: a shift tries it at its end."""


class Recipient(Struct, frozen=True):
    """One address: as it is written, what may be said of it, and a digest to know it by."""

    number: int
    address: str
    label: str
    digest: bytes


class Unreached(Struct, frozen=True):
    """An address that messages did not reach: how many, since when, and why the last one did not.

    ``why`` is None where none was tried.
    """

    label: str
    heartbeat: bool
    messages: int
    since: int
    why: str | None


def recipients_of(settings: Settings) -> tuple[Recipient, ...]:
    """Who is told, in the order of the settings, none twice."""
    addresses = dict.fromkeys(settings.notify.to)
    return tuple(
        Recipient(number, each, label_of(each, number), digest_of(each))
        for number, each in enumerate(addresses, 1)
    )


def heartbeat_of(settings: Settings) -> Recipient | None:
    """The heartbeat's address, if there is one."""
    written = settings.notify.heartbeat
    if written is None:
        return None
    where, numbered, _ = label_of(written, 0).partition(" (")
    label = f"heartbeat {where}" if numbered else "heartbeat"
    return Recipient(0, written, label, digest_of(written))


def undelivered(settings: Settings, ledger: Ledger, now: float) -> list[Delivery]:
    """What could not be delivered to whom the settings name now, the newest first.

    What is on its way for the first time is not among it.
    """
    named = {each.digest for each in recipients_of(settings)}
    heartbeat = heartbeat_of(settings)
    if heartbeat is not None:
        named.add(heartbeat.digest)
    return [
        each
        for each in ledger.messages.undelivered(int(now))
        if each.recipient in named and (each.tries or each.written_at < now - ON_ITS_WAY_FOR)
    ]


def unreached(settings: Settings, ledger: Ledger, now: float) -> tuple[Unreached, ...]:
    """The same by address, the heartbeat last."""
    found: dict[bytes, list[Delivery]] = {}
    for each in undelivered(settings, ledger, now):
        found.setdefault(each.recipient, []).append(each)
    heartbeat = heartbeat_of(settings)
    named = [*recipients_of(settings), *([] if heartbeat is None else [heartbeat])]
    return tuple(
        Unreached(
            each.label,
            each is heartbeat,
            len(late),
            late[-1].written_at,
            next((one.said for one in late if one.said is not None), None),
        )
        for each in named
        if (late := found.get(each.digest))
    )


def all_of(recipients: Iterable[Recipient]) -> bytes:
    """A digest by which all of them together are known."""
    return digest_of("\n".join(sorted(each.address for each in recipients)))


def digest_of(text: str) -> bytes:
    """By which an address is known."""
    return blake3(text.encode("utf-8", "surrogateescape")).digest(16)
