"""One function for each section of the file, and the contradictions between them.

Defaults stand here.  It must never open a share: that places lie apart is seen by their paths.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from datetime import timedelta
from itertools import combinations
from pathlib import Path
from typing import Final
from zoneinfo import ZoneInfo

from verifier.hours import DAYS, Busy, Dates, WorkingHours
from verifier.model import SOURCE
from verifier.places.addresses import Address, AddressKind
from verifier.settings.forms import (
    BUDGET,
    DATE,
    DATES,
    DURATION,
    ENGINE,
    FLAG,
    HEARTBEAT,
    LONGEST_DATES,
    NAME,
    NIGHTS,
    NOTIFY,
    ONE_LINE,
    PATTERN,
    PERCENTAGE,
    RATE,
    SCHEDULER,
    SOME_TIME,
    SPAN,
    TIME_OF_DAY,
    WEEKLY,
    ZONE,
    address_form,
    optional,
    path_form,
    whole_form,
)
from verifier.settings.quoting import quoted_text
from verifier.settings.table import Table
from verifier.settings.values import (
    Audit,
    Clearance,
    Engine,
    Mirror,
    Notify,
    Pace,
    Settings,
    Share,
    Studio,
)
from verifier.settings.where import state_folder
from verifier.settings.words import EngineKind


def read_all(root: Table, file: Path, environment: Mapping[str, str]) -> Settings:
    """The settings that a file's outermost table says.  Raises SettingsRefused."""
    studio = _studio(root.table("studio"), state_folder(environment))
    shares = tuple(_shares(root))
    settings = Settings(
        file,
        studio,
        _hours(root.table("hours"), ZoneInfo(studio.timezone)),
        _pace(root.table("pace")),
        shares,
        _audit(root.table("audit")),
        _clearance(root.table("clearance"), shares),
        _notify(root.table("notify")),
        _engine(root.table("engine")),
    )
    _refuse_shared_places(root, settings)
    _refuse_one_path_for_two(root.table("studio"), settings)
    _refuse_writing_into_shares(root.table("studio"), settings)
    return settings


def _studio(table: Table, state: Path) -> Studio:
    return Studio(
        table.take("name", ONE_LINE, "The studio"),
        table.take("timezone", ZONE),
        table.take("ledger", path_form(table.file, "a file"), state / "ledger.db"),
        table.take("reports", path_form(table.file, "a folder"), state / "reports"),
    )


def _hours(table: Table, zone: ZoneInfo) -> WorkingHours:
    working = table.take_list("working", SPAN)
    days_off = table.take_list("days_off", DATES)
    margin = table.take("margin", DURATION, timedelta(0))
    busy: list[Busy] = []
    for period in table.tables("busy"):
        found = _busy(period)
        if any(found.dates.overlaps(other.dates) for other in busy):
            raise period.refuse("from", "days in no other busy period", "two periods share a day")
        busy.append(found)
    # Whole seconds, and rather early than late.
    seconds = -(-margin // timedelta(seconds=1))
    hours = WorkingHours(zone, working, days_off, tuple(busy), seconds)
    if margin > _LONGEST_MARGIN:
        raise table.refuse("margin", "at most 7 days")
    if not WorkingHours(zone, working).ever_open():
        reason = "they leave not one open minute"
        raise table.refuse("working", "some time of the week to be left to read in", reason)
    if not hours.ever_open():
        reason = "with it the working hours leave not one open minute"
        raise table.refuse("margin", "some time of the week to be left to read in", reason)
    return hours


_LONGEST_MARGIN: Final = timedelta(days=7)
"""Weekly hours with more than that would never open."""


def _busy(table: Table) -> Busy:
    first, last = table.take("from", DATE), table.take("to", DATE)
    if last < first:
        raise table.refuse("to", f"{first}, which is from, or a later date")
    if last - first > LONGEST_DATES:
        raise table.refuse("to", "a date at most ten years after from")
    working = table.take_list("working", SPAN)
    if not working:
        expected = 'working hours such as ["Mon-Sun 07:00-24:00"]'
        raise table.refuse("working", f"{expected}; days without any belong to hours.days_off")
    return Busy(Dates(first, last), working)


def _pace(table: Table) -> Pace:
    return Pace(
        table.take("at_most", optional(RATE), None),
        table.take("yield_above", optional(PERCENTAGE), None),
    )


def _engine(table: Table) -> Engine:
    kind = table.take("kind", ENGINE, EngineKind.LOCAL)
    scheduler = table.take("scheduler", optional(SCHEDULER), None)
    if kind is EngineKind.DASK and scheduler is None:
        raise table.refuse("scheduler", SCHEDULER.expected, 'engine.kind is "dask"')
    if kind is EngineKind.LOCAL and scheduler is not None:
        reason = "without it this machine reads, and no scheduler is asked"
        raise table.refuse("scheduler", 'engine.kind = "dask" beside it', reason)
    return Engine(kind, scheduler)


def _shares(root: Table) -> Iterator[Share]:
    names: set[str] = set()
    for table in root.tables("share"):
        share = _share(table)
        if share.name in names:
            raise table.refuse("name", "a name that no other share has", "two shares have it")
        names.add(share.name)
        yield share


_DEFAULT_SLACK: Final = timedelta(seconds=2)
_DEFAULT_SURGE: Final = 0.2
_DAY: Final = timedelta(days=1)


def _share(table: Table) -> Share:
    name = table.take("name", NAME)
    source = table.take("source", address_form(table.file))
    if "mirror_takes" in table and "mirror_runs" not in table:
        raise table.refuse("mirror_takes", "mirror_runs beside it, the time at which it starts")
    mirrors = tuple(_mirrors(table, source))
    if not mirrors:
        raise table.refuse("mirror", "one mirror or more, each under [[share.mirror]]")
    return Share(
        name,
        source,
        mirrors,
        table.take("mirror_runs", optional(TIME_OF_DAY), None),
        table.take("mirror_takes", SOME_TIME, _DAY),
        table.take_list("ignore", PATTERN),
        table.take("slack", DURATION, _DEFAULT_SLACK),
        table.take("surge_above", PERCENTAGE, _DEFAULT_SURGE),
        table.take("read_at_most", optional(BUDGET), None),
    )


def _mirrors(share: Table, source: Address) -> Iterator[Mirror]:
    names: set[str] = set()
    for table in share.tables("mirror"):
        mirror = Mirror(
            table.take("name", NAME),
            table.take("at", address_form(table.file)),
            table.take("off_site", FLAG, False),
            table.take("read_at_most", optional(BUDGET), None),
        )
        if mirror.name in names:
            reason = "two mirrors of this share have it"
            raise table.refuse("name", "a name that no other one has", reason)
        if mirror.name.casefold() == SOURCE:
            reason = "so every share's source is called"
            raise table.refuse("name", "another name for a mirror", reason)
        names.add(mirror.name)
        if source.holds(mirror.at):
            reason = f"it is, or is inside, the share's source, {source}"
            raise table.refuse("at", "a place apart from the source", reason)
        if mirror.at.holds(source):
            reason = f"the share's source, {source}, is inside it"
            raise table.refuse("at", "a place apart from the source", reason)
        yield mirror


_EVERY_NIGHT: Final = tuple(range(len(DAYS)))


def _audit(table: Table) -> Audit:
    nights = table.take_list("nights", NIGHTS, [_EVERY_NIGHT])
    if not nights:
        raise table.refuse("nights", 'one night or more, such as ["Sat", "Sun"]', "it is empty")
    return Audit(
        tuple(sorted({day for each in nights for day in each})),
        table.take("every_byte_within", SOME_TIME, timedelta(days=90)),
    )


def _clearance(table: Table, shares: Sequence[Share]) -> Clearance:
    copies = table.take("copies", whole_form(1), 2)
    off_site = table.take("off_site", whole_form(0), min(1, copies))
    if off_site > copies:
        raise table.refuse("off_site", f"at most {copies}, the number of copies in all")
    most = max((len(share.mirrors) for share in shares), default=copies)
    if "copies" in table and copies > most:
        raise table.refuse("copies", f"at most {most}, the most mirrors that a share has")
    most = max((_off_site(share) for share in shares), default=off_site)
    if "off_site" in table and off_site > most:
        expected = f"at most {most}, the most mirrors with off_site = true that a share has"
        raise table.refuse("off_site", expected)
    return Clearance(
        copies,
        off_site,
        table.take("read_within", SOME_TIME, timedelta(days=7)),
        table.take("quiet_for", DURATION, timedelta(days=30)),
    )


def _off_site(share: Share) -> int:
    return sum(mirror.off_site for mirror in share.mirrors)


_LEAST_WAIT: Final = timedelta(seconds=1)
_LONGEST_WAIT: Final = timedelta(minutes=10)
"""A shift that waited longer for a mail server would keep the next one out."""


def _notify(table: Table) -> Notify:
    nights = table.take_list("nights", NIGHTS, [_EVERY_NIGHT])
    if not nights:
        raise table.refuse("nights", 'one night or more, such as ["Mon-Fri"]', "it is empty")
    wait = table.take("wait_at_most", SOME_TIME, timedelta(seconds=30))
    if not _LEAST_WAIT <= wait <= _LONGEST_WAIT:
        raise table.refuse("wait_at_most", "from 1 s to 10 min")
    every_shift = table.take("every_shift", FLAG, True)
    weekly = table.take("weekly", WEEKLY, 0)
    to = table.take_list("to", NOTIFY)
    if to and not every_shift and weekly is None:
        reason = "with every_shift = false too, silence would be all there is when all is good"
        raise table.refuse("weekly", "a day of the week", reason)
    return Notify(
        to,
        table.take("secrets", optional(path_form(table.file, "a file")), None),
        table.take("heartbeat", optional(HEARTBEAT), None),
        every_shift,
        weekly,
        tuple(sorted({day for each in nights for day in each})),
        table.take("attach_page", FLAG, False),
        wait,
    )


# ------------------------------------------------------------------------- between the sections


def _refuse_shared_places(root: Table, settings: Settings) -> None:
    """No two places of the whole file may be the same tree."""
    places = [
        (address, table, key)
        for table, share in zip(root.tables("share"), settings.shares, strict=True)
        for address, table, key in _places(table, share)
    ]
    for (one, _, _), (two, table, key) in combinations(places, 2):
        if one.holds(two) and two.holds(one):
            raise table.refuse(key, "a place that stands nowhere else in the file")


def _places(table: Table, share: Share) -> Iterator[tuple[Address, Table, str]]:
    yield share.source, table, "source"
    for below, mirror in zip(table.tables("mirror"), share.mirrors, strict=True):
        yield mirror.at, below, "at"


def _refuse_one_path_for_two(studio: Table, settings: Settings) -> None:
    """The settings, the ledger and the reports stand at three paths."""
    taken = {settings.file: "the settings stand there"}
    for key, path in (("ledger", settings.studio.ledger), ("reports", settings.studio.reports)):
        if path in taken:
            raise studio.refuse(key, "a path of its own", taken[path])
        taken[path] = f"the {key} goes there"


def _refuse_writing_into_shares(studio: Table, settings: Settings) -> None:
    """What is written, the ledger and the reports, may not lie inside of what is checked."""
    for key, path in (("ledger", settings.studio.ledger), ("reports", settings.studio.reports)):
        written = Address(AddressKind.FOLDER, str(path))
        for share in settings.shares:
            for address in (share.source, *(mirror.at for mirror in share.mirrors)):
                if address.holds(written):
                    shown = quoted_text(str(path))
                    raise studio.refuse(
                        key,
                        "a path outside of every share",
                        f'{shown} is inside {address} of the share "{share.name}"',
                    )
