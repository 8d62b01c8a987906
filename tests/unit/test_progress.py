"""Progress: one line that keeps its width, and a sentence now and then where nobody looks on."""

from __future__ import annotations

import fcntl
import os
import pty
import re
import struct
import subprocess
import sys
import termios
import threading
import time

import pytest
from hypothesis import given
from hypothesis import settings as effort
from hypothesis import strategies as st

from verifier.cli.terminal import Terminal
from verifier.jobs.progress import Gauge
from verifier.reporting.progress import Reading, about, line, looking, rate_in_words, sentence

often = effort(max_examples=300, deadline=None, database=None)

amounts = st.integers(0, 10**17)
rates = st.floats(0, 10**12)
times = st.floats(0, 10**7)


@st.composite
def readings(draw: st.DrawFn) -> Reading:
    total = draw(st.none() | amounts)
    done = draw(amounts if total is None else st.integers(0, total))
    return Reading(
        draw(st.text(st.characters(min_codepoint=33, max_codepoint=126), max_size=60)),
        done,
        total,
        draw(st.none() | rates),
        draw(st.none() | times),
        draw(times),
    )


@often
@given(readings(), readings(), st.integers(1, 200))
def test_no_figure_moves_another_and_no_line_is_too_long(one: Reading, two: Reading, columns: int):
    first, second = line(one, columns), line(two, columns)
    assert len(first) <= columns
    assert len(second) <= columns
    if columns >= 40:  # the name is filled up, and each figure has a field of its own
        assert len(first) == len(second)


READING = Reading("current-surveys, vault", 212 * 10**9, 512 * 10**9, 184e6, 1620, 22_200)


@pytest.mark.parametrize(
    ("columns", "shown"),
    [
        (
            120,
            "current-surveys, vault    [===     ]   41 %     212 GB  of 512 GB      184 MB/s"
            "       27 min left   bell 6 h 10 min",
        ),
        (79, "…urveys, vault   41 %     212 GB   184 MB/s       27 min left   bell 6 h 10 min"),
        (45, "…-surveys, vault     212 GB       27 min left"),
        (39, "…ys, vault     212 GB       27 min left"),
        (24, "…rveys, vault     212 GB"),
        (18, "212 GB"),
    ],
)
def test_where_there_is_no_room_what_is_needed_least_is_left_out(columns: int, shown: str):
    assert line(READING, columns).split() == shown.split()


def test_a_terminal_of_80_columns_shows_bytes_rate_time_left_and_time_to_the_bell():
    shown = line(READING, 79)
    for figure in ("212 GB", "184 MB/s", "27 min left", "bell 6 h 10 min"):
        assert figure in shown


def test_what_is_not_known_is_left_empty():
    shown = line(Reading("bench", 5), 79)
    assert shown.split() == ["bench", "5", "bytes"]
    assert looking("Looking at what there is", 10) == "Looking a…"


def test_a_sentence_says_the_same():
    assert sentence(READING) == (
        "current-surveys, vault: 212 GB of 512 GB read; 184 MB/s; about 27 min left; 6 h 10 "
        "min until working hours."
    )
    assert sentence(Reading("bench", 5)) == "bench: 5 bytes read."


@often
@given(times, rates)
def test_lengths_of_time_and_rates_keep_to_their_fields(seconds: float, rate: float):
    assert len(about(seconds)) <= len("47 h 59 min")
    assert len(rate_in_words(rate)) <= len("99.9 MB/s")


def test_where_nobody_looks_on_a_sentence_comes_now_and_then(capsys):
    terminal, said = Terminal(plain_every=0.01), ""
    assert not terminal.watched
    end = time.monotonic() + 20
    with terminal.show([Gauge("bench", lambda: 5, lambda: 10)]):
        while said.count("\n") < 2 and time.monotonic() < end:
            time.sleep(0.005)
            said += capsys.readouterr().err
    assert said.splitlines()[0] == "bench: 5 bytes of 10 bytes read."
    assert "\r" not in said


def test_short_work_says_nothing_where_nobody_looks_on(capsys):
    with Terminal().show([Gauge("bench", lambda: 5, lambda: 10)]):
        pass
    assert capsys.readouterr().err == ""


WORK = """
import sys, time
from verifier.cli.terminal import Terminal
from verifier.jobs.progress import Gauge

began = time.monotonic()
gauges = [
    Gauge(name, lambda: int((time.monotonic() - began) * 1e8), lambda: 10**12)
    for name in ("source", "mirror")
]
terminal = Terminal(time.time() + 3600)
with terminal.show(gauges):
    sys.stdin.readline()
    terminal.say("A remark.")
    sys.stdin.readline()
print("done", file=sys.stderr)
"""


class Screen:
    """A program on a terminal of its own."""

    def __init__(self, columns: int) -> None:
        self.end, inner = pty.openpty()
        self.resize(columns)
        self.process = subprocess.Popen(
            [sys.executable, "-c", WORK], stdin=subprocess.PIPE, stdout=inner, stderr=inner
        )
        os.close(inner)
        self.said = b""
        self._thread = threading.Thread(target=self._read, daemon=True)
        self._thread.start()

    def resize(self, columns: int) -> None:
        fcntl.ioctl(self.end, termios.TIOCSWINSZ, struct.pack("HHHH", 24, columns, 0, 0))

    def wait_for(self, said: bytes, after: int = 0) -> int:
        """Until that was said; how much was by then."""
        end = time.monotonic() + 20
        while said not in self.said[after:]:
            assert time.monotonic() < end, self.said
            time.sleep(0.01)
        return len(self.said)

    def go_on(self) -> None:
        assert self.process.stdin is not None
        self.process.stdin.write(b"\n")
        self.process.stdin.flush()

    def close(self) -> None:
        self.process.wait(20)
        self._thread.join(20)
        os.close(self.end)
        assert self.process.stdin is not None
        self.process.stdin.close()

    def _read(self) -> None:
        while True:
            try:
                found = os.read(self.end, 4096)
            except OSError:
                return
            if not found:
                return
            self.said += found


def drawn(said: bytes) -> list[str]:
    """What was drawn between two returns of the cursor."""
    return re.split(r"\r|\n|\x1b\[A|\x1b\[\d*[A-Z]", said.decode())


def test_on_a_terminal_each_gauge_keeps_a_line_that_fits_also_when_it_becomes_narrower():
    screen = Screen(120)
    screen.wait_for(b"MB/s")
    before = screen.wait_for(b"mirror")
    screen.resize(60)
    between = screen.wait_for(b"left", before + 1)
    screen.wait_for(b"mirror", between)
    screen.go_on()
    screen.wait_for(b"A remark.")
    screen.go_on()
    screen.wait_for(b"done")
    screen.close()
    assert screen.process.returncode == 0
    assert all(len(each) < 120 for each in drawn(screen.said))
    after_resize = screen.said[screen.said.index(b"\x1b[J") :]
    assert all(len(each) < 60 for each in drawn(after_resize))
    assert "A remark." in drawn(screen.said)
    # Nothing is left of the lines: the last thing on each is blanks.
    ending = drawn(screen.said[screen.said.rindex(b"bell") :])
    assert all(not each.strip() or each.strip() == "done" for each in ending[1:])
