"""What plain baselines look at: material and men, and thirty-two features without any look-ahead.

Leads are White's less Black's (*odd* features: their sign changes when the colours are exchanged);
*even* features do not change.  The features are common practice of the trade; their numbers are
fitted (:mod:`convert.measuring.softmax`).
"""

from __future__ import annotations

from collections.abc import Callable, Sequence

import chess
import numpy as np

from convert.board.kinds import kind_of
from convert.measuring.forecasts import Floats

View = Callable[[Sequence[chess.Board]], tuple[Floats, Floats]]

_CENTRE = [
    max(abs(2 * chess.square_file(s) - 7), abs(2 * chess.square_rank(s) - 7)) / 2
    for s in chess.SQUARES
]
#: Kinds of endings that the features tell apart; all else is the middlegame or mixed.
_KINDS = ("pawn ending", "exchange up", "minor pieces", "rook ending", "queen ending")

ODD = (
    "pawns",
    "knights",
    "bishops",
    "rooks",
    "queens",
    "to move",
    "bishop pair",
    "passed pawns",
    "foremost passed pawn",
    "passed pawn with its king nearer",
    "doubled pawns",
    "isolated pawns",
    "pawns advanced",
    "squares attacked",
    "squares attacked not guarded by pawns",
    "king near the centre, few pieces",
    "pawns before the king, many pieces",
    "rooks on files without own pawns",
    "worth of men attacked and not guarded",
    "attacks beside the enemy king",
    "lead in worth, few pieces",
    "lead in worth, pawns on one wing",
    "lead in worth, to move",
)
EVEN = (
    "always",
    "men",
    "size of the lead",
    "size of the lead, few pieces",
    "bishops of opposite colours",
    "own and enemy pawns",
    "queens on the board",
    "pieces left",
    "a simple ending",
)


def worth_of(board: chess.Board, side: chess.Color) -> int:
    """Worth of a side's men in pawns (1, 3, 3, 5, 9: common practice)."""
    own = board.occupied_co[side]
    return (
        (board.pawns & own).bit_count()
        + 3 * ((board.knights | board.bishops) & own).bit_count()
        + 5 * (board.rooks & own).bit_count()
        + 9 * (board.queens & own).bit_count()
    )


def material_view(boards: Sequence[chess.Board]) -> tuple[Floats, Floats]:
    """Leads in men of each kind and in worth, with the number of men."""
    odd, even = [], []
    for board in boards:
        white, black = board.occupied_co[chess.WHITE], board.occupied_co[chess.BLACK]
        kinds = (board.pawns, board.knights, board.bishops, board.rooks, board.queens)
        lead = worth_of(board, chess.WHITE) - worth_of(board, chess.BLACK)
        men = board.occupied.bit_count()
        few = (32 - men) / 24
        more = [(kind & white).bit_count() - (kind & black).bit_count() for kind in kinds]
        odd.append([*more, lead * few])
        even.append([1.0, few, float(abs(lead)), abs(lead) * few])
    return np.array(odd, dtype=np.float64), np.array(even, dtype=np.float64)


def plain_view(boards: Sequence[chess.Board]) -> tuple[Floats, Floats]:
    """The thirty-two features, in the order of :data:`ODD` and :data:`EVEN`."""
    rows = [_features(board) for board in boards]
    odd = np.array([row[0] for row in rows], dtype=np.float64)
    even = np.array([row[1] for row in rows], dtype=np.float64)
    return odd.reshape(-1, len(ODD)), even.reshape(-1, len(EVEN))


def _features(board: chess.Board) -> tuple[list[float], list[float]]:
    white, black = _side(board, chess.WHITE), _side(board, chess.BLACK)
    lead = float(worth_of(board, chess.WHITE) - worth_of(board, chess.BLACK))
    men = board.occupied.bit_count()
    pieces = men - board.pawns.bit_count() - 2
    few = max(0, 14 - pieces) / 14
    move = 1.0 if board.turn else -1.0
    files = [chess.square_file(square) for square in chess.scan_forward(board.pawns)]
    one_wing = bool(files) and (max(files) <= 3 or min(files) >= 4)
    leads = [a - b for a, b in zip(white, black, strict=True)]
    odd = [
        *leads[:5],
        move,
        *leads[5:14],
        leads[14] * few,
        leads[15] * (1 - few),
        *leads[16:],
        lead * few,
        lead * one_wing,
        abs(lead) * move,
    ]
    light = chess.BB_LIGHT_SQUARES
    own, their = (board.bishops & board.occupied_co[color] for color in (True, False))
    opposite = own.bit_count() == their.bit_count() == 1 and bool(own & light) != bool(
        their & light
    )
    even = [
        1.0,
        men / 32,
        abs(lead),
        abs(lead) * few,
        float(opposite),
        board.pawns.bit_count() / 16,
        float(bool(board.queens)),
        pieces / 14,
        float(kind_of(board) in _KINDS),
    ]
    return odd, even


def _side(board: chess.Board, side: chess.Color) -> list[float]:
    """What one side has: the odd features, before the difference is taken."""
    own, enemy = board.occupied_co[side], board.occupied_co[not side]
    pawns, their_pawns = board.pawns & own, board.pawns & enemy
    king, their_king = board.king(side) or 0, board.king(not side) or 0
    guarded_by_pawns, attacked_by_enemy, guarded = 0, 0, 0
    for square in chess.scan_forward(their_pawns):
        guarded_by_pawns |= chess.BB_PAWN_ATTACKS[not side][square]
    for square in chess.scan_forward(enemy):
        attacked_by_enemy |= board.attacks_mask(square)
    squares = safe = beside = 0
    ring = chess.BB_KING_ATTACKS[their_king]
    for square in chess.scan_forward(own):
        seen = board.attacks_mask(square)
        guarded |= seen
        if chess.BB_SQUARES[square] & (board.pawns | board.kings):
            continue
        squares += (seen & ~own).bit_count()
        safe += (seen & ~own & ~guarded_by_pawns).bit_count()
        beside += (seen & ring).bit_count()
    hanging = own & attacked_by_enemy & ~guarded & ~board.kings
    shield = chess.BB_KING_ATTACKS[king] & pawns
    bishops = board.bishops & own
    pair = bishops & chess.BB_LIGHT_SQUARES and bishops & chess.BB_DARK_SQUARES
    kinds = (board.pawns, board.knights, board.bishops, board.rooks, board.queens)
    open_rooks = sum(
        not chess.BB_FILES[chess.square_file(square)] & pawns
        for square in chess.scan_forward(board.rooks & own)
    )
    return [
        *(float((kind & own).bit_count()) for kind in kinds),
        float(bool(pair)),
        *_pawns(pawns, their_pawns, side, king, their_king),
        squares / 10,
        safe / 10,
        4 - _CENTRE[king],
        float(shield.bit_count()),
        float(open_rooks),
        -sum(
            chess.BB_SQUARES[s] & hanging and _worth(board, s) for s in chess.scan_forward(hanging)
        )
        * (0.5 if board.turn == side else 1.0)
        / 3,
        beside / 3,
    ]


def _worth(board: chess.Board, square: chess.Square) -> int:
    return (0, 1, 3, 3, 5, 9, 0)[board.piece_type_at(square) or 0]


def _pawns(
    pawns: int, enemy: int, side: chess.Color, king: chess.Square, their_king: chess.Square
) -> list[float]:
    """Passed: number, foremost, king nearer; doubled, isolated, advanced."""
    passed = foremost = nearer = doubled = isolated = advanced = 0.0
    for square in chess.scan_forward(pawns):
        file, rank = chess.square_file(square), chess.square_rank(square)
        steps = rank - 1 if side else 6 - rank
        ahead = sum(chess.BB_RANKS[rank + 1 :]) if side else sum(chess.BB_RANKS[:rank])
        beside = sum(chess.BB_FILES[f] for f in (file - 1, file + 1) if 0 <= f < 8)
        advanced += steps
        if not pawns & beside:
            isolated += 1
        if pawns & chess.BB_FILES[file] & ahead:
            doubled += 1
        elif not enemy & (beside | chess.BB_FILES[file]) & ahead:
            passed += 1
            away = chess.square_distance(their_king, square) - chess.square_distance(king, square)
            if (steps / 5) ** 2 >= foremost:
                foremost, nearer = (steps / 5) ** 2, away / 4
    return [passed, foremost, nearer, doubled, isolated, advanced / 5]
