"""How the reach of proof is measured: which positions count, and what is counted of them."""

from __future__ import annotations

from pathlib import Path

import chess
import pytest

from convert.measuring.reach import KINDS, Reached, kind_of_phase, main, phases_in, reached, row

SIX = "8/8/4k3/3n4/8/4K3/4PP2/R7 w - - 0 1"


@pytest.mark.parametrize(
    ("fen", "kind"),
    [
        (SIX, "six men"),
        ("8/5pp1/4k3/3n4/8/4K3/4PP2/R7 w - - 0 1", "exchange up, 8 men"),
        ("8/5pp1/4k3/3r4/8/4K3/4PPP1/B7 w - - 0 1", "exchange up, 9 men"),
        ("8/4ppp1/4k3/3r4/8/4K3/4PPP1/R7 w - - 0 1", None),
        ("8/5ppp/5k2/8/8/5PPP/6K1/8 w - - 0 1", "pawn ending, 8 men"),
        ("8/5ppp/5k2/8/8/4PPPP/6K1/8 w - - 0 1", "pawn ending, 9 and 10 men"),
        ("8/p4ppp/5k2/8/8/P3PPPP/6K1/8 w - - 0 1", "pawn ending, 11 and 12 men"),
        ("8/8/4k3/3n4/8/8/4PP2/R3K3 w Q - 0 1", None),
        (chess.STARTING_FEN, None),
    ],
)
def test_kinds(fen: str, kind: str | None) -> None:
    assert kind_of_phase(chess.Board(fen)) == kind


def test_of_a_game_the_first_position_of_each_kind(tmp_path: Path) -> None:
    """Six men from the second move on: the first such position counts, the later ones do not."""
    game = tmp_path / "one.pgn"
    seven = "8/8/4k3/1n6/8/2p1K3/1P2P3/R7 w - - 0 1"
    game.write_text(
        f'[SetUp "1"]\n[FEN "{seven}"]\n[Result "*"]\n\n1. bxc3 Nxc3 2. Kd3 Nd5 *\n\n',
        encoding="utf-8",
    )
    positions = tmp_path / "two.epd"
    positions.write_text(" ".join(SIX.split()[:4]) + "\n", encoding="utf-8")
    board = chess.Board(seven)
    board.push_san("bxc3")
    board.halfmove_clock, board.fullmove_number = 0, 1
    found = phases_in([str(game), str(positions)])
    assert set(found["six men"]) == {SIX, board.fen()}
    assert not any(found[kind] for kind in KINDS if kind != "six men")
    assert phases_in([str(positions), str(game)]) == found


def test_what_is_reached() -> None:
    """King and pawn against king: on the sixth rank in front of the pawn he wins."""
    won = reached("4k3/8/4K3/4P3/8/8/8/8 w - - 0 1", 5.0)
    assert (won.low, won.high) == (1, 1)
    assert won.settled
    assert won.bounded
    assert won.taken > 0


def test_a_row_counts_settled_and_bounded() -> None:
    found = [
        Reached("a", 1, 1, 1.0, 2.0),
        Reached("b", 0, 1, 2.0, 4.0),
        Reached("c", -1, 1, 9.0, 8.0),
    ]
    assert row("six men", found) == (
        "| six men | 3 | 1 (6 to 79%) | 2 (21 to 94%) | 2.0 s | 4.0 s, 8 s |"
    )


def test_the_command(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    positions = tmp_path / "some.epd"
    positions.write_text('8/5pp1/4k3/8/8/4K3/5PP1/8 w - - id "a";\n', encoding="utf-8")
    assert main([str(positions), "--seconds", "1", "--jobs", "1", "--kind", "six men"]) == 0
    lines = capsys.readouterr().out.splitlines()
    assert lines[-1].startswith("| six men | 1 | ")
    assert main([str(tmp_path / "none.epd")]) == 2
