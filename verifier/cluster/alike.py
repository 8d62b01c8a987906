"""Whether a worker sees the tree that the calling machine sees, by looking at a few of its paths.

A mirror holds the same names, sizes and dates as its source: what tells them apart is the number
that the file system gave a file, and the date at which its entry last changed, which a mount
brings along from its server.  Nothing is opened, and nothing is written.
"""

from __future__ import annotations

import time
from collections import deque
from collections.abc import Iterator, Sequence
from contextlib import closing
from itertools import islice
from operator import itemgetter
from typing import Final

from verifier.cluster.orders import Expected, Found
from verifier.engine import Watch
from verifier.errors import PlaceUnreachable
from verifier.measures import count
from verifier.model import Kind, Sighting, printable
from verifier.places.base import Look, Place, is_empty

FOLDERS: Final = 16
"""Folders that are listed to choose the paths."""

NAMES: Final = 1000
"""Names of one folder that are listed at most."""

OF_EACH: Final = 6
"""Paths that are chosen of one folder at most."""

SETTLED_FOR: Final = 120.0
"""Seconds without a change after which every machine that mounts a tree knows of it: the caches
of network mounts hold what they know for up to a minute."""

ENOUGH: Final = 8
"""Paths that have settled; with fewer, others are taken as well."""

_ONLY_LOOK: Final = Look(content=False)


def expected_of(place: Place, number: int, watch: Watch) -> Expected:
    """What a worker must see, taken from this machine.  Raises PlaceUnreachable."""
    root = place.root
    assert root is not None, "only folders are read by a cluster"
    seen = _looked_at(place, list(_chosen(place)), watch)
    return Expected(number, root, is_empty(place), _settled(seen), place.how_read())


def found_at(place: Place, expected: Expected, watch: Watch) -> Found:
    """What this worker sees."""
    try:
        place.check()
        seen = _looked_at(place, [each.path for each in expected.seen], watch)
        return Found(tuple(seen), is_empty(place), place.how_read())
    except PlaceUnreachable as error:
        # What to do about it is for who has the cluster, and is told once for all that may be.
        wrong, _, _ = str(error).rpartition(". ")
        return Found(trouble=wrong or str(error))


def differences(expected: Expected, found: Found) -> list[bytes]:
    """The paths that are not the same file on both machines."""
    pairs = zip(expected.seen, found.seen, strict=True)
    return [here.path for here, there in pairs if not _same(here, there)]


def is_alike(expected: Expected, found: Found) -> bool:
    """True when nothing at all tells the two apart."""
    return (
        found.trouble is None
        and found.empty == expected.empty
        and not _read_less_well(expected, found)
        and not differences(expected, found)
    )


def unlike(place: Place, expected: Expected, found: Found, watch: Watch) -> str | None:
    """In words, how a worker's tree is another one; None when it is not, or may not be.

    A path that differs is looked at again here: one that is changing at this very time tells
    nothing.
    """
    if found.trouble is not None:
        trouble = found.trouble.rstrip(".")
        if trouble.startswith(f"{place.at} "):
            return f"finds that {trouble}"
        return f"cannot read {place.at}: {trouble}"
    if found.empty != expected.empty:
        holds, held = ("nothing", "files") if found.empty else ("files", "nothing")
        return f"sees {holds} at {place.at}, where this machine sees {held}"
    if _read_less_well(expected, found):
        assert found.how is not None
        return (
            f"reads {place.at} {found.how.detail}, while this machine reads it "
            f"{expected.how.detail}, and would claim that of the worker's reading too"
        )
    differing = differences(expected, found)
    there = {each.path: each for each in found.seen}
    before = {each.path: each for each in expected.seen}
    now = _looked_at(place, differing, watch)
    wrong = [
        each.path
        for each in now
        if _same(each, before[each.path]) and not _same(each, there[each.path])
    ]
    if not wrong:
        return None
    return (
        f"sees another tree at {place.at}: of {count(len(expected.seen), 'path')} looked at, "
        f"{len(wrong):,} {'is' if len(wrong) == 1 else 'are'} not the same file there, such as "
        f"{printable(wrong[0])}"
    )


def devices(expected: Expected, found: Found) -> dict[int, int]:
    """Under which number the calling machine knows each of the worker's devices."""
    return {
        there.device: here.device for here, there in zip(expected.seen, found.seen, strict=True)
    }


def _read_less_well(expected: Expected, found: Found) -> bool:
    """What this machine says of how it was read must not be more than what the worker did."""
    return expected.how.past_cache and found.how is not None and not found.how.past_cache


def _same(here: Sighting, there: Sighting) -> bool:
    if here.kind is not there.kind or here.inode != there.inode or here.trouble != there.trouble:
        return False
    if here.kind is Kind.OTHER:
        return True  # a folder's own size and dates are no concern of readers
    return (here.size, here.mtime_ns, here.ctime_ns, here.target) == (
        there.size,
        there.mtime_ns,
        there.ctime_ns,
        there.target,
    )


def _looked_at(place: Place, paths: Sequence[bytes], watch: Watch) -> list[Sighting]:
    return place.look_at(paths, frozenset(range(len(paths))), _ONLY_LOOK, time.time, watch)


def _settled(seen: list[Sighting]) -> tuple[Sighting, ...]:
    known = [each for each in seen if each.trouble is None]
    before = (time.time() - SETTLED_FOR) * 1e9
    settled = [each for each in known if each.ctime_ns < before]
    return tuple(settled if len(settled) >= ENOUGH else known)


def _chosen(place: Place) -> Iterator[bytes]:
    """Some paths, from the root down and from all over each folder that is listed."""
    folders = deque([b""])
    for _ in range(FOLDERS):
        if not folders:
            return
        folder = folders.popleft()
        try:
            with closing(place.list_folder(folder)) as names:  # type: ignore[type-var]
                listed = sorted(islice(names, NAMES), key=itemgetter(0))
        except OSError:
            continue
        prefix = folder + b"/" if folder else b""
        below = [prefix + name for name, kind in listed if kind is None]
        folders.extend(_spread(below))
        yield from _spread([prefix + name for name, _ in listed])


def _spread(paths: list[bytes]) -> list[bytes]:
    step = -(-len(paths) // OF_EACH) or 1
    return paths[::step]
