"""Statements held against what is known: each kind, whole games, and remarks in the PGN."""

from __future__ import annotations

import io
import json
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import chess
import chess.pgn
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from rich.console import Console
from slow_reference import Reference
from strategies import positions

from convert.judging.judges import EFFORTS, Bench, EffortName
from convert.model import Evidence, Side
from convert.model.findings import Finding, Kind, Proof, Status, count, to_builtins
from convert.proofreading.proof import proofread
from convert.reading.games import read_games
from convert.reading.records import GameRead
from convert.reports.json_text import proofs_document
from convert.reports.proofread_pgn import with_remarks, without_remarks
from convert.reports.proofread_text import print_proof
from convert.rim.pgn_text import comment_of, starting_comment_of
from tablebases.files import bundled_folder
from tablebases.probing import SyzygyProber, open_tables

DATA = Path(__file__).parent / "data"
CASES: list[dict[str, Any]] = json.loads(
    (DATA / "proofread" / "cases.json").read_text(encoding="utf-8")
)


@pytest.fixture(scope="module")
def quick() -> Iterator[Bench]:
    """A bench with little effort, shared by the tests of this module."""
    with open_tables() as tables:
        yield Bench(tables, effort=EFFORTS[EffortName.QUICK])


@pytest.fixture(scope="module")
def notes(quick: Bench) -> list[tuple[GameRead, Proof]]:
    """The annotated club games, proofread."""
    return [(read, proofread(read, quick)) for read in read_games(DATA / "proofread/notes.pgn")]


@pytest.fixture(scope="module")
def reference() -> Iterator[Reference]:
    """The tables read by brute force."""
    found = Reference(bundled_folder())
    yield found
    found.close()


def one(text: str) -> GameRead:
    """The one game of a PGN text."""
    return next(read_games("-", stdin=io.BytesIO(text.encode())))


def pgn(case: dict[str, Any]) -> str:
    """A case as PGN."""
    parts = [f"{{{case['before']}}}"] if "before" in case else []
    parts += [case["moves"], *(f"${nag}" for nag in case.get("nags", []))]
    parts += [f"{{{case['comment']}}}"] if "comment" in case else []
    parts += [")"] if case.get("close") else []
    result = case.get("result", "*")
    movetext = " ".join([*parts, result])
    return f'[Result "{result}"]\n[SetUp "1"]\n[FEN "{case["fen"]}"]\n\n{movetext}\n'


@pytest.mark.parametrize("case", CASES, ids=[case["name"] for case in CASES])
def test_each_kind_of_statement(case: dict[str, Any], bench: Bench) -> None:
    read = one(pgn(case))
    assert not read.problems or case.get("result")
    (finding,) = proofread(read, bench).findings
    assert finding.statement.kind == case["kind"]
    assert finding.status == case["status"], finding.text
    assert case["about"] in finding.text
    assert bool(finding.line) or not case.get("line")


def test_every_kind_and_status_has_a_case() -> None:
    assert {case["kind"] for case in CASES} == set(Kind)
    assert {case["status"] for case in CASES} == set(Status)


#: Place, quotation and status, as the annotator of the file wrote them to be.
EXPECTED = [
    ("start", "White is winning", "confirmed"),
    ("50.Ke4", "$1", "confirmed"),
    ("50.Ke4", "The only winning move", "confirmed"),
    ("50.Ke4", "Zugzwang", "confirmed"),
    ("50.e4", "$2", "confirmed"),
    ("50.e4", "Now it is a draw", "confirmed"),
    ("50...Kd6", "$7", "confirmed"),
    ("50...Kd6", "The only move to draw", "confirmed"),
    ("50...Ke7", "$4", "confirmed"),
    ("51.Ke5", "$18", "confirmed"),
    ("51.Ke5", "White wins", "confirmed"),
    ("51...Ke6", "$10", "confirmed"),
    ("52.Ke4", "50.Ke4 would have won", "confirmed"),
    ("55...Ke8", "$1", "confirmed"),
    ("58.Ke6", "$10", "confirmed"),
    ("58.Ke6", "The position is drawn", "confirmed"),
    ("51.Kf5", "Black is not lost", "refuted"),
    ("53.Kf6", "$14", "confirmed"),
    ("53.Kf6", "White wins", "not checkable"),
    ("54.Ke6", "$1", "confirmed"),
    ("54.Ke6", "$16", "confirmed"),
    ("54.Ke6", "Mutual zugzwang", "refuted"),
    ("55.e4", "$2", "refuted"),
    ("55.e4", "Throws away the win", "refuted"),
    ("56.e5", "Black still holds", "refuted"),
    ("56.e5", "56.Kd6 Kd8 57.e5 wins", "confirmed"),
    ("57.Kf7", "$19", "refuted"),
    ("57.Kf7", "White cannot win", "refuted"),
    ("57...Kd7", "$6", "not checkable"),
    ("58...Kd6", "The losing move", "refuted"),
]


def test_a_whole_game(notes: list[tuple[GameRead, Proof]]) -> None:
    proof = notes[0][1]
    told = [(f.statement.place.label, f.statement.quote, str(f.status)) for f in proof.findings]
    assert told == EXPECTED
    assert sum(count(proof.findings).values()) == len(EXPECTED)


def test_results_agree_with_brute_force(
    notes: list[tuple[GameRead, Proof]], reference: Reference
) -> None:
    """Whatever is confirmed or refuted of a result with four men, the tables say the same."""
    looked = 0
    for _, proof in notes:
        for finding in proof.findings:
            statement = finding.statement
            board = chess.Board(statement.fen)
            if statement.kind is not Kind.RESULT or board.occupied.bit_count() > 4:
                continue
            if finding.status in (Status.CONFIRMED, Status.REFUTED):
                assert holds(finding, reference.points(board)) == (
                    finding.status is Status.CONFIRMED
                )
                looked += 1
    assert looked >= 12


def holds(finding: Finding, points: tuple[int, int]) -> bool:
    """Is the claim true, given the points for the side to move?"""
    statement = finding.statement
    least, most = points
    assert least == most
    turn = Side.of(chess.Board(statement.fen).turn)
    value = least if (statement.side or Side.WHITE) is turn else -least
    assert statement.low is not None
    assert statement.high is not None
    return statement.low <= value <= statement.high


CLAIMS = [
    "White wins.",
    "Black wins.",
    "Drawn.",
    "White is lost.",
    "Black is winning.",
    "White cannot win.",
    "Black does not lose.",
    "This wins.",
    "This draws.",
    "This loses.",
    "White holds.",
    "White cannot hold.",
]


@given(board=positions(), data=st.data())
@settings(max_examples=20)
def test_a_claim_about_four_men_is_true_or_false(
    quick: Bench, reference: Reference, board: chess.Board, data: st.DataObject
) -> None:
    """A random claim about a random position: confirmed or refuted, as the tables have it."""
    moves = sorted(board.legal_moves, key=lambda m: m.uci())
    if not moves:
        return
    move = data.draw(st.sampled_from(moves))
    game = chess.pgn.Game()
    game.setup(board)
    node = game.add_variation(move)
    node.comment = data.draw(st.sampled_from(CLAIMS))
    (finding,) = proofread(_read(game), quick).findings
    expected = holds(finding, reference.points(node.board()))
    assert finding.status is (Status.CONFIRMED if expected else Status.REFUTED)
    assert finding.verdict is not None
    assert finding.verdict.evidence in (Evidence.TABLE, Evidence.RULES)


def _read(game: chess.pgn.Game) -> GameRead:
    return GameRead("x.pgn", 1, 1, game, tuple(game.mainline_moves()), (), True)


def test_an_estimate_neither_confirms_nor_refutes(bench: Bench) -> None:
    """A queen more in the opening: as good as won, but nothing is proved."""
    text = '[Result "*"]\n\n1. e4 e5 2. Qh5 Nc6 3. Qxh7 $18 {White is winning.} Rxh7 $19 *\n'
    statuses = [finding.status for finding in proofread(one(text), bench).findings]
    assert statuses == [Status.OPEN] * 3


def test_classic_games_contradict_no_sound_remark(quick: Bench) -> None:
    """NAGs that say how each game ended, behind its last move: none is refuted."""
    nags = {"1-0": 18, "0-1": 19, "1/2-1/2": 10}
    statuses = set()
    for read in read_games(DATA / "classic_games.pgn"):
        assert read.game is not None
        read.game.end().nags.add(nags[read.game.headers["Result"]])
        (finding,) = proofread(read, quick).findings
        statuses.add(finding.status)
        assert finding.status is not Status.REFUTED, read.game.headers
    assert statuses <= {Status.CONFIRMED, Status.OPEN, Status.STRONGER}


# --- remarks in the PGN -------------------------------------------------------------------------

ALL = tuple(Status)


def flat(game: chess.pgn.Game, *, cleaned: bool) -> list[object]:
    """Tags and the whole tree with comments and NAGs, in order."""

    def text(comment: str) -> str:
        return without_remarks(comment) if cleaned else comment

    out: list[object] = [sorted(game.headers.items()), text(comment_of(game))]
    stack: list[chess.pgn.GameNode] = [game]
    while stack:
        node = stack.pop()
        stack += reversed(node.variations)
        if isinstance(node, chess.pgn.ChildNode):
            comments = text(starting_comment_of(node)), text(comment_of(node))
            out.append((node.move, sorted(node.nags), *comments, len(node.variations)))
    return out


def test_without_our_remarks_the_game_is_the_authors(notes: list[tuple[GameRead, Proof]]) -> None:
    for read, proof in notes:
        assert read.game is not None
        before = flat(read.game, cleaned=False)
        text = with_remarks(proof, read.game, ALL)
        assert flat(read.game, cleaned=False) == before, "the game given is not changed"
        back = one(text)
        assert not back.problems
        assert back.game is not None
        assert flat(back.game, cleaned=True) == before
        assert flat(back.game, cleaned=False) != before
        assert all(len(line) < 80 for line in text.splitlines())


def test_remarks_are_not_read_and_are_replaced(
    notes: list[tuple[GameRead, Proof]], quick: Bench
) -> None:
    """Proofreading what was written finds the same, and writing it again changes nothing."""
    read, proof = notes[0]
    assert read.game is not None
    text = with_remarks(proof, read.game, ALL)
    again = proofread(one(text), quick)
    assert [f.statement.quote for f in again.findings] == [
        f.statement.quote for f in proof.findings
    ]
    game = one(text).game
    assert game is not None
    assert with_remarks(again, game, ALL) == text


def test_remarks_have_braces_of_their_own(notes: list[tuple[GameRead, Proof]]) -> None:
    read, proof = notes[0]
    assert read.game is not None
    text = " ".join(with_remarks(proof, read.game).split())
    assert '{Black is not lost.} {[fullpoint: "Black is not lost": refuted.' in text
    assert "not checkable" not in text
    only = " ".join(with_remarks(proof, read.game, (Status.REFUTED,)).split())
    assert "confirmed" not in only
    assert "{The only winning move. Zugzwang!} (" in only


COMMENTS = st.one_of(
    st.sampled_from(
        [
            "White wins.",
            "drawn",
            "Only move!",
            "[%clk 0:00:01] White wins.",
            "[x] White wins.",
            "a [fullpoint: old] b",
            "50.Ke4 wins.",
            "\ue000 White wins. \ue001",
            "(White wins.)",
            "",
        ]
    ),
    st.text(
        st.characters(
            exclude_characters="{}\x00", exclude_categories=["Cc", "Cs", "Zl", "Zp", "Zs"]
        ),
        max_size=20,
    ),
)


@given(data=st.data())
@settings(max_examples=10)
def test_any_tree_comes_back(quick: Bench, data: st.DataObject) -> None:
    """Random trees, comments and NAGs: taken out our remarks, the author's game is left."""
    game = chess.pgn.Game()
    game.setup(chess.Board("8/8/4k3/8/3K4/4P3/8/8 w - - 0 50"))
    nodes: list[chess.pgn.GameNode] = [game]
    for _ in range(data.draw(st.integers(1, 8))):
        parent = data.draw(st.sampled_from(nodes))
        used = {child.move for child in parent.variations}
        moves = [m for m in parent.board().legal_moves if m not in used]
        if not moves:
            continue
        child = parent.add_variation(
            data.draw(st.sampled_from(sorted(moves, key=lambda m: m.uci()))),
            comment=data.draw(COMMENTS).strip(),
            nags=data.draw(st.sets(st.sampled_from([1, 4, 7, 10, 18, 23, 99, 139, 146]))),
        )
        if child.starts_variation():
            child.starting_comment = data.draw(COMMENTS).strip()
        nodes.append(child)
    game.comment = data.draw(COMMENTS).strip()
    proof = proofread(_read(game), quick)
    back = one(with_remarks(proof, game, ALL))
    assert back.game is not None
    assert flat(back.game, cleaned=True) == flat(game, cleaned=True)


# --- the other reports --------------------------------------------------------------------------


def test_text(notes: list[tuple[GameRead, Proof]], gold: Any) -> None:
    console = Console(file=io.StringIO(), width=80, color_system=None, markup=False)
    for _, proof in notes:
        print_proof(proof, console)
    gold("proofread-notes.txt", console.file.getvalue())  # type: ignore[attr-defined]


def test_pgn(notes: list[tuple[GameRead, Proof]], gold: Any) -> None:
    parts = [with_remarks(proof, read.game) for read, proof in notes if read.game is not None]
    gold("proofread-notes.pgn", "".join(parts))


def test_json(notes: list[tuple[GameRead, Proof]]) -> None:
    told = json.loads("".join(proofs_document(proof for _, proof in notes)))
    assert told["schema"] == 1
    assert [len(game["findings"]) for game in told["games"]] == [
        len(proof.findings) for _, proof in notes
    ]
    first = told["games"][0]
    assert first == json.loads(json.dumps(to_builtins(notes[0][1])))
    assert first["counts"]["refuted"] == 8
    assert first["findings"][0]["statement"]["reading"] == "White wins"


def test_a_game_that_cannot_be_used(tables: SyzygyProber) -> None:
    read = GameRead("x.pgn", 1, 1, None, (), (), False)
    with pytest.raises(ValueError, match="nothing of the game"):
        proofread(read, Bench(tables))
