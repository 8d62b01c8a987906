"""Files of results: written whole or not at all, never in the place of something else."""

from __future__ import annotations

import contextlib
import errno
import os
import stat
from collections.abc import Iterator
from pathlib import Path
from typing import BinaryIO

from verifier import system
from verifier.errors import OutputFailed
from verifier.model import printable

_unfinished: set[Path] = set()


def discard_unfinished() -> None:
    """Remove what is being written, when the process is to end without its usual ways."""
    for partial in list(_unfinished):
        with contextlib.suppress(OSError):
            os.unlink(partial)


def try_out(path: Path) -> None:
    """Raises OutputFailed when `whole_file` could not even begin to write ``path``.

    Asked before long work, so that it is not done in vain.
    """
    partial = _begin(path)
    partial.close()
    _discard(Path(partial.name))


@contextlib.contextmanager
def whole_file(path: Path) -> Iterator[BinaryIO]:
    """A file, open for writing and reading back, that takes the place of ``path`` at the end.

    It is written under a hidden name in the same folder, synced and renamed when the block ends
    without an exception, and removed when it does not; what stood at ``path`` is untouched till
    then.  Raises OutputFailed for anything that the system refuses.
    """
    file = _begin(path)
    partial = Path(file.name)
    try:
        with failures_named(path):
            with file:
                yield file
                file.flush()
                os.fsync(file.fileno())
            os.replace(partial, path)
            _unfinished.discard(partial)
    except BaseException:
        _discard(partial)
        raise
    system.sync_folder(os.fsencode(path.parent))


def _begin(path: Path) -> BinaryIO:
    partial = path.parent / f".verifier-{os.urandom(8).hex()}.partial"
    with failures_named(path):
        _refuse_to_replace_what_is_no_file(path)
        _unfinished.add(partial)
        return open(partial, "x+b")


def _discard(partial: Path) -> None:
    with contextlib.suppress(OSError):
        os.unlink(partial)
    _unfinished.discard(partial)


@contextlib.contextmanager
def failures_named(path: Path) -> Iterator[None]:
    """Turns an OSError of writing ``path`` into the sentence that belongs to it."""
    try:
        yield
    except OSError as error:
        raise OutputFailed(_failure(path, error)) from error


def _refuse_to_replace_what_is_no_file(path: Path) -> None:
    """A rename would put a file in the place of a device such as ``/dev/null``."""
    try:
        mode = os.stat(path).st_mode
    except OSError:
        return
    if not stat.S_ISREG(mode):
        raise OutputFailed(
            f"{_shown(path)} is there already and is no regular file. Name a file to write to."
        )


def _failure(path: Path, error: OSError) -> str:
    reason = (error.strerror or str(error)).lower()
    folder = _shown(path.parent)
    match error.errno:
        case errno.ENOSPC | errno.EDQUOT:
            advice = f"Make room in {folder}, or write to another disk, and run it again."
        case errno.ENOENT | errno.ENOTDIR:
            reason = f"the folder {folder} does not exist"
            advice = "Create the folder, or write to another one."
        case errno.EACCES | errno.EPERM | errno.EROFS:
            advice = f"Write to another folder, or allow writing in {folder}."
        case _:
            advice = "Write to another folder or disk, and run it again."
    return f"{_shown(path)} could not be written: {reason}. {advice}"


def _shown(path: Path) -> str:
    return printable(os.fsencode(path))
