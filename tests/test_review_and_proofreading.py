"""What the review writes into a file, proofreading must not refute."""

from __future__ import annotations

import io
from pathlib import Path

import pytest

from convert.judging.judges import EFFORTS, Bench, EffortName
from convert.model.findings import Status
from convert.proofreading.proof import proofread
from convert.reading.games import read_games
from convert.reports.pgn import annotated
from convert.review.game import review_game
from tablebases.probing import SyzygyProber

DEMO = Path(__file__).parent.parent / "demo_games"


@pytest.mark.parametrize("number", [2, 3, 4, 5])
def test_our_own_annotations_are_never_refuted(number: int, tables: SyzygyProber) -> None:
    (path,) = DEMO.glob(f"{number:02}-*.pgn")
    bench = Bench(tables, effort=EFFORTS[EffortName.QUICK])
    (read,) = read_games(path)
    assert read.game is not None
    review = review_game(read, bench)
    text = annotated(review, read.game)
    (again,) = read_games("-", stdin=io.BytesIO(text.encode()))
    found = proofread(again, bench).findings
    assert not [f for f in found if f.status is Status.REFUTED]
    confirmed = [f for f in found if f.status is Status.CONFIRMED]
    # Every certain slip stands in the file as a NAG and is confirmed.
    assert len(confirmed) >= sum(slip.certain for slip in review.slips) > 0
