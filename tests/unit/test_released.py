"""What a certificate released, judged: quiet as long as it is held, and told when it is not."""

from __future__ import annotations

import unicodedata
from pathlib import Path

import pytest
from studios import DAY, FOLDER, PLAN, SHARE, SOURCE, START, VAULT, A, Studio, new_studio

from verifier.ledger import FindingState, Ledger, PlaceName
from verifier.model import Side, Verdict

FAR = PlaceName(SHARE, "faraway")
LOST = (Verdict.MISSING, "released", Side.MIRROR)
ORPHANED = (Verdict.ORPHANED, "deleted-at-source", Side.MIRROR)
COMPOSED = FOLDER + "notes/Skizze für Süd.txt".encode()
DECOMPOSED = unicodedata.normalize("NFD", COMPOSED.decode()).encode()


@pytest.fixture
def studio(tmp_path: Path):
    with Ledger(tmp_path / "ledger.db") as ledger:
        yield new_studio(ledger)


def _release(studio: Studio, *mirrors: PlaceName) -> None:
    studio.certify(*mirrors)
    studio.places[SOURCE].clear()
    studio.write(SOURCE, b"2026-015-weir/a.jpg", b"something else", START)
    for place in studio.places:
        studio.places[place][b"2026-015-weir/a.jpg"] = studio.places[SOURCE][b"2026-015-weir/a.jpg"]
    studio.night()
    assert all(studio.lasting(mirror) == {} for mirror in mirrors)


def _stands_there_for_a_day(studio: Studio) -> None:
    """A walk sees it, nobody reads it, and it is deleted before the night."""
    studio.now += DAY
    studio.walk(SOURCE)
    del studio.places[SOURCE][A]
    studio.night()


# Each fails when only agreements and findings tell what the source held of it last.
def test_new_work_that_was_never_copied_is_told_when_it_is_deleted(studio):
    _release(studio, VAULT)
    studio.run_started = 0.0
    studio.write(SOURCE, A, b"second light, and more")
    studio.night()
    assert studio.lasting() == {}, "pending"
    del studio.places[SOURCE][A]
    for _ in range(2):
        studio.night()
        assert studio.lasting() == {A: ORPHANED}
    del studio.places[VAULT][A]
    studio.night()
    assert studio.lasting() == {}, "somebody, or the mirror run, has done away with it"


# Fails when newer work on the source stands for a copy of what was released.
def test_what_is_lost_in_the_night_in_which_newer_work_is_deleted_is_told(studio):
    _release(studio, VAULT)
    studio.run_started = 0.0
    studio.write(SOURCE, A, b"second light, and more")
    studio.night()
    del studio.places[SOURCE][A], studio.places[VAULT][A]
    studio.night()
    assert studio.lasting() == {A: LOST}


def test_what_was_corrupt_under_a_kept_date_is_told_when_it_is_deleted(studio):
    studio.certify(VAULT)
    studio.rot(SOURCE, A)
    studio.night(audit=True)
    assert studio.lasting() == {A: (Verdict.CORRUPT, "rot", Side.SOURCE)}
    del studio.places[SOURCE][A]
    studio.night()
    assert studio.lasting() == {A: ORPHANED}


def test_new_work_that_nobody_read_is_told_when_it_is_deleted(studio):
    _release(studio, VAULT)
    studio.write(SOURCE, A, b"other light")
    _stands_there_for_a_day(studio)
    assert studio.lasting() == {A: ORPHANED}


def test_what_was_brought_back_for_a_day_is_released_as_before(studio):
    _release(studio, VAULT)
    studio.places[SOURCE][A] = studio.places[VAULT][A]
    _stands_there_for_a_day(studio)
    assert studio.lasting() == {}
    del studio.places[VAULT][A]
    studio.night()
    assert studio.lasting() == {A: LOST}


def test_a_certificate_that_covers_the_newer_content_releases_that(studio):
    _release(studio, VAULT)
    studio.write(SOURCE, A, b"second light")
    studio.walk(SOURCE)
    del studio.places[SOURCE][A]
    studio.night()
    studio.write(SOURCE, A, b"third light")
    studio.places[VAULT][A] = studio.places[SOURCE][A]
    studio.night()
    _release(studio, VAULT)


# Fails when a mirror that the settings name no longer still answers for what it held.
def test_what_only_a_mirror_held_that_is_left_out_by_now_is_told_beside_the_others(studio):
    _release(studio, VAULT)
    studio.places[FAR] = {b"2026-015-weir/a.jpg": studio.places[SOURCE][b"2026-015-weir/a.jpg"]}
    studio.links[FAR] = {}
    studio.night()
    assert studio.lasting(FAR) == {}, "the vault holds it, and it was never to be here"
    vault = studio.places.pop(VAULT)
    for _ in range(2):
        studio.night()
        assert studio.lasting(FAR) == {A: LOST, PLAN: LOST}
    (said, _) = studio.ledger.findings.lasting(FAR)
    assert "no mirror that the settings name holds it" in said.finding.detail
    assert "or name it in the settings again" in said.finding.advice
    studio.ledger.findings.accept(said.id, int(studio.now), "rana", "it is on the shelf")
    studio.night()
    states = {each.path: each.state for each in studio.ledger.findings.lasting(FAR)}
    assert states == {A: FindingState.ACCEPTED, PLAN: FindingState.OPEN}
    studio.places[VAULT] = vault
    studio.night()
    assert studio.lasting(FAR) == {}, "it is named again"


def test_a_mirror_that_takes_over_from_another_one_is_not_missed(studio):
    _release(studio, VAULT)
    studio.places[FAR] = studio.places.pop(VAULT)
    studio.links[FAR] = {}
    studio.night()
    assert studio.lasting(FAR) == {}


def test_what_one_of_two_mirrors_loses_is_told_with_where_it_still_stands(studio):
    studio.places[FAR] = dict(studio.places[SOURCE])
    studio.links[FAR] = {}
    studio.night()
    _release(studio, VAULT, FAR)
    del studio.places[FAR][A]
    studio.night()
    assert (studio.lasting(FAR), studio.lasting()) == ({A: LOST}, {})
    (said,) = studio.ledger.findings.lasting(FAR)
    assert "As it was certified it stands on vault." in said.finding.detail


# Fails when names are compared byte by byte.
def test_a_mirror_that_keeps_names_in_another_form_holds_what_was_released(studio):
    studio.write(SOURCE, COMPOSED, b"sketch", START)
    studio.write(VAULT, DECOMPOSED, b"sketch", START)
    studio.night()
    assert studio.lasting() == {}
    _release(studio, VAULT)
    studio.night()
    assert studio.lasting() == {}
    studio.rot(VAULT, DECOMPOSED)
    studio.night(audit=True)
    assert studio.lasting() == {DECOMPOSED: (Verdict.CORRUPT, "rot", Side.MIRROR)}
    del studio.places[VAULT][DECOMPOSED]
    studio.night()
    assert list(studio.lasting().values()) == [LOST]


# Fails when what the settings leave out counts as what has gone.
def test_what_the_settings_leave_out_from_now_on_has_not_gone(studio):
    _release(studio, VAULT)
    studio.write(SOURCE, b"2026-015-weir/b.jpg", b"stays")
    studio.places[VAULT][b"2026-015-weir/b.jpg"] = studio.places[SOURCE][b"2026-015-weir/b.jpg"]
    studio.night()
    studio.left_out = {A, b"2026-015-weir/a.jpg"}
    for place in studio.places:
        walk = studio.ledger.walk(place, left_out=lambda path: path in studio.left_out)
        summary = walk.take(studio._dated(place))
        walk.discard()
        assert (summary.vanished, summary.agreed_vanished) == (0, 0)
        assert summary.left_out == (1 if place == SOURCE else 2)
    studio.night()
    assert studio.lasting() == {}
    studio.left_out = ()
    studio.night()
    assert studio.lasting() == {}
