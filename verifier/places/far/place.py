"""A place on a far host: `ssh://[user@]host[:port]/path`, read where it lies by its far end."""

from __future__ import annotations

import errno
import os
import statistics
import threading
import time
from collections.abc import Callable, Generator, Iterator, Sequence
from contextlib import closing, contextmanager
from typing import Any, Final, TypeVar

from msgspec import structs

from verifier import __version__
from verifier.engine import LOOK_EVERY, BellRang, Terms, Watch
from verifier.errors import PlaceUnreachable
from verifier.ignore import Ignore, Only
from verifier.measures import amount, duration
from verifier.model import How, Kind, Sighting, Trouble, printable
from verifier.places.addresses import Address, shown
from verifier.places.base import Identity, Look, Remark, Traits, Writing, recognised
from verifier.places.far import messages as say
from verifier.places.far.failures import LinkLost
from verifier.places.far.link import Link, not_reached, terms_of

FAR_TRAITS: Final = Traits(reads_elsewhere=True)

WAITS: Final = (1.0, 2.0, 4.0, 8.0, 15.0, 30.0, 60.0)
"""Seconds before each try to restore a link that was lost: two minutes in all, in which a switch
or a server starts anew."""

_TRIED: Final = 16 << 20
_TRIED_FOR: Final = 1.0
"""Bytes and seconds that are spent on finding out how fast a link is."""

_TRIPS: Final = 5

T = TypeVar("T")


class FarPlace:
    """A tree on another machine.  Links to it are made when they are needed, one for each thread
    that asks at the same time, and kept for the next one.

    A link that drops is made anew, after growing waits, and what was asked goes on from what had
    come by then.  What cannot be mended that way is PlaceUnreachable.
    """

    traits: Traits = FAR_TRAITS
    root: bytes | None = None

    def __init__(
        self,
        address: Address,
        waits: Sequence[float] = WAITS,
        sleep: Callable[[float], object] = time.sleep,
    ) -> None:
        self.address = address
        self.waits = waits
        self.sleep = sleep
        self.watch: Watch = _NoWatch()
        self._identity: Identity | None = None
        self._user = ""
        self._lock = threading.Lock()
        self._idle: list[Link] = []
        self._ahead: float | None = None

    def __getstate__(self) -> dict[str, Any]:
        return {
            **self.__dict__,
            "watch": None,
            "_lock": None,
            "_idle": None,
        }

    def __setstate__(self, state: dict[str, Any]) -> None:
        self.__dict__.update(state, watch=_NoWatch(), _lock=threading.Lock(), _idle=[])

    @property
    def was_reached(self) -> bool:
        """Whether there ever was a link: only one that was there is waited for."""
        return self._identity is not None

    @property
    def at(self) -> str:
        """The address, for people and documents."""
        return shown(self.address)

    def shown(self, path: bytes) -> str:
        """The address of ``path``, for people and documents."""
        return shown(self.address.below(path))

    # ----------------------------------------------------------------------------- the link

    def heed(self, watch: Watch) -> None:
        """Keep to a watch from now on also where none is passed."""
        self.watch = watch

    def close(self) -> None:
        """End the links that nobody uses now."""
        with self._lock:
            idle, self._idle = self._idle, []
        for link in idle:
            link.drop()

    def clock_ahead(self) -> float:
        """Seconds by which the clock there is ahead of this machine's, to half a round trip."""
        if self._ahead is None:
            self.check()
        assert self._ahead is not None
        return self._ahead

    def try_link(self) -> Remark:
        """How long a round trip takes, and how many bytes a second the link gives."""
        trips, watch = [], self.watch
        with self._linked(watch) as link:
            for _ in range(_TRIPS):
                started = time.perf_counter()
                for _ in link.ask(say.Fill(0, 0.0), watch):
                    pass
                trips.append(time.perf_counter() - started)
            started, came = time.perf_counter(), 0
            for answer in link.ask(say.Fill(_TRIED, _TRIED_FOR), watch):
                if isinstance(answer, say.Content):
                    came += len(answer.content)
            seconds = time.perf_counter() - started
        trip = statistics.median(trips)
        return Remark(
            "link",
            True,
            f"A round trip takes {trip * 1000:.1f} ms, and the link gives "
            f"{amount(round(came / max(seconds, 1e-6)))}/s. Contents are hashed there and do not "
            "pass over it.",
        )

    @contextmanager
    def _linked(self, watch: Watch) -> Iterator[Link]:
        """A link for one question, without another try."""
        try:
            link, _ = self.take(watch)
            try:
                yield link
            finally:
                self.put_away(link)
        except LinkLost as lost:
            raise self._not_reached(lost) from lost

    def take(self, watch: Watch) -> tuple[Link, bool]:
        """A link, and whether it stood idle, so that it may have died meanwhile."""
        with self._lock:
            if self._idle:
                return self._idle.pop(), True
        link = Link(self.address)
        try:
            opened = link.open(os.fsencode(self.address.path), watch)
            before = None if self._identity is None else self._identity.folder
            recognised(self, before, opened.identity.folder)
        except BaseException:
            link.drop()
            raise
        # The clock was read half a round trip ago.
        self._ahead = opened.clock + link.round_trip / 2 - time.time()
        self._user = opened.user
        self._identity = opened.identity
        return link, False

    def put_away(self, link: Link) -> None:
        """Keep a link for the next question, if none is open on it; else end it."""
        if link.idle:
            link.is_new = False
            with self._lock:
                self._idle.append(link)
        else:
            link.drop()

    def _not_reached(self, lost: LinkLost) -> PlaceUnreachable:
        said, advice = lost.args
        return not_reached(self.address, said, advice)

    def _steadily(self, watch: Watch, ask: Callable[[Link], Generator[T]]) -> Iterator[T]:
        """What ``ask`` gives over a link; where the link drops, what it gives over the next one.

        ``ask`` is called anew each time, and asks for what has not come yet.
        """
        waits = _Waits(self, watch)
        while True:
            idle = False
            try:
                link, idle = self.take(watch)
                try:
                    with closing(ask(link)) as answers:
                        for each in answers:
                            waits.begin_anew()
                            yield each
                    return
                finally:
                    self.put_away(link)
            except LinkLost as lost:
                waits.wait(lost, at_once=idle)

    def _all(self, watch: Watch, question: Callable[[], say.Question]) -> list[say.FromThere]:
        """The whole answer to a question that is asked again when the link drops."""
        return list(self._steadily(watch, lambda link: link.ask(question(), watch)))

    # -------------------------------------------------------------------- the place as a whole

    def check(self) -> None:
        """Raises PlaceUnreachable unless the root is there, and the one it was."""
        watch = self.watch

        def answers(link: Link) -> Generator[say.FromThere]:
            if not link.is_new:  # a round trip more would say what it said a moment ago
                yield from link.ask(say.Check(), watch)

        for _ in self._steadily(watch, answers):
            pass

    def identity(self) -> Identity | None:
        """Which folder it is, by what its far end said last."""
        return self._identity

    def remarks(self) -> Sequence[Remark]:
        """Which version and user read there."""
        who = printable(self._user.encode("utf-8", "surrogateescape"))
        return (
            Remark("version", True, f"The far end runs the same version, {__version__}, as {who}."),
        )

    def how_read(self, folder: bytes = b"") -> How:
        """Through what it is read there."""
        how = self._told(folder).how
        detail = how.detail.replace("this machine", "the far host")
        return structs.replace(how, detail=f"by the far end on {self.address.host}, {detail}")

    def room(self) -> int | None:
        """Bytes that are free there."""
        return self._told().room

    def writing(self) -> Writing:
        """Whether the user there could write."""
        return self._told().writing

    def _told(self, folder: bytes = b"") -> say.Told:
        for answer in self._all(self.watch, lambda: say.Tell(folder)):
            if isinstance(answer, say.Told):
                return answer
        raise self._strange()

    def _strange(self) -> PlaceUnreachable:
        return PlaceUnreachable(
            f"{self.at}: the far end did not answer as it should. Start again, and report this if "
            "it stays."
        )

    # --------------------------------------------------------------------------- what is there

    def walk(self, ignore: Ignore) -> Iterator[Sighting]:
        """Every file, link and other, sorted; a walk whose link drops goes on where it was."""
        watch, only = self.watch, ignore.folder if isinstance(ignore, Only) else None
        after: bytes | None = None

        def groups(link: Link) -> Generator[list[Sighting]]:
            question = say.Walk(ignore.sets, only, after, terms_of(watch))
            for answer in link.ask(question, watch):
                if isinstance(answer, say.Sightings):
                    yield answer.found

        for group in self._steadily(watch, groups):
            after = group[-1].path
            yield from group

    def list_folder(self, folder: bytes) -> Iterator[tuple[bytes, Kind | None]]:
        """The names in ``folder``.  Raises OSError."""
        for answer in self._listed(folder, dated=False):
            if isinstance(answer, say.Names):
                yield from answer.names

    def list_dated(self, folder: bytes) -> Iterator[tuple[bytes, Sighting | None]]:
        """The names in ``folder`` with sizes and dates.  Raises OSError."""
        for answer in self._listed(folder, dated=True):
            if isinstance(answer, say.Dated):
                yield from answer.names

    def _listed(self, folder: bytes, dated: bool) -> Iterator[say.FromThere]:
        watch, come = self.watch, 0

        def answers(link: Link) -> Generator[say.FromThere]:
            nonlocal come
            if come:
                # A folder has no order in which to go on.
                raise PlaceUnreachable(
                    f"{self.shown(folder)} could not be listed to its end: the link was lost. "
                    "Start again."
                )
            found = link.ask(say.ListFolder(folder, dated), watch)
            try:
                for answer in found:
                    come += 1
                    yield answer
            finally:
                # Who wants the first name only gives the link back with the rest passed over.
                link.finish(found)

        return self._steadily(watch, answers)

    def look_at(
        self,
        paths: Sequence[bytes],
        not_files: frozenset[int],
        look: Look,
        now: Callable[[], float],
        watch: Watch,
    ) -> list[Sighting]:
        """A sighting for each path, in order; what came before a link dropped is kept."""
        found: list[Sighting] = []

        def groups(link: Link) -> Generator[list[Sighting]]:
            start = len(found)
            others = [number - start for number in not_files if number >= start]
            question = say.LookAt(list(paths[start:]), others, look, terms_of(watch))
            for answer in link.ask(question, watch):
                if isinstance(answer, say.Sightings):
                    yield answer.found

        if not paths:
            return found
        try:
            for group in self._steadily(watch, groups):
                found += _dated_here(group, now)
        except BellRang:
            if not found:
                raise
        return found

    def leads_into(self, link: bytes, target: bytes, folder: bytes) -> bool:
        """Whether a link leads there, by its words or by where it really goes on the far host."""
        for answer in self._all(self.watch, lambda: say.LeadsInto(link, target, folder)):
            if isinstance(answer, say.YesOrNo):
                return answer.yes
        raise self._strange()

    # ----------------------------------------------------------------------------- its contents

    def read_alone(
        self, path: bytes, look: Look, now: Callable[[], float], watch: Watch
    ) -> Sighting:
        """The sighting of one file, read there; over the bell it waits there, if it may."""
        return self._one(watch, now, lambda: say.ReadAlone(path, look, terms_of(watch)))

    def read_piece(
        self, path: bytes, piece: int, now: Callable[[], float], watch: Watch
    ) -> Sighting:
        """One segment of a file, read there."""
        return self._one(watch, now, lambda: say.ReadPiece(path, piece, terms_of(watch)))

    def _one(
        self, watch: Watch, now: Callable[[], float], question: Callable[[], say.Question]
    ) -> Sighting:
        for answer in self._all(watch, question):
            if isinstance(answer, say.Sightings) and answer.found:
                return _dated_here(answer.found, now)[0]
        raise self._strange()

    def try_reading(self, path: bytes, length: int, until: float, watch: Watch) -> Trouble | None:
        """The start of a file, read there."""
        answers = self._all(
            watch,
            lambda: say.TryReading(
                path, length, max(0.0, until - time.monotonic()), terms_of(watch)
            ),
        )
        for answer in answers:
            if isinstance(answer, say.Tried):
                return answer.trouble
        raise self._strange()

    def open(self, path: bytes) -> FarFile:
        """A file of which parts can be had over the link.  Raises OSError."""
        return FarFile(self, path)


class FarFile:
    """One file on a far host, open there over a link of its own."""

    def __init__(self, place: FarPlace, path: bytes) -> None:
        self._place = place
        self._path = path
        self._link: Link | None = None
        self.size = -1
        try:
            for _ in self._content(lambda link, watch: iter(())):
                pass
        except BaseException:
            self.close()
            raise

    def read_at(self, offset: int, length: int) -> bytes:
        """Bytes from ``offset``, fewer only at the end.  Raises OSError."""
        parts: list[bytes] = []

        def rest(link: Link, watch: Watch) -> Iterator[say.FromThere]:
            while (done := sum(map(len, parts))) < length:
                size = min(length - done, say.LONGEST_RANGE)
                before = len(parts)
                yield from link.ask(say.ReadRange(offset + done, size), watch)
                if len(parts) == before or not parts[-1]:
                    return

        for answer in self._content(rest):
            if isinstance(answer, say.Content):
                parts.append(answer.content)
        return parts[0] if len(parts) == 1 else b"".join(parts)

    def close(self) -> None:
        """Give the file back to the far host."""
        link, self._link = self._link, None
        if link is not None:
            self._place.put_away(link)

    def _content(
        self, ask: Callable[[Link, Watch], Iterator[say.FromThere]]
    ) -> Iterator[say.FromThere]:
        """What ``ask`` gives over this file's link, which is made anew where it drops."""
        place, watch = self._place, self._place.watch
        waits = _Waits(place, watch)
        while True:
            idle = False
            try:
                if self._link is None:
                    self._link, idle = place.take(watch)
                    self._open(self._link, watch)
                for answer in ask(self._link, watch):
                    waits.begin_anew()
                    yield answer
                return
            except LinkLost as lost:
                self._drop()
                waits.wait(lost, at_once=idle)
            except PlaceUnreachable:
                self._drop()
                raise

    def _open(self, link: Link, watch: Watch) -> None:
        for answer in link.ask(say.OpenFile(self._path), watch):
            if isinstance(answer, say.Size):
                if self.size >= 0 and self.size != answer.size:
                    raise OSError(errno.ESTALE, "the file changed while the link was lost")
                self.size = answer.size

    def _drop(self) -> None:
        link, self._link = self._link, None
        if link is not None:
            link.drop()


class _Waits:
    """The waits before each try to restore a link, which raise when there is no more hope."""

    def __init__(self, place: FarPlace, watch: Watch) -> None:
        self._place = place
        self._watch = watch
        self._left = iter(place.waits)

    def begin_anew(self) -> None:
        """Something came: the next loss is another one."""
        self._left = iter(self._place.waits)

    def wait(self, lost: LinkLost, at_once: bool) -> None:
        """Wait, hearing the bell.  ``at_once``: the link had stood idle, and may be long gone."""
        said, advice = lost.args
        if not self._place.was_reached:
            raise not_reached(self._place.address, said, advice) from lost
        if at_once:
            return
        seconds = next(self._left, None)
        if seconds is None:
            tried = duration(sum(self._place.waits))
            raise PlaceUnreachable(
                f"The link to {self._place.at} was lost and did not come back within {tried}: "
                f"{said}. {advice}; what was read by then is kept."
            ) from lost
        while seconds > 0:
            self._watch.check()
            step = min(seconds, LOOK_EVERY)
            self._place.sleep(step)
            seconds -= step
        self._watch.check()


class _NoWatch:
    """The watch of somebody whom nobody stops, such as a person who waits for one answer."""

    paced = False

    def has_read(self, count: int) -> None:
        """Nobody counts."""

    def check(self) -> None:
        """Nothing rings."""

    def allow(self, count: int) -> int:
        """Everything is allowed."""
        return count

    def park(self) -> None:
        """There is no later bell."""
        raise BellRang("The bell rang before the work was done.")

    def crowded(self) -> bool:
        """Nobody else is at work."""
        return False

    def terms(self) -> Terms:
        """There are none."""
        return Terms()


def _dated_here(found: list[Sighting], now: Callable[[], float]) -> list[Sighting]:
    """Sightings with the moments of reading by this machine's clock: rounds are counted by it."""
    at: int | None = None
    dated = []
    for each in found:
        if each.read_at is not None:
            at = int(now()) if at is None else at
            each = structs.replace(each, read_at=at)
        dated.append(each)
    return dated
