"""The job `damage`: where and how two files differ."""

from __future__ import annotations

import os
import time
from contextlib import ExitStack, closing
from pathlib import Path

from verifier.damage import examine
from verifier.errors import PlaceUnreachable, RequestRefused
from verifier.model import Damage, printable
from verifier.places.folder import FolderFile, FolderPlace
from verifier.settings import AddressKind, Settings


def look_for_damage(source: Path, mirror: Path) -> Damage:
    """Compare two files byte by byte, however long that takes.

    Raises PlaceUnreachable for a file that is not there or cannot be read, RequestRefused when
    both names are one file or one of them is not a file.
    """
    with ExitStack() as opened:
        here, there = _opened(source, opened), _opened(mirror, opened)
        if os.path.samefile(source, mirror):
            raise RequestRefused(
                f"{_shown(source)} and {_shown(mirror)} are the same file, which cannot differ "
                "from itself. Name the source's file first and the mirror's second."
            )
        return examine(_Whole(here, source), _Whole(there, mirror), clock=time.perf_counter)


def both_sides(
    settings: Settings, share: str, path: bytes, mirror: str | None
) -> tuple[Path, Path]:
    """The file at ``path`` on the source of a share and on one of its mirrors.

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
    files = []
    for address in (found.source, chosen.at):
        if address.kind is not AddressKind.FOLDER:
            raise PlaceUnreachable(
                f"{address} is not a folder, and this version reads folders only. Mount it as a "
                "folder, and name that in the settings."
            )
        files.append(Path(os.fsdecode(os.path.join(os.fsencode(address.path), path))))
    return files[0], files[1]


def _opened(path: Path, opened: ExitStack) -> FolderFile:
    if not os.path.lexists(path):
        raise PlaceUnreachable(
            f"{_shown(path)} is not there. Check the name, and that it is mounted."
        )
    if not os.path.isfile(path):
        raise RequestRefused(f"{_shown(path)} is not a file. Name two files.")
    whole = os.path.realpath(os.fsencode(path))
    place = FolderPlace(os.path.dirname(whole))
    try:
        return opened.enter_context(closing(place.open(os.path.basename(whole))))
    except OSError as error:
        raise _unreadable(path, error) from error


class _Whole:
    """A file of which nothing is known but its bytes."""

    fingerprints: tuple[bytes, ...] = ()

    def __init__(self, file: FolderFile, path: Path) -> None:
        self._file = file
        self._path = path
        self.size = file.size

    def read_at(self, offset: int, length: int) -> bytes:
        """Bytes from ``offset``.  Raises PlaceUnreachable when they cannot be read."""
        try:
            return self._file.read_at(offset, length)
        except OSError as error:
            raise _unreadable(self._path, error, offset) from error


def _unreadable(path: Path, error: OSError, offset: int | None = None) -> PlaceUnreachable:
    where = "" if offset is None else f" near byte {offset:,}"
    return PlaceUnreachable(
        f"{_shown(path)} cannot be read{where} ({error.strerror}). Check the disk and the "
        "permissions."
    )


def _shown(path: Path) -> str:
    return printable(os.fsencode(path))
