"""A FUSE server of files and folders that misbehave on purpose.

Started as ``python -m faults.server MOUNTPOINT SPECIFICATION EVENTS`` by `faults.mounts`.  The
specification is the JSON of what `Share` there describes; each call that is answered is a line in
EVENTS.
"""

from __future__ import annotations

import errno
import json
import os
import stat
import sys
import threading
import time
from pathlib import Path
from typing import Any

import mfusepy
from trees import DATE, content

MEBI = 1 << 20

Attributes = dict[str, Any]


class Node:
    """One path.  A subclass misbehaves in one way; ``settings`` are its own."""

    mode = stat.S_IFREG | 0o644

    def __init__(self, path: str, settings: dict[str, Any]) -> None:
        self.path = path
        self.settings = settings
        self.size: int = settings.get("size", 0)
        self.changes = 0
        self.opened = 0
        self.block = content(settings.get("holds", path), min(self.size, MEBI))

    def attributes(self) -> Attributes:
        date = (DATE + self.settings.get("newer", 0) + self.changes) * 1_000_000_000
        return {
            "st_mode": self.mode,
            "st_size": self.size,
            "st_nlink": 1,
            "st_mtime": date,
            "st_ctime": date,
            "st_atime": date,
            "st_uid": os.getuid(),
            "st_gid": os.getgid(),
        }

    def listed_mode(self) -> int:
        """What the listing of the folder above says that this is."""
        return self.mode

    def open(self) -> None:
        self.opened += 1

    def read(self, size: int, offset: int) -> bytes:
        size = max(0, min(size, self.size - offset))
        first = offset % MEBI if self.size > MEBI else offset
        return (self.block * (2 + size // MEBI))[first : first + size]


class FailsAt(Node):
    """EIO for every read that touches the byte ``at``."""

    def read(self, size: int, offset: int) -> bytes:
        if offset <= self.settings["at"] < offset + size:
            raise mfusepy.FuseOSError(errno.EIO)
        return super().read(size, offset)


class Denied(Node):
    """May be seen and not opened."""

    def open(self) -> None:
        raise mfusepy.FuseOSError(errno.EACCES)


class NotSeen(Node):
    """Listed, but any closer look is EIO, as with a broken inode."""

    def attributes(self) -> Attributes:
        raise mfusepy.FuseOSError(errno.EIO)


class Vanished(Node):
    """Listed, and gone when it is asked for."""

    def attributes(self) -> Attributes:
        raise mfusepy.FuseOSError(errno.ENOENT)


class Resizes(Node):
    """Changes its size by ``by`` while it is read, the first ``times`` times; its date, too."""

    def __init__(self, path: str, settings: dict[str, Any]) -> None:
        super().__init__(path, settings)
        self.block = content(settings.get("holds", path), MEBI)

    def read(self, size: int, offset: int) -> bytes:
        if self.changes < self.settings["times"] and self.changes < self.opened:
            self.changes += 1
            self.size += self.settings["by"]
        return super().read(size, offset)


class Rewritten(Node):
    """Another content under another date whenever it has been read, the first ``times`` times."""

    def read(self, size: int, offset: int) -> bytes:
        held = super().read(size, offset)
        if self.changes < self.settings["times"] and self.changes < self.opened:
            self.changes += 1
        return held


class Unstable(Node):
    """Other bytes each time that it is read, the first ``times`` times, under one date."""

    passes = 0
    begun = False

    def open(self) -> None:
        super().open()
        self.begun = False

    def read(self, size: int, offset: int) -> bytes:
        if not self.begun:
            self.begun = True
            self.passes += 1
            true = self.settings.get("holds", self.path)
            name = true if self.passes > self.settings["times"] else f"wrong {self.passes} {true}"
            self.block = content(name, min(self.size, MEBI))
        return super().read(size, offset)


class Hangs(Node):
    """A read is not answered for ``seconds``."""

    def read(self, size: int, offset: int) -> bytes:
        time.sleep(self.settings["seconds"])
        return super().read(size, offset)


class Link(Node):
    mode = stat.S_IFLNK | 0o777


class LinkListedAsFile(Link):
    """Became a link after its folder was listed."""

    def listed_mode(self) -> int:
        return stat.S_IFREG


class LinkListedAsFolder(Link):
    """Was a folder when its parent was listed."""

    def listed_mode(self) -> int:
        return stat.S_IFDIR


class Folder(Node):
    """Closes, with all that it holds, when a file in it is opened after ``closes_after`` listings.

    Whoever walked it before saw it open.
    """

    mode = stat.S_IFDIR | 0o755
    closed = False

    def close_in_time(self) -> None:
        """A file below is about to be opened."""
        self.closed = self.closed or self.opened >= self.settings.get("closes_after", 1 << 60)

    def list(self) -> None:
        """Called for each listing, and told by ``settings`` which ones fail or hang."""
        self.opened += 1
        fails_on, fails_from = (self.settings.get(key) for key in ("fails_on", "fails_from"))
        if self.opened == fails_on or (fails_from and self.opened >= fails_from):
            raise mfusepy.FuseOSError(errno.EIO)
        if self.opened >= self.settings.get("hangs_from", 1 << 60):
            time.sleep(self.settings["seconds"])


KINDS = {
    each.__name__: each
    for each in (
        Node,
        FailsAt,
        Denied,
        NotSeen,
        Vanished,
        Resizes,
        Rewritten,
        Unstable,
        Hangs,
        Link,
        LinkListedAsFile,
        LinkListedAsFolder,
        Folder,
    )
}


class Server(mfusepy.Operations):
    """Answers the kernel, each call after a delay."""

    use_ns = True

    def __init__(self, specification: dict[str, Any], events: int) -> None:
        self._delay = specification["delay"]
        self._events = events
        self._nodes: dict[str, Node] = {"/": Folder("/", {})}
        self._below: dict[str, list[str]] = {"/": []}
        self._lock = threading.Lock()
        for path, settings in specification["nodes"].items():
            self._add(f"/{path}", KINDS[settings["kind"]](path, settings))

    def _add(self, path: str, node: Node) -> None:
        parent, _, name = path.rpartition("/")
        parent = parent or "/"
        if parent not in self._nodes:
            self._add(parent, Folder(parent[1:], {}))
        if path not in self._nodes:
            self._below[parent].append(name)
        self._nodes[path] = node
        if isinstance(node, Folder):
            self._below.setdefault(path, [])

    def _answer(self, call: str, path: str, more: str = "") -> Node:
        os.write(self._events, f"{call} {path} {more}\n".encode("utf-8", "surrogateescape"))
        if self._delay:
            time.sleep(self._delay)
        node = self._nodes.get(path)
        if node is None:
            raise mfusepy.FuseOSError(errno.ENOENT)
        closed = any(each.closed for each in self._above(path))
        if closed or (call.endswith("dir") and isinstance(node, Folder) and node.closed):
            raise mfusepy.FuseOSError(errno.EACCES)
        return node

    def _above(self, path: str) -> list[Folder]:
        parts = path.split("/")
        above = ("/".join(parts[:number]) for number in range(2, len(parts)))
        return [each for name in above if isinstance(each := self._nodes.get(name), Folder)]

    def getattr(self, path: str, fh: int | None = None) -> Attributes:
        return self._answer("getattr", path).attributes()

    def readlink(self, path: str) -> str:
        return str(self._answer("readlink", path).settings["target"])

    def opendir(self, path: str) -> int:
        self._answer("opendir", path)
        return 0

    def readdir(self, path: str, fh: int) -> list[tuple[str, Attributes, int]]:
        folder = self._answer("readdir", path)
        assert isinstance(folder, Folder)
        folder.list()
        listed: list[tuple[str, Attributes, int]] = [
            (name, {"st_mode": stat.S_IFDIR}, 0) for name in (".", "..")
        ]
        prefix = "/" if path == "/" else f"{path}/"
        for name in self._below[path]:
            mode = self._nodes[prefix + name].listed_mode()
            listed.append((name, {"st_mode": mode}, 0))
        return listed

    def open(self, path: str, flags: int) -> int:
        for folder in self._above(path):
            folder.close_in_time()
        node = self._answer("open", path)
        with self._lock:
            node.open()
        return 0

    def read(self, path: str, size: int, offset: int, fh: int) -> bytes:
        node = self._answer("read", path, f"{offset} {size}")
        if isinstance(node, Hangs):
            return node.read(size, offset)
        with self._lock:
            return node.read(size, offset)


def main() -> None:
    mountpoint, specification, events = sys.argv[1:]
    mfusepy.FUSE(
        Server(
            json.loads(Path(specification).read_text()),
            os.open(events, os.O_WRONLY | os.O_CREAT | os.O_APPEND),
        ),
        mountpoint,
        foreground=True,
        nothreads=False,
        attr_timeout=0,
        entry_timeout=0,
        negative_timeout=0,
        fsname="lantern-marsh",
    )


if __name__ == "__main__":
    main()
