"""``verifier accept``."""

from __future__ import annotations

import time

import click

from verifier import settings
from verifier.cli import completion, options, person
from verifier.cli.findings import NUMBER, opened_ledger
from verifier.errors import RequestRefused
from verifier.reporting import findings as report


@click.command(
    "accept",
    epilog='Example: verifier accept 12 --because "cut at the client\'s wish"',
)
@click.argument(
    "numbers",
    metavar="FINDING...",
    type=NUMBER,
    nargs=-1,
    required=True,
    shell_complete=completion.findings,
)
@click.option(
    "--because",
    required=True,
    metavar="TEXT",
    help="Why: it is kept with your name and the time, and shown with the finding.",
)
@click.pass_context
def command(context: click.Context, numbers: tuple[int, ...], because: str) -> None:
    """Decide that a FINDING, or several, may stand as it is: all of them, or none.

    What stands on the source is taken to be right. An accepted change of content becomes the new
    agreement; anything else is quiet until it changes. Nothing is copied or deleted.
    """
    found = settings.load(context.obj)
    with opened_ledger(found.studio.ledger) as ledger:
        try:
            decisions = ledger.findings.accept_as_they_stand(
                numbers,
                ledger.agreements,
                person.name(),
                int(time.time()),
                person.one_line(because),
            )
        except RequestRefused as refused:
            if len(set(numbers)) > 1:
                raise RequestRefused(f"{refused} None of them was accepted.") from None
            raise
    options.print_lines(report.accepted(decisions))
