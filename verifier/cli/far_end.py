"""``verifier far-end``."""

from __future__ import annotations

import os
import sys
from pathlib import Path

import click

from verifier.cli import options
from verifier.errors import RequestRefused


@click.command(
    "far-end",
    epilog="Example, in authorized_keys on the far host: "
    'command="verifier far-end --root /volumes/vault",restrict ssh-ed25519 AAAA... bench',
)
@click.option(
    "--root",
    type=options.Named(),
    metavar="DIR",
    help="Serve nothing outside of this folder, whatever is asked for.",
)
def command(root: Path | None) -> None:
    """Read what lies on this machine, for a verifier on another one.

    That other one starts it over SSH for places such as ssh://vault.example/volumes/vault, and
    speaks with it on standard input and output. It only reads, listens to nobody else, and ends
    with the link.
    """
    if sys.stdin.isatty():
        raise RequestRefused(
            "far-end is started over SSH by a verifier on another machine, and has nothing to say "
            "to a person. There, name a place such as ssh://this-host/volumes/vault."
        )
    from verifier.far_end import serve

    # Whatever might print, it must not end up between two frames.
    give = os.dup(1)
    os.dup2(2, 1)
    serve(None if root is None else os.fsencode(os.path.abspath(root)), 0, give)
