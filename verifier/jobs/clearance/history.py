"""Damage that was once found in a folder, and whether it was ever explained.

A corrupt finding closes when both sides hold the same.  That can be a repair, or the damage
carried over to the other side, or a disk that gives another answer each day: only the first will
do for a folder whose source is to be deleted.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Final

from verifier.jobs.clearance.rows import twin_at
from verifier.ledger import (
    Clearance,
    FindingState,
    Ledger,
    PastDamage,
    PlaceName,
    Proof,
)
from verifier.model import Cause, Side, printable

DAMAGE: Final = frozenset(
    {Cause.ROT, Cause.ALTERED, Cause.DIFFERS, Cause.TRUNCATED, Cause.ZERO_FILLED}
)
"""Causes of a corrupt finding that tell of bytes that nobody meant to change."""


def unexplained(
    ledger: Ledger, request: Clearance, mirror: PlaceName
) -> Iterator[tuple[PastDamage, str]]:
    """Damage to what the source holds now that nothing explains, and why it does not."""
    gone: dict[bytes, PastDamage] = {}
    for damage in ledger.clearances.past_damage(request, mirror):
        if damage.cause not in DAMAGE or damage.accepted:
            continue
        source = ledger.clearances.proof_at(request, PlaceName(request.share), damage.path)
        if source is None:
            gone |= dict.fromkeys(_wrong_contents(damage), damage)
            continue
        copy = ledger.clearances.proof_at(request, mirror, damage.path) or twin_at(
            ledger, request, mirror, damage.path
        )
        why = _not_explained(damage, source, copy)
        if why is not None:
            yield damage, why
    yield from _under_another_name(ledger, request, gone)


def _under_another_name(
    ledger: Ledger, request: Clearance, gone: dict[bytes, PastDamage]
) -> Iterator[tuple[PastDamage, str]]:
    """Damaged files that left their path, and whose wrong content stands under another one."""
    if not gone:
        return
    for proof in ledger.clearances.proofs(request, PlaceName(request.share)):
        damage = gone.pop(proof.sighting.digest or b"", None)
        if damage is not None:
            path = printable(proof.sighting.path)
            yield damage, f"what was damaged stands under another name, {path}"


def _wrong_contents(damage: PastDamage) -> Iterator[bytes]:
    """What the side in the wrong held; where nobody knows which it was, the mirror's."""
    before, side = damage.standing, damage.side
    sides = [before.source] if side in (Side.SOURCE, Side.BOTH) else []
    sides += [before.mirror] if side is not Side.SOURCE else []
    for each in sides:
        if each is not None and each.digest is not None:
            yield each.digest


def _not_explained(damage: PastDamage, source: Proof, mirror: Proof | None) -> str | None:
    """None when a copy run or a person's own edit explains that it is gone."""
    before = damage.standing
    if damage.state is not FindingState.CLOSED:
        return "it is still there"
    if before.source is not None and before.source.mtime_ns != source.sighting.mtime_ns:
        return None  # saved anew since: what was damaged is no version of it any more
    digest = source.sighting.digest
    if damage.side is Side.SOURCE:
        good, written = before.mirror, _written_since(damage, source)
    elif damage.side in (Side.MIRROR, Side.UNKNOWN):
        good, written = before.source, _written_since(damage, mirror)
    else:
        return "both sides had it, and no decision is on record"
    if good is None or good.digest is None or digest != good.digest:
        return "what stands there now is not what the sound side held"
    if not written:
        return "it went away though nobody wrote the file, so the disk cannot be relied on"
    return None


def _written_since(damage: PastDamage, proof: Proof | None) -> bool:
    """Whether a walk saw that the file was written after the damage was found.

    Not in the same second: the walk before that judgement could have seen it.
    """
    return proof is not None and proof.known.changed_or_first_seen > damage.since
