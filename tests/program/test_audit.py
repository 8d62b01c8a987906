"""``verifier audit``, and the record that ``verifier preflight`` checks, as a person runs them."""

from __future__ import annotations

import os
import sqlite3
import time
from contextlib import closing
from datetime import datetime
from pathlib import Path
from typing import Any

import pytest

from program.estate import SHARE, Estate, working_now
from program.running import refusal, verifier
from program.test_shift import files_of, total_bytes, total_files
from verifier.ledger import Ledger, PlaceName

DAY = 86_400


@pytest.fixture
def estate(tmp_path: Path) -> Estate:
    return Estate(tmp_path)


def audit(estate: Estate, *arguments: str, status: int, **how: Any) -> Any:
    outcome = estate.run("audit", *arguments, "--json", **how)
    assert outcome.status == status, outcome
    assert outcome.err == ""
    assert outcome.out.count(b"\n") == 1
    assert set(outcome.document) == {"schema", "places"}
    assert outcome.document["schema"] == "verifier.audit.v1"
    return outcome.document["places"]


def aged(estate: Estate, days: int, place: int = 2) -> None:
    """Have all readings of a place be older."""
    with closing(sqlite3.connect(estate.ledger)) as database:
        database.execute(
            "UPDATE sightings SET read_at = read_at - ? WHERE place = ?", (days * DAY, place)
        )
        database.commit()


# Fails when a reading that is dated later than now passes for one that was made just now.
def test_readings_of_a_clock_that_was_ahead_are_not_called_young(estate):
    assert estate.shift().status == 0
    aged(estate, -400)
    source, vault = audit(estate, status=1)
    assert (source["on_target"], vault["on_target"]) == (True, None)
    said = " ".join(estate.run("audit").out.decode().split())
    assert "is not known: readings of 1 of 2 places are dated later than now" in said
    assert "Every reading is dated later than now: the oldest " in said
    assert "ago, on" in said, "those of the other place are as old as they are"


def test_after_a_first_shift_every_byte_is_within_the_target(estate):
    before = int(time.time())
    assert estate.shift().status == 0
    places = audit(estate, status=0)
    assert [(each["share"], each["place"]) for each in places] == [
        (SHARE, "source"),
        (SHARE, "vault"),
    ]
    assert sum(each["files"] for each in places) == total_files(estate)
    assert sum(each["bytes"] for each in places) <= total_bytes(estate)
    for each in places:
        assert each["on_target"] is True
        assert (each["round"], each["target_days"], each["hours_per_week"]) == (1, 90, 168)
        assert each["bytes_this_round"] == each["bytes"] > 0
        assert each["bytes_per_second"] > 0
        assert before <= datetime.fromisoformat(each["oldest_read"]).timestamp() <= time.time()
        assert before <= datetime.fromisoformat(each["round_ends"]).timestamp() <= time.time()
    words = estate.run("audit")
    assert words.status == 0
    first = words.out.decode().splitlines()[0]
    assert first == "Every byte was read within the target of 90 days, and that can stay so."


def test_times_are_on_the_studios_clock(estate):
    assert estate.shift().status == 0
    estate.settings(timezone="Asia/Kathmandu")
    for each in audit(estate, status=0, environment={"TZ": "America/New_York"}):
        assert each["oldest_read"].endswith("+05:45")


def test_a_mirror_that_was_not_read_for_too_long_needs_a_person(estate):
    assert estate.shift().status == 0
    aged(estate, 100)
    source, vault = audit(estate, status=1)
    assert (source["on_target"], vault["on_target"]) == (True, False)
    words = estate.run("audit")
    assert words.status == 1
    said = " ".join(words.out.decode().split())
    assert said.startswith("Not every byte is within the target of 90 days: 1 of 2 places is not")
    assert f"{SHARE}, vault: not on target" in said
    assert "under a year" in said


def test_the_next_audit_night_makes_it_right(estate):
    assert estate.shift().status == 0
    aged(estate, 91)
    assert estate.shift().status == 0
    source, vault = audit(estate, status=0)
    assert (source["round"], vault["round"]) == (2, 2)


def test_it_answers_in_working_hours_and_without_its_shares(estate):
    assert estate.shift().status == 0
    estate.settings(hours=working_now())
    for tree in (estate.source, estate.mirror):
        os.rename(tree.root, f"{tree.root}.away")
    assert all(each["on_target"] for each in audit(estate, SHARE, status=0))


def test_it_answers_while_a_shift_works_with_the_ledger(estate):
    assert estate.shift().status == 0
    with Ledger(estate.ledger) as ledger:
        shift = ledger.shifts.start(int(time.time()))
        with ledger.transaction():
            ledger.shifts.spend(shift, PlaceName(SHARE), 1.0, 1)
            audit(estate, status=0)


def test_new_files_wait_for_their_first_reading_and_are_no_alarm(estate):
    assert estate.shift().status == 0
    estate.source.file("new.tif", 5_000)
    with Ledger(estate.ledger) as ledger:
        known = [each.sighting for each in ledger.sightings(PlaceName(SHARE))]
        walk = ledger.walk(PlaceName(SHARE))
        new = type(known[0])(b"zz-new.tif", known[0].kind, 5_000, time.time_ns())
        walk.take([*known, new])
        walk.apply(int(time.time()))
    source, _ = audit(estate, status=0)
    assert source["files"] == files_of(estate.source) - links_in(estate)
    assert source["bytes_this_round"] == source["bytes"] - 5_000
    said = " ".join(estate.run("audit").out.decode().split())
    assert "1 new or changed file waits for a first reading" in said


def links_in(estate: Estate) -> int:
    return sum(
        os.path.islink(os.path.join(folder, name))
        for folder, _, names in os.walk(estate.source.root)
        for name in names
    )


def test_without_a_ledger_it_says_what_to_do_and_makes_none(estate):
    sentence = refusal(3, "--config", estate.file, "audit")
    assert "verifier shift" in sentence
    assert not estate.ledger.exists()


def test_with_a_ledger_in_which_nothing_is_known_it_is_no_all_clear(estate):
    assert estate.run("preflight").status == 0
    assert all(each["on_target"] is None for each in audit(estate, status=3))
    outcome = estate.run("audit")
    assert outcome.status == 3
    assert outcome.out.startswith(b"Nothing is known yet")


def test_a_share_that_there_is_not_is_refused(estate):
    assert estate.shift().status == 0
    sentence = refusal(2, "--config", estate.file, "audit", "currant-surveys")
    assert "did you mean" in sentence


def test_settings_without_a_share_are_sent_to_setup(tmp_path):
    named = tmp_path / "settings.toml"
    named.write_text('[studio]\ntimezone = "UTC"\n')
    outcome = verifier("--config", named, "audit")
    assert outcome.status == 2
    assert "verifier setup" in outcome.err


# ------------------------------------------------------------------------------------- the record


def record_of(estate: Estate, status: int = 0) -> Any:
    outcome = estate.run("preflight", "--json")
    assert outcome.status == status, outcome
    (found,) = [each for each in outcome.document["checks"] if each["check"] == "record"]
    return found


def entries(estate: Estate) -> int:
    with closing(sqlite3.connect(estate.ledger)) as database:
        return database.execute("SELECT count(*) FROM chain").fetchone()[0]


def test_preflight_says_how_long_the_record_is_and_that_it_is_unbroken(estate):
    assert record_of(estate)["detail"] == "The record: no entries yet."
    assert estate.shift().status == 0
    estate.mirror.file("left-over.txt", b"not on the source")
    assert estate.shift().status == 1
    assert estate.run("accept", "1", "--because", "kept on purpose").status == 0
    found = record_of(estate)
    assert found["state"] == "good"
    with Ledger(estate.ledger) as ledger:
        number, link = ledger.chain.head()
    # Two shifts with a start and an end, an event that opens, an acceptance and its event.
    assert number == entries(estate) == 7
    assert found["detail"] == f"The record: 7 entries, unbroken. Its head is {link}."


@pytest.mark.parametrize(
    ("statement", "said"),
    [
        ("UPDATE shifts SET stopped_by = 'done', ended = ended + 1 WHERE id = 1", "shift 1"),
        ("UPDATE findings SET state = 'closed', closed_at = 1, closed_by = 'x'", "Finding 1"),
        ("DELETE FROM finding_events", "Event 1 of the findings was removed"),
        ("DELETE FROM chain WHERE number = 2", "Entry 2 is missing"),
    ],
)
def test_preflight_names_what_somebody_changed_past_it(estate, statement, said):
    estate.shift()
    estate.mirror.file("left-over.txt", b"not on the source")
    estate.shift()
    with closing(sqlite3.connect(estate.ledger)) as database:
        database.execute(statement)
        database.commit()
    found = record_of(estate, status=3)
    assert found["state"] == "wrong"
    assert said in found["detail"]
    assert "certificates" in found["advice"]


def test_a_shift_that_is_killed_leaves_the_record_unbroken(estate):
    estate.shift()
    with Ledger(estate.ledger) as ledger:
        ledger.shifts.start(int(time.time()))
    assert record_of(estate)["state"] == "good"
    estate.shift()
    assert record_of(estate)["state"] == "good"
