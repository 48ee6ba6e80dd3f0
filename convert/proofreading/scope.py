"""Whether a phrase that was found is a claim about this position: what stands about it.

``White wins`` claims something of the position on the board only where nothing near it speaks of
another one: a condition, another diagram, another placing of a man, a heading, a hope, somebody's
opinion.  What a clause or sentence may begin with is listed rather than what it may not: words
before a phrase that are neither a known lead-in nor a sentence of their own ("A rank higher and
White wins") tell of another position more often than not.
"""

from __future__ import annotations

import re
from dataclasses import dataclass

from convert.proofreading.comments import BLACK_NAME, MOVES, NAME_REST, REST, WHITE_NAME

_M = f"{MOVES}{REST}*"
_BEST = r"(?:best|correct|accurate|perfect|proper|exact)"

DOUBTS: dict[str, str] = {
    "another case": (
        "if|unless|when|whenever|once|provided|as long|as soon|otherwise|else|in case|suppose|"
        "supposing|assuming|were|had|would|could|might|may|should|until|till|so that|lest|then|"
        "after|followed by|"
        "to move|to play|in that case|in which case|any other|other moves|anything else|"
        "everything else|in this line|in that line|in the other line|in this variation|"
        "whoever|the side that|the side with|he who|either way"
    ),
    "another position": (
        "diagram|diagrams|figure|example|exercise|problem|study|chapter|such a position|"
        "such positions|such endings|such an ending|such cases|similar position|similar positions|"
        "positions of this kind|endings of this kind|same position|same ending|following position|"
        "other game|other room|in the last game|next game|famous game|mirror|colours reversed"
    ),
    "a guess": (
        "probably|perhaps|maybe|possibly|presumably|likely|seem|seems|seemed|look|looks|looked|"
        "appear|appears|apparently|almost|nearly|practically|virtually|chances of|hardly|"
        "i think|i believe|in my opinion|should|ought|hard to|difficult to|risk|risks|danger|"
        "close to|not clear|for practical purposes|in practice|soon|doubt|doubtful|wonder|"
        "not sure|far from|may be said|can be said|be said"
    ),
    "an opinion": (
        "say|says|said|writes|wrote|claim|claims|claimed|think|thinks|thought|believe|believed|"
        "believes|considered|considers|according to|assumed|assumes|feared|expected|assessed|"
        "judged|stated|whether|who|find out|to show that|question|call|calls|called|told|nobody|"
        "the books|old books|under the impression|opinions|legend|tempting|rash|wrong to"
    ),
    "an aim": (
        "threat|threats|threaten|threatens|threatened|threatening|in order|idea|ideas|plan|"
        "plans|planned|planning|hope|hopes|hoped|hoping|try|tries|tried|trying|attempt|attempts|"
        "attempted|attempting|want|wants|wanted|aim|aims|aimed|aiming|prevent|prevents|"
        "prevented|preventing|avoid|avoids|avoided|avoiding|instead of|rather than|dream|dreams|"
        "dreamt|dreaming|trap"
    ),
    "an earlier position": ("was|were|had been|earlier|before|previously|used to|ago|all along"),
    "how the game went": (
        "agree|agreed|agrees|agreement|offer|offered|offers|resign|resigns|resigned|resignation|"
        "on time|time trouble|flag|tournament|match|prize|championship|round|title|"
        "the game is drawn|the game was drawn|the game is won|the game was won|the game ended|"
        "the present game"
    ),
}
"""Words, between bars, that make a phrase no claim, by what they tell."""

_DOUBTS = {what: re.compile(rf"\b(?:{words})\b", re.IGNORECASE) for what, words in DOUBTS.items()}
_TELLS = {
    "another case": "speaks of another case",
    "another position": "speaks of another position",
    "a guess": "a guess rather than a claim",
    "an opinion": "told as an opinion or a question",
    "an aim": "tells an aim",
    "an earlier position": "speaks of an earlier position",
    "how the game went": "tells how the game went",
}

PLACING = (
    "place|put|move|shift|remove|take|add|give|exchange|let|imagine|picture|assume|compare|see|"
    "swap|replace|turn|leave|consider|set|push|say|think|note|trade"
)
"""Words that begin a sentence of another placing of the men ("Put the king on e6 and ...")."""

LEADS = (
    "and|but|so|now|here|still|thus|therefore|hence|again|also|well|yes|however|consequently|"
    "nevertheless|nonetheless|yet|of course|in fact|indeed|clearly|obviously|evidently|"
    "objectively|theoretically|unfortunately|fortunately|alas|as a result|in short|in any case|"
    "finally|at last|already|even|only|after all|no doubt|without doubt|strangely|at this point|"
    "in this position|in this ending|in the position|in the above position|in the present position|"
    "in the resulting position|in the resulting ending|in the pawn ending|in the rook ending|"
    "with this|with this move|by this|by this move|after this|after that|after this move|"
    "after the text|after the text move|after the move played"
)
"""What may stand before a phrase and says nothing of another position, between bars."""

_LEAD = (
    rf"(?:{LEADS}|with {_BEST} play(?: on both sides| by both sides| from both sides)?|"
    rf"(?:even )?(?:after|on|with|by) {_M}|{_M}|[,\s'\"(]+)"
)
_LEADING = re.compile(rf"^\s*(?:{_LEAD}(?=\W|$)\s*)*$", re.IGNORECASE)
_STRIPPED = re.compile(
    rf"^\s*(?:(?:{LEADS}|with {_BEST} play(?: on both sides| by both sides)?)(?=\W|$)[,\s]*)+",
    re.IGNORECASE,
)
_SHOWN = re.compile(
    r"^[^.]*?\b(?:shows?|proves?|means|follows|clear|evident|self-evident|obvious|seen|certain|"
    r"true|conclude) that\s+",
    re.IGNORECASE,
)
_FINITE = re.compile(
    r"\b(?:is|are|has|have|can|cannot|must|will|does|do|goes|comes|gets|takes|keeps|stops|"
    r"reaches|stands|falls|promotes|threatens|defends|protects|controls|arrives|enters|leads|"
    r"makes|gives|leaves|lies|remains|blocks|guards|covers|cuts|shows|follows|decides|helps|"
    r"fails|advances|marches|returns|steps|forces|allows|lets|brings|prevents|becomes|finds|"
    r"captures|fights|sees|ties|holds|wins|loses|draws|plays|attacks)\b",
    re.IGNORECASE,
)
_PLACING = re.compile(rf"^\s*(?:{PLACING}|do not|don't|to)\b", re.IGNORECASE)
_RELATIVE = re.compile(
    r"\b(?:in which|where|whom|why|how|as|than|that|which|of)\s*(?:[a-z]+ly\s+)?$", re.IGNORECASE
)
_AT_ONCE = re.compile(r"\bat once\b", re.IGNORECASE)
_HARMLESS = re.compile(
    r"\b(?:after (?:which|this|that)(?: move)?|who has|could not (?:be|have been) saved)\b",
    re.IGNORECASE,
)
_BECAUSE_OF = re.compile(r"^\s*,?\s*(?:only\s+)?because of\b", re.IGNORECASE)
_NOT = re.compile(r"\b(?:not|never|no longer|neither|nor|no|without)\b|n't\b", re.IGNORECASE)
_WITH = re.compile(
    rf"with\b(?! (?:{_BEST}|this|mutual|reciprocal|a|an|the advantage|the edge|advantage|"
    r"the better|equality|equal|or without the move|level)\b)",
    re.IGNORECASE,
)
_PLAYED = re.compile(
    rf"\b(?:even\s+)?(?:if|after|on|when|once|then|with|by|in case of)\s+(?={_M})", re.I
)
_DENIED_END = re.compile(
    r"^\s*(?:at once|quickly|immediately|straight away|simply|easily|yet|by|without|with(?! "
    rf"{_BEST} play)|because|here and now|on the spot|so)\b",
    re.IGNORECASE,
)
_WITH_MOVES = frozenset({"would", "could", "had", "was", "were"})
_HEADINGS = re.compile(
    r"^\s*(?:verdict|assessment|evaluation|conclusion|in short|now|and now|here|so|but)\s*$", re.I
)


@dataclass(frozen=True)
class Surroundings:
    """What stands about a clause.

    Attributes:
        sentence: masked text of the sentence.
        before: masked text of the clauses of the sentence before it, those with moves left out.
        behind: what follows the clause in its sentence.
        heading: what stands before the sentence, up to a colon; "" without one.
    """

    sentence: str
    before: tuple[str, ...] = ()
    behind: str = ""
    heading: str = ""


@dataclass(frozen=True)
class PhraseUse:
    """What the phrase is: see `convert.proofreading.phrases.Phrase`; ``of_result``: it tells a
    result, or what a move costs."""

    of: str
    free: str
    denies: bool
    of_result: bool


def why_not(
    asked: PhraseUse, clause: str, matched: re.Match[str], around: Surroundings, *, has_moves: bool
) -> str:
    """Why a phrase is no claim that can be checked; "" if it is one."""
    doubted = _doubted(asked, clause, matched, around, has_moves)
    return doubted if doubted or has_moves else _elsewhere(asked, clause, matched, around)


def _elsewhere(asked: PhraseUse, clause: str, matched: re.Match[str], around: Surroundings) -> str:
    """What stands before or behind it speaks of another position, or of another subject."""
    if around.heading and not _HEADINGS.match(around.heading):
        return f'stands under a heading ("{_short(around.heading)}")'
    if asked.of_result and _BECAUSE_OF.match(around.behind):
        return "gives a single reason"
    if asked.denies and _DENIED_END.match(clause[matched.end() :]):
        return "denies one way only"
    opening = clause[: matched.start()]
    for part in (*around.before, opening):
        if _PLACING.match(_STRIPPED.sub("", part)):
            return "speaks of another placing"
    for part in around.before:
        if not _LEADING.match(part) and not _FINITE.search(part):
            return f'speaks of another case ("{_short(part)}")'
    if asked.of in ("mover", "either") and any(not _LEADING.match(p) for p in around.before):
        return "may speak of what stands before it"
    if not asked.of_result or _LEADING.match(opening) or _SHOWN.fullmatch(opening):
        return ""
    if _RELATIVE.search(opening):
        return f'speaks of another position ("{_short(opening)}")'
    if not _FINITE.search(opening):
        return f'speaks of another case ("{_short(opening)}")'
    return ""


def _short(text: str) -> str:
    """At most five words of a masked text, names and moves left out."""
    for mark in (MOVES, REST, WHITE_NAME, BLACK_NAME, NAME_REST):
        text = text.replace(mark, " ")
    words = text.split()
    return " ".join(words[:5]) + (" ..." if len(words) > 5 else "")


def _doubted(
    asked: PhraseUse, clause: str, matched: re.Match[str], around: Surroundings, has_moves: bool
) -> str:
    """A word near it tells of another case, of a guess, an opinion, an aim."""
    free = frozenset(asked.free.split("|")) | (_WITH_MOVES if has_moves else frozenset())
    text = _PLAYED.sub(" ", _plain(clause))
    whole = _plain(around.sentence)
    near = text if has_moves else _SHOWN.sub("", whole)

    def first(pattern: re.Pattern[str], where: str) -> str:
        words = (match[0] for match in pattern.finditer(where))
        return next((word for word in words if word.lower() not in free), "")

    wide = {
        "another case": near,
        "another position": whole,
        "an earlier position": near,
        "an opinion": whole,
        "how the game went": _settled(whole),
    }
    if asked.of == "on move":
        wide["another case"] = re.sub(r"\bto (?:move|play)\b", "", near, count=1)
    if _WITH.match(text):
        return 'speaks of another case ("with")'
    for what, pattern in _DOUBTS.items():
        if word := first(pattern, _AT_ONCE.sub("", wide.get(what, text))):
            return f'{_TELLS[what]} ("{word}")'
    if _NOT.search(clause[: matched.start()]):
        return "a denial that leaves open what holds instead"
    return ""


def _plain(text: str) -> str:
    """Without lead-ins that would read like conditions."""
    return _HARMLESS.sub(" ", _STRIPPED.sub(" ", text))


def _settled(text: str) -> str:
    """``the game is won for White``, ``with best play the game is drawn`` tell no score."""
    if re.search(rf"\bwith {_BEST} play\b", text, re.IGNORECASE):
        return re.sub(r"\bthe game is (?:drawn|won)\b", "", text, flags=re.IGNORECASE)
    return re.sub(r"\bthe game is (?:won|drawn)(?= for\b)", "", text, flags=re.IGNORECASE)
