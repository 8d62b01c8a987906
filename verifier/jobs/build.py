"""The job `manifest`: read one tree and write down what it holds."""

from __future__ import annotations

import time
from collections.abc import Callable
from contextlib import closing
from pathlib import Path

from msgspec import Struct

from verifier.engine import BellRang
from verifier.errors import RequestRefused, Stopped
from verifier.ignore import Ignore, refuse_idle
from verifier.jobs.engines import engine_for
from verifier.jobs.progress import Gauge, Progress
from verifier.jobs.trees import (
    Sizer,
    Tree,
    open_tree,
    refuse_output_inside,
    refuse_temporary_inside,
)
from verifier.manifest import ManifestWriter
from verifier.places.addresses import Named
from verifier.places.base import Look
from verifier.reading import read_tree
from verifier.settings import Engine


class Built(Struct, frozen=True):
    """What went into a manifest: counts, bytes, the paths with trouble, and seconds taken."""

    entries: int
    bytes: int
    read_bytes: int
    troubled: int
    seconds: float


def build(
    named: Named,
    out: Path,
    look: Look,
    ignore: tuple[str, ...],
    progress: Progress,
    now: Callable[[], float] = time.time,
    bell: float | None = None,
    engine: Engine | None = None,
) -> Built:
    """Write the manifest of the place that is ``named`` to ``out``.

    Reading ends at the ``bell``, in seconds since 1970, with Stopped.  ``engine`` is who reads,
    None this machine.  Raises what reading and writing raise: PlaceUnreachable, RequestRefused,
    OutputFailed, ClusterUnready, ReadersLost.
    """
    with closing(open_tree(named)) as tree:
        return _build(tree, out, look, ignore, progress, now, bell, engine)


def _build(
    tree: Tree,
    out: Path,
    look: Look,
    ignore: tuple[str, ...],
    progress: Progress,
    now: Callable[[], float],
    bell: float | None,
    engine: Engine | None,
) -> Built:
    if tree.place is None:
        raise RequestRefused(
            f"{tree.at} is a manifest already. Name the folder to build a manifest of."
        )
    refuse_output_inside(out, tree)
    refuse_temporary_inside(tree.root)
    refuse_idle(ignore)
    patterns = Ignore(ignore)
    started = time.perf_counter()
    troubled = 0
    with (
        ManifestWriter(out, tree.at, ignore, now) as writer,
        engine_for(engine, [tree.place.traits], more=[1], inline=not look.content) as readers,
    ):
        tree.heed(readers.own_watch(0))
        lane = readers.lanes[0]
        if bell is not None:
            readers.ring_at(bell)
        sizer = Sizer(tree.place, readers.lanes[-1], patterns)
        costs = tree.place.traits.reading_costs
        if progress.watched and look.content and not costs:
            sizer.start()
        gauge = Gauge(tree.name, lambda: lane.bytes_read, lambda: sizer.total)
        with progress.show([gauge] if look.content else []):
            try:
                for sighting in read_tree(tree.place, lane, look, patterns, now):
                    writer.add(sighting)
                    if sighting.trouble is not None:
                        troubled += 1
            except BellRang:
                raise Stopped(
                    "Working hours begin, so reading stopped and no manifest was written. Start "
                    "it again when they are over."
                ) from None
        tree.refuse_if_replaced()
    return Built(
        writer.entries,
        writer.bytes,
        lane.bytes_read,
        troubled,
        time.perf_counter() - started,
    )
