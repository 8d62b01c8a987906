"""How far the audit is, as a document and in words: first whether every byte is within the target.

It reads no clock and no ledger.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from datetime import datetime, tzinfo
from typing import Any, Final

import msgspec

from verifier.hours import DAYS, days_in_words
from verifier.jobs.audit import AGES, Audit, PlaceAudit
from verifier.jobs.spending import Budget, days_for
from verifier.measures import amount, count, duration
from verifier.reporting.documents import budget, stamp
from verifier.reporting.text import wrapped
from verifier.settings import duration_in_words

SCHEMA: Final = "verifier.audit.v1"

_DAY: Final = 86_400
_BAR: Final = 24

_AGES_IN_WORDS: Final = dict(
    zip(
        (*AGES, None),
        ("under a week", "under a month", "under 3 months", "under a year", "a year or more"),
        strict=True,
    )
)
_NEVER: Final = "never, as it is"


def document(found: Audit, zone: tzinfo) -> bytes:
    """The JSON document."""
    return (
        msgspec.json.encode(
            {"schema": SCHEMA, "places": [_place(found, each, zone) for each in found.places]}
        )
        + b"\n"
    )


def _place(found: Audit, each: PlaceAudit, zone: tzinfo) -> dict[str, Any]:
    days = found.every_byte_within.total_seconds() / _DAY
    return {
        "share": each.place.share,
        "place": each.place.place,
        "round": None if each.round is None else each.round.number,
        "files": each.files if each.known else None,
        "bytes": each.bytes if each.known else None,
        "bytes_this_round": None if each.round is None else each.bytes_this_round,
        "oldest_read": None if each.oldest_read is None else stamp(each.oldest_read, zone),
        "bytes_per_second": None if each.pace is None else round(each.pace.bytes_per_second),
        "hours_per_week": round(each.hours_a_week, 2),
        "round_ends": None if each.round_ends is None else stamp(each.round_ends, zone),
        "target_days": int(days) if days == int(days) else round(days, 3),
        "on_target": each.on_target,
        **({} if each.budget is None else {"budget": budget(each.budget)}),
    }


def text(found: Audit, zone: tzinfo, silence: str | None = None) -> Iterator[str]:
    """The same for people, line by line; ``silence`` says first that no shift has run any more."""
    if silence is not None:
        yield from wrapped(silence, "")
        yield ""
    yield from wrapped(headline(found), "")
    for each in found.places:
        yield ""
        yield f"{each.place}: {_state(each)}"
        if not each.known:
            yield from wrapped("No shift has looked through it yet.", "  ")
            continue
        if each.only_listed:
            yield from _listed(found, each, zone)
            continue
        yield from wrapped(_round(each, zone), "  ")
        yield from wrapped(_oldest(found, each, zone), "  ")
        yield from _histogram(each)
        yield from wrapped(_pace(found, each), "  ")
        yield from wrapped(_ends(each, zone), "  ")
        for sentence in _to_do(found, each):
            yield from wrapped(sentence, "  ")


def _listed(found: Audit, each: PlaceAudit, zone: tzinfo) -> Iterator[str]:
    """A place that no shift reads."""
    assert each.budget is not None
    sentence = (
        f"It holds {count(each.files, 'file')} of {amount(each.bytes)}. Shifts only list it, since "
        "reading costs; spot-checks and clearances read it. To have shifts read it, set "
        f'read_at_most, such as "200 GB a month". {_spent(each.budget)}'
    )
    yield from wrapped(sentence, "  ")
    if each.oldest_read is not None:
        yield from wrapped(_oldest(found, each, zone), "  ")
    yield from _histogram(each)


def _spent(each: Budget) -> str:
    if each.limit is None:
        return f"{amount(each.spent)} were read in {each.month}."
    return (
        f"Of {amount(each.limit)} a month that shifts may read, {amount(each.spent)} were read in "
        f"{each.month}, and {amount(each.left)} are left."
    )


def headline(found: Audit) -> str:
    """Whether every byte is within the target, in one sentence, and where no byte is read."""
    listed = [each for each in found.places if each.only_listed]
    said = _headline(found)
    if listed and found.known:
        names = ", ".join(str(each.place) for each in listed)
        verb = "is" if len(listed) == 1 else "are"
        said += f" That says nothing of {names}, which {verb} only listed."
    return said


def _headline(found: Audit) -> str:
    within = duration_in_words(found.every_byte_within)
    read = [each for each in found.places if not each.only_listed]
    places = len(read)
    if not found.known:
        return "Nothing is known yet: no shift has looked through any place. Run `verifier shift`."
    off = [each for each in read if each.on_target is False]
    if off:
        verb = "is" if len(off) == 1 else "are"
        return (
            f"Not every byte is within the target of {within}: "
            f"{len(off)} of {count(places, 'place')} {verb} not on target."
        )
    ahead = sum(each.on_target is None and each.dated_ahead for each in read)
    if ahead:
        return (
            f"Whether every byte is within the target of {within} is not known: readings of "
            f"{ahead} of {count(places, 'place')} are dated later than now, by a clock that was "
            "wrong. The next shifts read them again."
        )
    unknown = sum(each.on_target is None for each in read)
    if unknown:
        verb = "was" if unknown == 1 else "were"
        return (
            f"Whether every byte is within the target of {within} is not known yet: "
            f"{unknown} of {count(places, 'place')} {verb} not read so far."
        )
    if not any(each.files for each in read):
        return "There is not one file to read: check that every place is mounted."
    unread = sum(each.unread_files for each in read)
    if unread:
        verb = "waits" if unread == 1 else "wait"
        return (
            f"Every byte is within the target of {within}, and can stay so; "
            f"{count(unread, 'new or changed file')} {verb} for a first reading."
        )
    return f"Every byte was read within the target of {within}, and that can stay so."


def _state(each: PlaceAudit) -> str:
    if each.only_listed:
        return "only listed"
    if each.on_target is None:
        return "not known yet"
    return "on target" if each.on_target else "not on target"


def _round(each: PlaceAudit, zone: tzinfo) -> str:
    if each.round is None:
        return "No round has begun yet."
    by_bytes = _percent(each.bytes_this_round, each.bytes)
    by_files = _percent(each.files_this_round, each.files)
    return (
        f"Round {each.round.number}, begun on {_when(each.round.started, zone)}: {by_bytes} of the "
        f"bytes ({amount(each.bytes_this_round)} of {amount(each.bytes)}) and {by_files} of the "
        f"files ({each.files_this_round:,} of {each.files:,}) are done."
    )


def _percent(part: int, whole: int) -> str:
    """A share; only what is whole is called 100 %, and only nothing 0 %."""
    if not whole or part == whole:
        return "all"
    if not part:
        return "none"
    percent = 100 * part / whole
    return f"{min(99.9, max(0.1, percent)):.1f} %" if not 1 < percent < 99 else f"{percent:.0f} %"


def _oldest(found: Audit, each: PlaceAudit, zone: tzinfo) -> str:
    if each.oldest_read is None:
        return "No file that stands there was read yet."
    age = found.now - each.oldest_read
    if age < 0:
        return f"Every reading is dated later than now: the oldest {_when(each.oldest_read, zone)}."
    return (
        f"The longest unread file was read {duration(age)} ago, on {_when(each.oldest_read, zone)}."
    )


def _histogram(each: PlaceAudit) -> Iterator[str]:
    """Bytes and files by the age of their last reading; empty groups at the old end left out."""
    groups = [(_AGES_IN_WORDS[group.under], group.files, group.bytes) for group in each.ages]
    while groups and not groups[-1][1]:
        groups.pop()
    if each.unread_files or not groups:
        groups.append((_NEVER, each.unread_files, each.unread_bytes))
    yield "  Last read:"
    for name, files, size in groups:
        part, whole = (size, each.bytes) if each.bytes else (files, each.files)
        bar = "#" * (-(-_BAR * part // whole) if whole else 0)
        yield f"    {name:<16}{amount(size):>10}  {count(files, 'file'):>16}  {bar}".rstrip()


def _pace(found: Audit, each: PlaceAudit) -> str:
    nights = (
        "every night"
        if len(found.nights) == len(DAYS)
        else f"the nights of {days_in_words(found.nights)}"
    )
    open_hours = f"{_hours(each.hours_a_week)} a week are open, counting {nights}."
    if each.pace is None:
        return f"Its pace is not known before a shift that read of it has ended. {open_hours}"
    rate = amount(round(each.pace.bytes_per_second))
    if each.pace.seconds is None:
        return (
            f"Read at {rate}/s or faster, by the length of whole shifts; shifts to come measure it "
            f"better. {open_hours}"
        )
    return (
        f"Read at {rate}/s while it is being read, over the last {duration(each.pace.seconds)} of "
        f"that. {open_hours}"
    )


def _ends(each: PlaceAudit, zone: tzinfo) -> str:
    if each.round is None:
        return "When a round will end is not known yet."
    if each.round.ended is not None:
        return (
            f"The round ended on {_when(each.round.ended, zone)}; the next one begins with the "
            "first shift of an audit night."
        )
    if not each.unread_files and each.files_this_round == each.files:
        return "Nothing is left of the round; the next shift closes it."
    if each.round_ends is not None:
        return f"At this pace the round ends on {_when(each.round_ends, zone)}."
    if each.pace is None:
        return "When the round will end is not known yet."
    return "In the hours that are open the round does not end within ten years."


def _to_do(found: Audit, each: PlaceAudit) -> Iterator[str]:
    """Why a place is not on target, and what would make it so."""
    within = duration_in_words(found.every_byte_within)
    if each.unreadable:
        verb = "says" if each.unreadable == 1 else "say"
        yield (
            f"{count(each.unreadable, 'open or accepted finding')} {verb} that something could not "
            "be read: "
            f"`verifier findings --share {each.place.share}` lists what to do."
        )
    if each.late:
        yield f"Some of it was not read for more than {within}."
    if each.budget is not None:
        yield from _afford(found, each, each.budget)
    if each.target is None:
        return
    if each.target.met:
        if each.late:
            yield "The hours that are open are enough to catch up, if shifts use them."
        return
    assert each.target.needed is None or each.pace is not None
    ways = []
    if missing := each.target.hours_a_week_missing:
        ways.append(f"open {_hours(missing)} a week more (audit.nights, hours)")
    if faster := each.target.bytes_per_second_needed:
        now = "" if each.pace is None else f" in place of {_rate(each.pace.bytes_per_second)}"
        ways.append(f"read at {_rate(faster)}{now}")
    ways.append("allow more time (audit.every_byte_within)")
    said = " or ".join([", ".join(ways[:-1]), ways[-1]]) if ways[:-1] else ways[-1]
    yield f"All of it cannot be read within {within}. To have it so, {said}."


def _afford(found: Audit, each: PlaceAudit, budget: Budget) -> Iterator[str]:
    """What a budget allows."""
    days = each.budget_days
    if days is None or not each.bytes:
        yield _spent(budget)
        return
    if each.too_large:
        verb = "is" if each.too_large == 1 else "are"
        yield (
            f"{_spent(budget)} {count(each.too_large, 'file')} {verb} larger than a month's "
            "budget, and never read."
        )
    else:
        yield f"{_spent(budget)} At that, all of it is read once in {duration(days * _DAY)}."
    if not each.affordable:
        within = duration_in_words(found.every_byte_within)
        needed = days_for(each.bytes, 1) / (found.every_byte_within.total_seconds() / _DAY)
        needed = max(needed, each.largest)
        more = f"let {amount(math.ceil(needed))} a month be read (read_at_most)"
        if each.too_large:
            yield f"To have every byte read within {within}, {more}."
            return
        yield (
            f"That is more than {within}. To have every byte read within that, {more}, or allow "
            "more time (audit.every_byte_within)."
        )


def _rate(bytes_per_second: float) -> str:
    return f"{amount(round(bytes_per_second))}/s"


def _hours(number: float) -> str:
    """Hours of a week, as exactly as a person plans."""
    if number >= 10:
        return f"{number:.0f} h"
    return duration(number * 3600) if number * 60 >= 1 else "under a minute"


def _when(at: float, zone: tzinfo) -> str:
    moment = datetime.fromtimestamp(int(at), zone)
    return f"{DAYS[moment.weekday()]} {moment:%Y-%m-%d %H:%M}"
