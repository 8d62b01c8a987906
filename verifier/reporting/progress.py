"""How far reading is, in one line that keeps its width, or in a sentence.

Pure.  Each figure stands in a field of its own width, so that nothing moves while figures change;
where a terminal is narrow, whole fields are left out, the least needed first.
"""

from __future__ import annotations

from typing import Final

from msgspec import Struct

from verifier.measures import amount, duration

NAME_WIDTH: Final = 24
NAME_AT_LEAST: Final = 10
"""Columns for what is read; of a longer name the end is shown, which tells mirrors apart."""

_GAUGE: Final = 8
"""Columns of the picture of how much is done."""

_APART: Final = "  "


class Reading(Struct, frozen=True):
    """How far something is read: bytes, bytes a second, and seconds.  None is not known."""

    name: str
    done: int
    total: int | None = None
    rate: float | None = None
    left: float | None = None
    until_bell: float | None = None


def line(reading: Reading, columns: int) -> str:
    """One line that is exactly as wide for every figure, and never over ``columns``."""
    part = _part(reading)
    of = "" if reading.total is None else f"of {amount(reading.total)}"
    left = "" if reading.left is None else f"{about(reading.left)} left"
    bell = "" if reading.until_bell is None else f"bell {about(reading.until_bell)}"
    fields = {
        "gauge": _gauge(part),
        "percent": "" if part is None else f"{int(part * 100)} %",
        "done": amount(reading.done),
        "of": of,
        "rate": "" if reading.rate is None else rate_in_words(reading.rate),
        "left": left,
        "bell": bell,
    }
    if reading.until_bell is None:
        del fields["bell"]
    shown = {
        key: f"{value:<{_WIDTHS[key]}}" if key == "of" else f"{value:>{_WIDTHS[key]}}"
        for key, value in fields.items()
    }
    # What is needed least goes first where there is no room.
    for key in ("", "gauge", "of", "percent", "rate", "bell", "left"):
        shown.pop(key, None)
        rest = _APART + _APART.join(shown.values())
        room = min(NAME_WIDTH, columns - len(rest))
        if room >= NAME_AT_LEAST:
            return f"{_tail(reading.name, room):<{room}}{rest}"
    return _cut(rest.lstrip(), columns)


_WIDTHS: Final = {
    "gauge": _GAUGE + 2,
    "percent": len("100 %"),
    "done": len("999 bytes"),
    "of": len("of 999 bytes"),
    "rate": len("99.9 MB/s"),
    "left": len("47 h 59 min left"),
    "bell": len("bell 47 h 59 min"),
}


def rate_in_words(bytes_per_second: float) -> str:
    """A rate that never takes more room than ``99.9 MB/s``.

    >>> rate_in_words(0), rate_in_words(640), rate_in_words(184_000_000)
    ('0.0 kB/s', '0.6 kB/s', '184 MB/s')
    """
    if bytes_per_second < 1000:
        return f"{bytes_per_second / 1000:.1f} kB/s"
    return f"{amount(round(bytes_per_second))}/s"


def looking(what: str, columns: int) -> str:
    """The line while there is no figure yet."""
    return _cut(what, columns)


def sentence(reading: Reading) -> str:
    """The same for a log: ``vault: 212 GB of 512 GB read; 184 MB/s; about 27 min left``."""
    said = f"{reading.name}: {amount(reading.done)}"
    said += " read" if reading.total is None else f" of {amount(reading.total)} read"
    if reading.rate is not None:
        said += f"; {rate_in_words(reading.rate)}"
    if reading.left is not None:
        said += f"; about {about(reading.left)} left"
    if reading.until_bell is not None:
        said += f"; {about(reading.until_bell)} until working hours"
    return said + "."


def about(seconds: float) -> str:
    """A length of time, no finer than somebody wants to see it change.

    >>> about(0), about(42), about(3_599), about(5_400), about(40_000), about(400_000)
    ('0 s', '42 s', '59 min', '1 h 30 min', '11 h 6 min', '4 d 15 h')
    """
    whole = max(0, int(seconds))
    if whole < 60:
        return f"{whole} s"
    if whole < 3600:
        return f"{whole // 60} min"
    if whole >= 1000 * 86_400:
        return "over 999 d"
    return duration(whole - whole % 60)


def _part(reading: Reading) -> float | None:
    if reading.total is None:
        return None
    return 1.0 if reading.total <= 0 else max(0.0, min(1.0, reading.done / reading.total))


def _gauge(part: float | None) -> str:
    full = 0 if part is None else int(part * _GAUGE)
    return f"[{'=' * full}{' ' * (_GAUGE - full)}]"


def _tail(text: str, columns: int) -> str:
    return text if len(text) <= columns else f"…{text[len(text) - columns + 1 :]}"


def _cut(text: str, columns: int) -> str:
    return text if len(text) <= columns else f"{text[: max(0, columns - 1)]}…"[:columns]
