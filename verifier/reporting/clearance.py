"""A clearance as a document and in words: granted, refused with every reason, or not finished."""

from __future__ import annotations

import os
from collections.abc import Iterable, Iterator
from datetime import datetime, tzinfo
from pathlib import Path
from typing import TYPE_CHECKING, Final

import msgspec

from verifier.certificate import CAUTIONS, RuleResult
from verifier.measures import amount, count
from verifier.model import printable
from verifier.reporting.text import wrapped

if TYPE_CHECKING:
    from verifier.jobs.clearance import Outcome
    from verifier.jobs.clearance.recheck import Rechecked

SCHEMA: Final = "verifier.clearance.v1"

UNFINISHED: Final = "read-afresh"
"""The rule that is told of while not all is read: all others wait for it."""

_encode = msgspec.json.Encoder().encode

TITLES: Final = {
    "read-afresh": "Read afresh on all places",
    "same-content": "The same content on all places",
    "copies": "Enough copies",
    "off-site": "Enough copies off site",
    "nothing-open": "Nothing open",
    "quiet": "Nothing changed lately",
    "no-links": "No links lead in or out",
    "left-out": "What ignore patterns leave out",
    "history": "No unexplained damage",
    "read-lately": "Read lately",
    "certificate": "The certificate",
    "manifest": "Its manifest",
    "copy-whole": "The copy",
    "file": "A file",
}
"""What each rule is called for people."""

WHAT_NEXT: Final = {
    "read-afresh": "Have nobody work in the folder, and ask again: only what changed is read anew.",
    "same-content": "Run a shift, which says for each path which side is wrong; have the copy job "
    "bring over what is missing or stale.",
    "copies": "Make another copy, name it in the settings, and ask again.",
    "off-site": "Make a copy off site, name it in the settings, and ask again.",
    "nothing-open": "See `verifier findings`, and settle each of them.",
    "quiet": "Wait, and ask again.",
    "no-links": "See whether those who use the links can do without, and take them away.",
    "left-out": "Narrow the patterns of the share, so that what matters is read.",
    "history": "Bring over an undamaged copy of each file, run a shift, and ask again.",
    "read-lately": "Ask again.",
}


def document(outcome: Outcome) -> Iterator[bytes]:
    """The JSON document of a request."""
    yield from _document(outcome.certificate is not None, _rules_of(outcome), outcome.certificate)


def recheck_document(found: Rechecked) -> Iterator[bytes]:
    """The JSON document of a recheck, in pieces: a copy may lack more files than memory holds."""
    yield from _document(found.held, found.rules(), found.path)


def _document(granted: bool, rules: Iterable[RuleResult], path: Path | None) -> Iterator[bytes]:
    head = _encode({"schema": SCHEMA, "granted": granted})
    yield head[:-1] + b',"rules":['
    comma = b""
    for rule in rules:
        yield comma + _encode(rule)
        comma = b","
    certificate = None if path is None else _shown(path)
    yield b"]," + _encode({"certificate": certificate})[1:] + b"\n"


def _rules_of(outcome: Outcome) -> Iterable[RuleResult]:
    if outcome.stopped is None:
        return outcome.rules
    return [RuleResult(UNFINISHED, False, " ".join(_how_far(outcome)))]


def _how_far(outcome: Outcome) -> Iterator[str]:
    assert outcome.stopped is not None
    yield outcome.stopped
    if not outcome.left:
        yield "Nothing of the folder was read for this yet."
    elif not any(left.files for _, left in outcome.left):
        yield "All is read, and the rules were not looked at yet."
    else:
        places = [
            f"{'the source' if place.is_source else place.place} "
            f"{count(left.files, 'file')} of {amount(left.bytes)}"
            for place, left in outcome.left
            if left.files
        ]
        yield f"To be read yet: {', '.join(places)}."
    yield "Give the same command again, and it goes on from there."


# -------------------------------------------------------------------------------------- in words


def text(outcome: Outcome, zone: tzinfo) -> Iterator[str]:
    """What came of a request."""
    folder = f"{printable(outcome.folder[:-1])} of {outcome.share}"
    asked = f"{datetime.fromtimestamp(outcome.requested_at, zone):%Y-%m-%d %H:%M}"
    if outcome.stopped is not None:
        yield from wrapped(f"Not finished: {folder}, asked for on {asked}.", "")
        yield ""
        yield from wrapped(" ".join(_how_far(outcome)), "")
        return
    broken = [rule for rule in outcome.rules if not rule.held]
    if broken:
        said = f"{count(len(broken), 'rule')} of {len(outcome.rules)}"
        does = "does" if len(broken) == 1 else "do"
        yield from wrapped(f"Refused: {folder} must stay where it is. {said} {does} not hold.", "")
    else:
        yield from wrapped(
            f"Granted: {folder} may leave the source, once the cautions below are heeded. All "
            f"{len(outcome.rules)} rules hold.",
            "",
        )
    yield from _listed(outcome.rules)
    if broken:
        yield ""
        yield from wrapped(
            "What was read counts on until it is older than the rules allow. To do:", ""
        )
        for rule in broken:
            yield from wrapped(f"{TITLES[rule.rule]}: {WHAT_NEXT[rule.rule]}", "  ")
        return
    assert outcome.certificate is not None
    yield ""
    yield f"Certificate: {_shown(outcome.certificate)}"
    yield f"To print:    {_shown(outcome.certificate.with_suffix('.html'))}"
    yield ""
    for caution in CAUTIONS:
        yield from wrapped(caution, "")
        yield ""


def recheck_text(found: Rechecked) -> Iterator[str]:
    """What came of a recheck; every file that is not whole is named."""
    certificate = found.certificate
    folder = printable(f"{certificate.folder} of {certificate.share}".encode())
    copies = count(len(found.copies), "copy", "copies")
    granted = certificate.granted.at[:10]
    if found.held:
        headline = f"Whole: {copies} of {folder} {_still(len(found.copies))} every byte"
    elif found.exit_status == 3 and found.damaged:
        headline = f"NOT WHOLE, and not all could be read: {folder}"
    elif found.exit_status == 3:
        headline = f"Not all could be read: {folder}"
    elif found.damaged:
        headline = f"NOT WHOLE: {folder}"
    else:
        headline = f"Fewer copies than were named hold {folder}"
    yield from wrapped(f"{headline}, as certified on {granted}.", "")
    yield from _listed(found.rules())
    if not found.held:
        yield ""
        yield from wrapped(_NOT_WHOLE if found.damaged or found.exit_status == 3 else _TOO_FEW, "")


_NOT_WHOLE: Final = (
    "Delete and overwrite nothing. Read the other copies with --recheck, and restore what is "
    "missing or damaged from one that still holds it."
)
_TOO_FEW: Final = "Delete nothing, and make a copy of its own wherever one is missing."


def _still(number: int) -> str:
    return "still holds" if number == 1 else "still hold"


def _listed(rules: Iterable[RuleResult]) -> Iterator[str]:
    for rule in rules:
        yield ""
        yield f"  {'held    ' if rule.held else 'NOT HELD'}  {TITLES[rule.rule]} ({rule.rule})"
        yield from wrapped(rule.detail, "            ")


def _shown(path: Path) -> str:
    return printable(os.fsencode(os.path.abspath(path)))
