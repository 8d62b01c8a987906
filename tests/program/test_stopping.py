"""Ctrl-C and a request to end stop a run at once, tidily, and leave nothing behind."""

from __future__ import annotations

import json
import os
import pty
import signal
import subprocess
import sys
import termios
import threading
import time
from collections.abc import Callable
from pathlib import Path
from typing import Final, NamedTuple

import pytest
from trees import Tree

from program.running import bytes_read_by, members, running, wait_until

pytestmark = pytest.mark.skipif(sys.platform != "linux", reason="looks at processes in /proc")

WITHIN: Final = 1.0
"""Seconds from the signal in which all of it must have ended."""

UNDER_WAY: Final = 100_000_000
"""Bytes read after which a run is in the middle of its work."""

SIZE: Final = 3 << 30


class Long(NamedTuple):
    """Two trees that take a while to read, both of them: a file of 3 GiB and a few small ones."""

    source: Path
    mirror: Path


@pytest.fixture(scope="module")
def long(large_tmp: Path) -> Long:
    source = Tree(large_tmp / "bench").files("a.jpg", "b.jpg", "flights/c.jpg")
    block = os.urandom(64 << 20)
    with open(source.at("north.laz"), "wb") as file:
        while file.tell() < SIZE:
            file.write(block)
    # The mirror's names lead to the same files, which takes half the room and as long to read.
    mirror = large_tmp / "vault"
    subprocess.run(["cp", "-al", "--", source, mirror], check=True)
    return Long(source.root, mirror)


def wait_until_under_way(process: subprocess.Popen[bytes]) -> None:
    wait_until(lambda: bytes_read_by(members(process.pid)) > UNDER_WAY, 30, "reading in earnest")
    assert process.poll() is None, "it ended before it could be stopped"


def to_group(process: subprocess.Popen[bytes], number: int) -> None:
    """As a terminal does, which sends it to all processes in front."""
    os.killpg(process.pid, number)


def to_parent(process: subprocess.Popen[bytes], number: int) -> None:
    os.kill(process.pid, number)


STOPS = [
    pytest.param(signal.SIGINT, to_group, id="by Ctrl-C"),
    pytest.param(signal.SIGINT, to_parent, id="by an interrupt to the parent alone"),
    pytest.param(signal.SIGTERM, to_parent, id="by a request to end"),
    pytest.param(signal.SIGTERM, to_group, id="by a request to end to all of them"),
]

Send = Callable[[subprocess.Popen[bytes], int], None]


def stopped(process: subprocess.Popen[bytes], send: Send, number: int) -> tuple[bytes, str]:
    """Stops a run that is under way and returns what it said; checks time and leftovers."""
    wait_until_under_way(process)
    started = time.monotonic()
    send(process, number)
    out, err = process.communicate(timeout=30)
    took = time.monotonic() - started
    assert process.returncode == 3, err
    assert took < WITHIN, f"it took {took:.2f} s"
    wait_until(lambda: not members(process.pid), WITHIN, "the end of the readers")
    assert b"Traceback" not in err
    assert b"Exception ignored" not in err
    return out, err.decode()


def one_line(said: str) -> bool:
    """One sentence, which may be set off from the ``^C`` that a terminal shows by an empty line."""
    return len(said.strip().splitlines()) == 1


@pytest.mark.parametrize(("number", "send"), STOPS)
def test_a_stopped_comparison_ends_with_a_document_that_says_so(
    long: Long, number: int, send: Send
) -> None:
    with running("compare", long.source, long.mirror, "--json") as process:
        out, err = stopped(process, send, number)
    if out:
        document = json.loads(out)
        assert document["finished"] is False
        assert document["findings"] == []
        assert document["counts"]["missing"] == document["counts"]["corrupt"] == 0
        assert err == ""
    else:
        assert one_line(err)


@pytest.mark.parametrize(("number", "send"), STOPS)
def test_a_stopped_comparison_tells_a_person_so(long: Long, number: int, send: Send) -> None:
    with running("compare", long.source, long.mirror) as process:
        out, err = stopped(process, send, number)
    assert b"All good" not in out
    assert (out.startswith(b"Stopped before the end") and not err) or one_line(err)


@pytest.mark.parametrize(("number", "send"), STOPS)
def test_a_stopped_manifest_leaves_no_file(
    long: Long, tmp_path: Path, number: int, send: Send
) -> None:
    with running("manifest", long.source, "--out", tmp_path / "bench.manifest") as process:
        out, err = stopped(process, send, number)
    assert out == b""
    assert one_line(err)
    assert list(tmp_path.iterdir()) == []


def test_a_stopped_comparison_leaves_no_list_of_paths_that_looks_whole(
    long: Long, tmp_path: Path
) -> None:
    (tmp_path / "out.nul").write_bytes(b"of an earlier run\0")
    with running("compare", long.source, long.mirror, "--paths", tmp_path / "out.nul") as process:
        stopped(process, to_group, signal.SIGINT)
    assert (tmp_path / "out.nul").read_bytes() == b"of an earlier run\0"
    assert [path.name for path in tmp_path.iterdir()] == ["out.nul"]


@pytest.mark.parametrize("apart", [0.0, 0.05, 0.3])
def test_an_impatient_second_ctrl_c_is_as_tidy(long: Long, apart: float) -> None:
    with running("compare", long.source, long.mirror) as process:
        wait_until_under_way(process)
        to_group(process, signal.SIGINT)
        time.sleep(apart)
        if process.poll() is None:
            to_group(process, signal.SIGINT)
        _, err = process.communicate(timeout=30)
        assert process.returncode == 3
        assert b"Traceback" not in err and b"Exception ignored" not in err
        wait_until(lambda: not members(process.pid), WITHIN, "the end of the readers")


def test_an_interrupt_in_the_first_moments_is_tidy(long: Long) -> None:
    for tenths in range(1, 9):
        with running("compare", long.source, long.mirror) as process:
            time.sleep(tenths * 0.04)
            to_group(process, signal.SIGINT)
            _, err = process.communicate(timeout=30)
            if process.returncode != -signal.SIGINT:  # Python itself was still starting
                assert b"Traceback" not in err, f"after {tenths * 0.04:.2f} s: {err.decode()}"
                assert process.returncode == 3
            wait_until(lambda: not members(process.pid), WITHIN, "the end of the readers")


LETS_GO = """
import os, signal, time, weakref
from verifier.cli import stopping

def is_let_go(reference):
    os.kill(os.getpid(), signal.SIGINT)
    time.sleep(0.01)

class Something:
    pass

LATER
stopping.heed_signals()
something = Something()
reference = weakref.ref(something, is_let_go)
try:
    something = None
    time.sleep(60)
except KeyboardInterrupt:
    print(stopping.SENTENCE)
    stopping.end(3)
"""


ONCE_MORE_BEFORE_IT_IS_OUT = """
real = os.write

def write(descriptor, content):
    os.write = real
    real(descriptor, content)
    time.sleep(0.5)

os.write = write
"""


# The second fails when an interrupt is lost that comes while the one before is being told of.
@pytest.mark.parametrize("later", ["", ONCE_MORE_BEFORE_IT_IS_OUT], ids=["once", "twice"])
def test_an_interrupt_where_python_lets_no_exception_out_is_not_lost(later: str) -> None:
    started = time.monotonic()
    script = LETS_GO.replace("LATER", later)
    run = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True)
    assert run.returncode == 3
    assert one_line(run.stdout)
    assert run.stderr == ""
    assert time.monotonic() - started < 30


ENDS_BEFORE_ITS_READERS_KNOW = """
import os, time
from verifier import engine, system

real = system.die_with_parent
system.die_with_parent = lambda parent: (time.sleep(0.3), real(parent))
engine.Engine([2])
os._exit(0)
"""


def test_readers_end_whose_parent_ended_while_they_started() -> None:
    process = subprocess.Popen(
        [sys.executable, "-c", ENDS_BEFORE_ITS_READERS_KNOW], start_new_session=True
    )
    try:
        assert process.wait(30) == 0
        assert members(process.pid), "the readers were to start later than their parent ends"
        wait_until(lambda: not members(process.pid), 5.0, "the end of the readers")
    finally:
        if members(process.pid):
            os.killpg(process.pid, signal.SIGKILL)


# Fails without `system.die_with_parent()` in engine.py.
@pytest.mark.parametrize("command", ["compare", "manifest"])
def test_readers_end_with_a_parent_that_was_killed(
    long: Long, tmp_path: Path, command: str
) -> None:
    more = (long.mirror,) if command == "compare" else ("--out", tmp_path / "out")
    with running(command, long.source, *more) as process:
        wait_until_under_way(process)
        assert len(members(process.pid)) > 1
        process.kill()
        process.wait()
        wait_until(lambda: not members(process.pid), 2.0, "the end of the readers")


def test_a_reader_that_is_killed_ends_the_run_with_3_and_a_sentence(long: Long) -> None:
    with running("compare", long.source, long.mirror, "--json") as process:
        wait_until_under_way(process)
        reader = next(each for each in members(process.pid) if each != process.pid)
        os.kill(reader, signal.SIGKILL)
        out, err = process.communicate(timeout=10)
        assert process.returncode == 3
        assert out == b""
        assert "reading process ended" in err.decode()
        assert b"Traceback" not in err
        wait_until(lambda: not members(process.pid), WITHIN, "the end of the readers")


class Screen:
    """A terminal whose output is kept."""

    def __init__(self) -> None:
        self._keyboard, self.descriptor = pty.openpty()
        termios.tcsetwinsize(self.descriptor, (24, 100))
        self._shown = b""
        self._reader = threading.Thread(target=self._read)
        self._reader.start()

    def _read(self) -> None:
        while block := self._next():
            self._shown += block

    def _next(self) -> bytes:
        try:
            return os.read(self._keyboard, 4096)
        except OSError:
            return b""  # Linux's way to say that the last program has let go of the terminal

    def text(self) -> str:
        """All that was shown, once nobody writes any more."""
        os.close(self.descriptor)
        self._reader.join(10)
        os.close(self._keyboard)
        return self._shown.decode()

    def shows(self, what: str) -> bool:
        return what.encode() in self._shown


def test_a_terminal_is_shown_progress_and_left_tidy_by_ctrl_c(long: Long) -> None:
    screen = Screen()
    try:
        with running("compare", long.source, long.mirror, stderr=screen.descriptor) as process:
            wait_until(lambda: screen.shows("mirror"), 30, "a line of progress for each side")
            to_group(process, signal.SIGINT)
            out, _ = process.communicate(timeout=30)
            wait_until(lambda: not members(process.pid), WITHIN, "the end of the readers")
    finally:
        shown = screen.text()
    assert process.returncode == 3
    assert out.startswith(b"Stopped before the end")
    assert "source" in shown
    assert "Traceback" not in shown


def test_no_progress_is_shown_where_nobody_watches(long: Long) -> None:
    with running("compare", long.source, long.mirror) as process:
        wait_until_under_way(process)
        to_group(process, signal.SIGINT)
        _, err = process.communicate(timeout=30)
    assert err == b""


LEFT_BEHIND: Final = """
import multiprocessing, sys, threading, time
from verifier.cli import stopping
if sys.argv[1] == "thread":
    threading.Thread(target=time.sleep, args=(60,)).start()
else:
    multiprocessing.get_context("fork").Process(target=time.sleep, args=(60,)).start()
print("said")
stopping.end(1)
"""


# Fails when the end of Python waits for a reader that hangs where nothing answers any more.
@pytest.mark.parametrize("what", ["thread", "process"])
def test_at_its_end_it_waits_for_nothing_that_hangs(what: str) -> None:
    ended = subprocess.run(
        [sys.executable, "-c", LEFT_BEHIND, what],
        stdout=subprocess.PIPE if what == "thread" else subprocess.DEVNULL,
        timeout=20,
        check=False,
    )
    assert ended.returncode == 1
    assert ended.stdout in (b"said\n", None)
