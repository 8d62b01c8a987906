"""Commands on a mirror in an object store, as a person meets them, against a real server."""

from __future__ import annotations

from pathlib import Path

import pytest
from object_stores import SECRET, Bucket, Proxy, bucket, proxy, server
from trees import Tree

from program.running import compare, manifest, refusal, verifier

__all__ = ["bucket", "proxy", "server"]


@pytest.fixture
def source(tmp_path: Path) -> Tree:
    tree = Tree(tmp_path / "bench" / "current-surveys")
    for number in range(6):
        tree.file(f"2026-014-harbour-wall/flights/{number:04}.tif", 3_000 + number)
    tree.file("2026-014-harbour-wall/point-clouds/north.laz", 9_000_000)
    return tree.file("notes/plan.txt", b"low tide at noon")


@pytest.fixture
def mirror(source: Tree, bucket: Bucket) -> str:
    """The address of a true copy."""
    bucket.put_tree(source.root, "current-surveys/")
    return f"s3://{bucket.name}/current-surveys"


FLIGHT = "2026-014-harbour-wall/flights/0003.tif"
CLOUD = "2026-014-harbour-wall/point-clouds/north.laz"


def test_a_true_copy_matches_by_content(source: Tree, mirror: str) -> None:
    outcome = compare(source, mirror)
    assert outcome.status == 0
    assert outcome.document["counts"]["matched"] == 8
    assert outcome.document["mirror"]["at"] == mirror
    assert outcome.document["mirror"]["read_bytes"] == outcome.document["source"]["read_bytes"]
    assert "those of uploads, so no dates were compared" in outcome.err


def test_every_fault_in_a_store_is_found_and_no_upload_called_newer(
    source: Tree, mirror: str, bucket: Bucket
) -> None:
    """Every upload is newer than its file.  Fails when dates of both sides are compared."""
    whole = (source.root / CLOUD).read_bytes()
    bucket.put(f"current-surveys/{CLOUD}", whole[:4_000_000])
    bucket.put(f"current-surveys/{FLIGHT}", bytes(3_003))
    bucket.put("current-surveys/notes/plan.txt", b"low tide at eight")
    bucket.delete("current-surveys/2026-014-harbour-wall/flights/0001.tif")
    bucket.put("current-surveys/notes/old.txt")
    outcome = compare(source, mirror)
    assert outcome.findings == {
        CLOUD: ("corrupt", "truncated", "mirror", None),
        FLIGHT: ("corrupt", "zero-filled", "mirror", None),
        "notes/plan.txt": ("corrupt", "differs", "unknown", None),
        "2026-014-harbour-wall/flights/0001.tif": ("missing", "never-copied", "mirror", None),
        "notes/old.txt": ("orphaned", "deleted-at-source", "mirror", None),
    }
    assert outcome.status == 1


def test_a_listing_alone_judges_by_sizes_and_reads_nothing(
    source: Tree, mirror: str, bucket: Bucket, proxy: Proxy
) -> None:
    bucket.put("current-surveys/notes/plan.txt", b"low tide")
    outcome = compare(source, mirror, "--dates-only")
    assert outcome.findings == {"notes/plan.txt": ("stale", "older-version", "mirror", None)}
    assert outcome.document["counts"]["unread"] == 7
    assert not proxy.of("GET .*/current-surveys/")


def test_faults_of_the_store_are_overcome_or_told(source: Tree, mirror: str, proxy: Proxy) -> None:
    """Fails when a refusal or half an answer is taken for a content."""
    proxy.fault(f"GET .*{CLOUD}$", cut_at=5_000_000)
    proxy.fault("GET .*0002.tif$", 503, "SlowDown")
    proxy.fault(f"GET .*{FLIGHT}$", 403, "AccessDenied", times=None)
    outcome = compare(source, mirror)
    assert outcome.findings == {FLIGHT: ("unreadable", "permission-denied", "mirror", None)}
    assert outcome.status == 3
    assert SECRET not in outcome.err + outcome.out.decode()


def test_a_manifest_of_a_store_stands_in_for_it(source: Tree, mirror: str, tmp_path: Path) -> None:
    made = manifest(mirror, tmp_path / "faraway.manifest")
    assert compare(source, made).document["counts"]["matched"] == 8
    said = refusal(2, "compare", source, mirror, "--baseline", made)
    assert "dates are those of uploads" in said


def test_a_baseline_of_the_source_shows_which_side_is_right(
    source: Tree, mirror: str, bucket: Bucket, tmp_path: Path
) -> None:
    agreed = manifest(source, tmp_path / "bench.manifest")
    bucket.put(f"current-surveys/{FLIGHT}", bytes(3_003))
    source.flip_bit("notes/plan.txt", at=3)
    outcome = compare(source, mirror, "--baseline", agreed)
    assert outcome.findings == {
        FLIGHT: ("corrupt", "altered", "mirror", None),
        "notes/plan.txt": ("corrupt", "rot", "source", None),
    }


def test_damage_shows_where_an_object_differs(
    source: Tree, mirror: str, bucket: Bucket, proxy: Proxy
) -> None:
    damaged = bytearray((source.root / CLOUD).read_bytes())
    damaged[5_000_000] ^= 1
    bucket.put(f"current-surveys/{CLOUD}", bytes(damaged))
    outcome = verifier("damage", source.root / CLOUD, f"{mirror}/{CLOUD}", "--json")
    assert outcome.status == 1, outcome.err
    assert [(each["from"], each["pattern"]) for each in outcome.document["ranges"]] == [
        (5_000_000, "bit-flip")
    ]
    assert len(proxy.of("GET .*laz bytes=")) == 1
    said = refusal(3, "damage", source.root / CLOUD, f"{mirror}/not-there.laz")
    assert "not-there.laz cannot be read (No such object)" in said


def test_a_store_that_cannot_be_asked_is_one_sentence(
    source: Tree, mirror: str, bucket: Bucket
) -> None:
    nobody = {"AWS_ACCESS_KEY_ID": "", "AWS_SECRET_ACCESS_KEY": ""}
    said = refusal(3, "compare", source, mirror, environment=nobody)
    assert f"{mirror} cannot be read: no credentials were found." in said
    said = refusal(3, "compare", source, "s3://nowhere-at-all/x")
    assert "the store has no bucket nowhere-at-all" in said
    said = refusal(3, "compare", source, "nowhere://bucket/x")
    assert "nowhere:// is no kind of address that is known here" in said


def test_a_secret_in_an_address_is_refused_and_not_repeated(source: Tree, mirror: str) -> None:
    said = refusal(2, "compare", source, mirror.replace("s3://", f"s3://key:{SECRET}@"))
    assert SECRET not in said
