"""Every means that a system may lack has a fallback, and the results are the same with it."""

from __future__ import annotations

import json
import os
import subprocess
import sys
import unicodedata
from pathlib import Path
from typing import Any

import pytest
from program.running import compare
from trees import HOUR, Tree, lantern_marsh

from verifier import system
from verifier.engine import Engine
from verifier.model import Sighting
from verifier.places.base import READ_ALONE_FROM, Look
from verifier.places.folder import FolderPlace
from verifier.reading import sightings
from verifier.walker import walk

PLAIN = {"VERIFIER_PLAIN_SYSTEM": "1"}
HAVING = {"VERIFIER_PLAIN_SYSTEM": ""}

has_means = pytest.mark.skipif(
    system.PLAIN or not system.READS_BELOW_FOLDER, reason="this system lacks the means"
)


# ---------------------------------------------------------------------------------- as a whole


def pair_with_faults(tmp_path: Path) -> tuple[Tree, Tree]:
    """A source with something of everything, and a mirror of it with something of every fault."""
    names = [f"flights/{number:03d}.jpg" for number in range(60)]
    source = lantern_marsh(tmp_path / "bench").files(*names, size=3_000)
    source.file("long.mov", READ_ALONE_FROM + 5).hard_link("long-too.mov", "long.mov")
    source.file(b"caf\xe9.txt", b"low tide").file("two\nlines", b"high tide")
    source.fifo("pipe").link("dangling", "nowhere").file("notes/2026.txt", 100)
    source.file("notes/caf\u00e9.txt", b"low tide, composed")
    mirror = source.copy_to(tmp_path / "vault")
    decomposed = unicodedata.normalize("NFD", "notes/caf\u00e9.txt")
    mirror.rename("notes/caf\u00e9.txt", decomposed).make_older("notes/2026.txt")
    mirror.flip_bit("flights/001.jpg", at=7).cut("flights/002.jpg", to=1_000)
    mirror.zero("flights/003.jpg", at=100, length=512).edit("flights/004.jpg")
    mirror.delete("flights/005.jpg").rename("flights/006.jpg", "orthos/moved.jpg")
    mirror.file("extra.txt", b"only here").delete("dangling").link("dangling", "elsewhere")
    mirror.flip_bit("long.mov", at=-1).delete("flights/007.jpg").fifo("flights/007.jpg")
    mirror.date("flights/008.jpg", date=1_777_888_000 + HOUR)
    return source, mirror


def without_times(document: dict[str, Any]) -> dict[str, Any]:
    return {
        key: value for key, value in document.items() if key not in ("started", "ended", "seconds")
    }


@has_means
@pytest.mark.parametrize("options", [(), ("--dates-only",), ("--past-cache",)], ids=str)
def test_a_comparison_without_any_means_says_the_same(tmp_path, options):
    source, mirror = pair_with_faults(tmp_path)
    with_means = compare(source, mirror, *options, environment=HAVING)
    without = compare(source, mirror, *options, environment=PLAIN)
    assert without_times(without.document) == without_times(with_means.document)
    assert without.status == with_means.status == 1
    assert len(without.findings) >= 6


# ---------------------------------------------------------------------------- one after another


def seen(tree: Tree, look: Look) -> list[Sighting]:
    place = FolderPlace.at_path(tree.root)
    with Engine([1], inline=True) as engine:
        return list(sightings(place, walk(place), engine.lanes[0], look, lambda: 1795557600.0))


@has_means
@pytest.mark.parametrize("look", [Look(), Look(content=False), Look(past_cache=True)])
@pytest.mark.parametrize(
    ("means", "lacking"),
    [
        ("READS_BELOW_FOLDER", False),
        ("_READS_INTO", False),
        ("_NO_ATIME", 0),
        ("PLAIN", True),
    ],
)
def test_a_tree_is_seen_the_same_without(tmp_path, monkeypatch, means, lacking, look):
    source, _ = pair_with_faults(tmp_path)
    with_means = seen(source, look)
    monkeypatch.setattr(system, means, lacking)
    assert seen(source, look) == with_means


def asked(expression: str, environment: dict[str, str]) -> Any:
    """What an expression about ``system`` gives in a process of its own."""
    script = f"import json\nfrom verifier import system\nprint(json.dumps({expression}))"
    ended = subprocess.run(
        [sys.executable, "-c", script],
        env={**os.environ, **environment},
        capture_output=True,
        text=True,
        check=True,
    )
    return json.loads(ended.stdout)


def test_the_variable_forces_every_fallback():
    assert asked(
        "[system.PLAIN, system.READS_BELOW_FOLDER, system._NO_FOLLOW, system._NO_ATIME, "
        "system._READS_INTO, system.drop_cached(0), system.expect_whole_read(0), "
        "system.die_with_parent(1), system.sync_folder(b'/tmp'), "
        "system.process_context().get_start_method(), system.KNOWS_CACHE, "
        "system.read_directly(0, True), system.cached_pages(0, 0, 10), system.io_pressure(), "
        "system.read_without_trace(0, []), system.CacheLook().has_all(0, 1), system.give_way(), "
        "system.machine(), system.other_names(b'/')]",
        PLAIN,
    ) == [
        *(True, False, 0, 0, False, False, False, False, False, "spawn"),
        *(False, False, None, None, None, False, [False, False], None, []),
    ]


def test_any_other_value_of_the_variable_forces_nothing():
    for value in ("", "0", "yes"):
        assert asked("system.PLAIN", {"VERIFIER_PLAIN_SYSTEM": value}) is False


# ------------------------------------------------------------------------------ the means alone


def opened(path: Path, folder: int | None = None) -> int:
    return system.open_to_read(os.fsencode(path), folder)


@has_means
def test_a_link_is_refused_when_it_is_opened_for_reading_or_as_a_folder(tmp_path):
    tree = Tree(tmp_path / "bench").file("a", 10).folder("b").link("c", "a").link("d", "b")
    with pytest.raises(OSError):
        opened(tree.root / "c")
    with pytest.raises(OSError):
        system.open_folder(tree.at("d"), None)
    os.close(system.open_folder(tree.at("b"), None))


def test_a_folder_is_opened_as_one_and_a_file_is_not(tmp_path):
    tree = Tree(tmp_path / "bench").file("a", 10)
    os.close(system.open_folder(os.fsencode(tree.root), None))
    with pytest.raises(NotADirectoryError):
        system.open_folder(tree.at("a"), None)


@has_means
def test_a_file_is_opened_relative_to_an_open_folder(tmp_path):
    tree = Tree(tmp_path / "bench").file("flights/a", b"raw")
    folder = system.open_folder(tree.at("flights"), None)
    descriptor = system.open_to_read(b"a", folder)
    assert os.read(descriptor, 10) == b"raw"
    os.close(descriptor)
    os.close(folder)


def test_a_descriptor_for_reading_cannot_write_and_is_closed_in_other_programs(tmp_path):
    tree = Tree(tmp_path / "bench").file("a", 10)
    descriptor = opened(tree.root / "a")
    try:
        with pytest.raises(OSError):
            os.write(descriptor, b"x")
        assert not os.get_inheritable(descriptor)
    finally:
        os.close(descriptor)


@pytest.mark.parametrize("reads_into", [True, False])
def test_reading_into_a_buffer_fills_what_is_there_and_ends_with_nothing(
    tmp_path, monkeypatch, reads_into
):
    if reads_into and not system._READS_INTO:
        pytest.skip("this system cannot")
    monkeypatch.setattr(system, "_READS_INTO", reads_into)
    tree = Tree(tmp_path / "bench").file("a", b"0123456789")
    descriptor, buffer = opened(tree.root / "a"), memoryview(bytearray(6))
    try:
        assert (system.read_into(descriptor, buffer), bytes(buffer)) == (6, b"012345")
        assert (system.read_blocks(descriptor, [buffer]), bytes(buffer)) == (4, b"678945")
        assert system.read_into(descriptor, buffer) == 0
    finally:
        os.close(descriptor)


@pytest.mark.skipif(not hasattr(os, "posix_fadvise") or system.PLAIN, reason="cannot be asked here")
def test_advice_on_what_is_no_file_does_no_harm(tmp_path):
    tree = Tree(tmp_path / "bench").file("a", 10)
    descriptor = opened(tree.root / "a")
    assert system.drop_cached(descriptor)
    assert system.expect_whole_read(descriptor)
    os.close(descriptor)
    reading, writing = os.pipe()
    assert not system.drop_cached(reading)
    assert not system.expect_whole_read(reading)
    os.close(reading)
    os.close(writing)


@pytest.mark.parametrize(
    ("platform", "path", "long"),
    [
        ("linux", b"/volumes/bench", b"/volumes/bench"),
        ("darwin", b"relative", b"relative"),
        ("win32", b"\\\\?\\C:\\bench", b"\\\\?\\C:\\bench"),
    ],
)
def test_a_long_path_is_given_in_the_form_that_the_system_takes(monkeypatch, platform, path, long):
    monkeypatch.setattr(sys, "platform", platform)
    assert system.long_path(path) == long


def test_a_folder_that_cannot_be_opened_is_not_synced(tmp_path):
    assert not system.sync_folder(os.fsencode(tmp_path / "nowhere"))
    assert system.sync_folder(os.fsencode(tmp_path)) is not system.PLAIN


def test_there_is_at_least_one_core():
    assert 1 <= system.cores() <= (os.cpu_count() or 1)
    if hasattr(os, "sched_getaffinity"):
        assert asked("system.cores()", HAVING) == len(os.sched_getaffinity(0))


@pytest.mark.skipif(sys.platform != "linux" or system.PLAIN, reason="only Linux can")
def test_a_process_that_was_told_so_ends_with_the_one_that_started_it():
    child = "from verifier import system; import os; "
    child += "os.write(1, b'%d' % system.die_with_parent(os.getppid())); "
    child += "os.close(1); import threading; threading.Event().wait(60)"
    parent = (
        "import subprocess, sys; child = subprocess.Popen([sys.executable, '-c', sys.argv[1]], "
    )
    parent += "stdout=subprocess.PIPE); told = child.stdout.read(); print(child.pid, told.decode())"
    ended = subprocess.run(
        [sys.executable, "-c", parent, child], capture_output=True, text=True, timeout=30
    )
    pid, told = ended.stdout.split()
    assert told == "1"
    assert has_ended(int(pid))


@pytest.mark.skipif(sys.platform != "linux" or system.PLAIN, reason="only Linux can")
def test_a_process_is_told_too_late_that_ends_with_one_that_has_ended_before():
    child = os.fork()
    if not child:
        system.die_with_parent(os.getpid())  # which is not the one that started it
        os._exit(0)
    assert os.waitstatus_to_exitcode(os.waitpid(child, 0)[1]) == 3


def has_ended(pid: int) -> bool:
    """Whether a process ends soon.  Nobody may wait for one that is not a child."""
    try:
        watched = os.pidfd_open(pid)
    except ProcessLookupError:
        return True
    import select

    try:
        return bool(select.select([watched], [], [], 20)[0])
    finally:
        os.close(watched)


# --------------------------------------------------------------------- making room for others


@has_means
@pytest.mark.skipif(sys.platform != "linux", reason="asks Linux")
def test_a_process_that_gives_way_is_idle_for_its_disks_and_the_last_for_its_processors():
    number = system._SET_DISK_PRIORITY[os.uname().machine] + 1  # ioprio_get follows ioprio_set
    assert asked(
        f"[system.give_way(), __import__('ctypes').CDLL(None).syscall({number}, 1, 0) >> 13, "
        "__import__('os').nice(0)]",
        HAVING,
    ) == [[True, True], 3, 19]


@pytest.mark.skipif(not os.path.exists("/proc/pressure/io"), reason="the kernel does not tell")
@has_means
def test_the_pressure_on_disks_is_a_share_of_the_time():
    pressure = system.io_pressure()
    assert pressure is not None
    assert 0 <= pressure <= 1


def test_memory_for_reading_directly_begins_at_a_page_and_is_this_process_s_alone():
    memory = system.page_aligned(3 * system.GRAIN)
    assert len(memory) == 3 * system.GRAIN
    memory[:4] = b"here"
    if not system.PLAIN and hasattr(os, "fork"):
        copy = os.fork()
        if not copy:
            memory[:4] = b"copy"
            os._exit(0)
        os.waitpid(copy, 0)
    assert bytes(memory[:4]) == b"here"
