"""Multinomial logistic regression for won, drawn, lost, the same for both colours.

A position is described by *odd* features, which change their sign when the colours are exchanged
(a lead, say), and *even* ones, which do not (the number of men).  With numbers a for the odd and b
for the even ones

    log(won / drawn) = b . even + a . odd        log(lost / drawn) = b . even - a . odd

so that exchanging the colours exchanges won and lost.  It is fitted by maximum likelihood with a
small ridge (Hoerl and Kennard 1970) over features scaled to unit mean square.
"""

from __future__ import annotations

import contextlib
import importlib
from dataclasses import dataclass
from typing import Any

import numpy as np

from convert.measuring.forecasts import Floats, Ints, columns

#: Strength of the ridge, for a log loss that is a mean over positions.
RIDGE = 1e-4


@dataclass(frozen=True)
class Softmax:
    """Fitted numbers: one for each odd feature, one for each even one."""

    odd: Floats
    even: Floats

    def chances(self, odd: Floats, even: Floats) -> Floats:
        """Won, drawn, lost for White, from features (n, number of odd) and (n, of even)."""
        return _chances(odd @ self.odd, even @ self.even)


def _chances(lean: Floats, decided: Floats) -> Floats:
    logits = np.stack([decided + lean, np.zeros_like(lean), decided - lean], axis=1)
    logits -= logits.max(axis=1, keepdims=True)
    shares: Floats = np.exp(logits)
    shares /= shares.sum(axis=1, keepdims=True)
    return shares


def one_thread() -> contextlib.AbstractContextManager[Any]:
    """Within it sums of arrays are made by one thread: the same everywhere, and no slower here.

    Raises:
        ImportError: threadpoolctl, which comes with the extra ``measure``, is not there.
    """
    abstract_context_manager: contextlib.AbstractContextManager[Any] = importlib.import_module(
        "threadpoolctl"
    ).threadpool_limits(1)
    return abstract_context_manager


def fit(odd: Floats, even: Floats, outcomes: Ints, weights: Floats) -> Softmax:
    """Fit to outcomes (1, 0, -1 for White) with weights.

    Raises:
        ImportError: scipy, which comes with the extra ``measure``, is not there.
        ValueError: there is nothing to fit to.
    """
    from scipy.optimize import minimize

    if not len(outcomes):
        raise ValueError("nothing to fit to")
    share = weights / weights.sum()
    sizes = [np.maximum(np.sqrt(np.mean(x**2, axis=0)), 1e-3) for x in (odd, even)]
    x, z = odd / sizes[0], even / sizes[1]
    came = np.eye(3)[columns(outcomes)]

    def loss(numbers: Floats) -> tuple[float, Floats]:
        a, b = numbers[: x.shape[1]], numbers[x.shape[1] :]
        values = _chances(x @ a, z @ b)
        likely = np.log(np.maximum(1e-300, (values * came).sum(axis=1)))
        error = (values - came) * share[:, None]
        slope = np.concatenate(
            [x.T @ (error[:, 0] - error[:, 2]), z.T @ (error[:, 0] + error[:, 2])]
        )
        return (
            float(-share @ likely + RIDGE * numbers @ numbers),
            slope + 2 * RIDGE * numbers,
        )

    start = np.zeros(x.shape[1] + z.shape[1])
    with one_thread():
        data = minimize(loss, start, jac=True, method="L-BFGS-B", options={"maxiter": 500}).x
    return Softmax(data[: x.shape[1]] / sizes[0], data[x.shape[1] :] / sizes[1])
