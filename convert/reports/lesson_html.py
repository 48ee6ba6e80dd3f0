"""A sheet of exercises as one HTML file: tasks, then hints, then the answers with their twins.

No script, no network, no font: the page reads, folds and prints without them.  On paper the
hints and the answers each begin a page of their own.  All text is escaped, and a content
security policy in the page forbids everything but its own style sheet.
"""

from __future__ import annotations

from dataclasses import dataclass

import chess
from markupsafe import Markup

from convert.model.lesson import Exercise, Sheet, Task, Tried, Twin
from convert.reports.board_svg import Mark, board_svg, piece_defs
from convert.reports.html_text import environment, frame
from convert.reports.lesson_text import line_with_end
from convert.wording.lessons import heading, hint_source, level_text, result_of, summary


@dataclass(frozen=True)
class ShownExercise:
    """One exercise as the template needs it."""

    number: int
    exercise: Exercise
    theme: str
    result: str
    level: str
    task: Markup
    solution: Markup
    answer: tuple[str, ...]
    hint_source: str
    hints: tuple[str, ...]
    twin: Markup | None
    twin_line: str


def html_text(sheet: Sheet) -> str:
    """The page; the same sheet always gives the same text."""
    return (
        environment()
        .get_template("lesson.html.j2")
        .render(
            **frame("lesson.css"),
            defs=piece_defs(),
            sheet=sheet,
            summary=summary(sheet),
            shown=[_shown(number, e) for number, e in enumerate(sheet.exercises, 1)],
        )
    )


def _shown(number: int, exercise: Exercise) -> ShownExercise:
    twin = exercise.twin
    line = None
    if twin is not None:
        line = twin.same.line if twin.same is not None else twin.line
    return ShownExercise(
        number=number,
        exercise=exercise,
        theme=heading(exercise),
        result=result_of(exercise),
        level=level_text(exercise),
        task=board_svg(exercise.fen, marks=_question_marks(exercise), ident=f"task-{number}"),
        solution=board_svg(
            exercise.fen, marks=_marks(exercise.fen, _key(exercise)), ident=f"answer-{number}"
        ),
        answer=exercise.answer,
        hint_source=hint_source(exercise),
        hints=exercise.hints or ((exercise.hint,) if exercise.hint else ()),
        twin=board_svg(twin.fen, marks=_twin_marks(twin), ident=f"twin-{number}")
        if twin is not None
        else None,
        twin_line=line_with_end(line) if line is not None and len(line.moves) > 1 else "",
    )


def _question_marks(exercise: Exercise) -> tuple[Mark, ...]:
    """The square on which something has just been taken; other tasks give nothing away."""
    if exercise.task is not Task.RECAPTURE or exercise.shown is None:
        return ()
    return (Mark("square", exercise.shown.uci[2:4]),)


def _key(exercise: Exercise) -> Tried | None:
    if exercise.task is Task.RESULT and exercise.kept > 1:
        return None
    return exercise.shown


def _marks(fen: str, tried: Tried | None) -> tuple[Mark, ...]:
    if tried is None:
        return ()
    move = chess.Move.from_uci(tried.uci)
    kind = "takes" if chess.Board(fen).is_capture(move) else "move"
    return (Mark(kind, tried.uci[:2], tried.uci[2:4]),)


def _twin_marks(twin: Twin) -> tuple[Mark, ...]:
    marks = tuple(Mark("square", square) for square in twin.moved)
    return marks + _marks(twin.fen, twin.same)
