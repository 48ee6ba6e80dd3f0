"""Verdicts and moves as a coach would say them.  Pure functions over the model."""

from __future__ import annotations

from convert.model import Decision, Evidence, Grade, Part, Review, Side, Slip, Verdict, move_label
from tablebases.values import Outcome

#: What stands behind an outcome, in brackets after it.
EVIDENCE_WORDS = {
    Evidence.RULES: "rules",
    Evidence.TABLE: "table",
    Evidence.SOLVED: "solved",
    Evidence.BOUNDED: "proved in part",
    Evidence.ESTIMATE: "estimate",
}

GRADE_WORDS = {
    Grade.NEEDED: "needed: nothing else kept the result",
    Grade.RIGHT: "right: it keeps the result",
    Grade.HARMLESS: "harmless: it keeps the result, as most moves do",
    Grade.WRONG: "wrong: it costs the result",
    Grade.MISSED: "missed: a trade would have kept the result",
    Grade.IN_FAVOUR: "in favour (unmeasured estimate",
    Grade.AGAINST: "against (unmeasured estimate",
    Grade.EVEN: "about even (unmeasured estimate",
}

#: Grades that rest on certain knowledge and are always worth naming.
CERTAIN_GRADES = (Grade.NEEDED, Grade.RIGHT, Grade.WRONG, Grade.MISSED)
#: Estimated differences (expected points) below this are not named (judgement).
NAMED_FROM = 0.15


def evidence_word(verdict: Verdict) -> str:
    """``table``, ``estimate, unmeasured`` and so on; a line into the tables says so."""
    if verdict.evidence is Evidence.ESTIMATE:
        return "estimate" if verdict.measured else "estimate, unmeasured"
    word = EVIDENCE_WORDS[verdict.evidence]
    forced = verdict.via and verdict.evidence in (Evidence.RULES, Evidence.TABLE)
    return f"{word}, by a forced line" if forced else word


def tenths(probability: float) -> str:
    """``about 7 of 10``; ``fewer than 1 of 10`` and ``more than 9 of 10`` at the ends."""
    if probability < 0.075:
        return "fewer than 1 of 10"
    if probability > 0.925:
        return "more than 9 of 10"
    return f"about {max(1, min(9, round(probability * 10)))} of 10"


def verdict_words(verdict: Verdict) -> str:
    """A verdict as a clause with its evidence: ``White wins (table)``."""
    how = evidence_word(verdict)
    if verdict.exact:
        return f"{outcome_words(verdict)} ({how})"
    if verdict.evidence is Evidence.TABLE and not verdict.via:
        winner = verdict.side if verdict.high.points > 0 else verdict.side.other
        return f"{winner.name_} wins or it is drawn by the fifty-move rule: the table rounds"
    bound = ""
    source = "table, by a forced line" if verdict.via else "solved"
    if verdict.low.points == 0:
        bound = f"{verdict.side.name_} cannot lose ({source}); "
    elif verdict.high.points == 0:
        bound = f"{verdict.side.other.name_} cannot lose ({source}); "
    word = "estimate" if verdict.measured else "estimate, unmeasured"
    better = better_side(verdict)
    if better is None:
        return f"{bound}balanced ({word})"
    chance = verdict.for_side(better).win_probability
    return f"{bound}{better.name_} wins in {tenths(chance)} such positions ({word})"


def better_side(verdict: Verdict) -> Side | None:
    """The side with clearly more chances to win, None when they are about level."""
    lead = verdict.win_probability - verdict.loss_probability
    if abs(lead) < 0.15:
        return None
    return verdict.side if lead > 0 else verdict.side.other


def outcome_words(verdict: Verdict) -> str:
    """An exact outcome without its evidence: ``White wins``, ``drawn``."""
    if verdict.low == verdict.high == Outcome.CURSED_WIN:
        return f"drawn by the fifty-move rule, without it {verdict.side.name_} would win"
    if verdict.low == verdict.high == Outcome.BLESSED_LOSS:
        return f"drawn by the fifty-move rule, without it {verdict.side.other.name_} would win"
    if verdict.points == 1:
        return f"{verdict.side.name_} wins"
    if verdict.points == -1:
        return f"{verdict.side.other.name_} wins"
    return "drawn"


def label_at(review: Review, ply: int, mark: str = "") -> str:
    """The move played at ``ply`` with its number: ``44.Rxd6``."""
    record = review.plies[ply - 1]
    return move_label(record.number, record.side, record.san) + mark


def number_label(review: Review, ply: int) -> str:
    """The move number at ``ply``: ``44`` or ``44...``."""
    record = review.plies[ply - 1]
    return f"{record.number}" if record.side is Side.WHITE else f"{record.number}..."


def grade_words(decision: Decision) -> str:
    """A grade in words; with an estimate the difference it made stands behind it."""
    text = GRADE_WORDS[decision.grade]
    if "(" not in text:
        return text
    value = decision.difference
    if value is None or abs(value) < 0.005:
        return f"{text})"
    return f"{text}: {abs(value):.2f} of a point {'better' if value > 0 else 'worse'})"


def mentioned(decision: Decision) -> bool:
    """A decision worth a line: certain, or with an estimated difference worth naming.

    That taking back was better than not taking back goes without saying.
    """
    if decision.grade in CERTAIN_GRADES:
        return True
    if decision.difference is None or abs(decision.difference) < NAMED_FROM:
        return False
    return decision.grade is Grade.AGAINST or decision.part is not Part.RECAPTURE


def held_words(slip: Slip, names: list[str]) -> str:
    """Which moves kept the result: ``only 54.Kg5 won``, ``55.Rxe6+ and 55.Re5 won``.

    *Only* is said when it is certain of all other moves that they did not.
    """
    keep = "won" if slip.before.low.points > 0 else "held"
    if len(names) == 1 and slip.complete:
        return f"only {names[0]} {keep}"
    text = f"{join(names)} {keep}"
    return text if slip.complete else f"{text} for certain"


def line_words(number: int, side: Side, moves: tuple[str, ...]) -> str:
    """A line as in print: ``44.Kc5 Rd8 45.Kc6``."""
    out = []
    for i, san in enumerate(moves):
        white = (side is Side.WHITE) == (i % 2 == 0)
        if white:
            out.append(f"{number}.{san}")
        elif i == 0:
            out.append(f"{number}...{san}")
        else:
            out.append(san)
        if not white:
            number += 1
    return " ".join(out)


def times(number: int) -> str:
    """``once``, ``twice``, ``3 times``."""
    return {1: "once", 2: "twice"}.get(number, f"{number} times")


def join(items: list[str], last: str = "and") -> str:
    """``a``, ``a and b``, ``a, b and c``."""
    if len(items) < 2:
        return "".join(items)
    return ", ".join(items[:-1]) + f" {last} " + items[-1]
