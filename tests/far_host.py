"""A far host for tests: a real sshd on loopback with keys of its own, and a way to it that can be
cut.

    with FarHost(folder) as host:
        verifier("compare", tree, host.address(mirror), environment=host.environment)

The system's own ssh is run as ever; only its config is another file, since it looks for its own in
the home folder of the user who runs it and nowhere else.
"""

from __future__ import annotations

import os
import queue
import re
import shutil
import socket
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager, suppress
from pathlib import Path

import pytest
from program.running import wait_until

from verifier.places.far import messages as say

SSHD = shutil.which("sshd", path=f"{os.environ.get('PATH', '')}:/usr/sbin:/usr/local/sbin")
SSH = shutil.which("ssh")
VERIFIER = str(Path(sys.executable).with_name("verifier"))
"""The program as pip installs it."""
_SHELL = re.compile(r"\S*sh -c ")
DOCS = Path(__file__).parents[1] / "docs" / "far-host.md"

needs_sshd = pytest.mark.skipif(
    SSHD is None or SSH is None, reason="OpenSSH's client and server are not installed"
)


class Way:
    """A port that leads to another one, counts what passes, and can be cut.

    With a delay, what goes in comes out so many seconds later, however much it is.
    """

    def __init__(self, to: tuple[str, int], delay: float = 0.0) -> None:
        self.bytes = 0
        self._to = to
        self._delay = delay
        self._open: list[socket.socket] = []
        self._lock = threading.Lock()
        self._passes = True
        self._listener = socket.create_server(("127.0.0.1", 0))
        self.port = int(self._listener.getsockname()[1])
        threading.Thread(target=self._accept, daemon=True).start()

    def cut(self) -> None:
        """Every connection breaks off, and none comes about until `restore`."""
        self._passes = False
        self._break_off()

    def restore(self) -> None:
        self._passes = True

    def close(self) -> None:
        self._listener.close()
        self._break_off()

    def _break_off(self) -> None:
        with self._lock:
            each, self._open = self._open, []
        for one in each:
            with suppress(OSError):
                one.shutdown(socket.SHUT_RDWR)

    def _accept(self) -> None:
        with suppress(OSError):
            while True:
                here, _ = self._listener.accept()
                threading.Thread(target=self._join, args=(here,), daemon=True).start()

    def _join(self, here: socket.socket) -> None:
        """One connection, from its first to its last byte."""
        with here, suppress(OSError):
            if not self._passes:
                return
            with socket.create_connection(self._to) as there:
                both = [here, there]
                with self._lock:
                    self._open += both
                back = threading.Thread(target=self._carry, args=(there, here), daemon=True)
                back.start()
                self._carry(here, there)
                back.join()
                with self._lock:
                    self._open = [each for each in self._open if each not in both]

    def _carry(self, source: socket.socket, goal: socket.socket) -> None:
        late = _Late(goal, self._delay) if self._delay else None
        with suppress(OSError):
            while more := source.recv(65536):
                (late or goal).sendall(more)
                with self._lock:
                    self.bytes += len(more)
        if late is not None:
            late.close()
        for one in (source, goal):
            with suppress(OSError):
                one.shutdown(socket.SHUT_RDWR)


class _Late:
    """Sends what it is given to a socket, a while later."""

    def __init__(self, goal: socket.socket, delay: float) -> None:
        self._goal = goal
        self._delay = delay
        self._waiting: queue.SimpleQueue[tuple[float, bytes]] = queue.SimpleQueue()
        self._sender = threading.Thread(target=self._send, daemon=True)
        self._sender.start()

    def sendall(self, content: bytes) -> None:
        self._waiting.put((time.monotonic() + self._delay, content))

    def close(self) -> None:
        """Return once all of it is on its way."""
        self._waiting.put((0.0, b""))
        self._sender.join()

    def _send(self) -> None:
        with suppress(OSError):
            while True:
                due, content = self._waiting.get()
                if not content:
                    return
                time.sleep(max(0.0, due - time.monotonic()))
                self._goal.sendall(content)


class FarHost:
    """One sshd, and the names by which its client's config knows it.

    ``vault.example`` is the host as it should be, with a forced command that serves ``served``
    only; each other name has one thing wrong with it, or is another way to it.  The sshd answers
    at the address ``at``, and is started by the command ``before``, such as ``ip netns exec``.
    """

    def __init__(
        self,
        folder: Path,
        at: str = "127.0.0.1",
        before: Sequence[str] = (),
        delay: float = 0.0,
    ) -> None:
        self.folder = folder
        self._at = at
        self._before = before
        self._delay = delay
        self.served = folder / "volumes"
        self._sshd: subprocess.Popen[bytes] | None = None

    def __enter__(self) -> FarHost:
        assert SSHD is not None
        self.folder.mkdir(exist_ok=True)
        self.served.mkdir(exist_ok=True)
        for name in ("host", "other_host", "bench", "plain", "stranger", "narrow", "forged"):
            self._make_key(name)
        self._make_key("locked", passphrase="low tide at noon")
        self._write_authorized_keys()
        if os.geteuid() == 0:
            os.makedirs("/run/sshd", exist_ok=True)
        self.port, self.password_port = _free_port(), _free_port()
        self._write_server_config()
        self._start()
        self.way = Way((self._at, self.port), self._delay)
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
        return [
            each
            for each in below(self._sshd.pid)
            if "far-end" in (command := _command(each)) and not _SHELL.match(command)
        ]

    @property
    def sessions(self) -> list[int]:
        """The processes of the server that carry the links which stand now, by their ids."""
        assert self._sshd is not None
        return [each for each in below(self._sshd.pid) if _command(each).startswith("sshd")]

    def questions_of(self, run: Callable[[dict[str, str]], object]) -> list[str]:
        """What a run asks of far ends, by kind, in whatever links: each of them a frame.

        In place of ssh it gets a program that notes what passes and starts a far end here.
        """
        folder = Path(tempfile.mkdtemp(dir=self.folder))
        client = folder / "ssh"
        client.write_text(
            f'#!/bin/sh\ntee "{folder}/asked.$$" | "{VERIFIER}" far-end --root "{self.served}"\n'
        )
        client.chmod(0o755)
        run({"PATH": f"{folder}:{os.environ['PATH']}"})
        asked = []
        for link in folder.glob("asked.*"):
            frames = say.Frames()
            frames.add(link.read_bytes())
            while (frame := frames.next()) is not None:
                asked.append(type(say.from_here(frame)).__name__)
        return asked

    # ---------------------------------------------------------------------------- making it

    def _make_key(self, name: str, passphrase: str = "") -> None:
        if (self.folder / name).exists():
            return
        subprocess.run(
            ["ssh-keygen", "-qt", "ed25519", "-N", passphrase, "-f", self.folder / name],
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
            line_of_the_docs(self.served, self._public("bench")),
            line_of_the_docs(self.served / "vault", self._public("narrow")),
            line_of_the_docs(self.served, self._public("locked")),
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
            Port {self.password_port}
            ListenAddress {self._at}
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
            Match LocalPort {self.password_port}
                PasswordAuthentication yes
                KbdInteractiveAuthentication yes
                AuthenticationMethods password keyboard-interactive
            """
        )

    def _write_client_config(self) -> None:
        here = f"[{self._at}]:{self.port}"
        there = f"[127.0.0.1]:{self.way.port}"
        host, other = self._public("host"), self._public("other_host")
        asking = f"[{self._at}]:{self.password_port}"
        (self.folder / "known").write_text(f"{here} {host}\n{there} {host}\n{asking} {host}\n")
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
            "password.example": ("bench", "known", self.password_port),
            "locked.example": ("locked", "known", self.port),
            "down.example": ("bench", "known", _free_port()),
        }
        blocks = [
            f"""
            Host {name}
                HostName {"127.0.0.1" if port == self.way.port else self._at}
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
                [*self._before, SSHD, "-D", "-e", "-f", self.folder / "sshd_config"], stderr=log
            )
        wait_until(lambda: _answers(self._at, self.port) or self._ended(), 30, "the sshd")
        if self._ended():
            pytest.skip(f"sshd does not run here: {(self.folder / 'sshd.log').read_text()[-300:]}")

    def _ended(self) -> bool:
        return self._sshd is not None and self._sshd.poll() is not None

    def _stop(self) -> None:
        assert self._sshd is not None
        for each in below(self._sshd.pid):
            with suppress(ProcessLookupError):
                os.kill(each, 9)
        self._sshd.kill()
        self._sshd.wait()


@contextmanager
def far_host(folder: Path) -> Iterator[FarHost]:
    """A far host for as long as the context lasts."""
    with FarHost(folder) as host:
        yield host


def line_of_the_docs(served: Path, key: str) -> str:
    """The line for authorized_keys that docs/far-host.md shows, for a folder and a key."""
    (line,) = re.findall("^ *(command=.*)$", DOCS.read_text(), re.MULTILINE)
    for shown, real in (
        ("/opt/verifier/bin/verifier", VERIFIER),
        ("/volumes/vault", str(served)),
        ("ssh-ed25519 AAAA... verifier@bench", key),
    ):
        assert line.count(shown) == 1, line
        line = line.replace(shown, real)
    return line


def _free_port() -> int:
    with socket.create_server(("127.0.0.1", 0)) as free:
        return int(free.getsockname()[1])


def _answers(at: str, port: int) -> bool:
    with suppress(OSError), socket.create_connection((at, port), 1):
        return True
    return False


def below(process: int) -> list[int]:
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
