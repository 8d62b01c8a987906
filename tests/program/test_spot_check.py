"""Spot-checks as they run: the installed command, real trees, real rot, a real ledger."""

from __future__ import annotations

import os
import re
import shutil
import signal
import sqlite3
import time
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
from faults.mounts import Share, needs_fuse
from trees import DATE, HOUR, Tree

from program.estate import SHARE, Estate, closing_in, document_in, working_now
from program.running import Outcome, members, refusal, running, verifier, wait_until
from verifier.sampling import Draw, most_bad

MIB = 1024 * 1024
SEGMENT = 64 * MIB
KEYS = [
    "schema",
    "seed",
    "population",
    "sample",
    "bad",
    "confidence",
    "at_most",
    "statement",
    "findings",
]
HARBOUR = "2026-014-harbour-wall"


@pytest.fixture
def estate(tmp_path: Path) -> Estate:
    """A share of forty files, all of them read and agreed on."""
    source = Tree(tmp_path / "bench" / SHARE)
    for number in range(40):
        folder = HARBOUR if number < 30 else "2026-021-lock-gates"
        source.file(f"{folder}/orthos/{number:04}.tif", 1_000 + number)
    return read_once(Estate(tmp_path, source))


@pytest.fixture
def large(tmp_path: Path) -> Estate:
    """A share that is one film of three segments, the last one short, and a note."""
    source = Tree(tmp_path / "bench" / SHARE)
    source.file("flight.mov", 2 * SEGMENT + 5 * MIB).file("notes.txt", 1_000)
    return read_once(Estate(tmp_path, source))


def read_once(estate: Estate) -> Estate:
    outcome = estate.shift()
    assert outcome.status == 0, outcome.err
    return estate


def spot_check(estate: Estate, *options: Any, **how: Any) -> Outcome:
    """A spot-check whose result is asked for as a document."""
    outcome = estate.run("spot-check", SHARE, "--json", *map(str, options), **how)
    assert outcome.status in (0, 1, 3), outcome.err
    document = outcome.document
    assert list(document) == KEYS
    assert document["schema"] == "verifier.spotcheck.v1"
    assert 0 <= document["at_most"] <= 1
    return outcome


def all_of(estate: Estate, *options: Any, **how: Any) -> Outcome:
    """A spot-check that happens to draw every file."""
    return spot_check(estate, "--at-most", "0.001", "--confidence", "0.999", *options, **how)


def image(number: int) -> str:
    folder = HARBOUR if number < 30 else "2026-021-lock-gates"
    return f"{folder}/orthos/{number:04}.tif"


def in_order(seed: int, paths: list[str]) -> list[str]:
    draw = Draw(seed)
    return sorted(paths, key=lambda path: draw.rank(path.encode()))


def as_a_disk_does(estate: Estate, tree: Tree, path: str) -> None:
    """Have the ledger's record of a file fit the file as it is, but for its content.

    A disk changes bytes and tells the file system nothing of it; a test cannot.
    """
    found = os.lstat(tree.at(path))
    place = "source" if tree is estate.source else "vault"
    connection = sqlite3.connect(estate.ledger)
    with connection:
        changed = connection.execute(
            "UPDATE sightings SET ctime_ns = ? WHERE name = ? AND size = ? AND mtime_ns = ?"
            " AND place = (SELECT id FROM places WHERE name = ?)",
            (
                found.st_ctime_ns,
                os.path.basename(path).encode(),
                found.st_size,
                found.st_mtime_ns,
                place,
            ),
        )
        assert changed.rowcount == 1
    connection.close()


def rows(estate: Estate, question: str) -> list[tuple[Any, ...]]:
    connection = sqlite3.connect(f"file:{estate.ledger}?mode=ro", uri=True)
    try:
        return connection.execute(question).fetchall()
    finally:
        connection.close()


# ---------------------------------------------------------------------------- where all is well


def test_a_sample_without_a_bad_file_shows_what_was_asked(estate):
    outcome = spot_check(estate, "--at-most", "10 %", "--seed", "5")
    assert outcome.status == 0
    document = outcome.document
    assert document["seed"] == 5
    assert document["population"] == {"files": 40, "bytes": sum(1_000 + n for n in range(40))}
    drawn = document["sample"]["files"]
    assert 0 < drawn < 40
    assert (document["bad"], document["confidence"], document["findings"]) == (0, 0.95, [])
    assert document["at_most"] == most_bad(40, drawn, 0, parts("0.95")) / 40 <= 0.1
    statement = document["statement"]
    assert f"{drawn} drawn at random were read afresh on the source and vault" in statement
    assert "none was bad" in statement and "with 95 % confidence at most 10 %" in statement
    assert re.search(r"does not cover .*changed since.*places that were not read", statement)
    assert "hit all sides alike before they were first read" in statement


def parts(written: str) -> Any:
    from fractions import Fraction

    return Fraction(written)


def test_what_is_drawn_is_the_beginning_of_the_order_that_the_seed_gives(estate):
    before = dict(rows(estate, "SELECT name, ctime_ns FROM sightings"))
    assert before
    connection = sqlite3.connect(estate.ledger)
    with connection:
        connection.execute("UPDATE sightings SET read_at = 5")
    connection.close()
    outcome = spot_check(estate, "--at-most", "0.2", "--seed", "77")
    drawn = outcome.document["sample"]["files"]
    read = rows(
        estate,
        "SELECT places.name, folders.path || sightings.name FROM sightings"
        " JOIN folders ON folders.id = sightings.folder JOIN places ON places.id = place"
        " WHERE read_at > 5",
    )
    expected = in_order(77, [image(number) for number in range(40)])[:drawn]
    assert sorted(read) == [
        (place, path) for place in ("source", "vault") for path in sorted(expected)
    ]


def test_a_seed_repeats_a_draw_and_without_one_each_draw_is_another(estate):
    first = spot_check(estate, "--at-most", "0.2", "--seed", "12").document
    again = spot_check(estate, "--at-most", "0.2", "--seed", "12").document
    assert first["sample"] == again["sample"]
    others = [spot_check(estate, "--at-most", "0.2").document for _ in range(4)]
    assert len({each["seed"] for each in others}) > 1
    assert len({each["sample"]["bytes"] for each in others}) > 1


def test_people_are_told_in_one_sentence_and_what_it_does_not_cover_in_a_second(estate):
    outcome = estate.run("spot-check", SHARE, "--at-most", "0.1", "--seed", "3")
    assert outcome.status == 0
    told, limits, seed = outcome.out.decode().strip().split("\n\n")
    assert " ".join(told.split()).count(". ") == 0 and told.startswith("Of the 40 files")
    assert limits.startswith("This does not cover what came to the source after")
    assert seed == "Seed: 3 (--seed 3 draws the same again)"


def test_a_folder_narrows_the_draw(estate):
    document = spot_check(estate, "--folder", "2026-021-lock-gates/", "--seed", "1").document
    assert document["population"]["files"] == 10
    assert "2026-021-lock-gates in current-surveys" in document["statement"]
    estate.mirror.flip_bit(image(3))
    assert spot_check(estate, "--folder", "2026-021-lock-gates").document["bad"] == 0
    assert all_of(estate, "--folder", f"./{HARBOUR}//orthos").document["bad"] == 1


def test_more_confidence_takes_a_larger_sample(estate):
    drawn = [
        spot_check(estate, "--at-most", "0.1", "--confidence", sure).document["sample"]["files"]
        for sure in ("50 %", "0.9", "0.99")
    ]
    assert drawn == sorted(set(drawn))


@pytest.mark.parametrize("by", ["files", "bytes"])
def test_nothing_is_written_to_a_share(large, by):
    before = stats_of(large)
    assert spot_check(large, "--by", by).document["sample"]["files"] >= 1
    assert stats_of(large) == before


def stats_of(estate: Estate) -> dict[str, tuple[int, ...]]:
    return {
        path: (found.st_atime_ns, found.st_mtime_ns, found.st_ctime_ns, found.st_size)
        for tree in (estate.source, estate.mirror)
        for folder, _, files in os.walk(tree.root)
        for path in [folder, *(os.path.join(folder, name) for name in files)]
        if os.path.isfile(path)
        for found in [os.lstat(path)]
    }


# ------------------------------------------------------------------------------ what is bad


@pytest.mark.parametrize("silent", [True, False])
@pytest.mark.parametrize("side", ["source", "mirror"])
def test_rot_is_found_on_the_right_side_and_goes_into_the_ledger(estate, side, silent):
    tree = estate.source if side == "source" else estate.mirror
    tree.flip_bit(image(7), at=40)
    if silent:
        as_a_disk_does(estate, tree, image(7))
    outcome = all_of(estate)
    assert outcome.status == 1
    assert outcome.document["bad"] == 1
    assert outcome.document["sample"]["files"] == 40
    assert outcome.document["at_most"] == 1 / 40
    assert outcome.findings == {image(7): ("corrupt", "rot", side, None)}
    (finding,) = outcome.document["findings"]
    assert finding["id"] == 1 and finding["share"] == SHARE and finding["mirror"] == "vault"
    assert finding["damage"]["differing_bytes"] == 1
    listed = estate.run("findings", "--json")
    assert listed.findings == outcome.findings
    # The shift that follows says the same of it, under the same number.
    assert [each["id"] for each in estate.shift().document["findings"]] == [1]


def test_what_is_near_damage_is_read_first_by_the_next_shift(estate):
    estate.mirror.flip_bit(image(7))
    assert all_of(estate, "--folder", HARBOUR).status == 1
    wanted = "SELECT count(*) FROM sightings WHERE wanted IS NOT NULL"
    assert rows(estate, wanted)[0][0] >= 29
    estate.shift()
    assert rows(estate, wanted) == [(0,)]


def test_the_bound_counts_the_bad_ones_that_were_drawn(estate):
    seed = 4
    order = in_order(seed, [image(number) for number in range(40)])
    for path in order[:2]:
        estate.mirror.flip_bit(path)
    document = spot_check(estate, "--at-most", "0.1", "--seed", seed).document
    drawn = document["sample"]["files"]
    assert document["bad"] == 2 == len(document["findings"])
    assert document["at_most"] == most_bad(40, drawn, 2, parts("0.95")) / 40
    assert "2 were bad" in document["statement"]


def test_another_content_under_a_kept_date_is_found(estate):
    estate.mirror.rewrite(image(1))
    estate.source.rewrite(image(2))
    outcome = all_of(estate)
    assert outcome.document["bad"] == 2
    assert outcome.findings == {
        image(1): ("corrupt", "rot", "mirror", None),
        image(2): ("corrupt", "rot", "source", None),
    }


def test_the_same_content_on_both_sides_is_bad_when_it_is_not_the_agreed_one(estate):
    for tree in (estate.source, estate.mirror):
        tree.flip_bit(image(5))
        as_a_disk_does(estate, tree, image(5))
    outcome = all_of(estate)
    assert outcome.findings == {image(5): ("corrupt", "rot", "both", None)}
    assert outcome.document["bad"] == 1


def test_a_file_that_is_missing_on_the_mirror_is_bad_once_its_copy_is_due(estate):
    estate.mirror.delete(image(9))
    outcome = all_of(estate)
    assert outcome.status == 1
    assert outcome.findings == {image(9): ("missing", "never-copied", "mirror", None)}
    assert outcome.document["bad"] == 1


def test_a_file_that_changed_is_compared_as_it_stands_now(estate):
    estate.source.edit(image(3))
    shutil.copy2(estate.source.at(image(3)), estate.mirror.at(image(3)))
    outcome = all_of(estate)
    assert outcome.status == 0 and outcome.document["bad"] == 0
    told = estate.run("spot-check", SHARE, "--confidence", "0.999").out.decode()
    assert "1 file had changed or gone since the last shift" in told


def test_a_mirror_that_is_behind_is_bad_when_its_copy_was_due_and_not_before(estate):
    estate.source.edit(image(3))
    estate.mirror.delete(image(4))
    now = datetime.now(UTC)
    # A run that has begun before the edit and takes long yet: no copy is due.
    begun = now - timedelta(hours=1)
    estate.settings(share=f'mirror_runs = "{begun:%H:%M}"\nmirror_takes = "20 h"')
    waiting = all_of(estate)
    assert waiting.document["bad"] == 0 and waiting.document["findings"] == []
    assert waiting.status == 0
    estate.settings()
    due = all_of(estate)
    assert due.document["bad"] == 2
    assert due.findings == {
        image(3): ("stale", "older-version", "mirror", None),
        image(4): ("missing", "never-copied", "mirror", None),
    }


def test_a_file_that_has_left_the_source_is_not_bad(estate):
    estate.source.delete(image(8))
    outcome = all_of(estate)
    assert outcome.status == 0 and outcome.document["bad"] == 0


def test_a_link_where_a_file_was_is_bad(estate):
    estate.mirror.replace_by_link(image(8), "elsewhere.tif")
    outcome = all_of(estate)
    assert outcome.status == 1 and outcome.document["bad"] == 1


@pytest.mark.parametrize("stands", ["link", "fifo", "folder"])
def test_what_took_the_place_of_a_mirrors_file_is_a_finding_and_not_only_a_number(estate, stands):
    at = estate.mirror.root / image(8)
    at.unlink()
    {
        "link": lambda: at.symlink_to("elsewhere.tif"),
        "fifo": lambda: os.mkfifo(at),
        "folder": at.mkdir,
    }[stands]()
    outcome = all_of(estate)
    (finding,) = outcome.document["findings"]
    assert (finding["path"], finding["verdict"]) == (image(8), "corrupt")
    assert (finding["cause"], finding["side"]) == ("kind-changed", "mirror")
    assert estate.run("findings").status == 1
    (after,) = estate.shift().document["findings"]
    assert (after["path"], after["side"]) == (image(8), "mirror")


def test_a_mended_file_closes_its_finding(estate):
    estate.mirror.flip_bit(image(7))
    assert all_of(estate).status == 1
    shutil.copy2(estate.source.at(image(7)), estate.mirror.at(image(7)))
    outcome = all_of(estate)
    assert outcome.status == 0 and outcome.document["findings"] == []
    assert estate.run("findings").status == 0


def test_what_was_accepted_is_counted_and_needs_nobody(estate):
    estate.mirror.delete(image(9))
    assert all_of(estate).status == 1
    assert estate.run("accept", "1", "--because", "kept off the mirror").status == 0
    outcome = all_of(estate)
    assert outcome.status == 0
    assert outcome.document["bad"] == 1 and outcome.document["findings"] == []


def test_a_name_in_another_unicode_form_is_the_same_file(tmp_path):
    source = Tree(tmp_path / "bench" / SHARE).files(*(f"{n}.tif" for n in range(5)))
    source.file("caf\u00e9.tif", 500)
    estate = Estate(tmp_path, source)
    estate.mirror.rename("caf\u00e9.tif", "cafe\u0301.tif")
    assert estate.shift().status == 0
    assert all_of(estate).document["bad"] == 0
    estate.mirror.flip_bit("cafe\u0301.tif")
    outcome = all_of(estate)
    assert outcome.document["bad"] == 1
    assert outcome.findings == {"caf\u00e9.tif": ("corrupt", "rot", "mirror", "cafe\u0301.tif")}


# --------------------------------------------------------------------------------- by bytes


def test_by_bytes_a_large_file_is_sampled_without_being_read_whole(large):
    outcome = spot_check(large, "--by", "bytes", "--at-most", "0.9", "--confidence", "0.5")
    assert outcome.status == 0
    document = outcome.document
    assert document["sample"]["files"] == 1
    assert document["sample"]["bytes"] in (SEGMENT, 5 * MIB)
    assert document["at_most"] <= 0.9
    assert "around 1 byte drawn at random" in document["statement"]
    assert "lie in bad pieces" in document["statement"]


@pytest.mark.parametrize("silent", [True, False])
def test_by_bytes_a_piece_that_differs_leads_to_its_whole_file(large, silent):
    large.mirror.garble("flight.mov", at=2 * SEGMENT + 9, length=512)
    if silent:
        as_a_disk_does(large, large.mirror, "flight.mov")
    # One draw in twenty may say too little: that is what a confidence of 95 % is.
    outcome = spot_check(large, "--by", "bytes", "--seed", "1")
    assert outcome.status == 1
    assert outcome.findings == {"flight.mov": ("corrupt", "rot", "mirror", None)}
    document = outcome.document
    assert document["bad"] == 1
    # All three pieces were read, so the bad bytes are known: those of the last piece.
    population = 2 * SEGMENT + 5 * MIB + 1_000
    assert document["population"]["bytes"] == population
    drawn_all = document["sample"]["bytes"] == population
    if drawn_all:
        assert document["at_most"] == 5 * MIB / population
    assert document["at_most"] >= 5 * MIB / population
    assert "1 piece was bad" in document["statement"]


def test_by_bytes_the_sides_are_compared_where_the_ledger_knows_neither_as_it_is_now(large):
    large.mirror.flip_bit("flight.mov", at=SEGMENT + 1)
    for tree in (large.source, large.mirror):
        tree.date("flight.mov", DATE + HOUR)
    outcome = spot_check(large, "--by", "bytes")
    assert outcome.findings == {"flight.mov": ("corrupt", "altered", "mirror", None)}
    assert outcome.document["bad"] == 1


def test_by_bytes_the_ledgers_fingerprints_show_a_change_that_hit_both_sides_alike(large):
    for tree in (large.source, large.mirror):
        tree.flip_bit("flight.mov", at=SEGMENT + 1)
        as_a_disk_does(large, tree, "flight.mov")
    outcome = spot_check(large, "--by", "bytes")
    assert outcome.findings == {"flight.mov": ("corrupt", "rot", "both", None)}
    assert outcome.document["bad"] == 1


def test_by_bytes_a_file_of_one_segment_is_compared_by_its_digest(large):
    for tree in (large.source, large.mirror):
        tree.flip_bit("notes.txt", at=3)
        as_a_disk_does(large, tree, "notes.txt")
    outcome = spot_check(large, "--by", "bytes", "--folder", ".", "--seed", note_seed())
    assert outcome.findings == {"notes.txt": ("corrupt", "rot", "both", None)}


def test_by_bytes_nothing_is_claimed_of_empty_files(tmp_path):
    source = Tree(tmp_path / "bench" / SHARE).files("a.tif", "b.tif").file("flags/synced", 0)
    estate = read_once(Estate(tmp_path, source))
    estate.mirror.delete("flags/synced")
    outcome = spot_check(estate, "--by", "bytes", "--at-most", "0.001", "--confidence", "0.999")
    assert outcome.document["population"] == {"files": 2, "bytes": 2_000}
    assert outcome.document["statement"].startswith(f"All 2 non-empty files of {SHARE} (2.0 kB)")
    assert "This does not cover empty files, what came" in outcome.document["statement"]
    assert all_of(estate).findings == {"flags/synced": ("missing", "never-copied", "mirror", None)}


def test_by_bytes_where_all_files_are_empty_none_can_be_drawn(tmp_path):
    source = Tree(tmp_path / "bench" / SHARE).file("flags/synced", 0)
    estate = read_once(Estate(tmp_path, source))
    said = refusal(2, "--config", estate.file, "spot-check", SHARE, "--by", "bytes")
    assert "hold no byte" in said


def note_seed() -> int:
    """A seed whose draws hit the note, which comes after the film."""
    film = 2 * SEGMENT + 5 * MIB
    return next(
        seed
        for seed in range(100_000)
        if any(at >= film for at in Draw(seed).numbers(film + 1_000, 2_900))
    )


def test_by_bytes_a_piece_of_an_edited_file_waits_for_its_copy_and_is_not_read_whole(large):
    large.source.flip_bit("flight.mov", at=7).date("flight.mov", time.time() - 3_600)
    begun = datetime.now(UTC) - timedelta(hours=2)
    large.settings(share=f'mirror_runs = "{begun:%H:%M}"\nmirror_takes = "20 h"')
    waiting = spot_check(large, "--by", "bytes")
    assert waiting.status == 0 and waiting.document["bad"] == 0
    large.settings()
    due = spot_check(large, "--by", "bytes")
    assert due.document["bad"] == 1
    assert due.findings == {"flight.mov": ("stale", "older-version", "mirror", None)}


def test_by_bytes_what_a_file_has_grown_by_is_read_with_its_last_piece(large):
    for tree, last in ((large.source, b"a"), (large.mirror, b"b")):
        with open(tree.at("flight.mov"), "ab") as film:
            film.truncate(3 * SEGMENT + 8)
            film.write(last)
        tree.date("flight.mov", DATE + HOUR)
    outcome = spot_check(large, "--by", "bytes", "--seed", "1")
    assert outcome.findings == {"flight.mov": ("corrupt", "differs", "unknown", None)}
    assert outcome.document["bad"] == 1


@pytest.fixture
def one_film(tmp_path: Path) -> Estate:
    """A share that is all but one film of seven segments."""
    source = Tree(tmp_path / "bench" / SHARE).file("notes.txt", 1_000).file("flight.mov")
    os.truncate(source.at("flight.mov"), 7 * SEGMENT)
    source.date("flight.mov", DATE)
    return read_once(Estate(tmp_path, source))


def test_by_bytes_many_pieces_of_one_edited_film_are_no_mass_change(one_film):
    one_film.settings(share="surge_above = '60 %'")
    one_film.source.flip_bit("flight.mov").date("flight.mov", DATE + HOUR)
    outcome = one_film.run("spot-check", SHARE, "--by", "bytes")
    assert "vanished since the last walk" not in outcome.err
    assert "1 file had changed or gone since the last shift" in outcome.out.decode()
    assert one_film.run("findings").status == 1


def test_by_bytes_many_pieces_of_one_missing_film_are_no_emptied_mirror(one_film):
    one_film.mirror.delete("flight.mov")
    outcome = spot_check(one_film, "--by", "bytes")
    assert "looks unmounted" not in outcome.err
    assert outcome.findings == {"flight.mov": ("missing", "never-copied", "mirror", None)}


def test_by_bytes_a_mirror_file_that_is_missing_is_bad(large):
    large.mirror.delete("flight.mov")
    outcome = spot_check(large, "--by", "bytes")
    assert outcome.findings == {"flight.mov": ("missing", "never-copied", "mirror", None)}
    assert outcome.document["bad"] == 3


# ----------------------------------------------------------------------------- places that fail


@pytest.fixture
def two_mirrors(estate: Estate) -> Estate:
    far = estate.source.copy_to(estate.root / "faraway")
    estate.more = f'[[share.mirror]]\nname = "faraway"\nat = "{far.root}"'  # type: ignore[attr-defined]
    estate.far = far  # type: ignore[attr-defined]
    estate.settings(more=estate.more)  # type: ignore[attr-defined]
    return read_once(estate)


def test_every_mirror_is_read(two_mirrors):
    two_mirrors.far.flip_bit(image(6))
    outcome = all_of(two_mirrors)
    assert outcome.document["bad"] == 1
    assert outcome.document["findings"][0]["mirror"] == "faraway"
    assert "the source, vault and faraway" in outcome.document["statement"]


def test_a_mirror_that_is_down_is_left_out_and_named(two_mirrors):
    two_mirrors.mirror.flip_bit(image(6))
    os.rename(two_mirrors.far.root, two_mirrors.root / "unplugged")
    outcome = all_of(two_mirrors)
    assert outcome.status == 3
    assert outcome.document["bad"] == 1
    statement = outcome.document["statement"]
    assert "on the source and vault, and" in statement
    assert "places that were not read, such as faraway" in statement
    assert "cannot be read as a folder" in outcome.err


def test_of_a_mirror_that_looks_emptied_only_at_the_end_nothing_is_counted(two_mirrors):
    for number in range(30):
        two_mirrors.far.delete(image(number))
    outcome = all_of(two_mirrors)
    assert outcome.status == 3
    assert outcome.document["bad"] == 0 and outcome.document["findings"] == []
    assert "on the source and vault, and none was bad" in outcome.document["statement"]
    assert rows(two_mirrors, "SELECT count(*) FROM findings") == [(0,)]


@pytest.mark.parametrize("which", ["source", "mirror"])
def test_without_the_source_or_any_mirror_it_says_nothing_of_the_share(estate, which):
    tree = estate.source if which == "source" else estate.mirror
    os.rename(tree.root, estate.root / "unplugged")
    sentence = refusal(3, "--config", estate.file, "spot-check", SHARE)
    assert "cannot be read as a folder" in sentence


def test_an_empty_mirror_looks_unmounted_and_nothing_of_it_is_called_missing(tmp_path):
    source = Tree(tmp_path / "bench" / SHARE).files("a.tif", "b.tif", "c.tif")
    estate = read_once(Estate(tmp_path, source))
    for name in os.listdir(estate.mirror.root):
        estate.mirror.delete(name)
    outcome = estate.run("spot-check", SHARE)
    assert outcome.status == 3 and "looks unmounted or emptied" in outcome.err
    assert rows(estate, "SELECT count(*) FROM findings") == [(0,)]


def test_a_mirror_of_which_most_has_gone_looks_emptied_and_nothing_of_it_is_recorded(estate):
    for number in range(30):
        estate.mirror.delete(image(number))
    outcome = estate.run("spot-check", SHARE)
    assert outcome.status == 3 and "looks unmounted or emptied" in outcome.err
    assert rows(estate, "SELECT count(*) FROM findings") == [(0,)]
    assert len(rows(estate, "SELECT 1 FROM sightings WHERE place = 2")) == 40


def test_a_mass_change_on_the_source_is_said_and_left_for_the_shift_to_see_whole(estate):
    for number in range(20):
        estate.source.rewrite(image(number), b"locked" * 100)
    outcome = all_of(estate)
    assert outcome.status == 1 and outcome.document["bad"] == 20
    assert "20 changed or vanished since the last walk" in outcome.err
    following = estate.shift()
    assert following.document["notices"][0]["what"] == "surge"


@pytest.mark.parametrize("what", ["permissions", "another name"])
def test_what_leaves_content_and_dates_alone_is_no_mass_change_and_hides_no_rot(estate, what):
    for number in range(30):
        at = estate.source.root / image(number)
        if what == "permissions":
            at.chmod(0o640)
        else:
            at.rename(at.with_name("away"))
            at.with_name("away").rename(at)
    estate.mirror.flip_bit(image(3))
    outcome = all_of(estate)
    assert outcome.status == 1 and "vanished since" not in outcome.err
    assert [each["path"] for each in outcome.document["findings"]] == [image(3)]


@pytest.fixture
def on_bad_disks(tmp_path: Path) -> Iterator[Estate]:
    """A share whose mirror fails in the second segment of a film, and holds a file that reads
    otherwise each time."""
    share = Share(tmp_path).both("good.tif").both("flight.mov", size=SEGMENT + MIB)
    share.on("vault", "flight.mov", "FailsAt", size=SEGMENT + MIB, at=SEGMENT + 5)
    share.both("unstable.tif").on("vault", "unstable.tif", "Unstable", size=1_000, times=99)
    estate = Estate(tmp_path / "estate", Tree(tmp_path / "estate" / "bench" / SHARE))
    with share:
        estate.source, estate.mirror = Tree(share.source), Tree(share.mirror)
        estate.settings()
        assert estate.shift().status == 3
        yield estate


@needs_fuse
@pytest.mark.root
def test_what_cannot_be_read_or_reads_otherwise_each_time_is_bad_and_gives_status_3(on_bad_disks):
    outcome = all_of(on_bad_disks)
    assert outcome.status == 3
    assert outcome.document["bad"] == 2
    assert outcome.findings == {
        "flight.mov": ("unreadable", "input-output-error", "mirror", None),
        "unstable.tif": ("unreadable", "unstable-read", "mirror", None),
    }
    assert "Two readings of unstable.tif differ" in outcome.err


@needs_fuse
@pytest.mark.root
def test_by_bytes_a_piece_that_cannot_be_read_is_bad_and_the_piece_before_it_is_not(on_bad_disks):
    # Of all seeds about one in twenty draws the small file that is bad as well.
    outcome = spot_check(on_bad_disks, "--by", "bytes", "--seed", "7")
    assert outcome.status == 3
    assert outcome.document["bad"] == 1
    assert outcome.findings["flight.mov"] == ("unreadable", "input-output-error", "mirror", None)
    assert outcome.document["at_most"] < 0.1


# -------------------------------------------------------------------------- hours and minutes


def test_in_working_hours_it_is_refused_unless_overridden_which_is_recorded(estate):
    estate.settings(hours=working_now())
    sentence = refusal(2, "--config", estate.file, "spot-check", SHARE)
    assert "working hours" in sentence and "--now" in sentence
    assert spot_check(estate, "--now").status == 0
    assert rows(estate, "SELECT command FROM overrides") == [("spot-check --now",)]


def slow(estate: Estate, seed: int, before: int) -> Estate:
    """Make the file that comes after ``before`` others in the order of ``seed`` a long one.

    It is one on the mirror alone, so that files behind it are read meanwhile.
    """
    order = in_order(seed, [image(number) for number in range(40)])
    estate.mirror.file(order[before], 24 * MIB)
    estate.settings(pace='at_most = "4 MB/s"')
    return estate


def test_when_the_minutes_are_up_only_what_lies_before_the_unfinished_file_counts(estate):
    slow(estate, seed=6, before=13)
    began = time.monotonic()
    outcome = spot_check(estate, "--minutes", "0.05", "--seed", "6")
    assert time.monotonic() - began < 12
    assert outcome.status == 0
    document = outcome.document
    # Files behind the long one were read, and are not counted: they are the small ones.
    assert document["sample"]["files"] == 13
    assert document["at_most"] == most_bad(40, 13, 0, parts("0.95")) / 40
    assert "13 drawn at random" in document["statement"]


def test_with_minutes_too_few_for_one_file_nothing_is_said_and_the_status_is_not_that_of_good(
    estate,
):
    slow(estate, seed=6, before=0)
    outcome = spot_check(estate, "--minutes", "0.02", "--seed", "6")
    assert outcome.status == 3
    assert outcome.document["at_most"] == 1
    assert outcome.document["statement"].startswith("Nothing was read to its end")


def test_with_minutes_enough_everything_is_read_and_nothing_is_left_to_chance(estate):
    document = spot_check(estate, "--minutes", "2").document
    assert document["sample"]["files"] == 40 and document["at_most"] == 0
    assert document["statement"].startswith("All 40 files of current-surveys (")
    assert " were read afresh on the source and vault, and none was bad" in document["statement"]


def test_with_minutes_and_a_part_it_ends_with_whichever_comes_first(estate):
    document = spot_check(estate, "--minutes", "2", "--at-most", "0.2").document
    assert document["sample"]["files"] < 40 and document["at_most"] <= 0.2


def test_the_bell_ends_it_and_it_says_what_the_part_read_so_far_gives(estate):
    slow(estate, seed=6, before=4)
    estate.settings(hours=closing_in(4), pace='at_most = "4 MB/s"')
    began = time.monotonic()
    outcome = spot_check(estate, "--seed", "6")
    assert time.monotonic() - began < 10
    assert outcome.status == 3
    assert outcome.document["sample"]["files"] == 4
    assert outcome.document["at_most"] == most_bad(40, 4, 0, parts("0.95")) / 40
    assert "before this was stopped" in outcome.document["statement"]


@pytest.mark.parametrize("how", [signal.SIGTERM, signal.SIGINT])
def test_a_signal_ends_it_within_a_second_and_the_statement_is_what_was_bought(estate, how):
    slow(estate, seed=6, before=9)
    connection = sqlite3.connect(estate.ledger)
    with connection:
        connection.execute("UPDATE sightings SET read_at = 5")
    connection.close()
    command = ("--config", estate.file, "spot-check", SHARE, "--seed", "6", "--json")
    with running(*command) as process:
        wait_until(
            lambda: rows(estate, "SELECT count(*) FROM sightings WHERE read_at > 5")[0][0] >= 18,
            20,
            "the first files",
        )
        began = time.monotonic()
        os.kill(process.pid, how)
        out, err = process.communicate(timeout=10)
        assert time.monotonic() - began < 1.5
        assert process.returncode == 3, err
        assert not members(process.pid)
    document = document_in(out)
    assert document["sample"]["files"] == 9
    assert document["at_most"] == most_bad(40, 9, 0, parts("0.95")) / 40
    assert "before this was stopped" in document["statement"]


def test_what_looked_bad_too_late_for_a_second_reading_is_left_to_the_next_shift(estate):
    order = in_order(6, [image(number) for number in range(40)])
    for tree in (estate.source, estate.mirror):
        tree.file(order[0], 10 * MIB, DATE + HOUR)
    read_once(estate)
    estate.mirror.flip_bit(order[0])
    estate.settings(pace='at_most = "5 MB/s"')
    outcome = spot_check(estate, "--minutes", "0.1", "--seed", "6")
    assert outcome.document["findings"] == [] and outcome.document["bad"] == 0
    assert outcome.document["sample"]["files"] == 0 and outcome.document["at_most"] == 1
    assert "nothing can be said" in outcome.document["statement"]
    assert outcome.status == 1
    estate.settings()
    assert estate.shift().findings == {order[0]: ("corrupt", "rot", "mirror", None)}


def test_a_shift_keeps_it_out(estate):
    estate.source.file("big.tif", 24 * MIB)
    estate.settings(pace='at_most = "4 MB/s"')
    lock = Path(f"{estate.ledger}.lock")
    with running("--config", estate.file, "shift") as first:
        wait_until(lambda: lock.exists() and lock.stat().st_size > 0, 20, "the lock")
        sentence = refusal(3, "--config", estate.file, "spot-check", SHARE)
        assert f"Process {first.pid}" in sentence


# ----------------------------------------------------------------------------------- refusals


def test_without_a_ledger_it_sends_to_a_shift_and_makes_none(tmp_path):
    estate = Estate(tmp_path)
    sentence = refusal(3, "--config", estate.file, "spot-check", SHARE)
    assert "there is no ledger" in sentence and "verifier shift" in sentence
    assert not estate.ledger.exists()


def test_a_share_without_a_file_in_the_ledger_is_refused(tmp_path):
    estate = Estate(tmp_path, Tree(tmp_path / "bench" / SHARE).folder("empty"))
    estate.shift()
    sentence = refusal(3, "--config", estate.file, "spot-check", SHARE)
    assert "knows of no file" in sentence


# Fails when whole paths are refused, or one beside the source is taken for one in it.
def test_a_folder_may_be_named_by_its_whole_path(estate):
    whole = estate.source.root / "2026-014-harbour-wall"
    by_path = spot_check(estate, "--seed", "3", "--folder", whole).document
    assert by_path == spot_check(
        estate, "--seed", "3", "--folder", "2026-014-harbour-wall"
    ).document | {"statement": by_path["statement"]}
    beside = estate.source.root.with_name(f"{SHARE}-older")
    assert "is no folder of the share" in refusal(
        2, "--config", estate.file, "spot-check", SHARE, "--folder", beside
    )


@pytest.mark.parametrize("folder", ["no-such-folder", "2026-014", "/volumes", "../bench", ""])
def test_a_folder_that_holds_nothing_or_is_none_of_the_share_is_refused(estate, folder):
    sentence = refusal(2, "--config", estate.file, "spot-check", SHARE, "--folder", folder)
    assert "older" in sentence


@pytest.mark.parametrize(
    "options",
    [
        ("--confidence", "1"),
        ("--confidence", "95"),
        ("--confidence", "nan"),
        ("--at-most", "0"),
        ("--at-most", "100 %"),
        ("--at-most", "-0.1"),
        ("--at-most", "1e-999999999"),
        ("--at-most", "little"),
        ("--minutes", "0"),
        ("--minutes", "nan"),
        ("--seed", "-1"),
        ("--seed", str(2**53)),
        ("--by", "folders"),
    ],
)
def test_what_makes_no_sense_is_refused(estate, options):
    outcome = estate.run("spot-check", SHARE, *options)
    assert outcome.status == 2 and outcome.out == b"" and outcome.err.strip()


def test_more_draws_of_bytes_than_are_ever_made_are_refused(large):
    options = ("--by", "bytes", "--at-most", "0.000001")
    sentence = refusal(2, "--config", large.file, "spot-check", SHARE, *options)
    assert "at most 200,000" in sentence


def test_a_share_that_is_not_in_the_settings_is_refused(estate):
    assert "no share called" in refusal(2, "--config", estate.file, "spot-check", "curent-surveys")


def test_help_shows_an_example():
    outcome = verifier("spot-check", "--help")
    assert outcome.status == 0 and b"Example: verifier spot-check" in outcome.out
