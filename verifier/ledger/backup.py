"""Sound copies of a ledger beside it: one a day, the last seven kept.

A copy is checked before it takes its name, so that what has a backup's name can be relied on.
"""

from __future__ import annotations

import os
import re
import sqlite3
from collections.abc import Callable
from contextlib import closing, suppress
from datetime import UTC, datetime
from pathlib import Path
from typing import Final

from verifier import system
from verifier.errors import LedgerFailed
from verifier.ledger import statements
from verifier.ledger.store import Store, shown, tells_of_damage, told, unsound

KEPT: Final = 7

_DAY: Final = re.compile(r"\.backup-\d{4}-\d{2}-\d{2}")


def back_up(
    store: Store, now: int, each_page: Callable[[int, int], None] = lambda done, total: None
) -> Path | None:
    """Copy the ledger unless there is a copy of this day already; the copy, or None.

    The day is the one in UTC.  ``each_page`` is told pages done and in all, and may raise to end
    it.  Raises LedgerRefused when the copy shows that the ledger is damaged, in which case the
    older copies are all kept; LedgerFailed when it cannot be written.
    """
    day = datetime.fromtimestamp(now, UTC).date()
    target = store.path.with_name(f"{store.path.name}.backup-{day:%Y-%m-%d}")
    if target.exists():
        return None
    partial = store.path.parent / f".verifier-{os.urandom(8).hex()}.partial"
    try:
        _copy(store, partial, target, each_page)
        _sync(partial)
        os.rename(partial, target)
        system.sync_folder(os.fsencode(target.parent))
        for old in backups_of(store.path)[:-KEPT]:
            os.unlink(old)
    except OSError as error:
        raise LedgerFailed(
            f"The backup {shown(target)} could not be written "
            f"({(error.strerror or str(error)).lower()}). Make room there, or let this user write "
            "there. The ledger itself is as it was."
        ) from error
    finally:
        for left in (partial, *(Path(f"{partial}{end}") for end in ("-journal", "-wal", "-shm"))):
            with suppress(OSError):
                os.unlink(left)
    return target


def backups_of(path: Path) -> list[Path]:
    """The backups beside a ledger, the oldest first."""
    try:
        names = os.listdir(path.parent)
    except OSError:
        return []
    ours = (
        name
        for name in names
        if name.startswith(path.name) and _DAY.fullmatch(name[len(path.name) :])
    )
    return [path.parent / name for name in sorted(ours)]


def _copy(store: Store, partial: Path, target: Path, each_page: Callable[[int, int], None]) -> None:
    try:
        os.close(os.open(partial, os.O_CREAT | os.O_EXCL | os.O_RDWR, 0o600))
        with closing(sqlite3.connect(partial, isolation_level=None)) as copy:
            for statement in statements.COPY_BEGINS:
                copy.execute(statement)
            store.copy_to(copy, each_page)
            copy.execute(statements.COPY_STANDS_ALONE)
            said = [str(row[0]) for row in copy.execute(statements.QUICK_CHECK)]
    except sqlite3.Error as error:
        raise told(error, store.path if tells_of_damage(error) else target) from error
    if said != ["ok"]:
        raise unsound(store.path, said[0])


def _sync(path: Path) -> None:
    descriptor = os.open(path, os.O_RDWR)
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)
