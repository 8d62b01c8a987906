"""A judged path into a finding: what was seen, and what a person should do about it.

Advice never tells anyone to overwrite what may be the only good copy, and where the source is
the bad side it begins with keeping the next mirror run from carrying that over.
"""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime
from enum import Enum

from verifier.damage import INTERRUPTED
from verifier.diff.comparison import Judged
from verifier.measures import amount, count, listing
from verifier.model import (
    SEGMENT,
    Cause,
    Damage,
    Finding,
    Judgement,
    Kind,
    Side,
    Sighting,
    Verdict,
    printable,
)


class Action(Enum):
    """What a person does about a finding; the most pressing first."""

    SAVE_THE_LAST_COPY = "Given up by the source, then lost or damaged: it may be the last copy"
    HOLD_THE_MIRROR_RUN = "Hold the next mirror run: the source side is in doubt"
    DECIDE_WHICH_SIDE = "Overwrite neither side: find out first which one is right"
    CHECK_THE_HARDWARE = "Could not be read: look at the machine and the permissions"
    MEND_THE_MIRROR = "Damaged on the mirror: copy these again from the source"
    COPY = "Not on the mirror as they should be: run the copy job again"
    DECIDE_TO_KEEP = "On the mirror only: was it meant to be deleted?"
    MOVED = "Moved or renamed on the source: the next mirror run should settle it"
    LOOK_AGAIN = "Still being written: compare again when the work is done"


_HOLD = "Keep the next mirror run from carrying this over: pause the copy job now."

_KEEP_MIRROR = (
    f"{_HOLD} The mirror holds the good copy: make a second copy of it somewhere safe, bring it "
    "back to the source, and compare again before the copy job runs."
)
_BOTH_LOST = (
    f"{_HOLD} Neither side holds what was agreed: overwrite neither. Look for this file in the "
    "off-site copy or an older backup."
)
_WHICH = (
    "Overwrite neither copy yet: pause the copy job, open both, or ask a third copy or an older "
    "manifest which one is right. Keep both until you know."
)
_COPY_AGAIN = (
    "The source holds the good copy. Copy this file to the mirror again and compare; if it comes "
    "back, have the mirror's disks, memory and cables checked."
)
_PERMISSION = "Let the account that runs the comparison read it, then compare again."

_BY_CAUSE: dict[tuple[Verdict, str | None], tuple[Action, str]] = {
    (Verdict.MISSING, Cause.NEVER_COPIED): (
        Action.COPY,
        "Run the copy job and compare again. If it is still missing, see whether the job leaves "
        "it out or reports an error for it.",
    ),
    (Verdict.MISSING, Cause.MOVED): (
        Action.MOVED,
        "The mirror holds this content under its former name. Run the copy job and compare "
        "again; delete nothing by hand before that.",
    ),
    (Verdict.ORPHANED, Cause.MOVED): (
        Action.MOVED,
        "The source holds this content under a new name. Run the copy job and compare again; "
        "delete nothing by hand before that.",
    ),
    (Verdict.ORPHANED, Cause.DELETED_AT_SOURCE): (
        Action.DECIDE_TO_KEEP,
        "If it was not meant to be deleted, this may be the only copy: pause the copy job, which "
        "may remove it, and bring it back to the source. If it was, check contracts, the insurer "
        "and the local rules on keeping records before the mirror's copy goes too.",
    ),
    (Verdict.ORPHANED, Cause.RELEASED): (
        Action.DECIDE_TO_KEEP,
        "A clearance released it from the source: keep the mirror's copy, which may be the only "
        "one here now.",
    ),
    (Verdict.UNREADABLE, Cause.GIVES_NO_PARTS): (
        Action.CHECK_THE_HARDWARE,
        "Its server gives files only as a whole, and large ones are not read in that way. Have the "
        "server give parts of files (ranges), or name the place by another address.",
    ),
    (Verdict.STALE, Cause.OLDER_VERSION): (
        Action.COPY,
        "The source is newer. Run the copy job and compare again. If it stays stale, the job "
        "passes this file over.",
    ),
    (Verdict.STALE, Cause.KIND_CHANGED): (
        Action.COPY,
        "The source is newer, and of another kind. Run the copy job and compare again.",
    ),
    (Verdict.UNSETTLED, None): (
        Action.LOOK_AGAIN,
        "Somebody was writing to it. Compare again when the work on it is done.",
    ),
    (Verdict.UNREADABLE, "permission-denied"): (Action.CHECK_THE_HARDWARE, _PERMISSION),
    (Verdict.UNREADABLE, "operation-not-permitted"): (Action.CHECK_THE_HARDWARE, _PERMISSION),
    (Verdict.UNREADABLE, Cause.UNSTABLE_READ): (
        Action.CHECK_THE_HARDWARE,
        "Two readings of the same file differ, which points at memory, a cable or a controller, "
        "not at the file. Pause the copy job, have that machine checked, and believe no result "
        "from it until then.",
    ),
}

_CORRUPT_BY_SIDE = {
    Side.SOURCE: (Action.HOLD_THE_MIRROR_RUN, _KEEP_MIRROR),
    Side.BOTH: (Action.HOLD_THE_MIRROR_RUN, _BOTH_LOST),
    Side.MIRROR: (Action.MEND_THE_MIRROR, _COPY_AGAIN),
    Side.UNKNOWN: (Action.DECIDE_WHICH_SIDE, _WHICH),
}

_MIRROR_BY_CAUSE: dict[str | None, str] = {
    Cause.TRUNCATED: "The source holds the whole file. Copy it to the mirror again and compare; if "
    "it happens again, see what interrupts the copy job.",
    Cause.ZERO_FILLED: "The source holds the whole file. Copy it to the mirror again and compare; "
    "if it happens again, see what interrupts the copy job.",
    Cause.ALTERED: "The source is the side to trust. Find out who or what writes to the mirror, "
    "which only the copy job should; keep the mirror's version aside if somebody may want it, "
    "then copy this file from the source again and compare.",
    Cause.KIND_CHANGED: "The source is the side to trust. Find out who or what changed the mirror, "
    "which only the copy job should, then copy this file from the source again and compare.",
}
"""Advice where the mirror is wrong for a reason that is not its disks."""

_UNREADABLE_BY_SIDE = {
    Side.SOURCE: f"{_HOLD} A disk of the source may be failing: keep the mirror's copy safe, have "
    "the source's disks checked, then compare again.",
    Side.MIRROR: "A disk of the mirror may be failing. The source can be read: have the mirror's "
    "disks checked, copy this file again, then compare again.",
    Side.BOTH: f"{_HOLD} Neither side could be read: have both machines checked, and look for "
    "the off-site copy.",
}


SIZES_DIFFER = "The sizes differ."
"""What stands for an older version where no dates can be compared and not both sides were read."""

_COPY_UNDATED = (
    "Run the copy job and compare again. If it stays so, see whether the job passes this file "
    "over, or reports an error for it."
)

_ON_THE_SOURCE_ONLY = (
    f"{_HOLD} The mirror does not hold it: have the source's disks checked, save what can still "
    "be read, and compare again."
)
_ON_THE_MIRROR_ONLY = (
    "It stands on the mirror only, so this may be the only copy: have the mirror's disks checked, "
    "save what can still be read, and see why the source does not hold it."
)


def action_for(verdict: Verdict, cause: str | None, side: Side | None) -> tuple[Action, str]:
    """What to do about a verdict, in a word and in sentences."""
    known = _BY_CAUSE.get((verdict, cause))
    if verdict is Verdict.UNREADABLE:
        advice = known[1] if known else _UNREADABLE_BY_SIDE[side or Side.BOTH]
        if side is not Side.MIRROR and not advice.startswith(_HOLD):
            advice = f"{_HOLD} {advice}"
        return Action.CHECK_THE_HARDWARE, advice
    if known is not None:
        return known
    action, advice = _CORRUPT_BY_SIDE[side or Side.UNKNOWN]
    if side is Side.MIRROR:
        advice = _MIRROR_BY_CAUSE.get(cause, advice)
    return action, advice


def action_of(finding: Finding) -> Action:
    """What to do about a finding, in a word."""
    if finding.advice.startswith(_ONLY_COPY):
        return Action.SAVE_THE_LAST_COPY
    return action_for(finding.verdict, finding.cause, finding.side)[0]


def finding_of(row: Judged, damage: Damage | None = None, unconfirmed: str = "") -> Finding:
    """The finding that a judged path makes.

    ``unconfirmed`` is a sentence that says which side could not be read a second time.
    """
    judgement = row.judgement
    sighting = row.source or row.mirror
    assert sighting is not None
    sentences = [_seen(row), _damage(row, damage), unconfirmed]
    advice = action_for(judgement.verdict, judgement.cause, judgement.side)[1]
    if judgement.verdict is Verdict.STALE and not row.dated.alike:
        advice = _COPY_UNDATED
    if judgement.verdict is Verdict.UNREADABLE and advice == _UNREADABLE_BY_SIDE[Side.SOURCE]:
        advice = advice if row.mirror is not None else _ON_THE_SOURCE_ONLY
    if judgement.verdict is Verdict.UNREADABLE and advice == _UNREADABLE_BY_SIDE[Side.MIRROR]:
        advice = advice if row.source is not None else _ON_THE_MIRROR_ONLY
    return Finding(
        row.path,
        judgement.verdict,
        judgement.cause,
        judgement.side,
        sighting.size,
        " ".join(sentence for sentence in sentences if sentence),
        advice,
        row.other_path,
        damage,
    )


_ONLY_COPY = (
    "The source gave this up because the certificate says that copies hold it: this may have been "
    "one of the last. Look at the other copies now (verifier clearance --recheck CERTIFICATE), "
    "change and delete nothing until one of them is known to be whole, and bring it back from "
    "there."
)
_MOVED_AWAY = (
    "If somebody moved this mirror's copy on purpose, see that it is whole where it stands now "
    "(the same command, with that folder after CERTIFICATE), then accept this."
)

_NOT_NAMED = (
    "If such a mirror was left out on purpose, see that its copy is whole where it stands now (the "
    "same command, with that folder after CERTIFICATE), then accept this; or name it in the "
    "settings again."
)


def lost_after_release(
    path: bytes,
    size: int,
    certificate: str,
    elsewhere: Sequence[str] = (),
    *,
    held_before: bool = True,
) -> Finding:
    """A path that a certificate covers, and that the mirror does not hold.

    ``elsewhere`` are the other mirrors that hold it as it was certified.  ``held_before`` is False
    where the certificate counts on other mirrors, none of which the settings name any more.
    """
    if held_before:
        seen = "and the mirror does not hold it any more."
    else:
        seen = (
            "and no mirror that the settings name holds it: those that did are not among them any "
            "more."
        )
    if elsewhere:
        seen += f" As it was certified it stands on {listing(elsewhere)}."
    return Finding(
        path,
        Verdict.MISSING,
        Cause.RELEASED,
        Side.MIRROR,
        size,
        f"It was released from the source by {certificate}, {seen}",
        f"{_ONLY_COPY} {_MOVED_AWAY if held_before else _NOT_NAMED}",
    )


def damaged_after_release(mirror: Sighting, size: int, certificate: str, more: str = "") -> Finding:
    """A path that a certificate covers, and whose content on the mirror is not the proven one.

    ``more`` is what else is to be said of it.
    """
    seen = (
        f"It was released from the source by {certificate}, and the mirror holds another content "
        f"than was proven then. Mirror: {_described(mirror)}; proven: {amount(size)}."
    )
    return Finding(
        mirror.path,
        Verdict.CORRUPT,
        Cause.ROT if mirror.size == size else Cause.ALTERED,
        Side.MIRROR,
        mirror.size,
        f"{seen} {more}".rstrip(),
        _ONLY_COPY,
    )


def _seen(row: Judged) -> str:
    judgement = row.judgement
    source, mirror = row.source, row.mirror
    if judgement.verdict in (Verdict.UNREADABLE, Verdict.UNSETTLED):
        return _trouble_seen(row)
    if judgement.cause == Cause.MOVED and row.other_path is not None:
        there = "on the mirror" if mirror is None else "on the source"
        return f"The same content stands {there} as {printable(row.other_path)}."
    if mirror is None and source is not None:
        return f"On the source only: {_described(source, row.dated.source)}."
    if source is None and mirror is not None:
        return f"On the mirror only: {_described(mirror, row.dated.mirror)}."
    assert source is not None and mirror is not None
    what = _CAUSE_SEEN[_cause(judgement)]
    if not row.dated.alike:
        what = _undated(row, what)
    seen = f"{what} Source: {_described(source, row.dated.source)}; mirror: "
    seen += f"{_described(mirror, row.dated.mirror)}."
    if row.other_path is not None:
        seen += " The two names differ in their Unicode form only."
    return seen


def _undated(row: Judged, what: str) -> str:
    """What was seen, where the dates of the two sides tell nothing of which is newer."""
    source, mirror = row.source, row.mirror
    assert source is not None and mirror is not None
    if row.judgement.cause == Cause.DIFFERS:
        return (
            "The contents differ, and the date of an upload does not tell which side is the newer "
            "one."
        )
    unread = source.digest is None or mirror.digest is None
    if row.judgement.verdict is Verdict.STALE and unread and source.size != mirror.size:
        return f"{SIZES_DIFFER} Not both were read, so only that is known."
    return what


def _cause(judgement: Judgement) -> tuple[str, Side | None]:
    cause = judgement.cause or ""
    exact = (cause, judgement.side)
    return exact if exact in _CAUSE_SEEN else (cause, None)


_CAUSE_SEEN: dict[tuple[str, Side | None], str] = {
    (Cause.KIND_CHANGED, None): "The two sides hold things of different kinds here.",
    (Cause.ROT, Side.MIRROR): "The mirror's content changed though its size and date did not.",
    (Cause.ROT, Side.SOURCE): "The source's content changed though its size and date did not.",
    (Cause.ROT, Side.BOTH): "The content is not what was agreed, though size and date are.",
    (Cause.OLDER_VERSION, None): "The mirror holds another version than the source.",
    (Cause.TRUNCATED, Side.MIRROR): "The mirror's file is cut short.",
    (Cause.TRUNCATED, Side.SOURCE): "The source's file is cut short, with its date kept.",
    (Cause.ALTERED, Side.MIRROR): "The mirror's content was changed; the copy job did not do it.",
    (Cause.ALTERED, Side.SOURCE): "The source's content was changed with its date kept.",
    (Cause.ALTERED, Side.BOTH): "The content is not what was agreed, with its date kept.",
    (Cause.DIFFERS, None): "The contents differ under equal dates.",
    (Cause.ZERO_FILLED, Side.MIRROR): "Where the two differ, the mirror holds only zero bytes.",
    (Cause.ZERO_FILLED, Side.SOURCE): "Where the two differ, the source holds only zero bytes.",
    (Cause.NEWER_ON_MIRROR, None): "The contents differ, and the mirror's date is the newer one.",
}


def _trouble_seen(row: Judged) -> str:
    said = [
        f"On the {side}: {sighting.trouble.detail}"
        for side, sighting in (("source", row.source), ("mirror", row.mirror))
        if sighting is not None and sighting.trouble is not None
    ]
    if row.below:
        where = "below it" if len(said) > 1 else "below it on the other side"
        said.append(f"{count(row.below, 'path')} {where} could not be judged.")
    return " ".join(said)


def _described(sighting: Sighting, dated: bool = True) -> str:
    date = _date(sighting.mtime_ns)
    if sighting.kind is Kind.LINK:
        return f"a link to {printable(sighting.target or b'')}"
    if sighting.kind is Kind.OTHER:
        return f"neither a file nor a link, dated {date}"
    return f"{amount(sighting.size)}, {'dated' if dated else 'uploaded'} {date}"


def _date(mtime_ns: int) -> str:
    """A date in this machine's time zone; file systems can hold some that no calendar has."""
    seconds = mtime_ns // 1_000_000_000
    try:
        return f"{datetime.fromtimestamp(seconds).astimezone():%Y-%m-%d %H:%M:%S}"
    except (OverflowError, ValueError, OSError):
        return f"{seconds:,} s from 1970"


def _damage(row: Judged, damage: Damage | None) -> str:
    if damage is not None:
        sentence = damage.sentence
        if row.judgement.side is not Side.MIRROR:
            # The mirror holds what it should, or nobody knows: its end is not what is missing.
            sentence = sentence.removesuffix(INTERRUPTED)
        return f"{sentence[:1].upper()}{sentence[1:]}."
    source, mirror = row.source, row.mirror
    if source is None or mirror is None or row.judgement.verdict is not Verdict.CORRUPT:
        return ""
    pairs = list(zip(source.fingerprints, mirror.fingerprints, strict=False))
    differing = [number for number, (one, other) in enumerate(pairs) if one != other]
    if not differing:
        return ""
    return (
        f"By fingerprint, {count(len(differing), 'segment')} of {len(pairs):,} differ, the first "
        f"at byte {differing[0] * SEGMENT:,}."
    )
