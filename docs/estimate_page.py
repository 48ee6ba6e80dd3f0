"""Parts of docs/measuring.md from convert/judging/estimate.json, and the calibration plot."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any
from xml.sax.saxutils import escape

NAMES = {
    "fitted": "the estimate",
    "by hand": "weights set by hand",
    "material": "worth of the men alone",
    "constant": "a constant",
}
KINDS = {
    "all": "all together",
    "exchange up": "exchange up",
    "rook ending": "rook endings",
    "minor pieces": "minor pieces",
    "pawn ending": "pawn endings",
    "queen ending": "queen endings",
    "other": "other pieces",
}


def quality(figures: Mapping[str, Any]) -> list[str]:
    """Brier score, log loss and calibration error by kind of ending and method."""
    out = [
        "| endings | n | forecast | Brier score | log loss | calibration error |",
        "|---|---|---|---|---|---|",
    ]
    for kind, words in KINDS.items():
        rows = figures.get(kind, {})
        for name in (name for name in NAMES if name in rows):
            row = rows[name]
            out.append(f"| {words} | {row['n']:,} | {NAMES[name]} | {_scores(row)} |")
            words = ""
    return out


def _scores(row: Mapping[str, Any]) -> str:
    return f"{row['brier']:.3f} | {row['log_loss']:.3f} | {row['ece']:.3f}"


def look_ahead(told: Mapping[str, Any]) -> list[str]:
    """What the look-ahead adds, by its budget."""
    out = [
        "| positions looked at | n | Brier score | log loss | calibration error |",
        "|---|---|---|---|---|",
    ]
    for nodes, row in sorted(told["look_ahead"].items(), key=lambda item: int(item[0])):
        out.append(
            f"| {'none' if nodes == '0' else f'at most {int(nodes):,}'} | {row['n']:,} | "
            f"{_scores(row)} |"
        )
    return out


def suspected(counts: Mapping[str, Any]) -> list[str]:
    """How often a larger search agreed with suspected slips, by threshold."""
    rows = [
        "| fall of the chance | suspected | the larger search agrees | share (95%) |",
        "|---|---|---|---|",
    ]
    for row in counts["sweep"]:
        share = "none"
        if row["precision"] is not None:
            share = f"{row['precision']:.2f} ({row['low']:.2f} to {row['high']:.2f})"
        used = "**in use**: " if row["threshold"] == counts["threshold"] else ""
        rows.append(
            f"| {used}{row['threshold']:.2f} | {row['suspected']:,} | {row['right']:,} | {share} |"
        )
    return rows


# --- the plot --------------------------------------------------------------------------------

_SIZE, _LEFT, _TOP = 400, 60, 20
_MARKS = (("by hand", "#9a9a9a", "4 3"), ("fitted", "#1d1d1b", ""))


def _x(share: float) -> float:
    return round(_LEFT + share * _SIZE, 1)


def _y(share: float) -> float:
    return round(_TOP + (1 - share) * _SIZE, 1)


def calibration_svg(told: Mapping[str, Any]) -> str:
    """Forecast against what came, one mark a bin, its area the number of forecasts."""
    methods = told["held_out"]["all"]
    number = methods["fitted"]["n"]
    out = [
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {_SIZE + 90} {_SIZE + 90}" '
        'role="img" aria-labelledby="t" font-family="Georgia, serif" font-size="13">',
        f'<title id="t">{escape(_in_words(methods["fitted"]))}</title>',
        f'<rect width="{_SIZE + 90}" height="{_SIZE + 90}" fill="#fff"/>',
        f'<path d="M{_x(0)} {_y(0)}L{_x(1)} {_y(1)}" stroke="#b5b5b5"/>',
        f'<rect x="{_x(0)}" y="{_y(1)}" width="{_SIZE}" height="{_SIZE}" fill="none" '
        'stroke="#1d1d1b"/>',
    ]
    for tenth in range(0, 11, 2):
        share = tenth / 10
        out.append(
            f'<text x="{_x(share)}" y="{_y(0) + 20}" text-anchor="middle">{share:.1f}</text>'
            f'<text x="{_x(0) - 8}" y="{_y(share) + 4}" text-anchor="end">{share:.1f}</text>'
        )
    for name, colour, dash in _MARKS:
        curve = methods[name]["curve"]
        path = "L".join(f"{_x(f)} {_y(o)}" for _, f, o in curve)
        out.append(f'<path d="M{path}" fill="none" stroke="{colour}" stroke-dasharray="{dash}"/>')
        for count, forecast, observed in curve:
            radius = round(2 + 10 * (count / (2 * number)) ** 0.5, 1)
            fill = colour if name == "fitted" else "#fff"
            out.append(
                f'<circle cx="{_x(forecast)}" cy="{_y(observed)}" r="{radius}" fill="{fill}" '
                f'stroke="{colour}"/>'
            )
    out.append(
        f'<text x="{_x(0.5)}" y="{_y(0) + 42}" text-anchor="middle">probability of winning that '
        "was told</text>"
        f'<text transform="translate(18 {_y(0.5)}) rotate(-90)" text-anchor="middle">share that '
        "was won with best play</text>"
        f'<text x="{_x(0)}" y="{_y(0) + 62}" font-size="12">{number:,} positions of held-out '
        "games, both sides. Black: the estimate; grey: weights by hand.</text>"
    )
    return "\n".join([*out, "</svg>"]) + "\n"


def _in_words(row: Mapping[str, Any]) -> str:
    told = "; ".join(f"{100 * f:.0f} told, {100 * o:.0f} came (n {n})" for n, f, o in row["curve"])
    return f"Calibration of the estimate, in hundredths: {told}."
