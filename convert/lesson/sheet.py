"""A sheet's title and what it says of how it was made."""

from __future__ import annotations

from collections.abc import Iterable

from convert import __version__
from convert.lesson.model import SHEET_SCHEMA, Exercise, Sheet

CERTAIN = (
    "Every answer is certain: each legal move of every exercise is settled by the Laws of Chess, "
    "by tables or by the solver, and which of them stands behind a result is said beside it. "
    "Rules of thumb give the hints; they are unmeasured."
)
ORDER = (
    "The order is from easy to hard by judgement, not by measurement: moves that come into "
    "question, length of the line, a quiet key move, first impulses that fail, a rule of thumb "
    "that misleads, an answer missed in the game and many men each make an exercise harder. What "
    "counted stands with each answer."
)
TWIN = (
    "A twin is the nearest position, with a king or a pawn one square off, the other side to "
    "move or everything a file aside, in which the same idea gives another result."
)


def make_sheet(
    title: str, exercises: Iterable[Exercise], *, intro: tuple[str, ...] = (),
    notes: tuple[str, ...] = (),
) -> Sheet:
    """A sheet of exercises that are chosen and in order."""
    chosen = tuple(exercises)
    return Sheet(
        schema=SHEET_SCHEMA,
        program=f"fullpoint {__version__}",
        title=title,
        intro=(*intro, CERTAIN, ORDER, TWIN),
        exercises=chosen,
        notes=notes,
    )


