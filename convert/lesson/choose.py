"""Which exercises make a sheet: good ones, of different themes, no two alike, easy ones first."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, replace

import chess

from convert.judging.judges import Bench
from convert.lesson.build import build
from convert.lesson.difficulty import missed
from convert.lesson.judging import Draft
from convert.model.lesson import Exercise, Level, Task
from convert.wording.themes import BY_IDENT

#: Drafts kept of each theme and task while reading, the best by :func:`promise`.
MOST_KEPT = 24
#: Exercises written out, with twins, for each one that is wanted.
WRITTEN_FOR_ONE = 3
#: Two positions are alike if no more than so many men stand elsewhere.
ALIKE = 3

#: A share of the sheet that is for trades, where there are so many: one in so many exercises.
TRADES_ONE_IN = 3
#: The twin may have the other side to move in one of so many exercises.
TURNED_ONE_IN = 4
TRADES = frozenset({Task.TRADE, Task.REFUSE, Task.RECAPTURE})
"""Tasks that ask for a trade: to make, to refuse, or how to take back."""

_TASK_WORTH = {Task.TRADE: 4, Task.REFUSE: 3, Task.RECAPTURE: 4, Task.ONLY: 1, Task.RESULT: 0}


def promise(draft: Draft) -> int:
    """How good an exercise the draft promises to be, by judgement, before its twin is known."""
    board = draft.board
    worth = _TASK_WORTH[draft.task]
    worth += 2 if len(draft.keep) == 1 else 1 if len(draft.keep) == 2 else 0
    worth += 2 * missed(draft)
    worth += min(2, sum(bool(o.impulses) for o in draft.tempting))
    worth += bool(board.pawns) + (board.occupied.bit_count() >= 5)
    worth -= board.is_check()
    if draft.task is Task.RESULT and draft.points < 0:
        worth -= 1
    return worth


def goodness(exercise: Exercise, draft: Draft) -> int:
    """The same when the exercise is written out: a twin counts most."""
    worth = promise(draft)
    if exercise.twin is not None:
        worth += 3
        if exercise.twin.verdict.points == exercise.verdict.points:
            worth += 1
        if len(exercise.twin.difference) > 1:
            worth += 1
    return worth


class Pool:
    """The best drafts met so far, a bounded number of each kind of ending."""

    def __init__(self) -> None:
        self.met = 0
        self._kept: dict[tuple[object, ...], list[tuple[int, int, Draft]]] = {}
        self._seen: set[tuple[object, ...]] = set()

    def add(self, draft: Draft) -> None:
        """Keep the draft if it is among the best of its kind; the same position counts once."""
        key = normal(draft.board)
        if key in self._seen:
            return
        self._seen.add(key)
        self.met += 1
        kind = (draft.task, _pieces(draft.board))
        chosen = self._kept.setdefault(kind, [])
        chosen.append((-promise(draft), self.met, draft))
        chosen.sort(key=lambda item: item[:2])
        for _, _, gone in chosen[MOST_KEPT:]:
            self._seen.discard(normal(gone.board))
        del chosen[MOST_KEPT:]

    def drafts(self) -> list[Draft]:
        """The drafts kept, the most promising first."""
        flat = [item for chosen in self._kept.values() for item in chosen]
        return [draft for _, _, draft in sorted(flat, key=lambda item: item[:2])]


def _pieces(board: chess.Board) -> tuple[int, ...]:
    men = board.occupied & ~board.pawns & ~board.kings
    return tuple(sorted(board.piece_type_at(s) or 0 for s in chess.scan_forward(men)))


def normal(board: chess.Board) -> tuple[object, ...]:
    """Equal for positions that differ only by colours exchanged or by mirror image."""
    return min(_image(board, flip) for flip in (False, True))


def _image(board: chess.Board, flip: bool) -> tuple[object, ...]:
    own = board.turn
    men = []
    for square, piece in board.piece_map().items():
        at = square if own else chess.square_mirror(square)
        men.append((at ^ 7 if flip else at, piece.piece_type, piece.color is own))
    return tuple(sorted(men))


def alike(a: chess.Board, b: chess.Board) -> bool:
    """Nearly the same position, up to colours and mirror image."""
    first = set(_image(a, False))
    if a.occupied.bit_count() != b.occupied.bit_count():
        return False
    return any(
        len(first - set(_image(b, flip))) <= min(ALIKE, len(first) // 2) for flip in (False, True)
    )


@dataclass(frozen=True)
class Wanted:
    """What the user asks for: empty themes or levels mean all."""

    count: int | None
    themes: frozenset[str] = frozenset()
    levels: frozenset[Level] = frozenset()

    def fits(self, exercise: Exercise) -> bool:
        """Is the exercise of a theme and level asked for?"""
        return (not self.themes or exercise.theme in self.themes) and (
            not self.levels or exercise.level in self.levels
        )


def write_out(
    bench: Bench,
    drafts: Sequence[Draft],
    wanted: Wanted,
    tell: Callable[[int], None] | None = None,
) -> list[tuple[Exercise, Draft]]:
    """The exercises that the drafts make, as many as are needed to choose from.

    A question for the result stands only with a twin beside it in which the result is
    another; without one it is left out.
    """
    count = wanted.count
    most = None if count is None else WRITTEN_FOR_ONE * count + 8
    out: list[tuple[Exercise, Draft]] = []
    kinds: dict[tuple[object, ...], int] = {}
    for draft in drafts:
        if most is not None and len(out) >= most:
            break
        kind = (draft.task, _pieces(draft.board))
        # No kind of ending may fill the sheet.
        if count is not None and kinds.get(kind, 0) >= max(2, count // 2):
            continue
        exercise = build(bench, draft)
        if tell is not None:
            tell(len(out))
        if not wanted.fits(exercise):
            continue
        if draft.task is Task.RESULT and exercise.twin is None:
            continue
        kinds[kind] = kinds.get(kind, 0) + 1
        out.append((exercise, draft))
    return out


def choose(made: Sequence[tuple[Exercise, Draft]], wanted: Wanted) -> list[tuple[Exercise, Draft]]:
    """The best of the exercises, varied by theme, task and game."""
    count = len(made) if wanted.count is None else wanted.count
    for_trades = math.ceil(count / TRADES_ONE_IN)
    left = list(made)
    taken: list[tuple[Exercise, Draft]] = []
    while left and len(taken) < count:
        trades = sum(e.task in TRADES for e, _ in taken)
        short = count - len(taken) <= for_trades - trades

        def worth(i: int, short: bool = short) -> tuple[bool, float, int]:
            exercise, _ = left[i]
            gain = _gain(left[i], taken, bool(wanted.themes))
            return short and exercise.task in TRADES, gain, -i

        item = left.pop(max(range(len(left)), key=worth))
        if not any(same_idea(item, other) for other in taken):
            taken.append(item)
    return taken


def same_idea(a: tuple[Exercise, Draft], b: tuple[Exercise, Draft]) -> bool:
    """Nearly the same position, or the same theme or question out of one game."""
    group = a[1].candidate.group
    one_game = bool(group) and group == b[1].candidate.group
    if one_game and (a[0].theme == b[0].theme or a[0].task is b[0].task):
        return True
    return alike(a[1].board, b[1].board)


def with_searched(
    chosen: Sequence[tuple[Exercise, Draft]],
    more: Iterable[tuple[Exercise, Draft]],
    count: int,
) -> list[tuple[Exercise, Draft]]:
    """Exercises past proof behind those that are proved, as far as there is room.

    Where fewer than a third of a full sheet are trades, the last proved exercises without one make
    room for trades past proof.
    """
    out = list(chosen)
    for item in more:
        if any(same_idea(item, other) for other in out):
            continue
        if len(out) < count:
            out.append(item)
            continue
        trades = sum(e.task in TRADES for e, _ in out)
        if trades * TRADES_ONE_IN >= count:
            break
        place = next((i for i in reversed(range(len(out))) if out[i][0].task not in TRADES), None)
        if item[0].task not in TRADES or place is None:
            continue
        del out[place]
        out.append(item)
    return out


def finish(
    bench: Bench,
    chosen: Sequence[tuple[Exercise, Draft]],
    work: float,
    clock: float = math.inf,
) -> tuple[Exercise, ...]:
    """The exercises in order, the solved ones with their lines played on.

    The solver looks at what comes after the moves shown until it has done ``work`` (planned
    seconds) or taken ``clock`` (seconds) in all.
    """
    from convert.lesson.searched import write

    out: list[Exercise] = []
    turned = 0
    for exercise, draft in chosen:
        used = tuple(e.hint for e in out)
        if draft.searched:
            out.append(write(bench, draft, used) if exercise.hint in used else exercise)
            continue
        more = (
            bench.solver is not None
            and bench.solver.seconds < work
            and bench.solver.clock < clock
            and not bench.covered(draft.board)
        )
        full = (turned + 1) * TURNED_ONE_IN > len(chosen)
        barred = full and exercise.twin is not None and exercise.twin.kind == "move"
        if more or barred or exercise.hint in used:
            exercise = build(bench, draft, deepen=more, used=used, no_turned=full)
        if exercise.task is Task.RESULT and exercise.twin is None:
            continue
        turned += exercise.twin is not None and exercise.twin.kind == "move"
        out.append(exercise)
    return in_order(out)


def _gain(
    item: tuple[Exercise, Draft], taken: Sequence[tuple[Exercise, Draft]], one_theme: bool
) -> float:
    exercise, draft = item
    worth = float(goodness(exercise, draft))
    for other, other_draft in taken:
        worth -= 0.0 if one_theme else 1.5 * (other.theme == exercise.theme)
        worth -= 0.7 * (other.task is exercise.task)
        group = draft.candidate.group
        worth -= 4.0 * bool(group and group == other_draft.candidate.group)
    return worth


def in_order(exercises: Iterable[Exercise]) -> tuple[Exercise, ...]:
    """Proved ones first, then by points, then by theme; with names where there are none."""
    order = {ident: i for i, ident in enumerate(BY_IDENT)}
    ranked = sorted(
        exercises,
        key=lambda e: (
            e.searched > 0,
            e.points,
            order.get(e.theme, 99),
            len(e.fen.split()[0]),
            e.ident,
        ),
    )
    counts: dict[str, int] = {}
    out = []
    for exercise in ranked:
        counts[exercise.theme] = counts.get(exercise.theme, 0) + 1
        ident = exercise.ident or f"{exercise.theme}-{counts[exercise.theme]}"
        out.append(replace(exercise, ident=ident))
    return tuple(out)
