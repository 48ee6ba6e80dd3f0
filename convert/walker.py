"""A game ply by ply: boards, captures, material phases.  No judging here."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from functools import cached_property
from typing import NamedTuple

import chess
from chess import KING

from convert.balance import (
    Census,
    balance,
    balance_name,
    census,
    material_text,
    men,
)
from convert.model import Phase, Side


class Step(NamedTuple):
    """One ply as played.

    ``captured`` is the piece type taken (en passant included) on ``square``,
    None for a quiet move; ``contact`` is then the ply whose move brought the
    two men into contact, 0 if they stood so from the start, and ``checks`` says
    that the capture gave check.  ``number`` is the full-move number in the score.
    """

    ply: int
    number: int
    color: chess.Color
    move: chess.Move
    piece: chess.PieceType
    captured: chess.PieceType | None
    square: chess.Square
    contact: int
    checks: bool


@dataclass(frozen=True)
class Walk:
    """A walked game; ``counts[i]`` is the census after ply ``i`` (0 = start)."""

    start: chess.Board
    steps: tuple[Step, ...]
    counts: tuple[Census, ...]

    @cached_property
    def boards(self) -> tuple[chess.Board, ...]:
        """The position after each ply, without move stacks; made when first asked for."""
        board = self.start.copy(stack=False)
        boards = [board]
        for step in self.steps:
            board = board.copy(stack=False)
            board.push(step.move)
            board.clear_stack()
            boards.append(board)
        return tuple(boards)

    def san(self, ply: int) -> str:
        """SAN of the move played at ``ply``."""
        return self.boards[ply - 1].san(self.steps[ply - 1].move)

_KNIGHT_STEPS = tuple(tuple(chess.SquareSet(mask)) for mask in chess.BB_KNIGHT_ATTACKS)
_RAY_STEPS = ((1, 0), (-1, 0), (0, 1), (0, -1), (1, 1), (1, -1), (-1, 1), (-1, -1))


def _rays(square: chess.Square) -> tuple[tuple[chess.Square, ...], ...]:
    """The squares seen from ``square`` in eight directions, files and ranks first."""
    file, rank = square & 7, square >> 3
    return tuple(
        tuple(
            (rank + n * dr) * 8 + file + n * df
            for n in range(1, 8)
            if 0 <= rank + n * dr < 8 and 0 <= file + n * df < 8
        )
        for df, dr in _RAY_STEPS
    )


_RAYS = tuple(_rays(square) for square in chess.SQUARES)
_BETWEEN = {
    (a, ray[n]): ray[:n] for a in chess.SQUARES for ray in _RAYS[a] for n in range(len(ray))
}


def _attacked(men: list[int], square: chess.Square, sign: int) -> bool:
    """Is ``square`` attacked by a man (other than the king) of the side with this sign?"""
    for direction, ray in enumerate(_RAYS[square]):
        slider = sign * (chess.ROOK if direction < 4 else chess.BISHOP)
        for seen in ray:
            man = men[seen]
            if man:
                if man == slider or man == sign * chess.QUEEN:
                    return True
                break
    if any(men[seen] == sign * chess.KNIGHT for seen in _KNIGHT_STEPS[square]):
        return True
    file, rank = square & 7, (square >> 3) - sign
    return 0 <= rank < 8 and any(
        0 <= side < 8 and men[rank * 8 + side] == sign for side in (file - 1, file + 1)
    )


def walk(start: chess.Board, moves: Iterable[chess.Move]) -> Walk:
    """Play legal ``moves`` from ``start``, noting captures, material and contacts.

    Keeps a list of what stands on each square and since when, which is several
    times faster than asking a board; boards are made only when needed.
    """
    # White's men count positive, Black's negative, by python-chess's piece types.
    men = [0] * 64
    for square, piece in start.piece_map().items():
        men[square] = piece.piece_type if piece.color else -piece.piece_type
    # The ply at which a square was last entered, and last left.
    entered, left = [0] * 64, [0] * 64
    kings = [start.king(chess.BLACK) or 0, start.king(chess.WHITE) or 0]
    color, number = start.turn, start.fullmove_number
    count = census(start)
    counts = [count]
    steps: list[Step] = []
    for ply, move in enumerate(moves, 1):
        source, target, promotion = move.from_square, move.to_square, move.promotion
        piece_type = abs(men[source])
        captured: chess.PieceType | None = abs(men[target]) or None
        square, contact, checks = target, 0, False
        if piece_type == chess.PAWN and captured is None and (source - target) & 7:
            captured, square = chess.PAWN, target + (-8 if color else 8)
        if captured is not None:
            contact = max(entered[source], entered[square])
            if chess.KNIGHT < piece_type < KING:
                for between in _BETWEEN[source, target]:
                    contact = max(contact, left[between])
            if square != target:
                men[square] = 0
                left[square] = ply
        elif piece_type == KING and source - target in (2, -2):
            rook, beside = (target + 1, target - 1) if target > source else (target - 2, target + 1)
            men[beside], men[rook] = men[rook], 0
            entered[beside] = left[rook] = ply
        men[target] = men[source]
        if promotion is not None:
            men[target] = promotion if color else -promotion
        men[source] = 0
        entered[target] = left[source] = ply
        if piece_type == KING:
            kings[color] = target
        if captured is not None or promotion is not None:
            changed = list(count)
            mine, theirs = (0, 5) if color else (5, 0)
            if captured is not None:
                changed[theirs + captured - 1] -= 1
                checks = _attacked(men, kings[not color], 1 if color else -1)
            if promotion is not None:
                changed[mine] -= 1
                changed[mine + promotion - 1] += 1
            count = tuple(changed)  # type: ignore[assignment]
        steps.append(Step(ply, number, color, move, piece_type, captured, square, contact, checks))
        counts.append(count)
        number += not color
        color = not color
    return Walk(start, tuple(steps), tuple(counts))


def capture_runs(walked: Walk) -> list[tuple[int, int]]:
    """Stretches (first ply, last ply) of captures on consecutive plies.

    A quiet answer to a check does not end a stretch when a capture follows it:
    the exchange is still going on.  Single captures count as stretches too.
    """
    steps = walked.steps
    captures = [step.ply for step in steps if step.captured is not None]
    runs: list[tuple[int, int]] = []
    for ply in captures:
        if runs:
            first, last = runs[-1]
            if ply == last + 1 or (ply == last + 2 and steps[last - 1].checks):
                runs[-1] = (first, ply)
                continue
        runs.append((ply, ply))
    return runs


def phases(walked: Walk) -> tuple[Phase, ...]:
    """Stretches of one material balance, with what stands only during an exchange left out.

    A stretch that begins and ends inside a run of captures is no phase of the
    game; its plies count to the phase that follows.
    """
    inside: set[int] = set()
    for first, last in capture_runs(walked):
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
