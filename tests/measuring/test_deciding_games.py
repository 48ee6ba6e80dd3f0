"""The last change of outcome of games: what is held against what, and how it is counted."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from convert.measuring.deciding_games import GameLooked, main, summary

HEAD = '[Event "Invented"]\n[Result "{result}"]\n[WhiteElo "{rating}"]\n[BlackElo "2300"]\n\n'


def looked(**more: object) -> GameLooked:
    """A game in which move 5 changed the outcome and the review names it."""
    values = {"game": "g", "plies": 9, "change": 5, "moment": 5, "certain": False}
    values |= {"step": False, "fall": 0.4, "slip": "", "borne_out": True}
    return GameLooked(**{**values, **more})  # type: ignore[arg-type]


def test_what_is_counted() -> None:
    games = [
        looked(),
        looked(slip="suspected", moment=7, step=True, fall=0.1),
        looked(slip="certain", moment=None, fall=None, borne_out=False),
        looked(moment=3, fall=0.14),
        looked(change=None, moment=7, step=True, fall=0.05, borne_out=None),
    ]
    shares = {
        name: (value["of them"], value["n"]) for name, value in list(summary(games).items())[1:]
    }
    assert shares == {
        "last change named as deciding moment or slip": (3, 4),
        "last change named as deciding moment": (1, 4),
        "last change a certain slip": (1, 4),
        "last change a suspected slip": (1, 4),
        "moves said to decide that the larger search agrees with": (1, 2),
        "largest steps that the larger search sees": (1, 2),
        "last changes that the result bears out": (3, 4),
    }


@pytest.mark.slow
def test_a_queen_given_away_is_the_last_change_and_named(tmp_path: Path) -> None:
    """Of two games of strong players the one that lets the queen go has its change there."""
    moves = "1. e4 e5 2. Qh5 Nc6 3. Qxf7+ Kxf7 4. Nf3 Nf6 5. Nc3 Bb4 6. a3 Ba5"
    games = tmp_path / "games.pgn"
    games.write_text(
        "".join(
            HEAD.format(result="0-1", rating=rating) + f"{moves} 7. {last} 0-1\n\n"
            for rating in (2300, 1500)
            for last in (
                "h3",
                "h4",
                "g3",
                "d3",
                "b3",
                "Rb1",
                "b4",
                "Be2",
                "Bd3",
                "Bc4",
                "d4",
                "Nd5",
            )
        )
    )
    out = tmp_path / "out.json"
    assert main([str(games), "-o", str(out), "--jobs", "1", "--games", "2"]) == 0
    document = json.loads(out.read_text(encoding="utf-8"))
    assert 1 <= document["games"] <= 2
    for each in document["each"]:
        assert (each["change"], each["moment"], each["step"]) == (5, 5, False)
        assert each["fall"] > 0.25
    assert document["last change named as deciding moment or slip"]["share"] == 1.0


def test_a_file_that_is_not_there_is_named(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main([str(tmp_path / "none.pgn"), "-o", str(tmp_path / "out.json")]) == 2
    assert "none.pgn" in capsys.readouterr().err
