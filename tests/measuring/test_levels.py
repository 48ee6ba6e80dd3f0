"""How often players found the move: which positions of games are asked, and what is counted."""

from __future__ import annotations

import io
import json
from collections import Counter
from collections.abc import Sequence
from pathlib import Path

import chess
import pytest

from convert.judging.bench import open_bench
from convert.judging.judges import Bench
from convert.measuring import levels
from convert.measuring.levels import POSITIONS, band, count, main, questions
from convert.model.lesson import Task
from convert.reading.games import read_games
from tablebases.probing import open_tables

#: With 2.b5 the pawn runs; every other move lets Black's king in (by the built-in tables).
ENDING = """[Event "Invented"]
[Result "{result}"]
[SetUp "1"]
[FEN "8/4K3/8/8/1P6/4k3/8/8 b - - 0 1"]
[WhiteElo "{rating}"]
[BlackElo "1900"]

1... Kd3 {move} {result}

"""
FOUND, MISSED = ("2. b5", "1-0"), ("2. Kd6", "1/2-1/2")


def text(games: Sequence[tuple[str, tuple[str, str]]]) -> bytes:
    """Games by White's rating, his move and the result."""
    return "".join(
        ENDING.format(rating=rating, move=move, result=result) for rating, (move, result) in games
    ).encode()


@pytest.fixture(scope="module")
def bench() -> Bench:
    return open_bench((), "quick", solve=False)


def test_what_is_asked_of_an_ending_is_what_the_tables_say(bench: Bench) -> None:
    (read,) = read_games("-", stdin=io.BytesIO(text([("1500", MISSED)])))
    (made,) = questions(read, bench)
    assert made.task is Task.ONLY
    prober = open_tables()
    keeps = set()
    for move in made.board.legal_moves:
        child = made.board.copy(stack=False)
        child.push(move)
        if prober.outcome(child).high.points == -1:
            keeps.add(move.uci())
    assert {option.move.uci() for option in made.keep} == keeps == {"b4b5"}
    assert made.candidate.played == chess.Move.from_uci("e7d6")


def test_who_met_the_question_and_who_found_the_move() -> None:
    games = [("1500", FOUND), ("1799", MISSED), ("1800", FOUND), ("?", MISSED), ("1500", FOUND)]
    counts, read = count(text(games))
    assert read == len(games)
    groups = {group for group, _, _ in counts}
    assert len(groups) == 1
    (group,) = groups
    assert group.startswith("only, ")
    assert counts == Counter(
        {
            (group, "1400 to 1799", True): 2,
            (group, "1400 to 1799", False): 1,
            (group, "1800 to 2199", True): 1,
            (group, band("?"), False): 1,
        }
    )


def test_what_is_written_does_not_depend_on_the_number_of_processes(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(levels, "PART", 500)
    games = tmp_path / "games.pgn"
    games.write_bytes(text([("1500", FOUND), ("1500", MISSED), ("2300", FOUND)] * 3))
    written = []
    for jobs in ("1", "2"):
        out = tmp_path / f"{jobs}.json"
        assert main([str(games), "--out", str(out), "--source", "made", "--jobs", jobs]) == 0
        written.append(json.loads(out.read_text(encoding="utf-8")))
    assert written[0] == written[1]
    assert (written[0]["games"], written[0]["source"]) == (9, "made")
    (bands,) = written[0]["groups"].values()
    assert bands == {"1400 to 1799": [6, 3], "2200 and more": [3, 3]}


def test_past_proof_a_search_asks(bench: Bench) -> None:
    """Whether to trade, with many men on the board: the search says what keeps, and what fails."""
    (path,) = (Path(__file__).parents[2] / "demo_games").glob("05-*.pgn")
    (read,) = read_games(str(path))
    asked = list(questions(read, bench))
    assert asked
    assert all(made.searched == POSITIONS for made in asked)
    assert all(len(made.board.piece_map()) > 4 for made in asked)


def test_a_file_that_is_not_there_is_named(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main([str(tmp_path / "none.pgn"), "--out", str(tmp_path / "out.json")]) == 2
    assert "none.pgn" in capsys.readouterr().err
    assert not (tmp_path / "out.json").exists()
