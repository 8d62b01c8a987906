"""``verifier demo``."""

from __future__ import annotations

import tempfile
from contextlib import ExitStack
from pathlib import Path

import click

from verifier import settings
from verifier.cli import options
from verifier.cli.report import report_into
from verifier.cli.terminal import Terminal
from verifier.jobs.demo import Estate, demonstrate
from verifier.reporting import text


@click.command("demo", epilog="Example: verifier demo --keep lantern-marsh")
@click.option(
    "--keep",
    type=options.Named(),
    metavar="DIR",
    help="Leave the two copies in DIR, to try things by hand.",
)
@click.pass_context
def command(context: click.Context, keep: Path | None) -> None:
    """Make a small made-up studio with planted faults, and compare its two copies for real.

    It ends by writing the page that shows how they stand, and leaves that for you to look at.
    """
    with ExitStack() as until_told:
        folder = keep
        if folder is None:
            made = tempfile.TemporaryDirectory(prefix="lantern-marsh-", ignore_cleanup_errors=True)
            folder = Path(until_told.enter_context(made))
        outcome = demonstrate(folder, Terminal())
        options.print_lines(text.demonstrated(outcome, kept=keep is not None))
        options.print_lines(
            ["", f"The page that a shift left behind: {_page(outcome.estate, keep)}"]
        )
    context.exit(0 if outcome.as_planted else 3)


def _page(estate: Estate, keep: Path | None) -> str:
    """Where the page stands: with the two copies if they are kept, else in a folder of its own."""
    found = settings.load(estate.settings)
    folder = None if keep else Path(tempfile.mkdtemp(prefix="lantern-marsh-report-"))
    return report_into(found, folder)[1]
