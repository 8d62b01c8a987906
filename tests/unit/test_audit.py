"""How far every byte has been read again, what is said of it, and when it is called late."""

from __future__ import annotations

import sqlite3
from contextlib import closing
from datetime import datetime, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

import msgspec
import pytest
from hypothesis import given
from hypothesis import settings as examples
from hypothesis import strategies as st
from ledgers import set_back
from test_ledger import NOW, file, read, record, walked

from verifier import settings
from verifier.errors import RequestRefused
from verifier.forecast import open_seconds
from verifier.jobs.audit import AGES, ENOUGH, Audit, PlaceAudit, audit, pace_of
from verifier.ledger import Ledger, PlaceName, statements
from verifier.ledger.shifts import Spent
from verifier.model import Finding, Kind, Side, Sighting, Trouble, Verdict
from verifier.reporting import audit as report
from verifier.settings import Settings

DAY = 86_400
SOURCE = PlaceName("current-surveys")
VAULT = PlaceName("current-surveys", "vault")
LISBON = ZoneInfo("Europe/Lisbon")
GB = 10**9

TOML = """
[studio]
timezone = "Europe/Lisbon"
ledger = "ledger.db"
[hours]
working = ["Mon-Fri 08:30-19:00", "Sat 10:00-14:00"]
[audit]
nights = ["Sat", "Sun"]
every_byte_within = "90 days"
[[share]]
name = "current-surveys"
source = "/nowhere/bench"
[[share.mirror]]
name = "vault"
at = "/nowhere/vault"
[[share]]
name = "delivered-surveys"
source = "/nowhere/bench-delivered"
[[share.mirror]]
name = "vault"
at = "/nowhere/vault-delivered"
"""


@pytest.fixture
def found(tmp_path: Path) -> Settings:
    named = tmp_path / "lantern-marsh.toml"
    named.write_text(TOML)
    return settings.load(named)


def shift(
    ledger: Ledger, seconds: float | None, *sizes: int, at: int = NOW, place: PlaceName = SOURCE
) -> None:
    """A shift that read new files of these sizes at one place."""
    number = ledger.readings.shift = ledger.shifts.start(at - 3600)
    known = [each.sighting for each in ledger.sightings(place)]
    tree = [file(f"{at}-{count}", size) for count, size in enumerate(sizes)]
    walked(ledger, place, [*known, *tree], at - 3600)
    record(ledger, place, *(read(each, 1, at) for each in tree))
    ledger.readings.shift = None
    if seconds is not None:
        ledger.shifts.spend(number, place, seconds, sum(sizes))
    ledger.shifts.end(number, at, "done")


def of(result: Audit, place: PlaceName = SOURCE) -> PlaceAudit:
    (one,) = [each for each in result.places if each.place == place]
    return one


def looked(found: Settings, ledger: Ledger, now: float = NOW) -> PlaceAudit:
    return of(audit(found, ledger, None, now))


# ---------------------------------------------------------------------------------------- the pace


def spent(size: int, seconds: float | None, length: int | None = 36_000) -> Spent:
    return Spent(0, length, size, seconds)


def test_a_shift_that_was_idle_because_nothing_was_left_makes_no_pace_look_slow():
    long, short = spent(360 * GB, 3600.0), spent(GB, 10.0, length=13 * 3600)
    assert pace_of([short, long]).bytes_per_second == pytest.approx(1e8)


def test_a_pace_is_taken_from_the_newest_day_of_reading():
    new = [spent(50 * GB, ENOUGH / 2)] * 2
    assert pace_of([*new, spent(10_000 * GB, 10.0)]).bytes_per_second == 100 * GB / ENOUGH


def test_where_no_time_of_reading_is_recorded_the_fastest_of_the_shifts_tells():
    pace = pace_of([spent(GB, None, length=1000), spent(GB, None, length=50_000)])
    assert (pace.bytes_per_second, pace.seconds) == (1e6, None)


def test_shifts_that_were_cut_off_or_read_nothing_tell_no_pace():
    assert pace_of([]) is None
    assert pace_of([spent(GB, None, length=None), spent(GB, 5.0, length=None)]) is None


@examples(max_examples=200, deadline=None, database=None)
@given(st.lists(st.tuples(st.integers(1, 10**12), st.floats(0.1, 10**5)), min_size=1, max_size=9))
def test_a_pace_lies_between_that_of_the_slowest_and_the_fastest_shift(shifts):
    rates = [size / seconds for size, seconds in shifts]
    pace = pace_of([spent(*each) for each in shifts])
    assert min(rates) * 0.999 <= pace.bytes_per_second <= max(rates) * 1.001


def test_the_ledger_adds_up_what_a_shift_spent_at_each_place_until_it_ends(ledger):
    number = ledger.readings.shift = ledger.shifts.start(NOW)
    walked(ledger, SOURCE, [file("a", 70)])
    ledger.shifts.spend(number, SOURCE, 1.5, 60)
    record(ledger, SOURCE, read(file("a", 70)))
    ledger.shifts.spend(number, SOURCE, 2.0, 30)
    ledger.shifts.spend(number, VAULT, 9.0, 0)
    ledger.readings.shift = None
    ledger.shifts.end(number, NOW + 60, "done")
    ledger.shifts.spend(number, SOURCE, 100.0, 7)
    assert ledger.shifts.spent(SOURCE, 9) == [Spent(NOW, NOW + 60, 90, 3.5)]
    assert ledger.shifts.spent(VAULT, 9) == []
    assert ledger.chain.verify() == ()


def test_of_a_shift_too_short_to_tell_what_was_read_of_whole_files_counts(ledger):
    number = ledger.readings.shift = ledger.shifts.start(NOW)
    walked(ledger, SOURCE, [file("a", 70)])
    record(ledger, SOURCE, read(file("a", 70)))
    ledger.readings.shift = None
    ledger.shifts.spend(number, SOURCE, 0.0, 0)
    ledger.shifts.end(number, NOW + 7, "done")
    found = ledger.shifts.spent(SOURCE, 9)
    assert found == [Spent(NOW, NOW + 7, 70, 0.0)]
    assert pace_of(found).bytes_per_second == 10.0


def test_of_a_shift_that_knew_no_more_what_was_read_of_whole_files_counts(tmp_path):
    with Ledger(tmp_path / "ledger.db") as ledger:
        shift(ledger, 5.0, 70, 30)
    set_back(tmp_path / "ledger.db", 15)
    with Ledger(tmp_path / "ledger.db") as ledger:
        assert [(each.bytes, each.seconds) for each in ledger.shifts.spent(SOURCE, 9)] == [
            (100, 5.0)
        ]


# ------------------------------------------------------------------------------- what is known


def test_nothing_is_known_before_a_first_walk_and_nothing_is_written_by_asking(found, ledger):
    result = audit(found, ledger, None, NOW)
    assert result.exit_status == 3
    assert [each.on_target for each in result.places] == [None] * 4
    assert ledger.places() == []
    assert report.headline(result).startswith("Nothing is known yet")
    for each in msgspec.json.decode(report.document(result, LISBON))["places"]:
        assert each.pop("hours_per_week") > 0
        assert each.pop("target_days") == 90
        assert {each.pop("share"), each.pop("place")} and set(each.values()) == {None}


def test_only_the_places_of_the_share_that_is_asked_for(found, ledger):
    asked = audit(found, ledger, "delivered-surveys", NOW).places
    assert [str(each.place) for each in asked] == [
        "delivered-surveys, source",
        "delivered-surveys, vault",
    ]
    with pytest.raises(RequestRefused, match="no share"):
        audit(found, ledger, "currant-surveys", NOW)


def test_a_place_that_was_walked_and_not_read_is_neither_on_target_nor_off_it(found, ledger):
    walked(ledger, SOURCE, [file("a")])
    one = looked(found, ledger)
    assert (one.on_target, one.pace, one.oldest_read) == (None, None, None)
    result = audit(found, ledger, "current-surveys", NOW)
    assert result.exit_status == 1
    assert "is not known yet: 2 of 2 places" in report.headline(result)


def test_a_place_that_was_read_is_on_target_and_all_places_must_be(found, ledger):
    for place in (SOURCE, VAULT):
        shift(ledger, 10.0, GB, place=place)
    assert looked(found, ledger).on_target is True
    assert audit(found, ledger, "current-surveys", NOW).exit_status == 0
    assert audit(found, ledger, None, NOW).exit_status == 1


# -------------------------------------------------------------------------------- round and ages


def aged(ledger: Ledger, *days: int | None, size: int = 100) -> None:
    """A file for each age of its last reading, in days; None is unread."""
    tree = [file(f"{number:03}", size) for number in range(len(days))]
    walked(ledger, SOURCE, tree, NOW - 400 * DAY)
    for each, age in zip(tree, days, strict=True):
        if age is not None:
            record(ledger, SOURCE, read(each, 1, NOW - age * DAY))


def test_ages_are_counted_by_whole_groups_and_what_was_never_read_apart(found, ledger):
    aged(ledger, 0, 6, 7, 8, 29, 89, 90, 91, 364, 365, 366, 1000, None)
    one = looked(found, ledger)
    # What was read seven days ago to the second still counts as under a week.
    assert [(each.files, each.bytes) for each in one.ages] == [
        (3, 300),
        (2, 200),
        (2, 200),
        (3, 300),
        (2, 200),
    ]
    assert [each.under for each in one.ages] == [*AGES, None]
    assert (one.unread_files, one.unread_bytes) == (1, 100)
    lines = list(report.text(audit(found, ledger, "current-surveys", NOW), LISBON))
    assert any(line.split()[:3] == ["never,", "as", "it"] for line in lines)


@examples(max_examples=60, deadline=None, database=None)
@given(
    st.lists(st.one_of(st.none(), st.integers(-2, 500)), max_size=12),
    st.integers(0, 450),
)
def test_every_file_is_counted_once_and_those_of_the_round_are_those_read_since(
    tmp_path_factory, days, begun
):
    folder = tmp_path_factory.mktemp("audit")
    (folder / "s.toml").write_text(TOML)
    started = NOW - begun * DAY
    with Ledger(folder / "ledger.db") as ledger:
        ledger.rounds.start_next(SOURCE, started)
        aged(ledger, *days)
        one = looked(settings.load(folder / "s.toml"), ledger)
    readings = [NOW - age * DAY for age in days if age is not None]
    assert sum(each.files for each in one.ages) + one.unread_files == len(days)
    assert one.files_this_round == sum(at >= started for at in readings)
    assert one.bytes_this_round == 100 * one.files_this_round
    assert one.oldest_read == min(readings, default=None)


def test_the_round_ends_when_the_open_hours_of_audit_nights_are_enough(found, ledger):
    shift(ledger, 1000.0, *[100 * GB] * 4, at=NOW - 10 * DAY)  # 400 MB/s
    ledger.rounds.start_next(SOURCE, NOW - DAY)
    one = looked(found, ledger)
    assert (one.round.number, one.bytes_this_round) == (1, 0)
    hours, nights = found.hours, found.audit.nights
    took = open_seconds(hours, NOW, one.round_ends - NOW, nights)
    assert took == pytest.approx(1000.0)
    assert hours.local(one.round_ends - 1).weekday() in (5, 6, 0)


def test_what_was_never_read_is_read_first_in_any_night(found, ledger):
    ledger.rounds.start_next(SOURCE, NOW - 20 * DAY)
    shift(ledger, 1000.0, *[100 * GB] * 4, at=NOW - 10 * DAY)
    known = [each.sighting for each in ledger.sightings(SOURCE)]
    walked(ledger, SOURCE, [*known, file("new", 400 * GB)], NOW - DAY)
    one = looked(found, ledger)
    assert one.bytes_this_round == 400 * GB
    assert open_seconds(found.hours, NOW, one.round_ends - NOW) == pytest.approx(1000.0)


def test_a_round_that_has_ended_says_when(found, ledger):
    ledger.rounds.start_next(SOURCE, NOW - 5 * DAY)
    shift(ledger, 10.0, GB, at=NOW - 3 * DAY)
    lines = " ".join(report.text(audit(found, ledger, None, NOW), LISBON))
    assert "Nothing is left of the round; the next shift closes it." in lines
    ledger.rounds.end_if_complete(SOURCE, NOW - 3 * DAY)
    assert looked(found, ledger).round_ends == NOW - 3 * DAY
    assert "The round ended on" in " ".join(report.text(audit(found, ledger, None, NOW), LISBON))


# ------------------------------------------------------------------------------------- the target


@pytest.mark.parametrize(("days", "on"), [(89, True), (90, True), (91, False)])
def test_a_byte_that_was_not_read_for_longer_than_the_target_puts_its_place_off_it(
    found, ledger, days, on
):
    shift(ledger, 10.0, GB, at=NOW - days * DAY)
    assert looked(found, ledger).on_target is on
    if not on:
        result = audit(found, ledger, "current-surveys", NOW)
        assert result.exit_status == 1
        words = " ".join(report.text(result, LISBON))
        assert "Some of it was not read for more than 90 days." in words
        assert "enough to catch up" in words


@pytest.mark.parametrize(("days", "on"), [(5, True), (91, False)])
def test_a_file_that_waits_for_its_first_reading_is_late_once_it_waited_that_long(
    found, ledger, days, on
):
    walked(ledger, SOURCE, [file("waits", 100)], NOW - days * DAY)
    shift(ledger, 10.0, GB)
    assert looked(found, ledger).on_target is on


def test_a_file_that_was_changed_lately_is_not_late_though_it_stands_there_for_long(found, ledger):
    walked(ledger, SOURCE, [file("edited", 100)], NOW - 300 * DAY)
    walked(ledger, SOURCE, [file("edited", 101)], NOW - 2 * DAY)
    shift(ledger, 10.0, GB)
    assert looked(found, ledger).on_target is True


def test_what_cannot_be_read_in_time_is_said_on_the_first_day_with_what_would_help(found, ledger):
    shift(ledger, 1000.0, 10 * GB)  # 10 MB/s
    known = [each.sighting for each in ledger.sightings(SOURCE)]
    walked(ledger, SOURCE, [*known, file("archive", 30_000 * GB)], NOW)
    one = looked(found, ledger)
    assert (one.on_target, one.late) == (False, False)
    assert not one.target.met
    result = audit(found, ledger, "current-surveys", NOW)
    words = " ".join(line.strip() for line in report.text(result, LISBON))
    faster = one.target.size / one.target.available
    assert f"read at {faster / 1e6:.1f} MB/s in place of 10.0 MB/s" in words
    assert f"open {one.target.hours_a_week_missing:.0f} h a week more" in words
    assert words.startswith("Not every byte is within the target of 90 days: 1 of 2 places is not")
    missing = one.target.hours_a_week_missing
    assert one.hours_a_week + missing == pytest.approx(one.target.hours_a_week_needed)


@pytest.mark.parametrize(
    ("side", "off"),
    [(Side.SOURCE, {SOURCE}), (Side.MIRROR, {VAULT}), (Side.BOTH, {SOURCE, VAULT})],
)
def test_a_file_that_cannot_be_read_is_never_within_the_target(found, ledger, side, off):
    for place in (SOURCE, VAULT):
        shift(ledger, 10.0, GB, place=place)
    each = Finding(b"a", Verdict.UNREADABLE, "input-output-error", side, 1, "It says so.", "Look.")
    number = ledger.findings.seen(VAULT, each, NOW).id
    result = audit(found, ledger, "current-surveys", NOW)
    assert {one.place for one in result.places if one.on_target is False} == off
    assert "could not be read" in " ".join(report.text(result, LISBON))
    ledger.findings.accept(number, "rana", NOW, "that disk is known to be gone")
    accepted = audit(found, ledger, "current-surveys", NOW)
    assert {one.place for one in accepted.places if one.on_target is False} == off


# -------------------------------------------------------------------------------- what is printed


def test_the_document_is_the_contracts(found, ledger):
    ledger.rounds.start_next(SOURCE, NOW - 5 * DAY)
    shift(ledger, 10.0, GB, 3 * GB, at=NOW - 3 * DAY)
    ledger.rounds.end_if_complete(SOURCE, NOW - 3 * DAY)
    one = msgspec.json.decode(report.document(audit(found, ledger, None, NOW), LISBON))
    assert one["schema"] == "verifier.audit.v1"
    at = datetime.fromtimestamp(NOW - 3 * DAY, LISBON).isoformat(timespec="seconds")
    assert one["places"][0] == {
        "share": "current-surveys",
        "place": "source",
        "round": 1,
        "files": 2,
        "bytes": 4 * GB,
        "bytes_this_round": 4 * GB,
        "oldest_read": at,
        "bytes_per_second": 400_000_000,
        "hours_per_week": pytest.approx(looked(found, ledger).hours_a_week, abs=0.01),
        "round_ends": at,
        "target_days": 90,
        "on_target": True,
    }


def test_the_first_sentence_tells_of_what_waits_and_of_places_without_a_file(found, ledger):
    walked(ledger, SOURCE, [])
    walked(ledger, VAULT, [])
    empty = audit(found, ledger, "current-surveys", NOW)
    assert report.headline(empty).startswith("There is not one file to read")
    for place in (SOURCE, VAULT):
        shift(ledger, 10.0, GB, place=place)
    whole = audit(found, ledger, "current-surveys", NOW)
    said = "Every byte was read within the target of 90 days, and that can stay so."
    assert report.headline(whole) == said
    known = [each.sighting for each in ledger.sightings(VAULT)]
    walked(ledger, VAULT, [*known, file("new")], NOW)
    waits = audit(found, ledger, "current-surveys", NOW)
    assert "1 new or changed file waits for a first reading" in report.headline(waits)


def test_only_what_is_whole_is_called_all(found, ledger):
    ledger.rounds.start_next(SOURCE, NOW - 30 * DAY)
    aged(ledger, 1, 200, size=1)
    shift(ledger, 10.0, 10 * GB, at=NOW - DAY)
    words = " ".join(report.text(audit(found, ledger, None, NOW), LISBON))
    assert "99.9 % of the" in words and "all of the" not in words


def test_readings_are_counted_in_the_index_alone_since_a_look_at_each_file_takes_too_long(
    ledger, tmp_path
):
    with closing(sqlite3.connect(tmp_path / "ledger.db")) as database:
        for statement, values in (
            (statements.READ_BETWEEN, (1, 0, NOW)),
            (statements.OLDEST_READ, (1,)),
        ):
            plan = database.execute(f"EXPLAIN QUERY PLAN {statement}", values).fetchall()
            assert [row[3].split(" (")[0] for row in plan] == [
                "SEARCH sightings USING COVERING INDEX read_sightings"
            ]


def test_a_target_shorter_than_a_day_is_a_part_of_one(found, ledger):
    hasty = msgspec.structs.replace(
        found, audit=msgspec.structs.replace(found.audit, every_byte_within=timedelta(hours=12))
    )
    (one, *_) = msgspec.json.decode(report.document(audit(hasty, ledger, None, NOW), LISBON))[
        "places"
    ]
    assert one["target_days"] == 0.5


# Fails where `_of` in jobs/audit.py counts what is hidden as to be read.
def test_what_lies_below_a_folder_that_cannot_be_listed_keeps_no_round_from_ending(found, ledger):
    shift(ledger, 1000.0, 360 * GB, at=NOW - 9 * DAY)
    tree = [file("orthos/a.tif", 3600 * GB), file("orthos/b.tif", 3600 * GB), file("notes/c.txt")]
    walked(ledger, SOURCE, tree, NOW - 8 * DAY)
    record(ledger, SOURCE, read(tree[0], 1, NOW - 8 * DAY))
    ledger.rounds.start_next(SOURCE, NOW - DAY)
    shut = Sighting(b"orthos", Kind.OTHER, 0, 0, trouble=Trouble("permission-denied", "No."))
    walked(ledger, SOURCE, [tree[2], shut])
    walked(ledger, VAULT, [])
    late = looked(found, ledger).round_ends
    finding = Finding(b"orthos", Verdict.UNREADABLE, "permission-denied", Side.SOURCE, 0, "", "")
    ledger.findings.seen(VAULT, finding, NOW)
    soon = looked(found, ledger).round_ends
    assert soon is not None and late is not None and late - soon > 3600
