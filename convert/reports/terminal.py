"""The review in the terminal: quiet, 80 columns, nothing told by colour alone."""

from __future__ import annotations

import textwrap
from collections.abc import Iterable
from pathlib import PurePath

from rich.console import Console
from rich.text import Text

from convert.model import (
    Alternative,
    Decision,
    Evidence,
    Grade,
    Line,
    Part,
    Phase,
    Review,
    Side,
    Slip,
    Speaking,
    Trade,
    Verdict,
    move_label,
)
from convert.reports.diagram import diagram
from convert.wording import (
    CERTAIN_GRADES,
    grade_words,
    held_words,
    join,
    label_at,
    line_words,
    mentioned,
    number_label,
    outcome_words,
    times,
    verdict_words,
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
        self.console.print(Text(text, style=style), soft_wrap=True)

    def heading(self, text: str) -> None:
        """A heading with an empty line before it."""
        self.line()
        self.line(text, "bold")

    def paragraph(self, text: str, indent: int = 2, hang: int = 0, style: str = "") -> None:
        """A wrapped paragraph; ``hang`` columns more for all lines but the first."""
        wrapped = textwrap.wrap(
            text,
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


def strip_letter(verdict: Verdict) -> str:
    """One letter for a verdict, from its side's view.

    Capital letters are certain, small ones estimated: W/w win, D/d draw, L/l
    loss; ``/`` where a table rounds and win or draw is open.
    """
    if verdict.exact:
        return {1: "W", 0: "D", -1: "L"}[verdict.points or 0]
    if verdict.evidence is Evidence.TABLE and not verdict.via:
        return "/"
    if verdict.win_probability >= 0.5:
        return "w"
    if verdict.loss_probability >= 0.5:
        return "l"
    return "d"


def _strip(page: Page, review: Review) -> None:
    page.heading(f"Outcome for {review.side.name_}, move by move")
    page.paragraph(
        "Two letters a move, after White's and after Black's. Capitals are certain (rules, "
        "tables or solver): W won, D drawn, L lost. Small letters are estimates, unmeasured. "
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


def span(review: Review, first: int, last: int) -> str:
    """Moves from the position after ``first`` to that after ``last``: ``24-31``."""
    start = review.plies[first - 1].number if first else review.plies[0].number
    end = review.plies[last - 1].number if last else start
    return f"{start}" if start == end else f"{start}-{end}"


def shown_phases(review: Review) -> list[Phase]:
    """Phases worth a line: all with few pieces, and longer ones before."""
    total = len(review.plies)
    kept = []
    for phase in review.phases:
        length = phase.last - phase.first + 1
        if phase.men <= 14 or length >= 6 or phase.last == total or phase.first == 0:
            kept.append(phase)
    return kept


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


# --- trades -----------------------------------------------------------------------------


def weighty(trade: Trade) -> bool:
    """A trade that gets its own paragraph: it bears on the result, or few men are left."""
    if any(d.grade in CERTAIN_GRADES for d in trade.decisions):
        return True
    if any(d.grade is Grade.AGAINST and mentioned(d) for d in trade.decisions):
        return True
    gone = set(trade.white_gave) | set(trade.black_gave)
    return "queen" in gone or trade.liquidation


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
        "unmeasured estimate.",
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


def part_words(decision: Decision) -> str:
    """What the player did at this decision, with the move for all but the start."""
    return {
        Part.OFFER: f"offered with {decision.san}",
        Part.START: "took first",
        Part.RECAPTURE: f"took back with {decision.san}",
        Part.DECLINE: f"declined with {decision.san}",
    }[decision.part]


def who_words(review: Review, trade: Trade) -> str:
    """Who offered, who took first, how it was taken back."""
    parts = []
    if trade.offered_by is not None and trade.offered_ply is not None:
        parts.append(
            f"Contact made by {trade.offered_by.name_} with {label_at(review, trade.offered_ply)}"
            if trade.offered_by is trade.began_by or trade.first - trade.offered_ply > 1
            else f"Offered by {trade.offered_by.name_} with {label_at(review, trade.offered_ply)}"
        )
    parts.append(f"{trade.began_by.name_} took first")
    if trade.recaptures:
        parts.append(f"taken back by {join(list(trade.recaptures))}")
    return "; ".join(parts) + "."


def _trade(page: Page, review: Review, trade: Trade) -> None:
    page.paragraph(who_words(review, trade), 5)
    before, after = verdict_words(trade.before), verdict_words(trade.after)
    if before == after:
        page.paragraph(f"Before and after: {before}.", 5)
    else:
        page.paragraph(f"Before: {before}. After: {after}.", 5)
    if trade.before.via:
        page.paragraph(f"Proof: {_moves_of(review, trade.first, trade.before.via)}.", 5)
    if trade.balance_before != trade.balance_after:
        page.paragraph(f"Material after it: {trade.balance_after}.", 5)
    for decision in trade.decisions:
        if mentioned(decision) or (decision.part is Part.START and decision.best is not None):
            _decision(page, review, decision)
    _rules_of(page, review, trade)
    for piece in trade.pieces:
        if piece.activity == "ordinary" and not piece.detail:
            continue
        parts = [] if piece.activity == "ordinary" else [piece.activity]
        parts += [piece.detail] if piece.detail else []
        page.paragraph(
            f"{piece.side.name_}'s {piece.piece} on {piece.square} was {', '.join(parts)}.", 5
        )
    if trade.aftermath:
        page.paragraph(f"After it: {trade.aftermath}.", 5)


def _decision(page: Page, review: Review, decision: Decision) -> None:
    text = f"{decision.side.name_} {part_words(decision)}: {grade_words(decision)}"
    if decision.note:
        text += f", {decision.note}"
    if decision.best is not None:
        bad = decision.grade in (Grade.WRONG, Grade.AGAINST)
        lead = "Instead" if bad else "Best other move"
        text += ". " + alternative_words(review, decision.ply, decision.best, lead)
    page.item(text.rstrip(".") + ".", 5)


def _rules_of(page: Page, review: Review, trade: Trade) -> None:
    """What rules of thumb say of the trade, for one side: the one under review if it decided."""
    told = [d for d in trade.decisions if d.rules]
    if not told:
        return
    decision = next((d for d in told if d.side is review.side), told[0])
    who = decision.side.name_
    for word, favours in (("for", True), ("against", False)):
        rules = [r for r in decision.rules if r.favours is favours]
        for rule in rules[:2]:
            page.paragraph(f"Speaks {word} it, for {who}: {rule_words(rule)}", 5, 2)


def rule_words(rule: Speaking) -> str:
    """A rule of thumb with the reason it speaks here."""
    return f'"{rule.statement}" Here: {rule.detail}. [{rule.rule}, unmeasured]'


def alternative_words(
    review: Review, ply: int, other: Alternative, lead: str = "Instead"
) -> str:
    """The better or other move, what it leads to and a line."""
    record = review.plies[ply - 1]
    label = move_label(record.number, record.side, other.san)
    text = f"{lead} {label}: {verdict_words(other.verdict)}"
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
        label = label_at(review, decision.ply)
        text = f"{label}: {grade_words(decision)}"
        if decision.best is not None:
            record = review.plies[decision.ply - 1]
            taking = move_label(record.number, record.side, decision.best.san)
            text += f". Taking with {taking}: {verdict_words(decision.best.verdict)}"
            text += f"; as played: {verdict_words(decision.after)}"
        page.item(text + ".")


# --- slips ------------------------------------------------------------------------------


def change_words(slip: Slip) -> str:
    """What the slip did to the result of its player."""
    before, after = slip.before, slip.after
    if slip.certain:
        now = outcome_words(after) if after.exact else f"no more than {outcome_at_most(after)}"
        was = outcome_words(before) if before.exact else f"at least {outcome_at_least(before)}"
        return f"before it: {was}; after it: {now}"
    return f"before it: {verdict_words(before)}; after it: {verdict_words(after)}"


def outcome_at_most(verdict: Verdict) -> str:
    """The best still possible for the verdict's side."""
    return {1: "a win", 0: "a draw", -1: "a loss"}[verdict.high.points]


def outcome_at_least(verdict: Verdict) -> str:
    """The worst still possible for the verdict's side."""
    return {1: "a win", 0: "a draw", -1: "a loss"}[verdict.low.points]


def _slips(page: Page, review: Review, figures: bool) -> None:
    page.heading("Where it slipped")
    if not review.slips:
        page.paragraph("No slip is certain and none is suspected.", 2)
    for slip in review.slips:
        mark = "certain" if slip.certain else "suspected, by the estimate"
        label = label_at(review, slip.ply, "?")
        page.paragraph(f"{label}  {slip.side.name_}, {mark}", 2, 2, "bold")
        record = review.plies[slip.ply - 1]
        words = [_capital(change_words(slip)) + "."]
        if slip.held:
            names = [move_label(record.number, record.side, a.san) for a in slip.held]
            if slip.certain:
                words.append(f"{_capital(held_words(slip, names))}.")
            else:
                words.append(f"Better looks {names[0]}: {verdict_words(slip.held[0].verdict)}.")
        if slip.rules_after and slip.rules_after_ply is not None:
            rule = slip.rules_after[0]
            when = label_at(review, slip.rules_after_ply)
            words.append(f"{rule.statement} After {when}: {rule.detail}.")
        if slip.missed_trade:
            words.append(f"The trade {slip.missed_trade} was missed.")
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
    if review.turning is not None and 0 < review.turning <= len(review.plies):
        turned = review.plies[review.turning - 1].verdict.for_side(review.side)
        page.paragraph(
            f"Turning point: from {label_at(review, review.turning)} to the end the outcome "
            f"is the same: {verdict_words(turned)}.",
            2,
        )


def _capital(text: str) -> str:
    return text[:1].upper() + text[1:]


def _only_moves(page: Page, review: Review) -> None:
    if not review.only_moves:
        return
    page.heading("Only moves")
    for side in Side:
        mine = [o for o in review.only_moves if o.side is side]
        if not mine:
            continue
        found = [label_at(review, o.ply) for o in mine if o.found]
        missed = [
            f"{label_at(review, o.ply, '?')} (only {o.san})" for o in mine if not o.found
        ]
        text = f"{side.name_}: {len(found)} of {len(mine)} found"
        if found:
            text += f": {join(found[:12])}" + (" and more" if len(found) > 12 else "")
        if missed:
            text += f". Missed: {join(missed)}"
        page.paragraph(text + ".", 2, 2)


def _technique(page: Page, review: Review) -> None:
    told = review.technique
    if told is None:
        return
    page.heading("Technique")
    first, last = number_label(review, told.first), number_label(review, told.last)
    text = (
        f"{told.side.name_} made {told.moves} {'move' if told.moves == 1 else 'moves'} in won "
        f"positions that tables or solver know (moves {first} to {last})"
    )
    if told.wasted:
        worst = label_at(review, told.worst_ply) if told.worst_ply else ""
        text += (
            f"; {told.wasted} of them put the next capture, pawn move or mate further off than "
            f"need be, by {told.wasted_plies} plies in all (most: {worst})"
        )
    else:
        text += "; none put the next capture, pawn move or mate off by more than a ply"
    page.paragraph(text + ".", 2)
    if told.closest_clock >= 20:
        at = number_label(review, told.closest_ply) if told.closest_ply else "the start"
        text = (
            f"Longest stretch without a capture or pawn move: {told.closest_clock} plies (move "
            f"{at}; the draw can be claimed at 100)"
        )
        if told.spare is not None:
            text += f". The win had {max(told.spare, 0)} plies to spare at its tightest"
            if told.rounded:
                text += " (one fewer where the table rounds)"
        page.paragraph(text + ".", 2)
    if told.repeated:
        page.paragraph(f"A position stood again {times(told.repeated)}.", 2)


def _teach(page: Page, review: Review) -> None:
    if not review.teach:
        return
    page.heading("What to teach from it")
    for lesson in review.teach:
        page.item(f"{lesson.principle} {lesson.shown} [{lesson.source}]")


def _evidence(page: Page, review: Review) -> None:
    page.heading("How we know")
    counts: dict[Evidence, int] = {}
    for verdict in (review.start_verdict, *(r.verdict for r in review.plies)):
        counts[verdict.evidence] = counts.get(verdict.evidence, 0) + 1
    parts = [f"{counts[e]} {e.value}" for e in Evidence if e in counts]
    total = sum(counts.values())
    text = f"{total} positions of the game: {join(parts)}."
    if review.simplification is not None:
        if review.simplification == 0:
            text += " All of it is settled exactly."
        elif review.simplification < len(review.plies):
            text += f" From {label_at(review, review.simplification)} on everything is exact."
    cost = review.counts
    text += (
        f" Table look-ups: {cost.wdl_probes} for the outcome, {cost.dtz_probes} for distances; "
        f"{cost.judged} positions judged, each once."
    )
    page.paragraph(text, 2)
