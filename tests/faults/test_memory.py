"""No process needs more than 200 MB, however many files a folder holds and however large one is."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterator, Mapping
from pathlib import Path
from typing import Final

import pytest
from program.running import COMMAND, members
from trees import DATE, HOUR

pytestmark = pytest.mark.skipif(sys.platform != "linux", reason="looks at processes in /proc")

MOST: Final = 200_000_000
SMALL_FILES: Final = 200_000
DIFFERING: Final = 100_000
CORRUPT_EACH: Final = 5
"""One in so many of them has the same date on both sides, and is read again for it."""
LARGE: Final = 3 << 30

LOOK_EVERY: Final = 0.05
"""Seconds between two looks; the system keeps each peak for us, so that none is missed but the
last moments'."""


class Measured:
    """A run to its end, and the most memory that each of its processes held at once."""

    def __init__(
        self,
        *arguments: str | Path,
        environment: Mapping[str, str] | None = None,
        elsewhere: Callable[[], list[int]] = list,
    ) -> None:
        """``elsewhere`` gives further processes that work for it, by id."""
        self.peaks: dict[int, int] = {}
        with tempfile.TemporaryFile() as out:
            process = subprocess.Popen(
                [*COMMAND, *arguments],
                stdout=out,
                stderr=subprocess.DEVNULL,
                start_new_session=True,
                cwd="/",
                env={**os.environ, **(environment or {})},
            )
            while process.poll() is None:
                for each in (*members(process.pid), *elsewhere()):
                    self.peaks[each] = max(self.peaks.get(each, 0), peak_of(each))
                time.sleep(LOOK_EVERY)
            out.seek(0)
            self.out = out.read()
        self.status = process.returncode


def peak_of(process: int) -> int:
    try:
        for line in Path(f"/proc/{process}/status").read_text().splitlines():
            if line.startswith("VmHWM:"):
                return int(line.split()[1]) * 1024
    except OSError:
        pass
    return 0


def small_files(folder: Path, count: int, salt: int = 0) -> None:
    """Files of one folder that hold a few bytes each; the content, most dates by ``salt``."""
    folder.mkdir(parents=True)
    place = os.open(folder, os.O_RDONLY)
    for number in range(count):
        descriptor = os.open(f"DJI_{number:06}.jpg", os.O_WRONLY | os.O_CREAT, dir_fd=place)
        os.write(descriptor, b"%d of %d" % (number, salt))
        os.close(descriptor)
        date = DATE + HOUR * salt * (number % CORRUPT_EACH > 0)
        os.utime(f"DJI_{number:06}.jpg", (date, date), dir_fd=place)
    os.close(place)


@pytest.fixture(scope="module")
def crowd(large_tmp: Path) -> Iterator[Path]:
    folder = large_tmp / "crowd"
    small_files(folder / "flights", SMALL_FILES)
    with open(folder / "north.laz", "wb") as file:
        file.truncate(LARGE)
    yield folder
    shutil.rmtree(folder)


def test_a_crowded_folder_and_a_huge_file_are_compared_in_little_memory(
    crowd: Path, large_tmp: Path
) -> None:
    copy = large_tmp / "copy"
    subprocess.run(["cp", "-a", "--", crowd, copy], check=True)
    try:
        run = Measured("compare", crowd, copy, "--json")
    finally:
        shutil.rmtree(copy)
    assert run.status == 0
    assert f'"matched":{SMALL_FILES + 1}'.encode() in run.out
    assert max(run.peaks.values()) <= MOST, run.peaks
    assert len(run.peaks) > 1


def test_a_crowded_folder_that_the_mirror_lacks_is_compared_in_little_memory(
    crowd: Path, large_tmp: Path, tmp_path: Path
) -> None:
    run = Measured("compare", crowd, tmp_path, "--json")
    assert run.status == 1
    assert f'"missing":{SMALL_FILES + 1}'.encode() in run.out
    assert max(run.peaks.values()) <= MOST, run.peaks


def test_trees_that_differ_in_every_file_are_compared_in_little_memory(large_tmp: Path) -> None:
    source, mirror = large_tmp / "bench", large_tmp / "vault"
    small_files(source / "flights", DIFFERING, salt=1)
    small_files(mirror / "flights", DIFFERING, salt=0)
    run = Measured("compare", source, mirror, "--json")
    corrupt = DIFFERING // CORRUPT_EACH
    assert run.status == 1
    assert f'"corrupt":{corrupt},'.encode() in run.out
    assert f'"stale":{DIFFERING - corrupt},'.encode() in run.out
    assert max(run.peaks.values()) <= MOST, run.peaks
