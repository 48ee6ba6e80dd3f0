"""Diagrams and pages: what stands in them, that it is escaped, and where they are written."""

from __future__ import annotations

import base64
import gc
import hashlib
import json
import re
import weakref
from collections.abc import Callable
from html.parser import HTMLParser
from pathlib import Path

import chess
import pytest
from cli_help import SHORT, run
from demo_reviews import demo_review
from hypothesis import given
from hypothesis import strategies as st
from strategies import positions as some_positions

from convert.cli.pages import Folder
from convert.judging.judges import Bench
from convert.model import Review, Side, from_json, to_json
from convert.reading.games import read_games
from convert.reports import Beside, form_called
from convert.reports.board_svg import KINDS, LEFT, SQUARE, TOP, Mark, board_svg, piece_defs
from convert.reports.diagram import in_words
from convert.reports.html import index, index_row, page, page_name
from convert.reports.html_lines import gone, positions
from convert.reports.html_strip import strip
from convert.reports.html_text import (
    comment_text,
    embedded_json,
    linked,
    nag_text,
    suffixes,
    unbroken,
)
from convert.review.game import review_game
from convert.wording.small import date_words
from convert.wording.verdicts import strip_letter
from tablebases.probing import open_tables

ROOT = Path(__file__).parent.parent
DEMO = ROOT / "demo_games"
HOSTILE = ROOT / "tests" / "data" / "hostile.pgn"
Gold = Callable[[str, str], None]


def reviewed(path: Path) -> Review:
    (read,) = read_games(path)
    return review_game(read, Bench(open_tables()))


@pytest.fixture(scope="module")
def hostile() -> Review:
    return reviewed(HOSTILE)


@pytest.fixture(scope="module")
def given_back() -> Review:
    return demo_review("09")


class Reader(HTMLParser):
    """Elements that nest, ids, links, text of raw elements; fails on what does not nest."""

    VOID = frozenset({"meta", "link", "br", "hr", "img", "input"})

    def __init__(self, text: str):
        super().__init__(convert_charrefs=True)
        self.open: list[str] = []
        self.ids: list[str] = []
        self.hrefs: list[str] = []
        self.raw: dict[str, list[str]] = {"script": [], "style": []}
        self.attributes: list[tuple[str, str, str | None]] = []
        self.words = ""
        self.feed(text)
        self.close()
        assert self.open == []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        if tag not in self.VOID:
            self.open.append(tag)
        if tag in self.raw:
            self.raw[tag].append("")
        for name, value in attrs:
            self.attributes.append((tag, name, value))
            if name == "id":
                self.ids.append(value or "")
            if name == "href":
                self.hrefs.append(value or "")

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.handle_starttag(tag, attrs)
        if tag not in self.VOID:
            self.open.pop()

    def handle_endtag(self, tag: str) -> None:
        assert self.open
        assert self.open.pop() == tag

    def handle_data(self, data: str) -> None:
        if self.open and self.open[-1] in self.raw:
            self.raw[self.open[-1]][-1] += data
        else:
            self.words += data


# --- diagrams -----------------------------------------------------------------------------


@given(some_positions(most=8), st.booleans())
def test_a_diagram_shows_the_position(board: chess.Board, flipped: bool) -> None:
    svg = Reader(board_svg(board.fen(), flipped=flipped, ident="a"))
    shown = chess.Board(None)
    for letter, x, y in re.findall(
        r'<use href="#fp-(\w)" x="(\d+)" y="(\d+)"',
        board_svg(board.fen(), flipped=flipped, ident="a"),
    ):
        column, row = (int(x) - LEFT) // SQUARE, (int(y) - TOP) // SQUARE
        square = chess.square(7 - column, row) if flipped else chess.square(column, 7 - row)
        shown.set_piece_at(square, chess.Piece.from_symbol(letter))
    assert shown.board_fen() == board.board_fen()
    assert svg.words.startswith(in_words(board.fen()))
    defined = Reader(piece_defs()).ids
    assert {href.removeprefix("#") for href in svg.hrefs} <= set(defined)


def test_a_diagram_in_words_names_marks_and_the_last_move() -> None:
    fen = "8/5k2/3r4/8/2K5/3R4/6P1/8 b - - 0 1"
    marks = [Mark("takes", "d6", "d3"), Mark("square", "e5"), Mark("given", "d6")]
    svg = board_svg(fen, marks=marks, last="c5c4", ident="x")
    title = re.search(r'<title id="x-t">(.*?)</title>', svg)
    assert title
    assert title[1] == (
        "White: Kc4, Rd3, pawn g2; Black: Kf7, Rd6; Black to move; last move from c5 to c4; "
        "marked: d6 takes d3, e5, d6 goes off"
    )
    assert 'role="img"' in svg
    assert 'aria-labelledby="x-t"' in svg


def test_marks_and_ids_are_checked() -> None:
    for bad in (
        ("arrow", "e4", "e5"),
        ("move", "e4", None),
        ("square", "e4", "e5"),
        ("square", "i9", None),
        ("move", "e2", "e9"),
    ):
        with pytest.raises(ValueError, match=r"\w"):
            Mark(*bad)
    with pytest.raises(ValueError, match="id"):
        board_svg(chess.STARTING_FEN, ident='x" onload="y')
    for kind in KINDS:
        two = kind in ("move", "takes")
        assert "e4" in Mark(kind, "e4", "e5" if two else None).words


def test_no_markup_needs_an_inline_style() -> None:
    """The policy of a page forbids style attributes; python-chess's drawings have some."""
    both = piece_defs() + board_svg(chess.STARTING_FEN, ident="a")
    assert "style=" not in both
    assert len(set(re.findall(r'id="(fp-[a-zA-Z]+)"', both))) == 13


def test_men_that_leave_are_followed_to_where_they_stood() -> None:
    """Bxe5 ... Qxe5: the bishop stood on b2, not on e5 where it is taken."""
    board = chess.Board("3qk3/8/8/4p3/8/8/1B6/4K3 w - - 0 2")
    boards = [board.copy()]
    records = []
    for ply, san in enumerate(("Bxe5", "Qe7", "Kf1", "Qxe5+"), 1):
        move = board.push_san(san)
        boards.append(board.copy())
        records.append(_Record(ply, move.uci()))
    assert gone(boards, tuple(records), 1, 4) == ("b2", "e5")  # type: ignore[arg-type]
    assert gone(boards, tuple(records), 4, 4) == ("e5",)  # type: ignore[arg-type]


class _Record:
    def __init__(self, ply: int, uci: str):
        self.ply, self.uci = ply, uci


def test_a_man_taken_in_passing_is_found() -> None:
    board = chess.Board("4k3/8/8/8/4p3/8/3P4/4K3 w - - 0 1")
    boards, records = [board.copy()], []
    for ply, uci in enumerate(("d2d4", "e4d3"), 1):
        board.push_uci(uci)
        boards.append(board.copy())
        records.append(_Record(ply, uci))
    assert gone(boards, tuple(records), 2, 2) == ("d4",)  # type: ignore[arg-type]
    assert gone(boards, tuple(records), 1, 2) == ("d2",)  # type: ignore[arg-type]


# --- text ---------------------------------------------------------------------------------


def test_dates_are_told_as_far_as_they_are_known() -> None:
    told = {
        "2026.01.29": "29 January 2026",
        "2026.01.??": "January 2026",
        "2026.??.??": "2026",
        "????.??.??": "",
        "2026.13.01": "2026",
        "spring 1931": "spring 1931",
    }
    for date, words in told.items():
        assert date_words(date) == words


def test_comments_lose_commands_and_glyphs_are_told() -> None:
    assert comment_text("[%clk 0:10:00] good\n  move [%x y]") == "good move"
    assert suffixes((1, 18)) == "!"
    assert nag_text((1, 18, 200)) == "White has a decisive advantage, $200"


def test_only_moves_of_the_game_become_links(given_back: Review) -> None:
    record = given_back.plies[0]
    text = linked(given_back, f'After {record.number}.{record.san}? not 99.Qh8, "so".')
    assert text == (f'After <a href="#p1">{record.number}.{record.san}</a>? not 99.Qh8, “so”.')
    assert linked(given_back, "<b>1.&") == "&lt;b&gt;1.&amp;"


@given(st.recursive(st.text() | st.integers(), lambda inner: st.lists(inner, max_size=4)))
def test_embedded_data_cannot_leave_its_element(data: object) -> None:
    text = embedded_json(data)
    assert json.loads(text) == data
    assert not set(text) & set("<>&'\u2028\u2029")


# --- pages --------------------------------------------------------------------------------


def stable(text: str) -> str:
    """A page without style, script, drawings and data."""
    text = re.sub(r"<style>.*?</style>", "<style></style>", text, flags=re.S)
    text = re.sub(r"(<script[^>]*>).*?</script>", r"\1</script>", text, flags=re.S)
    text = re.sub(
        r'(<svg[^>]*class="board"[^>]*>(<title.*?</title>)).*?</svg>', r"\1</svg>", text, flags=re.S
    )
    text = re.sub(r'<svg[^>]*class="defs">.*?</svg>', "", text, flags=re.S)
    return re.sub(r"sha256-[^']+", "sha256-HASH", text)


def test_a_whole_page(given_back: Review, gold: Gold) -> None:
    text = page(given_back)
    gold("09.html", stable(text))
    assert page(from_json(to_json(given_back))) == text
    assert len(text.encode()) < 600_000


def test_pages_are_well_formed(given_back: Review, hostile: Review) -> None:
    for review in (given_back, hostile):
        read = Reader(page(review, index="index.html"))
        assert len(read.ids) == len(set(read.ids))
        for href in read.hrefs:
            assert href in ("index.html", "data:,") or href.removeprefix("#") in read.ids
        numbered = [value for _, name, value in read.attributes if name == "data-line"]
        lines = json.loads(read.raw["script"][0])["lines"]
        assert {int(n or "") for n in numbered} <= set(range(len(lines)))


def test_nothing_comes_from_outside_and_the_policy_fits(
    given_back: Review, hostile: Review
) -> None:
    rows = [index_row(1, page_name(1, hostile), hostile)]
    for text in (page(given_back), page(hostile), "".join(index(rows, "Games"))):
        read = Reader(text)
        (policy,) = [
            value or ""
            for tag, name, value in read.attributes
            if (tag, name) == ("meta", "content") and "default-src" in (value or "")
        ]
        assert policy.startswith("default-src 'none'; ")
        assert "unsafe" not in policy
        for kind, sources in read.raw.items():
            for source in sources[-1:]:
                digest = hashlib.sha256(source.encode()).digest()
                named = f"{kind}-src 'sha256-{base64.b64encode(digest).decode()}'"
                assert named in policy
        for _, name, _value in read.attributes:
            assert not name.startswith("on")
            assert name not in ("style", "src", "srcdoc", "action", "formaction")
        assert "http" not in text.replace("http-equiv", "").replace("http://www.w3.org/", "")


def test_hostile_tags_and_comments_stay_text(hostile: Review) -> None:
    read = Reader(page(hostile))
    assert len(read.raw["script"]) == 2
    assert len(read.raw["style"]) == 1
    assert not {tag for tag, _, _ in read.attributes} & {"img", "iframe", "object", "base"}
    words = " ".join(read.words.split())
    for tag in ("White", "Black", "Event", "Site"):
        assert hostile.tags[tag].replace("\u202e", "") in words.replace("\u202e", "")
    assert "</script><script>window.taken = 6</script>" in words
    assert "[%clk" not in words
    assert page_name(7, hostile) == "0007-svg-onload-window-taken-4-7-7-o-brien-sons-style.html"
    row = index_row(1, "0001.html", hostile)
    read = Reader("".join(index([row], "<Games>")))
    assert hostile.tags["White"] in read.words
    assert "<Games>" in read.words


def test_textures_are_drawn_in_lines(given_back: Review) -> None:
    """A pattern is printed as a flat grey; hatching must be lines."""
    text = page(given_back)
    assert "<pattern" not in text
    hatching = re.search(r'<path id="fp-hatch" d="([^"]*)"', text)
    assert hatching
    ends = re.findall(r"[ML]([\d.]+) ([\d.]+)", hatching[1])
    assert len(ends) == 2 * 12 * 32
    starts = [(float(x), float(y)) for x, y in ends]
    for (x1, y1), (x2, y2) in zip(starts[::2], starts[1::2], strict=True):
        middle = chess.square(
            int(((x1 + x2) / 2 - LEFT) // SQUARE), 7 - int(((y1 + y2) / 2 - TOP) // SQUARE)
        )
        assert chess.BB_SQUARES[middle] & chess.BB_DARK_SQUARES


def test_control_characters_are_left_out(given_back: Review) -> None:
    from dataclasses import replace

    tags = {**given_back.tags, "White": "A\x00\x1b[31mB\ufffe", "Event": "x\x85y"}
    text = page(replace(given_back, tags=tags))
    assert "A[31mB" in text
    assert not re.search("[\x00-\x08\x0b\x0c\x0e-\x1f\x7f-\x9f]", text)


def test_the_author_is_quoted_whole(hostile: Review) -> None:
    assert hostile.comment.startswith("</script>")
    record = hostile.plies[0]
    assert record.nags == (6,)
    assert "javascript" in record.comment
    lines = hostile.plies[1].sidelines
    assert [line.moves for line in lines] == [("Kf4", "Kd4", "e4"), ("Ke6", "e4")]
    assert [line.depth for line in lines] == [1, 2]
    assert lines[0].nags == ((2,), (), ())
    board = chess.Board(lines[0].fen)
    board.push_san("Kf4")
    assert board.fen() == lines[1].fen
    assert from_json(to_json(hostile)) == hostile
    words = " ".join(Reader(page(hostile)).words.split())
    assert "(2.Kf4?" in words
    assert "(2...Ke6 3.e4!)" in words


def test_a_variation_may_pass_the_move(tmp_path: Path, bench: Bench) -> None:
    """A null move shows a threat: no square is framed after it, the line goes on."""
    path = tmp_path / "threat.pgn"
    path.write_text(SHORT.replace("Kd5 2. e3", "Kd5 (1... -- 2. e4 Kd6) 2. e3"), encoding="utf-8")
    (read,) = read_games(path)
    review = review_game(read, bench)
    (line,) = review.plies[1].sidelines
    assert line.moves == ("--", "e4", "Kd6")
    text = page(review)
    steps = json.loads(Reader(text).raw["script"][0])["lines"][-1][1]
    assert [step[1] for step in steps] == ["", "e2e4", "e5d6"]
    assert "(1...--" in " ".join(Reader(text).words.split())


def test_a_long_variation_is_quoted_whole(tmp_path: Path, bench: Bench) -> None:
    path = tmp_path / "long.pgn"
    walk = " ".join(f"{n}. Kd{2 + n % 2} Ke{5 + n % 2}" for n in range(2, 22))
    path.write_text(SHORT.replace("Kd5 2. e3", f"Kd5 (1... Ke6 {walk}) 2. e3"), encoding="utf-8")
    (read,) = read_games(path)
    review = review_game(read, bench)
    (line,) = review.plies[1].sidelines
    assert len(line.moves) == 41
    words = " ".join(Reader(page(review)).words.split())
    assert "(1...Ke6 2.Kd2 Ke5" in words
    assert "21.Kd3 Ke6)" in words


def test_the_strip_tells_evidence_by_texture(given_back: Review) -> None:
    pieces = "".join(strip(given_back))
    for record in given_back.plies:
        found = re.search(rf'<a href="#p{record.ply}" aria-label="([^"]*)">.*?</a>', pieces)
        assert found
        exact = record.verdict.exact
        likely, between = (f'href="#strip-{name}"' in found[0] for name in ("likely", "between"))
        assert (likely or between) is not exact
        letter = strip_letter(record.verdict.for_side(given_back.side))
        assert between == (letter == "-")
        assert (
            'fill="currentColor"/></a>' in found[0] or 'fill="currentColor"/><path' in found[0]
        ) is exact
        assert ("look-ahead" in found[1]) is not exact
    assert pieces.count("<a ") == len(given_back.plies)


def test_every_trade_and_slip_has_its_diagram_before(given_back: Review) -> None:
    text = page(given_back)
    for number, trade in enumerate(given_back.trades, 1):
        article = text[text.index(f'id="trade-{number}"') :]
        title = re.search(r"<title[^>]*>(.*?)</title>", article)
        assert title
        assert title[1].startswith(in_words(trade.fen))
    boards = positions(given_back)
    assert boards[-1].move_stack == []
    assert len(boards) == len(given_back.plies) + 1


# --- colours ------------------------------------------------------------------------------


def luminance(colour: str) -> float:
    """Relative luminance of WCAG 2.2."""
    parts = [int(colour[i : i + 2], 16) / 255 for i in (1, 3, 5)]
    red, green, blue = (
        part / 12.92 if part <= 0.04045 else ((part + 0.055) / 1.055) ** 2.4 for part in parts
    )
    return 0.2126 * red + 0.7152 * green + 0.0722 * blue


def contrast(one: str, other: str) -> float:
    low, high = sorted((luminance(one), luminance(other)))
    return (high + 0.05) / (low + 0.05)


def test_colours_have_enough_contrast() -> None:
    folder = ROOT / "convert" / "reports" / "templates"
    css = "".join((folder / f).read_text(encoding="utf-8") for f in ("base.css", "page.css"))
    palettes = [
        dict(re.findall(r"--(\w+): (#[0-9a-f]{3,6})", block))
        for block in re.findall(r":root \{[^}]*\}", css)
    ]
    palettes = [
        {name: c if len(c) == 7 else "#" + "".join(2 * d for d in c[1:]) for name, c in p.items()}
        for p in palettes
    ]
    assert len(palettes) == 3
    for colours in palettes:
        for text in ("ink", "soft", "accent"):
            for ground in ("paper", "wash"):
                assert contrast(colours[text], colours[ground]) >= 4.5, (text, ground)
    assert contrast("#000000", "#ffffff") == pytest.approx(21)
    assert contrast("#8a2a1f", "#ffffff") >= 4.5


# --- the command --------------------------------------------------------------------------


@pytest.fixture
def games(tmp_path: Path) -> Path:
    path = tmp_path / "two.pgn"
    path.write_text(SHORT + "\n" + SHORT.replace('"A"', '"<i>C"'), encoding="utf-8")
    return path


def test_one_game_one_page(games: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    for name in ("one.html", "one.HTM"):
        out = tmp_path / name
        code, _, err = run(["game", str(games), "--game", "2", "-q", "--html", str(out)], capsys)
        assert (code, err) == (0, "")
        assert "&lt;i&gt;C" in out.read_text(encoding="utf-8")
    code, printed, err = run(["game", str(games), "--game", "2", "--html", "-"], capsys)
    assert (code, err) == (0, "")
    assert printed == (tmp_path / "one.html").read_text(encoding="utf-8")


def test_two_games_are_refused_before_any_work(
    games: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    out = tmp_path / "two.html"
    out.write_text("old", encoding="utf-8")
    code, printed, err = run(["game", str(games), "--html", str(out)], capsys)
    assert (code, printed) == (2, "")
    assert err.count("\n") == 1
    assert "name a folder" in err
    assert "game 2" in err
    assert out.read_text(encoding="utf-8") == "old"
    assert sorted(p.name for p in tmp_path.iterdir()) == ["two.html", "two.pgn"]


def test_a_folder_gets_a_page_a_game_and_an_index(
    games: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    out = tmp_path / "pages"
    code, _, err = run(["game", str(games), str(games), "-q", "--html", str(out)], capsys)
    assert (code, err) == (0, "")
    names = sorted(path.name for path in out.iterdir())
    assert names == [
        "0001-a-b.html",
        "0002-i-c-b.html",
        "0003-a-b.html",
        "0004-i-c-b.html",
        "index.html",
    ]
    read = Reader((out / "index.html").read_text(encoding="utf-8"))
    assert [href for href in read.hrefs if href in names] == names[:4]
    assert "Games of two.pgn, two.pgn" in read.words
    back = Reader((out / names[0]).read_text(encoding="utf-8"))
    assert "index.html" in back.hrefs
    # A second run writes the same bytes.
    before = {path.name: path.read_bytes() for path in out.iterdir()}
    run(["game", str(games), str(games), "-q", "--html", str(out)], capsys)
    assert {path.name: path.read_bytes() for path in out.iterdir()} == before


@pytest.mark.parametrize(
    ("out", "told"),
    [
        ("two.pgn", "is the input"),
        ("missing/page.html", "no folder"),
        ("missing/pages", "no folder"),
        ("plain", "is a file"),
        ("folder.html", "is a folder"),
    ],
)
def test_places_that_will_not_do(
    out: str, told: str, games: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (tmp_path / "plain").write_text("kept", encoding="utf-8")
    (tmp_path / "folder.html").mkdir()
    code, printed, err = run(
        ["game", str(games), "--game", "1", "--html", str(tmp_path / out)], capsys
    )
    assert (code, printed) == (2, "")
    assert err.count("\n") == 1
    assert told in err
    assert (tmp_path / "plain").read_text(encoding="utf-8") == "kept"


def test_two_reports_cannot_share_standard_output(
    games: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    code, _, err = run(["game", str(games), "--html", "-", "--json", "-"], capsys)
    assert code == 2
    assert "--json and --html" in err


def test_a_page_never_overwrites_an_input(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = tmp_path / "index.html"
    path.write_text(SHORT, encoding="utf-8")
    code, _, err = run(["game", str(path), "-q", "--html", str(tmp_path)], capsys)
    assert code == 2
    assert "is the input" in err
    assert path.read_text(encoding="utf-8") == SHORT


def test_a_folder_keeps_no_review(tmp_path: Path, bench: Bench) -> None:
    path = tmp_path / "short.pgn"
    path.write_text(SHORT, encoding="utf-8")
    (read,) = read_games(path)
    review = review_game(read, bench, Side.WHITE)
    folder = Folder(form_called("html"), tmp_path / "pages", ())
    kept = weakref.ref(review)
    folder.add(review, Beside())
    del review
    gc.collect()
    assert kept() is None
    folder.finish()
    assert (tmp_path / "pages" / "index.html").is_file()


def test_a_move_stays_on_one_line_and_text_stays_text() -> None:
    told = unbroken('After <i>34.Rd6</i> & "34...Kf7"')
    assert "<i>" not in told
    assert "&lt;i&gt;" in told
    assert "&amp;" in told
    assert '<span class="mv">34...Kf7' in told
