"""Who reads for a job, by the settings: processes of this machine, or the workers of a cluster."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from verifier.engine import AS_FAST_AS_CAN_BE, Engine, ReadingEngine
from verifier.pace import Pace
from verifier.places.addresses import AddressKind, Named
from verifier.settings import Engine as Choice
from verifier.settings import EngineKind


def engine_for(
    choice: Choice | None,
    places: Sequence[Named],
    widths: Sequence[int | None],
    *,
    inline: bool = False,
    readers: int | None = None,
    pace: Pace = AS_FAST_AS_CAN_BE,
    resident: bool = False,
) -> ReadingEngine:
    """The readers that the settings ask for, a lane for each of ``places``, as wide as given.

    Without a choice, or where all is to happen ``inline``, this machine reads.  The rest is as
    for `verifier.engine.Engine`.  Raises RequestRefused where what a cluster needs is not
    installed, and ClusterUnready where it cannot do the work.
    """
    if inline or choice is None or choice.kind is EngineKind.LOCAL:
        return Engine(widths, inline=inline, readers=readers, pace=pace, resident=resident)
    from verifier.cluster.library import refuse_without_library  # an extra brings what it needs

    refuse_without_library()
    from verifier.cluster.engine import ClusterEngine

    assert choice.scheduler is not None
    here = [lane for lane, each in enumerate(places) if not is_folder(each)]
    return ClusterEngine(
        choice.scheduler, widths, here=here, readers=readers, pace=pace, resident=resident
    )


def is_folder(named: Named) -> bool:
    """Whether workers can mount it: what is none they leave to this machine."""
    return isinstance(named, Path) or named.kind is AddressKind.FOLDER
