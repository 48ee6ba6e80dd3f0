"""Rules about single trades: what to trade, what to keep, and into which ending."""

from __future__ import annotations

from collections.abc import Iterator

import chess

from convert.board.activity import Activity
from convert.board.features import FRONT, UNIT_VALUE, Features, names, pawns_on, relative_rank
from convert.rules import exchange, minor_pieces, pawn_endings, queens, rook_endings
from convert.rules.base import (
    Rule,
    TradeScene,
    TradeSpeech,
    Voice,
    trade_rule,
    voices_of,
)
from convert.wording.small import color_word

_PLURAL = ("", "pawns", "knights", "bishops", "rooks", "queens", "kings")
_SINGULAR = ("", "pawn", "knight", "bishop", "rook", "queen", "king")
_MINORS = (chess.KNIGHT, chess.BISHOP)

#: Rules that name a result plainly enough to judge what a trade leads to.
_ARRIVAL: tuple[Rule, ...] = (
    *(r for r in pawn_endings.RULES if r.exact),
    *(r for r in minor_pieces.RULES if r.exact),
    rook_endings.bridge,
    rook_endings.third_rank_defence,
    rook_endings.rook_beside,
    minor_pieces.centurini,
    exchange.safe_corner,
    queens.queen_v_pawn_draw,
)


def _value(types: tuple[chess.PieceType, ...]) -> int:
    return sum(UNIT_VALUE[t] for t in types)


def _pawns_left(facts: Features) -> str:
    number = facts.pawn_count
    return "1 pawn is left" if number == 1 else f"{number or 'no'} pawns are left"


def _only_pawns(scene: TradeScene) -> bool:
    both = scene.given + scene.taken
    return bool(scene.given) and bool(scene.taken) and all(t == chess.PAWN for t in both)


def _even_pieces(scene: TradeScene) -> bool:
    """Pieces (not pawns) of equal value went on both sides, and no pawns."""
    both = scene.given + scene.taken
    if not scene.given or not scene.taken or chess.PAWN in both:
        return False
    return _value(scene.given) == _value(scene.taken)


def _lead(scene: TradeScene) -> int:
    return scene.facts_before.balance(scene.decider)


def _what(types: tuple[chess.PieceType, ...]) -> str:
    kinds = sorted(set(types), reverse=True)
    words = [_PLURAL[k] if types.count(k) > 1 else _SINGULAR[k] for k in kinds]
    return " and ".join(words)


def _ahead_words(lead: int) -> str:
    amount = abs(lead)
    return f"{amount} {'pawn' if amount == 1 else 'pawns'}' worth".replace("pawn' ", "pawn's ")


@trade_rule(
    id="ahead-trade-pieces",
    name="Ahead: trade pieces",
    statement="The side that is ahead in material does well to trade pieces, for each trade makes "
    "its extra man count for more.",
    source="R. Fine, Basic Chess Endings (1941), general rules",
)
def ahead_trade_pieces(scene: TradeScene) -> TradeSpeech:
    if not _even_pieces(scene) or _lead(scene) < 1:
        return None
    if not scene.facts_after.side(scene.decider).pawns:
        return None
    return (
        True,
        0.6,
        (f"ahead by {_ahead_words(_lead(scene))}, {_what(scene.given)} for {_what(scene.taken)}"),
    )


@trade_rule(
    id="behind-keep-pieces",
    name="Behind: keep pieces",
    statement="The side that is behind in material should keep pieces on, since they are its only "
    "means of counterplay.",
    source="R. Fine, Basic Chess Endings (1941), general rules",
)
def behind_keep_pieces(scene: TradeScene) -> TradeSpeech:
    if not _even_pieces(scene) or _lead(scene) > -1:
        return None
    if not scene.facts_after.side(not scene.decider).pawns:
        return None
    return (
        False,
        0.6,
        (f"behind by {_ahead_words(_lead(scene))}, {_what(scene.given)} for {_what(scene.taken)}"),
    )


@trade_rule(
    id="ahead-keep-pawns",
    name="Ahead: keep pawns",
    statement="The side that is ahead should not trade pawns without need, because each pair that "
    "goes brings the draw nearer.",
    source="R. Fine, Basic Chess Endings (1941), general rules",
)
def ahead_keep_pawns(scene: TradeScene) -> TradeSpeech:
    if not _only_pawns(scene) or _lead(scene) < 1:
        return None
    after = scene.facts_after
    if after.side(scene.decider).passed.bit_count() > (
        scene.facts_before.side(scene.decider).passed.bit_count()
    ):
        return None
    if scene.facts_before.exchange_up is scene.decider:
        return None  # a rook may want its files opened
    return False, 0.5, f"ahead, and a pair of pawns goes; {_pawns_left(after)}"


@trade_rule(
    id="behind-trade-pawns",
    name="Behind: trade pawns",
    statement="The side that is behind should trade pawns, for with none left even a piece more "
    "may not win.",
    source="R. Fine, Basic Chess Endings (1941), general rules",
)
def behind_trade_pawns(scene: TradeScene) -> TradeSpeech:
    if not _only_pawns(scene) or _lead(scene) > -1:
        return None
    after = scene.facts_after
    if after.side(not scene.decider).passed.bit_count() > (
        scene.facts_before.side(not scene.decider).passed.bit_count()
    ):
        return None
    return True, 0.5, f"behind, and a pair of pawns goes; {_pawns_left(after)}"


@trade_rule(
    id="trade-leaves-one-wing",
    name="Trade leaves one wing",
    statement="A trade after which all pawns stand on one wing helps the side that is behind.",
    source="R. Fine, Basic Chess Endings (1941), general rules",
)
def leaves_one_wing(scene: TradeScene) -> TradeSpeech:
    before, after = scene.facts_before, scene.facts_after
    if not before.pawns_on_both_wings or not after.pawns_on_one_wing:
        return None
    lead = after.balance(scene.decider)
    if not 1 <= abs(lead) <= 3:
        return None
    pawns = after.white.pawns | after.black.pawns
    if pawns.bit_count() == 1:
        return lead < 0, 0.6, f"only the {pawns_on(pawns)} remains"
    return lead < 0, 0.6, f"only the {pawns_on(pawns)} remain, all on one wing"


@trade_rule(
    id="trade-into-pawn-ending",
    name="Trade into a pawn ending",
    statement="With a pawn more the trade of the last pieces is the surest road, and with a pawn "
    "less it should be avoided; count it out first.",
    source="R. Fine, Basic Chess Endings (1941), general rules; Edward Lasker, Chess Strategy "
    "(1915), note to diagram 59",
)
def into_pawn_ending(scene: TradeScene) -> TradeSpeech:
    before, after = scene.facts_before, scene.facts_after
    if before.piece_count == 0 or not after.pawn_ending:
        return None
    more = after.pawn_balance(scene.decider)
    weaker = after.side(scene.decider if more < 0 else not scene.decider)
    if more == 0 or not weaker.pawns:
        return None
    count = "a pawn" if abs(more) == 1 else f"{abs(more)} pawns"
    return (
        more > 0,
        0.8,
        (
            f"pawn ending with {count} {'more' if more > 0 else 'less'}, "
            f"{'pawns on both wings' if after.pawns_on_both_wings else 'all on one wing'}"
        ),
    )


def _arrivals(scene: TradeScene) -> Iterator[Voice]:
    yield from voices_of(_ARRIVAL, scene.facts_after)


@trade_rule(
    id="trade-into-known-win",
    name="Trade into a known win",
    statement="Simplify as soon as the trade reaches an ending that is known to be won.",
    source="Edward Lasker, Chess Strategy (1915), endings from master play; A. Alekhine, note to "
    "Euwe-Alekhine, world championship 1937, first game",
)
def into_known_win(scene: TradeScene) -> TradeSpeech:
    for voice in _arrivals(scene):
        if voice.side is not None:
            return voice.side == scene.decider, 2.5, voice.detail
    return None


@trade_rule(
    id="trade-into-known-draw",
    name="Trade into a known draw",
    statement="A trade that reaches an ending known to be drawn saves the side that is behind and "
    "throws away the advantage of the other.",
    source="common practice",
)
def into_known_draw(scene: TradeScene) -> TradeSpeech:
    lead = scene.facts_after.balance(scene.decider)
    if lead == 0:
        return None
    for voice in _arrivals(scene):
        if voice.side is None:
            return lead < 0, 2.0, voice.detail
    return None


@trade_rule(
    id="trade-into-opposite-bishops",
    name="Trade into opposite bishops",
    statement="Trading down to bishops of opposite colours helps the side that is a pawn or two "
    "behind.",
    source="Edward Lasker, Chess Strategy (1915), before diagram 75",
)
def into_opposite_bishops(scene: TradeScene) -> TradeSpeech:
    before, after = scene.facts_before, scene.facts_after
    if before.bishop_ending or not (after.bishop_ending and after.opposite_bishops):
        return None
    more = after.pawn_balance(scene.decider)
    if not 1 <= abs(more) <= 2:
        return None
    return (
        more < 0,
        1.2,
        (
            f"only the bishops on {names(after.white.bishops)} and {names(after.black.bishops)} "
            "remain, on different colours"
        ),
    )


@trade_rule(
    id="queens-off-when-ahead",
    name="Queens off when ahead",
    statement="Getting the queens off is often the key step in a conversion, as the defender loses "
    "the piece that makes most trouble.",
    source="common practice",
)
def queens_off(scene: TradeScene) -> TradeSpeech:
    if chess.QUEEN not in scene.given or chess.QUEEN not in scene.taken:
        return None
    if scene.facts_after.queens_on:
        return None
    lead = scene.facts_after.balance(scene.decider)
    if abs(lead) < 2:
        return None
    return (
        lead > 0,
        0.8,
        (f"the queens go, {'ahead' if lead > 0 else 'behind'} by {_ahead_words(lead)} afterwards"),
    )


@trade_rule(
    id="queens-off-for-a-pawn",
    name="Queens off for a pawn",
    statement="With the open files in hand, getting the queens off is worth even a pawn to the "
    "side that stays ahead.",
    source="common practice",
)
def queens_off_for_a_pawn(scene: TradeScene) -> TradeSpeech:
    if chess.QUEEN not in scene.given or chess.QUEEN not in scene.taken:
        return None
    after = scene.facts_after
    cost = scene.facts_before.balance(scene.decider) - after.balance(scene.decider)
    if cost != 1 or after.queens_on or after.balance(scene.decider) < 1:
        return None
    me, him = after.side(scene.decider), after.side(not scene.decider)
    if not me.rooks_on_open_files or him.rooks_on_open_files:
        return None
    return (
        True,
        0.5,
        (
            "the queens go for a pawn, and only "
            f"{color_word(scene.decider)} has a rook on an open file "
            f"({names(me.rooks_on_open_files)})"
        ),
    )


def _last_piece(
    scene: TradeScene, squares: tuple[int, ...], types: tuple[int, ...], color: chess.Color
) -> Activity | None:
    """Activity, before the trade, of the one piece that went; None if not known."""
    pieces = [s for s, t in zip(squares, types, strict=False) if t != chess.PAWN]
    if len(pieces) != 1 or len(squares) != len(types):
        return None
    activity = scene.facts_before.activities.get(pieces[0])
    return activity if activity is not None and activity.color == color else None


@trade_rule(
    id="trade-active-leave-passive",
    name="Trade active, leave passive",
    statement="With the initiative trade the opponent's active pieces and leave him the passive "
    "ones; that can be worth more than a pawn or two.",
    source="common practice",
)
def active_for_passive(scene: TradeScene) -> TradeSpeech:
    if not _even_pieces(scene):
        return None
    taken = _last_piece(scene, scene.taken_squares, scene.taken, not scene.decider)
    given = _last_piece(scene, scene.given_squares, scene.given, scene.decider)
    if taken is None or given is None:
        return None
    after = scene.facts_after
    left = [
        a for a in after.activities.values() if a.color != scene.decider and a.word == "passive"
    ]
    if taken.word == "active" and left:
        worst = ", ".join(
            f"{_SINGULAR[a.piece_type]} on {chess.square_name(a.square)}" for a in left[:2]
        )
        return (
            True,
            0.8,
            (
                f"{color_word(taken.color)}'s active {_SINGULAR[taken.piece_type]} on "
                f"{chess.square_name(taken.square)} goes; "
                f"passive stays: {worst}"
            ),
        )
    if taken.word == "passive" and given.word == "active":
        return (
            False,
            0.6,
            (
                f"{color_word(taken.color)}'s {_SINGULAR[taken.piece_type]} on "
                f"{chess.square_name(taken.square)} was passive, "
                f"the {_SINGULAR[given.piece_type]} on {chess.square_name(given.square)} active"
            ),
        )
    return None


@trade_rule(
    id="trade-a-pair-of-rooks",
    name="One pair of rooks off",
    statement="With the open file in hand, trade one pair of rooks so that the rook left enters "
    "freely.",
    source="common practice",
)
def one_pair_of_rooks(scene: TradeScene) -> TradeSpeech:
    if scene.given != (chess.ROOK,) or scene.taken != (chess.ROOK,):
        return None
    before, after = scene.facts_before, scene.facts_after
    if before.side(scene.decider).rook_count != 2 or before.side(not scene.decider).rook_count < 1:
        return None
    if before.balance(scene.decider) < 0:
        return None
    me, him = after.side(scene.decider), after.side(not scene.decider)
    if not me.rooks_on_open_files or him.rooks_on_open_files:
        return None
    return True, 0.6, f"the rook left on {names(me.rooks_on_open_files)} has the open file"


@trade_rule(
    id="bishops-off-leaving-knight",
    name="Leave rook against knight",
    statement="The side that is the exchange up does well to trade bishops when that leaves rook "
    "against knight.",
    source="common practice; J. R. Capablanca, Chess Fundamentals (1921), section 5",
)
def leave_the_knight(scene: TradeScene) -> TradeSpeech:
    if scene.given != (chess.BISHOP,) or scene.taken != (chess.BISHOP,):
        return None
    after = scene.facts_after
    if after.pure_exchange_up is None:
        return None
    up = after.pure_exchange_up
    knight = after.side(not up).knights
    if not knight or after.pawn_balance(up) < -2 or not after.side(up).pawns:
        return None
    return up == scene.decider, 0.6, f"rook against the knight on {names(knight)} is left"


@trade_rule(
    id="exchange-up-trade-rooks",
    name="Exchange up: trade rooks",
    statement="The side that is the exchange up should trade the other rooks, and the side that is "
    "down should keep them.",
    source="common practice",
)
def exchange_up_trade_rooks(scene: TradeScene) -> TradeSpeech:
    if scene.given != (chess.ROOK,) or scene.taken != (chess.ROOK,):
        return None
    up = scene.facts_before.exchange_up
    if up is None or scene.facts_after.exchange_up is not up:
        return None
    if scene.facts_after.side(not up).rooks or scene.facts_after.pawn_balance(up) < -2:
        return None
    return up == scene.decider, 0.5, "the defender's last rook goes, the exchange remains"


@trade_rule(
    id="keep-the-bishop-pair",
    name="Keep the bishop pair",
    statement="One bishop of a pair should not be given for a knight without need, and taking one "
    "of the opponent's pair is a gain.",
    source="common practice",
)
def keep_bishop_pair(scene: TradeScene) -> TradeSpeech:
    before, after = scene.facts_before, scene.facts_after
    if not _even_pieces(scene) or before.fixed_pairs > 2:
        return None
    mine, his = before.side(scene.decider), before.side(not scene.decider)
    swap = (scene.given, scene.taken)
    if swap == ((chess.BISHOP,), (chess.KNIGHT,)) and mine.bishop_pair and not his.bishop_pair:
        left = after.side(scene.decider).bishops
        return False, 0.3, f"only the bishop on {names(left)} is left of the pair"
    if swap == ((chess.KNIGHT,), (chess.BISHOP,)) and his.bishop_pair and not mine.bishop_pair:
        left = after.side(not scene.decider).bishops
        return True, 0.3, f"only the bishop on {names(left)} is left of the enemy pair"
    return None


@trade_rule(
    id="trade-the-bad-bishop",
    name="Trade the bad bishop",
    statement="A bishop hemmed in by its own fixed pawns is a good one to trade, and the "
    "opponent's bad bishop is one to leave him.",
    source="common practice",
)
def trade_bad_bishop(scene: TradeScene) -> TradeSpeech:
    if len(scene.given) != 1 or len(scene.taken) != 1:
        return None
    if scene.given[0] not in _MINORS or scene.taken[0] not in _MINORS:
        return None
    mine = _bad_bishop(scene.facts_before, scene.given_squares, scene.given, scene.decider)
    his = _bad_bishop(scene.facts_before, scene.taken_squares, scene.taken, not scene.decider)
    if bool(mine) == bool(his):
        return None
    if mine:
        square = chess.square_name(scene.given_squares[0])
        return True, 0.4, f"bishop on {square} hemmed in by its own {pawns_on(mine)}"
    square = chess.square_name(scene.taken_squares[0])
    return False, 0.4, f"the enemy bishop on {square} is hemmed in by the {pawns_on(his)}"


def _bad_bishop(
    f: Features, squares: tuple[int, ...], types: tuple[int, ...], color: chess.Color
) -> chess.Bitboard:
    """The three or more own fixed pawns that make the traded bishop bad, else 0."""
    if types != (chess.BISHOP,) or len(squares) != 1:
        return 0
    light = bool(chess.BB_LIGHT_SQUARES & chess.BB_SQUARES[squares[0]])
    fixed = f.side(color).fixed_on_colour(light)
    return fixed if fixed.bit_count() >= 3 else 0


@trade_rule(
    id="trade-takes-last-pawn",
    name="Last pawn traded off",
    statement="A trade that leaves the stronger side without pawns throws the win away unless a "
    "rook's worth remains.",
    source="common practice",
)
def takes_last_pawn(scene: TradeScene) -> TradeSpeech:
    before, after = scene.facts_before, scene.facts_after
    lead = after.balance(scene.decider)
    if not 1 <= abs(lead) <= 3:
        return None
    stronger = scene.decider if lead > 0 else not scene.decider
    if not before.side(stronger).pawns or after.side(stronger).pawns:
        return None
    me, him = after.side(stronger), after.side(not stronger)
    if me.queen_count > him.queen_count or (
        me.bishop_pair and me.piece_count == 2 and him.piece_count == 1 and him.knights
    ):
        return None
    return (
        lead < 0,
        1.5,
        (f"no pawn is left to the stronger side, {_ahead_words(lead)} ahead in pieces"),
    )


@trade_rule(
    id="passed-pawn-wants-trades",
    name="Passed pawn wants trades",
    statement="The side with the only advanced passed pawn gains when pieces that could stop it "
    "are traded.",
    source="J. R. Capablanca, Chess Fundamentals (1921), section 31",
)
def passed_pawn_wants_trades(scene: TradeScene) -> TradeSpeech:
    if not _even_pieces(scene):
        return None
    after = scene.facts_after
    advanced = {
        c: [
            p
            for p in chess.scan_forward(after.side(c).passed)
            if relative_rank(p, c) >= 4 and not FRONT[c][p] & after.board.occupied_co[not c]
        ]
        for c in (chess.WHITE, chess.BLACK)
    }
    if bool(advanced[chess.WHITE]) == bool(advanced[chess.BLACK]) or after.piece_count == 0:
        return None
    owner = chess.WHITE if advanced[chess.WHITE] else chess.BLACK
    where = ", ".join(chess.square_name(p) for p in advanced[owner])
    one = len(advanced[owner]) == 1
    runners = f"passed pawn on {where} has" if one else f"passed pawns on {where} have"
    return owner == scene.decider, 0.4, f"{runners} fewer pieces to fear"


@trade_rule(
    id="give-back-to-simplify",
    name="Give back to simplify",
    statement="Giving some of the extra material back is right when the pawn ending that follows "
    "is still a clear one.",
    source="Edward Lasker, Chess Strategy (1915), endings from master play; common practice",
)
def give_back(scene: TradeScene) -> TradeSpeech:
    before, after = scene.facts_before, scene.facts_after
    if before.piece_count == 0 or not after.pawn_ending:
        return None
    if _value(scene.given) <= _value(scene.taken) or after.pawn_balance(scene.decider) < 2:
        return None
    if after.side(not scene.decider).passed:
        return None
    return (
        True,
        0.8,
        (
            f"{_what(scene.given)} for {_what(scene.taken)}, and "
            f"{after.pawn_balance(scene.decider)} pawns more remain in the pawn ending"
        ),
    )


RULES: tuple[Rule, ...] = (
    ahead_trade_pieces,
    behind_keep_pieces,
    ahead_keep_pawns,
    behind_trade_pawns,
    leaves_one_wing,
    into_pawn_ending,
    into_known_win,
    into_known_draw,
    into_opposite_bishops,
    queens_off,
    queens_off_for_a_pawn,
    active_for_passive,
    one_pair_of_rooks,
    leave_the_knight,
    exchange_up_trade_rooks,
    keep_bishop_pair,
    trade_bad_bishop,
    takes_last_pawn,
    passed_pawn_wants_trades,
    give_back,
)
