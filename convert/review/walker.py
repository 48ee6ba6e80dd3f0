"""A game ply by ply: boards, captures, material phases.  No judging here."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from functools import cached_property
from typing import NamedTuple

import chess
from chess import KING

from convert.board.balance import (
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

    @cached_property
    def runs(self) -> tuple[tuple[int, int], ...]:
        """What `capture_runs` finds; looked for when first asked for."""
        return tuple(capture_runs(self))

    @cached_property
    def phases(self) -> tuple[Phase, ...]:
        """What `phases` finds; looked for when first asked for."""
        return phases(self)


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
    knight = sign * chess.KNIGHT
    for seen in _KNIGHT_STEPS[square]:
        if men[seen] == knight:
            return True
    file, rank = square & 7, (square >> 3) - sign
    if not 0 <= rank < 8:
        return False
    behind = rank * 8 + file
    return (file > 0 and men[behind - 1] == sign) or (file < 7 and men[behind + 1] == sign)


_new_step = tuple.__new__  # Step(...) would go through one more call


def men_by_square(board: chess.Board) -> list[int]:
    """What stands on each square, by piece type: White's men positive, Black's negative."""
    men = [0] * 64
    white = board.occupied_co[chess.WHITE]
    kinds = (board.pawns, board.knights, board.bishops, board.rooks, board.queens, board.kings)
    for kind, squares in enumerate(kinds, chess.PAWN):
        for square in chess.scan_forward(squares):
            men[square] = kind if white >> square & 1 else -kind
    return men


def walk(start: chess.Board, moves: Iterable[chess.Move]) -> Walk:
    """Play legal ``moves`` from ``start``, noting captures, material and contacts.

    Keeps a list of what stands on each square and since when, which is several
    times faster than asking a board; boards are made only when needed.
    """
    men = men_by_square(start)
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
        facts = (ply, number, color, move, piece_type, captured, square, contact, checks)
        steps.append(_new_step(Step, facts))
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
    counts = walked.counts
    run_of = dict(walked.runs)
    begun = [(0, counts[0])]  # first ply and balance of each phase
    done = 0  # last ply of the run before
    for step in walked.steps:
        ply = step.ply
        if ply <= done or (step.captured is None and step.move.promotion is None):
            continue
        done = run_of.get(ply, ply)
        if counts[done] != begun[-1][1]:
            begun.append((ply, counts[done]))
    ends = [first - 1 for first, _ in begun[1:]]
    runs_found: list[Phase] = []
    for (first, count), last in zip(begun, [*ends, len(counts) - 1], strict=True):
        standing = balance(count)
        since = first
        while counts[since] != count:
            since += 1
        runs_found.append(
            Phase(
                first=first,
                last=last,
                since=since,
                material=material_text(count),
                name=balance_name(count),
                edge=standing.edge,
                ahead=None if standing.ahead is None or standing.level else Side.of(standing.ahead),
                men=men(count),
            )
        )
    return tuple(runs_found)
