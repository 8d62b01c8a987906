"""The table for spreadsheets: every finding comes back whole, and none can run as a formula."""

from __future__ import annotations

import csv
import io
from datetime import UTC

import pytest
from hypothesis import given
from hypothesis import strategies as st

from verifier.ledger import FindingState, LedgerFinding
from verifier.ledger.values import Acceptance
from verifier.model import Finding, Side, Verdict, printable
from verifier.reporting.csv_file import COLUMNS, harmless, table

FORMULA = tuple("=+-@\t\r\n\uff1d\uff0b\uff0d\uff20")

dangerous = st.builds(
    lambda start, rest: start + rest,
    st.sampled_from(["=", "+", "-", "@", "\t=", "\r", "'", '"', ",", ";", "\uff1d", ""]),
    st.text(max_size=20),
)
findings = st.builds(
    lambda path, detail, who, state: LedgerFinding(
        7,
        "current-surveys",
        "vault",
        Finding(
            path, Verdict.CORRUPT, "rot", Side.MIRROR, 1000, detail, "Copy it.", path[::-1] or None
        ),
        state,
        0,
        60,
        acceptance=Acceptance(who, 30, detail),
    ),
    st.one_of(dangerous.map(lambda text: text.encode("utf-8", "replace")), st.binary(max_size=30)),
    dangerous,
    dangerous,
    st.sampled_from([FindingState.OPEN, FindingState.ACCEPTED]),
)


def rows(written: bytes) -> list[list[str]]:
    text = written.decode("utf-8")
    assert text.startswith("\ufeff")
    return list(csv.reader(io.StringIO(text[1:], newline=""), strict=True))


@given(st.lists(findings, max_size=4))
def test_every_row_has_all_columns_and_no_cell_begins_as_a_formula_does(found):
    head, *body = rows(b"".join(table(found, UTC)))
    assert tuple(head) == COLUMNS
    assert len(body) == len(found)
    for row in body:
        assert len(row) == len(COLUMNS)
        assert not [cell for cell in row if cell.startswith(FORMULA)]


@given(st.lists(findings, min_size=1, max_size=4))
def test_each_cell_comes_back_but_for_the_mark_before_what_would_run(found):
    for row, each in zip(rows(b"".join(table(found, UTC)))[1:], found, strict=True):
        path = row[COLUMNS.index("path")]
        assert path in (printable(each.path), f"'{printable(each.path)}")
        accepted = row[COLUMNS.index("accepted by")].removeprefix("'")
        if each.state is FindingState.ACCEPTED:
            expected = each.acceptance.who.encode("utf-8", "backslashreplace").decode()
            assert accepted == expected.removeprefix("'")
        else:
            assert accepted == ""


def test_lines_end_and_cells_are_quoted_as_rfc_4180_says():
    finding = Finding(b'a "b", c', Verdict.STALE, None, None, 1, "one\ntwo", "Copy it.")
    each = LedgerFinding(1, "current-surveys", "vault", finding, FindingState.OPEN, 0, 0)
    written = b"".join(table([each], UTC)).decode().removeprefix("\ufeff")
    head, line, last = written.split("\r\n")
    assert head.startswith("finding,state,to do,")
    assert '"a ""b"", c"' in line and '"one\ntwo"' in line
    assert last == ""


@pytest.mark.parametrize("start", FORMULA)
def test_what_begins_as_a_formula_is_marked(start):
    assert harmless(f"{start}1+1") == f"'{start}1+1"


@pytest.mark.parametrize(
    "plain", ["", "flights/=1.jpg", "1000", "2026-11-24T02:10:00+00:00", "'=1"]
)
def test_what_is_none_is_left_as_it_is(plain):
    assert harmless(plain) == plain
