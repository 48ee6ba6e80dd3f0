"""Rules for endings with rooks."""

from __future__ import annotations

import chess

from convert.board.features import (
    KINGSIDE,
    QUEENSIDE,
    ROOK_FILES,
    Features,
    SideFeatures,
    distance,
    file_distance,
    names,
    queening_square,
    relative_rank,
)
from convert.rules.base import Rule, Speech, position_rule
from convert.wording.small import color_word


def _rook_and_pawn(f: Features, color: chess.Color) -> chess.Square | None:
    """The pawn of rook and pawn against rook, if `color` has it."""
    if not f.rook_ending or f.pawn_count != 1 or not f.side(color).pawns:
        return None
    return chess.lsb(f.side(color).pawns)


def _rook(side: SideFeatures) -> chess.Square:
    return chess.lsb(side.rooks)


def _strictly_between(x: int, a: int, b: int) -> bool:
    return a < x < b or b < x < a


@position_rule(
    id="rook-behind-passed-pawn",
    name="Rook behind the passed pawn",
    statement="The rook belongs behind the passed pawn, its own or the opponent's: there it gains "
    "room as the pawn moves on.",
    source="R. Fine, Basic Chess Endings (1941), general rules",
    theme="rook endings",
)
def rook_behind(f: Features, color: chess.Color) -> Speech:
    if not f.rook_ending:
        return None
    me, him = f.side(color), f.side(not color)
    for rook, pawn in me.rooks_behind_own_passed:
        if relative_rank(pawn, color) >= 3:
            return 0.5, (
                f"rook on {chess.square_name(rook)} behind its passed pawn on "
                f"{chess.square_name(pawn)}"
            )
    for rook, pawn in me.rooks_behind_their_passed(him.passed):
        if relative_rank(pawn, not color) >= 3:
            return 0.4, (
                f"rook on {chess.square_name(rook)} behind the enemy passed pawn on "
                f"{chess.square_name(pawn)}"
            )
    return None


@position_rule(
    id="rook-in-front-of-own-pawn",
    name="Rook in front of its pawn",
    statement="A rook in front of its own far advanced passed pawn is badly placed when the enemy "
    "rook stands behind the pawn, for it can never step aside.",
    source="common practice",
    theme="rook endings",
)
def rook_in_front(f: Features, color: chess.Color) -> Speech:
    if not f.rook_ending:
        return None
    me, him = f.side(color), f.side(not color)
    for rook, pawn in me.rooks_behind_their_passed(him.passed):
        theirs = _rook(him)
        if relative_rank(pawn, not color) < 5 or file_distance(theirs, pawn) != 0:
            continue
        if relative_rank(theirs, not color) > relative_rank(pawn, not color):
            return 0.4, (
                f"{color_word(not color)}'s rook on {chess.square_name(theirs)} is stuck in front "
                f"of the pawn on {chess.square_name(pawn)}, rook on {chess.square_name(rook)} "
                "behind it"
            )
    return None


@position_rule(
    id="cut-off-king",
    name="King cut off from the pawn",
    statement="With rook and pawn against rook, the pawn supported by its king usually wins if its "
    "rank and the number of files by which the enemy king is cut off add up to more than "
    "five.",
    source="from memory: rule of five, K. Mueller and F. Lamprecht, Fundamental Chess Endings "
    "(2001); in substance J. R. Capablanca, Chess Fundamentals (1921), example 59",
    theme="rook endings",
)
def cut_off_king(f: Features, color: chess.Color) -> Speech:
    pawn = _rook_and_pawn(f, color)
    if pawn is None or chess.BB_SQUARES[pawn] & ROOK_FILES or f.board.is_check():
        return None
    me, him = f.side(color), f.side(not color)
    rank, rook = relative_rank(pawn, color) + 1, _rook(me)
    if not 3 <= rank <= 6 or distance(me.king, pawn) > 1:
        return None
    if not _strictly_between(rook & 7, pawn & 7, him.king & 7):
        return None
    files = file_distance(rook, pawn)
    if rank + files <= 5 or f.board.attacks_mask(him.king) & me.rooks:
        return None
    return 1.2, (
        f"king on {chess.square_name(him.king)} cut off from the pawn on "
        f"{chess.square_name(pawn)} by {files} {'file' if files == 1 else 'files'}, rook on "
        f"{chess.square_name(rook)}"
    )


@position_rule(
    id="bridge",
    name="Building a bridge",
    statement="With the pawn on the seventh rank, its king on the queening square and the enemy "
    "king cut off, the rook builds a bridge against the checks and the pawn queens.",
    source="from memory: the Lucena position, K. Mueller and F. Lamprecht, Fundamental Chess "
    "Endings (2001)",
    theme="rook endings",
)
def bridge(f: Features, color: chess.Color) -> Speech:
    pawn = _rook_and_pawn(f, color)
    if pawn is None or chess.BB_SQUARES[pawn] & ROOK_FILES or f.board.is_check():
        return None
    me, him = f.side(color), f.side(not color)
    if relative_rank(pawn, color) != 6 or me.king != queening_square(pawn, color):
        return None
    if not _strictly_between(_rook(me) & 7, pawn & 7, him.king & 7):
        return None
    if f.board.attacks_mask(him.king) & me.rooks:
        return None
    if f.board.attacks_mask(_rook(him)) & me.rooks:
        return None
    if file_distance(_rook(him), pawn) > 3:
        return None  # far side checks from the long side are another matter
    return 2.5, (
        f"pawn on {chess.square_name(pawn)}, king on {chess.square_name(me.king)} in front of it, "
        f"king on {chess.square_name(him.king)} cut off by the rook on "
        f"{chess.square_name(_rook(me))}"
    )


@position_rule(
    id="third-rank-defence",
    name="Defence along the third rank",
    statement="Against rook and pawn, the king in front of the pawn and the rook on its third rank "
    "hold the draw as long as the pawn has not reached that rank.",
    source="from memory: Philidor's defence (1777), K. Mueller and F. Lamprecht, Fundamental Chess "
    "Endings (2001)",
    theme="draw weapons",
    draws=True,
)
def third_rank_defence(f: Features, color: chess.Color) -> Speech:
    pawn = _rook_and_pawn(f, color)
    if pawn is None or f.board.is_check():
        return None
    me, him = f.side(color), f.side(not color)
    rook = _rook(him)
    if relative_rank(pawn, color) > 4 or relative_rank(me.king, color) > 4:
        return None
    if relative_rank(rook, color) != 5 or relative_rank(him.king, color) < 6:
        return None
    if distance(him.king, queening_square(pawn, color)) > 1:
        return None
    if file_distance(him.king, pawn) > 1:
        return None
    board = f.board
    if board.attackers_mask(color, rook):
        return None
    return 2.0, (
        f"king on {chess.square_name(him.king)} in front of the pawn on "
        f"{chess.square_name(pawn)}, rook on {chess.square_name(rook)} keeps the king off the rank"
    )


@position_rule(
    id="side-checks",
    name="Checks from the long side",
    statement="Against rook and pawn on the sixth or seventh rank, the defending rook to move on "
    "the long side with three files between it and the pawn can usually draw by checks from "
    "the side, while its king stays on the short side.",
    source="from memory: Tarrasch's rule of the long side, K. Mueller and F. Lamprecht, "
    "Fundamental Chess Endings (2001)",
    theme="draw weapons",
    draws=True,
)
def side_checks(f: Features, color: chess.Color) -> Speech:
    pawn = _rook_and_pawn(f, color)
    if pawn is None or chess.BB_SQUARES[pawn] & ROOK_FILES or f.turn == color:
        return None
    me, him = f.side(color), f.side(not color)
    rook = _rook(him)
    if (
        f.board.is_check()
        or relative_rank(pawn, color) not in (5, 6)
        or distance(me.king, pawn) > 1
    ):
        return None
    if relative_rank(me.king, color) < 6 or me.king & 7 == pawn & 7:
        return None
    long_is_left = pawn & 7 >= 4
    on_long = (rook & 7) < (pawn & 7) if long_is_left else (rook & 7) > (pawn & 7)
    on_short = (him.king & 7) > (pawn & 7) if long_is_left else (him.king & 7) < (pawn & 7)
    if not on_long or not on_short or file_distance(rook, pawn) < 4:
        return None
    if distance(him.king, pawn) > 2 or relative_rank(him.king, color) != 6:
        return None
    return 1.0, (
        f"rook on {chess.square_name(rook)} has the long side, king on "
        f"{chess.square_name(him.king)} the short side of the pawn on {chess.square_name(pawn)}"
    )


@position_rule(
    id="rook-ending-rook-pawn",
    name="Rook's pawn in a rook ending",
    statement="With rook and rook's pawn against rook the win is rare unless the enemy king is cut "
    "off by four or more files.",
    source="from memory: K. Mueller and F. Lamprecht, Fundamental Chess Endings (2001)",
    theme="rook endings",
    draws=True,
)
def rook_ending_rook_pawn(f: Features, color: chess.Color) -> Speech:
    pawn = _rook_and_pawn(f, color)
    if pawn is None or not chess.BB_SQUARES[pawn] & ROOK_FILES:
        return None
    him = f.side(not color)
    if file_distance(him.king, pawn) > 4 or relative_rank(him.king, color) < 5:
        return None
    return 1.0, (
        f"rook's pawn on {chess.square_name(pawn)}, king on {chess.square_name(him.king)} not cut "
        "off far enough"
    )


@position_rule(
    id="rook-beside-the-rook-pawn",
    name="Rook attacks rook's pawn sideways",
    statement="Against a rook's pawn on the sixth with its rook in front of it, the defending rook "
    "draws by attacking the pawn from the side while its king waits on the far side of "
    "the seventh rank.",
    source="from memory: Vancura (1924), K. Mueller and F. Lamprecht, Fundamental Chess Endings "
    "(2001)",
    theme="draw weapons",
    draws=True,
)
def rook_beside(f: Features, color: chess.Color) -> Speech:
    pawn = _rook_and_pawn(f, color)
    if pawn is None or not chess.BB_SQUARES[pawn] & ROOK_FILES or f.board.is_check():
        return None
    me, him = f.side(color), f.side(not color)
    rook, guard = _rook(him), _rook(me)
    if relative_rank(pawn, color) != 5 or guard != queening_square(pawn, color):
        return None
    if rook >> 3 != pawn >> 3 or not f.board.attacks_mask(rook) & me.pawns:
        return None
    if file_distance(rook, pawn) < 3 or distance(me.king, pawn) <= 1:
        return None
    if relative_rank(him.king, color) != 6 or file_distance(him.king, pawn) < 6:
        return None
    if f.board.attackers_mask(color, rook):
        return None
    return 2.0, (
        f"rook on {chess.square_name(rook)} attacks the pawn on {chess.square_name(pawn)} from "
        f"the side, king on {chess.square_name(him.king)} safe"
    )


@position_rule(
    id="rook-ending-one-wing",
    name="Rook ending on one wing",
    statement="A rook ending with one pawn more is usually drawn when all the pawns stand on the "
    "same wing and none is passed.",
    source="R. Fine, Basic Chess Endings (1941), general rules; Edward Lasker, Chess Strategy "
    "(1915), before diagram 78",
    theme="draw weapons",
    draws=True,
)
def rook_ending_one_wing(f: Features, color: chess.Color) -> Speech:
    if not f.rook_ending or f.pawn_balance(color) != 1 or not f.pawns_on_one_wing:
        return None
    me, him = f.side(color), f.side(not color)
    if him.pawn_count < 1 or me.passed:
        return None
    wing = QUEENSIDE if me.pawns & QUEENSIDE else KINGSIDE
    if file_distance(him.king, chess.lsb(him.pawns)) > 3 and not (
        chess.BB_SQUARES[him.king] & wing
    ):
        return None
    return 1.2, (
        f"{me.pawn_count} pawns against {him.pawn_count} on one wing, no passed pawn, king on "
        f"{chess.square_name(him.king)} near them"
    )


@position_rule(
    id="rook-ending-extra-pawn",
    name="Extra pawn in a rook ending",
    statement="In a rook ending a pawn more counts fully only with pawns on both wings and a rook "
    "that is not the more passive one.",
    source="Edward Lasker, Chess Strategy (1915), before diagram 78",
    theme="rook endings",
)
def rook_ending_extra_pawn(f: Features, color: chess.Color) -> Speech:
    if not f.rook_ending or f.pawn_balance(color) < 1 or not f.pawns_on_both_wings:
        return None
    mine = f.activities[_rook(f.side(color))]
    theirs = f.activities[_rook(f.side(not color))]
    levels = ("passive", "ordinary", "active")
    if levels.index(mine.word) < levels.index(theirs.word):
        return None
    more = f.pawn_balance(color)
    return 0.8, (
        f"{'a pawn' if more == 1 else f'{more} pawns'} more, pawns on both wings, rook on "
        f"{chess.square_name(mine.square)} no worse than the one on "
        f"{chess.square_name(theirs.square)}"
    )


@position_rule(
    id="passive-rook",
    name="Passive rook in a rook ending",
    statement="In a rook ending the active rook outweighs the passive one, and its activity is "
    "often worth a pawn.",
    source="J. R. Capablanca, Chess Fundamentals (1921), example 60",
    theme="rook endings",
)
def passive_rook(f: Features, color: chess.Color) -> Speech:
    if not f.rook_ending or f.pawn_count == 0:
        return None
    mine = f.activities[_rook(f.side(color))]
    theirs = f.activities[_rook(f.side(not color))]
    if mine.word != "active" or theirs.word != "passive":
        return None
    tied = ""
    if theirs.tied_to:
        guarded = names(chess.SquareSet(theirs.tied_to).mask)
        tied = f", tied to {guarded}"
    return 0.6, (
        f"rook on {chess.square_name(mine.square)} active, rook on "
        f"{chess.square_name(theirs.square)} passive{tied}"
    )


@position_rule(
    id="two-pawns-on-sixth",
    name="Two connected pawns beat a rook",
    statement="Two connected passed pawns on the sixth rank usually beat a rook whose king is far "
    "away.",
    source="common practice",
    theme="rook endings",
)
def two_pawns_on_sixth(f: Features, color: chess.Color) -> Speech:
    me, him = f.side(color), f.side(not color)
    if me.piece_count or him.piece_count != 1 or him.rook_count != 1 or him.pawns:
        return None
    far = 0
    for pawn in chess.scan_forward(me.connected_passed):
        if relative_rank(pawn, color) >= 5:
            far |= chess.BB_SQUARES[pawn]
    if far.bit_count() < 2:
        return None
    if min(distance(him.king, queening_square(p, color)) for p in chess.scan_forward(far)) < 4:
        return None
    if f.turn != color and f.board.attacks_mask(_rook(him)) & far & ~(
        chess.BB_KING_ATTACKS[me.king] | me.attacked_by_pawns
    ):
        return None
    return 2.0, (
        f"connected passed pawns on {names(far)}, king on {chess.square_name(him.king)} far away"
    )


RULES: tuple[Rule, ...] = (
    rook_behind,
    rook_in_front,
    cut_off_king,
    bridge,
    third_rank_defence,
    side_checks,
    rook_ending_rook_pawn,
    rook_beside,
    rook_ending_one_wing,
    rook_ending_extra_pawn,
    passive_rook,
    two_pawns_on_sixth,
)
