"""``verifier demo``."""

from __future__ import annotations

import tempfile
from contextlib import ExitStack
from pathlib import Path

import click

from verifier.cli import options
from verifier.cli.terminal import Terminal
from verifier.jobs.demo import demonstrate
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
    """Make a small made-up studio with planted faults, and compare its two copies for real."""
    with ExitStack() as until_told:
        folder = keep
        if folder is None:
            made = tempfile.TemporaryDirectory(prefix="lantern-marsh-", ignore_cleanup_errors=True)
            folder = Path(until_told.enter_context(made))
        outcome = demonstrate(folder, Terminal())
        options.print_lines(text.demonstrated(outcome, kept=keep is not None))
    context.exit(0 if outcome.as_planted else 3)
