"""Fits the named numbers of the evaluation to results of quiet positions.

    python -m convert.measuring.evaluation POSITIONS.npz -o terms.json [--most 4] [--seed 1]

POSITIONS.npz is what ``convert.measuring.quiet`` writes; held-out games are never looked at.  An
ordered logistic model (proportional odds, McCullagh 1980), whose lean is the evaluation itself:

    P(won) = s(lean - width)    P(lost) = s(-lean - width)    lean = slope * bend * arsinh(v / bend)

v is the value in pawns for White, tapered and scaled as the search does it; slope and width are
exponentials that are linear in the phase.  Slope and bend are fitted first, to the numbers that one
starts from, and then held, so that the numbers keep their unit; width is fitted with the numbers.
That results of games may stand for what positions are worth, and that such a fit is a logistic
regression, is common practice.

*Ridge.*  Each number is drawn towards the one that it starts from, the more the smaller that is;
how strongly is chosen by log loss on games that were set apart (inner validation).

*Constraints.*  Material is ordered by bounds that do not overlap (minor pieces apart).  What must
not fall with a rank, a square more of mobility or a pawn more is written as a first number and
steps that are not negative (:func:`constraints`); other numbers keep their sign.  So they hold
exactly.

*Weights.*  Each game the same, shared among its positions, more for stronger players
(:func:`strength`).
"""

from __future__ import annotations

import argparse
import sys
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from convert.judging.search.terms import (
    FULL_PHASE,
    FULL_SCALE,
    NAMES,
    SCALES,
    Numbers,
    start,
    with_numbers,
)
from convert.measuring.forecasts import game_weights
from convert.measuring.practice import progress
from convert.measuring.quiet import Columns
from convert.measuring.softmax import one_thread
from convert.rim.outputs import Output, OutputError, check, whole_file
from convert.rim.safe_text import safe_line

Array = NDArray[Any]
#: Of the numbers in a pawn.
PAWN: Final = 1000.0
#: Fewer men are known exactly.
LEAST_MEN: Final = 5
#: Strengths of the ridge that are tried (mean log loss, numbers in their own units).
RIDGES: Final = (3e-5, 1e-5, 3e-6, 1e-6)
#: One game in so many is set apart for the choice.
APART: Final = 8
#: A number may stray by so much of its own size, and by so many pawns besides, for a unit of ridge.
STRAY, STRAY_PAWNS = 0.25, 0.1
#: Rating at which a game counts as one, points that make it e times as much, and limits.
USUAL, POINTS, LEAST, MOST = 2200, 400, 0.4, 2.5
ROWS: Final = 20_000


# --- constraints ----------------------------------------------------------------------------


@dataclass(frozen=True)
class Constraints:
    """Numbers as sums of free ones within bounds.

    Attributes:
        chains: places in ``NAMES`` whose numbers must not fall in this order (where the sign is
            -1: must not rise), with the sign.
        bounds: (least, most) in thousandths of a pawn for the number itself, by name; for both
            phases.
    """

    chains: tuple[tuple[tuple[int, ...], int], ...]
    bounds: Mapping[str, tuple[float, float]]

    def broken(self, pairs: Array) -> list[str]:
        """Names of numbers that break one; of chains the later one, "material" for its order.

        In any unit: of bounds only the signs are looked at, and the order that they keep.
        """
        out = []
        for chain, sign in self.chains:
            for before, after in pairwise(chain):
                if (sign * (pairs[after] - pairs[before]) < 0).any():
                    out.append(NAMES[after])
        for name, (low, high) in self.bounds.items():
            value = pairs[NAMES.index(name)]
            if (low == 0 and (value < 0).any()) or (high == 0 and (value > 0).any()):
                out.append(name)
        pawn, knight, bishop, rook, queen = pairs[start("material") : start("material") + 5]
        order = (0 * pawn, pawn, np.minimum(knight, bishop), np.maximum(knight, bishop), rook)
        if not all(
            (less <= more if less is order[2] else less < more).all()
            for less, more in pairwise((*order, queen))
        ):
            out.append("material")
        return out


_NEVER: Final = float("inf")
#: Material: each kind has its own room, so that the order of worth is kept.
_MATERIAL: Final = {
    "pawn": (500.0, 1600.0), "knight": (2000.0, 4200.0), "bishop": (2000.0, 4200.0),
    "rook": (4200.0, 7500.0), "queen": (7500.0, 14000.0),
}  # fmt: skip
_GOOD: Final = (
    "phalanx/rank3", "candidate/rank2", "passed/rank2", "passed_free/rank2",
    "pieces/pair_of_bishops",
    "guarded/rank3", "passed_more/guarded", "passed_more/beside", "passed_more/own_rook_behind",
    "passed_more/outside", "passed_more/unstoppable", "rook/open_file", "rook/half_open_file",
    "rook/seventh_rank", "minor/knight_outpost", "minor/bishop_outpost",
    "threat/pawn_on_piece", "threat/minor_on_rook", "threat/minor_on_queen",
    "threat/rook_on_queen", "threat/hanging_piece", "threat/hanging_pawn", "threat/pinned",
    "to_move/move", *(f"passed_other_king/rank{rank}" for rank in range(4, 8)),
)  # fmt: skip
_BAD: Final = (
    "structure/isolated", "structure/isolated_open", "structure/doubled", "structure/backward",
    "structure/backward_open", "structure/island", "passed_blocked/rank2",
    "passed_more/other_rook_behind", "minor/bad_bishop", "minor/bad_bishop_blocked",
    "safe_check/knight", "safe_check/bishop", "safe_check/rook", "safe_check/queen",
    "king/weak_ring", *(f"passed_own_king/rank{rank}" for rank in range(4, 8)),
)  # fmt: skip


def constraints() -> Constraints:
    """What the numbers must keep, whatever the games say."""

    def places(family: str, names: Sequence[object]) -> tuple[int, ...]:
        return tuple(NAMES.index(f"{family}/{name}") for name in names)

    ranks = [f"rank{rank}" for rank in range(2, 8)]
    chains = [
        (places("passed", ranks), 1), (places("passed_free", ranks), 1),
        (places("passed_blocked", ranks), -1), (places("phalanx", ranks[1:]), 1),
        (places("guarded", ranks[1:]), 1), (places("candidate", ranks[:-1]), 1),
        (places("pressure_with_queen", range(16)), 1), (places("pressure", range(8)), 1),
        (places("exchange_up", ("three_pawns_less", "two_pawns_less", "one_pawn_less",
                                "pawns_even", "pawns_more")), 1),
    ]  # fmt: skip
    for kind in ("knight", "bishop", "rook", "queen"):
        first = start(f"mobility/{kind}")
        number = sum(name.startswith(f"mobility/{kind}/") for name in NAMES)
        chains.append((tuple(range(first, first + number)), 1))
    bounds = {f"material/{kind}": room for kind, room in _MATERIAL.items()}
    bounds |= dict.fromkeys(_GOOD, (0.0, _NEVER))
    bounds |= dict.fromkeys(_BAD, (-_NEVER, 0.0))
    return Constraints(tuple(chains), bounds)


@dataclass(frozen=True)
class _Free:
    """The numbers of one phase as ``steps @ free``, with bounds of the free ones in pawns."""

    steps: Array
    bounds: list[tuple[float | None, float | None]]


def _free(limits: Constraints) -> _Free:
    """A chain's numbers are sums of its first and the steps after it."""
    size = len(NAMES)
    steps = np.eye(size)
    low, high = np.full(size, -_NEVER), np.full(size, _NEVER)
    later = {place for chain, _ in limits.chains for place in chain[1:]}
    for name, (least, most) in limits.bounds.items():
        place = NAMES.index(name)
        if place in later:
            raise ValueError(f"bounds within a chain: {name}")
        low[place], high[place] = least / PAWN, most / PAWN
    for chain, sign in limits.chains:
        steps[list(chain), chain[0]] = 1.0
        for at, place in enumerate(chain[1:], 1):
            steps[list(chain[at:]), place] = 1.0
            low[place], high[place] = (0.0, _NEVER) if sign > 0 else (-_NEVER, 0.0)
    ends = [
        (None if a == -_NEVER else float(a), None if b == _NEVER else float(b))
        for a, b in zip(low, high, strict=True)
    ]
    return _Free(steps, ends)


# --- the model ------------------------------------------------------------------------------


@dataclass(frozen=True)
class Positions:
    """What is fitted: one entry a position.

    Attributes:
        counts: how often each number is taken, White's less Black's; float32 (n, names).
        phase: 1 with all pieces on the board, 0 with none.
        scales: places in ``SCALES`` if White, if Black is ahead; (n, 2).
        outcomes: 1, 0, -1 for White.
        games: a number for each position's game.
        weights: add up to 1.
    """

    counts: Array
    phase: Array
    scales: Array
    outcomes: Array
    games: Array
    weights: Array

    def __len__(self) -> int:
        return len(self.outcomes)

    def only(self, which: Array) -> Positions:
        """Those of the positions."""
        weights = self.weights[which]
        return Positions(
            self.counts[which], self.phase[which], self.scales[which], self.outcomes[which],
            self.games[which], weights / weights.sum(),
        )  # fmt: skip


@dataclass(frozen=True)
class Curve:
    """From a value in pawns to chances: logarithms of slope and width, with all pieces on the
    board and with none, and of the bend.
    """

    slope: Array
    width: Array
    bend: float

    @property
    def flat(self) -> Array:
        """The five numbers."""
        return np.array([*self.slope, *self.width, self.bend])

    @staticmethod
    def of(flat: Array) -> Curve:
        """From the five numbers."""
        return Curve(flat[0:2].copy(), flat[2:4].copy(), float(flat[4]))


def values(positions: Positions, pairs: Array, scales: Array) -> tuple[Array, Array]:
    """Values in pawns for White, and the same before they are scaled.

    Args:
        pairs: pawns, shape (names, 2).
        scales: shares, 1 for the whole value.
    """
    sums = positions.counts @ pairs.astype(np.float32)
    plain = sums[:, 0] * positions.phase + sums[:, 1] * (1 - positions.phase)
    place = np.where(plain > 0, positions.scales[:, 0], positions.scales[:, 1])
    return plain * scales[place], plain


def _losses(positions: Positions, value: Array, curve: Curve) -> tuple[float, Array, Array]:
    """Mean log loss, its slope by value, and by the five numbers of the curve."""
    tapers = np.stack([positions.phase, 1 - positions.phase], axis=1)
    slope = np.exp(np.clip(tapers @ curve.slope, -8, 4))
    width = np.exp(np.clip(tapers @ curve.width, -8, 4))
    bend = float(np.exp(curve.bend))
    far = value / bend
    bent = bend * np.arcsinh(far)
    lean = slope * bent
    won = 1 / (1 + np.exp(np.clip(width - lean, -80, 80)))
    lost = 1 / (1 + np.exp(np.clip(width + lean, -80, 80)))
    soft = np.logaddexp
    outcome = positions.outcomes
    likely = np.where(
        outcome == 1, -soft(0, width - lean),
        np.where(outcome == -1, -soft(0, width + lean),
                 -soft(0, -lean - width) - soft(0, lean - width) + np.log(-np.expm1(-2 * width))),
    )  # fmt: skip
    by_lean = np.where(outcome == 1, 1 - won, np.where(outcome == -1, lost - 1, lost - won))
    by_width = np.where(
        outcome == 1, won - 1,
        np.where(outcome == -1, lost - 1, won + lost + 2 / np.expm1(np.minimum(2 * width, 80))),
    )  # fmt: skip
    share = positions.weights
    by_value = share * by_lean * slope / np.sqrt(1 + far**2)
    by_curve = np.concatenate([
        tapers.T @ (share * by_lean * lean),
        tapers.T @ (share * by_width * width),
        [share @ (by_lean * slope * (bent - value / np.sqrt(1 + far**2)))],
    ])  # fmt: skip
    return float(-share @ likely), -by_value, -by_curve


def log_loss(positions: Positions, numbers: Numbers, curve: Curve) -> float:
    """Mean log loss of results, by weight."""
    value, _ = values(positions, numbers.pairs / PAWN, numbers.scales / FULL_SCALE)
    return _losses(positions, value, curve)[0]


def fit_curve(positions: Positions, numbers: Numbers) -> Curve:
    """The curve that fits these numbers best."""
    from scipy.optimize import minimize

    value, _ = values(positions, numbers.pairs / PAWN, numbers.scales / FULL_SCALE)

    def objective(flat: Array) -> tuple[float, Array]:
        loss, _, by_curve = _losses(positions, value, Curve.of(flat))
        return loss, by_curve

    bounds = [(-4.0, 2.0)] * 2 + [(-4.0, 2.0)] * 2 + [(-2.0, 4.0)]
    result = minimize(objective, np.array([0.0, 0.0, 0.0, 0.0, 1.0]), jac=True,
                      method="L-BFGS-B", bounds=bounds)  # fmt: skip
    return Curve.of(result.x)


@dataclass(frozen=True)
class EvaluationFit:
    """Numbers in pawns (names, 2), scales as shares, and the curve that goes with them."""

    pairs: Array
    scales: Array
    curve: Curve

    def numbers(self, limits: Constraints, unit: float = PAWN) -> Numbers:
        """As whole numbers, ``unit`` to the pawn."""
        pairs = np.rint(self.pairs * unit)
        for chain, sign in limits.chains:
            rows = list(chain)
            pairs[rows] = sign * np.maximum.accumulate(sign * pairs[rows], axis=0)
        return Numbers(pairs.astype(np.int32),
                       np.rint(self.scales * FULL_SCALE).astype(np.int32))  # fmt: skip


def _sizes(positions: Positions, steps: Array, stray: Array, ridge: float, curve: Curve) -> Array:
    """Steps of the search for each free number, scale and width: of about the same effect each.

    The roots of the second derivatives, those of the logarithm taken as an eighth.
    """
    out = []
    for phase in range(2):
        taper = positions.phase if phase == 0 else 1 - positions.phase
        slope = np.exp(curve.slope[phase])
        root = np.sqrt(positions.weights / 8) * taper * slope
        weighed = positions.counts * root[:, None].astype(np.float32)
        second = (weighed.T @ weighed).astype(np.float64)
        second += np.diag(2 * ridge / stray[:, phase] ** 2)
        out.append(1 / np.sqrt(np.einsum("ij,ik,kj->j", steps, second, steps, optimize=True)))
    return np.concatenate([*out, np.full(len(SCALES), 0.3), np.ones(2)])


def fit(
    positions: Positions,
    from_numbers: Numbers,
    limits: Constraints,
    ridge: float,
    *,
    begin: EvaluationFit | None = None,
    steps: int = 300,
) -> EvaluationFit:
    """Fit the numbers; what never occurs stays as it is.

    Args:
        ridge: towards ``from_numbers``.
        begin: where to start the search for the best numbers; None: at ``from_numbers``.
        steps: of the search, at most.
    """
    from scipy.optimize import minimize

    size = len(NAMES)
    free = _free(limits)
    toward = from_numbers.pairs / PAWN
    toward_scales = from_numbers.scales / FULL_SCALE
    stray = STRAY_PAWNS + STRAY * np.abs(toward)
    curve = fit_curve(positions, from_numbers) if begin is None else begin.curve
    inverse = np.linalg.inv(free.steps)
    size_of = _sizes(positions, free.steps, stray, ridge, curve)

    def unpack(scaled: Array) -> tuple[Array, Array, Curve]:
        x = scaled * size_of
        flat = curve.flat
        flat[2:4] = x[-2:]
        return free.steps @ x[: 2 * size].reshape(2, size).T, x[2 * size : -2], Curve.of(flat)

    def objective(x: Array) -> tuple[float, Array]:
        pairs, scales, now = unpack(x)
        value, plain = values(positions, pairs, scales)
        loss, by_value, by_curve = _losses(positions, value, now)
        place = np.where(plain > 0, positions.scales[:, 0], positions.scales[:, 1])
        by_plain = by_value * scales[place]
        by_sums = np.stack([by_plain * positions.phase, by_plain * (1 - positions.phase)], axis=1)
        apart = (pairs - toward) / stray
        by_pairs = positions.counts.T @ by_sums.astype(np.float32) + 2 * ridge * apart / stray
        scales_apart = (scales - toward_scales) / STRAY
        by_scales: Array = np.bincount(place, by_value * plain, len(SCALES))
        by_scales = by_scales + 2 * ridge * scales_apart / STRAY
        loss += ridge * float((apart**2).sum() + (scales_apart**2).sum())
        gradient = (free.steps.T @ by_pairs).T.reshape(-1)
        return loss, size_of * np.concatenate([gradient, by_scales, by_curve[2:4]])

    at = begin or EvaluationFit(toward, toward_scales, curve)
    x = np.concatenate([(inverse @ at.pairs).T.reshape(-1), at.scales, at.curve.width])
    bounds: list[tuple[float | None, float | None]] = [*free.bounds, *free.bounds]
    bounds += [(1.0, 1.0) if name == "usual" else (0.0, 1.0) for name in SCALES]
    bounds += [(-4.0, 2.0)] * 2
    within = [
        (None if low is None else low / one, None if high is None else high / one)
        for (low, high), one in zip(bounds, size_of, strict=True)
    ]
    with one_thread():
        result = minimize(
            objective,
            x / size_of,
            jac=True,
            method="L-BFGS-B",
            bounds=within,
            options={"maxiter": steps, "maxcor": 30, "maxfun": 2 * steps},
        )
    pairs, scales, curve = unpack(result.x)
    return EvaluationFit(pairs, scales, curve)


# --- data -----------------------------------------------------------------------------------


def by_hand() -> Numbers:
    """The numbers that a fit starts from, set by hand."""
    return with_numbers((Path(__file__).parent / "terms_by_hand.json").read_text("utf-8"))


def strength(white: Array, black: Array) -> Array:
    """What a game counts by the ratings of its players."""
    mean = (white.astype(np.float64) + black) / 2
    return np.clip(np.exp((mean - USUAL) / POINTS), LEAST, MOST)


def picked(columns: Columns, most: int, seed: int) -> Array:
    """Places of the positions that are fitted: ``most`` of a game, none that is held out."""
    able = np.flatnonzero(~columns["held_out"] & (columns["men"] >= LEAST_MEN))
    able = np.random.default_rng(seed).permutation(able)
    order = able[np.argsort(columns["game"][able], kind="stable")]
    games = columns["game"][order]
    first = np.flatnonzero(np.r_[True, games[1:] != games[:-1]])
    place = np.arange(len(order)) - np.repeat(first, np.diff(np.r_[first, len(order)]))
    return np.sort(order[place < most])


def rows_of(columns: Columns, which: Array) -> Array:
    """Positions as the search has them, without their keys (``moves.put_board``)."""
    from convert.judging.search import moves

    rows = np.zeros((len(which), moves.WIDTH), np.uint64)
    rows[:, : moves.MEN + 2] = columns["boards"][which]
    rows[:, moves.SIDE] = ~columns["turn"][which]
    passant = columns["passant"][which].astype(np.int64)
    rows[:, moves.EP] = np.where(passant < 0, 64, passant)
    rights = columns["castling"][which]
    for bit, square in ((1, 7), (2, 0), (4, 63), (8, 56)):
        rows[:, moves.CASTLE] |= (rights >> np.uint64(square) & np.uint64(1)) * np.uint64(bit)
    rows[:, moves.CLOCK] = columns["clock"][which]
    return rows


def gathered(columns: Columns, which: Array, tell: Callable[[int, int], None]) -> Positions:
    """The positions with what their values are made of."""
    from convert.judging.search import sets
    from convert.judging.search.front import Search

    search = Search(leaves=sets.nothing())
    counts = np.empty((len(which), len(NAMES)), np.float32)
    phase = np.empty(len(which), np.float64)
    scales = np.empty((len(which), 2), np.int64)
    for begin in range(0, len(which), ROWS):
        part = slice(begin, begin + ROWS)
        made_of = search.coefficients_of(rows_of(columns, which[part]))
        counts[part], scales[part] = made_of.counts, made_of.scales
        phase[part] = made_of.phase / FULL_PHASE
        tell(min(begin + ROWS, len(which)), len(which))
    games = columns["game"][which]
    weights = game_weights(games) * strength(columns["white"][which], columns["black"][which])
    return Positions(
        counts, phase, scales, columns["result"][which].astype(np.int64), games,
        weights / weights.sum(),
    )  # fmt: skip


# --- the command ----------------------------------------------------------------------------


@dataclass(frozen=True)
class Choice:
    """A ridge with the log loss on games set apart, and how that was before fitting."""

    ridge: float
    before: float
    after: Mapping[float, float]


def chosen(
    positions: Positions, from_numbers: Numbers, limits: Constraints, seed: int,
    tell: Callable[[str], None] = lambda _: None,
) -> Choice:  # fmt: skip
    """The ridge that is best on games that were set apart."""
    names = np.unique(positions.games)
    away = np.random.default_rng(seed + 1).random(len(names)) < 1 / APART
    apart = away[np.searchsorted(names, positions.games)]
    inner, outer = positions.only(~apart), positions.only(apart)
    before = log_loss(outer, from_numbers, fit_curve(inner, from_numbers))
    after: dict[float, float] = {}
    last: EvaluationFit | None = None
    for ridge in RIDGES:
        last = fit(inner, from_numbers, limits, ridge, begin=last, steps=120)
        after[ridge] = round(log_loss(outer, last.numbers(limits), last.curve), 5)
        tell(f"ridge {ridge:g}: {after[ridge]:.5f} after {before:.5f}")
        if after[ridge] > min(after.values()):
            break
    return Choice(min(after, key=lambda ridge: after[ridge]), round(before, 5), after)


def unit_of(pairs: Array) -> float:
    """Of the numbers in a pawn, such that a pawn in the ending counts one."""
    return PAWN / float(pairs[NAMES.index("material/pawn"), 1])


def fitted(
    columns: Columns, most: int, seed: int, tell: Callable[[str], None]
) -> tuple[Numbers, dict[str, Any]]:
    """The numbers from these positions, and how they were made."""
    which = picked(columns, most, seed)
    positions = gathered(columns, which, lambda n, of: tell(f"counted: {n:,} of {of:,}"))
    limits, from_numbers = constraints(), by_hand()
    choice = chosen(positions, from_numbers, limits, seed, tell)
    result = fit(positions, from_numbers, limits, choice.ridge)
    numbers = result.numbers(limits, unit_of(result.pairs))
    seen = (positions.counts != 0).any(axis=0)
    made = {
        "method": "ordered logistic regression on results of quiet positions, ridge towards "
        "hand-set numbers",
        "positions": len(positions), "games": len(np.unique(positions.games)), "seed": seed,
        "ridge": choice.ridge, "log loss on games set apart, before": choice.before,
        "log loss on games set apart, after": choice.after[choice.ridge],
        "hand-set": [name for name, there in zip(NAMES, seen, strict=True) if not there],
    }  # fmt: skip
    return numbers, made


def main(arguments: list[str] | None = None) -> int:
    """Fit and write; returns the exit code."""
    parser = argparse.ArgumentParser(
        "python -m convert.measuring.evaluation",
        description="Fits the numbers of the evaluation to results of quiet positions.",
    )
    parser.add_argument("positions", type=Path, help="what convert.measuring.quiet wrote (.npz)")
    parser.add_argument("-o", "--output", type=Path, required=True, help="terms.json")
    parser.add_argument("--most", type=int, default=4, help="positions of a game at most")
    parser.add_argument("--seed", type=int, default=1, help="of the draw and of games set apart")
    options = parser.parse_args(arguments)
    try:
        check([Output("--output", str(options.output))], [str(options.positions)])
        with np.load(options.positions) as file:
            columns = {name: file[name] for name in file.files if name != "fields"}
    except (OutputError, OSError, ValueError) as error:
        sys.stderr.write(f"{safe_line(str(error))}\n")
        return 2
    numbers, made = fitted(columns, options.most, options.seed, progress)
    about = "Fitted to results of games. Thousandths of a pawn, with all pieces on the board and "
    with whole_file(str(options.output)) as output:
        output.write(numbers.json(about + "with none; scales in 64ths.", made))
    return 0


if __name__ == "__main__":
    sys.exit(main())
