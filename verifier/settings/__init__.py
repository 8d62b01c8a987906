"""The settings file, checked into frozen values before anything relies on them.

Every mistake is a `SettingsRefused` whose one sentence names the file, the key, what was found and
what was expected.  Nothing here opens a share or reads a clock, and no secret is kept: a
``${VARIABLE}`` stays as it is written until it is used.  Where a tree is stands in
`verifier.places.addresses`.

Callers import from here.  Inside, a module knows only those that stand below it::

    file                found, decoded, made into settings
    sections            one function a section, and the contradictions between them
    where      table    where the file is;   tables read key by key
    values     forms    frozen values;       what a key may hold
    words               amounts
    quoting             what a refusal quotes
    secrets             ``${VARIABLE}``s, and what is never repeated
"""

from __future__ import annotations

from verifier.places.addresses import Address, AddressKind, parse_address
from verifier.settings.file import load, parse
from verifier.settings.secrets import (
    check_notify_address,
    label_of,
    secrets_of,
    with_secrets,
)
from verifier.settings.values import (
    Audit,
    Clearance,
    Engine,
    Mirror,
    Notify,
    Pace,
    Settings,
    Share,
    Studio,
)
from verifier.settings.where import ENVIRONMENT_KEY, default_files, find
from verifier.settings.words import (
    EngineKind,
    Period,
    Rate,
    duration_in_words,
    parse_duration,
    parse_percentage,
    parse_rate,
    parse_size,
    parse_time_of_day,
    percentage_in_words,
    size_in_words,
)

__all__ = [
    "ENVIRONMENT_KEY",
    "Address",
    "AddressKind",
    "Audit",
    "Clearance",
    "Engine",
    "EngineKind",
    "Mirror",
    "Notify",
    "Pace",
    "Period",
    "Rate",
    "Settings",
    "Share",
    "Studio",
    "check_notify_address",
    "default_files",
    "duration_in_words",
    "find",
    "label_of",
    "load",
    "parse",
    "parse_address",
    "parse_duration",
    "parse_percentage",
    "parse_rate",
    "parse_size",
    "parse_time_of_day",
    "percentage_in_words",
    "secrets_of",
    "size_in_words",
    "with_secrets",
]
