"""Amounts, counts and durations in words that people read.  Decimal units: 1 MB is 10⁶ bytes."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Final

_UNITS: Final = ("bytes", "kB", "MB", "GB", "TB", "PB")


def amount(size: int) -> str:
    """``size`` bytes in words.

    >>> amount(1), amount(999), amount(1_500), amount(212_000_000_000)
    ('1 byte', '999 bytes', '1.5 kB', '212 GB')
    """
    if size < 1000:
        return "1 byte" if size == 1 else f"{size} bytes"
    value = float(size)
    for unit in _UNITS:
        if value < 999.5 or unit == _UNITS[-1]:
            break
        value /= 1000
    return f"{value:.1f} {unit}" if value < 99.95 else f"{value:.0f} {unit}"


def count(number: int, noun: str, plural: str | None = None) -> str:
    """A number with its noun.

    >>> count(1, "file"), count(12345, "file"), count(2, "copy", "copies")
    ('1 file', '12,345 files', '2 copies')
    """
    return f"{number:,} {noun if number == 1 else plural or noun + 's'}"


def listing(names: Iterable[str]) -> str:
    """Names one after the other, as in a sentence.

    >>> listing(["source"]), listing(["source", "vault"]), listing(["source", "vault", "faraway"])
    ('source', 'source and vault', 'source, vault and faraway')
    """
    *first, last = names
    return f"{', '.join(first)} and {last}" if first else last


def duration(seconds: float) -> str:
    """A length of time, to two parts.

    >>> duration(0.25), duration(59.6), duration(3_725), duration(200_000)
    ('0.2 s', '1 min', '1 h 2 min', '2 d 7 h')
    """
    if seconds < 10:
        return f"{seconds:.1f} s"
    whole = round(seconds)
    if whole < 60:
        return f"{whole} s"
    minutes, rest = divmod(whole, 60)
    if minutes < 60:
        return f"{minutes} min {rest} s" if rest else f"{minutes} min"
    hours, minutes = divmod(minutes, 60)
    if hours < 48:
        return f"{hours} h {minutes} min" if minutes else f"{hours} h"
    days, hours = divmod(hours, 24)
    return f"{days} d {hours} h" if hours else f"{days} d"
