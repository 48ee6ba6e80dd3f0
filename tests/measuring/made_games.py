"""Invented games for the tests of measuring: legal moves drawn at random, captures preferred."""

from __future__ import annotations

import random

import chess
import chess.pgn


def made_game(seed: int) -> chess.pgn.Game:
    """A game of up to 160 plies; result, ratings and how it ended are drawn too."""
    rng = random.Random(seed)
    board = chess.Board()
    while len(board.move_stack) < 160 and not board.is_game_over():
        moves = list(board.legal_moves)
        captures = [move for move in moves if board.is_capture(move)]
        board.push(rng.choice(captures if captures and rng.random() < 0.45 else moves))
    game = chess.pgn.Game.from_board(board)
    game.headers["GameId"] = f"made{seed}"
    game.headers["WhiteElo"] = str(rng.randrange(1700, 2700))
    game.headers["BlackElo"] = str(rng.randrange(1700, 2700))
    game.headers["Termination"] = rng.choice(["normal", "normal", "normal", "time forfeit"])
    if not board.is_game_over():
        game.headers["Result"] = rng.choice(["1-0", "0-1", "1/2-1/2"])
    return game


def made_pgn(seeds: range) -> str:
    """Such games as PGN text."""
    return "\n\n".join(str(made_game(seed)) for seed in seeds) + "\n"
