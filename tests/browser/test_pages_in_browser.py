"""The pages in a real browser: stepping, keyboard, narrow and dark, print, without script."""

from __future__ import annotations

import re
import threading
from collections.abc import Callable
from dataclasses import dataclass
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from typing import Any

import chess
import pytest

from convert.judging.judges import Bench
from convert.model import Review
from convert.reading.games import read_games
from convert.reports.board_svg import LEFT, SQUARE, TOP
from convert.reports.diagram import in_words
from convert.reports.html import index, index_row, page, page_name
from convert.reports.sections import by_look_ahead
from convert.review.game import review_game
from convert.wording.verdicts import verdict_words
from tablebases.probing import open_tables

pytestmark = pytest.mark.browser

ROOT = Path(__file__).parent.parent.parent
GAMES = {
    "trade": ROOT / "demo_games" / "03-rook-trade-into-a-drawn-pawn-ending.pgn",
    "handed-back": ROOT / "demo_games" / "04-winning-trade-missed-handed-back-and-taken.pgn",
    "hostile": ROOT / "tests" / "data" / "hostile.pgn",
}
Opened = Callable[..., Any]


@dataclass(frozen=True)
class Made:
    """A page on disk and the review it shows."""

    path: Path
    review: Review


@pytest.fixture(scope="session")
def made(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Made]:
    """The pages, made once, and ``index``."""
    folder = tmp_path_factory.mktemp("pages")
    out, rows = {}, []
    for number, (name, path) in enumerate(GAMES.items(), 1):
        (read,) = read_games(path)
        review = review_game(read, Bench(open_tables()))
        file = folder / page_name(number, review)
        file.write_text(page(review, index="index.html"), encoding="utf-8")
        rows.append(index_row(number, file.name, review))
        out[name] = Made(file, review)
    file = folder / "index.html"
    file.write_text("".join(index(rows, "Games")), encoding="utf-8")
    out["index"] = Made(file, out["trade"].review)
    return out


def boards(review: Review) -> list[chess.Board]:
    """The positions of the game, with their moves."""
    board = chess.Board(review.start_fen)
    found = [board.copy()]
    for record in review.plies:
        board.push_uci(record.uci)
        found.append(board.copy())
    return found


def shown(page: Any, figure: str) -> str:
    """The men on a diagram, as FEN, read from where they are drawn."""
    uses = page.eval_on_selector_all(
        f"#{figure} .men use",
        "all => all.map(u => [u.getAttribute('href'), +u.getAttribute('x'), +u.getAttribute('y')])",
    )
    board = chess.Board(None)
    for href, x, y in uses:
        square = chess.square(int((x - LEFT) // SQUARE), 7 - int((y - TOP) // SQUARE))
        board.set_piece_at(square, chess.Piece.from_symbol(href.removeprefix("#fp-")))
    return board.board_fen()


def score_figure(page: Any) -> str:
    ident = page.get_attribute(".scoresheet figure", "id")
    assert isinstance(ident, str)
    return ident


def check_score(page: Any, review: Review, board: chess.Board, ply: int) -> None:
    """The board beside the score shows ``ply``, in men, words, mover and verdict."""
    figure = score_figure(page)
    assert shown(page, figure) == board.board_fen(), ply
    words = page.text_content(f"#{figure} svg title")
    assert words.startswith(in_words(board.fen())), ply
    if ply:
        uci = board.peek().uci()
        assert words.endswith(f"last move from {uci[:2]} to {uci[2:4]}")
    fill = page.get_attribute(f"#{figure} .mover", "fill")
    assert fill == ("#fff" if board.turn else "#000")
    verdict = review.plies[ply - 1].verdict if ply else review.start_verdict
    caption = page.text_content(f"#{figure} .caption")
    assert caption.endswith(by_look_ahead(verdict_words(verdict.for_side(review.side))))


@pytest.mark.parametrize("name", GAMES)
def test_stepping_shows_the_right_position_at_each_ply(
    name: str, made: dict[str, Made], opened: Opened
) -> None:
    page, review = opened(made[name].path), made[name].review
    positions = boards(review)
    page.focus(".score .mv[tabindex='0']")
    page.keyboard.press("Home")
    check_score(page, review, positions[0], 0)
    for ply in range(1, len(positions)):
        page.keyboard.press("ArrowRight")
        check_score(page, review, positions[ply], ply)
        current = page.get_attribute(".score > p > .mv[aria-current]", "id")
        assert current == f"p{ply}"
    page.keyboard.press("ArrowRight")
    check_score(page, review, positions[-1], len(positions) - 1)
    page.keyboard.press("ArrowLeft")
    check_score(page, review, positions[-2], len(positions) - 2)
    page.keyboard.press("End")
    check_score(page, review, positions[-1], len(positions) - 1)
    page.keyboard.press("Escape")
    start = review.ending_ply or 0
    check_score(page, review, positions[start], start)


def unfold(page: Any) -> None:
    """Open what is folded, as a reader does before he clicks on it."""
    page.evaluate("document.querySelectorAll('details').forEach(d => { d.open = true })")


@pytest.mark.parametrize("name", GAMES)
def test_every_shown_line_can_be_stepped(name: str, made: dict[str, Made], opened: Opened) -> None:
    page, review = opened(made[name].path), made[name].review
    unfold(page)
    before = {(board.fullmove_number, board.turn): board for board in boards(review)}
    # The author's variations start where they were written, which may be in another variation.
    sidelines = iter([line.fen for record in review.plies for line in record.sidelines])
    lines = page.query_selector_all("[data-line]:not(.score)")
    assert lines
    for line in lines:
        moves = line.query_selector_all(":scope > .mv")
        figure = page.evaluate(
            "line => (line.closest('article') || line.closest('.scoresheet'))"
            ".querySelector('figure').id",
            line,
        )
        at_rest = shown(page, figure), page.text_content(f"#{figure} title")
        board: chess.Board | None = None
        if line.evaluate("line => line.closest('.sideline') !== null"):
            board = chess.Board(next(sidelines))
        for i, move in enumerate(moves):
            found = re.fullmatch(r"(?:(\d+)\.(\.\.)?)?(\S+)", move.text_content())
            assert found
            if board is None:
                board = before[int(found[1]), found[2] is None].copy(stack=False)
            board.push_san(found[3])
            if i == 0:
                move.click()
            else:
                page.keyboard.press("ArrowRight")
            assert shown(page, figure) == board.board_fen()
            assert page.text_content(f"#{figure} title").startswith(in_words(board.fen()))
        page.keyboard.press("Escape")
        assert (shown(page, figure), page.text_content(f"#{figure} title")) == at_rest


def test_the_buttons_step_too(made: dict[str, Made], opened: Opened) -> None:
    page, review = opened(made["trade"].path), made["trade"].review
    positions = boards(review)
    controls = page.locator(".scoresheet .controls button")
    names = controls.evaluate_all("all => all.map(b => b.getAttribute('aria-label'))")
    assert names == ["To the start", "Back", "On", "To the end"]
    at = review.ending_ply or 0
    controls.nth(2).click()
    check_score(page, review, positions[at + 1], at + 1)
    controls.nth(1).click()
    controls.nth(1).click()
    check_score(page, review, positions[at - 1], at - 1)
    controls.nth(0).click()
    check_score(page, review, positions[0], 0)
    controls.nth(3).click()
    check_score(page, review, positions[-1], len(positions) - 1)


def test_arrow_keys_need_no_focus(made: dict[str, Made], opened: Opened) -> None:
    page, review = opened(made["trade"].path), made["trade"].review
    at = review.ending_ply or 0
    page.keyboard.press("ArrowRight")
    check_score(page, review, boards(review)[at + 1], at + 1)


def test_the_strip_leads_to_the_move(made: dict[str, Made], opened: Opened) -> None:
    page, review = opened(made["trade"].path), made["trade"].review
    positions = boards(review)
    slip = next(s for s in review.slips if s.certain)
    link = page.locator(f".strip a[href='#p{slip.ply}']")
    label = link.get_attribute("aria-label")
    assert "drawn (table" in label
    assert "a slip" in label
    link.click()
    check_score(page, review, positions[slip.ply], slip.ply)
    assert page.evaluate("document.activeElement.id") == f"p{slip.ply}"
    # By keyboard: one stop of the tab key, arrows along it.
    assert page.locator(".strip a[tabindex='0']").count() == 1
    page.focus(".strip a")
    for key in ("End", "Home", "ArrowRight", "ArrowRight"):
        page.keyboard.press(key)
    page.keyboard.press("Enter")
    page.wait_for_function("document.activeElement.id === 'p3'")
    check_score(page, review, positions[3], 3)


def test_a_link_into_the_page_opens_at_the_move(made: dict[str, Made], browser: Any) -> None:
    review = made["trade"].review
    page = browser.new_page()
    page.goto(made["trade"].path.as_uri() + "#p20")
    check_score(page, review, boards(review)[20], 20)
    page.close()


def test_keyboard_alone_reaches_everything_and_shows_where_it_is(
    made: dict[str, Made], opened: Opened
) -> None:
    page = opened(made["trade"].path)
    seen: set[str] = set()
    for _ in range(400):
        page.keyboard.press("Tab")
        kind, style, width = page.evaluate(
            """() => {
              const e = document.activeElement;
              if (e === document.body) return ["end", "solid", 3];
              const target = e.closest(".strip") ? e.querySelector(".strip-hit") : e;
              const s = getComputedStyle(target);
              const kind = e.closest(".strip") ? "strip" : e.closest(".score") && e.matches(".mv")
                ? "score" : e.matches(".mv") ? "line" : e.matches(".controls button") ? "button"
                : "link";
              return target === e ? [kind, s.outlineStyle, parseFloat(s.outlineWidth)]
                : [kind, s.stroke === "none" ? "none" : "solid", parseFloat(s.strokeWidth)];
            }"""
        )
        assert style != "none", kind
        assert width >= 2, kind
        seen.add(kind)
        if kind == "end":
            break
    assert seen == {"strip", "score", "line", "button", "link", "end"}


@pytest.mark.parametrize("name", [*GAMES, "index"])
@pytest.mark.parametrize("width", [320, 360, 800, 1280])
def test_nothing_scrolls_sideways(
    name: str, width: int, made: dict[str, Made], opened: Opened
) -> None:
    page = opened(made[name].path, width=width)
    assert page.evaluate("document.documentElement.scrollWidth") <= width
    if name != "index":
        page.keyboard.press("ArrowRight")
        assert page.evaluate("document.documentElement.scrollWidth") <= width


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("width", [360, 1280])
@pytest.mark.parametrize("name", [*GAMES, "index"])
def test_accessibility_rules_hold(
    name: str,
    width: int,
    scheme: str,
    made: dict[str, Made],
    opened: Opened,
    accessible: Callable[[Any, int], None],
) -> None:
    page = opened(made[name].path, width=width, color_scheme=scheme)
    if name != "index":
        page.keyboard.press("ArrowRight")
    accessible(page, 20)


def test_dark_changes_the_page_and_leaves_the_diagrams(
    made: dict[str, Made], opened: Opened
) -> None:
    grounds = {}
    for scheme in ("light", "dark"):
        page = opened(made["trade"].path, color_scheme=scheme)
        grounds[scheme] = page.evaluate(
            "[document.body, document.querySelector('figure')]"
            ".map(e => getComputedStyle(e).backgroundColor)"
        )
    assert grounds["light"][0] != grounds["dark"][0]
    assert grounds["light"][1] == grounds["dark"][1] == "rgb(255, 255, 255)"


def test_motion_only_where_it_is_welcome(made: dict[str, Made], opened: Opened) -> None:
    for wish, behaviour in (("reduce", "auto"), ("no-preference", "smooth")):
        page = opened(made["trade"].path, reduced_motion=wish)
        got = page.evaluate("getComputedStyle(document.documentElement).scrollBehavior")
        assert got == behaviour


@pytest.mark.parametrize("name", ["trade", "handed-back"])
def test_print(name: str, made: dict[str, Made], opened: Opened) -> None:
    page, review = opened(made[name].path), made[name].review
    at_rest = page.eval_on_selector_all("figure title", "all => all.map(t => t.textContent)")
    unfold(page)
    page.locator("article .line .mv").first.click()
    page.keyboard.press("ArrowRight")
    page.locator(".score .mv").first.click()
    pdf = page.pdf(prefer_css_page_size=True)
    pages = len(re.findall(rb"/Type\s*/Page\b", pdf))
    assert 3 <= pages <= 4 + len(review.trades) // 2 + len(review.slips)
    # What was stepped is back at its diagram, and nothing for the screen is printed.
    titles = page.eval_on_selector_all("figure title", "all => all.map(t => t.textContent)")
    assert titles == at_rest
    page.emulate_media(media="print")
    page.set_viewport_size({"width": 665, "height": 940})
    for hidden in (".controls", "nav"):
        assert not page.locator(hidden).first.is_visible()
    breaks = page.eval_on_selector_all(
        "figure.diagram", "all => all.map(f => [getComputedStyle(f).breakInside, f.offsetHeight])"
    )
    assert len(breaks) == len(at_rest)
    for inside, height in breaks:
        assert inside == "avoid"
        assert 60 < height < 500
    assert page.evaluate("document.documentElement.scrollWidth") <= 665


@pytest.mark.parametrize("name", GAMES)
def test_everything_is_there_without_script(
    name: str, made: dict[str, Made], opened: Opened
) -> None:
    review = made[name].review
    page = opened(made[name].path, java_script_enabled=False)
    text = page.locator("main").inner_text()
    for wanted in ("Outcome for", "Trades", "Where it slipped", "The score", "How we know"):
        assert wanted in text
    assert page.locator("figure.diagram svg").count() >= len(review.trades) + len(review.slips) + 1
    assert page.locator(".controls").count() == 0
    hrefs = [link.get_attribute("href") for link in page.locator("a[href^='#']").all()]
    assert len(hrefs) > len(review.plies)
    for href in set(hrefs):
        assert page.locator(href).count() == 1, href
    moves = page.locator(".score > p > .mv").all_inner_texts()
    assert [move.split(".")[-1] for move in moves] == [record.san for record in review.plies]


def test_hostile_text_stays_text(made: dict[str, Made], opened: Opened) -> None:
    page, review = opened(made["hostile"].path), made["hostile"].review
    assert page.evaluate("window.taken") is None
    assert page.locator("script").count() == 2
    assert page.locator("img, iframe, object, embed, base, form, main style").count() == 0
    assert review.tags["White"] in page.locator("h1").inner_text()
    assert "</script><script>" in page.locator(".score").inner_text()
    page = opened(made["index"].path)
    assert review.tags["White"] in page.locator("table").inner_text()
    assert page.evaluate("window.taken") is None


INTRUDERS = """() => {
  for (const [name, key, value] of [
      ["script", "textContent", "window.taken = 1"], ["script", "src", "/x.js"],
      ["img", "src", "/x.png"], ["iframe", "src", "/x.html"],
      ["style", "textContent", "body { color: rgb(255, 0, 0) }"]]) {
    const made = document.createElement(name);
    made[key] = value;
    document.body.append(made);
  }
}"""


@pytest.mark.parametrize("name", ["trade", "index"])
def test_the_policy_lets_nothing_in(name: str, made: dict[str, Made], browser: Any) -> None:
    """On a web site: script, style, picture and frame put into the page do nothing.

    The same page without its policy shows that they would.
    """
    text = made[name].path.read_text(encoding="utf-8")
    bare = re.sub(r'<meta http-equiv="Content-Security-Policy"[^>]*>', "", text)
    assert bare != text
    asked: list[str] = []

    class Site(BaseHTTPRequestHandler):
        def do_GET(self) -> None:
            served = {"/page": text, "/bare": bare}.get(self.path)
            if served is None:
                asked.append(self.path)
            self.send_response(200 if served else 404)
            self.send_header("Content-Type", "text/html; charset=utf-8")
            self.end_headers()
            self.wfile.write((served or "").encode())

        def log_message(self, *_: object) -> None:
            pass

    server = ThreadingHTTPServer(("127.0.0.1", 0), Site)
    threading.Thread(target=server.serve_forever, daemon=True).start()
    page = browser.new_page()
    try:
        found = {}
        for path in ("/page", "/bare"):
            asked.clear()
            page.goto(f"http://127.0.0.1:{server.server_port}{path}")
            page.evaluate(INTRUDERS)
            page.wait_for_timeout(400)
            colour = page.evaluate("getComputedStyle(document.body).color")
            found[path] = (page.evaluate("window.taken"), colour == "rgb(255, 0, 0)", sorted(asked))
        assert found["/page"] == (None, False, [])
        assert found["/bare"] == (1, True, ["/x.html", "/x.js", "/x.png"])
    finally:
        page.close()
        server.shutdown()
        server.server_close()


def test_the_index_sorts(made: dict[str, Made], opened: Opened) -> None:
    page = opened(made["index"].path)

    def column(n: int) -> list[str]:
        cells: list[str] = page.locator(f"tbody tr > :nth-child({n})").all_inner_texts()
        return cells

    whites = column(2)
    page.get_by_role("button", name="White").click()
    assert column(2) == sorted(whites, key=str.casefold)
    assert page.locator("th[aria-sort]").count() == 1
    assert page.get_attribute("th:nth-child(2)", "aria-sort") == "ascending"
    page.get_by_role("button", name="White").click()
    assert column(2) == sorted(whites, key=str.casefold, reverse=True)
    assert page.get_attribute("th:nth-child(2)", "aria-sort") == "descending"
    page.get_by_role("button", name="Moves").press("Enter")
    assert column(7) == sorted(column(7), key=int)
    page.get_by_role("button", name="No.").click()
    assert column(1) == ["1", "2", "3"]


def test_the_index_is_a_plain_table_without_script(made: dict[str, Made], opened: Opened) -> None:
    page = opened(made["index"].path, java_script_enabled=False)
    assert page.locator("button").count() == 0
    for link in page.locator("tbody a").all():
        assert (made["index"].path.parent / link.get_attribute("href")).is_file()
