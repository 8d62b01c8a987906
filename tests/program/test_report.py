"""``verifier report`` and the page that each shift leaves behind, on real trees."""

from __future__ import annotations

import csv
import json
import os
from pathlib import Path

import pytest

from program.estate import SHARE, Estate, closing_in, working_now
from program.running import verifier

REPORT = ("report.html", "report-findings.csv", "report-findings.json")


@pytest.fixture
def estate(tmp_path: Path) -> Estate:
    return Estate(tmp_path)


@pytest.fixture
def reports(estate: Estate) -> Path:
    return estate.state / "reports"


def title(folder: Path) -> str:
    text = (folder / "report.html").read_text("utf-8")
    return text[text.index("<title>") + len("<title>") : text.index("</title>")]


def test_a_shift_leaves_a_page_that_says_how_all_stands(estate, reports):
    outcome = estate.run("shift")
    assert outcome.status == 0
    assert "page" not in outcome.err
    assert sorted(os.listdir(reports)) == sorted(REPORT)
    assert title(reports).startswith("All good as of ")
    text = (reports / "report.html").read_text("utf-8")
    assert "8 paths" in text and "0 pending" in text


def test_damage_is_on_the_page_of_the_next_shift_with_its_picture_and_beside_it(estate, reports):
    assert estate.shift().status == 0
    path = "2026-014-harbour-wall/notes/plan.txt"
    estate.mirror.flip_bit(path, at=3)
    outcome = estate.shift()
    assert outcome.status == 1
    assert title(reports).startswith("1 finding needs you.")
    text = (reports / "report.html").read_text("utf-8")
    assert "1 byte differs, 1 bit turned over: from byte 3 up to byte 4." in text
    with (reports / "report-findings.csv").open(encoding="utf-8-sig", newline="") as table:
        (row,) = csv.DictReader(table)
    assert (row["path"], row["verdict"], row["side"]) == (path, "corrupt", "mirror")
    document = json.loads((reports / "report-findings.json").read_bytes())
    assert [each["path"] for each in document["findings"]] == [path]


def test_report_writes_it_by_hand_and_says_where(estate, reports, tmp_path):
    assert estate.run("shift").status == 0
    outcome = estate.run("report")
    assert outcome.status == 0
    assert outcome.out.decode().startswith("All good as of ")
    assert f"The page: {reports / 'report.html'}" in outcome.out.decode()
    elsewhere = tmp_path / "elsewhere"
    elsewhere.mkdir()
    document = estate.run("report", "--out", elsewhere, "--json").document
    assert document["page"] == str(elsewhere / "report.html")
    assert sorted(os.listdir(elsewhere)) == sorted(REPORT)


def test_report_in_working_hours_answers_too_since_it_reads_no_share(estate):
    assert estate.run("shift").status == 0
    estate.settings(hours=working_now())
    assert estate.run("report").status == 0


def test_before_any_shift_there_is_nothing_to_report(estate):
    outcome = estate.run("report")
    assert outcome.status == 3
    assert "Nothing is known yet" in outcome.err


def test_a_shift_that_could_not_reach_the_mirror_leaves_no_page_of_all_good(estate, reports):
    assert estate.run("shift").status == 0
    estate.mirror.root.rename(estate.mirror.root.with_name("unmounted"))
    assert estate.run("shift").status == 3
    assert title(reports).startswith("Not known to be good: the last shift did not look through")
    outcome = estate.run("report", "--json")
    assert outcome.status == 3
    (doubt,) = outcome.document["doubts"]
    assert doubt["what"] == "not-reached"
    # What was seen of it and what to do, also on the page and the terminal.
    assert "cannot be read as a folder" in doubt["detail"]
    assert "Check that it is mounted" in doubt["detail"]
    assert "Check that it is mounted" in (reports / "report.html").read_text("utf-8")
    assert "Check that it is mounted" in " ".join(estate.run("report").out.decode().split())


def test_a_shift_ended_by_the_bell_before_all_was_read_leaves_no_page_of_all_good(estate, reports):
    for tree in (estate.source, estate.mirror):
        tree.file("2026-014-harbour-wall/flights/long.mp4", 48 << 20)
    estate.settings(hours=closing_in(4), pace='at_most = "4 MB/s"')
    assert estate.shift().document["stopped_by"] == "working-hours"
    assert title(reports).startswith("Not known to be good: ")


def test_a_page_that_cannot_be_written_is_remarked_upon_and_costs_the_shift_nothing(
    estate, reports
):
    reports.write_text("no folder")
    outcome = estate.shift()
    assert outcome.status == 0
    assert outcome.document["stopped_by"] == "done"
    assert "The page was not written; the shift stands." in outcome.err
    assert "reports" in outcome.err
    assert estate.run("findings").status == 0


@pytest.mark.root
def test_a_full_disk_keeps_the_former_page_and_costs_the_shift_nothing(estate, small_disk):
    estate.file.write_text(
        estate.file.read_text().replace(str(estate.state / "reports"), str(small_disk))
    )
    assert estate.shift().status == 0
    before = (small_disk / "report.html").read_bytes()
    filler = os.open(small_disk / "filler", os.O_CREAT | os.O_WRONLY)
    with pytest.raises(OSError):
        while True:
            os.write(filler, bytes(4096))
    os.close(filler)
    outcome = estate.shift()
    assert outcome.status == 0
    assert "The page was not written; the shift stands." in outcome.err
    assert (small_disk / "report.html").read_bytes() == before
    assert not [each for each in os.listdir(small_disk) if each.startswith(".")]


def test_nothing_is_written_into_a_share(estate):
    assert estate.run("shift").status == 0
    inside = estate.mirror.root / "reports"
    outcome = estate.run("report", "--out", inside)
    assert outcome.status == 2
    assert "nothing is ever written into a share" in outcome.err
    assert not inside.exists()


def test_help_has_an_example():
    outcome = verifier("report", "--help")
    assert outcome.status == 0
    assert b"Example: verifier report" in outcome.out


def test_settings_without_a_share_are_refused(estate):
    text = estate.file.read_text()
    estate.file.write_text(text[: text.index("[[share]]")])
    assert estate.run("report").status == 2


def test_the_share_is_named_in_the_document(estate):
    assert estate.run("shift").status == 0
    places = estate.run("report", "--json").document["places"]
    assert [(each["share"], each["place"]) for each in places] == [
        (SHARE, "source"),
        (SHARE, "vault"),
    ]
    assert places[1]["verdicts"]["matched"] == 8
    assert places[1]["free"] > 0
