"""Where a tree is: folders and addresses of other hosts, parsed, and compared by what they hold.

It must never connect to anything nor open a file; folders are only resolved to their real path.
"""

from __future__ import annotations

import os
import posixpath
import re
from enum import StrEnum
from pathlib import Path
from typing import Final

from msgspec import Struct, structs

from verifier.model import printable


class AddressKind(StrEnum):
    """What stands behind an address."""

    FOLDER = "folder"
    FAR_HOST = "far-host"
    OBJECT_STORE = "object-store"


class Address(Struct, frozen=True):
    """Where a tree is.  A folder's ``path`` is absolute; an object store's ``host`` its bucket."""

    kind: AddressKind
    path: str
    scheme: str = ""
    user: str = ""
    host: str = ""
    port: int | None = None

    def __str__(self) -> str:
        if self.kind is AddressKind.FOLDER:
            return self.path
        user = f"{self.user}@" if self.user else ""
        host = f"[{self.host}]" if ":" in self.host else self.host
        port = "" if self.port is None else f":{self.port}"
        return f"{self.scheme}://{user}{host}{port}{self.path}"

    def holds(self, other: Address) -> bool:
        """True when ``other`` is the same tree or lies inside it; folders by their real path."""
        own_root, own = self._identity()
        other_root, others = other._identity()
        return own_root == other_root and (
            own == others or others.startswith(own.rstrip("/") + "/")
        )

    def _identity(self) -> tuple[object, str]:
        if self.kind is AddressKind.FOLDER:
            real = os.path.normcase(os.path.realpath(self.path))
            return "", real.replace(os.sep, "/")
        port = self.port or (_SSH_PORT if self.kind is AddressKind.FAR_HOST else None)
        return (self.scheme, self.host.lower(), port), posixpath.normpath(
            "/" + self.path.lstrip("/")
        )

    @property
    def name(self) -> str:
        """The last name of the path, for people."""
        return posixpath.basename(self.path.rstrip("/")) or self.host

    @property
    def parent(self) -> Address:
        """The tree that holds what stands at this address."""
        return structs.replace(self, path=posixpath.dirname(self.path.rstrip("/")) or "/")

    def below(self, path: bytes) -> Address:
        """What stands at ``path`` in this tree."""
        return structs.replace(self, path=posixpath.join(self.path, os.fsdecode(path)))


Named = Path | Address
"""What a person named: a path of this machine, or the address of a tree elsewhere."""


def named_place(text: str) -> Named:
    """What a person wrote, as a path unless it is an address.  Raises ValueError."""
    return parse_address(text, Path()) if "://" in text else Path(text)


def shown(named: Named) -> str:
    """What a person named, as a sentence shows it."""
    return printable(os.fsencode(str(named)))


_SSH_PORT: Final = 22
_URL: Final = re.compile(r"(?P<scheme>[A-Za-z][A-Za-z0-9+.-]+)://(?P<rest>.*)", re.DOTALL)
_AUTHORITY: Final = re.compile(
    r"(?:(?P<user>[^@/]*)@)?(?:\[(?P<six>[0-9A-Fa-f:.]+)\]|(?P<host>[A-Za-z0-9._-]+))"
    r"(?::(?P<port>[0-9]{1,5}))?"
)


def parse_address(text: str, base: Path) -> Address:
    """A folder (relative ones start at ``base``), ``ssh://[user@]host[:port]/path`` or another URL.

    What follows the host is the path as it is: nothing in it is decoded.  Raises ValueError.
    """
    if any(ord(character) < 32 or ord(character) == 127 for character in text):
        raise ValueError("it holds a control character")
    match = _URL.fullmatch(text)
    if match is None:
        return Address(AddressKind.FOLDER, str(parse_path(text, base)))
    scheme = match["scheme"].lower()
    authority, slash, path = match["rest"].partition("/")
    found = _AUTHORITY.fullmatch(authority)
    if found is None:
        raise ValueError("its host cannot be understood")
    user, host = found["user"] or "", found["six"] or found["host"]
    port = int(found["port"]) if found["port"] else None
    if ":" in user:
        raise ValueError("a password never stands in the settings")
    if user.startswith("-") or host.startswith("-"):
        raise ValueError('a host or a user cannot begin with "-"')
    if path.startswith("-"):
        raise ValueError('a path cannot begin with "-"')
    if port is not None and not 1 <= port <= 65_535:
        raise ValueError("its port is not from 1 to 65535")
    if scheme == "ssh" and not slash:
        raise ValueError("it has no path after the host")
    kind = AddressKind.FAR_HOST if scheme == "ssh" else AddressKind.OBJECT_STORE
    return Address(kind, slash + path, scheme, user, host, port)


def parse_path(text: str, base: Path) -> Path:
    """A path on this machine: ``~`` is the user's home, relative ones start at ``base``."""
    if not text.strip():
        raise ValueError("it is empty")
    if text.startswith("-"):
        raise ValueError('a path cannot begin with "-"')
    if "\0" in text:
        raise ValueError("it holds a NUL character")
    if _LIKE_A_HOST.match(text):
        raise ValueError("it looks like a path on another host, which begins with ssh://")
    expanded = os.path.expanduser(text)
    if expanded.startswith("~"):
        user = re.split(r"[/\\]", expanded)[0]
        raise ValueError(f'nobody is called "{user[1:]}" here; a folder of that name is ./{user}')
    return Path(os.path.normpath(base / expanded))


_LIKE_A_HOST: Final = re.compile(r"[^/\\]{2,}:")
"""``vault:/volumes``, as some copying tools write it.  One letter is a drive of Windows."""
