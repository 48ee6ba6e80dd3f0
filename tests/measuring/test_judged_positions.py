"""The draw of positions: what is accepted, that it hangs on the games alone, and what is in it."""

from __future__ import annotations

import gzip
from pathlib import Path

import chess
import pytest

from convert.board.kinds import kind_of
from convert.measuring import fit, rated_games
from convert.measuring.judged_positions import (
    EXCHANGE_UP,
    FEW_MEN,
    GROUPS,
    NATURAL,
    PAWN_ENDING,
    Draw,
    DrawWanted,
    Position,
    draw_from,
    read_epd,
    with_outcomes,
)
from convert.measuring.rated_games import (
    LOST_ON_TIME,
    NO_RESULT,
    RATING,
    SET_UP,
    Filter,
    accepted,
    held_out,
    reason_left_out,
)
from convert.reading.fastread import read_lines
from convert.reading.fen import SourceError


def content(draw: Draw) -> dict[str, list[Position]]:
    return {
        f"{group} {part}": draw.positions(group, part) for group in GROUPS for part in (False, True)
    }


def test_games_are_accepted_by_their_tags(made: str) -> None:
    for read in read_lines(made):
        tags = read.headers
        assert tags is not None
        why = reason_left_out(read, Filter(2000))
        strong = min(int(tags["WhiteElo"]), int(tags["BlackElo"])) >= 2000
        if tags["Termination"] == "time forfeit":
            assert why == LOST_ON_TIME
            assert not reason_left_out(read, Filter(0, keep_lost_on_time=True))
        else:
            assert why == ("" if strong else RATING)


@pytest.mark.parametrize(
    ("tags", "why"),
    [
        ('[Result "*"]', NO_RESULT),
        ('[Result "1-0"]\n[Termination "Won on time"]', LOST_ON_TIME),
        ('[Result "1-0"]\n[WhiteElo "2500"]', RATING),
        ('[Result "1-0"]\n[WhiteElo "2500"]\n[BlackElo "?"]', RATING),
        ('[Result "1-0"]\n[WhiteElo "2500"]\n[BlackElo "2000"]', ""),
        ('[Result "1-0"]\n[SetUp "1"]\n[FEN "4k3/8/8/8/8/8/4P3/4K3 w - - 0 1"]', SET_UP),
    ],
)
def test_why_a_game_is_left_out(tmp_path: Path, tags: str, why: str) -> None:
    path = tmp_path / "one.pgn"
    result = tags.split('"')[1]
    path.write_text(f'[Event "?"]\n{tags}\n\n1. e3 {result}\n')
    (read,) = read_lines(path)
    assert reason_left_out(read, Filter(2000)) == why


def test_the_split_is_that_of_the_fitted_estimate() -> None:
    names = [f"{n * 7919:016x}" for n in range(3000)]
    assert [held_out(n) for n in names] == [fit.held_out(n, rated_games.SEED) for n in names]
    assert sum(map(held_out, names)) / 3000 == pytest.approx(0.3, abs=0.03)


def test_the_draw_hangs_on_the_games_alone(made: str, turned: str) -> None:
    which, wanted = Filter(0), DrawWanted(30, 40, most=3, every=10, walks=4)
    told = draw_from([made], which, wanted)
    twice = [turned, made]
    for again in (draw_from(twice, which, wanted), draw_from(twice, which, wanted, jobs=2)):
        assert content(again) == content(told)
        assert again.lines == told.lines
    assert len(told.lines) == 4


def test_more_that_is_wanted_goes_on_where_less_ended(made: str) -> None:
    less = draw_from([made], Filter(0), DrawWanted(20, 20, most=2))
    more = draw_from([made], Filter(0), DrawWanted(60, 60, most=2))
    for name, found in content(less).items():
        assert content(more)[name][: len(found)] == found


def test_positions_are_those_of_their_games(made: str) -> None:
    wanted = DrawWanted(10_000, 10_000, most=4, every=15)
    draw = draw_from([made], Filter(0), wanted)
    by_name = {
        game.name: game
        for read in read_lines(made)
        if (game := accepted(read, Filter(0))) is not None
    }
    boards = {
        name: [b.copy(stack=False) for _, b in game.positions()] for name, game in by_name.items()
    }
    assert draw.games == len(by_name)
    assert draw.labels == {game.label: name for name, game in by_name.items()}
    for name, found in content(draw).items():
        group, part = name.rsplit(" ", 1)
        for position in found:
            game = by_name[position.game]
            assert position.held_out == (part == "True") == game.held_out
            assert position.outcome == game.result
            board = boards[position.game][position.ply]
            assert board.board_fen() == position.fen.split()[0]
            assert position.men == board.occupied.bit_count()
            assert (5 <= position.men <= 7) if group == FEW_MEN else position.men >= 8
            assert position.kind == kind_of(board)
            if group in (EXCHANGE_UP, PAWN_ENDING):
                assert position.kind == group
    natural = [*draw.positions(NATURAL, True), *draw.positions(NATURAL, False)]
    assert len({p.game for p in natural}) == len(by_name)
    for game_name, game in by_name.items():
        number = sum(p.game == game_name for p in natural)
        assert number <= min(4, -(-len(game.moves) // 15))
    assert draw.positions(FEW_MEN, True)


def test_every_ply_after_the_opening_is_as_likely_as_any_other(made: str) -> None:
    wanted = DrawWanted(10_000, 10_000, most=1, every=1000, first=10)
    draw = draw_from([made], Filter(0), wanted)
    open_to = {}
    for read in read_lines(made):
        if (game := accepted(read, Filter(0))) is not None:
            men = [board.occupied.bit_count() for _, board in game.positions()]
            open_to[game.name] = [p for p in range(10, len(game.moves)) if men[p] >= 8]
    places = [
        (open_to[p.game].index(p.ply) + 0.5) / len(open_to[p.game])
        for part in (True, False)
        for p in draw.positions(NATURAL, part)
    ]
    assert len(places) == sum(map(bool, open_to.values())) > 30
    # Uniform on 0 to 1: mean 1/2, standard error 0.29 / sqrt(n).
    assert sum(places) / len(places) == pytest.approx(0.5, abs=4 * 0.29 / len(places) ** 0.5)


def test_epd_positions_keep_the_part_of_their_game(tmp_path: Path) -> None:
    path = tmp_path / "some.epd.gz"
    with gzip.open(path, "wt") as file:
        file.write(
            '4k3/8/8/8/8/4P3/4K3/8 w - - hmvc 0; id "made7.12"; result "1-0";\n\n'
            '4k3/8/8/8/8/4P3/4K3/8 b - - id "other.3"; result "1/2-1/2";\n'
            '4k3/8/8/8/8/4P3/4K3/8 b - - id "none.3"; result "*";\n'
            '7k/5Q2/6K1/8/8/8/8/8 b - - id "stalemate.3"; result "1/2-1/2";\n'
        )
    labels = {"made7": "00000000000000aa"}
    first, second = read_epd(str(path), labels)
    assert (first.game, first.outcome, first.ply) == ("00000000000000aa", 1, 12)
    assert (second.outcome, second.kind, second.men) == (0, "pawn ending", 3)
    assert [p.game for p in read_epd(str(path), labels, known=True)] == [first.game]
    bad = tmp_path / "bad.epd"
    bad.write_text("no position\n")
    with pytest.raises(SourceError, match="line 1"):
        list(read_epd(str(bad), {}))
    with pytest.raises(SourceError, match="cannot be read"):
        list(read_epd(str(tmp_path / "missing.epd"), {}))


def test_exact_outcomes_are_told_for_white() -> None:
    fens = ["4k3/8/8/8/8/4P3/4K3/8 w - - 0 1", "4k3/8/8/8/8/4P3/4K3/8 b - - 0 1"]
    given = [Position(fen, "a", 9, 3, "pawn ending", 0, 0, 0) for fen in fens]
    open_ = Position(chess.STARTING_FEN, "a", 9, 32, "other", 0, 0, 0)
    told = with_outcomes([*given, open_], {fens[0]: 1, fens[1]: -1, chess.STARTING_FEN: None})
    assert [p.outcome for p in told] == [1, 1]
