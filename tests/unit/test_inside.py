"""A path lies inside another by its name, or by whatever name the system's mounts give it."""

from __future__ import annotations

import os
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest
from trees import Tree

from verifier import system
from verifier.inside import folders_around, lies_in

linux = pytest.mark.skipif(
    sys.platform != "linux" or system.PLAIN, reason="the system does not tell of its mounts"
)


def name(path: Path) -> bytes:
    return os.path.realpath(os.fsencode(path))


def number(path: Path) -> tuple[int, int]:
    found = os.stat(path)
    return found.st_dev, found.st_ino


@contextmanager
def bound(folder: Path, at: Path) -> Iterator[Path]:
    at.mkdir(parents=True)
    subprocess.run(["mount", "--bind", folder, at], check=True)
    try:
        yield at
    finally:
        subprocess.run(["umount", "-l", at], check=True)


@pytest.mark.parametrize(
    ("inner", "outer", "inside"),
    [
        ("bench", "bench", True),
        ("bench/notes", "bench", True),
        ("bench", "bench/notes", False),
        ("bench-2", "bench", False),
        ("vault", "bench", False),
        ("bench/not/there/yet", "bench", True),
        ("vault/not/there/yet", "bench", False),
        ("bench", "not/there", False),
    ],
)
def test_by_names(tmp_path: Path, inner: str, outer: str, inside: bool) -> None:
    for each in ("bench/notes", "bench-2", "vault"):
        (tmp_path / each).mkdir(parents=True)
    assert lies_in(name(tmp_path / inner), name(tmp_path / outer)) is inside


def test_the_folders_around_one_are_those_that_hold_it_the_nearest_first(tmp_path: Path) -> None:
    deep = tmp_path / "bench" / "notes"
    deep.mkdir(parents=True)
    found = folders_around(name(deep))
    assert found[:3] == [number(deep), number(deep.parent), number(tmp_path)]
    assert found[-1] == number(Path("/"))
    assert folders_around(name(deep / "not" / "there")) == found


# Fails when a folder is looked for under the one name by which it was given.
@linux
@pytest.mark.root
def test_through_mounts(tmp_path: Path) -> None:
    bench = Tree(tmp_path / "bench").folder("2026-014-harbour-wall/notes").root
    project = bench / "2026-014-harbour-wall"
    with (
        bound(project, tmp_path / "mounted" / "project") as mounted,
        bound(bench, tmp_path / "mounted" / "all") as everything,
    ):
        for inner, outer, inside in (
            (mounted, bench, True),
            (mounted, project, True),
            (project, mounted, True),
            (mounted / "notes", bench, True),
            (mounted / "not" / "there", bench, True),
            (project / "notes", mounted, True),
            (mounted, everything, True),
            (bench, mounted, False),
            (everything, bench, True),
            (bench, everything, True),
            (tmp_path / "mounted", bench, False),
        ):
            assert lies_in(name(inner), name(outer)) is inside, (inner, outer)


# Fails when what the system says of its mounts is believed unseen: two folders of one server, each
# mounted by itself, are then one, since each mount is said to show the top of it.
@linux
def test_two_mounts_that_are_said_to_show_the_same_are_looked_at(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    bench, vault = (Tree(tmp_path / each).folder("notes").root for each in ("bench", "vault"))
    (vault / "more").mkdir()
    told = tmp_path / "mountinfo"
    told.write_text(
        "".join(
            f"{id} 1 0:45 / {point} rw,relatime shared:1 - nfs4 server:{point.name} rw\n"
            for id, point in ((30, bench), (31, vault))
        )
    )
    monkeypatch.setattr(system, "MOUNTS", str(told))
    assert system.other_names(name(bench)) == [name(vault)]
    assert system.other_names(name(vault / "notes")) == [name(bench / "notes")]
    for inner in ("bench", "bench/notes", "bench/not/there"):
        assert not lies_in(name(tmp_path / inner), name(vault)), inner
    for inner in ("vault", "vault/notes", "vault/more"):
        assert not lies_in(name(tmp_path / inner), name(bench)), inner


@linux
@pytest.mark.parametrize(
    ("path", "others"),
    [
        ("/volumes/bench", ["/", "/mnt/bench x"]),
        ("/volumes/bench/notes/a", ["/notes/a", "/mnt/bench x/notes/a"]),
        ("/mnt/bench x/notes", ["/volumes/bench/notes", "/notes"]),
        ("/mnt/vault", ["/mnt/vault-again"]),  # the later mount at one point hides the earlier
        ("/mnt/vault/notes/plan", ["/mnt/vault-again/notes/plan", "/mnt/notes/plan"]),
        ("/elsewhere", ["/volumes/bench/elsewhere", "/mnt/bench x/elsewhere"]),
    ],
)
def test_the_names_that_mounts_give_a_path(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, path: str, others: list[str]
) -> None:
    lines = (
        (20, "8:1", "/current", "/"),
        (21, "8:1", "/current", "/volumes/bench"),
        (22, "8:1", "/current", "/mnt/bench\\040x"),
        (23, "8:1", "/vault", "/mnt/vault"),
        (24, "8:2", "/vault", "/mnt/vault"),
        (25, "8:2", "/vault", "/mnt/vault-again"),
        (26, "8:2", "/vault/notes", "/mnt/notes"),
        (27, "8:2", "/vault-2", "/mnt/vault-2"),
    )
    told = tmp_path / "mountinfo"
    told.write_text(
        "".join(
            f"{id} 1 {device} {root} {point} rw - ext4 /dev/x rw\n"
            for id, device, root, point in lines
        )
    )
    monkeypatch.setattr(system, "MOUNTS", str(told))
    assert set(map(os.fsdecode, system.other_names(os.fsencode(path)))) == set(others)
