"""Chances from a score: what holds whatever the numbers are, and of the numbers that ship."""

from __future__ import annotations

import json

import pytest
from hypothesis import given
from hypothesis import strategies as st

from convert.board.kinds import KINDS
from convert.judging.search.chances import (
    FILE,
    MOST_PAWNS,
    SURE,
    ChancesModel,
    chances_of,
    shipped_model,
)

SCORES = st.integers(-31_000, 31_000)
MEN = st.integers(3, 32)
KIND = st.sampled_from(KINDS)
DEPTH = st.integers(0, 60)
NAMES = [
    "bend",
    *(
        f"{of}{rest}"
        for of in ("slope", "width")
        for rest in ("", ": men", ": men squared", ": depth", *(f": {kind}" for kind in KINDS))
    ),
]
MODELS = st.builds(
    lambda numbers, won, lost: ChancesModel(numbers, (1 - won - lost, won, lost), {}),
    st.dictionaries(st.sampled_from(NAMES), st.floats(-2, 2)),
    st.floats(0.01, 0.3),
    st.floats(0.01, 0.3),
)


@given(model=MODELS, score=SCORES, men=MEN, kind=KIND, depth=DEPTH)
def test_they_add_up_and_no_draw_is_excluded(
    model: ChancesModel, score: int, men: int, kind: str, depth: int
) -> None:
    for numbers in (model, shipped_model()):
        told = chances_of(score, men, kind, depth, model=numbers)
        assert sum(told) == pytest.approx(1)
        assert min(told) > 0
        assert 0 <= told.expected <= 1


@given(model=MODELS, score=SCORES, men=MEN, kind=KIND, depth=DEPTH)
def test_the_other_side_has_the_other_chances(
    model: ChancesModel, score: int, men: int, kind: str, depth: int
) -> None:
    told = chances_of(score, men, kind, depth, model=model)
    other = chances_of(-score, men, kind, depth, model=model)
    assert tuple(told.turned) == pytest.approx(tuple(other))


@given(model=MODELS, low=SCORES, high=SCORES, men=MEN, kind=KIND, depth=DEPTH)
def test_a_better_score_has_no_worse_chances(
    model: ChancesModel, low: int, high: int, men: int, kind: str, depth: int
) -> None:
    low, high = sorted((low, high))
    for numbers in (model, shipped_model()):
        worse = chances_of(low, men, kind, depth, model=numbers)
        better = chances_of(high, men, kind, depth, model=numbers)
        assert worse.won <= better.won + 1e-12
        assert worse.lost >= better.lost - 1e-12


def test_what_was_verified_is_certain() -> None:
    assert tuple(chances_of(SURE + 1, 8, "rook ending", sure=True)) == (1, 0, 0)
    assert tuple(chances_of(-SURE - 1, 8, "rook ending", sure=True)) == (0, 0, 1)
    assert chances_of(SURE, 8, "rook ending", sure=True).drawn > 0


def test_far_scores_count_as_the_farthest() -> None:
    far = round(100 * MOST_PAWNS)
    assert chances_of(far, 20, "other") == chances_of(far + 500, 20, "other")


def test_the_shipped_file_is_complete() -> None:
    text = FILE.read_text(encoding="utf-8")
    told = json.loads(text)
    assert set(told["numbers"]) <= set(NAMES)
    assert sum(told["surely"]) == pytest.approx(1, abs=1e-3)
    assert shipped_model() == ChancesModel.from_json(text)


@pytest.mark.parametrize("text", ["[]", "{}", '{"schema": 2, "surely": [1, 0, 0]}'])
def test_anything_else_is_refused(text: str) -> None:
    with pytest.raises(ValueError, match="not fitted"):
        ChancesModel.from_json(text)
