"""What stands at each place: reach, what it holds, whether it could be written, and its budget."""

from __future__ import annotations

import time
from collections.abc import Iterator, Mapping, Sequence
from contextlib import closing
from itertools import combinations
from typing import Final

from verifier import guards
from verifier.engine import BellRang
from verifier.errors import PlaceUnreachable, VerifierError
from verifier.ignore import Ignore
from verifier.jobs.apart import overlap
from verifier.jobs.preflight.checks import Check, State, in_two
from verifier.jobs.preflight.permission import Permission
from verifier.jobs.preflight.place import PlaceFound
from verifier.jobs.progress import Progress
from verifier.jobs.remarks import clock_remarks
from verifier.jobs.spending import Budget, days_for
from verifier.ledger import Ledger, PlaceName, Totals
from verifier.measures import amount, count, duration
from verifier.model import Kind, Sighting, printable
from verifier.places.base import Place, Writing, is_empty
from verifier.reading import INODES_REMEMBERED
from verifier.settings import Settings
from verifier.walker import walk_dated

LIST_FOR: Final = 60.0
"""Seconds that one place is listed for at most; what it holds is then said not to be complete."""


def apart(places: Sequence[PlaceFound]) -> Iterator[Check]:
    """No place may be another one or lie inside of it, whatever its name is.

    Of a far host that is known once it was reached.
    """
    all_of_them = [(each, each.place) for each in places if each.place is not None]
    all_apart = True
    for (one, here), (two, there) in combinations(all_of_them, 2):
        if (found := overlap(there, here)) is None:
            continue
        all_apart = False
        inner = two if found.inner is there else one
        yield inner.says(
            "apart",
            State.WRONG,
            f"{found}, so that it proves nothing of a copy.",
            f"Name places that lie apart; {found.advice}.",
        )
    compared = [place for _, place in all_of_them if place.root is not None or place.identity()]
    if len(compared) > 1 and all_apart:
        detail = "No place is another one or lies inside of it."
        if untold := _untold(compared):
            detail += (
                f" Of {' and '.join(untold)} that is said by name alone: the system that has it "
                "does not tell which machine it runs on."
            )
        yield Check("apart", State.GOOD, detail)


def _untold(places: Sequence[Place]) -> list[str]:
    """The places of which nobody knows the machine, where not all are folders of this one."""
    if all(each.root is not None for each in places):
        return []
    told = [(each, each.identity()) for each in places]
    return [each.at for each, identity in told if identity is None or identity.machine is None]


class PlacesLookedAt:
    """Each place looked at: its root, and, where that is allowed, all that it holds.

    ``known`` and ``budgets`` are what the ledger has of them.
    """

    def __init__(
        self,
        found: Settings,
        permission: Permission,
        progress: Progress,
        known: Mapping[PlaceName, Totals],
        budgets: Mapping[PlaceName, Budget],
    ) -> None:
        self._settings = found
        self._permission = permission
        self._progress = progress
        self._known = known
        self._budgets = budgets

    def each(self, places: Sequence[PlaceFound]) -> Iterator[Check]:
        """The checks of all places; what is found out of one is kept in it."""
        for place in places:
            check = _wrong_with_root(place)
            if check is None and self._permission.holds():
                check = self._listed(place)
            if check is None:
                check = place.says("place", State.GOOD, f"{place.at} can be listed.")
            yield check
            if place.reached:
                yield from _told_of(place)
            if (budget := self._budgets.get(place.full_name)) is not None:
                yield self._budget(place, budget)
        if not self._permission.holds() and any(each.reached for each in places):
            yield self._permission.refused()

    def _listed(self, place: PlaceFound) -> Check:
        """Count what a place holds, and set it beside what the ledger knows."""
        if self._progress.watched:
            self._progress.say(f"Listing {place.at} ...")
        known = self._known.get(place.full_name)
        try:
            self._list(place)
            short = place.complete and known is not None and place.files * 2 < known.files
            if short and self._was_meant(place):
                short = False
        except VerifierError as error:
            return place.says("place", State.WRONG, *in_two(str(error)))
        holds = f"{place.at}: {count(place.files, 'file')}, {amount(place.bytes)}"
        if short and known is not None:
            return place.says(
                "place",
                State.WRONG,
                f"{holds}, under half of the {known.files:,} that the ledger knows.",
                "Check that all of it is mounted, and that nobody emptied it, before any copy job "
                "runs.",
            )
        if place.unlisted:
            return place.says(
                "place",
                State.WRONG,
                f"{holds}. {count(len(place.unlisted), 'path')} could not be looked at, such as "
                f"{printable(place.unlisted[0])}.",
                "Let this user list every folder; what it cannot see it cannot check.",
            )
        if not place.complete:
            return place.says(
                "place",
                State.LOOK,
                f"{holds}, and more: listing was ended before it was complete.",
                "Nothing; the times below are too short by what was not counted.",
            )
        return place.says("place", State.GOOD, f"{holds}.")

    def _was_meant(self, place: PlaceFound) -> bool:
        """Whether what is gone left with certificates, or is left out by now, as a shift sees it.

        Lists the place once more, beside what the ledger knows; records nothing.
        """
        assert place.place is not None
        ignore = Ignore(place.share.ignore)
        with Ledger(self._settings.studio.ledger) as ledger:
            certified = place.full_name.is_source and ledger.certificates.of(place.share.name)
            if not certified and not ignore:
                return False
            walk = ledger.walk(place.full_name, left_out=ignore.ignores_at_or_above)
            try:
                seen = walk_dated(place.place, ignore)
                summary = walk.take(_until(self._permission.until, seen))
            except BellRang:
                return False
            finally:
                walk.discard()
        return guards.emptied(summary) is None

    def _list(self, place: PlaceFound) -> None:
        assert place.place is not None
        until = min(self._permission.until, time.monotonic() + LIST_FOR)
        counted: set[tuple[int, int]] = set()
        place.listed = True
        with closing(walk_dated(place.place, Ignore(place.share.ignore))) as sightings:  # type: ignore[type-var]
            for sighting in sightings:
                if time.monotonic() >= until:
                    return
                place.entries += 1
                if sighting.trouble is not None:
                    place.unlisted.append(sighting.path)
                if sighting.kind is not Kind.FILE:
                    continue
                place.files += 1
                if sighting.links > 1 and len(counted) < INODES_REMEMBERED:
                    inode = (sighting.device, sighting.inode)
                    if inode in counted:
                        continue  # one content under several names is read once
                    counted.add(inode)
                place.bytes += sighting.size
                place.sample.add(sighting.path, sighting.size)
        place.complete = True

    def _budget(self, place: PlaceFound, budget: Budget) -> Check:
        """What may be read of a place where that costs or is limited."""
        spent = f"{amount(budget.spent)} were read in {budget.month}"
        if budget.limit is None:
            return place.says(
                "budget",
                State.GOOD,
                "Shifts only list it, since reading costs; spot-checks and clearances read it. "
                f"{spent}.",
            )
        detail = (
            f"Shifts read at most {amount(budget.limit)} of it a month: {spent}, "
            f"{amount(budget.left)} are left."
        )
        size = place.bytes or (
            self._known[place.full_name].bytes if place.full_name in self._known else 0
        )
        days = days_for(size, budget.limit)
        if not size:
            return place.says("budget", State.GOOD, detail)
        detail += f" To read all of it once takes {duration(days * 86_400)}."
        if days * 86_400 <= self._settings.audit.every_byte_within.total_seconds():
            return place.says("budget", State.GOOD, detail)
        return place.says(
            "budget",
            State.LOOK,
            detail,
            "Nothing, if that is meant; else raise its read_at_most or audit.every_byte_within.",
        )


def _wrong_with_root(place: PlaceFound) -> Check | None:
    """What is wrong with a root, which is all that working hours let it look at."""
    if place.place is None:
        return place.says("place", State.WRONG, *in_two(place.why_none))
    try:
        place.place.check()
        empty = is_empty(place.place)
    except PlaceUnreachable as error:
        return place.says("place", State.WRONG, *in_two(str(error)))
    place.reached = True
    if empty:
        return place.says(
            "place",
            State.WRONG,
            f"{place.at} is empty, as an unmounted folder is.",
            "Check that it is mounted; a new mirror must be filled by the copy job first.",
        )
    return None


def _until(end: float, sightings: Iterator[Sighting]) -> Iterator[Sighting]:
    for sighting in sightings:
        if time.monotonic() >= end:
            raise BellRang
        yield sighting


def _told_of(place: PlaceFound) -> Iterator[Check]:
    """What is to be known of a place that was reached."""
    assert place.place is not None
    try:
        for remark in (*place.place.remarks(), *clock_remarks(place.place, place.share.slack)):
            yield place.remarks(remark)
        yield _writing(place, place.place.writing())
    except PlaceUnreachable as error:
        yield place.says("place", State.WRONG, *in_two(str(error)))


def _writing(place: PlaceFound, found: Writing) -> Check:
    """Whether this user could write to a place.  Asked of the system; nothing is tried."""
    if found is Writing.READ_ONLY:
        return place.says("writing", State.GOOD, "It is mounted read-only.")
    if found is Writing.DENIED:
        detail = "This user cannot write there, as far as its top folder tells."
        return place.says("writing", State.GOOD, detail)
    if found is Writing.BY_ROOT:
        detail = "It can be written, since this runs as root."
        account = "as said above" if place.root is not None else "for the key to log in as"
        advice = f"Use an account of its own, {account}, or mount it read-only."
        return place.says("writing", State.LOOK, detail, advice)
    if found is Writing.UNKNOWN:
        detail = "Nobody can say whether this user could write there. Verifier never does."
        advice = "See to it that what this runs as is allowed to read there, and nothing else."
        return place.says("writing", State.LOOK, detail, advice)
    return place.says(
        "writing",
        State.LOOK,
        "This user could write there. Verifier never does, but something else run by it might.",
        "Use an account that cannot write there, or mount it read-only.",
    )
