"""Shifts as they run: the installed command, real trees, a real ledger, the real clock."""

from __future__ import annotations

import html
import os
import re
import shutil
import signal
import sqlite3
import subprocess
import threading
import time
from contextlib import closing
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
from trees import Tree

from program.estate import SHARE, Estate, closing_in, document_in, working_now
from program.running import (
    bytes_read_by,
    clock_at,
    io_read,
    members,
    running,
    verifier,
    wait_until,
)
from verifier.ledger import Ledger, PlaceName
from verifier.pace import BURST, GRANTED_AT_ONCE

MIB = 1024 * 1024


@pytest.fixture
def estate(tmp_path: Path) -> Estate:
    return Estate(tmp_path)


def largest_of(tree: Tree) -> str:
    found = [path for path in tree.root.rglob("*") if path.is_file() and not path.is_symlink()]
    return str(max(found, key=lambda path: path.stat().st_size).relative_to(tree.root))


def files_of(tree: Tree) -> int:
    return sum(len(files) for _, _, files in os.walk(tree.root))


def test_a_first_shift_reads_both_sides_and_the_second_night_finds_nothing_new(estate):
    estate.settings(audit='nights = ["Mon"]')
    first = estate.shift("--until", soon(600))
    assert first.status == 0
    document = first.document
    assert document["stopped_by"] == "done"
    assert document["findings"] == []
    assert document["left"] == {"files": 0, "bytes": 0}
    assert document["files_read"] == 2 * files_of(estate.source)
    assert document["shift"] == 1


def soon(seconds: float) -> str:
    return time.strftime("%Y-%m-%dT%H:%M:%S+00:00", time.gmtime(time.time() + seconds))


def test_a_flipped_bit_under_a_kept_date_is_found_by_the_next_audit_and_the_right_side_named(
    estate,
):
    assert estate.shift().status == 0
    path = "2026-014-harbour-wall/notes/plan.txt"
    if not os.path.exists(estate.mirror.at(path)):
        path = sorted(
            os.path.relpath(os.path.join(folder, name), estate.mirror.root)
            for folder, _, names in os.walk(estate.mirror.root)
            for name in names
            if os.path.getsize(os.path.join(folder, name)) > 10
            and not os.path.islink(os.path.join(folder, name))
        )[0]
    rot(estate.mirror, path)
    found = estate.shift()
    assert found.status == 1
    assert found.findings == {path: ("corrupt", "rot", "mirror", None)}
    (finding,) = found.document["findings"]
    assert (finding["share"], finding["mirror"]) == (SHARE, "vault")
    assert finding["id"] == 1 and finding["first_seen"].endswith("+00:00")
    assert finding["damage"]["differing_bytes"] == 1
    again = estate.shift()
    assert again.document["findings"][0]["id"] == 1
    shutil.copy2(estate.source.at(path), estate.mirror.at(path))
    assert estate.shift().document["findings"] == []


def rot(tree: Tree, path: str) -> None:
    """Change a bit as a disk does: the file system is told nothing of it."""
    tree.flip_bit(path, at=3)


def stopped_when(estate: Estate, query: str, values: tuple[object, ...], least: int) -> Any:
    """The document of a shift that is stopped once a query of its ledger counts so many."""

    def counted() -> bool:
        with closing(sqlite3.connect(estate.ledger)) as ledger:
            return ledger.execute(query, values).fetchone()[0] >= least

    with running("--config", estate.file, "shift", "--json") as process:
        wait_until(counted, 60, query)
        os.kill(process.pid, signal.SIGTERM)
        out, err = process.communicate(timeout=20)
    document = document_in(out)
    assert document["stopped_by"] == "signal", err
    return document


# Fails when neighbours wait for the rest of the audit, or are judged only when it is over.
def test_what_is_near_damage_is_read_before_the_rest_when_a_shift_ends_early(tmp_path):
    source = Tree(tmp_path / "bench" / SHARE)
    now = int(time.time())
    near = [f"2026-014-harbour-wall/flights/DJI_{number:04}.jpg" for number in range(1, 9)]
    far = [f"2025-070-weir/point-clouds/{number:02}.laz" for number in range(1, 31)]
    for number, path in enumerate([*near, *far]):
        source.file(path, 64 * 1024 if path in near else 8 * MIB, date=now - (number + 2) * 3_600)
    estate = Estate(tmp_path, source)
    assert estate.shift().status == 0
    damaged, also = near[4], near[6]
    with closing(sqlite3.connect(estate.ledger)) as ledger:
        # By age alone the neighbours would come last of all.
        for paths, days in ((far, 3), (near, 2), ([damaged], 9)):
            for path in paths:
                ledger.execute(
                    "UPDATE sightings SET read_at = ? WHERE name = ?",
                    (now - days * 86_400, os.path.basename(path).encode()),
                )
        ledger.commit()
    for path in (damaged, also):
        rot(estate.mirror, path)
        estate.forget_the_write(estate.mirror, "vault", path)
    estate.settings(pace='at_most = "16 MB/s"')
    read_again = "SELECT count(*) FROM sightings WHERE name = ? AND read_at >= ?"
    name = os.path.basename(damaged).encode()
    first = stopped_when(estate, read_again, (name, now), 2)
    assert first["findings"] == []
    second = stopped_when(estate, "SELECT count(*) FROM findings WHERE state = 'open'", (), 2)
    assert second["left"]["bytes"] > 40 * MIB
    found = {each["path"]: (each["cause"], each["side"]) for each in second["findings"]}
    assert found == dict.fromkeys((damaged, also), ("rot", "mirror"))
    details = {each["path"]: each["detail"] for each in second["findings"]}
    said = f"Found while checking around {damaged}."
    assert details[also].endswith(said) and said not in details[damaged]
    with closing(sqlite3.connect(estate.ledger)) as ledger:
        read = dict(
            ledger.execute(
                "SELECT CAST(name AS TEXT), read_at FROM sightings"
                " WHERE place = (SELECT id FROM places WHERE name = 'vault')"
            )
        )
    assert all(read[os.path.basename(path)] >= now for path in near)
    waits = [path for path in far if read[os.path.basename(path)] < now]
    assert len(waits) >= 3, "the rest of the audit was to be cut short"
    # People are told where to look, in every form.
    assert said in " ".join(estate.run("findings").out.decode().split())
    page = estate.run("report", "--json").document["page"]
    assert said in html.unescape(Path(page).read_text())


def test_an_accepted_change_is_quiet(estate):
    assert estate.shift().status == 0
    estate.mirror.file("left-over.txt", b"not on the source")
    found = estate.shift()
    assert found.findings == {"left-over.txt": ("orphaned", "deleted-at-source", "mirror", None)}
    assert estate.run("accept", "1", "--because", "kept on purpose").status == 0
    assert estate.shift().status == 0


def test_in_working_hours_it_exits_at_once_with_a_sentence_and_reads_nothing(estate):
    estate.settings(hours=working_now())
    began = time.monotonic()
    outcome = estate.shift()
    assert time.monotonic() - began < 5
    assert outcome.status == 0
    assert outcome.document["stopped_by"] == "working-hours"
    assert outcome.document["shift"] is None
    assert outcome.document["files_read"] == outcome.document["read_bytes"] == 0
    assert "working hours" in outcome.err and "Open again from" in outcome.err


def test_an_empty_mirror_looks_unmounted_and_makes_no_finding(estate):
    assert estate.shift().status == 0
    for name in os.listdir(estate.mirror.root):
        shutil.rmtree(estate.mirror.at(name)) if os.path.isdir(
            estate.mirror.at(name)
        ) else os.unlink(estate.mirror.at(name))
    outcome = estate.shift()
    assert outcome.status == 3
    assert outcome.document["stopped_by"] == "trouble"
    assert outcome.document["findings"] == []
    assert "looks unmounted or emptied" in outcome.err
    believed = estate.shift("--believe")
    assert believed.status == 1
    assert {each["verdict"] for each in believed.document["findings"]} == {"missing"}
    rows = sqlite3.connect(estate.ledger).execute("SELECT command FROM overrides").fetchall()
    assert rows == [("shift --believe",)]


# Fails without `summary.lacking` in guards.py: then each file is missing and each other orphaned.
def test_another_disk_in_a_mirrors_place_looks_unmounted_and_a_renamed_folder_does_not(tmp_path):
    source = Tree(tmp_path / "bench" / SHARE)
    for number in range(30):
        source.file(f"2026-014-harbour-wall/flights/DJI_{number:04}.jpg", 1_000 + number)
    estate = Estate(tmp_path, source)
    assert estate.shift().status == 0
    away = estate.mirror.root.with_name("away")
    os.rename(estate.mirror.root, away)
    for number in range(30):
        estate.mirror.file(f"2025-070-weir/flights/DJI_{number:04}.jpg", 2_000 + number)
    outcome = estate.shift()
    assert (outcome.status, outcome.document["findings"]) == (3, [])
    assert "it lacks 30 of the 30 paths" in outcome.err and "another disk" in outcome.err
    shutil.rmtree(estate.mirror.root)
    os.rename(away, estate.mirror.root)
    assert estate.shift().status == 0
    estate.mirror.rename("2026-014-harbour-wall", "2026-014-harbor-wall")
    outcome = estate.shift()
    assert {(each["verdict"], each["cause"]) for each in outcome.document["findings"]} == {
        ("missing", "moved"),
        ("orphaned", "moved"),
    }
    # What the source does not hold any more either is no other disk.
    estate.source.rename("2026-014-harbour-wall", "2026-014-harbor-wall")
    for number in range(30):
        estate.source.file(f"2026-015-weir/{number:04}.jpg", 4_000 + number)
    assert estate.shift().status == 1
    shutil.rmtree(estate.source.at("2026-014-harbor-wall"))
    shutil.rmtree(estate.mirror.root)
    source.copy_to(estate.mirror.root)
    outcome = estate.shift()
    assert outcome.document["findings"] == [] and "another disk" not in outcome.err


def test_a_root_that_is_missing_is_a_trouble_of_that_place_alone(estate):
    assert estate.shift().status == 0
    os.rename(estate.mirror.root, estate.root / "elsewhere")
    outcome = estate.shift()
    assert outcome.status == 3
    assert outcome.document["stopped_by"] == "trouble"
    assert outcome.document["findings"] == []
    assert outcome.document["unreachable"][0]["place"] == "vault"
    os.rename(estate.root / "elsewhere", estate.mirror.root)
    assert estate.shift().status == 0


@pytest.mark.parametrize("side", ["source", "vault"])
@pytest.mark.parametrize("emptied", [False, True])
def test_findings_are_no_all_clear_while_a_place_was_not_reached(estate, side, emptied):
    assert estate.shift().status == 0
    tree = estate.source if side == "source" else estate.mirror
    os.rename(tree.root, estate.root / "elsewhere")
    if emptied:
        os.mkdir(tree.root)
    for _ in range(2):
        shift = estate.run("shift")
        assert shift.status == 3
        text = estate.run("findings")
        assert text.status == 3
        for said in (shift.out, text.out):
            assert b"Nothing needs you" not in said
            assert b"No finding is open, but 1 place could not be looked through and read." in said
        listed = estate.run("findings", "--json")
        assert listed.status == 3
        (notice,) = listed.document["notices"]
        assert notice["place"] == side
        assert notice["what"] == ("unmounted" if emptied else "unreachable")
        assert str(tree.root) in notice["detail"]
    ended = "SELECT stopped_by FROM shifts ORDER BY id"
    assert sqlite3.connect(estate.ledger).execute(ended).fetchall() == [
        ("done",),
        ("trouble",),
        ("trouble",),
    ]
    if emptied:
        os.rmdir(tree.root)
    os.rename(estate.root / "elsewhere", tree.root)
    assert estate.shift().status == 0
    healed = estate.run("findings")
    assert healed.status == 0
    assert healed.out.startswith(b"Nothing needs you.")


def test_a_shift_that_is_stopped_early_leaves_a_lost_place_lost(estate):
    assert estate.shift().status == 0
    os.rename(estate.mirror.root, estate.root / "elsewhere")
    assert estate.shift().status == 3
    with Ledger(estate.ledger) as ledger:
        number = ledger.shifts.start(int(time.time()))
        ledger.shifts.end(number, int(time.time()), "signal")
    assert estate.run("findings").status == 3


def test_a_mass_change_on_the_source_is_said_first(estate):
    assert estate.shift().status == 0
    for folder, _, names in os.walk(estate.source.root):
        for name in names:
            path = os.path.join(folder, name)
            if not os.path.islink(path):
                Path(path).write_bytes(b"locked by somebody" + os.urandom(8))
    outcome = estate.shift()
    assert outcome.status in (1, 3)
    assert outcome.document["notices"][0]["what"] == "surge"
    first = outcome.err.strip().splitlines()[0]
    assert "changed" in first and "pause it" in first
    listed = estate.run("findings").out.decode()
    assert "very much changed at once on 1 source" in listed.split("\n\n")[0].replace("\n", " ")
    assert listed.index("Whole places: look at these first (1)") < listed.index("run the copy job")


def test_a_surge_is_told_by_the_next_shift_when_its_own_did_not_come_to_its_end(estate):
    assert estate.shift().status == 0
    for number, path in enumerate(sorted(Path(estate.source.root).rglob("*.*"))):
        if path.is_file() and not path.is_symlink():
            path.write_bytes(b"locked by somebody %d" % number)
    first = estate.shift().document["notices"]
    for ended in ("ended = NULL, stopped_by = NULL", "stopped_by = 'signal'"):
        with sqlite3.connect(estate.ledger) as ledger:
            ledger.execute(f"UPDATE shifts SET {ended} WHERE id = (SELECT max(id) FROM shifts)")
        again = estate.shift()
        assert [each["what"] for each in again.document["notices"]] == ["surge"]
        assert again.document["notices"][0]["detail"] == first[0]["detail"]
        assert again.status in (1, 3)
    assert "notices" not in estate.shift().document


# Fails when what a clock that was ahead has dated is believed until that time comes.
def test_after_a_night_with_a_clock_far_ahead_every_file_is_read_again(estate):
    now = time.time()
    for days in (0, 3650):
        estate.run("shift", "--json", environment=clock_at(now + days * 86_400))
    later = clock_at(now + 2 * 86_400)
    path = largest_of(estate.source)
    for tree, place in ((estate.source, "source"), (estate.mirror, "vault")):
        kept = os.stat(tree.at(path))
        Path(os.fsdecode(tree.at(path))).write_bytes(b"rot" + tree.read(path)[3:])
        os.utime(tree.at(path), ns=(kept.st_atime_ns, kept.st_mtime_ns))
        estate.forget_the_write(tree, place, path)
    outcome = estate.run("shift", "--json", environment=later)
    assert "dated days later than now" in outcome.err
    assert outcome.findings[path][:3] == ("corrupt", "rot", "both")
    page = estate.run("report", "--json", environment=later).document
    assert page["as_of"][:4] <= time.strftime("%Y", time.gmtime(now + 3 * 86_400))


# Fails when a shift and `findings` call that good which nobody looks at before a wrong time comes.
def test_where_the_first_shift_had_its_clock_far_ahead_no_words_say_that_all_is_good(estate):
    now = time.time()
    estate.run("shift", environment=clock_at(now + 400 * 86_400))
    for command in ("shift", "findings"):
        said = " ".join(estate.run(command, environment=clock_at(now)).out.decode().split())
        assert "Nothing needs you" not in said
        assert (
            "No finding is open, but 2 places are not read again before a time that is still far "
            "ahead, since the clock of this machine was or is wrong: check it."
        ) in said
    listed = estate.run("findings", "--json", environment=clock_at(now))
    assert [each["place"] for each in listed.document["waits_for_clock"]] == ["source", "vault"]
    assert listed.status == 3
    later = clock_at(now + 400 * 86_400)
    assert b"not read again" not in estate.run("findings", environment=later).out


# Fails without `>= :enough` and `ended > :now` in FARTHEST_BEYOND: nothing is read for a year.
@pytest.mark.parametrize("how", ["first of all", "in the middle of a shift"])
def test_a_clock_that_was_ahead_only_once_keeps_no_file_from_being_read_for_long(estate, how):
    now, days_ahead = time.time(), 400 * 86_400
    if how == "first of all":
        estate.run("shift", environment=clock_at(now + days_ahead))
    else:
        estate.run("shift", environment=clock_at(now))
        with closing(sqlite3.connect(estate.ledger)) as ledger:
            ledger.execute("UPDATE shifts SET ended = ended + ?", (days_ahead,))
            ledger.execute("UPDATE sightings SET read_at = read_at + ?", (days_ahead,))
            ledger.commit()
    for night in range(1, 5):
        outcome = estate.run("shift", "--json", environment=clock_at(now + night * 86_400))
    assert outcome.document["files_read"] == 2 * files_of(estate.source)
    assert estate.run("findings", environment=clock_at(now + 4 * 86_400)).status == 0


# Fails without SEEN_BACK in ledger/statements.py: its copy is due a year later only.
def test_a_file_first_seen_by_a_clock_far_ahead_is_missed_by_the_next_mirror_run(estate):
    estate.settings(share='mirror_runs = "03:00"\nmirror_takes = "10 min"')
    now = time.time()
    estate.run("shift", environment=clock_at(now))
    estate.source.file("new.tif", 5_000, date=now)
    estate.run("shift", environment=clock_at(now + 400 * 86_400))
    for night in (2, 4):
        outcome = estate.run("shift", "--json", environment=clock_at(now + night * 86_400))
    assert outcome.findings == {"new.tif": ("missing", "never-copied", "mirror", None)}


# Fails when a clock that is behind has the record of true readings changed.
@pytest.mark.parametrize("behind", [-30 * 365 * 86_400, 0.5 * 86_400])
def test_a_clock_that_is_behind_takes_back_no_date_of_a_reading(estate, behind):
    now = time.time()
    for days in (0, 2 / 3, 4 / 3, 2):
        estate.run("shift", "--json", environment=clock_at(now + days * 86_400))
    with Ledger(estate.ledger) as ledger:
        before = {place: ledger.work.oldest_read(place) for place in ledger.places()}
        assert min(before.values()) > now + 1.9 * 86_400
    outcome = estate.run("shift", "--json", environment=clock_at(now + behind))
    assert "dated days later" not in outcome.err
    with Ledger(estate.ledger) as ledger:
        assert {place: ledger.work.oldest_read(place) for place in ledger.places()} == before


def test_nothing_is_written_to_a_share(estate):
    before = {
        path: os.stat(path)
        for tree in (estate.source, estate.mirror)
        for folder, folders, files in os.walk(tree.root)
        for path in [folder, *(os.path.join(folder, name) for name in folders + files)]
        if not os.path.islink(path)
    }
    estate.shift()
    estate.shift()
    for path, found in before.items():
        now = os.stat(path)
        assert (now.st_mtime_ns, now.st_ctime_ns, now.st_size) == (
            found.st_mtime_ns,
            found.st_ctime_ns,
            found.st_size,
        )


def test_a_second_shift_is_kept_out(estate):
    large = Tree(estate.root / "bench" / SHARE).file("big.tif", 24 * MIB)
    assert large
    estate.settings(pace='at_most = "4 MB/s"')
    with running("--config", estate.file, "shift") as first:
        wait_until(lambda: estate.ledger.exists() and locked(estate), 20, "a shift")
        outcome = estate.run("shift")
        assert outcome.status == 3
        assert f"Process {first.pid}" in outcome.err


def locked(estate: Estate) -> bool:
    lock = Path(f"{estate.ledger}.lock")
    return lock.exists() and lock.stat().st_size > 0


@pytest.mark.parametrize("how", [signal.SIGTERM, signal.SIGINT])
def test_a_signal_ends_it_within_a_second_and_what_was_read_is_kept(estate, how):
    for number in range(12):
        estate.source.file(f"reel-{number:02}.tif", 2 * MIB)
    estate.settings(pace='at_most = "6 MB/s"')
    with running("--config", estate.file, "shift", "--json") as process:
        wait_until(lambda: recorded(estate) >= 2, 20, "recording")
        began = time.monotonic()
        os.kill(process.pid, how)
        _out, err = process.communicate(timeout=10)
        assert time.monotonic() - began < 1.5
        assert process.returncode == 3, err
        assert not members(process.pid)
    kept = recorded(estate)
    assert kept >= 2
    estate.settings()
    rest = estate.shift()
    assert rest.document["stopped_by"] == "done"
    assert rest.document["left"] == {"files": 0, "bytes": 0}
    assert rest.document["files_read"] <= total_files(estate) - kept


# Fails when what is cut off is not recorded, is recorded as walked, or is read again.
@pytest.mark.parametrize("how", ["signal", "kill"])
def test_a_first_look_that_is_cut_off_keeps_what_it_read_and_calls_nothing_missing(estate, how):
    notes = 1_500
    for tree in (estate.source, estate.mirror):
        for number in range(notes):
            tree.file(f"2026-021-salt-pans/notes/{number % 7}/{number:04}.txt", 4_000)
    estate.mirror.delete("2026-021-salt-pans/notes/3/0003.txt")
    estate.settings(pace='at_most = "2 MB/s"')
    with running("--config", estate.file, "shift") as process:
        wait_until(lambda: recorded(estate) >= 300, 20, "recording")
        for pid in [process.pid] if how == "signal" else members(process.pid):
            os.kill(pid, signal.SIGTERM if how == "signal" else signal.SIGKILL)
        told, _ = process.communicate(timeout=10)
    kept = recorded(estate)
    assert 300 <= kept < 2 * notes
    if how == "signal":
        said = " ".join(told.decode().split())
        assert re.search(
            r"; at least \d+ files of .* left\. No finding is open, but no shift", said
        )
        assert "but no shift has looked through 2 places yet" in said
    assert b"Nothing needs you" not in told
    assert estate.run("findings").status == 3
    estate.settings()
    rest = estate.shift()
    assert rest.document["stopped_by"] == "done" and rest.status == 1, rest.err
    (missing,) = rest.document["findings"]
    assert missing["path"] == "2026-021-salt-pans/notes/3/0003.txt"
    assert rest.document["files_read"] == total_files(estate) - kept
    with Ledger(estate.ledger) as ledger:
        assert ledger.soundness() == ()


# Fails when what the source has long held is judged only for the mirrors that were there then.
def test_a_mirror_that_is_added_later_is_told_of_what_it_lacks(estate):
    assert estate.shift().status == 0
    assert estate.shift().status == 0
    faraway = estate.source.copy_to(estate.root / "faraway" / SHARE)
    lacking = "2026-014-harbour-wall/notes/plan.txt"
    faraway.delete(lacking)
    estate.settings(more=f"""[[share.mirror]]\nname = "faraway"\nat = "{faraway.root}"\n""")
    before = estate.run("findings", "--json")
    assert before.status == 3, "nothing is known of it yet"
    assert before.document["not_reached"] == [{"share": SHARE, "place": "faraway", "walked": None}]
    outcome = estate.shift()
    assert outcome.status == 1 and "not_reached" not in outcome.document
    (found,) = outcome.document["findings"]
    assert (found["path"], found["verdict"], found["mirror"]) == (lacking, "missing", "faraway")


# Fails when only places that were walked before are compared with each other.
@pytest.mark.root
def test_a_first_shift_finds_out_that_the_mirror_is_the_source_by_a_mount(estate):
    subprocess.run(["mount", "--bind", estate.source.root, estate.mirror.root], check=True)
    try:
        outcome = estate.shift()
    finally:
        subprocess.run(["umount", estate.mirror.root], check=True)
    assert outcome.status == 3
    assert f"is the same folder as {estate.source.root}, so it holds no copy" in outcome.err
    with Ledger(estate.ledger) as ledger:
        assert not list(ledger.agreements.all(PlaceName(SHARE, "vault")))


def recorded(estate: Estate) -> int:
    if not estate.ledger.exists():
        return 0
    connection = sqlite3.connect(f"file:{estate.ledger}?mode=ro", uri=True)
    try:
        return connection.execute(
            "SELECT count(*) FROM sightings WHERE digest IS NOT NULL"
        ).fetchone()[0]
    except sqlite3.OperationalError:
        return 0
    finally:
        connection.close()


def total_files(estate: Estate) -> int:
    return sum(
        not os.path.islink(os.path.join(folder, name))
        for tree in (estate.source, estate.mirror)
        for folder, _, names in os.walk(tree.root)
        for name in names
    )


def test_the_bell_stops_it_within_a_second_in_the_middle_of_a_file(estate):
    estate.source.file("flight.mov", 96 * MIB)
    estate.settings(hours=closing_in(4), pace='at_most = "8 MB/s"')
    bell = time.time() + 4
    with running("--config", estate.file, "shift", "--json") as process:
        most: dict[int, int] = {}
        while process.poll() is None:
            for pid in members(process.pid):
                count = io_read(pid)
                if count is not None:
                    most[pid] = count
            time.sleep(0.02)  # the kernel's counters are looked at from outside
        assert abs(time.time() - bell) < 2.5
        out, err = process.communicate()
    assert process.returncode in (0, 1), err
    document = document_in(out)
    assert document["stopped_by"] == "working-hours"
    assert document["left"]["files"] >= 1
    # By the kernel's own count no more was read than the pace allows until the bell.
    assert document["read_bytes"] <= 8_000_000 * 5
    assert sum(most.values()) >= document["read_bytes"]
    estate.settings()
    rest = estate.shift()
    assert rest.document["stopped_by"] == "done"
    assert rest.document["left"]["files"] == 0


# Fails without `_goes_first` in jobs/shift.py: what is new each night leaves no room for it.
def test_a_large_file_whose_time_is_nearly_up_is_read_before_what_is_new(tmp_path):
    source = Tree(tmp_path / "bench" / SHARE).file("orthos/wall.tif", 8 * MIB)
    estate = Estate(tmp_path, source)
    assert estate.shift().status == 0
    ago = int(time.time()) - 80 * 86_400
    with closing(sqlite3.connect(estate.ledger)) as ledger:
        ledger.execute("UPDATE sightings SET read_at = ?", (ago,))
        ledger.execute("UPDATE came_off SET bytes = ?", (512 * MIB,))
        ledger.execute("UPDATE shift_readings SET seconds = 512")
        ledger.commit()
    for tree in (estate.source, estate.mirror):
        for number in range(120):
            tree.file(f"flights/{number:03}.jpg", MIB // 4)
    estate.settings(pace='at_most = "2 MiB/s"')
    outcome = estate.shift("--until", soon(24))
    assert outcome.document["stopped_by"] == "until"
    with Ledger(estate.ledger) as ledger:
        for place in ledger.places():
            ((_, known),) = ledger.sightings_at(place, [b"orthos/wall.tif"])
            assert known.sighting.read_at > ago
            assert ledger.work.totals(place).unread_files > 0


def test_until_stops_it_and_says_so(estate):
    estate.source.file("flight.mov", 64 * MIB)
    estate.settings(pace='at_most = "4 MB/s"')
    outcome = estate.shift("--until", soon(2))
    assert outcome.document["stopped_by"] == "until"
    assert outcome.status in (0, 1)


# Fails when what readers have in hand at the bell of a first look is thrown away.
def test_no_small_file_is_read_again_that_was_read_before_the_bell(estate):
    for tree in (estate.source, estate.mirror):
        for number in range(800):
            tree.file(f"2026-021-salt-pans/notes/{number % 7}/{number:04}.txt", 8_000)
    estate.settings(pace='at_most = "4 MB/s"')
    first = estate.shift("--until", soon(2))
    assert first.document["stopped_by"] == "until"
    assert 0 < first.document["files_read"] < 1_600
    estate.settings()
    rest = estate.shift()
    assert rest.document["stopped_by"] == "done"
    both = [each.document for each in (first, rest)]
    assert sum(each["files_read"] for each in both) == total_files(estate)
    assert sum(each["read_bytes"] for each in both) == total_bytes(estate)


@pytest.mark.parametrize("until", ["25:00", "tomorrow", "2001-01-01T00:00:00+00:00", ""])
def test_a_time_that_is_none_or_has_passed_is_refused(estate, until):
    outcome = estate.run("shift", "--until", until)
    assert outcome.status == 2
    assert "--until" in outcome.err


def test_a_dry_run_reads_and_records_nothing(estate):
    plan = estate.run("shift", "--dry-run", "--json")
    assert plan.status == 0
    assert not estate.ledger.exists()
    assert sum(each["new"]["files"] for each in plan.document["places"]) == total_files(estate)
    assert estate.shift().status == 0
    estate.source.file("new.tif", 5_000)
    later = estate.run("shift", "--dry-run", "--json").document
    assert later["ends"] is not None
    words = estate.run("shift", "--dry-run")
    assert words.status == 0 and b"A shift would begin" in words.out


def test_settings_without_a_share_are_sent_to_setup(tmp_path):
    file = tmp_path / "settings.toml"
    file.write_text('[studio]\nname = "x"\ntimezone = "UTC"\n')
    outcome = verifier("--config", file, "shift")
    assert outcome.status == 2
    assert "verifier setup" in outcome.err


def test_a_resident_goes_on_with_a_large_file_at_the_byte_where_the_bell_stopped_it(estate):
    for tree in (estate.source, estate.mirror):
        tree.file("flight.mov", 40 * MIB)
    # The command's clock is ahead by so much that work begins soon: nobody waits for a full minute.
    begins = datetime.now(UTC).replace(second=52, microsecond=0)
    estate.settings(hours=closed_for_a_minute(begins + BELL_IN), pace='at_most = "6 MB/s"')
    ahead = clock_at(begins.timestamp())
    with running("--config", estate.file, "shift", "--resident", environment=ahead) as process:
        wait_until(lambda: shifts_ended(estate) == [("working-hours",)], 75, "the bell")
        at_the_bell = read_by_readers(process.pid)
        paced = 6_000_000 * (BELL_IN.total_seconds() + BURST + GRANTED_AT_ONCE)
        assert 8_000_000 < at_the_bell <= paced + BESIDE
        assert read_whole(estate, b"flight.mov") == 0
        wait_until(lambda: read_by_readers(process.pid) > at_the_bell, 130, "going on")
        wait_until(lambda: read_whole(estate, b"flight.mov") == 2, 40, "a whole file")
        in_all = read_by_readers(process.pid)
        os.kill(process.pid, signal.SIGTERM)
        _out, err = process.communicate(timeout=10)
    # Each byte came off the disks once, and both halves of the file made one digest.
    assert in_all <= total_bytes(estate) + BESIDE, err
    assert estate.run("findings", "--json").document["findings"] == []


def test_a_resident_ends_for_good_when_the_time_that_was_asked_for_is_up(estate):
    until = datetime.now(UTC) + timedelta(seconds=5)
    outcome = estate.shift("--resident", "--until", until.isoformat())
    assert outcome.status == 0
    assert outcome.document["files_read"] == 2 * files_of(estate.source)
    assert until <= datetime.now(UTC) <= until + timedelta(seconds=10)


BELL_IN = timedelta(seconds=6)

BESIDE = 64 * 1024
"""Bytes that readers may read of something else than the share, which the kernel counts too."""


def closed_for_a_minute(bell: datetime) -> str:
    """As `closing_in`, and open again one to two minutes after the bell."""
    work = (bell + timedelta(minutes=1)).replace(second=0, microsecond=0)
    margin = round((work - bell).total_seconds())
    end = work + timedelta(minutes=1)
    return f'working = ["Mon-Sun {work:%H:%M}-{end:%H:%M}"]\nmargin = "{margin} s"'


def shifts_ended(estate: Estate) -> list[tuple[str]]:
    if not estate.ledger.exists():
        return []
    connection = sqlite3.connect(f"file:{estate.ledger}?mode=ro", uri=True)
    try:
        return connection.execute(
            "SELECT stopped_by FROM shifts WHERE ended IS NOT NULL ORDER BY id"
        ).fetchall()
    except sqlite3.OperationalError:
        return []
    finally:
        connection.close()


def read_by_readers(parent: int) -> int:
    """What the kernel counts as read by the processes that a command started."""
    return bytes_read_by(pid for pid in members(parent) if pid != parent)


def read_whole(estate: Estate, name: bytes) -> int:
    if not estate.ledger.exists():
        return 0
    connection = sqlite3.connect(f"file:{estate.ledger}?mode=ro", uri=True)
    try:
        return connection.execute(
            "SELECT count(*) FROM sightings WHERE name = ? AND digest IS NOT NULL", (name,)
        ).fetchone()[0]
    except sqlite3.OperationalError:
        return 0
    finally:
        connection.close()


def total_bytes(estate: Estate) -> int:
    return sum(
        os.lstat(os.path.join(folder, name)).st_size
        for tree in (estate.source, estate.mirror)
        for folder, _, names in os.walk(tree.root)
        for name in names
    )


# -------------------------------------------------------------- commands by hand, and the hours


def test_commands_by_hand_refuse_in_working_hours_unless_overridden_which_is_recorded(estate):
    estate.settings(hours=working_now())
    out = estate.root / "out.manifest"
    plan = "2026-014-harbour-wall/notes/plan.txt"
    commands = (
        ("compare", estate.source, estate.mirror),
        ("manifest", estate.source, "--out", out),
        ("damage", SHARE, plan),
    )
    for command in commands:
        refused = estate.run(*command)
        assert refused.status == 2
        assert "working hours" in refused.err and "--now" in refused.err
    assert not out.exists() and not estate.ledger.exists()
    for command in commands:
        assert estate.run(*command, "--now").status == 0
    rows = sqlite3.connect(estate.ledger).execute("SELECT command FROM overrides").fetchall()
    assert rows == [("compare --now",), ("manifest --now",), ("damage --now",)]


def test_without_settings_a_comparison_heeds_no_hours_and_makes_no_ledger(estate):
    assert verifier("compare", estate.source, estate.mirror).status == 0
    assert not estate.ledger.exists()


def test_a_comparison_by_hand_ends_when_working_hours_begin(estate):
    for tree in (estate.source, estate.mirror):
        tree.file("flight.mov", 1)
    os.truncate(estate.source.at("flight.mov"), 40_000_000_000)  # a hole, which takes long to read
    os.truncate(estate.mirror.at("flight.mov"), 40_000_000_000)
    estate.settings(hours=closing_in(3))
    began = time.monotonic()
    outcome = estate.run("compare", estate.source, estate.mirror, "--json")
    assert time.monotonic() - began < 7
    assert outcome.status == 3
    assert outcome.document["finished"] is False
    assert "Working hours begin" in outcome.err


def test_damage_finds_both_sides_of_a_path_by_the_share(estate):
    plan = "2026-014-harbour-wall/notes/plan.txt"
    estate.mirror.flip_bit(plan, at=4)
    outcome = estate.run("damage", SHARE, plan, "--json")
    assert outcome.status == 1
    assert outcome.document["ranges"] == [{"from": 4, "to": 5, "pattern": "bit-flip", "bits": 1}]
    assert estate.run("damage", SHARE, "../plan.txt").status == 2
    assert estate.run("damage", "no-such-share", plan).status == 2


# ------------------------------------------------------------------------------------- faults


@pytest.mark.root
def test_a_full_disk_under_the_ledger_stops_it_with_a_sentence_and_nothing_wrong(
    estate, small_disk
):
    estate.source.files(*(f"many/{number:05}.txt" for number in range(4_000)), size=10)
    estate.ledger = small_disk / "ledger.db"
    estate.settings()
    outcome = estate.run("shift")
    assert outcome.status == 3
    assert "full" in outcome.err and outcome.err.count("\n") <= 2
    connection = sqlite3.connect(estate.ledger)
    assert connection.execute("PRAGMA integrity_check").fetchone() == ("ok",)


def test_a_ledger_inside_a_share_is_refused(estate):
    estate.ledger = estate.source.root / "ledger.db"
    estate.settings()
    outcome = estate.run("shift")
    assert outcome.status == 2
    assert not estate.ledger.exists()


def test_a_ledger_that_is_none_is_refused_with_a_sentence(estate):
    estate.ledger.write_bytes(b"these are not the records you are looking for" * 40)
    outcome = estate.run("shift")
    assert outcome.status == 3
    assert "is no ledger" in outcome.err


def test_shifts_right_after_each_other_each_read_a_whole_round_and_leave_nothing(estate):
    files = total_files(estate)
    for number in range(4):
        document = estate.shift().document
        assert document["files_read"] == files, number
        assert document["left"] == {"files": 0, "bytes": 0}


def test_a_file_that_changes_whenever_it_is_read_is_unsettled_until_it_is_still(tmp_path):
    estate = Estate(tmp_path, Tree(tmp_path / "bench").file("flights/a.mp4", 12 * MIB))
    estate.settings(pace='at_most = "10 MB/s"')
    path = estate.mirror.at("flights/a.mp4")
    over = threading.Event()

    def goes_on_writing() -> None:
        with open(path, "r+b") as file:
            while not over.wait(0.02):
                file.seek(7)
                file.write(os.urandom(1))
                file.flush()

    writing = threading.Thread(target=goes_on_writing)
    writing.start()
    try:
        night = estate.shift()
    finally:
        over.set()
        writing.join()
    assert night.status == 1
    assert night.findings == {"flights/a.mp4": ("unsettled", None, "mirror", None)}
    assert night.document["left"] == {"files": 0, "bytes": 0}
    shutil.copy2(estate.source.at("flights/a.mp4"), path)
    again = estate.shift()
    assert (again.status, again.findings) == (0, {})
