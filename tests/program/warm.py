"""Runs of the installed command that need not load it first.

To load the command takes longer than most of what tests ask of it.  Where nothing of that is what
a test is about, its runs are forked off an interpreter that has loaded all parts of the command
and run nothing: each is a process of its own, with its own arguments, folder, environment and
streams, begins where ``python -m verifier`` begins, and ends as that does.
"""

from __future__ import annotations

import array
import atexit
import importlib
import json
import os
import pkgutil
import runpy
import selectors
import signal
import socket
import subprocess
import sys
import threading
import time
from collections.abc import Mapping, Sequence
from contextlib import suppress
from pathlib import Path
from typing import Any, Final

_STARTS_DIFFERENTLY: Final = ("PYTHON", "LC_", "LANG", "LD_", "TZ", "MALLOC_", "TEST_CLOCK")
"""How the names of variables begin that an interpreter heeds when it starts, and not later."""

_NUMBER: Final = array.array("i").itemsize

_NOT_LOADED: Final = ("verifier.__main__", "verifier.cluster")
"""What no run loads of which it is not asked."""

_ALSO_LOADED: Final = ("multiprocessing.sharedctypes", "encodings.unicode_escape", "csv")


class Warm:
    """An interpreter that has loaded the command, in a process of its own."""

    def __init__(self) -> None:
        self._ours, theirs = socket.socketpair(socket.AF_UNIX, socket.SOCK_SEQPACKET)
        self._ours.setsockopt(socket.SOL_SOCKET, socket.SO_SNDBUF, 1 << 20)
        with theirs:
            self._process = subprocess.Popen(
                [sys.executable, __file__, str(theirs.fileno())],
                stdin=subprocess.DEVNULL,
                stdout=subprocess.DEVNULL,
                cwd="/",
                pass_fds=[theirs.fileno()],
                preexec_fn=lambda: signal.signal(signal.SIGINT, signal.SIG_DFL),
                start_new_session=True,
            )
        self._variables = {name: os.environ[name] for name in os.environ if _is_early(name)}
        self._lock = threading.Lock()
        atexit.register(self.end)

    def end(self) -> None:
        """Let the interpreter go."""
        self._ours.close()
        self._process.wait()

    def suits(self, environment: Mapping[str, str]) -> bool:
        """Whether a run with that environment begins as one would that loads everything anew."""
        return {name: environment[name] for name in environment if _is_early(name)} == (
            self._variables
        )

    def run(
        self,
        arguments: Sequence[str],
        environment: Mapping[str, str],
        cwd: Path | str,
        stdout: int,
        seconds: float,
    ) -> tuple[int, bytes, bytes]:
        """Status and both outputs of a run; ``stdout`` is `subprocess.PIPE` or a descriptor.

        Raises subprocess.TimeoutExpired.
        """
        request = json.dumps([list(arguments), dict(environment), str(cwd)]).encode()
        outputs: dict[int, bytearray] = {}
        status, status_there = os.pipe()
        err, err_there = os.pipe()
        out, out_there = os.pipe() if stdout == subprocess.PIPE else (None, os.dup(stdout))
        try:
            with self._lock:
                socket.send_fds(self._ours, [request], [out_there, err_there, status_there])
        finally:
            for each in (out_there, err_there, status_there):
                os.close(each)
        ends = time.monotonic() + seconds
        with selectors.DefaultSelector() as waiting:
            for each in (out, err, status):
                if each is not None:
                    waiting.register(each, selectors.EVENT_READ)
                    outputs[each] = bytearray()
            try:
                while waiting.get_map():
                    ready = waiting.select(max(0.0, ends - time.monotonic()))
                    if not ready:
                        os.kill(_numbers(outputs[status])[0], signal.SIGKILL)
                        raise subprocess.TimeoutExpired(list(arguments), seconds)
                    for key, _ in ready:
                        piece = os.read(key.fd, 1 << 16)
                        outputs[key.fd] += piece
                        if not piece:
                            waiting.unregister(key.fd)
            finally:
                for each in outputs:
                    os.close(each)
        _, ended = _numbers(outputs[status])
        said = b"" if out is None else bytes(outputs[out])
        return ended, said, bytes(outputs[err])


def _is_early(name: str) -> bool:
    return name.startswith(_STARTS_DIFFERENTLY)


def _numbers(written: bytearray) -> array.array[int]:
    return array.array("i", bytes(written[: len(written) // _NUMBER * _NUMBER]))


# ------------------------------------------------------------------------ in the other interpreter


def _load() -> None:
    import verifier

    for each in pkgutil.walk_packages(verifier.__path__, "verifier."):
        if not each.name.startswith(_NOT_LOADED):
            importlib.import_module(each.name)
    for name in _ALSO_LOADED:
        importlib.import_module(name)


def _serve(asked: socket.socket) -> list[Any] | None:
    """Fork for each request; in the fork, its arguments, environment and folder.  None at the end.

    Of each run the number of its process is written to its third descriptor, then its status.
    """
    under_way: dict[int, tuple[int, int]] = {}
    with selectors.DefaultSelector() as waiting:
        waiting.register(asked, selectors.EVENT_READ)
        while True:
            for key, _ in waiting.select():
                if key.fileobj is not asked:
                    process, status = under_way.pop(key.fd)
                    waiting.unregister(key.fd)
                    os.close(key.fd)
                    _, ended = os.waitpid(process, 0)
                    _write(status, os.waitstatus_to_exitcode(ended))
                    os.close(status)
                    continue
                request, descriptors, _, _ = socket.recv_fds(asked, 1 << 20, 3)
                if not request:
                    return None
                process = os.fork()
                if not process:
                    for each in under_way:
                        os.close(each)
                    for _, other in under_way.values():
                        os.close(other)
                    _take(descriptors)
                    return json.loads(request)
                *streams, status = descriptors
                for each in streams:
                    os.close(each)
                _write(status, process)
                watched = os.pidfd_open(process)
                under_way[watched] = process, status
                waiting.register(watched, selectors.EVENT_READ)


def _write(status: int, number: int) -> None:
    with suppress(BrokenPipeError):  # who asked has given up
        os.write(status, array.array("i", [number]).tobytes())


def _take(descriptors: list[int]) -> None:
    out, err, status = descriptors
    os.close(status)
    os.dup2(out, 1)
    os.dup2(err, 2)
    os.close(out)
    os.close(err)


def _main() -> None:
    with socket.socket(fileno=int(sys.argv[1])) as asked:
        asked.set_inheritable(False)
        del sys.path[0]  # this file's folder
        _load()
        request = _serve(asked)
    if request is None:
        return
    arguments, environment, cwd = request
    os.chdir(cwd)
    sys.path.insert(0, cwd)
    os.environ.clear()
    os.environ.update(environment)
    sys.argv[1:] = arguments
    sys.orig_argv[1:] = ["-m", "verifier", *arguments]
    runpy.run_module("verifier", run_name="__main__", alter_sys=True)


if __name__ == "__main__":
    _main()
