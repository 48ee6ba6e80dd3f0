"""Rules for bishops and knights."""

from __future__ import annotations

import chess

from convert.board.features import (
    ROOK_FILES,
    Features,
    distance,
    file_distance,
    files_of,
    is_light,
    names,
    pawns_on,
    queening_square,
    relative_rank,
)
from convert.rules.base import Rule, Speech, position_rule
from convert.wording.small import color_word


def _shade(light: bool) -> str:
    return "light" if light else "dark"


@position_rule(
    id="wrong-bishop",
    name="Wrong bishop for rook's pawn",
    statement="A bishop that does not cover the queening square of its rook's pawn cannot drive a "
    "lone king out of that corner: a draw.",
    source="J. R. Capablanca, Chess Fundamentals (1921), example 30; checked against the tables",
    theme="draw weapons",
    draws=True,
    exact=True,
)
def wrong_bishop(f: Features, color: chess.Color) -> Speech:
    me, him = f.side(color), f.side(not color)
    if him.piece_count or him.pawns or not me.only_rook_pawns:
        return None
    if me.piece_count != 1 or not me.bishops:
        return None
    corner = queening_square(chess.lsb(me.pawns), color)
    bishop = chess.lsb(me.bishops)
    if is_light(corner) == is_light(bishop) or distance(him.king, corner) > 1:
        return None
    return 3.0, (
        f"bishop on {chess.square_name(bishop)} does not cover {chess.square_name(corner)}, king "
        f"on {chess.square_name(him.king)} holds the corner"
    )


@position_rule(
    id="opposite-bishops-draw",
    name="Opposite-coloured bishops",
    statement="With only bishops of opposite colours and pawns the weaker side often draws, even "
    "with one or two pawns less.",
    source="R. Fine, Basic Chess Endings (1941), general rules; Edward Lasker, Chess Strategy "
    "(1915), before diagram 75",
    theme="draw weapons",
    draws=True,
)
def opposite_bishops(f: Features, color: chess.Color) -> Speech:
    if not f.bishop_ending or not f.opposite_bishops:
        return None
    more = f.pawn_balance(color)
    if not 1 <= more <= 2:
        return None
    me = f.side(color)
    if len(files_of(me.passed)) >= 2 and files_of(me.passed)[-1] - files_of(me.passed)[0] >= 4:
        return None
    return (1.5 if more == 1 else 0.8), (
        f"bishops on {names(me.bishops)} and {names(f.side(not color).bishops)} run on different "
        f"colours, {'one pawn' if more == 1 else 'two pawns'} more"
    )


@position_rule(
    id="opposite-bishops-split-passers",
    name="Split passers, opposite bishops",
    statement="Even with bishops of opposite colours, two passed pawns far apart usually win, as "
    "bishop and king cannot stop both.",
    source="Edward Lasker, Chess Strategy (1915), before diagram 76",
    theme="bishops",
)
def opposite_bishops_split(f: Features, color: chess.Color) -> Speech:
    if not f.bishop_ending or not f.opposite_bishops or f.pawn_balance(color) < 1:
        return None
    me = f.side(color)
    files = files_of(me.passed)
    if len(files) < 2 or files[-1] - files[0] < 4 or f.side(not color).passed:
        return None
    return 1.2, f"passed pawns far apart on {names(me.passed)}"


@position_rule(
    id="same-bishops-extra-pawn",
    name="Same-coloured bishops, extra pawn",
    statement="With bishops of the same colour a pawn more wins more often than not, for the "
    "bishops can often be traded.",
    source="Edward Lasker, Chess Strategy (1915), before diagram 75",
    theme="bishops",
)
def same_bishops(f: Features, color: chess.Color) -> Speech:
    if not f.bishop_ending or f.opposite_bishops or f.pawn_balance(color) < 1:
        return None
    if not f.side(not color).pawns or not f.pawns_on_both_wings:
        return None
    light = bool(f.side(color).light_bishops)
    more = f.pawn_balance(color)
    return 0.9, (
        f"both bishops on {_shade(light)} squares, "
        f"{'one pawn' if more == 1 else f'{more} pawns'} more"
    )


@position_rule(
    id="bishop-and-pawn-blockade",
    name="King before bishop and pawn",
    statement="With bishop and pawn against bishop of the same colour, the defending king in front "
    "of the pawn on a square the bishops cannot touch holds the draw.",
    source="L. Centurini (19th century), as summarised in a public encyclopedia's article on chess "
    "endings",
    theme="draw weapons",
    draws=True,
)
def centurini(f: Features, color: chess.Color) -> Speech:
    me, him = f.side(color), f.side(not color)
    if not f.bishop_ending or f.opposite_bishops or f.pawn_count != 1 or not me.pawns:
        return None
    pawn = chess.lsb(me.pawns)
    if file_distance(him.king, pawn) or (
        relative_rank(him.king, color) <= relative_rank(pawn, color)
    ):
        return None
    if is_light(him.king) == bool(me.light_bishops):
        return None
    if f.board.is_check() or f.board.attackers_mask(color, chess.lsb(him.bishops)):
        return None
    return 2.0, (
        f"king on {chess.square_name(him.king)} in front of the pawn on "
        f"{chess.square_name(pawn)}, out of the bishops' reach"
    )


@position_rule(
    id="good-bishop-bad-bishop",
    name="Good bishop against bad bishop",
    statement="With bishops of the same colour, the side whose pawns are fixed on the other colour "
    "has the better bishop.",
    source="J. R. Capablanca, Chess Fundamentals (1921), section 14",
    theme="bishops",
)
def good_bad_bishop(f: Features, color: chess.Color) -> Speech:
    if not f.bishop_ending or f.opposite_bishops:
        return None
    light = bool(f.side(color).light_bishops)
    mine = f.side(color).fixed_on_colour(light)
    theirs = f.side(not color).fixed_on_colour(light)
    if theirs.bit_count() - mine.bit_count() < 2:
        return None
    verb = "is" if theirs.bit_count() == 1 else "are"
    theirs_fixed = f"{color_word(not color)}'s {pawns_on(theirs)} {verb} fixed"
    return 0.7, f"{theirs_fixed} on the bishop's colour"


@position_rule(
    id="knight-against-bad-bishop",
    name="Knight against bad bishop",
    statement="A knight is better than a bishop that is shut in by its own pawns fixed on its "
    "colour.",
    source="common practice; J. R. Capablanca, Chess Fundamentals (1921), section 14",
    theme="knights",
)
def knight_against_bad_bishop(f: Features, color: chess.Color) -> Speech:
    me, him = f.side(color), f.side(not color)
    if f.piece_count != 2 or not me.knights or not him.bishops:
        return None
    light = bool(him.light_bishops)
    shut = him.fixed_on_colour(light)
    if shut.bit_count() < 3:
        return None
    return 0.7, (f"bishop on {names(him.bishops)} hindered by its own {pawns_on(shut)}")


@position_rule(
    id="bishop-on-both-wings",
    name="Bishop better on both wings",
    statement="With few blocked pawns and play on both wings a bishop is better than a knight.",
    source="common practice; J. R. Capablanca, Chess Fundamentals (1921), section 14",
    theme="bishops",
)
def bishop_on_both_wings(f: Features, color: chess.Color) -> Speech:
    me, him = f.side(color), f.side(not color)
    if f.piece_count != 2 or not me.bishops or not him.knights:
        return None
    if f.fixed_pairs > 1 or me.pawn_count < 2 or him.pawn_count < 2:
        return None
    both = me.pawns | him.pawns
    if not both & (chess.BB_FILE_A | chess.BB_FILE_B | chess.BB_FILE_C):
        return None
    if not both & (chess.BB_FILE_F | chess.BB_FILE_G | chess.BB_FILE_H):
        return None
    return 0.4, (
        f"bishop on {names(me.bishops)} against knight on {names(him.knights)}, pawns on both "
        "wings, hardly any blocked"
    )


@position_rule(
    id="bishop-pair",
    name="Bishop pair",
    statement="Two bishops against bishop and knight or two knights are an asset in open positions "
    "with pawns on both wings.",
    source="common practice",
    theme="bishops",
)
def bishop_pair(f: Features, color: chess.Color) -> Speech:
    me, him = f.side(color), f.side(not color)
    if not me.bishop_pair or him.bishop_pair or me.minor_count != him.minor_count:
        return None
    if me.rook_count != him.rook_count or me.queen_count != him.queen_count:
        return None
    if f.fixed_pairs > 2 or not f.pawns_on_both_wings:
        return None
    return 0.5, f"bishops on {names(me.bishops)}, hardly any pawns blocked"


@position_rule(
    id="knight-ending-extra-pawn",
    name="Knight endings resemble pawn endings",
    statement="A pawn more in a knight ending wins nearly as often as in a pawn ending.",
    source="from memory: a saying ascribed to M. Botvinnik",
    theme="knights",
)
def knight_ending(f: Features, color: chess.Color) -> Speech:
    if not f.knight_ending or f.pawn_balance(color) < 1 or not f.side(not color).pawns:
        return None
    if not f.pawns_on_both_wings:
        return None
    more = f.pawn_balance(color)
    count = "a pawn" if more == 1 else f"{more} pawns"
    return 0.9, f"{count} more in a knight ending, pawns on both wings"


@position_rule(
    id="knight-against-rook-pawn",
    name="Knight dislikes rook's pawn",
    statement="A knight is a poor defender against an advanced passed rook's pawn, since the edge "
    "takes half its squares.",
    source="common practice",
    theme="knights",
)
def knight_against_rook_pawn(f: Features, color: chess.Color) -> Speech:
    me, him = f.side(color), f.side(not color)
    if him.piece_count != 1 or not him.knights or me.value_without_pawns > 3:
        return None
    far = 0
    for pawn in chess.scan_forward(me.passed & ROOK_FILES):
        if relative_rank(pawn, color) >= 4 and distance(him.king, pawn) > 3:
            far |= chess.BB_SQUARES[pawn]
    if not far:
        return None
    runner = pawns_on(far, "passed rook's")
    return 0.6, f"{runner} against the knight on {names(him.knights)}"


@position_rule(
    id="knight-cannot-lose-a-move",
    name="Knight cannot lose a move",
    statement="A king shut in before its own rook's pawn is not freed if its knight would have to "
    "lose a move, for a knight changes colour with every move and the bare king keeps its "
    "two squares.",
    source="from memory: K. Mueller and F. Lamprecht, Fundamental Chess Endings (2001); checked "
    "against the tables",
    theme="draw weapons",
    draws=True,
    exact=True,
)
def knight_cannot_lose_a_move(f: Features, color: chess.Color) -> Speech:
    me, him = f.side(color), f.side(not color)
    if him.piece_count or him.pawns or me.piece_count != 1 or not me.knights:
        return None
    if me.pawn_count != 1 or not me.pawns & ROOK_FILES:
        return None
    pawn = chess.lsb(me.pawns)
    corner = queening_square(pawn, color)
    if relative_rank(pawn, color) != 6 or me.king != corner:
        return None
    if relative_rank(him.king, color) not in (6, 7) or file_distance(him.king, corner) != 2:
        return None
    knight = chess.lsb(me.knights)
    # The knight must be able to cover the king's other square when it comes to move.
    same = is_light(knight) == is_light(him.king)
    if same != (f.turn == color) or f.board.is_check():
        return None
    return 3.0, (
        f"king on {chess.square_name(him.king)} shuts in the king on "
        f"{chess.square_name(me.king)}; the knight on {chess.square_name(knight)} cannot lose a "
        "move"
    )


RULES: tuple[Rule, ...] = (
    wrong_bishop,
    opposite_bishops,
    opposite_bishops_split,
    same_bishops,
    centurini,
    good_bad_bishop,
    knight_against_bad_bishop,
    bishop_on_both_wings,
    bishop_pair,
    knight_ending,
    knight_against_rook_pawn,
    knight_cannot_lose_a_move,
)
