"""After a clearance: what left the source is quiet on the mirror, until the mirror loses it."""

from __future__ import annotations

import os
import shutil
from datetime import UTC, datetime, timedelta

import pytest

from program.estate import SHARE, Estate
from verifier import certificate as certificates

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


# Fails when damage to what only the mirror has left does not have its neighbours read again.
def test_around_damage_to_a_released_file_the_mirror_is_read_again(released):
    away = (datetime.now(UTC) + timedelta(days=3)).strftime("%a")
    released.settings(audit=f'nights = ["{away}"]')
    assert released.shift().document["files_read"] == 0
    plan, empty = f"{FOLDER}/notes/plan.txt", f"{FOLDER}/notes/empty.txt"
    photo = f"{FOLDER}/flights/day-1/DJI_0001.jpg"
    released.mirror.rewrite(empty, b"not empty any more")  # a walk tells of this one
    # Nothing but reading tells of what lies beside it, nor of what was written in its minutes.
    for path in (plan, photo):
        released.mirror.flip_bit(path, at=2)
        released.forget_the_write(released.mirror, "vault", path)
    found = released.shift()
    assert found.findings == {
        empty: ("corrupt", "altered", "mirror", None),
        plan: ("corrupt", "rot", "mirror", None),
        photo: ("corrupt", "rot", "mirror", None),
    }
    near = [each["detail"] for each in found.document["findings"] if each["path"] != empty]
    assert all("Found while checking around" in each for each in near), near
    assert all("certificate 1" in each for each in near)


def test_a_released_file_that_the_mirror_loses_is_missing(released):
    os.unlink(released.mirror.at(f"{FOLDER}/orthos/harbour.tif"))
    for _ in range(2):
        assert released.shift().findings == {
            f"{FOLDER}/orthos/harbour.tif": ("missing", "released", "mirror", None)
        }


def test_a_copy_that_was_moved_away_is_said_to_be_read_no_more_and_can_be_settled(
    released, tmp_path
):
    # Fails when somebody who moved the mirror's copy is told no more than that it may be the last,
    # or, having accepted that, that it may stand on the source.
    (certificate,) = (released.state / "reports").glob("clearance-*.json")
    cautions = " ".join(certificates.read(certificate).cautions)
    assert "leave the mirror's copy where it stands" in cautions
    assert "each of its files becomes a finding" in cautions
    shelf = tmp_path / "shelf"
    shutil.move(released.mirror.at(FOLDER), shelf)
    found = released.shift()
    assert {each[:2] for each in found.findings.values()} == {("missing", "released")}
    said = " ".join(released.run("findings").out.decode().split())
    assert "may have been one of the last" in said
    assert "If somebody moved this mirror's copy on purpose, see that it is whole where" in said
    page = (released.state / "reports" / "report.html").read_text("utf-8")
    assert "the source gave it up" in page and "source is right" not in page
    assert released.run("clearance", "--recheck", certificate, shelf).status == 0
    numbers = [each["id"] for each in released.run("findings", "--json").document["findings"]]
    told = " ".join(
        released.run("accept", *map(str, numbers), "--because", "on the shelf").out.decode().split()
    )
    assert told.count("which the source gave up, is not on vault") == len(numbers) == 8
    assert "on the source alone" not in told
    later = released.shift()
    assert later.status == 0
    assert {each["state"] for each in later.document["findings"]} <= {"accepted"}


def test_what_rots_after_a_release_is_not_said_to_be_right_on_a_source_that_gave_it_up(released):
    plan = f"{FOLDER}/notes/plan.txt"
    released.mirror.flip_bit(plan, at=2)
    released.shift()
    page = (released.state / "reports" / "report.html").read_text("utf-8")
    assert "The certificate says what the mirror should hold; the source gave it up." in page
    assert "source is right" not in page
    told = " ".join(released.run("accept", "1", "--because", "scrapped").out.decode().split())
    assert f"what vault holds of {plan}, which the source gave up, is not what was proven" in told


def test_what_was_deleted_without_a_clearance_is_orphaned_as_ever(released):
    shutil.rmtree(released.source.at("2026-015-weir/flights"))
    released.source.files(*(f"2026-015-weir/notes/{number}.txt" for number in range(40)))
    found = released.shift("--believe")
    causes = {each[1] for path, each in found.findings.items() if "flights" in path}
    assert causes == {"deleted-at-source"}


@pytest.fixture
def mostly_released(tmp_path) -> Estate:
    """As `released`, where the folder was most of what stood on the source; no shift since."""
    made = Estate(tmp_path)
    flights = [f"2026-015-weir/flights/{number}.jpg" for number in range(30)]
    for tree in (made.source, made.mirror):
        tree.files(*flights)
    made.settings(more='[clearance]\ncopies = 1\noff_site = 0\nquiet_for = "0 s"\n')
    assert made.shift().status == 0
    assert made.run("clearance", SHARE, "2026-015-weir").status == 0
    shutil.rmtree(made.source.at("2026-015-weir"))
    return made


def said_of_the_source(estate: Estate) -> dict[str, str]:
    checks = estate.run("preflight", "--json").document["checks"]
    (found,) = (
        each for each in checks if (each["check"], each.get("place")) == ("place", "source")
    )
    return found


# Fails when preflight counts what left with a certificate among what must be there.
def test_preflight_does_not_miss_what_was_cleared_to_leave(mostly_released):
    assert said_of_the_source(mostly_released)["state"] == "good"
    # The rest is still guarded: half of what must be there is not half of all there was.
    for name in ("notes/plan.txt", "orthos/harbour.tif"):
        mostly_released.source.delete(f"{FOLDER}/{name}")
    shutil.rmtree(mostly_released.source.at(f"{FOLDER}/flights"))
    found = said_of_the_source(mostly_released)
    assert found["state"] == "wrong"
    assert "under half" in found["detail"]
    assert mostly_released.shift().document["notices"][0]["what"] == "unmounted"


# Fails when a spot-check counts what left with a certificate as gone, or as a surge.
def test_a_spot_check_does_not_miss_what_was_cleared_to_leave(mostly_released):
    outcome = mostly_released.run("spot-check", SHARE, "--json", "--minutes", "9")
    assert outcome.status == 0, outcome.err
    assert "emptied" not in outcome.err and "changed or vanished" not in outcome.err
    assert (outcome.document["bad"], outcome.document["findings"]) == (0, [])
    assert outcome.document["population"]["files"] == outcome.document["sample"]["files"] == 7
    assert (
        "on vault 30 were read and were as it proved, 0 were not" in outcome.document["statement"]
    )
    assert mostly_released.shift().findings == {}


def test_a_spot_check_does_not_call_good_what_the_source_has_no_more(mostly_released):
    mostly_released.mirror.rewrite("2026-015-weir/flights/3.jpg", b"other")
    mostly_released.mirror.delete("2026-015-weir/flights/5.jpg")
    everything = ("spot-check", SHARE, "--json", "--minutes", "9", "--folder")
    outcome = mostly_released.run(*everything, "2026-015-weir")
    assert outcome.status == 1, outcome.err
    assert outcome.document["sample"] == {"files": 0, "bytes": 0}
    assert (
        "on vault 28 were read and were as it proved, 2 were not" in outcome.document["statement"]
    )
    assert {path: found[:2] for path, found in outcome.findings.items()} == {
        "2026-015-weir/flights/3.jpg": ("corrupt", "altered"),
        "2026-015-weir/flights/5.jpg": ("missing", "released"),
    }
    for tree in (mostly_released.source, mostly_released.mirror):
        shutil.rmtree(tree.at(f"{FOLDER}/notes"))
    outcome = mostly_released.run(*everything, f"{FOLDER}/notes")
    assert outcome.status == 3
    assert outcome.document["statement"].startswith("No file that was drawn stands on the source")


def test_what_left_without_a_certificate_is_missed_by_both(mostly_released):
    for path in ("2026-016-pier/flights", "2026-017-lock/flights"):
        for tree in (mostly_released.source, mostly_released.mirror):
            tree.files(*(f"{path}/{number}.jpg" for number in range(20)))
    assert mostly_released.shift().status == 0
    shutil.rmtree(mostly_released.source.at("2026-016-pier"))
    shutil.rmtree(mostly_released.source.at("2026-017-lock"))
    assert "under half" in said_of_the_source(mostly_released)["detail"]
    outcome = mostly_released.run("spot-check", SHARE, "--at-most", "0.1%")
    assert outcome.status == 3
    assert "looks unmounted or emptied" in outcome.err


# Fails when a certificate on the path alone lets go of what was written after it.
def test_what_was_written_after_the_certificate_is_not_released_when_it_is_deleted(tmp_path):
    made = Estate(tmp_path)
    never, copied = f"{FOLDER}/notes/plan.txt", f"{FOLDER}/notes/log.txt"
    for tree in (made.source, made.mirror):
        tree.files(copied, *(f"2026-015-weir/flights/{number}.jpg" for number in range(30)))
    made.settings(more='[clearance]\ncopies = 1\noff_site = 0\nquiet_for = "0 s"\n')
    assert made.shift().status == 0
    assert made.run("clearance", SHARE, FOLDER).status == 0
    made.source.edit(never, b"a year of new work")
    for tree in (made.source, made.mirror):
        tree.edit(copied, b"a newer version")
    assert {path: each[0] for path, each in made.shift().findings.items()} == {never: "stale"}
    shutil.rmtree(made.source.at(FOLDER))
    orphaned = ("orphaned", "deleted-at-source", "mirror")
    for _ in range(2):
        found = made.shift().findings
        assert {path: each[:3] for path, each in found.items()} == {
            never: orphaned,
            copied: orphaned,
        }
    made.mirror.delete(copied)
    assert set(made.shift().findings) == {never}


# Fails when what a pattern leaves out counts as what has gone.
def test_patterns_that_are_new_miss_nothing(released):
    released.settings(share=f'ignore = ["{FOLDER}/", "2026-015-weir/flights/[12]*.jpg"]')
    checks = released.run("preflight", "--json").document["checks"]
    assert [each["state"] for each in checks if each["check"] == "place"] == ["good", "good"]
    found = released.shift()
    assert (found.status, found.findings) == (0, {}), found.err
    assert [each["files"] for each in released.run("audit", "--json").document["places"]] == [8, 8]


# Fails when a mirror that the settings name no longer answers for what the source gave up.
def test_what_only_a_mirror_held_that_the_settings_name_no_longer_is_told(released, tmp_path):
    shelf = released.source.copy_to(tmp_path / "shelf")
    released.settings()
    settings = released.file.read_text()
    other = settings.replace('name = "vault"', 'name = "shelf"')
    released.file.write_text(other.replace(str(released.mirror.root), str(shelf.root)))
    found = released.shift()
    assert found.status == 1
    assert {each[:3] for each in found.findings.values()} == {("missing", "released", "mirror")}
    assert len(found.findings) == 8
    said = " ".join(released.run("findings").out.decode().split())
    assert "no mirror that the settings name holds it" in said
    both = f'{settings}[[share.mirror]]\nname = "shelf"\nat = "{shelf.root}"\n'
    released.file.write_text(both)
    assert released.shift().findings == {}
