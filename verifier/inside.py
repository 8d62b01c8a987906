"""Whether one path lies inside another: by its name, or by identity through every mount."""

from __future__ import annotations

import os
from collections.abc import Iterator

from verifier import system


def lies_in(inner: bytes, outer: bytes) -> bool:
    """Whether ``inner`` is ``outer`` or below it, by name or through the system's mounts.

    Both are absolute and free of links.
    """
    if _begins_with(inner, outer):
        return True
    identity = _identity(outer)
    return identity is not None and identity in folders_around(inner)


def folders_around(path: bytes) -> list[tuple[int, int]]:
    """Device and inode of the folder at ``path`` and of all that hold it, the nearest first.

    Those are looked for under every name that the system's mounts give the folder.  ``path`` is
    absolute and free of links; what is not there yet counts as standing where it would.
    """
    for existing in _with_parents(path):
        if (identity := _identity(existing)) is not None:
            break
    else:
        return []
    names = [existing]
    names += (each for each in system.other_names(existing) if _identity(each) == identity)
    found = (_identity(each) for name in names for each in _with_parents(name))
    return list(dict.fromkeys(each for each in found if each is not None))


def _with_parents(path: bytes) -> Iterator[bytes]:
    yield path
    while (above := os.path.dirname(path)) != path:
        yield (path := above)


def _begins_with(inner: bytes, outer: bytes) -> bool:
    inner, outer = os.path.normcase(inner), os.path.normcase(outer)
    return inner == outer or inner.startswith(outer.rstrip(os.sep.encode()) + os.sep.encode())


def _identity(path: bytes) -> tuple[int, int] | None:
    """None where nothing stands, or where what stands there has no number."""
    try:
        found = os.stat(path)
    except OSError:
        return None
    return (found.st_dev, found.st_ino) if found.st_ino else None
