"""The sheet of exercises in a real browser: narrow, dark, accessible, and on paper."""

from __future__ import annotations

import re
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from convert.lesson.builtin import INTRO, TITLE, stored
from convert.lesson.sheet import make_sheet
from convert.reports.lesson_html import html_text

pytestmark = pytest.mark.browser

Opened = Callable[..., Any]


@pytest.fixture(scope="session")
def sheet(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The built-in lesson as a page."""
    path = tmp_path_factory.mktemp("sheet") / "lesson.html"
    path.write_text(html_text(make_sheet(TITLE, stored(), intro=INTRO)), encoding="utf-8")
    return path


@pytest.mark.parametrize("width", [320, 360, 800, 1280])
def test_nothing_scrolls_sideways(width: int, sheet: Path, opened: Opened) -> None:
    page = opened(sheet, width=width)
    assert page.evaluate("document.documentElement.scrollWidth") <= width


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("width", [360, 1280])
def test_accessibility_rules_hold(
    width: int, scheme: str, sheet: Path, opened: Opened,
    accessible: Callable[[Any, int], None],
) -> None:
    page = opened(sheet, width=width, color_scheme=scheme)
    page.evaluate("document.querySelectorAll('details').forEach(d => { d.open = true; })")
    accessible(page, 15)


def test_hints_unfold_with_the_keyboard_and_answers_are_linked(
    sheet: Path, opened: Opened
) -> None:
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
    # Six exercises a page; a page or two of hints; answers at least one and at most three a page.
    assert number / 6 + 1 + number / 3 <= pages <= number / 6 + 4 + number
    page.emulate_media(media="print")
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
