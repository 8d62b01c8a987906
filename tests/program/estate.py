"""A studio on real folders with its settings file, for tests that run shifts on it."""

from __future__ import annotations

import json
import os
import sqlite3
from collections.abc import Mapping
from contextlib import closing
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

from trees import Tree, lantern_marsh

from program.running import Outcome, verifier

SHARE = "current-surveys"


class Estate:
    """Bench and vault below one folder, and the settings that name them.

    ``mirror`` is where the vault's tree shall lie, if elsewhere; a subclass may have another
    address for it than its folder.
    """

    def __init__(self, root: Path, source: Tree | None = None, mirror: Path | None = None) -> None:
        self.root = root
        self.source = source or lantern_marsh(root / "bench" / SHARE)
        self.mirror = self.source.copy_to(mirror or root / "vault" / SHARE)
        self.state = root / "state"
        self.state.mkdir()
        self.ledger = self.state / "ledger.db"
        self.file = root / "settings.toml"
        self.settings()

    @property
    def mirror_at(self) -> str:
        """The address of the vault's tree, for the settings."""
        return str(self.mirror.root)

    def settings(
        self,
        *,
        hours: str = "",
        pace: str = "",
        share: str = "",
        audit: str = "",
        more: str = "",
        timezone: str = "UTC",
    ) -> Path:
        """Write the settings file; each argument adds lines to its section."""
        self.file.write_text(
            f"""
[studio]
name = "Lantern Marsh Surveys"
timezone = "{timezone}"
ledger = "{self.ledger}"
reports = "{self.state / "reports"}"
[hours]
{hours}
[pace]
{pace}
[audit]
{audit}
[[share]]
name = "{SHARE}"
source = "{self.source.root}"
{share}
[[share.mirror]]
name = "vault"
at = "{self.mirror_at}"
{more}
"""
        )
        return self.file

    def forget_the_write(self, tree: Tree, place: str, path: str) -> None:
        """A disk that changes by itself tells nobody: the ledger is made to know the date of it."""
        changed = os.lstat(tree.at(path)).st_ctime_ns
        with closing(sqlite3.connect(self.ledger)) as ledger:
            ledger.execute(
                "UPDATE sightings SET ctime_ns = ? WHERE name = ?"
                " AND place = (SELECT id FROM places WHERE name = ?)",
                (changed, os.path.basename(path).encode(), place),
            )
            ledger.commit()

    def run(self, *arguments: Any, **how: Any) -> Outcome:
        """One command with these settings."""
        return verifier("--config", self.file, *arguments, **how)

    def shift(self, *options: Any, **how: Any) -> Outcome:
        """One shift whose result is asked for as a document."""
        outcome = self.run("shift", "--json", *options, **how)
        assert outcome.status in (0, 1, 3), outcome.err
        assert outcome.document["schema"] == "verifier.shift.v1"
        return outcome


def closing_in(seconds: float) -> str:
    """Lines of the section on hours by which it closes so many seconds from now, in UTC.

    Working hours begin on a full minute; the margin brings the bell to the second.
    """
    now = datetime.now(UTC)
    bell = now + timedelta(seconds=seconds)
    work = (bell + timedelta(minutes=2)).replace(second=0, microsecond=0)
    margin = round((work - bell).total_seconds())
    end = work + timedelta(hours=1)
    return f'working = ["Mon-Sun {work:%H:%M}-{end:%H:%M}"]\nmargin = "{margin} s"'


def working_now() -> str:
    """Lines of the section on hours by which it is working hours for an hour yet, in UTC."""
    now = datetime.now(UTC)
    start, end = now - timedelta(hours=1), now + timedelta(hours=1)
    return f'working = ["Mon-Sun {start:%H:%M}-{end:%H:%M}"]'


def document_in(out: bytes) -> Mapping[str, Any]:
    """The document on an output."""
    return json.loads(out)
