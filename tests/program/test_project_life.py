"""The life of one project at three places, from its first flight to a year after it left.

Every command is the installed one, a process of its own, under a clock that is handed to it;
dates of files are set by the test, as cameras and editors would have set them.
The nightly copy job is a plain step of this test: by size and date, one way.
"""

from __future__ import annotations

import os
import shutil
import sqlite3
from collections.abc import Collection, Iterator
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest
from blake3 import blake3
from faults.disks import Disk, mounted
from trees import Tree

from program.estate import SHARE, Estate
from program.running import Outcome, clock_at, verifier
from verifier import certificate as certificates
from verifier.manifest import ManifestReader

pytestmark = pytest.mark.root

PROJECT = "2026-014-harbour-wall"
OTHER = "2026-015-reed-beds"
PHOTOS = [f"{PROJECT}/flights/DJI_{number:04}.jpg" for number in range(1, 9)]
ORTHO = f"{PROJECT}/orthos/north.tif"
CLOUD = f"{PROJECT}/point-clouds/wall.laz"
LOG = f"{PROJECT}/notes/log.txt"
PLAN = f"{PROJECT}/notes/plan.txt"
LATE = f"{PROJECT}/flights/DJI_0100.jpg"
REEDS = [f"{OTHER}/flights/DJI_{number:04}.jpg" for number in range(1, 61)]


class Life(Estate):
    """Bench, vault and faraway, and the day that it is."""

    def __init__(self, root: Path, disk: Disk) -> None:
        self.disk = disk
        self.faraway = Tree(root / "faraway" / SHARE)
        bench = Tree(root / "bench" / SHARE)
        super().__init__(root, bench)
        self.settings(
            hours='working = ["Mon-Fri 08:30-19:00"]',
            audit='nights = ["Sat", "Sun"]\nevery_byte_within = "90 days"',
            share='mirror_runs = "23:00"\nmirror_takes = "30 min"',
            more=f"""
[[share.mirror]]
name = "faraway"
at = "{self.faraway.root}"
off_site = true
[clearance]
copies = 2
off_site = 1
read_within = "7 days"
quiet_for = "30 days"
""",
        )
        self.now = datetime(2026, 3, 2, 15, tzinfo=UTC)
        (self.state / "reports").mkdir()

    # The clock

    def on(self, day: str, time: str = "22:00") -> Life:
        """The time, which never goes back."""
        now = datetime.fromisoformat(f"{day}T{time}:00+00:00")
        assert now >= self.now
        self.now = now
        return self

    def run(self, *arguments: Any, **how: Any) -> Outcome:
        return verifier("--config", self.file, *arguments, environment=self.clock(), **how)

    def clock(self) -> dict[str, str]:
        return clock_at(self.now.timestamp())

    def asked(self, *arguments: Any, status: int) -> Any:
        """The document of a command that ends so."""
        outcome = self.run(*arguments, "--json")
        assert outcome.status == status, (self.now, outcome)
        return outcome.document

    def shift_now(self, status: int) -> tuple[int, int]:
        """Files and bytes that a shift reads which comes to its end and finds nothing."""
        document = self.asked("shift", status=status)
        assert (document["stopped_by"], document["findings"]) == ("done", []), document
        assert document["left"] == {"files": 0, "bytes": 0}
        return document["files_read"], document["read_bytes"]

    def told(self, *arguments: Any, status: int) -> str:
        """The words of a command that ends so, on one line."""
        outcome = self.run(*arguments)
        assert outcome.status == status, (self.now, outcome)
        return " ".join(outcome.out.decode().split())

    # What stands and rots

    def holds(self, folder: str = "") -> tuple[int, int]:
        """Files of the source and their bytes."""
        files = [each for each in (self.source.root / folder).rglob("*") if each.is_file()]
        return len(files), sum(each.stat().st_size for each in files)

    def rots(self, path: str, at: int) -> None:
        """A bit of the disk below vault turns over; no date and no inode tells."""
        os.sync()
        self.disk.flip_on_disk(self.disk.offset_of(self.mirror.root / path, at))

    # People, and the copy job

    def save(self, path: str, holds: bytes | int) -> Life:
        """Somebody saves a file on the bench, now."""
        self.source.file(path, holds, date=self.now.timestamp())
        return self

    def copies(self, *, passes_over: Collection[str] = (), leaves: Collection[str] = ()) -> Life:
        """The nightly job: what differs by size or date is copied, what has gone is deleted.

        ``passes_over`` are paths that it leaves out at vault by mistake, ``leaves`` are folders
        that somebody took out of the job.
        """
        for mirror in (self.mirror, self.faraway):
            wanted = set()
            for file in self.source.root.rglob("*"):
                path = file.relative_to(self.source.root)
                copy = mirror.root / path
                wanted.add(path)
                if file.is_dir():
                    copy.mkdir(exist_ok=True)
                elif not (mirror is self.mirror and str(path) in passes_over) and (
                    not copy.exists() or dated(copy) != dated(file)
                ):
                    shutil.copy2(file, copy)
            for copy in sorted(mirror.root.rglob("*"), reverse=True):
                path = copy.relative_to(mirror.root)
                if path not in wanted and path.parts[0] not in leaves:
                    copy.rmdir() if copy.is_dir() else copy.unlink()
        return self

    def bring_back(self, path: str, sound: Tree, *damaged: Tree) -> Life:
        """Somebody copies a sound file over damaged ones."""
        for each in damaged:
            shutil.copy2(sound.root / path, each.root / path)
        return self


def dated(file: Path) -> tuple[int, int]:
    stat = file.stat()
    return stat.st_size, stat.st_mtime_ns


def brief(document: Any) -> list[tuple[str, str, str, str, str]]:
    """Findings: path, mirror, verdict, cause, side."""
    return [
        (each["path"], each["mirror"], each["verdict"], each["cause"], each["side"])
        for each in document["findings"]
    ]


# ------------------------------------------------------------------------------------ the story


@pytest.fixture
def life(tmp_path: Path) -> Iterator[Life]:
    """Vault stands on a disk of its own, which can rot without the file system's knowledge."""
    with mounted(tmp_path / "vault.image", tmp_path / "vault") as disk:
        yield Life(tmp_path, disk)


def test_a_project_from_its_first_flight_to_a_year_after_it_left(life: Life) -> None:
    shot(life)
    edited_for_two_weeks_and_passed_over_once(life)
    rot_at_vault_is_found_by_the_audit_and_around_it(life)
    a_bad_copy_of_a_new_file_is_told_by_the_third_place(life)
    rot_on_the_bench_is_not_carried_over(life)
    spot_checked(life)
    audited_for_three_rounds(life)
    too_early_to_leave(life)
    certificate = cleared(life)
    deleted_without_an_alarm(life)
    a_year_later_one_bit_is_gone(life, certificate)
    the_record_shows_what_was_edited(life)


def shot(life: Life) -> None:
    for path in [*REEDS, *PHOTOS]:
        life.save(path, 5_000)
    life.save(ORTHO, 40_000).save(CLOUD, 60_000).save(LOG, b"day 1\n").save(PLAN, 900)
    life.on("2026-03-02", "20:00")
    outcome = life.run("preflight", "--json")
    assert outcome.status == 3
    wrong = [each for each in outcome.document["checks"] if each["state"] == "wrong"]
    assert [each["place"] for each in wrong] == ["vault", "faraway"]
    assert all("is empty, as an unmounted folder is" in each["detail"] for each in wrong)
    # Before any copy was made: the source is read, and nothing is due at the mirrors.
    life.on("2026-03-02")
    files, size = life.holds()
    assert life.shift_now(0) == (files, size)
    assert life.told("findings", status=0) == (
        "Nothing needs you. As of the end of the last shift, Mon 2026-03-02 22:00."
    )
    life.on("2026-03-02", "23:10").copies()
    life.on("2026-03-03", "00:30")
    assert life.shift_now(0) == (2 * files, 2 * size)
    audit = life.asked("audit", status=0)
    assert [
        (each["place"], each["round"], each["files"], each["bytes"], each["bytes_this_round"])
        for each in audit["places"]
    ] == [(place, 1, files, size, size) for place in ("source", "vault", "faraway")]
    assert all(each["on_target"] and each["target_days"] == 90 for each in audit["places"])


def edited_for_two_weeks_and_passed_over_once(life: Life) -> None:
    for day in range(3, 14):
        weekend = day in (7, 8)
        new = f"{PROJECT}/flights/DJI_{day + 10:04}.jpg"
        if not weekend:
            life.on(f"2026-03-{day:02}", "15:00")
            life.save(LOG, b"".join(b"day %d\n" % number for number in range(1, day + 1)))
            life.save(new, 5_000)
        if day == 11:
            life.save(PLAN, b"low tide at noon")
        passed_over = {PLAN} if day in (11, 12) else set()
        life.on(f"2026-03-{day:02}", "23:10").copies(passes_over=passed_over)
        life.on(f"2026-03-{day + 1:02}", "00:30")
        if day == 11:  # the clock of this disk is ahead, so that only a walk tells of the edit
            assert life.shift_now(0)[0] == 6 + 2
            assert life.told("findings", status=0).startswith("Nothing needs you.")
        elif day == 12:
            document = life.asked("shift", status=1)
            assert brief(document) == [(PLAN, "vault", "stale", "older-version", "mirror")]
            assert life.told("findings", status=1).startswith(
                "1 finding needs you. As of the end of the last shift, Fri 2026-03-13 00:30. "
                "Not on the mirror as they should be: run the copy job again (1)"
            )
        elif day in (7, 8):  # the nights of Saturday and Sunday: a round each
            files, size = life.holds()
            assert life.shift_now(0) == (3 * files, 3 * size)
        elif day == 13:  # what was passed over has come
            assert life.shift_now(0)[0] == 6 + 1
        else:  # two files at three places
            assert life.shift_now(0) == (6, 3 * (5_000 + len(life.source.read(LOG))))
    assert life.told("findings", "--all", status=0).startswith(
        "Nothing needs you. As of the end of the last shift, Sat 2026-03-14 00:30. Closed"
    )


def rot_at_vault_is_found_by_the_audit_and_around_it(life: Life) -> None:
    life.on("2026-03-14", "12:00")
    for path in (PHOTOS[2], REEDS[5]):
        life.rots(path, at=77)
    life.on("2026-03-14")
    document = life.asked("shift", status=1)
    assert brief(document) == [
        (PHOTOS[2], "vault", "corrupt", "rot", "mirror"),
        (REEDS[5], "vault", "corrupt", "rot", "mirror"),
    ]
    assert document["findings"][0]["damage"]["ranges"] == [
        {"from": 77, "to": 78, "pattern": "bit-flip", "bits": 1}
    ]
    life.on("2026-03-15", "12:00")
    for path in (PHOTOS[2], REEDS[5]):
        life.bring_back(path, life.source, life.mirror)
    life.on("2026-03-15")
    files, size = life.holds()
    assert life.shift_now(0) == (3 * files, 3 * size)
    closed = life.asked("findings", "--all", status=0)["findings"]
    assert {(each["path"], each["state"]) for each in closed} == {
        (PLAN, "closed"),
        (PHOTOS[2], "closed"),
        (REEDS[5], "closed"),
    }


def a_bad_copy_of_a_new_file_is_told_by_the_third_place(life: Life) -> None:
    life.on("2026-03-18", "15:00").save(LATE, 5_000)
    life.on("2026-03-18", "23:10").copies()
    life.mirror.garble(LATE, 100, 20)  # as a bad cable would have written it
    life.rots(PHOTOS[1], at=9)  # and no night of the audit is near
    life.on("2026-03-19", "00:30")
    document = life.asked("shift", status=1)
    assert brief(document) == [
        (PHOTOS[1], "vault", "corrupt", "rot", "mirror"),
        (LATE, "vault", "corrupt", "differs", "mirror"),
    ]
    around, voted = (each["detail"] for each in document["findings"])
    assert around.endswith(f"One bit differs at byte 9. Found while checking around {LATE}.")
    assert voted.endswith(
        "20 bytes garbled at byte 100. faraway holds the same as the source, which leaves the "
        "mirror in the wrong."
    )
    assert "faraway holds the same as the source" in life.told("findings", status=1)
    life.on("2026-03-19", "12:00")
    for path in (PHOTOS[1], LATE):
        life.bring_back(path, life.source, life.mirror)
    life.on("2026-03-20", "00:30")
    assert life.shift_now(0)[0] == 2


def rot_on_the_bench_is_not_carried_over(life: Life) -> None:
    life.on("2026-03-20", "12:00")
    life.source.flip_bit(ORTHO, at=20_000)
    life.on("2026-03-20", "23:10").copies()  # size and date are as they were: nothing to copy
    life.on("2026-03-21")
    document = life.asked("shift", status=1)
    assert brief(document) == [
        (ORTHO, "faraway", "corrupt", "rot", "source"),
        (ORTHO, "vault", "corrupt", "rot", "source"),
    ]
    said = life.told("findings", status=1)
    assert said.startswith("2 findings need you.")
    assert "Hold the next mirror run: the source side is in doubt (2)" in said
    assert "pause the copy job now. The mirror holds the good copy" in said
    life.bring_back(ORTHO, life.mirror, life.source)
    life.on("2026-03-22")
    assert life.shift_now(0)[0] == 3 * life.holds()[0]


def spot_checked(life: Life) -> None:
    life.on("2026-03-23", "20:00")
    files, size = life.holds()
    whole = life.asked("spot-check", SHARE, "--seed", "7", "--at-most", "0.1%", status=0)
    assert (whole["seed"], whole["bad"], whole["confidence"]) == (7, 0, 0.95)
    assert whole["population"] == {"files": files, "bytes": size}
    # Of so few files one in a thousand is none: all but a few must be seen.
    assert 0.9 * files < whole["sample"]["files"] <= files
    assert whole["at_most"] == 0.0
    assert whole["statement"].startswith(
        f"Of the {files} files of {SHARE} ({size / 1000:.0f} kB), {whole['sample']['files']} "
        "drawn at random were read afresh"
    )
    assert "none was bad" in whole["statement"]
    again = life.asked("spot-check", SHARE, "--seed", "7", "--at-most", "0.1%", status=0)
    assert again["sample"] == whole["sample"]
    life.on("2026-03-24", "20:00")
    life.faraway.flip_bit(CLOUD, at=5)
    found = life.asked(
        "spot-check", SHARE, "--seed", "7", "--folder", f"{PROJECT}/point-clouds", status=1
    )
    assert found["bad"] == 1
    assert brief(found) == [(CLOUD, "faraway", "corrupt", "rot", "mirror")]
    assert "1 was bad" in found["statement"] or "1 is bad" in found["statement"]
    life.bring_back(CLOUD, life.source, life.faraway)


def audited_for_three_rounds(life: Life) -> None:
    begun = life.asked("audit", status=0)["places"][0]["round"]
    files, size = life.holds()
    for number, day in enumerate(("2026-03-28", "2026-03-29", "2026-04-04"), 1):
        life.on(day)  # the clocks of Europe change on the 29th
        read, read_bytes = life.shift_now(0)
        assert (read, read_bytes) == (3 * files, 3 * size)
        audit = life.asked("audit", status=0)
        for each in audit["places"]:
            assert each["round"] == begun + number
            assert each["bytes_this_round"] == each["bytes"] == size
            assert each["oldest_read"].startswith(day)
            assert each["on_target"]
    assert life.told("audit", status=0).startswith(
        "Every byte was read within the target of 90 days, and that can stay so."
    )


def too_early_to_leave(life: Life) -> None:
    life.on("2026-04-07", "20:00")
    refused = life.asked("clearance", SHARE, PROJECT, status=1)
    assert refused["certificate"] is None
    assert [each["rule"] for each in refused["rules"] if not each["held"]] == ["quiet"]
    (quiet,) = (each["detail"] for each in refused["rules"] if not each["held"])
    assert quiet.startswith("Within the last 30 d it changed:")
    assert len(refused["rules"]) == 10


def cleared(life: Life) -> Path:
    life.on("2026-05-09", "20:00")
    granted = life.asked("clearance", SHARE, PROJECT, status=0)
    assert all(each["held"] for each in granted["rules"])
    path = Path(granted["certificate"])
    names = sorted(each.name for each in path.parent.iterdir() if each.name.startswith(path.stem))
    assert names == [f"{path.stem}.html", f"{path.stem}.json", f"{path.stem}.manifest.gz"]
    found = certificates.read(path)
    inside = [each for each in (life.source.root / PROJECT).rglob("*") if each.is_file()]
    assert (found.studio, found.share, found.folder) == ("Lantern Marsh Surveys", SHARE, PROJECT)
    assert (found.files, found.bytes) == (len(inside), sum(e.stat().st_size for e in inside))
    assert [(each.place, each.off_site) for each in found.copies] == [
        ("source", False),
        ("vault", False),
        ("faraway", True),
    ]
    manifest = ManifestReader(path.parent / found.manifest.file)
    digests = {os.fsdecode(each.path): each.digest for each in manifest}
    assert digests == {
        str(each.relative_to(life.source.root / PROJECT)): blake3(each.read_bytes()).digest()
        for each in inside
    }
    page = path.with_suffix(".html").read_text()
    for said in (PROJECT, f"{len(inside)}", "A one-way mirror job will carry the deletion over"):
        assert said.lower() in page.lower()
    return path


def deleted_without_an_alarm(life: Life) -> None:
    """Somebody has taken the folder out of the copy job, and deleted it from the bench."""
    life.on("2026-05-10", "12:00")
    kept, kept_bytes = life.holds(PROJECT)
    shutil.rmtree(life.source.root / PROJECT)
    life.copies(leaves={PROJECT})
    life.on("2026-05-10")
    outcome = life.run("shift", "--json")
    assert (outcome.status, outcome.document["findings"]) == (0, [])
    assert "notices" not in outcome.document, "a folder that was cleared to leave is no surge"
    files, size = life.holds()
    assert outcome.document["files_read"] == 3 * files + 2 * kept
    assert life.told("findings", "--all", status=0).startswith("Nothing needs you.")
    sizes = [(each["files"], each["bytes"]) for each in life.asked("audit", status=0)["places"]]
    assert sizes == [(files, size), *[(files + kept, size + kept_bytes)] * 2]


def a_year_later_one_bit_is_gone(life: Life, certificate: Path) -> None:
    life.on("2027-05-08", "20:00")
    whole = life.asked("clearance", "--recheck", certificate, status=0)
    assert whole["granted"]
    assert [each["rule"] for each in whole["rules"]] == [
        "certificate",
        "manifest",
        "copy-whole",
        "copy-whole",
    ]
    life.rots(CLOUD, at=44_000)
    gone = life.asked("clearance", "--recheck", certificate, status=1)
    assert not gone["granted"]
    broken = [each for each in gone["rules"] if not each["held"]]
    assert [each["rule"] for each in broken] == ["copy-whole", "file"]
    assert "vault" in broken[0]["detail"]
    assert CLOUD.removeprefix(f"{PROJECT}/") in broken[1]["detail"]
    # On another machine, with the certificate, its manifest and a place alone.
    shelf = life.root / "shelf"
    shelf.mkdir()
    for each in certificate.parent.glob(f"{certificate.stem}*"):
        shutil.copy2(each, shelf)
    alone = verifier(
        "clearance",
        "--recheck",
        shelf / certificate.name,
        life.faraway.root / PROJECT,
        "--json",
        environment=life.clock() | {"HOME": str(shelf)},
    )
    assert (alone.status, alone.document["granted"]) == (0, True)
    # The audit finds it too, and says that it was cleared to leave.
    life.on("2027-05-08")
    document = life.asked("shift", status=1)
    assert brief(document) == [(CLOUD, "vault", "corrupt", "rot", "mirror")]
    assert "certificate 1" in document["findings"][0]["detail"]
    life.faraway.delete(ORTHO)
    life.on("2027-05-09")
    document = life.asked("shift", status=1)
    assert brief(document) == [
        (ORTHO, "faraway", "missing", "released", "mirror"),
        (CLOUD, "vault", "corrupt", "rot", "mirror"),
    ]
    said = life.told("findings", status=1)
    assert said.startswith("2 findings need you.")
    assert "Given up by the source, then lost or damaged" in said


def the_record_shows_what_was_edited(life: Life) -> None:
    life.on("2027-05-10", "20:00")
    checks = life.run("preflight", "--json").document["checks"]
    (record,) = (each for each in checks if each["check"] == "record")
    assert record["state"] == "good"
    with sqlite3.connect(life.ledger) as ledger:
        ledger.execute("UPDATE shifts SET stopped_by = 'done', ended = ended + 60 WHERE id = 5")
    checks = life.run("preflight", "--json").document["checks"]
    (record,) = (each for each in checks if each["check"] == "record")
    assert record["state"] == "wrong"
    assert "The end of shift 5 was changed" in record["detail"]
