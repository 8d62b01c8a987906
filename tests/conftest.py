"""What every test may ask for, and the reasons for which a test is skipped on this machine."""

from __future__ import annotations

import os
import shutil
import subprocess
import tempfile
from collections.abc import Iterator
from pathlib import Path

import pytest
from hypothesis import settings

settings.register_profile("untimed", deadline=None)  # how long an example takes, others decide
settings.load_profile("untimed")

LONGEST_FIRST = (
    "program/test_far_host.py",
    "program/test_shift.py",
    "program/test_spot_check.py",
    "program/test_clearance.py",
    "simulation/test_year.py",
    "program/test_notices.py",
    "program/test_object_store_shifts.py",
    "cluster/test_commands.py",
    "program/test_released.py",
    "unit/test_chain.py",
    "program/test_full_night.py",
    "program/test_page_in_browser.py",
    "faults/test_memory.py",
    "cluster/test_reading.py",
    "faults/test_gentle_reading.py",
    "program/test_bad_input.py",
    "program/test_findings_commands.py",
    "program/test_project_life.py",
    "program/test_compare.py",
    "faults/test_reading.py",
    "faults/test_places_that_go_away.py",
    "program/test_setup.py",
    "program/test_planted_faults.py",
    "unit/test_judge.py",
    "unit/test_judging.py",
    "program/test_demo.py",
    "program/test_real_tree.py",
    "program/test_shift_kills.py",
    "program/test_audit.py",
    "program/test_told_of_costly_places.py",
    "unit/test_walker.py",
    "unit/test_first_looks.py",
    "unit/test_plain_system.py",
)
"""A file goes to one worker as a whole: a long one that begins last leaves the other idle."""


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    here = Path(__file__).parent
    rank = {here / file: number for number, file in enumerate(LONGEST_FIRST)}
    items.sort(key=lambda item: rank.get(item.path, len(rank)))
    if os.name == "posix" and os.geteuid() == 0:
        return
    for item in items:
        if item.get_closest_marker("root"):
            item.add_marker(pytest.mark.skip(reason="needs root, to mount or to change the user"))


MEMORY = Path("/dev/shm")
ROOM_IN_MEMORY = 4 << 30


@pytest.fixture(scope="module")
def large_tmp(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Path]:
    """A folder for hundreds of thousands of files: in memory, where there is room for that."""
    roomy = MEMORY.is_dir() and shutil.disk_usage(MEMORY).free > ROOM_IN_MEMORY
    parent = MEMORY if roomy else tmp_path_factory.getbasetemp()
    folder = Path(tempfile.mkdtemp(prefix="verifier-test-", dir=parent))
    yield folder
    shutil.rmtree(folder)


@pytest.fixture
def open_tmp(tmp_path: Path) -> Iterator[Path]:
    """A temporary folder that other users may enter, which pytest's own are not."""
    folder = Path(tempfile.mkdtemp(prefix="verifier-test-"))
    folder.chmod(0o755)
    yield folder
    shutil.rmtree(folder)


@pytest.fixture
def small_disk(tmp_path: Path) -> Iterator[Path]:
    """A file system of 1 MiB, which is soon full.  For root only."""
    mount = tmp_path / "small-disk"
    mount.mkdir()
    subprocess.run(["mount", "-t", "tmpfs", "-o", "size=1m", "tmpfs", mount], check=True)
    yield mount
    subprocess.run(["umount", "-l", mount], check=True)
