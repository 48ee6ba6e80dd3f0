"""How good probabilities are: Brier score, log loss, calibration.

A forecast is a triple (win, draw, loss) for one side that adds up to 1; an outcome is 1, 0 or -1
for the same side.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

Forecast = tuple[float, float, float]

#: No probability counts as less than this, so that one certain error does not outweigh all else.
LEAST = 1e-4


@dataclass(frozen=True)
class Bin:
    """Forecasts of about one probability: how many, their mean, and how often it came true."""

    number: int
    forecast: float
    observed: float


@dataclass(frozen=True)
class Quality:
    """Figures of a set of forecasts; the smaller the better.

    ``brier``: mean over forecasts of the squared errors of the three probabilities (Brier 1950;
    0 to 2). ``log_loss``: mean of minus the natural logarithm of the probability of what came.
    ``ece``: expected calibration error of the two winning probabilities of each position, over
    ``bins`` (Naeini, Cooper, Hauskrecht 2015).
    """

    number: int
    brier: float
    log_loss: float
    ece: float
    bins: tuple[Bin, ...]


def quality(forecasts: Sequence[Forecast], outcomes: Sequence[int], bins: int = 15) -> Quality:
    """Figures of forecasts against outcomes.

    Raises:
        ValueError: there are none, or not as many of the one as of the other.
    """
    if not forecasts or len(forecasts) != len(outcomes):
        raise ValueError(f"{len(forecasts)} forecasts, {len(outcomes)} outcomes")
    brier = loss = 0.0
    pairs: list[tuple[float, bool]] = []
    for (win, draw, lose), came in zip(forecasts, outcomes, strict=True):
        hit = (came == 1, came == 0, came == -1)
        brier += sum((p - h) ** 2 for p, h in zip((win, draw, lose), hit, strict=True))
        loss -= math.log(max(LEAST, (win, draw, lose)[hit.index(True)]))
        pairs += [(win, came == 1), (lose, came == -1)]
    table = calibration(pairs, bins)
    total = sum(b.number for b in table)
    ece = sum(b.number * abs(b.forecast - b.observed) for b in table) / total
    number = len(forecasts)
    return Quality(number, brier / number, loss / number, ece, table)


def calibration(pairs: Sequence[tuple[float, bool]], bins: int) -> tuple[Bin, ...]:
    """Forecasts in ``bins`` of equal width; empty ones are left out."""
    groups: dict[int, list[tuple[float, bool]]] = {}
    for pair in pairs:
        groups.setdefault(min(bins - 1, int(pair[0] * bins)), []).append(pair)
    return tuple(
        Bin(
            len(group),
            sum(p for p, _ in group) / len(group),
            sum(hit for _, hit in group) / len(group),
        )
        for _, group in sorted(groups.items())
    )
