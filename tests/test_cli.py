"""The command line: exit codes, streams, files, odd input.  Runs in this process."""

from __future__ import annotations

import gzip
import io
import json
import os
import subprocess
import sys
from pathlib import Path

import chess.pgn
import pytest
from cli_help import SHORT, run

from convert.model import from_json, to_json

DEMO = Path(__file__).parent.parent / "demo_games"
BROKEN = """[Event "?"]
[Result "*"]

1. e4 e5 2. Qxh7 Nc6 *
"""


@pytest.fixture
def short(tmp_path: Path) -> Path:
    path = tmp_path / "short.pgn"
    path.write_text(SHORT, encoding="utf-8")
    return path


def test_version_and_help(capsys: pytest.CaptureFixture[str]) -> None:
    code, out, _ = run(["--version"], capsys)
    assert code == 0
    assert out.startswith("fullpoint, version ")
    for args in (
        ["-h"],
        ["--help"],
        ["game", "-h"],
        ["position", "-h"],
        ["tables", "-h"],
        ["tables", "check", "-h"],
    ):
        code, out, _ = run(args, capsys)
        assert code == 0
        assert "Usage: fullpoint" in out


def test_game_reports_to_standard_output_alone(
    short: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    code, out, err = run(["game", str(short)], capsys)
    assert (code, err) == (0, "")
    assert "Where it slipped" in out
    assert max(len(line) for line in out.splitlines()) <= 80


def test_game_from_standard_input_and_compressed(
    tmp_path: Path, short: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    _, plain, _ = run(["game", str(short)], capsys)
    packed = tmp_path / "short.pgn.gz"
    packed.write_bytes(gzip.compress(short.read_bytes()))
    _, zipped, _ = run(["game", str(packed)], capsys)
    code, piped, _ = run(["game", "-"], capsys, short.read_bytes())
    assert code == 0
    body = plain.split("\n", 2)[2]
    assert zipped.split("\n", 2)[2] == body
    assert piped.split("\n", 2)[2] == body


def test_a_bad_game_is_named_and_the_others_are_done(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = tmp_path / "mixed.pgn"
    path.write_text(BROKEN + "\n" + SHORT, encoding="utf-8")
    code, out, err = run(["game", str(path)], capsys)
    assert code == 2
    assert "game 1" in err
    assert "Qxh7" in err
    assert str(path) in err
    assert "game 2" in out
    assert "Traceback" not in err


@pytest.mark.parametrize(
    "args",
    [
        ["game", "no/such/file.pgn"],
        ["game", "."],
        ["position", "8/8/8/8/8/8/8/8 w - - 0 1"],
        ["position", "nonsense"],
        ["position", "4k3/8/8/8/8/8/8/4K2R w K - 0 1", "--tables", "no/such/folder"],
        ["position", "--epd", "no/such/file.epd"],
        ["tables", "check", "no/such/folder"],
        ["--config", "no/such.toml", "tables"],
        ["game", "--no-such-option"],
        ["no-such-command"],
    ],
)
def test_trouble_is_one_line_and_exit_code_2(
    args: list[str], capsys: pytest.CaptureFixture[str]
) -> None:
    code, _, err = run(args, capsys)
    assert code == 2
    assert err.strip()
    assert "Traceback" not in err
    if not err.startswith("Usage"):
        assert len(err.strip().splitlines()) == 1


def test_json_is_the_whole_review(
    tmp_path: Path, short: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    out_file = tmp_path / "out.json"
    code, _, _ = run(["game", str(short), "--json", str(out_file), "-q"], capsys)
    assert code == 0
    document = json.loads(out_file.read_text(encoding="utf-8"))
    assert document["schema"] == 1
    (review,) = document["reviews"]
    again = from_json(json.dumps(review))
    assert json.loads(to_json(again)) == review
    assert again.plies[0].san == "Kd3"


def test_json_of_another_schema_is_refused() -> None:
    with pytest.raises(ValueError, match="schema 99"):
        from_json('{"schema": 99}')
    with pytest.raises(ValueError, match=r"\w"):
        from_json("not json")


def test_pgn_keeps_the_authors_words_and_reads_again(
    tmp_path: Path, short: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    out_file = tmp_path / "out.pgn"
    code, _, _ = run(["game", str(short), "--pgn", str(out_file), "-q"], capsys)
    assert code == 0
    text = out_file.read_text(encoding="utf-8")
    assert max(len(line) for line in text.splitlines()) < 80
    game = chess.pgn.read_game(io.StringIO(text))
    assert game is not None
    assert not game.errors
    old = chess.pgn.read_game(io.StringIO(SHORT))
    assert old is not None
    assert list(game.mainline_moves()) == list(old.mainline_moves())
    assert "holds nothing yet" in game.next().comment  # type: ignore[union-attr]
    for node in game.mainline():
        assert all(0 <= nag <= 139 for nag in node.nags)


def test_outputs_are_whole_or_not_at_all(
    tmp_path: Path, short: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    target = tmp_path / "kept.json"
    target.write_text("what stood here", encoding="utf-8")
    code, _, _ = run(["game", str(tmp_path / "none.pgn"), "--json", str(target)], capsys)
    assert code == 2
    code, _, err = run(["game", str(short), "--json", str(tmp_path / "no" / "x.json")], capsys)
    assert code == 2
    assert "cannot be written" in err
    code, _, err = run(["game", str(short), "--pgn", str(short)], capsys)
    assert code == 2
    assert short.read_text(encoding="utf-8") == SHORT
    assert not [p for p in tmp_path.iterdir() if p.name.startswith(".")]


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="no /dev/full here")
def test_full_disk(short: Path) -> None:
    """Standard output that takes no more ends in one line and code 2."""
    with open("/dev/full", "w") as full:
        done = subprocess.run(
            [sys.executable, "-m", "convert", "game", str(short)],
            stdout=full,
            stderr=subprocess.PIPE,
            text=True,
            check=False,
        )
    assert done.returncode == 2
    assert "Traceback" not in done.stderr
    assert "No space left" in done.stderr


def test_reader_gone(short: Path) -> None:
    """`fullpoint ... | head -1` ends quietly."""
    done = subprocess.run(
        f"{sys.executable} -m convert game {short} | head -1",
        shell=True,
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.stderr == ""
    assert done.stdout.count("\n") == 1
    fen = "8/8/8/4k3/8/4K3/4P3/8 w - - 0 1"
    done = subprocess.run(
        [
            "bash",
            "-o",
            "pipefail",
            "-c",
            f"{sys.executable} -m convert position '{fen}' | grep -q Drawn",
        ],
        capture_output=True,
        text=True,
        check=False,
    )
    assert (done.returncode, done.stderr) == (0, "")


def test_fail_on(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    slip = SHORT.replace("1. Kd3", "1. Kf3").replace(
        "Kd5 2. e3 Ke5 3. e4 Ke6 4. Kd4 Kd6 5. e5+ Ke6", "Kd4 2. Kf4 Kd5 3. e4+"
    )
    path = tmp_path / "slip.pgn"
    path.write_text(slip, encoding="utf-8")
    code, out, _ = run(["game", str(path)], capsys)
    assert code == 0
    code, out, _ = run(["game", str(path), "--fail-on", "slip"], capsys)
    certain = ", certain" in out
    assert code == (1 if certain else 0)
    assert certain


def test_game_number_out_of_range(short: Path, capsys: pytest.CaptureFixture[str]) -> None:
    code, _, err = run(["game", str(short), "--game", "7"], capsys)
    assert code == 2
    assert "no game 7" in err


def test_position_unquoted_four_fields_and_stdin(capsys: pytest.CaptureFixture[str]) -> None:
    fen = "8/8/8/4k3/8/4K3/4P3/8 w - -"
    code, out, _ = run(["position", *fen.split()], capsys)
    assert code == 0
    assert "Drawn (table)" in out
    assert "clock" in out
    code, out, _ = run(["position", "-"], capsys, (fen + "\n" + "junk\n").encode())
    assert code == 2
    assert "Drawn (table)" in out


def test_position_tells_what_decides(capsys: pytest.CaptureFixture[str]) -> None:
    _, out, _ = run(["position", "8/8/8/4k3/8/4K3/4P3/8 w - - 0 1"], capsys)
    assert "Black to move: White wins" in out
    assert max(len(line) for line in out.splitlines()) <= 80


def test_position_says_why_no_table_answers(capsys: pytest.CaptureFixture[str]) -> None:
    _, out, _ = run(["position", "4k3/8/8/8/8/8/8/4K2R w K - 0 1", "--no-variants"], capsys)
    assert "may still castle" in " ".join(out.split())
    _, out, _ = run(["position", "8/8/4k3/4n3/8/4K3/4P3/4R3 b - - 0 1", "--no-variants"], capsys)
    assert "no table for KRPvKN" in " ".join(out.split())


def test_position_json(capsys: pytest.CaptureFixture[str]) -> None:
    code, out, _ = run(["position", "8/8/8/4k3/8/4K3/4P3/8 w - - 0 1", "--json", "-"], capsys)
    assert code == 0
    report = json.loads(out)
    assert report["verdict"]["evidence"] == "table"
    assert {v["kind"] for v in report["variants"]} >= {"move", "king", "pawn"}


def test_fifty_move_words(capsys: pytest.CaptureFixture[str]) -> None:
    # K+B+N v K far from mate with 60 plies gone: won by force, but not in time.
    _, out, _ = run(["position", "8/8/8/3k4/8/8/8/KBN5 w - - 60 90"], capsys)
    assert "fifty-move rule" in out


def test_tables_lists_missing(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    code, out, _ = run(["tables", "--fen", "8/8/4k3/4n3/8/4K3/4P3/4R3 w - - 0 1"], capsys)
    assert code == 0
    assert "KRPvKN" in out
    code, out, _ = run(["tables"], capsys)
    assert "70 files" in out
    code, out, _ = run(["tables", "check"], capsys)
    assert code == 0
    assert "70 of 70" in out
    bad = tmp_path / "KQvK.rtbw"
    bad.write_bytes(b"not a table")
    code, out, _ = run(["tables", "check", str(tmp_path)], capsys)
    assert code == 2
    assert "KQvK.rtbw" in out


def test_settings_file_and_environment(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    folder = tmp_path / "mine"
    folder.mkdir()
    config = tmp_path / "c.toml"
    config.write_text(f'tables = ["{folder}"]\n', encoding="utf-8")
    monkeypatch.setenv("FULLPOINT_TABLES", os.pathsep.join([str(folder), str(tmp_path)]))
    code, _, _ = run(["tables"], capsys)
    assert code == 0
    monkeypatch.delenv("FULLPOINT_TABLES")
    code, _, _ = run(["--config", str(config), "tables"], capsys)
    assert code == 0
    config.write_text(f'tables = ["{tmp_path / "gone"}"]\n', encoding="utf-8")
    code, _, err = run(["--config", str(config), "tables"], capsys)
    assert code == 2
    assert "gone" in err
    config.write_text("not = toml = at all", encoding="utf-8")
    code, _, err = run(["--config", str(config), "tables"], capsys)
    assert code == 2


def test_plain_when_colour_is_unwanted(short: Path) -> None:
    env = {**os.environ, "NO_COLOR": "1", "COLUMNS": "60"}
    done = subprocess.run(
        [sys.executable, "-m", "convert", "game", short.name],
        capture_output=True,
        text=True,
        check=True,
        env=env,
        cwd=short.parent,
    )
    assert "\x1b[3" not in done.stdout
    assert max(len(line) for line in done.stdout.splitlines()) <= 60


@pytest.mark.slow
@pytest.mark.parametrize("path", sorted(DEMO.glob("*.pgn")), ids=lambda p: p.stem)
def test_demo_games_run(path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    code, out, err = run(["game", str(path)], capsys)
    assert (code, err) == (0, "")
    assert max(len(line) for line in out.splitlines()) <= 80
