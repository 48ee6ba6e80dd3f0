"""How rules are measured: the draws, the outcomes, the counting."""

from __future__ import annotations

import itertools
import json
import random
from collections import Counter
from dataclasses import replace
from pathlib import Path

import chess
import pytest
from hypothesis import given
from hypothesis import strategies as st

from convert.board.features import features
from convert.board.kinds import KINDS, kind_of
from convert.measuring.counts import (
    BASE_FROM,
    ENOUGH,
    GAMES_FIRST,
    Counting,
    RuleTally,
    count,
    effective,
    interval,
    rounded,
    shown_origin,
    standing,
    why_not,
)
from convert.measuring.draw import (
    Trial,
    bare,
    from_games,
    in_scope,
    random_position,
    random_trades,
    random_trials,
    rules_of,
)
from convert.measuring.rules import thinned
from convert.measuring.settle import CLASS_FROM, Outcomes, tasks_for, value_of
from convert.rules import ALL_RULES, POSITION_RULES, TRADE_RULES, Voice
from tablebases.material import all_names, material_name, normal_name
from tablebases.probing import SyzygyProber

DEMO = Path(__file__).parent.parent / "demo_games"
GAMES = sorted(str(path) for path in DEMO.glob("*.pgn"))


# --- intervals -----------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("right", "number", "low", "high"),
    # From memory: R. G. Newcombe, Statistics in Medicine 17 (1998), 857-872, table I, method 3.
    [
        (81, 263, 0.2553, 0.3662),
        (15, 148, 0.0624, 0.1605),
        (0, 20, 0.0, 0.1611),
        (1, 29, 0.0061, 0.1718),
    ],
)
def test_intervals_are_the_published_ones(right: int, number: int, low: float, high: float) -> None:
    found = interval(number, right / number)
    assert found == pytest.approx((low, high), abs=5e-5)


@given(st.integers(1, 10_000), st.floats(0, 1))
def test_an_interval_holds_its_share_and_shrinks(number: int, share: float) -> None:
    low, high = interval(number, share)
    assert 0 <= low <= share + 1e-9
    assert share - 1e-9 <= high <= 1
    narrower = interval(4 * number, share)
    assert narrower[1] - narrower[0] <= high - low + 1e-12


def test_trials_of_one_game_count_less() -> None:
    alone, together = RuleTally(), RuleTally()
    rng = random.Random(3)
    for game in range(100):
        right = rng.random() < 0.6
        alone.add(str(game), right)
        for _ in range(5):  # five times the same news
            together.add(str(game), right)
    assert effective([alone]) == pytest.approx(100, rel=0.03)
    assert effective([together]) == pytest.approx(100, rel=0.03)


# --- draws -----------------------------------------------------------------------------------


def test_the_draw_from_games_does_not_depend_on_their_order() -> None:
    there, seen = from_games(GAMES, 5, lambda _: 2)
    back, again = from_games(GAMES[::-1], 5, lambda _: 2)
    assert there == back
    assert seen == again
    assert there != from_games(GAMES, 6, lambda _: 1)[0]
    kinds = {trial.trade for trial in there}
    assert kinds == {True, False}


def test_what_is_drawn_from_games_is_in_scope_and_plays() -> None:
    trials, _ = from_games(GAMES, 1, lambda _: 100)
    assert len(trials) > 20
    for trial in trials:
        board = trial.board()
        assert board.is_valid()
        assert in_scope(board)
        assert board.halfmove_clock == 0
        assert kind_of(board) in KINDS
        if not trial.trade:
            continue
        scene, child = trial.scene(), trial.child()
        assert child.is_valid()
        lost = {
            color: len(trial.board().piece_map()) - len(scene.after.piece_map())
            for color in chess.COLORS
        }
        assert sum(len(x) for x in (scene.given, scene.taken)) == lost[True] == lost[False]
        for kind, square in (*trial.given, *trial.taken):
            man = board.piece_at(square)
            assert man is not None
            assert man.piece_type == kind


@given(st.sampled_from(all_names(5)), st.integers(0, 10**6))
def test_random_positions_are_legal_and_of_their_class(name: str, seed: int) -> None:
    board = random_position(random.Random(seed), name)
    assert board.is_valid()
    assert any(board.legal_moves)
    assert normal_name(material_name(board)) == normal_name(name)


@pytest.mark.parametrize("name", ["KRvKR", "KRPvKN", "KQvKQ"])
def test_random_trades_take_and_take_back(name: str) -> None:
    found = list(random_trades(name, 10, 1))
    assert 2 <= len(found) <= 10
    for trial in found:
        child = trial.child()
        back = {
            bare(_after(child, reply)).fen()
            for reply in child.legal_moves
            if reply.to_square == chess.Move.from_uci(trial.move).to_square
        }
        assert chess.Board(trial.after).fen() in back


def _after(board: chess.Board, move: chess.Move) -> chess.Board:
    board = board.copy(stack=False)
    board.push(move)
    return board


def test_trials_for_one_rule_come_on_top_of_the_others_and_only_while_it_lacks_some() -> None:
    """Groups of the draw are small here, so that most rules lack trials."""

    def most(group: str) -> int:
        return 3 if group.startswith("rule/") else 1

    trials, _ = from_games(GAMES, 5, most)
    general = [t for t in trials if not t.rule]
    extra = [t for t in trials if t.rule]
    assert extra
    assert general == from_games(GAMES, 5, lambda g: 0 if g.startswith("rule/") else 1)[0]
    assert not {(t.fen, t.move) for t in general} & {(t.fen, t.move) for t in extra}
    spoken = Counter(rule for trial in general for rule in rules_of(trial))
    for rule, number in Counter(t.rule for t in extra).items():
        assert number <= 3 - spoken[rule]
    for trial in extra:
        assert trial.rule in rules_of(trial)


def test_thinning_takes_the_same_from_any_draw() -> None:
    trials = [t for n in ("KRPvKNP", "KPPvK") for t in random_trials(n, 100, 2)]
    kept = thinned(trials, 1)
    assert kept == thinned(trials[::-1], 1)[::-1]
    six = [t for t in kept if t.board().occupied.bit_count() == 6]
    assert 25 < len(six) < 75
    assert len(kept) - len(six) == 100


# --- outcomes --------------------------------------------------------------------------------


def test_values() -> None:
    assert [value_of(x, x) for x in (-2, -1, 0, 1, 2)] == [-1, 0, 0, 0, 1]
    assert value_of(0, 2) is None
    assert value_of(-1, 1) == 0


def test_outcomes_are_those_of_the_tables_and_are_kept(
    tmp_path: Path, tables: SyzygyProber
) -> None:
    fens = [trial.fen for name in ("KPvK", "KRvKN") for trial in random_trials(name, 40, 2)]
    first = Outcomes(tmp_path / "known.jsonl")
    first.settle([[fen] for fen in fens])
    for fen in fens:
        expected = int(tables.wdl_after_zeroing(chess.Board(fen)))
        assert first.known[fen] == (expected > 1) - (expected < -1)
    # A power cut in the middle of the last line loses that line only.
    whole = (tmp_path / "known.jsonl").read_bytes()
    (tmp_path / "known.jsonl").write_bytes(whole[:-9])
    second = Outcomes(tmp_path / "known.jsonl")
    assert len(second.known) == len(first.known) - 1
    second.settle([[fen] for fen in fens])
    assert second.known == first.known
    assert Outcomes(tmp_path / "known.jsonl").known == first.known


def test_small_classes_are_solved_as_a_whole() -> None:
    fens = [trial.fen for trial in random_trials("KRPvKN", CLASS_FROM, 1)]
    tasks = tasks_for([[fen] for fen in fens])
    assert [(task.name, len(task.fens)) for task in tasks] == [("KRPvKN", CLASS_FROM)]
    few = tasks_for([[fen] for fen in fens[1:]])
    assert {task.name for task in few} == {""}
    assert len(few) == CLASS_FROM - 1


def test_each_position_belongs_to_one_task_whatever_the_order() -> None:
    fens = [trial.fen for trial in random_trials("KRPPvKR", 8, 1)]
    groups = [[a, b] for a, b in itertools.pairwise(fens)]
    asked = [fen for task in tasks_for(groups) for fen in task.fens]
    assert sorted(asked) == sorted(fens)
    single = [[fen] for fen in fens]
    there, back = tasks_for(single), tasks_for(single[::-1])
    assert there == back
    assert [task.fens for task in there] != single  # an order like one drawn at random


def test_the_first_so_many_endings_are_always_the_same(tmp_path: Path) -> None:
    """Whole classes and tables are not counted among them; a second call finds them there."""
    small = [[trial.fen] for trial in random_trials("KPvK", 3, 1)]
    large = [[trial.fen] for trial in random_trials("KPPvKP", 5, 1)]
    outcomes = Outcomes(tmp_path / "known.jsonl")
    found = outcomes.settle(small + large, most=2)
    assert len(found) == 5
    assert set(found) == set(outcomes.known)
    again = Outcomes(tmp_path / "known.jsonl")
    told: list[int] = []
    assert again.settle(large[::-1] + small, most=2, tell=lambda d, n: told.append(n)) == found
    assert told == []


def test_more_tasks_than_one_batch_are_all_done(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """New processes begin where the old ones ended."""
    monkeypatch.setattr("convert.measuring.settle.BATCH", 1)
    groups = [
        [t.fen] for n in ("KPvK", "KRvK", "KQvK", "KBPvK", "KNPvK") for t in random_trials(n, 2, 1)
    ]
    outcomes = Outcomes(tmp_path / "known.jsonl")
    outcomes.settle(groups, jobs=2)
    assert len(outcomes.known) == 10
    assert None not in outcomes.known.values()


@pytest.mark.slow
def test_outcomes_with_five_men_agree_whichever_way(tmp_path: Path) -> None:
    fens = [trial.fen for trial in random_trials("KRPvKN", 6, 4)]
    whole = Outcomes(tmp_path / "class.jsonl")
    whole.settle([[fen] for fen in fens])
    single = Outcomes(tmp_path / "single.jsonl")
    for fen in fens:
        single.settle([[fen]])
    assert whole.known == single.known
    assert None not in whole.known.values()


# --- counting --------------------------------------------------------------------------------


def _trials(tables: SyzygyProber) -> tuple[list[Trial], dict[str, int | None]]:
    trials = [
        trial
        for name in ("KPvK", "KPvKP", "KRvKN", "KRvKP", "KQvKQ", "KRvKR")
        for trial in itertools.chain(random_trials(name, 150, 3), random_trades(name, 40, 3))
    ]
    known: dict[str, int | None] = {}
    for trial in trials:
        for board in [trial.board(), *([trial.child()] if trial.trade else [])]:
            outcome = int(tables.wdl_after_zeroing(board))
            known[board.fen()] = (outcome > 1) - (outcome < -1)
    return trials, known


def test_counts_are_those_of_a_plain_count(tables: SyzygyProber) -> None:
    trials, known = _trials(tables)
    document = count(trials, known, seed=3, seen={})
    assert json.loads(json.dumps(document)) == document
    assert set(document["rules"]) == {rule.id for rule in ALL_RULES}
    for name in ("square-of-the-pawn", "no-pawns-left", "rook-against-minor-without-pawns"):
        rule = next(rule for rule in ALL_RULES if rule.id == name)
        spoke = []
        for trial in trials:
            if trial.trade:
                continue
            board = trial.board()
            from convert.board.features import features

            for voice in rule.test(features(board)):
                value = known[trial.fen]
                assert value is not None
                if voice.side is None:
                    spoke.append(value == 0)
                else:
                    spoke.append((value if board.turn == voice.side else -value) == 1)
        told = document["rules"][name]["random"]
        assert told["n"] == len(spoke) > 5
        assert told["right"] == rounded(sum(spoke) / len(spoke))
        assert sum(row[1] for row in told["classes"]) == told["n"]
        assert sum(row[2] for row in told["classes"]) == sum(spoke)


def test_an_open_outcome_is_counted_as_drawn_not_as_tried(tables: SyzygyProber) -> None:
    trials, known = _trials(tables)
    some = {fen: None if number % 2 else value for number, (fen, value) in enumerate(known.items())}
    whole = count(trials, known, seed=3, seen={})["trials"]["random/positions"]
    half = count(trials, some, seed=3, seen={})["trials"]["random/positions"]
    assert whole["settled"] == whole["drawn"] == half["drawn"]
    assert half["settled"] < whole["settled"]


def test_standing() -> None:
    figures = {"n": 200, "right": 0.8, "low": 0.74, "high": 0.85, "base": 0.6}
    assert standing(figures, exact=False) == "holds"
    assert standing({**figures, "base": 0.8}, exact=False) == "no better"
    assert standing({**figures, "base": 0.9}, exact=False) == "refuted"
    assert standing({**figures, "n": 20}, exact=False) == "too few"
    assert standing(figures, exact=True) == "refuted"
    assert standing({**figures, "right": 1.0}, exact=True) == "holds"
    assert standing({**figures, "n": 20, "right": 0.95}, exact=True) == "refuted"
    assert standing({**figures, "n": 20, "right": 1.0}, exact=True) == "too few"
    assert standing(None, exact=False) == "too few"


def test_a_share_is_whole_only_where_it_is_exactly_so() -> None:
    assert [rounded(x) for x in (0.0, 1.0, 0.5, 0.33333)] == [0.0, 1.0, 0.5, 0.3333]
    assert rounded(1 - 1e-9) == 0.9999
    assert rounded(1e-9) == 0.0001


def test_which_figures_are_shown() -> None:
    def of(n: int, right: float = 1.0) -> dict[str, float]:
        return {"n": n, "right": right}

    assert shown_origin({"games": of(GAMES_FIRST), "random": of(9000)}, exact=False) == "games"
    few = {"games": of(GAMES_FIRST - 1), "random": of(ENOUGH)}
    assert shown_origin(few, exact=False) == "random"
    assert shown_origin({"games": of(ENOUGH), "random": of(ENOUGH - 1)}, exact=False) == "games"
    assert shown_origin({"games": of(10), "random": of(20)}, exact=False) == "random"
    assert shown_origin({"games": of(10), "random": None}, exact=False) == "games"
    assert shown_origin({"games": None, "random": None}, exact=False) is None
    assert shown_origin({"games": of(500), "random": of(10, 0.9)}, exact=True) == "random"


def test_why_there_is_no_figure() -> None:
    assert why_not("trade", 0, 0) == (
        "it spoke in no trade with so few men, neither in games nor at random"
    )
    assert why_not("position", 12, 12) == "tried on 12 endings, too few"
    assert why_not("position", 1, 1) == "tried on 1 ending, too few"
    assert why_not("position", 40, 0) == (
        "it spoke 40 times in what was drawn, of which none could be tried"
    )
    assert why_not("trade", 1200, 12) == (
        "it spoke 1,200 times in what was drawn, of which 12 could be tried: too few"
    )


# --- the base: like is compared with like -----------------------------------------------------

RULE = POSITION_RULES[0].id
TRADE_RULE = TRADE_RULES[0].id


def _ahead(trial: Trial) -> chess.Color:
    return features(trial.board()).balance(chess.WHITE) > 0


def _count(counter: Counting, name: str, won: int, of: int, *, speaks: bool, seed: int = 1) -> None:
    """Endings of a class in some of which the side ahead wins; the rest are drawn."""
    for number, trial in enumerate(random_trials(name, of, seed)):
        side = _ahead(trial)
        value = (1 if trial.board().turn == side else -1) if number < won else 0
        voices = [Voice(RULE, side, 1.0, "")] if speaks else []
        counter.position(trial, voices, value)


def test_a_side_ahead_is_compared_with_sides_ahead() -> None:
    """The other side, which never wins here, does not make the base any lower."""
    counter = Counting()
    _count(counter, "KRPvKR", 15, 20, speaks=True)
    _count(counter, "KRPvKR", 10, 20, speaks=False, seed=2)
    told = counter.figures(RULE, "random")
    assert told is not None
    assert (told["n"], told["right"], told["base"], told["base_n"]) == (20, 0.75, 0.5, 20)


def test_how_far_ahead_counts() -> None:
    """A rook and a pawn more win more often than a pawn more: they are no base for it."""
    counter = Counting()
    _count(counter, "KRPvKR", 5, 20, speaks=True)
    _count(counter, "KRPvKR", 4, 20, speaks=False, seed=2)
    _count(counter, "KRRPvK", 20, 20, speaks=False)
    told = counter.figures(RULE, "random")
    assert told is not None
    assert told["base"] == 0.2


def test_where_the_rule_always_speaks_other_numbers_of_men_make_the_base() -> None:
    counter = Counting()
    _count(counter, "KRPPvKRP", 9, 20, speaks=True)
    told = counter.figures(RULE, "random")
    assert told is not None
    assert told["base"] is None
    _count(counter, "KRPvKR", 8, BASE_FROM, speaks=False)
    told = counter.figures(RULE, "random")
    assert told is not None
    assert (told["base"], told["base_n"]) == (0.8, BASE_FROM)


@pytest.mark.parametrize("same", [True, False])
def test_trades_are_compared_with_trades_that_have_the_same_to_keep(same: bool) -> None:
    """A win is let slip more easily than a draw."""
    counter = Counting()
    trades = list(random_trades("KRPvKR", 40, 3))
    for number, trial in enumerate(trades[:20]):
        voices = [Voice(TRADE_RULE, trial.board().turn, 1.0, "", True)]
        counter.trade(trial, voices, 1, 1 if number < 12 else 0)
    for trial in trades[20:]:
        counter.trade(trial, [], 1 if same else 0, 0)
    told = counter.figures(TRADE_RULE, "random")
    assert told is not None
    assert told["right"] == 0.6
    assert told["base"] == (0.0 if same else None)


def test_what_was_drawn_for_a_rule_is_no_base_for_others() -> None:
    counter = Counting()
    _count(counter, "KRPvKR", 15, 20, speaks=True)
    _count(counter, "KRPvKR", 10, 20, speaks=False, seed=2)
    for trial in random_trials("KRPvKR", 40, 3):
        side = _ahead(trial)
        voices = [Voice(RULE, side, 1.0, "")]
        counter.position(replace(trial, rule=RULE), voices, 0)
    told = counter.figures(RULE, "random")
    assert told is not None
    assert (told["n"], told["right"], told["base"], told["base_n"]) == (60, 0.25, 0.5, 20)


def test_what_was_drawn_for_a_rule_is_tried_on_no_other(tables: SyzygyProber) -> None:
    """Were it counted, the other rules would be tried where this one speaks, not anywhere."""
    trials = [t for t in random_trials("KRvKN", 100, 1) if len(rules_of(t)) > 1]
    known = {trial.fen: int(tables.outcome(trial.board()).low.points) for trial in trials}
    one = rules_of(trials[0])[0]
    drawn = [replace(trial, rule=one) for trial in trials if one in rules_of(trial)]
    document = count(drawn, known, seed=1, seen={})
    counted = {rule: told["drawn"] for rule, told in document["rules"].items()}
    tried = {rule: times for rule, times in counted.items() if any(times.values())}
    assert list(tried) == [one]
    assert sum(tried[one].values()) >= len(drawn) > 1
