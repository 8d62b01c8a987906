"""The page and the files beside it, written whole or not at all."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterable, Iterator
from pathlib import Path
from typing import Final

from verifier import output
from verifier.jobs.report import Report
from verifier.ledger.values import LedgerFinding
from verifier.reporting import csv_file, findings
from verifier.reporting.page import Beside, page

PAGE: Final = "report.html"
TABLE: Final = "report-findings.csv"
DOCUMENT: Final = "report-findings.json"


def publish(report: Report, lasting: Callable[[], Iterable[LedgerFinding]], folder: Path) -> Path:
    """Write all three into ``folder``, the page last; where it stands.

    ``lasting`` gives the open and accepted findings, each time anew.  Raises OutputFailed.
    """
    zone = report.settings.hours.zone
    known = findings.AsOf(report.as_of, missed=report.expected.lately)
    _write(folder / TABLE, csv_file.table(lasting(), zone))
    _write(folder / DOCUMENT, findings.document(lasting(), known, zone))
    beside = Beside(TABLE, DOCUMENT, os.path.abspath(folder))
    _write(folder / PAGE, [page(report, beside)])
    return folder / PAGE


def _write(path: Path, pieces: Iterable[bytes] | Iterator[bytes]) -> None:
    with output.whole_file(path) as file:
        for piece in pieces:
            file.write(piece)
