"""A spot-check's document and its words: what was drawn, what that proves, and what it does not.

Parts are rounded up, so that no sentence claims more than the figure does.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from datetime import datetime, tzinfo
from decimal import ROUND_CEILING, Context, Decimal
from fractions import Fraction
from typing import Final

from verifier.jobs.spot_check import By, Ended, Result
from verifier.ledger import SOURCE, LedgerFinding
from verifier.measures import amount, count, listing
from verifier.model import printable
from verifier.reporting import documents
from verifier.reporting.text import SHOWN_PER_ACTION, what_it_is, wrapped

SCHEMA: Final = "verifier.spotcheck.v1"

_FOLDERS_NAMED: Final = 3
"""Folders that cannot be listed which a sentence names; findings name all of them."""

_ROUNDED_UP: Final = Context(prec=2, rounding=ROUND_CEILING)


def document(result: Result, found: Iterable[LedgerFinding], zone: tzinfo) -> Iterator[bytes]:
    """The JSON document, in pieces."""
    head = {
        "schema": SCHEMA,
        "seed": result.request.seed,
        "population": {"files": result.population.files, "bytes": result.population.bytes},
        "sample": {"files": result.sample.files, "bytes": result.sample.bytes},
        "bad": result.bad,
        "confidence": float(result.request.confidence),
        "at_most": result.at_most,
        "statement": " ".join(
            (statement(result), *_hidden(result), limits(result, zone), *_left(result))
        ),
    }
    yield from documents.with_findings(
        head, (documents.ledger_finding(each, zone) for each in found), {}
    )


def text(result: Result, found: Iterable[LedgerFinding], zone: tzinfo) -> Iterator[str]:
    """What a person is told: the statement, its limits, how to draw the same again, findings."""
    yield from wrapped(statement(result), "")
    for sentence in _hidden(result):
        yield ""
        yield from wrapped(sentence, "")
    yield ""
    yield from wrapped(limits(result, zone), "")
    for remark in _remarks(result):
        yield ""
        yield from wrapped(remark, "")
    yield ""
    yield f"Seed: {result.request.seed} (--seed {result.request.seed} draws the same again)"
    for number, each in enumerate(found):
        if number >= SHOWN_PER_ACTION:
            yield ""
            yield "  ... and more; `verifier findings` lists all of them."
            return
        yield ""
        yield f"{each.id}: {printable(each.path)}"
        yield from wrapped(f"{each.share}, {each.mirror}: {what_it_is(each.finding)}", "    ")
        yield from wrapped(each.finding.detail, "    ")
        yield from wrapped(each.finding.advice, "    ")


# ------------------------------------------------------------------------------- the statement


def statement(result: Result) -> str:
    """What the sample showed, in one sentence."""
    where = listing(("the source", *result.mirrors))
    share = _in_share(result)
    if not result.drawn and result.hidden.drawn:
        return f"No file that was drawn could be looked at, so nothing can be said of {share}."
    if not result.drawn and result.left.files:
        return "No file that was drawn stands on the source any more, so nothing can be said of it."
    if not result.drawn:
        return (
            f"Nothing was read to its end, so nothing can be said of {_whole(result)}: any part "
            "of it may be bad."
        )
    if result.sample.bytes == result.population.bytes and _all_drawn(result):
        return f"{_all_of(result)} read afresh on {where}, and {_outcome(result)}."
    stopped = result.ended in (Ended.SIGNAL, Ended.WORKING_HOURS)
    return (
        f"Of {_whole(result)}, {_drawn(result)} {_were(result.drawn)} read afresh on {where}"
        f"{' before this was stopped' if stopped else ''}, and {_outcome(result)}: with "
        f"{percentage(result.request.confidence)} confidence {_bound(result)}."
    )


def _all_of(result: Result) -> str:
    files = result.population.files
    which = f"The one {_kind(result)}" if files == 1 else f"All {count(files, _kind(result))}"
    return f"{which} of {_within(result)} {_were(files)}"


def _whole(result: Result) -> str:
    return f"the {count(result.population.files, _kind(result))} of {_within(result)}"


def _kind(result: Result) -> str:
    """What the draw is from: an empty file holds no byte that could be drawn."""
    return "non-empty file" if result.request.by is By.BYTES else "file"


def _within(result: Result) -> str:
    seen = " that could be looked at" if result.hidden.files else ""
    return f"{_in_share(result)} ({amount(result.population.bytes)}){seen}"


def _in_share(result: Result) -> str:
    within = printable(result.request.share.encode())
    if result.request.folder:
        return f"{printable(result.request.folder)} in {within}"
    return within


def _all_drawn(result: Result) -> bool:
    return result.request.by is By.BYTES or result.drawn == result.of


def _drawn(result: Result) -> str:
    if result.request.by is By.FILES:
        return f"{result.drawn:,} drawn at random"
    return (
        f"the pieces around {count(result.drawn, 'byte')} drawn at random "
        f"({amount(result.sample.bytes)} in {count(result.sample.files, 'file')})"
    )


def _were(number: int) -> str:
    return "was" if number == 1 else "were"


def _outcome(result: Result) -> str:
    what = "damaged, missing, out of date or unreadable"
    if not result.bad:
        return f"none was bad ({what})"
    number = f"{result.bad:,}"
    if result.request.by is By.BYTES:
        number = count(result.bad, "piece")
    return f"{number} {_were(result.bad)} bad ({what})"


def _bound(result: Result) -> str:
    """What is the most, in words."""
    if not result.most_bad:
        return "none of all of them is bad"
    part = part_in_words(Fraction(result.most_bad, result.of))
    if result.request.by is By.FILES:
        return (
            f"at most {part} of all its files ({result.most_bad:,}) "
            f"{'is' if result.most_bad == 1 else 'are'} bad"
        )
    return f"at most {part} of all its bytes ({amount(result.most_bad)}) lie in bad pieces"


def _hidden(result: Result) -> Iterator[str]:
    """What lies below folders that cannot be listed, as one paragraph."""
    hidden = result.hidden
    if not hidden.folders:
        return
    named = [
        f"{printable(folder)} on {'the source' if place == SOURCE else place}"
        for place, folder in hidden.folders[:_FOLDERS_NAMED]
    ]
    more = len(hidden.folders) - len(named)
    if more:
        named.append(count(more, "more folder"))
    one = len(hidden.folders) == 1
    if hidden.drawn:
        said = (
            f"{count(hidden.drawn, 'file')} that {_were(hidden.drawn)} drawn could not be looked "
            f"at, since {listing(named)} cannot be listed: the figure counts "
            f"{'it' if hidden.drawn == 1 else 'them'} as neither good nor bad."
        )
    else:
        said = f"{listing(named)} cannot be listed."
    kind = _kind(result)
    files = f"the one {kind}" if hidden.files == 1 else f"all the {count(hidden.files, kind)}"
    below = f"below {'it' if one else 'them'} ({amount(hidden.bytes)})"
    yield f"{said} Nothing is said of {files} {below}."


def limits(result: Result, zone: tzinfo) -> str:
    """What the statement does not cover, in one sentence."""
    places = "places that were not read"
    if result.left_out:
        places += f", such as {listing(result.left_out)}"
    empty = "empty files, " if result.request.by is By.BYTES else ""
    walked, started = _when(result.walked, zone), _when(result.started, zone)
    return (
        f"This does not cover {empty}what came to the source after {walked}, when it was last "
        f"looked through, what has changed since the reading of {started}, {places}, or a fault "
        "that hit all sides alike before they were first read."
    )


def _left(result: Result) -> Iterator[str]:
    """What was drawn and had left the source, in a sentence or two."""
    left = result.left
    if not left.files:
        return
    drawn, them = ("1 file that was", "it") if left.files == 1 else ("files that were", "them")
    many = "" if left.files == 1 else f"{left.files:,} "
    yield f"{many}{drawn} drawn had left the source, and the figure says nothing of {them}."
    if left.released:
        covered = them if left.files == 1 else f"{left.released:,} of {them}"
        held, lost = left.borne_out, left.released - left.borne_out
        yield (
            f"A certificate covers {covered}: on {listing(result.mirrors)} "
            f"{held:,} {_were(held)} read and {_were(held)} as it proved, {lost:,} "
            f"{_were(lost)} not."
        )


def _remarks(result: Result) -> Iterator[str]:
    yield from _left(result)
    if result.ended is Ended.WORKING_HOURS:
        yield (
            "Working hours begin, so reading stopped before the sample was complete: the figure "
            "is what the part read so far gives."
        )
    elif result.ended is Ended.SIGNAL:
        yield "It was stopped before the sample was complete; the same seed draws it again."
    if result.surge is not None:
        yield result.surge
    if result.changed:
        yield (
            f"{count(result.changed, 'file')} had changed or gone since the last shift, and "
            f"{_were(result.changed)} compared as they stand now."
        )
    if result.unsettled:
        yield (
            f"{count(result.unsettled, 'file')} {_were(result.unsettled)} being written, and "
            "nothing is said of them."
        )
    if result.unconfirmed:
        yield (
            f"{count(result.unconfirmed, 'file')} looked bad, and there was no time for the second "
            "reading that must show it too: the next shift reads them."
        )


def part_in_words(part: Fraction) -> str:
    """A part of a whole as a percentage of two digits, rounded up.

    >>> part_in_words(Fraction(1, 1000)), part_in_words(Fraction(2994, 3_000_001))
    ('0.1 %', '0.1 %')
    >>> part_in_words(Fraction(1, 3)), part_in_words(Fraction(1))
    ('34 %', '100 %')
    """
    if not part:
        return "0 %"
    rounded = _ROUNDED_UP.divide(Decimal(100 * part.numerator), Decimal(part.denominator))
    return f"{_plain(rounded)} %"


def percentage(part: Fraction) -> str:
    """A part as a percentage with all its digits.

    >>> percentage(Fraction(19, 20)), percentage(Fraction(999, 1000))
    ('95 %', '99.9 %')
    """
    return f"{_plain(Decimal(100 * part.numerator) / Decimal(part.denominator))} %"


def _plain(number: Decimal) -> str:
    written = f"{number:f}"
    return written.rstrip("0").rstrip(".") if "." in written else written


def _when(at: int, zone: tzinfo) -> str:
    return f"{datetime.fromtimestamp(at, zone):%Y-%m-%d %H:%M}"
