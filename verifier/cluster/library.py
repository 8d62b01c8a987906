"""Whether the library that a cluster needs is installed.  It must never be imported here."""

from __future__ import annotations

from importlib.util import find_spec

from verifier.errors import RequestRefused


def refuse_without_library() -> None:
    """Raises RequestRefused, which says how to install what is missing."""
    if find_spec("distributed") is None:
        raise RequestRefused(
            'engine.kind is "dask", and what that needs is not installed. Install it with '
            "pip install 'copy-verifier[cluster]', on this machine and on every worker."
        )
