"""The secrets in addresses: named by a ``${VARIABLE}``, filled in on use, and never repeated.

It must never quote a secret in an error, nor fill one in before it is used.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from typing import Final

from verifier.errors import SettingsRefused

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


def with_secrets(address: str, environment: Mapping[str, str]) -> str:
    """A notify address with its ``${VARIABLE}``s filled in.  Never print or keep the result.

    Raises SettingsRefused when a variable is not set.
    """

    def value(match: re.Match[str]) -> str:
        if not environment.get(match[1]):
            raise SettingsRefused(
                f"notify.to names the environment variable {match[1]}, which is not set; "
                "set it for whatever starts verifier."
            )
        return environment[match[1]]

    return _VARIABLE.sub(value, address)


def without_password(text: str) -> str:
    """What may be repeated on a terminal and in a log of an address with a secret in it."""
    hidden = _SECRET_PARAMETER.sub(lambda found: found[0].partition("=")[0] + "=***", text)
    return re.sub(r"(:/*[^/:@]*):.*@", r"\1:***@", hidden, flags=re.DOTALL)
