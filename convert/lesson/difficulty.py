"""How hard an exercise is: points by judgement, each with its reason in words.

Not measured on pupils.  The points order the sheet and set the three levels.
"""

from __future__ import annotations

from convert.lesson.judging import Draft
from convert.model import Line, Speaking
from convert.model.lesson import Level, Task
from convert.wording.small import join

#: Up to so many points an exercise is easy, up to so many medium.
EASY_UP_TO, MEDIUM_UP_TO = 2, 4

_IMPULSE_WORDS = {"capture": "a capture", "check": "a check", "push": "a push of the passed pawn"}


def level_of(points: int) -> Level:
    """The level for a sum of points."""
    if points <= EASY_UP_TO:
        return Level.EASY
    return Level.MEDIUM if points <= MEDIUM_UP_TO else Level.HARD


def difficulty(
    draft: Draft, line: Line | None, against: Speaking | None
) -> tuple[int, tuple[str, ...]]:
    """Points and their reasons, in the order in which the sheet states them."""
    board = draft.board
    total = 0
    reasons: list[str] = []

    def add(points: int, reason: str) -> None:
        nonlocal total
        total += points
        reasons.append(reason)

    think = sum(o.plausible for o in (*draft.keep, *draft.fail))
    if draft.task is not Task.RECAPTURE and think >= 5:
        add(2 if think >= 10 else 1, f"{think} moves come into question")
    wrong = sum(o.plausible for o in draft.fail)
    if draft.task is Task.ONLY and wrong >= 4:
        add(1, f"{wrong} of them fail")
    # A draw that is held has no length of its own.
    plies = len(line.moves) if line is not None and draft.points else 0
    if plies >= 7:
        moves = (plies + 1) // 2
        add(2 if plies >= 15 else 1, f"the line is {moves} moves long")
    if draft.key is not None and len(draft.keep) <= 2 and draft.task is not Task.RECAPTURE:
        quiet = not board.is_capture(draft.key) and not board.gives_check(draft.key)
        if quiet and not draft.key.promotion:
            add(1, "the key move is quiet")
    key = next((o for o in draft.keep if o.move == draft.key), None)
    if key is not None and not key.plausible and draft.points >= 0:
        add(1, "the key move gives something up")
    impulses = {
        impulse
        for option in draft.tempting
        if option.move != draft.asked
        for impulse in option.impulses
    }
    if draft.task is Task.RECAPTURE:
        impulses = set()
    if impulses and draft.points >= 0:
        words = [_IMPULSE_WORDS[name] for name in _IMPULSE_WORDS if name in impulses]
        add(
            len(words),
            f"the first impulse may be wrong: {join(words)} fails"
            if len(words) == 1
            else f"first impulses are wrong: {join(words)} fail",
        )
    if against is not None:
        add(1, f"the rule \u201c{against.name}\u201d points the other way")
    if missed(draft):
        add(1, "the answer was missed in the game")
    men = board.occupied.bit_count()
    if men >= 7:
        add(1, f"{men} men are on the board")
    if draft.task is Task.RESULT:
        add(1, "only the result is asked for, no move is named")
    if not reasons:
        reasons.append("few moves to think about, and a short line")
    return total, tuple(reasons)


def missed(draft: Draft) -> bool:
    """Was the right answer missed in the game the position comes from?"""
    played = draft.candidate.played
    if played is None or draft.points < 0:
        return False
    return any(o.move == played for o in draft.fail)
