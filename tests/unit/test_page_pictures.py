"""The pictures: to scale, small however much is wrong, and each with its words."""

from __future__ import annotations

import re
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pictures.studio import NOW, make

from verifier.jobs.report import Report, gather
from verifier.model import Damage, DamageRange, Pattern
from verifier.reporting.page import Beside, page
from verifier.reporting.page.damage_picture import damage_drawn, in_words
from verifier.reporting.page.drawing import WIDE, svg, words
from verifier.reporting.page.pictures import pictures

LEFT = 52.0
PLOT = WIDE * 0.78 - LEFT


def damage(size: int, *ranges: tuple[int, int], pattern: Pattern = Pattern.GARBLED) -> Damage:
    found = tuple(DamageRange(start, end, pattern) for start, end in ranges)
    return Damage(size, size, found, sum(end - start for start, end in ranges), "")


def marks(drawn: str, kind: str = "hurt") -> list[tuple[float, float]]:
    found = re.findall(
        rf'<rect x="([0-9.]+)" y="[0-9.]+" width="([0-9.]+)" [^>]*class="{kind}"', drawn
    )
    return [(float(x), float(width)) for x, width in found]


@given(st.integers(1_000, 10**15), st.floats(0, 0.9), st.floats(0.01, 0.1))
def test_damage_is_drawn_where_it_is(size, start, part):
    first, last = int(size * start), int(size * (start + part))
    wide, _ = damage_drawn(damage(size, (first, last)))
    ((x, width),) = marks(wide)
    assert x == pytest.approx(LEFT + PLOT * first / size, abs=0.1)
    assert width == pytest.approx(max(2.0, PLOT * (last - first) / size), abs=0.1)


def test_a_single_bit_of_a_huge_file_still_shows():
    wide, narrow = damage_drawn(damage(10**15, (5 * 10**14, 5 * 10**14 + 1)))
    assert marks(wide)[0][1] == marks(narrow)[0][1] == 2.0


def test_a_thousand_ranges_make_a_small_picture():
    spots = [(at * 1000, at * 1000 + 10) for at in range(1000)]
    wide, _ = damage_drawn(damage(10**6, *spots))
    assert len(wide) < 40_000
    assert len(marks(wide)) <= PLOT / 2


def test_a_missing_tail_is_drawn_on_the_mirror_only():
    cut = Damage(100, 75, (DamageRange(75, 100, Pattern.MISSING_TAIL),), 25, "")
    wide, _ = damage_drawn(cut)
    assert marks(wide, "gone") == [
        (pytest.approx(LEFT + PLOT * 0.75, abs=0.1), pytest.approx(PLOT * 0.25, abs=0.1))
    ]
    assert 'y="24"' in wide
    assert in_words(cut).startswith("25 bytes differ, missing at the end of the mirror")


def test_what_was_left_out_or_cut_short_is_said():
    cut = Damage(100, 100, (DamageRange(1, 2, Pattern.GARBLED),), 9, "", left_out=3, complete=False)
    assert "in 4 stretches" in in_words(cut) and "cut short" in in_words(cut)


def test_text_in_a_picture_is_never_markup():
    drawn = svg(10, 10, [words(0, 0, "<script>&\"'")], '"><script>', "wide")
    assert "<script>" not in drawn


@pytest.fixture(scope="module", params=[True, False], ids=["troubled", "calm"])
def report(request, tmp_path_factory: pytest.TempPathFactory) -> Report:
    studio = make(tmp_path_factory.mktemp("studio"), files=400, trouble=request.param)
    with studio.ledger() as ledger:
        return gather(studio.settings, ledger, NOW)


def test_each_picture_has_a_sentence_a_note_and_its_figures(report):
    drawn = pictures(report)
    assert len(drawn) == 5
    for each in drawn:
        assert each.title.endswith(".") and each.title[0] != " "
        assert each.note
        assert len(each.rows) > 1
        assert len({len(row) for row in each.rows}) == 1
        assert 'role="img"' in each.wide and "aria-label" in each.narrow
        for number in re.findall(r' [xy]="([^"]+)"', each.wide + each.narrow):
            assert float(number) >= 0


def test_the_sentences_tell_what_is_wrong(report):
    told = " ".join(each.title for each in pictures(report))
    troubled = bool(report.open)
    assert ("4 nights had no shift" in told) == troubled
    assert ("Much slower than before: delivered-surveys on vault" in told) == troubled
    assert ("is full around" in told) == troubled


def test_the_table_of_nights_adds_up_to_the_year(report):
    nights = next(each for each in pictures(report) if each.rows[0][0] == "Month")
    assert sum(int(row[1]) for row in nights.rows[1:]) == len(report.nights)


def test_a_page_of_a_year_is_small(report):
    made = page(report, Beside("a.csv", "a.json", "/srv/reports"))
    assert len(made) < 600_000


def test_templates_are_part_of_the_package():
    import verifier.reporting.page as package

    folder = Path(package.__file__).parent / "templates"
    assert {each.name for each in folder.iterdir()} == {
        "report.html.j2",
        "script.js",
        "style.css",
    }
