"""The story of the game in a few sentences, and what to teach from it.

Works on a finished Review alone.  Every sentence is built from facts the
Review carries, with the evidence named where an outcome is claimed.
"""

from __future__ import annotations

from convert.balance import edge_verb
from convert.model import Grade, Lesson, Part, Phase, Review, Side, Slip, Trade, Verdict
from convert.rules import rule_by_id
from convert.rules.figures import figure_of, refuted
from convert.slips import CLEARLY, better_from
from convert.wording import (
    estimate_word,
    evidence_word,
    held_words,
    join,
    label_at,
    number_label,
    times,
)
from tablebases.values import Outcome

RESULT_POINTS = {"1-0": 1, "0-1": -1, "1/2-1/2": 0}


def verdict_at(review: Review, ply: int, side: Side) -> Verdict:
    """The verdict on the position after ``ply`` (0: the start), for ``side``."""
    verdict = review.start_verdict if ply == 0 else review.plies[ply - 1].verdict
    return verdict.for_side(side)


def first_exact(review: Review, side: Side, points: int) -> int | None:
    """First ply (0 = start) after which the outcome for ``side`` is exactly ``points``."""
    for ply in range(len(review.plies) + 1):
        if verdict_at(review, ply, side).points == points:
            return ply
    return None


def first_better(review: Review, side: Side) -> int | None:
    """First ply after which ``side`` is winning or stays clearly better for a while."""
    verdicts = [review.start_verdict, *(record.verdict for record in review.plies)]
    return better_from(verdicts, side, CLEARLY)


def points_scored(review: Review, side: Side) -> int | None:
    """1, 0 or -1 for ``side`` as the game ended, None when no result is recorded."""
    white = RESULT_POINTS.get(review.result)
    if white is None:
        return None
    return white if side is Side.WHITE else -white


def tell(review: Review) -> tuple[str, ...]:
    """The story, a sentence an item: how it arose, where it slipped, how it ended."""
    side = review.side
    won_at = first_exact(review, side, 1)
    sentences = [_how_it_arose(review, won_at)]
    middle = _slips(review)
    if middle:
        sentences.append(middle)
    sentences.append(_how_it_ended(review))
    return tuple(s for s in sentences if s)


def _phase_at(review: Review, ply: int) -> Phase:
    for phase in review.phases:
        if phase.first <= ply <= phase.last:
            return phase
    return review.phases[-1]


def _ahead_since(review: Review, ply: int) -> tuple[int, str] | None:
    """Since which ply the side under review has been ahead without a break, and by what."""
    index = review.phases.index(_phase_at(review, ply))
    phase = review.phases[index]
    if phase.ahead is not review.side:
        return None
    start = phase.since
    while index > 0 and review.phases[index - 1].ahead is review.side and (
        review.phases[index - 1].edge == phase.edge
    ):
        index -= 1
        start = review.phases[index].since
    return start, phase.edge


def _how_it_arose(review: Review, won_at: int | None) -> str:
    """One sentence: material edge, estimate and certain win, in the order they came."""
    side = review.side.name_
    better_at = first_better(review, review.side)
    at = won_at if won_at is not None else better_at
    clauses: list[tuple[int, str]] = []
    if at is not None and (ahead := _ahead_since(review, at)) is not None:
        start, edge = ahead
        verb = edge_verb(edge, past=True)
        since = "from the start" if start == 0 else f"from {label_at(review, start)} on"
        if won_at is None or start < won_at - 2:
            clauses.append((start, f"{verb} {edge} {since}"))
    if better_at is not None and (won_at is None or better_at < won_at - 3):
        since = "from the start" if better_at == 0 else f"from {label_at(review, better_at)} on"
        how = estimate_word(verdict_at(review, better_at, review.side))
        clauses.append((better_at, f"was clearly better {since} ({how})"))
        clauses.sort(key=lambda item: item[0])
        if len(clauses) == 2 and clauses[0][0] == clauses[1][0]:
            clauses[1] = (clauses[1][0], f"was clearly better ({how})")
    lead = f"{side} {join([text for _, text in clauses])}" if clauses else ""
    if won_at is not None:
        how = evidence_word(verdict_at(review, won_at, review.side))
        win = "the starting position is won" if won_at == 0 else _gift(review, won_at)
        if not lead:
            return f"{win[:1].upper()}{win[1:]} ({how})."
        return f"{lead}; {win} ({how})."
    lead = lead or (
        "Neither side was clearly better for long (estimate); the review follows "
        f"{side}"
    )
    return _settled_late(review, lead)


def _gift(review: Review, ply: int) -> str:
    """How the win became certain at ``ply``."""
    mover = review.plies[ply - 1].side
    label = label_at(review, ply)
    if mover is review.side:
        return f"after {label} the win was certain"
    slip = next((s for s in review.slips if s.ply == ply and s.certain), None)
    if slip is not None:
        return f"{label}? handed {review.side.name_} the win"
    return f"after {label} the win was certain"


def _settled_late(review: Review, lead: str) -> str:
    """What is certain in a game without a certain win for the side under review."""
    side = review.side.name_
    reached = review.simplification
    if reached is None:
        return f"{lead}; rules and tables do not settle how it stood at the end."
    if reached == 0:
        return f"{lead}."
    verdict = verdict_at(review, reached, review.side)
    result = {0: "drawn", -1: f"lost for {side}", 1: f"won for {side}"}[verdict.points or 0]
    if reached == len(review.plies) and evidence_word(verdict) == "rules":
        return f"{lead}; nothing but the last move is settled for certain."
    return f"{lead}; after {label_at(review, reached)} it was {result} ({evidence_word(verdict)})."


def _slip_clause(review: Review, slip: Slip) -> str:
    """One certain slip as a clause."""
    label = label_at(review, slip.ply, "?")
    lost = slip.after.high.points
    before = slip.before.low.points
    what = (
        "threw the win away and even lost"
        if before > 0 and lost < 0
        else "let the win slip"
        if before > 0
        else "lost a drawn game"
    )
    if before > 0 and slip.after.high is Outcome.CURSED_WIN:
        what = "let the win slip, by the fifty-move rule"
    names = [alt.san for alt in slip.held]
    if not names:
        return f"{label} {what}"
    number = review.plies[slip.ply - 1].number
    dots = "." if slip.side is Side.WHITE else "..."
    if len(names) == 1:
        return f"{label} {what} ({held_words(slip, [f'{number}{dots}{names[0]}'])})"
    keep = "won" if before > 0 else "held"
    return f"{label} {what} ({number}{dots}{names[0]} {keep})"


def _slips(review: Review) -> str:
    side = review.side
    certain = [s for s in review.slips if s.certain]
    mine = [s for s in certain if s.side is side]
    theirs = [s for s in certain if s.side is not side and s.ply != first_exact(review, side, 1)]
    if not certain:
        suspected = [s for s in review.slips if not s.certain and s.side is side]
        if not suspected:
            return ""
        worst = max(suspected, key=lambda s: s.before.expected - s.after.expected)
        return (
            f"No slip is certain; the estimate suspects {label_at(review, worst.ply, '?')} most "
            f"({worst.held[0].san} looked better)."
        )
    clauses = []
    ordered = [s for s in certain if s in mine or s in theirs]
    for slip in ordered[:3]:
        back = next((s for s in certain if s.handed_back == slip.ply), None)
        clause = _slip_clause(review, slip)
        if back is not None:
            clause = clause.replace("lost a drawn game", "handed the win back").replace(
                "let the win slip", "gave the draw back"
            )
        clauses.append(clause)
    if not clauses:
        return ""
    more = len(ordered) - 3
    text = "; then ".join(clauses)
    if more > 0:
        text += f"; and {more} more {'slip' if more == 1 else 'slips'} followed"
    return text + "."


def _how_it_ended(review: Review) -> str:
    side = review.side
    final = verdict_at(review, len(review.plies), side)
    scored = points_scored(review, side)
    if scored is None:
        return (
            "No result is recorded."
            if review.complete
            else "The record cannot be read to the end of the game."
        )
    end = _end_words(review, scored)
    if final.exact and final.points != scored:
        theory = {1: f"{side.name_} wins", 0: "it is drawn", -1: f"{side.other.name_} wins"}
        why = review.tags.get("Termination", "")
        said = f" (Termination: {why})" if why.lower() not in ("", "normal", "unknown") else ""
        return (
            f"{end}{said}, but in the final position {theory[final.points or 0]} "
            f"with best play ({evidence_word(final)})."
        )
    if review.turning is not None and review.turning == first_exact(review, side, 1):
        return f"Once certain, the win was never let go. {end}."
    if review.turning is not None and 0 < review.turning < len(review.plies):
        return f"After {label_at(review, review.turning)} the outcome never changed again. {end}."
    return f"{end}."


def _end_words(review: Review, scored: int) -> str:
    if scored == 0:
        return "The game was drawn"
    winner = review.side if scored > 0 else review.side.other
    return f"{winner.name_} won"


# --- what to teach ---------------------------------------------------------------------


def teach(review: Review) -> tuple[Lesson, ...]:
    """The one or two principles the game shows best, most certain first."""
    found: list[Lesson] = []
    for make in (
        _from_what_followed,
        _from_trade_slip,
        _from_missed_trade,
        _from_saving_trade,
        _from_only_moves,
        _from_fifty_moves,
        _from_winning_trade,
        _from_clean_conversion,
        _from_slip,
        _from_the_ending,
        _from_suspected,
    ):
        lesson = make(review)
        if lesson is not None and lesson.principle not in {f.principle for f in found}:
            found.append(lesson)
        if len(found) == 2:
            break
    return tuple(found)


def _trade_at(review: Review, ply: int) -> Trade | None:
    return next((t for t in review.trades if t.first <= ply <= t.last), None)


def _from_trade_slip(review: Review) -> Lesson | None:
    for slip in review.slips:
        trade = _trade_at(review, slip.ply)
        if not slip.certain or trade is None:
            continue
        label = label_at(review, slip.ply, "?")
        if _into_pawn_ending(trade):
            return Lesson(
                "Before the last pieces go, count the pawn ending to its end: the trade cannot "
                "be taken back.",
                "common practice",
                f"{label} went into a pawn ending that does not keep the result.",
            )
        if set(trade.white_gave) | set(trade.black_gave) == {"pawn"}:
            return Lesson(
                "The side that is ahead needs pawns to win with: trade pieces, not pawns.",
                "common practice",
                f"{label} traded pawns, and with them went the result.",
            )
        return Lesson(
            "A trade settles the position for good: compare the ending after it with what you "
            "have, not with what you fear.",
            "common practice",
            f"{label} was a trade that cost the result.",
        )
    return None


def _into_pawn_ending(trade: Trade) -> bool:
    return trade.liquidation and (
        "pawn" in trade.balance_after
        and not any(w in trade.balance_after for w in ("queen", "rook", "bishop", "knight"))
    )


def _from_missed_trade(review: Review) -> Lesson | None:
    for slip in review.slips:
        if not slip.certain or slip.missed_trade is None:
            continue
        keep = "won" if slip.before.low.points > 0 else "held"
        number = review.plies[slip.ply - 1].number
        dots = "." if slip.side is Side.WHITE else "..."
        return Lesson(
            "When a trade leads to an ending you know, make it; do not play on for more.",
            "common practice",
            f"{number}{dots}{slip.missed_trade} {keep}; {label_at(review, slip.ply, '?')} did not.",
        )
    return None


def _from_saving_trade(review: Review) -> Lesson | None:
    for trade in review.trades:
        for decision in trade.decisions:
            if (
                decision.grade is Grade.NEEDED
                and decision.before.points == 0
                and decision.part is not Part.DECLINE
                and abs(_worth(trade.white_gave) - _worth(trade.black_gave)) <= 2
            ):
                label = label_at(review, decision.ply)
                return Lesson(
                    "The defender looks for the trade after which the rest cannot be won.",
                    "common practice",
                    f"{label} was the only way to hold: no move that did not trade kept the draw.",
                )
    return None


def _worth(gave: tuple[str, ...]) -> int:
    return sum({"pawn": 1, "knight": 3, "bishop": 3, "rook": 5, "queen": 9}[man] for man in gave)


def _from_only_moves(review: Review) -> Lesson | None:
    missed = [o for o in review.only_moves if not o.found]
    if not missed:
        return None
    first = missed[0]
    label = label_at(review, first.ply, "?")
    keep = "won" if first.kept.points > 0 else "held"
    number = review.plies[first.ply - 1].number
    dots = "." if first.side is Side.WHITE else "..."
    slip = next((s for s in review.slips if s.ply == first.ply), None)
    if slip is not None and slip.rules:
        rule = slip.rules[0]
        return Lesson(
            rule.statement,
            rule.source,
            f"Here: {rule.detail}. Only {number}{dots}{first.san} {keep}; {label} did not.",
            rule=rule.rule,
            figure=rule.figure,
        )
    return Lesson(
        "In an ending with few men left, look at every move: often one alone keeps the result.",
        "common practice",
        f"Only {number}{dots}{first.san} {keep}; {label} did not.",
    )


def _from_fifty_moves(review: Review) -> Lesson | None:
    told = review.technique
    if told is None or told.closest_clock < 70:
        return None
    at = number_label(review, told.closest_ply) if told.closest_ply else "the start"
    return Lesson(
        "Know the method for the piece endings before you need it: the fifty-move rule does not "
        "wait.",
        "common practice",
        f"At move {at} {told.closest_clock // 2} moves had gone by without a capture or pawn move.",
    )


def _from_winning_trade(review: Review) -> Lesson | None:
    """The trade that took the game into a certain win."""
    side = review.side
    for trade in review.trades:
        if trade.after.for_side(side).points != 1:
            continue
        if trade.before.for_side(side).points == 1 and not trade.liquidation:
            continue
        if abs(_worth(trade.white_gave) - _worth(trade.black_gave)) > 3:
            continue
        decision = next(
            (
                d
                for d in trade.decisions
                if d.side is side and d.part in (Part.OFFER, Part.START)
            ),
            None,
        )
        if decision is None or decision.grade in (Grade.WRONG, Grade.AGAINST):
            continue
        voice = next((v for v in decision.rules if v.favours), None)
        label = label_at(review, decision.ply)
        if voice is not None:
            return Lesson(
                voice.statement,
                voice.source,
                f"{label}: {voice.detail}.",
                rule=voice.rule,
                figure=voice.figure,
            )
        return Lesson(
            "Trade into an ending you know to be won.",
            "common practice",
            f"{label} led to a certain win ({trade.balance_after}).",
        )
    return None


def _from_clean_conversion(review: Review) -> Lesson | None:
    side = review.side
    if points_scored(review, side) != 1 or any(s.side is side for s in review.slips):
        return None
    pieces = [
        t
        for t in review.trades
        if set(t.white_gave) | set(t.black_gave) != {"pawn"}
        and not t.before.exact
        and t.before.for_side(side).win_probability >= 0.35
    ]
    if len(pieces) < 2:
        return None
    names = _piece_names(pieces)
    if not names:
        return None
    rule = rule_by_id("ahead-trade-pieces")
    if refuted(rule.id):
        return None
    shown = f"{side.name_} traded {names} while ahead, and won."
    figure = figure_of(rule.id, rule.kind)
    return Lesson(rule.statement, rule.source, shown, rule=rule.id, figure=figure)


def _piece_names(trades: list[Trade]) -> str:
    """What left the board on both sides: ``queens and 2 pairs of minor pieces``."""
    pairs = {"queen": 0, "rook": 0, "minor piece": 0}
    for trade in trades:
        white = [_class(man) for man in trade.white_gave]
        black = [_class(man) for man in trade.black_gave]
        for kind in pairs:
            pairs[kind] += min(white.count(kind), black.count(kind))
    return join(
        [
            "queens" if kind == "queen" else f"{'a pair' if n == 1 else f'{n} pairs'} of {kind}s"
            for kind, n in pairs.items()
            if n
        ]
    )


def _class(man: str) -> str:
    return "minor piece" if man in ("bishop", "knight") else man


def _from_what_followed(review: Review) -> Lesson | None:
    """A rule of thumb that explains why the position after a certain slip is what it is."""
    for slip in review.slips:
        if slip.certain and slip.rules_after and slip.rules_after_ply is not None:
            rule = slip.rules_after[0]
            return Lesson(
                rule.statement,
                rule.source,
                f"{label_at(review, slip.ply, '?')} led to it. After "
                f"{label_at(review, slip.rules_after_ply)}: {rule.detail}.",
                rule=rule.rule,
                figure=rule.figure,
            )
    return None


def _from_slip(review: Review) -> Lesson | None:
    certain = [s for s in review.slips if s.certain]
    if not certain:
        return None
    slip = certain[0]
    return Lesson(
        "A won game has still to be won: ask at every move what the other side wants.",
        "common practice",
        f"The result changed {times(len(certain))}, first at {label_at(review, slip.ply, '?')}.",
    )


def _from_the_ending(review: Review) -> Lesson | None:
    """A rule of thumb that speaks where the ending took its shape."""
    if not review.ending_rules or review.ending_ply is None:
        return None
    scored = points_scored(review, review.side)
    rules = [
        r
        for r in review.ending_rules
        if (r.side is None and scored == 0)
        or (r.side is review.side and scored == 1)
        or (r.side is review.side.other and scored == -1)
    ]
    if not rules:
        return None
    rule = rules[0]
    where = (
        "In the starting position"
        if review.ending_ply == 0
        else f"After {label_at(review, review.ending_ply)}"
    )
    shown = f"{where}: {rule.detail}."
    return Lesson(rule.statement, rule.source, shown, rule=rule.rule, figure=rule.figure)


def _from_suspected(review: Review) -> Lesson | None:
    """The estimate's strongest suspicion against the side that should have won."""
    mine = [s for s in review.slips if not s.certain and s.side is review.side]
    scored = points_scored(review, review.side)
    if not mine or scored is None or scored == 1:
        return None
    worst = max(mine, key=lambda s: s.before.expected - s.after.expected)
    return Lesson(
        "The better side's first question at every move: what can the opponent do now?",
        "common practice",
        f"By the estimate {label_at(review, worst.ply, '?')} gave most away; "
        f"{worst.held[0].san} looked better.",
    )
