"""The job of telling people: at once, after each shift, and once a week.

What is sent when, to whom, and what became of it.  It must never fail a shift, nor hold it up for
longer than the settings allow, nor print, keep or raise an address with its secrets filled in.
"""

from __future__ import annotations

import os
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import Final, Protocol

from msgspec import Struct, structs

from verifier.errors import (
    LedgerFailed,
    LedgerRefused,
    OutputFailed,
    RequestRefused,
    SettingsRefused,
    ShiftRunning,
    VerifierError,
)
from verifier.expected import Missed, expected, expected_from
from verifier.findings import Action, action_of
from verifier.hours import WorkingHours
from verifier.jobs import audit
from verifier.jobs.audit import PlaceAudit
from verifier.jobs.doubts import Doubt, DoubtKind, doubts_of_places
from verifier.jobs.missed import SHIFTS_LOOKED_AT
from verifier.jobs.recipients import Recipient, all_of, heartbeat_of, recipients_of
from verifier.jobs.shift import Clock, Result, StoppedBy, open_findings
from verifier.ledger import (
    Delivery,
    FindingState,
    Happening,
    Ledger,
    LedgerFinding,
    MessageKind,
    Notice,
    NoticeKind,
    PlaceName,
    Shift,
)
from verifier.night import week_began, week_ends
from verifier.sending import (
    HEARTBEAT,
    Answer,
    Destination,
    Errand,
    Letter,
    Sending,
    refuse_without_library,
)
from verifier.settings import Settings, secrets_of, with_secrets

PAGE: Final = "report.html"
"""The page's name in the folder of reports."""

_DAY: Final = 86_400
REMIND_AFTER: Final = 7 * _DAY
"""Seconds after which people are told again at once of what still lasts."""

GIVEN_UP_AFTER: Final = 7 * _DAY
"""Seconds for which it is tried to deliver a message: what is older is no news."""

BODIES_KEPT: Final = 90 * _DAY

APART: Final = 3600
"""Seconds between two messages at once on damage to a source: it tends to come in numbers."""

FIRST_FEW: Final = 5
"""Findings of a kind that a message names."""

MOST_LATE: Final = 20
"""Messages of before that are delivered along with a new one, to one address."""

_IN_ORDER: Final = frozenset({StoppedBy.DONE, StoppedBy.WORKING_HOURS, StoppedBy.UNTIL})


class Draft(Struct, frozen=True):
    """A message in words."""

    subject: str
    body: str


class Group(Struct, frozen=True):
    """Open findings that need the same of a person, on one mirror; the ``first`` few of them."""

    action: Action
    mirror: PlaceName
    total: int
    first: tuple[LedgerFinding, ...]


class Known(Struct, frozen=True):
    """Open findings that people were told of before, by what to do."""

    action: Action
    total: int


class WeekPlace(Struct, frozen=True):
    """What a week came to at one place, in bytes; ``oldest_read`` is in seconds since 1970.

    ``unread`` is what is new or changed and was not read since.
    """

    place: PlaceName
    read: int
    bytes: int
    unread: int
    oldest_read: int | None
    round_ends: float | None


class Week(Struct, frozen=True):
    """The last seven days."""

    shifts: int
    opened: int
    closed: int
    missed: int
    places: tuple[WeekPlace, ...]


class Facts(Struct, frozen=True):
    """All that a message after a shift may say.

    ``due`` is when the next message must be there; ``quiet`` says that a shift with nothing new
    sends none.  ``page`` is where the page stands, None where there is none of this shift.
    ``late`` are messages that could not be delivered to somebody, ``doubts`` what is not known of
    the copies beside all that the rest says.  ``too_large`` says of how many files a place's
    budget of a month does not cover even one.
    """

    studio: str
    hours: WorkingHours
    result: Result
    started: int
    ended: int
    news: tuple[Group, ...]
    known: tuple[Known, ...]
    accepted: int
    missed: Missed
    late: tuple[Delivery, ...]
    due: float | None
    quiet: bool
    page: Path | None
    attached: bool
    week: Week | None
    doubts: tuple[Doubt, ...] = ()
    too_large: tuple[tuple[PlaceName, int], ...] = ()


class Words(Protocol):
    """What is said.  ``due`` is when the next message must be there."""

    def after_shift(self, facts: Facts) -> Draft:
        """After a shift that came to an end of its own."""

    def noticed(self, studio: str, notice: Notice, due: str) -> Draft:
        """A place looks unmounted or emptied, or surged."""

    def lost(self, studio: str, place: PlaceName, why: str, due: str) -> Draft:
        """A place cannot be reached any more."""

    def source_damaged(self, studio: str, groups: Iterable[Group], due: str) -> Draft:
        """Damage was found on a source."""

    def broken(self, studio: str, why: str, by_ledger: bool, due: str) -> Draft:
        """A shift could not go on."""

    def by_when(self, hours: WorkingHours, due: float | None) -> str:
        """A sentence that says from when on silence is a bad sign."""

    def test(self, studio: str, due: str) -> Draft:
        """A message that shows whether messages arrive."""


class Outcome(Struct, frozen=True):
    """What became of a message at one address; ``failed`` is None when it was taken."""

    label: str
    failed: str | None


def expected_by(
    settings: Settings, ledger: Ledger | None, now: float, *, summed_up: bool = False
) -> float | None:
    """When the next message must be there, if all is well; None when none is expected.

    Where each shift sends one, that is when the page of the next one must be there too.  Else it
    is with the weekly summary, which ``summed_up`` says has just been written.
    """
    notify, hours = settings.notify, settings.hours
    shifts = [] if ledger is None else ledger.shifts.latest(SHIFTS_LOOKED_AT)
    if notify.every_shift or notify.weekly is None:
        return expected(hours, shifts, now, notify.nights).by
    if not summed_up and weekly_is_due(settings, ledger, shifts, now):
        return expected(hours, shifts, now, notify.nights).by
    return expected_from(hours, week_ends(hours, now, notify.weekly), notify.nights)


def weekly_is_due(
    settings: Settings, ledger: Ledger | None, shifts: Sequence[Shift], now: float
) -> bool:
    """Whether the next message is to sum up a week: the first in it, and not the first of all."""
    weekday = settings.notify.weekly
    if weekday is None or ledger is None or not shifts:
        return False
    began = week_began(settings.hours, now, weekday)
    latest = ledger.messages.latest(MessageKind.WEEKLY, all_of(recipients_of(settings)))
    return shifts[0].started < began and (latest is None or latest < began)


def missed_by(
    settings: Settings, shifts: Sequence[Shift], now: float, *, running: bool = False
) -> Missed:
    """What did not happen as expected after the last shift that came to an end of its own."""
    nights = settings.notify.nights
    return expected(settings.hours, shifts, now, nights, running=running).lately


class Notices:
    """Tells people of one shift after the other.  It is an `Alarms`."""

    def __init__(
        self,
        settings: Settings,
        words: Words,
        clock: Clock,
        say: Callable[[str], None],
        environment: Mapping[str, str] | None = None,
    ) -> None:
        self._settings = settings
        self._words = words
        self._clock = clock
        self._say = say
        self._environment = os.environ if environment is None else environment
        self._recipients = recipients_of(settings)
        self._all = all_of(self._recipients)
        self._studio = settings.studio.name
        self._under_way: list[_Sent] = []
        self._told_error: BaseException | None = None
        self._said_last = ""
        self._began = self._clock.now()
        self._damage_told_at: float | None = None

    # ------------------------------------------------------------------------------ at once

    def noticed(self, ledger: Ledger, notice: Notice) -> None:
        """Tell at once of a place that looks unmounted or emptied, or surged."""
        about = None
        if notice.what is NoticeKind.UNMOUNTED:
            about = _about(notice)
        with self._never_failing():
            draft = self._words.noticed(self._studio, notice, self._by_when(ledger))
            self._at_once(ledger, draft, about)

    def lost(self, ledger: Ledger, place: PlaceName, why: str) -> None:
        """Tell at once of a place that cannot be reached any more."""
        with self._never_failing():
            draft = self._words.lost(self._studio, place, why, self._by_when(ledger))
            self._at_once(ledger, draft, f"lost: {place}")

    def judged(self, ledger: Ledger) -> None:
        """Tell at once of damage to a source that nobody was told of, once an hour at most."""
        now = self._clock.now()
        if self._damage_told_at is not None and now - self._damage_told_at < APART:
            return
        with self._never_failing():
            if not self._recipients:
                return
            # What an earlier message at once told of is told: it counts from no time on.
            untold = ledger.messages.untold(self._all, _NEVER, on_the_source=True)
            groups, numbers = _grouped(map(ledger.findings.numbered, untold))
            if numbers:
                self._damage_told_at = now
                draft = self._words.source_damaged(self._studio, groups, self._by_when(ledger))
                self._at_once(ledger, draft, None, numbers)

    def _at_once(
        self, ledger: Ledger, draft: Draft, about: str | None, findings: Iterable[int] = ()
    ) -> None:
        now = int(self._clock.now())
        if not self._recipients:
            return
        if about is not None and ledger.messages.lasts(about, self._all, now - REMIND_AFTER):
            return
        number = self._keep(ledger, MessageKind.AT_ONCE, draft, about, findings)
        letter = Letter(number, draft.subject, draft.body)
        # Whom it does not reach now is told after the shift, or after the next one.
        sending = self._sending(ledger, {each.digest: [letter] for each in self._recipients})
        if sending is not None:
            self._under_way.append(sending)

    # ---------------------------------------------------------------------------- after a shift

    def after(self, ledger: Ledger, result: Result) -> None:
        """Tell of a shift that ended, deliver what waits, and call the heartbeat.

        Waits for it, at most as long as `bound` says.  A shift that somebody stopped is told of
        by the next one.
        """
        if result.number is None:
            return
        try:
            with self._never_failing():
                self._record_what_is_over(ledger)
                if result.stopped_by != StoppedBy.SIGNAL:
                    self._after(ledger, result)
        finally:
            self.end()
        self._began, self._damage_told_at = self._clock.now(), None

    def _after(self, ledger: Ledger, result: Result) -> None:
        messages, now = ledger.messages, int(self._clock.now())
        messages.give_up_before(now - GIVEN_UP_AFTER)
        messages.forget_bodies_before(now - BODIES_KEPT)
        ours = {each.digest for each in self._recipients}
        waiting = [each for each in messages.waiting() if each.recipient in ours]
        number, page = None, self._page(result)
        if self._recipients:
            facts, numbers = self._facts(ledger, result, waiting, page)
            if self._worth_telling(facts):
                kind = MessageKind.SHIFT if facts.week is None else MessageKind.WEEKLY
                draft = self._words.after_shift(facts)
                number = self._keep(ledger, kind, draft, None, numbers)
        self._settle(ledger, result)
        letters: dict[bytes, list[Letter]] = {}
        now_sent = {(each.letter, each.digest) for each in self._sent_now()}
        for each in messages.waiting():
            if each.recipient in ours and (each.message, each.recipient) not in now_sent:
                letters.setdefault(each.recipient, []).append(self._letter(each, number, page))
        heartbeat = self._heartbeat(ledger) if _ended_in_order(result) else None
        last = self._sending(
            ledger,
            {digest: _not_too_many(each) for digest, each in letters.items()},
            heartbeat,
            number,
        )
        self._collect(ledger)
        if last is not None:
            self._under_way.append(last)
            self._collect(ledger)

    def _worth_telling(self, facts: Facts) -> bool:
        result = facts.result
        return bool(
            self._settings.notify.every_shift
            or facts.week is not None
            or facts.news
            or facts.missed
            or result.notices
            or result.unreachable
            or result.stopped_by == StoppedBy.TROUBLE
            or any(each.what not in _NO_NEWS for each in facts.doubts)
        )

    def _broken(self, error: Exception, ledger: Ledger | None) -> None:
        """Tell that a shift could not go on, and wait for that.  The ledger may be what broke."""
        with self._never_failing():
            if not self._recipients:
                return
            by_ledger = isinstance(error, (LedgerFailed, LedgerRefused))
            why = str(error) if isinstance(error, VerifierError) else type(error).__name__
            ledger = None if by_ledger else ledger
            draft = self._words.broken(self._studio, why, by_ledger, self._by_when(ledger))
            if ledger is not None:
                number = self._keep(ledger, MessageKind.TROUBLE, draft, None, ())
                letter = Letter(number, draft.subject, draft.body)
                sent = self._sending(ledger, {each.digest: [letter] for each in self._recipients})
                if sent is not None:
                    self._record(ledger, sent)
                return
            for label, failed in self._try(Letter(0, draft.subject, draft.body)):
                if failed is not None:
                    self._say_failed(label, failed, kept=False)

    def test(self, ledger: Ledger | None) -> Iterator[Outcome]:
        """Send a message to every address, and say what became of it; nothing of it is kept.

        ``ledger`` tells by when the next one is due, None where there is none yet.  Raises
        RequestRefused when there is no address, or what is needed is not installed.
        """
        if not self._recipients:
            raise RequestRefused(
                "The settings name nobody to be told. Add an address to notify.to, as "
                "docs/notices.md shows."
            )
        refuse_without_library()
        draft = self._words.test(self._studio, self._by_when(ledger))
        for label, failed in self._try(Letter(0, draft.subject, draft.body)):
            yield Outcome(label, failed)

    @contextmanager
    def of_trouble(self, ledger: Ledger | None = None) -> Iterator[None]:
        """Tell of an error that ends the block, then raise it.

        Not of what needs nobody: another shift that runs, a result that could not be printed.
        """
        try:
            yield
        except Exception as error:
            expected = isinstance(error, (ShiftRunning, OutputFailed, BrokenPipeError))
            if not expected and error is not self._told_error:
                self._told_error = error
                self._broken(error, ledger)
            raise
        finally:
            self.end()

    def end(self) -> None:
        """End all that is under way; what has not arrived is sent with the next message."""
        for each in self._under_way:
            each.end()
        self._under_way.clear()

    # -------------------------------------------------------------------------------- what is so

    def _facts(
        self, ledger: Ledger, result: Result, waiting: list[Delivery], page: Path | None
    ) -> tuple[Facts, list[int]]:
        settings, notify, now = self._settings, self._settings.notify, self._clock.now()
        shifts = ledger.shifts.latest(SHIFTS_LOOKED_AT)
        own = next(each for each in shifts if each.id == result.number)
        before = [each for each in shifts if each.id < own.id]
        untold = set(ledger.messages.untold(self._all, int(self._began)))
        known: dict[Action, int] = {}

        def news() -> Iterator[LedgerFinding]:
            for each in open_findings(ledger):
                if each.id in untold:
                    yield each
                else:
                    action = action_of(each.finding)
                    known[action] = known.get(action, 0) + 1

        groups, numbers = _grouped(news())
        audited = audit.audit(settings, ledger, None, now).places
        week = None
        if weekly_is_due(settings, ledger, shifts, now):
            week = self._week(ledger, shifts, audited)
        facts = Facts(
            studio=self._studio,
            hours=settings.hours,
            result=result,
            started=own.started,
            ended=own.ended or int(now),
            news=groups,
            known=tuple(Known(each, known[each]) for each in Action if each in known),
            accepted=ledger.findings.counts()[FindingState.ACCEPTED],
            missed=missed_by(settings, before, own.started),
            late=tuple(waiting),
            due=expected_by(settings, ledger, now, summed_up=week is not None),
            quiet=not notify.every_shift,
            page=page,
            attached=notify.attach_page and page is not None,
            week=week,
            doubts=tuple(_unsaid(doubts_of_places(ledger, audited, own), result)),
            too_large=tuple((each.place, each.too_large) for each in audited if each.too_large),
        )
        return facts, numbers

    def _week(self, ledger: Ledger, shifts: list[Shift], places: Sequence[PlaceAudit]) -> Week:
        now = self._clock.now()
        since = int(now) - 7 * _DAY
        lately = [each for each in shifts if each.started >= since]
        turns = ledger.messages.turns(since)
        read: dict[PlaceName, int] = {}
        for reading in (each for shift in lately for each in shift.readings):
            read[reading.place] = read.get(reading.place, 0) + reading.bytes
        nights = expected(self._settings.hours, shifts, now, self._settings.notify.nights).missed
        return Week(
            len(lately),
            turns.get(Happening.OPENED, 0) + turns.get(Happening.REOPENED, 0),
            turns.get(Happening.CLOSED, 0),
            sum(each.closes > since for each in nights),
            tuple(
                WeekPlace(
                    each.place,
                    read.get(each.place, 0),
                    each.bytes,
                    each.unread_bytes,
                    each.oldest_read,
                    each.round_ends,
                )
                for each in places
            ),
        )

    def _page(self, result: Result) -> Path | None:
        """The page, where it was written after this shift began."""
        file = self._settings.studio.reports / PAGE
        try:
            status = file.stat()
        except OSError:
            return None
        return file if status.st_mtime >= int(self._began) else None

    def _by_when(self, ledger: Ledger | None) -> str:
        settings = self._settings
        due = expected_by(settings, ledger, self._clock.now())
        return self._words.by_when(settings.hours, due)

    # ----------------------------------------------------------------------------- on their way

    def _keep(
        self,
        ledger: Ledger,
        kind: MessageKind,
        draft: Draft,
        about: str | None,
        findings: Iterable[int],
    ) -> int:
        return ledger.messages.add(
            int(self._clock.now()),
            kind,
            draft.subject,
            draft.body,
            self._all,
            [(each.digest, each.label) for each in self._recipients],
            about=about,
            findings=findings,
        )

    def _letter(self, each: Delivery, own: int | None, page: Path | None) -> Letter:
        body = each.body
        if each.message != own and each.kind is not MessageKind.AT_ONCE:
            written = self._settings.hours.local(each.written_at)
            body = f"Late: written {written:%Y-%m-%d %H:%M}, could not be delivered then.\n\n{body}"
        attach = None
        if each.message == own and page is not None and self._settings.notify.attach_page:
            attach = str(page)
        return Letter(each.message, each.subject, body, attach)

    def _heartbeat(self, ledger: Ledger) -> tuple[int, str] | None:
        """A heartbeat to be called: the number that its result is kept under, and its address."""
        to = heartbeat_of(self._settings)
        if to is None:
            return None
        number = ledger.messages.add(
            int(self._clock.now()),
            MessageKind.HEARTBEAT,
            "heartbeat",
            "",
            to.digest,
            [(to.digest, to.label)],
        )
        try:
            return number, with_secrets(to.address, self._secrets())
        except SettingsRefused as refused:
            self._failed_heartbeat(ledger, number, str(refused))
            return None

    def _failed_heartbeat(self, ledger: Ledger, number: int, failed: str | None) -> None:
        to = heartbeat_of(self._settings)
        assert to is not None
        ledger.messages.tried(number, to.digest, int(self._clock.now()), failed)
        ledger.messages.give_up(number)  # one that comes late would tell of another shift
        if failed is not None:
            self._say(f"The heartbeat was not heard: {failed.rstrip('.')}.")

    def _secrets(self) -> Mapping[str, str]:
        return secrets_of(self._settings.notify.secrets, self._environment)

    def _sending(
        self,
        ledger: Ledger,
        letters: Mapping[bytes, list[Letter]],
        heartbeat: tuple[int, str] | None = None,
        needs: int | None = None,
    ) -> _Sent | None:
        """Give letters to the process that sends, where their addresses can be used."""
        destinations = []
        for each in self._recipients:
            wanted = letters.get(each.digest)
            if not wanted:
                continue
            try:
                refuse_without_library()
                address = with_secrets(each.address, self._secrets())
            except RequestRefused as refused:
                for letter in wanted:
                    self._note(ledger, letter.number, each, str(refused).rstrip("."))
                continue
            destinations.append(Destination(each.number, address, tuple(wanted)))
        if not destinations and heartbeat is None:
            return None
        seconds = self._settings.notify.wait_at_most.total_seconds()
        errand = Errand(
            seconds,
            tuple(destinations),
            None if heartbeat is None else heartbeat[1],
            needs,
        )
        return _Sent(errand, heartbeat and heartbeat[0])

    def _try(self, letter: Letter) -> Iterator[tuple[str, str | None]]:
        """Send one letter to everybody, without the ledger; label and failure of each."""
        destinations = []
        for each in self._recipients:
            try:
                refuse_without_library()
                address = with_secrets(each.address, self._secrets())
            except RequestRefused as refused:
                yield each.label, str(refused).rstrip(".")
            else:
                destinations.append(Destination(each.number, address, (letter,)))
        if destinations:
            seconds = self._settings.notify.wait_at_most.total_seconds()
            sending = Sending(Errand(seconds, tuple(destinations)))
            labels = {each.number: each.label for each in self._recipients}
            for answer in sending.answers():
                yield labels[answer.destination], answer.failed

    def _sent_now(self) -> Iterator[_OnItsWay]:
        digests = {each.number: each.digest for each in self._recipients}
        for each in self._under_way:
            for number, letter in each.wanted:
                yield _OnItsWay(letter, digests[number])

    def _record_what_is_over(self, ledger: Ledger) -> None:
        for each in [each for each in self._under_way if each.is_over]:
            self._under_way.remove(each)
            self._record(ledger, each)

    def _collect(self, ledger: Ledger) -> None:
        """Wait for all that is under way, and keep what became of it."""
        while self._under_way:
            self._record(ledger, self._under_way.pop(0))

    def _record(self, ledger: Ledger, sent: _Sent) -> None:
        by_number = {each.number: each for each in self._recipients}
        for answer in sent.answers():
            if answer.destination == HEARTBEAT:
                assert sent.heartbeat is not None
                self._failed_heartbeat(ledger, sent.heartbeat, answer.failed)
            else:
                recipient = by_number[answer.destination]
                self._note(ledger, answer.letter, recipient, answer.failed)

    def _note(self, ledger: Ledger, letter: int, to: Recipient, failed: str | None) -> None:
        ledger.messages.tried(letter, to.digest, int(self._clock.now()), failed)
        if failed is not None:
            self._say_failed(to.label, failed, kept=True)

    def _say_failed(self, label: str, failed: str, *, kept: bool) -> None:
        then = "; it is tried again with the next message" if kept else ""
        said = f"A message could not be delivered to {label}: {failed}{then}."
        if said != self._said_last:
            self._said_last = said
            self._say(said)

    def _settle(self, ledger: Ledger, result: Result) -> None:
        """What is over may be told again when it comes back."""
        lasting = [_about(each) for each in result.notices if each.what is NoticeKind.UNMOUNTED]
        lasting += [f"lost: {place}" for place, _ in result.unreachable]
        ledger.messages.over(lasting, int(self._clock.now()))

    @contextmanager
    def _never_failing(self) -> Iterator[None]:
        try:
            yield
        except VerifierError as error:
            self._say(f"Nobody could be told: {error}")
        except Exception as error:  # a message must never cost a shift
            self._say(f"Nobody could be told, by a fault of this program: {type(error).__name__}.")


class _OnItsWay(Struct, frozen=True):
    letter: int
    digest: bytes


class _Sent:
    """An errand under way, and the number under which its heartbeat is kept."""

    def __init__(self, errand: Errand, heartbeat: int | None) -> None:
        self._sending = Sending(errand)
        self.heartbeat = heartbeat
        self.wanted = [
            (each.number, letter.number) for each in errand.destinations for letter in each.letters
        ]

    @property
    def is_over(self) -> bool:
        return self._sending.is_over

    def answers(self) -> list[Answer]:
        return self._sending.answers()

    def end(self) -> None:
        self._sending.end()


_NEVER: Final = 1 << 62

_NO_NEWS: Final = frozenset({DoubtKind.OVERDUE, DoubtKind.UNREAD})
"""What lasts for weeks, and is told with the next message."""


def _ended_in_order(result: Result) -> bool:
    return result.stopped_by in _IN_ORDER


def _unsaid(doubts: Iterable[Doubt], result: Result) -> Iterator[Doubt]:
    """Those that what a shift did does not tell of already."""
    said = {notice.place for notice in result.notices if notice.what is NoticeKind.UNMOUNTED}
    said |= {place for place, _ in result.unreachable}
    for each in doubts:
        left = each.what is DoubtKind.UNREAD and result.left.files
        if each.place not in said and not left:
            yield each


def _about(notice: Notice) -> str:
    return f"{notice.what}: {notice.place}"


def _not_too_many(letters: list[Letter]) -> list[Letter]:
    """The newest first: it is what matters, should the time be up before all are delivered."""
    return sorted(letters, key=lambda each: -each.number)[: MOST_LATE + 1]


def _grouped(findings: Iterable[LedgerFinding]) -> tuple[tuple[Group, ...], list[int]]:
    """Findings by action and mirror, the most pressing first, and the numbers of all."""
    totals: dict[tuple[Action, PlaceName], int] = {}
    first: dict[tuple[Action, PlaceName], list[LedgerFinding]] = {}
    numbers = []
    for each in findings:
        key = action_of(each.finding), PlaceName(each.share, each.mirror)
        numbers.append(each.id)
        totals[key] = totals.get(key, 0) + 1
        shown = first.setdefault(key, [])
        if len(shown) < FIRST_FEW:
            finding = structs.replace(each.finding, damage=None)
            shown.append(structs.replace(each, finding=finding))
    order = {action: number for number, action in enumerate(Action)}
    groups = sorted(totals, key=lambda key: (order[key[0]], key[1]))
    return tuple(Group(*key, totals[key], tuple(first[key])) for key in groups), numbers
