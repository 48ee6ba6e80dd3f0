"""Rules about how an advantage is turned into a win, and what keeps it from being one."""

from __future__ import annotations

import chess

from convert.board.features import KINGSIDE, QUEENSIDE, Features, SideFeatures, names, relative_rank
from convert.rules.base import Rule, Speech, position_rule


def same_pieces(f: Features) -> bool:
    """Whether both sides have as many queens, rooks and minor pieces."""
    w, b = f.white, f.black
    return (
        w.queen_count == b.queen_count
        and w.rook_count == b.rook_count
        and w.minor_count == b.minor_count
    )


@position_rule(
    id="pawns-on-both-wings",
    name="Pawns on both wings",
    statement="The side with a pawn more has better winning chances in an ending with pawns on "
    "both wings, where the defender cannot be everywhere.",
    source="R. Fine, Basic Chess Endings (1941), general rules",
    theme="method",
)
def both_wings(f: Features, color: chess.Color) -> Speech:
    if not f.ending or f.piece_count == 0 or not same_pieces(f) or f.pawn_balance(color) < 1:
        return None
    me, him = f.side(color), f.side(not color)
    if not (me.queenside_pawns and me.kingside_pawns and him.pawns):
        return None
    if f.bishop_ending and f.opposite_bishops:
        return None
    return 0.6, f"pawns on both wings, {_more(f.pawn_balance(color))} more"


def _more(count: int) -> str:
    return "one pawn" if count == 1 else f"{count} pawns"


@position_rule(
    id="all-pawns-on-one-wing",
    name="All pawns on one wing",
    statement="One pawn more is usually not enough in an ending with pieces when all the pawns "
    "stand on one wing.",
    source="R. Fine, Basic Chess Endings (1941), general rules",
    theme="draw weapons",
    draws=True,
)
def one_wing(f: Features, color: chess.Color) -> Speech:
    if not f.ending or f.piece_count == 0 or not same_pieces(f) or f.pawn_balance(color) != 1:
        return None
    if not f.pawns_on_one_wing or not f.side(not color).pawns or f.side(color).passed:
        return None
    return 0.8, (
        f"{f.side(color).pawn_count} pawns against {f.side(not color).pawn_count}, all on one "
        "wing, no extra passed pawn"
    )


@position_rule(
    id="no-pawns-left",
    name="Without pawns a rook's worth",
    statement="Without pawns the stronger side as a rule needs to be ahead by the worth of a rook; "
    "a minor piece more does not win.",
    source="common practice",
    theme="draw weapons",
    draws=True,
)
def no_pawns_left(f: Features, color: chess.Color) -> Speech:
    me, him = f.side(color), f.side(not color)
    if me.pawns or not me.pieces:
        return None
    lead = me.value_without_pawns - him.value_without_pawns
    if not 1 <= lead <= 3 or f.balance(color) < 0 or me.queen_count > him.queen_count:
        return None
    if me.bishop_pair and me.piece_count == 2 and him.piece_count == 1 and him.knights:
        return None  # two bishops against a knight are the exception
    return 1.2, f"no pawns left and ahead in pieces by no more than {_worth(lead)}"


def _worth(lead: int) -> str:
    return {1: "one pawn's worth", 2: "two pawns' worth", 3: "a minor piece"}[lead]


@position_rule(
    id="piece-for-the-last-pawn",
    name="Piece for the last pawn",
    statement="With level pieces the defender may give a minor piece for the last pawn, as what is "
    "left then does not win.",
    source="common practice",
    theme="draw weapons",
    draws=True,
)
def piece_for_last_pawn(f: Features, color: chess.Color) -> Speech:
    me, him = f.side(color), f.side(not color)
    if me.pawn_count != 1 or him.pawns or not same_pieces(f) or not him.minor_count:
        return None
    if me.bishop_pair and me.piece_count == 2:
        return None
    pawn = chess.lsb(me.pawns)
    if relative_rank(pawn, color) > 4:
        return None  # it may be too late to reach it
    minors = him.knights | him.bishops
    return 0.9, (
        f"the pawn on {chess.square_name(pawn)} is the last one and can be given a piece, "
        f"{_kinds(f, minors)} on {names(minors)}"
    )


def _kinds(f: Features, minors: chess.Bitboard) -> str:
    if not minors & f.board.knights:
        return "bishop" if minors.bit_count() == 1 else "bishops"
    if not minors & f.board.bishops:
        return "knight" if minors.bit_count() == 1 else "knights"
    return "minor pieces"


def _weak(side: SideFeatures) -> chess.Bitboard:
    return (side.isolated | side.backward) & ~side.passed


@position_rule(
    id="two-weaknesses",
    name="Two weaknesses",
    statement="One weakness can be guarded, but weak pawns on both wings stretch the defence until "
    "it breaks.",
    source="J. R. Capablanca, Chess Fundamentals (1921), example 57; from memory: A. Nimzowitsch, "
    "M. Shereshevsky",
    theme="method",
)
def two_weaknesses(f: Features, color: chess.Color) -> Speech:
    if not f.ending or not 2 <= f.piece_count <= 8:
        return None
    theirs, mine = _weak(f.side(not color)), _weak(f.side(color))
    if not theirs & QUEENSIDE or not theirs & KINGSIDE:
        return None
    if (mine & QUEENSIDE and mine & KINGSIDE) or f.balance(color) < 0:
        return None
    return 0.4, f"weak pawns on both wings: {names(theirs)}"


@position_rule(
    id="no-hurry",
    name="No hurry",
    statement="In a won ending where the opponent has no counterplay there is no hurry: first "
    "damage the pawns and bring the king, then collect.",
    source="common practice; from memory: M. Shereshevsky, Endgame Strategy (1985)",
    theme="method",
)
def no_hurry(f: Features, color: chess.Color) -> Speech:
    if f.queens_on or not 1 <= f.piece_count <= 4 or f.balance(color) < 2:
        return None
    me, him = f.side(color), f.side(not color)
    if not me.pawns or not him.pawns or him.passed:
        return None
    if any(f.activities[s].word == "active" for s in chess.scan_forward(him.pieces)):
        return None
    return 0.3, "clearly ahead; the opponent has neither a passed pawn nor an active piece"


@position_rule(
    id="pawn-up-not-won",
    name="Pawn up, not yet won",
    statement="A pawn more with the heavy pieces still on is an advantage, not yet a win.",
    source="common practice",
    theme="method",
    draws=True,
)
def pawn_up_not_won(f: Features, color: chess.Color) -> Speech:
    if f.pawn_balance(color) != 1 or not same_pieces(f):
        return None
    me = f.side(color)
    if not me.rooks | me.queens or me.passed:
        return None
    return 0.3, "exactly one pawn more, no passed pawn, heavy pieces on the board"


@position_rule(
    id="pawn-to-keep",
    name="Keep a pawn to win",
    statement="A side that has a piece more but only one pawn must guard that pawn, because once "
    "it is gone the piece does not win.",
    source="common practice",
    theme="method",
    draws=True,
)
def pawn_to_keep(f: Features, color: chess.Color) -> Speech:
    me, him = f.side(color), f.side(not color)
    if me.pawn_count != 1 or not him.pawns or f.queens_on:
        return None
    if me.rook_count != him.rook_count or me.minor_count - him.minor_count != 1:
        return None
    return 0.5, f"a minor piece more, but the only pawn is the one on {names(me.pawns)}"


RULES: tuple[Rule, ...] = (
    both_wings,
    one_wing,
    no_pawns_left,
    piece_for_last_pawn,
    two_weaknesses,
    no_hurry,
    pawn_up_not_won,
    pawn_to_keep,
)
