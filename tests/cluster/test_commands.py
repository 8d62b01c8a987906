"""What commands say when workers of a cluster read for them: the same as when they do not."""

from __future__ import annotations

import json
from collections.abc import Iterator
from functools import partial
from pathlib import Path
from typing import Any

import pytest
from program.estate import SHARE, Estate, closing_in
from program.running import compare, refusal, running, verifier, wait_until
from trees import Tree, lantern_marsh

from cluster.machines import Machines, needs_dask, sees
from verifier.jobs.build import build
from verifier.jobs.progress import Unwatched
from verifier.places.base import Look
from verifier.settings import Engine, EngineKind

pytestmark = needs_dask

MEGABYTE = 1_000_000
NOBODY = "tcp://127.0.0.1:9"
"""A scheduler that is not there."""

NOWHERE = {"TLS__CA_FILE": "/nowhere/ca.pem", "TLS__CLIENT__CERT": "/nowhere/cert.pem"}
"""Certificates, in Dask's own configuration, that are not there."""

FILES = 409
"""What `surveys` makes on either side."""


@pytest.fixture
def impatient(monkeypatch: pytest.MonkeyPatch) -> None:
    """Nobody that is not there is waited for: Dask's own configuration, as its users know it."""
    monkeypatch.setenv("DASK_DISTRIBUTED__COMM__TIMEOUTS__CONNECT", "1s")


@pytest.fixture(scope="module")
def machines(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Machines]:
    """A scheduler with two workers."""
    with Machines(tmp_path_factory.mktemp("machines")) as running:
        running.start_worker("harbour")
        running.start_worker("quay")
        yield running


def surveys(root: Path) -> Tree:
    tree = lantern_marsh(root)
    tree.files(*(f"flights/{number:03}.jpg" for number in range(400)), size=20_000)
    return tree.files("north.laz", "south.laz", size=9 * MEGABYTE)


@pytest.fixture
def estate(tmp_path: Path) -> Estate:
    return Estate(tmp_path, surveys(tmp_path / "bench" / SHARE))


def by(scheduler: str) -> str:
    """Lines that have the workers of a scheduler read."""
    return f'[engine]\nkind = "dask"\nscheduler = "{scheduler}"'


def read_by_workers(machines: Machines) -> int:
    return sum(machines.read_by(name) for name in ("harbour", "quay"))


def test_a_manifest_is_the_same_to_the_byte(machines, tmp_path):
    tree = surveys(tmp_path / "bench").hard_link("south again.laz", "south.laz").fifo("pipe")
    now = partial(float, 1795557600)
    engines = {"here": None, "there": Engine(EngineKind.DASK, machines.address)}
    before = read_by_workers(machines)
    for name, engine in engines.items():
        out = tmp_path / f"{name}.manifest"
        build(tree.root, out, Look(), ("*.tmp",), Unwatched(), now, engine=engine)
    assert (tmp_path / "there.manifest").read_bytes() == (tmp_path / "here.manifest").read_bytes()
    assert read_by_workers(machines) - before > 25 * MEGABYTE


def faulty(estate: Estate) -> Estate:
    estate.mirror.flip_bit("flights/007.jpg", at=500).cut("north.laz", to=5 * MEGABYTE)
    estate.mirror.delete("flights/008.jpg").rename("flights/009.jpg", "flights/moved.jpg")
    estate.source.edit("flights/010.jpg")
    return estate


def told(document: Any) -> Any:
    """What a document says, without what no two runs share."""
    return [
        {k: each[k] for k in ("path", "verdict", "cause", "side", "damage") if k in each}
        for each in document["findings"]
    ]


def test_a_comparison_finds_the_same(machines, estate):
    faulty(estate).settings(more=by(machines.address))
    before = read_by_workers(machines)
    there = estate.run("compare", estate.source, estate.mirror, "--json")
    assert read_by_workers(machines) - before > 25 * MEGABYTE
    here = compare(estate.source, estate.mirror)
    assert there.status == here.status == 1
    assert told(there.document) == told(here.document)
    assert there.document["counts"] == here.document["counts"]
    assert there.document["source"]["read_bytes"] == here.document["source"]["read_bytes"]


def test_shift_spot_check_and_clearance_are_read_by_workers(machines, estate, tmp_path):
    local = Estate(tmp_path / "local", surveys(tmp_path / "local" / "bench" / SHARE))
    faulty(estate).settings(more=by(machines.address))
    before = read_by_workers(machines)
    there, here = estate.shift(), faulty(local).shift()
    assert read_by_workers(machines) - before > 40 * MEGABYTE
    assert (there.status, there.document["stopped_by"]) == (1, "done")
    assert told(there.document) == told(here.document)
    for key in ("files_read", "read_bytes", "left"):
        assert there.document[key] == here.document[key]

    before = read_by_workers(machines)
    checked = estate.run("spot-check", SHARE, "--seed", "7", "--json")
    assert checked.status == 1
    assert checked.document["sample"]["files"] > 100
    assert read_by_workers(machines) - before > MEGABYTE

    before = read_by_workers(machines)
    cleared = estate.run("clearance", SHARE, "2026-014-harbour-wall", "--json")
    rules = {each["rule"]: each["held"] for each in cleared.document["rules"]}
    assert cleared.status == 1, "refused: it changed lately, and no copy is off site"
    assert len(rules) > 3
    assert read_by_workers(machines) - before > MEGABYTE


def test_a_shift_on_a_cluster_ends_at_the_bell_and_the_next_one_reads_the_rest(machines, estate):
    more = by(machines.address)
    estate.settings(more=more, pace='at_most = "3 MB/s"', hours=closing_in(4))
    first = estate.shift().document
    assert first["stopped_by"] == "working-hours"
    assert first["left"]["files"] > 0
    estate.settings(more=more)
    second = estate.shift()
    assert (second.status, second.document["left"]) == (0, {"files": 0, "bytes": 0})
    assert first["files_read"] + second.document["files_read"] == 2 * FILES


def test_a_shift_whose_worker_is_lost_reads_everything(machines, estate):
    estate.settings(more=by(machines.address), pace='at_most = "12 MB/s"')
    machines.start_worker("jetty")
    before = read_by_workers(machines)
    with running("--config", estate.file, "shift", "--json") as shift:
        wait_until(lambda: read_by_workers(machines) - before > 2 * MEGABYTE, 60, "a beginning")
        machines.kill("jetty")
        out, _ = shift.communicate(timeout=120)
        assert shift.returncode == 0, out
    document = json.loads(out)
    assert (document["files_read"], document["left"]) == (2 * FILES, {"files": 0, "bytes": 0})


# ------------------------------------------------------------------------ which engine


def test_manifest_and_compare_ask_a_cluster_only_when_the_settings_are_named(
    estate, impatient, tmp_path
):
    estate.settings(more=by(NOBODY))
    usual = {"VERIFIER_CONFIG": str(estate.file)}
    for number, command in enumerate(("manifest", "compare")):
        other = ("--out", tmp_path / str(number)) if command == "manifest" else (estate.mirror,)
        arguments = (command, estate.source, *other)
        assert verifier(*arguments, environment=usual).status == 0
        said = verifier("--config", estate.file, *arguments)
        assert said.status == 3
        assert "The scheduler at tcp://127.0.0.1:9 does not answer" in said.err
    # What reads no content needs nobody.
    dates = ("compare", estate.source, estate.mirror, "--dates-only")
    assert verifier("--config", estate.file, *dates).status == 0


def test_a_shift_without_its_cluster_reads_nothing_and_says_why(estate, impatient):
    estate.settings(more=by(NOBODY))
    assert "does not answer" in refusal(3, "--config", estate.file, "shift")


def test_without_the_extra_a_sentence_says_how_to_install_it(estate, tmp_path):
    (tmp_path / "sitecustomize.py").write_text('import sys; sys.modules["distributed"] = None\n')
    estate.settings(more=by(NOBODY))
    environment = {"PYTHONPATH": str(tmp_path)}
    said = refusal(2, "--config", estate.file, "shift", environment=environment)
    assert "pip install 'copy-verifier[cluster]'" in said
    checked = estate.run("preflight", "--json", environment=environment)
    assert checked.status == 3
    assert "copy-verifier[cluster]" in one(checked.document, "engine")["advice"]
    estate.settings()
    assert estate.run("shift", environment=environment).status == 0


# ---------------------------------------------------------------------------- preflight


def one(document: Any, check: str, place: str | None = None) -> Any:
    (found,) = [
        each for each in document["checks"] if each["check"] == check and each.get("place") == place
    ]
    return found


def test_preflight_says_who_reads_and_that_all_see_the_same(machines, estate):
    estate.settings(more=by(machines.address), pace='at_most = "400 MB/s"')
    outcome = estate.run("preflight", "--json")
    assert outcome.status == 0, outcome.out
    engine = one(outcome.document, "engine")
    assert engine["state"] == "good"
    assert "2 workers with 2 threads" in engine["detail"]
    assert "each gets 180 MB/s" in engine["detail"]
    for place in ("source", "vault"):
        assert one(outcome.document, "workers", place)["state"] == "good"
        assert one(outcome.document, "reading", place)["state"] == "good"
    estate.settings()
    here = estate.run("preflight", "--json").document
    assert "This machine reads" in one(here, "engine")["detail"]


def test_preflight_says_that_a_scheduler_does_not_answer(estate, impatient):
    estate.settings(more=by(NOBODY))
    outcome = estate.run("preflight", "--json")
    assert outcome.status == 3
    assert "does not answer" in one(outcome.document, "engine")["detail"]
    assert one(outcome.document, "place", "vault")["state"] == "good"
    assert outcome.document["first_read"] is None


@pytest.mark.parametrize(
    ("scheduler", "configured", "why"),
    [
        ("tls://127.0.0.1:9", {}, "TLS"),
        ("tls://127.0.0.1:9", NOWHERE, "No such file"),
        (NOBODY, {"REQUIRE_ENCRYPTION": "True"}, "encryption required"),
    ],
)
def test_certificates_that_do_not_fit_are_told_in_a_sentence(estate, scheduler, configured, why):
    """Fails when Dask's client is made before: it prints a traceback after twenty seconds."""
    estate.settings(more=by(scheduler))
    environment = {f"DASK_DISTRIBUTED__COMM__{name}": value for name, value in configured.items()}
    said = refusal(3, "--config", estate.file, "shift", environment=environment)
    assert "cannot be spoken to as Dask's own configuration" in said
    assert why in said
    checked = estate.run("preflight", "--json", environment=environment)
    assert checked.status == 3
    assert "distributed.comm.tls" in one(checked.document, "engine")["advice"]


@pytest.mark.root
def test_preflight_names_the_worker_that_sees_another_tree(machines, estate):
    estate.settings(more=by(machines.address))
    with machines.worker("jetty", before=sees(estate.source.root, estate.mirror.root)):
        outcome = estate.run("preflight", "--json")
        assert outcome.status == 3
        wrong = one(outcome.document, "workers", "vault")
        assert wrong["state"] == "wrong"
        assert "The worker jetty" in wrong["detail"]
        assert "Mount the same tree" in wrong["advice"]
        assert one(outcome.document, "workers", "source")["state"] == "good"
        shift = estate.shift()
        assert shift.status == 3
        assert "sees another tree" in shift.err
        assert shift.document["files_read"] == FILES, "the source is read all the same"
