"""Messages in the ledger, and their words."""

from __future__ import annotations

import sqlite3
from contextlib import closing
from zoneinfo import ZoneInfo

import pytest
from ledgers import set_back
from msgspec import structs

from verifier.expected import Missed
from verifier.findings import Action, action_for
from verifier.hours import Span, WorkingHours
from verifier.jobs.doubts import Doubt, DoubtKind
from verifier.jobs.notices import Facts, Group, Known, Week, WeekPlace
from verifier.jobs.shift import Result, StoppedBy
from verifier.ledger import (
    DeliveryState,
    FindingState,
    Ledger,
    LedgerFinding,
    MessageKind,
    Notice,
    NoticeKind,
    PlaceName,
)
from verifier.ledger.migrations import MIGRATIONS
from verifier.model import Cause, Finding, Side, Verdict
from verifier.night import nights_from
from verifier.reporting.message import WORDS
from verifier.scheduler import Left

NOW = 1_795_557_600
SHARE = "current-surveys"
SOURCE, VAULT = PlaceName(SHARE), PlaceName(SHARE, "vault")
ALL = b"all" * 4
TO = [(b"rana", "mailtos://mail.example (address 1)"), (b"room", "json (address 2)")]


def corrupt(path: bytes, side: Side = Side.MIRROR) -> Finding:
    advice = action_for(Verdict.CORRUPT, Cause.ROT, side)[1]
    return Finding(path, Verdict.CORRUPT, Cause.ROT, side, 1_000, "It rotted.", advice)


def add(ledger: Ledger, *, kind=MessageKind.SHIFT, at=NOW, about=None, findings=()) -> int:
    return ledger.messages.add(
        at, kind, "All good", "Body", ALL, TO, about=about, findings=findings
    )


# ------------------------------------------------------------------------------------ the ledger


def test_a_message_waits_for_each_address_until_that_one_took_it(ledger):
    number = add(ledger)
    assert [each.label for each in ledger.messages.waiting()] == sorted(label for _, label in TO)
    ledger.messages.tried(number, b"rana", NOW, None)
    ledger.messages.tried(number, b"room", NOW + 5, "its name could not be found")
    (left,) = ledger.messages.waiting()
    assert (left.recipient, left.tries, left.tried_at) == (b"room", 1, NOW + 5)
    assert left.said == "its name could not be found"
    ledger.messages.tried(number, b"room", NOW + 9, None)
    assert ledger.messages.waiting() == ledger.messages.undelivered(NOW) == []


def test_what_is_given_up_is_still_shown_for_a_month(ledger):
    add(ledger)
    ledger.messages.give_up_before(NOW)
    assert len(ledger.messages.waiting()) == 2
    ledger.messages.give_up_before(NOW + 1)
    assert ledger.messages.waiting() == []
    shown = ledger.messages.undelivered(NOW + 29 * 86_400)
    assert {each.state for each in shown} == {DeliveryState.GIVEN_UP}
    assert ledger.messages.undelivered(NOW + 31 * 86_400) == []


def test_what_was_given_up_is_over_when_a_later_message_was_taken_at_that_address(ledger):
    add(ledger)
    ledger.messages.give_up_before(NOW + 1)
    later = add(ledger, at=NOW + 9)
    ledger.messages.tried(later, b"rana", NOW + 9, None)
    left = ledger.messages.undelivered(NOW + 9)
    assert {each.recipient for each in left} == {b"room"}


def test_a_finding_is_told_once_to_the_same_people_until_it_opens_again(ledger):
    def untold(recipients: bytes = ALL) -> list[int]:
        return list(ledger.messages.untold(recipients, NOW))

    one = ledger.findings.seen(VAULT, corrupt(b"a"), NOW)
    assert untold() == [one.id]
    add(ledger, findings=[one.id])
    assert untold() == []
    assert untold(b"others") == [one.id]
    ledger.findings.seen(VAULT, corrupt(b"a"), NOW + 9)
    assert untold() == []
    ledger.findings.settled(VAULT, b"a", NOW + 10, "it is matched")
    assert untold() == []
    ledger.findings.seen(VAULT, corrupt(b"a"), NOW + 20)
    assert untold() == [one.id]


def test_what_reached_nobody_and_was_given_up_counts_as_untold(ledger):
    one = ledger.findings.seen(VAULT, corrupt(b"a"), NOW)
    number = add(ledger, findings=[one.id])
    ledger.messages.tried(number, b"rana", NOW, "no")
    assert list(ledger.messages.untold(ALL, NOW)) == []
    ledger.messages.give_up(number)
    assert list(ledger.messages.untold(ALL, NOW)) == [one.id]


def test_what_was_told_at_once_in_this_shift_is_summed_up_after_it(ledger):
    one = ledger.findings.seen(VAULT, corrupt(b"a", Side.SOURCE), NOW)
    ledger.findings.seen(VAULT, corrupt(b"b"), NOW)
    source_only = ledger.messages.untold(ALL, NOW, on_the_source=True)
    assert list(source_only) == [one.id]
    add(ledger, kind=MessageKind.AT_ONCE, findings=[one.id])
    assert one.id in ledger.messages.untold(ALL, NOW)
    assert one.id not in ledger.messages.untold(ALL, NOW + 1)


def test_what_lasts_is_told_again_only_when_it_was_over_in_between(ledger):
    add(ledger, about="unmounted: vault")
    assert ledger.messages.lasts("unmounted: vault", ALL, NOW)
    assert not ledger.messages.lasts("unmounted: vault", ALL, NOW + 1)
    assert not ledger.messages.lasts("unmounted: vault", b"others", NOW)
    ledger.messages.over(["unmounted: vault"], NOW + 5)
    assert ledger.messages.lasts("unmounted: vault", ALL, NOW)
    ledger.messages.over([], NOW + 5)
    assert not ledger.messages.lasts("unmounted: vault", ALL, NOW)


def test_old_bodies_are_forgotten_once_nothing_waits_for_them(ledger):
    number = add(ledger)
    ledger.messages.forget_bodies_before(NOW + 1)
    assert ledger.messages.waiting()[0].body == "Body"
    for recipient, _ in TO:
        ledger.messages.tried(number, recipient, NOW, None)
    ledger.messages.forget_bodies_before(NOW + 1)
    with closing(sqlite3.connect(ledger.path)) as raw:
        assert raw.execute("SELECT body, subject FROM messages").fetchall() == [("", "All good")]


def test_a_ledger_of_the_version_before_learns_of_messages_and_keeps_its_findings(tmp_path):
    path = tmp_path / "ledger.db"
    (number,) = [each.number for each in MIGRATIONS if "CREATE TABLE messages" in str(each)]
    with Ledger(path) as ledger:
        one = ledger.findings.seen(VAULT, corrupt(b"a"), NOW)
        assert list(ledger.messages.untold(ALL, NOW)) == [one.id]
        assert ledger.soundness() == ()
    set_back(path, number - 1)
    with closing(sqlite3.connect(path)) as raw:
        assert not {"messages", "deliveries", "told"} & {
            row[0] for row in raw.execute("SELECT name FROM sqlite_master")
        }
    with Ledger(path) as ledger:
        assert [each.id for each in ledger.findings.all()] == [one.id]
        assert list(ledger.messages.untold(ALL, NOW)) == [one.id]
        add(ledger, findings=[one.id])
        assert list(ledger.messages.untold(ALL, NOW)) == []
        assert ledger.soundness() == ()


# ------------------------------------------------------------------------------------- the words

HOURS = WorkingHours(ZoneInfo("Europe/Lisbon"), (Span.parse("Mon-Fri 08:30-19:00"),))
GOOD = Facts(
    studio="Lantern Marsh Surveys",
    hours=HOURS,
    result=Result(3, StoppedBy.DONE, 502, 212 * 10**9),
    started=NOW,
    ended=NOW + 3600,
    news=(),
    known=(),
    accepted=0,
    missed=Missed(),
    late=(),
    due=NOW + 100_000,
    quiet=False,
    page=None,
    attached=False,
    week=None,
)


def group(action: Action, total: int = 1, place: str = "vault", path: bytes = b"a") -> Group:
    side = Side.SOURCE if action is Action.HOLD_THE_MIRROR_RUN else Side.MIRROR
    first = LedgerFinding(
        7, SHARE, place, corrupt(path, side), FindingState.OPEN, NOW, NOW, None, None, None
    )
    return Group(action, PlaceName(SHARE, place), total, (first,))


def facts(**changes) -> Facts:
    return structs.replace(GOOD, **changes)


def subject(**changes) -> str:
    return WORDS.after_shift(facts(**changes)).subject


def test_all_good_is_said_only_when_nothing_at_all_needs_somebody():
    assert subject() == "All good: 212 GB read, nothing needs you"
    result = structs.replace(GOOD.result, left=Left(5, 10**12))
    assert subject(result=result) == (
        "All good: 212 GB read, 1.0 TB left for the next shifts, nothing needs you"
    )
    night = tuple(nights_from(HOURS, NOW - 86_400, NOW))[:1]
    unmounted = Notice(VAULT, NOW, NoticeKind.UNMOUNTED, "vault looks emptied.")
    for bad in (
        {"news": (group(Action.COPY),)},
        {"known": (Known(Action.COPY, 1),)},
        {"missed": Missed(night)},
        {"missed": Missed((), (NOW,))},
        {"result": structs.replace(GOOD.result, stopped_by=StoppedBy.TROUBLE)},
        {"result": structs.replace(GOOD.result, notices=(unmounted,))},
        {"result": structs.replace(GOOD.result, unreachable=((VAULT, "gone"),))},
        {"doubts": (Doubt(DoubtKind.OVERDUE, VAULT, NOW),)},
        {"unread": (Doubt(DoubtKind.UNREAD, VAULT, None, 5, 10**12),), "result": result},
        {"not_told": (Doubt(DoubtKind.UNDELIVERED, None, NOW, 1, to="json://room"),)},
    ):
        said = WORDS.after_shift(facts(**bad))
        assert "all good" not in f"{said.subject} {said.body}".lower()
        assert "nothing needs you" not in said.subject
        assert "Nothing needs you" not in said.body


@pytest.mark.parametrize(
    ("news", "said"),
    [
        ((group(Action.MEND_THE_MIRROR, 2),), "2 files damaged on vault; the source is fine"),
        (
            (group(Action.MEND_THE_MIRROR, 1), group(Action.MEND_THE_MIRROR, 1, "faraway")),
            "2 files damaged on faraway and vault; the source is fine",
        ),
        (
            (group(Action.HOLD_THE_MIRROR_RUN, 3), group(Action.COPY, 4)),
            "Hold the mirror run: 3 files damaged on the source of current-surveys; and 1 more "
            "thing",
        ),
        (
            (
                group(Action.HOLD_THE_MIRROR_RUN, 1),
                group(Action.HOLD_THE_MIRROR_RUN, 1, "faraway"),
                group(Action.COPY, 1),
            ),
            "Hold the mirror run: 1 file damaged on the source of current-surveys; and 1 more "
            "thing",
        ),
        (
            (group(Action.DECIDE_WHICH_SIDE, 1), group(Action.COPY, 4)),
            "1 file differs between current-surveys and vault; overwrite neither; 4 more findings",
        ),
        (
            (group(Action.SAVE_THE_LAST_COPY, 1),),
            "It may be the last copy: 1 file released earlier is lost or damaged on vault",
        ),
    ],
)
def test_the_subject_is_the_most_pressing_thing(news: tuple[Group, ...], said: str):
    assert subject(news=news) == said


def test_damage_on_the_source_outranks_a_place_that_cannot_be_reached():
    result = structs.replace(
        GOOD.result, stopped_by=StoppedBy.TROUBLE, unreachable=((VAULT, "vault is gone."),)
    )
    said = subject(result=result, news=(group(Action.HOLD_THE_MIRROR_RUN),))
    assert said.startswith("Hold the mirror run: ") and said.endswith("; and 1 more thing")
    body = WORDS.after_shift(facts(result=result, news=(group(Action.HOLD_THE_MIRROR_RUN),))).body
    assert body.index("vault is gone.") < body.index("What to do first")
    assert "Pause the copy job now" in body.partition("What to do first")[2]


@pytest.mark.parametrize("action", list(Action))
def test_every_action_has_words(action: Action):
    said = WORDS.after_shift(facts(news=(group(action),), known=(Known(action, 2),)))
    assert said.subject and "What to do first" in said.body


def test_every_message_says_from_when_on_silence_is_bad():
    notice = Notice(VAULT, NOW, NoticeKind.UNMOUNTED, "vault looks emptied.")
    due = WORDS.by_when(HOURS, GOOD.due)
    assert due.startswith("If you hear nothing by ")
    for draft in (
        WORDS.after_shift(GOOD),
        WORDS.looks_wrong("Lantern Marsh Surveys", notice, due),
        WORDS.unreachable("Lantern Marsh Surveys", SOURCE, "it is gone.", due),
        WORDS.source_damaged("Lantern Marsh Surveys", [group(Action.HOLD_THE_MIRROR_RUN)], due),
        WORDS.broken("Lantern Marsh Surveys", "The ledger is damaged.", True, due),
        WORDS.test("Lantern Marsh Surveys", due),
    ):
        assert " ".join(due.split()) in " ".join(draft.body.split())
        assert "\n" not in draft.subject
    assert "nothing is checked" in WORDS.by_when(HOURS, None)


def test_hostile_names_cannot_add_lines_nor_push_the_rest_away():
    path = b"notes/\nSubject: all good\r\n\x1b[2J" + "\u202egpj".encode() + b"\xff" + b"x" * 4000
    body = WORDS.after_shift(facts(news=(group(Action.MEND_THE_MIRROR, path=path),))).body
    assert "\nSubject: all good" not in body
    assert "\x1b" not in body and "\u202e" not in body and "\r" not in body
    assert max(map(len, body.splitlines())) < 400
    body.encode("utf-8")


def test_the_week_is_summed_up_by_place():
    week = Week(6, 3, 2, 1, (WeekPlace(VAULT, 10**12, 4 * 10**12, 10**9, NOW, NOW + 9e5),))
    said = WORDS.after_shift(facts(week=week))
    assert said.subject == "All good: 212 GB read, nothing needs you (weekly summary)"
    for part in ("6 shifts ran; none in 1 night", "3 findings opened, 2 closed", "1.0 TB read"):
        assert part in said.body
    assert "1.0 GB new or changed and not read yet" in said.body
