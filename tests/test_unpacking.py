"""Compressed files that unpack to far more than their size: one clear line, and no full disk."""

from __future__ import annotations

import gzip
import io
import itertools
import sys
from pathlib import Path

import pytest
import zstandard

from convert.cli import main
from convert.reading import containers
from convert.reading.containers import LIMIT_NAME, text_chunks, unpacking_limit
from convert.reading.fen import SourceError
from convert.reading.games import read_games

GAME = b'[Event "?"]\n[Result "*"]\n\n1. e4 e5 *\n\n'
GAMES = 200 * GAME


def squeezed(kind: str, data: bytes) -> bytes:
    return gzip.compress(data) if kind == "gz" else zstandard.compress(data)


@pytest.fixture(params=["gz", "zst"])
def bomb(request: pytest.FixtureRequest, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Some games, then spaces without end; the free room is made small to keep the test short."""
    monkeypatch.chdir(tmp_path)
    monkeypatch.setattr(containers, "FREE_UNPACKED", 1 << 20)
    path = tmp_path / f"bomb.pgn.{request.param}"
    path.write_bytes(squeezed(request.param, GAMES + (b" " * 79 + b"\n") * 40_000))
    return path


def failure(capsys: pytest.CaptureFixture[str], *args: str) -> list[str]:
    with pytest.raises(SystemExit) as left:
        main(list(args))
    err = capsys.readouterr().err
    assert left.value.code == 2, err
    assert "unforeseen" not in err
    return err.splitlines()


WORDS = f"unpacks to more than 100 times its size; {LIMIT_NAME} sets the GB allowed"


def test_the_games_before_it_are_read(bomb: Path, capsys: pytest.CaptureFixture[str]) -> None:
    reads = read_games(bomb)
    found = list(itertools.islice(reads, 200))
    assert len(found) == 200
    assert all(read.complete for read in found)
    with pytest.raises(SourceError, match="unpacks to more than 100 times its size"):
        next(reads)
    assert failure(capsys, "game", bomb.name, "-q", "--game", "201") == [
        f"fullpoint: error: {bomb.name}: damaged after 200 games: {WORDS}"
    ]


def test_the_other_commands(bomb: Path, capsys: pytest.CaptureFixture[str]) -> None:
    for args in (["proofread", "-q"], ["lesson", "-q"], ["tables", "--for"]):
        assert any(
            WORDS in line and bomb.name in line for line in failure(capsys, *args, bomb.name)
        ), args


def test_from_standard_input(
    bomb: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr(sys, "stdin", io.TextIOWrapper(io.BytesIO(bomb.read_bytes())))
    told = failure(capsys, "game", "-", "-q", "--game", "201")
    assert told == [f"fullpoint: error: standard input: damaged after 200 games: {WORDS}"]


def test_a_collection_goes_on_with_the_others(
    bomb: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    pytest.importorskip("pyarrow")
    Path("good.pgn").write_bytes(GAMES)
    args = ["collection", bomb.name, "good.pgn", "-o", "out", "--effort", "walk", "--jobs", "1"]
    told = failure(capsys, *args)
    assert told[0] == f"fullpoint: error: {bomb.name}: {WORDS}"
    assert "200 games of 2 files" in told[1]
    assert not list(Path("out").rglob("unpacked-*"))
    # With more allowed the same command does it.
    with pytest.MonkeyPatch.context() as more:
        more.setenv(LIMIT_NAME, "1")
        with pytest.raises(SystemExit) as left:
            main(args)
    assert not left.value.code
    assert "400 games of 2 files" in capsys.readouterr().err


def test_nothing_is_left_of_what_was_refused(bomb: Path, tmp_path: Path) -> None:
    from convert.collection.parts import unpack

    target = tmp_path / "text"
    with pytest.raises(SourceError, match="unpacks to more than"):
        unpack(str(bomb), target)
    assert not target.exists()


def test_what_repeats_itself_a_little_is_read(tmp_path: Path) -> None:
    """Below 67 MB the ratio does not count: 200 times the same game shrink to a hundredth."""
    path = tmp_path / "same.pgn.gz"
    path.write_bytes(gzip.compress(100 * GAMES))
    assert path.stat().st_size * 100 < len(100 * GAMES)
    assert sum(map(len, text_chunks(path))) == len(100 * GAMES)


@pytest.mark.parametrize(("text", "limit"), [("2", 2 * 10**9), ("0.5", 5 * 10**8), ("", None)])
def test_the_limit_of_the_user(
    monkeypatch: pytest.MonkeyPatch, text: str, limit: int | None
) -> None:
    monkeypatch.setenv(LIMIT_NAME, text)
    assert unpacking_limit() == limit


def test_a_lower_limit(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    path = tmp_path / "a.pgn.gz"
    path.write_bytes(gzip.compress(GAMES * 50))
    monkeypatch.setenv(LIMIT_NAME, "0.0001")
    told = failure(capsys, "game", str(path), "-q", "--game", "999999")
    assert "unpacks to more than 0.0001 GB" in told[-1]
    assert str(path) in told[-1]


@pytest.mark.parametrize("text", ["nan", "inf", "-1", "0", "x", "1e999", "9" * 5000])
def test_a_limit_that_is_none(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str], text: str
) -> None:
    path = tmp_path / "a.pgn.gz"
    path.write_bytes(gzip.compress(GAMES))
    monkeypatch.setenv(LIMIT_NAME, text)
    (told,) = failure(capsys, "game", str(path), "-q")
    assert told == f"fullpoint: error: {LIMIT_NAME}: {text!r} is not a number of GB above 0"
