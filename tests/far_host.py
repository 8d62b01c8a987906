"""A far host for tests: a real sshd on loopback with keys of its own, and a way to it that can be
cut.

    with FarHost(folder) as host:
        verifier("compare", tree, host.address(mirror), environment=host.environment)

The system's own ssh is run as ever; only its config is another file, since it looks for its own in
the home folder of the user who runs it and nowhere else.
"""

from __future__ import annotations

import os
import shutil
import socket
import subprocess
import sys
import threading
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

import pytest
from program.running import wait_until

SSHD = shutil.which("sshd", path=f"{os.environ.get('PATH', '')}:/usr/sbin:/usr/local/sbin")
SSH = shutil.which("ssh")
FAR_END = f"{sys.executable} -m verifier far-end"

needs_sshd = pytest.mark.skipif(
    SSHD is None or SSH is None, reason="OpenSSH's client and server are not installed"
)


class Way:
    """A port that leads to another one, counts what passes, and can be cut."""

    def __init__(self, to: int) -> None:
        self.bytes = 0
        self._to = to
        self._open: list[socket.socket] = []
        self._lock = threading.Lock()
        self._passes = True
        self._cut_after: int | None = None
        self.cuts = 0
        self._listener = socket.create_server(("127.0.0.1", 0))
        self.port = int(self._listener.getsockname()[1])
        threading.Thread(target=self._accept, daemon=True).start()

    def cut(self) -> None:
        """Every connection breaks off, and none comes about until `restore`."""
        self._passes = False
        self._break_off()

    def cut_once(self, after: int) -> None:
        """Break everything off, once, when so many more bytes have passed."""
        self._cut_after = self.bytes + after

    def restore(self) -> None:
        self._passes = True

    def close(self) -> None:
        self._listener.close()
        self._break_off()

    def _break_off(self) -> None:
        with self._lock:
            each, self._open = self._open, []
        self.cuts += bool(each)
        for one in each:
            with suppress(OSError):
                one.shutdown(socket.SHUT_RDWR)

    def _accept(self) -> None:
        with suppress(OSError):
            while True:
                here, _ = self._listener.accept()
                if not self._passes:
                    here.close()
                    continue
                there = socket.create_connection(("127.0.0.1", self._to))
                with self._lock:
                    self._open += [here, there]
                threading.Thread(target=self._connect, args=(here, there), daemon=True).start()

    def _connect(self, here: socket.socket, there: socket.socket) -> None:
        back = threading.Thread(target=self._carry, args=(there, here), daemon=True)
        back.start()
        self._carry(here, there)
        back.join()
        with self._lock:
            self._open = [each for each in self._open if each not in (here, there)]
        here.close()
        there.close()

    def _carry(self, source: socket.socket, goal: socket.socket) -> None:
        with suppress(OSError):
            while more := source.recv(65536):
                goal.sendall(more)
                with self._lock:
                    self.bytes += len(more)
                    due = self._cut_after is not None and self.bytes >= self._cut_after
                    if due:
                        self._cut_after = None
                if due:
                    self._break_off()
        for one in (source, goal):
            with suppress(OSError):
                one.shutdown(socket.SHUT_RDWR)


class FarHost:
    """One sshd, and the names by which its client's config knows it.

    ``vault.example`` is the host as it should be, with a forced command that serves ``served``
    only; each other name has one thing wrong with it, or is another way to it.
    """

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.served = folder / "volumes"
        self._sshd: subprocess.Popen[bytes] | None = None

    def __enter__(self) -> FarHost:
        assert SSHD is not None
        self.folder.mkdir(exist_ok=True)
        self.served.mkdir(exist_ok=True)
        for name in ("host", "other_host", "bench", "plain", "stranger", "narrow", "forged"):
            self._make_key(name)
        self._write_authorized_keys()
        if os.geteuid() == 0:
            os.makedirs("/run/sshd", exist_ok=True)
        self.port = _free_port()
        self._write_server_config()
        self._start()
        self.way = Way(self.port)
        self._write_client_config()
        return self

    def __exit__(self, *_: object) -> None:
        self.way.close()
        self._stop()

    @property
    def environment(self) -> dict[str, str]:
        """What makes this host known to a run."""
        return {"PATH": f"{self.folder / 'bin'}:{os.environ['PATH']}"}

    def address(self, path: os.PathLike[str] | str, name: str = "vault.example") -> str:
        return f"ssh://{name}{os.fspath(path)}"

    @property
    def far_ends(self) -> list[int]:
        """The far ends that run now, by their ids."""
        assert self._sshd is not None
        return [each for each in _below(self._sshd.pid) if "far-end" in _command(each)]

    # ---------------------------------------------------------------------------- making it

    def _make_key(self, name: str) -> None:
        subprocess.run(
            ["ssh-keygen", "-q", "-t", "ed25519", "-N", "", "-C", name, "-f", self.folder / name],
            check=True,
        )

    def _public(self, name: str) -> str:
        return (self.folder / f"{name}.pub").read_text().strip()

    def _write_authorized_keys(self) -> None:
        forged = (
            f'{sys.executable} -c \'import verifier; verifier.__version__ = \\"0.0.9\\"; '
            'import sys; sys.argv = [\\"verifier\\", \\"far-end\\"]; '
            "from verifier.__main__ import start; start()'"
        )
        lines = [
            f'command="{FAR_END} --root {self.served}",restrict {self._public("bench")}',
            f'command="{FAR_END} --root {self.served}/vault",restrict {self._public("narrow")}',
            f'command="{forged}",restrict {self._public("forged")}',
            self._public("plain"),
        ]
        keys = self.folder / "authorized_keys"
        keys.write_text("\n".join(lines) + "\n")
        keys.chmod(0o600)

    def _write_server_config(self) -> None:
        (self.folder / "sshd_config").write_text(
            f"""
            Port {self.port}
            ListenAddress 127.0.0.1
            HostKey {self.folder}/host
            AuthorizedKeysFile {self.folder}/authorized_keys
            PidFile none
            StrictModes no
            UsePAM no
            PasswordAuthentication no
            KbdInteractiveAuthentication no
            PermitRootLogin prohibit-password
            MaxStartups 100
            LogLevel ERROR
            """
        )

    def _write_client_config(self) -> None:
        here = f"[127.0.0.1]:{self.port}"
        there = f"[127.0.0.1]:{self.way.port}"
        host, other = self._public("host"), self._public("other_host")
        (self.folder / "known").write_text(f"{here} {host}\n{there} {host}\n")
        (self.folder / "known_otherwise").write_text(f"{here} {other}\n")
        (self.folder / "known_none").write_text("")
        names = {
            "vault.example": ("bench", "known", self.port),
            "cut.example": ("bench", "known", self.way.port),
            "plain.example": ("plain", "known", self.port),
            "narrow.example": ("narrow", "known", self.port),
            "forged.example": ("forged", "known", self.port),
            "stranger.example": ("stranger", "known", self.port),
            "changed.example": ("bench", "known_otherwise", self.port),
            "unknown-key.example": ("bench", "known_none", self.port),
            "down.example": ("bench", "known", _free_port()),
        }
        blocks = [
            f"""
            Host {name}
                HostName 127.0.0.1
                Port {port}
                IdentityFile {self.folder}/{key}
                UserKnownHostsFile {self.folder}/{known}
            """
            for name, (key, known, port) in names.items()
        ]
        common = """
            Host *
                IdentitiesOnly yes
                GlobalKnownHostsFile /dev/null
                StrictHostKeyChecking ask
            """
        config = self.folder / "ssh_config"
        config.write_text("".join(blocks) + common)
        programs = self.folder / "bin"
        programs.mkdir(exist_ok=True)
        client = programs / "ssh"
        client.write_text(f'#!/bin/sh\nexec {SSH} -F {config} "$@"\n')
        client.chmod(0o755)

    def _start(self) -> None:
        assert SSHD is not None
        with open(self.folder / "sshd.log", "ab") as log:
            self._sshd = subprocess.Popen(
                [SSHD, "-D", "-e", "-f", self.folder / "sshd_config"], stderr=log
            )
        wait_until(lambda: _answers(self.port) or self._ended(), 30, "the sshd")
        if self._ended():
            pytest.skip(f"sshd does not run here: {(self.folder / 'sshd.log').read_text()[-300:]}")

    def _ended(self) -> bool:
        return self._sshd is not None and self._sshd.poll() is not None

    def _stop(self) -> None:
        assert self._sshd is not None
        for each in _below(self._sshd.pid):
            with suppress(ProcessLookupError):
                os.kill(each, 9)
        self._sshd.kill()
        self._sshd.wait()


@contextmanager
def far_host(folder: Path) -> Iterator[FarHost]:
    """A far host for as long as the context lasts."""
    with FarHost(folder) as host:
        yield host


def _free_port() -> int:
    with socket.create_server(("127.0.0.1", 0)) as free:
        return int(free.getsockname()[1])


def _answers(port: int) -> bool:
    with suppress(OSError), socket.create_connection(("127.0.0.1", port), 1):
        return True
    return False


def _below(process: int) -> list[int]:
    """The processes that descend from one, by id.  Linux only."""
    parents: dict[int, int] = {}
    for entry in os.listdir("/proc"):
        if entry.isdigit():
            with suppress(OSError):
                status = Path(f"/proc/{entry}/stat").read_text()
                parents[int(entry)] = int(status.rpartition(")")[2].split()[1])
    found: list[int] = []
    waiting = [process]
    while waiting:
        parent = waiting.pop()
        children = [each for each, above in parents.items() if above == parent]
        found += children
        waiting += children
    return found


def _command(process: int) -> str:
    try:
        return Path(f"/proc/{process}/cmdline").read_bytes().replace(b"\0", b" ").decode()
    except OSError:
        return ""
