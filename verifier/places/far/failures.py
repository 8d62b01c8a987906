"""What ssh says when it fails, as a sentence: what, where, and what to do next."""

from __future__ import annotations

import re
from collections.abc import Callable
from typing import Final, NamedTuple

from verifier.model import printable
from verifier.places.addresses import Address


class LinkLost(Exception):
    """The link is gone, or did not come about, and another try may help.  Not for the user.

    Its text is a clause that says what was seen.
    """


class Failure(NamedTuple):
    """Why there is no link: a clause, what to do, and whether trying again may help."""

    said: str
    advice: str
    passing: bool


def failure_of(address: Address, status: int | None, said: bytes) -> Failure:
    """What came of an ssh that ended with ``status`` and wrote ``said``, before or amid its work.

    Ssh itself ends with 255; other numbers are those of what it started on the far host.
    """
    text = said.decode("utf-8", "replace")
    for found, failure in _KNOWN:
        if found(status, text):
            return failure(address, text)
    last = _last_line(text)
    if last:
        return Failure(f"ssh said: {last}", _CHECK, passing=True)
    return Failure("the link ended without a word", _CHECK, passing=True)


_CHECK: Final = "Check the network and the far host"


def by_hand(address: Address) -> str:
    """The ssh command that a person can try."""
    port = "" if address.port is None else f"-p {address.port} "
    user = f"{address.user}@" if address.user else ""
    return f"ssh {port}{user}{address.host}"


def _last_line(text: str) -> str:
    lines = [line.strip() for line in text.splitlines() if line.strip()]
    return printable(lines[-1].encode())[:200].rstrip(".") if lines else ""


def _says(pattern: str) -> Callable[[int | None, str], bool]:
    wanted = re.compile(pattern, re.IGNORECASE)
    return lambda status, text: wanted.search(text) is not None


def _changed_key(address: Address, text: str) -> Failure:
    return Failure(
        "the host key is not the one that is known for it, so somebody else may answer in its "
        "place",
        "Find out why; if the host was set up anew, remove its old line from known_hosts and "
        f"connect once with '{by_hand(address)}'",
        passing=False,
    )


def _unknown_key(address: Address, text: str) -> Failure:
    return Failure(
        "the host key is not known to this user",
        f"Connect once with '{by_hand(address)}' as this user, compare the key, and accept it",
        passing=False,
    )


def _key_refused(address: Address, text: str) -> Failure:
    return Failure(
        "the far host accepts no key of this user",
        f"Put this user's public key into authorized_keys there; '{by_hand(address)}' must not ask "
        "for a password",
        passing=False,
    )


def _unknown_host(address: Address, text: str) -> Failure:
    return Failure(
        "there is no host of that name",
        "Check the name, or the Host line in ssh's own config",
        passing=True,
    )


def _no_answer(address: Address, text: str) -> Failure:
    return Failure(_last_line(text), "Check that the host is up and takes SSH there", passing=True)


def _no_package(address: Address, text: str) -> Failure:
    return Failure(
        "the far host has no command 'verifier'",
        "Install the same version there so that a plain SSH login finds it, or give its whole path "
        "in authorized_keys, as docs/far-host.md shows",
        passing=False,
    )


def _too_old(address: Address, text: str) -> Failure:
    return Failure(
        "the verifier on the far host does not know the command 'far-end'",
        "Install the same version on both machines",
        passing=False,
    )


def _bad_config(address: Address, text: str) -> Failure:
    return Failure(f"ssh said: {_last_line(text)}", "See to ssh's own config", passing=False)


_KNOWN: Final[
    tuple[tuple[Callable[[int | None, str], bool], Callable[[Address, str], Failure]], ...]
] = (
    (_says("remote host identification has changed|host key .* has changed"), _changed_key),
    (_says("host key verification failed|no .*host key is known"), _unknown_key),
    (_says(r"permission denied \(|too many authentication failures"), _key_refused),
    (_says("could not resolve hostname|name or service not known"), _unknown_host),
    (_says("no such command .*far-end"), _too_old),
    (
        lambda status, text: (
            status in (126, 127) or re.search("command not found", text, re.IGNORECASE) is not None
        ),
        _no_package,
    ),
    (_says("bad configuration option|bad owner or permissions|terminating, .* bad"), _bad_config),
    (
        _says(
            "connection refused|timed out|no route to host|unreachable|connection closed|"
            "connection reset|not responding|broken pipe"
        ),
        _no_answer,
    ),
)
