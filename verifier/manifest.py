"""Writes a manifest, the file that lists the sightings of one tree, and reads it back.

A manifest that was cut short, edited or put out of order is never read to its end without a
:class:`~verifier.errors.ManifestRefused`, and an existing one is never replaced by half a new one.

The format, JSON lines in UTF-8, may be compressed with gzip:

1. A header with the keys ``schema`` (``verifier.manifest.v1``), ``place``, ``started``, ``ended``,
   ``ignore`` (list of patterns), ``digest`` (``blake3``), ``fingerprint`` (``xxh3_128``) and
   ``segment`` (bytes that one fingerprint covers), in this order.
2. A line for each sighting, sorted by the bytes of the path, with the keys of ``_Line`` in the
   order that they have there.  A key without a value is left out, never null.
3. A closing line ``{"entries":...,"bytes":...,"blake3":"..."}``: the number of sightings, the
   summed sizes of the files among them, and the digest of every byte before this line.  Other
   BLAKE3 programs can check it, given the file without its last line.

``ended`` stands in the first line but is known last.  Its text has a fixed width, so it is filled
in on disk, and the digest is then taken from what stands there.  For this the header of a
compressed manifest is a gzip member of its own, stored without compression.
"""

from __future__ import annotations

import base64
import contextlib
import itertools
import operator
import os
import re
import stat
import sys
import zlib
from binascii import unhexlify
from collections.abc import Callable, Generator, Iterator
from datetime import UTC, datetime
from functools import lru_cache
from pathlib import Path
from types import TracebackType
from typing import Annotated, BinaryIO, Final, Self

import msgspec
from blake3 import blake3
from msgspec import UNSET, Meta, Struct, UnsetType

from verifier.errors import ManifestRefused, OutputFailed, PlaceUnreachable
from verifier.model import SEGMENT, Kind, Sighting, Trouble, named, printable
from verifier.output import failures_named, whole_file

SCHEMA: Final = "verifier.manifest.v1"
DIGEST: Final = "blake3"
FINGERPRINT: Final = "xxh3_128"

_CHUNK: Final = 1024 * 1024
"""Bytes read at a time: large enough that the cost of a call does not show."""

_LONGEST_LINE: Final = 64 * 1024 * 1024
"""Bytes in a line and the one before: the fingerprints of a file of 120 TB fit.  Bounds memory."""

_BATCH: Final = 1024
"""Sightings and fingerprints that are encoded at a time."""

_LARGEST_SIZE: Final = 2**63 - 1
"""No file system and no database column holds more."""

_FILE: Final = Kind.FILE
"""Looked up once: asking the enumeration takes as long as the rest of a test."""

_GZIP_MAGIC: Final = b"\x1f\x8b"
_GZIP_WBITS: Final = 31
"""zlib's number for a gzip member with the largest window."""
_GZIP_LEVEL: Final = 3
"""Twice as fast as the usual 6, for a manifest 7 % larger: half of it is hex that never packs."""

_OPENING: Final = b'{"schema":"verifier.manifest.'
_CLOSING: Final = b'{"entries":'
_SCHEMA_FORM: Final = re.compile(rb'\{"schema":"verifier\.manifest\.v([0-9]{1,9})"')
_UTC_FORM: Final = re.compile(r"[0-9]{4}-[0-9]{2}-[0-9]{2}T[0-9]{2}:[0-9]{2}:[0-9]{2}\+00:00")
_BAD_COMPONENT: Final = re.compile(rb"/\.{0,2}/")
"""An empty, ``.`` or ``..`` component of a path that has a slash at both ends."""

_DO_NOT_RELY: Final = "Do not rely on it: fetch an unchanged copy of it, or build it again."
_NAME_ANOTHER: Final = "Name a file that `verifier manifest` wrote."
_INSTALL_NEWER: Final = "Install that version to read it."


class Header(Struct, frozen=True, forbid_unknown_fields=True):
    """The first line.  ``started`` and ``ended`` are RFC 3339 with offset, ``segment`` bytes."""

    schema: str
    place: str
    started: str
    ended: str
    ignore: tuple[str, ...]
    digest: str
    fingerprint: str
    segment: int


_Hex32 = Annotated[str, Meta(min_length=32, max_length=32)]
_Hex64 = Annotated[str, Meta(min_length=64, max_length=64)]


class _Line(Struct, kw_only=True, forbid_unknown_fields=True, gc=False):
    """A sighting as it stands in the file, its keys in the file's order."""

    path: str
    path_b64: str | UnsetType = UNSET
    kind: Kind
    size: Annotated[int, Meta(ge=0, le=_LARGEST_SIZE)]
    mtime_ns: int
    blake3: _Hex64 | UnsetType = UNSET
    xxh3_128: Annotated[list[_Hex32], Meta(min_length=1)] | UnsetType = UNSET
    target: str | UnsetType = UNSET
    target_b64: str | UnsetType = UNSET
    read_at: str | UnsetType = UNSET
    trouble: str | UnsetType = UNSET


class _Trailer(Struct, forbid_unknown_fields=True):
    """The closing line."""

    entries: int
    bytes: int
    blake3: str


class _LineError(Exception):
    """Why a line cannot be believed; becomes a ManifestRefused once the line is known."""


_encoder: Final = msgspec.json.Encoder()
_line_decoder: Final = msgspec.json.Decoder(_Line)
_header_decoder: Final = msgspec.json.Decoder(Header)
_trailer_decoder: Final = msgspec.json.Decoder(_Trailer)


def looks_like_manifest(path: Path) -> bool:
    """True when ``path`` is a regular file that begins like a manifest, of any version.

    A file that cannot be opened does not look like one.
    """
    try:
        if not stat.S_ISREG(os.stat(path).st_mode):
            return False
        with open(path, "rb") as file:
            start = file.read(4096)
    except OSError:
        return False
    if start.startswith(_GZIP_MAGIC):
        try:
            start = zlib.decompressobj(_GZIP_WBITS).decompress(start, len(_OPENING))
        except zlib.error:
            return False
    return start.startswith(_OPENING)


class ManifestWriter:
    """Writes the manifest of one tree to ``path``, whole or not at all.

    A context manager.  Sightings go to a hidden file in the same folder, which takes the place of
    ``path`` when the block ends without an exception, and is removed when it does not.  ``now``
    gives the seconds since 1970.  A name that ends in ``.gz`` is compressed.  ``entries`` and
    ``bytes`` count what was added, once the block has ended.

    Raises:
        OutputFailed: the file cannot be written.
        ValueError: a sighting does not come after the one before, or is one that no reader would
            accept, which may show some sightings later.
    """

    def __init__(
        self, path: Path, place: str, ignore: tuple[str, ...], now: Callable[[], float]
    ) -> None:
        self.entries = 0
        self.bytes = 0
        self._path = path
        self._place = _without_surrogates(place)
        self._ignore = tuple(map(_without_surrogates, ignore))
        self._now = now
        self._started = ""
        self._output = whole_file(path)
        self._file: BinaryIO | None = None
        self._failure: OutputFailed | None = None
        compressed = path.name.endswith(".gz")
        self._packer = zlib.compressobj(_GZIP_LEVEL, wbits=_GZIP_WBITS) if compressed else None
        self._last = b""
        self._waiting: list[Sighting] = []
        self._weight = 0

    def __enter__(self) -> Self:
        self._started = _utc(int(self._now()))
        self._file = self._output.__enter__()
        try:
            self._write(self._header(ended=self._started))
        except BaseException:
            self._output.__exit__(*sys.exc_info())
            raise
        return self

    def add(self, sighting: Sighting) -> None:
        """Adds ``sighting``, whose path must come after that of the one before, in bytes."""
        path = sighting.path
        if path <= self._last:
            raise ValueError(f"{printable(path)} does not come after {printable(self._last)}")
        self._last = path
        self._waiting.append(sighting)
        self._weight += 1 + len(sighting.fingerprints)
        if self._weight >= _BATCH:
            self._write_waiting()

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        if kind is None:
            try:
                self._seal()
            except BaseException:
                self._output.__exit__(*sys.exc_info())
                raise
        self._output.__exit__(kind, error, trace)

    def _header(self, ended: str) -> bytes:
        """The header as it stands on disk; its length does not depend on ``ended``."""
        header = Header(
            SCHEMA,
            self._place,
            self._started,
            ended,
            self._ignore,
            DIGEST,
            FINGERPRINT,
            SEGMENT,
        )
        line = _encoder.encode(header) + b"\n"
        return line if self._packer is None else zlib.compress(line, 0, wbits=_GZIP_WBITS)

    def _write_waiting(self) -> None:
        if not self._waiting:
            return
        if not _all_sound([sighting.path for sighting in self._waiting]):
            raise ValueError(
                "; ".join(filter(None, (_path_fault(sighting.path) for sighting in self._waiting)))
            )
        lines = _encoder.encode_lines([_line(sighting) for sighting in self._waiting])
        self.entries += len(self._waiting)
        self.bytes += _bytes_of_files(self._waiting)
        self._waiting.clear()
        self._weight = 0
        self._write(lines if self._packer is None else self._packer.compress(lines))

    def _seal(self) -> None:
        """Fills in the header, adds the closing line and lets the file take its place."""
        self._write_waiting()
        if self._packer is not None:
            self._write(self._packer.flush())
        file = self._file
        assert file is not None
        if self._failure is not None:
            raise self._failure
        with failures_named(self._path):
            file.seek(0)
            file.write(self._header(ended=_utc(int(self._now()))))
            file.seek(0)
            digest = blake3()
            for chunk in _chunks(file):
                digest.update(chunk)
            file.seek(0, os.SEEK_END)
        trailer = _trailer(self.entries, self.bytes, digest.hexdigest())
        self._write(trailer if self._packer is None else zlib.compress(trailer, wbits=_GZIP_WBITS))

    def _write(self, content: bytes) -> None:
        if self._failure is not None:
            raise self._failure  # a caller who goes on regardless must not seal half a manifest
        assert self._file is not None
        try:
            with failures_named(self._path):
                self._file.write(content)
        except OutputFailed as failure:
            self._failure = failure
            raise


class ManifestReader:
    """Reads the manifest at ``path``.

    The header is read, and refused when it is wrong, at once.  Iterating yields the sightings in
    order, as often as wanted; what it yielded may be believed only once it has ended without an
    error, since the digest stands in the last line.  ``entries`` and ``bytes`` are set by then.

    Raises:
        ManifestRefused: the manifest cannot be believed.
        PlaceUnreachable: there is no file, or it cannot be opened or read.
    """

    def __init__(self, path: Path) -> None:
        self.entries = 0
        self.bytes = 0
        self._path = path
        first = b""
        _refuse_to_read_what_is_no_file(path)
        with _reading_failures_named(path), contextlib.closing(_contents(path)) as chunks:
            try:
                for chunk in chunks:
                    first += chunk
                    if not first.startswith(_OPENING[: len(first)]):
                        break
                    if b"\n" in chunk or len(first) > _LONGEST_LINE:
                        break
            except zlib.error as error:
                raise _refused(path, 1, _gzip_fault(error)) from error
        self._first = first[: first.find(b"\n") + 1] or first
        self.header = _header(path, self._first)

    def __iter__(self) -> Iterator[Sighting]:
        """Yields the sightings in the order of their paths' bytes."""
        body = _Body(self._path, self._first)
        digest = blake3()
        held = b""
        with _reading_failures_named(self._path):
            try:
                for chunk in _contents(self._path):
                    held += chunk
                    # The last whole line is held back: it may be the closing line.
                    cut = held.rfind(b"\n", 0, max(held.rfind(b"\n"), 0)) + 1
                    if cut:
                        block, held = held[:cut], held[cut:]
                        digest.update(block)
                        yield from body.sightings(block)
                    if len(held) > _LONGEST_LINE:
                        raise body.refusal_after(held, "the line is too long")
            except zlib.error as error:
                raise body.refusal_after(held, _gzip_fault(error)) from error
        yield from body.last_sightings(held)
        body.close(held, digest.hexdigest())
        self.entries, self.bytes = body.entries, body.bytes


class _Body:
    """What has been read of a manifest, and the checks that span lines."""

    def __init__(self, path: Path, header: bytes) -> None:
        self.line = 0
        self.entries = 0
        self.bytes = 0
        self._path = path
        self._header = header
        self._last = b""

    def sightings(self, block: bytes) -> Iterator[Sighting]:
        """Yields the sightings of whole lines, the header's left out."""
        if self.line == 0:
            if not block.startswith(self._header):
                raise _refused(self._path, 1, "it was changed while it was in use")
            self.line = 1
            block = block[len(self._header) :]
        try:
            found = _all_sightings(block, self._last)
        except (ValueError, msgspec.MsgspecError, _LineError):
            yield from self._one_by_one(block)
            return
        if found:
            self._last = found[-1].path
            self.line += len(found)
            self.entries += len(found)
            self.bytes += _bytes_of_files(found)
        yield from found

    def _one_by_one(self, block: bytes) -> Iterator[Sighting]:
        """The same, slowly, to find which line it is that cannot be believed."""
        for line in _split(block):
            self.line += 1
            try:
                sighting = _one_sighting(line, self._last)
            except _LineError as fault:
                raise _refused(self._path, self.line, str(fault)) from None
            self._last = sighting.path
            self.entries += 1
            self.bytes += _bytes_of_files([sighting])
            yield sighting

    def refusal_after(self, held: bytes, reason: str) -> ManifestRefused:
        """A refusal of the line that follows the whole ones in ``held``."""
        return _refused(self._path, self.line + held.count(b"\n") + 1, reason)

    def last_sightings(self, held: bytes) -> Iterator[Sighting]:
        """Yields the sightings in what remains of a manifest that lacks its closing line."""
        if held.endswith(b"\n") and held.startswith(_CLOSING):
            return
        whole = held[: held.rfind(b"\n") + 1]
        if whole:
            yield from self.sightings(whole)

    def close(self, held: bytes, digest: str) -> None:
        """Checks the closing line against what was read."""
        line = self.line + 1
        if not held.endswith(b"\n"):
            raise _refused(self._path, line, "it is cut short in the middle of this line")
        if not held.startswith(_CLOSING):
            raise _refused(self._path, line, "it is cut short: the closing line is missing")
        try:
            trailer = _trailer_decoder.decode(held)
        except (msgspec.MsgspecError, UnicodeDecodeError):
            raise _refused(self._path, line, "the closing line was edited") from None
        if trailer.entries != self.entries:
            reason = f"it states {trailer.entries} entries, but {self.entries} are listed"
        elif trailer.bytes != self.bytes:
            reason = f"it states {trailer.bytes} bytes, but the files listed have {self.bytes}"
        elif trailer.blake3 != digest:
            reason = "the lines before it do not have the digest that it states; they were edited"
        elif held != _trailer(self.entries, self.bytes, digest):
            reason = "the closing line was edited"
        else:
            return
        raise _refused(self._path, line, reason)


def _header(path: Path, line: bytes) -> Header:
    """The header in ``line``; refuses any that this version cannot read."""
    if not line:
        raise _refused(path, 1, "the file is empty", _NAME_ANOTHER)
    if not line.startswith(_OPENING[: len(line)]):
        raise _refused(path, 1, "it is not a manifest", _NAME_ANOTHER)
    if not line.endswith(b"\n"):
        raise _refused(path, 1, "it is cut short in the middle of the header")
    schema = _SCHEMA_FORM.match(line)
    if schema and int(schema[1]) > 1:
        reason = (
            f"a newer version of verifier wrote it (schema verifier.manifest.v{int(schema[1])})"
        )
        raise _refused(path, 1, reason, _INSTALL_NEWER)
    try:
        header = _header_decoder.decode(line)
        for moment in (header.started, header.ended):
            msgspec.convert(moment, Annotated[datetime, Meta(tz=True)])
    except (msgspec.MsgspecError, UnicodeDecodeError) as error:
        raise _refused(path, 1, f"the header was edited ({error})") from None
    stated = (header.schema, header.digest, header.fingerprint, header.segment)
    if stated != (SCHEMA, DIGEST, FINGERPRINT, SEGMENT):
        reason = "the header names a schema, digest, fingerprint or segment that is not known"
        raise _refused(path, 1, reason)
    return header


def _all_sightings(block: bytes, last: bytes) -> list[Sighting]:
    """The sightings in whole lines that come after path ``last``; fails when any line is wrong.

    Whatever can be tested of all lines in one call is: this is where a comparison spends its time.
    """
    lines = _line_decoder.decode_lines(block)
    if len(lines) != block.count(b"\n"):
        raise _LineError
    found = [_sighting(line) for line in lines]
    if not found:
        return found
    paths = [sighting.path for sighting in found]
    in_order = map(operator.lt, paths, itertools.islice(paths, 1, None))
    if not (last < paths[0] and all(in_order) and _all_sound(paths)):
        raise _LineError
    return found


def _one_sighting(line: bytes, last: bytes) -> Sighting:
    """The sighting in ``line``, or a _LineError that says what is wrong with it."""
    if line.startswith(_CLOSING):
        raise _LineError("the closing line stands here, but more follows it")
    if not line.endswith(b"}\n"):
        raise _LineError("it is not one whole JSON object")
    try:
        sighting = _sighting(_line_decoder.decode(line))
    except (msgspec.MsgspecError, ValueError) as error:
        raise _LineError(f"it is no sighting ({error})") from None
    fault = _path_fault(sighting.path)
    if fault:
        raise _LineError(fault)
    if sighting.path == last:
        raise _LineError("the path of the line before stands here again")
    if sighting.path < last:
        raise _LineError("the path is not in order: it belongs before the line above")
    return sighting


def _all_sound(paths: list[bytes]) -> bool:
    """False when one of ``paths``, of which there must be any, has a ``_path_fault``."""
    fenced = b"/" + b"/".join(paths) + b"/"
    return b"\0" not in fenced and not _BAD_COMPONENT.search(fenced)


def _path_fault(path: bytes) -> str | None:
    if _all_sound([path]):
        return None
    if path.startswith(b"/"):
        return f"the path {printable(path)} is absolute"
    if b"\0" in path:
        return f"the path {printable(path)} holds a zero byte"
    return f"the path '{printable(path)}' is empty, or a part of it is empty, '.' or '..'"


def _shape_fault(sighting: Sighting) -> str | None:
    """What is wrong with a sighting whose values are each sound, but do not go together."""
    if sighting.kind is not _FILE and (sighting.digest is not None or sighting.fingerprints):
        return "only a file has a digest and fingerprints"
    if sighting.kind is not Kind.LINK and sighting.target is not None:
        return "only a link has a target"
    if sighting.fingerprints and (
        sighting.size <= SEGMENT or len(sighting.fingerprints) != -(-sighting.size // SEGMENT)
    ):
        return "the number of fingerprints does not fit the size"
    return None


def _bytes_of_files(sightings: list[Sighting]) -> int:
    return sum([sighting.size for sighting in sightings if sighting.kind is _FILE])


def _sighting(line: _Line) -> Sighting:
    """The sighting that ``line`` states, its path not yet checked, or a _LineError."""
    sighting = Sighting(
        line.path.encode() if line.path_b64 is UNSET else _original(line.path, line.path_b64),
        line.kind,
        line.size,
        line.mtime_ns,
        0,
        0,
        0,
        1,
        None if line.blake3 is UNSET else unhexlify(line.blake3),
        () if line.xxh3_128 is UNSET else tuple([unhexlify(each) for each in line.xxh3_128]),
        None if line.target is UNSET else _original(line.target, line.target_b64),
        None if line.read_at is UNSET else _seconds(line.read_at),
        None if line.trouble is UNSET else Trouble.parse(line.trouble),
    )
    if line.kind is not _FILE or line.xxh3_128 is not UNSET or line.target is not UNSET:
        fault = _shape_fault(sighting)
        if fault:
            raise _LineError(fault)
    if line.target_b64 is not UNSET and line.target is UNSET:
        raise _LineError("it has target_b64 without target")
    return sighting


def _line(sighting: Sighting) -> _Line:
    """The reverse of ``_sighting``."""
    digest, read_at = sighting.digest, sighting.read_at
    path, path_b64 = _written(sighting.path)
    line = _Line(
        path=path,
        kind=sighting.kind,
        size=sighting.size,
        mtime_ns=sighting.mtime_ns,
        blake3=UNSET if digest is None else digest.hex(),
        read_at=UNSET if read_at is None else _utc(read_at),
    )
    if path_b64 is not None:
        line.path_b64 = path_b64
    if sighting.trouble is not None:
        line.trouble = _without_surrogates(str(sighting.trouble))
    if sighting.kind is not _FILE or sighting.fingerprints or sighting.target is not None:
        fault = _shape_fault(sighting)
        if fault:
            raise ValueError(f"{printable(sighting.path)}: {fault}")
        if sighting.fingerprints:
            line.xxh3_128 = [each.hex() for each in sighting.fingerprints]
        if sighting.target is not None:
            line.target, target_b64 = _written(sighting.target)
            line.target_b64 = UNSET if target_b64 is None else target_b64
    return line


def _written(name: bytes) -> tuple[str, str | None]:
    """What ``named`` gives, without its call for the names that nearly all are."""
    try:
        return name.decode(), None
    except UnicodeDecodeError:
        return named(name)


def _original(text: str, in_base64: str | UnsetType) -> bytes:
    """The bytes of a name, which base64 must give exactly when, and as, they would be written."""
    if in_base64 is UNSET:
        return text.encode()
    try:
        name = base64.b64decode(in_base64, validate=True)
    except ValueError:
        raise _LineError("base64 of a name is broken") from None
    if named(name) != (text, in_base64):
        raise _LineError("a name and its base64 do not agree")
    return name


# Files that stand together were mostly read together: a few seconds serve thousands of lines.
@lru_cache(maxsize=4096)
def _utc(seconds: int) -> str:
    """RFC 3339 in UTC, always 25 characters."""
    if seconds < 0:
        raise ValueError(f"{seconds} is before 1970")
    return datetime.fromtimestamp(seconds, UTC).isoformat()


@lru_cache(maxsize=4096)
def _seconds(text: str) -> int:
    """The reverse of ``_utc``."""
    try:
        if _UTC_FORM.fullmatch(text):
            seconds = int(datetime.fromisoformat(text).timestamp())
            if seconds >= 0:
                return seconds
    except ValueError:
        pass
    raise _LineError("read_at is not a time in UTC, to the second, since 1970")


def _trailer(entries: int, size: int, digest: str) -> bytes:
    return _encoder.encode(_Trailer(entries, size, digest)) + b"\n"


def _contents(path: Path) -> Generator[bytes, None, None]:
    """Yields the bytes of a manifest, decompressed, in chunks of bounded size.

    Raises:
        zlib.error: the gzip file is cut short or damaged.
    """
    with open(path, "rb") as file:
        yield from _chunks(file)


def _chunks(file: BinaryIO) -> Iterator[bytes]:
    """As `_contents`, of an open file from where it stands."""
    chunk = file.read(_CHUNK)
    if chunk.startswith(_GZIP_MAGIC):
        yield from _unpacked(chunk, file)
        return
    while chunk:
        yield chunk
        chunk = file.read(_CHUNK)


def _unpacked(packed: bytes, file: BinaryIO) -> Iterator[bytes]:
    """Yields what gzip members hold that begin with ``packed`` and go on in ``file``."""
    while packed:
        member = zlib.decompressobj(_GZIP_WBITS)
        while not member.eof:
            if not packed:
                raise zlib.error("it ends too early")
            yield member.decompress(packed, _CHUNK)
            packed = member.unconsumed_tail or (b"" if member.eof else file.read(_CHUNK))
        packed = member.unused_data or file.read(_CHUNK)


def _gzip_fault(error: zlib.error) -> str:
    return f"the compressed file is cut short or damaged ({error})"


def _refuse_to_read_what_is_no_file(path: Path) -> None:
    """A pipe would block, and could not be read a second time."""
    with _reading_failures_named(path):
        mode = os.stat(path).st_mode
    if not stat.S_ISREG(mode):
        raise PlaceUnreachable(f"{_shown(path)} is no regular file. {_NAME_ANOTHER}")


@contextlib.contextmanager
def _reading_failures_named(path: Path) -> Iterator[None]:
    try:
        yield
    except OSError as error:
        reason = (error.strerror or str(error)).lower()
        raise PlaceUnreachable(
            f"The manifest {_shown(path)} cannot be read: {reason}. "
            "Check its name and that you may read it."
        ) from error


def _refused(path: Path, line: int, reason: str, advice: str = _DO_NOT_RELY) -> ManifestRefused:
    return ManifestRefused(_shown(path), line, reason, advice)


def _shown(path: Path) -> str:
    return printable(os.fsencode(path))


def _without_surrogates(text: str) -> str:
    """``text`` with the bad bytes escaped that the system's names bring in, as JSON has none."""
    return text.encode("utf-8", "backslashreplace").decode()


def _split(block: bytes) -> list[bytes]:
    return [line + b"\n" for line in block.split(b"\n")[:-1]]
