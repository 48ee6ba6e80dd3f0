"""One model of what a report on a game says: in which order, at which depth.

:func:`sections` makes it from a Review; the terminal and Markdown set it, and the page and the PGN
use its captions and words.  Plain text throughout: who sets it escapes it.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from enum import StrEnum
from pathlib import PurePath

from convert.model import Decision, Part, Review, Side, Slip, Trade
from convert.reports.combinations import events
from convert.reports.html_lines import positions
from convert.wording.finish import deciding_words, finished_words, turned_at
from convert.wording.practice import practice_words
from convert.wording.rules import figures_legend, lesson_source, rule_words
from convert.wording.slips import (
    followed_briefly,
    mark_words,
    shown_line,
    slip_change_words,
    what_followed,
)
from convert.wording.verdicts import (
    before_after_words,
    decision_words,
    declined_words,
    how_words,
    lead_words,
    line_words,
    mentioned,
    only_moves_words,
    other_words,
    phases_left,
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
    verdict_words,
    weighty,
    who_words,
)

#: Moves in one row of the strip.
STRIP_MOVES = 10


class Depth(StrEnum):
    """How near the top a section stands: on the first screen, below it, or folded away."""

    FIRST = "first"
    BELOW = "below"
    FOLDED = "folded"


@dataclass(frozen=True)
class Paragraph:
    """A paragraph; ``strong`` for one that heads what follows."""

    text: str
    strong: bool = False


@dataclass(frozen=True)
class Item:
    """An item of a list."""

    text: str


@dataclass(frozen=True)
class Labelled:
    """A row of a table of two columns."""

    head: str
    text: str


@dataclass(frozen=True)
class Board:
    """A diagram of ``fen`` with squares marked, its caption, and the paragraphs beside it."""

    fen: str
    marks: tuple[str, ...]
    caption: str
    words: tuple[str, ...]


@dataclass(frozen=True)
class StripMove:
    """One move of the strip: letters after White's and Black's move, and the marks below them.

    Letters as :func:`convert.wording.verdicts.strip_letter` has them, blank where nothing was
    played; marks: ``x`` slip, ``?`` suspected slip, ``t`` trade, blank for none.
    """

    number: int
    letters: str
    marks: str


@dataclass(frozen=True)
class Strip:
    """The outcome for the side under review, move by move."""

    moves: tuple[StripMove, ...]


Piece = Paragraph | Item | Labelled | Board | Strip


@dataclass(frozen=True)
class Section:
    """A part of the report; ``title`` is empty for the one at the top."""

    ident: str
    title: str
    depth: Depth
    pieces: tuple[Piece, ...]


def sections(review: Review, *, brief: bool = False) -> tuple[Section, ...]:
    """What the report on a game says, in order; empty sections are left out.

    Args:
        review: the game.
        brief: slips and trades in a few lines without diagrams, and nothing that is folded; the
            first screen is the same.
    """
    made = (
        _head(review),
        _deciding(review),
        _story(review),
        _slips(review, brief=brief),
        _trades(review, brief=brief),
        _only_moves(review),
        _technique(review),
        _teach(review),
        _strip(review),
        _material(review),
        _evidence(review),
    )
    return tuple(
        section
        for section in made
        if section.pieces and not (brief and section.depth is Depth.FOLDED)
    )


# --- the first screen -------------------------------------------------------------------


def _head(review: Review) -> Section:
    number = review.number
    pieces: list[Piece] = [
        Paragraph(f"{review.title}   {review.result}", strong=True),
        Paragraph(f"{PurePath(review.file).name}, game {number}"),
        Paragraph(" ".join(finished_words(review))),
        Paragraph(f"Under review: {review.side.name_} ({review.side_chosen})."),
    ]
    pieces += [Paragraph(f"Note: {problem}") for problem in review.problems]
    return Section("head", "", Depth.FIRST, tuple(p for p in pieces if p != Paragraph("")))


def _deciding(review: Review) -> Section:
    words = tuple(once(deciding_words(review)))
    pieces: list[Piece] = []
    board = deciding_board(review)
    if board is not None and review.deciding is None and turned_at(review) is None:
        words = (*words, f"{board.caption}.")
    pieces.append(replace(board, words=words) if board else Paragraph(" ".join(words)))
    if review.teach:
        first = review.teach[0]
        pieces.append(Item(f"{first.principle} {first.shown} [{lesson_source(first)}]"))
    return Section("deciding", "What decided it", Depth.FIRST, tuple(pieces))


def deciding_board(review: Review) -> Board | None:
    """The diagram of the first screen: before the move that decided, or from which on the winner
    stood better; without one the position in which the ending took its shape."""
    moment = review.deciding
    ply = deciding_ply(review)
    if ply is None:
        return _board_of_ending(review)
    record = review.plies[ply - 1]
    marks = (record.uci[:2], record.uci[2:4])
    side = record.side if moment is None else moment.side
    before = verdict_words(review.verdict_at(ply - 1, side) if moment is None else moment.before)
    fen = positions(review)[ply - 1].fen() if moment is None else moment.fen
    return Board(fen, marks, f"Before {review.label_at(ply)}: {before}", ())


def deciding_ply(review: Review) -> int | None:
    """The ply that the first screen shows: of the deciding move, else :func:`turned_at`."""
    return turned_at(review) if review.deciding is None else review.deciding.ply


def _board_of_ending(review: Review) -> Board | None:
    """The position in which the ending took its shape; for games that no single move decided."""
    ply = review.ending_ply
    if not ply:
        return None
    board = positions(review)[ply]
    worth = verdict_words(review.verdict_at(ply, review.side))
    return Board(board.fen(), (), f"After {review.label_at(ply)}: {worth}", ())


def _story(review: Review) -> Section:
    text = " ".join(once(review.story))
    pieces = (Paragraph(text),) if text else ()
    return Section("story", "The story", Depth.BELOW, pieces)


# --- slips and trades -------------------------------------------------------------------


def _slips(review: Review, *, brief: bool) -> Section:
    pieces: list[Piece] = []
    if not review.slips:
        pieces.append(Paragraph("No slip is certain and none is suspected."))
    for slip in review.slips:
        pieces += [_brief_slip(review, slip)] if brief else slip_pieces(review, slip)
    if brief:
        return _brief_section("slips", "Where it slipped", pieces)
    if turned := turning_words(review):
        pieces.append(Paragraph(turned))
    if trust := suspicion_words(review):
        pieces.append(Paragraph(trust))
    return Section("slips", "Where it slipped", Depth.BELOW, noted(pieces))


def slip_pieces(review: Review, slip: Slip) -> list[Piece]:
    """A slip whole: whose, the diagram before it, what it changed, what held, what followed."""
    record = review.plies[slip.ply - 1]
    head = f"{review.label_at(slip.ply, '?')}  {mark_words(slip)}"
    words = (*slip_words(review, slip), *what_followed(review, slip))
    marks = (record.uci[:2], record.uci[2:4])
    caption = f"Before {review.label_at(slip.ply)}: {verdict_words(slip.before)}"
    return [Paragraph(head, strong=True), Board(slip.fen, marks, caption, words)]


def _brief_slip(review: Review, slip: Slip) -> Item:
    """A slip in a few lines; of the one that decided the game only what followed it."""
    words = [f"{review.label_at(slip.ply, '?')} ({mark_words(slip)})"]
    if review.deciding is not None and review.deciding.ply == slip.ply:
        words[0] += ", the deciding moment (above)."
        return Item(" ".join([*words, *followed_briefly(review, slip, line=False)]))
    words[0] += ":"
    change, *better = slip_change_words(review, slip)
    return Item(" ".join([*words, change, *better, *followed_briefly(review, slip)]))


def _trades(review: Review, *, brief: bool) -> Section:
    """The trades that mattered whole, the others in a line each, and those declined.

    A trade missed by a slip is told with the slip.
    """
    if brief:
        return _brief_trades(review)
    pieces: list[Piece] = []
    rest: list[Piece] = []
    quoted: frozenset[str] = frozenset()
    later = {other.first for event in events(review) for other in event.others}
    nets = {event.trade.first: event.net for event in events(review) if event.net}
    for number, trade in enumerate(review.trades, 1):
        moves = shown_moves(review, trade)
        if weighty(review, trade):
            net = f"; {nets[trade.first]}" if trade.first in nets else ""
            pieces.append(Paragraph(f"{number}. {moves}  {trade.name}{net}", strong=True))
            pieces.append(_trade(review, trade, quoted))
            quoted |= {rule.rule for _, rule in rules_of(review, trade)}
        elif trade.first not in later:
            net = f"; {nets[trade.first]}" if trade.first in nets else ""
            rest.append(Item(f"{number}. {moves}  {trade.name}{net}"))
    if rest and pieces:
        pieces.append(Paragraph("The other trades:"))
    pieces += rest
    if declined := _declined(review):
        pieces.append(Paragraph("Trades declined or missed", strong=True))
        pieces += [Item(declined_words(review, decision)) for decision in declined]
    return Section("trades", "Trades", Depth.BELOW, noted(pieces))


def _declined(review: Review) -> list[Decision]:
    slips = {slip.ply for slip in review.slips}
    return [d for d in review.declined if d.ply not in slips and mentioned(d)]


def _brief_trades(review: Review) -> Section:
    """The trades that mattered in a few lines each, the others in one run of words."""
    pieces: list[Piece] = []
    rest: list[str] = []
    for event in events(review):
        parts = (event.trade, *event.others)
        if not any(weighty(review, trade) for trade in parts):
            rest.append(f"{review.label_at(event.trade.first)} {event.name}")
            continue
        whole = replace(event.trade, after=review.plies[event.last - 1].verdict)
        decisions = [f"{decision_words(d)}." for t in parts for d in t.decisions if mentioned(d)]
        moves = _line_at(review, event.trade.first, event.moves)
        head = f"{moves} ({event.name})."
        pieces.append(Item(" ".join([head, before_after_words(whole), *decisions])))
    if rest:
        lead = "The others" if pieces else "Trades that changed little"
        pieces.append(Paragraph(f"{lead}: {'; '.join(rest)}."))
    pieces += [Item(declined_words(review, decision)) for decision in _declined(review)]
    return _brief_section("trades", "Trades", pieces)


def shown_moves(review: Review, trade: Trade) -> str:
    """The moves of a trade with their numbers."""
    return _line_at(review, trade.first, trade.moves)


def _trade(review: Review, trade: Trade, quoted: frozenset[str]) -> Board:
    """A trade beside its diagram; a rule of thumb that was ``quoted`` before is only named."""
    record = review.plies[trade.first - 1]
    words = [who_words(review, trade), before_after_words(trade)]
    if trade.before.via:
        words.append(f"Proof: {_line_at(review, trade.first, trade.before.via)}.")
    if trade.balance_before != trade.balance_after:
        words.append(f"Material after it: {trade.balance_after}.")
    for decision in trade.decisions:
        if mentioned(decision) or (decision.part is Part.START and decision.best is not None):
            words.append(_decision(review, decision))
    for lead, rule in rules_of(review, trade):
        again = rule.rule in quoted
        words.append(f"{lead}: {f'{rule.name} (above).' if again else rule_words(rule)}")
    words += pieces_words(trade)
    if trade.aftermath:
        words.append(f"After it: {trade.aftermath}.")
    caption = f"Before {review.label_at(trade.first)}: {verdict_words(trade.before)}"
    return Board(trade.fen, (record.uci[:2], record.uci[2:4]), caption, tuple(words))


def _line_at(review: Review, ply: int, moves: tuple[str, ...]) -> str:
    record = review.plies[ply - 1]
    return line_words(record.number, record.side, moves)


def _decision(review: Review, decision: Decision) -> str:
    text = decision_words(decision)
    if decision.best is not None:
        record = review.plies[decision.ply - 1]
        other = other_words(review, decision.ply, decision.best, lead_words(decision))
        text = f"{text}. {other}"
        if decision.best.line is not None and len(decision.best.line.moves) > 1:
            text += f"; {shown_line(record.number, record.side, decision.best.line)}"
    return text.rstrip(".") + "."


# --- below ------------------------------------------------------------------------------


def _only_moves(review: Review) -> Section:
    texts = only_moves_words(review)
    return Section("only", "Only moves", Depth.BELOW, tuple(Paragraph(text) for text in texts))


def _technique(review: Review) -> Section:
    texts = technique_words(review)
    return Section("technique", "Technique", Depth.BELOW, tuple(Paragraph(text) for text in texts))


def _teach(review: Review) -> Section:
    items = tuple(
        Item(f"{lesson.principle} {lesson.shown} [{lesson_source(lesson)}]")
        for lesson in review.teach[1:]
    )
    return Section("teach", "What else it teaches", Depth.BELOW, items)


def _strip(review: Review) -> Section:
    slips = {s.ply: "x" if s.certain else "?" for s in review.slips}
    trades = {p for t in review.trades for p in range(t.first, t.last + 1)}
    cells: dict[int, dict[Side, tuple[str, str]]] = {}
    for record in review.plies:
        letter = strip_letter(record.verdict.for_side(review.side))
        mark = slips.get(record.ply) or ("t" if record.ply in trades else " ")
        cells.setdefault(record.number, {})[record.side] = (letter, mark)
    moves = []
    for number in sorted(cells):
        white, black = (cells[number].get(side, (" ", " ")) for side in (Side.WHITE, Side.BLACK))
        moves.append(StripMove(number, white[0] + black[0], white[1] + black[1]))
    legend = (
        "Two letters a move, after White's and after Black's. Capitals are certain (rules, "
        "tables or solver): W won, D drawn, L lost. Small letters are estimates, from about 5 "
        "of 10 on; - none of the three is so likely. "
        "Below: x slip, ? suspected slip, t trade."
    )
    title = f"Outcome for {review.side.name_}, move by move"
    return Section("outcome", title, Depth.FOLDED, (Paragraph(legend), Strip(tuple(moves))))


def strip_rows(strip: Strip) -> list[str]:
    """The strip in rows of :data:`STRIP_MOVES` moves, its marks in a row below theirs."""
    rows = []
    for i in range(0, len(strip.moves), STRIP_MOVES):
        part = strip.moves[i : i + STRIP_MOVES]
        rows.append(f"{part[0].number:>4} {' '.join(move.letters for move in part)}")
        if (marks := " ".join(move.marks for move in part)).strip():
            rows.append(f"     {marks}")
    return rows


def _material(review: Review) -> Section:
    pieces: list[Piece] = [
        Labelled(f"moves {span(review, phase.first, phase.last)}", phase.name)
        for phase in shown_phases(review)
    ]
    if left := phases_left(review):
        stretches = "stretch" if left == 1 else "stretches"
        pieces.append(Paragraph(f"({left} short {stretches} in the middlegame left out)"))
    if review.practice is not None:
        pieces.append(Paragraph(practice_words(review.practice)))
    return Section("material", "Material", Depth.FOLDED, tuple(pieces))


def _evidence(review: Review) -> Section:
    pieces = [Paragraph(how_words(review))]
    if legend := figures_legend(quoted_figures(review)):
        pieces.append(Paragraph(legend))
    return Section("how", "How we know", Depth.FOLDED, tuple(pieces))


# --- the word for evidence, once a section ----------------------------------------------

#: What stands once in a section instead of a word at each place.
ESTIMATED = (
    'What is told in "of 10", "balanced" or "of a point" is an estimate; the rest is certain.'
)
_ESTIMATE = re.compile(r" \((?:unmeasured estimate|estimate(?:, unmeasured)?)(?:: ([^)]*))?\)")


def once(texts: Sequence[str]) -> list[str]:
    """Sentences of which only the first that rests on the estimate says so."""
    out, said = [], False
    for text in texts:
        marks = iter([*_ESTIMATE.finditer(text)])
        if not said and (first := next(marks, None)) is not None:
            said = True
            text = text[: first.end()] + bare(text[first.end() :])
        else:
            text = bare(text)
        out.append(text)
    return out


def bare(text: str) -> str:
    """A text without its words for the estimate."""
    return _ESTIMATE.sub(lambda match: f" ({match[1]})" if match[1] else "", text)


def by_look_ahead(text: str) -> str:
    """A verdict whose evidence is told in the word that the strip and the score have for it."""
    return text.replace("(estimate", "(look-ahead")


def _estimated(text: str) -> bool:
    return _ESTIMATE.search(text) is not None


def noted(pieces: Iterable[Piece]) -> tuple[Piece, ...]:
    """The pieces with one note on the estimate at their head instead of a word at each place."""
    pieces = list(pieces)
    texts = [text for piece in pieces for text in texts_of(piece)]
    if not any(map(_estimated, texts)):
        return tuple(pieces)
    return (Paragraph(ESTIMATED), *map(_without, pieces))


def _brief_section(ident: str, title: str, pieces: list[Piece]) -> Section:
    """A section of a brief report: its title says what is an estimate."""
    if any(_estimated(text) for piece in pieces for text in texts_of(piece)):
        title += ' ("of 10", "of a point" and "balanced": by the estimate)'
    made = (
        replace(piece, text=bare(piece.text))
        for piece in pieces
        if isinstance(piece, (Item, Paragraph))
    )
    return Section(
        ident,
        title,
        Depth.BELOW,
        tuple(replace(p, text=p.text.replace(" such positions", "")) for p in made),
    )


def texts_of(piece: Piece) -> tuple[str, ...]:
    """Every sentence of a piece."""
    if isinstance(piece, Board):
        return (piece.caption, *piece.words)
    if isinstance(piece, Labelled):
        return (piece.head, piece.text)
    return () if isinstance(piece, Strip) else (piece.text,)


def _without(piece: Piece) -> Piece:
    if isinstance(piece, Board):
        return replace(
            piece, caption=bare(piece.caption), words=tuple(bare(word) for word in piece.words)
        )
    return piece if isinstance(piece, Strip) else replace(piece, text=bare(piece.text))
