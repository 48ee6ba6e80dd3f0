"""A collection made: whole, in parts, killed and gone on with, grown, changed.

What is compared are rows: whatever happens on the way, in the end they are those of a run that
nothing disturbed, each once.
"""

from __future__ import annotations

import gzip
import io
import json
import os
import random
import re
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

pytest.importorskip("pyarrow")

from collection_help import names, places, rows, some_games

from convert.collection import crew, work
from convert.collection import run as running
from convert.collection.crew import RunError
from convert.collection.inputs import BadInput, Input, find_inputs
from convert.collection.interrupts import held
from convert.collection.ledger import BadFolder, Ledger
from convert.collection.rows import Options
from convert.collection.run import run
from convert.collection.run_state import RunProgress, RunSummary

WALK = Options(effort="walk")
SMALL = 3000


def collect(paths: Any, out: Path, options: Options = WALK, **more: Any) -> RunSummary:
    given = [str(path) for path in (paths if isinstance(paths, list) else [paths])]
    return run(find_inputs(given, out), out, options, **{"part_bytes": SMALL, **more})


@pytest.fixture
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """The folder in which the user stands: ``games/`` with three files, one of them packed."""
    monkeypatch.chdir(tmp_path)
    games = tmp_path / "games"
    (games / "spring").mkdir(parents=True)
    (games / "a.pgn").write_text(some_games(12), encoding="utf-8")
    (games / "spring" / "b.PGN").write_text(some_games(5, 12), encoding="utf-8")
    (games / "spring" / "c.pgn.gz").write_bytes(gzip.compress(some_games(8, 17).encode()))
    (games / "notes.txt").write_text("no games", encoding="utf-8")
    return tmp_path


@pytest.fixture
def undisturbed(folder: Path) -> dict[str, list[dict[str, Any]]]:
    """The rows of a run that nothing disturbs."""
    collect("games", folder / "undisturbed")
    return rows(folder / "undisturbed")


def test_every_game_of_a_folder_once(folder: Path) -> None:
    out = folder / "out"
    outcome = collect("games", out)
    assert places(out) == sorted(
        [("games/a.pgn", n) for n in range(1, 13)]
        + [("games/spring/b.PGN", n) for n in range(1, 6)]
        + [("games/spring/c.pgn.gz", n) for n in range(1, 9)]
    )
    assert (outcome.files, outcome.games, outcome.new, outcome.kept) == (3, 25, 25, 0)
    assert outcome.complete
    assert not outcome.unreadable
    about = json.loads((out / "collection.json").read_text())
    assert (about["complete"], about["files"], about["games"]) == (True, 3, 25)
    assert not (out / "work").exists()
    packed = next(
        row
        for row in rows(out)["games"]
        if (row["file"], row["number"]) == ("games/spring/c.pgn.gz", 2)
    )
    text = some_games(8, 17).encode()
    assert text[packed["offset"] :].startswith(b"[Event ")
    assert text[: packed["offset"]].count(b"[Event ") == 1


def test_the_same_rows_whatever_the_jobs(folder: Path, undisturbed: Any) -> None:
    collect("games", folder / "out", jobs=2)
    assert rows(folder / "out") == undisturbed
    assert names(folder / "out") == names(folder / "undisturbed")


def test_a_second_run_does_nothing(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    out = folder / "out"
    collect("games", out)
    before = {name: (out / name).stat().st_mtime_ns for name in names(out) if "part-" in name}
    monkeypatch.setattr(running, "do_unit", None)
    outcome = collect("games", out)
    assert (outcome.new, outcome.kept, outcome.games) == (0, 25, 25)
    assert before == {n: (out / n).stat().st_mtime_ns for n in names(out) if "part-" in n}


def test_files_are_added(folder: Path, undisturbed: Any) -> None:
    out = folder / "out"
    collect("games/a.pgn", out)
    assert collect(["games/a.pgn", "games/spring"], out).new == 13
    assert rows(out) == undisturbed
    # Named alone, and by other ways to it: known all the same.
    os.chdir(folder / "games")
    outcome = collect(["a.pgn", "../games/spring/b.PGN", str(folder / "games/a.pgn")], out)
    assert outcome.new == 0
    assert rows(out) == undisturbed


def test_a_file_that_grew_or_changed(folder: Path) -> None:
    out, path = folder / "out", folder / "games" / "a.pgn"
    collect("games", out)
    path.write_text(some_games(12) + some_games(3, 30), encoding="utf-8")
    outcome = collect("games", out)
    assert "games/a.pgn: has changed; 1 part" in outcome.remarks[0]
    assert outcome.new < 12 + 3
    fresh = folder / "fresh"
    collect("games", fresh)
    # The same rows; which parts stand together depends on what changed when.
    assert rows(out) == rows(fresh)
    path.write_text(some_games(4), encoding="utf-8")
    collect("games/a.pgn", out)
    assert len([place for place in places(out) if place[0] == "games/a.pgn"]) == 4
    assert len(places(out)) == 17


def test_a_file_that_was_only_touched(folder: Path) -> None:
    out = folder / "out"
    collect("games", out)
    os.utime(folder / "games" / "a.pgn", (1, 1))
    outcome = collect("games", out)
    assert (outcome.new, outcome.kept, outcome.remarks) == (0, 25, [])


def test_a_folder_that_was_moved(folder: Path, undisturbed: Any) -> None:
    out = folder / "out"
    collect("games", out)
    (folder / "games").rename(folder / "season")
    outcome = collect("season", out)
    assert outcome.new == 0
    assert "season/a.pgn: known already, as games/a.pgn" in outcome.remarks
    assert rows(out) == undisturbed


def test_another_file_of_the_same_name(folder: Path) -> None:
    (folder / "may").mkdir()
    (folder / "may" / "a.pgn").write_text(some_games(2, 40), encoding="utf-8")
    out = folder / "out"
    os.chdir(folder / "games")
    collect("a.pgn", out)
    os.chdir(folder / "may")
    with pytest.raises(RunError, match="another file of that name"):
        collect("a.pgn", out)
    os.chdir(folder)
    assert collect("may/a.pgn", out).games == 14


def test_standard_input(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    out = folder / "out"

    def pipe(raw: bytes) -> RunSummary:
        monkeypatch.setattr(sys, "stdin", io.TextIOWrapper(io.BytesIO(raw)))
        return collect("-", out)

    first, second = some_games(3).encode(), gzip.compress(some_games(2, 5).encode())
    assert pipe(first).games == 3
    assert pipe(first).new == 0
    assert pipe(second).games == 5
    assert pipe(second).new == 0
    assert places(out) == [
        ("standard input", 1),
        ("standard input", 2),
        ("standard input", 3),
        ("standard input (2)", 1),
        ("standard input (2)", 2),
    ]


def test_nothing_is_dropped_silently(folder: Path) -> None:
    games = folder / "games"
    (games / "diary.pgn").write_text("Dear diary\n", encoding="utf-8")
    (games / "broken.pgn.gz").write_bytes(gzip.compress(some_games(3, 40).encode())[:-30])
    (games / "bad.pgn").write_text('[White "A"]\n\n1. e4 e5 2. Ke3 1-0\n', encoding="utf-8")
    out = folder / "out"
    outcome = collect("games", out)
    assert [name for name, _ in outcome.unreadable] == ["games/broken.pgn.gz", "games/diary.pgn"]
    errors = {(row["file"], row["number"]): row["reason"] for row in rows(out)["errors"]}
    assert errors["games/diary.pgn", None] == "no game found: not a PGN file"
    assert "gzip data breaks off" in errors["games/broken.pgn.gz", None]
    assert "illegal move Ke3" in errors["games/bad.pgn", 1]
    # And told again, though nothing is left to do.
    again = collect("games", out)
    assert (again.new, again.unreadable) == (0, outcome.unreadable)
    # A file that cannot be read any more keeps its rows.
    before = rows(out)
    (games / "a.pgn").write_bytes(b"")
    os.unlink(games / "a.pgn")
    (games / "a.pgn").mkdir()
    with pytest.raises(BadInput):
        collect("games/a.pgn", out)
    assert rows(out) == before


def test_paths_that_lead_nowhere(folder: Path) -> None:
    out = folder / "out"
    for path in ("missing.pgn", "no*.pgn"):
        with pytest.raises(BadInput, match="no such file"):
            find_inputs([path], out)
    (folder / "empty").mkdir()
    with pytest.raises(BadInput, match="no file that ends in"):
        find_inputs(["empty"], out)
    assert [one.name for one in find_inputs(["games/**/*.PGN", "games/a.*"], out)] == [
        "games/spring/b.PGN",
        "games/a.pgn",
    ]
    # What a collection holds is no input of it.
    collect("games/a.pgn", folder / "games" / "out")
    (folder / "games" / "out" / "x.pgn").write_text("x")
    assert len(find_inputs(["games"], folder / "games" / "out")) == 3


def test_folders_that_cannot_be_used(folder: Path) -> None:
    with pytest.raises(BadFolder, match="holds no collection"):
        collect("games", folder / "games" / "spring")
    with pytest.raises(BadFolder, match="is a file"):
        collect("games", folder / "games" / "a.pgn")
    out = folder / "out"
    collect("games/a.pgn", out)
    with pytest.raises(BadFolder, match="made with anonymous no, not left out"):
        collect("games/a.pgn", out, replace(WALK, anonymous="left out"))
    with pytest.raises(BadFolder, match="made with effort walk, not quick"):
        collect("games/a.pgn", out, Options(effort="quick", solve=False))
    collect("games/a.pgn", out, replace(WALK, anonymous="left out"), again=True)
    assert {row["white"] for row in rows(out)["games"]} == {None}
    with (
        Ledger(out, replace(WALK, anonymous="left out")),
        pytest.raises(BadFolder, match="another run"),
    ):
        collect("games/a.pgn", out, replace(WALK, anonymous="left out"))
    (out / "collection.json").write_text("{")
    with pytest.raises(BadFolder, match="damaged"):
        collect("games/a.pgn", out)


def test_again_takes_only_its_own_files(folder: Path) -> None:
    out = folder / "out"
    collect("games", out)
    mine = out / "games" / "mine.pgn"
    mine.write_text("my own")
    (out / "work").mkdir()
    (out / "work" / "letters.txt").write_text("my own")
    collect("games/a.pgn", out, again=True)
    assert mine.exists()
    assert (out / "work" / "letters.txt").exists()
    assert len(places(out)) == 12


def test_marks_of_players_stay_the_same_in_later_runs(folder: Path) -> None:
    out, hashed = folder / "out", replace(WALK, anonymous="hashed")
    text = '[White "Dole, Hal"]\n[Black "Marrin, Osgood"]\n\n1. e4 *\n'
    for name in ("x.pgn", "y.pgn"):
        (folder / name).write_text(text, encoding="utf-8")
    collect("x.pgn", out, hashed)
    (first,) = rows(out)["games"]
    assert collect(["x.pgn", "y.pgn"], out, hashed).new == 1
    both = rows(out)["games"]
    assert first in both
    assert len({(row["white"], row["black"]) for row in both}) == 1
    assert first["white"] != first["black"]
    assert "Dole" not in str(both)
    assert os.stat(out / "ledger" / "key").st_mode & 0o077 == 0
    told = (out / "collection.json").read_text()
    assert "x.pgn" not in told
    assert (out / "ledger" / "key").read_text().strip() not in told


# --- stopped ---------------------------------------------------------------------------------

# Runs a collection in a process of its own and ends it, as a power cut would, when it brings
# something to the disk for the Nth time.
KILLED = """
import os, sys
from pathlib import Path
from convert.collection.inputs import find_inputs
from convert.collection.rows import Options
from convert.collection.run import run
left, before, real = int(sys.argv[1]), sys.argv[2] == "before", os.fsync
def fsync(handle):
    global left
    left -= 1
    if left == 0 and before:
        os._exit(9)
    real(handle)
    if left == 0:
        os._exit(9)
os.fsync = fsync
run(find_inputs(["games"], Path("out")), Path("out"), Options(effort="walk"), part_bytes=3000)
"""


@pytest.mark.slow
@pytest.mark.parametrize("first", [2, None])
def test_killed_whenever_something_is_written(
    folder: Path, undisturbed: Any, first: int | None
) -> None:
    """Killed at ever later writes until a run gets through."""
    out = folder / "out"
    at, kills = first or 1, 0
    while True:
        done = subprocess.run(
            [sys.executable, "-c", KILLED, str(at), "before" if at % 2 else "after"],
            cwd=folder,
            capture_output=True,
            text=True,
            check=False,
        )
        if done.returncode == 0:
            break
        assert done.returncode == 9, done.stderr
        kills += 1
        seen = places(out)
        assert len(seen) == len(set(seen))
        at = at + 1 if first is None else at * 4
    assert kills > 0
    assert rows(out) == undisturbed
    assert names(out) == names(folder / "undisturbed")


def command(folder: Path, jobs: int) -> subprocess.Popen[str]:
    return subprocess.Popen(
        [
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
            str(jobs),
            "--part-bytes",
            "3000",
        ],
        cwd=folder,
        stderr=subprocess.PIPE,
        text=True,
        start_new_session=True,
    )


def begun(out: Path) -> int:
    """When a run last began, or ended."""
    about = out / "collection.json"
    return about.stat().st_mtime_ns if about.exists() else 0


@pytest.mark.slow
@pytest.mark.parametrize("jobs", [1, 2])
@pytest.mark.parametrize("sign", [signal.SIGKILL, signal.SIGINT, signal.SIGTERM])
def test_stopped_at_any_moment(
    folder: Path, undisturbed: Any, jobs: int, sign: signal.Signals
) -> None:
    chance = random.Random(f"{jobs} {sign}")
    out = folder / "out"
    patience = 0.3
    for _ in range(60):
        before = begun(out)
        process = command(folder, jobs)
        if sign == signal.SIGINT:  # Python itself, while it starts, does not take one politely
            while process.poll() is None and begun(out) == before:
                time.sleep(0.001)
        try:
            process.wait(chance.uniform(0.2, 1) * patience)
        except subprocess.TimeoutExpired:
            process.send_signal(sign)
        assert process.stderr is not None
        told = process.stderr.read()  # to its end: until the last worker is gone
        if process.wait() == 0:
            break
        assert process.returncode in (128 + sign, -sign), told
        # Killed outright while a worker starts, nobody is left to tell that worker what it is.
        orphaned = sign == signal.SIGKILL and "spawn_main" in told
        assert "Traceback" not in told or orphaned, told
        if process.returncode == 128 + sign and "interrupted; what is finished" not in told:
            assert "interrupted" in told
        if (out / "games").exists():
            seen = places(out)
            assert len(seen) == len(set(seen))
        patience *= 1.25
    assert process.returncode == 0
    assert rows(out) == undisturbed
    assert names(out) == names(folder / "undisturbed")


@pytest.mark.parametrize("sign", [signal.SIGINT, signal.SIGTERM])
def test_an_interrupt_waits_for_the_end_of_a_step(sign: signal.Signals) -> None:
    def step(failing: bool) -> None:
        with held():
            os.kill(os.getpid(), sign)
            steps.append("still here")
            if failing:
                raise LookupError

    steps: list[str] = []
    before = signal.signal(sign, signal.default_int_handler)
    try:
        with pytest.raises(KeyboardInterrupt):
            step(failing=False)
        with pytest.raises(KeyboardInterrupt):
            step(failing=True)
        assert signal.getsignal(sign) is signal.default_int_handler
        signal.signal(sign, signal.SIG_IGN)
        with pytest.raises(LookupError):
            step(failing=True)
        assert signal.getsignal(sign) is signal.SIG_IGN
    finally:
        signal.signal(sign, before)
    assert steps == ["still here"] * 3


def test_only_the_main_thread_holds_interrupts() -> None:
    done = []

    def step() -> None:
        with held():
            done.append(signal.getsignal(signal.SIGINT))

    thread = threading.Thread(target=step)
    thread.start()
    thread.join()
    assert done == [signal.getsignal(signal.SIGINT)]


# Interrupts a run with two processes once, in the main thread: at the Nth line of the standard
# library's pools that it comes to, or with the Nth lock of a future or a pool just taken.
WITHIN_A_POOL = """
import os, signal, sys, threading
from pathlib import Path
from concurrent.futures import _base, process
from convert.collection import run as running
from convert.collection.inputs import find_inputs
from convert.collection.rows import Options
pools = (process.__file__, _base.__file__)
event = {"lines": "line", "locks": "return"}[sys.argv[1]]
left = int(sys.argv[2])
taking = threading.Condition.__enter__.__code__
def inside(frame, what, arg):
    global left
    if what == event:
        left -= 1
        if left == 0:
            sys.settrace(None)
            os.kill(os.getpid(), signal.SIGINT)
    return inside
def call(frame, what, arg):
    code = frame.f_code
    if event == "line":
        return inside if code.co_filename in (*pools, threading.__file__) else None
    return inside if code is taking and frame.f_back.f_code.co_filename in pools else None
sys.settrace(call)
code = 9
try:
    running.run(find_inputs(["games"], Path("out")), Path("out"), Options(effort="walk"), jobs=2,
                part_bytes=3000)
    code = 0
except KeyboardInterrupt:
    code = 130
finally:
    sys.settrace(None)
sys.exit(code)
"""


@pytest.mark.slow
@pytest.mark.parametrize(
    ("event", "places"), [("lines", range(1, 2000, 131)), ("locks", [1, 9, 17, 25])]
)
def test_interrupted_within_a_pool(
    folder: Path, undisturbed: Any, event: str, places: Sequence[int]
) -> None:
    """Wherever the standard library is at: told as an interrupt, and gone on with.

    A lock that an interrupt leaves taken is waited for without end.
    """
    out = folder / "out"
    codes = []
    for at in places:
        done = subprocess.run(
            [sys.executable, "-c", WITHIN_A_POOL, event, str(at)],
            cwd=folder,
            capture_output=True,
            text=True,
            check=False,
            timeout=180,
        )
        assert done.returncode in (0, 130), done.stderr
        codes.append(done.returncode)
        if done.returncode == 0:
            break
    assert 130 in codes
    collect("games", out)
    assert rows(out) == undisturbed


@pytest.mark.slow
def test_a_worker_that_dies_costs_its_part_only(folder: Path, undisturbed: Any) -> None:
    import multiprocessing

    out = folder / "out"
    (folder / "games" / "many.pgn").write_text(some_games(40), encoding="utf-8")
    killed = []

    def kill() -> None:
        end = time.monotonic() + 60
        while time.monotonic() < end and not killed:
            if len(list((out / "games").glob("part-*.parquet"))) >= 1:
                for child in multiprocessing.active_children()[:1]:
                    os.kill(child.pid or 0, signal.SIGKILL)
                    killed.append(child.pid)
            time.sleep(0.001)

    thread = threading.Thread(target=kill)
    thread.start()
    collect("games", out, jobs=2, part_bytes=1500)
    thread.join()
    assert killed
    fresh = folder / "fresh"
    collect("games", fresh, part_bytes=1500)
    assert rows(out) == rows(fresh)


def test_a_part_that_kills_its_workers_is_named(
    folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    from concurrent.futures.process import BrokenProcessPool

    real, begun = work.write_rows, []

    def broken(rows: Any, out: Path, unit: str) -> Any:
        if not begun or begun[0] == unit:
            begun.append(unit)
            # As if the process had died there: its mark stays.
            monkeypatch.setattr(Path, "unlink", lambda *_, **__: None)
            raise BrokenProcessPool
        return real(rows, out, unit)

    monkeypatch.setattr(work, "write_rows", broken)
    unlink = Path.unlink
    again = running._Run._broken

    def mended(self: Any) -> None:
        monkeypatch.setattr(Path, "unlink", unlink)
        again(self)

    monkeypatch.setattr(running._Run, "_broken", mended)
    outcome = collect("games", folder / "out")
    assert len(begun) == 3
    ((name, reason),) = outcome.unreadable
    assert name == "games/a.pgn"
    assert re.match(r"3 workers died at games 1 to \d+, or beside them", reason)
    assert not outcome.complete
    assert outcome.new < 25
    monkeypatch.setattr(work, "write_rows", real)
    outcome = collect("games", folder / "out")
    assert outcome.complete
    assert len(places(folder / "out")) == 25


@pytest.mark.slow
def test_a_poison_costs_three_processes_of_the_pool(
    folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    import collection_help

    (folder / "games" / "0-poison.pgn").write_text(some_games(1, 25), encoding="utf-8")
    monkeypatch.setattr(crew.work, "begin_worker", collection_help.begin_poisoned)
    outcome = collect("games", folder / "out", jobs=2, part_bytes=500)
    assert len(list(folder.glob("died-*"))) == 3
    assert {name for name, _ in outcome.unreadable} == {"games/0-poison.pgn"}
    assert not outcome.complete
    assert [place for place in places(folder / "out") if "poison" not in place[0]] == [
        *(("games/a.pgn", n) for n in range(1, 13)),
        *(("games/spring/b.PGN", n) for n in range(1, 6)),
        *(("games/spring/c.pgn.gz", n) for n in range(1, 9)),
    ]


# --- small files ---------------------------------------------------------------------------------


def one_game_files(folder: Path, number: int) -> None:
    (folder / "small").mkdir(exist_ok=True)
    for n in range(number):
        path = folder / "small" / f"{n:03d}.pgn"
        path.write_text(some_games(1, n % 25), encoding="utf-8")


@pytest.mark.parametrize("jobs", [1, pytest.param(2, marks=pytest.mark.slow)])
def test_small_files_share_parts(folder: Path, jobs: int) -> None:
    one_game_files(folder, 30)
    size = sum(path.stat().st_size for path in (folder / "small").iterdir())
    outcome = collect("small", folder / "out", part_bytes=5000, jobs=jobs)
    assert outcome.complete
    assert len(list((folder / "out" / "games").iterdir())) <= size // 5000 + 1
    collect("small", folder / "alone", part_bytes=1)
    assert len(list((folder / "alone" / "games").iterdir())) == 30
    assert rows(folder / "out") == rows(folder / "alone")
    assert collect("small", folder / "out", part_bytes=5000).new == 0


def test_a_small_file_that_changes_takes_its_own_rows_along_only(folder: Path) -> None:
    one_game_files(folder, 10)
    out = folder / "out"
    collect("small", out, part_bytes=1 << 20)
    (folder / "small" / "004.pgn").write_text(some_games(2, 20), encoding="utf-8")
    outcome = collect("small", out, part_bytes=1 << 20)
    assert (outcome.new, outcome.kept, outcome.games) == (2, 9, 11)
    collect("small", folder / "fresh", part_bytes=1 << 20)
    assert rows(out) == rows(folder / "fresh")


def test_files_that_are_gone(folder: Path) -> None:
    one_game_files(folder, 6)
    (folder / "small" / "bad.pgn").write_text("no game here\n", encoding="utf-8")
    out = folder / "out"
    collect("small", out, part_bytes=1 << 20)
    for name in ("001.pgn", "bad.pgn"):
        (folder / "small" / name).unlink()
    outcome = collect("small", out, part_bytes=1 << 20)
    assert outcome.remarks == [
        f"small/{name}.pgn: is gone; its rows are kept; --prune takes them out"
        for name in ("001", "bad")
    ]
    assert len(places(out)) == 6
    outcome = collect("small", out, part_bytes=1 << 20, prune=True)
    assert outcome.remarks[0] == "small/001.pgn: is gone; 1 game taken out"
    assert outcome.complete
    assert (outcome.files, outcome.games) == (5, 5)
    collect("small", folder / "fresh", part_bytes=1 << 20)
    assert rows(out) == rows(folder / "fresh")
    assert collect("small", out, prune=True).remarks == []


def test_a_full_disk(folder: Path, undisturbed: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    out = folder / "out"
    left = 3
    real = work.write_rows

    def full(*args: Any) -> dict[str, int]:
        nonlocal left
        left -= 1
        if left < 0:
            raise OSError(28, "No space left on device", str(out / "games"))
        return real(*args)

    monkeypatch.setattr(work, "write_rows", full)
    with pytest.raises(RunError, match=r"out/games: No space left on device"):
        collect("games", out)
    monkeypatch.setattr(work, "write_rows", real)
    assert 0 < len(places(out)) < 25
    assert not json.loads((out / "collection.json").read_text())["complete"]
    collect("games", out)
    assert rows(out) == undisturbed


def test_a_file_begun_and_not_named_again(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    out = folder / "out"
    real, calls = work.write_rows, []

    def stop(*args: Any) -> dict[str, int]:
        calls.append(args)
        if len(calls) > 2:
            raise KeyboardInterrupt
        return real(*args)

    monkeypatch.setattr(work, "write_rows", stop)
    with pytest.raises(KeyboardInterrupt):
        collect("games/a.pgn", out)
    monkeypatch.setattr(work, "write_rows", real)
    begun = places(out)
    outcome = collect("games/spring", out)
    assert not outcome.complete
    assert outcome.remarks == [
        "games/a.pgn: begun in an earlier run and not finished; name it again to go on"
    ]
    assert set(begun) < set(places(out))
    outcome = collect("games", out)
    assert outcome.complete
    assert outcome.kept > len(begun)
    assert len(places(out)) == 25


@pytest.mark.slow
def test_rows_of_a_review_are_the_same_in_parts(folder: Path) -> None:
    path = folder / "few.pgn"
    path.write_text(some_games(2), encoding="utf-8")
    options = Options(effort="quick", solve=False)
    collect("few.pgn", folder / "one", options, part_bytes=1 << 20)
    collect("few.pgn", folder / "two", options, part_bytes=1, jobs=2)
    assert rows(folder / "one") == rows(folder / "two")
    assert any(row["white_best"] for row in rows(folder / "one")["games"])


# --- told on the way ---------------------------------------------------------------------------


def test_progress(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    told: list[RunProgress] = []
    clock = [0.0]

    def tick() -> float:
        clock[0] += 0.1
        return clock[0]

    monkeypatch.setattr(running.time, "monotonic", tick)
    collect("games", folder / "out", tell=told.append)
    assert told
    assert [p.games for p in told] == sorted(p.games for p in told)
    assert [p.share for p in told] == sorted(p.share for p in told)
    assert told[-1].games == 25
    assert 0.9 < told[-1].share <= 1
    assert all(p.left is None or p.left >= 0 for p in told)


def test_workers_are_not_started_for_nothing(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    collect("games", folder / "out")
    monkeypatch.setattr(running, "workers", None)
    assert collect("games", folder / "out", jobs=2).new == 0


def test_inputs_know_their_names(folder: Path) -> None:
    (folder / "link.pgn").symlink_to(folder / "games" / "a.pgn")
    found = find_inputs(["./games/../games/a.pgn", "link.pgn", "games", "-"], folder / "out")
    assert found[0] == Input("games/a.pgn", str((folder / "games" / "a.pgn").resolve()))
    assert [one.name for one in found] == [
        "games/a.pgn",
        "games/spring/b.PGN",
        "games/spring/c.pgn.gz",
        "standard input",
    ]
