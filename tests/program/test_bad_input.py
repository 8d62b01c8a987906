"""What cannot be right is refused in one sentence, with the right status, and nothing is printed.

`refusal` runs each case with and without ``--json`` and checks both, and that no traceback is
ever shown.
"""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
from pathlib import Path

import pytest
from trees import Tree, lantern_marsh

from program.running import COMMAND, compare, manifest, refusal, verifier


@pytest.fixture
def pair(tmp_path: Path) -> tuple[Tree, Tree]:
    source = lantern_marsh(tmp_path / "bench")
    return source, source.copy_to(tmp_path / "vault")


def one_sentence(said: str) -> bool:
    """One line that ends like a sentence, or click's usage with its one-line reason."""
    lines = said.splitlines()
    if lines[0].startswith("Usage: "):
        return sum(line.startswith("Error: ") for line in lines) == 1
    return len(lines) == 1 and lines[0].endswith(".")


# Places


@pytest.mark.parametrize("side", ["source", "mirror"])
def test_a_place_that_is_not_there_is_named(pair: tuple[Tree, Tree], side: str) -> None:
    places = [str(tree.root) for tree in pair]
    places[side == "mirror"] += "-nowhere"
    said = refusal(3, "compare", *places)
    assert one_sentence(said)
    assert "-nowhere is not there" in said


@pytest.mark.parametrize("side", ["source", "mirror"])
def test_a_file_where_a_folder_is_expected_is_named(pair: tuple[Tree, Tree], side: str) -> None:
    places = [str(tree.root) for tree in pair]
    places[side == "mirror"] += "/2026-014-harbour-wall/notes/plan.txt"
    said = refusal(3, "compare", *places)
    assert one_sentence(said)
    assert "plan.txt is neither a folder nor a manifest" in said


def test_a_manifest_of_a_file_is_refused(pair: tuple[Tree, Tree], tmp_path: Path) -> None:
    plan = pair[0].root / "2026-014-harbour-wall/notes/plan.txt"
    assert one_sentence(refusal(3, "manifest", plan, "--out", tmp_path / "out"))
    assert not (tmp_path / "out").exists()


def test_a_dangling_link_is_no_place(pair: tuple[Tree, Tree], tmp_path: Path) -> None:
    (tmp_path / "gone").symlink_to("nowhere")
    assert one_sentence(refusal(3, "compare", pair[0], tmp_path / "gone"))


def test_a_fifo_is_no_place_and_is_not_waited_for(pair: tuple[Tree, Tree], tmp_path: Path) -> None:
    os.mkfifo(tmp_path / "pipe")
    assert one_sentence(refusal(3, "compare", pair[0], tmp_path / "pipe", seconds=20))


def test_an_empty_name_is_not_taken_for_the_folder_that_one_stands_in(
    pair: tuple[Tree, Tree],
) -> None:
    source, mirror = pair
    outcome = verifier("compare", "", mirror, cwd=source.root)
    assert outcome.status in (2, 3)
    assert outcome.out == b""


# Both sides


def test_the_same_folder_on_both_sides_is_refused(pair: tuple[Tree, Tree]) -> None:
    said = refusal(2, "compare", pair[0], pair[0])
    assert one_sentence(said)
    assert "same folder" in said


def test_the_same_folder_through_a_link_is_refused(pair: tuple[Tree, Tree], tmp_path: Path) -> None:
    (tmp_path / "alias").symlink_to(pair[0].root)
    assert one_sentence(refusal(2, "compare", pair[0], tmp_path / "alias"))


@pytest.mark.parametrize("spelling", ["{0}/", "{0}/.", "{0}/../bench", "{0}//", "./bench"])
def test_the_same_folder_in_another_spelling_is_refused(
    pair: tuple[Tree, Tree], spelling: str
) -> None:
    source = pair[0].root
    other = spelling.format(source)
    assert one_sentence(refusal(2, "compare", source, other, cwd=source.parent))


@pytest.mark.root
def test_the_same_folder_mounted_a_second_time_is_refused(
    pair: tuple[Tree, Tree], tmp_path: Path
) -> None:
    with bind_mount(pair[0].root, tmp_path / "again") as again:
        assert one_sentence(refusal(2, "compare", pair[0], again))


@pytest.mark.parametrize("turned", [False, True])
def test_a_folder_inside_the_other_is_refused(pair: tuple[Tree, Tree], turned: bool) -> None:
    outer = pair[0].root
    sides = [outer, outer / "2026-014-harbour-wall"]
    said = refusal(2, "compare", *sides[:: -1 if turned else 1])
    assert one_sentence(said)
    assert "lies inside" in said


def test_a_folder_whose_name_merely_begins_alike_is_not_inside(
    pair: tuple[Tree, Tree], tmp_path: Path
) -> None:
    copy = pair[0].copy_to(tmp_path / "bench-2")
    assert compare(pair[0], copy).status == 0


@pytest.mark.root
@pytest.mark.parametrize("turned", [False, True])
def test_a_folder_inside_the_other_by_way_of_a_mount_is_refused(
    pair: tuple[Tree, Tree], tmp_path: Path, turned: bool
) -> None:
    outer = pair[0].root
    with bind_mount(outer / "2026-014-harbour-wall", tmp_path / "elsewhere") as inner:
        assert one_sentence(refusal(2, "compare", *[outer, inner][:: -1 if turned else 1]))


def test_the_same_manifest_on_both_sides_is_refused(
    pair: tuple[Tree, Tree], tmp_path: Path
) -> None:
    made = manifest(pair[0], tmp_path / "bench.manifest")
    (tmp_path / "alias").symlink_to(made)
    assert one_sentence(refusal(2, "compare", made, tmp_path / "alias"))


# Outputs


@pytest.mark.parametrize("side", [0, 1])
@pytest.mark.parametrize("below", ["out.nul", "2026-014-harbour-wall/notes/out.nul"])
def test_paths_inside_a_compared_tree_are_refused(
    pair: tuple[Tree, Tree], side: int, below: str
) -> None:
    out = pair[side].root / below
    said = refusal(2, "compare", *pair, "--paths", out)
    assert one_sentence(said)
    assert "lies inside" in said
    assert not out.exists()


def test_paths_inside_a_compared_tree_through_a_link_are_refused(
    pair: tuple[Tree, Tree], tmp_path: Path
) -> None:
    (tmp_path / "results").symlink_to(pair[1].root / "2026-014-harbour-wall")
    refusal(2, "compare", *pair, "--paths", tmp_path / "results/out.nul")
    assert not (tmp_path / "results/out.nul").exists()


def test_a_manifest_inside_its_own_tree_is_refused(pair: tuple[Tree, Tree]) -> None:
    out = pair[0].root / "own.manifest"
    assert one_sentence(refusal(2, "manifest", pair[0], "--out", out))
    assert not out.exists()


@pytest.mark.root
@pytest.mark.parametrize("command", ["compare", "manifest"])
def test_an_output_inside_a_tree_by_way_of_a_mount_is_refused(
    pair: tuple[Tree, Tree], tmp_path: Path, command: str
) -> None:
    with bind_mount(pair[0].root / "2026-014-harbour-wall", tmp_path / "results") as results:
        out = results / "out"
        if command == "compare":
            refusal(2, "compare", *pair, "--paths", out)
        else:
            refusal(2, "manifest", pair[0], "--out", out)
        assert not out.exists()


@pytest.mark.parametrize("out", ["nowhere/out", "plain-file/out", "a-folder"])
def test_an_output_that_cannot_be_written_is_named(
    pair: tuple[Tree, Tree], tmp_path: Path, out: str
) -> None:
    (tmp_path / "plain-file").touch()
    (tmp_path / "a-folder").mkdir()
    for said in (
        refusal(3, "compare", *pair, "--paths", tmp_path / out),
        refusal(3, "manifest", pair[0], "--out", tmp_path / out),
    ):
        assert one_sentence(said.replace(". ", " "))
        assert str(tmp_path / out) in said


def test_a_device_is_never_replaced_by_an_output(pair: tuple[Tree, Tree]) -> None:
    refusal(3, "compare", *pair, "--paths", "/dev/null")
    refusal(3, "manifest", pair[0], "--out", "/dev/null")
    assert Path("/dev/null").is_char_device()


@pytest.mark.skipif(shutil.which("strace") is None, reason="strace is not installed")
def test_an_output_that_cannot_be_written_is_told_before_anything_is_read(
    tmp_path: Path,
) -> None:
    source = lantern_marsh(tmp_path / "bench")
    empty = Tree(tmp_path / "vault")
    out = tmp_path / "nowhere/out"
    watched = ("strace", "-f", "-qq", "-e", "trace=openat", "-o", str(tmp_path / "trace"))
    assert verifier("compare", source, empty, "--paths", out, before=watched).status == 3
    assert "DJI_0003.mp4" not in (tmp_path / "trace").read_text()


@pytest.fixture(scope="module")
def many(large_tmp: Path) -> Tree:
    """A tree whose list of paths alone is over 1 MiB."""
    tree = Tree(large_tmp / "many")
    for number in range(6_000):
        tree.file(f"{'long-name-' * 20}{number}")
    return tree


@pytest.mark.root
@pytest.mark.parametrize("name", ["out.manifest", "out.manifest.gz"])
def test_a_full_disk_leaves_no_half_manifest(many: Tree, small_disk: Path, name: str) -> None:
    if name.endswith(".gz"):
        (small_disk / "filler").write_bytes(bytes(shutil.disk_usage(small_disk).free - 8192))
    before = sorted(small_disk.iterdir())
    said = refusal(3, "manifest", many, "--out", small_disk / name)
    assert "no space left" in said
    assert sorted(small_disk.iterdir()) == before


@pytest.mark.root
def test_a_full_disk_keeps_the_manifest_that_was_there_before(many: Tree, small_disk: Path) -> None:
    (small_disk / "out").write_bytes(b"of last month")
    refusal(3, "manifest", many, "--out", small_disk / "out")
    assert (small_disk / "out").read_bytes() == b"of last month"
    assert [path.name for path in small_disk.iterdir()] == ["out"]


@pytest.mark.root
def test_a_full_disk_leaves_no_half_list_of_paths(
    many: Tree, small_disk: Path, tmp_path: Path
) -> None:
    (tmp_path / "empty").mkdir()
    outcome = verifier("compare", many, tmp_path / "empty", "--paths", small_disk / "out", "--json")
    assert outcome.status == 3
    assert "no space left" in outcome.err
    assert list(small_disk.iterdir()) == []


@pytest.mark.root
def test_a_full_temporary_folder_is_told_in_a_sentence(small_disk: Path, tmp_path: Path) -> None:
    crowd = Tree(tmp_path / "crowd").folder("one")
    for number in range(60_000):  # more than are sorted in memory
        os.mknod(crowd.at(f"one/{number}-{'long-name-' * 3}"))
    (tmp_path / "empty").mkdir()
    said = refusal(3, "compare", crowd, tmp_path / "empty", environment={"TMPDIR": str(small_disk)})
    assert "TMPDIR" in said
    assert list(small_disk.iterdir()) == []


@pytest.mark.skipif(not os.path.exists("/dev/full"), reason="this system has no /dev/full")
@pytest.mark.parametrize("options", [(), ("--json",)])
def test_results_that_cannot_be_printed_end_with_3_and_a_sentence(
    pair: tuple[Tree, Tree], options: tuple[str, ...]
) -> None:
    with open("/dev/full", "wb") as full:
        outcome = verifier("compare", *pair, *options, stdout=full)
    assert outcome.status == 3
    assert one_sentence(outcome.err.replace(". ", " "))


def test_a_reader_that_hangs_up_early_is_shown_no_traceback(tmp_path: Path) -> None:
    crowd = Tree(tmp_path / "crowd")
    for number in range(3_000):
        crowd.file(f"{number}")
    (tmp_path / "empty").mkdir()
    for options in ((), ("--json",)):
        process = subprocess.Popen(
            [*COMMAND, "compare", crowd, tmp_path / "empty", *options],
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
        )
        assert process.stdout is not None and process.stderr is not None
        process.stdout.read(10)
        process.stdout.close()
        said = process.stderr.read().decode()
        process.stderr.close()
        process.wait()
        assert "Traceback" not in said
        assert "BrokenPipe" not in said
        assert process.returncode == 3


@pytest.mark.parametrize("closed", [">&-", "2>&-", ">&- 2>&-", "<&-"])
def test_a_stream_that_is_closed_from_the_start_is_no_traceback(
    pair: tuple[Tree, Tree], tmp_path: Path, closed: str
) -> None:
    line = f'"$0" -m verifier compare "$1" "$2" {closed}'
    run = subprocess.run(
        ["sh", "-c", line, sys.executable, *pair], capture_output=True, text=True, cwd=tmp_path
    )
    assert "Traceback" not in run.stderr
    assert run.returncode in ((0, 3) if ">&-" in closed else (0,))


# Manifests


def test_a_manifest_made_under_other_patterns_is_remarked_upon_and_its_common_part_judged(
    pair: tuple[Tree, Tree], tmp_path: Path
) -> None:
    source, mirror = pair
    source.files("Thumbs.db", "scratch/a.tmp", "kept.jpg")
    made = manifest(source, tmp_path / "made", "--ignore", "Thumbs.db")
    outcome = compare(made, mirror.files("Thumbs.db", "b.tmp"), "--ignore", "*.tmp")
    assert outcome.findings == {"kept.jpg": ("missing", "never-copied", "mirror", None)}
    assert outcome.err.count("\n") == 1
    assert "Thumbs.db" in outcome.err and "*.tmp" in outcome.err


def test_a_baseline_made_under_other_patterns_is_remarked_upon(
    pair: tuple[Tree, Tree], tmp_path: Path
) -> None:
    made = manifest(pair[0], tmp_path / "made", "--ignore", "*.mp4")
    outcome = compare(*pair, "--baseline", made)
    assert "*.mp4" in outcome.err
    assert outcome.document["counts"]["matched"] == 7


def test_a_manifest_made_under_the_same_patterns_needs_no_remark(
    pair: tuple[Tree, Tree], tmp_path: Path
) -> None:
    made = manifest(pair[0], tmp_path / "made", "--ignore", "*.mp4")
    assert compare(made, pair[1], "--ignore", "*.mp4").err == ""


BROKEN = {
    "cut short in a line": (lambda text: text[: len(text) * 2 // 3], None),
    "without its closing line": (lambda text: text[: text.rindex(b"\n", 0, -1) + 1], 10),
    "with a size edited": (lambda text: text.replace(b'"size":200000', b'"size":200001'), 10),
    "with a digest edited": (lambda text: _other_digest(text), 10),
    "with a line taken out": (lambda text: _without_line(text, 4), 9),
    "with two lines swapped": (lambda text: _swapped(text, 3), 4),
    "with a path twice": (lambda text: _doubled(text, 4), 5),
    "with an absolute path": (lambda text: text.replace(b'"path":"2026', b'"path":"/2026', 1), 2),
    "with a path that climbs out": (
        lambda text: text.replace(b'"path":"2026', b'"path":"../2026', 1),
        2,
    ),
    "with a newer schema": (lambda text: text.replace(b"manifest.v1", b"manifest.v2"), 1),
    "with more after its end": (lambda text: text + b"{}\n", None),
}


def _other_digest(text: bytes) -> bytes:
    at = text.index(b'"blake3":"', text.index(b"\n")) + len(b'"blake3":"')
    return text[:at] + (b"1" if text[at : at + 1] == b"0" else b"0") + text[at + 1 :]


def _without_line(text: bytes, number: int) -> bytes:
    lines = text.splitlines(keepends=True)
    del lines[number - 1]
    return b"".join(lines)


def _swapped(text: bytes, number: int) -> bytes:
    lines = text.splitlines(keepends=True)
    lines[number - 1 : number + 1] = reversed(lines[number - 1 : number + 1])
    return b"".join(lines)


def _doubled(text: bytes, number: int) -> bytes:
    lines = text.splitlines(keepends=True)
    lines.insert(number, lines[number - 1])
    return b"".join(lines)


@pytest.fixture(scope="module")
def whole(tmp_path_factory: pytest.TempPathFactory) -> tuple[Tree, Tree, bytes]:
    """A source, its mirror, and what a manifest of the source says."""
    folder = tmp_path_factory.mktemp("whole")
    source = lantern_marsh(folder / "bench")
    made = manifest(source, folder / "made.manifest")
    return source, source.copy_to(folder / "vault"), made.read_bytes()


# "With a digest edited" fails when manifest.py, `_Body.close`, compares neither `trailer.blake3`
# nor the whole closing line with the digest of what was read.
@pytest.mark.parametrize("standing_for", ["source", "mirror", "baseline"])
@pytest.mark.parametrize("how", BROKEN)
def test_a_broken_manifest_is_refused_and_the_line_named(
    whole: tuple[Tree, Tree, bytes], tmp_path: Path, how: str, standing_for: str
) -> None:
    source, mirror, text = whole
    damage, line = BROKEN[how]
    made = tmp_path / "made.manifest"
    made.write_bytes(damage(text))
    assert made.read_bytes() != text
    sides: list[object] = [source, mirror]
    if standing_for == "baseline":
        sides += ["--baseline", made]
    else:
        sides[standing_for == "mirror"] = made
    said = refusal(3, "compare", *sides)
    assert f"{made}, line {line}" if line else f"{made}, line" in said


@pytest.mark.parametrize("standing_for", ["source", "mirror", "baseline"])
def test_a_compressed_manifest_that_is_cut_short_is_refused(
    pair: tuple[Tree, Tree], tmp_path: Path, standing_for: str
) -> None:
    made = manifest(pair[0], tmp_path / "made.manifest.gz")
    made.write_bytes(made.read_bytes()[:-40])
    sides: list[object] = [*pair]
    if standing_for == "baseline":
        sides += ["--baseline", made]
    else:
        sides[standing_for == "mirror"] = made
    assert "line" in refusal(3, "compare", *sides)


def test_a_folder_is_no_baseline(pair: tuple[Tree, Tree], tmp_path: Path) -> None:
    outcome = verifier("compare", *pair, "--baseline", pair[1], "--json")
    assert outcome.status in (2, 3)
    assert outcome.out == b""


# Options


@pytest.mark.parametrize("slack", ["-1", "-0.001", "soon", "nan", "inf", ""])
def test_a_slack_that_is_no_length_of_time_is_refused(pair: tuple[Tree, Tree], slack: str) -> None:
    said = refusal(2, "compare", *pair, "--slack", slack)
    assert one_sentence(said)
    assert "slack" in said


@pytest.mark.parametrize(
    "arguments",
    [
        ("compare",),
        ("compare", "one"),
        ("compare", "one", "two", "three"),
        ("compare", "one", "two", "--frobnicate"),
        ("compare", "one", "two", "--ignore"),
        ("compare", "one", "two", "--ignore", "  "),
        ("manifest", "."),
        ("frobnicate",),
    ],
    ids=" ".join,
)
def test_a_command_line_that_makes_no_sense_is_refused(
    arguments: tuple[str, ...], tmp_path: Path
) -> None:
    for name in ("one", "two"):
        (tmp_path / name).mkdir()
    outcome = verifier(*arguments, cwd=tmp_path)
    assert outcome.status == 2
    assert outcome.out == b""
    assert one_sentence(outcome.err)


# Damage


def test_damage_refuses_what_is_no_pair_of_files(pair: tuple[Tree, Tree]) -> None:
    plan = pair[0].root / "2026-014-harbour-wall/notes/plan.txt"
    refusal(3, "damage", plan, f"{plan}-nowhere")
    refusal(2, "damage", plan, pair[1])
    refusal(2, "damage", plan, plan)


def bind_mount(folder: Path, at: Path) -> BindMount:
    at.mkdir()
    return BindMount(folder, at)


class BindMount:
    """The same folder under a second path, as a mount and not as a link."""

    def __init__(self, folder: Path, at: Path) -> None:
        self._folder, self._at = folder, at

    def __enter__(self) -> Path:
        subprocess.run(["mount", "--bind", self._folder, self._at], check=True)
        return self._at

    def __exit__(self, *_: object) -> None:
        subprocess.run(["umount", "-l", self._at], check=True)


@pytest.mark.parametrize("command", ["compare", "manifest"])
def test_a_temporary_folder_inside_a_tree_is_refused(
    pair: tuple[Tree, Tree], tmp_path: Path, command: str
) -> None:
    source, mirror = pair
    (source.root / "tmp").mkdir()
    more = [mirror] if command == "compare" else ["--out", tmp_path / "out"]
    outcome = verifier(command, source, *more, environment={"TMPDIR": str(source.root / "tmp")})
    assert outcome.status == 2
    assert "TMPDIR" in outcome.err
    assert not list((source.root / "tmp").iterdir())
