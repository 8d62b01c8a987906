"""The files of docs/deploy do what their pages say: each is run, as far as a test can."""

from __future__ import annotations

import configparser
import os
import re
import shlex
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

from program.estate import SHARE, Estate, working_now
from program.running import Outcome, verifier

DEPLOY = Path(__file__).parents[2] / "docs" / "deploy"
SERVICES = ("verifier-shift.service", "verifier-resident.service")
INSTALLED = "/opt/verifier/bin/verifier"
HERE = Path(sys.executable).parent / "verifier"
NORTH = "2026-014-harbour-wall/point-clouds/north.laz"
SETTINGS = "/etc/verifier/settings.toml"


@pytest.fixture
def estate(tmp_path: Path) -> Estate:
    return Estate(tmp_path)


def started_by(file: str) -> list[str]:
    """What a service starts, as words."""
    return shlex.split(section(file, "Service")["ExecStart"])


def section(file: str, name: str) -> configparser.SectionProxy:
    unit = configparser.RawConfigParser(strict=False)
    unit.optionxform = str  # type: ignore[assignment,method-assign]
    unit.read(DEPLOY / file)
    return unit[name]


def for_here(words: list[str], estate: Estate) -> list[str]:
    """The command of a file, with this machine's program and the estate's settings."""
    assert words[:3] == [INSTALLED, "--config", SETTINGS]
    return ["--config", str(estate.file), *words[3:]]


@pytest.mark.skipif(shutil.which("systemd-analyze") is None, reason="needs systemd-analyze")
def test_systemd_knows_every_line_of_the_units(tmp_path: Path) -> None:
    (tmp_path / "verifier").symlink_to(HERE)
    for unit in sorted([*DEPLOY.glob("*.service"), *DEPLOY.glob("*.timer")]):
        text = unit.read_text().replace(INSTALLED, str(tmp_path / "verifier"))
        (tmp_path / unit.name).write_text(text)
        run = subprocess.run(
            ["systemd-analyze", "verify", "--man=no", tmp_path / unit.name],
            capture_output=True,
            text=True,
        )
        # Units of the machine itself may have their own faults.
        ours = [line for line in run.stderr.splitlines() if "verifier" in line]
        assert (run.returncode, ours) == (0, []), run.stderr


def test_the_timed_service_runs_a_shift_and_counts_findings_as_success(estate: Estate) -> None:
    command = for_here(started_by("verifier-shift.service"), estate)
    assert verifier(*command).status == 0
    estate.mirror.delete(NORTH)
    status = verifier(*command).status
    assert str(status) in section("verifier-shift.service", "Service")["SuccessExitStatus"].split()


def test_the_resident_service_differs_only_in_how_it_is_started(estate: Estate) -> None:
    timed, resident = (dict(section(file, "Service")) for file in SERVICES)
    assert {name for name in timed if resident.get(name) != timed[name]} == {
        "Type",
        "ExecStart",
        "TimeoutStartSec",
    }
    assert set(resident) - set(timed) == {"Restart", "RestartSec", "RestartPreventExitStatus"}
    assert started_by(SERVICES[1]) == [*started_by(SERVICES[0]), "--resident"]
    estate.settings(more="[nonsense]")
    wrong = verifier(*for_here(started_by(SERVICES[1]), estate))
    assert str(wrong.status) == resident["RestartPreventExitStatus"]


def test_the_lines_for_cron_run_shifts_and_end_at_once_in_working_hours(estate: Estate) -> None:
    lines = [
        line.split(None, 1 if line.startswith("@") else 5)
        for line in (DEPLOY / "crontab").read_text().splitlines()
        if line and not line.startswith("#")
    ]
    assert [line[0] for line in lines] == ["5", "45", "@reboot"]
    commands = [for_here(shlex.split(line[-1]), estate) for line in lines]
    assert all(verifier(*command).status == 0 for command in commands)
    estate.settings(hours=working_now())
    assert verifier(*commands[0]).status == 0


# ------------------------------------------------------------------------------ the container


def instructions() -> dict[str, list[str]]:
    """What the file for containers says, by its instructions, each with their arguments."""
    text = re.sub(r"\\\n\s*", "", (DEPLOY / "Containerfile").read_text())
    found: dict[str, list[str]] = {}
    for line in text.splitlines():
        if line and not line.startswith("#"):
            name, _, arguments = line.partition(" ")
            found.setdefault(name, []).append(arguments)
    return found


def health(estate: Estate) -> int:
    """The health check, run as a container does."""
    [check] = instructions()["HEALTHCHECK"]
    command = check.partition("CMD ")[2]
    return subprocess.run(
        ["sh", "-c", command],
        env={
            **os.environ,
            "PATH": f"{HERE.parent}:{os.environ['PATH']}",
            "VERIFIER_CONFIG": str(estate.file),
        },
        stderr=subprocess.DEVNULL,
    ).returncode


def test_a_container_is_healthy_as_long_as_it_can_do_its_work(estate: Estate) -> None:
    assert health(estate) != 0, "nothing is known yet"
    assert estate.shift().status == 0
    assert health(estate) == 0
    estate.mirror.delete(NORTH)
    assert estate.shift().status == 1
    assert health(estate) == 0, "a finding is no fault of the container's"
    os.rename(estate.mirror.root, estate.root / "unplugged")
    assert estate.shift().status == 3
    assert health(estate) == 0, "nor is a place that is not there"
    estate.ledger.write_bytes(b"no ledger" * 1000)
    assert health(estate) != 0
    estate.ledger.unlink()
    assert health(estate) != 0
    estate.settings(more="[nonsense]")
    assert health(estate) != 0


def test_the_container_runs_a_resident_shift_and_not_as_root() -> None:
    said = instructions()
    assert said["USER"] == ["verifier"]
    assert said["ENTRYPOINT"] == ['["verifier"]']
    assert said["CMD"] == ['["shift", "--resident"]']
    assert "/" not in said["ARG"][0], "whose image it is is for the user to say"


# ------------------------------------------------------------------------------ the sandbox

SANDBOX = r"""
set -e
mount --make-rprivate /
for kept in "$STATE" "$REPORTS"; do mount --bind "$kept" "$kept"; done
mount -o remount,bind,ro "$ROOT_OF_ALL"
exec setpriv --reuid 65534 --regid 65534 --clear-groups --no-new-privs --bounding-set=-all \
    --inh-caps=-all --ambient-caps=-all -- "$@"
"""


@pytest.mark.root
@pytest.mark.skipif(
    sys.platform != "linux" or os.geteuid() != 0 or shutil.which("setpriv") is None,
    reason="needs root and setpriv",
)
def test_a_shift_needs_no_right_but_reading_and_its_two_folders(open_tmp: Path) -> None:
    """Fails when anything is written outside of the ledger's folder and the reports'."""
    estate = Estate(open_tmp)
    reports = estate.state / "reports"
    reports.mkdir()
    for folder in (estate.state, reports):
        os.chown(folder, 65534, 65534)
    mounted = mount_of(open_tmp)

    may = subprocess.run(
        ["setpriv", "--reuid=65534", "--clear-groups", sys.executable, "-c", "import verifier"],
        cwd="/",
        capture_output=True,
    )
    if may.returncode:
        pytest.skip("other users may not run this Python")

    def in_it(*arguments: str) -> Outcome:
        return verifier(
            "--config",
            estate.file,
            *arguments,
            before=("unshare", "--mount", "sh", "-c", SANDBOX, "sandbox"),
            environment={
                "STATE": str(estate.state),
                "REPORTS": str(reports),
                "ROOT_OF_ALL": mounted,
                "HOME": str(estate.state),
                "TMPDIR": str(estate.state),
            },
        )

    checked = in_it("preflight", "--json")
    assert checked.status == 0, checked.out
    [user] = [each for each in checked.document["checks"] if each["check"] == "user"]
    assert user["detail"] == "This runs as nobody."
    writing = [each for each in checked.document["checks"] if each["check"] == "writing"]
    assert [each["state"] for each in writing] == ["good", "good"]
    assert "read-only" in writing[0]["detail"]
    shift = in_it("shift", "--json")
    assert (shift.status, shift.document["stopped_by"]) == (0, "done"), shift.err
    assert shift.document["files_read"] == 2 * 7
    assert (reports / "report.html").is_file()
    assert in_it("spot-check", SHARE).status == 0


def mount_of(path: Path) -> str:
    """The mount that a path lies on."""
    while not os.path.ismount(path):
        path = path.parent
    return str(path)
