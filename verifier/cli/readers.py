"""Who reads for commands that need no settings."""

from __future__ import annotations

from pathlib import Path

from verifier import settings


def named_engine(config: Path | None) -> settings.Engine | None:
    """Who reads by a settings file that ``--config`` names; without that, None: this machine.

    Any folder can be named to these commands, and the workers of a cluster need not mount it:
    they are asked only by who asks for them.
    """
    return None if config is None else settings.load(config).engine
