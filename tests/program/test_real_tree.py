"""A copy of what stands on this very machine: all matched, then each of many faults found."""

from __future__ import annotations

import os
import random
import stat
import subprocess
import sysconfig
from pathlib import Path
from typing import Final, NamedTuple

import pytest
from trees import Tree

from program.planted import FAULTS, Expected, Planted
from program.running import compare

SEED: Final = 20261124
EACH_FAULT: Final = 3

STRATA: Final = (1, 100, 1_000, 10_000, 100_000, 1_000_000, 1 << 40)
"""Sizes between which faults are spread, so that no size of file is left out."""


class Copied(NamedTuple):
    """A tree that holds what this machine happens to hold, and its ``cp -a`` copy."""

    source: Path
    mirror: Path
    options: tuple[str, ...]


@pytest.fixture(scope="module", params=["lib", "share"])
def copied(request: pytest.FixtureRequest, large_tmp: Path) -> Copied:
    source = Path("/usr/share" if request.param == "share" else sysconfig.get_path("stdlib"))
    # Python itself may write compiled modules into its library while the tests run.
    options = ("--ignore", "__pycache__") if request.param == "lib" else ()
    if not source.is_dir():
        pytest.skip(f"this machine has no {source}")
    mirror = large_tmp / request.param
    copy = ["cp", "-a", "--", source, mirror]
    run = subprocess.run(copy, capture_output=True, text=True)
    if run.returncode:
        pytest.skip(f"{source} cannot be copied whole: {run.stderr.splitlines()[0]}")
    return Copied(source, mirror, options)


def test_a_copy_is_all_matched(copied: Copied) -> None:
    outcome = compare(copied.source, copied.mirror, *copied.options)
    assert outcome.findings == {}
    assert outcome.status == 0
    counts = outcome.document["counts"]
    assert counts["matched"] == sum(counts.values()) > 100


def test_each_of_many_faults_is_found_and_nothing_else(copied: Copied) -> None:
    tree = Tree(copied.mirror)
    chance = random.Random(SEED)
    files = _files_by_size(tree.root)
    on_mirror: Expected = {}
    on_source: Expected = {}
    kinds: set[str] = set()
    for fault in FAULTS * EACH_FAULT:
        planted = _somewhere(files, fault.room, chance, fault.needs_other, tree)
        if planted is None:
            continue
        if fault.renames:
            planted = Planted(planted.path, f"{planted.path} {fault.name} {len(on_mirror)}")
        fault.plant(tree, planted)
        kinds.add(fault.name)
        on_mirror |= fault.says(planted, "mirror", False)
        on_source |= fault.says(planted, "source", False)
    assert len(on_mirror) >= 40
    assert len(kinds) >= 15
    assert compare(copied.source, copied.mirror, *copied.options).findings == on_mirror
    # The same two trees the other way round: now the faults are the source's.
    assert compare(copied.mirror, copied.source, *copied.options).findings == on_source


def _files_by_size(root: Path) -> list[list[str]]:
    """Paths of files with one name only, for each stratum, in an order that is always the same."""
    files: list[list[str]] = [[] for _ in STRATA]
    for folder, folders, names in os.walk(root):
        folders[:] = sorted(set(folders) - {"__pycache__"})
        for name in sorted(names):
            path = os.path.join(folder, name)
            found = os.lstat(path)
            if stat.S_ISREG(found.st_mode) and found.st_nlink == 1 and found.st_size:
                stratum = next(at for at, bound in enumerate(STRATA) if found.st_size <= bound)
                files[stratum].append(os.path.relpath(path, root))
    return files


def _somewhere(
    files: list[list[str]], room: int, chance: random.Random, pair: bool, tree: Tree
) -> Planted | None:
    """A file that has no fault yet and room for one, or two of one size and other contents."""
    for _ in range(500):
        large_enough = zip(STRATA, files, strict=True)
        strata = [each for bound, each in large_enough if each and bound > room]
        if not strata:
            break
        stratum = chance.choice(strata)
        path = stratum.pop(chance.randrange(len(stratum)))
        if not _takes(tree, path, room):
            continue
        if not pair:
            return Planted(path)
        size, held = tree.size(path), tree.read(path)
        for other in stratum:
            if tree.size(other) == size and tree.read(other) != held:
                stratum.remove(other)
                return Planted(path, other)
    return None


def _takes(tree: Tree, path: str, room: int) -> bool:
    """Whether a fault in ``path`` shows: no twin elsewhere may be taken for it, no zeros."""
    if tree.size(path) < room or not path.isascii():
        return False
    held = tree.read(path)
    return any(held[: room or 1]) and any(held[-1:]) and any(held[: len(held) // 2])
