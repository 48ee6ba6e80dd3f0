"""Opens what the judges need: tables, solved classes, the solver with its store."""

from __future__ import annotations

import contextlib
import math
from collections.abc import Callable, Iterable
from pathlib import Path
from typing import TYPE_CHECKING, Any

from tablebases.folders import cache_folder

if TYPE_CHECKING:
    import chess

    from convert.judging.judges import Bench, Judge

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
    making: Callable[[], None] | None = None,
    share: int = 1,
    judges: Iterable[Judge] = (),
    installed: bool = True,
) -> Bench:
    """Open the tables and seat the judges.

    Args:
        tables: folders with further Syzygy tables.
        effort: quick, normal or deep.
        solve: seat the solver too.
        tell: hears of the solver's progress.
        making: called before what the look-ahead needs is made, once on a machine.
        share: number of processes that share the memory and the processors.
        judges: further judges, asked after rules, tables, solver and those installed.
        installed: seat the judges that installed packages bring (:mod:`convert.judging.plugged`).

    Raises:
        NoSuchFolder: a folder of the user's does not exist.
        JudgeError: a further judge cannot be used.
    """
    from convert.judging.effort import threads_of
    from convert.judging.judges import EFFORTS, Bench, EffortName
    from convert.judging.plugged import held, installed_judges
    from tablebases.material import men
    from tablebases.probing import open_tables

    prober: Any = open_tables([Path(folder) for folder in tables])
    largest = 4
    if tables:
        largest = max((men(t.material) for t in prober.files), default=4)
    made = made_classes()
    if made and solve:
        from tablebases.chain import ChainProber
        from tablebases.solver import Store
        from tablebases.solver.prober import SolverProber

        prober = ChainProber([prober, SolverProber(Store(classes_folder()))])
        largest = max(largest, *(men(name) for name in made))
    solver = None
    if solve:
        from convert.judging.solving import solver_for

        def known(board: chess.Board) -> bool:
            return board.occupied.bit_count() <= largest and prober.covers(board)

        solver = solver_for(effort, known, tell=tell, share=share)
    more = (*(installed_judges() if installed else ()), *held(judges))
    bench = Bench(
        prober,
        effort=EFFORTS[EffortName(effort)],
        largest=largest,
        more=more,
        solver=solver,
        making=making,
    )
    bench.look.threads = threads_of(share)
    return bench


def set_aside(bench: Bench) -> tuple[str, ...]:
    """Table files that were refused so far, one line each: by them nothing was judged."""
    return tuple(
        f"{result.path}: set aside: {result.problem}"
        for result in getattr(bench.prober, "problems", ())
    )


def also_asked(bench: Bench) -> tuple[str, ...]:
    """The names of judges that are not the program's own, in the order in which they are asked."""
    return tuple(judge.name for judge in bench.more)


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
    """As ``keep_small``, and forget all that solver and look-ahead have found out.

    What they are allowed to do is counted game by game, and the look-ahead carries what it knows of
    a game's end back to its beginning: a game is then judged alike whatever was judged before it,
    by whichever process. The solver's results are found again in the store.
    """
    solver = bench.solver
    spent = (0.0 if solver is None else solver.seconds, bench.look_ahead_nodes)
    if spent != bench.fresh_at:
        if solver is not None:
            solver.forget()
        bench.forget()
        bench.fresh_at = spent
    keep_small(bench)


def classes_folder() -> Path:
    """Where solved classes are kept."""
    return cache_folder("classes")


def made_classes() -> dict[str, dict[str, float]]:
    """Classes made so far by name, fewest men first, each with the numbers of its JSON file."""
    import json

    from tablebases.material import is_material_name

    sizes: dict[str, dict[str, float]] = {}
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
                sizes[path.stem] = numbers
    return sizes
