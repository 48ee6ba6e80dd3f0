"""The chain of judges: rules, tables, lines into the tables, look-ahead, estimate."""

from __future__ import annotations

from typing import Any, cast

import chess
import pytest
from hypothesis import given, note, settings
from lesson_strategies import small_endings
from strategies import positions

from convert.board.activity import static_exchange
from convert.board.features import features
from convert.judging.estimate import Chances, estimate
from convert.judging.judges import (
    EFFORTS,
    Bench,
    EffortName,
    after_move,
    place_key,
    position_key,
)
from convert.judging.lines import best_line, line_after
from convert.judging.proof import prove
from convert.measuring.forcing import resolve
from convert.model import Evidence, Side, Slip, Verdict
from convert.review.slips import slip_of
from convert.rules import position_voices
from tablebases.probing import SyzygyProber, open_tables
from tablebases.values import Outcome

TABLES = open_tables()


def points(board: chess.Board) -> int:
    return TABLES.outcome(board).low.points


def brute_interval(board: chess.Board, depth: int) -> tuple[int, int]:
    """Interval of results for the side to move by plain search of every move, no shortcuts."""
    if not any(board.legal_moves):
        value = -1 if board.is_check() else 0
        return value, value
    if len(board.piece_map()) <= 4:
        value = points(board)
        return value, value
    if depth == 0:
        return -1, 1
    low, high = -1, -1
    for move in board.legal_moves:
        board.push(move)
        child_low, child_high = brute_interval(board, depth - 1)
        board.pop()
        low, high = max(low, -child_high), max(high, -child_low)
    return low, high


@settings(max_examples=20)
@given(positions(least=5, most=5))
def test_brute_force_confirms_every_proof(board: chess.Board) -> None:
    """A proof of two plies claims nothing that a plain search of two plies does not find."""
    note(board.fen())
    low, high = brute_interval(board, 2)
    found = prove(board, TABLES, slack=1, nodes=10**6)
    assert found.low.points <= low
    assert found.high.points >= high
    assert found.low <= found.high


@settings(max_examples=15)
@given(positions(least=5, most=6))
def test_a_small_budget_only_widens_a_proof(board: chess.Board) -> None:
    note(board.fen())
    full = prove(board, TABLES, slack=1, nodes=100_000)
    for nodes in (1, 10, 60):
        less = prove(board, TABLES, slack=1, nodes=nodes)
        assert less.low <= full.low
        assert less.high >= full.high


@given(positions(least=3, most=4))
def test_a_position_is_worth_the_best_of_its_moves(board: chess.Board) -> None:
    bench = Bench(TABLES)
    verdict = bench.settle(board)
    assert verdict is not None
    children = [v for _, v in bench.children(board)]
    if children:
        assert verdict.points == max(v.points for v in children if v is not None)


@settings(max_examples=15)
@given(positions(least=3, most=6))
def test_colours_swapped_the_verdict_is_the_same(board: chess.Board) -> None:
    note(board.fen())
    here = Bench(TABLES).verdict(board)
    there = Bench(TABLES).verdict(board.mirror())
    assert (here.low, here.high, here.evidence) == (there.low, there.high, there.evidence)
    assert here.expected == pytest.approx(there.expected, abs=0.03)
    assert here.for_side(here.side.other).for_side(here.side) == here


def test_line_into_the_tables_settles_five_men(bench: Bench) -> None:
    # 1.Kxf4 wins the knight; whatever Black replies, a table then tells the win.
    board = chess.Board("8/3k4/p7/8/R4n2/6K1/2P5/8 w - - 0 1")
    assert brute_interval(board, 3) == (1, 1)
    verdict = bench.verdict(board)
    assert (verdict.points, verdict.evidence) == (1, Evidence.TABLE)
    assert verdict.via[0] == "Kxf4"
    assert len(verdict.via) >= 2


def test_castling_rights_keep_a_position_out_of_the_tables_not_its_moves(bench: Bench) -> None:
    """No table holds it (Syzygy has no castling), but every move leads into one."""
    board = chess.Board("4k3/8/8/8/8/8/8/4K2R w K - 0 1")
    assert bench.prober.outcome_or_none(board) is None
    verdict = bench.verdict(board)
    assert (verdict.points, verdict.evidence) == (1, Evidence.TABLE)
    assert verdict.via


def test_effort_is_counted_in_positions_and_repeats(tables: SyzygyProber) -> None:
    board = chess.Board("r1bq1rk1/ppp2ppp/2np1n2/2b1p3/2B1P3/2NP1N2/PPP2PPP/R1BQ1RK1 w - - 0 7")
    first = [Bench(tables, effort=EFFORTS[name]).verdict(board) for name in EffortName]
    again = [Bench(tables, effort=EFFORTS[name]).verdict(board) for name in EffortName]
    assert first == again
    assert resolve(board, tables, nodes=50).nodes <= 80


def test_the_look_ahead_does_not_stop_in_an_exchange(tables: SyzygyProber) -> None:
    # White has just taken on d5; Black takes back: material is level.
    board = chess.Board("rnbqkb1r/ppp2ppp/4pn2/3P4/3P4/8/PP2PPPP/RNBQKBNR b KQkq - 0 4")
    found = resolve(board, tables)
    assert found.score == 0
    assert found.line
    assert board.is_capture(found.line[0])


def test_the_look_ahead_sees_a_piece_en_prise_and_saves_it(tables: SyzygyProber) -> None:
    # Black's knight on c6 is attacked by a pawn, Black to move: nothing need be lost.
    board = chess.Board("4k3/8/2n5/1P6/8/8/8/4K2R b - - 0 1")
    assert resolve(board, tables).score >= -320
    # The same with White to move: the knight falls.
    board.turn = chess.WHITE
    assert resolve(board, tables).score >= 800 - 20


def test_a_line_that_reaches_a_table_gets_its_answer(tables: SyzygyProber) -> None:
    # The exchange of rooks leaves K+P v K; the tables tell what it is worth.
    board = chess.Board("3r4/3k4/8/3K4/3P4/8/8/3R4 b - - 0 1")
    found = resolve(board, tables, nodes=400)
    assert abs(found.score) < 200


@given(positions(least=5, most=8))
def test_estimates_are_probabilities_and_mirror(board: chess.Board) -> None:
    here = estimate(features(board), position_voices(board))
    mirrored = board.mirror()
    there = estimate(features(mirrored), position_voices(mirrored))
    assert 0 <= here.win <= 1
    assert 0 <= here.loss <= 1
    assert here.win + here.draw + here.loss == pytest.approx(1)
    assert (here.win, here.loss) == pytest.approx((there.loss, there.win))


def test_more_material_is_better_by_the_estimate() -> None:
    level = chess.Board("4r1k1/pp3ppp/8/8/8/8/PP3PPP/4R1K1 w - - 0 1")
    pawn_up = chess.Board("4r1k1/p4ppp/8/8/8/8/PP3PPP/4R1K1 w - - 0 1")
    rook_up = chess.Board("6k1/pp3ppp/8/8/8/8/PP3PPP/4R1K1 w - - 0 1")
    chances = [estimate(features(b), ()).win for b in (level, pawn_up, rook_up)]
    assert chances == sorted(chances)
    assert chances[0] < chances[2]
    other = level.copy()
    other.turn = not level.turn
    assert estimate(features(level), ()).win == pytest.approx(estimate(features(other), ()).loss)


def test_a_side_that_cannot_mate_has_no_winning_chances() -> None:
    board = chess.Board("4k3/pp6/8/8/8/8/8/3NK3 w - - 0 1")
    bare = chess.Board("4k3/pp6/8/8/8/8/8/4K3 w - - 0 1")
    assert isinstance(estimate(features(board), ()), Chances)
    assert estimate(features(bare), ()).win == 0


def test_the_clock_is_part_of_what_is_remembered() -> None:
    for fen in (chess.STARTING_FEN, "8/8/8/4k3/8/4K3/4P3/8 w - - 0 1"):
        early, later = chess.Board(fen), chess.Board(fen)
        later.halfmove_clock = 30
        assert position_key(early) != position_key(later)
        assert place_key(early) == place_key(later)


def test_verdict_refuses_an_empty_interval() -> None:
    with pytest.raises(ValueError, match="low"):
        Verdict(Side.WHITE, Outcome.WIN, Outcome.DRAW, Evidence.TABLE)


# --- judges together, and lines where the way is not known -----------------------------------


class _Bound:
    """Proves the same bounds of everything, for White."""

    name = "bound"

    def __init__(self, low: Outcome, high: Outcome):
        self.bounds = low, high

    def judge(self, board: chess.Board) -> Verdict | None:
        told = Verdict(Side.WHITE, *self.bounds, Evidence.BOUNDED)
        return told.for_side(Side.of(board.turn))


def test_bounds_of_two_judges_that_meet_settle_the_position(tables: SyzygyProber) -> None:
    at_least = _Bound(Outcome.DRAW, Outcome.WIN)
    at_most = _Bound(Outcome.LOSS, Outcome.DRAW)
    for solver in (None, at_least):
        others = (at_most,) if solver is not None else (at_least, at_most)
        told = Bench(tables, more=others, solver=cast("Any", solver)).settle(chess.Board())
        assert told is not None
        # No table was asked: what is true of both bounds is that they were solved.
        assert (told.low, told.high) == (Outcome.DRAW, Outcome.DRAW)
        assert told.evidence is Evidence.SOLVED


def test_a_line_ends_where_the_winner_comes_no_nearer(tables: SyzygyProber) -> None:
    class Lost(Bench):
        """Knows who wins, but is always told the same length of the way."""

        length: int | None = 5

        def way(self, board: chess.Board) -> int | None:
            return self.length

    board = chess.Board("8/8/8/4k3/8/8/8/R3K3 w - - 0 1")
    bench = Lost(tables)
    line = best_line(bench, board)
    assert line is not None
    assert len(line.moves) == 2  # a move of the winner's and the answer, then nothing nearer
    bench.length = None
    assert best_line(bench, board) is None
    proper = best_line(Bench(tables), board)
    assert proper is not None
    assert len(proper.moves) > 10


@pytest.mark.parametrize(
    "fen",
    [
        "6k1/5ppp/8/8/8/8/5PPP/3R2K1 w - - 0 1",  # on the last rank
        "5r1k/6pp/8/6N1/2Q5/8/5PPP/6K1 w - - 0 1",  # a queen given, a knight mates
        "1r4k1/5ppp/8/8/8/3R4/3R1PPP/6K1 w - - 0 1",  # two rooks against the last rank
    ],
)
def test_a_mate_in_few_moves_is_proved(fen: str) -> None:
    """Patterns that are common practice, set up for this test."""
    board = chess.Board(fen)
    verdict = Bench(TABLES).verdict(board)
    assert verdict.low is verdict.high is Outcome.WIN
    for san in verdict.via:
        board.push_san(san)
    assert board.is_checkmate()


def slip_at(fen: str, san: str) -> Slip | None:
    board, bench = chess.Board(fen), Bench(TABLES)
    move = board.parse_san(san)
    before = bench.verdict(board)
    after = bench.verdict(after_move(board, move)).for_side(before.side)
    return slip_of(bench, board, move, 1, before, after)


def test_a_piece_left_to_be_taken_is_suspected_and_the_better_move_named() -> None:
    """A knight was left to be taken, and nothing was said of it."""
    fen = "r1bq1rk1/ppp2ppp/2np1n2/2b1p3/2B1P3/2NP1N2/PPP2PPP/R1BQ1RK1 w - - 0 7"
    assert slip_at(fen, "h3") is None
    slip = slip_at(fen, "Bxf7+")
    assert slip is not None
    assert not slip.certain
    assert slip.held[0].san != "Bxf7+"
    assert slip.shown is not None
    assert slip.shown.moves[0] == slip.held[0].san


def test_all_moves_are_compared_alike_and_the_best_comes_first() -> None:
    board = chess.Board("4k3/5ppp/3R4/8/8/8/3q1PPP/5RK1 w - - 0 1")
    bench = Bench(TABLES)
    compared = bench.compared(board)
    assert {move for move, _ in compared} == set(board.legal_moves)
    assert compared[0][0] == chess.Move.from_uci("d6d2")
    values = [verdict.expected for _, verdict in compared]
    assert values == sorted(values, reverse=True)
    assert bench.line_of(board, compared[0][0])[0] == compared[0][0]


def test_positions_looked_at_as_moves_count_as_remembered() -> None:
    """They are most of what is kept; a long run would grow without end if they did not count."""
    board = chess.Board("8/8/4k1p1/3n4/8/1P6/5P2/R3K3 w - - 0 1")
    bench = Bench(TABLES)
    bench.settle(board)
    assert bench.remembered > board.legal_moves.count()
    bench.forget()
    assert bench.remembered == 0


def test_a_trade_is_shown_whole(tables: SyzygyProber) -> None:
    """55.Rxe6+ trades rooks: the loser takes back, whatever holds out longer to the next goal."""
    bench = Bench(tables)
    board = chess.Board("8/4k3/4r3/8/5K2/4R1P1/8/8 w - - 9 55")
    line = line_after(bench, board, board.parse_san("Rxe6+"))
    assert line is not None
    assert line.moves[:3] == ("Rxe6+", "Kxe6", "Kg5")
    assert line.ends == "pawn move"


@pytest.mark.parametrize(
    ("fen", "least", "first"),
    [
        ("2R5/1k6/8/8/6P1/8/7K/8 w - - 0 1", "g5", "Re8"),
        ("8/8/8/8/3P4/4K3/1R6/2k5 w - - 0 1", "d5", "Rb8"),
        ("2Bk4/8/K7/8/8/1P6/8/8 w - - 0 1", "b4", "Kb7"),
    ],
)
def test_a_winner_lets_nothing_hang(fen: str, least: str, first: str) -> None:
    """A pawn move wins and is nearest, but leaves the piece to be taken."""
    bench, board = Bench(TABLES), chess.Board(fen)
    kept = bench.kept(board).moves
    assert kept[0][0] == board.parse_san(least)
    line = best_line(bench, board)
    assert line is not None
    assert line.moves[0] == first


@given(small_endings())
@settings(max_examples=20)
def test_a_loser_takes_what_hangs(board: chess.Board) -> None:
    """Without going in circles: a capture begins a new way, which ends."""
    bench = Bench(TABLES)
    line, worth = best_line(bench, board), bench.settle(board)
    if line is None or worth is None or not worth.points:
        return
    work = board.copy(stack=False)
    loser = not work.turn if worth.points > 0 else work.turn
    met = {work.board_fen()}
    for san in line.moves:
        move = work.parse_san(san)
        if work.turn == loser:
            gains = [static_exchange(work, each) for each in work.generate_legal_captures()]
            assert max(gains, default=0) <= max(static_exchange(work, move), 0)
        work.push(move)
        assert work.board_fen() not in met
        met.add(work.board_fen())
