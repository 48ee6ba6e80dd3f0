"""Names that run from right to left, or leave something open, turn nothing round on a page."""

from __future__ import annotations

import unicodedata
from html.parser import HTMLParser
from pathlib import Path

import pytest

from convert.cli import main
from convert.rim.safe_text import FSI, PDI

NAMES = {
    "isolate": "abc\u2067def",
    "override": "\u202eabc",
    "embedding": "\u202babc\u2066",
    "closer": "abc\u2069\u202c\u2069",
    "Hebrew": "\u05d0\u05d1\u05d2",
    "Arabic digits": "\u0661\u0662\u0663",
}
PGN = """[Event "{0}"]
[Site "{0}"]
[Round "{0}"]
[White "{0}"]
[Black "{0}"]
[Date "2026.01.09"]
[Result "1/2-1/2"]
[SetUp "1"]
[FEN "8/8/8/4k3/8/4K3/4P3/8 w - - 0 1"]

{{{0}}} 1. Kd3 {{{0}}} Kd5 ({{{0}}} 1... Kf5 {{{0}}}) 2. e3 {{{0}}} Ke5 1/2-1/2
"""
RTL = frozenset(("R", "AL", "AN", "RLE", "RLO", "LRE", "LRO"))


class Texts(HTMLParser):
    """The texts of a page, each with all its attributes' values."""

    def __init__(self, page: str):
        super().__init__()
        self.texts: list[str] = []
        self.feed(page)

    def handle_data(self, data: str) -> None:
        self.texts.append(data)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.texts += [value for _, value in attrs if value]


def check(page: str) -> int:
    """Hold each text of a page against the rules; returns how many have something to keep apart."""
    found = 0
    for text in Texts(page).texts:
        depth = 0
        for sign in text:
            depth += (sign in "\u2066\u2067\u2068") - (sign == PDI)
            assert depth >= 0, ascii(text)
            if unicodedata.bidirectional(sign) in RTL:
                assert depth > 0, ascii(text)
                found += 1
        assert depth == 0, ascii(text)
        assert sum(map(text.count, "\u202a\u202b\u202d\u202e")) == text.count("\u202c"), ascii(text)
        found += text.count(FSI)
    return found


def run(*words: str) -> None:
    """Run a command that does what it should."""
    with pytest.raises(SystemExit) as left:
        main([*words, "-q", "--no-solve"])
    assert left.value.code == 0


@pytest.fixture(params=list(NAMES.values()), ids=list(NAMES))
def here(request: pytest.FixtureRequest, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A folder with a game of players with such a name."""
    monkeypatch.chdir(tmp_path)
    (tmp_path / "game.pgn").write_text(PGN.format(request.param), encoding="utf-8")
    return tmp_path


def test_pages_of_games_and_their_index(here: Path) -> None:
    run("game", "game.pgn", "--html", "pages", "--effort", "quick")
    (page,) = (here / "pages").glob("0001*.html")
    text = page.read_text(encoding="utf-8")
    assert check(text) >= 10
    # The result stands after both names, outside what they open.
    title = text.partition("<title>")[2].partition("</title>")[0]
    assert title.endswith(f"{PDI} ½–½")
    assert f"{PDI}, round {FSI}" in text
    assert check((here / "pages/index.html").read_text(encoding="utf-8")) >= 3


def test_the_page_of_a_collection(here: Path) -> None:
    pytest.importorskip("pyarrow")
    run("collection", "game.pgn", "-o", "oc", "--effort", "walk", "--jobs", "1")
    run("collection", "report", "oc", "--html", "report.html")
    page = (here / "report.html").read_text(encoding="utf-8")
    assert check(page) >= 2
    assert f"{PDI} – {FSI}" in page  # each player for himself


def test_a_sheet_of_exercises(here: Path) -> None:
    player = (here / "game.pgn").read_text(encoding="utf-8").split('"')[1]
    (here / "one.epd").write_text(
        f'8/8/8/4k3/8/4K3/4P3/8 w - - id "{player}"; hmvc 0;\n', encoding="utf-8"
    )
    run("lesson", "one.epd", "-o", "sheet.html", "--title", f"Of {player}", "--effort", "quick")
    assert check((here / "sheet.html").read_text(encoding="utf-8")) >= 2


def test_pgn_and_json_keep_the_authors_text(here: Path) -> None:
    before = (here / "game.pgn").read_text(encoding="utf-8").split('"')[1]
    run("game", "game.pgn", "--pgn", "out.pgn", "--json", "out.json", "--effort", "quick")
    for name in ("out.pgn", "out.json"):
        assert before in (here / name).read_text(encoding="utf-8")
        assert FSI not in (here / name).read_text(encoding="utf-8")
