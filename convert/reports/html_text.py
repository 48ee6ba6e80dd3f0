"""Text for pages: everything from a PGN file is untrusted and leaves here escaped."""

from __future__ import annotations

import base64
import hashlib
import json
import re
from functools import cache
from importlib import resources
from typing import TYPE_CHECKING, Any

from markupsafe import Markup, escape

from convert.model import Review
from convert.rim.safe_text import isolated

if TYPE_CHECKING:
    import jinja2

_CONTROL = re.compile("[\x00-\x08\x0b\x0c\x0e-\x1f\x7f-\x9f\u2028\u2029\ud800-\udfff\ufffe\uffff]")
_COMMAND = re.compile(r"\[%[^\[\]]*\]")
_SPACE = re.compile(r"\s+")
# A move with its number as in print; the mark behind it belongs to the sentence.
_MOVE = re.compile(r"\b(\d+)(\.\.\.|\.)([A-Za-z][A-Za-z0-9=+#-]*)")

#: Glyphs of the PGN standard (section 10) that are printed behind a move.
SUFFIX = {1: "!", 2: "?", 3: "!!", 4: "??", 5: "!?", 6: "?!"}
#: Further glyphs of the standard, in words.
NAG_WORDS = {
    7: "forced move",
    8: "only move",
    9: "worst move",
    10: "drawish position",
    11: "equal chances, quiet position",
    12: "equal chances, active position",
    13: "unclear position",
    14: "White has a slight advantage",
    15: "Black has a slight advantage",
    16: "White has a moderate advantage",
    17: "Black has a moderate advantage",
    18: "White has a decisive advantage",
    19: "Black has a decisive advantage",
    20: "White has a crushing advantage",
    21: "Black has a crushing advantage",
    22: "White is in zugzwang",
    23: "Black is in zugzwang",
}


@cache
def source(name: str) -> str:
    """A file of the templates folder."""
    return (resources.files("convert.reports") / "templates" / name).read_text(encoding="utf-8")


@cache
def environment() -> jinja2.Environment:
    """Where the templates of all pages are found: everything is escaped, nothing may be missing."""
    import jinja2

    made = jinja2.Environment(
        loader=jinja2.FunctionLoader(source),
        autoescape=True,
        undefined=jinja2.StrictUndefined,
        finalize=clean,
        trim_blocks=True,
        lstrip_blocks=True,
        keep_trailing_newline=True,
    )
    made.filters["set"] = typeset
    made.filters["moves"] = unbroken
    return made


def frame(style: str, script: str | None = None) -> dict[str, Any]:
    """Style (after the one all pages share), script, and the policy that allows just these."""
    css = source("base.css") + source(style)
    policy = f"default-src 'none'; style-src {source_hash(css)}; "
    values: dict[str, Any] = {"css": Markup(css)}
    if script is not None:
        js = source(script)
        policy += f"script-src {source_hash(js)}; "
        values["js"] = Markup(js)
    values["policy"] = policy + "img-src data:; base-uri 'none'; form-action 'none'"
    return values


def clean(value: Any) -> Any:
    """Text without control characters that cannot reorder what stands beside it.

    Anything else stays as it is (used on all that is printed).
    """
    if isinstance(value, str) and not isinstance(value, Markup):
        return isolated(_CONTROL.sub("", value))
    return value


def escaped(text: str) -> Markup:
    """Text from outside for markup that is put together by hand."""
    return escape(clean(text))


def typeset(text: str) -> str:
    """A sentence of ours with the quotation marks of print, numbers of trials kept together."""
    text = re.sub(r"\bn = (?=\d)", "n\u00a0=\u00a0", text)
    return re.sub(r'"([^"]*)"', "“\\1”", text).replace("'", "’")


#: A move number with its move, or a castling move: what a line of print should not break in two.
_NUMBERED = re.compile(r"(\d+\.(?:\.\.)?)(\S+)")


def unbroken(text: str) -> Markup:
    """The text escaped, with ``34.Rd6`` kept on one line."""
    return Markup(_NUMBERED.sub(r'<span class="mv">\1\2</span>', str(escaped(text))))


def comment_text(text: str) -> str:
    """An author's comment as prose: embedded commands left out, white space run together."""
    return _SPACE.sub(" ", _COMMAND.sub(" ", text)).strip()


def suffixes(nags: tuple[int, ...]) -> str:
    """The author's glyphs that stand directly behind a move: ``?!``."""
    return "".join(SUFFIX[nag] for nag in nags if nag in SUFFIX)


def nag_text(nags: tuple[int, ...]) -> str:
    """The author's other glyphs in words; a glyph without agreed words by its number."""
    texts = [NAG_WORDS.get(nag, f"${nag}") for nag in nags if nag not in SUFFIX and nag]
    return ", ".join(texts)


def result_words(result: str) -> str:
    """A result as in print: ``½–½``; the sign for an unfinished game stays."""
    return {"1-0": "1–0", "0-1": "0–1", "1/2-1/2": "½–½"}.get(result, result)


def known(review: Review, tag: str) -> str:
    """A tag's text; empty where it is missing, unknown (``?``) or not applicable (``-``)."""
    text = isolated(comment_text(review.tags.get(tag, "")))
    return "" if text in ("?", "-", "") else text


def linked(review: Review, text: str) -> Markup:
    """A sentence of ours, each move of the game in it a link to the move in the score."""
    text = typeset(clean(text))
    labels = {
        (record.number, "." if record.side.color else "...", record.san): record.ply
        for record in review.plies
    }
    out: list[str] = []
    at = 0
    for match in _MOVE.finditer(text):
        ply = labels.get((int(match[1]), match[2], match[3]))
        if ply is None:
            continue
        out.append(str(escape(text[at : match.start()])))
        out.append(f'<a href="#p{ply}">{escape(match[0])}</a>')
        at = match.end()
    out.append(str(escape(text[at:])))
    return Markup("".join(out))


def embedded_json(data: Any) -> Markup:
    """Data for a script element: ASCII, and nothing in it that could end the element."""
    text = json.dumps(data, ensure_ascii=True, separators=(",", ":"))
    for sign in "<>&'":
        text = text.replace(sign, f"\\u{ord(sign):04x}")
    return Markup(text)


def source_hash(text: str) -> str:
    """The source expression of a content security policy for an inline script or style."""
    return "'sha256-" + base64.b64encode(hashlib.sha256(text.encode()).digest()).decode() + "'"
