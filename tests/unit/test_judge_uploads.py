"""The judge where one side's dates are those of uploads: they say nothing of which is newer."""

from __future__ import annotations

from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from msgspec import structs

from verifier.diff.comparison import Judged
from verifier.diff.judge import judge
from verifier.findings import finding_of
from verifier.model import (
    Agreement,
    Cause,
    Dated,
    Judgement,
    Kind,
    Likeness,
    Side,
    Sighting,
    Verdict,
)

NS = 1_000_000_000
DAY = 86_400 * NS
OLD, EDITED, UPLOADED, AGAIN = 100 * DAY, 200 * DAY, 300 * DAY, 400 * DAY

UPLOADS = Dated(mirror=False)

A, B, C = b"a" * 32, b"b" * 32, b"c" * 32


def file(digest: bytes | None, date: int, size: int = 10) -> Sighting:
    return Sighting(b"cloud.laz", Kind.FILE, size, date, digest=digest)


AGREED = Agreement(A, 10, OLD, UPLOADED, earlier=(C,))

PENDING = (Verdict.PENDING, None, None)
STALE = (Verdict.STALE, Cause.OLDER_VERSION, Side.MIRROR)
UNREAD = (Verdict.UNREAD, None, None)
MATCHED = (Verdict.MATCHED, None, None)
DIFFERS = (Verdict.CORRUPT, Cause.DIFFERS, Side.UNKNOWN)


def corrupt(cause: Cause, side: Side) -> tuple[Verdict, Cause, Side]:
    return Verdict.CORRUPT, cause, side


CASES: list[tuple[str, Sighting, Sighting, Agreement | None, bool, Likeness | None, Any]] = [
    # Nothing was read: sizes decide, and the upload's date, newer or older, does not.
    ("same size", file(A, OLD), file(None, UPLOADED), None, True, None, UNREAD),
    ("same size, older upload", file(A, EDITED), file(None, OLD), None, True, None, UNREAD),
    ("other size", file(A, OLD), file(None, UPLOADED, 7), None, True, None, STALE),
    ("other size, not due", file(A, OLD), file(None, UPLOADED, 7), None, False, None, PENDING),
    ("agreed, other size", file(A, OLD), file(None, AGAIN, 7), AGREED, True, None, STALE),
    ("agreed, edited", file(B, EDITED), file(None, UPLOADED), AGREED, True, None, STALE),
    ("agreed, edited, put anew", file(B, EDITED), file(None, AGAIN), AGREED, True, None, UNREAD),
    ("agreed, touched", file(A, EDITED), file(None, UPLOADED), AGREED, True, None, UNREAD),
    # Both were read.
    ("same", file(A, OLD), file(A, UPLOADED), None, True, None, MATCHED),
    ("unlike, not due", file(A, EDITED), file(B, UPLOADED), None, False, None, PENDING),
    ("unlike", file(A, EDITED), file(B, OLD), None, True, None, DIFFERS),
    ("unlike, later upload", file(A, OLD), file(B, UPLOADED), None, True, None, DIFFERS),
    (
        "cut short",
        file(A, OLD),
        file(B, UPLOADED, 5),
        None,
        True,
        Likeness(mirror_is_prefix=True),
        corrupt(Cause.TRUNCATED, Side.MIRROR),
    ),
    (
        "zeroes",
        file(A, OLD),
        file(B, UPLOADED),
        None,
        True,
        Likeness(zero_filled=Side.MIRROR),
        corrupt(Cause.ZERO_FILLED, Side.MIRROR),
    ),
    # Something was agreed.
    (
        "not put anew",
        file(A, OLD),
        file(B, UPLOADED),
        AGREED,
        True,
        None,
        corrupt(Cause.ROT, Side.MIRROR),
    ),
    (
        "put anew",
        file(A, OLD),
        file(B, AGAIN),
        AGREED,
        True,
        None,
        corrupt(Cause.ALTERED, Side.MIRROR),
    ),
    ("put back", file(A, OLD), file(C, AGAIN), AGREED, True, None, STALE),
    (
        "source rotted",
        file(B, OLD),
        file(A, AGAIN),
        AGREED,
        True,
        None,
        corrupt(Cause.ROT, Side.SOURCE),
    ),
    ("edited", file(B, EDITED), file(A, AGAIN), AGREED, True, None, STALE),
    ("edited, not due", file(B, EDITED), file(A, AGAIN), AGREED, False, None, PENDING),
    ("edited and put anew", file(B, EDITED), file(b"d" * 32, AGAIN), AGREED, True, None, DIFFERS),
    (
        "edited and put anew, not due",
        file(B, EDITED),
        file(b"d" * 32, AGAIN),
        AGREED,
        False,
        None,
        PENDING,
    ),
    ("edited and put back", file(B, EDITED), file(C, AGAIN), AGREED, True, None, STALE),
    (
        "edited, and rotted there",
        file(B, EDITED),
        file(b"d" * 32, UPLOADED),
        AGREED,
        True,
        None,
        corrupt(Cause.ROT, Side.MIRROR),
    ),
]


@pytest.mark.parametrize(
    ("source", "mirror", "agreement", "due", "likeness", "expected"),
    [case[1:] for case in CASES],
    ids=[case[0] for case in CASES],
)
def test_the_table_without_the_mirrors_dates(
    source: Sighting,
    mirror: Sighting,
    agreement: Agreement | None,
    due: bool,
    likeness: Likeness | None,
    expected: tuple[Verdict, Cause | None, Side | None],
) -> None:
    found = judge(source, mirror, agreement, due, likeness=likeness, dated=UPLOADS)
    assert (found.verdict, found.cause, found.side) == expected


digests = st.sampled_from([None, A, B, C])
dates = st.integers(0, 500 * DAY)
sizes = st.sampled_from([5, 10])
files = st.builds(file, digests, dates, sizes)
agreements = st.none() | st.builds(
    Agreement, st.sampled_from([A, B, C]), sizes, dates, dates, earlier=st.sampled_from([(), (C,)])
)


@settings(max_examples=1000, deadline=None, database=None)
@given(files, files, agreements, st.booleans(), st.integers(0, 500 * DAY))
def test_no_verdict_depends_on_when_the_uploads_were(
    source: Sighting, mirror: Sighting, agreement: Agreement | None, due: bool, later: int
) -> None:
    """All uploads so much later give the same.  Fails when the dates of the two sides meet."""

    def judged(by: int) -> Judgement:
        there = structs.replace(mirror, mtime_ns=mirror.mtime_ns + by)
        agreed = agreement and structs.replace(
            agreement, mirror_mtime_ns=agreement.mirror_mtime_ns + by
        )
        return judge(source, there, agreed, due, dated=UPLOADS)

    assert judged(later) == judged(0)


def said(source: Sighting, mirror: Sighting) -> str:
    row = Judged(
        b"cloud.laz",
        source,
        mirror,
        None,
        judge(source, mirror, None, True, dated=UPLOADS),
        dated=UPLOADS,
    )
    finding = finding_of(row)
    return f"{finding.detail} {finding.advice}"


def test_no_sentence_says_that_an_upload_is_older_or_newer() -> None:
    smaller = said(file(A, OLD), file(None, UPLOADED, 7))
    unlike = said(file(A, OLD), file(B, UPLOADED))
    for sentence in (smaller, unlike):
        assert "mirror: 7 bytes, uploaded 19" in sentence or "mirror: 10 bytes, up" in sentence
        assert "equal dates" not in sentence
        assert "The source is newer" not in sentence
    assert "The sizes differ. Not both were read" in smaller
