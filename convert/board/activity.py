"""What a piece does: how far it reaches, what it guards, whether it is a full member of the game.

Static exchange counts use whole numbers, 100 for a pawn: knight and bishop 300, rook 500, queen
900 (common practice). They count captures on one square only, ignore pins, and let every piece
behind another on the same line join in.

The word for a piece is a judgement made by a fixed rule (common practice, our own thresholds):

1. Start with how far it reaches. *Active* from 5 safe squares for a knight, 7 for a bishop, 9 for
   a rook, 13 for a queen. *Passive* without a safe square, or with at most 2, 3, 4, 6 safe ones
   while all its squares together are at most 3, 4, 5, 8. *Ordinary* between.
2. One step up for a knight or bishop on an outpost (beyond the middle of the board, protected by
   a pawn, out of reach of enemy pawns) and for a rook on its seventh rank.
3. One step down for a piece that alone guards something the enemy attacks.

A king is *active* from its fourth rank on when no queens are on the board, *passive* with at most
two safe squares, otherwise *ordinary*. A pawn is always *ordinary*.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import chess
from chess import KING

from convert.board.features import PATH, pawn_attacks, relative_rank, step

Word = Literal["active", "passive", "ordinary"]

#: Exchange value of each piece type, index = piece type; the king's stands for "priceless".
EXCHANGE_VALUE: tuple[int, ...] = (0, 100, 300, 300, 500, 900, 20_000)

#: From where a pawn promotes next: Black's, White's.
_SEVENTH = (chess.BB_RANK_2, chess.BB_RANK_7)

#: First squares of White's pieces by type; Black's are the same with the ranks turned.
_FIRST_SQUARES: dict[chess.PieceType, chess.Bitboard] = {
    chess.PAWN: chess.BB_RANK_2,
    chess.KNIGHT: chess.BB_B1 | chess.BB_G1,
    chess.BISHOP: chess.BB_C1 | chess.BB_F1,
    chess.ROOK: chess.BB_A1 | chess.BB_H1,
    chess.QUEEN: chess.BB_D1,
    KING: chess.BB_E1,
}
_PASSIVE_UP_TO = (0, 0, 2, 3, 4, 6, 2)
_NARROW_UP_TO = (0, 0, 3, 4, 5, 8, 0)
_ACTIVE_FROM = (0, 0, 5, 7, 9, 13, 0)
_WORDS: tuple[Word, ...] = ("passive", "ordinary", "active")


@dataclass(frozen=True)
class Activity:
    """What one piece does.

    `mobility` counts the squares it could move to by the moves of its kind, squares with own men
    left out (pins and checks are not looked at); `safe_mobility` those of them that no enemy
    pawn and no enemy piece of the same or lower value attacks, and no enemy king unless the
    square is guarded. `tied_to` are squares of own men that the enemy attacks and that only this
    piece guards.
    """

    square: chess.Square
    piece_type: chess.PieceType
    color: chess.Color
    mobility: int
    safe_mobility: int
    tied_to: tuple[chess.Square, ...]
    on_first_square: bool
    outpost: bool
    word: Word


@dataclass(frozen=True)
class _Attacks:
    """Squares one side attacks, by the kind of attacker."""

    pawns: chess.Bitboard
    minors: chess.Bitboard
    rooks: chess.Bitboard
    queens: chess.Bitboard
    king: chess.Bitboard


def _attacks_by_kind(board: chess.Board, color: chess.Color) -> _Attacks:
    own = board.occupied_co[color]
    minors = rooks = queens = king = 0
    for square in chess.scan_forward(own & (board.knights | board.bishops)):
        minors |= board.attacks_mask(square)
    for square in chess.scan_forward(own & board.rooks):
        rooks |= board.attacks_mask(square)
    for square in chess.scan_forward(own & board.queens):
        queens |= board.attacks_mask(square)
    for square in chess.scan_forward(own & board.kings):
        king |= board.attacks_mask(square)
    return _Attacks(pawn_attacks(board.pawns & own, color), minors, rooks, queens, king)


def _targets(
    board: chess.Board, square: chess.Square, piece_type: chess.PieceType, color: chess.Color
) -> chess.Bitboard:
    own = board.occupied_co[color]
    if piece_type != chess.PAWN:
        return board.attacks_mask(square) & ~own
    here = chess.BB_SQUARES[square]
    targets = pawn_attacks(here, color) & board.occupied_co[not color]
    one = step(here, color) & ~board.occupied
    targets |= one
    if one and relative_rank(square, color) == 1:
        targets |= step(one, color) & ~board.occupied
    return targets


def _is_outpost(
    board: chess.Board, square: chess.Square, piece_type: chess.PieceType, color: chess.Color
) -> bool:
    if piece_type not in (chess.KNIGHT, chess.BISHOP):
        return False
    if not 3 <= relative_rank(square, color) <= 5:
        return False
    own_pawns = board.pawns & board.occupied_co[color]
    if not pawn_attacks(own_pawns, color) & chess.BB_SQUARES[square]:
        return False
    beside = PATH[color][square] & ~chess.BB_FILES[square & 7]
    return not beside & board.pawns & board.occupied_co[not color]


def _activity(board: chess.Board, square: chess.Square, theirs: _Attacks) -> Activity:
    piece_type = board.piece_type_at(square)
    if piece_type is None:
        raise ValueError(f"no piece on {chess.square_name(square)}")
    here = chess.BB_SQUARES[square]
    color = bool(board.occupied_co[chess.WHITE] & here)
    own = board.occupied_co[color]
    targets = _targets(board, square, piece_type, color)

    unsafe = theirs.pawns
    if piece_type >= chess.KNIGHT:
        unsafe |= theirs.minors
    if piece_type >= chess.ROOK:
        unsafe |= theirs.rooks
    if piece_type >= chess.QUEEN:
        unsafe |= theirs.queens
    if piece_type == KING:
        unsafe |= theirs.king
    else:
        for target in chess.scan_forward(targets & theirs.king & ~unsafe):
            if not board.attackers_mask(color, target) & ~here:
                unsafe |= chess.BB_SQUARES[target]
    safe = (targets & ~unsafe).bit_count()

    seen = board.attacks_mask(square) & own & ~board.kings
    attacked = theirs.pawns | theirs.minors | theirs.rooks | theirs.queens | theirs.king
    tied = tuple(
        target
        for target in chess.scan_forward(seen & attacked)
        if board.attackers_mask(color, target) == here
    )
    outpost = _is_outpost(board, square, piece_type, color)

    first = _FIRST_SQUARES[piece_type]
    if not color:
        first = chess.flip_vertical(first)

    return Activity(
        square=square,
        piece_type=piece_type,
        color=color,
        mobility=targets.bit_count(),
        safe_mobility=safe,
        tied_to=tied,
        on_first_square=bool(first & here),
        outpost=outpost,
        word=_word(
            board, square, piece_type, color, targets.bit_count(), safe, bool(tied), outpost
        ),
    )


def _word(
    board: chess.Board,
    square: chess.Square,
    piece_type: chess.PieceType,
    color: chess.Color,
    mobility: int,
    safe: int,
    tied: bool,
    outpost: bool,
) -> Word:
    if piece_type == chess.PAWN:
        return "ordinary"
    rank = relative_rank(square, color)
    if piece_type == KING:
        if rank >= 3 and not board.queens:
            return "active"
        return "passive" if safe <= _PASSIVE_UP_TO[KING] else "ordinary"
    level = 1
    narrow = safe <= _PASSIVE_UP_TO[piece_type] and mobility <= _NARROW_UP_TO[piece_type]
    if safe == 0 or narrow:
        level = 0
    elif safe >= _ACTIVE_FROM[piece_type]:
        level = 2
    if outpost or (piece_type == chess.ROOK and rank == 6):
        level += 1
    if tied:
        level = min(level, 2) - 1
    return _WORDS[max(0, min(2, level))]


def piece_activity(board: chess.Board, square: chess.Square) -> Activity:
    """Activity of the piece or pawn on `square`. Raises ValueError for an empty square."""
    color = board.color_at(square)
    if color is None:
        raise ValueError(f"no piece on {chess.square_name(square)}")
    return _activity(board, square, _attacks_by_kind(board, not color))


def activities(board: chess.Board) -> dict[chess.Square, Activity]:
    """Activity of every piece besides kings and pawns, by square."""
    by_square: dict[chess.Square, Activity] = {}
    pieces = board.occupied & ~board.kings & ~board.pawns
    for color in (chess.WHITE, chess.BLACK):
        own = pieces & board.occupied_co[color]
        if own:
            theirs = _attacks_by_kind(board, not color)
            for square in chess.scan_forward(own):
                by_square[square] = _activity(board, square, theirs)
    return by_square


def _least_attacker(board: chess.Board, attackers: chess.Bitboard) -> chess.Square:
    for kind in (board.pawns, board.knights, board.bishops, board.rooks, board.queens):
        if attackers & kind:
            return chess.lsb(attackers & kind)
    return chess.lsb(attackers)


def static_exchange(board: chess.Board, move: chess.Move) -> int:
    """What `move` gains if both sides go on capturing on its target square as long as it pays.

    Units: 100 a pawn, 300 a minor piece, 500 a rook, 900 a queen; positive is good for the side
    to move. A quiet move has the value 0 or what the moved piece loses. A promotion adds what
    the pawn becomes; later recaptures by a pawn are counted without promotion. Pins and checks
    are ignored, but a king never captures a guarded man. The move must be pseudo-legal.
    Raises ValueError if no piece stands on its first square.
    """
    moved = board.piece_type_at(move.from_square)
    if moved is None:
        raise ValueError(f"no piece on {chess.square_name(move.from_square)}")
    target = move.to_square
    if board.is_castling(move):
        return 0
    side = bool(board.occupied_co[chess.WHITE] & chess.BB_SQUARES[move.from_square])
    occupied = board.occupied ^ chess.BB_SQUARES[move.from_square]
    if board.is_en_passant(move):
        victim = target - 8 if side else target + 8
        occupied ^= chess.BB_SQUARES[victim]
        gain = EXCHANGE_VALUE[chess.PAWN]
    else:
        gain = EXCHANGE_VALUE[board.piece_type_at(target) or 0]
    on_square = EXCHANGE_VALUE[moved]
    if move.promotion:
        on_square = EXCHANGE_VALUE[move.promotion]
        gain += on_square - EXCHANGE_VALUE[chess.PAWN]
    occupied |= chess.BB_SQUARES[target]

    gains = [gain]
    mover = not side
    while True:
        attackers = board.attackers_mask(mover, target, occupied) & occupied
        attackers &= ~chess.BB_SQUARES[target]
        if not attackers:
            break
        square = _least_attacker(board, attackers)
        after = occupied ^ chess.BB_SQUARES[square]
        if board.kings & chess.BB_SQUARES[square]:
            guards = board.attackers_mask(not mover, target, after) & after
            if guards & ~chess.BB_SQUARES[target]:
                break
        gains.append(on_square - gains[-1])
        on_square = EXCHANGE_VALUE[board.piece_type_at(square) or 0]
        occupied = after
        mover = not mover
    while len(gains) > 1:
        last = gains.pop()
        gains[-1] = min(gains[-1], -last)
    return gains[0]


def _best_capture(board: chess.Board) -> int:
    best = 0
    for move in board.generate_legal_captures():
        best = max(best, static_exchange(board, move))
    return best


def best_capture(board: chess.Board) -> int:
    """The most that the side to move wins by one exchange or a promotion, 0 or more."""
    best = _best_capture(board)
    on_seventh = board.pawns & board.occupied_co[board.turn] & _SEVENTH[board.turn]
    for move in board.generate_legal_moves(from_mask=on_seventh) if on_seventh else ():
        if move.promotion == chess.QUEEN:
            best = max(best, static_exchange(board, move))
    return best


def taken_value(board: chess.Board, move: chess.Move) -> int:
    """Value of the man that ``move`` takes (and of the promotion), in hundredths of a pawn."""
    gain = 0
    if board.is_capture(move):
        gain = EXCHANGE_VALUE[board.piece_type_at(move.to_square) or chess.PAWN]
    if move.promotion:
        gain += EXCHANGE_VALUE[move.promotion] - EXCHANGE_VALUE[chess.PAWN]
    return gain


def useful_moves(board: chess.Board, color: chess.Color) -> int:
    """Number of legal moves of `color` that lose nothing at once by a plain exchange count.

    A move counts if what it takes (or promotes to) is at least what the best single exchange of
    the opponent's reply then wins. If `color` is not to move, the moves are counted as if it
    were, without en passant.
    """
    position = board.copy(stack=False)
    if position.turn != color:
        position.turn = color
        position.ep_square = None
    count = 0
    for move in list(position.legal_moves):
        gain = 0
        if position.is_en_passant(move):
            gain = EXCHANGE_VALUE[chess.PAWN]
        elif position.is_capture(move):
            gain = EXCHANGE_VALUE[position.piece_type_at(move.to_square) or 0]
        if move.promotion:
            gain += EXCHANGE_VALUE[move.promotion] - EXCHANGE_VALUE[chess.PAWN]
        position.push(move)
        if gain >= _best_capture(position):
            count += 1
        position.pop()
    return count
