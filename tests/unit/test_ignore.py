"""Patterns leave out what gitignore(5) says, and nothing else."""

from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from verifier.errors import RequestRefused
from verifier.ignore import Ignore, refuse_idle

often = settings(max_examples=150, deadline=None, database=None)


@pytest.mark.parametrize(
    ("patterns", "left_out", "kept"),
    [
        ([".DS_Store"], [b".DS_Store", b"notes/.DS_Store"], [b"DS_Store", b".DS_Store2"]),
        (["*.tmp"], [b"a.tmp", b"notes/.tmp"], [b"a.tmpl", b"tmp"]),
        (["*.tmp", "!keep.tmp"], [b"a.tmp"], [b"keep.tmp", b"notes/keep.tmp"]),
        (["!keep.tmp", "*.tmp"], [b"keep.tmp"], [b"keep"]),
        (["cache/"], [b"cache/0.png", b"orthos/cache/a/b"], [b"cache", b"orthos/cache"]),
        (["/cache/"], [b"cache/0.png"], [b"orthos/cache/0.png"]),
        (["orthos/cache"], [b"orthos/cache", b"orthos/cache/a"], [b"a/orthos/cache", b"cache"]),
        (["**/cache"], [b"cache", b"a/b/cache", b"a/cache/b"], [b"caches"]),
        (["a/**/b"], [b"a/b", b"a/x/b", b"a/x/y/b"], [b"b", b"x/a/b", b"a/xb"]),
        (["flights/**"], [b"flights/a", b"flights/a/b"], [b"flights", b"x/flights/a"]),
        (["?.tif"], [b"a.tif", b"\xff.tif"], [b"ab.tif", b".tif"]),
        (["[ab].tif"], [b"a.tif"], [b"c.tif"]),
        (["caf\udce9.txt"], [b"caf\xe9.txt"], [b"caf\xc3\xa9.txt"]),
        (["café.txt"], [b"caf\xc3\xa9.txt"], [b"caf\xe9.txt"]),
        (["*"], [b"a", b"\xff\xfe", b"two\nlines", b" "], []),
        (["# a remark"], [], [b"# a remark", b"a"]),
        (["\\# a name"], [b"# a name"], []),
        (["\\!name"], [b"!name"], [b"name"]),
        (["trailing "], [b"trailing"], [b"trailing "]),
        (["trailing\\ "], [b"trailing "], [b"trailing"]),
        (["two\nlines"], [], [b"two", b"lines"]),
    ],
)
def test_patterns_leave_out_what_they_say(patterns, left_out, kept):
    ignore = Ignore(patterns)
    assert [path for path in left_out if not ignore.ignores(path)] == []
    assert [path for path in kept if ignore.ignores(path)] == []


@pytest.mark.parametrize(
    ("patterns", "folder", "left_out"),
    [
        (["cache/"], b"cache", True),
        (["cache"], b"cache", True),
        (["cache/*"], b"cache", False),
        (["/*", "!/flights"], b"flights", False),
        (["/*", "!/flights"], b"notes", True),
        (["*.tif"], b"a.tif", True),
        (["notes/", "!notes/keep.txt"], b"notes", True),
        (["caf\udce9/"], b"caf\xe9", True),
    ],
)
def test_a_folder_that_is_left_out_takes_everything_below_along(patterns, folder, left_out):
    ignore = Ignore(patterns)
    assert ignore.ignores_folder(folder) is left_out
    if left_out:
        assert ignore.ignores_at_or_above(folder + b"/deep/keep.txt")


def test_what_is_taken_back_from_a_folder_s_contents_is_not_left_out():
    ignore = Ignore(["cache/**", "!cache/keep.txt"])
    assert ignore.ignores_at_or_above(b"cache/0.png")
    assert not ignore.ignores_folder(b"cache")
    assert not ignore.ignores_at_or_above(b"cache/keep.txt")


@pytest.mark.parametrize(("pattern", "path"), [("a", b"a\n"), ("*.tmp", b"plan.tmp\n")])
def test_a_name_that_ends_with_a_line_s_end_is_another_name(pattern, path):
    assert not Ignore([pattern]).ignores(path)


def test_no_patterns_leave_out_nothing():
    for ignore in (Ignore(), Ignore([]), Ignore([""]), Ignore([], ["", ""])):
        assert not ignore
        assert not ignore.ignores(b"a")
        assert not ignore.ignores_folder(b"a")
        assert not ignore.ignores_at_or_above(b"a/b/c")


def test_a_path_is_left_out_when_any_of_several_sets_leaves_it_out():
    ignore = Ignore(["*.tmp", "!keep.tmp"], ["keep.tmp"], [])
    assert ignore
    assert [ignore.ignores(path) for path in (b"a.tmp", b"keep.tmp", b"a")] == [True, True, False]


@pytest.mark.parametrize("pattern", [" ", "\t", "  \t ", "!", "\\", "a\\"])
def test_a_pattern_that_means_nothing_is_refused(pattern):
    with pytest.raises(RequestRefused, match=r"^An ignore pattern .* such as '\.DS_Store'"):
        Ignore(["*.tmp", pattern])


@pytest.mark.parametrize(
    "patterns", [["#h"], [""], ["/"], ["["], ["*.tmp", "a["], ["!bang"], [" "]]
)
def test_patterns_of_a_command_line_that_leave_nothing_out_are_refused(patterns):
    with pytest.raises(RequestRefused, match=r"pattern"):
        refuse_idle(patterns)


def test_patterns_that_leave_something_out_are_taken():
    for patterns in ([], ["\\#h"], ["\\!bang"], ["\\["], ["!keep.tmp", "*.tmp"], ["caf\udce9"]):
        refuse_idle(patterns)


pieces = st.sampled_from([b"a", b"b", b"a.tmp", b"\xff", b"caf\xc3\xa9", b"two\nlines"])
patterns = st.lists(st.sampled_from(["a", "b/", "/a", "*.tmp", "a/b", "!a", "!b", "**/a/*"]))


@often
@given(patterns, st.lists(pieces, min_size=1, max_size=4))
def test_a_path_is_left_out_by_its_own_name_or_by_a_folder_above_it(patterns, parts):
    ignore = Ignore(patterns)
    folders = [b"/".join(parts[:depth]) for depth in range(1, len(parts))]
    path = b"/".join(parts)
    assert ignore.ignores_at_or_above(path) == (
        any(map(ignore.ignores_folder, folders)) or ignore.ignores(path)
    )


@often
@given(st.lists(pieces, min_size=1, max_size=4).map(b"/".join))
def test_a_path_s_own_text_as_a_pattern_leaves_it_out(path):
    if b"\n" not in path:
        assert Ignore(["/" + path.decode("utf-8", "surrogateescape")]).ignores(path)


@pytest.mark.parametrize("pattern", ["[z-a]", "scans/[9-0]*.tif", "[!~-!]"])
def test_a_range_that_runs_backwards_is_refused_in_a_sentence(pattern):
    with pytest.raises(RequestRefused, match=r"^An ignore pattern cannot be understood \(bad "):
        Ignore([pattern])


def test_a_bracket_in_brackets_is_itself_and_python_says_nothing_of_it(recwarn):
    ignore = Ignore(["[[]draft]"])
    assert ignore.ignores(b"[draft]")
    assert not ignore.ignores(b"d")
    assert not recwarn.list
