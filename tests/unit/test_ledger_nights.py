"""How things stood when each shift had ended: counted as the judge would, and kept."""

from __future__ import annotations

import sqlite3
from collections import Counter
from contextlib import closing

from hypothesis import given
from hypothesis import strategies as st
from ledgers import make_of_version
from studios import first_sight
from test_ledger import NOW, SOURCE, VAULT, content, file, often, paths, read, record, walked

from verifier.ledger import Ledger, PlaceName
from verifier.ledger.nights import Stood, Tally
from verifier.model import Agreement, Finding, Kind, Side, Sighting, Verdict


def seen(ledger: Ledger, place: PlaceName, contents: dict[bytes, tuple[int, int | None]]) -> None:
    """Files of these sizes, read as these contents; None is not read yet."""
    tree = [file(path, size) for path, (size, _) in contents.items()]
    walked(ledger, place, tree)
    record(
        ledger,
        place,
        *(read(each, number) for each in tree if (number := contents[each.path][1]) is not None),
    )


def counted(ledger: Ledger) -> dict[str, tuple[int, int]]:
    tallies = ledger.nights.tallies(VAULT).items()
    return {str(verdict): (each.paths, each.accepted) for verdict, each in tallies if each.paths}


def test_each_path_on_the_source_is_counted_once_by_how_it_stands(ledger):
    seen(
        ledger,
        SOURCE,
        {
            b"same.tif": (9, 1),
            b"flights/unread.jpg": (9, None),
            b"flights/edited.jpg": (9, 2),
            b"flights/longer.jpg": (10, None),
            b"flights/new.jpg": (9, 3),
            b"flights/lost.jpg": (9, 4),
            b"flights/rotten.jpg": (9, 5),
        },
    )
    seen(
        ledger,
        VAULT,
        {
            b"same.tif": (9, 1),
            b"flights/unread.jpg": (9, 1),
            b"flights/edited.jpg": (9, 1),
            b"flights/longer.jpg": (9, 1),
            b"flights/rotten.jpg": (9, 6),
            b"flights/left over.jpg": (9, 6),
        },
    )
    found(ledger, Verdict.MISSING, b"flights/lost.jpg")
    found(ledger, Verdict.ORPHANED, b"flights/left over.jpg")
    rotten = found(ledger, Verdict.CORRUPT, b"flights/rotten.jpg")
    ledger.findings.accept(rotten, "rana", NOW, "it is scrapped")
    assert counted(ledger) == {
        "matched": (1, 0),
        "pending": (3, 0),
        "unread": (1, 0),
        "missing": (1, 0),
        "orphaned": (1, 0),
        "corrupt": (1, 1),
    }


def found(ledger: Ledger, verdict: Verdict, path: bytes) -> int:
    finding = Finding(path, verdict, None, Side.MIRROR, 9, "", "")
    return ledger.findings.seen(VAULT, finding, NOW).id


def test_a_file_under_its_other_unicode_form_on_the_mirror_is_matched(ledger):
    seen(ledger, SOURCE, {"flights/caf\u00e9.jpg".encode(): (9, 1)})
    seen(ledger, VAULT, {"flights/cafe\u0301.jpg".encode(): (9, 1)})
    agreement = Agreement(content(1), 9, 1, 1)
    ledger.agreements.record(VAULT, [("flights/caf\u00e9.jpg".encode(), agreement)], NOW)
    assert counted(ledger) == {"matched": (1, 0)}


def test_links_are_counted_by_where_they_point(ledger):
    for place, target in ((SOURCE, b"a"), (VAULT, b"b")):
        same = Sighting(b"same", Kind.LINK, 0, 1, target=b"here")
        walked(ledger, place, [same, Sighting(b"other", Kind.LINK, 0, 1, target=target)])
    assert counted(ledger) == {"matched": (1, 0), "pending": (1, 0)}


@often
@given(
    st.dictionaries(
        paths(),
        st.tuples(
            st.sampled_from([1, 2, None]), st.sampled_from([1, 2, None, "absent"]), st.booleans()
        ),
        max_size=10,
    )
)
def test_nothing_is_counted_twice_or_left_out(tmp_path_factory, tree):
    tree = {
        path: each
        for path, each in tree.items()
        if not any(other != path and other.startswith(path + b"/") for other in tree)
    }
    with Ledger(tmp_path_factory.mktemp("nights") / "ledger.db") as ledger:
        seen(ledger, SOURCE, {path: (9, here) for path, (here, _, _) in tree.items()})
        there = {path: there for path, (_, there, _) in tree.items() if there != "absent"}
        seen(ledger, VAULT, {path: (9, each) for path, each in there.items()})
        expected: Counter[str] = Counter()
        for path, (here, there, said) in tree.items():
            if said:
                found(ledger, Verdict.STALE, path)
                expected["stale"] += 1
            elif there == "absent":
                expected["pending"] += 1
            elif here is None or there is None:
                expected["unread"] += 1
            else:
                expected["matched" if here == there else "pending"] += 1
        assert {name: paths for name, (paths, _) in counted(ledger).items()} == dict(expected)


def test_a_night_comes_back_as_it_was_recorded(ledger):
    seen(ledger, SOURCE, {b"a": (9, 1), b"b": (11, None)})
    number = ledger.shifts.start(NOW)
    tallies = {VAULT: {Verdict.MATCHED: Tally(1), Verdict.CORRUPT: Tally(3, 2)}}
    ledger.nights.record(number, NOW + 60, {SOURCE: 12345, VAULT: None}, tallies)
    assert ledger.nights.stood(number) == [
        Stood(number, SOURCE, NOW + 60, 2, 20, 1, 11, 12345),
        Stood(number, VAULT, NOW + 60, 0, 0, 0, 0, None),
    ]
    kept = {each.verdict: each.tally for each in ledger.nights.verdicts(number)}
    assert kept == tallies[VAULT]
    assert ledger.nights.stood(number + 1) == []


def test_the_last_walk_of_each_day_tells_what_a_place_held(ledger):
    day = NOW // 86_400 * 86_400
    for at, files in ((day, 1), (day + 3600, 2), (day + 90_000, 3)):
        walked(ledger, SOURCE, [file(f"{each}", 10) for each in range(files)], at)
    assert [(each.at, each.files, each.bytes) for each in ledger.nights.held(SOURCE, 0)] == [
        (day + 3600, 2, 20),
        (day + 90_000, 3, 30),
    ]
    assert len(ledger.nights.held(SOURCE, day + 4000)) == 1


def test_a_ledger_of_version_5_keeps_what_it_holds_and_has_no_nights_yet(tmp_path):
    path = tmp_path / "ledger.db"
    make_of_version(path, 5)
    with closing(sqlite3.connect(path)) as database:
        database.execute("INSERT INTO shares VALUES (1, 'current-surveys')")
        database.execute("INSERT INTO places (id, share, name) VALUES (1, 1, 'source')")
        database.execute("INSERT INTO shifts VALUES (1, 100, 200, 'done')")
        database.execute("INSERT INTO shift_readings VALUES (1, 1, 3, 3000, 0, 1.5)")
        database.commit()
    with Ledger(path) as ledger:
        (reading,) = ledger.nights.readings(1)
        assert (reading.place, reading.bytes, reading.seconds) == (SOURCE, 3000, 1.5)
        assert (ledger.nights.stood(0), ledger.nights.verdicts(0)) == ([], [])
        ledger.nights.record(1, 200, {SOURCE: 7}, {})
        assert len(ledger.nights.stood(0)) == 1
        assert ledger.soundness() == ()


# Fails when rows that are written together lose one, or when what was all agreed once stays so.
def test_what_was_all_agreed_on_just_now_is_counted_so_until_anything_changes(ledger):
    tree = [file(b"flights/%04d.jpg" % number) for number in range(3 * 32 + 5)]
    contents = [read(each, number) for number, each in enumerate(tree)]
    for place in (SOURCE, VAULT):
        look = ledger.first_look(place)
        look.add(first_sight(contents))
        look.end(NOW)
        assert [each.sighting for each in ledger.sightings(place)] == contents
    ledger.agreements.settle_unjudged(SOURCE.share, [VAULT], NOW)
    assert ledger.agreements.all_agreed(VAULT) == len(tree)
    assert counted(ledger) == {"matched": (len(tree), 0)}
    record(ledger, VAULT, read(tree[7], 1000))
    assert ledger.agreements.all_agreed(VAULT) is None
    assert counted(ledger) == {"matched": (len(tree) - 1, 0), "pending": (1, 0)}


def test_what_was_agreed_on_but_for_one_path_is_counted(ledger):
    tree = [file(b"flights/%04d.jpg" % number) for number in range(40)]
    contents = [read(each, number) for number, each in enumerate(tree)]
    for place, held in ((SOURCE, contents), (VAULT, contents[1:])):
        look = ledger.first_look(place)
        look.add(first_sight(held))
        look.end(NOW)
    ledger.agreements.settle_unjudged(SOURCE.share, [VAULT], NOW)
    assert ledger.agreements.all_agreed(VAULT) is None
    assert counted(ledger) == {"matched": (39, 0), "pending": (1, 0)}
