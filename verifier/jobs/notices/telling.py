"""Who tells people of one shift after the other: what is told when, and what is not told twice."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterable, Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path
from typing import Final

from msgspec import Struct

from verifier.errors import (
    LedgerFailed,
    LedgerRefused,
    OutputFailed,
    RequestRefused,
    ShiftRunning,
    VerifierError,
)
from verifier.jobs.notices.facts import facts_of, grouped, worth_telling
from verifier.jobs.notices.post import Post
from verifier.jobs.notices.values import Draft, Words
from verifier.jobs.notices.when import expected_by
from verifier.jobs.shift import Clock, Result, StoppedBy
from verifier.ledger import Ledger, MessageKind, Notice, NoticeKind, PlaceName
from verifier.sending import Letter, refuse_without_library
from verifier.settings import Settings

_DAY: Final = 86_400
PAGE: Final = "report.html"
"""The page's name in the folder of reports."""

REMIND_AFTER: Final = 7 * _DAY
"""Seconds after which people are told again at once of what still lasts."""

GIVEN_UP_AFTER: Final = 7 * _DAY
"""Seconds for which it is tried to deliver a message: what is older is no news."""

BODIES_KEPT: Final = 90 * _DAY

APART: Final = 3600
"""Seconds between two messages at once on damage to a source: it tends to come in numbers."""

_IN_ORDER: Final = frozenset({StoppedBy.DONE, StoppedBy.WORKING_HOURS, StoppedBy.UNTIL})
_NEVER: Final = 1 << 62


class Outcome(Struct, frozen=True):
    """What became of a message at one address; ``failed`` is None when it was taken."""

    label: str
    failed: str | None


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
        self._post = Post(settings, clock, say, os.environ if environment is None else environment)
        self._studio = settings.studio.name
        self._told_error: BaseException | None = None
        self._began = self._clock.now()
        self._damage_told_at: float | None = None

    # ------------------------------------------------------------------------------ at once

    def looks_wrong(self, ledger: Ledger, notice: Notice) -> None:
        """Tell at once of a place that looks unmounted or emptied, or surged."""
        about = None
        if notice.what is NoticeKind.UNMOUNTED:
            about = _about(notice)
        with self._never_failing():
            draft = self._words.looks_wrong(self._studio, notice, self._by_when(ledger))
            self._at_once(ledger, draft, about)

    def unreachable(self, ledger: Ledger, place: PlaceName, why: str) -> None:
        """Tell at once of a place that cannot be reached any more."""
        with self._never_failing():
            draft = self._words.unreachable(self._studio, place, why, self._by_when(ledger))
            self._at_once(ledger, draft, _about_unreachable(place))

    def judged(self, ledger: Ledger) -> None:
        """Tell at once of damage to a source that nobody was told of, once an hour at most."""
        now = self._clock.now()
        if self._damage_told_at is not None and now - self._damage_told_at < APART:
            return
        with self._never_failing():
            if not self._post.recipients:
                return
            # What an earlier message at once told of is told: it counts from no time on.
            untold = ledger.messages.untold(self._post.all, _NEVER, on_the_source=True)
            groups, numbers = grouped(map(ledger.findings.numbered, untold))
            if numbers:
                self._damage_told_at = now
                draft = self._words.source_damaged(self._studio, groups, self._by_when(ledger))
                self._at_once(ledger, draft, None, numbers)

    def _at_once(
        self, ledger: Ledger, draft: Draft, about: str | None, findings: Iterable[int] = ()
    ) -> None:
        now = int(self._clock.now())
        if not self._post.recipients:
            return
        if about is not None and ledger.messages.lasts(about, self._post.all, now - REMIND_AFTER):
            return
        number = self._post.keep(ledger, MessageKind.AT_ONCE, draft, about, findings)
        # Whom it does not reach now is told after the shift, or after the next one.
        self._post.send(ledger, number, draft)

    # ---------------------------------------------------------------------------- after a shift

    def after(self, ledger: Ledger, result: Result) -> None:
        """Tell of a shift that ended, deliver what waits, and call the heartbeat.

        Waits for it, at most as long as the settings allow.  A shift that somebody stopped is told
        of by the next one.
        """
        if result.number is None:
            return
        try:
            with self._never_failing():
                self._post.record_what_is_over(ledger)
                if result.stopped_by != StoppedBy.SIGNAL:
                    self._after(ledger, result)
        finally:
            self.end()
        self._began, self._damage_told_at = self._clock.now(), None

    def _after(self, ledger: Ledger, result: Result) -> None:
        messages, now = ledger.messages, int(self._clock.now())
        messages.give_up_before(now - GIVEN_UP_AFTER)
        messages.forget_bodies_before(now - BODIES_KEPT)
        number, page = None, self._page(result)
        if self._post.recipients:
            facts, numbers = facts_of(
                self._settings, ledger, result, self._began, self._clock.now(), page
            )
            if worth_telling(self._settings, facts):
                kind = MessageKind.SHIFT if facts.week is None else MessageKind.WEEKLY
                draft = self._words.after_shift(facts)
                number = self._post.keep(ledger, kind, draft, None, numbers)
        self._settle(ledger, result)
        in_order = result.stopped_by in _IN_ORDER
        self._post.deliver(ledger, number, page, heartbeat=in_order)

    def _broken(self, error: Exception, ledger: Ledger | None) -> None:
        """Tell that a shift could not go on, and wait for that.  The ledger may be what broke."""
        with self._never_failing():
            if not self._post.recipients:
                return
            by_ledger = isinstance(error, (LedgerFailed, LedgerRefused))
            why = str(error) if isinstance(error, VerifierError) else type(error).__name__
            ledger = None if by_ledger else ledger
            draft = self._words.broken(self._studio, why, by_ledger, self._by_when(ledger))
            if ledger is not None:
                number = self._post.keep(ledger, MessageKind.TROUBLE, draft)
                self._post.send_and_wait(ledger, number, draft)
                return
            for label, failed in self._post.try_all(Letter(0, draft.subject, draft.body)):
                if failed is not None:
                    self._post.say_failed(label, failed, kept=False)

    def test(self, ledger: Ledger | None) -> Iterator[Outcome]:
        """Send a message to every address, and say what became of it; nothing of it is kept.

        ``ledger`` tells by when the next one is due, None where there is none yet.  Raises
        RequestRefused when there is no address, or what is needed is not installed.
        """
        if not self._post.recipients:
            raise RequestRefused(
                "The settings name nobody to be told. Add an address to notify.to, as "
                "docs/notices.md shows."
            )
        refuse_without_library()
        draft = self._words.test(self._studio, self._by_when(ledger))
        for label, failed in self._post.try_all(Letter(0, draft.subject, draft.body)):
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
        self._post.end()

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

    def _settle(self, ledger: Ledger, result: Result) -> None:
        """What is over may be told again when it comes back."""
        lasting = [_about(each) for each in result.notices if each.what is NoticeKind.UNMOUNTED]
        lasting += [_about_unreachable(place) for place, _ in result.unreachable]
        ledger.messages.over(lasting, int(self._clock.now()))

    @contextmanager
    def _never_failing(self) -> Iterator[None]:
        try:
            yield
        except VerifierError as error:
            self._say(f"Nobody could be told: {error}")
        except Exception as error:  # a message must never cost a shift
            self._say(f"Nobody could be told, by a fault of this program: {type(error).__name__}.")


def _about(notice: Notice) -> str:
    return f"{notice.what}: {notice.place}"


def _about_unreachable(place: PlaceName) -> str:
    """As ledgers have it: another word would tell people again of what they know."""
    return f"lost: {place}"
