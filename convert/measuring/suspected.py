"""How often a suspected slip is a slip: found by the estimate, checked by outcomes hidden from it.

The solver is left out, so that the review has only tables, forced lines and the estimate; then
every move of the stretch is looked up in what was settled.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from convert.judging.judges import Bench
from convert.measuring.draw import bare, rank_of
from convert.measuring.stretches import Stretch
from convert.review.judged import judge_walk, slipped
from convert.review.slips import fall_of
from convert.shares import interval

#: Thresholds that are tried, as falls of the chance to win, or not to lose.
THRESHOLDS = tuple(n / 100 for n in range(30, 96, 5))
#: Another move must look better, in expected score, by this share of the threshold.
GAP = 1 / 3
#: At least this share of suspected slips must be slips.
PRECISION = 0.8
#: The least fall that is looked at.
_LEAST = THRESHOLDS[0]
#: Positions with fewer men lie in the tables.
_MEN = 5


@dataclass(frozen=True)
class Ply:
    """A move that no proof judges: what the estimate says, and whether it was a slip.

    ``fall``: by how much the player's chance to win, or not to lose, is less after the move;
    ``gap``: by how much, in expected score, the best-looking other move looks better than the one
    played, 0 where none does; ``place``: position and move.
    """

    cluster: str
    place: str
    fall: float
    gap: float
    slip: bool


def plies(stretch: Stretch, known: Mapping[str, int | None], bench: Bench) -> list[Ply]:
    """The moves of a stretch that tables and forced lines leave open and whose outcome is known."""
    walked = stretch.walk()
    judged = judge_walk(walked, bench)
    out = []
    for step in walked.steps:
        board, child = walked.boards[step.ply - 1], walked.boards[step.ply]
        if board.occupied.bit_count() < _MEN:
            break
        value, after = known.get(bare(board).fen()), known.get(bare(child).fen())
        before, then = judged.before(step.ply), judged.after(step.ply)
        if value is None or after is None or (before.exact and then.exact):
            continue
        if slipped(before, then):
            continue
        fall, gap = fall_of(before, then), 0.0
        if fall >= _LEAST:
            compared = bench.compared(board)
            other = next((verdict for move, verdict in compared if move != step.move), None)
            own = then if then.exact else dict(compared)[step.move]
            fall = fall_of(other, own) if other is not None else 0.0
            gap = other.expected - own.expected if other is not None else 0.0
        place = f"{bare(board).fen()} {step.move.uci()}"
        out.append(Ply(stretch.cluster, place, round(fall, 4), round(gap, 4), -after < value))
    return out


def figures(looked_at: Sequence[Ply], threshold: float) -> dict[str, Any]:
    """Precision and recall of suspected slips at a threshold, with what they were counted on."""
    suspected = [p for p in looked_at if p.fall >= threshold and p.gap >= GAP * threshold]
    right = sum(p.slip for p in suspected)
    slips = sum(p.slip for p in looked_at)
    precision = right / len(suspected) if suspected else None
    low, high = interval(len(suspected), precision or 0.0)
    return {
        "threshold": threshold,
        "moves": len(looked_at),
        "slips": slips,
        "suspected": len(suspected),
        "right": right,
        "precision": None if precision is None else round(precision, 4),
        "low": round(low, 4),
        "high": round(high, 4),
        "recall": round(right / slips, 4) if slips else None,
    }


def chosen(looked_at: Sequence[Ply]) -> float:
    """The lowest threshold from which on every one is precise enough; else the highest."""
    best = THRESHOLDS[-1]
    for threshold in reversed(THRESHOLDS):
        row = figures(looked_at, threshold)["precision"]
        if row is not None and row < PRECISION:
            break
        if row is not None:
            best = threshold
    return best


def table(looked_at: Sequence[Ply], seed: int) -> dict[str, Any]:
    """The threshold, its figures on all games and on each half of them, and all thresholds.

    A move that belongs to two stretches of one game counts once.
    """
    once = list({(ply.cluster, ply.place): ply for ply in looked_at}.values())
    halves: tuple[list[Ply], list[Ply]] = ([], [])
    for ply in once:
        halves[rank_of(seed, "half", ply.cluster) % 2].append(ply)
    threshold = chosen(once)
    return {
        "threshold": threshold,
        "better": round(GAP * threshold, 4),
        "counted": figures(once, threshold),
        "halves": [figures(half, threshold) for half in halves],
        "sweep": [figures(once, t) for t in THRESHOLDS],
    }
