"""What a person asks a spot-check for, before anything is drawn."""

from __future__ import annotations

import os
import posixpath

from verifier.errors import LedgerRefused, RequestRefused
from verifier.model import printable
from verifier.settings import Settings


def refuse_without_ledger(settings: Settings, share: str) -> None:
    """Raises LedgerRefused where no shift has made a ledger yet."""
    ledger = settings.studio.ledger
    if not os.path.lexists(ledger):
        raise LedgerRefused(
            f"Nothing is known of {share} yet: there is no ledger at "
            f"{printable(os.fsencode(ledger))}. Run `verifier shift` first."
        )


def folder_named(written: bytes, root: bytes | None = None) -> bytes:
    """A folder below a share's root as its path, b"" for the root.  Raises RequestRefused.

    A whole path is one that leads into ``root``, which is where the source stands, if that is a
    folder of this machine.
    """
    path = posixpath.normpath(written.rstrip(b"/") or written)
    if root is not None and path.startswith(b"/"):
        path = os.path.realpath(path)
        below = os.path.realpath(root)
        if path == below or path.startswith(below + b"/"):
            path = path[len(below) + 1 :] or b"."
    if not written or path.startswith(b"/") or path.split(b"/")[0] == b"..":
        raise RequestRefused(
            f"{printable(written) or 'An empty name'} is no folder of the share. Name one below "
            "its root, such as 2026-014-harbour-wall/orthos."
        )
    return b"" if path == b"." else path
