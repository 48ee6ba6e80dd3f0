"""``fullpoint proofread``: exit codes, streams, files, odd input.  Runs in this process."""

from __future__ import annotations

import gzip
import io
import json
import sys
from pathlib import Path

import pytest

from convert.cli import main

NOTES = Path(__file__).parent / "data" / "proofread" / "notes.pgn"
PLAIN = '[Event "Club evening"]\n[Result "*"]\n\n1. e4 {A good start.} e5 *\n'
HELD = (
    '[Event "Club evening"]\n[Result "*"]\n[SetUp "1"]\n[FEN "8/8/4k3/8/3K4/4P3/8/8 w - - 0 50"]\n'
    "\n50. Ke4 {White wins.} *\n"
)
BROKEN = '[Event "?"]\n[Result "*"]\n\n1. e4 $1 e5 2. Qxh7 Nc6 *\n'


def run(
    args: list[str], capsys: pytest.CaptureFixture[str], stdin: bytes | None = None
) -> tuple[int, str, str]:
    """Exit code, standard output, standard error of one call."""
    old = sys.stdin
    if stdin is not None:
        sys.stdin = io.TextIOWrapper(io.BytesIO(stdin))
    try:
        with pytest.raises(SystemExit) as left:
            main(["proofread", "--effort", "quick", *args])
    finally:
        sys.stdin = old
    out, err = capsys.readouterr()
    code = left.value.code
    return (code if isinstance(code, int) else 0), out, err


def test_report_and_total(capsys: pytest.CaptureFixture[str]) -> None:
    code, out, err = run([str(NOTES)], capsys)
    assert code == 0
    assert err == ""
    assert "Refuted (8)" in out
    assert "50...Kd6 (variation 50.e4 Kd6): $7" in out
    assert "39 statements in 2 games: " in out
    assert all(len(line) <= 80 for line in out.splitlines())


def test_what_was_not_read_is_counted_and_listed(capsys: pytest.CaptureFixture[str]) -> None:
    _, out, _ = run([str(NOTES)], capsys)
    assert "5 sentences in which no statement was found (--unread lists" in out
    assert "Not read: 6 sentences in which no statement was found." in out
    assert "Is White winning" not in out
    _, out, _ = run([str(NOTES), "--unread"], capsys)
    assert "56...Kd8: Is White winning" in out


def test_strict(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    assert run([str(NOTES), "--strict", "-q"], capsys) == (1, "", "")
    held = tmp_path / "held.pgn"
    held.write_text(HELD, encoding="utf-8")
    code, out, _ = run([str(held), "--strict"], capsys)
    assert code == 0
    assert "1 statement: 1 confirmed." in out


def test_only(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    target = tmp_path / "out.pgn"
    code, out, _ = run([str(NOTES), "--only", "refuted", "--pgn", str(target)], capsys)
    assert code == 0
    assert "Refuted (8)" in out
    assert "Confirmed (" not in out
    text = target.read_text(encoding="utf-8")
    assert "refuted." in text
    assert "confirmed." not in text
    assert text.count("[Event ") == 2


def test_one_game(capsys: pytest.CaptureFixture[str]) -> None:
    _, out, _ = run([str(NOTES), "--game", "2"], capsys)
    assert "game 2" in out
    assert "game 1" not in out
    code, _, err = run([str(NOTES), "--game", "7"], capsys)
    assert code == 2
    assert err == f"fullpoint: error: no game 7 in {NOTES}\n"


def test_streams(capsys: pytest.CaptureFixture[str]) -> None:
    code, out, err = run(["-", "--json", "-"], capsys, HELD.encode())
    assert (code, err) == (0, "")
    (game,) = json.loads(out)["games"]
    assert game["counts"]["confirmed"] == 1
    code, out, _ = run(["-", "--pgn", "-"], capsys, HELD.encode())
    assert '{White wins.} {[fullpoint: "White wins": confirmed.' in " ".join(out.split())


def test_compressed(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    path = tmp_path / "held.pgn.gz"
    path.write_bytes(gzip.compress(HELD.encode()))
    assert "1 confirmed" in run([str(path)], capsys)[1]


def test_a_file_without_statements(capsys: pytest.CaptureFixture[str]) -> None:
    code, out, err = run(["-"], capsys, PLAIN.encode())
    assert (code, err) == (0, "")
    assert out.startswith("0 statements in 1 game.\nNot read: 1 sentence")


def test_a_game_that_breaks_off(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    path, target = tmp_path / "broken.pgn", tmp_path / "out.pgn"
    path.write_text(BROKEN, encoding="utf-8")
    code, out, err = run([str(path), "--pgn", str(target)], capsys)
    assert code == 2
    assert "illegal move Qxh7" in err
    assert "missing in the PGN" in err
    assert "1 statement" in out


@pytest.mark.parametrize(
    ("args", "text"),
    [
        (["no_such_file.pgn"], "no such file"),
        ([str(NOTES), "--pgn", str(NOTES)], "is the input"),
        ([str(NOTES), "--pgn", "-", "--json", "-"], "cannot both"),
        ([str(NOTES), "--json", "/nonexistent/x.json"], "cannot be written"),
        ([str(NOTES), "--only", "wrong"], "Invalid value"),
    ],
)
def test_bad_input(args: list[str], text: str, capsys: pytest.CaptureFixture[str]) -> None:
    code, out, err = run(args, capsys)
    assert code == 2
    assert text in err
    assert "Traceback" not in err + out


def test_an_output_is_whole_or_not_there(
    capsys: pytest.CaptureFixture[str], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Something fails in the middle: what stood in the file is still there."""
    target = tmp_path / "out.pgn"
    target.write_text("old", encoding="utf-8")

    def fail(*_: object) -> str:
        raise MemoryError

    monkeypatch.setattr("convert.reports.proofread_pgn.with_remarks", fail)
    code, _, _ = run([str(NOTES), "--pgn", str(target), "-q"], capsys)
    assert code == 2
    assert target.read_text(encoding="utf-8") == "old"
