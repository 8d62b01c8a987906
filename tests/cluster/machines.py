"""A real scheduler and real workers, each a process of its own, from a test's point of view."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from importlib.util import find_spec
from pathlib import Path

import pytest
from program.running import bytes_read_by, wait_until

PATIENCE = 60.0
"""Seconds in which a process must have started, also on a machine that is busy."""

needs_dask = pytest.mark.skipif(
    find_spec("distributed") is None, reason="the extra `cluster` is not installed"
)

_ENVIRONMENT = {
    "DASK_DISTRIBUTED__ADMIN__TICK__LIMIT": "1h",
    "PYTHONUNBUFFERED": "1",
}


class Machines:
    """A scheduler, and workers that are started and ended one by one.  A context manager."""

    def __init__(self, folder: Path) -> None:
        self._folder = folder
        self._processes: dict[str, subprocess.Popen[bytes]] = {}
        self.address = ""

    def __enter__(self) -> Machines:
        told = self._folder / "scheduler.json"
        self._start(
            "scheduler",
            "distributed.cli.dask_scheduler",
            "--host",
            "127.0.0.1",
            "--port",
            "0",
            "--scheduler-file",
            str(told),
        )
        wait_until(lambda: told.exists() and told.read_text().endswith("}"), PATIENCE, "a start")
        self.address = json.loads(told.read_text())["address"]
        return self

    def __exit__(self, *_: object) -> None:
        for name in list(self._processes):
            self.kill(name)

    def _start(
        self,
        name: str,
        module: str,
        *arguments: str,
        environment: Mapping[str, str] | None = None,
        before: tuple[str, ...] = (),
    ) -> None:
        with open(self._log(name), "wb") as log:
            self._processes[name] = subprocess.Popen(
                [
                    *before,
                    sys.executable,
                    "-m",
                    module,
                    *("--no-dashboard", "--dashboard-address", "127.0.0.1:0"),
                    *arguments,
                ],
                stdin=subprocess.DEVNULL,
                stdout=log,
                stderr=subprocess.STDOUT,
                cwd="/",
                env={**os.environ, **_ENVIRONMENT, **(environment or {})},
            )

    def _log(self, name: str) -> Path:
        return self._folder / f"{name}.log"

    def start_worker(
        self,
        name: str,
        threads: int = 1,
        environment: Mapping[str, str] | None = None,
        before: tuple[str, ...] = (),
    ) -> None:
        """A worker that the scheduler knows when this returns.

        ``before`` is a command that becomes it, such as one that mounts something first.
        """
        self._start(
            name,
            "distributed.cli.dask_worker",
            self.address,
            *("--no-nanny", "--nthreads", str(threads), "--name", name),
            *("--local-directory", str(self._folder / name), "--death-timeout", "60"),
            environment=environment,
            before=before,
        )
        wait_until(lambda: self._registered(name), PATIENCE, f"{name} at work")

    def _registered(self, name: str) -> bool:
        assert self._processes[name].poll() is None, self._log(name).read_text()[-2000:]
        return b"Registered to:" in self._log(name).read_bytes()

    def kill(self, name: str) -> None:
        """End a process at once, as a power cut does."""
        process = self._processes.pop(name)
        process.kill()
        process.wait()

    def read_by(self, name: str) -> int:
        """Bytes that a worker got from read calls so far, its messages included."""
        return bytes_read_by([self._processes[name].pid])

    @contextmanager
    def worker(self, name: str, **how: object) -> Iterator[None]:
        """A worker for the length of a context."""
        self.start_worker(name, **how)  # type: ignore[arg-type]
        try:
            yield
        finally:
            if name in self._processes:
                self.kill(name)


def sees(instead: Path, at: Path) -> tuple[str, ...]:
    """A command that becomes one for which another tree is mounted at a path.  For root only."""
    script = 'mount --bind "$0" "$1" && shift 1 && exec "$@"'
    return ("unshare", "--mount", "sh", "-c", script, str(instead), str(at))
