"""Every planted fault is found, with its cause and side, and nothing else is reported."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import NamedTuple

import pytest
from trees import Tree

from program.planted import FAULTS, Expected, Fault, Planted
from program.running import Outcome, compare, manifest

SIZES = {"a byte": 1, "small": 5_000, "middling": 300_000, "large": 9_500_000, "huge": 70_000_000}

HUGE_ONES = {"a bit flipped in the middle", "a 64 KiB block zero-filled", "cut to a third"}
"""Faults planted in files of several segments, too: a few, since each takes its second."""


def fits(fault: Fault, size: str) -> bool:
    return SIZES[size] >= fault.room and (size != "huge" or fault.name in HUGE_ONES)


CASES = [
    pytest.param(fault, size, id=f"{fault.name} in a {size} file".replace("a a ", "a "))
    for fault in FAULTS
    for size in SIZES
    if fits(fault, size)
]


def place_of(fault: Fault, size: str) -> Planted:
    path = f"flights/{size}/{fault.name}.laz"
    if fault.renames:
        return Planted(path, f"point-clouds/{size}/{fault.name}.new.laz")
    return Planted(path, f"{path}.other" if fault.needs_other else None)


class Planting(NamedTuple):
    """All faults in one tree, and what the comparison says of it."""

    side: str
    baseline: bool
    outcome: Outcome

    def expected(self, fault: Fault, size: str) -> Expected:
        return fault.says(place_of(fault, size), self.side, self.baseline)


@pytest.fixture(
    scope="module",
    params=["source", "mirror"],
    ids=["on the source", "on the mirror"],
)
def planted(
    request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory
) -> Iterator[tuple[str, Path, Path, Path]]:
    side = request.param
    folder = tmp_path_factory.mktemp("planted")
    source = Tree(folder / "bench")
    for fault, size in ((each.values[0], each.values[1]) for each in CASES):
        planted = place_of(fault, size)
        source.file(planted.path, SIZES[size])
        if fault.needs_other:
            source.file(planted.other or "", SIZES[size])
        source.file(f"unharmed/{size}/{fault.name}", 100)
    mirror = source.copy_to(folder / "vault")
    agreed = manifest(source, folder / "agreed.manifest.gz")
    tree = source if side == "source" else mirror
    for fault, size in ((each.values[0], each.values[1]) for each in CASES):
        fault.plant(tree, place_of(fault, size))
    yield side, source.root, mirror.root, agreed


@pytest.fixture(scope="module", params=[False, True], ids=["without a baseline", "with a baseline"])
def planting(request: pytest.FixtureRequest, planted: tuple[str, Path, Path, Path]) -> Planting:
    side, source, mirror, agreed = planted
    options = ("--baseline", agreed) if request.param else ()
    return Planting(side, request.param, compare(source, mirror, *options))


@pytest.mark.parametrize(("fault", "size"), CASES)
def test_it_is_found_with_its_cause_and_side(planting: Planting, fault: Fault, size: str) -> None:
    found = planting.outcome.findings
    expected = planting.expected(fault, size)
    assert {path: found.get(path) for path in expected} == expected


def test_nothing_else_is_reported(planting: Planting) -> None:
    expected: Expected = {}
    for fault, size in ((each.values[0], each.values[1]) for each in CASES):
        expected |= planting.expected(fault, size)
    assert set(planting.outcome.findings) == set(expected)
    assert planting.outcome.status == 1
