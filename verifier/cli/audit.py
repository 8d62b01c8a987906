"""``verifier audit``."""

from __future__ import annotations

import time

import click

from verifier import settings
from verifier.cli import completion, options
from verifier.cli.findings import opened_ledger
from verifier.jobs.audit import audit
from verifier.jobs.missed import missed_lately
from verifier.reporting import audit as report
from verifier.reporting.missed import no_shift_since


@click.command("audit", epilog="Example: verifier audit current-surveys")
@click.argument("share", metavar="[SHARE]", required=False, shell_complete=completion.shares)
@options.as_json
@click.pass_context
def command(context: click.Context, share: str | None, json_wanted: bool) -> None:
    """Show how far every byte has been read again, and whether that will stay in time.

    Of each place, or each of one SHARE: the round, the ages of the last readings, the pace, when
    the round will end, and what it would take where that is too late. It answers from the ledger
    alone, at any hour, and says first where shifts have stopped running. Exit status: 0 every byte
    is within the target, 1 it is not or nobody can say, 3 nothing is known yet.
    """
    found = settings.load(context.obj)
    if not found.shares:
        raise click.UsageError("the settings name no share. Add one with: verifier setup")
    if share is not None:
        found.share(share)
    with opened_ledger(found.studio.ledger) as ledger:
        now = time.time()
        result = audit(found, ledger, share, now)
        silence = no_shift_since(missed_lately(found, ledger, now), found.hours.zone)
    if json_wanted:
        options.remark(silence)
        options.print_bytes([report.document(result, found.hours.zone)])
    else:
        options.print_lines(report.text(result, found.hours.zone, silence))
    context.exit(result.exit_status)
