"""``verifier compare``."""

from __future__ import annotations

import math
import os
from pathlib import Path

import click

from verifier.cli import open_hours, options, readers
from verifier.cli.terminal import Terminal
from verifier.jobs.compare import Request, compare
from verifier.output import whole_file
from verifier.places.addresses import Named
from verifier.places.base import Look
from verifier.reporting import documents, text


@click.command(
    "compare",
    epilog="Example: verifier compare /volumes/bench/current-surveys "
    "/volumes/vault/current-surveys --ignore .DS_Store",
)
@options.place("source")
@options.place("mirror")
@click.option(
    "--baseline",
    type=options.Named(),
    metavar="MANIFEST",
    help="A manifest of what both sides once agreed on; it shows which side is right.",
)
@options.ignore
@click.option(
    "--slack",
    type=click.FloatRange(min=0),
    default=2.0,
    show_default=True,
    metavar="SECONDS",
    help="Dates this near count as equal.",
)
@click.option("--dates-only", is_flag=True, help="Read no content; compare sizes and dates.")
@options.past_cache
@click.option(
    "--paths",
    "paths_file",
    type=options.Named(),
    metavar="FILE",
    help="Write the path of every finding to FILE, each ended by a NUL byte.",
)
@open_hours.now_option
@options.as_json
@click.pass_context
def command(
    context: click.Context,
    source: Named,
    mirror: Named,
    baseline: Path | None,
    ignore: tuple[str, ...],
    slack: float,
    dates_only: bool,
    past_cache: bool,
    paths_file: Path | None,
    override: bool,
    json_wanted: bool,
) -> None:
    """Compare SOURCE with MIRROR, two folders or manifests, by content.

    Both are read side by side, and every path is judged: matched, pending, missing, stale,
    corrupt, orphaned, unreadable, unsettled or unread. What looks corrupt is read a second time,
    past the cache, before it is called so.
    """
    if not math.isfinite(slack):
        raise click.BadParameter("it must be a number of seconds.", param_hint="--slack")
    bell = open_hours.heed(context.obj, "compare", override)
    request = Request(
        source,
        mirror,
        baseline,
        ignore,
        round(slack * 1_000_000_000),
        Look(content=not dates_only, past_cache=past_cache),
        () if paths_file is None else (paths_file,),
        bell,
        readers.named_engine(context.obj),
    )
    result = compare(request, Terminal(bell))
    if paths_file is not None and result.finished:
        with whole_file(paths_file) as file:
            for each in result.findings:
                file.write(os.fsencode(each.path) + b"\0")
    if json_wanted:
        options.print_bytes(documents.comparison(result))
    else:
        options.print_lines(text.comparison(result))
    context.exit(result.exit_status)
