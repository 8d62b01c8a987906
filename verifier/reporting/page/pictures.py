"""The page's pictures: each has a sentence that says what it shows, and its figures as a table.

Drawn twice, for a wide column and for a phone.  They read no clock and no ledger.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Sequence
from datetime import date, timedelta
from statistics import median
from typing import Final

from markupsafe import Markup

from verifier.jobs.audit import AGES
from verifier.jobs.report import PlaceReport, Report, nights_missed
from verifier.ledger.values import PlaceName
from verifier.measures import amount, count, listing
from verifier.model import QUIET, Verdict
from verifier.reporting.calendar_words import MONTHS, in_full, month, short
from verifier.reporting.page.drawing import (
    NARROW,
    WIDE,
    Picture,
    bars,
    cross,
    dot,
    dots,
    fitted,
    length,
    line,
    path,
    rect,
    svg,
    words,
)

_DAY: Final = 86_400

_AGE_NAMES: Final = (
    "Within a week",
    "A month",
    "3 months",
    "A year",
    "Longer ago",
    "Never as it is",
)
_AGES_IN_SHORT: Final = ("a week", "a month", "3 months", "a year", "longer", "never")

assert len(_AGE_NAMES) == len(AGES) + 2


def pictures(report: Report) -> list[Picture]:
    """Those that there is something to draw for."""
    drawn = (ages(report), nights(report), paces(report), growth(report), verdicts(report))
    return [each for each in drawn if each is not None]


def place_in_words(name: PlaceName) -> str:
    """A place as pictures and tables name it."""
    return f"{name.share}, {name.place}"


def place_in_sentence(name: PlaceName) -> str:
    """A place as sentences name it."""
    return f"the source of {name.share}" if name.is_source else f"{name.share} on {name.place}"


Draw = Callable[[float], tuple[float, Iterator[str]]]


def _twice(draw: Draw, label: str) -> tuple[Markup, Markup]:
    """A drawing for a wide column, and one for a phone; ``draw`` gives its height and shapes."""
    wide_height, wide = draw(WIDE)
    narrow_height, narrow = draw(NARROW)
    return (
        svg(WIDE, wide_height, wide, label, "wide"),
        svg(NARROW, narrow_height, narrow, label, "narrow"),
    )


# ------------------------------------------------------------------------- the age of the readings


def ages(report: Report) -> Picture | None:
    """How long ago each byte was last read: one bar a place, from the youngest to the oldest."""
    places = [each for each in report.places if each.audit.known and each.audit.bytes]
    if not places:
        return None
    parts = {each.name: _by_age(each) for each in places}

    def draw(width: float) -> tuple[float, Iterator[str]]:
        return 54 * len(places) + 4, _age_bars(places, parts, width)

    total = sum(each.audit.bytes for each in places)
    old = sum(sum(parts[each.name][3:5]) for each in places)
    never = sum(parts[each.name][5] for each in places)
    fresh = sum(sum(parts[each.name][:3]) for each in places)
    title = f"{_percent(fresh, total)} of all bytes were read within the last three months"
    if never:
        title += f"; {amount(never)} not yet as they are now"
    elif old:
        title += f"; {amount(old)} longer ago"
    wide, narrow = _twice(draw, f"{title}. The figures stand below the picture.")
    rows = [
        ("Place", *_AGE_NAMES),
        *(
            (place_in_words(each.name), *(amount(part) for part in parts[each.name]))
            for each in places
        ),
    ]
    note = (
        "Each bar is one place and all its bytes: those last read within a week, then those within "
        "a month, three months, a year, and longer ago. What is hatched is old, or was never read "
        "as it is now."
    )
    return Picture(f"{title}.", wide, narrow, rows, note)


def _by_age(place: PlaceReport) -> tuple[int, ...]:
    return (*(group.bytes for group in place.audit.ages), place.audit.unread_bytes)


def _age_bars(
    places: Sequence[PlaceReport], parts: dict[PlaceName, tuple[int, ...]], width: float
) -> Iterator[str]:
    for row, place in enumerate(places):
        top = row * 54
        holds = amount(place.audit.bytes)
        yield _name(place, top + 12, width - length(holds) - 10)
        yield words(width, top + 12, holds, "quiet", "end")
        sizes = parts[place.name]
        total = sum(sizes)
        x, free_from = 0.0, 0.0
        for age, size in enumerate(sizes):
            if not size:
                continue
            part = max(1.5, width * size / total)
            part = min(part, width - x)
            yield rect(x, top + 18, part, 14, f"age{age}")
            if age >= 3:
                yield bars(
                    ((x + step * 5, top + 18, 1.2, 14) for step in range(1, int(part / 5))),
                    f"hatch{age}",
                )
            said = f"{_AGES_IN_SHORT[age]} {_percent(size, total)}"
            begins = min(x, width - length(said))
            if begins >= free_from:
                yield line(x + 0.5, top + 32, x + 0.5, top + 36, "rule")
                yield words(begins, top + 47, said, "quiet")
                free_from = begins + length(said) + 10
            x += part


def _name(place: PlaceReport, y: float, room: float) -> str:
    return words(0, y, fitted(place_in_words(place.name), room, bold=True), "name")


def _percent(part: int, whole: int) -> str:
    """A share of a hundred; only what is whole is called all of it."""
    if not whole or part >= whole:
        return "100 %"
    percent = 100 * part / whole
    if part and percent < 1:
        return "under 1 %"
    return "over 99 %" if percent > 99 else f"{percent:.0f} %"


# ------------------------------------------------------------------------------ the year of nights


def nights(report: Report) -> Picture | None:
    """The last twelve months, a line a month, a stroke a night, as tall as what was read in it."""
    if not report.nights:
        return None
    today = report.settings.hours.local(report.written).date()
    first = date(today.year - 1, today.month, 1)
    first = max(first, date(report.nights[0].day.year, report.nights[0].day.month, 1))
    read = {each.day: each.bytes for each in report.nights if each.day >= first}
    missed = {each.day for each in nights_missed(report, first)}
    months = [
        date(first.year + (first.month + step - 1) // 12, (first.month + step - 1) % 12 + 1, 1)
        for step in range(13)
    ]
    months = [each for each in months if each <= today]
    largest = max(read.values(), default=0)

    def draw(width: float) -> tuple[float, Iterator[str]]:
        return 30 * len(months) + 16, _almanac(months, read, missed, largest, width)

    total = sum(read.values())
    since = max(first, report.nights[0].day)
    title = f"{amount(total)} read in {count(len(read), 'night')} since {in_full(since)}"
    title += f"; {count(len(missed), 'night')} had no shift" if missed else "; none had no shift"
    wide, narrow = _twice(draw, f"{title}. The figures stand below the picture.")
    rows = [("Month", "Nights with a shift", "Without one", "Read")]
    for each in months:
        within = [day for day in read if (day.year, day.month) == (each.year, each.month)]
        gone = sum((day.year, day.month) == (each.year, each.month) for day in missed)
        size = sum(read[day] for day in within)
        rows.append((month(each), f"{len(within):,}", f"{gone:,}", amount(size)))
    note = (
        "A stroke is a night, the taller the more was read in it"
        + (f"; the tallest is {amount(largest)}" if largest else "")
        + ". A dot is a shift that read no file to its end, a cross a night without any shift."
    )
    return Picture(f"{title}.", wide, narrow, rows, note)


def _almanac(
    months: Sequence[date],
    read: dict[date, int],
    missed: set[date],
    largest: int,
    width: float,
) -> Iterator[str]:
    label = 116 if width == WIDE else 34
    right = 64 if width == WIDE else 0
    column = (width - label - right) / 31
    for numbered in (1, 5, 10, 15, 20, 25, 30):
        yield words(label + column * (numbered - 0.5), 11, str(numbered), "quiet", "middle")
    for row, start in enumerate(months):
        base = 16 + row * 30 + 25
        name = MONTHS[start.month - 1]
        named = f"{name} {start.year}" if start.month == 1 or not row else name
        yield words(0, base, (name[:3] if width == NARROW else named), "name")
        length_of_month = ((start + timedelta(days=32)).replace(day=1) - start).days
        yield line(label, base + 0.5, label + column * length_of_month, base + 0.5, "rule")
        total, strokes = 0, []
        for step in range(length_of_month):
            day = start + timedelta(days=step)
            x = label + column * (step + 0.5)
            if day in read:
                total += read[day]
                if read[day]:
                    # By the root: a night of a gigabyte beside one of a terabyte still shows.
                    tall = max(1.5, 22 * math.sqrt(read[day] / largest))
                    strokes.append((x - column * 0.32, base - tall, column * 0.64, tall))
                else:
                    yield dot(x, base - 3, 1.6, "night")
            elif day in missed:
                yield cross(x, base - 5, 3.2, "alarm-stroke")
        yield bars(strokes, "night")
        if right:
            yield words(width, base, amount(total), "quiet", "end")


# ------------------------------------------------------------------------------- the reading pace


def paces(report: Report) -> Picture | None:
    """How fast each shift read each place."""
    places = [each for each in report.places if len(each.paces) > 1 and each.pace_change]
    if not places:
        return None

    def draw(width: float) -> tuple[float, Iterator[str]]:
        return 74 * len(places) + 16, _pace_strips(places, width)

    fallen = [each for each in places if each.pace_change and each.pace_change.fallen]
    if fallen:
        names = listing(place_in_sentence(each.name) for each in fallen)
        title = f"Much slower than before: {names}"
    else:
        title = "Every place is read about as fast as before"
    wide, narrow = _twice(draw, f"{title}. The figures stand below the picture.")
    rows = [("Place", "Lately", "Before", "Slowest shift", "Fastest shift", "Shifts")]
    for each in places:
        assert each.pace_change is not None
        speeds = [point.bytes_per_second for point in each.paces]
        before = each.pace_change.before
        rows.append(
            (
                place_in_words(each.name),
                _rate(each.pace_change.lately),
                "not known" if before is None else _rate(before),
                _rate(min(speeds)),
                _rate(max(speeds)),
                f"{len(speeds):,}",
            )
        )
    note = (
        "A dot is a shift; the line is the middle one of each five. A pace that falls and stays "
        "low points at a disk that begins to fail."
    )
    return Picture(f"{title}.", wide, narrow, rows, note)


def _rate(bytes_per_second: float) -> str:
    return f"{amount(round(bytes_per_second))}/s"


def _pace_strips(places: Sequence[PlaceReport], width: float) -> Iterator[str]:
    first = min(each.paces[0].at for each in places)
    last = max(each.paces[-1].at for each in places)
    plot = width - 84

    def across(at: float) -> float:
        return 4 + (plot - 8) * (at - first) / max(1, last - first)

    for row, each in enumerate(places):
        top = row * 74
        base = top + 66
        fastest = max(point.bytes_per_second for point in each.paces) * 1.08
        heights = [base - 44 * point.bytes_per_second / fastest for point in each.paces]
        yield _name(each, top + 12, width)
        yield line(0, base + 0.5, plot, base + 0.5, "rule")
        spots = ((across(point.at), y) for point, y in zip(each.paces, heights, strict=True))
        yield dots(spots, "faint-dots")
        middles = [median(heights[max(0, at - 4) : at + 1]) for at in range(len(heights))]
        stroke = [(across(point.at), y) for point, y in zip(each.paces, middles, strict=True)]
        fallen = each.pace_change is not None and each.pace_change.fallen
        yield path(stroke, "alarm-line" if fallen else "main-line")
        assert each.pace_change is not None
        end = stroke[-1][1]
        yield words(plot + 6, end + 4, _rate(each.pace_change.lately), "name")
        before = each.pace_change.before
        if before is not None and fallen:
            y = base - 44 * before / fastest
            yield line(0, y, plot, y, "dashed")
            yield words(plot + 6, (y if abs(y - end) > 13 else end - 12) + 4, "before", "quiet")
    yield from _span(first, last, 0, plot, 74 * len(places) + 12)


def _span(first: float, last: float, left: float, right: float, y: float) -> Iterator[str]:
    """The days at both ends of an axis of time; the first without its year where it is narrow."""
    if last - first <= 2 * _DAY:
        yield words(left, y, _day(first), "quiet")
        return
    room = right - left - length(_day(last)) - 8
    said = _day(first) if length(_day(first)) <= room else _day(first)[:-5]
    if length(said) <= room:
        yield words(left, y, said, "quiet")
    yield words(right, y, _day(last), "quiet", "end")


def _day(at: float) -> str:
    return short(date(1970, 1, 1) + timedelta(days=int(at // _DAY)))


# ----------------------------------------------------------------------------- growth and the room

_LONGEST_AHEAD: Final = 400 * _DAY
"""Seconds ahead within which a disk that fills up is drawn."""

_FORESEEN: Final = 3 * 365 * _DAY
"""Seconds ahead within which it is spoken of: no growth stays what it is for longer."""


def growth(report: Report) -> Picture | None:
    """How each place grew, and when the room of its disk is used up at that growth."""
    places = [each for each in report.places if len(each.held) > 1]
    if not places:
        return None

    def draw(width: float) -> tuple[float, Iterator[str]]:
        return 78 * len(places) + 16, _growth_strips(places, report.written, width)

    full = [
        (each.room.runs_out, each)
        for each in places
        if each.room is not None and each.room.runs_out is not None
    ]
    full = [each for each in full if each[0] < report.written + _FORESEEN]
    if full:
        at, soonest = min(full, key=lambda each: each[0])
        where = place_in_sentence(soonest.name)
        title = f"At this growth the disk of {where} is full around {month_of(at)}"
    elif any(each.room is not None for each in places):
        title = "At this growth no disk fills up within three years"
    else:
        title = "How much each share holds, and how it grew"
    wide, narrow = _twice(draw, f"{title}. The figures stand below the picture.")
    rows = [("Place", "Holds", "Grows a day by", "Room left", "Full around")]
    for each in places:
        room = each.room
        rows.append(
            (
                place_in_words(each.name),
                amount(each.audit.bytes),
                "not known yet" if each.growth is None else _signed(each.growth),
                "not known" if room is None else amount(room.free),
                "not known"
                if room is None or room.growth is None
                else "not within three years"
                if room.runs_out is None or room.runs_out > report.written + _FORESEEN
                else month_of(room.runs_out),
            )
        )
    note = (
        "A line is what a place held; where its disk would fill up within a year, the dashed line "
        "goes on at the growth of the last three months until it meets what the disk can hold. "
        "What others write to that disk counts too."
    )
    return Picture(f"{title}.", wide, narrow, rows, note)


def _signed(size: float) -> str:
    if abs(size) < 1:
        return "nothing"
    return amount(round(size)) if size > 0 else f"\u2212{amount(round(-size))}"


def month_of(at: float) -> str:
    """The month of an instant, near enough for what lies far ahead."""
    return month(date(1970, 1, 1) + timedelta(days=int(at // _DAY)))


def _growth_strips(places: Sequence[PlaceReport], now: float, width: float) -> Iterator[str]:
    first = min(each.held[0].at for each in places)
    ahead = [
        each.room.runs_out
        for each in places
        if each.room is not None
        and each.room.runs_out is not None
        and each.room.runs_out < now + _LONGEST_AHEAD
    ]
    last = max([now, *ahead])
    plot = width - (96 if width == WIDE else 76)

    def across(at: float) -> float:
        return plot * (at - first) / max(1.0, last - first)

    for row, each in enumerate(places):
        top = row * 78
        base = top + 68
        room, size = each.room, each.audit.bytes
        fills = room is not None and room.runs_out is not None and room.runs_out <= last
        highest = max(1, size, *(held.bytes for held in each.held))
        if fills and room is not None:
            highest = max(highest, size + room.free)
        most = highest * 1.04
        yield line(0, base + 0.5, plot, base + 0.5, "rule")
        points = [(across(held.at), base - 46 * held.bytes / most) for held in each.held]
        points.append((across(now), base - 46 * size / most))
        yield path([(points[0][0], base), *points, (points[-1][0], base)], "area", close=True)
        yield path(points, "main-line")
        end = points[-1][1]
        room_for_name = width
        if fills and room is not None and room.runs_out is not None:
            ceiling = base - 46 * (size + room.free) / most
            x = across(room.runs_out)
            yield line(0, ceiling, plot, ceiling, "rule")
            yield path([points[-1], (x, ceiling)], "alarm-dashed")
            yield cross(x, ceiling, 3.2, "alarm-stroke")
            said = f"full {month_of(room.runs_out)}"
            said_at = max(min(x, plot), length(said, bold=True))
            yield words(said_at, ceiling - 6, said, "alarm-text", "end")
            end = max(end, ceiling + 14)
            room_for_name = said_at - length(said, bold=True) - 10
        yield _name(each, top + 12, room_for_name)
        yield words((plot if fills else across(now)) + 8, end + 4, amount(size), "name")
    bottom = 78 * len(places) + 12
    yield from _span(first, last, 0, plot, bottom)
    room_for_it = length(_day(first)) + 24
    if last > now and room_for_it < across(now) < plot - room_for_it:
        yield words(across(now), bottom, "today", "quiet", "middle")


# -------------------------------------------------------------------------------- verdicts in time


def verdicts(report: Report) -> Picture | None:
    """How many paths had each verdict when each shift had ended; a line a verdict."""
    told = report.verdicts
    if len(told) < 2:
        return None
    kinds = [
        verdict
        for verdict in Verdict
        if verdict is Verdict.MATCHED or any(each.paths.get(verdict) for each in told)
    ]

    def draw(width: float) -> tuple[float, Iterator[str]]:
        return 40 * len(kinds) + 18, _verdict_strips(report, kinds, width)

    def needing(at: int) -> int:
        return sum(each for verdict, each in told[at].paths.items() if verdict not in QUIET)

    most = max(needing(at) for at in range(len(told)))
    now = needing(-1)
    if not most:
        title = f"No shift of the last {len(told):,} had a finding on record"
    elif not now:
        title = f"Nothing is on record now; at most {count(most, 'finding')} were"
    else:
        title = f"{count(now, 'finding')} on record now, accepted ones included"
        title += f"; at most it was {most:,}" if most > now else ", the most so far"
    wide, narrow = _twice(draw, f"{title}. The figures stand below the picture.")
    rows = [("Verdict", "Now", "Fewest", "Most")]
    for verdict in kinds:
        counts = [each.paths.get(verdict, 0) for each in told]
        rows.append((str(verdict), f"{counts[-1]:,}", f"{min(counts):,}", f"{max(counts):,}"))
    note = (
        "Paths of all mirrors together, as each shift left them; every line has a scale of its own."
    )
    return Picture(f"{title}.", wide, narrow, rows, note)


def _verdict_strips(report: Report, kinds: Sequence[Verdict], width: float) -> Iterator[str]:
    told = report.verdicts
    first, last = told[0].at, told[-1].at
    left = 92.0
    counted = {verdict: [each.paths.get(verdict, 0) for each in told] for verdict in kinds}
    now = {verdict: f"{counts[-1]:,}" for verdict, counts in counted.items()}
    most_of = {verdict: f"most {max(counts):,}" for verdict, counts in counted.items()}
    if width != WIDE:
        most_of = dict.fromkeys(kinds, "")
    right = max(length(now[each], bold=True) + length(most_of[each]) + 20 for each in kinds)
    plot = width - left - right

    def across(at: float) -> float:
        return left + plot * (at - first) / max(1, last - first)

    for row, verdict in enumerate(kinds):
        base = row * 40 + 32
        counts = counted[verdict]
        most = max(counts)
        yield words(0, base, str(verdict), "name")
        yield line(left, base + 0.5, left + plot, base + 0.5, "rule")
        points: list[tuple[float, float]] = []
        for each, paths in zip(told, counts, strict=True):
            y = base - (24 * paths / most if most else 0)
            if points:
                points.append((across(each.at), points[-1][1]))
            points.append((across(each.at), y))
        kind = "main-line" if verdict in QUIET else "alarm-line"
        outline = [(points[0][0], base), *points, (points[-1][0], base)]
        yield path(outline, "area" if verdict in QUIET else "alarm-area", close=True)
        yield path(points, kind)
        yield words(left + plot + 8, base, now[verdict], "name")
        if most != counts[-1]:
            x = left + plot + 16 + length(now[verdict], bold=True)
            yield words(x, base, most_of[verdict], "quiet")
    yield from _span(first, last, left, left + plot, 40 * len(kinds) + 14)
