"""The way of a game's record to its review: few passes between modules, none of them upward."""

from __future__ import annotations

import io

from passes import Pass, returns_upward, traced

from convert.judging.judges import Bench
from convert.reading.games import read_games
from convert.review.game import review_game
from tablebases.probing import open_tables

#: Classes of values that a record takes the form of.
FORMS = frozenset(
    {"GameRead", "Scoresheet", "Walk", "Judged", "Longer", "Course", "Findings", "Review"}
)
#: Stages of the way, by module (DEVELOPERS.md, "The way of a game").
STAGES = {
    "review.scoresheet": 0,
    "reading.author": 0,
    "rim.pgn_text": 0,
    "review.walker": 1,
    "board.moves": 6,
    "review.judged": 2,
    "judging.judges": 2,
    "review.finished": 3,
    "review.longer": 4,
    "review.course": 5,
    "review.findings": 6,
    "review.trades": 6,
    "review.traded": 6,
    "review.decisions": 6,
    "review.slips": 6,
    "review.technique": 6,
    "review.deciding": 7,
    "review.falls": 7,
    "review.assembled": 8,
    "review.story": 9,
    "review.teaching": 9,
}
#: No more passes than these: raise it only for a new stage or a new finder.
MOST_PASSES = 20

# A won rook ending is thrown away, given back, and won: certain slips of both sides, a trade.
#: What runs the way.
WAY = f"{review_game.__module__.removeprefix('convert.')}.{review_game.__name__}"
GAME = """[Event "Invented"]
[SetUp "1"]
[FEN "8/8/4k3/8/2r5/4K3/4P3/3R4 w - - 0 1"]
[Result "1/2-1/2"]

1. Rd4 Rxd4 2. Kxd4 Kd6 3. e3 Ke6 4. Ke4 Kd6 5. Kf5 Ke7 6. Ke5 Kd7 7. Kf6 Ke8 8. e4 Kd7
9. e5 Ke8 10. e6 Kf8 11. e7+ Ke8 12. Ke6 1/2-1/2
"""


def passes_of(text: str) -> list[Pass]:
    (read,) = read_games("-", stdin=io.BytesIO(text.encode()))
    return traced(lambda: review_game(read, Bench(open_tables())), FORMS, least=len(read.moves))


def test_few_passes_and_none_upward() -> None:
    passes = passes_of(GAME)
    assert returns_upward(passes, STAGES) == []
    assert len(passes) <= MOST_PASSES
    # The tracer sees the stages, the finders and what they ask.
    targets = {one.target for one in passes}
    assert {
        "review.scoresheet.scoresheet",
        "review.walker.walk",
        "review.judged.judge_walk",
        "review.longer.look_again",
        "review.course.course",
        "review.findings.findings",
        "review.deciding.deciding_moment",
        "review.finished.finished",
        "review.assembled.assembled",
        "review.story.told",
        "review.traded.build_trade",
        "review.slips.find_slips",
    } <= targets


def test_stages_are_called_by_the_way_alone() -> None:
    called = [one for one in passes_of(GAME) if one.source == WAY]
    assert [one.module.removeprefix("review.") for one in called] == [
        "scoresheet",
        "walker",
        "judged",
        "finished",
        "longer",
        "course",
        "findings",
        "deciding",
        "deciding",
        "assembled",
        "story",
    ]


def test_a_return_upward_is_seen() -> None:
    there = Pass(WAY, "review.slips.find_slips")
    back = Pass("review.slips.find_slips", "review.walker.phases")
    aside = Pass("review.slips.find_slips", "review.decisions.declined")
    assert returns_upward([there, back, aside], STAGES) == [back]
