"""Ledgers as earlier versions left them."""

from __future__ import annotations

import os
import sqlite3
from contextlib import closing
from pathlib import Path

from verifier.ledger.migrations import MIGRATIONS
from verifier.ledger.statements import APPLICATION_ID


def make_of_version(path: Path, schema: int) -> None:
    """A ledger of that schema with nothing in it."""
    with closing(sqlite3.connect(path)) as database:
        _make(database, schema)


def set_back(path: Path, schema: int) -> None:
    """What a ledger holds, as one of that schema holds it; what that has no room for goes."""
    older = path.with_suffix(".older")
    with closing(sqlite3.connect(older)) as database:
        _make(database, schema)
        triggers = take_triggers_out(database)
        database.execute("ATTACH ? AS newer", (os.fspath(path),))
        for table in _tables(database):
            columns = ", ".join(
                name for _, name, *_ in database.execute(f"PRAGMA main.table_info({table})")
            )
            database.execute(f"DELETE FROM main.{table}")
            database.execute(
                f"INSERT INTO main.{table} ({columns}) SELECT {columns} FROM newer.{table}"
            )
        for statement in triggers:
            database.execute(statement)
        database.commit()
    for ending in ("-wal", "-shm"):
        path.with_name(path.name + ending).unlink(missing_ok=True)
    older.replace(path)


def take_triggers_out(database: sqlite3.Connection) -> list[str]:
    """Drop a database's triggers; the statements that bring them back."""
    triggers = database.execute(
        "SELECT name, sql FROM main.sqlite_master WHERE type = 'trigger'"
    ).fetchall()
    for name, _ in triggers:
        database.execute(f"DROP TRIGGER {name}")
    return [statement for _, statement in triggers]


def _make(database: sqlite3.Connection, schema: int) -> None:
    for statement in _statements(schema):
        database.execute(statement)
    database.execute(f"PRAGMA application_id = {APPLICATION_ID}")
    database.execute(f"PRAGMA user_version = {schema}")
    database.commit()


def _statements(schema: int) -> list[str]:
    return [
        statement
        for migration in MIGRATIONS
        if migration.number <= schema
        for statement in migration.statements
    ]


def _tables(database: sqlite3.Connection) -> list[str]:
    found = database.execute("SELECT name FROM main.sqlite_master WHERE type = 'table'")
    return [name for (name,) in found if name not in ("sqlite_stat1", "sqlite_stat4")]
