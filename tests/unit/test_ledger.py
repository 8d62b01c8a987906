"""A ledger opens when it can be believed, and is refused in a sentence when it cannot."""

from __future__ import annotations

import os
import shutil
import sqlite3
import subprocess
import sys
from collections.abc import Iterator, Sequence
from contextlib import closing
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from verifier import system
from verifier.errors import LedgerFailed, LedgerRefused, ShiftRunning
from verifier.ledger import (
    Known,
    Ledger,
    Notice,
    NoticeKind,
    Override,
    PlaceName,
    WalkSummary,
    only_shift,
    refuse_inside,
)
from verifier.ledger.migrations import MIGRATIONS, Migration
from verifier.ledger.opening import migrate, opened
from verifier.ledger.store import Store
from verifier.model import Agreement, Finding, Kind, Sighting, Trouble, Verdict

NOW = 1_795_557_600
SOURCE = PlaceName("current-surveys")
VAULT = PlaceName("current-surveys", "vault")
FARAWAY = PlaceName("current-surveys", "faraway")

often = settings(max_examples=60, deadline=None, database=None)

# ------------------------------------------------- builders, which the other ledger tests use too


def file(path: bytes | str, size: int = 1000, date: int = 0, **more: object) -> Sighting:
    """A sighting of a file, ``date`` seconds after an invented day."""
    name = path if isinstance(path, bytes) else path.encode()
    mtime_ns = 1_770_000_000_000_000_000 + date * 1_000_000_000
    return Sighting(name, Kind.FILE, size, mtime_ns, **{"ctime_ns": mtime_ns, "inode": 7, **more})


def unlisted(path: bytes | str, cause: str = "permission-denied") -> Sighting:
    """A folder that could not be listed, as a walk tells of it."""
    name = path if isinstance(path, bytes) else path.encode()
    return Sighting(name, Kind.OTHER, 0, 0, trouble=Trouble(cause, "The system said so."))


def content(number: int) -> bytes:
    """What stands for the digest of content ``number``."""
    return number.to_bytes(32, "big")


def read(seen: Sighting, number: int = 1, at: int = NOW) -> Sighting:
    """The same file, read."""
    values = {name: getattr(seen, name) for name in seen.__struct_fields__}
    return Sighting(**{**values, "digest": content(number), "read_at": at})


def walked(
    ledger: Ledger,
    place: PlaceName,
    seen: Sequence[Sighting],
    at: int = NOW,
    shift: int | None = None,
) -> WalkSummary:
    """A walk that is believed."""
    walk = ledger.walk(place, shift)
    walk.take(sorted(seen, key=lambda sighting: sighting.path))
    return walk.apply(at)


def record(ledger: Ledger, place: PlaceName, *readings: Sighting, past_cache: bool = False) -> None:
    """Readings, recorded at once."""
    for reading in readings:
        ledger.readings.add(place, reading, float(NOW), past_cache)
    ledger.readings.flush()


def known(ledger: Ledger, place: PlaceName) -> dict[bytes, Known]:
    """All that is known of a place."""
    return {each.sighting.path: each for each in ledger.sightings(place)}


def paths() -> st.SearchStrategy[bytes]:
    """Paths a few folders deep, in which neighbours sort around a slash, and bad bytes occur."""
    name = st.lists(st.sampled_from(b"a-./0\xff".replace(b"/", b"")), min_size=1, max_size=2)
    return st.lists(name.map(bytes), min_size=1, max_size=4).map(b"/".join)


# ---------------------------------------------------------------------------- opening and making


def filled(path: Path, files: int = 40) -> None:
    """A ledger with something in every table."""
    tree = [file(f"flights/{number:05d}.jpg", date=number) for number in range(files)]
    with Ledger(path) as ledger:
        walked(ledger, SOURCE, tree)
        walked(ledger, VAULT, tree)
        ledger.readings.shift = ledger.shifts.start(NOW)
        record(ledger, SOURCE, *map(read, tree[::2]))
        ledger.readings.want(VAULT, [tree[0].path], "second reading")
        agreement = Agreement(content(1), 1000, tree[0].mtime_ns, tree[0].mtime_ns)
        ledger.agreements.record(VAULT, [(tree[0].path, agreement)], NOW)
        ledger.findings.seen(VAULT, Finding(b"a", Verdict.MISSING, None, None, 1, "", ""), NOW)
        ledger.shifts.add_override(Override(NOW, "rana", "audit --now", "a drill"))
        ledger.shifts.add_notice(Notice(SOURCE, NOW, NoticeKind.SURGE, "half of it"))


def test_a_ledger_is_made_where_there_is_none_and_opens_again_with_what_it_holds(path):
    filled(path)
    with Ledger(path) as ledger:
        assert len(known(ledger, SOURCE)) == 40
        assert ledger.places() == [SOURCE, VAULT]
        assert ledger.soundness() == ()
    assert [each.name for each in path.parent.iterdir()] == ["ledger.db"]


def test_only_its_owner_may_read_a_new_ledger(path):
    with Ledger(path):
        assert path.stat().st_mode & 0o777 == 0o600


def test_a_ledger_whose_name_is_not_text_can_be_used(tmp_path):
    path = Path(os.fsdecode(os.fsencode(tmp_path) + b"/caf\xe9 ?mode=ro#.db"))
    filled(path)
    with Ledger(path) as ledger:
        assert len(known(ledger, SOURCE)) == 40


def test_a_ledger_that_links_lead_to_is_one_ledger_with_one_lock_and_its_backups_beside_it(
    tmp_path, path
):
    link = tmp_path / "state" / "linked.db"
    link.parent.mkdir()
    link.symlink_to(path)
    filled(path)
    with Ledger(link) as ledger:
        assert len(known(ledger, SOURCE)) == 40
        copy = ledger.back_up(NOW)
    assert copy is not None and copy.parent == path.parent
    if not system.PLAIN:
        with only_shift(path, NOW), pytest.raises(ShiftRunning), only_shift(link, NOW):
            pass
    assert os.listdir(link.parent) == ["linked.db"]


def test_two_processes_may_have_a_ledger_open_and_see_what_the_other_committed(path):
    with Ledger(path) as one, Ledger(path) as other:
        walked(one, SOURCE, [file("a")])
        assert list(known(other, SOURCE)) == [b"a"]
        walked(other, VAULT, [file("b")])
        assert list(known(one, VAULT)) == [b"b"]


def refusal(path: Path) -> str:
    with pytest.raises(LedgerRefused) as refused:
        Ledger(path)
    assert refused.value.exit_status == 3
    sentence = str(refused.value)
    assert str(path) in sentence and "\n" not in sentence
    return sentence


def test_a_file_that_is_no_database_is_refused(path):
    path.write_text("minutes of the meeting\n" * 100)
    assert "is no ledger" in refusal(path)
    assert path.read_text().startswith("minutes")


def test_an_empty_file_is_refused_since_a_ledger_never_is_one(path):
    path.touch()
    assert "is empty" in refusal(path)


def test_a_database_of_another_program_is_refused_and_left_as_it_is(path):
    with closing(sqlite3.connect(path)) as other:
        other.execute("CREATE TABLE invoices (id)")
        other.commit()
    before = path.read_bytes()
    assert "another program" in refusal(path)
    assert path.read_bytes() == before
    assert os.listdir(path.parent) == ["ledger.db"]


def test_a_newer_ledger_is_refused_and_left_as_it_is(path):
    filled(path)
    with closing(sqlite3.connect(path)) as newer:
        newer.execute(f"PRAGMA user_version = {MIGRATIONS[-1].number + 1}")
    before = path.read_bytes()
    assert "newer verifier" in refusal(path)
    assert path.read_bytes() == before


@pytest.mark.parametrize("left", [0.1, 0.5, 0.9, 0.999])
def test_a_ledger_that_is_cut_short_is_refused(path, left):
    filled(path)
    os.truncate(path, int(path.stat().st_size * left))
    assert "damaged" in refusal(path)


def roots() -> list[str]:
    """The name of every table and index of a ledger."""
    with closing(sqlite3.connect(":memory:")) as schema:
        for migration in MIGRATIONS:
            for statement in migration.statements:
                schema.execute(statement)
        found = schema.execute("SELECT name FROM sqlite_master WHERE rootpage > 0")
        return [row[0] for row in found]


@pytest.mark.parametrize("garbage", [0x00, 0xA5])
@pytest.mark.parametrize("name", roots())
def test_garbage_in_the_first_page_of_any_table_or_index_is_found_at_opening(path, name, garbage):
    filled(path)
    with closing(sqlite3.connect(path)) as database:
        (root,) = database.execute(
            "SELECT rootpage FROM sqlite_master WHERE name = ?", (name,)
        ).fetchone()
    with open(path, "r+b") as written:
        written.seek((root - 1) * 4096)
        written.write(bytes([garbage]) * 4096)
    assert "damaged" in refusal(path)


def test_garbage_in_the_schema_is_found_at_opening(path):
    filled(path)
    with open(path, "r+b") as written:
        written.seek(100)
        written.write(b"\xa5" * 3000)
    assert "damaged" in refusal(path)


def test_damage_inside_is_found_by_the_check_of_every_page(path):
    filled(path, files=3000)
    pages = path.stat().st_size // 4096
    with open(path, "r+b") as written:
        for page in range(pages // 4, pages // 2):
            written.seek(page * 4096)
            written.write(b"\xa5" * 4096)
    try:
        with Ledger(path) as ledger:
            assert ledger.soundness() != ()
    except LedgerRefused as refused:
        assert "damaged" in str(refused)


def test_damage_that_is_met_on_the_way_is_a_sentence_too(path):
    filled(path, files=3000)
    with Ledger(path) as ledger:
        ledger.readings.flush()
    with closing(sqlite3.connect(path)) as database:
        pages = [
            row[0]
            for row in database.execute(
                "SELECT pageno FROM dbstat WHERE name = 'sightings' AND pagetype = 'leaf'"
            )
        ]
    with open(path, "r+b") as written:
        written.seek((pages[len(pages) // 4] - 1) * 4096)
        written.write(b"\xa5" * 4096)
    with Ledger(path) as ledger, pytest.raises(LedgerRefused, match="damaged"):
        list(ledger.sightings(SOURCE))


def test_counts_that_are_not_those_of_the_sightings_are_unsound(path):
    filled(path)
    with closing(sqlite3.connect(path)) as database:
        database.execute("UPDATE places SET unread_bytes = unread_bytes + 1 WHERE name = 'vault'")
        database.commit()
    with Ledger(path) as ledger:
        (sentence,) = ledger.soundness()
    assert "current-surveys, vault" in sentence


def test_a_folder_in_the_ledgers_place_is_refused(path):
    path.mkdir()
    assert "is no file" in refusal(path)


def test_a_ledger_in_a_folder_that_is_not_there_is_refused_and_the_folder_not_made(path):
    inner = path / "ledger.db"
    assert "does not exist" in refusal(inner)
    assert not path.exists()


def test_a_link_to_nothing_is_refused(path):
    path.symlink_to(path.parent / "unmounted" / "ledger.db")
    assert "a link to nothing" in refusal(path)


def test_no_new_ledger_is_begun_where_only_backups_of_one_are_left(path):
    filled(path)
    with Ledger(path) as ledger:
        copy = ledger.back_up(NOW)
    path.unlink()
    assert str(copy) in refusal(path)
    shutil.copy(copy, path)
    with Ledger(path) as ledger:
        assert len(known(ledger, SOURCE)) == 40


SCRIPT_AS_NOBODY = """
import os, sys
from pathlib import Path
from verifier.errors import LedgerRefused
from verifier.ledger import Ledger
os.setgroups([])
os.setgid(65534)
os.setuid(65534)
try:
    Ledger(Path(sys.argv[1]))
except LedgerRefused as refused:
    print(refused)
"""


@pytest.mark.root
@pytest.mark.parametrize(("folder", "mode"), [(0o777, 0o444), (0o555, 0o666), (0o777, 0o000)])
def test_a_ledger_that_this_user_cannot_write_is_refused(open_tmp, folder, mode):
    path = open_tmp / "ledger.db"
    filled(path)
    path.chmod(mode)
    open_tmp.chmod(folder)
    ended = subprocess.run(
        [sys.executable, "-c", SCRIPT_AS_NOBODY, path], capture_output=True, text=True, check=True
    )
    assert "Let this user write the file and its folder" in ended.stdout


def test_a_failed_opening_leaves_no_file_open(path):
    filled(path)
    os.truncate(path, path.stat().st_size // 2)
    before = os.listdir("/proc/self/fd") if os.path.isdir("/proc/self/fd") else []
    refusal(path)
    after = os.listdir("/proc/self/fd") if os.path.isdir("/proc/self/fd") else []
    assert len(after) == len(before)


# ------------------------------------------------------------------------------ inside of a share


@pytest.mark.parametrize("inside", ["ledger.db", "deep/er/ledger.db"])
def test_a_ledger_inside_a_share_is_refused(tmp_path, inside):
    share = tmp_path / "bench"
    share.mkdir()
    with pytest.raises(LedgerRefused, match="lies inside") as refused:
        refuse_inside(share / inside, [tmp_path / "vault", share])
    assert refused.value.exit_status == 3


@pytest.mark.root
def test_a_ledger_that_a_mount_leads_into_a_folder_of_a_share_is_refused(tmp_path):
    share, state = tmp_path / "bench", tmp_path / "state"
    (share / "notes").mkdir(parents=True)
    state.mkdir()
    if subprocess.run(["mount", "--bind", share / "notes", state], check=False).returncode:
        pytest.skip("folders may not be mounted here")
    try:
        with pytest.raises(LedgerRefused, match="lies inside"):
            refuse_inside(state / "ledger.db", [share])
    finally:
        subprocess.run(["umount", state], check=True)


def test_a_ledger_that_a_link_leads_into_a_share_is_refused(tmp_path):
    share = tmp_path / "bench"
    (share / "notes").mkdir(parents=True)
    (tmp_path / "state").symlink_to(share / "notes")
    (tmp_path / "ledger.db").symlink_to(share / "ledger.db")
    (tmp_path / "also-bench").symlink_to(share)
    with pytest.raises(LedgerRefused):
        refuse_inside(tmp_path / "state" / "ledger.db", [share])
    with pytest.raises(LedgerRefused):
        refuse_inside(tmp_path / "ledger.db", [share])
    with pytest.raises(LedgerRefused):
        refuse_inside(share / "ledger.db", [tmp_path / "also-bench"])


def test_a_ledger_beside_a_share_of_a_like_name_is_not_refused(tmp_path):
    (tmp_path / "bench").mkdir()
    refuse_inside(tmp_path / "bench-ledger.db", [tmp_path / "bench", tmp_path / "missing"])
    refuse_inside(tmp_path / "bench" / ".." / "ledger.db", [tmp_path / "bench"])


@pytest.mark.root
def test_a_ledger_that_a_mount_leads_into_a_share_is_refused(tmp_path):
    share, other = tmp_path / "bench", tmp_path / "other"
    (share / "notes").mkdir(parents=True)
    other.mkdir()
    subprocess.run(["mount", "--bind", share, other], check=True)
    try:
        with pytest.raises(LedgerRefused):
            refuse_inside(other / "notes" / "ledger.db", [share])
    finally:
        subprocess.run(["umount", other], check=True)


# ------------------------------------------------------------------------------------ migrations

NEXT = Migration(
    MIGRATIONS[-1].number + 1,
    "an invented next version",
    (
        "ALTER TABLE sightings ADD COLUMN colour TEXT NOT NULL DEFAULT 'grey'",
        "CREATE TABLE inventions (id INTEGER PRIMARY KEY, name TEXT NOT NULL)",
        "INSERT INTO inventions (name) SELECT name FROM shares",
    ),
)


def test_migrations_are_numbered_from_one_without_a_gap():
    assert [migration.number for migration in MIGRATIONS] == list(range(1, len(MIGRATIONS) + 1))


@often
@given(st.dictionaries(paths(), st.integers(0, 2**62), max_size=8), st.data())
def test_a_ledger_of_the_version_before_keeps_all_it_holds(tmp_path_factory, sizes, data):
    path = tmp_path_factory.mktemp("migrated") / "ledger.db"
    tree = [file(name, size) for name, size in sorted(sizes.items())]
    with Ledger(path) as before:
        walked(before, SOURCE, tree)
        if tree:
            record(before, SOURCE, *map(read, data.draw(st.lists(st.sampled_from(tree)))))
        held = known(before, SOURCE)
    with closing(opened(path, (*MIGRATIONS, NEXT))) as store:
        assert store.rows("PRAGMA user_version") == [(NEXT.number,)]
        assert store.rows("SELECT DISTINCT colour FROM sightings") == [("grey",)] * bool(tree)
        assert store.rows("SELECT name FROM inventions") == [(SOURCE.share,)]
        store.run("ALTER TABLE sightings DROP COLUMN colour")
        store.run("DROP TABLE inventions")
        store.run(f"PRAGMA user_version = {MIGRATIONS[-1].number}")
    with Ledger(path) as after:
        assert known(after, SOURCE) == held


def test_a_migration_that_fails_midway_leaves_the_ledger_as_it_was(path):
    filled(path)
    broken = Migration(NEXT.number, "broken", (*NEXT.statements, "INSERT INTO nowhere VALUES (1)"))
    with pytest.raises(LedgerFailed):
        opened(path, (*MIGRATIONS, broken))
    with Ledger(path) as ledger:
        assert len(known(ledger, SOURCE)) == 40
        assert ledger.soundness() == ()
    with closing(opened(path, (*MIGRATIONS, NEXT))) as store:
        assert store.rows("SELECT count(*) FROM inventions") == [(1,)]


def test_two_processes_that_open_an_older_ledger_migrate_it_once(path):
    filled(path)
    migrations = (*MIGRATIONS, NEXT)
    with closing(Store(path)) as one, closing(Store(path)) as other:
        migrate(one, migrations)
        migrate(other, migrations)
        assert other.rows("SELECT count(*) FROM inventions") == [(1,)]


# -------------------------------------------------------------------------------- one shift a time

HOLD = """
import sys
from pathlib import Path
from verifier.ledger import only_shift
with only_shift(Path(sys.argv[1]), 1795557600):
    print("held", flush=True)
    sys.stdin.read()
"""

FORK = """
    import os
    if os.fork() == 0:
        print("held", flush=True)
        sys.stdin.read()
        os._exit(0)
"""

has_locks = pytest.mark.skipif(system.PLAIN, reason="this system has no lock to test")


@pytest.fixture
def holder(path: Path) -> Iterator[subprocess.Popen[str]]:
    """Another process that runs a shift."""
    process = subprocess.Popen(
        [sys.executable, "-c", HOLD, path],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
    )
    assert process.stdout is not None and process.stdout.readline() == "held\n"
    yield process
    process.kill()
    process.communicate()


@has_locks
def test_a_second_shift_is_refused_and_told_who_runs_the_first_and_since_when(path, holder):
    with pytest.raises(ShiftRunning) as refused, only_shift(path, NOW + 60):
        pass
    assert refused.value.exit_status == 3
    assert f"Process {holder.pid}, since 20" in str(refused.value)
    assert str(path) in str(refused.value)


@has_locks
def test_a_process_that_was_killed_holds_no_lock(path, holder):
    holder.kill()
    holder.wait()
    with only_shift(path, NOW) as sure:
        assert sure


@has_locks
def test_a_reader_that_was_forked_does_not_hold_the_lock_of_a_shift_that_died(path):
    script = HOLD.replace('print("held", flush=True)', FORK)
    process = subprocess.Popen(
        [sys.executable, "-c", script, path],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
    )
    assert process.stdin is not None and process.stdout is not None
    with process.stdin, process.stdout:
        assert process.stdout.readline() == "held\n"
        process.kill()
        process.wait()
        with only_shift(path, NOW) as sure:
            assert sure


@has_locks
def test_a_lock_is_free_again_when_its_shift_has_ended_well_or_not(path):
    with only_shift(path, NOW):
        pass
    with pytest.raises(ZeroDivisionError), only_shift(path, NOW):
        1 / 0
    with only_shift(path, NOW), pytest.raises(ShiftRunning), only_shift(path, NOW):
        pass


def test_a_ledger_can_be_read_while_a_shift_runs(path, holder):
    with Ledger(path) as ledger:
        assert known(ledger, SOURCE) == {}


def test_a_system_without_locks_says_so(path, monkeypatch):
    monkeypatch.setattr(system, "PLAIN", True)
    with only_shift(path, NOW) as sure:
        assert not sure


def test_a_lock_in_a_folder_that_is_not_there_is_refused(path):
    with pytest.raises(LedgerRefused, match="cannot be written"), only_shift(path / "x", NOW):
        pass
