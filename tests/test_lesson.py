"""Exercises: certain, unique, not trivial; their twins; mirror images; files written and read."""

from __future__ import annotations

import io
import json
from dataclasses import replace
from pathlib import Path

import chess
import chess.pgn
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from convert.judging.judges import Bench
from convert.lesson.build import build
from convert.lesson.builtin import read
from convert.lesson.choose import Pool, Wanted, alike, choose, finish, normal, write_out
from convert.lesson.finding import from_board, from_game, from_position
from convert.lesson.judging import Candidate, draft, plain
from convert.lesson.lines import show
from convert.lesson.plausible import best_capture, offers_trade
from convert.lesson.sheet import make_sheet
from convert.lesson.twins import find_twin
from convert.model import Side
from convert.model.lesson import Exercise, Level, Sheet, Task, ends_words
from convert.reading.epd import read_positions
from convert.reading.games import read_games
from convert.reports.json_text import document
from convert.reports.lesson_epd import epd_text
from convert.reports.lesson_pgn import pgn_text
from convert.wording.themes import THEMES
from tablebases.probing import SyzygyProber
from tests.lesson_strategies import small_endings

DATA = Path(__file__).parent / "data" / "lesson"


def points(tables: SyzygyProber, board: chess.Board) -> int:
    """The result for the side to move, straight from the tables."""
    if board.is_checkmate():
        return -1
    if board.is_game_over():
        return 0
    answer = tables.outcome(board)
    assert answer.low.points == answer.high.points
    return answer.low.points


def moves_by_result(tables: SyzygyProber, board: chess.Board) -> dict[str, int]:
    """Each legal move with what it leads to, for the side that makes it."""
    found = {}
    for move in board.legal_moves:
        child = board.copy(stack=False)
        child.push(move)
        found[move.uci()] = -points(tables, child)
    return found


def check_exercise(tables: SyzygyProber, exercise: Exercise) -> None:
    """Judge everything again that the exercise claims, without its judges."""
    board = chess.Board(exercise.fen)
    told = moves_by_result(tables, board)
    result = max(told.values())
    assert exercise.verdict.points == result
    assert exercise.side is Side.of(board.turn)
    if result >= 0:
        good = {uci for uci, value in told.items() if value == result}
        assert exercise.kept == len(good)
        assert {tried.uci for tried in exercise.keep} <= good
        if exercise.task in (Task.ONLY, Task.TRADE, Task.RECAPTURE):
            assert len(good) <= 2
            assert {tried.uci for tried in exercise.keep} == good
    for tried in exercise.wrong:
        assert told[tried.uci] < result
        assert told[tried.uci] == tried.verdict.points
    if exercise.task is Task.REFUSE:
        assert exercise.asked is not None
        assert told[exercise.asked.uci] < result
    if exercise.task is Task.TRADE:
        assert exercise.asked is not None
        assert told[exercise.asked.uci] == result
    twin = exercise.twin
    if twin is None:
        assert exercise.task is not Task.RESULT or exercise.ident == "free"
        return
    other = chess.Board(twin.fen)
    assert other.is_valid()
    value = points(tables, other)
    mine = value if other.turn == board.turn else -value
    assert twin.verdict.points == mine
    if twin.same is not None:
        was = exercise.asked or exercise.shown
        assert was is not None
        there = moves_by_result(tables, other)
        assert there[twin.same.uci] != told[was.uci]
        assert there[twin.same.uci] == twin.same.verdict.points
    else:
        assert mine != result


def check_lines(tables: SyzygyProber, exercise: Exercise) -> None:
    """Every line is legal, and no move of it gives away what its side had."""
    for tried in (*exercise.keep, *exercise.wrong):
        if tried.line is None:
            continue
        board = chess.Board(tried.line.fen)
        board.push_san(tried.line.moves[0])
        before = points(tables, board)
        for san in tried.line.moves[1:]:
            board.push_san(san)
            after = -points(tables, board)
            assert after == before, (exercise.fen, tried.line)
            before = -after
        ends = tried.line.ends
        assert ends != "mate" or board.is_checkmate()
        assert ends != "stalemate" or board.is_stalemate()
        assert ends != "no mating material" or board.is_insufficient_material()
        assert ends in ("mate", "stalemate", "point") or ends_words(tried.line)
        assert ends not in ("held", "so on", "open")


@pytest.fixture(scope="module")
def sheet(tables: SyzygyProber) -> Sheet:
    """A sheet from the test's files."""
    bench = Bench(tables)
    pool = Pool()
    for given_ in read_positions(DATA / "exercises.epd"):
        found = from_position(given_, bench)
        if found is not None:
            pool.add(found)
    for game in read_games(DATA / "lesson.pgn"):
        for found in from_game(game, bench):
            pool.add(found)
    wanted = Wanted(20)
    made = write_out(bench, pool.drafts(), wanted)
    return make_sheet("Test sheet", finish(bench, choose(made, wanted), 0.0), notes=("A note.",))


def test_sheet_is_certain(sheet: Sheet, tables: SyzygyProber) -> None:
    assert len(sheet.exercises) >= 7
    for exercise in sheet.exercises:
        check_exercise(tables, exercise)
        check_lines(tables, exercise)


def test_sheet_is_varied_and_in_order(sheet: Sheet) -> None:
    found = sheet.exercises
    assert [e.points for e in found] == sorted(e.points for e in found)
    assert len({e.theme for e in found}) >= 3
    assert len({e.ident for e in found}) == len(found)
    boards = [chess.Board(e.fen) for e in found]
    for i, board in enumerate(boards):
        assert not any(alike(board, other) for other in boards[:i])
    for exercise in found:
        assert exercise.reasons
        assert exercise.question.count("to move") <= 1
        assert exercise.hint


def test_questions_do_not_name_the_answer(sheet: Sheet) -> None:
    for exercise in sheet.exercises:
        if exercise.task is Task.ONLY and exercise.shown is not None:
            assert exercise.shown.san not in exercise.question
        if exercise.task is Task.RESULT:
            assert "(table)" not in exercise.question


@pytest.mark.parametrize(
    "fen",
    [
        "8/1K6/8/8/1P6/8/5k2/8 w - - 0 1",  # nothing to choose from: most moves win, none by name
        "8/8/8/4k3/8/8/3QK3/8 w - - 0 1",  # the mate with the queen is technique
        "7k/5K1P/8/8/8/8/8/6R1 w - - 0 1",  # mate in one
        "8/P7/8/8/8/k7/8/K7 w - - 0 1",  # a queen at once
        "8/8/8/3r4/4K3/8/1k6/3R4 w - - 0 1",  # a rook that hangs
    ],
)
def test_trivial_positions_make_no_question_of_a_move(fen: str, bench: Bench) -> None:
    found = draft(bench, Candidate(chess.Board(fen), result_too=False))
    assert found is None


def test_only_move_with_its_twin(bench: Bench) -> None:
    """Kings in opposition: 1...Kf6 alone wins; with White's king elsewhere it does not."""
    found = draft(bench, Candidate(chess.Board("8/5p2/6k1/8/5K2/8/8/8 b - - 0 1")))
    assert found is not None
    exercise = build(bench, found)
    assert exercise.task is Task.ONLY
    assert [tried.san for tried in exercise.keep] == ["Kf6"]
    assert exercise.question == "Black to move and win. There is only one move."
    assert exercise.answer[1] == "Only 1...Kf6 wins (table)."
    assert exercise.twin is not None
    assert exercise.twin.kind == "king"
    assert exercise.twin.difference[0].startswith("With White's king on ")


def test_result_with_its_rule(bench: Bench) -> None:
    """The wrong bishop is the hint; in the twin it is the right one."""
    found = draft(bench, Candidate(chess.Board("8/8/2b5/p7/2k5/8/8/K7 w - - 0 1")))
    assert found is not None
    exercise = build(bench, found)
    assert exercise.task is Task.RESULT
    assert exercise.question == "White to move. Does Black win, or is it a draw?"
    assert exercise.answer[0] == "Drawn (table)."
    assert "rook's pawn" in exercise.hint
    assert exercise.twin is not None
    assert exercise.twin.verdict.points == -1
    assert "Wrong bishop" in exercise.twin.difference[1]


def test_a_move_missed_in_the_game_counts(bench: Bench) -> None:
    games = list(read_games(DATA / "lesson.pgn"))
    found = [d for d in from_game(games[1], bench) if d.task is Task.ONLY]
    first = next(d for d in found if d.candidate.ply == 0)
    exercise = build(bench, first)
    assert "the answer was missed in the game" in exercise.reasons
    assert exercise.wrong[0].san == "g5"
    assert (
        exercise.source == "Dunmore, Finn - Pell, Orla, Saltmarsh League, 2026.03.12, "
        "start of the game"
    )


def test_positions_whose_rights_do_not_show_are_left_out(bench: Bench) -> None:
    assert plain(chess.Board("4k3/8/8/8/8/8/8/4K2R w K - 0 1")) is None
    assert plain(chess.Board("8/8/8/3pP3/4k3/8/4K3/8 w - d6 0 1")) is None
    assert from_board(chess.Board("4k3/8/8/8/8/8/8/4K2R w K - 0 1"), bench) is None


def test_clock_is_not_part_of_an_exercise() -> None:
    board = plain(chess.Board("8/8/4k3/8/5KP1/8/8/8 w - - 37 60"))
    assert board is not None
    assert board.fen() == "8/8/4k3/8/5KP1/8/8/8 w - - 0 1"


def test_what_is_taken_is_taken_back(bench: Bench) -> None:
    board = chess.Board("8/8/8/3k4/3r4/8/3RK3/8 w - - 0 1")
    line = show(bench, board, chess.Move.from_uci("d2d4"))
    assert line.moves == ("Rxd4+", "Kxd4")
    assert line.ends == "no mating material"


def test_offers() -> None:
    board = chess.Board("8/8/3k4/8/r7/4K3/8/1R6 w - - 0 1")
    assert offers_trade(board, chess.Move.from_uci("b1b4")) is False  # not guarded
    guarded = chess.Board("8/8/3k4/8/r7/2K5/8/1R6 w - - 0 1")
    assert offers_trade(guarded, chess.Move.from_uci("b1b4")) is True


def test_promotion_counts_as_a_threat() -> None:
    assert best_capture(chess.Board("8/8/8/8/8/1K6/5k1p/8 b - - 0 1")) == 800
    assert best_capture(chess.Board("8/8/8/8/8/1K6/5k1p/8 w - - 0 1")) == 0


# --- properties ------------------------------------------------------------------------


@given(board=small_endings())
@settings(max_examples=12)
def test_every_exercise_is_certain(board: chess.Board, tables: SyzygyProber) -> None:
    bench = Bench(tables)
    found = draft(bench, Candidate(board))
    if found is None:
        return
    exercise = build(bench, found, ident="free")
    check_exercise(tables, exercise)
    check_lines(tables, exercise)


@given(board=small_endings(), flip=st.booleans())
@settings(max_examples=10)
def test_mirror_images_make_mirrored_exercises(
    board: chess.Board, flip: bool, tables: SyzygyProber
) -> None:
    """Colours exchanged: the same task, moves, points, twin; sides reversed: the same answers."""
    bench = Bench(tables)
    image = board.mirror()
    if flip:
        image = board.transform(chess.flip_horizontal)
    first, second = draft(bench, Candidate(board)), draft(bench, Candidate(image))
    assert (first is None) == (second is None)
    if first is None or second is None:
        return

    def turned(move: chess.Move) -> chess.Move:
        turn = (lambda s: s ^ 7) if flip else chess.square_mirror
        return chess.Move(turn(move.from_square), turn(move.to_square), move.promotion)

    assert first.task is second.task
    assert {turned(o.move) for o in first.keep} == {o.move for o in second.keep}
    assert {turned(o.move) for o in first.tempting} == {o.move for o in second.tempting}
    assert (find_twin(bench, first) is None) == (find_twin(bench, second) is None)
    if not flip:
        a, b = build(bench, first), build(bench, second)
        assert (a.points, a.level, a.theme) == (b.points, b.level, b.theme)
        assert a.reasons == b.reasons
        if a.twin is not None and b.twin is not None:
            assert chess.Board(a.twin.fen).mirror().fen() == b.twin.fen
    assert normal(board) == normal(image)


# --- written and read ------------------------------------------------------------------


def test_json_round_trip(sheet: Sheet) -> None:
    assert read(document(sheet).encode()) == sheet
    with pytest.raises(ValueError, match="Expected"):
        read(b"[]")


def test_epd_reads_back(sheet: Sheet, tmp_path: Path) -> None:
    path = tmp_path / "sheet.epd"
    path.write_text(epd_text(sheet), encoding="utf-8")
    back = list(read_positions(path))
    assert len(back) == len(sheet.exercises)
    for got, exercise in zip(back, sheet.exercises, strict=True):
        assert not got.problems
        assert got.board is not None
        assert got.board.fen() == exercise.fen
        assert got.operations["id"] == exercise.ident
        assert got.operations["c0"] == exercise.question
        keep = [tried.uci for tried in exercise.keep]
        if keep and exercise.kept == len(keep):
            assert {m.uci() for m in got.operations["bm"]} == set(keep)
        if exercise.twin is not None:
            assert chess.Board(str(got.operations["c4"])).is_valid()


def test_pgn_reads_back_equal(sheet: Sheet) -> None:
    text = pgn_text(sheet)
    assert all(len(line) < 80 for line in text.splitlines() if not line.startswith("["))
    assert "[%" not in text
    stream = io.StringIO(text)
    for exercise in sheet.exercises:
        game = chess.pgn.read_game(stream)
        assert game is not None
        assert not game.errors
        assert game.board().fen() == exercise.fen
        assert game.headers["Result"] == "*"
        assert game.headers["SetUp"] == "1"
        assert exercise.question in " ".join(game.comment.split())
        if exercise.shown is not None and exercise.shown.line is not None:
            board = game.board()
            played = [board.san_and_push(move) for move in game.mainline_moves()]
            assert tuple(played) == exercise.shown.line.moves
        if exercise.twin is not None:
            assert exercise.twin.fen in text.replace("\n", " ")
    assert chess.pgn.read_game(stream) is None


def test_hostile_text_stays_text(sheet: Sheet, tmp_path: Path) -> None:
    from convert.reports.lesson_html import html_text

    bad = '<script>alert(1)</script>"]}{[%cal Ga1a2] \\'  # nothing of it may act
    first = replace(sheet.exercises[0], source=bad, tags={"White": bad, "Event": bad})
    hostile = replace(sheet, title=bad, exercises=(first,))
    page = html_text(hostile)
    assert "<script" not in page
    assert "default-src &#39;none&#39;" in page or "default-src 'none'" in page
    path = tmp_path / "hostile.pgn"
    path.write_text(pgn_text(hostile), encoding="utf-8")
    (got,) = read_games(path)
    assert got.game is not None
    assert not got.problems
    assert got.game.headers["White"] == bad
    assert len(epd_text(hostile).splitlines()) == 1


def test_html_has_every_part(sheet: Sheet) -> None:
    from convert.reports.lesson_html import html_text

    page = html_text(sheet)
    assert page == html_text(sheet)
    assert "<script" not in page
    assert "http://" not in page.replace("http://www.w3.org/2000/svg", "")
    assert "https://" not in page
    number = len(sheet.exercises)
    twins = sum(e.twin is not None for e in sheet.exercises)
    assert page.count("<svg ") == 2 * number + twins + 1
    assert page.count('role="img"') == 2 * number + twins
    assert page.count("<details") == 3 * number
    assert page.count('class="paper write"') == number
    assert page.count('<div class="six">') == -(-number // 6)
    for i in range(1, number + 1):
        assert f'id="t{i}"' in page
        assert f'href="#a{i}"' in page
    before, answers = page.split('<section id="answers"')
    for exercise in sheet.exercises:
        if exercise.task is Task.ONLY and exercise.shown is not None:
            assert "Only 1" not in before
    assert "break-before: page" in page
    assert "The twin" in answers


def test_themes_and_levels_are_those_of_the_command() -> None:
    from convert.cli import lesson

    assert tuple(theme.ident for theme in THEMES) == lesson.THEME_NAMES
    assert tuple(level.value for level in Level) == lesson.LEVELS


def test_stored_lesson_is_json() -> None:
    from importlib import resources

    data = resources.files("convert.lesson").joinpath("builtin.json").read_text(encoding="utf-8")
    assert {item["theme"] for item in json.loads(data)} <= {theme.ident for theme in THEMES}


@given(board=small_endings())
@settings(max_examples=10)
def test_no_decided_line_goes_in_circles(board: chess.Board, tables: SyzygyProber) -> None:
    bench = Bench(tables)
    for move in list(board.legal_moves)[:2]:
        line = show(bench, board, move)
        work = chess.Board(line.fen)
        work.push_san(line.moves[0])
        if not points(tables, work):
            continue
        seen = {work.board_fen()}
        for san in line.moves[1:]:
            work.push_san(san)
            assert work.board_fen() not in seen
            seen.add(work.board_fen())
