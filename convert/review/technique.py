"""Technique: how the winning side went about it once the outcome was exact.

Distances are Syzygy's: plies to the next capture, pawn move or mate with best
play (DTZ).  They measure progress, not beauty: a quiet improving move can cost
a ply or two and be perfectly good.
"""

from __future__ import annotations

from collections import Counter

from convert.model import Side, Technique
from convert.review.judged import Judged

#: A move is wasted when it leaves the goal at least this many plies further off
#: than it had to be, one more where the table rounds.
WASTED_FROM = 2


def technique(judged: Judged, side: Side) -> Technique | None:
    """Technique of ``side`` over the moves it made while its win was exact in the tables."""
    walked, bench = judged.walked, judged.bench
    moves = wasted = wasted_plies = worst = 0
    worst_ply: int | None = None
    first = last = 0
    spare: int | None = None
    rounded = False
    distance_before: dict[int, tuple[int, bool]] = {}

    def distance(ply: int) -> tuple[int, bool] | None:
        if ply not in distance_before:
            board = walked.boards[ply]
            result = bench.distance(board)
            if result is None:
                return None
            distance_before[ply] = (abs(result.plies), result.rounded)
        return distance_before[ply]

    for step in walked.steps:
        if Side.of(step.color) is not side:
            continue
        before, after = judged.before(step.ply), judged.after(step.ply)
        if not (before.exact and before.points == 1):
            continue
        now = distance(step.ply - 1)
        if now is None:
            continue
        first = first or step.ply
        last = step.ply
        moves += 1
        clock = walked.boards[step.ply - 1].halfmove_clock
        left = 100 - clock - now[0]
        spare = left if spare is None else min(spare, left)
        rounded = rounded or now[1]
        zeroing = walked.boards[step.ply].halfmove_clock == 0
        if zeroing or walked.boards[step.ply].is_checkmate() or after.points != 1:
            continue
        then = distance(step.ply)
        if then is None:
            continue
        rounded = rounded or then[1]
        lost = then[0] - (now[0] - 1)
        if lost >= WASTED_FROM + (now[1] or then[1]):
            wasted += 1
            wasted_plies += lost
            if lost > worst:
                worst, worst_ply = lost, step.ply
    if not moves:
        return None
    clocks = [(walked.boards[p].halfmove_clock, p) for p in range(first, len(walked.boards))]
    closest, closest_ply = max(clocks, key=lambda item: (item[0], -item[1]))
    seen = Counter(
        " ".join(walked.boards[p].fen().split()[:4]) for p in range(first - 1, len(walked.boards))
    )
    return Technique(
        side=side,
        first=first,
        last=last,
        moves=moves,
        wasted=wasted,
        wasted_plies=wasted_plies,
        worst_ply=worst_ply,
        closest_clock=closest,
        closest_ply=closest_ply,
        spare=spare,
        repeated=sum(n - 1 for n in seen.values()),
        rounded=rounded,
    )
