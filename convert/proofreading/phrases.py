"""Which English words are read as a statement: patterns over one clause of a comment.

Precision before recall: a phrase is read only where its subject and what follows it leave no doubt
(``White wins a pawn`` says nothing of the result), and not at all in a question.  Where a phrase is
found but the clause speaks of another case, hedges or reports somebody's opinion, `Said.why` says
so.  The list in docs/proofread.md is made from `PHRASES`.
"""

from __future__ import annotations

from dataclasses import dataclass

from convert.model import Side
from convert.model.findings import Kind
from convert.proofreading.blocks import (
    ADV,
    DRAW,
    DRAWN_ADJ,
    END,
    FIRM,
    HOLD,
    LEAD,
    LOSE,
    MUST,
    NOUN,
    POSITION,
    THIS,
    TRADE_VERB,
    TRADED,
    VERBS,
    WIN,
    WON,
    M,
    Phrase,
    S,
    phrase_of,
)
from convert.proofreading.comments import (
    BLACK_BETTER,
    BLACK_WINS,
    LEVEL,
    NAME_REST,
    UNCLEAR,
    WHITE_BETTER,
    WHITE_NAME,
    WHITE_WINS,
)
from convert.proofreading.move_phrases import about_moves
from convert.proofreading.scope import PhraseUse, Surroundings, why_not


@dataclass(frozen=True)
class Said:
    """A phrase found in a clause; ``side`` None: the mover, or nobody (see the phrase)."""

    phrase: Phrase
    side: Side | None
    piece: str
    why: str


_NAMES = {WIN: "wins", DRAW: "draws", HOLD: "does not lose", LOSE: "loses"}


# long: one phrase after the other, each with what it claims
def _results() -> list[Phrase]:
    """What is said of a result."""
    out: list[Phrase] = []

    def add(
        name: str, pattern: str, of: str, result: tuple[int, int], moves: bool | None = None
    ) -> None:
        denies = name in ("cannot", "is not")
        out.append(phrase_of(name, pattern, Kind.RESULT, of, result, moves=moves, denies=denies))

    for result, (third, plain, past) in VERBS.items():
        end = WON if result == WIN else END if result == HOLD else FIRM
        if result in (WIN, LOSE):
            add("named verb", rf"{S}\s+{ADV}will\s+{ADV}(?:{plain}){FIRM}", "named", result)
        if result == HOLD:
            add("move verb", rf"^{LEAD}{THIS}{ADV}(?:{past}){end}", "mover", result, False)
        if result in (WIN, HOLD):
            add("move verb", rf"{M}\s+{ADV}(?:{past}){end}", "mover", result, True)
        add("named verb", rf"{S}\s+{ADV}(?:{third}){end}", "named", result)
        add("move verb", rf"^{LEAD}{THIS}{ADV}(?:{third}){end}", "mover", result, False)
        after = rf"(?:{S}|{M})\s+{ADV}"
        add("would", rf"{after}(?:would|could)\s+{ADV}(?:{plain}){END}", "either", result, True)
        add(
            "would",
            rf"{after}(?:would|could) {ADV}have\s+{ADV}(?:{past}){END}",
            "either",
            result,
            True,
        )
        add("move verb", rf"{M}\s+{THIS}(?:and\s+)?{ADV}(?:{third}){END}", "mover", result, True)
    denied = r"(?:does not|doesn't|did not|would not|would not have|cannot)"
    add("move verb", rf"{M} {ADV}{denied} {ADV}(?:win|won){END}", "mover", (-1, 0), True)
    add("move verb", rf"{M} {ADV}{denied} {ADV}(?:lose|lost){END}", "mover", (0, 1), True)
    play = rf"{S} to (?:move|play)"
    add("to move", rf"{play} (?:and )?{ADV}wins?{END}", "on move", WIN)
    add("to move", rf"{play} (?:and )?{ADV}draws?{END}", "on move", DRAW)
    add("to move", rf"{play} {ADV}loses{END}", "on move", LOSE)
    cannot = r"(?:cannot|can't|can not|can no longer|can never|does not|doesn't|no longer)"
    add("cannot", rf"{S}\s+{ADV}{cannot}\s+{ADV}wins?{FIRM}", "named", (-1, 0))
    add("cannot", rf"{S}\s+{ADV}{cannot}\s+{ADV}loses?{FIRM}", "named", (0, 1))
    cannot = r"(?:cannot|can't|can not|can no longer|can never)"
    hold = f"draw|{VERBS[HOLD][1]}|be saved"
    add("cannot", rf"{S}\s+{ADV}{cannot}\s+{ADV}(?:{hold}){FIRM}", "named", LOSE)
    without = r"(?:with or without the move\s+)?"
    add(
        "can",
        rf"{S}\s+{ADV}{without}can\s+{ADV}(?:win|force (?:a|the) win){WON}",
        "named",
        WIN,
    )
    add("cannot", rf"{S}\s+{ADV}has\s+{ADV}no win{FIRM}", "named", (-1, 0))
    add("cannot", rf"^{LEAD}there is {ADV}no win for {S}{FIRM}", "named", (-1, 0))
    can = f"draw|{VERBS[HOLD][1]}|force (?:a|the) draw"
    add("can", rf"{S}\s+{ADV}can\s+{ADV}(?:{can}){END}", "named", HOLD)
    for result, adjective in ((WIN, "winning|won"), (LOSE, "lost|losing|beyond saving")):
        no = (-1, 0) if result == WIN else (0, 1)
        be = rf"{S}\s+{ADV}(?:is|stands|remains)\s+"
        end = END if result == WIN else FIRM
        add("is", rf"{be}{ADV}(?:{adjective}){end}", "named", result)
        add("is not", rf"{be}(?:not|no longer)\s+{ADV}(?:{adjective}){FIRM}", "named", no)
        was = rf"{S}\s+{ADV}(?:was|would (?:be|have been))\s+"
        add("would", rf"{was}{ADV}(?:{adjective}){END}", "named", result, True)
        add(
            "has",
            rf"{S}\s+{ADV}has\s+{ADV}an?\s+{ADV}(?:easily[ -])?(?:{adjective})\s+{NOUN}"
            rf"{FIRM}",
            "named",
            result,
        )
        add(
            "for",
            rf"^{LEAD}(?:{POSITION}|with an?\s+|an?\s+)?{ADV}(?:easily\s+)?(?:{adjective})\s+"
            rf"(?:{NOUN}\s+)?for\s+{S}{FIRM}",
            "named",
            result,
        )
        gone = "winning|won" if result == WIN else "lost|hopeless|gone"
        add(
            "is",
            rf"{S}'s\s+{NOUN}\s+(?:is|remains)\s+{ADV}(?:altogether\s+)?(?:{gone}){FIRM}",
            "named",
            result,
        )
    add("has", rf"{S}\s+has\s+{ADV}an?\s+{ADV}(?:decisive|crushing) {NOUN}{END}", "named", WIN)
    add("is", rf"{S}'s advantage is {ADV}decisive{FIRM}", "named", WIN)
    start = rf"^{LEAD}(?:{POSITION}|with\s+)?{ADV}"
    add("for", rf"{start}(?:an?\s+)?(?:decisive|crushing) advantage for {S}{FIRM}", "named", WIN)
    kinds = r"(?:(?:clear|easy|simple|forced|elementary|trivial|theoretical|book)\s+)?"
    add("for", rf"{start}(?:an?\s+)?{kinds}win for {S}{FIRM}", "named", WIN)
    add("for", rf"{start}(?:an?\s+)?{kinds}loss for {S}{FIRM}", "named", LOSE)
    add("winning", rf"^{LEAD}{ADV}winning$", "mover", WIN, False)
    add(
        "winning",
        rf"^{LEAD}(?:this|the text|the move|the text move) is {ADV}winning{END}",
        "mover",
        WIN,
        False,
    )
    add(
        "winning",
        rf"{M}\s+{ADV}(?:is|was|would be|would have been) {ADV}(?:winning|a win)"
        rf"{END}",
        "mover",
        WIN,
        True,
    )
    drawn = rf"(?:{DRAWN_ADJ}drawn|an?\s+{DRAWN_ADJ}draw)(?:\s+(?!game){NOUN})?"
    add("drawn", rf"^{LEAD}{POSITION}{ADV}{drawn}{FIRM}", "nobody", DRAW)
    gives = r"(?:leads to|gives|reaches)"
    add("drawn", rf"{M}\s+{gives} a {DRAWN_ADJ}draw{FIRM}", "nobody", DRAW, True)
    add("drawn", rf"^{LEAD}(?:with\s+)?(?:an?\s+)?{ADV}{drawn}{FIRM}", "nobody", DRAW)
    clear = r"(?:dead|theoretical|book|clear|elementary)"
    add("drawn", rf"^{LEAD}{clear} draw{FIRM}", "nobody", DRAW)
    add(
        "drawn",
        rf"(?:after|with)\s+{M}\s+(?:it|the {NOUN}) (?:is|would be|was|would have been) "
        rf"{ADV}{drawn}{FIRM}",
        "nobody",
        DRAW,
        True,
    )
    add(
        "drawn",
        rf"{M}\s+{ADV}(?:is|was|would be|would have been) {ADV}{drawn}{FIRM}",
        "nobody",
        DRAW,
        True,
    )
    level = r"(?:equal|level|balanced)"
    add(
        "equal",
        rf"^{LEAD}(?:the {NOUN}|chances|the chances) (?:is|are|remains?) {ADV}{level}"
        rf"{END}",
        "nobody",
        DRAW,
    )
    add(
        "equal",
        rf"^{LEAD}{ADV}(?:with\s+)?(?:an\s+)?(?:equal|level|equality|equal {NOUN})$",
        "nobody",
        DRAW,
    )
    return out


def _advantages() -> list[Phrase]:
    """Who stands better."""
    degree = r"(?:(?:slightly|much|a little|a bit|somewhat|clearly|far)\s+)?"
    size = r"(?:(?:slight|small|clear|big|large|great|serious|considerable|lasting)\s+)?"
    be = rf"{S}\s+{ADV}(?:is|stands|remains)\s+{ADV}{degree}"
    has = rf"{S}\s+(?:who\s+)?{ADV}has {ADV}"
    game = r"(?:game|position|ending|endgame)"
    return [
        phrase_of("better", rf"{be}better{FIRM}", Kind.ADVANTAGE, "named"),
        phrase_of("better", rf"{be}worse{FIRM}", Kind.ADVANTAGE, "named", other=True),
        phrase_of(
            "better",
            rf"{has}(?:the|an?) {size}(?:advantage|edge|upper hand)(?: (?:of|in) position)?{FIRM}",
            Kind.ADVANTAGE,
            "named",
            free="who",
        ),
        phrase_of(
            "better",
            rf"{has}(?:the|an?) (?:{degree}(?:better|superior) {game}|best of (?:it|the {game}))"
            rf"{FIRM}",
            Kind.ADVANTAGE,
            "named",
        ),
        phrase_of(
            "better",
            rf"{has}(?:the|an?) {degree}(?:worse|inferior) {game}{FIRM}",
            Kind.ADVANTAGE,
            "named",
            other=True,
        ),
        phrase_of(
            "better",
            rf"^{LEAD}(?:with )?(?:(?:an?|the) )?{size}(?:advantage|edge) (?:for|to) {S}{FIRM}",
            Kind.ADVANTAGE,
            "named",
        ),
        phrase_of(
            "unclear", rf"^{LEAD}(?:the {NOUN} is\s+)?{ADV}unclear{END}", Kind.UNCLEAR, "nobody"
        ),
    ]


def _others() -> list[Phrase]:
    """Zugzwang, and trades that must or must not be made."""
    side = rf"{S}\s+{ADV}(?:is\s+)?{ADV}in zugzwang{END}"
    ing = r"(?:exchanging|trading|swapping)(?:\s+off)?"
    it = (
        r"(?:(?:with|it's|it|this|that|which|is|we have|there is|one|a|an|the|case|position|of)"
        r"\s+)*"
    )
    out = [
        phrase_of(
            "mutual zugzwang",
            rf"^{LEAD}{it}(?:mutual|reciprocal) zugzwang(?: again)?$",
            Kind.MUTUAL,
            "nobody",
        ),
        phrase_of("zugzwang", side, Kind.ZUGZWANG, "named"),
        phrase_of("zugzwang", rf"^{LEAD}zugzwang$", Kind.ZUGZWANG, "to move", moves=False),
        phrase_of(
            "must trade",
            rf"{S}\s+{ADV}{MUST}\s+{ADV}{TRADE_VERB} {TRADED}",
            Kind.MUST_TRADE,
            "named",
            moves=False,
        ),
        phrase_of(
            "must not trade",
            rf"{S}\s+{ADV}(?:must (?:not|never)|mustn't|cannot afford "
            rf"to|can't afford to)\s+{TRADE_VERB} {TRADED}",
            Kind.MUST_NOT_TRADE,
            "named",
            moves=False,
        ),
        phrase_of(
            "must not trade",
            rf"{S}\s+{ADV}{MUST}\s+{ADV}avoid (?:{ing}|(?:the|an) "
            rf"(?:exchange|trade) of) {TRADED}",
            Kind.MUST_NOT_TRADE,
            "named",
            moves=False,
            free="avoid",
        ),
    ]
    the = rf"^{LEAD}(?:(?:the |an )?(?:exchange|trade|swap) of|{ing}) {TRADED} "
    for result in (WIN, DRAW, LOSE):
        verb, plain, _ = VERBS[result]
        said = rf"(?:{verb}|would {plain})"
        out += [
            phrase_of(
                "trade",
                rf"{the}{ADV}{said}{END}(?! for)",
                Kind.TRADE,
                "to move",
                result,
                moves=False,
                free="would",
            ),
        ]
    return out


def _signs() -> list[Phrase]:
    """The signs that stand for words in older and newer notes; they end their clause."""
    out = [
        phrase_of("sign", rf"{sign}{NAME_REST}*$", Kind.RESULT, "named", WIN, sign=side)
        for sign, side in (
            (WHITE_WINS, Side.WHITE),
            (BLACK_WINS, Side.BLACK),
        )
    ]
    out.append(phrase_of("sign", rf"{LEVEL}{NAME_REST}*$", Kind.RESULT, "nobody", DRAW))
    out += [
        phrase_of("sign better", rf"{sign}{NAME_REST}*$", Kind.ADVANTAGE, "named", sign=side)
        for sign, side in ((WHITE_BETTER, Side.WHITE), (BLACK_BETTER, Side.BLACK))
    ]
    out.append(phrase_of("sign unclear", rf"{UNCLEAR}$", Kind.UNCLEAR, "nobody"))
    return out


PHRASES: tuple[Phrase, ...] = (
    *_others(),
    *about_moves(),
    *_results(),
    *_advantages(),
    *_signs(),
)
"""All phrases; the first that is found in a clause counts."""

# --- reading ------------------------------------------------------------------------------------


def read(clause: str, around: Surroundings, *, has_moves: bool) -> Said | None:
    """The statement in a clause, None if there is none.

    Args:
        clause: masked text of the clause.
        around: what stands about it.
        has_moves: moves stand in the clause.
    """
    for phrase in PHRASES:
        if phrase.moves is not None and phrase.moves != has_moves:
            continue
        match = phrase.pattern.search(clause)
        if match is None:
            continue
        named = match.groupdict().get("side")
        side = _side(named) if named else phrase.sign
        if side is not None and phrase.other:
            side = side.other
        piece = (match.groupdict().get("piece") or "").lower()
        asked = PhraseUse(phrase.of, phrase.free, phrase.denies, phrase.kind in _OF_RESULTS)
        why = why_not(asked, clause, match, around, has_moves=has_moves)
        return Said(phrase, side, piece, why)
    return None


_OF_RESULTS = frozenset({Kind.RESULT, Kind.ADVANTAGE, Kind.SPOILS, Kind.ONLY})


def _side(name: str) -> Side:
    return Side.WHITE if name[0] in ("w", "W", WHITE_NAME) else Side.BLACK


def claim(side: str, low: int, high: int) -> str:
    """A result in words: ``White wins``, ``Black does not lose``."""
    if (low, high) == DRAW:
        return "the position is drawn"
    if (low, high) == (-1, 0):
        return f"{side} does not win"
    return f"{side} {_NAMES[low, high]}"
