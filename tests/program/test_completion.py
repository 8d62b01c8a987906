"""Completion as a shell asks for it: real bash, the installed command."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import pytest

from program.estate import SHARE, Estate

VERIFIER = Path(sys.executable).parent / "verifier"

ASK = """
eval "$(_VERIFIER_COMPLETE=bash_source verifier)"
COMP_WORDS=("$@")
COMP_CWORD=$(($# - 1))
_verifier_completion verifier
printf '%s\\n' "${COMPREPLY[@]}"
"""


@pytest.fixture
def estate(tmp_path: Path) -> Estate:
    return Estate(tmp_path)


def environment(home: str) -> dict[str, str]:
    """Ours, with the installed command first, and none of the user's own settings."""
    return {**os.environ, "PATH": f"{VERIFIER.parent}:{os.environ['PATH']}", "HOME": home}


def completed(*words: str, before: tuple[str, ...] = ()) -> list[str]:
    """What bash offers for the last of the words."""
    run = subprocess.run(
        [*before, "bash", "--norc", "-c", ASK, "bash", "verifier", *words],
        capture_output=True,
        text=True,
        timeout=60,
        env=environment(os.devnull),
    )
    assert run.returncode == 0, run.stderr
    assert run.stderr == ""
    return run.stdout.split()


def test_commands_and_options_are_completed() -> None:
    assert completed("sp") == ["spot-check"]
    assert {"shift", "findings", "notify"} <= set(completed(""))
    assert completed("shift", "--dry") == ["--dry-run"]
    assert "--config" in completed("--c")


def test_shares_are_completed_by_name(estate: Estate) -> None:
    for command in ("audit", "spot-check", "clearance"):
        assert completed("--config", str(estate.file), command, "cur") == [SHARE]
    assert completed("--config", str(estate.file), "findings", "--share", "") == [SHARE]
    assert completed("--config", str(estate.file), "audit", "x") == []


def test_findings_are_completed_by_number(estate: Estate) -> None:
    assert estate.shift().status == 0
    for number in range(12):
        estate.mirror.file(f"left-{number:02}.txt", b"not on the source")
    estate.shift()
    file = str(estate.file)
    assert completed("--config", file, "accept", "") == [str(each) for each in range(1, 13)]
    assert completed("--config", file, "accept", "2", "1") == ["1", "10", "11", "12"]
    assert completed("--config", file, "findings", "12") == ["12"]
    assert estate.run("accept", "12", "--because", "kept").status == 0


def test_where_there_is_nothing_to_complete_by_nothing_is_said(tmp_path: Path) -> None:
    broken = tmp_path / "broken.toml"
    broken.write_bytes(b"\xff[[share\n")
    odd = tmp_path / "odd.toml"
    odd.write_text('share = 3\n[studio]\nledger = ["x"]\n')
    for file in (broken, odd, tmp_path / "none.toml"):
        assert completed("--config", str(file), "audit", "") == []
        assert completed("--config", str(file), "accept", "") == []
    assert sorted(os.listdir(tmp_path)) == ["broken.toml", "odd.toml"]


def test_no_ledger_is_made_and_no_share_is_touched(estate: Estate, tmp_path: Path) -> None:
    strace = shutil.which("strace")
    if strace is None:
        pytest.skip("needs strace")
    trace = tmp_path / "trace"
    before = (strace, "-f", "-e", "trace=file", "-s", "4096", "-o", str(trace))
    assert completed("--config", str(estate.file), "audit", "", before=before) == [SHARE]
    assert completed("--config", str(estate.file), "accept", "", before=before) == []
    told = trace.read_text()
    assert "settings.toml" in told
    assert str(estate.source.root) not in told
    assert str(estate.mirror.root) not in told
    assert not estate.ledger.exists()


def test_completion_of_a_command_answers_at_once_and_imports_no_command() -> None:
    environment = {
        **os.environ,
        "COMP_WORDS": "verifier ",
        "COMP_CWORD": "1",
        "_VERIFIER_COMPLETE": "bash_complete",
    }
    began = time.monotonic()
    run = subprocess.run(
        [sys.executable, "-X", "importtime", VERIFIER],
        env=environment,
        capture_output=True,
        text=True,
        check=True,
    )
    assert time.monotonic() - began < 5  # a tenth of that, on a machine with nothing else to do
    assert "plain,shift" in run.stdout.splitlines()
    assert "verifier.cli.shift" not in run.stderr
    assert "blake3" not in run.stderr


ASK_FISH = """
_VERIFIER_COMPLETE=fish_source verifier | source
complete -C "$argv"
"""
ASK_ZSH = """
compdef() { :; }
_describe() { print -rl -- "${(@)${(P)3}%%:*}"; }
compadd() { print -rl -- "${(@P)argv[-1]}"; }
eval "$(_VERIFIER_COMPLETE=zsh_source verifier)"
words=("$@"); CURRENT=$#
_verifier_completion
"""


def completed_in(shell: str, *words: str) -> list[str]:
    """What that shell offers for the last of the words, by the line that the docs name."""
    program = shutil.which(shell)
    if program is None:
        pytest.skip(f"needs {shell}")
    typed = ("verifier", *words)
    asked = {
        "fish": [program, "-N", "-c", ASK_FISH, " ".join(typed)],
        "zsh": [program, "-f", "-c", ASK_ZSH, "zsh", *typed],
    }[shell]
    with tempfile.TemporaryDirectory() as home:  # fish makes folders there
        run = subprocess.run(
            asked, capture_output=True, text=True, timeout=60, env=environment(home)
        )
    assert (run.returncode, run.stderr) == (0, "")
    return [line.partition("\t")[0] for line in run.stdout.splitlines()]


@pytest.mark.parametrize("shell", ["zsh", "fish"])
def test_other_shells_complete_the_same(shell: str, estate: Estate) -> None:
    assert estate.shift().status == 0
    estate.mirror.file("a name, with: a colon \\ and $HOME.txt", b"not on the source")
    estate.shift()
    file = str(estate.file)
    assert completed_in(shell, "sp") == ["spot-check"]
    assert completed_in(shell, "shift", "--dry") == ["--dry-run"]
    assert completed_in(shell, "--config", file, "audit", "cur") == [SHARE]
    assert completed_in(shell, "--config", file, "accept", "") == ["1"]
