"""Phrases about a move: that it is the only one, that it was needed, or that it costs something."""

from __future__ import annotations

from convert.model.findings import Kind
from convert.proofreading.blocks import (
    ADV,
    END,
    FIRM,
    HOLD,
    LEAD,
    LOSE,
    PLAIN,
    THIS,
    VERBS,
    WIN,
    M,
    Phrase,
    S,
    phrase_of,
)


# long: one phrase after the other, each with what it claims
def about_moves() -> list[Phrase]:
    """What is said of a move: that it is the only one, or that it costs something."""
    out: list[Phrase] = []
    for result, adjective in ((WIN, "winning"), (HOLD, "saving|drawing")):
        words = rf"{PLAIN[result]}(?: the game)?" if result == WIN else f"draw|{VERBS[HOLD][1]}"
        third = VERBS[result][0] if result == WIN else f"draws|{VERBS[HOLD][0]}"
        starts = ((rf"^{LEAD}{THIS}(?:is\s+)?", False), (rf"^{LEAD}{M} (?:is|was) ", True))
        for start, moves in starts:
            out += [
                phrase_of(
                    "only move",
                    rf"{start}the only (?:{adjective}) (?:move|continuation|reply){END}",
                    Kind.ONLY,
                    "mover",
                    result,
                    moves=moves,
                ),
                phrase_of(
                    "only move",
                    rf"{start}the only (?:move|way)(?: to (?:{words})| that (?:"
                    rf"{third})){END}",
                    Kind.ONLY,
                    "mover",
                    result,
                    moves=moves,
                ),
            ]
        out += [
            phrase_of(
                "only move",
                rf"^{LEAD}the only (?:{adjective}) move (?:is|was) {M}$",
                Kind.ONLY,
                "mover",
                result,
                moves=True,
            ),
            phrase_of(
                "only move",
                rf"^{LEAD}the only (?:move|way) to (?:{words}) (?:is|was) {M}$",
                Kind.ONLY,
                "mover",
                result,
                moves=True,
            ),
            phrase_of(
                "only move",
                rf"^{LEAD}only {M} (?:{third}|would (?:{words})|(?:would have )?"
                rf"(?:{VERBS[result][2]})){END}",
                Kind.ONLY,
                "mover",
                result,
                moves=True,
            ),
            phrase_of(
                "only move",
                rf"^{LEAD}only this(?: move)? (?:{third}){END}",
                Kind.ONLY,
                "mover",
                result,
                moves=False,
            ),
        ]
    the = r"(?:the\s+|an?\s+)?"
    only = r"only (?:good |correct |possible )?move"
    this = rf"^{LEAD}(?:(?:this|it|the move|the text) is\s+)?{ADV}"
    out += [
        phrase_of(
            "only move", rf"^{LEAD}{THIS}(?:is\s+)?{the}{only}$", Kind.ONLY, "mover", moves=False
        ),
        phrase_of("only move", rf"^{LEAD}{S}'s {only}$", Kind.ONLY, "named", moves=False),
        phrase_of(
            "only move", rf"^{LEAD}the {only} (?:is|was) {M}$", Kind.ONLY, "mover", moves=True
        ),
        phrase_of(
            "only move", rf"^{LEAD}{M} (?:is|was) the {only}$", Kind.ONLY, "mover", moves=True
        ),
        phrase_of("forced", rf"{this}(?:forced|a forced move)$", Kind.ONLY, "mover", moves=False),
        phrase_of(
            "forced",
            rf"^{LEAD}(?:(?:this|it|the move|the text|the text move) (?:is|was)\s+)?{ADV}"
            r"(?:necessary|a necessary move)$",
            Kind.ONLY,
            "mover",
            moves=False,
            free="was",
        ),
        phrase_of(
            "forced",
            rf"^{LEAD}{M} (?:is|was) {ADV}(?:necessary|forced)$",
            Kind.ONLY,
            "mover",
            moves=True,
        ),
        phrase_of(
            "forced",
            rf"^{LEAD}(?:necessary|forced) (?:is|was) {M}$",
            Kind.ONLY,
            "mover",
            moves=True,
        ),
    ]
    other = r"(?:(?:any|every) other(?: move)?|all other moves|(?:any|every)thing else|all else)"
    nothing = r"(?:no other move|nothing else)"
    for result, words in (
        (HOLD, rf"{other} (?:loses?|would lose|would have lost)"),
        (HOLD, rf"{nothing} (?:draws|holds|saves the game|would have held)"),
        (WIN, rf"{nothing} (?:wins|would have won|won)"),
        (WIN, rf"{other} (?:only )?(?:draws?|would draw|gives the win away)"),
    ):
        out.append(
            phrase_of(
                "only move",
                rf"^{LEAD}{words}$",
                Kind.ONLY,
                "mover",
                result,
                moves=False,
                free="would|any other|other moves|anything else|everything else|else",
            )
        )
    give = (
        r"(?:throws|gives|lets|spoils|misses|squanders|throwing|giving|letting|missing|spoiling|"
        r"threw|gave|let|spoilt|missed|squandered)"
    )
    away = r"(?:\s+(?:away|slip|go))?"
    for result, word in ((WIN, "win"), (HOLD, "draw")):
        after = r"(?:\s+slip(?:\s+away)?|\s+go|\s+away|\s+escape)?"
        for start in (THIS, rf"{S}\s+"):
            out.append(
                phrase_of(
                    "gives away",
                    rf"^{LEAD}{start}{ADV}{give}{away} the {word}{after}{FIRM}",
                    Kind.SPOILS,
                    "mover",
                    result,
                    moves=False,
                )
            )
        out.append(
            phrase_of(
                "gives away",
                rf"^{LEAD}(?:now\s+)?the {word} (?:is|has) {ADV}"
                rf"(?:gone|slipped away|thrown away|given away|spoilt){FIRM}",
                Kind.SPOILS,
                "mover",
                result,
                moves=False,
            )
        )
    word = r"(?:losing|decisive|fatal) (?:move|mistake|error|blunder|slip)"
    it = r"(?:(?:this|that|it) (?:is|was)\s+)?(?:the|a)"
    out.append(
        phrase_of(
            "losing move",
            rf"^{LEAD}{it} {word}$",
            Kind.SPOILS,
            "mover",
            LOSE,
            moves=False,
            free="was",
        )
    )
    return out
