"""A glance at a ledger for a shell's completion: it makes, changes and waits for nothing."""

from __future__ import annotations

import os
import sqlite3
from contextlib import closing
from pathlib import Path
from typing import Final
from urllib.parse import quote

from verifier.ledger import statements
from verifier.model import printable

_MOST: Final = 200
_WAIT: Final = 0.2
"""Seconds that another process's lock is waited for."""


def lasting_findings(path: Path) -> list[tuple[int, str]]:
    """Number, and verdict and path, of open and accepted findings; none where it cannot be read."""
    address = f"file:{quote(os.fsencode(path))}?mode=ro"
    try:
        with closing(sqlite3.connect(address, uri=True, timeout=_WAIT)) as ledger:
            rows = ledger.execute(statements.GLANCE, (_MOST,)).fetchall()
    except sqlite3.Error:
        return []
    return [(number, f"{verdict}: {printable(path)}") for number, verdict, path in rows]
