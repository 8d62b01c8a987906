"""``verifier preflight``."""

from __future__ import annotations

from pathlib import Path

import click

from verifier import settings
from verifier.cli import options
from verifier.cli.terminal import Terminal
from verifier.jobs.preflight import Check, preflight
from verifier.reporting import preflight as report


def run_and_print(config: Path | None, *, override: bool = False) -> int:
    """Run preflight, print each check as it is made, and return the exit status."""
    found = settings.load(config)
    result = preflight(found, Terminal(), override=override, told=_print)
    options.print_lines(report.ending(result))
    return result.exit_status


def _print(check: Check) -> None:
    options.print_lines(report.line(check))


@click.command("preflight", epilog="Example: verifier --config lantern-marsh.toml preflight")
@click.option(
    "--now",
    "override",
    is_flag=True,
    help="List and measure in working hours too; the ledger records that it was done.",
)
@options.as_json
@click.pass_context
def command(context: click.Context, override: bool, json_wanted: bool) -> None:
    """Check that all is ready: settings, clock, ledger, shares, and how long reading will take.

    In working hours the shares are not listed and nothing is read of them, without --now. Nothing
    is ever written to a share. Each line says good, look (yours to decide) or wrong.
    """
    config: Path | None = context.obj
    if json_wanted:
        result = preflight(settings.load(config), Terminal(), override=override)
        options.print_bytes([report.document(result)])
        context.exit(result.exit_status)
    context.exit(run_and_print(config, override=override))
