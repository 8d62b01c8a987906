"""Options and output that several commands share."""

from __future__ import annotations

import os
import sys
from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING

import click

from verifier.errors import OutputFailed

if TYPE_CHECKING:
    from verifier.places import addresses

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


class Named(click.ParamType[Path]):
    """A path that a person gives; an empty one is a script's unset variable, not this folder."""

    name = "path"

    def convert(
        self, value: object, param: click.Parameter | None, ctx: click.Context | None
    ) -> Path:
        """The path; a usage error when it is empty."""
        if isinstance(value, Path):
            return value
        if not str(value):
            self.fail("an empty name was given. Name a folder or a file.", param, ctx)
        return Path(str(value))


class NamedPlace(click.ParamType["addresses.Named"]):
    """A folder, a file, or the address of a place elsewhere."""

    name = "place"

    def convert(
        self, value: object, param: click.Parameter | None, ctx: click.Context | None
    ) -> addresses.Named:
        """The path or address; a usage error when it is empty or cannot be understood."""
        from verifier.places import addresses  # `--help` need not wait for what it brings along

        if isinstance(value, Path | addresses.Address):
            return value
        if not str(value):
            self.fail("an empty name was given. Name a folder or a file.", param, ctx)
        try:
            return addresses.named_place(str(value))
        except ValueError as error:
            from verifier.model import printable
            from verifier.settings.secrets import without_password

            told = printable(os.fsencode(without_password(str(value))))
            self.fail(f"{told} is no address: {error}.", param, ctx)


def place(name: str) -> Callable[[Callable[..., None]], Callable[..., None]]:
    """An argument that names a place or a manifest."""
    return click.argument(name, type=NamedPlace())


class PrintingFailed(OutputFailed):
    """Standard output took no more."""


@contextmanager
def _printing() -> Iterator[None]:
    try:
        yield
        sys.stdout.flush()
    except BrokenPipeError:
        raise
    except OSError as error:
        raise PrintingFailed(
            f"The result could not be printed ({error.strerror}). Make room where standard output "
            "goes, or send it elsewhere, and run it again."
        ) from error


def print_bytes(pieces: Iterable[bytes]) -> None:
    """Pieces of a document to standard output.  Raises PrintingFailed."""
    with _printing():
        for piece in pieces:
            sys.stdout.buffer.write(piece)


def remark(sentence: str | None) -> None:
    """A sentence beside a result, to standard error; None is nothing to say."""
    if sentence is not None:
        click.echo(sentence, err=True)


def print_lines(lines: Iterable[str]) -> None:
    """Lines for people to standard output; what it cannot show is escaped.

    Raises PrintingFailed.
    """
    encoding = sys.stdout.encoding or "utf-8"
    with _printing():
        for line in lines:
            print(line.encode(encoding, "backslashreplace").decode(encoding))
