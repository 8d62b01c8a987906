"""After a clearance: what left the source is quiet on the mirror, until the mirror loses it."""

from __future__ import annotations

import os
import shutil

import pytest

from program.estate import SHARE, Estate

FOLDER = "2026-014-harbour-wall"


@pytest.fixture
def released(tmp_path) -> Estate:
    """A folder that was cleared, and deleted from the source by somebody."""
    made = Estate(tmp_path)
    made.source.files(*(f"2026-015-weir/flights/{number}.jpg" for number in range(30)))
    made.mirror.files(*(f"2026-015-weir/flights/{number}.jpg" for number in range(30)))
    made.settings(more='[clearance]\ncopies = 1\noff_site = 0\nquiet_for = "0 s"\n')
    assert made.shift().status == 0
    assert made.run("clearance", SHARE, FOLDER).status == 0
    shutil.rmtree(made.source.at(FOLDER))
    assert made.shift().findings == {}
    return made


def test_a_released_folder_raises_no_alarm_and_stays_in_the_audit(released):
    later = released.shift()
    assert (later.status, later.findings) == (0, {})
    places = released.run("audit", "--json").document["places"]
    assert {each["place"]: each["files"] for each in places} == {"source": 30, "vault": 37}


def test_a_released_file_that_rots_on_the_mirror_is_corrupt_and_perhaps_the_last(released):
    plan = f"{FOLDER}/notes/plan.txt"
    released.mirror.flip_bit(plan, at=2)
    found = released.shift()
    assert found.status == 1
    assert found.findings == {plan: ("corrupt", "rot", "mirror", None)}
    assert "certificate 1" in found.document["findings"][0]["detail"]
    assert b"it may be the last copy" in released.run("findings").out
    released.mirror.flip_bit(plan, at=2)
    assert released.shift().findings == {}


def test_a_released_file_that_the_mirror_loses_is_missing(released):
    os.unlink(released.mirror.at(f"{FOLDER}/orthos/harbour.tif"))
    for _ in range(2):
        assert released.shift().findings == {
            f"{FOLDER}/orthos/harbour.tif": ("missing", "released", "mirror", None)
        }


def test_what_was_deleted_without_a_clearance_is_orphaned_as_ever(released):
    shutil.rmtree(released.source.at("2026-015-weir/flights"))
    released.source.files(*(f"2026-015-weir/notes/{number}.txt" for number in range(40)))
    found = released.shift("--believe")
    causes = {each[1] for path, each in found.findings.items() if "flights" in path}
    assert causes == {"deleted-at-source"}
