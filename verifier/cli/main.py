"""The command ``verifier``, and the one place where errors become sentences.

Commands are imported when they are called, so that ``--help`` answers at once.
"""

from __future__ import annotations

import os
import sys
from importlib import import_module
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final, NoReturn

import click

from verifier import __version__, system
from verifier.cli import options, stopping
from verifier.errors import VerifierError

if TYPE_CHECKING:
    from click.shell_completion import CompletionItem

COMMANDS: Final = {
    "accept": "Decide that a finding may stand as it is, and say why.",
    "audit": "Show how far every byte has been read again, and when that ends.",
    "clearance": "Prove that a folder may be deleted from its source, or say all against it.",
    "compare": "Compare a source with its mirror, by content, and say what to do.",
    "damage": "Show where and how two files differ.",
    "demo": "Try it all on a small made-up studio, with planted faults.",
    "far-end": "Read what lies here for a verifier on another machine, over SSH.",
    "findings": "List what needs a person, the most pressing first.",
    "hours": "Show when it may read: the hours in which nobody works.",
    "manifest": "Write down what a folder holds, with a digest of every file.",
    "notify": "Show who is told, and what could not be delivered; send a test.",
    "preflight": "Check that all is ready, and say how long reading will take.",
    "report": "Write the page that shows how all copies stand.",
    "setup": "Ask a few questions, write the settings file, then run preflight.",
    "shift": "Read what is due until working hours are near, and say what needs somebody.",
    "spot-check": "Read a random sample afresh, and say what that proves.",
}


class _ReaderGone(Exception):
    """Whoever read what is printed has gone."""


class _Commands(click.Group):
    """The commands by name; each stands in a module of the same name."""

    def invoke(self, ctx: click.Context) -> Any:
        """As every group does, but `click` would end with 1, "there are findings", without this."""
        try:
            return super().invoke(ctx)
        except BrokenPipeError as error:
            raise _ReaderGone from error

    def list_commands(self, ctx: click.Context) -> list[str]:
        return list(COMMANDS)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        if cmd_name not in COMMANDS:
            return None
        module = import_module(f"verifier.cli.{cmd_name.replace('-', '_')}")
        command: click.Command = module.command
        return command

    def shell_complete(self, ctx: click.Context, incomplete: str) -> list[CompletionItem]:
        """The commands' names, without importing any of them."""
        from click.shell_completion import CompletionItem

        if incomplete.startswith("-"):
            return super().shell_complete(ctx, incomplete)
        return [
            CompletionItem(name, help=said)
            for name, said in COMMANDS.items()
            if name.startswith(incomplete)
        ]

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        with formatter.section("Commands"):
            formatter.write_dl(list(COMMANDS.items()))


@click.group(
    cls=_Commands,
    invoke_without_command=False,
    epilog="Example: verifier compare /volumes/bench/current-surveys "
    "/volumes/vault/current-surveys",
)
@click.option(
    "--config",
    type=click.Path(path_type=Path),
    metavar="FILE",
    help="The settings file, for commands that need one. Without it: $VERIFIER_CONFIG, then "
    "the user's own, then the system's.",
)
@click.version_option(__version__, message="verifier %(version)s")
@click.pass_context
def verifier(context: click.Context, config: Path | None) -> None:
    """Check, by reading every byte, that a mirror truly matches its source.

    Nothing is ever written to what is checked. Exit status: 0 nothing needs you, 1 there are
    findings, 2 the command line or the settings are wrong, 3 something could not be reached, read
    or finished.
    """
    # Only the name is kept: a command that needs settings loads them with `settings.load`.
    context.obj = config


def run() -> NoReturn:
    """Run the command line and end the process with its exit status."""
    system.suit_interpreter_to_streams()
    try:
        status = verifier.main(standalone_mode=False)
        sys.stdout.flush()
        if stopping.noticed() and status in (None, 0, 1):
            status = 3  # who asked it to stop is never told that all is well
    except click.ClickException as error:
        error.show()
        status = error.exit_code
    except options.PrintingFailed as error:
        print(error, file=sys.stderr)
        status = _output_lost()
    except VerifierError as error:
        print(error, file=sys.stderr)
        status = error.exit_status
    except (KeyboardInterrupt, click.Abort):
        print(stopping.SENTENCE, file=sys.stderr)
        status = 3
    except (BrokenPipeError, _ReaderGone):
        status = _output_lost()  # whoever read it has had enough, and knows
    stopping.end(status if isinstance(status, int) else 0)


def _output_lost() -> int:
    """Have nothing more written to a standard output that does not take it."""
    descriptor = os.open(os.devnull, os.O_WRONLY)
    os.dup2(descriptor, 1)
    os.close(descriptor)
    return 3
