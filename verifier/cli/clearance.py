"""``verifier clearance``."""

from __future__ import annotations

import os
from contextlib import closing
from pathlib import Path

import click

from verifier import settings
from verifier.cli import completion, open_hours, options, person
from verifier.cli.terminal import Terminal
from verifier.reporting import certificate_page
from verifier.reporting import clearance as report


@click.command(
    "clearance",
    epilog="Examples: verifier clearance current-surveys 2026-014-harbour-wall, and a year later, "
    "on any machine: verifier clearance --recheck CERTIFICATE /volumes/vault/current-surveys",
)
@click.argument(
    "names", nargs=-1, metavar="SHARE FOLDER | [PLACE]...", shell_complete=completion.first_share
)
@click.option(
    "--recheck",
    type=options.Named(),
    metavar="CERTIFICATE",
    help="Read the copies again that a certificate speaks of: those at the given PLACEs, or all "
    "its mirrors. Needs no settings.",
)
@click.option(
    "--out",
    type=options.Named(),
    metavar="DIR",
    help="Where the certificate goes, outside of every share. Without it: the settings' reports.",
)
@options.as_json
@open_hours.now_option
@click.pass_context
def command(
    context: click.Context,
    names: tuple[str, ...],
    recheck: Path | None,
    out: Path | None,
    json_wanted: bool,
    override: bool,
) -> None:
    """Prove, before FOLDER may be deleted from the source of SHARE, that it stands whole elsewhere.

    Every file in it is read again on all places, past the cache; then every rule is looked at, and
    a certificate written, or all that stands against it said at once. Nothing is ever deleted. It
    reads in open hours; give the same command again, and it goes on where it stopped.

    Exit status: 0 granted, 1 refused, 2 a wrong request, 3 something could not be reached, or not
    all is read yet.
    """
    if recheck is not None:
        if out is not None:
            raise click.UsageError("--recheck writes nothing, and needs no --out.")
        context.exit(_recheck(context, recheck, names, json_wanted, override))
    if len(names) != 2:
        raise click.UsageError("Name the share and the folder in it, or a certificate: --recheck.")
    context.exit(_clear(context, *names, out, json_wanted, override))


def _clear(
    context: click.Context,
    share: str,
    folder: str,
    out: Path | None,
    json_wanted: bool,
    override: bool,
) -> int:
    """Clear a folder; the exit status."""
    from verifier.jobs import clearance as job

    found = settings.load(context.obj)
    found.share(share)
    bell = open_hours.heed(context.obj, "clearance", override)
    asked = job.Asked(
        found, share, os.fsencode(folder), person.name(), bell, certificate_page.page, out
    )
    outcome = job.clear(asked, Terminal())
    if json_wanted:
        options.print_bytes(report.document(outcome))
    else:
        options.print_lines(report.text(outcome, found.hours.zone))
    return outcome.exit_status


def _recheck(
    context: click.Context,
    certificate: Path,
    names: tuple[str, ...],
    json_wanted: bool,
    override: bool,
) -> int:
    """Recheck a certificate; the exit status."""
    from verifier.jobs.clearance.recheck import recheck

    if not all(names):
        raise click.UsageError("An empty name was given. Name the folder of a copy.")
    places = [options.NamedPlace()(name) for name in names]
    bell = open_hours.heed(context.obj, "clearance --recheck", override)
    with closing(recheck(certificate, places, Terminal(bell), bell)) as found:
        if json_wanted:
            options.print_bytes(report.recheck_document(found))
        else:
            options.print_lines(report.recheck_text(found))
        return found.exit_status
