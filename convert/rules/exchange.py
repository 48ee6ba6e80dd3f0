"""Rules for rook against minor piece, with and without pawns."""

from __future__ import annotations

import chess

from convert.board.features import Features, SideFeatures, distance, is_light, names, pawns_on
from convert.rules.base import Rule, Speech, position_rule
from convert.wording.small import color_word

_CORNERS = (chess.A1, chess.H1, chess.A8, chess.H8)


def _piece_name(f: Features, square: chess.Square) -> str:
    return "knight" if chess.BB_SQUARES[square] & f.board.knights else "bishop"


def _minor(side: SideFeatures) -> chess.Square:
    return chess.lsb(side.knights | side.bishops)


def _rook_v_minor_without_pawns(f: Features, color: chess.Color) -> bool:
    return f.pawn_count == 0 and f.pure_exchange_up is not None and f.pure_exchange_up == color


def _minor_safe(f: Features, color: chess.Color) -> bool:
    """No check, and the minor piece of the other side is not attacked unguarded."""
    minor = _minor(f.side(not color))
    if f.board.is_check():
        return False
    if f.board.attackers_mask(color, minor):
        return False
    return f.turn != color or not _double_attack(f, color, minor)


def _double_attack(f: Features, color: chess.Color, minor: chess.Square) -> bool:
    """Whether a rook check at once attacks the unguarded minor piece too, also through the king."""
    board, him = f.board, f.side(not color)
    king, rook = chess.BB_SQUARES[him.king], chess.lsb(f.side(color).rooks)
    if board.attackers_mask(not color, minor):
        return False
    for square in chess.scan_forward(board.attacks_mask(rook) & ~board.occupied):
        if board.attackers_mask(not color, square):
            continue
        occupied = board.occupied & ~chess.BB_SQUARES[rook]
        if not _rook_attacks(square, occupied) & king:
            continue
        if _rook_attacks(square, occupied & ~king) & chess.BB_SQUARES[minor]:
            return True
    return False


def _rook_attacks(square: chess.Square, occupied: chess.Bitboard) -> chess.Bitboard:
    return (
        chess.BB_RANK_ATTACKS[square][chess.BB_RANK_MASKS[square] & occupied]
        | chess.BB_FILE_ATTACKS[square][chess.BB_FILE_MASKS[square] & occupied]
    )


@position_rule(
    id="exchange-up-level-pawns",
    name="Exchange up, pawns level",
    statement="The side that is the exchange up with at least as many pawns usually wins, if pawns "
    "are left on both wings.",
    source="K. Mueller and F. Lamprecht, Fundamental Chess Endings (2001), as summarised in a "
    "public encyclopedia's article on the exchange",
    theme="exchange up",
)
def exchange_up_level(f: Features, color: chess.Color) -> Speech:
    if f.exchange_up is not color or f.queens_on or not f.pawns_on_both_wings:
        return None
    more = f.pawn_balance(color)
    if more < 0 or not f.side(color).pawns:
        return None
    pawns = "pawns level" if more == 0 else f"{more} more pawn{'s' if more > 1 else ''}"
    return (1.6 if more == 0 else 2.2), f"the exchange up, {pawns}, pawns on both wings"


@position_rule(
    id="exchange-for-one-pawn",
    name="One pawn for the exchange",
    statement="With one pawn for the exchange the rook's side keeps an edge, which pawns on both "
    "wings make lasting.",
    source="common practice; a public encyclopedia's article on chess endings",
    theme="exchange up",
)
def exchange_for_one(f: Features, color: chess.Color) -> Speech:
    if f.exchange_up is not color or f.pawn_balance(color) != -1 or not f.pawns_on_both_wings:
        return None
    if f.queens_on or not f.side(color).pawns:
        return None
    return 0.8, "the exchange for one pawn, pawns on both wings"


@position_rule(
    id="exchange-for-two-pawns",
    name="Two pawns for the exchange",
    statement="Rook against minor piece and two more pawns, with no other pieces, is usually a "
    "draw.",
    source="a public encyclopedia's article on chess endings; J. R. Capablanca, Chess Fundamentals "
    "(1921), section 5",
    theme="exchange up",
    draws=True,
)
def exchange_for_two(f: Features, color: chess.Color) -> Speech:
    if f.pure_exchange_up is not color or f.pawn_balance(color) != -2:
        return None
    minor = _minor(f.side(not color))
    return 0.9, (
        f"two pawns and the {_piece_name(f, minor)} on {chess.square_name(minor)} for the rook"
    )


@position_rule(
    id="exchange-for-three-pawns",
    name="Three pawns for the exchange",
    statement="Three pawns and a minor piece are more than a rook, above all when they are "
    "connected and passed.",
    source="common practice",
    theme="exchange up",
)
def exchange_for_three(f: Features, color: chess.Color) -> Speech:
    if f.exchange_up is not (not color) or f.pawn_balance(color) < 3 or f.queens_on:
        return None
    me = f.side(color)
    strength = 1.3 if me.connected_passed else 0.7
    passed = (
        f", connected passed pawns on {names(me.connected_passed)}" if (me.connected_passed) else ""
    )
    return strength, f"{f.pawn_balance(color)} pawns for the exchange{passed}"


@position_rule(
    id="exchange-up-one-wing",
    name="Exchange up, one wing",
    statement="Rook against minor piece with all pawns on one wing is hard to win, and a draw in "
    "most cases when the pawns are level or the minor piece has one more.",
    source="a public encyclopedia's article on chess endings; common practice",
    theme="draw weapons",
    draws=True,
)
def exchange_up_one_wing(f: Features, color: chess.Color) -> Speech:
    if f.pure_exchange_up is not color or not f.pawns_on_one_wing:
        return None
    if f.pawn_balance(color) not in (0, -1) or f.side(color).passed:
        return None
    level = "level pawns" if f.pawn_balance(color) == 0 else "one pawn for the exchange"
    return (0.5 if f.pawn_balance(color) == 0 else 0.9), f"{level}, all on one wing"


@position_rule(
    id="exchange-up-passed-pawns",
    name="Rook with a passed pawn",
    statement="With a passed pawn of its own the rook is much stronger than the minor piece, even "
    "against a passed pawn of the other side.",
    source="K. Mueller and F. Lamprecht, Fundamental Chess Endings (2001), as summarised in a "
    "public encyclopedia's article on the exchange",
    theme="exchange up",
)
def exchange_up_passed(f: Features, color: chess.Color) -> Speech:
    if f.pure_exchange_up is not color or f.pawn_balance(color) < 0:
        return None
    me, him = f.side(color), f.side(not color)
    if not me.passed or him.passed.bit_count() > me.passed.bit_count():
        return None
    return 0.8, (
        f"rook with {pawns_on(me.passed, 'passed')} against a {_piece_name(f, _minor(him))}"
    )


@position_rule(
    id="exchange-up-defender-rook",
    name="Defender keeps a rook",
    statement="The side that is the exchange down defends better while it keeps a rook, because "
    "the rook that is left shares the work on the open files.",
    source="common practice",
    theme="exchange up",
)
def exchange_up_defender_rook(f: Features, color: chess.Color) -> Speech:
    if f.exchange_up is not (not color) or not f.side(color).rooks or f.queens_on:
        return None
    me = f.side(color)
    return 0.3, f"the exchange down, rook left on {names(me.rooks)}"


@position_rule(
    id="outpost-against-rook",
    name="Minor piece on an outpost",
    statement="A minor piece on a square that a pawn guards and no enemy pawn can attack makes up "
    "for part of the exchange.",
    source="common practice",
    theme="rook against minor",
)
def outpost(f: Features, color: chess.Color) -> Speech:
    if f.exchange_up is not (not color):
        return None
    me = f.side(color)
    held = [s for s in chess.scan_forward(me.knights | me.bishops) if f.activities[s].outpost]
    if not held:
        return None
    return 0.6, f"{_piece_name(f, held[0])} on the outpost {chess.square_name(held[0])}"


@position_rule(
    id="passive-minor-against-rook",
    name="Passive minor piece against rook",
    statement="A rook has an easy game when the minor piece against it is passive or tied to a "
    "pawn.",
    source="common practice",
    theme="rook against minor",
)
def passive_minor(f: Features, color: chess.Color) -> Speech:
    if f.pure_exchange_up is not color or not f.pawn_count:
        return None
    minor = _minor(f.side(not color))
    activity = f.activities[minor]
    if activity.word != "passive":
        return None
    why = f"{activity.safe_mobility} safe squares"
    if activity.safe_mobility == 1:
        why = "one safe square"
    elif activity.safe_mobility == 0:
        why = "no safe square"
    if activity.tied_to:
        why = f"alone guards {names(chess.SquareSet(activity.tied_to).mask)}"
    return 0.5, f"{_piece_name(f, minor)} on {chess.square_name(minor)} passive: {why}"


@position_rule(
    id="rook-beats-knight-and-two",
    name="Rook beats knight and two pawns",
    statement="A rook can beat a knight and two extra pawns when the knight is tied to a pawn, for "
    "then the defender runs out of moves.",
    source="common practice",
    theme="rook against minor",
)
def rook_beats_knight_and_two(f: Features, color: chess.Color) -> Speech:
    if f.pure_exchange_up is not color or f.pawn_balance(color) not in (-1, -2):
        return None
    me, him = f.side(color), f.side(not color)
    if not him.knights or not me.pawns:
        return None
    knight = chess.lsb(him.knights)
    tied = chess.SquareSet(f.activities[knight].tied_to).mask & him.pawns
    if not tied:
        return None
    return 0.7, f"knight on {chess.square_name(knight)} tied to the {pawns_on(tied)}"


@position_rule(
    id="rook-against-minor-without-pawns",
    name="Rook against minor, no pawns",
    statement="Without pawns a rook against a minor piece is as a rule a draw; king and piece in a "
    "bad place are the exceptions.",
    source="J. Nunn, Secrets of Pawnless Endings (2002), as summarised in a public encyclopedia's "
    "article on the exchange",
    theme="draw weapons",
    draws=True,
)
def without_pawns(f: Features, color: chess.Color) -> Speech:
    if not _rook_v_minor_without_pawns(f, color) or not _minor_safe(f, color):
        return None
    him = f.side(not color)
    minor = _minor(him)
    rank, file = him.king >> 3, him.king & 7
    if rank in (0, 7) or file in (0, 7):
        return None
    if him.knights and (
        distance(him.king, minor) > 3 or not 0 < minor & 7 < 7 or not 0 < minor >> 3 < 7
    ):
        return None
    return 1.5, (
        f"no pawns, king on {chess.square_name(him.king)} off the edge, {_piece_name(f, minor)} on "
        f"{chess.square_name(minor)} not attacked"
    )


@position_rule(
    id="rook-v-bishop-safe-corner",
    name="Safe corner against the rook",
    statement="Against rook and king without pawns, king and bishop hold in a corner of the other "
    "colour than the bishop's.",
    source="Edward Lasker, Chess Strategy (1915), diagram 46; checked against the tables",
    theme="draw weapons",
    draws=True,
)
def safe_corner(f: Features, color: chess.Color) -> Speech:
    if not _rook_v_minor_without_pawns(f, color) or not f.side(not color).bishops:
        return None
    him = f.side(not color)
    bishop = chess.lsb(him.bishops)
    corner = min(_CORNERS, key=lambda c: distance(c, him.king))
    if distance(corner, him.king) > 0 or is_light(corner) == is_light(bishop):
        return None
    if bishop & 7 in (0, 7) or bishop >> 3 in (0, 7) or not _minor_safe(f, color):
        return None
    return 2.0, (
        f"king on {chess.square_name(him.king)} in a corner that the bishop on "
        f"{chess.square_name(bishop)} does not cover"
    )


@position_rule(
    id="rook-v-bishop-wrong-corner",
    name="Wrong corner against the rook",
    statement="Against rook and king without pawns, a king in a corner of its bishop's colour is "
    "usually lost when the attacking king stands near.",
    source="J. Nunn, Secrets of Pawnless Endings (2002), as summarised in a public encyclopedia's "
    "article on the exchange; checked against the tables",
    theme="rook against minor",
)
def wrong_corner(f: Features, color: chess.Color) -> Speech:
    if not _rook_v_minor_without_pawns(f, color) or not f.side(not color).bishops:
        return None
    me, him = f.side(color), f.side(not color)
    bishop = chess.lsb(him.bishops)
    if him.king not in _CORNERS or is_light(him.king) != is_light(bishop):
        return None
    if distance(me.king, him.king) > 2 or f.turn != color or f.board.is_check():
        return None
    return 1.5, (
        f"king on {chess.square_name(him.king)} in the corner of the bishop's colour, king on "
        f"{chess.square_name(me.king)} near"
    )


@position_rule(
    id="rook-v-knight-apart",
    name="Knight cut off from its king",
    statement="Against rook and king without pawns, a knight that the enemy king keeps apart from "
    "its own king is usually lost.",
    source="Edward Lasker, Chess Strategy (1915), diagram 48; checked against the tables",
    theme="rook against minor",
)
def knight_apart(f: Features, color: chess.Color) -> Speech:
    if not _rook_v_minor_without_pawns(f, color) or not f.side(not color).knights:
        return None
    me, him = f.side(color), f.side(not color)
    knight = chess.lsb(him.knights)
    gap = distance(knight, him.king)
    if gap < 4 or f.turn != color:
        return None
    if distance(me.king, knight) + distance(me.king, him.king) > gap + 1:
        return None
    if f.board.is_check() or f.board.attackers_mask(not color, chess.lsb(me.rooks)):
        return None
    return 1.2, (
        f"king on {chess.square_name(me.king)} stands between the knight on "
        f"{chess.square_name(knight)} and the king on {chess.square_name(him.king)}"
    )


@position_rule(
    id="two-minors-against-rook",
    name="Two minor pieces against rook",
    statement="Two minor pieces are stronger than a rook and one pawn, as long as they can work "
    "together.",
    source="common practice",
    theme="rook against minor",
)
def two_minors(f: Features, color: chess.Color) -> Speech:
    me, him = f.side(color), f.side(not color)
    if me.queen_count != him.queen_count or him.rook_count - me.rook_count != 1:
        return None
    if me.minor_count - him.minor_count != 2 or f.pawn_balance(color) < -1 or not me.pawns:
        return None
    strength = {-1: 0.6, 0: 1.0}.get(f.pawn_balance(color), 1.5)
    return strength, (
        f"two minor pieces of {color_word(color)} for a rook, "
        + ("one pawn less" if f.pawn_balance(color) == -1 else "no pawn less")
    )


RULES: tuple[Rule, ...] = (
    exchange_up_level,
    exchange_for_one,
    exchange_for_two,
    exchange_for_three,
    exchange_up_one_wing,
    exchange_up_passed,
    exchange_up_defender_rook,
    outpost,
    passive_minor,
    rook_beats_knight_and_two,
    without_pawns,
    safe_corner,
    wrong_corner,
    knight_apart,
    two_minors,
)
