"""What it all comes to, as one sentence, as lines for a terminal, and as a document.

Silence must never look like all good: what is not known is said in the first sentence.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from datetime import tzinfo
from typing import Any, Final

import msgspec

from verifier.findings import Action
from verifier.jobs.doubts import Doubt, DoubtKind
from verifier.jobs.report import PlaceReport, Report, State
from verifier.ledger.values import PlaceName
from verifier.measures import amount, count, listing
from verifier.model import Verdict
from verifier.reporting.calendar_words import moment, short_moment
from verifier.reporting.documents import budget, stamp
from verifier.reporting.text import wrapped
from verifier.sending import NOT_CALLED

SCHEMA: Final = "verifier.report.v1"

ACTION_NAMES: Final = {
    Action.SAVE_THE_LAST_COPY: "save-the-last-copy",
    Action.HOLD_THE_MIRROR_RUN: "hold-the-mirror-run",
    Action.DECIDE_WHICH_SIDE: "decide-which-side",
    Action.CHECK_THE_HARDWARE: "check-the-hardware",
    Action.MEND_THE_MIRROR: "mend-the-mirror",
    Action.COPY: "copy",
    Action.DECIDE_TO_KEEP: "decide-to-keep",
    Action.MOVED: "moved",
    Action.LOOK_AGAIN: "look-again",
}
"""How documents and the page's address call each action."""

_IN_SHORT: Final = {
    Action.SAVE_THE_LAST_COPY: ("may be the last copy", "may be last copies"),
    Action.HOLD_THE_MIRROR_RUN: ("puts the source in doubt", "put the source in doubt"),
    Action.DECIDE_WHICH_SIDE: ("has no known right side", "have no known right side"),
    Action.CHECK_THE_HARDWARE: ("could not be read", "could not be read"),
    Action.MEND_THE_MIRROR: ("is damaged on the mirror only", "are damaged on the mirror only"),
    Action.COPY: ("waits for the copy job", "wait for the copy job"),
    Action.DECIDE_TO_KEEP: ("stands on the mirror only", "stand on the mirror only"),
    Action.MOVED: ("was moved", "were moved"),
    Action.LOOK_AGAIN: ("is still being written", "are still being written"),
}

NOT_KNOWN: Final = "Not known to be good"
SAYS_NOTHING: Final = "No finding is open, but that says nothing of what was not read."
AS_FAR_AS_READ: Final = "as far as all is read"
"""What the page and the messages both say where not everything is known, in the same words."""

URGENT: Final = frozenset({Action.SAVE_THE_LAST_COPY, Action.HOLD_THE_MIRROR_RUN})
"""What must be seen to before the next mirror run."""


def headline(report: Report) -> str:
    """The whole in one sentence."""
    zone = report.settings.hours.zone
    if report.state is State.ALL_GOOD:
        assert report.as_of is not None
        return f"All good as of {moment(report.as_of, zone)}{_but_for(report)}."
    if report.surges:
        where = listing(sorted({each.place.share for each in report.surges}))
        found = f", and {count(report.open, 'finding')} more" if report.open else ""
        return f"Pause the copy job: too much changed at once on {where}{found}."
    if report.open:
        said = f"{count(report.open, 'finding')} {'needs' if report.open == 1 else 'need'} you"
        urgent = sum(group.count for group in report.groups if group.action in URGENT)
        if urgent:
            which = "" if urgent == report.open else f", {urgent:,} of them"
            said += f"{which} before the next mirror run"
        return f"{said}."
    if report.all_seen:
        assert report.as_of is not None
        messages = any(not each.heartbeat for each in report.doubts)
        what = "Messages could not be delivered" if messages else "The heartbeat is not heard"
        as_of = moment(report.as_of, zone)
        return f"{what}; the copies were in order as of {as_of}{_but_for(report)}."
    return f"{NOT_KNOWN}: {doubt(report.doubts[0], zone)}"


def lead(report: Report) -> str:
    """What stands behind the sentence, in one more."""
    if report.state is State.NEEDS_YOU and report.groups:
        parts = [
            f"{group.count:,} {_IN_SHORT[group.action][group.count > 1]}" for group in report.groups
        ]
        said = f"{listing(parts)}."
        if report.accepted:
            said += f" {count(report.accepted, 'more finding')} {_was(report.accepted)} accepted."
        return said
    if not report.all_seen or report.surges:
        return SAYS_NOTHING
    them = "it" if report.files == 1 else "them"
    unread = [
        each.name
        for each in report.places
        if each.audit.only_listed or each.audit.only_in_part or each.audit.unreadable
    ]
    besides = f", but for {listing([_place(each) for each in unread])}," if unread else ""
    said = (
        f"{count(report.files, 'file')}, {amount(report.bytes)} in all, and every copy of {them}"
        f"{besides} were read in full. Nothing was found that needs you"
    )
    pending = waiting(report)
    if pending:
        said += f"; {count(pending, 'path')} {_wait(pending)} for the next mirror run"
    hidden = _hidden(report)
    if hidden:
        said += f"; {count(hidden, 'path')} cannot be seen below a folder that could not be listed"
    if report.accepted:
        said += f"; {count(report.accepted, 'finding')} {_was(report.accepted)} accepted"
    return f"{said}."


def _but_for(report: Report) -> str:
    """Where not all was read, and somebody meant or accepted that: it is not known to be good."""
    listed = [each.name for each in report.places if each.audit.only_listed]
    in_part = [each.name for each in report.places if each.audit.only_in_part]
    said = not_all_read(
        listed, in_part, [each.name for each in report.places if each.audit.unreadable]
    )
    return f", {AS_FAR_AS_READ}: {said}" if said else ""


def not_all_read(
    listed: Iterable[PlaceName], in_part: Iterable[PlaceName], unreadable: Iterable[PlaceName]
) -> str:
    """Where not all is read, as was meant or accepted, as a part of a sentence; "" for nowhere."""
    said = []
    for names, how in (
        (listed, "only listed"),
        (in_part, "read in part, by its budget"),
        (unreadable, "not readable in full, which was accepted"),
    ):
        if places := [_place(each) for each in names]:
            said.append(f"{listing(places)} {'is' if len(places) == 1 else 'are'} {how}")
    return "; ".join(said)


def waiting(report: Report) -> int:
    """Paths that are not copied yet, and not due."""
    return sum(tally(each, Verdict.PENDING) or 0 for each in report.places)


def _hidden(report: Report) -> int:
    """Paths below folders that could not be listed, where nothing else keeps any unread."""
    if not any(each.audit.unreadable for each in report.places):
        return 0
    return sum(
        tally(each, Verdict.UNREAD) or 0
        for each in report.places
        if not each.audit.only_listed and not each.audit.only_in_part
    )


def tally(place: PlaceReport, verdict: Verdict) -> int | None:
    """How many paths of a mirror have a verdict; None where that was not counted."""
    if place.tallies is None:
        return None
    return place.tallies[verdict].paths if verdict in place.tallies else 0


def believable(report: Report) -> str:
    """Until when the report can be believed, in words that hold without any script."""
    zone = report.settings.hours.zone
    said = f"Written {moment(report.written, zone)}."
    if report.expected.by is None:
        return (
            f"{said} The working hours leave no night to read in, so no later report is due: what "
            "is said here was so then, and nothing tells what has become of it."
        )
    return (
        f"{said} The next one is due by {moment(report.expected.by, zone)}. If you read this "
        "later than that, the checking has stopped, and nothing said here can be relied upon."
    )


def doubt(each: Doubt, zone: tzinfo) -> str:
    """One reason for which not everything is known, as a sentence that may follow a colon."""
    where = _place(each.place)
    when = "" if each.at is None else short_moment(each.at, zone)
    match each.what:
        case DoubtKind.NOTHING_READ:
            return "no shift has come to its end yet."
        case DoubtKind.NO_FILES if each.place is not None:
            return (
                f"{where} holds no file at all and never did; see whether it is mounted before "
                "you act on what is said of its files."
            )
        case DoubtKind.NO_FILES:
            return "there is not one file on any place; see whether they are mounted."
        case DoubtKind.MISSED if each.number == 1:
            return f"no shift ran in the night that was open from {when}{_none_since(each, zone)}."
        case DoubtKind.MISSED:
            nights = f"{each.number:,} nights, the first of them open from {when}"
            return f"no shift ran in {nights}{_none_since(each, zone)}."
        case DoubtKind.UNFINISHED:
            return (
                f"the shift of {when} did not come to its end: as far as can be told it was cut "
                "off."
            )
        case DoubtKind.RUNNING:
            return f"a shift has been running since {when}, and has not come to its end yet."
        case DoubtKind.STOPPED:
            return f"the last shift was stopped before its end ({when})."
        case DoubtKind.UNMOUNTED:
            return f"nothing of {where} was looked at, which looks unmounted or emptied."
        case DoubtKind.NOT_REACHED if each.at is None:
            return f"no shift has looked through {where} yet."
        case DoubtKind.NOT_REACHED:
            return f"the last shift did not look through {where}, last seen {when}."
        case DoubtKind.STOPPED_ANSWERING:
            return f"{where} stopped answering during the last shift ({when})."
        case DoubtKind.SUSPECTED:
            return (
                f"{count(each.number, 'path')} {'looks' if each.number == 1 else 'look'} damaged "
                f"and {_wait(each.number)} for a second reading."
            )
        case DoubtKind.UNREAD:
            return (
                f"{count(each.number, 'file')} ({amount(each.bytes)}) on {where} "
                f"{'has' if each.number == 1 else 'have'} not been read as "
                f"{'it is' if each.number == 1 else 'they are'} now."
            )
        case DoubtKind.CLOCK:
            return (
                f"{where} was last read {when} by the record, which is later than now: the clock "
                "of this machine was or is wrong. Check it; until then no file is read again "
                "there for the audit."
            )
        case DoubtKind.OVERDUE:
            return f"some of {where} was not read within the time that the settings ask for."
        case DoubtKind.UNDELIVERED:
            return _undelivered(each, when)


def _none_since(each: Doubt, zone: tzinfo) -> str:
    return "" if each.since is None else f": no shift has run since {moment(each.since, zone)}"


def doubt_in_full(each: Doubt, zone: tzinfo) -> str:
    """The same for a list, with what was seen of it and what to do."""
    said = doubt(each, zone)
    if each.what is not DoubtKind.UNDELIVERED and each.detail:
        said += f" {each.detail}"
    return f"{said[:1].upper()}{said[1:]}"


def _undelivered(each: Doubt, since: str) -> str:
    why = f": {each.detail.rstrip('.')}" if each.detail else ""
    if each.heartbeat:
        times = "once" if each.number == 1 else f"{each.number:,} times"
        said = f"the {each.to} was not heard, {times} since {since}{why}."
        if each.detail != NOT_CALLED:
            said += " See that its address is right and answers."
        return f"{said} Whoever watches it may take this machine for dead."
    return (
        f"{count(each.number, 'message')} could not be delivered: to {each.to}, since {since}"
        f"{why}. Mend that, then try it with: verifier notify --test."
    )


def text(report: Report, page: str | None) -> Iterator[str]:
    """For a terminal: the sentence, why, and where the page is."""
    zone = report.settings.hours.zone
    yield from wrapped(headline(report), "")
    yield from wrapped(lead(report), "")
    for each in report.doubts:
        yield from wrapped(doubt_in_full(each, zone), "  ")
    for notice in report.surges:
        yield from wrapped(notice.detail, "  ")
    if page is not None:
        yield f"The page: {page}"


def document(report: Report, page: str | None) -> bytes:
    """The JSON document."""
    zone = report.settings.hours.zone
    plan = report.plan
    by = report.expected.by
    return (
        msgspec.json.encode(
            {
                "schema": SCHEMA,
                "written": stamp(report.written, zone),
                "state": report.state,
                "sentence": headline(report),
                "as_of": None if report.as_of is None else stamp(report.as_of, zone),
                "next_by": None if by is None else stamp(by, zone),
                "missed": [each.day.isoformat() for each in report.expected.lately.nights],
                "doubts": [_doubt(each, zone) for each in report.doubts],
                "surges": [
                    {"share": each.place.share, "detail": each.detail} for each in report.surges
                ],
                "findings": {
                    "open": report.open,
                    "accepted": report.accepted,
                    "actions": [
                        {
                            "action": ACTION_NAMES[group.action],
                            "findings": group.count,
                            "bytes": group.bytes,
                            "oldest": stamp(group.oldest, zone),
                        }
                        for group in report.groups
                    ],
                },
                "places": [_place_document(each, zone) for each in report.places],
                "next_shift": {
                    "starts": stamp(plan.starts, zone),
                    "bell": None if plan.bell is None else stamp(plan.bell, zone),
                    "ends": None if plan.ends is None else stamp(plan.ends, zone),
                    "files": sum(
                        each.new.files + each.audit.files for each in plan.places if each.bytes
                    ),
                    "bytes": sum(each.bytes for each in plan.places),
                },
                "page": page,
            }
        )
        + b"\n"
    )


def _doubt(each: Doubt, zone: tzinfo) -> dict[str, Any]:
    said: dict[str, Any] = {"what": each.what, "detail": doubt_in_full(each, zone)}
    if each.place is not None:
        said |= {"share": each.place.share, "place": each.place.place}
    return said


def _place_document(each: PlaceReport, zone: tzinfo) -> dict[str, Any]:
    found, room = each.audit, each.room
    return {
        "share": each.name.share,
        "place": each.name.place,
        "files": found.files if found.known else None,
        "bytes": found.bytes if found.known else None,
        "unread": {"files": found.unread_files, "bytes": found.unread_bytes},
        "verdicts": None
        if each.tallies is None
        else {str(verdict): tallied.paths for verdict, tallied in each.tallies.items()},
        "walked": None if each.walked is None else stamp(each.walked, zone),
        "last_read": None if each.read is None else stamp(each.read, zone),
        "oldest_read": None if found.oldest_read is None else stamp(found.oldest_read, zone),
        "round": None if found.round is None else found.round.number,
        "round_ends": None if found.round_ends is None else stamp(found.round_ends, zone),
        "on_target": found.on_target,
        **({} if found.budget is None else {"budget": budget(found.budget)}),
        "growth_per_day": None if each.growth is None else round(each.growth),
        "free": None if room is None else room.free,
        "full": None if room is None or room.runs_out is None else _full(room.runs_out, zone),
    }


_NEVER_MIND: Final = 4_000_000_000
"""Room that lasts until the year 2096 does not run out in any way that helps a person."""


def _full(runs_out: float, zone: tzinfo) -> str | None:
    return stamp(runs_out, zone) if runs_out < _NEVER_MIND else None


def _place(name: PlaceName | None) -> str:
    if name is None:
        return "all places"
    return f"the source of {name.share}" if name.is_source else f"{name.share} on {name.place}"


def _was(number: int) -> str:
    return "was" if number == 1 else "were"


def _wait(number: int) -> str:
    return "waits" if number == 1 else "wait"
