"""Fitting the evaluation: known numbers are found again, what must hold holds, slopes are right."""

from __future__ import annotations

import json
from pathlib import Path

import chess
import numpy as np
import pytest

from convert.judging.search import sets, terms
from convert.judging.search.front import Search
from convert.measuring import evaluation
from convert.measuring.evaluation import (
    PAWN,
    Curve,
    EvaluationFit,
    Positions,
    by_hand,
    constraints,
    fit,
    log_loss,
    picked,
    rows_of,
    strength,
    values,
)
from convert.measuring.quiet import FIELDS, board_of

pytest.importorskip("scipy")

CURVE = Curve(np.array([0.1, 0.2]), np.array([-0.2, 0.1]), 1.5)
PLACE = {name: place for place, name in enumerate(terms.NAMES)}
SEEN = [PLACE[name] for name in ("material/pawn", "material/knight", "passed/rank2",
        "passed/rank3", "passed/rank4", "rook/open_file", "structure/doubled")]  # fmt: skip


def simulated(number: int, numbers: terms.Numbers, seed: int = 1) -> Positions:
    """Positions with results drawn by the chances that these numbers tell."""
    random = np.random.default_rng(seed)
    counts = np.zeros((number, len(terms.NAMES)), np.float32)
    counts[:, SEEN] = random.integers(-2, 3, (number, len(SEEN)))
    counts[:, SEEN[1]] = random.integers(-1, 2, number) * (random.random(number) < 0.1)
    # Of passed pawns only the lower ranks are seen together with the higher, as in games.
    phase = random.random(number)
    scales = np.zeros((number, 2), np.int64)
    scales[random.random(number) < 0.2] = 6
    positions = Positions(
        counts, phase, scales, np.zeros(number, np.int64), np.arange(number),
        np.full(number, 1 / number),
    )  # fmt: skip
    value, _ = values(positions, numbers.pairs / PAWN, numbers.scales / terms.FULL_SCALE)
    tapers = np.stack([phase, 1 - phase], axis=1)
    bend = np.exp(CURVE.bend)
    lean = np.exp(tapers @ CURVE.slope) * bend * np.arcsinh(value / bend)
    width = np.exp(tapers @ CURVE.width)
    won, lost = 1 / (1 + np.exp(width - lean)), 1 / (1 + np.exp(width + lean))
    drawn = random.random(number)
    outcomes = np.where(drawn < won, 1, np.where(drawn > 1 - lost, -1, 0))
    return Positions(counts, phase, scales, outcomes, np.arange(number), positions.weights)


def changed(**values_of: tuple[int, int]) -> terms.Numbers:
    pairs = by_hand().pairs.copy()
    for name, pair in values_of.items():
        pairs[PLACE[name.replace("__", "/")]] = pair
    return terms.Numbers(pairs, by_hand().scales.copy())


TRUE = changed(
    material__pawn=(900, 1100), passed__rank3=(200, 500), passed__rank4=(600, 900),
    rook__open_file=(500, 500), structure__doubled=(-300, -400),
)  # fmt: skip


def test_known_numbers_are_found_again() -> None:
    positions = simulated(40_000, TRUE)
    begin = EvaluationFit(by_hand().pairs / PAWN, by_hand().scales / terms.FULL_SCALE, CURVE)
    result = fit(positions, by_hand(), constraints(), 1e-7, begin=begin)
    numbers = result.numbers(constraints())
    for name in ("material/pawn", "passed/rank3", "passed/rank4", "rook/open_file",
                 "structure/doubled"):  # fmt: skip
        place = PLACE[name]
        assert numbers.pairs[place] == pytest.approx(TRUE.pairs[place], abs=90), name
        apart = np.abs(numbers.pairs[place] - TRUE.pairs[place]).sum()
        assert apart < np.abs(by_hand().pairs[place] - TRUE.pairs[place]).sum(), name
    assert log_loss(positions, numbers, result.curve) < log_loss(positions, by_hand(), CURVE)
    unseen = [place for place in range(len(terms.NAMES)) if place not in SEEN]
    # What does not occur stays, but where its chain moves it along.
    chained = {place for chain, _ in constraints().chains for place in chain}
    free = [place for place in unseen if place not in chained]
    assert (np.abs(numbers.pairs[free] - by_hand().pairs[free]) <= 1).all()


def test_a_strong_ridge_leaves_all_as_it_was() -> None:
    positions = simulated(2_000, TRUE)
    result = fit(positions, by_hand(), constraints(), 1e3)
    assert (np.abs(result.numbers(constraints()).pairs - by_hand().pairs) <= 1).all()


def test_constraints_hold_against_the_games() -> None:
    """Games in which a passed pawn is the worse the farther it is, and doubling is good."""
    odd = changed(passed__rank2=(900, 900), passed__rank3=(300, 300), passed__rank4=(-600, -600),
                  structure__doubled=(500, 500))  # fmt: skip
    assert set(constraints().broken(odd.pairs)) >= {
        "passed/rank3", "passed/rank4", "structure/doubled",
    }  # fmt: skip
    result = fit(simulated(8_000, odd), by_hand(), constraints(), 1e-6)
    numbers = result.numbers(constraints())
    assert constraints().broken(numbers.pairs) == []
    passed = numbers.pairs[SEEN[2] : SEEN[4] + 1]
    assert (np.abs(passed - passed[0]) <= 200).all()
    assert (numbers.pairs[PLACE["structure/doubled"]] == 0).all()


def test_slopes_equal_differences() -> None:
    positions = simulated(300, TRUE)
    value, _ = values(positions, TRUE.pairs / PAWN, TRUE.scales / terms.FULL_SCALE)
    value = value.astype(np.float64)
    loss, by_value, by_curve = evaluation._losses(positions, value, CURVE)
    step = 1e-5
    for at in range(5):
        moved = value.copy()
        moved[at] += step
        more = evaluation._losses(positions, moved, CURVE)[0]
        assert (more - loss) / step == pytest.approx(by_value[at], abs=1e-6)
        flat = CURVE.flat
        flat[at] += step
        more = evaluation._losses(positions, value, Curve.of(flat))[0]
        assert (more - loss) / step == pytest.approx(by_curve[at], abs=1e-4)


def test_values_equal_those_of_the_search() -> None:
    boards = [chess.Board(fen) for fen in (
        "r1bqkb1r/pppp1ppp/2n2n2/4p3/2B1P3/5N2/PPPP1PPP/RNBQK2R w KQkq - 4 4",
        "4kb2/p7/8/8/8/8/PPP5/4KB2 b - - 0 1",
        "8/5k2/3p4/1p1Pp3/pP2Pp2/P4P2/8/6K1 b - - 0 1",
    )]  # fmt: skip
    columns = {name: np.zeros(len(boards), kind) for name, kind in FIELDS.items()}
    columns["boards"] = np.array(
        [[b.pawns, b.knights, b.bishops, b.rooks, b.queens, b.kings, *b.occupied_co[::-1]]
         for b in boards], np.uint64)  # fmt: skip
    columns["turn"] = np.array([b.turn for b in boards])
    columns["castling"] = np.array([b.castling_rights for b in boards], np.uint64)
    columns["passant"][:] = -1
    which = np.arange(len(boards))
    assert [board_of(columns, int(i)).board_fen() for i in which] == [b.board_fen() for b in boards]
    search = Search(leaves=sets.nothing())
    made_of = search.coefficients(boards)
    assert (search.coefficients_of(rows_of(columns, which)).counts == made_of.counts).all()
    positions = evaluation.gathered(
        {**columns, "white": np.full(3, 2200), "black": np.full(3, 2200)}, which, lambda a, b: None
    )
    numbers = search.numbers
    value, _ = values(positions, numbers.pairs / PAWN, numbers.scales / terms.FULL_SCALE)
    for board, pawns in zip(boards, value, strict=True):
        sign = 1 if board.turn else -1
        assert search.evaluation(board) == pytest.approx(100 * pawns * sign, abs=1.01)


def test_nothing_held_out_is_taken_and_few_of_a_game() -> None:
    random = np.random.default_rng(3)
    games = random.integers(0, 50, 1_000).astype(np.uint64)
    columns = {"game": games, "held_out": games % 3 == 0, "men": random.integers(3, 33, 1_000)}
    which = picked(columns, 4, 1)
    assert (which == picked(columns, 4, 1)).all()
    assert not columns["held_out"][which].any()
    assert columns["men"][which].min() >= 5
    _, number = np.unique(games[which], return_counts=True)
    assert number.max() == 4
    assert len(np.unique(which)) == len(which)


def test_stronger_players_count_more() -> None:
    weak, usual, strong = strength(np.array([1800, 2200, 2600]), np.array([1800, 2200, 2600]))
    assert weak < usual == 1 < strong
    assert strength(np.array([3500]), np.array([3500])) == 2.5


def test_bounds_within_a_chain_are_refused() -> None:
    one = evaluation.Constraints((((1, 2), 1),), {terms.NAMES[2]: (0.0, 1.0)})
    with pytest.raises(ValueError, match="within a chain"):
        fit(simulated(100, TRUE), by_hand(), one, 1.0)


@pytest.mark.parametrize("numbers", [by_hand(), terms.shipped()], ids=["by hand", "shipped"])
def test_what_ships_keeps_the_constraints(numbers: terms.Numbers) -> None:
    assert constraints().broken(numbers.pairs) == []
    worth = [numbers.pairs[PLACE[f"material/{kind}"]] for kind in terms.KINDS[:5]]
    pawn, knight, bishop, rook, queen = worth
    assert (pawn > 0).all()
    assert (pawn < np.minimum(knight, bishop)).all()
    assert (np.maximum(knight, bishop) < rook).all()
    assert (rook < queen).all()
    assert numbers.scales[terms.SCALES.index("usual")] == terms.FULL_SCALE
    assert ((numbers.scales >= 0) & (numbers.scales <= terms.FULL_SCALE)).all()


def test_the_command_writes_numbers(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    made = simulated(600, TRUE)
    monkeypatch.setattr(evaluation, "gathered", lambda columns, which, tell: made)
    monkeypatch.setattr(evaluation, "RIDGES", (1e-3, 1e-4))
    file, out = tmp_path / "positions.npz", tmp_path / "terms.json"
    np.savez(file, game=np.arange(600), held_out=np.zeros(600, bool), men=np.full(600, 20))
    assert evaluation.main([str(file), "-o", str(out)]) == 0
    text = out.read_text(encoding="utf-8")
    numbers = terms.with_numbers(text)
    assert constraints().broken(numbers.pairs) == []
    assert numbers.pairs[PLACE["material/pawn"], 1] == 1000
    how = json.loads(text)["made"]
    assert how["positions"] == how["games"] == 600
    assert "passed/rank7" in how["hand-set"]
    assert "material/pawn" not in how["hand-set"]


def test_a_missing_file_is_told_in_a_line(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert evaluation.main([str(tmp_path / "none.npz"), "-o", str(tmp_path / "terms.json")]) == 2
    assert capsys.readouterr().err.count("\n") == 1
