"""Plain facts about a position that rules of thumb ask for.

Everything here is read off the board with bitboards: no legal moves are generated and nothing is
searched. Ranks called *relative* are counted from the side's own first rank, 0 to 7. Wings are the
files a-d and e-h; the *outer* wings are a-c and f-h. Values of pieces are in unit pawns and are
the ones in common practice: pawn 1, knight 3, bishop 3, rook 5, queen 9.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from functools import cached_property
from typing import TYPE_CHECKING

import chess

from convert.board.balance import census, exchange_up, pure_exchange_up

if TYPE_CHECKING:
    from convert.board.activity import Activity

QUEENSIDE: chess.Bitboard = chess.BB_FILE_A | chess.BB_FILE_B | chess.BB_FILE_C | chess.BB_FILE_D
KINGSIDE: chess.Bitboard = chess.BB_FILE_E | chess.BB_FILE_F | chess.BB_FILE_G | chess.BB_FILE_H
OUTER_QUEENSIDE: chess.Bitboard = chess.BB_FILE_A | chess.BB_FILE_B | chess.BB_FILE_C
OUTER_KINGSIDE: chess.Bitboard = chess.BB_FILE_F | chess.BB_FILE_G | chess.BB_FILE_H
ROOK_FILES: chess.Bitboard = chess.BB_FILE_A | chess.BB_FILE_H

#: Value of each piece type in unit pawns, index = piece type (common practice; kings count 0).
UNIT_VALUE: tuple[int, ...] = (0, 1, 3, 3, 5, 9, 0)


def relative_rank(square: chess.Square, color: chess.Color) -> int:
    """Rank of `square` counted from `color`'s first rank, 0 to 7."""
    return square >> 3 if color else 7 - (square >> 3)


def queening_square(square: chess.Square, color: chess.Color) -> chess.Square:
    """The square on which a pawn of `color` standing on the file of `square` promotes."""
    return (square & 7) | (56 if color else 0)


def ahead(square: chess.Square, color: chess.Color) -> chess.Square:
    """The square one step in front of `square` for `color`; outside 0-63 beyond the last rank."""
    return square + 8 if color else square - 8


def distance(a: chess.Square, b: chess.Square) -> int:
    """Number of moves a king needs from `a` to `b` on an empty board."""
    return max(abs((a & 7) - (b & 7)), abs((a >> 3) - (b >> 3)))


def file_distance(a: chess.Square, b: chess.Square) -> int:
    """Number of files between two squares (0 = same file, 1 = neighbouring files)."""
    return abs((a & 7) - (b & 7))


def is_light(square: chess.Square) -> bool:
    """Whether `square` is a light square."""
    return bool(chess.BB_LIGHT_SQUARES & chess.BB_SQUARES[square])


def centre_distance(square: chess.Square) -> int:
    """King moves from `square` to the nearest of d4, e4, d5 and e5 (0 to 3)."""
    file, rank = square & 7, square >> 3
    return max(max(3 - file, file - 4), max(3 - rank, rank - 4))


def moves_to_queen(square: chess.Square, color: chess.Color) -> int:
    """Moves an unhindered pawn needs to promote, with the double step from its first square."""
    return min(7 - relative_rank(square, color), 5)


def _in_front_ranks(square: chess.Square, color: chess.Color) -> chess.Bitboard:
    """All squares on ranks in front of `square` for `color`."""
    rank = square >> 3
    if color:
        return (chess.BB_ALL << (8 * (rank + 1))) & chess.BB_ALL
    return (1 << (8 * rank)) - 1


def _neighbours(square: chess.Square) -> chess.Bitboard:
    file = square & 7
    left = chess.BB_FILES[file - 1] if file > 0 else 0
    right = chess.BB_FILES[file + 1] if file < 7 else 0
    return left | right


NEIGHBOUR_FILES: tuple[chess.Bitboard, ...] = tuple(_neighbours(s) for s in chess.SQUARES)
#: FRONT[color][square]: squares of the same file in front of `square` for `color`.
FRONT: tuple[tuple[chess.Bitboard, ...], ...] = tuple(
    tuple(_in_front_ranks(s, c) & chess.BB_FILES[s & 7] for s in chess.SQUARES)
    for c in (chess.BLACK, chess.WHITE)
)
#: PATH[color][square]: squares on which an enemy pawn stops a pawn from being passed.
PATH: tuple[tuple[chess.Bitboard, ...], ...] = tuple(
    tuple(
        _in_front_ranks(s, c) & (chess.BB_FILES[s & 7] | NEIGHBOUR_FILES[s]) for s in chess.SQUARES
    )
    for c in (chess.BLACK, chess.WHITE)
)


def pawn_attacks(pawns: chess.Bitboard, color: chess.Color) -> chess.Bitboard:
    """Squares attacked by the pawns of `color` in the bitboard `pawns`."""
    if color:
        return ((pawns & ~chess.BB_FILE_A) << 7 | (pawns & ~chess.BB_FILE_H) << 9) & chess.BB_ALL
    return (pawns & ~chess.BB_FILE_A) >> 9 | (pawns & ~chess.BB_FILE_H) >> 7


def step(pawns: chess.Bitboard, color: chess.Color) -> chess.Bitboard:
    """The bitboard moved one rank forward for `color`."""
    return (pawns << 8) & chess.BB_ALL if color else pawns >> 8


def files_of(squares: chess.Bitboard) -> tuple[int, ...]:
    """The files, 0 (a) to 7 (h) in order, that hold at least one of `squares`."""
    return tuple(i for i in range(8) if squares & chess.BB_FILES[i])


def squares_of(bitboard: chess.Bitboard) -> Iterator[chess.Square]:
    """Squares of a bitboard, from a1 upwards."""
    return chess.scan_forward(bitboard)


def names(bitboard: chess.Bitboard) -> str:
    """Square names of a bitboard joined for a sentence: "a2", "a2 and b3", "a2, b3 and c4"."""
    squares_named = [chess.square_name(s) for s in chess.scan_forward(bitboard)]
    if len(squares_named) < 2:
        return "".join(squares_named)
    return ", ".join(squares_named[:-1]) + " and " + squares_named[-1]


def pawns_on(pawns: int, kind: str = "") -> str:
    """``passed pawn on g4``, ``passed pawns on g4 and h5``: pawns of a kind and their squares."""
    word = "pawn" if pawns.bit_count() == 1 else "pawns"
    return f"{kind} {word} on {names(pawns)}".strip()


@dataclass(frozen=True)
class SideFeatures:
    """What one side has. Bitboards unless said otherwise; ranks are relative to this side."""

    color: chess.Color
    king: chess.Square
    pawns: chess.Bitboard
    knights: chess.Bitboard
    bishops: chess.Bitboard
    rooks: chess.Bitboard
    queens: chess.Bitboard
    their_pawns: chess.Bitboard
    their_king: chess.Square
    all_pieces: chess.Bitboard
    pawn_count: int
    knight_count: int
    bishop_count: int
    rook_count: int
    queen_count: int

    @property
    def minor_count(self) -> int:
        """Knights and bishops."""
        return self.knight_count + self.bishop_count

    @property
    def piece_count(self) -> int:
        """Pieces other than king and pawns."""
        return self.knight_count + self.bishop_count + self.rook_count + self.queen_count

    @property
    def pieces(self) -> chess.Bitboard:
        """Pieces other than king and pawns."""
        return self.knights | self.bishops | self.rooks | self.queens

    @property
    def value_without_pawns(self) -> int:
        """Value of the pieces in unit pawns, pawns left out."""
        return (
            3 * (self.knight_count + self.bishop_count)
            + 5 * self.rook_count
            + (9 * self.queen_count)
        )

    @property
    def value(self) -> int:
        """Value of pieces and pawns in unit pawns."""
        return self.pawn_count + self.value_without_pawns

    @property
    def key(self) -> str:
        """Letters of the pieces as in table names, strongest first: "KRPP"."""
        return (
            "K"
            + "Q" * self.queen_count
            + "R" * self.rook_count
            + "B" * self.bishop_count
            + "N" * self.knight_count
            + "P" * self.pawn_count
        )

    # pawns by wing

    @property
    def queenside_pawns(self) -> int:
        """Number of pawns on files a-d."""
        return (self.pawns & QUEENSIDE).bit_count()

    @property
    def kingside_pawns(self) -> int:
        """Number of pawns on files e-h."""
        return (self.pawns & KINGSIDE).bit_count()

    @property
    def only_rook_pawns(self) -> bool:
        """Whether there are pawns and all of them stand on one and the same rook's file."""
        return bool(self.pawns) and (
            not self.pawns & ~chess.BB_FILE_A or not self.pawns & ~chess.BB_FILE_H
        )

    # pawn structure

    @cached_property
    def attacked_by_pawns(self) -> chess.Bitboard:
        """Squares attacked by this side's pawns."""
        return pawn_attacks(self.pawns, self.color)

    @cached_property
    def passed(self) -> chess.Bitboard:
        """Pawns with no enemy pawn before them on their own and the neighbouring files.

        The rear one of doubled pawns does not count.
        """
        path, front = PATH[self.color], FRONT[self.color]
        squares = 0
        for square in chess.scan_forward(self.pawns):
            if not path[square] & self.their_pawns and not front[square] & self.pawns:
                squares |= chess.BB_SQUARES[square]
        return squares

    @cached_property
    def protected_passed(self) -> chess.Bitboard:
        """Passed pawns protected by a pawn."""
        return self.passed & self.attacked_by_pawns

    @cached_property
    def connected_passed(self) -> chess.Bitboard:
        """Passed pawns with another passed pawn on a neighbouring file, at most a rank away."""
        squares = 0
        for square in chess.scan_forward(self.passed):
            near = chess.BB_KING_ATTACKS[square] & NEIGHBOUR_FILES[square]
            if near & self.passed:
                squares |= chess.BB_SQUARES[square]
        return squares

    @cached_property
    def outside_passed(self) -> chess.Bitboard:
        """Passed pawns on an outer wing with every enemy pawn at least three files away.

        The enemy must have a pawn, and this side another pawn at least three files away.
        """
        squares = 0
        if not self.their_pawns:
            return 0
        for square in chess.scan_forward(self.passed & (OUTER_QUEENSIDE | OUTER_KINGSIDE)):
            file = square & 7
            near = 0
            for other in range(max(file - 2, 0), min(file + 2, 7) + 1):
                near |= chess.BB_FILES[other]
            if not self.their_pawns & near and self.pawns & ~near:
                squares |= chess.BB_SQUARES[square]
        return squares

    @cached_property
    def doubled(self) -> chess.Bitboard:
        """Pawns with a pawn of their own in front of them on the file."""
        front = FRONT[self.color]
        squares = 0
        for square in chess.scan_forward(self.pawns):
            if front[square] & self.pawns:
                squares |= chess.BB_SQUARES[square]
        return squares

    @cached_property
    def isolated(self) -> chess.Bitboard:
        """Pawns without a pawn of their own on a neighbouring file."""
        squares = 0
        for square in chess.scan_forward(self.pawns):
            if not NEIGHBOUR_FILES[square] & self.pawns:
                squares |= chess.BB_SQUARES[square]
        return squares

    @cached_property
    def backward(self) -> chess.Bitboard:
        """Pawns on half-open files that no neighbour can support.

        All neighbours stand further forward, no enemy pawn stands in front on the file, and
        the square in front is held by an enemy pawn.
        """
        held = pawn_attacks(self.their_pawns, not self.color)
        squares = 0
        for square in chess.scan_forward(self.pawns & ~self.isolated):
            neighbours = NEIGHBOUR_FILES[square] & self.pawns
            if neighbours & ~_in_front_ranks(square, self.color):
                continue
            if FRONT[self.color][square] & self.their_pawns:
                continue
            if held & chess.BB_SQUARES[ahead(square, self.color)]:
                squares |= chess.BB_SQUARES[square]
        return squares

    @cached_property
    def fixed(self) -> chess.Bitboard:
        """Pawns with an enemy pawn on the square in front of them."""
        return self.pawns & step(self.their_pawns, not self.color)

    def fixed_on_colour(self, light: bool) -> chess.Bitboard:
        """Fixed pawns on light (or dark) squares."""
        return self.fixed & (chess.BB_LIGHT_SQUARES if light else chess.BB_DARK_SQUARES)

    # bishops

    @property
    def light_bishops(self) -> chess.Bitboard:
        """Bishops on light squares."""
        return self.bishops & chess.BB_LIGHT_SQUARES

    @property
    def dark_bishops(self) -> chess.Bitboard:
        """Bishops on dark squares."""
        return self.bishops & chess.BB_DARK_SQUARES

    @property
    def bishop_pair(self) -> bool:
        """Whether this side has bishops of both colours."""
        return bool(self.light_bishops) and bool(self.dark_bishops)

    # files and rooks

    @cached_property
    def rooks_on_open_files(self) -> chess.Bitboard:
        """Rooks on files without any pawn."""
        both = self.pawns | self.their_pawns
        squares = 0
        for square in chess.scan_forward(self.rooks):
            if not chess.BB_FILES[square & 7] & both:
                squares |= chess.BB_SQUARES[square]
        return squares

    @property
    def rooks_on_seventh(self) -> chess.Bitboard:
        """Rooks on this side's seventh rank."""
        return self.rooks & chess.BB_RANKS[6 if self.color else 1]

    @cached_property
    def rooks_behind_own_passed(self) -> tuple[tuple[chess.Square, chess.Square], ...]:
        """Pairs (rook, pawn): the rook stands behind its own passed pawn, nothing between."""
        return self._rooks_behind(self.passed, self.color)

    def rooks_behind_their_passed(
        self, passed: chess.Bitboard
    ) -> tuple[tuple[chess.Square, chess.Square], ...]:
        """Pairs (rook, pawn): this side's rook stands behind one of the enemy's `passed` pawns."""
        return self._rooks_behind(passed, not self.color)

    def _rooks_behind(
        self, passed: chess.Bitboard, pawn_color: chess.Color
    ) -> tuple[tuple[chess.Square, chess.Square], ...]:
        return tuple(
            (rook, pawn)
            for pawn in chess.scan_forward(passed)
            for rook in chess.scan_forward(FRONT[not pawn_color][pawn] & self.rooks)
            if not chess.between(rook, pawn) & self.all_pieces
        )

    # king

    @cached_property
    def king_to_nearest_pawn(self) -> int | None:
        """King moves from this side's king to the nearest pawn of either side, None without."""
        return min(
            (distance(self.king, s) for s in chess.scan_forward(self.pawns | self.their_pawns)),
            default=None,
        )


@dataclass(frozen=True)
class Features:
    """The facts of one position. Built by `features`; costly parts are computed when asked for.

    `board` is a private copy without move stack: do not change it.
    """

    white: SideFeatures
    black: SideFeatures
    turn: chess.Color
    board: chess.Board = field(compare=False, repr=False)

    def side(self, color: chess.Color) -> SideFeatures:
        """The facts of `color`."""
        return self.white if color else self.black

    def balance(self, side: chess.Color) -> int:
        """Material of `side` minus the other side's, in unit pawns; positive: `side` has more."""
        return self.side(side).value - self.side(not side).value

    def pawn_balance(self, side: chess.Color) -> int:
        """Pawns of `side` minus the other side's."""
        return self.side(side).pawn_count - self.side(not side).pawn_count

    @cached_property
    def men(self) -> int:
        """Number of men on the board, kings included."""
        return self.white.all_pieces.bit_count()

    @cached_property
    def piece_count(self) -> int:
        """Pieces of both sides other than kings and pawns."""
        return self.white.piece_count + self.black.piece_count

    @cached_property
    def pawn_count(self) -> int:
        """Pawns of both sides."""
        return self.white.pawn_count + self.black.pawn_count

    @cached_property
    def queens_on(self) -> bool:
        """Whether there is a queen on the board."""
        return bool(self.white.queens | self.black.queens)

    @cached_property
    def ending(self) -> bool:
        """An ending as used here: no queens, or at most four pieces besides kings and pawns."""
        return not self.queens_on or self.piece_count <= 4

    @cached_property
    def pawn_ending(self) -> bool:
        """Only kings and pawns, with at least one pawn."""
        return self.piece_count == 0 and self.pawn_count > 0

    def each_has_only(self, key: str) -> bool:
        """Whether each side's pieces besides king and pawns are exactly `key`, e.g. "R" or "B"."""
        return all(
            s.piece_count == len(key)
            and s.queen_count == key.count("Q")
            and s.rook_count == key.count("R")
            and s.bishop_count == key.count("B")
            and s.knight_count == key.count("N")
            for s in (self.white, self.black)
        )

    @cached_property
    def rook_ending(self) -> bool:
        """One rook each, no other pieces."""
        return self.piece_count == 2 and self.each_has_only("R")

    @cached_property
    def queen_ending(self) -> bool:
        """One queen each, no other pieces, at least one pawn."""
        return self.piece_count == 2 and self.pawn_count > 0 and self.each_has_only("Q")

    @cached_property
    def knight_ending(self) -> bool:
        """One knight each, no other pieces."""
        return self.piece_count == 2 and self.each_has_only("N")

    @cached_property
    def bishop_ending(self) -> bool:
        """One bishop each, no other pieces."""
        return self.piece_count == 2 and self.each_has_only("B")

    @cached_property
    def opposite_bishops(self) -> bool:
        """One bishop each, running on squares of different colour (other pieces may be there)."""
        return (
            self.white.bishop_count == 1
            and self.black.bishop_count == 1
            and bool(self.white.light_bishops) != bool(self.black.light_bishops)
        )

    @cached_property
    def pawns_on_both_wings(self) -> bool:
        """Whether there are pawns (of either side) on a-d and on e-h."""
        both = self.white.pawns | self.black.pawns
        return bool(both & QUEENSIDE) and bool(both & KINGSIDE)

    @cached_property
    def pawns_on_one_wing(self) -> bool:
        """Whether there are pawns and all, of both sides, stand within a-d or within e-h."""
        both = self.white.pawns | self.black.pawns
        return bool(both) and not (both & QUEENSIDE and both & KINGSIDE)

    @cached_property
    def fixed_pairs(self) -> int:
        """Number of pairs of pawns that block each other."""
        return self.white.fixed.bit_count()

    @cached_property
    def exchange_up(self) -> chess.Color | None:
        """The side that is the exchange up (:func:`convert.board.balance.exchange_up`)."""
        return exchange_up(census(self.board))

    @cached_property
    def pure_exchange_up(self) -> chess.Color | None:
        """The rook's side if the only pieces are a rook against a minor piece, else None."""
        return pure_exchange_up(census(self.board))

    @cached_property
    def activities(self) -> dict[chess.Square, Activity]:
        """Activity of every piece besides kings and pawns, by square."""
        from convert.board.activity import activities  # deferred: activity uses this module

        return activities(self.board)


def features(board: chess.Board) -> Features:
    """Facts of `board`, which must have one king a side.

    Raises ValueError without them. Later changes of `board` have no effect on the result.
    """
    white_king, black_king = board.king(chess.WHITE), board.king(chess.BLACK)
    if white_king is None or black_king is None:
        raise ValueError("a position needs a king on each side")
    everything = board.occupied
    sides = []
    for color, king, their_king in (
        (chess.WHITE, white_king, black_king),
        (chess.BLACK, black_king, white_king),
    ):
        own = board.occupied_co[color]
        pawns = board.pawns & own
        knights, bishops = board.knights & own, board.bishops & own
        rooks, queens = board.rooks & own, board.queens & own
        sides.append(
            SideFeatures(
                color=color,
                king=king,
                pawns=pawns,
                knights=knights,
                bishops=bishops,
                rooks=rooks,
                queens=queens,
                their_pawns=board.pawns & ~own,
                their_king=their_king,
                all_pieces=everything,
                pawn_count=pawns.bit_count(),
                knight_count=knights.bit_count(),
                bishop_count=bishops.bit_count(),
                rook_count=rooks.bit_count(),
                queen_count=queens.bit_count(),
            )
        )
    return Features(sides[0], sides[1], board.turn, board.copy(stack=False))
