"""Who reads for a job, by the settings: processes of this machine, or the workers of a cluster."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

from verifier.engine import AS_FAST_AS_CAN_BE, Engine, ReadingEngine
from verifier.pace import Pace
from verifier.places.base import Traits
from verifier.settings import Engine as Choice
from verifier.settings import EngineKind

ELSEWHERE: Final = 4
"""Questions that a place elsewhere is asked at once, each over a link of its own: as many as a
small server has cores, and few enough for one that counts logins."""


def engine_for(
    choice: Choice | None,
    traits: Sequence[Traits],
    width: int | None = None,
    more: Sequence[int] = (),
    *,
    inline: bool = False,
    readers: int | None = None,
    pace: Pace = AS_FAST_AS_CAN_BE,
    resident: bool = False,
) -> ReadingEngine:
    """The readers that the settings ask for, with a lane of so many tasks at once for each place.

    ``traits`` are those of the places.  ``width`` is None for as many as there are cores.
    ``more`` are the widths of lanes behind those of the places, the first of them for the first
    place again.  ``readers`` caps the processes of this machine.

    Without a choice, or where all is to happen ``inline``, this machine reads.  Raises
    RequestRefused where what a cluster needs is not installed, and ClusterUnready where it cannot
    do the work.
    """
    elsewhere = {number for number, each in enumerate(traits) if each.reads_elsewhere}
    widths = [
        min(ELSEWHERE, width or ELSEWHERE) if number in elsewhere else width
        for number in range(len(traits))
    ]
    widths.extend(more)
    if inline or choice is None or choice.kind is EngineKind.LOCAL:
        return Engine(
            widths,
            inline=inline,
            readers=readers,
            pace=pace,
            resident=resident,
            elsewhere=elsewhere,
        )
    from verifier.cluster.library import refuse_without_library  # an extra brings what it needs

    refuse_without_library()
    from verifier.cluster.engine import ClusterEngine

    assert choice.scheduler is not None
    here = [lane for lane in range(len(widths)) if not traits[lane % len(traits)].can_be_mounted]
    return ClusterEngine(
        choice.scheduler,
        widths,
        here=here,
        elsewhere=elsewhere,
        readers=readers,
        pace=pace,
        resident=resident,
    )
