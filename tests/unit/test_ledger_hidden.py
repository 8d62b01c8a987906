"""What the ledger knows of below folders that could not be listed, and what it makes of it."""

from __future__ import annotations

import unicodedata

import pytest
from test_ledger import (
    NOW,
    SOURCE,
    VAULT,
    file,
    read,
    record,
    unlisted,
    walked,
)

from verifier.ledger import Ledger, PlaceName
from verifier.ledger.hidden import HiddenFiles, HiddenPairs
from verifier.model import Finding, Side, Verdict

PATHS = ("flights/1.jpg", "notes/a.txt", "orthos/a.tif", "orthos/b.tif", "orthos/wall/c.tif")


def told(ledger: Ledger, path: str, verdict: Verdict = Verdict.UNREADABLE) -> None:
    """A finding on a path, as a judgement leaves it."""
    finding = Finding(path.encode(), verdict, "permission-denied", Side.MIRROR, 0, "So.", "Look.")
    ledger.findings.seen(VAULT, finding, NOW)


def closed(ledger: Ledger, place: PlaceName, *folders: str) -> None:
    """Both sides were read; then a walk of one place could not list these folders."""
    tree = [file(path, 100) for path in PATHS]
    for each in (SOURCE, VAULT):
        walked(ledger, each, tree)
        record(ledger, each, *(read(seen, number) for number, seen in enumerate(tree)))
    seen = [each for each in tree if not each.path.startswith(tuple(f.encode() for f in folders))]
    walked(ledger, place, [*seen, *(unlisted(folder) for folder in folders)], NOW + 60)
    for folder in folders:
        told(ledger, folder)


def test_the_files_below_a_closed_folder_are_told_by_what_would_be_to_be_read_of_them(ledger):
    closed(ledger, VAULT, "orthos")
    ledger.readings.want(VAULT, [b"orthos/b.tif"], "to see")
    record(ledger, VAULT, read(file("flights/1.jpg", 100), 0, NOW + 90))
    walked(
        ledger,
        SOURCE,
        [
            file("orthos/a.tif", 100, date=7),
            *(file(path, 100) for path in PATHS if "a.tif" not in path),
        ],
    )
    assert ledger.hidden.files(SOURCE) == HiddenFiles()
    assert ledger.hidden.files(VAULT, NOW + 30) == HiddenFiles(0, 0, 1, 100, 3, 300, 3, 300)
    assert ledger.hidden.files(VAULT, NOW) == HiddenFiles(0, 0, 1, 100, 3, 300)


def test_a_file_below_a_closed_folder_that_was_never_read_is_unread(ledger):
    tree = [file(path, 100) for path in PATHS]
    walked(ledger, VAULT, tree)
    walked(ledger, VAULT, [*tree[:2], unlisted("orthos")], NOW + 60)
    told(ledger, "orthos")
    assert ledger.hidden.files(VAULT) == HiddenFiles(unread_files=3, unread_bytes=300)


def test_what_lies_below_two_closed_folders_is_counted_once(ledger):
    closed(ledger, VAULT, "orthos")
    walked(ledger, SOURCE, [*(file(path, 100) for path in PATHS[:4]), unlisted("orthos/wall")])
    told(ledger, "orthos/wall")
    assert ledger.hidden.pairs(VAULT) == HiddenPairs(matched=3)
    assert ledger.hidden.files(SOURCE).read_files == 1


# Fails where the query of such folders takes any unreadable path for one.
def test_a_file_that_could_not_be_read_hides_nothing(ledger):
    walked(ledger, SOURCE, [file(path, 100) for path in PATHS])
    walked(ledger, VAULT, [file("orthos")])
    told(ledger, "orthos")
    assert ledger.hidden.files(VAULT) == HiddenFiles()
    assert ledger.hidden.pairs(VAULT) == HiddenPairs()


# Fails where nothing of what is hidden is taken out of the other counts (`tallies`).
@pytest.mark.parametrize("place", [SOURCE, VAULT])
def test_below_a_closed_folder_of_either_side_each_path_is_unread_or_what_its_finding_says(
    ledger, place
):
    closed(ledger, place, "orthos")
    told(ledger, "orthos/b.tif", Verdict.CORRUPT)
    counted = {verdict: each.paths for verdict, each in ledger.nights.tallies(VAULT).items()}
    assert counted == {
        Verdict.MATCHED: 2,
        Verdict.PENDING: 0,
        Verdict.UNREAD: 2,
        Verdict.CORRUPT: 1,
        Verdict.UNREADABLE: 1,
    }


def test_a_closed_folder_hides_what_the_other_side_holds_under_another_unicode_form(ledger):
    name = "höhe"
    here, there = (unicodedata.normalize(form, name) for form in ("NFC", "NFD"))
    walked(ledger, SOURCE, [file(f"{here}/a.tif"), file(f"{here}/b.tif")])
    walked(ledger, VAULT, [unlisted(there)])
    told(ledger, there)
    assert ledger.hidden.pairs(VAULT).pending == 2
    assert ledger.hidden.paths(SOURCE, there.encode()) == 2
