"""``verifier compare`` keeps the contract: documents, verdicts, exit statuses, options."""

from __future__ import annotations

import base64
import json
import os
import subprocess
import sys
import unicodedata
from collections.abc import Iterator
from datetime import datetime
from pathlib import Path

import pytest
from trees import DATE, HOUR, Tree, content, lantern_marsh

from program.running import VERDICTS, Outcome, compare, manifest, verifier

SIDE_KEYS = {"at": str, "files": int, "bytes": int, "read_bytes": int}
DEEP = 1_100
FINDING_KEYS = ("path", "verdict", "cause", "side", "size", "detail", "advice")


@pytest.fixture
def bench(tmp_path: Path) -> Tree:
    return Tree(tmp_path / "bench")


@pytest.fixture
def vault(tmp_path: Path) -> Tree:
    return Tree(tmp_path / "vault")


@pytest.fixture
def pair(tmp_path: Path) -> tuple[Tree, Tree]:
    source = lantern_marsh(tmp_path / "bench")
    return source, source.copy_to(tmp_path / "vault")


def paths_of(outcome: Outcome) -> list[str]:
    return [each["path"] for each in outcome.document["findings"]]


# The document


def test_a_true_copy_is_all_matched_and_ends_with_0(pair: tuple[Tree, Tree]) -> None:
    outcome = compare(*pair)
    assert outcome.status == 0
    assert outcome.document["findings"] == []
    assert outcome.document["counts"] == {**dict.fromkeys(VERDICTS, 0), "matched": 8}
    assert outcome.err == ""


def test_the_document_has_exactly_the_keys_of_the_contract_and_their_types(
    pair: tuple[Tree, Tree],
) -> None:
    source, mirror = pair
    mirror.flip_bit("2026-014-harbour-wall/orthos/harbour.tif")
    document = compare(source, mirror).document
    assert list(document) == [
        "schema",
        "finished",
        "source",
        "mirror",
        "counts",
        "findings",
        "started",
        "ended",
        "seconds",
    ]
    assert document["schema"] == "verifier.comparison.v1"
    assert document["finished"] is True
    for side in ("source", "mirror"):
        assert {key: type(value) for key, value in document[side].items()} == SIDE_KEYS
    assert list(document["counts"]) == list(VERDICTS)
    assert {type(number) for number in document["counts"].values()} == {int}
    assert type(document["seconds"]) is float
    for moment in ("started", "ended"):
        assert datetime.fromisoformat(document[moment]).tzinfo is not None


def test_a_finding_has_exactly_the_keys_of_the_contract(pair: tuple[Tree, Tree]) -> None:
    source, mirror = pair
    path = "2026-014-harbour-wall/orthos/harbour.tif"
    mirror.flip_bit(path, at=777, bit=3)
    finding = compare(source, mirror).document["findings"][0]
    assert set(finding) == {*FINDING_KEYS, "damage"}
    assert finding["path"] == path
    assert finding["size"] == 200_000
    assert finding["detail"] and finding["advice"]
    assert finding["damage"] == {
        "size": {"source": 200_000, "mirror": 200_000},
        "ranges": [{"from": 777, "to": 778, "pattern": "bit-flip", "bits": 1}],
        "differing_bytes": 1,
    }


def test_the_document_is_the_only_thing_on_standard_output(pair: tuple[Tree, Tree]) -> None:
    outcome = compare(*pair)
    assert outcome.out.count(b"\n") == 1
    assert outcome.out.endswith(b"}\n")


def test_both_sides_are_described_as_they_are(pair: tuple[Tree, Tree]) -> None:
    source, mirror = pair
    total = sum(path.stat().st_size for path in source.root.rglob("*.*") if path.is_file())
    found = compare(source, mirror).document
    for side, tree in (("source", source), ("mirror", mirror)):
        at = os.path.realpath(tree.root)
        assert found[side] == {"at": at, "files": 7, "bytes": total, "read_bytes": total}


def test_findings_are_sorted_by_the_bytes_of_their_paths(bench: Tree, vault: Tree) -> None:
    names = ["b", "a/z", "a-1", "a.b/c", "Z", "é", "~", "a/b/c"]
    bench.files(*names[::2])
    vault.files(*names[1::2])
    bench.files("both/0")
    vault.files("both/0").flip_bit("both/0")
    found = paths_of(compare(bench, vault))
    assert found == sorted([*names, "both/0"], key=os.fsencode)


def test_counts_add_up_to_the_paths_of_both_sides(bench: Tree, tmp_path: Path) -> None:
    bench.files("same", "missing", "corrupt", "edited", "moved/here").link("link", "same")
    mirror = bench.copy_to(tmp_path / "vault")
    mirror.delete("missing").flip_bit("corrupt").files("orphan").rename("moved/here", "there")
    bench.edit("edited")
    document = compare(bench, mirror).document
    assert document["counts"] == {
        **dict.fromkeys(VERDICTS, 0),
        "matched": 2,
        "missing": 2,
        "corrupt": 1,
        "stale": 1,
        "orphaned": 2,
    }


# Exit statuses


def test_a_finding_ends_with_1(pair: tuple[Tree, Tree]) -> None:
    source, mirror = pair
    mirror.delete("2026-014-harbour-wall/notes/plan.txt")
    assert compare(source, mirror).status == 1


def test_a_wrong_option_ends_with_2(pair: tuple[Tree, Tree]) -> None:
    assert verifier("compare", *pair, "--slak", "2").status == 2


def test_a_place_that_is_not_there_ends_with_3(bench: Tree, tmp_path: Path) -> None:
    assert verifier("compare", bench, tmp_path / "nowhere").status == 3


def test_the_command_and_the_module_are_the_same_program(pair: tuple[Tree, Tree]) -> None:
    script = Path(sys.executable).parent / "verifier"
    if not script.exists():
        pytest.skip("the package is not installed for this Python, only found on its path")
    run = subprocess.run([script, "compare", *pair, "--json"], capture_output=True, cwd="/")
    assert run.returncode == 0
    found, by_module = json.loads(run.stdout), compare(*pair).document
    for each in (found, by_module):
        for varying in ("started", "ended", "seconds"):
            del each[varying]
    assert found == by_module


@pytest.mark.parametrize("command", ["", "compare", "manifest", "damage"])
def test_help_has_an_example(command: str) -> None:
    outcome = verifier(*filter(None, [command]), "--help")
    assert outcome.status == 0
    assert b"Example: verifier " in outcome.out


# --paths


def test_paths_are_written_as_bytes_each_ended_by_a_nul(
    bench: Tree, vault: Tree, tmp_path: Path
) -> None:
    names = [b"plain.jpg", b"two\nlines", b"caf\xe9.txt", "Bäume/ä".encode()]
    bench.files(*names)
    outcome = compare(bench, vault, "--paths", tmp_path / "out.nul")
    assert outcome.status == 1
    written = (tmp_path / "out.nul").read_bytes()
    assert written == b"".join(name + b"\0" for name in sorted(names))


def test_paths_are_an_empty_file_when_nothing_was_found(
    pair: tuple[Tree, Tree], tmp_path: Path
) -> None:
    (tmp_path / "out.nul").write_bytes(b"of an earlier run\0")
    assert compare(*pair, "--paths", tmp_path / "out.nul").status == 0
    assert (tmp_path / "out.nul").read_bytes() == b""


# Names


def test_a_name_that_is_not_utf_8_comes_escaped_and_as_bytes(bench: Tree, vault: Tree) -> None:
    name = b"flights/caf\xe9\xff.jpg"
    bench.files(name)
    finding = compare(bench, vault).document["findings"][0]
    assert finding["path"] == r"flights/caf\xe9\xff.jpg"
    assert base64.b64decode(finding["path_b64"]) == name


def test_a_move_to_a_name_that_is_not_utf_8_has_the_bytes_of_the_other_path(
    bench: Tree, vault: Tree
) -> None:
    bench.file("new.jpg", b"the same")
    vault.file(b"old\xe9.jpg", b"the same")
    missing, orphan = compare(bench, vault).document["findings"]
    assert missing["other_path"] == r"old\xe9.jpg"
    assert base64.b64decode(missing["other_path_b64"]) == b"old\xe9.jpg"
    assert base64.b64decode(orphan["path_b64"]) == b"old\xe9.jpg"
    assert "other_path_b64" not in orphan


def test_a_name_that_is_utf_8_comes_without_base64(bench: Tree, vault: Tree) -> None:
    bench.files("Übersicht\n.tif")
    finding = compare(bench, vault).document["findings"][0]
    assert finding["path"] == "Übersicht\n.tif"
    assert "path_b64" not in finding


@pytest.mark.parametrize(
    ("name", "shown"),
    [
        (b"a\x1b[31mred", r"a\x1b[31mred"),
        (b"two\nlines", r"two\x0alines"),
        (b"back\rto the start", r"back\x0dto the start"),
        (b"bell\x07", r"bell\x07"),
        ("c1\u009bcontrol".encode(), r"c1\x9bcontrol"),
        ("gpj.\u202eelif".encode(), r"gpj.\u202eelif"),
        (b"caf\xe9", r"caf\xe9"),
    ],
)
def test_human_output_escapes_what_could_mislead_a_terminal(
    bench: Tree, vault: Tree, name: bytes, shown: str
) -> None:
    bench.files(name)
    outcome = verifier("compare", bench, vault, environment={"PYTHONIOENCODING": "utf-8"})
    assert f"  {shown}\n" in outcome.out.decode()
    assert not {c for c in outcome.out.decode() if c < " " and c != "\n"}


def test_a_name_that_could_mislead_a_terminal_is_escaped_in_refusals_too(tmp_path: Path) -> None:
    outcome = verifier("compare", os.fsencode(tmp_path) + b"/no\x1b[2Jwhere", tmp_path)
    assert outcome.status == 3
    assert "\x1b" not in outcome.err
    assert r"\x1b[2J" in outcome.err


def test_a_name_with_quotes_and_spaces_stands_unbroken_in_human_output(
    bench: Tree, vault: Tree
) -> None:
    name = "flights/" + " ".join(["a long name with  two spaces"] * 4) + "\"'.jpg"
    bench.files(name)
    assert f"  {name}\n" in verifier("compare", bench, vault).out.decode()


def test_a_terminal_that_knows_ascii_only_is_no_reason_to_fail(bench: Tree, vault: Tree) -> None:
    bench.files("Übersicht.tif")
    outcome = verifier(
        "compare", bench, vault, environment={"PYTHONIOENCODING": "ascii", "LC_ALL": "C"}
    )
    assert outcome.status == 1
    assert rb"\xdcbersicht.tif" in outcome.out


# --slack, --dates-only, --ignore


@pytest.mark.parametrize(
    ("apart", "options", "verdict"),
    [
        (1.9, (), "corrupt"),
        (2.5, (), "stale"),
        (2.5, ("--slack", "3"), "corrupt"),
        (0.5, ("--slack", "0.25"), "stale"),
        (0.25, ("--slack", "0.25"), "corrupt"),
        (0.001, ("--slack", "0"), "stale"),
    ],
)
def test_dates_are_equal_when_they_differ_by_at_most_the_slack(
    bench: Tree, vault: Tree, apart: float, options: tuple[str, ...], verdict: str
) -> None:
    bench.file("north.laz", b"one", date=DATE + apart)
    vault.file("north.laz", b"two", date=DATE)
    assert compare(bench, vault, *options).findings["north.laz"][0] == verdict


def test_dates_only_reads_nothing_and_finds_what_dates_show(pair: tuple[Tree, Tree]) -> None:
    source, mirror = pair
    project = "2026-014-harbour-wall"
    mirror.flip_bit(f"{project}/orthos/harbour.tif").delete(f"{project}/flights/day-1/DJI_0001.jpg")
    source.edit(f"{project}/notes/plan.txt")
    outcome = compare(source, mirror, "--dates-only")
    assert outcome.document["source"]["read_bytes"] == 0
    assert outcome.document["mirror"]["read_bytes"] == 0
    assert outcome.findings == {
        f"{project}/flights/day-1/DJI_0001.jpg": ("missing", "never-copied", "mirror", None),
        f"{project}/notes/plan.txt": ("stale", "older-version", "mirror", None),
    }
    assert outcome.document["counts"]["unread"] == 5
    assert outcome.document["counts"]["matched"] == 1  # the link: where it points is known


def test_dates_only_never_claims_that_copies_are_true(pair: tuple[Tree, Tree]) -> None:
    outcome = verifier("compare", *pair, "--dates-only")
    assert outcome.status == 0
    assert b"was not read" in b" ".join(outcome.out.split())
    assert b"All good" not in outcome.out
    pair[1].delete("2026-014-harbour-wall/flights/day-1/DJI_0001.jpg")
    outcome = verifier("compare", *pair, "--dates-only")
    assert b"1 finding needs you; of the other 7 paths 6 were not read" in outcome.out


@pytest.mark.parametrize(
    ("patterns", "left"),
    [
        (["Thumbs.db"], ["cache/a", "cache/deep/b", "flights/x.tmp", "keep.txt", "top.tmp"]),
        (["*.tmp"], ["Thumbs.db", "cache/a", "cache/deep/b", "flights/Thumbs.db", "keep.txt"]),
        (
            ["cache/"],
            ["Thumbs.db", "flights/Thumbs.db", "flights/x.tmp", "keep.txt", "top.tmp"],
        ),
        (["/top.tmp", "Thumbs.db", "cache"], ["flights/x.tmp", "keep.txt"]),
        (["*", "!keep.txt"], ["keep.txt"]),
    ],
)
def test_ignore_leaves_out_what_matches_on_both_sides(
    bench: Tree, vault: Tree, patterns: list[str], left: list[str]
) -> None:
    names = ["Thumbs.db", "flights/Thumbs.db", "flights/x.tmp", "top.tmp"]
    names += ["cache/a", "cache/deep/b", "keep.txt"]
    bench.files(*names)
    options = [part for pattern in patterns for part in ("--ignore", pattern)]
    assert paths_of(compare(bench, vault, *options)) == left
    assert paths_of(compare(vault, bench, *options)) == left


# Manifests


@pytest.mark.parametrize("suffix", [".manifest", ".manifest.gz"])
@pytest.mark.parametrize("as_manifest", ["source", "mirror", "both"])
def test_a_manifest_stands_for_a_side_and_gives_the_same_verdicts(
    pair: tuple[Tree, Tree], tmp_path: Path, as_manifest: str, suffix: str
) -> None:
    source, mirror = pair
    project = "2026-014-harbour-wall"
    mirror.flip_bit(f"{project}/orthos/harbour.tif").delete(f"{project}/notes/empty.txt")
    mirror.files("stray.jpg").rename(f"{project}/flights/day-1/DJI_0001.jpg", "old/1.jpg")
    mirror.delete(f"{project}/latest").link(f"{project}/latest", "flights/day-2")
    live = compare(source, mirror)
    sides = {"source": source.root, "mirror": mirror.root}
    for side in ("source", "mirror") if as_manifest == "both" else (as_manifest,):
        sides[side] = manifest(sides[side], tmp_path / f"{side}{suffix}")
    outcome = compare(sides["source"], sides["mirror"])
    assert outcome.findings == live.findings
    assert outcome.document["counts"] == live.document["counts"]
    assert outcome.status == live.status == 1
    for side in ("source", "mirror"):
        was_read = outcome.document[side]["read_bytes"]
        assert (was_read == 0) == (as_manifest in (side, "both"))
        for number in ("files", "bytes"):
            assert outcome.document[side][number] == live.document[side][number]


def test_a_manifest_of_awkward_names_gives_them_back(
    bench: Tree, vault: Tree, tmp_path: Path
) -> None:
    names = [b"caf\xe9/\xff", b"new\nline", "ä/é".encode(), b"-rf", b" ", b"a\\b", b"\x01"]
    bench.files(*names).link(b"li\xe9nk", b"caf\xe9/\xff")
    made = manifest(bench, tmp_path / "bench.manifest")
    outcome = compare(made, bench)
    assert outcome.status == 0
    assert outcome.document["counts"]["matched"] == len(names) + 1


def test_what_only_a_manifest_says_of_a_corrupt_file_is_marked_so(
    pair: tuple[Tree, Tree], tmp_path: Path
) -> None:
    source, mirror = pair
    made = manifest(mirror.flip_bit("2026-014-harbour-wall/orthos/harbour.tif"), tmp_path / "m")
    finding = compare(source, made).document["findings"][0]
    assert "from a manifest" in finding["detail"]
    assert "damage" not in finding


# --baseline


def test_a_baseline_shows_which_side_rotted(pair: tuple[Tree, Tree], tmp_path: Path) -> None:
    source, mirror = pair
    agreed = manifest(source, tmp_path / "agreed.manifest.gz")
    source.flip_bit("2026-014-harbour-wall/orthos/harbour.tif")
    mirror.flip_bit("2026-014-harbour-wall/point-clouds/north.laz")
    assert compare(source, mirror, "--baseline", agreed).findings == {
        "2026-014-harbour-wall/orthos/harbour.tif": ("corrupt", "rot", "source", None),
        "2026-014-harbour-wall/point-clouds/north.laz": ("corrupt", "rot", "mirror", None),
    }


def test_a_baseline_shows_rot_that_was_carried_over_to_the_mirror(
    pair: tuple[Tree, Tree], tmp_path: Path
) -> None:
    source, mirror = pair
    path = "2026-014-harbour-wall/orthos/harbour.tif"
    agreed = manifest(source, tmp_path / "agreed.manifest")
    source.flip_bit(path, at=9)
    mirror.flip_bit(path, at=9)
    outcome = compare(source, mirror, "--baseline", agreed)
    assert outcome.findings == {path: ("corrupt", "rot", "both", None)}


def test_no_manifest_that_is_read_is_written_over(bench: Tree, tmp_path: Path) -> None:
    agreed = manifest(bench.file("a.tif", 9), tmp_path / "agreed.manifest")
    before, again = agreed.read_bytes(), tmp_path / "link.manifest"
    again.symlink_to(agreed)
    for sides in ((bench, bench.copy_to(tmp_path / "copy"), "--baseline", agreed), (agreed, bench)):
        for output in (agreed, again):
            outcome = verifier("compare", *sides, "--paths", output)
            assert outcome.status == 2 and "is the manifest that is read here" in outcome.err
    assert agreed.read_bytes() == before


def test_an_edited_baseline_is_refused(pair: tuple[Tree, Tree], tmp_path: Path) -> None:
    source, mirror = pair
    agreed = manifest(source, tmp_path / "agreed.manifest")
    text = agreed.read_bytes()
    at = text.index(b'"blake3":"', text.index(b"\n")) + 10
    agreed.write_bytes(text[:at] + (b"0" if text[at : at + 1] != b"0" else b"1") + text[at + 1 :])
    outcome = verifier("compare", source, mirror, "--baseline", agreed, "--json")
    assert outcome.status == 3
    assert outcome.out == b""
    assert "line" in outcome.err


# Moves and twins


# Fails without the pairing: `yield Ends(left, right)` in diff/unmatched.py, `pair_moves`, made two.
def test_a_move_names_the_other_path_on_both_ends(bench: Tree, vault: Tree) -> None:
    bench.file("2026/north.laz", b"points")
    vault.file("2025/north.laz", b"points")
    assert compare(bench, vault).findings == {
        "2025/north.laz": ("orphaned", "moved", "mirror", "2026/north.laz"),
        "2026/north.laz": ("missing", "moved", "mirror", "2025/north.laz"),
    }


def test_a_moved_folder_is_a_move_of_each_file_under_its_own_name(bench: Tree, vault: Tree) -> None:
    names = [f"DJI_{number:04}.jpg" for number in range(20)]
    for name in names:
        bench.file(f"new/{name}", 100)
        vault.file(f"old/{name}", content(f"new/{name}", 100))
    bench.file("new/twice.jpg", content("new/DJI_0000.jpg", 100))
    found = compare(bench, vault).findings
    for name in names:
        assert found[f"new/{name}"] == ("missing", "moved", "mirror", f"old/{name}")
        assert found[f"old/{name}"] == ("orphaned", "moved", "mirror", f"new/{name}")
    assert found["new/twice.jpg"] == ("missing", "never-copied", "mirror", None)


def test_empty_files_with_other_names_are_paired_as_a_move_of_nothing_or_not_at_all(
    bench: Tree, vault: Tree
) -> None:
    bench.file("a")
    vault.file("b")
    found = compare(bench, vault).findings
    assert {path: finding[0] for path, finding in found.items()} == {
        "a": "missing",
        "b": "orphaned",
    }


def both_forms(name: str) -> tuple[str, str]:
    return unicodedata.normalize("NFC", name), unicodedata.normalize("NFD", name)


def test_normalisation_twins_match_and_the_pairing_is_noted(bench: Tree, vault: Tree) -> None:
    composed, decomposed = both_forms("Bäume/Übersicht.tif")
    bench.file(composed, b"trees")
    vault.file(decomposed, b"trees")
    outcome = compare(bench, vault)
    assert outcome.status == 0
    assert outcome.document["counts"]["matched"] == 1
    assert "Unicode" in outcome.err


@pytest.mark.parametrize("turned", [False, True])
def test_a_corrupt_normalisation_twin_names_its_other_path(
    bench: Tree, vault: Tree, turned: bool
) -> None:
    here, there = both_forms("Bäume/Übersicht.tif")[:: -1 if turned else 1]
    bench.file(here, b"trees")
    vault.file(there, b"treez")
    assert compare(bench, vault).findings == {here: ("corrupt", "differs", "unknown", there)}


def test_two_files_whose_names_are_twins_on_both_sides_are_each_compared_with_their_own(
    bench: Tree, vault: Tree
) -> None:
    here, there = both_forms("é")
    for tree in (bench, vault):
        tree.file(here, b"composed").file(there, b"decomposed")
    assert compare(bench, vault).document["counts"]["matched"] == 2


# What is no file


def test_links_are_recorded_and_never_followed(bench: Tree, tmp_path: Path) -> None:
    outside = Tree(tmp_path / "outside").file("secret.txt", 5_000)
    bench.files("flights/a.jpg")
    bench.link("dangling", "nowhere").link("to-folder", "flights").link("loop", "loop")
    bench.link("out", outside.root).link("out-file", outside.root / "secret.txt")
    bench.link("up", "..")
    mirror = bench.copy_to(tmp_path / "vault")
    outcome = compare(bench, mirror)
    assert outcome.status == 0
    assert outcome.document["counts"]["matched"] == 7
    assert outcome.document["source"]["files"] == 1
    assert outcome.document["source"]["read_bytes"] == 1_000


@pytest.mark.parametrize(
    ("target", "path"), [("nowhere", "dangling"), ("elsewhere", "to-folder"), ("/", "out")]
)
def test_a_link_that_points_elsewhere_is_found(
    bench: Tree, tmp_path: Path, target: str, path: str
) -> None:
    bench.link("dangling", "gone").link("to-folder", "flights").link("out", "/tmp")
    mirror = bench.copy_to(tmp_path / "vault")
    mirror.delete(path).link(path, target)
    assert compare(bench, mirror).findings == {path: ("corrupt", "kind-changed", "unknown", None)}


def test_a_link_in_place_of_a_file_is_found_though_it_leads_to_the_same_bytes(
    bench: Tree, tmp_path: Path
) -> None:
    bench.file("north.laz", b"points")
    mirror = bench.copy_to(tmp_path / "vault")
    Tree(tmp_path / "outside").file("north.laz", b"points")
    mirror.delete("north.laz").link("north.laz", tmp_path / "outside/north.laz")
    found = compare(bench, mirror).findings
    assert found == {"north.laz": ("corrupt", "kind-changed", "unknown", None)}


def test_a_newer_link_in_place_of_a_file_on_the_source_is_stale(
    bench: Tree, tmp_path: Path
) -> None:
    bench.file("north.laz", b"points")
    mirror = bench.copy_to(tmp_path / "vault")
    bench.delete("north.laz").link("north.laz", "elsewhere", date=DATE + HOUR)
    found = compare(bench, mirror).findings
    assert found == {"north.laz": ("stale", "kind-changed", "mirror", None)}


def test_a_folder_in_place_of_a_file_is_a_missing_and_an_orphaned_path(
    bench: Tree, vault: Tree
) -> None:
    bench.file("thing", b"file")
    vault.file("thing/inside", b"in a folder")
    assert compare(bench, vault).findings == {
        "thing": ("missing", "never-copied", "mirror", None),
        "thing/inside": ("orphaned", "deleted-at-source", "mirror", None),
    }


def test_a_root_that_is_itself_a_link_is_read_where_it_leads(
    pair: tuple[Tree, Tree], tmp_path: Path
) -> None:
    source, mirror = pair
    (tmp_path / "current").symlink_to(source.root)
    outcome = compare(tmp_path / "current", mirror)
    assert outcome.status == 0
    assert outcome.document["source"]["files"] == 7


def test_fifos_and_sockets_are_recorded_and_never_opened(bench: Tree, tmp_path: Path) -> None:
    bench.fifo("pipe").socket("socket").files("a.jpg")
    mirror = bench.copy_to(tmp_path / "vault")
    outcome = compare(bench, mirror, seconds=20)
    assert outcome.status == 0
    assert outcome.document["counts"]["matched"] == 3
    assert outcome.document["source"]["files"] == 1


def test_a_fifo_in_place_of_a_file_is_found(bench: Tree, vault: Tree) -> None:
    bench.file("feed", b"bytes")
    vault.fifo("feed")
    found = compare(bench, vault, seconds=20).findings
    assert found == {"feed": ("corrupt", "kind-changed", "unknown", None)}


# How much is read


# Fails without the test for several names: `nlink > 1` in places/folder.py made `nlink > 99`.
@pytest.mark.parametrize("size", [1_000, 9_000_000, 70_000_000])
def test_a_file_with_several_names_is_read_once(bench: Tree, vault: Tree, size: int) -> None:
    bench.file("one", size).hard_link("two", "one").hard_link("flights/three", "one")
    for name in ("one", "two", "flights/three"):
        vault.file(name, content("one", size))
    document = compare(bench, vault).document
    assert document["counts"]["matched"] == 3
    assert document["source"] == {
        "at": os.path.realpath(bench.root),
        "files": 3,
        "bytes": 3 * size,
        "read_bytes": size,
    }
    assert document["mirror"]["read_bytes"] == 3 * size


def test_rot_in_a_file_with_several_names_is_found_under_each(bench: Tree, tmp_path: Path) -> None:
    bench.files("one").hard_link("two", "one")
    mirror = bench.copy_to(tmp_path / "vault")
    mirror.flip_bit("two")
    assert compare(bench, mirror).findings == {
        "one": ("corrupt", "differs", "unknown", None),
        "two": ("corrupt", "differs", "unknown", None),
    }


def test_a_matched_file_is_read_once_and_a_corrupt_one_again(pair: tuple[Tree, Tree]) -> None:
    source, mirror = pair
    once = compare(source, mirror).document["mirror"]["read_bytes"]
    mirror.flip_bit("2026-014-harbour-wall/flights/day-1/DJI_0003.mp4")
    again = compare(source, mirror).document["mirror"]["read_bytes"]
    assert again >= once + 3_000_000


@pytest.mark.parametrize("past_cache", [(), ("--past-cache",)])
def test_sizes_around_every_boundary_are_read_whole(
    bench: Tree, tmp_path: Path, past_cache: tuple[str, ...]
) -> None:
    block, alone, segment = 1024**2, 8 * 1024**2, 64 * 1024**2
    sizes = [0, 1, 4095, 4096]
    sizes += [size + near for size in (block, alone, segment) for near in (-1, 0, 1)]
    for size in sizes:
        bench.file(f"{size}", size)
    mirror = bench.copy_to(tmp_path / "vault")
    document = compare(bench, mirror, *past_cache).document
    assert document["counts"]["matched"] == len(sizes)
    assert document["source"]["read_bytes"] == document["mirror"]["read_bytes"] == sum(sizes)
    for size in sizes[1:]:
        mirror.flip_bit(f"{size}", at=-1)
    assert len(compare(bench, mirror, *past_cache).findings) == len(sizes) - 1


# Empty places


def test_two_empty_folders_are_said_to_be_empty_and_never_called_good(
    bench: Tree, vault: Tree
) -> None:
    assert compare(bench, vault).status == 0
    said = verifier("compare", bench, vault).out
    assert b"Nothing was compared" in said
    assert b"All good" not in said


@pytest.mark.parametrize("full_side", ["source", "mirror"])
def test_a_side_that_holds_nothing_is_remarked_upon(
    bench: Tree, vault: Tree, full_side: str
) -> None:
    (bench if full_side == "source" else vault).files("a", "b")
    outcome = compare(bench, vault)
    assert outcome.status == 1
    assert "may not be mounted" in outcome.err
    assert outcome.document["counts"]["missing" if full_side == "source" else "orphaned"] == 2


def test_empty_folders_are_no_finding(pair: tuple[Tree, Tree]) -> None:
    source, mirror = pair
    source.folder("2026-015-salt-marsh/flights")
    assert compare(source, mirror).status == 0


def test_an_empty_file_is_matched_without_reading(bench: Tree, vault: Tree) -> None:
    bench.file("empty")
    vault.file("empty")
    document = compare(bench, vault).document
    assert document["counts"]["matched"] == 1
    assert document["source"]["read_bytes"] == 0


@pytest.fixture
def deep_pair(tmp_path: Path) -> Iterator[tuple[Tree, Tree]]:
    """Two trees deeper than Python's stack, which pytest could not remove by itself."""
    trees = Tree(tmp_path / "bench"), Tree(tmp_path / "vault")
    for tree in trees:
        place = os.open(tree.root, os.O_RDONLY)
        for _ in range(DEEP):
            os.mkdir("folder", dir_fd=place)
            below = os.open("folder", os.O_RDONLY, dir_fd=place)
            os.close(place)
            place = below
        with open(os.open("leaf", os.O_WRONLY | os.O_CREAT, dir_fd=place), "wb") as file:
            file.write(os.fsencode(tree.root.name))
        os.utime("leaf", (DATE, DATE), dir_fd=place)
        os.close(place)
    yield trees
    subprocess.run(["rm", "-rf", *trees], check=True)


def test_a_tree_deeper_than_the_stack_is_walked_to_its_end(deep_pair: tuple[Tree, Tree]) -> None:
    found = compare(*deep_pair).findings
    assert found == {"folder/" * DEEP + "leaf": ("corrupt", "differs", "unknown", None)}
