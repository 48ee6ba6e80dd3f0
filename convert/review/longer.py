"""The moves that cost most, looked at again by a longer search: after the first verdicts."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import replace
from typing import TYPE_CHECKING

import chess

from convert.board.moves import after_move, line_san
from convert.judging.keeping import with_chances
from convert.judging.looking import told
from convert.model import Line, Side, Verdict
from convert.review.judged import Judged, slipped

if TYPE_CHECKING:
    from convert.judging.search.front import Found

#: Positions around such moves are looked at with so many times the positions (judgement).
CLOSER = 20
#: So many moves that cost most for good are looked at again, and so many that cost for a while.
LOOKED_AT, LOOKED_AT_BESIDE = 8, 2
#: For so many plies, or to the end of the game, a fall must last to count.
LASTS = 6
#: A fall for a while counts from so much of expected score on (judgement).
COUNTS_FROM = 0.075
#: Where the longer search differs by so much the positions next to it are asked too, so many at
#: most: a step between one kind of number and another would be no step of the game.
DIFFERS, MOST_NEXT = 0.1, 6


class Longer:
    """A judged game, the verdicts around its costliest moves by the longer search.

    Attributes:
        judged: the game with these verdicts; what is proved is as it was.
    """

    def __init__(self, judged: Judged) -> None:
        self.judged = judged
        self._results: dict[str, Found] = {}

    def ask(self, board: chess.Board, known: Verdict) -> tuple[Verdict, chess.Move | None]:
        """For the side to move, and the move it plays; ``known`` of it is not exact."""
        fen = board.fen()
        if fen not in self._results:
            self.search([board])
        result = self._results[fen]
        chances = told(board, result.score, result.depth)
        verdict = with_chances(known, chances.won, chances.lost, measured=True)
        return verdict, next(iter(result.line), None)

    def after(self, board: chess.Board, move: chess.Move, known: Verdict) -> Verdict:
        """For the player of a move, after it; ``known`` itself where that is exact."""
        if known.exact:
            return known
        child = after_move(board, move)
        verdict, _ = self.ask(child, known.for_side(Side.of(child.turn)))
        return verdict.for_side(known.side)

    def line(self, board: chess.Board, move: chess.Move) -> Line | None:
        """A move and what was found to follow it; None where nothing was."""
        result = self._results.get(board.fen())
        moves = () if result is None else result.line
        if moves[:1] != (move,):
            then = self._results.get(after_move(board, move).fen())
            moves = (move,) if then is None else (move, *then.line)
        return Line(board.fen(), line_san(board, moves)) if len(moves) > 1 else None

    def search(self, boards: Sequence[chess.Board]) -> None:
        """Search positions that will be asked about; each once."""
        results = self.judged.bench.look.longer(boards, CLOSER)
        self._results |= {board.fen(): r for board, r in zip(boards, results, strict=True)}

    def put_in(self, places: Iterable[int]) -> list[int]:
        """Take over what the search says after so many plies; those where it differs much."""
        judged = self.judged
        verdicts = list(judged.verdicts)
        there = [place for place in places if not verdicts[place].exact]
        self.search([judged.walked.boards[place] for place in there])
        for place in there:
            board, before = judged.walked.boards[place], verdicts[place]
            verdict, _ = self.ask(board, before.for_side(Side.of(board.turn)))
            verdicts[place] = verdict.for_side(before.side)
        self.judged = replace(judged, verdicts=tuple(verdicts))
        off = {p: abs(verdicts[p].expected - judged.verdicts[p].expected) for p in there}
        return sorted((p for p in there if off[p] >= DIFFERS), key=lambda p: (-off[p], p))


def look_again(judged: Judged, winner: Side | None = None) -> Longer:
    """Ask the longer search before and after the moves that cost most by the review itself.

    Only after the last move that gave a proved result away, since what comes before it did not
    decide the game; not moves of ``winner``, the side that went on to win.
    """
    longer = Longer(judged)
    verdicts, last = judged.verdicts, len(judged.verdicts) - 1
    sides = {step.ply: judged.side(step.ply) for step in judged.walked.steps}
    proved = max((p for p in sides if slipped(judged.before(p), judged.after(p))), default=0)
    plies = [ply for ply, side in sides.items() if ply > proved and side is not winner]
    worth = {side: [verdict.for_side(side).expected for verdict in verdicts] for side in Side}
    mine = {ply: worth[sides[ply]] for ply in plies}
    for_good = {ply: mine[ply][ply - 1] - max(mine[ply][ply:]) for ply in plies}
    a_while = {ply: mine[ply][ply - 1] - max(mine[ply][ply : ply + LASTS]) for ply in plies}
    asked = sorted(plies, key=lambda ply: (-for_good[ply], -ply))[:LOOKED_AT]
    beside = [ply for ply in plies if ply not in asked and a_while[ply] >= COUNTS_FROM]
    asked += sorted(beside, key=lambda ply: (-a_while[ply], -ply))[:LOOKED_AT_BESIDE]
    places = sorted({place for ply in asked for place in (ply - 1, ply)})
    differ = longer.put_in(places)
    beside_them = (place for p in differ for place in (p - 1, p + 1))
    next_ = [p for p in dict.fromkeys(beside_them) if proved <= p <= last and p not in places]
    longer.put_in(sorted(next_[:MOST_NEXT]))
    return longer
