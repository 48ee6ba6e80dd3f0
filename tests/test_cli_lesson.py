"""``fullpoint lesson`` as a user meets it: inputs, outputs, errors, exit codes."""

from __future__ import annotations

import gzip
import io
import shutil
from pathlib import Path

import chess.pgn
import pytest

from convert.cli import main

DATA = Path(__file__).parent / "data" / "lesson"
FEN = "8/5p2/6k1/8/5K2/8/8/8 b - - 0 1"


def run(*arguments: str) -> int:
    """The exit code of ``fullpoint lesson ARGUMENTS``."""
    with pytest.raises(SystemExit) as done:
        main(["lesson", *arguments])
    return int(done.value.code or 0)


def test_a_fen_in_the_terminal(capsys: pytest.CaptureFixture[str]) -> None:
    assert run(FEN, "--answers") == 0
    out = capsys.readouterr().out
    assert "Black to move and win. There is only one move." in out
    assert "Only 1...Kf6 wins (table)." in " ".join(out.split())
    assert "Twin:" in out
    assert max(map(len, out.splitlines())) <= 80


def test_answers_are_not_shown_unasked(capsys: pytest.CaptureFixture[str]) -> None:
    assert run(FEN) == 0
    out = capsys.readouterr().out
    assert "Kf6" not in out
    assert "--answers" in out


@pytest.mark.parametrize("ending", ["html", "pgn", "epd", "json"])
def test_the_ending_says_what_is_written(ending: str, tmp_path: Path) -> None:
    out = tmp_path / f"sheet.{ending}"
    assert run(FEN, "-o", str(out)) == 0
    text = out.read_text(encoding="utf-8")
    first = {"html": "<!doctype html>", "pgn": "[Event ", "epd": "8/5p2/6k1/8", "json": "{"}
    assert text.startswith(first[ending])
    assert [path.name for path in tmp_path.iterdir()] == [out.name]


def test_folder_with_games_and_positions(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    below = tmp_path / "in" / "below"
    below.mkdir(parents=True)
    shutil.copy(DATA / "lesson.pgn", below)
    (tmp_path / "in" / "more.epd.gz").write_bytes(
        gzip.compress((DATA / "exercises.epd").read_bytes())
    )
    (tmp_path / "in" / "notes.txt").write_text("no games here")
    assert run(str(tmp_path / "in"), "--count", "3", "-o", "-", "--format", "pgn", "-q") == 0
    taken = capsys.readouterr()
    stream = io.StringIO(taken.out)
    games = [chess.pgn.read_game(stream) for _ in range(4)]
    assert [game is not None for game in games] == [True, True, True, False]
    assert taken.err == ""


@pytest.mark.slow
def test_theme_level_and_limit(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    few = (DATA / "exercises.epd").read_text(encoding="utf-8").splitlines()[:3]
    (tmp_path / "few.epd").write_text("\n".join(few), encoding="utf-8")
    source = str(tmp_path / "few.epd")
    assert run(source, "--theme", "exchange-up", "-o", "-", "--format", "epd") == 0
    lines = capsys.readouterr().out.splitlines()
    assert lines
    assert all('c1 "Rook for a minor piece"' in line for line in lines)
    assert run(source, "--level", "hard", "-o", "-", "--format", "epd") == 0
    lines = capsys.readouterr().out.splitlines()
    assert lines
    assert all('c6 "Hard: ' in line for line in lines)
    assert run(source, "--limit", "1", "-o", "-", "--format", "epd") == 0
    assert len(capsys.readouterr().out.splitlines()) == 1


def test_standard_input(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    few = b"\n".join((DATA / "exercises.epd").read_bytes().splitlines()[:2])
    for name, bytes_ in (("positions", few), ("games", (DATA / "lesson.pgn").read_bytes())):
        raw = io.TextIOWrapper(io.BufferedReader(io.BytesIO(bytes_)))  # type: ignore[arg-type]
        monkeypatch.setattr("sys.stdin", raw)
        assert run("-", "--count", "2") == 0
        out = capsys.readouterr().out
        assert f"Chosen from 2 {name}" in " ".join(out.split())


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        (("nowhere.pgn",), "nowhere.pgn: no such file"),
        ((FEN, "-o", "sheet.doc"), "sheet.doc: end the name in"),
        ((FEN, "--format", "pgn"), "--format needs -o"),
        (("8/8/8/8/8/8/8/8 w - - 0 1",), "illegal position"),
        (("8/8/8/4k3/8/8/3QK3/8 w - - 0 1",), "no exercise found"),
        ((FEN, "--theme", "queens"), "no exercise found"),
    ],
)
def test_trouble_is_one_line_and_2(
    arguments: tuple[str, ...],
    message: str,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    monkeypatch.chdir(tmp_path)
    assert run(*arguments) == 2
    taken = capsys.readouterr()
    assert message in taken.err
    assert len(taken.err.splitlines()) == 1
    assert "Traceback" not in taken.err
    assert list(tmp_path.iterdir()) == []


def test_empty_folder_and_own_input(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert run(str(tmp_path)) == 2
    assert "no .pgn or .epd file" in capsys.readouterr().err
    mine = tmp_path / "mine.epd"
    shutil.copy(DATA / "exercises.epd", mine)
    before = mine.read_bytes()
    assert run(str(mine), "-o", str(mine)) == 2
    assert "is the input" in capsys.readouterr().err
    assert mine.read_bytes() == before


def test_a_bad_line_is_named_and_the_rest_is_used(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = tmp_path / "mixed.epd"
    path.write_text(f"{FEN}\nrubbish\n", encoding="utf-8")
    assert run(str(path)) == 2
    taken = capsys.readouterr()
    assert "line 2" in taken.err
    assert "There is only one move" in taken.out
