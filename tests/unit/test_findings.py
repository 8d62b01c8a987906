"""Advice never tells anyone to overwrite what may be the only good copy."""

from __future__ import annotations

import unicodedata
from itertools import product

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from verifier.diff.comparison import Judged
from verifier.diff.judge import judge
from verifier.findings import Action, action_for, finding_of
from verifier.model import (
    CHANGED_WHILE_READ,
    QUIET,
    SEGMENT,
    Agreement,
    Cause,
    Damage,
    DamageRange,
    Judgement,
    Kind,
    Pattern,
    Side,
    Sighting,
    Trouble,
    Verdict,
)

often = settings(max_examples=300, deadline=None, database=None)

SOURCE, MIRROR, BOTH, UNKNOWN = Side.SOURCE, Side.MIRROR, Side.BOTH, Side.UNKNOWN
HOLD = "Keep the next mirror run from carrying this over"

ERRORS = ("input-output-error", "stale-file-handle", "connection-timed-out", "unknown-error-5")
PERMISSIONS = ("permission-denied", "operation-not-permitted")

CORRUPT = [
    (Verdict.CORRUPT, cause, side)
    for cause, side in product(
        (
            *(Cause.ROT, Cause.TRUNCATED, Cause.ALTERED, Cause.DIFFERS, Cause.ZERO_FILLED),
            *(Cause.NEWER_ON_MIRROR, Cause.KIND_CHANGED),
        ),
        Side,
    )
]
UNREADABLE = [
    (Verdict.UNREADABLE, cause, side)
    for cause, side in product((*ERRORS, *PERMISSIONS, Cause.UNSTABLE_READ), (SOURCE, MIRROR, BOTH))
]
OTHERS = [
    (Verdict.MISSING, Cause.NEVER_COPIED, MIRROR),
    (Verdict.MISSING, Cause.MOVED, MIRROR),
    (Verdict.ORPHANED, Cause.DELETED_AT_SOURCE, MIRROR),
    (Verdict.ORPHANED, Cause.MOVED, MIRROR),
    (Verdict.ORPHANED, Cause.RELEASED, MIRROR),
    (Verdict.STALE, Cause.OLDER_VERSION, MIRROR),
    (Verdict.STALE, Cause.KIND_CHANGED, MIRROR),
    *((Verdict.UNSETTLED, None, side) for side in (SOURCE, MIRROR, BOTH)),
]
EVERYTHING = [*CORRUPT, *UNREADABLE, *OTHERS]


def advice(verdict: Verdict, cause: str | None, side: Side) -> str:
    return action_for(verdict, cause, side)[1]


def name(case: tuple[Verdict, str | None, Side]) -> str:
    return "-".join(str(part) for part in case)


@pytest.mark.parametrize("case", EVERYTHING, ids=name)
def test_every_verdict_cause_and_side_has_advice(case):
    action, sentence = action_for(*case)
    assert isinstance(action, Action)
    assert sentence[0].isupper()
    assert sentence.endswith(".")


@pytest.mark.parametrize(
    "case", [case for case in [*CORRUPT, *UNREADABLE] if case[2] in (SOURCE, BOTH)], ids=name
)
def test_where_the_source_is_bad_the_next_mirror_run_is_held_first(case):
    assert advice(*case).startswith(HOLD)


@pytest.mark.parametrize(
    "case", [case for case in EVERYTHING if case[2] in (SOURCE, BOTH, UNKNOWN)], ids=name
)
def test_no_advice_tells_to_copy_from_a_source_that_is_or_may_be_bad(case):
    told = advice(*case)
    for order in ("Run the copy job", "to the mirror again", "The source holds the good copy"):
        assert order not in told


@pytest.mark.parametrize(
    "case", [case for case in [*CORRUPT, *UNREADABLE] if case[2] is not SOURCE], ids=name
)
def test_no_advice_tells_to_copy_from_a_mirror_that_is_or_may_be_bad(case):
    told = advice(*case)
    for order in ("back to the source", "The mirror holds the good copy"):
        assert order not in told


@pytest.mark.parametrize("case", [case for case in CORRUPT if case[2] is UNKNOWN], ids=name)
def test_where_the_side_is_unknown_neither_is_to_be_overwritten(case):
    assert advice(*case).startswith("Overwrite neither copy")
    assert action_for(*case)[0] is Action.DECIDE_WHICH_SIDE


@pytest.mark.parametrize("case", [case for case in CORRUPT if case[2] is BOTH], ids=name)
def test_where_both_are_bad_neither_is_to_be_overwritten(case):
    assert "overwrite neither" in advice(*case)


def test_a_corrupt_path_without_a_side_is_treated_as_unknown():
    assert action_for(Verdict.CORRUPT, None, None) == action_for(Verdict.CORRUPT, None, UNKNOWN)


def test_what_was_released_is_not_to_be_copied_from_a_source_that_no_longer_has_it():
    assert "The source holds the good copy" not in advice(Verdict.ORPHANED, Cause.RELEASED, MIRROR)


# ------------------------------------------------------------------- a judged path as a finding

NOON_NS = 1795557600 * 10**9
BROKEN = Trouble("input-output-error", "The system said: Input/output error (EIO) at byte 5.")
LOCKED = Trouble("permission-denied", "The system said: Permission denied (EACCES).")
MOVING = Trouble(CHANGED_WHILE_READ, "It changed each time it was read.")
HOSTILE = [b"2026-014-harbour-wall/flights/0001.tif", b"caf\xe9\n\x1b[31m", "gpj.\u202e".encode()]

sightings = st.builds(
    Sighting,
    st.just(b"a"),
    st.sampled_from(Kind),
    st.integers(0, 2**50),
    st.sampled_from([NOON_NS, NOON_NS - 10**12, NOON_NS + 10**12, -(10**18), 2**63 - 1, 10**21]),
    digest=st.sampled_from([None, bytes(32), b"\x01" * 32, b"\x02" * 32]),
    fingerprints=st.sampled_from([(), (bytes(16),) * 2, (bytes(16), b"\x01" * 16)]),
    target=st.sampled_from([None, *HOSTILE]),
    trouble=st.sampled_from([None, None, None, BROKEN, LOCKED, MOVING]),
)
agreements = st.builds(
    Agreement,
    st.sampled_from([bytes(32), b"\x01" * 32]),
    st.integers(0, 2**50),
    st.sampled_from([NOON_NS, NOON_NS - 10**12]),
    st.sampled_from([NOON_NS, NOON_NS - 10**12]),
    earlier=st.sampled_from([(), (b"\x02" * 32,)]),
)


def judged(
    source: Sighting | None,
    mirror: Sighting | None,
    path: bytes = b"a",
    agreement: Agreement | None = None,
) -> Judged:
    return Judged(path, source, mirror, agreement, judge(source, mirror, agreement, True))


@often
@given(
    st.sampled_from(HOSTILE),
    st.none() | sightings,
    st.none() | sightings,
    st.none() | agreements,
    st.sampled_from([None, *HOSTILE]),
)
def test_whatever_is_judged_becomes_a_finding_that_is_safe_to_print(
    path, source, mirror, agreement, other
):
    if source is None and mirror is None:
        return
    row = judged(source, mirror, path, agreement)
    if row.judgement.verdict in QUIET:
        return
    row = Judged(path, source, mirror, agreement, row.judgement, other, below=3)
    found = finding_of(row)
    seen = source or mirror
    assert (found.path, found.other_path, found.size) == (path, other, seen.size)
    assert (found.verdict, found.cause, found.side) == (
        row.judgement.verdict,
        row.judgement.cause,
        row.judgement.side,
    )
    for text in (found.detail, found.advice):
        assert text
        assert not [each for each in text if unicodedata.category(each) in ("Cc", "Cs")]
        assert "\u202e" not in text


def file(digest: bytes | None = bytes(32), trouble: Trouble | None = None) -> Sighting:
    return Sighting(b"a", Kind.FILE, 5000, NOON_NS, digest=digest, trouble=trouble)


def test_a_missing_and_an_orphaned_path_say_on_which_side_they_stand():
    assert finding_of(judged(file(), None)).detail.startswith("On the source only: 5.0 kB, dated")
    assert finding_of(judged(None, file())).detail.startswith("On the mirror only: 5.0 kB, dated")


def test_a_move_names_its_other_end():
    for source, mirror, where in ((file(), None, "mirror"), (None, file(), "source")):
        verdict = judged(source, mirror).judgement.verdict
        moved = Judgement(verdict, Cause.MOVED, MIRROR)
        found = finding_of(Judged(b"a", source, mirror, None, moved, b"caf\xe9"))
        assert found.detail == f"The same content stands on the {where} as caf\\xe9."
        assert found.other_path == b"caf\xe9"


def test_a_twin_says_that_the_names_differ_in_their_unicode_form():
    row = judged(file(), file(b"\x01" * 32))
    twin = Judged(b"a", row.source, row.mirror, None, row.judgement, b"a\xcc\x81")
    assert "differ in their Unicode form only" in finding_of(twin).detail


def test_trouble_says_on_which_side_and_what_it_kept_from_being_judged():
    row = judged(file(trouble=LOCKED), file(trouble=BROKEN))
    assert (
        finding_of(row).detail == f"On the source: {LOCKED.detail} On the mirror: {BROKEN.detail}"
    )
    folder = Sighting(b"a", Kind.OTHER, 0, 0, trouble=LOCKED)
    row = Judged(b"a", folder, None, None, judge(folder, None, None, True), below=1200)
    assert "1,200 paths below it on the other side could not be judged." in finding_of(row).detail


def test_damage_is_shown_by_its_sentence():
    ranges = (DamageRange(7, 8, Pattern.BIT_FLIP, 1),)
    damage = Damage(5000, 5000, ranges, 1, "one bit differs at byte 7")
    row = judged(file(), file(b"\x01" * 32))
    found = finding_of(row, damage, "What the mirror held is taken from a manifest.")
    assert found.damage == damage
    assert found.detail.endswith(
        "One bit differs at byte 7. What the mirror held is taken from a manifest."
    )


def test_without_a_picture_fingerprints_show_where_a_large_file_differs():
    here, there = (
        Sighting(
            b"a", Kind.FILE, 3 * SEGMENT, NOON_NS, digest=bytes([each]) * 32, fingerprints=prints
        )
        for each, prints in (
            (0, (bytes(16), bytes(16), bytes(16))),
            (1, (bytes(16), b"\x01" * 16, b"\x02" * 16)),
        )
    )
    assert finding_of(judged(here, there)).detail.endswith(
        "By fingerprint, 2 segments of 3 differ, the first at byte 67,108,864."
    )


def test_advice_on_an_unreadable_path_never_claims_a_copy_that_is_not_there():
    on_mirror_only = finding_of(judged(None, file(trouble=BROKEN)))
    assert "The source can be read" not in on_mirror_only.advice
    on_source_only = finding_of(judged(file(trouble=BROKEN), None))
    assert "keep the mirror's copy safe" not in on_source_only.advice
