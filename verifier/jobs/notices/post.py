"""Messages on their way: kept in the ledger, given to who sends, and what became of them.

It waits for no server for longer than the settings allow, and never prints, keeps or raises an
address with its secrets filled in.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping
from pathlib import Path
from typing import Final

from msgspec import Struct

from verifier.errors import RequestRefused, SettingsRefused
from verifier.jobs.notices.values import Draft
from verifier.jobs.recipients import Recipient, all_of, heartbeat_of, recipients_of
from verifier.jobs.shift import Clock
from verifier.ledger import Delivery, Ledger, MessageKind
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

MOST_LATE: Final = 20
"""Messages of before that are delivered along with a new one, to one address."""


class Post:
    """What is under way to whom the settings name: ``recipients``, and ``all`` by one digest."""

    def __init__(
        self,
        settings: Settings,
        clock: Clock,
        say: Callable[[str], None],
        environment: Mapping[str, str],
    ) -> None:
        self._settings = settings
        self._clock = clock
        self._say = say
        self._environment = environment
        self.recipients = recipients_of(settings)
        self.all = all_of(self.recipients)
        self._under_way: list[_Sent] = []
        self._said_last = ""

    def send(self, ledger: Ledger, number: int, draft: Draft) -> None:
        """Send a message that is kept under ``number``, and wait for nobody."""
        sent = self._sending(ledger, self._to_all(number, draft))
        if sent is not None:
            self._under_way.append(sent)

    def send_and_wait(self, ledger: Ledger, number: int, draft: Draft) -> None:
        """The same, and keep what became of it."""
        sent = self._sending(ledger, self._to_all(number, draft))
        if sent is not None:
            self._record(ledger, sent)

    def _to_all(self, number: int, draft: Draft) -> dict[bytes, list[Letter]]:
        letter = Letter(number, draft.subject, draft.body)
        return {each.digest: [letter] for each in self.recipients}

    def deliver(
        self, ledger: Ledger, own: int | None, page: Path | None, *, heartbeat: bool
    ) -> None:
        """Deliver all that waits, call the heartbeat where that is asked for, and wait for both.

        ``own`` is the message of this shift, which ``page`` goes along with.
        """
        ours = {each.digest for each in self.recipients}
        letters: dict[bytes, list[Letter]] = {}
        now_sent = {(each.letter, each.digest) for each in self._sent_now()}
        for each in ledger.messages.waiting():
            if each.recipient in ours and (each.message, each.recipient) not in now_sent:
                letters.setdefault(each.recipient, []).append(self._letter(each, own, page))
        last = self._sending(
            ledger,
            {digest: _not_too_many(each) for digest, each in letters.items()},
            self._heartbeat(ledger) if heartbeat else None,
            own,
        )
        self._collect(ledger)
        if last is not None:
            self._under_way.append(last)
            self._collect(ledger)

    def end(self) -> None:
        """End all that is under way; what has not arrived is sent with the next message."""
        for each in self._under_way:
            each.end()
        self._under_way.clear()

    def keep(
        self,
        ledger: Ledger,
        kind: MessageKind,
        draft: Draft,
        about: str | None = None,
        findings: Iterable[int] = (),
    ) -> int:
        """Write a message to the ledger, where it waits for everybody; its number."""
        return ledger.messages.add(
            int(self._clock.now()),
            kind,
            draft.subject,
            draft.body,
            self.all,
            [(each.digest, each.label) for each in self.recipients],
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
        for each in self.recipients:
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

    def try_all(self, letter: Letter) -> Iterator[tuple[str, str | None]]:
        """Send one letter to everybody, without the ledger; label and failure of each."""
        destinations = []
        for each in self.recipients:
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
            labels = {each.number: each.label for each in self.recipients}
            for answer in sending.answers():
                yield labels[answer.destination], answer.failed

    def _sent_now(self) -> Iterator[_OnItsWay]:
        digests = {each.number: each.digest for each in self.recipients}
        for each in self._under_way:
            for number, letter in each.wanted:
                yield _OnItsWay(letter, digests[number])

    def record_what_is_over(self, ledger: Ledger) -> None:
        """Keep what became of what is not under way any more."""
        for each in [each for each in self._under_way if each.is_over]:
            self._under_way.remove(each)
            self._record(ledger, each)

    def _collect(self, ledger: Ledger) -> None:
        """Wait for all that is under way, and keep what became of it."""
        while self._under_way:
            self._record(ledger, self._under_way.pop(0))

    def _record(self, ledger: Ledger, sent: _Sent) -> None:
        by_number = {each.number: each for each in self.recipients}
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
            self.say_failed(to.label, failed, kept=True)

    def say_failed(self, label: str, failed: str, *, kept: bool) -> None:
        """Remark upon a message that did not arrive, not twice in the same words."""
        then = "; it is tried again with the next message" if kept else ""
        said = f"A message could not be delivered to {label}: {failed}{then}."
        if said != self._said_last:
            self._said_last = said
            self._say(said)


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


def _not_too_many(letters: list[Letter]) -> list[Letter]:
    """The newest first: it is what matters, should the time be up before all are delivered."""
    return sorted(letters, key=lambda each: -each.number)[: MOST_LATE + 1]
