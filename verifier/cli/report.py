"""``verifier report``, and the page that every shift leaves behind."""

from __future__ import annotations

import os
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING

import click

from verifier import settings
from verifier.cli import options
from verifier.cli.findings import opened_ledger
from verifier.errors import VerifierError
from verifier.jobs.progress import Progress
from verifier.ledger import Ledger, shift_runs
from verifier.model import printable

if TYPE_CHECKING:
    from verifier.jobs.report import Report
    from verifier.jobs.shift import Result


@click.command("report", epilog="Example: verifier report --out /srv/reports")
@click.option(
    "--out",
    type=options.Named(),
    metavar="DIR",
    help="Where the page goes, outside of every share. Without it: the settings' reports.",
)
@options.as_json
@click.pass_context
def command(context: click.Context, out: Path | None, json_wanted: bool) -> None:
    """Write the page that shows how all copies stand, with all findings beside it.

    It answers from the ledger alone, at any hour; every shift writes the same page at its end.
    Exit status: 0 nothing needs a person, 1 something does, 3 something was not reached, read,
    finished or delivered, so that not all is known to be good, or not told.
    """
    from verifier.reporting import report as words

    found = settings.load(context.obj)
    if not found.shares:
        raise click.UsageError("the settings name no share. Add one with: verifier setup")
    report, page = report_into(found, out)
    if json_wanted:
        options.print_bytes([words.document(report, page)])
    else:
        options.print_lines(words.text(report, page))
    context.exit(report.exit_status)


def report_into(found: settings.Settings, out: Path | None) -> tuple[Report, str]:
    """What the ledger tells now, and where its page was written.

    Raises LedgerRefused, RequestRefused and OutputFailed.
    """
    from verifier.jobs.clearance.granting import ready_folder
    from verifier.jobs.report import gather

    with opened_ledger(found.studio.ledger) as ledger:
        folder = ready_folder(found, out)
        last = ledger.shifts.last()
        running = last is not None and last.ended is None and shift_runs(ledger.path)
        report = gather(found, ledger, time.time(), running=running)
        return report, _publish(report, ledger, folder)


def write_page(
    found: settings.Settings, ledger: Ledger, result: Result, progress: Progress
) -> Report | None:
    """Keep how all stands after a shift, and write the page; what it says, None without one.

    Not after a signal, which is to be followed at once.  What keeps the page from being written is
    remarked upon and never fails the shift.
    """
    from verifier.jobs.clearance.granting import ready_folder
    from verifier.jobs.nights import record_night
    from verifier.jobs.report import gather
    from verifier.jobs.shift import StoppedBy

    if result.stopped_by == StoppedBy.SIGNAL:
        return None
    with _never_failing(progress):
        last = ledger.shifts.last()
        if last is not None and last.id == result.number:
            record_night(found, ledger, last, time.time())
        folder = ready_folder(found, None)
        report = gather(found, ledger, time.time())
        _publish(report, ledger, folder)
        return report
    return None


def renew_page(
    found: settings.Settings, ledger: Ledger, written: Report | None, progress: Progress
) -> None:
    """Write a shift's page anew where messages that were sent after it did, or did not, arrive.

    Whoever gets no message looks at the page, which must not say then that all is well.
    """
    from verifier.jobs.clearance.granting import ready_folder
    from verifier.jobs.doubts import not_told
    from verifier.jobs.report import gather

    if written is None:
        return
    with _never_failing(progress):
        now = time.time()
        before = [each for each in written.doubts if each.to]
        if list(not_told(found, ledger, now)) != before:
            folder = ready_folder(found, None)
            _publish(gather(found, ledger, now), ledger, folder)


@contextmanager
def _never_failing(progress: Progress) -> Iterator[None]:
    """Remarks upon what keeps a page from being written: the shift stands."""
    try:
        yield
    except VerifierError as error:
        progress.say(f"The page was not written; the shift stands. {error}")
    except Exception as error:  # a night's work is worth more than its page
        progress.say(
            "The page was not written, by a mistake in verifier; the shift stands. Please report "
            f"this: {type(error).__name__}: {error}"
        )


def _publish(report: Report, ledger: Ledger, folder: Path) -> str:
    from verifier.jobs.shift import lasting_findings
    from verifier.reporting.page.files import publish

    page = publish(report, lambda: lasting_findings(ledger), folder)
    return printable(os.fsencode(os.path.abspath(page)))
