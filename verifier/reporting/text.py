"""Results in words: first what it comes to, then what to do, then where."""

from __future__ import annotations

import textwrap
from collections.abc import Iterator
from typing import TYPE_CHECKING, Final

from verifier.findings import Action, action_of
from verifier.measures import amount, count, duration
from verifier.model import QUIET, Cause, Damage, Finding, Verdict, printable

if TYPE_CHECKING:
    from verifier.jobs.build import Built
    from verifier.jobs.compare import Result, SideTally
    from verifier.jobs.demo import Outcome

SHOWN_PER_ACTION: Final = 200
"""Findings that are listed under one heading; all of them are in the JSON document."""

RANGES_SHOWN: Final = 20

_WIDTH: Final = 92


def comparison(result: Result) -> Iterator[str]:
    """A comparison, line by line."""
    yield from wrapped(headline(result), "")
    yield ""
    yield from _side("Source", result.source)
    yield from _side("Mirror", result.mirror)
    tally = ", ".join(
        f"{result.counts[verdict]:,} {verdict}" for verdict in Verdict if result.counts[verdict]
    )
    yield f"Paths:  {tally or 'none'}"
    yield f"Took:   {duration(result.seconds)}"
    groups = {action: _Group() for action in Action}
    for each in result.findings:
        groups[action_of(each)].add(each)
    for action, group in groups.items():
        if group.total:
            yield from group.lines(action)


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
        unread = result.counts[Verdict.UNREAD]
        if unread:
            return (
                f"{count(findings, 'finding')} {need} you; of the other {count(held, 'path')} "
                f"{unread:,} {'was' if unread == 1 else 'were'} not read, and not known to be good."
            )
        return f"{count(findings, 'finding')} {need} you; the other {count(held, 'path')} do not."
    if not paths:
        return "Nothing was compared: both sides are empty. Check that both are mounted."
    unread = result.counts[Verdict.UNREAD]
    if result.unread_unlike:
        return (
            f"No verdict without reading: {count(result.unread_unlike, 'file')} of "
            f"{unread:,} unread ones differ in size under dates that prove nothing. Compare again "
            "without --dates-only."
        )
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


class _Group:
    """The findings that call for one action, those with the same advice together."""

    def __init__(self) -> None:
        self.total = 0
        self._by_advice: dict[str, list[Finding]] = {}

    def add(self, each: Finding) -> None:
        self.total += 1
        if self.total <= SHOWN_PER_ACTION:
            self._by_advice.setdefault(each.advice, []).append(each)

    def lines(self, action: Action) -> Iterator[str]:
        heading = f"{action.value} ({self.total:,})"
        yield ""
        yield heading
        yield "=" * len(heading)
        for advice, findings in self._by_advice.items():
            yield from wrapped(advice, "")
            for each in findings:
                yield ""
                yield f"  {printable(each.path)}"
                yield from wrapped(what_it_is(each), "    ")
                yield from wrapped(each.detail, "    ")
            yield ""
        if self.total > SHOWN_PER_ACTION:
            yield f"  ... and {self.total - SHOWN_PER_ACTION:,} more; --json lists all of them."


def what_it_is(each: Finding) -> str:
    """A finding's verdict, cause and side in a few words."""
    words = [str(each.verdict)]
    if each.cause is not None:
        words.append(each.cause)
    if each.verdict in (Verdict.CORRUPT, Verdict.UNREADABLE, Verdict.UNSETTLED):
        words.append(f"bad side: {each.side}")
    if each.other_path is not None and each.cause != Cause.MOVED:
        words.append(f"on the mirror as {printable(each.other_path)}")
    return ", ".join(words)


def wrapped(text: str, indent: str) -> list[str]:
    """A sentence in lines, each with the same indent."""
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
    yield from wrapped(f"{found.sentence[:1].upper()}{found.sentence[1:]}.", "")
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


def demonstrated(outcome: Outcome, kept: bool) -> Iterator[str]:
    """The demo's findings, each with what was planted."""
    tally = outcome.result
    yield from wrapped(
        f"Lantern Marsh Surveys keeps {count(tally.source.files, 'file')} "
        f"({amount(tally.source.bytes)}) on its editing server, bench, and a mirror on vault. "
        "Both were read in full and judged against a manifest of the last night on which all "
        f"was well. It took {duration(tally.seconds)}. Here is each planted fault, and what was "
        "said of it.",
        "",
    )
    for number, (fault, finding) in enumerate(outcome.found, 1):
        yield ""
        yield f"{number}. {fault.path}"
        yield from wrapped(f"Planted: {fault.told}", "   ")
        if finding is None:
            yield "   NOT FOUND. This is a mistake in verifier: please report it."
            continue
        yield from wrapped(f"Found:   {what_it_is(finding)}. {finding.detail}", "   ")
        yield from wrapped(f"To do:   {finding.advice}", "   ")
    yield ""
    for finding in outcome.unexpected:
        yield f"NOT PLANTED: {printable(finding.path)}: {what_it_is(finding)}"
    yield from wrapped(_demo_ending(outcome), "")
    if kept:
        estate = outcome.estate
        yield ""
        yield "The trees are left for you to try by hand:"
        yield ""
        yield (f"  verifier compare {estate.source} {estate.mirror} --baseline {estate.baseline}")


def _demo_ending(outcome: Outcome) -> str:
    matched = outcome.result.counts[Verdict.MATCHED]
    if outcome.as_planted:
        ending = (
            f"All {count(len(outcome.found), 'planted fault')} were found, each with its cause and "
            f"the side that is wrong, and nothing else: the other {count(matched, 'path')} matched."
        )
        return f"{ending} {outcome.left_out}".rstrip()
    return "The comparison did not say what was planted. This is a mistake: please report it."
