"""Which paths a person wants left out, by patterns in gitwildmatch style.

A folder that a pattern leaves out takes everything below it along, as in the style's own
definition (gitignore(5)).
"""

from __future__ import annotations

import re
import warnings
from collections.abc import Iterable, Sequence
from functools import lru_cache
from typing import TYPE_CHECKING

from verifier.errors import RequestRefused
from verifier.model import printable

if TYPE_CHECKING:
    from pathspec import GitIgnoreSpec
    from pathspec.pattern import Pattern

_FOLDERS_REMEMBERED = 4096


class Ignore:
    """One or more sets of patterns; a path is ignored when any set ignores it.

    Raises RequestRefused for a pattern that means nothing.
    """

    def __init__(self, *sets: Sequence[str]) -> None:
        self.sets = tuple(tuple(patterns) for patterns in sets if any(patterns))
        """The patterns, to be told to somebody else who is to leave out the same."""
        self._specs = [_spec(patterns) for patterns in sets if any(patterns)]
        self._folder_patterns = [
            list(zip(filter(None, patterns), spec.patterns, strict=True))
            for patterns, spec in zip(filter(any, sets), self._specs, strict=True)
        ]
        self._any = bool(self._specs)
        self.ignores_folder = lru_cache(_FOLDERS_REMEMBERED)(self._ignores_folder)

    def __bool__(self) -> bool:
        return self._any

    def ignores(self, path: bytes) -> bool:
        """Whether a file, link or other at ``path`` is left out by its own name or folder's."""
        name = _text(path)
        return any(spec.match_file(name) for spec in self._specs)

    def ignores_at_or_above(self, path: bytes) -> bool:
        """As `ignores`, for a path that was not reached by walking down from the root."""
        slash = path.find(b"/")
        while slash >= 0:
            if self.ignores_folder(path[:slash]):
                return True
            slash = path.find(b"/", slash + 1)
        return self.ignores(path)

    def _ignores_folder(self, path: bytes) -> bool:
        name = _text(path)
        return any(_leaves_out_folder(patterns, name) for patterns in self._folder_patterns)


class Only(Ignore):
    """Leaves out all that is neither in one folder nor on the way to it, and what patterns do.

    ``folder`` ends in a slash.
    """

    def __init__(self, folder: bytes, *sets: Sequence[str]) -> None:
        super().__init__(*sets)
        self.folder = folder

    def __bool__(self) -> bool:
        return True

    def ignores(self, path: bytes) -> bool:
        """Whether a file, link or other is left out."""
        return not path.startswith(self.folder) or super().ignores(path)

    def _ignores_folder(self, path: bytes) -> bool:
        inside = path + b"/"
        if not inside.startswith(self.folder) and not self.folder.startswith(inside):
            return True
        return super()._ignores_folder(path)


def means(pattern: str) -> bool | None:
    """True for a pattern that leaves paths out, False for one that takes them back in.

    None for one that means neither, such as a remark or a lone bracket.  Raises RequestRefused
    for one that cannot be understood.
    """
    (found,) = _spec([pattern]).patterns or (None,)
    return None if found is None else found.include


def refuse_idle(patterns: Sequence[str]) -> None:
    """Raises RequestRefused for patterns of a command line that leave nothing out.

    The style takes a remark or a lone bracket without a word; who gives one means a name.
    """
    leaves_out = False
    for pattern in patterns:
        takes = means(pattern)
        if takes is None:
            raise RequestRefused(
                f'The ignore pattern "{printable(pattern.encode(errors="surrogateescape"))}" '
                "leaves nothing out: in gitwildmatch style it is a remark, or no name. Put a "
                "backslash before a first # or !, and before a bracket that is one."
            )
        leaves_out = leaves_out or takes
    if patterns and not leaves_out:
        raise RequestRefused(
            "The ignore patterns leave nothing out: one that begins with ! takes back what one "
            "before it left out. Put a backslash before a ! that begins a name."
        )


def _text(path: bytes) -> str:
    """The path as the patterns see it: their ``$`` would let a newline at the end pass."""
    return path.decode("utf-8", "surrogateescape").replace("\n", "\ufdd0")


def _leaves_out_folder(patterns: Iterable[tuple[str, Pattern]], name: str) -> bool:
    """Whether the last pattern that matches the folder itself leaves it out.

    A pattern that ends in ``/**`` matches what is in a folder, not the folder; others are told
    by a slash that it is one.
    """
    left_out = False
    for line, pattern in patterns:
        seen_as = name if line.rstrip().endswith("/**") else name + "/"
        if pattern.include is not None and pattern.match_file(seen_as) is not None:
            left_out = pattern.include
    return left_out


def _spec(patterns: Iterable[str]) -> GitIgnoreSpec:
    # Imported here, because most runs have no pattern and need not pay for it.
    from pathspec import GitIgnoreSpec

    lines = [line for line in patterns if line]
    for line in lines:
        if not line.strip():
            raise RequestRefused(
                "An ignore pattern is only blanks. Give a pattern such as '.DS_Store' or 'cache/'."
            )
    try:
        with warnings.catch_warnings():
            # A bracket in brackets is itself, as in "[[]"; Python warns that it may not stay so.
            warnings.simplefilter("ignore", FutureWarning)
            return GitIgnoreSpec.from_lines(lines)
    except (ValueError, re.error) as error:
        raise RequestRefused(
            f"An ignore pattern cannot be understood ({error}). Patterns are in gitwildmatch "
            "style, such as '.DS_Store', '*.tmp' or 'cache/'."
        ) from error
