"""``verifier findings`` and ``verifier accept``, as a person or a script runs them."""

from __future__ import annotations

import os
import re
import subprocess
import sys
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest

from program.running import COMMAND, Outcome, clock_at, refusal, running, verifier
from verifier.findings import action_for
from verifier.ledger import FindingState, Ledger, PlaceName, Suspicion
from verifier.model import (
    Agreement,
    Cause,
    Damage,
    DamageRange,
    Finding,
    Kind,
    Pattern,
    Side,
    Sighting,
    Verdict,
)

BENCH = PlaceName("current-surveys")
VAULT = PlaceName("current-surveys", "vault")
PLACES = (BENCH, VAULT, PlaceName("archive"), PlaceName("archive", "vault"))
FARAWAY = PlaceName("delivered-surveys", "faraway")
SEEN = 1_795_572_600  # Wed 2026-11-25 02:10 in Lisbon
ENDED = SEEN + 3_600
MORNING = SEEN + 32 * 3_600  # Thu 10:10: no night without a shift is over yet
DAY = 86_400
DIGESTS = {number: bytes([number]) * 32 for number in range(1, 5)}
AT_MOST = 80 << 20

SETTINGS = """
[studio]
timezone = "Europe/Lisbon"
ledger = "ledger.db"
[[share]]
name = "current-surveys"
source = "bench/current-surveys"
[[share.mirror]]
name = "vault"
at = "vault/current-surveys"
[[share]]
name = "archive"
source = "bench/archive"
[[share.mirror]]
name = "vault"
at = "vault/archive"
"""


class Studio:
    """Settings, and a ledger in which shifts have found this and that."""

    def __init__(self, folder: Path) -> None:
        self.config = folder / "lantern-marsh.toml"
        self.config.write_text(SETTINGS)
        self.ledger = folder / "ledger.db"
        self.now = MORNING

    def shift(
        self,
        started: int = SEEN - 600,
        ended: int | None = ENDED,
        walked: Iterable[PlaceName] = PLACES,
        stopped_by: str = "done",
    ) -> Studio:
        """A shift; one that ended saw in ``walked`` what had been seen there before, or a link."""
        with Ledger(self.ledger) as ledger:
            number = ledger.shifts.start(started)
            if ended is not None:
                for place in walked:
                    known = place in ledger.places()
                    seen = [each.sighting for each in ledger.sightings(place)] if known else []
                    walk = ledger.walk(place, number)
                    walk.take(seen or [Sighting(b"latest", Kind.LINK, 4, 0, target=b"2026")])
                    walk.apply(started)
                ledger.shifts.end(number, ended, stopped_by)
        return self

    def found(
        self,
        path: str | bytes,
        verdict: Verdict,
        cause: Cause | None,
        side: Side | None = Side.MIRROR,
        mirror: PlaceName = VAULT,
        at: int = SEEN,
        **more: Any,
    ) -> int:
        name = os.fsencode(path)
        advice = action_for(verdict, cause, side)[1]
        each = Finding(name, verdict, cause, side, 1000, f"{verdict} it is.", advice, **more)
        with Ledger(self.ledger) as ledger:
            return ledger.findings.seen(mirror, each, at).id

    def settled(self, path: str, at: int, mirror: PlaceName = VAULT) -> None:
        with Ledger(self.ledger) as ledger:
            ledger.findings.settled(mirror, path.encode(), at, "both sides hold the same")

    def changed_content(self) -> int:
        """A source that changed under its date; the mirror holds what was agreed."""
        paths = [b"north.laz"]
        with Ledger(self.ledger) as ledger:
            read = {}
            for place, number in ((BENCH, 2), (VAULT, 1)):
                seen = Sighting(paths[0], Kind.FILE, 1000, 5_000_000_000, inode=7)
                walk = ledger.walk(place)
                walk.take([seen])
                walk.apply(SEEN)
                read[place] = Sighting(
                    paths[0],
                    Kind.FILE,
                    1000,
                    5_000_000_000,
                    inode=7,
                    digest=DIGESTS[number],
                    read_at=SEEN,
                )
                ledger.readings.add(place, read[place], float(SEEN))
            agreed = Agreement(DIGESTS[1], 1000, 5_000_000_000, 5_000_000_000)
            ledger.agreements.record(VAULT, [(paths[0], agreed)], SEEN)
            advice = action_for(Verdict.CORRUPT, Cause.ROT, Side.SOURCE)[1]
            each = Finding(
                paths[0], Verdict.CORRUPT, Cause.ROT, Side.SOURCE, 1000, "It rots.", advice
            )
            return ledger.findings.seen(VAULT, each, SEEN, read[BENCH], read[VAULT]).id

    def unread(self, place: PlaceName, *sizes: int) -> None:
        """Files that a walk saw, and nobody read."""
        with Ledger(self.ledger) as ledger:
            walk = ledger.walk(place)
            walk.take(
                Sighting(b"%03d.tif" % number, Kind.FILE, size, 5_000_000_000)
                for number, size in enumerate(sizes)
            )
            walk.apply(SEEN)

    def run(self, *arguments: str, status: int, zone: str = "UTC", **more: str) -> Outcome:
        environment = clock_at(self.now) | {"TZ": zone, **more}
        outcome = verifier("--config", self.config, *arguments, environment=environment)
        assert outcome.status == status, outcome
        return outcome

    def findings(self, *arguments: str, status: int, zone: str = "UTC") -> str:
        return self.run("findings", *arguments, status=status, zone=zone).out.decode()

    def document(self, *arguments: str, status: int, zone: str = "UTC") -> Any:
        outcome = self.run("findings", "--json", *arguments, status=status, zone=zone)
        assert outcome.err == ""
        assert outcome.out.count(b"\n") == 1
        return outcome.document

    def accept(self, *arguments: str | int, status: int = 0, **more: str) -> Outcome:
        return self.run("accept", *map(str, arguments), status=status, **more)

    def refused(self, status: int, *arguments: str) -> str:
        """The sentence that ``findings`` refuses with, the same with and without --json."""
        config = clock_at(self.now) | {"VERIFIER_CONFIG": str(self.config)}
        return refusal(status, "findings", *arguments, environment=config)


@pytest.fixture
def studio(tmp_path: Path) -> Studio:
    return Studio(tmp_path)


def unwrapped(text: str) -> str:
    return " ".join(text.split())


# ------------------------------------------------------------------------- when nothing is known


def test_without_a_ledger_nothing_is_known_and_that_is_never_all_good(studio: Studio) -> None:
    said = studio.refused(3)
    assert said == (
        f"Nothing is known yet: nothing was read, and there is no ledger at {studio.ledger}. Run "
        "`verifier shift` first.\n"
    )
    assert studio.accept(1, "--because", "fine", status=3).err == said
    assert not studio.ledger.exists(), "asking makes no ledger"


def test_a_ledger_that_is_lost_is_not_one_that_there_never_was(studio: Studio) -> None:
    studio.ledger.with_name("ledger.db.backup-2026-11-24").write_bytes(b"")
    assert "is not there, though a backup of it is" in studio.refused(3)


def test_a_ledger_in_which_no_shift_ever_ran_is_not_all_good(studio: Studio) -> None:
    with Ledger(studio.ledger):
        pass
    assert studio.findings(status=3) == (
        "Nothing is known to be good: no shift has ended yet. No shift has run: `verifier shift`\n"
        "starts one.\n"
    )
    assert studio.document(status=3) == {
        "schema": "verifier.findings.v1",
        "as_of": None,
        "findings": [],
    }


def test_a_first_shift_that_was_cut_off_is_not_all_good(studio: Studio) -> None:
    studio.shift(ended=None)
    told = unwrapped(studio.findings(status=3))
    assert told == (
        "Nothing is known to be good: no shift has ended yet. The shift of Wed 2026-11-25 02:00 "
        "has not ended: it still runs, or was cut off, and what it has not reached is as it was "
        "before."
    )
    assert studio.document(status=3)["unfinished_shift"] == "2026-11-25T02:00:00+00:00"


def test_a_shift_that_did_not_end_is_told_beside_the_last_one_that_did(studio: Studio) -> None:
    studio.shift().shift(ENDED + 86_400, None)
    told = unwrapped(studio.findings(status=0))
    assert told.startswith(
        "Nothing needs you. As of the end of the last shift that ended, Wed 2026-11-25 03:10. The "
        "shift of Thu 2026-11-26 03:10 has not ended"
    )
    document = studio.document(status=0)
    assert (document["as_of"], document["unfinished_shift"]) == (
        "2026-11-25T03:10:00+00:00",
        "2026-11-26T03:10:00+00:00",
    )


# Fails when a place of which nothing is known yet is passed over in silence.
def test_a_place_that_no_shift_has_looked_through_is_not_all_good(studio: Studio) -> None:
    studio.shift(walked=PLACES[2:], stopped_by="signal")
    told = unwrapped(studio.findings(status=3))
    assert told == (
        "No finding is open, but no shift has looked through 2 places yet. As of the end of the "
        "last shift, Wed 2026-11-25 03:10."
    )
    assert studio.document(status=3)["not_reached"] == [
        {"share": "current-surveys", "place": "source", "walked": None},
        {"share": "current-surveys", "place": "vault", "walked": None},
    ]
    assert "Nothing needs you" in studio.findings("--share", "archive", status=0)
    studio.found("a", Verdict.MISSING, Cause.NEVER_COPIED)
    told = unwrapped(studio.findings(status=1))
    assert told.startswith("1 finding needs you; no shift has looked through 2 places yet. As of")
    studio.shift(ENDED + DAY, ENDED + DAY + 60)
    assert unwrapped(studio.findings(status=1)).startswith("1 finding needs you. As of")


def test_a_place_that_the_last_shift_did_not_come_to_is_told(studio: Studio) -> None:
    studio.shift().shift(ENDED + 600, ENDED + 700, PLACES[:1], "until")
    told = unwrapped(studio.findings(status=0))
    assert told.startswith(
        "No finding is open, but the last shift did not look through 3 places. As of"
    )
    unreached = studio.document("--share", "current-surveys", status=0)["not_reached"]
    assert unreached == [
        {"share": "current-surveys", "place": "vault", "walked": "2026-11-25T02:00:00+00:00"}
    ]


# Fails when a shift under way makes what the one before it saw look unseen.
def test_a_shift_that_has_not_ended_takes_nothing_back(studio: Studio) -> None:
    studio.shift().shift(ENDED + 600, None)
    assert studio.findings(status=0).startswith("Nothing needs you. As of the end of the last")


# Fails when what shifts have yet to read is passed over, or what they never read is told.
def test_what_is_not_read_yet_is_told_beside_what_needs_you(studio: Studio) -> None:
    studio.shift().unread(BENCH, 3000, 4000)
    told = unwrapped(studio.findings(status=0))
    assert told.startswith("No finding is open, but 2 files of 7.0 kB are not read yet. As of")
    assert studio.document(status=0)["unread"] == {"files": 2, "bytes": 7000}
    assert "Nothing needs you" in studio.findings("--share", "archive", status=0)
    studio.found("a", Verdict.MISSING, Cause.NEVER_COPIED)
    told = unwrapped(studio.findings(status=1))
    assert told.startswith("1 finding needs you; 2 files of 7.0 kB are not read yet. As of")
    limited = 'source = "bench/current-surveys"\nread_at_most = "1 kB a month"'
    studio.config.write_text(SETTINGS.replace('source = "bench/current-surveys"', limited))
    assert "not read yet" not in studio.findings(status=1)
    assert "unread" not in studio.document(status=1)


# Fails when what looks damaged is passed over in silence until it has been read twice.
def test_what_looks_damaged_and_waits_for_its_second_reading_is_told(studio: Studio) -> None:
    studio.shift()
    with Ledger(studio.ledger) as ledger:
        for path in (b"north.laz", b"south.laz"):
            suspicion = Suspicion(SEEN, DIGESTS[1], SEEN, DIGESTS[2], SEEN)
            ledger.suspicions.keep(VAULT, path, suspicion)
    assert unwrapped(studio.findings(status=0)).startswith(
        "No finding is open, but 2 paths look damaged and wait for a second reading. As of"
    )
    assert studio.document(status=0)["suspected"] == 2
    assert "Nothing needs you" in studio.findings("--share", "archive", status=0)


# ------------------------------------------------------------------- when no shift has run lately


# Fails when `findings` does not ask which nights had no shift.
@pytest.mark.parametrize(("nights", "said"), [(1, "1 night"), (9, "9 nights")])
def test_when_shifts_have_stopped_that_comes_before_any_list(
    studio: Studio, nights: int, said: str
) -> None:
    number = studio.shift().found("a", Verdict.MISSING, Cause.NEVER_COPIED)
    studio.now += nights * DAY
    first = (
        f"No shift has run since Wed 2026-11-25 03:10, though one was expected in {said} since: "
    )
    for arguments, status in (((), 1), ((str(number),), 1), (("--all",), 1)):
        assert unwrapped(studio.findings(*arguments, status=status)).startswith(first)
    outcome = studio.run("findings", "--json", status=1)
    assert outcome.err.startswith(first)
    assert len(outcome.document["missed"]) == nights
    assert outcome.document["missed"][0] == "2026-11-25"


def test_with_nothing_open_a_stopped_tool_keeps_the_status_and_is_no_all_clear(
    studio: Studio,
) -> None:
    studio.shift()
    assert unwrapped(studio.findings(status=0)).startswith("Nothing needs you.")
    assert "missed" not in studio.document(status=0)
    studio.now += 2 * DAY
    told = unwrapped(studio.findings(status=0))
    assert told.startswith("No shift has run since Wed 2026-11-25 03:10, though one was expected")
    assert "Nothing needs you" not in told
    assert "No finding was open when something was checked last." in told
    audit = studio.run("audit", status=0)
    assert unwrapped(audit.out.decode()).startswith("No shift has run since Wed 2026-11-25 03:10")
    document = studio.run("audit", "--json", status=0)
    assert document.err.startswith("No shift has run since Wed 2026-11-25 03:10")


def test_what_was_found_needs_somebody_even_if_no_shift_ever_ended(studio: Studio) -> None:
    studio.found("a", Verdict.MISSING, Cause.NEVER_COPIED)
    assert studio.findings(status=1).startswith("1 finding needs you. No shift has run")


# ------------------------------------------------------------------------------------- the list


@pytest.fixture
def busy(studio: Studio) -> Studio:
    """Open ones of several kinds, an accepted and a closed one."""
    studio.shift()
    studio.found("notes/plan.txt", Verdict.MISSING, Cause.NEVER_COPIED)
    studio.found("old.laz", Verdict.ORPHANED, Cause.DELETED_AT_SOURCE, mirror=FARAWAY)
    studio.found("north.laz", Verdict.CORRUPT, Cause.ROT, Side.SOURCE)
    studio.found("again.laz", Verdict.CORRUPT, Cause.ROT, Side.SOURCE)
    studio.found("kept.tif", Verdict.ORPHANED, Cause.DELETED_AT_SOURCE)
    studio.found("done.txt", Verdict.STALE, Cause.OLDER_VERSION)
    studio.settled("done.txt", ENDED - 60)
    with Ledger(studio.ledger) as ledger:
        ledger.findings.accept(5, "rana", ENDED + 60, "the client's own")
    return studio


LISTED = """\
4 findings need you; 1 accepted. As of the end of the last shift, Wed 2026-11-25 03:10.

Hold the next mirror run: the source side is in doubt (2)
=========================================================
Keep the next mirror run from carrying this over: pause the copy job now. The mirror holds
the good copy: make a second copy of it somewhere safe, bring it back to the source, and
compare again before the copy job runs.

  4: again.laz
    current-surveys, vault: corrupt, rot, bad side: source, 1.0 kB; first seen Wed
    2026-11-25 02:10
    corrupt it is.

  3: north.laz
    current-surveys, vault: corrupt, rot, bad side: source, 1.0 kB; first seen Wed
    2026-11-25 02:10
    corrupt it is.

Not on the mirror as they should be: run the copy job again (1)
===============================================================
Run the copy job and compare again. If it is still missing, see whether the job leaves it
out or reports an error for it.

  1: notes/plan.txt
    current-surveys, vault: missing, never-copied, 1.0 kB; first seen Wed 2026-11-25 02:10
    missing it is.

On the mirror only: was it meant to be deleted? (1)
===================================================
If it was not meant to be deleted, this may be the only copy: pause the copy job, which may
remove it, and bring it back to the source. If it was, check contracts, the insurer and the
local rules on keeping records before the mirror's copy goes too.

  2: old.laz
    delivered-surveys, faraway: orphaned, deleted-at-source, 1.0 kB; first seen Wed
    2026-11-25 02:10
    orphaned it is.

Accepted: quiet until they change (1)
=====================================

  5: kept.tif
    current-surveys, vault: orphaned, deleted-at-source; accepted by rana on Wed 2026-11-25
    03:11: the client's own
"""

CLOSED = """
Closed
======

  6: done.txt
    current-surveys, vault: stale, older-version; closed on Wed 2026-11-25 03:09: both sides
    hold the same
"""


@pytest.mark.parametrize("zone", ["UTC", "Australia/Lord_Howe"])
def test_what_needs_somebody_comes_first_and_the_most_pressing_of_it(
    busy: Studio, zone: str
) -> None:
    assert busy.findings(status=1, zone=zone) == LISTED


def test_closed_ones_are_shown_when_all_are_asked_for(busy: Studio) -> None:
    assert busy.findings("--all", status=1) == LISTED + CLOSED


@pytest.mark.parametrize("zone", ["UTC", "Australia/Lord_Howe"])
def test_the_document_is_the_contracts(studio: Studio, zone: str) -> None:
    studio.shift(started=1_784_581_000, ended=1_784_584_800)
    studio.now = 1_784_590_000
    damage = Damage(10, 10, (DamageRange(0, 1, Pattern.BIT_FLIP, 1),), 1, "one byte differs")
    studio.found(
        b"caf\xe9.laz",
        Verdict.CORRUPT,
        Cause.ROT,
        at=1_784_581_200,
        damage=damage,
        other_path=b"caf\xe8.laz",
    )
    assert studio.document(status=1, zone=zone) == {
        "schema": "verifier.findings.v1",
        "as_of": "2026-07-20T23:00:00+01:00",
        "findings": [
            {
                "path": "caf\\xe9.laz",
                "path_b64": "Y2Fm6S5sYXo=",
                "verdict": "corrupt",
                "cause": "rot",
                "side": "mirror",
                "size": 1000,
                "detail": "corrupt it is.",
                "advice": action_for(Verdict.CORRUPT, Cause.ROT, Side.MIRROR)[1],
                "other_path": "caf\\xe8.laz",
                "other_path_b64": "Y2Fm6C5sYXo=",
                "damage": {
                    "size": {"source": 10, "mirror": 10},
                    "ranges": [{"from": 0, "to": 1, "pattern": "bit-flip", "bits": 1}],
                    "differing_bytes": 1,
                },
                "share": "current-surveys",
                "mirror": "vault",
                "id": 1,
                "first_seen": "2026-07-20T22:00:00+01:00",
                "state": "open",
                "last_seen": "2026-07-20T22:00:00+01:00",
            }
        ],
    }


def test_the_document_says_who_accepted_and_what_closed(busy: Studio) -> None:
    lasting = busy.document(status=1)["findings"]
    assert [each["path"] for each in lasting] == [
        "again.laz",
        "kept.tif",
        "north.laz",
        "notes/plan.txt",
        "old.laz",
    ]
    assert lasting[1]["accepted"] == {
        "who": "rana",
        "at": "2026-11-25T03:11:00+00:00",
        "because": "the client's own",
    }
    everything = busy.document("--all", status=1)["findings"]
    assert [each["id"] for each in everything] == [4, 6, 5, 3, 1, 2]
    assert (everything[1]["state"], everything[1]["closed"], everything[1]["closed_by"]) == (
        "closed",
        "2026-11-25T03:09:00+00:00",
        "both sides hold the same",
    )


def test_an_acceptance_that_a_change_ended_is_told_by_the_history_alone(busy: Studio) -> None:
    busy.accept(1, "--because", "the season is over")
    with Ledger(busy.ledger) as ledger:
        changed = Sighting(b"notes/plan.txt", Kind.FILE, 5, 5)
        ledger.findings.seen(VAULT, ledger.findings.numbered(1).finding, ENDED, changed)
    (one,) = busy.document("1", status=1)["findings"]
    assert (one["state"], "accepted" in one) == ("open", False)
    assert [each["what"] for each in one["history"]] == ["opened", "accepted", "reopened"]


def test_one_share_can_be_asked_for_also_when_the_settings_name_it_no_more(busy: Studio) -> None:
    there = busy.document("--share", "current-surveys", status=1)["findings"]
    assert {each["share"] for each in there} == {"current-surveys"}
    gone = busy.document("--share", "delivered-surveys", status=1)["findings"]
    assert [each["id"] for each in gone] == [2]
    assert busy.findings("--share", "archive", status=0).startswith("Nothing needs you. As of")


def test_a_share_that_there_is_not_is_refused(busy: Studio) -> None:
    assert busy.refused(2, "--share", "archvie") == (
        'There is no share called "archvie" (did you mean archive?); known: current-surveys, '
        "archive.\n"
    )


def test_a_finding_is_shown_in_full_with_its_history(busy: Studio) -> None:
    busy.found("done.txt", Verdict.STALE, Cause.OLDER_VERSION, at=ENDED)
    assert busy.findings("6", status=1) == (
        "Finding 6 is open, and needs you. As of the end of the last shift, Wed 2026-11-25 03:10.\n"
        "\n"
        "Path:       done.txt\n"
        "Share:      current-surveys\n"
        "Mirror:     vault\n"
        "Verdict:    stale, older-version\n"
        "Size:       1.0 kB\n"
        "First seen: Wed 2026-11-25 02:10\n"
        "Last seen:  Wed 2026-11-25 03:10\n"
        "\n"
        "stale it is.\n"
        "\n"
        "What to do\n"
        "==========\n"
        "The source is newer. Run the copy job and compare again. If it stays stale, the job "
        "passes\nthis file over.\n"
        "\n"
        "History\n"
        "=======\n"
        "Wed 2026-11-25 02:10  opened: stale, older-version, mirror side\n"
        "Wed 2026-11-25 03:09  closed: both sides hold the same\n"
        "Wed 2026-11-25 03:10  reopened: stale, older-version, mirror side\n"
    )
    (one,) = busy.document("6", status=1)["findings"]
    assert (one["id"], one["state"]) == (6, "open")
    assert one["history"][1] == {
        "at": "2026-11-25T03:09:00+00:00",
        "what": "closed",
        "detail": "both sides hold the same",
    }


def test_a_finding_that_needs_nobody_is_shown_with_status_0(busy: Studio) -> None:
    assert busy.findings("6", status=0).startswith("Finding 6 is closed, and needs nobody.")
    told = busy.findings("5", status=0)
    assert told.startswith("Finding 5 is accepted, and quiet until it changes.")
    assert "accepted: rana: the client's own" in unwrapped(told)


def test_a_finding_that_there_never_was_is_refused(busy: Studio) -> None:
    said = "There is no finding 77. `verifier findings` lists those that there are.\n"
    assert busy.refused(2, "77") == said
    assert busy.accept(77, "--because", "fine", status=2).err == said


@pytest.mark.parametrize("number", ["0", "-1", "first", str(1 << 64), ""])
def test_what_is_no_number_of_a_finding_is_refused(busy: Studio, number: str) -> None:
    assert busy.run("findings", number, status=2).out == b""
    assert busy.accept(number, "--because", "fine", status=2).out == b""


@pytest.mark.parametrize("more", [("--all",), ("--share", "archive")])
def test_a_number_stands_alone(busy: Studio, more: tuple[str, ...]) -> None:
    assert "A finding's number stands alone" in busy.refused(2, "1", *more)


def test_names_cannot_act_on_the_terminal(studio: Studio) -> None:
    studio.shift()
    studio.found(b"\x1b[2Jcaf\xe9\n.laz", Verdict.MISSING, Cause.NEVER_COPIED)
    for arguments in ((), ("1",)):
        told = studio.findings(*arguments, status=1)
        assert "\\x1b[2Jcaf\\xe9\\x0a.laz" in told
        assert "\x1b" not in told


def test_tens_of_thousands_of_findings_take_little_memory(studio: Studio) -> None:
    studio.shift()
    ranges = tuple(DamageRange(each, each + 1, Pattern.GARBLED) for each in range(100))
    damage = Damage(1000, 1000, ranges, 1000, "a hundred bytes differ")
    with Ledger(studio.ledger) as ledger, ledger.transaction():
        for number in range(20_000):
            each = Finding(
                b"flights/%06d.jpg" % number,
                Verdict.CORRUPT,
                Cause.ROT,
                Side.SOURCE,
                1000,
                "Seen.",
                "Do.",
                damage=damage,
            )
            ledger.findings.seen(VAULT, each, SEEN)
    told, peak = measured(studio, "findings", "--all")
    assert told.startswith(b"20,000 findings need you.")
    assert b"\n  ... and 19,800 more; --json lists all of them.\n" in told
    assert told.count(b".jpg") == 200
    assert peak < AT_MOST
    document, peak = measured(studio, "findings", "--json")
    assert document.count(b'"id":') == 20_000
    assert peak < AT_MOST


MEASURING = """
import resource, subprocess, sys
status = subprocess.run(sys.argv[1:]).returncode
print(resource.getrusage(resource.RUSAGE_CHILDREN).ru_maxrss, file=sys.stderr)
sys.exit(status)
"""
"""A small process in between: a child's peak counts what its parent held when it was made."""


def measured(studio: Studio, *arguments: str) -> tuple[bytes, int]:
    """What a run printed, and the most memory that it held."""
    measuring = (sys.executable, "-c", MEASURING)
    clock = clock_at(studio.now)
    outcome = verifier("--config", studio.config, *arguments, before=measuring, environment=clock)
    assert outcome.status == 1
    return outcome.out, int(outcome.err) * (1 if sys.platform == "darwin" else 1024)


# ------------------------------------------------------------------------------------- accepting


def test_an_accepted_finding_is_quiet_with_who_when_and_why(busy: Studio) -> None:
    told = busy.accept(2, 1, 3, 4, "--because", "  the season\n is over ").out.decode()
    assert told.count(" is accepted: ") == 4
    document = busy.document(status=0)
    states = {each["id"]: each["state"] for each in document["findings"]}
    assert states == dict.fromkeys(range(1, 6), "accepted")
    for each in document["findings"]:
        assert each["accepted"]["who"]
        if each["id"] != 5:
            assert each["accepted"]["because"] == "the season is over"
    assert busy.findings(status=0).startswith("Nothing needs you; 5 accepted. As of the end of")


def test_a_decision_says_what_it_means_and_what_to_check_before_deleting(busy: Studio) -> None:
    told = unwrapped(busy.accept(1, 2, "--because", "the season is over").out.decode())
    assert told == (
        "Finding 1 is accepted: notes/plan.txt may stand on the source alone, and vault holds no "
        "copy of it; this stays quiet until it changes or appears there. "
        "Finding 2 is accepted: old.laz may stand on faraway alone, where it may be the only "
        "copy; this stays quiet until it changes or comes back to the source. "
        "Nothing was deleted or overwritten, and an acceptance is no leave to do so: before you "
        "delete anything, on any copy, check your contracts, your insurer's terms and the local "
        "rules on keeping records."
    )


@pytest.mark.parametrize(
    ("verdict", "cause", "begins", "cautions"),
    [
        (Verdict.MISSING, Cause.MOVED, "that a.laz stands under another name", False),
        (Verdict.UNREADABLE, Cause.UNSTABLE_READ, "that a.laz cannot be read stays quiet", True),
        (Verdict.UNSETTLED, None, "that a.laz changes while it is read stays quiet", False),
        (Verdict.CORRUPT, Cause.ROT, "a.laz stays quiet until it changes on either side", True),
        (Verdict.STALE, Cause.OLDER_VERSION, "a.laz stays quiet until it changes on", True),
    ],
)
def test_every_verdict_has_its_sentence(
    studio: Studio, verdict: Verdict, cause: Cause | None, begins: str, cautions: bool
) -> None:
    number = studio.found("a.laz", verdict, cause, Side.BOTH)
    told = unwrapped(studio.accept(number, "--because", "fine").out.decode())
    assert told.startswith(f"Finding {number} is accepted: {begins}")
    assert ("check your contracts" in told) is cautions


def test_an_accepted_change_of_content_becomes_the_agreement(studio: Studio) -> None:
    number = studio.changed_content()
    told = unwrapped(studio.accept(number, "--because", "tags were added").out.decode())
    assert told.startswith(
        f"Finding {number} is accepted: what the source holds of north.laz is agreed from now on; "
        "vault holds something else, is no copy of it until the copy job brings it over"
    )
    with Ledger(studio.ledger) as ledger:
        agreement = ledger.agreements.of(VAULT, b"north.laz")
        assert (agreement.digest, agreement.earlier) == (DIGESTS[2], (DIGESTS[1],))


@pytest.mark.parametrize("because", ["", "  \t"])
def test_nothing_is_accepted_without_a_reason(busy: Studio, because: str) -> None:
    said = busy.accept(1, "--because", because, status=2).err
    assert said == "A finding is accepted for a reason. Say it with --because.\n"
    assert "Missing option '--because'" in busy.accept(1, status=2).err


def test_a_closed_finding_cannot_be_accepted(busy: Studio) -> None:
    said = busy.accept(6, "--because", "fine", status=2).err
    assert said == "Finding 6 is closed already. Nothing needs to be accepted.\n"


def test_of_several_all_are_accepted_or_none(busy: Studio) -> None:
    before = busy.document("--all", status=1)
    said = busy.accept(1, 6, "--because", "fine", status=2).err
    assert said.endswith("Nothing needs to be accepted. None of them was accepted.\n")
    assert busy.document("--all", status=1) == before


def test_a_reason_cannot_act_on_the_terminal(busy: Studio) -> None:
    outcome = verifier(
        "--config", busy.config, "accept", "1", "--because", b"\x1b[2J caf\xe9 \xc3\xa9"
    )
    assert outcome.status == 0
    assert "\\x1b[2J caf\\xe9 é" in busy.findings(status=1)


def test_sudo_is_told(busy: Studio) -> None:
    busy.accept(1, "--because", "fine", SUDO_USER="rana")
    (who,) = [
        each["accepted"]["who"] for each in busy.document(status=1)["findings"] if each["id"] == 1
    ]
    assert re.fullmatch(r"\S+ \((as \S+, )?sudo by rana\)", who)


def test_help_shows_an_example(busy: Studio) -> None:
    for command in ("findings", "accept"):
        assert f"Example: verifier {command} " in verifier(command, "--help").out.decode()


# ------------------------------------------------------------------- while a shift is at work

SHIFT = """
import sys
from pathlib import Path
from verifier.ledger import Ledger, PlaceName, only_shift
from verifier.model import Finding, Verdict

path, vault = Path(sys.argv[1]), PlaceName("current-surveys", "vault")
with only_shift(path, 1), Ledger(path) as ledger:
    with ledger.transaction():
        ledger.findings.settled(vault, b"north.laz", 1, "both sides hold the same")
        print("under way", flush=True)
        sys.stdin.readline()
        # Long enough that who came meanwhile has to wait for what is left of it.
        for number in range(20_000):
            each = Finding(b"%06d" % number, Verdict.MISSING, None, None, 1, "Seen.", "Do.")
            ledger.findings.seen(vault, each, 1)
    print("done", flush=True)
    sys.stdin.readline()
"""


@contextmanager
def shift_at_work(studio: Studio) -> Iterator[subprocess.Popen[str]]:
    """A process that holds the shift's lock, and writes in one long transaction until told."""
    process = subprocess.Popen(
        [sys.executable, "-c", SHIFT, studio.ledger],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
    )
    try:
        assert process.stdout is not None
        assert process.stdout.readline() == "under way\n"
        yield process
    finally:
        process.kill()
        process.communicate()


def go_on(process: subprocess.Popen[str]) -> None:
    assert process.stdin is not None
    process.stdin.write("\n")
    process.stdin.flush()


def test_findings_are_listed_while_a_shift_writes_and_as_they_were_before(busy: Studio) -> None:
    before = busy.document("--all", status=1)
    with shift_at_work(busy) as process:
        assert busy.document("--all", status=1) == before
        assert process.poll() is None


def test_an_acceptance_waits_for_what_a_shift_writes(busy: Studio, tmp_path: Path) -> None:
    """The settings come through a pipe: once they are read, the acceptance is under way."""
    pipe = tmp_path / "settings.pipe"
    os.mkfifo(pipe)
    with (
        shift_at_work(busy) as process,
        running("--config", pipe, "accept", "1", "--because", "the season is over") as accepting,
    ):
        pipe.write_text(SETTINGS)
        go_on(process)
        out, err = accepting.communicate()
        assert (accepting.returncode, err) == (0, b"")
        assert out.startswith(b"Finding 1 is accepted: ")
        assert process.stdout is not None
        assert process.stdout.readline() == "done\n"
        assert process.poll() is None, "the shift holds its lock all the while"
    with Ledger(busy.ledger) as ledger:
        assert ledger.findings.numbered(1).state is FindingState.ACCEPTED
        assert ledger.findings.counts()[FindingState.OPEN] == 2 + 20_000
        assert ledger.soundness() == ()


def test_an_acceptance_heeds_what_a_shift_wrote_meanwhile(busy: Studio, tmp_path: Path) -> None:
    pipe = tmp_path / "settings.pipe"
    os.mkfifo(pipe)
    with (
        shift_at_work(busy) as process,
        running("--config", pipe, "accept", "1", "3", "--because", "fine") as accepting,
    ):
        pipe.write_text(SETTINGS)
        go_on(process)
        out, err = accepting.communicate()
    assert (accepting.returncode, out) == (2, b"")
    assert err.startswith(b"Finding 3 is closed already.")
    with Ledger(busy.ledger) as ledger:
        assert ledger.findings.numbered(1).state is FindingState.OPEN


def test_many_acceptances_at_once_are_all_recorded(busy: Studio) -> None:
    numbers = [busy.found(f"{each}.jpg", Verdict.MISSING, Cause.NEVER_COPIED) for each in range(8)]
    processes = [
        subprocess.Popen(
            [*COMMAND, "--config", busy.config, "accept", str(number), "--because", "fine"],
            stdout=subprocess.DEVNULL,
        )
        for number in numbers
    ]
    assert [process.wait() for process in processes] == [0] * len(numbers)
    with Ledger(busy.ledger) as ledger:
        for number in numbers:
            assert ledger.findings.numbered(number).state is FindingState.ACCEPTED
