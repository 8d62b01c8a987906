"""Files that cannot be read, or not with one clear result, on a real FUSE file system."""

from __future__ import annotations

import json
import signal
import time
from pathlib import Path

import pytest
from program.running import Outcome, compare, members, running, verifier, wait_until

from faults.mounts import Share, needs_fuse

pytestmark = [pytest.mark.root, needs_fuse]

MEBI = 1 << 20


@pytest.fixture
def share(tmp_path: Path) -> Share:
    return Share(tmp_path).both("flights/a.jpg").both("notes/plan.txt").both("zz/last.laz", 70_000)


def others_matched(outcome: Outcome) -> bool:
    """Whether all of the well-behaved files, and they alone, matched."""
    return outcome.document["counts"]["matched"] == 3


# Errors


@pytest.mark.parametrize(
    ("size", "at"),
    [(1_000, 500), (200_000, 150_000), (20 * MEBI, 9 * MEBI), (100 * MEBI, 70 * MEBI)],
)
@pytest.mark.parametrize("side", ["source", "mirror"])
def test_a_file_that_gives_an_error_at_one_byte_is_unreadable_and_the_others_are_judged(
    share: Share, side: str, size: int, at: int
) -> None:
    bad, good = ("bench", "vault") if side == "source" else ("vault", "bench")
    share.on(bad, "m.laz", "FailsAt", size=size, at=at).on(good, "m.laz", "Node", size=size)
    with share:
        outcome = compare(share.source, share.mirror)
    assert outcome.findings == {"m.laz": ("unreadable", "input-output-error", side, None)}
    assert others_matched(outcome)
    assert outcome.status == 3
    assert outcome.document["finished"] is True


def test_the_byte_at_which_reading_failed_is_told(share: Share) -> None:
    share.on("bench", "m.laz", "Node", size=20 * MEBI)
    share.on("vault", "m.laz", "FailsAt", size=20 * MEBI, at=9 * MEBI + 10)
    with share:
        detail = compare(share.source, share.mirror).document["findings"][0]["detail"]
    assert "EIO" in detail
    assert f"at byte {9 * MEBI:,}" in detail


def test_a_file_that_fails_on_both_sides_is_unreadable_on_both(share: Share) -> None:
    for place in ("bench", "vault"):
        share.on(place, "m.laz", "FailsAt", size=5_000, at=10)
    with share:
        outcome = compare(share.source, share.mirror)
    assert outcome.findings == {"m.laz": ("unreadable", "input-output-error", "both", None)}


@pytest.mark.parametrize("kind", ["Denied", "NotSeen"])
@pytest.mark.parametrize("side", ["source", "mirror"])
def test_a_file_that_cannot_be_opened_is_unreadable(share: Share, side: str, kind: str) -> None:
    bad, good = ("bench", "vault") if side == "source" else ("vault", "bench")
    share.on(bad, "m.laz", kind, size=5_000).on(good, "m.laz", "Node", size=5_000)
    cause = {"Denied": "permission-denied", "NotSeen": "input-output-error"}[kind]
    with share:
        outcome = compare(share.source, share.mirror)
    assert outcome.findings == {"m.laz": ("unreadable", cause, side, None)}
    assert others_matched(outcome)


@pytest.mark.parametrize("side", ["source", "mirror"])
def test_a_folder_that_cannot_be_listed_is_one_finding_and_what_is_below_it_is_unread(
    share: Share, side: str
) -> None:
    bad = "bench" if side == "source" else "vault"
    for number in range(5):
        share.both(f"orthos/{number}.tif")
    share.on(bad, "orthos", "Folder", fails_from=1)
    with share:
        outcome = compare(share.source, share.mirror)
    assert outcome.findings == {"orthos": ("unreadable", "input-output-error", side, None)}
    assert others_matched(outcome)
    assert outcome.document["counts"]["unread"] == 5
    assert "5 paths below it" in outcome.document["findings"][0]["detail"]
    assert outcome.status == 3


# The first listings check that the place is there; a later one is that of the walk.
@pytest.mark.parametrize("listing", [1, 2, 3, 4])
@pytest.mark.parametrize("place", ["bench", "vault"])
def test_a_root_that_once_cannot_be_listed_is_never_taken_for_an_empty_one(
    share: Share, place: str, listing: int
) -> None:
    share.on(place, "", "Folder", fails_on=listing)
    with share:
        outcome = verifier("compare", share.source, share.mirror, "--json")
    assert outcome.status == 3
    if outcome.out:
        counts = outcome.document["counts"]
        assert (counts["missing"], counts["orphaned"]) == (0, 0)


@pytest.mark.parametrize("listing", [1, 2, 3])
def test_a_manifest_of_a_root_that_once_cannot_be_listed_is_no_empty_manifest(
    share: Share, tmp_path: Path, listing: int
) -> None:
    share.on("bench", "", "Folder", fails_on=listing)
    with share:
        outcome = verifier("manifest", share.source, "--out", tmp_path / "out")
    assert outcome.status == 3


# Changes


@pytest.mark.parametrize("size", [300_000, 12 * MEBI])
# Small steps: three large ones would leave nothing to shrink, and a file that holds still.
@pytest.mark.parametrize("by", [-10_000, 10_000], ids=["shrinks", "grows"])
def test_a_file_that_changes_its_size_each_time_it_is_read_is_unsettled(
    share: Share, size: int, by: int
) -> None:
    share.on("bench", "m.laz", "Resizes", size=size, by=by, times=1_000)
    share.on("vault", "m.laz", "Node", size=size)
    with share:
        outcome = compare(share.source, share.mirror)
    assert outcome.findings == {"m.laz": ("unsettled", None, "source", None)}
    assert others_matched(outcome)
    assert outcome.status == 1


# Fails without the comparison of sizes and dates after reading: `if count != size or not
# _same(before, after)` in places/folder.py made `if False`.
@pytest.mark.parametrize("size", [300_000, 12 * MEBI])
def test_a_file_that_is_written_to_each_time_it_is_read_is_unsettled(
    share: Share, size: int
) -> None:
    share.on("bench", "m.laz", "Rewritten", size=size, times=1_000)
    share.on("vault", "m.laz", "Node", size=size)
    with share:
        outcome = compare(share.source, share.mirror)
    assert outcome.findings == {"m.laz": ("unsettled", None, "source", None)}


# Fails without the second reading of an unsettled file: `if sighting.trouble ... unsettled` in
# places/folder.py, `_Reader._read`, made `if False`.
@pytest.mark.parametrize("size", [300_000, 12 * MEBI])
@pytest.mark.parametrize("by", [-100_000, 100_000], ids=["shrinks", "grows"])
def test_a_file_that_changes_while_it_is_read_once_is_judged_by_its_second_reading(
    share: Share, size: int, by: int
) -> None:
    share.on("vault", "m.laz", "Resizes", size=size, by=by, times=1)
    share.on("bench", "m.laz", "Node", size=size + by, newer=1)
    with share:
        outcome = compare(share.source, share.mirror)
        at_the_end = (share.mirror / "m.laz").stat().st_size
    assert at_the_end == size + by
    assert outcome.findings == {}


def test_a_file_that_was_written_to_once_is_matched(share: Share) -> None:
    share.on("vault", "m.laz", "Rewritten", size=300_000, times=1)
    share.on("bench", "m.laz", "Node", size=300_000)
    with share:
        assert compare(share.source, share.mirror).findings == {}


@pytest.mark.parametrize("side", ["source", "mirror"])
def test_a_file_that_vanishes_between_listing_and_reading_is_unsettled(
    share: Share, side: str
) -> None:
    bad, good = ("bench", "vault") if side == "source" else ("vault", "bench")
    share.on(bad, "m.laz", "Vanished", size=5_000).on(good, "m.laz", "Node", size=5_000)
    with share:
        outcome = compare(share.source, share.mirror)
    assert outcome.findings == {"m.laz": ("unsettled", None, side, None)}
    assert others_matched(outcome)


# Readings that cannot be believed


@pytest.mark.parametrize("size", [5_000, MEBI, 12 * MEBI])
@pytest.mark.parametrize("side", ["source", "mirror"])
def test_a_file_that_reads_differently_each_time_is_unreadable_and_not_corrupt(
    share: Share, side: str, size: int
) -> None:
    bad, good = ("bench", "vault") if side == "source" else ("vault", "bench")
    share.on(bad, "m.laz", "Unstable", size=size, times=1_000)
    share.on(good, "m.laz", "Node", size=size)
    with share:
        outcome = compare(share.source, share.mirror)
    assert outcome.findings == {"m.laz": ("unreadable", "unstable-read", side, None)}
    assert others_matched(outcome)
    assert outcome.status == 3


# Fails without the second reading: in jobs/compare.py, `_second_look` returning
# `_SecondLook(first, None)` for every side makes it corrupt.  Fails, too, without the test for
# another digest in `_SecondLook.sighting`: then it is silently matched.
@pytest.mark.parametrize("size", [5_000, MEBI, 12 * MEBI])
def test_a_file_that_reads_wrong_only_the_first_time_is_never_called_corrupt(
    share: Share, size: int
) -> None:
    share.on("vault", "m.laz", "Unstable", size=size, times=1)
    share.on("bench", "m.laz", "Node", size=size)
    with share:
        outcome = compare(share.source, share.mirror)
    assert outcome.findings == {"m.laz": ("unreadable", "unstable-read", "mirror", None)}


def test_a_file_that_is_corrupt_each_time_in_the_same_way_is_corrupt(share: Share) -> None:
    share.on("vault", "m.laz", "Node", size=5_000, holds="something else")
    share.on("bench", "m.laz", "Node", size=5_000)
    with share:
        outcome = compare(share.source, share.mirror)
        openings = [call for call in share.calls("open ") if "vault/m.laz" in call]
    assert outcome.findings == {"m.laz": ("corrupt", "differs", "unknown", None)}
    assert len(openings) >= 2


# Links that take the place of something while it is looked at


@pytest.fixture
def outside(tmp_path: Path) -> Path:
    folder = tmp_path / "outside"
    folder.mkdir()
    (folder / "secret.txt").write_bytes(b"of nobody's business" * 100)
    return folder


@pytest.fixture
def share_with_a_link(share: Share, outside: Path) -> Share:
    target = str(outside / "secret.txt")
    for place in ("bench", "vault"):
        share.on(place, "m.laz", "LinkListedAsFile", target=target, size=len(target))
    return share


# Fails without O_NOFOLLOW: `_TO_READ` of system.py without `_NO_FOLLOW` reads the secret.
def test_a_link_that_takes_the_place_of_a_file_is_not_followed(share_with_a_link: Share) -> None:
    with share_with_a_link as share:
        document = compare(share.source, share.mirror).document
    assert document["counts"]["matched"] == 4
    assert document["source"]["files"] == 3
    assert document["source"]["read_bytes"] == 72_000


def test_a_link_that_takes_the_place_of_a_file_is_no_file_by_its_date_either(
    share_with_a_link: Share,
) -> None:
    with share_with_a_link as share:
        document = compare(share.source, share.mirror, "--dates-only").document
    assert document["source"]["files"] == 3
    assert document["counts"]["matched"] == 1


# Fails without O_NOFOLLOW in `open_folder` of system.py: the folder outside is listed.
def test_a_link_that_takes_the_place_of_a_folder_is_not_followed(
    share: Share, outside: Path
) -> None:
    share.on("vault", "orthos", "LinkListedAsFolder", target=str(outside), size=5)
    with share:
        outcome = compare(share.source, share.mirror)
    assert "orthos/secret.txt" not in outcome.findings
    assert outcome.document["mirror"]["files"] == 3


# A server that does not answer


@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM])
def test_a_run_can_be_stopped_while_a_read_is_not_answered(share: Share, number: int) -> None:
    share.on("vault", "m.laz", "Hangs", size=20 * MEBI, seconds=20)
    share.on("bench", "m.laz", "Node", size=20 * MEBI)
    with share, running("compare", share.source, share.mirror, "--json") as process:
        wait_until(lambda: any("/vault/m.laz" in call for call in share.calls("read ")), 10, "")
        started = time.monotonic()
        process.send_signal(number)
        process.communicate(timeout=30)
        assert time.monotonic() - started < 1.0
        assert process.returncode == 3
        wait_until(lambda: not members(process.pid), 1.0, "the end of the readers")
        share.kill_server()


@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM])
def test_a_run_stopped_while_a_listing_hangs_ends_as_soon_as_the_system_lets_it(
    share: Share, number: int
) -> None:
    """A call that FUSE's server holds cannot be broken off, not even by SIGKILL."""
    share.on("vault", "orthos", "Folder", hangs_from=1, seconds=3)
    with share, running("compare", share.source, share.mirror, "--json") as process:
        wait_until(lambda: "readdir /vault/orthos " in share.calls("readdir "), 10, "the listing")
        asked = time.monotonic()
        process.send_signal(number)
        out, err = process.communicate(timeout=10)
        assert time.monotonic() - asked < 3 + 1
        assert process.returncode == 3
        assert not out or not json.loads(out)["finished"]
        assert b"Stopped" in err or out
        assert b"Traceback" not in err
