"""The process that sends: reads an errand, answers a line for each letter, and ends in time.

Failures are told in words of our own, found by what the library wrote in its log: neither its log
nor a server's answer is passed on, since both may repeat an address with its secrets.
"""

from __future__ import annotations

import logging
import os
import re
import sys
import threading
import time
import urllib.error
import urllib.request
from typing import Any, Final

import msgspec

from verifier import __version__
from verifier.sending.values import HEARTBEAT, NOT_CALLED, Answer, Destination, Errand, Letter

_TRIES: Final = 2
_TRY_AGAIN_AFTER: Final = 5.0
"""Seconds before a letter that failed is tried again; at most a fifth of the time that is left."""

_HEARTBEAT_AT_MOST: Final = 10.0
_HEARTBEAT_PART: Final = 0.5

_REASONS: Final = tuple(
    (re.compile(pattern, re.IGNORECASE), sentence)
    for pattern, sentence in (
        (
            r"certificate.verify.failed|hostname mismatch|CertificateError",
            "its certificate is not one that this machine trusts",
        ),
        (
            r"\(53[0458],|authentication (failed|credentials)|error=40[13]\b|unauthorized",
            "it refused the user's name or password",
        ),
        (r"wrong_version_number|SSLError|\[SSL", "no encrypted connection could be made with it"),
        (
            r"connection refused|errno 111\b|actively refused",
            "nothing answers there: the connection was refused",
        ),
        (
            r"name or service not known|nodename nor servname|getaddrinfo|name resolution|"
            r"NameResolutionError|No address associated",
            "its name could not be found",
        ),
        (r"timed out|timeout", "it did not answer in time"),
        (r"network is unreachable|no route to host", "the network does not reach it"),
        (
            r"connection reset|connection aborted|unexpectedly closed|broken pipe|"
            r"RemoteDisconnected",
            "it closed the connection",
        ),
        (
            r"codec can't encode",
            "the user's name or password holds a character that a login cannot carry",
        ),
        (r"STARTTLS extension not supported", "it offers no encryption"),
    )
)
_STATUS: Final = re.compile(r"error=([1-5][0-9]{2})\b")
_MAIL_STATUS: Final = re.compile(r"\(([45][0-9]{2}), b")
_UNKNOWN: Final = "it did not take the message, and gave no reason that can be told"
_NO_ADDRESS: Final = "the address is none that can be used: see the list of addresses in the docs"
_NO_LIBRARY: Final = "the extra \"notify\" is not installed: pip install 'copy-verifier[notify]'"


def main() -> None:
    """Do the errand on standard input, and end the process."""
    errand = msgspec.json.decode(sys.stdin.buffer.read(), type=Errand)
    answers = _Answers(errand.needs)
    end = time.monotonic() + errand.seconds
    threads = [
        threading.Thread(target=_deliver, args=(each, end, answers), daemon=True)
        for each in errand.destinations
    ]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join(max(0.0, end - time.monotonic()))
    if errand.heartbeat is not None:
        _heartbeat(errand, answers)
    os._exit(0)  # a thread that still waits for a server must not hold it up


class _Answers:
    """Answers, written as soon as they are there."""

    def __init__(self, needs: int | None) -> None:
        self._lock = threading.Lock()
        self._needs = needs
        self.reached_somebody = needs is None

    def say(self, answer: Answer) -> None:
        with self._lock:
            if answer.failed is None and answer.letter == self._needs:
                self.reached_somebody = True
            sys.stdout.buffer.write(msgspec.json.encode(answer) + b"\n")
            sys.stdout.buffer.flush()


def _deliver(destination: Destination, end: float, answers: _Answers) -> None:
    log, failed = _Log(), None
    for letter in destination.letters:
        if failed is not None:  # it would only be waited for once more
            answers.say(Answer(destination.number, letter.number, failed))
            continue
        failed = _UNKNOWN
        seconds = max(0.1, end - time.monotonic())
        for attempt in range(_TRIES):
            if attempt:
                time.sleep(min(_TRY_AGAIN_AFTER, seconds / 5))
            left = end - time.monotonic()
            if left <= 0:
                break
            failed = _send(destination.address, letter, left, log)
            if failed is None or failed in (_NO_ADDRESS, _NO_LIBRARY):
                break
        answers.say(Answer(destination.number, letter.number, failed))


class _Log(logging.Handler):
    """What the library wrote in one thread."""

    def __init__(self) -> None:
        super().__init__(logging.DEBUG)
        self._thread = threading.get_ident()
        self.lines: list[str] = []
        logger = logging.getLogger("apprise")
        logger.propagate = False
        logger.setLevel(logging.DEBUG)
        logger.addHandler(self)

    def emit(self, record: logging.LogRecord) -> None:
        if record.thread != self._thread:
            return
        said = record.getMessage()
        # Other lines repeat the message, whose own words are no reason.
        if record.levelno >= logging.WARNING or said.startswith("Socket Exception"):
            self.lines.append(said)

    def reason(self) -> str:
        """In words of our own."""
        said = "\n".join(self.lines)
        for pattern, sentence in _REASONS:
            if pattern.search(said):
                return sentence
        if status := _STATUS.search(said):
            return f"it answered with the status {status[1]}"
        if status := _MAIL_STATUS.search(said):
            return f"its mail server refused the message with the status {status[1]}"
        return _UNKNOWN


def _send(address: str, letter: Letter, seconds: float, log: _Log) -> str | None:
    """Why the letter was not taken, None if it was."""
    try:
        import apprise
    except ImportError:
        return _NO_LIBRARY
    log.lines.clear()
    try:
        asset = apprise.AppriseAsset(
            app_id="verifier",
            app_desc="copy verifier",
            app_url="",
            image_url_mask="",
            image_url_logo="",
            storage_mode="memory",
            async_mode=False,
        )
        service: Any = apprise.Apprise.instantiate(address, asset=asset, suppress_exceptions=True)
        if service is None or not isinstance(service, apprise.NotifyBase):
            return _NO_ADDRESS
        # One that waits longer would leave no time for a second try.
        service.socket_connect_timeout = service.socket_read_timeout = seconds / 2
        if "overflow=" not in address:
            service.overflow_mode = apprise.OverflowMode.TRUNCATE
        if "format=" not in address:
            service.notify_format = apprise.NotifyFormat.TEXT
        attach = None
        if letter.attach and service.attachment_support:
            attach = apprise.AppriseAttachment(letter.attach, asset=asset)
        # By the service itself, in this thread, so that what it logs is known to be its own.
        taken = service.notify(
            body=letter.body,
            title=letter.subject,
            body_format=apprise.NotifyFormat.TEXT,
            attach=attach,
        )
    except Exception as error:  # a library's plugin may raise anything; its words are not ours
        log.lines.append(f"{type(error).__name__}: {error}")
        return log.reason()
    return None if taken else log.reason()


def _heartbeat(errand: Errand, answers: _Answers) -> None:
    assert errand.heartbeat is not None
    failed: str | None = NOT_CALLED
    if answers.reached_somebody:
        failed = _call(errand.heartbeat, min(_HEARTBEAT_AT_MOST, errand.seconds * _HEARTBEAT_PART))
    answers.say(Answer(HEARTBEAT, HEARTBEAT, failed))


def _call(address: str, seconds: float) -> str | None:
    try:
        request = urllib.request.Request(
            address, headers={"User-Agent": f"verifier/{__version__}"}, method="GET"
        )
        with urllib.request.urlopen(request, timeout=seconds):
            return None
    except urllib.error.HTTPError as error:
        return f"it answered with the status {error.code}"
    except Exception as error:  # whatever is wrong with an address, its words may repeat it
        log = _Log()
        log.lines.append(f"{type(error).__name__}: {error}")
        return log.reason()


if __name__ == "__main__":
    main()
