"""The built-in lesson: stored answers belong to its positions and come out the same again."""

from __future__ import annotations

import chess
import pytest

from convert.cli import main
from convert.cli.common import make_bench
from convert.judging.judges import Bench
from convert.lesson.builtin import UnsoundEntry, compute_one, entries, stored
from convert.model.lesson import Exercise, Task

SIX = {
    "pawn-ending",
    "exchange-up",
    "pieces-not-pawns",
    "wrong-trade",
    "recapture",
    "rook-endings",
}


def essence(exercise: Exercise) -> tuple[object, ...]:
    """What must not change, whichever judge settles it."""
    twin = exercise.twin
    return (
        exercise.ident,
        exercise.theme,
        exercise.task,
        exercise.fen,
        exercise.question,
        exercise.verdict.points,
        exercise.kept,
        {tried.uci for tried in exercise.keep},
        exercise.asked and exercise.asked.uci,
        exercise.level,
        exercise.reasons,
        twin and (twin.fen, twin.verdict.points, twin.kept, twin.same and twin.same.uci),
    )


def test_enough_for_a_lesson() -> None:
    exercises = stored()
    assert len(exercises) >= 24
    assert {e.theme for e in exercises} >= SIX
    assert all(sum(e.theme == theme for e in exercises) >= 3 for theme in SIX)
    black = sum(e.fen.split()[1] == "b" for e in exercises)
    assert len(exercises) <= 3 * black <= 2 * len(exercises)
    assert [e.points for e in exercises] == sorted(e.points for e in exercises)


def test_stored_answers_are_those_of_the_positions() -> None:
    by_ident = {e.ident: e for e in stored()}
    named = {entry.id: entry for entry in entries()}
    assert set(by_ident) == set(named)
    for ident, exercise in by_ident.items():
        entry = named[ident]
        assert chess.Board(entry.fen).board_fen() == chess.Board(exercise.fen).board_fen()
        assert exercise.task is entry.task
        assert exercise.theme == entry.theme
        assert entry.idea.strip() in exercise.answer
        if entry.twin:
            assert exercise.twin is not None
            assert chess.Board(entry.twin).board_fen() == chess.Board(exercise.twin.fen).board_fen()


def test_every_answer_is_certain() -> None:
    for exercise in stored():
        assert exercise.verdict.exact
        assert all(tried.verdict.exact for tried in (*exercise.keep, *exercise.wrong))
        if exercise.task in (Task.ONLY, Task.TRADE, Task.RECAPTURE):
            assert exercise.kept <= 2


def test_what_the_tables_know_comes_out_the_same(bench: Bench) -> None:
    by_ident = {e.ident: e for e in stored()}
    for entry in entries():
        boards = [chess.Board(entry.fen), chess.Board(entry.twin or entry.fen)]
        if all(board.occupied.bit_count() <= 4 for board in boards):
            assert essence(compute_one(bench, entry)) == essence(by_ident[entry.id])


@pytest.mark.long
def test_everything_comes_out_the_same(tmp_path_factory: pytest.TempPathFactory) -> None:
    bench = make_bench((), "deep")
    by_ident = {e.ident: e for e in stored()}
    for entry in entries():
        assert essence(compute_one(bench, entry)) == essence(by_ident[entry.id]), entry.id


def test_an_unsound_position_is_refused(bench: Bench) -> None:
    from dataclasses import replace

    entry = replace(
        entries()[0], fen="8/5p2/6k1/8/5K2/8/8/8 b - - 0 1", task=Task.RECAPTURE, twin=None
    )
    with pytest.raises(UnsoundEntry, match="not the task"):
        compute_one(bench, entry)


def test_it_starts_without_any_file(capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit) as done:
        main(["lesson", "--count", "6", "-o", "-", "--format", "epd"])
    assert not done.value.code
    lines = capsys.readouterr().out.splitlines()
    assert len(lines) == 6
    assert len({line.split('c1 "')[1].split('"')[0] for line in lines}) == 6
