"""Whether the copies that remain still hold every byte that a certificate speaks of.

It needs nothing but the certificate, the manifest beside it, and a folder to read: no settings,
no ledger.  It reads, and writes nothing.
"""

from __future__ import annotations

import os
import time
from collections.abc import Callable, Iterator, Sequence
from functools import partial
from itertools import islice
from pathlib import Path
from typing import Final

from msgspec import Struct, field

from verifier import certificate as certificates
from verifier import system
from verifier.certificate import Certificate, Copy, RuleResult
from verifier.engine import BellRang, Engine, Lane
from verifier.errors import PlaceUnreachable, Stopped
from verifier.jobs.apart import machines, overlap
from verifier.jobs.engines import ELSEWHERE
from verifier.jobs.progress import Gauge, Progress
from verifier.jobs.trees import refuse_temporary_inside
from verifier.manifest import ManifestReader
from verifier.measures import amount, count
from verifier.model import Cause, Kind, Sighting, composed, forms_of, printable
from verifier.pace import Pace
from verifier.places.addresses import Address, Named, named_place, shown
from verifier.places.base import Look, Place, heed, is_empty
from verifier.places.folder import FolderPlace
from verifier.places.opening import open_place, place_at
from verifier.reading import read_again, read_alone_packed, sighting_from, sightings
from verifier.spill import SortedSpill
from verifier.walker import Entry

CERTIFICATE: Final = "certificate"
MANIFEST: Final = "manifest"
COPY: Final = "copy-whole"
FILE: Final = "file"

_PAST_CACHE: Final = Look(content=True, past_cache=True, gentle=True)
_ONLY_LOOK: Final = Look(content=False)

_LOOKED_AT: Final = 1_000
"""Paths by which a copy of the folder is told from the share that holds one."""


class Fault(Struct, frozen=True):
    """A path of a copy that is not as it was certified: what is the matter, in a sentence.

    ``unread`` when nobody knows what it holds.
    """

    path: bytes
    sentence: str
    unread: bool = False


class Tally(Struct):
    """How many paths of a copy stand there at all, and how many are not as they should be.

    ``unread`` could not be read, or not with one result; ``shared`` are right, but files of
    another copy and none of its own.
    """

    there: int = 0
    damaged: int = 0
    unread: int = 0
    shared: int = 0


class Checked(Struct, frozen=True):
    """One copy that was read, or why it could not be.  ``faults`` are given as often as asked."""

    result: RuleResult
    faults: SortedSpill[Fault]
    reached: bool
    tally: Tally = field(default_factory=Tally)


class _OnDisk(Struct, frozen=True):
    """Which file of its machine one of the manifest's paths is; the inode is 0 if unknown."""

    number: int
    device: int
    inode: int


class _Held(Struct, frozen=True):
    """A copy that was read before, and the files that it consists of, as the manifest lists them.

    ``machine`` tells the system whose devices and inodes they are; None where nobody knows.
    """

    named: Named
    place: Place
    machine: str | None
    files: SortedSpill[_OnDisk]


class Rechecked:
    """What a recheck found.  Close it: what is not as it was may be put aside on disk."""

    def __init__(self, path: Path, certificate: Certificate, manifest: RuleResult) -> None:
        self.path = path
        self.certificate = certificate
        self.copies: list[Checked] = []
        self._manifest = manifest

    def close(self) -> None:
        """Forget everything."""
        for copy in self.copies:
            copy.faults.close()

    @property
    def held(self) -> bool:
        """True when every copy that was named still holds every byte."""
        return all(copy.result.held for copy in self.copies)

    @property
    def damaged(self) -> bool:
        """True when something is known to be missing or damaged."""
        return any(copy.tally.damaged for copy in self.copies)

    @property
    def exit_status(self) -> int:
        """0 all is whole, 1 something is missing, damaged or no copy, 3 not all could be read."""
        if not all(copy.reached and not copy.tally.unread for copy in self.copies):
            return 3
        return 0 if self.held else 1

    def rules(self) -> Iterator[RuleResult]:
        """What was checked; each file that is not whole stands after its copy."""
        yield RuleResult(
            CERTIFICATE, True, "It has the digest that stands in it: not one byte was edited."
        )
        yield self._manifest
        for copy in self.copies:
            yield copy.result
            for fault in copy.faults:
                yield RuleResult(FILE, False, fault.sentence)


def recheck(
    path: Path,
    places: Sequence[Named],
    progress: Progress,
    bell: float | None = None,
    now: Callable[[], float] = time.time,
) -> Rechecked:
    """Read the copies at ``places`` again, or all mirrors of the certificate when none is named.

    A place is a copy of the folder, or of the share that holds it.  Raises CertificateRefused and
    ManifestRefused, and Stopped at the bell.
    """
    certificate = certificates.read(path)
    manifest = certificates.manifest_of(certificate, path)
    for _ in manifest:
        pass  # read to its end before any copy is: only there an edited one shows
    listed = RuleResult(
        MANIFEST,
        True,
        f"It lists {count(manifest.entries, 'path')} of {amount(manifest.bytes)}, and has the "
        "digest that the certificate gives.",
    )
    found = Rechecked(path, certificate, listed)
    before: list[_Held] = []
    try:
        for named in places or [_recorded(certificate, copy) for copy in certificate.mirrors]:
            opened = partial(_copy_at, named, certificates.folder_of(certificate), manifest)
            if not places:
                opened = partial(_opened, named)  # as it stands there, whatever lies in it
            found.copies.append(_check(named, opened, manifest, before, progress, bell, now))
    except BaseException:
        found.close()
        raise
    finally:
        for held in before:
            held.files.close()
    return found


def _check(
    named: Named,
    opened: Callable[[], Place],
    manifest: ManifestReader,
    before: list[_Held],
    progress: Progress,
    bell: float | None,
    now: Callable[[], float],
) -> Checked:
    faults = SortedSpill[Fault](Fault, lambda fault: fault.path)
    try:
        place = opened()
        refuse_temporary_inside(place.root)
        if (detail := _no_copy(named, place, before)) is not None:
            return Checked(RuleResult(COPY, False, detail), faults, reached=True)
        tally = _Copy(named, place, manifest, before, progress, bell, now).read(faults)
        place.check()
        how = place.how_read().detail
    except PlaceUnreachable as error:
        return Checked(RuleResult(COPY, False, str(error)), faults, reached=False)
    except BellRang:
        faults.close()
        raise Stopped(
            "Working hours begin, so reading stopped, and nothing is known of what was not read. "
            "Start it again when they are over."
        ) from None
    if not len(faults):
        detail = (
            f"{place.at} holds all {count(manifest.entries, 'path')} of {amount(manifest.bytes)}, "
            f"every byte as certified; read {how}."
        )
        return Checked(RuleResult(COPY, True, detail), faults, reached=True)
    if not tally.there and is_empty(place):
        faults.close()
        detail = (
            f"{shown(named)} is empty, so it looks unmounted or emptied. Check that it is "
            "mounted, and that it is the copy of the folder, or of the share that held it."
        )
        return Checked(RuleResult(COPY, False, detail), faults, reached=False)
    wrong = [
        f"{number:,} {'is' if number == 1 else 'are'} {how_so}"
        for number, how_so in (
            (tally.damaged, "not as certified"),
            (tally.shared, "no copy, since another copy consists of the very same on disk"),
        )
        if number
    ]
    if tally.unread:
        wrong.append(f"{tally.unread:,} could not be read")
    detail = f"{place.at}: of {count(manifest.entries, 'path')}, {' and '.join(wrong)}; read {how}."
    return Checked(RuleResult(COPY, False, detail), faults, reached=True, tally=tally)


def _no_copy(named: Named, place: Place, before: Sequence[_Held]) -> str | None:
    """How a place is not apart from one that was read already; None when it is."""
    for held in before:
        found = overlap(place, held.place)
        # of a store its address is all that one can tell
        if place.at == held.place.at or (found is not None and found.same):
            return (
                f"{shown(held.named)} and {shown(named)} lead to one folder, {place.at}, which was "
                "read once, and the second is no copy. Name each copy once; if there should be "
                "two, see what is linked or mounted there."
            )
        if found is not None:
            return (
                f"{found}, so one is part of the other and no copy, and nothing of {place.at} was "
                f"read. Name places that lie apart; {found.advice}."
            )
    return None


def _recorded(certificate: Certificate, copy: Copy) -> Named:
    """Where a copy stood as it was certified."""
    whole, folder = certificates.address_of(certificate, copy), certificates.folder_of(certificate)
    if b"://" not in whole:
        return Path(os.fsdecode(whole))
    root = named_place(os.fsdecode(whole.removesuffix(folder)))  # a folder's name can be any bytes
    return root.below(folder) if isinstance(root, Address) else root


def _opened(named: Named) -> Place:
    """What stands there, its root found to be there.  Raises PlaceUnreachable."""
    if isinstance(named, Address):
        return open_place(named)
    place = FolderPlace.at_path(named)
    place.check()
    return place


def _copy_at(named: Named, folder: bytes, manifest: ManifestReader) -> Place:
    """The copy of the folder at a place that a person named, be it the folder or its share.

    Raises PlaceUnreachable, also where nobody can tell which of them it is.
    """
    within = _within(named, folder)
    if within is None:
        return _opened(named)
    outer = place_at(named) if isinstance(named, Address) else FolderPlace.at_path(named)
    if not _holds_any(outer, manifest):
        return _opened(within)
    if _is_called(named, folder):
        return _opened(named)
    inner = _opened(within)
    if not _holds_any(inner, manifest):
        return _opened(named)
    raise PlaceUnreachable(
        f"{outer.at} holds files that the certificate covers, and so does {inner.at}, so nobody "
        f"can tell which is the copy, and neither was read. Name {inner.at} if it is that one; "
        f"else name the other by a link that is called {printable(os.path.basename(folder))}."
    )


def _within(named: Named, folder: bytes) -> Named | None:
    """The folder below a place, under whichever Unicode form of its name; None if none is there."""
    place = open_place(named) if isinstance(named, Address) else None
    for form in sorted(forms_of(folder), key=lambda form: form != folder):
        if isinstance(named, Path):
            below = named / os.fsdecode(form)
            if os.path.isdir(below):
                return below
        elif place is not None and _is_folder(place, form):
            return named.below(form)
    return None


def _is_folder(place: Place, folder: bytes) -> bool:
    try:
        found = next(place.list_folder(folder), None)
    except OSError:
        return False
    # where there are no folders, a name that nothing begins with is none
    return found is not None or place.traits.has_folders


def _is_called(named: Named, folder: bytes) -> bool:
    """Whether the name of a place is that of the folder."""
    name = named.name if isinstance(named, Address) else os.path.basename(os.path.abspath(named))
    return composed(os.fsencode(name)) == composed(os.path.basename(folder))


def _holds_any(place: Place, manifest: ManifestReader) -> bool:
    """Whether any of the first paths that the manifest lists stands there."""
    paths = [form for each in islice(manifest, _LOOKED_AT) for form in forms_of(each.path)]
    try:
        with Engine([None], readers=1) as engine:
            found = place.look_at(
                paths, frozenset(range(len(paths))), _ONLY_LOOK, time.time, engine.own_watch(0)
            )
    except PlaceUnreachable:
        return False
    return not all(map(_gone, found))


class _Copy:
    """One copy, read beside the manifest."""

    def __init__(
        self,
        named: Named,
        place: Place,
        manifest: ManifestReader,
        before: list[_Held],
        progress: Progress,
        bell: float | None,
        now: Callable[[], float],
    ) -> None:
        self._named = named
        self._place = place
        self._manifest = manifest
        self._before = before
        self._progress = progress
        self._bell = bell
        self._now = now

    def read(self, faults: SortedSpill[Fault]) -> Tally:
        """Read all that the manifest lists, and join the copies that were read before."""
        tally = Tally()
        machine = machines({0: self._place}).get(0)
        near = [held for held in self._before if machine is not None and held.machine == machine]
        files = SortedSpill[_OnDisk](_OnDisk, lambda file: file.number)
        elsewhere = self._place.traits.reads_elsewhere
        with Engine(
            [ELSEWHERE if elsewhere else None, 1],
            readers=2 * system.cores(),
            pace=Pace(give_way=True),
            elsewhere=(0, 1) if elsewhere else (),
        ) as engine:
            heed(self._place, engine.own_watch(0))
            if self._bell is not None:
                engine.ring_at(self._bell)
            lane, again = engine.lanes
            gauge = Gauge(
                os.path.basename(self._place.at) or self._place.at,
                lambda: lane.bytes_read + again.bytes_read,
                lambda: self._manifest.bytes,
            )
            with self._progress.show([gauge]):
                entries = (Entry(each.path, each.kind) for each in self._manifest)
                seen = sightings(self._place, entries, lane, _PAST_CACHE, time.time)
                for number, (certified, found, *others) in enumerate(
                    zip(self._manifest, seen, *(held.files for held in near), strict=True)
                ):
                    if _gone(found):
                        found = self._twin(certified, found, again)
                    tally.there += not _gone(found)
                    own = _OnDisk(number, found.device, _inode(found))
                    files.add(own)
                    wrong = self._what_is_wrong(certified, found, again)
                    if wrong is not None:
                        tally.unread += wrong.unread
                        tally.damaged += not wrong.unread
                    elif own.inode and own in others:
                        other = near[others.index(own)].place.shown(certified.path)
                        wrong = self._fault(
                            certified, f"is the very file of {other}, by a mount or a hard link"
                        )
                        tally.shared += 1
                    if wrong is not None:
                        faults.add(wrong)
        self._before.append(_Held(self._named, self._place, machine, files))
        return tally

    def _fault(self, certified: Sighting, sentence: str, unread: bool = False) -> Fault:
        return Fault(certified.path, f"{self._place.shown(certified.path)} {sentence}.", unread)

    def _what_is_wrong(self, certified: Sighting, found: Sighting, lane: Lane) -> Fault | None:
        """A second reading decides: one that differs may be the fault of a cable."""
        sentence = _unlike(certified, found)
        if sentence is None:
            return None
        unread = found.trouble is not None and not _gone(found)
        if not _gone(found):
            second = sighting_from(read_again(self._place, found, lane, _PAST_CACHE, time.time))
            if _unlike(certified, second) is None or second.digest != found.digest:
                sentence = (
                    f"was not the same in two readings ({Cause.UNSTABLE_READ}), so nobody knows "
                    "what it holds: see to the disk, its cable and controller"
                )
                unread = True
        return self._fault(certified, sentence, unread)

    def _twin(self, certified: Sighting, found: Sighting, lane: Lane) -> Sighting:
        """The file under another Unicode form of its name, if it stands there."""
        for form in forms_of(certified.path):
            if form != certified.path:
                answer = lane.submit(
                    0, read_alone_packed, self._place, form, _PAST_CACHE, time.time, long=True
                )
                twin = sighting_from(answer)
                if not _gone(twin):
                    return twin
        return found


def _gone(found: Sighting) -> bool:
    """True when nothing stands there: no folder was listed, so that it cannot have just left."""
    return found.trouble is not None and found.trouble.unsettled and found.kind is Kind.OTHER


def _inode(found: Sighting) -> int:
    """By which a file is told from others; 0 for what is none, or has no number."""
    return found.inode if found.kind is Kind.FILE else 0


def _unlike(certified: Sighting, found: Sighting) -> str | None:
    """What is wrong with a path, None when nothing is."""
    if _gone(found):
        return "is missing"
    if found.trouble is not None:
        return f"could not be read ({found.trouble.cause}). {found.trouble.detail}".rstrip(".")
    if found.kind is not certified.kind:
        return f"is damaged: a {certified.kind} stood there, and now something else does"
    if found.target != certified.target:
        return f"is damaged: it is a link to {printable(found.target or b'')} now"
    if certified.kind is not Kind.FILE or found.digest == certified.digest:
        return None
    if found.size != certified.size:
        return f"is damaged: it holds {found.size:,} bytes, and {certified.size:,} were certified"
    return "is damaged: it is as long as it was, and its content is another one"
