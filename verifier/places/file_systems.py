"""On which file system a folder of this machine lies, and what stands between it and its disk."""

from __future__ import annotations

import sys
from typing import Final

from verifier import system
from verifier.model import How

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
