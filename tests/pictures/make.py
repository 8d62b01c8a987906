"""Makes the pictures of docs/pictures from a studio that was made up.

    python tests/pictures/make.py [--out DIR]

Needs Chromium, as Debian's package of that name installs it.  They look best where the fonts that
the page asks for first are installed; any will do.
"""

from __future__ import annotations

import argparse
import shutil
import sys
import tempfile
from datetime import datetime
from pathlib import Path
from typing import Any, NamedTuple

sys.path.insert(0, str(Path(__file__).resolve().parent.parent))

from playwright.sync_api import sync_playwright

from pictures.studio import DAY, NOW, make
from verifier.jobs.report import gather
from verifier.jobs.shift import lasting_findings
from verifier.reporting.page.files import publish

ROOT = Path(__file__).resolve().parent.parent.parent
LARGEST = 300_000
"""Bytes that a picture may have: they travel with every clone."""


class Shot(NamedTuple):
    """One picture: of which page, at which width, in which scheme, of what."""

    name: str
    page: str
    width: int
    scheme: str
    of: str
    height: int


SHOTS = (
    Shot("all-good", "calm", 1040, "light", ".head", 700),
    Shot("needs-you", "troubled", 1040, "light", ".head", 980),
    Shot("finding", "troubled", 1040, "light", "#hold-the-mirror-run", 620),
    Shot("finding-at-night", "troubled", 1040, "dark", "#mend-the-mirror", 900),
    Shot("places", "troubled", 1040, "light", "#shares", 700),
    Shot("ages", "troubled", 1040, "light", "figure.plate >> nth=0", 600),
    Shot("nights", "troubled", 1040, "light", "figure.plate >> nth=1", 700),
    Shot("pace", "troubled", 1040, "light", "figure.plate >> nth=2", 700),
    Shot("growth", "troubled", 1040, "light", "figure.plate >> nth=3", 700),
    Shot("verdicts", "troubled", 1040, "light", "figure.plate >> nth=4", 600),
    Shot("on-a-phone", "troubled", 390, "dark", "body", 844),
    Shot("overdue", "calm", 1040, "light", ".head", 620),
)


def main() -> int:
    """Make them all; 1 when one is too large."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--out", type=Path, default=ROOT / "docs" / "pictures")
    out = parser.parse_args().out
    out.mkdir(exist_ok=True)
    chromium = shutil.which("chromium")
    if chromium is None:
        print("Chromium is not installed: apt-get install chromium", file=sys.stderr)
        return 3
    with tempfile.TemporaryDirectory() as folder, sync_playwright() as playwright:
        pages = {
            name: published(Path(folder) / name, trouble=name == "troubled")
            for name in ("calm", "troubled")
        }
        browser = playwright.chromium.launch(executable_path=chromium, args=["--no-sandbox"])
        for shot in SHOTS:
            take(browser, shot, pages[shot.page], out / f"{shot.name}.png")
        browser.close()
    sizes = {each.name: (out / f"{each.name}.png").stat().st_size for each in SHOTS}
    for name, size in sizes.items():
        print(f"{name}.png: {size / 1000:.0f} kB")
    return int(max(sizes.values()) > LARGEST)


def published(folder: Path, trouble: bool) -> Path:
    """The page of a studio."""
    folder.mkdir()
    studio = make(folder, files=260_000, trouble=trouble)
    with studio.ledger() as ledger:
        report = gather(studio.settings, ledger, NOW)
        return publish(report, lambda: lasting_findings(ledger), studio.settings.studio.reports)


def take(browser: Any, shot: Shot, page: Path, out: Path) -> None:
    """One picture."""
    context = browser.new_context(
        viewport={"width": shot.width, "height": 900}, color_scheme=shot.scheme
    )
    opened = context.new_page()
    later = 3 * DAY if shot.name == "overdue" else 0
    opened.clock.set_fixed_time(datetime.fromtimestamp(NOW + later))
    opened.goto(page.as_uri())
    box = opened.locator(shot.of).first.bounding_box()
    edge = 24 if shot.width > 400 else 0
    clip = {
        "x": max(0, box["x"] - edge),
        "y": max(0, box["y"] - edge) + (60 if shot.of.startswith("#shares") else 0),
        "width": min(shot.width, box["width"] + 2 * edge),
        "height": min(shot.height, box["height"] + (0 if "#shares" in shot.of else 2 * edge)),
    }
    opened.screenshot(path=out, clip=clip, full_page=True)
    context.close()


if __name__ == "__main__":
    sys.exit(main())
