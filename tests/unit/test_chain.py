"""What was recorded stands as it was, or the chain says what does not."""

from __future__ import annotations

import os
import random
import sqlite3
import subprocess
import sys
from contextlib import closing
from pathlib import Path
from typing import Any

import pytest
from blake3 import blake3
from hypothesis import given, settings
from hypothesis import strategies as st
from ledgers import make_of_version
from test_ledger import FARAWAY, NOW, SOURCE, VAULT, content, file, read, record, walked

from verifier.ledger import GrantedCertificate, Ledger, Notice, NoticeKind, Override
from verifier.ledger.chain import RECORDS, SAID_AT_MOST, What, digest_of, link_of
from verifier.model import Cause, Finding, Kind, Side, Sighting, Verdict

often = settings(max_examples=120, deadline=None, database=None)

RECORD_TABLES = (
    "shifts",
    "finding_events",
    "acceptances",
    "overrides",
    "notices",
    "certificates",
)


def finding(name: bytes, verdict: Verdict = Verdict.MISSING, side: Side = Side.MIRROR) -> Finding:
    cause = Cause.ROT if verdict is Verdict.CORRUPT else Cause.NEVER_COPIED
    return Finding(name, verdict, cause, side, 1000, "On the source only.", "Copy it.")


def deed(ledger: Ledger, what: str, number: int, at: int) -> None:
    """One thing that is recorded."""
    name = b"flights/%04d.jpg" % (number % 4)
    seen = file(name, 1000 + number % 3)
    mirror = (VAULT, FARAWAY)[number % 2]
    if what == "shift":
        shift = ledger.readings.shift = ledger.shifts.start(at)
        record(ledger, SOURCE, read(file(b"a", 100)))
        ledger.readings.shift = None
        ledger.shifts.spend(shift, SOURCE, 7.5, 100)
        if number % 3:
            ledger.shifts.end(shift, at + 5, "done")
    elif what == "missing":
        ledger.findings.seen(mirror, finding(name), at, seen, None)
    elif what == "corrupt":
        found = finding(name, Verdict.CORRUPT, (Side.MIRROR, Side.SOURCE)[number % 2])
        digest = bytes([number % 3]) * 32 if number % 5 else None
        known = read(seen, 1, at)
        values = {each: getattr(known, each) for each in known.__struct_fields__}
        ledger.findings.seen(mirror, found, at, type(known)(**{**values, "digest": digest}), seen)
    elif what == "settled":
        ledger.findings.settled(mirror, name, at, f"both sides hold the same ({number})")
    elif what == "accepted":
        lasting = ledger.findings.lasting_at(mirror, name)
        if lasting is not None:
            ledger.findings.accept(lasting.id, "rana", at, f"as the client wishes ({number})")
    elif what == "override":
        ledger.shifts.add_override(Override(at, "rana", "compare --now", f"a deadline ({number})"))
    elif what == "certificate":
        certify(ledger, number, at)
    else:
        half = f"half of it ({number})"
        ledger.shifts.add_notice(Notice(mirror, at, NoticeKind.SURGE, half, number % 2 or None))


def certify(ledger: Ledger, number: int, at: int) -> None:
    """A certificate on two files and a link."""
    plan, log = file(b"notes/plan.txt", 1000 + number), file(b"notes/tides/log.txt", 7)
    link = Sighting(b"notes/latest", Kind.LINK, 8, 1, target=b"plan.txt")
    walked(ledger, SOURCE, [plan, log, link], at)
    record(ledger, SOURCE, read(plan, number, at), read(log, 2, at))
    request = ledger.clearances.request(SOURCE.share, b"notes/", at, "rana")
    granted = GrantedCertificate(
        0,
        SOURCE.share,
        b"notes/",
        at,
        "rana",
        content(1),
        content(2),
        b"/srv/reports/%d.json" % number,
        2,
        1007 + number,
    )
    ledger.certificates.add(request, granted, b"{%d}" % number)


KINDS = (
    "shift",
    "missing",
    "accepted",
    "corrupt",
    "settled",
    "override",
    "notice",
    "certificate",
)
histories = st.lists(st.tuples(st.sampled_from(KINDS), st.integers(0, 30)), max_size=25)


def recorded(ledger: Ledger, history: list[tuple[str, int]]) -> None:
    for step, (what, number) in enumerate(history):
        deed(ledger, what, number, NOW + step)


def rich(path: Path) -> None:
    """A ledger with several records of every kind."""
    history = [(what, number) for number in (2, 4, 7) for what in KINDS]
    with Ledger(path) as ledger:
        recorded(ledger, history)
        assert ledger.chain.verify() == ()


def verified(path: Path) -> tuple[str, ...]:
    with Ledger(path) as ledger:
        return ledger.chain.verify()


def tampered(path: Path, *statements: str) -> tuple[str, ...]:
    """What the chain says after somebody wrote into the file with a tool of their own."""
    with closing(sqlite3.connect(path)) as database:
        for statement in statements:
            assert database.execute(statement).rowcount != 0, statement
        database.commit()
    return verified(path)


# ------------------------------------------------------------------------------- what is recorded


@often
@given(histories)
def test_whatever_is_recorded_verifies_and_every_record_has_one_entry(tmp_path_factory, history):
    path = tmp_path_factory.mktemp("chain") / "ledger.db"
    with Ledger(path) as ledger:
        recorded(ledger, history)
        assert ledger.chain.verify() == ()
        number, link = ledger.chain.head()
        records = sum(1 for kind in RECORDS.values() for _ in ledger.chain.records(kind))
        assert number == records
        assert ledger.chain.holds(number, link)
    with Ledger(path) as again:
        assert again.chain.verify() == ()
        assert again.chain.head() == (number, link)


def test_a_shift_extends_it_at_its_start_and_at_its_end_and_only_once(path):
    with Ledger(path) as ledger:
        assert ledger.chain.head() == (0, "00" * 32)
        number = ledger.shifts.start(NOW)
        assert ledger.chain.head()[0] == 1
        ledger.shifts.end(number, NOW + 60, "done")
        ledger.shifts.end(number, NOW + 90, "signal")
        assert ledger.chain.head()[0] == 2


def test_a_link_is_the_digest_of_the_one_before_it_and_of_what_was_recorded(path):
    with Ledger(path) as ledger:
        ledger.shifts.add_override(Override(NOW, "rana", "compare --now", "a deadline"))
        number, link = ledger.chain.head()
    content = b"\x97\xa8override\x01\xce" + NOW.to_bytes(4, "big")
    content += b"\xce" + NOW.to_bytes(4, "big") + b"\xa4rana\xadcompare --now\xaaa deadline"
    digest = blake3(content).digest()
    assert (number, link) == (1, blake3(bytes(32) + digest).hexdigest())


def test_a_head_that_was_handed_out_is_held_only_by_the_chain_that_gave_it(path):
    with Ledger(path) as ledger:
        recorded(ledger, [("override", 1), ("notice", 2), ("shift", 4)])
        heads = [ledger.chain.head()]
        recorded(ledger, [("override", 3)])
        heads.append(ledger.chain.head())
        assert all(ledger.chain.holds(*head) for head in heads)
        assert not ledger.chain.holds(heads[0][0], heads[1][1])
        assert not ledger.chain.holds(99, heads[1][1])


def test_what_is_seen_again_without_news_makes_no_entry(path):
    with Ledger(path) as ledger:
        recorded(ledger, [("missing", 2)] * 3)
        assert ledger.chain.head()[0] == 1


def test_a_ledger_is_verified_while_another_process_records(path):
    rich(path)
    with Ledger(path) as ledger, Ledger(path) as other:
        recorded(other, [("override", number) for number in range(50)])
        assert ledger.chain.verify() == ()


def test_however_long_it_is_it_is_gone_through_in_pages(path, monkeypatch):
    monkeypatch.setattr("verifier.ledger.chain.PAGE", 3)
    rich(path)
    assert tampered(path, "UPDATE notices SET detail = 'x' WHERE id = 2") != ()


def test_shifts_that_end_in_another_order_than_they_began_are_no_alarm(path):
    with Ledger(path) as ledger:
        numbers = [ledger.shifts.start(NOW + number) for number in range(4)]
        for number in reversed(numbers):
            ledger.shifts.end(number, NOW + 100, "done")
        assert ledger.chain.verify() == ()


# ------------------------------------------------------------------------------------- tampering


def columns(database: sqlite3.Connection, table: str) -> list[str]:
    return [row[1] for row in database.execute(f"PRAGMA table_info({table})")]


def another(value: object, chance: random.Random) -> object:
    """A value of the same kind that is not the same."""
    if isinstance(value, bytes):
        flipped = bytearray(value or b"\0")
        flipped[chance.randrange(len(flipped))] ^= 1 << chance.randrange(8)
        return bytes(flipped)
    if isinstance(value, str):
        return chance.choice([value + " ", value[:-1], "x" + value])
    if isinstance(value, int):
        return value + chance.choice([-1, 1, 1000])
    return 4711


def rows_of(database: sqlite3.Connection, table: str) -> list[tuple[Any, ...]]:
    return database.execute(f"SELECT rowid, * FROM {table} ORDER BY rowid").fetchall()


def edited(database: sqlite3.Connection, table: str, chance: random.Random) -> None:
    """Another value in one column of one row; another number only where it is free."""
    rows = rows_of(database, table)
    if not rows:
        return
    row, number = chance.choice(rows), chance.randrange(len(rows[0]) - 1)
    value = another(row[number + 1], chance)
    if number or all(each[0] != value for each in rows):
        column = columns(database, table)[number]
        database.execute(f"UPDATE {table} SET {column} = ? WHERE rowid = ?", (value, row[0]))


def removed(database: sqlite3.Connection, table: str, chance: random.Random) -> None:
    rows = rows_of(database, table)
    if rows:
        database.execute(f"DELETE FROM {table} WHERE rowid = ?", (chance.choice(rows)[0],))


def added(database: sqlite3.Connection, table: str, chance: random.Random) -> None:
    """A row like another, before the others or behind them."""
    rows = rows_of(database, table)
    if not rows:
        return
    numbers = [row[0] for row in rows]
    free = {min(numbers) - 1, max(numbers) + 1, max(numbers) + 1000, -5} - set(numbers)
    values = (chance.choice(sorted(free)), *chance.choice(rows)[2:])
    database.execute(f"INSERT INTO {table} VALUES ({','.join('?' * len(values))})", values)


def swapped(database: sqlite3.Connection, table: str, chance: random.Random) -> None:
    """Two rows, each with the number of the other."""
    rows = rows_of(database, table)
    if len(rows) < 2:
        return
    one, other = chance.sample(rows, 2)
    named = ",".join(f"{name} = ?" for name in columns(database, table)[1:])
    for row, says in ((one, other), (other, one)):
        database.execute(f"UPDATE {table} SET {named} WHERE rowid = ?", (*says[2:], row[0]))


COVERED_COLUMNS = {
    "shares": ("name",),
    "places": ("share", "name"),
    "findings": (
        "id",
        "mirror",
        "path",
        "verdict",
        "cause",
        "side",
        "state",
        "first_seen",
        "closed_at",
        "closed_by",
        "accepted_by",
        "accepted_at",
        "accepted_for",
        "accepted_state",
    ),
    "folders": ("share", "path"),
}
"""What is covered of tables that the record does not cover whole."""
WHOLE_TABLES = (*RECORD_TABLES, "shift_readings", "certified", "chain")


def every_row(database: sqlite3.Connection) -> list[tuple[str, str, dict[str, Any]]]:
    """Table, column and row, wherever the record says that a change would show."""
    covered = COVERED_COLUMNS | {table: columns(database, table) for table in WHOLE_TABLES}
    found = []
    for table, names in covered.items():
        rows = database.execute(f"SELECT * FROM {table}").fetchall()
        assert rows, table
        for row in rows:
            each = dict(zip(columns(database, table), row, strict=True))
            if table == "folders" and not each["path"].startswith(b"notes/"):
                continue  # of all folders, those that a certificate covers
            found.extend((table, name, each) for name in names)
    return found


# Fails when any column is left out of CERTIFICATES_WHOLE, CERTIFIED_BY or NOTICES_IN_SHIFTS.
def test_another_value_in_any_column_of_any_row_that_is_covered_is_found(path):
    rich(path)
    chance = random.Random(7)
    with Ledger(path) as ledger, closing(sqlite3.connect(path)) as database:
        # What a shift read that has not ended is not covered yet.
        ledger.shifts.end(1, NOW, "done")
        whole = every_row(database)
        assert len(whole) > 400
        for table, column, row in whole:
            value = another(row[column], chance)
            where = " AND ".join(f"{name} IS ?" for name in row)
            change = f"UPDATE OR IGNORE {table} SET {column} = ? WHERE {where}"
            while database.execute(change, (value, *row.values())).rowcount == 0:
                value = another(row[column], chance)  # another row has that one
            database.commit()
            assert ledger.chain.verify() != (), (table, column, row)
            changed = {**row, column: value}
            assert database.execute(change, (row[column], *changed.values())).rowcount == 1
            database.commit()
        assert ledger.chain.verify() == ()


@settings(max_examples=400, deadline=None, database=None)
@given(
    histories,
    st.sampled_from((*RECORD_TABLES, "chain")),
    st.sampled_from((edited, removed, added, swapped)),
    st.randoms(use_true_random=False),
)
def test_any_single_edit_removal_addition_or_swap_of_records_or_links_is_found(
    tmp_path_factory, history, table, tamper, chance
):
    path = tmp_path_factory.mktemp("chain") / "ledger.db"
    with Ledger(path) as ledger:
        recorded(ledger, history)
        assert ledger.chain.verify() == ()
    with closing(sqlite3.connect(path)) as database:
        before = rows_of(database, table)
        tamper(database, table, chance)
        database.commit()
        changed = rows_of(database, table) != before
    assert bool(verified(path)) == changed


@often
@given(histories, st.integers(0, 1000))
def test_a_link_that_fits_but_tells_of_nothing_or_of_something_twice_is_found(
    tmp_path_factory, history, number
):
    path = tmp_path_factory.mktemp("chain") / "ledger.db"
    with Ledger(path) as ledger:
        recorded(ledger, [("override", 1), *history])
        what = list(What)[number % len(list(What))]
        row = 1 + number % 3
        kind = RECORDS.get(what)
        content = dict(ledger.chain.records(kind)).get(row, ()) if kind else ()
        ledger.chain.extend(what, row, content, NOW)
        assert ledger.chain.verify() != ()


@often
@given(histories, st.integers(0, 30))
def test_a_chain_cut_off_at_any_entry_is_found_while_its_records_stand(
    tmp_path_factory, history, cut
):
    path = tmp_path_factory.mktemp("chain") / "ledger.db"
    with Ledger(path) as ledger:
        recorded(ledger, history)
        number, _ = ledger.chain.head()
    with closing(sqlite3.connect(path)) as database:
        database.execute("DELETE FROM chain WHERE number > ?", (cut,))
        database.commit()
    assert bool(verified(path)) == (cut < number)


@pytest.mark.parametrize(
    ("statement", "said"),
    [
        ("UPDATE shifts SET started = started + 1 WHERE id = 1", "The start of shift 1 was chang"),
        ("UPDATE shifts SET stopped_by = 'done!' WHERE id = 1", "The end of shift 1 was changed"),
        ("UPDATE shift_readings SET bytes = 9 WHERE shift = 2", "The end of shift 2 was changed"),
        ("UPDATE shift_readings SET seconds = 1 WHERE shift = 2", "The end of shift 2 was chang"),
        ("DELETE FROM shift_readings WHERE shift = 2", "The end of shift 2 was changed"),
        ("UPDATE shifts SET ended = NULL WHERE id = 1", "The end of shift 1 was changed"),
        ("DELETE FROM finding_events WHERE id = 2", "Event 2 of the findings was removed"),
        ("UPDATE finding_events SET detail = '' WHERE id = 2", "Event 2 of the findings was chan"),
        ("UPDATE acceptances SET because = 'so' WHERE id = 1", "Acceptance 1 was changed"),
        ("DELETE FROM overrides WHERE id = 3", "Override 3 was removed"),
        ("INSERT INTO overrides VALUES (9, 1, 'me', 'x', 'y')", "Override 9 has no entry"),
        ("UPDATE notices SET detail = '' WHERE id = 1", "Notice 1 was changed"),
        ("UPDATE notices SET shift = NULL WHERE id = 3", "The shift of notice 3 was removed"),
        ("UPDATE notices SET shift = 9 WHERE id = 3", "The shift of notice 3 was changed"),
        ("UPDATE notices SET shift = 2 WHERE id = 1", "The shift of notice 1 has no entry"),
        ("UPDATE certificates SET granted_by = 'me' WHERE id = 1", "Certificate 1 was changed"),
        ("UPDATE certificates SET bytes = 9 WHERE id = 2", "What certificate 2 says or covers was"),
        ("UPDATE certificates SET files = 9 WHERE id = 2", "What certificate 2 says or covers was"),
        ("UPDATE certificates SET content = x'7b7d'", "What certificate 1 says or covers was"),
        ("UPDATE certificates SET content = '{2}' WHERE id = 1", "What certificate 1 says or"),
        ("DELETE FROM certificates WHERE id = 1", "Certificate 1 was removed"),
        ("DELETE FROM certificates WHERE id = 1", "Certificate 1 covers paths and does not stand"),
        ("UPDATE certified SET digest = zeroblob(32) WHERE certificate = 1", "What certificate 1"),
        ("UPDATE certified SET target = x'00' WHERE kind = 1", "What certificate 1 says or cov"),
        ("DELETE FROM certified WHERE certificate = 2 AND kind = 1", "What certificate 2 says or"),
        ("UPDATE certified SET certificate = 9 WHERE certificate = 2", "Certificate 9 covers pa"),
        ("UPDATE folders SET path = x'61' WHERE path = x'6e6f7465732f'", "What certificate 1 say"),
        ("UPDATE places SET name = 'volt' WHERE name = 'vault'", "Notice 1 was changed"),
        ("DELETE FROM chain WHERE number = 4", "Entry 4 is missing from the record"),
        ("UPDATE chain SET link = zeroblob(32) WHERE number = 4", "Entry 4 of the record does no"),
        ("UPDATE chain SET at = at + 1 WHERE number = 1", "The start of shift 1 was changed"),
        ("UPDATE chain SET what = 'praise' WHERE number = 1", "Entry 1 of the record tells of no"),
        ("UPDATE chain SET row = 'x' WHERE number = 1", "Entry 1 of the record is none that"),
    ],
)
def test_what_was_changed_is_named(path, statement, said):
    rich(path)
    sentences = tampered(path, statement)
    assert any(each.startswith(said) for each in sentences), sentences


@pytest.mark.parametrize(
    "change",
    [
        "state = 'closed', closed_at = 5, closed_by = 'nobody'",
        "state = 'accepted'",
        "cause = 'rot', side = 'source'",
        "side = NULL",
        "first_seen = first_seen + 1",
        "closed_by = 'me'",
        "accepted_by = 'somebody else'",
        "accepted_state = '{}'",
    ],
)
def test_a_finding_that_does_not_stand_as_its_history_says_is_named(path, change):
    with Ledger(path) as ledger:
        recorded(ledger, [("missing", 2)])
        assert ledger.chain.verify() == ()
    (sentence,) = tampered(path, f"UPDATE findings SET {change}")
    assert sentence.startswith("Finding 1 does not stand as its history says")


@pytest.mark.parametrize("change", ["path = x'00'", "verdict = 'stale'", "mirror = mirror + 1"])
def test_a_finding_that_is_about_something_else_now_is_found(path, change):
    with Ledger(path) as ledger:
        recorded(ledger, [("missing", 2), ("missing", 3)])
    assert tampered(path, f"UPDATE findings SET {change} WHERE id = 1") != ()


def test_a_finding_that_was_removed_is_found(path):
    rich(path)
    assert tampered(path, "DELETE FROM findings WHERE id = 1") != ()


def test_an_accepted_case_that_is_not_the_one_that_was_accepted_is_found(path):
    with Ledger(path) as ledger:
        recorded(ledger, [("corrupt", 5), ("accepted", 5), ("corrupt", 5 + 12)])
        assert ledger.chain.verify() == ()
    assert tampered(path, "UPDATE findings SET accepted_state = standing || ' '") != ()


def test_one_who_wrote_a_lot_is_told_of_in_so_many_sentences_and_no_more(path):
    with Ledger(path) as ledger:
        recorded(ledger, [("override", number) for number in range(100)])
    sentences = tampered(path, "UPDATE overrides SET who = 'nobody'")
    assert len(sentences) == SAID_AT_MOST + 1
    assert sentences[-1] == "And more."


def test_bytes_that_are_no_text_are_a_sentence(path):
    rich(path)
    assert tampered(path, "UPDATE notices SET detail = CAST(x'ff' AS TEXT) WHERE id = 1") != ()


def test_a_shift_after_tampering_can_still_be_recorded_and_does_not_mend_it(path):
    rich(path)
    assert tampered(path, "DELETE FROM notices WHERE id = (SELECT max(id) FROM notices)") != ()
    with Ledger(path) as ledger:
        recorded(ledger, [("notice", 1), ("shift", 1)])
        assert ledger.chain.verify() != ()


# ---------------------------------------------------------------------------------- older ledgers


def older(path: Path, schema: int) -> None:
    """A ledger as it was before there was a chain, with records in it."""
    make_of_version(path, schema)
    with closing(sqlite3.connect(path)) as database:
        for statement in (
            "INSERT INTO shares VALUES (1, 'current-surveys')",
            "INSERT INTO places (id, share, name) VALUES (1, 1, 'source'), (2, 1, 'vault')",
            "INSERT INTO shifts VALUES (1, 100, 200, 'done'), (2, 300, NULL, NULL)",
            "INSERT INTO shift_readings VALUES (1, 1, 3, 3000, 0), (1, 2, 3, 3000, 0)",
            """INSERT INTO findings (mirror, path, verdict, cause, side, size, detail, advice,
                state, standing, first_seen, last_seen, accepted_by, accepted_at, accepted_for,
                accepted_state) VALUES (2, x'61', 'missing', 'never-copied', 'mirror', 1, '', '',
                'accepted', '{"source":null,"mirror":null}', 150, 150, 'rana', 250, 'so be it',
                '{"source":null,"mirror":null}')""",
            """INSERT INTO finding_events VALUES
                (1, 1, 150, 'opened', 'missing, never-copied, mirror side'),
                (2, 1, 250, 'accepted', 'rana: so be it')""",
            "INSERT INTO overrides VALUES (1, 50, 'rana', 'compare --now', 'a deadline')",
            "INSERT INTO notices VALUES (1, 1, 60, 'surge', 'half of it')",
            """INSERT INTO sightings (place, folder, name, kind, size, mtime_ns, ctime_ns, inode,
                device, links, first_seen, read_at) VALUES (1, 1, x'61', 0, 7, 1, 1, 1, 1, 1, 1, 9)
            """,
        ):
            database.execute(statement)
        database.commit()


@pytest.mark.parametrize("schema", [1, 2])
def test_the_chain_of_an_older_ledger_begins_with_what_stands_there_already(path, schema):
    older(path, schema)
    with Ledger(path) as ledger:
        assert ledger.chain.verify() == ()
        number, link = ledger.chain.head()
        assert ledger.chain.taken_over() == number - 1 == 8
        assert ledger.findings.numbered(1).acceptance.who == "rana"
        assert ledger.work.read_between(SOURCE, 0, 100) == (1, 7)
        recorded(ledger, [(what, 2) for what in KINDS])
        assert ledger.chain.verify() == ()
        assert ledger.chain.holds(number, link)


@pytest.mark.parametrize(
    "statement",
    [
        "UPDATE shifts SET started = 101 WHERE id = 1",
        "UPDATE shift_readings SET files = 4",
        "DELETE FROM overrides",
        "UPDATE acceptances SET who = 'x'",
        "UPDATE chain SET row = row + 1 WHERE number = 1",
        "DELETE FROM chain WHERE number = 1",
    ],
)
def test_what_an_older_ledger_held_is_guarded_from_then_on(path, statement):
    older(path, 2)
    assert verified(path) == ()
    assert tampered(path, statement) != ()


def with_certificate_of_version_8(path: Path) -> tuple[int, str]:
    """A ledger from when the record held who was granted what and no more; the record's head."""
    notice = (SOURCE.share, "source", 60, "surge", "half of it")
    certificate = (SOURCE.share, b"notes/", 70, "rana", content(1), content(2))
    make_of_version(path, 8)
    with closing(sqlite3.connect(path)) as database:
        database.execute("INSERT INTO shares VALUES (1, 'current-surveys')")
        database.execute("INSERT INTO places (id, share, name) VALUES (1, 1, 'source')")
        database.execute("INSERT INTO folders VALUES (1, 1, x'6e6f7465732f')")
        database.execute("INSERT INTO notices VALUES (1, 1, 60, 'surge', 'half of it', 4)")
        database.execute(
            """INSERT INTO certificates VALUES
                (1, 1, 1, x'6e6f7465732f', 70, 'rana', 2, 1007, ?, ?, x'2f63', x'7b7d')""",
            (content(1), content(2)),
        )
        for name in (b"log.txt", b"plan.txt"):
            database.execute(
                "INSERT INTO certified VALUES (1, ?, 1, 0, 7, ?, NULL)", (name, content(3))
            )
        link = bytes(32)
        for number, (what, at, said) in enumerate(
            (("notice", 60, notice), ("certificate", 70, certificate)), start=1
        ):
            digest = digest_of(what, 1, at, said)
            link = link_of(link, digest)
            database.execute(
                "INSERT INTO chain VALUES (?, ?, ?, 1, ?, ?)", (number, at, what, digest, link)
            )
        database.commit()
    return 2, link.hex()


def test_a_ledger_of_version_8_keeps_its_record_which_then_covers_its_certificates_whole(path):
    head = with_certificate_of_version_8(path)
    with Ledger(path) as ledger:
        assert ledger.chain.verify() == ()
        assert ledger.chain.holds(*head)
        assert ledger.chain.head()[0] == 2 + 2
        assert ledger.soundness() == ()
        covered = ledger.certificates.covering(SOURCE.share, b"notes/plan.txt")
        assert covered is not None and covered.digest == content(3)
        certify(ledger, 3, NOW)
        assert ledger.chain.head()[0] == 4 + 2
        assert ledger.chain.verify() == ()


@pytest.mark.parametrize(
    "statement",
    [
        "UPDATE certificates SET bytes = 1",
        "UPDATE certificates SET content = x'00'",
        "DELETE FROM certified WHERE name = x'6c6f672e747874'",
        "UPDATE certified SET size = 8",
        "UPDATE notices SET shift = 5",
        "DELETE FROM certificates",
    ],
)
def test_what_a_ledger_of_version_8_certified_is_guarded_from_then_on(path, statement):
    with_certificate_of_version_8(path)
    assert verified(path) == ()
    assert tampered(path, statement) != ()


def test_what_was_changed_in_a_ledger_of_version_8_shows_after_it_was_brought_up_to_date(path):
    with_certificate_of_version_8(path)
    assert tampered(path, "UPDATE certificates SET granted_by = 'me'") != ()


def test_a_path_is_not_released_by_a_certificate_that_somebody_removed(path):
    rich(path)
    with Ledger(path) as ledger:
        covered = ledger.certificates.covering(SOURCE.share, b"notes/plan.txt")
        assert covered is not None and covered.certificate.id == 3
    tampered(path, "DELETE FROM certificates WHERE id = 3")
    with Ledger(path) as ledger:
        covered = ledger.certificates.covering(SOURCE.share, b"notes/plan.txt")
        assert covered is not None and covered.certificate.id == 2
    tampered(path, "DELETE FROM certificates")
    with Ledger(path) as ledger:
        assert ledger.certificates.covering(SOURCE.share, b"notes/plan.txt") is None


def test_a_new_ledger_has_no_entry_before_its_first_record(path):
    with Ledger(path) as ledger:
        assert (ledger.chain.head()[0], ledger.chain.taken_over()) == (0, 0)
        assert ledger.chain.verify() == ()


# --------------------------------------------------------------------------------------- crashes

WORK = """
import sys
from pathlib import Path
sys.path.insert(0, sys.argv[2])
from test_chain import KINDS, deed
from verifier.ledger import Ledger
with Ledger(Path(sys.argv[1])) as ledger:
    print("begun", flush=True)
    for number in range(100_000):
        deed(ledger, KINDS[number % len(KINDS)], number, 1_795_557_600 + number)
        print(number, flush=True)
"""


def test_a_ledger_killed_at_random_moments_holds_both_a_record_and_its_entry_or_neither(path):
    chance = random.Random(20261125)
    for _ in range(6):
        process = subprocess.Popen(
            [sys.executable, "-c", WORK, path, os.path.dirname(__file__)],
            stdout=subprocess.PIPE,
            text=True,
        )
        assert process.stdout is not None
        for _ in range(chance.randint(1, 150)):
            process.stdout.readline()
        process.kill()
        process.stdout.close()
        process.wait()
        assert verified(path) == ()


def test_what_a_transaction_takes_back_is_taken_back_from_the_chain_too(path):
    with Ledger(path) as ledger:
        recorded(ledger, [("override", 1)])
        before = ledger.chain.head()
        with pytest.raises(KeyError), ledger.transaction():
            recorded(ledger, [("missing", 2), ("accepted", 2), ("notice", 1)])
            raise KeyError
        assert ledger.chain.head() == before
        recorded(ledger, [("missing", 2)])
        assert ledger.chain.verify() == ()


def test_two_processes_that_record_in_turn_make_one_chain(path):
    with Ledger(path) as one, Ledger(path) as other:
        for number in range(10):
            recorded((one, other)[number % 2], [("missing", number), ("override", number)])
        assert one.chain.verify() == other.chain.verify() == ()
        assert one.chain.head() == other.chain.head()
