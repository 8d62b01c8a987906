"""``verifier spot-check``."""

from __future__ import annotations

import math
import os
import secrets
from decimal import Decimal, InvalidOperation
from fractions import Fraction
from typing import Final

import click

from verifier import settings
from verifier.cli import completion, open_hours, options
from verifier.cli.terminal import Terminal
from verifier.jobs.spot_check import (
    By,
    Request,
    SpotCheck,
    folder_named,
    refuse_without_ledger,
)
from verifier.reporting import spot_check as report

_SEEDS: Final = 2**53
"""Seeds lie below this: every reader of JSON keeps such numbers exactly."""

_CHOSEN_BELOW: Final = 10**6
"""A seed that is not given is this short, so that a person can type it again."""

_AT_MOST: Final = Fraction(1, 1000)

_SMALLEST: Final = Fraction(1, 10**15)


class _Part(click.ParamType[Fraction]):
    """A part of a whole, between nothing and all: 0.001, or 0.1 %.  Kept exactly."""

    name = "part"

    def convert(
        self, value: object, param: click.Parameter | None, ctx: click.Context | None
    ) -> Fraction:
        """The part; a usage error when it is none."""
        if isinstance(value, Fraction):
            return value
        written = str(value).strip()
        number, percent = written.removesuffix("%").strip(), written.endswith("%")
        try:
            decimal = Decimal(number)
            if not decimal.is_finite() or not -20 < decimal.adjusted() < 4:
                raise InvalidOperation
            part = Fraction(decimal) / (100 if percent else 1)
        except InvalidOperation:
            part = Fraction(0)
        if not _SMALLEST <= part <= 1 - _SMALLEST:
            self.fail(
                f'"{written}" is no part of a whole. Give one between 0 and 1, such as 0.001 or '
                '"0.1 %".',
                param,
                ctx,
            )
        return part


_PART: Final = _Part()


@click.command(
    "spot-check",
    epilog='Example: verifier spot-check current-surveys --at-most "0.1 %" --confidence 0.99',
)
@click.argument("share", shell_complete=completion.shares)
@click.option(
    "--confidence",
    type=_PART,
    default="0.95",
    show_default=True,
    metavar="PART",
    help="How sure the statement is to be.",
)
@click.option(
    "--at-most",
    type=_PART,
    metavar="PART",
    help='Draw as much as shows that no more than this is bad: 0.001, or "0.1 %". This is the '
    "default, unless --minutes is given.",
)
@click.option(
    "--minutes",
    type=click.FloatRange(min=0, min_open=True, max=60 * 24 * 366),
    help="Read for so long, and say what that bought.",
)
@click.option(
    "--seed",
    type=click.IntRange(0, _SEEDS - 1),
    help="Draw the same again. Chosen and printed when it is not given.",
)
@click.option("--folder", metavar="PATH", help="Draw from this folder of the share only.")
@click.option(
    "--by",
    type=click.Choice([each.value for each in By]),
    default=By.FILES.value,
    show_default=True,
    help="Draw files, or bytes with the 64 MiB around each: huge files are then not read whole.",
)
@open_hours.now_option
@options.as_json
@click.pass_context
def command(
    context: click.Context,
    share: str,
    confidence: Fraction,
    at_most: Fraction | None,
    minutes: float | None,
    seed: int | None,
    folder: str | None,
    by: str,
    override: bool,
    json_wanted: bool,
) -> None:
    """Read a random sample of SHARE afresh on all sides, and say what that proves.

    The sample is drawn from what the last shift saw on the source, and read past the cache. The
    statement is exact: had more been bad than it says, at least as many bad ones would have been
    drawn with the confidence that was asked for.
    """
    if minutes is not None and not math.isfinite(minutes):
        raise click.BadParameter("it must be a number of minutes.", param_hint="--minutes")
    found = settings.load(context.obj)
    found.share(share)
    refuse_without_ledger(found, share)
    below = b"" if folder is None else folder_named(os.fsencode(folder), _root(found, share))
    bell = open_hours.heed(context.obj, "spot-check", override)
    request = Request(
        found,
        share,
        secrets.randbelow(_CHOSEN_BELOW) if seed is None else seed,
        confidence,
        _AT_MOST if at_most is None and minutes is None else at_most,
        minutes,
        below,
        By(by),
        bell,
    )
    zone = found.hours.zone
    with SpotCheck(request, Terminal(bell)) as check:
        result = check.run()
        if json_wanted:
            options.print_bytes(report.document(result, check.findings(), zone))
        else:
            options.print_lines(report.text(result, check.findings(), zone))
        status = check.exit_status(result)
    context.exit(status)


def _root(found: settings.Settings, share: str) -> bytes | None:
    """Where the source stands on this machine; None where it stands elsewhere."""
    source = found.share(share).source
    here = source.kind is settings.AddressKind.FOLDER
    return os.fsencode(source.path) if here else None
