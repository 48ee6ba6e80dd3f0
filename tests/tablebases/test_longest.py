"""The longest wins that save reading distances, against the figures they come from."""

from __future__ import annotations

from typing import Any

import chess
import pytest
from hypothesis import given, settings
from table_support import load, positions

from tablebases import (
    all_names,
    material_name,
    normal_name,
    open_tables,
    outcome_under_clock,
)
from tablebases.longest import LONGEST_WIN

TABLES = open_tables()


def test_every_bundled_class_has_one() -> None:
    assert set(LONGEST_WIN) == set(all_names(4))


@pytest.mark.parametrize("entry", load("endings.json")["endings"], ids=lambda e: e["material"])
def test_not_below_the_generators_figures(entry: dict[str, Any]) -> None:
    """Figures of the independent generator in endings.json (its source stands there)."""
    plies = [v for k, v in entry["computed"].items() if "plies" in k]
    assert LONGEST_WIN[entry["material"]] == max(plies) + 1


@settings(max_examples=200)
@given(positions())
def test_no_distance_is_longer_and_no_outcome_differs(board: chess.Board) -> None:
    wdl = TABLES.wdl_after_zeroing(board)
    distance = TABLES.distance(board)
    if abs(wdl) == 2:
        assert abs(distance.plies) <= LONGEST_WIN[normal_name(material_name(board))]
    if board.is_checkmate():
        return
    for clock in (1, 20, 35, 60, 90):
        board.halfmove_clock = clock
        answer = TABLES.outcome(board)
        assert (answer.low, answer.high) == outcome_under_clock(wdl, distance, clock)
