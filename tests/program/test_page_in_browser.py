"""The page as a browser shows it: nothing fetched, nothing run that is not ours, read by anyone."""

from __future__ import annotations

import shutil
import sqlite3
from collections.abc import Callable, Iterator
from contextlib import closing
from datetime import datetime
from pathlib import Path
from typing import Any

import pytest
from pictures.studio import CURRENT, NOW, PLACES, Studio, make

from verifier import settings
from verifier.findings import action_for
from verifier.jobs.report import gather
from verifier.jobs.shift import lasting_findings
from verifier.model import Cause, Finding, Side, Verdict
from verifier.reporting.page.files import publish

CHROMIUM = next(filter(None, map(shutil.which, ("chromium", "chromium-browser"))), None)

pytestmark = pytest.mark.skipif(
    CHROMIUM is None, reason="needs Chromium, as Debian's package of that name installs it"
)

DAY = 86_400
PHONE, TABLET, DESKTOP = (360, 780), (768, 1024), (1440, 900)

HOSTILE = (
    b"<script>document.title='taken over'</script>.jpg",
    b'"><img src=x onerror="document.title=\'taken over\'">.jpg',
    b"' onmouseover='document.title=1' x='.jpg",
    b"</style><script>fetch('http://mail.example/')</script>/a.jpg",
    b"{{ 7 * 7 }}{% for each in ''.__class__ %}.jpg",
    b"-->]]><!--&lt;b&gt;&amp;.jpg",
    b"two\nlines\r\tand a tab.jpg",
    b" a  blank before, two within.jpg",
    "flights/\u202egpj.exe".encode(),
    "\u05e9\u05dc\u05d5\u05dd/\u0627\u0644\u0639\u0631\u0628\u064a\u0629.jpg".encode(),
    b"caf\xe9\xff\xfe.jpg",
    b"\x1b[2J\x00\x07.jpg".replace(b"\x00", b""),
    b"/".join([b"a long name that goes on and on" * 6] * 21)[:4000],
    b"\x01" * 255 + b"/" + b"\x02" * 255,
    b'=HYPERLINK("http://mail.example").jpg',
)


def published(studio: Studio) -> Path:
    """The studio's page as of that night."""
    with studio.ledger() as ledger:
        report = gather(studio.settings, ledger, NOW)
        return publish(report, lambda: lasting_findings(ledger), studio.settings.studio.reports)


@pytest.fixture(scope="module")
def browser() -> Iterator[Any]:
    from playwright.sync_api import sync_playwright

    with sync_playwright() as playwright:
        opened = playwright.chromium.launch(executable_path=CHROMIUM, args=["--no-sandbox"])
        yield opened
        opened.close()


@pytest.fixture(scope="module")
def troubled(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return published(make(tmp_path_factory.mktemp("troubled"), files=400))


@pytest.fixture(scope="module")
def calm(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return published(make(tmp_path_factory.mktemp("calm"), files=400, trouble=False))


@pytest.fixture(scope="module")
def hostile(tmp_path_factory: pytest.TempPathFactory) -> Path:
    studio = make(tmp_path_factory.mktemp("hostile"), files=400, trouble=False)
    verdict = Verdict.CORRUPT, Cause.ROT, Side.MIRROR
    with studio.ledger() as ledger:
        for number, name in enumerate(HOSTILE):
            told = "The same content stands on the mirror as " + name.decode("utf-8", "replace")
            other = HOSTILE[number - 1]
            finding = Finding(name, *verdict, 9, told, action_for(*verdict)[1], other)
            kept = ledger.findings.seen(PLACES[1], finding, int(NOW - number * DAY))
            if number % 3 == 0:
                ledger.findings.settled(
                    PLACES[1], name, int(NOW), "<script>document.title='taken over'</script>\n"
                )
                ledger.findings.seen(PLACES[1], finding, int(NOW))
            assert kept.share == CURRENT
    return published(studio)


class Seen:
    """A page in the browser, with all that it asked for and complained of."""

    def __init__(self, page: Any) -> None:
        self.page = page
        self.asked: list[str] = []
        self.complaints: list[str] = []


Open = Callable[..., Seen]


@pytest.fixture
def show(browser: Any) -> Iterator[Open]:
    contexts = []

    def opened(
        file: Path,
        size: tuple[int, int] = DESKTOP,
        scheme: str = "light",
        at: float = NOW + 60,
        script: bool = True,
    ) -> Seen:
        context = browser.new_context(
            viewport={"width": size[0], "height": size[1]},
            color_scheme=scheme,
            java_script_enabled=script,
        )
        contexts.append(context)
        seen = Seen(context.new_page())

        def decide(route: Any) -> None:
            if route.request.url == file.as_uri():
                route.continue_()
            else:
                seen.asked.append(route.request.url)
                route.abort()

        context.route("**/*", decide)
        seen.page.on("console", lambda message: seen.complaints.append(message.text))
        seen.page.on("pageerror", lambda error: seen.complaints.append(str(error)))
        seen.page.clock.set_fixed_time(datetime.fromtimestamp(at))
        seen.page.goto(file.as_uri())
        return seen

    yield opened
    for context in contexts:
        context.close()


def visible(seen: Seen, what: str) -> list[str]:
    return [each.inner_text() for each in seen.page.locator(what).all() if each.is_visible()]


# ------------------------------------------------------------------------------------ stands alone


@pytest.mark.parametrize("which", ["troubled", "calm", "hostile"])
def test_it_asks_for_nothing_and_complains_of_nothing(show, request, which):
    seen = show(request.getfixturevalue(which))
    assert seen.asked == []
    assert seen.complaints == []
    assert seen.page.locator("h1").count() == 1


def test_its_policy_keeps_even_a_script_that_got_in_from_running(show, troubled, tmp_path):
    text = troubled.read_text()
    broken = tmp_path / "report.html"
    slipped_in = "<script>document.title='taken over'</script><img src='http://mail.example/x'>"
    broken.write_text(text.replace("</main>", f"{slipped_in}</main>"))
    seen = show(broken)
    assert "taken over" not in seen.page.title()
    assert seen.asked == []
    assert any("Content Security Policy" in each for each in seen.complaints)


def test_names_that_mean_harm_are_shown_and_do_none(show, hostile):
    seen = show(hostile)
    page = seen.page
    assert "needs you" in page.title() or "need you" in page.title()
    assert page.locator("script").count() == 1
    assert page.locator("img, iframe, object, embed, [onmouseover], [onerror]").count() == 0
    names = visible(seen, ".finding h4")
    assert len(names) == len(HOSTILE)
    assert "<script>document.title='taken over'</script>.jpg" in names
    assert "{{ 7 * 7 }}{% for each in ''.__class__ %}.jpg" in names
    assert "two\\x0alines\\x0d\\x09and a tab.jpg" in names
    assert "flights/\\u202egpj.exe" in names
    assert "caf\\xe9\\xff\\xfe.jpg" in names
    assert " a  blank before, two within.jpg" in names
    (long,) = [each for each in names if "a long name" in each]
    assert "letters left out" in long and len(long) < 600
    page.locator("summary").first.click()
    assert seen.asked == [] and seen.complaints == []


@pytest.fixture(scope="module")
def wordy(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The studio in trouble, with names that are much longer than anybody needs."""
    studio = make(tmp_path_factory.mktemp("wordy"), files=400)
    longer = {
        CURRENT: "current-surveys-of-the-northern-harbours-and-the-marshes",
        "faraway": "the-cellar-of-the-lighthouse-keeper",
    }
    text = studio.file.read_text()
    with closing(sqlite3.connect(studio.settings.studio.ledger)) as ledger:
        for name, long in longer.items():
            text = text.replace(f'name = "{name}"', f'name = "{long}"')
            for table in ("shares", "places"):
                ledger.execute(f"UPDATE {table} SET name = ? WHERE name = ?", (long, name))
        ledger.execute("UPDATE night_verdicts SET paths = paths * 1000003")
        ledger.commit()
    studio.file.write_text(text)
    return published(Studio(studio.file, settings.load(studio.file)))


@pytest.mark.parametrize("size", [PHONE, TABLET, DESKTOP])
@pytest.mark.parametrize("which", ["troubled", "hostile", "wordy"])
def test_nothing_is_wider_than_the_screen(show, request, which, size):
    # Fails when a table keeps its columns where there is no room for them.
    page = show(request.getfixturevalue(which), size).page
    page.evaluate("document.querySelectorAll('details').forEach(each => each.open = true)")
    assert page.evaluate("document.documentElement.scrollWidth") <= size[0]
    wide = "[...document.querySelectorAll('.scroll')].filter(each => each.scrollWidth > {})"
    assert page.evaluate(f"{wide.format('each.clientWidth + 1')}.map(each => each.ariaLabel)") == []


MISPLACED = """() => [...document.querySelectorAll("svg")].flatMap((svg) => {
  const frame = svg.getBoundingClientRect();
  const texts = [...svg.querySelectorAll("text")].map(
    (each) => [each.textContent, each.getBoundingClientRect()]);
  const outside = texts.filter(
    ([, box]) => box.left < frame.left - 1 || box.right > frame.right + 1);
  const onAnother = texts.filter(([, box], at) => texts.slice(at + 1).some(([, other]) =>
    Math.min(box.right, other.right) - Math.max(box.left, other.left) > 1 &&
    Math.min(box.bottom, other.bottom) - Math.max(box.top, other.top) > 3));
  return [...outside, ...onAnother].map(([said]) => said);
})"""


@pytest.mark.parametrize("size", [PHONE, DESKTOP])
@pytest.mark.parametrize("which", ["troubled", "hostile", "wordy"])
def test_no_word_of_a_picture_stands_outside_of_it_or_on_another_one(show, request, which, size):
    # Fails when the width of bold letters is taken for that of plain ones.
    page = show(request.getfixturevalue(which), size).page
    assert page.locator("svg text").count() > 20
    assert page.evaluate(MISPLACED) == []


def test_it_prints_dark_on_white_with_all_findings_and_without_what_is_only_for_a_screen(
    show, troubled
):
    seen = show(troubled, (700, 1000), "dark")
    seen.page.emulate_media(media="print", color_scheme="dark")
    paper = "getComputedStyle(document.documentElement).backgroundColor"
    assert seen.page.evaluate(paper) == "rgb(255, 255, 255)"
    assert len(visible(seen, ".finding")) == 10
    assert visible(seen, "nav, .controls, .skip, summary") == []
    assert seen.page.evaluate("document.documentElement.scrollWidth") <= 700


# ---------------------------------------------------------------------------------- sort and filter


def test_findings_are_filtered_and_sorted_by_keyboard_alone(show, troubled):
    seen = show(troubled)
    page = seen.page
    everything = visible(seen, ".finding h4")
    assert len(everything) == 10
    for _ in range(40):
        page.keyboard.press("Tab")
        if page.evaluate("document.activeElement.id") == "find":
            break
    page.keyboard.type("OVERVIEW")
    found = visible(seen, ".finding h4")
    assert "2026-014-harbour-wall/flights/overview.mp4" in found
    assert len(found) == 2  # the other was found while checking around it
    assert visible(seen, "#shown") == ["2 of 10 shown"]
    assert len(visible(seen, ".group h3")) == 1
    for _ in "OVERVIEW":
        page.keyboard.press("Backspace")
    assert visible(seen, ".finding h4") == everything
    page.keyboard.press("Tab")
    page.keyboard.press("End")
    assert all("delivered-surveys" in each for each in visible(seen, ".finding .margin"))
    assert len(visible(seen, ".finding")) == 2
    page.keyboard.press("Home")
    page.keyboard.press("Tab")
    page.keyboard.press("ArrowDown")
    assert visible(seen, ".finding h4") == ["2026-014-harbour-wall/orthos/south.tif"]
    page.keyboard.press("Home")
    page.keyboard.press("Tab")
    assert page.evaluate("document.activeElement.id") == "order"
    page.keyboard.press("End")
    assert sorted(visible(seen, ".finding h4")) == sorted(everything)


def test_the_newest_and_the_oldest_findings_can_be_had_first(show, hostile):
    seen = show(hostile)
    page = seen.page
    first = [int(each) for each in seen_numbers(seen)]
    page.locator("#order").select_option("oldest")
    oldest = [int(each) for each in seen_numbers(seen)]
    page.locator("#order").select_option("newest")
    assert [int(each) for each in seen_numbers(seen)] == oldest[::-1]
    assert oldest == sorted(first, reverse=True)  # each was seen a day before the one made before
    page.locator("#order").select_option("given")
    assert [int(each) for each in seen_numbers(seen)] == first


def seen_numbers(seen: Seen) -> list[str]:
    return [each.split()[-1] for each in seen.page.locator(".finding .margin b").all_inner_texts()]


def test_the_history_of_a_finding_opens_by_keyboard(show, troubled):
    seen = show(troubled)
    seen.page.locator("summary").first.focus()
    seen.page.keyboard.press("Enter")
    assert "opened: corrupt, rot, source side" in visible(seen, "details[open] li")[0]


# --------------------------------------------------------------------------- silence is no all good


def test_when_the_next_report_is_overdue_the_page_says_so_before_all_else(show, calm):
    fresh = show(calm)
    assert "All good" in fresh.page.title()
    assert not fresh.page.locator("#overdue").is_visible()
    late = show(calm, at=NOW + 3 * DAY)
    assert late.page.locator("#overdue").is_visible()
    assert "the checking has stopped" in late.page.locator("#overdue").inner_text()
    assert late.page.title().startswith("Not up to date")
    assert late.page.locator(".mark").get_attribute("aria-label") == "Not up to date"
    top = late.page.locator("#overdue").bounding_box()["y"]
    assert top < late.page.locator("h1").bounding_box()["y"]


def test_without_any_script_all_findings_are_shown_and_the_words_say_until_when(show, troubled):
    seen = show(troubled, script=False)
    assert len(visible(seen, ".finding")) == 10
    assert not visible(seen, "#controls")
    (believe,) = visible(seen, ".believe")
    assert "The next one is due by Thursday 26 November 2026, 09:20" in believe
    assert "the checking has stopped" in believe


# ------------------------------------------------------------------------------------ for everybody


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("size", [PHONE, DESKTOP])
def test_axe_finds_nothing_that_keeps_anybody_from_reading_it(show, troubled, size, scheme):
    seen = show(troubled, size, scheme, at=NOW + 3 * DAY)
    seen.page.evaluate("document.querySelectorAll('details').forEach(each => each.open = true)")
    assert violations(seen) == []


@pytest.mark.parametrize(("size", "scheme"), [(PHONE, "dark"), (DESKTOP, "light")])
def test_axe_finds_nothing_on_a_page_of_a_calm_night(show, calm, size, scheme):
    assert violations(show(calm, size, scheme)) == []


def violations(seen: Seen) -> list[str]:
    from axe_playwright_python.sync_playwright import Axe

    found = Axe().run(seen.page).response["violations"]
    return [
        f"{each['impact']}: {each['id']}: {node['html'][:120]}"
        for each in found
        for node in each["nodes"]
        if each["impact"] in ("serious", "critical", "moderate")
    ]


def test_axe_would_find_a_page_that_nobody_can_read(show, troubled, tmp_path):
    pale = tmp_path / "report.html"
    pale.write_text(troubled.read_text().replace('<html lang="en">', "<html>"))
    assert any("html-has-lang" in each for each in violations(show(pale)))
