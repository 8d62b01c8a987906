"""What preflight writes and looks up: the ledger, the reports, those who are told, and room."""

from __future__ import annotations

import os
import shutil
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import Final

from msgspec import Struct

from verifier import output
from verifier.errors import OutputFailed, RequestRefused, VerifierError
from verifier.expected import Missed
from verifier.hours import DAYS, WorkingHours
from verifier.inside import lies_in
from verifier.jobs.missed import missed_lately
from verifier.jobs.preflight.checks import Check, State, refused
from verifier.jobs.preflight.place import PlaceFound
from verifier.jobs.spending import Budget, budgets
from verifier.jobs.trees import refuse_temporary_inside
from verifier.ledger import Ledger, PlaceName, Totals, backups_of
from verifier.measures import amount, count
from verifier.model import printable
from verifier.sending import refuse_without_library
from verifier.settings import Settings, label_of, secrets_of, with_secrets
from verifier.settings.where import state_folder

CHECKED_IN_FULL: Final = 256 << 20
"""Bytes of a ledger of which every page is checked: a second or two."""

A_SIGHTING: Final = 250
COPIES: Final = 8
"""Bytes that the ledger needs for each path of each place, and how often it stands there: itself
and its seven backups.  Measured by tests/benchmarks/ledger.py."""

AN_EMPTY_LEDGER: Final = 256 * 1024
"""Bytes of one that knows no path: a page or more for each table and index."""


class Known(Struct, frozen=True):
    """What a ledger knows that other checks need; nothing where it cannot be used.

    ``record`` is the check of its chain, None where the ledger itself cannot be believed.
    """

    check: Check
    record: Check | None = None
    totals: Mapping[PlaceName, Totals] = {}
    budgets: Mapping[PlaceName, Budget] = {}
    missed: Missed = Missed()


def temporary(places: Sequence[PlaceFound]) -> Check | None:
    """What must be put aside in temporary files must not end up in a share."""
    try:
        refuse_temporary_inside(*(each.root for each in places))
    except RequestRefused as error:
        return refused("temporary", error)
    return None


def known_by_ledger(
    found: Settings,
    places: Sequence[PlaceFound],
    at: float,
    opened: Callable[[Ledger | None], None],
) -> Known:
    """Open the ledger, or make it, and learn what it knows.

    ``opened`` is called with it while it is open, and with None where it cannot be relied on.
    """
    path = found.studio.ledger
    if wrong := _not_ready("ledger", path.parent, path, places):
        opened(None)
        return Known(wrong)
    new = not os.path.lexists(path)
    try:
        with Ledger(path) as ledger:
            names = set(ledger.places())
            totals = {
                each.full_name: ledger.work.totals(each.full_name)
                for each in places
                if each.full_name in names
            }
            size = path.stat().st_size
            in_full = size <= CHECKED_IN_FULL
            faults = ledger.soundness() if in_full else ()
            missed = missed_lately(found, ledger, at)
            spent = {each.place: each for each in budgets(found, ledger, at)}
            opened(None if faults else ledger)
            record = None if faults else _record(ledger)
    except VerifierError as error:
        opened(None)
        return Known(refused("ledger", error))
    shown = printable(os.fsencode(path))
    if faults:
        check = Check(
            "ledger",
            State.WRONG,
            f"{shown} is not sound: {faults[0]}",
            "Put the newest backup beside it in its place, or move it away to start anew.",
        )
    elif new:
        check = Check("ledger", State.GOOD, f"{shown} was made; it is new and empty.")
    else:
        how = "every page was checked" if in_full else "opened; too large to check every page now"
        check = Check("ledger", State.GOOD, f"{shown} is sound ({amount(size)}; {how}).")
    return Known(check, record, totals, spent, missed)


def _record(ledger: Ledger) -> Check:
    """Whether what was recorded stands as it was: the chain, recomputed from its records."""
    changed, (number, link) = ledger.chain.verify(), ledger.chain.head()
    if changed:
        more = f" {len(changed) - 1} more such." if changed[1:] else ""
        return Check(
            "record",
            State.WRONG,
            f"The record is not as it was written: {changed[0]}{more}",
            "Find out who can write the ledger; set it beside its backups and the links on "
            "certificates and mails. Until then do not rely on what it says of the past.",
        )
    if not number:
        return Check("record", State.GOOD, "The record: no entries yet.")
    entries = count(number, "entry", "entries")
    return Check("record", State.GOOD, f"The record: {entries}, unbroken. Its head is {link}.")


def reports(found: Settings, places: Sequence[PlaceFound]) -> Check:
    """Whether the page can be written."""
    folder = found.studio.reports
    if wrong := _not_ready("reports", folder, folder, places):
        return wrong
    try:
        output.try_out(folder / "report")
    except OutputFailed as error:
        return refused("reports", error)
    return Check("reports", State.GOOD, f"{printable(os.fsencode(folder))} can be written.")


def notices(found: Settings) -> Check:
    """Whether anybody would be told; nothing is sent."""
    notify = found.notify
    try:
        if notify.to:
            refuse_without_library()
        values = secrets_of(notify.secrets, os.environ)
        for each in (*notify.to, *filter(None, [notify.heartbeat])):
            with_secrets(each, values)
    except RequestRefused as error:
        return refused("notices", error)
    if not notify.to:
        return Check(
            "notices",
            State.LOOK,
            "Nobody is told of anything: notify.to names nobody.",
            "Add an address as docs/notices.md shows, or look at the findings yourself.",
        )
    labels = ", ".join(label_of(each, number) for number, each in enumerate(notify.to, 1))
    detail = f"Told: {labels}. `verifier notify --test` shows whether it arrives."
    return Check("notices", State.GOOD, detail)


def nights(missed: Missed, hours: WorkingHours) -> Check | None:
    """Only when a night went by without a shift, or one did not come to its end."""
    if not missed:
        return None
    return Check(
        "nights",
        State.LOOK,
        _in_words(missed, hours),
        "See why: was the machine off, the timer stopped, or the shift ended by somebody?",
    )


def _in_words(found: Missed, hours: WorkingHours) -> str:
    said = []
    if found.nights:
        days = [f"{DAYS[each.day.weekday()]} {each.day}" for each in found.nights]
        shown = ", ".join(days[-7:])
        said.append(f"No shift ran in {count(len(days), 'night')} in which one was expected: ")
        said.append(f"{'..., ' if len(days) > 7 else ''}{shown}. ")
    for started in found.unfinished[-3:]:
        moment = hours.local(started)
        said.append(
            f"The shift of {DAYS[moment.weekday()]} {moment:%Y-%m-%d %H:%M} did not come to its "
            "end. "
        )
    return "".join(said).rstrip()


def room(
    found: Settings, places: Sequence[PlaceFound], totals: Mapping[PlaceName, Totals]
) -> Check | None:
    """Whether the ledger and its backups will fit on their disk; None where nobody can say."""
    known = [
        each.entries if each.complete else max(each.entries, _entries(each, totals))
        for each in places
    ]
    path = found.studio.ledger
    if not any(known) or not path.parent.is_dir():
        return None
    total = (AN_EMPTY_LEDGER + sum(known) * A_SIGHTING) * COPIES
    there = sum(_size(each) for each in (path, *backups_of(path)))
    free = shutil.disk_usage(path.parent).free
    folder = printable(os.fsencode(path.parent))
    detail = (
        f"{folder} has {amount(free)} free; the ledger and its backups of "
        f"{count(sum(known), 'path')} take some {amount(total)}."
    )
    if free + there >= total:
        return Check("room", State.GOOD, detail)
    # The first walks need the ledger itself and as much again.
    state = State.LOOK if free + there >= total * 2 // COPIES else State.WRONG
    return Check("room", state, detail, "Make room there, or keep the ledger on another disk.")


def _entries(place: PlaceFound, totals: Mapping[PlaceName, Totals]) -> int:
    return totals[place.full_name].entries if place.full_name in totals else 0


def _not_ready(check: str, folder: Path, shown: Path, places: Sequence[PlaceFound]) -> Check | None:
    """What is wrong with a folder to write in; a missing one is made where that is safe.

    Safe is a folder whose parent is there, or the user's own state folder: parents that are
    missing may be a disk that is not mounted.
    """
    real = os.path.realpath(os.fsencode(folder))
    for place in places:
        if place.root is not None and lies_in(real, place.root):
            return Check(
                check,
                State.WRONG,
                f"{printable(os.fsencode(shown))} lies inside {place.at}, where nothing may "
                "be written.",
                f"Set studio.{check} to a path outside of every share.",
            )
    own = state_folder(os.environ)
    try:
        folder.mkdir(0o700, parents=folder == own or own in folder.parents, exist_ok=True)
    except OSError as error:
        reason = (error.strerror or str(error)).lower()
        return Check(
            check,
            State.WRONG,
            f"{printable(os.fsencode(folder))} is no folder and cannot be made: {reason}.",
            f"Make it for this user, or set studio.{check} to another one.",
        )
    return None


def _size(path: Path) -> int:
    try:
        return path.stat().st_size
    except OSError:
        return 0
