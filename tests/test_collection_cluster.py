"""The same rows from a Dask cluster: a scheduler and two workers as real processes on loopback."""

from __future__ import annotations

import os
import signal
import socket
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

pytest.importorskip("pyarrow")
pytest.importorskip("distributed")

from collection_help import names, places, rows, some_games

from convert.collection import crew
from convert.collection.crew import RunError
from convert.collection.inputs import find_inputs
from convert.collection.rows import Options
from convert.collection.run import run

pytestmark = pytest.mark.slow

WALK = Options(effort="walk")


def free_port() -> int:
    with socket.socket() as one:
        one.bind(("127.0.0.1", 0))
        return int(one.getsockname()[1])


def start(folder: Path, *args: str) -> subprocess.Popen[bytes]:
    with open(folder / "cluster.log", "ab") as log:
        return subprocess.Popen(
            [sys.executable, "-m", "distributed.cli." + args[0], *args[1:]],
            cwd=folder,
            stdout=log,
            stderr=log,
        )


@contextmanager
def cluster(folder: Path, workers: int) -> Iterator[tuple[str, list[subprocess.Popen[bytes]]]]:
    """Address of a scheduler, and its workers; all are ended at the end."""
    port = free_port()
    address = f"tcp://127.0.0.1:{port}"
    scheduler = start(
        folder, "dask_scheduler", "--host", "127.0.0.1", "--port", str(port), "--no-dashboard"
    )
    own = [worker(folder, address) for _ in range(workers)]
    try:
        yield address, own
    finally:
        for process in (*own, scheduler):
            process.kill()
            process.wait()


def worker(folder: Path, address: str, *more: str) -> subprocess.Popen[bytes]:
    return start(
        folder,
        "dask_worker",
        address,
        "--nworkers",
        "1",
        "--nthreads",
        "1",
        "--no-nanny",
        "--no-dashboard",
        "--local-directory",
        str(folder / "scratch"),
        "--memory-limit",
        "0",
        *more,
    )


def wait_for(address: str, workers: int) -> None:
    from distributed import Client

    end = time.monotonic() + 120
    while True:
        try:
            with Client(address, timeout=10, set_as_default=False) as client:
                if workers:
                    client.wait_for_workers(workers, timeout=60)
                return
        except (OSError, TimeoutError):
            if time.monotonic() > end:
                raise
            time.sleep(0.2)


@pytest.fixture
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.chdir(tmp_path)
    (tmp_path / "games").mkdir()
    for number in range(4):
        text = some_games(25, 25 * number)
        (tmp_path / "games" / f"{number}.pgn").write_text(text, encoding="utf-8")
    return tmp_path


def test_a_cluster_that_loses_a_worker_half_way(folder: Path) -> None:
    """A worker is killed when a third of the parts are done; the rows are those of one process."""
    alone, out = folder / "alone", folder / "out"
    inputs = find_inputs(["games"], out)
    run(list(inputs), alone, WALK, part_bytes=2000)
    total = len(list((alone / "games").glob("*.parquet")))
    killed = threading.Event()
    with cluster(folder, 2) as (address, workers):
        wait_for(address, 2)

        def kill() -> None:
            end = time.monotonic() + 120
            while time.monotonic() < end:
                if len(list((out / "games").glob("part-*.parquet"))) > total // 3:
                    os.kill(workers[0].pid, signal.SIGKILL)
                    killed.set()
                    return
                time.sleep(0.002)

        thread = threading.Thread(target=kill)
        thread.start()
        outcome = run(list(inputs), out, WALK, cluster=address, part_bytes=2000)
        thread.join()
        assert workers[0].wait(10) == -signal.SIGKILL
    assert killed.is_set()
    assert outcome.complete
    assert outcome.new == outcome.games == len(places(alone))
    assert rows(out) == rows(alone)
    assert names(out) == names(alone)


def test_a_cluster_without_workers_or_with_none_left(
    folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    inputs = find_inputs(["games"], folder / "out")
    monkeypatch.setattr(crew, "ANSWER", 3)
    monkeypatch.setattr(crew, "ALONE", 2.0)
    with pytest.raises(RunError, match="no scheduler answers there"):
        run(list(inputs), folder / "out", WALK, cluster=f"tcp://127.0.0.1:{free_port()}")
    with cluster(folder, 0) as (address, _):
        wait_for(address, 0)
        with pytest.raises(RunError, match="the scheduler has no workers"):
            run(list(inputs), folder / "out", WALK, cluster=address)
    with cluster(folder, 1) as (address, workers):
        wait_for(address, 1)

        def kill() -> None:
            while not list((folder / "out" / "games").glob("part-*.parquet")):
                time.sleep(0.002)
            os.kill(workers[0].pid, signal.SIGKILL)

        thread = threading.Thread(target=kill)
        thread.start()
        with pytest.raises(RunError, match="no workers are left"):
            run(list(inputs), folder / "out", WALK, cluster=address, part_bytes=1000)
        thread.join()
    # What was finished is kept, and one machine can go on.
    begun = len(places(folder / "out"))
    assert 0 < begun < 100
    outcome = run(list(inputs), folder / "out", WALK, part_bytes=1000)
    assert outcome.kept >= begun
    assert len(places(folder / "out")) == outcome.games


def test_a_cluster_that_grows_and_shrinks(folder: Path) -> None:
    """No worker at first, then four, then two fewer, and a file at which three die and no more."""
    from collection_help import POISON

    (folder / "games" / POISON).write_text(some_games(1), encoding="utf-8")
    preload = folder / "preload.py"
    preload.write_text(
        f"import sys\nsys.path.insert(0, {str(Path(__file__).parent)!r})\n"
        "from pathlib import Path\nfrom collection_help import poisoned\n"
        f"poisoned(Path({str(folder)!r}))\n",
        encoding="utf-8",
    )
    out = folder / "out"
    sizes: list[int] = []
    with cluster(folder, 0) as (address, processes):
        before = len(processes)
        wait_for(address, 0)

        def change() -> None:
            time.sleep(2)
            for _ in range(4):
                processes.append(worker(folder, address, "--preload", str(preload)))
            end = time.monotonic() + 120
            while time.monotonic() < end and not list(out.glob("games/part-*.parquet")):
                time.sleep(0.002)
            # Three of the four die at the poison: others come, and two of these are taken away.
            while time.monotonic() < end and len(list(folder.glob("died-*"))) < 2:
                time.sleep(0.01)
            fresh = [worker(folder, address, "--preload", str(preload)) for _ in range(4)]
            processes.extend(fresh)
            wait_for(address, 4)
            for one in fresh[:2]:
                os.kill(one.pid, signal.SIGKILL)

        thread = threading.Thread(target=change)
        thread.start()
        outcome = run(
            find_inputs(["games"], out),
            out,
            WALK,
            cluster=address,
            part_bytes=500,
            tell=lambda progress: sizes.append(progress.games),
        )
        thread.join()
        assert len(processes) == before + 8
    assert len(list(folder.glob("died-*"))) == 3
    assert {Path(name).name for name, _ in outcome.unreadable} == {POISON}
    (folder / "games" / POISON).unlink()
    run(find_inputs(["games"], folder / "alone"), folder / "alone", WALK, part_bytes=500)
    assert [place for place in places(out) if POISON not in place[0]] == places(folder / "alone")
