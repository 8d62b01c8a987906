"""The store's word: the checksum of an object's whole content, as the store gives it.

It is what the store says, never a reading of ours: it is set beside what was read, and where the
two differ the reading is not believed.  Nothing is ever called matched because of it.
"""

from __future__ import annotations

import base64
import binascii
import hashlib
import re
import zlib
from collections.abc import Callable, Mapping
from typing import Final, NamedTuple, Protocol

import xxhash


class Word(NamedTuple):
    """A kind of checksum and its value, as the store gives it.

    ``declared`` is False for an ETag that merely looks like an MD5: stores may put into it
    whatever they like.
    """

    kind: str
    value: bytes
    declared: bool = True


class Computing(Protocol):
    """A checksum of what is read, as it comes in."""

    def update(self, block: memoryview, /) -> object:
        """The next bytes."""

    def digest(self) -> bytes:
        """The checksum of all of them."""


class _Crc:
    def __init__(self, function: Callable[[memoryview, int], int], length: int) -> None:
        self._function = function
        self._length = length
        self._value = 0

    def update(self, block: memoryview) -> None:
        self._value = self._function(block, self._value)

    def digest(self) -> bytes:
        return self._value.to_bytes(self._length, "big")


def _crt(name: str) -> Callable[[memoryview, int], int] | None:
    """A checksum that needs the processor's own instructions to be quick enough."""
    try:
        from awscrt import checksums
    except ImportError:
        return None
    found = getattr(checksums, name, None)
    return None if found is None else lambda block, before: found(block, before)


def _made(kind: str) -> Computing | None:
    if kind == "CRC32":
        return _Crc(zlib.crc32, 4)
    if kind in ("CRC32C", "CRC64NVME"):
        function = _crt(kind.lower())
        return None if function is None else _Crc(function, 4 if kind == "CRC32C" else 8)
    make = _HASHES.get(kind)
    return None if make is None else make()


_HASHES: Final[Mapping[str, Callable[[], Computing]]] = {
    "SHA512": hashlib.sha512,
    "SHA256": hashlib.sha256,
    "SHA1": lambda: hashlib.sha1(usedforsecurity=False),
    "MD5": lambda: hashlib.md5(usedforsecurity=False),
    "XXHASH128": xxhash.xxh3_128,
    "XXHASH3": xxhash.xxh3_64,
    "XXHASH64": xxhash.xxh64,
}

KINDS: Final = (*_HASHES, "CRC64NVME", "CRC32C", "CRC32")
"""Those that can be computed, the one that says most first."""

_MD5: Final = re.compile(r'"?([0-9a-fA-F]{32})"?')


def computing(word: Word | None) -> Computing | None:
    """What computes a checksum of the same kind; None where nothing does."""
    return None if word is None else _made(word.kind)


def offered(answer: Mapping[str, object]) -> Word | None:
    """The word in a store's answer about one object, if it is about its whole content.

    ``answer`` holds the fields of S3's GetObject or HeadObject.  Checksums of parts, which end in
    the number of these, say nothing of the whole that could be computed here.
    """
    if str(answer.get("ChecksumType", "FULL_OBJECT")) == "FULL_OBJECT":
        for kind in KINDS:
            value = _decoded(answer.get(f"Checksum{kind}"))
            if value is not None and _made(kind) is not None:
                return Word(kind, value)
    if answer.get("SSECustomerAlgorithm") or "kms" in str(answer.get("ServerSideEncryption", "")):
        return None  # such an ETag is no checksum of the content
    found = _MD5.fullmatch(str(answer.get("ETag", "")))
    return None if found is None else Word("MD5", bytes.fromhex(found[1]), declared=False)


def _decoded(value: object) -> bytes | None:
    if not isinstance(value, str) or "-" in value:
        return None
    try:
        return base64.b64decode(value, validate=True)
    except binascii.Error:
        return None
