"""The cost told with a review is its own, whatever the bench did before."""

from __future__ import annotations

from pathlib import Path

import pytest

from convert.judging.judges import EFFORTS, Bench, EffortName
from convert.model import Evidence
from convert.reading.games import read_games
from convert.review.game import review_game
from convert.wording.verdicts import evidence_word
from tablebases.probing import open_tables

DEMO = Path(__file__).parent.parent / "demo_games"


@pytest.mark.slow
def test_a_second_game_does_not_carry_the_cost_of_the_first() -> None:
    (first,) = read_games(DEMO / "05-wrong-coloured-bishop.pgn")
    (second,) = read_games(DEMO / "06-defenders-saving-trade.pgn")
    shared = Bench(open_tables())
    review_game(first, shared)
    after = review_game(second, shared).counts
    alone = review_game(second, Bench(open_tables())).counts
    assert after.positions == alone.positions
    assert 0 < after.judged <= alone.judged
    assert 0 < after.wdl_probes <= alone.wdl_probes
    assert 0 < after.look_ahead_nodes <= alone.look_ahead_nodes
    assert sum(after.by_evidence.values()) == after.judged


def test_the_same_game_again_costs_no_new_judgement() -> None:
    (read,) = read_games(DEMO / "05-wrong-coloured-bishop.pgn")
    bench = Bench(open_tables(), effort=EFFORTS[EffortName.QUICK])
    assert review_game(read, bench).counts.judged > 0
    again = review_game(read, bench).counts
    assert (again.judged, again.look_ahead_nodes) == (0, 0)


def test_a_mate_played_is_known_by_the_rules_not_by_a_table(tmp_path: Path) -> None:
    """Legal's mate: before the last move the win is shown by the mate itself."""
    path = tmp_path / "mate.pgn"
    moves = "1. e4 e5 2. Nf3 d6 3. Bc4 Bg4 4. Nc3 g6 5. Nxe5 Bxd1 6. Bxf7+ Ke7 7. Nd5# 1-0"
    path.write_text(f'[Result "1-0"]\n\n{moves}\n', encoding="utf-8")
    (read,) = read_games(path)
    review = review_game(read, Bench(open_tables()))
    verdict = review.plies[-2].verdict
    assert verdict.exact
    assert verdict.evidence is Evidence.RULES
    assert evidence_word(verdict) == "rules, by a forced line"
