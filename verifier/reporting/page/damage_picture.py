"""Where in a file two copies differ, drawn to scale: one bar a side, as long as its size."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import Final

from markupsafe import Markup

from verifier.measures import amount, count, listing
from verifier.model import Damage, DamageRange, Pattern
from verifier.reporting.page.drawing import NARROW, WIDE, length, line, rect, svg, words

_THINNEST: Final = 2.0
"""Units that the smallest damage is drawn wide: to scale, a bit of a gigabyte would be nothing."""

_IN_WORDS: Final = {
    Pattern.BIT_FLIP: "bits turned over",
    Pattern.ZERO_FILLED: "only zeroes on one side",
    Pattern.MISSING_TAIL: "missing at the end of the mirror",
    Pattern.EXTRA_TAIL: "only on the mirror",
    Pattern.GARBLED: "other bytes",
}


class _Mark:
    """A stretch of the picture in which something differs."""

    def __init__(self, start: float, end: float, pattern: Pattern) -> None:
        self.start = start
        self.end = end
        self.pattern = pattern


def damage_drawn(damage: Damage) -> tuple[Markup, Markup]:
    """The picture for a wide column, and for a phone."""
    label = in_words(damage)
    wide, narrow = (
        svg(width, 62, _bars(damage, width), label, kind)
        for width, kind in ((WIDE * 0.78, "wide"), (NARROW, "narrow"))
    )
    return wide, narrow


def in_words(damage: Damage) -> str:
    """The same as a sentence: what differs, how, and from which byte to which."""
    ranges = damage.ranges
    total = len(ranges) + damage.left_out
    differ = "differs" if damage.differing_bytes == 1 else "differ"
    if not ranges:
        return f"{count(damage.differing_bytes, 'byte')} {differ}."
    patterns = [each for each in Pattern if any(found.pattern is each for found in ranges)]
    kinds = listing(_IN_WORDS[each] for each in patterns)
    bits = sum(found.bits or 0 for found in ranges if found.pattern is Pattern.BIT_FLIP)
    if patterns == [Pattern.BIT_FLIP]:
        kinds = f"{count(bits, 'bit')} turned over"
    said = f"{count(damage.differing_bytes, 'byte')} {differ}, {kinds}: "
    said += "" if total == 1 else f"in {count(total, 'stretch', 'stretches')} "
    said += f"from byte {ranges[0].start:,} up to byte {ranges[-1].end:,}"
    return f"{said}." if damage.complete else f"{said}; the search was cut short."


def _bars(damage: Damage, width: float) -> Iterator[str]:
    left = 52.0
    plot = width - left
    longest = max(1, damage.source_size, damage.mirror_size)
    marks = _merged(damage.ranges, plot / longest)
    for row, (name, size) in enumerate(
        (("source", damage.source_size), ("mirror", damage.mirror_size))
    ):
        top = 4 + row * 20
        yield words(0, top + 11, name, "name")
        yield rect(left, top, max(1.0, plot * size / longest), 14, "file")
    for mark in marks:
        x, part = left + mark.start, mark.end - mark.start
        y, tall = 4.0, 34.0
        if mark.pattern is Pattern.MISSING_TAIL:
            y, tall = 24.0, 14.0
        elif mark.pattern is Pattern.EXTRA_TAIL:
            tall = 14.0
        kind = {
            Pattern.ZERO_FILLED: "hollow",
            Pattern.MISSING_TAIL: "gone",
            Pattern.EXTRA_TAIL: "gone",
        }.get(mark.pattern, "hurt")
        yield rect(x, y, part, tall, kind)
    yield from _labels(damage, marks, left, plot)


def _labels(damage: Damage, marks: Sequence[_Mark], left: float, plot: float) -> Iterator[str]:
    longest = max(damage.source_size, damage.mirror_size)
    first = "byte 0"
    last = amount(longest)
    said = ""
    if marks:
        start = damage.ranges[0].start
        said = f"from byte {start:,}"
    x = left + (marks[0].start if marks else 0.0)
    yield line(left + 0.5, 40, left + 0.5, 44, "rule")
    yield line(left + plot - 0.5, 40, left + plot - 0.5, 44, "rule")
    before = min(x, left + plot - length(said, bold=True)) - left > length(first) + 14
    if before or not marks:
        yield words(left, 56, first, "quiet")
    end = left + plot
    at = max(left, min(x, end - length(said, bold=True)))
    if said:
        yield line(x + 0.5, 40, x + 0.5, 46, "hurt-line")
        yield words(at, 56, said, "hurt-text")
    if at + length(said, bold=True) + length(last) + 12 < end:
        yield words(end, 56, last, "quiet", "end")


def _merged(ranges: Sequence[DamageRange], scale: float) -> list[_Mark]:
    """What would stand on top of each other is drawn once, so that a picture stays small."""
    marks: list[_Mark] = []
    for each in ranges:
        start = each.start * scale
        end = max(start + _THINNEST, each.end * scale)
        last = marks[-1] if marks else None
        if last is not None and start <= last.end and last.pattern is each.pattern:
            last.end = max(last.end, end)
        else:
            marks.append(_Mark(start, end, each.pattern))
    return marks
