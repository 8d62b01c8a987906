"""Every path of two trees is judged once, and only what belongs together is paired."""

from __future__ import annotations

import tracemalloc
import unicodedata
from collections import Counter, defaultdict
from collections.abc import Callable, Iterable, Iterator
from contextlib import ExitStack, closing, contextmanager
from typing import Any

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from verifier import spill
from verifier.diff import unmatched
from verifier.diff.comparison import Comparison, Judged
from verifier.diff.judge import judge
from verifier.diff.merge import agreement_from, merge
from verifier.diff.unmatched import (
    Ends,
    Leftover,
    content_key,
    form_key,
    pair_moves,
    pair_twins,
)
from verifier.model import (
    CHANGED_WHILE_READ,
    QUIET,
    Agreement,
    Cause,
    Kind,
    Sighting,
    Trouble,
    Verdict,
    composed,
)
from verifier.spill import SortedSpill

often = settings(max_examples=200, deadline=None, database=None)

NOON_NS = 1795557600 * 10**9
LOCKED = Trouble("permission-denied", "The system said: Permission denied (EACCES).")
MOVING = Trouble(CHANGED_WHILE_READ, "It changed each time it was read.")

# Each with forms that are equal when composed: two of "é", three of "ậ", two of the Ångström.
TWINS = ["caf\u00e9", "cafe\u0301", "\u1ead", "\u1ea1\u0302", "a\u0323\u0302", "\u212b", "\u00c5"]
PLAIN = [b"a", b"a-", b"a.b", b"a0", b"b", b"two\nlines", b"caf\xe9", b"e\xcc\x81\xff", b"Z"]
ALL_NAMES = [*PLAIN, *(twin.encode() for twin in TWINS)]

NFC, NFD = "caf\u00e9".encode(), "cafe\u0301".encode()

Side = dict[bytes, Sighting]


def sighting(
    path: bytes,
    content: int | None = 0,
    kind: Kind = Kind.FILE,
    mtime_ns: int = NOON_NS,
    trouble: Trouble | None = None,
) -> Sighting:
    """What one side holds; ``content`` tells contents apart, None was not read."""
    if trouble is not None or kind is not Kind.FILE:
        content = None
    digest = None if content is None else bytes([content]) * 32
    target = b"target" if kind is Kind.LINK else None
    size = 1000 + (content or 0) // 2
    return Sighting(path, kind, size, mtime_ns, digest=digest, target=target, trouble=trouble)


contents = st.one_of(st.integers(0, 3), st.none())
kinds = st.sampled_from([*5 * [Kind.FILE], Kind.LINK, Kind.OTHER])
dates = st.sampled_from([*3 * [NOON_NS], NOON_NS - 10**12, NOON_NS + 10**12])
paths = st.lists(st.sampled_from(ALL_NAMES), min_size=1, max_size=3).map(b"/".join)


@st.composite
def sides(draw: Callable[..., Any]) -> Side:
    """A side as a walk could give it: no path below a file or below what cannot be listed."""
    side: Side = {}
    for path in draw(st.lists(paths, max_size=14, unique=True)):
        if any(other.startswith(path + b"/") or path.startswith(other + b"/") for other in side):
            continue
        # Trouble only on names without twins: what becomes of those is a test of its own.
        may_fail = path.isascii() and draw(st.integers(0, 5)) == 0
        trouble = draw(st.sampled_from([LOCKED, MOVING])) if may_fail else None
        kind = Kind.OTHER if trouble is not None and draw(st.booleans()) else draw(kinds)
        side[path] = sighting(path, draw(contents), kind, draw(dates), trouble)
    return side


def stream(side: Side) -> Iterator[Sighting]:
    return iter([side[path] for path in sorted(side)])


# --------------------------------------------------------------------------------------- merge


@often
@given(sides(), sides(), st.none() | sides())
def test_a_merge_gives_each_path_of_either_side_once_in_order(source, mirror, baseline):
    agreed = {} if baseline is None else {path: agreement_from(baseline[path]) for path in baseline}
    rows = merge(stream(source), stream(mirror), None if baseline is None else stream(baseline))
    assert [tuple(row) for row in rows] == [
        (path, source.get(path), mirror.get(path), agreed.get(path), True)
        for path in sorted(source | mirror)
    ]


def test_only_what_was_read_without_trouble_is_an_agreement():
    read = sighting(b"a", 1)
    assert agreement_from(read) == Agreement(read.digest, read.size, NOON_NS, NOON_NS)
    link = sighting(b"a", kind=Kind.LINK)
    agreed = agreement_from(link)
    assert agreed is not None
    assert (agreed.kind, agreed.target, agreed.digest) == (Kind.LINK, b"target", None)
    assert agreement_from(sighting(b"a", None)) is None
    assert agreement_from(sighting(b"a", 1, trouble=LOCKED)) is None


# --------------------------------------------------------------------------------------- moves

leftovers = st.lists(
    st.tuples(paths, contents, st.sampled_from([Kind.FILE, Kind.FILE, Kind.LINK])),
    max_size=20,
    unique_by=lambda each: each[0],
).map(lambda found: [Leftover(sighting(*each)) for each in found])


def content_of(leftover: Leftover) -> tuple[bytes | None, int]:
    return leftover.sighting.digest, leftover.sighting.size


def last_name(leftover: Leftover) -> bytes:
    return leftover.sighting.path.rpartition(b"/")[2]


def moves_of(source: list[Leftover], mirror: list[Leftover]) -> list[Ends]:
    found = pair_moves(sorted(source, key=content_key), sorted(mirror, key=content_key))
    ends = list(found)
    assert sorted(each.source.sighting.path for each in ends if each.source) == sorted(
        each.sighting.path for each in source
    )
    assert sorted(each.mirror.sighting.path for each in ends if each.mirror) == sorted(
        each.sighting.path for each in mirror
    )
    return ends


def together(ends: Iterable[Ends]) -> list[tuple[Leftover, Leftover]]:
    return [(each.source, each.mirror) for each in ends if each.source and each.mirror]


def by_content(found: list[Leftover]) -> dict[tuple[bytes | None, int], list[Leftover]]:
    grouped = defaultdict(list)
    for leftover in found:
        grouped[content_of(leftover)].append(leftover)
    return grouped


@often
@given(leftovers, leftovers)
def test_moves_pair_equal_contents_one_to_one_and_as_many_as_there_are(source, mirror):
    pairs = together(moves_of(source, mirror))
    assert all(content_of(here) == content_of(there) for here, there in pairs)
    assert all(here.sighting.digest is not None for here, _ in pairs)
    here, there = by_content(source), by_content(mirror)
    wanted = sum(
        min(len(here[content]), len(there[content])) for content in here if content[0] is not None
    )
    assert len(pairs) == wanted


@often
@given(leftovers, leftovers)
def test_moves_prefer_equal_last_names(source, mirror):
    pairs = together(moves_of(source, mirror))
    here, there = by_content(source), by_content(mirror)
    wanted = 0
    for content in here:
        if content[0] is not None:
            names, others = (
                Counter(map(last_name, side.get(content, []))) for side in (here, there)
            )
            wanted += (names & others).total()
    assert sum(last_name(one) == last_name(other) for one, other in pairs) == wanted


@often
@given(leftovers, leftovers, st.integers(0, 3))
def test_little_room_to_wait_in_loses_no_path_and_pairs_nothing_wrong(source, mirror, room):
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(unmatched, "WAITING", room)
        pairs = together(moves_of(source, mirror))
    assert all(content_of(here) == content_of(there) for here, there in pairs)


# --------------------------------------------------------------------------------------- twins


def nfc(path: bytes) -> bytes | str:
    try:
        return unicodedata.normalize("NFC", path.decode())
    except UnicodeDecodeError:
        return path


@often
@given(leftovers, leftovers)
def test_twins_pair_equal_composed_names_one_to_one_and_as_many_as_there_are(source, mirror):
    ends = list(pair_twins(sorted(source, key=form_key), sorted(mirror, key=form_key)))
    for found, asked in (
        ([each.source for each in ends if each.source], source),
        ([each.mirror for each in ends if each.mirror], mirror),
    ):
        assert Counter(each.sighting.path for each in found) == Counter(
            each.sighting.path for each in asked
        )
    pairs = together(ends)
    assert all(nfc(here.sighting.path) == nfc(there.sighting.path) for here, there in pairs)
    here, there = (Counter(nfc(each.sighting.path) for each in side) for side in (source, mirror))
    assert len(pairs) == (here & there).total()


# ------------------------------------------------------------------------------ the comparison


@contextmanager
def new_comparison(in_memory: int = 50_000) -> Iterator[Comparison]:
    with ExitStack() as kept:
        yield Comparison(
            lambda key: kept.enter_context(closing(SortedSpill(Leftover, key, in_memory)))
        )


def compared(
    source: Side, mirror: Side, baseline: Side | None = None, in_memory: int = 50_000
) -> tuple[Comparison, list[Judged]]:
    known = None if baseline is None else stream(baseline)
    with new_comparison(in_memory) as comparison:
        return comparison, list(comparison.judged(stream(source), stream(mirror), known))


class Oracle:
    """The same judgements from dictionaries, with everything in sight at once."""

    def __init__(self, source: Side, mirror: Side, baseline: Side | None) -> None:
        self.counts: Counter[Verdict] = Counter()
        self.twins: list[tuple[bytes, bytes]] = []
        self._agreed = {path: agreement_from(seen) for path, seen in (baseline or {}).items()}
        self._unlisted = self._folders_unlisted(source, mirror)
        self._agree_by_form(source, mirror)
        alone: tuple[Side, Side] = ({}, {})
        for path in source.keys() | mirror.keys():
            here, there = source.get(path), mirror.get(path)
            if (here is not None and there is not None) or (
                (here or there).trouble is not None and (here or there).kind is Kind.OTHER
            ):
                self._judge(here, there, path)
            elif (here or there).trouble is None and self._below_an_unlisted(path):
                self.counts[Verdict.UNREAD] += 1
            else:
                alone[here is None][path] = here or there
        self._pair(*alone)

    def _agree_by_form(self, source: Side, mirror: Side) -> None:
        """Give paths of both sides what the baseline holds of their twins alone."""
        forms: dict[bytes | str, list[bytes]] = defaultdict(list)
        for path in sorted(self._agreed.keys() - source.keys() - mirror.keys()):
            if self._agreed[path] is not None:
                forms[nfc(path)].append(path)
        for path in sorted((source.keys() & mirror.keys()) - self._agreed.keys()):
            if forms[nfc(path)]:
                self._agreed[path] = self._agreed[forms[nfc(path)].pop(0)]

    def _below_an_unlisted(self, path: bytes) -> bool:
        return any(composed(path).startswith(composed(folder) + b"/") for folder in self._unlisted)

    @staticmethod
    def _folders_unlisted(source: Side, mirror: Side) -> set[bytes]:
        return {
            path
            for side in (source, mirror)
            for path, seen in side.items()
            if seen.trouble == LOCKED and seen.kind is Kind.OTHER
        }

    def _judge(self, here: Sighting | None, there: Sighting | None, path: bytes) -> None:
        self.counts[judge(here, there, self._agreed.get(path), True).verdict] += 1

    def _pair(self, source: Side, mirror: Side) -> None:
        forms: dict[bytes | str, tuple[list[bytes], list[bytes]]] = defaultdict(lambda: ([], []))
        for number, side in enumerate((source, mirror)):
            for path in sorted(side):
                forms[nfc(path)][number].append(path)
        for heres, theres in forms.values():
            for here, there in zip(heres, theres, strict=False):
                agreed = self._agreed.get(here) or self._agreed.get(there)
                verdict = judge(source.pop(here), mirror.pop(there), agreed, True).verdict
                self.counts[verdict] += 1
                self.twins.append((here, there))
        for side in (source, mirror):
            for path in [path for path, seen in side.items() if seen.trouble is not None]:
                seen = side.pop(path)
                self._judge(*((seen, None) if side is source else (None, seen)), path)
        self.counts[Verdict.MISSING] += len(source)
        self.counts[Verdict.ORPHANED] += len(mirror)
        here, there = (
            Counter((seen.digest, seen.size) for seen in side.values() if seen.digest is not None)
            for side in (source, mirror)
        )
        self.moves = (here & there).total()


@often
@given(sides(), sides(), st.none() | sides())
def test_a_comparison_counts_what_dictionaries_count(source, mirror, baseline):
    comparison, rows = compared(source, mirror, baseline)
    oracle = Oracle(source, mirror, baseline)
    assert +comparison.counts == +oracle.counts
    assert comparison.twins == len(oracle.twins)
    moved = Counter(row.judgement.verdict for row in rows if row.judgement.cause == Cause.MOVED)
    assert moved[Verdict.MISSING] == moved[Verdict.ORPHANED] == oracle.moves


@often
@given(sides(), sides(), st.none() | sides())
def test_every_path_is_judged_exactly_once(source, mirror, baseline):
    comparison, rows = compared(source, mirror, baseline)
    assert comparison.counts.total() == len(source | mirror) - comparison.twins
    named = Counter(row.path for row in rows)
    named.update(
        row.other_path for row in rows if row.other_path and row.judgement.cause != "moved"
    )
    assert not [path for path, times in named.items() if times > 1]
    assert named.keys() <= source.keys() | mirror.keys()
    seen = Counter(row.judgement.verdict for row in rows)
    assert seen == {
        verdict: number
        for verdict, number in comparison.counts.items()
        if number and verdict not in QUIET
    }


@often
@given(sides(), sides())
def test_each_end_of_a_move_names_the_other(source, mirror):
    _, rows = compared(source, mirror)
    moved = {row.path: row for row in rows if row.judgement.cause == Cause.MOVED}
    for path, row in moved.items():
        assert row.other_path is not None
        other = moved[row.other_path]
        assert other.other_path == path
        assert {row.judgement.verdict, other.judgement.verdict} == {
            *(Verdict.MISSING, Verdict.ORPHANED)
        }
        here, there = (row.source or row.mirror), (other.source or other.mirror)
        assert (here.digest, here.size) == (there.digest, there.size)


@often
@given(sides(), sides(), st.none() | sides(), st.integers(1, 4))
def test_the_result_does_not_depend_on_what_fits_in_memory(source, mirror, baseline, in_memory):
    one, rows = compared(source, mirror, baseline)
    other, other_rows = compared(source, mirror, baseline, in_memory)
    assert rows == other_rows
    assert (one.counts, one.twins) == (other.counts, other.twins)


@often
@given(sides())
@example({})
def test_a_tree_compared_with_itself_needs_nobody_unless_it_has_trouble(side):
    comparison, rows = compared(side, side)
    assert comparison.twins == 0
    assert {row.path for row in rows} == {path for path in side if side[path].trouble}


@often
@given(sides(), sides())
def test_exchanging_the_sides_exchanges_missing_and_orphaned(source, mirror):
    one, other = compared(source, mirror)[0], compared(mirror, source)[0]
    assert one.counts[Verdict.MISSING] == other.counts[Verdict.ORPHANED]
    assert one.counts[Verdict.ORPHANED] == other.counts[Verdict.MISSING]
    assert one.twins == other.twins


def test_settling_a_suspicion_moves_its_count():
    comparison, [row] = compared({b"a": sighting(b"a", 0)}, {b"a": sighting(b"a", 1)})
    assert row.judgement.verdict is Verdict.CORRUPT
    comparison.settle(row, Verdict.MATCHED)
    assert +comparison.counts == {Verdict.MATCHED: 1}


@pytest.mark.parametrize("agreed_as", [0, 1])
def test_twins_are_judged_by_what_was_agreed_under_either_name(agreed_as):
    source, mirror = side_of(sighting(NFC, 1)), side_of(sighting(NFD, 0))
    baseline = side_of(sighting((NFC, NFD)[agreed_as], 1))
    _, [row] = compared(source, mirror, baseline)
    assert (row.path, row.other_path) == (NFC, NFD)
    assert (row.judgement.cause, row.judgement.side) == (Cause.ROT, "mirror")


def test_a_baseline_is_heeded_under_another_form_of_a_name_and_what_it_lacks_is_counted():
    both = side_of(sighting(NFC, 0), sighting(b"new", 1), sighting(b"old", 1))
    baseline = side_of(sighting(NFD, 1), sighting(b"old", 1))
    comparison, [row] = compared(both, both, baseline)
    assert row.path == NFC
    assert (row.judgement.cause, row.judgement.side) == (Cause.ROT, "both")
    assert comparison.not_agreed == 1
    comparison, _ = compared(both, both, side_of(sighting(NFD, None), sighting(b"old", None)))
    assert comparison.not_agreed == 3


# ------------------------------------------------------------------------- unlistable folders


def locked(path: bytes) -> Sighting:
    return sighting(path, kind=Kind.OTHER, trouble=LOCKED)


def side_of(*seen: Sighting) -> Side:
    return {each.path: each for each in seen}


@pytest.mark.parametrize("on_source", [True, False])
def test_paths_below_an_unlistable_folder_are_neither_missing_nor_orphaned(on_source):
    closed = side_of(locked(b"flights"))
    open_ = side_of(
        *(sighting(path) for path in (b"flights-2/a", b"flights/a", b"flights/day-1/b", b"flight"))
    )
    source, mirror = (closed, open_) if on_source else (open_, closed)
    comparison, rows = compared(source, mirror)
    [folder] = [row for row in rows if row.path == b"flights"]
    assert (folder.judgement.verdict, folder.below) == (Verdict.UNREADABLE, 2)
    assert {row.path for row in rows} == {b"flight", b"flights", b"flights-2/a"}
    assert comparison.counts[Verdict.UNREAD] == 2


def test_paths_below_an_unlistable_folder_are_not_the_other_end_of_a_move():
    source = side_of(locked(b"flights"), sighting(b"new", 1))
    mirror = side_of(sighting(b"flights/old", 1))
    _, rows = compared(source, mirror)
    assert {row.path: row.judgement.cause for row in rows} == {
        b"flights": "permission-denied",
        b"new": Cause.NEVER_COPIED,
    }


def test_a_folder_that_neither_side_lists_is_one_finding():
    _, [row] = compared(side_of(locked(b"flights")), side_of(locked(b"flights")))
    assert (row.path, row.judgement.side, row.below) == (b"flights", "both", 0)


def test_what_is_below_is_counted_for_each_unlistable_folder():
    source = side_of(locked(b"a"), locked(b"b"))
    mirror = side_of(*(sighting(path) for path in (b"a/1", b"a/2", b"a/3", b"b/1")))
    _, rows = compared(source, mirror)
    assert {row.path: row.below for row in rows} == {b"a": 3, b"b": 1}


@pytest.mark.parametrize("trouble", [LOCKED, MOVING])
@pytest.mark.parametrize("on_source", [True, False])
def test_the_twin_of_a_path_with_trouble_is_neither_missing_nor_orphaned(trouble, on_source):
    troubled, sound = side_of(sighting(NFC, trouble=trouble)), side_of(sighting(NFD))
    _, rows = compared(*((troubled, sound) if on_source else (sound, troubled)))
    assert {row.judgement.verdict for row in rows} <= {Verdict.UNREADABLE, Verdict.UNSETTLED}


@pytest.mark.parametrize("on_source", [True, False])
def test_paths_below_the_twin_of_an_unlistable_folder_are_neither_missing_nor_orphaned(on_source):
    closed, open_ = side_of(locked(NFC)), side_of(sighting(NFD + b"/0001.tif"))
    _, rows = compared(*((closed, open_) if on_source else (open_, closed)))
    assert {row.judgement.verdict for row in rows} == {Verdict.UNREADABLE}


# -------------------------------------------------------------------------------------- memory


def many(number: int) -> Iterator[Sighting]:
    for each in range(number):
        yield Sighting(b"2026-014/%07d.tif" % each, Kind.FILE, each, NOON_NS, digest=bytes(32))


def peak_of(source: Iterator[Sighting], mirror: Iterator[Sighting], in_memory: int) -> int:
    """The most bytes that a comparison holds at once, when nobody keeps what it says."""
    with new_comparison(in_memory) as comparison:
        tracemalloc.start()
        try:
            for _ in comparison.judged(source, mirror):
                """Only passing by."""
            return tracemalloc.get_traced_memory()[1]
        finally:
            tracemalloc.stop()


def test_memory_does_not_grow_with_the_number_of_matched_files():
    peak_of(many(100), many(100), 1000)  # whatever is made once only
    few, more = (peak_of(many(number), many(number), 1000) for number in (20_000, 200_000))
    assert more < few + 50_000


def test_memory_does_not_grow_with_the_number_of_leftovers(monkeypatch):
    monkeypatch.setattr(spill, "FRAME", 5)
    peak_of(many(1_000), iter(()), 500)
    few, more = (peak_of(many(number), iter(()), 500) for number in (1_000, 10_000))
    assert more < few + 300_000  # of some 300 bytes each
