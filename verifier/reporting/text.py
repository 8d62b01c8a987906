"""Results in words: first what it comes to, then what to do, then where."""

from __future__ import annotations

import textwrap
from collections.abc import Iterator
from typing import Final

from verifier.findings import Action, action_for
from verifier.jobs.build import Built
from verifier.jobs.compare import Result, SideTally
from verifier.measures import amount, count, duration
from verifier.model import QUIET, Cause, Damage, Finding, Verdict, printable

SHOWN_PER_ACTION: Final = 200
"""Findings that are listed under one heading; all of them are in the JSON document."""

RANGES_SHOWN: Final = 20

_WIDTH: Final = 92


def comparison(result: Result) -> Iterator[str]:
    """A comparison, line by line."""
    yield from _wrapped(headline(result), "")
    yield ""
    yield from _side("Source", result.source)
    yield from _side("Mirror", result.mirror)
    tally = ", ".join(
        f"{result.counts[verdict]:,} {verdict}" for verdict in Verdict if result.counts[verdict]
    )
    yield f"Paths:  {tally or 'none'}"
    yield f"Took:   {duration(result.seconds)}"
    for action in Action:
        yield from _group(action, result)


def headline(result: Result) -> str:
    """The whole result in one sentence."""
    findings = len(result.findings)
    if not result.finished:
        so_far = f"{count(findings, 'finding')} so far" if findings else "no finding so far"
        return (
            f"Stopped before the end, with {so_far}: what was not reached is not known to be good."
        )
    paths = sum(result.counts.values())
    if findings:
        need = "needs" if findings == 1 else "need"
        held = sum(result.counts[verdict] for verdict in QUIET)
        return f"{count(findings, 'finding')} {need} you; the other {count(held, 'path')} do not."
    if not paths:
        return "Nothing was compared: both sides are empty. Check that both are mounted."
    unread = result.counts[Verdict.UNREAD]
    if unread:
        return (
            f"Nothing stands out by size and date. The content of {count(unread, 'file')} was not "
            "read, so this does not show that the copies are true."
        )
    return f"All good: {count(paths, 'path')} matched, by content."


def _side(name: str, tally: SideTally) -> Iterator[str]:
    read = f"{amount(tally.read_bytes)} read" if tally.read_bytes else "no content read now"
    yield f"{name}: {tally.at}"
    yield f"        {count(tally.files, 'file')}, {amount(tally.bytes)}; {read}"


def _group(action: Action, result: Result) -> Iterator[str]:
    """The findings that call for one action, those with the same advice together."""
    by_advice: dict[str, list[Finding]] = {}
    total = 0
    for each in result.findings:
        wanted, advice = action_for(each.verdict, each.cause, each.side)
        if wanted is action:
            total += 1
            if total <= SHOWN_PER_ACTION:
                by_advice.setdefault(advice, []).append(each)
    if not total:
        return
    heading = f"{action.value} ({total:,})"
    yield ""
    yield heading
    yield "=" * len(heading)
    for advice, findings in by_advice.items():
        yield from _wrapped(advice, "")
        for each in findings:
            yield ""
            yield f"  {printable(each.path)}"
            yield from _wrapped(_what(each), "    ")
            yield from _wrapped(each.detail, "    ")
        yield ""
    if total > SHOWN_PER_ACTION:
        yield f"  ... and {total - SHOWN_PER_ACTION:,} more; --json lists all of them."


def _what(each: Finding) -> str:
    words = [str(each.verdict)]
    if each.cause is not None:
        words.append(each.cause)
    if each.verdict in (Verdict.CORRUPT, Verdict.UNREADABLE, Verdict.UNSETTLED):
        words.append(f"bad side: {each.side}")
    if each.other_path is not None and each.cause != Cause.MOVED:
        words.append(f"on the mirror as {printable(each.other_path)}")
    return ", ".join(words)


def _wrapped(text: str, indent: str) -> list[str]:
    return textwrap.wrap(
        text,
        _WIDTH,
        initial_indent=indent,
        subsequent_indent=indent,
        break_long_words=False,
        break_on_hyphens=False,
    )


def damage(found: Damage) -> Iterator[str]:
    """Where and how two files differ, line by line."""
    yield from _wrapped(f"{found.sentence[:1].upper()}{found.sentence[1:]}.", "")
    yield ""
    yield f"Source:    {found.source_size:,} bytes"
    yield f"Mirror:    {found.mirror_size:,} bytes"
    yield f"Differing: {count(found.differing_bytes, 'byte')}"
    if not found.ranges:
        return
    yield ""
    for each in found.ranges[:RANGES_SHOWN]:
        bits = "" if each.bits is None else f", {count(each.bits, 'bit')}"
        yield f"  {each.start:>20,} up to {each.end:>20,}  {each.pattern}{bits}"
    hidden = len(found.ranges) - RANGES_SHOWN + found.left_out
    if hidden > 0:
        yield f"  ... and {count(hidden, 'more range', 'more ranges')}"


def built(result: Built, out: str) -> Iterator[str]:
    """What went into a manifest."""
    yield (
        f"Wrote {out}: {count(result.entries, 'path')}, {amount(result.bytes)}, "
        f"in {duration(result.seconds)}."
    )
    if result.troubled:
        yield (
            f"{count(result.troubled, 'path')} could not be read; the manifest says so for each "
            "of them. See what keeps them from being read, then build it again."
        )
