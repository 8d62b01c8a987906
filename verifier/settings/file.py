"""The settings file as a whole: found, decoded, and made into `Settings`.

It must never write the file, nor go on with a part of it.
"""

from __future__ import annotations

import os
import tomllib
from collections.abc import Mapping
from pathlib import Path
from typing import Final

from verifier.errors import SettingsRefused
from verifier.settings.quoting import name_of
from verifier.settings.sections import read_all
from verifier.settings.table import Table
from verifier.settings.values import Settings
from verifier.settings.where import ENVIRONMENT_KEY, find

_MOST: Final = 4 * 1024 * 1024
"""Bytes of a settings file, at most: somebody may name a film, or a device without an end."""


def load(given: Path | None, environment: Mapping[str, str] | None = None) -> Settings:
    """The settings: of the file that was given, or that the environment names, or the default one.

    ``environment`` is the process's own unless given.  Raises SettingsRefused, also when there is
    no file.
    """
    environment = os.environ if environment is None else environment
    file = find(given, environment)
    try:
        with open(file, "rb") as opened:
            content = opened.read(_MOST + 1)
        if len(content) > _MOST:
            raise SettingsRefused(
                f"{name_of(file)} is over 4 MiB, which no settings file is. Name another with "
                "--config FILE."
            )
        return parse(content, file, environment)
    except OSError as error:
        by_environment = given is None and environment.get(ENVIRONMENT_KEY)
        named = f", which ${ENVIRONMENT_KEY} names," if by_environment else ""
        said = (error.strerror or str(error)).lower()
        raise SettingsRefused(
            f"The settings file {name_of(file)}{named} cannot be read: {said}. Write it, or name "
            "another with --config FILE."
        ) from error


def parse(content: bytes, file: Path, environment: Mapping[str, str]) -> Settings:
    """The settings that a file of that name and content says.  Raises SettingsRefused.

    Relative paths start at the folder in which the file stands; ``environment`` says where the
    user's records are kept.
    """
    return read_all(Table(file, "", "", _toml(content, file)), file, environment)


def _toml(content: bytes, file: Path) -> dict[str, object]:
    try:
        return tomllib.loads(content.decode("utf-8-sig"))
    except UnicodeDecodeError as error:
        line = content[: error.start].count(b"\n") + 1
        raise SettingsRefused(
            f"{name_of(file)}: line {line} is not text in UTF-8, expected a TOML file in UTF-8."
        ) from error
    except (ValueError, RecursionError) as error:  # a number may have too many digits for Python
        said = str(error) if isinstance(error, ValueError) else "it is nested too deeply"
        raise SettingsRefused(
            f"{name_of(file)} is no valid TOML: {said[:1].lower()}{said[1:]}, expected lines such "
            'as key = "value" under [sections].'
        ) from error
