"""What to teach from a game: one or two principles, each only where the game really shows it.

Works on a finished Review alone.  Each maker states its condition; `tests/test_lessons_taught.py`
has for each a game that shows it and one close by that does not.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable

from convert.model import Grade, Lesson, Part, Review, Side, Slip, Speaking, Trade
from convert.rules import rule_by_id
from convert.rules.figures import figure_of, refuted
from convert.wording.rules import worth_saying
from convert.wording.small import join, times

#: An ending with few men has no more than so many (kings included; judgement).
FEW = 7
#: Up to so many men (kings included) a position after a trade is an ending (judgement).
ENDING = 14
#: So many plies without capture or pawn move are near the fifty-move limit (judgement).
NEAR_FIFTY = 70
#: A side stood better from so many chances to win on (judgement).
BETTER = 0.5
#: A rule of thumb teaches from such a share of cases on in which it is right (judgement).
MOSTLY = 0.5
#: What is found of a rule that does not speak.
NOT_BETTER = ("no better", "refuted")


def teach(review: Review) -> tuple[Lesson, ...]:
    """The one or two principles the game shows best, most certain first."""
    lessons: list[Lesson] = []
    for make in KINDS.values():
        lesson = make(review)
        if lesson is not None and lesson.principle not in {f.principle for f in lessons}:
            lessons.append(lesson)
        if len(lessons) == 2:
            break
    return tuple(lessons)


def _trade_at(review: Review, ply: int) -> Trade | None:
    return next((t for t in review.trades if t.first <= ply <= t.last), None)


def _from_trade_slip(review: Review) -> Lesson | None:
    """A capture of a trade that cost the result for certain."""
    for slip in review.slips:
        trade = _trade_at(review, slip.ply)
        if not slip.certain or trade is None or not review.plies[slip.ply - 1].capture:
            continue
        label = review.label_at(slip.ply, "?")
        if _into_pawn_ending(trade):
            return Lesson(
                "Before the last pieces go, count the pawn ending to its end: the trade cannot "
                "be taken back.",
                "common practice",
                f"{label} went into a pawn ending that does not keep the result.",
            )
        ahead = review.phase_at(slip.ply - 1).ahead is slip.side
        if set(trade.white_gave) | set(trade.black_gave) == {"pawn"} and ahead:
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
    """A trade that kept the result for certain, and was not made."""
    for slip in review.slips:
        if not slip.certain or slip.missed_trade is None:
            continue
        wins = slip.before.low.points > 0
        keep = "won" if wins else "held"
        number = review.plies[slip.ply - 1].number
        dots = "." if slip.side is Side.WHITE else "..."
        return Lesson(
            "When a trade leads to an ending you know to be won, make it; do not play on for more."
            if wins
            else "When a trade leads to an ending you know to be drawn, make it in time.",
            "common practice",
            f"{number}{dots}{slip.missed_trade} {keep}; {review.label_at(slip.ply, '?')} did not.",
        )
    return None


def _from_saving_trade(review: Review) -> Lesson | None:
    """An even trade by the side that is behind, without which the draw was gone."""
    for trade in review.trades:
        for decision in trade.decisions:
            if (
                decision.grade is Grade.NEEDED
                and decision.before.points == 0
                and decision.part is not Part.DECLINE
                and abs(_worth(trade.white_gave) - _worth(trade.black_gave)) <= 2
                and review.phase_at(trade.first - 1).ahead is decision.side.other
            ):
                label = review.label_at(decision.ply)
                return Lesson(
                    "The defender looks for the trade after which the rest cannot be won.",
                    "common practice",
                    f"{label} was the only way to hold: no move that did not trade kept the draw.",
                )
    return None


def _worth(gave: tuple[str, ...]) -> int:
    return sum({"pawn": 1, "knight": 3, "bishop": 3, "rook": 5, "queen": 9}[man] for man in gave)


def _from_only_moves(review: Review) -> Lesson | None:
    """The one move that kept the result was missed; a rule of thumb that speaks for it comes first.

    The rule agrees with the result that the move kept.
    """
    missed = [o for o in review.only_moves if not o.found]
    if not missed:
        return None
    first = missed[0]
    whom = first.side if first.kept.points > 0 else None
    label = review.label_at(first.ply, "?")
    keep = "won" if first.kept.points > 0 else "held"
    number = review.plies[first.ply - 1].number
    dots = "." if first.side is Side.WHITE else "..."
    slip = next((s for s in review.slips if s.ply == first.ply), None)
    if slip is not None and (
        rules := [rule for rule in counted_of(slip.rules) if rule.side is whom]
    ):
        rule = rules[0]
        return Lesson(
            rule.statement,
            rule.source,
            f"Here: {rule.detail}. Only {number}{dots}{first.san} {keep}; {label} did not.",
            rule=rule.rule,
            figure=rule.figure,
        )
    if review.phase_at(first.ply - 1).men > FEW:
        return None
    return Lesson(
        "In an ending with few men left, look at every move: often one alone keeps the result.",
        "common practice",
        f"Only {number}{dots}{first.san} {keep}; {label} did not.",
    )


def _from_fifty_moves(review: Review) -> Lesson | None:
    """Thirty-five moves without capture or pawn move by a side that was winning, without pawns."""
    technique = review.technique
    if technique is None or technique.closest_clock < NEAR_FIFTY:
        return None
    if "P" in review.phase_at(technique.closest_ply).material:
        return None
    by = f"By {review.label_at(technique.closest_ply)}" if technique.closest_ply else "At the start"
    return Lesson(
        "Know the method for the piece endings before you need it: the fifty-move rule does not "
        "wait.",
        "common practice",
        f"{by} {technique.closest_clock // 2} moves had gone by without a capture or pawn move.",
    )


def _from_winning_trade(review: Review) -> Lesson | None:
    """The trade that took the game into a win by proof.

    Pieces on both sides, a rook for a minor piece at most, into an ending.  Where the win was
    known before it, only the trade of the last pieces.
    """
    side = review.side
    for trade in review.trades:
        if trade.after.for_side(side).points != 1:
            continue
        known = trade.before.for_side(side).points == 1
        if known and not trade.liquidation:
            continue
        if abs(_worth(trade.white_gave) - _worth(trade.black_gave)) > 2:
            continue
        if not all(set(gave) - {"pawn"} for gave in (trade.white_gave, trade.black_gave)):
            continue
        if review.phase_at(trade.last).men > ENDING:
            continue
        decision = next(
            (d for d in trade.decisions if d.side is side and d.part in (Part.OFFER, Part.START)),
            None,
        )
        if decision is None or decision.grade in (Grade.WRONG, Grade.AGAINST):
            continue
        voice = next((v for v in counted_of(decision.rules) if v.favours), None)
        label = review.label_at(decision.ply)
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
            f"{label} {'kept' if known else 'led to'} a certain win ({trade.balance_after}).",
        )
    return None


def _from_clean_conversion(review: Review) -> Lesson | None:
    """Won without a slip, with two trades of pieces at least while ahead in material.

    No trade is counted before which the side was level or behind.
    """
    side = review.side
    if review.scored(side) != 1 or any(s.side is side for s in review.slips):
        return None
    pieces = [
        t
        for t in review.trades
        if not t.before.exact and _pairs([t]) and review.phase_at(t.first - 1).ahead is side
    ]
    if len(pieces) < 2:
        return None
    names = _piece_names(pieces)
    if not names:
        return None
    rule = rule_by_id("ahead-trade-pieces")
    figure = figure_of(rule.id, rule.kind)
    if refuted(rule.id) or (figure is not None and figure.standing in NOT_BETTER):
        return None
    shown = f"{side.name_} traded {names} while ahead, and won."
    return Lesson(rule.statement, rule.source, shown, rule=rule.id, figure=figure)


def _pairs(trades: list[Trade]) -> dict[str, int]:
    """How many of each kind of piece left the board on both sides."""
    pairs = {"queen": 0, "rook": 0, "minor piece": 0}
    for trade in trades:
        white = [_class(man) for man in trade.white_gave]
        black = [_class(man) for man in trade.black_gave]
        for kind in pairs:
            pairs[kind] += min(white.count(kind), black.count(kind))
    return {kind: number for kind, number in pairs.items() if number}


def _piece_names(trades: list[Trade]) -> str:
    """What left the board on both sides: ``queens and 2 pairs of minor pieces``."""
    return join(
        [
            "queens"
            if kind == "queen" and n == 1
            else f"{'a pair' if n == 1 else f'{n} pairs'} of {kind}s"
            for kind, n in _pairs(trades).items()
        ]
    )


def _class(man: str) -> str:
    return "minor piece" if man in ("bishop", "knight") else man


def counted_of(rules: Iterable[Speaking]) -> tuple[Speaking, ...]:
    """The rules that teach: counted, better than their base, and right more often than not."""
    return tuple(
        rule
        for rule in rules
        if rule.strength and worth_saying(rule) and rule.figure and rule.figure.right >= MOSTLY
    )


def _from_what_followed(review: Review) -> Lesson | None:
    """A rule of thumb that explains why the position after a certain slip is what it is."""
    for slip in review.slips:
        after = counted_of(slip.rules_after)
        if slip.certain and after and slip.rules_after_ply is not None:
            rule = after[0]
            return Lesson(
                rule.statement,
                rule.source,
                f"{review.label_at(slip.ply, '?')} led to it. After "
                f"{review.label_at(slip.rules_after_ply)}: {rule.detail}.",
                rule=rule.rule,
                figure=rule.figure,
            )
    return None


def _from_slip(review: Review) -> Lesson | None:
    """A win that was let go for certain."""
    certain = [s for s in review.slips if s.certain and s.before.low.points > 0]
    if not certain:
        return None
    slip = certain[0]
    return Lesson(
        "A won game has still to be won: ask at every move what the other side wants.",
        "common practice",
        f"A win was let go {times(len(certain))}, first at {review.label_at(slip.ply, '?')}.",
    )


def _from_the_ending(review: Review) -> Lesson | None:
    """A rule of thumb that speaks where the ending took its shape, and came out as it says.

    Not where the outcome changed after that: then it came out so for another reason.
    """
    if not review.ending_rules or review.ending_ply is None:
        return None
    scored = review.scored(review.side)
    if any(slip.certain and slip.ply > review.ending_ply for slip in review.slips):
        return None
    known = review.verdict_at(review.ending_ply, review.side)
    if known.exact and known.points != scored:
        return None
    rules = [
        r
        for r in counted_of(review.ending_rules)
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
        else f"After {review.label_at(review.ending_ply)}"
    )
    shown = f"{where}: {rule.detail}."
    return Lesson(rule.statement, rule.source, shown, rule=rule.rule, figure=rule.figure)


def _from_suspected(review: Review) -> Lesson | None:
    """The estimate's strongest suspicion against the side that stood better and did not win.

    What it teaches depends on the moves: a check or capture passed over for a quiet move, or one
    that the slip allowed.  Else it teaches nothing.
    """
    mine = [s for s in review.slips if not s.certain and s.side is review.side]
    scored = review.scored(review.side)
    mine = [s for s in mine if s.held and s.before.win_probability >= BETTER]
    if not mine or scored is None or scored == 1:
        return None
    worst = max(mine, key=lambda s: s.before.expected - s.after.expected)
    label, better = review.label_at(worst.ply, "?"), worst.held[0].san
    gave = f"By the estimate {label} gave most away; {better} looked better"
    if _forcing(better) and not _forcing(worst.san):
        return Lesson(
            "Look at checks and captures before you look at quiet moves.",
            "common practice",
            f"{gave}.",
        )
    reply = _reply(review, worst)
    if reply is None or not _forcing(reply):
        return None
    return Lesson(
        "The better side's first question at every move: what can the opponent do now?",
        "common practice",
        f"{gave}. It allowed {reply}.",
    )


def _forcing(san: str) -> bool:
    """A check or a capture."""
    return "x" in san or san.endswith(("+", "#"))


def _reply(review: Review, slip: Slip) -> str | None:
    """The best reply to a slip, else the one that was played."""
    if slip.refuted is not None and slip.refuted.moves:
        return slip.refuted.moves[0]
    return review.plies[slip.ply].san if slip.ply < len(review.plies) else None


#: The kinds of lessons, those that rest on proof and say most first.
KINDS: dict[str, Callable[[Review], Lesson | None]] = {
    "what followed": _from_what_followed,
    "trade that cost": _from_trade_slip,
    "missed trade": _from_missed_trade,
    "saving trade": _from_saving_trade,
    "only move": _from_only_moves,
    "fifty moves": _from_fifty_moves,
    "winning trade": _from_winning_trade,
    "clean conversion": _from_clean_conversion,
    "slip": _from_slip,
    "the ending": _from_the_ending,
    "suspected": _from_suspected,
}
