"""``fullpoint solve``: small endings, bounds, bad input, JSON, the store.

Results are checked against the built-in tables where these know the position; the other positions
are made up for the purpose, with the reason for their result beside them.
"""

from __future__ import annotations

import itertools
import json
import signal
import subprocess
import sys
from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace

import chess
import msgspec
import pytest

# Imported before any test changes the cache folder: the machine code is kept there.
import tablebases.solver  # noqa: F401
from convert.cli import main
from convert.model import Side
from convert.model.solution import SolvedMove, SolveReport
from convert.reports.json_text import document
from convert.review.solution import over_words
from convert.wording.solutions import group_words, scope_words, verdict_text
from tablebases.probing import SyzygyProber
from tablebases.solver import trying
from tablebases.values import Outcome

ROOK_AND_KNIGHT = "8/8/8/3k4/8/2n5/1R6/1K6 w - - 0 1"
FORK = "8/8/8/4k3/8/8/3R4/2n1K3 w - - 0 1"
PAWNS = "8/5p2/8/4k3/8/4K3/4P3/8 w - - 0 1"
ROOK_PAWN_KNIGHT = "8/8/3n4/4k3/8/4K3/4P3/R7 w - - 0 1"
"""Rook and pawn against knight, all men together on the e- and d-files."""
MANY = "r5k1/pp3ppp/2p5/8/8/2P5/PP3PPP/R5K1 w - - 0 1"
"""Each side a rook and six pawns: far beyond a few seconds."""


@pytest.fixture(autouse=True)
def _own_store(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path / "cache"))


def run(args: list[str], capsys: pytest.CaptureFixture[str]) -> tuple[int, str, str]:
    """Exit code, standard output, standard error of one call."""
    with pytest.raises(SystemExit) as left:
        main(["solve", *args])
    out, err = capsys.readouterr()
    code = left.value.code
    return (code if isinstance(code, int) else 0), out, err


def report_of(args: list[str], capsys: pytest.CaptureFixture[str]) -> SolveReport:
    code, out, err = run(["--json", "-", *args], capsys)
    assert (code, err) == (0, "")
    return msgspec.json.decode(out, type=SolveReport)


@pytest.mark.parametrize("fen", [ROOK_AND_KNIGHT, FORK, PAWNS, PAWNS.replace(" w ", " b ")])
def test_small_endings_agree_with_the_tables(
    fen: str, tables: SyzygyProber, capsys: pytest.CaptureFixture[str]
) -> None:
    report = report_of(["--no-store", fen], capsys)
    board = chess.Board(fen)
    expected = tables.outcome(board).low
    assert report.exact
    assert report.low == report.high == expected
    assert report.distance is not None
    known = tables.distance(board)
    assert abs(report.distance) - abs(known.plies) in ((0, 1) if known.rounded else (0,))
    assert len(report.moves) == board.legal_moves.count()
    for row in report.moves:
        board.push_uci(row.uci)
        if not over_words(board):
            assert row.low == row.high == tables.outcome(board).low.opposite, row.san
        board.pop()


@pytest.mark.slow
def test_a_five_man_win(capsys: pytest.CaptureFixture[str]) -> None:
    """Won moves lead to won positions of the other side to move, and the line is legal."""
    report = report_of([ROOK_PAWN_KNIGHT], capsys)
    assert report.exact
    assert report.low == report.high == Outcome.WIN
    assert report.distance == 3
    quickest = min(m.plies for m in report.moves if m.plies and m.low == Outcome.WIN)
    assert quickest == report.distance - 1
    board = chess.Board(ROOK_PAWN_KNIGHT)
    for san in report.line:
        board.push_san(san)
    # One ply of the three is left, or all three are played.
    assert len(report.line) == 3 - (report.line_ends == "next")
    # The store has it now: nothing is solved again, and the answer is the same.
    again = report_of([ROOK_PAWN_KNIGHT], capsys)
    assert again.cost is not None
    assert again.cost.slices == 0
    assert again.cost.from_store > 0
    assert replace(again, cost=None) == replace(report, cost=None)


def test_the_store_can_be_left_alone(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["--no-store", PAWNS], capsys)[0] == 0
    assert not list(tmp_path.rglob("*.slice"))
    assert run([PAWNS], capsys)[0] == 0
    assert list(tmp_path.rglob("*.slice"))
    report = report_of(["--no-store", PAWNS], capsys)
    assert report.cost is not None
    assert report.cost.from_store == 0
    assert report.cost.slices > 0


def test_text_fits_eighty_columns(capsys: pytest.CaptureFixture[str]) -> None:
    for fen in (ROOK_AND_KNIGHT, PAWNS, "8/8/8/8/8/8/8/KBN1k3 w - - 70 80"):
        code, out, err = run(["--no-store", fen], capsys)
        assert (code, err) == (0, "")
        assert max(map(len, out.splitlines())) <= 80
        assert "Moves and the result they keep" in out
        assert "Cost" in out


def test_the_count_of_plies_in_the_fen_is_honoured(capsys: pytest.CaptureFixture[str]) -> None:
    """A mate 45 plies away comes in time after 55 plies, not after 56 (FIDE Laws, 9.3)."""
    fen = "8/8/8/8/8/8/8/KBN1k3 w - - {} 80"
    outcomes = [report_of(["--no-store", fen.format(n)], capsys) for n in (0, 55, 56)]
    assert [r.distance for r in outcomes] == [45, 45, 45]
    assert [r.low for r in outcomes] == [Outcome.WIN, Outcome.WIN, Outcome.CURSED_WIN]
    assert outcomes[0].line_ends == "mate"
    assert len(outcomes[0].line) == 45


def test_a_position_out_of_reach_gives_an_interval_in_time(
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    """By a clock that goes on by a tenth of a second whenever somebody looks at it."""
    ticks = itertools.count()
    clock = SimpleNamespace(monotonic=lambda: next(ticks) / 10)
    monkeypatch.setattr(trying, "time", clock)
    report = report_of(["--no-store", "--seconds", "1", MANY], capsys)
    assert next(ticks) < 100  # a second, and an overrun of two, on two threads
    assert report.low < report.high
    assert not report.exact
    assert report.distance is None
    code, out, _ = run(["--no-store", "--seconds", "0.5", MANY], capsys)
    assert code == 0
    assert "Open" in out or "At least a draw" in out
    assert "--seconds" in out


def test_bounds_are_told_as_bounds(capsys: pytest.CaptureFixture[str]) -> None:
    """Whoever is to move takes the other's rook and is a rook and more up."""
    fen = "8/8/4k3/4p3/8/3K4/4P3/R6r {} - - 0 1"
    report = report_of(["--no-store", fen.format("w")], capsys)
    assert report.low == Outcome.WIN
    assert {row.san for row in report.moves if row.low == Outcome.WIN} == {"Rxh1"}
    # The rook at a1 is then taken, which with a pawn each wins for Black.
    assert next(row for row in report.moves if row.san == "e4").high == Outcome.LOSS
    if not report.exact:
        assert report.distance is None
        assert report.questions
    assert report.line == ("Rxh1",)
    assert report.line_ends == "capture"


@pytest.mark.parametrize(
    ("args", "reason"),
    [
        (["8/8/8/8"], "FEN"),
        (["8/8/8/8/8/8/8/K1k5 w - - x 1"], "halfmove clock"),
        (["8/8/8/8/8/8/8/KK1k4 w - - 0 1"], "kings"),
        (["r3k3/8/8/8/8/8/8/4K3 w q - 0 1"], "castle"),
        (["qqq1k1qq/8/8/8/8/8/8/4K3 w - - 0 1"], "at most 4"),
        (["--disk", "1e5", PAWNS], "are free"),
    ],
)
def test_trouble_is_one_line(
    args: list[str], reason: str, capsys: pytest.CaptureFixture[str]
) -> None:
    code, out, err = run(args, capsys)
    assert (code, out) == (2, "")
    assert err.startswith("fullpoint: error: ")
    assert err.count("\n") == 1
    assert reason in err


@pytest.mark.parametrize(
    ("fen", "words"),
    [
        ("7k/5KQ1/8/8/8/8/8/8 b - - 0 1", "checkmate, White has won"),
        ("7k/5K2/6Q1/8/8/8/8/8 b - - 0 1", "stalemate"),
        ("7k/5K2/8/8/8/8/8/6B1 b - - 0 1", "neither side has"),
        ("7k/8/8/8/8/8/8/KR6 b - - 150 99", "seventy-five-move rule"),
    ],
)
def test_a_finished_game_is_not_solved(
    fen: str, words: str, capsys: pytest.CaptureFixture[str]
) -> None:
    code, out, err = run([fen], capsys)
    assert (code, err) == (0, "")
    assert "The game is over" in out
    assert "Cost" not in out
    report = report_of([fen], capsys)
    assert words in report.over
    assert report.low == report.high
    assert report.cost is None


def test_text_and_json_together(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    target = tmp_path / "out.json"
    code, out, _ = run(["--no-store", "--json", str(target), *PAWNS.split()], capsys)
    assert code == 0
    assert "Drawn: solved." in out
    text = target.read_text(encoding="utf-8")
    report = msgspec.json.decode(text, type=SolveReport)
    assert document(report) == text
    assert json.loads(text)["to_move"] == "white"


def test_json_keys_are_documented() -> None:
    page = (Path(__file__).parent.parent / "docs" / "cli.md").read_text(encoding="utf-8")
    for shape in (SolveReport, SolvedMove):
        for name in shape.__dataclass_fields__:
            assert f"`{name}`" in page, name


def test_an_interrupt_shows_what_is_proved(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """Ctrl-C after the first question: the first stays answered, the second is left."""
    from tablebases.solver import trying

    real = trying.Solver._execute
    begun: list[object] = []

    def interrupted(self: trying.Solver, *args: object) -> None:
        if self.moves_too:
            begun.append(args)
            if len(begun) == 2:
                signal.raise_signal(signal.SIGINT)
        real(self, *args)  # type: ignore[arg-type]

    monkeypatch.setattr(trying.Solver, "_execute", interrupted)
    code, out, err = run(["--no-store", "7k/8/8/8/8/8/8/KR6 w - - 0 1"], capsys)
    assert (code, err) == (0, "")
    assert len(begun) == 2
    assert "You stopped it" in out
    assert "White wins: solved." in out
    assert signal.getsignal(signal.SIGINT) is signal.default_int_handler


def test_nothing_heavy_is_imported_for_help() -> None:
    script = (
        "import sys\n"
        "from convert.cli import main\n"
        "for args in (['--help'], ['solve', '--help'], ['solve', '8/8']):\n"
        "    try:\n"
        "        main(args)\n"
        "    except SystemExit:\n"
        "        pass\n"
        "print({'numpy', 'numba', 'tablebases.solver', 'msgspec'} & set(sys.modules))\n"
    )
    done = subprocess.run(
        [sys.executable, "-c", script],
        capture_output=True,
        text=True,
        check=True,
        cwd=Path(__file__).parent.parent,
    )
    assert done.stdout.splitlines()[-1] == "set()"


@pytest.mark.parametrize(
    ("low", "high", "words"),
    [
        (2, 2, "White wins: solved."),
        (-2, -2, "Black wins: solved."),
        (0, 0, "Drawn: solved."),
        (0, 2, "At least a draw for White: proved. Whether White can win is open."),
        (-2, 0, "At least a draw for Black: proved. Whether Black can win is open."),
        (-2, -1, "At least a draw for Black: proved. Black can force mate"),
        (-2, 2, "Open: "),
        (-1, 1, "Drawn: solved."),
    ],
)
def test_verdicts_name_the_side_that_is_sure(low: int, high: int, words: str) -> None:
    assert verdict_text(Outcome(low), Outcome(high), Side.WHITE).startswith(words)


def test_moves_are_named_for_the_side_that_makes_them() -> None:
    assert group_words(Outcome.DRAW, Outcome.WIN, Side.BLACK).startswith("Black does not lose")
    assert group_words(Outcome.LOSS, Outcome.DRAW, Side.BLACK).startswith("Black does not win")
    assert group_words(Outcome.LOSS, Outcome.LOSS, Side.BLACK) == "White wins"


def test_what_is_left_out_counts_against_the_claim() -> None:
    wins = scope_words(
        Side.BLACK,
        wins=True,
        pieces=(2, 1),
        winner_queens_only=True,
        other_queens_only=False,
        pawn_moves=2,
    )
    assert "at most 2 pawn moves by Black" in wins
    assert "Black promoting to queens only" in wins
    assert "counted for White" in wins
    cannot = scope_words(
        Side.BLACK,
        wins=False,
        pieces=(1,),
        winner_queens_only=False,
        other_queens_only=True,
        pawn_moves=0,
    )
    assert "no pawn move by White" in cannot
    assert "White promoting to queens only" in cannot
    assert "up to 1 piece besides" in cannot
    assert "counted for Black" in cannot
