"""A table tried by its content: what it says of a position must follow from its moves.

Positions of the class are drawn, always the same ones for the same seed. For each the outcome is
held against the outcomes after all legal moves as python-chess generates them, captures and
promotions through the smaller tables; the distance likewise, as closely as the rounding of the
tables allows. Another judge of the same class, if there is one, must agree as well.

With the halfmove clock at 0 before and after a quiet move the outcome of a position is that of its
best move, but for one case: a win of exactly 100 plies after a quiet move is a cursed win before
it, and a loss a blessed loss.
"""

from __future__ import annotations

import random
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Final, Protocol

import chess

from tablebases.errors import MissingTable, TableFileError
from tablebases.files import Metric
from tablebases.values import Distance, Outcome

__all__ = [
    "Source",
    "TrialResult",
    "TrialSource",
    "distance_contradiction",
    "legal_positions",
    "outcome_contradiction",
    "try_table",
]

# Positions drawn for one that can be compared; most distances are of draws or of the other side.
_DRAWN_FOR_ONE: Final = 20
# A position and the outcome by its move: exactly 100 plies after it are 101 before it.
_TOO_LATE: Final = (
    (Outcome.CURSED_WIN, Outcome.WIN),
    (Outcome.BLESSED_LOSS, Outcome.LOSS),
)
_IMAGES: Final[tuple[Callable[[chess.Bitboard], chess.Bitboard], ...]] = (
    chess.flip_horizontal,
    chess.flip_vertical,
    chess.flip_diagonal,
    chess.flip_anti_diagonal,
)


class Source(Protocol):
    """Whoever knows outcomes and distances; a ``Prober`` is one."""

    def covers(self, board: chess.Board) -> bool:
        """Can it answer for this position?"""
        ...

    def wdl_after_zeroing(self, board: chess.Board) -> Outcome:
        """Outcome for the side to move with the halfmove clock at 0."""
        ...

    def distance(self, board: chess.Board) -> Distance:
        """Distance to the next zeroing move or mate, in plies."""
        ...


class TrialSource(Source, Protocol):
    """Tables on trial; also says which distances they hold themselves."""

    def holds_distance(self, board: chess.Board, wdl: Outcome) -> bool:
        """Is the distance of this position read, not worked out from its moves?"""
        ...


@dataclass(frozen=True)
class TrialResult:
    """What a trial came to.

    Attributes:
        compared: number of positions held against their moves.
        fault: the first contradiction, in one phrase with its position; None if there is none.
    """

    compared: int
    fault: str | None = None


def legal_positions(name: str, seed: str) -> Iterator[chess.Board]:
    """Legal positions of a class without end, clock 0, no en passant, either side to move.

    Either colour has the first side's men. Every placement is as likely as any other.

    Args:
        name: name of the material, e.g. "KRPvKN".
        seed: the same seed gives the same positions.
    """
    rng = random.Random(f"{name} {seed}")
    sides = name.split("v")
    places = [
        (piece.piece_type, colour, range(8, 56) if piece.piece_type == chess.PAWN else range(64))
        for colour, side in zip((chess.WHITE, chess.BLACK), sides, strict=True)
        for piece in map(chess.Piece.from_symbol, side)
    ]
    while True:
        board = chess.Board(None)
        taken = 0
        swapped = rng.random() < 0.5
        for kind, colour, squares in places:
            square = rng.choice(squares)
            taken |= chess.BB_SQUARES[square]
            board.set_piece_at(square, chess.Piece(kind, colour != swapped))
        if chess.popcount(taken) < len(places):
            continue
        board.turn = rng.random() < 0.5
        if board.is_valid():
            yield board


def outcome_contradiction(tables: Source, board: chess.Board) -> str | None:
    """Does the outcome that tables give for a position follow from those after its moves?

    Args:
        tables: asked for the position and for all positions after one move.
        board: a legal position with the halfmove clock at 0; left as it was.

    Returns:
        What contradicts what, in one phrase, or None.

    Raises:
        TablebaseError: if an answer cannot be had.
    """
    told = tables.wdl_after_zeroing(board)
    moves = list(board.legal_moves)
    if not moves:
        over = Outcome.LOSS if board.is_check() else Outcome.DRAW
        return None if told is over else _differ(board, told.word, over.word, "by the rules")
    zeroing: list[Outcome] = []
    quiet: list[Outcome] = []
    for move in moves:
        kind = zeroing if board.is_zeroing(move) else quiet
        board.push(move)
        try:
            kind.append(tables.wdl_after_zeroing(board).opposite)
        finally:
            board.pop()
    best = max(zeroing + quiet)
    if told is best:
        return None
    # Only quiet moves can come too late; the loser has one, the winner has nothing better.
    if (told, best) in _TOO_LATE and quiet and (best is Outcome.LOSS or best not in zeroing):
        return None
    return _differ(board, told.word, best.word, "by its moves")


def distance_contradiction(tables: Source, board: chess.Board) -> str | None:
    """Does the distance that tables give for a position follow from those after its moves?

    Rounding is allowed for: only where no true distances fit do the numbers contradict each
    other. Looks at moves until one bears the number out, at all if none does.

    Args, returns, raises: as ``outcome_contradiction``. A drawn position has no distance to err in.
    """
    wdl = tables.wdl_after_zeroing(board)
    if wdl is Outcome.DRAW:
        return None
    told = tables.distance(board)
    nearest: Distance | None = None
    for move in list(board.legal_moves):
        after = _after(tables, board, move, wdl)
        if after is None:
            continue
        # The winner takes the shortest way, the loser the longest: none may be better than told.
        wins = wdl > 0
        if after.most < told.least if wins else after.least > told.most:
            return _differ(board, _plies(told), _plies(after), f"by {board.san(move)}")
        if after.least <= told.most and told.least <= after.most:
            return None
        if nearest is None or (after.least < nearest.least) == wins:
            nearest = after
    if nearest is None:
        return (
            None
            if not any(board.legal_moves)
            else _differ(board, _plies(told), "none", "by its moves")
        )
    return _differ(board, _plies(told), _plies(nearest), "by its moves")


def _after(tables: Source, board: chess.Board, move: chess.Move, wdl: Outcome) -> Distance | None:
    """The distance that a position has by one of its moves; None if the move does not keep it.

    Without sign. ``wdl`` is the outcome of the position.
    """
    at_once = 1 if wdl in (Outcome.WIN, Outcome.LOSS) else 101
    zeroing = board.is_zeroing(move)
    board.push(move)
    try:
        if board.is_checkmate():
            return Distance(1) if wdl > 0 else None
        value = tables.wdl_after_zeroing(board).opposite
        if zeroing:
            return Distance(at_once) if value is wdl else None
        if value is wdl:
            later = tables.distance(board)
        elif (wdl, value) in _TOO_LATE:
            later = tables.distance(board)
            if later.most < 100:
                return None
        else:
            return None
        return Distance(later.least + 1, later.rounded)
    finally:
        board.pop()


def _plies(distance: Distance) -> str:
    most = f" to {distance.most}" if distance.most > distance.least else ""
    return f"{distance.least}{most} plies"


def _differ(board: chess.Board, told: str, other: str, whose: str) -> str:
    return f"contradicts itself: {board.fen()} is told as {told}, {whose} it is {other}"


def try_table(
    tables: TrialSource,
    name: str,
    metric: Metric,
    path: Path,
    *,
    positions: int,
    judges: Sequence[Source] = (),
    promotions: bool = True,
    seed: str = "",
    tell: Callable[[float], None] | None = None,
) -> TrialResult:
    """Hold a table against itself, and against other judges, on positions drawn from its class.

    Positions for which a smaller table is missing or itself unsound are passed over.

    Args:
        tables: use the table on trial for its class.
        name: normal name of the class.
        metric: which of its two tables is on trial.
        path: the file of that table.
        positions: how many to compare.
        judges: must agree on every position that they cover.
        promotions: also compare positions with a promotion at hand, for which tables of other
            classes with as many men are needed.
        seed: of the draw.
        tell: hears the share done, 0 to 1.
    """
    compared = 0
    drawn = legal_positions(name, seed)
    for _ in range(positions * _DRAWN_FOR_ONE):
        if compared == positions:
            break
        board = next(drawn)
        if not promotions and any(move.promotion for move in board.legal_moves):
            continue
        try:
            if metric == "wdl":
                fault = _outcome_fault(tables, board, judges, compared)
            else:
                wdl = tables.wdl_after_zeroing(board)
                if wdl is Outcome.DRAW or not tables.holds_distance(board, wdl):
                    continue
                if tables.distance(board).least in (1, 101):
                    continue  # the tables do not ask for what a zeroing move shows
                fault = _distance_fault(tables, board, judges)
        except MissingTable:
            continue
        except TableFileError as error:
            if error.path == path:
                return TrialResult(compared, error.reason)
            continue
        if fault is not None:
            return TrialResult(compared, fault)
        compared += 1
        if tell is not None and compared % 16 == 0:
            tell(compared / positions)
    return TrialResult(compared)


def _outcome_fault(
    tables: TrialSource, board: chess.Board, judges: Sequence[Source], number: int
) -> str | None:
    if (fault := outcome_contradiction(tables, board)) is not None:
        return fault
    told = tables.wdl_after_zeroing(board)
    # With pawns only the files can be mirrored; without, some images have a place of their own.
    images = _IMAGES[:1] if board.pawns else _IMAGES
    image = board.transform(images[number % len(images)])
    if (other := tables.wdl_after_zeroing(image)) is not told:
        return _differ(board, told.word, other.word, "by its mirror image")
    for judge in judges:
        if judge.covers(board) and (other := judge.wdl_after_zeroing(board)) is not told:
            return _disagree(board, told.word, other.word)
    return None


def _distance_fault(
    tables: TrialSource, board: chess.Board, judges: Sequence[Source]
) -> str | None:
    if (fault := distance_contradiction(tables, board)) is not None:
        return fault
    told = tables.distance(board)
    for judge in judges:
        if judge.covers(board):
            other = judge.distance(board)
            if other.least > told.most or told.least > other.most:
                return _disagree(board, _plies(told), _plies(other))
    return None


def _disagree(board: chess.Board, told: str, other: str) -> str:
    return f"contradicts another judge: {board.fen()} is told as {told}, known as {other}"
