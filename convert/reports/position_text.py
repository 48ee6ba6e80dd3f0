"""One position in the terminal."""

from __future__ import annotations

from rich.console import Console

from convert.model import MoveRow, PositionReport, Side, Variant, Verdict
from convert.reports.diagram import diagram, in_words
from convert.reports.terminal import Page
from convert.wording.practice import CAVEAT, practice_lead, practice_rows
from convert.wording.rules import figures_legend, holds_words
from convert.wording.small import capital
from convert.wording.verdicts import line_words, outcome_words, verdict_words


def print_position(report: PositionReport, console: Console, *, figures: bool = False) -> None:
    """Print the whole report on one position."""
    page = Page(console)
    verdict = report.verdict
    text = f"{capital(verdict_words(verdict))}."
    if verdict.distance:
        about = " or one more" if verdict.rounded else ""
        text += f"\nNext capture, pawn move or mate: {verdict.distance}{about} plies away."
    if verdict.via:
        text += f"\nBy {_line(report, verdict.via)}."
    text += f"\n{capital(report.balance)}."
    for note in report.notes:
        text += f"\nNote: {note}."
    page.beside(diagram(report.fen, figures=figures), f"{in_words(report.fen)}\n\n{text}", 2)
    if report.line is not None:
        page.line()
        ends = f" ({report.line.ends})" if report.line.ends else ""
        page.paragraph(f"Best play: {_line(report, report.line.moves)}{ends}.", 2, 2)
    _moves(page, report)
    _trades(page, report)
    _variants(page, report)
    _rules(page, report)
    _practice(page, report)


def _line(report: PositionReport, moves: tuple[str, ...]) -> str:
    number = int(report.fen.split()[-1])
    return line_words(number, report.to_move, moves)


def _moves(page: Page, report: PositionReport) -> None:
    exact = all(row.verdict.exact for row in report.moves)
    page.heading("Moves and the result they keep" if exact else "Moves and what they lead to")
    if not report.moves:
        page.paragraph("No legal move.", 2)
        return
    groups: dict[str, list[MoveRow]] = {}
    for row in report.moves:
        groups.setdefault(_group(row.verdict, report.to_move), []).append(row)
    for name, rows in groups.items():
        if rows[0].verdict.exact:
            moves = ", ".join(_with_distance(row) for row in rows)
        else:
            moves = ", ".join(row.san for row in rows)
        page.paragraph(f"{name}: {moves}", 2, 4)
    if report.left_out:
        page.paragraph(f"({report.left_out} less promising moves left out)", 2)
    if any(r.verdict.exact and r.verdict.distance for r in report.moves):
        page.paragraph(
            "In brackets: plies to the next capture, pawn move or mate after the move.", 2
        )


def _with_distance(row: MoveRow) -> str:
    if row.verdict.distance is None or row.capture:
        return row.san
    return f"{row.san} ({row.verdict.distance})"


def _group(verdict: Verdict, side: Side) -> str:
    if verdict.exact:
        return capital(outcome_words(verdict))
    return capital(verdict_words(verdict.for_side(side)))


def _trades(page: Page, report: PositionReport) -> None:
    if not report.trades:
        return
    page.heading("Trades on the board")
    for option in report.trades:
        text = f"{option.san}: {verdict_words(option.verdict)}; leaves {option.balance}"
        if option.line is not None and len(option.line.moves) > 1:
            text += f"; {_line(report, option.line.moves)}"
            if option.line.ends:
                text += f" ({option.line.ends})"
        page.item(text + ".")


def _variants(page: Page, report: PositionReport) -> None:
    if not report.variants:
        return
    page.heading("What decides it")
    kinds: dict[str, list[Variant]] = {}
    for variant in report.variants:
        kinds.setdefault(_row_of(variant), []).append(variant)
    same: list[str] = []
    likely: list[str] = []
    for name, variants_shown in kinds.items():
        changing = [v for v in variants_shown if v.changes]
        certain = report.verdict.exact and all(v.verdict.exact for v in variants_shown)
        if not changing:
            (same if certain else likely).append(name)
            continue
        by_result: dict[str, list[str]] = {}
        for variant in changing:
            by_result.setdefault(_result(variant.verdict), []).append(_target(variant))
        text = "; ".join(
            f"{', '.join(t)}: {result}" if t != [""] else result for result, t in by_result.items()
        )
        rest = len(variants_shown) - len(changing)
        sure = any(v.verdict.exact for v in variants_shown) and report.verdict.exact
        by = "" if certain else ", some by the estimate only" if sure else ", by the estimate only"
        tail = f" (no change: {rest} other{'s' if rest > 1 else ''}{by})" if rest else ""
        page.item(f"{name}: {text}{tail}.")
    if same:
        page.paragraph(f"No change of the result: {'; '.join(same)}.", 2, 2)
    if likely:
        page.paragraph(f"No change, but by the estimate only: {'; '.join(likely)}.", 2, 2)


def _row_of(variant: Variant) -> str:
    if variant.kind in ("king", "pawn"):
        man, _, _ = variant.what.rpartition(" on ")
        return f"{man} one square off"
    if variant.kind == "pair":
        return "a pawn of each side removed"
    if variant.kind == "shift":
        return "the position a file aside"
    return variant.what


def _target(variant: Variant) -> str:
    if variant.kind in ("king", "pawn"):
        return variant.what.rpartition(" on ")[2]
    if variant.kind == "pair":
        return variant.what.removeprefix("without the pawns ")
    if variant.kind == "shift":
        return variant.what.removeprefix("everything one file to the ")
    return ""


def _result(verdict: Verdict) -> str:
    return outcome_words(verdict) if verdict.exact else verdict_words(verdict)


def _rules(page: Page, report: PositionReport) -> None:
    page.heading("Rules of thumb that speak")
    if not report.rules:
        page.paragraph("None.", 2)
    rules_told = report.rules[:8]
    for rule in rules_told:
        whom = "for a draw" if rule.side is None else f"for {rule.side.name_}"
        how = f"{rule.rule}; {rule.source}; {holds_words(rule)}"
        page.item(f"{whom}: {rule.statement} Here: {rule.detail}. [{how}]")
    if len(report.rules) > 8:
        page.paragraph(f"({len(report.rules) - 8} weaker ones left out)", 2)
    if legend := figures_legend(rule.figure for rule in rules_told):
        page.paragraph(legend, 2)


def _practice(page: Page, report: PositionReport) -> None:
    practice = report.practice
    if practice is None:
        return
    page.heading("In games")
    page.paragraph(f"{practice_lead(practice)}:", 2)
    rows = practice_rows(practice)
    width = max(len(label) for label, _ in rows) + 2
    for label, text in rows:
        page.paragraph(f"{label:<{width}}{text}", 4, width)
    more = " Ratings: the mean of both players'." if practice.bands else ""
    page.paragraph(f"{CAVEAT}{more}", 2)
