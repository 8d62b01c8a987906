"""One connection to a ledger's file: transactions, rows, and errors as sentences.

Whatever SQLite says, the caller gets a LedgerRefused or a LedgerFailed that names the file.
"""

from __future__ import annotations

import os
import sqlite3
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager, suppress
from functools import lru_cache
from itertools import chain
from pathlib import Path
from typing import Any, Final

from verifier.errors import LedgerFailed, LedgerRefused, VerifierError
from verifier.ledger import statements
from verifier.model import printable

Row = tuple[Any, ...]
Values = Sequence[object] | Mapping[str, object]

BEFORE_ALL: Final = ""
"""Sorts before every blob, the empty one too: where a stream paged by a path or name begins."""

WAIT_FOR_OTHERS: Final = 30.0
"""Seconds that another process's transaction is waited for."""

PAGE: Final = 1000
"""Rows that a stream takes at a time."""

_ROWS_AT_ONCE: Final = 32
"""Rows that one statement inserts: more gain no time, and some SQLites take but 999 values."""


@lru_cache
def _of_rows(statement: str, rows: int) -> str:
    """An insertion of one row as one of so many."""
    one = statement[statement.rindex("(") :].rstrip()
    return statement.rstrip() + f", {one}" * (rows - 1)


class Store:
    """A ledger's file, open.  Belongs to the thread that opened it, and to no forked process."""

    def __init__(self, path: Path) -> None:
        self.path = path
        self.forget: list[Callable[[], None]] = []
        """Called when a transaction is taken back: what was remembered of it is not so."""
        with self._told():
            self._connection = sqlite3.connect(
                path, timeout=WAIT_FOR_OTHERS, isolation_level=None, cached_statements=256
            )

    def close(self) -> None:
        """Let go of the file.  What was committed stays; what was not is taken back."""
        with self._told():
            self._connection.close()

    def add_function(self, name: str, function: Callable[..., Any], arguments: int) -> None:
        """Let statements call ``function``."""
        self._connection.create_function(name, arguments, function, deterministic=True)

    def run(self, statement: str, values: Values = ()) -> int:
        """Run a statement; the number of rows that it wrote itself."""
        try:
            return self._connection.execute(statement, values).rowcount
        except sqlite3.Error as error:
            raise told(error, self.path) from error

    def run_each(self, statement: str, values: Iterable[Values]) -> int:
        """Run a statement for each of ``values``; the number of rows written in all."""
        try:
            return max(0, self._connection.executemany(statement, values).rowcount)
        except sqlite3.Error as error:
            raise told(error, self.path) from error

    def insert_each(
        self, statement: str, rows: Sequence[Sequence[object]], shared: Sequence[object] = ()
    ) -> None:
        """As `insert_flat`, for rows one by one; all are of one length."""
        if rows:
            self.insert_flat(statement, list(chain.from_iterable(rows)), len(rows[0]), shared)

    def insert_flat(
        self, statement: str, values: Sequence[object], width: int, shared: Sequence[object] = ()
    ) -> None:
        """Run an insertion, which ends in its one row of ``VALUES``, for each ``width`` values.

        Some dozen rows go into one statement: most of what a row costs is to begin and end one.
        So is handing over its values: those that all rows have in common are ``shared``, handed
        over once a statement, which names them ``?1, ?2 ...`` before its other values, each ``?``.
        """
        many = _ROWS_AT_ONCE * width
        for first in range(0, len(values), many):
            some = values[first : first + many]
            self.run(_of_rows(statement, len(some) // width), (*shared, *some))

    def insert(self, statement: str, values: Values = ()) -> int:
        """Run an insertion; the new row's number."""
        try:
            number = self._connection.execute(statement, values).lastrowid
        except sqlite3.Error as error:
            raise told(error, self.path) from error
        assert number is not None
        return number

    def rows(self, statement: str, values: Values = ()) -> list[Row]:
        """All rows of a statement that is bounded by itself."""
        try:
            return self._connection.execute(statement, values).fetchall()
        except sqlite3.Error as error:
            raise told(error, self.path) from error

    def row(self, statement: str, values: Values = ()) -> Row | None:
        """The first row, or None."""
        found = self.rows(statement, values)
        return found[0] if found else None

    def pages(
        self,
        statement: str,
        values: Sequence[object],
        size: int = PAGE,
        after: object = BEFORE_ALL,
    ) -> Iterator[Row]:
        """The rows of a statement that ends in "after this key, at most so many".

        The key is a row's first column.  No cursor stays open between two pages.
        """
        while True:
            page = self.rows(statement, (*values, after, size))
            yield from page
            if len(page) < size:
                return
            after = page[-1][0]

    @contextmanager
    def transaction(self) -> Iterator[None]:
        """All or nothing of what is written in the block.  Inside another one it joins that."""
        if self._within():
            yield
            return
        self.run(statements.BEGIN)
        try:
            yield
            self.run(statements.COMMIT)
        except BaseException:
            self._take_back()
            raise

    @contextmanager
    def staging(self) -> Iterator[None]:
        """As `transaction`, for tables that only this connection has: nobody else is kept out."""
        if self._within():
            yield
            return
        self.run(statements.BEGIN_STAGING)
        try:
            yield
            self.run(statements.COMMIT)
        except BaseException:
            self._take_back()
            raise

    def copy_to(self, target: sqlite3.Connection, each_page: Callable[[int, int], None]) -> None:
        """SQLite's own backup of what is committed; ``each_page`` may raise to end it."""
        raised: list[BaseException] = []

        def progress(_status: int, remaining: int, total: int) -> None:
            try:
                each_page(total - remaining, total)
            except BaseException as error:
                raised.append(error)
                raise

        try:
            with self._told():
                self._connection.backup(target, pages=2000, progress=progress, sleep=0.01)
        except VerifierError:
            if raised:
                raise raised[0] from None
            raise

    def _within(self) -> bool:
        with self._told():
            return self._connection.in_transaction

    def _take_back(self) -> None:
        if self._connection.in_transaction:  # SQLite itself takes back when the disk is full
            with suppress(sqlite3.Error):
                self._connection.execute(statements.ROLLBACK)
        for forget in self.forget:
            forget()

    @contextmanager
    def _told(self) -> Iterator[None]:
        try:
            yield
        except sqlite3.Error as error:
            raise told(error, self.path) from error


def told(error: sqlite3.Error, path: Path) -> VerifierError:
    """SQLite's error as the sentence that belongs to it."""
    name = getattr(error, "sqlite_errorname", None) or ""
    file = shown(path)
    if tells_of_damage(error):
        return unsound(path, str(error))
    if name.startswith("SQLITE_FULL") or "ENOSPC" in name:
        return LedgerFailed(
            f"{file} could not be written: its disk, or the one of temporary files, is full. What "
            "was recorded before stays. Make room there and start again."
        )
    if name.startswith("SQLITE_BUSY"):
        return LedgerFailed(
            f"{file} is being written by another process, which did not finish within "
            f"{WAIT_FOR_OTHERS:.0f} seconds. Try again when it has."
        )
    if name.startswith(("SQLITE_READONLY", "SQLITE_CANTOPEN", "SQLITE_PERM", "SQLITE_AUTH")):
        return LedgerRefused(
            f"{file} cannot be opened for writing ({error}). Let this user write the file and "
            "its folder, then start again."
        )
    if name.startswith("SQLITE_IOERR"):
        return LedgerFailed(
            f"{file} could not be read or written: its disk gave an error, or is full ({error}, "
            f"{name}). What was recorded before stays. See to the disk and start again."
        )
    if name.startswith("SQLITE_INTERRUPT"):
        return LedgerFailed(f"Work on {file} was interrupted. What was recorded before stays.")
    return LedgerFailed(f"{file} could not be used: {error} ({name or type(error).__name__}).")


def tells_of_damage(error: sqlite3.Error) -> bool:
    """True when SQLite met pages that cannot be."""
    name = getattr(error, "sqlite_errorname", None) or ""
    return name.startswith(("SQLITE_CORRUPT", "SQLITE_NOTADB"))


def unsound(path: Path, what: str) -> LedgerRefused:
    """The refusal of a ledger whose pages cannot be believed."""
    return LedgerRefused(
        f"{shown(path)} is damaged ({what}). Do not go on with it: put the newest backup beside "
        "it in its place, or move it away to start anew without what it knew."
    )


def shown(path: Path) -> str:
    """A file's path for a person."""
    return printable(os.fsencode(path))
