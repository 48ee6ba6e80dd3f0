"""What is said while a position is played out, and at the end.  Plain sentences, no layout."""

from __future__ import annotations

import chess

from convert.model import Evidence, Side, Slip, Speaking, Verdict, move_label
from convert.model.record import End, How, Made, Playing
from convert.wording.rules import holds_words
from convert.wording.small import capital, join
from convert.wording.verdicts import (
    evidence_word,
    held_words,
    line_words,
    outcome_words,
    verdict_words,
)

#: From this clock on (plies) the count of the fifty-move rule is told with the outcome.
CLOCK_FROM = 40
#: At most so many moves are named where it was harder than needed.
MOST_HARDER = 3
#: At most so many rules of thumb are told of a position.
MOST_RULES = 3
_NEXT = "the next capture, pawn move or mate"


def basis_words(opponent: Side, evidence: Evidence) -> str:
    """What the opponent's replies rest on."""
    if evidence is Evidence.ESTIMATE:
        return (
            f"No table and no solved result settles this position: {opponent.name_}'s replies "
            "rest on look-ahead and rules of thumb, an estimate."
        )
    source = "what the solver settled" if evidence is Evidence.SOLVED else "the tables"
    return f"{opponent.name_}'s replies rest on {source}."


def how_words(
    verdict: Verdict, board: chess.Board, start: Verdict | None, *, to_mate: bool, seen: int
) -> list[str]:
    """How the game stands, with its evidence, the distance and what the Laws make of it.

    ``verdict`` is for the side to move, with the distance where it is known; ``start`` the verdict
    on the first position, None where no move was made yet; ``to_mate``: the distance is to mate;
    ``seen``: how often the position has appeared.
    """
    said = [f"{capital(verdict_words(verdict))}."]
    if start is not None and start.exact and verdict.exact:
        same = start.for_side(verdict.side).points == verdict.points
        said.append("So it was at the start." if same else f"At the start: {verdict_words(start)}.")
    if verdict.via:
        line = line_words(board.fullmove_number, verdict.side, verdict.via)
        said.append(f"By {line}.")
    if verdict.exact and verdict.points and verdict.distance:
        said.append(_distance(verdict.distance, verdict.rounded, to_mate))
    clock = board.halfmove_clock
    if clock >= 100:
        said.append("A draw can be claimed by the fifty-move rule.")
    elif clock >= CLOCK_FROM:
        said.append(f"{clock} plies without a capture or pawn move; at 100 a draw can be claimed.")
    if seen == 2:
        said.append(
            "This position stands for the second time; the third time a draw can be claimed."
        )
    elif seen > 2:
        said.append(f"This position has appeared {seen} times: a draw can be claimed.")
    return said


def _distance(plies: int, rounded: bool, to_mate: bool) -> str:
    if to_mate and not rounded:
        moves = (plies + 1) // 2
        return f"Mate in {moves} move{_s(moves)} with best play."
    if rounded:
        return f"With best play {_NEXT} is {plies} or {plies + 1} plies away."
    return f"With best play {_NEXT} is {_plies(plies)} away."


def slip_words(slip: Slip, number: int) -> str:
    """What a slip let go, and which moves kept it; the move number is the slip's own."""
    names = [move_label(number, slip.side, held.san) for held in slip.held]
    before = f": {outcome_words(slip.before)} before" if slip.before.exact else ""
    if not slip.certain:
        best = slip.held[0].verdict
        sure = slip.before.exact and best.exact and best.points == slip.before.points
        better = f"{'won' if best.points == 1 else 'held'} for certain" if sure else "looks better"
        was = before or f": {verdict_words(slip.before)} before"
        return f"A suspected slip{was}, now {verdict_words(slip.after)}. {names[0]} {better}."
    text = f"A slip{before}, now {verdict_words(slip.after)}."
    if names:
        text += f" {capital(held_words(slip, names))}."
    return text


def tell_words(made: Made, tell: str) -> str:
    """What is said of a move of the player's; empty where nothing is to be said.

    ``tell`` is ``always``, ``slips`` or ``never``.
    """
    if tell == "never" or (tell == "slips" and made.slip is None):
        return ""
    if made.slip is not None:
        return f"{made.label}: {slip_words(made.slip, made.number)}"
    return f"{made.label}{_kept(made)}"


def _kept(made: Made) -> str:
    """What follows the move's label where nothing was let go."""
    after = verdict_words(made.after)
    if not made.after.exact:
        return f": no certain slip; {after}."
    if made.san.endswith("#"):
        return ": checkmate."
    stands = made.before.exact and made.before.points == made.after.points
    said = [f" keeps it: {after}." if stands and made.after.points != -1 else f": {after}."]
    if made.only:
        said.append(f"No other move {'won' if made.after.points == 1 else 'held'}.")
    if made.extra:
        said.append(detour_words(made))
    return " ".join(said)


def detour_words(made: Made) -> str:
    """By how much the goal is further off than it had to be."""
    plies = made.extra or 0
    if made.to_mate and plies % 2 == 0:
        moves = plies // 2
        return f"Mate is {moves} move{_s(moves)} further off than it had to be."
    return f"{capital(_NEXT)} is {_plies(plies)} further off than it had to be."


def draw_refused(side: Side) -> str:
    """The opponent does not take the draw."""
    return f"{side.name_} plays on."


def claim_possible(moves: tuple[str, ...]) -> str:
    """A claim needs a move announced; which would do."""
    shown = [f"draw {san}" for san in moves[:3]]
    more = " (other moves do too)" if len(moves) > 3 else ""
    return (
        "Nothing was offered: you may claim a draw by announcing a move that repeats the position "
        f"for the third time or completes the fifty moves: {join(shown, 'or')}{more}."
    )


def no_claim(san: str, seen: int, clock: int) -> str:
    """Why a claim with a move announced does not stand."""
    return (
        f"No claim: after {san} the position stands for the {_ordinal(seen)} time, and it is "
        f"{clock} pl{'y' if clock == 1 else 'ies'} since the last capture or pawn move. "
        "Nothing was played."
    )


def end_words(playing: Playing) -> str:
    """How the game ended; empty while it goes on."""
    end = playing.end
    if end is None:
        return ""
    side = end.by.name_ if end.by is not None else ""
    text: str = {
        How.MATE: f"Checkmate: {_winner(end)} wins.",
        How.STALEMATE: "Stalemate: drawn.",
        How.DEAD: "Drawn: with what is left nobody can mate.",
        How.FIVEFOLD: "Drawn: the position has appeared for the fifth time.",
        How.SEVENTY_FIVE: "Drawn: seventy-five moves by each side without a capture or pawn move.",
        How.AGREED: f"Drawn: {playing.player.other.name_} takes the draw.",
        How.RESIGNED: f"{side} resigns: {_winner(end)} wins.",
        How.THREEFOLD: f"Drawn: {side} claims{_announced(end)} the third appearance of the "
        "position.",
        How.FIFTY: f"Drawn: {side} claims{_announced(end)} fifty moves by each side without a "
        "capture or pawn move.",
    }[end.how]
    return text


def _announced(end: End) -> str:
    return f", announcing {end.announced}," if end.announced else ""


def _winner(end: End) -> str:
    return end.winner.name_ if end.winner is not None else ""


def summary(playing: Playing, *, brief: bool = False) -> list[str]:
    """How it went, told when the game is over or left: a list of sentences or short paragraphs.

    ``brief``: slips are only named, for a place where each is told of already.
    """
    own = list(playing.own)
    said = [f"At the start: {verdict_words(playing.start)}."]
    if own:
        said.append(_slips(playing, own, brief))
    if playing.end is not None:
        thrown = _given_up(playing)
        if thrown:
            said.append(thrown)
    detours = _detours(own, since="while winning, " if playing.slips else "")
    if detours:
        said.append(detours)
    harder = _harder(own)
    if harder and not brief:
        said.append(harder)
    only_moves = sum(made.only for made in own)
    if only_moves:
        said.append(f"Only moves found: {only_moves}.")
    if playing.taken:
        names = [m.label + _mark(m) for m in playing.taken]
        said.append(f"Taken back: {join(names)}.")
    return said


def _mark(made: Made) -> str:
    if made.slip is None:
        return ""
    return " (a slip)" if made.slip.certain else " (a suspected slip)"


def _slips(playing: Playing, own: list[Made], brief: bool) -> str:
    marked = [made for made in own if made.slip is not None]
    if marked and brief:
        said = []
        for name, certain in (("Slips", True), ("Suspected slips", False)):
            labels = [m.label for m in marked if m.slip is not None and m.slip.certain is certain]
            if labels:
                said.append(f"{name}: {', '.join(labels)}.")
        return " ".join(said)
    if marked:
        return " ".join(
            f"{made.label}: {slip_words(made.slip, made.number)}"
            for made in marked
            if made.slip is not None
        )
    name, moves = playing.player.name_, len(own)
    if all(made.before.exact and made.after.exact for made in own):
        if all(made.before.points == -1 for made in own):
            return f"{name} made {moves} move{_s(moves)}; there was nothing left to let go."
        return f"{name} made {moves} move{_s(moves)} and let nothing go."
    return (
        f"{name} made {moves} move{_s(moves)}: no certain slip and none suspected. Where only "
        "the estimate speaks, that is no proof."
    )


def _given_up(playing: Playing) -> str:
    """What an ending without mate gave away that the last position still held."""
    end = playing.end
    assert end is not None
    if end.how in (How.MATE, How.STALEMATE, How.DEAD, How.FIFTY, How.SEVENTY_FIVE):
        return ""
    got = 0 if end.winner is None else 1 if end.winner is playing.player else -1
    if not playing.now.exact or (playing.now.points or 0) <= got:
        return ""
    won = playing.now.points == 1
    held = f"{playing.player.name_} {'was winning' if won else 'had a draw'}"
    return f"In the last position {held} ({evidence_word(playing.now)}); the result gave that up."


def _detours(own: list[Made], since: str) -> str:
    """Moves more than needed, as far as the distances are known."""
    winning = [m for m in own if m.before.points == 1 and m.after.points == 1]
    counted = [m for m in winning if m.extra is not None]
    if not winning:
        return ""
    left = len(winning) - len(counted)
    why = "the distance is not known, or may be one to the loss of a piece"
    if not counted:
        return f"Moves more than needed: not counted ({why})."
    rest = f" {left} winning move{_s(left)} not counted ({why})." if left else ""
    if any(m.rounded for m in counted):
        rest = f" One ply is not counted where the table rounds.{rest}"
    goal = "mate" if all(m.to_mate for m in counted) else _NEXT
    text = f"Moves more than needed {since}on the way to {goal}"
    plies = sum(m.extra or 0 for m in counted)
    if not plies:
        return f"{text}: none.{rest}"
    worst = max(counted, key=lambda m: m.extra or 0)
    most = worst.extra or 0
    if goal == "mate" and all((m.extra or 0) % 2 == 0 for m in counted):
        return f"{text}: {plies // 2}; most with {worst.label} ({most // 2}).{rest}"
    moves = "½" if plies == 1 else f"{plies // 2}{'½' if plies % 2 else ''}"
    beauty = "This measures haste: a quiet move that improves the position may cost a ply or two."
    return (
        f"{text}: {moves} ({_plies(plies)}); most with {worst.label} ({_plies(most)}). "
        f"{beauty}{rest}"
    )


def _harder(own: list[Made]) -> str:
    """Where it was harder than needed: the moves that cost most, each with one that was nearer."""
    costly = sorted((m for m in own if m.extra and m.quicker), key=lambda m: -(m.extra or 0))
    if not costly:
        return ""
    worst = sorted(costly[:MOST_HARDER], key=lambda m: m.ply)
    names = [
        f"{m.label} ({move_label(m.number, m.side, m.quicker)} was {_plies(m.extra or 0)} nearer)"
        for m in worst
    ]
    rest = len(costly) - len(worst)
    more = f", and {rest} more move{_s(rest)}" if rest else ""
    return f"Harder than needed: {', '.join(names)}{more}."


def rules_words(rules: tuple[Speaking, ...], most: int = MOST_RULES) -> list[str]:
    """Rules of thumb that speak in the position, strongest first."""
    if not rules:
        return ["No rule of thumb speaks here."]
    said = []
    for rule in rules[:most]:
        whom = "for a draw" if rule.side is None else f"for {rule.side.name_}"
        how = f"{rule.source}; {holds_words(rule)}"
        said.append(f"{whom}: {rule.statement} Here: {rule.detail}. [{how}]")
    return said


def hint_words(verdict: Verdict, held: int, complete: bool, legal: int) -> str:
    """How many moves keep the outcome, without naming them."""
    if verdict.low.points < 0:
        if verdict.exact:
            return f"Nothing is left to keep: {verdict_words(verdict)}."
        return f"Nothing is settled here: {verdict_words(verdict)}."
    what = "the win" if verdict.low.points > 0 else "the draw" if verdict.exact else "a draw"
    if held == 0:
        return f"Which moves keep {what} is not settled move by move here."
    if held == legal:
        return (
            f"All {legal} legal moves keep {what}."
            if legal > 1
            else (f"There is one legal move, and it keeps {what}.")
        )
    least = "" if complete else "At least "
    return f"{least}{held} of {legal} legal moves keep{'s' if held == 1 else ''} {what}."


def _plies(number: int) -> str:
    return f"{number} pl{'y' if number == 1 else 'ies'}"


def _s(number: int) -> str:
    return "" if number == 1 else "s"


def _ordinal(number: int) -> str:
    return {1: "first", 2: "second", 3: "third", 4: "fourth"}.get(number, "fifth")
