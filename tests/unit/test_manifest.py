"""Manifests come back as they were written, and damaged ones do not come back at all."""

from __future__ import annotations

import gzip
import json
import os
import random
import subprocess
import tempfile
import tracemalloc
from collections.abc import Iterator
from pathlib import Path

import pytest
from blake3 import blake3
from hypothesis import given, settings
from hypothesis import strategies as st

from verifier.errors import ManifestRefused, OutputFailed, PlaceUnreachable
from verifier.manifest import Header, ManifestReader, ManifestWriter, looks_like_manifest
from verifier.model import SEGMENT, Kind, Sighting, Trouble

FIXTURES = Path(__file__).parents[2] / "fixtures" / "manifests"
GOLDEN = FIXTURES / "golden"
BROKEN = FIXTURES / "broken"
EXPECTED = json.loads((BROKEN / "expected.json").read_text("utf-8"))

# The fixtures say that they were written between these two moments.
STARTED = 1795557603
ENDED = 1795559005

BENCH = "/volumes/bench/current-surveys"
CLUTTER = (".DS_Store", "Thumbs.db")


def file(path: bytes | str, size: int, **others: object) -> Sighting:
    """A file as the golden manifests have them; its digest is that of its own name."""
    name = path if isinstance(path, bytes) else path.encode()
    values: dict[str, object] = {
        "mtime_ns": 1782400000000000000 + size,
        "digest": blake3(name).digest(),
        "read_at": 1795557910,
    }
    return Sighting(name, Kind.FILE, size, **{**values, **others})  # type: ignore[arg-type]


def other(kind: Kind, path: str, size: int, **others: object) -> Sighting:
    mtime_ns = 1782400000000000000 + size
    return Sighting(path.encode(), kind, size, mtime_ns, **others)  # type: ignore[arg-type]


def unread(path: str, size: int, **others: object) -> Sighting:
    return other(Kind.FILE, path, size, **others)


def link(path: str, target: bytes) -> Sighting:
    return other(Kind.LINK, path, len(target), target=target)


def fingerprints(letters: str) -> tuple[bytes, ...]:
    return tuple(blake3(letter.encode()).digest()[:16] for letter in letters)


HARBOUR = "2026-014-harbour-wall"
NOTES = f"{HARBOUR}/notes".encode()

SURVEYS = [
    file(f"{HARBOUR}/flights/DJI_0001.JPG", 8412160),
    file(f"{HARBOUR}/flights/DJI_0002.JPG", 8390112, read_at=1795557911),
    file(f"{HARBOUR}/notes/.settings", 0, digest=blake3(b"empty").digest()),
    file(f"{HARBOUR}/notes/plan.txt", 1311),
    file(f"{HARBOUR}/orthos/wall.tif", SEGMENT, read_at=1795559004),
]

NAMES = [
    file(NOTES + b"/\x01bell\x1b[31m\x7f.txt", 1),
    file(NOTES + b"/...", 7),
    file(NOTES + b"/a\nb\tc\rd\be\ff", 2),
    file(NOTES + b'/back\\slash "quoted"', 3),
    file(NOTES + "/cafe\u0301.txt".encode(), 5),
    file(NOTES + "/caf\u00e9.txt".encode(), 6),
    file(NOTES + b"/caf\xe9\n.txt", 4, digest=blake3(NOTES + rb"/caf\xe9\x0a.txt").digest()),
    file(NOTES + "/tide \U0001f30a\u2028\u202e.txt".encode(), 8),
    file(NOTES + b'/{"entries":1}', 9),
    file(NOTES + b"/\xed\xb2\x80", 10, digest=blake3(NOTES + rb"/\xed\xb2\x80").digest()),
    file(NOTES + b"/\xff\xfe", 11, digest=blake3(NOTES + rb"/\xff\xfe").digest()),
]

LINKS = [
    link(f"{HARBOUR}/latest", b"orthos/wall.tif"),
    link(f"{HARBOUR}/latin", b"caf\xe9"),
    link(f"{HARBOUR}/outside", b"/volumes/bench/../elsewhere"),
    other(Kind.OTHER, f"{HARBOUR}/socket", 0),
    other(Kind.LINK, f"{HARBOUR}/unreadable-link", 9, trouble=Trouble("permission-denied")),
]

SEGMENTS = [
    file(f"{HARBOUR}/flights/DJI_0003.MP4", 2 * SEGMENT + 1, fingerprints=fingerprints("abc")),
    file(f"{HARBOUR}/flights/DJI_0004.MP4", SEGMENT + 1, fingerprints=fingerprints("ad")),
    file(f"{HARBOUR}/flights/DJI_0005.MP4", SEGMENT),
    file(f"{HARBOUR}/point-clouds/wall.laz", 4 * SEGMENT, fingerprints=fingerprints("efgh")),
]

TROUBLE = [
    other(
        Kind.OTHER,
        "2025-031-salt-pans",
        0,
        trouble=Trouble("permission-denied", "the folder cannot be listed"),
    ),
    unread(
        f"{HARBOUR}/flights/DJI_0006.JPG",
        8000000,
        read_at=1795557960,
        trouble=Trouble("input-output-error", "at byte 4096: bad sector"),
    ),
    unread(
        f"{HARBOUR}/flights/DJI_0007.JPG",
        8000001,
        read_at=1795557910,
        trouble=Trouble("changed-while-read"),
    ),
    unread(
        f"{HARBOUR}/flights/DJI_0008.JPG",
        8000002,
        read_at=1795557910,
        trouble=Trouble("unstable-read", "two reads gave “a” and “b”"),
    ),
    file(f"{HARBOUR}/notes/before-1970.txt", 3, mtime_ns=-1500000001, read_at=0),
    Sighting(f"{HARBOUR}/notes/far-ahead.txt".encode(), Kind.FILE, 4, 10**23 - 1),
    unread(f"{HARBOUR}/notes/not-read-yet.txt", 2**63 - 1),
]

GOLDEN_MANIFESTS: dict[str, tuple[str, tuple[str, ...], list[Sighting]]] = {
    "surveys.manifest": (BENCH, CLUTTER, SURVEYS),
    "surveys.manifest.gz": (BENCH, CLUTTER, SURVEYS),
    "empty-tree.manifest": (BENCH, (), []),
    "names.manifest": ("/volumes/vault/café", ("*.tmp", '"quoted"'), NAMES),
    "links.manifest": (BENCH, CLUTTER, LINKS),
    "segments.manifest": (BENCH, CLUTTER, SEGMENTS),
    "trouble.manifest": (BENCH, CLUTTER, TROUBLE),
}


def write(
    path: Path,
    sightings: list[Sighting] | Iterator[Sighting],
    place: str = BENCH,
    ignore: tuple[str, ...] = CLUTTER,
) -> Path:
    moments = iter((STARTED, ENDED + 0.9))
    with ManifestWriter(path, place, ignore, lambda: next(moments)) as writer:
        for sighting in sightings:
            writer.add(sighting)
    return path


def sealed(lines: list[bytes], size: int) -> bytes:
    """Whole manifest lines with a closing line that fits them."""
    digest = blake3(b"".join(lines)).hexdigest()
    closing = b'{"entries":%d,"bytes":%d,"blake3":"%s"}\n'
    return b"".join(lines) + closing % (len(lines) - 1, size, digest.encode())


def plain(path: Path) -> bytes:
    content = path.read_bytes()
    return gzip.decompress(content) if path.suffix == ".gz" else content


def many(count: int) -> Iterator[Sighting]:
    digest = blake3(b"wall").digest()
    for number in range(count):
        path = b"%s/flights/DJI_%08d.JPG" % (HARBOUR.encode(), number)
        yield Sighting(path, Kind.FILE, number, number, digest=digest, read_at=STARTED)


# Golden and broken fixtures


def test_every_golden_and_broken_fixture_is_listed():
    assert {path.name for path in GOLDEN.iterdir()} == set(GOLDEN_MANIFESTS)
    assert {path.name for path in BROKEN.iterdir()} == {*EXPECTED, "expected.json"}


@pytest.mark.parametrize("name", GOLDEN_MANIFESTS)
def test_a_golden_manifest_is_read_to_the_listed_values(name):
    place, ignore, sightings = GOLDEN_MANIFESTS[name]
    reader = ManifestReader(GOLDEN / name)
    assert reader.header == Header(
        schema="verifier.manifest.v1",
        place=place,
        started="2026-11-24T22:00:03+00:00",
        ended="2026-11-24T22:23:25+00:00",
        ignore=ignore,
        digest="blake3",
        fingerprint="xxh3_128",
        segment=67108864,
    )
    assert list(reader) == sightings
    assert reader.entries == len(sightings)
    assert reader.bytes == sum(each.size for each in sightings if each.kind is Kind.FILE)


@pytest.mark.parametrize("name", GOLDEN_MANIFESTS)
def test_the_writer_reproduces_a_golden_manifest_byte_by_byte(name, tmp_path):
    # Of a compressed one, what it holds: how zlib packs it differs from version to version.
    place, ignore, sightings = GOLDEN_MANIFESTS[name]
    assert plain(write(tmp_path / name, sightings, place, ignore)) == plain(GOLDEN / name)


@pytest.mark.parametrize("name", EXPECTED)
def test_a_broken_manifest_is_refused_with_its_sentence_and_line(name):
    with pytest.raises(ManifestRefused) as refusal:
        list(ManifestReader(BROKEN / name))
    sentence = str(refusal.value)
    assert EXPECTED[name]["says"] in sentence
    assert refusal.value.line == EXPECTED[name]["line"]
    assert f"{name}, line {EXPECTED[name]['line']}: " in sentence


@pytest.mark.parametrize("name", [name for name, each in EXPECTED.items() if each["line"] == 1])
def test_a_wrong_header_is_refused_before_anything_is_read(name):
    with pytest.raises(ManifestRefused):
        ManifestReader(BROKEN / name)


# What is written comes back

components = st.one_of(
    st.binary(min_size=1, max_size=9), st.text(min_size=1, max_size=9).map(str.encode)
).filter(lambda name: name not in (b".", b"..") and b"/" not in name and b"\0" not in name)
paths = st.lists(components, min_size=1, max_size=3).map(b"/".join)
troubles = st.none() | st.builds(
    Trouble,
    st.text("abcdefghijklmnopqrstuvwxyz-", min_size=1),
    st.text(st.characters(exclude_categories=["Cs"])),
)
times = {
    "mtime_ns": st.integers(-(2**70), 2**70),
    "read_at": st.none() | st.integers(0, 253402300799),
    "trouble": troubles,
}
digests = st.none() | st.binary(min_size=32, max_size=32)


def files_of(segments: int) -> st.SearchStrategy[Sighting]:
    """Files of so many segments, more than one of them with fingerprints."""
    one = st.binary(min_size=16, max_size=16)
    return st.builds(
        Sighting,
        path=paths,
        kind=st.just(Kind.FILE),
        size=st.integers((segments - 1) * SEGMENT + 1, segments * SEGMENT),
        digest=digests,
        fingerprints=st.just(())
        if segments == 1
        else st.lists(one, min_size=segments, max_size=segments).map(tuple),
        **times,
    )


sizes = st.integers(0, 2**63 - 1)
sightings = st.one_of(
    st.builds(Sighting, path=paths, kind=st.just(Kind.FILE), size=sizes, digest=digests, **times),
    st.integers(1, 5).flatmap(files_of),
    st.builds(
        Sighting,
        path=paths,
        kind=st.just(Kind.LINK),
        size=sizes,
        target=st.none() | paths,
        **times,
    ),
    st.builds(Sighting, path=paths, kind=st.just(Kind.OTHER), size=sizes, **times),
)
trees = st.lists(sightings, max_size=6, unique_by=lambda each: each.path).map(
    lambda tree: sorted(tree, key=lambda each: each.path)
)
suffixes = st.sampled_from(["", ".gz"])


@given(tree=trees, suffix=suffixes, place=st.text(), ignore=st.lists(st.text(), max_size=3))
def test_what_is_written_is_read_back(tree, suffix, place, ignore):
    with tempfile.TemporaryDirectory() as folder:
        path = write(Path(folder) / f"bench.manifest{suffix}", tree, place, tuple(ignore))
        reader = ManifestReader(path)
        assert list(reader) == tree
        assert (reader.header.place, reader.header.ignore) == (place, tuple(ignore))


@given(tree=trees)
def test_a_compressed_manifest_holds_the_same_bytes_as_a_plain_one(tree):
    with tempfile.TemporaryDirectory() as folder:
        compressed = write(Path(folder) / "a.gz", tree)
        assert plain(compressed) == write(Path(folder) / "a", tree).read_bytes()


@pytest.mark.parametrize("suffix", ["", ".gz"])
def test_the_same_tree_gives_the_same_file(tmp_path, suffix):
    first = write(tmp_path / f"first{suffix}", NAMES)
    second = write(tmp_path / f"second{suffix}", NAMES)
    assert first.read_bytes() == second.read_bytes()


@pytest.mark.parametrize("suffix", ["", ".gz"])
def test_a_manifest_larger_than_a_chunk_is_read_back(tmp_path, suffix):
    path = write(tmp_path / f"bench.manifest{suffix}", many(30000))
    reader = ManifestReader(path)
    assert list(reader) == list(many(30000))
    assert (reader.entries, reader.bytes) == (30000, 29999 * 15000)


def test_a_line_longer_than_a_chunk_is_read_back(tmp_path):
    size = 40000 * SEGMENT
    tree = [file("a", 1), file("b", size, fingerprints=(b"x" * 16,) * 40000), file("c", 1)]
    assert list(ManifestReader(write(tmp_path / "bench.manifest", tree))) == tree


def test_a_manifest_can_be_iterated_twice(tmp_path):
    reader = ManifestReader(write(tmp_path / "bench.manifest", SURVEYS))
    assert list(reader) == list(reader) == SURVEYS
    assert reader.entries == len(SURVEYS)


def test_the_writer_counts_entries_and_bytes(tmp_path):
    with ManifestWriter(tmp_path / "bench.manifest", BENCH, (), lambda: 0.0) as writer:
        for sighting in [file("a", 5), link("b", b"a"), file("c", 7)]:
            writer.add(sighting)
    assert (writer.entries, writer.bytes) == (3, 12)


def test_bad_bytes_in_place_patterns_and_trouble_are_escaped(tmp_path):
    bad = "caf\udce9"
    tree = [unread("a", 1, trouble=Trouble("input-output-error", bad))]
    reader = ManifestReader(write(tmp_path / "bench.manifest", tree, bad, (bad,)))
    assert (reader.header.place, reader.header.ignore) == (r"caf\udce9", (r"caf\udce9",))
    assert [each.trouble for each in reader] == [Trouble("input-output-error", r"caf\udce9")]


# What was damaged does not


def refused(path: Path, content: bytes) -> bool:
    path.write_bytes(content)
    try:
        list(ManifestReader(path))
    except ManifestRefused:
        return True
    return False


def test_every_flipped_bit_of_a_plain_manifest_is_refused(tmp_path):
    content = write(tmp_path / "bench.manifest", SURVEYS[:1]).read_bytes()
    for position in range(len(content)):
        for bit in range(8):
            edited = bytearray(content)
            edited[position] ^= 1 << bit
            assert refused(tmp_path / "edited", bytes(edited)), (position, bit)


@settings(max_examples=400)
@given(tree=trees, data=st.data())
def test_any_byte_changed_to_any_other_in_a_plain_manifest_is_refused(tree, data):
    with tempfile.TemporaryDirectory() as folder:
        content = bytearray(write(Path(folder) / "bench.manifest", tree).read_bytes())
        position = data.draw(st.integers(0, len(content) - 1))
        content[position] = (content[position] + data.draw(st.integers(1, 255))) % 256
        assert refused(Path(folder) / "edited", bytes(content))


@given(tree=trees, data=st.data())
def test_any_byte_put_in_or_taken_out_of_a_plain_manifest_is_refused(tree, data):
    with tempfile.TemporaryDirectory() as folder:
        content = write(Path(folder) / "bench.manifest", tree).read_bytes()
        position = data.draw(st.integers(0, len(content) - 1))
        more = data.draw(st.binary(min_size=1, max_size=3))
        assert refused(Path(folder) / "longer", content[:position] + more + content[position:])
        assert refused(Path(folder) / "shorter", content[:position] + content[position + 1 :])


@pytest.mark.parametrize("name", ["surveys.manifest.gz", "written.manifest.gz"])
def test_any_byte_changed_in_a_compressed_manifest_is_refused_or_changes_nothing(name, tmp_path):
    # gzip has bytes that say nothing of the content, such as the system it was packed on.
    source = GOLDEN / name if (GOLDEN / name).exists() else write(tmp_path / name, SURVEYS)
    content = source.read_bytes()
    values = random.Random(name)
    for position in range(len(content)):
        edited = bytearray(content)
        edited[position] = (edited[position] + values.randrange(1, 256)) % 256
        path = tmp_path / "edited"
        assert refused(path, bytes(edited)) or list(ManifestReader(path)) == SURVEYS


@pytest.mark.parametrize("name", ["surveys.manifest", "surveys.manifest.gz", "names.manifest"])
def test_a_manifest_cut_at_any_byte_is_refused(name, tmp_path):
    content = (GOLDEN / name).read_bytes()
    for end in range(len(content)):
        assert refused(tmp_path / "cut", content[:end]), end


def test_a_compressed_manifest_as_we_write_it_cut_at_any_byte_is_refused(tmp_path):
    content = write(tmp_path / "bench.manifest.gz", SURVEYS).read_bytes()
    for end in range(len(content)):
        assert refused(tmp_path / "cut", content[:end]), end


@given(tree=trees.filter(lambda tree: len(tree) > 1), shuffle=st.randoms())
def test_lines_in_another_order_are_refused_though_the_closing_line_fits(tree, shuffle):
    with tempfile.TemporaryDirectory() as folder:
        content = write(Path(folder) / "bench.manifest", tree).read_bytes()
        head, *lines = [line + b"\n" for line in content.split(b"\n")[:-2]]
        mixed = lines.copy()
        shuffle.shuffle(mixed)
        if mixed == lines:
            mixed.reverse()
        size = sum(each.size for each in tree if each.kind is Kind.FILE)
        assert refused(Path(folder) / "mixed", sealed([head, *mixed], size))


@given(tree=trees.filter(bool), data=st.data())
def test_a_line_that_stands_twice_is_refused_though_the_closing_line_fits(tree, data):
    with tempfile.TemporaryDirectory() as folder:
        content = write(Path(folder) / "bench.manifest", tree).read_bytes()
        lines = [line + b"\n" for line in content.split(b"\n")[:-2]]
        twice = data.draw(st.integers(1, len(tree)))
        lines.insert(twice, lines[twice])
        size = sum(each.size for each in [*tree, tree[twice - 1]] if each.kind is Kind.FILE)
        assert refused(Path(folder) / "twice", sealed(lines, size))


def test_a_wrong_line_far_into_a_manifest_is_named_exactly(tmp_path):
    lines = write(tmp_path / "bench.manifest", many(30000)).read_bytes().splitlines(keepends=True)
    lines[20000] = lines[20000].replace(b"DJI_00019999", b"DJI_00019998")
    (tmp_path / "edited").write_bytes(sealed(lines[:-1], 29999 * 15000))
    seen = 0
    with pytest.raises(ManifestRefused, match="line 20001: the path of the line before"):
        for _ in ManifestReader(tmp_path / "edited"):
            seen += 1
    assert seen == 19999


def test_the_first_line_of_a_chunk_is_held_against_the_last_of_the_chunk_before(tmp_path):
    content = write(tmp_path / "bench.manifest", many(30000)).read_bytes()
    lines = [line + b"\n" for line in content.split(b"\n")[:-1]]
    first_after = content[: 1024 * 1024].count(b"\n") - 1
    lines[first_after] = lines[first_after - 1]
    (tmp_path / "edited").write_bytes(sealed(lines[:-1], 29999 * 15000))
    with pytest.raises(ManifestRefused, match=f"line {first_after + 1}: the path of the line"):
        list(ManifestReader(tmp_path / "edited"))


def test_a_manifest_that_changes_between_opening_and_reading_is_refused(tmp_path):
    path = write(tmp_path / "bench.manifest", SURVEYS)
    reader = ManifestReader(path)
    write(path, SURVEYS, place="/volumes/vault/current-surveys")
    with pytest.raises(ManifestRefused, match="it was changed while it was in use"):
        list(reader)


def test_a_line_without_end_is_refused_before_it_fills_the_memory(tmp_path):
    path = tmp_path / "bench.manifest"
    with path.open("wb") as file:
        file.write((GOLDEN / "surveys.manifest").read_bytes().splitlines(keepends=True)[0])
        file.truncate(2**33)
    with pytest.raises(ManifestRefused, match="line 2: the line is too long"):
        list(ManifestReader(path))


def test_memory_does_not_grow_with_the_number_of_entries(tmp_path):
    path = tmp_path / "bench.manifest"
    tracemalloc.start()
    try:
        write(path, many(40000))
        for _ in ManifestReader(path):
            pass
        peak = tracemalloc.get_traced_memory()[1]
    finally:
        tracemalloc.stop()
    assert path.stat().st_size > 8_000_000
    assert peak < 8_000_000


# Files that are no manifests, and places that are no files


def test_a_manifest_that_is_not_there_is_unreachable(tmp_path):
    with pytest.raises(PlaceUnreachable, match="no such file"):
        ManifestReader(tmp_path / "none.manifest")


def test_a_folder_or_a_pipe_is_unreachable_as_a_manifest(tmp_path):
    os.mkfifo(tmp_path / "pipe")
    for path in (tmp_path, tmp_path / "pipe"):
        with pytest.raises(PlaceUnreachable, match="is no regular file"):
            ManifestReader(path)


@pytest.mark.parametrize(
    "path", [*sorted(GOLDEN.iterdir()), BROKEN / "newer-schema.manifest"], ids=lambda p: p.name
)
def test_manifests_of_any_version_look_like_manifests(path):
    assert looks_like_manifest(path)


@pytest.mark.parametrize("name", ["nothing.manifest", "a-note.manifest", "a-photo.manifest"])
def test_other_files_do_not_look_like_manifests(name):
    assert not looks_like_manifest(BROKEN / name)


def test_other_compressed_files_do_not_look_like_manifests(tmp_path):
    assert not looks_like_manifest(BROKEN / "compressed-note.manifest.gz")
    (tmp_path / "gz").write_bytes(b"\x1f\x8bno more gzip than these two bytes")
    assert not looks_like_manifest(tmp_path / "gz")


def test_folders_pipes_and_what_is_not_there_do_not_look_like_manifests(tmp_path):
    os.mkfifo(tmp_path / "pipe")
    for path in (tmp_path, tmp_path / "pipe", tmp_path / "none"):
        assert not looks_like_manifest(path)


# Writing: whole or not at all


@pytest.mark.parametrize("path", [b"b", b"a", b"B", b""])
def test_a_sighting_that_does_not_come_after_the_one_before_is_a_programming_error(path, tmp_path):
    with (
        pytest.raises(ValueError, match="does not come after"),
        ManifestWriter(tmp_path / "bench.manifest", BENCH, (), lambda: 0.0) as writer,
    ):
        writer.add(file(b"b", 1))
        writer.add(file(path, 1))
    assert not list(tmp_path.iterdir())


@pytest.mark.parametrize(
    "sighting",
    [
        file("/etc/passwd", 1),
        file("a/../b", 1),
        file("a//b", 1),
        file("a/", 1),
        file(".", 1),
        file(b"a\0", 1),
        file("a", 1, target=b"b"),
        file("a", 1, read_at=-1),
        file("a", SEGMENT, fingerprints=fingerprints("a")),
        file("a", SEGMENT + 1, fingerprints=fingerprints("abc")),
        other(Kind.LINK, "a", 1, digest=bytes(32)),
    ],
    ids=repr,
)
def test_a_sighting_that_no_reader_would_accept_is_a_programming_error(sighting, tmp_path):
    with pytest.raises(ValueError):
        write(tmp_path / "bench.manifest", [sighting])
    assert not list(tmp_path.iterdir())


@pytest.mark.parametrize("suffix", ["", ".gz"])
def test_an_exception_leaves_the_manifest_that_was_there_and_nothing_else(tmp_path, suffix):
    path = write(tmp_path / f"bench.manifest{suffix}", SURVEYS)
    before = path.read_bytes()

    def interrupted() -> Iterator[Sighting]:
        yield from many(5000)
        raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        write(path, interrupted())
    assert path.read_bytes() == before
    assert list(tmp_path.iterdir()) == [path]


def test_a_new_manifest_takes_the_place_of_the_old_one(tmp_path):
    path = write(tmp_path / "bench.manifest", SURVEYS)
    write(path, LINKS)
    assert list(ManifestReader(path)) == LINKS
    assert list(tmp_path.iterdir()) == [path]


def test_a_manifest_has_the_permissions_that_a_new_file_gets(tmp_path):
    (tmp_path / "note").touch()
    path = write(tmp_path / "bench.manifest", SURVEYS)
    assert path.stat().st_mode == (tmp_path / "note").stat().st_mode


def test_a_missing_folder_is_named_in_the_error(tmp_path):
    with pytest.raises(OutputFailed, match=r"the folder .*/reports does not exist\. Create"):
        write(tmp_path / "reports" / "bench.manifest", SURVEYS)


def test_a_file_in_the_place_of_the_folder_is_named_in_the_error(tmp_path):
    (tmp_path / "reports").touch()
    with pytest.raises(OutputFailed, match=r"the folder .*/reports does not exist"):
        write(tmp_path / "reports" / "bench.manifest", SURVEYS)


def test_a_folder_or_a_pipe_is_never_replaced_by_a_manifest(tmp_path):
    os.mkfifo(tmp_path / "pipe")
    (tmp_path / "folder").mkdir()
    for name in ("pipe", "folder"):
        with pytest.raises(OutputFailed, match=r"is no regular file\. Name a file"):
            write(tmp_path / name, SURVEYS)
    assert (tmp_path / "pipe").is_fifo()
    assert {path.name for path in tmp_path.iterdir()} == {"pipe", "folder"}


@pytest.fixture
def small_disk(tmp_path) -> Iterator[Path]:
    """A disk of 1 MiB."""
    folder = tmp_path / "disk"
    folder.mkdir()
    if os.geteuid() != 0:
        pytest.skip("only root may mount a small disk")
    mount = ["mount", "-t", "tmpfs", "-o", "size=1m", "tmpfs", str(folder)]
    mounted = subprocess.run(mount, capture_output=True, text=True)
    if mounted.returncode != 0:
        pytest.skip(f"no small disk can be mounted here: {mounted.stderr.strip()}")
    yield folder
    subprocess.run(["umount", str(folder)], check=True)


@pytest.mark.root
@pytest.mark.parametrize("suffix", ["", ".gz"])
def test_a_full_disk_is_an_error_that_leaves_only_what_was_there(small_disk, suffix):
    path = write(small_disk / f"bench.manifest{suffix}", SURVEYS)
    before = path.read_bytes()
    with pytest.raises(OutputFailed, match=r"no space left on device\. Make room in "):
        write(path, many(200_000))
    assert path.read_bytes() == before
    assert list(small_disk.iterdir()) == [path]


@pytest.mark.root
def test_a_manifest_that_once_failed_cannot_be_finished(small_disk):
    with (
        pytest.raises(OutputFailed),
        ManifestWriter(small_disk / "bench.manifest", BENCH, (), lambda: 0.0) as writer,
        pytest.raises(OutputFailed),
    ):
        for sighting in many(200_000):
            writer.add(sighting)
    assert not list(small_disk.iterdir())
