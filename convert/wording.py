"""Verdicts and moves as a coach would say them.  Pure functions over the model."""

from __future__ import annotations

from convert.model import (
    Alternative,
    Decision,
    Evidence,
    Grade,
    Part,
    Phase,
    Review,
    RuleFigure,
    Side,
    Slip,
    Speaking,
    Trade,
    Verdict,
    move_label,
)
from convert.rule_words import figure_words
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
    Grade.IN_FAVOUR: "in favour",
    Grade.AGAINST: "against",
    Grade.EVEN: "about even",
}

#: Grades that rest on certain knowledge and are always worth naming.
CERTAIN_GRADES = (Grade.NEEDED, Grade.RIGHT, Grade.WRONG, Grade.MISSED)
#: Grades that rest on the estimate.
ESTIMATED_GRADES = (Grade.IN_FAVOUR, Grade.AGAINST, Grade.EVEN)
#: Estimated differences (expected points) below this are not named (judgement).
NAMED_FROM = 0.15


def evidence_word(verdict: Verdict) -> str:
    """``table``, ``estimate, unmeasured`` and so on; a line into the tables says so."""
    if verdict.evidence is Evidence.ESTIMATE:
        return estimate_word(verdict)
    word = EVIDENCE_WORDS[verdict.evidence]
    forced = verdict.via and verdict.evidence in (Evidence.RULES, Evidence.TABLE)
    return f"{word}, by a forced line" if forced else word


def estimate_word(verdict: Verdict) -> str:
    """``estimate``, with ``unmeasured`` where it was never held against outcomes or results."""
    return "estimate" if verdict.measured else "estimate, unmeasured"


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
    source = (
        how if verdict.evidence is Evidence.RULES
        else "table, by a forced line" if verdict.via
        else "solved"
    )
    if verdict.low.points == 0:
        bound = f"{verdict.side.name_} cannot lose ({source}); "
    elif verdict.high.points == 0:
        bound = f"{verdict.side.other.name_} cannot lose ({source}); "
    word = estimate_word(verdict)
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
    """A grade in words; with an estimate the difference it made stands behind it.

    The estimate is *unmeasured* as soon as one of the verdicts that are compared is.
    """
    text = GRADE_WORDS[decision.grade]
    if decision.grade not in ESTIMATED_GRADES:
        return text
    told = [decision.before, decision.after, *([decision.best.verdict] if decision.best else [])]
    measured = all(verdict.exact or verdict.measured for verdict in told)
    text += " (estimate" if measured else " (unmeasured estimate"
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


def suspicion_words(review: Review) -> str:
    """How far the suspected slips of a review may be trusted; empty where there is none."""
    told = review.suspicion
    if told is None or all(slip.certain for slip in review.slips):
        return ""
    return (
        "Suspected slips rest on the estimate. Where they could be checked "
        f"({told.moves:,} moves of endings with five to seven men), {round(100 * told.precision)} "
        f"of 100 suspected moves were slips, and {round(100 * told.recall)} of 100 slips were "
        "suspected."
    )


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


# --- what reports share -----------------------------------------------------------------


def strip_letter(verdict: Verdict) -> str:
    """One letter for a verdict, from its side's view.

    Capital letters are certain, small ones estimated: W/w win, D/d draw, L/l
    loss; ``/`` where a table rounds and win or draw is open.
    """
    if verdict.exact:
        return {1: "W", 0: "D", -1: "L"}[verdict.points or 0]
    if verdict.evidence is Evidence.TABLE and not verdict.via:
        return "/"
    if verdict.win_probability >= 0.5:
        return "w"
    if verdict.loss_probability >= 0.5:
        return "l"
    return "d"


def span(review: Review, first: int, last: int) -> str:
    """Moves from the position after ``first`` to that after ``last``: ``24-31``."""
    start = review.plies[first - 1].number if first else review.plies[0].number
    end = review.plies[last - 1].number if last else start
    return f"{start}" if start == end else f"{start}-{end}"


def shown_phases(review: Review) -> list[Phase]:
    """Phases worth a line: all with few pieces, and longer ones before."""
    total = len(review.plies)
    kept = []
    for phase in review.phases:
        length = phase.last - phase.first + 1
        if phase.men <= 14 or length >= 6 or phase.last == total or phase.first == 0:
            kept.append(phase)
    return kept


def weighty(trade: Trade) -> bool:
    """A trade that gets its own paragraph: it bears on the result, or few men are left."""
    if any(d.grade in CERTAIN_GRADES for d in trade.decisions):
        return True
    if any(d.grade is Grade.AGAINST and mentioned(d) for d in trade.decisions):
        return True
    gone = set(trade.white_gave) | set(trade.black_gave)
    return "queen" in gone or trade.liquidation


def part_words(decision: Decision) -> str:
    """What the player did at this decision, with the move for all but the start."""
    return {
        Part.OFFER: f"offered with {decision.san}",
        Part.START: "took first",
        Part.RECAPTURE: f"took back with {decision.san}",
        Part.DECLINE: f"declined with {decision.san}",
    }[decision.part]


def who_words(review: Review, trade: Trade) -> str:
    """Who offered, who took first, how it was taken back."""
    parts = []
    if trade.offered_by is not None and trade.offered_ply is not None:
        parts.append(
            f"Contact made by {trade.offered_by.name_} with {label_at(review, trade.offered_ply)}"
            if trade.offered_by is trade.began_by or trade.first - trade.offered_ply > 1
            else f"Offered by {trade.offered_by.name_} with {label_at(review, trade.offered_ply)}"
        )
    parts.append(f"{trade.began_by.name_} took first")
    if trade.recaptures:
        parts.append(f"taken back by {join(list(trade.recaptures))}")
    return "; ".join(parts) + "."


def decision_words(decision: Decision) -> str:
    """Who decided what, and the grade: ``White took first: wrong: it costs the result``."""
    text = f"{decision.side.name_} {part_words(decision)}: {grade_words(decision)}"
    return f"{text}, {decision.note}" if decision.note else text


def lead_words(decision: Decision) -> str:
    """How the other move is brought in: ``Instead`` of a bad one, else ``Best other move``."""
    bad = decision.grade in (Grade.WRONG, Grade.AGAINST)
    return "Instead" if bad else "Best other move"


def before_after_words(trade: Trade) -> str:
    """The verdicts before the first and after the last capture."""
    before, after = verdict_words(trade.before), verdict_words(trade.after)
    if before == after:
        return f"Before and after: {before}."
    return f"Before: {before}. After: {after}."


def pieces_words(trade: Trade) -> list[str]:
    """What the pieces that went had been doing, where it was out of the ordinary."""
    out = []
    for piece in trade.pieces:
        if piece.activity == "ordinary" and not piece.detail:
            continue
        parts = [] if piece.activity == "ordinary" else [piece.activity]
        parts += [piece.detail] if piece.detail else []
        out.append(f"{piece.side.name_}'s {piece.piece} on {piece.square} was {', '.join(parts)}.")
    return out


def quoted_figures(review: Review) -> list[RuleFigure | None]:
    """The figures of the rules that the report on a game quotes, None for one not measured."""
    weighed = [trade for trade in review.trades if weighty(trade)]
    rules = [rule for trade in weighed for _, rule in rules_of(review, trade)]
    rules += [slip.rules_after[0] for slip in review.slips if slip.rules_after]
    lessons = [lesson.figure for lesson in review.teach if lesson.rule is not None]
    return [rule.figure for rule in rules] + lessons


def rules_of(review: Review, trade: Trade) -> list[tuple[str, Speaking]]:
    """Rules of thumb on a trade, for the side under review if it decided, each with its lead.

    At most two speak for it and two against it.
    """
    told = [d for d in trade.decisions if d.rules]
    if not told:
        return []
    decision = next((d for d in told if d.side is review.side), told[0])
    out = []
    for word, favours in (("for", True), ("against", False)):
        rules = [r for r in decision.rules if r.favours is favours]
        out += [(f"Speaks {word} it, for {decision.side.name_}", rule) for rule in rules[:2]]
    return out


def other_words(review: Review, ply: int, other: Alternative, lead: str) -> str:
    """The better or other move and what it leads to: ``Instead 41.Kxd5: White wins (table)``."""
    record = review.plies[ply - 1]
    label = move_label(record.number, record.side, other.san)
    return f"{lead} {label}: {verdict_words(other.verdict)}"


def declined_words(review: Review, decision: Decision) -> str:
    """A trade declined or missed: the move played, its grade, and what taking led to."""
    text = f"{label_at(review, decision.ply)}: {grade_words(decision)}"
    if decision.best is not None:
        record = review.plies[decision.ply - 1]
        taking = move_label(record.number, record.side, decision.best.san)
        text += f". Taking with {taking}: {verdict_words(decision.best.verdict)}"
        text += f"; as played: {verdict_words(decision.after)}"
    return text + "."


def change_words(slip: Slip) -> str:
    """What the slip did to the result of its player."""
    before, after = slip.before, slip.after
    if slip.certain:
        now = outcome_words(after) if after.exact else f"no more than {outcome_at_most(after)}"
        was = outcome_words(before) if before.exact else f"at least {outcome_at_least(before)}"
        return f"before it: {was}; after it: {now}"
    return f"before it: {verdict_words(before)}; after it: {verdict_words(after)}"


def outcome_at_most(verdict: Verdict) -> str:
    """The best still possible for the verdict's side."""
    return {1: "a win", 0: "a draw", -1: "a loss"}[verdict.high.points]


def outcome_at_least(verdict: Verdict) -> str:
    """The worst still possible for the verdict's side."""
    return {1: "a win", 0: "a draw", -1: "a loss"}[verdict.low.points]


def slip_words(review: Review, slip: Slip) -> list[str]:
    """A slip in sentences: what it changed, what held, the rule it ran into."""
    record = review.plies[slip.ply - 1]
    words = [capital(change_words(slip)) + "."]
    if slip.held:
        names = [move_label(record.number, record.side, a.san) for a in slip.held]
        if slip.certain:
            words.append(f"{capital(held_words(slip, names))}.")
        else:
            words.append(f"Better looks {names[0]}: {verdict_words(slip.held[0].verdict)}.")
    if slip.rules_after and slip.rules_after_ply is not None:
        rule = slip.rules_after[0]
        when = label_at(review, slip.rules_after_ply)
        told = f"{rule.statement} After {when}: {rule.detail}."
        words.append(f"{told} [{figure_words(rule.figure)}]")
    if slip.missed_trade:
        words.append(f"The trade {slip.missed_trade} was missed.")
    return words


def turning_words(review: Review) -> str:
    """The turning point as a sentence; empty when there is none."""
    if review.turning is None or not 0 < review.turning <= len(review.plies):
        return ""
    turned = review.plies[review.turning - 1].verdict.for_side(review.side)
    return (
        f"Turning point: from {label_at(review, review.turning)} to the end the outcome "
        f"is the same: {verdict_words(turned)}."
    )


def only_moves_words(review: Review) -> list[str]:
    """Only moves found and missed, a sentence a side that had any."""
    out = []
    for side in Side:
        mine = [o for o in review.only_moves if o.side is side]
        if not mine:
            continue
        found = [label_at(review, o.ply) for o in mine if o.found]
        missed = [
            f"{label_at(review, o.ply, '?')} (only {o.san})" for o in mine if not o.found
        ]
        text = f"{side.name_}: {len(found)} of {len(mine)} found"
        if found:
            text += f": {join(found[:12])}" + (" and more" if len(found) > 12 else "")
        if missed:
            text += f". Missed: {join(missed)}"
        out.append(text + ".")
    return out


def technique_words(review: Review) -> list[str]:
    """How the winning side went about it, in paragraphs; none where nothing was won exactly."""
    told = review.technique
    if told is None:
        return []
    first, last = number_label(review, told.first), number_label(review, told.last)
    text = (
        f"{told.side.name_} made {told.moves} {'move' if told.moves == 1 else 'moves'} in won "
        f"positions that tables or solver know (moves {first} to {last})"
    )
    if told.wasted:
        worst = label_at(review, told.worst_ply) if told.worst_ply else ""
        text += (
            f"; {told.wasted} of them put the next capture, pawn move or mate further off than "
            f"need be, by {told.wasted_plies} plies in all (most: {worst})"
        )
    else:
        text += "; none put the next capture, pawn move or mate off by more than a ply"
    out = [text + "."]
    if told.closest_clock >= 20:
        at = number_label(review, told.closest_ply) if told.closest_ply else "the start"
        text = (
            f"Longest stretch without a capture or pawn move: {told.closest_clock} plies (move "
            f"{at}; the draw can be claimed at 100)"
        )
        if told.spare is not None:
            text += f". The win had {max(told.spare, 0)} plies to spare at its tightest"
            if told.rounded:
                text += " (one fewer where the table rounds)"
        out.append(text + ".")
    if told.repeated:
        out.append(f"A position stood again {times(told.repeated)}.")
    return out


def how_words(review: Review) -> str:
    """What the verdicts on the game rest on, and what they cost."""
    counts: dict[Evidence, int] = {}
    for verdict in (review.start_verdict, *(r.verdict for r in review.plies)):
        counts[verdict.evidence] = counts.get(verdict.evidence, 0) + 1
    parts = [f"{counts[e]} {e.value}" for e in Evidence if e in counts]
    total = sum(counts.values())
    text = f"{total} positions of the game: {join(parts)}."
    if review.simplification is not None:
        if review.simplification == 0:
            text += " All of it is settled exactly."
        elif review.simplification < len(review.plies):
            text += f" From {label_at(review, review.simplification)} on everything is exact."
    cost = review.counts
    text += (
        f" Table look-ups: {cost.wdl_probes} for the outcome, {cost.dtz_probes} for distances; "
        f"{cost.judged} positions judged, each once."
    )
    return text


def capital(text: str) -> str:
    """The text with a capital letter first."""
    return text[:1].upper() + text[1:]
