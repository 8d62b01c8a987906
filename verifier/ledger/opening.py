"""Opening a ledger: only one that can be believed, and never inside of what is checked.

Opening stays quick however much a ledger holds: the header, the file's length, and the ends of
every table and index are looked at.  `soundness` looks at every page.
"""

from __future__ import annotations

import os
import sqlite3
import stat
from collections.abc import Iterable, Sequence
from contextlib import suppress
from pathlib import Path
from typing import Final, NamedTuple

from verifier import system
from verifier.errors import LedgerFailed, LedgerRefused
from verifier.inside import lies_in
from verifier.ledger import chain, statements
from verifier.ledger.agreements import earlier_digests
from verifier.ledger.backup import backups_of
from verifier.ledger.migrations import MIGRATIONS, Migration
from verifier.ledger.store import Store, shown, unsound

OLDEST_SQLITE: Final = (3, 31)
"""The first with generated columns."""

_MAGIC: Final = b"SQLite format 3\0"
_HEADER: Final = 100


def refuse_inside(path: Path, shares: Iterable[Path]) -> None:
    """Raises LedgerRefused when ``path`` lies in one of ``shares``, by real path or by mount."""
    real = os.path.realpath(os.fsencode(path))
    for share in shares:
        if lies_in(real, os.path.realpath(os.fsencode(share))):
            raise LedgerRefused(
                f"{shown(path)} lies inside {shown(share)}, which is checked and may not be "
                "written. Keep the ledger outside of every share."
            )


def opened(path: Path, migrations: Sequence[Migration] = MIGRATIONS) -> Store:
    """The ledger at ``path``, made if there is none; raises LedgerRefused or LedgerFailed."""
    if sqlite3.sqlite_version_info < OLDEST_SQLITE:
        raise LedgerRefused(
            f"A ledger needs SQLite 3.31 or newer, and this Python has {sqlite3.sqlite_version}. "
            "Use a newer Python."
        )
    try:
        if not _is_there(path):
            _make(path, migrations)
        path = Path(os.path.realpath(path))  # one ledger has one name, whatever link leads to it
        header = _read_header(path)
    except OSError as error:
        raise _cannot_open(path, error) from error
    _refuse_unlike(path, header)
    store = Store(path)
    try:
        _refuse_newer(path, _schema(store), migrations)
        _write_ahead(store)
        for statement in statements.EACH_CONNECTION:
            store.run(statement)
        store.add_function("earlier_digests", earlier_digests, 3)
        migrate(store, migrations)
        for statement in statements.ENDS:
            store.row(statement)
    except BaseException:
        with suppress(LedgerFailed, LedgerRefused):
            store.close()
        raise
    return store


def migrate(store: Store, migrations: Sequence[Migration] = MIGRATIONS) -> None:
    """Bring an open ledger to the newest schema, or leave it as it is.  Refuses a newer one."""
    if _schema(store) == migrations[-1].number:
        return
    with store.transaction():
        version = _schema(store)
        _refuse_newer(store.path, version, migrations)
        for migration in migrations:
            if migration.number > version:
                for statement in migration.statements:
                    store.run(statement)
                store.run(statements.SET_SCHEMA_VERSION.format(number=migration.number))
        if version < chain.BEGINS_WITH_SCHEMA:
            chain.take_over(store)
        elif version < chain.COVERS_SINCE_SCHEMA:
            chain.cover_more(store)


def soundness(store: Store) -> tuple[str, ...]:
    """What is wrong with the ledger, in sentences; none when it is sound.  Reads every page."""
    try:
        said = [str(row[0]) for row in store.rows(statements.QUICK_CHECK)]
        if said != ["ok"]:
            return tuple(said)
        return tuple(
            f"The counts of {share}, {place} are not those of its sightings."
            for share, place in store.rows(statements.WRONG_TOTALS)
        )
    except LedgerRefused as refused:
        return (str(refused),)


class _Header(NamedTuple):
    """What the file's first bytes say, and its length."""

    is_database: bool
    application: int
    bytes_said: int
    bytes: int


def _is_there(path: Path) -> bool:
    try:
        mode = os.stat(path).st_mode
    except FileNotFoundError:
        if os.path.islink(path):
            raise LedgerRefused(
                f"{shown(path)} is a link to nothing. Make what it should lead to reachable, or "
                "remove the link."
            ) from None
        if backups := backups_of(path):
            raise LedgerRefused(
                f"{shown(path)} is not there, though a backup of it is. Copy "
                f"{shown(backups[-1])} to its place, or move its backups away to start anew."
            ) from None
        return False
    if not stat.S_ISREG(mode):
        raise LedgerRefused(f"{shown(path)} is no file. Name a file to keep the ledger in.")
    if not os.access(path, os.R_OK | os.W_OK) or not os.access(path.parent, os.W_OK):
        raise LedgerRefused(
            f"{shown(path)} cannot be opened for writing. Let this user write the file and its "
            "folder, then start again."
        )
    return True


def _make(path: Path, migrations: Sequence[Migration]) -> None:
    """A new ledger comes to its place whole: an empty file is never one that was begun."""
    partial = path.parent / f".verifier-{os.urandom(8).hex()}.partial"
    try:
        os.close(os.open(partial, os.O_CREAT | os.O_EXCL | os.O_RDWR, 0o600))
        store = Store(partial)
        try:
            for statement in statements.NEW_FILE:
                store.run(statement)
            migrate(store, migrations)
        finally:
            store.close()
        os.rename(partial, path)
    except LedgerFailed as error:
        raise LedgerFailed(str(error).replace(shown(partial), shown(path))) from error
    finally:
        with suppress(OSError):
            os.unlink(partial)
    system.sync_folder(os.fsencode(path.parent))


def _read_header(path: Path) -> _Header:
    with open(path, "rb") as file:
        head = file.read(_HEADER)
        length = os.fstat(file.fileno()).st_size

    def number(at: int, size: int = 4) -> int:
        return int.from_bytes(head[at : at + size], "big")

    page = 65536 if number(16, 2) == 1 else number(16, 2)
    return _Header(
        len(head) == _HEADER and head.startswith(_MAGIC),
        application=number(68),
        bytes_said=page * number(28),
        bytes=length,
    )


def _refuse_unlike(path: Path, header: _Header) -> None:
    if not header.is_database:
        what = "empty" if header.bytes == 0 else "no ledger"
        raise LedgerRefused(
            f"{shown(path)} is {what}. Name another file, or put a backup of the ledger in its "
            "place."
        )
    if header.application != statements.APPLICATION_ID:
        raise LedgerRefused(
            f"{shown(path)} is a database of another program. Name another file for the ledger."
        )
    if header.bytes < header.bytes_said and not _has_log(path):
        raise unsound(path, f"{header.bytes_said - header.bytes:,} bytes of it are missing")


def _has_log(path: Path) -> bool:
    """True when changes wait beside the file: until they are taken over it may be shorter."""
    try:
        return os.stat(f"{path}-wal").st_size > 0
    except OSError:
        return False


def _refuse_newer(path: Path, version: int, migrations: Sequence[Migration]) -> None:
    if version > migrations[-1].number:
        raise LedgerRefused(
            f"{shown(path)} was written by a newer verifier (schema {version}, this one knows "
            f"{migrations[-1].number}). Update this program."
        )


def _write_ahead(store: Store) -> None:
    if store.row(statements.WRITE_AHEAD) != ("wal",):
        raise LedgerRefused(
            f"{shown(store.path)} stands on a disk that cannot be shared between processes as a "
            "ledger must be. Keep it on a disk of this machine."
        )


def _schema(store: Store) -> int:
    row = store.row(statements.SCHEMA_VERSION)
    assert row is not None
    return int(row[0])


def _cannot_open(path: Path, error: OSError) -> LedgerRefused:
    reason = (error.strerror or str(error)).lower()
    if isinstance(error, (FileNotFoundError, NotADirectoryError)):
        reason = f"the folder {shown(path.parent)} does not exist"
    return LedgerRefused(
        f"{shown(path)} cannot be opened: {reason}. Make a folder for it that this user may "
        "write, or name another file."
    )
