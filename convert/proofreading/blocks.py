"""What phrases are built from: words that name a side, adverbs, what may follow, and `Phrase`."""

from __future__ import annotations

import re
from dataclasses import dataclass

from convert.model import Side
from convert.model.findings import Kind
from convert.proofreading.comments import BLACK_NAME, MOVES, NAME_REST, REST, WHITE_NAME

# --- building blocks ----------------------------------------------------------------------------

M = f"{MOVES}{REST}*"
S = rf"(?P<side>\bWhite\b|\bBlack\b|{WHITE_NAME}{NAME_REST}*|{BLACK_NAME}{NAME_REST}*)"
ADVERBS = (
    "now|still|already|again|clearly|completely|easily|simply|objectively|theoretically|just|"
    "also|always|totally|quite|absolutely|certainly|definitely|therefore|thus|nevertheless|"
    "anyway|even|here|only|actually|in fact|of course|in any case|hopelessly|dead|trivially|"
    "comfortably|convincingly|once more|equally"
)
"""Adverbs that may stand before a verb or an adjective, between bars."""
FOLLOWS = (
    "easily|quickly|simply|at once|immediately|by|after|with|without|as|anyway|here|now|too|"
    "again|also|and|in all|in any|in every|in both|in the end|in the long run|for White|"
    "for Black|due to|thanks to|no matter|whatever|however|against|despite|on the spot|"
    "trivially|comfortably|convincingly|all the same|already|always|either way|whoever|no longer|"
    "rapidly|very quickly|very rapidly|in every way|as follows"
)
"""What may follow a phrase; else it must end its clause.  ``in 20`` may follow too."""

ADV = rf"(?:(?:{ADVERBS})\s+)*"
END = rf"(?=\s*(?:$|[\"']|{MOVES}|\b(?:{FOLLOWS}|in \d+)\b))"
LOOSENING = "by|with|after|without|against|despite|due to|thanks to|in any|in every"
"""Of `FOLLOWS`, what may not follow where it would tell a condition: "Black loses with ..."."""
FIRM = (
    r"(?=\s*(?:$|[\"']|"
    + MOVES
    + r"|(?:after|with|by|on|because of) "
    + MOVES
    + r"|\b(?:"
    + "|".join(word for word in FOLLOWS.split("|") if word not in LOOSENING.split("|"))
    + r"|with (?:best|correct|accurate|perfect) play|with ease|by force|by perpetual check)\b))"
)
WON = (
    r"(?=\s*(?:$|[\"']|"
    + MOVES
    + r"|(?:after|with|by|on) "
    + MOVES
    + r"|\b(?:"
    + "|".join(word for word in FOLLOWS.split("|") if word not in ("by", "with", "without"))
    + r"|with (?:best|correct|accurate|perfect) play|with ease|with or without the move|by force|"
    r"by \w+ing|(?:with|by|after) [KQRBN]?[a-h]?[1-8]?x?[a-h][1-8]|"
    r"without (?:difficulty|trouble|effort))\b))"
)
LEAD = (
    r"(?:(?:and|so|now|here|then|still|thus|therefore|again|also|well|yes|but|"
    r"after (?:this|that)(?: move)?|in this position|with this(?: move)?|"
    r"with (?:best|correct|accurate|perfect) play)\s+)*"
)
MOVE_WORD = (
    r"(?:move|blunder|mistake|error|slip|advance|capture|check|trade|exchange|retreat|sacrifice)"
)
THIS = (
    rf"(?:(?:this {MOVE_WORD}|this|that|it|which|the text|the text move|the move|"
    r"the move played)\s+)?"
)
NOUN = (
    r"(?:(?:pawn|rook|queen|bishop|knight|minor-piece|minor piece)s?\s+)?"
    r"(?:game|position|ending|endgame|advantage)"
)
DRAWN_ADJ = (
    r"(?:(?:dead|theoretical|book|clear|simple|easy|elementary|known|well-known|certain)\s+)*"
)
POSITION = (
    rf"(?:(?:it|that)'s|(?:it|this|that|which|(?:the|this) (?:resulting\s+)?{NOUN}|{M})\s+{ADV}"
    r"(?:is|remains|stays))\s+"
)
TRADE_VERB = r"(?:exchange|trade|swap)(?:\s+off)?"
TRADED = (
    r"(?:the\s+)?(?:last\s+)?(?:pair of\s+)?"
    r"(?P<piece>queens|rooks|bishops|knights|minor pieces|pieces)\b"
)
MUST = r"(?:must|has to|needs to)"

WIN, DRAW, HOLD, LOSE = (1, 1), (0, 0), (0, 1), (-1, -1)

VERBS = {
    WIN: ("wins", "win", "won"),
    DRAW: ("draws", "draw", "drawn"),
    HOLD: (
        r"holds(?: the (?:draw|position|ending|endgame|balance))?|saves (?:the (?:draw|game)|"
        r"himself|herself|half a point)",
        r"hold(?: the (?:draw|position|ending|endgame|balance))?|save (?:the (?:draw|game)|"
        r"himself|herself|half a point)",
        r"held(?: the (?:draw|position|ending|endgame|balance))?|saved (?:the (?:draw|game)|"
        r"himself|herself|half a point)",
    ),
    LOSE: (
        "loses(?: the game)?|costs the game|causes the loss of the game",
        "lose(?: the game)?",
        "lost",
    ),
}
PLAIN = {WIN: "win", DRAW: "draw", HOLD: "hold", LOSE: "lose"}


@dataclass(frozen=True)
class Phrase:
    """A phrase that is read.

    Attributes:
        name: group of the phrase, for the documentation.
        pattern: over the masked text of a clause; it may name ``side`` and ``piece``.
        kind: what the phrase is about.
        of: whose result it tells: ``named``, the side named; ``on move``, the same, and it has the
            move; ``mover``, of the move spoken of; ``either`` of these; ``to move``, the side that
            has the move; ``nobody``.
        low: least result in points for that side, None where no result is told.
        high: best result.
        moves: True: read only where moves stand in the clause; False: only where none do.
        free: words of doubt that do not block it, as ``should`` in "White should trade queens".
        other: the statement is about the opponent of the side named ("White is worse").
        sign: the side that a sign as ``+-`` speaks of; None for words.
        denies: it says that something is not so, and one way out of several may be meant.
    """

    name: str
    pattern: re.Pattern[str]
    kind: Kind
    of: str
    low: int | None = None
    high: int | None = None
    moves: bool | None = None
    free: str = ""
    other: bool = False
    sign: Side | None = None
    denies: bool = False


def phrase_of(
    name: str,
    pattern: str,
    kind: Kind,
    of: str,
    result: tuple[int, int] | None = None,
    *,
    moves: bool | None = None,
    free: str = "",
    other: bool = False,
    sign: Side | None = None,
    denies: bool = False,
) -> Phrase:
    low, high = result if result is not None else (None, None)
    compiled = re.compile(pattern, re.IGNORECASE)
    return Phrase(name, compiled, kind, of, low, high, moves, free, other, sign, denies)
