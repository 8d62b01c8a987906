"""A real file system whose disk can rot behind its back."""

from __future__ import annotations

import os
import re
import shutil
import subprocess
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Final

import pytest

BLOCK: Final = 4096
IMAGE: Final = 96 << 20


class Disk:
    """An ext4 on a loop device, whose sectors can be changed behind the file system's back."""

    def __init__(self, image: Path, mount: Path) -> None:
        self.image = image
        self.mount = mount

    def offset_of(self, path: Path, at: int = 0) -> int:
        """Where on the disk the byte ``at`` of a file lies, and all that follow it."""
        listed = subprocess.run(
            ["filefrag", "-v", f"-b{BLOCK}", path], capture_output=True, text=True, check=True
        ).stdout
        for line in listed.splitlines():
            extent = re.match(r"\s*\d+:\s*(\d+)\.\.\s*(\d+):\s*(\d+)\.\.", line)
            if extent is None:
                continue
            first, last, physical = (int(part) for part in extent.groups())
            if first <= at // BLOCK <= last:
                return (physical + at // BLOCK - first) * BLOCK + at % BLOCK
        raise AssertionError(listed)

    def flip_on_disk(self, offset: int) -> None:
        """One byte of the disk becomes another one; what is cached above stays as it was."""
        with open(self.image, "r+b") as file:
            file.seek(offset)
            byte = file.read(1)[0]
            file.seek(offset)
            file.write(bytes([byte ^ 0x10]))
            file.flush()
            os.fsync(file.fileno())


@contextmanager
def mounted(image: Path, mount: Path) -> Iterator[Disk]:
    """An empty disk, mounted at a new folder; the test is skipped where that is not possible."""
    for program in ("mkfs.ext4", "filefrag"):
        if shutil.which(program) is None:
            pytest.skip(f"{program} is not installed")
    mount.mkdir(parents=True)
    with open(image, "wb") as file:
        file.write(bytes(IMAGE))
    subprocess.run(["mkfs.ext4", "-q", "-F", "-b", "4096", "-O", "^has_journal", image], check=True)
    done = subprocess.run(["mount", "-o", "loop", image, mount], capture_output=True, text=True)
    if done.returncode:
        pytest.skip(f"a loop device cannot be mounted here: {done.stderr.strip()}")
    try:
        yield Disk(image, mount)
    finally:
        subprocess.run(["umount", "-l", mount], check=True)
