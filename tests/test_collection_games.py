"""The games that a report names, reviewed again: an annotated PGN, pages, a sheet of exercises."""

from __future__ import annotations

import json
import shutil
from pathlib import Path

import chess.pgn
import pytest

pytest.importorskip("pyarrow")

from collection_help import call
from demo_reviews import demo_path

from convert.collection.picking import _became

pytestmark = pytest.mark.slow

NAMES = ("03", "04", "05")


@pytest.fixture(scope="module")
def desk(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Three demo games with a certain slip each, and their collection."""
    folder = tmp_path_factory.mktemp("desk")
    (folder / "games").mkdir()
    for start in NAMES:
        path = demo_path(start)
        shutil.copy(path, folder / "games" / path.name)
    args = ("--effort", "quick", "--no-solve", "--jobs", "1", "-q")
    assert call(str(folder / "games"), "-o", str(folder / "out"), *args) == 0
    return folder


def picks(desk: Path) -> list[dict[str, object]]:
    """The games that the report names, in its order."""
    report = desk / "report.json"
    assert call("report", str(desk / "out"), "--json", str(report), "-q") == 0
    found = json.loads(report.read_text(encoding="utf-8"))["picks"]
    assert isinstance(found, list)
    return found


def test_the_games_as_one_annotated_file(desk: Path) -> None:
    """Each named game once, in the order of the report, with its moves and what was found."""
    file = desk / "again.pgn"
    args = ("--pgn", str(file), "-q", "--effort", "quick", "--no-solve")
    assert call("report", str(desk / "out"), *args) == 0
    games = []
    with file.open(encoding="utf-8") as stream:
        while (game := chess.pgn.read_game(stream)) is not None:
            games.append(game)
    named = picks(desk)
    assert 0 < len(named) == len(games)
    for pick, game in zip(named, games, strict=True):
        assert not game.errors
        assert len(list(game.mainline_moves())) == pick["plies"]
        assert str(pick["white"]) in game.headers["White"]
        assert any(node.comment for node in game.mainline())
        # The certain slips that the report names stand in the file as the sign for a bad mistake.
        nags = {node.ply(): node.nags for node in game.mainline()}
        moments = pick["moments"]
        assert isinstance(moments, list)
        certain = [m["ply"] for m in moments if "uspected" not in m["told"]]
        assert certain
        assert all(4 in nags[ply] for ply in certain)


def test_a_page_for_each_and_an_index(desk: Path) -> None:
    pages, report = desk / "pages", desk / "report.html"
    args = ("--pages", str(pages), "--html", str(report), "-q", "--effort", "quick", "--no-solve")
    assert call("report", str(desk / "out"), *args) == 0
    text = report.read_text(encoding="utf-8")
    written = sorted(path.name for path in pages.glob("*.html"))
    named = picks(desk)
    assert len(written) == len(named) + 1
    index = (pages / "index.html").read_text(encoding="utf-8")
    assert 'href="../report.html"' in index
    for name in written:
        if name != "index.html":
            assert f'href="{name}"' in index
            assert f"pages/{name}" in text


def test_a_sheet_from_the_slips(desk: Path) -> None:
    """Every exercise is a position of one of these games, before a slip of the report."""
    sheet = desk / "sheet.json"
    args = ("--lesson", str(sheet), "-q", "--effort", "quick", "--no-solve")
    assert call("report", str(desk / "out"), *args) == 0
    exercises = json.loads(sheet.read_text(encoding="utf-8"))["exercises"]
    before = set()
    for path in (desk / "games").glob("*.pgn"):
        with path.open(encoding="utf-8") as stream:
            game = chess.pgn.read_game(stream)
        assert game is not None
        before |= {node.board().epd() for node in [game, *game.mainline()]}
    assert exercises
    for exercise in exercises:
        assert chess.Board(exercise["fen"]).epd() in before


def test_a_game_that_is_gone_is_named_and_left_out(
    desk: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (path,) = (desk / "games").glob("05-*.pgn")
    text = path.read_text(encoding="utf-8")
    path.unlink()
    capsys.readouterr()
    try:
        args = ("--pgn", str(desk / "fewer.pgn"), "--effort", "quick", "--no-solve")
        code = call("report", str(desk / "out"), *args)
        assert code == 2
        assert path.name in capsys.readouterr().err
        assert (desk / "fewer.pgn").read_text(encoding="utf-8").count("[Event ") == len(NAMES) - 1
    finally:
        path.write_text(text, encoding="utf-8")


def test_a_suspected_slip_is_told_by_what_was_at_stake() -> None:
    """The defender's chance of losing, the attacker's of winning: never "from 0 of 10 to 0"."""
    slip = {
        "certain": False,
        "before_low": "loss",
        "before_evidence": "estimate",
        "before_win": 0.01,
        "after_win": 0.0,
        "after_high": "win",
        "after_evidence": "estimate",
        "cost": 0.4,
    }
    assert _became(slip, "Black") == "Suspected: the chance of losing grew by 8 of 10 (estimate)"
    lost = slip | {"after_high": "loss", "after_evidence": "table"}
    words = "Suspected: Black now loses (table), where the estimate had seen 8 of 10 held"
    assert _became(lost, "Black") == words
    won = slip | {"before_win": 0.8, "after_win": 0.1}
    words = "Suspected: chances of winning from 8 of 10 to 1 of 10 (estimate)"
    assert _became(won, "Black") == words
