"""Judges of other packages, found by their entry points and held to what a judge may say.

A package that depends on this one declares in its ``pyproject.toml``::

    [project.entry-points."fullpoint.judges"]
    wrong-bishop = "mypackage.judges:WrongBishop"

The name is its place among others: they are asked in alphabetical order, after rules, tables and
solver and before the lines into the tables.  What stands behind it is called without arguments
and gives a :class:`~convert.judging.judges.Judge`.
"""

from __future__ import annotations

import contextlib
import os
import sys
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from typing import TYPE_CHECKING

import chess

from convert.errors import JudgeError
from convert.model import Evidence, Side, Verdict

if TYPE_CHECKING:
    from importlib.metadata import EntryPoint

    from convert.judging.judges import Judge

#: The group of entry points (packaging.python.org, "Entry points specification").
GROUP = "fullpoint.judges"


@dataclass(frozen=True)
class HeldJudge:
    """A judge from outside, whose answers are looked at before they are believed.

    ``name``: what messages call it.  It gets a copy of each position, without the moves before.
    """

    name: str
    asked: Judge

    def judge(self, board: chess.Board) -> Verdict | None:
        """Its verdict for the side to move, None when it has nothing to say.

        Raises:
            JudgeError: it failed, or answered what is no proof for the side to move.
        """
        try:
            verdict = self.asked.judge(board.copy(stack=False))
        except Exception as err:
            text = f"{type(err).__name__}: {_one_line(err)}"
            raise JudgeError(self.name, f"failed on {board.fen()} ({text})") from err
        if verdict is None:
            return None
        if not isinstance(verdict, Verdict):
            answer = f"answered {type(verdict).__name__}, not a Verdict"
        elif verdict.side is not Side.of(board.turn):
            answer = f"answered for {verdict.side.name_}, who is not to move"
        elif verdict.evidence is Evidence.ESTIMATE:
            answer = "answered with an estimate; a judge tells what it can prove, or None"
        else:
            return verdict
        raise JudgeError(self.name, f"{answer}, of {board.fen()}")


def held(judges: Iterable[Judge]) -> tuple[HeldJudge, ...]:
    """Judges given by the caller, in the order given.

    Raises:
        JudgeError: one has no name, or no method ``judge``.
    """
    return tuple(_held(judge, type(judge).__name__) for judge in judges)


def installed_judges() -> tuple[HeldJudge, ...]:
    """The judges that installed packages bring, in alphabetical order of their entry points.

    Raises:
        JudgeError: one cannot be loaded or made, or is no judge.
    """
    if not _some_declared():
        return ()
    from importlib.metadata import entry_points

    results = sorted(entry_points(group=GROUP), key=lambda entry: (entry.name, entry.value))
    return tuple(_loaded(entry) for entry in results)


def _loaded(entry: EntryPoint) -> HeldJudge:
    try:
        judge = entry.load()()
    except Exception as err:
        text = f"{type(err).__name__}: {_one_line(err)}"
        raise JudgeError(entry.name, f"{entry.value} cannot be loaded ({text})") from err
    return _held(judge, entry.name)


def _held(judge: Judge, called: str) -> HeldJudge:
    name = getattr(judge, "name", None)
    if not isinstance(name, str) or not name.strip():
        raise JudgeError(called, "has no name")
    if not callable(getattr(judge, "judge", None)):
        raise JudgeError(name, "has no method judge(board)")
    return HeldJudge(name, judge)


def _one_line(err: Exception) -> str:
    return " ".join(str(err).split()) or "no reason given"


# --- is there anything to load? -------------------------------------------------------------------


def _some_declared() -> bool:
    """May any installed package declare a judge?

    Looks for the group's heading in the files that hold entry points, since loading
    ``importlib.metadata`` takes longer than a position in the tables.  Where packages may lie
    elsewhere than in folders, the answer is yes.
    """
    if any(hasattr(f, "find_distributions") for f in sys.meta_path if f is not _path_finder()):
        return True
    return any(_declares(folder) for folder in dict.fromkeys(sys.path))


def _path_finder() -> object:
    from importlib.machinery import PathFinder

    return PathFinder


def _declares(folder: str) -> bool:
    if os.path.isfile(folder):  # a zip file
        return True
    heading = f"[{GROUP}]".encode()
    for path in _entry_point_files(folder or os.curdir):
        with contextlib.suppress(OSError), open(path, "rb") as file:
            if heading in file.read():
                return True
    return False


def _entry_point_files(folder: str) -> Iterator[str]:
    with contextlib.suppress(OSError), os.scandir(folder) as entries:
        for entry in entries:
            if entry.name.lower().endswith((".dist-info", ".egg-info")):
                yield os.path.join(entry.path, "entry_points.txt")
            elif entry.name.lower().endswith(".egg"):
                yield os.path.join(entry.path, "EGG-INFO", "entry_points.txt")
