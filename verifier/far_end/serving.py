"""Questions in, answers out: the loop of a far end.

One thread listens, so that a bell, an allowance and the end of the link are heard in the middle of
a file; the other one answers.  No path is ever given to a shell, and none is opened but through
`verifier.places.folder`, below the one root that is served.
"""

from __future__ import annotations

import getpass
import os
import queue
import stat
import threading
import time
from collections.abc import Iterable, Iterator
from itertools import islice
from typing import Final, TypeVar

from verifier import __version__
from verifier.engine import BellRang
from verifier.errors import PlaceUnreachable
from verifier.far_end.watching import FarWatch
from verifier.ignore import Ignore, Only
from verifier.model import printable
from verifier.places.base import Identity
from verifier.places.far import messages as say
from verifier.places.folder import FolderFile, FolderPlace
from verifier.walker import walk_dated

LOOKED_AT_ONCE: Final = 32
"""Paths of a batch that are answered together: what a dropped link has to be looked at again."""

_AT_ONCE: Final = 1000
"""Values of a frame at most."""

_CHUNK: Final = 64 * 1024

T = TypeVar("T")


def serve(within: bytes | None, take: int, give: int) -> None:
    """Answer on the descriptor ``give`` what is asked on ``take``, until that ends.

    ``within`` is the folder of which nothing outside is served, None for any folder.
    """
    _FarEnd(within, take, give).run()


class _FarEnd:
    def __init__(self, within: bytes | None, take: int, give: int) -> None:
        self._within = within
        self._take = take
        self._give = give
        self._place: FolderPlace | None = None
        self._file: FolderFile | None = None
        self._asked: queue.SimpleQueue[say.Question] = queue.SimpleQueue()
        self._watch = FarWatch(self._tell)

    def run(self) -> None:
        """Until the link ends, which ends the process from the thread that hears it."""
        self._write(say.GREETING + __version__.encode() + b"\n")
        threading.Thread(target=self._listen, name="listen", daemon=True).start()
        while True:
            self._watch.rest()
            question = self._asked.get()
            self._watch.rise()
            self._answer(question)

    # ----------------------------------------------------------------------------- the link

    def _listen(self) -> None:
        frames = say.Frames()
        try:
            while more := os.read(self._take, _CHUNK):
                frames.add(more)
                while (frame := frames.next()) is not None:
                    heard = say.from_here(frame)
                    if isinstance(heard, say.Allow):
                        self._watch.allow_more(heard.count)
                    elif isinstance(heard, say.NewTerms):
                        self._watch.change(heard.terms)
                    else:
                        self._asked.put(heard)
        except (OSError, say.Garbled):
            pass  # nobody speaks any more, or somebody who is no verifier
        os._exit(0)  # in the middle of a file too: it is only read, and nobody wants it now

    def _tell(self, value: say.FromThere) -> None:
        self._write(say.framed(value))

    def _write(self, content: bytes) -> None:
        rest = memoryview(content)
        try:
            with self._watch.telling():
                while rest:
                    rest = rest[os.write(self._give, rest) :]
        except OSError:
            os._exit(0)

    # -------------------------------------------------------------------------- the answers

    def _answer(self, question: say.Question) -> None:
        last: say.FromThere
        try:
            terms = getattr(question, "terms", None)
            if terms is not None:
                self._watch.begin(terms)
            for value in self._values(question):
                self._tell(value)
            last = say.Done(self._watch.end())
        except BellRang:
            last = say.Done(self._watch.end(), rang=True)
        except PlaceUnreachable as error:
            last = say.Gone(str(error))
        except OSError as error:
            last = say.Failed(error.errno or 0, error.strerror or str(error))
        except _NotServed as refused:
            last = refused.answer
        except Exception as error:
            last = say.Broke(f"{type(error).__name__}: {error}")
        if not isinstance(last, say.Done):
            self._watch.tell_read()
            self._watch.end()
        self._tell(last)

    def _values(self, question: say.Question) -> Iterator[say.FromThere]:
        _refuse_leading_out(question)
        match question:
            case say.Open():
                yield self._open(question.root)
            case say.Check():
                self._root.check()
            case say.Walk():
                yield from self._walk(question)
            case say.ListFolder(dated=True):
                for names in _groups(self._root.list_dated(question.folder), _AT_ONCE):
                    yield say.Dated(names)
            case say.ListFolder():
                for each in _groups(self._root.list_folder(question.folder), _AT_ONCE):
                    yield say.Names(each)
            case say.LookAt():
                yield from self._look_at(question)
            case say.ReadAlone():
                found = self._root.read_alone(question.path, question.look, time.time, self._watch)
                yield say.Sightings([found])
            case say.ReadPiece():
                found = self._root.read_piece(question.path, question.piece, time.time, self._watch)
                yield say.Sightings([found])
            case say.TryReading():
                until = time.monotonic() + question.seconds
                yield say.Tried(
                    self._root.try_reading(question.path, question.length, until, self._watch)
                )
            case say.OpenFile():
                self._close_file()
                self._file = self._root.open(question.path)
                yield say.Size(self._file.size)
            case say.ReadRange():
                yield self._read_range(question)
            case say.CloseFile():
                self._close_file()
            case say.LeadsInto():
                yield say.YesOrNo(
                    self._root.leads_into(question.link, question.target, question.folder)
                )
            case say.Tell():
                place = self._root
                yield say.Told(place.how_read(question.folder), place.room(), place.writing())
            case say.Fill():
                yield from _filling(question)

    @property
    def _root(self) -> FolderPlace:
        if self._place is None:
            raise PlaceUnreachable("No folder was asked for first.")
        return self._place

    def _open(self, root: bytes) -> say.FromThere:
        real = os.path.realpath(root)
        if not root.startswith(b"/") or b"\0" in root:
            raise _NotServed(say.Why.MISSING)
        if self._within is not None and not _is_in(real, os.path.realpath(self._within)):
            raise _NotServed(say.Why.OUTSIDE)
        place = FolderPlace(real)
        try:
            found = os.stat(real)
            if not stat.S_ISDIR(found.st_mode):
                raise _NotServed(say.Why.NO_FOLDER)
            with os.scandir(real) as names:
                next(names, None)
        except OSError as error:
            missing = isinstance(error, FileNotFoundError | NotADirectoryError)
            why = say.Why.MISSING if missing else say.Why.UNREADABLE
            raise _NotServed(why, error.strerror or str(error)) from error
        place.recognise(found)
        identity = place.identity() or Identity(None, found.st_dev, found.st_ino, ())
        self._place = place
        return say.Opened(identity, time.time(), _user())

    def _walk(self, question: say.Walk) -> Iterator[say.FromThere]:
        ignore = (
            Ignore(*question.sets) if question.only is None else Only(question.only, *question.sets)
        )
        after = question.after
        found = walk_dated(self._root, ignore)
        if after is not None:
            found = (each for each in found if each.path > after)
        for group in _groups(found, _AT_ONCE):
            self._watch.check()
            yield say.Sightings(group)

    def _look_at(self, question: say.LookAt) -> Iterator[say.FromThere]:
        paths, others = question.paths, frozenset(question.not_files)
        for start in range(0, len(paths), LOOKED_AT_ONCE):
            part = paths[start : start + LOOKED_AT_ONCE]
            not_files = frozenset(number - start for number in others) if others else others
            found = self._root.look_at(part, not_files, question.look, time.time, self._watch)
            yield say.Sightings(found)
            if len(found) < len(part):
                raise BellRang

    def _read_range(self, question: say.ReadRange) -> say.FromThere:
        if self._file is None:
            raise PlaceUnreachable("No file was opened first.")
        if not 0 <= question.length <= say.LONGEST_RANGE or question.offset < 0:
            raise PlaceUnreachable("More was asked for at once than a far end gives.")
        return say.Content(self._file.read_at(question.offset, question.length))

    def _close_file(self) -> None:
        file, self._file = self._file, None
        if file is not None:
            file.close()


class _NotServed(Exception):
    """The root is not served."""

    def __init__(self, why: say.Why, said: str = "") -> None:
        super().__init__(why, said)
        self.answer = say.Refused(why, said)


def _refuse_leading_out(question: say.Question) -> None:
    """Raises PlaceUnreachable where a path of a question could lead out of the root.

    Those that a listing gave never do; a key may be in the hands of somebody who makes up others.
    """
    single = (getattr(question, name, None) for name in ("path", "folder", "link"))
    paths = [*getattr(question, "paths", ()), *(path for path in single if path)]
    for path in paths:
        if b"\0" in path or not {b"", b".", b".."}.isdisjoint(path.split(b"/")):
            raise PlaceUnreachable(f"{printable(path)} is no path below a root.")


def _is_in(inner: bytes, outer: bytes) -> bool:
    return inner == outer or inner.startswith(outer.rstrip(b"/") + b"/")


def _groups(values: Iterable[T], most: int) -> Iterator[list[T]]:
    """The values in lists, the first a short one, so that somebody who waits has something."""
    remaining, size = iter(values), 64
    while group := list(islice(remaining, size)):
        yield group
        size = min(2 * size, most)


def _filling(question: say.Fill) -> Iterator[say.FromThere]:
    until, left = time.monotonic() + question.seconds, question.length
    block = os.urandom(_CHUNK)  # what a link that compresses cannot make smaller
    while left > 0 and time.monotonic() < until:
        yield say.Content(block[: min(left, _CHUNK)])
        left -= _CHUNK


def _user() -> str:
    try:
        return getpass.getuser()
    except (OSError, KeyError, ImportError):
        return "an unnamed user"
