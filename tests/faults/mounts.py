"""Mounts whose server misbehaves on purpose, from a test's point of view."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from importlib.util import find_spec
from pathlib import Path
from typing import Any

import pytest
from program.running import wait_until


class Share:
    """A FUSE mount that holds a source, ``bench``, and a mirror, ``vault``.

    ``both`` puts a well-behaved file on both sides; ``on`` something that misbehaves on one.
    The server starts when the context is entered.
    """

    def __init__(self, folder: Path, delay: float = 0.0) -> None:
        self.root = folder / "mount"
        self._folder = folder
        self._nodes: dict[str, dict[str, Any]] = {
            "bench": {"kind": "Folder"},
            "vault": {"kind": "Folder"},
        }
        self._delay = delay
        self._server: subprocess.Popen[bytes] | None = None

    @property
    def source(self) -> Path:
        return self.root / "bench"

    @property
    def mirror(self) -> Path:
        return self.root / "vault"

    def both(self, path: str, size: int = 1_000, **settings: Any) -> Share:
        for place in ("bench", "vault"):
            self.on(place, path, "Node", size=size, **settings)
        return self

    def on(self, place: str, path: str, kind: str, **settings: Any) -> Share:
        """``kind`` is the name of a class in `faults.server`."""
        whole = f"{place}/{path}" if path else place
        self._nodes[whole] = {"kind": kind, "holds": path, **settings}
        return self

    def __enter__(self) -> Share:
        self.root.mkdir()
        specification = self._folder / "specification.json"
        specification.write_text(json.dumps({"delay": self._delay, "nodes": self._nodes}))
        self._server = subprocess.Popen(
            [sys.executable, "-m", "faults.server", self.root, specification, self._events],
            cwd=Path(__file__).parents[1],
            stderr=subprocess.PIPE,
        )
        wait_until(self._mounted_or_failed, 20, "the mount")
        if not os.path.ismount(self.root):
            assert self._server.stderr is not None
            pytest.skip(f"FUSE does not work here: {self._server.stderr.read().decode()[-300:]}")
        return self

    def __exit__(self, *_: object) -> None:
        server = self._server
        assert server is not None
        subprocess.run(["umount", "-l", self.root], capture_output=True)
        try:
            server.wait(5)
        except subprocess.TimeoutExpired:
            server.kill()
            server.wait()
        if server.stderr is not None:
            server.stderr.close()

    def _mounted_or_failed(self) -> bool:
        assert self._server is not None
        return self._server.poll() is not None or os.path.ismount(self.root)

    def kill_server(self) -> None:
        assert self._server is not None
        self._server.kill()
        self._server.wait()

    @property
    def _events(self) -> Path:
        return self._folder / "events"

    def calls(self, kind: str = "") -> list[str]:
        """What the server was asked so far, a line each."""
        if not self._events.exists():
            return []
        return [
            line
            for line in self._events.read_text(errors="surrogateescape").splitlines()
            if line.startswith(kind)
        ]

    def forget_calls(self) -> None:
        os.truncate(self._events, 0)


def why_no_fuse() -> str | None:
    """The reason for which FUSE cannot be used here, or None."""
    if not os.path.exists("/dev/fuse"):
        return "this machine has no /dev/fuse"
    if find_spec("mfusepy") is None:
        return "the package mfusepy is not installed"
    try:
        import mfusepy  # noqa: F401
    except OSError:
        return "libfuse is not installed"
    return None


needs_fuse = pytest.mark.skipif(why_no_fuse() is not None, reason=str(why_no_fuse()))
