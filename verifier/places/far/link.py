"""One ssh process, and what is said over it.

The system's own client is run, with the user's keys, config and known hosts, and never asks for
anything.  Nothing that a person or a file system named becomes an option or reaches a shell: of an
address only its user, host and port are given to ssh, and the root goes over the link.
"""

from __future__ import annotations

import os
import selectors
import subprocess
import time
from collections.abc import Generator, Iterator
from contextlib import suppress
from typing import Final

from verifier import __version__
from verifier.engine import LOOK_EVERY, BellRang, Watch
from verifier.errors import PlaceUnreachable
from verifier.places.addresses import Address, shown
from verifier.places.far import messages as say
from verifier.places.far.failures import Failure, LinkLost, by_hand, failure_of

ANSWERS_WITHIN: Final = 60.0
"""Seconds in which a far end must have begun to speak: logging in can be slow, not that slow."""

RINGS_FOR: Final = 0.8
"""Seconds after the bell in which the far end, which stops by itself, may hand in what it has."""

_ENDS_WITHIN: Final = 1.0
_CHUNK: Final = 256 * 1024
_SAID_AT_MOST: Final = 16 * 1024
_BEFORE_GREETING: Final = 1024 * 1024
"""Bytes that a login may write before the far end speaks."""

_OPTIONS: Final = (
    # Never a question that nobody is there to answer.
    "BatchMode=yes",
    "ConnectTimeout=20",
    # A link on which nothing comes back for a minute is dead.
    "ServerAliveInterval=15",
    "ServerAliveCountMax=4",
    # A link carries these two pipes and nothing else.
    "ClearAllForwardings=yes",
    "ForwardAgent=no",
    "ForwardX11=no",
    "PermitLocalCommand=no",
    "RemoteCommand=none",
    "RequestTTY=no",
    "ControlMaster=no",
)


def command_for(address: Address) -> list[str]:
    """The command that starts the far end of an address.  Its path is no part of it."""
    for each in (address.user, address.host):
        if each.startswith("-"):
            raise PlaceUnreachable(
                f'{shown(address)} cannot be reached: a host or a user cannot begin with "-". '
                "Correct the address."
            )
    options = [argument for option in _OPTIONS for argument in ("-o", option)]
    port = [] if address.port is None else ["-p", str(address.port)]
    user = ["-l", address.user] if address.user else []
    return ["ssh", "-T", *options, *port, *user, "--", address.host, "verifier", "far-end"]


class Link:
    """A far end that was started.  Used by one thread at a time; `drop` it in the end.

    All waiting is done in short stretches, between which ``watch`` is looked at.  Raises LinkLost
    when the link is gone, and PlaceUnreachable for what trying again cannot mend.
    """

    def __init__(self, address: Address) -> None:
        self.address = address
        self.idle = False
        """True while no question is open, so that another one can be asked."""
        self.is_new = True
        """True until it is put away or asked anything: that the root is there was seen just now."""
        self.round_trip = 0.0
        self.bytes_over = 0
        self._frames = say.Frames()
        self._unsent = bytearray()
        self._said = bytearray()
        self._debt = 0
        self._window = say.WINDOW
        self._rang_at: float | None = None
        self._dropped = True
        self._process = _started(address)
        assert self._process.stdin is not None
        assert self._process.stdout is not None
        assert self._process.stderr is not None
        self._in, self._out, self._err = (
            self._process.stdin.fileno(),
            self._process.stdout.fileno(),
            self._process.stderr.fileno(),
        )
        self._selector = selectors.DefaultSelector()
        self._dropped = False
        for descriptor in (self._in, self._out, self._err):
            os.set_blocking(descriptor, False)
        for descriptor in (self._out, self._err):
            self._selector.register(descriptor, selectors.EVENT_READ)

    def __del__(self) -> None:
        self.drop()

    # ------------------------------------------------------------------------- from end to end

    def open(self, root: bytes, watch: Watch) -> say.Opened:
        """Greet the far end and have it serve ``root``.

        The clock that is given is what it shows at the moment of return.
        """
        self._greet(watch)
        sent = time.monotonic()
        opened: say.Opened | None = None
        for answer in self.ask(say.Open(root), watch):
            if isinstance(answer, say.Opened):
                opened = answer
        self.is_new = True
        self.round_trip = time.monotonic() - sent
        if opened is None:
            raise self._lost("the far end did not answer as it should")
        return opened

    def ask(self, question: say.Question, watch: Watch) -> Generator[say.FromThere]:
        """The values of the answer, as they come.

        Raises OSError for an error that the system gave there, PlaceUnreachable, LinkLost, and
        what the watch raises.  To end early is to drop the link.
        """
        self.idle = self.is_new = False
        self._rang_at = None
        terms = getattr(question, "terms", None)
        if terms is not None:
            self._window = say.window_for(terms.bytes_per_second)
        self._send(question)
        while True:
            match answer := self._receive(watch):
                case say.Done():
                    self._settle(answer.read, watch)
                    self.idle = True
                    if answer.rang:
                        raise BellRang("The bell rang before the work was done.")
                    return
                case say.Progress():
                    self._settle(answer.read, watch)
                case say.Parked():
                    watch.park()
                    self._rang_at = None
                    self._send(say.NewTerms(terms_of(watch)))
                case say.Failed():
                    self.idle = True
                    raise OSError(answer.number, answer.said)
                case say.Gone() | say.Broke() | say.Refused():
                    raise self._unreachable(answer)
                case say.Sightings():
                    self._settle(answer.read, watch)
                    yield answer
                case _:
                    yield answer

    def finish(self, answers: Iterator[say.FromThere], at_most: int = 64) -> None:
        """Pass over what is left of an answer that nobody wants, if it is short."""
        with suppress(LinkLost, OSError, PlaceUnreachable, BellRang):
            for _ in range(at_most):
                if next(answers, None) is None:
                    return

    def drop(self) -> None:
        """End the link, whatever is said on it.  May be called twice."""
        self.idle = False
        if self._dropped:
            return
        self._dropped = True
        self._selector.close()
        for pipe in (self._process.stdin, self._process.stdout, self._process.stderr):
            if pipe is not None:
                with suppress(OSError):
                    pipe.close()
        self._process.terminate()
        try:
            self._process.wait(_ENDS_WITHIN)
        except subprocess.TimeoutExpired:
            self._process.kill()
            self._process.wait()

    # ----------------------------------------------------------------------------- the pieces

    def _greet(self, watch: Watch) -> None:
        until = time.monotonic() + ANSWERS_WITHIN
        while (version := self._frames.greeting()) is None:
            if time.monotonic() >= until:
                raise self._lost(f"the far host gave no answer within {ANSWERS_WITHIN:.0f} s")
            if self.bytes_over > _BEFORE_GREETING:
                raise self._unmendable(
                    "something else than a far end answers",
                    f"See what '{by_hand(self.address)} verifier far-end' starts there",
                )
            self._pump(watch)
        if version != __version__:
            raise self._unmendable(
                f"version {version} of verifier runs there, and {__version__} here",
                "Install the same version on both machines",
            )

    def _receive(self, watch: Watch) -> say.FromThere:
        while True:
            try:
                frame = self._frames.next()
                if frame is not None:
                    return say.from_there(frame)
            except say.Garbled as error:
                raise self._unmendable(
                    f"what comes from there is not what a far end says ({error})",
                    f"See what '{by_hand(self.address)} verifier far-end' starts there",
                ) from error
            self._pump(watch)

    def _send(self, value: say.FromHere) -> None:
        self._unsent += say.framed(value)
        self._write()

    def _pump(self, watch: Watch) -> None:
        """Wait a little for something to come, and send what waits to be sent."""
        self._heed(watch)
        for key, _ in self._selector.select(LOOK_EVERY):
            if key.fd == self._in:
                self._write()
            elif key.fd == self._err:
                self._hear()
            else:
                self._read()

    def _read(self) -> None:
        try:
            more = os.read(self._out, _CHUNK)
        except BlockingIOError:
            return
        if not more:
            raise self._ended()
        self.bytes_over += len(more)
        self._frames.add(more)

    def _hear(self) -> None:
        """What ssh says for people: the last of it is kept, to say why it ended."""
        try:
            more = os.read(self._err, _CHUNK)
        except BlockingIOError:
            return
        if not more:
            self._selector.unregister(self._err)
        self._said += more
        del self._said[:-_SAID_AT_MOST]

    def _write(self) -> None:
        waits = self._in in self._selector.get_map()
        try:
            sent = os.write(self._in, self._unsent) if self._unsent else 0
        except BlockingIOError:
            sent = 0
        except OSError:
            self._unsent.clear()
            sent = 0  # it has ended, which reading from it will show with its reason
        self.bytes_over += sent
        del self._unsent[:sent]
        if self._unsent and not waits:
            self._selector.register(self._in, selectors.EVENT_WRITE)
        elif waits and not self._unsent:
            self._selector.unregister(self._in)

    def _settle(self, read: int, watch: Watch) -> None:
        """So much was read there: count it, and allow as much again once that may be read.

        Here the pace of all places together, and a hold, reach the far end.
        """
        if read:
            watch.has_read(read)
            self._debt += read
        self._repay(watch)

    def _repay(self, watch: Watch) -> None:
        while self._debt >= max(1, self._window // 4):
            try:
                allowed = watch.allow(self._debt)
            except BellRang:
                self._note_bell(watch)
                return
            self._debt -= allowed
            self._send(say.Allow(allowed))

    def _heed(self, watch: Watch) -> None:
        try:
            watch.check()
        except BellRang:
            # What it has finished there, or how far it came with a long file, is worth a moment.
            if time.monotonic() - self._note_bell(watch) >= RINGS_FOR:
                raise
        else:
            self._rang_at = None
            self._repay(watch)

    def _note_bell(self, watch: Watch) -> float:
        """When the bell was first heard; the far end may have been told of a later one."""
        if self._rang_at is None:
            self._rang_at = time.monotonic()
            self._send(say.NewTerms(terms_of(watch)))
        return self._rang_at

    # ----------------------------------------------------------------------------- its ending

    def _ended(self) -> Exception:
        """Why the far end speaks no more."""
        with suppress(subprocess.TimeoutExpired):
            self._process.wait(_ENDS_WITHIN)
        if self._err in self._selector.get_map():
            self._hear()
        failure = failure_of(self.address, self._process.poll(), bytes(self._said))
        return self._failed(failure)

    def _failed(self, failure: Failure) -> Exception:
        if failure.passing:
            return LinkLost(failure.said, failure.advice)
        return self._unmendable(failure.said, failure.advice)

    def _lost(self, said: str) -> LinkLost:
        return LinkLost(said, "Check the network and the far host")

    def _unmendable(self, said: str, advice: str) -> PlaceUnreachable:
        return not_reached(self.address, said, advice)

    def _unreachable(self, answer: say.Gone | say.Broke | say.Refused) -> PlaceUnreachable:
        if isinstance(answer, say.Gone):
            return PlaceUnreachable(f"{shown(self.address)}: {answer.sentence}")
        if isinstance(answer, say.Broke):
            return self._unmendable(
                f"the far end failed ({answer.said})", "Start again, and report this if it stays"
            )
        said, advice = _REFUSALS[answer.why]
        return self._unmendable(said.format(said=answer.said), advice)


_REFUSALS: Final = {
    say.Why.OUTSIDE: (
        "that folder is outside of the one that the far end may serve",
        "Name a folder inside of it, or change --root in authorized_keys there",
    ),
    say.Why.MISSING: (
        "there is no such folder on the far host",
        "Check the path, and that it is mounted there",
    ),
    say.Why.NO_FOLDER: (
        "what stands there on the far host is no folder",
        "Name the folder that holds it",
    ),
    say.Why.UNREADABLE: (
        "the user there may not list that folder ({said})",
        "Let the user that the key logs in as read it",
    ),
}


def not_reached(address: Address, said: str, advice: str) -> PlaceUnreachable:
    """The sentence for a far host that gives no link: what, why, and what to do."""
    return PlaceUnreachable(f"{shown(address)} cannot be reached: {said}. {advice}.")


def terms_of(watch: Watch) -> say.Terms:
    """What a watch keeps to, as a far end is told of it."""
    terms = watch.terms()
    return say.Terms(
        None if terms.bell is None else max(0.0, terms.bell - time.time()),
        terms.outlives_bell,
        terms.bytes_per_second,
        terms.give_way,
        terms.yield_above,
    )


def _started(address: Address) -> subprocess.Popen[bytes]:
    try:
        return subprocess.Popen(
            command_for(address),
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            env={**os.environ, "LC_ALL": "C.UTF-8"},
            # Ctrl-C is for us, who end the link in order.
            start_new_session=True,
            bufsize=0,
        )
    except FileNotFoundError as error:
        raise not_reached(
            address,
            "this machine has no command 'ssh'",
            "Install OpenSSH's client (on Debian: apt-get install openssh-client)",
        ) from error
    except OSError as error:
        raise not_reached(
            address, f"ssh cannot be started ({error.strerror})", "See what ssh this user runs"
        ) from error
