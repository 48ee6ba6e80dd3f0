"""Chances from scores: known numbers are found again, and what holds by construction."""

from __future__ import annotations

import json

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from convert.board.kinds import KINDS
from convert.measuring import chances_fit
from convert.measuring.chances_fit import (
    NAMES,
    ChancesFit,
    People,
    Seen,
    _design,
    _loss,
    fit,
    kinds_as_numbers,
)

pytest.importorskip("scipy")

KNOWN = {
    "slope": -0.3,
    "slope: men": -0.2,
    "width": 0.1,
    "width: men": 0.15,
    "slope: pawn ending": 0.6,
    "width: pawn ending": -0.4,
    "bend": 1.2,
    "to move": 0.1,
    "weaker: slope": -0.25,
    "weaker: width": -0.1,
    "higher rated": 0.3,
}


def some_seen(number: int, seed: int) -> Seen:
    random = np.random.default_rng(seed)
    return Seen(
        random.normal(0, 2.5, number),
        random.integers(5, 33, number),
        random.integers(0, len(KINDS), number),
        random.choice([-1, 1], number),
    )


def some_people(number: int, seed: int, exact: float = 0.0) -> People:
    random = np.random.default_rng(seed + 1)
    return People(
        random.integers(1500, 2700, number),
        random.integers(1500, 2700, number),
        (random.random(number) < exact).astype(np.int64),
    )


def come(chances: np.ndarray, seed: int) -> np.ndarray:
    number = np.random.default_rng(seed).random(len(chances))
    return np.where(number < chances[:, 0], 1, np.where(number < chances[:, :2].sum(1), 0, -1))


def test_known_numbers_are_found_again() -> None:
    number = 12_000
    seen, people = some_seen(number, 1), some_people(number, 1)
    true = ChancesFit(KNOWN, {})
    found = fit(seen, come(true.of_people(seen, people), 3), people, higher_rated=True)
    for name in NAMES:
        assert found.numbers.get(name, 0.0) == pytest.approx(KNOWN.get(name, 0.0), abs=0.3), name
    told, should = found.of_people(seen, people), true.of_people(seen, people)
    assert np.abs(told - should).max() < 0.1
    assert np.abs(told - should).mean() < 0.015


def test_what_people_add_is_found_beside_exact_outcomes_and_left_out() -> None:
    number = 12_000
    true = ChancesFit({**KNOWN, "people: slope": -0.5, "people: width": -0.3}, {"exact": 1})
    seen, people = some_seen(number, 5), some_people(number, 5, exact=0.5)
    found = fit(seen, come(true.of_people(seen, people), 6), people, higher_rated=True)
    assert found.exact
    assert found.numbers["people: slope"] == pytest.approx(-0.5, abs=0.3)
    assert found.numbers["people: width"] == pytest.approx(-0.3, abs=0.3)
    assert np.abs(found.chances(seen) - true.chances(seen)).mean() < 0.015
    # With good play a lead wins more often than among people.
    ahead = Seen(np.array([3.0]), np.array([14]), np.array([5]), np.array([1]))
    weak = People(np.array([1600]), np.array([1600]), np.array([0]))
    assert found.chances(ahead)[0, 0] > found.of_people(ahead, weak)[0, 0] + 0.05


def test_without_exact_outcomes_the_strongest_are_told() -> None:
    seen, people = some_seen(4000, 7), some_people(4000, 7)
    found = fit(seen, come(ChancesFit(KNOWN, {}).of_people(seen, people), 8), people)
    top = np.full(4000, int(chances_fit.STRONGEST))
    strongest = People(top, top, top * 0)
    assert not found.exact
    assert found.chances(seen) == pytest.approx(found.of_people(seen, strongest))
    assert "people: slope" not in found.numbers


numbers = st.fixed_dictionaries({name: st.floats(-2, 2) for name in NAMES})


@given(numbers, st.integers(0, 5), st.integers(3, 32), st.sampled_from([-1, 1]))
def test_a_better_score_never_wins_less_and_a_draw_is_never_excluded(
    told: dict[str, float], kind: int, men: int, turn: int
) -> None:
    scores = np.concatenate([np.linspace(-40, 40, 81), [-200.0, 200.0]])
    scores.sort()
    same = np.ones(len(scores), dtype=np.int64)
    seen = Seen(scores, same * men, same * kind, same * turn)
    chances = ChancesFit(told, {}).chances(seen)
    assert chances.sum(axis=1) == pytest.approx(np.ones(len(scores)))
    assert (np.diff(chances[:, 0]) >= -1e-12).all()
    assert (np.diff(chances[:, 2]) <= 1e-12).all()
    assert (chances > 0).all()


@given(numbers, st.integers(0, 10_000))
def test_both_colours_are_treated_alike(told: dict[str, float], seed: int) -> None:
    seen, people = some_seen(20, seed), some_people(20, seed, exact=0.3)
    turned = Seen(-seen.score, seen.men, seen.kind, -seen.turn)
    others = People(people.black, people.white, people.exact)
    model = ChancesFit(told, {})
    assert model.of_people(seen, people)[:, ::-1] == pytest.approx(
        model.of_people(turned, others), abs=1e-12
    )


@pytest.mark.parametrize("seed", range(3))
def test_the_slope_of_the_loss_is_that_of_differences(seed: int) -> None:
    random = np.random.default_rng(seed)
    seen, people = some_seen(300, seed), some_people(300, seed, exact=0.3)
    outcomes = random.integers(-1, 2, 300)
    values = random.normal(0, 0.3, len(NAMES))
    arguments = (_design(seen, people), outcomes, np.full(300, 1 / 300), np.full(len(NAMES), 1e-3))
    _, slope = _loss(values, *arguments)
    for place in range(len(NAMES)):
        step = np.zeros(len(NAMES))
        step[place] = 1e-5
        up, down = _loss(values + step, *arguments)[0], _loss(values - step, *arguments)[0]
        assert slope[place] == pytest.approx((up - down) / 2e-5, abs=1e-7), NAMES[place]


def test_the_fit_is_at_least_as_good_as_the_truth_on_its_own_positions() -> None:
    seen, people = some_seen(3000, 11), some_people(3000, 11)
    true = ChancesFit(KNOWN, {})
    outcomes = come(true.of_people(seen, people), 12)
    found = fit(seen, outcomes, people, higher_rated=True)

    def loss(model: ChancesFit) -> float:
        chances = model.of_people(seen, people)
        return float(-np.log(chances[np.arange(3000), 1 - outcomes]).mean())

    assert loss(found) < loss(true) + 1e-3


def test_it_is_kept_as_text() -> None:
    seen, people = some_seen(500, 2), some_people(500, 2)
    outcomes = come(ChancesFit(KNOWN, {}).of_people(seen, people), 1)
    found = fit(seen, outcomes, people, made={"score": "a score"})
    again = ChancesFit.from_json(found.to_json())
    assert again == found
    assert again.made["score"] == "a score"
    assert again.made["n"] == 500
    with pytest.raises(ValueError, match="not fitted chances"):
        ChancesFit.from_json(json.dumps({"schema": 1, "numbers": {"odd": 1}, "made": {}}))


def test_nothing_is_made_of_nothing() -> None:
    with pytest.raises(ValueError, match="nothing to fit"):
        fit(some_seen(0, 1), np.zeros(0, dtype=np.int64), some_people(0, 1))
    assert list(kinds_as_numbers(["other", "pawn ending"])) == [KINDS.index("other"), 0]
