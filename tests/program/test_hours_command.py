"""``verifier hours`` and ``--config``, as a person or a script runs them, in any time zone."""

from __future__ import annotations

import json
import re
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest

from program.running import Outcome, refusal, verifier

DOCS = (Path(__file__).parents[2] / "docs" / "settings.md").read_text("utf-8")
(EXAMPLE,) = re.findall(r"```toml\n(.*?)```", DOCS, re.DOTALL)
MINIMAL = '[studio]\ntimezone = "America/New_York"\n'

ZONES_OF_THE_MACHINE = ["UTC", "Australia/Lord_Howe", "America/Los_Angeles", "XYZ-13:45"]


@pytest.fixture
def lantern_marsh(tmp_path: Path) -> Path:
    return written(tmp_path, EXAMPLE)


def written(folder: Path, text: str) -> Path:
    file = folder / "lantern-marsh.toml"
    file.write_text(text, "utf-8")
    return file


def hours(config: Path, *arguments: str, zone: str = "UTC") -> Outcome:
    outcome = verifier("--config", config, "hours", *arguments, environment={"TZ": zone})
    assert outcome.status == 0, outcome.err
    assert outcome.err == ""
    return outcome


def document(config: Path, *arguments: str, zone: str = "UTC") -> Any:
    outcome = hours(config, "--json", *arguments, zone=zone)
    assert outcome.out.count(b"\n") == 1
    assert outcome.out.endswith(b"\n")
    return outcome.document


@pytest.mark.parametrize("zone", ZONES_OF_THE_MACHINE)
@pytest.mark.parametrize(
    "start",
    ["2026-12-22 12:00", "2026-12-22T12:00", "2026-12-22T12:00:00Z", "2026-12-22T17:45:00+05:45"],
)
def test_the_document_is_the_contracts(lantern_marsh: Path, zone: str, start: str) -> None:
    assert document(lantern_marsh, "--from", start, "--days", "3", zone=zone) == {
        "schema": "verifier.hours.v1",
        "timezone": "Europe/Lisbon",
        "open_now": False,
        "next_change": "2026-12-22T19:00:00+00:00",
        "open": [
            {"from": "2026-12-22T19:00:00+00:00", "to": "2026-12-23T08:20:00+00:00"},
            {"from": "2026-12-23T19:00:00+00:00", "to": "2026-12-25T12:00:00+00:00"},
        ],
    }


@pytest.mark.parametrize("zone", ZONES_OF_THE_MACHINE)
def test_people_are_told_the_same(lantern_marsh: Path, zone: str) -> None:
    told = hours(lantern_marsh, "--from", "2026-12-22 12:00", "--days", "3", zone=zone)
    (shown,) = re.findall(r"\$ verifier hours .*\n((?:.*\n)*?)```", DOCS)
    assert told.out.decode() == shown


def test_times_carry_the_offset_of_their_day(lantern_marsh: Path) -> None:
    found = document(lantern_marsh, "--from", "2026-10-24 12:00", "--days", "2")
    assert found["open"] == [
        {"from": "2026-10-24T14:00:00+01:00", "to": "2026-10-26T08:20:00+00:00"}
    ]
    told = hours(lantern_marsh, "--from", "2026-10-24 12:00", "--days", "2").out.decode()
    assert "(43 h 20 min, clocks change)" in told


def test_seven_days_from_now_are_the_default(lantern_marsh: Path) -> None:
    before = datetime.now(UTC).replace(microsecond=0)
    found = document(lantern_marsh)
    after = datetime.now(UTC)
    times = [datetime.fromisoformat(each[end]) for each in found["open"] for end in ("from", "to")]
    assert times == sorted(times)
    assert times[0] >= before
    assert 6.9 < (times[-1] - after).total_seconds() / 86_400 < 7.1 or not found["open_now"]
    if found["open_now"]:
        assert before <= times[0] <= after
        assert datetime.fromisoformat(found["next_change"]) >= times[1]
    else:
        assert datetime.fromisoformat(found["next_change"]) == times[0]


def test_people_are_told_of_now(lantern_marsh: Path) -> None:
    told = hours(lantern_marsh).out.decode()
    assert re.match(r"Now it is (open|closed): .* It (closes|opens) on ", told)
    assert "Open in the next 7 days: " in told


def test_without_working_hours_it_never_changes(tmp_path: Path) -> None:
    config = written(tmp_path, MINIMAL)
    assert document(config, "--from", "2026-03-07 12:00", "--days", "1") == {
        "schema": "verifier.hours.v1",
        "timezone": "America/New_York",
        "open_now": True,
        "next_change": None,
        "open": [{"from": "2026-03-07T12:00:00-05:00", "to": "2026-03-08T12:00:00-04:00"}],
    }
    told = hours(config, "--from", "2026-03-07 12:00", "--days", "1").out.decode()
    assert told.startswith("On Sat 2026-03-07 12:00 it is open: reading is allowed. That never ")
    assert "Working hours: none\n" in told
    assert told.endswith("(23 h, clocks change, and on)\n")


def test_days_without_an_open_minute_are_said_to_be_so(tmp_path: Path) -> None:
    working = '[hours]\nworking = ["Mon-Sat 00:00-24:00"]\n'
    config = written(tmp_path, MINIMAL + working)
    assert document(config, "--from", "2026-11-02 12:00", "--days", "2")["open"] == []
    told = hours(config, "--from", "2026-11-02 12:00", "--days", "2").out.decode()
    assert "It opens on Sun 2026-11-08 00:00, in 132 h.\n" in told
    assert told.endswith("Nothing may be read in the 2 days from Mon 2026-11-02 12:00.\n")


def test_exceptions_in_these_days_are_shown(lantern_marsh: Path) -> None:
    told = hours(lantern_marsh, "--from", "2027-01-31 12:00").out.decode()
    assert "Busy:          2027-02-01..2027-02-14 with Mon-Sun 07:00-24:00 instead\n" in told
    assert "Days off" not in told
    assert "Busy" not in hours(lantern_marsh, "--from", "2026-12-22 12:00").out.decode()


def test_ten_years_are_listed_at_once(lantern_marsh: Path) -> None:
    found = document(lantern_marsh, "--from", "2026-01-01", "--days", "3652")
    assert len(found["open"]) > 3000


# The settings file


def test_the_environment_names_the_file(lantern_marsh: Path) -> None:
    outcome = verifier("hours", environment={"VERIFIER_CONFIG": str(lantern_marsh)})
    assert outcome.status == 0


def test_the_option_wins_over_the_environment(lantern_marsh: Path) -> None:
    outcome = verifier(
        "--config", lantern_marsh, "hours", environment={"VERIFIER_CONFIG": "/nowhere.toml"}
    )
    assert outcome.status == 0


def test_the_users_own_file_is_found(tmp_path: Path) -> None:
    own = tmp_path / "verifier"
    own.mkdir()
    (own / "settings.toml").write_text(MINIMAL)
    environment = {"XDG_CONFIG_HOME": str(tmp_path), "VERIFIER_CONFIG": ""}
    outcome = verifier("hours", "--json", environment=environment)
    assert outcome.document["timezone"] == "America/New_York"


def test_a_relative_name_is_taken_from_where_one_stands(lantern_marsh: Path) -> None:
    outcome = verifier("--config", lantern_marsh.name, "hours", cwd=lantern_marsh.parent)
    assert outcome.status == 0


def test_a_missing_file_is_one_clear_sentence(tmp_path: Path) -> None:
    said = refusal(2, "hours", environment={"VERIFIER_CONFIG": str(tmp_path / "nowhere.toml")})
    assert said == (
        f"The settings file {tmp_path}/nowhere.toml, which $VERIFIER_CONFIG names, cannot be read: "
        "no such file or directory. Write it, or name another with --config FILE.\n"
    )


def test_no_settings_anywhere_is_one_clear_sentence(tmp_path: Path) -> None:
    if Path("/etc/verifier/settings.toml").exists():
        pytest.skip("this machine has settings of its own")
    environment = {"VERIFIER_CONFIG": "", "XDG_CONFIG_HOME": str(tmp_path)}
    said = refusal(2, "hours", environment=environment)
    assert said.startswith(f"There is no settings file: neither {tmp_path}/verifier/settings.toml")


def test_wrong_settings_are_one_clear_sentence(tmp_path: Path) -> None:
    config = written(tmp_path, MINIMAL + "[hours]\nworkin = []\n")
    said = refusal(2, "hours", environment={"VERIFIER_CONFIG": str(config)})
    assert said == (
        f"{config}: hours.workin is an unknown key (did you mean working?), expected one of "
        "working, days_off, busy, margin.\n"
    )


@pytest.mark.parametrize("arguments", [("--help",), ("--version",), ("hours", "--help")])
def test_what_needs_no_settings_reads_none(arguments: tuple[str, ...]) -> None:
    assert verifier("--config", "/nowhere.toml", *arguments).status == 0


def test_a_comparison_needs_no_settings(tmp_path: Path) -> None:
    for side in ("bench", "vault"):
        (tmp_path / side).mkdir()
        (tmp_path / side / "plan.txt").write_text("north")
    outcome = verifier("compare", tmp_path / "bench", tmp_path / "vault", "--json")
    assert outcome.status == 0
    assert json.loads(outcome.out)["finished"]


def test_a_comparison_with_settings_that_are_not_there_is_refused(tmp_path: Path) -> None:
    outcome = verifier("--config", "/nowhere.toml", "compare", tmp_path, tmp_path)
    assert outcome.status == 2
    assert "/nowhere.toml cannot be read" in outcome.err


# The command line


@pytest.mark.parametrize(
    "arguments",
    [
        ("--from", "tomorrow"),
        ("--from", "2026-13-01"),
        ("--from", ""),
        ("--from", "0001-01-01 00:00"),
        ("--from", "9999-12-31 23:59"),
        ("--days", "0"),
        ("--days", "-1"),
        ("--days", "99999999"),
        ("--days", "some"),
    ],
)
def test_a_wrong_time_or_number_is_refused(lantern_marsh: Path, arguments: tuple[str, ...]) -> None:
    said = refusal(2, "hours", *arguments, environment={"VERIFIER_CONFIG": str(lantern_marsh)})
    assert f"Invalid value for '{arguments[0]}'" in said


def test_help_shows_an_example() -> None:
    told = verifier("hours", "--help").out.decode()
    assert "Example: verifier --config lantern-marsh.toml hours" in told
