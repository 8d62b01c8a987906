"""Walking, hashing, looking and reading are tried once more on a system that lacks every means."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest

from verifier import system

HERE = Path(__file__).parent
TRIED_AGAIN = ("test_walker.py", "test_hashing.py", "test_folder_place.py", "test_reading.py")


@pytest.mark.skipif(system.PLAIN, reason="the system is plain already")
def test_everything_that_touches_the_system_works_without_its_means():
    ended = subprocess.run(
        [sys.executable, "-m", "pytest", *(str(HERE / name) for name in TRIED_AGAIN)],
        cwd=HERE.parents[1],
        env={**os.environ, "VERIFIER_PLAIN_SYSTEM": "1"},
        capture_output=True,
        text=True,
    )
    assert ended.returncode == 0, ended.stdout + ended.stderr
