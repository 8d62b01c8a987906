"""What the two ends of a link say to each other: frames of a length and a MessagePack value.

The far end speaks first: a line of text that names its version, which stays readable whatever
becomes of the rest.  Then this machine asks, one question at a time, and each is answered by any
number of values and by `Done`, `Failed`, `Gone`, `Broke` or `Refused` as the last.  Nothing here
opens anything.
"""

from __future__ import annotations

from enum import StrEnum
from typing import Final

from msgspec import DecodeError, Struct, msgpack

from verifier.model import How, Kind, Sighting, Trouble
from verifier.places.base import Identity, Look, Writing

GREETING: Final = b"\0verifier far-end "
"""How the far end's first line begins.  What a login writes before it is passed over: the zero
byte is in no text."""

LONGEST_FRAME: Final = 64 * 1024 * 1024
"""Bytes of the longest frame that either end takes; only paths of absurd length come near it."""

FRAME_OF: Final = 256 * 1024
"""Bytes after which a frame of many values is sent, so that neither end holds much."""

LONGEST_RANGE: Final = 4 * 1024 * 1024
"""Bytes of a file that one question can ask for."""

_LENGTH: Final = 4

WINDOW: Final = 32 * 1024 * 1024
"""Bytes that a far end reads ahead of being allowed more: enough for 1 GB/s over 30 ms."""

_WINDOW_SECONDS: Final = 0.05
_SMALLEST_WINDOW: Final = 64 * 1024


def window_for(bytes_per_second: float | None) -> int:
    """Bytes that a far end may read before this machine has allowed any: little where a pace is
    set, so that it holds for all places together."""
    if bytes_per_second is None:
        return WINDOW
    return max(_SMALLEST_WINDOW, min(WINDOW, int(bytes_per_second * _WINDOW_SECONDS)))


class Terms(Struct, frozen=True):
    """What a far end keeps to: as `verifier.engine.Terms`, its bell in seconds from now on.

    The clocks of two machines differ; how long something lasts is the same on both.
    """

    bell_in: float | None = None
    outlives_bell: bool = False
    bytes_per_second: float | None = None
    give_way: bool = False
    yield_above: float | None = None


# ------------------------------------------------------------------------------- this machine's


class _Question(Struct, frozen=True, tag=True):
    """Something that the far end answers."""


class Open(_Question, frozen=True):
    """Serve the folder at ``root`` from now on.  The first question."""

    root: bytes


class Check(_Question, frozen=True):
    """Is the root still there, and the one it was?"""


class Walk(_Question, frozen=True):
    """The whole tree, sorted, without what the patterns leave out; only what comes behind
    ``after``.  ``only`` is the one folder that is wanted, with a slash at its end."""

    sets: tuple[tuple[str, ...], ...]
    only: bytes | None
    after: bytes | None
    terms: Terms


class ListFolder(_Question, frozen=True):
    """The names in one folder, with sizes and dates if ``dated``."""

    folder: bytes
    dated: bool


class LookAt(_Question, frozen=True):
    """A sighting for each path; ``not_files`` are the positions of those not to be opened."""

    paths: list[bytes]
    not_files: list[int]
    look: Look
    terms: Terms


class ReadAlone(_Question, frozen=True):
    """One file, its content read."""

    path: bytes
    look: Look
    terms: Terms


class ReadPiece(_Question, frozen=True):
    """One segment of a file."""

    path: bytes
    piece: int
    terms: Terms


class TryReading(_Question, frozen=True):
    """The start of a file, for at most so many seconds."""

    path: bytes
    length: int
    seconds: float
    terms: Terms


class OpenFile(_Question, frozen=True):
    """Have one file open, in place of the one before."""

    path: bytes


class ReadRange(_Question, frozen=True):
    """Bytes of the open file, at most `LONGEST_RANGE`."""

    offset: int
    length: int


class CloseFile(_Question, frozen=True):
    """No file need be open any more."""


class LeadsInto(_Question, frozen=True):
    """Does a link lead to a folder or below it?"""

    link: bytes
    target: bytes
    folder: bytes


class Tell(_Question, frozen=True):
    """How a folder is read there, what is free, whether it could be written."""

    folder: bytes


class Fill(_Question, frozen=True):
    """So many bytes that mean nothing, for at most so many seconds: how fast is the link?"""

    length: int
    seconds: float


class Allow(Struct, frozen=True, tag=True):
    """So many bytes more may be read.  Not answered; may come at any time."""

    count: int


class NewTerms(Struct, frozen=True, tag=True):
    """The bell is another one from now on; what is parked goes on once it is later.  Not answered;
    may come at any time."""

    terms: Terms


Question = (
    Open
    | Check
    | Walk
    | ListFolder
    | LookAt
    | ReadAlone
    | ReadPiece
    | TryReading
    | OpenFile
    | ReadRange
    | CloseFile
    | LeadsInto
    | Tell
    | Fill
)
FromHere = Question | Allow | NewTerms


# -------------------------------------------------------------------------------- the far end's


class _Value(Struct, frozen=True, tag=True):
    """A part of an answer."""


class Opened(_Value, frozen=True):
    """The root as it was found: which folder it is, and the far end's clock and user.

    None of it has a default: a far end that leaves something out is of another version, whatever
    number it gives, and a folder that it does not tell of would pass for one apart from others.
    """

    identity: Identity
    clock: float
    user: str


class Sightings(_Value, frozen=True):
    """Some sightings, in order, and bytes read since the last word of them."""

    found: list[Sighting]
    read: int = 0


class Names(_Value, frozen=True):
    """Some names of a folder."""

    names: list[tuple[bytes, Kind | None]]


class Dated(_Value, frozen=True):
    """Some names of a folder with sizes and dates."""

    names: list[tuple[bytes, Sighting | None]]


class Progress(_Value, frozen=True):
    """Bytes read since the last word of them."""

    read: int


class Parked(_Value, frozen=True):
    """The bell rang; nothing is open, and it waits for `NewTerms`."""


class Content(_Value, frozen=True):
    """Bytes of a file, or bytes that mean nothing."""

    content: bytes


class Size(_Value, frozen=True):
    """The size of the file that is open now."""

    size: int


class YesOrNo(_Value, frozen=True):
    """Yes or no."""

    yes: bool


class Told(_Value, frozen=True):
    """What `Tell` asked for."""

    how: How
    room: int | None
    writing: Writing


class Tried(_Value, frozen=True):
    """What was wrong with a file that was tried, None when nothing."""

    trouble: Trouble | None


class Done(_Value, frozen=True):
    """That was all; with ``rang`` because the bell rang."""

    read: int = 0
    rang: bool = False


class Failed(_Value, frozen=True):
    """The system gave an error."""

    number: int
    said: str


class Gone(_Value, frozen=True):
    """The place as a whole cannot be read any more, in a sentence."""

    sentence: str


class Broke(_Value, frozen=True):
    """The far end met something that it does not understand."""

    said: str


class Why(StrEnum):
    """Why a root is not served."""

    OUTSIDE = "outside"
    MISSING = "missing"
    NO_FOLDER = "no-folder"
    UNREADABLE = "unreadable"


class Refused(_Value, frozen=True):
    """The root is not served; ``said`` is the system's error where there is one."""

    why: Why
    said: str = ""


FromThere = (
    Opened
    | Sightings
    | Names
    | Dated
    | Progress
    | Parked
    | Content
    | Size
    | YesOrNo
    | Told
    | Tried
    | Done
    | Failed
    | Gone
    | Broke
    | Refused
)


# --------------------------------------------------------------------------------------- frames


class Garbled(Exception):
    """What came in is no frame: somebody else speaks, or a frame is longer than any may be."""


_encoder: Final = msgpack.Encoder()
_from_here: Final = msgpack.Decoder(FromHere)
_from_there: Final = msgpack.Decoder(FromThere)


def framed(value: FromHere | FromThere) -> bytes:
    """One value as it goes over the link."""
    encoded = _encoder.encode(value)
    if len(encoded) > LONGEST_FRAME:
        raise Garbled(f"a frame of {len(encoded):,} bytes, more than either end takes")
    return len(encoded).to_bytes(_LENGTH, "big") + encoded


class Frames:
    """Takes bytes as they come, and gives whole frames."""

    def __init__(self) -> None:
        self._come = bytearray()

    def add(self, more: bytes) -> None:
        """Some bytes that came in."""
        self._come += more

    def next(self) -> bytes | None:
        """The next frame's content; None until all of it is there.  Raises Garbled."""
        if len(self._come) < _LENGTH:
            return None
        length = int.from_bytes(self._come[:_LENGTH], "big")
        if length > LONGEST_FRAME:
            raise Garbled(f"a frame of {length:,} bytes was announced")
        if len(self._come) < _LENGTH + length:
            return None
        frame = bytes(self._come[_LENGTH : _LENGTH + length])
        del self._come[: _LENGTH + length]
        return frame

    def greeting(self) -> str | None:
        """The far end's version, once its first line is there; what came before is dropped."""
        start = self._come.find(GREETING)
        if start < 0:
            del self._come[: -len(GREETING)]
            return None
        end = self._come.find(b"\n", start)
        if end < 0:
            return None
        version = self._come[start + len(GREETING) : end].decode("ascii", "replace")
        del self._come[: end + 1]
        return version


def from_here(frame: bytes) -> FromHere:
    """What this machine said.  Raises Garbled."""
    try:
        heard: FromHere = _from_here.decode(frame)
    except (DecodeError, ValueError) as error:
        raise Garbled(str(error)) from error
    return heard


def from_there(frame: bytes) -> FromThere:
    """What the far end said.  Raises Garbled."""
    try:
        heard: FromThere = _from_there.decode(frame)
    except (DecodeError, ValueError) as error:
        raise Garbled(str(error)) from error
    return heard
