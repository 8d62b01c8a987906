"""The secrets in addresses: named by a ``${VARIABLE}``, filled in on use, and never repeated.

It must never quote a secret in an error, nor fill one in before it is used.
"""

from __future__ import annotations

import os
import re
import stat
from collections.abc import Mapping
from pathlib import Path
from typing import Final
from urllib.parse import quote

from verifier.errors import SettingsRefused
from verifier.model import printable

_VARIABLE: Final = re.compile(r"\$\{([A-Za-z_][A-Za-z0-9_]*)\}")
_ONLY_VARIABLES: Final = re.compile(rf"(?:{_VARIABLE.pattern})+")
_CREDENTIALS: Final = re.compile(
    r"[^:/?#]*:(?![0-9]{1,5}(?:[/?#]|$))"  # a user's name, and no port
    rf"(?:(?:{_VARIABLE.pattern})+@|(?P<password>.*)@)",
    re.DOTALL,
)
_SECRET_PARAMETER: Final = re.compile(
    r"[?&](?P<name>[^=&]*(?:pass|pwd|token|secret|key)[^=&]*)=(?P<value>[^&]*)", re.IGNORECASE
)
_SCHEME: Final = re.compile(r"([a-z][a-z0-9+.-]*):(?:/*)")

_WITH_A_HOST: Final = frozenset(
    name + end for name in ("mailto", "json", "xml", "form", "gotify", "http") for end in ("", "s")
)
"""Schemes with a server's name after the user.  In others what stands there may be a token."""

_HOST: Final = re.compile(r"(?:[A-Za-z0-9._-]+|\[[0-9A-Fa-f:.]+\])(?::[0-9]{1,5})?")

_MOST_SECRETS: Final = 1 << 16
"""Bytes of a file of secrets: a longer one is something else."""


def check_notify_address(text: str) -> str:
    """The address as it is, once it is seen to hold no literal secret.  Raises ValueError."""
    if "${" in _VARIABLE.sub("", text):
        raise ValueError("a ${VARIABLE} in it is not closed, or its name is none")
    scheme, colon, rest = text.partition(":")
    if _VARIABLE.match(text):
        rest = text if "://" not in text else text.partition("://")[2]
    elif not colon or not rest.strip("/") or not re.fullmatch(r"[a-z][a-z0-9+.-]*", scheme):
        raise ValueError("")
    credentials = _CREDENTIALS.match(rest.lstrip("/"))
    if credentials is not None and credentials["password"] is not None:
        raise ValueError("its password stands there for all to read")
    for parameter in _SECRET_PARAMETER.finditer(rest):
        if not _ONLY_VARIABLES.fullmatch(parameter["value"]):
            raise ValueError(f'the secret "{parameter["name"]}" stands there for all to read')
    return text


def check_heartbeat_address(text: str) -> str:
    """The same, of an address that is called by HTTP.  Raises ValueError."""
    if not _VARIABLE.match(text) and not re.match(r"https?://[^/?#]", text):
        raise ValueError("")
    return check_notify_address(text)


def with_secrets(address: str, values: Mapping[str, str]) -> str:
    """A notify address with its ``${VARIABLE}``s filled in.  Never print or keep the result.

    In the place of a user's name, a password or a parameter's value a variable is percent-encoded,
    so that any character may stand in it; source: RFC 3986.  Raises SettingsRefused when a
    variable is not set.
    """
    scheme = _SCHEME.match(address)
    start = address.find("://") + 3 if "://" in address else scheme.end() if scheme else 0
    question = address.find("?", start)
    end = len(address) if question < 0 else question
    at = address.rfind("@", start, end)

    def value(match: re.Match[str]) -> str:
        found = values.get(match[1])
        if not found:
            raise SettingsRefused(
                f"[notify] names the variable {match[1]}, which is not set; set it for whatever "
                "starts verifier, or in the file that notify.secrets names."
            )
        if start <= match.start() < at:
            # One variable may hold a user's name and the password, with a colon in between.
            return quote(found, safe="" if ":" in address[start:at] else ":")
        return quote(found, safe="") if 0 <= question < match.start() else found

    return _VARIABLE.sub(value, address)


def secrets_of(file: Path | None, environment: Mapping[str, str]) -> Mapping[str, str]:
    """The values of variables: of the environment, then of the file of secrets, if there is one.

    Each line of the file is ``NAME=value``, with or without quotes around the value; empty lines
    and those that begin with ``#`` say nothing.  Raises SettingsRefused for a file that others
    than its owner may read, that cannot be read, or that holds another line.
    """
    if file is None:
        return environment
    name = printable(os.fsencode(file))
    found: dict[str, str] = {}
    for number, line in enumerate(_private_text(file, name).splitlines(), 1):
        if not line.strip() or line.lstrip().startswith("#"):
            continue
        key, equals, value = line.partition("=")
        if not equals or not re.fullmatch(r"[A-Za-z_][A-Za-z0-9_]*", key.strip()):
            raise SettingsRefused(
                f"{name}: line {number} is not of the form NAME=value; correct it."
            )
        value = value.strip()
        if len(value) > 1 and value[0] == value[-1] and value[0] in "\"'":
            value = value[1:-1]
        found[key.strip()] = value
    return {**found, **environment}


def _private_text(file: Path, name: str) -> str:
    try:
        with open(file, "rb", opener=_without_waiting) as opened:
            status = os.fstat(opened.fileno())
            if not stat.S_ISREG(status.st_mode):
                raise SettingsRefused(f"{name}, the file of secrets, is no file; name another.")
            # Windows has no such bits: there the file's own list of access counts.
            if os.name == "posix" and status.st_mode & 0o077:
                raise SettingsRefused(
                    f"{name}, the file of secrets, can be read by others than its owner, so it is "
                    "not used: chmod 600 it, and change what was in it."
                )
            content = opened.read(_MOST_SECRETS + 1)
        if len(content) > _MOST_SECRETS:
            raise SettingsRefused(f"{name} is over 64 KiB, which no file of secrets is.")
        return content.decode("utf-8-sig")
    except OSError as error:
        said = (error.strerror or str(error)).lower()
        raise SettingsRefused(
            f"{name}, the file of secrets, cannot be read: {said}. Let this user own it, or name "
            "another."
        ) from error
    except UnicodeDecodeError:
        raise SettingsRefused(f"{name}, the file of secrets, is not text in UTF-8.") from None


def _without_waiting(path: str, flags: int) -> int:
    """A pipe that stands in a file's place would be waited for without end."""
    return os.open(path, flags | getattr(os, "O_NONBLOCK", 0) | getattr(os, "O_CLOEXEC", 0))


def label_of(address: str, number: int) -> str:
    """What an address is called, by what is never secret: its scheme and, where one is there, host.

    ``number`` is its place in the list, from 1 on.  ``address`` is as written in the settings.
    """
    scheme = _SCHEME.match(address)
    if scheme is None:
        return f"address {number}"
    host = _host_of(address)
    return f"{scheme[1]}{'' if host is None else '://' + host} (address {number})"


def _host_of(address: str) -> str | None:
    scheme = _SCHEME.match(address)
    if scheme is None or scheme[1] not in _WITH_A_HOST:
        return None
    host = re.split(r"[/?#]", address[scheme.end() :])[0].rpartition("@")[2]
    return host if _HOST.fullmatch(host) else None


def shown_address(text: str) -> str:
    """What a refusal may repeat of a notify address: no password, nor what may be a token."""
    hidden = without_password(text)
    scheme = _SCHEME.match(hidden)
    if scheme is None:
        return hidden
    host = _host_of(hidden)
    if host is None:
        return f"{scheme[0]}***" if hidden[scheme.end() :] else hidden
    end = hidden.index(host, scheme.end()) + len(host)
    return hidden if len(hidden) <= end + 1 else f"{hidden[: end + 1]}***"


def without_password(text: str) -> str:
    """What may be repeated on a terminal and in a log of an address with a secret in it."""
    hidden = _SECRET_PARAMETER.sub(lambda found: found[0].partition("=")[0] + "=***", text)
    return re.sub(r"(:/*[^/:@]*):.*@", r"\1:***@", hidden, flags=re.DOTALL)
