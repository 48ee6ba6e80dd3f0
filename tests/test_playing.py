"""Playing out: the opponent's replies, the judging of moves, the Laws, taking back.

Expectations come from the tables, asked move by move, not from the code under test.
"""

from __future__ import annotations

from dataclasses import replace

import chess
import pytest
from hypothesis import assume, given, note, settings
from hypothesis import strategies as st
from strategies import positions

from convert.judging.judges import Bench, after_move
from convert.judging.laws import announced_claims, appearances, claim, over
from convert.judging.solving import REACHES, SolverJudge
from convert.model import Evidence, Side
from convert.model.record import End, How, Playing, take_back
from convert.playing import game as step
from convert.playing.entry import NoMove, NotAMove, read_move, words
from convert.playing.judging import detour, mate_is_next
from convert.playing.reply import claims, is_attacker, reply
from tablebases.probing import SyzygyProber, open_tables
from tablebases.values import Outcome

PROBER = open_tables()
BENCH = Bench(PROBER)

KRK = "8/8/8/4k3/8/2K5/8/R7 w - - 0 1"
KQK = "8/8/8/4k3/8/2K5/8/Q7 w - - 0 1"
KBNK = "8/8/8/4k3/8/2K5/8/2BN4 w - - 0 1"
KPK = "8/8/4k3/8/4K3/4P3/8/8 b - - 0 1"
KPK_DRAWN = "8/8/8/3k4/8/3K4/3P4/8 w - - 0 1"
#: The pawn on the rook's file holds the draw while the white king is far away.
KQKP_DRAWN = "7K/8/8/8/3Q4/8/p7/1k6 w - - 0 1"


def wdl(board: chess.Board) -> Outcome:
    """The outcome by the tables for the side to move, clock 0."""
    return PROBER.wdl_after_zeroing(board)


def children(board: chess.Board) -> dict[chess.Move, chess.Board]:
    return {move: after_move(board, move) for move in board.legal_moves}


def perfect(prober: SyzygyProber, board: chess.Board) -> chess.Move:
    """A winning move after which the tables' distance is the shortest."""

    def key(move: chess.Move) -> tuple[int, str]:
        child = after_move(board, move)
        if child.is_checkmate():
            return 0, move.uci()
        return (1 if board.is_zeroing(move) else 1 + prober.distance(child).least), move.uci()

    winning = [m for m, c in children(board).items() if c.is_checkmate() or wdl(c) == Outcome.LOSS]
    return min(winning, key=key)


def played_through(fen: str, player: Side, bench: Bench, most: int = 140) -> Playing:
    """The player goes by :func:`perfect` until the game ends."""
    playing = step.start(bench, chess.Board(fen), player)
    for _ in range(most):
        if playing.end is not None:
            break
        if playing.players_turn:
            playing = step.play(bench, playing, perfect(PROBER, playing.board))
        else:
            playing = step.answer(bench, playing)
    return playing


# --- the opponent ------------------------------------------------------------------------


@given(positions())
def test_a_lost_opponent_holds_out_longest(board: chess.Board) -> None:
    """No other reply has its next capture, pawn move or mate further off."""
    assume(any(board.legal_moves) and not board.is_insufficient_material())
    assume(wdl(board) == Outcome.LOSS)
    lengths = {
        move: 1 + PROBER.distance(child).least
        for move, child in children(board).items()
        if not child.is_checkmate()
    }
    chosen = reply(BENCH, board)
    note(f"{board.fen()} {board.san(chosen)}")
    assert lengths[chosen] == max(lengths.values())


@given(positions())
def test_the_opponent_never_makes_its_outcome_worse(board: chess.Board) -> None:
    assume(any(board.legal_moves) and not board.is_insufficient_material())
    chosen = after_move(board, reply(BENCH, board))
    note(f"{board.fen()} -> {chosen.fen()}")
    if chosen.is_checkmate():
        return
    best = wdl(board).points
    after = 0 if over(chosen) else -wdl(chosen).points
    assert after == best


@given(positions())
def test_a_winning_opponent_gets_nearer(board: chess.Board) -> None:
    assume(any(board.legal_moves) and not board.is_insufficient_material())
    assume(wdl(board) == Outcome.WIN)
    chosen = reply(BENCH, board)
    child = after_move(board, chosen)
    if child.is_checkmate() or board.is_zeroing(chosen):
        return
    now, then = PROBER.distance(board), PROBER.distance(child)
    assert then.least <= now.most - 1


@pytest.mark.parametrize("fen", [KPK_DRAWN, KQKP_DRAWN, "8/8/8/3k4/3p4/8/3K4/8 b - - 0 1"])
def test_the_hardest_test_leaves_the_fewest_answers(fen: str, bench: Bench) -> None:
    """The attacker's move in a drawn position: of the moves that leave a choice and nothing to
    take, none leaves fewer answers that hold."""
    board = chess.Board(fen)
    assert is_attacker(board, Side.of(board.turn))
    assert wdl(board) == Outcome.DRAW
    counts = {}
    for move, child in children(board).items():
        if over(child) or wdl(child) != Outcome.DRAW or any(child.generate_legal_captures()):
            continue
        answers = list(children(child).values())
        if len(answers) > 1:
            counts[move] = sum(over(a) is not None or wdl(a) == Outcome.DRAW for a in answers)
    assert counts[reply(bench, board)] == min(counts.values())


def test_the_drawn_attacker_does_not_go_round_in_circles_while_another_test_is_left(
    bench: Bench,
) -> None:
    playing = step.start(bench, chess.Board(KPK_DRAWN), Side.BLACK)
    seen = set()
    for _ in range(6):
        playing = step.answer(bench, playing)
        key = playing.board.epd()
        assert key not in seen
        seen.add(key)
        holding = [m for m, c in children(playing.board).items() if wdl(c) == Outcome.DRAW]
        playing = step.play(bench, playing, holding[0])
    assert not playing.slips


def test_a_win_that_the_clock_takes_is_tried_for(bench: Bench) -> None:
    """Bishop and knight with sixty plies gone: drawn by the rule, but the way to mate is taken."""
    board = chess.Board("8/8/8/4k3/8/2K5/8/2BN4 w - - 60 80")
    settled = bench.settle(board)
    assert settled is not None
    assert settled.low == settled.high == Outcome.CURSED_WIN
    child = after_move(board, reply(bench, board))
    assert PROBER.distance(child).least == PROBER.distance(board).least - 1


def test_a_loss_that_the_clock_saves_is_drawn_out(bench: Bench) -> None:
    board = chess.Board("8/8/8/4k3/8/2K5/8/2BN4 b - - 60 80")
    settled = bench.settle(board)
    assert settled is not None
    assert settled.low == settled.high == Outcome.BLESSED_LOSS
    child = after_move(board, reply(bench, board))
    assert PROBER.distance(child).least == PROBER.distance(board).least - 1


def test_the_opponent_goes_by_the_estimate_where_nothing_is_settled(bench: Bench) -> None:
    """It takes a queen that hangs."""
    board = chess.Board("r1bqkb1r/pppp1ppp/2n2n2/4p2Q/2B1P3/8/PPPP1PPP/RNB1K1NR b KQkq - 4 4")
    assert step.basis(bench, board) is Evidence.ESTIMATE
    assert board.san(reply(bench, board)) == "Nxh5"


# --- played through ----------------------------------------------------------------------


@pytest.mark.parametrize(
    ("fen", "player"),
    [(KQK, Side.WHITE), (KRK, Side.WHITE), (KBNK, Side.WHITE), (KPK, Side.WHITE)],
    ids=["KQK", "KRK", "KBNK", "KPK"],
)
def test_perfect_play_mates_with_no_move_more_than_needed(
    fen: str, player: Side, bench: Bench
) -> None:
    playing = played_through(fen, player, bench)
    assert playing.end == End(How.MATE, player)
    assert playing.result == "1-0"
    assert not playing.slips
    extra = [made.extra for made in playing.own]
    assert all(value == 0 for value in extra)
    if not chess.Board(fen).pawns:
        # Without captures and pawn moves the table's distance is the distance to mate, and the
        # opponent's longest resistance lasts exactly so long.
        assert len(playing.made) == PROBER.distance(chess.Board(fen)).plies


def test_a_detour_is_counted_in_plies(bench: Bench) -> None:
    """Each move's detour, by the tables: distance after it, less one ply less than before."""
    playing = step.start(bench, chess.Board(KRK), Side.WHITE)
    expected = []
    for san in ("Kd3", "Ra5", "Ra4", "Ra1", "Rb1"):
        board = playing.board
        move = read_move(board, san)
        before = PROBER.distance(board).plies
        expected.append(abs(PROBER.distance(after_move(board, move)).plies) - (before - 1))
        playing = step.answer(bench, step.play(bench, playing, move))
    assert [made.extra for made in playing.own] == expected
    assert sum(expected) > 0
    assert all(made.to_mate for made in playing.own)
    # What is left to mate, what was played and what was wasted add up.
    left = PROBER.distance(playing.board).plies
    total = PROBER.distance(chess.Board(KRK)).plies
    assert len(playing.made) + left == total + sum(expected)


@given(positions(pawns=False))
def test_detours_are_never_negative(board: chess.Board) -> None:
    assume(any(board.legal_moves) and wdl(board) == Outcome.WIN)
    side = Side.of(board.turn)
    before = BENCH.verdict(board)
    shortest = None
    for move, child in children(board).items():
        after = BENCH.verdict(child).for_side(side)
        extra, _ = detour(BENCH, board, move, before, after)
        if after.points != 1:
            assert extra is None
        elif extra is not None:
            assert extra >= 0
            shortest = extra if shortest is None else min(shortest, extra)
    assert shortest in (None, 0)


def test_no_distance_is_counted_that_may_end_with_the_loss_of_a_piece(bench: Bench) -> None:
    board = chess.Board("8/8/8/4k3/8/2K5/8/RR6 w - - 0 1")
    assert not mate_is_next(board, Side.WHITE)
    playing = step.play(bench, step.start(bench, board, Side.WHITE), chess.Move.from_uci("a1a4"))
    assert [made.extra for made in playing.own] == [None]


# --- judging -----------------------------------------------------------------------------


@given(positions(), st.randoms(use_true_random=False))
def test_a_move_is_a_slip_exactly_when_the_tables_say_so(board: chess.Board, random) -> None:
    assume(any(board.legal_moves) and not board.is_insufficient_material())
    move = random.choice(sorted(board.legal_moves, key=lambda m: m.uci()))
    child = after_move(board, move)
    if child.is_checkmate():
        points = 1
    elif over(child):
        points = 0
    else:
        points = -wdl(child).points
    playing = step.start(BENCH, board, Side.of(board.turn))
    (made,) = step.play(BENCH, playing, move).made
    note(f"{board.fen()} {made.san}")
    assert (made.slip is not None) == (points < wdl(board).points)
    if made.slip is not None:
        assert made.slip.certain
        assert made.slip.held
        for held in made.slip.held:
            kept = after_move(board, chess.Move.from_uci(held.uci))
            worth = 1 if kept.is_checkmate() else 0 if over(kept) else -wdl(kept).points
            assert worth == wdl(board).points


@given(positions(most=4))
def test_only_moves_are_only(board: chess.Board) -> None:
    assume(board.legal_moves.count() > 1 and not board.is_insufficient_material())
    need = wdl(board).points
    keeping = [
        move
        for move, c in children(board).items()
        if (1 if c.is_checkmate() else 0 if over(c) else -wdl(c).points) >= need
    ]
    playing = step.start(BENCH, board, Side.of(board.turn))
    (made,) = step.play(BENCH, playing, keeping[0]).made
    assert made.only == (need >= 0 and len(keeping) == 1)


# --- the Laws ----------------------------------------------------------------------------


def shuffled(fen: str, moves: str) -> chess.Board:
    board = chess.Board(fen)
    for uci in moves.split():
        board.push_uci(uci)
    return board


ROUND = "a1a2 e5e6 a2a1 e6e5 "


def test_threefold_is_claimed_on_the_board_and_by_announcing() -> None:
    twice = shuffled(KRK, ROUND)
    assert appearances(twice) == 2
    assert claim(twice) is None
    before = shuffled(KRK, ROUND + "a1a2 e5e6 a2a1")
    assert claim(before) is None
    assert (chess.Move.from_uci("e6e5"), How.THREEFOLD) in announced_claims(before)
    third = shuffled(KRK, ROUND * 2)
    assert appearances(third) == 3
    assert claim(third) is How.THREEFOLD
    assert over(third) is None
    assert over(shuffled(KRK, ROUND * 4)) == End(How.FIVEFOLD, None)


@pytest.mark.parametrize(
    ("clock", "here", "announced"), [(98, None, False), (99, None, True), (100, How.FIFTY, True)]
)
def test_fifty_moves(clock: int, here: How | None, announced: bool) -> None:
    board = chess.Board(f"8/8/8/4k3/8/2K5/8/R7 w - - {clock} 90")
    assert claim(board) is here
    assert bool(announced_claims(board)) is announced
    assert over(board) is None
    assert over(chess.Board("8/8/8/4k3/8/2K5/8/R7 w - - 150 120")) == End(How.SEVENTY_FIVE, None)


def test_mate_comes_before_every_count() -> None:
    board = chess.Board("k7/8/1K6/8/8/8/8/7R w - - 149 120")
    board.push_san("Rh8#")
    assert over(board) == End(How.MATE, Side.WHITE)
    ready = chess.Board("k7/8/1K6/8/8/8/8/7R w - - 99 120")
    assert claim(ready, chess.Move.from_uci("h1h8")) is None


@pytest.mark.parametrize(
    ("fen", "how"),
    [
        ("k7/2Q5/1K6/8/8/8/8/8 b - - 0 1", How.STALEMATE),
        ("k7/8/1K6/8/8/8/8/6B1 b - - 0 1", How.DEAD),
    ],
)
def test_drawn_at_once(fen: str, how: How) -> None:
    assert over(chess.Board(fen)) == End(how, None)


def test_a_losing_opponent_claims_the_third_appearance(bench: Bench) -> None:
    """White shuffles; Black, lost, claims as soon as the Laws let it, and the win was there."""
    playing = step.start(bench, chess.Board(KRK), Side.WHITE)
    for _ in range(12):
        if playing.end is not None:
            break
        back = len(list(playing.own)) % 2
        playing = step.play(bench, playing, chess.Move.from_uci(("a1a2", "a2a1")[back]))
        playing = step.answer(bench, playing)
    assert playing.end is not None
    assert playing.end.how is How.THREEFOLD
    assert playing.end.by is Side.BLACK
    assert playing.now.points == 1
    board = playing.board
    if playing.end.announced:
        board.push_san(playing.end.announced)
    assert board.is_repetition(3)


def test_a_winning_opponent_claims_nothing(bench: Bench) -> None:
    third = shuffled(KRK, ROUND * 2)
    assert claim(third) is How.THREEFOLD
    assert claims(bench, third) is None


def test_the_opponent_claims_fifty_moves_when_it_is_losing(bench: Bench) -> None:
    board = chess.Board("8/8/8/4k3/8/2K5/8/R7 b - - 99 120")
    told = claims(bench, board)
    assert told is not None
    assert told.how is How.FIFTY
    assert told.announced


def test_fifty_moves_are_claimed_by_whoever_cannot_win(bench: Bench) -> None:
    """In a drawn position the attacker, too, has had its fifty moves."""
    level = chess.Board("8/8/4k3/8/8/2K5/r7/7R b - - 100 120")
    told = claims(bench, level)
    assert told == End(How.FIFTY, None, Side.BLACK)
    assert claims(bench, chess.Board("8/8/4k3/8/8/2K5/r7/7R b - - 98 120")) is None


def test_draw_claims_and_offers_of_the_player(bench: Bench) -> None:
    won = step.start(bench, chess.Board(KRK), Side.WHITE)
    assert step.ask_draw(bench, won).playing.end == End(How.AGREED, None, Side.WHITE)
    lost = step.start(bench, chess.Board(KRK.replace(" w ", " b ")), Side.BLACK)
    refused = step.ask_draw(bench, lost)
    assert refused.playing == lost
    assert refused.possible == ()
    late = step.start(bench, chess.Board("8/8/8/4k3/8/2K5/8/R7 b - - 99 120"), Side.BLACK)
    asked = step.ask_draw(bench, late)
    assert asked.playing.end is None
    assert asked.possible
    move = late.board.parse_san(asked.possible[0])
    claimed = step.ask_draw(bench, late, move).playing.end
    assert claimed == End(How.FIFTY, None, Side.BLACK, asked.possible[0])


def test_resigning(bench: Bench) -> None:
    playing = step.resign(step.start(bench, chess.Board(KRK), Side.WHITE))
    assert playing.result == "0-1"
    assert take_back(playing) == replace(playing, end=None)
    with pytest.raises(ValueError, match="not the player's move"):
        step.play(bench, playing, chess.Move.from_uci("a1a2"))


# --- taking back -------------------------------------------------------------------------


@settings(max_examples=10)
@given(positions(), st.integers(1, 3), st.randoms(use_true_random=False))
def test_taking_back_restores_the_state(board: chess.Board, moves: int, random) -> None:
    assume(over(board) is None)
    playing = step.start(BENCH, board, Side.of(board.turn))
    states = []
    for _ in range(moves):
        if not playing.players_turn:
            break
        states.append(playing)
        legal = sorted(playing.board.legal_moves, key=lambda m: m.uci())
        playing = step.play(BENCH, playing, random.choice(legal))
        if playing.end is None:
            playing = step.answer(BENCH, playing)
    for count, earlier in enumerate(reversed(states), 1):
        back = take_back(playing)
        assert back is not None
        playing = back
        assert len(playing.taken) == count
        assert replace(playing, taken=()) == earlier
        assert playing.board == earlier.board
        assert playing.board.move_stack == earlier.board.move_stack
    assert take_back(playing) is None


# --- what is typed -----------------------------------------------------------------------


@given(positions(least=3, most=6), st.data())
def test_every_way_of_writing_a_move_is_read(board: chess.Board, data: st.DataObject) -> None:
    legal = sorted(board.legal_moves, key=lambda m: m.uci())
    assume(legal)
    move = data.draw(st.sampled_from(legal))
    san = board.san(move)
    long = board.lan(move)
    for text in (
        san,
        move.uci(),
        long,
        san.rstrip("+#"),
        san.replace("x", ""),
        f"12.{san}!?",
        f"12...{san}",
        long.replace("-", ""),
    ):
        assert read_move(board, text) == move, text


@given(positions(), st.text(max_size=8))
def test_anything_else_is_refused_in_one_line(board: chess.Board, text: str) -> None:
    try:
        move = read_move(board, text)
    except NoMove as err:
        assert "\n" not in str(err).replace(text, "")
    else:
        assert move in board.legal_moves


@given(positions(most=5), st.sampled_from("KQRBN"), st.integers(0, 63))
def test_a_reason_is_given_for_every_move_that_cannot_be(
    board: chess.Board, letter: str, square: int
) -> None:
    word = letter + chess.square_name(square)
    try:
        move = read_move(board, word)
    except NotAMove:
        pytest.fail(word)
    except NoMove as err:
        assert str(err).startswith(f"{word}: ")
        assert len(str(err)) > len(word) + 10
    else:
        assert move in board.legal_moves


CASTLING = "r3k2r/8/8/8/8/8/8/R3K2R w KQkq - 0 1"
CHECKED = "4k3/8/8/8/4r3/8/3P1N2/R3K2R w KQ - 0 1"
PINNED = "8/1P4k1/8/8/8/2b5/3P4/4K3 w - - 0 1"


@pytest.mark.parametrize(
    ("fen", "word", "why"),
    [
        ("8/8/3k4/8/3K4/8/8/R7 w - - 0 1", "Kd5", "the king would stand next to the other king"),
        ("8/8/3k4/8/3K4/8/8/R7 w - - 0 1", "Rb2", "no rook of White's can go to b2"),
        ("8/8/3k4/8/3K4/8/8/R7 w - - 0 1", "Qd3", "White has no queen"),
        ("8/8/3k4/8/3K4/8/8/R7 w - - 0 1", "Kd8", "White's king on d4 is not next to d8"),
        ("8/8/3k4/8/3K4/8/8/R7 w - - 0 1", "Ka1", "White's own rook stands on a1"),
        ("8/8/3k4/8/3K4/8/8/R7 w - - 0 1", "e2e4", "there is no man on e2"),
        ("8/8/3k4/8/3K4/8/8/R7 w - - 0 1", "d6d7", "the king is Black's, and White is to move"),
        (PINNED, "d3", "the pawn is pinned: the king would be in check from the bishop on c3"),
        (PINNED, "c3", "White has no pawn on the c-file"),
        (PINNED, "b8", "a pawn that gets there becomes a piece: b8=B, b8=N, b8=Q or b8=R"),
        (CHECKED, "Ra2", "White is in check from the rook on e4, and this does not meet it"),
        (CHECKED, "O-O", "White is in check, and nobody castles out of check"),
        (CHECKED, "Ke2", "the king would be in check from the rook on e4"),
        ("4k3/8/8/8/8/8/8/R3K2R w - - 0 1", "0-0", "White has no right to castle there"),
        ("4k3/8/8/8/8/8/8/RN2K3 w Q - 0 1", "O-O-O", "a man stands between king and rook"),
        (
            "3rk3/8/8/8/8/8/8/R3K3 w Q - 0 1",
            "O-O-O",
            "the king would pass over or come to a square that is attacked",
        ),
        (CASTLING, "Kg1", "castling is written O-O or O-O-O"),
        ("4k3/8/8/8/8/8/8/1N2K1N1 w - - 0 1", "Nd9", "'Nd9' is neither a move nor a command"),
        (
            "4k3/8/8/8/8/8/4N3/1N2K3 w - - 0 1",
            "Nc3",
            "more than one man can go there: Nbc3 or Nec3",
        ),
    ],
)
def test_why_not(fen: str, word: str, why: str) -> None:
    with pytest.raises(NoMove) as told:
        read_move(chess.Board(fen), word)
    assert str(told.value) in (f"{word}: {why}", why)


@pytest.mark.parametrize(
    ("fen", "word", "san"),
    [
        (CASTLING, "0-0", "O-O"),
        (CASTLING, "o-o-o", "O-O-O"),
        (CASTLING, "e1c1", "O-O-O"),
        (CASTLING, "rd1", "Rd1"),
        (PINNED, "dc3", "dxc3"),
        (PINNED, "b8q", "b8=Q"),
        (PINNED, "b8(R)", "b8=R"),
        (PINNED, "♔f1", "Kf1"),
        ("rnbqkbnr/ppp1pppp/8/8/3pP3/8/PPPP1PPP/RNBQKBNR b KQkq e3 0 1", "dxe3e.p.", "dxe3"),
        ("4k3/8/8/8/8/4r3/5B2/4K3 w - - 0 1", "be3", "Bxe3"),
    ],
)
def test_tolerant_reading(fen: str, word: str, san: str) -> None:
    board = chess.Board(fen)
    assert board.san(read_move(board, word)) == san


def test_words_of_a_line() -> None:
    assert words("12. Kd4 Ke6 13.Kd5 # remark") == ["Kd4", "Ke6", "Kd5"]
    assert words("12... Kd4") == ["Kd4"]
    assert words("Qg7# next") == ["Qg7#", "next"]
    assert words("# all of it") == []


# --- past the tables ---------------------------------------------------------------------


TWO_TO_ONE = "8/8/8/4k1p1/6P1/4K3/4P3/8 w - - 0 1"
"""Two pawns against one: past the tables, settled in well under a second."""


def solving_bench() -> Bench:
    def known(board: chess.Board) -> bool:
        return board.occupied.bit_count() <= 4 and PROBER.covers(board)

    return Bench(PROBER, solver=SolverJudge(REACHES["normal"], known))


def assert_settled(bench: Bench, board: chess.Board) -> None:
    """Says what is not settled, and within which bounds."""
    told = bench.settle(board)
    assert told is not None, f"nothing is known of {board.fen()}"
    assert told.exact, f"{board.fen()}: {told.low.word} to {told.high.word} only"


def test_what_is_solved_is_played_like_a_table() -> None:
    """Replies hold out longest by the solver's distances; the shortest way costs nothing."""
    bench = solving_bench()
    board = chess.Board(TWO_TO_ONE)
    tried = step.prepare(bench, board, step.SolverAsked())
    assert {name for name, _, _ in tried.boards} == {"KPPvKP"}
    assert_settled(bench, board)
    assert step.basis(bench, board) is Evidence.SOLVED
    playing = step.start(bench, board, Side.WHITE)
    assert playing.start.points == 1
    for _ in range(60):
        if playing.end is not None:
            break
        here = playing.board
        tried = step.prepare(bench, here, tried)
        assert_settled(bench, here)
        if playing.players_turn:
            before = bench.verdict(here)
            best = bench.kept(here).holding(before.low.points)[0][0]
            playing = step.play(bench, playing, best)
        else:
            lengths = {}
            for move, child in children(here).items():
                found = bench.distance(child)
                if found is not None:
                    lengths[move.uci()] = found.least
            playing = step.answer(bench, playing)
            if len(lengths) == here.legal_moves.count():
                assert lengths[playing.made[-1].uci] == max(lengths.values())
    assert playing.end == End(How.MATE, Side.WHITE)
    assert not playing.slips
    assert {made.extra for made in playing.own if made.number < 5} == {0}


def test_a_material_is_solved_once() -> None:
    bench = solving_bench()
    board = chess.Board(TWO_TO_ONE)
    tried = step.prepare(bench, board, step.SolverAsked())
    assert bench.solver is not None
    spent = bench.solver.seconds
    assert spent > 0
    assert step.prepare(bench, board, tried) == tried
    assert bench.solver.seconds == spent
    assert step.prepare(bench, chess.Board(KRK), tried) == tried
