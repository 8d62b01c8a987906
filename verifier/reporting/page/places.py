"""The table of places: what each holds, how it stands, and when it was read."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import datetime, tzinfo
from typing import Final

from msgspec import Struct

from verifier.jobs.doubts import DoubtKind
from verifier.jobs.report import PlaceReport, Report
from verifier.measures import amount, count, duration
from verifier.model import Verdict
from verifier.reporting.calendar_words import short, short_moment
from verifier.reporting.page.pictures import month_of, place_in_sentence
from verifier.reporting.report import tally
from verifier.settings import duration_in_words

Cell = tuple[str, str, bool]
"""What it says, in smaller letters what belongs to it, and whether it is a reason to look."""

_NOTHING: Cell = ("", "", False)


class PlaceRow(Struct, frozen=True):
    """One line of the table, with the label of each of its cells."""

    name: str
    remark: str
    cells: tuple[tuple[str, Cell], ...]


class ShareRows(Struct, frozen=True):
    """A share with its places, the source first."""

    name: str
    places: tuple[PlaceRow, ...]


def by_share(report: Report) -> list[ShareRows]:
    """The whole table."""
    zone = report.settings.hours.zone
    return [
        ShareRows(
            share.name,
            tuple(
                _row(each, report, zone) for each in report.places if each.name.share == share.name
            ),
        )
        for share in report.settings.shares
    ]


SOON: Final = 180 * 86_400
"""Seconds ahead within which a disk that fills up is spoken of: to buy and fill one takes long."""


def remarks(report: Report) -> Iterator[str]:
    """What will need somebody, however well all stands today."""
    yield from _before(report)
    within = duration_in_words(report.settings.audit.every_byte_within)
    for each in report.places:
        place = place_in_sentence(each.name)
        change, room, target = each.pace_change, each.room, each.audit.target
        if change is not None and change.before is not None and change.fallen:
            yield (
                f"reading {place} has become slow, {amount(round(change.lately))}/s after "
                f"{amount(round(change.before))}/s before: have its disks checked."
            )
        ends = None if room is None else room.runs_out
        if room is not None and ends is not None and ends < report.written + SOON:
            yield (
                f"the disk of {place} has {amount(room.free)} left, and is full around "
                f"{month_of(ends)} if it goes on like this."
            )
        if each.audit.only_listed:
            yield (
                f"no shift reads {place}, where reading costs: of what it holds only names and "
                f"sizes are known. verifier spot-check {each.name.share} reads a sample."
            )
        days, budget = each.audit.budget_days, each.audit.budget
        if each.audit.too_large and budget is not None and budget.limit is not None:
            verb = "is" if each.audit.too_large == 1 else "are"
            yield (
                f"of {place}, {count(each.audit.too_large, 'file')} {verb} larger than the "
                f"{amount(budget.limit)} that may be read there in a month, so that no shift "
                "ever reads them: raise read_at_most."
            )
        elif days is not None and not each.audit.affordable:
            yield (
                f"the budget for {place} lets all of it be read once in "
                f"{duration(days * 86_400)}, and {within} are asked for."
            )
        if target is not None and not target.met:
            yield (
                f"all of {place} cannot be read within {within} in the hours that are open; "
                f"verifier audit {each.name.share} says what it would take."
            )


def _before(report: Report) -> Iterator[str]:
    """What did not happen as expected before the last shift, as the message after it says too."""
    nights, unfinished = report.before.nights, report.before.unfinished
    zone = report.settings.hours.zone
    if nights:
        days = ", ".join(short(each.day) for each in nights[-NIGHTS_SHOWN:])
        more = f" and {len(nights) - NIGHTS_SHOWN:,} before" if len(nights) > NIGHTS_SHOWN else ""
        yield (
            f"no shift ran in {count(len(nights), 'night')} in which one was expected, before the "
            f"last one: {days}{more}. See why."
        )
    for started in unfinished[-NIGHTS_SHOWN:]:
        yield (
            f"the shift of {short_moment(started, zone)} was cut off or stopped. What it recorded "
            "is kept, and the last one went on from there."
        )


NIGHTS_SHOWN: Final = 7
"""Nights that are named; of more the latest are."""


def _row(each: PlaceReport, report: Report, zone: tzinfo) -> PlaceRow:
    found = each.audit
    name = "source" if each.name.is_source else each.name.place
    remark = "off site" if each.off_site else ""
    if not found.known:
        cells = (("Holds", ("not looked through yet", "", True)),)
        labels = ("Matched", "Looked through", "Oldest reading", "Round")
        return PlaceRow(name, remark, (*cells, *((label, _NOTHING) for label in labels)))
    return PlaceRow(
        name,
        remark,
        (
            ("Holds", (count(found.files, "file"), _size(found.bytes), False)),
            ("Matched", _matched(each)),
            ("Looked through", _seen(each, report, zone)),
            ("Oldest reading", _oldest(each, report, zone)),
            ("Round", _round(each, zone)),
        ),
    )


def _matched(each: PlaceReport) -> Cell:
    if each.name.is_source:
        return _NOTHING
    matched, pending = tally(each, Verdict.MATCHED), tally(each, Verdict.PENDING)
    if matched is None:
        return "not counted yet", "", False
    unread = tally(each, Verdict.UNREAD)
    besides = f", {unread:,} unread" if unread else ""
    return count(matched, "path"), f"{pending or 0:,} pending{besides}", False


def _seen(each: PlaceReport, report: Report, zone: tzinfo) -> Cell:
    walked = "never" if each.walked is None else short_moment(each.walked, zone)
    read = "nothing read yet" if each.read is None else f"read {short_moment(each.read, zone)}"
    for doubt in report.doubts:
        if doubt.place == each.name and doubt.what in _NOT_SEEN:
            return walked, f"{_NOT_SEEN[doubt.what]}; {read}", True
    return walked, read, False


_NOT_SEEN: Final = {
    DoubtKind.NOT_REACHED: "not in the last shift",
    DoubtKind.STOPPED_ANSWERING: "stopped answering",
    DoubtKind.UNMOUNTED: "not in the last shift",
}


def _oldest(each: PlaceReport, report: Report, zone: tzinfo) -> Cell:
    found = each.audit
    unread = f"{count(found.unread_files, 'file')} not read yet" if found.unread_files else ""
    if found.oldest_read is None:
        return "none", unread, bool(unread) and found.budget is None
    days = int((report.written - found.oldest_read) // 86_400)
    age = f"{count(days, 'day')} ago" if days else "within a day"
    age += ", too long" if found.late else ""
    if unread:
        age = f"{age}; {unread}" if found.late else unread
    return _date(found.oldest_read, zone), age, found.late


def _round(each: PlaceReport, zone: tzinfo) -> Cell:
    found = each.audit
    if found.budget is not None and found.only_listed:
        return "only listed", f"{_size(found.budget.spent)} read in {found.budget.month}", False
    if found.round is None:
        return "none yet", "", False
    if found.round.ended is not None:
        return f"{found.round.number}", f"ended {short_moment(found.round.ended, zone)}", False
    done = 100 * found.bytes_this_round // max(1, found.bytes)
    if found.bytes_this_round >= found.bytes:
        done = 100
    ends = "end not known yet"
    if found.too_large:
        ends = "cannot end"
    elif found.round_ends is not None:
        ends = f"ends {_date(found.round_ends, zone)}"
    elif found.pace is not None:
        ends = "does not end in ten years"
    if found.budget is not None:
        ends += f"; {_size(found.budget.left)} left of this month's budget"
    if found.on_target is False:
        ends += ", behind target"
    return f"{found.round.number}, {done} % done", ends, found.on_target is False


def _size(size: int) -> str:
    """An amount that no line's end parts from its unit."""
    return amount(size).replace(" ", "\N{NO-BREAK SPACE}")


def _date(at: float, zone: tzinfo) -> str:
    return short(datetime.fromtimestamp(at, zone).date())
