"""What is made for print: diagrams as files, LaTeX, booklets."""

from __future__ import annotations

import re
import shutil
import subprocess
import xml.etree.ElementTree as ET
from dataclasses import replace
from pathlib import Path

import chess
import pytest
from cli_help import run
from hypothesis import example, given
from hypothesis import strategies as st
from test_deciding import PAWN, reviewed

from convert.model import Review
from convert.reports import Beside, booklet_made_by, form_called
from convert.reports.board_latex import BOXES, board_latex, preamble
from convert.reports.board_svg import Mark, alone
from convert.reports.latex import escaped, words
from convert.reports.printed import chapter_of, printed, score_words, started
from convert.reports.sections import Board, sections
from convert.reports.svg_files import files
from convert.rim.outputs import PAGE_NAMES

DEMO = Path(__file__).parent.parent / "demo_games"
GAMES = [str(next(DEMO.glob(f"{start}-*.pgn"))) for start in ("05", "09")]
QUICK = ("--effort", "quick", "--no-solve", "-q")
#: Names that would be commands if nothing escaped them.
EVIL = (
    "50% & #1 {cup} $x$ \\input{/etc/passwd} ~^_ <b> \u0141\u00f3d\u017a \u0416\u4e2d ``x'' -- ,, "
    "\u1e6d \u202e \\end{document} | \" ' [x]"
)


@pytest.fixture(scope="module")
def slipped() -> Review:
    return reviewed("1. Kd3 Kc5 2. c4 Kb4 3. Kd4 Kb3 4. Kc5", "1-0", PAWN)


# --- escaping -------------------------------------------------------------------------------------

_SAID = re.compile(
    r"\\(?:textbackslash|textasciicircum|textasciitilde|textless|textgreater|textbar|textquotedbl"
    r"|textasciigrave)\{\}|\\[{}$&#%_]|\\fpchar\{[0-9A-F]{4,6}\}|\\(?:[`'^~=.\"]|[urHvdckb])\{[a-zA-Z]\}"
    r"|[-,']\{\}|~"
)


@given(st.text(max_size=60))
@example(EVIL)
@example("\\" * 3 + "}{" + "%\n\n\x00")
def test_nothing_escaped_is_a_command(text: str) -> None:
    tex = escaped(text)
    left = _SAID.sub("", tex)
    assert not set(left) & set('\\{}$&#%_^~<>|"`\n\r\t'), (tex, left)
    assert all(" " <= sign <= "~" or sign.isalpha() or sign in "¡«»¿–—‘’‚“”„" for sign in left)
    for pair in ("--", ",,", "''"):
        assert pair not in tex


@given(st.text(alphabet=st.characters(min_codepoint=32, max_codepoint=126), max_size=40))
def test_what_is_escaped_reads_as_it_was(text: str) -> None:
    signs = {
        r"\textbackslash{}": "\\",
        r"\textasciicircum{}": "^",
        r"\textasciitilde{}": "~",
        r"\textless{}": "<",
        r"\textgreater{}": ">",
        r"\textbar{}": "|",
        r"\textquotedbl{}": '"',
        r"\textasciigrave{}": "`",
    }

    def read(match: re.Match[str]) -> str:
        found = match[0]
        return signs.get(found) or (found[1] if found[0] == "\\" else found[0])

    assert _SAID.sub(read, escaped(text)) == " ".join(text.split())


def test_letters_that_the_font_lacks_are_told_by_their_number() -> None:
    assert escaped("Łódź Ж ṭ") == r"Łódź \fpchar{0416} \d{t}"
    assert words('"a"') == "“a”"


# --- diagrams -------------------------------------------------------------------------------------


def test_a_diagram_alone_is_a_whole_file() -> None:
    fen = "8/3k4/8/8/3P4/3K4/8/8 w - - 0 1"
    root = ET.fromstring(alone(fen, marks=(Mark("move", "d3", "e4"),), title="Before <1.Ke4>"))
    name = "{http://www.w3.org/2000/svg}"
    assert root.tag == f"{name}svg"
    symbols = {node.get("id") for node in root.iter(f"{name}symbol")}
    assert symbols == {"fp-K", "fp-P", "fp-k"}
    used = {node.get("href", "#")[1:] for node in root.iter(f"{name}use")}
    assert used == {*symbols, "fp-hatch"}
    title = root.find(f"{name}title")
    assert title is not None
    assert (title.text or "").startswith("Before <1.Ke4>; White: Kd3, pawn d4")


def test_each_diagram_of_the_report_is_one_file(slipped: Review) -> None:
    found = dict(files(3, slipped))
    shown = {
        (piece.fen, piece.marks)
        for part in sections(slipped)
        for piece in part.pieces
        if isinstance(piece, Board)
    }
    assert len(found) == len(shown) > 0
    assert all(PAGE_NAMES.fullmatch(name) for name in found)
    assert all(name.startswith("0003-") for name in found)
    assert next(iter(found)) == "0003-01-deciding-before-2-kb4.svg"
    for text in found.values():
        ET.fromstring(text)


def test_svg_of_a_game_without_diagrams_is_its_last_position() -> None:
    review = reviewed("1. e4 e5", "*")
    assert not list(files(1, review))
    assert "The final position" in form_called("svg").text(review, Beside())


def test_a_latex_diagram_has_each_man_once() -> None:
    drawn = board_latex(chess.STARTING_FEN, (Mark("takes", "e2", "e7"), Mark("given", "d8")))
    assert drawn.count("\\usebox{\\fpWhitePawn}") == 8
    assert drawn.count("\\usebox") == 33
    assert all(f"\\newsavebox{{\\{name}}}" in preamble() for name in BOXES.values())
    with pytest.raises(ValueError, match="expected"):
        board_latex("no position")


# --- booklets -------------------------------------------------------------------------------------


def test_a_chapter_has_the_parts_of_the_report_and_the_game(slipped: Review) -> None:
    idents = [part.ident for part in printed(slipped)]
    assert idents[:4] == ["head", "deciding", "story", "slips"]
    assert not {"outcome", "material", "how"} & set(idents)
    assert score_words(slipped).startswith("1.Kd3 Kc5 2.c4")
    assert score_words(slipped).endswith(" 1-0")


def test_started_tells_how_many_and_when(slipped: Review) -> None:
    first = chapter_of(1, slipped, "")
    assert started([first]) == ["1 game"]
    assert first.players == "White - Black"


def test_a_booklet_as_a_page(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    out = tmp_path / "season.html"
    code, _, err = run(
        ["game", *GAMES, *QUICK, "--booklet", str(out), "--title", "A <b> & season"], capsys
    )
    assert (code, err) == (0, "")
    page = out.read_text(encoding="utf-8")
    assert "<h1><bdi>A &lt;b&gt; &amp; season</bdi></h1>" in page
    assert "<script" not in page
    for number in (1, 2):
        assert page.count(f'href="#game-{number}"') == 1
        assert page.count(f'id="game-{number}"') == 1
    idents = re.findall(r' id="([^"]+)"', page)
    assert len(idents) == len(set(idents))
    assert page.count("<h3>The game</h3>") == 2
    assert "19 February 2026" in page


def test_several_games_as_latex_diagrams_and_booklet(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    tex, booklet, folder = tmp_path / "g.tex", tmp_path / "b.tex", tmp_path / "boards"
    made = ["--latex", str(tex), "--svg", str(folder), "--booklet", str(booklet)]
    code, _, err = run(["game", *GAMES, *QUICK, *made], capsys)
    assert (code, err) == (0, "")
    text, bound = (path.read_text(encoding="utf-8") for path in (tex, booklet))
    for words_of in (text, bound):
        assert words_of.count("\\fpgame{") == 2
        assert words_of.count("\\begin{document}") == words_of.count("\\end{document}") == 1
    assert "\\tableofcontents" in bound
    assert "\\tableofcontents" not in text
    assert "Games of 05-wrong-coloured-bishop.pgn" in bound
    names = sorted(path.name for path in folder.iterdir())
    assert {name[:4] for name in names} == {"0001", "0002"}
    assert all(PAGE_NAMES.fullmatch(name) for name in names)


@pytest.mark.parametrize(
    ("options", "why"),
    [
        (["--booklet", "b.pdf"], "b.pdf: a booklet's name ends in .html, .htm, .tex"),
        (["--title", "A season"], "--title is the title of a --booklet"),
        (["--svg", "is.file"], "is.file: is a file"),
        (["--svg", "none/boards"], "there is no folder none"),
    ],
)
def test_what_cannot_be_written_is_refused(
    options: list[str],
    why: str,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    monkeypatch.chdir(tmp_path)
    Path("is.file").write_text("mine", encoding="utf-8")
    code, out, err = run(["game", GAMES[0], *QUICK, *options], capsys)
    assert (code, out, err.count("\n")) == (2, "", 1)
    assert why in err
    assert [path.name for path in tmp_path.iterdir()] == ["is.file"]


@pytest.mark.slow
@pytest.mark.parametrize("engine", ["pdflatex", "lualatex"])
def test_it_compiles(slipped: Review, engine: str, tmp_path: Path) -> None:
    """A booklet and a document of a game whose names are all signs that TeX reads as its own."""
    if shutil.which(engine) is None:
        pytest.skip(f"{engine} is not installed")
    if engine == "lualatex" and not _has("fontspec.sty", "luaotfload.sty", "lmroman10-regular.otf"):
        pytest.skip("fontspec, luaotfload or the Latin Modern fonts are not installed")
    if not _has("tikz.sty"):
        pytest.skip("TikZ is not installed")
    tags = {"White": EVIL, "Black": EVIL[::-1], "Event": "\\", "Date": "2024.??.??"}
    review = replace(slipped, tags=tags, file=EVIL.replace("/", ""))
    latex = booklet_made_by("b.tex")
    chapters = [chapter_of(n, review, latex.chapter(n, review)) for n in (1, 2)]
    form = form_called("latex")
    around = form.around
    made = {
        "booklet.tex": "".join(latex.booklet(EVIL, chapters)),
        "game.tex": around.head + form.text(review, Beside()) + around.tail,
    }
    for name, text in made.items():
        (tmp_path / name).write_text(text, encoding="utf-8")
        for _ in range(2 if name == "booklet.tex" else 1):  # contents are set in the second run
            ran = subprocess.run(
                [engine, "-interaction=nonstopmode", "-halt-on-error", name],
                cwd=tmp_path,
                capture_output=True,
                timeout=240,
                check=False,
            )
            assert ran.returncode == 0, ran.stdout[-2000:]
        assert (tmp_path / name).with_suffix(".pdf").stat().st_size > 10_000


def _has(*names: str) -> bool:
    found = subprocess.run(["kpsewhich", *names], capture_output=True, check=False, timeout=60)
    return len(found.stdout.split()) == len(names)
