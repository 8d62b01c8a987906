"""Options and output that several commands share."""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterable
from pathlib import Path

import click

as_json = click.option("--json", "json_wanted", is_flag=True, help="Print one JSON document.")

ignore = click.option(
    "--ignore",
    multiple=True,
    metavar="PATTERN",
    help="Leave out what matches, in gitwildmatch style; may be given more than once.",
)

past_cache = click.option(
    "--past-cache",
    is_flag=True,
    help="Read the disks themselves, and leave nothing of what was read in memory.",
)


def place(name: str) -> Callable[[Callable[..., None]], Callable[..., None]]:
    """An argument that names a folder or a manifest."""
    return click.argument(name, type=click.Path(path_type=Path))


def print_bytes(pieces: Iterable[bytes]) -> None:
    """Pieces of a document to standard output."""
    for piece in pieces:
        sys.stdout.buffer.write(piece)
    sys.stdout.buffer.flush()


def print_lines(lines: Iterable[str]) -> None:
    """Lines for people to standard output; what the terminal cannot show is escaped."""
    encoding = sys.stdout.encoding or "utf-8"
    for line in lines:
        print(line.encode(encoding, "backslashreplace").decode(encoding))
