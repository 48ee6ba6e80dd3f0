"""What the solver proved of one position: facts, words for the terminal, and JSON."""

from __future__ import annotations

import json
from dataclasses import dataclass

from rich.console import Console

from convert.model import Side
from convert.reports.diagram import diagram, in_words
from convert.reports.terminal import Page
from convert.wording import join, line_words
from tablebases.values import Outcome

SOLVE_SCHEMA = 1
"""Grows by one when a key is removed or changes its meaning."""

#: What ends a line, in brackets after it; the keys stand in JSON.
_ENDS = {
    "mate": " (mate)",
    "capture": " (capture)",
    "promotion": " (promotion)",
    "pawn move": " (pawn move)",
    "next": " (then a capture, pawn move or mate)",
    "so on": " and so on",
    "": "",
}


@dataclass(frozen=True)
class SolvedMove:
    """A legal move.

    Attributes:
        low, high: worst and best outcome that it can still come to, for the side that makes it.
        plies: from the position after it to the next capture, pawn move or mate with best play;
            None where that is not known exactly, the game is drawn, or the move itself is one.
    """

    san: str
    uci: str
    low: Outcome
    high: Outcome
    plies: int | None


@dataclass(frozen=True)
class Question:
    """One side of what there is to prove.

    Attributes:
        claim: what was to be proved: ``White wins``, ``Black cannot win`` and so on.
        result: ``proved``, ``refuted`` or ``open`` (halfmove clock taken as 0).
        scopes: what was let in, one sentence a finished attempt, the last one last.
        given_up: scopes for which the memory did not suffice.
    """

    claim: str
    result: str
    scopes: tuple[str, ...]
    given_up: tuple[str, ...]


@dataclass(frozen=True)
class Spent:
    """What it cost.

    Attributes:
        seconds: time on the clock, without the preparation of the solver.
        slices: sets solved, one for each piece set and pawn structure.
        positions: placements in them, either side to move.
        memory: bytes planned for the largest step.
        from_store: slices known from earlier runs.
    """

    seconds: float
    slices: int
    positions: int
    memory: int
    from_store: int


@dataclass(frozen=True)
class Checked:
    """What was compared afterwards; no contradiction was met.

    Attributes:
        positions: positions drawn; of ``exact`` ones an equation held, of ``bounds`` an inequality,
            and ``distances`` of them included the plies.
        successors: positions after their moves.
        en_passant: positions in which a pawn could be taken so.
        together: positions asked of all that was proved, with a halfmove clock.
        slices: sets that positions were drawn from; ``stored``: sets of the store that are the
            same as solved now.
    """

    positions: int
    exact: int
    bounds: int
    distances: int
    successors: int
    en_passant: int
    together: int
    slices: int
    stored: int


@dataclass(frozen=True)
class SolveReport:
    """Everything ``fullpoint solve`` says.

    Attributes:
        to_move: the side to move; ``low`` and ``high`` are for it.
        over: why the game is over, or empty.
        low, high: worst and best outcome still possible, the halfmove clock of the FEN counted.
        exact: nothing was left out, so distances are exact.
        distance: DTZ in plies, positive if the side to move wins, negative if it loses, 0 for a
            draw; None unless exact.
        bound: plies within which the winning side forces a capture, pawn move or mate by the way
            that is proved; None if no win is proved or it is not known.
        line: moves in SAN, best play by DTZ if ``exact``, else one proved way; empty in a draw.
        line_ends: ``mate``, ``capture``, ``promotion``, ``pawn move``; ``next`` where one of them
            comes next, ``so on`` where the line is cut short.
        stopped: the user ended the work early.
        checked: what was compared afterwards, if that was asked for.
    """

    schema: int
    fen: str
    notes: tuple[str, ...]
    to_move: Side
    over: str
    low: Outcome
    high: Outcome
    exact: bool
    distance: int | None
    bound: int | None
    line: tuple[str, ...]
    line_ends: str
    moves: tuple[SolvedMove, ...]
    questions: tuple[Question, ...]
    cost: Spent | None
    stopped: bool
    checked: Checked | None = None


def solve_document(report: SolveReport) -> str:
    """The report as JSON text; keys as in docs/cli.md."""
    import msgspec

    return json.dumps(msgspec.to_builtins(report), ensure_ascii=False, indent=1) + "\n"


# --- words --------------------------------------------------------------------------------


def settled_words(outcome: Outcome, side: Side) -> str:
    """An outcome for ``side`` as a clause: ``White wins``, ``drawn``."""
    if outcome is Outcome.WIN:
        return f"{side.name_} wins"
    if outcome is Outcome.LOSS:
        return f"{side.other.name_} wins"
    if outcome is Outcome.DRAW:
        return "drawn"
    winner = side if outcome is Outcome.CURSED_WIN else side.other
    return f"drawn by the fifty-move rule, without it {winner.name_} would win"


def verdict_text(low: Outcome, high: Outcome, side: Side) -> str:
    """What is proved for ``side``, in one or two sentences."""
    if low == high:
        return f"{_capital(settled_words(low, side))}: solved."
    if low.points == high.points == 0:
        return "Drawn: solved. Only without the fifty-move rule might it be a win."
    if low.points == -1 and high.points == 1:
        return (
            "Open: it is not proved of either side that it wins, nor that it can at least "
            "draw."
        )
    if low.points < 0:
        low, high, side = high.opposite, low.opposite, side.other
    proved = f"At least a draw for {side.name_}: proved."
    if low is Outcome.CURSED_WIN:
        return (
            f"{proved} {side.name_} can force mate; whether in time for the fifty-move rule is "
            "open."
        )
    return f"{proved} Whether {side.name_} can win is open."


def group_words(low: Outcome, high: Outcome, side: Side) -> str:
    """The heading under which a move of ``side`` is listed."""
    if low == high:
        return _capital(settled_words(low, side))
    if low.points == high.points == 0:
        return "Drawn"
    if low.points == 0:
        return f"{side.name_} does not lose; a win is open"
    if high.points == 0:
        return f"{side.name_} does not win; a loss is open"
    return "Open"


def distance_text(report: SolveReport) -> str:
    """When something irreversible comes; empty if that is unknown or the game is drawn."""
    if report.distance:
        return (
            f"With best play the next capture, pawn move or mate comes in "
            f"{_plies(abs(report.distance))}. That distance is called DTZ."
        )
    if report.bound and not report.exact:
        return (
            f"By the way that is proved, a capture, pawn move or mate comes within "
            f"{_plies(report.bound)}."
        )
    return ""


def scope_words(
    winner: Side,
    *,
    wins: bool,
    pieces: tuple[int, ...],
    winner_queens_only: bool,
    other_queens_only: bool,
    pawn_moves: int,
) -> str:
    """What a step lets in.

    Args:
        winner: the side whose win is asked about.
        wins: whether "wins" is to be proved; else "cannot win".
        pieces: most pieces besides kings and pawns after a promotion, by number of pawns.
        winner_queens_only, other_queens_only: that side is given promotions to queens only.
        pawn_moves: most pawn moves of the side that has to prove something while pieces are on
            the board; -1 for any number.
    """
    prover, doubter = (winner, winner.other) if wins else (winner.other, winner)
    parts = []
    if pawn_moves == 0:
        parts.append(f"no pawn move by {prover.name_} while pieces are on the board")
    elif pawn_moves > 0:
        moves = "pawn move" if pawn_moves == 1 else "pawn moves"
        parts.append(
            f"at most {pawn_moves} {moves} by {prover.name_} while pieces are on the board"
        )
    queens = [
        s.name_
        for s, only in ((winner, winner_queens_only), (winner.other, other_queens_only))
        if only
    ]
    if queens:
        parts.append(f"{join(queens)} promoting to queens only")
    most = max(pieces)
    upto = f"{most} piece{'s' if most > 1 else ''} besides kings and pawns"
    if len(set(pieces)) > 1:
        upto += " (fewer the more pawns are left)"
    parts.append(
        f"promotions played out up to {upto}, any beyond that counted for {doubter.name_}"
    )
    return "; ".join(parts)


# --- the page -----------------------------------------------------------------------------


def print_solution(report: SolveReport, console: Console, *, figures: bool = False) -> None:
    """Print the whole report."""
    page = Page(console)
    texts = []
    if report.over:
        texts.append(f"The game is over: {report.over}.")
    else:
        texts.append(verdict_text(report.low, report.high, report.to_move))
        distance = distance_text(report)
        if distance:
            texts.append(distance)
    if report.stopped:
        texts.append("You stopped it: this is what was proved until then.")
    texts += [f"Note: {note}." for note in report.notes]
    text = "\n".join(texts)
    page.beside(diagram(report.fen, figures=figures), f"{in_words(report.fen)}\n\n{text}", 2)
    if report.over:
        return
    if report.line:
        number = int(report.fen.split()[-1])
        lead = "Best play" if report.exact else "One way that is proved"
        moves = line_words(number, report.to_move, report.line)
        page.line()
        page.paragraph(f"{lead}: {moves}{_ENDS[report.line_ends]}.", 2, 2)
    _moves(page, report)
    _proofs(page, report)
    _checked(page, report)
    _cost(page, report)


def _moves(page: Page, report: SolveReport) -> None:
    settled = all(move.low.points == move.high.points for move in report.moves)
    page.heading("Moves and the result they keep" if settled else "Moves and what is known of them")
    groups: dict[str, list[SolvedMove]] = {}
    for move in sorted(report.moves, key=_rank):
        groups.setdefault(group_words(move.low, move.high, report.to_move), []).append(move)
    if len(groups) == 1 and "Open" in groups:
        page.paragraph("Open: every one of them.", 2)
        return
    for name, moves in groups.items():
        page.paragraph(f"{name}: {', '.join(_with_plies(m) for m in moves)}", 2, 4)
    if any(move.plies for move in report.moves):
        page.paragraph(
            "In brackets: plies to the next capture, pawn move or mate after the move.", 2
        )


def _rank(move: SolvedMove) -> tuple[int, int, int, int, str]:
    """Wins first, quickest first; losses last, longest first."""
    plies = move.plies or 0
    return (
        -(move.low.points + move.high.points),
        -move.low.value - move.high.value,
        -move.low.value,
        plies if move.low.value > 0 else -plies,
        move.san,
    )


def _with_plies(move: SolvedMove) -> str:
    return f"{move.san} ({move.plies})" if move.plies else move.san


def _proofs(page: Page, report: SolveReport) -> None:
    page.heading("What was proved, and how")
    if report.exact:
        page.paragraph("Every position that can arise was solved; nothing was left out.", 2)
        return
    if not any(q.scopes or q.given_up for q in report.questions):
        stored = report.cost is not None and report.cost.from_store
        page.paragraph(
            "Taken from what earlier runs had proved."
            if stored
            else "No attempt was finished."
            if report.stopped
            else "No attempt was finished within the time and memory given.",
            2,
        )
    for question in report.questions:
        if question.result == "refuted":
            continue
        word = "proved" if question.result == "proved" else "not proved"
        if question.scopes:
            before = len(question.scopes) - 1
            after = f" (after {before} narrower attempt{'s' if before > 1 else ''})"
            page.item(
                f"{question.claim}: {word}, with {question.scopes[-1]}{after if before else ''}."
            )
        if question.given_up:
            page.item(
                f"{question.claim}: given up for want of memory, with {question.given_up[-1]}."
            )
    if report.low.points != report.high.points or any(
        move.low.points != move.high.points for move in report.moves
    ):
        page.paragraph("More time or memory may settle more (--seconds, --memory).", 2)


def _checked(page: Page, report: SolveReport) -> None:
    checked = report.checked
    if checked is None:
        return
    page.heading("Checked")
    if not checked.positions:
        page.paragraph("Nothing was kept that could be compared.", 2)
        return
    kinds = {"exact value": checked.exact, "bound": checked.bounds, "distance": checked.distances}
    told = join([_number(number, what) for what, number in kinds.items() if number])
    text = (
        f"{_number(checked.positions, 'position')} in {_slices(checked.slices)}, drawn by chance, "
        f"held against {_number(checked.successors, 'position')} after their moves: "
        f"{told}; {checked.together:,} with a halfmove clock. "
    )
    if checked.stored:
        text += f"{_slices(checked.stored)} of the store are the same as solved now. "
    page.paragraph(f"{text}No contradiction.", 2)


def _number(number: int, what: str) -> str:
    return f"{number:,} {what}{'' if number == 1 else 's'}"


def _cost(page: Page, report: SolveReport) -> None:
    cost = report.cost
    if cost is None:
        return
    page.heading("Cost")
    text = f"{cost.seconds:.1f} s"
    if cost.slices:
        text += (
            f"; {cost.positions:,} positions, impossible ones counted, in {_slices(cost.slices)} "
            f"(a slice: one pawn structure with the pieces on all squares); "
            f"{cost.memory / 1e6:,.0f} MB of memory planned"
        )
    if cost.from_store:
        text += f"; {_slices(cost.from_store)} from the store of earlier runs"
    page.paragraph(text + ".", 2)


def _plies(number: int) -> str:
    return "1 ply (half-move)" if number == 1 else f"{number} plies (half-moves)"


def _slices(number: int) -> str:
    return "1 slice" if number == 1 else f"{number:,} slices"


def _capital(text: str) -> str:
    return text[:1].upper() + text[1:]
