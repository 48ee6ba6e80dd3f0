"""``fullpoint play``: scripts, files, errors, and a real terminal for the interrupt."""

from __future__ import annotations

import contextlib
import io
import os
import re
import subprocess
import sys
import time
from collections.abc import Callable
from datetime import datetime
from pathlib import Path

import chess
import chess.pgn
import pytest

from convert.cli import main, play_session
from convert.judging.judges import after_move
from tablebases.probing import open_tables

KRK = "8/8/8/4k3/8/2K5/8/R7 w - - 0 1"
KPK = "8/8/8/3k4/8/3K4/3P4/8 w - - 0 1"
MATE_IN_ONE = "k7/8/1K6/8/8/8/8/7R w - - 0 1"
OPENING = "r1bqkb1r/pppp1ppp/2n2n2/4p3/2B1P3/5N2/PPPP1PPP/RNBQK2R w KQkq - 4 4"


class _Script(io.TextIOWrapper):
    """Standard input that is no terminal."""


def run(
    args: list[str], capsys: pytest.CaptureFixture[str], script: str | bytes = ""
) -> tuple[int, str, str]:
    """Exit code, standard output, standard error of one call fed with a script."""
    data = script.encode() if isinstance(script, str) else script
    old, sys.stdin = sys.stdin, _Script(io.BytesIO(data), encoding="utf-8")
    try:
        with pytest.raises(SystemExit) as left:
            main(["play", *args])
    finally:
        sys.stdin = old
    out, err = capsys.readouterr()
    code = left.value.code
    return (code if isinstance(code, int) else 0), out, err


@pytest.fixture(autouse=True)
def here(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Every test plays in an empty folder, on one day."""
    monkeypatch.chdir(tmp_path)
    monkeypatch.setattr(play_session, "_now", lambda: datetime(2026, 3, 7, 19, 30, 5))
    return tmp_path


def game_of(path: Path) -> chess.pgn.Game:
    with path.open(encoding="utf-8") as file:
        game = chess.pgn.read_game(file)
        assert game is not None
        assert not game.errors
        assert chess.pgn.read_game(file) is None
    return game


def flat(text: str) -> str:
    """The text with its line breaks gone."""
    return " ".join(text.split())


def test_a_script_is_played_and_summed_up(
    capsys: pytest.CaptureFixture[str], here: Path, gold: Callable[[str, str], None]
) -> None:
    script = "how\nhint\nKe5\nback\n1...Kc5 Kd5  # two moves in a row\nKe5 Kd5\nmoves\nresign\n"
    code, out, err = run(
        [KPK, "--side", "black", "--tell", "always", "-o", "out.pgn"], capsys, script
    )
    assert (code, err) == (0, "")
    gold("play-kpk.txt", out)
    gold("play-kpk.pgn", (here / "out.pgn").read_text(encoding="utf-8"))
    assert "Taken back: 1...Ke5 (a slip)." in flat(out)
    assert "In the last position Black had a draw (table); the result gave that up." in flat(out)


def test_krk_by_a_perfect_script_needs_no_move_more(capsys: pytest.CaptureFixture[str]) -> None:
    """The player's moves are found move by move with the tables, the replies by the command."""
    prober = open_tables()
    board = chess.Board("1k6/8/2K5/8/8/8/8/7R w - - 0 1")
    moves: list[str] = []
    text = ""
    for _ in range(20):
        move = min(
            (m for m in board.legal_moves if not after_move(board, m).is_stalemate()),
            key=lambda m: (
                0 if after_move(board, m).is_checkmate() else 1,
                prober.distance(after_move(board, m)).least
                if prober.wdl_after_zeroing(after_move(board, m)) == -2
                else 999,
                m.uci(),
            ),
        )
        moves.append(board.san(move))
        code, text, err = run([board.root().fen(), "-o", "-"], capsys, "\n".join(moves))
        assert (code, err) == (0, "")
        game = chess.pgn.read_game(io.StringIO(text))
        assert game is not None
        board = game.end().board()
        if board.is_checkmate():
            break
    assert '[Result "1-0"]' in text
    assert "Moves more than needed on the way to mate: none." in flat(text)
    assert (len(moves) * 2 - 1) == prober.distance(board.root()).plies


def test_the_fen_may_be_given_in_words(capsys: pytest.CaptureFixture[str]) -> None:
    code, out, _ = run(KRK.split(), capsys, "Kd3\n")
    assert code == 0
    assert "You have White; Black is played by fullpoint." in flat(out)
    assert "1.Kd3 K" in out
    assert "The game is not finished." in out


def test_nothing_is_said_of_the_outcome_unless_asked(capsys: pytest.CaptureFixture[str]) -> None:
    code, out, _ = run([KRK], capsys, "Kd3\n")
    told, _, summed = out.partition("The game is not finished.")
    assert code == 0
    assert "wins" not in told
    assert "White wins (table)" in summed
    _, out, _ = run([KRK, "--tell", "slips"], capsys, "Kd3\n")
    assert "keeps it" not in out
    _, out, _ = run([KRK, "--tell", "never"], capsys, "tell always\nKd3\n")
    assert "1.Kd3 keeps it: White wins (table)." in out


def test_slips_are_marked_in_the_pgn(capsys: pytest.CaptureFixture[str], here: Path) -> None:
    code, _, err = run([KRK, "-o", "out.pgn", "--tell", "slips"], capsys, "Kd3 Rd1 Rd2\n")
    assert code == 0, err
    game = game_of(here / "out.pgn")
    tags = game.headers
    assert (tags["White"], tags["Black"], tags["Date"]) == ("Player", "fullpoint", "2026.03.07")
    assert (tags["SetUp"], tags["FEN"], tags["Result"]) == ("1", KRK, "*")
    assert tags["Termination"] == "unterminated"

    code, _, err = run([KPK, "-o", "slip.pgn", "--side", "black"], capsys, "Ke5\n")
    assert code == 0, err
    game = game_of(here / "slip.pgn")
    node = game.next()
    assert node is not None
    slip = node.next()
    assert slip is not None
    assert 4 in slip.nags
    assert "Only 1...Kc5 held." in flat(slip.comment)
    assert len(node.variations) == 2
    assert node.variations[1].san() == "Kc5"
    text = (here / "slip.pgn").read_text(encoding="utf-8")
    assert "[%" not in text
    assert all(len(line) < 80 for line in text.splitlines())


def test_an_end_by_mate(capsys: pytest.CaptureFixture[str], here: Path) -> None:
    code, out, err = run([MATE_IN_ONE, "-o", "out.pgn", "--tell", "always"], capsys, "rh8\n")
    assert (code, err) == (0, "")
    assert "1.Rh8#: checkmate." in out
    assert "Checkmate: White wins. 1-0" in out
    assert "Moves more than needed on the way to mate: none." in flat(out)
    game = game_of(here / "out.pgn")
    assert game.headers["Result"] == "1-0"
    assert game.headers["Termination"] == "normal"


def test_draws_by_the_laws(capsys: pytest.CaptureFixture[str]) -> None:
    shuffle = "Ra2 Ra1 " * 6
    code, out, err = run([KRK], capsys, shuffle.replace(" ", "\n"))
    assert code == 2
    assert "Drawn: Black claims" in out
    assert "the third appearance of the position. 1/2-1/2" in flat(out)
    assert "In the last position White was winning (table); the result gave that up." in flat(out)
    assert "the game is over; 'back' takes your last move back" in err

    late = "8/8/8/4k3/8/2K5/8/R7 b - - 99 120"
    code, out, err = run([late, "--side", "black"], capsys, "draw\ndraw Ke4\n")
    assert (code, err) == (0, "")
    assert "Nothing was offered: you may claim a draw by announcing a move" in flat(out)
    assert "Drawn: Black claims, announcing Ke4, fifty moves by each side" in flat(out)

    early = "8/8/8/4k3/8/2K5/8/R7 b - - 3 120"
    code, out, err = run([early, "--side", "black"], capsys, "draw\ndraw Ke4\nhow\n")
    assert (code, err) == (0, "")
    assert "White plays on." in out
    assert "No claim: after Ke4 the position stands for the first time, and it is 4 plies" in flat(
        out
    )

    code, out, _ = run([KPK], capsys, "draw\n")
    assert "Drawn: Black takes the draw. 1/2-1/2" in out


def test_back_after_the_end_goes_on(capsys: pytest.CaptureFixture[str], here: Path) -> None:
    stale = "k7/8/1K6/8/8/8/8/2Q5 w - - 0 1"
    code, out, err = run([stale, "-o", "out.pgn"], capsys, "Qc7\nback\nQc8\n")
    assert (code, err) == (0, "")
    assert "Stalemate: drawn. 1/2-1/2" in out
    assert "Checkmate: White wins. 1-0" in out
    assert "Taken back: 1.Qc7 (a slip)." in flat(out)
    assert game_of(here / "out.pgn").headers["Result"] == "1-0"


@pytest.mark.parametrize(
    ("script", "message"),
    [
        ("Kd3\nKe5\n", "line 2: Ke5: "),
        ("# a remark\n\nfoo\n", "line 3: 'foo' is neither a move nor a command"),
        ("back\n", "line 1: back: there is no move of yours to take back"),
        ("back 0\n", "line 1: back: a number of moves from 1 on"),
        ("Kd3 Kd3\n", "line 1: Kd3: White's own king stands on d3"),
        ("hint me\n", "line 1: hint: 'me' is not understood"),
        ("tell maybe\n", "line 1: tell: always, slips or never"),
        ("board up\n", "line 1: board: "),
        ("resign\nresign\n", "line 2: resign: the game is over"),
        ("draw Ke5\n", "line 1: Ke5: "),
    ],
)
def test_what_cannot_be_done_ends_a_script(
    script: str, message: str, capsys: pytest.CaptureFixture[str], here: Path
) -> None:
    code, _, err = run([KRK, "-o", "out.pgn"], capsys, script)
    assert code == 2
    assert err.startswith("fullpoint: error: standard input: ")
    assert message in err
    assert err.count("\n") == 1
    game = game_of(here / "out.pgn")
    played = sum(1 for _ in game.mainline())
    assert played == (2 if script.startswith("Kd3") else 0)


def test_a_script_from_a_file(capsys: pytest.CaptureFixture[str], here: Path) -> None:
    (here / "moves.txt").write_text("\ufeffKd3\nquit\nnonsense\n", encoding="utf-8")
    code, out, err = run([KRK, "--moves", "moves.txt"], capsys)
    assert (code, err) == (0, "")
    assert "1.Kd3 " in out
    assert sorted(p.name for p in here.iterdir()) == ["moves.txt"]
    (here / "moves.txt").write_text("Kd3\nKe6\n", encoding="utf-8")
    code, _, err = run([KRK, "--moves", "moves.txt"], capsys)
    assert code == 2
    assert err.startswith("fullpoint: error: moves.txt: line 2: Ke6: ")


@pytest.mark.parametrize(
    ("args", "message"),
    [
        (["8/8/8/8 w - - 0 1"], "FEN: "),
        (["k7/2Q5/1K6/8/8/8/8/8 b - - 0 1"], "FEN: the game is over: stalemate"),
        ([], "give the position as a FEN"),
        ([KRK, "--moves", "none.txt"], "none.txt: cannot be read"),
        ([KRK, "-o", "no/folder/out.pgn"], "cannot be written (there is no folder no/folder)"),
        ([KRK, "-o", "."], ".: "),
        ([KRK, "--moves", "same.txt", "-o", "same.txt"], "same.txt: is the input"),
    ],
)
def test_bad_input_is_one_line(
    args: list[str], message: str, capsys: pytest.CaptureFixture[str], here: Path
) -> None:
    code, _, err = run(args, capsys, "Kd3\n")
    assert code == 2
    assert message in err
    assert err.count("\n") == 1
    assert not list(here.iterdir())


def test_a_script_that_is_no_text(capsys: pytest.CaptureFixture[str], here: Path) -> None:
    (here / "bad.txt").write_bytes(b"Kd3\n\xff\xfe\x00\n")
    code, _, err = run([KRK, "--moves", "bad.txt"], capsys)
    assert code == 2
    assert "not UTF-8 text" in err
    assert err.count("\n") == 1


def test_saving_never_replaces_a_file_that_was_not_named(
    capsys: pytest.CaptureFixture[str], here: Path
) -> None:
    (here / "mine.pgn").write_text("keep me", encoding="utf-8")
    (here / "fullpoint-play-20260307-193005.pgn").write_text("me too", encoding="utf-8")
    code, out, err = run([KRK], capsys, "Kd3\nsave mine.pgn\nRa5\nsave\n")
    assert (code, err) == (0, "")
    assert (here / "mine.pgn").read_text(encoding="utf-8") == "keep me"
    assert len(list(game_of(here / "mine-2.pgn").mainline())) == 4
    code, out, err = run([KRK], capsys, "Kd3\nsave\n")
    assert "Saved: fullpoint-play-20260307-193005-2.pgn" in out
    assert (here / "fullpoint-play-20260307-193005.pgn").read_text(encoding="utf-8") == "me too"
    code, out, err = run([KRK, "-o", "mine.pgn"], capsys, "Kd3\n")
    assert game_of(here / "mine.pgn").headers["Result"] == "*"


def test_without_o_a_script_leaves_no_file(capsys: pytest.CaptureFixture[str], here: Path) -> None:
    assert run([KRK], capsys, "Kd3\n")[0] == 0
    assert not list(here.iterdir())


def test_where_nothing_is_settled_the_estimate_says_so(capsys: pytest.CaptureFixture[str]) -> None:
    code, out, err = run(
        [OPENING, "--effort", "quick", "--tell", "always"], capsys, "how\nhint\nO-O\n"
    )
    assert (code, err) == (0, "")
    text = flat(out)
    assert "Black's replies rest on look-ahead and rules of thumb, an estimate." in text
    assert "Nothing is settled here: " in text
    assert "4.O-O: no certain slip; " in text
    assert "(table)" not in text


def test_a_suspected_slip_is_never_called_a_slip(
    capsys: pytest.CaptureFixture[str], here: Path
) -> None:
    """The queen put where a pawn takes it: only the estimate says that it is bad."""
    fen = "4k3/pppr1ppp/8/8/8/8/PPPQ1PPP/4K3 w - - 0 1"
    code, out, err = run(
        [fen, "--effort", "quick", "--tell", "slips", "-o", "out.pgn"], capsys, "Qd6\nback\nQd6\n"
    )
    assert (code, err) == (0, "")
    text = flat(out)
    assert "A suspected slip: " in text
    assert "A slip" not in text
    assert "(a slip)" not in text
    game = game_of(here / "out.pgn")
    assert "Suspected slips: " in flat(game.end().comment)
    assert "Slips: " not in flat(game.end().comment)
    assert not any(4 in node.nags for node in game.mainline())


def test_every_command_of_the_help_is_there(capsys: pytest.CaptureFixture[str]) -> None:
    code, out, err = run([KRK], capsys, "help\nrules\nboard\nboard on\nKd3\nboard off\nhow\n")
    assert (code, err) == (0, "")
    for name, _ in play_session.HELP:
        assert name in out
    assert out.count("a  b  c  d  e  f  g  h") == 3


# --- a real terminal ---------------------------------------------------------------------


class Terminal:
    """The command in a pseudo-terminal."""

    def __init__(self, folder: Path, *args: str):
        import pty

        self.parent, child = pty.openpty()
        environment = {**os.environ, "FULLPOINT_SOLVE": "0", "TERM": "dumb", "COLUMNS": "80"}
        root = str(Path(__file__).parent.parent)
        environment["PYTHONPATH"] = root
        self.process = subprocess.Popen(
            [sys.executable, "-m", "convert", "play", *args],
            stdin=child,
            stdout=child,
            stderr=child,
            cwd=folder,
            env=environment,
            start_new_session=True,
            preexec_fn=_own_terminal,
        )
        os.close(child)
        self.seen = ""

    def until(self, text: str, seconds: float = 20.0) -> None:
        """Read until the text appears after what was waited for before."""
        import select

        limit = time.monotonic() + seconds
        while text not in self.seen:
            assert time.monotonic() < limit, self.seen
            if select.select([self.parent], [], [], 0.2)[0]:
                try:
                    self.seen += os.read(self.parent, 4096).decode("utf-8", "replace")
                except OSError:
                    assert text in self.seen, self.seen
                    return
        self.seen = self.seen.partition(text)[2]

    def type(self, text: str) -> None:
        os.write(self.parent, text.encode())

    def interrupt_until(self, text: str) -> None:
        """Press Ctrl-C, again if need be, until the text appears.

        An interrupt between the prompt and the wait for a key is heard with the next key only
        (CPython's readline module selects without its signal mask).
        """
        for _ in range(4):
            time.sleep(0.3)
            self.type("\x03")
            with contextlib.suppress(AssertionError):
                self.until(text, 8.0)
                return
        raise AssertionError(self.seen)

    def close(self) -> int:
        try:
            return self.process.wait(timeout=20)
        finally:
            if self.process.poll() is None:
                self.process.kill()
            os.close(self.parent)


def _own_terminal() -> None:
    """Make standard input the controlling terminal, so that Ctrl-C is an interrupt.

    A shell that runs the tests in the background has interrupts ignored, and so would the child.
    """
    import fcntl
    import signal
    import termios

    signal.signal(signal.SIGINT, signal.SIG_DFL)
    fcntl.ioctl(0, termios.TIOCSCTTY, 0)


needs_pty = pytest.mark.skipif(sys.platform == "win32", reason="no pseudo-terminals")


@needs_pty
def test_ctrl_c_saves(here: Path) -> None:
    terminal = Terminal(here, KRK)
    terminal.until("1. ")
    terminal.type("Kd3\n")
    terminal.until("1.Kd3 K")
    terminal.until("2. ")
    terminal.interrupt_until("Saved: fullpoint-play-")
    terminal.until("fullpoint: interrupted")
    assert terminal.close() == 130
    (saved,) = here.glob("fullpoint-play-*.pgn")
    game = game_of(saved)
    assert next(iter(game.mainline())).san() == "Kd3"
    assert len(list(game.mainline())) == 2
    assert game.headers["Termination"] == "unterminated"


@needs_pty
def test_at_the_prompt_a_bad_move_is_explained_and_play_goes_on(here: Path) -> None:
    terminal = Terminal(here, MATE_IN_ONE, "-o", "out.pgn")
    terminal.until("1. ")
    terminal.type("Ka7\n")
    terminal.until("Ka7: the king would stand next to the other king")
    terminal.type("Rh8\n")
    terminal.until("Checkmate: White wins. 1-0")
    terminal.until("> ")
    terminal.type("\n")
    terminal.until("Saved: out.pgn")
    assert terminal.close() == 0
    assert game_of(here / "out.pgn").headers["Result"] == "1-0"


@needs_pty
def test_leaving_at_once_leaves_no_file(here: Path) -> None:
    terminal = Terminal(here, KRK)
    terminal.until("1. ")
    terminal.type("\x04")
    assert terminal.close() == 0
    assert not list(here.iterdir())


# --- the page ----------------------------------------------------------------------------

PAGE = Path(__file__).parent.parent / "docs" / "play.md"


def test_the_example_of_the_page_is_a_real_one(capsys: pytest.CaptureFixture[str]) -> None:
    page = PAGE.read_text(encoding="utf-8")
    call = re.search(r"printf '([^']*)' \|\n  fullpoint play \"([^\"]*)\" ([^\n]*)\n", page)
    assert call is not None
    script, fen, options = call.groups()
    code, out, err = run([fen, *options.split()], capsys, script.replace("\\n", "\n"))
    assert (code, err) == (0, "")
    shown = re.search(r"```text\n(.*?)```", page, re.S)
    assert shown is not None
    assert [line.rstrip() for line in out.splitlines()] == shown.group(1).splitlines()


def test_the_page_knows_every_command() -> None:
    page = PAGE.read_text(encoding="utf-8")
    for name, _ in play_session.HELP[1:]:
        assert f"`{name.split()[0]}" in page
