"""A far end serves one folder, read-only, and stops by itself, whoever speaks to it."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest
from trees import Tree, lantern_marsh

from verifier import __version__, system
from verifier.engine import BellRang
from verifier.far_end import watching
from verifier.far_end.watching import FarWatch
from verifier.model import Trouble
from verifier.places.base import Look
from verifier.places.far import messages as say

WAIT = 30.0


class FarEnd:
    """A far end, spoken to frame by frame."""

    def __init__(self, *options: str) -> None:
        self.process = subprocess.Popen(
            [sys.executable, "-m", "verifier", "far-end", *options],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            bufsize=0,
        )
        assert self.process.stdin is not None
        assert self.process.stdout is not None
        self.stdin, self.stdout = self.process.stdin, self.process.stdout
        self._frames = say.Frames()
        while (version := self._frames.greeting()) is None:
            self._more()
        assert version == __version__

    def _more(self) -> None:
        more = os.read(self.stdout.fileno(), 1 << 20)
        assert more, "it ended"
        self._frames.add(more)

    def send(self, value: say.FromHere) -> None:
        self.stdin.write(say.framed(value))

    def hear(self) -> say.FromThere:
        while (frame := self._frames.next()) is None:
            self._more()
        return say.from_there(frame)

    def ask(self, question: say.Question) -> list[say.FromThere]:
        """The whole answer."""
        self.send(question)
        heard = [self.hear()]
        while not isinstance(heard[-1], say.Done | say.Failed | say.Gone | say.Broke | say.Refused):
            heard.append(self.hear())
        return heard

    def serves(self, root: Path) -> FarEnd:
        assert isinstance(self.ask(say.Open(os.fsencode(root)))[0], say.Opened)
        return self


@contextmanager
def far_end(*options: str) -> Iterator[FarEnd]:
    started = FarEnd(*options)
    try:
        yield started
    finally:
        started.process.kill()
        started.process.wait()
        started.stdin.close()
        started.stdout.close()


@pytest.fixture
def tree(tmp_path: Path) -> Tree:
    return lantern_marsh(tmp_path / "volumes" / "vault")


def huge(tree: Tree) -> bytes:
    tree.file("huge.laz")
    os.truncate(tree.root / "huge.laz", 200 << 30)
    return b"huge.laz"


# ------------------------------------------------------------------------ nothing outside of it


# Fails when `_is_in` is not asked, or asked before links are followed.
@pytest.mark.parametrize(
    ("root", "why"),
    [
        ("volumes/vault", None),
        ("volumes/vault/2026-014-harbour-wall", None),
        ("volumes/vault/2026-014-harbour-wall/latest", None),
        ("volumes", say.Why.OUTSIDE),
        ("volumes/vault-2", say.Why.OUTSIDE),
        ("volumes/vault/..", say.Why.OUTSIDE),
        ("volumes/vault/out", say.Why.OUTSIDE),
        ("volumes/vault/out/deeper", say.Why.OUTSIDE),
        ("nowhere", say.Why.OUTSIDE),
        ("volumes/vault/nowhere", say.Why.MISSING),
        ("volumes/vault/plain.txt", say.Why.NO_FOLDER),
        ("volumes/vault/plain.txt/x", say.Why.MISSING),
    ],
)
def test_no_root_outside_of_the_one_folder_is_served(
    tree: Tree, tmp_path: Path, root: str, why: say.Why | None
) -> None:
    tree.file("plain.txt", 1).link("out", "../vault-2")
    Tree(tmp_path / "volumes/vault-2").file("deeper/secret", 1)
    with far_end("--root", str(tree.root)) as far:
        answer = far.ask(say.Open(os.fsencode(tmp_path / root)))[0]
    assert (answer.why if isinstance(answer, say.Refused) else None) == why


@pytest.mark.parametrize(
    "path",
    [b"../secret", b"a/../../secret", b"/etc/hostname", b"..", b".", b"a//b", b"a/", b"a\0b"],
)
def test_no_path_leads_out_of_the_root(tree: Tree, tmp_path: Path, path: bytes) -> None:
    (tmp_path / "volumes/secret").write_text("kept")
    tree.folder("a")
    terms = say.Terms()
    with far_end() as far:
        far.serves(tree.root)
        for question in (
            say.ReadAlone(path, Look(), terms),
            say.ReadPiece(path, 0, terms),
            say.TryReading(path, 10, 1.0, terms),
            say.LookAt([b"a", path], [], Look(), terms),
            say.OpenFile(path),
            say.ListFolder(path, False),
            say.ListFolder(path, True),
            say.Tell(path),
            say.LeadsInto(path, b"x", b"y"),
        ):
            [answer] = far.ask(question)
            assert isinstance(answer, say.Gone), question
            assert "is no path below a root" in answer.sentence


def test_no_link_on_the_way_to_a_file_is_followed(tree: Tree, tmp_path: Path) -> None:
    Tree(tmp_path / "elsewhere").file("secret", b"kept")
    tree.link("out", str(tmp_path / "elsewhere")).link("file", str(tmp_path / "elsewhere/secret"))
    with far_end() as far:
        far.serves(tree.root)
        for path in (b"out/secret", b"file"):
            [answer] = far.ask(say.OpenFile(path))
            assert isinstance(answer, say.Failed)
            seen = far.ask(say.ReadAlone(path, Look(), say.Terms()))[0]
            assert isinstance(seen, say.Sightings)
            assert seen.found[0].digest is None


def test_a_question_before_any_root_is_answered_and_no_more(tree: Tree) -> None:
    with far_end() as far:
        assert isinstance(far.ask(say.Walk((), None, None, say.Terms()))[0], say.Gone)
        far.serves(tree.root)


def test_more_than_a_far_end_gives_at_once_is_refused(tree: Tree) -> None:
    tree.file("a", 10)
    with far_end() as far:
        far.serves(tree.root)
        far.ask(say.OpenFile(b"a"))
        for offset, length in ((0, say.LONGEST_RANGE + 1), (-1, 5), (0, -1)):
            assert isinstance(far.ask(say.ReadRange(offset, length))[0], say.Gone)


# ------------------------------------------------------------------------------- it stops


# Fails when the bell is not looked at while it waits to be allowed more: `check` in `allow`.
def test_it_stops_at_its_bell_in_the_middle_of_a_file(tree: Tree) -> None:
    path = huge(tree)
    with far_end() as far:
        far.serves(tree.root)
        heard = far.ask(say.ReadAlone(path, Look(), say.Terms(bell_in=0.3)))
    last = heard[-1]
    assert isinstance(last, say.Done)
    assert last.rang
    read = sum(each.read for each in heard if isinstance(each, say.Progress | say.Done))
    assert 0 < read < 200 << 30


# Fails without `_end_late` in watching.py: it waits for ever for somebody to take what it says.
def test_it_stops_at_its_bell_though_nobody_hears_it_any_more(tree: Tree) -> None:
    tree.files(*(f"flights/{number:04d}" for number in range(3000)), size=0)
    with far_end() as far:
        far.serves(tree.root)
        far.send(say.Walk((), None, None, say.Terms(bell_in=0.3)))
        assert far.process.wait(WAIT) == 0


# Fails without `rest` in watching.py: a link that is gone without a word keeps it for hours.
def test_it_ends_at_its_bell_though_nobody_asks_for_anything(tree: Tree) -> None:
    with far_end() as far:
        far.serves(tree.root)
        assert isinstance(far.ask(say.Walk((), None, None, say.Terms(bell_in=2.0)))[-1], say.Done)
        assert far.process.wait(WAIT) == 0


# Fails without `telling` in watching.py: what is asked under no bell of its own kept it for hours.
def test_it_ends_at_the_bell_of_before_though_nobody_takes_a_list(tree: Tree) -> None:
    tree.files(*(f"flights/{number:0200d}" for number in range(3000)), size=0)
    with far_end() as far:
        far.serves(tree.root)
        assert isinstance(far.ask(say.Walk((), None, None, say.Terms(bell_in=4.0)))[-1], say.Done)
        far.send(say.ListFolder(b"flights", dated=False))
        assert far.process.wait(WAIT) == 0


def test_it_ends_with_the_link_in_the_middle_of_a_file(tree: Tree) -> None:
    path = huge(tree)
    with far_end() as far:
        far.serves(tree.root)
        far.send(say.ReadAlone(path, Look(), say.Terms()))
        assert isinstance(far.hear(), say.Progress)
        far.stdin.close()
        assert far.process.wait(WAIT) == 0


def test_it_ends_when_somebody_else_speaks(tree: Tree) -> None:
    for said in (b"GET / HTTP/1.1\r\n\r\n", b"\xff\xff\xff\xff", b"\0\0\0\1\xc1"):
        with far_end() as far:
            far.serves(tree.root)
            far.stdin.write(said)
            assert far.process.wait(WAIT) == 0


def test_a_signal_ends_it(tree: Tree) -> None:
    with far_end() as far:
        far.serves(tree.root)
        far.process.send_signal(signal.SIGTERM)
        far.process.wait(WAIT)


# Fails when bytes that were allowed and never read are not given back: it waits for ever.
def test_what_was_allowed_and_not_read_is_not_lost(tree: Tree) -> None:
    rate = 2e6  # of which a far end may read ahead a twentieth of a second: 100 KB
    for number in range(60):
        tree.file(f"denied-{number:02d}", 50_000)
    terms = say.Terms(bytes_per_second=rate)
    with far_end() as far:
        far.serves(tree.root)
        for number in range(60):
            far.send(say.TryReading(b"denied-%02d" % number, 90_000, 60.0, terms))
            read = 0
            while not isinstance(answer := far.hear(), say.Done):
                if isinstance(answer, say.Progress):
                    read += answer.read
            read += answer.read
            assert read == 50_000
            far.send(say.Allow(read))


def test_a_person_who_starts_it_is_told_what_it_is_for() -> None:
    pty = pytest.importorskip("pty")
    main, terminal = pty.openpty()
    run = subprocess.run(
        [sys.executable, "-m", "verifier", "far-end"],
        stdin=terminal,
        capture_output=True,
        text=True,
        timeout=60,
    )
    os.close(main)
    os.close(terminal)
    assert run.returncode == 2
    assert run.stderr.startswith("far-end is started over SSH by a verifier on another machine")
    assert run.stdout == ""


# -------------------------------------------------------------------------------- its watch


def test_it_holds_while_others_need_the_disks_there(monkeypatch: pytest.MonkeyPatch) -> None:
    pressure, asked = [0.9], threading.Event()

    def pressed() -> float:
        asked.set()
        return pressure[0]

    monkeypatch.setattr(system, "io_pressure", pressed)
    monkeypatch.setattr(watching, "PRESSURE_EVERY", 0.0)
    watch = FarWatch(lambda said: None)
    watch.begin(say.Terms(yield_above=0.2))
    granted: list[int] = []
    thread = threading.Thread(target=lambda: granted.append(watch.allow(1000)))
    thread.start()
    assert asked.wait(WAIT)
    thread.join(0.3)
    assert granted == []
    pressure[0] = 0.0
    thread.join(WAIT)
    assert granted == [1000]


def test_a_bell_in_the_past_rings_at_once() -> None:
    watch = FarWatch(lambda said: None)
    watch.change(say.Terms(bell_in=0.0))
    with pytest.raises(BellRang):
        watch.allow(1)
    watch.change(say.Terms(bell_in=1e9))
    assert watch.allow(1) == 1


@pytest.mark.parametrize("clock", ["time", "monotonic"])
def test_neither_a_clock_that_is_set_nor_one_that_stood_still_makes_a_bell_late(
    clock: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    watch = FarWatch(lambda said: None)
    watch.change(say.Terms(bell_in=3600.0))
    watch.check()
    now = getattr(watching.time, clock)
    monkeypatch.setattr(watching.time, clock, lambda: now() + 3601)
    with pytest.raises(BellRang):
        watch.check()


def test_parking_is_told_and_ends_with_a_later_bell_only() -> None:
    told: list[say.FromThere] = []
    parked = threading.Event()

    def tell(said: say.FromThere) -> None:
        told.append(said)
        if isinstance(said, say.Parked):
            parked.set()

    watch = FarWatch(tell)
    watch.begin(say.Terms(bell_in=0.0, outlives_bell=True))
    watch.has_read(5)
    thread = threading.Thread(target=watch.park)
    thread.start()
    assert parked.wait(WAIT)
    watch.change(say.Terms(bell_in=0.0, outlives_bell=True))
    thread.join(0.2)
    assert thread.is_alive()
    watch.change(say.Terms(outlives_bell=True))
    thread.join(WAIT)
    assert not thread.is_alive()
    assert told == [say.Progress(5), say.Parked()]


def test_a_trouble_and_every_other_value_survive_the_way() -> None:
    tried = say.Tried(Trouble("input-output-error", "It failed."))
    assert say.from_there(say.framed(tried)[4:]) == tried
    frames = say.Frames()
    frame = say.framed(say.Allow(7))
    for byte in frame[:-1]:
        frames.add(bytes([byte]))
        assert frames.next() is None
    frames.add(frame[-1:])
    assert frames.next() == frame[4:]
    frames.add((say.LONGEST_FRAME + 1).to_bytes(4, "big"))
    with pytest.raises(say.Garbled):
        frames.next()
