"""What the page and the messages say of places that are listed, read by budget, or far away.

They must never pass for read.
"""

from __future__ import annotations

import os
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest
from object_stores import Bucket, Proxy, bucket, proxy, server

from program.estate import SHARE, Estate
from program.mailbox import WebServer, web_server
from program.test_object_store_shifts import PLAN, Studio

__all__ = ["bucket", "proxy", "server"]


@pytest.fixture
def studio(tmp_path: Path, bucket: Bucket, proxy: Proxy) -> Studio:
    return Studio(tmp_path, bucket, proxy)


@pytest.fixture
def room() -> Iterator[WebServer]:
    with web_server() as found:
        yield found


def notify(room: WebServer) -> str:
    return f'[notify]\nto = ["json://127.0.0.1:{room.port}/rooms/1"]\n'


def told(room: WebServer) -> tuple[str, str]:
    """Subject and body of the last message, as one line."""
    body = room.heard[-1][2]
    return body["title"], " ".join(body["message"].split())


def page(studio: Estate) -> str:
    return (studio.state / "reports" / "report.html").read_text("utf-8")


def test_a_place_that_is_only_listed_is_read_nowhere(studio: Studio, room: WebServer) -> None:
    """Fails when the plan counts its files among what the coming shift reads."""
    studio.settings(more=notify(room))
    assert studio.shift().status == 0
    subject, body = told(room)
    assert subject.startswith("All good as far as all is read: ") and "All good" not in body
    assert f"as far as all is read: {SHARE} on faraway is only listed." in body
    assert f"Only listed, since reading costs: {SHARE}, faraway. Of the contents" in body
    shown = page(studio)
    assert "0 pending, 8 unread" in shown
    coming = shown.partition('id="coming"')[2].partition("</table>")[0]
    assert "only listed" in coming and "8 files" not in coming.partition("faraway")[2]
    whole = sum(each.stat().st_size for each in studio.source.root.rglob("*") if each.is_file())
    report = studio.run("report", "--json").document
    assert report["next_shift"]["bytes"] <= 2 * whole  # of bench and vault
    assert report["next_shift"]["files"] <= 16
    (faraway,) = [each for each in report["places"] if each["place"] == "faraway"]
    assert (faraway["last_read"], faraway["oldest_read"], faraway["on_target"]) == (None,) * 3
    assert faraway["unread"]["files"] == 8 and faraway["verdicts"]["matched"] == 0

    studio.put(PLAN, b"low tide")  # of another size, which a listing shows
    studio.shift()
    assert told(room)[0] == "1 file missing or old on faraway; the source is fine"


def test_what_a_spot_check_once_read_of_a_listed_place_does_not_pass_for_read(
    studio: Studio,
) -> None:
    """Fails when a listed place without an unread file counts as one that shifts read."""
    assert studio.shift().status == 0
    assert studio.run("spot-check", SHARE, "--at-most", "0.0001").status == 0
    assert studio.shift().status == 0
    report = studio.run("report", "--json").document
    (faraway,) = [each for each in report["places"] if each["place"] == "faraway"]
    assert faraway["unread"]["files"] == 0
    assert "current-surveys on faraway is only listed" in report["sentence"]
    said = " ".join(studio.run("report").out.decode().split())
    assert "every copy of them, but for current-surveys on faraway, were read in full" in said


def test_a_file_larger_than_a_months_budget_is_said_to_be_read_never(
    studio: Studio, room: WebServer
) -> None:
    """Fails when a budget that covers all in time is taken to cover each file."""
    studio.settings(read_at_most="5 MB a month", more=notify(room))
    assert studio.shift().status == 0
    subject, body = told(room)
    assert subject.startswith("All good as far as all is read: ")
    assert subject.endswith(", 9.0 MB left for the next shifts, nothing needs you")
    assert "All that was due has been read" not in body
    said = "1 file is larger than what may be read there in a month, so that no shift ever reads"
    assert said in body
    shown = page(studio)
    assert "Of current-surveys on faraway, 1 file is larger than the 5.0 MB that may be" in shown
    assert "cannot end" in shown
    audit = studio.run("audit", "--json")
    (faraway,) = [each for each in audit.document["places"] if each["place"] == "faraway"]
    assert faraway["on_target"] is False and faraway["round_ends"] is None
    assert "larger than a month's budget, and never read" in " ".join(
        studio.run("audit").out.decode().split()
    )


def test_a_far_host_that_stops_answering_is_told_and_nothing_is_called_good(
    tmp_path: Path, room: WebServer
) -> None:
    """The far end is the real one, started by what stands in place of an SSH client."""
    studio = Estate(tmp_path)
    client = tmp_path / "bin" / "ssh"
    client.parent.mkdir()
    client.write_text(f'#!/bin/sh\nexec "{sys.executable}" -m verifier far-end\n')
    client.chmod(0o755)
    studio.settings(more=notify(room))
    here = f'at = "{studio.mirror.root}"'
    assert here in studio.file.read_text()
    there = f'at = "ssh://vault.example{studio.mirror.root}"'
    studio.file.write_text(studio.file.read_text().replace(here, there))
    path = {"PATH": f"{client.parent}:{os.environ['PATH']}"}
    assert studio.shift(environment=path).status == 0
    assert told(room)[0].startswith("All good: ")
    assert "ssh://vault.example" in page(studio)

    client.write_text("#!/bin/sh\necho 'Connection refused' >&2\nexit 255\n")
    assert studio.shift(environment=path).status == 3
    assert room.titles[1:] == [
        f"vault ({SHARE}) cannot be reached; it is not read any further",
        f"vault ({SHARE}) could not be reached; it was not checked",
    ]
    assert "ssh://vault.example" in told(room)[1]
    assert "Not known to be good: the last shift did not look through" in page(studio)
