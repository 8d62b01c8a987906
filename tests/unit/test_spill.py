"""Values come back sorted however many of them fit in memory, and a full disk is said."""

from __future__ import annotations

import subprocess
import tempfile
from collections.abc import Iterator
from contextlib import closing, suppress
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from msgspec import Struct

from verifier import spill
from verifier.errors import OutputFailed
from verifier.model import Kind, Sighting, Trouble
from verifier.spill import SortedSpill

often = settings(max_examples=100, deadline=None, database=None)


class Name(Struct, frozen=True):
    """A path and a number."""

    path: bytes
    number: int


def by_path(name: Name) -> bytes:
    return name.path


values = st.lists(
    st.builds(Name, st.binary(max_size=3), st.integers(-(2**63), 2**64 - 1)), max_size=40
)


@often
@given(values, st.integers(1, 45), st.integers(1, 10))
def test_any_values_come_back_sorted_whatever_fits_in_memory(given_in, in_memory, frame):
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(spill, "FRAME", frame)
        with closing(SortedSpill(Name, by_path, in_memory)) as kept:
            for value in given_in:
                kept.add(value)
            back = list(kept)
            assert [value.path for value in back] == sorted(value.path for value in given_in)
            assert sorted(back, key=repr) == sorted(given_in, key=repr)
            assert len(kept) == len(given_in)


@often
@given(values, values, st.integers(1, 45))
def test_values_that_come_many_at_once_are_kept_like_those_that_come_singly(one, more, in_memory):
    with (
        closing(SortedSpill(Name, by_path, in_memory)) as singly,
        closing(SortedSpill(Name, by_path, in_memory)) as at_once,
    ):
        for value in (*one, *more):
            singly.add(value)
        for several in (one, more):
            at_once.extend(iter(several))
        assert list(at_once) == list(singly)
        assert len(at_once) == len(singly)


@pytest.mark.parametrize("in_memory", [3, 100])
def test_values_are_given_back_as_often_as_asked_even_side_by_side(in_memory):
    with closing(SortedSpill(Name, by_path, in_memory)) as kept:
        for number in (5, 3, 8, 1, 9, 2, 7):
            kept.add(Name(b"%d" % number, number))
        one, other = iter(kept), iter(kept)
        assert next(one).number == 1
        assert [value.number for value in other] == [1, 2, 3, 5, 7, 8, 9]
        assert [value.number for value in one] == [2, 3, 5, 7, 8, 9]


def test_more_values_may_come_after_some_were_given_back():
    with closing(SortedSpill(Name, by_path, 2)) as kept:
        for number in (5, 3, 4):
            kept.add(Name(b"%d" % number, number))
        assert [value.number for value in kept] == [3, 4, 5]
        kept.add(Name(b"1", 1))
        assert [value.number for value in kept] == [1, 3, 4, 5]


def test_a_sighting_with_everything_in_it_comes_back_as_it_was():
    full = Sighting(
        b"caf\xe9\n",
        Kind.FILE,
        2**63 - 1,
        -5,
        7,
        8,
        9,
        3,
        bytes(32),
        (bytes(16), b"\xff" * 16),
        b"\xff",
        1795557600,
        Trouble("input-output-error", "The system said: Input/output error (EIO)."),
    )
    bare = Sighting(b"", Kind.LINK, 0, 0)
    with closing(SortedSpill(Sighting, lambda sighting: sighting.path, 1)) as kept:
        kept.add(full)
        kept.add(bare)
        assert list(kept) == [bare, full]


def test_what_fits_in_memory_touches_no_disk(monkeypatch, tmp_path):
    monkeypatch.setattr(tempfile, "tempdir", str(tmp_path / "nowhere"))
    with closing(SortedSpill(Name, by_path, 4)) as kept:
        for number in (3, 1, 2):
            kept.add(Name(b"%d" % number, number))
        assert [value.number for value in kept] == [1, 2, 3]


def test_what_is_spilled_leaves_no_name_behind(monkeypatch, tmp_path):
    monkeypatch.setattr(tempfile, "tempdir", str(tmp_path))
    with closing(SortedSpill(Name, by_path, 1)) as kept:
        kept.add(Name(b"a", 1))
        assert list(tmp_path.iterdir()) == []
        assert len(list(kept)) == 1


def test_a_closed_spill_is_empty():
    kept = SortedSpill(Name, by_path, 1)
    kept.add(Name(b"a", 1))
    kept.close()
    assert list(kept) == []
    kept.close()


def test_a_temporary_folder_that_is_missing_is_named_with_what_to_do(monkeypatch, tmp_path):
    monkeypatch.setattr(tempfile, "tempdir", str(tmp_path / "nowhere"))
    kept = SortedSpill(Name, by_path, 1)
    with pytest.raises(OutputFailed, match=r"nowhere could not be written .*set TMPDIR"):
        kept.add(Name(b"a", 1))


@pytest.fixture
def small_disk(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Path]:
    """A temporary folder with room for 64 KiB."""
    folder = tmp_path / "disk"
    folder.mkdir()
    mount = ["mount", "-t", "tmpfs", "-o", "size=64k", "tmpfs", str(folder)]
    mounted = subprocess.run(mount, capture_output=True, text=True)
    if mounted.returncode != 0:
        pytest.skip(f"no small disk can be mounted here: {mounted.stderr.strip()}")
    monkeypatch.setattr(tempfile, "tempdir", str(folder))
    yield folder
    subprocess.run(["umount", str(folder)], check=True)


def fill(kept: SortedSpill[Name]) -> None:
    for number in range(100_000):
        kept.add(Name(b"%08d" % number, number))


@pytest.mark.root
def test_a_full_temporary_folder_is_named_with_what_to_do(small_disk):
    kept = SortedSpill(Name, by_path, 500)
    with pytest.raises(OutputFailed, match=r"disk could not be written \(No space left"):
        fill(kept)
    with suppress(OSError):  # see the test below
        kept.close()
    kept.close()


@pytest.mark.root
def test_the_error_of_a_full_temporary_folder_is_still_there_after_closing(small_disk):
    with pytest.raises(OutputFailed), closing(SortedSpill(Name, by_path, 10)) as kept:
        fill(kept)  # in runs that fit in the file's buffer, which closing tries to write again
