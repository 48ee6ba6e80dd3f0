"""Trades into other endings: the trade is found, and what the review says of the result.

The positions are in ``data/transitions.json``, each with its source.  Claims
taken from a book are its author's word, those taken from a game only say how it
ended: neither is proof, so the file records how the review stands to each.
"""

from __future__ import annotations

import json
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import chess
import pytest
from slow_reference import Reference

from convert.judging.judges import Bench
from convert.model import Side, Verdict
from convert.review.trades import find_trades
from convert.review.walker import walk
from convert.wording.trade_names import name_trade
from tablebases.files import bundled_folder
from tablebases.probing import open_tables

ITEMS: list[dict[str, Any]] = json.loads(
    (Path(__file__).parent / "data" / "transitions.json").read_text(encoding="utf-8")
)["transitions"]
TRADED = [item for item in ITEMS if item["trade"]]


@pytest.fixture(scope="module")
def bench() -> Iterator[Bench]:
    """The judges over the bundled tables."""
    with open_tables() as tables:
        yield Bench(tables)


def _moves(item: dict[str, Any]) -> list[chess.Move]:
    board = chess.Board(item["fen"])
    return [board.push_san(san) for san in item["moves"]]


def _speaks_for(verdict: Verdict) -> str:
    white = verdict.for_side(Side.WHITE).expected
    return "white" if white >= 0.6 else "black" if white <= 0.4 else "draw"


@pytest.mark.parametrize("item", ITEMS, ids=lambda item: str(item["id"]))
def test_the_moves_lead_where_the_source_says(item: dict[str, Any]) -> None:
    walked = walk(chess.Board(item["fen"]), _moves(item))
    after = walked.boards[-1]
    wanted = chess.Board(item["fen_after"])
    assert after.board_fen() == wanted.board_fen()
    assert after.turn == wanted.turn
    assert len(chess.Board(item["fen"]).piece_map()) == item["men"]


@pytest.mark.parametrize("item", TRADED, ids=lambda item: str(item["id"]))
def test_the_trade_is_found_and_named(item: dict[str, Any]) -> None:
    found = find_trades(walk(chess.Board(item["fen"]), _moves(item)))
    assert [name_trade(trade.white_gave, trade.black_gave) for trade in found] == [item["trade"]]
    leaves_pawns = not chess.Board(item["fen_after"]).occupied & ~(
        chess.Board(item["fen_after"]).pawns | chess.Board(item["fen_after"]).kings
    )
    assert found[0].liquidation == leaves_pawns


@pytest.mark.parametrize("item", ITEMS, ids=lambda item: str(item["id"]))
def test_what_the_review_says_of_the_ending(bench: Bench, item: dict[str, Any]) -> None:
    """Recorded as it is: ``agrees``, ``no opinion`` (the estimate lies between), ``differs``."""
    verdict = bench.verdict(chess.Board(item["fen_after"]))
    told = _speaks_for(verdict)
    stands = "agrees" if told == item["claim"] else "no opinion" if told == "draw" else "differs"
    assert stands == item["stands"], f"{item['told']} ({item['source']}): {verdict}"
    assert bool(item["why"]) == (stands == "differs")


@pytest.mark.parametrize("item", ITEMS, ids=lambda item: str(item["id"]))
def test_bounds_that_the_review_proves_hold(bench: Bench, item: dict[str, Any]) -> None:
    """A bound the review claims is one that a plain search can show too."""
    board = chess.Board(item["fen_after"])
    verdict = bench.verdict(board)
    low, high = verdict.low.points, verdict.high.points
    if (low, high) == (-1, 1):
        return
    reference = Reference(bundled_folder())
    try:
        if low > -1:
            assert any(reference.at_least(board, low, depth) for depth in range(9))
        if high < 1:
            assert any(reference.at_most(board, high, depth) for depth in range(9))
    finally:
        reference.close()
