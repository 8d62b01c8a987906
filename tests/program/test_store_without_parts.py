"""A server that gives files only as a whole: preflight is to see that before a night is spent.

It stands behind a made-up kind of address that fsspec finds among the installed packages.
"""

from __future__ import annotations

import os
from pathlib import Path
from typing import Any

import pytest

from program.estate import SHARE, Estate
from program.running import Outcome

SERVER = '''
import os

from fsspec.implementations.local import LocalFileSystem


class Served(LocalFileSystem):
    """The folders of this machine, a file at a time; every request is written down."""

    protocol = "served"

    @classmethod
    def _strip_protocol(cls, path):
        return os.fspath(path).removeprefix("served://store.example").rstrip("/") or "/"

    def cat_file(self, path, start=None, end=None, **more):
        if not os.environ.get("GIVES_PARTS"):
            start = end = None
        found = super().cat_file(path, start, end, **more)
        with open(os.environ["ASKED"], "a") as asked:
            asked.write(f"{len(found)} {path}\\n")
        return found
'''

LARGE = "2026-014-harbour-wall/point-clouds/quay.laz"
MIB = 1 << 20


class Studio(Estate):
    """One whose vault is served by such a server."""

    def __init__(self, root: Path) -> None:
        super().__init__(root)
        packages = root / "packages"
        told = packages / "served-1.0.dist-info"
        told.mkdir(parents=True)
        (packages / "served.py").write_text(SERVER)
        (told / "METADATA").write_text("Metadata-Version: 2.1\nName: served\nVersion: 1.0\n")
        (told / "entry_points.txt").write_text("[fsspec.specs]\nserved = served:Served\n")
        self.environment = {"PYTHONPATH": str(packages), "ASKED": str(root / "asked")}

    @property
    def mirror_at(self) -> str:
        return f"served://store.example{self.mirror.root}"

    def run(self, *arguments: Any, **how: Any) -> Outcome:
        return super().run(*arguments, environment=self.environment, **how)

    def sent(self) -> dict[str, int]:
        """Bytes that were sent of each file of the vault, each once, since this was last asked."""
        log = Path(self.environment["ASKED"])
        lines = log.read_text().splitlines() if log.exists() else []
        log.unlink(missing_ok=True)
        found = {}
        for line in lines:
            size, _, path = line.partition(" ")
            path = os.path.relpath(path, self.mirror.root)
            assert path not in found, "asked for twice"
            found[path] = int(size)
        return found

    def reading(self) -> tuple[int, dict[str, str]]:
        """The status of preflight, and what it says of reading the vault."""
        outcome = self.run("preflight", "--json")
        (found,) = [
            each
            for each in outcome.document["checks"]
            if each.get("place") == "vault" and each["check"] == "reading"
        ]
        return outcome.status, found


@pytest.fixture
def studio(tmp_path: Path) -> Studio:
    return Studio(tmp_path)


# Fails when a file is asked for from its first byte on, which a small one gives as a whole too.
def test_preflight_sees_that_large_files_cannot_be_read_and_has_none_of_them_sent(studio):
    for tree in (studio.source, studio.mirror):
        tree.file(LARGE, 9 * MIB)
    status, reading = studio.reading()
    assert (status, reading["state"]) == (3, "wrong")
    assert "gives files only as a whole" in reading["detail"]
    assert "over 8.4 MB cannot be read" in reading["detail"]
    assert reading["advice"].startswith("Have the server give parts of files (ranges)")
    ((path, size),) = studio.sent().items()
    assert path != LARGE and size <= 8 * MIB


def test_where_all_files_are_small_it_is_to_look_at(studio):
    status, reading = studio.reading()
    assert (status, reading["state"]) == (0, "look")
    assert len(studio.sent()) == 1


def test_a_server_that_gives_parts_is_good_and_is_asked_for_one(studio):
    for tree in (studio.source, studio.mirror):
        tree.file(LARGE, 9 * MIB)
    studio.environment["GIVES_PARTS"] = "1"
    status, reading = studio.reading()
    assert (status, reading["state"]) == (0, "good")
    ((path, size),) = studio.sent().items()
    assert size == os.path.getsize(studio.mirror.at(path)) - 1
    assert SHARE in studio.run("preflight").out.decode()
