"""``verifier notify``."""

from __future__ import annotations

import os
import time
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager

import click

from verifier import settings
from verifier.cli import options
from verifier.errors import LedgerFailed, LedgerRefused
from verifier.jobs import notices, recipients
from verifier.jobs.shift import Clock
from verifier.ledger import Ledger
from verifier.reporting import message
from verifier.reporting import notices as report


@click.command("notify", epilog="Example: verifier notify --test")
@click.option("--test", "test_wanted", is_flag=True, help="Send a message to everybody, now.")
@options.as_json
@click.pass_context
def command(context: click.Context, test_wanted: bool, json_wanted: bool) -> None:
    """Show who is told, when the next message must be there, and what could not be delivered.

    With --test a message is sent to every address, and what became of it is said of each; the
    heartbeat is not called, since only a shift that ended in order may. Addresses are called by
    what of them is never secret. Exit status: 0 all was delivered, 3 something was not.
    """
    found = settings.load(context.obj)
    if test_wanted:
        teller = notices.Notices(
            found, message.WORDS, Clock(), lambda sentence: click.echo(sentence, err=True)
        )
        with _ledger(found, needed=False) as ledger:
            outcomes = list(teller.test(ledger))
        if json_wanted:
            options.print_bytes(report.test_document(outcomes))
        else:
            options.print_lines(report.test_text(outcomes, found.notify.heartbeat is not None))
        context.exit(3 if any(each.failed is not None for each in outcomes) else 0)
    now = time.time()
    labels = [each.label for each in recipients.recipients_of(found)]
    with _ledger(found, needed=True) as ledger:
        due = notices.expected_by(found, ledger, now)
        late = [] if ledger is None else recipients.undelivered(found, ledger, now)
    if json_wanted:
        options.print_bytes(report.document(labels, due, late, found.hours.zone))
    else:
        options.print_lines(report.text(labels, due, late, found.hours))
    context.exit(3 if late else 0)


@contextmanager
def _ledger(found: settings.Settings, *, needed: bool) -> Iterator[Ledger | None]:
    """The ledger; None where no shift has made one yet.

    Where it is not ``needed``, also None where it is in trouble: a test must be possible then.
    """
    with ExitStack() as opened:
        ledger = None
        if os.path.lexists(found.studio.ledger):
            try:
                ledger = opened.enter_context(Ledger(found.studio.ledger))
            except (LedgerRefused, LedgerFailed):
                if needed:
                    raise
        yield ledger
