"""One shift at a time for each ledger, by a lock that no dead process can hold."""

from __future__ import annotations

import os
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from datetime import datetime
from pathlib import Path
from typing import Final

import msgspec
from msgspec import Struct

from verifier import system
from verifier.errors import LedgerRefused, ShiftRunning
from verifier.ledger.store import shown

_LONGEST: Final = 1000


class Holder(Struct, frozen=True):
    """Who holds a lock: the process, and since when."""

    pid: int
    since: int


@contextmanager
def only_shift(path: Path, now: int) -> Iterator[bool]:
    """While the block runs no other shift can work with the ledger at ``path``.

    Gives False where this system has no lock that ends with its process: nothing then keeps a
    second shift out.  Raises ShiftRunning, which says who holds it, or LedgerRefused when the
    file beside the ledger cannot be written.  The file stays: who removed it could lock another.
    """
    file = Path(f"{os.path.realpath(path)}.lock")
    try:
        descriptor = os.open(file, os.O_RDWR | os.O_CREAT | getattr(os, "O_CLOEXEC", 0), 0o600)
    except OSError as error:
        raise LedgerRefused(
            f"{shown(file)}, which keeps a second shift out, cannot be written "
            f"({(error.strerror or str(error)).lower()}). Let this user write there."
        ) from error
    _let_go_in_forks(descriptor)
    try:
        held = system.lock_alone(descriptor)
        if held is False:
            raise ShiftRunning(_running(path, descriptor))
        _sign(descriptor, Holder(os.getpid(), now))
        yield held is not None
        _sign(descriptor, None)
    finally:
        if descriptor in _open_locks:  # a forked process has let go of it already
            _open_locks.discard(descriptor)
            os.close(descriptor)


def shift_runs(path: Path) -> bool:
    """Whether some other process works with the ledger at ``path``, as far as can be told.

    Never to be asked by a process that holds the lock itself.
    """
    try:
        with only_shift(path, 0):
            return False
    except ShiftRunning:
        return True
    except LedgerRefused:  # nobody can say; a shift that cannot lock says so itself
        return False


_open_locks: set[int] = set()
_lets_go = False


def _let_go_in_forks(descriptor: int) -> None:
    """A forked reader would keep the lock beyond the death of the shift that it reads for."""
    global _lets_go
    _open_locks.add(descriptor)
    if not _lets_go and hasattr(os, "register_at_fork"):
        os.register_at_fork(after_in_child=_close_in_fork)
        _lets_go = True


def _close_in_fork() -> None:
    for descriptor in _open_locks:
        with suppress(OSError):
            os.close(descriptor)
    _open_locks.clear()


def _sign(descriptor: int, holder: Holder | None) -> None:
    """Say who holds the lock.  Only a courtesy to who is refused: a full disk does not matter."""
    with suppress(OSError):
        os.ftruncate(descriptor, 0)
        if holder is not None:
            os.lseek(descriptor, 0, os.SEEK_SET)
            os.write(descriptor, msgspec.json.encode(holder))


def _running(path: Path, descriptor: int) -> str:
    who = "Another process"
    with suppress(OSError, msgspec.DecodeError):
        os.lseek(descriptor, 0, os.SEEK_SET)
        holder = msgspec.json.decode(os.read(descriptor, _LONGEST), type=Holder)
        since = datetime.fromtimestamp(holder.since).astimezone()
        who = f"Process {holder.pid}, since {since:%Y-%m-%d %H:%M:%S %z},"
    return (
        f"{who} runs a shift with the ledger {shown(path)}. Wait until it ends, or stop it first."
    )
