"""Where in games and files of positions an exercise may lie.

Tables are cheap, so every position of a game that they know is looked at.  Solving takes
seconds, so of each game at most :data:`MOST_SOLVED` positions past the tables are given to the
solver: those with a trade or a recapture on the board first, then by the number of men.  What
the solver has learnt on the way then answers for the other positions of the game.
"""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import PurePath

import chess

from convert.judging.judges import Bench, position_key
from convert.judging.solving import in_reach
from convert.lesson.judging import Candidate, Draft, draft, plain
from convert.lesson.plausible import elementary, hopeless
from convert.model import Side, move_label
from convert.reading.epd import PositionRead
from convert.reading.records import GameRead
from convert.review.trades import starts_trade
from convert.review.walker import Walk, walk

#: Positions of one game that are given to the solver.
MOST_SOLVED = 2
#: So many men more than the tables hold may be settled move by move by forced lines.
LINE_MEN = 2


def from_game(read: GameRead, bench: Bench, *, solve: bool = True) -> Iterator[Draft]:
    """Exercises that the main line of a game holds, in order of play."""
    if read.game is None or not read.moves:
        return
    walked = walk(read.game.board(), read.moves)
    candidates = list(_candidates(read, walked))
    if solve and bench.solver is not None:
        bench.prepare(_worth_solving(bench, candidates))
    seen = set()
    for candidate in candidates:
        key = position_key(candidate.board)
        if key in seen or not _answerable(bench, candidate.board):
            continue
        seen.add(key)
        made = draft(bench, candidate)
        if made is not None:
            yield made


def from_position(read: PositionRead, bench: Bench, *, solve: bool = True) -> Draft | None:
    """The exercise that one position holds, None if there is none."""
    if read.board is None:
        return None
    name = str(read.operations.get("id") or "")
    source = name or f"{PurePath(read.source).name}, line {read.line}"
    return from_board(read.board, bench, source=source, solve=solve)


def from_board(
    given: chess.Board, bench: Bench, *, source: str = "", solve: bool = True
) -> Draft | None:
    """The exercise that a position holds, None if there is none."""
    board = plain(given)
    if board is None:
        return None
    candidate = Candidate(board, source=source)
    if solve and bench.solver is not None and not bench.covered(board):
        bench.prepare([board])
    return draft(bench, candidate) if _answerable(bench, board) else None


def _answerable(bench: Bench, board: chess.Board) -> bool:
    """May tables, forced lines or what is solved by now know every move?"""
    if bench.covered(board):
        return True
    solver = bench.solver
    if solver is not None and in_reach(board, solver.reach):
        verdict = solver.judge(board)
        if verdict is not None:
            return verdict.exact
    if board.occupied.bit_count() > bench.largest + LINE_MEN:
        return False
    if not any(starts_trade(board, move) for move in board.generate_legal_captures()):
        return False
    settled = bench.settle(board)
    return settled is not None and settled.exact


def _candidates(read: GameRead, walked: Walk) -> Iterator[Candidate]:
    tags = dict(read.game.headers) if read.game is not None else {}
    where = title(tags, f"{PurePath(read.source).name}, game {read.number}")
    entered: set[int] = set()
    for ply, step in enumerate(walked.steps):
        count = walked.counts[ply]
        men = 2 + sum(count)
        if men > 10:
            continue
        first_here = men not in entered
        entered.add(men)
        bare = plain(walked.boards[ply])
        if bare is None or elementary(bare) or hopeless(bare):
            continue
        last = walked.steps[ply - 1] if ply else None
        after = "start of the game"
        if last is not None:
            after = f"after {move_label(last.number, Side.of(last.color), walked.san(ply))}"
        yield Candidate(
            bare,
            source=f"{where}, {after}",
            group=f"{read.source}#{read.number}",
            ply=ply,
            taken=last.move.to_square if last is not None and last.captured else None,
            played=step.move,
            tags=tags,
            result_too=first_here,
        )


def title(tags: dict[str, str], unnamed: str) -> str:
    """``White - Black, Event, Date`` as far as the tags say; ``unnamed`` for unknown players."""
    white, black = tags.get("White", "?"), tags.get("Black", "?")
    names = unnamed if {white, black} <= {"?", ""} else f"{white} - {black}"
    rest = [
        tags[key].replace(".??", "")
        for key in ("Event", "Date")
        if tags.get(key) and not tags[key].startswith("?")
    ]
    return ", ".join([names, *rest])


def _worth_solving(bench: Bench, candidates: list[Candidate]) -> list[chess.Board]:
    solver = bench.solver
    assert solver is not None
    wanted: list[tuple[bool, int, int, chess.Board]] = []
    for candidate in candidates:
        board = candidate.board
        if bench.covered(board) or not in_reach(board, solver.reach):
            continue
        captures = list(board.generate_legal_captures())
        back = (
            {m.from_square for m in captures if m.to_square == candidate.taken}
            if candidate.taken is not None
            else set()
        )
        trade = any(starts_trade(board, m) and m.to_square != candidate.taken for m in captures)
        if trade or len(back) > 1 or candidate.result_too:
            question = trade or len(back) > 1
            wanted.append((not question, board.occupied.bit_count(), candidate.ply, board))
    wanted.sort(key=lambda item: item[:3])
    chosen = wanted[:MOST_SOLVED]
    return [board for *_, board in sorted(chosen, key=lambda item: item[2])]
