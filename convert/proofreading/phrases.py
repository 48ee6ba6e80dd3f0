"""Which English words are read as a statement: patterns over one clause of a comment.

Precision before recall: a phrase is read only where its subject and what follows it leave no doubt
(``White wins a pawn`` says nothing of the result), and not at all in a question.  Where a phrase is
found but the clause speaks of another case, hedges or reports somebody's opinion, `Said.why` says
so.  The list in docs/proofread.md is made from `PHRASES`.
"""

from __future__ import annotations

import re
from dataclasses import dataclass

from convert.model import Side
from convert.proofreading.comments import BLACK_NAME, MOVES, NAME_REST, REST, WHITE_NAME
from convert.proofreading.findings import Kind

# --- building blocks ----------------------------------------------------------------------------

_M = f"{MOVES}{REST}*"
_S = rf"(?P<side>\bWhite\b|\bBlack\b|{WHITE_NAME}{NAME_REST}*|{BLACK_NAME}{NAME_REST}*)"
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
    "trivially|comfortably|convincingly|all the same|already|always|either way|whoever|no longer"
)
"""What may follow a phrase; else it must end its clause.  ``in 20`` may follow too."""

_ADV = rf"(?:(?:{ADVERBS})\s+)*"
_END = rf"(?=\s*(?:$|[\"']|{MOVES}|\b(?:{FOLLOWS}|in \d+)\b))"
LOOSENING = "by|with|after|without|against|despite|due to|thanks to|in any|in every"
"""Of `FOLLOWS`, what may not follow where it would tell a condition: "Black loses with ..."."""
_FIRM = (
    r"(?=\s*(?:$|[\"']|" + MOVES + r"|(?:after|with|by|on|because of) " + MOVES + r"|\b(?:"
    + "|".join(word for word in FOLLOWS.split("|") if word not in LOOSENING.split("|"))
    + r"|with (?:best|correct|accurate|perfect) play|with ease|by force|by perpetual check)\b))"
)
_LEAD = r"(?:(?:and|so|now|here|then|still|thus|therefore|again|also|well|yes)\s+)*"
_THIS = r"(?:(?:this|that|it|which|the text|the text move|the move|the move played)\s+)?"
_NOUN = (
    r"(?:(?:pawn|rook|queen|bishop|knight|minor-piece|minor piece)s?\s+)?"
    r"(?:game|position|ending|endgame|advantage)"
)
_DRAWN_ADJ = (
    r"(?:(?:dead|theoretical|book|clear|simple|easy|elementary|known|well-known|certain)\s+)*"
)
_POSITION = (
    rf"(?:(?:it|that)'s|(?:it|this|that|which|(?:the|this) (?:resulting\s+)?{_NOUN}|{_M})\s+{_ADV}"
    r"(?:is|remains|stays))\s+"
)
_TRADE_VERB = r"(?:exchange|trade|swap)(?:\s+off)?"
_TRADED = (
    r"(?:the\s+)?(?:last\s+)?(?:pair of\s+)?"
    r"(?P<piece>queens|rooks|bishops|knights|minor pieces|pieces)\b"
)
_MUST = r"(?:must|has to|needs to)"

WIN, DRAW, HOLD, LOSE = (1, 1), (0, 0), (0, 1), (-1, -1)

_NAMES = {WIN: "wins", DRAW: "draws", HOLD: "does not lose", LOSE: "loses"}
_VERBS = {
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
    LOSE: ("loses", "lose", "lost"),
}
_WORD = {WIN: "win", DRAW: "draw", HOLD: "hold", LOSE: "lose"}


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


@dataclass(frozen=True)
class Said:
    """A phrase found in a clause; ``side`` None: the mover, or nobody (see the phrase)."""

    phrase: Phrase
    side: Side | None
    piece: str
    why: str


def _phrase(
    name: str,
    pattern: str,
    kind: Kind,
    of: str,
    result: tuple[int, int] | None = None,
    *,
    moves: bool | None = None,
    free: str = "",
    other: bool = False,
) -> Phrase:
    low, high = result if result is not None else (None, None)
    compiled = re.compile(pattern, re.IGNORECASE)
    return Phrase(name, compiled, kind, of, low, high, moves, free, other)


def _results() -> list[Phrase]:
    """What is said of a result."""
    out: list[Phrase] = []

    def add(
        name: str, pattern: str, of: str, result: tuple[int, int], moves: bool | None = None
    ) -> None:
        out.append(_phrase(name, pattern, Kind.RESULT, of, result, moves=moves))

    for result, (third, plain, past) in _VERBS.items():
        end = _END if result in (WIN, HOLD) else _FIRM
        add("named verb", rf"{_S}\s+{_ADV}(?:{third}){end}", "named", result)
        add("move verb", rf"^{_LEAD}{_THIS}{_ADV}(?:{third}){end}", "mover", result, False)
        after = rf"(?:{_S}|{_M})\s+{_ADV}"
        add("would", rf"{after}(?:would|could)\s+{_ADV}(?:{plain}){_END}", "either", result, True)
        add(
            "would", rf"{after}(?:would|could) {_ADV}have\s+{_ADV}(?:{past}){_END}", "either",
            result, True,
        )  # fmt: skip
        add(
            "move verb", rf"{_M}\s+{_THIS}(?:and\s+)?{_ADV}(?:{third}){_END}", "mover", result, True
        )
    denied = r"(?:does not|doesn't|did not|would not|would not have|cannot)"
    add("move verb", rf"{_M} {_ADV}{denied} {_ADV}(?:win|won){_END}", "mover", (-1, 0), True)
    add("move verb", rf"{_M} {_ADV}{denied} {_ADV}(?:lose|lost){_END}", "mover", (0, 1), True)
    play = rf"{_S} to (?:move|play)"
    add("to move", rf"{play} (?:and )?{_ADV}wins?{_END}", "on move", WIN)
    add("to move", rf"{play} (?:and )?{_ADV}draws?{_END}", "on move", DRAW)
    add("to move", rf"{play} {_ADV}loses{_END}", "on move", LOSE)
    cannot = r"(?:cannot|can't|can not|can no longer|can never|does not|doesn't|no longer)"
    add("cannot", rf"{_S}\s+{_ADV}{cannot}\s+{_ADV}wins?{_FIRM}", "named", (-1, 0))
    add("cannot", rf"{_S}\s+{_ADV}{cannot}\s+{_ADV}loses?{_FIRM}", "named", (0, 1))
    cannot = r"(?:cannot|can't|can not|can no longer|can never)"
    hold = f"draw|{_VERBS[HOLD][1]}|be saved"
    add("cannot", rf"{_S}\s+{_ADV}{cannot}\s+{_ADV}(?:{hold}){_FIRM}", "named", LOSE)
    add("can", rf"{_S}\s+{_ADV}can\s+{_ADV}(?:win|force (?:a|the) win){_END}", "named", WIN)
    can = f"draw|{_VERBS[HOLD][1]}|force (?:a|the) draw"
    add("can", rf"{_S}\s+{_ADV}can\s+{_ADV}(?:{can}){_END}", "named", HOLD)
    for result, adjective in ((WIN, "winning|won"), (LOSE, "lost|losing|beyond saving")):
        no = (-1, 0) if result == WIN else (0, 1)
        be = rf"{_S}\s+{_ADV}(?:is|stands|remains)\s+"
        end = _END if result == WIN else _FIRM
        add("is", rf"{be}{_ADV}(?:{adjective}){end}", "named", result)
        add("is not", rf"{be}(?:not|no longer)\s+{_ADV}(?:{adjective}){_FIRM}", "named", no)
        was = rf"{_S}\s+{_ADV}(?:was|would (?:be|have been))\s+"
        add("would", rf"{was}{_ADV}(?:{adjective}){_END}", "named", result, True)
        add(
            "has", rf"{_S}\s+{_ADV}has\s+{_ADV}an?\s+{_ADV}(?:{adjective})\s+{_NOUN}{_END}",
            "named", result,
        )  # fmt: skip
        add("for", rf"\b(?:{adjective})\s+(?:{_NOUN}\s+)?for\s+{_S}", "named", result)
    add("has", rf"{_S}\s+has\s+{_ADV}an?\s+{_ADV}(?:decisive|crushing) {_NOUN}{_END}", "named", WIN)
    add("for", rf"\b(?:decisive|crushing) advantage for {_S}", "named", WIN)
    add("for", rf"\ba (?:clear |easy |simple |forced |elementary )?win for {_S}", "named", WIN)
    add("for", rf"\ba (?:theoretical |book |clear )?loss for {_S}", "named", LOSE)
    add("winning", rf"^{_LEAD}{_ADV}winning$", "mover", WIN, False)
    add("winning", rf"^{_LEAD}(?:this|the text|the move|the text move) is {_ADV}winning{_END}",
        "mover", WIN, False)  # fmt: skip
    add("winning", rf"{_M}\s+{_ADV}(?:is|was|would be|would have been) {_ADV}(?:winning|a win)"
        rf"{_END}", "mover", WIN, True)  # fmt: skip
    drawn = rf"(?:{_DRAWN_ADJ}drawn|an?\s+{_DRAWN_ADJ}draw)(?:\s+(?!game){_NOUN})?"
    add("drawn", rf"^{_LEAD}{_POSITION}{_ADV}{drawn}{_FIRM}", "nobody", DRAW)
    gives = r"(?:leads to|gives|reaches)"
    add("drawn", rf"{_M}\s+{gives} a {_DRAWN_ADJ}draw{_FIRM}", "nobody", DRAW, True)
    add("drawn", rf"^{_LEAD}(?:with\s+)?{_ADV}{drawn}{_FIRM}", "nobody", DRAW)
    clear = r"(?:dead|theoretical|book|clear|elementary)"
    add("drawn", rf"^{_LEAD}{clear} draw{_FIRM}", "nobody", DRAW)
    add("drawn", rf"(?:after|with)\s+{_M}\s+(?:it|the {_NOUN}) (?:is|would be|was|would have been) "
        rf"{_ADV}{drawn}{_FIRM}", "nobody", DRAW, True)  # fmt: skip
    add("drawn", rf"{_M}\s+{_ADV}(?:is|was|would be|would have been) {_ADV}{drawn}{_FIRM}",
        "nobody", DRAW, True)  # fmt: skip
    level = r"(?:equal|level|balanced)"
    add("equal", rf"^{_LEAD}(?:the {_NOUN}|chances|the chances) (?:is|are|remains?) {_ADV}{level}"
        rf"{_END}", "nobody", DRAW)  # fmt: skip
    add("equal", rf"^{_LEAD}{_ADV}(?:with\s+)?(?:an\s+)?(?:equal|level|equality|equal {_NOUN})$",
        "nobody", DRAW)  # fmt: skip
    return out


def _advantages() -> list[Phrase]:
    """Who stands better."""
    degree = r"(?:(?:slightly|much|a little|a bit|somewhat|clearly|far)\s+)?"
    size = r"(?:(?:slight|small|clear|big|large|great|serious|considerable|lasting)\s+)?"
    be = rf"{_S}\s+{_ADV}(?:is|stands|remains)\s+{_ADV}{degree}"
    return [
        _phrase("better", rf"{be}better{_END}", Kind.ADVANTAGE, "named"),
        _phrase("better", rf"{be}worse{_END}", Kind.ADVANTAGE, "named", other=True),
        _phrase(
            "better", rf"{_S}\s+{_ADV}has (?:the|an?) {size}(?:advantage|edge|upper hand){_END}",
            Kind.ADVANTAGE, "named",
        ),
        _phrase(
            "better", rf"^{_LEAD}(?:with )?(?:an?|the) {size}(?:advantage|edge) (?:for|to) {_S}",
            Kind.ADVANTAGE, "named",
        ),
        _phrase("unclear", rf"^{_LEAD}(?:the {_NOUN} is\s+)?{_ADV}unclear{_END}", Kind.UNCLEAR,
                "nobody"),
    ]  # fmt: skip


def _moves() -> list[Phrase]:
    """What is said of a move: that it is the only one, or that it costs something."""
    out: list[Phrase] = []
    for result, adjective in ((WIN, "winning"), (HOLD, "saving|drawing")):
        words = rf"{_WORD[result]}(?: the game)?" if result == WIN else f"draw|{_VERBS[HOLD][1]}"
        third = _VERBS[result][0] if result == WIN else f"draws|{_VERBS[HOLD][0]}"
        starts = ((rf"^{_LEAD}{_THIS}(?:is\s+)?", False), (rf"^{_LEAD}{_M} (?:is|was) ", True))
        for start, moves in starts:
            out += [
                _phrase("only move", rf"{start}the only (?:{adjective}) move{_END}", Kind.ONLY,
                        "mover", result, moves=moves),
                _phrase("only move", rf"{start}the only (?:move|way)(?: to (?:{words})| that (?:"
                        rf"{third})){_END}", Kind.ONLY, "mover", result, moves=moves),
            ]  # fmt: skip
        out += [
            _phrase("only move", rf"^{_LEAD}the only (?:{adjective}) move (?:is|was) {_M}$",
                    Kind.ONLY, "mover", result, moves=True),
            _phrase("only move", rf"^{_LEAD}the only (?:move|way) to (?:{words}) (?:is|was) {_M}$",
                    Kind.ONLY, "mover", result, moves=True),
            _phrase("only move", rf"^{_LEAD}only {_M} (?:{third}|would (?:{words})|would have "
                    rf"{_VERBS[result][2]}){_END}", Kind.ONLY, "mover", result, moves=True),
            _phrase("only move", rf"^{_LEAD}only this(?: move)? (?:{third}){_END}",
                    Kind.ONLY, "mover", result, moves=False),
        ]  # fmt: skip
    the = r"(?:the\s+|an?\s+)?"
    only = r"only (?:good |correct |possible )?move"
    this = rf"^{_LEAD}(?:(?:this|it|the move|the text) is\s+)?{_ADV}"
    out += [
        _phrase("only move", rf"^{_LEAD}{_THIS}(?:is\s+)?{the}{only}$", Kind.ONLY, "mover",
                moves=False),
        _phrase("only move", rf"^{_LEAD}{_S}'s {only}$", Kind.ONLY, "named", moves=False),
        _phrase("only move", rf"^{_LEAD}the {only} (?:is|was) {_M}$", Kind.ONLY, "mover",
                moves=True),
        _phrase("only move", rf"^{_LEAD}{_M} (?:is|was) the {only}$", Kind.ONLY, "mover",
                moves=True),
        _phrase("forced", rf"{this}(?:forced|a forced move)$", Kind.ONLY, "mover", moves=False),
    ]  # fmt: skip
    give = r"(?:throws|gives|lets|spoils|misses|squanders|throwing|giving|letting|missing|spoiling)"
    away = r"(?:\s+(?:away|slip|go))?"
    for result, word in ((WIN, "win"), (HOLD, "draw")):
        after = r"(?:\s+slip|\s+go|\s+away)?"
        out.append(
            _phrase("gives away", rf"^{_LEAD}{_THIS}{_ADV}{give}{away} the {word}{after}{_END}",
                    Kind.SPOILS, "mover", result, moves=False)
        )  # fmt: skip
    word = r"(?:losing move|decisive error|losing error|fatal error)"
    it = r"(?:(?:this|that|it) (?:is|was)\s+)?"
    out.append(
        _phrase("losing move", rf"^{_LEAD}{it}the {word}{_END}", Kind.SPOILS, "mover", LOSE,
                moves=False, free="was")
    )  # fmt: skip
    return out


def _others() -> list[Phrase]:
    """Zugzwang, and trades that must or must not be made."""
    side = rf"{_S}\s+{_ADV}(?:is\s+)?{_ADV}in zugzwang{_END}"
    ing = r"(?:exchanging|trading|swapping)(?:\s+off)?"
    it = (
        r"(?:(?:with|it's|it|this|that|which|is|we have|there is|one|a|an|the|case|position|of)"
        r"\s+)*"
    )
    out = [
        _phrase("mutual zugzwang", rf"^{_LEAD}{it}(?:mutual|reciprocal) zugzwang(?: again)?$",
                Kind.MUTUAL, "nobody"),
        _phrase("zugzwang", side, Kind.ZUGZWANG, "named"),
        _phrase("zugzwang", rf"^{_LEAD}zugzwang$", Kind.ZUGZWANG, "to move", moves=False),
        _phrase("must trade", rf"{_S}\s+{_ADV}{_MUST}\s+{_ADV}{_TRADE_VERB} {_TRADED}",
                Kind.MUST_TRADE, "named", moves=False),
        _phrase("must not trade", rf"{_S}\s+{_ADV}(?:must (?:not|never)|mustn't|cannot afford "
                rf"to|can't afford to)\s+{_TRADE_VERB} {_TRADED}", Kind.MUST_NOT_TRADE, "named",
                moves=False),
        _phrase("must not trade", rf"{_S}\s+{_ADV}{_MUST}\s+{_ADV}avoid (?:{ing}|(?:the|an) "
                rf"(?:exchange|trade) of) {_TRADED}", Kind.MUST_NOT_TRADE, "named", moves=False,
                free="avoid"),
    ]  # fmt: skip
    the = rf"^{_LEAD}(?:(?:the |an )?(?:exchange|trade|swap) of|{ing}) {_TRADED} "
    for result in (WIN, DRAW, LOSE):
        verb, plain, _ = _VERBS[result]
        said = rf"(?:{verb}|would {plain})"
        out += [
            _phrase("trade", rf"{the}{_ADV}{said}{_END}(?! for)", Kind.TRADE, "to move", result,
                    moves=False, free="would"),
        ]  # fmt: skip
    return out


PHRASES: tuple[Phrase, ...] = (*_others(), *_moves(), *_results(), *_advantages())
"""All phrases; the first that is found in a clause counts."""

# --- what makes a phrase no claim ---------------------------------------------------------------

DOUBTS: dict[str, str] = {
    "another case": (
        "if|unless|when|whenever|once|provided|as long|as soon|otherwise|else|in case|suppose|"
        "supposing|assuming|were|had|would|could|might|may|should|until|till|so that|lest|then|"
        "after|followed by|"
        "to move|to play|in that case|in which case|any other|other moves|anything else|"
        "everything else|in this line|in that line|in the other line|in this variation"
    ),
    "a guess": (
        "probably|perhaps|maybe|possibly|presumably|likely|seem|seems|seemed|look|looks|looked|"
        "appear|appears|apparently|almost|nearly|practically|virtually|chances of|hardly|"
        "i think|i believe|in my opinion|should|ought|hard to|difficult to|risk|risks|danger|"
        "close to|not clear|for practical purposes|in practice|soon"
    ),
    "an opinion": (
        "say|says|said|writes|wrote|claim|claims|claimed|think|thinks|thought|believe|believed|"
        "believes|considered|considers|according to|assumed|assumes|feared|expected|assessed|"
        "judged|stated|whether|who|find out|show that|question"
    ),
    "an aim": (
        "threat|threats|threaten|threatens|threatened|threatening|in order|idea|ideas|plan|"
        "plans|planned|planning|hope|hopes|hoped|hoping|try|tries|tried|trying|attempt|attempts|"
        "attempted|attempting|want|wants|wanted|aim|aims|aimed|aiming|prevent|prevents|"
        "prevented|preventing|avoid|avoids|avoided|avoiding|instead of|rather than|dream|dreams|"
        "dreamt|dreaming"
    ),
    "an earlier position": (
        "was|were|had been|earlier|before|previously|used to"
    ),
    "how the game went": (
        "agree|agreed|agrees|agreement|offer|offered|offers|resign|resigns|resigned|resignation|"
        "on time|time trouble|flag|tournament|match|prize|championship|round|title|"
        "the game is drawn|the game was drawn|the game is won|the game was won|the game ended"
    ),
}
"""Words, between bars, that make a phrase no claim, by what they tell."""

_DOUBTS = {
    what: re.compile(rf"\b(?:{words})\b", re.IGNORECASE) for what, words in DOUBTS.items()
}
_TELLS = {
    "another case": "speaks of another case",
    "a guess": "a guess rather than a claim",
    "an opinion": "told as an opinion or a question",
    "an aim": "tells an aim",
    "an earlier position": "speaks of an earlier position",
    "how the game went": "tells how the game went",
}
_AT_ONCE = re.compile(r"\bat once\b", re.IGNORECASE)
_NOT = re.compile(r"\b(?:not|never|no longer|neither|nor|no|without)\b|n't\b", re.IGNORECASE)
_WITH = re.compile(
    r"with\b(?! (?:best|correct|accurate|perfect|this|mutual|reciprocal|a|an|the advantage|"
    r"the edge|equality|equal)\b)",
    re.IGNORECASE,
)
_LEADING = re.compile(
    rf"\b(?:even\s+)?(?:if|after|on|when|once|then|with|by|in case of)\s+(?={MOVES})", re.IGNORECASE
)

_WITH_MOVES = frozenset({"would", "could", "had", "was", "were"})


def read(clause: str, sentence: str, *, has_moves: bool) -> Said | None:
    """The statement in a clause, None if there is none.

    Args:
        clause: masked text of the clause.
        sentence: masked text of the sentence that it belongs to.
        has_moves: moves stand in the clause.
    """
    for phrase in PHRASES:
        if phrase.moves is not None and phrase.moves != has_moves:
            continue
        found = phrase.pattern.search(clause)
        if found is None:
            continue
        named = found.groupdict().get("side")
        side = _side(named) if named else None
        if side is not None and phrase.other:
            side = side.other
        piece = (found.groupdict().get("piece") or "").lower()
        return Said(phrase, side, piece, _why(phrase, clause, sentence, found, has_moves))
    return None


def _side(name: str) -> Side:
    return Side.WHITE if name[0] in ("w", "W", WHITE_NAME) else Side.BLACK


def _why(
    phrase: Phrase, clause: str, sentence: str, found: re.Match[str], has_moves: bool
) -> str:
    """Why a phrase is no claim that can be checked; "" if it is one."""
    free = frozenset(phrase.free.split()) | (_WITH_MOVES if has_moves else frozenset())
    text = _LEADING.sub(" ", clause)
    around = text if has_moves else sentence

    def first(pattern: re.Pattern[str], where: str) -> str:
        words = (match[0] for match in pattern.finditer(where))
        return next((word for word in words if word.lower() not in free), "")

    wide = {"another case": around, "an earlier position": around, "an opinion": sentence,
            "how the game went": sentence}  # fmt: skip
    if phrase.of == "on move":
        wide["another case"] = re.sub(r"\bto (?:move|play)\b", "", around, count=1)
    if _WITH.match(text):
        return 'speaks of another case ("with")'
    for what, pattern in _DOUBTS.items():
        if word := first(pattern, _AT_ONCE.sub("", wide.get(what, text))):
            return f'{_TELLS[what]} ("{word}")'
    if _NOT.search(clause[: found.start()]):
        return "a denial that leaves open what holds instead"
    return ""


def claim(side: str, low: int, high: int) -> str:
    """A result in words: ``White wins``, ``Black does not lose``."""
    if (low, high) == DRAW:
        return "the position is drawn"
    if (low, high) == (-1, 0):
        return f"{side} does not win"
    return f"{side} {_NAMES[low, high]}"
