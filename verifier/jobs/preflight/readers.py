"""Who will read: this machine, or workers, and whether they see what this machine sees."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from verifier.engine import ReadingEngine
from verifier.errors import ClusterUnready, PlaceUnreachable, ReadersLost, RequestRefused
from verifier.jobs.engines import engine_for
from verifier.jobs.paces import pace_by
from verifier.jobs.preflight.checks import Check, State, in_two, refused
from verifier.jobs.preflight.place import PlaceFound
from verifier.settings import EngineKind, Settings


class ReadersFound:
    """Those who will read.  ``fit`` is False once they were seen not to be."""

    def __init__(self, found: Settings) -> None:
        self._settings = found
        self._by_cluster = found.engine.kind is not EngineKind.LOCAL
        self.fit = True

    def who_reads(self, places: Sequence[PlaceFound]) -> Check:
        """Whether those who will read are there and fit for it."""
        try:
            with self._readers_of(places) as engine:
                return Check("engine", State.GOOD, engine.described())
        except (RequestRefused, ClusterUnready) as error:
            self.fit = False
            return refused("engine", error)

    def see_alike(self, places: Sequence[PlaceFound]) -> Iterator[Check]:
        """Whether workers see the trees that this machine sees; who does not is not measured."""
        found = [each for each in places if each.listed and each.traits.can_be_mounted]
        if not (self._by_cluster and self.fit and found):
            return
        try:
            with self._readers_of(found) as engine:
                for each in found:
                    assert each.place is not None
                    try:
                        engine.look_first(each.place)
                    except PlaceUnreachable as error:
                        each.listed = False
                        yield each.says("workers", State.WRONG, *in_two(str(error)))
                    else:
                        detail = "Every worker sees the tree that this machine sees."
                        yield each.says("workers", State.GOOD, detail)
        except (ClusterUnready, ReadersLost) as error:
            self.fit = False
            yield refused("engine", error)

    def _readers_of(self, places: Sequence[PlaceFound]) -> ReadingEngine:
        return engine_for(
            self._settings.engine,
            [each.traits for each in places],
            inline=not self._by_cluster,
            pace=pace_by(self._settings),
        )
