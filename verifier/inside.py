"""Whether one path lies inside another: by its name, by the system's mounts, or by identity."""

from __future__ import annotations

import os
from pathlib import Path

from verifier import system


def lies_in(inner: bytes, outer: bytes) -> bool:
    """Whether ``inner`` is ``outer`` or below it, by name or through the system's mounts.

    Both are absolute and free of links.
    """
    if _begins_with(inner, outer):
        return True
    here, there = system.location(inner), system.location(outer)
    if here is not None and there is not None:
        return here[0] == there[0] and _begins_with(here[1], there[1])
    identity = _identity(outer)
    return identity is not None and any(
        identity == _identity(os.fsencode(each))
        for each in (Path(os.fsdecode(inner)), *Path(os.fsdecode(inner)).parents)
    )


def _begins_with(inner: bytes, outer: bytes) -> bool:
    inner, outer = os.path.normcase(inner), os.path.normcase(outer)
    return inner == outer or inner.startswith(outer.rstrip(os.sep.encode()) + os.sep.encode())


def _identity(path: bytes) -> tuple[int, int] | None:
    try:
        found = os.stat(path)
    except OSError:
        return None
    return found.st_dev, found.st_ino
