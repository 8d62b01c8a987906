"""The tables of the file, read key by key, each value checked by its form.

Every refusal names the file, the path of the key, what was found and what was expected.  A table
must never let an unknown key pass, nor know what a section means.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path
from typing import Final, TypeVar

from verifier.errors import SettingsRefused
from verifier.settings.forms import Form
from verifier.settings.quoting import (
    did_you_mean,
    name_of,
    nearest,
    quoted,
    quoted_address,
    quoted_text,
)

T = TypeVar("T")


class _Missing:
    """Stands for the default of a key that must be there."""


_REQUIRED: Final = _Missing()

KEYS: Final[Mapping[str, tuple[str, ...]]] = {
    "": ("studio", "hours", "pace", "engine", "share", "audit", "clearance", "notify"),
    "studio": ("name", "timezone", "ledger", "reports"),
    "hours": ("working", "days_off", "busy", "margin"),
    "hours.busy": ("from", "to", "working"),
    "pace": ("at_most", "yield_above"),
    "engine": ("kind", "scheduler"),
    "share": (
        "name",
        "source",
        "mirror",
        "mirror_runs",
        "mirror_takes",
        "ignore",
        "slack",
        "surge_above",
        "read_at_most",
    ),
    "share.mirror": ("name", "at", "off_site", "read_at_most"),
    "audit": ("nights", "every_byte_within"),
    "clearance": ("copies", "off_site", "read_within", "quiet_for"),
    "notify": (
        "to",
        "secrets",
        "heartbeat",
        "every_shift",
        "weekly",
        "nights",
        "attach_page",
        "wait_at_most",
    ),
}
"""The keys of each table, by the table's name."""


class Table:
    """One table of the file: hands out its values checked, and knows where each one stands."""

    def __init__(self, file: Path, kind: str, at: str, content: Mapping[str, object]) -> None:
        self.file = file
        self._kind = kind
        self._at = at
        self._content = content
        for key in content:
            if key not in KEYS[kind]:
                raise self._unknown(key)

    def __contains__(self, key: str) -> bool:
        return key in self._content

    def take(self, key: str, form: Form[T], default: T | _Missing = _REQUIRED) -> T:
        """The value of a key, or its default."""
        if key not in self._content:
            if isinstance(default, _Missing):
                raise self._refusal(f"{self._path(key)} is missing", form.expected)
            return default
        return self._read(self._path(key), self._content[key], form)

    def take_list(self, key: str, form: Form[T], default: Sequence[T] = ()) -> tuple[T, ...]:
        """The values of a key that holds a list, or the default."""
        if key not in self._content:
            return tuple(default)
        found = self._content[key]
        if not isinstance(found, list):
            raise self.refuse(key, f"a list, each {form.expected}")
        return tuple(
            self._read(f"{self._path(key)}[{number}]", each, form)
            for number, each in enumerate(found, 1)
        )

    def table(self, key: str) -> Table:
        """The table below a key; an empty one where there is none."""
        found = self._content.get(key, {})
        if not isinstance(found, dict):
            raise self.refuse(key, f"a table, [{self._path(key)}]")
        return Table(self.file, key, self._path(key), found)

    def tables(self, key: str) -> Iterator[Table]:
        """The tables of a list below a key, each called by its name where it has one."""
        found = self._content.get(key, [])
        kind = f"{self._kind}.{key}" if self._kind else key
        wanted = f"tables, each under [[{kind}]]" if key != "busy" else "a list of { ... }"
        if not isinstance(found, list) or not all(isinstance(each, dict) for each in found):
            raise self.refuse(key, wanted)
        for number, content in enumerate(found, 1):
            name = content.get("name")
            called = quoted_text(name) if isinstance(name, str) and name else str(number)
            yield Table(self.file, kind, f"{self._path(key)}[{called}]", content)

    def refuse(self, key: str, expected: str, reason: str = "") -> SettingsRefused:
        """The error that says what is wrong with the value of a key."""
        if key not in self._content:
            return self._refusal(f"{self._path(key)} is missing", expected, reason)
        found = self._quoted(self._content[key])
        return self._refusal(f"{self._path(key)} is {found}", expected, reason)

    def _read(self, at: str, found: object, form: Form[T]) -> T:
        try:
            return form.read(found)
        except ValueError as error:
            refusal = self._refusal(f"{at} is {self._quoted(found)}", form.expected, str(error))
            raise refusal from error

    def _quoted(self, value: object) -> str:
        """Addresses that are told may be secret from their first slash on."""
        return quoted_address(value) if self._kind == "notify" else quoted(value)

    def _path(self, key: str) -> str:
        shown = key if re.fullmatch(r"[A-Za-z0-9_-]+", key) else quoted_text(key)
        return f"{self._at}.{shown}" if self._at else shown

    def _refusal(self, what: str, expected: str, reason: str = "") -> SettingsRefused:
        because = f" ({reason})" if reason else ""
        return SettingsRefused(f"{name_of(self.file)}: {what}{because}, expected {expected}.")

    def _unknown(self, key: str) -> SettingsRefused:
        known = KEYS[self._kind]
        hint = did_you_mean(key, known)
        if not hint and (near := nearest(key, {each for keys in KEYS.values() for each in keys})):
            elsewhere = next(table for table, keys in KEYS.items() if near in keys)
            hint = f" (did you mean {'.'.join(filter(None, (elsewhere, near)))}?)"
        expected = f"one of {', '.join(known)}"
        return self._refusal(f"{self._path(key)} is an unknown key{hint}", expected)
