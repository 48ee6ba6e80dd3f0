"""The course of a game, from its verdicts alone: whose it was, from when on, where it turned."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from convert.model import Phase, Side, Verdict
from convert.review.judged import Judged

#: Estimated probability of winning from which a side is called clearly better (judgement).
CLEARLY = 0.6
#: An estimate must stand for so many plies to call a side clearly better.
STANDING = 4


@dataclass(frozen=True)
class Course:
    """What the verdicts of a game tell of it; plies from 0, the starting position.

    ``side`` is the side under review, ``side_chosen`` why.  ``better``: from when on it was winning
    or clearly better for a while (`better_from`), None if never.  ``winner``: the side whose
    technique is looked at, None where neither had an exact win.  ``simplification`` and ``turning``
    as the functions of like name have it.  ``ending``: the ply after which the position is typical
    of the ending (see :class:`convert.model.Review`), ``stood``: the same, but with no exchange
    under way, so that the material is that of the ending.
    """

    side: Side
    side_chosen: str
    better: int | None
    winner: Side | None
    simplification: int | None
    turning: int | None
    ending: int
    stood: int


def course(judged: Judged, result: str, side: Side | None, *, first_better: bool = False) -> Course:
    """The course of a judged game.

    Args:
        judged: the game.
        result: as its record has it.
        side: the side under review; None: :func:`choose_side` chooses.
        first_better: see there.
    """
    verdicts, phases = judged.verdicts, judged.walked.phases
    chosen, why = choose_side(verdicts, result, side, first_better=first_better)
    ending = _ending_ply(verdicts, phases, chosen)
    since = next(phase.since for phase in phases if phase.first <= ending <= phase.last)
    return Course(
        side=chosen,
        side_chosen=why,
        better=better_from(verdicts, chosen, CLEARLY),
        winner=_winning_in_tables(verdicts, chosen),
        simplification=simplification(verdicts),
        turning=turning_point(verdicts),
        ending=ending,
        stood=max(ending, since),
    )


def choose_side(
    verdicts: Sequence[Verdict], result: str, side: Side | None, *, first_better: bool = False
) -> tuple[Side, str]:
    """The side under review and why it was chosen.

    The winner's, if he was ever winning or clearly better; else the side that was so first.  With
    ``first_better`` the result has no say in that: for counts of how many games were converted, in
    which choosing the winner would choose the answer.
    """
    if side is not None:
        return side, "asked for"
    winner = {"1-0": Side.WHITE, "0-1": Side.BLACK}.get(result)
    if (
        not first_better
        and winner is not None
        and better_from(verdicts, winner, CLEARLY) is not None
    ):
        return winner, "the winner"
    first = winning_first(verdicts, CLEARLY)
    if first is not None:
        return first, "the first to be winning or clearly better"
    if result == "0-1":
        return Side.BLACK, "the winner; neither side was clearly better before"
    if result == "1-0":
        return Side.WHITE, "the winner; neither side was clearly better before"
    best_white = max(v.for_side(Side.WHITE).expected for v in verdicts)
    best_black = max(v.for_side(Side.BLACK).expected for v in verdicts)
    side = Side.WHITE if best_white >= best_black else Side.BLACK
    return side, "neither side was clearly better; this one came nearer"


def _winning_in_tables(verdicts: Sequence[Verdict], side: Side) -> Side | None:
    """The side whose technique is looked at: the one under review if it had an exact win."""
    for candidate in (side, side.other):
        if any(v.for_side(candidate).points == 1 for v in verdicts):
            return candidate
    return None


def _ending_ply(verdicts: Sequence[Verdict], phases: Sequence[Phase], side: Side) -> int:
    """The ply after which the position is typical of the ending: see :class:`Review`."""
    for ply, verdict in enumerate(verdicts):
        if verdict.for_side(side).points == 1:
            return ply
    better = better_from(verdicts, side, CLEARLY)
    last = phases[-1].since
    if better is None:
        return last
    phase = next(p for p in phases if p.first <= better <= p.last)
    return max(better, phase.since)


def turning_point(verdicts: Sequence[Verdict]) -> int | None:
    """First ply from which the outcome is exact and the same to the end of the game.

    ``verdicts[i]`` is for White after ply ``i``.  None when the final position
    is not exact.
    """
    last = verdicts[-1]
    if not last.exact:
        return None
    turn = len(verdicts) - 1
    for ply in range(len(verdicts) - 1, -1, -1):
        if not verdicts[ply].exact or verdicts[ply].points != last.points:
            break
        turn = ply
    return turn


def simplification(verdicts: Sequence[Verdict]) -> int | None:
    """First ply from which every position of the game is settled exactly."""
    ply = None
    for i in range(len(verdicts) - 1, -1, -1):
        if not verdicts[i].exact:
            break
        ply = i
    return ply


def winning_first(verdicts: Sequence[Verdict], clearly: float) -> Side | None:
    """The side that was winning, or clearly better by the estimate for a while, first."""
    firsts = [
        (ply, side) for side in Side if (ply := better_from(verdicts, side, clearly)) is not None
    ]
    return min(firsts)[1] if firsts else None


def better_from(verdicts: Sequence[Verdict], side: Side, clearly: float) -> int | None:
    """First ply after which ``side`` is winning, or clearly better for :data:`STANDING` plies."""
    run = 0
    for ply, verdict in enumerate(verdicts):
        judged = verdict.for_side(side)
        if judged.points == 1:
            return ply - run
        run = run + 1 if judged.win_probability >= clearly else 0
        if run == STANDING:
            return ply - run + 1
    return ply - run + 1 if run else None


def better_stretches(
    verdicts: Sequence[Verdict], side: Side, clearly: float
) -> list[tuple[int, int | None]]:
    """First and last position of each stretch in which ``side`` is clearly better.

    It begins and ends as the estimate is above or below ``clearly`` for :data:`STANDING` positions,
    or to the last one; the end is None where it stands at the last position.
    """
    better = [
        judged.points == 1 or judged.win_probability >= clearly
        for judged in (verdict.for_side(side) for verdict in verdicts)
    ]
    out: list[tuple[int, int | None]] = []
    start: int | None = None
    for i, now in enumerate(better):
        if now is (start is None) and all(each is now for each in better[i : i + STANDING]):
            if start is None:
                start = i
            else:
                out.append((start, i - 1))
                start = None
    return out if start is None else [*out, (start, None)]
