"""A sheet of exercises as EPD (*PGN Specification and Implementation Guide*, 1994, section 16.2).

One record an exercise: ``bm`` the moves that keep the result and ``am`` those that are tempting
and fail (with ``refuse`` the trade that is asked about), ``id`` the exercise, ``c0`` the task,
``c1`` the theme, ``c2`` the result with its evidence, ``c3`` the hint, ``c4`` the twin's FEN,
``c5`` what is different in it, ``c6`` the level with its reasons, ``c7`` where the position is
from.  Where the side to move loses there is no ``bm``.
"""

from __future__ import annotations

import re

import chess

from convert.model.lesson import Exercise, Sheet, Task
from convert.wording.lessons import heading, level_text, result_of

_UNPRINTABLE = re.compile(r"[\x00-\x1f\x7f]+")


def epd_text(sheet: Sheet) -> str:
    """The sheet, one record a line."""
    return "".join(epd_line(exercise) + "\n" for exercise in sheet.exercises)


def epd_line(exercise: Exercise) -> str:
    """One exercise as an EPD record, without a line end."""
    board = chess.Board(exercise.fen)
    operations: dict[str, object] = {}
    keep = [chess.Move.from_uci(tried.uci) for tried in exercise.keep]
    if keep and exercise.kept == len(keep):
        operations["bm"] = keep
    elif keep:
        operations["bm"] = keep[:1]
    wrong = [chess.Move.from_uci(tried.uci) for tried in exercise.wrong]
    if exercise.task is Task.REFUSE and exercise.asked is not None:
        wrong = [chess.Move.from_uci(exercise.asked.uci)]
    if wrong:
        operations["am"] = wrong
    operations["hmvc"] = board.halfmove_clock
    operations["fmvn"] = board.fullmove_number
    operations["id"] = _clean(exercise.ident)
    operations["c0"] = _clean(exercise.question)
    operations["c1"] = _clean(heading(exercise))
    operations["c2"] = _clean(result_of(exercise))
    operations["c3"] = _clean(exercise.hint)
    if exercise.hints[1:]:
        operations["c8"] = _clean(" ".join(exercise.hints[1:]))
    if exercise.twin is not None:
        operations["c4"] = _clean(exercise.twin.fen)
        operations["c5"] = _clean(" ".join(exercise.twin.difference))
    operations["c6"] = _clean(level_text(exercise))
    if exercise.source:
        operations["c7"] = _clean(exercise.source)
    return board.epd(**operations)  # type: ignore[arg-type]


def _clean(text: str) -> str:
    """A string operand has no quotes and no control characters (section 16.2.3)."""
    text = text.replace('"', "'").replace("\u201c", "'").replace("\u201d", "'")
    return _UNPRINTABLE.sub(" ", text.replace("\\", "/")).strip()
