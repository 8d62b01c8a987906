"""Findings as a table for spreadsheets, as RFC 4180 has it.  No cell can be taken for a formula."""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Iterable, Iterator
from datetime import tzinfo
from typing import Final

from verifier.findings import action_of
from verifier.ledger.values import FindingState, LedgerFinding
from verifier.model import printable
from verifier.reporting.documents import stamp

COLUMNS: Final = (
    "finding",
    "state",
    "to do",
    "share",
    "mirror",
    "path",
    "verdict",
    "cause",
    "side",
    "size",
    "first seen",
    "last seen",
    "detail",
    "advice",
    "other path",
    "accepted by",
    "because",
)

_MARK: Final = "\ufeff"
"""Without it spreadsheets take the text for one in the system's old encoding."""

_FORMULA: Final = "=+\\-@\uff1d\uff0b\uff0d\uff20"
"""Characters with which spreadsheets, also in East Asian settings, begin a formula."""

_SKIPPED: Final = "\\s\"'\u200c\u200d"
"""Blanks and quotes, which some of them take away before one."""

_BEGINS_A_FORMULA: Final = re.compile(f"[\t\r\n]|[{_SKIPPED}]*[{_FORMULA}]")
_BEGINS_ONE_LATER: Final = re.compile(f"(?<=[;\t\r\n])(?=[{_SKIPPED}]*[{_FORMULA}])")
"""Where a system separates cells by semicolons, as in much of Europe, one begins after each of
them, whatever quotes stand around it.  Source: OWASP, CSV Injection."""


def table(findings: Iterable[LedgerFinding], zone: tzinfo) -> Iterator[bytes]:
    """The whole file, in pieces; times with an offset in ``zone``, sizes in bytes."""
    written = io.StringIO(newline="")
    writer = csv.writer(written)
    written.write(_MARK)
    writer.writerow(COLUMNS)
    for each in findings:
        writer.writerow([harmless(cell) for cell in _row(each, zone)])
        if written.tell() > 1 << 16:
            yield _taken(written)
    yield _taken(written)


def harmless(cell: str) -> str:
    """The text as a spreadsheet shows it and never runs it; only what would run is marked."""
    marked = _BEGINS_ONE_LATER.sub("'", cell)
    return f"'{marked}" if _BEGINS_A_FORMULA.match(cell) else marked


def _taken(written: io.StringIO) -> bytes:
    text = written.getvalue()
    written.seek(0)
    written.truncate()
    return text.encode("utf-8", "backslashreplace")


def _row(each: LedgerFinding, zone: tzinfo) -> Iterator[str]:
    finding, accepted = each.finding, each.acceptance
    if each.state is not FindingState.ACCEPTED:
        accepted = None
    yield str(each.id)
    yield str(each.state)
    yield action_of(finding).value
    yield each.share
    yield each.mirror
    yield printable(finding.path)
    yield str(finding.verdict)
    yield finding.cause or ""
    yield str(finding.side or "")
    yield str(finding.size)
    yield stamp(each.first_seen, zone)
    yield stamp(each.last_seen, zone)
    yield finding.detail
    yield finding.advice
    yield "" if finding.other_path is None else printable(finding.other_path)
    yield "" if accepted is None else accepted.who
    yield "" if accepted is None else accepted.because
