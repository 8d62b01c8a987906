"""``verifier manifest``."""

from __future__ import annotations

import os
from pathlib import Path

import click

from verifier.cli import open_hours, options, readers
from verifier.cli.terminal import Terminal
from verifier.jobs.build import build
from verifier.model import printable
from verifier.places.addresses import Named
from verifier.places.base import Look
from verifier.reporting import text


@click.command(
    "manifest",
    epilog="Example: verifier manifest /volumes/bench/delivered-surveys "
    "--out delivered-2026-11.manifest.gz",
)
@options.place("place")
@click.option(
    "--out",
    required=True,
    type=options.Named(),
    metavar="FILE",
    help="Where to write it; a name that ends in .gz is compressed.",
)
@options.ignore
@click.option("--dates-only", is_flag=True, help="Read no content; list sizes and dates.")
@options.past_cache
@open_hours.now_option
@click.pass_context
def command(
    context: click.Context,
    place: Named,
    out: Path,
    ignore: tuple[str, ...],
    dates_only: bool,
    past_cache: bool,
    override: bool,
) -> None:
    """Write to FILE what PLACE holds: every path with size, date and digest.

    A manifest can be compared with a folder or another manifest later, and tells on an edit.
    """
    look = Look(content=not dates_only, past_cache=past_cache)
    bell = open_hours.heed(context.obj, "manifest", override)
    engine = readers.named_engine(context.obj)
    result = build(place, out, look, ignore, Terminal(bell), bell=bell, engine=engine)
    options.print_lines(text.built(result, printable(os.fsencode(out))))
    context.exit(3 if result.troubled else 0)
