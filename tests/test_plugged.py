"""Judges that other packages bring: found, asked in order, held to what a judge may say."""

from __future__ import annotations

import pickle
import sys
import textwrap
from collections.abc import Callable
from pathlib import Path

import chess
import pytest
from click.testing import CliRunner

from convert.cli import cli, main
from convert.errors import Disagreement, JudgeError
from convert.judging import plugged
from convert.judging.bench import also_asked, open_bench
from convert.judging.plugged import held, installed_judges
from convert.model import Evidence, Side, Verdict
from tablebases.values import Outcome

#: Queens, rooks and pawns: nothing that the program's own judges settle.
OPEN = "3q2k1/3r1ppp/8/8/8/8/3R1PPP/3Q2K1 w - - 0 1"

JUDGE = """
    from convert import model
    from tablebases.values import Outcome

    class Toy:
        name = "toy"

        def judge(self, board):
            if board.board_fen() != "3q2k1/3r1ppp/8/8/8/8/3R1PPP/3Q2K1":
                return None
            side = model.Side.of(board.turn)
            return model.Verdict(side, Outcome.DRAW, Outcome.DRAW, model.Evidence.SOLVED)

    class Nameless:
        def judge(self, board):
            return None

    class Mute:
        name = "mute"

    class Failing:
        name = "failing"

        def judge(self, board):
            raise ValueError("no\\nidea")

    class Second(Toy):
        name = "second"
    """


@pytest.fixture
def install(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Callable[..., None]:
    """Install a package whose entry points are the lines given."""

    def put(*lines: str) -> None:
        (tmp_path / "toy_judges.py").write_text(textwrap.dedent(JUDGE), encoding="utf-8")
        facts = tmp_path / "toy_judges-1.0.dist-info"
        facts.mkdir()
        (facts / "METADATA").write_text("Metadata-Version: 2.1\nName: toy-judges\nVersion: 1.0\n")
        text = "\n".join(["[fullpoint.judges]", *lines, ""])
        (facts / "entry_points.txt").write_text(text, encoding="utf-8")
        monkeypatch.syspath_prepend(str(tmp_path))
        monkeypatch.delitem(sys.modules, "toy_judges", raising=False)

    return put


def test_none_is_installed_here() -> None:
    assert installed_judges() == ()
    assert also_asked(open_bench((), "quick", solve=False)) == ()


def test_an_installed_judge_is_asked_and_named(install: Callable[..., None]) -> None:
    install("toy = toy_judges:Toy")
    shown = CliRunner().invoke(cli, ["position", "--effort", "quick", OPEN])
    assert shown.exit_code == 0
    assert "Drawn" in shown.stdout
    assert "also asked, beside the program's own judges: toy" in shown.stderr


def test_without_it_the_position_is_open() -> None:
    shown = CliRunner().invoke(cli, ["position", "--effort", "quick", OPEN])
    assert "estimate" in shown.stdout
    assert "also asked" not in shown.stderr


def test_they_are_asked_in_alphabetical_order_and_those_given_last(
    install: Callable[..., None],
) -> None:
    install("b = toy_judges:Toy", "a = toy_judges:Second")
    bench = open_bench((), "quick", solve=False, judges=[Says()])
    assert also_asked(bench) == ("second", "toy", "says")
    assert [judge.name for judge in bench.ready] == ["rules", "tables", "second", "toy", "says"]
    alone = open_bench((), "quick", solve=False, judges=[Says()], installed=False)
    assert also_asked(alone) == ("says",)


@pytest.mark.parametrize(
    ("line", "said"),
    [
        ("gone = toy_judges:Gone", "judge gone: toy_judges:Gone cannot be loaded"),
        ("none = no_such_module:Toy", "judge none: no_such_module:Toy cannot be loaded"),
        ("x = toy_judges:Nameless", "judge x: has no name"),
        ("x = toy_judges:Mute", "judge mute: has no method judge(board)"),
        ("x = toy_judges:Failing", "judge failing: failed on "),
    ],
)
def test_trouble_with_a_judge_is_one_line(
    install: Callable[..., None], capsys: pytest.CaptureFixture[str], line: str, said: str
) -> None:
    install(line)
    with pytest.raises(SystemExit) as left:
        main(["position", "--effort", "quick", OPEN])
    assert left.value.code == 2
    told = [line for line in capsys.readouterr().err.splitlines() if "also asked" not in line]
    assert len(told) == 1
    assert told[0].startswith(f"fullpoint: error: {said}")


class Says:
    """Says the same of one position, whatever it is given."""

    name = "says"

    def __init__(self, answer: object = None, where: str = OPEN):
        self.answer = answer
        self.where = chess.Board(where)

    def judge(self, board: chess.Board) -> Verdict | None:
        return self.answer if board.board_fen() == self.where.board_fen() else None  # type: ignore[return-value]


WON = Verdict(Side.WHITE, Outcome.WIN, Outcome.WIN, Evidence.SOLVED)


@pytest.mark.parametrize(
    ("answer", "said"),
    [
        ("won", "answered str, not a Verdict"),
        (WON.for_side(Side.BLACK), "answered for Black, who is not to move"),
        (Verdict(Side.WHITE, Outcome.LOSS, Outcome.WIN, Evidence.ESTIMATE), "with an estimate"),
    ],
)
def test_an_answer_that_proves_nothing_is_refused(answer: object, said: str) -> None:
    (judge,) = held([Says(answer)])
    with pytest.raises(JudgeError, match=said):
        judge.judge(chess.Board(OPEN))


def test_a_judge_gets_a_copy_and_its_verdict_counts() -> None:
    bench = open_bench((), "quick", solve=False, judges=[Says(WON)])
    board = chess.Board(OPEN)
    assert bench.settle(board) == WON
    assert board.fen() == OPEN


def test_a_judge_that_contradicts_the_tables_is_named() -> None:
    """White takes the queen and wins by the tables; the judge says no more than a draw."""
    board = chess.Board("k7/8/8/3q4/4P3/8/2P5/2K5 w - - 0 1")
    assert open_bench((), "quick", solve=False).settle(board).points == 1  # type: ignore[union-attr]
    held_off = Verdict(Side.WHITE, Outcome.LOSS, Outcome.DRAW, Evidence.SOLVED)
    bench = open_bench((), "quick", solve=False, judges=[Says(held_off, board.fen())])
    with pytest.raises(Disagreement, match="packages says had a say") as caught:
        bench.settle(board)
    again = pickle.loads(pickle.dumps(caught.value))
    assert str(again) == str(caught.value)
    assert again.beside == ("says",)


def test_errors_travel_between_processes() -> None:
    error = pickle.loads(pickle.dumps(JudgeError("toy", "is tired")))
    assert str(error) == "judge toy: is tired"
    assert error.judge == "toy"


def test_packages_without_judges_cost_no_look_at_all_of_them(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path, install: Callable[..., None]
) -> None:
    install("toy = toy_judges:Toy")
    (tmp_path / "empty").mkdir()
    (tmp_path / "packed.zip").write_bytes(b"")
    monkeypatch.setattr(sys, "meta_path", [f for f in sys.meta_path if isinstance(f, type)])
    for place, declared in (("empty", False), (".", True), ("packed.zip", True), ("gone", False)):
        monkeypatch.setattr(sys, "path", [str(tmp_path / place)])
        assert plugged._some_declared() is declared, place
