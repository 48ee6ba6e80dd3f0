"""The illustrated report: one self-contained page a game, and an index for a folder of pages.

A page needs no network, no font and no script: the script only adds stepping.  Tags and
comments are escaped wherever they are printed, and a content security policy in the page
allows its own style and script by their hashes and nothing else.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from functools import cache
from importlib import resources
from itertools import groupby
from pathlib import PurePath
from typing import TYPE_CHECKING, Any

from markupsafe import Markup

from convert.model import Review
from convert.reports.board_svg import piece_defs
from convert.reports.html_lines import Desk
from convert.reports.html_strip import PATTERNS, legend, strip
from convert.reports.html_text import (
    clean,
    date_words,
    embedded_json,
    known,
    linked,
    result_words,
    source_hash,
    typeset,
)
from convert.reports.html_view import Article, View
from convert.wording import (
    how_words,
    only_moves_words,
    shown_phases,
    span,
    technique_words,
    turning_words,
)

if TYPE_CHECKING:
    import jinja2


@cache
def _source(name: str) -> str:
    """A file of the templates folder."""
    return (resources.files(__package__) / "templates" / name).read_text(encoding="utf-8")


@cache
def _environment() -> jinja2.Environment:
    import jinja2

    made = jinja2.Environment(
        loader=jinja2.FunctionLoader(_source),
        autoescape=True,
        undefined=jinja2.StrictUndefined,
        finalize=clean,
        trim_blocks=True,
        lstrip_blocks=True,
        keep_trailing_newline=True,
    )
    made.filters["groupby_run"] = _runs
    made.filters["set"] = typeset
    return made


def _runs(articles: list[Article]) -> list[list[Article]]:
    """The articles in order, small ones that follow each other together."""
    return [list(run) for _, run in groupby(articles, key=lambda article: article.weight)]


def _frame(script: str) -> dict[str, Any]:
    """Style, script and the policy that allows just these."""
    css, js = _source("page.css"), _source(script)
    policy = (
        f"default-src 'none'; style-src {source_hash(css)}; script-src {source_hash(js)}; "
        "img-src data:; base-uri 'none'; form-action 'none'"
    )
    return {"css": Markup(css), "js": Markup(js), "policy": policy}


def page(review: Review, *, index: str | None = None) -> str:
    """The page of one game; ``index`` is the name of the index page beside it, if there is one.

    The same Review always gives the same text.
    """
    view = View(review, Desk())
    trades, declined, slips = view.trades(), view.declined(), view.slips()
    board = view.score_board()
    score_line = view.score_line
    score = view.score(board)
    phases = shown_phases(review)
    return _environment().get_template("page.html.j2").render(
        **_frame("page.js"),
        defs=piece_defs() + PATTERNS,
        review=review,
        white=known(review, "White") or "White",
        black=known(review, "Black") or "Black",
        where=where(review),
        result=result_words(review.result),
        story=[linked(review, text) for text in review.story],
        strip=strip(review),
        legend=legend(review),
        turning=linked(review, turning_words(review)),
        phases=[(span(review, p.first, p.last), p.name) for p in phases],
        phases_left=len(review.phases) - len(phases),
        trades=trades,
        declined=declined,
        slips=slips,
        rules=view.rules(),
        only_moves=[linked(review, text) for text in only_moves_words(review)],
        technique=[linked(review, text) for text in technique_words(review)],
        lessons=[
            (lesson, linked(review, lesson.shown)) for lesson in review.teach
        ],
        board=board,
        score=score,
        score_line=score_line,
        how=linked(review, how_words(review)),
        index=index,
        file=PurePath(review.file).name,
        data=embedded_json(view.desk.data()),
    )


def where(review: Review) -> str:
    """Event, site, round and date, as far as they are known."""
    number = known(review, "Round")
    parts = [
        known(review, "Event"),
        known(review, "Site"),
        f"round {number}" if number else "",
        date_words(known(review, "Date")),
    ]
    told: list[str] = []
    for part in parts:
        if part and part not in told:
            told.append(part)
    return ", ".join(told)


# --- the index ----------------------------------------------------------------------------


@dataclass(frozen=True)
class IndexRow:
    """One game in the index."""

    number: int
    href: str
    white: str
    black: str
    result: str
    event: str
    date: str
    date_key: str
    moves: int
    side: str
    certain: int
    suspected: int
    trades: int


def page_name(number: int, review: Review) -> str:
    """File name of a game's page: number and players in plain letters, digits and hyphens."""
    names = f"{known(review, 'White')} {known(review, 'Black')}".lower()
    plain = re.sub(r"[^a-z0-9]+", "-", names).strip("-")[:48].strip("-")
    return f"{number:04d}-{plain}.html" if plain else f"{number:04d}.html"


def index_row(number: int, href: str, review: Review) -> IndexRow:
    """What the index tells of a game."""
    date = known(review, "Date")
    return IndexRow(
        number=number,
        href=href,
        white=known(review, "White") or "unknown",
        black=known(review, "Black") or "unknown",
        result=result_words(review.result),
        event=known(review, "Event"),
        date=date_words(date),
        date_key=date,
        moves=(len(review.plies) + 1) // 2,
        side=review.side.name_,
        certain=sum(slip.certain for slip in review.slips),
        suspected=sum(not slip.certain for slip in review.slips),
        trades=len(review.trades),
    )


def index(rows: Iterable[IndexRow], title: str) -> Iterator[str]:
    """The index page in pieces, so that a long table never lies in memory as a whole."""
    return _environment().get_template("index.html.j2").generate(
        **_frame("index.js"), rows=rows, title=title
    )
