"""Builds trees for tests: files with known contents and dates, and the faults planted in them.

    tree = Tree(tmp_path / "bench").file("notes/plan.txt", b"low tide at noon").link("now", "notes")
    mirror = tree.copy_to(tmp_path / "vault").flip_bit("notes/plan.txt", at=3)

Paths may be text or bytes.  Every file gets the date `DATE` unless told otherwise.  A fault
keeps the date of the file that it is planted in unless its name says otherwise, and refuses to
plant nothing: the content is another one afterwards.
"""

from __future__ import annotations

import os
import random
import socket
import subprocess
from pathlib import Path

DATE = 1_777_888_000
"""The date of everything that is not given another one: seconds since 1970, May 2026."""

HOUR = 3_600
SECTOR = 512

Name = str | bytes


def content(name: Name, size: int) -> bytes:
    """``size`` bytes that look random and are the same for the same name on each call."""
    return random.Random(os.fsencode(name)).randbytes(size)


class Tree:
    """A folder that is filled by calls which can be chained."""

    def __init__(self, root: Path) -> None:
        self.root = root
        root.mkdir(parents=True, exist_ok=True)

    def __fspath__(self) -> str:
        return str(self.root)

    def at(self, path: Name) -> bytes:
        """The whole path of what stands at ``path``."""
        return os.path.join(os.fsencode(self.root), os.fsencode(path))

    # What a tree holds

    def file(self, path: Name, holds: bytes | int = 0, date: float = DATE) -> Tree:
        """A file that holds the given bytes, or as many random-looking ones."""
        whole = self._room_for(path)
        with open(whole, "wb") as file:
            file.write(content(path, holds) if isinstance(holds, int) else holds)
        os.utime(whole, (date, date))
        return self

    def files(self, *paths: Name, size: int = 1_000) -> Tree:
        """Several files, each with a content of its own."""
        for path in paths:
            self.file(path, size)
        return self

    def folder(self, path: Name) -> Tree:
        os.makedirs(self.at(path), exist_ok=True)
        return self

    def link(self, path: Name, target: Name, date: float = DATE) -> Tree:
        whole = self._room_for(path)
        os.symlink(os.fsencode(target), whole)
        os.utime(whole, (date, date), follow_symlinks=False)
        return self

    def hard_link(self, path: Name, existing: Name) -> Tree:
        os.link(self.at(existing), self._room_for(path))
        return self

    def fifo(self, path: Name) -> Tree:
        os.mkfifo(self._room_for(path))
        os.utime(self.at(path), (DATE, DATE))
        return self

    def socket(self, path: Name) -> Tree:
        with socket.socket(socket.AF_UNIX) as each:
            each.bind(self._room_for(path))
        os.utime(self.at(path), (DATE, DATE))
        return self

    def copy_to(self, root: Path) -> Tree:
        """Another tree that ``cp -a`` made of this one: dates, links and hard links are kept."""
        root.mkdir(parents=True)
        subprocess.run(["cp", "-a", "--", f"{self.root}/.", str(root)], check=True)
        return Tree(root)

    def read(self, path: Name) -> bytes:
        with open(self.at(path), "rb") as file:
            return file.read()

    def size(self, path: Name) -> int:
        return os.lstat(self.at(path)).st_size

    # Faults that keep the date

    def flip_bit(self, path: Name, at: int = 0, bit: int = 0) -> Tree:
        """One bit of the byte at ``at`` is another one; negative counts from the end."""
        at %= self.size(path)
        return self._overwrite(path, at, bytes([self._part(path, at, 1)[0] ^ (1 << bit)]))

    def garble(self, path: Name, at: int, length: int) -> Tree:
        """``length`` bytes are other ones, each of them."""
        before = self._part(path, at, length)
        return self._overwrite(path, at, bytes(byte ^ 0xA5 for byte in before))

    def zero(self, path: Name, at: int, length: int) -> Tree:
        """``length`` bytes are zero."""
        return self._overwrite(path, at, bytes(length))

    def cut(self, path: Name, to: int) -> Tree:
        """Only the first ``to`` bytes are left."""
        assert to < self.size(path)
        dates = self._dates(path)
        os.truncate(self.at(path), to)
        return self._set_dates(path, dates)

    def extend(self, path: Name, by: int) -> Tree:
        """``by`` bytes more stand at the end."""
        dates = self._dates(path)
        with open(self.at(path), "ab") as file:
            file.write(content(b"tail of " + os.fsencode(path), by))
        return self._set_dates(path, dates)

    def rewrite(self, path: Name, holds: bytes | int | None = None) -> Tree:
        """Another content under the same date; of the same size unless told otherwise."""
        return self._replace(path, holds, *self._dates(path))

    def swap(self, one: Name, other: Name) -> Tree:
        """Each of two files holds what the other held, under its own date."""
        first, second = self.read(one), self.read(other)
        return self.rewrite(one, second).rewrite(other, first)

    # Faults that change the date, or what is there at all

    def edit(self, path: Name, holds: bytes | int | None = None, after: float = HOUR) -> Tree:
        """Another content under a date that is ``after`` seconds later than the one it had."""
        date = self._dates(path)[1] + round(after * 1e9)
        return self._replace(path, holds, date, date)

    def make_older(self, path: Name) -> Tree:
        """Another content under an earlier date, as before the last edit."""
        return self.edit(path, after=-HOUR)

    def replace_by_link(self, path: Name, target: Name) -> Tree:
        """A link where the file was, under the file's date."""
        dates = self._dates(path)
        self.delete(path).link(path, target)
        os.utime(self.at(path), ns=dates, follow_symlinks=False)
        return self

    def date(self, path: Name, date: float) -> Tree:
        """The same content under another date."""
        os.utime(self.at(path), (date, date), follow_symlinks=False)
        return self

    def delete(self, path: Name) -> Tree:
        os.unlink(self.at(path))
        return self

    def rename(self, path: Name, to: Name) -> Tree:
        self._room_for(to)
        os.rename(self.at(path), self.at(to))
        return self

    # How

    def _room_for(self, path: Name) -> bytes:
        whole = self.at(path)
        os.makedirs(os.path.dirname(whole), exist_ok=True)
        return whole

    def _dates(self, path: Name) -> tuple[int, int]:
        found = os.lstat(self.at(path))
        return found.st_atime_ns, found.st_mtime_ns

    def _set_dates(self, path: Name, dates: tuple[int, int]) -> Tree:
        os.utime(self.at(path), ns=dates)
        return self

    def _part(self, path: Name, at: int, length: int) -> bytes:
        with open(self.at(path), "rb") as file:
            file.seek(at)
            part = file.read(length)
        assert len(part) == length, f"{path!r} ends before byte {at + length}"
        return part

    def _overwrite(self, path: Name, at: int, block: bytes) -> Tree:
        assert self._part(path, at, len(block)) != block, f"{path!r} holds that already"
        dates = self._dates(path)
        with open(self.at(path), "r+b") as file:
            file.seek(at)
            file.write(block)
        return self._set_dates(path, dates)

    def _replace(self, path: Name, holds: bytes | int | None, *dates: int) -> Tree:
        before = self.read(path)
        if not isinstance(holds, bytes):
            size = len(before) if holds is None else holds
            holds = content(b"another " + os.fsencode(path), size)
        assert holds != before, f"{path!r} holds that already"
        with open(self.at(path), "r+b") as file:
            file.truncate(len(holds))
            file.write(holds)
        os.utime(self.at(path), ns=(dates[0], dates[1]))
        return self


def lantern_marsh(root: Path) -> Tree:
    """A small project of Lantern Marsh Surveys, with something of everything."""
    project = "2026-014-harbour-wall"
    return (
        Tree(root)
        .files(f"{project}/flights/day-1/DJI_0001.jpg", f"{project}/flights/day-1/DJI_0002.jpg")
        .file(f"{project}/flights/day-1/DJI_0003.mp4", 3_000_000)
        .file(f"{project}/point-clouds/north.laz", 1_048_576)
        .file(f"{project}/orthos/harbour.tif", 200_000)
        .file(f"{project}/notes/plan.txt", b"Low tide at noon; fly the wall first.\n")
        .file(f"{project}/notes/empty.txt")
        .folder(f"{project}/notes/drafts")
        .link(f"{project}/latest", "flights/day-1")
    )
