"""``verifier damage``."""

from __future__ import annotations

import os

import click

from verifier.cli import open_hours, options
from verifier.jobs.damage import both_sides, look_for_damage, look_in_share
from verifier.places.addresses import Address, Named
from verifier.reporting import documents, text


@click.command(
    "damage",
    epilog="Example: verifier damage /volumes/bench/current-surveys/north.laz "
    "/volumes/vault/current-surveys/north.laz",
)
@options.place("source")
@options.place("mirror")
@click.option(
    "--mirror",
    "name",
    metavar="NAME",
    help="Which mirror of the share; needed where it has several.",
)
@open_hours.now_option
@options.as_json
@click.pass_context
def command(
    context: click.Context,
    source: Named,
    mirror: Named,
    name: str | None,
    override: bool,
    json_wanted: bool,
) -> None:
    """Show where and how the files SOURCE and MIRROR differ, byte by byte.

    Instead of two files, SHARE PATH names a share of the settings and a path in it: `verifier
    damage current-surveys notes/plan.txt`.
    """
    of_share = None
    if _may_name_a_share(source, mirror):
        of_share = open_hours.settings_if_any(context.obj)
    path = os.fsencode(str(mirror))
    if of_share is not None:
        both_sides(of_share, str(source), path, name)  # what cannot be is refused at any hour
    open_hours.heed(context.obj, "damage", override)
    if of_share is None:
        found = look_for_damage(source, mirror)
    else:
        found = look_in_share(of_share, str(source), path, name)
    if json_wanted:
        options.print_bytes([documents.damage(found)])
    else:
        options.print_lines(text.damage(found))
    context.exit(1 if found.differing_bytes else 0)


def _may_name_a_share(source: Named, mirror: Named) -> bool:
    return not any(isinstance(each, Address) or os.path.lexists(each) for each in (source, mirror))
