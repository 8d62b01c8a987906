"""What a refusal quotes: the value that was found, the file's name, the nearest known word.

It must never repeat a password, nor put a control character on a terminal.
"""

from __future__ import annotations

import os
from collections.abc import Iterable
from difflib import get_close_matches
from pathlib import Path
from typing import Final

from verifier.model import printable
from verifier.settings.secrets import shown_address, without_password


def did_you_mean(word: str, known: Iterable[str]) -> str:
    """The nearest known word in brackets, with a blank before it; empty where none is near."""
    near = nearest(word, known)
    return f" (did you mean {near}?)" if near else ""


def nearest(word: str, known: Iterable[str]) -> str | None:
    """The nearest known word, whatever its letters' case; None where none is near."""
    by_lower = {each.lower(): each for each in sorted(known)}
    near = get_close_matches(word.lower(), by_lower, 1)
    return by_lower[near[0]] if near else None


_SHOWN: Final = 80
"""Characters of a value that a sentence quotes."""


def quoted(value: object) -> str:
    """A value of the file as a sentence repeats it: short, printable, without passwords."""
    match value:
        case str():
            return quoted_text(without_password(value))
        case bool():
            return "true" if value else "false"
        case int() | float():
            return f"the number {value}"
        case list() if value and all(isinstance(each, str) for each in value):
            return f"[{', '.join(map(quoted, value))}]"
        case list():
            return "a list" if value else "an empty list"
        case dict():
            return "a table"
        case _:
            return str(value)


def quoted_address(value: object) -> str:
    """The same of a value where an address with a secret is expected."""
    match value:
        case str():
            return quoted_text(shown_address(value))
        case list() if value and all(isinstance(each, str) for each in value):
            return f"[{', '.join(map(quoted_address, value))}]"
        case _:
            return quoted(value)


def quoted_text(text: str) -> str:
    """A text that holds no secret, in quotation marks, cut and escaped where it must be."""
    cut = text if len(text) <= _SHOWN else text[:_SHOWN] + "…"
    return f'"{printable(cut.encode("utf-8", "surrogateescape"))}"'


def name_of(file: Path) -> str:
    """A file's name with control characters and bad bytes escaped."""
    return printable(os.fsencode(file))
