"""What the account that runs the comparison may not read, and what that makes of the rest."""

from __future__ import annotations

import os
import pwd
import shutil
from collections.abc import Callable
from pathlib import Path

import pytest
from program.running import Outcome, compare, verifier
from trees import Tree

pytestmark = [
    pytest.mark.root,
    pytest.mark.skipif(shutil.which("setpriv") is None, reason="setpriv is not installed"),
]

NOBODY = pwd.getpwnam("nobody").pw_uid
AS_NOBODY = ("setpriv", f"--reuid={NOBODY}", "--clear-groups", f"--regid={NOBODY}")


@pytest.fixture
def pair(open_tmp: Path) -> tuple[Tree, Tree]:
    source = Tree(open_tmp / "bench").files("flights/a.jpg", "notes/plan.txt", "notes/tide.txt")
    return source, source.copy_to(open_tmp / "vault")


def as_nobody(*places: Tree | Path) -> Outcome:
    return allowed(lambda: compare(*places, before=AS_NOBODY))


def allowed(run: Callable[[], Outcome]) -> Outcome:
    try:
        return run()
    except AssertionError as error:
        if "No module named" in str(error) or "Permission denied" in str(error):
            pytest.skip("other users may not run this Python")
        raise


@pytest.mark.parametrize("side", ["source", "mirror"])
def test_a_file_that_may_not_be_read_is_unreadable(pair: tuple[Tree, Tree], side: str) -> None:
    tree = pair[side == "mirror"]
    os.chmod(tree.at("notes/plan.txt"), 0)
    outcome = as_nobody(*pair)
    assert outcome.findings == {"notes/plan.txt": ("unreadable", "permission-denied", side, None)}
    assert outcome.document["counts"]["matched"] == 2
    assert outcome.status == 3


@pytest.mark.parametrize("side", ["source", "mirror"])
def test_a_folder_that_may_not_be_listed_is_unreadable_and_what_it_holds_unread(
    pair: tuple[Tree, Tree], side: str
) -> None:
    tree = pair[side == "mirror"]
    os.chmod(tree.at("notes"), 0)
    outcome = as_nobody(*pair)
    assert outcome.findings == {"notes": ("unreadable", "permission-denied", side, None)}
    assert outcome.document["counts"]["unread"] == 2
    assert outcome.document["counts"]["matched"] == 1
    assert "2 paths below it" in outcome.document["findings"][0]["detail"]


def test_a_folder_that_may_be_listed_and_not_entered_has_unreadable_files(
    pair: tuple[Tree, Tree],
) -> None:
    os.chmod(pair[1].at("notes"), 0o744)
    outcome = as_nobody(*pair)
    assert outcome.findings == {
        "notes/plan.txt": ("unreadable", "permission-denied", "mirror", None),
        "notes/tide.txt": ("unreadable", "permission-denied", "mirror", None),
    }


def test_a_root_that_may_not_be_listed_is_no_empty_place(pair: tuple[Tree, Tree]) -> None:
    os.chmod(pair[1].root, 0o711)
    outcome = verifier("compare", *pair, "--json", before=AS_NOBODY)
    assert outcome.status == 3
    assert outcome.out == b""
    assert "cannot be read as a folder" in outcome.err


def test_somebody_elses_files_are_read_though_their_access_dates_cannot_be_kept(
    pair: tuple[Tree, Tree],
) -> None:
    assert as_nobody(*pair).status == 0


def test_a_forecast_says_that_it_is_too_short_where_a_folder_may_not_be_listed(
    pair: tuple[Tree, Tree], open_tmp: Path
) -> None:
    records = open_tmp / "records"
    records.mkdir()
    os.chown(records, NOBODY, NOBODY)
    source, mirror = pair
    file = open_tmp / "settings.toml"
    file.write_text(
        f'[studio]\ntimezone = "UTC"\nledger = "{records}/l.db"\nreports = "{records}/r"\n'
        f'[[share]]\nname = "surveys"\nsource = "{source.root}"\n'
        f'[[share.mirror]]\nname = "vault"\nat = "{mirror.root}"\n'
    )

    def preflight() -> str:
        run = allowed(lambda: verifier("--config", file, "preflight", before=AS_NOBODY))
        return run.out.decode()

    assert "at least" not in preflight()
    os.chmod(source.at("flights"), 0)
    assert "at least" in preflight()
