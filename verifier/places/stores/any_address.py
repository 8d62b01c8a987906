"""Stores behind any other address that fsspec knows.  Lists and reads; never writes.

What their libraries say may repeat what was sent to log in, so that it is never shown.
"""

from __future__ import annotations

import errno
import re
from collections.abc import Callable, Iterator, Mapping
from datetime import UTC, datetime
from typing import Any, Final, TypeVar

from verifier.errors import PlaceUnreachable
from verifier.places.addresses import Address
from verifier.places.stores.base import (
    Item,
    Patience,
    StoreFailed,
    cut_short,
    gone,
    replaced,
    without_packages,
)
from verifier.places.stores.word import Word

T = TypeVar("T")

PIECE: Final = 8 * 1024 * 1024
"""Bytes that are asked for at a time: each is a request of its own, held until it is hashed."""

_DATES: Final = ("LastModified", "last_modified", "mtime", "modified", "updated", "created")
_TAGS: Final = ("ETag", "etag", "md5Hash", "content_md5", "generation", "version_id")
"""Under which names libraries tell of a file's date, and of what changes with its content."""


class AnyStore:
    """The tree at one address.  Made anew in each process."""

    sorted = False
    below = ""

    def __init__(self, address: Address, at: str, patience: Patience) -> None:
        self._at = at
        self._patience = patience
        self._files, self._root = self._opened(address)

    def everything(self, below: str) -> Iterator[Item]:
        """Every file below, folder by folder."""
        folders = [below]
        while folders:
            folder = folders.pop()
            for name, item in self.folder(folder):
                if item is not None:
                    yield item
                elif name:
                    folders.append(f"{folder}{name}/")

    def folder(self, below: str) -> Iterator[tuple[str, Item | None]]:
        """Names in a folder.  What is neither a file nor a folder is passed over."""
        path = self._path(below.rstrip("/"))
        for told in self._ask(lambda: self._files.ls(path, detail=True)):
            name = str(told["name"]).rstrip("/").rpartition("/")[2]
            if str(told["name"]).rstrip("/") == path.rstrip("/"):
                continue  # some list the folder itself along with what is in it
            if told.get("type") == "directory":
                yield name, None
            elif told.get("type") == "file":
                key = f"{below}{name}"
                yield name, self.look(key) if told.get("size") is None else _item(key, told)

    def look(self, key: str) -> Item:
        """One file, by what its library tells of it."""
        told = self._ask(lambda: self._files.info(self._path(key)))
        if told.get("type") != "file" or told.get("size") is None:
            raise gone()
        return _item(key, told)

    def read(self, key: str, start: int, end: int | None, known: Item | None) -> _Pieces:
        """A file's bytes, piece by piece; a file that is replaced meanwhile is noticed at its
        end, since there is no way to ask for one version only."""
        item = self.look(key)
        if known is not None and item != known:
            raise replaced()
        return _Pieces(self, item, start, item.size if end is None else min(end, item.size))

    def reach(self, below: str) -> None:
        """See whether the tree is there; what time it is, nobody tells."""
        try:
            self._ask(lambda: self._files.info(self._path(below)))
        except StoreFailed as failed:
            if failed.errno == errno.ENOENT:
                raise PlaceUnreachable(
                    f"{self._at} is not there. Check the address, then start again."
                ) from None
            raise

    def piece(self, key: str, start: int, end: int) -> bytes:
        """A part of a file, asked for once."""
        found: bytes = _told(lambda: self._files.cat_file(self._path(key), start=start, end=end))
        if len(found) > end - start:
            raise StoreFailed(errno.ENOSYS, "Gives no parts of files")
        if len(found) < end - start:
            raise cut_short()
        return found

    def _path(self, key: str) -> str:
        return f"{self._root.rstrip('/')}/{key}" if key else self._root

    def _ask(self, request: Callable[[], T]) -> T:
        return self._patience.ask(lambda: _told(request))

    def _opened(self, address: Address) -> tuple[Any, str]:
        try:
            import fsspec
            from fsspec.core import url_to_fs
            from fsspec.registry import known_implementations
        except ImportError:
            raise without_packages(self._at) from None
        try:
            fsspec.get_filesystem_class(address.scheme)
        except ValueError:
            raise PlaceUnreachable(
                f"{self._at} cannot be read: {address.scheme}:// is no kind of address that is "
                "known here. Name a folder, ssh://host/path, s3://bucket/path, or an address that "
                "the Python package fsspec knows."
            ) from None
        except ImportError:
            how = str(known_implementations.get(address.scheme, {}).get("err", ""))
            named = sorted(set(_QUOTED.findall(how))) if "requires" in how else []
            advice = (
                f"Install what it needs with: pip install {' '.join(named)}"
                if named
                else how or "See the documentation of fsspec for its name"
            )
            raise PlaceUnreachable(
                f"{self._at} cannot be read: {address.scheme}:// needs a package of its own. "
                f"{advice.rstrip('.')}."
            ) from None
        files, root = self._patience.ask(
            lambda: _told(
                lambda: url_to_fs(str(address), skip_instance_cache=True, use_listings_cache=False)
            )
        )
        return files, str(root)


_QUOTED: Final = re.compile(r"[\"'`]([A-Za-z0-9_.-]+)[\"'`]")
"""How fsspec names the packages that a kind of address needs."""


class _Pieces:
    """A file's content, some MiB at a time."""

    word: Word | None = None

    def __init__(self, store: AnyStore, item: Item, start: int, end: int) -> None:
        self.item = item
        self._store = store
        self._at = start
        self._end = end
        self._piece = memoryview(b"")

    def fill(self, buffer: memoryview) -> int:
        if not self._piece and self._at < self._end:
            end = min(self._end, self._at + PIECE)
            piece = self._store.piece(self.item.key, self._at, end)
            if end == self._end and self._store.look(self.item.key) != self.item:
                raise replaced()
            self._piece, self._at = memoryview(piece), end
        count = min(len(buffer), len(self._piece))
        buffer[:count] = self._piece[:count]
        self._piece = self._piece[count:]
        return count

    def close(self) -> None:
        """Nothing is on its way between two pieces."""


def _told(request: Callable[[], T]) -> T:
    try:
        return request()
    except (StoreFailed, PlaceUnreachable):
        raise
    except FileNotFoundError:
        raise gone() from None
    except PermissionError:
        raise StoreFailed(errno.EACCES, "Permission denied") from None
    except (TimeoutError, ConnectionError):
        raise StoreFailed(errno.ETIMEDOUT, "No answer in time", again=True) from None
    except Exception as error:  # each library has its own
        raise StoreFailed(errno.EIO, f"Failed with {type(error).__name__}", again=True) from None


def _item(key: str, told: Mapping[str, Any]) -> Item:
    tags = [f"{name}={told[name]}" for name in _TAGS if told.get(name)]
    return Item(key, int(told["size"]), _date(told) * 1_000_000_000, " ".join(tags))


def _date(told: Mapping[str, Any]) -> int:
    """Seconds since 1970, 0 where none are told in a way that is understood."""
    found = next((told[name] for name in _DATES if told.get(name)), None)
    if isinstance(found, str):
        try:
            found = datetime.fromisoformat(found)
        except ValueError:
            return 0
    if isinstance(found, datetime):
        return int((found if found.tzinfo else found.replace(tzinfo=UTC)).timestamp())
    return int(found) if isinstance(found, int | float) else 0
