"""The strip: the outcome after every move, the kind of evidence as its texture."""

from __future__ import annotations

from dataclasses import dataclass

from markupsafe import Markup, escape

from convert.model import PlyRecord, Review, Verdict, move_label
from convert.reports.sections import by_look_ahead
from convert.wording.verdicts import strip_letter, verdict_words

#: Moves in one piece of the strip; pieces flow like words in a line.
MOVES = 5
#: Width of a ply and height of a lane, in CSS pixels.
CELL, LANE = 14, 13
#: Room for the letters of the lanes, for the move number, for the marks below.
SIDE, HEAD, FOOT = 14, 16, 16
WIDTH = SIDE + 2 * MOVES * CELL + 2
HEIGHT = HEAD + 3 * LANE + FOOT
_LANES = {"w": 0, "d": 1, "l": 2}

_HATCHING = "".join(
    f"M{max(0.0, reach - LANE)} {min(reach, LANE)}L{min(reach, CELL)} {max(0.0, reach - CELL)}"
    for reach in (CELL / 4 * n - CELL / 8 for n in range(1, 9))
    if reach < CELL + LANE
)
_DOTS = "".join(
    f'<circle cx="{x + 1.75}" cy="{y + 2}" r="0.9"/>'
    for x in (0, 3.5, 7, 10.5)
    for y in (0, 4.5, 9)
)

#: Textures of a cell of the strip, in the colour of the text around them.
#: Lines and dots and not patterns, which print as a flat grey.
PATTERNS = Markup(
    '<svg width="0" height="0" aria-hidden="true" focusable="false" class="defs"><defs>'
    f'<symbol id="strip-likely" viewBox="0 0 {CELL} {LANE}"><path d="{_HATCHING}" '
    'stroke="currentColor" stroke-width="0.9" fill="none"/></symbol>'
    f'<symbol id="strip-between" viewBox="0 0 {CELL} {LANE}"><path d="M0 {LANE / 2}H{CELL}" '
    'stroke="currentColor" stroke-width="1.4" stroke-dasharray="2 1.5" fill="none"/></symbol>'
    f'<symbol id="strip-open" viewBox="0 0 {CELL} {LANE}"><g fill="currentColor">{_DOTS}</g>'
    "</symbol></defs></svg>"
)


@dataclass(frozen=True)
class Marks:
    """What stands below the strip, by ply."""

    slips: dict[int, bool]
    trades: dict[int, int]


def strip(review: Review) -> list[Markup]:
    """The strip in pieces of a few moves each, every ply a link to its move."""
    marks = Marks(
        {slip.ply: slip.certain for slip in review.slips},
        {
            ply: number
            for number, trade in enumerate(review.trades, 1)
            for ply in range(trade.first, trade.last + 1)
        },
    )
    pieces: dict[int, list[PlyRecord]] = {}
    first = review.plies[0].number if review.plies else 1
    for record in review.plies:
        pieces.setdefault((record.number - first) // MOVES, []).append(record)
    return [_piece(review, records, marks) for _, records in sorted(pieces.items())]


def _piece(review: Review, records: list[PlyRecord], marks: Marks) -> Markup:
    first, last = records[0].number, records[-1].number
    name = f"Move {first}" if first == last else f"Moves {first} to {last}"
    start = records[0].number
    parts = [
        f'<svg viewBox="0 0 {WIDTH} {HEIGHT}" width="{WIDTH}" height="{HEIGHT}" role="group" '
        f'aria-label="{name}" class="strip-piece">',
        '<g class="strip-words" fill="currentColor">',
        f'<text x="{SIDE}" y="11">{first}</text>',
    ]
    parts += [
        f'<text x="0" y="{HEAD + lane * LANE + 10}">{letter}</text>'
        for lane, letter in enumerate("WDL")
    ]
    parts.append("</g>")
    width = 2 * CELL * (last - start + 1)
    lines = "".join(f"M{SIDE} {HEAD + n * LANE}h{width}" for n in range(4))
    parts.append(f'<path d="{lines}" class="strip-lines" fill="none" stroke="currentColor"/>')
    for record in records:
        x = SIDE + CELL * (2 * (record.number - start) + (0 if record.side.color else 1))
        parts.append(_ply(review, record, x, marks))
    parts.append("</svg>")
    return Markup("".join(parts))


def _ply(review: Review, record: PlyRecord, x: int, marks: Marks) -> str:
    """One ply: what is certain is full, an estimate hatched, what is excluded fenced off."""
    verdict = record.verdict.for_side(review.side)
    worth = by_look_ahead(verdict_words(verdict))
    text = f"{move_label(record.number, record.side, record.san)}: {worth}"
    slip = marks.slips.get(record.ply)
    if slip is not None:
        text += ", a slip" if slip else ", a suspected slip"
    if record.ply in marks.trades:
        text += f", trade {marks.trades[record.ply]}"
    name = escape(text)
    foot = HEAD + 3 * LANE
    shapes = [_texture(verdict, x)]
    if record.ply in marks.trades:
        joined = marks.trades.get(record.ply - 1) == marks.trades[record.ply]
        goes_on = marks.trades.get(record.ply + 1) == marks.trades[record.ply]
        left, right = x + (0 if joined else 3), x + CELL - (0 if goes_on else 3)
        start = "" if joined else f"M{left} {foot + 2}v3.5"
        end = "" if goes_on else f"v-3.5M{right} {foot + 5.5}"
        shapes.append(
            f'<path d="{start}M{left} {foot + 5.5}H{right}{end}" fill="none" '
            'stroke="currentColor" stroke-width="1.6"/>'
        )
    if slip is not None:
        middle, low = x + CELL / 2, foot + 11
        if slip:
            shape = f"M{middle - 4} {low - 4}l8 8m0 -8l-8 8"
        else:
            shape = f"M{middle - 3.5} {low}a3.5 3.5 0 1 0 7 0a3.5 3.5 0 1 0 -7 0"
        shapes.append(f'<path d="{shape}" class="strip-slip" fill="none" stroke-width="2"/>')
    return (
        f'<a href="#p{record.ply}" aria-label="{name}"><title>{name}</title>'
        f'<rect x="{x}" y="{HEAD}" width="{CELL}" height="{3 * LANE + FOOT}" class="strip-hit"/>'
        f"{''.join(shapes)}</a>"
    )


def _texture(verdict: Verdict, x: int) -> str:
    letter = strip_letter(verdict)
    if verdict.exact:
        return _full(x, HEAD + _LANES[letter.lower()] * LANE)
    best, worst = 1 - verdict.high.points, 1 - verdict.low.points
    fence = ""
    if worst - best < 2:
        y, height = HEAD + best * LANE, (worst - best + 1) * LANE
        fence = (
            f'<path d="M{x} {y}h{CELL}M{x} {y + height}h{CELL}" fill="none" '
            'stroke="currentColor" stroke-width="2.4"/>'
        )
    if letter == "/":
        lanes = range(best, worst + 1)
        return "".join(_textured("open", x, HEAD + lane * LANE) for lane in lanes) + fence
    if letter == "-":
        return _textured("between", x, HEAD + LANE) + fence
    return _textured("likely", x, HEAD + _LANES[letter] * LANE) + fence


def _full(x: int, y: int) -> str:
    return f'<rect x="{x}" y="{y}" width="{CELL}" height="{LANE}" fill="currentColor"/>'


def _textured(name: str, x: int, y: int) -> str:
    return f'<use href="#strip-{name}" x="{x}" y="{y}" width="{CELL}" height="{LANE}"/>'


def legend(review: Review) -> list[tuple[Markup, str]]:
    """Samples of the textures and marks that the strip of this game has, with their meaning."""
    verdicts = [record.verdict for record in review.plies]
    rounded = [v for v in verdicts if strip_letter(v) == "/"]
    open_ = [v for v in verdicts if not v.exact and v not in rounded]
    between = [v for v in open_ if strip_letter(v) == "-"]
    has = [
        any(v.exact for v in verdicts),
        len(open_) > len(between),
        bool(between),
        any(v.high.points - v.low.points < 2 for v in open_),
        bool(rounded),
        any(slip.certain for slip in review.slips),
        any(not slip.certain for slip in review.slips),
        bool(review.trades),
    ]
    return [sample for sample, wanted in zip(_samples(), has, strict=True) if wanted]


def _samples() -> list[tuple[Markup, str]]:
    frame = f'<rect x="5" y="3" width="{CELL}" height="{LANE}" fill="none" stroke="currentColor"/>'
    fence = (
        f'<path d="M5 3h{CELL}m0 {LANE}h-{CELL}" stroke="currentColor" stroke-width="2.4" '
        'fill="none"/>'
    )

    def sample(inner: str) -> Markup:
        return Markup(
            '<svg viewBox="0 0 24 18" width="24" height="18" aria-hidden="true" '
            f'focusable="false" class="sample">{inner}</svg>'
        )

    return [
        (sample(_full(5, 3)), "certain: rules, tables or solver"),
        (
            sample(_textured("likely", 5, 3) + frame),
            "estimate: W, D or L from about 5 of 10 on",
        ),
        (
            sample(_textured("between", 5, 3) + frame),
            "in between: none of the three is so likely",
        ),
        (
            sample(_textured("likely", 5, 3) + fence),
            "estimate between bars: what lies outside them is excluded for certain",
        ),
        (
            sample(_textured("open", 5, 3) + frame),
            "open between two results: the table rounds",
        ),
        (
            sample(
                '<path d="M8 5l8 8m0 -8l-8 8" class="strip-slip" fill="none" stroke-width="2"/>'
            ),
            "slip, certain",
        ),
        (
            sample(
                '<circle cx="12" cy="9" r="4" class="strip-slip" fill="none" stroke-width="2"/>'
            ),
            "slip, suspected",
        ),
        (
            sample('<path d="M3 5v5h18v-5" fill="none" stroke="currentColor" stroke-width="1.6"/>'),
            "trade",
        ),
    ]
