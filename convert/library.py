"""The face of the package for programs and notebooks: what ``import convert`` gives.

Plain functions, frozen results.  Positions are FEN texts or python-chess boards; outcomes are for
the side named beside them; distances are plies to the next capture, pawn move or mate; moves are
SAN.  Everything takes the same options:

* ``effort``: ``quick``, ``normal`` or ``deep``, how much work goes into what no table settles;
* ``solve``: solve endings past the tables on the spot (the first use of all makes machine code,
  which takes about a minute);
* ``tables``: folders with further Syzygy tables;
* ``judges``: further judges (docs/judging.md), asked after those that installed packages bring.

The same call gives the same result, whatever was asked before it.
"""

from __future__ import annotations

import os
from collections.abc import Iterable, Iterator, Sequence
from functools import lru_cache
from pathlib import Path
from typing import TYPE_CHECKING

import chess

from convert.errors import Disagreement, JudgeError
from convert.judging.bench import fresh, open_bench
from convert.judging.judges import Bench, Judge
from convert.model import Evidence, PositionReport, Review, Side, Verdict
from convert.model.solution import SolveReport
from convert.reading.fen import SourceError, parse_fen
from convert.reading.games import read_games as _read_games
from convert.reading.records import GameRead
from convert.reports import OUTPUTS, Beside, Form, form_called, form_for, pieces
from convert.review.game import Refused
from convert.rim.outputs import whole_file
from tablebases.values import Outcome

if TYPE_CHECKING:
    from rich.console import Console

__all__ = [
    "Disagreement",
    "Evidence",
    "GameRead",
    "Judge",
    "JudgeError",
    "Outcome",
    "PositionReport",
    "Refused",
    "Review",
    "Side",
    "SolveReport",
    "SourceError",
    "Verdict",
    "judge_position",
    "read_games",
    "report_text",
    "review_game",
    "solve_ending",
    "verdict_of",
    "write_reviews",
]

#: Widest text report, in columns, unless another width is asked for.
WIDTH = 80


def read_games(path: str | Path) -> Iterator[GameRead]:
    """The games of a PGN file (``.gz`` and ``.zst`` too), one after another.

    A game that is damaged comes with its ``problems`` and what could be read of it.

    >>> [game] = read_games("demo_games/05-wrong-coloured-bishop.pgn")
    >>> game.number, len(game.moves), game.complete
    (1, 120, True)

    Raises:
        SourceError: the file cannot be read, or is none of games.
    """
    return _read_games(path)


def review_game(
    game: GameRead,
    *,
    side: Side | None = None,
    effort: str = "normal",
    solve: bool = True,
    tables: Sequence[str | Path] = (),
    judges: Sequence[Judge] = (),
) -> Review:
    """How a game was converted or let slip.

    Args:
        game: as :func:`read_games` gives it.
        side: whose conversion is reviewed; None: the winner's if he was ever better, else the
            side that was so first.

    >>> [game] = read_games("demo_games/05-wrong-coloured-bishop.pgn")
    >>> review = review_game(game, effort="quick", solve=False)
    >>> [slip] = [slip for slip in review.slips if slip.certain]
    >>> slip.certain, slip.side.name_, slip.before.low.word, slip.after.low.word
    (True, 'White', 'win', 'draw')

    Raises:
        Refused: the game has no moves that can be used.
        Disagreement: judges contradict each other about one of its positions.
        JudgeError: a further judge cannot be used.
        NoSuchFolder: a folder of tables does not exist (:mod:`tablebases.errors`).
    """
    from convert.review.game import review_game as review

    return review(game, _bench(effort, solve, tables, judges), side)


def judge_position(
    position: str | chess.Board,
    *,
    effort: str = "normal",
    solve: bool = True,
    tables: Sequence[str | Path] = (),
    judges: Sequence[Judge] = (),
    variants: bool = True,
) -> PositionReport:
    """What a position is worth, what each move keeps, and what decides it.

    Args:
        variants: with what changes the result: a king or pawn a square off and so on.

    >>> report = judge_position("8/8/8/4k3/8/4K3/4P3/8 w - - 0 1", solve=False, variants=False)
    >>> report.verdict.low.word, report.verdict.evidence.value
    ('draw', 'table')
    >>> [row.san for row in report.moves if row.verdict.points == 0][:3]
    ['Kd3', 'Kf3', 'Kd2']

    Raises:
        SourceError: the text is no FEN, or the position is not legal.
        Disagreement, JudgeError, NoSuchFolder: as for :func:`review_game`.
    """
    from convert.review.position import judge_position as judge

    board, notes = _board(position)
    return judge(board, _bench(effort, solve, tables, judges), notes, variants=variants)


def verdict_of(
    position: str | chess.Board,
    *,
    effort: str = "normal",
    solve: bool = True,
    tables: Sequence[str | Path] = (),
    judges: Sequence[Judge] = (),
) -> Verdict:
    """The verdict on a position, for the side to move: as the head of :func:`judge_position`.

    >>> verdict = verdict_of("8/8/8/4k3/8/4K3/4P3/8 w - - 0 1", solve=False)
    >>> verdict.side.name_, verdict.exact, verdict.points
    ('White', True, 0)

    Raises:
        SourceError, Disagreement, JudgeError, NoSuchFolder: as for :func:`judge_position`.
    """
    board, _ = _board(position)
    bench = _bench(effort, solve, tables, judges)
    bench.prepare([board])
    verdict = bench.weighed(board).verdict
    assert verdict is not None
    return verdict


def solve_ending(
    position: str | chess.Board, *, effort: str = "normal", store: bool = True
) -> SolveReport:
    """An ending solved on the spot: outcome, distance and moves, exactly or within bounds.

    For kings, any number of pawns and at most four other pieces, without castling.  ``low`` and
    ``high`` are for the side to move; no table is asked.

    Args:
        effort: planned work of 8, 100 or 1000 seconds of one core (docs/cli.md).
        store: keep what was solved in the user's cache folder, and use what is kept there.

    >>> report = solve_ending("8/8/8/4k3/8/4K3/4P3/8 b - - 0 1", store=False)
    >>> report.low.word, report.high.word, report.exact
    ('loss', 'loss', True)

    Raises:
        SourceError: as for :func:`judge_position`.
        ValueError: the position is none for the solver.
        NoRoom: neither memory nor disk suffice (:mod:`tablebases.errors`).
    """
    from convert.review.solution import (
        budget_for,
        finished,
        load_machine_code,
        refusal,
        solve_position,
    )

    board, notes = _board(position)
    report = finished(board, notes)
    if report is not None:
        return report
    if refused := refusal(board):
        raise ValueError(refused)
    from tablebases.solver import Store
    from tablebases.solver.trying import Solver

    load_machine_code()
    budget = budget_for(effort, seconds=None, memory=None, disk=0, threads=os.cpu_count() or 1)
    result = Store() if store else None
    return solve_position(board, Solver([board], budget, store=result, moves_too=True), notes)


def report_text(
    report: Review | PositionReport | SolveReport,
    form: str = "text",
    *,
    game: GameRead | None = None,
    width: int = WIDTH,
) -> str:
    """A report as text: for reading, or a review in one of the forms of files.

    Args:
        form: ``text``, as the commands print it without colours; for a Review also ``pgn``,
            ``json`` or ``html`` (:data:`convert.reports.OUTPUTS`).
        game: the game of the review; PGN needs it, with its author's comments and variations.
        width: of ``text``, in columns.

    >>> report = judge_position("8/8/8/4k3/8/4K3/4P3/8 w - - 0 1", solve=False, variants=False)
    >>> "Drawn (table)." in report_text(report)
    True

    Raises:
        ValueError: there is no such form, or PGN is asked for without the game.
    """
    if form == "text":
        return _printed(report, width)
    if not isinstance(report, Review):
        raise ValueError(f"{form}: only a review is written in this form")
    return "".join(pieces(_form(form), [(report, _beside(game))]))


def write_reviews(
    path: str | Path, reviews: Iterable[Review], games: Iterable[GameRead] = ()
) -> None:
    """Write reviews to a file whose suffix says how: ``.pgn``, ``.json``, ``.html``.

    The file appears, or is replaced, when it is complete.

    Args:
        reviews: in the order in which they are written; a page (``.html``) takes one.
        games: those of the reviews, in the same order; PGN needs them.

    >>> write_reviews("report.odt", [])
    Traceback (most recent call last):
        ...
    ValueError: report.odt: a name that ends in .pgn, .json, .html, .md, .tex, .svg is wanted

    Raises:
        ValueError: the suffix is none of these, a page would take more than one review, or
            PGN is asked for without the games.
        OutputError: the file cannot be written (:mod:`convert.rim.outputs`).
    """
    try:
        form = form_for(str(path))
    except KeyError:
        known = ", ".join(form.suffix for form in OUTPUTS)
        raise ValueError(f"{path}: a name that ends in {known} is wanted") from None
    results = list(reviews)
    if form.pages and len(results) != 1:
        raise ValueError(f"{path}: a page shows one review, not {len(results)}")
    besides = [_beside(game) for game in games] or [Beside()] * len(results)
    texts = list(pieces(form, zip(results, besides, strict=True)))
    with whole_file(str(path)) as file:
        file.writelines(texts)


# --- inside -------------------------------------------------------------------------------------


def _bench(
    effort: str, solve: bool, tables: Sequence[str | Path], judges: Sequence[Judge]
) -> Bench:
    bench = _opened(effort, solve, tuple(map(Path, tables)), tuple(judges))
    fresh(bench)
    return bench


@lru_cache(maxsize=2)
def _opened(effort: str, solve: bool, tables: tuple[Path, ...], judges: tuple[Judge, ...]) -> Bench:
    return open_bench(tables, effort, solve=solve, judges=judges)


def _board(position: str | chess.Board) -> tuple[chess.Board, tuple[str, ...]]:
    return parse_fen(position if isinstance(position, str) else position.fen())


def _beside(game: GameRead | None) -> Beside:
    return Beside(None if game is None else game.game)


def _form(ident: str) -> Form:
    try:
        return form_called(ident)
    except KeyError:
        known = ", ".join(form.ident for form in OUTPUTS)
        raise ValueError(f"{ident}: the forms are text, {known}") from None


def _printed(report: Review | PositionReport | SolveReport, width: int) -> str:
    from io import StringIO

    from rich.console import Console

    out = StringIO()
    console = Console(file=out, width=width, no_color=True, highlight=False, emoji=False)
    _print(report, console)
    return out.getvalue()


def _print(report: Review | PositionReport | SolveReport, console: Console) -> None:
    if isinstance(report, Review):
        from convert.reports.terminal import print_review

        print_review(report, console)
    elif isinstance(report, PositionReport):
        from convert.reports.position_text import print_position

        print_position(report, console)
    else:
        from convert.reports.solution_text import print_solution

        print_solution(report, console)
