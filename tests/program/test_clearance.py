"""Clearances as they run: the installed command, real trees at three places, a real ledger."""

from __future__ import annotations

import base64
import json
import os
import shutil
import signal
import sqlite3
import subprocess
import time
from contextlib import closing
from pathlib import Path
from typing import Any

import pytest
from blake3 import blake3
from faults.mounts import Share, needs_fuse
from trees import DATE, Tree

from program.estate import SHARE, Estate, closing_in, working_now
from program.running import Outcome, members, running, verifier, wait_until
from verifier import certificate as certificates
from verifier.ledger import Ledger, PlaceName
from verifier.manifest import ManifestReader
from verifier.model import Kind

MIB = 1024 * 1024
FOLDER = "2026-014-harbour-wall"
PLAN = f"{FOLDER}/notes/plan.txt"
RENAMED = f"{FOLDER}/notes/plan-renamed.txt"
PHOTO = f"{FOLDER}/flights/day-1/DJI_0001.jpg"
RULES = {
    "read-afresh",
    "same-content",
    "copies",
    "off-site",
    "nothing-open",
    "quiet",
    "no-links",
    "left-out",
    "history",
    "read-lately",
}


class Project(Estate):
    """Bench, vault and faraway, and what a clearance asks for."""

    def __init__(self, root: Path) -> None:
        self.faraway = Tree(root / "faraway" / SHARE)
        super().__init__(root)
        self.faraway.root.rmdir()
        self.faraway = self.source.copy_to(root / "faraway" / SHARE)
        self.out = root / "certificates"
        self.out.mkdir()
        self.write()

    @property
    def trees(self) -> tuple[Tree, Tree, Tree]:
        return self.source, self.mirror, self.faraway

    def write(
        self,
        *,
        off_site: bool = True,
        clearance: str = "",
        ignore: str = "",
        hours: str = "",
        pace: str = "",
        more: str = "",
    ) -> None:
        """The settings."""
        faraway = f"""
[[share.mirror]]
name = "faraway"
at = "{self.faraway.root}"
off_site = {str(off_site).lower()}
"""
        self.settings(
            hours=hours,
            pace=pace,
            share=f"ignore = [{ignore}]",
            more=f"{faraway}{more}\n[clearance]\n{clearance}\n",
        )

    def clear(self, *options: Any, folder: Any = FOLDER, **how: Any) -> Outcome:
        """One run of which the document is asked for."""
        outcome = self.run("clearance", SHARE, folder, "--out", self.out, "--json", *options, **how)
        assert outcome.status in (0, 1, 3), outcome.err
        document = outcome.document
        assert list(document) == ["schema", "granted", "rules", "certificate"]
        assert document["schema"] == "verifier.clearance.v1"
        assert all(list(rule) == ["rule", "held", "detail"] for rule in document["rules"])
        assert document["granted"] == (outcome.status == 0)
        return outcome

    def certificate(self) -> Path:
        """The certificate that is granted now."""
        outcome = self.clear()
        assert outcome.status == 0, broken(outcome)
        return Path(outcome.document["certificate"])


def broken(outcome: Outcome) -> dict[str, str]:
    """The rules that do not hold, each with its detail."""
    return {rule["rule"]: rule["detail"] for rule in outcome.document["rules"] if not rule["held"]}


@pytest.fixture
def project(tmp_path: Path) -> Project:
    return Project(tmp_path)


def files_of(tree: Tree, folder: str = FOLDER) -> dict[str, bytes]:
    """The files of a folder with their contents, by their paths in it."""
    root = tree.root / folder
    return {
        str(path.relative_to(root)): path.read_bytes()
        for path in root.rglob("*")
        if path.is_file() and not path.is_symlink()
    }


# -------------------------------------------------------------------------------------- granted


def test_a_folder_that_stands_whole_on_every_copy_is_cleared_with_a_certificate(project):
    assert project.shift().status == 0
    outcome = project.clear()
    assert outcome.status == 0, broken(outcome)
    assert {rule["rule"] for rule in outcome.document["rules"]} == RULES
    path = Path(outcome.document["certificate"])
    names = sorted(each.name for each in project.out.iterdir())
    assert names == [f"{path.stem}.html", f"{path.stem}.json", f"{path.stem}.manifest.gz"]
    found = certificates.read(path)
    files = files_of(project.source)
    assert (found.studio, found.share, found.folder) == ("Lantern Marsh Surveys", SHARE, FOLDER)
    assert (found.files, found.links) == (len(files), 1)
    assert found.bytes == sum(map(len, files.values()))
    assert [(each.place, each.off_site) for each in found.copies] == [
        ("source", False),
        ("vault", False),
        ("faraway", True),
    ]
    assert all(each.files == len(files) and each.first_read for each in found.copies)
    assert found.mirrors[0].at == str(project.mirror.root / FOLDER)
    assert "--recheck" not in path.read_text() and "rm " not in path.read_text()
    listed = {
        each.path.decode(): each for each in ManifestReader(path.parent / found.manifest.file)
    }
    digests = {name: each.digest for name, each in listed.items() if each.kind is Kind.FILE}
    assert digests == {name: blake3(content).digest() for name, content in files.items()}
    assert listed["latest"].target == b"flights/day-1"


def test_it_can_be_asked_for_before_any_shift_and_says_so_in_words(project):
    outcome = project.run("clearance", SHARE, f"{FOLDER}/", "--out", project.out)
    assert outcome.status == 0
    said = " ".join(outcome.out.decode().split())
    assert said.startswith(f"Granted: {FOLDER} of {SHARE} may leave the source")
    assert "A ONE-WAY MIRROR JOB WILL CARRY THE DELETION OVER" in said
    assert "Have a second person" in said


def test_a_folder_may_be_named_by_its_whole_path_or_lie_deeper(project):
    assert project.clear(folder=project.source.root / FOLDER).status == 0
    deeper = project.clear(folder=f"{FOLDER}//./orthos")
    assert deeper.status == 0
    assert certificates.read(Path(deeper.document["certificate"])).folder == f"{FOLDER}/orthos"
    # A link in the folder around it leads into this one.
    assert set(broken(project.clear(folder=f"{FOLDER}/flights"))) == {"no-links"}


def test_results_go_to_the_reports_of_the_settings(project):
    outcome = project.run("clearance", SHARE, FOLDER, "--json")
    assert outcome.status == 0
    assert Path(outcome.document["certificate"]).parent == project.state / "reports"


def test_every_file_is_read_again_though_a_shift_read_it_a_moment_ago(project):
    assert project.shift().status == 0
    project.faraway.flip_bit(PHOTO, at=9)
    project.forget_the_write(project.faraway, "faraway", PHOTO)  # nothing but reading can tell
    outcome = project.clear()
    assert outcome.status == 1
    found = broken(outcome)
    assert set(found) == {"same-content", "copies", "off-site"}
    assert found["same-content"] == f"faraway holds something else at 1 path ({PHOTO})."
    assert "vault holds it whole" in found["copies"]


def test_a_reading_of_the_very_second_of_the_request_came_before_it_and_is_no_proof(project):
    assert project.shift().status == 0
    an_hour_passes(project)
    with sqlite3.connect(project.ledger) as ledger:
        ledger.execute("UPDATE sightings SET read_at = read_at + 60 WHERE read_at IS NOT NULL")
    ledger.close()
    project.faraway.flip_bit(PHOTO, at=9)
    project.forget_the_write(project.faraway, "faraway", PHOTO)
    assert PHOTO in broken(project.clear())["same-content"]


def test_the_ledger_knows_what_a_certificate_covers_and_its_record_holds_it(project):
    path = project.certificate()
    found = certificates.read(path)
    with Ledger(project.ledger) as ledger:
        (granted,) = ledger.certificates.of(SHARE)
        assert granted.folder == FOLDER.encode() + b"/"
        assert granted.digest.hex() == certificates.digest_in(path.read_bytes())
        assert granted.manifest.hex() == found.manifest.blake3
        assert os.fsdecode(granted.file) == str(path)
        assert ledger.certificates.content(granted.id) == path.read_bytes()
        covered = ledger.certificates.covering(SHARE, PLAN.encode())
        assert covered is not None and covered.certificate == granted
        assert covered.digest == blake3(project.source.read(PLAN)).digest()
        link = ledger.certificates.covering(SHARE, f"{FOLDER}/latest".encode())
        assert link is not None and (link.kind, link.target) == (Kind.LINK, b"flights/day-1")
        assert ledger.certificates.covering(SHARE, b"elsewhere.txt") is None
        assert ledger.certificates.covering("delivered-surveys", PLAN.encode()) is None
        assert ledger.clearances.lasting(SHARE, granted.folder) is None
        assert ledger.chain.verify() == ()
        assert ledger.soundness() == ()
    # Before the first entry of all the head is zeroes: a certificate always carries one.
    assert found.record == certificates.Record(0, bytes(32).hex())
    second = certificates.read(project.certificate())
    assert second.record is not None and second.record.entries > 0
    with Ledger(project.ledger) as ledger:
        assert ledger.chain.holds(second.record.entries, second.record.head)
        assert len(ledger.certificates.of(SHARE)) == 2
        latest = ledger.certificates.covering(SHARE, PLAN.encode())
        assert latest is not None and latest.certificate.id == 2


# Fails when the entry of all that a certificate says and covers is left out of the check.
def test_what_somebody_edited_of_a_certificate_in_the_ledger_is_told_by_preflight(project):
    project.certificate()
    assert record_of(project)["state"] == "good"
    whole = project.ledger.read_bytes()
    plan = "name = CAST('plan.txt' AS BLOB)"
    for change, said in (
        ("UPDATE certificates SET bytes = bytes + 1", "What certificate 1 says or covers was ch"),
        ("UPDATE certificates SET content = x'7b7d'", "What certificate 1 says or covers was ch"),
        (f"UPDATE certified SET digest = zeroblob(32) WHERE {plan}", "What certificate 1 says or"),
        (f"DELETE FROM certified WHERE {plan}", "What certificate 1 says or covers was changed"),
        ("DELETE FROM certificates", "Certificate 1 was removed"),
    ):
        with closing(sqlite3.connect(project.ledger)) as ledger:
            assert ledger.execute(change).rowcount == 1
            ledger.commit()
        record = record_of(project)
        assert (record["state"], said in record["detail"]) == ("wrong", True), record
        project.ledger.write_bytes(whole)


def record_of(project: Project) -> Any:
    """What preflight says of the record."""
    checks = project.run("preflight", "--json").document["checks"]
    (found,) = (each for each in checks if each["check"] == "record")
    return found


def test_the_printed_page_says_what_the_file_says(project):
    path = project.certificate()
    found = certificates.read(path)
    text = path.with_suffix(".html").read_text()
    for rule in found.rules:
        assert rule.detail in text
    assert certificates.digest_in(path.read_bytes()) in text
    assert "A ONE-WAY MIRROR JOB WILL CARRY THE DELETION OVER" in text


def test_a_folder_beside_it_whose_name_begins_alike_is_another_one(project):
    for tree in project.trees:
        tree.file(f"{FOLDER}-old/plan.txt", 40)
    assert project.shift().status == 0
    project.mirror.rewrite(f"{FOLDER}-old/plan.txt")
    first = project.clear()
    assert first.status == 0, broken(first)
    assert certificates.read(Path(first.document["certificate"])).files == 7
    with Ledger(project.ledger) as ledger:
        assert ledger.certificates.covering(SHARE, f"{FOLDER}-old/plan.txt".encode()) is None
        known = dict(ledger.sightings_at(PlaceName(SHARE), [PLAN.encode()]))
        assert known[PLAN.encode()].changed_seen is None


def test_a_copy_whose_names_have_another_unicode_form_is_a_copy(project):
    for tree, name in zip(project.trees, ("café", "cafe\u0301", "café"), strict=True):
        tree.file(f"{FOLDER}/notes/{name}.txt", b"low tide")
    outcome = project.clear()
    assert outcome.status == 0, broken(outcome)
    path = outcome.document["certificate"]
    assert verifier("clearance", "--recheck", path).status == 0


def test_nothing_is_written_into_a_share(project):
    before = stamps(project)
    project.certificate()
    project.source.flip_bit(PLAN, at=2)
    during = stamps(project)
    assert {path for path in before if before[path] != during[path]} == {
        os.fsdecode(project.source.at(PLAN))
    }
    assert project.clear().status == 1
    assert stamps(project) == during


def stamps(project: Project) -> dict[str, tuple[int, ...]]:
    """What the system tells of everything in the shares; the times of reading too."""
    found = {}
    for tree in project.trees:
        for folder, folders, files in os.walk(tree.root):
            for path in (folder, *(os.path.join(folder, name) for name in folders + files)):
                seen = os.lstat(path)
                times = (seen.st_mtime_ns, seen.st_ctime_ns)
                accessed = 0 if os.path.isdir(path) or os.path.islink(path) else seen.st_atime_ns
                found[path] = (*times, accessed, seen.st_size, seen.st_nlink)
    return found


# --------------------------------------------------------------------------- each rule, alone


def differs_on_a_copy(project: Project) -> None:
    project.write(clearance="copies = 1")
    assert project.shift().status == 0
    project.mirror.flip_bit(PHOTO, at=5)


def lacks_a_file(project: Project) -> None:
    project.write(clearance="copies = 1")
    project.mirror.delete(PHOTO)


def has_too_few_copies(project: Project) -> None:
    other = project.root / "other"
    mirrors = "".join(
        f'[[share.mirror]]\nname = "{name}"\nat = "{other / name}"\n' for name in ("b", "c", "d")
    )
    project.write(
        clearance="copies = 3",
        more=f'[[share]]\nname = "delivered-surveys"\nsource = "{other / "a"}"\n{mirrors}',
    )


def has_no_copy_off_site(project: Project) -> None:
    project.write(off_site=False)


def has_an_open_finding(project: Project) -> None:
    project.mirror.file(f"{FOLDER}/notes/left-over.txt", 9)
    assert project.shift().status == 1


def was_accepted_in_doubt(project: Project) -> None:
    assert project.shift().status == 0
    project.mirror.flip_bit(PLAN, at=3)
    assert project.shift().status == 1
    assert project.run("accept", "1", "--because", "nobody needs it").status == 0
    project.mirror.flip_bit(PLAN, at=3)


def was_carried_over_by_a_copy(project: Project) -> None:
    """All hold the same, and it is not what they were proven to hold."""
    assert project.shift().status == 0
    project.source.flip_bit(PLAN, at=3)
    for mirror in project.trees[1:]:
        shutil.copy2(project.source.at(PLAN), mirror.at(PLAN))


def changed_lately(project: Project) -> None:
    for tree in project.trees:
        tree.date(PLAN, time.time() - 60)


def appeared_lately(project: Project) -> None:
    assert project.shift().status == 0
    an_hour_passes(project)
    for tree in project.trees:
        tree.file(f"{FOLDER}/notes/late.txt", 9)
    assert project.shift().status == 0


def lost_a_file_lately(project: Project) -> None:
    assert project.shift().status == 0
    for tree in project.trees:
        tree.delete(PLAN)
    assert project.shift().status == 0


def has_a_link_leading_in(project: Project) -> None:
    project.source.link("shortcuts/harbour", f"../{FOLDER}/notes")


def has_an_absolute_link_leading_in(project: Project) -> None:
    project.source.link("shortcuts/way", str(project.root / "alias"))
    (project.root / "alias").symlink_to(project.source.root / FOLDER)


def has_a_hard_link_leading_out(project: Project) -> None:
    project.source.hard_link("kept/plan.txt", PLAN)


def leaves_out_more_than_anybody_reads(project: Project) -> None:
    project.write(ignore='"cache/"')
    project.source.files(*(f"{FOLDER}/cache/{number:04}" for number in range(1_001)), size=1)


def had_damage_that_went_away_by_itself(project: Project) -> None:
    assert project.shift().status == 0
    project.mirror.flip_bit(PLAN, at=3)
    assert project.shift().status == 1
    an_hour_passes(project)
    project.mirror.flip_bit(PLAN, at=3)
    project.forget_the_write(project.mirror, "vault", PLAN)
    assert project.shift().status == 3  # two readings that differ, of a file that nobody wrote
    assert project.shift().status == 0


def rotted_and_was_given_another_name(project: Project) -> None:
    """The rotten content went to all copies as if it were a new file."""
    assert project.shift().status == 0
    project.source.flip_bit(PLAN, at=3)
    project.forget_the_write(project.source, "source", PLAN)
    assert project.shift().status == 1
    os.rename(project.source.at(PLAN), project.source.at(RENAMED))
    for mirror in project.trees[1:]:
        mirror.delete(PLAN)
        shutil.copy2(project.source.at(RENAMED), mirror.at(RENAMED))
    an_hour_passes(project)
    assert project.shift().status == 0


@pytest.mark.parametrize("ahead", ["request and readings", "readings"])
def test_what_was_read_while_the_clock_was_ahead_is_read_again(project, ahead):
    project.write(clearance='quiet_for = "36000 days"')
    assert set(broken(project.clear())) == {"quiet"}
    project.write()
    an_hour_passes(project)
    with sqlite3.connect(project.ledger) as ledger:
        ledger.execute("UPDATE sightings SET read_at = read_at + 34560000")
        if ahead == "request and readings":
            ledger.execute("UPDATE clearances SET requested_at = requested_at + 34560000")
    ledger.close()
    project.faraway.flip_bit(PHOTO, at=9)
    project.forget_the_write(project.faraway, "faraway", PHOTO)
    outcome = project.clear()
    assert PHOTO in broken(outcome)["same-content"]
    assert ("while the clock was ahead" in outcome.err) == (ahead == "request and readings")


def an_hour_passes(project: Project) -> None:
    """All that the ledger knows was an hour earlier."""
    with sqlite3.connect(project.ledger) as ledger:
        for table, column in (
            ("walks", "at"),
            ("finding_events", "at"),
            ("sightings", "first_seen"),
            ("sightings", "changed_seen"),
        ):
            ledger.execute(f"UPDATE {table} SET {column} = {column} - 3600")
    ledger.close()


def takes_longer_than_the_rules_allow(project: Project) -> None:
    project.write(clearance='read_within = "1 s"', pace='at_most = "3 MB/s"')


@pytest.mark.parametrize(
    ("breaks", "rules", "said"),
    [
        (differs_on_a_copy, {"same-content"}, PHOTO),
        (lacks_a_file, {"same-content"}, "lacks 1 path"),
        (has_too_few_copies, {"copies"}, "Of 3 copies"),
        (has_no_copy_off_site, {"off-site"}, "none holds it whole"),
        (has_an_open_finding, {"nothing-open"}, "finding 1, orphaned"),
        (was_accepted_in_doubt, {"nothing-open"}, "in doubt"),
        (was_carried_over_by_a_copy, {"nothing-open"}, "not what was agreed"),
        (changed_lately, {"quiet"}, PLAN),
        (appeared_lately, {"quiet"}, "late.txt"),
        (lost_a_file_lately, {"quiet"}, f"{PLAN} (gone, "),
        (has_a_link_leading_in, {"no-links"}, "shortcuts/harbour"),
        (has_an_absolute_link_leading_in, {"no-links"}, "shortcuts/way"),
        (has_a_hard_link_leading_out, {"no-links"}, f"{PLAN} (1 more name elsewhere)"),
        (leaves_out_more_than_anybody_reads, {"left-out"}, "1,001 paths"),
        (had_damage_that_went_away_by_itself, {"history"}, "nobody wrote the file"),
        (rotted_and_was_given_another_name, {"history"}, f"under another name, {RENAMED}"),
        (takes_longer_than_the_rules_allow, {"read-lately"}, " since "),
    ],
)
def test_one_rule_that_does_not_hold_refuses_it_and_is_the_only_one_named(
    project, breaks, rules, said
):
    breaks(project)
    outcome = project.clear()
    found = broken(outcome)
    rest = {"quiet"} if breaks in ALSO_A_CHANGE else set()
    assert set(found) - rest == rules, found
    assert said in found[min(rules)]
    assert outcome.status == 1
    assert outcome.document["certificate"] is None
    assert {rule["rule"] for rule in outcome.document["rules"]} == RULES
    assert os.listdir(project.out) == []
    if breaks is takes_longer_than_the_rules_allow:
        return  # asked again, it reads what is too old once more, and may be in time
    words = project.run("clearance", SHARE, FOLDER, "--out", project.out)
    assert words.status == 1
    assert words.out.decode().startswith(f"Refused: {FOLDER}")
    assert words.out.count(b"NOT HELD") == len(found)


ALSO_A_CHANGE = {
    was_carried_over_by_a_copy,
    has_a_hard_link_leading_out,
    rotted_and_was_given_another_name,
}
"""A test cannot flip a bit or add a name without that the system dates it."""


# Fails when a copy is told by its digests alone: then the source is a copy of itself.
@pytest.mark.parametrize(
    "mount", [False, pytest.param(True, marks=pytest.mark.root)], ids=["hard links", "mount"]
)
def test_a_copy_that_is_the_very_same_file_on_disk_is_none(project, mount):
    inner = project.faraway.root / FOLDER
    if mount:
        subprocess.run(["mount", "--bind", project.source.root / FOLDER, inner], check=True)
    else:  # of two mirrors, which are one copy then
        shutil.rmtree(inner)
        shutil.copytree(project.mirror.root / FOLDER, inner, copy_function=os.link, symlinks=True)
    try:
        outcome = project.clear()
    finally:
        if mount:
            subprocess.run(["umount", inner], check=True)
    found = broken(outcome)
    assert set(found) == {"same-content", "copies", "off-site"}
    assert f"(that of {'the source' if mount else 'vault'})" in found["same-content"]
    assert "that is no copy" in found["same-content"]


# Fails when a shift compares a place with itself, and finds nothing.
@pytest.mark.root
def test_a_mirror_that_a_mount_makes_the_source_itself_is_not_looked_at(project):
    subprocess.run(["mount", "--bind", project.source.root, project.faraway.root], check=True)
    try:
        outcome = project.shift()
    finally:
        subprocess.run(["umount", project.faraway.root], check=True)
    assert outcome.status == 3
    assert outcome.document["stopped_by"] == "trouble"
    assert f"is the same folder as {project.source.root}, so it holds no copy" in outcome.err
    assert project.shift().status == 0


# Fails when what left under a certificate, by a new pattern, or long ago counts as a change.
def test_what_left_for_a_reason_or_long_ago_is_no_change_of_late(project):
    project.certificate()
    project.source.delete(PLAN)  # as the certificate allows
    assert project.shift().status == 0
    assert project.clear().status == 0
    for tree in project.trees:
        tree.file(f"{FOLDER}/notes/Thumbs.db", 9).file(f"{FOLDER}/flights/extra.jpg", 9)
    assert project.shift().status == 0
    project.write(ignore='"Thumbs.db"')
    for tree in project.trees:
        tree.delete(f"{FOLDER}/flights/extra.jpg")
    assert project.shift().status in (0, 1)
    found = broken(project.clear())
    assert "extra.jpg (gone, " in found["quiet"] and "Thumbs.db" not in found["quiet"]
    with sqlite3.connect(project.ledger) as ledger:
        ledger.execute("UPDATE departures SET at = at - 31 * 86400")
    ledger.close()
    assert "quiet" not in broken(project.clear())


def test_a_file_edited_between_reading_and_granting_cancels_its_proof(project):
    for tree in project.trees:
        tree.file(f"{FOLDER}/orthos/large.tif", 12 * MIB)
    project.write(pace='at_most = "8 MB/s"')
    with running(
        "--config", project.file, "clearance", SHARE, FOLDER, "--out", project.out, "--json"
    ) as process:
        wait_until(lambda: read_afresh(project, b"plan.txt") == 3, 30, "reading the small ones")
        project.source.rewrite(PLAN, b"high tide")
        out, err = process.communicate(timeout=60)
    assert process.returncode == 1, err
    outcome = Outcome(process.returncode, out, err.decode())
    assert set(broken(outcome)) == {"read-afresh"}
    assert (
        f"The source: 1 path ({PLAN}) changed after it was read" in broken(outcome)["read-afresh"]
    )
    assert os.listdir(project.out) == []
    project.write()
    again = broken(project.clear())
    assert set(again) >= {"quiet", "same-content"} and "read-afresh" not in again


def read_afresh(project: Project, name: bytes) -> int:
    """At how many places a file that was marked has been read since."""
    if not project.ledger.exists():
        return 0
    connection = sqlite3.connect(f"file:{project.ledger}?mode=ro", uri=True)
    try:
        (marked,) = connection.execute("SELECT count(*) FROM clearances WHERE marked").fetchone()
        if not marked:
            return 0
        return connection.execute(
            "SELECT count(*) FROM sightings WHERE name = ? AND wanted IS NULL"
            " AND read_at IS NOT NULL",
            (name,),
        ).fetchone()[0]
    except sqlite3.OperationalError:
        return 0
    finally:
        connection.close()


def test_all_that_stands_against_it_is_said_at_once(project):
    for tree in project.trees:
        tree.file(f"{FOLDER}/orthos/large.tif", 6 * MIB)
    had_damage_that_went_away_by_itself(project)
    project.mirror.file(f"{FOLDER}/notes/left-over.txt", 9)
    assert project.shift().status == 1
    project.source.date(f"{FOLDER}/orthos/harbour.tif", time.time() - 60)
    project.source.link("shortcuts/harbour", f"../{FOLDER}")
    project.source.files(*(f"{FOLDER}/cache/{number:04}" for number in range(1_001)), size=1)
    project.faraway.flip_bit(PHOTO, at=5)
    project.write(ignore='"cache/"', clearance='read_within = "1 s"', pace='at_most = "6 MB/s"')
    with running(
        "--config", project.file, "clearance", SHARE, FOLDER, "--out", project.out, "--json"
    ) as process:
        wait_until(lambda: read_afresh(project, b"empty.txt") == 3, 30, "reading the small ones")
        project.source.rewrite(f"{FOLDER}/notes/empty.txt", b"not empty any more")
        out, err = process.communicate(timeout=90)
    outcome = Outcome(process.returncode, out, err.decode())
    assert set(broken(outcome)) == RULES, broken(outcome)
    assert outcome.status == 1


def test_damage_that_a_copy_repaired_is_explained_and_so_is_what_was_accepted(project):
    here, there = (f"{FOLDER}/notes/{name}.txt" for name in ("café", "cafe\u0301"))
    for tree, path in zip(project.trees, (here, there, here), strict=True):
        tree.file(path, b"low tide")
    assert project.shift().status == 0
    project.mirror.flip_bit(there, at=3)
    project.mirror.flip_bit(PLAN, at=3)
    project.faraway.flip_bit(PHOTO, at=3)
    assert project.shift().status == 1
    an_hour_passes(project)
    for mirror, path in ((project.mirror, PLAN), (project.faraway, PHOTO)):
        shutil.copy2(project.source.at(path), mirror.at(path))
    for path in (here, there):
        outcome = project.run("damage", SHARE, path, "--mirror", "vault", "--json")
        assert (outcome.status, outcome.document["differing_bytes"]) == (1, 1), outcome.err
    shutil.copy2(project.source.at(here), project.mirror.at(there))
    assert project.shift().status == 0
    outcome = project.clear()
    assert outcome.status == 0, broken(outcome)


def test_what_is_pending_refuses_it(project):
    project.settings(
        share='mirror_runs = "00:00"\nmirror_takes = "1 h"',
        more=f'[[share.mirror]]\nname = "faraway"\nat = "{project.faraway.root}"\noff_site = true',
    )
    project.source.file(f"{FOLDER}/notes/new.txt", 9, date=time.time())
    found = broken(project.clear())
    assert "new.txt (pending)" in found["nothing-open"]
    assert "lacks 1 path" in found["same-content"]


@needs_fuse
@pytest.mark.root
def test_two_readings_of_an_unchanged_file_that_differ_refuse_it(tmp_path):
    share = Share(tmp_path).both(PLAN)
    share.both(PHOTO).on("vault", PHOTO, "Unstable", size=1_000, times=1)
    estate = Estate(tmp_path / "estate", Tree(tmp_path / "estate" / "bench" / SHARE))
    with share:
        estate.source, estate.mirror = Tree(share.source), Tree(share.mirror)
        estate.settings(more='[clearance]\ncopies = 1\noff_site = 0\nquiet_for = "0 s"\n')
        found = broken(estate.run("clearance", SHARE, FOLDER, "--json"))
        assert f"{PHOTO} (unreadable)" in found["nothing-open"]
        assert f"vault: 1 path ({PHOTO} (unstable-read))" in found["read-afresh"]
        assert estate.run("clearance", SHARE, FOLDER, "--json").status == 0


@pytest.mark.root
def test_what_cannot_be_read_refuses_it(project):
    project.write(ignore='"cache/"')
    locked = project.source.file(f"{FOLDER}/cache/kept.bin", 9).at(f"{FOLDER}/cache")
    os.chmod(locked, 0)
    os.chmod(project.mirror.at(PLAN), 0)
    for folder in (project.root, *project.root.parents):
        if os.stat(folder).st_uid == 0 and str(folder).startswith("/tmp/"):
            folder.chmod(0o755)
    for folder in (project.state, project.out):
        folder.chmod(0o777)
    as_nobody = ("setpriv", "--reuid=65534", "--regid=65534", "--clear-groups")
    outcome = project.clear(before=as_nobody)
    os.chmod(locked, 0o755)
    found = broken(outcome)
    assert PLAN in found["read-afresh"] and "vault" in found["read-afresh"]
    assert f"{PLAN} (unreadable)" in found["nothing-open"]
    assert f"{FOLDER}/cache" in found["left-out"] and "cannot be listed" in found["left-out"]


def test_what_the_patterns_leave_out_is_listed_in_the_certificate_and_on_its_page(project):
    project.write(ignore='".DS_Store", "cache/"')
    project.source.files(f"{FOLDER}/.DS_Store", f"{FOLDER}/cache/a/b.bin", "elsewhere/.DS_Store")
    outcome = project.clear()
    assert outcome.status == 0, broken(outcome)
    (rule,) = [each for each in outcome.document["rules"] if each["rule"] == "left-out"]
    path = Path(outcome.document["certificate"])
    listed = [each.path for each in certificates.read(path).left_out]
    assert listed == [f"{FOLDER}/.DS_Store", f"{FOLDER}/cache/a/b.bin"]
    for each in listed:
        assert each in rule["detail"]
        assert each in path.with_suffix(".html").read_text()
    with Ledger(project.ledger) as ledger:
        assert ledger.certificates.covering(SHARE, listed[0].encode()) is None


# ---------------------------------------------------------------------------------- bad requests


@pytest.mark.parametrize(
    ("folder", "said"),
    [
        ("", "the whole share"),
        (".", "the whole share"),
        ("./", "the whole share"),
        ("..", '".."'),
        (f"{FOLDER}/..", '".."'),
        (f"../{SHARE}/{FOLDER}", '".."'),
        ("/etc", "does not lie in the source"),
        ("2026-099-nowhere", "There is no folder"),
        (f"{FOLDER}/none/deeper", "There is no folder"),
        (PLAN, "is a file"),
        (f"{FOLDER}/latest", "is a link"),
        (f"{FOLDER}/latest/deeper", "is a link"),
        (f"{FOLDER}/notes/drafts", "nothing to prove"),
    ],
)
def test_what_is_no_folder_of_the_share_is_refused(project, folder, said):
    outcome = project.run("clearance", SHARE, folder, "--out", project.out)
    assert outcome.status == 2, outcome
    assert said in outcome.err and outcome.out == b""
    assert os.listdir(project.out) == []


def test_the_whole_share_by_its_path_is_refused(project):
    outcome = project.run("clearance", SHARE, project.source.root)
    assert outcome.status == 2 and "the whole share" in outcome.err


def test_a_folder_of_which_the_patterns_leave_nothing_is_refused(project):
    project.write(ignore=f'"{FOLDER}/"')
    outcome = project.run("clearance", SHARE, FOLDER)
    assert outcome.status == 2 and "nothing to prove" in outcome.err


@pytest.mark.parametrize(
    "arguments",
    [
        (),
        (SHARE,),
        (SHARE, FOLDER, "more"),
        ("no-such-share", FOLDER),
        ("--recheck", "c.json", ""),
        ("--recheck", "c.json", "--out", "/tmp"),
    ],
)
def test_a_wrong_command_line_is_refused(project, arguments):
    assert project.run("clearance", *arguments).status == 2


def test_a_share_with_no_mirror_is_refused(project):
    text = project.file.read_text()
    project.file.write_text(text[: text.index("[[share.mirror]]")])
    outcome = project.run("clearance", SHARE, FOLDER)
    assert outcome.status == 2 and "mirror" in outcome.err


@pytest.mark.parametrize("where", ["", FOLDER])
def test_a_certificate_is_never_written_into_a_share(project, where):
    out = project.mirror.root / where
    outcome = project.run("clearance", SHARE, FOLDER, "--out", out)
    assert outcome.status == 2 and "lies inside" in outcome.err
    assert not project.ledger.exists()


def test_a_folder_for_results_that_is_not_there_is_said_before_anything_is_read(project):
    outcome = project.run("clearance", SHARE, FOLDER, "--out", project.root / "none")
    assert outcome.status == 3 and "does not exist" in outcome.err
    assert not project.ledger.exists()


def test_a_place_that_is_gone_or_looks_unmounted_is_status_3_and_forgets_nothing(project):
    assert project.shift().status == 0
    aside = project.root / "aside"
    project.faraway.root.rename(aside)
    gone = project.run("clearance", SHARE, FOLDER, "--out", project.out)
    assert gone.status == 3 and "Check that it is mounted" in gone.err
    project.faraway.root.mkdir()
    empty = project.run("clearance", SHARE, FOLDER, "--out", project.out)
    assert empty.status == 3 and "looks unmounted or emptied" in empty.err
    project.faraway.root.rmdir()
    aside.rename(project.faraway.root)
    assert project.clear().status == 0
    assert project.shift().findings == {}


# ------------------------------------------------------------------- hours, and several nights


def test_in_working_hours_it_refuses_and_an_override_is_recorded(project):
    project.write(hours=working_now())
    refused = project.run("clearance", SHARE, FOLDER, "--out", project.out)
    assert refused.status == 2 and "Open again from" in refused.err
    assert project.clear("--now").status == 0
    rows = sqlite3.connect(project.ledger).execute("SELECT command FROM overrides").fetchall()
    assert rows == [("clearance --now",)]


def surveyed(project: Project) -> None:
    """Enough to be read for several seconds at the pace that is set."""
    for tree in project.trees:
        for number in range(8):
            tree.file(f"{FOLDER}/flights/{number}.mp4", 2 * MIB)
    project.write(pace='at_most = "10 MB/s"')


def readings(project: Project) -> dict[tuple[int, bytes], int]:
    """When each file that was marked has been read, by place and name."""
    with sqlite3.connect(project.ledger) as connection:
        rows = connection.execute(
            "SELECT place, name, read_at FROM sightings WHERE kind = 0 AND wanted IS NULL"
            " AND read_at IS NOT NULL"
        ).fetchall()
    connection.close()
    return {(place, name): at for place, name, at in rows}


def test_at_the_bell_it_says_how_far_it_came_and_the_next_night_goes_on(project):
    surveyed(project)
    project.write(hours=closing_in(4), pace='at_most = "10 MB/s"')
    began = time.time()
    outcome = project.clear()
    assert time.time() - began < 6.5
    assert outcome.status == 3
    (rule,) = outcome.document["rules"]
    assert (rule["rule"], rule["held"]) == ("read-afresh", False)
    assert "Working hours begin" in rule["detail"]
    assert "To be read yet: " in rule["detail"] and "goes on from there" in rule["detail"]
    assert outcome.document["certificate"] is None
    goes_on(project)


def goes_on(project: Project) -> None:
    """What was read is not read again, and the request is the same."""
    before = readings(project)
    assert 0 < len(before) < 45
    with sqlite3.connect(project.ledger) as connection:
        asked = connection.execute("SELECT requested_at FROM clearances").fetchall()
    connection.close()
    project.write()
    found = certificates.read(project.certificate())
    after = readings(project)
    assert len(after) == 45
    assert {key: after[key] for key in before} == before
    with sqlite3.connect(project.ledger) as connection:
        assert connection.execute("SELECT requested_at FROM clearances").fetchall() == asked
    connection.close()
    assert found.requested.at == time.strftime("%Y-%m-%dT%H:%M:%S+00:00", time.gmtime(asked[0][0]))


@pytest.mark.parametrize("how", [signal.SIGKILL, signal.SIGTERM, signal.SIGINT])
def test_one_that_is_killed_or_stopped_goes_on_where_it_was(project, how):
    assert project.shift().status == 0
    surveyed(project)
    assert project.shift().status == 0
    with running(
        "--config", project.file, "clearance", SHARE, FOLDER, "--out", project.out, "--json"
    ) as process:
        wait_until(lambda: some_read(project) >= 12, 30, "reading some of it")
        began = time.monotonic()
        for pid in members(process.pid) if how is signal.SIGKILL else [process.pid]:
            os.kill(pid, how)
        out, _ = process.communicate(timeout=10)
        assert time.monotonic() - began < 1.5
    if how is not signal.SIGKILL:
        assert process.returncode == 3
        assert "goes on from there" in json.loads(out)["rules"][0]["detail"]
    assert os.listdir(project.out) == []
    project.write(clearance='quiet_for = "1 s"')  # what was surveyed is new to the second shift
    goes_on_after_shift(project)


def some_read(project: Project) -> int:
    """How many of the files that were marked have been read again."""
    connection = sqlite3.connect(f"file:{project.ledger}?mode=ro", uri=True)
    try:
        (marked,) = connection.execute("SELECT count(*) FROM clearances WHERE marked").fetchone()
        (left,) = connection.execute(
            "SELECT count(*) FROM sightings WHERE wanted IS NOT NULL"
        ).fetchone()
        return (45 - left) if marked else 0
    except sqlite3.OperationalError:
        return 0
    finally:
        connection.close()


def goes_on_after_shift(project: Project) -> None:
    before = readings(project)
    assert 12 <= len(before) < 45
    found = certificates.read(project.certificate())
    after = readings(project)
    assert {key: after[key] for key in before} == before
    assert found.files == 15


def test_what_changed_between_two_nights_is_read_anew_and_nothing_else(project):
    surveyed(project)
    project.write(hours=closing_in(4), pace='at_most = "10 MB/s"')
    assert project.clear().status == 3
    before = readings(project)
    place, name = min(before)
    for tree in project.trees:
        (path,) = [os.path.relpath(each, tree.root) for each in tree.root.rglob(os.fsdecode(name))]
        os.utime(tree.at(path), (DATE + 5, DATE + 5))
    assert project.shift().status in (0, 1)  # reads what changed, past the cache or not
    project.write(clearance='quiet_for = "1 s"', pace='at_most = "10 MB/s"')
    path = project.certificate()
    marked = sqlite3.connect(project.ledger).execute("SELECT count(*) FROM clearance_changes")
    assert marked.fetchone() == (0,)
    assert certificates.read(path).files == 15
    assert readings(project)[place, name] >= before[place, name]


def test_a_refused_request_goes_on_too_once_what_stood_against_it_is_gone(project):
    project.source.link("shortcut", FOLDER)
    assert set(broken(project.clear())) == {"no-links"}
    before = readings(project)
    project.source.delete("shortcut")
    found = certificates.read(project.certificate())
    assert readings(project) == before
    assert found.files == 7


def test_a_shift_that_runs_keeps_it_out(project):
    project.source.file("big.tif", 24 * MIB)
    project.write(pace='at_most = "4 MB/s"')
    lock = Path(f"{project.ledger}.lock")
    with running("--config", project.file, "shift") as process:
        wait_until(lambda: lock.exists() and lock.stat().st_size > 0, 20, "the lock")
        outcome = project.run("clearance", SHARE, FOLDER, "--out", project.out)
        assert outcome.status == 3
        assert f"Process {process.pid}" in outcome.err


# --------------------------------------------------------------------------------------- recheck


@pytest.fixture
def elsewhere(project: Project, tmp_path: Path) -> tuple[Path, dict[str, str]]:
    """The certificate and its manifest alone on another machine, which has no settings."""
    path = project.certificate()
    carried = tmp_path / "carried"
    carried.mkdir()
    for each in (path, path.with_suffix("").with_suffix(".manifest.gz")):
        shutil.copy2(each, carried)
    home = tmp_path / "home"
    home.mkdir()
    shutil.rmtree(project.state)
    shutil.rmtree(project.source.root)
    environment = {"HOME": str(home), "XDG_CONFIG_HOME": str(home), "VERIFIER_CONFIG": ""}
    return carried / path.name, environment


def recheck(certificate: Path, *places: Any, **how: Any) -> Outcome:
    outcome = verifier("clearance", "--recheck", certificate, *places, "--json", **how)
    document = outcome.document
    assert list(document) == ["schema", "granted", "rules", "certificate"]
    assert document["certificate"] == str(certificate)
    assert document["granted"] == (outcome.status == 0)
    return outcome


@pytest.mark.parametrize("of_share", [True, False])
def test_a_copy_is_read_again_with_the_certificate_and_its_manifest_alone(
    project, elsewhere, of_share
):
    path, environment = elsewhere
    moved = project.mirror.root.rename(project.root / "a disk from the shelf")
    place = moved if of_share else moved / FOLDER
    outcome = recheck(path, place, environment=environment)
    assert outcome.status == 0
    assert [rule["rule"] for rule in outcome.document["rules"]] == [
        "certificate",
        "manifest",
        "copy-whole",
    ]
    assert "every byte as certified" in outcome.document["rules"][2]["detail"]


def test_without_a_place_all_mirrors_of_the_certificate_are_read(project, elsewhere):
    path, environment = elsewhere
    outcome = recheck(path, environment=environment)
    assert outcome.status == 0
    said = [rule["detail"] for rule in outcome.document["rules"][2:]]
    assert str(project.mirror.root) in said[0] and str(project.faraway.root) in said[1]


# Fails when the address of a copy is kept only as it is shown, which another folder may be called.
def test_a_copy_is_read_again_by_the_bytes_of_its_name(project):
    for tree in project.trees:
        tree.file("a\nb/plan.txt", 9).file("a\\x0ab/plan.txt", 9)
    outcome = project.clear(folder="a\nb")
    assert outcome.status == 0, broken(outcome)
    path = Path(outcome.document["certificate"])
    copies = json.loads(path.read_bytes())["copies"]
    assert [base64.b64decode(each["at_b64"]) for each in copies] == [
        os.fsencode(tree.root / "a\nb") for tree in project.trees
    ]
    assert recheck(path).status == 0
    shutil.rmtree(project.mirror.root / "a\nb")
    assert recheck(path).status == 3


def test_a_year_later_one_bit_that_is_gone_is_found_and_the_file_named(project, elsewhere):
    path, environment = elsewhere
    project.mirror.flip_bit(f"{FOLDER}/flights/day-1/DJI_0003.mp4", at=-7, bit=5)
    outcome = recheck(path, environment=environment)
    assert outcome.status == 1
    held = {rule["detail"]: rule["held"] for rule in outcome.document["rules"]}
    assert list(held.values()) == [True, True, False, False, True]
    (file,) = [rule for rule in outcome.document["rules"] if rule["rule"] == "file"]
    damaged = project.mirror.root / FOLDER / "flights/day-1/DJI_0003.mp4"
    assert file["detail"].startswith(f"{damaged} is damaged")
    words = verifier("clearance", "--recheck", path, environment=environment)
    assert words.status == 1
    assert words.out.startswith(b"NOT WHOLE")
    assert str(damaged).encode() in b"".join(words.out.split())


def test_every_file_that_is_missing_cut_or_of_another_kind_is_named(project, elsewhere):
    path, environment = elsewhere
    project.mirror.delete(PLAN).cut(PHOTO, to=10)
    project.mirror.replace_by_link(f"{FOLDER}/orthos/harbour.tif", "nowhere")
    project.mirror.delete(f"{FOLDER}/latest").link(f"{FOLDER}/latest", "flights")
    project.mirror.file(f"{FOLDER}/more.txt", 9)  # what it holds besides is no matter
    outcome = recheck(path, project.mirror.root, environment=environment)
    assert outcome.status == 1
    said = [rule["detail"] for rule in outcome.document["rules"] if rule["rule"] == "file"]
    root = f"{project.mirror.root}/"
    assert said == [
        f"{root}{PHOTO} is damaged: it holds 10 bytes, and 1,000 were certified.",
        f"{root}{FOLDER}/latest is damaged: it is a link to flights now.",
        f"{root}{PLAN} is missing.",
        f"{root}{FOLDER}/orthos/harbour.tif is damaged: a file stood there, and now something "
        "else does.",
    ]


def test_a_copy_that_is_not_there_or_empty_is_status_3_and_the_others_are_read(project, elsewhere):
    path, environment = elsewhere
    empty = project.root / "empty"
    empty.mkdir()
    outcome = recheck(
        path, project.root / "none", empty, project.faraway.root, environment=environment
    )
    assert outcome.status == 3
    held = [rule["held"] for rule in outcome.document["rules"]]
    assert held == [True, True, False, False, True]
    assert "looks unmounted or emptied" in outcome.document["rules"][3]["detail"]


def test_a_file_that_cannot_be_read_is_status_3_also_beside_a_damaged_one(project, elsewhere):
    path, environment = elsewhere
    os.chmod(project.mirror.at(PLAN), 0)
    for folder in (project.root, *project.root.parents):
        if os.stat(folder).st_uid == 0 and str(folder).startswith("/tmp/"):
            folder.chmod(0o755)
    as_nobody = ("setpriv", "--reuid=65534", "--regid=65534", "--clear-groups")
    outcome = recheck(path, project.mirror.root, environment=environment, before=as_nobody)
    assert outcome.status == 3
    assert "1 could not be read" in outcome.document["rules"][2]["detail"]
    project.mirror.delete(PHOTO)
    asked = ("clearance", "--recheck", path, project.mirror.root)
    words = verifier(*asked, environment=environment, before=as_nobody)
    assert words.status == 3
    assert words.out.startswith(b"NOT WHOLE, and not all could be read")


def test_an_edited_certificate_or_one_without_its_own_manifest_is_refused(project, elsewhere):
    path, environment = elsewhere
    (manifest,) = path.parent.glob("*.manifest.gz")
    whole = path.read_bytes()
    at = whole.index(b'"files": 7') + 9
    path.write_bytes(whole[:at] + b"8" + whole[at + 1 :])
    refused("was edited or damaged", path, environment)
    path.write_bytes(whole)
    content = manifest.read_bytes()
    manifest.write_bytes(content[:-9] + bytes([content[-9] ^ 1]) + content[-8:])
    refused("another digest", path, environment)
    manifest.unlink()
    refused("cannot be read", path, environment)
    path.unlink()
    refused("cannot be read", path, environment)


def refused(said: str, path: Path, environment: dict[str, str]) -> None:
    for more in ((), ("--json",)):
        outcome = verifier("clearance", "--recheck", path, *more, environment=environment)
        assert outcome.status == 3
        assert said in outcome.err and outcome.out == b""


def test_a_recheck_heeds_the_hours_where_there_are_settings(project):
    path = project.certificate()
    project.write(hours=working_now())
    assert project.run("clearance", "--recheck", path).status == 2
    assert project.run("clearance", "--recheck", path, "--now").status == 0
