"""Runs the installed command in a process of its own, as a person or a script does."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterable, Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path
from typing import Any, NamedTuple

from program.warm import Warm
from verifier.cli.main import COMMANDS

Argument = str | bytes | os.PathLike[str]

COMMAND = (sys.executable, "-m", "verifier")
VERDICTS = (
    "matched",
    "pending",
    "missing",
    "stale",
    "corrupt",
    "orphaned",
    "unreadable",
    "unsettled",
    "unread",
)


class Outcome(NamedTuple):
    """How a run ended and what it said."""

    status: int
    out: bytes
    err: str

    @property
    def document(self) -> Any:
        """The one JSON document on standard output."""
        return json.loads(self.out)

    @property
    def findings(self) -> dict[str, tuple[str, str | None, str | None, str | None]]:
        """Verdict, cause, side and the other path of each finding, by path."""
        found = {
            each["path"]: (
                each["verdict"],
                each["cause"],
                each["side"],
                each.get("other_path"),
            )
            for each in self.document["findings"]
        }
        assert len(found) == len(self.document["findings"]), "a path has two findings"
        return found


def clock_at(moment: float) -> dict[str, str]:
    """What a command's environment must hold for it to start at ``moment``, since 1970."""
    return {
        "PYTHONPATH": str(Path(__file__).parent / "clock"),
        "TEST_CLOCK_AHEAD": repr(moment - time.time()),
        "TZ": "UTC",
    }


def verifier(
    *arguments: Argument,
    environment: Mapping[str, str] | None = None,
    before: tuple[str, ...] = (),
    stdout: Any = subprocess.PIPE,
    cwd: Path | None = None,
    seconds: float = 120,
) -> Outcome:
    """One run to its end.  ``before`` is a command that runs it, such as ``strace``.

    Whatever happens, nobody is shown a traceback.  The first run of each command is started as a
    person's is; later ones may be forked off an interpreter that has loaded the command.
    """
    everything = {**os.environ, **(environment or {})}
    warm = None if before else _warm_for(arguments, everything)
    if warm is not None:
        words = [os.fsdecode(each) for each in arguments]
        output = stdout if isinstance(stdout, int) else stdout.fileno()
        status, out, said = warm.run(words, everything, cwd or "/", output, seconds)
    else:
        run = subprocess.run(
            [*before, *COMMAND, *arguments],
            stdin=subprocess.DEVNULL,
            stdout=stdout,
            stderr=subprocess.PIPE,
            env=everything,
            cwd=cwd or "/",
            timeout=seconds,
            preexec_fn=_heeds_interrupts,
        )
        status, out, said = run.returncode, run.stdout or b"", run.stderr
    err = said.decode()
    assert "Traceback" not in err, err
    return Outcome(status, out, err)


_run_before: set[Argument] = set()
_warm: list[Warm] = []


def _warm_for(arguments: Iterable[Argument], environment: Mapping[str, str]) -> Warm | None:
    """Who may run it; None where it is the first run of a command, or only a new one will do."""
    named = next((each for each in arguments if each in COMMANDS), None)
    if named not in _run_before or sys.platform != "linux":
        _run_before.add(named)
        return None
    if not _warm:
        _warm.append(Warm())
    return _warm[0] if _warm[0].suits(environment) else None


def _heeds_interrupts() -> None:
    """A shell has what it starts in the background ignore Ctrl-C, which is inherited."""
    signal.signal(signal.SIGINT, signal.SIG_DFL)


def compare(source: Argument, mirror: Argument, *options: Argument, **how: Any) -> Outcome:
    """A comparison whose result is asked for as a document."""
    outcome = verifier("compare", source, mirror, "--json", *options, **how)
    assert outcome.status in (0, 1, 3), outcome.err
    return outcome


def manifest(place: Argument, out: Path, *options: Argument) -> Path:
    """A manifest of a folder, which is expected to succeed."""
    outcome = verifier("manifest", place, "--out", out, *options)
    assert outcome.status == 0, outcome.err
    return out


def refusal(status: int, *arguments: Argument, **how: Any) -> str:
    """The one sentence with which a run is refused, said twice alike: with and without --json."""
    sentences = set()
    for more in ((), ("--json",)) if arguments[0] != "manifest" else ((),):
        outcome = verifier(*arguments, *more, **how)
        assert outcome.status == status, outcome
        assert outcome.out == b""
        sentences.add(outcome.err)
    assert len(sentences) == 1, sentences
    sentence = sentences.pop()
    assert sentence.strip()
    assert sentence.endswith("\n")
    return sentence


@contextmanager
def running(
    *arguments: Argument, environment: Mapping[str, str] | None = None, **how: Any
) -> Iterator[subprocess.Popen[bytes]]:
    """A run under way in a process group of its own; whatever is left of it is ended."""
    process = subprocess.Popen(
        [*COMMAND, *arguments],
        stdin=subprocess.DEVNULL,
        stdout=how.pop("stdout", subprocess.PIPE),
        stderr=how.pop("stderr", subprocess.PIPE),
        env={**os.environ, **(environment or {})},
        cwd="/",
        start_new_session=True,
        preexec_fn=_heeds_interrupts,
        **how,
    )
    try:
        yield process
    finally:
        if members(process.pid):
            os.killpg(process.pid, signal.SIGKILL)
        process.wait()
        for pipe in (process.stdout, process.stderr):
            if pipe is not None:
                pipe.close()


def members(session: int) -> list[int]:
    """The processes of a session that still run, by id.  Linux only."""
    found = []
    for entry in os.listdir("/proc"):
        if not entry.isdigit():
            continue
        try:
            fields = Path(f"/proc/{entry}/stat").read_text().rpartition(")")[2].split()
        except (OSError, ProcessLookupError):
            continue
        if int(fields[3]) == session and fields[0] not in "ZX":
            found.append(int(entry))
    return found


def io_read(pid: int) -> int | None:
    """Bytes that the kernel counts as read by a process; None when it is gone."""
    try:
        lines = Path(f"/proc/{pid}/io").read_text().splitlines()
    except OSError:
        return None
    return int(dict(line.split(": ") for line in lines)["rchar"])


def bytes_read_by(processes: Iterable[int]) -> int:
    """Bytes that those of the processes that still run got from read calls so far."""
    return sum(io_read(each) or 0 for each in processes)


def wait_until(holds: Callable[[], bool], seconds: float, what: str) -> float:
    """Waits for a condition and returns the seconds that it took to hold."""
    started = time.monotonic()
    while not holds():
        waited = time.monotonic() - started
        assert waited < seconds, f"{what} did not happen within {seconds} s"
        time.sleep(0.01)
    return time.monotonic() - started
