"""Fits the estimate to exact outcomes and results, and says how good it is where it was not fitted.

    python -m convert.measuring.fit --work FOLDER --results POSITIONS.epd.gz... [-o TABLE.json]

Takes what ``python -m convert.measuring.rules`` drew and settled in the same folder, and positions
from games with the games' results.  The model is a logistic regression for "does this side win?",
asked for both sides of the quiet position that the look-ahead leads to; positions of one game stay
together in the fitted or in the held-out part.  Needs scikit-learn; the table that is written is
plain numbers by name.
"""

from __future__ import annotations

import argparse
import json
import sys
from collections.abc import Callable, Mapping, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import chess

from convert import __version__
from convert.board.features import features
from convert.board.kinds import kind_of
from convert.judging.estimate import Chances, by_table_line, fitted_now, probability, together
from convert.judging.judges import EFFORTS, Bench, EffortName
from convert.judging.view import View, sign_of, view
from convert.measuring import by_hand
from convert.measuring.draw import Trial, bare, random_trials, rank_of
from convert.measuring.forcing import resolve
from convert.measuring.quality import Forecast, Quality, quality
from convert.measuring.results import RESULT, PlayedPosition, played
from convert.measuring.rules import CLASSES, SEED, drawn_before, progress
from convert.measuring.settle import Outcomes, processors
from convert.measuring.shipped import kept
from convert.measuring.stretches import Stretch, stretches
from convert.measuring.suspected import Ply, plies
from convert.measuring.suspected import table as suspected_table
from convert.rim.outputs import Output, OutputError, check, whole_file
from convert.rim.safe_text import safe_line
from convert.rules import position_voices
from convert.rules.figures import digest
from tablebases.probing import open_tables
from tablebases.solver.entries import SOLVER_VERSION

#: Strengths of the regularisation that are tried, for features scaled to unit mean square.
STRENGTHS = (3e-5, 1e-4, 3e-4, 1e-3, 3e-3)
#: Share of the games that is held out, in tenths.
HELD_OUT = 3
#: Uniform positions of each class that are fitted too, beside those from games.
RANDOM = 150
#: What a sample counts in the fit: from games with at least five men, with fewer, drawn at
#: random, and a position of which only the game's result is known.
WEIGHTS = {"games": 1.0, "few men": 0.2, "random": 0.05, "result": 0.3}
#: Positions for the look-ahead when the model is fitted, as in a review of normal effort.
NODES = EFFORTS[EffortName.NORMAL].look_ahead_nodes
#: Budgets of the look-ahead that are compared, in positions.
BUDGETS = (0, 60, 500, 5000)


@dataclass(frozen=True)
class Sample:
    """A position: what is seen from either side after the look-ahead, and who wins (for White).

    ``line`` is the outcome for White (1, 0, -1) in the table that the look-ahead's line ends in,
    None where it ends elsewhere; then ``white`` and ``black`` are what the estimate looks at.
    """

    fen: str
    cluster: str
    kind: str
    men: int
    origin: str
    white: View
    black: View
    by_hand: Forecast
    outcome: int
    line: int | None = None

    @property
    def weight(self) -> float:
        """What the sample counts in the fit."""
        few = self.origin == "games" and self.men < 5
        return WEIGHTS["few men" if few else self.origin]


@dataclass(frozen=True)
class Asked:
    """A position whose sample is wanted, and its outcome for White."""

    fen: str
    cluster: str
    origin: str
    outcome: int


def sample_of(
    fen: str, cluster: str, origin: str, outcome: int, nodes: int = 0, bench: Bench | None = None
) -> Sample:
    """A sample of a position and its outcome for White.

    Args:
        nodes: positions for the look-ahead; 0: the position is looked at as it stands.
        bench: judges with the tables, where the look-ahead is asked for.
    """
    board = chess.Board(fen)
    leaf, line = board, None
    if nodes and bench is not None:
        resolution = resolve(board, bench.prober, largest=bench.largest, nodes=nodes)
        leaf = resolution.leaf
        settled = bench.settle(leaf) if resolution.table else None
        if settled is not None and settled.points is not None:
            line = settled.points if leaf.turn else -settled.points
        elif leaf.is_checkmate():
            line = -1 if leaf.turn else 1
    facts = features(leaf)
    voices = position_voices(leaf, facts)
    return Sample(
        fen,
        cluster,
        kind_of(board),
        board.occupied.bit_count(),
        origin,
        view(facts, voices, chess.WHITE),
        view(facts, voices, chess.BLACK),
        _triple(by_hand.estimate(leaf, voices)),
        outcome,
        line,
    )


def asked_of(trials: Sequence[Trial], known: Mapping[str, int | None]) -> list[Asked]:
    """Settled positions of the trials, those before a trade and in the middle of it included.

    Trials that were drawn for one rule are left out: they are no fair sample.
    """
    out: dict[str, Asked] = {}
    for trial in trials:
        if trial.rule:
            continue
        for fen in [trial.fen, *([trial.child().fen()] if trial.trade else [])]:
            value = known.get(fen)
            if value is not None and fen not in out:
                white = value if fen.split()[1] == "w" else -value
                out[fen] = Asked(fen, trial.cluster, trial.origin, white)
    return list(out.values())


def held_out(cluster: str, seed: int) -> bool:
    """Is the game in the part that is not fitted?"""
    return rank_of(seed, "held out", cluster) % 10 < HELD_OUT


def of_a_game(seen: View) -> View:
    """What is seen, for the question how the game ended: people err, mostly where much is left."""
    lead = seen.get("lead in worth", 0.0)
    return {**seen, RESULT: 1.0, f"{RESULT}: lead in worth": lead}


def forecast(weights: Mapping[str, float], sample: Sample) -> Forecast:
    """Win, draw and loss for White by the features alone; the two sides claim at most 1."""
    white, black = sample.white, sample.black
    if sample.origin == "result":
        white, black = of_a_game(white), of_a_game(black)
    return _triple(together(probability(weights, white), probability(weights, black)))


def _triple(chances: Chances) -> Forecast:
    return chances.win, chances.draw, chances.loss


def as_used(weights: Mapping[str, float], line: Mapping[str, Any], sample: Sample) -> Forecast:
    """As the review tells it: a line into the tables counts, and what bare material rules out."""
    if sample.line is not None:
        return _triple(by_table_line(sample.line, line))
    win, draw, loss = forecast(weights, sample)
    board = chess.Board(sample.fen)
    if board.has_insufficient_material(chess.WHITE):
        win, draw = 0.0, draw + win
    if board.has_insufficient_material(chess.BLACK):
        loss, draw = 0.0, draw + loss
    return win, draw, loss


def lines_right(part: Sequence[Sample]) -> dict[str, Any]:
    """How often a line of the look-ahead into the tables told the outcome.

    Shares of n with one trial more of each kind (Laplace's rule), so that none is 0 or 1.
    """
    won = [s for s in part if s.line]
    drawn = [s for s in part if s.line == 0]

    def share(hits: int, of: int, kinds: int) -> float:
        return round((hits + 1) / (of + kinds), 4)

    level = share(sum(s.outcome == 0 for s in drawn), len(drawn), 2)
    right = share(sum(s.outcome == s.line for s in won), len(won), 3)
    half = share(sum(s.outcome == 0 for s in won), len(won), 3)
    return {
        "won": {
            "n": len(won),
            "as the line": right,
            "drawn": half,
            "turned": round(1 - right - half, 4),
        },
        "drawn": {"n": len(drawn), "as the line": level, "turned": round(1 - level, 4)},
    }


def fitted(
    part: Sequence[Sample], names: Callable[[str], bool] = lambda _: True
) -> dict[str, float]:
    """Weights by name, from the samples of one part, with the names that are let in.

    Each weight may have only the sign that :func:`convert.judging.view.sign_of` allows.
    The strength of the regularisation is chosen by cross-validation over games.
    """
    import numpy as np
    from scipy.optimize import minimize
    from scipy.special import expit
    from sklearn.feature_extraction import DictVectorizer
    from sklearn.metrics import log_loss
    from sklearn.model_selection import GroupKFold

    rows, labels, groups, counts = [], [], [], []
    for sample in part:
        if sample.line is not None:
            continue
        for seen, won in ((sample.white, 1), (sample.black, -1)):
            weights = of_a_game(seen) if sample.origin == "result" else seen
            rows.append({name: value for name, value in weights.items() if names(name)})
            labels.append(float(sample.outcome == won))
            groups.append(sample.cluster)
            counts.append(sample.weight)
    space = DictVectorizer()
    matrix = space.fit_transform(rows).tocsr()
    target, weigh = np.array(labels), np.array(counts)
    size = np.sqrt(np.asarray(matrix.multiply(matrix).mean(axis=0)).ravel())
    # Rare features are not blown up without limit.
    matrix = matrix.multiply(1 / np.maximum(size, 0.02)).tocsr()
    columns = [str(name) for name in space.get_feature_names_out()]
    bounds = [{1: (0, None), -1: (None, 0), 0: (None, None)}[sign_of(name)] for name in columns]

    def fit(which: Any, strength: float) -> Any:
        x, y, w = matrix[which], target[which], weigh[which] / weigh[which].sum()

        def loss(beta: Any) -> tuple[float, Any]:
            score = x @ beta
            value = float(w @ (np.logaddexp(0, score) - y * score)) + strength * float(beta @ beta)
            return value, x.T @ (w * (expit(score) - y)) + 2 * strength * beta

        start = np.zeros(matrix.shape[1])
        return minimize(
            loss, start, jac=True, bounds=bounds, method="L-BFGS-B", options={"maxiter": 500}
        ).x

    best = None
    for strength in STRENGTHS:
        total = 0.0
        for train, test in GroupKFold(4).split(matrix, labels, groups):
            weights = expit(matrix[test] @ fit(train, strength))
            total += log_loss(target[test], weights, labels=[0, 1], sample_weight=weigh[test])
        if best is None or total < best[0]:
            best = total, strength
    assert best is not None
    made = fit(np.arange(len(target)), best[1]) / np.maximum(size, 0.02)
    return {
        name: round(float(weight), 4)
        for name, weight in zip(columns, made, strict=True)
        if abs(weight) >= 5e-5
    }


def figures(part: Sequence[Sample], tell: Callable[[Sample], Forecast]) -> Quality:
    """How good the forecasts of one method are."""
    return quality([tell(sample) for sample in part], [sample.outcome for sample in part])


def by_kind(
    part: Sequence[Sample], methods: Mapping[str, Callable[[Sample], Forecast]]
) -> dict[str, Any]:
    """Figures of each method for all samples, and for each kind of ending with enough of them."""
    out: dict[str, Any] = {}
    for kind in ("all", *sorted({s.kind for s in part})):
        of_kind = [s for s in part if kind in ("all", s.kind)]
        if len(of_kind) >= 20:
            out[kind] = {name: plain(figures(of_kind, tell)) for name, tell in methods.items()}
    return out


def compare(
    fit: Sequence[Sample], rest: Sequence[Sample]
) -> tuple[dict[str, float], dict[str, Any], dict[str, Any]]:
    """Weights fitted to one part, what lines are worth, and figures on the other part.

    Figures are those of the estimate as the review uses it and of three baselines.
    """
    weights, line = fitted(fit), lines_right([s for s in fit if s.origin == "games"])
    material = fitted(fit, lambda name: name in ("always", "lead in worth"))
    share = [sum(s.weight for s in fit if s.outcome == o) for o in (1, 0, -1)]
    total = sum(share)
    even = (share[0] + share[2]) / 2 / total
    methods: dict[str, Callable[[Sample], Forecast]] = {
        "fitted": lambda s: as_used(weights, line, s),
        "by hand": lambda s: s.by_hand,
        "material": lambda s: forecast(material, s),
        "constant": lambda _: (even, share[1] / total, even),
    }
    return weights, line, by_kind(rest, methods)


def plain(result: Quality) -> dict[str, Any]:
    """Figures as numbers for the file."""
    return {
        "n": result.number,
        "brier": round(result.brier, 4),
        "log_loss": round(result.log_loss, 4),
        "ece": round(result.ece, 4),
        "curve": [[b.number, round(b.forecast, 4), round(b.observed, 4)] for b in result.bins],
    }


def show(table: Mapping[str, Any]) -> None:
    """The figures on standard output."""
    for kind, methods in table.items():
        for name, row in methods.items():
            sys.stdout.write(
                f"{kind:<14} {name:<9} n {row['n']:>5}  Brier {row['brier']:.3f}  "
                f"log loss {row['log_loss']:.3f}  calibration error {row['ece']:.3f}\n"
            )


# --- the command ---------------------------------------------------------------------------


_BENCH: dict[str, Bench] = {}


def _bench() -> Bench:
    """One bench for a process, with tables and forced lines but no solver."""
    if not _BENCH:
        _BENCH["it"] = Bench(open_tables(), effort=EFFORTS[EffortName.NORMAL])
    return _BENCH["it"]


def _sample(asked: tuple[Asked, int]) -> Sample:
    one, nodes = asked
    bench = _bench()
    if bench.remembered > 100_000:
        bench.forget()
    return sample_of(one.fen, one.cluster, one.origin, one.outcome, nodes, bench)


def _plies(
    asked: tuple[Stretch, Mapping[str, int | None], Mapping[str, float], Mapping[str, Any]],
) -> list[Ply]:
    """The moves of a stretch, judged with the weights that were just fitted."""
    part, known, weights, line = asked
    bench = _bench()
    bench.forget()
    with fitted_now(weights, line):
        return plies(part, known, bench)


def _all(work: Callable[[Any], Any], asked: Sequence[Any], jobs: int, what: str) -> list[Any]:
    """The work on each item, in order, over processes."""
    out: list[Any] = []
    with ProcessPoolExecutor(jobs) as executor:
        for done in executor.map(work, asked, chunksize=max(1, min(50, len(asked) // 20))):
            out.append(done)
            if len(out) % 500 == 0:
                progress(f"{what}: {len(out):,} of {len(asked):,}")
    return out


def looked_at(asked: Sequence[Asked], nodes: int, jobs: int) -> list[Sample]:
    """Samples of positions, with so many positions for the look-ahead."""
    return _all(_sample, [(one, nodes) for one in asked], jobs, f"look-ahead of {nodes}")


def main(arguments: list[str] | None = None) -> int:
    """Draw, settle, fit, compare, write; returns the exit code."""
    parser = argparse.ArgumentParser("python -m convert.measuring.fit", description=__doc__)
    parser.add_argument("games", nargs="*", help="PGN files for results and stretches of games")
    parser.add_argument("--work", type=Path, required=True, help="folder of the measuring")
    parser.add_argument("--seed", type=int, default=SEED)
    parser.add_argument("--jobs", type=int, default=processors())
    parser.add_argument("-o", "--out", type=Path, help="file to write (else only the figures)")
    result = parser.parse_args(arguments)
    try:
        if result.out is not None:
            read = (*result.games, str(result.work / "outcomes.jsonl"))
            check([Output("--out", str(result.out))], read)
    except OutputError as error:
        sys.stderr.write(f"{safe_line(str(error))}\n")
        return 2
    outcomes = Outcomes(result.work / "outcomes.jsonl")
    trials = drawn_before(result.work)
    if not trials:
        sys.stderr.write(f"{result.work}: nothing drawn there; run convert.measuring.rules first\n")
        return 2
    for name in CLASSES:
        trials += random_trials(name, RANDOM, result.seed)

    def reading(number: int) -> None:
        progress(f"games read: {number:,}")

    def unfitted(cluster: str) -> bool:
        return held_out(cluster, result.seed)

    key = [result.seed, *result.games]
    results = kept(
        result.work / "results.json",
        list[PlayedPosition],
        key,
        lambda: played(result.games, result.seed, reading),
    )
    parts = kept(
        result.work / "stretches.json",
        list[Stretch],
        key,
        lambda: stretches(result.games, result.seed, unfitted, reading),
    )
    outcomes.settle(
        (group for part in parts for group in part.groups()),
        result.jobs,
        lambda done, total: progress(f"settled {done:,} of {total:,}") if done % 20 == 0 else None,
    )
    asked = asked_of(trials, outcomes.known)
    asked += [Asked(p.fen, p.game, "result", p.result) for p in results]
    document = {
        "schema": 1,
        "program": f"fullpoint {__version__}",
        "solver": SOLVER_VERSION,
        "chess": chess.__version__,
        "seed": result.seed,
        **_fit(asked, result.seed, result.jobs),
    }
    weights, line = document["weights"], document["line"]
    if parts:
        document["suspected"] = _suspected(parts, outcomes.known, weights, line, result)
    if result.out is not None:
        document["sha256"] = digest(document)
        text = json.dumps(document, indent=1, sort_keys=True, ensure_ascii=False)
        with whole_file(str(result.out)) as file:
            file.write(text + "\n")
        progress(f"written: {result.out}")
    return 0


def _fit(asked: Sequence[Asked], seed: int, jobs: int) -> dict[str, Any]:
    samples = looked_at(asked, NODES, jobs)
    fit = [s for s in samples if s.origin == "random" or not held_out(s.cluster, seed)]
    rest = [s for s in samples if s.origin == "games" and s.men >= 5 and held_out(s.cluster, seed)]
    weights, line, table = compare(fit, rest)
    sys.stdout.write(f"{len(fit)} positions fitted, {len(rest)} held out\n")
    show(table)
    wanted = {s.fen for s in rest}
    budgets = {}
    for nodes in BUDGETS:
        part = looked_at([a for a in asked if a.fen in wanted], nodes, jobs)
        budgets[str(nodes)] = plain(figures(part, lambda s: as_used(weights, line, s)))
        del budgets[str(nodes)]["curve"]
        sys.stdout.write(f"look-ahead of {nodes}: {budgets[str(nodes)]}\n")
    many = [s for s in samples if s.origin == "result" and s.men > 7 and held_out(s.cluster, seed)]
    ended = by_kind(
        many,
        {
            "fitted": lambda s: forecast(weights, s),
            "by hand": lambda s: s.by_hand,
        },
    )
    show(ended)
    return {
        "weights": weights,
        "line": line,
        "fitted": {
            origin: sum(s.origin == origin for s in fit) for origin in ("games", "random", "result")
        },
        "held_out": table,
        "look_ahead": budgets,
        "results": ended,
    }


def _suspected(
    parts: Sequence[Stretch],
    known: Mapping[str, int | None],
    weights: Mapping[str, float],
    line: Mapping[str, Any],
    arguments: argparse.Namespace,
) -> dict[str, Any]:
    asked = []
    for part in parts:
        fens = [bare(board).fen() for board in part.walk().boards]
        asked.append((part, {fen: known.get(fen) for fen in fens}, weights, line))
    stretches_drawn = [
        ply for one in _all(_plies, asked, arguments.jobs, "stretches") for ply in one
    ]
    out = suspected_table(stretches_drawn, arguments.seed)
    for row in out["sweep"]:
        sys.stdout.write(f"{row}\n")
    sys.stdout.write(f"{out['counted']} {out['halves']}\n")
    return out


if __name__ == "__main__":
    sys.exit(main())
