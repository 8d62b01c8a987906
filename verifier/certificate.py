"""The certificate of a clearance: its values, and the file that tells when one byte was edited.

The file is JSON, laid out for people.  Its last line but one holds the BLAKE3 digest of every
byte before that line, so that any BLAKE3 program can check it.  Beside it stands the manifest of
the folder, whose own digest the certificate holds.  Nothing here reads a share.
"""

from __future__ import annotations

import base64
import os
import stat
from pathlib import Path
from typing import Annotated, Final

import msgspec
from blake3 import blake3
from msgspec import UNSET, Meta, Struct, UnsetType

from verifier.errors import VerifierError
from verifier.manifest import ManifestReader
from verifier.model import How, named, printable
from verifier.output import whole_file

SCHEMA: Final = "verifier.certificate.v1"

LONGEST: Final = 64 * 1024 * 1024
"""Bytes of a certificate file that are read: far more than any that this program writes."""

_CHUNK: Final = 1024 * 1024

CAUTIONS: Final = (
    "This proves which bytes stood on each copy at the times given here. It proves nothing about "
    "the future: read the copies again from time to time, with the recheck that this certificate "
    "was made for.",
    "Before anything is deleted, check your contracts, your duties to retain records, and what "
    "your insurer requires.",
    "A ONE-WAY MIRROR JOB WILL CARRY THE DELETION OVER. Before deleting, take the folder out of "
    "that job, and leave the mirror's copy where it stands: there it goes on being read. A copy "
    "that is moved elsewhere is read by nobody any more, and each of its files becomes a finding.",
    "Have a second person read this certificate and agree.",
)


class CertificateRefused(VerifierError):
    """A certificate, or the manifest that belongs to it, that cannot be believed."""


class Copy(Struct, frozen=True, forbid_unknown_fields=True, omit_defaults=True):
    """One place as it was read.  Times are RFC 3339, None where there was no content to read.

    ``at`` is for people; where names in it are escaped, ``at_b64`` holds the bytes.
    """

    place: str
    at: str
    off_site: bool
    files: int
    bytes: int
    first_read: str | None
    last_read: str | None
    how: How
    at_b64: str | UnsetType = UNSET


class RuleResult(Struct, frozen=True, forbid_unknown_fields=True):
    """A rule, whether it holds, and what was found."""

    rule: str
    held: bool
    detail: str


class Act(Struct, frozen=True, forbid_unknown_fields=True):
    """Something that a person did: when, RFC 3339, and who by the system's word."""

    at: str
    by: str


class LeftOut(Struct, frozen=True, forbid_unknown_fields=True, omit_defaults=True):
    """A path in the folder that an ignore pattern leaves out: nobody has read it."""

    path: str
    path_b64: str | UnsetType = UNSET


class ManifestOf(Struct, frozen=True, forbid_unknown_fields=True):
    """The manifest beside the certificate: its name, and the digest of all its bytes."""

    file: str
    entries: int
    blake3: Annotated[str, Meta(pattern="^[0-9a-f]{64}$")]


class Record(Struct, frozen=True, forbid_unknown_fields=True):
    """The link of the ledger's record that came right before this certificate.

    ``entries`` is its number; ``head`` the link itself, in hex; 0 and zeroes before the first.
    """

    entries: int
    head: str


class Certificate(Struct, frozen=True, forbid_unknown_fields=True):
    """That a folder may leave its source, and everything by which that was decided."""

    schema: str
    studio: str
    share: str
    folder: str
    folder_b64: str | None
    files: int
    links: int
    bytes: int
    requested: Act
    granted: Act
    version: str
    copies: tuple[Copy, ...]
    rules: tuple[RuleResult, ...]
    left_out: tuple[LeftOut, ...]
    manifest: ManifestOf
    record: Record | None
    cautions: tuple[str, ...]

    @property
    def mirrors(self) -> tuple[Copy, ...]:
        """The copies that remain: all but the first, which is the source."""
        return self.copies[1:]


def folder_of(certificate: Certificate) -> bytes:
    """The folder's path in its share, as bytes."""
    if certificate.folder_b64 is None:
        return certificate.folder.encode()
    return base64.b64decode(certificate.folder_b64, validate=True)


def address_of(certificate: Certificate, copy: Copy) -> bytes:
    """Where a copy of the folder stood, to be read again.

    Certificates once held the escaped form alone; the folder's own bytes they always held.
    """
    if copy.at_b64 is not UNSET:
        return base64.b64decode(copy.at_b64, validate=True)
    folder, at = folder_of(certificate), copy.at.encode()
    escaped = printable(folder).encode()
    return at.removesuffix(escaped) + folder if at.endswith(escaped) else at


def address(whole: bytes) -> tuple[str, str | UnsetType]:
    """The address of a copy as the certificate holds it: ``at`` and ``at_b64``."""
    at = printable(whole)
    return at, UNSET if at.encode() == whole else base64.b64encode(whole).decode("ascii")


def left_out(path: bytes) -> LeftOut:
    """A path as the certificate lists it."""
    text, encoded = named(path)
    return LeftOut(text) if encoded is None else LeftOut(text, encoded)


def encoded(certificate: Certificate) -> bytes:
    """The whole file of a certificate."""
    body = _body(certificate)
    return body + _last_lines(blake3(body).hexdigest())


def digest_in(content: bytes) -> str:
    """The digest that stands at the end of an encoded certificate."""
    return content[-_LAST_LINES_LENGTH:][len(_LAST_KEY) : -len(_END)].decode()


_LAST_KEY: Final = b'  "blake3": "'
_END: Final = b'"\n}\n'
_LAST_LINES_LENGTH: Final = len(_LAST_KEY) + 64 + len(_END)


def _last_lines(digest: str) -> bytes:
    return _LAST_KEY + digest.encode() + _END


def _body(certificate: Certificate) -> bytes:
    """Everything before the line with the digest."""
    laid_out = msgspec.json.format(msgspec.json.encode(certificate), indent=2)
    return laid_out.removesuffix(b"\n}") + b",\n"


def write(certificate: Certificate, path: Path) -> None:
    """Write the file whole or not at all.  Raises OutputFailed."""
    with whole_file(path) as file:
        file.write(encoded(certificate))


def read(path: Path) -> Certificate:
    """The certificate at ``path``, not one byte of it edited.  Raises CertificateRefused."""
    shown = printable(os.fsencode(path))
    content = _content(path, shown)
    body, last = content[:-_LAST_LINES_LENGTH], content[-_LAST_LINES_LENGTH:]
    if not body.startswith(b'{\n  "schema": "verifier.certificate.'):
        raise CertificateRefused(
            f"{shown} is no certificate. Name the .json file that `verifier clearance` wrote."
        )
    if not body.startswith(f'{{\n  "schema": "{SCHEMA}",'.encode()):
        raise CertificateRefused(
            f"{shown} was written by a newer verifier. Install that version to read it."
        )
    if last != _last_lines(blake3(body).hexdigest()):
        raise _edited(shown)
    try:
        certificate = msgspec.json.decode(body.removesuffix(b",\n") + b"\n}", type=Certificate)
        for copy in certificate.copies:
            address_of(certificate, copy)
    except (msgspec.MsgspecError, UnicodeDecodeError, ValueError):
        raise _edited(shown) from None
    if _body(certificate) != body or len(certificate.copies) < 2:
        raise _edited(shown)
    return certificate


def manifest_of(certificate: Certificate, path: Path) -> ManifestReader:
    """The manifest beside the certificate at ``path``, its bytes those that it was issued with.

    Raises CertificateRefused, and what a reader of manifests raises.
    """
    name = certificate.manifest.file
    beside = path.parent / name
    shown = printable(os.fsencode(beside))
    if not name or os.path.basename(name) != name:
        raise _edited(printable(os.fsencode(path)))
    digest = blake3()
    try:
        with open(beside, "rb") as file:
            while chunk := file.read(_CHUNK):
                digest.update(chunk)
    except OSError as error:
        raise CertificateRefused(
            f"The manifest {shown}, which belongs to the certificate, cannot be read "
            f"({(error.strerror or str(error)).lower()}). Without it nobody knows what the folder "
            "held: fetch it, and keep it beside the certificate."
        ) from error
    if digest.hexdigest() != certificate.manifest.blake3:
        raise CertificateRefused(
            f"The manifest {shown} is not the one that the certificate was issued with: its bytes "
            "have another digest. Do not rely on it: fetch an unchanged copy."
        )
    return ManifestReader(beside)


def _content(path: Path, shown: str) -> bytes:
    try:
        found = os.stat(path)
        if not stat.S_ISREG(found.st_mode) or found.st_size > LONGEST:
            raise CertificateRefused(
                f"{shown} is no certificate. Name the .json file that `verifier clearance` wrote."
            )
        return path.read_bytes()
    except OSError as error:
        raise CertificateRefused(
            f"The certificate {shown} cannot be read: {(error.strerror or str(error)).lower()}. "
            "Check its name and that you may read it."
        ) from error


def _edited(shown: str) -> CertificateRefused:
    return CertificateRefused(
        f"{shown} was edited or damaged: its bytes do not have the digest that stands in it. Do "
        "not rely on it: fetch an unchanged copy."
    )
