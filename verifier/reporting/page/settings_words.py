"""The settings in words, for who reads the page and never saw the file.  No secret is repeated."""

from __future__ import annotations

import os
from collections.abc import Iterator
from datetime import timedelta

from verifier.hours import DAYS, Dates, days_in_words
from verifier.measures import count
from verifier.model import printable
from verifier.places.opening import traits_at
from verifier.reporting.calendar_words import in_full
from verifier.settings import (
    Mirror,
    Settings,
    Share,
    duration_in_words,
    percentage_in_words,
)


def in_words(settings: Settings) -> Iterator[tuple[str, str]]:
    """What each part is called, and a sentence or two on it."""
    yield "Working hours", _hours(settings)
    yield "Reading", _pace(settings)
    if settings.engine.scheduler is not None:
        yield "Readers", f"The workers of the cluster at {settings.engine.scheduler}."
    for share in settings.shares:
        yield share.name, " ".join(_share(share))
    audit = settings.audit
    nights = (
        "every night"
        if len(audit.nights) == len(DAYS)
        else f"the nights of {days_in_words(audit.nights).replace(',', ', ')}"
    )
    yield (
        "Audit",
        f"Every byte is to be read again within {duration_in_words(audit.every_byte_within)}, in "
        f"{nights}.",
    )
    clearance = settings.clearance
    yield (
        "Clearance",
        f"A folder may leave the source once {count(clearance.copies, 'copy', 'copies')} besides, "
        f"{clearance.off_site} of them off site, were read within "
        f"{duration_in_words(clearance.read_within)} and nothing in it changed for "
        f"{duration_in_words(clearance.quiet_for)}.",
    )
    yield "Notices", _notices(settings)
    file = os.path.abspath(settings.file)
    yield "Kept in", f"Ledger: {_path(settings.studio.ledger)}. Settings: {_path(file)}."


def _hours(settings: Settings) -> str:
    hours = settings.hours
    if not hours.working and not hours.busy:
        return (
            f"None, so that it may read at any time. Times are those of {settings.studio.timezone}."
        )
    said = f"{', '.join(map(str, hours.working)) or 'None in ordinary weeks'}"
    if hours.margin:
        said += f", and still from {duration_in_words(timedelta(seconds=hours.margin))} before"
    said += f"; in {settings.studio.timezone}."
    if hours.days_off:
        said += f" Days off: {', '.join(map(_dates, hours.days_off))}."
    for period in hours.busy:
        said += f" On {_dates(period.dates)} instead: "
        said += f"{', '.join(map(str, period.working))}."
    return said


def _dates(dates: Dates) -> str:
    if dates.first == dates.last:
        return in_full(dates.first)
    return f"{in_full(dates.first)} to {in_full(dates.last)}"


def _pace(settings: Settings) -> str:
    pace = settings.pace
    said = "As fast as the disks give it"
    if pace.at_most is not None:
        said = f"At most {pace.at_most}"
    if pace.yield_above is not None:
        said += (
            f"; it waits while others need the disks (pressure above "
            f"{percentage_in_words(pace.yield_above)})"
        )
    return f"{said}."


def _share(share: Share) -> Iterator[str]:
    yield f"Source: {share.source}."
    for mirror in share.mirrors:
        yield _mirror(mirror)
    if share.mirror_runs is None:
        yield "A copy is due at once."
    else:
        yield (
            f"The copy job starts at {share.mirror_runs:%H:%M} and takes at most "
            f"{duration_in_words(share.mirror_takes)}."
        )
    if share.ignore:
        yield f"Left out, and so never checked: {', '.join(share.ignore)}."


def _mirror(mirror: Mirror) -> str:
    said = f"Mirror {mirror.name}{', off site' if mirror.off_site else ''}: {mirror.at}"
    if mirror.read_at_most is not None:
        said += f", of which at most {mirror.read_at_most} are read"
    elif traits_at(mirror.at).reading_costs:
        said += ", which is only listed, since reading costs"
    return f"{said}."


def _notices(settings: Settings) -> str:
    kinds = [address.partition(":")[0] for address in settings.notify.to]
    if not kinds:
        return "Nobody is told: this page must be looked at."
    kinds = ["address in a variable" if kind.startswith("$") else kind for kind in kinds]
    return f"Sent to {count(len(kinds), 'address', 'addresses')} ({', '.join(kinds)})."


def _path(path: str | os.PathLike[str]) -> str:
    return printable(os.fsencode(path))
