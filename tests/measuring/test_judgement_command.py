"""The measuring command on made games: what it counts, that it repeats, what it refuses."""

from __future__ import annotations

import json
from pathlib import Path

import chess
import numpy as np
import pytest

from convert.measuring import judgement
from convert.measuring.chances_fit import ChancesFit
from convert.measuring.judged_positions import FEW_MEN, NATURAL, DrawWanted, GameLine, draw_from
from convert.measuring.judgement import main, quiet_moves
from convert.measuring.rated_games import Filter
from convert.measuring.settle import Outcomes

pytest.importorskip("scipy")

PLAIN = "convert.measuring.plain_search:plain_search"
OPTIONS = ["--rating", "0", "--without", "told", "--walks", "3", "--every", "10"]


@pytest.fixture(autouse=True)
def few_are_enough(monkeypatch: pytest.MonkeyPatch) -> None:
    """There are few made games."""
    monkeypatch.setattr(judgement, "FEWEST", 3)


def measured(capsys: pytest.CaptureFixture[str], *arguments: str) -> str:
    assert main([*arguments]) == 0
    return capsys.readouterr().out


def test_the_figures_hang_on_the_games_alone(
    made: str, turned: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    one, two = tmp_path / "one.json", tmp_path / "two.json"
    kept = tmp_path / "chances.json"
    first = measured(
        capsys, made, *OPTIONS, "--judge", f"{PLAIN}@0", "--json", str(one), "--chances", str(kept)
    )
    second = measured(capsys, turned, *OPTIONS, "--plain", "0", "--json", str(two), "--jobs", "2")
    assert first == second
    document, again = json.loads(one.read_text()), json.loads(two.read_text())
    for told in (document, again):
        del told["games accepted"]  # one of the games stands there twice
    assert document == again
    slices = document["slices"]
    assert {"8 to 32 men", "25 to 32 men"} <= set(slices)
    assert list(slices["8 to 32 men"]) == sorted(
        ["a constant", "material and men", "32 features", "plain search, no search"]
    )
    assert "told above 0.9" in first
    assert document["jumps"]["games"] == 3
    assert document["jumps"]["share"]["a constant"]["value"] == 0
    assert ChancesFit.from_json(kept.read_text()).made["score"] == "plain search, no search"


def test_the_constant_is_what_is_counted_by_hand(
    made: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = tmp_path / "told.json"
    measured(
        capsys, made, *OPTIONS[:2], "--without", "told", "material", "features", "--json", str(path)
    )
    told = json.loads(path.read_text())["slices"]["8 to 32 men"]["a constant"]
    draw = draw_from([made], Filter(0), DrawWanted())
    by_game = [{p.game: p.outcome for p in draw.positions(NATURAL, part)} for part in (False, True)]
    share = {o: sum(v == o for v in by_game[0].values()) / len(by_game[0]) for o in (1, 0, -1)}
    loss = -sum(np.log(share[v]) for v in by_game[1].values()) / len(by_game[1])
    assert told["log_loss"]["value"] == pytest.approx(loss, abs=1e-5)
    assert told["games"] == len(by_game[1])
    assert told["number"] == len(draw.positions(NATURAL, True))
    assert told["log_loss"]["low"] < told["log_loss"]["value"] < told["log_loss"]["high"]


def test_exact_outcomes_are_read_from_their_file(
    made: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path, out = tmp_path / "outcomes.jsonl", tmp_path / "told.json"
    Outcomes(path)
    draw = draw_from([made], Filter(0), DrawWanted())
    drawn = [*draw.positions(FEW_MEN, True), *draw.positions(FEW_MEN, False)]
    with path.open("a") as file:
        # Invented outcomes: the side to move always wins, but for one that was not settled.
        for position in drawn[1:]:
            file.write(json.dumps([position.fen, 1]) + "\n")
        file.write(json.dumps([drawn[0].fen, None]) + "\n")
    measured(capsys, made, *OPTIONS[:4], "--outcomes", str(path), "--json", str(out))
    document = json.loads(out.read_text())
    told = document["slices"]["5 to 7 men, exact outcomes"]
    assert told["a constant"]["number"] == len(draw.positions(FEW_MEN, True)) - 1
    # Thirty-two features see who is to move.
    assert told["32 features"]["log_loss"]["value"] < told["a constant"]["log_loss"]["value"]
    assert document["few men drawn"][1] == told["a constant"]["number"] + 1


@pytest.mark.parametrize(
    ("arguments", "why"),
    [
        (["--judge", "no.such.module:scores@10"], "no search"),
        (["--judge", f"{PLAIN}@many"], "no number of positions"),
        (["--json", "MADE"], "MADE"),
    ],
)
def test_what_cannot_be_done_is_told_in_a_line(
    made: str, capsys: pytest.CaptureFixture[str], arguments: list[str], why: str
) -> None:
    before = Path(made).read_bytes()
    assert main([made, *(made if a == "MADE" else a for a in arguments)]) == 2
    told = capsys.readouterr()
    assert told.err.count("\n") == 1
    assert why.replace("MADE", Path(made).name) in told.err
    assert Path(made).read_bytes() == before


def test_a_missing_file_is_told(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main([str(tmp_path / "missing.pgn"), *OPTIONS]) == 2
    assert "missing.pgn" in capsys.readouterr().err


def test_without_anything_to_fit_to_only_the_estimate_is_held_against_outcomes(
    made: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path, out = tmp_path / "outcomes.jsonl", tmp_path / "told.json"
    Outcomes(path)
    with path.open("a") as file:
        for position in draw_from([made], Filter(0), DrawWanted()).positions(FEW_MEN, True):
            file.write(json.dumps([position.fen, 0]) + "\n")
    measured(
        capsys,
        made,
        "--rating",
        "0",
        "--outcomes",
        str(path),
        "--json",
        str(out),
        "--positions",
        "12",
        "--fit",
        "12",
        "--effort",
        "quick",
    )
    slices = json.loads(out.read_text())["slices"]
    assert list(slices["5 to 7 men, exact outcomes"]) == ["the estimate as told"]
    assert len(slices["8 to 32 men"]) == 5


def test_epd_files_are_a_slice_of_their_own(
    made: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    draw = draw_from([made], Filter(0), DrawWanted())
    labels = {name: label for label, name in draw.labels.items()}
    results = {1: "1-0", 0: "1/2-1/2", -1: "0-1"}
    lines = []
    for part in (True, False):
        for position in draw.positions(NATURAL, part):
            epd = chess.Board(position.fen).epd()
            game = labels[position.game]
            lines.append(f'{epd} id "{game}.{position.ply}"; result "{results[position.outcome]}";')
    lines.append('4k3/8/8/8/8/4P3/4K3/8 b - - id "unknown.3"; result "1/2-1/2";')
    path = tmp_path / "some.epd"
    path.write_text("\n".join(lines) + "\n")
    out = tmp_path / "told.json"
    measured(capsys, made, *OPTIONS[:4], "--epd", str(path), "--json", str(out))
    told = json.loads(out.read_text())["slices"]
    one, two = told["EPD: some.epd"]["a constant"], told["8 to 32 men"]["a constant"]
    assert one["number"] == two["number"] == len(draw.positions(NATURAL, True))
    assert one["log_loss"]["value"] == pytest.approx(two["log_loss"]["value"], abs=1e-5)


def test_quiet_moves_are_those_that_nothing_forces() -> None:
    line = ["e2e4", "d7d5", "e4d5", "d8d5", "b1c3", "d5e5", "f1e2", "c7c6", "g1f3", "e5a5"]
    found = quiet_moves(GameLine(0, "a", chess.STARTING_FEN, tuple(line)))
    # Left out: both captures, the move after them, the check by the queen and the answer to it.
    fens = [before.fen() for before, _ in found]
    board, played = chess.Board(), []
    for move in line:
        played.append((move, board.fen()))
        board.push_uci(move)
    assert [move for move, fen in played if fen in fens] == ["e2e4", "d7d5", "c7c6", "g1f3", "e5a5"]
    for before, after in found:
        assert sum(_after(before, move) == after.fen() for move in before.legal_moves) == 1


def _after(board: chess.Board, move: chess.Move) -> str:
    child = board.copy()
    child.push(move)
    return child.fen()
