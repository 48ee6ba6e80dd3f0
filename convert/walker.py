"""A game ply by ply: boards, captures, material phases.  No judging here."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import chess

from convert.balance import (
    Census,
    balance,
    balance_name,
    census,
    material_text,
    men,
)
from convert.model import Phase, Side


@dataclass(frozen=True)
class Step:
    """One ply as played.

    ``captured`` is the piece type taken (en passant included) on ``square``,
    None for a quiet move.  ``number`` is the full-move number in the score.
    """

    ply: int
    number: int
    color: chess.Color
    move: chess.Move
    piece: chess.PieceType
    captured: chess.PieceType | None
    square: chess.Square
    checked: bool


@dataclass(frozen=True)
class Walk:
    """A walked game; ``boards[i]`` is the position after ply ``i`` (0 = start)."""

    steps: tuple[Step, ...]
    boards: tuple[chess.Board, ...]
    counts: tuple[Census, ...]

    def san(self, ply: int) -> str:
        """SAN of the move played at ``ply``."""
        return self.boards[ply - 1].san(self.steps[ply - 1].move)


def walk(start: chess.Board, moves: Iterable[chess.Move]) -> Walk:
    """Play ``moves`` from ``start``, noting captures and material.

    The boards carry no move stack.  ``Step.checked`` says that the side was in
    check before its move.
    """
    board = start.copy(stack=False)
    steps: list[Step] = []
    boards = [board]
    count = census(board)
    counts = [count]
    checked = board.is_check()
    for ply, move in enumerate(moves, 1):
        color, number = board.turn, board.fullmove_number
        piece = board.piece_type_at(move.from_square) or chess.PAWN
        captured: chess.PieceType | None = None
        square = move.to_square
        if board.is_capture(move):
            captured = board.piece_type_at(square)
            if captured is None:
                captured = chess.PAWN
                square += -8 if color else 8
        board = board.copy(stack=False)
        board.push(move)
        board.clear_stack()
        if captured is not None or move.promotion is not None:
            count = census(board)
        steps.append(Step(ply, number, color, move, piece, captured, square, checked))
        boards.append(board)
        counts.append(count)
        checked = board.is_check()
    return Walk(tuple(steps), tuple(boards), tuple(counts))


def capture_runs(steps: tuple[Step, ...]) -> list[tuple[int, int]]:
    """Stretches (first ply, last ply) of captures on consecutive plies.

    A quiet answer to a check does not end a stretch when a capture follows it:
    the exchange is still going on.  Single captures count as stretches too.
    """
    runs: list[tuple[int, int]] = []
    i = 0
    while i < len(steps):
        if steps[i].captured is None:
            i += 1
            continue
        last = i
        j = i + 1
        while j < len(steps):
            if steps[j].captured is not None:
                last = j
                j += 1
            elif steps[j].checked and j == last + 1:
                j += 1
            else:
                break
        runs.append((i + 1, last + 1))
        i = last + 1
    return runs


def phases(walked: Walk) -> tuple[Phase, ...]:
    """Stretches of one material balance, with what stands only during an exchange left out.

    A stretch that begins and ends inside a run of captures is no phase of the
    game; its plies count to the phase that follows.
    """
    inside: set[int] = set()
    for first, last in capture_runs(walked.steps):
        inside.update(range(first, last))
    labels: list[Census] = list(walked.counts)
    for ply in range(len(labels) - 2, -1, -1):
        if ply in inside:
            labels[ply] = labels[ply + 1]
    found: list[Phase] = []
    begin = 0
    for ply in range(1, len(labels) + 1):
        if ply < len(labels) and labels[ply] == labels[begin]:
            continue
        count = labels[begin]
        told = balance(count)
        found.append(
            Phase(
                first=begin,
                last=ply - 1,
                since=next(p for p in range(begin, ply) if walked.counts[p] == count),
                material=material_text(count),
                name=balance_name(count),
                edge=told.edge,
                ahead=None if told.ahead is None or told.level else Side.of(told.ahead),
                men=men(count),
            )
        )
        begin = ply
    return tuple(found)
