"""``verifier shift``."""

from __future__ import annotations

import time
from datetime import datetime, timedelta

import click
from msgspec import structs

from verifier import settings
from verifier.cli import options, person
from verifier.cli.report import renew_page, write_page
from verifier.cli.terminal import Terminal
from verifier.jobs import plan, shift
from verifier.jobs.notices import Notices
from verifier.jobs.opening import all_places
from verifier.reporting import findings as findings_report
from verifier.reporting import message
from verifier.reporting import shift as report


@click.command(
    "shift",
    epilog="Example: verifier shift --until 06:30",
)
@click.option(
    "--until",
    metavar="TIME",
    help="Stop then, a resident shift for good, even if it is open for longer: a time of day on "
    "the studio's clock such as 06:30, or a time such as 2026-12-24T06:30:00+00:00.",
)
@click.option(
    "--dry-run", is_flag=True, help="Read nothing; say what would be read, and when it would end."
)
@click.option(
    "--resident",
    is_flag=True,
    help="Stay: wait for the next open hours, and go on with a large file where it stopped.",
)
@click.option(
    "--believe",
    is_flag=True,
    help="Record places as they are, even when they look unmounted or emptied.",
)
@options.as_json
@click.pass_context
def command(
    context: click.Context,
    until: str | None,
    dry_run: bool,
    resident: bool,
    believe: bool,
    json_wanted: bool,
) -> None:
    """Read what is due, until all is read or working hours are near, and say what needs somebody.

    First every place is looked through; then new and changed files are read on all sides, then
    what a verdict waits for, then, on audit nights, what was not read for longest. It never
    starts in working hours. What was read is kept in the ledger, so that the next shift goes on
    from there.
    """
    found = settings.load(context.obj)
    if not found.shares:
        raise click.UsageError("the settings name no share. Add one with: verifier setup")
    now = time.time()
    request = shift.Request(found, _until(until, found, now), believe, person.name())
    zone = found.hours.zone
    if dry_run:
        planned = plan.plan(request, now)
        if json_wanted:
            options.print_bytes(report.plan_document(planned, zone))
        else:
            options.print_lines(report.plan_text(planned, zone))
        return
    opens = None if resident else shift.closed_until(found, now)
    terminal = Terminal()
    if opens is not None:
        terminal.say(
            f"It is working hours, so nothing is read. Open again from "
            f"{found.hours.local(opens):%A %Y-%m-%d %H:%M}."
        )
    clock = shift.Clock()
    notices = Notices(found, message.WORDS, clock, terminal.say)
    request = structs.replace(request, alarms=notices)
    with (
        notices.of_trouble(),
        shift.Shifts(request, terminal, clock, resident=resident) as shifts,
        notices.of_trouble(shifts.ledger),
    ):

        def ended(result: shift.Result) -> None:
            page = write_page(found, shifts.ledger, result, terminal)
            try:
                if not json_wanted or not resident:
                    show(result)
            finally:  # where standard output takes no more, people are told all the same
                notices.after(shifts.ledger, result)
                renew_page(found, shifts.ledger, page, terminal)

        def show(result: shift.Result) -> None:
            names = [name for name, _ in all_places(found)]
            known = findings_report.as_of(found, shifts.ledger, names, clock.now())
            if json_wanted:
                open_now = shift.open_findings(shifts.ledger)
                options.print_bytes(report.document(result, open_now, known, zone))
            else:
                lasting = shift.lasting_findings(shifts.ledger)
                options.print_lines(report.text(result, lasting, known, zone))

        if resident:
            last = shifts.stay(ended)
            if json_wanted:
                show(last)
        else:
            last = shifts.run()
            ended(last)
        status = shift.exit_status(last, shifts.ledger)
    context.exit(status)


def _until(written: str | None, found: settings.Settings, now: float) -> float | None:
    """The next such time of day on the studio's clock, or the moment that was named."""
    if written is None:
        return None
    local = found.hours.local(now)
    try:
        if len(written) <= len("23:59"):
            at = settings.parse_time_of_day(written)
            moment = local.replace(hour=at.hour, minute=at.minute, second=0, microsecond=0)
            if moment.timestamp() <= now:
                moment += timedelta(days=1)
        else:
            moment = datetime.fromisoformat(written)
            if moment.tzinfo is None:
                moment = moment.replace(tzinfo=found.hours.zone)
    except ValueError:
        raise click.BadParameter(
            f'"{written}" is no time. Give one such as 06:30, on the studio\'s clock, or '
            "2026-12-24T06:30:00+00:00.",
            param_hint="--until",
        ) from None
    if moment.timestamp() <= now:
        raise click.BadParameter(f'"{written}" has passed.', param_hint="--until")
    return moment.timestamp()
