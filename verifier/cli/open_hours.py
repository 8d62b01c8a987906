"""Commands that read when a person calls them, and the studio's working hours."""

from __future__ import annotations

import os
import time
from pathlib import Path

import click

from verifier import settings
from verifier.cli import person
from verifier.errors import RequestRefused

now_option = click.option(
    "--now",
    "override",
    is_flag=True,
    help="Read in working hours too; the ledger of the settings records that it was done.",
)


def heed(config: Path | None, command: str, override: bool) -> float | None:
    """When working hours begin, in seconds since 1970, so that reading ends by then.

    None without a settings file, when they never do, and when a person overrides them, which is
    recorded.  Raises RequestRefused in working hours, which says when they end.
    """
    found = settings_if_any(config)
    if found is None:
        return None
    now = time.time()
    if override:
        _record(found, command, now)
        return None
    change = found.hours.next_change(now)
    if found.hours.is_open(now):
        return None if change is None else float(change)
    assert change is not None
    raise RequestRefused(
        f"It is working hours, so nothing is read. Open again from "
        f"{found.hours.local(change):%A %Y-%m-%d %H:%M}; --now reads all the same, and is recorded."
    )


def settings_if_any(config: Path | None) -> settings.Settings | None:
    """The settings, or None where no file is named and none stands in its usual place."""
    named = config is not None or os.environ.get(settings.ENVIRONMENT_KEY)
    if not named and not any(map(os.path.lexists, settings.default_files(os.environ))):
        return None
    return settings.load(config)


def _record(found: settings.Settings, command: str, now: float) -> None:
    from verifier.jobs.opening import open_ledger
    from verifier.ledger import Override

    if found.hours.is_open(now):
        return
    with open_ledger(found) as ledger:
        ledger.shifts.add_override(
            Override(int(now), person.name(), f"{command} --now", "read in working hours")
        )
