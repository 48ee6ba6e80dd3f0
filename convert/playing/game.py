"""The game step by step: each function takes a game and gives the next one."""

from __future__ import annotations

from dataclasses import dataclass, replace

import chess

from convert.judging.judges import Bench, after_move
from convert.judging.laws import announced_claims, claim, over
from convert.judging.solving import in_reach
from convert.model import Evidence, Side
from convert.model.record import End, How, Playing
from convert.playing import reply as opponent
from convert.playing.judging import made
from tablebases.material import material_name


def start(bench: Bench, board: chess.Board, player: Side) -> Playing:
    """A new game from a legal position."""
    board = board.copy(stack=False)
    return Playing(board.fen(), player, bench.by_moves(board).for_side(player), end=over(board))


def play(bench: Bench, playing: Playing, move: chess.Move) -> Playing:
    """The player's move, judged.

    Raises:
        ValueError: the game is over, it is not the player's turn, or the move is not legal.
    """
    if not playing.players_turn:
        raise ValueError("not the player's move")
    return _moved(bench, playing, move, by_player=True)


def answer(bench: Bench, playing: Playing) -> Playing:
    """The opponent's move, or its claim of a draw.

    Raises:
        ValueError: the game is over or it is the player's turn.
    """
    if playing.end is not None or playing.players_turn:
        raise ValueError("not the opponent's move")
    board = playing.board
    claimed = opponent.claims(bench, board)
    if claimed is not None:
        return replace(playing, end=claimed)
    return _moved(bench, playing, opponent.reply(bench, board), by_player=False)


def _moved(bench: Bench, playing: Playing, move: chess.Move, *, by_player: bool) -> Playing:
    board = playing.board
    if move not in board.legal_moves:
        raise ValueError(f"{move.uci()} is not legal: {board.fen()}")
    record = made(bench, board, move, len(playing.made) + 1, by_player=by_player)
    board.push(move)
    return replace(playing, made=(*playing.made, record), end=over(board))


def resign(playing: Playing) -> Playing:
    """The player resigns (5.1.2)."""
    return replace(playing, end=End(How.RESIGNED, playing.player.other, playing.player))


@dataclass(frozen=True)
class DrawAnswer:
    """What came of ``draw``.

    ``playing`` is over where the claim stood or the offer was taken.  ``possible`` names the moves
    (SAN) that would make a claim stand if announced.
    """

    playing: Playing
    possible: tuple[str, ...] = ()


def ask_draw(bench: Bench, playing: Playing, move: chess.Move | None = None) -> DrawAnswer:
    """Claim a draw if the Laws allow it (9.2, 9.3), else offer one (9.1).

    With a move the claim rests on it, and nothing is offered.  Without a move, where a claim would
    stand with a move announced, those moves are named and nothing is offered.

    Raises:
        ValueError: it is not the player's move.
    """
    if not playing.players_turn:
        raise ValueError("not the player's move")
    board = playing.board
    how = claim(board, move)
    if how is not None:
        announced = board.san(move) if move is not None else ""
        return DrawAnswer(replace(playing, end=End(how, None, playing.player, announced)))
    if move is not None:
        return DrawAnswer(playing)
    possible = tuple(board.san(m) for m, _ in announced_claims(board))
    if possible:
        return DrawAnswer(playing, possible)
    if opponent.accepts_draw(bench, board, playing.player.other):
        return DrawAnswer(replace(playing, end=End(How.AGREED, None, playing.player)))
    return DrawAnswer(playing)


#: Solving is tried again for new pawn structures of a material only if it took no more planned
#: work (seconds of one core).
AGAIN_WITHIN = 15.0

Structure = tuple[str, int, int]


@dataclass(frozen=True)
class SolverAsked:
    """What the solver was asked: positions on the board, their moves, and materials that took long.

    A structure is a material with the places of its pawns.
    """

    boards: frozenset[Structure] = frozenset()
    moves: frozenset[Structure] = frozenset()
    slow: frozenset[str] = frozenset()


def prepare(bench: Bench, board: chess.Board, tried: SolverAsked) -> SolverAsked:
    """Let the solver work on a position that it has not settled, or one of whose moves is open.

    Each pawn structure is tried once, as the position on the board and as what a move leads to; a
    material that took long is not tried again.
    """
    solver = bench.solver
    if solver is None or solver.stopped or bench.covered(board):
        return tried
    name = material_name(board)
    if name in tried.slow:
        return tried

    def is_open(there: chess.Board) -> bool:
        if not in_reach(there, solver.reach) or solver.known(there):
            return False
        verdict = solver.judge(there)
        return (verdict is None or not verdict.exact) and any(there.generate_legal_moves())

    if not in_reach(board, solver.reach):
        return tried
    here = _structure(board)
    after = [after_move(board, move) for move in board.legal_moves]
    moves = frozenset(_structure(child) for child in after if is_open(child)) - tried.moves
    if not moves and (here in tried.boards or not is_open(board)):
        return tried
    spent = solver.seconds
    bench.prepare([board])
    if solver.seconds != spent:
        # What was not known before may be known now.
        bench.forget()
    slow = solver.seconds - spent > AGAIN_WITHIN
    return SolverAsked(
        tried.boards | {here}, tried.moves | moves, tried.slow | ({name} if slow else set())
    )


def _structure(board: chess.Board) -> Structure:
    pawns = board.pawns
    return (
        material_name(board),
        pawns & board.occupied_co[chess.WHITE],
        pawns & board.occupied_co[chess.BLACK],
    )


def basis(bench: Bench, board: chess.Board) -> Evidence:
    """What the opponent's play rests on here: table, solver, or the estimate."""
    settled = bench.kept(board).verdict
    if settled is None or not settled.exact:
        return Evidence.ESTIMATE
    return settled.evidence
