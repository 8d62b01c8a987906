"""``verifier hours``."""

from __future__ import annotations

import time
from datetime import UTC, datetime
from pathlib import Path

import click

from verifier import settings
from verifier.cli import options
from verifier.reporting import hours as report

_FIRST_YEAR, _LAST_YEAR = 1970, 2999
_MOST_DAYS = 3660


def _time(
    context: click.Context, parameter: click.Parameter, written: str | None
) -> datetime | None:
    """A time with an offset as in RFC 3339, or one on the studio's clock."""
    if written is None:
        return None
    try:
        found = datetime.fromisoformat(written.strip())
    except ValueError:
        found = None
    if found is None or not _FIRST_YEAR <= found.year <= _LAST_YEAR:
        raise click.BadParameter(
            f'"{written}" is no time from {_FIRST_YEAR} to {_LAST_YEAR}. Give one such as '
            '"2026-12-24 08:00", on the studio\'s clock, or 2026-12-24T08:00:00+01:00.'
        )
    return found


@click.command(
    "hours",
    epilog='Example: verifier --config lantern-marsh.toml hours --from "2026-12-24 08:00" --days 3',
)
@click.option(
    "--from",
    "start",
    callback=_time,
    metavar="TIME",
    help='Answer as of then, such as "2026-12-24 08:00" on the studio\'s clock or a time with an '
    "offset.  [default: now]",
)
@click.option(
    "--days",
    type=click.IntRange(1, _MOST_DAYS),
    default=7,
    show_default=True,
    metavar="N",
    help="List the open hours of so many days; what is open for longer is cut there.",
)
@options.as_json
@click.pass_obj
def command(config: Path | None, start: datetime | None, days: int, json_wanted: bool) -> None:
    """Show when it may read: whether it is open, when that changes, and the open hours to come.

    Working hours, days off and busy periods stand in the settings file, under [hours].
    """
    found = settings.load(config)
    now = datetime.fromtimestamp(int(time.time()), UTC)
    outlook = report.outlook(found, now if start is None else start, days, as_of_now=start is None)
    if json_wanted:
        options.print_bytes([report.document(outlook)])
    else:
        options.print_lines(report.text(outlook))
