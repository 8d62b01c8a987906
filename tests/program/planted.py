"""The faults that tests plant, and what a comparison must say of each, by side and baseline."""

from __future__ import annotations

from collections.abc import Callable
from typing import Final, NamedTuple

from trees import SECTOR, Tree

Said = tuple[str, str | None, str | None, str | None]
"""Verdict, cause, side, and the path of the other end of a move."""

Expected = dict[str, Said]

BLOCK: Final = 64 * 1024


class Planted(NamedTuple):
    """Where a fault was planted; ``other`` is the second path of a swap, the new one of a move."""

    path: str
    other: str | None = None


class Fault(NamedTuple):
    """A kind of fault.

    ``plant`` puts it into a path of a tree; ``says`` tells what must be found for a side and,
    with a baseline or without.  ``room`` is the smallest file that can take it.
    """

    name: str
    plant: Callable[[Tree, Planted], object]
    says: Callable[[Planted, str, bool], Expected]
    room: int = 1
    needs_other: bool = False
    renames: bool = False


def _content_only(cause_without: str = "differs") -> Callable[[Planted, str, bool], Expected]:
    """A content that changed while size and date did not."""

    def says(planted: Planted, side: str, baseline: bool) -> Expected:
        if baseline:
            said: Said = ("corrupt", "rot", side, None)
        elif cause_without == "zero-filled":
            said = ("corrupt", "zero-filled", side, None)
        else:
            said = ("corrupt", "differs", "unknown", None)
        return {path: said for path in planted if path is not None}

    return says


def _cut(planted: Planted, side: str, baseline: bool) -> Expected:
    if baseline or side == "mirror":
        return {planted.path: ("corrupt", "truncated", side, None)}
    return {planted.path: ("corrupt", "differs", "unknown", None)}


def _extended(planted: Planted, side: str, baseline: bool) -> Expected:
    if baseline:
        return {planted.path: ("corrupt", "altered", side, None)}
    if side == "source":  # without an agreement the longer source looks whole, the mirror cut
        return {planted.path: ("corrupt", "truncated", "mirror", None)}
    return {planted.path: ("corrupt", "differs", "unknown", None)}


def _resized(planted: Planted, side: str, baseline: bool) -> Expected:
    if baseline:
        return {planted.path: ("corrupt", "altered", side, None)}
    return {planted.path: ("corrupt", "differs", "unknown", None)}


def _older(planted: Planted, side: str, baseline: bool) -> Expected:
    """An earlier version with its own, earlier date."""
    if side == "mirror":
        said: Said = ("stale", "older-version", "mirror", None)
        if baseline:  # a baseline knows one version only, so this is none that was agreed on
            said = ("corrupt", "altered", "mirror", None)
    elif baseline:  # the source's date changed, which is what an edit looks like
        said = ("stale", "older-version", "mirror", None)
    else:
        said = ("corrupt", "newer-on-mirror", "unknown", None)
    return {planted.path: said}


def _edited(planted: Planted, side: str, baseline: bool) -> Expected:
    if side == "source":
        return {planted.path: ("stale", "older-version", "mirror", None)}
    if baseline:
        return {planted.path: ("corrupt", "altered", "mirror", None)}
    return {planted.path: ("corrupt", "newer-on-mirror", "unknown", None)}


def _gone(planted: Planted, side: str, baseline: bool) -> Expected:
    if side == "source":
        return {planted.path: ("orphaned", "deleted-at-source", "mirror", None)}
    return {planted.path: ("missing", "never-copied", "mirror", None)}


def _added(planted: Planted, side: str, baseline: bool) -> Expected:
    assert planted.other is not None
    return _gone(Planted(planted.other), "mirror" if side == "source" else "source", baseline)


def _moved(planted: Planted, side: str, baseline: bool) -> Expected:
    old, new = planted
    assert new is not None
    missing, orphan = (new, old) if side == "source" else (old, new)
    return {
        missing: ("missing", "moved", "mirror", orphan),
        orphan: ("orphaned", "moved", "mirror", missing),
    }


def _now_a_link(planted: Planted, side: str, baseline: bool) -> Expected:
    return {planted.path: ("corrupt", "kind-changed", side if baseline else "unknown", None)}


FAULTS: Final = (
    Fault(
        "the first bit flipped",
        lambda tree, to: tree.flip_bit(to.path),
        _content_only(),
    ),
    Fault(
        "the last bit flipped",
        lambda tree, to: tree.flip_bit(to.path, at=-1, bit=7),
        _content_only(),
    ),
    Fault(
        "a bit flipped in the middle",
        lambda tree, to: tree.flip_bit(to.path, at=tree.size(to.path) // 2, bit=4),
        _content_only(),
    ),
    Fault(
        "a sector garbled",
        lambda tree, to: tree.garble(to.path, _aligned(tree, to.path, SECTOR), SECTOR),
        _content_only(),
        room=2 * SECTOR,
    ),
    Fault(
        "a 64 KiB block garbled",
        lambda tree, to: tree.garble(to.path, _aligned(tree, to.path, BLOCK), BLOCK),
        _content_only(),
        room=2 * BLOCK,
    ),
    Fault(
        "a sector zero-filled",
        lambda tree, to: tree.zero(to.path, _aligned(tree, to.path, SECTOR), SECTOR),
        _content_only("zero-filled"),
        room=2 * SECTOR,
    ),
    Fault(
        "a 64 KiB block zero-filled",
        lambda tree, to: tree.zero(to.path, _aligned(tree, to.path, BLOCK), BLOCK),
        _content_only("zero-filled"),
        room=2 * BLOCK,
    ),
    Fault(
        "all of it zero-filled",
        lambda tree, to: tree.zero(to.path, 0, tree.size(to.path)),
        _content_only("zero-filled"),
    ),
    Fault(
        "the tail cut by a byte",
        lambda tree, to: tree.cut(to.path, tree.size(to.path) - 1),
        _cut,
        room=2,
    ),
    Fault(
        "cut to a third",
        lambda tree, to: tree.cut(to.path, tree.size(to.path) // 3),
        _cut,
        room=3,
    ),
    Fault("a byte too many", lambda tree, to: tree.extend(to.path, 1), _extended),
    Fault("a long extra tail", lambda tree, to: tree.extend(to.path, 70_000), _extended),
    Fault(
        "contents of two files swapped",
        lambda tree, to: tree.swap(*to),
        _content_only(),
        needs_other=True,
    ),
    Fault("an older version", lambda tree, to: tree.make_older(to.path), _older),
    Fault("an edit with its date", lambda tree, to: tree.edit(to.path), _edited),
    Fault(
        "an edit that kept the date",
        lambda tree, to: tree.rewrite(to.path),
        _content_only(),
    ),
    Fault(
        "an edit that kept the date and not the size",
        lambda tree, to: tree.rewrite(to.path, tree.size(to.path) + 7),
        _resized,
    ),
    Fault("deleted", lambda tree, to: tree.delete(to.path), _gone),
    Fault(
        "added",
        lambda tree, to: tree.file(to.other or "", 1_234),
        _added,
        renames=True,
    ),
    Fault("renamed", lambda tree, to: tree.rename(to.path, to.other or ""), _moved, renames=True),
    Fault(
        "replaced by a link",
        lambda tree, to: tree.replace_by_link(to.path, "elsewhere"),
        _now_a_link,
    ),
)


def _aligned(tree: Tree, path: str, length: int) -> int:
    """Where the last whole stretch of ``length`` bytes of a file begins, if it is not all zero."""
    last = tree.size(path) // length - 1
    held = tree.read(path)
    for number in range(last, -1, -1):
        if any(held[number * length : (number + 1) * length]):
            return number * length
    raise AssertionError(f"{path} is all zeros")
