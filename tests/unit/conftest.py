"""What many unit tests begin with."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from verifier.ledger import Ledger


@pytest.fixture
def path(tmp_path: Path) -> Path:
    """Where a test's ledger lies."""
    return tmp_path / "ledger.db"


@pytest.fixture
def ledger(path: Path) -> Iterator[Ledger]:
    """A ledger that holds nothing yet."""
    with Ledger(path) as opened:
        yield opened
