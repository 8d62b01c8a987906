"""The table for spreadsheets: every finding comes back whole, and none can run as a formula."""

from __future__ import annotations

import csv
import io
import re
from datetime import UTC

import pytest
from hypothesis import given
from hypothesis import strategies as st

from verifier.ledger import FindingState, LedgerFinding
from verifier.ledger.values import Acceptance
from verifier.model import Finding, Side, Verdict, printable
from verifier.reporting.csv_file import COLUMNS, harmless, table

FORMULA = tuple("=+-@\t\r\n\uff1d\uff0b\uff0d\uff20")

BEGINNINGS = ["=", "+", "-", "@", "\t=", "\r", "'", '"', ",", ";", "\uff1d", ""]
BEGINNINGS += [" =", "\u00a0+", '"=', "'=", '";=', "; @", ";'-", ';"=', "\u200d="]

dangerous = st.builds(
    lambda before, start, rest: before + start + rest,
    st.sampled_from(["", "notes", "a,"]),
    st.sampled_from(BEGINNINGS),
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
        # As who takes blanks and quotes away, and begins a cell at each semicolon, would see it.
        for cell in row:
            for part in re.split("[;\t\r\n]", cell):
                held = part.lstrip(' \u00a0"\u200d')
                assert held.startswith("'") or not held.startswith(FORMULA), cell


@given(st.lists(findings, min_size=1, max_size=4))
def test_each_cell_comes_back_but_for_the_mark_before_what_would_run(found):
    for row, each in zip(rows(b"".join(table(found, UTC)))[1:], found, strict=True):
        path = row[COLUMNS.index("path")]
        assert path.replace("'", "") == printable(each.path).replace("'", "")
        accepted = row[COLUMNS.index("accepted by")].replace("'", "")
        if each.state is FindingState.ACCEPTED:
            expected = each.acceptance.who.encode("utf-8", "backslashreplace").decode()
            assert accepted == expected.replace("'", "")
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
    ("cell", "marked"),
    [
        (" =1+1", "' =1+1"),
        ("\u00a0=1+1", "'\u00a0=1+1"),
        ('"=1+1', "'\"=1+1"),
        ("'=1+1", "''=1+1"),
        (";=1+1", ";'=1+1"),
        ('a";=1+1;".csv', 'a";\'=1+1;".csv'),
        ("a; =1+1;@b", "a;' =1+1;'@b"),
        ("one\n=1+1", "one\n'=1+1"),
    ],
)
def test_so_is_what_begins_as_one_once_blanks_quotes_or_another_separator_are_taken(cell, marked):
    # Fails when only the first letter of a cell is looked at.
    assert harmless(cell) == marked


@pytest.mark.parametrize(
    "plain",
    ["", "flights/=1.jpg", "1000", "2026-11-24T02:10:00+00:00", "'1", "a, -2 m.tif", "a; b = 1"],
)
def test_what_is_none_is_left_as_it_is(plain):
    assert harmless(plain) == plain
