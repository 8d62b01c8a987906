"""A walk is set beside what is known, and recorded whole or not at all."""

from __future__ import annotations

import itertools
import os
import subprocess
import sys

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from msgspec import structs
from test_ledger import (
    FARAWAY,
    NOW,
    SOURCE,
    VAULT,
    content,
    file,
    known,
    paths,
    read,
    record,
    unlisted,
    walked,
)

from verifier.errors import LedgerFailed
from verifier.ledger import Known, Ledger, PlaceName, WalkSummary
from verifier.ledger import walks as walks_module
from verifier.ledger.names import in_path_order, split
from verifier.model import Agreement, Kind, Sighting

often = settings(max_examples=150, deadline=None, database=None)


# ------------------------------------------------------------------------------ order of the paths


@often
@given(st.sets(paths()), st.sets(paths()))
def test_folders_and_their_names_give_whole_paths_in_order(some, empty):
    by_folder: dict[bytes, list[tuple[bytes]]] = {split(each + b"/x")[0]: [] for each in empty}
    for each in sorted(some):
        folder, name = split(each)
        by_folder.setdefault(folder, []).append((name,))
    folders = [(folder, number) for number, folder in enumerate(sorted(by_folder))]
    given_back = in_path_order(folders, lambda folder, _: iter(by_folder[folder]))
    assert [each[0] for each in given_back] == sorted(some)


# ----------------------------------------------------------------------------- against a dictionary


def sightings() -> st.SearchStrategy[Sighting]:
    """Sightings of few shapes, so that the next walk often sees the same."""
    few = st.integers(0, 1)
    return st.one_of(
        st.builds(file, st.just(b""), few, few, ctime_ns=few, inode=few),
        st.builds(
            Sighting,
            st.just(b""),
            st.just(Kind.LINK),
            few,
            few,
            target=st.sampled_from([b"x", b"y"]),
        ),
        st.just(Sighting(b"", Kind.OTHER, 0, 5)),
        st.just(unlisted(b"")),
        st.just(unlisted(b"", "input-output-error")),
    )


def trees() -> st.SearchStrategy[dict[bytes, Sighting]]:
    made = st.dictionaries(paths(), sightings(), max_size=12)
    return made.map(
        lambda tree: {name: structs.replace(seen, path=name) for name, seen in tree.items()}
    )


def hidden_in(tree: dict[bytes, Sighting], name: bytes) -> bool:
    """Whether a folder above could not be listed."""
    return any(
        seen.trouble is not None and seen.kind is Kind.OTHER and name.startswith(above + b"/")
        for above, seen in tree.items()
    )


def looks(seen: Sighting) -> tuple[object, ...]:
    return seen.kind, seen.size, seen.mtime_ns, seen.ctime_ns, seen.inode, seen.target


class Oracle:
    """What a ledger should know of one place, in a dictionary."""

    def __init__(self) -> None:
        self.known: dict[bytes, Known] = {}

    def walk(self, tree: dict[bytes, Sighting], at: int) -> WalkSummary:
        new = changed = vanished = hidden = 0
        for name in list(self.known):
            if name not in tree and hidden_in(tree, name):
                hidden += 1
            elif name not in tree:
                vanished += 1
                del self.known[name]
        before = len(self.known) + vanished
        for name, seen in tree.items():
            held = self.known.get(name)
            if held is None:
                new += 1
                self.known[name] = Known(seen, at)
            elif seen.trouble is not None:
                kept = structs.replace(held.sighting, trouble=seen.trouble)
                self.known[name] = structs.replace(held, sighting=kept)
            elif looks(held.sighting) != looks(seen):
                changed += 1
                self.known[name] = Known(seen, held.first_seen, at)
            else:
                kept = structs.replace(held.sighting, trouble=None)
                self.known[name] = structs.replace(held, sighting=kept)
        files = [seen.size for seen in tree.values() if seen.kind is Kind.FILE]
        return WalkSummary(
            before, len(tree), new, changed, vanished, hidden, len(files), sum(files)
        )

    def read(self, name: bytes, number: int, at: int) -> None:
        held = self.known[name]
        kept = structs.replace(held.sighting, digest=content(number), read_at=at, trouble=None)
        self.known[name] = structs.replace(held, sighting=kept)


_share = itertools.count()


@pytest.fixture(scope="module")
def shared(large_tmp):
    with Ledger(large_tmp / "ledger.db") as opened:
        yield opened


@often
@given(st.lists(st.tuples(trees(), st.booleans(), st.data()), max_size=4))
def test_any_walks_leave_what_a_dictionary_says(shared, steps):
    place = PlaceName(f"share {next(_share)}")
    oracle = Oracle()
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(walks_module, "STAGED_AT_ONCE", 3)
        patch.setattr(walks_module, "APPLIED_AT_ONCE", 2)
        patch.setattr(walks_module, "_KNOWN_AT_ONCE", 2)
        for number, (tree, believed, data) in enumerate(steps):
            walk = shared.walk(place)
            before = dict(oracle.known)
            expected = oracle.walk(tree, NOW + number)
            assert walk.take(tree[name] for name in sorted(tree)) == expected
            if believed:
                assert walk.apply(NOW + number) == expected
            else:
                walk.discard()
                oracle.known = before
            assert known(shared, place) == oracle.known
            files = sorted(
                name for name, each in oracle.known.items() if each.sighting.kind is Kind.FILE
            )
            if files:
                for name in data.draw(st.lists(st.sampled_from(files), max_size=3)):
                    seen = structs.replace(oracle.known[name].sighting, trouble=None)
                    record(shared, place, read(seen, number, NOW + number))
                    oracle.read(name, number, NOW + number)
            assert known(shared, place) == oracle.known
            assert [each.sighting.path for each in shared.sightings(place)] == sorted(oracle.known)
    totals = shared.work.totals(place)
    files = [each for each in oracle.known.values() if each.sighting.kind is Kind.FILE]
    unread = [each.sighting.size for each in files if not each.read_as_it_is]
    assert (totals.entries, totals.files) == (len(oracle.known), len(files))
    assert totals.bytes == sum(each.sighting.size for each in files)
    assert (totals.unread_files, totals.unread_bytes) == (len(unread), sum(unread))


def test_the_counts_of_all_those_walks_are_sound(shared):
    assert shared.soundness() == ()


# -------------------------------------------------------------------------------------- one by one


def test_everything_of_a_sighting_comes_back(ledger):
    full = Sighting(
        b"caf\xe9\n",
        Kind.FILE,
        2**62,
        -5,
        2**63 - 1,
        2**64 - 1,
        2**64 - 2,
        3,
        bytes(32),
        (bytes(16), b"\xff" * 16),
        None,
        NOW,
    )
    link = Sighting(b"dir/link", Kind.LINK, 5, 7, target=b"\xff/../x")
    pipe = Sighting(b"dir/pipe", Kind.OTHER, 0, 9, 9, 1, 1)
    walked(ledger, SOURCE, [full, link, pipe])
    record(ledger, SOURCE, full)
    assert [each.sighting for each in ledger.sightings(SOURCE)] == [full, link, pipe]


@pytest.mark.parametrize(
    ("what", "value"),
    [("size", 1001), ("mtime_ns", 1), ("ctime_ns", 1), ("inode", 8), ("kind", Kind.OTHER)],
)
def test_a_changed_path_loses_its_digest_and_what_belonged_to_it(ledger, what, value):
    first = file("a")
    walked(ledger, SOURCE, [first, file("b")], NOW)
    record(ledger, SOURCE, read(first), read(file("b")))
    ledger.readings.want(SOURCE, [b"a", b"b"], "second reading")
    changed = structs.replace(first, **{what: value})
    summary = walked(ledger, SOURCE, [changed, file("b")], NOW + 60)
    held = known(ledger, SOURCE)
    assert held[b"a"] == Known(changed, NOW, NOW + 60)
    assert held[b"b"] == Known(read(file("b")), NOW, None, "second reading")
    assert (summary.changed, summary.known, summary.new) == (1, 2, 0)


def test_another_device_number_or_count_of_names_is_no_change(ledger):
    walked(ledger, SOURCE, [file("a", device=1, links=1)])
    record(ledger, SOURCE, read(file("a", device=1, links=1)))
    assert walked(ledger, SOURCE, [file("a", device=2, links=3)]).changed == 0
    assert known(ledger, SOURCE)[b"a"].read_as_it_is


def test_files_that_claim_more_bytes_than_a_sum_can_hold_are_counted_as_a_pebibyte_each(ledger):
    hostile = [file(f"{number}", size=2**63 - 1) for number in range(4)]
    assert walked(ledger, SOURCE, hostile).bytes == 4 << 50
    record(ledger, SOURCE, *map(read, hostile[:3]))
    ledger.readings.want(SOURCE, [b"0", b"1"], "second reading")
    totals = ledger.work.totals(SOURCE)
    assert (totals.bytes, totals.unread_bytes, totals.wanted_bytes) == (4 << 50, 1 << 50, 2 << 50)
    assert ledger.work.read_since(SOURCE, NOW) == (3, 3 << 50)
    assert [each.size for each in ledger.work.longest_unread(SOURCE)] == [2**63 - 1] * 3
    walked(ledger, SOURCE, hostile[2:])
    assert ledger.work.totals(SOURCE).unread_bytes == 1 << 50
    assert ledger.soundness() == ()


def test_a_walk_that_is_not_believed_leaves_nothing_and_can_be_followed_by_another(ledger):
    walked(ledger, SOURCE, [file("a"), file("b")])
    before = known(ledger, SOURCE)
    walk = ledger.walk(SOURCE)
    assert walk.take([file("new/c")]).vanished == 2
    walk.discard()
    with pytest.raises(ValueError, match="no summary"):
        walk.apply(NOW)
    assert known(ledger, SOURCE) == before
    assert ledger.shifts.last_walk(SOURCE).summary.seen == 2
    assert walked(ledger, SOURCE, [file("a")]).vanished == 1


def test_a_walk_that_fails_midway_has_no_summary_and_leaves_nothing(ledger):
    walked(ledger, SOURCE, [file("a"), file("b")])
    before = known(ledger, SOURCE)

    def breaks_off():
        yield file("a", size=5)
        raise LedgerFailed("the place has gone")

    walk = ledger.walk(SOURCE)
    with pytest.raises(LedgerFailed):
        walk.take(breaks_off())
    with pytest.raises(ValueError, match="no summary"):
        walk.apply(NOW)
    assert known(ledger, SOURCE) == before


def test_a_walk_that_is_not_sorted_or_sees_a_path_twice_is_refused(ledger):
    with pytest.raises(ValueError, match="sorted by path"):
        ledger.walk(SOURCE).take([file("b"), file("a")])
    with pytest.raises(ValueError, match="sorted by path"):
        ledger.walk(SOURCE).take([file("b"), file("b")])


def test_two_places_may_be_walked_before_either_walk_is_applied(ledger):
    source, mirror = ledger.walk(SOURCE), ledger.walk(VAULT)
    source.take([file("a"), file("x/b")])
    mirror.take([file("x/b"), file("x/c")])
    mirror.apply(NOW)
    source.apply(NOW + 1)
    assert list(known(ledger, SOURCE)) == [b"a", b"x/b"]
    assert list(known(ledger, VAULT)) == [b"x/b", b"x/c"]


def test_readings_are_recorded_while_a_walk_goes_on(ledger):
    walked(ledger, SOURCE, [file("a"), file("b")])
    walk = ledger.walk(SOURCE)

    def while_reading():
        record(ledger, SOURCE, read(file("a")), read(file("b")))
        yield file("a")
        yield file("b", size=5)

    walk.take(while_reading())
    walk.apply(NOW)
    held = known(ledger, SOURCE)
    assert held[b"a"].sighting.digest == content(1)
    assert held[b"b"].sighting.digest is None


def test_what_lies_below_a_folder_that_cannot_be_listed_has_not_vanished(ledger):
    tree = [file("a/b/c"), file("a/b-c"), file("a/b.c"), file("z")]
    walked(ledger, SOURCE, tree)
    record(ledger, SOURCE, *map(read, tree))
    summary = walked(ledger, SOURCE, [unlisted("a/b"), file("a/b-c"), file("z")], NOW + 60)
    assert (summary.hidden, summary.vanished, summary.new) == (1, 1, 1)
    held = known(ledger, SOURCE)
    assert held[b"a/b/c"].sighting == read(tree[0])
    assert held[b"a/b"].sighting.trouble.cause == "permission-denied"
    walked(ledger, SOURCE, tree, NOW + 120)
    assert held[b"a/b/c"] == known(ledger, SOURCE)[b"a/b/c"]
    assert b"a/b" not in known(ledger, SOURCE)


def test_a_file_that_could_not_be_looked_at_keeps_its_digest_for_when_it_can(ledger):
    walked(ledger, SOURCE, [file("a")])
    record(ledger, SOURCE, read(file("a")))
    walked(ledger, SOURCE, [unlisted("a", "input-output-error")])
    held = known(ledger, SOURCE)[b"a"].sighting
    assert (held.trouble.cause, held.digest, held.size) == ("input-output-error", content(1), 1000)
    assert walked(ledger, SOURCE, [file("a")]).changed == 0
    assert known(ledger, SOURCE)[b"a"].sighting == read(file("a"))


def agree(ledger: Ledger, mirror: PlaceName, *names: str) -> None:
    agreement = Agreement(content(1), 1000, file("x").mtime_ns, file("x").mtime_ns)
    ledger.agreements.record(mirror, [(name.encode(), agreement) for name in names], NOW)


def test_a_surge_is_counted_over_the_paths_that_have_an_agreement_with_any_mirror(ledger):
    names = [f"{number:02d}" for number in range(10)]
    for place in (SOURCE, VAULT, FARAWAY):
        walked(ledger, place, [file(name) for name in names])
    agree(ledger, VAULT, *names[:5])
    agree(ledger, FARAWAY, *names[3:8])
    changed = [file(name, size=5) for name in names[:4]]
    touched = [file(name, inode=9) for name in names[4:6]]
    walk = ledger.walk(SOURCE)
    summary = walk.take([*changed, *touched, file("09")])
    assert (summary.agreed, summary.agreed_changed, summary.agreed_vanished) == (8, 4, 2)
    assert (summary.changed, summary.vanished) == (6, 3)
    summary = ledger.walk(VAULT).take(file(name) for name in names[4:])
    assert (summary.agreed, summary.agreed_changed, summary.agreed_vanished) == (5, 0, 4)


def test_what_a_certificate_lets_go_is_not_among_the_agreed_paths_that_vanished(ledger):
    for place in (SOURCE, VAULT):
        walked(ledger, place, [file(name) for name in "abcd"])
    agree(ledger, VAULT, "a", "b", "c")
    walk = walks_module.Walk(
        ledger._store, ledger._names, SOURCE, None, released=lambda path: path in b"ad"
    )
    summary = walk.take([file("c")])
    assert (summary.vanished, summary.released) == (3, 2)
    assert (summary.agreed, summary.agreed_vanished) == (2, 1)


def test_an_agreement_outlasts_a_change_and_ends_when_its_path_has_gone_on_both_sides(ledger):
    for place in (SOURCE, VAULT, FARAWAY):
        walked(ledger, place, [file("a"), file("b")])
    agree(ledger, VAULT, "a", "b")
    agree(ledger, FARAWAY, "a")
    before = ledger.agreements.of(VAULT, b"a")
    walked(ledger, SOURCE, [file("a", size=5), file("b")])
    assert ledger.agreements.of(VAULT, b"a") == before
    walked(ledger, SOURCE, [file("b")])
    assert ledger.agreements.of(VAULT, b"a") == before
    walked(ledger, VAULT, [])
    ledger.agreements.end_where_nothing_stands(VAULT)
    assert ledger.agreements.of(VAULT, b"b") == before
    assert ledger.agreements.of(VAULT, b"a") is None
    assert ledger.agreements.of(VAULT, b"b") == before
    assert ledger.agreements.of(FARAWAY, b"a") == before


@pytest.mark.parametrize("first", [SOURCE, VAULT])
def test_an_agreement_outlasts_a_night_in_which_its_path_goes_from_one_side_to_the_other(
    ledger, first
):
    """Until both were walked, what is known of the one that is walked second is of yesterday."""
    second = VAULT if first == SOURCE else SOURCE
    for place in (SOURCE, VAULT):
        walked(ledger, place, [file("a")])
    agree(ledger, VAULT, "a")
    before = ledger.agreements.of(VAULT, b"a")
    walked(ledger, second, [])
    ledger.agreements.end_where_nothing_stands(VAULT)
    walked(ledger, first, [])
    walked(ledger, second, [file("a")])
    ledger.agreements.end_where_nothing_stands(VAULT)
    assert ledger.agreements.of(VAULT, b"a") == before


def test_walks_are_kept_with_their_counts_and_their_shift(ledger):
    shift = ledger.shifts.start(NOW)
    walk = ledger.walk(SOURCE, shift)
    walk.take([file("a", size=7)])
    walk.apply(NOW + 5)
    walked(ledger, SOURCE, [], NOW + 90)
    first, second = ledger.shifts.walks(SOURCE)
    assert (first.at, first.shift, first.summary.new, first.summary.bytes) == (NOW + 5, shift, 1, 7)
    assert (second.at, second.shift, second.summary.vanished) == (NOW + 90, None, 1)
    assert ledger.shifts.last_walk(SOURCE) == second
    assert ledger.shifts.last_walk(VAULT) is None


WALK_MANY = """
import sys
from pathlib import Path
from verifier.errors import LedgerFailed
from verifier.ledger import Ledger, PlaceName
from verifier.model import Kind, Sighting
with Ledger(Path(sys.argv[1])) as ledger:
    walk = ledger.walk(PlaceName("current-surveys", "vault"))
    try:
        walk.take(Sighting(b"%09d" % number, Kind.FILE, 1, 1) for number in range(2_000_000))
    except LedgerFailed as failed:
        print(failed)
"""


@pytest.mark.root
def test_a_full_disk_of_temporary_files_ends_a_walk_with_nothing_recorded(tmp_path, small_disk):
    path = tmp_path / "ledger.db"
    with Ledger(path) as ledger:
        walked(ledger, SOURCE, [file("a")])
    ended = subprocess.run(
        [sys.executable, "-c", WALK_MANY, path],
        env={**os.environ, "SQLITE_TMPDIR": str(small_disk)},
        capture_output=True,
        text=True,
        check=True,
    )
    assert "the one of temporary files, is full" in ended.stdout
    with Ledger(path) as ledger:
        assert known(ledger, VAULT) == {}
        assert list(known(ledger, SOURCE)) == [b"a"]


def test_a_walk_that_saw_nothing_counts_all_that_is_known_and_stages_it_only_to_be_applied(ledger):
    for place in (SOURCE, VAULT):
        walked(ledger, place, [file("a"), file("b/c"), file("d")])
    agree(ledger, VAULT, "b/c")

    def staged() -> int:
        return ledger._store.rows("SELECT count(*) FROM temp.staged")[0][0]

    walk = ledger.walk(SOURCE)
    summary = walk.take([])
    assert (summary.known, summary.seen, summary.vanished) == (3, 0, 3)
    assert (summary.agreed, summary.agreed_vanished, summary.files) == (1, 1, 0)
    assert staged() == 0
    assert walk.apply(NOW + 60) == summary
    assert (list(ledger.sightings(SOURCE)), ledger.work.totals(SOURCE).entries) == ([], 0)
