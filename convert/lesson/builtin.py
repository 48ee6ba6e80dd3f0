"""The built-in lesson "Trade into a won ending": composed positions with stored answers.

``builtin.json`` holds the positions and the author's sentences; ``builtin_sheet.json`` the
finished exercises, worked out once with tables and solver by :func:`compute` (run
``python -m convert.cli.lesson_store`` after a change), so that the lesson starts at once on any
machine.  Tests work them out again.
"""

from __future__ import annotations

import json
from collections.abc import Collection, Iterator
from dataclasses import dataclass, replace
from importlib import resources
from typing import TYPE_CHECKING

from convert.model.lesson import Exercise, Sheet, Task

if TYPE_CHECKING:
    from convert.judging.judges import Bench

TITLE = "Trade into a won ending"
INTRO = (
    "Composed positions for one lesson or several: the trade to make and the trade to refuse, "
    "the right way to take back, the rook given back or kept, the draw that a trade throws away "
    "or saves.",
)
POSITIONS, STORED = "builtin.json", "builtin_sheet.json"


@dataclass(frozen=True)
class BuiltinEntry:
    """A composed position: what is asked and the author's sentences."""

    id: str
    theme: str
    task: Task
    fen: str
    idea: str
    twin: str | None
    difference: str
    source: str


class UnsoundEntry(ValueError):
    """A composed position does not hold what is said of it; args[0] says which and why."""


def entries() -> tuple[BuiltinEntry, ...]:
    """The composed positions as they stand in the package."""
    text = resources.files("convert.lesson").joinpath(POSITIONS).read_text(encoding="utf-8")
    return tuple(
        BuiltinEntry(
            item["id"],
            item["theme"],
            Task(item["task"]),
            item["fen"],
            item["idea"],
            item["twin"],
            item["difference"],
            item["source"],
        )
        for item in json.loads(text)
    )


def compute(bench: Bench, chosen: tuple[BuiltinEntry, ...] | None = None) -> Iterator[Exercise]:
    """Work the exercises out with tables and solver.

    Raises:
        UnsoundEntry: a position is not settled, its answer is not what the task says, or its
            twin gives the same result.
    """
    used: list[str] = []
    for entry in entries() if chosen is None else chosen:
        exercise = compute_one(bench, entry, used)
        used.append(exercise.hint)
        yield exercise


def compute_one(bench: Bench, entry: BuiltinEntry, used: Collection[str] = ()) -> Exercise:
    """Work one exercise out; see :func:`compute`.  ``used``: hints that stand on the sheet already.

    Its hint differs from those, so it depends on what came before it.
    """
    import chess

    from convert.lesson.build import build
    from convert.lesson.judging import Candidate, draft, plain
    from convert.lesson.twins import twin_of

    board = plain(chess.Board(entry.fen))
    if board is None:
        raise UnsoundEntry(f"{entry.id}: castling or en passant, which no diagram shows")
    twin_board = plain(chess.Board(entry.twin)) if entry.twin else None
    if entry.twin and twin_board is None:
        raise UnsoundEntry(f"{entry.id}: twin with castling or en passant")
    boards = [board, twin_board] if twin_board is not None else [board]
    bench.prepare([b for b in boards if not bench.covered(b)])
    source = "" if entry.source.startswith("composed") else entry.source
    made = draft(bench, Candidate(board, source=source, task=entry.task))
    if made is None:
        raise UnsoundEntry(f"{entry.id}: not settled, or not the task '{entry.task}'")
    twin = None
    if twin_board is not None:
        twin = twin_of(bench, made, twin_board)
        if twin is None:
            raise UnsoundEntry(f"{entry.id}: the twin gives the same result")
    return build(
        bench,
        made,
        ident=entry.id,
        theme=entry.theme,
        idea=entry.idea,
        difference=entry.difference if twin is not None else "",
        twin=twin,
        deepen=True,
        used=used,
    )


def stored() -> tuple[Exercise, ...]:
    """The exercises with their stored answers, in the order of a sheet."""
    from convert.lesson.level import levelled

    sheet = read(resources.files("convert.lesson").joinpath(STORED).read_bytes())
    # Made anew: a field that the stored sheet lacks would stand in the class alone, unwritten.
    return tuple(levelled(replace(exercise)) for exercise in sheet.exercises)


def read(data: bytes) -> Sheet:
    """A sheet back from JSON.

    Raises:
        ValueError: not this shape.
    """
    import msgspec

    try:
        return msgspec.json.decode(data, type=Sheet)
    except msgspec.MsgspecError as err:
        raise ValueError(str(err)) from err
