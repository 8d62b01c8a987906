"""What stands on the simulated servers, held in arrays: some 40 bytes a file and place.

A file's content is a number: equal numbers are equal contents, and the number stands for the
digest.  Names follow from numbers too, so that no path is kept.
"""

from __future__ import annotations

from array import array
from bisect import bisect_left
from collections.abc import Iterator, Sequence
from itertools import repeat
from random import Random
from typing import Final

from verifier.model import Kind, Sighting

NANOSECONDS: Final = 1_000_000_000
KB, MB, GB, TB = 10**3, 10**6, 10**9, 10**12

_FOLDERS: Final = (
    (b"flights/01-north/", b"photo", b".jpg"),
    (b"flights/02-south/", b"photo", b".jpg"),
    (b"flights/03-again/", b"photo", b".jpg"),
    (b"notes/", b"notes", b".txt"),
    (b"orthos/", b"ortho", b".tif"),
    (b"point-clouds/", b"cloud", b".laz"),
)
"""A project's folders, sorted by path, with the names in them."""

FLIGHTS, NOTES, ORTHOS, CLOUDS = (0, 1, 2), 3, 4, 5
_BY_PATH: Final = {folder: number for number, (folder, _, _) in enumerate(_FOLDERS)}
_INDEX_BITS: Final = 20

_FILE: Final = Kind.FILE
_DEVICE: Final = 64_768


def code_of(folder: int, index: int, renamed: bool = False) -> int:
    """A file's number in its project; numbers sort as paths do."""
    return ((folder << _INDEX_BITS) | index) << 1 | (not renamed)


class _Names(dict[int, bytes]):
    """The path below a project's folder by a file's number.  Projects have the same few thousand:
    each is worked out once, which for every file of every walk would show."""

    def __missing__(self, code: int) -> bytes:
        folder, first, last = _FOLDERS[code >> (_INDEX_BITS + 1)]
        index = (code >> 1) & ((1 << _INDEX_BITS) - 1)
        name = b"%s%s_%06d%s%s" % (folder, first, index, b"" if code & 1 else b"-final", last)
        self[code] = name
        return name


class _Codes(dict[bytes, int]):
    """The reverse of `_Names`."""

    def __missing__(self, below: bytes) -> int:
        cut = below.rfind(b"/") + 1
        folder = _BY_PATH[below[:cut]]
        renamed = below[cut + 12 : cut + 13] == b"-"
        code = self[below] = code_of(folder, int(below[cut + 6 : cut + 12]), renamed)
        return code


_NAMES: Final = _Names()
_CODES: Final = _Codes()


def name_of(code: int) -> bytes:
    """The path below the project's folder."""
    return _NAMES[code]


def parse(path: bytes) -> tuple[bytes, int]:
    """The project and the code of a path."""
    project, _, below = path.partition(b"/")
    return project, _CODES[below]


class Tree:
    """One project's files at one place, in parallel arrays sorted by path.

    ``dates`` and ``written`` are in nanoseconds: what the file says of its last change, and when
    it was written here.  ``read`` is the second of its last reading, 0 before the first.
    """

    def __init__(self) -> None:
        self.codes = array("I")
        self.sizes = array("q")
        self.dates = array("q")
        self.written = array("q")
        self.contents = array("q")
        self.read = array("I")
        self.moves = 0
        """How often files stood elsewhere in the arrays than before."""
        self._next = 0

    def find(self, code: int) -> int | None:
        """Where a file stands in the arrays: most often right behind the one asked for before."""
        codes, at = self.codes, self._next
        if at >= len(codes) or codes[at] != code:
            at = bisect_left(codes, code)
            if at == len(codes) or codes[at] != code:
                return None
        self._next = at + 1
        return at

    def put(self, code: int, size: int, date: int, written: int, content: int) -> None:
        """Write a file, a new one or over what was there."""
        at = bisect_left(self.codes, code)
        if at == len(self.codes) or self.codes[at] != code:
            self.moves += 1
            self.codes.insert(at, code)
            for column in (self.sizes, self.dates, self.written, self.contents, self.read):
                column.insert(at, 0)
        self.sizes[at], self.dates[at], self.written[at] = size, date, written
        self.contents[at] = content

    def remove(self, code: int) -> None:
        """Delete a file, if it is there."""
        at = self.find(code)
        if at is not None:
            self.moves += 1
            for column in (
                self.codes,
                self.sizes,
                self.dates,
                self.written,
                self.contents,
                self.read,
            ):
                del column[at]


class Side:
    """One place: a tree of projects on a disk that may be unmounted."""

    def __init__(self) -> None:
        self.projects: dict[bytes, Tree] = {}
        self.mounted = True
        self.root_is_there = True
        self.writes = 0
        """How often something was written: until the next time, every file stands where it did."""
        self.touched: set[bytes] = set()
        """Projects that were written to since they were last looked through."""

    @property
    def files(self) -> int:
        return sum(len(tree.codes) for tree in self.projects.values())

    @property
    def bytes(self) -> int:
        return sum(sum(tree.sizes) for tree in self.projects.values())

    def at(self, path: bytes) -> tuple[Tree, int] | None:
        """Where a file stands, or None."""
        project, _, below = path.partition(b"/")
        tree = self.projects.get(project)
        at = None if tree is None else tree.find(_CODES[below])
        return None if tree is None or at is None else (tree, at)

    def at_together(self, paths: Sequence[bytes]) -> tuple[Tree, int] | None:
        """Where files stand that follow each other in one project; None where they do not."""
        found = self.at(paths[0]) if paths else None
        if found is None:
            return None
        tree, first = found
        before = paths[0][: paths[0].index(b"/") + 1]
        if [before + _NAMES[code] for code in tree.codes[first : first + len(paths)]] != paths:
            return None
        return found

    def put(
        self, project: bytes, code: int, size: int, date: int, written: int, content: int
    ) -> None:
        """Write a file."""
        tree = self.projects.get(project)
        if tree is None:
            tree = self.projects[project] = Tree()
        tree.put(code, size, date, written, content)
        self.writes += 1
        self.touched.add(project)

    def remove(self, project: bytes, code: int) -> None:
        """Delete a file, and the project with its last one."""
        tree = self.projects.get(project)
        if tree is not None:
            tree.remove(code)
            self.writes += 1
            self.touched.add(project)
            if not tree.codes:
                del self.projects[project]

    def sightings(self, project: bytes) -> Iterator[Sighting]:
        """What a walk sees of a project."""
        tree = self.projects.get(project)
        if tree is None:
            return iter(())
        before = project + b"/"
        return map(
            Sighting,
            [before + _NAMES[code] for code in tree.codes],
            repeat(_FILE),
            tree.sizes,
            tree.dates,
            tree.written,
            repeat(_DEVICE),
            tree.codes,
        )

    def paths(self) -> Iterator[bytes]:
        """Every path, sorted."""
        for project in sorted(self.projects, key=lambda name: name + b"/"):
            for code in self.projects[project].codes:
                yield project + b"/" + name_of(code)


def seen_of(path: bytes, tree: Tree, at: int) -> Sighting:
    """A file that was looked at and not read."""
    return Sighting(path, _FILE, tree.sizes[at], tree.dates[at], tree.written[at])


def sighting_of(path: bytes, tree: Tree, at: int, read_at: int) -> Sighting:
    """A file with its content read."""
    return Sighting(
        path,
        _FILE,
        tree.sizes[at],
        tree.dates[at],
        tree.written[at],
        _DEVICE,
        tree.codes[at],
        1,
        tree.contents[at].to_bytes(32, "big"),
        (),
        None,
        read_at,
    )


def sightings_of(paths: Sequence[bytes], tree: Tree, first: int, read_at: int) -> list[Sighting]:
    """As `sighting_of`, for files that follow each other from ``first`` on."""
    behind = first + len(paths)
    return list(
        map(
            Sighting,
            paths,
            repeat(_FILE),
            tree.sizes[first:behind],
            tree.dates[first:behind],
            tree.written[first:behind],
            repeat(_DEVICE),
            tree.codes[first:behind],
            repeat(1),
            [content.to_bytes(32, "big") for content in tree.contents[first:behind]],
            repeat(()),
            repeat(None),
            repeat(read_at),
        )
    )


class Contents:
    """Gives every content that is ever written its own number."""

    def __init__(self) -> None:
        self.last = 0

    def next(self) -> int:
        self.last += 1
        return self.last


GIANTS: Final = 20
GIANT: Final = 300 * GB
ENDLESS: Final = 5 * TB
REFERENCE: Final = 120 * TB
"""Bytes of a place in which files of `GIANT` and one of `ENDLESS` stand as they are; in a smaller
estate, on slower disks, they are smaller by as much."""


def filled(
    contents: Contents, files: int, size: int, now: int, seed: int
) -> tuple[Side, list[bytes]]:
    """A place with so many files and about so many bytes, and its projects' names in order.

    Of a thousand files some 545 are small notes, 400 raw photos around 25 MB, 40 point clouds of
    hundreds of MB and 15 orthophotos that take what room is left; a few very large files beside.
    """
    random = Random(seed)
    side = Side()
    names: list[bytes] = []
    in_project = max(50, min(2000, files // 50))
    scale = size / REFERENCE
    giants = [round(GIANT * scale)] * GIANTS + [round(ENDLESS * scale)]
    left = size - sum(giants) - files * (0.545 * 100 * KB + 0.4 * 25 * MB + 0.04 * 550 * MB)
    ortho = max(100 * MB, left / (files * 0.015))
    long_ago = now - 300 * 86_400
    for first in range(0, files, in_project):
        number = first // in_project
        name = b"%d-%04d-harbour-wall" % (2024 + 2 * number * in_project // files, number)
        names.append(name)
        tree = side.projects[name] = Tree()
        count = min(in_project, files - first)
        date = long_ago + number * 3_000
        rows = []
        for index in range(count):
            kind = random.random()
            if kind < 0.545:
                folder, length = NOTES, random.randrange(1 * KB, 200 * KB)
            elif kind < 0.945:
                folder = random.choice(FLIGHTS)
                length = round(25 * MB * random.uniform(0.8, 1.2))
            elif kind < 0.985:
                folder, length = CLOUDS, round(550 * MB * random.uniform(0.4, 1.6))
            else:
                folder, length = ORTHOS, round(ortho * random.uniform(0.5, 1.5))
            rows.append((code_of(folder, index), length))
        if giants and number % 2 == 0:
            rows.append((code_of(CLOUDS, count), giants.pop()))
        rows.sort()
        for code, length in rows:
            tree.codes.append(code)
            tree.sizes.append(length)
            tree.dates.append((date + (code & 0xFFFF)) * NANOSECONDS)
            tree.written.append((date + (code & 0xFFFF)) * NANOSECONDS)
            tree.contents.append(contents.next())
            tree.read.append(0)
    return side, names


def copied(source: Side) -> Side:
    """A mirror that holds what the source holds, with the same dates."""
    side = Side()
    for name, tree in source.projects.items():
        copy = side.projects[name] = Tree()
        for column in ("codes", "sizes", "dates", "contents", "read"):
            getattr(copy, column).extend(getattr(tree, column))
        copy.written.extend(each + 3_600 * NANOSECONDS for each in tree.written)
    return side
