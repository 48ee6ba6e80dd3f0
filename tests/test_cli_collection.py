"""``fullpoint collection`` at the command line: what it says, and how it leaves."""

from __future__ import annotations

import os
import pty
import re
import signal
import subprocess
import sys
from pathlib import Path

import pytest

pytest.importorskip("pyarrow")

from collection_help import ROOT, call, names, places, rows, some_games

import convert.collection.run as running
from convert.cli import collection as cli
from convert.cli import main
from convert.collection import work


@pytest.fixture
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.chdir(tmp_path)
    (tmp_path / "games").mkdir()
    (tmp_path / "games" / "a.pgn").write_text(some_games(6), encoding="utf-8")
    (tmp_path / "games" / "b.pgn").write_text(some_games(4, 6), encoding="utf-8")
    return tmp_path


def test_a_folder_of_games_with_one_command(
    folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert call("games", "-o", "out", "--effort", "walk", "--jobs", "1") == 0
    told = capsys.readouterr()
    assert told.out == ""
    assert re.fullmatch(
        r"fullpoint: out: 10 games of 2 files; 10 done now in [\d.]+ m?s?(in)?, [\d,.]+ a "
        r"(second|minute)(; \d+ remarks? in the table errors)?\n",
        told.err,
    ), told.err
    assert len(places(folder / "out")) == 10
    assert call("games", "-o", "out", "--effort", "walk") == 0
    assert "10 games of 2 files; nothing was left to do" in capsys.readouterr().err
    assert call("games", "-o", "out", "--effort", "walk", "-q") == 0
    assert capsys.readouterr().err == ""


def test_the_report_in_the_same_command(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    page = folder / "page.html"
    assert call("games", "-o", "out", "--effort", "walk", "--jobs", "1", "--html", str(page)) == 0
    told = capsys.readouterr()
    assert page.read_text(encoding="utf-8").lower().startswith("<!doctype html>")
    assert "10" in told.out
    assert call("report", "out", "--json", "-") == 0
    assert capsys.readouterr().out.startswith("{")


def test_help_names_both_commands(capsys: pytest.CaptureFixture[str]) -> None:
    assert call("-h") == 0
    text = capsys.readouterr().out
    assert text.startswith("Usage: fullpoint collection [OPTIONS] PATH...")
    assert "fullpoint collection report" in text
    assert "--part-bytes" not in text
    assert call("report", "-h") == 0
    assert capsys.readouterr().out.startswith("Usage: fullpoint collection report [OPTIONS] OUT")
    assert call() == 2
    assert "PATH" in capsys.readouterr().out


def test_every_option_is_documented() -> None:
    page = (ROOT / "docs" / "cli.md").read_text(encoding="utf-8")
    for parameter in cli.run.params:
        longest = max(parameter.opts, key=len)
        if longest.startswith("--") and not getattr(parameter, "hidden", False):
            assert longest in page, longest


@pytest.mark.parametrize(
    ("args", "said"),
    [
        (["games"], "no folder is given: -o OUT"),
        (["-o", "out"], "no PATH is given"),
        (["missing.pgn", "-o", "out"], "missing.pgn: no such file or folder"),
        (["games/a.pgn", "-o", "games"], "games/a.pgn: lies in the folder of the collection"),
        (["games/a.pgn", "-o", "."], "games/a.pgn: lies in the folder of the collection"),
        (["games/a.pgn", "-o", "full"], "full: is not empty and holds no collection"),
        (["games", "-o", "games"], "games: is the folder of the collection"),
        (["games", "-o", "out", "--jobs", "2", "--cluster", "tcp://h:1"], "--jobs is for this"),
        (["games", "-o", "out", "--tables", "nowhere"], "nowhere: no such folder of tables"),
        (["games", "-o", "out", "--effort", "long"], "'long' is not one of"),
        (["games/a.pgn", "-o", "out", "--html", "games/a.pgn"], "games/a.pgn: is the input"),
        (["report", "nothing"], "nothing: holds no collection"),
    ],
)
def test_what_cannot_be(
    folder: Path, args: list[str], said: str, capsys: pytest.CaptureFixture[str]
) -> None:
    (folder / "full").mkdir()
    (folder / "full" / "letter.txt").write_text("my own", encoding="utf-8")
    assert call(*args) == 2
    told = capsys.readouterr()
    assert said in told.err
    assert "Traceback" not in told.err
    assert not (folder / "out" / "games").exists()


@pytest.mark.parametrize("module", ["pyarrow", "distributed"])
def test_a_missing_extra(
    folder: Path, module: str, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    import importlib.util

    real = importlib.util.find_spec
    monkeypatch.setattr(
        importlib.util, "find_spec", lambda name, *more: None if name == module else real(name)
    )
    assert call("games", "-o", "out", "--cluster", "tcp://127.0.0.1:1") == 2
    told = capsys.readouterr().err
    extra = "collection" if module == "pyarrow" else "cluster"
    assert told.endswith(f"pip install 'fullpoint[{extra}]'\n")
    assert told.count("\n") == 1


def test_other_options_than_before(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert call("games/a.pgn", "-o", "out", "--effort", "walk", "--jobs", "1") == 0
    capsys.readouterr()
    assert call("games", "-o", "out", "--effort", "quick", "--no-solve") == 2
    assert capsys.readouterr().err == (
        "fullpoint: error: out: was made with effort walk, not quick; give another folder, or "
        "--again to make it anew\n"
    )
    text = '[White "Dole, Hal"]\n[Black "Marrin, Osgood"]\n\n1. e4 *\n'
    (folder / "games" / "names.pgn").write_text(text, encoding="utf-8")
    assert (
        call(
            "games",
            "-o",
            "out",
            "--effort",
            "walk",
            "--again",
            "--anonymous",
            "hashed",
            "--jobs",
            "1",
        )
        == 0
    )
    assert "keep it to yourself" in capsys.readouterr().err
    found = {row["white"] for row in rows(folder / "out")["games"]}
    assert all(name is None or name.startswith("player ") for name in found)
    assert len(found) == 2


def test_a_file_that_is_none_is_named_and_the_others_are_done(
    folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (folder / "games" / "c.pgn").write_text("Dear diary\n", encoding="utf-8")
    assert call("games", "-o", "out", "--effort", "walk", "--jobs", "1") == 2
    told = capsys.readouterr().err
    assert "fullpoint: error: games/c.pgn: no game found: not a PGN file\n" in told
    assert "10 games of 3 files" in told
    assert len(places(folder / "out")) == 10


def test_a_full_disk(
    folder: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    def full(*_: object) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(work, "write_rows", full)
    assert call("games", "-o", "out", "--effort", "walk", "--jobs", "1") == 2
    told = capsys.readouterr().err
    assert told == "fullpoint: error: out: No space left on device\n"


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="no such device")
def test_a_full_disk_as_the_system_tells_it(
    folder: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """Whatever Arrow makes of the system's error, one line comes of it."""
    import pyarrow.parquet as pq

    real = pq.ParquetWriter
    monkeypatch.setattr(pq, "ParquetWriter", lambda _, *more, **kw: real("/dev/full", *more, **kw))
    assert call("games", "-o", "out", "--effort", "walk", "--jobs", "1") == 2
    told = capsys.readouterr().err
    assert told.startswith("fullpoint: error: ")
    assert told.count("\n") == 1
    assert "No space left on device" in told


def test_interrupted(
    folder: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    calls: list[object] = []
    real = running.do_unit

    def stop(*args: object) -> object:
        calls.append(args)
        if len(calls) > 1:
            raise KeyboardInterrupt
        return real(*args)  # type: ignore[arg-type]

    monkeypatch.setattr(running, "do_unit", stop)
    parts = ("--part-bytes", "500")
    args = ("games", "-o", "out", "--effort", "walk", "--jobs", "1", *parts)
    assert call(*args) == 130
    assert capsys.readouterr().err == (
        "fullpoint: interrupted; what is finished is kept in out, and the same command goes on "
        "with it\n"
    )
    monkeypatch.setattr(running, "do_unit", real)
    assert 0 < len(places(folder / "out")) < 10
    assert call(*args) == 0
    assert len(places(folder / "out")) == 10


def test_settings_of_the_command(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    config = folder / "set.toml"
    config.write_text('[collection]\neffort = "walk"\njobs = 1\n', encoding="utf-8")
    with pytest.raises(SystemExit) as left:
        main(["--config", str(config), "collection", "games", "-o", "out"])
    assert not left.value.code
    assert {row["effort"] for row in rows(folder / "out")["games"]} == {"walk"}


@pytest.mark.slow
def test_progress_on_a_terminal(folder: Path) -> None:
    """Games, rate, share on one line; an interrupt there ends with 130 and can be gone on with."""
    # Enough for seconds: what is over before the interrupt comes cannot be interrupted.
    (folder / "games" / "many.pgn").write_text(some_games(100) * 10, encoding="utf-8")
    ours, theirs = pty.openpty()
    args = [
        sys.executable,
        "-m",
        "convert",
        "collection",
        "games",
        "-o",
        "out",
        "--effort",
        "walk",
        "--jobs",
        "1",
        "--part-bytes",
        "5000",
    ]
    process = subprocess.Popen(args, cwd=folder, stderr=theirs, stdout=subprocess.PIPE)
    os.close(theirs)
    seen = b""
    while b"% done, about" not in seen:
        seen += os.read(ours, 1000)
    process.send_signal(signal.SIGINT)
    while True:
        try:
            more = os.read(ours, 1000)
        except OSError:
            break
        if not more:
            break
        seen += more
    assert process.wait(60) == 130
    text = seen.decode()
    assert re.search(r"\d+ games?, [\d.,]+ a (second|minute), \d+% done, about \d", text)
    assert "interrupted; what is finished is kept in out" in text
    before = len(places(folder / "out"))
    done = subprocess.run([*args, "-q"], cwd=folder, capture_output=True, text=True, check=True)
    assert done.stderr == ""
    assert before < len(places(folder / "out")) == 1010
    assert not any("tmp" in name for name in names(folder / "out"))
