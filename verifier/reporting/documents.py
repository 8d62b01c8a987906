"""The JSON documents.  Times are RFC 3339 with offset, sizes bytes; a document is one value."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from datetime import datetime, tzinfo
from typing import TYPE_CHECKING, Any

import msgspec

from verifier.model import Damage, DamageRange, Finding, Verdict, named

if TYPE_CHECKING:
    from verifier.jobs.compare import Result, SideTally
    from verifier.jobs.spending import Budget
    from verifier.ledger import LedgerFinding, Notice

_encode = msgspec.json.Encoder().encode


def comparison(result: Result) -> Iterator[bytes]:
    """The document of a comparison, in pieces: it may hold more findings than memory should."""
    head = {
        "schema": "verifier.comparison.v1",
        "finished": result.finished,
        "source": _side(result.source),
        "mirror": _side(result.mirror),
        "counts": {str(verdict): result.counts[verdict] for verdict in Verdict},
    }
    tail = {
        "started": result.started.isoformat(timespec="seconds"),
        "ended": result.ended.isoformat(timespec="seconds"),
        "seconds": round(result.seconds, 3),
    }
    yield from with_findings(head, (finding(each) for each in result.findings), tail)


def with_findings(
    head: Mapping[str, Any], findings: Iterable[Mapping[str, Any]], tail: Mapping[str, Any]
) -> Iterator[bytes]:
    """A document whose ``findings`` stand between ``head`` and ``tail``, in pieces.

    ``head`` holds the schema at least; ``tail`` may be empty.
    """
    yield _encode(head)[:-1] + b',"findings":['
    comma = b""
    for each in findings:
        yield comma + _encode(each)
        comma = b","
    yield (b"]," if tail else b"]") + _encode(tail)[1:] + b"\n"


def stamp(at: float, zone: tzinfo) -> str:
    """A time, in seconds since 1970, as documents show it: with the zone's offset then."""
    return datetime.fromtimestamp(int(at), zone).isoformat(timespec="seconds")


def _side(tally: SideTally) -> dict[str, Any]:
    return {
        "at": tally.at,
        "files": tally.files,
        "bytes": tally.bytes,
        "read_bytes": tally.read_bytes,
    }


def finding(each: Finding) -> dict[str, Any]:
    """A finding, as every document shows it."""
    document: dict[str, Any] = _named("path", each.path)
    document |= {
        "verdict": each.verdict,
        "cause": each.cause,
        "side": each.side,
        "size": each.size,
        "detail": each.detail,
        "advice": each.advice,
    }
    if each.other_path is not None:
        document |= _named("other_path", each.other_path)
    if each.damage is not None:
        document["damage"] = _damage(each.damage)
    return document


def ledger_finding(each: LedgerFinding, zone: tzinfo) -> dict[str, Any]:
    """A finding with its place in the ledger, as every document shows it; times in ``zone``."""
    return finding(each.finding) | {
        "share": each.share,
        "mirror": each.mirror,
        "id": each.id,
        "first_seen": stamp(each.first_seen, zone),
    }


def budget(each: Budget) -> dict[str, Any]:
    """What may be, and was, read in a month of a place where that costs or is limited."""
    return {
        "share": each.place.share,
        "place": each.place.place,
        "month": each.month,
        "read_at_most": each.limit,
        "read_bytes": each.spent,
        "left": None if each.limit is None else each.left,
    }


def notice(each: Notice, zone: tzinfo) -> dict[str, Any]:
    """What is wrong with a place as a whole, as every document shows it."""
    return {
        "share": each.place.share,
        "place": each.place.place,
        "what": each.what,
        "detail": each.detail,
        "at": stamp(each.at, zone),
    }


def _named(key: str, path: bytes) -> dict[str, Any]:
    text, encoded = named(path)
    return {key: text} if encoded is None else {key: text, f"{key}_b64": encoded}


def damage(found: Damage) -> bytes:
    """The document of one damaged pair."""
    return _encode({"schema": "verifier.damage.v1", **_damage(found)}) + b"\n"


def _damage(found: Damage) -> dict[str, Any]:
    document: dict[str, Any] = {
        "size": {"source": found.source_size, "mirror": found.mirror_size},
        "ranges": [_range(each) for each in found.ranges],
        "differing_bytes": found.differing_bytes,
    }
    if found.left_out:
        document["ranges_left_out"] = found.left_out
    if not found.complete:
        document["complete"] = False
    return document


def _range(each: DamageRange) -> dict[str, Any]:
    document: dict[str, Any] = {"from": each.start, "to": each.end, "pattern": each.pattern}
    if each.bits is not None:
        document["bits"] = each.bits
    return document
