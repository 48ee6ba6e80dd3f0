"""A sheet of exercises in the terminal: a short list, or with the answers."""

from __future__ import annotations

from rich.console import Console

from convert.model import Line, Side
from convert.model.lesson import Exercise, Sheet, ends_words
from convert.reports.diagram import diagram
from convert.reports.terminal import Page
from convert.wording.lessons import heading, hint_source, level_text, summary
from convert.wording.rules import figures_legend
from convert.wording.verdicts import line_words


def print_sheet(
    sheet: Sheet, console: Console, *, figures: bool = False, answers: bool = False
) -> None:
    """Print the exercises with diagram and task; ``answers`` adds hint, solution and twin."""
    page = Page(console)
    page.line(sheet.title, "bold")
    page.paragraph(summary(sheet), 0)
    for note in sheet.notes:
        page.paragraph(note, 0)
    for number, exercise in enumerate(sheet.exercises, 1):
        page.heading(f"{number}. {heading(exercise)} [{exercise.ident}]")
        text = f"{exercise.question}\n\n{level_text(exercise)}"
        if exercise.source:
            text += f"\n\nFrom: {exercise.source}."
        page.beside(diagram(exercise.fen, figures=figures), f"{text}\n\n{exercise.fen}", 2)
        if answers:
            _answer(page, exercise)
    page.line()
    if answers and (legend := figures_legend(e.hint_figure for e in sheet.exercises)):
        page.paragraph(legend, 0)
    if not answers:
        page.paragraph(
            "The answers: --answers, or -o with a name that ends in .html, .pgn or .epd.", 0
        )


def _answer(page: Page, exercise: Exercise) -> None:
    page.line()
    if exercise.hint:
        source = hint_source(exercise)
        page.paragraph(f"Hint: {exercise.hint}{f' [{source}]' if source else ''}", 2, 2)
        for text in exercise.hints[1:]:
            page.paragraph(text, 4, 2)
    page.paragraph(f"Answer: {' '.join(exercise.answer)}", 2, 2)
    twin = exercise.twin
    if twin is not None:
        page.paragraph(f"Twin: {twin.fen}", 2, 2)
        page.paragraph(" ".join(twin.difference), 4)
        line = twin.same.line if twin.same is not None else twin.line
        if line is not None and len(line.moves) > 1:
            page.paragraph(line_with_end(line), 4, 2)


def line_with_end(line: Line) -> str:
    """A line as in print with what it ends in."""
    _, turn, *_, number = line.fen.split()
    text = line_words(int(number), Side.WHITE if turn == "w" else Side.BLACK, line.moves)
    ends = ends_words(line)
    if not ends or ends == "mate":
        return f"{text}."
    return f"{text} {ends}." if ends == "and so on" else f"{text} ({ends})."
