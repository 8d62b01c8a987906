"""``verifier preflight``: a line for everything that must be so before the first reading."""

from __future__ import annotations

import json
import os
import subprocess
import sys
import time
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import pytest
from trees import Tree, lantern_marsh

from program.running import Outcome, refusal, running, verifier, wait_until
from verifier.hours import DAYS
from verifier.jobs import measuring, preflight
from verifier.jobs.preflight import records
from verifier.jobs.progress import Unwatched
from verifier.ledger import Ledger, PlaceName
from verifier.places.folder import FolderPlace
from verifier.settings import load
from verifier.walker import walk_dated

ROOT = sys.platform != "win32" and os.geteuid() == 0


class Studio:
    """Lantern Marsh with a source and a mirror, and a settings file that names them."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.source = lantern_marsh(folder / "bench")
        self.mirror = self.source.copy_to(folder / "vault")
        self.file = folder / "lantern-marsh.toml"
        self.ledger = folder / "records" / "ledger.db"
        self.write()

    def write(
        self, *, hours: str = "working = []", mirror: str = "", more: str = "", zone: str = "UTC"
    ) -> Path:
        self.file.write_text(
            f'[studio]\nname = "Lantern Marsh Surveys"\ntimezone = "{zone}"\n'
            f'ledger = "{self.ledger}"\nreports = "reports"\n[hours]\n{hours}\n'
            f'[[share]]\nname = "current-surveys"\nsource = "{self.source.root}"\n'
            f'[[share.mirror]]\nname = "vault"\nat = "{mirror or self.mirror.root}"\n{more}\n'
        )
        return self.file

    def run(self, *arguments: str, **environment: str) -> Outcome:
        return verifier(
            "--config", self.file, "preflight", *arguments, environment={"TZ": "UTC", **environment}
        )

    def document(self, *arguments: str, status: int = 0, **environment: str) -> Any:
        outcome = self.run("--json", *arguments, **environment)
        assert outcome.status == status, (outcome.out, outcome.err)
        assert outcome.out.count(b"\n") == 1
        assert outcome.document["schema"] == "verifier.preflight.v1"
        assert set(outcome.document) == {"schema", "checks", "first_read"}
        return outcome.document

    def remember(self) -> None:
        """Have the ledger know what both places hold."""
        with Ledger(self.ledger) as ledger:
            for name, tree in (("source", self.source), ("vault", self.mirror)):
                walk = ledger.walk(PlaceName("current-surveys", name))
                walk.take(walk_dated(FolderPlace.at_path(tree.root)))
                walk.apply(int(time.time()))


@pytest.fixture
def studio(tmp_path: Path) -> Studio:
    return Studio(tmp_path)


def closed_now() -> str:
    """Working hours that hold now, whenever now is: all days but the one half a week away."""
    open_day = (datetime.now(UTC) + timedelta(days=3)).weekday()
    days = ",".join(day for number, day in enumerate(DAYS) if number != open_day)
    return f'working = ["{days} 00:00-24:00"]'


def checks(document: Any, check: str) -> list[Any]:
    return [each for each in document["checks"] if each["check"] == check]


def one(document: Any, check: str, place: str | None = None) -> Any:
    (found,) = [each for each in checks(document, check) if each.get("place") == place]
    assert found["state"] in ("good", "look", "wrong")
    assert set(found) <= {"check", "state", "detail", "advice", "share", "place"}
    if found["state"] != "good":
        assert found["advice"]
    return found


# When all is well


def test_all_that_is_well_is_good_or_only_to_look_at(studio: Studio) -> None:
    document = studio.document()
    states = {each["state"] for each in document["checks"]}
    assert states <= {"good", "look"}
    for check in ("settings", "clock", "timezone", "ledger", "reports", "apart", "room", "target"):
        assert one(document, check)["state"] == "good"
    for place in ("source", "vault"):
        assert "7 files" in one(document, "place", place)["detail"]
        assert one(document, "reading", place)["state"] == "good"


def test_the_first_reading_is_forecast_of_all_places_together(studio: Studio) -> None:
    before = datetime.now(UTC).replace(microsecond=0)
    first = studio.document()["first_read"]
    files = [each for each in studio.source.root.rglob("*") if each.is_file()]
    size = sum(each.stat().st_size for each in files if not each.is_symlink())
    in_link = studio.source.root / "2026-014-harbour-wall" / "latest"
    assert in_link.is_symlink()
    assert first["bytes"] == 2 * size
    assert first["bytes_per_second"] > 0
    assert before <= datetime.fromisoformat(first["ends"]) < before + timedelta(minutes=5)


def test_people_read_a_line_each_with_its_state_in_front(studio: Studio) -> None:
    outcome = studio.run()
    assert outcome.status == 0
    told = outcome.out.decode().splitlines()
    lines = told[: told.index("")]
    assert all(each[:7].strip() in ("good", "look", "") for each in lines)
    looks = sum(each.startswith("look") for each in lines)
    assert sum(each.startswith("       What to do: ") for each in lines) == looks
    assert told[-1].startswith("Ready.")
    assert any(each.startswith("Reading everything once: ") for each in told)


def test_the_same_is_told_to_people_and_in_the_document(studio: Studio) -> None:
    studio.write(mirror="/nowhere")
    told = studio.run().out.decode()
    for each in studio.document(status=3)["checks"]:
        if each["check"] not in ("clock", "reading", "ledger", "room"):
            assert each["detail"] in told
            assert each.get("advice", "") in told


def test_nothing_in_a_share_is_touched(studio: Studio) -> None:
    def seen() -> dict[str, tuple[int, ...]]:
        return {
            str(each): (found.st_mtime_ns, found.st_ctime_ns, found.st_atime_ns, found.st_size)
            for tree in (studio.source, studio.mirror)
            for each in (tree.root, *tree.root.rglob("*"))
            for found in (each.lstat(),)
        }

    before = seen()
    before = seen()  # the first look itself may have changed access times of folders
    studio.document()
    after = seen()
    assert {path: found[:2] for path, found in after.items()} == {
        path: found[:2] for path, found in before.items()
    }
    assert after.keys() == before.keys()


# Settings, clock, zone


def test_wrong_settings_are_one_sentence_and_status_two(studio: Studio) -> None:
    studio.write(more="off = true")
    said = refusal(2, "preflight", environment={"VERIFIER_CONFIG": str(studio.file)})
    assert "unknown key" in said


def test_without_shares_it_says_so(studio: Studio) -> None:
    studio.file.write_text(f'[studio]\ntimezone = "UTC"\nledger = "{studio.ledger}"\n')
    document = studio.document(XDG_STATE_HOME=str(studio.folder / "state"))
    assert one(document, "shares")["state"] == "look"
    assert document["first_read"] is None


def test_another_zone_than_the_systems_is_a_remark(studio: Studio) -> None:
    studio.write(zone="Asia/Kathmandu")
    assert one(studio.document(TZ="Europe/Lisbon"), "timezone")["state"] == "look"
    assert one(studio.document(TZ="Asia/Kathmandu"), "timezone")["state"] == "good"


def test_a_clock_from_before_this_program_is_wrong_and_nothing_is_read(studio: Studio) -> None:
    report = preflight.preflight(load(studio.file), Unwatched(), now=lambda: 86_400.0 * 365)
    (clock,) = [each for each in report.checks if each.check == "clock"]
    assert clock.state is preflight.State.WRONG
    assert report.first_read is None
    assert report.exit_status == 3


# Working hours


def test_in_working_hours_nothing_is_listed_nor_read(studio: Studio) -> None:
    studio.write(hours=closed_now())
    document = studio.document()
    left_out = one(document, "measuring")
    assert left_out["state"] == "look"
    assert "open on " in left_out["detail"]
    assert "can be listed" in one(document, "place", "source")["detail"]
    assert not checks(document, "reading")
    assert document["first_read"] is None


def test_now_overrides_the_hours_and_the_ledger_records_it(studio: Studio) -> None:
    studio.write(hours=closed_now())
    assert studio.document("--now")["first_read"] is not None
    with Ledger(studio.ledger) as ledger:
        (override,) = ledger.shifts.overrides()
    assert override.command == "preflight --now"
    assert override.who
    assert abs(override.at - time.time()) < 120


def test_now_in_open_hours_overrides_nothing(studio: Studio) -> None:
    studio.document("--now")
    with Ledger(studio.ledger) as ledger:
        assert list(ledger.shifts.overrides()) == []


def test_what_cannot_be_recorded_is_not_overridden(studio: Studio) -> None:
    studio.write(hours=closed_now())
    studio.ledger.parent.mkdir()
    studio.ledger.write_text("no ledger")
    document = studio.document("--now", status=3)
    assert one(document, "measuring")["state"] == "wrong"
    assert document["first_read"] is None


def test_nothing_is_read_after_the_bell(studio: Studio) -> None:
    hours = load(studio.write(hours='working = ["Mon-Sun 08:00-18:00"]', zone="Europe/Lisbon"))
    bell = datetime(2026, 11, 25, 8, tzinfo=ZoneInfo("Europe/Lisbon")).timestamp()
    asked = iter([*[bell - 0.000_001] * 3])  # open when asked first, and over at once
    report = preflight.preflight(hours, Unwatched(), now=lambda: next(asked, bell))
    assert report.first_read is None
    assert not [each for each in report.checks if each.check == "reading"]


def test_a_target_that_cannot_be_met_says_what_would_do(studio: Studio) -> None:
    studio.write(more='[pace]\nat_most = "1 kB/s"\n[audit]\nevery_byte_within = "1 h"')
    target = one(studio.document(), "target")
    assert target["state"] == "look"
    assert "1.0 kB/s" in target["advice"]
    assert "every_byte_within" in target["advice"]


# The ledger and the reports


def test_what_is_no_ledger_is_wrong(studio: Studio) -> None:
    studio.ledger.parent.mkdir()
    studio.ledger.write_text("no ledger")
    document = studio.document(status=3)
    assert one(document, "ledger")["state"] == "wrong"
    assert studio.ledger.read_text() == "no ledger"


def test_a_small_ledger_is_checked_page_by_page(studio: Studio) -> None:
    studio.document()
    assert "every page was checked" in one(studio.document(), "ledger")["detail"]


def test_a_large_ledger_is_only_opened(studio: Studio, monkeypatch: pytest.MonkeyPatch) -> None:
    studio.document()
    monkeypatch.setattr(records, "CHECKED_IN_FULL", 1000)
    report = preflight.preflight(load(studio.file), Unwatched())
    (ledger,) = [each for each in report.checks if each.check == "ledger"]
    assert ledger.state is preflight.State.GOOD
    assert "too large" in ledger.detail


def test_a_folder_whose_parent_is_missing_is_not_made(studio: Studio) -> None:
    studio.ledger = studio.folder / "not-mounted" / "records" / "ledger.db"
    studio.write()
    assert one(studio.document(status=3), "ledger")["state"] == "wrong"
    assert not (studio.folder / "not-mounted").exists()


def test_reports_that_cannot_be_written_are_wrong(studio: Studio) -> None:
    (studio.folder / "reports").write_text("a file")
    assert one(studio.document(status=3), "reports")["state"] == "wrong"


@pytest.mark.root
def test_a_disk_that_is_too_small_for_the_ledger_is_told(studio: Studio, small_disk: Path) -> None:
    for number in range(700):
        studio.source.file(f"small/{number}", 1)
    studio.ledger = small_disk / "ledger.db"
    studio.write()
    assert one(studio.document(), "room")["state"] == "look"


# The places


def test_an_address_that_means_this_machine_is_wrong(studio: Studio) -> None:
    studio.write(mirror="file://faraway/surveys")
    place = one(studio.document(status=3), "place", "vault")
    assert place["state"] == "wrong"
    assert "is a folder of this machine" in place["detail"]


def test_a_place_that_is_not_there_is_wrong_and_the_other_is_measured(studio: Studio) -> None:
    studio.write(mirror=str(studio.folder / "nowhere"))
    document = studio.document(status=3)
    assert one(document, "place", "vault")["state"] == "wrong"
    assert one(document, "reading", "source")["state"] == "good"
    assert "at least" in studio.run().out.decode()


def test_a_file_is_no_place(studio: Studio) -> None:
    studio.write(mirror=str(studio.file))
    assert one(studio.document(status=3), "place", "vault")["state"] == "wrong"


def test_an_empty_place_looks_unmounted(studio: Studio) -> None:
    empty = studio.folder / "empty"
    empty.mkdir()
    studio.write(mirror=str(empty))
    place = one(studio.document(status=3), "place", "vault")
    assert "empty" in place["detail"]


def test_a_place_with_under_half_of_what_is_known_is_wrong(studio: Studio) -> None:
    studio.document()
    studio.remember()
    assert one(studio.document(), "place", "vault")["state"] == "good"
    files = [each for each in studio.mirror.root.rglob("*") if each.is_file()]
    for each in sorted(files)[:5]:
        each.unlink()
    place = one(studio.document(status=3), "place", "vault")
    assert "under half" in place["detail"]
    assert one(studio.document(status=3), "place", "source")["state"] == "good"


def test_a_mirror_inside_of_another_shares_place_is_wrong(studio: Studio) -> None:
    inner = studio.mirror.copy_to(studio.source.root / "old")
    other = studio.source.copy_to(studio.folder / "delivered")
    more = f'[[share]]\nname = "delivered"\nsource = "{other.root}"\n'
    more += f'[[share.mirror]]\nname = "old"\nat = "{inner.root}"\n'
    studio.write(more=more)
    (found,) = checks(studio.document(status=3), "apart")
    assert found["state"] == "wrong"
    assert (found["share"], found["place"]) == ("delivered", "old")


@pytest.fixture
def bound(studio: Studio) -> Iterator[Path]:
    """A second name of a folder inside the source, by a bind mount."""
    point = studio.folder / "bound"
    point.mkdir()
    inside = studio.source.root / "2026-014-harbour-wall"
    subprocess.run(["mount", "--bind", inside, point], check=True)
    yield point
    subprocess.run(["umount", "-l", point], check=True)


@pytest.mark.root
def test_a_mirror_inside_the_source_by_a_mount_is_wrong(studio: Studio, bound: Path) -> None:
    studio.write(mirror=str(bound))
    assert one(studio.document(status=3), "apart", "vault")["state"] == "wrong"


@pytest.mark.root
def test_a_ledger_inside_the_source_by_a_mount_is_wrong(studio: Studio, bound: Path) -> None:
    studio.ledger = bound / "ledger.db"
    studio.write()
    assert one(studio.document(status=3), "ledger")["state"] == "wrong"
    assert not studio.ledger.exists()


@pytest.mark.root
def test_a_place_that_is_mounted_read_only_is_good(studio: Studio) -> None:
    subprocess.run(["mount", "--bind", studio.mirror.root, studio.mirror.root], check=True)
    try:
        remount = ["mount", "-o", "remount,ro,bind", studio.mirror.root]
        subprocess.run(remount, check=True)
        document = studio.document()
    finally:
        subprocess.run(["umount", "-l", studio.mirror.root], check=True)
    assert one(document, "writing", "vault")["state"] == "good"
    assert one(document, "writing", "source")["state"] == "look"


@pytest.mark.skipif(not ROOT, reason="is about root")
def test_root_is_advised_an_account_of_its_own(studio: Studio) -> None:
    assert one(studio.document(), "user")["state"] == "look"


@pytest.mark.root
def test_an_account_that_cannot_write_is_good_and_what_it_cannot_read_is_wrong(
    open_tmp: Path,
) -> None:
    studio = Studio(open_tmp)
    for each in (studio.folder, studio.file):
        os.chown(each, 65_534, 65_534)
    as_nobody = ("setpriv", "--reuid=65534", "--regid=65534", "--clear-groups")

    def document(status: int) -> Any:
        run = verifier("--config", studio.file, "preflight", "--json", before=as_nobody)
        assert run.status == status, run
        return run.document

    found = document(0)
    assert one(found, "user")["state"] == "good"
    assert one(found, "writing", "source")["state"] == "good"
    os.chmod(studio.source.at("2026-014-harbour-wall/orthos/harbour.tif"), 0o600)
    found = document(3)
    assert "harbour.tif" in one(found, "reading", "source")["detail"]
    os.chmod(studio.source.at("2026-014-harbour-wall/flights"), 0o700)
    assert "flights" in one(document(3), "place", "source")["detail"]


def test_a_temporary_folder_inside_of_a_share_is_wrong_and_nothing_is_read(studio: Studio) -> None:
    document = studio.document(status=3, TMPDIR=str(studio.source.root))
    assert one(document, "temporary")["state"] == "wrong"
    assert document["first_read"] is None


# How it measures


def test_files_are_picked_evenly_and_the_larger_ones_preferred() -> None:
    sample = measuring.Sample(most=8)
    for number in range(1000):
        sample.add(b"%04d" % number, 1_000_000 if number % 100 == 50 else 10)
    chosen = sample.chosen(at_most=100_000_000, part=500_000)
    assert len(chosen) <= 9
    assert sum(size == 500_000 for size, _ in chosen) >= 5
    first, second = (int(path) for _, path in chosen[:2])
    assert abs(first - second) > 250


def test_no_more_is_picked_than_is_to_be_read() -> None:
    sample = measuring.Sample()
    for number in range(100):
        sample.add(b"%d" % number, 1_000)
    chosen = sample.chosen(at_most=4_500, part=1_000)
    assert [size for size, _ in chosen] == [1_000, 1_000, 1_000, 1_000, 500]
    assert measuring.Sample().chosen(10, 10) == []


def test_where_reading_costs_one_file_is_picked_that_may_be_sent_whole() -> None:
    sample = measuring.Sample()
    assert (sample.one(10), sample.largest) == ([], 0)
    sample.add(b"empty", 0)
    assert sample.one(10) == []
    sample.add(b"endless", 5_000)
    sample.add(b"large", 2_000)
    assert (sample.one(10), sample.largest) == ([(10, b"large")], 5_000)
    sample.add(b"small", 7)
    sample.add(b"smaller", 6)
    assert sample.one(10) == [(7, b"small")]


@pytest.mark.parametrize(
    ("shares", "at_most", "seconds"),
    [
        ([[(1000, 10.0), (1000, 5.0)]], None, 200),
        ([[(1000, 10.0), (10, 5.0)]], None, 100),
        ([[(1000, 10.0), (1000, 5.0)], [(30, 1.0)], []], None, 230),
        ([[(1000, 10.0), (1000, 5.0)]], 4.0, 500),
        ([[(1000, 10.0), (1000, 5.0)]], 100.0, 200),
        ([], None, 0),
    ],
)
def test_the_slower_side_of_each_share_decides(
    shares: list[list[tuple[int, float]]], at_most: float | None, seconds: float
) -> None:
    assert measuring.reading_time(shares, at_most) == seconds


def test_the_pace_that_the_settings_allow_is_for_all_places_together(studio: Studio) -> None:
    studio.write(more='[pace]\nat_most = "2 MB/s"')
    first = studio.document()["first_read"]
    assert first["bytes_per_second"] == 2_000_000


@pytest.mark.skipif(sys.platform != "linux", reason="looks at processes in /proc")
def test_control_c_ends_it_within_a_second(studio: Studio) -> None:
    with open(studio.source.at("north.laz"), "wb") as file:
        file.truncate(1 << 40)  # a hole: reading it has no end
    with running("--config", studio.file, "preflight") as process:
        assert process.stdout is not None
        while b"settings" not in process.stdout.readline():  # there is much to do after that
            assert process.poll() is None
        process.terminate()
        assert wait_until(lambda: process.poll() is not None, 5, "the end") < 1
        assert process.returncode == 3


def test_help_shows_an_example() -> None:
    assert b"Example: verifier --config" in verifier("preflight", "--help").out


def test_the_document_has_no_empty_advice(studio: Studio) -> None:
    assert b'"advice":null' not in studio.run("--json").out
    assert json.loads(studio.run("--json").out)


def test_trees_of_links_only_have_nothing_to_read(tmp_path: Path) -> None:
    studio = Studio(tmp_path)
    links = Tree(tmp_path / "links").link("a", "b").copy_to(tmp_path / "links-mirror")
    studio.source = Tree(tmp_path / "links")
    studio.write(mirror=str(links.root))
    document = studio.document()
    assert document["first_read"] is None
