"""What the solver proved of one position, for the terminal."""

from __future__ import annotations

from rich.console import Console

from convert.model.solution import SolvedMove, SolveReport
from convert.reports.diagram import diagram, in_words
from convert.reports.terminal import Page
from convert.wording.small import count_words, join
from convert.wording.solutions import group_words, verdict_text
from convert.wording.verdicts import line_words

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
    for move in report.moves:
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
    words = join([count_words(number, what) for what, number in kinds.items() if number])
    text = (
        f"{count_words(checked.positions, 'position')} in {_slices(checked.slices)}, "
        f"drawn by chance, held against {count_words(checked.successors, 'position')} "
        "after their moves: "
        f"{words}; {checked.together:,} with a halfmove clock. "
    )
    if checked.stored:
        text += f"{_slices(checked.stored)} of the store are the same as solved now. "
    page.paragraph(f"{text}No contradiction.", 2)


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
