"""What a sheet promises: hints that lead on, lines that stop, and what is past proof said so."""

from __future__ import annotations

from dataclasses import replace

import chess
import pytest

from convert.judging.judges import Bench
from convert.lesson import level, searched
from convert.lesson.build import build
from convert.lesson.choose import same_idea, with_searched
from convert.lesson.finding import from_board
from convert.lesson.hints import fits, ideas
from convert.lesson.judging import Draft
from convert.lesson.level import group_of, levelled
from convert.lesson.lines import to_the_point
from convert.lesson.sheet import make_sheet
from convert.model import Evidence, Line, Side, Speaking, Verdict
from convert.model.lesson import Exercise, Level, Task
from tablebases.probing import SyzygyProber
from tablebases.values import Outcome

TRADE = "8/R4rk1/8/8/8/3KP3/8/8 w - - 0 1"


@pytest.fixture(scope="module")
def bench(tables: SyzygyProber) -> Bench:
    return Bench(tables)


def line(fen: str, moves: str, ends: str = "so on") -> Line:
    return Line(fen, tuple(moves.split()), ends)


def test_a_line_ends_where_its_point_is_made() -> None:
    pawn = "8/2k5/8/8/8/8/K4P2/8 w - - 0 1"
    told = to_the_point(line(pawn, "f4 Kd6 f5 Ke5 f6 Ke6 Kb3 Kxf6 Kc4 Ke5", "held"))
    assert (told.moves[-1], told.ends) == ("Kxf6", "point")
    quiet = to_the_point(line(pawn, "Kb3 Kd6 Kc4 Ke5 Kd3 Kf4 Ke2 Kg4", "held"))
    assert quiet.moves == ("Kb3", "Kd6", "Kc4")
    runs = to_the_point(line(pawn, "f4 Kd6 f5 Kd5 f6 Kd6 f7 Kd7 f8=Q", "promotion"))
    assert (len(runs.moves), runs.ends) == (9, "promotion")


def test_a_trade_is_played_out_before_its_point() -> None:
    told = to_the_point(line(TRADE, "Rxf7+ Kxf7 Kd4 Ke6 Ke4 Kf6 Kd5 Ke7 Ke5", "so on"))
    assert told.moves == ("Rxf7+", "Kxf7", "Kd4", "Ke6")


def speaking(statement: str) -> Speaking:
    return Speaking("some-rule", "Some rule", statement, "common practice", Side.WHITE, 0.0, "")


def test_a_rule_about_trades_is_a_hint_only_where_it_points_the_right_way() -> None:
    trade = speaking("Simplify as soon as the trade reaches an ending known to be won.")
    keep = speaking("The side that is behind in material should keep pieces on.")
    other = speaking("A rook belongs behind a passed pawn.")
    assert [fits(r, Task.TRADE) for r in (trade, keep, other)] == [True, False, True]
    assert [fits(r, Task.REFUSE) for r in (trade, keep, other)] == [False, True, True]
    assert [fits(r, Task.ONLY) for r in (trade, keep, other)] == [False, False, True]


def draft_of(fen: str, bench: Bench) -> Draft:
    made = from_board(chess.Board(fen), bench)
    assert made is not None
    return made


def test_who_must_refuse_is_not_told_to_trade(bench: Bench) -> None:
    draft = draft_of("8/8/8/3k4/8/4K3/3P4/8 w - - 0 1", bench)
    rule = speaking("Simplify as soon as the trade reaches an ending known to be won.")
    refusal = replace(draft, task=Task.REFUSE)
    assert rule.statement not in list(ideas(refusal, None, rule))
    assert rule.statement in list(ideas(replace(draft, task=Task.TRADE), None, rule))


def test_three_steps_lead_from_the_idea_to_the_move(bench: Bench) -> None:
    exercise = build(bench, draft_of("8/8/8/3k4/8/4K3/3P4/8 w - - 0 1", bench), search=False)
    idea, man, move = exercise.hints
    assert idea == exercise.hint
    assert "Kd3" not in idea + man
    assert man == "It is a move of the king on e3."
    assert move == "The move is 1.Kd3."


def test_no_two_exercises_of_a_sheet_share_a_hint(bench: Bench) -> None:
    draft = draft_of("8/8/8/3k4/8/4K3/3P4/8 w - - 0 1", bench)
    first = build(bench, draft, search=False)
    second = build(bench, draft, search=False, used=(first.hint,))
    third = build(bench, draft, search=False, used=(first.hint, second.hint))
    assert len({first.hint, second.hint, third.hint}) == 3
    assert len(set(ideas(draft, None, None))) >= 3


def test_one_idea_of_a_game_is_enough(bench: Bench) -> None:
    draft = draft_of("8/8/8/3k4/8/4K3/3P4/8 w - - 0 1", bench)
    far = draft_of("8/8/8/8/5k2/8/2P2K2/8 w - - 0 1", bench)
    here = replace(draft, candidate=replace(draft.candidate, group="a#1"))
    there = replace(far, candidate=replace(far.candidate, group="a#1"))
    other = replace(far, candidate=replace(far.candidate, group="a#2"))
    first = (build(bench, here, search=False), here)
    same = (build(bench, there, search=False), there)
    apart = (build(bench, other, search=False), other)
    assert same_idea(first, same)
    assert not same_idea(first, apart)


# --- past proof ---------------------------------------------------------------------------------


def guess(won: float, lost: float) -> Verdict:
    return Verdict(
        Side.WHITE, Outcome.LOSS, Outcome.WIN, Evidence.ESTIMATE, win=won, loss=lost, measured=True
    )


def past_proof(bench: Bench, played: str) -> Draft:
    """A draft as a search makes it: the exact one with estimates in the place of its verdicts."""
    draft = draft_of("8/8/8/3k4/8/4K3/3P4/8 w - - 0 1", bench)
    keep = tuple(replace(o, verdict=guess(0.9, 0.01)) for o in draft.keep)
    fail = tuple(replace(o, verdict=guess(0.1, 0.1)) for o in draft.fail)
    candidate = replace(draft.candidate, played=draft.board.parse_san(played))
    lines = {option.move: (option.move,) for option in (*keep, *fail)}
    task, key = draft.task, draft.key
    return Draft(candidate, task, guess(0.9, 0.01), keep, fail, key, None, 1, 500, lines=lines)


@pytest.mark.parametrize(
    ("played", "score", "agrees"),
    [("Kd3", 1, True), ("Kd3", 0, False), ("Ke2", 0, True), ("Ke2", 1, False)],
)
def test_search_and_game_must_agree(bench: Bench, played: str, score: int, agrees: bool) -> None:
    assert searched._agrees(past_proof(bench, played), score) is agrees


def test_what_is_past_proof_says_so(bench: Bench) -> None:
    draft = past_proof(bench, "Ke2")
    exercise = searched.write(bench, draft)
    assert exercise.searched == 500
    text = " ".join(exercise.answer)
    assert "Not proved: a search of 500 positions says so" in text
    assert "White missed it and did not win" in text
    assert "(table)" not in text
    proved = build(bench, draft_of("8/8/8/8/5k2/8/2P2K2/8 w - - 0 1", bench), search=False)
    sheet = make_sheet("Sheet", (proved, exercise))
    assert sheet.intro[0].startswith("Exercise 2 is past proof")
    assert make_sheet("Sheet", (proved,)).intro[0].startswith("Every answer is certain")


def test_proved_ones_come_first_and_make_room_for_trades(bench: Bench) -> None:
    draft = draft_of("8/8/8/3k4/8/4K3/3P4/8 w - - 0 1", bench)
    proved = (build(bench, draft, search=False), draft)
    far = draft_of("8/8/8/8/5k2/8/2P2K2/8 w - - 0 1", bench)
    trade = (replace(build(bench, far, search=False), task=Task.TRADE, searched=500), far)
    assert with_searched([proved], [trade], 2) == [proved, trade]
    assert with_searched([proved], [trade], 1) == [trade]
    plain = (replace(trade[0], task=Task.ONLY), far)
    assert with_searched([proved], [plain], 1) == [proved]


# --- levels -------------------------------------------------------------------------------------


def test_levels_come_from_counts_where_there_are_enough(
    bench: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    draft = draft_of("8/8/8/3k4/8/4K3/3P4/8 w - - 0 1", bench)
    exercise: Exercise = build(bench, draft, search=False)
    assert exercise.alike == group_of(draft) != ""
    for met, hit, expected in (
        (100, 90, Level.EASY),
        (100, 60, Level.MEDIUM),
        (100, 9, Level.HARD),
    ):
        counts = {exercise.alike: {level.BAND: level.BandCount(met, hit)}}
        monkeypatch.setattr(level, "shipped", lambda counts=counts: counts)
        told = levelled(exercise)
        assert (told.level, told.met, told.hit) == (expected, met, hit)
    few = {exercise.alike: {level.BAND: level.BandCount(10, 1)}}
    monkeypatch.setattr(level, "shipped", lambda: few)
    plain = replace(exercise, met=0, hit=0)
    assert levelled(plain) == plain
