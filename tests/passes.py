"""Counts how often a game's record passes between modules on its way to a review.

A *pass* is a pair of functions in different modules of ``convert`` of which the one calls the
other with the record in one of its forms as an argument: the record that was read, its game tree,
its moves, the walk, its boards, a verdict a position, and every frozen value that holds one of
these, down to the Review.  A pair counts once, however many moves it is called for; reading a field
or property of a value is no pass, nor is a single board, move or verdict.

A pass is a *return upward* where the module called stands earlier on the way than one that had the
record before: the order of stages is the caller's to say, modules of one stage have one number.
"""

from __future__ import annotations

import sys
from collections.abc import Callable, Mapping
from pathlib import Path
from types import CodeType, FrameType
from typing import Any, NamedTuple

import chess
import chess.pgn

import convert
from convert.model import Verdict

ROOT = Path(convert.__file__).parent


class Pass(NamedTuple):
    """Calling and called function, each as ``review.slips.find_slips``."""

    source: str
    target: str

    @property
    def module(self) -> str:
        """The module called, without ``convert.``."""
        return self.target.rpartition(".")[0]


def carries(value: object, forms: frozenset[str], least: int) -> bool:
    """Is the value a form of a game's record?

    ``forms``: names of the classes that are.  A sequence of boards, moves or verdicts is one from
    the length ``least`` on: shorter ones are lines.
    """
    if isinstance(value, (list, tuple)) and len(value) >= least:
        return isinstance(value[0], (chess.Board, chess.Move, Verdict))
    return isinstance(value, chess.pgn.Game) or type(value).__name__ in forms


def traced(run: Callable[[], Any], forms: frozenset[str], least: int) -> list[Pass]:
    """The passes made by ``run``, each once, in the order of their first.

    ``forms`` and ``least``: what is taken for the record (:func:`carries`).
    """
    passes: dict[Pass, None] = {}
    names: dict[CodeType, str | None] = {}

    def name(code: CodeType) -> str | None:
        if code not in names:
            path = Path(code.co_filename)
            inside = path.is_relative_to(ROOT)
            module = ".".join(path.relative_to(ROOT).with_suffix("").parts) if inside else ""
            names[code] = f"{module}.{code.co_name}" if inside else None
        return names[code]

    def watch(frame: FrameType, event: str, _: object) -> None:
        code = frame.f_code
        called = name(code) if event == "call" else None
        if called is None or code.co_name.startswith("<"):
            return
        arguments = code.co_varnames[: code.co_argcount + code.co_kwonlyargcount]
        given = [frame.f_locals.get(key) for key in arguments if key != "self"]
        if not any(carries(value, forms, least) for value in given):
            return
        back = frame.f_back
        while back is not None and (
            name(back.f_code) is None or back.f_code.co_name.startswith("<")
        ):
            back = back.f_back
        caller = None if back is None else name(back.f_code)
        if caller is not None and caller.rpartition(".")[0] != called.rpartition(".")[0]:
            passes.setdefault(Pass(caller, called))

    before = sys.getprofile()
    sys.setprofile(watch)
    try:
        run()
    finally:
        sys.setprofile(before)
    return list(passes)


def returns_upward(passes: list[Pass], stages: Mapping[str, int]) -> list[Pass]:
    """The passes to a module that stands earlier than one that had the record before.

    ``stages``: the number of each module's stage.

    Raises:
        KeyError: a module without a stage.
    """
    reached, upward = 0, []
    for one in passes:
        stage = stages[one.module]
        if stage < reached:
            upward.append(one)
        reached = max(reached, stage)
    return upward
