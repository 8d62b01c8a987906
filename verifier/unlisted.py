"""What lies below folders that a walk could not list: neither there nor gone for all we know."""

from __future__ import annotations

from collections.abc import Iterable


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
        cut = path.rfind(b"/") if self._folders else -1
        while cut >= 0:
            if path[: cut + 1] in self._folders:
                return True
            cut = path.rfind(b"/", 0, cut)
        return False
