"""The few shapes that the pictures are made of, as SVG.  Everything that is text is escaped.

Colours and line widths come from the page's style sheet by class, so that a picture follows light,
dark and print; nothing here says anything by colour alone.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import Final

from markupsafe import Markup, escape
from msgspec import Struct

WIDE: Final = 700
"""Units of a picture's width where there is room; a unit is a CSS pixel there."""

NARROW: Final = 340
"""The same on a phone: a picture is drawn again for it, so that its words stay readable."""

LETTER: Final = 7.2
BOLD: Final = 8.4
"""Units that a letter of a picture's text takes, at 12 units of height, in the widest of the fonts
that the style names: where another one is there, there is room to spare."""


class Picture(Struct, frozen=True):
    """A picture: its sentence, both drawings, and the figures that they are drawn from.

    ``rows`` are what a reader who sees no picture gets, the first of them the headings; ``note``
    says how to read it.
    """

    title: str
    wide: Markup
    narrow: Markup
    rows: Sequence[Sequence[str]]
    note: str = ""


def svg(width: float, height: float, shapes: Iterable[str], label: str, kind: str) -> Markup:
    """A drawing of that size; ``label`` is what a screen reader says of it."""
    return Markup('<svg class="{}" viewBox="0 0 {} {}" role="img" aria-label="{}">{}</svg>').format(
        kind, number(width), number(height), label, Markup("").join(map(Markup, shapes))
    )


def rect(x: float, y: float, width: float, height: float, kind: str) -> str:
    """A filled rectangle."""
    return (
        f'<rect x="{number(x)}" y="{number(y)}" width="{number(width)}" '
        f'height="{number(height)}" class="{kind}"/>'
    )


def line(x1: float, y1: float, x2: float, y2: float, kind: str) -> str:
    """A straight line."""
    return (
        f'<line x1="{number(x1)}" y1="{number(y1)}" x2="{number(x2)}" y2="{number(y2)}" '
        f'class="{kind}"/>'
    )


def path(points: Sequence[tuple[float, float]], kind: str, close: bool = False) -> str:
    """A line through points."""
    steps = "L".join(f"{number(x)} {number(y)}" for x, y in points)
    return f'<path d="M{steps}{"Z" if close else ""}" class="{kind}"/>'


def dot(x: float, y: float, radius: float, kind: str) -> str:
    """A filled circle."""
    return f'<circle cx="{number(x)}" cy="{number(y)}" r="{number(radius)}" class="{kind}"/>'


def dots(points: Iterable[tuple[float, float]], kind: str) -> str:
    """Many small dots as one shape: strokes of no length, which round ends make dots of."""
    return f'<path d="{"".join(f"M{number(x)} {number(y)}h0" for x, y in points)}" class="{kind}"/>'


def bars(shapes: Iterable[tuple[float, float, float, float]], kind: str) -> str:
    """Many rectangles (x, y, width, height) as one shape."""
    steps = (
        f"M{number(x)} {number(y)}h{number(width)}v{number(height)}h{number(-width)}z"
        for x, y, width, height in shapes
    )
    return f'<path d="{"".join(steps)}" class="{kind}"/>'


def cross(x: float, y: float, reach: float, kind: str) -> str:
    """Two strokes that cross."""
    a, b, c, d = (number(each) for each in (x - reach, y - reach, x + reach, y + reach))
    return f'<path d="M{a} {b}L{c} {d}M{a} {d}L{c} {b}" class="{kind}"/>'


def words(x: float, y: float, said: str, kind: str = "", anchor: str = "start") -> str:
    """Text whose baseline begins, ends or has its middle at a point."""
    where = "" if anchor == "start" else f' text-anchor="{anchor}"'
    named = f' class="{kind}"' if kind else ""
    return f'<text x="{number(x)}" y="{number(y)}"{where}{named}>{escape(said)}</text>'


def length(said: str, bold: bool = False) -> float:
    """About how wide a text is."""
    return len(said) * (BOLD if bold else LETTER)


def fitted(said: str, room: float, bold: bool = False) -> str:
    """As much of a text as there is room for: its beginning and its end.

    >>> fitted("current-surveys, vault", 100)
    'current…vault'
    """
    most = max(3, int(room / (BOLD if bold else LETTER)))
    if len(said) <= most:
        return said
    end = (most - 1) * 2 // 5
    return f"{said[: most - 1 - end]}…{said[len(said) - end :]}"


def number(value: float) -> str:
    """As short as a picture needs it."""
    return f"{value:.1f}".rstrip("0").rstrip(".")
