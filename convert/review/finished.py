"""How a game ended: from its final position, its result and its Termination tag."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping

from convert.board.balance import balance_name
from convert.judging.judges import place_key
from convert.judging.laws import at_an_end, clock_lets_claim, over_by_clock
from convert.model import Side, Verdict
from convert.model.deciding import Finish, Finished
from convert.model.record import How
from convert.review.judged import Judged

#: What the Termination tag may say (PGN standard, 9.8.2), beside *normal*; some write on.
TERMINATIONS = {
    "time": Finish.TIME,
    "rules infraction": Finish.RULES,
    "adjudication": Finish.ADJUDICATED,
    "abandoned": Finish.ABANDONED,
    "unterminated": Finish.UNFINISHED,
}
WINNERS = {"1-0": Side.WHITE, "0-1": Side.BLACK}
#: With a higher expected score than this nobody is taken to have resigned (judgement).
HOPELESS = 0.35


def finished(judged: Judged, result: str, tags: Mapping[str, str], complete: bool) -> Finished:
    """How a judged game ended.

    Args:
        judged: the game.
        result: as its record has it; ``tags`` of the record.
        complete: False if the record cannot be read to its end.
    """
    final = judged.verdicts[-1].for_side(Side.WHITE)
    winner = WINNERS.get(result)
    drawn = result == "1/2-1/2"
    how, certain = _how(judged, winner, drawn, complete, tags.get("Termination", ""), final)
    return Finished(
        how=how,
        winner=winner,
        drawn=drawn,
        certain=certain,
        balance=balance_name(judged.walked.counts[-1]),
        final=final,
    )


def _how(
    judged: Judged,
    winner: Side | None,
    drawn: bool,
    complete: bool,
    termination: str,
    final: Verdict,
) -> tuple[Finish, bool]:
    if (by_laws := _by_the_laws(judged)) is not None:
        fits = winner is not None if by_laws is Finish.MATE else drawn
        if fits:
            return by_laws, True
    if winner is None and not drawn:
        return (Finish.UNFINISHED if complete else Finish.NOT_TOLD), True
    text = termination.lower()
    for said, finish in TERMINATIONS.items():
        if said in text:
            return finish, True
    if drawn:
        return _drawn(judged)
    normal = text == "normal"
    assert winner is not None
    if normal or final.for_side(winner.other).expected <= HOPELESS:
        return Finish.RESIGNED, normal
    return Finish.NOT_TOLD, True


def _by_the_laws(judged: Judged) -> Finish | None:
    board = judged.walked.boards[-1]
    how = at_an_end(board)
    if how is How.DEAD:
        return Finish.BARE_KINGS if board.occupied == board.kings else Finish.DEAD
    if how is not None:
        return Finish.MATE if how is How.MATE else Finish.STALEMATE
    return Finish.SEVENTY_FIVE if over_by_clock(board) else None


def _drawn(judged: Judged) -> tuple[Finish, bool]:
    """A draw that neither the final position nor a tag explains."""
    boards = judged.walked.boards
    stood = Counter(place_key(board) for board in boards)[place_key(boards[-1])]
    if stood >= 5:
        return Finish.FIVEFOLD, True
    if stood >= 3:
        return Finish.REPETITION, False
    if clock_lets_claim(boards[-1]):
        return Finish.FIFTY_MOVES, False
    return Finish.AGREED, False
