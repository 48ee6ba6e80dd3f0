"""Chances from a score: won, drawn, lost by an ordered logistic model, with human error apart.

Proportional odds (McCullagh 1980) with cut points that lie symmetrically about nought, so that both
colours are treated alike:

    P(won) = s(lean - width)      P(lost) = s(-lean - width)      P(drawn) = the rest

where s(x) = 1 / (1 + exp(-x)).  The *lean* is slope * bent(score), with
bent(x) = bend * arsinh(x / bend) for scores far from nought, plus a number for the move; slope and
width are exponentials of a quadratic in the number of men, a number for each kind of ending and,
where the depth of the searches is told, one for its logarithm.
So they are positive: the chance to win never falls when the score rises, and a draw is never
excluded.

Results of games are not outcomes with good play.  What people add is a factor of its own: it makes
the slope flatter and changes the width, the slope the more the weaker the players.  It is fitted,
and left out when chances are told: exact outcomes have none of it; without exact outcomes what is
left in is that of the strongest players.  That the higher rated wins more often than the position
says can be fitted too; chances are then those of players of one strength, which are further from
even than the shares among all games: not what results of all games are held against.
"""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from convert.board.kinds import KINDS
from convert.measuring.forecasts import Floats, Ints
from convert.measuring.softmax import one_thread

#: The kind of ending whose number is nought; the others are told as differences from it.
PLAIN = "other"
_NAMED = tuple(kind for kind in KINDS if kind != PLAIN)
#: Men at which the quadratics are at their origin, and men that make one unit.
MIDDLE, UNIT = 16.0, 8.0
#: From this mean rating on players count as the strongest, and points that make one unit.
STRONGEST, POINTS = 2600.0, 400.0
#: Strength of the ridge on all numbers but those of the plain quadratics (mean log loss).
RIDGE = 1e-4
#: Scores beyond so many pawns count as so many.
MOST = 30.0
#: Depth at which its number has no weight: what counts is ln((1 + depth) / (1 + this)).
PLIES = 8

_SLOPE = ("slope", "slope: men", "slope: men squared", *(f"slope: {kind}" for kind in _NAMED),
          "slope: depth")  # fmt: skip
_WIDTH = ("width", "width: men", "width: men squared", *(f"width: {kind}" for kind in _NAMED),
          "width: depth")  # fmt: skip
_PLAY = ("bend", "to move")
_HUMAN = (
    "people: slope",
    "people: width",
    "weaker: slope",
    "weaker: width",
    "higher rated",
)
NAMES = (*_SLOPE, *_WIDTH, *_PLAY, *_HUMAN)
_FREE = frozenset(
    {
        "slope",
        "slope: men",
        "slope: men squared",
        "width",
        "width: men",
        "width: men squared",
        "bend",
    }
)


@dataclass(frozen=True)
class Seen:
    """What the model looks at, one entry a position.

    Attributes:
        score: pawns, positive where White stands better.
        men: men on the board, kings included.
        kind: index in :data:`convert.board.kinds.KINDS`.
        turn: 1 where White is to move, -1 where Black is.
        depth: plies that the search completed; None where it plays no part.
    """

    score: Floats
    men: Ints
    kind: Ints
    turn: Ints
    depth: Ints | None = None

    def __len__(self) -> int:
        return len(self.score)

    def only(self, which: NDArray[np.bool_]) -> Seen:
        """Those of the positions."""
        return Seen(
            self.score[which], self.men[which], self.kind[which], self.turn[which],
            None if self.depth is None else self.depth[which],
        )  # fmt: skip


@dataclass(frozen=True)
class People:
    """Who played, one entry a position: ratings of both (0 unknown), nobody where ``exact``."""

    white: Ints
    black: Ints
    exact: Ints

    @staticmethod
    def nobody(number: int) -> People:
        """For outcomes with best play."""
        nought = np.zeros(number, dtype=np.int64)
        return People(nought, nought, nought + 1)

    def only(self, which: NDArray[np.bool_]) -> People:
        """Those of the positions."""
        return People(self.white[which], self.black[which], self.exact[which])

    def columns(self) -> tuple[Floats, Floats, Floats]:
        """People at all (0 or 1); units by which they are weaker; units White is rated higher."""
        human = (self.exact == 0).astype(np.float64)
        known = human * ((self.white > 0) & (self.black > 0))
        mean = (self.white + self.black) / 2
        weaker = known * np.clip((STRONGEST - mean) / POINTS, 0, 3)
        higher = known * np.clip((self.white - self.black) / POINTS, -1.5, 1.5)
        return human, weaker, higher


@dataclass(frozen=True)
class ChancesFit:
    """Fitted numbers by name (:data:`NAMES`), and how they were made."""

    numbers: Mapping[str, float]
    made: Mapping[str, Any]

    def chances(self, seen: Seen) -> Floats:
        """Won, drawn, lost for White with good play: what people add is left out."""
        return self.of_people(seen, People.nobody(len(seen)) if self.exact else _strongest(seen))

    @property
    def exact(self) -> bool:
        """Were exact outcomes among those that it was fitted to?"""
        return bool(self.made.get("exact", 0))

    def of_people(self, seen: Seen, people: People) -> Floats:
        """Won, drawn, lost for White in a game of these people."""
        values = np.array([self.numbers.get(name, 0.0) for name in NAMES])
        lean, width, *_ = _forward(values, _design(seen, people))
        return _told(lean, width)

    def to_json(self) -> str:
        """As text, for a file."""
        table = {"schema": 1, "made": dict(self.made), "numbers": dict(self.numbers)}
        return json.dumps(table, indent=1, sort_keys=True) + "\n"

    @staticmethod
    def from_json(text: str) -> ChancesFit:
        """What :meth:`to_json` wrote.

        Raises:
            ValueError: it is something else.
        """
        data = json.loads(text)
        if data.get("schema") != 1 or not set(data["numbers"]) <= set(NAMES):
            raise ValueError("not fitted chances of this version")
        return ChancesFit(data["numbers"], data["made"])


def _strongest(seen: Seen) -> People:
    nought = np.zeros(len(seen), dtype=np.int64)
    top = nought + int(STRONGEST)
    return People(top, top, nought)


# --- the model ------------------------------------------------------------------------------


@dataclass(frozen=True)
class _Design:
    slope: Floats
    width: Floats
    score: Floats
    turn: Floats
    higher: Floats


def _design(seen: Seen, people: People) -> _Design:
    """The columns that the numbers multiply; for slope and width in the order of the names."""
    men = (np.asarray(seen.men, dtype=np.float64) - MIDDLE) / UNIT
    plain = [np.ones_like(men), men, men**2]
    plain += [(np.asarray(seen.kind) == KINDS.index(kind)).astype(np.float64) for kind in _NAMED]
    depth = np.full(len(seen), PLIES) if seen.depth is None else np.maximum(seen.depth, 0)
    plain.append(np.log((1 + depth) / (1 + PLIES)))
    human, weaker, higher = people.columns()
    both = np.stack([*plain, human, weaker], axis=1)
    score = np.clip(np.asarray(seen.score, dtype=np.float64), -MOST, MOST)
    return _Design(both, both, score, np.asarray(seen.turn, dtype=np.float64), higher)


_INDEX = {name: place for place, name in enumerate(NAMES)}
_SLOPE_AT = [_INDEX[name] for name in (*_SLOPE, "people: slope", "weaker: slope")]
_WIDTH_AT = [_INDEX[name] for name in (*_WIDTH, "people: width", "weaker: width")]


def _forward(values: Floats, design: _Design) -> tuple[Floats, Floats, Floats, Floats, float]:
    """Lean, width, slope, bent score, bend."""
    slope = np.exp(np.clip(design.slope @ values[_SLOPE_AT], -20, 6))
    width = np.exp(np.clip(design.width @ values[_WIDTH_AT], -12, 6))
    bend = float(np.exp(np.clip(values[_INDEX["bend"]], -4, 6)))
    bent = bend * np.arcsinh(design.score / bend)
    lean = slope * bent + values[_INDEX["to move"]] * design.turn
    lean = lean + values[_INDEX["higher rated"]] * design.higher
    return lean, width, slope, bent, bend


def _sigmoid(x: Floats) -> Floats:
    """1 / (1 + exp(-x)), never quite 0."""
    share: Floats = 1 / (1 + np.exp(-np.clip(x, -300, 300)))
    return share


def _told(lean: Floats, width: Floats) -> Floats:
    won, lost = _sigmoid(lean - width), _sigmoid(-lean - width)
    # The draw as a product: it stays positive where one minus the others would round to nought.
    drawn = _sigmoid(lean + width) * _sigmoid(width - lean) * -np.expm1(-2 * width)
    values: Floats = np.stack([won, drawn, lost], axis=1)
    values /= values.sum(axis=1, keepdims=True)
    return values


def _loss(
    values: Floats, design: _Design, outcomes: Ints, share: Floats, ridge: Floats
) -> tuple[float, Floats]:
    """Mean log loss with the ridge, and its slope."""
    lean, width, slope, bent, bend = _forward(values, design)
    won, lost = _sigmoid(lean - width), _sigmoid(-lean - width)
    soft = np.logaddexp
    likely = np.where(
        outcomes == 1,
        -soft(0, width - lean),
        np.where(
            outcomes == -1,
            -soft(0, width + lean),
            -soft(0, -lean - width) - soft(0, lean - width) + np.log(-np.expm1(-2 * width)),
        ),
    )
    by_lean = np.where(outcomes == 1, 1 - won, np.where(outcomes == -1, lost - 1, lost - won))
    by_width = np.where(
        outcomes == 1,
        won - 1,
        np.where(outcomes == -1, lost - 1, won + lost + 2 / np.expm1(np.minimum(2 * width, 600))),
    )
    gradient = np.zeros_like(values)
    gradient[_SLOPE_AT] += design.slope.T @ (share * by_lean * slope * bent)
    gradient[_WIDTH_AT] += design.width.T @ (share * by_width * width)
    far = design.score / bend
    by_bend = slope * (bent - design.score / np.sqrt(1 + far**2))
    gradient[_INDEX["bend"]] += share @ (by_lean * by_bend)
    gradient[_INDEX["to move"]] += share @ (by_lean * design.turn)
    gradient[_INDEX["higher rated"]] += share @ (by_lean * design.higher)
    return (
        float(-share @ likely + ridge @ values**2),
        -gradient + 2 * ridge * values,
    )


def fit(
    seen: Seen,
    outcomes: Ints,
    people: People,
    weights: Floats | None = None,
    made: Mapping[str, Any] | None = None,
    *,
    higher_rated: bool = False,
    to_move: bool = True,
) -> ChancesFit:
    """Fit to outcomes (1, 0, -1 for White) of positions, exact ones or results of games.

    Args:
        weights: of the positions; None: all the same.
        made: what is to be recorded of how it was made.
        higher_rated: fit, too, how results lean to the higher rated.
        to_move: fit, too, what it is worth to be to move beyond the score.

    Raises:
        ImportError: scipy, which comes with the extra ``measure``, is not there.
        ValueError: there is nothing to fit to.
    """
    from scipy.optimize import minimize

    if not len(seen):
        raise ValueError("nothing to fit to")
    weigh = np.ones(len(seen)) if weights is None else np.asarray(weights, dtype=np.float64)
    share = weigh / weigh.sum()
    design = _design(seen, people)
    exact = int((np.asarray(people.exact) != 0).sum())
    frozen = _frozen(seen, people)
    if not higher_rated:
        frozen |= {"higher rated"}
    if not to_move:
        frozen |= {"to move"}
    bounds = [
        (0.0, 0.0)
        if name in frozen
        else (-3.0, 0.0)
        if name.startswith("weaker")
        else (0.0, 3.0)
        if name == "to move"
        else (None, None)
        for name in NAMES
    ]
    ridge = np.array([0.0 if name in _FREE else RIDGE for name in NAMES])
    start = np.zeros(len(NAMES))
    start[_INDEX["bend"]] = 1.0
    with one_thread():
        data = minimize(
            _loss,
            start,
            args=(design, np.asarray(outcomes), share, ridge),
            jac=True,
            method="L-BFGS-B",
            bounds=bounds,
            options={"maxiter": 1000},
        )
    numbers = {
        name: round(float(value), 5)
        for name, value in zip(NAMES, data.x, strict=True)
        if name not in frozen
    }
    record = {"n": len(seen), "exact": exact, "log loss": round(float(data.fun), 4)}
    return ChancesFit(numbers, {**record, **(made or {})})


def _frozen(seen: Seen, people: People) -> frozenset[str]:
    """Numbers that these positions say nothing of: they stay nought."""
    human, weaker, higher = people.columns()
    out = set()
    if human.all() or not human.any():
        # All by people, or none: their common part cannot be told from the plain numbers.
        out |= {"people: slope", "people: width"}
    if not weaker.any():
        out |= {"weaker: slope", "weaker: width"}
    if not higher.any():
        out.add("higher rated")
    if seen.depth is None or len(np.unique(seen.depth)) < 2:
        out |= {"slope: depth", "width: depth"}
    for kind in _NAMED:
        if not (np.asarray(seen.kind) == KINDS.index(kind)).any():
            out |= {f"slope: {kind}", f"width: {kind}"}
    return frozenset(out)


def kinds_as_numbers(kinds: Sequence[str]) -> Ints:
    """Indices of kinds of endings in :data:`convert.board.kinds.KINDS`."""
    return np.array([KINDS.index(kind) for kind in kinds], dtype=np.int64)
