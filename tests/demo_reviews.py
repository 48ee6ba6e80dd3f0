"""Reviews of the demo games, each made once in a run of the tests, whatever file asks for it."""

from __future__ import annotations

import os
import pickle
import shutil
import tempfile
from functools import cache
from pathlib import Path

from convert.judging.judges import Bench
from convert.model import Review, Side
from convert.reading.games import read_games
from convert.review.game import review_game
from tablebases.probing import open_tables

DEMO = Path(__file__).parent.parent / "demo_games"


def demo_path(start: str) -> Path:
    """The demo game whose file name begins so: its number."""
    (path,) = DEMO.glob(f"{start}-*.pgn")
    return path


@cache
def demo_review(start: str, side: Side | None = None) -> Review:
    """The review at the default effort, without the solver, by a bench of its own.

    Processes that share the tests (pytest-xdist) share it as well.
    """
    folder = _folder()
    if folder is None:
        return _made(start, side)
    file = folder / f"{start}-{side}"
    if not file.exists():
        folder.mkdir(exist_ok=True)
        part = folder / f"{file.name}.{os.getpid()}"
        part.write_bytes(pickle.dumps(_made(start, side)))
        part.replace(file)
    review: Review = pickle.loads(file.read_bytes())
    return review


def forget() -> None:
    """At the end of a run."""
    if (folder := _folder()) is not None:
        shutil.rmtree(folder, ignore_errors=True)


def _folder() -> Path | None:
    run = os.environ.get("PYTEST_XDIST_TESTRUNUID")
    return None if run is None else Path(tempfile.gettempdir()) / f"fullpoint-reviews-{run}"


def _made(start: str, side: Side | None) -> Review:
    (read,) = read_games(demo_path(start))
    return review_game(read, Bench(open_tables()), side)
