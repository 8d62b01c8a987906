"""The judge against the table of verdicts, read three times independently of it.

Once as cases (``fixtures/verdicts.json``, shared with the docs), once as ``TABLE`` below, an
ordered list of rows that is compared with the judge over a whole small universe and over
arbitrary inputs, and once as properties that must hold whatever the row.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from datetime import datetime
from itertools import product
from pathlib import Path
from typing import Any

import msgspec
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from verifier.diff.judge import judge
from verifier.model import (
    CHANGED_WHILE_READ,
    DEFAULT_SLACK_NS,
    QUIET,
    Agreement,
    Cause,
    Judgement,
    Kind,
    Likeness,
    Side,
    Sighting,
    Trouble,
    Verdict,
)

PATH = b"2026-014-harbour-wall/flights/0001.tif"
BOOK: dict[str, Any] = json.loads(
    (Path(__file__).parents[2] / "fixtures" / "verdicts.json").read_text("utf-8")
)
BASE_NS = int(datetime.fromisoformat(BOOK["base_date"]).timestamp()) * 10**9
SLACK_NS = BOOK["slack"] * 10**9

thorough = settings(max_examples=2000, deadline=None, database=None)
often = settings(max_examples=200, deadline=None, database=None)


# ---------------------------------------------------------------- what is put before the judge


@dataclass(frozen=True)
class Pair:
    """One path before the judge, with the words in which the table speaks of it."""

    source: Sighting | None
    mirror: Sighting | None
    agreement: Agreement | None = None
    due: bool = True
    likeness: Likeness | None = None
    slack: int = SLACK_NS

    def judged(self) -> Judgement:
        return judge(
            self.source,
            self.mirror,
            self.agreement,
            self.due,
            slack_ns=self.slack,
            likeness=self.likeness,
        )

    def but(self, **changes: Any) -> Pair:
        return Pair(**{**vars(self), **changes})

    def mirrored(self) -> Pair:
        """The same with source and mirror exchanged."""
        agreed, seen = self.agreement, self.likeness
        return self.but(
            source=self.mirror,
            mirror=self.source,
            agreement=agreed
            and msgspec.structs.replace(
                agreed,
                source_mtime_ns=agreed.mirror_mtime_ns,
                mirror_mtime_ns=agreed.source_mtime_ns,
            ),
            likeness=seen
            and Likeness(
                mirror_is_prefix=seen.source_is_prefix,
                source_is_prefix=seen.mirror_is_prefix,
                zero_filled=other_side(seen.zero_filled),
            ),
        )

    # What could be read at all.

    @property
    def sides(self) -> list[tuple[Side, Sighting]]:
        pair = ((Side.SOURCE, self.source), (Side.MIRROR, self.mirror))
        return [(side, seen) for side, seen in pair if seen is not None]

    @property
    def unreadable(self) -> list[tuple[Side, str]]:
        return [
            (side, seen.trouble.cause)
            for side, seen in self.sides
            if seen.trouble is not None and seen.trouble.cause != CHANGED_WHILE_READ
        ]

    @property
    def unsettled(self) -> list[Side]:
        return [
            side
            for side, seen in self.sides
            if seen.trouble is not None and seen.trouble.cause == CHANGED_WHILE_READ
        ]

    # Both are there.

    @property
    def same_kind(self) -> bool:
        return self.source.kind is self.mirror.kind and (
            self.source.kind is not Kind.LINK or self.source.target == self.mirror.target
        )

    @property
    def read(self) -> bool:
        return self.source.digest is not None and self.mirror.digest is not None

    @property
    def same_digest(self) -> bool:
        return self.read and self.source.digest == self.mirror.digest

    @property
    def source_newer(self) -> bool:
        return self.source.mtime_ns - self.mirror.mtime_ns > self.slack

    @property
    def mirror_newer(self) -> bool:
        return self.mirror.mtime_ns - self.source.mtime_ns > self.slack

    @property
    def dates_equal(self) -> bool:
        return abs(self.source.mtime_ns - self.mirror.mtime_ns) <= self.slack

    # With the agreement.

    @property
    def agreed(self) -> bool:
        """Of two files: what was agreed of a link says nothing about their contents."""
        return self.agreement is not None and self.agreement.kind is Kind.FILE

    @property
    def source_is_agreed(self) -> bool:
        return self.read and self.agreed and self.source.digest == self.agreement.digest

    @property
    def mirror_is_agreed(self) -> bool:
        return self.read and self.agreed and self.mirror.digest == self.agreement.digest

    @property
    def source_is_not_agreed(self) -> bool:
        return self.read and self.agreed and self.source.digest != self.agreement.digest

    @property
    def mirror_is_not_agreed(self) -> bool:
        return self.read and self.agreed and self.mirror.digest != self.agreement.digest

    @property
    def source_size_as_agreed(self) -> bool:
        return self.source.size == self.agreement.size

    @property
    def source_date_as_agreed(self) -> bool:
        return abs(self.source.mtime_ns - self.agreement.source_mtime_ns) <= self.slack

    @property
    def mirror_size_and_date_as_agreed(self) -> bool:
        return (
            self.mirror.size == self.agreement.size
            and abs(self.mirror.mtime_ns - self.agreement.mirror_mtime_ns) <= self.slack
        )

    @property
    def mirror_agreed_earlier(self) -> bool:
        return self.mirror.digest in self.agreement.earlier

    @property
    def source_rotted(self) -> bool:
        return (
            self.source_is_not_agreed and self.source_size_as_agreed and self.source_date_as_agreed
        )

    @property
    def source_resized(self) -> bool:
        return (
            self.source_is_not_agreed
            and self.source_date_as_agreed
            and not self.source_size_as_agreed
        )

    @property
    def source_edited(self) -> bool:
        return self.source_is_not_agreed and not self.source_date_as_agreed

    # With both contents side by side.

    @property
    def mirror_is_prefix(self) -> bool:
        return self.likeness is not None and self.likeness.mirror_is_prefix

    @property
    def source_is_prefix(self) -> bool:
        return self.likeness is not None and self.likeness.source_is_prefix

    @property
    def zero_filled(self) -> Side | None:
        return self.likeness.zero_filled if self.likeness is not None else None


def other_side(side: Side | None) -> Side | None:
    return {Side.SOURCE: Side.MIRROR, Side.MIRROR: Side.SOURCE}.get(side, side)


def exchanged(judgement: Judgement) -> Judgement:
    return msgspec.structs.replace(judgement, side=other_side(judgement.side))


def fits_agreement(seen: Sighting, agreed: Agreement | None) -> bool:
    """Kind plus digest or target.  A file that was not read cannot be said to fit."""
    if agreed is None or seen.kind is not agreed.kind:
        return False
    if seen.kind is Kind.FILE:
        return seen.digest is not None and seen.digest == agreed.digest
    return seen.kind is Kind.OTHER or seen.target == agreed.target


# ---------------------------------------------------------------- the table, as literally as can be


def corrupt(cause: Cause, side: Side) -> Judgement:
    return Judgement(Verdict.CORRUPT, cause, side)


def blamed(sides: list[Side]) -> Side:
    return sides[0] if len(sides) == 1 else Side.BOTH


def late(it: Pair, cause: Cause = Cause.OLDER_VERSION) -> Judgement:
    """Pending / stale."""
    if not it.due:
        return Judgement(Verdict.PENDING)
    return Judgement(Verdict.STALE, cause, Side.MIRROR)


def kind_changed(it: Pair) -> Judgement:
    if not it.due or it.source_newer:
        return late(it, Cause.KIND_CHANGED)
    fitting = [side for side, seen in it.sides if fits_agreement(seen, it.agreement)]
    return corrupt(
        Cause.KIND_CHANGED, other_side(fitting[0]) if len(fitting) == 1 else Side.UNKNOWN
    )


MATCHED = Judgement(Verdict.MATCHED)
TABLE: list[tuple[str, Callable[[Pair], bool], Callable[[Pair], Judgement]]] = [
    (
        "unreadable",
        lambda it: bool(it.unreadable),
        lambda it: Judgement(
            Verdict.UNREADABLE,
            it.unreadable[0][1],
            blamed([side for side, _ in it.unreadable]),
        ),
    ),
    (
        "unsettled",
        lambda it: bool(it.unsettled),
        lambda it: Judgement(Verdict.UNSETTLED, None, blamed(it.unsettled)),
    ),
    (
        "not-yet-copied",
        lambda it: it.source is not None and it.mirror is None and not it.due,
        lambda it: Judgement(Verdict.PENDING),
    ),
    (
        "missing",
        lambda it: it.source is not None and it.mirror is None and it.due,
        lambda it: Judgement(Verdict.MISSING, Cause.NEVER_COPIED, Side.MIRROR),
    ),
    (
        "orphaned",
        lambda it: it.source is None and it.mirror is not None,
        lambda it: Judgement(Verdict.ORPHANED, Cause.DELETED_AT_SOURCE, Side.MIRROR),
    ),
    ("kind-changed", lambda it: not it.same_kind, kind_changed),
    ("same-link-or-other", lambda it: it.source.kind is not Kind.FILE, lambda it: MATCHED),
    (
        "same-content",
        lambda it: (
            it.same_digest
            and (not it.agreed or it.source_is_agreed or not it.source_date_as_agreed)
        ),
        lambda it: MATCHED,
    ),
    (
        "same-content-rot",
        lambda it: it.same_digest and it.source_rotted,
        lambda it: corrupt(Cause.ROT, Side.BOTH),
    ),
    (
        "same-content-altered",
        lambda it: it.same_digest and it.source_resized,
        lambda it: corrupt(Cause.ALTERED, Side.BOTH),
    ),
    (
        "mirror-rot",
        lambda it: (
            it.source_is_agreed and it.mirror_is_not_agreed and it.mirror_size_and_date_as_agreed
        ),
        lambda it: corrupt(Cause.ROT, Side.MIRROR),
    ),
    (
        "mirror-older-version",
        lambda it: it.source_is_agreed and it.mirror_is_not_agreed and it.mirror_agreed_earlier,
        lambda it: Judgement(Verdict.STALE, Cause.OLDER_VERSION, Side.MIRROR),
    ),
    (
        "mirror-truncated",
        lambda it: (
            it.source_is_agreed
            and it.mirror_is_not_agreed
            and it.mirror.size < it.agreement.size
            and it.mirror_is_prefix
        ),
        lambda it: corrupt(Cause.TRUNCATED, Side.MIRROR),
    ),
    (
        "mirror-altered",
        lambda it: it.source_is_agreed and it.mirror_is_not_agreed,
        lambda it: corrupt(Cause.ALTERED, Side.MIRROR),
    ),
    (
        "source-rot",
        lambda it: it.source_rotted and it.mirror_is_agreed,
        lambda it: corrupt(Cause.ROT, Side.SOURCE),
    ),
    (
        "source-truncated-or-altered",
        lambda it: it.source_resized and it.mirror_is_agreed,
        lambda it: corrupt(
            Cause.TRUNCATED
            if it.source.size < it.agreement.size and it.source_is_prefix
            else Cause.ALTERED,
            Side.SOURCE,
        ),
    ),
    ("source-edited", lambda it: it.source_edited and it.mirror_is_agreed, late),
    (
        "edited-over-mirror-rot",
        lambda it: (
            it.source_edited and it.mirror_is_not_agreed and it.mirror_size_and_date_as_agreed
        ),
        lambda it: corrupt(Cause.ROT, Side.MIRROR),
    ),
    (
        "both-rot",
        lambda it: it.source_rotted and it.mirror_is_not_agreed,
        lambda it: corrupt(Cause.ROT, Side.BOTH),
    ),
    (
        "both-altered",
        lambda it: it.source_resized and it.mirror_is_not_agreed,
        lambda it: corrupt(Cause.ALTERED, Side.BOTH),
    ),
    (
        "edited-mirror-older",
        lambda it: it.source_edited and it.mirror_is_not_agreed and it.source_newer,
        late,
    ),
    (
        "edited-dates-equal",
        lambda it: it.source_edited and it.mirror_is_not_agreed and it.dates_equal,
        lambda it: corrupt(Cause.DIFFERS, Side.UNKNOWN),
    ),
    (
        "edited-mirror-newer",
        lambda it: it.source_edited and it.mirror_is_not_agreed and it.mirror_newer,
        lambda it: corrupt(Cause.ALTERED, Side.MIRROR),
    ),
    ("unagreed-source-newer", lambda it: not it.agreed and it.read and it.source_newer, late),
    (
        "unagreed-truncated",
        lambda it: not it.agreed and it.read and it.dates_equal and it.mirror_is_prefix,
        lambda it: corrupt(Cause.TRUNCATED, Side.MIRROR),
    ),
    (
        "unagreed-dates-equal",
        lambda it: not it.agreed and it.read and it.dates_equal,
        lambda it: (
            corrupt(Cause.ZERO_FILLED, it.zero_filled)
            if it.zero_filled is not None
            else corrupt(Cause.DIFFERS, Side.UNKNOWN)
        ),
    ),
    (
        "unagreed-mirror-newer",
        lambda it: not it.agreed and it.read and it.mirror_newer,
        lambda it: corrupt(Cause.NEWER_ON_MIRROR, Side.UNKNOWN),
    ),
    ("unagreed-unread-newer", lambda it: not it.read and not it.agreed and it.source_newer, late),
    (
        "edited-unread",
        lambda it: (
            not it.read
            and it.agreed
            and it.source.digest != it.agreement.digest
            and it.source.digest != it.agreement.digest
            and not it.source_date_as_agreed
            and (it.mirror_size_and_date_as_agreed or it.source_newer)
        ),
        late,
    ),
    ("unread", lambda it: not it.read, lambda it: Judgement(Verdict.UNREAD)),
]


def first_fitting(it: Pair) -> tuple[str, Judgement]:
    for row, fits, outcome in TABLE:
        if fits(it):
            return row, outcome(it)
    raise AssertionError(f"no row of the table fits {it}")


# ---------------------------------------------------------------- the cases of the fixture


def digest_of(letter: str | None) -> bytes | None:
    return letter.encode("ascii") * 32 if letter is not None else None


def date_of(seconds: float) -> int:
    return BASE_NS + round(seconds * 10**9)


def sighting_of(case: dict[str, Any] | None) -> Sighting | None:
    if case is None:
        return None
    return Sighting(
        PATH,
        Kind(case.get("kind", "file")),
        case.get("size", 0),
        date_of(case["date"]),
        digest=digest_of(case.get("digest")),
        target=case["target"].encode() if "target" in case else None,
        trouble=Trouble(case["trouble"]) if "trouble" in case else None,
    )


def agreement_of(case: dict[str, Any] | None) -> Agreement | None:
    if case is None:
        return None
    return Agreement(
        digest_of(case.get("digest")),
        case.get("size", 0),
        date_of(case["source_date"]),
        date_of(case["mirror_date"]),
        Kind(case.get("kind", "file")),
        case["target"].encode() if "target" in case else None,
        tuple(letter.encode("ascii") * 32 for letter in case.get("earlier", ())),
    )


def pair_of(case: dict[str, Any]) -> Pair:
    seen = case.get("likeness")
    return Pair(
        sighting_of(case["source"]),
        sighting_of(case["mirror"]),
        agreement_of(case["agreement"]),
        case["due"],
        msgspec.convert(seen, Likeness) if seen is not None else None,
    )


def judgement_of(case: dict[str, Any]) -> Judgement:
    side = case["side"]
    return Judgement(Verdict(case["verdict"]), case["cause"], side and Side(side))


every_case = pytest.mark.parametrize(
    "case", BOOK["cases"], ids=[f"{case['row']}: {case['case']}" for case in BOOK["cases"]]
)


@every_case
def test_the_judge_gives_what_the_case_expects(case: dict[str, Any]) -> None:
    assert pair_of(case).judged() == judgement_of(case["expect"])


@every_case
def test_the_row_that_a_case_names_is_the_first_that_fits(case: dict[str, Any]) -> None:
    assert first_fitting(pair_of(case)) == (case["row"], judgement_of(case["expect"]))


def test_the_fixture_has_the_rows_of_the_table_in_order_and_a_case_for_each() -> None:
    rows = [row for row, _, _ in TABLE]
    assert [row["row"] for row in BOOK["rows"]] == rows
    assert list(dict.fromkeys(case["row"] for case in BOOK["cases"])) == rows


def test_no_two_cases_of_a_row_bear_one_name() -> None:
    names = [(case["row"], case["case"]) for case in BOOK["cases"]]
    assert len(set(names)) == len(names)


def test_no_two_cases_put_the_same_before_the_judge() -> None:
    pairs = [pair_of(case) for case in BOOK["cases"]]
    assert len(set(pairs)) == len(pairs)


def test_the_slack_is_two_seconds_unless_set() -> None:
    assert SLACK_NS == DEFAULT_SLACK_NS == 2 * 10**9
    mirror = file("A", 0)
    assert judge(file("B", SLACK_NS), mirror, None, True).verdict is Verdict.CORRUPT
    assert judge(file("B", SLACK_NS + 1), mirror, None, True).verdict is Verdict.STALE


# ---------------------------------------------------------------- a whole small universe

SIZES = {"A": 100, "B": 100, "C": 60, "D": 140, "E": 100, "F": 60, "Z": 0}
"""One content has one size; without a letter the content was not read."""


def file(letter: str | None, offset_ns: int, size: int | None = None) -> Sighting:
    size = size if size is not None else SIZES[letter or "A"]
    return Sighting(PATH, Kind.FILE, size, BASE_NS + offset_ns, digest=digest_of(letter))


def small_universe() -> Iterator[Pair]:
    """Every pair of files over few contents and dates, with and without an agreement on A.

    The mirror's agreed date differs from the source's, so that mixing them up shows.
    """
    contents = ("A", "B", "C", "D", "E", None)
    dates = (0, SLACK_NS, SLACK_NS + 1, -SLACK_NS - 1, 3 * SLACK_NS)
    agreements = [None] + [
        Agreement(digest_of("A"), 100, BASE_NS, BASE_NS + mirror_date, earlier=earlier)
        for mirror_date in (0, 3 * SLACK_NS)
        for earlier in ((), (b"C" * 32, b"E" * 32))
    ]
    for one, other, source_date, mirror_date in product(contents, contents, dates, dates):
        source, mirror = file(one, source_date), file(other, mirror_date)
        for agreement, likeness, due in product(
            agreements, possible_likenesses(source, mirror), (True, False)
        ):
            yield Pair(source, mirror, agreement, due, likeness)


def possible_likenesses(source: Sighting | None, mirror: Sighting | None) -> list[Likeness | None]:
    """What reading both side by side may show, none of it impossible: a prefix is smaller."""
    if (
        source is None
        or mirror is None
        or source.digest is None
        or mirror.digest is None
        or source.digest == mirror.digest
    ):
        return [None]
    flags = product((False, True), (False, True), (None, Side.SOURCE, Side.MIRROR))
    return [None] + [
        Likeness(mirror_is_prefix, source_is_prefix, zero_filled)
        for mirror_is_prefix, source_is_prefix, zero_filled in flags
        if (not mirror_is_prefix or mirror.size < source.size)
        and (not source_is_prefix or source.size < mirror.size)
    ]


def test_judge_and_table_agree_over_every_pair_of_files_in_a_small_universe() -> None:
    reached = set()
    disagreements: dict[str, tuple[Pair, Judgement, Judgement]] = {}
    for it in small_universe():
        row, expected = first_fitting(it)
        reached.add(row)
        if it.judged() != expected:
            disagreements.setdefault(row, (it, it.judged(), expected))
    assert disagreements == {}
    rows = [row for row, _, _ in TABLE]
    assert reached == set(rows[rows.index("same-content") :])


# ---------------------------------------------------------------- arbitrary inputs

slacks = st.sampled_from((0, 1, SLACK_NS, 3600 * 10**9))
troubles = st.sampled_from(
    ("input-output-error", "permission-denied", "unstable-read", CHANGED_WHILE_READ)
)
targets = st.sampled_from((b"../a", b"../b"))
letters = st.sampled_from(tuple(SIZES))


@st.composite
def dates(draw: st.DrawFn, slack: int) -> int:
    """Dates that are often equal, or just not, to others drawn with the same slack."""
    return (
        BASE_NS + slack * draw(st.integers(-2, 2)) + draw(st.sampled_from((0, 1, -1, 10**15, -1)))
    )


@st.composite
def sightings(draw: st.DrawFn, slack: int, kinds: tuple[Kind, ...] = tuple(Kind)) -> Sighting:
    kind, date = draw(st.sampled_from(kinds)), draw(dates(slack))
    if kind is Kind.LINK:
        return Sighting(PATH, kind, 4, date, target=draw(targets))
    if kind is Kind.OTHER:
        return Sighting(PATH, kind, 0, date)
    letter = draw(st.none() | letters)
    size = SIZES[letter] if letter is not None else draw(st.sampled_from((0, 60, 100, 140)))
    return Sighting(PATH, kind, size, date, digest=digest_of(letter))


@st.composite
def agreements(draw: st.DrawFn, slack: int, kinds: tuple[Kind, ...] = tuple(Kind)) -> Agreement:
    kind = draw(st.sampled_from(kinds))
    source_date, mirror_date = draw(dates(slack)), draw(dates(slack))
    if kind is Kind.LINK:
        return Agreement(None, 4, source_date, mirror_date, kind, draw(targets))
    if kind is Kind.OTHER:
        return Agreement(None, 0, source_date, mirror_date, kind)
    letter = draw(letters)
    earlier = draw(st.lists(letters.filter(lambda one: one != letter), max_size=3, unique=True))
    return Agreement(
        digest_of(letter),
        SIZES[letter],
        source_date,
        mirror_date,
        earlier=tuple(one.encode("ascii") * 32 for one in earlier),
    )


@st.composite
def pairs(
    draw: st.DrawFn,
    *,
    kinds: tuple[Kind, ...] = tuple(Kind),
    absent: bool = True,
    troubled: bool = True,
    agreed: bool = True,
) -> Pair:
    """Whatever may stand before the judge: at least one side is there."""
    slack = draw(slacks)
    source, mirror = draw(sightings(slack, kinds)), draw(sightings(slack, kinds))
    agreement = draw(st.none() | agreements(slack, (Kind.FILE, *Kind))) if agreed else None
    if troubled:
        cause = draw(st.none() | troubles)
        source = msgspec.structs.replace(source, trouble=cause and Trouble(cause))
        cause = draw(st.none() | troubles)
        mirror = msgspec.structs.replace(mirror, trouble=cause and Trouble(cause))
    there = draw(st.sampled_from(("both", "both", "both", "source", "mirror")))
    one = source if there != "mirror" or not absent else None
    other = mirror if there != "source" or not absent else None
    likeness = draw(st.sampled_from(possible_likenesses(one, other)))
    return Pair(one, other, agreement, draw(st.booleans()), likeness, slack)


files_only = {"kinds": (Kind.FILE,), "absent": False, "troubled": False}

WRONG_SIDES: dict[tuple[Verdict, str], set[Side]] = {
    (Verdict.MISSING, Cause.NEVER_COPIED): {Side.MIRROR},
    (Verdict.ORPHANED, Cause.DELETED_AT_SOURCE): {Side.MIRROR},
    (Verdict.STALE, Cause.OLDER_VERSION): {Side.MIRROR},
    (Verdict.STALE, Cause.KIND_CHANGED): {Side.MIRROR},
    (Verdict.CORRUPT, Cause.KIND_CHANGED): {Side.SOURCE, Side.MIRROR, Side.UNKNOWN},
    (Verdict.CORRUPT, Cause.ROT): {Side.SOURCE, Side.MIRROR, Side.BOTH},
    (Verdict.CORRUPT, Cause.TRUNCATED): {Side.SOURCE, Side.MIRROR},
    (Verdict.CORRUPT, Cause.ALTERED): {Side.SOURCE, Side.MIRROR, Side.BOTH},
    (Verdict.CORRUPT, Cause.DIFFERS): {Side.UNKNOWN},
    (Verdict.CORRUPT, Cause.ZERO_FILLED): {Side.SOURCE, Side.MIRROR},
    (Verdict.CORRUPT, Cause.NEWER_ON_MIRROR): {Side.UNKNOWN},
}
"""The sides that can be wrong, for each finding that the judge makes of what it could read."""


@thorough
@given(pairs())
def test_judge_and_table_agree_on_arbitrary_inputs(it: Pair) -> None:
    assert it.judged() == first_fitting(it)[1]


@often
@given(pairs())
def test_every_judgement_is_whole(it: Pair) -> None:
    given_ = it.judged()
    assert isinstance(given_, Judgement)
    if given_.verdict in QUIET:
        assert (given_.cause, given_.side) == (None, None)
    elif given_.verdict is Verdict.UNSETTLED:
        assert given_.cause is None
        assert given_.side in {Side.SOURCE, Side.MIRROR, Side.BOTH}
    elif given_.verdict is Verdict.UNREADABLE:
        assert given_.cause in {cause for _, cause in it.unreadable}
        assert given_.side in {Side.SOURCE, Side.MIRROR, Side.BOTH}
    else:
        assert given_.side in WRONG_SIDES[given_.verdict, given_.cause]


odd_sightings = st.builds(
    Sighting,
    st.just(PATH),
    st.sampled_from(Kind),
    st.integers(0, 2**63 - 1),
    st.integers(-(2**63), 2**63 - 1),
    digest=st.none() | letters.map(digest_of),
    target=st.none() | targets,
    trouble=st.none() | troubles.map(Trouble),
)
odd_agreements = st.builds(
    Agreement,
    st.none() | letters.map(digest_of),
    st.integers(0, 2**63 - 1),
    st.integers(-(2**63), 2**63 - 1),
    st.integers(-(2**63), 2**63 - 1),
    st.sampled_from(Kind),
    st.none() | targets,
    st.lists(letters.map(digest_of), max_size=2).map(tuple),
)
odd_likenesses = st.builds(
    Likeness, st.booleans(), st.booleans(), st.none() | st.sampled_from((Side.SOURCE, Side.MIRROR))
)


@often
@given(
    st.tuples(st.none() | odd_sightings, st.none() | odd_sightings).filter(any),
    st.none() | odd_agreements,
    st.booleans(),
    st.none() | odd_likenesses,
)
def test_even_what_cannot_be_is_judged_without_an_exception(
    sides: tuple[Sighting | None, Sighting | None],
    agreement: Agreement | None,
    due: bool,
    likeness: Likeness | None,
) -> None:
    given_ = Pair(*sides, agreement, due, likeness).judged()
    assert isinstance(given_, Judgement)
    assert (given_.side is None) == (given_.verdict in QUIET)


def test_a_path_that_stands_on_neither_side_is_refused() -> None:
    with pytest.raises(ValueError, match="neither side"):
        judge(None, None, None, True)


# ---------------------------------------------------------------- what due changes


@often
@given(pairs())
def test_a_copy_that_is_not_due_turns_only_what_the_next_run_mends_into_pending(it: Pair) -> None:
    due, not_due = it.but(due=True).judged(), it.but(due=False).judged()
    assert due.verdict is not Verdict.PENDING
    if not_due.verdict is Verdict.PENDING:
        assert due.verdict in {Verdict.MISSING, Verdict.STALE} or due.cause == Cause.KIND_CHANGED
    else:
        assert due == not_due


@often
@given(pairs())
def test_matched_never_depends_on_whether_the_copy_is_due(it: Pair) -> None:
    due, not_due = it.but(due=True).judged(), it.but(due=False).judged()
    assert (due.verdict is Verdict.MATCHED) == (not_due.verdict is Verdict.MATCHED)


# ---------------------------------------------------------------- no verdict without evidence


@often
@given(pairs(**files_only))
def test_files_not_both_read_are_pending_stale_or_unread(it: Pair) -> None:
    unread = msgspec.structs.replace(it.source, digest=None)
    for blind in (
        it.but(source=unread, likeness=None),
        it.but(mirror=msgspec.structs.replace(it.mirror, digest=None), likeness=None),
    ):
        assert blind.judged().verdict in {Verdict.PENDING, Verdict.STALE, Verdict.UNREAD}


@often
@given(pairs(absent=False, troubled=False))
def test_corrupt_needs_contents_that_differ_or_an_agreement_that_says_so(it: Pair) -> None:
    given_ = it.judged()
    if given_.verdict is not Verdict.CORRUPT or given_.cause == Cause.KIND_CHANGED:
        return
    assert it.read
    assert it.source.digest != it.mirror.digest or it.agreement.digest != it.source.digest


@often
@given(pairs(absent=False, troubled=False))
def test_files_are_matched_only_when_both_digests_are_known_and_equal(it: Pair) -> None:
    if it.source.kind is Kind.FILE and it.judged().verdict is Verdict.MATCHED:
        assert it.source.digest is not None
        assert it.source.digest == it.mirror.digest


@often
@given(pairs(**files_only, agreed=False))
def test_equal_contents_without_an_agreement_are_matched_once_read_whatever_their_dates(
    it: Pair,
) -> None:
    twins = it.but(
        mirror=msgspec.structs.replace(it.source, mtime_ns=it.mirror.mtime_ns), likeness=None
    )
    if twins.read:
        assert twins.judged() == MATCHED
    else:
        assert twins.judged().verdict in {Verdict.PENDING, Verdict.STALE, Verdict.UNREAD}


@often
@given(pairs(absent=False))
def test_missing_and_orphaned_need_a_side_that_is_absent(it: Pair) -> None:
    assert it.judged().verdict not in {Verdict.MISSING, Verdict.ORPHANED}


@often
@given(pairs())
def test_likeness_never_changes_the_verdict(it: Pair) -> None:
    verdicts = {
        it.but(likeness=likeness).judged().verdict
        for likeness in possible_likenesses(it.source, it.mirror)
    }
    assert len(verdicts) == 1


@often
@given(pairs())
def test_contents_with_nothing_special_are_judged_as_contents_not_examined(it: Pair) -> None:
    assert it.but(likeness=Likeness()).judged() == it.but(likeness=None).judged()


# ---------------------------------------------------------------- what must make no difference


@often
@given(pairs(), st.integers(-(10**18), 10**18))
def test_only_distances_between_dates_count(it: Pair, shift: int) -> None:
    def shifted(seen: Sighting | None) -> Sighting | None:
        return seen and msgspec.structs.replace(seen, mtime_ns=seen.mtime_ns + shift)

    agreed = it.agreement
    later = it.but(
        source=shifted(it.source),
        mirror=shifted(it.mirror),
        agreement=agreed
        and msgspec.structs.replace(
            agreed,
            source_mtime_ns=agreed.source_mtime_ns + shift,
            mirror_mtime_ns=agreed.mirror_mtime_ns + shift,
        ),
    )
    assert later.judged() == it.judged()


@often
@given(pairs(), st.integers(1, 2**40))
def test_names_inodes_and_times_of_reading_do_not_count(it: Pair, number: int) -> None:
    def elsewhere(seen: Sighting | None) -> Sighting | None:
        return seen and msgspec.structs.replace(
            seen,
            path=b"elsewhere",
            ctime_ns=number,
            device=number,
            inode=number,
            links=number,
            read_at=number,
        )

    assert it.but(source=elsewhere(it.source)).judged() == it.judged()
    assert it.but(mirror=elsewhere(it.mirror)).judged() == it.judged()


# ---------------------------------------------------------------- source and mirror exchanged


@often
@given(pairs())
def test_troubles_are_judged_alike_on_either_side(it: Pair) -> None:
    if not it.unreadable and not it.unsettled:
        return
    here, there = it.judged(), it.mirrored().judged()
    assert (there.verdict, there.side) == (here.verdict, other_side(here.side))
    if len({cause for _, cause in it.unreadable}) < 2:
        assert there == exchanged(here)


@st.composite
def rotten(draw: st.DrawFn) -> Pair:
    """The source as agreed in content; the mirror by size and date only."""
    slack = draw(slacks)
    agreed = draw(agreements(slack, (Kind.FILE,)))
    near = st.sampled_from((-slack, 0, slack))
    source = Sighting(PATH, Kind.FILE, agreed.size, draw(dates(slack)), digest=agreed.digest)
    mirror = Sighting(
        PATH,
        Kind.FILE,
        agreed.size,
        agreed.mirror_mtime_ns + draw(near),
        digest=digest_of("X"),
    )
    return Pair(source, mirror, agreed, draw(st.booleans()), slack=slack)


@often
@given(rotten())
def test_rot_is_laid_to_the_side_that_no_longer_holds_what_was_agreed(it: Pair) -> None:
    assert it.judged() == corrupt(Cause.ROT, Side.MIRROR)
    assert it.mirrored().judged() == corrupt(Cause.ROT, Side.SOURCE)


@often
@given(rotten(), st.sampled_from("XY"))
def test_rot_on_both_sides_stays_on_both_when_they_are_exchanged(it: Pair, letter: str) -> None:
    source = msgspec.structs.replace(
        it.source, digest=digest_of(letter), mtime_ns=it.agreement.source_mtime_ns
    )
    both = it.but(source=source)
    assert both.judged() == both.mirrored().judged() == corrupt(Cause.ROT, Side.BOTH)


@often
@given(pairs(absent=False, troubled=False))
def test_a_change_of_kind_without_a_newer_side_is_judged_alike_when_exchanged(it: Pair) -> None:
    mirror = msgspec.structs.replace(it.mirror, mtime_ns=it.source.mtime_ns)
    level = it.but(mirror=mirror)
    if not level.same_kind:
        assert level.mirrored().judged() == exchanged(level.judged())


@often
@given(pairs(**files_only, agreed=False))
def test_without_agreement_or_newer_side_only_a_prefix_tells_source_from_mirror(it: Pair) -> None:
    mirror = msgspec.structs.replace(it.mirror, mtime_ns=it.source.mtime_ns)
    level = it.but(mirror=mirror)
    if not level.mirror_is_prefix and not level.source_is_prefix:
        assert level.mirrored().judged() == exchanged(level.judged())
