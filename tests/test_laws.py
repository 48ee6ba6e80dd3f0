"""The Laws of Chess, asked of the judges: who has won, and when the game is over.

Articles are those of the FIDE Laws of Chess in force from 1 January 2023.
All positions are made for these tests.
"""

from __future__ import annotations

from collections.abc import Iterator

import chess
import pytest
from hypothesis import given
from hypothesis import strategies as st
from strategies import positions

from convert.judging.judges import Bench
from convert.judging.laws import at_an_end, ended, line_ends, over
from convert.model import Evidence, Side, Verdict
from convert.model.record import How
from tablebases.probing import open_tables


@pytest.fixture(scope="module")
def bench() -> Iterator[Bench]:
    """The judges over the bundled tables."""
    with open_tables() as tables:
        yield Bench(tables)


def told(bench: Bench, fen: str, side: Side = Side.WHITE) -> Verdict:
    """The verdict on a position, for ``side``."""
    board = chess.Board(fen)
    assert board.is_valid(), fen
    return bench.verdict(board).for_side(side)


# -- 9.3, the fifty-move rule ------------------------------------------------------


@pytest.mark.parametrize(
    ("clock", "points"),
    [
        # White mates next move (1.Ra8): with the clock at 99 his mate is the
        # hundredth ply, and nobody could claim before it (9.3, 9.6.2).
        (0, 1),
        (98, 1),
        (99, 1),
    ],
)
def test_mate_in_one_comes_before_the_claim(bench: Bench, clock: int, points: int) -> None:
    verdict = told(bench, f"6k1/8/6K1/8/8/8/8/R7 w - - {clock} 90")
    assert verdict.points == points


@pytest.mark.parametrize(("clock", "points"), [(97, 1), (98, 0), (99, 0)])
def test_mate_in_two_must_fit_into_the_count(bench: Bench, clock: int, points: int) -> None:
    """9.3: after 1.Kg6 and the reply White mates on the third ply from here.

    With the clock at 98 Black's reply would be the hundredth ply: he claims,
    writing the move down (9.3.1), before White can mate.
    """
    fen = f"7k/8/5K2/8/8/8/8/R7 w - - {clock} 90"
    board = chess.Board(fen)
    assert not any(_mates(board, move) for move in board.legal_moves)
    assert told(bench, fen).points == points


def _mates(board: chess.Board, move: chess.Move) -> bool:
    board.push(move)
    mate = board.is_checkmate()
    board.pop()
    return mate


def test_the_side_that_loses_claims_as_soon_as_it_may(bench: Bench) -> None:
    """9.3: Black, to move with the clock at 100, is not lost any more."""
    fen = "8/8/8/2k5/8/3QK3/8/8 b - - {} 90"
    assert told(bench, fen.format(0)).points == 1
    verdict = told(bench, fen.format(100))
    assert verdict.points == 0
    assert verdict.evidence is Evidence.RULES


@pytest.mark.parametrize("clock", [100, 120, 149])
def test_only_the_player_on_the_move_may_claim(bench: Bench, clock: int) -> None:
    """9.3: White, to move, does not claim but mates; Black let his claim go by.

    The game goes on at a clock of 100 when nobody claims, until 150 (9.6.2).
    """
    assert told(bench, f"6k1/8/6K1/8/8/8/8/R7 w - - {clock} 120").points == 1


def test_without_a_mate_at_hand_the_other_side_claims(bench: Bench) -> None:
    """9.3: with the clock at 100 every quiet move of White lets Black claim."""
    assert told(bench, "8/8/8/2k5/8/3QK3/8/8 w - - 100 120").points == 0


def test_a_capture_or_pawn_move_starts_a_new_count(bench: Bench) -> None:
    """9.3: only moves without capture or pawn move are counted.

    1.e8Q is the hundredth ply, but a pawn move.
    """
    fen = "8/4P3/8/8/8/1k6/8/4K3 w - - 99 90"
    assert told(bench, fen).points == 1


def test_the_clock_alone_turns_a_win_into_a_draw(bench: Bench) -> None:
    """9.3: bishop and knight need more moves than the clock at 90 leaves."""
    fen = "8/8/8/3k4/8/8/8/BN2K3 w - - {} 95"
    fresh, late = told(bench, fen.format(0)), told(bench, fen.format(90))
    assert (fresh.points, late.points) == (1, 0)


# -- 5.1.1 and 9.6.2, mate takes precedence ----------------------------------------


@pytest.mark.parametrize("clock", [0, 99, 100, 120, 150, 160])
def test_a_mate_on_the_board_ends_the_game_whatever_the_count(bench: Bench, clock: int) -> None:
    """5.1.1, 9.6.2: "if the last move resulted in checkmate, that shall take precedence"."""
    verdict = told(bench, f"R5k1/8/6K1/8/8/8/8/8 b - - {clock} 120")
    assert verdict.points == 1
    assert verdict.evidence is Evidence.RULES


def test_mate_on_a_full_board(bench: Bench) -> None:
    """5.1.1 needs no table: after 1.f3 e5 2.g4 Qh4 White is mated."""
    board = chess.Board()
    for san in ("f3", "e5", "g4", "Qh4#"):
        board.push_san(san)
    verdict = bench.verdict(board)
    assert (verdict.side, verdict.points, verdict.evidence) == (Side.WHITE, -1, Evidence.RULES)


# -- 9.6.2, seventy-five moves -----------------------------------------------------


@pytest.mark.parametrize(
    "fen",
    [
        # A queen up, with many men on the board and with few.
        "6k1/5ppp/8/8/8/8/5PPP/3Q2K1 w - - 150 200",
        "8/8/8/2k5/8/3QK3/8/8 w - - 150 200",
    ],
)
def test_seventy_five_moves_end_the_game(bench: Bench, fen: str) -> None:
    """9.6.2: 75 moves by each player without capture or pawn move: drawn without a claim."""
    verdict = told(bench, fen)
    assert verdict.points == 0
    assert verdict.evidence is Evidence.RULES


# -- 5.2.1, stalemate --------------------------------------------------------------


@pytest.mark.parametrize(
    "fen",
    [
        "7k/5Q2/6K1/8/8/8/8/8 b - - 0 1",
        "k7/P7/1K6/8/8/8/8/8 b - - 0 1",
        # With more men than the tables have: the king is shut in, the pawns are blocked.
        "5bnr/4p1pq/4Qpkr/7p/7P/4P3/PPPP1PP1/RNB1KBNR b KQ - 2 10",
    ],
)
def test_stalemate_is_a_draw(bench: Bench, fen: str) -> None:
    """5.2.1: no legal move and not in check."""
    assert chess.Board(fen).is_stalemate()
    verdict = told(bench, fen)
    assert verdict.points == 0
    assert verdict.evidence is Evidence.RULES


def test_a_move_into_stalemate_throws_a_win_away(bench: Bench) -> None:
    """5.2.1: 1.Qf7 stalemates, 1.Qg7 mates."""
    board = chess.Board("7k/8/5QK1/8/8/8/8/8 w - - 0 1")
    drawn, won = (bench.after(board, board.parse_san(san)) for san in ("Qf7", "Qg7#"))
    assert drawn is not None
    assert won is not None
    assert (drawn.points, won.for_side(Side.WHITE).points) == (0, 1)


# -- 5.2.2, dead positions ---------------------------------------------------------


@pytest.mark.parametrize(
    "fen",
    [
        "8/8/3k4/8/8/3K4/8/8 w - - 0 1",  # king against king
        "8/8/3k4/8/8/3KB3/8/8 b - - 0 1",  # king and bishop against king
        "8/8/3k4/8/8/3KN3/8/8 b - - 0 1",  # king and knight against king
        "8/2b5/3k4/8/8/3K4/8/6B1 w - - 0 1",  # bishops that stand on squares of one colour
        "8/8/3k4/8/8/3K4/8/8 b - - 0 1",
    ],
)
def test_dead_positions(bench: Bench, fen: str) -> None:
    """5.2.2: neither side can mate by any series of legal moves."""
    verdict = told(bench, fen)
    assert verdict.points == 0
    assert verdict.evidence is Evidence.RULES


def test_bishops_on_both_colours_are_no_dead_position(bench: Bench) -> None:
    """5.2.2: a mate can be reached with them, if only with the opponent's help."""
    verdict = told(bench, "8/3b4/3k4/8/8/3K4/8/6B1 w - - 0 1")
    assert verdict.points == 0
    assert verdict.evidence is Evidence.TABLE


def test_a_lone_knight_each_is_a_draw_but_no_dead_position(bench: Bench) -> None:
    """5.2.2: mates with knight against knight exist, so the table says draw, not the Laws."""
    verdict = told(bench, "8/8/3k1n2/8/8/3KN3/8/8 w - - 0 1")
    assert verdict.points == 0
    assert verdict.evidence is Evidence.TABLE


def test_knight_against_knight_can_be_mate(bench: Bench) -> None:
    """5.1.1: a mate nobody can force still is one."""
    mated = chess.Board("kn6/2N5/1K6/8/8/8/8/8 b - - 0 1")
    assert mated.is_checkmate()
    assert bench.verdict(mated).points == -1


# -- 3.8.2 castling and 3.7.3.1 en passant -----------------------------------------


def test_castling_rights_keep_the_tables_out(bench: Bench) -> None:
    """3.8.2: the tables hold no position with a right to castle, so none answers for one."""
    with_right = told(bench, "8/8/8/8/8/4k3/8/4K2R w K - 0 1")
    assert with_right.evidence is not Evidence.RULES
    assert with_right.via or with_right.evidence is not Evidence.TABLE
    without = told(bench, "8/8/8/8/8/4k3/8/4K2R w - - 0 1")
    assert (without.points, without.evidence) == (1, Evidence.TABLE)


def test_castling_away_a_right_leads_into_the_tables(bench: Bench) -> None:
    """3.8.2: after 1.O-O the right is gone and the table speaks again."""
    board = chess.Board("8/8/8/8/3k4/8/8/4K2R w K - 0 1")
    castled = bench.after(board, board.parse_san("O-O"))
    assert castled is not None
    assert castled.for_side(Side.WHITE).points == 1
    assert castled.evidence is Evidence.TABLE


@pytest.mark.parametrize(
    ("placement", "target", "with_right", "without"),
    [
        ("8/8/2K5/8/1pP5/8/1k6/8", "c3", 1, 0),
        ("8/3K4/8/8/Pp6/8/8/1k6", "a3", 1, 0),
        ("8/8/8/8/3PpK2/k7/8/8", "d3", 0, -1),
        ("8/8/8/8/6Pp/k6K/8/8", "g3", 0, -1),
    ],
)
def test_the_right_to_take_in_passing_decides(
    bench: Bench, placement: str, target: str, with_right: int, without: int
) -> None:
    """3.7.3.1: the same men, with and without the right; White has just moved two squares."""
    verdicts = [told(bench, f"{placement} b - {ep} 0 40", Side.BLACK) for ep in (target, "-")]
    assert [v.points for v in verdicts] == [with_right, without]
    assert {v.evidence for v in verdicts} == {Evidence.TABLE}


def test_en_passant_that_would_uncover_the_king_is_no_move(bench: Bench) -> None:
    """3.9.2: the pawn may not take in passing when its own king would be exposed.

    Both pawns would leave the fourth rank and White's rook would give check, so
    the right on paper changes nothing.
    """
    fens = ("8/8/8/8/k2pP2R/8/8/4K3 b - e3 0 1", "8/8/8/8/k2pP2R/8/8/4K3 b - - 0 1")
    boards = [chess.Board(fen) for fen in fens]
    assert not boards[0].has_legal_en_passant()
    a, b = (bench.verdict(board) for board in boards)
    assert (a.low, a.high) == (b.low, b.high)


def test_en_passant_as_the_only_legal_move_is_no_stalemate(bench: Bench) -> None:
    """3.7.3.1 with 5.2.1: a side that can only take in passing must do so."""
    placement = "7k/4N3/6K1/8/3pP3/3P4/8/8"
    with_right = chess.Board(f"{placement} b - e3 0 40")
    assert [move.uci() for move in with_right.legal_moves] == ["d4e3"]
    assert bench.verdict(with_right).evidence is not Evidence.RULES
    without = bench.verdict(chess.Board(f"{placement} b - - 0 40"))
    assert (without.points, without.evidence) == (0, Evidence.RULES)


def test_castling_can_be_the_move_that_wins(bench: Bench) -> None:
    """3.8.2: a right to castle is no reason to call a won position drawn or lost."""
    verdict = told(bench, "8/8/8/8/8/8/1k6/4K2R w K - 0 40")
    assert verdict.high.points == 1


# -- what ends a game ----------------------------------------------------------------

#: python-chess's names of what ends a game without a claim.
_TERMINATIONS = {
    chess.Termination.CHECKMATE: How.MATE,
    chess.Termination.STALEMATE: How.STALEMATE,
    chess.Termination.INSUFFICIENT_MATERIAL: How.DEAD,
    chess.Termination.SEVENTYFIVE_MOVES: How.SEVENTY_FIVE,
    chess.Termination.FIVEFOLD_REPETITION: How.FIVEFOLD,
}


@given(positions(least=2, most=4), st.sampled_from((0, 99, 100, 149, 150, 151)))
def test_the_laws_end_games_as_python_chess_does(board: chess.Board, clock: int) -> None:
    board.halfmove_clock = clock
    outcome = board.outcome()
    end = over(board)
    assert (end is None) == (outcome is None)
    if end is None or outcome is None:
        return
    assert end.how is ended(board) is _TERMINATIONS[outcome.termination]
    assert end.winner is (None if outcome.winner is None else Side.of(outcome.winner))
    assert (at_an_end(board) is None) == (end.how is How.SEVENTY_FIVE)
    assert bool(line_ends(board)) == (at_an_end(board) is not None)


def test_five_appearances_end_the_game_and_mate_comes_before_the_clock() -> None:
    board = chess.Board("8/8/8/4k3/8/2K5/8/R7 w - - 0 1")
    for _ in range(4):
        assert over(board) is None
        for uci in ("a1b1", "e5e6", "b1a1", "e6e5"):
            board.push_uci(uci)
    end = over(board)
    assert end is not None
    assert end.how is How.FIVEFOLD
    mated = chess.Board("R5k1/8/6K1/8/8/8/8/8 b - - 150 120")
    assert ended(mated) is How.MATE
