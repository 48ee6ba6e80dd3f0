"""Walking a game, phases, trades: against a plain re-reading with python-chess."""

from __future__ import annotations

import itertools

import chess
import pytest
from hypothesis import given
from strategies import games

from convert.board.balance import census, material_text
from convert.review.trades import contact, find_trades, starts_trade
from convert.review.walker import Walk, capture_runs, phases, walk
from convert.wording.trade_names import name_trade


def play(sans: str, fen: str = chess.STARTING_FEN) -> list[chess.Move]:
    board = chess.Board(fen)
    return [board.push_san(san) for san in sans.split()]


@given(games())
def test_walk_equals_replay(moves: list[chess.Move]) -> None:
    walked = walk(chess.Board(), moves)
    board = chess.Board()
    for step, move in zip(walked.steps, moves, strict=True):
        assert step.color == board.turn
        assert step.number == board.fullmove_number
        before = len(board.piece_map())
        board.push(move)
        assert (step.captured is not None) == (len(board.piece_map()) < before)
        if step.captured is not None:
            assert step.checks == board.is_check()
        assert walked.boards[step.ply].fen() == board.fen()
        assert walked.counts[step.ply] == census(board)


@given(games())
def test_phases_cover_the_game_once(moves: list[chess.Move]) -> None:
    found = phases(walk(chess.Board(), moves))
    assert found[0].first == 0
    assert found[-1].last == len(moves)
    for a, b in itertools.pairwise(found):
        assert b.first == a.last + 1
        assert a.material != b.material


@given(games())
def test_phases_by_the_definition(moves: list[chess.Move]) -> None:
    """Each ply has the balance after it, but within a run of captures the one after the run."""
    walked = walk(chess.Board(), moves)
    labels = list(walked.counts)
    for first, last in capture_runs(walked):
        for ply in range(first, last):
            labels[ply] = walked.counts[last]
    grouped = itertools.groupby(range(len(labels)), labels.__getitem__)
    stretches = [list(plies) for _, plies in grouped]
    assert [(phase.first, phase.last, phase.since, phase.material) for phase in phases(walked)] == [
        (
            plies[0],
            plies[-1],
            next(ply for ply in plies if walked.counts[ply] == labels[plies[0]]),
            material_text(labels[plies[0]]),
        )
        for plies in stretches
    ]


@given(games())
def test_trades_by_the_definition(moves: list[chess.Move]) -> None:
    """Both sides lose men in each trade, and each capture belongs to one run only."""
    walked = walk(chess.Board(), moves)
    seen: set[int] = set()
    for first, last in capture_runs(walked):
        assert walked.steps[first - 1].captured is not None
        assert walked.steps[last - 1].captured is not None
        assert not seen & set(range(first, last + 1))
        seen.update(range(first, last + 1))
        for ply in range(first, last + 1):
            step = walked.steps[ply - 1]
            assert step.captured is not None or walked.boards[ply - 1].is_check()
    captures = {s.ply for s in walked.steps if s.captured is not None}
    assert captures <= seen
    for trade in find_trades(walked):
        before, after = walked.boards[trade.first - 1], walked.boards[trade.last]
        for color, gave in ((chess.WHITE, trade.white_gave), (chess.BLACK, trade.black_gave)):
            lost = before.occupied_co[color].bit_count() - after.occupied_co[color].bit_count()
            assert lost == len(gave) > 0
        assert trade.began_by == before.turn


def slow_contact(walked: Walk, first: int) -> int:
    """The ply of contact, by looking at every earlier board."""
    step = walked.steps[first - 1]
    source, target, to = step.move.from_square, step.square, step.move.to_square
    here = walked.boards[first - 1]
    for ply in range(first - 1, -1, -1):
        board = walked.boards[ply]
        attacks = to in board.attacks(source) if to == target else board.ep_square == to
        same = (board.piece_at(source), board.piece_at(target)) == (
            here.piece_at(source),
            here.piece_at(target),
        )
        if not (attacks and same):
            return ply + 1
    return 0


@given(games())
def test_contact_equals_a_look_at_every_board(moves: list[chess.Move]) -> None:
    walked = walk(chess.Board(), moves)
    for step in walked.steps:
        if step.captured is not None:
            assert (contact(walked, step.ply)[1] or 0) == slow_contact(walked, step.ply)


def test_queens_offered_and_taken() -> None:
    moves = play("e4 e5 d4 exd4 Qxd4 Qf6 Nf3 Qxd4 Nxd4")
    trades = find_trades(walk(chess.Board(), moves))
    queens = trades[-1]
    assert name_trade(queens.white_gave, queens.black_gave) == "queens"
    # 3...Qf6 brought the queens into contact; Black himself took.
    assert (queens.offered_by, queens.offered_ply) == (chess.BLACK, 6)
    assert (queens.first, queens.last, queens.began_by) == (8, 9, chess.BLACK)
    assert queens.recaptures == (9,)
    assert not queens.liquidation


def test_pawns_exchanged_with_an_answer_to_check_between() -> None:
    fen = "4k3/8/3r4/8/8/8/3B4/3RK3 b - - 0 1"
    # Rook takes, bishop is lost; after a check and its answer the rook is taken.
    moves = play("Rxd2 Rxd2", fen)
    trade = find_trades(walk(chess.Board(fen), moves))[0]
    assert name_trade(trade.white_gave, trade.black_gave) == (
        "Black's rook for White's bishop (the exchange)"
    )
    assert not trade.liquidation


def test_last_pieces_into_a_pawn_ending_are_a_liquidation() -> None:
    fen = "3r2k1/5ppp/8/8/8/8/5PPP/3R2K1 w - - 0 1"
    trade = find_trades(walk(chess.Board(fen), play("Rxd8#", fen)))
    assert trade == ()
    fen = "3r2k1/4kppp/8/8/8/8/5PPP/3R2K1 w - - 0 1".replace("3r2k1/4kppp", "3r4/4kppp")
    trade = find_trades(walk(chess.Board(fen), play("Rxd8 Kxd8", fen)))[0]
    assert trade.liquidation
    assert trade.offered_by is None  # the rooks faced each other from the start


def test_contact_made_by_the_other_side() -> None:
    walked = walk(chess.Board(), play("e4 d5 exd5 Qxd5"))
    assert contact(walked, 3) == (chess.BLACK, 2)


def test_en_passant_is_offered_by_the_double_step() -> None:
    walked = walk(chess.Board(), play("e4 a6 e5 d5 exd6 cxd6"))
    trade = find_trades(walked)[0]
    assert (trade.offered_by, trade.offered_ply) == (chess.BLACK, 4)
    assert name_trade(trade.white_gave, trade.black_gave) == "pawns"


@pytest.mark.parametrize(
    ("white", "black", "name"),
    [
        ([chess.QUEEN], [chess.QUEEN], "queens"),
        ([chess.ROOK, chess.ROOK], [chess.ROOK, chess.ROOK], "2 pairs of rooks"),
        ([chess.BISHOP], [chess.KNIGHT], "White's bishop for Black's knight"),
        ([chess.ROOK], [chess.KNIGHT], "White's rook for Black's knight (the exchange)"),
        ([chess.QUEEN, chess.PAWN], [chess.QUEEN], "queens; White gives a pawn besides"),
        (
            [chess.ROOK, chess.KNIGHT],
            [chess.ROOK, chess.BISHOP],
            "rooks, and White's knight for Black's bishop",
        ),
    ],
)
def test_trade_names(white: list[int], black: list[int], name: str) -> None:
    assert name_trade(tuple(white), tuple(black)) == name


def test_a_hanging_piece_starts_no_trade() -> None:
    board = chess.Board("4k3/8/8/3n4/8/8/8/3RK3 w - - 0 1")
    assert not starts_trade(board, chess.Move.from_uci("d1d5"))
    guarded = chess.Board("4k3/8/4p3/3n4/8/8/8/3RK3 w - - 0 1")
    assert starts_trade(guarded, chess.Move.from_uci("d1d5"))
    queen = chess.Board("4k3/8/4p3/3n4/8/8/8/3QK3 w - - 0 1")
    assert not starts_trade(queen, chess.Move.from_uci("d1d5"))
