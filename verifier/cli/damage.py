"""``verifier damage``."""

from __future__ import annotations

from pathlib import Path

import click

from verifier.cli import options
from verifier.jobs.damage import look_for_damage
from verifier.reporting import documents, text


@click.command(
    "damage",
    epilog="Example: verifier damage /volumes/bench/current-surveys/north.laz "
    "/volumes/vault/current-surveys/north.laz",
)
@options.place("source")
@options.place("mirror")
@options.as_json
@click.pass_context
def command(context: click.Context, source: Path, mirror: Path, json_wanted: bool) -> None:
    """Show where and how the files SOURCE and MIRROR differ, byte by byte."""
    found = look_for_damage(source, mirror)
    if json_wanted:
        options.print_bytes([documents.damage(found)])
    else:
        options.print_lines(text.damage(found))
    context.exit(1 if found.differing_bytes else 0)
