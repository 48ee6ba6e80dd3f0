"""Fitting how scores are told: the reader and the fit agree, and known numbers are found again."""

from __future__ import annotations

import json
from collections.abc import Sequence
from pathlib import Path

import chess
import numpy as np
import pytest

from convert.board.kinds import KINDS
from convert.judging.search.chances import ChancesModel
from convert.measuring import chances
from convert.measuring.chances import Searched, fitted, joined, searched
from convert.measuring.chances_fit import ChancesFit, People, Seen
from convert.measuring.judged_positions import Position

pytest.importorskip("scipy")

KNOWN = {
    "slope": -0.2, "slope: men": -0.3, "slope: depth": 0.2, "width": 0.2, "width: men": -0.2,
    "slope: pawn ending": 0.5, "width: depth": 0.15, "bend": 1.1,
}  # fmt: skip


def some(number: int) -> Seen:
    random = np.random.default_rng(4)
    return Seen(
        random.normal(0, 2.5, number), random.integers(5, 33, number),
        random.integers(0, len(KINDS), number), random.choice([-1, 1], number),
        random.integers(0, 16, number),
    )  # fmt: skip


def drawn(seen: Seen, told: np.ndarray) -> np.ndarray:
    number = np.random.default_rng(5).random(len(seen))
    return np.where(number < told[:, 0], 1, np.where(number < told[:, :2].sum(axis=1), 0, -1))


def test_the_reader_tells_what_was_fitted() -> None:
    seen = some(200)
    by_fit = ChancesFit(KNOWN, {"exact": 1}).chances(seen)
    model = ChancesModel(KNOWN, (0.8, 0.1, 0.1), {})
    assert seen.depth is not None
    for at in range(len(seen)):
        sign = seen.turn[at]
        # The reader takes whole hundredths of a pawn.
        score = round(100 * seen.score[at])
        row = Seen(np.array([score / 100]), seen.men[[at]], seen.kind[[at]], seen.turn[[at]],
                   seen.depth[[at]])  # fmt: skip
        expected = ChancesFit(KNOWN, {"exact": 1}).chances(row)[0]
        told = model.chances(int(score * sign), int(seen.men[at]), KINDS[seen.kind[at]],
                             int(seen.depth[at]))  # fmt: skip
        assert tuple(told)[::sign] == pytest.approx(tuple(expected), abs=1e-9)
        assert by_fit[at] == pytest.approx(expected, abs=0.02)


def test_known_numbers_are_found_again_and_people_left_out() -> None:
    number = 20_000
    seen = some(number)
    outcomes = drawn(seen, ChancesFit(KNOWN, {"exact": 1}).chances(seen))
    sure = np.zeros(number, bool)
    sure[:100] = True
    outcomes[:100] = np.where(np.arange(100) < 80, 1, 0) * np.sign(seen.score[:100])
    rating = np.full(number, 2600)
    people = People(rating, rating, np.zeros(number, np.int64))
    document = fitted(Searched(seen, sure, outcomes, people, np.ones(number)), {"rating": 2000})
    for name, value in KNOWN.items():
        assert document["numbers"].get(name, 0.0) == pytest.approx(value, abs=0.12), name
    assert "to move" not in document["numbers"]
    assert not [name for name in document["numbers"] if "people" in name or "weaker" in name]
    assert document["surely"] == pytest.approx([81 / 103, 21 / 103, 1 / 103], abs=1e-4)
    assert document["made"]["beyond all estimates"] == 100
    assert ChancesModel.from_json(json.dumps(document)).numbers == document["numbers"]


def test_scores_are_taken_for_white() -> None:
    positions = [
        Position(board.fen(), "a", 1, 3, "pawn ending", 60, 2300, 2200)
        for board in (chess.Board("8/8/8/4k3/8/4P3/8/4K3 w - - 0 1"),
                      chess.Board("8/8/8/4k3/8/4P3/8/4K3 b - - 0 1"))
    ]  # fmt: skip

    def look(boards: Sequence[chess.Board], count: int) -> list[tuple[int, int]]:
        assert count == 7
        return [(150, 5), (-29_000, 6)]

    data = searched(positions, 7, 0.5, look)
    assert data.seen.score.tolist() == [1.5, 290]
    assert data.sure.tolist() == [False, True]
    assert data.seen.depth is not None
    assert data.seen.depth.tolist() == [5, 6]
    assert data.weights.tolist() == [0.5, 0.5]
    both = joined([data, data])
    assert len(both.seen) == 4
    assert both.people.white.tolist() == [2300] * 4


def test_a_file_that_is_not_there_is_told_in_a_line(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    out = tmp_path / "chances.json"
    assert chances.main([str(tmp_path / "none.pgn"), "-o", str(out)]) == 2
    assert capsys.readouterr().err.count("\n") == 1
    assert not out.exists()
