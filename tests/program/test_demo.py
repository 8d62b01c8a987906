"""The demo ends by writing the page, and the page says of the planted faults what the demo says."""

from __future__ import annotations

import json
import shutil
from pathlib import Path

from program.running import verifier


def test_the_demo_leaves_a_page_that_knows_the_planted_faults(tmp_path):
    folder = tmp_path / "lantern-marsh"
    outcome = verifier("demo", "--keep", folder)
    assert outcome.status == 0, outcome.err
    page = folder / "reports" / "report.html"
    assert f"The page that a shift left behind: {page}" in outcome.out.decode()
    told = page.read_text("utf-8")
    assert "findings need you" in told and "before the next mirror run" in told
    found = json.loads((folder / "reports" / "report-findings.json").read_bytes())["findings"]
    by_path = {each["path"]: (each["verdict"], each["cause"], each["side"]) for each in found}
    wall, meadow = "2026-014-harbour-wall", "2026-019-salt-meadow"
    assert by_path[f"{wall}/flights/overview.mp4"] == ("corrupt", "rot", "mirror")
    assert by_path[f"{wall}/flights/0007.jpg"] == ("corrupt", "rot", "source")
    assert by_path[f"{wall}/notes/page-3.txt"] == ("corrupt", "rot", "both")
    assert by_path[f"{meadow}/notes/page-1.txt"] == ("stale", "older-version", "mirror")
    for each in by_path:
        assert each.rpartition("/")[2] in outcome.out.decode(), f"{each} was not planted"


def test_the_page_of_a_demo_that_keeps_nothing_stays(tmp_path):
    outcome = verifier("demo", environment={"TMPDIR": str(tmp_path)})
    assert outcome.status == 0, outcome.err
    page = Path(outcome.out.decode().rpartition("left behind: ")[2].strip())
    assert page.name == "report.html" and page.is_file()
    assert [each.name for each in tmp_path.iterdir()] == [page.parent.name]
    shutil.rmtree(page.parent)
