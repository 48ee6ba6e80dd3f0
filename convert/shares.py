"""Shares with their 95% intervals; nothing heavy is imported here."""

from __future__ import annotations

import math

#: The normal distribution leaves 2.5% above so many standard deviations.
_Z = 1.959964


def interval(number: float, share: float) -> tuple[float, float]:
    """Wilson's 95% interval of a share of ``number`` independent trials (Wilson 1927)."""
    if number <= 0:
        return 0.0, 1.0
    middle = share + _Z * _Z / (2 * number)
    half = _Z * math.sqrt(share * (1 - share) / number + _Z * _Z / (4 * number * number))
    whole = 1 + _Z * _Z / number
    return max(0.0, (middle - half) / whole), min(1.0, (middle + half) / whole)


def independent(
    number: int, right: int, clusters: int, squares: tuple[float, float, float]
) -> float:
    """Number of independent trials that would make a share as sure as these in clusters are.

    Ratio estimator with clusters as units (Cochran, Sampling Techniques, 1977, 6.3 and 9A); never
    more than ``number``.

    Args:
        number: trials.
        right: trials that count for the share.
        clusters: clusters with at least one trial.
        squares: sums over the clusters of trials squared, trials times right, right squared.
    """
    if not number:
        return 0.0
    share = right / number
    plain = share * (1 - share) / number
    if clusters < 2 or plain == 0:
        return float(min(number, clusters))
    nn, nr, rr = squares
    spread = (rr - 2 * share * nr + share * share * nn) / number**2 * clusters / (clusters - 1)
    return number * min(1.0, plain / spread) if spread > 0 else float(number)
