"""Quality of forecasts, and the fitting of an estimate."""

from __future__ import annotations

import math
import random
from dataclasses import replace
from pathlib import Path

import chess
import pytest
from hypothesis import given
from hypothesis import strategies as st

from convert.judging.estimate import probability
from convert.judging.view import sign_of
from convert.measuring.draw import random_trials
from convert.measuring.fit import (
    Sample,
    as_used,
    asked_of,
    compare,
    forecast,
    held_out,
    lines_right,
    main,
    of_a_game,
    sample_of,
)
from convert.measuring.quality import calibration, quality
from convert.measuring.settle import value_of
from tablebases.probing import SyzygyProber


def test_figures_worked_out_by_hand() -> None:
    told = quality([(1.0, 0.0, 0.0), (0.5, 0.5, 0.0), (0.2, 0.3, 0.5)], [1, 0, -1])
    brier = (0.0 + (0.25 + 0.25) + (0.04 + 0.09 + 0.25)) / 3
    assert told.brier == pytest.approx(brier)
    assert told.log_loss == pytest.approx((0 - math.log(0.5) - math.log(0.5)) / 3)
    assert told.number == 3


def test_two_way_brier_is_twice_that_of_the_library() -> None:
    metrics = pytest.importorskip("sklearn.metrics")
    rng = random.Random(4)
    win = [rng.random() for _ in range(200)]
    came = [int(rng.random() < p) for p in win]
    told = quality([(p, 0.0, 1 - p) for p in win], [1 if c else -1 for c in came])
    assert told.brier == pytest.approx(2 * metrics.brier_score_loss(came, win))
    assert told.log_loss == pytest.approx(metrics.log_loss(came, win))


@given(
    st.lists(st.tuples(st.floats(0, 1), st.booleans()), min_size=1, max_size=60), st.integers(1, 20)
)
def test_bins_hold_every_forecast_once(pairs: list[tuple[float, bool]], bins: int) -> None:
    table = calibration(pairs, bins)
    assert sum(b.number for b in table) == len(pairs)
    assert len(table) <= bins
    assert sum(b.number * b.forecast for b in table) == pytest.approx(sum(p for p, _ in pairs))
    assert sum(b.number * b.observed for b in table) == pytest.approx(sum(h for _, h in pairs))


def test_a_forecast_of_one_lies_in_the_last_bin() -> None:
    (last,) = calibration([(1.0, True), (0.97, False)], 10)
    assert (last.number, last.observed) == (2, 0.5)


def test_honest_forecasts_are_calibrated_and_boasting_ones_are_not() -> None:
    rng = random.Random(1)
    shares = [rng.random() for _ in range(4000)]
    outcomes = [1 if rng.random() < p else -1 for p in shares]
    honest = quality([(p, 0.0, 1 - p) for p in shares], outcomes)
    boasting = quality([(1.0, 0.0, 0.0) if p > 0.5 else (0.0, 0.0, 1.0) for p in shares], outcomes)
    assert honest.ece < 0.03 < 0.2 < boasting.ece
    assert honest.brier < boasting.brier


def test_nothing_to_measure_is_refused() -> None:
    with pytest.raises(ValueError, match="0 forecasts"):
        quality([], [])


def _samples(tables: SyzygyProber) -> list[Sample]:
    trials = [t for name in ("KPvK", "KRvKP", "KPvKP") for t in random_trials(name, 150, 7)]
    known = {t.fen: value_of(*2 * [int(tables.wdl_after_zeroing(t.board()))]) for t in trials}
    asked = asked_of(trials, known)
    assert len(asked) == len(trials)
    return [sample_of(a.fen, a.cluster, a.origin, a.outcome) for a in asked]


def test_what_was_drawn_for_a_rule_is_no_fair_sample_to_fit() -> None:
    fair, drawn = random_trials("KPvK", 2, 7)
    known = {fair.fen: 1, drawn.fen: 1}
    trials = [fair, replace(drawn, rule="square-of-the-pawn")]
    assert [one.fen for one in asked_of(trials, known)] == [fair.fen]


def test_the_fit_beats_a_constant_on_what_it_did_not_see(tables: SyzygyProber) -> None:
    pytest.importorskip("sklearn")
    found = _samples(tables)
    for sample in found[:40]:
        board = chess.Board(sample.fen)
        value = int(tables.wdl_after_zeroing(board)) * (1 if board.turn else -1)
        assert sample.outcome == (value > 1) - (value < -1)
    fit = [s for s in found if not held_out(s.cluster, 1)]
    rest = [s for s in found if held_out(s.cluster, 1)]
    assert 0.2 < len(rest) / len(found) < 0.4
    weights, line, table = compare(fit, rest)
    fitted, constant = table["all"]["fitted"], table["all"]["constant"]
    assert fitted["log_loss"] < constant["log_loss"]
    assert fitted["brier"] < constant["brier"]
    for name, weight in weights.items():
        assert weight * sign_of(name) >= 0, name
    for sample in rest[:50]:
        told = as_used(weights, line, sample)
        assert sum(told) == pytest.approx(1)
        assert all(-1e-9 <= p <= 1 for p in told)
        # More lead never means less, all else equal.
        more = {**sample.white, "lead in worth": sample.white["lead in worth"] + 1}
        assert probability(weights, more) >= probability(weights, sample.white)


def test_the_share_of_error_is_put_to_results_and_not_to_outcomes(tables: SyzygyProber) -> None:
    """The same endings, with results in which the side ahead wins more often than it should."""
    pytest.importorskip("sklearn")
    exact = _samples(tables)
    kind = [s for s in exact if s.white["lead in worth"] > 0 and s.outcome == 0]
    assert len(kind) > 20
    results = [replace(s, origin="result", outcome=1 if s in kind else s.outcome) for s in exact]
    weights, _, _ = compare(exact + results, exact)
    for sample in kind[:20]:
        in_theory = forecast(weights, sample)[0]
        in_games = forecast(weights, replace(sample, origin="result"))[0]
        assert in_games > in_theory
    assert of_a_game(exact[0].white).keys() > exact[0].white.keys()


def _line(line: int | None, outcome: int) -> Sample:
    return Sample(
        "8/8/8/8/8/8/8/8 w - - 0 1",
        "",
        "rook ending",
        5,
        "games",
        {},
        {},
        (0.3, 0.4, 0.3),
        outcome,
        line,
    )


def test_lines_into_the_tables_are_counted_with_one_trial_more_of_each_kind() -> None:
    part = [_line(1, 1)] * 7 + [_line(-1, 0)] + [_line(0, 0)] * 3 + [_line(None, 1)] * 9
    told = lines_right(part)
    assert told["won"]["n"] == 8
    assert told["won"]["as the line"] == pytest.approx(8 / 11, abs=1e-4)
    assert told["won"]["drawn"] == pytest.approx(2 / 11, abs=1e-4)
    assert told["won"]["turned"] == pytest.approx(1 / 11, abs=2e-4)
    assert told["drawn"] == {"n": 3, "as the line": 0.8, "turned": 0.2}
    assert as_used({}, told, _line(1, 1))[0] == told["won"]["as the line"]
    assert as_used({}, told, _line(-1, 1))[2] == told["won"]["as the line"]
    assert as_used({}, told, _line(0, 1))[1] == told["drawn"]["as the line"]


def test_an_empty_folder_is_named(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["--work", str(tmp_path)]) == 2
    assert str(tmp_path) in capsys.readouterr().err
