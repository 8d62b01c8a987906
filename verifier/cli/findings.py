"""``verifier findings``."""

from __future__ import annotations

import os
import time
from collections.abc import Callable, Iterator
from datetime import tzinfo
from itertools import chain
from pathlib import Path
from typing import Final

import click

from verifier import settings
from verifier.cli import completion, options
from verifier.errors import LedgerRefused
from verifier.jobs.missed import missed_lately
from verifier.jobs.opening import all_places
from verifier.ledger import FindingState, Ledger, LedgerFinding, PlaceName, backups_of
from verifier.model import printable
from verifier.reporting import findings as report
from verifier.reporting.missed import no_shift_since

NUMBER: Final = click.IntRange(1, (1 << 63) - 1)
"""What a finding's number can be: more than SQLite counts to is no number of any."""


def opened_ledger(path: Path) -> Ledger:
    """The ledger at ``path``, which must be there: who asks what is known makes no empty one.

    Raises LedgerRefused.
    """
    try:
        os.lstat(path)
    except (FileNotFoundError, NotADirectoryError):
        if not backups_of(path):
            raise LedgerRefused(
                f"Nothing is known yet: nothing was read, and there is no ledger at "
                f"{printable(os.fsencode(path))}. Run `verifier shift` first."
            ) from None
    except OSError:
        pass  # opening it says why it cannot be
    return Ledger(path)


@click.command(
    "findings",
    epilog="Example: verifier findings --share current-surveys --all",
)
@click.argument(
    "number", metavar="[FINDING]", type=NUMBER, required=False, shell_complete=completion.findings
)
@click.option("--all", "all_wanted", is_flag=True, help="Show closed ones too.")
@click.option(
    "--share", metavar="NAME", help="Only those of one share.", shell_complete=completion.shares
)
@options.as_json
@click.pass_context
def command(
    context: click.Context,
    number: int | None,
    all_wanted: bool,
    share: str | None,
    json_wanted: bool,
) -> None:
    """List what needs a person, the most pressing first, then what was accepted.

    With the number of a FINDING: that one in full, with its history. Exit status: 0 none is open,
    1 one is, 3 none is, but nothing is known yet, or a place could not be looked through, read,
    or, by a clock that was wrong, read again.
    Where shifts have stopped running it says so first.
    """
    if number is not None and (all_wanted or share is not None):
        raise click.UsageError("A finding's number stands alone, without --all or --share.")
    found = settings.load(context.obj)
    with opened_ledger(found.studio.ledger) as ledger:
        if share is not None and not ledger.places(share):
            found.share(share)
        places = [name for name, _ in all_places(found) if share in (None, name.share)]
        now = time.time()
        known = report.as_of(found, ledger, places, now, missed_lately(found, ledger, now))
        if number is not None:
            status = _show(ledger, number, known, found.hours.zone, json_wanted)
        else:
            status = _list(ledger, share, all_wanted, known, found.hours.zone, json_wanted)
    context.exit(status)


def _show(ledger: Ledger, number: int, known: report.AsOf, zone: tzinfo, json_wanted: bool) -> int:
    """One finding in full; the exit status."""
    one, history = ledger.findings.numbered(number), ledger.findings.history(number)
    if json_wanted:
        options.remark(no_shift_since(known.missed, zone))
        options.print_bytes(report.document([one], known, zone, history))
    else:
        options.print_lines(report.one(one, history, known, zone))
    return int(one.state is FindingState.OPEN)


def _list(
    ledger: Ledger,
    share: str | None,
    all_wanted: bool,
    known: report.AsOf,
    zone: tzinfo,
    json_wanted: bool,
) -> int:
    """The list; the exit status."""
    tally = report.Tally()
    if json_wanted:
        each_mirrors = ledger.findings.of if all_wanted else ledger.findings.lasting
        options.remark(no_shift_since(known.missed, zone))
        everything = tally.counted(_through(ledger, share, each_mirrors))
        options.print_bytes(report.document(everything, known, zone))
    else:
        lasting = tally.counted(_through(ledger, share, ledger.findings.lasting))
        closed = _closed(ledger, share) if all_wanted else iter(())
        options.print_lines(report.text(lasting, known, zone, closed))
    return tally.exit_status(known)


def _through(
    ledger: Ledger, share: str | None, of: Callable[[PlaceName], Iterator[LedgerFinding]]
) -> Iterator[LedgerFinding]:
    """Findings by share, mirror and path; also those of places that left the settings."""
    mirrors = (place for place in ledger.places(share) if not place.is_source)
    return chain.from_iterable(map(of, mirrors))


def _closed(ledger: Ledger, share: str | None) -> Iterator[LedgerFinding]:
    for each in _through(ledger, share, ledger.findings.of):
        if each.state is FindingState.CLOSED:
            yield each
