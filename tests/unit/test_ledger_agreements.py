"""What was agreed stays known, and the judge is shown what may have changed, and nothing else."""

from __future__ import annotations

import itertools
import sqlite3
from contextlib import closing

import ledgers
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
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

from verifier.ledger import Ledger, Notice, NoticeKind, Override, PlaceName
from verifier.ledger.agreements import EARLIER_KEPT, earlier_digests
from verifier.ledger.migrations import MIGRATIONS
from verifier.ledger.rows import parted
from verifier.model import Agreement, Kind

often = settings(max_examples=150, deadline=None, database=None)


def agreement(number: int, date: int = 1, **more: object) -> Agreement:
    return Agreement(content(number), 10, date, more.pop("mirror", date), **more)


def agree(ledger: Ledger, name: bytes, *numbers: int, mirror: PlaceName = VAULT) -> None:
    for number in numbers:
        ledger.agreements.record(mirror, [(name, agreement(number))], NOW)


# -------------------------------------------------------------------------------------- agreements


def test_an_agreement_comes_back_with_both_dates_and_a_link_with_its_target(ledger):
    of_file = agreement(1, 5, mirror=-(2**63) + 1)
    of_link = Agreement(None, 0, 3, 3, Kind.LINK, b"../\xff")
    ledger.agreements.record(VAULT, [(b"a/file", of_file), (b"link", of_link)], NOW)
    assert ledger.agreements.of(VAULT, b"a/file") == of_file
    assert ledger.agreements.of(VAULT, b"link") == of_link
    assert ledger.agreements.of(VAULT, b"a/none") is None
    assert ledger.agreements.of(VAULT, b"no/where") is None
    assert ledger.agreements.of(FARAWAY, b"a/file") is None
    assert list(ledger.agreements.all(VAULT)) == [(b"a/file", of_file), (b"link", of_link)]


def test_a_digest_that_is_replaced_joins_the_history_of_its_path(ledger):
    agree(ledger, b"a", 1, 2, 3)
    assert ledger.agreements.of(VAULT, b"a").earlier == (content(1), content(2))
    ledger.agreements.record(VAULT, [(b"a", agreement(3, 99))], NOW)
    assert ledger.agreements.of(VAULT, b"a") == agreement(3, 99, earlier=(content(1), content(2)))


@often
@given(st.lists(st.integers(0, 90), min_size=1, max_size=200))
def test_the_history_holds_each_earlier_digest_once_the_latest_last(numbers):

    earlier: bytes | None = None
    agreed: int | None = None
    history: list[int] = []
    for number in numbers:
        if number != agreed:
            replaced = None if agreed is None else content(agreed)
            earlier = earlier_digests(earlier, replaced, content(number))
            history = [each for each in history if each not in (agreed, number)]
            history += [] if agreed is None else [agreed]
            history = history[-EARLIER_KEPT:]
        agreed = number
        assert parted(earlier, 32) == tuple(map(content, history))


def test_a_link_in_the_place_of_a_file_keeps_the_files_history(ledger):
    agree(ledger, b"a", 1)
    ledger.agreements.record(VAULT, [(b"a", Agreement(None, 0, 1, 1, Kind.LINK, b"x"))], NOW)
    agree(ledger, b"a", 2)
    assert ledger.agreements.of(VAULT, b"a").earlier == (content(1),)


# ------------------------------------------------------------------------------------------- pairs

_share = itertools.count()


@pytest.fixture(scope="module")
def shared(large_tmp):
    with Ledger(large_tmp / "ledger.db") as opened:
        yield opened


@often
@given(st.sets(paths()), st.sets(paths()), st.sets(paths()))
def test_pairs_are_every_path_of_either_side_in_order_with_its_agreement(
    shared, on_source, on_mirror, agreed
):
    share = f"share {next(_share)}"
    source, mirror = PlaceName(share), PlaceName(share, "vault")
    walked(shared, source, [file(name, 1) for name in on_source])
    walked(shared, mirror, [file(name, 2) for name in on_mirror], NOW + 1)
    shared.agreements.record(mirror, [(name, agreement(len(name))) for name in agreed], NOW)
    rows = list(shared.agreements.pairs(mirror))
    assert [row.path for row in rows] == sorted(on_source | on_mirror)
    sources, mirrors = known(shared, source), known(shared, mirror)
    for row in rows:
        assert row.source == sources.get(row.path)
        assert row.mirror == mirrors.get(row.path)
        assert row.agreement == (agreement(len(row.path)) if row.path in agreed else None)
    asked = sorted(on_source | on_mirror | agreed)
    by_path = {row.path: row for row in rows}
    for row in shared.agreements.pairs_at(mirror, asked):
        assert row == by_path.get(row.path, row)
    assert [name for name, _ in shared.agreements.all(mirror)] == sorted(agreed)
    assert dict(shared.sightings_at(source, asked)) == {name: sources.get(name) for name in asked}


def touched(ledger: Ledger, since: int = 0, mirror: PlaceName = VAULT) -> list[bytes]:
    return [row.path for row in ledger.agreements.pairs_touched(mirror, since)]


def test_what_is_new_changed_or_vanished_on_either_side_is_touched_and_nothing_else(ledger):
    walked(ledger, SOURCE, [file("a"), file("b"), file("c/d")])
    walked(ledger, VAULT, [file("a"), file("b"), file("e")])
    assert touched(ledger) == [b"a", b"b", b"c/d", b"e"]
    since = ledger.agreements.sequence()
    assert touched(ledger, since) == []
    walked(ledger, SOURCE, [file("a"), file("b", 5), file("f")])
    walked(ledger, VAULT, [file("a"), file("b")])
    assert touched(ledger, since) == [b"b", b"c/d", b"e", b"f"]
    (gone,) = (row for row in ledger.agreements.pairs_touched(VAULT, since) if row.path == b"e")
    assert (gone.source, gone.mirror) == (None, None)
    assert touched(ledger, since, FARAWAY) == [b"b", b"c/d", b"f"]


def test_a_reading_touches_a_path_only_when_it_shows_something_new(ledger):
    walked(ledger, SOURCE, [file("a"), file("b")])
    since = ledger.agreements.sequence()
    record(ledger, SOURCE, read(file("a"), 1))
    assert touched(ledger, since) == [b"a"]
    since = ledger.agreements.sequence()
    record(ledger, SOURCE, read(file("a"), 1, NOW + 60))
    assert touched(ledger, since) == []
    record(ledger, SOURCE, read(file("a"), 2, NOW + 90))
    assert touched(ledger, since) == [b"a"]
    since = ledger.agreements.sequence()
    record(ledger, SOURCE, unlisted("a"))
    assert touched(ledger, since) == [b"a"]
    since = ledger.agreements.sequence()
    walked(ledger, SOURCE, [file("a"), unlisted("b")])
    assert touched(ledger, since) == [b"b"]


def test_what_was_judged_is_forgotten_and_what_must_be_judged_again_is_touched_by_hand(ledger):
    walked(ledger, SOURCE, [file("a"), file("b")])
    other = PlaceName("delivered-surveys")
    walked(ledger, other, [file("x")])
    judged = ledger.agreements.sequence()
    ledger.agreements.touch(SOURCE, [b"b", b"never/seen"])
    ledger.agreements.forget_touched(SOURCE.share, judged, ledger.places(SOURCE.share))
    assert touched(ledger) == [b"b", b"never/seen"]
    assert touched(ledger, 0, PlaceName("delivered-surveys", "vault")) == [b"x"]
    ledger.agreements.forget_touched(
        SOURCE.share, ledger.agreements.sequence(), ledger.places(SOURCE.share)
    )
    ledger.agreements.forget_touched(
        other.share, ledger.agreements.sequence(), ledger.places(other.share)
    )
    since = ledger.agreements.sequence()
    assert since > judged
    walked(ledger, SOURCE, [file("a"), file("b", 5)])
    assert touched(ledger, since) == [b"b"]


# Fails when the row with the last number is forgotten like the others.
@settings(max_examples=60, deadline=None, database=None)
@given(
    st.lists(
        st.tuples(
            st.sampled_from(["touch", "forget", "take back", "open again"]),
            st.sampled_from([SOURCE.share, "delivered-surveys"]),
            st.integers(1, 4),
        ),
        max_size=12,
    )
)
def test_what_is_touched_always_comes_after_what_was_judged_before(tmp_path_factory, steps):
    path = tmp_path_factory.mktemp("touched") / "ledger.db"
    names = itertools.count()
    ledger = Ledger(path)
    waiting: dict[str, set[bytes]] = {SOURCE.share: set(), "delivered-surveys": set()}
    for what, share, count in steps:
        before = ledger.agreements.sequence()
        fresh = [b"file %d" % next(names) for _ in range(count)]
        if what == "touch":
            ledger.agreements.touch(PlaceName(share), fresh)
            assert set(touched(ledger, before, PlaceName(share, "vault"))) == set(fresh)
            waiting[share].update(fresh)
        elif what == "forget":
            ledger.agreements.forget_touched(share, before, ledger.places(share))
            waiting[share].clear()
        elif what == "take back":
            with pytest.raises(KeyboardInterrupt), ledger.transaction():
                ledger.agreements.touch(PlaceName(share), fresh)
                ledger.agreements.forget_touched(
                    share, ledger.agreements.sequence(), ledger.places(share)
                )
                raise KeyboardInterrupt
        else:
            ledger.close()
            ledger = Ledger(path)
        assert ledger.agreements.sequence() >= before
        for each, names_left in waiting.items():
            assert set(touched(ledger, 0, PlaceName(each, "vault"))) == names_left
    ledger.close()


@pytest.mark.parametrize("forgotten", [True, False])
def test_a_ledger_of_the_version_before_goes_on_numbering_what_is_touched(tmp_path, forgotten):
    (number,) = (each.number for each in MIGRATIONS if "touched_before" in str(each))
    path = tmp_path / "ledger.db"
    ledgers.make_of_version(path, number - 1)
    with closing(sqlite3.connect(path)) as older:
        older.execute("INSERT INTO shares (id, name) VALUES (1, ?)", (SOURCE.share,))
        older.execute("INSERT INTO places (id, share, name) VALUES (1, 1, 'source')")
        older.execute("INSERT INTO folders (id, share, path) VALUES (1, 1, x'')")
        for name in (b"a", b"b", b"c"):
            older.execute("INSERT INTO touched (place, folder, name) VALUES (1, 1, ?)", (name,))
        older.execute("DELETE FROM touched WHERE number > ?", (0 if forgotten else 2,))
        older.commit()
    with Ledger(path) as ledger:
        assert ledger.agreements.sequence() == 3
        assert touched(ledger) == ([] if forgotten else [b"a", b"b"])
        ledger.agreements.touch(SOURCE, [b"d"])
        assert touched(ledger, 3) == [b"d"]
        assert ledger.soundness() == ()


def test_paths_touched_while_others_are_judged_wait_for_the_next_time(ledger):
    walked(ledger, SOURCE, [file("a"), file("b")])
    until = ledger.agreements.sequence()
    record(ledger, SOURCE, read(file("b")))
    rows = list(ledger.agreements.pairs_touched(VAULT, 0, until))
    assert [row.path for row in rows] == [b"a", b"b"]
    assert touched(ledger, until) == [b"b"]


# ------------------------------------------------------------------------- all or nothing, notices


def test_what_is_recorded_in_one_transaction_is_recorded_together_or_not_at_all(ledger):
    walked(ledger, SOURCE, [file("a")])
    with pytest.raises(ZeroDivisionError), ledger.transaction():
        agree(ledger, b"new/folder/a", 1)
        walked(ledger, VAULT, [file("b")])
        1 / 0
    assert ledger.agreements.of(VAULT, b"new/folder/a") is None
    assert known(ledger, VAULT) == {}
    with ledger.transaction():
        agree(ledger, b"new/folder/a", 1)
        walked(ledger, VAULT, [file("b")])
        with Ledger(ledger.path) as other:
            assert other.agreements.of(VAULT, b"new/folder/a") is None
    assert ledger.agreements.of(VAULT, b"new/folder/a") == agreement(1)
    assert ledger.soundness() == ()


def test_overrides_and_notices_are_kept_in_order(ledger):
    overrides = [
        Override(NOW + number, "rana", "audit --now", f"drill {number}") for number in range(3)
    ]
    for override in overrides:
        ledger.shifts.add_override(override)
    notices = [
        Notice(SOURCE, NOW, NoticeKind.UNMOUNTED, "empty, though 900 files are known"),
        Notice(VAULT, NOW + 1, NoticeKind.SURGE, "400 of 900 files changed"),
    ]
    for notice in notices:
        ledger.shifts.add_notice(notice)
    assert list(ledger.shifts.overrides()) == overrides
    assert list(ledger.shifts.notices()) == notices


def test_places_are_listed_by_share_the_source_first(ledger):
    for place in (VAULT, FARAWAY, SOURCE, PlaceName("archive", "a")):
        ledger.work.totals(place)
    assert ledger.places() == [PlaceName("archive", "a"), SOURCE, FARAWAY, VAULT]
    assert ledger.places("archive") == [PlaceName("archive", "a")]
