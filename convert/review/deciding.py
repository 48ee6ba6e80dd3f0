"""The deciding moment: the move at which the outcome of a game changed for the last time."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import chess

from convert.board.moves import after_move
from convert.judging.keeping import with_chances
from convert.judging.lines import line_after
from convert.judging.looking import told
from convert.model import Side, Slip, Verdict
from convert.model.deciding import FALLS_BY, Deciding, Finish, Finished
from convert.review.decisions import alternative
from convert.review.judged import Judged
from convert.wording.verdicts import verdict_words

#: Where the chances shifted without such a fall, the largest step is told from here on (judgement).
STEPS_BY = 0.1
#: For so many plies, or to the end of the game, the fall must last.
LASTS = 6
#: Ends to which the play led; a win on time may come in any position.
PLAYED_OUT = (Finish.MATE, Finish.RESIGNED)
#: A candidate by the estimate is looked at again with so many times the positions (judgement).
CLOSER = 20
#: So many candidates are looked at for a better move.
MOST = 8
#: By the longer search alone a step is told from here on: it is steadier (judgement).
LONGER_STEPS_BY = 0.075
#: A move looks better only from so much of expected score on (judgement).
BETTER_BY = 0.1


def deciding_moment(
    judged: Judged, slips: Sequence[Slip], end: Finished | None = None
) -> Deciding | None:
    """The deciding moment of a judged game, with a better move where one is known.

    A move by the estimate whose fall a longer search does not see, or for which it sees none that
    is better, gives way to the next candidate: there the estimate drifted, and no move is to
    blame.  So does a move by the estimate of the side that went on to win (``end``, by mate or
    because the other resigned), and a small step that does not show in the words for before and
    after.  Where no candidate is left and the chances did change, the longer search looks for the
    largest step itself.  None where it sees none either.
    """
    longer = _Longer(judged)
    movers = tuple(judged.side(step.ply) for step in judged.walked.steps)
    winner = end.winner if end is not None and end.how in PLAYED_OUT else None
    for ply, final in candidates(judged.verdicts, movers, slips)[:MOST]:
        moment = _moment(judged, slips, movers, ply, final=final)
        if moment.certain:
            return moment
        small = final and moment.fall < FALLS_BY
        if moment.side is winner or (small and not _shows(moment)):
            continue
        if moment.held and (sure := _confirmed(longer, moment, slips)) is not None:
            return sure
    return _largest_step(longer, movers, slips, winner)


class _Longer:
    """A search of :data:`CLOSER` times the positions, each position asked once."""

    def __init__(self, judged: Judged) -> None:
        self.judged = judged
        self._known: dict[str, tuple[Verdict, chess.Move | None]] = {}

    def ask(self, board: chess.Board, known: Verdict) -> tuple[Verdict, chess.Move | None]:
        """For the side to move, and the move it plays; ``known`` of it is not exact."""
        fen = board.fen()
        if fen not in self._known:
            look = self.judged.bench.look
            result = look.search.search(board, CLOSER * look.positions)
            chances = told(board, result.score, result.depth)
            verdict = with_chances(known, chances.won, chances.lost, measured=True)
            self._known[fen] = verdict, next(iter(result.line), None)
        return self._known[fen]

    def after(self, board: chess.Board, move: chess.Move, known: Verdict) -> Verdict:
        """For the player of a move, after it; ``known`` itself where that is exact."""
        if known.exact:
            return known
        child = after_move(board, move)
        verdict, _ = self.ask(child, known.for_side(Side.of(child.turn)))
        return verdict.for_side(known.side)


def _confirmed(longer: _Longer, moment: Deciding, slips: Sequence[Slip]) -> Deciding | None:
    """The moment where a search of :data:`CLOSER` times the size sees a fall of :data:`STEPS_BY`.

    The move named as better is one that is better by that search as well; None without one.
    """
    judged = longer.judged
    board = judged.board(moment.ply)
    played = judged.walked.steps[moment.ply - 1].move
    own: chess.Move | None = None
    before = moment.before.expected
    if not moment.before.exact:
        verdict, own = longer.ask(board, moment.before)
        before = verdict.expected
    least = longer.after(board, played, moment.after).expected + STEPS_BY
    if before < least:
        return None
    if any(slip.ply == moment.ply for slip in slips):
        return moment
    named = chess.Move.from_uci(moment.held[0].uci)
    if named == own:
        return moment
    if longer.after(board, named, moment.held[0].verdict).expected >= least:
        return moment
    if own is None or own == played:
        return None
    ((_, verdict),) = judged.bench.weigh(board, [own])
    if verdict.expected <= moment.after.expected:
        return None
    return _named(judged, moment, own, verdict)


def _largest_step(
    longer: _Longer, movers: Sequence[Side], slips: Sequence[Slip], winner: Side | None
) -> Deciding | None:
    """The largest step for good as the longer search sees it, of the moves that may be one.

    Those are the :data:`MOST` after which the expected score of their player stayed lowest by the
    review itself, of a game whose chances changed by :data:`FALLS_BY` in all; moves of the side
    that won do not count, nor do steps that the words for before and after do not show.
    """
    judged = longer.judged
    last = len(judged.verdicts) - 1
    worth = [verdict.for_side(Side.WHITE).expected for verdict in judged.verdicts]
    if any(slip.certain for slip in slips) or max(abs(w - worth[last]) for w in worth) < FALLS_BY:
        return None
    plies = [ply for ply in range(1, last + 1) if movers[ply - 1] is not winner]
    plies.sort(key=lambda ply: (-_fall(judged.verdicts, ply, movers[ply - 1], last), -ply))
    steps = [_step(longer, ply, movers[ply - 1]) for ply in plies[:MOST]]
    seen = [step for step in steps if step is not None and step.fall >= LONGER_STEPS_BY]
    for moment in sorted(seen, key=lambda step: (-step.fall, -step.ply)):
        board = judged.board(moment.ply)
        _, own = longer.ask(board, moment.before)
        assert own is not None
        better = longer.after(board, own, moment.before)
        if better.expected >= moment.after.expected + LONGER_STEPS_BY and _shows(moment):
            return _named(judged, moment, own, better)
    return None


def _step(longer: _Longer, ply: int, side: Side) -> Deciding | None:
    """A move as the longer search sees it; None where it would play it too."""
    judged = longer.judged
    board = judged.board(ply)
    played = judged.walked.steps[ply - 1].move
    if judged.before(ply).exact:
        return None
    before, own = longer.ask(board, judged.before(ply))
    if own is None or own == played:
        return None
    after = longer.after(board, played, judged.after(ply))
    rest = max(verdict.for_side(side).expected for verdict in judged.verdicts[ply:])
    return Deciding(
        ply=ply,
        side=side,
        san=judged.walked.san(ply),
        fen=board.fen(),
        certain=False,
        before=before,
        after=after,
        fall=round(before.expected - max(after.expected, rest), 3),
        longer=True,
    )


def _shows(moment: Deciding) -> bool:
    """Is a step seen in the words for the position before it and after it?"""
    return verdict_words(moment.before) != verdict_words(moment.after)


def _moment(
    judged: Judged, slips: Sequence[Slip], movers: Sequence[Side], ply: int, *, final: bool
) -> Deciding:
    slip = next((s for s in slips if s.ply == ply), None)
    certain = slip is not None and slip.certain
    moment = Deciding(
        ply=ply,
        side=movers[ply - 1],
        san=judged.walked.san(ply),
        fen=judged.board(ply).fen(),
        certain=certain,
        before=judged.before(ply),
        after=judged.after(ply),
        final=final,
        fall=round(_fall(judged.verdicts, ply, movers[ply - 1], len(judged.verdicts) - 1), 3),
    )
    if slip is None:
        return _with_better(judged, moment)
    return replace(moment, held=slip.held, complete=slip.complete, shown=slip.shown)


def candidates(
    verdicts: Sequence[Verdict], movers: Sequence[Side], slips: Sequence[Slip]
) -> list[tuple[int, bool]]:
    """Plies that may have decided the game, best first, and whether nothing changed after each.

    The last change of outcome is the last certain slip; but where the chances of one side fell
    for good after it, as they do once the game has left what can be proved, that fall.  Of several
    falls that stood to the end those come first that brought the game to where it ended, the
    largest before the others; before these others the falls that lasted a while of a player who
    had been let back after one.  Without any of these, where the chances at the end are others than
    they once were: the steps by which they shifted, in the same order; and then the falls that
    lasted a while.

    Args:
        verdicts: on the position after each ply, 0 the start; whose side does not matter.
        movers: who made the move at each ply, from ply 1.
        slips: of both sides.
    """
    proved = max((slip.ply for slip in slips if slip.certain), default=0)
    last = len(verdicts) - 1
    to_the_end: list[tuple[bool, float, int]] = []
    steps: list[tuple[bool, float, int]] = []
    for_a_while: list[tuple[float, int]] = []
    for ply in range(proved + 1, last + 1):
        mover = movers[ply - 1]
        fall = _fall(verdicts, ply, mover, last)
        if fall >= STEPS_BY:
            rest = [verdict.for_side(mover).expected for verdict in verdicts[ply:]]
            settles = max(rest) - rest[-1] < FALLS_BY
            (to_the_end if fall >= FALLS_BY else steps).append((settles, fall, -ply))
        if fall >= FALLS_BY:
            continue
        if (while_it := _fall(verdicts, ply, mover, ply + LASTS - 1)) >= FALLS_BY:
            for_a_while.append((while_it, -ply))
    made = [(-place, True) for settles, _, place in sorted(to_the_end, reverse=True) if settles]
    made += _again(movers, to_the_end, for_a_while)
    made += [
        (-place, True) for settles, _, place in sorted(to_the_end, reverse=True) if not settles
    ]
    if proved:
        return [*made, (proved, not for_a_while)]
    worth = [verdict.for_side(Side.WHITE).expected for verdict in verdicts]
    if max(abs(once - worth[last]) for once in worth) >= FALLS_BY:
        made += [(-place, True) for _, _, place in sorted(steps, reverse=True)]
    return made + [(-place, False) for _, place in sorted(for_a_while, reverse=True)]


def _again(
    movers: Sequence[Side],
    to_the_end: Sequence[tuple[bool, float, int]],
    for_a_while: Sequence[tuple[float, int]],
) -> list[tuple[int, bool]]:
    """Falls of a player who had been let back after one that did not bring the game to its end."""
    unsettled = [-place for settles, _, place in to_the_end if not settles]
    return [
        (-place, False)
        for _, place in sorted(for_a_while, reverse=True)
        if any(ply < -place and movers[ply - 1] is movers[-place - 1] for ply in unsettled)
    ]


def _fall(verdicts: Sequence[Verdict], ply: int, mover: Side, until: int) -> float:
    """By how much the mover's expected score is less from ``ply`` to ``until`` at the least."""
    before = verdicts[ply - 1].for_side(mover).expected
    until = min(until, len(verdicts) - 1)
    return before - max(verdicts[q].for_side(mover).expected for q in range(ply, until + 1))


def _with_better(judged: Judged, moment: Deciding) -> Deciding:
    """The best other move, if it is better than the one played by the same estimate."""
    bench, board = judged.bench, judged.board(moment.ply)
    played = judged.walked.steps[moment.ply - 1].move
    others = bench.weigh(board, (move for move in board.legal_moves if move != played))
    if not others or others[0][1].expected < moment.after.expected + BETTER_BY:
        return moment
    return _named(judged, moment, *others[0])


def _named(judged: Judged, moment: Deciding, move: chess.Move, verdict: Verdict) -> Deciding:
    """The moment with a move that was better, and its line."""
    bench, board = judged.bench, judged.board(moment.ply)
    better = alternative(bench, board, move, verdict, with_line=False)
    return replace(moment, held=(better,), shown=line_after(bench, board, move))
