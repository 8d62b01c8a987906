"""The page: one file that stands alone, for a person who wants to know and has a minute.

Nothing in it is fetched from anywhere, and a policy in its head forbids that it could be.  It
reads no clock and no ledger, and opens no file but its own templates.
"""

from __future__ import annotations

import re
from base64 import b64encode
from collections.abc import Iterator
from functools import cache
from hashlib import sha256
from importlib.resources import files as packaged
from typing import TYPE_CHECKING, Any, Final
from urllib.parse import quote

from markupsafe import Markup, escape
from msgspec import Struct

from verifier import __version__
from verifier.hours import Stretch
from verifier.jobs.doubts import Doubt, DoubtKind
from verifier.jobs.report import Report, Shown, State
from verifier.ledger.values import FindingEvent, GrantedCertificate
from verifier.measures import amount, count, duration
from verifier.model import printable
from verifier.reporting import report as said
from verifier.reporting.calendar_words import DAYS, moment, short, short_moment
from verifier.reporting.documents import stamp
from verifier.reporting.page import places, settings_words
from verifier.reporting.page.damage_picture import damage_drawn, in_words
from verifier.reporting.page.evidence import which_side
from verifier.reporting.page.pictures import pictures, place_in_words
from verifier.reporting.text import what_it_is

if TYPE_CHECKING:
    from jinja2 import Environment

CERTIFICATES_SHOWN: Final = 100

PATH_SHOWN: Final = 420
"""Letters of a path that are shown: one of 4 KB of control characters would be 16,000."""

SENTENCE_SHOWN: Final = 1200
"""Letters of a sentence that holds other paths."""

ROOM_FOR_FINDINGS: Final = 2_000_000
"""Bytes that findings may take: a page of 3 MB still opens on a phone.  Hundreds of them take less
than half of that, unless their names were made to take more."""

_TEMPLATES: Final = "templates"


class Beside(Struct, frozen=True):
    """The names of the files beside the page, and the folder that all stand in."""

    csv: str
    json: str
    folder: str


def page(report: Report, beside: Beside) -> bytes:
    """The whole page."""
    zone = report.settings.hours.zone
    groups = list(_groups(report))
    style, script = _template_text("style.css"), _template_text("script.js")
    view: dict[str, Any] = {
        "report": report,
        "files": {"csv": quote(beside.csv), "json": quote(beside.json)},
        "policy": _policy(style, script),
        "style": Markup(style),
        "script": Markup(script),
        "studio": report.settings.studio.name,
        "version": __version__,
        "headline": said.headline(report),
        "lead": said.lead(report),
        "believable": said.believable(report),
        "mark": mark(report.state),
        "doubts": _doubts(report),
        "shown": report.open - sum(group["hidden"] for group in groups),
        "shares": [share.name for share in report.settings.shares],
        "groups": groups,
        "rows": places.by_share(report),
        "remarks": list(places.remarks(report)),
        "pictures": pictures(report),
        "coming": list(_coming(report)),
        "planned": list(_planned(report)),
        "open_hours": [_stretch(each, report) for each in report.open_hours],
        "certificates": [
            _certificate(each, beside.folder)
            for each in report.certificates[-CERTIFICATES_SHOWN:][::-1]
        ],
        "certificates_hidden": max(0, len(report.certificates) - CERTIFICATES_SHOWN),
        "settings": list(settings_words.in_words(report.settings)),
    }
    environment = _environment()
    environment.filters |= {
        "moment": lambda at: moment(at, zone),
        "short_moment": lambda at: short_moment(at, zone),
        "stamp": lambda at: stamp(at, zone),
        "doubt": lambda each: said.doubt_in_full(each, zone),
    }
    text = environment.get_template("report.html.j2").render(view)
    return text.encode("utf-8", "backslashreplace")


def _doubts(report: Report) -> list[tuple[str, str, list[Doubt]]]:
    """What is not known, and who was not told, each below its heading."""
    not_told = [each for each in report.doubts if each.what is DoubtKind.UNDELIVERED]
    not_known = [each for each in report.doubts if each not in not_told]
    headed = (
        ("not-known", "Not known, and why:", not_known),
        ("not-told", "Not told to everybody:", not_told),
    )
    return [each for each in headed if each[2]]


def _environment() -> Environment:
    # Imported when a page is written: other commands start without it.
    from jinja2 import Environment, PackageLoader, StrictUndefined

    environment = Environment(
        loader=PackageLoader(__name__, _TEMPLATES),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    environment.filters |= {
        "amount": amount,
        "count": count,
        "plain": plain,
        "whole": whole,
        "capital": lambda text: f"{text[:1].upper()}{text[1:]}",
        "action_name": lambda action: said.ACTION_NAMES[action],
    }
    return environment


@cache
def _template_text(name: str) -> str:
    return packaged(__name__).joinpath(_TEMPLATES, name).read_text("utf-8")


def _policy(style: str, script: str) -> str:
    """What the page may do: use this very style and this very script, and nothing else at all."""

    def only(text: str) -> str:
        return f"'sha256-{b64encode(sha256(text.encode()).digest()).decode()}'"

    return (
        f"default-src 'none'; style-src {only(style)}; script-src {only(script)}; "
        "base-uri 'none'; form-action 'none'"
    )


def plain(text: str) -> str:
    """A sentence that a person or a file system had a hand in, harmless and not too long."""
    return shortened(printable(text.encode("utf-8", "surrogateescape")), SENTENCE_SHOWN)


_WHOLE: Final = re.compile(r"\b\d{4}-\d\d-\d\d\b|(?<= )--[a-z-]+")


def whole(text: str) -> Markup:
    """A sentence in which no date and no option is broken in two at the end of a line."""
    marked = Markup('<span class="whole">{}</span>').format
    between = _WHOLE.split(text)
    kept = [*map(marked, _WHOLE.findall(text)), Markup("")]
    return Markup("").join(escape(part) + each for part, each in zip(between, kept, strict=True))


def shortened(text: str, most: int) -> str:
    """The beginning and the end of what is longer than that."""
    if len(text) <= most:
        return text
    head = most * 3 // 5
    tail = most - head
    left_out = len(text) - most
    return f"{text[:head]} … [{left_out:,} letters left out] … {text[-tail:]}"


def mark(state: State) -> Markup:
    """Two bars, the source above its copy: equal, broken, or not seen."""
    label, below = {
        State.ALL_GOOD: ("All good", '<rect class="bar" y="26" width="96" height="12"/>'),
        State.NEEDS_YOU: (
            "Needs you",
            '<rect class="bar" y="26" width="52" height="12"/>'
            '<rect class="bar" x="72" y="30" width="24" height="12"/>'
            '<path class="wrong-line" d="M57 22L67 48"/>',
        ),
        State.NOT_KNOWN: (
            "Not known",
            '<rect class="lack" x="1" y="26.75" width="94" height="10.5"/>',
        ),
    }[state]
    return Markup(
        '<svg class="mark" viewBox="0 0 96 50" role="img" aria-label="{}">'
        '<rect class="bar" y="6" width="96" height="12"/>{}</svg>'
    ).format(label, Markup(below))


# -------------------------------------------------------------------------------------- findings


class _Item(Struct, frozen=True):
    number: int
    share: str
    mirror: str
    folder: str
    name: str
    size: int
    first_seen: int
    what: str
    detail: str
    which_side: tuple[str, str]
    picture: tuple[Markup, Markup] | None
    damage: str
    history: tuple[FindingEvent, ...]
    left_out: int
    new: bool


def _groups(report: Report) -> Iterator[dict[str, Any]]:
    """Each group with what is shown of it, those with the same advice together.

    The first of each group is shown, whatever room it takes; others as long as there is room.
    """
    left = ROOM_FOR_FINDINGS
    for group in report.groups:
        batches: dict[str, list[_Item]] = {}
        shown = 0
        for each in group.shown:
            item = _item(each)
            left -= _size(item)
            if shown and left < 0:
                break
            batches.setdefault(each.finding.finding.advice, []).append(item)
            shown += 1
        yield {
            "action": group.action,
            "count": group.count,
            "bytes": group.bytes,
            "hidden": group.count - shown,
            "batches": [_Batch(plain(advice), tuple(items)) for advice, items in batches.items()],
        }


def _size(item: _Item) -> int:
    """About the bytes that a finding takes on the page."""
    said = (item.folder, item.name, item.what, item.detail, *item.which_side, item.damage)
    history = (shortened(event.detail, SENTENCE_SHOWN) for event in item.history)
    written = "".join(map(escape, (*said, *history)))
    drawn = 0 if item.picture is None else sum(map(len, item.picture))
    return len(written.encode("utf-8", "replace")) + drawn + 120 * len(item.history) + 1500


class _Batch(Struct, frozen=True):
    advice: str
    items: tuple[_Item, ...]


def _item(shown: Shown) -> _Item:
    each = shown.finding
    finding = each.finding
    folder, slash, name = shortened(printable(finding.path), PATH_SHOWN).rpartition("/")
    drawn = finding.damage is not None and finding.damage.ranges
    return _Item(
        each.id,
        each.share,
        each.mirror,
        folder + slash,
        name,
        finding.size,
        each.first_seen,
        shortened(what_it_is(finding), SENTENCE_SHOWN),
        plain(finding.detail),
        _first_clause(which_side(finding)),
        damage_drawn(finding.damage) if drawn and finding.damage is not None else None,
        "" if finding.damage is None else in_words(finding.damage),
        shown.history,
        shown.history_left_out,
        shown.new,
    )


def _first_clause(sentence: str) -> tuple[str, str]:
    """What a sentence says up to its colon, and the rest of it."""
    clause, colon, rest = sentence.partition(":")
    return (clause + colon, rest) if colon else ("", sentence)


# -------------------------------------------------------------------------------- what comes next


def _coming(report: Report) -> Iterator[str]:
    plan, zone = report.plan, report.settings.hours.zone
    total = sum(each.bytes for each in plan.places)
    begins = f"It may begin {moment(plan.starts, zone)}"
    if report.expected.next is None:
        begins = "The working hours leave no night to read in"
    until = "" if plan.bell is None else f", and reading stops by {moment(plan.bell, zone)}"
    yield f"{begins}{until}."
    if not total:
        yield "As far as is known now there is nothing to read; it looks for what is new first."
        return
    ends = "how long that takes is not known before a shift has read more of each place"
    if plan.ends is not None:
        ends = f"that takes about {duration(max(0.0, plan.ends - plan.starts))}"
        if plan.bell is not None and plan.ends > plan.bell:
            ends = f"all of that is read by {moment(plan.ends, zone)}, in a later shift"
    yield f"As far as is known now it reads {amount(total)}; {ends}."


def _planned(report: Report) -> Iterator[tuple[str, ...]]:
    for each in report.plan.places:
        name = place_in_words(each.place)
        if each.walked is None:
            yield name, "not looked through yet", "–", "–"
            continue
        pace = each.bytes_per_second
        budget = each.budget
        if budget is not None and budget.limit is None:
            yield name, "only listed", "–", "–"
            continue
        if budget is not None and each.bytes < each.new.bytes + each.audit.bytes:
            name += f" (budget: {_whole_amount(budget.left)})"
        yield (
            name,
            _files(each.new.files, each.new.bytes),
            _files(each.audit.files, each.audit.bytes),
            "not known yet" if pace is None else f"{_whole_amount(round(pace))}/s",
        )


def _files(files: int, size: int) -> str:
    return f"{count(files, 'file')}, {_whole_amount(size)}" if files else "none"


def _whole_amount(size: int) -> str:
    """An amount that no line's end parts from its unit."""
    return amount(size).replace(" ", "\N{NO-BREAK SPACE}")


def _stretch(each: Stretch, report: Report) -> str:
    hours = report.settings.hours
    begin, end = hours.local(each.start), hours.local(each.end)
    opens = "now" if each.start == report.written else f"{begin:%H:%M}"
    first = f"{DAYS[begin.weekday()][:3]} {short(begin.date())[:-5]} {opens}"
    if hours.is_open(each.end):
        return f"{first} and on"
    last = f"{end:%H:%M}"
    if end.date() != begin.date():
        last = f"{DAYS[end.weekday()][:3]} {last}"
    return f"{first} – {last}"


# ------------------------------------------------------------------------------------ clearances


def _certificate(each: GrantedCertificate, folder: str) -> dict[str, Any]:
    file = each.file.decode("utf-8", "surrogateescape")
    within, _, name = file.rpartition("/")
    link = ""
    if within == folder:
        link = quote(f"{name.removesuffix('.json')}.html".encode("utf-8", "surrogateescape"))
    return {
        "link": link,
        "file": shortened(printable(each.file), PATH_SHOWN),
        "folder": shortened(printable(each.folder), PATH_SHOWN),
        "share": each.share,
        "granted_at": each.granted_at,
        "granted_by": plain(each.granted_by),
        "files": each.files,
        "bytes": each.bytes,
    }
