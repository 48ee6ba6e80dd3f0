"""Rules for endings with kings and pawns only."""

from __future__ import annotations

import chess

from convert.board.features import (
    FRONT,
    KINGSIDE,
    QUEENSIDE,
    ROOK_FILES,
    Features,
    SideFeatures,
    ahead,
    distance,
    file_distance,
    moves_to_queen,
    names,
    pawn_attacks,
    pawns_on,
    queening_square,
    relative_rank,
)
from convert.rules.base import Rule, Speech, position_rule
from convert.wording.small import color_word


def _lone_pawn(f: Features, color: chess.Color) -> chess.Square | None:
    """The pawn of king and pawn against bare king, if `color` has it."""
    if not f.pawn_ending or f.pawn_count != 1 or not f.side(color).pawns:
        return None
    return chess.lsb(f.side(color).pawns)


def _can_take(f: Features, me: SideFeatures, him: SideFeatures, pawn: chess.Square) -> bool:
    """Whether the bare king, to move, takes the pawn at once."""
    return f.turn == him.color and distance(him.king, pawn) == 1 and distance(me.king, pawn) > 1


def _key_squares(pawn: chess.Square, color: chess.Color) -> tuple[chess.Square, ...]:
    """Key squares of a pawn that is not a rook's pawn, up to its sixth rank."""
    rank, file = pawn >> 3, pawn & 7
    forward = 1 if color else -1
    steps = (2,) if relative_rank(pawn, color) <= 3 else (1, 2)
    return tuple(
        chess.square(f, rank + forward * n) for n in steps for f in (file - 1, file, file + 1)
    )


@position_rule(
    id="key-squares",
    name="King on a key square",
    statement="With king and pawn against king, the king that has reached one of the pawn's key "
    "squares wins, whoever is to move.",
    source="common practice; checked against the tables",
    theme="pawn endings",
    exact=True,
)
def key_squares(f: Features, color: chess.Color) -> Speech:
    pawn = _lone_pawn(f, color)
    if pawn is None or chess.BB_SQUARES[pawn] & ROOK_FILES:
        return None
    me, him = f.side(color), f.side(not color)
    if relative_rank(pawn, color) > 5 or me.king not in _key_squares(pawn, color):
        return None
    if distance(him.king, pawn) == 1 and distance(me.king, pawn) > 1:
        return None  # the pawn may fall
    if him.king == ahead(pawn, color):
        return None
    return 3.0, (
        f"king on {chess.square_name(me.king)}, a key square of the pawn on "
        f"{chess.square_name(pawn)}"
    )


@position_rule(
    id="opposition-one-pawn",
    name="Opposition in front of the pawn",
    statement="With king and pawn against king, the king one step in front of its own pawn wins "
    "if it has the opposition, unless the pawn is a rook's pawn.",
    source="J. R. Capablanca, Chess Fundamentals (1921), section 3; checked against the tables",
    theme="pawn endings",
    exact=True,
)
def opposition_one_pawn(f: Features, color: chess.Color) -> Speech:
    pawn = _lone_pawn(f, color)
    if pawn is None or chess.BB_SQUARES[pawn] & ROOK_FILES or f.turn == color:
        return None
    me, him = f.side(color), f.side(not color)
    if me.king != ahead(pawn, color) or relative_rank(me.king, color) > 5:
        return None
    if him.king != ahead(ahead(me.king, color), color):
        return None
    return 3.0, (
        f"kings on {chess.square_name(me.king)} and {chess.square_name(him.king)}, "
        f"{color_word(not color)} to move must give way"
    )


@position_rule(
    id="opposition-held",
    name="Defender has the opposition",
    statement="With king and pawn against king, the bare king draws if it faces the other king in "
    "front of the pawn and the attacker must move, as long as the attacking king has not "
    "passed the middle of the board.",
    source="J. R. Capablanca, Chess Fundamentals (1921), section 3; checked against the tables",
    theme="pawn endings",
    draws=True,
    exact=True,
)
def opposition_held(f: Features, color: chess.Color) -> Speech:
    pawn = _lone_pawn(f, color)
    if pawn is None or f.turn != color:
        return None
    me, him = f.side(color), f.side(not color)
    if me.king != ahead(pawn, color) or relative_rank(me.king, color) > 4:
        return None
    if him.king != ahead(ahead(me.king, color), color):
        return None
    return 3.0, (
        f"kings on {chess.square_name(me.king)} and {chess.square_name(him.king)}, "
        f"{color_word(color)} to move makes no headway"
    )


@position_rule(
    id="square-of-the-pawn",
    name="King outside the square",
    statement="A passed pawn whose way is free queens by itself against a lone king that stands "
    "outside the pawn's square.",
    source="common practice; checked against the tables",
    theme="pawn endings",
    exact=True,
)
def square_of_the_pawn(f: Features, color: chess.Color) -> Speech:
    if not f.pawn_ending or f.side(not color).pawns:
        return None
    me, him = f.side(color), f.side(not color)
    best: chess.Square | None = None
    for pawn in chess.scan_forward(me.passed):
        way = FRONT[color][pawn]
        if way & chess.BB_SQUARES[me.king]:
            continue
        tempo = 0 if f.turn == color else 1
        if distance(him.king, queening_square(pawn, color)) <= moves_to_queen(pawn, color) + tempo:
            continue
        if _can_take(f, me, him, pawn):
            continue
        if best is None or moves_to_queen(pawn, color) < moves_to_queen(best, color):
            best = pawn
    if best is None or f.board.is_stalemate():
        return None
    return 3.0, (
        f"passed pawn on {chess.square_name(best)}, king on {chess.square_name(him.king)} "
        "outside its square"
    )


@position_rule(
    id="runner-against-pawns",
    name="Runaway pawn against king and pawns",
    statement="With pawns on both sides, a passed pawn outside the reach of the enemy king usually "
    "decides when no enemy pawn can queen in time.",
    source="common practice",
    theme="pawn endings",
)
def runner_against_pawns(f: Features, color: chess.Color) -> Speech:
    if not f.pawn_ending or not f.side(not color).pawns or f.board.is_check():
        return None
    me, him = f.side(color), f.side(not color)
    if him.passed:
        return None
    tempo = 0 if f.turn == color else 1
    fastest = min((moves_to_queen(p, not color) for p in chess.scan_forward(him.pawns)), default=9)
    for pawn in sorted(chess.scan_forward(me.passed), key=lambda p: moves_to_queen(p, color)):
        moves = moves_to_queen(pawn, color)
        if FRONT[color][pawn] & (f.board.occupied):
            continue
        if distance(him.king, queening_square(pawn, color)) <= moves + tempo:
            continue
        if fastest <= moves + 1:
            continue
        return 2.5, (
            f"passed pawn on {chess.square_name(pawn)}, king on {chess.square_name(him.king)} "
            f"outside its square, no passed pawn for {color_word(not color)}"
        )
    return None


@position_rule(
    id="rook-pawn-corner",
    name="King in front of rook's pawn",
    statement="A lone king that reaches the corner in front of a rook's pawn cannot be driven out "
    "by king and pawn: a draw.",
    source="Edward Lasker, Chess Strategy (1915), diagram 55; checked against the tables",
    theme="draw weapons",
    draws=True,
    exact=True,
)
def rook_pawn_corner(f: Features, color: chess.Color) -> Speech:
    if not f.pawn_ending or f.side(not color).pawns or not f.side(color).only_rook_pawns:
        return None
    him = f.side(not color)
    corner = queening_square(chess.lsb(f.side(color).pawns), color)
    if distance(him.king, corner) > 1:
        return None
    return 3.0, (
        f"king on {chess.square_name(him.king)} holds the corner {chess.square_name(corner)} "
        "against a rook's pawn"
    )


@position_rule(
    id="outside-passed-pawn",
    name="Outside passed pawn",
    statement="In a pawn ending with level numbers or better, a passed pawn far from the other "
    "pawns draws the enemy king away and so usually wins the pawns it leaves behind.",
    source="Edward Lasker, Chess Strategy (1915), diagrams 56 and 58",
    theme="pawn endings",
)
def outside_passed_pawn(f: Features, color: chess.Color) -> Speech:
    if not f.pawn_ending or f.pawn_balance(color) < 0:
        return None
    me, him = f.side(color), f.side(not color)
    if not me.outside_passed or him.outside_passed or him.protected_passed:
        return None
    return 1.2, pawns_on(me.outside_passed, "outside passed")


@position_rule(
    id="protected-passed-pawn",
    name="Protected passed pawn",
    statement="In a pawn ending a passed pawn guarded by another pawn is strong, because the enemy "
    "king can neither take it nor leave its square.",
    source="common practice",
    theme="pawn endings",
)
def protected_passed_pawn(f: Features, color: chess.Color) -> Speech:
    if not f.pawn_ending or f.pawn_balance(color) < 0:
        return None
    me, him = f.side(color), f.side(not color)
    if not me.protected_passed or him.protected_passed or not him.pawns:
        return None
    return 1.0, pawns_on(me.protected_passed, "protected passed")


@position_rule(
    id="connected-passed-pawns",
    name="Connected passed pawns",
    statement="In a pawn ending two connected passed pawns guard each other while their king is "
    "busy elsewhere, so they outweigh split ones.",
    source="common practice",
    theme="pawn endings",
)
def connected_passed_pawns(f: Features, color: chess.Color) -> Speech:
    if not f.pawn_ending or f.pawn_balance(color) < 0:
        return None
    me, him = f.side(color), f.side(not color)
    if not me.connected_passed or him.connected_passed or not him.pawns:
        return None
    return 1.0, f"connected passed pawns on {names(me.connected_passed)}"


@position_rule(
    id="extra-pawn-pawn-ending",
    name="Extra pawn in a pawn ending",
    statement="A pawn more decides most often when all the pieces are gone, above all with pawns "
    "on both wings.",
    source="R. Fine, Basic Chess Endings (1941), general rules; Edward Lasker, Chess Strategy "
    "(1915), before diagram 57",
    theme="pawn endings",
)
def extra_pawn(f: Features, color: chess.Color) -> Speech:
    if not f.pawn_ending or f.pawn_balance(color) < 1 or not f.side(not color).pawns:
        return None
    if f.side(not color).passed and not f.side(color).passed:
        return None
    more = f.pawn_balance(color)
    if f.pawns_on_both_wings:
        where, strength = "pawns on both wings", 1.2
    else:
        where, strength = "all pawns on one wing", 0.6
    count = "a pawn" if more == 1 else f"{more} pawns"
    return strength, f"{count} more in a pawn ending, {where}"


@position_rule(
    id="opposition",
    name="Opposition in a blocked ending",
    statement="When all pawns block each other, the side that has the opposition can usually make "
    "the enemy king give way and enter.",
    source="Edward Lasker, Chess Strategy (1915), diagram 60",
    theme="pawn endings",
)
def opposition(f: Features, color: chess.Color) -> Speech:
    if not f.pawn_ending or f.turn == color or f.pawn_balance(color) != 0:
        return None
    me, him = f.side(color), f.side(not color)
    if me.fixed != me.pawns or him.fixed != him.pawns:
        return None
    gap = abs(me.king - him.king)
    if gap not in (2, 16) or distance(me.king, him.king) != 2:
        return None
    if (f.board.attacks_mask(him.king) & me.pawns) or f.board.is_check():
        return None
    return 0.8, (
        f"kings on {chess.square_name(me.king)} and {chess.square_name(him.king)}, every pawn "
        f"blocked, {color_word(not color)} to move"
    )


@position_rule(
    id="crippled-majority",
    name="Crippled majority",
    statement="With level pawns, a healthy majority makes a passed pawn while a majority with "
    "doubled pawns often makes none.",
    source="common practice",
    theme="pawn endings",
)
def crippled_majority(f: Features, color: chess.Color) -> Speech:
    if not f.pawn_ending or f.pawn_balance(color) != 0 or not f.pawns_on_both_wings:
        return None
    me, him = f.side(color), f.side(not color)
    if me.passed or him.passed:
        return None
    for mine, his in ((QUEENSIDE, KINGSIDE), (KINGSIDE, QUEENSIDE)):
        my_wing = me.pawns & mine
        if my_wing.bit_count() != (him.pawns & mine).bit_count() + 1:
            continue
        if me.doubled & mine or not him.doubled & his:
            continue
        return 0.7, (
            f"healthy majority on {names(my_wing)}, {color_word(not color)}'s majority has a "
            f"{pawns_on(him.doubled & his, 'doubled')}"
        )
    return None


@position_rule(
    id="one-holds-two",
    name="One pawn holds two",
    statement="One pawn that stops two enemy pawns on its wing is worth as much as both of them, "
    "for the other wing then has a pawn more.",
    source="J. R. Capablanca, Chess Fundamentals (1921), section 9",
    theme="pawn endings",
)
def one_holds_two(f: Features, color: chess.Color) -> Speech:
    if not f.pawn_ending or f.pawn_balance(color) < 0:
        return None
    me, him = f.side(color), f.side(not color)
    if him.passed:
        return None
    for wing in (QUEENSIDE, KINGSIDE):
        mine, his = me.pawns & wing, him.pawns & wing
        if mine.bit_count() != 1 or his.bit_count() != 2 or not me.fixed & mine:
            continue
        holder = chess.lsb(mine)
        held = chess.lsb(FRONT[color][holder] & his) if FRONT[color][holder] & his else None
        if held is None:
            continue
        other = chess.lsb(his & ~chess.BB_SQUARES[held])
        if file_distance(other, holder) != 1:
            continue
        # The other pawn must still pass a square that the holder guards, unsupported.
        guarded = pawn_attacks(mine, color) & FRONT[not color][other]
        if not guarded or relative_rank(other, not color) >= relative_rank(held, not color):
            continue
        return 0.9, (f"pawn on {chess.square_name(holder)} holds the {pawns_on(his)}")
    return None


RULES: tuple[Rule, ...] = (
    key_squares,
    opposition_one_pawn,
    opposition_held,
    square_of_the_pawn,
    runner_against_pawns,
    rook_pawn_corner,
    outside_passed_pawn,
    protected_passed_pawn,
    connected_passed_pawns,
    extra_pawn,
    opposition,
    crippled_majority,
    one_holds_two,
)
