"""What lies below folders that a walk could not list: neither there nor gone for all we know."""

from __future__ import annotations

from collections.abc import Iterable

from verifier.model import folders_above


class Unlisted:
    """The folders of a place that could not be listed.  False when there are none."""

    def __init__(self, folders: Iterable[bytes] = ()) -> None:
        self._folders = {folder + b"/" for folder in folders}

    def __bool__(self) -> bool:
        return bool(self._folders)

    def add(self, folder: bytes) -> None:
        """One more, by its path without a slash at its end."""
        self._folders.add(folder + b"/")

    def hides(self, path: bytes) -> bool:
        """True when ``path`` lies below one of them, at any depth."""
        return bool(self._folders) and not self._folders.isdisjoint(folders_above(path))
