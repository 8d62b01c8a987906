"""How things stood when each shift had ended, and what each read: the history that pages draw.

Sightings and findings say how things stand; how they stood cannot be told from them afterwards.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping

from msgspec import Struct

from verifier.ledger import statements
from verifier.ledger.agreements import Agreements
from verifier.ledger.hidden import Hidden
from verifier.ledger.names import Names, split
from verifier.ledger.readings import Readings
from verifier.ledger.store import Store
from verifier.ledger.values import PlaceName, Shift
from verifier.model import Verdict


class Stood(Struct, frozen=True):
    """How much a place held when a shift had ended; ``free`` is what its disk had left."""

    shift: int
    place: PlaceName
    at: int
    files: int
    bytes: int
    unread_files: int
    unread_bytes: int
    free: int | None


class Tally(Struct, frozen=True):
    """How many paths of a mirror had a verdict; ``accepted`` of them by a person's decision."""

    paths: int
    accepted: int = 0


class StoodVerdict(Struct, frozen=True):
    """A tally, as of a shift's end."""

    shift: int
    mirror: PlaceName
    verdict: Verdict
    tally: Tally


class ShiftReading(Struct, frozen=True):
    """What one shift read of one place; ``seconds`` those in which it was being read."""

    shift: int
    started: int
    ended: int | None
    place: PlaceName
    files: int
    bytes: int
    troubles: int
    seconds: float | None


class Held(Struct, frozen=True):
    """What a walk saw of a place."""

    at: int
    files: int
    bytes: int


class Nights:
    """One record a shift, written when it has ended, and what the ledger tells of all shifts."""

    def __init__(
        self,
        store: Store,
        names: Names,
        readings: Readings,
        agreements: Agreements,
        hidden: Hidden,
    ) -> None:
        self._store = store
        self._names = names
        self._readings = readings
        self._agreements = agreements
        self._hidden = hidden
        store.add_function("folder_of", lambda path: split(path)[0], 1)
        store.add_function("name_of", lambda path: split(path)[1], 1)

    def tallies(self, mirror: PlaceName) -> Mapping[Verdict, Tally]:
        """How many paths of a mirror have each verdict now.  Looks at each: seconds a million.

        Unless all were just agreed on, as after a first shift over what matches.  Below a folder
        that cannot be listed they are unread, however they stood before.
        """
        self._readings.flush()
        values = {
            "mirror": self._names.place(mirror),
            "source": self._names.place(PlaceName(mirror.share)),
            "share": self._names.share(mirror.share),
        }
        agreed = self._agreements.all_agreed(mirror)
        there = (agreed, 0, 0) if agreed else self._store.row(statements.COUNT_PAIRS, values)
        said = self._store.row(statements.COUNT_PAIRS_FOUND, values)
        assert there is not None and said is not None
        hidden = self._hidden.pairs(mirror)
        matched, pending, unread = (
            count - spoken_of for count, spoken_of in zip(there, said, strict=True)
        )
        found = {
            Verdict.MATCHED: Tally(matched - hidden.matched),
            Verdict.PENDING: Tally(pending - hidden.pending),
            Verdict.UNREAD: Tally(unread + hidden.matched + hidden.pending),
        }
        for verdict, count, accepted in self._store.rows(
            statements.COUNT_LASTING, (values["mirror"],)
        ):
            found[Verdict(verdict)] = Tally(count, accepted)
        return found

    def record(
        self,
        shift: int,
        at: int,
        free: Mapping[PlaceName, int | None],
        tallies: Mapping[PlaceName, Mapping[Verdict, Tally]],
    ) -> None:
        """How the places of ``free`` and the mirrors of ``tallies`` stand after a shift."""
        self._readings.flush()
        with self._store.transaction():
            for place, left in free.items():
                number = self._names.place(place)
                values = {"shift": shift, "place": number, "at": at, "free": left}
                self._store.run(statements.ADD_NIGHT, values)
            for mirror, each in tallies.items():
                number = self._names.place(mirror)
                self._store.run_each(
                    statements.ADD_NIGHT_VERDICT,
                    (
                        (shift, number, verdict.value, tally.paths, tally.accepted)
                        for verdict, tally in each.items()
                    ),
                )

    def first_shift_since(self, moment: int) -> int:
        """The number of the first shift that started at ``moment`` or later, or one too high."""
        row = self._store.row(statements.FIRST_SHIFT_SINCE, (moment,))
        return (1 << 62) if row is None or row[0] is None else int(row[0])

    def began(self) -> int | None:
        """When the first of all shifts started."""
        row = self._store.row(statements.FIRST_SHIFT)
        return None if row is None or row[0] is None else int(row[0])

    def stood(self, since_shift: int) -> list[Stood]:
        """How the places stood after each shift, from that one on."""
        return [
            Stood(shift, self._names.place_name(place), *rest)
            for shift, place, *rest in self._store.rows(statements.NIGHTS_SINCE, (since_shift,))
        ]

    def verdicts(self, since_shift: int) -> list[StoodVerdict]:
        """The tallies after each shift, from that one on."""
        return [
            StoodVerdict(
                shift, self._names.place_name(mirror), Verdict(verdict), Tally(paths, accepted)
            )
            for shift, mirror, verdict, paths, accepted in self._store.rows(
                statements.NIGHT_VERDICTS_SINCE, (since_shift,)
            )
        ]

    def readings(self, since_shift: int) -> list[ShiftReading]:
        """What each shift read of each place, from that one on."""
        return [
            ShiftReading(shift, started, ended, self._names.place_name(place), *rest)
            for shift, started, ended, place, *rest in self._store.rows(
                statements.READINGS_SINCE, (since_shift,)
            )
        ]

    def shifts(self, since_shift: int) -> list[Shift]:
        """The shifts from that one on, without what they read."""
        return [Shift(*row) for row in self._store.rows(statements.SHIFTS_FROM, (since_shift,))]

    def held(self, place: PlaceName, since: int) -> list[Held]:
        """What the last walk of each day saw of a place."""
        values = self._names.place(place), since
        return [Held(*row) for row in self._store.rows(statements.HELD_SINCE, values)]

    def waiting(self, mirrors: Iterable[PlaceName]) -> int:
        """Paths of these mirrors that look corrupt and wait for their second reading."""
        rows = (
            self._store.row(statements.COUNT_WAITING, (self._names.place(mirror),))
            for mirror in mirrors
        )
        return sum(row[0] for row in rows if row is not None)
