"""Where the command ``verifier`` and ``python -m verifier`` begin."""

import gc
import os
import sys
from typing import NoReturn

_GARBAGE_LOOKED_FOR = 50_000, 20, 50
"""As `gc.set_threshold` takes it.  Loading makes objects that stay: to look through them again and
again for garbage took a tenth of a short run."""


def start() -> NoReturn:
    """Run the command line; Ctrl-C is tidy from the first moment on, while parts still load."""
    gc.set_threshold(*_GARBAGE_LOOKED_FOR)
    _open_missing_streams()
    try:
        from verifier.cli import stopping

        stopping.heed_signals()
        from verifier.cli.main import run

        run()
    except KeyboardInterrupt:
        os.write(2, b"Stopped before the work was done; nothing was left half-written.\n")
        os._exit(3)


def _open_missing_streams() -> None:
    """Give a caller who closed our streams empty ones; no file of ours may take their place."""
    while (descriptor := os.open(os.devnull, os.O_RDWR)) <= 2:
        pass
    os.close(descriptor)
    if sys.stdout is None:
        sys.stdout = open(1, "w", encoding="utf-8", closefd=False)  # noqa: SIM115
    if sys.stderr is None:
        sys.stderr = open(2, "w", encoding="utf-8", closefd=False)  # noqa: SIM115


if __name__ == "__main__":
    start()
