"""The deciding moment, how a game ended, and the sections in which both are told."""

from __future__ import annotations

import io
from dataclasses import replace

import chess
import pytest
from hypothesis import given
from hypothesis import strategies as st
from rich.console import Console

from convert.judging.bench import open_bench
from convert.judging.judges import EFFORTS, Bench, EffortName
from convert.judging.looking import told
from convert.model import Evidence, Finish, Review, Side, Verdict
from convert.model.deciding import FALLS_BY
from convert.reading.games import read_games
from convert.reading.records import GameRead
from convert.reports import Beside, form_called
from convert.reports.markdown import escaped
from convert.reports.sections import Board, Depth, once, sections
from convert.reports.terminal import print_review
from convert.review.course import choose_side
from convert.review.deciding import (
    BETTER_BY,
    STEPS_BY,
    candidates,
    deciding_moment,
    with_moment,
)
from convert.review.game import review_game
from convert.review.judged import judge_walk
from convert.review.longer import CLOSER, LASTS, Longer, look_again
from convert.review.walker import walk
from convert.wording.finish import STOOD_BETTER, deciding_words, finished_words, turned_at
from tablebases.probing import open_tables
from tablebases.values import Outcome

START = "rnbqkbnr/pppppppp/8/8/8/8/PPPPPPPP/RNBQKBNR w KQkq - 0 1"


def reviewed(moves: str, result: str, fen: str = START, termination: str = "") -> Review:
    """A review of a short game, by the tables and a short look-ahead."""
    bench = Bench(open_tables(), effort=EFFORTS[EffortName.QUICK])
    return review_game(parsed(moves, result, fen, termination), bench)


def parsed(moves: str, result: str, fen: str = START, termination: str = "") -> GameRead:
    """A short game as a file has it."""
    tags = f'[Event "Invented"]\n[SetUp "1"]\n[FEN "{fen}"]\n[Result "{result}"]\n'
    if termination:
        tags += f'[Termination "{termination}"]\n'
    text = f"{tags}\n{moves} {result}\n"
    (read,) = read_games("-", stdin=io.BytesIO(text.encode()))
    return read


def estimate(expected: float) -> Verdict:
    """A verdict for White with this expected score."""
    return Verdict(Side.WHITE, Outcome.LOSS, Outcome.WIN, Evidence.ESTIMATE, expected, 1 - expected)


def change(scores: list[float]) -> tuple[int, bool] | None:
    movers = [Side.WHITE if ply % 2 else Side.BLACK for ply in range(1, len(scores))]
    return next(iter(candidates([estimate(score) for score in scores], movers, ())), None)


def test_a_fall_that_lasts_decides() -> None:
    assert change([0.5, 0.5, 0.5, 0.1, 0.1, 0.1]) == (3, True)
    # The same fall by the other player's move is no fall of his.
    assert change([0.5, 0.5, 0.1, 0.1, 0.1, 0.1]) is None


def test_of_a_chance_given_and_let_go_the_letting_go_decides() -> None:
    assert change([0.5, 0.1, 0.5, 0.5, 0.5, 0.5, 0.5, 0.5]) == (2, True)


def test_small_falls_decide_nothing() -> None:
    assert change([0.5, 0.48, 0.4, 0.38, 0.3, 0.3, 0.2]) is None
    assert change([0.5, 0.4, 0.5, 0.4, 0.5, 0.4, 0.5, 0.4]) is None


def test_where_the_chances_shift_step_by_step_the_largest_step_is_told() -> None:
    assert change([0.5, 0.45, 0.45, 0.3, 0.3, 0.2]) == (3, True)


def test_a_fall_that_lasted_a_while_is_told_as_not_final() -> None:
    scores = [0.9, *[0.5] * LASTS, 0.9, 0.9]
    assert change(scores) == (1, False)


def test_a_larger_fall_comes_first() -> None:
    assert change([0.9, 0.6, 0.6, 0.1, 0.1, 0.1]) == (3, True)


def test_a_fall_after_which_the_game_was_level_again_did_not_decide_it() -> None:
    """White falls from .9 to .3, is let back to .5, and falls for good: the last fall decides."""
    assert change([0.9, 0.3, 0.5, 0.5, 0.5, 0.1, 0.1, 0.1]) == (5, True)
    # Where nothing else brought the game to its end in one step, the largest fall is told.
    assert change([0.9, 0.3, 0.5, 0.35, 0.35, 0.2, 0.2, 0.05, 0.05]) == (1, True)


def test_of_two_falls_for_good_that_were_each_followed_by_another_the_later_decides() -> None:
    """White had a won game, then a level one, then a poor one: the level game was lost last."""
    assert change([0.93, 0.15, 0.5, 0.05, 0.24, 0.14, 0.14, 0.03]) == (3, True)


def test_of_two_falls_with_a_level_game_between_the_later_decides() -> None:
    """White falls, is let back, and falls again; for a while Black lets him hope once more."""
    again = [0.9, 0.2, 0.5, 0.1, 0.1, 0.1, 0.1, 0.1, 0.1, 0.1, 0.35, 0.2, 0.2, 0.05]
    assert change(again) == (3, False)


def test_a_move_of_the_side_that_won_decided_nothing() -> None:
    """White gives the queen; if Black resigned, this was not what decided it."""
    moves = "1. e4 e5 2. Qh5 Nc6 3. Qxf7+ Kxf7 4. Nf3 Nf6"
    lost = reviewed(moves, "0-1", termination="normal").deciding
    assert lost is not None
    assert lost.san == "Qxf7+"
    assert lost.side is Side.WHITE
    won = reviewed(moves, "1-0", termination="normal").deciding
    assert won is None or won.side is Side.BLACK


def test_the_moment_is_told_as_the_longer_search_sees_it() -> None:
    """Before and after it, and the better move, are those of twenty times the positions."""
    moves = "1. e4 e5 2. Qh5 Nc6 3. Qxf7+ Kxf7 4. Nf3 Nf6 5. Nc3 Bb4 6. a3 Ba5"
    read = parsed(moves, "0-1", termination="normal")
    bench = Bench(open_tables(), effort=EFFORTS[EffortName.QUICK])
    longer = look_again(judge_walk(walk(chess.Board(), read.moves), bench))
    judged, moment = longer.judged, deciding_moment(longer, ())
    assert moment is not None
    assert moment.san == "Qxf7+"
    board = judged.board(moment.ply)
    result = bench.look.search.search(board, CLOSER * bench.look.positions)
    assert moment.held[0].uci == result.line[0].uci()
    seen = told(board, result.score, result.depth)
    assert moment.before.expected == pytest.approx(seen.expected, abs=1e-3)
    assert moment.held[0].verdict.expected >= moment.after.expected + BETTER_BY


def test_where_the_longer_search_sees_no_better_move_nothing_is_named(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """The estimate drifted, and no move is to blame: here that search would play the same."""
    moves = "1. e4 e5 2. Qh5 Nc6 3. Qxf7+ Kxf7 4. Nf3 Nf6 5. Nc3 Bb4 6. a3 Ba5"
    read = parsed(moves, "0-1", termination="normal")
    bench = Bench(open_tables(), effort=EFFORTS[EffortName.QUICK])
    longer = look_again(judge_walk(walk(chess.Board(), read.moves), bench))
    judged = longer.judged
    played = {judged.board(step.ply).fen(): step.move for step in judged.walked.steps}
    real = Longer.ask

    def ask(self: Longer, board: chess.Board, known: Verdict) -> tuple[Verdict, chess.Move | None]:
        verdict, move = real(self, board, known)
        return verdict, played.get(board.fen(), move)

    monkeypatch.setattr(Longer, "ask", ask)
    assert deciding_moment(longer, ()) is None


def test_a_move_that_decided_by_the_estimate_is_a_suspected_slip() -> None:
    """With the numbers and the better move of the moment, suspected before or not."""
    moves = "1. e4 e5 2. Qh5 Nc6 3. Qxf7+ Kxf7 4. Nf3 Nf6 5. Nc3 Bb4 6. a3 Ba5"
    bench = Bench(open_tables(), effort=EFFORTS[EffortName.QUICK])
    longer = look_again(judge_walk(walk(chess.Board(), parsed(moves, "0-1").moves), bench))
    judged, moment = longer.judged, deciding_moment(longer, ())
    assert moment is not None
    (slip,) = with_moment(judged, (), moment)
    assert (slip.ply, slip.side, slip.san, slip.certain) == (5, Side.WHITE, "Qxf7+", False)
    assert (slip.before, slip.after, slip.held) == (moment.before, moment.after, moment.held)
    other = replace(slip, held=(), before=slip.after)
    assert with_moment(judged, (other,), moment) == (slip,)
    assert with_moment(judged, (other,), None) == (other,)
    assert with_moment(judged, (), replace(moment, fall=FALLS_BY - 0.01)) == ()
    (told,) = (s for s in reviewed(moves, "0-1").slips if s.ply == moment.ply)
    assert told.held == moment.held


# GameId g291780 of the collection that docs/measuring.md names (Dragjon/chessdatabase, MIT).
BY_SMALL_STEPS = """
1. d4 Nf6 2. c4 g6 3. Nc3 Bg7 4. e4 d6 5. Be2 O-O 6. Be3 e5 7. d5 Na6 8. g4 Nc5 9. f3 a5 10. h4 b6
11. h5 Ne8 12. Nh3 f5 13. hxg6 fxg4 14. gxh7+ Kh8 15. Ng5 gxf3 16. Bxf3 Qf6 17. Qe2 Ba6 18. O-O-O a4
19. Rdf1 Qe7 20. Bh5 Nf6 21. Bg6 Bc8 22. Kb1 c6 23. dxc6 Qa7 24. Nd5 Bg4 25. Qg2 Be6 26. Bxc5 Bxd5
27. exd5 bxc5 28. Ne6 Rfe8 29. Bxe8 Rxe8 30. Nxg7 Qxg7 31. Qxg7+ Kxg7 32. Rxf6
"""


@pytest.mark.slow
def test_a_step_that_the_longer_search_alone_sees_is_named() -> None:
    """A game lost by small steps; the review itself sees no better move for any of them."""
    bench = open_bench((), EffortName.NORMAL, solve=False)
    review = review_game(parsed(BY_SMALL_STEPS, "1-0", termination="normal"), bench)
    moment = review.deciding
    assert moment is not None
    assert moment.side is Side.BLACK
    assert STEPS_BY <= moment.fall < FALLS_BY

    def worth(board: chess.Board) -> float:
        result = bench.look.search.search(board, CLOSER * bench.look.positions)
        return told(board, result.score, result.depth).expected

    board = chess.Board(moment.fen)
    played, better = board.copy(), board.copy()
    played.push_san(moment.san)
    better.push_san(moment.held[0].san)
    assert 1 - worth(better) >= 1 - worth(played) + BETTER_BY
    assert "The largest step that lasted was 13...fxg4?" in " ".join(deciding_words(review))


@given(st.lists(st.floats(0, 1), min_size=2, max_size=40))
def test_the_player_of_the_moment_stays_below(scores: list[float]) -> None:
    found = change(scores)
    if found is None:
        return
    ply, final = found
    mine = [score if ply % 2 else 1 - score for score in scores]
    until = len(scores) if final else ply + LASTS
    least = STEPS_BY if final else FALLS_BY
    assert all(score <= mine[ply - 1] - least + 1e-9 for score in mine[ply:until])


PAWN = "8/8/8/3k4/8/2K5/2P5/8 w - - 0 1"


def test_of_two_slips_the_last_decides() -> None:
    """King and pawn: White lets the win go with the pawn, Black the draw with the king."""
    review = reviewed("1. Kd3 Kc5 2. c4 Kb4 3. Kd4", "1-0", PAWN)
    certain = [slip for slip in review.slips if slip.certain]
    moment = review.deciding
    assert moment is not None
    assert [slip.san for slip in certain] == ["c4", "Kb4"]
    assert (moment.ply, moment.certain, moment.final) == (certain[-1].ply, True, True)
    words = " ".join(deciding_words(review))
    assert "2...Kb4? handed the win back" in words
    assert "White wins (table)" in words


def drifting(review: Review, scores: list[float]) -> Review:
    """The same game, won by White without a deciding move; ``scores``: his, a position each."""
    assert review.finished is not None
    return replace(
        review,
        start_verdict=estimate(scores[0]),
        plies=tuple(
            replace(ply, verdict=estimate(score))
            for ply, score in zip(review.plies, scores[1:], strict=True)
        ),
        deciding=None,
        finished=replace(review.finished, winner=Side.WHITE, drawn=False),
    )


@pytest.fixture(scope="module")
def quiet() -> Review:
    """A game of six plies."""
    return reviewed("1. e4 e5 2. Nf3 Nc6 3. Bb5 a6", "1-0")


def test_where_no_move_decided_it_is_told_from_when_on_the_winner_stood_better(
    quiet: Review,
) -> None:
    review = drifting(quiet, [0.5, 0.62, 0.55, 0.6, 0.7, 0.8, 0.9])
    words = " ".join(deciding_words(review))
    assert "From 2.Nf3 on White stood better to the end." in words
    (board,) = [
        piece
        for section in sections(review)
        if section.ident == "deciding"
        for piece in section.pieces
        if isinstance(piece, Board)
    ]
    assert board.caption.startswith("Before 2.Nf3: ")
    assert board.marks == ("g1", "f3")
    # Nobody won, or the winner never stood better: it is not told.
    assert turned_at(drifting(quiet, [0.5, 0.4, 0.5, 0.3, 0.3, 0.4, 0.5])) is None
    assert quiet.finished is not None
    drawn = replace(review, finished=replace(quiet.finished, winner=None, drawn=True))
    assert turned_at(drawn) is None


@given(scores=st.lists(st.floats(0, 1), min_size=7, max_size=7))
def test_from_there_on_the_winner_stood_better(quiet: Review, scores: list[float]) -> None:
    ply = turned_at(drifting(quiet, scores))
    if ply is None:
        steady = max(scores) - min(scores) < FALLS_BY
        assert steady or scores[-1] < STOOD_BETTER or min(scores) >= STOOD_BETTER
    else:
        assert scores[ply - 1] < STOOD_BETTER <= min(scores[ply:])


def test_nothing_changed_is_said() -> None:
    review = reviewed("1. Kd3 Kc5", "1-0", PAWN)
    assert review.deciding is None
    (words,) = deciding_words(review)
    assert words.startswith("Nothing changed: White wins from the first position")


@pytest.mark.parametrize(
    ("fen", "moves", "result", "termination", "how", "said"),
    [
        (START, "1. f3 e5 2. g4 Qh4#", "0-1", "", Finish.MATE, "Black won by mate."),
        (
            "k7/8/1K6/8/8/8/8/1Q6 w - - 0 1",
            "1. Qc2 Kb8 2. Qc7+ Ka8 3. Qd8#",
            "1-0",
            "normal",
            Finish.MATE,
            "White won by mate.",
        ),
        (
            "k7/8/1K6/8/8/8/8/2Q5 w - - 0 1",
            "1. Qc7",
            "1/2-1/2",
            "",
            Finish.STALEMATE,
            "Drawn by stalemate.",
        ),
        (
            "8/8/8/4k3/8/4K3/3p4/8 w - - 0 1",
            "1. Kxd2",
            "1/2-1/2",
            "",
            Finish.BARE_KINGS,
            "Drawn: bare kings.",
        ),
        (
            "8/8/8/4k3/8/1N2K3/3p4/8 w - - 0 1",
            "1. Kxd2",
            "1/2-1/2",
            "",
            Finish.DEAD,
            "Drawn: neither side can mate.",
        ),
        (
            "8/8/8/4k3/8/4K3/8/R7 w - - 0 1",
            "1. Ra5+ Kd6",
            "0-1",
            "time forfeit",
            Finish.TIME,
            "Black won on time.",
        ),
        (
            "8/8/8/4k3/8/4K3/8/R7 w - - 0 1",
            "1. Ra5+ Kd6",
            "1-0",
            "",
            Finish.RESIGNED,
            "Black resigned, as far as the record shows.",
        ),
        (
            "8/8/8/4k3/8/4K3/8/R7 w - - 0 1",
            "1. Ra5+ Kd6",
            "1-0",
            "Normal",
            Finish.RESIGNED,
            "White won; Black resigned.",
        ),
        (
            "8/8/8/4k3/8/4K3/8/R7 w - - 0 1",
            "1. Ra5+ Kd6",
            "0-1",
            "",
            Finish.NOT_TOLD,
            "the record does not say how the game ended.",
        ),
        (
            "8/8/8/4k3/8/4K3/4P3/8 b - - 0 1",
            "1... Kd5 2. Kd3 Ke5 3. Ke3 Kd5 4. Kd3 Ke5 5. Ke3",
            "1/2-1/2",
            "",
            Finish.REPETITION,
            "Drawn by repetition",
        ),
        (
            "8/8/8/4k3/8/4K3/8/R7 w - - 98 80",
            "80. Ra5+ Kd6",
            "1/2-1/2",
            "",
            Finish.FIFTY_MOVES,
            "Drawn by the fifty-move rule",
        ),
        (
            "8/8/8/4k3/8/4K3/8/R7 w - - 0 1",
            "1. Ra5+ Kd6",
            "1/2-1/2",
            "",
            Finish.AGREED,
            "Drawn by agreement",
        ),
        (
            "8/8/8/4k3/8/4K3/8/R7 w - - 0 1",
            "1. Ra5+ Kd6",
            "*",
            "unterminated",
            Finish.UNFINISHED,
            "No result is recorded.",
        ),
    ],
)
def test_how_it_ended(
    fen: str, moves: str, result: str, termination: str, how: Finish, said: str
) -> None:
    review = reviewed(moves, result, fen, termination)
    assert review.finished is not None
    assert review.finished.how is how
    assert said in " ".join(finished_words(review))


def test_a_result_against_the_position_is_named() -> None:
    review = reviewed("1. Ra5+ Kd6", "0-1", "8/8/8/4k3/8/4K3/8/R7 w - - 0 1", "time forfeit")
    assert "But in the final position: White wins with best play (table)." in finished_words(review)


def test_a_draw_agreed_in_a_won_position_says_so() -> None:
    review = reviewed("1. Ra5+ Kd6", "1/2-1/2", "8/8/8/4k3/8/4K3/8/R7 w - - 0 1")
    assert "But in the final position: White wins with best play (table)." in finished_words(review)


def test_the_side_under_review_is_the_winners_if_he_was_ever_better() -> None:
    """Black wins with the pawn; White had never more than a draw."""
    review = reviewed("1. Kd4 Kb5 2. Kd3 Kb4", "0-1", "8/2p5/2k5/8/8/3K4/8/8 w - - 0 1")
    assert review.side is Side.BLACK


def test_counts_of_conversions_do_not_look_at_the_result() -> None:
    """White is better first, Black wins: the review follows Black, a collection White."""
    scores = [0.5, *[0.8] * 5, *[0.1] * 6]
    verdicts = [estimate(score) for score in scores]
    assert choose_side(verdicts, "0-1", None) == (Side.BLACK, "the winner")
    assert choose_side(verdicts, "0-1", None, first_better=True)[0] is Side.WHITE
    assert choose_side(verdicts, "1/2-1/2", None)[0] is Side.WHITE
    assert choose_side(verdicts, "0-1", Side.WHITE) == (Side.WHITE, "asked for")


def test_the_first_screen_has_thirty_lines_at_most() -> None:
    review = reviewed("1. f3 e5 2. g4 Qh4#", "0-1")
    out = io.StringIO()
    print_review(review, Console(file=out, width=80, color_system=None))
    head = out.getvalue().partition("\nThe story\n")[0]
    assert len(head.splitlines()) <= 30
    assert "Black won by mate." in head


def test_sections_stand_in_order_of_depth() -> None:
    review = reviewed("1. f3 e5 2. g4 Qh4#", "0-1")
    made = sections(review)
    depths = [section.depth for section in made]
    assert depths == sorted(depths, key=list(Depth).index)
    assert [section.ident for section in made[:2]] == ["head", "deciding"]
    assert all(section.pieces for section in made)
    boards = [piece for part in made for piece in part.pieces if isinstance(piece, Board)]
    assert all(piece.caption for piece in boards)


def test_the_word_for_the_estimate_stands_once() -> None:
    texts = once(["a (estimate, unmeasured); b (estimate)", "c (unmeasured estimate: 0.2 worse)"])
    assert texts == ["a (estimate, unmeasured); b", "c (0.2 worse)"]


def test_markdown_reads_no_markup_out_of_names() -> None:
    assert escaped("a_b *c* <d> [e](f) `g`") == r"a\_b \*c\* \<d\> \[e\](f) \`g\`"
    assert escaped("1. e4") == r"1\. e4"
    review = reviewed("1. f3 e5 2. g4 Qh4#", "0-1")
    text = form_called("markdown").text(review, Beside())
    assert text.startswith("# ")
    assert text.count("```") % 2 == 0
    assert "Black won by mate." in text
