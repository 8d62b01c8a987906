"""Which folder is to be cleared, how it is walked, and through what its places are read."""

from __future__ import annotations

import os
import sys
import time
from collections.abc import Iterator
from typing import Final

from verifier import system
from verifier.certificate import How
from verifier.engine import Watch
from verifier.errors import RequestRefused
from verifier.ignore import Ignore
from verifier.model import Kind, Sighting, printable
from verifier.places.base import Look
from verifier.places.folder import FolderPlace
from verifier.walker import walk_dated

NETWORK: Final = frozenset(
    {
        "9p",
        "afs",
        "beegfs",
        "ceph",
        "cifs",
        "coda",
        "gfs2",
        "glusterfs",
        "lustre",
        "ncpfs",
        "nfs",
        "nfs4",
        "ocfs2",
        "prl_fs",
        "smb3",
        "smbfs",
        "vboxsf",
        "virtiofs",
        "vmhgfs",
    }
)
"""File systems that another machine, or the host of a virtual one, answers for."""

IN_MEMORY: Final = frozenset({"ramfs", "tmpfs"})

_GONE: Final = Look(content=False)


def folder_in(named: bytes, source: FolderPlace, share: str) -> bytes:
    """The path of the folder in its share, with a slash at the end; raises RequestRefused.

    ``named`` is what a person gave: a path in the share, or a whole one that leads into its
    source.  Whether it is there is not looked at.
    """
    shown = printable(named)
    path = named
    if b".." in path.split(b"/"):
        raise RequestRefused(
            f"{shown} leads out of where it begins. Name the folder by its plain path in the "
            'share, without "..".'
        )
    if os.path.isabs(path):
        root = source.root.rstrip(b"/") + b"/"
        real = os.path.join(os.path.realpath(os.path.dirname(path.rstrip(b"/"))), b"")
        path = os.path.join(real, os.path.basename(path.rstrip(b"/"))) + b"/"
        if not path.startswith(root):
            raise RequestRefused(
                f"{shown} does not lie in the source of {share}, {source.at}. Name a folder by its "
                "path in the share."
            )
        path = path[len(root) :]
    parts = [part for part in path.split(b"/") if part not in (b"", b".")]
    if b"\0" in path:
        raise RequestRefused("The folder's name holds a zero byte, which no path can.")
    if not parts:
        raise RequestRefused(
            f"{shown or 'An empty name'} means the whole share, and a clearance is for one folder "
            f"in it. Name a folder of {share}."
        )
    return b"/".join(parts) + b"/"


def refuse_no_folder(folder: bytes, source: FolderPlace, share: str, watch: Watch) -> None:
    """Raises RequestRefused unless a folder stands there, reached through no link."""
    parts = folder.rstrip(b"/").split(b"/")
    for number in range(1, len(parts) + 1):
        path = b"/".join(parts[:number])
        (found,) = source.look_at([path], frozenset({0}), _GONE, time.time, watch)
        if found.trouble is not None and not found.trouble.unsettled:
            raise RequestRefused(
                f"{printable(path)} in {source.at} cannot be looked at. {found.trouble.detail}"
            )
        if found.trouble is not None:
            raise RequestRefused(
                f"There is no folder {printable(path)} in {share} ({source.at}). Check the name."
            )
        if found.kind is Kind.LINK:
            raise RequestRefused(
                f"{printable(path)} in {source.at} is a link. Name the folder that it leads to: "
                "deleting a link frees nothing, and what is behind it was not looked at."
            )
        if found.kind is Kind.FILE:
            raise RequestRefused(
                f"{printable(path)} in {source.at} is a file. A clearance is for a folder."
            )
    try:
        next(source.list_folder(folder[:-1]), None)
    except OSError as error:
        raise RequestRefused(
            f"{printable(folder[:-1])} in {source.at} cannot be listed as a folder "
            f"({(error.strerror or str(error)).lower()})."
        ) from error


class _Only(Ignore):
    """Leaves out all that is neither in the folder nor on the way to it."""

    def __init__(self, folder: bytes, patterns: tuple[str, ...]) -> None:
        super().__init__(patterns)
        self._folder = folder

    def __bool__(self) -> bool:
        return True

    def ignores(self, path: bytes) -> bool:
        return not path.startswith(self._folder) or super().ignores(path)

    def _ignores_folder(self, path: bytes) -> bool:
        inside = path + b"/"
        if not inside.startswith(self._folder) and not self._folder.startswith(inside):
            return True
        return super()._ignores_folder(path)


def walk_folder(place: FolderPlace, folder: bytes, patterns: tuple[str, ...]) -> Iterator[Sighting]:
    """The sightings in the folder at a place, sorted by path, by sizes and dates.

    A folder above it that could not be listed is a sighting too: that of the folder itself.
    """
    for sighting in walk_dated(place, _Only(folder, patterns)):
        if sighting.path.startswith(folder):
            yield sighting
        elif sighting.trouble is not None:
            yield Sighting(folder[:-1], Kind.OTHER, 0, 0, trouble=sighting.trouble)


def how_read(root: bytes) -> How:
    """Through what a folder of this machine is read.  ``root`` is absolute and free of links."""
    if sys.platform != "linux" or system.PLAIN:
        return How(
            "unknown",
            False,
            "as the system gave it: it does not let a program read past its cache",
        )
    kind = _file_system(root)
    if kind in NETWORK:
        return How(
            kind,
            False,
            f"through a network mount ({kind}), past this machine's cache; the cache of the server "
            "behind it cannot be bypassed from here",
        )
    if kind.startswith("fuse") and kind != "fuseblk":
        return How(
            kind,
            False,
            f"through a program ({kind}), past this machine's cache; what that program caches "
            "cannot be bypassed from here",
        )
    if kind in IN_MEMORY:
        return How(kind, False, f"from memory ({kind}), which no disk stands behind")
    if kind == "unknown":
        return How(kind, False, "from a file system that the system did not name")
    return How(kind, True, f"past the cache, from a disk of this machine ({kind})")


def _file_system(root: bytes) -> str:
    """The type of the file system that a folder lies on.  Source: proc(5), mountinfo."""
    try:
        with open("/proc/self/mountinfo", "rb") as mounts:
            lines = mounts.read().splitlines()
    except OSError:
        return "unknown"
    best, kind = b"", b"unknown"
    for line in lines:
        before, _, after = line.partition(b" - ")
        point = _unescaped(before.split(b" ")[4])
        if (root == point or root.startswith(point.rstrip(b"/") + b"/")) and len(point) >= len(
            best
        ):
            best, kind = point, after.split(b" ")[0]
    return kind.decode("ascii", "replace")


def _unescaped(field: bytes) -> bytes:
    """Blanks and the like stand in mountinfo as a backslash and three octal digits."""
    first, *rest = field.split(b"\\")
    return first + b"".join(bytes([int(part[:3], 8)]) + part[3:] for part in rest)
