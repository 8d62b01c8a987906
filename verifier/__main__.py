"""Where the command ``verifier`` and ``python -m verifier`` begin."""

import os
from typing import NoReturn


def start() -> NoReturn:
    """Run the command line; Ctrl-C is tidy from the first moment on, while parts still load."""
    try:
        from verifier.cli.main import run

        run()
    except KeyboardInterrupt:
        os.write(2, b"Stopped before the work was done; nothing was left half-written.\n")
        os._exit(3)


if __name__ == "__main__":
    start()
