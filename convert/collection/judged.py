"""The columns that need verdicts: from a review, added to the rows of the walk."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING, Any

import chess

from convert.board.balance import balance, material_text, men
from convert.board.kinds import phase_kind
from convert.model import (
    Deciding,
    Decision,
    Grade,
    Part,
    PlyRecord,
    Review,
    Side,
    Slip,
    Trade,
    Verdict,
)
from convert.review.course import CLEARLY, better_from
from convert.review.endings import Row, points_of, side_ahead
from convert.review.game import Refused, review_game
from convert.review.walker import Walk
from tablebases.errors import Contradiction
from tablebases.values import Outcome

if TYPE_CHECKING:
    from convert.judging.judges import Bench
    from convert.reading.records import GameRead, LineRead

#: Outcomes in words, as in the glossary.
OUTCOMES = {
    Outcome.WIN: "win",
    Outcome.CURSED_WIN: "cursed win",
    Outcome.DRAW: "draw",
    Outcome.BLESSED_LOSS: "blessed loss",
    Outcome.LOSS: "loss",
}
_CLOCK = re.compile(r"\[%clk\s+([0-9]+):([0-9]{1,2}):([0-9]{1,2}(?:\.[0-9]+)?)\]")


def add_review(
    tables: dict[str, list[Row]], read: GameRead | LineRead, walked: Walk, bench: Bench
) -> str | None:
    """Review the game and add what is known then; returns why it could not be, or None.

    A game in which the review fails for a reason nobody thought of must not stop ten million
    others: it is told, and keeps the rows of its moves.
    """
    try:
        review = review_game(read, bench, first_better=True)  # type: ignore[arg-type]
    except (Refused, Contradiction) as err:
        return str(err)
    except Exception as err:
        return f"the review failed ({type(err).__name__}: {err})"
    game = tables["games"][0]
    add_verdicts(game, walked, review)
    for row, trade in zip(tables["trades"], review.trades, strict=True):
        _add_trade(row, trade, review.side)
    tables["decisions"] = decisions(game, tables["trades"], review, walked)
    gifts = {slip.handed_back for slip in review.slips}
    tables["slips"] = [
        _slip(game, slip, review.plies[slip.ply - 1], walked, gifts) for slip in review.slips
    ]
    return None


def verdicts_of(review: Review) -> list[Verdict]:
    """The verdict for White after each ply, 0 first."""
    return [review.start_verdict, *(record.verdict for record in review.plies)]


def add_verdicts(game: Row, walked: Walk, review: Review) -> None:
    """The judged columns of ``games``."""
    side, verdicts = review.side, verdicts_of(review)
    game["side"] = side.value
    winning = any(verdict.for_side(side).points == 1 for verdict in verdicts)
    better = better_from(verdicts, side, CLEARLY) is not None
    if better and review.ending_ply is not None:
        ply = review.ending_ply
        count = walked.counts[ply]
        game["better_ply"] = ply
        game["better_certain"] = winning
        game["better_evidence"] = verdicts[ply].evidence.value
        game["better_kind"] = phase_kind(count)
        game["better_material"] = material_text(count)
        game["better_edge"] = balance(count).edge
        game["better_ahead"] = side_ahead(count)
        points = points_of(game["white_points"], side.color)
        game["converted"] = None if points is None else points == 1.0
    for color in Side:
        sides_verdicts = [verdict.for_side(color) for verdict in verdicts]
        best = max(range(len(sides_verdicts)), key=lambda ply: (sides_verdicts[ply].low, -ply))
        chance = max(
            range(len(sides_verdicts)), key=lambda ply: (sides_verdicts[ply].win_probability, -ply)
        )
        if sides_verdicts[best].low > Outcome.LOSS:
            game[f"{color}_best"] = OUTCOMES[sides_verdicts[best].low]
            game[f"{color}_best_evidence"] = sides_verdicts[best].evidence.value
            game[f"{color}_best_ply"] = best
            game[f"{color}_best_kind"] = phase_kind(walked.counts[best])
        game[f"{color}_best_chance"] = sides_verdicts[chance].win_probability
        game[f"{color}_best_chance_ply"] = chance
        since = better_from(verdicts, color, CLEARLY)
        if since is not None:
            game[f"{color}_better_ply"] = since
            game[f"{color}_better_kind"] = phase_kind(walked.counts[since])
        mine = [slip for slip in review.slips if slip.side is color]
        if sides_verdicts[best].points == 1:
            game[f"{color}_let_slip"] = any(slip.before.low.points == 1 for slip in mine)
        game[f"{color}_slips"] = sum(slip.certain for slip in mine)
        game[f"{color}_suspected"] = sum(not slip.certain for slip in mine)
    if winning:
        game["let_slip"] = any(
            slip.certain and slip.side is side and slip.before.low.points == 1
            for slip in review.slips
        )
    if review.simplification is not None:
        settled = verdicts[review.simplification].for_side(side)
        game["settled_ply"] = review.simplification
        game["settled_outcome"] = OUTCOMES[settled.low]
        game["settled_evidence"] = settled.evidence.value
    game["turning_ply"] = review.turning
    game["final_expected"] = verdicts[-1].for_side(Side.WHITE).expected
    if verdicts[-1].exact:
        game["final_outcome"] = OUTCOMES[verdicts[-1].for_side(Side.WHITE).low]
        game["final_evidence"] = verdicts[-1].evidence.value
    if review.deciding is not None:
        game |= _deciding(review.deciding, review, walked)


def _deciding(moment: Deciding, review: Review, walked: Walk) -> Row:
    return {
        "deciding_ply": moment.ply,
        "deciding_number": review.plies[moment.ply - 1].number,
        "deciding_side": moment.side.value,
        "deciding_move": moment.san,
        "deciding_certain": moment.certain,
        "deciding_before": moment.before.expected,
        "deciding_after": moment.after.expected,
        "deciding_better": moment.held[0].san if moment.held else None,
        "deciding_fen": moment.fen,
        "deciding_kind": phase_kind(walked.counts[moment.ply - 1]),
    }


def _verdict(prefix: str, verdict: Verdict) -> dict[str, Any]:
    return {
        f"{prefix}_low": OUTCOMES[verdict.low],
        f"{prefix}_high": OUTCOMES[verdict.high],
        f"{prefix}_evidence": verdict.evidence.value,
        f"{prefix}_win": verdict.win_probability,
    }


def _add_trade(row: Row, trade: Trade, side: Side) -> None:
    row["moves"] = " ".join(trade.moves)
    row["side"] = side.value
    for prefix, verdict in (("before", trade.before), ("after", trade.after)):
        row |= _verdict(prefix, verdict.for_side(trade.began_by))
        verdict_before = verdict.for_side(side)
        row[f"side_{prefix}_low"] = OUTCOMES[verdict_before.low]
        row[f"side_{prefix}_high"] = OUTCOMES[verdict_before.high]
        row[f"side_{prefix}_win"] = verdict_before.win_probability
    for part in (Part.START, Part.OFFER, Part.RECAPTURE):
        grades = [decision.grade for decision in trade.decisions if decision.part is part]
        row[f"{part.value}_grade"] = grades[0].value if grades else None


def decisions(game: Row, trades: list[Row], review: Review, walked: Walk) -> list[Row]:
    """Rows of ``decisions``: those of the trades, then the trades that were declined."""
    rows = [
        _decision(game, row, decision, walked)
        for row, trade in zip(trades, review.trades, strict=True)
        for decision in trade.decisions
    ]
    rows += [_decision(game, None, decision, walked) for decision in review.declined]
    return rows


def _decision(game: Row, trade: Row | None, decision: Decision, walked: Walk) -> Row:
    color = decision.side.color
    return {
        "game": game["id"],
        "trade": trade["trade"] if trade else None,
        "part": decision.part.value,
        "ply": decision.ply,
        "side": decision.side.value,
        "move": decision.san,
        "grade": decision.grade.value,
        "gone": trade["gone"] if trade else None,
        "kind": phase_kind(walked.counts[decision.ply - 1]),
        "rating": _rating(game, color),
        "points": points_of(game["white_points"], color),
        **_verdict("before", decision.before),
        **_verdict("after", decision.after),
        "better_move": _better(decision),
        "difference": decision.difference,
    }


def _better(decision: Decision) -> str | None:
    """The alternative, where it is better than the move played."""
    best = decision.best
    if best is None:
        return None
    if decision.grade in (Grade.WRONG, Grade.MISSED):
        return best.san
    return best.san if best.verdict.expected > decision.after.expected else None


def _rating(game: Row, color: chess.Color) -> int | None:
    rating: int | None = game["white_rating"] if color else game["black_rating"]
    return rating


def _slip(game: Row, slip: Slip, record: PlyRecord, walked: Walk, gifts: set[int | None]) -> Row:
    color = slip.side.color
    count = walked.counts[slip.ply - 1]
    return {
        "game": game["id"],
        "ply": slip.ply,
        "number": record.number,
        "side": slip.side.value,
        "move": slip.san,
        "certain": slip.certain,
        **_verdict("before", slip.before),
        **_verdict("after", slip.after),
        "by_trade": slip.by_trade,
        "missed_trade": slip.missed_trade,
        "held": slip.held[0].san if slip.held else None,
        "gift": slip.ply in gifts,
        "cost": slip.before.expected - slip.after.expected,
        "handed_back": slip.handed_back is not None,
        "handed_back_ply": slip.handed_back,
        "halfmove_clock": int(slip.fen.split()[4]),
        "clock_seconds": _seconds(record),
        "fen": slip.fen,
        "kind": phase_kind(count),
        "men": men(count),
        "rating": _rating(game, color),
        "other_rating": _rating(game, not color),
        "points": points_of(game["white_points"], color),
    }


def _seconds(record: PlyRecord) -> float | None:
    """Time left by the ``[%clk h:mm:ss]`` command in the author's comment."""
    match = _CLOCK.search(record.comment)
    return int(match[1]) * 3600 + int(match[2]) * 60 + float(match[3]) if match else None
