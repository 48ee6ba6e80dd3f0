"""How a game ended, what the final position was worth, and what decided it, in sentences."""

from __future__ import annotations

from convert.model import Deciding, Finish, Finished, Review, Side, Verdict, move_label
from convert.model.deciding import FALLS_BY
from convert.wording.small import capital, join, stopped
from convert.wording.verdicts import evidence_word, line_words, outcome_words, verdict_words
from tablebases.values import Outcome

_WON = {
    Finish.MATE: "{winner} won by mate",
    Finish.TIME: "{winner} won on time",
    Finish.RESIGNED: "{winner} won; {loser} resigned",
    Finish.RULES: "{winner} won: {loser} broke the rules (Termination tag)",
    Finish.ADJUDICATED: "{winner} won by adjudication",
    Finish.ABANDONED: "{winner} won; the game was abandoned",
    Finish.UNFINISHED: "{winner} won; the record calls the game unfinished",
}
_DRAWN = {
    Finish.STALEMATE: "Drawn by stalemate",
    Finish.BARE_KINGS: "Drawn: bare kings",
    Finish.DEAD: "Drawn: neither side can mate",
    Finish.FIFTY_MOVES: "Drawn by the fifty-move rule",
    Finish.SEVENTY_FIVE: "Drawn by the seventy-five-move rule",
    Finish.REPETITION: "Drawn by repetition",
    Finish.FIVEFOLD: "Drawn by repetition, five times",
    Finish.TIME: "Drawn on time",
    Finish.AGREED: "Drawn by agreement",
    Finish.ADJUDICATED: "Drawn by adjudication",
    Finish.ABANDONED: "Drawn; the game was abandoned",
    Finish.UNFINISHED: "Drawn; the record calls the game unfinished",
}
#: Expected score from which on a side is told to have stood better (judgement).
STOOD_BETTER = 0.6
#: Ends by the Laws: what the final position was worth goes without saying.
BY_THE_LAWS = (
    Finish.MATE,
    Finish.STALEMATE,
    Finish.BARE_KINGS,
    Finish.DEAD,
    Finish.SEVENTY_FIVE,
    Finish.FIVEFOLD,
)


def finished_words(review: Review) -> list[str]:
    """Who won and how the game ended, then what the final position was worth, in sentences."""
    end = review.finished
    if end is None:
        return []
    sentences = [_how(review, end) + "."]
    if end.how is Finish.STALEMATE:
        sentences.append(f"Material at the end: {end.balance}.")
    elif end.how not in BY_THE_LAWS:
        sentences.append(_worth(end))
    return sentences


def _how(review: Review, end: Finished) -> str:
    guessed = "" if end.certain else ", as far as the record shows"
    if end.winner is not None:
        names = {"winner": end.winner.name_, "loser": end.winner.other.name_}
        form = _WON.get(end.how, "{winner} won; the record does not say how the game ended")
        return form.format(**names) + guessed
    if end.drawn:
        return _DRAWN.get(end.how, "Drawn") + guessed
    if not review.complete:
        return "The record cannot be read to the end of the game"
    return "No result is recorded"


def _worth(end: Finished) -> str:
    """What the final position was worth, and where that is not what the result says."""
    final = end.final
    if not final.exact:
        return f"The final position: {verdict_words(final)}."
    scored = None if not (end.winner or end.drawn) else _points(end.winner)
    if scored is None or final.points == scored:
        return f"The final position: {verdict_words(final)}."
    return f"But in the final position: {outcome_words(final)} with best play " + (
        f"({evidence_word(final)})."
    )


def _points(winner: Side | None) -> int:
    return 0 if winner is None else 1 if winner is Side.WHITE else -1


def deciding_words(review: Review) -> list[str]:
    """The deciding moment in sentences: what the move threw away, what held, on what evidence."""
    moment = review.deciding
    if moment is None:
        return [_nothing_changed(review)]
    label = review.label_at(moment.ply, "?")
    if not moment.certain and moment.final and moment.fall < FALLS_BY:
        step = label if moment.held else label[:-1]
        words = [
            "No single move decided it: by the estimate the chances shifted step by step. The "
            f"largest step that lasted was {step}."
        ]
    else:
        lead = f"{label} {_threw(review, moment)}"
        words = [f"{lead}." if moment.certain else f"By the estimate: {lead}."]
    before, after = verdict_words(moment.before), verdict_words(moment.after)
    words.append(f"Before it: {before}; after it: {after}.")
    words += _better(review, moment)
    if not moment.final:
        words.append("Later the chances changed again, and none of it for good.")
    return words


def _nothing_changed(review: Review) -> str:
    final = review.finished.final if review.finished else review.plies[-1].verdict
    if review.start_verdict.exact and final.exact:
        how = evidence_word(review.start_verdict)
        return (
            f"Nothing changed: {outcome_words(review.start_verdict)} from the first position of "
            f"the game to the last ({how})."
        )
    worth = _worth_for(review, Side.WHITE)
    if max(worth) - min(worth) >= FALLS_BY:
        lead = "No single move decided it: by the estimate the chances shifted step by step."
        return f"{lead} {_turned(review)}"
    return (
        "Nothing changed: no slip is certain, and by the estimate no move cost its player a "
        "fifth of a point for good."
    )


def turned_at(review: Review) -> int | None:
    """The ply from which on the winner stood better to the end; None if he never did, or always.

    That is: his expected score (points, 0 to 1) was below :data:`STOOD_BETTER` before it, and at no
    position after it. To be told where no move is named as the one that decided, but the chances
    changed by :data:`FALLS_BY` in all.
    """
    winner = review.finished.winner if review.finished else None
    if winner is None or review.deciding is not None:
        return None
    worth = _worth_for(review, winner)
    if max(worth) - min(worth) < FALLS_BY:
        return None
    below = max((ply for ply, points in enumerate(worth) if points < STOOD_BETTER), default=-1)
    return below + 1 if 0 <= below < len(worth) - 1 else None


def _worth_for(review: Review, side: Side) -> list[float]:
    """The expected score of a side (0 to 1) in each position of the game."""
    verdicts = [review.start_verdict, *(record.verdict for record in review.plies)]
    return [verdict.for_side(side).expected for verdict in verdicts]


def _turned(review: Review) -> str:
    ply = turned_at(review)
    if ply is None or review.finished is None or review.finished.winner is None:
        return (
            "No slip is certain, and no move is seen to be better than one that cost so much as a "
            "fifth of a point for good."
        )
    winner = review.finished.winner
    before, after = (verdict_words(review.verdict_at(p, winner)) for p in (ply - 1, ply))
    label = review.label_at(ply)
    step = f"Before it: {before}; after it: {after}."
    if before == after:
        step = f"Before and after it: {before}."
    return f"From {label} on {winner.name_} stood better to the end. {step}"


def _threw(review: Review, moment: Deciding) -> str:
    """What the move did to its player's game."""
    before, after = moment.before, moment.after
    if moment.certain:
        if any(slip.handed_back == moment.ply for slip in review.slips):
            return "gave the draw back" if before.low.points > 0 else "handed the win back"
        return thrown_words(before, after)
    if after.exact and after.points == -1:
        return "lost"
    if before.expected >= 0.75:
        return "gave the advantage away" if after.expected >= 0.3 else "turned the game round"
    return "let the opponent take over" if after.expected < 0.4 else "gave most away"


def thrown_words(before: Verdict, after: Verdict) -> str:
    """What a certain slip threw away; both verdicts for its player."""
    if before.low.points > 0:
        if after.high is Outcome.CURSED_WIN:
            return "let the win slip, by the fifty-move rule"
        return "threw the win away and even lost" if after.high.points < 0 else "let the win slip"
    return "lost a drawn game"


def _better(review: Review, moment: Deciding) -> list[str]:
    """What held or won instead, with a line."""
    if not moment.held:
        return []
    record = review.plies[moment.ply - 1]
    names = [move_label(record.number, record.side, other.san) for other in moment.held]
    if moment.certain:
        keep = "won" if moment.before.low.points > 0 else "held"
        only = "Only " if moment.complete and len(names) == 1 else ""
        sure = "" if moment.complete else " for certain"
        words = [capital(f"{only}{join(names)} {keep}{sure}.")]
    else:
        words = [f"Better looks {names[0]}: {verdict_words(moment.held[0].verdict)}."]
    if moment.shown is not None and len(moment.shown.moves) > 1:
        text = line_words(record.number, record.side, moment.shown.moves[:10])
        more = " ..." if len(moment.shown.moves) > 10 else ""
        ends = f" ({moment.shown.ends})" if moment.shown.ends and not more else ""
        words.append(stopped(f"Line: {text}{more}{ends}"))
    return words
