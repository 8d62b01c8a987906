"""Which side of a finding is right, and how that is known, in a sentence."""

from __future__ import annotations

from typing import Final

from verifier.findings import SIZES_DIFFER, Action, action_of
from verifier.model import Cause, Finding, Side, Verdict

_MIRROR_BAD: Final[dict[str, str]] = {
    Cause.ROT: "The source is right: the mirror's content changed although its size and date did "
    "not, which no copying does.",
    Cause.TRUNCATED: "The source is right: the mirror holds the beginning of its content and then "
    "ends.",
    Cause.ZERO_FILLED: "The source is right: where the two differ, the mirror holds only zeroes.",
    Cause.ALTERED: "The source is right: it holds what both sides held when they last agreed, or a "
    "later edit; the mirror was changed by something else than the copy job.",
    Cause.KIND_CHANGED: "The source is right: it still is what both sides were when they last "
    "agreed.",
    Cause.DIFFERS: "The source is right: a third copy holds the same as it does.",
    Cause.NEWER_ON_MIRROR: "The source is right: a third copy holds the same as it does.",
}
_SOURCE_BAD: Final[dict[str, str]] = {
    Cause.ROT: "The mirror is right: it holds what both sides held when they last agreed; the "
    "source's content changed although its size and date did not.",
    Cause.TRUNCATED: "The mirror is right: it holds what both sides held when they last agreed; "
    "the source was cut short and kept its date.",
    Cause.ZERO_FILLED: "The mirror is right: where the two differ, the source holds only zeroes.",
    Cause.ALTERED: "The mirror is right: it holds what both sides held when they last agreed; the "
    "source changed and kept its date.",
    Cause.DIFFERS: "The mirror is right: a third copy holds the same as it does.",
    Cause.NEWER_ON_MIRROR: "The mirror is right: a third copy holds the same as it does.",
    Cause.KIND_CHANGED: "The mirror is right: it still is what both sides were when they last "
    "agreed.",
}
_BY_VERDICT: Final = {
    Verdict.MISSING: "The source is right: the mirror does not hold this path.",
    Verdict.STALE: "The source is right: it is newer, and the mirror holds an earlier version.",
    Verdict.UNSETTLED: "Neither can be judged while somebody writes to it.",
}


def which_side(finding: Finding) -> str:
    """The sentence.  Where a third copy decided, the finding's own detail names it as well."""
    if finding.cause == Cause.MOVED:
        return "Both are right: the content is the same, under another name."
    if finding.verdict is Verdict.ORPHANED:
        return "Only the mirror holds it, so there is nothing to compare it with."
    if finding.verdict is Verdict.UNREADABLE:
        return _unreadable(finding)
    if action_of(finding) is Action.SAVE_THE_LAST_COPY:
        return "The certificate says what the mirror should hold; the source gave it up."
    if finding.verdict is Verdict.CORRUPT:
        return _corrupt(finding)
    if finding.detail.startswith(SIZES_DIFFER):
        return (
            "By size the mirror does not hold what the source does; its content was not read, and "
            "the date of an upload does not tell which is newer."
        )
    return _BY_VERDICT.get(finding.verdict, "Nothing is known of which side is right.")


def _unreadable(finding: Finding) -> str:
    if finding.cause == Cause.UNSTABLE_READ:
        return "Nobody can say: two readings of the same file differed from each other."
    if finding.side is Side.SOURCE:
        return (
            "The source could not be read, so nothing was compared; the mirror's copy may be good."
        )
    if finding.side is Side.MIRROR:
        return "The mirror could not be read, so nothing was compared; the source may be good."
    return "Neither side could be read, so nothing was compared."


def _corrupt(finding: Finding) -> str:
    cause = finding.cause or ""
    if finding.side is Side.MIRROR:
        return _MIRROR_BAD.get(cause, "The source is right.")
    if finding.side is Side.SOURCE:
        return _SOURCE_BAD.get(cause, "The mirror is right.")
    if finding.side is Side.BOTH:
        return "Neither is right: both differ from what they held when they last agreed."
    return (
        "Nobody knows yet: the two differ, and no agreement from before and no third copy says "
        "which one is right."
    )
