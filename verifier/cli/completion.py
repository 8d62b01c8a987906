"""What a shell can complete on a command line: shares by name and findings by number.

It must be quick, touch no share, write nothing and say nothing: whatever is in the way, there is
then nothing to complete.
"""

from __future__ import annotations

import os
import sqlite3
import tomllib
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import click
from click.shell_completion import CompletionItem

from verifier.errors import VerifierError


def shares(context: click.Context, _: click.Parameter, incomplete: str) -> list[CompletionItem]:
    """The names of shares in the settings file."""
    return [
        CompletionItem(name)
        for name in _share_names(_settings_of(context)[1])
        if name.startswith(incomplete)
    ]


def first_share(
    context: click.Context, parameter: click.Parameter, incomplete: str
) -> list[CompletionItem]:
    """The same for the first of several arguments; after it a folder or file may stand."""
    given = context.params.get(parameter.name or "") or ()
    if given:
        return [CompletionItem(incomplete, type="file")]
    return shares(context, parameter, incomplete)


def findings(context: click.Context, _: click.Parameter, incomplete: str) -> list[CompletionItem]:
    """The numbers of open and accepted findings, with what they are about."""
    from verifier.ledger.glance import lasting_findings

    file, document = _settings_of(context)
    ledger = _ledger_of(file, document)
    if ledger is None:
        return []
    return [
        CompletionItem(str(number), help=said)
        for number, said in lasting_findings(ledger)
        if str(number).startswith(incomplete)
    ]


def _settings_of(context: click.Context) -> tuple[Path | None, dict[str, Any]]:
    """The settings file as it is written: to check it would look at the shares' folders."""
    from verifier.settings.where import find

    try:
        file = find(context.find_root().params.get("config"), os.environ)
        return file, tomllib.loads(file.read_bytes().decode("utf-8-sig"))
    except (OSError, ValueError, RecursionError, VerifierError):
        return None, {}


def _share_names(document: dict[str, Any]) -> Iterator[str]:
    found = document.get("share")
    for each in found if isinstance(found, list) else ():
        name = each.get("name") if isinstance(each, dict) else None
        if isinstance(name, str) and name.isprintable():
            yield name


def _ledger_of(file: Path | None, document: dict[str, Any]) -> Path | None:
    from verifier.places.addresses import parse_path
    from verifier.settings.where import state_folder

    if file is None:
        return None
    studio = document.get("studio")
    named = studio.get("ledger") if isinstance(studio, dict) else None
    if named is None:
        return state_folder(os.environ) / "ledger.db"
    try:
        return parse_path(named, Path(os.path.abspath(file)).parent)
    except (ValueError, TypeError, AttributeError, sqlite3.Error):
        return None
