"""Classic games: the key trade, and what the review says beside what annotators said.

The games and remarks are in ``data/classic_games.pgn`` and ``data/classic_notes.json``
(sources there).  A remark is evidence of what strong players thought, no
proof: the review may agree, have no opinion, or differ, and the file says which
it does and why.  When the estimate gets better, the file changes with it: ``--update-gold``
writes what the review says now, and a person says why where it differs.
"""

from __future__ import annotations

import json
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import chess
import pytest
from slow_reference import MEN, Reference, men

from convert.judging.judges import Bench
from convert.model import Evidence, Review, Side, Slip, Trade, Verdict
from convert.reading.games import read_games
from convert.reading.records import GameRead
from convert.review.game import review_game
from tablebases.files import bundled_folder
from tablebases.probing import open_tables

DATA = Path(__file__).parent / "data"
NOTES: dict[str, dict[str, Any]] = {
    note["id"]: note
    for note in json.loads((DATA / "classic_notes.json").read_text(encoding="utf-8"))["games"]
}
#: The games that the default run reviews; the others are slow tests.
QUICK = ("G01", "G04")
NAMES = [pytest.param(n, marks=[] if n in QUICK else [pytest.mark.slow]) for n in sorted(NOTES)]
#: Expected score from which on the review is taken to speak for a side.
FAVOURS = 0.6


@pytest.fixture(scope="module")
def reads() -> dict[str, GameRead]:
    """The games by their id."""
    out = {}
    for read in read_games(DATA / "classic_games.pgn"):
        assert read.game is not None
        assert read.complete
        assert not read.problems
        out[read.game.headers["FactId"]] = read
    return out


class Reviews(dict[str, Review]):
    """Games by their id, each reviewed with normal effort when it is first asked for."""

    def __init__(self, reads: dict[str, GameRead], bench: Bench):
        self.reads = reads
        self.bench = bench

    def __missing__(self, name: str) -> Review:
        self[name] = review_game(self.reads[name], self.bench)
        return self[name]


@pytest.fixture(scope="module")
def reviews(reads: dict[str, GameRead]) -> Iterator[dict[str, Review]]:
    """Every game reviewed once."""
    with open_tables() as tables:
        yield Reviews(reads, Bench(tables))


@pytest.fixture(scope="module")
def reference() -> Iterator[Reference]:
    """The tables read by brute force."""
    found = Reference(bundled_folder())
    yield found
    found.close()


def favours(verdict: Verdict) -> str:
    """``white``, ``black`` or ``draw``: what the verdict speaks for, exact or estimated."""
    white = verdict.for_side(Side.WHITE).expected
    if white >= FAVOURS:
        return "white"
    return "black" if white <= 1 - FAVOURS else "draw"


def stands(verdict: Verdict, claim: str) -> str:
    """How a verdict stands to a claim: ``agrees``, ``no opinion`` or ``differs``."""
    told = favours(verdict)
    if told == claim:
        return "agrees"
    return "no opinion" if told == "draw" and not verdict.exact else "differs"


def key_trade(review: Review, note: dict[str, Any]) -> Trade:
    """The trade that begins where the note says."""
    found = [trade for trade in review.trades if trade.first == note["first"]]
    assert len(found) == 1, [trade.first for trade in review.trades]
    return found[0]


def test_every_game_has_a_note(reads: dict[str, GameRead]) -> None:
    assert set(reads) == set(NOTES)
    for name, note in NOTES.items():
        assert note["source"], name
        assert note["stands"] != "differs" or note["why"], name


@pytest.mark.parametrize("name", NAMES)
def test_the_key_trade_is_found(reviews: dict[str, Review], name: str) -> None:
    """First and last ply, what each side gave, who offered and when, who began."""
    note, review = NOTES[name], reviews[name]
    trade = key_trade(review, note)
    assert (trade.last, trade.name) == (note["last"], note["name"])
    assert (trade.offered_by, trade.offered_ply) == (note["offered_by"], note["offered_ply"])
    assert trade.began_by == note["began_by"]
    assert trade.liquidation == note["liquidation"]


def recorded(request: pytest.FixtureRequest, name: str, field: str, value: object) -> object:
    """What the file records of a game in a field; with the flag, ``value`` is recorded first."""
    if request.config.getoption("--update-gold") and NOTES[name][field] != value:
        path = DATA / "classic_notes.json"
        whole = json.loads(path.read_text(encoding="utf-8"))
        next(note for note in whole["games"] if note["id"] == name)[field] = value
        NOTES[name][field] = value
        path.write_text(json.dumps(whole, indent=1, ensure_ascii=False) + "\n", encoding="utf-8")
    return NOTES[name][field]


@pytest.mark.parametrize("name", NAMES)
def test_what_the_review_says_of_the_key_trade(
    reviews: dict[str, Review], name: str, request: pytest.FixtureRequest
) -> None:
    """After the trade: does the review speak for the result the annotator spoke for?"""
    note = NOTES[name]
    trade = key_trade(reviews[name], note)
    how = stands(trade.after, note["claim"])
    assert how == recorded(request, name, "stands", how), (
        f"{name}: {note['remark']} ({note['source']}). Recorded: {note['stands']}. {note['why']}"
    )
    if note["decision"]:
        part, ply, _ = note["decision"]
        graded = [d.grade for d in trade.decisions if d.part == part and d.ply == ply]
        assert len(graded) == 1
        now = [part, ply, str(graded[0])]
        assert now == recorded(request, name, "decision", now)


@pytest.mark.parametrize("name", NAMES)
def test_nothing_certain_contradicts_the_brute_force(
    reads: dict[str, GameRead], reviews: dict[str, Review], reference: Reference, name: str
) -> None:
    """Where the tables reach, the review says what they say; no slip is called certain there."""
    board = _start(reads[name])
    review = reviews[name]
    for record in review.plies:
        board.push_uci(record.uci)
        if men(board) <= MEN:
            known = reference.points(board)
            told = record.verdict.for_side(Side.of(board.turn))
            assert (told.low.points, told.high.points) == known, board.fen()
            assert record.verdict.evidence in (Evidence.RULES, Evidence.TABLE)


@pytest.mark.slow
def test_no_move_of_four_men_changed_the_result(
    reads: dict[str, GameRead], reviews: dict[str, Review], reference: Reference
) -> None:
    """Errata, item e0: in these games no move played with four men or fewer was a slip.

    The item was found with tables and a solver for 86 positions of older master
    games; here it is asked again of the games that are in the file.
    """
    looked = 0
    for name, read in reads.items():
        start = _start(read)
        looked += sum(1 for _ in reference.small(start, read.moves))
        assert reference.slips(start, read.moves) == [], name
        boards = _boards(read)
        assert [s for s in _certain(reviews[name]) if men(boards[s.ply - 1]) <= MEN] == [], name
    assert looked > 0


@pytest.mark.slow
def test_no_certain_slip_with_rook_and_pawn_against_knight(
    reads: dict[str, GameRead], reviews: dict[str, Review]
) -> None:
    """Errata, item e0, for the five men of Em. Lasker - Ed. Lasker, New York 1924.

    "No played move changed the theoretical result" holds for rook and pawn
    against knight as well.  A slip the review only *suspects* there would be
    wrong by that item; a certain one would be a fault of the program.
    """
    boards = _boards(reads["G09"])
    five = [
        ply
        for ply, board in enumerate(boards, 1)
        if men(board) == 5 and board.rooks and board.knights and board.pawns
    ]
    assert five
    assert not [slip for slip in _certain(reviews["G09"]) if slip.ply in five]


@pytest.mark.slow
def test_an_unwelcome_trade_of_queens_was_not_called_missed(
    reads: dict[str, GameRead], reviews: dict[str, Review]
) -> None:
    """Em. Lasker - Tarrasch 1914, 26.Qf3: the annotator would not have traded queens yet.

    The trade was on the board; nothing proves that refusing it was wrong. The look-ahead would have
    traded: it may say so as an estimate, not as a trade missed.
    """
    board = _boards(reads["G07"])[50]
    assert board.parse_san("Qxe6") in board.legal_moves
    told = [d for d in reviews["G07"].declined if d.ply == 51]
    assert all(d.grade != "missed" for d in told)
    assert all(not d.after.exact for d in told if d.grade == "against")


@pytest.mark.slow
def test_what_is_suspected_of_the_key_decision(
    reviews: dict[str, Review], request: pytest.FixtureRequest
) -> None:
    """Where a note says so, the first move of the key trade is (not) a suspected slip."""
    asked = {name: note for name, note in NOTES.items() if note["suspected"] is not None}
    assert asked
    for name, note in asked.items():
        slips = [s for s in reviews[name].slips if s.ply == note["first"]]
        assert bool(slips) == recorded(request, name, "suspected", bool(slips)), name
        assert not any(s.certain for s in slips), name


def _certain(review: Review) -> list[Slip]:
    return [slip for slip in review.slips if slip.certain]


def _start(read: GameRead) -> chess.Board:
    assert read.game is not None
    return read.game.board()


def _boards(read: GameRead) -> list[chess.Board]:
    """The position before each ply."""
    board = _start(read)
    out = []
    for move in read.moves:
        out.append(board.copy(stack=False))
        board.push(move)
    return out
