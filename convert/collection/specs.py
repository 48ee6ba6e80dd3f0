"""The tables of the summary: what each counts, in words that are shown above it."""

from __future__ import annotations

from convert.collection.counting import WITH_TIME, WON_DRAWN_LOST, Spec
from convert.review.practice import BANDS

#: Labels of pawns on the board in the order in which they are shown, with the highest number.
PAWNS = (("1-2 pawns", 2), ("3-4 pawns", 4), ("5-6 pawns", 6), ("7-8 pawns", 8), ("9 and more", 16))
#: Labels of pawns more, from two fewer to two more.
EXCHANGE_LEADS = ("two fewer", "one fewer", "equal", "one more", "two more")
PAWN_LEADS = ("two or more down", "a pawn down", "level", "a pawn up", "two or more up")

RIGHT_WRONG = ("right", "wrong", "missed")
ESTIMATED = ("in favour", "even", "against")
HELD = ("not let slip", "let slip, won", "let slip, not won")
SLIP_PARTS = ("won to drawn", "won to lost", "drawn to lost")

_CERTAIN = "by the Laws, a table, the solver or a proved line"
_FINISHED = "Games without a result are left out."
_RATINGS = "Ratings as they stand in the files; those of different lists do not compare."
_STAKE = (
    "Decisions at trades whose effect on the result is certain and that were not harmless "
    "(harmless: most other moves kept the result too). Right: the result was kept; wrong: it got "
    "worse; missed: a trade would have kept it and was not made. "
)

_WON = (
    f"Positions that a side had won for certain ({_CERTAIN}), counted once a side and game from "
    "the first move at which it was so, missed mates included; those that were won within two "
    "moves are left out. "
)
_TIME = "Losses on time as the Termination tag tells them."

CERTAIN = Spec(
    "won",
    "Positions won for certain: what became of them",
    f"{_WON}The kind is that of the first such position. {_FINISHED} {_TIME}",
    "kind of ending",
    "positions",
    WITH_TIME,
)
HOW = Spec(
    "held",
    "Positions won for certain: let slip by a move, or not",
    "The same positions. Let slip: at least one move of that side gave the win away, for certain "
    "or as the estimate suspects. Not let slip: none did (the game may still have been lost on "
    "time or given up).",
    "kind of ending",
    "positions",
    HELD,
)
CERTAIN_BANDS = Spec(
    "won-by-rating",
    "Positions won for certain, by the rating of the side that had them",
    f"The same positions. {_FINISHED} {_RATINGS}",
    "rating",
    "positions",
    WITH_TIME,
    BANDS,
)
BETTER = Spec(
    "better",
    "Positions clearly better by the estimate only: what became of them",
    "Sides that never had a position won for certain, and were clearly better only by the "
    "program's estimate, which is no proof. The kind is that of the first such position. "
    f"{_FINISHED} {_TIME}",
    "kind of ending",
    "positions",
    WITH_TIME,
)
AHEAD = Spec(
    "ahead",
    "More material in the first ending: what became of it",
    "Games in which one side was ahead in material when an ending was first reached (at most two "
    "pieces a side besides kings and pawns). Being ahead is not yet winning. Result of the side "
    f"ahead. {_FINISHED} {_TIME}",
    "kind of ending",
    "games",
    WITH_TIME,
)
AHEAD_BANDS = Spec(
    "ahead-by-rating",
    "More material in the first ending, by the rating of the side ahead",
    f"The same games. Result of the side ahead. {_FINISHED} {_RATINGS}",
    "rating",
    "games",
    WITH_TIME,
    BANDS,
)
DECISIONS = Spec(
    "decisions",
    "Trades: right, wrong and missed, by what was traded",
    _STAKE + "Trades not made stand under 'declined'; they are counted only where a trade would "
    "have kept the result, or would have spoilt it.",
    "kind of trade",
    "decisions",
    RIGHT_WRONG,
)
DECISION_BANDS = Spec(
    "decisions-by-rating",
    "Trades: right, wrong and missed, by rating",
    f"The same decisions, by the rating of the player who took them. {_RATINGS}",
    "rating",
    "decisions",
    RIGHT_WRONG,
    BANDS,
)
ESTIMATES = Spec(
    "decisions-estimated",
    "Trades about which only the estimate speaks",
    "Decisions at trades whose effect is not certain: the estimate is in favour of what was "
    "played, against it, or sees no difference worth naming. No proof. Trades not made stand "
    "under 'declined'; they are counted only where the estimate names a difference.",
    "kind of trade",
    "decisions",
    ESTIMATED,
)
TRADES = Spec(
    "trades",
    "Trades by kind, and how the games ended",
    f"Every trade; result of the player who took first. {_FINISHED} A game counts once for each "
    "of its trades.",
    "kind of trade",
    "trades",
    WON_DRAWN_LOST,
)
SLIPS = Spec(
    "slips",
    "Certain slips, by the kind of ending they happened in",
    "Moves of either side after which its result was worse for certain. Told by the least that is "
    "certain: what is counted as won to drawn may have been worse.",
    "kind of ending",
    "slips",
    SLIP_PARTS,
)
SLIP_WAYS = Spec(
    "slip-ways",
    "The same slips: by a trade, and handed back",
    "By a trade: the slip began a trade. Handed back: the opponent's next certain slip restored "
    "what this one had given away.",
    "kind of ending",
    "slips",
    ("by a trade", "handed back"),
    whole=False,
)
EXCHANGE_PAWNS = Spec(
    "exchange-pawns",
    "Exchange up, by pawns on the board",
    "One side has a rook where the other has a bishop or knight, no other pieces, pawns within "
    "two of each other and at least one, for at least four plies (two at the end of a game); "
    f"first such phase of a game. Result of the side with the rook. {_FINISHED}",
    "pawns in all",
    "games",
    WON_DRAWN_LOST,
    tuple(label for label, _ in PAWNS),
)
EXCHANGE_LEAD = Spec(
    "exchange-lead",
    "Exchange up, by pawns more or fewer",
    f"The same games: pawns of the side with the rook against the other's. Its result. {_FINISHED}",
    "its pawns",
    "games",
    WON_DRAWN_LOST,
    EXCHANGE_LEADS,
)
PAWN_ENDING = Spec(
    "pawn-endings",
    "Into a pawn ending by trade, by pawns after it",
    "One piece each was left, the two were taken one after the other, and only kings and pawns "
    f"remained. Result of the side that took first, by its pawns after the trade. {_FINISHED}",
    "who took first is",
    "games",
    WON_DRAWN_LOST,
    PAWN_LEADS,
)

#: In the order in which they are shown.
ALL = (
    CERTAIN,
    HOW,
    CERTAIN_BANDS,
    BETTER,
    AHEAD,
    AHEAD_BANDS,
    DECISIONS,
    DECISION_BANDS,
    ESTIMATES,
    TRADES,
    SLIPS,
    SLIP_WAYS,
    EXCHANGE_PAWNS,
    EXCHANGE_LEAD,
    PAWN_ENDING,
)


def _dimension(ident: str, words: str, head: str, order: tuple[str, ...] | None, note: str) -> Spec:
    return Spec(
        f"won-by-{ident}",
        f"Positions won for certain, {words}",
        f"The same positions. {note}",
        head,
        "positions",
        WITH_TIME,
        order,
    )


def _dimension_held(
    ident: str, words: str, head: str, order: tuple[str, ...] | None, note: str
) -> Spec:
    return Spec(
        f"held-by-{ident}",
        f"Positions won for certain, let slip or not, {words}",
        f"The same positions. {note}",
        head,
        "positions",
        HELD,
        order,
    )


#: Seconds for 60 moves; the limits are those of the Laws of Chess, appendices A and B.
CONTROLS = (
    ("under 3 minutes", 180),
    ("3 to 10 minutes", 601),
    ("10 to 60 minutes", 3600),
    ("60 minutes and more", 10**9),
    ("time not told", 0),
)
_DIMENSIONS = (
    ("opponent", "by the rating of the opponent", "opponent", BANDS, _RATINGS),
    ("colour", "by colour", "colour", ("White", "Black"), ""),
    ("quarter", "by quarter", "quarter", None, "Years alone where the file tells no month."),
    (
        "time",
        "by time for the game",
        "time",
        tuple(name for name, _ in CONTROLS),
        "Time for 60 moves by the TimeControl tag: all periods and 60 increments.",
    ),
)
#: Counted for a player besides: with whom, as which colour, when, how fast.
OF_A_PLAYER = tuple(make(*about) for about in _DIMENSIONS for make in (_dimension, _dimension_held))
_BEFORE = ALL.index(BETTER)
FOR_A_PLAYER = (*ALL[:_BEFORE], *OF_A_PLAYER, *ALL[_BEFORE:])
