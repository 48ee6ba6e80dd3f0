"""Hints that lead on, progress that is no verdict, and the endings of docs/play.md played again."""

from __future__ import annotations

import re
from pathlib import Path
from types import SimpleNamespace

import chess
import pytest
from test_cli_play import run

from convert.cli.common import solver_words
from convert.judging.judges import Bench
from convert.model.record import Playing
from convert.playing import game
from convert.playing.plan import hint
from convert.reports.play_text import summary
from tablebases.probing import SyzygyProber
from tablebases.solver.scopes import SolveStep, scopes_of
from tablebases.solver.structures import LOWER, UPPER

DOCS = Path(__file__).parents[1] / "docs" / "play.md"
ENDINGS = re.findall(
    r"### (.+?)\n\n```sh\nprintf '(.+?)' \|\n"
    r"  fullpoint play \"(.+?)\"(.*?)\n```\n\n```text\n(.+?)```",
    DOCS.read_text(encoding="utf-8"),
    re.DOTALL,
)


@pytest.fixture(scope="module")
def bench(tables: SyzygyProber) -> Bench:
    return Bench(tables)


def steps(bench: Bench, fen: str) -> tuple[str, ...]:
    return hint(bench, chess.Board(fen)).steps


def test_a_hint_tells_the_plan_then_the_man_then_the_move(bench: Bench) -> None:
    plan, man, move = steps(bench, "8/8/8/3k4/8/4K3/3P4/8 w - - 0 1")
    assert plan == (
        "The plan: bring your king to e6, then bring the pawn through to d8. "
        "Avoid moving the pawn on d2 yet."
    )
    assert man == "Look at the king on e3."
    assert move == "1.Kd3 does it."


def test_what_is_won_and_where_it_is_mate(bench: Bench) -> None:
    assert "win the pawn on d3" in steps(bench, "8/8/8/4K3/8/2kp4/8/5R2 w - - 0 1")[0]
    assert "mate there" in steps(bench, "8/8/8/4k3/8/2K5/8/R7 w - - 0 1")[0]
    assert steps(bench, "8/8/8/3k4/8/2K5/3P4/8 b - - 1 1")[0].startswith("To hold: ")


def test_what_to_avoid(bench: Bench) -> None:
    corner = steps(bench, "7k/8/5K2/6Q1/8/8/8/8 w - - 0 1")
    assert "Avoid stalemate." in corner[0]


def test_a_lost_position_has_no_plan(bench: Bench) -> None:
    assert steps(bench, "8/8/8/8/8/1k6/8/K6r w - - 0 1") == ()


def test_where_it_was_harder_than_needed(bench: Bench) -> None:
    playing: Playing = game.start(bench, chess.Board("8/8/8/4k3/8/2K5/8/R7 w - - 0 1"), _white())
    playing = game.play(bench, playing, chess.Move.from_uci("c3b2"))
    assert "Harder than needed: 1.Kb2 (1.Ra8 was 4 plies nearer)." in summary(playing)


def _white() -> object:
    from convert.model import Side

    return Side.WHITE


@pytest.mark.parametrize("colour", chess.COLORS)
@pytest.mark.parametrize("mode", [LOWER, UPPER])
def test_progress_tells_a_task_and_no_verdict(colour: bool, mode: int) -> None:
    question = SolveStep(colour, scopes_of(mode, 100)[0]).question
    words = solver_words(SimpleNamespace(question=question, left=3.0, most=9.0))
    assert words.startswith(f"to prove: {question}")


@pytest.mark.parametrize("ending", ENDINGS, ids=[name for name, *_ in ENDINGS])
def test_documented_endings_play_out_so(
    ending: tuple[str, str, str, str, str], capsys: pytest.CaptureFixture[str]
) -> None:
    _, script, fen, side, transcript = ending
    code, out, _ = run([fen, *side.split()], capsys, script.replace("\\n", "\n"))
    assert code == 0
    assert out.rstrip().endswith(transcript.rstrip())


def test_five_endings_are_documented() -> None:
    assert len(ENDINGS) == 5
