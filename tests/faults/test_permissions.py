"""What the account that runs the comparison may not read, and what that makes of the rest."""

from __future__ import annotations

import os
import pwd
import re
import shutil
import sqlite3
from collections.abc import Callable
from contextlib import closing
from datetime import UTC, datetime, timedelta
from fractions import Fraction
from pathlib import Path

import pytest
from program.estate import SHARE, Estate
from program.running import Outcome, compare, verifier
from trees import Tree

from faults.mounts import Share, needs_fuse
from verifier.ledger import SOURCE, Ledger, PlaceName
from verifier.sampling import draws_needed, most_bad

pytestmark = [
    pytest.mark.root,
    pytest.mark.skipif(shutil.which("setpriv") is None, reason="setpriv is not installed"),
]

NOBODY = pwd.getpwnam("nobody").pw_uid
AS_NOBODY = ("setpriv", f"--reuid={NOBODY}", "--clear-groups", f"--regid={NOBODY}")


@pytest.fixture
def pair(open_tmp: Path) -> tuple[Tree, Tree]:
    source = Tree(open_tmp / "bench").files("flights/a.jpg", "notes/plan.txt", "notes/tide.txt")
    return source, source.copy_to(open_tmp / "vault")


def as_nobody(*places: Tree | Path) -> Outcome:
    return allowed(lambda: compare(*places, before=AS_NOBODY))


def allowed(run: Callable[[], Outcome]) -> Outcome:
    try:
        return run()
    except AssertionError as error:
        if "No module named" in str(error) or "Permission denied" in str(error):
            pytest.skip("other users may not run this Python")
        raise


@pytest.mark.parametrize("side", ["source", "mirror"])
def test_a_file_that_may_not_be_read_is_unreadable(pair: tuple[Tree, Tree], side: str) -> None:
    tree = pair[side == "mirror"]
    os.chmod(tree.at("notes/plan.txt"), 0)
    outcome = as_nobody(*pair)
    assert outcome.findings == {"notes/plan.txt": ("unreadable", "permission-denied", side, None)}
    assert outcome.document["counts"]["matched"] == 2
    assert outcome.status == 3


@pytest.mark.parametrize("side", ["source", "mirror"])
def test_a_folder_that_may_not_be_listed_is_unreadable_and_what_it_holds_unread(
    pair: tuple[Tree, Tree], side: str
) -> None:
    tree = pair[side == "mirror"]
    os.chmod(tree.at("notes"), 0)
    outcome = as_nobody(*pair)
    assert outcome.findings == {"notes": ("unreadable", "permission-denied", side, None)}
    assert outcome.document["counts"]["unread"] == 2
    assert outcome.document["counts"]["matched"] == 1
    assert "2 paths below it" in outcome.document["findings"][0]["detail"]


def test_a_folder_that_may_be_listed_and_not_entered_has_unreadable_files(
    pair: tuple[Tree, Tree],
) -> None:
    os.chmod(pair[1].at("notes"), 0o744)
    outcome = as_nobody(*pair)
    assert outcome.findings == {
        "notes/plan.txt": ("unreadable", "permission-denied", "mirror", None),
        "notes/tide.txt": ("unreadable", "permission-denied", "mirror", None),
    }


def test_a_root_that_may_not_be_listed_is_no_empty_place(pair: tuple[Tree, Tree]) -> None:
    os.chmod(pair[1].root, 0o711)
    outcome = verifier("compare", *pair, "--json", before=AS_NOBODY)
    assert outcome.status == 3
    assert outcome.out == b""
    assert "cannot be read as a folder" in outcome.err


def test_somebody_elses_files_are_read_though_their_access_dates_cannot_be_kept(
    pair: tuple[Tree, Tree],
) -> None:
    assert as_nobody(*pair).status == 0


def test_a_forecast_says_that_it_is_too_short_where_a_folder_may_not_be_listed(
    pair: tuple[Tree, Tree], open_tmp: Path
) -> None:
    records = open_tmp / "records"
    records.mkdir()
    os.chown(records, NOBODY, NOBODY)
    source, mirror = pair
    file = open_tmp / "settings.toml"
    file.write_text(
        f'[studio]\ntimezone = "UTC"\nledger = "{records}/l.db"\nreports = "{records}/r"\n'
        f'[[share]]\nname = "surveys"\nsource = "{source.root}"\n'
        f'[[share.mirror]]\nname = "vault"\nat = "{mirror.root}"\n'
    )

    def preflight() -> str:
        run = allowed(lambda: verifier("--config", file, "preflight", before=AS_NOBODY))
        return run.out.decode()

    assert "at least" not in preflight()
    os.chmod(source.at("flights"), 0)
    assert "at least" in preflight()


class Nights(Estate):
    """Shifts as another user, on both trees of a pair."""

    def __init__(self, root: Path) -> None:
        source = Tree(root / "bench").files(
            *(f"flights/{number}.jpg" for number in range(8)),
            *("orthos/a.tif", "orthos/b.tif", "orthos/wall/c.tif", "orthos/wall/d.tif"),
        )
        super().__init__(root, source)
        os.chown(self.state, NOBODY, NOBODY)

    def side(self, side: str) -> Tree:
        return self.source if side == "source" else self.mirror

    def found(self, *options: str) -> Outcome:
        return allowed(lambda: self.shift(*options, before=AS_NOBODY))

    def place(self, side: str) -> PlaceName:
        return PlaceName(SHARE) if side == "source" else PlaceName(SHARE, "vault")

    def accept_the_first(self) -> None:
        """Somebody decides that what the first finding tells may stay so."""
        accepted = self.run("accept", "1", "--because", "kept from us", before=AS_NOBODY)
        assert accepted.status == 0

    def digest(self, side: str, path: bytes) -> bytes | None:
        """What the last reading of a file came to."""
        with Ledger(self.ledger) as ledger:
            ((_, known),) = ledger.sightings_at(self.place(side), [path])
        assert known is not None
        return known.sighting.digest

    def round(self, side: str) -> tuple[int, bool]:
        """The number of the round, and whether it is complete."""
        with Ledger(self.ledger) as ledger:
            current = ledger.rounds.current(self.place(side))
        assert current is not None
        return current.number, current.ended is not None


def no_audit() -> str:
    return f'nights = ["{datetime.now(UTC) + timedelta(days=3):%a}"]'


# Fails when what the other side lacks is not told (`_is_hidden` in jobs/judging.py asks both sides)
# and, for the mirror, when an accepted finding counts as read (UNREADABLE_ON_MIRROR).
@pytest.mark.parametrize("side", ["source", "mirror"])
def test_behind_an_accepted_folder_no_copy_is_called_good_or_lost_unsaid(
    open_tmp: Path, side: str
) -> None:
    nights = Nights(open_tmp)
    assert nights.found().status == 0
    os.chmod(nights.side(side).at("orthos"), 0)
    assert nights.found().status == 3
    nights.accept_the_first()
    assert nights.found().status == 0
    report = nights.run("report", "--json", before=AS_NOBODY)
    assert "as far as all is read" in report.document["sentence"]
    assert "not readable in full" in report.document["sentence"]
    said = nights.run("report", before=AS_NOBODY).out.decode()
    assert re.search(
        r"every copy of them, but for [a-z -]+, were read in full", " ".join(said.split())
    )
    audited = nights.run("audit", before=AS_NOBODY)
    assert audited.status == 1 and b"open or accepted finding" in audited.out
    if side == "mirror":
        nights.source.file("orthos/new.tif", 2_000)
        assert nights.found().findings == {}
        said = " ".join(nights.run("report", before=AS_NOBODY).out.decode().split())
        assert "; 5 paths cannot be seen below a folder that could not be listed" in said
        shutil.rmtree(nights.source.at("orthos"))
        outcome = nights.found()
        assert outcome.findings == {}, "nobody knows whether the mirror still holds them"
    else:
        shutil.rmtree(nights.mirror.at("orthos"))
        outcome = nights.found()
        lost = {f"orthos/{name}.tif" for name in ("a", "b", "wall/c", "wall/d")}
        assert outcome.findings.keys() == lost
        assert {each["verdict"] for each in outcome.document["findings"]} == {"missing"}


# Fails without `_retry` and without `_waits_for_retry` in jobs/judging.py.
def test_what_failed_while_its_folder_closed_is_tried_again_before_it_is_told(
    open_tmp: Path,
) -> None:
    nights = Nights(open_tmp)
    nights.settings(audit=no_audit())
    assert nights.found().status == 0
    os.chmod(nights.mirror.at("orthos"), 0)
    with closing(sqlite3.connect(nights.ledger)) as ledger:
        ledger.execute(
            "UPDATE sightings SET digest = NULL, trouble = 'permission-denied: no'"
            " WHERE name = CAST('d.tif' AS BLOB) AND place ="
            " (SELECT id FROM places WHERE name = 'vault')"
        )
        ledger.commit()
    assert nights.found().findings.keys() == {"orthos"}
    os.chmod(nights.mirror.at("orthos"), 0o755)
    outcome = nights.found()
    assert (outcome.findings, outcome.status) == ({}, 0)
    assert outcome.document["files_read"] == 1
    with closing(sqlite3.connect(nights.ledger)) as ledger:
        told = {path for (path,) in ledger.execute("SELECT CAST(path AS TEXT) FROM findings")}
    assert told == {"orthos"}, "nothing is told that one more try takes back"


# Fails without `_shown_all_the_same` in jobs/judging.py: one closed folder, accepted, then had all
# that befell the other side's files told to nobody.
@pytest.mark.parametrize("side", ["source", "mirror"])
def test_what_befalls_a_file_is_told_whatever_the_other_side_keeps_hidden(
    open_tmp: Path, side: str
) -> None:
    nights = Nights(open_tmp)
    assert nights.found().status == 0
    hidden, shown = nights.side(side), nights.side("mirror" if side == "source" else "source")
    other = "mirror" if side == "source" else "source"
    os.chmod(hidden.at("orthos"), 0)
    assert nights.found().status == 3
    nights.accept_the_first()
    assert nights.found().status == 0
    shown.flip_bit("orthos/wall/c.tif")
    nights.forget_the_write(shown, "vault" if other == "mirror" else SOURCE, "orthos/wall/c.tif")
    os.chmod(shown.at("orthos/wall/d.tif"), 0)
    shown.edit("orthos/b.tif")
    told = {
        "orthos/wall/c.tif": ("corrupt", "rot", other, None),
        "orthos/wall/d.tif": ("unreadable", "permission-denied", other, None),
    }
    for _ in range(2):
        outcome = nights.found()
        assert (outcome.findings, outcome.status) == (told, 3)
    shown.flip_bit("orthos/wall/c.tif")
    nights.forget_the_write(shown, "vault" if other == "mirror" else SOURCE, "orthos/wall/c.tif")
    os.chmod(shown.at("orthos/wall/d.tif"), 0o644)
    outcome = nights.found()
    assert (outcome.findings, outcome.status) == ({}, 0)


# Fails when a reading of either side holds back what failed on the other (`_waits_for_retry` in
# jobs/judging.py): an accepted finding has its source read again every night.
def test_what_one_mirror_is_accepted_to_lack_hides_nothing_of_another(open_tmp: Path) -> None:
    nights = Nights(open_tmp)
    faraway = nights.mirror.copy_to(open_tmp / "faraway")
    nights.settings(more=f'[[share.mirror]]\nname = "faraway"\nat = "{faraway.root}"')
    assert nights.found().status == 0
    os.chmod(nights.mirror.at("orthos/a.tif"), 0)
    assert nights.found().status == 3
    nights.accept_the_first()
    os.chmod(faraway.at("orthos/a.tif"), 0)
    outcome = nights.found()
    assert [(each["path"], each["mirror"]) for each in outcome.document["findings"]] == [
        ("orthos/a.tif", "faraway")
    ]
    assert outcome.status == 3


# Fails when what is held back for one more try is not judged again behind it (`_held_back` in
# jobs/judging.py): the finding accepted on one mirror has it tried, and held back, every night.
def test_what_fails_once_more_is_told_in_the_night_in_which_it_was_tried(open_tmp: Path) -> None:
    nights = Nights(open_tmp)
    os.chmod(nights.source.at("orthos/a.tif"), 0)
    assert nights.found().status == 3
    nights.accept_the_first()
    faraway = nights.mirror.copy_to(open_tmp / "faraway")
    nights.settings(more=f'[[share.mirror]]\nname = "faraway"\nat = "{faraway.root}"')
    outcome = nights.found()
    assert [(each["path"], each["mirror"]) for each in outcome.document["findings"]] == [
        ("orthos/a.tif", "faraway")
    ]


# Fails without `self._unlisted.hides(due.path)` in scheduler.py (what was read is lost), without
# `_is_hidden` in jobs/judging.py (the edit is called stale) and without `unlisted.hides` in
# ledger/rounds.py (no round is complete any more).
@pytest.mark.parametrize("side", ["source", "mirror"])
def test_nights_with_a_folder_that_may_not_be_listed_have_one_finding_and_forget_nothing(
    open_tmp: Path, side: str
) -> None:
    nights = Nights(open_tmp)
    assert nights.found().status == 0
    other = nights.side("mirror" if side == "source" else "source")
    hidden = nights.side(side)
    hidden.flip_bit("orthos/wall/c.tif")
    nights.forget_the_write(hidden, "vault" if side == "mirror" else SOURCE, "orthos/wall/c.tif")
    other.file("orthos/new.tif", 2_000)
    if side == "mirror":
        other.edit("orthos/b.tif")
    os.chmod(hidden.at("orthos"), 0)
    before, _ = nights.round(side)
    digest = nights.digest(side, b"orthos/wall/d.tif")
    assert digest is not None
    for night in (1, 2):
        outcome = nights.found()
        assert outcome.findings == {"orthos": ("unreadable", "permission-denied", side, None)}
        assert outcome.status == 3
        assert outcome.document["stopped_by"] == "done"
        assert nights.round(side) == (before + night, True)
        assert nights.digest(side, b"orthos/wall/d.tif") == digest
    os.chmod(hidden.at("orthos"), 0o755)
    shutil.copy2(other.at("orthos/new.tif"), hidden.at("orthos/new.tif"))
    outcome = nights.found()
    found = {"orthos/wall/c.tif": ("corrupt", "rot", side, None)}
    if side == "mirror":
        found["orthos/b.tif"] = ("stale", "older-version", "mirror", None)
    assert outcome.findings == found
    assert nights.round(side) == (before + 3, True)
    for path in ("orthos/b.tif", "orthos/wall/c.tif"):
        shutil.copy2(other.at(path), hidden.at(path))
    outcome = nights.found()
    assert (outcome.findings, outcome.status) == ({}, 0)


# Fails where nothing says what is hidden (`_hides` in jobs/spot_check/checking.py).
def test_a_spot_check_calls_nothing_orphaned_below_a_folder_that_a_shift_could_not_list(
    open_tmp: Path,
) -> None:
    nights = Nights(open_tmp)
    assert nights.found().status == 0
    nights.mirror.file("orthos/wall/new.tif", 2_000)
    os.chmod(nights.source.at("orthos"), 0)
    assert nights.found().findings.keys() == {"orthos"}
    outcome = nights.run("spot-check", SHARE, "--json", before=AS_NOBODY)
    assert outcome.status == 3
    assert {each["verdict"] for each in outcome.document["findings"]} == {"unreadable"}
    listed = nights.run("findings", "--json", before=AS_NOBODY).document["findings"]
    assert {each["verdict"] for each in listed} == {"unreadable"}


def spot_check(nights: Nights, *options: str) -> Outcome:
    return allowed(
        lambda: nights.run("spot-check", SHARE, "--json", *options, before=AS_NOBODY),
    )


# Fails where `_take` in jobs/spot_check/checking.py asks nobody whether a folder above is closed
# (each drawn file is a finding, and what was read of it is lost).
@pytest.mark.parametrize("when", ["before the last shift", "after it"])
@pytest.mark.parametrize("side", ["source", "mirror"])
def test_a_spot_check_tells_a_folder_that_it_cannot_list_once_and_nothing_of_its_files(
    open_tmp: Path, side: str, when: str
) -> None:
    nights = Nights(open_tmp)
    assert nights.found().status == 0
    os.chmod(nights.side(side).at("orthos"), 0)
    if when == "before the last shift":
        assert nights.found().status == 3
    digest = nights.digest(side, b"orthos/wall/d.tif")
    outcome = spot_check(nights)
    found = {"orthos": ("unreadable", "permission-denied", side, None)}
    assert (outcome.findings, outcome.status) == (found, 3)
    document = outcome.document
    assert document["population"] == document["sample"] == {"files": 8, "bytes": 8_000}
    assert (document["bad"], document["at_most"]) == (0, 0)
    where = "the source" if side == "source" else "vault"
    assert document["statement"].startswith(
        f"All 8 files of {SHARE} (8.0 kB) that could be looked at were read afresh on the source "
        "and vault, and none was bad (damaged, missing, out of date or unreadable). 4 files that "
        f"were drawn could not be looked at, since orthos on {where} cannot be listed: the figure "
        "counts them as neither good nor bad. Nothing is said of all the 4 files below it (4.0 kB)."
    )
    assert "had changed or gone" not in outcome.err
    assert nights.digest(side, b"orthos/wall/d.tif") == digest
    listed = nights.run("findings", "--json", before=AS_NOBODY).document["findings"]
    assert [each["path"] for each in listed] == ["orthos"]
    assert nights.found().findings == found
    os.chmod(nights.side(side).at("orthos"), 0o755)
    outcome = nights.found()
    assert (outcome.findings, outcome.status) == ({}, 0)
    assert spot_check(nights).document["sample"]["files"] == 12


# Fails where the figure leaves out only what was drawn (`hidden.files` in tally.py).
def test_a_sample_proves_nothing_of_what_lies_below_a_folder_that_cannot_be_listed(
    open_tmp: Path,
) -> None:
    nights = Nights(open_tmp)
    assert nights.found().status == 0
    os.chmod(nights.mirror.at("orthos"), 0)
    document = spot_check(nights, "--at-most", "0.4", "--seed", "3").document
    drawn = draws_needed(12, Fraction(2, 5), Fraction(19, 20))
    read = document["sample"]["files"]
    assert 0 < read < drawn < 12
    assert document["population"]["files"] == 8
    assert document["at_most"] == most_bad(8, read, 0, Fraction(19, 20)) / 8
    assert f"{drawn - read} file" in document["statement"]
    assert "all the 4 files below it" in document["statement"]


# Fails where `shows_nothing` in jobs/spot_check/checking.py does not count what is hidden, and
# where `at_most` is nothing of nothing.
def test_where_nothing_that_was_drawn_can_be_looked_at_nothing_is_good(open_tmp: Path) -> None:
    nights = Nights(open_tmp)
    assert nights.found().status == 0
    os.chmod(nights.mirror.at("orthos"), 0)
    assert nights.found().status == 3
    nights.accept_the_first()
    outcome = spot_check(nights, "--folder", "orthos")
    assert outcome.status == 3
    document = outcome.document
    assert (document["sample"]["files"], document["at_most"]) == (0, 1)
    assert (
        "No file that was drawn could be looked at, so nothing can be said of orthos in"
        in (document["statement"])
    )
    outcome = spot_check(nights)
    assert (outcome.status, outcome.findings) == (0, {}), "what was accepted needs nobody"
    assert "could not be looked at" in outcome.document["statement"]


# Fails where the files of a closed folder count as changed (`_finish` in checking.py).
def test_a_spot_check_takes_a_folder_that_closed_on_the_source_for_no_mass_change(
    open_tmp: Path,
) -> None:
    nights = Nights(open_tmp)
    assert nights.found().status == 0
    os.chmod(nights.source.at("flights"), 0)
    outcome = spot_check(nights)
    assert (outcome.status, set(outcome.findings)) == (3, {"flights"})
    assert "mass" not in outcome.err and "vanished" not in outcome.err


# Fails where `_hides` in checking.py hides what was read all the same.
def test_a_spot_check_judges_what_it_reads_in_a_folder_that_opened_again(open_tmp: Path) -> None:
    nights = Nights(open_tmp)
    assert nights.found().status == 0
    os.chmod(nights.mirror.at("orthos"), 0)
    assert nights.found().findings.keys() == {"orthos"}
    os.chmod(nights.mirror.at("orthos"), 0o755)
    nights.mirror.flip_bit("orthos/a.tif")
    nights.forget_the_write(nights.mirror, "vault", "orthos/a.tif")
    outcome = spot_check(nights)
    assert outcome.findings == {"orthos/a.tif": ("corrupt", "rot", "mirror", None)}
    assert (outcome.document["bad"], outcome.document["sample"]["files"]) == (1, 12)


# Fails where `_hides` in checking.py asks only what this spot-check found closed.
@pytest.mark.parametrize("side", ["source", "mirror"])
def test_a_spot_check_judges_nothing_else_below_a_folder_that_a_shift_could_not_list(
    open_tmp: Path, side: str
) -> None:
    nights = Nights(open_tmp)
    assert nights.found().status == 0
    os.chmod(nights.side(side).at("orthos"), 0)
    if side == "mirror":
        nights.source.edit("orthos/b.tif")
    else:
        nights.mirror.file("orthos/wall/new.tif", 2_000)
    assert nights.found().findings.keys() == {"orthos"}
    nights.mirror.flip_bit("flights/1.jpg")
    nights.forget_the_write(nights.mirror, "vault", "flights/1.jpg")
    assert spot_check(nights, "--folder", "flights").findings.keys() == {"flights/1.jpg"}
    listed = nights.run("findings", "--json", before=AS_NOBODY).document["findings"]
    assert {each["path"] for each in listed} == {"flights/1.jpg", "orthos"}


# Fails where every unreadable file is taken for hidden (`_is_hidden` in checking.py).
def test_a_drawn_file_that_cannot_be_read_in_a_folder_that_can_be_listed_is_bad(
    open_tmp: Path,
) -> None:
    nights = Nights(open_tmp)
    assert nights.found().status == 0
    os.chmod(nights.mirror.at("orthos/a.tif"), 0)
    outcome = spot_check(nights)
    found = {"orthos/a.tif": ("unreadable", "permission-denied", "mirror", None)}
    assert (outcome.findings, outcome.status) == (found, 3)
    assert (outcome.document["bad"], outcome.document["sample"]["files"]) == (1, 12)


# Fails where a drawn file that is hidden at one place is judged at none (`_seen_beside`).
def test_what_is_hidden_on_one_mirror_is_found_bad_on_another(open_tmp: Path) -> None:
    nights = Nights(open_tmp)
    far = nights.source.copy_to(open_tmp / "faraway")
    nights.settings(more=f'[[share.mirror]]\nname = "faraway"\nat = "{far.root}"')
    assert nights.found().status == 0
    os.chmod(nights.mirror.at("orthos"), 0)
    far.flip_bit("orthos/a.tif")
    nights.forget_the_write(far, "faraway", "orthos/a.tif")
    outcome = spot_check(nights)
    told = {(each["path"], each["mirror"]) for each in outcome.document["findings"]}
    assert told == {("orthos", "vault"), ("orthos/a.tif", "faraway")}
    assert (outcome.status, outcome.document["sample"]["files"]) == (3, 8)


# Fails where a judgement counts only what it was handed (`_below` in jobs/judging.py), where the
# plan counts all that was read (`hidden.files` in jobs/plan.py), and where what nobody can see
# counts as matched (`hidden.pairs` in ledger/nights.py).
@pytest.mark.parametrize("side", ["source", "mirror"])
def test_what_a_closed_folder_hides_is_counted_as_neither_matched_nor_read_in_the_next_shift(
    open_tmp: Path, side: str
) -> None:
    nights = Nights(open_tmp)
    assert nights.found().status == 0
    nights.side("mirror" if side == "source" else "source").file("orthos/new.tif", 2_000)
    os.chmod(nights.side(side).at("orthos"), 0)
    for _ in range(2):
        outcome = nights.found()
        (found,) = outcome.document["findings"]
        assert "5 paths below it on the other side could not be judged." in found["detail"]
        assert outcome.document["left"] == {"files": 4, "bytes": 4_000}
    report = nights.run("report", "--json", before=AS_NOBODY).document
    verdicts = report["places"][1]["verdicts"]
    hidden = 4 if side == "source" else 5  # one of them the source cannot even have told of
    assert verdicts == {"matched": 8, "pending": 0, "unread": hidden, "unreadable": 1}
    assert report["next_shift"]["files"] == 8 + 13
    planned = nights.run("shift", "--dry-run", before=AS_NOBODY).out.decode()
    (line,) = [each for each in planned.splitlines() if nights.place(side).place in each]
    assert "0 files of 0 bytes new or changed, 8 files of 8.0 kB again" in line


def test_a_folder_that_neither_side_can_list_says_how_much_was_known_below_it(
    open_tmp: Path,
) -> None:
    nights = Nights(open_tmp)
    assert nights.found().status == 0
    for tree in (nights.source, nights.mirror):
        os.chmod(tree.at("orthos"), 0)
    outcome = nights.found()
    (found,) = outcome.document["findings"]
    assert found["detail"].endswith("4 paths below it could not be judged.")
    report = nights.run("report", "--json", before=AS_NOBODY).document
    assert report["places"][1]["verdicts"]["matched"] == 8
    assert report["next_shift"]["files"] == 8 + 8


# Fails without `hidden.pairs` in ledger/nights.py: what was agreed passes for a copy under another
# Unicode form of its name, and more is matched than the mirror holds.
def test_no_more_is_matched_than_a_mirror_holds_where_it_lost_what_the_source_hides(
    open_tmp: Path,
) -> None:
    nights = Nights(open_tmp)
    later = datetime.now(UTC) + timedelta(hours=2)
    nights.settings(share=f'mirror_runs = "{later:%H:%M}"\nmirror_takes = "1 h"')
    assert nights.found().status == 0
    os.chmod(nights.source.at("orthos"), 0)
    shutil.rmtree(nights.mirror.at("orthos"))
    assert nights.found().findings.keys() == {"orthos"}
    _, vault = nights.run("report", "--json", before=AS_NOBODY).document["places"]
    assert vault["verdicts"]["matched"] == vault["files"] == 8


# Fails where a first look keeps to itself what it could not list (`_look_first` in jobs/shift.py).
@pytest.mark.parametrize("side", ["source", "mirror"])
def test_what_a_first_shift_cannot_see_is_neither_missing_nor_orphaned(
    open_tmp: Path, side: str
) -> None:
    nights = Nights(open_tmp)
    os.chmod(nights.side(side).at("orthos"), 0)
    for _ in range(2):
        outcome = nights.found()
        assert outcome.findings == {"orthos": ("unreadable", "permission-denied", side, None)}
        assert outcome.status == 3
    os.chmod(nights.side(side).at("orthos"), 0o755)
    outcome = nights.found()
    assert (outcome.findings, outcome.status) == ({}, 0)


# Fails without `_has_closed_above` in jobs/shift.py (each file is a finding of its own, and loses
# what was read of it) and where a queue keeps what it was told could not be listed for itself.
@needs_fuse
@pytest.mark.parametrize("side", ["source", "mirror"])
def test_a_folder_that_closes_after_the_walk_of_a_shift_is_one_finding_and_its_files_none(
    tmp_path: Path, side: str
) -> None:
    share = Share(tmp_path).both("flights/1.jpg").both("flights/2.jpg")
    share.on("bench" if side == "source" else "vault", "orthos", "Folder", closes_after=2)
    inside = ("orthos/a.tif", "orthos/b.tif", "orthos/wall/c.tif", "orthos/wall/d.tif")
    for path in inside:
        share.both(path)
    estate = Nights(tmp_path / "estate")
    with share:
        estate.source, estate.mirror = Tree(share.source), Tree(share.mirror)
        estate.settings()
        assert estate.shift().status == 0
        before = [estate.digest(side, path.encode()) for path in inside]
        assert all(before)
        for night in (1, 2):
            outcome = estate.shift()
            assert outcome.findings == {"orthos": ("unreadable", "permission-denied", side, None)}
            assert (outcome.status, outcome.document["stopped_by"]) == (3, "done")
            assert outcome.document["left"]["files"] == 4
            assert [estate.digest(side, path.encode()) for path in inside] == before
            assert estate.round(side) == (night + 1, True)
