"""Where the settings file is looked for, and where the records stand unless it says otherwise.

It must never open a file, nor make one.
"""

from __future__ import annotations

import os
import sys
from collections.abc import Mapping
from pathlib import Path
from typing import Final

from verifier.errors import SettingsRefused
from verifier.settings.quoting import name_of

ENVIRONMENT_KEY: Final = "VERIFIER_CONFIG"


def find(given: Path | None, environment: Mapping[str, str]) -> Path:
    """The settings file to read.  Raises SettingsRefused where none is named nor found."""
    if given is not None:
        return given
    if named := environment.get(ENVIRONMENT_KEY):
        return Path(named)
    places = default_files(environment)
    for place in places:
        if os.path.lexists(place):
            return place
    looked = " nor ".join(name_of(place) for place in places)
    raise SettingsRefused(
        f"There is no settings file: neither {looked} is there. Write one, or name one with "
        "--config FILE."
    )


def default_files(environment: Mapping[str, str], system: str = sys.platform) -> list[Path]:
    """Where a settings file is looked for, the user's own first."""
    home = Path(os.path.expanduser("~"))
    if system == "win32":
        own = Path(environment.get("APPDATA") or home / "AppData" / "Roaming")
        shared = Path(environment.get("PROGRAMDATA") or "C:/ProgramData")
    elif system == "darwin":
        own = home / "Library" / "Application Support"
        shared = Path("/etc")
    else:
        own = _absolute(environment.get("XDG_CONFIG_HOME")) or home / ".config"
        shared = Path("/etc")
    return [folder / "verifier" / "settings.toml" for folder in (own, shared)]


def state_folder(environment: Mapping[str, str], system: str = sys.platform) -> Path:
    """Where the ledger and the reports stand unless the settings say otherwise."""
    home = Path(os.path.expanduser("~"))
    if system == "win32":
        own = Path(environment.get("LOCALAPPDATA") or home / "AppData" / "Local")
    elif system == "darwin":
        own = home / "Library" / "Application Support"
    else:
        own = _absolute(environment.get("XDG_STATE_HOME")) or home / ".local" / "state"
    return own / "verifier"


def _absolute(text: str | None) -> Path | None:
    """A folder that a variable names; the standard for these has relative ones ignored."""
    path = Path(text or "")
    return path if path.is_absolute() else None
