"""What counts as read for a clearance, and what a certificate covers, by the ledger alone."""

from __future__ import annotations

import ledgers
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from test_ledger import FARAWAY, NOW, SOURCE, VAULT, content, file, paths, read, walked

from verifier.ledger import Clearance, GrantedCertificate, Ledger, PlaceName, Proof
from verifier.ledger.migrations import MIGRATIONS
from verifier.model import Cause, Finding, Kind, Side, Sighting, Verdict

SHARE = SOURCE.share
FOLDER = b"2026-014-harbour-wall/"
PLAN = FOLDER + b"notes/plan.txt"

often = settings(max_examples=60, deadline=None, database=None)


def asked(ledger: Ledger, at: int = NOW) -> Clearance:
    """A request whose files are all marked."""
    request = ledger.clearances.request(SHARE, FOLDER, at, "rana")
    paths = [each.sighting.path for each in ledger.clearances.proofs(request, SOURCE)]
    ledger.readings.want(SOURCE, paths, "a clearance")
    ledger.clearances.marked(request)
    return request


def record(ledger: Ledger, seen: Sighting, at: int, past_cache: bool) -> None:
    ledger.readings.add(SOURCE, read(seen, at=at), float(at), past_cache)
    ledger.readings.flush()


def proof(ledger: Ledger, request: Clearance, path: bytes = PLAN) -> Proof:
    (found,) = [
        each for each in ledger.clearances.proofs(request, SOURCE) if each.sighting.path == path
    ]
    assert ledger.clearances.proof_at(request, SOURCE, path) == found
    return found


# ----------------------------------------------------------------------------- what counts as read


def test_a_reading_from_before_the_request_is_no_proof(ledger):
    plan = file(PLAN)
    walked(ledger, SOURCE, [plan], NOW - 100)
    record(ledger, plan, NOW - 50, past_cache=True)
    request = asked(ledger)
    assert not proof(ledger, request).proven


def test_a_reading_after_the_request_is_one_when_it_was_past_the_cache(ledger):
    plan = file(PLAN)
    walked(ledger, SOURCE, [plan], NOW - 100)
    record(ledger, plan, NOW - 50, past_cache=True)
    request = asked(ledger)
    record(ledger, plan, NOW + 10, past_cache=False)
    assert not proof(ledger, request).proven
    record(ledger, plan, NOW + 20, past_cache=True)
    assert proof(ledger, request).proven
    assert not proof(ledger, request).changed


def test_a_change_cancels_the_proof_and_an_ordinary_reading_does_not_bring_it_back(ledger):
    plan, edited = file(PLAN), file(PLAN, date=5)
    walked(ledger, SOURCE, [plan], NOW - 100)
    request = asked(ledger)
    record(ledger, plan, NOW + 10, past_cache=True)
    walked(ledger, SOURCE, [edited], NOW + 20)
    record(ledger, edited, NOW + 30, past_cache=False)
    assert proof(ledger, request).changed
    assert not proof(ledger, request).proven
    ledger.clearances.note_changed(request, SOURCE, [(PLAN, edited.ctime_ns)])
    ledger.readings.want(SOURCE, [PLAN], "a clearance")
    ledger.clearances.prove_changed(request)
    assert not proof(ledger, request).proven
    record(ledger, edited, NOW + 40, past_cache=True)
    assert not proof(ledger, request).proven
    ledger.clearances.prove_changed(request)
    assert proof(ledger, request).proven
    again = file(PLAN, date=9)
    walked(ledger, SOURCE, [again], NOW + 50)
    record(ledger, again, NOW + 60, past_cache=False)
    assert not proof(ledger, request).proven


def test_a_file_that_appears_after_the_request_must_be_marked_of_its_own(ledger):
    plan = file(PLAN)
    walked(ledger, SOURCE, [plan], NOW - 100)
    request = asked(ledger)
    new = file(FOLDER + b"new.txt")
    walked(ledger, SOURCE, [plan, new], NOW + 10)
    record(ledger, new, NOW + 20, past_cache=True)
    assert not proof(ledger, request, new.path).proven


def test_a_request_lasts_until_it_is_granted_and_keeps_its_time(ledger):
    walked(ledger, SOURCE, [file(PLAN)], NOW - 100)
    request = asked(ledger)
    assert ledger.clearances.request(SHARE, FOLDER, NOW + 50, "ola") == Clearance(
        request.id, SHARE, FOLDER, NOW, "rana", True
    )
    ledger.clearances.refused(request, NOW + 60)
    assert ledger.clearances.request(SHARE, FOLDER, NOW + 70, "ola").requested_at == NOW
    other = ledger.clearances.request(SHARE, b"2026-021-lock-gates/", NOW + 70, "ola")
    assert other.id != request.id
    ledger.certificates.add(request, granted(), b"{}")
    assert ledger.clearances.lasting(SHARE, FOLDER) is None
    assert ledger.clearances.request(SHARE, FOLDER, NOW + 90, "ola").requested_at == NOW + 90


def test_a_request_that_was_cut_off_before_all_was_marked_counts_as_made_now(ledger):
    walked(ledger, SOURCE, [file(PLAN)], NOW - 100)
    first = ledger.clearances.request(SHARE, FOLDER, NOW, "rana")
    assert not first.marked
    assert ledger.clearances.request(SHARE, FOLDER, NOW + 50, "ola") == Clearance(
        first.id, SHARE, FOLDER, NOW + 50, "ola", False
    )


def test_a_request_of_a_clock_that_was_ahead_is_begun_anew(ledger):
    plan = file(PLAN)
    walked(ledger, SOURCE, [plan], NOW - 100)
    ahead = asked(ledger, NOW + 1_000)
    record(ledger, plan, NOW + 1_010, past_cache=True)
    ledger.clearances.refused(ahead, NOW + 1_020)
    request = ledger.clearances.request(SHARE, FOLDER, NOW + 50, "ola")
    assert request == Clearance(ahead.id, SHARE, FOLDER, NOW + 50, "ola", False)
    asked(ledger, NOW + 60)
    assert not proof(ledger, request).proven


@often
@given(st.sets(paths(), max_size=12), st.lists(st.sampled_from([b"a/", b"a.a/", b"a/a/", b"-/"])))
def test_only_the_folder_itself_is_gone_through_and_in_order(tmp_path_factory, names, folders):
    where = tmp_path_factory.mktemp("folders") / "ledger.db"
    tree = [file(name) for name in sorted(names)]
    with Ledger(where) as ledger:
        walked(ledger, SOURCE, tree)
        walked(ledger, VAULT, tree)
        for folder in set(folders):
            inside = [each.path for each in tree if each.path.startswith(folder)]
            request = ledger.clearances.request(SHARE, folder, NOW, "rana")
            for place in (SOURCE, VAULT):
                found = [each.sighting.path for each in ledger.clearances.proofs(request, place)]
                assert found == inside
                ledger.readings.want(place, names, "a clearance")
                assert ledger.clearances.left(request, place) == (len(inside), 1000 * len(inside))
            ledger.certificates.add(request, granted(), b"{}")
            for each in tree:
                covered = ledger.certificates.covering(SHARE, each.path)
                if each.path.startswith(folder):
                    assert covered is not None
                    assert covered.certificate.folder == folder


# ---------------------------------------------------------------------------- certificates


def granted(at: int = NOW) -> GrantedCertificate:
    return GrantedCertificate(
        0, SHARE, FOLDER, at, "rana", content(1), content(2), b"/srv/reports/c.json", 1, 1000
    )


def test_a_certificate_covers_what_the_source_held_then_whatever_becomes_of_it(ledger):
    plan = file(PLAN)
    link = Sighting(FOLDER + b"latest", Kind.LINK, 7, 1, target=b"flights")
    walked(ledger, SOURCE, [link, plan], NOW - 100)
    record(ledger, plan, NOW, past_cache=True)
    request = asked(ledger)
    number = ledger.certificates.add(request, granted(), b"{}")
    walked(ledger, SOURCE, [], NOW + 100)
    covered = ledger.certificates.covering(SHARE, PLAN)
    assert covered is not None
    assert (covered.kind, covered.size, covered.digest) == (Kind.FILE, 1000, content(1))
    assert covered.certificate.id == number
    assert covered.certificate.folder == FOLDER
    known = ledger.certificates.covering(SHARE, link.path)
    assert known is not None and (known.kind, known.target) == (Kind.LINK, b"flights")
    assert ledger.certificates.covering(SHARE, FOLDER + b"other.txt") is None
    assert ledger.certificates.of(SHARE) == [covered.certificate]
    assert ledger.certificates.of("delivered-surveys") == []
    assert ledger.certificates.content(number) == b"{}"


# Fails when a path that a certificate covers may leave whatever was written to it since.
def test_only_what_was_certified_may_leave(ledger):
    plan = file(PLAN)
    walked(ledger, SOURCE, [plan], NOW - 100)
    record(ledger, plan, NOW, past_cache=True)
    ledger.certificates.add(asked(ledger), granted(), b"{}")
    assert ledger.certificates.releases(SHARE, PLAN)
    assert not ledger.certificates.releases(SHARE, FOLDER + b"other.txt")
    walked(ledger, SOURCE, [file(PLAN, size=5)], NOW + 100)
    assert not ledger.certificates.releases(SHARE, PLAN)
    walk = ledger.walk(SOURCE)
    assert walk.take([file("z")]).released == 0


def test_the_latest_certificate_counts(ledger):
    plan = file(PLAN)
    walked(ledger, SOURCE, [plan], NOW - 100)
    ledger.certificates.add(asked(ledger), granted(), b"{}")
    record(ledger, plan, NOW + 5, past_cache=True)
    ledger.certificates.add(asked(ledger, NOW + 10), granted(NOW + 20), b"{}")
    covered = ledger.certificates.covering(SHARE, PLAN)
    assert covered is not None and covered.digest == content(1)
    assert covered.certificate.granted_at == NOW + 20


def test_what_is_taken_back_leaves_no_certificate(ledger):
    walked(ledger, SOURCE, [file(PLAN)], NOW - 100)
    request = asked(ledger)
    with pytest.raises(RuntimeError), ledger.transaction():
        number = ledger.certificates.add(request, granted(), b"{}")
        assert ledger.certificates.numbered(number).id == number
        raise RuntimeError("the page could not be written")
    assert ledger.certificates.of(SHARE) == []
    assert ledger.certificates.covering(SHARE, PLAN) is None
    lasting = ledger.clearances.lasting(SHARE, FOLDER)
    assert lasting is not None and lasting.id == request.id
    assert ledger.chain.verify() == ()


def test_a_certificate_that_was_changed_in_the_ledger_shows_in_its_record(ledger):
    walked(ledger, SOURCE, [file(PLAN)], NOW - 100)
    ledger.certificates.add(asked(ledger), granted(), b"{}")
    assert ledger.chain.verify() == ()
    ledger._store.run("UPDATE certificates SET granted_by = 'nobody'")
    (said,) = ledger.chain.verify()
    assert said.startswith("Certificate 1 was changed")


# ------------------------------------------------------------------------------- past damage


def test_past_damage_tells_what_became_of_it(ledger):
    one, other = FOLDER + b"a.tif", FOLDER + b"b.tif"
    here, there = read(file(one), 1), read(file(one), 2)
    for path in (one, other, b"elsewhere.tif"):
        ledger.findings.seen(FARAWAY, corrupt(path), NOW, here, there)
    ledger.findings.settled(FARAWAY, one, NOW + 10, "both sides hold the same")
    ledger.findings.seen(FARAWAY, corrupt(one), NOW + 20, here, there)
    ledger.findings.accept(1, "rana", NOW + 30, "a drill")
    ledger.findings.accept(2, "rana", NOW + 30, "a drill")
    ledger.findings.settled(FARAWAY, other, NOW + 40, "both sides hold the same")
    ledger.findings.seen(FARAWAY, corrupt(other), NOW + 50, here, there)
    request = ledger.clearances.request(SHARE, FOLDER, NOW, "rana")
    first, second = ledger.clearances.past_damage(request, FARAWAY)
    assert (first.path, first.since, first.accepted) == (one, NOW + 20, True)
    assert (second.path, second.since, second.accepted) == (other, NOW + 50, False)
    assert second.standing.source is not None
    assert second.standing.source.digest == content(1)
    assert (first.cause, first.side) == (Cause.ROT, Side.MIRROR)
    assert list(ledger.clearances.past_damage(request, PlaceName(SHARE, "vault"))) == []


def corrupt(path: bytes) -> Finding:
    return Finding(path, Verdict.CORRUPT, Cause.ROT, Side.MIRROR, 1000, "", "")


# Fails when an older ledger is opened without the place where departures are kept.
def test_a_ledger_of_the_version_before_knows_of_nothing_that_left(tmp_path):
    (number,) = [
        each.number
        for each in MIGRATIONS
        if any("CREATE TABLE departures" in statement for statement in each.statements)
    ]
    path = tmp_path / "ledger.db"
    ledgers.make_of_version(path, number - 1)
    with Ledger(path) as ledger:
        assert ledger.soundness() == ()
        walk = ledger.walk(SOURCE)
        walk.take([Sighting(b"p/a", Kind.FILE, 1, 7), Sighting(b"p/b", Kind.FILE, 1, 7)])
        walk.apply(NOW)
        walk = ledger.walk(SOURCE)
        walk.take([Sighting(b"p/b", Kind.FILE, 1, 7)])
        walk.apply(NOW + 60)
        request = ledger.clearances.request(SOURCE.share, b"p/", NOW + 90, "rana")
        assert list(ledger.clearances.departures(request, NOW)) == [(b"p/a", NOW + 60)]
        assert list(ledger.clearances.departures(request, NOW + 60)) == []
