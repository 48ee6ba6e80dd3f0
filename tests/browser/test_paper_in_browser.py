"""The sheet of exercises and the booklet in a real browser: narrow, dark, accessible, on paper."""

from __future__ import annotations

import re
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from demo_reviews import demo_path

from convert.cli import main
from convert.lesson.builtin import INTRO, TITLE, stored
from convert.lesson.sheet import make_sheet
from convert.reports.lesson_html import html_text

pytestmark = pytest.mark.browser

Opened = Callable[..., Any]
STARTS = ("05", "09")


@pytest.fixture(scope="session")
def sheet(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The built-in lesson as a page."""
    path = tmp_path_factory.mktemp("sheet") / "lesson.html"
    path.write_text(html_text(make_sheet(TITLE, stored(), intro=INTRO)), encoding="utf-8")
    return path


@pytest.fixture(scope="session")
def booklet(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Two demo games."""
    path = tmp_path_factory.mktemp("booklet") / "season.html"
    games = [str(demo_path(start)) for start in STARTS]
    with pytest.raises(SystemExit) as left:
        main(["game", *games, "-q", "--no-solve", "--effort", "quick", "--booklet", str(path)])
    assert not left.value.code
    return path


@pytest.fixture
def made(request: pytest.FixtureRequest) -> Path:
    """The page that a test is given by name."""
    path = request.getfixturevalue(request.param)
    assert isinstance(path, Path)
    return path


@pytest.mark.parametrize("width", [320, 360, 800, 1280])
@pytest.mark.parametrize("made", ["sheet", "booklet"], indirect=True)
def test_nothing_scrolls_sideways(width: int, made: Path, opened: Opened) -> None:
    page = opened(made, width=width)
    assert page.evaluate("document.documentElement.scrollWidth") <= width


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("width", [360, 1280])
@pytest.mark.parametrize(("made", "least"), [("sheet", 15), ("booklet", 12)], indirect=["made"])
def test_accessibility_rules_hold(
    width: int,
    scheme: str,
    made: Path,
    least: int,
    opened: Opened,
    accessible: Callable[[Any, int], None],
) -> None:
    page = opened(made, width=width, color_scheme=scheme)
    page.evaluate("document.querySelectorAll('details').forEach(d => { d.open = true; })")
    accessible(page, least)


def test_hints_unfold_with_the_keyboard_and_answers_are_linked(sheet: Path, opened: Opened) -> None:
    page = opened(sheet, reduced_motion="reduce")
    summary = page.locator("details summary").first
    summary.focus()
    page.keyboard.press("Enter")
    assert page.locator("details p").first.is_visible()
    page.locator("a[href='#a1']").first.click()
    top = page.evaluate("document.getElementById('a1').getBoundingClientRect().top")
    assert -5 <= top <= 200


def test_on_paper_hints_and_answers_begin_new_pages(sheet: Path, opened: Opened) -> None:
    page = opened(sheet)
    pdf = page.pdf(prefer_css_page_size=True)
    number = len(stored())
    pages = len(re.findall(rb"/Type\s*/Page\b", pdf))
    # Four or six exercises a page, with lines to write on; pages of hints; of answers one for six.
    assert number / 6 + 1 + number / 6 <= pages <= number / 4 + number / 6 + 6
    page.emulate_media(media="print")
    assert page.locator(".write").first.is_visible()
    assert page.locator(".six").count() == -(-number // 6)
    for section in ("#hints", "#answers"):
        first = page.locator(section)
        assert first.is_visible()
        assert first.evaluate("e => getComputedStyle(e).breakBefore") == "page"
    assert not page.locator("details").first.is_visible()
    inside = page.eval_on_selector_all(
        "article.task", "all => all.map(a => getComputedStyle(a).breakInside)"
    )
    assert len(inside) == number
    assert set(inside) == {"avoid"}


def test_contents_lead_to_the_games_and_each_begins_a_sheet(booklet: Path, opened: Opened) -> None:
    page = opened(booklet)
    links = page.eval_on_selector_all(
        "nav a[href^='#']", "all => all.map(a => a.getAttribute('href'))"
    )
    assert len(links) == len(STARTS)
    for link in links:
        assert page.locator(link).count() == 1
    page.emulate_media(media="print")
    for link in links:
        before = page.locator(link).evaluate("e => getComputedStyle(e).breakBefore")
        assert before == "page"
    pdf = page.pdf(prefer_css_page_size=True)
    # A title page with the contents, and at least a sheet a game.
    assert len(re.findall(rb"/Type\s*/Page\b", pdf)) >= 1 + len(STARTS)
    inside = page.eval_on_selector_all(
        ".beside", "all => all.map(e => getComputedStyle(e).breakInside)"
    )
    assert set(inside) == {"avoid"}
