"""A real browser for the pages: Debian's chromium, headless, driven through playwright.

Without one the tests are skipped, with the reason; with ``FULLPOINT_BROWSER=required`` they fail
instead.  ``FULLPOINT_CHROMIUM`` names the browser, ``FULLPOINT_AXE`` the file ``axe.min.js``.
"""

from __future__ import annotations

import os
import shutil
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any, NoReturn

import pytest


def missing(what: str) -> NoReturn:
    """Skip, or fail where a browser is required."""
    if os.environ.get("FULLPOINT_BROWSER") == "required":
        pytest.fail(f"{what}, and FULLPOINT_BROWSER=required")
    pytest.skip(what)


@pytest.fixture(scope="session")
def browser() -> Iterator[Any]:
    """The browser, started once."""
    try:
        from playwright.sync_api import sync_playwright
    except ImportError:
        missing("playwright is not installed")
    path = os.environ.get("FULLPOINT_CHROMIUM") or shutil.which("chromium")
    if path is None or not Path(path).exists():
        missing("there is no chromium")
    with sync_playwright() as driver:
        # Root has no sandbox of its own.
        args = ["--no-sandbox"] if os.geteuid() == 0 else []
        started = driver.chromium.launch(executable_path=path, args=args)
        yield started
        started.close()


@pytest.fixture(scope="session")
def axe() -> str:
    """The source of axe-core."""
    path = os.environ.get("FULLPOINT_AXE")
    if path is None or not Path(path).is_file():
        missing("FULLPOINT_AXE does not name axe.min.js")
    return Path(path).read_text(encoding="utf-8")


@pytest.fixture
def opened(browser: Any) -> Iterator[Callable[..., Any]]:
    """``opened(path, width=1280, ...)``: a page, which fails the test if anything was amiss."""
    troubles: list[str] = []
    contexts = []

    def open_page(path: Path, *, width: int = 1280, height: int = 900, **options: Any) -> Any:
        context = browser.new_context(viewport={"width": width, "height": height}, **options)
        contexts.append(context)
        page = context.new_page()
        own = path.as_uri()
        page.on("console", lambda message: troubles.append(f"console: {message.text}"))
        page.on("pageerror", lambda error: troubles.append(f"error: {error}"))
        page.on("dialog", lambda dialog: (troubles.append("dialog"), dialog.dismiss()))
        page.on(
            "request",
            lambda request: (
                request.url.split("#")[0] == own
                or request.url.startswith("data:")
                or troubles.append(f"request: {request.url}")
            ),
        )
        page.goto(own)
        return page

    yield open_page
    for context in contexts:
        context.close()
    assert troubles == []


@pytest.fixture
def accessible(axe: str) -> Callable[[Any, int], None]:
    """``accessible(page, least)``: no rule of axe-core is broken, A, AA and good practice.

    More than ``least`` rules must have applied and passed.
    """

    def check(page: Any, least: int) -> None:
        page.evaluate(axe)
        found = page.evaluate(
            "axe.run(document, {runOnly: {type: 'tag', values: ['wcag2a', 'wcag2aa', 'wcag21a', "
            "'wcag21aa', 'wcag22aa', 'best-practice']}})"
        )
        assert [(v["id"], v["nodes"][0]["html"][:200]) for v in found["violations"]] == []
        assert len(found["passes"]) > least

    return check
