"""SIGTERM, SIGHUP, Ctrl-C, closed pipes and closed streams, in processes of their own.

A signal is sent when the process has said that it is where it should be, never after a pause.
"""

from __future__ import annotations

import contextlib
import importlib
import json
import os
import pty
import select
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path

import chess.pgn
import pytest

from convert.cli import main
from convert.rim import stopping

ROOT = Path(__file__).parent.parent
COMMAND = [sys.executable, "-m", "convert"]
KRK = "7k/8/8/8/8/8/8/KR6 w - - 0 1"
KPK = "8/8/8/4k3/8/4K3/4P3/8 w - - 0 1"
GAME = '[Event "?"]\n[Result "*"]\n\n1. e4 e5 2. Nf3 *\n\n'
ENDS = [(signal.SIGTERM, 143), (signal.SIGHUP, 129)]


def environment(**more: str) -> dict[str, str]:
    return {**os.environ, "FULLPOINT_SOLVE": "0", "PYTHONPATH": str(ROOT), **more}


def default_signals() -> None:
    """A shell that runs the tests in the background has interrupts ignored."""
    for number in (signal.SIGINT, signal.SIGTERM, signal.SIGHUP):
        signal.signal(number, signal.SIG_DFL)


@contextlib.contextmanager
def started(*args: str, **how: object) -> Iterator[subprocess.Popen[bytes]]:
    process = subprocess.Popen(
        args,
        preexec_fn=default_signals,
        start_new_session=True,
        **how,  # type: ignore[call-overload]
    )
    try:
        yield process
    finally:
        if process.poll() is None:
            os.killpg(process.pid, signal.SIGKILL)
        process.wait()
        for stream in (process.stdin, process.stdout, process.stderr):
            if stream is not None:
                with contextlib.suppress(OSError):
                    stream.close()


def until(read: int, words: bytes, seconds: float = 60.0) -> bytes:
    """What comes up to and with some words."""
    seen = b""
    end = time.monotonic() + seconds
    while words not in seen:
        assert time.monotonic() < end, seen
        if select.select([read], [], [], 0.2)[0]:
            more = os.read(read, 4096)
            assert more, seen
            seen += more
    return seen


# --- play ----------------------------------------------------------------------------------------


@pytest.mark.parametrize(("number", "code"), [*ENDS, (signal.SIGINT, 130)])
def test_the_game_is_saved(tmp_path: Path, number: int, code: int) -> None:
    with started(
        *COMMAND,
        "play",
        KRK,
        "-o",
        "out.pgn",
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        cwd=tmp_path,
        env=environment(),
    ) as process:
        assert process.stdin is not None
        assert process.stdout is not None
        assert process.stderr is not None
        process.stdin.write(b"Kb2\n")
        process.stdin.flush()
        until(process.stdout.fileno(), b"1.Kb2 K")
        process.send_signal(number)
        errors = process.stderr.read().decode()
        assert process.wait(30) == code
    by = "" if number == signal.SIGINT else f" ({signal.Signals(number).name})"
    assert errors == f"fullpoint: interrupted{by}\n"
    with open(tmp_path / "out.pgn", encoding="utf-8") as file:
        game = chess.pgn.read_game(file)
    assert game is not None
    assert len(list(game.mainline())) == 2


def test_the_game_is_saved_when_the_terminal_closes(tmp_path: Path) -> None:
    ours, theirs = pty.openpty()
    script = (
        "import fcntl, termios\n"
        "fcntl.ioctl(0, termios.TIOCSCTTY, 0)\n"
        "from convert.cli import main\n"
        f"main(['play', {KRK!r}, '-o', 'out.pgn'])\n"
    )
    with started(
        sys.executable,
        "-c",
        script,
        stdin=theirs,
        stdout=theirs,
        stderr=theirs,
        cwd=tmp_path,
        env=environment(TERM="dumb"),
    ) as process:
        os.close(theirs)
        until(ours, b"1. ")
        os.write(ours, b"Kb2\n")
        assert b"1.Kb2 K" in until(ours, b"2. ")
        os.close(ours)  # SIGHUP to the session's leader, and reading and writing fail
        assert process.wait(30) in (129, 2)
    with open(tmp_path / "out.pgn", encoding="utf-8") as file:
        game = chess.pgn.read_game(file)
    assert game is not None
    assert len(list(game.mainline())) == 2


def test_a_second_signal_does_not_break_off_the_saving() -> None:
    """Terminals and shells both send SIGHUP; a game is being saved by then."""
    saved = []
    with stopping.listening():
        try:
            os.kill(os.getpid(), signal.SIGHUP)
            signal.pthread_sigmask(signal.SIG_BLOCK, ())  # lets it take effect
        except BaseException as err:
            assert stopping.exit_code(err) == 129
            os.kill(os.getpid(), signal.SIGHUP)
            os.kill(os.getpid(), signal.SIGTERM)
            signal.pthread_sigmask(signal.SIG_BLOCK, ())
            saved.append("whole")
        # Nothing is being answered any more: the next one counts again.
        with pytest.raises(stopping.Ended):
            signal.raise_signal(signal.SIGTERM)
    assert saved == ["whole"]
    assert signal.getsignal(signal.SIGTERM) is signal.SIG_DFL


class _Struck:
    """A signal comes while its ``__del__`` runs, where Python lets no error through."""

    def __init__(self, number: int) -> None:
        self.number = number

    def __del__(self) -> None:
        signal.raise_signal(self.number)
        signal.pthread_sigmask(signal.SIG_BLOCK, ())  # lets it take effect


@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGINT])
def test_a_signal_that_strikes_where_nothing_is_let_through_comes_again(
    number: int, capfd: pytest.CaptureFixture[str]
) -> None:
    # Met in the campaign: SIGTERM during the callback of a weak reference of the importer.
    def wait() -> None:
        struck = _Struck(number)
        del struck
        for _ in range(3000):
            time.sleep(0.01)

    with pytest.raises(KeyboardInterrupt) as raised, stopping.listening():
        wait()
    assert stopping.exit_code(raised.value) == 128 + number
    assert capfd.readouterr().err == ""


def test_what_is_ignored_stays_ignored() -> None:
    before = signal.signal(signal.SIGHUP, signal.SIG_IGN)
    try:
        with stopping.listening():
            assert signal.getsignal(signal.SIGHUP) is signal.SIG_IGN
    finally:
        signal.signal(signal.SIGHUP, before)


# --- the solver ----------------------------------------------------------------------------------

# Sends itself a signal when the second question of the position asked for begins.
AT_THE_SECOND = """
import os, sys
from tablebases.solver import trying
real, begun = trying.Solver._execute, []
def execute(self, *args):
    if self.moves_too:
        begun.append(args)
        if len(begun) == 2:
            os.kill(os.getpid(), int(sys.argv[1]))
    real(self, *args)
trying.Solver._execute = execute
from convert.cli import main
main(sys.argv[2:])
"""


def solving(number: int, *args: str, **more: str) -> list[str]:
    return [sys.executable, "-c", AT_THE_SECOND, str(int(number)), *args]


@pytest.mark.slow
@pytest.mark.parametrize(("number", "code"), ENDS)
def test_a_solver_that_is_asked_to_end_leaves_and_keeps_what_it_has(
    tmp_path: Path, number: int, code: int
) -> None:
    args = solving(number, "solve", KRK)
    importlib.import_module("tablebases.solver")  # names the folder of the machine code
    machine_code = os.environ["NUMBA_CACHE_DIR"]
    where = environment(XDG_CACHE_HOME=str(tmp_path), NUMBA_CACHE_DIR=machine_code)
    done = subprocess.run(
        args,
        capture_output=True,
        text=True,
        check=False,
        env=where,
        preexec_fn=default_signals,
        timeout=300,
    )
    assert done.returncode == code, done.stderr
    assert done.stdout == ""
    assert done.stderr == f"fullpoint: interrupted ({signal.Signals(number).name})\n"
    assert list((tmp_path / "fullpoint" / "solver").glob("*.slice"))


# Two pawns against one, with a slip on the way; more than the tables hold.
ENDING = """[SetUp "1"]
[FEN "8/8/8/4k1p1/6P1/4K3/4P3/8 w - - 0 1"]
[Result "*"]

1. Kf3 Kd4 2. e3+ Kd3 3. e4 Kd4 *
"""


@pytest.mark.slow
@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGCONT])
def test_a_report_that_waits_for_the_solver_goes_on_at_an_interrupt(
    tmp_path: Path, number: int
) -> None:
    """The line tells what is being proved and for how long; at Ctrl-C the report comes.

    The other signal changes nothing.
    """
    (tmp_path / "ending.pgn").write_text(ENDING, encoding="utf-8")
    importlib.import_module("tablebases.solver")  # names the folder of the machine code
    at_the_first = AT_THE_SECOND.replace("== 2", "== 1")
    ours, theirs = pty.openpty()
    with started(
        *(sys.executable, "-c", at_the_first, str(int(number)), "game"),
        *("ending.pgn", "--json", "review.json"),
        stdout=subprocess.PIPE,
        stderr=theirs,
        cwd=tmp_path,
        env=environment(
            TERM="xterm",
            XDG_CACHE_HOME=str(tmp_path),
            NUMBA_CACHE_DIR=os.environ["NUMBA_CACHE_DIR"],
            FULLPOINT_SOLVE="1",
        ),
    ) as process:
        os.close(theirs)
        seen = until(ours, b" (Ctrl-C: go on)", 300)
        out, _ = process.communicate(timeout=120)
        assert process.returncode == 0
    os.close(ours)
    assert b"to prove: " in seen
    assert out
    document = json.loads((tmp_path / "review.json").read_text(encoding="utf-8"))
    solved = document["reviews"][0]["counts"]["by_evidence"].get("solved", 0)
    assert solved == 0 if number == signal.SIGINT else solved > 0


def test_the_cursor_comes_back(tmp_path: Path) -> None:
    """The bar of the solver hides it; whatever ends the work shows it again."""
    ours, theirs = pty.openpty()
    with started(
        *solving(signal.SIGTERM, "solve", "--no-store", KRK),
        stdout=subprocess.DEVNULL,
        stderr=theirs,
        cwd=tmp_path,
        env=environment(TERM="xterm"),
    ) as process:
        os.close(theirs)
        seen = until(ours, b"interrupted (SIGTERM)", 300)
        assert process.wait(30) == 143
    os.close(ours)
    assert b"\x1b[?25l" in seen
    assert seen.rindex(b"\x1b[?25h") > seen.rindex(b"\x1b[?25l")


# --- collections ---------------------------------------------------------------------------------

# Each process that is just beginning says so, and waits until the test lets it go on.
WAITING = """
import os, sys, time
if "--multiprocessing-fork" in sys.orig_argv:
    here = os.environ["TEST_FOLDER"]
    open(os.path.join(here, f"born-{os.getpid()}"), "w").close()
    while not os.path.exists(os.path.join(here, "go")):
        time.sleep(0.01)
"""


@pytest.fixture
def season(tmp_path: Path) -> Path:
    pytest.importorskip("pyarrow")
    (tmp_path / "hook").mkdir()
    (tmp_path / "hook" / "sitecustomize.py").write_text(WAITING, encoding="utf-8")
    (tmp_path / "games.pgn").write_text(GAME * 200, encoding="utf-8")
    return tmp_path


@pytest.mark.parametrize("whole_group", [True, pytest.param(False, marks=pytest.mark.slow)])
@pytest.mark.parametrize(("number", "code"), [(signal.SIGINT, 130), *ENDS])
def test_workers_that_are_just_starting_say_nothing_and_go(
    season: Path, number: int, code: int, whole_group: bool
) -> None:
    where = environment(PYTHONPATH=f"{season / 'hook'}{os.pathsep}{ROOT}", TEST_FOLDER=str(season))
    with started(
        *COMMAND,
        "collection",
        "games.pgn",
        "-o",
        "out",
        "--effort",
        "walk",
        "--jobs",
        "2",
        "--part-bytes",
        "500",
        cwd=season,
        env=where,
        stderr=subprocess.PIPE,
        stdout=subprocess.PIPE,
    ) as process:
        end = time.monotonic() + 60
        # The first worker cuts the file; the next is born when there are parts.
        while not list(season.glob("born-*")):
            assert time.monotonic() < end
            assert process.poll() is None
            time.sleep(0.01)
        if whole_group:  # as a terminal does
            os.killpg(process.pid, number)
        else:
            process.send_signal(number)
        assert process.stderr is not None
        # To its end: as long as a worker lives, it does not end.
        errors = process.stderr.read().decode()
        assert process.wait(30) == code
    assert errors == (
        "fullpoint: interrupted; what is finished is kept in out, and the same command goes on "
        "with it\n"
    )
    for path in season.glob("born-*"):
        with pytest.raises(ProcessLookupError):
            os.kill(int(path.name.removeprefix("born-")), 0)
    # In good order: the same command goes on to the end.
    (season / "go").touch()
    again = subprocess.run(
        [*COMMAND, "collection", "games.pgn", "-o", "out", "--effort", "walk", "--jobs", "2"],
        cwd=season,
        env=where,
        capture_output=True,
        text=True,
        check=False,
        timeout=120,
    )
    assert again.returncode == 0, again.stderr
    assert "out: 200 games of 1 file" in again.stderr


# --- pipes ---------------------------------------------------------------------------------------


def into_closed_pipe(
    args: list[str], folder: Path, *, errors_too: bool = False, stdin: bytes = b""
) -> tuple[int, bytes]:
    """Exit code and standard error of a command whose reader is gone before it begins."""
    read, write = os.pipe()
    os.close(read)
    try:
        done = subprocess.run(
            [*COMMAND, *args],
            stdout=write,
            stderr=write if errors_too else subprocess.PIPE,
            input=stdin,
            cwd=folder,
            env=environment(),
            check=False,
            timeout=120,
        )
    finally:
        os.close(write)
    return done.returncode, done.stderr or b""


@pytest.fixture
def desk(tmp_path: Path) -> Path:
    (tmp_path / "games.pgn").write_text(GAME * 3, encoding="utf-8")
    (tmp_path / "moves.txt").write_text("Kb2\nmoves\n", encoding="utf-8")
    return tmp_path


PIPED = {
    "help": ["-h"],
    "help of a command": ["solve", "-h"],
    "version": ["--version"],
    "position": ["position", KPK],
    "position as JSON": ["position", "--json", "-", KPK],
    "game": ["game", "games.pgn"],
    "game as JSON": ["game", "games.pgn", "--json", "-"],
    "game as PGN": ["game", "games.pgn", "--pgn", "-"],
    "proofread": ["proofread", "games.pgn"],
    "proofread as JSON": ["proofread", "games.pgn", "--json", "-"],
    "play": ["play", KRK, "--moves", "moves.txt"],
    "play as PGN": ["play", KRK, "--moves", "moves.txt", "-o", "-"],
    "lesson": ["lesson"],
    "lesson as PGN": ["lesson", "-o", "-", "--format", "pgn"],
    "tables": ["tables"],
    "tables --fen": ["tables", "--fen", KPK],
}
# Each reviews the same games once more.
REVIEWED_AGAIN = ("game as JSON", "game as PGN", "proofread as JSON", "play as PGN")


@pytest.mark.parametrize("errors_too", [False, pytest.param(True, marks=pytest.mark.slow)])
@pytest.mark.parametrize(
    "args",
    [
        pytest.param(args, id=name, marks=[pytest.mark.slow] if name in REVIEWED_AGAIN else [])
        for name, args in PIPED.items()
    ],
)
def test_a_closed_pipe_ends_with_0_and_without_noise(
    desk: Path, args: list[str], errors_too: bool
) -> None:
    assert into_closed_pipe(args, desk, errors_too=errors_too) == (0, b"")


@pytest.mark.slow
def test_a_closed_pipe_and_the_report_of_a_collection(desk: Path) -> None:
    pytest.importorskip("pyarrow")
    make = ["collection", "games.pgn", "-o", "out", "--effort", "walk", "--jobs", "1"]
    # What nobody reads on standard error stops no work.
    assert into_closed_pipe(make, desk, errors_too=True) == (0, b"")
    assert len(list((desk / "out" / "games").glob("part-*.parquet"))) == 1
    for args in (
        ["report", "out"],
        ["report", "out", "--json", "-"],
        ["report", "out", "--html", "-"],
    ):
        assert into_closed_pipe(["collection", *args], desk) == (0, b"")


def test_a_closed_pipe_loses_no_file(desk: Path) -> None:
    """The game of play is saved though its transcript cannot be told."""
    args = ["play", KRK, "--moves", "-", "-o", "out.pgn"]
    read, write = os.pipe()
    process = subprocess.Popen(
        [*COMMAND, *args],
        stdin=subprocess.PIPE,
        stdout=write,
        stderr=subprocess.PIPE,
        cwd=desk,
        env=environment(),
    )
    os.close(write)
    assert process.stdin is not None
    assert process.stderr is not None
    process.stdin.write(b"Kb2\n")
    process.stdin.flush()
    until(read, b"1.Kb2 K")
    os.close(read)
    process.stdin.write(b"board\nmoves\nhow\n")
    process.stdin.close()
    assert process.stderr.read() == b""
    assert process.wait(30) == 0
    assert "1. Kb2" in (desk / "out.pgn").read_text(encoding="utf-8")


def test_trouble_stays_trouble_in_a_closed_pipe(desk: Path) -> None:
    assert into_closed_pipe(["game", "nowhere.pgn"], desk, errors_too=True)[0] == 2
    assert into_closed_pipe(["solve", "--memory", "nan", KPK], desk, errors_too=True)[0] == 2


def closed(args: list[str], *numbers: int, folder: Path) -> tuple[int, bytes, bytes]:
    """Exit code and both outputs of a command begun with some standard streams closed."""

    def close() -> None:
        for number in numbers:
            os.close(number)

    done = subprocess.run(
        [*COMMAND, *args],
        stdin=subprocess.DEVNULL,
        capture_output=True,
        cwd=folder,
        env=environment(),
        check=False,
        preexec_fn=close,
        timeout=120,
    )
    return done.returncode, done.stdout, done.stderr


@pytest.mark.parametrize(
    ("args", "shut"),
    [
        (["position", KPK], 1),
        (["position", KPK, "--json", "-"], 1),
        (["game", "games.pgn"], 1),
        (["tables"], 1),
        (["lesson"], 1),
        (["play", KRK, "--moves", "moves.txt"], 1),
        (["game"], 0),
        (["position"], 0),
        (["lesson", "-"], 0),
        (["play", KRK], 0),
        (["proofread", "-"], 0),
    ],
)
def test_a_closed_stream_is_named(desk: Path, args: list[str], shut: int) -> None:
    code, _, errors = closed(args, shut, folder=desk)
    name = "input" if shut == 0 else "output"
    told = errors.decode().splitlines()[-1]
    assert told.startswith(f"fullpoint: error: standard {name}: ")
    assert "is closed" in told
    assert code == 2


@pytest.mark.parametrize("args", [["position", KPK], ["game"], ["game", "games.pgn"], ["nonsense"]])
def test_all_streams_closed(desk: Path, args: list[str]) -> None:
    assert closed(args, 0, 1, 2, folder=desk) == (2, b"", b"")


@pytest.mark.slow
def test_what_needs_no_stream_works_without(desk: Path) -> None:
    args = ["game", "games.pgn", "-q", "--json", "review.json"]
    assert closed(args, 0, 1, 2, folder=desk) == (0, b"", b"")
    assert (desk / "review.json").read_bytes().startswith(b"[") or (
        desk / "review.json"
    ).read_bytes().startswith(b"{")


def test_files_do_not_get_the_numbers_of_closed_streams(desk: Path) -> None:
    """What a library writes to standard error must not land in a file of the user's."""
    script = (
        "import os\n"
        "from convert.cli.quiet import exit_code_of\n"
        "def run():\n"
        "    file = open('mine', 'w')\n"
        "    os.write(2, b'a warning')\n"
        "    return file.fileno()\n"
        "os._exit(exit_code_of(run))\n"
    )

    def close() -> None:
        for number in (0, 1, 2):
            os.close(number)

    done = subprocess.run(
        [sys.executable, "-c", script], cwd=desk, env=environment(), check=False, preexec_fn=close
    )
    assert done.returncode > 2
    assert (desk / "mine").read_bytes() == b""


@pytest.mark.skipif(not os.path.exists("/dev/full"), reason="no /dev/full")
def test_a_full_disk_is_trouble(desk: Path) -> None:
    with open("/dev/full", "wb") as full:
        done = subprocess.run(
            [*COMMAND, "tables"],
            stdout=full,
            stderr=subprocess.PIPE,
            env=environment(),
            check=False,
            timeout=60,
        )
    assert done.returncode == 2
    assert b"No space left on device" in done.stderr
    assert len(done.stderr.splitlines()) == 1


def test_an_interrupt_wrapped_by_compiled_code_is_one(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    def wrapped(*_: object, **__: object) -> None:
        try:
            raise stopping.Ended(signal.SIGTERM)
        except KeyboardInterrupt as err:
            raise SystemError("returned a result with an exception set") from err

    monkeypatch.setattr("tablebases.files.find_tables", wrapped)
    with pytest.raises(SystemExit) as left:
        main(["tables"])
    assert left.value.code == 143
    assert capsys.readouterr().err == "fullpoint: interrupted (SIGTERM)\n"
