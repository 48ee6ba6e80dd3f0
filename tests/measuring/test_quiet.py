"""Quiet positions: what an exchange gains, what is taken, and what the file holds."""

from __future__ import annotations

import random
from collections.abc import Sequence
from pathlib import Path

import chess
import numpy as np
import pytest
from chess import KING
from hypothesis import given
from hypothesis import strategies as st
from made_games import made_game

from convert.measuring.quiet import (
    FIELDS,
    FIRST,
    WORTH,
    board_of,
    collected,
    exchange_gain,
    main,
    wins_by_capture,
)
from convert.measuring.rated_games import Filter, accepted
from convert.reading.fastread import read_lines


def slow_gain(board: chess.Board, move: chess.Move) -> int:
    """The same, by trying every man that may take next, on a list of men by square."""
    men = dict(board.piece_map())
    target = move.to_square
    if board.is_en_passant(move):
        file, rank = chess.square_file(target), chess.square_rank(move.from_square)
        taken = men.pop(chess.square(file, rank))
    else:
        taken = men.get(target)
    gain = WORTH[taken.piece_type] if taken else 0
    mover = men.pop(move.from_square)
    if move.promotion:
        gain += WORTH[move.promotion] - 1
        mover = chess.Piece(move.promotion, mover.color)
    men[target] = mover
    return gain - max(0, _best_taking(men, target, not board.turn))


def _best_taking(men: dict[int, chess.Piece], target: int, side: chess.Color) -> int:
    takers = _takers(men, target, side)
    worth = WORTH[men[target].piece_type]
    best = 0
    # A king may take only what nobody guards, and only as the last.
    for square in takers:
        piece = men[square]
        after = {s: p for s, p in men.items() if s != square} | {target: piece}
        if piece.piece_type == KING and _takers(after, target, not side):
            continue
        best = max(best, worth - max(0, _best_taking(after, target, not side)))
    return best


def _takers(men: dict[int, chess.Piece], target: int, side: chess.Color) -> Sequence[int]:
    board = chess.Board(None)
    board.set_piece_map(men)
    return list(board.attackers(side, target))


@given(st.integers(0, 150), st.randoms(use_true_random=False))
def test_an_exchange_gains_what_trying_everything_finds(seed: int, rng: random.Random) -> None:
    nodes = list(made_game(seed % 12).mainline())[6:]
    board = rng.choice(nodes).board()
    for move in list(board.generate_legal_captures())[:6]:
        assert exchange_gain(board, move) == slow_gain(board, move), (board.fen(), move.uci())


@pytest.mark.parametrize(
    ("fen", "move", "gain"),
    [
        ("4k3/8/3p4/4p3/3P4/8/8/4K3 w - - 0 1", "d4e5", 0),
        ("4k3/8/3p4/4p3/8/8/8/K3R3 w - - 0 1", "e1e5", -4),
        # A rook behind a rook: pawn, rook for the pawn's guard.
        ("4k3/8/3p4/4p3/8/8/4R3/K3R3 w - - 0 1", "e2e5", -3),
        ("4k3/8/8/4p3/8/8/8/K3R3 w - - 0 1", "e1e5", 1),
        ("3n3k/2P5/8/8/8/8/8/K7 w - - 0 1", "c7d8q", 11),
        ("r2n3k/2P5/8/8/8/8/8/K7 w - - 0 1", "c7d8q", 2),
        ("4k3/8/8/3pP3/8/8/8/4K3 w - d6 0 1", "e5d6", 1),
        # A king takes back only what nobody guards any more.
        ("8/8/3k4/4p3/8/8/8/K3R3 w - - 0 1", "e1e5", -4),
        ("8/8/3k4/4p3/8/8/4R3/K3R3 w - - 0 1", "e2e5", 1),
    ],
)
def test_exchanges_counted_by_hand(fen: str, move: str, gain: int) -> None:
    board = chess.Board(fen)
    found = exchange_gain(board, chess.Move.from_uci(move))
    assert found == gain
    assert found == slow_gain(board, chess.Move.from_uci(move))


def test_a_promotion_that_cannot_be_taken_wins() -> None:
    assert wins_by_capture(chess.Board("7k/2P5/8/8/8/8/8/K7 w - - 0 1"))
    assert not wins_by_capture(chess.Board("2r4k/2P5/8/8/8/8/8/K7 w - - 0 1"))
    assert not wins_by_capture(chess.Board())


def test_what_is_written_is_quiet_and_as_played(made: str, tmp_path: Path) -> None:
    out = tmp_path / "quiet.npz"
    assert main([made, "-o", str(out), "--rating", "0", "--every", "2"]) == 0
    with np.load(out) as file:
        columns = {name: file[name] for name in FIELDS}
        assert "uint64" in str(file["fields"])
    assert len(columns["turn"]) > 100
    games = {
        game.name: game
        for read in read_lines(made)
        if (game := accepted(read, Filter(0))) is not None
    }
    for index in range(len(columns["turn"])):
        game = games[f"{int(columns['game'][index]):016x}"]
        ply = int(columns["ply"][index])
        board = game.start.copy()
        for move in game.moves[:ply]:
            board.push(move)
        told = board_of(columns, index)
        assert told.fen() == board.fen(en_passant="legal")
        assert ply >= FIRST
        assert ply + columns["left"][index] == len(game.moves)
        assert columns["result"][index] == game.result
        assert columns["held_out"][index] == game.held_out
        assert (columns["white"][index], columns["black"][index]) == (game.white, game.black)
        assert columns["men"][index] == board.occupied.bit_count()
        last, following = board.pop(), game.moves[ply]
        assert not board.is_capture(last)
        assert not last.promotion
        assert not told.is_check()
        assert not told.is_capture(following)
        assert not following.promotion
        assert all(slow_gain(told, move) <= 0 for move in told.generate_legal_captures())


def test_each_game_counts_once_whatever_the_processes(made: str, turned: str) -> None:
    one = collected([made], Filter(0), 3)
    two = collected([made, turned], Filter(0), 3, jobs=2)
    for name in FIELDS:
        assert np.array_equal(one[name], two[name])
    assert len(np.unique(one["ply"] % 3)) == 3


def test_nothing_makes_an_empty_file(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = tmp_path / "none.pgn"
    path.write_text('[Event "?"]\n[Result "*"]\n\n1. e4 *\n')
    assert main([str(path), "-o", str(tmp_path / "none.npz")]) == 0
    assert "0 positions of 0 games" in capsys.readouterr().out
    assert main([str(path), "-o", str(path)]) == 2
