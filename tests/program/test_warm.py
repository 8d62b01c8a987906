"""A run that is forked off a loaded interpreter, beside one that loads everything itself."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest

from program.running import COMMAND, Outcome
from program.warm import Warm


@pytest.fixture(scope="module")
def warm():
    found = Warm()
    yield found
    found.end()


def anew(arguments, environment, cwd) -> Outcome:
    run = subprocess.run(
        [*COMMAND, *arguments],
        stdin=subprocess.DEVNULL,
        capture_output=True,
        env=environment,
        cwd=cwd,
    )
    return Outcome(run.returncode, run.stdout, run.stderr.decode())


def forked(warm, arguments, environment, cwd) -> Outcome:
    status, out, err = warm.run(arguments, environment, cwd, subprocess.PIPE, 60)
    return Outcome(status, out, err.decode())


@pytest.mark.parametrize(
    ("arguments", "status"),
    [
        (["--version"], 0),
        (["shift", "--help"], 0),
        (["damage", "bench/a.txt", "vault/a.txt", "--json"], 1),
        (["compare", "bench", "bench"], 2),
        (["compare", "bench", os.fsdecode(b"caf\xe9")], 3),
        (["hours"], 2),
        (["no-such-command"], 2),
        ([], 2),
    ],
)
def test_it_says_the_same_and_ends_the_same(warm, tmp_path, arguments, status):
    for name, content in (("bench", b"north"), ("vault", b"south")):
        (tmp_path / name).mkdir()
        (tmp_path / name / "a.txt").write_bytes(content)
        os.utime(tmp_path / name / "a.txt", (1_000_000_000, 1_000_000_000))
    environment = {**os.environ, "COLUMNS": "70"}
    found = anew(arguments, environment, tmp_path)
    assert found.status == status
    assert forked(warm, arguments, environment, tmp_path) == found


def test_an_output_may_be_a_file(warm, tmp_path):
    with Path(tmp_path / "out").open("wb") as out:
        said = warm.run(["--version"], dict(os.environ), "/", out.fileno(), 60)
    assert said == (0, b"", b"")
    assert (tmp_path / "out").read_bytes() == anew(["--version"], os.environ, "/").out


def test_one_that_takes_too_long_is_ended_and_the_next_one_runs(warm, tmp_path):
    os.mkfifo(tmp_path / "settings.toml")  # nobody ever writes to it
    waits = ["--config", str(tmp_path / "settings.toml"), "hours"]
    with pytest.raises(subprocess.TimeoutExpired):
        warm.run(waits, dict(os.environ), "/", subprocess.PIPE, 0.5)
    assert warm.run(["--version"], dict(os.environ), "/", subprocess.PIPE, 60)[0] == 0


@pytest.mark.skipif(sys.platform != "linux", reason="reads /proc")
def test_each_is_a_process_of_its_own_and_nothing_of_one_is_seen_by_the_next(warm, tmp_path):
    seen = {"VERIFIER_CONFIG": str(tmp_path / "first.toml"), **os.environ}
    first = forked(warm, ["hours"], seen, tmp_path)
    second = forked(warm, ["hours"], dict(os.environ), "/")
    assert "first.toml" in first.err and "first.toml" not in second.err


@pytest.mark.parametrize(
    "name", ["PYTHONPATH", "PYTHONUTF8", "LC_ALL", "LANG", "LD_PRELOAD", "TZ", "TEST_CLOCK_AHEAD"]
)
def test_what_an_interpreter_heeds_when_it_starts_needs_a_new_one(warm, name):
    assert warm.suits(os.environ)
    assert not warm.suits({**os.environ, name: "of this run only"})
