"""Measures how good judgement is where nothing is proved, on games that nothing was fitted to.

    python -m convert.measuring.judgement GAMES.pgn.gz... [--json FILE] [options]

Positions are drawn from games by hash (:mod:`convert.measuring.judged_positions`), split by game
into a part that baselines and mappings of scores are fitted to and a part that is held out.  Each
judge (:mod:`convert.measuring.judges`) is held against the results of the games and, where outcomes
of five to seven men were settled (``--outcomes``), against those; measures and intervals are those
of :mod:`convert.measuring.forecasts`.  The same files and options give the same figures, whatever
the number of processes.  Needs the extra ``measure`` (scikit-learn with scipy).
"""

from __future__ import annotations

import argparse
import json
import sys
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

import chess
import numpy as np

from convert import __version__
from convert.judging.judges import EffortName
from convert.measuring.forecasts import Figures, Interval, figures, game_weights, jumps
from convert.measuring.judged_positions import (
    EXCHANGE_UP,
    FEW_MEN,
    GROUPS,
    NATURAL,
    PAWN_ENDING,
    Draw,
    DrawWanted,
    GameLine,
    Position,
    draw_from,
    read_epd,
    with_outcomes,
)
from convert.measuring.judges import (
    AsTold,
    Constant,
    FitSample,
    Forecaster,
    ForecastError,
    Method,
    Recalibrated,
    ScoreJudge,
    ShippedChances,
    Viewed,
    scored_by,
)
from convert.measuring.plain_view import material_view, plain_view
from convert.measuring.practice import progress
from convert.measuring.rated_games import Filter
from convert.measuring.settle import Outcomes
from convert.reading.fen import SourceError
from convert.rim.outputs import Output, OutputError, check, whole_file
from convert.rim.safe_text import safe_line
from tablebases.material import material_name

#: The compiled search that is asked by ``--search``.
SEARCH = "convert.measuring.judges:search_scores"
PLAIN = "convert.measuring.plain_search:plain_search"
#: Fewer positions, or positions to fit to, than this are not measured.
FEWEST = 50
#: A quiet move is a jump when the expected score changes by more than this.
JUMP = 0.25
_MEN = ((8, 12), (13, 18), (19, 24), (25, 32))


@dataclass(frozen=True)
class PositionGroup:
    """Positions that are fitted together, those held out, and the slices of these by name."""

    fitted: Sequence[Position]
    held_out: Sequence[Position]
    slices: Mapping[str, Sequence[int]]
    exact: bool = False


# --- positions ------------------------------------------------------------------------------


def groups_of(draw: Draw, known: Mapping[str, int | None]) -> dict[str, PositionGroup]:
    """The groups of what was drawn, with their slices; empty ones are left out.

    Args:
        known: exact outcomes of few men, for the side to move by FEN.
    """
    out: dict[str, PositionGroup] = {}
    held = draw.positions(NATURAL, True)
    slices: dict[str, Sequence[int]] = {"8 to 32 men": range(len(held))}
    for low, high in _MEN:
        slices[f"{low} to {high} men"] = [i for i, p in enumerate(held) if low <= p.men <= high]
    out[NATURAL] = PositionGroup(draw.positions(NATURAL, False), held, slices)
    for kind, name in ((EXCHANGE_UP, "exchange up"), (PAWN_ENDING, "pawn endings")):
        out[kind] = whole(
            f"{name}, 8 and more men", [*draw.positions(kind, False), *draw.positions(kind, True)]
        )
    few = [*draw.positions(FEW_MEN, False), *draw.positions(FEW_MEN, True)]
    out[FEW_MEN] = whole("5 to 7 men, exact outcomes", with_outcomes(few, known), exact=True)
    return {name: group for name, group in out.items() if group.held_out}


def whole(name: str, positions: Iterable[Position], *, exact: bool = False) -> PositionGroup:
    """A group that is one slice, split by game."""
    parts: tuple[list[Position], list[Position]] = ([], [])
    for position in positions:
        parts[position.held_out].append(position)
    return PositionGroup(parts[0], parts[1], {name: range(len(parts[1]))}, exact)


def boards_of(positions: Iterable[Position]) -> list[chess.Board]:
    """Boards of positions."""
    return [chess.Board(position.fen) for position in positions]


def sample_of(group: PositionGroup) -> FitSample:
    """What methods are fitted to: each game has the same weight."""
    from convert.measuring.chances_fit import People

    positions = group.fitted
    number = len(positions)

    def column(values: Iterator[int]) -> Any:
        return np.fromiter(values, dtype=np.int64, count=number)

    return FitSample(
        boards_of(positions),
        column(p.outcome for p in positions),
        game_weights([p.game for p in positions]) if positions else np.zeros(0),
        People.nobody(number)
        if group.exact
        else People(
            column(p.white for p in positions),
            column(p.black for p in positions),
            column(0 for _ in positions),
        ),
    )


def settled(path: Path, draw: Draw, most: int, jobs: int) -> dict[str, int | None]:
    """Exact outcomes of the few-men positions, the file's and ``most`` of each part now."""
    outcomes = Outcomes(path)
    for part in (True, False):
        groups: dict[str, list[str]] = {}
        for position in draw.positions(FEW_MEN, part)[:most]:
            name = material_name(chess.Board(position.fen))
            groups.setdefault(name, []).append(position.fen)
        outcomes.settle(
            list(groups.values()),
            jobs,
            lambda done, total: progress(f"settled: {done:,} of {total:,}"),
        )
    return outcomes.known


# --- measuring ------------------------------------------------------------------------------


def measure(
    groups: Mapping[str, PositionGroup],
    methods: Sequence[Method],
    seed: int,
    tell: Callable[[str], None] = lambda _: None,
) -> tuple[dict[str, dict[str, Figures]], dict[str, dict[str, Forecaster]]]:
    """Figures of each method on each slice, by slice and name; and the judges by group and name."""
    table: dict[str, dict[str, Figures]] = {}
    judges: dict[str, dict[str, Forecaster]] = {}
    for name, group in groups.items():
        sample = sample_of(group)
        boards = boards_of(group.held_out)
        outcomes = np.array([p.outcome for p in group.held_out], dtype=np.int64)
        games = np.array([p.game for p in group.held_out])
        for method in methods:
            if len(group.fitted) < FEWEST and not isinstance(method, (AsTold, ShippedChances)):
                continue  # too little to fit to
            tell(f"{name}: {method.name}")
            judge = judges.setdefault(name, {})[method.name] = method.fit(sample)
            values = judge.chances(boards)
            for part, which in group.slices.items():
                if len(which) >= FEWEST:
                    at = np.array(which, dtype=np.int64)
                    row = figures(values[at], outcomes[at], games[at], seed)
                    table.setdefault(part, {})[method.name] = row
    return table, judges


def quiet_moves(line: GameLine) -> list[tuple[chess.Board, chess.Board]]:
    """Positions before and after each quiet move of a game.

    Quiet: neither a capture nor a promotion, gives no check and answers none; and the move before
    it took nothing, so that no exchange is going on.
    """
    board = chess.Board(line.fen)
    out = []
    took = False
    for uci in line.moves:
        move = chess.Move.from_uci(uci)
        noisy = move.promotion is not None or board.is_capture(move)
        loud = noisy or took or board.is_check() or board.gives_check(move)
        before = board.copy(stack=False)
        board.push(move)
        board.clear_stack()
        if not loud and any(board.generate_legal_moves()):
            out.append((before, board.copy(stack=False)))
        took = noisy
    return out


def jumps_of(judge: Forecaster, lines: Sequence[GameLine], seed: int) -> Interval | None:
    """Share of quiet moves in games after which the expected score has jumped; None without any."""
    pairs = [(line.game, pair) for line in lines for pair in quiet_moves(line)]
    if not pairs:
        return None
    values = judge.chances([board for _, pair in pairs for board in pair])
    return jumps(values[0::2], values[1::2], [game for game, _ in pairs], JUMP, seed)


# --- output ---------------------------------------------------------------------------------


def show(table: Mapping[str, Mapping[str, Figures]]) -> str:
    """The figures as a table."""
    rows = [
        "| positions | n (games) | judge | log loss (95%) | Brier score (95%) "
        "| calibration error (by chance) | told above 0.9: came true (95%) |",
        "|---|---|---|---|---|---|---|",
    ]
    for part, methods in table.items():
        for place, (name, row) in enumerate(methods.items()):
            sure = row.certain
            came = "none" if sure is None else f"{sure.number:,}: {_percent(sure.true)}"
            head = f"{part} | {row.number:,} ({row.games:,})" if not place else " | "
            rows.append(
                f"| {head} | {name} | {_number(row.log_loss)} | {_number(row.brier)} "
                f"| {row.calibration:.3f} ({row.by_chance:.3f}) | {came} |"
            )
    return "\n".join(rows) + "\n"


def show_jumps(table: Mapping[str, Interval], games: int, moves: int) -> str:
    """The jumps as a table."""
    rows = [
        f"| {moves:,} quiet moves of {games:,} games | expected score changes by more than "
        f"{JUMP} (95%) |",
        "|---|---|",
    ]
    rows += [f"| {name} | {_percent(share)} |" for name, share in table.items()]
    return "\n".join(rows) + "\n"


def _number(interval: Interval) -> str:
    return f"{interval.value:.3f} ({interval.low:.3f} to {interval.high:.3f})"


def _percent(interval: Interval) -> str:
    return f"{interval.value:.1%} ({interval.low:.1%} to {interval.high:.1%})"


def plain(result: object) -> Any:
    """Figures as numbers for the file, rounded to five places."""
    if isinstance(result, float):
        return round(result, 5)
    if isinstance(result, Mapping):
        return {str(key): plain(value) for key, value in result.items()}
    if isinstance(result, (Figures, Interval)):
        return plain(asdict(result))
    return result


# --- the command ----------------------------------------------------------------------------


# long: one option after the other
def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(
        "python -m convert.measuring.judgement",
        description="Measures how good judgement is where nothing is proved.",
    )
    add = parser.add_argument
    add("games", nargs="+", help="PGN files (.gz, .zst)")
    add(
        "--epd",
        nargs="+",
        default=[],
        metavar="FILE",
        help="EPD files with results; of games that are in the PGN files too, those accepted",
    )
    add(
        "--groups",
        nargs="+",
        default=list(GROUPS),
        choices=GROUPS,
        metavar="GROUP",
        help=f"groups of positions that are judged, of {', '.join(GROUPS)} (all)",
    )
    add("--rating", type=int, default=2000, help="both players have at least this; 0: any")
    add("--lost-on-time", action="store_true", help="keep games decided by the clock")
    add("--positions", type=int, default=4000, help="held-out positions of each group")
    add("--fit", type=int, default=4000, help="positions of each group that are fitted")
    add("--most", type=int, default=4, help="positions of one game at most")
    add("--every", type=int, default=20, help="one position in so many plies of a game")
    add(
        "--first",
        type=int,
        default=16,
        metavar="PLY",
        help="no position before this ply: openings are played by heart",
    )
    add(
        "--walks",
        type=int,
        default=0,
        metavar="GAMES",
        help="complete games judged move by move, to count jumps",
    )
    add(
        "--outcomes",
        type=Path,
        metavar="FILE",
        help="exact outcomes of 5 to 7 men are kept here (.jsonl); without it none are used",
    )
    add(
        "--settle",
        type=int,
        default=0,
        metavar="N",
        help="find out that many of each part with the solver first (minutes to hours)",
    )
    add(
        "--without",
        nargs="+",
        default=[],
        choices=("constant", "material", "features", "told"),
        help="judges that are left out",
    )
    add(
        "--effort",
        choices=[e.value for e in EffortName],
        default=EffortName.NORMAL.value,
        help="work for the estimate as told",
    )
    add(
        "--search",
        nargs="+",
        type=int,
        default=[],
        metavar="COUNT",
        help="the search with so many positions looked at, its scores mapped to chances",
    )
    add(
        "--shipped",
        nargs="+",
        type=int,
        default=[],
        metavar="COUNT",
        help="the search with so many positions looked at, told by the numbers that ship",
    )
    add(
        "--plain",
        nargs="+",
        type=int,
        default=[],
        metavar="COUNT",
        help="a plain, slow search in Python, likewise",
    )
    add(
        "--judge",
        nargs="+",
        default=[],
        metavar="MODULE:FUNCTION@COUNT",
        help="any function from boards and a count to scores, likewise",
    )
    add(
        "--chances",
        type=Path,
        metavar="FILE",
        help="write how the last of these scores was mapped to chances, on the natural mix",
    )
    add("--json", type=Path, metavar="FILE", help="write all figures here")
    add("--seed", type=int, default=1, help="of bootstrap and simulation")
    add("--jobs", type=int, default=1, help="processes; the figures do not depend on it")
    return parser


def methods_of(arguments: argparse.Namespace) -> list[Method]:
    """The methods that were asked for.

    Raises:
        JudgeError: one cannot be had.
    """
    out: list[Method] = []
    if "constant" not in arguments.without:
        out.append(Constant())
    if "material" not in arguments.without:
        out.append(Viewed("material and men", material_view))
    if "features" not in arguments.without:
        out.append(Viewed("32 features", plain_view))
    if "told" not in arguments.without:

        def hear(done: int, total: int) -> None:
            progress(f"estimate: {done:,} of {total:,}")

        as_told = AsTold(EffortName(arguments.effort), arguments.jobs, hear)
        out += [as_told, Recalibrated(as_told)]
    places = [(PLAIN, count) for count in arguments.plain]
    places += [(SEARCH, count) for count in arguments.search]
    for text in arguments.judge:
        place, _, count = text.partition("@")
        if count and not count.isdecimal():
            raise ForecastError(f"no number of positions: {count!r}")
        places.append((place, int(count or 0)))
    out += [scored_by(place, count) for place, count in places]
    return [*out, *map(ShippedChances, arguments.shipped)]


def _measured(arguments: argparse.Namespace) -> int:
    written = [
        Output(f"--{name}", str(path))
        for name in ("json", "chances", "outcomes")
        if (path := getattr(arguments, name)) is not None
    ]
    check(written, [*arguments.games, *arguments.epd])
    methods = methods_of(arguments)
    which = Filter(arguments.rating, arguments.lost_on_time)
    wanted = DrawWanted(
        arguments.positions,
        arguments.fit,
        arguments.most,
        arguments.every,
        arguments.first,
        arguments.walks,
    )
    draw = draw_from(
        arguments.games, which, wanted, arguments.jobs, lambda n: progress(f"games accepted: {n:,}")
    )
    known = (
        {}
        if arguments.outcomes is None
        else settled(arguments.outcomes, draw, arguments.settle, arguments.jobs)
    )
    groups = {
        name: group for name, group in groups_of(draw, known).items() if name in arguments.groups
    }
    for path in arguments.epd:
        name = f"EPD: {Path(path).name}"
        groups[name] = whole(name, read_epd(path, draw.labels, known=True))
    table, judges = measure(groups, methods, arguments.seed, progress)
    sys.stdout.write(show(table))
    leaps: dict[str, Interval] = {}
    for name, judge in judges.get(NATURAL, {}).items():
        if (interval := jumps_of(judge, draw.lines, arguments.seed)) is not None:
            leaps[name] = interval
    moves = sum(len(quiet_moves(line)) for line in draw.lines)
    if leaps:
        sys.stdout.write("\n" + show_jumps(leaps, len(draw.lines), moves))
    last = [j for j in judges.get(NATURAL, {}).values() if isinstance(j, ScoreJudge)][-1:]
    if arguments.chances is not None and last:
        with whole_file(str(arguments.chances)) as file:
            file.write(last[0].model.to_json())
    if arguments.json is not None:
        document = {
            "schema": 1,
            "program": f"fullpoint {__version__}",
            "chess": chess.__version__,
            "options": {
                key: value
                for key, value in vars(arguments).items()
                if key
                in (
                    "rating",
                    "lost_on_time",
                    "positions",
                    "fit",
                    "most",
                    "every",
                    "first",
                    "walks",
                    "settle",
                    "effort",
                    "seed",
                )
            },
            "games accepted": draw.games,
            "fitted": {name: len(group.fitted) for name, group in groups.items()},
            "few men drawn": [len(draw.positions(FEW_MEN, part)) for part in (False, True)],
            "slices": plain(table),
            "jumps": {"games": len(draw.lines), "moves": moves, "share": plain(leaps)},
        }
        with whole_file(str(arguments.json)) as file:
            file.write(json.dumps(document, indent=1, sort_keys=True) + "\n")
    return 0


def main(arguments: list[str] | None = None) -> int:
    """Draw, fit, judge, show; returns the exit code."""
    result = _parser().parse_args(arguments)
    try:
        return _measured(result)
    except (SourceError, OutputError, ForecastError) as error:
        sys.stderr.write(f"{safe_line(str(error))}\n")
        return 2


if __name__ == "__main__":
    sys.exit(main())
