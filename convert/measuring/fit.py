"""Fits the estimate to exact outcomes, and says how good it is where it was not fitted.

    python -m convert.measuring.fit --work FOLDER [-o TABLE.json]

Takes what ``python -m convert.rules.measure`` drew and settled in the same folder.  The model is
a logistic regression for "does this side win?", asked for both sides of a position; positions of
one game stay together in the fitted or in the held-out part.  Needs scikit-learn; the table that
is written is plain numbers by name.
"""

from __future__ import annotations

import argparse
import json
import math
import sys
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import chess

from convert.estimate import estimate
from convert.features import features
from convert.measuring.draw import Trial, kind_of, random_trials, rank_of
from convert.measuring.quality import Forecast, Quality, quality
from convert.measuring.settle import Outcomes
from convert.measuring.view import View, view
from convert.rules import position_voices
from convert.rules.measure import CLASSES, drawn_before

#: Strengths of the regularisation (scikit-learn's C) that are tried.
STRENGTHS = (0.01, 0.03, 0.1, 0.3, 1.0)
#: Share of the games that is held out, in tenths.
HELD_OUT = 3
#: Uniform positions of each class that are fitted too, beside those from games.
RANDOM = 150


@dataclass(frozen=True)
class Sample:
    """A settled position: what is seen from either side, and who wins (for White)."""

    cluster: str
    kind: str
    origin: str
    white: View
    black: View
    hand_set: Forecast
    outcome: int


def sample_of(fen: str, cluster: str, origin: str, value: int) -> Sample:
    """A sample of a position and its value for the side to move."""
    board = chess.Board(fen)
    facts = features(board)
    voices = position_voices(board, facts)
    told = estimate(board, voices)
    return Sample(
        cluster,
        kind_of(board),
        origin,
        view(facts, voices, chess.WHITE),
        view(facts, voices, chess.BLACK),
        (told.win, told.draw, told.loss),
        value if board.turn else -value,
    )


def samples(trials: Sequence[Trial], known: Mapping[str, int | None]) -> list[Sample]:
    """Settled positions of the trials, those before a trade and in the middle of it included."""
    out: dict[str, Sample] = {}
    for trial in trials:
        for fen in [trial.fen, *([trial.child().fen()] if trial.trade else [])]:
            value = known.get(fen)
            if value is not None and fen not in out:
                out[fen] = sample_of(fen, trial.cluster, trial.origin, value)
    return list(out.values())


def held_out(sample: Sample, seed: int) -> bool:
    """Is the sample's game in the part that is not fitted?"""
    return rank_of(seed, "held out", sample.cluster) % 10 < HELD_OUT


def probability(weights: Mapping[str, float], seen: View) -> float:
    """Probability that the side wins from whose view the features are."""
    score = sum(weights.get(name, 0.0) * value for name, value in seen.items())
    return 1.0 / (1.0 + math.exp(-max(-30.0, min(30.0, score))))


def forecast(weights: Mapping[str, float], sample: Sample) -> Forecast:
    """Win, draw and loss for White; what the two sides claim together is at most 1."""
    win, loss = probability(weights, sample.white), probability(weights, sample.black)
    if win + loss > 1:
        win, loss = win / (win + loss), loss / (win + loss)
    return win, 1.0 - win - loss, loss


def fitted(
    part: Sequence[Sample], names: Callable[[str], bool] = lambda _: True
) -> dict[str, float]:
    """Weights by name, from the samples of one part, with the names that are let in."""
    from sklearn.feature_extraction import DictVectorizer
    from sklearn.linear_model import LogisticRegression
    from sklearn.metrics import log_loss
    from sklearn.model_selection import GroupKFold

    rows, labels, groups = [], [], []
    for sample in part:
        for seen, won in ((sample.white, 1), (sample.black, -1)):
            rows.append({name: value for name, value in seen.items() if names(name)})
            labels.append(int(sample.outcome == won))
            groups.append(sample.cluster)
    space = DictVectorizer()
    matrix = space.fit_transform(rows)

    def model(strength: float) -> Any:
        return LogisticRegression(C=strength, fit_intercept=False, max_iter=2000)

    best = None
    for strength in STRENGTHS:
        total = 0.0
        for train, test in GroupKFold(4).split(matrix, labels, groups):
            made = model(strength).fit(matrix[train], [labels[i] for i in train])
            told = made.predict_proba(matrix[test])[:, 1]
            total += log_loss([labels[i] for i in test], told, labels=[0, 1]) * len(test)
        if best is None or total < best[0]:
            best = total, strength
    assert best is not None
    made = model(best[1]).fit(matrix, labels)
    return {
        str(name): round(float(weight), 4)
        for name, weight in zip(space.get_feature_names_out(), made.coef_[0], strict=True)
        if abs(weight) >= 5e-5
    }


def figures(part: Sequence[Sample], tell: Callable[[Sample], Forecast]) -> Quality:
    """How good the forecasts of one method are."""
    return quality([tell(sample) for sample in part], [sample.outcome for sample in part])


def compare(
    fit: Sequence[Sample], rest: Sequence[Sample]
) -> tuple[dict[str, float], dict[str, Any]]:
    """Weights fitted to one part, and the figures of them and of three baselines on the other."""
    weights = fitted(fit)
    material = fitted(fit, lambda name: name in ("always", "lead in worth"))
    share = [sum(s.outcome == o for s in fit) / len(fit) for o in (1, 0, -1)]
    even = (share[0] + share[2]) / 2
    methods: dict[str, Callable[[Sample], Forecast]] = {
        "fitted": lambda s: forecast(weights, s),
        "hand-set": lambda s: s.hand_set,
        "material": lambda s: forecast(material, s),
        "constant": lambda _: (even, share[1], even),
    }
    out: dict[str, Any] = {}
    for kind in ("all", *sorted({s.kind for s in rest})):
        part = [s for s in rest if kind in ("all", s.kind)]
        if len(part) < 20:
            continue
        out[kind] = {name: _plain(figures(part, tell)) for name, tell in methods.items()}
    return weights, out


def _plain(told: Quality) -> dict[str, Any]:
    return {
        "n": told.number,
        "brier": round(told.brier, 4),
        "log_loss": round(told.log_loss, 4),
        "ece": round(told.ece, 4),
        "curve": [[b.number, round(b.forecast, 4), round(b.observed, 4)] for b in told.bins],
    }


def main(arguments: list[str] | None = None) -> int:
    """Fit, compare, write; returns the exit code."""
    parser = argparse.ArgumentParser("python -m convert.measuring.fit", description=__doc__)
    parser.add_argument("--work", type=Path, required=True, help="folder of the measuring")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("-o", "--out", type=Path, help="file to write (else only the figures)")
    told = parser.parse_args(arguments)
    outcomes = Outcomes(told.work / "outcomes.jsonl")
    trials = drawn_before(told.work)
    if not trials:
        sys.stderr.write(f"{told.work}: nothing drawn there; run convert.rules.measure first\n")
        return 2
    for name in CLASSES:
        trials += random_trials(name, RANDOM, told.seed)
    found = samples(trials, outcomes.known)
    games = [s for s in found if s.origin == "games"]
    rest = [s for s in games if held_out(s, told.seed)]
    fit = [s for s in found if s.origin != "games" or not held_out(s, told.seed)]
    weights, table = compare(fit, rest)
    sys.stdout.write(f"{len(fit)} positions fitted, {len(rest)} of {len(games)} held out\n")
    for kind, methods in table.items():
        for name, row in methods.items():
            sys.stdout.write(
                f"{kind:<14} {name:<9} n {row['n']:>5}  Brier {row['brier']:.3f}  "
                f"log loss {row['log_loss']:.3f}  calibration error {row['ece']:.3f}\n"
            )
    if told.out is not None:
        document = {"schema": 1, "seed": told.seed, "fitted": len(fit), "weights": weights,
                    "held_out": table}  # fmt: skip
        told.out.write_text(json.dumps(document, indent=1, sort_keys=True) + "\n", encoding="utf-8")
    return 0


if __name__ == "__main__":
    sys.exit(main())
