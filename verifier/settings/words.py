"""Lengths of time, sizes, rates, percentages and times of day, parsed and written in words.

A parser raises ValueError with the reason, or with none where the form says enough.  It must never
guess a unit, nor round.
"""

from __future__ import annotations

import re
from datetime import time, timedelta
from decimal import Decimal
from enum import StrEnum
from typing import Final

from msgspec import Struct

from verifier.settings.quoting import did_you_mean

_NUMBER: Final = r"[0-9]{1,15}(?:\.[0-9]{1,6})?"

_TIME_UNITS: Final = {
    "d": ("d", "day", "days"),
    "h": ("h", "hour", "hours"),
    "min": ("min", "minute", "minutes"),
    "s": ("s", "sec", "second", "seconds"),
    "week": ("week", "weeks"),
}
_TIME_LENGTHS: Final = {"week": 7 * 86_400, "d": 86_400, "h": 3600, "min": 60, "s": 1}
_TIME_BY_WORD: Final = {word: unit for unit, words in _TIME_UNITS.items() for word in words}

_LONGEST: Final = timedelta(days=36_525)
"""A hundred years: what is longer is a slip of the pen, and would overflow the calendar."""

_SIZE_UNITS: Final = {
    "PB": 10**15,
    "TB": 10**12,
    "GB": 10**9,
    "MB": 10**6,
    "kB": 10**3,
    "bytes": 1,
}
_SIZE_WORDS: Final = {
    **_SIZE_UNITS,
    "KB": 10**3,
    "B": 1,
    "byte": 1,
    **{f"{letter}iB": 1024**power for power, letter in enumerate("KMGTP", 1)},
}


def parse_duration(text: str) -> timedelta:
    """``"10 min"``, ``"3 h 30 min"``, ``"90 days"``, ``"2 s"``.  Raises ValueError."""
    if text.strip().startswith("-"):
        raise ValueError("it is negative")
    parts = re.findall(rf"({_NUMBER})\s*([a-z]+)", text)
    if not re.fullmatch(rf"\s*(?:{_NUMBER}\s*[a-z]+\s*)+", text):
        raise ValueError("")
    seconds = Decimal(0)
    used = set()
    for number, word in parts:
        unit = _TIME_BY_WORD.get(word)
        if unit is None:
            raise ValueError(f'"{word}" is no unit of time{did_you_mean(word, _TIME_BY_WORD)}')
        if unit in used:
            raise ValueError(f'"{word}" is there twice')
        used.add(unit)
        seconds += Decimal(number) * _TIME_LENGTHS[unit]
    if seconds > _LONGEST // timedelta(seconds=1):
        raise ValueError("it is over a hundred years")
    return timedelta(microseconds=int(seconds * 1_000_000))


def duration_in_words(length: timedelta) -> str:
    """The reverse of `parse_duration`, exact.

    >>> duration_in_words(timedelta(hours=3.5)), duration_in_words(timedelta(days=90))
    ('3 h 30 min', '90 days')
    """
    hours, rest = divmod(length.seconds, 3600)
    minutes, seconds = divmod(rest, 60)
    parts = []
    if length.days:
        parts.append("1 day" if length.days == 1 else f"{length.days} days")
    if hours:
        parts.append(f"{hours} h")
    if minutes:
        parts.append(f"{minutes} min")
    if length.microseconds:
        parts.append(f"{seconds}.{length.microseconds:06}".rstrip("0") + " s")
    elif seconds or not parts:
        parts.append(f"{seconds} s")
    return " ".join(parts)


def parse_size(text: str) -> int:
    """``"400 MB"`` (decimal) or ``"64 MiB"`` (binary) in bytes.  Raises ValueError."""
    match = re.fullmatch(rf"({_NUMBER})\s*([A-Za-z]+)", text.strip())
    if match is None:
        raise ValueError("")
    number, unit = match.groups()
    if unit[1:].startswith("b") and unit != "bytes":
        raise ValueError(f'"{unit}" counts bits; sizes are in bytes of eight bits')
    if unit not in _SIZE_WORDS:
        raise ValueError(f'"{unit}" is no unit of size{did_you_mean(unit, _SIZE_WORDS)}')
    size = Decimal(number) * _SIZE_WORDS[unit]
    if size != int(size):
        raise ValueError("it is not a whole number of bytes")
    return int(size)


def size_in_words(size: int) -> str:
    """The reverse of `parse_size`, exact, in the largest unit that takes three decimals or less.

    >>> size_in_words(400_000_000), size_in_words(1_500), size_in_words(1)
    ('400 MB', '1.5 kB', '1 byte')
    """
    for unit, length in _SIZE_UNITS.items():
        if size >= length and size * 1000 % length == 0:
            whole, thousandths = divmod(size * 1000 // length, 1000)
            decimals = f".{thousandths:03}".rstrip("0").rstrip(".")
            return "1 byte" if size == 1 else f"{whole}{decimals} {unit}"
    return f"{size} bytes"


class EngineKind(StrEnum):
    """Who reads: this machine, or a cluster."""

    LOCAL = "local"
    DASK = "dask"


class Period(StrEnum):
    """What a rate counts bytes by."""

    SECOND = "second"
    MINUTE = "minute"
    HOUR = "hour"
    DAY = "day"
    WEEK = "week"
    MONTH = "month"


_PERIOD_SECONDS: Final = {
    Period.SECOND: 1,
    Period.MINUTE: 60,
    Period.HOUR: 3600,
    Period.DAY: 86_400,
    Period.WEEK: 7 * 86_400,
    Period.MONTH: 31 * 86_400,  # the longest one, so that a monthly limit holds in every month
}


class Rate(Struct, frozen=True):
    """So many bytes in every period."""

    size: int
    period: Period = Period.SECOND

    @property
    def bytes_per_second(self) -> float:
        """The same spread evenly over the period; a month has 31 days."""
        return self.size / _PERIOD_SECONDS[self.period]

    def __str__(self) -> str:
        words = size_in_words(self.size)
        return f"{words}/s" if self.period is Period.SECOND else f"{words} a {self.period}"


_RATE: Final = re.compile(r"(?P<size>.+?)\s*(?:/\s*|\s(?:a|an|per)\s+)(?P<period>[a-z]+)")


def parse_rate(text: str) -> Rate:
    """``"400 MB/s"``, ``"200 GB a month"``, ``"1 TB per day"``.  Raises ValueError."""
    match = _RATE.fullmatch(text.strip())
    if match is None:
        raise ValueError("")
    word = {"s": "second", "min": "minute", "h": "hour"}.get(match["period"], match["period"])
    if word not in set(Period):
        raise ValueError(f'"{match["period"]}" is no period{did_you_mean(word, list(Period))}')
    size = parse_size(match["size"])
    if size == 0:
        raise ValueError("at that rate nothing would ever be read")
    return Rate(size, Period(word))


def parse_budget(text: str) -> Rate:
    """``"200 GB a month"``: what may be read in a calendar month.  Raises ValueError."""
    found = parse_rate(text)
    if found.period is not Period.MONTH:
        raise ValueError("stores are paid by the month")
    return found


def parse_percentage(text: str) -> float:
    """``"20 %"`` as 0.2; over 0 and at most 100.  Raises ValueError."""
    match = re.fullmatch(rf"({_NUMBER})\s*%", text.strip())
    if match is None:
        raise ValueError("")
    value = Decimal(match[1])
    if not 0 < value <= 100:
        raise ValueError("it is not over 0 % and at most 100 %")
    return float(value / 100)


def percentage_in_words(part: float) -> str:
    """The reverse of `parse_percentage`.

    >>> percentage_in_words(0.2), percentage_in_words(0.125)
    ('20 %', '12.5 %')
    """
    return f"{Decimal(repr(part)) * 100:f}".rstrip("0").rstrip(".") + " %" if part < 1 else "100 %"


def parse_time_of_day(text: str) -> time:
    """``"23:00"``.  Raises ValueError."""
    match = re.fullmatch(r"([0-9]{1,2}):([0-9]{2})", text.strip())
    if match is None or int(match[1]) > 23 or int(match[2]) > 59:
        raise ValueError("")
    return time(int(match[1]), int(match[2]))
