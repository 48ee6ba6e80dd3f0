"""The review in the terminal: quiet, 80 columns, nothing told by colour alone."""

from __future__ import annotations

import textwrap
from collections.abc import Iterable
from pathlib import PurePath

from rich.console import Console
from rich.text import Text

from convert.model import Alternative, Decision, Line, Part, Review, Side, Trade
from convert.practice_words import practice_words
from convert.reports.diagram import diagram
from convert.rule_words import figures_legend, lesson_source, rule_words
from convert.safe_text import safe
from convert.wording import (
    before_after_words,
    decision_words,
    declined_words,
    grade_words,
    how_words,
    label_at,
    lead_words,
    line_words,
    mentioned,
    only_moves_words,
    other_words,
    part_words,
    pieces_words,
    quoted_figures,
    rules_of,
    shown_phases,
    slip_words,
    span,
    strip_letter,
    suspicion_words,
    technique_words,
    turning_words,
    weighty,
    who_words,
)

#: Text is never set wider than this, whatever the terminal.
MOST_COLUMNS = 100
#: Moves in one row of the strip.
STRIP_MOVES = 20


class Page:
    """Writes headings, paragraphs and rows to a console, plain text throughout."""

    def __init__(self, console: Console):
        self.console = console
        self.width = min(console.width, MOST_COLUMNS)

    def line(self, text: str = "", style: str = "") -> None:
        """One line as it is."""
        self.console.print(Text(safe(text), style=style), soft_wrap=True)

    def heading(self, text: str) -> None:
        """A heading with an empty line before it."""
        self.line()
        self.line(text, "bold")

    def paragraph(self, text: str, indent: int = 2, hang: int = 0, style: str = "") -> None:
        """A wrapped paragraph; ``hang`` columns more for all lines but the first."""
        wrapped = textwrap.wrap(
            safe(text),
            self.width - 1,
            initial_indent=" " * indent,
            subsequent_indent=" " * (indent + hang),
            break_long_words=False,
            break_on_hyphens=False,
        )
        for row in wrapped:
            self.line(row, style)

    def item(self, text: str, indent: int = 2) -> None:
        """A list item."""
        self.paragraph(f"- {text}", indent, 2)

    def beside(self, left: list[str], right: str, indent: int = 4) -> None:
        """A block of fixed lines with wrapped text at its right."""
        gap = max(len(row) for row in left) + indent + 2
        rows: list[str] = []
        for paragraph in right.split("\n"):
            rows += textwrap.wrap(
                paragraph, max(self.width - gap - 1, 24), break_on_hyphens=False
            ) or [""]
        if self.width - gap < 28:
            for row in left:
                self.line(" " * indent + row)
            for paragraph in right.split("\n"):
                self.paragraph(paragraph, indent)
            return
        for i in range(max(len(left), len(rows))):
            a = left[i] if i < len(left) else ""
            b = rows[i] if i < len(rows) else ""
            self.line((" " * indent + a).ljust(gap) + b if b else " " * indent + a)


def print_review(review: Review, console: Console, *, figures: bool = False) -> None:
    """Print the whole review."""
    page = Page(console)
    _head(page, review)
    _strip(page, review)
    _phases(page, review)
    _trades(page, review)
    _declined(page, review)
    _slips(page, review, figures)
    _only_moves(page, review)
    _technique(page, review)
    _teach(page, review)
    _evidence(page, review)


def _head(page: Page, review: Review) -> None:
    page.paragraph(f"{review.title}   {review.result}", 0, style="bold")
    number = review.number
    page.line(f"{PurePath(review.file).name}, game {number}")
    page.paragraph(f"Under review: {review.side.name_} ({review.side_chosen}).", 0)
    for problem in review.problems:
        page.paragraph(f"Note: {problem}", 0, 6)
    page.line()
    page.paragraph(" ".join(review.story))


# --- the strip --------------------------------------------------------------------------


def _strip(page: Page, review: Review) -> None:
    page.heading(f"Outcome for {review.side.name_}, move by move")
    page.paragraph(
        "Two letters a move, after White's and after Black's. Capitals are certain (rules, "
        "tables or solver): W won, D drawn, L lost. Small letters are estimates. "
        "Below: x slip, ? suspected slip, t trade.",
        2,
    )
    slips = {s.ply: "x" if s.certain else "?" for s in review.slips}
    trades = {p for t in review.trades for p in range(t.first, t.last + 1)}
    by_number: dict[int, dict[Side, tuple[str, str]]] = {}
    for record in review.plies:
        letter = strip_letter(record.verdict.for_side(review.side))
        mark = slips.get(record.ply) or ("t" if record.ply in trades else " ")
        by_number.setdefault(record.number, {})[record.side] = (letter, mark)
    numbers = sorted(by_number)
    size = 10 if page.width < 72 else STRIP_MOVES
    blank = (" ", " ")
    for i in range(0, len(numbers), size):
        row = numbers[i : i + size]
        cells = [
            (by_number[n].get(Side.WHITE, blank), by_number[n].get(Side.BLACK, blank)) for n in row
        ]
        letters = " ".join(w[0] + b[0] for w, b in cells)
        marks = " ".join(w[1] + b[1] for w, b in cells)
        label = f"{row[0]}" if row[0] == row[-1] else f"{row[0]}-{row[-1]}"
        page.line(f"  {label:>9} {letters}".rstrip())
        if marks.strip():
            page.line(f"            {marks}".rstrip())


# --- phases -----------------------------------------------------------------------------


def _phases(page: Page, review: Review) -> None:
    page.heading("Material")
    shown = shown_phases(review)
    for phase in shown:
        moves = span(review, phase.first, phase.last)
        page.paragraph(f"{'moves ' + moves:<15}{phase.name}", 2, 15)
    left = len(review.phases) - len(shown)
    if left:
        word = "stretch" if left == 1 else "stretches"
        page.paragraph(f"({left} short {word} in the middlegame left out)", 2)
    if review.practice is not None:
        page.paragraph(practice_words(review.practice), 2)


# --- trades -----------------------------------------------------------------------------


def _moves_of(review: Review, first: int, sans: Iterable[str]) -> str:
    record = review.plies[first - 1]
    return line_words(record.number, record.side, tuple(sans))


def _trades(page: Page, review: Review) -> None:
    page.heading("Trades")
    if not review.trades:
        page.paragraph("None.", 2)
        return
    page.paragraph(
        "A decision that is not mentioned was harmless, or made little difference by the "
        "estimate.",
        2,
    )
    for i, trade in enumerate(review.trades, 1):
        moves = _moves_of(review, trade.first, trade.moves)
        page.paragraph(f"{i}. {moves}  {trade.name}", 2, 3, "bold" if weighty(trade) else "")
        if weighty(trade):
            _trade(page, review, trade)
        else:
            told = [d for d in trade.decisions if mentioned(d)]
            for decision in told:
                page.paragraph(
                    f"{decision.side.name_} {part_words(decision)}: {grade_words(decision)}.", 5
                )


def _trade(page: Page, review: Review, trade: Trade) -> None:
    page.paragraph(who_words(review, trade), 5)
    page.paragraph(before_after_words(trade), 5)
    if trade.before.via:
        page.paragraph(f"Proof: {_moves_of(review, trade.first, trade.before.via)}.", 5)
    if trade.balance_before != trade.balance_after:
        page.paragraph(f"Material after it: {trade.balance_after}.", 5)
    for decision in trade.decisions:
        if mentioned(decision) or (decision.part is Part.START and decision.best is not None):
            _decision(page, review, decision)
    _rules_of(page, review, trade)
    for text in pieces_words(trade):
        page.paragraph(text, 5)
    if trade.aftermath:
        page.paragraph(f"After it: {trade.aftermath}.", 5)


def _decision(page: Page, review: Review, decision: Decision) -> None:
    text = decision_words(decision)
    if decision.best is not None:
        lead = lead_words(decision)
        text += ". " + alternative_words(review, decision.ply, decision.best, lead)
    page.item(text.rstrip(".") + ".", 5)


def _rules_of(page: Page, review: Review, trade: Trade) -> None:
    """What rules of thumb say of the trade, for one side: the one under review if it decided."""
    for lead, rule in rules_of(review, trade):
        page.paragraph(f"{lead}: {rule_words(rule)}", 5, 2)


def alternative_words(
    review: Review, ply: int, other: Alternative, lead: str = "Instead"
) -> str:
    """The better or other move, what it leads to and a line."""
    record = review.plies[ply - 1]
    text = other_words(review, ply, other, lead)
    if other.line is not None and len(other.line.moves) > 1:
        text += f"; {_line(record.number, record.side, other.line)}"
    return text


def _line(number: int, side: Side, line: Line, most: int = 24) -> str:
    moves = line.moves[:most]
    text = line_words(number, side, moves)
    if len(line.moves) > most:
        return f"{text} ... ({len(line.moves) - most} plies more)"
    return f"{text} ({line.ends})" if line.ends else text


def _declined(page: Page, review: Review) -> None:
    if not review.declined:
        return
    page.heading("Trades declined or missed")
    for decision in review.declined:
        page.item(declined_words(review, decision))


# --- slips ------------------------------------------------------------------------------


def _slips(page: Page, review: Review, figures: bool) -> None:
    page.heading("Where it slipped")
    if not review.slips:
        page.paragraph("No slip is certain and none is suspected.", 2)
    for slip in review.slips:
        mark = "certain" if slip.certain else "suspected, by the estimate"
        label = label_at(review, slip.ply, "?")
        page.paragraph(f"{label}  {slip.side.name_}, {mark}", 2, 2, "bold")
        record = review.plies[slip.ply - 1]
        words = slip_words(review, slip)
        if slip.shown is not None and len(slip.shown.moves) > 1:
            words.append(f"Line: {_line(record.number, record.side, slip.shown)}.")
        if slip.refuted is not None:
            after = record.number + (1 if record.side is Side.BLACK else 0)
            words.append(f"As played: {_line(after, record.side.other, slip.refuted)}.")
        if slip.handed_back is not None:
            words.append(f"Handed back by {label_at(review, slip.handed_back, '?')}.")
        if not slip.certain:
            page.paragraph(" ".join(words), 5)
            continue
        squares = (record.uci[:2], record.uci[2:4])
        page.beside(diagram(slip.fen, figures=figures, marks=squares), "\n".join(words))
    if turned := turning_words(review):
        page.paragraph(turned, 2)
    if trust := suspicion_words(review):
        page.paragraph(trust, 2)


def _only_moves(page: Page, review: Review) -> None:
    if not review.only_moves:
        return
    page.heading("Only moves")
    for text in only_moves_words(review):
        page.paragraph(text, 2, 2)


def _technique(page: Page, review: Review) -> None:
    told = technique_words(review)
    if told:
        page.heading("Technique")
    for text in told:
        page.paragraph(text, 2)


def _teach(page: Page, review: Review) -> None:
    if not review.teach:
        return
    page.heading("What to teach from it")
    for lesson in review.teach:
        page.item(f"{lesson.principle} {lesson.shown} [{lesson_source(lesson)}]")


def _evidence(page: Page, review: Review) -> None:
    page.heading("How we know")
    page.paragraph(how_words(review), 2)
    if legend := figures_legend(quoted_figures(review)):
        page.paragraph(legend, 2)
