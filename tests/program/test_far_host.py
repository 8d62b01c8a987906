"""Commands with a place on a far host, over a real sshd: right and wrong addresses, and faults."""

from __future__ import annotations

import json
import os
import signal
import sqlite3
import subprocess
import sys
from collections.abc import Iterator
from contextlib import closing, suppress
from pathlib import Path
from typing import Any

import pytest
from far_host import FarHost, needs_sshd
from faults.mounts import Share, needs_fuse
from faults.test_memory import MOST, Measured, small_files
from trees import Tree, lantern_marsh

from program.estate import SHARE, Estate, closing_in
from program.mailbox import web_server
from program.running import Outcome, compare, running, verifier, wait_until

pytestmark = needs_sshd

MEGABYTE = 1_000_000
MEBI = 1 << 20
PROJECT = "2026-014-harbour-wall"
NORTH = f"{PROJECT}/point-clouds/north.laz"
HOSTILE = (
    b"a name with 'quotes' and \"more\".txt",
    b"$(touch pwned) `touch pwned`; touch pwned.txt",
    b"-oProxyCommand=touch pwned",
    b"two\nlines.txt",
    b"not utf-8 \xff\xfe.tif",
    b"~root",
    b"*",
)


@pytest.fixture(scope="module")
def host(tmp_path_factory: pytest.TempPathFactory) -> Iterator[FarHost]:
    with FarHost(tmp_path_factory.mktemp("far")) as running_host:
        yield running_host


@pytest.fixture(autouse=True)
def restored(host: FarHost) -> Iterator[None]:
    yield
    host.way.restore()


class FarEstate(Estate):
    """An estate whose mirror is reached over SSH, on the way that can be cut."""

    def __init__(self, root: Path, host: FarHost, source: Tree) -> None:
        self.host = host
        super().__init__(root, source)
        far = host.served / "vault" / root.name
        self.mirror = self.source.copy_to(far / SHARE)
        self.over("cut.example")

    def over(self, name: str, **sections: str) -> None:
        """Have the mirror's address be by this name of the host."""
        text = self.settings(**sections).read_text()
        here, there = self.root / "vault" / SHARE, self.host.address(self.mirror.root, name)
        text = text.replace(f'at = "{self.mirror.root}"', f'at = "{there}"')
        self.file.write_text(text.replace(f'at = "{here}"', f'at = "{there}"'))

    def run(self, *arguments: Any, **how: Any) -> Outcome:
        environment = {**self.host.environment, **how.pop("environment", {})}
        return super().run(*arguments, environment=environment, **how)

    def link(self) -> Any:
        """A shift under way."""
        return running("--config", self.file, "shift", "--json", environment=self.host.environment)


def surveys(root: Path) -> Tree:
    tree = lantern_marsh(root)
    tree.files(*(f"flights/{number:03}.jpg" for number in range(300)), size=20_000)
    return tree.files("north.laz", "south.laz", size=12 * MEGABYTE)


FILES = 309


@pytest.fixture
def estate(tmp_path: Path, host: FarHost) -> FarEstate:
    return FarEstate(tmp_path, host, surveys(tmp_path / "bench" / SHARE))


@pytest.fixture
def small(tmp_path: Path, host: FarHost) -> FarEstate:
    return FarEstate(tmp_path, host, lantern_marsh(tmp_path / "bench" / SHARE))


def impatient(folder: Path) -> dict[str, str]:
    """An environment in which a link that is lost is given up after a fifth of a second."""
    (folder / "sitecustomize.py").write_text(
        "import verifier.places.far.place as place\n"
        "place.WAITS = (0.05, 0.05, 0.1)\n"
        "others = place.FarPlace.__init__.__defaults__[1:]\n"
        "place.FarPlace.__init__.__defaults__ = (place.WAITS, *others)\n"
    )
    return {"PYTHONPATH": str(folder)}


# ------------------------------------------------------------------------------- as a folder


def test_a_comparison_over_ssh_finds_what_one_of_folders_does(host, tmp_path):
    source = surveys(tmp_path / "bench")
    for number, name in enumerate(HOSTILE):
        source.file(b"notes/" + name, 500 + number)
    mirror = source.copy_to(host.served / "vault" / tmp_path.name)
    mirror.flip_bit("flights/007.jpg", at=500).cut("north.laz", to=5 * MEGABYTE)
    mirror.delete("flights/008.jpg").rename("flights/009.jpg", "flights/moved.jpg")
    mirror.flip_bit(b"notes/" + HOSTILE[1])
    source.edit("flights/010.jpg")
    here = compare(source, mirror)
    there = compare(source, host.address(mirror), environment=host.environment)
    assert there.status == here.status == 1
    assert [without_place(each) for each in there.document["findings"]] == [
        without_place(each) for each in here.document["findings"]
    ]
    assert len(here.findings) == 7
    assert there.document["counts"] == here.document["counts"]
    assert there.document["mirror"]["read_bytes"] == here.document["mirror"]["read_bytes"]
    assert there.document["mirror"]["at"] == host.address(mirror)
    for place in (host.folder, mirror.root, Path("/"), Path.home()):
        assert not (place / "pwned").exists()


def without_place(finding: dict[str, Any]) -> dict[str, Any]:
    """What is said of a path, but for the sentences, which name the place."""
    return {name: value for name, value in finding.items() if name not in ("detail", "advice")}


def test_a_manifest_of_a_far_place_is_that_of_the_folder(small, host, tmp_path):
    outs = [tmp_path / "far.manifest", tmp_path / "near.manifest"]
    places = [host.address(small.mirror.root), small.mirror.root]
    for place, out in zip(places, outs, strict=True):
        made = verifier("manifest", place, "--out", out, environment=host.environment)
        assert made.status == 0, made.err
    far, near = (
        [
            {k: v for k, v in json.loads(line).items() if k != "read_at"}
            for line in out.read_text().splitlines()[1:-1]
        ]
        for out in outs
    )
    assert far == near
    outcome = compare(small.source, outs[0])
    assert outcome.status == 0


def test_damage_is_looked_into_over_the_link(small, host):
    small.mirror.garble(NORTH, at=70_000, length=300)
    near = verifier("damage", small.source.at(NORTH), small.mirror.at(NORTH), "--json")
    far = verifier(
        "damage",
        small.source.at(NORTH),
        host.address(os.fsdecode(small.mirror.at(NORTH))),
        "--json",
        environment=host.environment,
    )
    assert far.status == near.status == 1
    assert far.document["ranges"] == near.document["ranges"]
    assert far.document["differing_bytes"] == near.document["differing_bytes"] > 200


def test_nights_spot_checks_and_clearances_read_the_mirror_where_it_lies(small):
    first = small.shift()
    assert (first.status, first.document["files_read"]) == (0, 2 * 7), first.err
    small.mirror.flip_bit(NORTH)
    small.forget_the_write(small.mirror, "vault", NORTH)
    checked = small.run("spot-check", SHARE, "--json")
    assert checked.status == 1
    assert checked.findings == {NORTH: ("corrupt", "rot", "mirror", None)}
    cleared = small.run("clearance", SHARE, PROJECT, "--json")
    rules = {each["rule"]: each for each in cleared.document["rules"]}
    assert cleared.status == 1
    assert "north.laz" in json.dumps(rules)
    audit = small.run("audit", "--json")
    assert {each["place"] for each in audit.document["places"]} == {"source", "vault"}


# -------------------------------------------------------------------------------- preflight


def checks_of(outcome: Outcome, place: str) -> dict[str, Any]:
    return {
        each["check"]: each for each in outcome.document["checks"] if each.get("place") == place
    }


def test_preflight_says_who_reads_there_how_the_clock_stands_and_how_fast_the_link_is(small):
    outcome = small.run("preflight", "--json")
    assert outcome.status == 0, outcome.out
    said = checks_of(outcome, "vault")
    assert {"place", "version", "clock", "link", "writing", "reading"} <= set(said)
    assert {said[each]["state"] for each in ("place", "version", "clock", "link")} == {"good"}
    assert "round trip" in said["link"]["detail"]
    assert "7 files" in said["place"]["detail"]


@pytest.mark.skipif(not Path("/usr/bin/faketime").exists(), reason="needs faketime")
def test_preflight_says_how_far_the_clocks_are_apart(small):
    outcome = small.run("preflight", "--json", before=("faketime", "-f", "+90s"))
    clock = checks_of(outcome, "vault")["clock"]
    assert clock["state"] == "look"
    assert "90" in clock["detail"] or "1 min 30 s" in clock["detail"]
    assert "behind" in clock["detail"]


WRONG = {
    "stranger.example": "accepts no key of this user",
    "changed.example": "the host key is not the one that is known for it",
    "unknown-key.example": "the host key is not known to this user",
    "nowhere.invalid": "there is no host of that name",
    "forged.example": "version 0.0.9 of verifier runs there",
    "plain.example": "the far host has no command 'verifier'",
}


@pytest.mark.parametrize("name", WRONG)
def test_what_is_wrong_with_a_host_is_said_in_a_sentence_and_the_rest_goes_on(small, name):
    small.over(name)
    bare = {"SSH_ASKPASS": "/bin/false", "SSH_ASKPASS_REQUIRE": "force", "DISPLAY": ":9"}
    shift = small.shift(environment=bare)
    assert (shift.status, shift.document["stopped_by"]) == (3, "trouble")
    assert WRONG[name] in shift.err
    assert shift.document["files_read"] == 7, "the source is read all the same"
    checked = small.run("preflight", "--json")
    assert checked.status == 3
    place = checks_of(checked, "vault")["place"]
    assert place["state"] == "wrong"
    assert WRONG[name] in place["detail"]
    assert place["advice"].endswith(".")
    assert checks_of(checked, "source")["reading"]["state"] == "good"


@pytest.mark.parametrize(
    ("address", "status", "said"),
    [
        ("ssh://-oProxyCommand=touch%20pwned/volumes/vault", 2, "no address"),
        ("ssh://-lroot@vault.example/volumes/vault", 2, "begin"),
        ("ssh://vault.example", 2, "path"),
        ("ssh://vault.example:port/volumes", 2, "port"),
        ("sftp+nothing://vault.example/volumes", 3, "is no kind of address"),
        ("ssh://narrow.example/SERVED/elsewhere", 3, "outside of the one"),
        ("ssh://narrow.example/SERVED/vault/../elsewhere", 3, "outside of the one"),
        ("ssh://narrow.example/SERVED/vault/way-out", 3, "outside of the one"),
        ("ssh://vault.example/SERVED/nothing-here", 3, "no such folder"),
        ("ssh://vault.example/SERVED/a-file", 3, "no folder"),
    ],
)
def test_addresses_that_lead_nowhere_are_refused_in_a_sentence(small, host, address, status, said):
    (host.served / "elsewhere").mkdir(exist_ok=True)
    (host.served / "a-file").touch()
    way_out = host.served / "vault" / "way-out"
    if not way_out.is_symlink():
        way_out.symlink_to(host.served / "elsewhere")
    address = address.replace("/SERVED", str(host.served))
    outcome = verifier("compare", small.source, address, environment=host.environment)
    assert outcome.out == b""
    assert outcome.status == status, outcome.err
    assert len(outcome.err.strip().splitlines()) <= 6
    assert said in outcome.err
    assert not Path("pwned").exists()


def test_a_key_for_one_command_does_nothing_else(host):
    """Fails when the line that docs/far-host.md shows lets anything else run."""
    asked = subprocess.run(
        [host.folder / "bin" / "ssh", "-o", "BatchMode=yes", "vault.example", "id; touch pwned"],
        stdin=subprocess.DEVNULL,
        capture_output=True,
    )
    assert b"uid=" not in asked.stdout
    assert asked.stdout.startswith(b"\0verifier far-end ")
    forwarded = subprocess.run(
        [
            *(host.folder / "bin" / "ssh", "-o", "BatchMode=yes"),
            *("-o", "ExitOnForwardFailure=yes", "-R", "0:127.0.0.1:9", "vault.example"),
        ],
        stdin=subprocess.DEVNULL,
        capture_output=True,
    )
    assert forwarded.returncode != 0


def test_the_line_that_the_docs_show_is_the_one_that_is_tried(host):
    docs = (Path(__file__).parents[2] / "docs" / "far-host.md").read_text()
    shown = (
        'command="/opt/verifier/bin/verifier far-end --root /volumes/vault",restrict ssh-ed25519'
    )
    assert shown in docs
    tried = (host.folder / "authorized_keys").read_text()
    program = f"{sys.executable} -m verifier"
    assert tried.startswith(
        shown.replace("/opt/verifier/bin/verifier", program).replace(
            "/volumes/vault", str(host.served)
        )
    )


# ----------------------------------------------------------------------------------- faults


def test_a_link_that_is_cut_in_a_shift_and_restored_costs_nothing(estate):
    """Fails when a link is not made anew, or what had come is read again."""
    before = estate.host.way.cuts
    estate.over("cut.example", pace='at_most = "20 MB/s"')
    with estate.link() as shift:
        midway(estate)
        estate.host.way.cut()
        estate.host.way.restore()
        out, err = shift.communicate(timeout=120)
    assert shift.returncode == 0, err
    document = json.loads(out)
    assert estate.host.way.cuts > before
    assert document["files_read"] == 2 * FILES
    assert document["left"] == {"files": 0, "bytes": 0}
    largest = 12 * MEGABYTE
    whole = 2 * 300 * 20_000
    assert document["read_bytes"] < 2 * (whole + 2 * largest + 5 * MEGABYTE) + 4 * largest


def read_of_mirror(estate: Estate) -> int:
    """Files of the mirror whose reading stands in the ledger."""
    with (
        suppress(sqlite3.Error),
        closing(
            sqlite3.connect(f"{estate.ledger.as_uri()}?mode=ro", uri=True, timeout=5)
        ) as ledger,
    ):
        (files,) = ledger.execute(
            "SELECT count(*) FROM sightings JOIN places ON places.id = sightings.place"
            " WHERE places.name = 'vault' AND read_at IS NOT NULL"
        ).fetchone()
        return int(files)
    return 0


def midway(estate: Estate) -> None:
    """Until the mirror is being read and something of it stands in the ledger."""
    wait_until(lambda: read_of_mirror(estate) > 50, 60, "a beginning")


def test_a_link_that_stays_cut_is_trouble_for_that_place_alone(estate, tmp_path):
    environment = {**estate.host.environment, **impatient(tmp_path)}
    command = ("--config", estate.file, "shift", "--json")
    with web_server() as room:
        told = f'[notify]\nto = ["json://127.0.0.1:{room.port}"]'
        estate.over("cut.example", pace='at_most = "20 MB/s"', more=told)
        with running(*command, environment=environment) as shift:
            midway(estate)
            estate.host.way.cut()
            out, err = shift.communicate(timeout=120)
    at_once = [each for each in room.titles if "is not read any further" in each]
    assert at_once == [f"vault ({SHARE}) cannot be reached; it is not read any further"]
    assert "Check that the host is up" in room.heard[0][2]["message"]
    assert b"Traceback" not in err
    assert shift.returncode == 3
    document = json.loads(out)
    assert document["stopped_by"] == "trouble"
    assert FILES <= document["files_read"] < 2 * FILES, "the source in full, the mirror in part"
    assert b"The link to ssh://cut.example" in err
    assert b"Check that the host is up" in err
    assert estate.run("findings").status == 3
    estate.host.way.restore()
    second = estate.shift()
    assert second.status == 0
    assert document["files_read"] + second.document["files_read"] >= 2 * FILES
    assert second.document["left"]["files"] == 0
    kept = document["files_read"] - FILES
    assert kept > 0, "what had come by then is not read again"


def test_far_ends_that_are_killed_are_started_again(estate):
    estate.over("vault.example", pace='at_most = "20 MB/s"')
    with estate.link() as shift:
        midway(estate)
        killed = estate.host.far_ends
        for each in killed:
            os.kill(each, signal.SIGKILL)
        out, err = shift.communicate(timeout=120)
    assert killed
    assert shift.returncode == 0, err
    assert json.loads(out)["files_read"] == 2 * FILES


def test_the_far_end_stops_by_itself_when_its_shift_is_killed_and_at_the_bell(estate):
    estate.over("vault.example", pace='at_most = "3 MB/s"', hours=closing_in(6))
    with estate.link() as shift:
        midway(estate)
        out, err = shift.communicate(timeout=60)
    assert json.loads(out)["stopped_by"] == "working-hours", err
    wait_until(lambda: not estate.host.far_ends, 30, "the far ends to end after the bell")
    estate.over("vault.example", pace='at_most = "3 MB/s"')
    with estate.link() as shift:
        midway(estate)
        shift.kill()
        wait_until(lambda: not estate.host.far_ends, 30, "the far ends to end with their shift")


@pytest.mark.root
@needs_fuse
def test_an_error_of_the_far_disk_is_that_file_s_trouble_alone(host, tmp_path):
    folder = host.served / "vault" / tmp_path.name
    folder.mkdir(parents=True)
    share = Share(folder).both("flights/a.jpg").both("notes/plan.txt").both("zz/last.laz", 70_000)
    share.on("bench", "m.laz", "Node", size=20 * MEBI)
    share.on("vault", "m.laz", "FailsAt", size=20 * MEBI, at=9 * MEBI + 10)
    with share:
        outcome = compare(share.source, host.address(share.mirror), environment=host.environment)
    assert outcome.status == 3
    assert outcome.findings == {"m.laz": ("unreadable", "input-output-error", "mirror", None)}
    assert outcome.document["counts"]["matched"] == 3
    assert f"at byte {9 * MEBI:,}" in outcome.document["findings"][0]["detail"]


# ------------------------------------------------------------------------------- how much


def test_memory_is_flat_on_both_sides_however_much_there_is(host, large_tmp):
    """Many files in one folder, and one that is larger than what any process may hold."""
    crowd = large_tmp / "bench"
    small_files(crowd / "flights", 40_000)
    with open(crowd / "north.laz", "wb") as file:
        file.truncate(1 << 30)
    copy = host.served / "vault" / "crowd"
    copy.parent.mkdir(exist_ok=True)
    subprocess.run(["cp", "-a", "--", crowd, copy], check=True)
    run = Measured(
        *("compare", crowd, host.address(copy), "--json"),
        environment=host.environment,
        elsewhere=lambda: host.far_ends,
    )
    assert run.status == 0
    assert b'"matched":40001' in run.out
    assert len(run.peaks) > 3
    assert max(run.peaks.values()) <= MOST, run.peaks


def test_at_most_a_kilobyte_a_file_passes_over_the_link(host, tmp_path):
    """Fails when contents travel, or a question is asked for each file."""
    files = 3_000
    source = Tree(tmp_path / "bench").files(
        *(f"flights/{n // 500}/DJI_{n:05}.jpg" for n in range(files)), size=2_000
    )
    mirror = source.copy_to(host.served / "vault" / tmp_path.name)
    before = host.way.bytes
    outcome = compare(source, host.address(mirror, "cut.example"), environment=host.environment)
    assert outcome.status == 0
    assert outcome.document["counts"]["matched"] == files
    assert host.way.bytes - before < 1_000 * files
