"""Nothing is ever written to what is checked: no file, no name, no mode, no date."""

from __future__ import annotations

import os
import re
import shutil
import stat
import subprocess
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Final

import pytest
from trees import lantern_marsh

from program.running import compare, manifest, verifier

MODIFYING: Final = (
    "rename,renameat,renameat2,unlink,unlinkat,rmdir,mkdir,mkdirat,mknod,mknodat,link,linkat,"
    "symlink,symlinkat,chmod,fchmod,fchmodat,chown,fchown,lchown,fchownat,utime,utimes,utimensat,"
    "futimesat,truncate,ftruncate,fallocate,setxattr,lsetxattr,fsetxattr,removexattr,"
    "lremovexattr,fremovexattr,creat"
)
OPENING: Final = "open,openat,openat2"
FOR_WRITING: Final = re.compile(r"O_WRONLY|O_RDWR|O_CREAT|O_TRUNC|O_APPEND|O_TMPFILE")

Run = Callable[[Path, Path, Path, tuple[str, ...]], None]


@pytest.fixture
def pair(tmp_path: Path) -> tuple[Path, Path]:
    """A share with something of everything in it, and a mirror with several faults."""
    project = "2026-014-harbour-wall"
    source = lantern_marsh(tmp_path / "share/bench")
    source.file(f"{project}/flights/large.mp4", 9_000_000).file(f"{project}/one", 5)
    source.hard_link(f"{project}/two", f"{project}/one").fifo("pipe").file("shut", 100)
    mirror = source.copy_to(tmp_path / "share/vault")
    mirror.flip_bit(f"{project}/flights/large.mp4").delete(f"{project}/notes/plan.txt")
    mirror.flip_bit(f"{project}/orthos/harbour.tif").files("stray")
    if os.geteuid() == 0:  # who may read it all the same
        os.chmod(source.at("shut"), 0)
    return source.root, mirror.root


def compares(source: Path, mirror: Path, outside: Path, before: tuple[str, ...]) -> None:
    outcome = compare(source, mirror, "--paths", outside / "paths", before=before)
    assert len(outcome.findings) >= 4


def compares_past_the_cache(
    source: Path, mirror: Path, outside: Path, before: tuple[str, ...]
) -> None:
    assert len(compare(source, mirror, "--past-cache", before=before).findings) >= 4


def builds_a_manifest(source: Path, mirror: Path, outside: Path, before: tuple[str, ...]) -> None:
    assert verifier("manifest", source, "--out", outside / "made.gz", before=before).status == 0


def compares_with_a_manifest_and_a_baseline(
    source: Path, mirror: Path, outside: Path, before: tuple[str, ...]
) -> None:
    made = manifest(source, outside / "made")
    compare(made, mirror, "--baseline", made, before=before)


def looks_for_damage(source: Path, mirror: Path, outside: Path, before: tuple[str, ...]) -> None:
    path = "2026-014-harbour-wall/flights/large.mp4"
    assert verifier("damage", source / path, mirror / path, before=before).status == 1


def looks_at_dates_only(source: Path, mirror: Path, outside: Path, before: tuple[str, ...]) -> None:
    compare(source, mirror, "--dates-only", before=before)


RUNS = [
    compares,
    compares_past_the_cache,
    builds_a_manifest,
    compares_with_a_manifest_and_a_baseline,
    looks_for_damage,
    looks_at_dates_only,
]

each_run = pytest.mark.parametrize("run", RUNS, ids=lambda run: run.__name__)


def watched(folder: Path) -> list[str]:
    """The calls of all processes that named something below the share."""
    lines = [line for trace in folder.glob("trace.*") for line in trace.read_text().splitlines()]
    return [line for line in lines if "/share" in line]


@pytest.mark.skipif(shutil.which("strace") is None, reason="strace is not installed")
@each_run
def test_the_kernel_is_never_asked_to_change_anything_below_a_share(
    pair: tuple[Path, Path], tmp_path: Path, run: Run
) -> None:
    watch = ("strace", "-ff", "-y", "-qq", "-s", "4096", "-o", str(tmp_path / "trace"))
    run(*pair, tmp_path, (*watch, "-e", f"trace={OPENING},{MODIFYING}"))
    below_share = watched(tmp_path)
    opened = [line for line in below_share if line.startswith("open")]
    assert opened, "nothing was watched"
    assert [line for line in below_share if line not in opened] == []
    assert [line for line in opened if FOR_WRITING.search(line)] == []


@pytest.mark.skipif(shutil.which("strace") is None, reason="strace is not installed")
def test_the_watch_sees_a_file_that_is_opened_for_writing(tmp_path: Path) -> None:
    (tmp_path / "share").mkdir()
    watch = ["strace", "-ff", "-y", "-qq", "-o", tmp_path / "trace"]
    calls = ["-e", f"trace={OPENING},{MODIFYING}"]
    subprocess.run([*watch, *calls, "touch", tmp_path / "share/x"], check=True)
    seen = watched(tmp_path)
    assert any(FOR_WRITING.search(line) for line in seen)
    assert any("utimensat" in line for line in seen)


@pytest.mark.root
@each_run
def test_a_share_that_is_mounted_read_only_is_checked_as_well(
    pair: tuple[Path, Path], tmp_path: Path, run: Run
) -> None:
    share = tmp_path / "share"
    subprocess.run(["mount", "--bind", share, share], check=True)
    try:
        subprocess.run(["mount", "-o", "remount,bind,ro", share], check=True)
        with pytest.raises(OSError):
            (share / "bench/new").touch()
        outside = tmp_path / "outside"
        outside.mkdir()
        run(*pair, outside, ())
    finally:
        subprocess.run(["umount", "-l", share], check=True)


@pytest.fixture
def strict_disk(tmp_path: Path) -> Iterator[Path]:
    """An ext4 on a loop device that notes every access at once."""
    if shutil.which("mkfs.ext4") is None:
        pytest.skip("mkfs.ext4 is not installed")
    image, mount = tmp_path / "image", tmp_path / "share"
    mount.mkdir()
    with open(image, "wb") as file:
        file.truncate(128 << 20)
    subprocess.run(["mkfs.ext4", "-q", "-F", image], check=True)
    mounting = subprocess.run(
        ["mount", "-o", "loop,strictatime", image, mount], capture_output=True, text=True
    )
    if mounting.returncode:
        pytest.skip(f"a loop device cannot be mounted here: {mounting.stderr.strip()}")
    yield mount
    subprocess.run(["umount", "-l", mount], check=True)


def times(root: Path) -> dict[str, tuple[int, int, int]]:
    """Access, change and status dates of all files and folders.

    Of links only the last two: reading where one points is an access that no flag can hide.
    """
    found = {}
    for folder, _, names in os.walk(root):
        for path in (folder, *(os.path.join(folder, name) for name in names)):
            each = os.lstat(path)
            accessed = 0 if stat.S_ISLNK(each.st_mode) else each.st_atime_ns
            found[path] = (accessed, each.st_mtime_ns, each.st_ctime_ns)
    return found


# Fails without O_NOATIME: `_NO_ATIME` of system.py made 0.
@pytest.mark.root
@each_run
def test_no_date_of_any_file_or_folder_changes(strict_disk: Path, tmp_path: Path, run: Run) -> None:
    project = "2026-014-harbour-wall"
    source = lantern_marsh(strict_disk / "bench").file(f"{project}/flights/large.mp4", 9_000_000)
    mirror = source.copy_to(strict_disk / "vault").flip_bit(f"{project}/flights/large.mp4")
    mirror.delete(f"{project}/notes/plan.txt").files("a", "b")
    mirror.flip_bit(f"{project}/orthos/harbour.tif")
    times(strict_disk)  # the walk itself is an access: from the second one on it is the same
    before = _times_without_touching(strict_disk)
    outside = tmp_path / "outside"
    outside.mkdir()
    run(source.root, mirror.root, outside, ())
    after = _times_without_touching(strict_disk)
    assert {path for path in before if before[path] != after[path]} == set()
    # The measure itself works: a plain read does change a date.
    (source.root / project / "orthos/harbour.tif").read_bytes()
    assert _times_without_touching(strict_disk) != after


def _times_without_touching(mount: Path) -> dict[str, tuple[int, int, int]]:
    """`times`, read from a mount that notes no access."""
    subprocess.run(["mount", "-o", "remount,noatime", mount], check=True)
    try:
        return times(mount)
    finally:
        subprocess.run(["mount", "-o", "remount,strictatime", mount], check=True)
