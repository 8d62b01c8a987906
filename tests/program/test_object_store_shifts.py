"""Nights with a mirror in an object store: it is listed, and read by budget, as reading costs.

What was asked of the store is what came by a proxy before it: nobody's word is taken for it.
"""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path
from typing import Any

import pytest
from object_stores import KEY, SECRET, Bucket, Proxy, bucket, proxy, server
from trees import Tree

from program.estate import SHARE, Estate
from program.running import Outcome

__all__ = ["bucket", "proxy", "server"]

PROJECT = "2026-014-harbour-wall"
FLIGHT = f"{PROJECT}/flights/0003.tif"
CLOUD = f"{PROJECT}/point-clouds/north.laz"
PLAN = "notes/plan.txt"
CONTENT = f"GET .*/{SHARE}/"
"""A request for the content of an object."""


class Studio(Estate):
    """Bench, vault, and a bucket faraway."""

    def __init__(self, root: Path, store: Bucket, proxy: Proxy) -> None:
        self.bucket = store
        self.proxy = proxy
        self.faraway = ""
        tree = Tree(root / "bench" / SHARE)
        for number in range(6):
            tree.file(f"{PROJECT}/flights/{number:04}.tif", 3_000 + number)
        tree.file(CLOUD, 9_000_000).file(PLAN, b"low tide at noon")
        super().__init__(root, tree)
        store.put_tree(tree.root, f"{SHARE}/")

    def settings(self, *, read_at_most: str | None = None, more: str = "", **each: Any) -> Path:
        budget = "" if read_at_most is None else f'read_at_most = "{read_at_most}"'
        mirror = f"""
[[share.mirror]]
name = "faraway"
at = "s3://{self.bucket.name}/{SHARE}"
off_site = true
{budget}
"""
        return super().settings(more=mirror + more, **each)

    def put(self, path: str, content: bytes) -> None:
        self.bucket.put(f"{SHARE}/{path}", content)

    def contents_asked_for(self) -> list[str]:
        """What the store was asked to send, since this was last asked."""
        asked = [str(each) for each in self.proxy.of(CONTENT)]
        self.proxy.asked.clear()
        return asked

    def spent(self) -> int:
        """Bytes that the ledger says were read of the store this month."""
        with closing(sqlite3.connect(self.ledger)) as database:
            rows = database.execute(
                "SELECT spending.bytes FROM spending JOIN places ON id = place"
                " WHERE name = 'faraway'"
            ).fetchall()
        return sum(size for (size,) in rows)


@pytest.fixture
def studio(tmp_path: Path, bucket: Bucket, proxy: Proxy) -> Iterator[Studio]:
    found = Studio(tmp_path, bucket, proxy)
    yield found
    for path in sorted(tmp_path.rglob("*")):
        if path.is_file() and found.source.root not in path.parents:
            content = path.read_bytes()
            assert SECRET.encode() not in content, f"{path} holds a secret"
            assert KEY.encode() not in content, f"{path} holds a key"


def of(outcome: Outcome, mirror: str = "faraway") -> dict[str, tuple[str, str | None]]:
    """Verdict and cause of each finding on a mirror."""
    assert SECRET not in outcome.err + outcome.out.decode()
    return {
        each["path"]: (each["verdict"], each["cause"])
        for each in outcome.document["findings"]
        if each["mirror"] == mirror
    }


def budget(outcome: Outcome) -> dict[str, Any]:
    (found,) = outcome.document["budgets"]
    return found


def test_without_a_budget_shifts_list_and_never_read(studio: Studio) -> None:
    """Fails when the files that no shift has read there are taken for work that is left."""
    studio.put(PLAN, b"low tide")
    studio.bucket.delete(f"{SHARE}/{FLIGHT}")
    first = studio.shift()
    assert of(first) == {
        PLAN: ("stale", "older-version"),
        FLIGHT: ("missing", "never-copied"),
    }
    assert first.document["stopped_by"] == "done"
    assert first.document["left"] == {"files": 0, "bytes": 0}
    assert studio.contents_asked_for() == []
    assert budget(first)["read_at_most"] is None
    assert (budget(first)["read_bytes"], studio.spent()) == (0, 0)

    studio.put(PLAN, b"low tide at noon")
    studio.put(FLIGHT, (studio.source.root / FLIGHT).read_bytes())
    said = studio.run("shift")
    assert said.status == 0, said.out
    assert "only listed, since reading costs" in said.out.decode()
    assert studio.contents_asked_for() == []
    page = studio.run("report", "--json").document
    assert page["state"] == "all-good"
    assert f"as far as all is read: {SHARE} on faraway is only listed" in page["sentence"]
    audit = studio.run("audit", "--json")
    assert audit.status == 0
    assert [each["on_target"] for each in audit.document["places"]] == [True, True, None]
    assert "says nothing of current-surveys, faraway" in " ".join(
        studio.run("audit").out.decode().split()
    )


def test_a_spot_check_reads_and_what_it_finds_lasts_until_it_reads_again(studio: Studio) -> None:
    """Fails when a shift reads to close a finding, or believes an upload unread."""
    assert studio.shift().status == 0
    damaged = bytearray((studio.source.root / FLIGHT).read_bytes())
    damaged[1000] ^= 1
    studio.put(FLIGHT, bytes(damaged))
    assert studio.shift().status == 0  # by size and name it is all right
    assert studio.contents_asked_for() == []

    check = studio.run("spot-check", SHARE, "--at-most", "0.0001", "--json")
    assert check.status == 1, check.err
    assert of(check) == {FLIGHT: ("corrupt", "differs")}
    assert "will be read, where reading costs; 0 bytes were read of it this month" in check.err
    assert studio.contents_asked_for()
    whole = sum(path.stat().st_size for path in studio.source.root.rglob("*") if path.is_file())
    assert whole <= studio.spent() <= whole + 20_000

    studio.put(FLIGHT, (studio.source.root / FLIGHT).read_bytes())
    assert of(studio.shift()) == {FLIGHT: ("corrupt", "differs")}
    assert studio.contents_asked_for() == []
    before = studio.spent()
    again = studio.run("spot-check", SHARE, "--at-most", "99 %", "--json")
    assert "1 file that findings wait for" in again.err
    assert again.status == 0, again.out
    assert of(studio.shift()) == {}
    assert before < studio.spent() == budget(studio.shift())["read_bytes"]


def test_rot_on_the_source_is_shown_without_reading_the_store(studio: Studio) -> None:
    """Fails when the second reading of the store is waited for, which no shift makes."""
    assert studio.shift().status == 0
    assert studio.run("spot-check", SHARE, "--at-most", "0.0001").status == 0
    assert studio.shift().status == 0
    studio.contents_asked_for()
    studio.source.flip_bit(FLIGHT, at=1000)
    found = studio.shift()
    assert of(found) == {FLIGHT: ("corrupt", "rot")}
    (one,) = [each for each in found.document["findings"] if each["mirror"] == "faraway"]
    assert one["side"] == "source"
    assert studio.contents_asked_for() == []


def test_a_budget_is_read_up_to_and_not_beyond(studio: Studio) -> None:
    """Fails when a file is begun that the month cannot afford."""
    studio.settings(read_at_most="5 MB a month")
    damaged = bytearray((studio.source.root / FLIGHT).read_bytes())
    damaged[1000] ^= 1
    studio.put(FLIGHT, bytes(damaged))
    first = studio.shift()
    assert of(first) == {FLIGHT: ("corrupt", "differs")}
    assert first.document["stopped_by"] == "done"
    assert first.document["left"] == {"files": 1, "bytes": 9_000_000}
    assert not [each for each in studio.contents_asked_for() if each.endswith("north.laz")]
    assert budget(first)["read_bytes"] == studio.spent() == studio.proxy.sent
    assert "1 file of 9.0 MB waits" in first.err
    assert studio.shift().document["left"] == {"files": 1, "bytes": 9_000_000}
    assert studio.contents_asked_for() == []
    audit = studio.run("audit")
    said = " ".join(audit.out.decode().split())
    assert "Of 5.0 MB a month that shifts may read" in said

    studio.settings(read_at_most="60 MB a month")
    third = studio.shift()
    assert third.document["left"] == {"files": 0, "bytes": 0}
    assert [each for each in studio.contents_asked_for() if each.endswith("north.laz")]
    assert budget(third)["read_bytes"] == studio.spent() == studio.proxy.sent


def test_a_budget_that_cannot_meet_the_target_is_said_to(studio: Studio) -> None:
    studio.settings(read_at_most="1 MB a month", audit='every_byte_within = "90 days"')
    assert studio.shift().status == 0
    audit = studio.run("audit", "--json")
    assert audit.status == 1
    assert audit.document["places"][2]["on_target"] is False
    assert audit.document["places"][2]["budget"]["read_at_most"] == 1_000_000
    said = " ".join(studio.run("audit").out.decode().split())
    assert "let 9.0 MB a month be read (read_at_most)" in said  # the largest file
    page = studio.run("report", "--json").document
    assert page["state"] == "all-good"
    assert "faraway is read in part, by its budget" in page["sentence"]


def test_an_interrupted_answer_is_paid_for_and_counted(studio: Studio) -> None:
    studio.settings(read_at_most="60 MB a month")
    studio.proxy.fault(f"{CONTENT}.*north.laz", cut_at=4_000_000)
    assert studio.shift().status == 0
    assert studio.spent() >= 9_000_000


def test_a_store_that_refuses_in_the_night_is_lost_and_the_others_read(studio: Studio) -> None:
    studio.settings(read_at_most="60 MB a month")
    studio.proxy.fault(CONTENT, 400, "ExpiredToken", times=None)
    found = studio.shift()
    assert found.status == 3
    assert [each["place"] for each in found.document["unreachable"]] == ["faraway"]
    assert "the credentials are not valid any more" in found.err
    assert of(found, "vault") == {}
    studio.proxy.faults.clear()
    assert studio.shift().status == 0


def test_an_emptied_bucket_is_not_believed(studio: Studio) -> None:
    assert studio.shift().status == 0
    for path in list(studio.source.root.rglob("*")):
        studio.bucket.delete(f"{SHARE}/{path.relative_to(studio.source.root)}")
    found = studio.shift()
    assert found.status == 3
    assert "looks unmounted or emptied" in found.err
    assert of(found) == {}


def test_a_clearance_reads_the_store_and_says_how(studio: Studio) -> None:
    studio.settings(more='[clearance]\nquiet_for = "1 h"\ncopies = 2\noff_site = 1\n')
    assert studio.shift().status == 0
    granted = studio.run("clearance", SHARE, PROJECT, "--json")
    assert granted.status == 0, granted.out
    assert "will be read, where reading costs" in granted.err
    assert studio.spent() >= 9_000_000
    certificate = Path(granted.document["certificate"])
    copies = json.loads(certificate.read_bytes())["copies"]
    (there,) = [each for each in copies if each["place"] == "faraway"]
    assert there["at"] == f"s3://{studio.bucket.name}/{SHARE}/{PROJECT}"
    assert "through requests to the object store" in there["how"]["detail"]

    again = studio.run("clearance", "--recheck", certificate, "--json")
    assert again.status == 0, again.out
    share, folder = f"s3://{studio.bucket.name}/{SHARE}", there["at"]
    twice = studio.run("clearance", "--recheck", certificate, share, folder)
    assert twice.status == 1 and b"lead to one folder" in b" ".join(twice.out.split())
    studio.put(FLIGHT, bytes(3_003))
    assert studio.run("clearance", "--recheck", certificate).status == 1


def test_damage_of_a_share_is_counted_too(studio: Studio) -> None:
    assert studio.shift().status == 0
    studio.put(FLIGHT, bytes(3_003))
    found = studio.run("damage", SHARE, FLIGHT, "--mirror", "faraway")
    assert found.status == 1
    assert studio.spent() == 3_003


def test_preflight_sees_whether_the_store_can_be_read_and_what_it_may_cost(studio: Studio) -> None:
    studio.settings(read_at_most="5 MB a month")
    checks = {
        each["check"]: each
        for each in studio.run("preflight", "--json").document["checks"]
        if each.get("place") == "faraway"
    }
    assert {name: each["state"] for name, each in checks.items()} == {
        "place": "good",
        "clock": "good",
        "writing": "look",
        "budget": "good",
        "reading": "good",
    }
    assert "8 files, 9.0 MB" in checks["place"]["detail"]
    assert "at most 5.0 MB of it a month" in checks["budget"]["detail"]
    assert len(studio.contents_asked_for()) == 1
    assert 0 < studio.proxy.sent <= 8 << 20
    told = " ".join(studio.run("preflight").out.decode().split())
    assert f"in all places but {SHARE} on faraway, of which shifts do not read all, at" in told
    studio.contents_asked_for()
    assert studio.spent() == studio.proxy.sent

    studio.proxy.fault(CONTENT, 403, "AccessDenied", times=None)
    denied = studio.run("preflight", "--json")
    assert denied.status == 3
    (reading,) = [
        each
        for each in denied.document["checks"]
        if each.get("place") == "faraway" and each["check"] == "reading"
    ]
    assert reading["state"] == "wrong"
    assert "Permission denied" in reading["detail"]


def test_a_dry_run_says_that_the_store_is_only_listed(studio: Studio) -> None:
    assert studio.shift().status == 0
    said = studio.run("shift", "--dry-run").out.decode()
    assert f"{SHARE}, faraway: only listed, since reading costs" in said
    assert studio.contents_asked_for() == []
