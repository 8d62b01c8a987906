"""A whole night with three places: a folder, a far host over a real sshd, and an object store.

Nothing stands in for anything but the hours of waiting: real commands, a real server each, faults
on every place, and a link that is cut.
"""

from __future__ import annotations

import json
import os
import signal
import sqlite3
import subprocess
from collections.abc import Iterator
from contextlib import closing, contextmanager, suppress
from pathlib import Path
from typing import Any

import pytest
from far_host import FarHost, needs_sshd
from faults.mounts import Share, needs_fuse
from faults.test_memory import MOST, Measured
from object_stores import Bucket, Proxy, bucket, proxy, server
from trees import Tree

from program.estate import SHARE, Estate
from program.mailbox import web_server
from program.running import Outcome, running, wait_until

__all__ = ["bucket", "proxy", "server"]

pytestmark = [pytest.mark.root, needs_sshd, needs_fuse]

MEBI = 1 << 20
PROJECT = "2026-014-harbour-wall"
OTHER = "2026-009-salt-pans"
SMALL = 120
FILES = SMALL + 3 + 9


def photo(number: int) -> str:
    return f"{PROJECT}/flights/DJI_{number:04}.jpg"


NORTH, SOUTH = f"{PROJECT}/point-clouds/north.laz", f"{PROJECT}/point-clouds/south.laz"
PLAN = f"{PROJECT}/notes/plan.txt"


class Studio(Estate):
    """Bench here, vault on a far host, faraway in a bucket."""

    def __init__(self, root: Path, host: FarHost, store: Bucket) -> None:
        self.host = host
        self.store = store
        self.told = ""
        self.pace = 'at_most = "60 MB/s"'
        tree = Tree(root / "bench" / SHARE)
        for number in range(SMALL):
            tree.file(photo(number), 20_000 + number)
        tree.file(NORTH, 6_000_000).file(SOUTH, 6_000_000)
        tree.files(*(f"{OTHER}/flights/{number}.jpg" for number in range(9)), size=9_000)
        tree.file(PLAN, b"Low tide at noon; fly the wall first.\n")
        super().__init__(root, tree)
        self.mirror = self.source.copy_to(host.served / "vault" / root.name / SHARE)
        store.put_tree(tree.root, f"{SHARE}/")
        self.settings(pace=self.pace)

    def settings(self, **sections: Any) -> Path:
        """The usual lines, with the far address for the vault and a third place."""
        file = super().settings(
            more=f"""
[[share.mirror]]
name = "faraway"
at = "s3://{self.store.name}/{SHARE}"
off_site = true
read_at_most = "2 GB a month"
[clearance]
quiet_for = "1 h"
copies = 2
off_site = 1
{self.told}
""",
            **sections,
        )
        text = file.read_text()
        here = f'at = "{self.mirror.root}"'
        file.write_text(
            text.replace(here, f'at = "{self.host.address(self.mirror.root, "cut.example")}"')
        )
        return file

    def run(self, *arguments: Any, **how: Any) -> Outcome:
        return super().run(*arguments, environment=self.host.environment, **how)

    def silently(self, place: str, path: str) -> None:
        """What was just done to a file is made to look like a disk's own doing."""
        self.forget_the_write(self.source if place == "source" else self.mirror, place, path)

    def read_of_vault(self) -> int:
        """Files of the vault whose reading stands in the ledger."""
        only_read = f"{self.ledger.as_uri()}?mode=ro"
        with (
            suppress(sqlite3.Error),  # it is not made yet
            closing(sqlite3.connect(only_read, uri=True, timeout=5)) as ledger,
        ):
            (files,) = ledger.execute(
                "SELECT count(*) FROM sightings JOIN places ON places.id = sightings.place"
                " WHERE places.name = 'vault' AND read_at IS NOT NULL"
            ).fetchone()
            return int(files)
        return 0

    def put(self, path: str, content: bytes) -> None:
        self.store.put(f"{SHARE}/{path}", content)


@pytest.fixture(scope="module")
def host(tmp_path_factory: pytest.TempPathFactory) -> Iterator[FarHost]:
    with FarHost(tmp_path_factory.mktemp("far")) as found:
        yield found


@contextmanager
def failing(studio: Studio, path: str, scratch: Path) -> Iterator[None]:
    """The far disk gives an error in the middle of one file."""
    scratch.mkdir()
    share = Share(scratch).on("vault", "bad.laz", "FailsAt", size=6_000_000, at=3 * MEBI)
    at = studio.mirror.at(path)
    with share:
        subprocess.run(["mount", "--bind", share.mirror / "bad.laz", at], check=True)
        try:
            yield
        finally:
            subprocess.run(["umount", at], check=True)


def found_in(document: Any) -> dict[tuple[str, str], tuple[str, str | None, str | None]]:
    """Each finding by path and mirror: its verdict, cause and side."""
    return {
        (each["path"], each["mirror"]): (each["verdict"], each["cause"], each["side"])
        for each in document["findings"]
    }


def words(outcome: Outcome) -> str:
    return " ".join(outcome.out.decode().split())


def test_a_full_night_on_a_folder_a_far_host_and_an_object_store(
    tmp_path: Path, host: FarHost, bucket: Bucket, proxy: Proxy
) -> None:
    studio = Studio(tmp_path, host, bucket)

    # Before the first night: everything is looked at, each place in its own way.
    checked = studio.run("preflight", "--json")
    assert checked.status == 0, checked.out
    said = {(each.get("place"), each["check"]): each for each in checked.document["checks"]}
    for place, checks in {
        "source": {"place", "writing", "reading"},
        "vault": {"place", "version", "clock", "link", "writing", "reading"},
        "faraway": {"place", "clock", "writing", "budget", "reading"},
    }.items():
        for check in checks:
            assert said[place, check]["state"] in ("good", "look"), said[place, check]

    # The first night: the link is cut midway and comes back, a far end is killed, and the store
    # is asked too often.  Nobody needs to know.
    proxy.fault("GET .*DJI_0007", 503, "SlowDown", times=2)
    with running("--config", studio.file, "shift", "--json", environment=host.environment) as shift:
        wait_until(lambda: studio.read_of_vault() > 20, 60, "a beginning")
        host.way.cut()
        host.way.restore()
        wait_until(lambda: bool(host.far_ends), 60, "a new link")
        for each in host.far_ends:
            os.kill(each, signal.SIGKILL)
        out, err = shift.communicate(timeout=180)
    assert shift.returncode == 0, err
    first = json.loads(out)
    assert first["stopped_by"] == "done"
    assert (first["files_read"], first["left"]) == (3 * FILES, {"files": 0, "bytes": 0})
    assert first["findings"] == []

    # In the day after, something happens on every side.
    studio.source.flip_bit(photo(3), at=1_000)
    studio.silently("source", photo(3))
    studio.mirror.garble(photo(11), at=500, length=200)
    studio.silently("vault", photo(11))
    good = studio.source.read(photo(19))
    studio.put(photo(19), good[:-1] + bytes([good[-1] ^ 1]))
    bucket.delete(f"{SHARE}/{photo(27)}")
    studio.put(NORTH, studio.source.read(NORTH)[: 2 * MEBI])

    # The second night: the audit's next round, and one file of the far disk cannot be read.
    with failing(studio, SOUTH, tmp_path / "fuse"), web_server() as room:
        studio.told = f'[notify]\nto = ["json://127.0.0.1:{room.port}"]'
        studio.settings()
        run = Measured(
            *("--config", studio.file, "shift", "--json"),
            environment=host.environment,
            elsewhere=lambda: host.far_ends,
        )
        page = studio.run("report", "--json").document
    studio.told = ""
    studio.settings()
    second = json.loads(run.out)
    assert run.status == 3, second
    assert max(run.peaks.values()) <= MOST, run.peaks
    assert found_in(second) == {
        (photo(3), "vault"): ("corrupt", "rot", "source"),
        (photo(3), "faraway"): ("corrupt", "rot", "source"),
        (photo(11), "vault"): ("corrupt", "rot", "mirror"),
        (photo(19), "faraway"): ("corrupt", "altered", "mirror"),
        (photo(27), "faraway"): ("missing", "never-copied", "mirror"),
        (NORTH, "faraway"): ("corrupt", "truncated", "mirror"),
        (SOUTH, "vault"): ("unreadable", "input-output-error", "mirror"),
    }
    assert page["state"] == "needs-you"
    assert "7 findings need you, 2 of them before the next mirror run" in page["sentence"]
    first_word, *_, last_word = room.titles
    assert first_word.startswith("Hold the mirror run: 1 file damaged on the source"), room.titles
    assert last_word.startswith("Hold the mirror run: "), room.titles
    message = room.heard[-1][2]["message"]
    assert photo(3) in message
    assert "vault" in message and "faraway" in message
    listed = studio.run("findings")
    assert listed.status == 1
    assert "pause the copy job" in words(listed).lower(), "the source's rot is the most pressing"
    assert words(listed).index(photo(3)) < words(listed).index(photo(27))

    # Each is brought back by its good copy; the next night closes all by its own reading.
    studio.source.rewrite(photo(3), studio.mirror.read(photo(3)))
    studio.mirror.rewrite(photo(11), studio.source.read(photo(11)))
    for path in (photo(19), photo(27), NORTH):
        studio.put(path, studio.source.read(path))
    third = studio.shift()
    assert (third.status, third.document["findings"]) == (0, []), third.out

    # A new file arrives wrong on one mirror, with the right date: the other two outvote it.
    new = f"{PROJECT}/orthos/harbour.tif"
    studio.source.file(new, 300_000)
    studio.mirror.file(new, studio.source.read(new)).flip_bit(new, at=4_000)
    studio.put(new, studio.source.read(new))
    fourth = studio.shift()
    assert found_in(fourth.document) == {(new, "vault"): ("corrupt", "differs", "mirror")}
    [finding] = fourth.document["findings"]
    assert "faraway holds the same as the source" in finding["detail"]
    assert finding["damage"]["differing_bytes"] == 1, "looked into over the link"
    studio.mirror.rewrite(new, studio.source.read(new))
    assert studio.shift().status == 0

    # Proof: a sample of all three, then a clearance of the project.
    sample = studio.run("spot-check", SHARE, "--json")
    assert sample.status == 0, sample.err
    assert "the source, vault and faraway" in sample.document["statement"]
    refused = studio.run("clearance", SHARE, PROJECT, "--json")
    assert refused.status == 1
    unheld = {each["rule"] for each in refused.document["rules"] if not each["held"]}
    assert unheld == {"quiet"}, "what was damaged was explained by the good copy; it is too fresh"
    cleared = studio.run("clearance", SHARE, OTHER, "--json")
    assert cleared.status == 0, cleared.out
    certificate = Path(cleared.document["certificate"])
    copies = {each["place"]: each for each in json.loads(certificate.read_bytes())["copies"]}
    assert set(copies) == {"source", "vault", "faraway"}
    assert [place for place, each in copies.items() if each["off_site"]] == ["faraway"]
    assert "far end on cut.example, past the cache" in copies["vault"]["how"]["detail"]
    assert "requests to the object store" in copies["faraway"]["how"]["detail"]
    again = studio.run("clearance", "--recheck", certificate, "--json")
    assert again.status == 0, again.out
