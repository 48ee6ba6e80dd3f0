"""What a review keeps on disk, so that the same game is reviewed quickly again, and alike."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import chess
import pytest
from hypothesis import given
from hypothesis import strategies as st

from convert.judging.effort import EFFORTS, Effort, EffortName
from convert.judging.judges import Bench
from convert.judging.line_judge import LineJudge
from convert.judging.looking import LookAhead
from convert.judging.noted import SearchNotes
from convert.judging.proof import LineProof
from convert.judging.search.front import EachMove, Found, Search
from convert.judging.search.lines import LineProver
from convert.judging.solving import REACHES, SolverJudge
from convert.model import Verdict
from tablebases.probing import ProbeCounts, SyzygyProber, open_tables
from tablebases.solver import Store
from tablebases.solver import sets as open_slices
from tablebases.solver.notes import read_answers, write_answers
from tablebases.values import Outcome

MOVES = "e4 e5 Nf3 Nc6 Bb5 a6 Bxc6 dxc6"
TWO_TO_ONE = "8/8/8/4k1p1/6P1/4K3/4P3/8 w - - 0 1"
FOUND = st.builds(
    Found,
    st.integers(-32_000, 31_000),
    st.lists(st.sampled_from([chess.Move.from_uci(m) for m in ("e2e4", "a7a8q", "e1g1")])).map(
        tuple
    ),
    st.integers(0, 60),
    st.integers(0, 10**9),
)
EACH = st.builds(
    EachMove,
    st.dictionaries(st.sampled_from([chess.Move(1, s) for s in range(2, 9)]), FOUND),
    st.integers(0, 60),
    st.integers(0, 10**9),
)


def boards_of(moves: str = MOVES) -> list[chess.Board]:
    """The positions of a short game."""
    board = chess.Board()
    boards = [board.copy()]
    for san in moves.split():
        board.push_san(san)
        boards.append(board.copy())
    return boards


def looked(folder: Path) -> tuple[LookAhead, list[object]]:
    """All that a review asks of the look-ahead, and what was answered."""
    look, boards = LookAhead(200, 20), boards_of()
    look.notes = SearchNotes(folder)
    look.notes.begin(boards)
    look.game(boards)
    look.compare(boards[2:5])
    look.compare(boards[2:4])  # known: nobody is asked
    answers: list[object] = [look.found(board) for board in boards]
    answers += [look.each_move(board) for board in boards[2:6]]
    answers += [
        *look.guess(boards),
        *look.longer(boards[1:3], 3),
        look.found(chess.Board(TWO_TO_ONE)),
    ]
    look.notes.keep()
    return look, answers


def test_a_game_is_not_searched_twice(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The second time the answers are the same, and so is what is counted; nothing is searched."""
    first, answers = looked(tmp_path)

    def refuse(*_: object, **__: object) -> None:
        raise AssertionError("searched again")

    for name in ("search", "backwards", "many", "moves", "moves_of_many"):
        monkeypatch.setattr(Search, name, refuse)
    monkeypatch.setattr(LookAhead, "search", property(refuse))  # it is not even loaded
    again, then = looked(tmp_path)
    assert then == answers
    assert again.looked_at == first.looked_at > 0
    alone = LookAhead(200, 20)  # with nothing noted, either
    alone.compare([])
    assert alone.guess([]) == []


@pytest.mark.parametrize("change", ["positions", "game", "search", "damage", "content"])
def test_other_questions_are_asked(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, change: str
) -> None:
    """Another effort, another game, another search, a spoilt file: nothing of the old is told."""
    looked(tmp_path)
    boards = boards_of(MOVES + " O-O" if change == "game" else MOVES)
    look = LookAhead(300 if change == "positions" else 200, 20)
    look.notes = SearchNotes(tmp_path)
    (file,) = tmp_path.glob("*.slice")
    if change == "search":
        monkeypatch.setattr("convert.judging.noted._PROGRAM", tmp_path)
    elif change == "damage":
        file.write_bytes(file.read_bytes()[:-1])
    elif change == "content":
        store = Store(tmp_path)
        (key,) = store.keys()
        entry = store.get(key)
        assert entry is not None
        text = entry.arrays["text"]
        text[:] = 32
        store.put(key, {"text": text}, {})
    asked: list[int] = []
    backwards = Search.backwards

    def count(self: Search, boards: list[chess.Board], positions: int) -> list[Found]:
        asked.append(positions)
        return backwards(self, boards, positions)

    monkeypatch.setattr(Search, "backwards", count)
    look.notes.begin(boards)
    look.game(boards)
    assert asked == [look.positions]
    look.notes.keep()
    # An entry for each game and search; another effort stands in that of the game.
    assert len(list(tmp_path.glob("*.slice"))) == (2 if change in ("game", "search") else 1)


@given(st.lists(st.tuples(FOUND, EACH), min_size=1, max_size=4))
def test_whatever_was_found_comes_back(
    tmp_path_factory: pytest.TempPathFactory, pairs: list[tuple[Found, EachMove]]
) -> None:
    found, each = [f for f, _ in pairs], [e for _, e in pairs]
    boards = [chess.Board()] * len(pairs)
    folder = tmp_path_factory.mktemp("notes")
    notes = SearchNotes(folder)
    notes.begin(boards)
    assert notes.answers("one", boards, 5, lambda: found) == found
    assert notes.answers("each", boards, 5, lambda: each) == each
    notes.keep()
    again = SearchNotes(folder)
    again.begin(boards)
    # Asked again, nobody else would have an answer.
    for known in (notes, again):
        assert known.answers("one", boards, 5, list) == found
        assert known.answers("each", boards, 5, list) == each
    assert notes.answers("longer", boards, 5, list) == []


LINES = [chess.Board(fen) for fen in ("8/8/4k3/8/8/2N1K3/8/6rR w - - 0 1", TWO_TO_ONE)]


@pytest.mark.parametrize("effort", [EFFORTS[EffortName.QUICK], EFFORTS[EffortName.NORMAL]])
def test_lines_into_the_tables_are_not_proved_twice(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, effort: Effort
) -> None:
    """With the built-in tables; with others, or at another effort, they are looked for again."""

    def judged(effort: Effort, tables: SyzygyProber) -> tuple[list[Verdict | None], ProbeCounts]:
        look = LookAhead(200, 20)
        look.notes = SearchNotes(tmp_path / "notes")
        look.notes.begin(LINES)
        judge = LineJudge(tables, effort, 4, look)
        told = [judge.judge(board) for board in LINES]
        look.notes.keep()
        return told, tables.counts

    first = judged(effort, open_tables())
    assert any(verdict is not None and verdict.via for verdict in first[0])
    assert first[1].wdl > 0

    class Asked(Exception):
        pass

    def refuse(*_: object, **__: object) -> None:
        raise Asked

    monkeypatch.setattr(LineProver, "prove", refuse)
    assert judged(effort, open_tables()) == first
    (tmp_path / "tables").mkdir()
    for other, tables in (
        (effort, open_tables([tmp_path / "tables"])),
        (replace(effort, proof_slack=effort.proof_slack + 1), open_tables()),
    ):
        with pytest.raises(Asked):
            judged(other, tables)


@given(
    st.tuples(st.sampled_from(Outcome), st.sampled_from(Outcome)),
    st.lists(st.sampled_from([chess.Move.from_uci(m) for m in ("e2e4", "a7a8q", "e1g1")])),
    st.integers(0, 10**9),
)
def test_whatever_lines_prove_comes_back(
    tmp_path_factory: pytest.TempPathFactory,
    interval: tuple[Outcome, Outcome],
    line: list[chess.Move],
    nodes: int,
) -> None:
    probes = ProbeCounts(nodes // 3, nodes // 2)
    folder = tmp_path_factory.mktemp("notes")
    proof = LineProof(*interval, tuple(line), nodes, probes)
    notes = SearchNotes(folder)
    notes.begin(LINES)
    assert notes.answers("lines", [LINES[0]], (1, 2), lambda: [proof]) == [proof]
    notes.keep()
    notes = SearchNotes(folder)
    notes.begin(LINES)
    other = LineProof(Outcome.LOSS, Outcome.WIN, (), 0)
    assert notes.answers("lines", [LINES[0]], (1, 2), lambda: [other]) == [proof]
    for board, limits in ((LINES[1], (1, 2)), (LINES[0], (1, 3)), (LINES[0], (12,))):
        assert notes.answers("lines", [board], limits, lambda: [other]) == [other]


ANSWERS = st.dictionaries(
    st.text(max_size=8),
    st.dictionaries(
        st.tuples(
            st.booleans(),
            st.tuples(st.integers(0, 2**18 - 1), st.integers(0, 63), st.integers(0, 63)),
        ),
        st.tuples(st.integers(0, 2), st.none() | st.integers(0, 250)),
        min_size=1,
    ),
)


@given(ANSWERS)
def test_what_was_looked_up_comes_back(
    tmp_path_factory: pytest.TempPathFactory, answers: open_slices.Answers
) -> None:
    store = Store(tmp_path_factory.mktemp("store"))
    write_answers(store, "a game", answers)
    assert read_answers(store, "a game") == answers
    assert read_answers(store, "another game") == {}


def solved(folder: Path) -> tuple[SolverJudge, dict[str, Verdict | None]]:
    """A game of pawns, solved; what the judge says of its positions and of those after them."""
    tables = open_tables()
    solver = SolverJudge(
        REACHES["normal"],
        lambda board: board.occupied.bit_count() <= 4 and tables.covers(board),
        open_store=lambda: Store(folder),
        threads=1,
    )
    solver.remembers = True
    bench = Bench(tables, solver=solver)
    board = chess.Board(TWO_TO_ONE)
    boards = [board.copy(stack=False)]
    for san in ("Kf3", "Kd4", "e3+"):
        board.push_san(san)
        boards.append(board.copy(stack=False))
    bench.prepare_game(boards)
    told = {}
    for one, move in ((board, move) for board in boards for move in board.legal_moves):
        child = one.copy(stack=False)
        child.push(move)
        told[child.fen()] = solver.judge(child)
    bench.keep()
    return solver, told


def test_slices_of_a_game_are_not_opened_twice(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    first, told = solved(tmp_path)
    assert any(verdict is not None for verdict in told.values())

    def refuse(*_: object) -> None:
        raise AssertionError("opened again")

    monkeypatch.setattr(open_slices, "open_slice", refuse)
    # Nor is anything planned, so the kernels need not be loaded.
    monkeypatch.setattr("tablebases.solver.trying._compile", refuse)
    again, then = solved(tmp_path)
    assert then == told
    assert again.seconds == first.seconds > 0
