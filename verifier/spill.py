"""Sorting more values than memory should hold, through temporary files outside every share."""

from __future__ import annotations

import heapq
from collections.abc import Callable, Iterable, Iterator
from contextlib import suppress
from itertools import islice
from types import GenericAlias
from typing import IO, Any, Final, Generic, TypeVar

import msgspec

from verifier.errors import OutputFailed

T = TypeVar("T")

IN_MEMORY: Final = 50_000
"""Values held before a sorted run goes to disk: some 20 MB of sightings."""

FRAME: Final = 200
"""Values read back at a time from each run, so that hundreds of runs merge in little memory."""


class SortedSpill(Generic[T]):
    """Takes values in any order and gives them back sorted by ``key``, as often as asked.

    ``shape`` is the type of one value, which must be one that msgspec can encode.  Up to
    ``in_memory`` values never touch a disk.  Raises OutputFailed when the temporary folder is
    full or may not be written.
    """

    def __init__(self, shape: Any, key: Callable[[T], Any], in_memory: int = IN_MEMORY) -> None:
        self._shape = shape
        self._key = key
        self._in_memory = in_memory
        self._held: list[T] = []
        self._runs: list[tuple[int, int]] = []
        self._file: IO[bytes] | None = None
        self._count = 0

    def __len__(self) -> int:
        return self._count

    def add(self, value: T) -> None:
        """Keep one more value."""
        self._held.append(value)
        self._count += 1
        if len(self._held) >= self._in_memory:
            self._write_run()

    def extend(self, values: Iterable[T]) -> None:
        """Keep more values, in fewer calls."""
        remaining = iter(values)
        while more := list(islice(remaining, self._in_memory - len(self._held))):
            self._held += more
            self._count += len(more)
            if len(self._held) >= self._in_memory:
                self._write_run()

    def __iter__(self) -> Iterator[T]:
        self._held.sort(key=self._key)
        if not self._runs:
            return iter(self._held)
        runs = [self._read_run(start, end) for start, end in self._runs]
        return heapq.merge(*runs, self._held, key=self._key)

    def close(self) -> None:
        """Forget everything."""
        self._held = []
        self._runs = []
        if self._file is not None:
            with suppress(OSError):  # a full disk may refuse what is left; nobody wants it now
                self._file.close()
            self._file = None

    def _write_run(self) -> None:
        import tempfile  # most runs never spill, and need not wait for what this brings along

        self._held.sort(key=self._key)
        values = iter(self._held)
        encode = msgspec.msgpack.Encoder().encode
        try:
            if self._file is None:
                self._file = tempfile.TemporaryFile(prefix="verifier-")  # noqa: SIM115 (lives till close)
            start = self._file.seek(0, 2)
            while frame := list(islice(values, FRAME)):
                encoded = encode(frame)
                self._file.write(len(encoded).to_bytes(4, "little"))
                self._file.write(encoded)
            self._file.flush()
        except OSError as error:
            raise OutputFailed(
                f"The temporary folder {tempfile.gettempdir()} could not be written "
                f"({error.strerror}). Free some room there, or set TMPDIR to a folder that has "
                "room and is in no share, and start again."
            ) from error
        self._runs.append((start, self._file.tell()))
        self._held = []

    def _read_run(self, start: int, end: int) -> Iterator[T]:
        file = self._file
        assert file is not None
        decode = msgspec.msgpack.Decoder(GenericAlias(list, (self._shape,))).decode
        position = start
        while position < end:
            file.seek(position)
            length = int.from_bytes(file.read(4), "little")
            encoded = file.read(length)
            position = file.tell()
            yield from decode(encoded)
