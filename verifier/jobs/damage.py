"""The job `damage`: where and how two files differ."""

from __future__ import annotations

import os
import time
from collections.abc import MutableMapping
from contextlib import ExitStack, closing, suppress
from pathlib import Path

from verifier.damage import examine
from verifier.errors import PlaceUnreachable, RequestRefused
from verifier.jobs.spending import spend
from verifier.ledger import PlaceName
from verifier.model import Damage, Side, forms_of, printable
from verifier.places.addresses import Address, AddressKind, Named, shown
from verifier.places.base import OpenFile, Place, let_go
from verifier.places.folder import FolderPlace
from verifier.places.opening import place_at
from verifier.settings import Mirror, Settings


def look_for_damage(
    source: Named, mirror: Named, read: MutableMapping[Side, int] | None = None
) -> Damage:
    """Compare two files byte by byte, however long that takes.

    ``read`` is told how many bytes of each side were read, also when it ends with an error.
    Raises PlaceUnreachable for a file that is not there or cannot be read, RequestRefused when
    both names are one file or one of them is not a file.
    """
    with ExitStack() as opened:
        here, there = _opened(source, opened), _opened(mirror, opened)
        if _same(source, mirror):
            raise RequestRefused(
                f"{shown(source)} and {shown(mirror)} are the same file, which cannot differ "
                "from itself. Name the source's file first and the mirror's second."
            )
        counts = {} if read is None else read
        return examine(
            _Whole(here, source, counts, Side.SOURCE),
            _Whole(there, mirror, counts, Side.MIRROR),
            clock=time.perf_counter,
        )


def look_in_share(settings: Settings, share: str, path: bytes, mirror: str | None) -> Damage:
    """As `look_for_damage`, for one path of a share; what reading costs is written down.

    Raises what that and `both_sides` raise, LedgerRefused and LedgerFailed.
    """
    source, chosen = both_sides(settings, share, path, mirror)
    read: dict[Side, int] = {}
    try:
        return look_for_damage(_standing(source, path), _standing(chosen.at, path), read)
    finally:
        sizes = {
            PlaceName(share): read.get(Side.SOURCE, 0),
            PlaceName(share, chosen.name): read.get(Side.MIRROR, 0),
        }
        spend(settings, sizes, time.time())


def both_sides(
    settings: Settings, share: str, path: bytes, mirror: str | None
) -> tuple[Address, Mirror]:
    """The source of a share and one of its mirrors, between which ``path`` is looked at.

    Raises RequestRefused for a share or a mirror that is not in the settings, for a path that
    leads out of the share, and where it does not say which of several mirrors.
    """
    found = settings.share(share)
    if mirror is None and len(found.mirrors) > 1:
        names = ", ".join(each.name for each in found.mirrors)
        raise RequestRefused(
            f'The share "{share}" has several mirrors ({names}). Say which one with --mirror NAME.'
        )
    chosen = found.mirrors[0] if mirror is None else found.mirror(mirror)
    parts = path.split(b"/")
    if path.startswith(b"/") or b".." in parts:
        raise RequestRefused(
            f"{printable(path)} leads out of the share. Name a path below its root, as `verifier "
            "findings` shows it."
        )
    return found.source, chosen


def _standing(address: Address, path: bytes) -> Named:
    """The file at ``path``, or where none is, that under another Unicode form of its name."""
    others = [form for form in forms_of(path) if form != path]
    if not others:
        return _below(address, path)
    place = place_at(address)
    try:
        for form in (path, *others):
            with suppress(OSError), closing(place.open(form)):
                return _below(address, form)
    finally:
        let_go(place)
    return _below(address, path)


def _below(address: Address, path: bytes) -> Named:
    if address.kind is AddressKind.FOLDER:
        return Path(os.fsdecode(os.path.join(os.fsencode(address.path), path)))
    return address.below(path)


def _same(source: Named, mirror: Named) -> bool:
    if isinstance(source, Address) and isinstance(mirror, Address):
        return source.holds(mirror) and mirror.holds(source)
    if isinstance(source, Address) or isinstance(mirror, Address):
        return False
    return os.path.samefile(source, mirror)


def _opened(named: Named, opened: ExitStack) -> OpenFile:
    if isinstance(named, Address):
        place: Place = place_at(named.parent)
        name = os.fsencode(named.name)
    else:
        _refuse_no_file(named)
        whole = os.path.realpath(os.fsencode(named))
        place, name = FolderPlace(os.path.dirname(whole)), os.path.basename(whole)
    try:
        return opened.enter_context(closing(place.open(name)))
    except OSError as error:
        raise _unreadable(named, error) from error


def _refuse_no_file(path: Path) -> None:
    if not os.path.lexists(path):
        raise PlaceUnreachable(
            f"{shown(path)} is not there. Check the name, and that it is mounted."
        )
    if not os.path.isfile(path):
        raise RequestRefused(f"{shown(path)} is not a file. Name two files.")


class _Whole:
    """A file of which nothing is known but its bytes."""

    fingerprints: tuple[bytes, ...] = ()

    def __init__(
        self, file: OpenFile, named: Named, read: MutableMapping[Side, int], side: Side
    ) -> None:
        self._file = file
        self._named = named
        self._read = read
        self._side = side
        self.size = file.size

    def read_at(self, offset: int, length: int) -> bytes:
        """Bytes from ``offset``.  Raises PlaceUnreachable when they cannot be read."""
        try:
            block = self._file.read_at(offset, length)
        except OSError as error:
            raise _unreadable(self._named, error, offset) from error
        self._read[self._side] = self._read.get(self._side, 0) + len(block)
        return block


def _unreadable(named: Named, error: OSError, offset: int | None = None) -> PlaceUnreachable:
    where = "" if offset is None else f" near byte {offset:,}"
    return PlaceUnreachable(
        f"{shown(named)} cannot be read{where} ({error.strerror}). Check the disk and the "
        "permissions."
    )
