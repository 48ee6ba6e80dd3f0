"""Opens what the judges need: tables, solved classes, the solver with its store."""

from __future__ import annotations

import contextlib
import math
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    import chess

    from convert.judge import Bench

#: The memory of judged positions is emptied between games when it has grown to this size.
MOST_REMEMBERED = 200_000
#: So are the solver's slices that are held in memory, when they take so many bytes.
MOST_HELD = 256 * 2**20


def open_bench(
    tables: tuple[Path, ...],
    effort: str,
    *,
    solve: bool = True,
    tell: Callable[[Any], None] | None = None,
    share: int = 1,
) -> Bench:
    """Open the tables and seat the judges.

    Args:
        tables: folders with further Syzygy tables.
        effort: quick, normal or deep.
        solve: seat the solver too.
        tell: hears of the solver's progress.
        share: number of processes that share the memory and the processors.

    Raises:
        NoSuchFolder: a folder of the user's does not exist.
    """
    from convert.judge import EFFORTS, Bench, EffortName
    from tablebases.material import men
    from tablebases.probing import open_tables

    prober: Any = open_tables([Path(folder) for folder in tables])
    largest = 4
    if tables:
        largest = max((men(t.material) for t in prober.files), default=4)
    made = made_classes()
    if made and solve:
        from tablebases.probing import ChainProber
        from tablebases.solver import Store
        from tablebases.solver.prober import SolverProber

        prober = ChainProber([prober, SolverProber(Store(classes_folder()))])
        largest = max(largest, *(men(name) for name in made))
    solver = None
    if solve:
        from convert.solving import solver_for

        def known(board: chess.Board) -> bool:
            return board.occupied.bit_count() <= largest and prober.covers(board)

        solver = solver_for(effort, known, tell=tell, share=share)
    return Bench(prober, effort=EFFORTS[EffortName(effort)], largest=largest, solver=solver)


def set_aside(bench: Bench) -> tuple[str, ...]:
    """Table files that were refused so far, one line each: by them nothing was judged."""
    return tuple(
        f"{result.path}: set aside: {result.problem}"
        for result in getattr(bench.prober, "problems", ())
    )


def keep_small(bench: Bench) -> None:
    """Empty the memory of judged positions, and of solved ones, when it has grown large.

    To be called between games: open slices, which the next game hardly needs, are closed.
    """
    solver = bench.solver
    if solver is not None:
        solver.close()
        if solver.held_bytes > MOST_HELD:
            solver.forget()
            bench.forget()
    if bench.remembered > MOST_REMEMBERED:
        bench.forget()


def fresh(bench: Bench) -> None:
    """As ``keep_small``, and forget all that the solver has found out.

    What it is allowed to do is counted game by game: a game is then judged alike whatever was
    judged before it, by whichever process. Results are found again in the store.
    """
    solver = bench.solver
    if solver is not None and solver.seconds != bench.fresh_at:
        solver.forget()
        bench.forget()
        bench.fresh_at = solver.seconds
    keep_small(bench)


def classes_folder() -> Path:
    """Where solved classes are kept."""
    import platformdirs

    return Path(platformdirs.user_cache_path("fullpoint", appauthor=False)) / "classes"


def made_classes() -> dict[str, dict[str, float]]:
    """Classes made so far by name, fewest men first, each with the numbers of its JSON file."""
    import json

    from tablebases.material import is_material_name

    found: dict[str, dict[str, float]] = {}
    paths = classes_folder().glob("K*vK*.json")
    for path in sorted(paths, key=lambda path: (len(path.stem), path.stem)):
        # A file that somebody has spoilt counts as absent; the class can be made again.
        with contextlib.suppress(
            OSError, ValueError, TypeError, KeyError, AttributeError, OverflowError, RecursionError
        ):
            facts = json.loads(path.read_text(encoding="utf-8"))
            names = ("positions", "plies", "seconds", "bytes")
            numbers = {name: float(facts[name]) for name in names}
            sound = all(math.isfinite(n) and n >= 0 for n in numbers.values())
            if facts["name"] == path.stem and is_material_name(path.stem) and sound:
                found[path.stem] = numbers
    return found
