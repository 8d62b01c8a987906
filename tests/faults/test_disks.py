"""Faults of a disk below a real ext4: sectors that fail, and rot that a cache hides."""

from __future__ import annotations

import os
import shutil
import subprocess
from collections.abc import Iterator
from pathlib import Path

import pytest
from program.running import compare
from trees import Tree, content

from faults.disks import BLOCK, IMAGE, Disk, mounted

pytestmark = pytest.mark.root


@pytest.fixture
def disk(tmp_path: Path) -> Iterator[Disk]:
    with mounted(tmp_path / "image", tmp_path / "disk") as made:
        yield made


SIZES = [5_000, 3_000_000, 20_000_000]


@pytest.fixture(params=SIZES)
def size(request: pytest.FixtureRequest) -> int:
    return int(request.param)


@pytest.fixture
def pair(disk: Disk, tmp_path: Path, size: int) -> tuple[Tree, Tree]:
    """A source elsewhere and a mirror on the disk, written out and no longer cached."""
    pair = Tree(tmp_path / "bench"), Tree(disk.mount / "vault")
    for path, length in (("a.jpg", 10_000), ("north.laz", size)):
        for tree in pair:
            tree.file(path, length)
        os.sync()  # so that the first lies before the second on the disk
    drop_cache(pair[1])
    return pair


def drop_cache(tree: Tree) -> None:
    for path in ("a.jpg", "north.laz"):
        descriptor = os.open(tree.at(path), os.O_RDONLY)
        os.posix_fadvise(descriptor, 0, 0, os.POSIX_FADV_DONTNEED)
        os.close(descriptor)


def test_rot_on_the_disk_is_found(disk: Disk, pair: tuple[Tree, Tree], size: int) -> None:
    source, mirror = pair
    disk.flip_on_disk(disk.offset_of(mirror.root / "north.laz", size // 2))
    finding = compare(source, mirror).document["findings"][0]
    assert (finding["path"], finding["verdict"]) == ("north.laz", "corrupt")
    assert finding["damage"]["ranges"] == [
        {"from": size // 2, "to": size // 2 + 1, "pattern": "bit-flip", "bits": 1}
    ]


# Fails when the second reading does not go past the cache: `past_cache=True` in
# reading.py, `read_again`, made False reports a corrupt file where the disk holds the right bytes.
def test_bytes_that_are_wrong_in_the_cache_only_are_never_called_corrupt(
    disk: Disk, pair: tuple[Tree, Tree], size: int
) -> None:
    source, mirror = pair
    offset = disk.offset_of(mirror.root / "north.laz", size // 2)
    disk.flip_on_disk(offset)
    assert mirror.read("north.laz") != content("north.laz", size)  # now they are cached
    disk.flip_on_disk(offset)
    outcome = compare(source, mirror)
    assert outcome.findings == {"north.laz": ("unreadable", "unstable-read", "mirror", None)}


# Fails when `--past-cache` does not reach the first reading: `Look(past_cache=False)` in
# cli/compare.py finds nothing.
def test_rot_that_the_cache_hides_is_found_past_it(
    disk: Disk, pair: tuple[Tree, Tree], size: int
) -> None:
    source, mirror = pair
    assert mirror.read("north.laz") == content("north.laz", size)
    disk.flip_on_disk(disk.offset_of(mirror.root / "north.laz", size // 2))
    assert compare(source, mirror).findings == {}
    found = compare(source, mirror, "--past-cache").findings
    assert found == {"north.laz": ("corrupt", "differs", "unknown", None)}


def test_a_manifest_past_the_cache_leaves_nothing_of_what_was_read_in_memory(
    disk: Disk, pair: tuple[Tree, Tree], size: int
) -> None:
    source, mirror = pair
    compare(source, mirror, "--past-cache")
    assert cached(mirror.root / "north.laz") == 0
    compare(source, mirror)
    assert cached(mirror.root / "north.laz") > 0


def cached(path: Path) -> int:
    """Bytes of a file that the system holds in memory."""
    if shutil.which("fincore") is None:
        pytest.skip("fincore is not installed")
    run = subprocess.run(
        ["fincore", "-b", "-n", "-o", "RES", path], capture_output=True, text=True, check=True
    )
    return int(run.stdout)


def test_a_disk_that_ends_before_a_file_does_gives_an_error_that_is_told(
    disk: Disk, pair: tuple[Tree, Tree], size: int
) -> None:
    source, mirror = pair
    where = disk.offset_of(mirror.root / "north.laz", size // 2)
    assert disk.offset_of(mirror.root / "a.jpg") < where
    os.truncate(disk.image, where // BLOCK * BLOCK)
    outcome = compare(source, mirror)
    if outcome.findings == {"north.laz": ("corrupt", "zero-filled", "mirror", None)}:
        pytest.skip("this kernel's loop device gives zeros, not errors, beyond its end")
    assert outcome.findings == {"north.laz": ("unreadable", "input-output-error", "mirror", None)}
    assert outcome.status == 3
    assert outcome.document["counts"]["matched"] == 1


@pytest.fixture
def failing_disk(tmp_path: Path) -> Iterator[tuple[Tree, Path]]:
    """A mirror on a device-mapper device, of which a stretch of sectors gives errors."""
    if shutil.which("dmsetup") is None:
        pytest.skip("dmsetup is not installed")
    if subprocess.run(["dmsetup", "version"], capture_output=True).returncode:
        pytest.skip("this kernel has no device mapper")
    image, mount = tmp_path / "image", tmp_path / "disk"
    name = f"verifier-test-{os.getpid()}"
    image.write_bytes(bytes(IMAGE))
    mount.mkdir()
    run = subprocess.run(
        ["losetup", "--find", "--show", image], capture_output=True, text=True, check=True
    )
    loop = run.stdout.strip()
    sectors = IMAGE // 512
    try:
        subprocess.run(
            ["mkfs.ext4", "-q", "-F", "-b", "4096", "-O", "^has_journal", loop], check=True
        )
        subprocess.run(["mount", loop, mount], check=True)
        source = Tree(tmp_path / "bench").file("north.laz", 20_000_000).file("a.jpg", 10_000)
        mirror = source.copy_to(mount / "vault")
        at = Disk(image, mount).offset_of(mirror.root / "north.laz", 10_000_000) // 512
        subprocess.run(["umount", mount], check=True)
        table = (
            f"0 {at} linear {loop} 0\n{at} 8 error\n"
            f"{at + 8} {sectors - at - 8} linear {loop} {at + 8}\n"
        )
        subprocess.run(["dmsetup", "create", name], input=table, text=True, check=True)
        subprocess.run(["mount", "-o", "ro", f"/dev/mapper/{name}", mount], check=True)
        yield source, mirror.root
    finally:
        subprocess.run(["umount", "-l", mount], capture_output=True)
        subprocess.run(["dmsetup", "remove", "--retry", name], capture_output=True)
        subprocess.run(["losetup", "-d", loop], capture_output=True)


def test_a_disk_with_a_bad_sector_has_one_unreadable_file(
    failing_disk: tuple[Tree, Path],
) -> None:
    outcome = compare(*failing_disk)
    assert outcome.findings == {"north.laz": ("unreadable", "input-output-error", "mirror", None)}
    assert outcome.document["counts"]["matched"] == 1
