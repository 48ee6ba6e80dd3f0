"""Rules about what pieces do: files, entry squares, passive and missing pieces, kings."""

from __future__ import annotations

import chess

from convert.board.features import (
    FRONT,
    Features,
    ahead,
    centre_distance,
    names,
    pawns_on,
    relative_rank,
)
from convert.rules.base import Rule, Speech, position_rule
from convert.wording.small import color_word

#: A game counts as deep from this full move on (a judgement).
DEEP_MOVE = 20

_NAMES = ("", "pawn", "knight", "bishop", "rook", "queen", "king")


def _rooks(squares: chess.Bitboard) -> str:
    return "rook" if squares.bit_count() == 1 else "rooks"


@position_rule(
    id="open-file",
    name="Holding the open file",
    statement="The side whose rook alone holds an open file decides where the play takes place.",
    source="common practice",
    theme="activity",
)
def open_file(f: Features, color: chess.Color) -> Speech:
    me, him = f.side(color), f.side(not color)
    if not me.rooks or not him.rooks | him.queens or not f.pawn_count:
        return None
    held = 0
    for rook in chess.scan_forward(me.rooks_on_open_files):
        file = chess.BB_FILES[rook & 7]
        if not file & (him.rooks | him.queens):
            held |= chess.BB_SQUARES[rook]
    if not held or him.rooks_on_open_files:
        return None
    return 0.4, f"{_rooks(held)} on {names(held)} alone on an open file"


@position_rule(
    id="entry-squares",
    name="Entry square on open file",
    statement="An open file is worth most when the rook has an entry square on it, on the seventh "
    "or eighth rank, that the enemy does not guard.",
    source="common practice",
    theme="activity",
)
def entry_squares(f: Features, color: chess.Color) -> Speech:
    me, him = f.side(color), f.side(not color)
    if f.piece_count < 3 or not him.pawns:
        return None
    board = f.board
    goal = chess.BB_RANKS[6 if color else 1] | chess.BB_RANKS[7 if color else 0]
    best = 0
    for rook in chess.scan_forward(me.rooks_on_open_files):
        if relative_rank(rook, color) >= 6:
            continue
        reach = board.attacks_mask(rook) & chess.BB_FILES[rook & 7] & goal & ~board.occupied
        for square in chess.scan_forward(reach):
            if not board.attackers_mask(not color, square):
                best |= chess.BB_SQUARES[square]
    if not best:
        return None
    return 0.4, f"a rook can enter on {names(best)} by the open file"


@position_rule(
    id="rook-on-seventh",
    name="Rook on the seventh rank",
    statement="A rook on the seventh rank is strong when it attacks pawns there or shuts the king "
    "in on its first rank.",
    source="common practice",
    theme="activity",
)
def rook_on_seventh(f: Features, color: chess.Color) -> Speech:
    me, him = f.side(color), f.side(not color)
    rooks = me.rooks_on_seventh
    if not rooks or not him.pawns:
        return None
    rank = chess.BB_RANKS[6 if color else 1]
    king_shut_in = relative_rank(him.king, color) == 7
    targets = (him.pawns & rank).bit_count()
    if not king_shut_in and targets < 2:
        return None
    why = "with the king shut in" if king_shut_in else f"with {pawns_on(him.pawns & rank)}"
    return 0.5, f"{_rooks(rooks)} on {names(rooks)}, {why}"


@position_rule(
    id="tied-piece",
    name="Piece tied to a weakness",
    statement="A piece that must stay to guard a weak pawn is only half a piece, and its side has "
    "fewer moves to spare.",
    source="common practice; J. R. Capablanca, Chess Fundamentals (1921), example 61",
    theme="activity",
)
def tied_piece(f: Features, color: chess.Color) -> Speech:
    if not f.ending or not 1 <= f.piece_count <= 6:
        return None
    him = f.side(not color)
    for square in chess.scan_forward(him.pieces & ~him.queens):
        activity = f.activities[square]
        tied = chess.SquareSet(activity.tied_to).mask & him.pawns
        if tied and activity.word == "passive":
            return 0.4, (
                f"{_NAMES[activity.piece_type]} on {chess.square_name(square)} is passive and "
                f"alone guards {names(tied)}"
            )
    return None


@position_rule(
    id="missing-piece",
    name="Piece still at home",
    statement="A piece that still stands shut in on its first square deep in the game counts as "
    "missing.",
    source="common practice",
    theme="activity",
)
def missing_piece(f: Features, color: chess.Color) -> Speech:
    if f.board.fullmove_number < DEEP_MOVE:
        return None
    him = f.side(not color)
    home = chess.BB_RANKS[7 if color else 0]
    at_home = 0
    for square in chess.scan_forward((him.knights | him.bishops | him.rooks) & home):
        activity = f.activities[square]
        if activity.on_first_square and activity.word == "passive":
            at_home |= chess.BB_SQUARES[square]
    # A rook counts only while a minor piece shuts it in: otherwise it is merely not in use.
    if not at_home & ~him.rooks:
        return None
    count = at_home.bit_count()
    return min(0.6 * count, 1.2), (
        f"move {f.board.fullmove_number}, and {color_word(not color)} still has "
        f"{names(at_home)} shut in on the first rank"
    )


@position_rule(
    id="active-king",
    name="Active king in the ending",
    statement="When few pieces are left the king is a fighting piece, and the one nearer the "
    "centre is the better one.",
    source="R. Fine, Basic Chess Endings (1941), general rules",
    theme="activity",
)
def active_king(f: Features, color: chess.Color) -> Speech:
    if f.queens_on or f.piece_count > 4 or f.pawn_count < 2 or f.men < 6:
        return None
    me, him = f.side(color), f.side(not color)
    if centre_distance(him.king) - centre_distance(me.king) < 2:
        return None
    return 0.3, (
        f"king on {chess.square_name(me.king)} is nearer the centre than the one on "
        f"{chess.square_name(him.king)}"
    )


@position_rule(
    id="advanced-passed-pawn",
    name="Passed pawn grows",
    statement="A passed pawn gains in strength as the pieces go, most of all when it is far "
    "advanced and nothing stands in its way.",
    source="J. R. Capablanca, Chess Fundamentals (1921), section 31",
    theme="activity",
)
def advanced_passed(f: Features, color: chess.Color) -> Speech:
    if f.pawn_ending or f.piece_count > 6 or f.piece_count == 0:
        return None
    me, him = f.side(color), f.side(not color)
    far = 0
    for pawn in chess.scan_forward(me.passed):
        if relative_rank(pawn, color) < 4 or FRONT[color][pawn] & f.board.occupied:
            continue
        next_square = ahead(pawn, color)
        if f.board.attackers_mask(not color, next_square) and not (
            f.board.attackers_mask(color, next_square)
        ):
            continue
        far |= chess.BB_SQUARES[pawn]
    if not far:
        return None
    if any(relative_rank(p, not color) >= 4 for p in chess.scan_forward(him.passed)):
        return None
    return 0.6, f"{pawns_on(far, 'passed')} with nothing in its way"


RULES: tuple[Rule, ...] = (
    open_file,
    entry_squares,
    rook_on_seventh,
    tied_piece,
    missing_piece,
    active_king,
    advanced_passed,
)
