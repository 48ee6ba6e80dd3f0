"""Verdicts and moves as a coach would say them.  Pure functions over the model."""

from __future__ import annotations

from dataclasses import replace

import chess

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
from convert.wording.rules import holds_words, worth_saying
from convert.wording.small import capital, counted, join, times
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
#: A trade changed the outcome, by the estimate, where the expected score differs by so much.
CHANGES_BY = 0.25
#: Nothing of the first moves of a game is spread out (judgement).
OPENING = 10


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
        how
        if verdict.evidence is Evidence.RULES
        else "table, by a forced line"
        if verdict.via
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


def grade_words(decision: Decision) -> str:
    """A grade in words; with an estimate the difference it made stands behind it.

    The estimate is *unmeasured* as soon as one of the verdicts that are compared is.
    """
    text = GRADE_WORDS[decision.grade]
    if decision.grade not in ESTIMATED_GRADES:
        return text
    verdicts = [
        decision.before,
        decision.after,
        *([decision.best.verdict] if decision.best else []),
    ]
    measured = all(verdict.exact or verdict.measured for verdict in verdicts)
    text += " (estimate" if measured else " (unmeasured estimate"
    value = decision.difference
    if value is None or abs(value) < 0.005:
        return f"{text})"
    return f"{text}: {abs(value):.2f} of a point {'better' if value > 0 else 'worse'})"


def mentioned(decision: Decision) -> bool:
    """A decision worth a line: certain, or with an estimated difference worth naming.

    That taking back was better than not taking back goes without saying; that a move was worse
    than another is said only where the other is named, and the difference only where it shows in
    the words for both.
    """
    if decision.grade in CERTAIN_GRADES:
        return True
    if decision.difference is None or abs(decision.difference) < NAMED_FROM:
        return False
    if decision.grade is Grade.AGAINST and decision.best is None:
        return False
    best = decision.best
    if best is not None and verdict_words(best.verdict) == verdict_words(decision.after):
        return False
    return decision.grade is Grade.AGAINST or decision.part is not Part.RECAPTURE


def suspicion_words(review: Review) -> str:
    """How far the suspected slips of a review may be trusted; empty where there is none."""
    suspicion = review.suspicion
    if suspicion is None or all(slip.certain for slip in review.slips):
        return ""
    text = "Suspected slips rest on the look-ahead."
    if suspicion.precision is None:
        return text
    return (
        f"{text} A search a hundred times the size agreed with "
        f"{round(100 * suspicion.precision)} of 100 ({suspicion.suspected} moves of "
        f"{suspicion.games} games)."
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


# --- what reports share -----------------------------------------------------------------


def strip_letter(verdict: Verdict) -> str:
    """One letter for a verdict, from its side's view.

    Capital letters are certain, small ones estimated, where one result is as likely as not at
    least: W/w win, D/d draw, L/l loss; ``-`` where none is, ``/`` where a table rounds and win or
    draw is open.
    """
    if verdict.exact:
        return {1: "W", 0: "D", -1: "L"}[verdict.points or 0]
    if verdict.evidence is Evidence.TABLE and not verdict.via:
        return "/"
    if verdict.win_probability >= 0.5:
        return "w"
    if verdict.loss_probability >= 0.5:
        return "l"
    return "d" if verdict.win_probability + verdict.loss_probability <= 0.5 else "-"


def span(review: Review, first: int, last: int) -> str:
    """Moves from the position after ``first`` to that after ``last``: ``24-31``."""
    start = review.plies[first - 1].number if first else review.plies[0].number
    end = review.plies[last - 1].number if last else start
    return f"{start}" if start == end else f"{start}-{end}"


def shown_phases(review: Review) -> list[Phase]:
    """Phases worth a line: all with few pieces, and longer ones before.

    Two in a row that have one name are one line.
    """
    total = len(review.plies)
    phases: list[Phase] = []
    for phase in review.phases:
        length = phase.last - phase.first + 1
        if phase.men <= 14 or length >= 6 or phase.last == total or phase.first == 0:
            if phases and phases[-1].name == phase.name:
                phases[-1] = replace(phases[-1], last=phase.last)
            else:
                phases.append(phase)
    return phases


def phases_left(review: Review) -> int:
    """How many phases no line of :func:`shown_phases` covers."""
    shown = shown_phases(review)
    return sum(
        not any(line.first <= phase.first and phase.last <= line.last for line in shown)
        for phase in review.phases
    )


def weighty(review: Review, trade: Trade) -> bool:
    """A trade that mattered and gets its own paragraph.

    It changed the outcome or fixed it, by proof or by the estimate, it brought on the ending, or
    a rule of thumb that was measured and holds speaks about it for the first time.  Of the first
    moves of a game only those do that bear on a proved result.
    """
    if any(d.grade in CERTAIN_GRADES for d in trade.decisions):
        return True
    if trade.after.exact and not trade.before.exact:
        return True
    if review.plies[trade.first - 1].number <= OPENING and _from_the_start(review):
        return False
    if abs(trade.before.expected - trade.after.expected) >= CHANGES_BY:
        return True
    if any(d.grade is Grade.AGAINST and d.best and mentioned(d) for d in trade.decisions):
        return True
    if _brought_the_ending(review, trade):
        return True
    earlier = (other for other in review.trades if other.first < trade.first)
    before = {rule for other in earlier for rule in _holds(review, other)}
    return bool(_holds(review, trade) - before)


def _holds(review: Review, trade: Trade) -> set[str]:
    """The rules of thumb on a trade that were measured and hold."""
    rules = [rule for _, rule in rules_of(review, trade)]
    return {rule.rule for rule in rules if rule.figure and rule.figure.standing == "holds"}


def _from_the_start(review: Review) -> bool:
    return review.start_fen.split()[0] == chess.STARTING_BOARD_FEN


def _brought_the_ending(review: Review, trade: Trade) -> bool:
    """The last trade before the ending took its shape."""
    ending = review.ending_ply
    if ending is None or trade.last > ending:
        return False
    return not any(trade.last < other.last <= ending for other in review.trades)


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
            f"Contact made by {trade.offered_by.name_} with {review.label_at(trade.offered_ply)}"
            if trade.offered_by is trade.began_by or trade.first - trade.offered_ply > 1
            else f"Offered by {trade.offered_by.name_} with {review.label_at(trade.offered_ply)}"
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
    weighed = [trade for trade in review.trades if weighty(review, trade)]
    rules = [rule for trade in weighed for _, rule in rules_of(review, trade)]
    rules += [rule for slip in review.slips for rule in after_rules(slip)[:1]]
    lessons = [lesson.figure for lesson in review.teach if lesson.rule is not None]
    return [rule.figure for rule in rules] + lessons


def rules_of(review: Review, trade: Trade) -> list[tuple[str, Speaking]]:
    """Rules of thumb on a trade, for the side under review if it decided, each with its lead.

    At most two speak for it and two against it.
    """
    decisions_told = [d for d in trade.decisions if d.rules]
    if not decisions_told:
        return []
    decision = next((d for d in decisions_told if d.side is review.side), decisions_told[0])
    out = []
    for word, favours in (("for", True), ("against", False)):
        rules = [r for r in decision.rules if r.favours is favours and worth_saying(r)]
        out += [(f"Speaks {word} it, for {decision.side.name_}", rule) for rule in rules[:2]]
    return out


def other_words(review: Review, ply: int, other: Alternative, lead: str) -> str:
    """The better or other move and what it leads to: ``Instead 41.Kxd5: White wins (table)``."""
    record = review.plies[ply - 1]
    label = move_label(record.number, record.side, other.san)
    return f"{lead} {label}: {verdict_words(other.verdict)}"


def declined_words(review: Review, decision: Decision) -> str:
    """A trade declined or missed: the move played, its grade, and what taking led to."""
    text = f"{review.label_at(decision.ply)}: {grade_words(decision)}"
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


def after_rules(slip: Slip) -> tuple[Speaking, ...]:
    """The rules that explain what came of a slip, those left out that are no better than chance."""
    return tuple(rule for rule in slip.rules_after if worth_saying(rule))


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
    if (rules := after_rules(slip)) and slip.rules_after_ply is not None:
        rule = rules[0]
        when = review.label_at(slip.rules_after_ply)
        text = f"{rule.statement} After {when}: {rule.detail}."
        words.append(f"{text} [{holds_words(rule)}]")
    if slip.missed_trade:
        words.append(f"The trade {slip.missed_trade} was missed.")
    return words


def turning_words(review: Review) -> str:
    """From where on the outcome is proved, a remark about knowledge; empty where it never is."""
    if review.turning is None or not 0 < review.turning <= len(review.plies):
        return ""
    turned = review.plies[review.turning - 1].verdict.for_side(review.side)
    return (
        f"Proved from here on: after {review.label_at(review.turning)} and to the end the outcome "
        f"is certain and the same: {verdict_words(turned)}."
    )


def only_moves_words(review: Review) -> list[str]:
    """Only moves found and missed, a sentence a side that had any."""
    out = []
    for side in Side:
        mine = [o for o in review.only_moves if o.side is side]
        if not mine:
            continue
        texts = [review.label_at(o.ply) for o in mine if o.found]
        missed = [f"{review.label_at(o.ply, '?')} (only {o.san})" for o in mine if not o.found]
        text = f"{side.name_}: {len(texts)} of {len(mine)} found"
        if texts:
            text += f": {join(texts[:12])}" + (" and more" if len(texts) > 12 else "")
        if missed:
            text += f". Missed: {join(missed)}"
        out.append(text + ".")
    return out


def technique_words(review: Review) -> list[str]:
    """How the winning side went about it, in paragraphs; none where nothing was won exactly."""
    technique = review.technique
    if technique is None:
        return []
    first, last = review.number_label(technique.first), review.number_label(technique.last)
    text = (
        f"{technique.side.name_} made {technique.moves} "
        f"{'move' if technique.moves == 1 else 'moves'} in won "
        f"positions that tables or solver know (moves {first} to {last})"
    )
    if technique.wasted:
        worst = review.label_at(technique.worst_ply) if technique.worst_ply else ""
        text += (
            f"; {technique.wasted} of them put the next capture, pawn move or mate further off "
            f"than need be, by {counted(technique.wasted_plies, 'ply')} in all (most: {worst})"
        )
    else:
        text += "; none put the next capture, pawn move or mate off by more than a ply"
    out = [text + "."]
    if technique.closest_clock >= 20:
        at = review.number_label(technique.closest_ply) if technique.closest_ply else "the start"
        stretch = counted(technique.closest_clock, "ply")
        text = (
            f"Longest stretch without a capture or pawn move: {stretch} "
            f"(move {at}; the draw can be claimed at 100)"
        )
        if technique.spare is not None:
            text += (
                f". The win had {counted(max(technique.spare, 0), 'ply')} to spare at its tightest"
            )
            if technique.rounded:
                text += " (one fewer where the table rounds)"
        out.append(text + ".")
    if technique.repeated:
        out.append(f"A position stood again {times(technique.repeated)}.")
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
            text += f" From {review.label_at(review.simplification)} on everything is exact."
    cost = review.counts
    text += (
        f" Table look-ups: {cost.wdl_probes} for the outcome, {cost.dtz_probes} for distances; "
        f"{cost.judged} positions judged, each once."
    )
    return text
