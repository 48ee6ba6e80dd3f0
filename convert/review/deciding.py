"""The deciding moment: the move at which the outcome of a game changed for the last time."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from convert.judging.lines import line_after
from convert.model import Side, Slip, Verdict
from convert.model.deciding import FALLS_BY, Deciding, Finish, Finished
from convert.review.decisions import alternative
from convert.review.judged import Judged
from convert.review.longer import LASTS, Longer
from convert.review.trades import starts_trade
from convert.wording.verdicts import verdict_words

#: Where the chances shifted without such a fall, the largest step is told from here on (judgement).
STEPS_BY = 0.075
#: Ends to which the play led; a win on time may come in any position.
PLAYED_OUT = (Finish.MATE, Finish.RESIGNED)
#: So many candidates are looked at for a better move.
MOST = 8
#: So many moves beside its own are tried by the longer search.
TRIED = 2
#: A move looks better only from so much of expected score on (judgement).
BETTER_BY = 0.075


def went_on_to_win(end: Finished | None) -> Side | None:
    """The side whose play led to its win: by mate, or because the other resigned."""
    return end.winner if end is not None and end.how in PLAYED_OUT else None


def deciding_moment(
    longer: Longer, slips: Sequence[Slip], end: Finished | None = None
) -> Deciding | None:
    """The deciding moment of a judged game, with a better move where one is known.

    A move by the estimate for which the longer search sees no better one gives way to the next
    candidate: there the estimate drifted, and no move is to blame.  So does a move of the side
    that went on to win (``end``), and a small step that does not show in the words for before and
    after.  None where no candidate is left.
    """
    judged, winner = longer.judged, went_on_to_win(end)
    movers = tuple(judged.side(step.ply) for step in judged.walked.steps)
    for ply, final in candidates(judged.verdicts, movers, slips)[:MOST]:
        moment = _moment(judged, slips, ply, final=final)
        if moment.certain:
            return moment
        if moment.side is winner or (better := _with_better(longer, moment)) is None:
            continue
        if not final or moment.fall >= FALLS_BY or _shows(better):
            return better
    return None


def with_moment(
    judged: Judged, slips: tuple[Slip, ...], moment: Deciding | None
) -> tuple[Slip, ...]:
    """The slips and a move that decided the game by the estimate, which is suspected then.

    Where it was suspected before, it has the better move of the moment now.
    """
    if moment is None or moment.certain or (moment.final and moment.fall < FALLS_BY):
        return slips
    known = next((slip for slip in slips if slip.ply == moment.ply), None)
    if known is None:
        move = judged.walked.steps[moment.ply - 1].move
        known = Slip(
            ply=moment.ply,
            side=moment.side,
            san=moment.san,
            fen=moment.fen,
            certain=False,
            before=moment.before,
            after=moment.after,
            held=(),
            complete=False,
            shown=None,
            refuted=None,
            by_trade=starts_trade(judged.board(moment.ply), move),
        )
    known = replace(
        known, before=moment.before, after=moment.after, held=moment.held, shown=moment.shown
    )
    others = (slip for slip in slips if slip.ply != moment.ply)
    return tuple(sorted((*others, known), key=lambda slip: slip.ply))


def _with_better(longer: Longer, moment: Deciding) -> Deciding | None:
    """The moment as the longer search sees it, with the better move; None where it sees none."""
    bench, board = longer.judged.bench, longer.judged.board(moment.ply)
    played = longer.judged.walked.steps[moment.ply - 1].move
    before = moment.before
    if before.exact:
        others = bench.weigh(board, (move for move in board.legal_moves if move != played))
    else:
        before, own = longer.ask(board, before)
        if own is None or own == played:
            return None
        beside = [move for move, _ in bench.compared(board) if move not in (played, own)]
        weighed = [(m, longer.after(board, m, before)) for m in (own, *beside[:TRIED])]
        others = tuple(sorted(weighed, key=lambda item: (-item[1].expected, item[0].uci())))
    after = longer.after(board, played, moment.after)
    # What the position was worth must be seen in a move, and not in a number alone.
    least = max(BETTER_BY, (before.expected - after.expected) / 2)
    if not others or others[0][1].expected < after.expected + least:
        return None
    move, better = others[0]
    return replace(
        moment,
        before=before,
        after=after,
        held=(alternative(bench, board, move, better, with_line=False),),
        shown=line_after(bench, board, move) or longer.line(board, move),
    )


def _shows(moment: Deciding) -> bool:
    """Is a step seen in the words for the position before it and after it?"""
    return verdict_words(moment.before) != verdict_words(moment.after)


def _moment(judged: Judged, slips: Sequence[Slip], ply: int, *, final: bool) -> Deciding:
    slip = next((s for s in slips if s.ply == ply and s.certain), None)
    side = judged.side(ply)
    moment = Deciding(
        ply=ply,
        side=side,
        san=judged.walked.san(ply),
        fen=judged.board(ply).fen(),
        certain=slip is not None,
        before=judged.before(ply),
        after=judged.after(ply),
        final=final,
        fall=round(_fall(judged.verdicts, ply, side, len(judged.verdicts) - 1), 3),
    )
    if slip is None:
        return moment
    return replace(moment, held=slip.held, complete=slip.complete, shown=slip.shown)


def candidates(
    verdicts: Sequence[Verdict], movers: Sequence[Side], slips: Sequence[Slip]
) -> list[tuple[int, bool]]:
    """Plies that may have decided the game, best first, and whether nothing changed after each.

    The last change of outcome is the last certain slip; but where the chances of one side fell
    for good after it, as they do once the game has left what can be proved, that fall.  Of several
    falls that stood to the end those come first that brought the game to where it ended, the
    largest before the others; then the falls that lasted a while of a player who had been let back
    after one; then the others that stood to the end, the last of them first.  Without any of
    these, where the chances at the end are others than they once were: the steps by which they
    shifted, in the same order; and then the falls that lasted a while.

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
    made += [(ply, True) for ply in sorted((-p for s, _, p in to_the_end if not s), reverse=True)]
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
