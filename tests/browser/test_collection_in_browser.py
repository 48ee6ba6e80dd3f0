"""The report on a collection in a real browser: narrow, dark, without script, on paper."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

pytest.importorskip("pyarrow")

from collection_rows import NAMES, error, game, random_collection, write_part

from convert.collection.summarise import summarise
from convert.reports.collection_html import html_text

pytestmark = pytest.mark.browser

Opened = Callable[..., Any]
KINDS = ("judged", "walked", "player", "hostile")


@pytest.fixture(scope="session")
def made(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Path]:
    """The page of a collection with verdicts, of one without, of a player, and of odd names."""
    folder = tmp_path_factory.mktemp("collections")
    random_collection(folder / "judged", 4, 120)
    random_collection(folder / "walked", 4, 120, judged=False)
    long = "W" * 90
    odd = game(
        1,
        white=long,
        black="<b>\u202eX</b>",
        event=long,
        file=f"{long}.pgn",
        ending_ahead="white",
        ending_ply=3,
        ending_kind="rook ending",
        ending_edge="a pawn up",
        ending_material="KRPvKR",
        side=None,
        effort="walk",
    )
    write_part(folder / "hostile", "00", {"games": [odd], "errors": [error(1, file=long)]})
    out = {}
    for kind in KINDS:
        name = "judged" if kind == "player" else kind
        player = NAMES[0] if kind == "player" else None
        out[kind] = folder / f"{kind}.html"
        page = html_text(summarise(folder / name, player=player, most=6))
        out[kind].write_text(page, encoding="utf-8")
    return out


@pytest.mark.parametrize("width", [320, 360, 800, 1280])
@pytest.mark.parametrize("kind", KINDS)
def test_nothing_scrolls_sideways(
    kind: str, width: int, made: dict[str, Path], opened: Opened
) -> None:
    page = opened(made[kind], width=width)
    assert page.evaluate("document.documentElement.scrollWidth") <= width
    over = page.evaluate(
        "[...document.querySelectorAll('td, th, .bar, h3')]"
        ".filter(e => e.offsetParent && e.closest('thead') === null)"
        ".filter(e => e.getBoundingClientRect().right > innerWidth + 1).length"
    )
    assert over == 0


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("width", [360, 1280])
@pytest.mark.parametrize("kind", KINDS)
def test_accessibility_rules_hold(
    kind: str,
    width: int,
    scheme: str,
    made: dict[str, Path],
    opened: Opened,
    accessible: Callable[[Any, int], None],
) -> None:
    page = opened(made[kind], width=width, color_scheme=scheme)
    accessible(page, 15)


def test_bars_are_drawn_to_scale_in_the_colours_of_the_page(
    made: dict[str, Path], opened: Opened
) -> None:
    inks = set()
    for scheme in ("light", "dark"):
        page = opened(made["judged"], color_scheme=scheme)
        bar = page.locator("svg.bar").first
        width = bar.evaluate("e => e.getBoundingClientRect().width")
        full = bar.locator("rect").first.evaluate("e => e.getBoundingClientRect().width")
        cells = page.locator("tbody tr").first.locator("td")
        number = int(cells.nth(0).evaluate("e => e.firstChild.textContent"))
        count = int(cells.nth(2).locator(".count").text_content())
        assert full / width == pytest.approx(count / number, abs=0.02)
        inks.add(bar.locator("rect").first.evaluate("e => getComputedStyle(e).fill"))
    assert len(inks) == 2


def test_it_reads_without_script_and_prints_with_its_tables_whole(
    made: dict[str, Path], opened: Opened
) -> None:
    page = opened(made["judged"], java_script_enabled=False)
    assert page.locator("table").count() >= 10
    assert page.locator("script").count() == 0
    page = opened(made["judged"], width=360, bypass_csp=True)
    page.emulate_media(media="print")
    page.set_viewport_size({"width": 660, "height": 900})
    first = page.locator("tbody tr").first
    assert first.evaluate("e => getComputedStyle(e).display") == "table-row"
    inside = page.eval_on_selector_all(
        ".table, .game", "all => all.map(e => getComputedStyle(e).breakInside)"
    )
    assert set(inside) == {"avoid"}
    assert not page.locator("nav").is_visible()
    assert page.evaluate("document.documentElement.scrollWidth") <= 660
    # Which serif a system has is not ours to say: paper holds the tables in wide ones too.
    for wide in ("DejaVu Serif", "DejaVu Sans"):
        page.add_style_tag(content=f"* {{ font-family: '{wide}' !important }}")
        assert page.evaluate("document.documentElement.scrollWidth") <= 660
    assert len(page.pdf(prefer_css_page_size=True)) > 10_000
